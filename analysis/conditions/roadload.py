"""Road load and tractive load: what the engine has to push, from speed, acceleration and grade.

The load of the engine without any further sensor is the *tractive acceleration*: what the car would gain on the level
in a vacuum, (acceleration + climbing + road load) over the mass. As a share of the most the car can do at that speed
it plays the part of a throttle position.

References
----------
[1] 40 CFR 1066.301 and 1066.310: road load as A + B v + C v^2, the grade term, the effect of rotating parts.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.arrays import Floats, running_median
from logger.config.car import Car, CarConfig

GRAVITY = 9.80665
"""Standard gravity [m/s2]."""

AIR_KG_PER_M3 = 1.204
"""Air at 20 C and 1013.25 hPa, dry [kg/m3]."""

ROTATING_SHARE = 0.04
"""Wheels, belt and engine as a share of the mass where the car's file does not say (common practice, no source)."""

PROVEN = 0.85
"""Share of the drive's best pull or power that a speed must have seen to count as driven flat out."""


@dataclass(frozen=True)
class RoadLoad:
    """Road load over mass, and what rotates: all that the tractive acceleration needs.

    Attributes
    ----------
    a_mps2, b_per_s, c_per_m : float
        Road load over mass as a + b v + c v^2 [m/s2, 1/s, 1/m].
    rotating : float
        Mass of the rotating parts, as felt at the rim, over the mass of the car [-].
    source : str
        Where the figures come from, in the owner's words.
    """

    a_mps2: float
    b_per_s: float
    c_per_m: float
    rotating: float
    source: str
    covariance: tuple[tuple[float, ...], ...] = field(default=((0.0,) * 3,) * 3, repr=False)
    """Of a, b, c [in their units]; zeros where not said."""

    def at(self, speed_mps: ArrayLike) -> Floats:
        """Road load over mass [m/s2].

        Parameters
        ----------
        speed_mps : array, any shape
            Speeds [m/s]; NaN gives NaN.
        """
        v = np.asarray(speed_mps, dtype=np.float64)
        return np.asarray(self.a_mps2 + self.b_per_s * v + self.c_per_m * v * v)

    def sigma(self, speed_mps: ArrayLike) -> Floats:
        """Standard error of `at` [m/s2].

        Parameters
        ----------
        speed_mps : array, any shape
            Speeds [m/s]; NaN gives NaN.
        """
        v = np.asarray(speed_mps, dtype=np.float64)
        powers = np.stack([np.ones_like(v), v, v * v], axis=-1)
        variance = np.einsum("...i,ij,...j->...", powers, np.array(self.covariance), powers)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def of(config: CarConfig | None, density_kg_per_m3: float = AIR_KG_PER_M3) -> RoadLoad:
    """The road load of a car's file: what coasts measured, where the file has it, else the file's guesses.

    Drag goes with the density of the day's air, rolling with the mass as driven.
    """
    if config is None or config.road_load is None:
        return guessed(config.car if config else None, density_kg_per_m3)
    measured, car = config.road_load, config.car
    mass = car.mass_kg
    rotating = ROTATING_SHARE if car.rotating_mass_kg is None else car.rotating_mass_kg / mass
    air = density_kg_per_m3 / measured.air_density_kg_per_m3 / mass
    scale = np.array([1 / measured.mass_kg, 1 / measured.mass_kg, air])
    a, b, c = np.array([measured.a_n, measured.b_n_per_mps, measured.c_n_per_mps2]) * scale
    sigma = np.array([measured.a_sigma_n, measured.b_sigma_n_per_mps, measured.c_sigma_n_per_mps2]) * scale
    ab, ac, bc = measured.ab_correlation, measured.ac_correlation, measured.bc_correlation
    covariance = np.array([[1.0, ab, ac], [ab, 1.0, bc], [ac, bc, 1.0]]) * np.outer(sigma, sigma)
    source = f"measured: {measured.measured}" if measured.measured else "measured by coasts"
    return RoadLoad(float(a), float(b), float(c), rotating, source, tuple(map(tuple, covariance.tolist())))


def guessed(car: Car | None, density_kg_per_m3: float = AIR_KG_PER_M3) -> RoadLoad:
    """Road load from the guesses of the car's file; what it does not say is filled in for a small light car.

    The stand-ins are rolling coefficient 0.015 and drag area 0.00075 m2 for each kg of mass (0.6 m2 on 800 kg), both
    common practice, no source. A guess is taken to be off by 30 % in rolling and 25 % in drag (standard errors). Road
    load is a small part of the load of a car that pulls, so a guess does for a map.
    """
    rolling, drag_area_per_kg, rotating, source = 0.015, 0.00075, ROTATING_SHARE, "a guess for a small car"
    if car is not None:
        rolling = car.rolling_coefficient or rolling
        known = car.rolling_coefficient is not None
        if car.frontal_area_m2 and car.drag_coefficient:
            drag_area_per_kg = car.frontal_area_m2 * car.drag_coefficient / car.mass_kg
        else:
            known = False
        if car.rotating_mass_kg is not None:
            rotating = car.rotating_mass_kg / car.mass_kg
        source = "the car's file" + ("" if known else ", the rest guessed")
    a, c = rolling * GRAVITY, 0.5 * density_kg_per_m3 * drag_area_per_kg
    covariance = (((0.3 * a) ** 2, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, (0.25 * c) ** 2))
    return RoadLoad(a, 0.0, c, rotating, source, covariance)


def tractive_acceleration(
    speed_mps: ArrayLike, acceleration_mps2: ArrayLike, road: RoadLoad, grade: ArrayLike = 0.0
) -> Floats:
    """What the wheels push with, over the mass of the car: (1 + r) a + g sin(slope) + (a0 + b v + c v^2) [m/s2].

    Negative where the engine holds the car back or the brakes are on. At rest the road load is zero.

    Parameters
    ----------
    speed_mps, acceleration_mps2 : array
        Speed and its rate [m/s, m/s2]; NaN gives NaN.
    grade : array or float
        Rise over run [-], positive uphill.
    """
    v = np.asarray(speed_mps, dtype=np.float64)
    slope = np.asarray(grade, dtype=np.float64)
    resist = np.where(v > 0.1, road.a_mps2 + road.b_per_s * v + road.c_per_m * v * v, 0.0)
    climb = GRAVITY * slope / np.sqrt(1 + slope * slope)
    pushed: Floats = (1 + road.rotating) * np.asarray(acceleration_mps2, dtype=np.float64) + climb + resist
    return pushed


@dataclass(frozen=True)
class Envelope:
    """The most the car can do, tractive acceleration by speed.

    Attributes
    ----------
    speed_mps, most_mps2 : array
        Knots, joined by straight lines and held level outside [m/s, m/s2].
    proven : array of bool
        Whether the car pulled hard at that knot; elsewhere the value follows from the power at its neighbours.
    source : str
        "this drive" or "the car's file".
    """

    speed_mps: Floats
    most_mps2: Floats
    proven: NDArray[np.bool_]
    source: str

    def at(self, speed_mps: ArrayLike) -> Floats:
        """The most at the given speeds [m/s2].

        Parameters
        ----------
        speed_mps : array, any shape
            Speeds [m/s]; NaN gives NaN.
        """
        return np.interp(np.asarray(speed_mps, dtype=np.float64), self.speed_mps, self.most_mps2)

    def share(self, speed_mps: ArrayLike, tractive_mps2: ArrayLike) -> Floats:
        """Load as a share of the most at that speed [-]; a little over 1 is noise, below 0 is overrun.

        Parameters
        ----------
        speed_mps, tractive_mps2 : array, one shape
            Speed and tractive acceleration [m/s, m/s2]; NaN gives NaN.
        """
        result: Floats = np.asarray(tractive_mps2, dtype=np.float64) / self.at(speed_mps)
        return result


def envelope(
    time_s: ArrayLike, speed_mps: ArrayLike, tractive_mps2: ArrayLike, wheel_power_per_kg: float | None = None
) -> Envelope | None:
    """The upper edge of a drive's load over speed: what full throttle gave where the car was held at it.

    In each 2 m/s of speed the load that was held for a second or so is the candidate. A speed at which the car only
    ever cruised must not pass for full throttle, so a candidate counts as proven only where it reaches `PROVEN` of what
    the drive's best pull and best power would allow at that speed; the others follow that limit, scaled like their
    proven neighbours. None where nothing in the drive moved the car.

    Parameters
    ----------
    time_s, speed_mps, tractive_mps2 : array
        The drive on an even time grid [s, m/s, m/s2]; NaN is left out.
    wheel_power_per_kg : float, optional
        The most power at the wheels over the mass from the car's file [W/kg]; by default the drive's own.
    """
    time, speed = np.asarray(time_s, dtype=np.float64), np.asarray(speed_mps, dtype=np.float64)
    load = np.asarray(tractive_mps2, dtype=np.float64)
    if len(time) < 3:
        return None
    step = float(np.median(np.diff(time)))
    held = running_median(np.where(np.isfinite(load), load, -np.inf), max(1, round(1.0 / step)))
    moving = np.isfinite(speed) & (speed > 1.0) & (held > 0)
    if moving.sum() * step < 2.0:
        return None
    speed, held = speed[moving], held[moving]

    def exceeded(values: Floats, seconds: float) -> float:
        """The value that was exceeded for so many seconds in all."""
        rank = min(len(values) - 1, max(0, round(seconds / step)))
        return float(np.partition(values, len(values) - 1 - rank)[len(values) - 1 - rank])

    pull = exceeded(held, 0.7)
    power = wheel_power_per_kg or exceeded(held * speed, 0.7)
    knots = np.arange(1.0, float(speed.max()) + 2.0, 2.0)
    limit, reached = np.minimum(pull, power / knots), held / np.minimum(pull, power / speed)
    ratio, proven = np.ones(len(knots)), np.zeros(len(knots), dtype=np.bool_)
    for i, knot in enumerate(knots):
        here = reached[np.abs(speed - knot) <= 1.5]
        if len(here) * step >= 0.5:
            ratio[i] = exceeded(here, 0.3)
            proven[i] = ratio[i] >= PROVEN
    if wheel_power_per_kg is not None:
        ratio = np.maximum(ratio, 1.0)
    elif proven.any():
        ratio = np.interp(knots, knots[proven], ratio[proven])
    source = "this drive" if wheel_power_per_kg is None else "the car's file"
    return Envelope(knots, limit * ratio, proven, source)
