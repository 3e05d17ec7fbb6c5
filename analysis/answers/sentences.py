"""Sentences made of answers, for the terminal and the page alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.conditions.setups import shown
from analysis.wording import percent, percent_span

if TYPE_CHECKING:
    from analysis.answers.effects import ChangedPart
    from analysis.answers.mixture import DelayAnswer
    from analysis.answers.season import SeasonAnswer


def changed(parts: Sequence[ChangedPart]) -> str:
    """snorkel short -> long with needle_clip 3 -> 4."""
    return " with ".join(f"{each.part} {shown(each.from_)} -> {shown(each.to)}" for each in parts)


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
    return f"Power at the wheels against {first.setup}, by every full pull, all together: {'; '.join(said)}."


def delay_sentence(told: DelayAnswer) -> str:
    """The delay that was used and where it comes from."""
    if not math.isfinite(told.delay_low_s):
        return (
            f"{told.delay_says} Used: {told.delay_s:.2f} s, the latency_s of the recorder's file. Six changes between "
            "cruise and full throttle, some seconds each, tell it."
        )
    text = f"Delay {told.delay_s:.2f} s ({told.delay_low_s:.2f} to {told.delay_high_s:.2f})"
    if math.isfinite(told.lag_s):
        text += f", lag of the sensor {told.lag_s:.2f} s ({told.lag_low_s:.2f} to {told.lag_high_s:.2f})"
    return f"{text}. {told.delay_says}"
