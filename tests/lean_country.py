"""The lean alert held against another world: cars, hills, wind and receivers of `pull_worlds`, a mixture of its own.

    python -m lean_country --hours 10 --pulls 100

Nothing of it chose a constant of the alert (`strength`'s came from `lean_judge`'s world `gentle`). Of another kind than
`lean_judge`: cars of 350 to 480 kg and 19 to 24 W/kg with a power that bends over speed; a road with slopes of 1.5 %
rms and gusts; a receiver that wanders or smooths; a mixture that drifts, is lean in cruise, spikes lean when the foot
goes down and reads free air on the overrun; an owner whose mass is off by some 3 %, who knows neither drag nor tyres,
and whose power is off by some 8 % where it is told. The counts are `lean_judge`'s. All figures are invented.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass

import numpy as np
from lean_judge import LIMIT, Judged, count
from numpy.random import Generator
from pull_worlds.country import Floats, Road, Wind
from pull_worlds.driving import STEP_S, Leg, LegPlan, Machine, _Driver, drive_leg
from pull_worlds.seasons import RECEIVERS, received, seed_of, wander
from scipy.signal import lfilter

from analysis.conditions import roadload
from analysis.mixture.lean_alert import LeanWatch
from analysis.mixture.strength import HardPull, full_pulls, pulls_of
from logger.config.car import CarConfig
from logger.config.recorder import RecorderSettings
from logger.record.live import Place


@dataclass(frozen=True)
class Jetting:
    """AFR at part throttle on the level, and at full throttle."""

    cruise: float
    full: float


WELL_JETTED, LEAN_MAIN = Jetting(14.2, 12.1), Jetting(14.2, 13.3)
KNOWN = "power", "drives", "nothing"


def sensed(leg: Leg, jets: Jetting, rng: Generator) -> Floats:
    """What the controller reads at each step: AFR through a delay and a lag of its own."""
    opening, n = leg.opening, len(leg.opening)
    share = np.clip((opening - 0.45) / 0.35, 0, 1)  # the power circuit comes in
    afr = jets.cruise + (jets.full - jets.cruise) * share + 0.12 * wander(n, STEP_S, 120.0, rng)
    afr = np.where(leg.speed_mps < 0.5, 13.0, afr)
    over = (opening <= 0.0) & (leg.speed_mps > 3.0)
    quick = np.maximum(np.diff(opening, prepend=opening[0]) / STEP_S, 0.0)
    spike = lfilter([1.0], [1.0, -math.exp(-STEP_S / 0.35)], quick * STEP_S) * 1.3
    afr = np.where(over, 19.5, afr + spike)
    late, lag = round(rng.uniform(0.2, 0.7) / STEP_S), rng.uniform(0.1, 0.4)
    seen = np.concatenate([np.full(late, afr[0]), afr[:-late]])
    kept = math.exp(-STEP_S / lag)
    return np.asarray(lfilter([1 - kept], [1, -kept], seen - seen[0]) + seen[0] + rng.normal(0, 0.05, n))


def traffic(car: Machine, road: Road, wind: Wind, seconds: float, overtakes: bool, rng: Generator) -> Leg:
    """Away at a third to two thirds of the throttle, held at a speed over hills, stopped, turned at the road's ends;
    with `overtakes` some pulls from 10 m/s or so go at full throttle."""
    driver = _Driver(car, road, wind, LegPlan(0, 0), rng)
    driver.stand(5.0)
    while len(driver.rows) * STEP_S < seconds:
        if driver.room_m() < 500.0:
            driver.stop()
            driver.turn()
        driver.stand(rng.uniform(2, 20))
        top, foot, shown = rng.uniform(7, 17), rng.uniform(0.32, 0.66), 0.0
        begun = len(driver.rows)
        while driver.v < top and driver.room_m() > 60 and (len(driver.rows) - begun) * STEP_S < 40:
            shown = min(shown + STEP_S / 0.6, foot)
            driver.step(max(shown, 1e-3))
        _hold(driver, driver.v, rng.uniform(5, 40), rng)
        if overtakes and driver.v > 7 and rng.random() < 0.4:
            driver.pull(rng.uniform(16.5, 19.5), standing=False, part=False)
        driver.stop()
    v, way, back, opening = (np.array(each) for each in zip(*driver.rows, strict=True))
    return Leg(np.arange(len(v)) * STEP_S, v, way, back.astype(np.bool_), opening, driver.pulls)


def _hold(driver: _Driver, speed: float, seconds: float, rng: Generator) -> None:
    """A speed held over hills by a foot that corrects, with up to 0.75 of the throttle."""
    held, due = 0.3, 0
    for _ in range(round(seconds / STEP_S)):
        if driver.room_m() < 60:
            return
        if due <= 0:
            due = round(rng.uniform(0.4, 1.0) / STEP_S)
            wanted = driver.car.mass_kg * 0.4 * (speed - driver.v) + driver.car.load(driver.v, 0.0, 0.0)
            held = min(max(wanted / driver.car.force(driver.v, 1.0), 0.0), 0.75)
        due -= 1
        driver.step(held)


def played(watch: LeanWatch, leg: Leg, road: Road, jets: Jetting, receiver: str, rng: Generator) -> Judged:
    fixes = received(leg, road, RECEIVERS[receiver], rng)
    t, afr = fixes["t_s"], sensed(leg, jets, rng)
    return count(watch, t, fixes["speed_mps"], np.interp(t, leg.t_s, afr), np.interp(t, leg.t_s, leg.opening))


def owner_of(car: Machine, known: str, earlier: list[HardPull], rng: Generator) -> LeanWatch:
    """The alert as the owner has it: a guessed mass, no road load, and perhaps a power."""
    section = {"name": "Finch", "mass_kg": round(car.mass_kg * (1 + 0.03 * rng.standard_normal())), "cooling": "air"}
    if known == "power":
        section["wheel_power_kw"] = round(car.power_w / 1000 * (1 + 0.08 * rng.standard_normal()), 2)
    config = CarConfig.model_validate({"car": section})
    place = Place("mixture", 0, "afr")
    return LeanWatch(RecorderSettings(), LIMIT, place, car=config, known=lambda: earlier)


def outing_before(car: Machine, road: Road, wind: Wind, rng: Generator) -> list[HardPull]:
    """What an earlier outing of eight starts and as many rolling pulls taught of the car."""
    leg = drive_leg(car, road, wind, LegPlan(8, 8), rng)
    every = round(0.1 / STEP_S)
    t, v = leg.t_s[::every], leg.speed_mps[::every]
    return full_pulls(pulls_of(t, v, np.gradient(v, t), roadload.of(None)))


def judged(kind: str, known: str, jets: Jetting, amount: float, first: int = 0) -> Judged:
    """`amount` hours of "traffic" or "overtakes", or so many "pulls", in drives with a car, road and day each."""
    total, number = Judged(), first
    receivers = list(RECEIVERS)
    while (total.lean if kind == "pulls" else total.hours) < amount and number - first < 60 + 4 * amount:
        rng = seed_of("lean country", kind, jets.full, number)
        car, road, wind = Machine.any(rng), Road.any(rng), Wind.any(rng)
        earlier = outing_before(car, road, wind, rng) if known == "drives" else []
        watch = owner_of(car, known, earlier, rng)
        if kind == "pulls":
            leg = drive_leg(car, road, wind, LegPlan(4, 4), rng)
        else:
            leg = traffic(car, road, wind, 1200.0, kind == "overtakes", rng)
        total += played(watch, leg, road, jets, receivers[number % len(receivers)], rng)
        number += 1
    return total


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--pulls", type=int, default=100)
    asked = parser.parse_args()
    for known in KNOWN:
        for name, jets in (("well jetted", WELL_JETTED), ("lean main", LEAN_MAIN)):
            for kind, amount in (("traffic", asked.hours / 2), ("overtakes", asked.hours / 2), ("pulls", asked.pulls)):
                if kind == "pulls" and name == "well jetted":
                    continue
                done = judged(kind, known, jets, amount)
                print(
                    f"{known:<8} {name:<12} {kind:<10} {done.hours:5.2f} h: {done.rings} rings, {done.false_rings} "
                    f"false ({done.false_s:.0f} s); lean pulls {done.rang} of {done.lean} rang",
                    flush=True,
                )


if __name__ == "__main__":
    main()
