"""The one verdict over all speeds: what is shown to some of them, and what the highest says to it."""

from __future__ import annotations

import math

import pytest

from analysis.changes.day_effects import ContrastInterval, Scatter
from analysis.changes.verdicts import SplitDifference, TimesHeld, Verdict, overall_verdict


def split(speed_mps: float, change_s: float, half_s: float) -> SplitDifference:
    """B less A in a time of 10 s: `change_s`, give or take `half_s`."""
    low, high = change_s - half_s, change_s + half_s
    interval = ContrastInterval(change_s, low, high, low, high, low, high, half_s / 2, 10.0, 1.4 * half_s, "included")
    word = "too few runs" if math.isnan(half_s) else "no difference shown"
    word = "faster" if high < 0 else "slower" if low > 0 else word
    held = TimesHeld(10.0, 10.0 + change_s, interval)
    return SplitDifference(speed_mps, 6, 6, held, None, Scatter(half_s / 2, 10, 0.0, 0), Verdict(word, word, 0.1))


@pytest.mark.parametrize(("sign", "word", "other"), [(-1, "faster", "slower"), (1, "slower", "faster")])
def test_what_the_highest_speed_speaks_against_is_no_verdict_on_the_car(sign: int, word: str, other: str) -> None:
    """Launches that were quicker by luck show at 10 mph, and are eaten up by 30 mph: that setup is not the faster."""
    splits = [split(4.4704, 0.10 * sign, 0.05), split(8.9408, 0.02 * sign, 0.08), split(13.4112, -0.15 * sign, 0.20)]
    told = overall_verdict(splits, "A", "B")
    assert told.word == "mixed"
    assert told.sentence == (
        f"B is {word} than A to 10 mph, but not to 30 mph. There it came out 0.15 s {other}, which is within scatter"
    )


def test_what_the_highest_speed_bears_out_or_cannot_say_is_told_as_it_shows() -> None:
    borne_out = [split(4.4704, -0.10, 0.05), split(13.4112, -0.15, 0.20)]
    assert overall_verdict(borne_out, "A", "B").word == "faster"
    few = [*borne_out, split(22.352, 0.3, math.nan)]
    assert overall_verdict(few, "A", "B").word == "faster"


def test_both_shown_is_mixed() -> None:
    told = overall_verdict([split(4.4704, -0.10, 0.05), split(13.4112, 0.30, 0.20)], "A", "B")
    assert (told.word, told.sentence) == ("mixed", "B is faster than A to some speeds and slower to others")
