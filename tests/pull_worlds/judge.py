"""Holds verdicts of power to the worlds: python -m pull_worlds.judge DESIGN --seasons N [--rolling 10] [--day 0.01]
[--leg 0.005] [--wind 2] [--receiver wander] [--part 0.3 0.1] [--throttle] [--gain 1.04]

From tests/. Every season is written to a store and asked as the program asks it: `gather`, then `power_change` between
the setups, and `held` for the time to 40 mph of the same drives. The truth is the gain of power that was driven.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import norm, t

from analysis.changes.observations import Observation
from analysis.changes.season import SeasonRecord, gather
from analysis.changes.sides import held, opposed
from analysis.store import DriveStore
from logger.store.drive import list_drives
from pull_worlds.driving import MPH, power_answer
from pull_worlds.seasons import DESIGNS, RECEIVERS, Conditions, MadeSeason, drive_season, legs_of

FALSE_SHARE, SPARE = 0.05, 0.02
"""The bar of false verdicts, and what is left to the luck of so many seasons."""
COVERAGE, COVERAGE_SPARE = 0.95, 0.03
NARROWER = 0.75
"""Half width of power's interval over that of the time to 40 mph, as power: A-B-A, 4 starts and 10 pulls a leg."""
BIAS = 0.003
"""Of power, where part throttle comes in uneven shares."""
WRONG_SIGN = 0.01
MANY = 100
"""Fewer questions than this tell nothing of coverage or bias."""
FORTY = 40 * MPH
LEG, LEG_DF = 0.005, 8.0
"""What legs are said to do to power in the program, and how many repeats that weighs as."""
MORE, LESS = "more power", "less power"


@dataclass
class Tally:
    """Counts over seasons; a question is a setup held against A."""

    design: str
    conditions: Conditions
    seasons: int = 0
    questions: int = 0
    told: int = 0
    """Questions with an interval."""
    claimed: int = 0
    """More or less power was said; false where there was no gain."""
    wrong: int = 0
    any: int = 0
    """Seasons with any claim."""
    covered: int = 0
    errors: list[float] = field(default_factory=list)
    legs: list[float] = field(default_factory=list)
    """What the legs that were drawn put into each of these errors, in one outing; empty where that is not known."""
    halves: list[float] = field(default_factory=list)
    ratios: list[float] = field(default_factory=list)
    """Half width over that of the time to 40 mph by itself, as power."""
    joint_ratios: list[float] = field(default_factory=list)
    """The same over the time's interval as `compare` shows it, that holds together with other speeds'."""
    leg_ratios: list[float] = field(default_factory=list)
    """The same over the time's by itself with `LEG` in it, as power's has: like against like. Of one outing only."""
    time_claimed: int = 0
    time_errors: list[float] = field(default_factory=list)
    """Of the same times, as power: what they missed the truth by."""
    part: list[int] = field(default_factory=lambda: [0, 0])
    """Rolling pulls at part throttle: how many were taken for full ones, of how many."""
    full: list[int] = field(default_factory=lambda: [0, 0])
    """Rolling pulls at full throttle: how many were left out or not found, of how many."""
    away: int = 0
    """Drives away after a turn, at part throttle, that count as runs."""

    @property
    def outside(self) -> float:
        """Share of intervals that would miss the truth over all legs that might have been drawn; NaN where not known.

        With legs in it, what an answer errs by is its legs and a rest. Few seasons draw few legs; what the rest and the
        half widths were is put together with all legs of the size that was drawn from, which tells more of few answers.
        """
        if len(self.legs) != len(self.errors) or not self.errors:
            return math.nan
        spread = self.conditions.leg * math.sqrt(sum(share**2 for share in _shares(self.design, "B")))
        rest, half = np.array(self.errors) - np.array(self.legs), np.array(self.halves)
        if spread == 0.0:
            return float(np.mean(np.abs(rest) > half))
        return float(np.mean(norm.cdf((-half - rest) / spread) + norm.sf((half - rest) / spread)))

    @property
    def misses(self) -> list[str]:
        """The bars that are not met, in words."""
        said, n = [], max(self.questions, 1)
        if self.conditions.gain == 1.0 and self.claimed / n > FALSE_SHARE + SPARE:
            said.append(f"false {self.claimed / n:.1%}")
        if self.conditions.gain != 1.0 and self.wrong / n >= WRONG_SIGN:
            said.append(f"wrong sign {self.wrong / n:.1%}")
        held_share = self.covered / max(self.told, 1)
        if self.told >= MANY and abs(held_share - COVERAGE) > COVERAGE_SPARE:
            said.append(f"coverage {held_share:.1%}")
        narrow = float(np.median(self.ratios)) if self.ratios else 0.0
        if self.design == "A-B-A" and self.conditions.rolling == 10 and narrow > NARROWER:
            said.append(f"half width {narrow:.2f} of the time's")
        if any(self.conditions.part) and self.told >= MANY and abs(float(np.mean(self.errors))) > BIAS:
            said.append(f"bias {float(np.mean(self.errors)):+.2%}")
        return said


def judge(design: str, conditions: Conditions, seasons: int, first: int = 0) -> Tally:
    """Drive seasons and hold every answer against the truth."""
    tally = Tally(design, conditions)
    for number in range(first, first + seasons):
        with tempfile.TemporaryDirectory() as folder:
            made = drive_season(Path(folder) / "store", DESIGNS[design], conditions, number)
            _count(tally, made, gather(DriveStore(made.store)))
    return tally


def _count(tally: Tally, made: MadeSeason, record: Any) -> None:
    from analysis.answers.power_change import power_change  # type: ignore[import-not-found,unused-ignore]

    tally.seasons += 1
    claims = 0
    truth = tally.conditions.gain - 1
    for setup in DESIGNS[tally.design].asked:
        first, second = opposed("A", setup, record)
        answer = power_change(record, first, second)
        tally.questions += 1
        if answer is None or answer.low is None or not math.isfinite(answer.low):
            continue
        tally.told += 1
        tally.covered += answer.low <= truth <= answer.high
        tally.errors.append(answer.change - truth)
        tally.halves.append((answer.high - answer.low) / 2)
        claims += answer.verdict in (MORE, LESS)
        tally.wrong += truth != 0 and answer.verdict == (LESS if truth > 0 else MORE)
        _against_time(tally, made, record, setup)
    tally.claimed += claims
    tally.any += claims > 0
    tally.away += len(record.runs) - len(_starts(made, record))
    _full_throttle(tally, made, record)


def _starts(made: MadeSeason, record: SeasonRecord) -> list[Observation]:
    """The runs that are starts, and no drives away from a turn."""
    began = {drive.id: drive.manifest.started_utc.timestamp() for drive in list_drives(made.store)}
    true = {
        name: [pull.start_s for pull in leg.pulls if pull.standing]
        for (name, _), leg in zip(made.drives, made.legs, strict=True)
    }
    return [
        run for run in record.runs
        if any(abs(run.start_s - began[run.drive] - at) < 4.0 for at in true[run.drive])
    ]  # fmt: skip


def _against_time(tally: Tally, made: MadeSeason, record: SeasonRecord, setup: str) -> None:
    """The half width of the time to 40 mph of the same starts, as a share of power."""
    starts = replace(record, runs=_starts(made, record))
    answer = held(*opposed("A", setup, starts), starts)
    split = min(answer.splits, key=lambda each: abs(each.speed_mps - FORTY))
    if abs(split.speed_mps - FORTY) > 0.1:
        return
    seconds = abs(power_answer(made.car, FORTY))
    i = split.judged.interval
    alone, joint = (i.alone_high - i.alone_low) / 2 / seconds, (i.high - i.low) / 2 / seconds
    tally.time_claimed += i.alone_low > 0 or i.alone_high < 0
    if math.isfinite(alone) and alone > 0:
        tally.ratios.append(tally.halves[-1] / alone)
        tally.time_errors.append(-i.estimate / seconds - (tally.conditions.gain - 1))
        tally.joint_ratios.append(tally.halves[-1] / joint)
        if one_outing(tally.design):
            with_legs = _with_legs(i.sigma / seconds, i.df, tally.design, setup)
            tally.leg_ratios.append(tally.halves[-1] / with_legs)


def one_outing(design: str) -> bool:
    """Whether all legs were driven on one day, so that days cancel."""
    return len({outing for outing, _, _ in legs_of(DESIGNS[design].legs)}) == 1


def leg_error(design: str, setup: str, power: Sequence[float]) -> float:
    """What each leg's own share of power, in order, puts into the setup's difference from A."""
    return float(np.dot(_shares(design, setup), power))


def _shares(design: str, setup: str) -> list[float]:
    """How each leg enters the difference of a setup from A: by its share of the starts."""
    legs = [(carried, count) for _, carried, count in legs_of(DESIGNS[design].legs)]
    total = {one: sum(count for carried, count in legs if carried == one) for one in ("A", setup)}
    sign = {"A": -1, setup: 1}
    return [sign[carried] * count / total[carried] if carried in total else 0.0 for carried, count in legs]


def _with_legs(sigma: float, df: float, design: str, setup: str) -> float:
    """Half width of a difference in one outing whose standard error knows of no legs, with them: Welch's t."""
    legs = LEG**2 * sum(share**2 for share in _shares(design, setup))
    both = sigma**2 + legs
    return float(t.ppf(0.975, both**2 / (sigma**4 / df + legs**2 / LEG_DF)) * math.sqrt(both))


def _full_throttle(tally: Tally, made: MadeSeason, record: Any) -> None:
    """Which of the rolling pulls the program took for full ones."""
    begun = {drive.id: drive.manifest.started_utc for drive in list_drives(made.store)}
    kept: dict[str, list[float]] = {}
    for each in record.full_pulls:
        since = each.pull.start_utc_ns / 1e9 - begun[each.drive].timestamp()
        kept.setdefault(each.drive, []).append(since)
    for (drive, _), leg in zip(made.drives, made.legs, strict=True):
        for pull in (pull for pull in leg.pulls if not pull.standing):
            found = any(-1.5 <= since - pull.start_s <= 4.0 for since in kept.get(drive, ()))
            counts = tally.part if pull.opening < 1 else tally.full
            counts[0] += found if pull.opening < 1 else not found
            counts[1] += 1


HEAD = (
    "| design | rolling | conditions | seasons | told | claimed | any | wrong | coverage | outside by all legs | "
    "bias | half | rms | time's rms | of time's alone | joint | with legs | time claimed | part kept | full lost | "
    "away | misses |"
)


def row(tally: Tally) -> str:
    """One line of the table; shares in %."""
    c, n = tally.conditions, max(tally.questions, 1)
    said = [f"days {c.day:.1%}", f"legs {c.leg:.1%}", c.receiver]
    said += [f"wind x{c.wind:g}"] if c.wind != 1 else []
    said += [f"part {c.part[0]:.0%}/{c.part[1]:.0%}"] if any(c.part) else []
    said += ["throttle"] if c.throttle else []
    said += [f"gain {c.gain - 1:+.0%}"] if c.gain != 1 else []

    def middle(values: Sequence[float], scale: float = 1.0, digits: int = 2) -> str:
        return f"{scale * float(np.median(values)):.{digits}f}" if values else "-"

    def rms(errors: Sequence[float]) -> str:
        return f"{100 * math.sqrt(float(np.mean(np.square(errors)))):.2f}" if errors else "-"

    def of(counts: Sequence[int]) -> str:
        return f"{100 * counts[0] / counts[1]:.0f}" if counts[1] else "-"

    bias = f"{100 * float(np.mean(tally.errors)):+.2f}" if tally.errors else "-"
    cells = [
        tally.design, str(c.rolling), ", ".join(said), str(tally.seasons), f"{100 * tally.told / n:.0f}",
        f"{100 * tally.claimed / n:.1f}", f"{100 * tally.any / max(tally.seasons, 1):.1f}",
        f"{100 * tally.wrong / n:.1f}", f"{100 * tally.covered / max(tally.told, 1):.1f}",
        "-" if math.isnan(tally.outside) else f"{100 * tally.outside:.1f}", bias,
        middle(tally.halves, 100), rms(tally.errors), rms(tally.time_errors), middle(tally.ratios),
        middle(tally.joint_ratios), middle(tally.leg_ratios),
        f"{100 * tally.time_claimed / n:.1f}", of(tally.part), of(tally.full), str(tally.away), "; ".join(tally.misses),
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def main() -> int:
    asked = argparse.ArgumentParser(prog="pull_worlds.judge", description=__doc__)
    asked.add_argument("designs", nargs="*", metavar="DESIGN")
    asked.add_argument("--seasons", type=int, default=20)
    asked.add_argument("--first", type=int, default=0, help="number of the first season")
    asked.add_argument("--rolling", type=int, nargs="*", default=[0, 10, 20], help="pulls a leg")
    asked.add_argument("--day", type=float, nargs="*", default=[0.01])
    asked.add_argument("--leg", type=float, nargs="*", default=[0.0])
    asked.add_argument("--wind", type=float, default=1.0, help="times the usual")
    asked.add_argument("--receiver", default="white", choices=list(RECEIVERS))
    asked.add_argument("--part", type=float, nargs=2, default=(0.0, 0.0), help="shares of A's and of others' pulls")
    asked.add_argument("--throttle", action="store_true", help="with the opening recorded")
    asked.add_argument("--gain", type=float, default=1.0)
    given = asked.parse_args()
    if unknown := [name for name in given.designs if name not in DESIGNS]:
        print(f"no design is called {unknown[0]!r}; there are {', '.join(DESIGNS)}", file=sys.stderr)
        return 2
    print(HEAD)
    print("| --- " * (HEAD.count("|") - 1) + "|")
    for name in given.designs or DESIGNS:
        for rolling in given.rolling:
            for day in given.day:
                for leg in given.leg:
                    conditions = Conditions(
                        rolling, day, leg, given.wind, given.receiver, tuple(given.part), given.throttle, given.gain
                    )
                    print(row(judge(name, conditions, given.seasons, given.first)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
