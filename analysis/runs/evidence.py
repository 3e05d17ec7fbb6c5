"""How likely each way of getting away makes the readings of a launch: the evidence behind `runs.launch`.

ways = Ways.of(span_s, slow, smoothing_s, habit, among)                  # every rise, as the receiver shows it
readings = LaunchReadings(t, y, noise, base_mps, at_rest_before)
found = evidence(readings, grid, ways, some, ways.wanders)               # of each start on a grid of times
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats, first_order
from analysis.motion.noise import density
from analysis.runs.launch_readings import LaunchReadings
from analysis.runs.near_zero import ShownSpeeds, StartFits, ZeroLaw, law_of_wander, with_law
from analysis.runs.rises import KNOTS, QUICK_S, RANGES, STANDS_FOR_S, LaunchHabit, Rise, prior_of, rises, speed_tables
from analysis.runs.start_fits import Between, Sums, coloured_sums, planes_of, solve, white_sums

_WANDER = ((0.004, 1.0), (0.04, 1.0), (0.6, 0.05))
"""How much the acceleration may wander under the launch, variance per second [m2/s5], and how likely that is."""
_SLOW_WANDER = ((0.04, 1.0), (0.6, 0.3), (4.0, 0.3))
"""The same where fixes are so far apart that a gear change can hide between them."""


MARGIN = 36.0
"""A start and rise that is less likely than the best by more than this, in the logarithm, is not worked out in full:
all of them together weigh less than 1e-12."""


class Ways(NamedTuple):
    """Every way to get away that a fit averages over: log prior (rises) and speed after time zero, as it is and as the
    receiver shows it (rises, m, knots) at x (m); how much the acceleration may wander, with the log of its chance."""

    prior: Floats
    quick: NDArray[np.bool_]
    stands_for: Floats
    """How far time zero may be from that of each rise, which stands for a range of its like [s]: (rises)."""
    x: Floats
    tables: Floats
    shown: Floats
    begun: Floats
    """Acceleration at the start (rises, knots)."""
    wanders: Floats
    wander_log: Floats
    span: float
    slow: bool

    @classmethod
    def of(
        cls, span: float, slow: bool, smoothing_s: float, habit: LaunchHabit | None, among: NDArray[np.intp] | None,
        lag_s: float = 0.0,
    ) -> Ways:  # fmt: skip
        wanders, wander_weight = np.transpose(_SLOW_WANDER if slow else _WANDER)
        every: Sequence[Rise] = rises(slow)
        prior, (quick, stands_for) = np.log(prior_of(every, habit, slow)), _kinds(slow)
        if among is not None:
            every, prior, quick, stands_for = [every[k] for k in among], prior[among], quick[among], stands_for[among]
        x = np.linspace(0.0, span, max(int(span / 0.02), 150) + 1)
        tables = speed_tables(x, every)
        shown = _filtered(tables, float(x[1]), smoothing_s)
        at = max(int(0.15 / x[1]), 1)
        begun = tables[:, at] / x[at]
        if lag_s:
            # The filter still shows the car that rolled back.
            shown = shown - lag_s * begun[:, None] * np.exp(-x / smoothing_s)[:, None]
        return cls(prior, quick, stands_for, x, tables, shown, begun, wanders, np.log(wander_weight), span, slow)


@functools.cache
def _kinds(slow: bool) -> tuple[NDArray[np.bool_], Floats]:
    """Which rises are quick, and for how far each stands [s]: (rises) each."""
    every = rises(slow)
    quick = np.array([rise.seconds < QUICK_S for rise in every])
    return quick, np.array([STANDS_FOR_S if rise.curve in RANGES else 0.0 for rise in every])


def _filtered(tables: Floats, step: float, smoothing_s: float) -> Floats:
    """The tables as a receiver shows them that smooths speed by a first-order filter."""
    if smoothing_s <= 0:
        return tables
    kept = math.exp(-step / smoothing_s)
    # Between the points speed is taken as a line, for which this is exact.
    late = smoothing_s * (1 - kept) / step
    return first_order(1 - late, late - kept, kept, tables, axis=1)


class Evidence(NamedTuple):
    """Log evidence (rises, grid, wanders) of each start, the knots' coefficients (rises, grid, wanders, knots)."""

    log: Floats
    coefs: Floats
    sums: Sums
    precisions: Floats
    """Of the prior under each wander (wanders, knots, knots)."""

    def covariances(self, of: tuple[NDArray[np.intp], ...]) -> Floats:
        """Of the coefficients of some starts, by their rise, start and wander: (k, knots, knots)."""
        rise, start, wander = of
        return np.asarray(np.linalg.inv(self.sums.grams(rise, start) + self.precisions[wander]), float)


def evidence(
    readings: LaunchReadings, grid: Floats, ways: Ways, some: NDArray[np.intp] | slice, wanders: Floats,
    rolling: Floats | None = None,
) -> Evidence:  # fmt: skip
    """The evidence of each start on a grid of times with some of the rises. `rolling`: `rolling_back` where known."""
    x, tables = ways.x, ways.shown[some]
    rolling = rolling_back(readings, grid) if rolling is None else rolling
    readings = readings.since(float(grid[0]) - (CAUGHT_S if readings.turns else 0.0))
    t, y, base, held = readings.t, readings.y, readings.base, readings.held
    after = t[None, :] - grid[:, None]
    moving = after > readings.lag_s
    between = Between.of(after, float(x[1]), len(x))
    used = moving & ~held
    z = np.where(used, y - base, 0.0)
    planes = planes_of(tables)
    if readings.whiten is None:
        sums = white_sums(planes, between, used, z, readings.sigma)
        z = z / readings.sigma
        each = np.full(len(t), readings.normal)
    else:
        # Rows of readings before the start carry what those after it foretell of them: they are no part of it.
        z = np.where(used, z @ readings.whiten.T, 0.0)
        sums = coloured_sums(tables, between, used, z, readings.whiten)
        each = 0.5 * math.log(2 * math.pi) - np.log(np.where(held, 1.0, np.diag(readings.whiten)))
    # A car that was caught as it rolled is already pulled when it turns.
    pulled = tables[:, int(0.15 / x[1]), 0] > 0.6 * 0.15
    stood = np.where(moving, 0.0, readings.before).sum(1)
    stood = stood + np.where(pulled[:, None], rolling, math.log(1 - ROLLS_BACK) * (rolling != 0))
    constant = stood - (used @ each + 0.5 * (z**2).sum(1))
    shown = ShownSpeeds(tables, planes, between, moving)
    law = ZeroLaw.of(readings, shown) if base == 0 and readings.whiten is None else None
    counted = math.inf if readings.turns else MARGIN + float(np.ptp(ways.prior)) + float(np.ptp(ways.wander_log))
    precisions = np.stack([_precision(wander * ways.span / (KNOTS - 1)) for wander in wanders])
    mean = np.full(KNOTS, 1.5)
    pulls = precisions @ mean
    solved = solve(sums, precisions, pulls)
    det = solved.log_det - np.linalg.slogdet(precisions)[1][:, None, None]
    log = constant.T + 0.5 * (solved.square - det - (pulls @ mean)[:, None, None])
    coefs = solved.knots.transpose(3, 2, 1, 0)
    if law is not None:
        fit = StartFits(solved.knots, log, (stood + moving @ law.most).T - 0.5 * det)
        log = with_law(readings, shown, law, fit, counted)
    elif base == 0 and readings.whiten is not None:
        for k, each_log in enumerate(log):
            each_log += law_of_wander(readings, shown, z, readings.whiten, np.ascontiguousarray(coefs[:, :, k])).T
    if readings.turns:
        for k, each_log in enumerate(log):
            each_log += caught(readings, after - readings.lag_s, ways.begun[some], coefs[:, :, k]).T
    return Evidence(log.transpose(2, 1, 0), coefs, sums, precisions)


def _precision(wander: float) -> Floats:
    """Of the prior of the knots, which wander by so much [m2/s4] from one to the next."""
    out = np.zeros((KNOTS, KNOTS))
    out[0, 0] = 1 / 2.5**2
    for k in range(KNOTS - 1):
        out[k : k + 2, k : k + 2] += np.array([[1, -1], [-1, 1]]) / wander
    return out


ROLLS_BACK = 0.05
"""How many of the launches that creep up on zero begin with a roll back."""


CAUGHT_S, _CAUGHT_SHARE = 0.5, 0.3
"""A car that rolls back is caught for so long, at the acceleration at which it then leaves, give or take this share."""


def caught(readings: LaunchReadings, after: Floats, begun: Floats, c: Floats) -> Floats:
    """What the last readings of a car that rolls back add to the log evidence (rises, grid) of where it turns: what
    catches it is what pulls it away, so it comes to the turn at the acceleration at which it leaves it."""
    asked = (after <= 0) & (after > -CAUGHT_S)
    some = asked.any(0)
    ago, asked = np.maximum(-after[:, some], 0.0), asked[:, some]
    pull = np.maximum((begun[:, None] * c).sum(-1), 0.0)[..., None]
    spread = np.hypot(readings.each[some], _CAUGHT_SHARE * pull * ago)
    y = np.broadcast_to(readings.y[some], spread.shape)
    likely = np.log(density(y, pull * ago, spread, readings.noise) + 1e-6)
    return np.asarray(np.where(asked, likely - readings.before[some], 0.0).sum(-1), float)


def rolling_back(readings: LaunchReadings, grid: Floats) -> Floats:
    """What is added to the log evidence of each start, that the car stood before it, if it may as well have rolled
    back, ever faster, and been caught just before: (grid); zeros where it may not."""
    if not readings.may_roll:
        return np.zeros_like(grid)
    use = (readings.t > grid[0] - _ROLLS_S[-1]) & (readings.t < grid[-1]) & ~readings.held
    t, y, each = readings.t[use], readings.y[use], readings.each[use]
    stood = np.log(density(y, np.zeros_like(y), each, readings.noise) + 1e-3)
    at_rest = np.log(np.exp(readings.before[use]) + 1e-3)
    ago = grid[:, None] - t
    # Before it rolled it stood: that is the same for every roll, and of the others only what differs is worked out.
    before = np.where(ago > 0, stood - at_rest, 0.0).sum(1)
    roll, start, n = np.nonzero((ago > 0) & (ago < _ROLLS_S[:, None, None]))
    since, lasts, caught = ago[start, n], _ROLLS_S[roll], _ROLLS_MPS[:, None] / 1.2
    share = np.minimum((lasts - since) / (lasts - np.minimum(caught, 0.3 * lasts)), since / caught)
    v = _ROLLS_MPS[:, None] * np.clip(share, 0.0, 1.0)
    likely = np.log(density(np.broadcast_to(y[n], v.shape), v, each[n], readings.noise) + 1e-3) - stood[n]
    place, size = roll * len(grid) + start, len(_ROLLS_S) * len(grid)
    more = np.stack([np.bincount(place, of_peak, size) for of_peak in likely])
    flat = more.reshape(-1, len(grid)) + before
    top = flat.max(0)
    mean = top + np.log(np.exp(flat - top).mean(0))
    return np.asarray(np.logaddexp(math.log(1 - ROLLS_BACK), math.log(ROLLS_BACK) + mean), float)


_ROLLS_S, _ROLLS_MPS = np.array([0.5, 0.9, 1.4, 2.1, 3.0]), np.array([0.09, 0.14, 0.2, 0.28, 0.4, 0.55])
"""For how long a car may roll back and how fast it comes to be: every roll that is weighed."""


MOST_STRAYS = 3
_STRAY_SIGMAS = 5.0


def lone_stray(readings: LaunchReadings, start: float, x: Floats, fitted: Floats) -> int | None:
    """Index of the reading that lies furthest off the likeliest start, where it does so by itself; None without."""
    after = readings.t - start
    moving = (after > 0) & ~readings.held
    if readings.slow or moving.sum() < 8:
        return None
    off = np.abs(np.where(moving, readings.y - readings.base - np.interp(after, x, fitted), 0.0)) / readings.each
    worst = int(np.argmax(off))
    beside = np.concatenate([off[max(worst - 2, 0) : worst], off[worst + 1 : worst + 3]])
    if off[worst] < _STRAY_SIGMAS or off[worst] < 2.5 * float(beside.max(initial=0.0)):
        return None
    return worst
