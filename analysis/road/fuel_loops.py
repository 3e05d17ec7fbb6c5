"""Fuel loops: how far, how much fuel, and how small a change such loops can show.

    way = distance(motion, fixes)                         # by Doppler speed and by track, reconciled
    used = used_by_volume(0.00318, 3.8e-5, 304.15)        # or used_by_weight; at 15.6 C
    loop = drive_loop(motion, fixes, used, band)          # consumption with its interval, and how it was driven
    summary = average(loops)                              # several loops of one setup: harmonic mean of the mpg

Consumption is fuel over distance; its relative variance is the sum of those two's. Fuel is brought to 60 F (15.6 C) and
several loops are averaged by the harmonic mean of the distance per volume, which is the plain mean of consumption [1].

References
----------
[1] SAE J1082, Fuel Economy Measurement Road Test Procedure: fuel to within 0.5 %, several tests, harmonic mean, fuel at
    15.6 C (60 F).
[2] C. F. F. Karney, "Algorithms for geodesics", J. Geodesy 87 (2013): what the track's length is held to.
[3] ISO/IEC Guide 98-3 (GUM): combining standard uncertainties.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from analysis.arrays import Floats
from analysis.motion.geodesy import chord_length, climbed, track_length
from logger.errors import NoAnswer
from logger.units import IMPERIAL_GALLON_M3, US_GALLON_M3

if TYPE_CHECKING:
    from analysis.motion.fixes import Fixes
    from analysis.motion.smoother import Motion


MILE_M = 1609.344
REFERENCE_K = (60 - 32) / 1.8 + 273.15
"""60 F, about 15.6 C: the temperature that volumes are brought to [K]."""
EXPANSION_PER_C, EXPANSION_SIGMA = 0.00095, 0.0002
"""Petrol's growth for each degree, and how much petrols differ in it (from memory: tables have 0.00095 to 0.00125)."""
DENSITY_KG_PER_M3, DENSITY_SIGMA = 745.0, 15.0
"""Petrol's density at 15.6 C, and how much petrols differ in it (from memory: EN 228 allows 720 to 775 at 15 C)."""
FILL_SIGMA_M3 = 3e-5
"""Taken for a volume where the owner does not say how well fills repeat: 0.03 L."""
SCALE_SIGMA_KG = 0.01
"""Taken for a weight where the owner does not say how good the scale is: 10 g."""
THERMOMETER_SIGMA_K = 1.5
UNKNOWN_TEMPERATURE_SIGMA_K = 10.0
SPEED_SCALE_SIGMA, TRACK_SCALE_SIGMA = 0.001, 0.001
"""What a receiver's speed, and its track, may be off by over a whole loop (common practice, no source)."""
USUAL_L_PER_100KM = (1.0, 40.0)
"""Consumption outside of this is taken for a slip of the pen (common practice, no source)."""


# --- distance -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Distance:
    """How far a drive went.

    metres, sigma_m: reconciled [m]. doppler_m, track_m: by the integral of the speed, and along the positions on the
    WGS 84 ellipsoid (NaN without positions), each with its sigma. gap_m: way that no fix covers. agree: whether the two
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

    The speed's integral misses what happened in a gap, the track cuts across it; half their difference there goes into
    both errors. Where the two disagree, the plain mean is taken with an error that spans both.
    """
    speed_m = float(motion.distance_m[-1])
    speed_sigma = math.hypot(float(motion.distance_sigma[-1]), SPEED_SCALE_SIGMA * speed_m, 0.1)
    track_m, wander = track_length(motion.distance_m, fixes.lat_deg, fixes.lon_deg, fixes.alt_m)
    gap_m = gap_doubt = 0.0
    for gap in motion.gaps:
        first, last = np.searchsorted(motion.t_s, [gap.start_s, gap.end_s])
        by_speed = float(motion.distance_m[last] - motion.distance_m[first])
        across = float(chord_length(fixes.lat_deg[[first, last]], fixes.lon_deg[[first, last]])[0])
        gap_m += by_speed
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


# --- fuel ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Used:
    """The fuel that a loop used, as a volume at 15.6 C, and how it was found; all that is kept with a drive.

    Standard errors: fill_sigma_m3 from filling or the scale and warmth_sigma_m3 from the fuel's temperature, which
    differ from loop to loop; shared_sigma_m3 from density or expansion, which all loops of one fuel share. The band
    that was asked for is kept with it.
    """

    volume_m3: float
    fill_sigma_m3: float
    warmth_sigma_m3: float
    shared_sigma_m3: float
    how: Literal["volume", "weight"]
    measured: float
    """As measured: m3 or kg."""
    fuel_k: float | None = None
    band_mps: tuple[float, float] | None = None
    assumed: tuple[str, ...] = ()

    @property
    def own_sigma_m3(self) -> float:
        """What differs from loop to loop [m3]."""
        return math.hypot(self.fill_sigma_m3, self.warmth_sigma_m3)

    @property
    def sigma_m3(self) -> float:
        return math.hypot(self.own_sigma_m3, self.shared_sigma_m3)


def used_by_volume(
    volume_m3: float,
    sigma_m3: float | None = None,
    fuel_k: float | None = None,
    expansion_per_c: float | None = None,
    band_mps: tuple[float, float] | None = None,
) -> Used:
    """Fuel used from a volume, the same mark before and after.

    Parameters
    ----------
    sigma_m3 : float, optional
        Standard error of the volume used: how well filling to the mark repeats [m3].
    fuel_k : float, optional
        Temperature of the fuel that was filled in [K]; without it the volume stands as it is, less surely.
    """
    grows = EXPANSION_PER_C if expansion_per_c is None else expansion_per_c
    grows_sigma = EXPANSION_SIGMA if expansion_per_c is None else EXPANSION_SIGMA / 2
    assumed = []
    if sigma_m3 is None:
        sigma_m3 = FILL_SIGMA_M3
        assumed.append(f"fills repeat to {FILL_SIGMA_M3 * 1e3:.2f} L (say --sigma)")
    if fuel_k is None:
        above, above_sigma = 0.0, UNKNOWN_TEMPERATURE_SIGMA_K
        assumed.append(f"fuel at 15.6 C, give or take {UNKNOWN_TEMPERATURE_SIGMA_K:.0f} (say --fuel-temp)")
    else:
        above, above_sigma = fuel_k - REFERENCE_K, THERMOMETER_SIGMA_K
    at_reference = volume_m3 / (1 + grows * above)
    warmth, shared = at_reference * grows * above_sigma, at_reference * grows_sigma * abs(above)
    return Used(at_reference, sigma_m3, warmth, shared, "volume", volume_m3, fuel_k, band_mps, tuple(assumed))


def used_by_weight(
    mass_kg: float,
    sigma_kg: float | None = None,
    density_kg_per_m3: float | None = None,
    usual_density: float = DENSITY_KG_PER_M3,
    band_mps: tuple[float, float] | None = None,
) -> Used:
    """Fuel used from the weight lost; a volume at 15.6 C by the density at 15.6 C, so that no temperature is needed.

    `density_kg_per_m3` is a measured density (taken to be good to 0.3 %); without one `usual_density` stands in.
    """
    assumed = []
    if sigma_kg is None:
        sigma_kg = SCALE_SIGMA_KG
        assumed.append(f"the scale is good to {SCALE_SIGMA_KG * 1e3:.0f} g (say --sigma)")
    if density_kg_per_m3 is None:
        density, density_sigma = usual_density, DENSITY_SIGMA
        assumed.append(f"density {usual_density:.0f} kg/m3, give or take {DENSITY_SIGMA:.0f} (say density_kg_per_m3)")
    else:
        density, density_sigma = density_kg_per_m3, 0.003 * density_kg_per_m3
    volume = mass_kg / density
    return Used(
        volume,
        sigma_kg / density,
        0.0,
        volume * density_sigma / density,
        "weight",
        mass_kg,
        None,
        band_mps,
        tuple(assumed),
    )


def to_kept(used: Used) -> dict[str, Any]:
    """As kept in a drive's manifest."""
    return {
        **vars(used),
        "band_mps": list(used.band_mps) if used.band_mps else None,
        "assumed": list(used.assumed),
    }


def from_kept(kept: dict[str, Any]) -> Used:
    """What `to_kept` gave. ValueError where it is something else."""
    try:
        band = kept["band_mps"]
        how: Literal["volume", "weight"] = "weight" if kept["how"] == "weight" else "volume"
        return Used(
            float(kept["volume_m3"]), float(kept["fill_sigma_m3"]), float(kept["warmth_sigma_m3"]),
            float(kept["shared_sigma_m3"]), how,
            float(kept["measured"]), kept["fuel_k"], (float(band[0]), float(band[1])) if band else None,
            tuple(kept["assumed"]),
        )  # fmt: skip
    except (KeyError, TypeError, IndexError) as error:
        raise ValueError(f"the fuel kept with the drive cannot be read: {error}") from error


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


def drive_loop(
    motion: Motion,
    fixes: Fixes,
    used: Used,
    wind_mps: float = math.nan,
) -> Loop:
    """The loop that a drive was. NoAnswer where the car went nowhere or no fuel was used."""
    way = distance(motion, fixes)
    if not way.metres > 100:
        raise NoAnswer(f"the drive went {way.metres:.0f} m: too short for a fuel loop")
    if not used.volume_m3 > 0:
        raise NoAnswer("no fuel was used: expected a volume or weight above zero")
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


def _complaints(way: Distance, manner: Manner, used: Used) -> list[str]:
    said = []
    consumption = l_per_100km(used.volume_m3 / way.metres)
    if not USUAL_L_PER_100KM[0] <= consumption <= USUAL_L_PER_100KM[1]:
        said.append(f"{consumption:.3g} L/100 km is no car's consumption: is it the right drive, amount and unit?")
    if used.band_mps is not None and manner.in_band < 0.8:
        most, where = max((manner.below_band, "below"), (manner.above_band, "above"))
        said.append(f"only {manner.in_band:.0%} of the time was in the band, {most:.0%} {where} it")
    if manner.standing_s > 0.1 * manner.seconds:
        said.append(f"it stood for {manner.standing_s / manner.seconds:.0%} of the time ({manner.stops} stops)")
    if manner.closing_m > 300:
        said.append(f"it ended {manner.closing_m / 1000:.1f} km from its start: wind and slope do not cancel")
    if abs(manner.net_climb_m) > 15:
        said.append(
            f"it ended {abs(manner.net_climb_m):.0f} m {'above' if manner.net_climb_m > 0 else 'below'} its start"
        )
    if manner.wind_mps > 5:
        said.append(f"the wind was {manner.wind_mps:.0f} m/s")
    if way.gap_m > 0.02 * way.metres:
        said.append(f"{way.gap_m / way.metres:.0%} of the way has no fixes")
    if not way.agree:
        said.append(
            f"speed and track disagree on the distance by {abs(way.doppler_m - way.track_m) / way.metres:.1%}: "
            "a receiver with a poor view of the sky?"
        )
    return said


# --- several loops ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Average:
    """Loops of one setup together.

    m3_per_m: mean consumption, whose inverse is the harmonic mean of the distance per volume [1]. sigma: relative
    standard error of what differs between loops. shared: that of what all share. scatter: relative standard
    deviation from loop to loop, as seen, NaN with one loop. dof: degrees of freedom of `sigma`, infinite where it is
    what measuring leaves. repeats: whether any repeat showed how far loops differ.
    """

    loops: int
    m3_per_m: float
    sigma: float
    shared: float
    scatter: float
    dof: float
    repeats: bool

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Consumption, low and high [m3/m]; on a log scale, so that a wide one stays above zero."""
        half = _reach(self.dof, confidence) * self.sigma
        half = math.hypot(half, _reach(math.inf, confidence) * self.shared)
        return self.m3_per_m * math.exp(-half), self.m3_per_m * math.exp(half)


def harmonic_mean(per_volume: Sequence[float]) -> float:
    """SAE J1082's mean of several distances per volume (mpg): n over the sum of their inverses."""
    return len(per_volume) / sum(1 / value for value in per_volume)


def average(loops: Sequence[Loop], pooled: tuple[float, float] | None = None) -> Average:
    """The mean of loops of one setup.

    The error of the mean is what measuring leaves or what the loops' scatter says, whichever is more. `pooled` is the
    relative scatter from loop to loop and its degrees of freedom over all setups (see `pooled_scatter`); by default
    that of these loops.
    """
    consumption = np.array([loop.m3_per_m for loop in loops])
    n, mean = len(loops), float(consumption.mean())
    own = math.sqrt(float(np.mean([loop.own_sigma**2 for loop in loops])))
    seen = float(consumption.std(ddof=1)) / mean if n > 1 else math.nan
    scatter, dof = pooled or (seen, float(n - 1))
    shared = max(loop.shared_sigma for loop in loops)
    if dof >= 1 and scatter > own:
        return Average(n, mean, scatter / math.sqrt(n), shared, seen, dof, True)
    return Average(n, mean, own / math.sqrt(n), shared, seen, math.inf, dof >= 1)


def pooled_scatter(by_setup: Sequence[Sequence[Loop]]) -> tuple[float, float] | None:
    """Relative standard deviation from loop to loop within setups, and its degrees of freedom; None with no repeat."""
    squares, dof = 0.0, 0
    for loops in by_setup:
        logs = np.log([loop.m3_per_m for loop in loops])
        squares += float(np.sum((logs - logs.mean()) ** 2))
        dof += len(loops) - 1
    return (math.sqrt(squares / dof), float(dof)) if dof else None


@dataclass(frozen=True)
class Change:
    """Consumption of b against a: relative change and its 95 % interval [-], and what the loops show.

    Too few loops: no setup has two, so the interval is of measuring alone, and wind, traffic and foot may be all of it.
    """

    change: float
    low: float
    high: float
    verdict: Literal["less fuel", "more fuel", "no difference shown", "too few loops"]


def difference(a: Average, b: Average) -> Change:
    """How consumption changed from `a` to `b`; what all loops share cancels."""
    change = b.m3_per_m / a.m3_per_m - 1
    sigma = math.hypot(a.sigma, b.sigma)
    dof = math.inf
    if math.isfinite(a.dof) or math.isfinite(b.dof):
        parts = [(side.sigma**2, side.dof) for side in (a, b) if math.isfinite(side.dof)]
        # Both sides use one pooled scatter where both have one: its freedom counts once.
        same = len(parts) == 2 and parts[0][1] == parts[1][1]
        dof = parts[0][1] if same else sigma**4 / sum(variance**2 / freedom for variance, freedom in parts)
    half = _reach(dof, 0.95) * sigma
    low, high = (math.exp(side) * (1 + change) - 1 for side in (-half, half))
    verdict: Literal["less fuel", "more fuel", "no difference shown", "too few loops"] = "no difference shown"
    if not (a.repeats and b.repeats):
        verdict = "too few loops"
    elif high < 0:
        verdict = "less fuel"
    elif low > 0:
        verdict = "more fuel"
    return Change(change, low, high, verdict)


def smallest_change(sigma: float, loops_each: int = 1) -> float:
    """The smallest relative change that so many loops before and after show 8 times in 10 [-].

    (1.96 + 0.84) sqrt(2/n) sigma: a two-sided test at 5 % with a power of 80 %. `sigma` is the relative standard error
    of one loop.
    """
    return (1.959964 + 0.841621) * math.sqrt(2 / loops_each) * sigma


def length_to_show(change: float, loop: Loop, scatter: float = 0.0, loops_each: int = 1) -> float:
    """How long a loop must be to show a relative `change` 8 times in 10 [m]; infinite where no length does.

    The fill's error stays the same however long the loop, so its share falls with length; what goes with the length
    (thermometer, distance) and `scatter` from loop to loop (driving, wind) stay, and only more loops help there.
    """
    allowed = (change / smallest_change(1.0, loops_each)) ** 2
    warmth = loop.used.warmth_sigma_m3 / loop.used.volume_m3
    stays = warmth**2 + (loop.distance.sigma_m / loop.distance.metres) ** 2 + scatter**2
    if allowed <= stays:
        return math.inf
    return float(loop.used.fill_sigma_m3 / math.sqrt(allowed - stays) / loop.m3_per_m)


def loops_to_show(change: float, loop: Loop, scatter: float = 0.0) -> int:
    """Loops like this one, before and as many after, that show a relative `change` 8 times in 10; at least two, since
    only a repeat tells how far loops differ. 0 where more than 99 would be needed."""
    from scipy.special import stdtrit

    sigma = math.hypot(loop.own_sigma, scatter)
    for n in range(2, 100):
        if (stdtrit(2 * n - 2, 0.975) + stdtrit(2 * n - 2, 0.8)) * math.sqrt(2 / n) * sigma <= change:
            return n
    return 0


def _reach(dof: float, confidence: float) -> float:
    from scipy.stats import norm, t

    p = (1 + confidence) / 2
    return float(norm.ppf(p) if math.isinf(dof) else t.ppf(p, dof))


# --- units that owners use ----------------------------------------------------------------------------------------


def l_per_100km(m3_per_m: float) -> float:
    """Consumption in litres for 100 km."""
    return m3_per_m * 1e3 * 1e5


def mpg_us(m3_per_m: float) -> float:
    """Miles on a US gallon."""
    return US_GALLON_M3 / (m3_per_m * MILE_M)


def mpg_imperial(m3_per_m: float) -> float:
    """Miles on an imperial gallon."""
    return IMPERIAL_GALLON_M3 / (m3_per_m * MILE_M)
