"""Differences with the two intervals that every comparison has: one that counts days, one of runs only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.report.plots import Axis, Plot, Series, draw

if TYPE_CHECKING:
    from analysis.changes.day_effects import Interval

HOW_TO_READ = "The wide one counts that days differ, the narrow one only that runs do."
_APART = 0.22
"""Between the two bars of a row, in rows."""


def interval_plot(
    intervals: Sequence[Interval], rows: Sequence[float], across: Axis, down: Axis, row_px: int, said: str
) -> Plot:
    """Both intervals of each difference; `rows` are their places on the axis `down`."""
    y = np.array(rows, float)
    d, low, high, run_low, run_high = (
        np.array([getattr(each, name) for each in intervals])
        for name in ("estimate", "low", "high", "run_low", "run_high")
    )
    return draw(
        [
            Series("with days", d, y, low, high, 0, "points", False, "with days", across=True),
            Series("runs only", d, y - _APART, run_low, run_high, 1, "points", False, "runs only", across=True),
        ],
        across,
        down,
        height=max(row_px * len(rows), 110),
        zero_x=True,
        said=said,
    )


def interval_cells(interval: Interval) -> list[str]:
    """The difference and both of its intervals, for a table."""
    return [
        wording.signed(interval.estimate),
        wording.span(interval.low, interval.high),
        wording.span(interval.run_low, interval.run_high),
    ]
