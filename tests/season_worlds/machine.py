"""Light cars that pull from rest, integrated in speed: belt or clutch at launch, engine, gears, rolling, drag, grade.

All figures are invented. The shape of the engine is that of S. R. Leiderman (from memory): power over its peak is
r + r^2 - r^3 at the share r of the speed of peak power.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GRAVITY = 9.80665
FOOT_M = 0.3048
MPH = 0.44704
SEA_AIR = 1.2
"""Density where no weather is given [kg/m3]."""


@dataclass(frozen=True)
class LightCar:
    """A car of its season; it never changes but by what is asked of `passing_times`."""

    kind: Literal["belt", "gears"]
    mass_kg: float
    power_w: float
    """At the wheels, at its peak, in the air of `SEA_AIR`."""
    launch_n: float
    """The most that belt or clutch (of `gears`: clutch or tyre) pass on at launch."""
    rolling: float
    drag_area_m2: float
    rotating: float
    """Rotating parts over mass."""
    tops_mps: tuple[float, ...] = ()
    """Speed of peak power in each gear."""
    shift_s: float = 0.35


@dataclass(frozen=True)
class Pulls:
    """What n runs had, each field (n,). Shares are of the car's own."""

    power: Floats
    launch: Floats
    """Of the force at launch, by the driver."""
    softness: Floats
    """How much of it is missing at the first inch; it is all there at 1.5 m/s."""
    shift_s: Floats
    """Beside the car's own."""
    headwind_mps: Floats
    slope: Floats
    density: Floats

    @staticmethod
    def even(n: int) -> Pulls:
        """Runs without any scatter: no wind, on the level."""
        one, zero = np.ones(n), np.zeros(n)
        return Pulls(one, one, 0.4 * one, zero, zero, zero, SEA_AIR * one)


def any_machine(rng: np.random.Generator, kind: str = "") -> LightCar:
    """A car of 350 to 700 kg and 8 to 30 kW that gets to 30 mph at least."""
    while True:
        mass, power = rng.uniform(350, 700), 1000 * rng.uniform(8, 30)
        made = kind or rng.choice(["belt", "gears"])
        drag, rolling = rng.uniform(0.4, 0.75), rng.uniform(0.012, 0.020)
        # The clutch grips by 5 to 12 m/s, unless the tyres do not hold as much.
        launch, rotating = min(power / rng.uniform(5, 12), mass * rng.uniform(3.0, 4.5)), rng.uniform(0.03, 0.07)
        first, ratio, shift = rng.uniform(7.0, 9.0), rng.uniform(1.45, 1.65), rng.uniform(0.25, 0.5)
        tops = tuple(first * ratio**k for k in range(4))
        car = LightCar("belt" if made == "belt" else "gears", mass, power, launch, rolling, drag, rotating, tops, shift)
        if top_speed(car) > 30 * MPH / 0.85:
            return car


def top_speed(car: LightCar) -> float:
    """Where force and road load meet [m/s], in still air on the level."""
    v = np.linspace(3, 60, 600)
    net = _force(car, v[None, :], Pulls.even(1))[0] - _road_load(car, v[None, :], Pulls.even(1))[0]
    return float(v[np.flatnonzero(net > 0)[-1]]) if (net > 0).any() else 0.0


def passing_times(car: LightCar, pulls: Pulls, speeds_mps: Floats) -> Floats:
    """(n, J) seconds from one foot of movement to each speed; infinite where a run never gets there."""
    edges, t, s = traces(car, pulls, float(speeds_mps.max()))
    foot = np.array([np.interp(FOOT_M, way, time) for way, time in zip(s, t, strict=True)])
    return np.asarray(np.array([np.interp(speeds_mps, edges, time) for time in t]) - foot[:, None])


def traces(car: LightCar, pulls: Pulls, top: float) -> tuple[Floats, Floats, Floats]:
    """Speeds (J,) up to `top` [m/s], and for each run (n, J) when [s] and where [m] it has them, from rest."""
    edges = np.concatenate([np.linspace(0, 3, 121), np.arange(3.05, top + 0.05, 0.05)])
    v = (0.5 * (edges[1:] + edges[:-1]))[None, :]
    net = _force(car, v, pulls) - _road_load(car, v, pulls)
    a = net / (car.mass_kg * (1 + car.rotating))
    step = np.where(a > 1e-3, np.diff(edges) / np.maximum(a, 1e-3), np.inf)
    t = np.concatenate([np.zeros((len(a), 1)), np.cumsum(step, axis=1)], axis=1)
    if car.kind == "gears":
        t = t + _shifts(car, pulls, edges, a)
    return edges, t, np.concatenate([np.zeros((len(a), 1)), np.cumsum(v * step, axis=1)], axis=1)


def slopes(car: LightCar, speeds_mps: Floats) -> Floats:
    """(J,) acceleration of the even run [m/s2]: what turns an error of speed into one of time."""
    v = speeds_mps[None, :]
    even = Pulls.even(1)
    net = _force(car, v, even) - _road_load(car, v, even)
    return np.asarray(net[0] / (car.mass_kg * (1 + car.rotating)))


def _force(car: LightCar, v: Floats, pulls: Pulls) -> Floats:
    """(n, J) at the wheels [N]."""
    bite = pulls.launch[:, None] * (1 - pulls.softness[:, None] * np.clip(1 - v / 1.5, 0, 1))
    power = car.power_w * pulls.power[:, None]
    held = car.launch_n * bite
    if car.kind == "belt":  # slips at a force of its own, then holds the engine near its peak, a little lossier fast
        return _lesser(held, power * (1 - 0.12 * (v / 30.0) ** 2) / v)
    top = np.asarray(car.tops_mps)[np.minimum(np.searchsorted(_shift_points(car), v), len(car.tops_mps) - 1)]
    r = v / top
    r = np.where(top == car.tops_mps[0], np.maximum(r, 0.55), r)  # the clutch slips
    return _lesser(held, power * np.maximum(r + r**2 - r**3, 1e-3) / (r * top))


def _lesser(a: Floats, b: Floats) -> Floats:
    """The lesser of two forces, rounded off where they meet."""
    return np.asarray((a**-6.0 + b**-6.0) ** (-1 / 6.0))


def _shift_points(car: LightCar) -> Floats:
    return 1.1 * np.asarray(car.tops_mps[:-1])


def _shifts(car: LightCar, pulls: Pulls, edges: Floats, a: Floats) -> Floats:
    """Seconds lost to gears by each edge: the pause, and winning back what was lost in it."""
    lost = np.zeros((len(a), len(edges)))
    for at in _shift_points(car):
        k = int(np.searchsorted(edges, at))
        if k < len(edges) - 1:
            pause = np.maximum(car.shift_s + pulls.shift_s, 0.1)
            slowing = _road_load(car, np.full((1, 1), at), pulls)[:, 0] / (car.mass_kg * (1 + car.rotating))
            lost[:, k:] += (pause * (1 + slowing / np.maximum(a[:, k], 1e-3)))[:, None]
    return lost


def _road_load(car: LightCar, v: Floats, pulls: Pulls) -> Floats:
    through = v + pulls.headwind_mps[:, None]
    drag = 0.5 * pulls.density[:, None] * car.drag_area_m2 * through * np.abs(through)
    weight = car.mass_kg * GRAVITY
    return np.asarray(car.rolling * weight + weight * pulls.slope[:, None] + drag)
