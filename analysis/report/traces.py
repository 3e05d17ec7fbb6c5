"""Speed along runs, over time and over distance, as every page draws it; and the runs that are drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.arrays import Floats
from analysis.changes.best import quickness
from analysis.report.plots import Axis, Plot, Series, draw, thinned
from analysis.runs.run import Run, time_zero
from analysis.wording import way_unit
from logger.errors import InputError, NoAnswer
from logger.units import FOOT_M, SPEED_UNITS

if TYPE_CHECKING:
    from analysis.changes.observations import Observation
    from analysis.changes.season import SeasonRecord
    from analysis.drive import AnalysedDrive

FROM_FOOT = "Seconds from one foot"
_STEP_S = 0.05


@dataclass(frozen=True)
class RunLine:
    """A run of a drive, and how it is drawn: see `plots.Series`."""

    label: str
    drive: AnalysedDrive
    run: Run
    style: int | None = 0
    group: str = ""
    strong: bool = False
    direct: bool = True


def trace(drive: AnalysedDrive, run: Run, unit: str) -> tuple[Floats, Floats, Floats]:
    """A run from rest to its peak, twenty points a second.

    Returns
    -------
    tuple of ndarray, each of shape (points,)
        Time from one foot [s], way from rest [ft or m: `wording.way_unit`], speed [`unit`]; speed is NaN
        within gaps of the fixes.
    """
    motion = drive.motion
    t = np.linspace(run.start_s, run.end_s, max(int((run.end_s - run.start_s) / _STEP_S), 2))
    speed = motion.at(t).speed_mps
    for gap in run.gaps:
        speed[(t > gap.start_s) & (t < gap.end_s)] = np.nan
    way = run.distance_m - (motion.distance_at([run.end_s])[0] - motion.distance_at(t))
    far = np.maximum(way, 0.0) / (FOOT_M if unit == "mph" else 1.0)
    return t - time_zero(run), far, np.maximum(speed, 0.0) / SPEED_UNITS[unit]


def speed_over_time(
    lines: Sequence[RunLine], unit: str, said: str, across: Axis | None = None, height: int = 280
) -> Plot:  # fmt: skip
    """Speed over the time from one foot, a line each; `across` is the time's axis where another plot shares it."""
    return _drawn(lines, unit, said, 0, across or Axis("Time from one foot", "s"), height)


def speed_over_way(lines: Sequence[RunLine], unit: str, said: str) -> Plot:
    """Speed over the way from rest, a line each."""
    across = Axis("Way from rest", way_unit(unit), 0.0, None, 0 if unit == "mph" else 1)
    return _drawn(lines, unit, said, 1, across, 280)


def _drawn(lines: Sequence[RunLine], unit: str, said: str, which: int, across: Axis, height: int) -> Plot:
    series = []
    for line in lines:
        points = trace(line.drive, line.run, unit)
        x, speed = points[which], points[2]
        keep = thinned(x, speed, float(x[-1] - x[0]), float(np.nanmax(speed)))
        series.append(
            Series(
                line.label, x[keep], speed[keep], style=line.style, direct=line.direct, group=line.group,
                strong=line.strong,
            )
        )  # fmt: skip
    return draw(series, across, Axis("Speed", unit, 0.0, None, 1), height=height, said=said)


# --- which runs -----------------------------------------------------------------------------------------------------


def first_there(runs: Sequence[Observation], speed_mps: float) -> Observation:
    """The run that was the first at `speed_mps`, from one foot; where none got there, the one that came furthest."""
    times = [float(run.time_to(np.array([speed_mps]))[0]) for run in runs]
    told = [(time, k) for k, time in enumerate(times) if math.isfinite(time)]
    return runs[min(told)[1]] if told else min(runs, key=quickness)


def best_as_driven(
    runs: Sequence[Observation], speed_mps: float, season: SeasonRecord
) -> tuple[AnalysedDrive, Run] | None:
    """The best of a season's runs (`first_there`) in its drive; None without runs or where its drive has gone."""
    return run_called(first_there(runs, speed_mps).label, season) if runs else None


def run_called(label: str, season: SeasonRecord) -> tuple[AnalysedDrive, Run] | None:
    """The run called DRIVE:RUN, in its drive; None where there is none."""
    name, _, number = label.rpartition(":")
    try:
        drive = season.drive(name)
        run = next((run for run in drive.runs if run.n == int(number)), None)
    except (NoAnswer, InputError):
        return None
    return (drive, run) if run is not None else None
