"""The mixture's part of a page: the map with its judgements, what changed between two maps, readings along a run."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.answers.learned_slopes import load_slopes_sentence
from analysis.answers.sentences import delay_sentence
from analysis.arrays import Floats
from analysis.report.page import Block, Figure, Map, MapField, Table, Words, judgement_first
from analysis.report.plots import Axis, Series, Zone, draw
from analysis.report.traces import FROM_FOOT, RunLine, speed_over_time
from analysis.runs.run import Run, time_zero

if TYPE_CHECKING:
    from analysis.answers.mixture import (
        CellAnswer,
        CellChangeAnswer,
        LoadAnswer,
        MixtureAnswer,
        MixtureChangeAnswer,
        RegimeAnswer,
    )
    from analysis.answers.mixture_side import SideChangeAnswer, SideMixtureAnswer
    from analysis.drive import AnalysedDrive

LIFTING_S = 0.3
"""Before a run's end the throttle may be closing already."""

_TINTS = {"lean of target": "lean", "in band": "in", "rich of target": "rich", "not enough data": "unknown"}
_CHANGE_TINTS = {"leaner": "lean", "richer": "rich", "no change seen": "in"}
_CHANGE_MARKS = {"leaner": "L", "richer": "R", "no change seen": "="}


_LEGEND = [
    ("lean", "L", "lean of target"), ("in", "=", "in band"), ("rich", "R", "rich of target"),
    ("unknown", "", "not enough data"),
    ("", "?", "not sure; the 95 % interval crosses an edge of the target"),
    ("", "\u2581", "bar at the bottom: how much data (square root of the seconds)"),
]  # fmt: skip


# --- the map --------------------------------------------------------------------------------------------------------


def mixture_blocks(found: MixtureAnswer, whose: str = "") -> list[Block]:
    """The map with targets and amounts, the regimes, and what was left out; `whose` begins its title."""
    name = wording.channel_label(found.channel)
    most = max((cell.seconds for cell in found.cells), default=1.0)
    cells = {_place(cell): _cell(cell, found.channel, most) for cell in found.cells}
    title = f"{whose}{name} by speed and load: median, standard error, seconds"
    left_out = ", ".join(f"{mask.reason} {mask.seconds:.0f} s" for mask in found.masks if mask.seconds >= 0.5)
    return [
        _map(title, cells, found.load, found.unit, _LEGEND),
        _by_way_of_driving(found.summaries, found.channel),
        Words(
            f"The last row is {wording.FULL_THROTTLE_OF_DRIVE}: the median of all its readings there. "
            f"Used {found.kept_s:.0f} s of {found.total_s:.0f} s." + (f" Left out: {left_out}." if left_out else "")
            + f" {delay_sentence(found)}" + (f" {load_slopes_sentence(found.slopes)}" if found.slopes else "")
        ),
    ]  # fmt: skip


def side_blocks(found: SideMixtureAnswer, letter: str) -> list[Block]:
    """The map of all drives of a side as one, and the regimes; `letter` is the side's."""
    name, amount = wording.channel_label(found.channel), wording.plural(len(found.drives), "drive")
    most = max((cell.seconds for cell in found.cells), default=1.0)
    cells = {_place(cell): _cell(cell, found.channel, most) for cell in found.cells}
    title = f"{letter}, {amount} together: {name} by speed and load: mean of the medians, standard error, seconds"
    left_out = f" Left out, on another scale: {', '.join(found.left_out)}." if found.left_out else ""
    return [
        _map(title, cells, found.load, found.unit, _LEGEND),
        _by_way_of_driving(found.summaries, found.channel),
        Words(
            f"Each drive's median is weighted by its seconds. The standard error includes how far drives differ. Used "
            f"{found.kept_s:.0f} s of {found.total_s:.0f} s of {', '.join(found.drives)}.{left_out}"
        ),
    ]  # fmt: skip


def _cell(cell: CellAnswer, channel: str, most_s: float) -> MapField:
    digits, name = wording.channel_digits(channel), wording.channel_label(channel)
    share = math.sqrt(cell.seconds / most_s)
    if cell.judgement == "not enough data":
        said = f"not enough data, {cell.seconds:.0f} seconds"
        return MapField("", "", f"{cell.seconds:.0f} s", said, _TINTS[cell.judgement], share)
    sigma = f"\u00b1{cell.sigma:.{digits}f}, " if math.isfinite(cell.sigma) else ""
    said = (
        f"{name} {wording.with_sigma(cell.median, cell.sigma, digits)}, {cell.judgement}"
        f"{'' if cell.sure else ', not sure'}, {cell.seconds:.0f} seconds, target {cell.target.low:g} to "
        f"{cell.target.high:g}"
    )
    mark = wording.MARKS[cell.judgement] + ("" if cell.sure else "?")
    value = wording.number(cell.median, digits - 1)
    return MapField(value, mark, f"{sigma}{cell.seconds:.0f} s", said, _TINTS[cell.judgement], share)


def _by_way_of_driving(summaries: Sequence[RegimeAnswer], channel: str) -> Table:
    digits = wording.channel_digits(channel)
    rows = [
        [
            str(s.regime), f"{s.seconds:.0f}", wording.number(s.median, digits), wording.number(s.sigma, digits),
            f"{s.target.low:.{digits}f} to {s.target.high:.{digits}f}",
            str(s.judgement) + ("" if s.sure or s.judgement == "not enough data" else ", not sure"),
        ]
        for s in summaries
    ]  # fmt: skip
    heads = ["Driving", "Seconds", "Median", "\u00b1", "Target", "Judgement"]
    return judgement_first("By kind of driving", heads, rows)


def mixture_words(found: MixtureAnswer) -> list[str]:
    """What the verdict of a drive says of its mixture."""
    return [
        _regime_words(row, found.channel)
        for row in found.summaries
        if row.regime in ("full throttle", "cruise") and row.judgement != "not enough data"
    ]


def _regime_words(row: RegimeAnswer, channel: str) -> str:
    told = wording.with_sigma(row.median, row.sigma, wording.channel_digits(channel))
    sure = "" if row.sure else ", but not surely"
    where = wording.FULL_THROTTLE_OF_DRIVE if row.regime == "full throttle" else row.regime
    return (
        f"Mixture at {where}: {wording.channel_label(channel)} {told}, {row.judgement}{sure} "
        f"(target {row.target.low:g} to {row.target.high:g})."
    )


# --- what changed ---------------------------------------------------------------------------------------------------


def change_map(found: MixtureChangeAnswer | SideChangeAnswer, whose: str) -> Map:
    """What the mixture did from one drive or side to another (`whose` names them), field by field; rows without data in
    both are left out."""
    digits = wording.channel_digits(found.channel)
    cells = {_place(cell): _change_cell(cell, digits) for cell in found.cells}
    told = {band for band, cell in ((place[0], cell) for place, cell in cells.items()) if cell.value}
    legend = [
        ("lean", "L", "leaner"), ("in", "=", "no change seen"), ("rich", "R", "richer"),
        ("unknown", "", "not enough data"),
    ]  # fmt: skip
    title = f"{wording.channel_label(found.channel)}, {whose}: difference and 95 % interval"
    shown = {place: cell for place, cell in cells.items() if place[0] in told}
    return _map(title, shown, found.load, found.unit, legend)


def _change_cell(cell: CellChangeAnswer, digits: int) -> MapField:
    if cell.verdict == "not enough data":
        return MapField("", "", "", "not enough data", "unknown")
    value, span = wording.signed(cell.difference, digits), wording.interval(cell.low, cell.high, digits)
    said = f"{value}, 95 % interval {span}, {cell.verdict}"
    return MapField(value, _CHANGE_MARKS[cell.verdict], span, said, _CHANGE_TINTS[cell.verdict])


# --- as a table -----------------------------------------------------------------------------------------------------

_Place = tuple[tuple[float, float], float]
"""Lower and upper speed of a field [m/s], and where its load begins."""


def _place(cell: CellAnswer | CellChangeAnswer) -> _Place:
    return (cell.from_mps, cell.to_mps), cell.load_from


def _map(
    title: str, cells: Mapping[_Place, MapField], load: LoadAnswer, unit: str, legend: Sequence[tuple[str, str, str]]
) -> Map:
    bands = sorted({band for band, _ in cells})
    rows = [(wording.speed_range(*band, unit), [cells.get((band, edge)) for edge in load.edges[:-1]]) for band in bands]
    columns = [wording.load_label(a, b, load.unit) for a, b in pairwise(load.edges)]
    words = load.name + ("" if load.unit in ("1", "") else f", {load.unit}")
    return Map(title, unit, words, columns, rows, legend)


# --- along a run ----------------------------------------------------------------------------------------------------


def readings_along(drive: AnalysedDrive, found: MixtureAnswer, run: Run) -> tuple[Floats, Floats]:
    """The mixture from a second before a run until it lifts: seconds from one foot, moved back by the delay, and values
    as recorded."""
    readings = drive.map.readings
    t = readings.time_s - _late(found)
    inside = (t >= run.start_s - 1.0) & (t <= run.end_s - LIFTING_S) & np.isfinite(readings.value)
    return t[inside] - time_zero(run), readings.value[inside]


def _late(found: MixtureAnswer) -> float:
    """By how much readings come late: delay and lag [s]."""
    return found.delay_s + (found.lag_s if math.isfinite(found.lag_s) else 0.0)


def along_best(drive: AnalysedDrive, found: MixtureAnswer, best: Run) -> list[Block]:
    """Mixture and speed along the best run, on one time axis."""
    x, y = readings_along(drive, found, best)
    if len(x) < 3:
        return []
    target = found.full_throttle.target
    axis = Axis("Time from one foot", "s", best.start_s - 1.0 - time_zero(best), best.end_s - time_zero(best))
    name, digits = wording.channel_label(found.channel), wording.channel_digits(found.channel)
    mixture = draw(
        [Series(name, x, y, style=0, direct=False)],
        axis,
        Axis(name, decimals=digits),
        height=190,
        zones=[Zone(target.low, target.high, "target")],
        said=f"{name} along run {best.n}, with the target at full throttle shaded.",
    )
    line = RunLine("speed", drive, best, direct=False)
    speed = speed_over_time([line], found.unit, f"Speed along run {best.n}.", axis, 120)
    step = max(len(x) // 24, 1)
    rows = [[f"{a:.2f}", wording.number(float(b), digits)] for a, b in zip(x[::step], y[::step], strict=True)]
    return [
        Figure(
            f"{name} along run {best.n}, the best",
            mixture,
            f"Readings as recorded, moved back by their delay of {_late(found):.2f} s. Shaded: target at full "
            "throttle.",
            Table(f"{name} along run {best.n}", [FROM_FOOT, name], rows),
        ),
        Figure(f"Speed along run {best.n}", speed),
    ]


def along_both(bests: Sequence[tuple[str, AnalysedDrive, MixtureAnswer, Run, int]]) -> list[Block]:
    """The mixture along the best run of each side: (label, drive, its mixture, run, style)."""
    series = [
        Series(label, *readings_along(drive, found, run), style=style) for label, drive, found, run, style in bests
    ]
    if not series:
        return []
    name = wording.channel_label(bests[0][2].channel)
    plot = draw(series, Axis("Time from one foot", "s"), Axis(name), height=190, said=f"{name} along the best runs.")
    return [Figure(f"{name} along the best run of each", plot, "Readings as recorded, moved back by their delay.")]
