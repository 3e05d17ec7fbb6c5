"""Edges of the mixture: what the readings alone tell of the sensor's lag, and where the raw speeds bend for them.

A throttle snapped shut or open makes the mixture step, and after a step a sensor of first order comes the rest of the
way exponentially, with its lag as the time constant. So around each large change the readings are fitted with

    a + b t + (c x ramp from start to start + rise, + d (t - start) from start on) through the lag
            + what the lag remembers of before

for each lag tried, linear in all but start and rise, which are searched for: separable least squares [1]. What the fits
leave says how likely each lag is, without any speed.

The same throttle bends the speed, a delay earlier. Over each stretch of the drive the receiver's raw speeds are taken
as a parabola plus a bend for each sharp edge that falls into it at the delay tried. How hard each bend is is not known
beforehand: it is integrated over, so that stretches are likelihoods of the delay whichever edges fall into them. A
throttle eased over a second is no good mark, for load moves before the mixture does; stretches near one are left out.

    edges = find(time_s, value, lags_s)
    misfit = bends(edges, fix_time_s, fix_mps, sigma_mps, shifts_s)

References
----------
[1] G. H. Golub, V. Pereyra, The differentiation of pseudo-inverses and nonlinear least squares problems whose variables
    separate, SIAM J. Numer. Anal. 10 (1973) 413.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats, peaks, usual_step

BIN_S = 0.05
"""Readings faster than this are averaged over it [s]."""
TALL = 6.0
"""A change within `ACROSS_S` by so many standard deviations of the readings' noise, and of their usual changes, is an
edge."""
ACROSS_S, APART_S = 0.8, 0.8
BEFORE_S, AFTER_S = 2.0, 2.5
"""How much of the readings about an edge is fitted, where no other edge is near [s]."""
FIRST_ORDER = 0.02
"""Standard error of an edge's shape, as a share of its height: no sensor is quite of first order."""
MOST_EDGES = 40
"""So many of the tallest edges are asked for the lag: they tell it to a hundredth of a second."""
LEAST_S = 0.01
"""A lag below this is taken as this, which no readings could tell [s]."""
START_STEP_S = 0.075
STARTS_S, RISES_S = -0.9 + START_STEP_S * np.arange(17), np.array([0.0, 0.3, 0.9])
FINE = 5
"""The search for start and rise begins at these, the rises whole steps of the starts, and is made twice as fine so
often."""
HELD_BACK = 1e-4
"""How much an edge's coefficients are held back, for what no readings tell."""

SHARP_S = 0.3
"""An edge that rises within this is sharp [s]."""
STRETCH_S = 4.0
"""Stretches of the drive that are asked for bends [s], and at least so many fixes as below."""
STRETCH_FIXES = 16
BEND_MPS2, CURL_MPS3 = 1.0, 0.2
"""How much acceleration and its rate may change at an edge: standard deviations of a prior that hardly binds."""
UNTIED = 5.0
"""A stretch counts for no more than this log likelihood against a delay: its bend may be the brake's or the road's."""


@dataclass(frozen=True)
class Edges:
    """Edges of the mixture in order of time, k of them, and what they say of each lag tried.

    Attributes
    ----------
    time_s : array, shape (k,)
        Where about the readings change most [s].
    misfit : array, shape (k, lags)
        Minus the log likelihood of each lag, 0 at the edge's best; all 0 for an edge that was not asked.
    start_s, rise_s : array, shape (k,)
        With the lag that suits all edges best: when the gas at the sensor began to change, and for how long [s].
    moved_s : array, shape (lags,)
        How much later than that the edges begin with each lag, on average [s].
    """

    time_s: Floats
    misfit: Floats
    start_s: Floats
    rise_s: Floats
    moved_s: Floats


def find(time_s: Floats, value: Floats, lags_s: Floats, usable: NDArray[np.bool_] | None = None) -> Edges:
    """The edges in readings that rise in time, NaN for a void one.

    Parameters
    ----------
    time_s, value : array, shape (n,)
        Readings [s, any unit].
    lags_s : array
        Lags to try [s].
    usable : array of bool, shape (n,), optional
        Where the readings' edges are as simple as that; by default everywhere.

    Returns
    -------
    Edges
        Empty where there are none, or fewer than twenty readings.
    """
    nothing = Edges(np.empty(0), np.empty((0, len(lags_s))), np.empty(0), np.empty(0), np.zeros(len(lags_s)))
    good = np.isfinite(time_s) & np.isfinite(value)
    t, x = _binned(time_s[good], value[good])
    if len(t) < 20:
        return nothing
    noise = _noise(x)
    at, height = _changes(t, x, noise)
    begin = np.maximum(at - BEFORE_S, np.concatenate([[-np.inf], at[:-1] + APART_S / 2]))
    end = np.minimum(at + AFTER_S, np.concatenate([at[1:] - 0.75 * APART_S, [np.inf]]))
    first, last = np.searchsorted(t, begin), np.searchsorted(t, end)
    pauses = np.concatenate([[0], np.cumsum(np.diff(t) > 0.5)])
    whole = (last - first >= 12) & (at - begin >= 0.4) & (end - at >= 0.8)
    first_in, last_in = np.minimum(first, len(t) - 1), np.maximum(last - 1, 0)
    whole &= (pauses[first_in] == pauses[last_in]) & (t[first_in] < at - 0.25)
    if usable is not None:
        whole &= usable[good][np.minimum(np.searchsorted(time_s[good], at), good.sum() - 1)]
    at, height, first, last = (z[whole] for z in (at, height, first, last))
    if len(at) == 0:
        return nothing

    asked = np.sort(np.argsort(-height, kind="stable")[:MOST_EDGES])
    misfit, starts = np.zeros((len(at), len(lags_s))), np.zeros((len(at), len(lags_s)))
    rises = np.zeros((len(at), len(lags_s)))
    for k in asked:
        piece = slice(first[k], last[k])
        squares, starts[k], rises[k] = _fitted(t[piece] - at[k], x[piece], lags_s)
        variance = noise**2 + (FIRST_ORDER * height[k]) ** 2
        weight = min(1.0, len(x[piece]) * variance / max(float(squares.min()), 1e-12)) ** 2
        misfit[k] = 0.5 * weight * (squares - squares.min()) / variance
    best = int(misfit.sum(axis=0).argmin())
    start, rise = starts[:, best].copy(), rises[:, best].copy()
    for k in np.setdiff1d(np.arange(len(at)), asked):
        piece = slice(first[k], last[k])
        _, (start[k],), (rise[k],) = _fitted(t[piece] - at[k], x[piece], lags_s[[best]])
    moved = np.median(starts[asked] - starts[asked][:, [best]], axis=0)
    return Edges(at, misfit, start + at, rise, moved)


def bends(edges: Edges, time_s: Floats, speed_mps: Floats, sigma_mps: float, shifts_s: Floats) -> tuple[Floats, Floats]:
    """How badly raw speeds bend where the edges were, if they were read so much later.

    Parameters
    ----------
    time_s, speed_mps : array, shape (m,)
        The receiver's fixes as they came [s, m/s], with the standard error `sigma_mps`; NaN where there is no speed
        to be used.
    shifts_s : array
        Delays tried, rising [s].

    Returns
    -------
    middle_s : array, shape (k,)
        Middles of the stretches that say something [s].
    misfit : array, shape (k, lags, shifts)
        Minus the log likelihood of each delay with each lag, 0 at a stretch's best.
    """
    t, v = time_s, speed_mps
    mark, sharp = edges.start_s + edges.rise_s / 2, edges.rise_s <= SHARP_S
    middles, found = [], []
    if len(t) >= STRETCH_FIXES and sharp.any():
        step = float(np.median(np.diff(t)))
        length = max(STRETCH_S, STRETCH_FIXES * step)
        least, most = shifts_s[0] - edges.moved_s.max(), shifts_s[-1] - edges.moved_s.min()
        tried = np.arange(least, most + 0.05, 0.05)
        for begin in np.arange(t[0], t[-1] - length, length / 3):
            end = begin + length
            a, b = np.searchsorted(t, [begin, end])
            here = sharp & (mark > begin + tried[0]) & (mark < end + tried[-1])
            # As delays go, load moved with these within the stretch.
            eased = ~sharp & (mark > begin - 0.5) & (mark < end + 1.5)
            if not here.any() or eased.any() or b - a < 0.8 * length / step or not np.isfinite(v[a:b]).all():
                continue
            profile = _bent(t[a:b], v[a:b] / sigma_mps, sigma_mps, mark[here], tried)
            middles.append((begin + end) / 2)
            found.append([np.interp(shifts_s - moved, tried, profile) for moved in edges.moved_s])
    if not middles:
        return np.empty(0), np.empty((0, len(edges.moved_s), len(shifts_s)))
    return np.array(middles), np.array(found)


def _bent(t: Floats, speeds: Floats, sigma: float, mark: Floats, shifts: Floats) -> Floats:
    """Minus the log likelihood of a stretch of speeds (over their sigma) by shift, the bends' hardness integrated."""
    middle, half = (t[0] + t[-1]) / 2, (t[-1] - t[0]) / 2
    parabola, _ = np.linalg.qr(np.vander((t - middle) / half, 3))
    since = np.maximum(t - (mark[:, None] - shifts[:, None, None]), 0.0)
    columns = np.concatenate([since * (BEND_MPS2 / sigma), since**2 * (CURL_MPS3 / 2 / sigma)], axis=1)
    left = _apart(speeds, parabola)
    explained, normal = _explained(_apart(columns, parabola), left, 1.0)
    squares = left @ left - explained
    # A stretch that is not fitted within the noise says less.
    weight = min(1.0, len(t) / float(squares.min())) ** 2
    misfit = 0.5 * weight * (squares + np.linalg.slogdet(normal)[1])
    return np.asarray(-np.log(np.exp(-UNTIED) + np.exp(misfit.min() - misfit)))


# --- fits about one edge -------------------------------------------------------------------------------------------


def _binned(t: Floats, x: Floats) -> tuple[Floats, Floats]:
    if len(t) < 3 or usual_step(t) > 0.6 * BIN_S:
        return t, x
    place = np.floor(t / BIN_S)
    start = np.flatnonzero(np.concatenate([[True], np.diff(place) != 0]))
    size = np.diff(np.concatenate([start, [len(t)]]))
    return np.add.reduceat(t, start) / size, np.add.reduceat(x, start) / size


def _noise(x: Floats) -> float:
    """Standard deviation of the readings' noise, from their second differences: a step spoils but few of them."""
    second = float(np.median(np.abs(np.diff(x, 2))))
    return max(1.4826 * second / 6**0.5, 1e-3 * float(x.std()), 1e-9)


def _changes(t: Floats, x: Floats, noise: float) -> tuple[Floats, Floats]:
    """Where readings differ most across `ACROSS_S`, and by how much."""
    wide = max(1, round(0.25 / usual_step(t)))
    smooth = np.convolve(x, np.ones(wide) / wide, mode="same")
    grid = np.arange(t[0] + ACROSS_S, t[-1] - ACROSS_S, BIN_S)
    change = np.abs(np.interp(grid + ACROSS_S / 2, t, smooth) - np.interp(grid - ACROSS_S / 2, t, smooth))
    usual = 1.4826 * float(np.median(change)) if len(change) else 0.0
    at = peaks(change, TALL * max(noise, usual), round(APART_S / BIN_S))
    return grid[at], change[at]


def _fitted(t: Floats, x: Floats, lags: Floats) -> tuple[Floats, Floats, Floats]:
    """Least sums of squares by lag, with start and rise; times from the middle of the change."""
    row = np.arange(len(lags))
    edge = _Edge(t, x, lags)
    squares, start, rise = edge.all_over()
    for k in range(FINE + 1):
        best = squares.argmin(axis=1)
        least, at, width = squares[row, best], start[row, best], rise[row, best]
        if k < FINE:
            around = np.array([-1.0, 0.0, 1.0]) / 2**k
            squares, start, rise = edge.near(
                at[:, None] + 0.0375 * around, np.maximum(width[:, None] + 0.15 * around, 0.0)
            )
    return least, at, width


class _Edge:
    """The readings about one edge, and how well the model above fits them with each lag."""

    def __init__(self, t: Floats, x: Floats, lags: Floats) -> None:
        self._since = t - t[0]
        self._begin = float(t[0])
        self._lag = np.maximum(lags, LEAST_S)[:, None, None]
        self._memory = np.exp(-self._since / self._lag)
        self._line, _ = np.linalg.qr(np.vander(t, 2))
        self._y = _apart(x, self._line)
        self._square = float(self._y @ self._y)

    def _shown(self, from_s: Floats) -> tuple[Floats, Floats]:
        """A step, and a slope of 1, through the lag: (lags, k, n) for `from_s` (lags, k)."""
        begin = (from_s - self._begin)[..., None]
        after = self._since - begin
        # It forgets by the same exponential whenever they begin.
        step = np.where(after > 0, 1 - self._memory * np.exp(begin / self._lag), 0.0)
        return step, np.maximum(after, 0.0) - self._lag * step

    def all_over(self) -> tuple[Floats, Floats, Floats]:
        """Sums of squared residuals (lags, trials), linear parameters at their best, for `STARTS_S` and `RISES_S`; and
        these. What rises ends where another begins, so that few curves are enough."""
        lags, count, reach = len(self._lag), len(STARTS_S), np.round(RISES_S / START_STEP_S).astype(int)
        begins = STARTS_S[0] + START_STEP_S * np.arange(count + reach[-1])
        step, slope = self._shown(np.broadcast_to(begins, (lags, len(begins))))
        curves = np.concatenate([slope, step[:, :count], self._memory], axis=1)
        on_line = curves @ self._line
        gram = curves @ curves.swapaxes(1, 2) - on_line @ on_line.swapaxes(1, 2)
        target = curves @ self._y
        own, memory = np.arange(count), curves.shape[1] - 1
        found = []
        for ends, rise in zip(reach.tolist(), RISES_S.tolist(), strict=True):
            if ends:
                other = own + ends
                to_all = (gram[:, own] - gram[:, other]) / rise
                ramp, with_slope, with_memory = (to_all[:, own, own] - to_all[:, own, other]) / rise, to_all, to_all
                to_ramp = (target[:, own] - target[:, other]) / rise
            else:
                mine = own + len(begins)
                to_all = gram[:, mine]
                ramp, with_slope, with_memory = to_all[:, own, mine], to_all, to_all
                to_ramp = target[:, mine]
            normal = {
                (0, 0): ramp, (0, 1): with_slope[:, own, own], (0, 2): with_memory[:, own, memory],
                (1, 1): gram[:, own, own], (1, 2): gram[:, own, memory], (2, 2): gram[:, [memory], memory],
            }  # fmt: skip
            found.append(_explained_by_three(normal, (to_ramp, target[:, own], target[:, [memory]])))
        shape = (lags, count, len(RISES_S))
        return (
            self._square - np.stack(found, axis=-1).reshape(lags, -1),
            np.broadcast_to(STARTS_S[:, None], shape).reshape(lags, -1),
            np.broadcast_to(RISES_S, shape).reshape(lags, -1),
        )

    def near(self, starts: Floats, rises: Floats) -> tuple[Floats, Floats, Floats]:
        """The same for each of some starts with each of some rises, (lags, a) and (lags, b)."""
        lags, n = len(self._lag), len(self._since)
        start = np.repeat(starts, rises.shape[1], axis=1)
        rise = np.tile(rises, starts.shape[1])
        step, slope = (each[:, :, None] for each in self._shown(starts))
        later = self._shown(start + rise)[1].reshape(lags, starts.shape[1], -1, n)
        width = rises[:, None, :, None]
        columns = np.empty((*later.shape[:3], 3, n))
        ramp = columns[..., 0, :]
        np.subtract(slope, later, out=ramp)
        ramp /= np.maximum(width, 1e-6)
        np.copyto(ramp, step, where=width <= 1e-6)
        columns[..., 1, :], columns[..., 2, :] = slope, self._memory[:, None]
        flat = columns.reshape(-1, n)  # one large product is far quicker than many small ones
        on_line = (flat @ self._line).reshape(lags, -1, 3, 2)
        target = (flat @ self._y).reshape(lags, -1, 3)
        each = flat.reshape(lags, -1, 3, n)
        gram = each @ each.swapaxes(-1, -2) - on_line @ on_line.swapaxes(-1, -2)
        normal = {(a, b): gram[..., a, b] for a in range(3) for b in range(a, 3)}
        return self._square - _explained_by_three(normal, tuple(np.moveaxis(target, -1, 0))), start, rise


def _explained_by_three(normal: dict[tuple[int, int], Floats], target: tuple[Floats, ...]) -> Floats:
    """How much of y'y three columns explain, their coefficients held back a little: Cholesky's way, entry by entry."""
    a = np.sqrt(normal[0, 0] + HELD_BACK)
    b, c = normal[0, 1] / a, normal[0, 2] / a
    d = np.sqrt(normal[1, 1] + HELD_BACK - b * b)
    e = (normal[1, 2] - b * c) / d
    f = np.sqrt(normal[2, 2] + HELD_BACK - c * c - e * e)
    one = target[0] / a
    two = (target[1] - b * one) / d
    three = (target[2] - c * one - e * two) / f
    return np.asarray(one * one + two * two + three * three)


def _apart(x: Floats, basis: Floats) -> Floats:
    """What of `x` (..., n) is not in the span of the orthonormal `basis` (n, k)."""
    flat = x.reshape(-1, len(basis))  # one large product is far quicker than many small ones
    return np.asarray((flat - (flat @ basis) @ basis.T).reshape(x.shape))


def _explained(columns: Floats, y: Floats, ridge: float) -> tuple[Floats, Floats]:
    """How much of y'y each set of columns (..., p, n) explains, its coefficients held back by `ridge`; and the normal
    matrices (..., p, p)."""
    normal = columns @ np.swapaxes(columns, -1, -2) + ridge * np.eye(columns.shape[-2])
    target = (columns.reshape(-1, len(y)) @ y).reshape(columns.shape[:-1])
    return np.sum(target * np.linalg.solve(normal, target[..., None])[..., 0], axis=-1), normal
