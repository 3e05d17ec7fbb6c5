"""Holds first movement by a board to the worlds: python -m worlds.boards [WORLD ...] [--runs N] [--shift N] [--fault F]

Beside the fixes of a world's drives a board of the judge's own: it lies in the body, which squats late and feels the
road's slope; an engine of which no two turns are alike shakes it; it prints coarse steps, in bursts of lines, its clock
is off, and its zero creeps with warmth. Errors of the instant of first movement are told with it and without.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter
from collections.abc import Callable

import numpy as np
from numpy.random import Generator
from scipy.signal import lfilter

from analysis.motion.beside_fixes import BesideUnusable
from analysis.motion.board import Board, BoardReadings, mount, smoothing_beside
from analysis.motion.fixes import clean
from analysis.motion.smoother import smooth
from analysis.runs.board_start import counted_from, first_movement
from analysis.runs.finding import find
from worlds.car import GRAVITY, STEP_S, Drive, Floats
from worlds.judge import WORLDS, chosen, compare
from worlds.tally import Error, figures

Fault = Callable[[Floats, Floats, Generator], Floats]


def _unplugged(t: Floats, read: Floats, rng: Generator) -> Floats:
    out = read.copy()
    out[t > rng.uniform(0.2, 0.6) * t[-1]] = math.nan
    return out


def _frozen_now_and_then(t: Floats, read: Floats, rng: Generator) -> Floats:
    out = read.copy()
    for begin in rng.uniform(0, t[-1], int(t[-1] / 40)):
        held = (t >= begin) & (t < begin + rng.uniform(0.5, 6.0))
        if held.any():
            out[held] = out[np.argmax(held)]
    return out


def _turned_over(t: Floats, read: Floats, rng: Generator) -> Floats:
    """It falls off its tape and lies the other way from then on."""
    out = read.copy()
    out[t > rng.uniform(0.3, 0.7) * t[-1]] *= np.array([-1.0, 1.0, -1.0])[: read.shape[1]]
    return out


def _at_its_limits(t: Floats, read: Floats, rng: Generator) -> Floats:
    middle = np.median(read, axis=0)
    return np.clip(read, middle - 1.0, middle + 1.0)


def _creeping(t: Floats, read: Floats, rng: Generator) -> Floats:
    walk = np.cumsum(rng.normal(0, 0.15 / math.sqrt(100), read.shape), axis=0)
    return np.asarray(read + walk, float)


def _sign(t: Floats, read: Floats, rng: Generator) -> Floats:
    return -read


FAULTS: dict[str, Fault] = {
    "none": lambda t, read, rng: read, "unplugged": _unplugged, "frozen": _frozen_now_and_then,
    "turned over": _turned_over, "limits": _at_its_limits, "creeping": _creeping, "sign": _sign,
}  # fmt: skip


def board_beside(drive: Drive, rng: Generator, fault: str = "none", axes: int = 3) -> BoardReadings:
    """What the judge's board prints of a drive, by arrival."""
    hz = rng.uniform(90, 110)
    t = np.cumsum(rng.normal(1 / hz, 0.0008, int(hz * (drive.t_s[-1] - 0.2))))
    t = t[t < drive.t_s[-1] - 0.05]
    moved = np.gradient(drive.speed_mps, STEP_S)
    soft = lfilter([0.004], [1, -0.996], moved)  # over a quarter of a second
    slope = np.interp(t, drive.t_s, _standing_where_it_starts(drive))
    # Three degrees a g: soft springs (from memory).
    pitch = 0.0053 * np.interp(t, drive.t_s, soft) + slope
    v, a = np.interp(t, drive.t_s, drive.speed_mps), np.interp(t, drive.t_s, moved)
    ahead = a * np.cos(pitch) + GRAVITY * np.sin(pitch)
    up = GRAVITY * np.cos(pitch) - a * np.sin(pitch) + rng.normal(0, 0.05 * np.maximum(np.abs(v), 0.1), len(t))
    turn = np.gradient(np.unwrap(np.radians(drive.heading_deg)), STEP_S)
    across = v * np.interp(t, drive.t_s, turn) + rng.normal(0, 0.02 * np.maximum(np.abs(v), 0.1), len(t))
    shake = _engine(t, v, rng)
    body = np.stack([ahead + 0.4 * shake, across + 0.7 * shake, up + shake], -1)
    yaw, roll, nose = rng.uniform(-math.pi, math.pi), rng.normal(0, 0.2), rng.normal(0, 0.2)
    read = body @ (_about(2, yaw) @ _about(0, roll) @ _about(1, nose))
    if axes == 1:
        read = body[:, :1] * math.cos(nose) + body[:, 2:] * math.sin(nose)
    warm = rng.normal(0, 0.15, read.shape[1]) * (1 - np.exp(-t / 300))[:, None]
    read = read * rng.normal(1, 0.02) + rng.normal(0, 0.3, read.shape[1]) + warm + rng.normal(0, 0.05, read.shape)
    read = FAULTS[fault](t, read, rng)
    read = np.round(read / 0.0383) * 0.0383  # 3.9 mg
    burst = np.arange(len(t)) // 3 * 3 + 2
    came = t[np.minimum(burst, len(t) - 1)] + rng.exponential(0.0015, len(t))
    keep = rng.random(len(t)) > 0.005
    return BoardReadings(came[keep] + rng.uniform(-0.1, 0.5), read[keep], "board")


def _standing_where_it_starts(drive: Drive) -> Floats:
    """The road's slope under the car: the world tells it of the moving car, which stands where it will pull away."""
    moving = np.flatnonzero(drive.speed_mps != 0)
    following = np.searchsorted(moving, np.arange(len(drive.t_s)))
    return np.asarray(drive.slope[moving[np.minimum(following, len(moving) - 1)]], float)


def _engine(t: Floats, v: Floats, rng: Generator) -> Floats:
    """A single's shaking: each turn of another strength and length."""
    dt = np.diff(t, prepend=t[0])
    idle = rng.uniform(14, 20)
    jitter = lfilter([0.05], [1, -0.95], rng.normal(0, 1.0, len(t)))
    turns = (idle + np.minimum(2.0 * np.abs(v), 30)) * (1 + 0.5 * jitter / 10)
    phase = 2 * math.pi * np.cumsum(turns * dt)
    strength = rng.uniform(0.2, 0.9) * (1 + 0.4 * jitter) * (turns / idle) ** 0.7
    return np.asarray(strength * (np.sin(phase) + 0.5 * np.sin(phase / 2 + 0.7) ** 3), float)


def _about(axis: int, angle: float) -> Floats:
    c, s = math.cos(angle), math.sin(angle)
    i, j = [(1, 2), (0, 2), (0, 1)][axis]
    out = np.eye(3)
    out[i, i] = out[j, j] = c
    out[i, j], out[j, i] = -s, s
    return out


def main() -> int:
    parser = argparse.ArgumentParser(prog="worlds.boards", description=__doc__)
    parser.add_argument("worlds", nargs="*", metavar="WORLD", default=["white 0.05"])
    parser.add_argument("--runs", type=int, default=160)
    parser.add_argument("--shift", type=int, default=0)
    parser.add_argument("--fault", choices=FAULTS, default="none")
    parser.add_argument("--axes", type=int, choices=(1, 3), default=3)
    asked = parser.parse_args()
    try:
        worlds = chosen(asked.worlds, WORLDS)
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    for world in worlds:
        told: list[Error] = []
        alone: list[Error] = []
        first: list[Error] = []
        why: Counter[str] = Counter()
        for number, _ in world.drives(asked.runs, asked.shift):
            truth, fixes = world.drive(number, asked.shift)
            kept, _ = clean(fixes)
            motion = smooth(kept)
            by_fixes = runs = find(motion, kept)
            rng = np.random.default_rng([asked.shift, number, 4711])
            board: Board | None = None
            try:
                told_by_board = board_beside(truth, rng, asked.fault, asked.axes)
                beside = smoothing_beside(told_by_board, motion)
                if beside is not None:
                    motion = smooth(kept, beside=beside)
                    runs = find(motion, kept)
                board = mount(told_by_board, motion)
            except BesideUnusable as reason:
                why[f"drive: {reason}"] += len(truth.launches)
            by_board = []
            for run in runs:
                if board is not None:
                    try:
                        by_board.append(counted_from(run, first_movement(board, motion, run), board.source))
                    except BesideUnusable as reason:
                        why[str(reason)] += 1
            found = compare(truth.launches, by_board)
            told, first = told + found.starts, first + found.first
            alone += compare(truth.launches, by_fixes).starts
        print(f"{world.name}, board {asked.fault}: by board {len(told)} of {len(alone)} starts")
        for name, errors in (("starts by board", told), ("starts by fixes", alone), ("times by board", first)):
            f = figures(errors)
            print(f"  {name}: bias {f.bias:+.3f} rms {f.rms:.3f} z {f.z:.2f} {100 * f.one:.0f}/{100 * f.two:.0f}")
        for kind in sorted({each.kind for each in told}):
            f = figures([each for each in told if each.kind == kind])
            print(f"    {kind:12} {f.n:3d} bias {f.bias:+.3f} rms {f.rms:.3f} z {f.z:.2f}")
        for reason, count in why.most_common(8):
            print(f"    not by board, {count}: {reason}")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
