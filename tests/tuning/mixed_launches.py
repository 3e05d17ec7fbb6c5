"""Drives whose launches are of all twelve families of `launch_worlds`, mixed; they judge nothing.

    cd tests && python -m tuning.mixed_launches ["only wander 2" ...] [--drives N] [--seed N]

What first movement and one foot bear where noise only wanders was chosen on them: among their launches are stumbles and
steps of every size, which no rise describes.
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from tuning.launch_worlds import FAMILIES, rolled_back, share
from tuning.receiver_worlds import DT, FOOT, RECEIVERS, TO_MPS, Floats, Truth, brought_to_rest, cell, held_pull, judge

LAUNCHES, TOP_MPS = 10, 19.5


def a_mixed_drive(rng: np.random.Generator) -> Truth:
    """One car; half of the cars are held by rolling resistance until the push is over it."""
    grip, power = rng.uniform(1.3, 3.6), rng.uniform(14, 40)
    resistance = 0.15 * float(rng.random() < 0.5)
    v: list[Floats] = [np.zeros(int(rng.uniform(6, 10) / DT))]
    starts = []

    def u(low: float, high: float) -> float:
        return math.exp(rng.uniform(math.log(low), math.log(high)))

    for _ in range(LAUNCHES):
        number = int(rng.integers(len(FAMILIES)))
        rolls = FAMILIES[number] == "rolled back"
        rise = share("half cosine" if rolls else FAMILIES[number], u)(np.arange(0, 60, DT) + DT / 2)
        if rolls:
            back, rise = rolled_back(rise, grip, u)
            v.append(back)
        pull = held_pull(rise, grip, power, resistance, TOP_MPS)
        begin, way, since = sum(map(len, v)) * DT, np.cumsum(pull) * DT, np.arange(len(pull)) * DT
        first = begin + (int(np.argmax(pull > 0)) - 1) * DT
        passed = [begin + float(np.interp(speed, np.maximum.accumulate(pull), since)) for speed in TO_MPS]
        starts.append((first, begin + float(np.interp(FOOT, way, since)), passed, number))
        v += [pull, *brought_to_rest(rng, float(pull[-1]), (0.5, 2), (3.5, 9))]
    speeds = np.concatenate(v)
    return Truth(np.arange(len(speeds)) * DT, speeds, starts)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("worlds", nargs="*", default=["only wander 2"])
    parser.add_argument("--drives", type=int, default=14)
    parser.add_argument("--seed", type=int, default=5)
    asked = parser.parse_args()
    for name in asked.worlds:
        r = judge(RECEIVERS[name], asked.drives, asked.seed, made=a_mixed_drive)
        print(f"{name:16s} first {cell(r.first, r.first_sigma)}  foot {cell(r.foot, r.foot_sigma)}", flush=True)
        for k, family in enumerate(FAMILIES):
            if (mine := r.kind == k).any():
                told = cell(r.first[mine], r.first_sigma[mine]), cell(r.foot[mine], r.foot_sigma[mine])
                print(f"    {family:16s} first {told[0]}  foot {told[1]}", flush=True)


if __name__ == "__main__":
    main()
