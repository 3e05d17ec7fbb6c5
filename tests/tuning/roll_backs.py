"""Launches of a car that rolled back first, with the receiver's course: how the turn is timed was chosen here.

cd tests && python -m tuning.roll_backs [--drives N] [--receiver "white .05"] [--no-course]
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from tuning.launch_worlds import FAMILIES, known, share
from tuning.receiver_worlds import DT, RECEIVERS, Floats, Receiver, Truth, brought_to_rest, cell, received

from analysis.motion.fixes import Fixes, clean
from analysis.motion.smoother import smooth
from analysis.runs.finding import find

CAUGHT_BY = ("let go", "half cosine", "even foot", "slipped", "power foot", "long slip")


def rolling_drive(rng: np.random.Generator, launches: int = 6) -> Truth:
    """Each launch rolls back down a slope of 0.5 to 6 % for up to 2.5 s, and is caught by a push of some family."""
    grip, power = rng.uniform(1.5, 3.6), rng.uniform(14, 40)
    v: list[Floats] = [np.zeros(int(rng.uniform(6, 10) / DT))]
    starts = []
    for _ in range(launches):
        slope, free = float(np.exp(rng.uniform(np.log(0.05), np.log(0.6)))), rng.uniform(0.5, 2.5)
        family = CAUGHT_BY[int(rng.integers(len(CAUGHT_BY)))]
        rise = share(family, lambda low, high: float(np.exp(rng.uniform(np.log(low), np.log(high)))))(
            np.arange(0, 40, DT) + DT / 2
        )
        push = np.concatenate([np.zeros(int(free / DT)), rise])
        speed, pulled = 0.0, []
        for s in push:
            pulled.append(speed)
            speed += (s * min(grip, power / max(abs(speed), 0.3)) - slope - 7e-4 * speed * abs(speed)) * DT
            if speed > 13.0:
                break
        pull = np.array(pulled)
        back = np.flatnonzero(pull < 0)
        starts.append(((sum(map(len, v)) + int(back[-1])) * DT + DT / 2, 0.0, [], FAMILIES.index(family)))
        v += [pull, *brought_to_rest(rng, float(pull[-1]), (0.5, 2), (3.5, 7))]
    speeds = np.concatenate(v)
    return Truth(np.arange(len(speeds)) * DT, speeds, starts)


def with_course(fixes: Fixes, true: Truth, receiver: Receiver, rng: np.random.Generator) -> Fixes:
    """Which way it moves, as well as speed lets a receiver tell; the last one kept below 0.2 m/s."""
    v = np.interp(fixes.t_s, true.t, true.v)
    across = rng.normal(0, receiver.noise_mps, len(v))
    course = np.degrees(np.arctan2(across, v + rng.normal(0, receiver.noise_mps, len(v)))) % 360
    for k in np.flatnonzero(fixes.speed_mps < 0.2):
        course[k] = course[k - 1] if k else 0.0
    return replace(fixes, course_deg=course)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--drives", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--receiver", default="white .05")
    parser.add_argument("--no-course", action="store_true")
    asked = parser.parse_args()
    made, rows = RECEIVERS[asked.receiver], []
    for number in range(asked.drives):
        rng = np.random.default_rng([asked.seed, number, 5])
        true = rolling_drive(rng)
        heard = received(true, made, rng)
        fixes, _ = clean(heard if asked.no_course else with_course(heard, true, made, rng))
        runs = find(smooth(fixes, known(made)), fixes)
        for begun, _, _, kind in true.starts:
            run = min(runs, key=lambda r: abs(r.start_s - begun), default=None)
            if run is None or abs(run.start_s - begun) > 3:
                continue
            fastest = -float(true.v[(true.t > begun - 4) & (true.t < begun)].min())
            rows.append((run.start_s - begun, run.start_sigma_s, fastest, any("rolled" in n for n in run.notes), kind))
    a = np.array(rows)
    speed, told = a[:, 2], a[:, 3] > 0
    for name, of in (("all", speed > 0), ("to 0.1 m/s", speed < 0.1), ("to 0.35", (speed >= 0.1) & (speed < 0.35)),
                     ("to 0.8", (speed >= 0.35) & (speed < 0.8)), ("beyond", speed >= 0.8),
                     ("told", told), ("untold", ~told)):  # fmt: skip
        if not of.any():
            continue
        b = a[of]
        print(f"{name:12s} {len(b):4d} told {100 * b[:, 3].mean():3.0f} %: {cell(b[:, 0], b[:, 1])}")


if __name__ == "__main__":
    main()
