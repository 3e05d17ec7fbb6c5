"""Holds the mixture's delay to the worlds: python -m mixture_worlds.judge [WORLD...] [--drives N] [--shift N]
[--throttle] [--each]

A WORLD may be a part of a name. Called as the analysis calls it: the fixes cleaned and smoothed, the load worked out
with the true road load; no throttle recorded unless asked for.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from worlds.car import STEP_S
from worlds.judge import chosen

from analysis.mixture import delay
from analysis.mixture.engine_load import driving
from analysis.motion.fixes import clean
from analysis.motion.smoother import smooth
from mixture_worlds.world import WORLDS, Recorded, World

NOT_TOLD_S = 9.0
"""What the drive's delay is configured to be: far from any true one."""


@dataclass(frozen=True)
class Judged:
    """One drive: true delay, lag and delay of the changes; the estimate and its interval [s].

    told: "apart" (delay and lag), "sum" (only their sum) or "" (nothing).
    """

    delay_s: float
    lag_s: float
    of_changes_s: float
    told: str
    found_s: float
    low_s: float
    high_s: float

    @property
    def error_s(self) -> float:
        return self.found_s - self.delay_s

    @property
    def held(self) -> bool:
        """Whether the interval holds what it is told to be of: the delay, or its sum with the lag."""
        return self.low_s <= self.delay_s + (self.lag_s if self.told == "sum" else 0.0) <= self.high_s

    @property
    def stretch(self) -> float:
        """By what factor the side of the interval towards the truth must grow to reach it."""
        side = self.found_s - self.low_s if self.error_s > 0 else self.high_s - self.found_s
        return abs(self.error_s) / max(side, 1e-6)


def judge_drive(drive: Recorded, throttle: bool = False) -> Judged:
    """The program as it stands on one drive; `throttle`: with the opening recorded."""
    state = driving(smooth(clean(drive.fixes)[0]), drive.road)
    opening = np.interp(state.time_s, np.arange(len(drive.opening)) * STEP_S, drive.opening) if throttle else None
    found = delay.estimate(drive.time_s, drive.afr, state, NOT_TOLD_S, opening)
    low, high = found.delay_low_s, found.delay_high_s
    if found.source != "this drive" or low is None or high is None:
        return Judged(drive.delay_s, drive.lag_s, drive.delay_of_changes_s, "", np.nan, np.nan, np.nan)
    told = "apart" if found.told_apart else "sum"
    return Judged(drive.delay_s, drive.lag_s, drive.delay_of_changes_s, told, found.delay_s, low, high)


def judge_world(world: World, drives: int, shift: int = 0, throttle: bool = False) -> list[Judged]:
    return [judge_drive(world.drive(number, shift), throttle) for number in range(drives)]


# --- the table ----------------------------------------------------------------------------------------------------

HEAD = """\
n: drives; told: % told apart from the lag; sum: % of which only the sum of delay and lag is told, and % of their
intervals that hold it. Of the drives told apart: bias, rms, worst error [s]; held: % of 95 % intervals that hold the
true mean delay over moving readings; chg: the same against the mean weighted by the mixture's changes; half: median
half width [s], and the widest; z: rms of error over (half width / 1.96), 1 if intervals are right; x95: factor by
which the intervals' sides would have to grow to hold 95 %.
"""
COLUMNS = (
    f"{'world':22} {'n':>3} {'told':>4} {'sum':>8} | {'bias':>6} {'rms':>5} {'worst':>6} | {'held':>4} {'chg':>4} |"
    f" {'half':>5} {'most':>5} | {'z':>5} {'x95':>5}"
)


def row(name: str, judged: Sequence[Judged]) -> str:
    told = [each for each in judged if each.told == "apart"]
    sums = [each.held for each in judged if each.told == "sum"]
    n = len(judged)
    of_sums = f"{100 * len(sums) / n:3.0f} {100 * np.mean(sums):4.0f}" if sums else "  0    -"
    head = f"{name:22} {n:3d} {100 * len(told) / n:4.0f} {of_sums:>8} |"
    if not told:
        return head + " -"
    error = np.array([each.error_s for each in told])
    half = np.array([(each.high_s - each.low_s) / 2 for each in told])
    changes = np.mean([each.low_s <= each.of_changes_s <= each.high_s for each in told])
    return (
        f"{head} {error.mean():+6.3f} {np.sqrt(np.mean(error**2)):5.3f} {error[np.abs(error).argmax()]:+6.3f} |"
        f" {100 * share_held(told):4.0f} {100 * changes:4.0f} | {np.median(half):5.3f} {half.max():5.3f} |"
        f" {1.96 * np.sqrt(np.mean((error / half) ** 2)):5.2f}"
        f" {np.quantile([each.stretch for each in told], 0.95, method='higher'):5.2f}"
    )


def share_held(judged: Sequence[Judged], *told: str) -> float:
    """Of the drives `told` so, apart by default, the share whose interval holds the truth; NaN without any."""
    held = [each.held for each in judged if each.told in (told or ("apart",))]
    return float(np.mean(held)) if held else float("nan")


def main() -> int:
    parser = argparse.ArgumentParser(prog="mixture_worlds.judge", description=__doc__)
    parser.add_argument("worlds", nargs="*", metavar="WORLD")
    parser.add_argument("--drives", type=int, default=24, help="drives of each world")
    parser.add_argument("--shift", type=int, default=0, help="other seeds")
    parser.add_argument("--throttle", action="store_true", help="with the throttle's opening recorded, free of errors")
    parser.add_argument("--each", action="store_true", help="also each drive")
    asked = parser.parse_args()
    try:
        worlds = chosen(asked.worlds, WORLDS)
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    print(HEAD + COLUMNS, flush=True)
    everything: list[Judged] = []
    for world in worlds:
        judged = judge_world(world, asked.drives, asked.shift, asked.throttle)
        print(row(world.name, judged), flush=True)
        for number, each in enumerate(judged) if asked.each else ():
            print(
                f"    {number:3d} delay {each.delay_s:.3f} lag {each.lag_s:.3f}: {each.told or 'not told':8}"
                f" {each.found_s:.3f} ({each.low_s:.3f} to {each.high_s:.3f})"
            )
        everything += judged
    print(row("together", everything), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
