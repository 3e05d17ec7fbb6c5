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

from collections.abc import Mapping, Sequence
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

LAGS_TOGETHER = 64
"""So many edges, or edges times lags, are fitted at once: their arrays stay small."""

SHARP_S = 0.3
"""An edge that rises within this is sharp [s]."""
STRETCH_S = 4.0
"""Stretches of the drive that are asked for bends [s], and at least so many fixes as below."""
STRETCH_FIXES = 16
BEND_MPS2, CURL_MPS3 = 1.0, 0.2
"""How much acceleration and its rate may change at an edge: standard deviations of a prior that hardly binds."""
TOGETHER = 2**17
"""So many numbers of some stretches are worked on at once."""
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
    others = np.setdiff1d(np.arange(len(at)), asked)
    pieces = [(t[i:j] - middle, x[i:j]) for i, j, middle in zip(first, last, at, strict=True)]
    squares, starts, rises = _fitted([pieces[k] for k in asked], lags_s)
    variance = noise**2 + (FIRST_ORDER * height[asked]) ** 2
    least, size = squares.min(axis=1), (last - first)[asked]
    weight = np.minimum(1.0, size * variance / np.maximum(least, 1e-12)) ** 2
    misfit = np.zeros((len(at), len(lags_s)))
    misfit[asked] = 0.5 * (weight / variance)[:, None] * (squares - least[:, None])
    best = int(misfit.sum(axis=0).argmin())
    start, rise = np.empty(len(at)), np.empty(len(at))
    start[asked], rise[asked] = starts[:, best], rises[:, best]
    if len(others):
        _, starts_of, rises_of = _fitted([pieces[k] for k in others], lags_s[[best]])
        start[others], rise[others] = starts_of[:, 0], rises_of[:, 0]
    moved = np.median(starts - starts[:, [best]], axis=0)
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
    t, nothing = time_s, (np.empty(0), np.empty((0, len(edges.moved_s), len(shifts_s))))
    least, most = shifts_s[0] - edges.moved_s.max(), shifts_s[-1] - edges.moved_s.min()
    tried = np.arange(least, most + 0.05, 0.05)
    if len(t) < STRETCH_FIXES:
        return nothing
    step = float(np.median(np.diff(t)))
    length = max(STRETCH_S, STRETCH_FIXES * step)
    begin = np.arange(t[0], t[-1] - length, length / 3)
    end = begin + length
    first, last = np.searchsorted(t, begin), np.searchsorted(t, end)
    mark, sharp = edges.start_s + edges.rise_s / 2, edges.rise_s <= SHARP_S
    marks = np.sort(mark[sharp])
    a, b = np.searchsorted(marks, begin + tried[0], "right"), np.searchsorted(marks, end + tried[-1])
    # As delays go, load moved with these within the stretch.
    eased = np.searchsorted(np.sort(mark[~sharp]), [begin - 0.5, end + 1.5])
    void = np.concatenate([[0], np.cumsum(~np.isfinite(speed_mps))])
    asked = (b > a) & (eased[0] == eased[1]) & (last - first >= 0.8 * length / step) & (void[last] == void[first])
    use = np.flatnonzero(asked)
    if len(use) == 0:
        return nothing

    profile = np.empty((len(use), len(tried)))
    shape = np.stack([last - first, b - a])[:, use]
    for size, count in np.unique(shape, axis=1).T.tolist():
        alike = np.flatnonzero((shape[0] == size) & (shape[1] == count))
        together = max(1, TOGETHER // (2 * count * size * len(tried)))
        for some in (alike[k : k + together] for k in range(0, len(alike), together)):
            rows = first[use[some], None] + np.arange(size)
            of = marks[a[use[some], None] + np.arange(count)]
            profile[some] = _bent(t[rows], speed_mps[rows] / sigma_mps, sigma_mps, of, tried)
    at = (shifts_s - edges.moved_s[:, None] - tried[0]) / 0.05
    below = np.clip(at.astype(np.intp), 0, len(tried) - 2)
    part = at - below
    return (begin + end)[use] / 2, profile[:, below] * (1 - part) + profile[:, below + 1] * part


def _bent(t: Floats, speeds: Floats, sigma: float, mark: Floats, shifts: Floats) -> Floats:
    """Minus the log likelihood of some stretches of speeds over their sigma (stretches, n) by shift, the hardness of
    the bends at their marks (stretches, marks) integrated: (stretches, shifts)."""
    middle, half = (t[:, :1] + t[:, -1:]) / 2, (t[:, -1:] - t[:, :1]) / 2
    parabola, _ = np.linalg.qr(((t - middle) / half)[..., None] ** np.array([2, 1, 0]))
    since = np.maximum(t[:, None, None, :] - (mark[:, None, :] - shifts[:, None])[..., None], 0.0)
    columns = np.concatenate([since * (BEND_MPS2 / sigma), since**2 * (CURL_MPS3 / 2 / sigma)], axis=2)
    left = _apart(speeds[:, None], parabola)
    columns = _apart(columns.reshape(len(t), -1, t.shape[1]), parabola).reshape(columns.shape)
    target = np.moveaxis((columns @ left[:, :, :, None])[..., 0], -1, 0)
    each, product = np.moveaxis(columns, 2, 0), "...n,...n->..."
    normal = {(i, j): np.einsum(product, each[i], each[j]) for j in range(len(each)) for i in range(j + 1)}
    explained, spread = _explained(normal, tuple(target), 1.0)
    squares = np.sum(left**2, axis=-1) - explained
    # A stretch that is not fitted within the noise says less.
    weight = np.minimum(1.0, t.shape[1] / squares.min(axis=1, keepdims=True)) ** 2
    misfit = 0.5 * weight * (squares + spread)
    return np.asarray(-np.log(np.exp(-UNTIED) + np.exp(misfit.min(axis=1, keepdims=True) - misfit)))


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


def _fitted(pieces: Sequence[tuple[Floats, Floats]], lags: Floats) -> tuple[Floats, Floats, Floats]:
    """Least sums of squares by edge and lag (edges, lags), with start and rise, of the readings about each edge: times
    from the middle of the change, and values."""
    size = max(1, LAGS_TOGETHER // len(lags))
    found = [_fitted_together(pieces[k : k + size], lags) for k in range(0, len(pieces), size)]
    least, at, width = (np.concatenate(each) for each in zip(*found, strict=True))
    return least, at, width


def _fitted_together(pieces: Sequence[tuple[Floats, Floats]], lags: Floats) -> tuple[Floats, Floats, Floats]:
    edges = _Edges(pieces, lags)
    squares, start, rise = edges.all_over()
    for k in range(FINE + 1):
        best = squares.argmin(axis=-1)[..., None]
        least, at, width = (np.take_along_axis(each, best, axis=-1) for each in (squares, start, rise))
        if k < FINE:
            around = np.array([-1.0, 0.0, 1.0]) / 2**k
            squares, start, rise = edges.near(at + 0.0375 * around, np.maximum(width + 0.15 * around, 0.0))
    return least[..., 0], at[..., 0], width[..., 0]


class _Edges:
    """The readings about some edges, and how well the model above fits them with each lag. Arrays are (edges, lags,
    curves, readings), readings of a shorter piece followed by nothing."""

    def __init__(self, pieces: Sequence[tuple[Floats, Floats]], lags: Floats) -> None:
        shape = len(pieces), max(len(t) for t, _ in pieces)
        since, columns, value = np.full(shape, -np.inf), np.zeros((*shape, 2)), np.zeros(shape)
        for k, (t, x) in enumerate(pieces):
            since[k, : len(t)], columns[k, : len(t), 0], columns[k, : len(t), 1] = t - t[0], t, 1.0
            value[k, : len(t)] = x
        line, _ = np.linalg.qr(columns)
        y = _apart(value[:, None], line)[:, 0]
        self._since = since[:, None, None]
        self._begin = np.array([t[0] for t, _ in pieces])[:, None, None]
        self._lag = np.maximum(lags, LEAST_S)[:, None, None]
        self._memory = np.where(self._since >= 0, np.exp(-np.maximum(self._since, 0.0) / self._lag), 0.0)
        self._line, self._y, self._square = line[:, None], y[:, None, :, None], np.sum(y * y, axis=-1)[:, None, None]

    def _shown(self, from_s: Floats) -> tuple[Floats, Floats]:
        """A step, and a slope of 1, through the lag: (edges, lags, k, n) for `from_s` (edges, lags, k), or (k,)."""
        begin = (from_s - self._begin)[..., None]
        after = self._since - begin
        # It forgets by the same exponential whenever they begin.
        step = np.where(after > 0, 1 - self._memory * np.exp(begin / self._lag), 0.0)
        return step, np.maximum(after, 0.0) - self._lag * step

    def _products(self, curves: Floats) -> tuple[Floats, Floats]:
        """Of curves (..., k, n) without the line's part: products with each other (..., k, k) and with the readings."""
        on_line = curves @ self._line
        gram = curves @ curves.swapaxes(-1, -2) - on_line @ on_line.swapaxes(-1, -2)
        return gram, (curves @ self._y)[..., 0]

    def all_over(self) -> tuple[Floats, Floats, Floats]:
        """Sums of squared residuals (edges, lags, trials), linear parameters at their best, for `STARTS_S` and
        `RISES_S`; and these. What rises ends where another begins, so that few curves are enough."""
        count, reach = len(STARTS_S), np.round(RISES_S / START_STEP_S).astype(int)
        begins = STARTS_S[0] + START_STEP_S * np.arange(count + reach[-1])
        step, slope = self._shown(begins)
        gram, target = self._products(np.concatenate([slope, step[:, :, :count], self._memory], axis=2))
        own, memory = np.arange(count), gram.shape[-1] - 1
        found = []
        for ends, rise in zip(reach.tolist(), RISES_S.tolist(), strict=True):
            if ends:
                other = own + ends
                to_all = (gram[:, :, own] - gram[:, :, other]) / rise
                ramp = (to_all[..., own, own] - to_all[..., own, other]) / rise
                to_ramp = (target[..., own] - target[..., other]) / rise
            else:
                mine = own + len(begins)
                to_all = gram[:, :, mine]
                ramp, to_ramp = to_all[..., own, mine], target[..., mine]
            normal = {
                (0, 0): ramp, (0, 1): to_all[..., own, own], (0, 2): to_all[..., own, memory],
                (1, 1): gram[..., own, own], (1, 2): gram[..., own, memory], (2, 2): gram[..., [memory], memory],
            }  # fmt: skip
            found.append(_explained(normal, (to_ramp, target[..., own], target[..., [memory]]), HELD_BACK)[0])
        flat = (*gram.shape[:2], -1)
        shape = (*gram.shape[:2], count, len(RISES_S))
        return (
            self._square - np.stack(found, axis=-1).reshape(flat),
            np.broadcast_to(STARTS_S[:, None], shape).reshape(flat),
            np.broadcast_to(RISES_S, shape).reshape(flat),
        )

    def near(self, starts: Floats, rises: Floats) -> tuple[Floats, Floats, Floats]:
        """The same for each of some starts with each of some rises, (edges, lags, a) and (edges, lags, b)."""
        a, b = starts.shape[-1], rises.shape[-1]
        own = np.repeat(np.arange(a), b)
        start, rise = starts[..., own], np.tile(rises, a)
        step, slope = self._shown(starts)
        later = self._shown(start + rise)[1]
        wide = rise[..., None] > 1e-6
        ramp = np.where(wide, (slope[:, :, own] - later) / np.where(wide, rise[..., None], 1.0), step[:, :, own])
        gram, target = self._products(np.concatenate([ramp, slope, self._memory], axis=2))
        ramps, own, memory = np.arange(a * b), own + a * b, gram.shape[-1] - 1
        normal = {
            (0, 0): gram[..., ramps, ramps], (0, 1): gram[..., ramps, own], (0, 2): gram[..., ramps, memory],
            (1, 1): gram[..., own, own], (1, 2): gram[..., own, memory], (2, 2): gram[..., [memory], memory],
        }  # fmt: skip
        targets = (target[..., ramps], target[..., own], target[..., [memory]])
        return self._square - _explained(normal, targets, HELD_BACK)[0], start, rise


def _explained(
    normal: Mapping[tuple[int, int], Floats], target: Sequence[Floats], held_back: float
) -> tuple[Floats, Floats]:
    """How much of y'y some columns explain, their coefficients held back a little, and the log determinant of their
    normal matrices: Cholesky's way, entry by entry, over all sets of columns at once.

    normal: products of columns i and j, i <= j, by (i, j). target: products of the columns with y.
    """
    root: dict[tuple[int, int], Floats] = {}
    explained, spread = np.zeros(()), np.zeros(())
    solved: list[Floats] = []
    for j in range(len(target)):
        for i in range(j):
            root[i, j] = (normal[i, j] - sum(root[k, i] * root[k, j] for k in range(i))) / root[i, i]
        own = normal[j, j] + held_back - sum(root[k, j] ** 2 for k in range(j))
        root[j, j] = np.sqrt(own)
        solved.append((target[j] - sum(root[k, j] * solved[k] for k in range(j))) / root[j, j])
        explained, spread = explained + solved[j] ** 2, spread + np.log(own)
    return explained, spread


def _apart(x: Floats, basis: Floats) -> Floats:
    """What of `x` (sets, k, n) is not in the span of the orthonormal `basis` (sets, n, p)."""
    return x - (x @ basis) @ basis.swapaxes(-1, -2)
