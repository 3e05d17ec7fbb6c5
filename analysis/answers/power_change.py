"""What `compare`, `power` and the report say of power between two sides: the change with its interval, and seconds."""

from __future__ import annotations

import math
from typing import Any, Literal

from analysis.answers.encoding import Answer, Figure
from analysis.changes.compare_power import PowerChange, PowerComparison
from analysis.changes.observations import Side
from analysis.changes.power_sides import power_held
from analysis.changes.season_record import SeasonRecord
from analysis.wording import percent, percent_span, sentence, speed_range


class PowerGroup(Answer):
    """The change of power in one range of speeds."""

    from_mps: float
    """From this speed [m/s]."""
    to_mps: float
    """To this speed [m/s]."""
    pulls_a: int
    """Pulls of A through it, starts among them."""
    pulls_b: int
    """Pulls of B through it."""
    change: float
    """Power of B over A's, less one [-]."""
    low: float
    """From [-]; all ranges hold together at `level`."""
    high: float
    """To [-]."""


class PowerTime(Answer):
    """The same change as time, by integrating it over A's power and the road load."""

    from_mps: float
    """From this speed [m/s]."""
    to_mps: float
    """To this speed [m/s]."""
    a_s: Figure
    """What A takes [s]; null where its power does not carry it there."""
    difference_s: Figure
    """B less A [s]: below zero, B is the quicker one."""
    low_s: Figure
    """From [s]."""
    high_s: Figure
    """To [s]."""


class PowerChangeAnswer(Answer):
    """Power at the wheels of B against A, by every full pull of both, standing and rolling."""

    change: Figure
    """Power of B over A's, less one [-]; null with too few pulls."""
    low: Figure
    """From, with days, legs, runs, gusts, wind and hills in it [-]; it holds on its own at `level`."""
    high: Figure
    """To [-]."""
    verdict: Literal["more power", "less power", "no difference shown", "too few pulls"]
    """What the pulls show of B."""
    sentence: str
    """The verdict in words."""
    level: float
    """How surely the interval holds."""
    from_mps: Figure
    """The lowest speed that the pulls tell of [m/s]."""
    to_mps: Figure
    """The highest [m/s]."""
    groups: tuple[PowerGroup, ...]
    """By range of speeds; they give no verdict of their own."""
    time: PowerTime | None
    """The change as time; null where it is not known."""
    starts_a: int
    """Standing starts of A among the pulls."""
    starts_b: int
    """Standing starts of B."""
    rolling_a: int
    """Rolling pulls of A."""
    rolling_b: int
    """Rolling pulls of B."""
    days: Literal["included", "cancelled", "assumed"]
    """How days enter: repeats tell of them, they cancel within outings, or they are taken to be as is usual."""
    corrected: bool
    """Whether power is brought to standard air first."""
    smallest_detectable: Figure
    """The change that these pulls would have shown 8 times in 10 [-]."""
    smallest_detectable_by_starts: Figure
    """The same had only the standing starts been driven [-]; null with too few."""
    not_full: tuple[str, ...]
    """Rolling pulls of both sides' drives that were not at full throttle, as DRIVE:pN."""
    caveats: tuple[str, ...]
    """What the reader must know, each in a sentence."""

    @property
    def told(self) -> bool:
        """Whether there is an interval."""
        return math.isfinite(self.low)

    @property
    def by(self) -> str:
        """What it is measured by, in words."""

        def side(starts: int, rolling: int) -> str:
            return f"{starts} start{'s' * (starts != 1)} and {rolling} rolling"

        return f"pulls: A {side(self.starts_a, self.rolling_a)}, B {side(self.starts_b, self.rolling_b)}"


def power_change(season: SeasonRecord, first: Side, second: Side, *, raw: bool = False) -> PowerChangeAnswer | None:
    """Power of the second side against the first; None where the season has no pulls of one of them."""
    found = power_held(first, second, season, raw=raw)
    if found is None:
        return None
    drives = {*first.drives, *second.drives}
    left = tuple(each.label for each in season.pulls_left_out if each.drive in drives)
    return PowerChangeAnswer(**told(found, left))


def told(found: PowerComparison, not_full: tuple[str, ...] = ()) -> dict[str, Any]:
    """The fields of a `PowerChangeAnswer`."""
    overall, seconds = found.overall, found.seconds
    return {
        "change": overall.change,
        "low": overall.low,
        "high": overall.high,
        "verdict": found.verdict,
        "sentence": found.sentence,
        "level": found.level,
        "from_mps": overall.from_mps,
        "to_mps": overall.to_mps,
        "groups": tuple(_group(each) for each in found.groups),
        "time": PowerTime(
            from_mps=seconds.from_mps, to_mps=seconds.to_mps, a_s=seconds.a_s, difference_s=seconds.difference_s,
            low_s=seconds.low_s, high_s=seconds.high_s,
        ) if seconds else None,
        "starts_a": found.starts[0],
        "starts_b": found.starts[1],
        "rolling_a": found.rolling[0],
        "rolling_b": found.rolling[1],
        "days": found.days,
        "corrected": found.corrected,
        "smallest_detectable": found.detectable,
        "smallest_detectable_by_starts": found.detectable_by_starts,
        "not_full": not_full,
        "caveats": tuple(found.caveats),
    }  # fmt: skip


def _group(found: PowerChange) -> PowerGroup:
    return PowerGroup(
        from_mps=found.from_mps, to_mps=found.to_mps, pulls_a=found.pulls_a, pulls_b=found.pulls_b,
        change=found.change, low=found.low, high=found.high,
    )  # fmt: skip


def power_rows(answer: PowerChangeAnswer, unit: str) -> tuple[list[str], list[list[str]]]:
    """Headings and rows of the change by range of speeds; the last row is the whole."""
    ranges = [(g.from_mps, g.to_mps, f"{g.pulls_a}/{g.pulls_b}", g.change, g.low, g.high) for g in answer.groups]
    pulls = f"{answer.starts_a + answer.rolling_a}/{answer.starts_b + answer.rolling_b}"
    whole = answer.from_mps, answer.to_mps, pulls, answer.change, answer.low, answer.high
    rows = [
        [speed_range(low, high, unit), count, percent(change), percent_span(*span)]
        for low, high, count, change, *span in [*ranges, whole]
    ]
    return [unit, "pulls", "power %", f"{answer.level:.0%}"], rows


def power_lines(answer: PowerChangeAnswer, unit: str, names: str = "") -> list[str]:
    """What stands beside the verdict, in sentences: by what, in seconds, what would have shown. `names` says where the
    pulls that don't count are named."""
    lines = [f"By {answer.by}{', in standard air' if answer.corrected else ', as driven'}."]
    time = answer.time
    if time is not None and math.isfinite(time.difference_s):
        span = f" ({time.low_s:+.2f} to {time.high_s:+.2f})" if math.isfinite(time.low_s + time.high_s) else ""
        lines.append(
            f"As time, {speed_range(time.from_mps, time.to_mps, unit)} {unit}: {time.difference_s:+.2f} s{span}."
        )
    if math.isfinite(answer.smallest_detectable):
        said = f"The smallest change this could have shown: {answer.smallest_detectable:.1%} (8 times in 10)"
        if math.isfinite(answer.smallest_detectable_by_starts) and answer.rolling_a + answer.rolling_b:
            said += f"; by the starts alone, {answer.smallest_detectable_by_starts:.1%}"
        lines.append(f"{said}.")
    if answer.not_full:
        lines.append(f"{len(answer.not_full)} more pulls were not at full throttle{names}.")
    return [*lines, *map(sentence, answer.caveats)]
