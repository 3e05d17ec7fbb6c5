"""Time gained and lost: runs and means of setups against a reference, speed by speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.arrays import Floats
from analysis.changes.observations import Observation
from analysis.report.page import Figure
from analysis.report.plots import Axis, Series, draw
from logger.units import SPEED_UNITS

RISES = "Where a line rises, that run loses time. Where it falls, it gains time."
_FROM_MPS, _STEP_MPS = 2.0, 1.0


@dataclass(frozen=True)
class Drawn:
    """Runs of one setup, or of one side, and how they are drawn."""

    mean: str
    """What the line of their mean is called."""
    runs: Sequence[Observation]
    style: int
    runs_style: int | None
    """None: grey."""
    group: str
    """What switches single runs on and off."""


def speeds_up_to(top_mps: float) -> Floats:
    """Every m/s from 2 m/s to `top_mps` [m/s]."""
    return np.arange(_FROM_MPS, top_mps + 1e-9, _STEP_MPS)


def behind_plot(
    drawn: Sequence[Drawn], speeds_mps: Floats, unit: str, reference: str, title: str, caption: str, faint: bool
) -> Figure | None:
    """Every run, and the mean of each group, against the mean of the first group; None where there is nothing to draw.

    Parameters
    ----------
    speeds_mps : ndarray, shape (speeds,)
        Where they are compared, rising [m/s].
    reference : str
        What the mean of the first group is called in the words of the plot.
    """
    if not drawn or len(speeds_mps) < 2:
        return None
    x = speeds_mps / SPEED_UNITS[unit]
    base = _mean([run.time_to(speeds_mps) for run in drawn[0].runs])
    series = []
    for group in drawn:
        times = [run.time_to(speeds_mps) for run in group.runs]
        for run, time in zip(group.runs, times, strict=True):
            series.append(
                Series(run.label, x, time - base, style=group.runs_style, direct=False, group=group.group, faint=faint)
            )
        series.append(Series(group.mean, x, _mean(times) - base, style=group.style, group=group.mean, strong=True))
    runs = sum(len(group.runs) for group in drawn)
    plot = draw(
        series,
        Axis("Speed", unit, 0.0, None, 0),
        Axis(f"Seconds behind {reference}"),
        zero=True,
        said=f"Seconds behind {reference} at each speed: {runs} runs and {len(drawn)} means.",
    )
    return Figure(title, plot, f"As driven. {caption} {RISES}".replace("  ", " "), switches=True)


def _mean(rows: Sequence[Floats]) -> Floats:
    """The mean at each speed that at least half of the runs reach; NaN elsewhere."""
    table = np.array(rows)
    count = np.isfinite(table).sum(axis=0)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(2 * count >= len(table), np.nansum(table, axis=0) / count, np.nan), float)
