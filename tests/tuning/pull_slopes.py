"""Whether learned slopes pay where pulls are matched by place: python -m tuning.pull_slopes [SEASONS].

Seasons of the tuning worlds of pulls, A-B-A in one outing, whose road was passed eight times, heights wandering by 3 m.
Each is asked three times: matched by place as the program does, with the slopes learned from the passes in its stead,
and with slopes known.
"""

from __future__ import annotations

import sys
from typing import Any

import numpy as np
from numpy.typing import NDArray
from tuning.pull_worlds import M_PER_DEG, World, hills, season
from tuning.slope_roads import _wander

from analysis.changes import compare_power as asked
from analysis.road.slopes import LearnedRoad, Located, Pass, heights, learn

Floats = NDArray[np.float64]
LENGTH_M, PASSES = 6600.0, 8


class KnownHills:
    """The road of a world as if its slope were known to 0.01 %."""

    def __init__(self, world: World, rng: np.random.Generator) -> None:
        self.phase, self.wave, self.size = hills(world, rng)
        self.roads = self

    def slopes(self, way_m: Floats) -> Floats:
        return np.asarray(self.size * np.sin(way_m[..., None] * self.wave + self.phase).sum(axis=-1))

    def locate(self, lat_deg: Floats, lon_deg: Floats, heading_deg: Floats) -> Located:
        sense = np.where(np.cos(np.radians(heading_deg)) > 0, 1.0, -1.0)
        return Located(np.zeros(lat_deg.shape, np.int64), (lat_deg - 45) * M_PER_DEG, sense)

    def passed(self, at: Located) -> NDArray[np.int64]:
        return np.full(at.road.shape, PASSES)

    def slope(self, at: Located, weights: Floats) -> tuple[Floats, Floats]:
        told = self.slopes(at.way_m) * at.sense @ weights
        return told, 1e-8 * np.eye(len(told))


def passes(road: KnownHills, rng: np.random.Generator, wander_s: float) -> list[Pass]:
    every = np.arange(0.0, LENGTH_M)
    height = np.cumsum(road.slopes(every))
    out = []
    for k in range(PASSES):
        t = np.arange(0, 900, 0.2)
        v = rng.uniform(10, 17) + 1.5 * np.sin(2 * np.pi * t / rng.uniform(15, 80))
        way = np.cumsum(v) * 0.2
        on = way < LENGTH_M - 20
        t, v, way = t[on], v[on], way[on]
        way = LENGTH_M - way if k % 2 else way
        z = np.interp(way, every, height) + _wander(len(t), 3.0, wander_s * 0.5, rng) + rng.normal(0, 0.05, len(t))
        out.append(heights(t, v, 45 + way / M_PER_DEG, np.full(len(t), 7.0), z))
    return out


def judged(seasons: int, first: int = 0) -> dict[str, Floats]:
    """Half width and error of the change of power, in %, by each way (seasons, 2)."""
    out: dict[str, list[tuple[float, float]]] = {"matched": [], "learned": [], "known": []}
    least = asked._MATCHED
    for number in range(first, first + seasons):
        world = World()
        pulls = season(world, "A-B-A", np.random.default_rng([41, number]))
        known = KnownHills(world, np.random.default_rng([41, number]))
        learned = learn(passes(known, np.random.default_rng([42, number]), 100.0))
        a, b = ([each for each in pulls if each.setup == name] for name in "AB")
        roads: dict[str, LearnedRoad | Any | None] = {"matched": None, "learned": learned, "known": known}
        for name, road in roads.items():
            asked._MATCHED = 0.0 if road is None else 2.0  # always matched, or never
            found = asked.compare_power("A", a, "B", b, judge=False, learned=lambda road=road: road)  # type: ignore[misc]
            if name != "matched" and not any("corrected as well" in each for each in found.caveats):
                continue
            out[name].append((50 * (found.overall.high - found.overall.low), 100 * found.overall.change))
    asked._MATCHED = least
    return {name: np.array(each) for name, each in out.items()}


if __name__ == "__main__":
    for name, told in judged(int(sys.argv[1]) if len(sys.argv) > 1 else 20).items():
        half, error = told.T
        print(f"{name}: {len(told)} seasons, half width {half.mean():.3f} %, rms {np.sqrt(np.mean(error**2)):.3f} %")
