"""How a car pulls away: when it first moved, and when it had moved one foot, with their uncertainty.

    launch = pull_away(motion, rest, departed, peak)     # the fit over the right window of a drive's fixes
    launch.t0_s, launch.t0_sigma_s                       # first movement
    launch.one_foot_s, launch.one_foot_sigma_s           # 0.3048 m of movement (SAE J1491)
    launch.passing(4.47, "speed")                        # and when a speed or a way was passed, jointly with both

Time zero is found by fitting how cars pull away, not by a threshold; see `fit_launch`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Bools, Floats
from analysis.motion.fixes import within
from analysis.motion.noise import Interval, Noise
from analysis.motion.smoother import Motion
from analysis.motion.stretch import SLOW_S
from analysis.runs.evidence import CAUGHT_S, MOST_STRAYS, Ways, evidence, lone_stray, rolling_back
from analysis.runs.launch_readings import LaunchReadings, hardly_white
from analysis.runs.rises import (
    HIDDEN_BELOW_MPS,
    HIDDEN_S,
    STANDS_FOR_HELD_S,
    STANDS_FOR_S,
    UNLIKE_FOOT_S,
    UNLIKE_S,
    LaunchHabit,
)
from analysis.runs.start_fits import planes_of
from logger.units import FOOT_M, speed_label

DEPART_MPS = 1.0
"""A car faster than this has left."""


@dataclass(frozen=True)
class StartCurves:
    """Speed or way after time zero of each fitted start, at some times after it (m); worked out when asked, since a
    drive's launches are all held until they have told each other what they are."""

    begun: Floats | float
    """What each has at those times of itself: (m)."""
    tables: Floats
    """What each knot adds: (rises, m, knots)."""
    place: NDArray[np.intp]
    """Which of the tables each start has, in order: (starts)."""
    knots: Floats
    """(starts, knots)."""
    covariance: Floats
    """(starts, knots, knots)."""

    def values(self) -> Floats:
        """(starts, m)."""
        out = np.empty((len(self.place), self.tables.shape[1]))
        ends = np.searchsorted(self.place, np.arange(len(self.tables) + 1)).tolist()
        for table, first, end in zip(self.tables, ends, ends[1:], strict=False):
            np.matmul(self.knots[first:end], table.T, out=out[first:end])
        out += self.begun
        return out

    def sigma(self, at: NDArray[np.intp]) -> Floats:
        """Standard deviation of each start at one of the times (starts), or at some (k, starts)."""
        row = np.swapaxes(self.tables[self.place, np.atleast_2d(at)], 0, 1)
        square = ((row @ self.covariance) * row).sum(-1).T.reshape(at.shape)
        return np.asarray(np.sqrt(np.maximum(square, 0.0)), float)

    def only(self, keep: Bools) -> StartCurves:
        """Those of some starts."""
        return replace(self, place=self.place[keep], knots=self.knots[keep], covariance=self.covariance[keep])


@dataclass(frozen=True)
class Launch:
    """How a car pulled away: a weighted set of fitted starts. Times on the fixes' axis."""

    t0_s: float
    t0_sigma_s: float
    one_foot_s: float
    one_foot_sigma_s: float
    until_s: float
    """The fit describes the motion up to here."""
    weight: Weight = field(repr=False)
    t0: Floats = field(repr=False)
    x: Floats = field(repr=False)
    """Time after t0 for the tables below [s]: (m)."""
    speeds: StartCurves = field(repr=False)
    ways: StartCurves = field(repr=False)
    one_foot: Floats = field(repr=False)
    """When each start had moved one foot: (starts)."""
    one_foot_sigma: Floats = field(repr=False)
    rise: NDArray[np.intp] = field(repr=False)
    """Which rise each start has: (starts)."""
    rise_log: Floats = field(repr=False)
    """Log evidence of each rise, whatever was expected beforehand: (rises); see `rises.habit_of`."""
    t0_sigma: Floats = field(repr=False)
    """Standard deviation of each start's t0 about the one it stands for: (starts)."""
    looked: Looked = field(repr=False)
    notes: tuple[str, ...] = ()

    def likeliest(self, most: int) -> NDArray[np.intp]:
        """The rises that are likely, no more than `most`."""
        share = np.bincount(self.rise, self.weight.likely)
        best = np.argsort(-share)[:most]
        return np.sort(best[share[best] > 0.02 * share.max()])

    def among(self, some: NDArray[np.intp]) -> Launch:
        """The same launch where only these rises are possible."""
        keep = np.isin(self.rise, some)
        names = ("t0", "one_foot", "one_foot_sigma", "rise", "t0_sigma")
        kept = replace(
            self, weight=Weight(*(w[keep] for w in self.weight)), speeds=self.speeds.only(keep),
            ways=self.ways.only(keep), **{name: getattr(self, name)[keep] for name in names},
        )  # fmt: skip
        return kept.weighed(np.ones(len(self.rise_log)))

    def weighed(self, by: Floats) -> Launch:
        """The same launch where each rise was by so much likelier beforehand: (rises)."""
        likely, counted = (w * by[self.rise] / float(w @ by[self.rise]) for w in self.weight)
        weight = Weight(likely, counted)
        t0, t0_sigma = moments(weight, self.t0, self.t0_sigma)
        foot, foot_sigma = moments(weight, self.one_foot, self.one_foot_sigma)
        return replace(
            self, t0_s=t0, t0_sigma_s=t0_sigma, one_foot_s=foot, one_foot_sigma_s=foot_sigma, weight=weight
        )  # fmt: skip

    def at(self, time_s: float | Floats, table: Floats) -> Floats:
        """A table (starts, m) of this launch at one instant: (starts); or at some (k): (k, starts)."""
        k, part = self._between(time_s)
        rows = np.arange(len(self.t0))
        return np.asarray(table[rows, k - 1] * (1 - part) + table[rows, k] * part, float)

    def way_sigma_at(self, time_s: float) -> Floats:
        """Standard deviation of each start's way at one instant: (starts)."""
        k, part = self._between(time_s)
        return self.ways.sigma(k - 1) * (1 - part) + self.ways.sigma(k) * part

    def _between(self, time_s: float | Floats) -> tuple[NDArray[np.intp], Floats]:
        x = np.clip(np.asarray(time_s)[..., None] - self.t0, self.x[0], self.x[-1])
        k = np.clip(np.searchsorted(self.x, x), 1, len(self.x) - 1)
        return k, (x - self.x[k - 1]) / (self.x[k] - self.x[k - 1])

    @cached_property
    def speed(self) -> Floats:
        """(starts, m)."""
        return self.speeds.values()

    @cached_property
    def way(self) -> Floats:
        """(starts, m)."""
        return self.ways.values()

    @cached_property
    def _fastest(self) -> Floats:
        return np.maximum.accumulate(self.speed, 1)

    @cached_property
    def _farthest(self) -> Floats:
        return np.maximum.accumulate(self.way, 1)

    def passing(self, target: float, of: Literal["speed", "way"]) -> Passing | None:
        """When a speed [m/s] or way [m] was first passed, jointly with both time zeros; None beyond the fit."""
        return self.passings([target], of)[0]

    def passings(self, targets: Sequence[float], of: Literal["speed", "way"]) -> list[Passing | None]:
        """The same for many speeds or ways at once."""
        curve, curves, most = self.speed, self.speeds, self._fastest
        if of == "way":
            curve, curves, most = self.way, self.ways, self._farthest
        asked = np.asarray(targets, float)
        inside = np.flatnonzero((most[:, -1] >= asked[:, None]) @ self.weight.likely > 0.999)
        out: list[Passing | None] = [None] * len(asked)
        if len(inside) == 0:
            return out
        target = asked[inside][:, None]
        k = np.array([row.searchsorted(asked[inside]) for row in most]).T
        # A start that never gets there stands at its beginning.
        k = np.clip(np.where(k < curve.shape[1], k, 0), 1, curve.shape[1] - 1)
        rows = np.arange(len(curve))
        low, high = curve[rows, k - 1], curve[rows, k]
        slope = np.maximum((high - low) / (self.x[k] - self.x[k - 1]), 1e-3)
        at = self.t0 + self.x[k - 1] + np.clip((target - low) / slope, 0, self.x[k] - self.x[k - 1])
        own = curves.sigma(k) / slope
        told = np.stack([
            *_moments_of_each(self.weight, at, own),
            *_moments_of_each(self.weight, at - self.t0, np.hypot(own, self.t0_sigma)),
            *_moments_of_each(self.weight, at - self.one_foot, np.hypot(own, self.one_foot_sigma)),
        ], -1)  # fmt: skip
        for place, values in zip(inside.tolist(), told.tolist(), strict=True):
            out[place] = Passing(*values)
        return out


class Passing(NamedTuple):
    time_s: float
    sigma_s: float
    from_t0_s: float
    from_t0_sigma_s: float
    from_foot_s: float
    from_foot_sigma_s: float


class Looked(NamedTuple):
    """Which starts a fit weighed, which readings it left out as strays [s], and how much smoothing it took."""

    grid: Floats
    rolling: Floats
    """`rolling_back` of each start: (grid)."""
    strays: Floats
    smoothing_s: float

    def starts(self, smoothing_s: float, earliest_s: float) -> Floats:
        """The same starts, and as many before them as more smoothing may bring them forward."""
        step = float(self.grid[1] - self.grid[0])
        more = math.ceil(max(smoothing_s - self.smoothing_s, 0.0) / step)
        more = min(more, int(max(float(self.grid[0]) - earliest_s, 0.0) / step))
        return np.concatenate([self.grid[0] - step * np.arange(more, 0, -1), self.grid])


class Weight(NamedTuple):
    """How likely each fitted start is, and how much it counts in the values that are given: (starts), both sum to 1."""

    likely: Floats
    counted: Floats


def moments(weight: Weight, values: Floats, sigma: Floats) -> tuple[float, float]:
    """The value given, and the root mean square deviation from it over all starts."""
    given = float(np.sum(weight.counted * values))
    return given, math.sqrt(float(np.sum(weight.likely * ((values - given) ** 2 + sigma**2))))


def _moments_of_each(weight: Weight, values: Floats, sigma: Floats) -> tuple[Floats, Floats]:
    """`moments` of each row (k, starts): (k)."""
    given = values @ weight.counted
    return given, np.sqrt(((values - given[:, None]) ** 2 + sigma**2) @ weight.likely)


def fit_launch(
    t: Floats,
    y: Floats,
    noise: Noise,
    earliest_s: float,
    latest_s: float,
    until_s: float,
    from_s: float | None = None,
    base_mps: float = 0.0,
    at_rest_before: bool = True,
    smoothing_s: float = 0.0,
    trust: Floats | None = None,
    habit: LaunchHabit | None = None,
    among: NDArray[np.intp] | None = None,
    may_roll: bool = False,
    turns: bool = False,
    like: Looked | None = None,
) -> Launch:
    """Fit how a car pulls away from readings `y` [m/s] at `t` [s]: time zero and one foot with their uncertainty.

    The car stands until t0; then a(t) = S(t - t0) A(t - t0), where S rises to 1 in one of many ways within a time of 0
    to 3.4 s (`rises`), and A, the acceleration that the car would have without the launch, wanders slowly (a random
    walk of unknown size, linear between knots). For given S, t0 and wander the motion is linear in A and its evidence
    has a closed form; the answer averages over all of them by evidence, so that not knowing how the car got away is
    part of the sigma: the time given is the mean, sigma the root mean square deviation from it. Where fixes are more
    than 0.6 s apart and say little of the rise, a plain mean leans to the middle, early for quick launches and late for
    slow ones; there each rise counts by the square of its probability. Near zero, readings follow the receiver's own
    law (`Noise.kind`, rounding, zero held below a speed), not a normal one.

    earliest_s, latest_s bound t0; readings from `from_s` to `until_s` are used. `base_mps` is the speed before t0 where
    the car was creeping; `at_rest_before=False` leaves out what came before t0 (a car that rolled back). `smoothing_s`:
    the receiver shows the motion through a first-order filter of this time constant. `trust`: how surely each reading
    is no stray. `habit`: what is known of the car's launches; the broad prior by default. `among`: only these rises.
    `may_roll`: before t0 the car may have rolled back too slowly for its course to tell. `turns`: it did roll back,
    and t0 is where it turned. `like`: what another fit of this launch looked at, a little less smoothed: nothing is
    searched for again.
    """
    use = within(t, earliest_s - 1.0 if from_s is None else from_s, until_s)
    sure = np.ones(use.stop - use.start, bool) if trust is None else trust[use] > 0.5
    if like is not None:
        sure &= ~np.isin(t[use], like.strays)
    t, y = t[use][sure], y[use][sure]
    step = float(np.median(np.diff(t)))
    lag_s = smoothing_s * (1 - math.exp(-CAUGHT_S / smoothing_s)) if turns and smoothing_s else 0.0
    ways = Ways.of(until_s - earliest_s, step > SLOW_S, smoothing_s, habit, among, lag_s)
    readings = LaunchReadings(t, y, noise, base_mps, at_rest_before, may_roll, turns, lag_s)
    if like is None:
        coarse = np.linspace(earliest_s, latest_s, max(int((latest_s - earliest_s) / 0.12), 20) + 1)
        readings, log = _coarse_look(readings, coarse, ways)
        alive, grid = _worth_weighing(log, coarse, ways)
        rise_log = np.log(np.exp(log - log.max()).sum(1) + 1e-30) + log.max() + math.log(coarse[1] - coarse[0])
        rolling = rolling_back(readings, grid)
        looked = Looked(grid, rolling, np.setdiff1d(t, readings.t), smoothing_s)
    else:
        looked, grid = like, like.starts(smoothing_s, earliest_s)
        before = grid[: len(grid) - len(like.grid)]
        rolling = np.concatenate([rolling_back(readings, before) if len(before) else before, like.rolling])
        alive, rise_log = np.arange(len(ways.prior)), np.zeros(len(ways.prior))
    found = evidence(readings, grid, ways, alive, ways.wanders, rolling=rolling)
    log = found.log + ways.wander_log
    rise_log = _rise_evidence(rise_log, alive, log, float(grid[1] - grid[0]))
    log = log + ways.prior[alive, None, None]
    weight = np.exp(log - log.max())
    keep = np.nonzero(weight > LEAST_START)
    w = weight[keep] / weight[keep].sum()
    counted = w * np.bincount(keep[0], w)[keep[0]] if ways.slow and habit is None else w
    starts = Weight(w, counted / counted.sum())
    xs, speed, way = _moved(ways, alive[keep[0]], found.coefs[keep], found.covariances(keep), base_mps)
    t0 = grid[keep[1]]
    foot, foot_sigma = _one_foot(xs, way)
    # Between fixes more than half a second apart a foot may do what no family of curves foresees.
    unseen = 0.15 * max(step - SLOW_S, 0.0)
    unlike = hardly_white(noise)
    foot, foot_sigma = t0 + foot, np.hypot(foot_sigma, math.hypot(0.6 * unseen, UNLIKE_FOOT_S * unlike))
    turning = math.hypot(0.012, 0.15 * lag_s) if turns else 0.0
    hidden = HIDDEN_S * max(noise.hold_mps / HIDDEN_BELOW_MPS, 1.0) if noise.hold_mps else 0.0
    of_range = ways.stands_for[alive[keep[0]]] * (STANDS_FOR_HELD_S / STANDS_FOR_S if noise.hold_mps else 1.0)
    of_range = np.maximum(of_range, max(hidden, UNLIKE_S * unlike))
    t0_sigma = np.hypot(of_range, math.hypot((grid[1] - grid[0]) / math.sqrt(12), unseen, turning))
    return Launch(
        *moments(starts, t0, t0_sigma), *moments(starts, foot, foot_sigma),
        until_s, starts, t0, xs, speed, way, foot, foot_sigma, alive[keep[0]], rise_log,
        t0_sigma, looked,
    )  # fmt: skip


LEAST_RISE, LEAST_QUICK, LEAST_START = 2e-3, 1e-9, 5e-4
"""What is less likely than this, beside the likeliest, is left out: a rise after the coarse look (a quick start is too
sharp for that to judge), a single start after the fine one."""


def _coarse_look(readings: LaunchReadings, coarse: Floats, ways: Ways) -> tuple[LaunchReadings, Floats]:
    """Log evidence (rises, coarse) with one wander, which finds where the answer lies; the readings without strays."""
    for _ in range(MOST_STRAYS + 1):
        found = evidence(readings, coarse, ways, slice(None), ways.wanders[1:2])
        log, coefs = found.log[..., 0], found.coefs
        best = np.unravel_index(int(np.argmax(log + ways.prior[:, None])), log.shape)
        stray = lone_stray(readings, float(coarse[best[1]]), ways.x, ways.shown[best[0]] @ coefs[(*best, 0)])
        if stray is None:
            break
        readings = readings.without(stray)
    return readings, log


def _worth_weighing(log: Floats, coarse: Floats, ways: Ways) -> tuple[NDArray[np.intp], Floats]:
    """Which rises a coarse look leaves, and the fine grid of starts that they are weighed on."""
    weight = np.exp(log + ways.prior[:, None] - (log + ways.prior[:, None]).max())
    share = weight.sum(1)
    alive = np.flatnonzero(share > np.where(ways.quick, LEAST_QUICK, LEAST_RISE) * share.max())
    support = np.flatnonzero(weight.sum(0) > 1e-5 * weight.sum(0).max())
    low, high = coarse[max(support[0] - 1, 0)], coarse[min(support[-1] + 1, len(coarse) - 1)]
    return alive, np.linspace(low, high, min(max(int((high - low) / 0.015), 16), 48) + 1)


def _moved(
    ways: Ways, rise: NDArray[np.intp], c: Floats, cov: Floats, base_mps: float
) -> tuple[Floats, StartCurves, StartCurves]:
    """Speed and way of each start at some times after it (m)."""
    x, tables = ways.x, ways.tables
    some, place = np.unique(rise, return_inverse=True)
    planes = planes_of(tables[some])
    gained = np.zeros_like(planes)
    np.cumsum((planes[:, 1:] + planes[:, :-1]) / 2, 1, out=gained[:, 1:])
    gained *= x[1]
    thin = np.unique(np.concatenate([np.arange(0, len(x), max(len(x) // 120, 1)), [len(x) - 1]]))

    return (
        x[thin], StartCurves(base_mps, tables[np.ix_(some, thin)], place, c, cov),
        StartCurves(base_mps * x[thin], np.ascontiguousarray(gained[:, thin].transpose(2, 1, 0)), place, c, cov),
    )  # fmt: skip


def _rise_evidence(coarse: Floats, alive: NDArray[np.intp], fine: Floats, step: float) -> Floats:
    """Log evidence of each rise over all starts, less the best's: fine where it was looked at, coarse elsewhere."""
    flat = fine.reshape(len(alive), -1)
    top = flat.max(1)
    found = top + np.log(np.exp(flat - top[:, None]).sum(1) * step)
    best = int(np.argmax(found))
    # The two looks leave out different readings before the start: the best rise says by how much they differ.
    out = np.minimum(coarse - coarse[alive[best]], -3.0) + found[best]
    out[alive] = found
    return np.asarray(np.maximum(out - out[alive].max(), -30.0), float)


def _one_foot(x: Floats, ways: StartCurves) -> tuple[Floats, Floats]:
    way = ways.values()
    reached = way >= FOOT_M
    k = np.clip(np.where(reached.any(1), np.argmax(reached, 1), way.shape[1] - 1), 1, None)
    rows = np.arange(len(k))
    v = np.maximum((way[rows, k] - way[rows, k - 1]) / (x[k] - x[k - 1]), 0.02)
    when = x[k - 1] + (FOOT_M - way[rows, k - 1]) / v
    return np.asarray(when, float), np.asarray(ways.sigma(k) / v, float)


def pull_away(
    motion: Motion,
    rest: Interval,
    departed: int,
    peak: int,
    unit: str = "mph",
    *,
    turned: Interval | None = None,
    habit: LaunchHabit | None = None,
    smoothing_s: float | None = None,
    among: NDArray[np.intp] | None = None,
    like: Looked | None = None,
) -> Launch:
    """Choose the window of the launch fit, mind creep and roll-back, and fit.

    `turned`: between which fixes the car's course turned about before it pulled away. `smoothing_s`: of the receiver,
    by default what the motion undid. `habit`, `among`, `like`: as for `fit_launch`. Notes tell speeds in `unit`.
    """
    t, y, v = motion.t_s, motion.reading_mps, motion.speed_mps
    step = motion.step_s
    sigma = motion.noise.reading_sigma_mps
    late = motion.receiver.undone_s
    smoothing = late if smoothing_s is None else smoothing_s
    until = _fit_until(motion, departed, peak)
    latest = float(t[departed])
    earliest = max(rest.start_s, rest.end_s - 2.5 - 0.5 * step - late)
    # The tail of the stop before is no reading of a standing car.
    settled = min(rest.start_s + 2.5 * late, rest.end_s - 0.5)
    begin = max(rest.start_s, earliest - 1.0, settled)

    fit = partial(
        fit_launch, t, y, motion.noise, until_s=until, smoothing_s=smoothing, trust=motion.trust, habit=habit,
        among=among, like=like,
    )  # fmt: skip

    def fit_turn(earliest_s: float, latest_s: float) -> Launch:
        launch = fit(earliest_s, latest_s, from_s=earliest_s - CAUGHT_S, at_rest_before=False, turns=True)
        return replace(launch, notes=(ROLLED_BACK,))

    if turned is not None:
        begun = turned.start_s - smoothing
        return fit_turn(begun, max(latest, begun + 0.2))
    stood = int(np.searchsorted(t, rest.end_s))
    if departed - stood < 3:
        return fit(earliest, latest, from_s=begin)
    between = slice(stood, departed + 1)
    vb, tb = v[between], t[between]
    drawn = motion.noise.rest_sigma_mps if motion.noise.drawn else sigma
    least_after = np.minimum.accumulate(vb[::-1])[::-1]
    bump = (vb > max(0.2, 5 * sigma, 3 * drawn)) & (least_after < 0.5 * vb)
    # A car that rolls back takes its time; two readings are strays.
    low = (vb > max(0.12, 2.5 * sigma, 2.5 * drawn)) & (least_after < 0.5 * vb)
    if (bump.sum() * step >= 0.35 or low.sum() * step >= 0.5) and step <= 0.34:
        bump = bump | low
        over = int(np.flatnonzero(bump)[-1])
        stands = np.flatnonzero(vb[over:] < max(0.12, 2.5 * sigma)) + over
        moved = "moved and nearly stopped again before it pulled away"
        if len(stands) * step > 0.5:
            # It stands again, be it after a roll or after strays that looked like one.
            again = float(tb[stands[0]])
            return replace(fit(again, latest, from_s=again), notes=(moved,))
        valley = over + int(np.argmin(vb[over:]))
        when = float(tb[valley])
        if when - rest.end_s < 4.0:
            return fit_turn(when - 0.4, min(when + 0.4, latest))
        launch = fit(when - 0.4, min(when + 0.4, latest), from_s=when - 0.5 * step, at_rest_before=False)
        return replace(launch, notes=(moved,))
    leaving = v[np.searchsorted(t, earliest, side="right") : np.searchsorted(t, latest)]
    hovering = (leaving > max(0.06, 1.2 * sigma, 1.2 * drawn)) & (leaving < DEPART_MPS / 2)
    may_roll = step <= 0.25 and bool(hovering.sum() * step > 0.15)
    crept = _crept(motion, between, max(0.12, 2.5 * sigma, 2.5 * drawn))
    if crept is not None:
        way = f"{crept.way_m / FOOT_M:.0f} ft" if unit == "mph" else f"{crept.way_m:.1f} m"
        at = speed_label(crept.speed_mps, unit)
        note = f"crept {way} at {at} before it pulled away, so not a clean standing start"
        launch = fit(crept.from_s, latest, from_s=crept.from_s, base_mps=crept.speed_mps)
        return replace(launch, notes=(note,))
    return fit(earliest, latest, from_s=begin, may_roll=may_roll)


ROLLED_BACK = "rolled back before it pulled away; time zero is where it started forward"


class _Crept(NamedTuple):
    """A slow steady drive before a launch: its last two seconds' begin and speed, and how far it went in all."""

    from_s: float
    speed_mps: float
    way_m: float


def _crept(motion: Motion, between: slice, least_mps: float) -> _Crept | None:
    """How a car crept between its rest and its departure, faster than `least_mps`; None where it did not."""
    t, v, a = motion.t_s[between], motion.speed_mps[between], motion.accel_mps2[between]
    creeping = np.flatnonzero((v > least_mps) & (v < DEPART_MPS) & (np.abs(a) < 0.15))
    if not len(creeping) or t[creeping[-1]] - t[creeping[0]] <= 1.0:
        return None
    first, end = max(creeping[0], creeping[-1] - int(2.0 / motion.step_s)), creeping[-1] + 1
    speed = float(np.median(motion.reading_mps[between][first:end]))
    return _Crept(float(t[first]), speed, float(np.trapezoid(v[:end], t[:end])))


LEAST_FIT_S = 0.8
"""A fall of the acceleration sooner after a car's departure is a stumble or a stray, and rises know stumbles: a fit of
the two or three readings before it is sure of whatever they are (chosen on tests/tuning)."""


def _fit_until(motion: Motion, departed: int, peak: int) -> float:
    """Up to when the launch is fitted [s]: readings up to 5 m/s, but no fewer than four of them, no more than five
    seconds, and no gear change."""
    t, v, step = motion.t_s, motion.speed_mps, motion.step_s
    quick = departed + int(np.argmax(v[departed : peak + 1] >= min(5.0, v[peak])))
    enough = departed + (6 if step < SLOW_S else 3)
    until = float(min(max(t[quick], t[departed] + 1.2, t[min(enough, peak)]), t[departed] + max(5.0, 4 * step)))
    # Of a motion that was freed of a receiver's filter the acceleration is less sure.
    doubt = motion.accel_sigma[departed : peak + 1] if motion.receiver.undone_s else 0.0
    pull = motion.accel_mps2[departed : peak + 1]
    most = np.maximum.accumulate(pull - doubt)
    returns = np.maximum.accumulate((pull - doubt)[::-1])[::-1] - (pull + doubt) > 0.25 * most
    falls = np.flatnonzero((pull + doubt < 0.35 * most) | ((pull + doubt < 0.75 * most) & returns))
    if len(falls):
        until = min(until, max(float(t[departed + falls[0]]) - 0.3, float(t[departed]) + LEAST_FIT_S))
    return max(min(until, float(t[peak]) + step), float(t[min(departed + 2, len(t) - 1)]))
