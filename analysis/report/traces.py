"""Speed along runs, over time and over distance, as every page draws it; and the runs that are drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.arrays import Floats
from analysis.changes.best import quickness
from analysis.report.page import Figure, Table
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
_ALIKE = 0.12
"""Half of the curves are nearer than this part of the top speed: they lie on each other (by eye, no source)."""


Traced = tuple[Floats, Floats, Floats]
"""Time, way and speed, as `trace` gives them."""


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
    _traced: dict[str, Traced] = field(default_factory=dict, init=False, repr=False, compare=False)

    def traced(self, unit: str) -> Traced:
        """Its `trace`, worked out once however many plots it is in."""
        if unit not in self._traced:
            self._traced[unit] = trace(self.drive, self.run, unit)
        return self._traced[unit]


def trace(drive: AnalysedDrive, run: Run, unit: str) -> Traced:
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


def over_way(
    lines: Sequence[RunLine], unit: str, reference: RunLine, called: str, whose: str, caption: str = "",
    data: Table | None = None,
) -> Figure:  # fmt: skip
    """Speed over the way from rest, a line each; `whose` says of what runs, to who cannot see it.

    Curves that lie on each other are drawn as what each is faster than `reference` (`called` so) at the same place.
    """
    across = Axis("Distance from rest", way_unit(unit), 0.0, None, 0 if unit == "mph" else 1)
    faster = [(line, *_faster(line, reference, unit)) for line in lines if line is not reference]
    top = max(float(np.nanmax(line.traced(unit)[2])) for line in lines)
    apart = [float(np.nanmax(np.abs(speed))) for _, _, speed in faster if np.isfinite(speed).any()]
    if not apart or float(np.median(apart)) > _ALIKE * top:
        plot = _drawn(lines, unit, f"Speed over distance of {whose}.", 1, across, 280)
        return Figure("Speed over distance", plot, caption, data, switches=len(lines) > 1)
    few = _series([(line, x, speed) for line, x, speed in faster])
    plot = draw(
        few, across, Axis(f"Faster than {called} at the same place", unit, decimals=1), zero=True,
        said=f"Speed at the same place less that of {called}, of {whose}.",
    )  # fmt: skip
    title = f"Speed over distance, against {called}"
    return Figure(title, plot, f"Above the line: faster at that place. {caption}".strip(), data, switches=len(few) > 1)


def _faster(line: RunLine, reference: RunLine, unit: str) -> tuple[Floats, Floats]:
    """The line's way, and its speed less the reference's there; NaN where either has none."""
    _, way, speed = line.traced(unit)
    _, there, held = reference.traced(unit)
    return way, speed - np.interp(way, there, held, left=math.nan, right=math.nan)


def _drawn(lines: Sequence[RunLine], unit: str, said: str, which: int, across: Axis, height: int) -> Plot:
    told = [(line, line.traced(unit)) for line in lines]
    series = _series([(line, points[which], points[2]) for line, points in told])
    return draw(series, across, Axis("Speed", unit, 0.0, None, 1), height=height, said=said)


def _series(lines: Sequence[tuple[RunLine, Floats, Floats]]) -> list[Series]:
    told = [(line, x, speed) for line, x, speed in lines if np.isfinite(speed).any()]
    if not told:
        return []
    # As one line that is broken between them, each a plot wide and high.
    across = [np.append(x / (float(x[-1] - x[0]) or 1), math.nan) for _, x, _ in told]
    up = [np.append(speed / (float(np.nanmax(np.abs(speed))) or 1), math.nan) for _, _, speed in told]
    keep = thinned(np.concatenate(across), np.concatenate(up), 1.0, 1.0)
    keeps = np.split(keep, np.cumsum([len(x) for x in across])[:-1])
    return [
        Series(
            line.label, x[keep[:-1]], speed[keep[:-1]], style=line.style, direct=line.direct, group=line.group,
            strong=line.strong,
        )
        for (line, x, speed), keep in zip(told, keeps, strict=True)
    ]  # fmt: skip


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
