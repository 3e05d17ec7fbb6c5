"""How much better first movement is known with thirty launches of the car behind it, on launches of its own kind.

    cd tests && python -m worlds.habit [KIND ...] [--cars N] [--behind 30] [--world "white 0.05"]

For each kind of launch: drives of one car and one receiver of five launches each; the first drives teach, as the drives
of a store do, and the launches of as many drives after them are timed with and without what was taught.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace
from typing import get_args

import numpy as np

from analysis.motion.fixes import clean
from analysis.motion.smoother import smooth
from analysis.runs.finding import find
from analysis.runs.lessons import Lesson, Taught
from worlds.car import Driving, Kind
from worlds.judge import chosen, compare
from worlds.tally import Error, figures
from worlds.worlds import WORLDS, World

EACH = 5
"""Launches of a drive."""


def measure(world: World, car: int, behind: int) -> tuple[list[Error], list[Error]]:
    """Errors of the instant of first movement without and with what `behind` launches taught."""
    lessons: list[Lesson] = []
    without: list[Error] = []
    with_: list[Error] = []
    drives = -(-behind // EACH)
    for number in range(2 * drives):
        truth, fixes = world.drive(number, car)
        kept, _ = clean(fixes)
        taught = Taught(tuple(lessons))
        motion = smooth(kept, others=taught.receivers)
        runs = find(motion, kept, None, taught.habit)
        if number < drives:
            lessons.append(Lesson.of(motion, runs))
            continue
        with_ += compare(truth.launches, runs).starts
        alone = smooth(kept)
        without += compare(truth.launches, find(alone, kept)).starts
    return without, with_


def told(errors: list[Error]) -> str:
    f = figures(errors)
    return f"{f.bias:+.3f} {f.rms:.3f} z {f.z:.2f} {100 * f.one:3.0f}/{100 * f.two:3.0f}"


def judge(kinds: list[Kind], name: str, cars: int, behind: int) -> Iterator[tuple[Kind, list[Error], list[Error]]]:
    for kind in kinds:
        driving = Driving(launches=(EACH, EACH), kinds=(kind,), one_car=True)
        world = replace(WORLDS[name], name=f"habit {kind}", driving=driving)
        without: list[Error] = []
        with_: list[Error] = []
        for car in range(cars):
            a, b = measure(world, car, behind)
            without, with_ = without + a, with_ + b
        yield kind, without, with_


def main() -> int:
    parser = argparse.ArgumentParser(prog="worlds.habit", description=__doc__)
    parser.add_argument("kinds", nargs="*", metavar="KIND")
    parser.add_argument("--cars", type=int, default=2)
    parser.add_argument("--behind", type=int, default=30)
    parser.add_argument("--world", default="white 0.05")
    asked = parser.parse_args()
    try:
        world = chosen([asked.world], WORLDS)[0].name
        kinds = list(chosen(asked.kinds, {kind: kind for kind in get_args(Kind)}))
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    print("instant of first movement: bias, rms [s], z, % within one/two sigma; without | with | ratio of the rms")
    squares = np.zeros(2)
    count = 0
    for kind, without, with_ in judge(kinds, world, asked.cars, asked.behind):
        ratio = figures(with_).rms / figures(without).rms
        print(f"{kind:12} {len(without):4d} | {told(without)} | {told(with_)} | {ratio:.2f}", flush=True)
        squares += np.array([figures(without).rms ** 2, figures(with_).rms ** 2])
        count += 1
    print(f"all kinds: rms {np.sqrt(squares / count).round(3)}, ratio {np.sqrt(squares[1] / squares[0]):.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
