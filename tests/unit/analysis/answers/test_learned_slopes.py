"""What answers say of learned slopes: each figure under its own word."""

from __future__ import annotations

import pytest

from analysis.answers.learned_slopes import (
    LearnedSlopesAnswer,
    coast_slopes_sentence,
    load_slopes_sentence,
    power_slopes_sentence,
    slopes_of,
)

SOME = LearnedSlopesAnswer(share=0.4, sigma=0.0031, passes_least=4, passes_most=9)
ALL = LearnedSlopesAnswer(share=1.0, sigma=0.0031, passes_least=4, passes_most=4)


def test_several_slopes_are_told_together() -> None:
    found = slopes_of(0.25, [(0.003, 9), (0.004, 4), (0.0, 5)])
    assert found is not None
    assert (found.share, found.passes_least, found.passes_most) == (0.25, 4, 9)
    assert found.sigma == pytest.approx((0.000025 / 3) ** 0.5)
    assert slopes_of(0.0, []) is None


def test_each_figure_stands_under_its_word() -> None:
    some = "the altitude of 4 to 9 passes (standard error 0.3 %)"
    every = "the altitude of 4 passes (standard error 0.3 %)"
    known = ", as far as the coasts do not show it better."
    assert coast_slopes_sentence(SOME) == f"The slope of the road is taken for 40% of the coasts from {some}{known}"
    assert coast_slopes_sentence(ALL) == f"The slope of the road is taken from {every}{known}"
    assert power_slopes_sentence(SOME) == f"The slope under 40% of the runs is taken off, from {some}."
    assert power_slopes_sentence(ALL) == f"The slope under the runs is taken off, from {every}."
    rest = " The rest is from this drive's altitude alone."
    assert load_slopes_sentence(SOME) == f"Slopes of 40% of the way are from {some}.{rest}"
    assert load_slopes_sentence(ALL) == f"Slopes of 100% of the way are from {every}."
