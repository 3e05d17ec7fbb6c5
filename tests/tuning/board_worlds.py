"""Boards beside the receivers of `tuning.receiver_worlds`: the constants of `motion.board` and `runs.board_start` were
chosen here, so it judges nothing.

    cd tests && python -m tuning.board_worlds [--drives N] [--seed N] [--receiver "white .05"] [--fault F]
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace

import numpy as np
from board_lines import MadeBoard, board_readings
from tuning.receiver_worlds import DT, RECEIVERS, Floats, Truth, brought_to_rest, cell, held_pull, received, rise

from analysis.motion.beside_fixes import BesideUnusable
from analysis.motion.board import mount
from analysis.motion.fixes import clean
from analysis.motion.smoother import smooth
from analysis.runs.board_start import first_movement
from analysis.runs.finding import find

ROLLING_MPS2 = 0.15


def held_drive(rng: np.random.Generator, launches: int) -> Truth:
    """Launches of the six families, of a car that rolling resistance holds until the push is over it, and stops."""
    grip, power, top = rng.uniform(1.6, 3.2), rng.uniform(18, 40), 14.0
    v: list[Floats] = [np.zeros(int(rng.uniform(6, 10) / DT))]
    starts = []
    for number in range(launches):
        kind = number % 6
        share = rise(rng, kind)(np.arange(0, 40, DT) + DT / 2)
        pull = held_pull(share, grip, power, ROLLING_MPS2, top)
        begin = sum(map(len, v)) * DT
        starts.append((begin + (int(np.argmax(pull > 0)) - 1) * DT, 0.0, [], kind))
        v += [pull, *brought_to_rest(rng, float(pull[-1]), (1, 3), (3.5, 9))]
    speeds = np.concatenate(v)
    return Truth(np.arange(len(speeds)) * DT, speeds, starts)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--drives", type=int, default=6)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--receiver", default="white .05")
    parser.add_argument("--fault", default="")
    asked = parser.parse_args()
    rows, why, delays = [], Counter(), []
    for number in range(asked.drives):
        rng = np.random.default_rng([asked.seed, number, 77])
        true = held_drive(rng, launches=6)
        fixes, _ = clean(received(true, RECEIVERS[asked.receiver], rng))
        made = replace(
            MadeBoard(), delay_s=float(rng.uniform(-0.2, 0.4)), shake=float(rng.uniform(0.2, 1.2)),
            idle_hz=float(rng.uniform(15, 22)), upside_down=bool(rng.random() < 0.3),
            sign=int(rng.choice([-1, 1])), fault=asked.fault, burst=int(rng.integers(1, 5)),
        )  # fmt: skip
        motion = smooth(fixes)
        try:
            board = mount(board_readings(true.t, true.v, rng, made), motion)
        except BesideUnusable as reason:
            why[str(reason)] += 1
            continue
        delays.append((board.delay_s - made.delay_s, board.delay_sigma_s, board.scale, board.agreement))
        runs = find(motion, fixes)
        for begun, _, _, kind in true.starts:
            run = min(runs, key=lambda r: abs(r.start_s - begun), default=None)
            if run is None or abs(run.start_s - begun) > 2:
                why["no run"] += 1
                continue
            try:
                start = first_movement(board, motion, run)
            except BesideUnusable as reason:
                why[str(reason)] += 1
                continue
            rows.append((start.start_s - begun, start.sigma_s, run.start_s - begun, run.start_sigma_s, kind))
    print(np.array(delays).round(3))
    print(dict(why))
    if rows:
        a = np.array(rows)
        for kind in [None, *range(6)]:
            b = a if kind is None else a[a[:, 4] == kind]
            if len(b):
                name = "all" if kind is None else f"{kind:.0f}"
                board, fixes_alone = cell(b[:, 0], b[:, 1]), cell(b[:, 2], b[:, 3])
                print(f"{name} {len(b)}: board {board} sigma {np.median(b[:, 1]):.3f} | fixes {fixes_alone}")


if __name__ == "__main__":
    main()
