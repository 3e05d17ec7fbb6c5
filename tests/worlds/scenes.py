"""Single questions with a checker each: python -m worlds.scenes [SCENE...] [--shift N]

stops      short stops: 1.5 s at 25, 10 and 5 Hz, 2 s at 1 Hz; how many of 20 starts are found
rollbacks  starts at 1 Hz and more after a roll-back whose course turns: are they timed from where the car turned
traffic    ten hours without a standing run over 20 mph: false runs
pinned     receivers that pin the position and sleep near rest: impossible runs that count
pause      a fuel loop with the receiver off for 207 s: distance by speed against the truth
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.random import Generator

from analysis.motion.fixes import Fixes, clean
from analysis.motion.smoother import smooth
from analysis.road import fuel_loops
from analysis.runs.finding import find
from analysis.runs.run import Run, split_at
from worlds import judge
from worlds.car import MPH, Car, Drive, Kind, Writer, any_car, any_launch
from worlds.receiver import Receiver, receive

_ALL = Receiver(wander_share=0.5, smoothing_s=0.35, outliers=0.02, hold_mps=0.3, decimals=2, missing=0.05)


def runs_of(fixes: Fixes) -> list[Run]:
    kept, _ = clean(fixes)
    return find(smooth(kept), kept)


# --- short stops --------------------------------------------------------------------------------------------------


def short_stops(rng: Generator, stands_s: float, count: int = 20) -> Drive:
    """Out of traffic at 7 to 14 m/s to a stop of `stands_s`, and off at once to 28 to 33 mph, `count` times."""
    car = any_car(rng)
    writer = Writer(car, float(rng.uniform(0, 360)))
    writer.to_speed(10.0, 1.2)
    kinds: tuple[Kind, ...] = ("belt", "bite", "two-step", "ramp")
    for _ in range(count):
        writer.to_speed(rng.uniform(7, 14), 1.0)
        writer.cruise(rng.uniform(8, 20), rng)
        writer.brake("sharp" if rng.random() < 0.6 else "eased", rng)
        writer.stand(stands_s)
        writer.launch(any_launch(kinds[int(rng.integers(len(kinds)))], car, rng), rng.uniform(28, 33) * MPH)
        writer.coast(1.0)
    writer.brake("sharp", rng)
    writer.stand(6)
    return writer.drive()


def check_stops(shift: int) -> Iterator[str]:
    yield "short stops: of 20 starts found; times to 20 mph from one foot"
    for stands, rate in ((1.5, 25.0), (1.5, 10.0), (1.5, 5.0), (2.0, 1.0)):
        receivers = {
            "white 0.05": Receiver(rate_hz=rate),
            "smoothed 0.2": Receiver(rate_hz=rate, smoothing_s=0.2),
            "two dimensions": Receiver(rate_hz=rate, law="horizontal"),
            "0.1 kn, hold": Receiver(rate_hz=rate, decimals=1, hold_mps=0.3),
            "all together": replace(_ALL, rate_hz=rate),
        }
        for name, receiver in receivers.items():
            truth = short_stops(np.random.default_rng([21, shift, round(10 * stands)]), stands)
            runs = runs_of(receive(truth, receiver, np.random.default_rng([22, shift, round(rate)])))
            tally = judge.compare(truth.launches, runs)
            near = sum(abs(each.error) < max(1.0, 1.5 / rate) for each in tally.starts)
            foot = judge.figures(tally.foot)
            yield (
                f"  {stands:.1f} s, {rate:2.0f} Hz, {name:14} {near:3d}/20 near the start, extra {tally.extra},"
                f" starred {tally.starred}; one foot {foot.bias:+.3f} {foot.rms:.3f} {foot.z:.2f}"
            )


# --- roll-backs ---------------------------------------------------------------------------------------------------


def roll_backs(rng: Generator, count: int = 20) -> Drive:
    """Starts on 5 to 9 %: the car rolls back for 1.5 to 4 s, up to 2 m/s or so, before the clutch catches it."""
    car = any_car(rng)
    writer = Writer(car, float(rng.uniform(0, 360)))
    writer.stand(10)
    for _ in range(count):
        launch = any_launch("bite", car, rng)
        waits = round(rng.uniform(1.5, 4.0) * 1000)
        share = np.concatenate([np.zeros(waits), launch.share])
        slope = rng.uniform(0.05, 0.09)
        writer.launch(replace(launch, kind="roll-back", share=share, slope=slope, slope_m=rng.uniform(15, 30)), 14.0)
        writer.coast(1.0)
        writer.brake("sharp", rng)
        writer.stand(rng.uniform(4, 10))
    return writer.drive()


def check_rollbacks(shift: int) -> Iterator[str]:
    yield "roll-backs: 20 starts; start against where the car turned, times to 20 mph from one foot"
    for rate in (1.0, 5.0, 10.0):
        for name, receiver in (
            ("white 0.05", Receiver(rate_hz=rate)),
            ("0.1 kn", Receiver(rate_hz=rate, decimals=1)),
            ("two dimensions", Receiver(rate_hz=rate, law="horizontal")),
        ):
            truth = roll_backs(np.random.default_rng([23, shift]))
            runs = runs_of(receive(truth, receiver, np.random.default_rng([24, shift, round(rate)])))
            tally = judge.compare(truth.launches, runs)
            starts, foot = judge.figures(tally.starts), judge.figures(tally.foot)
            early = sum(each.error < -1.0 for each in tally.starts)
            yield (
                f"  {rate:2.0f} Hz, {name:15} found {tally.launches - tally.missed}/20, starred {tally.starred};"
                f" start {starts.bias:+.2f} {starts.rms:.2f} z {starts.z:.1f}, over 1 s early {early};"
                f" one foot {foot.bias:+.3f} {foot.rms:.3f} z {foot.z:.1f}"
            )


# --- traffic ------------------------------------------------------------------------------------------------------


def traffic(rng: Generator, seconds: float) -> Drive:
    """Stops and starts, none of which passes 19 mph before it has held its speed for six seconds and more."""
    writer = Writer(any_car(rng), float(rng.uniform(0, 360)))
    writer.stand(5)
    while writer.now_s < seconds:
        if rng.random() < 0.25:
            writer.to_speed(rng.uniform(0.6, 2.0), rng.uniform(0.4, 1.2))
            writer.cruise(rng.uniform(2, 6), rng, swing_mps=0.05)
        else:
            writer.to_speed(rng.uniform(3.0, 8.0), rng.uniform(0.6, 2.4))
            writer.cruise(rng.uniform(6.5, 25), rng, turn_deg=float(rng.choice([0, 0, 90, -90])), swing_mps=0.08)
            for _ in range(int(rng.integers(0, 3))):
                writer.to_speed(rng.uniform(5, 15), rng.uniform(0.4, 1.8))
                writer.cruise(rng.uniform(6.5, 40), rng)
        writer.brake("eased" if rng.random() < 0.6 else "sharp", rng)
        writer.stand(rng.uniform(0.8, 20))
    return writer.drive()


def check_traffic(shift: int) -> Iterator[str]:
    yield "traffic: ten hours, no standing run over 20 mph; runs that count are false"
    for name, receiver in (
        ("white 0.05, 10 Hz", Receiver()),
        ("outliers, 10 Hz", Receiver(outliers=0.02)),
        ("all together, 10 Hz", _ALL),
        ("0.1 kn, 1 Hz", Receiver(rate_hz=1, decimals=1, hold_mps=0.3)),
    ):
        false = starred = 0
        for part in range(20):
            truth = traffic(np.random.default_rng([25, shift, part]), 1800.0)
            runs = runs_of(receive(truth, receiver, np.random.default_rng([26, shift, part])))
            counted = sum(judge.is_counted(run) for run in runs)
            false, starred = false + counted, starred + len(runs) - counted
        yield f"  {name:20} false runs {false}, shown and not counted {starred}"


# --- pinned -------------------------------------------------------------------------------------------------------


def starts_only(rng: Generator, count: int = 10) -> Drive:
    """Launches of the usual kinds to 45 mph with sharp and eased stops."""
    car: Car = any_car(rng)
    kinds: tuple[Kind, ...] = ("belt", "soft foot", "bite", "two-step", "gear change")
    writer = Writer(car, float(rng.uniform(0, 360)))
    writer.stand(12)
    for k in range(count):
        writer.launch(any_launch(kinds[k % len(kinds)], car, rng), 45 * MPH)
        writer.coast(2.0)
        writer.brake("sharp" if k % 2 else "eased", rng)
        writer.stand(rng.uniform(6, 12))
    return writer.drive()


def check_pinned(shift: int) -> Iterator[str]:
    yield "pinned: the receiver sleeps until the car is at speed; true runs take 3 s and more to 20 mph"
    for rate in (1.0, 5.0, 10.0):
        for wakes, within in ((3.0, 0.5), (5.0, 0.5), (7.0, 1.0)):
            receiver = Receiver(rate_hz=rate, wakes_mps=wakes, wakes_s=max(within, 1 / rate), pins_mps=1.0)
            truth = starts_only(np.random.default_rng([27, shift]))
            runs = runs_of(receive(truth, receiver, np.random.default_rng([28, shift, round(rate), round(wakes)])))
            said = _impossible(truth, runs)
            yield f"  {rate:2.0f} Hz, wakes at {wakes:.0f} m/s within {receiver.wakes_s:.1f} s: {said}"


def _impossible(truth: Drive, runs: list[Run]) -> str:
    counted = [run for run in runs if judge.is_counted(run)]
    tally = judge.compare(truth.launches, runs)
    off = [each for each in tally.foot if each.counted]
    wrong = sum(abs(each.error) > 0.5 for each in off)
    count, worst = judge.wild(tally.foot)
    quickest = [split for run in counted if (split := split_at(run, 20 * MPH)) is not None]
    words = "none counts"
    if quickest:
        best = min(quickest, key=lambda split: split.from_one_foot_s)
        accel = max(run.peak_accel_mps2 for run in counted)
        grades = [abs(run.grade.percent) for run in counted if math.isfinite(run.grade.percent)]
        words = (
            f"quickest 20 mph {best.from_one_foot_s:.2f} +-{best.from_one_foot_sigma_s:.2f} s,"
            f" up to {accel:.1f} m/s2, grade up to {max(grades, default=math.nan):.0f} %"
        )
    return (
        f"found {len(runs)}, counted {len(counted)}; counted splits over 0.5 s off {wrong} of {len(off)},"
        f" of these stated under 0.1 {count} (worst {worst:.2f}); {words}"
    )


# --- a pause ------------------------------------------------------------------------------------------------------


def paused_loop(rng: Generator, lag_s: float = 3.0, pause_s: float = 207.0) -> tuple[Drive, Fixes]:
    """A loop of 8 km or so with the engine, and so the receiver, off for a while.

    The last fixes tell the speed of `lag_s` ago, so that the car has all but stopped while they read over 20 m/s; the
    first ones come when the car is at speed again. `pause_s` lies between the two.
    """
    car = any_car(rng)
    writer = Writer(car, float(rng.uniform(0, 360)))
    writer.stand(10)
    writer.launch(any_launch("bite", car, rng), 22.0)
    writer.cruise(rng.uniform(120, 200), rng, turn_deg=180, swing_mps=0.2)
    writer.to_speed(22.0, 1.0)
    off = writer.now_s + lag_s
    writer.brake("sharp", rng)
    ahead = Writer(car)
    again = any_launch("bite", car, rng)
    ahead.launch(again, 21.0)
    writer.stand(pause_s - (writer.now_s - off) - ahead.now_s)
    writer.launch(again, 22.0)
    writer.cruise(rng.uniform(120, 200), rng, turn_deg=180, swing_mps=0.2)
    writer.brake("eased", rng)
    writer.stand(10)
    truth = writer.drive()
    fixes = receive(truth, Receiver(), rng)
    late = (fixes.t_s > off - lag_s - 1) & (fixes.t_s <= off)
    reported = fixes.speed_mps.copy()
    reported[late] = np.interp(fixes.t_s[late] - lag_s, fixes.t_s, fixes.speed_mps)
    # The car is turned off at `off` and seen again at that speed.
    seen = (fixes.t_s <= off) | (fixes.t_s >= off + pause_s)
    return truth, replace(fixes, speed_mps=reported).only(seen)


def check_pause(shift: int) -> Iterator[str]:
    yield "pause: a fuel loop, receiver off for 207 s; metres"
    for part in range(6):
        truth, fixes = paused_loop(np.random.default_rng([29, shift, part]), lag_s=float(part % 4))
        kept, _ = clean(fixes)
        motion = smooth(kept)
        way = fuel_loops.distance(motion, kept)
        true = float(truth.way_m[-1])
        yield (
            f"  lag {part % 4} s: true {true:.0f}; by speed {way.doppler_m:.0f} ({way.doppler_m - true:+.0f}), by track"
            f" {way.track_m:.0f} ({way.track_m - true:+.0f}), told {way.metres:.0f} +-{way.sigma_m:.0f},"
            f" in the gap {way.gap_m:.0f}, agree {way.agree}"
        )


SCENES: dict[str, Callable[[int], Iterator[str]]] = {
    "stops": check_stops, "rollbacks": check_rollbacks, "traffic": check_traffic, "pinned": check_pinned,
    "pause": check_pause,
}  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(prog="worlds.scenes", description=__doc__)
    parser.add_argument("scenes", nargs="*", metavar="SCENE", choices=[[], *SCENES])
    parser.add_argument("--shift", type=int, default=0, help="other seeds")
    asked = parser.parse_args()
    for name in asked.scenes or SCENES:
        for line in SCENES[name](asked.shift):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
