"""Force and power at the wheels from timed runs.

    pulls = [pull(motion, run, road, mass, ...) for run in runs]    # wheel power against speed, one run each
    curve = wheel_curve(pulls, mass, road)                          # all together, with a band

What a change to the car would do to its times is foretold from the curve in `prediction`.

**At the wheels.** What moves the car is what is left behind belt, bearings and tyres: engine power at the crank is more
by losses that a drive on the road cannot show. Wheel power is d(kinetic energy)/dt plus what road load and slope take,

    P = (m + mr) d(v^2/2)/dt + (m g slope + A + B v + C (v + w)^2) v                                           (1)

**The rate of energy.** Around each speed a parabola in time is fitted to v^2/2 of the readings. At constant power v^2
is a straight line and at constant force a parabola, so neither leaves a bias, however wide the window; a parabola
through v would read 4 % low at 6 m/s.

**The band.** Scatter from run to run, and what all runs share: mass, rotating mass, road load, wind, slope. Runs in
both directions cancel wind and slope; the shares are told apart in `WheelCurve.shares`.

References
----------
[1] SAE J1349, Engine Power Test Code: the factor for the day's air; here on wheel power, taking it that losses go
    along with power.
[2] 40 CFR 1066.301 and 1066.310: road load, the effect of rotating parts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.arrays import Floats
from analysis.conditions.roadload import GRAVITY, RoadLoad
from analysis.road.coasts import Mass
from logger.config.car import Gearing, Tyres
from logger.errors import NoAnswer
from logger.units import S_PER_MINUTE

if TYPE_CHECKING:
    from analysis.motion.smoother import Motion
    from analysis.road.slopes import LearnedGrade
    from analysis.runs.run import Run


LOWEST_MPS = 3.0
"""Below this a clutch or belt still slips, and what reaches the road says little of the engine."""
HALF_WINDOW_MPS = 2.0
SLOPE_SIGMA = 0.004
"""Slope of a road that nothing is known of, as a standard deviation: 0.4 % (common practice, no source)."""
ONE_SIDED = 0.35
"""Balance of directions above which slope and wind no longer cancel (common practice, no source)."""
WIND_SIGMA_MPS = {True: 1.0, False: 2.0}
"""How far the wind along the road is known where it was stated, and where not (common practice, no source)."""


@dataclass(frozen=True)
class RunPower:
    """One run's power at the wheels.

    Attributes
    ----------
    speed_mps, power_w, sigma_w : array, shape (n,)
        Power by (1) and its standard error from the readings alone; NaN where the run does not tell.
    direction_deg : float
        True course.
    slope, slope_sigma : float
        Rise over run by the altitudes, and its standard error [-]; NaN where not known. Not yet taken off.
    passes : int
        How many passes of its road the slope was learned from; 0 where it is from this run's altitude alone.
    rate_w : array, shape (n,)
        The part of `power_w` that is kinetic energy.
    engine_rpm : array, shape (n,)
        Recorded or worked out; NaN where neither.
    factor : float
        The correction of the day's air to standard air; NaN without weather. Not in `power_w`.
    name : str
        Drive and number, for the reader.
    """

    speed_mps: Floats
    power_w: Floats
    sigma_w: Floats
    direction_deg: float
    slope: float
    slope_sigma: float
    rate_w: Floats
    engine_rpm: Floats
    factor: float = math.nan
    name: str = ""
    passes: int = 0


def pull(
    motion: Motion,
    run: Run,
    road: RoadLoad,
    mass: Mass,
    speeds_mps: ArrayLike,
    *,
    headwind_mps: float = 0.0,
    engine_speed: tuple[Floats, Floats] | None = None,
    gearing: Gearing | None = None,
    tyres: Tyres | None = None,
    factor: float = math.nan,
    name: str = "",
    learned: LearnedGrade | None = None,
) -> RunPower:
    """Wheel power of one run at the given speeds, on the level as far as it is known; see the module's head.

    Parameters
    ----------
    road : RoadLoad
        Of the day's air, over mass.
    speeds_mps : array, shape (n,)
        Where to tell it, rising [m/s]; speeds that the run did not pass give NaN.
    headwind_mps : float
        Stated wind against the car [m/s].
    engine_speed : (t_s, turns a minute), each an array of shape (k,), optional
        Recorded engine speed on the fixes' axis; NaN is left out.
    factor : float
        Correction of the day's air to standard air [-]; kept with the result, not put into its power.
    learned : LearnedGrade, optional
        The grade of the run by all passes of its road; it stands where it is better known than by this run's altitude.
    """
    speeds = np.asarray(speeds_mps, dtype=np.float64)
    inside = (motion.t_s >= run.start_s) & (motion.t_s <= run.end_s)
    t, v, smooth = motion.t_s[inside], motion.reading_mps[inside], motion.speed_mps[inside]
    noise = max(motion.noise.reading_sigma_mps, 1e-4)
    breaks = [run.start_s + at for at in run.gear_changes_s] + [gap.start_s for gap in run.gaps]
    rate, sigma, when = (np.full(len(speeds), np.nan) for _ in range(3))
    rising = np.maximum.accumulate(smooth) if len(smooth) else smooth
    for i, speed in enumerate(speeds):
        if len(t) < 8 or not rising[0] + 0.5 <= speed <= rising[-1] - 0.3:
            continue
        low, high = max(speed - HALF_WINDOW_MPS, rising[0], 1.0), min(speed + HALF_WINDOW_MPS, rising[-1])
        edges = np.interp([low, speed, high], rising, t)
        if any(edges[0] - 0.3 < at < edges[2] + 0.6 for at in breaks):
            continue
        window = (t >= edges[0]) & (t <= edges[2])
        found = energy_rate(t[window] - edges[1], v[window], noise)
        if found is not None:
            rate[i], sigma[i], when[i] = *found, edges[1]
    air = road.c_per_m * ((speeds + headwind_mps) * np.abs(speeds + headwind_mps) - speeds**2)
    resist = mass.mass_kg * (road.at(speeds) + air) * speeds
    rate_w = mass.inertia_kg * rate
    by_passes = learned is not None and not run.grade.sigma < learned.sigma
    grade = learned if learned is not None and by_passes else run.grade
    rpm = _engine_rpm(speeds, when, run, engine_speed, gearing, tyres)
    return RunPower(
        speeds,
        rate_w + resist,
        mass.inertia_kg * sigma,
        run.direction_deg,
        grade.percent / 100,
        grade.sigma / 100,
        rate_w,
        rpm,
        factor,
        name,
        learned.passes if learned is not None and by_passes else 0,
    )


def energy_rate(t_s: Floats, v_mps: Floats, noise_mps: float) -> tuple[float, float] | None:
    """d(v^2/2)/dt at time 0 and its standard error, by a parabola through v^2/2 weighted by its noise.

    Parameters
    ----------
    t_s, v_mps : array, shape (n,)
        Times, rising through 0 [s], and speed readings, without NaN [m/s].
    noise_mps : float
        Standard deviation of a reading [m/s]; that of v^2/2 is v times it.

    Returns
    -------
    (rate, sigma) : float
        [W/kg]; None where the readings do not carry a parabola: fewer than six, within 0.4 s, or all on one side of 0.
    """
    if len(t_s) < 6 or t_s[-1] - t_s[0] < 0.4 or not t_s[0] < 0 < t_s[-1]:
        return None
    weight = 1 / (np.maximum(v_mps, 0.5) * noise_mps)
    design = np.vander(t_s, 3, increasing=True) * weight[:, None]
    square = design.T @ design
    coefficients = np.linalg.solve(square, design.T @ (v_mps**2 / 2 * weight))
    return float(coefficients[1]), math.sqrt(float(np.linalg.inv(square)[1, 1]))


def _engine_rpm(
    speeds: Floats,
    when: Floats,
    run: Run,
    recorded: tuple[Floats, Floats] | None,
    gearing: Gearing | None,
    tyres: Tyres | None,
) -> Floats:
    """Engine speed while passing the speeds: as recorded, else by the gear that the run must have been in."""
    if recorded is not None and len(recorded[0]) > 1:
        known = np.isfinite(recorded[1])
        if known.any():
            return np.interp(when, recorded[0][known], recorded[1][known], left=np.nan, right=np.nan)
    if gearing is None or tyres is None or tyres.circumference_m is None or not gearing.gears:
        return np.full(len(speeds), np.nan)
    if len(gearing.gears) > 1 and (run.kind != "standing" or len(run.gear_changes_s) >= len(gearing.gears)):
        return np.full(len(speeds), np.nan)
    gear = np.searchsorted(np.array([run.start_s + at for at in run.gear_changes_s]), when)
    ratio = np.array(gearing.gears)[np.minimum(gear, len(gearing.gears) - 1)] * gearing.final_ratio
    return np.where(np.isfinite(when), speeds / tyres.circumference_m * S_PER_MINUTE * ratio, np.nan)


def belt_limits(speeds_mps: ArrayLike, gearing: Gearing | None, tyres: Tyres | None) -> tuple[Floats, Floats] | None:
    """Lowest and highest engine speed that a belt drive's limits allow.

    Parameters
    ----------
    speeds_mps : array, any shape
        Speeds of the car [m/s].

    Returns
    -------
    (lowest, highest) : array, that shape
        [turns a minute]; None where the car's file has no belt or no tyre.
    """
    if gearing is None or tyres is None or tyres.circumference_m is None:
        return None
    if gearing.belt_low is None or gearing.belt_high is None:
        return None
    wheel = np.asarray(speeds_mps, dtype=np.float64) / tyres.circumference_m * S_PER_MINUTE * gearing.final_ratio
    return wheel * gearing.belt_high, wheel * gearing.belt_low


# --- runs together ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class WheelCurve:
    """Power at the wheels against speed from several runs.

    Attributes
    ----------
    speed_mps, power_w, sigma_w : array, shape (n,)
        Mean of the runs and its standard error, everything together.
    low_w, high_w : array, shape (n,)
        95 % band.
    runs : array of int, shape (n,)
        Runs behind each speed.
    shares : mapping of str to array, shape (n,)
        Standard errors by their cause: "run to run", "mass", "road load", "wind", "slope" [W].
    engine_rpm : array, shape (n,)
        Mean engine speed; NaN where not known.
    balance : float
        0 where both directions weigh alike, 1 where all runs went one way.
    corrected_w : array, shape (n,)
        The same brought to standard air run by run; NaN unless all runs have weather.
    """

    speed_mps: Floats
    power_w: Floats
    sigma_w: Floats
    low_w: Floats
    high_w: Floats
    runs: NDArray[np.int64]
    shares: dict[str, Floats]
    engine_rpm: Floats
    balance: float
    corrected_w: Floats
    pulls: list[RunPower] = field(default_factory=list, repr=False)

    @property
    def force_n(self) -> Floats:
        return np.asarray(self.power_w / self.speed_mps)

    @property
    def best(self) -> int:
        """Where power is highest."""
        return int(np.nanargmax(self.power_w))


def wheel_curve(pulls: Sequence[RunPower], mass: Mass, road: RoadLoad, *, wind_stated: bool = False) -> WheelCurve:
    """Runs together. NoAnswer where no run tells a power at any speed.

    Where the runs of both directions weigh alike, slope and wind cancel and are left alone; else the slope that the
    altitudes give is taken off, drawn to zero by how little they know.
    """
    if not pulls or not any(np.isfinite(each.power_w).any() for each in pulls):
        raise NoAnswer("no run shows the power. Drive a run at full throttle, from a standstill or rolling")
    pulls = list(pulls)
    speeds = pulls[0].speed_mps
    one_way = _one_way([each.direction_deg for each in pulls])
    slope_left = one_way * SLOPE_SIGMA
    if one_way > ONE_SIDED:
        pulls, slope_left = _on_the_level(pulls, mass)
    table = np.array([each.power_w for each in pulls])
    measured = np.array([each.sigma_w for each in pulls])
    here = np.isfinite(table)
    count = here.sum(axis=0)
    use = count > 0
    table, measured, here, count, speeds = table[:, use], measured[:, use], here[:, use], count[use], speeds[use]
    power = np.nanmean(table, axis=0)
    corrected = power * np.nan
    if all(math.isfinite(each.factor) for each in pulls):
        corrected = np.nanmean(table * np.array([[each.factor] for each in pulls]), axis=0)
    own = np.sqrt(np.nanmean(measured**2, axis=0))
    # One relative scatter for the whole curve: at one speed a few runs tell too little of it.
    away = np.where(here, table - power, 0.0)
    freedom = np.maximum(count - 1, 0).sum()
    scatter = math.sqrt(float(np.sum((away / power) ** 2)) / freedom) if freedom else 0.0
    run_to_run = np.maximum(own, scatter * power) / np.sqrt(count)
    rates = np.array([each.rate_w for each in pulls])[:, use]
    rate = np.nanmean(np.where(here, rates, np.nan), axis=0)
    wind = WIND_SIGMA_MPS[wind_stated]
    shares = {
        "run to run": run_to_run,
        "mass": np.abs(rate) * mass.inertia_sigma_kg / mass.inertia_kg,
        "road load": mass.mass_kg * road.sigma(speeds) * speeds,
        # What cancels leaves C w^2 behind.
        "wind": mass.mass_kg * road.c_per_m * speeds * (2 * speeds * wind * one_way + wind**2 * (1 - one_way)),
        "slope": mass.mass_kg * GRAVITY * slope_left * speeds,
    }
    sigma = np.sqrt(np.sum(np.square(list(shares.values())), axis=0))
    reach = _reach(
        shares["run to run"], sigma, max(len(pulls) - 1, 0) if scatter * np.median(power) > np.median(own) else 0
    )
    with np.errstate(all="ignore"):
        rpm_table = np.array([each.engine_rpm for each in pulls])[:, use]
        rpm = np.where(
            np.isfinite(rpm_table).any(axis=0),
            np.nansum(rpm_table, axis=0) / np.isfinite(rpm_table).sum(axis=0),
            np.nan,
        )
    return WheelCurve(
        speeds,
        power,
        sigma,
        power - reach * sigma,
        power + reach * sigma,
        count,
        shares,
        rpm,
        one_way,
        corrected,
        pulls,
    )


def one_sided(directions_deg: Sequence[float]) -> bool:
    """Whether so many runs went in one direction that slope and wind do not cancel."""
    return _one_way(directions_deg) > ONE_SIDED


def _one_way(directions: Sequence[float]) -> float:
    """Length of the mean of the directions as arrows: 0 balanced, 1 all one way."""
    angles = np.radians([d for d in directions if math.isfinite(d)])
    return float(np.hypot(np.cos(angles).mean(), np.sin(angles).mean())) if len(angles) else 1.0


def _on_the_level(pulls: list[RunPower], mass: Mass) -> tuple[list[RunPower], float]:
    """Pulls with the slope taken off as far as the altitudes know it, and the slope's standard error that is left.

    What a road usually rises is in a learned slope already; that of one altitude is drawn to zero by how little it
    knows.
    """
    levelled, left = [], []
    for each in pulls:
        known = math.isfinite(each.slope) and math.isfinite(each.slope_sigma)
        if known and each.passes:
            climb = mass.mass_kg * GRAVITY * each.slope * each.speed_mps
            levelled.append(replace(each, power_w=each.power_w + climb))
            left.append(each.slope_sigma)
            continue
        trust = SLOPE_SIGMA**2 / (SLOPE_SIGMA**2 + each.slope_sigma**2) if known else 0.0
        climb = mass.mass_kg * GRAVITY * (trust * each.slope if known else 0.0) * each.speed_mps
        levelled.append(replace(each, power_w=each.power_w + climb))
        left.append(SLOPE_SIGMA * math.sqrt(1 - trust))
    return levelled, float(np.mean(left))


def _reach(scatter: Floats, whole: Floats, dof: int) -> Floats:
    """95 % points of Student's t with Welch and Satterthwaite's degrees of freedom; normal where nothing scatters."""
    from scipy.special import stdtrit

    freedom = dof * (whole / np.maximum(scatter, 1e-12)) ** 4 if dof else np.full(len(whole), 1e6)
    return np.asarray(stdtrit(np.minimum(freedom, 1e6), 0.975))
