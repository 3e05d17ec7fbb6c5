"""A car driven by a foot on a throttle, its carburettor's mixture, the way to the sensor, and the worlds made of them.

    drive = WORLDS["town"].drive(3)
    drive.fixes, drive.time_s, drive.afr        # what is recorded
    drive.delay_s, drive.lag_s, drive.road      # the truth

The foot moves the throttle; force at the wheels is a share of the most the engine has at that speed, and follows at
once. Mixture is set by the opening, with an enrichment above some opening, and a little by speed. Gas takes the
transport delay to the sensor (plug flow: the flow that passes meanwhile is one volume), the sensor is a first-order
lag, its readings are noisy. All figures are invented. SI; mixture is an air-fuel ratio. Motion is stepped at 100 Hz
with even acceleration within a step, mixture at 1 kHz.

The true delay is the mean over all readings taken with the car faster than `MOVING_MPS` of the time that their gas was
on the way. `delay_of_changes_s` weighs the same by how fast the mixture changes: where it changes, a delay shows.
The two differ only in worlds whose delay varies with flow.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from worlds.car import STEP_S as FINE_S
from worlds.car import Car, Drive
from worlds.receiver import Receiver, receive, smoothed

from analysis.conditions.roadload import RoadLoad
from analysis.motion.fixes import Fixes

Floats = NDArray[np.float64]
STEP_S = 0.01
MOVING_MPS = 1.0


# --- the car and its driver -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Engine:
    """force_n, power_w: the most at the wheels; rise: how soon force comes with opening; brake_n: at a closed throttle.

    shifts_mps: the speeds of gear changes, with the throttle closed for shift_s.
    """

    mass_kg: float
    force_n: float
    power_w: float
    rise: float
    brake_n: float
    rolling_n: float
    drag: float
    shifts_mps: tuple[float, ...]
    shift_s: float

    def force(self, opening: float, speed: float) -> float:
        most = self.force_n if speed * self.force_n < self.power_w else self.power_w / speed
        share = (1 - math.exp(-self.rise * opening)) / (1 - math.exp(-self.rise))
        return share * most - (1 - share) * self.brake_n * min(speed / 3, 1.0)


def any_engine(rng: Generator) -> Engine:
    mass = rng.uniform(380, 430)
    shifts = tuple(float(each) for each in (rng.uniform(4, 6), rng.uniform(8.5, 11), rng.uniform(14, 17)))
    return Engine(
        mass, mass * rng.uniform(2.0, 2.8), rng.uniform(11e3, 15e3), rng.uniform(1.5, 3.5),
        mass * rng.uniform(0.3, 0.6), mass * rng.uniform(0.1, 0.15), rng.uniform(0.28, 0.4),
        shifts[: int(rng.integers(0, 4))], rng.uniform(0.4, 0.8),
    )  # fmt: skip


class Driver:
    """Drives phase by phase; keeps speed and opening at every step."""

    def __init__(self, engine: Engine, rng: Generator) -> None:
        self.engine, self.rng = engine, rng
        self.speed, self.opening = [0.0], [0.0]
        self.foot_per_s = rng.uniform(2.0, 6.0)
        """How fast the foot moves, full travel per second."""

    @property
    def now(self) -> float:
        return self.speed[-1]

    def step(self, wanted: float, foot_per_s: float, brake_mps2: float = 0.0) -> None:
        engine, v, most = self.engine, self.speed[-1], foot_per_s * STEP_S
        opening = self.opening[-1] + min(max(wanted - self.opening[-1], -most), most)
        force = engine.force(opening, v)
        if v > 0:
            force -= engine.rolling_n + engine.drag * v * v
        else:
            force = max(force - engine.rolling_n, 0.0)
        self.speed.append(max(v + STEP_S * (force / engine.mass_kg - brake_mps2), 0.0))
        self.opening.append(opening)

    def stand(self, seconds: float) -> None:
        for _ in range(round(seconds / STEP_S)):
            self.step(0.0, self.foot_per_s, 3.0)

    def pull(self, to_mps: float, opening: float, most_s: float = 25.0) -> None:
        """Foot down to an opening and held there up to a speed; changes gear on the way."""
        foot = self.foot_per_s if self.now > 1 else self.foot_per_s * self.rng.uniform(0.15, 0.6)
        closed, begun = 0, len(self.speed)
        while self.now < to_mps and (len(self.speed) - begun) * STEP_S < most_s:
            if any(self.speed[-2] < at <= self.speed[-1] for at in self.engine.shifts_mps if len(self.speed) > 1):
                closed = round(self.engine.shift_s / STEP_S)
            self.step(0.0 if closed > 0 else opening, self.foot_per_s if closed > 0 else foot)
            closed -= 1

    def cruise(self, target_mps: float, seconds: float) -> None:
        """A foot that corrects every half second to second and a half, never quite rightly."""
        engine, due, wanted = self.engine, 0, self.opening[-1]
        for k in range(round(seconds / STEP_S)):
            if k >= due:
                due = k + round(self.rng.uniform(0.5, 1.5) / STEP_S)
                force = engine.rolling_n + engine.drag * target_mps**2 + engine.mass_kg * 0.35 * (target_mps - self.now)
                most = min(engine.force_n, engine.power_w / max(self.now, 1))
                brake = engine.brake_n
                share = min(max((force + brake) / (most + brake), 0.0), 0.9)
                held = -math.log(1 - share * (1 - math.exp(-engine.rise))) / engine.rise
                wanted = min(max(held + self.rng.normal(0, 0.03), 0.0), 0.8)
            self.step(wanted, self.foot_per_s / 3)

    def lift(self, seconds: float, down_to_mps: float = 0.0) -> None:
        for _ in range(round(seconds / STEP_S)):
            if self.now <= down_to_mps:
                return
            self.step(0.0, self.foot_per_s)

    def brake(self, to_mps: float) -> None:
        """Foot off, a moment later the brake; some brakes are eased off at the end."""
        self.lift(self.rng.uniform(0.2, 1.5), to_mps)
        hard, eased, felt = self.rng.uniform(1.2, 3.5), self.rng.random() < 0.4, 0.0
        while self.now > to_mps:
            aim = hard * min(1.0, 0.25 + self.now / 3) if eased else hard
            felt += min(max(aim - felt, -0.1), 0.1)
            self.step(0.0, self.foot_per_s, felt)


def town(d: Driver, rng: Generator, seconds: float) -> None:
    """From stop to stop: half throttles and some full ones, short cruises, lifts."""
    until = len(d.speed) + seconds / STEP_S
    while len(d.speed) < until:
        d.stand(rng.uniform(4, 14))
        limit = rng.uniform(8, 14)
        d.pull(limit, 1.0 if rng.random() < 0.4 else rng.uniform(0.35, 0.8))
        for _ in range(int(rng.integers(1, 4))):
            d.cruise(limit + rng.uniform(-1, 1), rng.uniform(6, 18))
            if rng.random() < 0.5:
                d.brake(rng.uniform(4, 7))
                d.pull(limit, 1.0 if rng.random() < 0.4 else rng.uniform(0.4, 0.8))
        d.brake(0.0)
    d.stand(rng.uniform(5, 9))


def country(d: Driver, rng: Generator, seconds: float) -> None:
    """Long cruises, with full-throttle pulls, lifts, bends to slow down for, and a stop now and then."""
    until = len(d.speed) + seconds / STEP_S
    while len(d.speed) < until:
        d.stand(rng.uniform(5, 12))
        held = rng.uniform(13, 18)
        d.pull(held, rng.uniform(0.5, 1.0))
        for _ in range(int(rng.integers(3, 6))):
            d.cruise(held, rng.uniform(10, 25))
            if rng.random() < 0.35:
                d.brake(rng.uniform(7, 10))
            d.pull(min(max(d.now + rng.uniform(2, 5), held), 21), 1.0)
            if rng.random() < 0.6:
                d.lift(rng.uniform(2, 7), held - 2)
        d.brake(0.0)
    d.stand(rng.uniform(5, 9))


def both(d: Driver, rng: Generator, seconds: float) -> None:
    town(d, rng, seconds / 2)
    country(d, rng, seconds / 2)


# --- the mixture ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Carburettor:
    """Air-fuel ratios: idle, overrun (closed and moving), part, full; enriched above `from_opening`, over `over`."""

    idle: float
    overrun: float
    part: float
    full: float
    from_opening: float
    over: float
    per_mps: float

    def ratio(self, opening: Floats, speed: Floats) -> Floats:
        closed = self.idle + (self.overrun - self.idle) * np.clip(speed / 5, 0, 1)
        off_idle = np.clip(opening / 0.12, 0, 1)
        rich = np.clip((opening - self.from_opening) / self.over, 0, 1)
        return closed * (1 - off_idle) + off_idle * (
            self.part + (self.full - self.part) * rich + self.per_mps * (speed - 12)
        )


def any_carburettor(rng: Generator) -> Carburettor:
    part = rng.uniform(13.4, 14.8)
    return Carburettor(
        rng.uniform(12.6, 13.6), part + rng.uniform(-0.8, 1.2), part, rng.uniform(12.0, 12.9), rng.uniform(0.4, 0.7),
        rng.uniform(0.1, 0.3), rng.uniform(-0.03, 0.03),
    )  # fmt: skip


def left_at(flow: Floats, delay_s: float, varies: float) -> Floats:
    """When the gas that is at the sensor at each step left the engine [s]; `flow` from 0 to 1.

    At a steady flow the delay is `delay_s` (1 + `varies` (1 - 2 flow)); in between, gas moves as a plug.
    """
    speed = 1 / (delay_s * (1 + varies * (1 - 2 * flow)))
    passed = np.concatenate([[0.0], np.cumsum(0.5 * FINE_S * (speed[1:] + speed[:-1]))])
    t = np.arange(len(flow)) * FINE_S
    return np.where(passed > 1, np.interp(passed - 1, passed, t), t - delay_s)


# --- a drive as it is recorded ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Recorded:
    """Fixes, readings, and the truth; the two delays as in the module. `opening`: the throttle's, at 1 kHz from 0."""

    fixes: Fixes
    time_s: Floats
    afr: Floats
    road: RoadLoad
    delay_s: float
    delay_of_changes_s: float
    lag_s: float
    opening: Floats


@dataclass(frozen=True)
class World:
    """varies: share by which the delay goes with flow, either way. step_afr: readings rounded to this; None: a third
    of the drives to 0.1, the others to 0.01."""

    name: str
    driven: Callable[[Driver, Generator, float], None] = both
    receiver: Receiver = field(default_factory=Receiver)
    varies: float = 0.0
    step_afr: float | None = None
    noise_afr: tuple[float, float] = (0.05, 0.1)
    delay_s: tuple[float, float] = (0.15, 0.9)
    lag_s: tuple[float, float] = (0.08, 0.3)
    minutes: float = 6.0

    def drive(self, number: int, shift: int = 0) -> Recorded:
        rng = np.random.default_rng([zlib.crc32(self.name.encode()), shift, number])
        engine, carburettor = any_engine(rng), any_carburettor(rng)
        delay, lag = rng.uniform(*self.delay_s), rng.uniform(*self.lag_s)
        driver = Driver(engine, rng)
        self.driven(driver, rng, 60 * self.minutes)
        coarse = np.arange(len(driver.speed)) * STEP_S
        t = np.arange(round(coarse[-1] / FINE_S) + 1) * FINE_S
        speed, opening = np.interp(t, coarse, driver.speed), np.interp(t, coarse, driver.opening)

        flow = np.clip(0.15 + 0.85 * np.minimum(1, 1.6 * opening) * np.clip(0.3 + speed / 25, 0, 1), 0, 1)
        left = left_at(flow, delay, self.varies)
        mixture = carburettor.ratio(opening, speed)
        at_sensor = np.interp(left, t, mixture)
        told = smoothed(at_sensor, lag)

        every = round(1 / (rng.choice([10.0, 12.5, 20.0, 25.0]) * FINE_S))
        at = np.arange(int(rng.integers(every)), len(t), every)
        step = self.step_afr or (0.1 if rng.random() < 1 / 3 else 0.01)
        afr = told[at] + rng.normal(0, rng.uniform(*self.noise_afr), len(at))

        moving = speed[at] > MOVING_MPS
        under_way, change = (t - left)[at][moving], np.abs(np.gradient(at_sensor, FINE_S))[at][moving]
        n = len(t)
        car = Car(engine.mass_kg, engine.force_n)
        truth = Drive(car, t, speed, speed, np.full(n, 40.0), np.zeros(n), [], [])
        receiver = replace(self.receiver, noise_mps=rng.uniform(0.03, 0.05))
        road = RoadLoad(engine.rolling_n / engine.mass_kg, 0.0, engine.drag / engine.mass_kg, 0.0, "truth")
        return Recorded(
            receive(truth, receiver, rng), t[at], np.round(afr / step) * step, road, float(under_way.mean()),
            float(np.average(under_way, weights=change)), float(lag), opening,
        )  # fmt: skip


_WANDER = Receiver(wander_share=0.5, wander_s=1.0)

_TABLE = [
    World("town", town),
    World("country", country),
    World("5 Hz", receiver=Receiver(rate_hz=5)),
    World("smoothed 0.2", receiver=Receiver(smoothing_s=0.2)),
    World("smoothed 0.3", receiver=Receiver(smoothing_s=0.3)),
    World("smoothed 0.3, 5 Hz", receiver=Receiver(smoothing_s=0.3, rate_hz=5)),
    World("wander", receiver=_WANDER),
    World("wander, smoothed 0.2", receiver=replace(_WANDER, smoothing_s=0.2)),
    World("flow", varies=0.2),
    World("flow, smoothed 0.2", receiver=Receiver(smoothing_s=0.2), varies=0.2),
    World("coarse readings", step_afr=0.1, noise_afr=(0.1, 0.1)),
    World("all, 5 Hz", receiver=replace(_WANDER, smoothing_s=0.3, rate_hz=5), varies=0.2, step_afr=0.1),
]

WORLDS = {world.name: world for world in _TABLE}
