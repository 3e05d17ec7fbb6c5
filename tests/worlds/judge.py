"""Holds the program to the worlds: python -m worlds.judge [WORLD...] [--runs N] [--bars] [--kinds] [--shift N]
[--processes N]

For each world: found runs are matched to the true launches; errors of the times to 20, 30, 40 and 50 mph from first
movement and from one foot; what the program says of the receiver. A WORLD may be a part of a name.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from multiprocessing import Pool
from typing import Any, TypeVar

import numpy as np

from analysis.motion.fixes import Fixes, clean
from analysis.motion.smoother import Motion, smooth
from analysis.runs.finding import find
from analysis.runs.run import Run, split_at
from worlds.bars import unmet
from worlds.car import MPH, Drive, TrueLaunch
from worlds.tally import Error, Figures, Tally, figures, wild
from worlds.worlds import WORLDS, World

NEAR_S = 4.0
"""A found start further from the true one than this is no find."""
# --- one drive ----------------------------------------------------------------------------------------------------


def judge_drive(truth: Drive, fixes: Fixes) -> Tally:
    """The program as it stands on one drive."""
    begun = time.process_time()
    kept, _ = clean(fixes)
    motion = smooth(kept)
    runs = find(motion, kept)
    out = compare(truth.launches, runs)
    out.seconds, out.driven_s = time.process_time() - begun, float(truth.t_s[-1])
    out.receivers.append(described(motion))
    return out


def compare(launches: Sequence[TrueLaunch], runs: Iterable[Run]) -> Tally:
    """Found runs against true launches."""
    out = Tally(launches=len(launches))
    standing = [run for run in runs if run.kind == "standing"]
    pairs = matched([launch.first_s for launch in launches], [run.start_s for run in standing])
    out.missed = len(launches) - len(pairs)
    out.extra = sum(is_counted(run) for k, run in enumerate(standing) if k not in pairs.values())
    for true, found in pairs.items():
        launch, run = launches[true], standing[found]
        counted = is_counted(run)
        out.starred += not counted
        out.starts.append(Error(run.start_s - launch.first_s, run.start_sigma_s, math.nan, launch.kind, counted))
        for mph, passed in launch.passed_s.items():
            split = split_at(run, mph * MPH)
            if split is None:
                continue
            whole = float(getattr(split, "systematic_s", math.nan))
            foot = float(getattr(split, "from_one_foot_systematic_s", whole))
            out.first.append(
                Error(split.time_s - (passed - launch.first_s), split.sigma_s, whole, launch.kind, counted)
            )
            off = split.from_one_foot_s - (passed - launch.foot_s)
            out.foot.append(Error(off, split.from_one_foot_sigma_s, foot, launch.kind, counted))
    return out


def matched(true: Sequence[float], found: Sequence[float], near_s: float = NEAR_S) -> dict[int, int]:
    """Which found start belongs to which true one: the nearest pairs first, each once."""
    pairs: dict[int, int] = {}
    all_ = sorted((abs(a - b), i, j) for i, a in enumerate(true) for j, b in enumerate(found) if abs(a - b) <= near_s)
    for _, i, j in all_:
        if i not in pairs and j not in pairs.values():
            pairs[i] = j
    return pairs


def is_counted(run: Run) -> bool:
    """Whether the program would compare this run with others."""
    return run.clean and bool(getattr(run, "counted", True)) and not getattr(run, "why_not", None)


def described(motion: Motion) -> dict[str, float]:
    """What the program says of the receiver; NaN where it says nothing."""
    receiver: Any = getattr(motion, "receiver", None)
    names = ("smoothing_s", "smoothing_low_s", "smoothing_high_s", "noise_mps", "wandering_share", "wandering_s")
    out = {}
    for name in names:
        value = getattr(receiver, name, None)
        out[name] = math.nan if value is None else float(value)
    if math.isnan(out["noise_mps"]):
        out["noise_mps"] = motion.noise.sigma_mps
    return out


# --- a world ------------------------------------------------------------------------------------------------------


def judge_worlds(
    worlds: Sequence[World], runs: int, shift: int = 0, processes: int = 1
) -> Iterable[tuple[World, Tally]]:
    """The tally of each world, as it is done."""
    jobs = [(world.name, number, shift) for world in worlds for number, _ in world.drives(runs, shift)]
    due = Counter(name for name, *_ in jobs)
    if processes == 1:
        results = map(_job, jobs)
        yield from _gathered(worlds, due, results)
        return
    with Pool(processes) as pool:
        yield from _gathered(worlds, due, pool.imap(_job, jobs))


def _gathered(
    worlds: Sequence[World], due: Counter[str], results: Iterable[tuple[str, Tally]]
) -> Iterable[tuple[World, Tally]]:
    tallies = {world.name: Tally() for world in worlds}
    for name, tally in results:
        tallies[name].add(tally)
        due[name] -= 1
        if due[name] == 0:
            yield WORLDS[name], tallies[name]


def _job(job: tuple[str, int, int]) -> tuple[str, Tally]:
    name, number, shift = job
    truth, fixes = WORLDS[name].drive(number, shift)
    return name, judge_drive(truth, fixes)


# --- the table ----------------------------------------------------------------------------------------------------

HEAD = """\
n: launches; mi: missed; ex: runs that count and never were; st: found but not counted. bias, rms in s; z: rms of
error over sigma; in: % within one/two sigma; +sys: the same with the systematic part in quadrature. wild: splits over
0.5 s off at a stated sigma under 0.1, and the worst error at such a sigma. smoothing: true, median of the estimates,
rms of their error, % of drives whose interval holds the truth, % whose lower end is above 0.05 s, drives that
tell of all. noise: median sigma (m/s), wandering share, its time (s)
"""
COLUMNS = (
    f"{'world':26} {'n':>4} {'mi':>3} {'ex':>3} {'st':>3} | {'first movement: bias rms z in':30} {'+sys':>7} |"
    f" {'one foot: bias rms z in':30} {'+sys':>7} | {'wild':>9} | {'smoothing':34} | noise"
)


def row(world: World, tally: Tally) -> str:
    parts = [f"{world.name:26} {tally.launches:4d} {tally.missed:3d} {tally.extra:3d} {tally.starred:3d}"]
    for errors in (tally.first, tally.foot):
        parts.append(f"{_told(figures(errors)):30} {_with_systematic(errors)}")
    count, worst = wild([*tally.first, *tally.foot])
    parts += [f"{count:3d} {worst:5.2f}", f"{smoothing_told(world, tally):34}", noise_told(tally)]
    return " | ".join(parts)


def _told(f: Figures) -> str:
    if not f.n:
        return "-"
    return f"{f.bias:+.3f} {f.rms:.3f} {f.z:5.2f} {100 * f.one:3.0f}/{100 * f.two:3.0f}"


def _with_systematic(errors: Sequence[Error]) -> str:
    if not any(math.isfinite(each.systematic) for each in errors):
        return f"{'-':>7}"
    f = figures(errors, with_systematic=True)
    return f"{100 * f.one:3.0f}/{100 * f.two:3.0f}"


def smoothing_told(world: World, tally: Tally) -> str:
    true = world.receiver.smoothing_s
    given, low, high = (
        np.array([each[name] for each in tally.receivers])
        for name in ("smoothing_s", "smoothing_low_s", "smoothing_high_s")
    )
    known = np.isfinite(low) & ~np.isnan(high)
    if not known.any():
        return f"{true:.2f}: -"
    held = 100 * np.mean((low[known] <= true) & (true <= high[known]))
    above = 100 * np.mean(low[known] > 0.05)
    off = given[known] - true
    return (
        f"{true:.2f}: {np.nanmedian(given[known]):.3f} {np.sqrt(np.nanmean(off**2)):.3f} {held:3.0f} {above:3.0f}"
        f" {int(known.sum())}/{len(known)}"
    )


def noise_told(tally: Tally) -> str:
    names = ("noise_mps", "wandering_share", "wandering_s")
    columns = [np.array([each[name] for each in tally.receivers]) for name in names]
    told = [f"{np.nanmedian(each):.3f}" if np.isfinite(each).any() else "-" for each in columns]
    return " ".join(told)


def by_kind(tally: Tally) -> Iterable[str]:
    """First movement and one foot for each kind of launch."""
    for kind in sorted({each.kind for each in tally.first}):
        first, foot, starts = (
            figures([each for each in errors if each.kind == kind])
            for errors in (tally.first, tally.foot, tally.starts)
        )
        yield (
            f"    {kind:14} {first.n:5d}   first {_told(first):30} one foot {_told(foot):30}"
            f" instant of first movement {_told(starts)}"
        )


W = TypeVar("W")


def chosen(names: Sequence[str], worlds: Mapping[str, W]) -> list[W]:
    """The worlds of these names or parts of names; all without any. ValueError for one that is none's."""
    out: dict[str, W] = {}
    for name in names or worlds:
        found = [name] if name in worlds else [each for each in worlds if name in each]
        if not found:
            raise ValueError(f"no world is called {name!r}; there are: {', '.join(worlds)}")
        out |= {each: worlds[each] for each in found}
    return list(out.values())


def main() -> int:
    parser = argparse.ArgumentParser(prog="worlds.judge", description=__doc__)
    parser.add_argument("worlds", nargs="*", metavar="WORLD")
    parser.add_argument("--runs", type=int, default=160, help="launches of each world, at least")
    parser.add_argument("--shift", type=int, default=0, help="other seeds")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--bars", action="store_true", help="also the bars that each world misses")
    parser.add_argument("--kinds", action="store_true", help="also for each kind of launch")
    asked = parser.parse_args()
    try:
        worlds = chosen(asked.worlds, WORLDS)
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    print(HEAD + COLUMNS, flush=True)
    seconds = driven = 0.0
    for world, tally in judge_worlds(worlds, asked.runs, asked.shift, asked.processes):
        print(row(world, tally), flush=True)
        for line in by_kind(tally) if asked.kinds else ():
            print(line, flush=True)
        for words in unmet(world, tally) if asked.bars else ():
            print("    ! " + words, flush=True)
        seconds, driven = seconds + tally.seconds, driven + tally.driven_s
    print(f"{seconds:.0f} s of processor time for {driven / 3600:.1f} h of driving", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
