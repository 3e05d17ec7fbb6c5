"""From an interval to a verdict in words, and how many runs would show a change."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from analysis.changes import day_effects
from analysis.changes.day_effects import POWER, ContrastInterval, Scatter
from logger.units import speed_label

Word = Literal["faster", "slower", "no difference shown", "too few runs"]

LEVEL = 0.95
MIN_RUNS = 3
"""Fewer runs of a setup than this get no verdict: two cannot show that one of them is odd (common practice)."""
FEWEST_EACH = 4
"""What an outing is asked to have of each setup at least: two runs each way."""
WORTH_SHARE = 0.03
"""The change worth knowing where the owner names none: 3 % of the time, about a jet size (common practice)."""
_MOST_RUNS = 200


@dataclass(frozen=True)
class Verdict:
    """What is concluded, in a word and in a sentence."""

    word: str
    sentence: str
    detectable: float = math.nan
    """The difference that this data would have shown in 8 of 10 cases."""
    more_runs_each: int = 0
    """Runs of each setup, in one outing, that would show the change worth knowing; 0 where none are asked for."""


@dataclass(frozen=True)
class TimesHeld:
    """Times of one kind, as driven or corrected, held against each other [s]: plain means, and what the model says."""

    mean_a_s: float
    mean_b_s: float
    interval: ContrastInterval
    """B less A by the model, which allows for the ways driven and for days."""

    @property
    def adjustment_s(self) -> float:
        """What the model adds to the difference of the plain means: 0 where ways and days were evenly driven."""
        return self.interval.estimate - (self.mean_b_s - self.mean_a_s)


@dataclass(frozen=True)
class SplitDifference:
    """B less A in the time to one speed."""

    speed_mps: float
    runs_a: int
    runs_b: int
    raw: TimesHeld
    """As driven."""
    corrected: TimesHeld | None
    """Corrected to standard air; None where the verdict goes by times as driven."""
    scatter: Scatter
    """Of the times judged by."""
    verdict: Verdict

    @property
    def judged(self) -> TimesHeld:
        """The times that the verdict goes by."""
        return self.corrected or self.raw


@dataclass(frozen=True)
class BandDifference:
    """B less A in the time spent between two speeds."""

    from_mps: float
    to_mps: float
    raw: TimesHeld
    corrected: TimesHeld | None
    verdict: Verdict

    @property
    def judged(self) -> TimesHeld:
        """The times that the verdict goes by."""
        return self.corrected or self.raw


@dataclass(frozen=True)
class Measure:
    """B less A in one further figure."""

    name: str
    unit: str
    count_a: int
    count_b: int
    mean_a: float
    mean_b: float
    interval: ContrastInterval
    verdict: Verdict


def needed_runs(
    worth: float, run_sigma: float, run_df: int, alpha: float, power: float = POWER, extra_levels: int = 0
) -> int:
    """Runs of each of two setups, driven in one outing, that show a change of `worth` with probability `power`.

    `run_sigma` with `run_df` degrees of freedom is the scatter of runs; more runs add to what is known of it. 0 where
    it cannot be said.
    """
    if not (worth > 0 and math.isfinite(run_sigma) and run_df >= 0):
        return 0
    for n in range(FEWEST_EACH, _MOST_RUNS + 1, 2):  # half of them each way
        df = run_df + 2 * n - 2 - extra_levels
        if df > 0 and day_effects.detectable(run_sigma * math.sqrt(2 / n), df, alpha, power) <= worth:
            return n
    return _MOST_RUNS


# --- verdicts -----------------------------------------------------------------------------------------------------


def worths(means: Sequence[tuple[int, int, float, float]], worth_s: float | None, tops: Sequence[int]) -> list[float]:
    """The change worth knowing at each speed: a share of the time; what the owner says holds at the highest speed."""
    share = WORTH_SHARE
    if worth_s is not None and tops and means[tops[-1]][2] > 0:
        share = worth_s / means[tops[-1]][2]
    return [share * m[2] for m in means]


def verdict_on(
    interval: ContrastInterval,
    count_a: int,
    count_b: int,
    names: tuple[str, str],
    scatter: Scatter,
    each_level: float,
    worth: float,
    tangled: bool = False,
    words: tuple[str, str] = ("faster", "slower"),
    unit: str = "s",
    decimals: int = 2,
) -> Verdict:
    """The verdict on one difference; `words` for below and above zero."""
    more = needed_runs(worth, scatter.run_sigma, scatter.run_df, 1 - each_level)
    lacking = [
        f"{MIN_RUNS - n} more of {name}"
        for n, name in ((count_a, names[0]), (count_b, names[1]))
        if n < MIN_RUNS
    ]  # fmt: skip
    if lacking:
        least = max(FEWEST_EACH, more)
        return Verdict("too few runs", f"too few runs. Drive at least {' and '.join(lacking)}", math.nan, least)
    if tangled:
        return Verdict(
            "too few runs",
            f"too few runs. {names[0]} was driven in one direction only and {names[1]} in the other. Drive both "
            f"with both",
            math.nan,
            max(more, FEWEST_EACH),
        )
    if not math.isfinite(interval.low):
        each = f", {more} runs each" if more else ""
        return Verdict(
            "too few runs",
            "too few runs. They were driven on different days, and no setup was driven on two days. So how much days "
            f"differ is unknown. One outing with both{each} settles it",
            math.nan,
            max(more, FEWEST_EACH),
        )
    if interval.high < 0 or interval.low > 0:
        word = words[0] if interval.high < 0 else words[1]
        return Verdict(word, f"{word} by {abs(interval.estimate):.{decimals}f} {unit}", interval.detectable)
    seen = f"The smallest change this could have shown: {interval.detectable:.{decimals}f} {unit} (8 times in 10)"
    if interval.days == "assumed" and interval.detectable > worth:
        least = max(more, FEWEST_EACH)
        return Verdict(
            "too few runs",
            "too few runs. They were driven on different days, and no setup was driven on two days. With the usual "
            f"difference between days, nothing shows. {seen}. One outing with both, {least} runs each, settles it "
            "sooner than another week, because days cancel in it",
            interval.detectable,
            least,
        )
    said = f"no difference shown. {seen}"
    return Verdict("no difference shown", said, interval.detectable, more if interval.detectable > worth else 0)


def overall_verdict(splits: Sequence[SplitDifference], a: str, b: str, unit: str = "mph") -> Verdict:
    """One verdict over all speeds, which its sentence names in `unit`.

    The interval it gives holds together with those of the other speeds; of a single speed it holds by itself, and is
    the narrower one. The sentence says which. What is shown to some speed, but comes out the other way at the highest,
    is `mixed`: one side's launches were quicker, and the car was not.
    """
    words = [split.verdict.word for split in splits]
    if not splits:
        return Verdict("too few runs", "too few runs. The two never reached the same speed")
    alone = len(splits) == 1
    told = [split for split in splits if split.verdict.word in ("faster", "slower")]
    if told:
        kinds = {split.verdict.word for split in told}
        if len(kinds) > 1:
            return Verdict("mixed", f"{b} is faster than {a} to some speeds and slower to others")
        top = [split for split in splits if split.verdict.word != "too few runs"][-1]
        against = top.judged.interval.estimate * told[0].judged.interval.estimate < 0
        if against:  # quick off the line by luck or by what is lost again: no verdict on the whole run
            word, shown = told[0].verdict.word, speed_label(told[-1].speed_mps, unit)
            other = f"{abs(top.judged.interval.estimate):.2f} s {'slower' if word == 'faster' else 'faster'}"
            return Verdict(
                "mixed",
                f"{b} is {word} than {a} to {shown}, but not to {speed_label(top.speed_mps, unit)}. There it came out "
                f"{other}, which is within scatter",
            )
        most = max(told, key=lambda split: abs(split.judged.interval.estimate))
        interval = most.judged.interval
        said = f"{abs(interval.estimate):.2f} s to {speed_label(most.speed_mps, unit)}"
        where = "for this speed on its own" if alone else f"for all {len(splits)} speeds together"
        shows = "" if alone else ", where it shows most"
        change = "gains" if most.verdict.word == "faster" else "loses"
        return Verdict(
            most.verdict.word,
            f"{b} is {most.verdict.word} than {a}. It {change} {said}{shows} ({_range(interval)} {where})",
            interval.detectable,
        )
    if "no difference shown" in words:
        last = [split for split in splits if split.verdict.word == "no difference shown"][-1]
        at = f"in the time to {speed_label(last.speed_mps, unit)}"
        return replace(last.verdict, sentence=f"{b} against {a}, {at}: {last.verdict.sentence}")
    return splits[-1].verdict


def _range(interval: ContrastInterval) -> str:
    low, high = sorted((abs(interval.low), abs(interval.high)))
    return f"{low:.2f} to {high:.2f}"
