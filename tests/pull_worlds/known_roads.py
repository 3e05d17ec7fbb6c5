"""What slopes learned from passes are used for, on roads of this world: coasts, and the load of the engine.

    python -m pull_worlds.known_roads --roads 120 [--passes 6] [--wander 100] [--first 0]

The car coasts over a straight that it passed before; heights wander by 3 m. Held: road load told against true road
load, from coasts in one direction and in both, with learned slopes and without; and the slope that load goes by, by all
passes and by the altitude of one.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from analysis.mixture.engine_load import grade_from_altitude
from analysis.motion.fixes import Fixes
from analysis.road.coastdown import Measured, fit
from analysis.road.coasts import Coast, Mass
from analysis.road.slope_along import slope_along
from analysis.road.slopes import LearnedRoad, heights, learn
from logger.errors import NoAnswer
from pull_worlds.country import Floats, Road, Wind
from pull_worlds.driving import AIR, GRAVITY, STEP_S, Machine
from pull_worlds.seasons import seed_of, wander
from pull_worlds.slopes import WANDER_M, _degrees, passes

FROM_MPS, TO_MPS, AT_MPS = 20.0, 5.0, 13.0
WIND_MPS = 1.0
"""On the average: nobody coasts in a wind."""
READ_S, NOISE_MPS = 0.1, 0.05


@dataclass
class Tally:
    """Of road load at `AT_MPS`, A and C: errors over the true figure, half 95 % intervals over it; refusals."""

    errors: list[tuple[float, float, float]] = field(default_factory=list)
    halves: list[tuple[float, float, float]] = field(default_factory=list)
    refused: int = 0

    def add(self, ask: Callable[[], Measured], car: Machine) -> None:
        try:
            found = ask()
        except NoAnswer:
            self.refused += 1
            return
        true = np.array([true_force(car), car.mass_kg * GRAVITY * car.rolling, 0.5 * 1.204 * car.drag_area_m2])
        told = np.array([float(found.force(AT_MPS)), found.a_n, found.c_n_per_mps2])
        halves = np.array([found.half_width(AT_MPS), found.half_widths[0], found.half_widths[2]])
        self.errors.append(tuple((told / true - 1).tolist()))
        self.halves.append(tuple((halves / true).tolist()))

    def words(self) -> str:
        if not self.errors:
            return f"refused {self.refused}"
        errors, halves = np.array(self.errors), np.array(self.halves)
        held = np.mean(np.abs(errors) <= halves, axis=0)
        rms, half = np.sqrt(np.mean(errors**2, axis=0)), np.median(halves, axis=0)
        named = zip(("force", "A", "C"), held, rms, half, strict=True)
        told = "; ".join(f"{name} held {h:.1%}, rms {r:.1%}, half {w:.1%}" for name, h, r, w in named)
        return f"{told}; told {len(errors)}, refused {self.refused}"


def true_force(car: Machine) -> float:
    return car.mass_kg * GRAVITY * car.rolling + 0.5 * 1.204 * car.drag_area_m2 * AT_MPS**2


def coasts_on(
    car: Machine, road: Road, wind: Wind, backs: Sequence[bool], rng: Generator
) -> list[Coast]:  # fmt: skip
    """A coast out or back for each of `backs`, on the straight behind the bend."""
    bend = int(np.flatnonzero(np.abs(np.diff(road.headings_deg)) > 0).max())
    low, high = bend + 60.0, road.length_m - 60.0
    made = []
    for back in backs:
        sign = -1.0 if back else 1.0
        way, v = (
            (high if back else low) + float(np.clip(rng.normal(0, 15), -40, 40)) + 20 * sign,
            FROM_MPS + rng.normal(0, 0.4),
        )
        head = math.radians(float(road.headings_deg[-1]))
        against = -sign * (wind.east_mps * math.sin(head) + wind.north_mps * math.cos(head))
        gusts = wind.gusts(int(200 / STEP_S), STEP_S, rng)
        rows = []
        while v > TO_MPS and low - 30 < way < high + 30 and len(rows) < len(gusts):
            slope = sign * float(road.slopes[int(way)])
            a = -car.load(v, slope, against + float(gusts[len(rows)])) / (car.mass_kg * (1 + car.rotating))
            rows.append((v, way))
            way += sign * (v * STEP_S + 0.5 * a * STEP_S**2)
            v += a * STEP_S
        every = round(READ_S / STEP_S)
        speed, place = np.array(rows)[::every].T
        n = len(speed)
        _, _, east, north = road.at(place)
        east, north = (at + 1.2 * wander(n, READ_S, 60.0, rng) for at in (east, north))
        lat, lon = _degrees(east, north)
        course = (math.degrees(head) + 180.0 * back) % 360
        made.append(Coast(
            np.arange(n) * READ_S, speed + rng.normal(0, NOISE_MPS, n), course, float(east[0]), float(north[0]),
            np.full(n, np.nan), AIR, 0.0, "day", lat_deg=lat, lon_deg=lon,
        ))  # fmt: skip
    return made


def learned_from(found: Sequence[dict[str, Floats]]) -> LearnedRoad | None:
    return learn([
        heights(one["t_s"], one["speed_mps"], *_degrees(one["east_m"], one["north_m"]), one["height_m"])
        for one in found
    ])  # fmt: skip


def slopes_of_load(road: Road, one: dict[str, Floats], learned: LearnedRoad | None, back: bool) -> tuple[Floats, ...]:
    """Errors of the slope under a pass by one altitude and by all, and what is said of the latter; every 20 m."""
    lat, lon = _degrees(one["east_m"], one["north_m"])
    fixes = Fixes.of(one["t_s"], one["speed_mps"], lat, lon, one["height_m"], one["course_deg"])
    v = one["speed_mps"]
    way = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(one["t_s"]))])
    alone = grade_from_altitude(way, one["height_m"])
    found = slope_along(fixes, way, alone, learned)
    every = np.flatnonzero(np.diff(np.floor(way / 20.0)))[5:-5]
    off = np.hypot(
        road.east_m[None, :] - one["east_m"][every, None], road.north_m[None, :] - one["north_m"][every, None]
    )
    true = road.slopes[off.argmin(axis=1)] * (-1.0 if back else 1.0)
    slope = alone if found is None else found.slope
    said = math.nan if found is None else found.sigma
    return alone[every] - true, slope[every] - true, np.full(len(every), said), true


def judge(roads: int, first: int, count: int, wander_s: float) -> dict[str, Tally | str]:
    tallies = {name: Tally() for name in ("one way", "both ways, learned", "both ways, as told alone")}
    errors = []
    for number in range(first, first + roads):
        rng = seed_of("known roads", number)
        car, road = Machine.any(rng), Road.any(rng, rng.uniform(0.008, 0.02), 2400.0)
        wind = Wind.any(rng, WIND_MPS)
        passed = passes(road, count, rng, WANDER_M, wander_s)
        learned = learned_from(passed)
        errors.append(np.array(slopes_of_load(road, passed[-1], learned, (count - 1) % 2 == 1)))
        mass = Mass(car.mass_kg, 0.0, car.rotating * car.mass_kg, 0.0)
        out, both = ([bool(k % ways) for k in range(6)] for ways in (1, 2))
        made = coasts_on(car, road, wind, out, rng), coasts_on(car, road, wind, both, rng)
        tallies["one way"].add(lambda c=made[0], m=mass, r=learned: fit(c, m, known_road=r), car)  # type: ignore[misc]
        tallies["both ways, learned"].add(lambda c=made[1], m=mass, r=learned: fit(c, m, known_road=r), car)  # type: ignore[misc]
        tallies["both ways, as told alone"].add(lambda c=made[1], m=mass: fit(c, m), car)  # type: ignore[misc]
    alone, by_all, said, true = np.concatenate(errors, axis=1)
    rms = [100 * float(np.sqrt(np.nanmean(each**2))) for each in (true, alone, by_all, said)]
    named = zip(("level", "one altitude", "all passes", "as said"), rms, strict=True)
    return {**tallies, "load": "slope under load, rms: " + ", ".join(f"{name} {each:.2f} %" for name, each in named)}


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--roads", type=int, default=20)
    asked.add_argument("--first", type=int, default=0)
    asked.add_argument("--passes", type=int, default=6)
    asked.add_argument("--wander", type=float, default=100.0)
    given = asked.parse_args()
    for name, told in judge(given.roads, given.first, given.passes, given.wander).items():
        print(f"{name}: {told if isinstance(told, str) else told.words()}", flush=True)


if __name__ == "__main__":
    main()
