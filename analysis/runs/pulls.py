"""Pulls of a drive, standing and rolling: what each tells of the power at the wheels, band of speed by band.

    pulls = find_pulls(motion, fixes, road, standing=runs)        # every stretch that gains speed from 20 mph on
    pulls[0].log_power, pulls[0].covariance                       # one figure for each band of 5 mph it crossed

A stretch that gains speed is a pull, at whatever throttle: which of them were full ones is told over a season, where
the same setup's starts show what it can do (`changes.full_power`). Each is read from a third of a second after it took
hold, so that neither the foot nor the belt speaks, up to a third of a second before it ends.

**A band.** Least squares of v^2/2 on time over the readings in the band: at constant power a straight line, whatever
the window. Its slope is the mean rate of energy, weighted by a parabola over the band; road load in the day's air is
averaged by the same weights and added:

    P / m = (1 + r) d(v^2/2)/dt + (a + b v + c (v + w)^2) v                                    [W/kg]           (1)

Kept is the rate, so that the car's newest road load can be put under all of a season's pulls; told is ln(P / m): a
change of power is the same share in every band, and the car's mass drops out of it. Slope and wind are not known here.
How they would act is told beside: d ln P / d slope = g v / P, d ln P / d headwind = 2 c v^2 / P.

**Covariance.** By the receiver alone: white noise, and the part of it that wanders, through the very weights of the
regressions. What else ties seconds of one pull together (the run, a gust, the slope) belongs to the model
(`changes.power_model`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.arrays import Bools, Codes, Floats, running_most, stretches
from analysis.conditions.roadload import GRAVITY, RoadLoad
from analysis.motion.geodesy import plane
from analysis.motion.noise import wander_covariance
from logger.units import MPS_PER_MPH

if TYPE_CHECKING:
    from analysis.motion.fixes import Fixes
    from analysis.motion.smoother import Motion
    from analysis.runs.run import Run

BAND_MPS = 5 * MPS_PER_MPH
"""Width of a band. Band k goes from k to k + 1 times this."""
LOWEST_BAND, HIGHEST_BAND = 4, 19
"""From 20 mph, where no belt or clutch slips any more, to 100 mph."""
SKIP_S = 0.3
"""What is not read at either end of a stretch: the foot on its way, and the smoothing of both ends."""
LEAST_S, LEAST_SHARE = 1.0, 0.5
"""A band is told where it was crossed for so long, or so much of it."""
_GAINS_MPS2 = 0.05
_NEAR_MOST, _STEP_S = 0.7, 2.0
_LEAST_READINGS = 3
_LEAST_POWER = 0.5
_LEAST_WAY_M = 5.0
NODES = np.array([-math.sqrt(3 / 7), 0.0, math.sqrt(3 / 7)])
NODE_WEIGHTS = np.array([7 / 30, 16 / 30, 7 / 30])
"""Gauss's rule for the weight 1 - u^2 on [-1, 1], exact to the fifth power: how a regression weighs its window."""


@dataclass(frozen=True)
class PowerPull:
    """One time at the throttle. Arrays are of shape (k,), one entry a band that it crossed, rising; SI.

    Attributes
    ----------
    n : int
        Its number in the drive, by time, from 1.
    run : int
        The standing run that it belongs to; 0 for a rolling one.
    start_s, end_s, start_utc_ns
        From when to when it is read, on the fixes' axis [s], and its start since 1970 [ns].
    band : array of int
        Which band; see `BAND_MPS`.
    time_s, seconds : array
        Middle of each band's window, on the fixes' axis, and its length [s].
    speed_mps : array
        Mean speed there, weighted as the regression weighs.
    rate : array
        d(v^2/2)/dt [W/kg]. rate_covariance : array, shape (k, k), by the receiver alone.
    lat_deg, lon_deg, heading_deg, way_m : array
        Place of the middle, course there, and way driven in the window; NaN where not known.
    throttle, mixture : float
        Median opening as a share of its full travel, and median mixture; NaN where none was recorded.
    road : RoadLoad
        In the day's air. All that is compared needs one car's: put another in its place by `dataclasses.replace`.
    wind : (m/s, degrees) or None
        Stated, and where it comes from.
    """

    n: int
    run: int
    start_s: float
    end_s: float
    start_utc_ns: int
    band: Codes
    time_s: Floats
    seconds: Floats
    speed_mps: Floats
    rate: Floats
    rate_covariance: Floats
    lat_deg: Floats
    lon_deg: Floats
    heading_deg: Floats
    way_m: Floats
    throttle: float
    mixture: float
    road: RoadLoad
    wind: tuple[float, float] | None = None

    @cached_property
    def power(self) -> Floats:
        """(1) [W/kg], the stated wind taken off; at least 0.5, so that it has a logarithm."""
        road, gained = self.road, self.rate / self.speed_mps
        nodes = self.speed_mps[:, None] + gained[:, None] * (0.5 * self.seconds)[:, None] * NODES[None, :]
        against = np.zeros(len(self.rate))
        if self.wind is not None:
            force, source = self.wind
            pointed = np.isfinite(self.heading_deg)
            against = np.where(pointed, force * np.cos(np.radians(source - self.heading_deg)), 0.0)
        air = road.c_per_m * ((nodes + against[:, None]) * np.abs(nodes + against[:, None]) - nodes**2)
        taken = ((road.at(nodes) + air) * nodes) @ NODE_WEIGHTS
        return np.asarray(np.maximum((1 + road.rotating) * self.rate + taken, _LEAST_POWER))

    @property
    def log_power(self) -> Floats:
        """ln of `power`."""
        return np.asarray(np.log(self.power))

    @property
    def covariance(self) -> Floats:
        """Of `log_power`, by the receiver alone (k, k)."""
        gain = (1 + self.road.rotating) / self.power
        return np.asarray(self.rate_covariance * np.outer(gain, gain))

    @property
    def slope_gain(self) -> Floats:
        """d ln P / d slope: what a rise of 1 m in 1 m takes off `log_power` [-]."""
        return np.asarray(GRAVITY * self.speed_mps / self.power)

    @property
    def wind_gain(self) -> Floats:
        """d ln P / d headwind: what a wind of 1 m/s against the car takes off `log_power` [s/m]."""
        return np.asarray(2 * self.road.c_per_m * self.speed_mps**2 / self.power)


Readings = tuple[Floats, Floats]
"""Times on the fixes' axis [s] and values, each (k,)."""


def find_pulls(
    motion: Motion,
    fixes: Fixes,
    road: RoadLoad,
    standing: Sequence[Run] = (),
    *,
    wind: tuple[float, float] | None = None,
    throttle: Readings | None = None,
    mixture: Readings | None = None,
) -> list[PowerPull]:
    """All pulls of a drive, in order of time. It costs a fraction of what `motion` did.

    Parameters
    ----------
    motion, fixes
        The drive's motion and the cleaned fixes that it is made of.
    road : RoadLoad
        Road load over mass in the day's air.
    standing : sequence of Run
        Its standing runs, to tell which pulls are their upper part.
    wind : (m/s, degrees), optional
        The wind that was stated and where it comes from; taken off as far as the course is known.
    throttle, mixture : (t_s, values), optional
        Recorded opening as a share of full travel, and mixture laid back by its delay.
    """
    starts = [run for run in standing if run.kind == "standing"]
    found: list[PowerPull] = []
    for first, last in _stretches(motion):
        begin, end = _read_between(motion, road, first, last)
        asked = range(LOWEST_BAND, HIGHEST_BAND + 1)
        windows = [each for k in asked if (each := _band(motion, k, first, last, begin, end)) is not None]
        if not windows:
            continue
        of = next((run for run in starts if run.start_s - 0.5 <= begin <= run.end_s + 0.5), None)
        told = [_told(motion, fixes, each) for each in windows]
        speed, rate, time, seconds, lat, lon, heading, way = (np.array(column) for column in zip(*told, strict=True))
        found.append(
            PowerPull(
                n=len(found) + 1,
                run=of.n if of else 0,
                start_s=begin,
                end_s=end,
                start_utc_ns=motion.epoch_utc_ns + round(begin * 1e9),
                band=np.array([each.band for each in windows], np.intp),
                time_s=time,
                seconds=seconds,
                speed_mps=speed,
                rate=rate,
                rate_covariance=_covariance(motion, windows),
                lat_deg=lat,
                lon_deg=lon,
                heading_deg=heading,
                way_m=way,
                throttle=_median(throttle, begin, end),
                mixture=_median(mixture, begin, end),
                road=road,
                wind=wind,
            )
        )
    return found


# --- stretches ----------------------------------------------------------------------------------------------------


def _stretches(motion: Motion) -> list[tuple[int, int]]:
    """First and last fix of each stretch that gains speed without a break and gets beyond the lowest band's edge."""
    gains = motion.accel_mps2 > _GAINS_MPS2
    for gap in motion.gaps:
        gains &= ~((motion.t_s > gap.start_s - 1e-6) & (motion.t_s < gap.end_s + 1e-6))
    top = LOWEST_BAND * BAND_MPS
    return [
        (i, j)
        for i, j in stretches(gains)
        if motion.speed_mps[j] > top and motion.t_s[j] - motion.t_s[i] > LEAST_S + SKIP_S
    ]


def _read_between(motion: Motion, road: RoadLoad, first: int, last: int) -> tuple[float, float]:
    """From when to when a stretch is read [s]: the part with its most power, less what its ends blur.

    So a pull that begins out of a gentle one is read from where the foot went down. A step is told by force and power
    at once: one gear keeps the force and a belt the power.
    """
    t, v, a = (each[first : last + 1] for each in (motion.t_s, motion.speed_mps, motion.accel_mps2))
    force = (1 + road.rotating) * a + road.at(v)
    steady = _no_step(force, motion.step_s) | _no_step(force * v, motion.step_s)
    parts = stretches(steady)
    most = [float(np.median((force * v)[i : j + 1])) if t[j] - t[i] > LEAST_S else 0.0 for i, j in parts]
    begun, ended = parts[int(np.argmax(most))]
    return float(t[begun]) + SKIP_S + 2 * motion.receiver.undone_s, float(t[ended]) - SKIP_S


def _no_step(value: Floats, step_s: float) -> Bools:
    """Where a value is no step below what it is some seconds before or after."""
    reach = max(round(_STEP_S / step_s), 1)
    return np.asarray(value >= _NEAR_MOST * running_most(value, 2 * reach + 1, reach))


class _Window(NamedTuple):
    """The part of a stretch that lies in one band: which of its readings count."""

    band: int
    t_s: Floats
    speed_mps: Floats
    """As read."""
    smooth_mps: Floats

    @property
    def weights(self) -> Floats:
        """By which least squares makes a slope of what was read."""
        t = self.t_s - self.t_s.mean()
        return np.asarray(t / float(np.sum(t**2)))


class _Told(NamedTuple):
    """What a window tells, in the units of `PowerPull`."""

    speed: float
    rate: float
    time: float
    seconds: float
    lat: float
    lon: float
    heading: float
    way: float


def _band(motion: Motion, band: int, first: int, last: int, begin: float, end: float) -> _Window | None:
    """The window of a stretch that lies in a band; None where it is too short."""
    t, v = motion.t_s[first : last + 1], np.maximum.accumulate(motion.speed_mps[first : last + 1])
    low, high = band * BAND_MPS, (band + 1) * BAND_MPS
    if v[-1] <= low or v[0] >= high:
        return None
    start = max(begin, float(np.interp(low, v, t)))
    stop = min(end, float(np.interp(high, v, t)) if v[-1] > high else end)
    if stop <= start:
        return None
    crossed = float(np.interp(stop, t, v) - np.interp(start, t, v)) / BAND_MPS
    if stop - start < LEAST_S and crossed < LEAST_SHARE:
        return None
    within = slice(np.searchsorted(motion.t_s, start - 1e-9), np.searchsorted(motion.t_s, stop + 1e-9, side="right"))
    sure = motion.trust[within] > 0.5
    if sure.sum() < _LEAST_READINGS:
        return None
    return _Window(band, *(each[within][sure] for each in (motion.t_s, motion.reading_mps, motion.speed_mps)))


# --- what the bands tell ------------------------------------------------------------------------------------------


def _told(motion: Motion, fixes: Fixes, window: _Window) -> _Told:
    t = window.t_s
    middle, half = float(t.mean()), 0.5 * float(t[-1] - t[0])
    rate = float(window.weights @ (window.speed_mps**2 / 2))
    nodes = np.interp(middle + half * NODES, motion.t_s, motion.speed_mps)
    way = float(np.ptp(motion.distance_at([t[0], t[-1]])))
    where = _where(fixes, middle, float(t[0]), float(t[-1]))
    return _Told(float(NODE_WEIGHTS @ nodes), rate, middle, 2 * half, *where, way)


def _covariance(motion: Motion, windows: Sequence[_Window]) -> Floats:
    """Covariance of the rates by the receiver's noise, through the regressions' weights (bands, bands)."""
    t = np.concatenate([each.t_s for each in windows])
    weights = np.zeros((len(windows), len(t)))
    at = 0
    for k, each in enumerate(windows):
        weights[k, at : at + len(each.t_s)] = each.weights * each.smooth_mps
        at += len(each.t_s)
    return np.asarray(weights @ wander_covariance(t, motion.noise) @ weights.T)


def _where(fixes: Fixes, middle: float, begin: float, end: float) -> tuple[float, float, float]:
    """Latitude, longitude [deg] and course of the middle of a window; NaN where not known."""
    near = slice(*np.searchsorted(fixes.t_s, [begin - 1.0, end + 1.0]))
    t = fixes.t_s[near]
    lat, lon, course = fixes.lat_deg[near], fixes.lon_deg[near], np.radians(fixes.course_deg[near])
    placed, pointed = np.isfinite(lat) & np.isfinite(lon), np.isfinite(course) & (t >= begin) & (t <= end)
    where = math.nan, math.nan
    if placed.sum() >= 2:
        where = float(np.interp(middle, t[placed], lat[placed])), float(np.interp(middle, t[placed], lon[placed]))
    heading = math.nan
    if pointed.any():
        heading = math.degrees(math.atan2(np.sin(course[pointed]).sum(), np.cos(course[pointed]).sum())) % 360
    elif math.isfinite(where[0]):
        gone = [float(np.ptp(np.interp([begin, end], t[placed], axis)) * np.sign(axis[-1] - axis[0]))
                for axis in plane(lat[placed], lon[placed], where)]  # fmt: skip
        if math.hypot(*gone) > _LEAST_WAY_M:
            heading = math.degrees(math.atan2(*gone)) % 360
    return *where, heading


def _median(readings: Readings | None, begin: float, end: float) -> float:
    if readings is None:
        return math.nan
    told = readings[1][(readings[0] >= begin) & (readings[0] <= end) & np.isfinite(readings[1])]
    return float(np.median(told)) if len(told) else math.nan
