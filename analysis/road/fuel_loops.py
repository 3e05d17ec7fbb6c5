"""Fuel loops: how far, on how much fuel, and how they were driven.

    way = distance(motion, fixes)                         # by Doppler speed and by track, reconciled
    loop = drive_loop(motion, fixes, used)                # consumption with its interval, and how it was driven

Consumption is fuel over distance; its relative variance is the sum of those two's [1]. What fuel was used is told in
`fuel_used`, several loops are put together in `fuel_averages`.

References
----------
[1] ISO/IEC Guide 98-3 (GUM): combining standard uncertainties.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.arrays import Floats
from analysis.motion.geodesy import chord_length, climbed, track_length
from analysis.road import NORMAL_95
from analysis.road.fuel_used import Used
from analysis.wording import short_way_words, way_words, wind_words
from logger.errors import NoAnswer
from logger.units import l_per_100km

if TYPE_CHECKING:
    from analysis.motion.fixes import Fixes
    from analysis.motion.smoother import Motion


SPEED_SCALE_SIGMA, TRACK_SCALE_SIGMA = 0.001, 0.001
"""What a receiver's speed, and its track, may be off by over a whole loop (common practice, no source)."""
USUAL_L_PER_100KM = (1.0, 40.0)
"""Consumption outside of this is taken for a slip of the pen (common practice, no source)."""


# --- distance -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Distance:
    """How far a drive went.

    metres, sigma_m: reconciled [m]. doppler_m, track_m: by the integral of the speed, and along the positions on the
    WGS 84 ellipsoid (NaN without positions), each with its sigma. gap_m: way that no fix covers, midway between its
    straight line and what the speeds at its ends make. agree: whether the two
    differ by no more than their errors allow (99 %).
    """

    metres: float
    sigma_m: float
    doppler_m: float
    doppler_sigma_m: float
    track_m: float
    track_sigma_m: float
    gap_m: float
    agree: bool


def distance(motion: Motion, fixes: Fixes) -> Distance:
    """The way of a whole drive by both methods, each weighted by its error; `fixes` are those that `motion` is made of.

    In a gap the track cuts across, and so does the motion's way; half the difference to what the speeds at its ends
    would make goes into both errors. Where the two disagree, the plain mean is taken with an error that spans both.
    """
    speed_m = float(motion.distance_m[-1])
    speed_sigma = math.hypot(float(motion.distance_sigma[-1]), SPEED_SCALE_SIGMA * speed_m, 0.1)
    track_m, wander = track_length(motion.distance_m, fixes.lat_deg, fixes.lon_deg, fixes.alt_m)
    gap_m = gap_doubt = 0.0
    for gap in motion.gaps:
        first, last = np.searchsorted(motion.t_s, [gap.start_s, gap.end_s])
        # The motion's way takes the straight line here; a car that kept its speed on a bend went further.
        by_speed = (gap.end_s - gap.start_s) * float(motion.speed_mps[[first, last]].mean())
        across = float(chord_length(fixes.lat_deg[[first, last]], fixes.lon_deg[[first, last]])[0])
        gap_m += (by_speed + across) / 2 if math.isfinite(across) else by_speed
        gap_doubt += abs(by_speed - across) / 2 if math.isfinite(across) else 0.1 * by_speed
    speed_sigma = math.hypot(speed_sigma, gap_doubt)
    if not math.isfinite(track_m):
        return Distance(speed_m, speed_sigma, speed_m, speed_sigma, math.nan, math.nan, gap_m, True)
    track_sigma = math.hypot(wander, TRACK_SCALE_SIGMA * track_m, gap_doubt, 0.1)
    agree = abs(speed_m - track_m) <= 2.58 * math.hypot(speed_sigma, track_sigma)
    if agree:
        weight = track_sigma**2 / (speed_sigma**2 + track_sigma**2)
        metres = weight * speed_m + (1 - weight) * track_m
        # One receiver gave both: their errors are taken to be half in common (correlation 0.5).
        a, b = weight * speed_sigma, (1 - weight) * track_sigma
        sigma = math.sqrt(a * a + b * b + a * b)
    else:
        metres, sigma = (speed_m + track_m) / 2, abs(speed_m - track_m) / 2
    return Distance(metres, sigma, speed_m, speed_sigma, track_m, track_sigma, gap_m, agree)


# --- a loop -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Manner:
    """How a loop was driven.

    seconds from first movement to last; stops and standing_s between those; in_band is the share of the seconds within
    the band that was asked for (NaN without one); climb_m all metres gained (wander below 3 m left out), net_climb_m
    from start to end, and closing_m how far apart these are; wind_mps is the stated wind (NaN where none is).
    """

    seconds: float
    standing_s: float
    stops: int
    mean_mps: float
    moving_mean_mps: float
    in_band: float
    below_band: float
    above_band: float
    climb_m: float
    net_climb_m: float
    closing_m: float
    wind_mps: float


@dataclass(frozen=True)
class Loop:
    """A fuel loop. `not_as_asked` says in sentences where it was not driven as such a loop should be."""

    distance: Distance
    used: Used
    manner: Manner
    not_as_asked: list[str] = field(default_factory=list)

    @property
    def m3_per_m(self) -> float:
        """Consumption, volume at 15.6 C over distance [m3/m]."""
        return self.used.volume_m3 / self.distance.metres

    @property
    def own_sigma(self) -> float:
        """Relative standard error from what differs from loop to loop [-]."""
        return math.hypot(self.used.own_sigma_m3 / self.used.volume_m3, self.distance.sigma_m / self.distance.metres)

    @property
    def shared_sigma(self) -> float:
        """Relative standard error from what loops with one fuel share [-]."""
        return self.used.shared_sigma_m3 / self.used.volume_m3

    @property
    def sigma(self) -> float:
        """Relative standard error [-]."""
        return math.hypot(self.own_sigma, self.shared_sigma)

    @property
    def interval(self) -> tuple[float, float]:
        """Consumption, low and high at 95 % [m3/m]."""
        half = NORMAL_95 * self.sigma
        return self.m3_per_m * (1 - half), self.m3_per_m * (1 + half)


def drive_loop(
    motion: Motion,
    fixes: Fixes,
    used: Used,
    wind_mps: float = math.nan,
) -> Loop:
    """The loop that a drive was. NoAnswer where the car went nowhere or no fuel was used."""
    way = distance(motion, fixes)
    if not way.metres > 100:
        raise NoAnswer(f"the drive was only {short_way_words(way.metres)} long, too short for a fuel loop")
    if not used.volume_m3 > 0:
        raise NoAnswer("no fuel was used. Give a volume or weight above zero")
    manner = _manner(motion, fixes, used.band_mps, wind_mps)
    return Loop(way, used, manner, _complaints(way, manner, used))


def _manner(motion: Motion, fixes: Fixes, band: tuple[float, float] | None, wind_mps: float) -> Manner:
    t, v = motion.t_s, motion.speed_mps
    step = np.minimum(np.diff(t, append=t[-1]), max(1.0, 3 * motion.step_s))
    standing = np.zeros(len(t), bool)
    for rest in motion.rests:
        standing |= (t >= rest.start_s) & (t <= rest.end_s)
    moving = np.flatnonzero(~standing)
    first, last = (int(moving[0]), int(moving[-1])) if len(moving) else (0, len(t) - 1)
    during = np.zeros(len(t), bool)
    during[first : last + 1] = True
    seconds = float(t[last] - t[first])
    still = float(step[during & standing].sum())
    stops = sum(1 for rest in motion.rests if t[first] < rest.start_s and rest.end_s < t[last])
    within = below = above = math.nan
    if band is not None:
        total = float(step[during].sum())
        below = float(step[during & (v < band[0])].sum()) / total
        above = float(step[during & (v > band[1])].sum()) / total
        within = 1 - below - above
    way = float(motion.distance_m[last] - motion.distance_m[first])
    alt = fixes.alt_m[np.isfinite(fixes.alt_m)]
    ends = fixes.lat_deg[[first, last]], fixes.lon_deg[[first, last]]
    return Manner(
        seconds, still, stops, way / max(seconds, 1e-9), way / max(seconds - still, 1e-9), within, below, above,
        climbed(alt), _net(alt), float(chord_length(*ends)[0]), wind_mps,
    )  # fmt: skip


def _net(alt: Floats) -> float:
    if len(alt) < 2:
        return math.nan
    few = max(1, min(30, len(alt) // 10))
    return float(alt[-few:].mean() - alt[:few].mean())


def no_cars(m3_per_m: float) -> str:
    """Why a consumption [m3/m] can be no car's, in a question; "" where it can be one's."""
    consumption = l_per_100km(m3_per_m)
    if USUAL_L_PER_100KM[0] <= consumption <= USUAL_L_PER_100KM[1]:
        return ""
    return f"{consumption:.3g} L/100 km cannot be right for a car. Is it the right drive, amount and unit?"


def _complaints(way: Distance, manner: Manner, used: Used) -> list[str]:
    said = [each for each in (no_cars(used.volume_m3 / way.metres),) if each]
    if used.band_mps is not None and manner.in_band < 0.8:
        most, where = max((manner.below_band, "below"), (manner.above_band, "above"))
        said.append(f"only {manner.in_band:.0%} of the time was in the band, {most:.0%} {where} it")
    if manner.standing_s > 0.1 * manner.seconds:
        said.append(f"it stood for {manner.standing_s / manner.seconds:.0%} of the time ({manner.stops} stops)")
    if manner.closing_m > 300:
        said.append(f"it ended {way_words(manner.closing_m)} from its start, so wind and slope do not cancel")
    if abs(manner.net_climb_m) > 15:
        side = "above" if manner.net_climb_m > 0 else "below"
        said.append(f"it ended {short_way_words(abs(manner.net_climb_m))} {side} its start")
    if manner.wind_mps > 5:
        said.append(f"the wind was {wind_words(manner.wind_mps)}")
    if way.gap_m > 0.02 * way.metres:
        said.append(f"{way.gap_m / way.metres:.0%} of the distance has no fixes")
    if not way.agree:
        said.append(
            f"speed and track give distances that differ by {abs(way.doppler_m - way.track_m) / way.metres:.1%}. "
            "Did the receiver have a poor view of the sky?"
        )
    return said
