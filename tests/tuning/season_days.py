"""The tuning worlds of days: python -m tuning.season_days [SEASONS]. They chose the prior; they never judge it.

A car of constant power with drag and a launch of constant force; a run's and a day's power scatter by shares, and so
does the force of a day's launches in the last lines. Written
by whoever tuned `analysis.changes.priors`: figures that count are those of tests/season_worlds, by another hand.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from analysis.changes import compare, effects, priors
from analysis.changes.best import best_run
from analysis.changes.observations import Observation, Side

Floats = NDArray[np.float64]

SPEEDS = np.array([*range(2, 25), *(np.array([10, 20, 30, 40, 50]) * 0.44704)], float)
SPEEDS = np.unique(SPEEDS)
ASKED = np.array([10, 20, 30, 40, 50]) * 0.44704
POWER_W_PER_KG, LAUNCH, DRAG = 26.0, 2.6, 0.0011
"""Top speed near 28 m/s."""
RUN, MEASURED_S = 0.012, 0.015


@cache
def _force(power: float, grip: float = 1.0) -> Floats:
    """Times to `SPEEDS` for one power, and one grip of belt or clutch beside it, relative."""
    v = np.linspace(0.05, 24.5, 2000)
    a = np.minimum(LAUNCH * power * grip, POWER_W_PER_KG * power / v) - DRAG * v**2 - 0.12
    t = np.concatenate([[0.0], np.cumsum(np.diff(v) / (0.5 * (a[1:] + a[:-1])))])
    return np.interp(SPEEDS, v, t)


def run_of(
    outing: int, k: int, setup: dict[str, int], power: float, rng: np.random.Generator, back: bool, grip: float = 1.0
) -> Observation:
    time = (
        _force(round(power, 4), round(grip, 3))
        + 0.04 * rng.standard_normal()
        + MEASURED_S * rng.standard_normal(len(SPEEDS))
    )
    time = np.maximum.accumulate(np.maximum(time, 0.05))
    return Observation(
        f"d{outing}:{k}", str(setup), dict(setup), f"d{outing}", outing, outing * 6e5 + 300 * k, 70.0 + 180.0 * back,
        SPEEDS, time, np.full(len(SPEEDS), MEASURED_S),
    )  # fmt: skip


def season(
    stints: Sequence[tuple[int, dict[str, int], int]],
    day: float,
    rng: np.random.Generator,
    effect: float = 0.0,
    grip: float = 0.0,
) -> list[Observation]:
    """Stints of (outing, parts, runs); `effect` is of power, of every part's 1; `grip` what days do to launches."""
    days: dict[int, float] = {}
    grips: dict[int, float] = {}
    counts: dict[int, int] = {}
    runs = []
    for outing, parts, n in stints:
        strength = days.setdefault(outing, float(day * rng.standard_normal()))
        if grip and outing not in grips:
            grips[outing] = math.exp(grip * rng.standard_normal())
        for j in range(n):
            k = counts[outing] = counts.get(outing, 0) + 1
            power = 1 + strength + RUN * rng.standard_normal() + effect * sum(parts.values())
            runs.append(run_of(outing, k, parts, power, rng, j % 2 == 1, grips.get(outing, 1.0)))
    return runs


A, B = {"jet": 0}, {"jet": 1}
DESIGNS = {
    "A4 A4 B4": [(0, A, 4), (1, A, 4), (2, B, 4)],
    "A4 B4": [(0, A, 4), (1, B, 4)],
    "A4 A4 B3": [(0, A, 4), (1, A, 4), (2, B, 3)],
    "A4 A4 B5": [(0, A, 4), (1, A, 4), (2, B, 5)],
    "A4 A3 B4": [(0, A, 4), (1, A, 3), (2, B, 4)],
    "A6 A2 B3": [(0, A, 6), (1, A, 2), (2, B, 3)],
    "weekly": [(0, A, 4), (1, A, 4), *((k + 2, {"jet": k + 1}, n) for k, n in enumerate((3, 5, 4, 6)))],
    "A-B-A": [(0, A, 3), (0, B, 6), (0, A, 3)],
    "A4 A4 B4 B4": [(0, A, 4), (1, A, 4), (2, B, 4), (3, B, 4)],
}


def verdicts(
    name: str, day: float, count: int, effect: float = 0.0, grip: float = 0.0
) -> tuple[float, float, float, float]:
    """False, or found: a verdict of any setup against the first; the median half width to 40 mph, share of time;
    wrong-signed; and found of those with the change twice what is detectable."""
    told = wrong = 0
    halves, seen = [], []
    for number in range(count):
        runs = season(DESIGNS[name], day, np.random.default_rng([7, number]), effect, grip)
        a = [r for r in runs if r.parts == A]
        word = set()
        others = sorted({r.parts["jet"] for r in runs if r.parts and r.parts["jet"]}, key=float)  # type: ignore[arg-type]
        for jet in others:
            b = [r for r in runs if r.parts == {"jet": jet}]
            rest = [r for r in runs if r not in a and r not in b]
            answer = compare.compare(Side("a", a, A), Side("b", b, {"jet": jet}), rest, ASKED)
            word.add(answer.verdict.word)
            at = answer.splits[3]
            halves.append((at.judged.interval.high - at.judged.interval.low) / 2 / at.judged.mean_a_s)
            seen.append(at.judged.interval.detectable / at.judged.mean_a_s)
        told += bool(word & {"faster", "slower", "mixed"})
        wrong += bool(word & ({"slower", "mixed"} if effect > 0 else {"faster", "mixed"}))
    return told / count, float(np.nanmedian(halves)), wrong / count, float(np.nanmedian(seen))


def luck(outings: int, day: float, count: int) -> float:
    told = 0
    for number in range(count):
        runs = season([(k, A, 4) for k in range(outings)], day, np.random.default_rng([8, number]))
        best = best_run(runs, ASKED[3])
        told += bool(best and best.beyond_scatter)
    return told / count


def eight_parts(day: float, count: int) -> float:
    told = 0
    names = [f"p{k}" for k in range(8)]
    for number in range(count):
        rng = np.random.default_rng([9, number])
        stints = [(0, dict.fromkeys(names, 0), 4)]
        stints += [(k + 1, dict.fromkeys(names, 0) | {name: 1}, 4) for k, name in enumerate(names)]
        stints += [(9, dict.fromkeys(names, 0), 4)]
        runs = season(stints, day, rng)
        y = np.array([r.time_to(ASKED[3:4]) for r in runs])
        found = effects.attribute(runs, y, prior=priors.time_priors(runs, ASKED[3:4]))
        told += bool(found and any(i.low > 0 or i.high < 0 for e in found.effects for i in e.intervals))
    return told / count


if __name__ == "__main__":
    seasons = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    for days in (0.0, 0.01, 0.02):
        for design in DESIGNS:
            false, half, _, seen = verdicts(design, days, seasons)
            print(f"{design:12} days {days:.3f}: false {false:.1%}, half width {half:.1%}, detectable {seen:.1%}")
        print(f"best of 2, 8 outings: {luck(2, days, seasons):.1%} {luck(8, days, seasons):.1%}")
        print(f"eight parts: {eight_parts(days, seasons):.1%}", flush=True)
    for design in ("A4 A4 B4", "A6 A2 B3", "weekly"):
        false, half, _, _ = verdicts(design, 0.01, seasons, grip=0.05)
        print(f"{design:12} days 0.010, launches 5 %: false {false:.1%}, half width {half:.1%}", flush=True)
