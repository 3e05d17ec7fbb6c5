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
    """What least squares gave for each rise, wander and start: the knots (rises, wanders, grid, knots), the log evidence
    if readings were normal, and the most that it may be whatever they are (rises, wanders, grid)."""

    knots: Floats
    log: Floats
    most: Floats


class ShownSpeeds(NamedTuple):
    """Speed after time zero as the receiver shows it (rises, m, knots), between which of its points each reading lies
    for each start, and whether the car moves by then (grid, n)."""

    tables: Floats
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
    bases: tuple[Floats, ...]
    """What each knot gives to the speed at each of those readings and at the last: (rises, grid, knots) each."""

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
        bases = tuple(_basis(shown, at) for at in (*edges, count - 1)) if edges else ()
        return cls(
            np.maximum(exact.max(0), far) + _SLACK, speeds, np.maximum(more + _SLACK, 0.0), edges, bases
        )  # fmt: skip


def with_law(readings: LaunchReadings, shown: ShownSpeeds, law: ZeroLaw, fit: StartFits, margin: float) -> Floats:
    """The log evidence (rises, wanders, grid) with the receiver's law in place of the normal one, where it comes within
    `margin` of the best and within `OWN_MARGIN` of the best with its rise and wander; elsewhere some value above it that does
    not. An infinite margin: everywhere."""
    until, most = _bounded(readings, shown, law, fit)
    out = np.minimum(fit.most, most)
    # The likeliest start of each by a normal law says which of the others can matter.
    best = fit.log.argmax(2)[..., None]
    asked = np.zeros(out.shape, bool)
    np.put_along_axis(asked, best, True, 2)
    out[asked] = fit.log[asked] + _of_pairs(readings, shown, fit.knots, np.nonzero(asked), until)
    own = np.take_along_axis(out, best, 2)
    least = np.maximum(own - OWN_MARGIN, own.max() - margin) if margin < math.inf else -math.inf
    rest = ~asked & (out >= least)
    out[rest] = fit.log[rest] + _of_pairs(readings, shown, fit.knots, np.nonzero(rest), until)
    return out


def _bounded(readings: LaunchReadings, shown: ShownSpeeds, law: ZeroLaw, fit: StartFits) -> tuple[Codes, Floats]:
    """Before which reading all lie that may be near zero, and the most that the log evidence may be (rises, wanders,
    grid)."""
    moving, edges = shown.moving, law.edges
    count = moving.shape[1]
    if not edges:
        return np.full(fit.log.shape, count), np.full(fit.log.shape, math.inf)
    # What a knot adds to the speed only grows: between two readings the speed is no less than what the knots above zero
    # give at the first, less what those below zero take at the second.
    gives, takes = np.maximum(fit.knots, 0.0), np.minimum(fit.knots, 0.0)
    given, taken = ([np.einsum("rgk,rwgk->rwg", basis, by) for basis in law.bases] for by in (gives, takes))
    most = fit.log.copy()
    for k, (a, b) in enumerate(itertools.pairwise(edges)):
        v = given[k] + taken[k + 1]
        step = np.clip(v / law.speeds[1], 0, len(law.speeds) - 1).astype(np.intp)
        # Where the speed is below zero, a normal law is too hard on readings above it.
        back = np.minimum(v, 0.0) * float(np.maximum(readings.y[a:b], 0.0).sum()) / readings.sigma**2
        most += np.where(moving[:, b - 1], law.more[:, a:b].sum(1)[step] - back, 0.0)
    # From the last of them on all readings are far from zero; where the speed is too and stays so, none is near after.
    stays = given[-2] + taken[-1] >= float(_limit(readings).max())
    return np.where(stays, np.maximum(edges[-1], count - moving.sum(1)), count), np.where(stays, most, math.inf)


def _basis(shown: ShownSpeeds, at: int) -> Floats:
    """What each knot gives to the speed at a reading, for each start: (rises, grid, knots)."""
    tables, between, _ = shown
    whole, part = between.whole[:, at], between.part[:, at, None]
    return np.asarray(tables[:, whole] * (1 - part) + tables[:, whole + 1] * part, float)


def _of_pairs(
    readings: LaunchReadings, shown: ShownSpeeds, knots: Floats, pairs: tuple[Codes, ...], until: Codes
) -> Floats:
    """What the law adds for some rises, wanders and starts (pairs), in the order of the rises; of each only the readings
    before the one `until` (rises, wanders, grid) may be near zero."""
    tables, (whole, part), moving = shown
    rise, _, start = pairs
    count = moving.shape[1]
    first = count - moving.sum(1)[start]
    counts = np.maximum(until[pairs] - first, 0)
    pair = np.repeat(np.arange(len(rise)), counts)
    n = np.arange(len(pair)) + np.repeat(first - np.cumsum(counts) + counts, counts)
    at = n + np.repeat(start * count, counts)
    cell, share = whole.take(at), part.take(at)
    # Speed of each pair at the points of its table that are asked for, and from there at the readings.
    reach = int(cell.max(initial=0)) + 2
    speeds = np.empty((len(rise), reach))
    ends = np.searchsorted(rise, np.arange(len(tables) + 1))
    mine = knots[pairs]
    for k in np.flatnonzero(np.diff(ends)):
        some = slice(ends[k], ends[k + 1])
        np.matmul(mine[some], tables[k, :reach].T, out=speeds[some])
    cell += pair * reach
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
    tables, (whole, part), moving = shown
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
