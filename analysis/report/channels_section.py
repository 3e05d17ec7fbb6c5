"""The report's section on what else was measured: head, oil and plug temperature, engine speed, battery."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.report.page import Block, Figure, Table
from analysis.report.plots import Axis, Series, Span, columns, draw
from logger.units import S_PER_MINUTE, celsius_of_kelvin

if TYPE_CHECKING:
    from analysis.answers.runs import RunsAnswer
    from analysis.arrays import Floats
    from analysis.drive import AnalysedDrive
    from analysis.runs.watched_channels import WatchedChannel


def channel_blocks(drive: AnalysedDrive, runs: RunsAnswer) -> list[Block]:
    """Each channel over the drive with its runs shaded, temperatures in one figure; then a table by run."""
    told = drive.watched
    if not told:
        return []
    warm = [each for each in told if each.unit == "K"]
    out: list[Block] = [_over_the_drive(drive, warm, "Temperature", "C")] if warm else []
    out += [
        _over_the_drive(drive, [each], each.name.capitalize(), wording.channel_unit(each.unit))
        for each in told
        if each.unit != "K"
    ]
    rows = []
    for run in runs.runs:
        cells = [
            f"{wording.channel_value(each.at_start, each.unit)}, "
            f"{wording.channel_value(each.lowest if each.unit == 'V' else each.highest, each.unit)}"
            for each in run.channels
        ]
        rows.append([f"{run.n}" if run.counted else f"{run.n}*", *cells])
    if rows:
        heads = [f"{each.name}, {wording.channel_unit(each.unit)}" for each in told]
        out.append(Table("At the start of each run, then the highest (battery: the lowest)", ["Run", *heads], rows))
    return out


def _over_the_drive(drive: AnalysedDrive, told: list[WatchedChannel], what: str, unit: str) -> Figure:
    zero = drive.motion.t_s[0]
    series = []
    for number, each in enumerate(told):
        x, y = columns((each.t_s - zero) / S_PER_MINUTE, _shown(each))
        series.append(Series(each.name, x, y, style=number, direct=len(told) > 1))
    spans = [
        Span((run.start_s - zero) / S_PER_MINUTE, (run.end_s - zero) / S_PER_MINUTE, "")
        for run in drive.runs
    ]  # fmt: skip
    last = float(max(np.max(s.x) for s in series))
    names = " and ".join(each.name for each in told)
    plot = draw(
        series,
        Axis("Time into the drive", "min", 0.0, last, 2),
        Axis(what, unit, None, None, 0 if unit != "V" else 1),
        height=170,
        spans=spans,
        said=f"{what} ({names}) over the whole drive.",
    )
    return Figure(f"{what} over the drive", plot, "Runs are shaded." if spans else "")


def _shown(each: WatchedChannel) -> Floats:
    return np.asarray([celsius_of_kelvin(v) for v in each.value]) if each.unit == "K" else each.value
