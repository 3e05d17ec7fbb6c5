"""Standing and rolling runs of a drive: time zero, splits, how each run ended, and what kind of launch it was.

    found = find(motion, fixes, Options(speeds_mps=(13.41, 22.35)))

**Time zero.** Two definitions, each with its sigma. *First movement* is what a stopwatch sees: the moment speed leaves
zero, found by fitting how the car pulls away rather than by a threshold (`runs.launch`). *One foot* is SAE J1491
(JUL2006) 3.3: 0.3048 m of movement from rest. It is the better conditioned of the two, since the way is an integral of
speeds that stand clear of the noise; comparisons use it. See `Split` for what is counted from which.

A run begins at a standstill and goes on while speed grows. It ends at its peak: where speed has since fallen by more
than a gear change costs, or has not grown for three seconds.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats, stretches
from analysis.motion.fixes import Fixes
from analysis.motion.noise import Interval
from analysis.motion.smoother import Motion
from analysis.motion.stretch import (
    SLOW_S,
    HeightsAtRest,
    direction,
    grade,
    place,
    quality,
    turned_about,
    when_each_passed,
    when_passed,
)
from analysis.runs.launch import DEPART_MPS, Launch, Looked, Passing, moments, pull_away
from analysis.runs.plausible import judged
from analysis.runs.rises import LaunchHabit, habits_beside, prior_of, rises
from analysis.runs.run import DistanceSplit, Ended, LaunchQuality, Options, Run, Split, default_speeds
from logger.units import MPS_PER_KMH, MPS_PER_MPH, SPEED_UNITS, speed_label

FALL_MPS = 1.0
"""Speed lost in a gear change is less than this; a fall by more ends a run."""
STALL_S = 3.0
STALL_MPS2 = 0.05
"""A mean acceleration below this over STALL_S ends a run: it has reached its peak."""
SOFT_RISE_S = 0.8
"""A launch whose acceleration takes longer than this to rise to 70 % of its height is soft (common practice: a clutch
takes 0.1 to 0.4 s)."""


def find(motion: Motion, fixes: Fixes, options: Options | None = None, habit: LaunchHabit | None = None) -> list[Run]:
    """All runs of a drive, numbered from 1: standing ones in order of time, then rolling ones, so that a standing run
    keeps its number whatever else is asked for. `fixes` are the cleaned ones `motion` was made of; `habit` is what
    other drives told of the car's launches (`lessons.Taught`); the drive's launches tell each other, none itself."""
    options = options or Options()
    found = _name_aborted(judged(_standing(motion, fixes, options, habit), motion, fixes), options)
    if options.from_mps is not None and options.to_mps is not None:
        found += _rolling(motion, fixes, options)
    return [replace(run, n=i + 1) for i, run in enumerate(found)]


# --- standing runs ------------------------------------------------------------------------------------------------


class _Pull(NamedTuple):
    """Where a standing run lies: the rest before it; indices of its departure, its peak, where its end is known, and
    the last fix that may belong to it."""

    rest: Interval
    departed: int
    peak: int
    end: int
    why: Ended
    broken: bool
    last: int


def _standing(motion: Motion, fixes: Fixes, options: Options, habit: LaunchHabit | None) -> list[Run]:
    pulls = _pulls(motion, fixes, options)
    launches = deque(_launch(motion, fixes, options, pull, habit) for pull in pulls)
    habits = [habit] * len(pulls)
    if motion.step_s < SLOW_S:
        habits = habits_beside([launch.rise_log for launch in launches], habit)
        # Each was weighed by what was known before: what the drive's others tell comes on top.
        known = prior_of(rises(False), habit)
        more = [prior_of(rises(False), own) / known for own in habits]
        launches = deque(launch.weighed(by) for launch, by in zip(launches, more, strict=True))
    still = HeightsAtRest(motion, fixes)
    # One after the other leaves the queue: what is worked out of a launch is not held for all of them.
    return [
        _describe(motion, fixes, still, options, pull, launches.popleft(), own)
        for pull, own in zip(pulls, habits, strict=True)
    ]


def _launch(
    motion: Motion, fixes: Fixes, options: Options, pull: _Pull, habit: LaunchHabit | None,
    among: NDArray[np.intp] | None = None, smoothing_s: float | None = None, like: Looked | None = None,
) -> Launch:  # fmt: skip
    departed_s = float(motion.t_s[pull.departed])
    turned = turned_about(motion, fixes, pull.rest.end_s - motion.step_s, departed_s)
    return pull_away(motion, pull.rest, pull.departed, pull.peak, options.unit, turned=turned, habit=habit,
                     smoothing_s=smoothing_s, among=among, like=like)  # fmt: skip


def _pulls(motion: Motion, fixes: Fixes, options: Options) -> list[_Pull]:
    found = []
    t, v = motion.t_s, motion.speed_mps
    needed = options.min_peak_mps
    asked = max(needed, min(options.speeds_mps)) if options.speeds_mps else needed
    for at, rest in enumerate(motion.rests):
        following = motion.rests[at + 1] if at + 1 < len(motion.rests) else None
        first = int(np.searchsorted(t, rest.end_s))
        last = int(np.searchsorted(t, following.start_s)) if following else len(t) - 1
        if last - first < 2:
            continue
        speeds = v[first : last + 1]
        if speeds.max() < needed:
            continue
        departed = _departure(v, first, last)
        if departed is None:
            continue
        end, why = _follow(motion, departed, last)
        broken = False
        if v[departed : end + 1].max() < asked and speeds.max() >= asked:
            # Held up on its way: carry on to the pull that passes the speed.
            broken = True
            passing = first + int(np.argmax(speeds >= asked))
            away = passing - int(np.argmax(v[passing::-1] <= DEPART_MPS)) + 1
            if turned_about(motion, fixes, float(t[departed]), float(t[away])):
                # What held it up was that it went backwards: reversed out, or rolled far.
                departed, broken, passing = away, False, away
            end, why = _follow(motion, passing, last)
        peak = departed + int(np.argmax(v[departed : end + 1]))
        if v[peak] < needed:
            continue
        found.append(_Pull(rest, departed, peak, end, why, broken, last))
    return found


def _departure(v: Floats, first: int, last: int) -> int | None:
    """Index of the fix from which the car is faster than a walk for good (it may have crept or rolled back before)."""
    fast = np.flatnonzero(v[first : last + 1] > 2.5 * DEPART_MPS)
    if len(fast) == 0:
        return None
    i = first + int(fast[0])
    while i > first and v[i - 1] > DEPART_MPS:
        i -= 1
    return i


def _follow(motion: Motion, start: int, last: int) -> tuple[int, Ended]:
    """Where the pull that is under way at `start` ends: index of the fix at which that is known, and how."""
    t, v = motion.t_s, motion.speed_mps
    window = slice(start, last + 1)
    tw, vw = t[window], v[window]
    top = np.maximum.accumulate(vw)
    fallen = vw < top - FALL_MPS
    ago = np.interp(tw - STALL_S, tw, vw, left=-np.inf)
    stalled = (vw - ago < STALL_MPS2 * STALL_S) & (tw - tw[0] > STALL_S)
    steps = np.diff(tw, prepend=tw[0])
    gap = steps > max(4.0, 4 * motion.step_s)
    over = fallen | stalled | gap
    if not over.any():
        return last, "drive ended" if last >= len(t) - 1 else "lifted"
    k = int(np.argmax(over))
    if gap[k]:
        return start + max(k - 1, 0), "gap"
    return start + k, "lifted" if fallen[k] else "reached its peak"


def _describe(
    motion: Motion, fixes: Fixes, still: HeightsAtRest, options: Options, pull: _Pull, launch: Launch,
    habit: LaunchHabit | None,
) -> Run:  # fmt: skip
    _, departed, peak, end, why, broken, last = pull
    t, v = motion.t_s, motion.speed_mps
    some = launch.likeliest(6)
    more = motion.receiver.undone_s + motion.receiver.smoothing_doubt_s
    smoother = _launch(motion, fixes, options, pull, habit, some, more, launch.looked)
    t0, stop = launch.t0_s, float(t[peak])
    path = _Path(motion, launch, departed, peak, (launch.among(some), smoother))
    speeds = options.speeds_mps if options.speeds_mps is not None else default_speeds(float(v[peak]), options.unit)
    reached = max(float(v[peak]), float(launch.speed.max()))
    asked = sorted(speed for speed in speeds if speed <= reached)
    extra = [*([options.threshold_mps] if options.threshold_mps else []), *LAUNCH_SPEEDS_MPS]
    *passed, ten, fifteen = path.passings([*asked, *extra])
    splits = path.splits(asked, passed[: len(asked)], passed[-1] if options.threshold_mps else None)
    ways = path.at_distances(sorted(options.distances_m))
    why, words = _ending(motion, departed, peak, end, why, broken, last, options.unit)
    from_first = (launch.one_foot - launch.t0, np.hypot(launch.one_foot_sigma, launch.t0_sigma))
    one_foot, one_foot_sigma = moments(launch.weight, *from_first)
    accel = motion.accel_mps2[departed : peak + 1]
    return Run(
        n=0,
        kind="standing",
        start_s=t0,
        start_sigma_s=launch.t0_sigma_s,
        start_utc_ns=motion.epoch_utc_ns + round(t0 * 1e9),
        end_s=stop,
        direction_deg=direction(fixes, t0, stop),
        grade=grade(motion, fixes, t0, stop, still),
        peak_mps=float(v[peak]),
        ended=why,
        ended_words=words,
        one_foot_s=one_foot,
        one_foot_sigma_s=one_foot_sigma,
        splits=splits,
        at_distances=ways,
        launch=_launch_quality(motion, launch, ten, fifteen, peak),
        distance_m=path.way(stop)[0],
        peak_accel_mps2=float(accel.max()),
        mean_accel_mps2=float(v[peak]) / max(stop - t0, 1e-3),
        gear_changes_s=_gear_changes(motion, t0, departed, peak),
        gaps=[gap for gap in motion.gaps if gap.end_s > t0 and gap.start_s < stop],
        quality=quality(motion, fixes, t0, stop),
        notes=list(launch.notes),
        place=place(fixes, t0, stop),
        rise_log=launch.rise_log,
        foot_at_sigma_s=launch.one_foot_sigma_s,
    )


class _Path:
    """A standing run's motion: the launch fit to begin with, the smoothed motion from there on."""

    def __init__(
        self, motion: Motion, launch: Launch, departed: int, peak: int, smoothed: tuple[Launch, Launch]
    ) -> None:
        self._motion, self._launch, self._departed, self._peak = motion, launch, departed, peak
        self._smoothed = smoothed
        # Trust the fit's end less than its inside: hand over a little before.
        self._hand_over = launch.until_s - 0.25 * (launch.until_s - launch.t0_s)
        inside, spread = launch.at(self._hand_over, launch.way), launch.way_sigma_at(self._hand_over)
        self._joined, self._joined_sigma = moments(launch.weight, inside, spread)
        self._offset = float(motion.distance_at([self._hand_over])[0])
        # Of what is in doubt of the smoothing, what is another with each drive and what is alike in all.
        squares = np.array(motion.receiver.squares_left_s2)
        self._chance, self._kind = (squares / max(float(np.hypot(*squares)), 1e-9)).tolist()

    def way(self, time: float) -> tuple[float, float]:
        """Way from rest at a time after the launch fit [m], and its sigma."""
        return self._ways([time])[0]

    def _gone(self, times: Floats | list[float]) -> Floats:
        return self._joined + self._motion.distance_at(times) - self._offset

    def _ways(self, times: list[float]) -> list[tuple[float, float]]:
        motion, ways = self._motion, self._gone(times)
        spread = np.interp([self._hand_over, *times], motion.t_s, motion.distance_sigma)
        sigmas = np.sqrt(self._joined_sigma**2 + np.maximum(spread[1:] ** 2 - spread[0] ** 2, 0.0))
        return list(zip(ways.tolist(), sigmas.tolist(), strict=True))

    def passings(self, speeds: Sequence[float]) -> list[Passing | None]:
        """When each of the speeds was passed; None where it was not."""
        launch, motion = self._launch, self._motion
        found = launch.passings(speeds, "speed")
        late = [k for k, early in enumerate(found) if early is None or early.time_s >= self._hand_over]
        after = max(self._hand_over - 1.0, float(motion.t_s[self._departed - 1]))
        crossings = when_each_passed(motion, [speeds[k] for k in late], after, self._peak)
        for k, crossing in zip(late, crossings, strict=True):
            if crossing is not None:
                found[k] = self._join(*crossing[:2])
            elif speeds[k] > motion.speed_mps[self._peak]:  # else passed before the smoothed speed is looked at
                found[k] = None
        return found

    def _join(self, time: float, sigma: float) -> Passing:
        launch = self._launch
        return Passing(
            time, sigma, time - launch.t0_s, math.hypot(sigma, launch.t0_sigma_s),
            time - launch.one_foot_s, math.hypot(sigma, launch.one_foot_sigma_s),
        )  # fmt: skip

    def splits(
        self, speeds: Sequence[float], found: Sequence[Passing | None], threshold: Passing | None
    ) -> list[Split]:
        """The splits at those of the speeds that were passed; `found`: when."""
        passed = [(speed, passing) for speed, passing in zip(speeds, found, strict=True) if passing is not None]
        early = [passing.time_s < self._hand_over for _, passing in passed]
        later = [passing.time_s for _, passing in passed if passing.time_s >= self._hand_over]
        ways = iter(self._ways(later) if later else [])
        # Where the way is fitted, it is read off each start at the time of the passing.
        soon = np.array([passing.time_s for _, passing in passed if passing.time_s < self._hand_over])
        fitted = iter(self._launch.at(soon, self._launch.way))
        weight = self._launch.weight
        each_way = (
            moments(weight, values := next(fitted), np.zeros_like(values)) if is_early else next(ways)
            for is_early in early
        )  # fmt: skip
        low = [speed for (speed, _), is_early in zip(passed, early, strict=True) if is_early]
        shifted = dict(
            zip(low, zip(*(each.passings(low, "speed") for each in self._smoothed), strict=True), strict=True)
        )
        return [
            self._split(speed, passing, threshold, way, self._shifted(shifted.get(speed, (None, None))))
            for (speed, passing), way in zip(passed, each_way, strict=True)
        ]

    def _split(
        self, speed: float, passing: Passing, threshold: Passing | None, way: tuple[float, float],
        shifted: tuple[float, float],
    ) -> Split:  # fmt: skip
        way = way[0], math.hypot(way[1], passing.sigma_s * speed)
        late = (math.nan, math.nan)
        if threshold is not None and passing.time_s > threshold.time_s:
            late = passing.time_s - threshold.time_s, math.hypot(passing.sigma_s, threshold.sigma_s)
        first, foot = shifted
        return Split(
            speed, passing.from_t0_s, math.hypot(passing.from_t0_sigma_s, self._chance * first),
            passing.from_foot_s, math.hypot(passing.from_foot_sigma_s, self._chance * foot), *way, *late,
            self._kind * foot,
        )  # fmt: skip

    def _shifted(self, pair: tuple[Passing | None, Passing | None]) -> tuple[float, float]:
        """How far the times from first movement and from one foot move if the receiver smooths by as much more as is in
        doubt: told by the likeliest rises, for a speed that both of their fits passed."""
        (was, now), doubt_s = pair, self._motion.receiver.smoothing_doubt_s
        if was is not None and now is not None:
            return abs(now.from_t0_s - was.from_t0_s), abs(now.from_foot_s - was.from_foot_s)
        # In a steady pull a first-order filter shows every speed late by its time.
        plain, smoother = self._smoothed
        first, foot = smoother.t0_s - plain.t0_s, smoother.one_foot_s - plain.one_foot_s
        return abs(doubt_s + first), abs(doubt_s + foot)

    def at_distances(self, metres: Sequence[float]) -> list[DistanceSplit]:
        """The splits at those of the ways [m] that were gone."""
        launch, motion = self._launch, self._motion
        low, high = self._hand_over, float(motion.t_s[self._peak])
        (nearest, _), (farthest, _) = self._ways([low, high])
        found: dict[float, Passing] = {}
        late = []
        for way, passing in zip(metres, launch.passings(metres, "way"), strict=True):
            if passing is not None and passing.time_s <= low:
                found[way] = passing
            elif nearest <= way <= farthest:
                late.append(way)
        if late:
            times = np.interp(np.array(late) - self._joined + self._offset, motion.distance_m, motion.t_s)
            for _ in range(4):
                speeds = np.maximum(motion.mean_at(times)[0], 0.1)
                times = times + (late - self._gone(times)) / speeds
            spread = [sigma for _, sigma in self._ways(times.tolist())]
            for way, time, speed, sigma in zip(late, times.tolist(), speeds.tolist(), spread, strict=True):
                found[way] = self._join(time, sigma / speed)
        gone_by = [(way, found[way]) for way in metres if way in found]
        state = motion.at([passing.time_s for _, passing in gone_by])
        each = zip(gone_by, state.speed_mps.tolist(), state.speed_sigma.tolist(), strict=True)
        return [DistanceSplit(way, *passing[2:], speed, sigma) for (way, passing), speed, sigma in each]


def _ending(
    motion: Motion, departed: int, peak: int, end: int, why: Ended, broken: bool, last: int, unit: str
) -> tuple[Ended, str]:
    """How a run ended, in one word and in a sentence's worth of words, speeds in `unit`."""
    t, v, a = motion.t_s, motion.speed_mps, motion.accel_mps2
    if broken:
        return "broken by traffic", "held up, then accelerated again"
    after = v[end : last + 1]
    later = t[end : last + 1] < t[end] + 10.0
    if why in ("lifted", "reached its peak") and later.any() and after[later].max(initial=0.0) > v[peak] + FALL_MPS:
        return "broken by traffic", f"eased off at {v[peak] / SPEED_UNITS[unit]:.0f} {unit}, then accelerated again"
    if why in ("gap", "drive ended"):
        return why, {"gap": "fixes are missing from here", "drive ended": "the recording ends here"}[why]
    since = np.s_[departed : np.searchsorted(t, t[peak] + 1.5 + motion.step_s)]
    top, t, a = t[peak], t[since], a[since]
    before = (t > top - 2.0 - motion.step_s) & (t < top - 0.3)
    behind = t > top + 0.2
    pulling = float(np.median(a[before])) if before.any() else 0.0
    slowing = float(np.median(a[behind])) if behind.any() else 0.0
    if pulling > 0.12 and slowing < -0.1:
        if slowing < -1.2:
            return "lifted", f"braked, still gaining {pulling / SPEED_UNITS[unit]:.1f} {unit} a second"
        return "lifted", f"lifted, still gaining {pulling / SPEED_UNITS[unit]:.1f} {unit} a second"
    return "reached its peak", f"gained {max(pulling, 0.0) / SPEED_UNITS[unit]:.1f} {unit} a second at its end"


def _name_aborted(found: list[Run], options: Options) -> list[Run]:
    """A run that was given up early: before every speed asked for, or well short of the drive's others."""
    peaks = [run.peak_mps for run in found if run.kind == "standing" and run.clean]
    out = []
    for run in found:
        if run.kind == "standing" and run.ended in ("lifted", "reached its peak"):
            asked = min(options.speeds_mps) if options.speeds_mps else None
            short = asked is not None and run.peak_mps < asked
            others = len(peaks) >= 2 and run.peak_mps < 0.75 * float(np.median(peaks))
            if short or others:
                words = f"given up at {speed_label(run.peak_mps, options.unit)}"
                run = replace(run, ended="aborted", ended_words=words)
        out.append(run)
    return out


def _gear_changes(motion: Motion, t0: float, departed: int, peak: int) -> list[float]:
    """Short pauses of acceleration inside a pull: half of what was before and after is missing, for 0.15 to 2 s."""
    if motion.step_s > 0.25:
        return []
    t = motion.t_s[departed : peak + 1]
    a = motion.accel_mps2[departed : peak + 1]
    spread = motion.accel_sigma[departed : peak + 1]
    if len(t) < 10:
        return []
    found = []
    for first, last in stretches(a < 0.02):
        before = (t > t[first] - 1.0) & (t < t[first])
        after = (t > t[last]) & (t < t[last] + 1.2)
        if first == 0 or last >= len(t) - 1 or t[last] - t[first] > 2.0 or not before.any() or not after.any():
            continue
        depth = min(float(a[before].max()), float(a[after].max())) - float(a[first : last + 1].min())
        if depth > max(0.25, 4 * float(spread[first : last + 1].min())):
            found.append(float((t[first] + t[last]) / 2 - t0))
    return found


LAUNCH_SPEEDS_MPS = (10 * MPS_PER_MPH, 15 * MPS_PER_KMH)
"""What a launch's quality is told by."""


def _launch_quality(
    motion: Motion, launch: Launch, ten: Passing | None, fifteen: Passing | None, peak: int
) -> LaunchQuality:
    """`ten`, `fifteen`: when it passed LAUNCH_SPEEDS_MPS."""
    nan = (math.nan, math.nan)
    told = [(passing.from_t0_s, passing.from_t0_sigma_s) if passing else nan for passing in (ten, fifteen)]
    x = launch.x
    accel = np.gradient(launch.weight.likely @ launch.speed, x)
    inside = x <= launch.until_s - launch.t0_s
    t = motion.t_s[: peak + 1]
    later = np.s_[np.searchsorted(t, launch.until_s, side="right") : np.searchsorted(t, launch.t0_s + 8.0)]
    times = np.concatenate([x[inside], t[later] - launch.t0_s])
    values = np.concatenate([accel[inside], motion.accel_mps2[: peak + 1][later]])
    top = float(values.max())
    grid = np.arange(0.0, float(times[-1]), 0.02)
    gained = np.concatenate([[0.0], np.cumsum(np.interp(grid, times, values))[:-1]]) * 0.02
    half = float((gained[25:] - gained[:-25]).max() / 0.5) if len(grid) > 26 else math.nan
    rise = float(times[np.argmax(values >= 0.7 * half)]) if np.isfinite(half) else math.nan
    return LaunchQuality(*told[0], *told[1], top, half, rise, rise > SOFT_RISE_S)


# --- rolling runs -------------------------------------------------------------------------------------------------


def _rolling(motion: Motion, fixes: Fixes, options: Options) -> list[Run]:
    assert options.from_mps is not None and options.to_mps is not None
    low, high = options.from_mps, options.to_mps
    if not low < high:
        raise ValueError("a rolling run needs a first speed below its last")
    t, v = motion.t_s, motion.speed_mps
    still = HeightsAtRest(motion, fixes)
    found: list[Run] = []
    ups = np.flatnonzero((v[:-1] < low) & (v[1:] >= low))
    busy_until = -math.inf
    for i in ups:
        if t[i] < busy_until:
            continue
        end, why = _follow(motion, int(i), len(t) - 1)
        window = v[i : end + 1]
        if window.max() < high:
            continue
        peak = int(i) + int(np.argmax(window))
        start = when_passed(motion, low, float(t[i]), peak)
        finish = when_passed(motion, high, float(t[i]), peak)
        if start is None or finish is None:
            continue
        # Steady: never slower than the first speed again on its way.
        if v[i + 1 : np.searchsorted(t, finish[0])].min(initial=math.inf) < low - 3 * motion.noise.reading_sigma_mps:
            continue
        busy_until = finish[0]
        asked = options.speeds_mps or default_speeds(high, options.unit)
        speeds = sorted({speed for speed in asked if low < speed < high} | {high})
        way0 = float(motion.distance_at([start[0]])[0])
        splits = []
        for speed in speeds:
            crossing = when_passed(motion, speed, start[0], peak)
            if crossing is None:
                continue
            gains = max(start[2], 0.02) * max(crossing[2], 0.02)
            shared = motion.speed_covariance(start[0], crossing[0]) / gains
            sigma = math.sqrt(max(start[1] ** 2 + crossing[1] ** 2 - 2 * shared, 1e-8))
            way = float(motion.distance_at([crossing[0]])[0]) - way0
            splits.append(Split(speed, crossing[0] - start[0], sigma, math.nan, math.nan, way, sigma * speed))
        begin, stop = start[0], finish[0]
        inside = (t >= begin) & (t <= stop)
        why, words = _ending(motion, int(i), peak, end, why, False, len(t) - 1, options.unit)
        found.append(
            Run(
                n=0, kind="rolling", start_s=begin, start_sigma_s=start[1],
                start_utc_ns=motion.epoch_utc_ns + round(begin * 1e9), end_s=stop,
                direction_deg=direction(fixes, begin, stop), grade=grade(motion, fixes, begin, stop, still),
                peak_mps=float(v[peak]), ended=why, ended_words=words, one_foot_s=math.nan, one_foot_sigma_s=math.nan,
                splits=splits, at_distances=[], launch=None,
                distance_m=float(motion.distance_at([stop])[0]) - way0,
                peak_accel_mps2=float(motion.accel_mps2[inside].max(initial=-math.inf)),
                mean_accel_mps2=(high - low) / (stop - begin),
                gear_changes_s=_gear_changes(motion, begin, int(i), min(int(np.searchsorted(t, stop)), peak)),
                gaps=[gap for gap in motion.gaps if gap.end_s > begin and gap.start_s < stop],
                quality=quality(motion, fixes, begin, stop), place=place(fixes, begin, stop),
            )
        )  # fmt: skip
    return found


def tip_in_delay(motion: Motion, run: Run, t_s: Floats, opening: Floats) -> tuple[float, float] | None:
    """From throttle (or manifold pressure) to acceleration: delay and sigma [s]; None where no opening is seen.

    `opening` at `t_s`, on the fixes' axis: the throttle moves when it has gone half the way from what it was before the
    run to what it is in it, within 3 s before and 2 s after the run's start.
    """
    near = (t_s > run.start_s - 3.0) & (t_s < run.start_s + 2.0) & np.isfinite(opening)
    if near.sum() < 5:
        return None
    t, value = t_s[near], opening[near]
    closed, opened = (float(x) for x in np.quantile(value, [0.05, 0.95]))
    if opened - closed <= 5 * float(np.median(np.abs(np.diff(value)))) + 1e-9:
        return None
    over = value >= (closed + opened) / 2
    k = int(np.argmax(over))
    if k == 0:
        return None
    part = ((closed + opened) / 2 - value[k - 1]) / (value[k] - value[k - 1])
    moved = float(t[k - 1] + part * (t[k] - t[k - 1]))
    return run.start_s - moved, math.hypot(run.start_sigma_s, float(t[k] - t[k - 1]) / math.sqrt(12))
