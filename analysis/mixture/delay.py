"""The delay of a mixture reading, from the drive itself: gas on its way to the sensor, and a sensor that follows.

A reading at time t shows the mixture of the engine's state at t - delay, smeared by the sensor's first-order lag. If
the engine gives much the same mixture whenever speed and load are the same, then only the right delay and lag make
the readings a function of the state. That is what is searched for: for each lag, the state's speed and load, spread
over a coarse table of overlapping cells, pass through the lag; for each delay the readings are fitted with them by
least squares: separable least squares [1]. The load comes from smoothed motion, which spreads small steps over a second
or more, and what is spread looks like lag. So the edges of the mixture are asked too (`throttle_steps`): how the
readings follow a step tells the lag without any speed, and how well the receiver's raw speeds bend where the edges were
tells the delay. The pair with the least of all together wins. Its intervals come from reweighting the drive in blocks,
a Bayesian bootstrap [2], so that they know how many changes of load there were to learn from; to that comes a standard
error of the method's own.

    delay = estimate(time_s, value, state, configured_s=0.4)

References
----------
[1] G. H. Golub, V. Pereyra, The differentiation of pseudo-inverses and nonlinear least squares problems whose variables
    separate, SIAM J. Numer. Anal. 10 (1973) 413.
[2] D. B. Rubin, The Bayesian bootstrap, Ann. Statist. 9 (1981) 130; in blocks, as what is near in time hangs together.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Bools, Floats, first_order, running_most, usual_step
from analysis.mixture.engine_load import GRID_S, Driving
from analysis.mixture.throttle_steps import bends
from analysis.mixture.throttle_steps import find as find_edges

SHIFTS = np.arange(-10, 47)
"""Delays tried, in steps of the grid: -0.5 to 2.3 s. A best fit at the ends or below zero is no delay."""
LAGS_S = np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.6, 0.8])
UNLIKELY = 30.0
"""A lag that the readings' edges make less likely than the best by this log likelihood is not tried further."""
BLOCK_S, MAX_BLOCKS = 6.0, 150
BLUR_STEPS = 20.0
"""Residuals of the table hang together for so many of the receiver's steps: small steps of load are smoothed over about
that. Where there are edges, anything from 10 to 60 does as well."""
RESAMPLES = 200
SMOOTH_S = 0.16
"""Half-width of the window that readings, and the state they are held against, are averaged over [s]."""
WINDOWS = 2048
"""So many of those windows are averaged over at once."""
SLIP_MPS = 3.0
"""Below this clutch or belt slips: nothing is learned there [m/s]."""
SETTLED_S = 2.0
"""How long the car must have been faster than that, for an edge to be asked [s]."""
LOAD_KNOTS = np.array([-0.2, 0.0, 0.3, 0.6, 0.9])
"""Knots of the load share: few, so that a table that fits a wrong delay as well cannot be had."""
CLOSED = 0.015
"""A recorded throttle below this share of its widest is closed."""
STEP_SHARE = 0.3
"""A change of load by this share within a second is a step."""
MIN_STEPS = 4
ENGINE_S, MOTION_STEPS = 0.035, 0.08
"""Standard errors of the delay that reweighting does not show: table and bends are not quite the engine's, in seconds;
when the motion changes its acceleration between two fixes, in the receiver's steps. The first is the whole error in
drives of an engine of another hand, the second from simulated drives with receivers of 1 to 20 Hz."""
UNTOLD = "; whether the receiver smooths speed is not known, and the interval leaves that out"
TELLING_S = 0.3
"""Half-width of the 95 % interval from which on the drive does not tell the delay [s]: the doubt of a receiver that
smooths over 0.3 s alone makes 0.2."""


@dataclass(frozen=True)
class Delay:
    """How long after the engine's state its mixture is read.

    Attributes
    ----------
    delay_s, lag_s : float
        Pure delay and time constant of the first-order lag in use [s].
    delay_low_s, delay_high_s, lag_low_s, lag_high_s : float or None
        Their 95 % intervals [s]; None where the drive does not tell them.
    told_apart : bool
        Whether the drive tells delay and lag from one another; if not, `delay_s` holds their sum and `lag_s` is 0.
    source : str
        "this drive" or "configuration".
    steps : int
        Steps of load that there were to learn from.
    reason : str
        One sentence for the owner.
    """

    delay_s: float
    lag_s: float = 0.0
    delay_low_s: float | None = None
    delay_high_s: float | None = None
    lag_low_s: float | None = None
    lag_high_s: float | None = None
    told_apart: bool = False
    source: str = "configuration"
    steps: int = 0
    reason: str = ""


def configured(delay_s: float, reason: str, steps: int = 0) -> Delay:
    """The configured delay, with the reason why it is used."""
    return Delay(delay_s, source="configuration", steps=steps, reason=reason)


def estimate(
    time_s: ArrayLike, value: ArrayLike, state: Driving, configured_s: float = 0.0, opening: Floats | None = None
) -> Delay:
    """Delay and lag of the readings against the driving state, or the configured delay where the drive cannot tell.

    Parameters
    ----------
    time_s, value : array, shape (n,)
        Readings in order of time; NaN for a void one [s, any unit].
    state : Driving
        What the car did, on the same clock.
    configured_s : float
        What is used where the drive cannot tell [s].
    opening : array, optional
        Throttle opening on the state's grid [-]; by default the load share stands in for it.

    Returns
    -------
    Delay
        With a 95 % interval where the drive tells it, and one sentence about where it comes from.

    Notes
    -----
    The drive cannot tell if the load changed in fewer than `MIN_STEPS` steps, if another delay more than 0.3 s away
    does best in over 2.5 % of the reweighted drives, if the best delay lies at the end of the range, or if its
    interval is wider than +-`TELLING_S`. Delay and lag are told apart if the interval of the pure delay alone passes
    the same test and the lag's is no wider than +-0.25 s; else their sum is used as a pure delay.
    """
    # A closed throttle is a state of its own, not the end of a scale: overrun.
    load = state.share if opening is None else np.where(opening < CLOSED, LOAD_KNOTS[0], opening)
    unseen = state.unseen_s if opening is None else 0.0
    steps = count_steps(state.speed_mps, load)
    step = float(np.median(np.diff(state.fix_time_s))) if len(state.fix_time_s) > 1 else GRID_S
    own, beside = ENGINE_S, ""
    if opening is None:  # load comes by way of the receiver's motion
        own = math.hypot(ENGINE_S, MOTION_STEPS * step, state.late_sigma_s or 0.0)
        beside = "" if state.late_sigma_s is not None else UNTOLD
    if steps < MIN_STEPS:
        what = "one step" if steps == 1 else f"{steps or 'no'} steps"
        return configured(configured_s, f"This drive does not show the delay, because it has {what} of load.", steps)
    time, reading = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
    edges = find_edges(time, reading, LAGS_S, _moving(time, state))
    likely = edges.misfit.sum(axis=0)
    lags = np.flatnonzero(np.convolve(likely < likely.min() + UNLIKELY, np.ones(3), mode="same"))
    sums = _sums(time, reading, state, load, LAGS_S[lags])
    if sums is None:
        return configured(
            configured_s, "This drive does not show the delay, because it has too few readings in a row.", steps
        )

    others = _by_block(edges.time_s, edges.misfit[:, lags], sums.start_s)[..., None] + np.zeros(len(SHIFTS))
    if opening is None:
        speed = np.where(state.fix_mps > SLIP_MPS, state.fix_mps, np.nan)
        shifts = np.asarray(SHIFTS * GRID_S, dtype=np.float64)
        middle, bent = bends(edges, state.fix_time_s, speed, state.fix_sigma_mps, shifts)
        others += _by_block(middle, bent[:, lags], sums.start_s)
    (delay, lag), found = _reweighted(sums, others, LAGS_S[lags], sums.seconds / (BLUR_STEPS * step))
    total = delay + lag
    spread_total = _interval(found.sum(axis=1), total, own, unseen)
    elsewhere = float(np.mean(np.abs(found.sum(axis=1) - total) > 0.3))
    at_end = not 0.0 <= delay <= (SHIFTS[-1] - 1) * GRID_S
    if elsewhere > 0.025 or at_end or spread_total[1] - spread_total[0] > 2 * TELLING_S:
        why = "This drive does not show the delay, because its changes of load fit many delays equally well."
        return configured(configured_s, why, steps)
    delay_low, delay_high = _interval(found[:, 0], delay, own, unseen)
    lag_low, lag_high = _interval(found[:, 1], lag, own)
    if delay_high - delay_low <= 2 * TELLING_S and lag_high - lag_low <= 0.5:
        return Delay(
            delay, lag, delay_low, delay_high, max(lag_low, 0.0), lag_high, True, "this drive", steps,
            f"The sensor's delay and lag come from {steps} steps of load in this drive{beside}.",
        )  # fmt: skip
    return Delay(
        total, 0.0, *spread_total, None, None, False, "this drive", steps,
        f"The delay comes from {steps} steps of load in this drive; it includes the sensor's lag, which the drive "
        f"cannot separate from it{beside}.",
    )  # fmt: skip


def count_steps(speed_mps: Floats, load: Floats) -> int:
    """How often the load of the moving car changed by `STEP_SHARE` or more within a second.

    Parameters
    ----------
    speed_mps, load : array, shape (n,)
        On the even grid [m/s, share]; NaN, and below 1 m/s, counts for nothing.
    """
    span = round(1.0 / GRID_S)
    x = np.where(np.isfinite(load) & (np.nan_to_num(speed_mps) > 1.0), load, np.nan)
    if len(x) <= span:
        return 0
    change = np.abs(x[span:] - x[:-span])
    stepping = np.nan_to_num(change) >= STEP_SHARE
    # One step is one run of such seconds: about a second long, however steep it was.
    starts = np.flatnonzero(stepping & ~np.concatenate([[False], stepping[:-1]]))
    return int(np.sum(np.diff(starts, prepend=-2 * span) > span)) if len(starts) else 0


def lagged(x: Floats, lag_s: float) -> Floats:
    """A series on the even grid as a first-order lag with the time constant `lag_s` shows it; NaN stays where it is.

    Exact for a series that runs straight from one grid time to the next (a first-order hold). Through a gap the last
    value is held; before the first value the series rests at it.

    Parameters
    ----------
    x : array, shape (n,)
        Any unit, at steps of `GRID_S`.
    lag_s : float
        Time constant [s]; zero or less gives `x` itself.

    Returns
    -------
    array, shape (n,)
        In the unit of `x`.
    """
    known = np.isfinite(x)
    if lag_s <= 0 or not known.any():
        return x
    last = np.maximum.accumulate(np.where(known, np.arange(len(x)), -1))
    held = np.where(last >= 0, x[last], x[np.argmax(known)])
    return np.where(known, _lag(held - held[0], lag_s) + held[0], np.nan)


def _lag(x: Floats, lag_s: float) -> Floats:
    """The lag along the first axis, from rest."""
    if lag_s <= 0:
        return x
    keep = np.exp(-GRID_S / lag_s)
    share = (1 - keep) * lag_s / GRID_S
    series = np.ascontiguousarray(x.T)  # the filter is fastest along memory
    return first_order(1 - share, share - keep, float(keep), series).T


# --- the sums that every fit is made of ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Sums:
    """Normal equations by block: X'X and X'Y for each lag, Y'Y; X the lagged state, Y the readings at each shift."""

    xx: Floats
    """(blocks, lags, p, p)"""
    xy: Floats
    """(blocks, lags, p, shifts)"""
    yy: Floats
    """(blocks, shifts)"""
    start_s: Floats
    """When each block begins [s]."""
    seconds: float
    """What all of them hold [s]."""


def _sums(time: Floats, value: Floats, state: Driving, load: Floats, lags_s: Floats) -> _Sums | None:
    grid, n = state.time_s, len(state.time_s)
    usual = usual_step(time)
    half = max(SMOOTH_S, 1.6 * usual)
    reach = int(SHIFTS[-1] - SHIFTS[0])
    if half > 1.0 or n < 2 * reach:
        return None
    # Below walking to running pace the clutch or belt slips: load by acceleration says little of the throttle there.
    usable = np.isfinite(load) & (np.nan_to_num(state.speed_mps) > SLIP_MPS)
    # The lag remembers: a row needs a known state for a while before it.
    memory = round(1.5 / GRID_S)
    rows = ~_any_of(~usable, memory, memory - 1)
    rows[:memory] = rows[: -SHIFTS[0]] = rows[n - SHIFTS[-1] :] = False
    asked = _any_of(rows, reach + 1, SHIFTS[-1])
    y, known = np.zeros(n), np.zeros(n, dtype=np.bool_)
    y[asked], known[asked] = averaged(time, value, grid[asked], half)
    rows &= ~_any_of(~known, reach + 1, -SHIFTS[0])
    index = np.flatnonzero(rows)
    if len(index) * GRID_S < 20.0:
        return None

    by_speed, by_load = _table(state.speed_mps, load)
    by_load *= usable
    told = (by_speed * rows) @ by_load.T * GRID_S > 0.5
    weights = _weights(half)
    basis = [_smoothed(by_speed[i] * by_load[j], weights) for i, j in np.argwhere(told)]
    y = y - y[index].mean()
    later = np.lib.stride_tricks.sliding_window_view(y, reach + 1)
    length = max(BLOCK_S, len(index) * GRID_S / MAX_BLOCKS)
    block = (index * (GRID_S / length)).astype(np.intp)
    start = np.concatenate([[0], np.flatnonzero(np.diff(block)) + 1, [len(index)]])
    pieces = [slice(a, b) for a, b in itertools.pairwise(start)]
    p = len(basis)
    xx = np.empty((len(pieces), len(lags_s), p, p))
    xy = np.empty((len(pieces), len(lags_s), p, len(SHIFTS)))
    yy = np.empty((len(pieces), len(SHIFTS)))
    x = np.empty((p, len(index)))
    for j, lag in enumerate(lags_s.tolist()):
        for column, lagged_ in zip(basis, x, strict=True):
            lagged_[:] = _lag(column, lag)[index]
        for k, piece in enumerate(pieces):
            ys = later[index[piece] + SHIFTS[0]]
            xx[k, j], xy[k, j] = x[:, piece] @ x[:, piece].T, x[:, piece] @ ys
            if j == 0:
                yy[k] = np.einsum("rs,rs->s", ys, ys)
    return _Sums(xx, xy, yy, grid[index[start[:-1]]], len(index) * GRID_S)


def _any_of(mask: Bools, size: int, before: int) -> Bools:
    """Whether any of `size` values is true, of which the first is `before` places before each."""
    return running_most(mask.astype(np.float64), size, before) > 0


def _moving(time: Floats, state: Driving) -> Bools:
    """Whether the car had moved for `SETTLED_S` before each time. About a standstill idle jet, clutch and overrun hand
    over within a second of each other, and several small edges pass for a slow one."""
    size = round(SETTLED_S / GRID_S)
    slowest = -running_most(-np.nan_to_num(state.speed_mps), size, size // 2 + (size - 1) // 2)
    return np.interp(time, state.time_s, slowest) > SLIP_MPS


def _by_block(time_s: Floats, x: Floats, start_s: Floats) -> Floats:
    """Sums of the rows of `x` over the blocks that their times fall into."""
    out = np.zeros((len(start_s), *x.shape[1:]))
    np.add.at(out, np.maximum(np.searchsorted(start_s, time_s, side="right") - 1, 0), x)
    return out


def _residuals(sums: _Sums, weights: Floats) -> Iterator[Floats]:
    """Sums of squared residuals, (lags, shifts), by weighting of the blocks; above 0, also of readings all alike."""
    blocks, lags, p, shifts = sums.xy.shape
    diagonal = np.arange(p)
    for some in np.array_split(weights, max(1, len(weights) // 25)):
        xx = (some @ sums.xx.reshape(blocks, -1)).reshape(len(some), lags, p, p)
        xy = (some @ sums.xy.reshape(blocks, -1)).reshape(len(some), lags, p, shifts)
        xx[..., diagonal, diagonal] += 1e-4 * np.trace(xx, axis1=-2, axis2=-1)[..., None] / p
        explained = np.sum(xy * np.linalg.solve(xx, xy), axis=-2)
        yield from np.maximum((some @ sums.yy)[:, None, :] - explained, np.finfo(float).tiny)


def _reweighted(sums: _Sums, others: Floats, lags_s: Floats, rows: float) -> tuple[tuple[float, float], Floats]:
    """Delay and lag of the drive [s], and those of the drive reweighted: (RESAMPLES, 2).

    others: what else a delay and lag misfit, by block (blocks, lags, shifts). rows: how many readings tell something
    of their own.
    """
    blocks = len(sums.yy)
    rng = np.random.default_rng(blocks)  # the same drive always gives the same answer
    weights = np.vstack([np.ones(blocks), rng.standard_exponential((RESAMPLES, blocks))])
    by_others = np.tensordot(weights, others, 1)
    misfits = (
        0.5 * rows * np.log(residual) + other
        for residual, other in zip(_residuals(sums, weights), by_others, strict=True)
    )
    drive, *drawn = (_minimum(misfit, lags_s) for misfit in misfits)
    return drive, np.array(drawn)


def _minimum(residual: Floats, lags_s: Floats) -> tuple[float, float]:
    """Delay and lag at the least residual, between the points tried by parabolas through the profiles [s]."""
    j, i = np.unravel_index(int(residual.argmin()), residual.shape)
    delay = _vertex(np.asarray(SHIFTS * GRID_S, dtype=np.float64), residual.min(axis=0), int(i))
    lag = _vertex(lags_s, residual.min(axis=1), int(j))
    return delay, max(lag, 0.0)


def _vertex(x: Floats, y: Floats, i: int) -> float:
    if not 0 < i < len(x) - 1:
        return float(x[i])
    (a, b, c), (u, v, w) = x[i - 1 : i + 2], y[i - 1 : i + 2]
    bend = (b - a) * (v - w) - (b - c) * (v - u)
    if bend == 0:
        return float(b)
    return float(b - 0.5 * ((b - a) ** 2 * (v - w) - (b - c) ** 2 * (v - u)) / bend)


def _interval(found: Floats, best: float, own: float, unseen: float = 0.0) -> tuple[float, float]:
    """The 95 % percentile interval of resampled estimates, widened by a standard error that they do not show.

    `unseen`: by how much more speeds may be shown late [s]; then the delay is longer by that, and never shorter.
    """
    low, high = np.quantile(found, [0.025, 0.975])
    below, above = np.hypot(np.maximum([best - low, high - best], 0.0), 1.96 * own)
    return best - float(below), best + math.hypot(float(above), unseen)


def _table(speed: Floats, load: Floats) -> tuple[Floats, Floats]:
    """Overlapping cells of speed by load: weights that sum to 1, (speeds, n) and (loads, n), of which a cell's is the
    product."""
    top = float(np.nanquantile(speed, 0.99))
    return _hats(speed, np.linspace(SLIP_MPS, max(top, SLIP_MPS + 2), 4)), _hats(load, LOAD_KNOTS)


def _hats(x: Floats, knots: Floats) -> Floats:
    x = np.clip(np.nan_to_num(x), knots[0], knots[-1])
    return np.stack([np.interp(x, knots, own) for own in np.eye(len(knots))])


def _smoothed(x: Floats, weights: Floats) -> Floats:
    """x (n,) averaged by `weights` about each value, the ends going on as they are."""
    reach = len(weights) // 2
    return np.convolve(np.pad(x, reach, "edge"), weights, "valid")


def _weights(half: float) -> Floats:
    u = np.arange(-int(half / GRID_S), int(half / GRID_S) + 1) * GRID_S / half
    weight = np.maximum(1 - u * u, 0) + 1e-9
    return np.asarray(weight / weight.sum())


def averaged(t: Floats, x: Floats, grid: Floats, half: float) -> tuple[Floats, Bools]:
    """Readings averaged about each grid time with weights 1 - (u/half)^2.

    Parameters
    ----------
    t, x : array, shape (n,)
        Rising times [s] and readings, any unit; NaN is left out.
    grid : array, shape (m,)
        [s]
    half : float
        Half the width of the window [s].

    Returns
    -------
    average : array, shape (m,)
        In the unit of `x`; of no meaning where not known.
    known : array of bool, shape (m,)
        Where there were readings enough for it.
    """
    good = np.isfinite(x) & np.isfinite(t)
    t, x = t[good], x[good]
    if len(t) < 3:
        return np.zeros(len(grid)), np.zeros(len(grid), dtype=np.bool_)
    first, count = np.searchsorted(t, grid - half), np.searchsorted(t, grid + half)
    count -= first
    weight, total = np.zeros(len(grid)), np.zeros(len(grid))
    for k in range(0, len(grid), WINDOWS):
        some = slice(k, k + WINDOWS)
        size = count[some]
        of = np.repeat(np.arange(len(size)), size)
        at = np.arange(len(of)) + (first[some] - np.cumsum(size) + size)[of]
        each = 1 - np.square((t[at] - grid[some][of]) / half)
        weight[some] = np.bincount(of, each, len(size))
        total[some] = np.bincount(of, each * x[at], len(size))
    known = (count >= max(2.0, half / usual_step(t))) & (weight > 0.3)
    return total / np.where(known, weight, 1.0), known
