"""What the receiver's own law near zero adds to the evidence of a start: there readings are not normal.

log = with_law(launch, shown, law, fit, margin)               # errors that are white
log = log + law_of_wander(launch, shown, z, whiten, knots)    # errors that are not

Where errors are white the law changes the evidence by no more than a bound that costs little. Whatever cannot come
within `margin` of the best by it is left at that bound: it weighs nothing.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np

from analysis.arrays import Bools, Codes, Floats
from analysis.motion.noise import density
from analysis.runs.launch_readings import SLACK_MPS, LaunchReadings
from analysis.runs.start_fits import Between

_NEAR_SIGMAS = 4.0
"""A reading is near zero where the speed is less than this many sigma."""
_LEAST = 1e-12
_FAR_SIGMAS = 7.0
_POINTS, _SLACK = 33, 0.01
"""The law's most is looked for at so many speeds, and may lie by so much higher between them, in its logarithm."""
_PARTS = 8
"""Into how many stretches the readings near zero are divided for the bound."""
OWN_MARGIN = 27.0
"""A start that is less likely than the best with its rise and wander by more than this, in the logarithm, adds less
than 1e-9 to what is said of that rise."""


class StartFits(NamedTuple):
    """What least squares gave for each wander, start and rise: the knots (knots, wanders, grid, rises), the log
    evidence if readings were normal, and the most that it may be whatever they are (wanders, grid, rises)."""

    knots: Floats
    log: Floats
    most: Floats


class ShownSpeeds(NamedTuple):
    """Speed after time zero as the receiver shows it (rises, m, knots), and by knot (knots, m, rises), between which of
    its points each reading lies for each start, and whether the car moves by then (grid, n)."""

    tables: Floats
    planes: Floats
    between: Between
    moving: Bools


class ZeroLaw(NamedTuple):
    """The receiver's law near zero for each reading of a moving car: the most that it adds to the log evidence in all
    (n), and beside a normal law where the speed is no less than each of some (speeds, n)."""

    most: Floats
    speeds: Floats
    more: Floats
    edges: tuple[int, ...]
    """Readings that divide those before the first from which on all are far from zero; empty where there is none."""
    low: Floats
    """What each knot gives at least to the speed at each of those readings and at the last: (knots, edges, grid,
    rises)."""
    high: Floats
    """What it gives at most at all of them but the first."""

    @classmethod
    def of(cls, readings: LaunchReadings, shown: ShownSpeeds) -> ZeroLaw:
        limit = _limit(readings)
        speeds = np.linspace(0.0, float(limit.max()), _POINTS)
        v = speeds[:, None]
        exact = np.log(density(readings.y, v, _spread(readings), readings.noise) + _LEAST)
        exact[v > limit + speeds[1]] = -math.inf
        normal = np.where(readings.held, 0.0, -0.5 * ((readings.y - v) / readings.sigma) ** 2 - readings.normal)
        far = np.where(readings.held, 0.0, -readings.normal)
        more = np.maximum.accumulate((exact - normal)[::-1])[::-1]
        count = len(readings.y)
        low = np.flatnonzero(readings.y < limit.max() + (_FAR_SIGMAS - _NEAR_SIGMAS) * readings.each.max())
        clear = int(low[-1]) + 1 if len(low) else 0
        edges: tuple[int, ...] = ()
        if clear < count and not readings.lag_s:
            edges = tuple(np.unique(np.linspace(0, clear, min(_PARTS, clear) + 1).astype(int)).tolist())
        at = [*edges, count - 1] if edges else []
        whole = shown.between.whole[:, at].T
        beside = shown.planes[:, whole], shown.planes[:, whole[1:] + 1]
        return cls(np.maximum(exact.max(0), far) + _SLACK, speeds, np.maximum(more + _SLACK, 0.0), edges, *beside)


def with_law(readings: LaunchReadings, shown: ShownSpeeds, law: ZeroLaw, fit: StartFits, margin: float) -> Floats:
    """The log evidence (wanders, grid, rises) with the receiver's law in place of the normal one, where it comes within
    `margin` of the best and within `OWN_MARGIN` of the best with its rise and wander; elsewhere some value above it
    that does not. An infinite margin: everywhere."""
    until, most = _bounded(readings, shown, law, fit)
    out = np.minimum(fit.most, most)

    def work_out(asked: Bools) -> None:
        rise, wander, start = np.nonzero(asked.transpose(2, 0, 1))
        of = wander, start, rise
        knots = fit.knots[:, *of].T
        out[of] = fit.log[of] + _of_pairs(readings, shown, knots, rise, start, until[of])

    # The likeliest start of each by a normal law says which of the others can matter.
    best = fit.log.argmax(1)[:, None]
    asked = np.zeros(out.shape, bool)
    np.put_along_axis(asked, best, True, 1)
    work_out(asked)
    own = np.take_along_axis(out, best, 1)
    least = np.maximum(own - OWN_MARGIN, own.max() - margin) if margin < math.inf else -math.inf
    work_out(~asked & (out >= least))
    return out


def _bounded(readings: LaunchReadings, shown: ShownSpeeds, law: ZeroLaw, fit: StartFits) -> tuple[Codes, Floats]:
    """Before which reading all lie that may be near zero, and the most that the log evidence may be (wanders, grid,
    rises)."""
    moving, edges = shown.moving, law.edges
    count = moving.shape[1]
    if not edges:
        return np.full(fit.log.shape, count), np.full(fit.log.shape, math.inf)
    # What a knot adds to the speed only grows: between two readings the speed is no less than what the knots above zero
    # give at the first, less what those below zero take at the second.
    low = _speeds(law.low[:, :-1], np.maximum(fit.knots, 0.0)) + _speeds(law.high, np.minimum(fit.knots, 0.0))
    steps = np.clip(low[:-1] / law.speeds[1], 0, len(law.speeds) - 1).astype(np.intp)
    most = fit.log.copy()
    for (a, b), v, step in zip(itertools.pairwise(edges), low, steps, strict=False):
        # Where the speed is below zero, a normal law is too hard on readings above it.
        back = np.minimum(v, 0.0) * (float(np.maximum(readings.y[a:b], 0.0).sum()) / readings.sigma**2)
        most += np.where(moving[:, b - 1, None], law.more[:, a:b].sum(1).take(step) - back, 0.0)
    # From the last of them on all readings are far from zero; where the speed is too and stays so, none is near after.
    far = low >= float(_limit(readings).max())
    ends = np.array([0, *edges[1:], count])
    until = ends[np.where(far.all(0), 0, len(far) - np.argmin(far[::-1], 0))]
    return until, np.where(far[-1], most, math.inf)


def _speeds(basis: Floats, knots: Floats) -> Floats:
    """(edges, wanders, grid, rises)."""
    out: Floats = basis[0][:, None] * knots[0]
    for by, knot in zip(basis[1:], knots[1:], strict=True):
        if knot.any():
            out += by[:, None] * knot
    return out


def _of_pairs(
    readings: LaunchReadings, shown: ShownSpeeds, knots: Floats, rise: Codes, start: Codes, until: Codes
) -> Floats:
    """What the law adds for some pairs of rise and start (pairs), in the order of the rises, with their knots (pairs,
    knots); of each only the readings before the one `until` (pairs) may be near zero."""
    tables, _, (whole, part), moving = shown
    count = moving.shape[1]
    first = count - moving.sum(1)[start]
    counts = np.maximum(until - first, 0)
    pair = np.repeat(np.arange(len(rise)), counts)
    n = np.arange(len(pair)) + np.repeat(first - np.cumsum(counts) + counts, counts)
    at = n + np.repeat(start * count, counts)
    cell, share = whole.take(at), part.take(at)
    # Speed of each pair at the points of its table that are asked for, and from there at the readings.
    reach = int(cell.max(initial=0)) + 2
    each = np.bincount(rise)
    among = np.arange(len(rise)) - (np.cumsum(each) - each)[rise]
    rises = np.flatnonzero(each)
    place = np.searchsorted(rises, rise)
    by_rise = np.zeros((len(rises), int(each.max(initial=0)), knots.shape[1]))
    by_rise[place, among] = knots
    speeds = by_rise @ tables[rises, :reach].swapaxes(1, 2)
    cell += np.repeat((place * by_rise.shape[1] + among) * reach, counts)
    v = speeds.take(cell) * (1 - share) + speeds.take(cell + 1) * share
    near = np.flatnonzero(v < _limit(readings)[n])
    pair, n, v = pair[near], n[near], v[near]
    y, sigma = readings.y[n], readings.sigma
    normal = np.where(readings.held[n], 0.0, -0.5 * ((y - v) / sigma) ** 2 - readings.normal)
    exact = np.log(density(y, np.maximum(v, 0.0), _spread(readings), readings.noise) + _LEAST)
    back = -0.5 * (np.minimum(v, 0.0) / sigma) ** 2  # a car that pulls away does not go backwards
    return np.asarray(np.bincount(pair, exact - normal + back, len(rise)), float)


def law_of_wander(readings: LaunchReadings, shown: ShownSpeeds, z: Floats, whiten: Floats, knots: Floats) -> Floats:
    """What the law adds to the log evidence (rises, grid) where errors are correlated: of each reading given those
    after it. z (grid, n): the readings made white by `whiten`, an upper triangle."""
    tables, _, (whole, part), moving = shown
    y, noise, held, limit = readings.y, readings.noise, readings.held, _limit(readings)
    rises, grid, _ = knots.shape
    scale = 1 / np.where(held, 1 / readings.each, np.diag(whiten))
    spread = np.maximum(scale, 0.3 * noise.quantum_mps)
    start, reading = np.nonzero(moving)
    # Speed at every point of the tables (rises, m, grid), and from there at the readings (rises, grid, n).
    speeds = (tables @ np.swapaxes(knots, 1, 2)).reshape(rises, -1)
    cell, share = whole[start, reading] * grid + start, part[start, reading]
    fitted = np.zeros((rises, *moving.shape))
    fitted[:, start, reading] = speeds.take(cell, 1) * (1 - share) + speeds.take(cell + grid, 1) * share
    free = np.where(held, 0.0, fitted)
    log = np.zeros((rises, grid))
    for n in np.flatnonzero(moving.any(0)):
        rise, at = np.nonzero((fitted[..., n] < limit[n]) & moving[:, n])
        v = fitted[rise, at, n]
        if held[n]:
            normal, foretold = 0.0, np.maximum(v, 0.0)
        else:
            off = z[at, n] - free[rise, at, n:] @ whiten[n, n:]
            normal = -0.5 * off**2 - math.log(scale[n] * math.sqrt(2 * math.pi))
            foretold = np.abs(y[n] - off * scale[n])
        exact = np.log(density(y[n], foretold, spread[n], noise) + _LEAST)
        log[rise, at] += exact - normal - 0.5 * (np.minimum(v, 0.0) / scale[n]) ** 2
    return log


def _limit(readings: LaunchReadings) -> Floats:
    return np.asarray(_NEAR_SIGMAS * readings.each + readings.noise.hold_mps, float)


def _spread(readings: LaunchReadings) -> float:
    return math.hypot(readings.noise.sigma_mps, SLACK_MPS)
