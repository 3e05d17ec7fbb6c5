"""Differences with the two intervals that every comparison has: one that counts days, one of runs only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.report.plots import Axis, Plot, Series, draw

if TYPE_CHECKING:
    from analysis.answers.compare import MeasureComparison, SplitComparison
    from analysis.answers.effects import EffectInterval

HOW_TO_READ = "The wide interval allows for days that differ, the narrow one only for runs that differ."
_APART = 0.22
"""Between the two bars of a row, in rows."""


@dataclass(frozen=True)
class Told:
    """A difference and its intervals, as an answer tells them; NaN where it cannot."""

    difference: float
    low: float
    high: float
    run_low: float
    run_high: float

    @property
    def cells(self) -> list[str]:
        """For a table: the difference, its interval with days, and that of runs only."""
        return [
            wording.signed(self.difference),
            wording.span(self.low, self.high),
            wording.span(self.run_low, self.run_high),
        ]


def of_split(split: SplitComparison) -> Told:
    """Of a split's times, in seconds."""
    return Told(split.difference_s, split.low_s, split.high_s, split.run_low_s, split.run_high_s)


def of_measure(measure: MeasureComparison | EffectInterval) -> Told:
    """Of a further figure or of an effect, in its unit."""
    return Told(measure.difference, measure.low, measure.high, measure.run_low, measure.run_high)


def interval_plot(
    told: Sequence[Told], rows: Sequence[float], across: Axis, down: Axis, row_px: int, said: str
) -> Plot:  # fmt: skip
    """Both intervals of each difference; `rows` are their places on the axis `down`."""
    y = np.array(rows, float)
    at = np.array([each.difference for each in told])
    low, high = np.array([each.low for each in told]), np.array([each.high for each in told])
    run_low, run_high = np.array([each.run_low for each in told]), np.array([each.run_high for each in told])
    return draw(
        [
            Series("with days", at, y, low, high, 0, "points", False, "with days", across=True),
            Series("runs only", at, y - _APART, run_low, run_high, 1, "points", False, "runs only", across=True),
        ],
        across,
        down,
        height=max(row_px * len(rows), 110),
        zero_x=True,
        said=said,
    )
