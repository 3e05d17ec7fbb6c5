"""The tuning worlds of pulls: python -m tuning.pull_worlds [SEASONS]. They chose the model's priors, and never judge.

A car of 400 kg that pulls from rest and rolls, on a road of unknown hills, in wind and gusts, at full throttle or not;
readings at 10 Hz. The motion is taken as smoothed well: what is tuned is the statistics behind it.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.changes.compare_power import PowerComparison, compare_power
from analysis.changes.season_pulls import SeasonPull
from analysis.conditions.roadload import GRAVITY, RoadLoad
from analysis.motion.fixes import Fixes
from analysis.motion.noise import Noise
from analysis.motion.receiver import Receiver
from analysis.motion.smoother import Motion
from analysis.runs.pulls import find_pulls
from analysis.runs.run import Run

Floats = NDArray[np.float64]
MPH = 0.44704
ROAD = RoadLoad(0.015 * GRAVITY, 0.0, 0.5 * 1.2 * 0.55 / 400, 0.04, "the world's own")
STEP = 0.1
M_PER_DEG = 111_195.0


@dataclass(frozen=True)
class World:
    """Scatter as shares of power; wind and gust [m/s]; slope, rise over run; `part`: pulls not full, by setup."""

    run: float = 0.012
    day: float = 0.01
    leg: float = 0.005
    wind: float = 1.5
    gust: float = 0.7
    slope: float = 0.015
    hill_m: float = 250.0
    noise: float = 0.05
    wander: float = 0.0
    starts: int = 4
    rolling: int = 10
    part: tuple[float, float] = (0.0, 0.0)
    effect: float = 0.0
    places: int = 12
    apart_m: float = 15.0
    power: float = 20.0
    """At the wheels over mass [W/kg]."""
    elsewhere_m: float = 0.0
    """How far from A's places B pulled, starts and all."""


DESIGNS: dict[str, Sequence[tuple[int, int]]] = {
    "A-B-A": [(0, 0), (0, 1), (0, 0)],
    "A-B-A-B": [(0, 0), (0, 1), (0, 0), (0, 1)],
    "weekly": [(0, 0), (1, 0), (2, 1)],
    "weekly long": [(0, 0), (1, 1), (2, 0), (3, 1), (4, 0)],
    "one repeat": [(0, 0), (0, 1), (1, 0)],
}
"""Legs of (outing, setup)."""


def hills(world: World, rng: np.random.Generator) -> tuple[Floats, Floats, float]:
    """Phases, wave numbers [1/m] and size of the sines that the slope is the sum of; the first that a season draws."""
    waves = rng.uniform(0, 2 * np.pi, 12), 2 * np.pi / (world.hill_m * np.exp(rng.uniform(-0.7, 1.0, 12)))
    return *waves, float(world.slope * np.sqrt(2 / 12))


def season(world: World, design: str, rng: np.random.Generator) -> list[SeasonPull]:
    legs = DESIGNS[design]
    *waves, size = hills(world, rng)
    along = rng.uniform(200, 6000, world.places)
    ahead = rng.random(world.places) < 0.5
    outings = sorted({outing for outing, _ in legs})
    days = {outing: world.day * rng.standard_normal() for outing in outings}
    winds = {outing: world.wind * rng.standard_normal() for outing in outings}  # along the road
    rows = []
    for number, (outing, setup) in enumerate(legs):
        level = 1 + days[outing] + world.leg * rng.standard_normal() + world.effect * setup
        for k in range(world.starts):
            at = 50.0 + world.elsewhere_m * setup
            rows.append((number, outing, setup, True, at, k % 2 == 0, level, 0.3, 48 * MPH, 1.0))
        for place in (
            rng.permutation(world.places)[: world.rolling]
            if world.rolling <= world.places
            else rng.integers(0, world.places, world.rolling)
        ):
            shut, deep = rng.random() < world.part[setup], rng.uniform(0.45, 0.95)
            throttle = deep if shut else 1.0
            low = rng.uniform(7.5, 13.0)
            rows.append(
                (
                    number,
                    outing,
                    setup,
                    False,
                    along[place] + world.apart_m * rng.standard_normal() + world.elsewhere_m * setup,
                    bool(ahead[place]),
                    level,
                    low,
                    low + rng.uniform(5.0, 9.0),
                    throttle,
                )
            )
    n = len(rows)
    leg, outing_, setup_, standing, x, forth, level, low, high, throttle = (
        np.array(c) for c in zip(*rows, strict=True)
    )
    sign = np.where(forth, 1.0, -1.0)
    power = world.power * level * (1 + world.run * rng.standard_normal(n)) * throttle
    v = low.astype(float).copy()
    v[~standing] = low[~standing]
    gust = world.gust * rng.standard_normal(n)
    held = np.exp(-STEP / 5.0)
    begin = np.where(standing, 0.5, 2.0)
    place = x.copy()
    vs, xs, alive = [v.copy()], [place.copy()], np.ones(n, bool)
    ended = np.full(n, 10_000)
    wind = np.array([winds[o] for o in outing_])
    for step in range(1, 600):
        gust = held * gust + world.gust * np.sqrt(1 - held**2) * rng.standard_normal(n)
        slope = sign * size * np.sin(place[:, None] * waves[1][None, :] + waves[0][None, :]).sum(axis=1)
        against = sign * wind + gust
        foot = np.clip((step * STEP - begin) / 0.4, 0, 1)
        shape = 1 - 0.08 * ((v - 16) / 10) ** 2
        force = np.minimum(power * shape / np.maximum(v, 1.0), 2.4)
        resist = ROAD.a_mps2 + ROAD.c_per_m * (v + against) * np.abs(v + against) + GRAVITY * slope
        over = (v >= high) | (step > 400)
        ended = np.where(over & (ended > step), step, ended)
        a = np.where(step > ended, -1.0, foot * (force - resist) / (1 + ROAD.rotating))
        v = np.maximum(v + a * STEP, 0.3)
        place = place + sign * v * STEP
        vs.append(v.copy())
        xs.append(place.copy())
        alive = step < ended + 20
        if not alive.any():
            break
    speed, where = np.array(vs).T, np.array(xs).T
    out = []
    clock = 0.0
    for i in range(n):
        clock += 90.0
        last = min(ended[i] + 15, speed.shape[1])
        out += _found(world, speed[i, :last], where[i, :last], bool(forth[i]), bool(standing[i]), i, rng,
                      float(outing_[i]) * 6e5 + clock, int(leg[i]), int(outing_[i]), int(setup_[i]))  # fmt: skip
    return out


def _found(
    world: World, v: Floats, x: Floats, forth: bool, standing: bool, i: int, rng: np.random.Generator, utc: float,
    leg: int, outing: int, setup: int,
) -> list[SeasonPull]:  # fmt: skip
    n = len(v)
    t = STEP * np.arange(n)
    wander = np.zeros(n)
    if world.wander:
        wander[0] = rng.standard_normal()
        for k in range(1, n):
            wander[k] = np.exp(-STEP) * wander[k - 1] + np.sqrt(1 - np.exp(-2 * STEP)) * rng.standard_normal()
    noise = world.noise * (np.sqrt(1 - world.wander) * rng.standard_normal(n) + np.sqrt(world.wander) * wander)
    fixes = Fixes.of(t, v + noise, 45 + x / M_PER_DEG, np.full(n, 7.0), course_deg=np.full(n, 0.0 if forth else 180.0))
    made = light_motion(fixes, v, replace(NOISE, sigma_mps=world.noise, wander_share=world.wander))
    runs = [RUN(n=i + 1, end_s=float(t[-1]))] if standing else []
    return [
        SeasonPull(
            f"d{leg}:{i + 1}", f"d{leg}", "AB"[setup], {"jet": setup}, outing,
            replace(pull, n=i + 1, start_utc_ns=round((utc + pull.start_s) * 1e9)), standing,
        )
        for pull in find_pulls(made, fixes, ROAD, runs)
    ]  # fmt: skip


NOISE = Noise(0.05, 0.05, 0.0, 0.0, "signed", 10.0)  # type: ignore[arg-type]


def RUN(n: int, end_s: float) -> Run:
    """A standing run of which only number and time matter here."""
    run = object.__new__(Run)
    for name, value in (("n", n), ("kind", "standing"), ("start_s", 0.0), ("end_s", end_s)):
        object.__setattr__(run, name, value)
    return run


def light_motion(fixes: Fixes, v: Floats, noise: Noise) -> Motion:
    """The motion of a drive whose truth is known, as if it had been smoothed perfectly."""
    n, t = len(v), fixes.t_s
    a = np.gradient(v, t)
    way = np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * np.diff(t))])
    small = np.broadcast_to(np.eye(2) * 1e-4, (n, 2, 2))
    return Motion(
        t, fixes.speed_mps, v, a, way, np.full(n, 0.01), np.full(n, 0.05), np.full(n, 0.1), noise, [], [], STEP, 0,
        Receiver(1 / STEP, noise.sigma_mps), np.full(n, 0.1), small, small, np.ones(n),
    )  # fmt: skip


def asked(pulls: Sequence[SeasonPull], judge: bool = True) -> PowerComparison:
    a = [each for each in pulls if each.setup == "A"]
    b = [each for each in pulls if each.setup == "B"]
    return compare_power("A", a, "B", b, road=ROAD, judge=judge)


def tally(world: World, design: str, seasons: int, seed: int = 0, judge: bool = True) -> dict[str, float]:
    """Shares of seasons with a verdict, coverage, half width, bias; in per cent."""
    rows = []
    for number in range(seasons):
        found = asked(season(world, design, np.random.default_rng([seed, number])), judge)
        one = found.overall
        told, held = found.verdict in ("more power", "less power"), one.low <= world.effect <= one.high
        half, off = (one.high - one.low) / 2, one.change - world.effect
        rows.append((told, held, half, off, sum(found.rolling), *found.scatter.values()))
    table = np.array(rows, float)
    mean = table.mean(axis=0)
    return {
        "told": 100 * mean[0], "covered": 100 * mean[1], "half": 100 * float(np.median(table[:, 2])),
        "bias": 100 * mean[3], "rms": 100 * float(np.sqrt(np.mean(table[:, 3] ** 2))), "rolling": mean[4],
        **{name: float(np.median(table[:, 5 + k])) for k, name in enumerate(found.scatter)},
    }  # fmt: skip


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    designs = sys.argv[2].split(",") if len(sys.argv) > 2 else list(DESIGNS)
    worlds = {
        "usual": World(), "no legs": World(leg=0.0), "no days": World(day=0.0), "days 2 %": World(day=0.02),
        "wind doubled": World(wind=3.0, gust=1.4), "no rolling": World(rolling=0), "20 rolling": World(rolling=20),
        "part 3 to 1": World(part=(0.3, 0.1)), "wanders": World(wander=0.5), "effect 2 %": World(effect=0.02),
    }  # fmt: skip
    names = sys.argv[3].split(",") if len(sys.argv) > 3 else list(worlds)
    for each in designs:
        for name in names:
            began = time.time()
            told = tally(worlds[name], each, count)
            figures = " ".join(f"{key} {value:.3g}" for key, value in told.items())
            print(f"{each:12} {name:13} {figures} ({(time.time() - began) / count:.2f} s)", flush=True)
