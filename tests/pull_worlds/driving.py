"""A light car driven on that road: starts from rest, rolling pulls at full and at part throttle, and what lies between.

    leg = drive_leg(car, road, wind, plan, rng)
    leg.t_s, leg.speed_mps, leg.way_m, leg.back, leg.opening      # every STEP_S
    leg.pulls                                                      # what was pulled, and by how much of the power

Longitudinal dynamics: m (1 + r) dv/dt = F - m g (rolling + slope) - 0.5 rho CdA (v + w)|v + w|, with F the lesser of
what belt or clutch pass on and P(v) / v. A pull's power is the car's times the day's, the leg's and its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from pull_worlds.country import STEP_M, Floats, Road, Wind

STEP_S = 0.02
GRAVITY, AIR = 9.80665, 1.2
MPH = 0.44704
CRUISE_MPS = 9.8
"""Between pulls."""
START_MARKS_M = 450.0, 880.0
"""Where starts out and starts back begin."""


@dataclass(frozen=True)
class Machine:
    """A car; power_w is at the wheels, at its most. hump: how much less there is at 8 and at 22 m/s."""

    mass_kg: float
    power_w: float
    launch_n: float
    hump: float
    rolling: float
    drag_area_m2: float
    rotating: float

    @classmethod
    def any(cls, rng: Generator) -> Machine:
        """350 to 480 kg, 19 to 24 W/kg: 8 kW for 400 kg is in it."""
        mass = rng.uniform(350, 480)
        power = mass * rng.uniform(19, 24)
        return cls(
            mass, power, power / rng.uniform(6.0, 8.0), rng.uniform(0.0, 0.12), rng.uniform(0.012, 0.018),
            rng.uniform(0.45, 0.65), rng.uniform(0.03, 0.07),
        )  # fmt: skip

    def force(self, v: float, power: float) -> float:
        """At full throttle [N]; `power` as a share of the car's own."""
        bend = 1 - self.hump * ((v - 15.0) / 7.0) ** 2 if v > 4 else 1 - self.hump
        return min(self.launch_n, self.power_w * power * max(bend, 0.5) / max(v, 0.5))

    def load(self, v: float, slope: float, headwind: float) -> float:
        """[N]"""
        through = v + headwind
        return self.mass_kg * GRAVITY * (self.rolling + slope) + 0.5 * AIR * self.drag_area_m2 * through * abs(through)

    def time_between(self, low_mps: float, high_mps: float, power: float = 1.0) -> float:
        """Seconds on the level in still air at full throttle."""
        v = np.arange(low_mps, high_mps, 0.02) + 0.01
        net = np.array([self.force(float(x), power) - self.load(float(x), 0.0, 0.0) for x in v])
        return float(np.sum(0.02 * self.mass_kg * (1 + self.rotating) / net))


@dataclass(frozen=True)
class LegPlan:
    """What is driven between two stops of the engine: starts, then rolling pulls; `part`: share of those at part
    throttle. power: day, leg and setup together, over the car's own. run_sigma: scatter of each pull's power."""

    starts: int
    rolling: int
    power: float = 1.0
    part: float = 0.0
    run_sigma: float = 0.012


@dataclass(frozen=True)
class TruePull:
    start_s: float
    standing: bool
    opening: float
    """Of full throttle; less is part throttle, and gives so much of the power."""
    power: float


@dataclass
class Leg:
    """A drive as it was, every `STEP_S`. way_m: along the road, outward; back: whether it goes back on it."""

    t_s: Floats
    speed_mps: Floats
    way_m: Floats
    back: NDArray[np.bool_]
    opening: Floats
    pulls: list[TruePull] = field(default_factory=list)


class _Driver:
    def __init__(self, car: Machine, road: Road, wind: Wind, plan: LegPlan, rng: Generator) -> None:
        self.car, self.road, self.plan, self.rng = car, road, plan, rng
        self.v, self.way, self.back = 0.0, START_MARKS_M[0], False
        self.rows: list[tuple[float, float, bool, float]] = []
        self.pulls: list[TruePull] = []
        self._slopes = road.slopes.tolist()
        turns = np.radians(road.headings_deg)
        self._winds = (-(wind.east_mps * np.sin(turns) + wind.north_mps * np.cos(turns))).tolist()
        self._wind, self._gusts, self._k = wind, wind.gusts(60_000, STEP_S, rng).tolist(), 0

    def step(self, opening: float, power: float = 1.0, brake: float = 0.0) -> None:
        car, at = self.car, int(self.way / STEP_M)
        at = min(max(at, 0), len(self._slopes) - 1)
        sign = -1.0 if self.back else 1.0
        gust = self._gusts[self._k % len(self._gusts)]
        self._k += 1
        net = opening * car.force(self.v, power) - car.load(
            self.v, sign * self._slopes[at], sign * self._winds[at] + gust
        )
        if opening == 0.0:
            net -= 0.35 * car.mass_kg  # the engine brakes
        if self.v < 0.05 and opening == 0.0:
            net = 0.0
            self.v = 0.0
        a = net / (car.mass_kg * (1 + car.rotating)) - brake
        before, self.v = self.v, max(self.v + STEP_S * a, 0.0)
        self.way += sign * 0.5 * STEP_S * (before + self.v)
        self.rows.append((self.v, self.way, self.back, opening))

    def stand(self, seconds: float) -> None:
        self.v = 0.0
        for _ in range(round(seconds / STEP_S)):
            self.step(0.0)

    def stop(self) -> None:
        for _ in range(round(self.rng.uniform(0.5, 1.5) / STEP_S)):
            self.step(0.0)
        hard = self.rng.uniform(1.5, 2.8)
        while self.v > 0.03:
            self.step(0.0, brake=hard)
        self.v = 0.0

    def stop_at(self, mark_m: float) -> None:
        """Slow down, and roll on at 6 m/s to a mark, near enough."""
        hard, sign = self.rng.uniform(1.5, 2.8), -1.0 if self.back else 1.0
        while self.v > 6.0:
            self.step(0.0, brake=hard)
        while sign * (mark_m - self.way) > 8.0 + self.rng.normal(0, 0.3):
            wanted = self.car.mass_kg * 0.4 * (6.0 - self.v) + self.car.load(self.v, 0.0, 0.0)
            self.step(min(max(wanted / self.car.force(self.v, 1.0), 0.0), 0.6))
        while self.v > 0.03:
            self.step(0.0, brake=2.0)
        self.v = 0.0

    def turn(self) -> None:
        self.stand(self.rng.uniform(5, 8))
        self.back = not self.back

    def room_m(self) -> float:
        return self.way - 20.0 if self.back else self.road.length_m - 20.0 - self.way

    def pull(self, to_mps: float, standing: bool, part: bool) -> None:
        opening = self.rng.uniform(0.72, 0.93) if part else 1.0
        power = self.plan.power * (1 + self.plan.run_sigma * self.rng.standard_normal())
        self.pulls.append(TruePull(len(self.rows) * STEP_S, standing, opening, power))
        rise, shown = (0.5, 0.0) if standing else (0.15, 0.2)
        begun, most = len(self.rows), 45.0
        while self.v < to_mps and self.room_m() > 40.0 and (len(self.rows) - begun) * STEP_S < most:
            shown = min(shown + STEP_S / rise, opening)
            self.step(max(shown, 1e-3), power)

    def cruise_to(self, way_m: float) -> None:
        """At `CRUISE_MPS` or so, up to a place on the way, with a foot that corrects."""
        held, due = 0.3, 0
        sign = -1.0 if self.back else 1.0
        while sign * (way_m - self.way) > 0 and self.room_m() > 40.0:
            if due <= 0:
                due = round(self.rng.uniform(0.4, 1.0) / STEP_S)
                wanted = self.car.mass_kg * 0.4 * (CRUISE_MPS - self.v) + self.car.load(self.v, 0.0, 0.0)
                held = min(max(wanted / self.car.force(self.v, 1.0), 0.0), 0.6)
            due -= 1
            self.step(held)


def drive_leg(car: Machine, road: Road, wind: Wind, plan: LegPlan, rng: Generator) -> Leg:
    """Starts to and fro between two marks, as testers do it, then laps of the road with pulls at places of habit."""
    driver = _Driver(car, road, wind, plan, rng)
    driver.stand(9.0)
    for number in range(plan.starts):
        driver.pull(rng.uniform(19.5, 21.0), standing=True, part=False)
        driver.stop_at(START_MARKS_M[0] if driver.back else START_MARKS_M[1])
        driver.turn() if number < plan.starts - 1 or driver.back else driver.stand(6.0)
    done, limit = 0, 4 * plan.rolling + 20
    marks = np.arange(150.0, road.length_m - 350.0, 330.0)
    # Of every so many pulls a share is at part throttle, whichever; so that shares are what they are called.
    parts = list(rng.permutation(np.arange(plan.rolling) < round(plan.part * plan.rolling)))
    while done < plan.rolling and limit > 0:
        limit -= 1
        places = [road.length_m - m for m in marks] if driver.back else list(marks)
        places = sorted(places, reverse=driver.back)
        ahead = [p for p in places if (p < driver.way if driver.back else p > driver.way)]
        for place in ahead:
            if done >= plan.rolling or driver.room_m() < 320.0:
                break
            driver.cruise_to(place + rng.normal(0, 20.0))
            while driver.v > CRUISE_MPS + 0.8:
                driver.step(0.0)
            driver.pull(rng.uniform(16.5, 19.5), standing=False, part=bool(parts[done]))
            done += 1
        if done < plan.rolling or driver.v > 0:
            driver.stop()
            driver.turn()
    if driver.v > 0:
        driver.stop()
    driver.stand(8.0)
    v, way, back, opening = (np.array(each) for each in zip(*driver.rows, strict=True))
    return Leg(np.arange(len(v)) * STEP_S, v, way, back.astype(np.bool_), opening, driver.pulls)


def power_answer(car: Machine, to_mps: float) -> float:
    """Seconds that the time from rest to a speed changes by for a change of the power by itself: d t / d ln P."""
    more, less = (car.time_between(0.3, to_mps, math.exp(sign * 0.01)) for sign in (1, -1))
    return (more - less) / 0.02
