"""Sentences made of answers, for the terminal and the page alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.conditions.setups import shown

if TYPE_CHECKING:
    from analysis.answers.effects import ChangedPart
    from analysis.answers.mixture import DelayAnswer


def changed(parts: Sequence[ChangedPart]) -> str:
    """snorkel short -> long with needle_clip 3 -> 4."""
    return " with ".join(f"{each.part} {shown(each.from_)} -> {shown(each.to)}" for each in parts)


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
