"""A stretch of a drive: when a speed was passed, which way it led, how steep it was, what the receiver was worth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from analysis.arrays import Codes, Floats
from analysis.motion.fixes import Fixes, within
from analysis.motion.geodesy import track_length
from analysis.motion.noise import Interval
from analysis.motion.smoother import Motion


@dataclass(frozen=True)
class Grade:
    """Mean grade of the way of a run, in percent (uphill above zero), by regression of GPS altitude on way."""

    percent: float
    sigma: float


@dataclass(frozen=True)
class Quality:
    """What the receiver was worth during a run."""

    rate_hz: float
    fixes: int
    noise_mps: float
    satellites_min: float
    hdop_max: float


class Crossing(NamedTuple):
    """When a speed was passed [s], its sigma, and the acceleration there [m/s2]."""

    time_s: float
    sigma_s: float
    accel_mps2: float


SLOW_S = 0.6
"""Fixes further apart than this tell little of how a launch rises, and a gear change hides between them."""


def when_passed(motion: Motion, speed: float, after_s: float, peak: int) -> Crossing | None:
    """First time at or after `after_s` (and before the peak) that the smoothed speed passes `speed`. Where the speed is
    all but reached, lost again (a gear change) and passed later, the time is the mean over both, by how likely it was
    reached at first."""
    return when_each_passed(motion, [speed], after_s, peak)[0]


def when_each_passed(motion: Motion, speeds: Sequence[float], after_s: float, peak: int) -> list[Crossing | None]:
    """The same for many speeds, found together."""
    t, v = motion.t_s, motion.speed_mps
    first = max(int(np.searchsorted(t, after_s, side="right")) - 1, 0)
    window, sigma = v[first : peak + 1], motion.speed_sigma[first : peak + 1]
    asked = np.asarray(speeds, float)[:, None]
    up = (window[:-1] < asked) & (window[1:] >= asked)
    top = (window[1:-1] >= window[:-2]) & (window[1:-1] > window[2:])
    off = (window - asked) / np.maximum(sigma, 1e-4)
    tops = top & (off[:, 1:-1] > -3.5)
    rows = np.arange(len(asked))
    passed = np.flatnonzero(up.any(1))
    at = 1 + np.argmax(tops, 1) if tops.shape[1] else np.zeros(len(asked), np.intp)
    later = up & (np.arange(up.shape[1]) >= at[:, None])
    again = np.zeros(len(asked), bool)
    if tops.shape[1]:
        again = up.any(1) & tops.any(1) & (off[rows, at] <= 3.5) & later.any(1)
    doubted = np.flatnonzero(again)
    found = _crossings(
        motion, np.concatenate([asked[passed, 0], asked[doubted, 0]]),
        first + np.concatenate([np.argmax(up[passed], 1), np.argmax(later[doubted], 1)]) if len(passed) else passed,
    )  # fmt: skip
    out: list[Crossing | None] = [None] * len(asked)
    for k, each in zip(passed.tolist(), found, strict=False):
        out[k] = each
    for k, second in zip(doubted.tolist(), found[len(passed) :], strict=True):
        early = out[k]
        assert early is not None
        out[k] = _either(motion, float(asked[k, 0]), first + int(at[k]), early, second)
    return out


def _either(motion: Motion, speed: float, top: int, found: Crossing, later: Crossing) -> Crossing:
    """When a speed was passed that was all but reached at the fix `top`, or passed later."""
    # The top may lie between fixes.
    times = np.linspace(motion.t_s[top - 1], motion.t_s[top + 1], 9)
    state = motion.at(times)
    k = int(np.argmax(state.speed_mps))
    reached = 0.5 * math.erfc(-(state.speed_mps[k] - speed) / state.speed_sigma[k] / math.sqrt(2))
    early = min(found.time_s, float(times[k]))
    apart = later.time_s - early
    early_sigma = min(found.sigma_s, abs(apart) / 2) if found.time_s < later.time_s else motion.step_s
    time = reached * early + (1 - reached) * later.time_s
    square = reached * early_sigma**2 + (1 - reached) * later.sigma_s**2 + reached * (1 - reached) * apart**2
    return Crossing(time, math.sqrt(square), found.accel_mps2 if reached > 0.5 else later.accel_mps2)


def _crossings(motion: Motion, speeds: Floats, i: Codes) -> list[Crossing]:
    """When the smoothed speed passes each of the speeds between fixes i and i + 1."""
    t, v, a = motion.t_s, motion.speed_mps, motion.accel_mps2
    h, v0, v1, a0, a1 = t[i + 1] - t[i], v[i], v[i + 1], a[i], a[i + 1]
    # The smoother's mean between two fixes is the cubic with their speeds and accelerations.
    once, square, cube = h * a0, 3 * (v1 - v0) - h * (2 * a0 + a1), 2 * (v0 - v1) + h * (a0 + a1)
    left, width = np.zeros(len(i)), 1.0
    for _ in range(45):
        width /= 2
        u = left + width
        left = np.where(((cube * u + square) * u + once) * u + v0 < speeds, u, left)
    time = t[i] + (left + width / 2) * h
    state = motion.at(time)
    slope = np.maximum(np.maximum(state.accel_mps2, 2 * state.accel_sigma / 3), 0.02)
    sigma = np.hypot(state.speed_sigma / slope, _lost_s(motion, i) / math.sqrt(3))
    each = zip(time.tolist(), sigma.tolist(), state.accel_mps2.tolist(), strict=True)
    return [Crossing(*values) for values in each]


def _lost_s(motion: Motion, i: Codes) -> Floats:
    """How long no speed was gained between fixes i and i + 1 [s], by what was gained in the two stretches before and
    the two after; 0 where fixes are near enough to show it. A gear change there may lie before a passing or after."""
    if motion.step_s <= SLOW_S:
        return np.zeros(len(i))
    step = np.diff(motion.t_s)
    gained = np.diff(motion.speed_mps) / step
    two, last = np.array([1, 2]), len(gained) - 1
    before = gained[np.clip(i[:, None] - two, 0, last)].max(1)
    after = gained[np.clip(i[:, None] + two, 0, last)].max(1)
    beside = np.maximum(np.minimum(before, after), 1e-3)
    by_chance = 3 * motion.noise.reading_sigma_mps / step[i]
    return np.asarray(step[i] * np.clip(1 - (gained[i] + by_chance) / beside, 0, 1))


def direction(fixes: Fixes, start: float, stop: float) -> float:
    """Mean course weighted by speed; NaN where courses are missing."""
    fixes = fixes.between(start, stop)
    inside = (fixes.speed_mps > 2) & np.isfinite(fixes.course_deg)
    if not inside.any():
        return math.nan
    course = np.radians(fixes.course_deg[inside])
    weight = fixes.speed_mps[inside]
    return (
        math.degrees(math.atan2(float(np.sum(weight * np.sin(course))), float(np.sum(weight * np.cos(course))))) % 360
    )


GRIP_MPS2 = 10.0
"""Road tyres hold about 1 g (Gillespie, Fundamentals of Vehicle Dynamics, from memory)."""


def turned_about(motion: Motion, fixes: Fixes, after_s: float, departed_s: float) -> Interval | None:
    """Between which two fixes a car that rolled back before it pulled away turned, by its course; None where it did not
    or courses are missing.

    Fixes from `after_s` on that move against the way in which the car then leaves; a course is one where the speed
    stands clear of the noise. An error that is larger than the speed turns the course too, so neither strays count nor
    what no car could have turned to or from.
    """
    every, step, noise_mps = fixes.t_s, motion.step_s, motion.noise.reading_sigma_mps
    first_at = int(np.searchsorted(every, after_s))
    fixes = fixes.between(after_s, departed_s + 8.0)
    t, v = fixes.t_s, fixes.speed_mps
    known = np.isfinite(fixes.course_deg) & (np.interp(t, motion.t_s, motion.trust) > 0.5)
    leaving = known & (t >= departed_s) & (v > 2.0) & (t < departed_s + 8.0)
    first = np.flatnonzero(leaving)[:8]
    before = np.flatnonzero(known & (t >= after_s) & (t < departed_s + 0.5) & (v > max(0.35, 6 * noise_mps)))
    if len(first) == 0 or len(before) == 0:
        return None
    way = math.atan2(
        float(np.sin(np.radians(fixes.course_deg[first])).sum()),
        float(np.cos(np.radians(fixes.course_deg[first])).sum()),
    )
    along = np.cos(np.radians(fixes.course_deg[before]) - way)
    back, forward = before[along < math.cos(math.radians(110))], before[along > 0]
    back = _turned_to(back, forward, t, v, 6 * noise_mps)
    if len(back) == 0 or len(back) < min(3.0, 0.5 / step):
        return None
    last = first_at + int(back[-1])
    return Interval(float(every[last]), float(every[min(last + 1, len(every) - 1)]) + (0.4 if step < 0.4 else 0.0))


def _turned_to(back: Codes, forward: Codes, t: Floats, v: Floats, slack_mps: float) -> Codes:
    """Of the fixes `back` the groups, each between two fixes forwards, to and from which a car could have turned as
    tyres grip; `slack_mps` is what errors may add."""
    group = np.searchsorted(forward, back)
    kept = []
    for k in np.unique(group):
        mine = back[group == k]
        beside = [(f, mine[end]) for f, end in ((k - 1, 0), (k, -1)) if 0 <= f < len(forward)]
        jumps = [(v[forward[f]] + v[b] - slack_mps) / abs(t[forward[f]] - t[b]) for f, b in beside]
        if all(jump <= GRIP_MPS2 for jump in jumps):
            kept.append(mine)
    return np.concatenate(kept) if kept else back[:0]


def grade(motion: Motion, fixes: Fixes, start: float, stop: float, still: HeightsAtRest) -> Grade:
    """Slope of altitude over way by least squares. GPS altitude wanders; how far it wanders within the run's time is
    taken from where the car stood (else 0.5 m in ten seconds, growing with the root of time: common practice). NaN
    where heights were not measured over half of the way."""
    fixes = fixes.between(start, stop)
    inside = np.isfinite(fixes.alt_m)
    if inside.sum() < 3:
        return Grade(math.nan, math.nan)
    way = motion.distance_at(fixes.t_s[inside])
    alt = fixes.alt_m[inside]
    good = np.isfinite(way)
    way, alt = way[good] - np.mean(way[good]), alt[good] - np.mean(alt[good])
    spread = float(np.sum(way**2))
    whole = float(np.diff(motion.distance_at([start, stop]))[0])
    if spread < 100.0 or not np.ptp(way) >= 0.5 * whole:
        return Grade(math.nan, math.nan)
    slope = float(np.sum(way * alt) / spread)
    wander = still.wander_m(stop - start)
    # A drift of `wander` over the run tilts the line by it; what is left as scatter adds the usual least-squares part.
    scatter = float(np.std(alt - slope * way))
    sigma = math.hypot(wander / float(np.ptp(way)), scatter / math.sqrt(spread) * 2)
    return Grade(100 * slope, 100 * sigma)


class HeightsAtRest:
    """How the reported heights of a drive wander while it stands."""

    def __init__(self, motion: Motion, fixes: Fixes) -> None:
        self._stood: list[tuple[Floats, Floats]] = []
        half = []
        for rest in motion.rests:
            inside = within(fixes.t_s, rest.start_s, rest.end_s)
            known = np.isfinite(fixes.alt_m[inside])
            t, alt = fixes.t_s[inside][known], fixes.alt_m[inside][known]
            # A height that never changed was held with the position: that tells nothing of how it wanders.
            if len(t) >= 4 and np.ptp(alt) != 0:
                self._stood.append((t, alt))
                half.append((rest.end_s - rest.start_s) / 2)
        self._half_s = np.array(half)
        over_half = [self._changes(k, lag) for k, lag in enumerate(half)]
        self._square_of_half, self._count_of_half = np.array(over_half).reshape(-1, 2).T

    def _changes(self, k: int, lag_s: float) -> tuple[float, int]:
        """Mean square change over so long at one rest [m2], and by how many fixes."""
        t, alt = self._stood[k]
        later = np.interp(t + lag_s, t, alt, right=np.nan)
        change = (later - alt)[np.isfinite(later)]
        return (float(np.mean(change**2)), len(change)) if len(change) else (0.0, 0)

    def wander_m(self, seconds: float) -> float:
        """Root mean square change of the reported altitude over `seconds` of standing still [m]."""
        usual = 0.5 * math.sqrt(seconds / 10.0)
        # Of a rest that is short beside it what half of it shows, in proportion; of others what is asked for.
        short = (self._half_s >= 2) & (self._half_s <= seconds)
        squares, counts = self._square_of_half[short] * seconds / self._half_s[short], self._count_of_half[short]
        if seconds >= 2 and (longer := np.flatnonzero(self._half_s > seconds)).size:
            more = np.array([self._changes(int(k), seconds) for k in longer]).T
            squares, counts = np.append(squares, more[0]), np.append(counts, more[1])
        n = int(np.count_nonzero(counts))
        if n == 0:
            return usual
        # One standing tells little about wander as slow as this: a prior of two standings at the usual value.
        return math.sqrt((float(np.average(squares, weights=counts)) * n + 2 * usual**2) / (n + 2))


@dataclass(frozen=True)
class Disagreement:
    """The way of a drive by its speeds and by its positions, where they differ by more than either allows [m]."""

    by_speed_m: float
    by_track_m: float

    @property
    def words(self) -> str:
        return f"{self.by_speed_m / 1000:.2f} km by speed and {self.by_track_m / 1000:.2f} km by its track"


def disagreement(motion: Motion, fixes: Fixes) -> Disagreement | None:
    """Whether the way by speed and the track disagree, by more than 2 % and three standard errors; None where they do
    not or there are no positions. `fixes` are those that `motion` is made of."""
    by_track, wander = track_length(motion.distance_m, fixes.lat_deg, fixes.lon_deg, fixes.alt_m)
    by_speed = float(motion.distance_m[-1])
    if not math.isfinite(by_track) or by_speed < 200.0:
        return None
    allowed = max(0.02 * by_speed, 3 * math.hypot(wander, float(motion.distance_sigma[-1])))
    return Disagreement(by_speed, by_track) if abs(by_speed - by_track) > allowed else None


def quality(motion: Motion, fixes: Fixes, start: float, stop: float) -> Quality:
    inside = fixes.between(start, stop)
    n, satellites, hdop = len(inside), inside.satellites, inside.hdop
    return Quality(
        (n - 1) / (stop - start) if n > 1 else math.nan,
        n,
        motion.noise.sigma_mps,
        float(np.nanmin(satellites)) if np.isfinite(satellites).any() else math.nan,
        float(np.nanmax(hdop)) if np.isfinite(hdop).any() else math.nan,
    )


def place(fixes: Fixes, start: float, stop: float) -> tuple[float, float, float, float]:
    """Where a stretch began and ended [deg]: latitude and longitude of each, NaN where no place is known."""
    inside = within(fixes.t_s, start, stop)
    around = fixes.only(slice(max(inside.start - 1, 0), inside.stop + 1))
    if np.isfinite([around.lat_deg[[0, -1]], around.lon_deg[[0, -1]]]).all():
        fixes = around
    good = np.isfinite(fixes.lat_deg) & np.isfinite(fixes.lon_deg)
    if good.sum() < 2:
        return (math.nan, math.nan, math.nan, math.nan)
    t = fixes.t_s[good]
    lat, lon = (np.interp([start, stop], t, values[good]) for values in (fixes.lat_deg, fixes.lon_deg))
    return float(lat[0]), float(lon[0]), float(lat[1]), float(lon[1])
