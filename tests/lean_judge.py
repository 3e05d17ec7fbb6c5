"""The lean alert held against what truly was: simulated drives whose throttle and mixture are known at every moment.

    python -m lean_judge --hours 10

A truly lean pull is one at 0.8 of full throttle or more with the controller's reading 0.15 AFR beyond the limit for the
set time and 1.7 s more (speed is looked at over 1.2 s, and GPS is late). A ring is false where in the three seconds
before the throttle was below 0.6 all the time, or the reading never within 0.1 of the limit. What lies between is
neither. `strength`'s constants were chosen on `gentle`; `traffic` and `overtaking` judge.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import simulate
from airfield import Road

from analysis.mixture.lean_alert import LeanWatch
from analysis.mixture.strength import HardPull
from logger.config.car import CarConfig
from logger.config.recorder import RecorderSettings
from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record.live import Place

SECOND = 10**9
LIMIT = 12.5
COUNTRY = Road(straight_m=4200.0, radius_m=400.0, swing_m=9.0)
HILLS = Road(straight_m=300.0, radius_m=70.0, swing_m=3.5)
"""Slopes up to 2.1 %, for choosing: `gentle` and `starts` on it."""
WELL_JETTED = simulate.mixture_of(main_jet_mm=1.10)
LEAN_MAIN = simulate.mixture_of(main_jet_mm=1.02)


@dataclass
class Judged:
    """hours driven; seconds rung, and of them falsely; lean pulls, how many rang in time; the false rings' moments."""

    hours: float = 0.0
    rung_s: float = 0.0
    false_s: float = 0.0
    lean: int = 0
    rang: int = 0
    rings: int = 0
    false_rings: int = 0

    def __add__(self, other: Judged) -> Judged:
        return Judged(*(a + b for a, b in zip(vars(self).values(), vars(other).values(), strict=True)))


def watch_for(car: simulate.Car, power_known: bool, known: Callable[[], Sequence[HardPull]] = tuple) -> LeanWatch:
    """The alert as the owner of that car has it, with or without its power in the car's file."""
    section = {
        "name": "Wren", "mass_kg": car.mass_kg, "cooling": "air", "rolling_coefficient": 0.0145,
        "frontal_area_m2": 1.15, "drag_coefficient": 0.52,
    } | ({"wheel_power_kw": car.power_w / 1000} if power_known else {})  # fmt: skip
    config = CarConfig.model_validate({"car": section})
    return LeanWatch(RecorderSettings(), LIMIT, Place("mixture", 0, "afr"), car=config, known=known)


def judge(watch: LeanWatch, truth: simulate.Truth, law: simulate.MixtureLaw, seed: int) -> Judged:
    """Play one drive to the alert, ten fixes and ten readings a second, and count."""
    rng = np.random.default_rng(seed)
    fixes = simulate.receive(truth, rng=rng, rate_hz=10.0, noise_mps=0.05)
    times, readings = simulate.sense(truth, law, rng, rate_hz=10.0, delay_s=0.4, lag_s=0.2)
    throttle = np.nan_to_num(np.interp(fixes.t_s, truth.t_s, np.nan_to_num(truth.throttle)))
    return count(watch, fixes.t_s, fixes.speed_mps, np.interp(fixes.t_s, times, readings), throttle)


def count(
    watch: LeanWatch, t_s: np.ndarray, speed_mps: np.ndarray, sensed: np.ndarray, throttle: np.ndarray
) -> Judged:  # fmt: skip
    """Play fixes to the alert, each with the mixture as sensed then, and count by the throttle as it truly was."""
    rung = np.zeros(len(t_s), dtype=bool)
    late = 0.1  # a fix arrives that much after its epoch
    for k, (t, v) in enumerate(zip(t_s.tolist(), speed_mps.tolist(), strict=True)):
        now = round((t + late) * SECOND)
        watch.on_fix("gps", Fix(now, None, None, None, None, None, None, v, None, True, *[None] * 5))
        watch.on_reading("mixture", Reading(now, (float(sensed[k]),), None))
        watch.on_tick(now)
        rung[k] = bool(watch.alert)
    step = float(np.median(np.diff(t_s)))
    window = round(3.0 / step)
    hard, lean = _most_lately(throttle, window), _most_lately(sensed, window)
    false = rung & ((hard < 0.6) | (lean < LIMIT - 0.1))
    done = Judged(hours=len(rung) * step / 3600, rung_s=rung.sum() * step, false_s=false.sum() * step)
    done.rings, done.false_rings = _begins(rung), _begins(false)
    need = round((RecorderSettings().lean_alert_s + 1.7) / step)
    truly = (throttle >= 0.8) & (sensed > LIMIT + 0.15)
    for first, last in _stretches(truly):
        if last - first >= need:
            done.lean += 1
            done.rang += bool(rung[first + need - 1 : last].any())
    return done


def _most_lately(values: np.ndarray, window: int) -> np.ndarray:
    padded = np.concatenate([np.full(window, values[0]), values])
    return np.lib.stride_tricks.sliding_window_view(padded, window + 1).max(axis=1)


def _stretches(mask: np.ndarray) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _begins(mask: np.ndarray) -> int:
    return len(_stretches(mask))


def gentle(rng: np.random.Generator, seconds: float) -> list[simulate.Phase]:
    """Town and country as a careful driver has it: half throttle away, up to 20 m/s, never full."""
    phases: list[simulate.Phase] = []
    spent = 0.0
    while spent < seconds:
        top = float(rng.choice([8.0, 11.0, 13.0, 16.0, 20.0])) * rng.uniform(0.9, 1.1)
        hold = rng.uniform(5, 60)
        phases += [
            simulate.Stand(rng.uniform(2, 20)),
            simulate.Pull(top, launch="ramp", throttle=rng.uniform(0.35, 0.58), seconds=40),
            simulate.Cruise(min(top, 14.0), hold),
            simulate.Lift(top * 0.6, seconds=8),
            simulate.Brake(0.0, rng.uniform(0.8, 2.0)),
        ]
        spent += hold + 45
    return phases


def overtaking(rng: np.random.Generator, seconds: float) -> list[simulate.Phase]:
    """Traffic with a full-throttle pull now and then, to the top of third gear as it were."""
    phases: list[simulate.Phase] = []
    while seconds > 0:
        phases += [*simulate.traffic(rng, 150), simulate.Pull(rng.uniform(15, 22)), simulate.Cruise(13.0, 20)]
        phases += [simulate.Brake(0.0)]
        seconds -= 200
    return phases


def starts(rng: np.random.Generator, seconds: float) -> list[simulate.Phase]:
    """An outing of five to sixteen starts at full throttle, with gentle ways between some; however long that takes."""
    phases: list[simulate.Phase] = [simulate.Stand(5)]
    for _ in range(int(rng.integers(5, 17))):
        phases += [simulate.Pull(rng.uniform(18, 23), launch="slip"), simulate.Lift(14, 6), simulate.Brake(0, 2.2)]
        phases += [simulate.Stand(5)]
        if rng.random() < 0.5:
            phases += [simulate.Pull(8.0, launch="ramp", throttle=0.4, seconds=40)]
            phases += [simulate.Cruise(8.0, rng.uniform(3, 30)), simulate.Brake(0, 2.0), simulate.Stand(4)]
    return phases


SCRIPTS = {"gentle": gentle, "traffic": simulate.traffic, "overtaking": overtaking}


def pulls_before(car: simulate.Car, seed: int = 77) -> list[HardPull]:
    """What one earlier outing of standing starts taught of the car."""
    from analysis.conditions import roadload
    from analysis.mixture.strength import full_pulls, pulls_of

    script = [simulate.Stand(5)]
    for _ in range(6):
        script += [simulate.Pull(23.0, launch="slip"), simulate.Lift(17, 6), simulate.Brake(0, 2.2), simulate.Stand(5)]
    truth = simulate.drive(car, script, seed=seed)
    found = full_pulls(pulls_of(truth.t_s[::10], truth.v_mps[::10], truth.a_mps2[::10], roadload.of(None)))
    assert len(found) >= 3
    return found


def taken_for_full(script: str, minutes: float, drives: int, road: Road = COUNTRY) -> int:
    """Of so many drives of one kind how many pass for drives that show full throttle; `starts` do, the others don't."""
    from analysis.conditions import roadload
    from analysis.mixture.strength import full_pulls, pulls_of

    wrong = 0
    for n in range(drives):
        phases = {**SCRIPTS, "starts": starts}[script](np.random.default_rng((n, 5)), minutes * 60)
        truth = simulate.drive(simulate.WREN, phases, road, dt=0.02, seed=n)
        wrong += bool(full_pulls(pulls_of(truth.t_s[::5], truth.v_mps[::5], truth.a_mps2[::5], roadload.of(None))))
    return wrong


def judged(script: str, law: simulate.MixtureLaw, known: str, hours: float, seed: int = 0) -> Judged:
    """So many hours of one kind of driving in half-hour drives; `known`: "nothing", "power" or "drives"."""
    total = Judged()
    watch = None
    earlier = pulls_before(simulate.WREN) if known == "drives" else []
    for n in range(max(1, round(hours * 2))):
        rng = np.random.default_rng((seed, n))
        truth = simulate.drive(
            simulate.WREN, SCRIPTS[script](rng, min(hours, 0.5) * 3600), COUNTRY, dt=0.02, seed=seed + n
        )
        if watch is None or known != "nothing":
            watch = watch_for(simulate.WREN, known == "power", lambda: earlier)
        total += judge(watch, truth, law, seed + n)
    return total


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=10.0)
    parser.add_argument("--learning", action="store_true", help="How often traffic passes for timed runs, too.")
    asked = parser.parse_args()
    hours = asked.hours
    for script in ("gentle", "traffic") if asked.learning else ():
        for minutes in (5, 15, 40):
            print(
                script, minutes, "min:", taken_for_full(script, minutes, 40), "of 40 pass for full throttle", flush=True
            )
    for script in ("gentle", "starts") if asked.learning else ():
        print(script, "in hills:", taken_for_full(script, 15, 24, HILLS), "of 24 pass for full throttle", flush=True)
    for name, law in (("well jetted", WELL_JETTED), ("lean main", LEAN_MAIN)):
        for known in ("power", "drives", "nothing"):
            for script in SCRIPTS:
                done = judged(script, law, known, hours / 3)
                print(
                    f"{name:<12} {known:<8} {script:<11} {done.hours:5.2f} h: {done.rings} rings, "
                    f"{done.false_rings} false ({done.false_s:.0f} s); lean pulls {done.rang} of {done.lean} rang",
                    flush=True,
                )


if __name__ == "__main__":
    main()
