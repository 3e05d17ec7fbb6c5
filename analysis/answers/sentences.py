"""Sentences made of answers, for the terminal and the page alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.conditions.setups import shown
from analysis.wording import interval, percent, percent_span, signed

if TYPE_CHECKING:
    from analysis.answers.effects import ChangedPart, EffectsAnswer, TimeEffect
    from analysis.answers.mixture import DelayAnswer
    from analysis.answers.season import SeasonAnswer


def changed(parts: Sequence[ChangedPart]) -> str:
    """snorkel short -> long with needle_clip 3 -> 4."""
    return " with ".join(f"{each.part} {shown(each.from_)} -> {shown(each.to)}" for each in parts)


def effects_verdict(answer: EffectsAnswer) -> list[str]:
    """What each part that shows did to the time at the highest speed, a line each; or that none shows."""
    lines, hidden = [], 0
    for each in answer.time:
        found = each.effects[-1]
        if not (found.low > 0 or found.high < 0):
            hidden += 1
            continue
        word, figure = "faster" if found.high < 0 else "slower", abs(found.difference)
        low, high = sorted((abs(found.low), abs(found.high)))
        lines.append(f"{changed(each.changes)}: {figure:.2f} s {word} to {found.speed} ({low:.2f} to {high:.2f}).")
    if hidden:
        lines.append("No effect on the time is shown." if not lines else f"{hidden} more not shown.")
    return lines


def outlay_rows(effects: Sequence[TimeEffect]) -> list[list[str]]:
    """What each change gained for its money and for its hours, where its setup says what it took: the change, what it
    took, seconds gained for each, and their interval."""
    rows = []
    for each in effects:
        told = [(gain, of) for gain, of in ((each.for_money, ""), (each.for_hours, " h")) if gain is not None]
        for k, (gain, of) in enumerate(told):
            what = "" if k else changed(each.changes)
            span = interval(gain.low_s, gain.high_s, 3)
            rows.append([what, f"{gain.spent:g}{of}", signed(gain.gain_s, 3), span])
    return rows


def outlay_title(effects: Sequence[TimeEffect]) -> str:
    """What `outlay_rows` are."""
    return f"Gained to {effects[0].effects[-1].speed} for money and hours (above zero is quicker)"


def power_word(low: float, high: float) -> str:
    """What an interval on power shows: more, less, not shown; unknown without one."""
    if not math.isfinite(low):
        return "unknown"
    return "more" if low > 0 else "less" if high < 0 else "not shown"


def power_by_setup_line(season: SeasonAnswer) -> str:
    """Power of each setup against the first, in a sentence; "" with fewer than two that have pulls."""
    told = [each for each in season.setups if math.isfinite(each.power_change)]
    if not told:
        return ""
    first = next(each for each in season.setups if each.pulls and not math.isfinite(each.power_change))
    said = (
        f"{each.setup} {percent(each.power_change)} % ({percent_span(each.power_low, each.power_high)})"
        for each in told
    )
    return f"Power at the wheels compared with {first.setup}, by every full pull: {'; '.join(said)}."


def delay_sentence(told: DelayAnswer) -> str:
    """The delay that was used and where it comes from."""
    if not math.isfinite(told.delay_low_s):
        return (
            f"{told.delay_says} Used: {told.delay_s:.2f} s, the latency_s of the recorder's file. To measure "
            f"it, change "
            "six times between cruise and full throttle, a few seconds each."
        )
    text = f"Delay {told.delay_s:.2f} s ({told.delay_low_s:.2f} to {told.delay_high_s:.2f})"
    if math.isfinite(told.lag_s):
        text += f", sensor lag {told.lag_s:.2f} s ({told.lag_low_s:.2f} to {told.lag_high_s:.2f})"
    return f"{text}. {told.delay_says}"
