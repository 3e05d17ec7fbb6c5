"""The tuning roads of slopes: python -m tuning.slope_roads [ROADS]. `road.slopes` was made on them; they never judge.

Slopes are splines through normal values 60 to 160 m apart, roads wind gently, passes go out and back at 9 to 18 m/s.
"""

from __future__ import annotations

import math
import sys
import time

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from analysis.road import slopes

Floats = NDArray[np.float64]
LENGTH_M = 1700
M_PER_DEG = 111_195.0
LAT = 45.0


class Road:
    """Slope, heading [rad], place [m] and height [m] at every metre."""

    def __init__(self, rng: Generator, rms: float | None = None) -> None:
        from scipy.interpolate import CubicSpline

        way = np.arange(0.0, LENGTH_M)
        size = rng.uniform(0.006, 0.022) if rms is None else rms
        knots = np.arange(0, LENGTH_M + 120, rng.uniform(60, 160))
        slope = CubicSpline(knots, rng.standard_normal(len(knots)))(way)
        self.slope = size * (slope - slope.mean()) / slope.std()
        bends = np.arange(0, LENGTH_M + 200, 200.0)
        self.heading = np.cumsum(np.interp(way, bends, rng.normal(0, 0.004, len(bends)))) + rng.uniform(0, 6)
        self.east, self.north = np.cumsum(np.sin(self.heading)), np.cumsum(np.cos(self.heading))
        self.height = np.cumsum(self.slope)

    def degrees(self, east: Floats, north: Floats) -> tuple[Floats, Floats]:
        return LAT + north / M_PER_DEG, 7.0 + east / M_PER_DEG / math.cos(math.radians(LAT))


def passes(road: Road, count: int, rng: Generator, wander_m: float, wander_s: float) -> list[slopes.Pass]:
    out = []
    for number in range(count):
        t = np.arange(0, 220, 0.1)
        speed = rng.uniform(9, 18) + 1.5 * np.sin(2 * np.pi * t / rng.uniform(15, 80))
        way = 20 + np.cumsum(speed) * 0.1
        on = way < LENGTH_M - 20
        t, speed, way = t[on], speed[on], way[on]
        way = LENGTH_M - way if number % 2 else way
        k, n = np.arange(LENGTH_M), len(t)
        east, north, height = (np.interp(way, k, each) for each in (road.east, road.north, road.height))
        lat, lon = road.degrees(east + _wander(n, 1.5, 60.0, rng), north + _wander(n, 1.5, 60.0, rng))
        height = height + rng.uniform(-20, 20) + _wander(n, wander_m, wander_s, rng) + rng.normal(0, 0.05, n)
        out.append(slopes.heights(t, speed, lat, lon, height))
    return out


def _wander(n: int, size: float, seconds: float, rng: Generator) -> Floats:
    from scipy.signal import lfilter

    kept = math.exp(-0.1 / seconds)
    drawn = rng.standard_normal(n)
    drawn[1:] *= math.sqrt(1 - kept * kept)
    return np.asarray(size * lfilter([1.0], [1.0, -kept], drawn))


def tally(wander_m: float, wander_s: float, count: int, roads: int, seed: int = 77) -> dict[str, float]:
    """Over 120 m: rms error and what was said of it, the share inside 95 %; wander as learned (medians)."""
    errors, said, learned = [], [], []
    for number in range(roads):
        rng = np.random.default_rng([seed, number])
        road = Road(rng)
        found = slopes.learn(passes(road, count, rng, wander_m, wander_s))
        assert found is not None
        learned.append((found.wander_m**2 / found.wander_s, found.slope_rms))
        for at in range(200, LENGTH_M - 250, 50):
            lat, lon = road.degrees(road.east[at], road.north[at])
            mean, sigma = found.slope_about(float(lat), float(lon), float(np.degrees(road.heading[at])))
            errors.append(mean - (road.height[at + 60] - road.height[at - 60]) / 120)
            said.append(sigma)
    error, sigma = np.array(errors), np.array(said)
    told = np.isfinite(error)
    rate, slope = np.median(learned, axis=0)
    return {
        "told": float(told.mean()), "rms": 100 * float(np.sqrt(np.mean(error[told] ** 2))),
        "said": 100 * float(np.sqrt(np.mean(sigma[told] ** 2))),
        "held": float(np.mean(np.abs(error[told]) < 1.96 * sigma[told])),
        "rate": float(rate), "true rate": wander_m**2 / wander_s, "slope": float(slope),
    }  # fmt: skip


if __name__ == "__main__":
    roads = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    for each in ((3.0, 40.0, 6), (3.0, 120.0, 6), (1.5, 80.0, 4), (3.0, 300.0, 8)):
        began = time.process_time()
        figures = " ".join(f"{name} {value:.3g}" for name, value in tally(*each, roads).items())
        print(f"{each} {figures} ({(time.process_time() - began) / roads:.2f} s)", flush=True)
