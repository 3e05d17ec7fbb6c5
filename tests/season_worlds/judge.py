"""The judge of verdicts: python -m season_worlds.judge [DESIGN...] --seasons N [--days 1] prints the table.

From tests/. A design is named as in `designs`; without any, all are judged. What is asked is asked as the program
asks it itself (`sides.held`, `best_of`, `effects_answer`, `plan_next`): its own
speeds and corrections are judged with it.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.answers.effects import effects_answer
from analysis.answers.season import best_of
from analysis.changes.best import common_speed
from analysis.changes.compare import Comparison
from analysis.changes.observations import Side
from analysis.changes.plan import plan_next
from analysis.changes.sides import held
from analysis.changes.verdicts import WORTH_SHARE
from season_worlds.designs import DESIGNS, Design, best_season, setups
from season_worlds.machine import MPH
from season_worlds.seasons import DAYS, KINDS, MadeRuns, Stint, drive_season, gain_for, parts_of, seed_of

CLAIMS = ("faster", "slower", "mixed", "quicker")
FALSE_SHARE, SPARE = 0.05, 0.02
"""The bar of false claims, and what is left to the luck of so many seasons."""
WRONG_SIGN = 0.01
"""Of verdicts with the sign of the change turned. `mixed`, faster to some speeds and slower to others, is a false claim
where a change acts one way: a launch by luck, mostly. It is counted by itself, against the bar of false claims."""
FOUND_TWICE = 0.90
PLANNED = 0.80
"""How often planned runs are said to show a change worth knowing."""


@dataclass
class Tally:
    """Counts over the seasons of one design and size of day."""

    design: str
    day: str
    seasons: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    """Seasons (for `each`, questions) in which it happened."""
    asked: int = 0
    """Questions; a season without an answer asks none."""
    half_width: list[float] = field(default_factory=list)
    """Of the top speed's interval, over the time."""
    detectable: list[float] = field(default_factory=list)

    def share(self, what: str) -> float:
        """Of questions that had an answer."""
        return self.counts[what] / self.asked if self.asked else math.nan

    @property
    def misses(self) -> list[str]:
        """The bars that are not met, in words."""
        design, said = DESIGNS[self.design], []
        if not (design.gain or design.twice or design.ask == "plan"):
            said += [
                f"{name} {self.share(what):.1%}" for what, name in FALSE.items()
                if self.counts[what] and self.share(what) > FALSE_SHARE + SPARE
            ]  # fmt: skip
        elif self.share("wrong") >= WRONG_SIGN:
            said.append(f"wrong sign {self.share('wrong'):.1%}")
        if self.share("mixed") > FALSE_SHARE + SPARE:
            said.append(f"mixed {self.share('mixed'):.1%}")
        if design.twice and self.share("shown") < FOUND_TWICE:
            said.append(f"twice the detectable shown in {self.share('shown'):.1%}")
        if design.ask == "plan" and self.share("shown") < PLANNED - SPARE:
            said.append(f"the planned runs show it in {self.share('shown'):.1%}")
        if self.counts["narrower"]:
            said.append(f"{self.counts['narrower']} intervals with days narrower than runs only")
        if self.counts["interval"]:
            said.append(f"{self.counts['interval']} intervals where way and change went together")
        return said


FALSE = {"false": "false", "any": "any of four", "effects": "any effect", "launch": "launch", "trace": "trace"}
"""What is counted -> how it is called: claims where nothing is true."""


def judge(name: str, day: str, seasons: int, first: int = 0) -> Tally:
    """Drive the seasons of a design and hold every answer against the truth."""
    design, tally = DESIGNS[name], Tally(name, day)
    for number in range(first, first + seasons):
        ASKS[design.ask](design, tally, number)
        tally.seasons += 1
    return tally


def made(design: Design, tally: Tally, number: int, gain: float = 1.0, more: Sequence[Stint] = ()) -> MadeRuns:
    """Season `number` of a design: the same car, days and runs whatever B's gain and what is driven after it."""
    rng = seed_of("season", tally.design, tally.day, number)
    stints = design.stints or best_season(seed_of("outings", number))
    return drive_season(
        [*stints, *more], tally.day, rng, kind=KINDS[number % len(KINDS)], place=design.place, gains={"B": gain}
    )


def compared(season: MadeRuns, a: str = "A", b: str = "B") -> Comparison:
    return held(Side(a, season.of(a), parts_of(a)), Side(b, season.of(b), parts_of(b)), season.record)


# --- questions ----------------------------------------------------------------------------------------------------


def _compare(design: Design, tally: Tally, number: int) -> None:
    gain, sign = 1.0, 1.0 if seed_of("sign", number).random() < 0.5 else -1.0
    if design.twice:
        before = compared(season := made(design, tally, number))
        top = before.splits[-1]
        if not math.isfinite(top.verdict.detectable):
            return
        gain, sign = gain_for(season.car, top.speed_mps, 2 * top.verdict.detectable), 1.0
    elif design.gain:
        gain = (1 + design.gain) ** sign
    answer = compared(made(design, tally, number, gain))
    tally.asked += 1
    _count(tally, answer)
    word = answer.verdict.word
    if gain != 1.0:
        right = "faster" if sign > 0 else "slower"
        tally.counts["shown"] += word == right
        tally.counts["wrong"] += word in ("faster", "slower") and word != right
        tally.counts["mixed"] += word == "mixed"
    else:
        tally.counts["false"] += word in CLAIMS
        tally.counts["runs only"] += any(
            i.run_low > 0 or i.run_high < 0 for i in (each.judged.interval for each in answer.splits)
        )
        if answer.launch is not None:
            tally.counts["launch"] += answer.launch.verdict.word in CLAIMS
        tally.counts["trace"] += any(band.verdict.word in CLAIMS for band in answer.trace)


def _each_week(design: Design, tally: Tally, number: int) -> None:
    """B to E against A, each a question; that any of them is called, as a share of questions, is four times rarer."""
    season = made(design, tally, number)
    words = []
    for setup in setups(design.stints)[1:]:
        answer = compared(season, "A", setup)
        _count(tally, answer)
        words.append(answer.verdict.word in CLAIMS)
    tally.asked += 1
    tally.counts["false"] += sum(words) / len(words)  # type: ignore[assignment]
    tally.counts["any"] += any(words)
    _effects(design, tally, number, season)


def _effects(design: Design, tally: Tally, number: int, season: MadeRuns | None = None) -> None:
    if season is None:
        season = made(design, tally, number)
        tally.asked += 1
    shown = effects_answer(season.record)
    each = [interval for effect in shown.time for interval in effect.effects]
    tally.counts["effects"] += any(i.low > 0 or i.high < 0 for i in each)
    tally.counts["narrower"] += sum(_narrower(i.low, i.high, i.run_low, i.run_high) for i in each)


def _one_way(design: Design, tally: Tally, number: int) -> None:
    answer = compared(made(design, tally, number))
    tally.asked += 1
    intervals = [each.judged.interval for each in answer.splits] + [each.judged.interval for each in answer.trace]
    tally.counts["interval"] += sum(math.isfinite(i.low) or math.isfinite(i.high) for i in intervals)
    tally.counts["false"] += answer.verdict.word in CLAIMS


def _best(design: Design, tally: Tally, number: int) -> None:
    record = made(design, tally, number).record
    found = best_of(record, common_speed(record.runs, 10 * MPH))
    tally.asked += 1
    tally.counts["told"] += found is not None and found.beyond_scatter is not None
    tally.counts["false"] += found is not None and found.beyond_scatter is True


def _plan(design: Design, tally: Tally, number: int) -> None:
    """B is better by what is worth knowing; the plan's runs are driven, and all are asked again."""
    question = compared(season := made(design, tally, number))
    top = question.splits[-1]
    worth = WORTH_SHARE * top.judged.mean_a_s
    gain = gain_for(season.car, top.speed_mps, worth)
    season = made(design, tally, number, gain)
    question = compared(season)
    plan = plan_next(
        season.runs, top.speed_mps, worth_s=worth, settle=question, settle_parts=(parts_of("A"), parts_of("B"))
    )
    if not plan.steps:
        return
    named = {str(parts_of(each)): each for each in "AB"}
    more = [
        Stint(10 + step.outing, named[str(step.parts)], (step.runs + 1) // 2, step.runs // 2) for step in plan.steps
    ]
    word = compared(made(design, tally, number, gain, more)).verdict.word
    tally.asked += 1
    tally.counts["shown"] += word == "faster"
    tally.counts["wrong"] += word == "slower"
    tally.counts["mixed"] += word == "mixed"


ASKS: dict[str, Callable[[Design, Tally, int], None]] = {
    "compare": _compare, "each week": _each_week, "effects": _effects, "one way": _one_way, "best": _best,
    "plan": _plan,
}  # fmt: skip


def _count(tally: Tally, answer: Comparison) -> None:
    """Whether days make an interval narrower, anywhere; how wide it is where it is widest."""
    each_held = [(split.raw, split.corrected) for split in answer.splits]
    each_held += [(band.raw, band.corrected) for band in answer.trace]
    for times in (times for pair in each_held for times in pair if times is not None):
        i = times.interval
        tally.counts["narrower"] += _narrower(i.low, i.high, i.run_low, i.run_high)
    top = answer.splits[-1]
    i = top.judged.interval
    tally.half_width.append(0.5 * (i.high - i.low) / top.judged.mean_a_s)
    tally.detectable.append(top.verdict.detectable / top.judged.mean_a_s)


def _narrower(low: float, high: float, run_low: float, run_high: float) -> bool:
    return high - low < (run_high - run_low) * (1 - 1e-9)


# --- the table ----------------------------------------------------------------------------------------------------

COLUMNS = ("false", "any", "effects", "launch", "trace", "shown", "wrong", "mixed")
HEAD = (
    "| design | days | seasons | false | any of four | any effect | launch | trace | shown | wrong | mixed "
    "| half width | detectable | misses |"
)


def row(tally: Tally) -> str:
    """One line of the table; shares in %."""
    shares = [f"{100 * tally.share(what):.1f}" if what in tally.counts else "" for what in COLUMNS]
    sizes = [
        f"{100 * float(np.nanmedian(values)):.1f}" if values and np.isfinite(values).any() else ""
        for values in (tally.half_width, tally.detectable)
    ]
    cells = [tally.design, tally.day, str(tally.seasons), *shares, *sizes, "; ".join(tally.misses)]
    return "| " + " | ".join(cells) + " |"


def main() -> None:
    asked = argparse.ArgumentParser(description="judge verdicts on seasons of another hand")
    asked.add_argument("designs", nargs="*", metavar="DESIGN")
    asked.add_argument("--seasons", type=int, default=100)
    asked.add_argument("--first", type=int, default=0, help="number of the first season")
    asked.add_argument("--days", nargs="*", default=list(DAYS), choices=list(DAYS))
    given = asked.parse_args()
    if unknown := [name for name in given.designs if name not in DESIGNS]:
        asked.error(f"no design {unknown[0]!r}; there are {', '.join(DESIGNS)}")
    print(HEAD)
    print("| --- " * (HEAD.count("|") - 1) + "|")
    for name in given.designs or DESIGNS:
        for day in given.days:
            print(row(judge(name, day, given.seasons, given.first)), flush=True)


if __name__ == "__main__":
    main()
