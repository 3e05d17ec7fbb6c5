"""Times to a speed predicted from a force curve: what a change of mass, drag or power would do.

    foretold = predict(curve, mass, road, Changes(mass_kg=-20), {22.35: 15.7})
    saved = cruise_fuel(car, changes.on(car), 20.0)

References
----------
[1] J. B. Heywood, Internal Combustion Engine Fundamentals, section 13.2: friction and the fuel it takes (Willans line).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Floats
from analysis.conditions.roadload import RoadLoad
from analysis.road.coasts import Mass
from analysis.road.wheel_power import LOWEST_MPS, WheelCurve
from analysis.wording import speed_words
from logger.config.car import Gearing
from logger.errors import NoAnswer

# --- predictions --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Vehicle:
    """What a prediction needs of a car: masses [kg] and road load [N, N/(m/s), N/(m/s)^2]."""

    mass_kg: float
    rotating_kg: float
    a_n: float
    b_n_per_mps: float
    c_n_per_mps2: float

    @classmethod
    def of(cls, mass: Mass, road: RoadLoad) -> Vehicle:
        m = mass.mass_kg
        return cls(m, mass.rotating_kg, m * road.a_mps2, m * road.b_per_s, m * road.c_per_m)

    def road_load(self, speed_mps: ArrayLike) -> Floats:
        """Road load [N].

        Parameters
        ----------
        speed_mps : array, any shape
            Speeds [m/s]; NaN gives NaN.
        """
        v = np.asarray(speed_mps, dtype=np.float64)
        return np.asarray(self.a_n + self.b_n_per_mps * v + self.c_n_per_mps2 * v * v)


@dataclass(frozen=True)
class Changes:
    """A change to the car: mass added [kg], and factors on drag, rolling and power; `gearing` is engine turns for each
    turn of the wheels, new over old (above 1: shorter)."""

    mass_kg: float = 0.0
    drag: float = 1.0
    rolling: float = 1.0
    power: float = 1.0
    gearing: float = 1.0

    def on(self, car: Vehicle) -> Vehicle:
        """The changed car; rolling goes with the mass."""
        mass = car.mass_kg + self.mass_kg
        heavier = mass / car.mass_kg
        return Vehicle(
            mass, car.rotating_kg, car.a_n * heavier * self.rolling, car.b_n_per_mps * heavier * self.rolling,
            car.c_n_per_mps2 * self.drag,
        )  # fmt: skip


@dataclass(frozen=True)
class PredictedTime:
    """Seconds to a speed: before by the runs, after by the prediction, and the change with its standard error."""

    speed_mps: float
    before_s: float
    after_s: float
    change_s: float
    sigma_s: float


@dataclass(frozen=True)
class Prediction:
    """What a change would do. NaN top speeds mean that the car does not get there on the force it showed."""

    times: list[PredictedTime]
    top_before_mps: float
    top_after_mps: float
    top_sigma_mps: float
    assumptions: list[str]


def force_on(curve_speed: Floats, curve_power: Floats, speed_mps: ArrayLike, changes: Changes) -> Floats:
    """Wheel force at any speed from a power curve: force level below the curve, power level above it.

    Power changes by its factor. With gearing r times as short the engine does at v what it did at r v: P'(v) = P(r v).

    Parameters
    ----------
    curve_speed, curve_power : array, shape (n,)
        Power at the wheels by speed, rising [m/s, W]; no NaN.
    speed_mps : array, any shape
        Where to tell it [m/s]; below 0.1 as at 0.1.

    Returns
    -------
    array, that shape
        [N]
    """
    v = np.maximum(np.asarray(speed_mps, dtype=np.float64), 0.1)
    at = v * changes.gearing
    power = np.interp(at, curve_speed, curve_power)
    low = at < curve_speed[0]
    power = np.where(low, curve_power[0] * at / curve_speed[0], power)
    return np.asarray(changes.power * power / v)


def time_between(
    curve_speed: Floats, curve_power: Floats, car: Vehicle, from_mps: float, to_mps: float, changes: Changes
) -> float:
    """Seconds from one speed to another under the wheel force of the curve: the integral of inertia over net force.

    `changes` act on the force; the car is taken as given.

    Parameters
    ----------
    curve_speed, curve_power : array, shape (n,)
        Power at the wheels by speed, rising [m/s, W]; no NaN.

    Returns
    -------
    float
        [s]; infinite where the force does not get it there.
    """
    v = np.linspace(from_mps, to_mps, 2001)
    net = force_on(curve_speed, curve_power, v, changes) - car.road_load(v)
    if (net <= 0).any():
        return math.inf
    slow = (car.mass_kg + car.rotating_kg) / net
    return float(np.sum((slow[1:] + slow[:-1]) / 2 * np.diff(v)))


def top_speed(curve_speed: Floats, curve_power: Floats, car: Vehicle, changes: Changes) -> float:
    """The speed at which road load takes all the wheel force, on the level in still air.

    Parameters
    ----------
    curve_speed, curve_power : array, shape (n,)
        Power at the wheels by speed, rising [m/s, W]; no NaN.

    Returns
    -------
    float
        [m/s]; NaN above 100 m/s.
    """
    v = np.linspace(1.0, 100.0, 9901)
    net = force_on(curve_speed, curve_power, v, changes) - car.road_load(v)
    past = np.flatnonzero((net[:-1] > 0) & (net[1:] <= 0))
    if len(past) == 0:
        return math.nan
    i = int(past[-1])
    return float(v[i] + net[i] / (net[i] - net[i + 1]) * (v[i + 1] - v[i]))


def predict(
    curve: WheelCurve,
    mass: Mass,
    road: RoadLoad,
    changes: Changes,
    measured_s: dict[float, float],
    gearing: Gearing | None = None,
) -> Prediction:
    """Times and top speed after a change, from what the car showed.

    The measured time to each speed is kept and the computed change added to it, so that launch and what the curve does
    not cover stand as driven. The standard error is that of the change: power curve, mass, rolling and drag are moved
    by theirs in turn. NoAnswer for a gearing change behind a belt, which picks its own ratio.

    Parameters
    ----------
    measured_s : dict
        Speed [m/s] -> measured seconds from a standstill.
    """
    if changes.gearing != 1 and (gearing is None or (gearing.belt_low is not None)):
        raise NoAnswer(
            "a change of gearing cannot be predicted, because "
            + ("the belt sets its own ratio between its limits" if gearing else "the car's file has no [gearing]")
        )
    if changes.gearing != 1 and gearing is not None and len(gearing.gears) > 1:
        raise NoAnswer("a change of gearing cannot be predicted, because the runs used more than one gear")
    car = Vehicle.of(mass, road)
    speed, power = curve.speed_mps, curve.power_w
    variants = _variants(speed, power, curve, car, mass, road)
    times = []
    for target, before in sorted(measured_s.items()):
        change, *moved = [
            _shift(speed, each_power, each_car, changes, target, before) for each_power, each_car in variants
        ]
        sigma = math.sqrt(sum((shift - change) ** 2 for shift in moved)) if math.isfinite(change) else math.nan
        times.append(PredictedTime(target, before, before + change, change, sigma))
    tops = [top_speed(speed, p, c, Changes()) for p, c in variants]
    after = [top_speed(speed, p, changes.on(c), changes) for p, c in variants]
    moved = [b - a for a, b in zip(tops, after, strict=True)]
    top_sigma = math.sqrt(sum((x - moved[0]) ** 2 for x in moved[1:]))
    return Prediction(times, tops[0], after[0], top_sigma, _assumptions(curve, changes, tops[0], after[0]))


def _shift(speed: Floats, power: Floats, car: Vehicle, changes: Changes, to_mps: float, before_s: float) -> float:
    """How much longer `to_mps` takes after the change [s].

    On the curve by the integral; below it the car's time goes with its mass over the force at half the curve's foot.
    """
    start, changed = max(LOWEST_MPS, float(speed[0])), changes.on(car)
    old = time_between(speed, power, car, start, to_mps, Changes())
    new = time_between(speed, power, changed, start, to_mps, changes)
    foot, low = max(before_s - old, 0.0), start / 2
    net_old = float(force_on(speed, power, low, Changes()) - car.road_load(low))
    net_new = float(force_on(speed, power, low, changes) - changed.road_load(low))
    heavier = (changed.mass_kg + changed.rotating_kg) / (car.mass_kg + car.rotating_kg)
    slower = heavier * net_old / net_new if net_new > 0 else math.inf
    return new - old + foot * (slower - 1)


def _variants(
    speed: Floats, power: Floats, curve: WheelCurve, car: Vehicle, mass: Mass, road: RoadLoad
) -> list[tuple[Floats, Vehicle]]:
    """The curve and car as they are, then with each uncertain thing moved by its standard error, as seen in the runs:
    a heavier car that did these times had more power, a draggier one too."""
    rate = power - car.road_load(speed) * speed
    heavier = replace(car, mass_kg=car.mass_kg + mass.mass_sigma_kg)
    power_heavier = power + rate * mass.mass_sigma_kg / mass.inertia_kg
    sigma = np.sqrt(np.diag(np.array(road.covariance))) * car.mass_kg
    rolls = replace(car, a_n=car.a_n + float(sigma[0]))
    drags = replace(car, c_n_per_mps2=car.c_n_per_mps2 + float(sigma[2]))
    return [
        (power, car),
        (power * (1 + curve.shares["run to run"] / power), car),
        (power_heavier, heavier),
        (power + float(sigma[0]) * speed, rolls),
        (power + float(sigma[2]) * speed**3, drags),
    ]


def _assumptions(curve: WheelCurve, changes: Changes, before: float, after: float) -> list[str]:
    said = ["Each speed has the engine power of these runs, on the level, in the same air, with the same launch."]
    if changes.mass_kg:
        said.append("Rolling drag grows with the mass; the rotating parts stay the same.")
    if changes.power != 1:
        said.append("The power changes by the same share at all speeds, also in the launch.")
    if changes.gearing != 1:
        said.append("One fixed ratio; the gears' own losses stay the same.")
    highest = float(curve.speed_mps[-1])
    if max(before, after) > highest * max(1.0, 1 / changes.gearing) + 0.3:
        said.append(
            f"Top speed is above the {speed_words(highest)} that the runs reached. Power is assumed to stay the same "
            "above that."
        )
    return said


# --- fuel at a cruise ---------------------------------------------------------------------------------------------

HEATING_J_PER_M3 = 32.0e9
"""Lower heating value of petrol by volume [J/m3] (from memory: 43 MJ/kg and 745 kg/m3)."""
MARGINAL_EFFICIENCY = 0.28
"""Work at the wheels for a joule of *additional* fuel, small engine and belt (common practice, no source; see [1])."""


@dataclass(frozen=True)
class CruiseFuel:
    """Relative change of fuel at a steady speed: between `least` and `most` [-], and the road loads [N]."""

    speed_mps: float
    before_n: float
    after_n: float
    least: float
    most: float
    from_loop: bool


def cruise_fuel(car: Vehicle, changed: Vehicle, speed_mps: float, m3_per_m: float | None = None) -> CruiseFuel:
    """Change of fuel at a cruise from road load alone.

    At most fuel falls in proportion to road load. An engine also burns fuel to turn itself, which a slippery body does
    not save: with a measured consumption, the other end is the saved work over `MARGINAL_EFFICIENCY` (Willans line).
    Without one, the other end is taken as half the proportion.
    """
    before, after = float(car.road_load(speed_mps)), float(changed.road_load(speed_mps))
    most = after / before - 1
    least = most / 2
    if m3_per_m is not None:
        least = (after - before) / MARGINAL_EFFICIENCY / (m3_per_m * HEATING_J_PER_M3)
        least = math.copysign(min(abs(least), abs(most)), most)
    return CruiseFuel(speed_mps, before, after, least, most, m3_per_m is not None)
