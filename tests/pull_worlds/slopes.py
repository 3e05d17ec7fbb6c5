"""The owner's stretch of road, passed several times: what a learned slope is held to.

    judged = judge_slopes(learn, roads=40)
    judged.rms, judged.held                     # over 120 m; of its 95 % intervals, the share that hold the truth

`learn` gets the passes as fixes and gives, for places and headings on the road, the rise over run of the 120 m about
each and its standard error. Nothing of the program is named here: whatever learns slopes is handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from pull_worlds.country import Floats, Road
from pull_worlds.driving import STEP_S, Leg
from pull_worlds.seasons import EARTH_M, ORIGIN_DEG, Receiver, received, seed_of

OVER_M = 120.0
BAR_RMS, BAR_HELD, SPARE = 0.0035, 0.95, 0.03
PASSES, WANDER_M = 6, 3.0
WANDER_S = 40.0
"""How long a height wanders is not said by the bar. In 40 s nothing that is told altitudes alone can meet its bar:
knowing the laws of hills and wander exactly, the best comes to 0.47 % (0.33 % in 100 s, 0.20 % in 300 s)."""
Slopes = Callable[[Floats, Floats, Floats], tuple[Floats, Floats]]
"""East, north [m], heading [deg] of places -> slope over `OVER_M` as the car would feel it, and its standard error."""


@dataclass(frozen=True)
class JudgedSlopes:
    """errors, sigmas: of every place of every road, as rise over run."""

    errors: Floats
    sigmas: Floats

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.errors**2)))

    @property
    def held(self) -> float:
        return float(np.mean(np.abs(self.errors) <= 1.96 * self.sigmas))

    @property
    def misses(self) -> list[str]:
        said = [f"rms {self.rms:.2%}"] if self.rms >= BAR_RMS else []
        return said + ([f"held {self.held:.1%}"] if abs(self.held - BAR_HELD) > SPARE else [])


def passes(
    road: Road, count: int, rng: Generator, wander_m: float = WANDER_M, wander_s: float = WANDER_S
) -> list[dict[str, Floats]]:
    """Columns of the fixes of each pass, out and back in turn, at 11 to 17 m/s; heights wander by `wander_m`."""
    out = []
    for number in range(count):
        ends = road.length_m - 40.0
        t = np.arange(0.0, ends / 11.0 + 60.0, STEP_S)
        speed = rng.uniform(12.0, 16.0) + np.sin(2 * np.pi * t / rng.uniform(20, 60) + rng.uniform(0, 6))
        way = 20.0 + np.cumsum(speed) * STEP_S
        on = way < ends
        back = number % 2 == 1
        leg = Leg(
            t[on], speed[on], road.length_m - way[on] if back else way[on], np.full(int(on.sum()), back),
            np.full(int(on.sum()), 0.3),
        )  # fmt: skip
        out.append(received(leg, road, Receiver(height_m=wander_m, height_s=wander_s), rng))
    return out


def true_slopes(road: Road, way_m: Floats, back: bool) -> Floats:
    """Rise over run of the `OVER_M` about places on the road."""
    ends = [road.at(way_m + side * OVER_M / 2)[1] for side in (-1, 1)]
    return np.asarray((ends[1] - ends[0]) / OVER_M * (-1 if back else 1))


def judge_slopes(
    learn: Callable[[Sequence[dict[str, Floats]]], Slopes], roads: int, first: int = 0, wander_s: float = WANDER_S
) -> JudgedSlopes:
    """Learn the slope of so many roads from six passes each, and hold it to the truth every 40 m, both ways."""
    errors, sigmas = [], []
    for number in range(first, first + roads):
        rng = seed_of("slopes", number)
        road = Road.any(rng, rng.uniform(0.008, 0.02), 1600.0)
        told = learn(passes(road, PASSES, rng, WANDER_M, wander_s))
        way = np.arange(200.0, 1400.0, 40.0)
        heading, _, east, north = road.at(way)
        for back in (False, True):
            slope, sigma = told(east, north, (heading + 180.0 * back) % 360)
            errors.append(slope - true_slopes(road, way, back))
            sigmas.append(sigma)
    return JudgedSlopes(np.concatenate(errors), np.concatenate(sigmas))


def by_altitude(found: Sequence[dict[str, Floats]]) -> Slopes:
    """The program's own (`analysis.road.slopes`)."""
    from analysis.road.slopes import heights, learn

    road = learn([
        heights(one["t_s"], one["speed_mps"], *_degrees(one["east_m"], one["north_m"]), one["height_m"])
        for one in found
    ])  # fmt: skip
    assert road is not None

    def told(east: Floats, north: Floats, heading: Floats) -> tuple[Floats, Floats]:
        places = zip(*_degrees(east, north), heading, strict=True)
        slope, sigma = np.array([road.slope_about(*place, OVER_M) for place in places]).T
        return slope, sigma

    return told


def _degrees(east_m: Floats, north_m: Floats) -> tuple[Floats, Floats]:
    """Latitude and longitude, as `seasons` writes them."""
    lat = ORIGIN_DEG[0] + np.degrees(north_m / EARTH_M)
    return lat, ORIGIN_DEG[1] + np.degrees(east_m / EARTH_M) / np.cos(np.radians(ORIGIN_DEG[0]))
