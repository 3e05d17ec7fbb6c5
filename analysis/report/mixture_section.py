"""The mixture's part of a page: the map with its judgements, what changed between two maps, readings along a run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.arrays import Floats
from analysis.report.page import Block, Cell, Figure, Map, Table, Words
from analysis.report.plots import Axis, Series, Zone, draw
from analysis.report.traces import FROM_FOOT, Line, speed_over_time
from analysis.runs.run import Run, time_zero

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive, DriveMap
    from analysis.mixture.map import MixtureMap

LIFTING_S = 0.3
"""Before a run's end the throttle may be closing already."""

TINTS = {"lean of target": "lean", "in band": "in", "rich of target": "rich", "not enough data": "unknown"}
MARKS = {"lean of target": "L", "in band": "=", "rich of target": "R", "not enough data": ""}


def digits_of(found: MixtureMap) -> int:
    return 2 if found.channel == "afr" else 3


def channel_words(found: MixtureMap) -> str:
    return "AFR" if found.channel == "afr" else "lambda"


def mixture_blocks(mapped: DriveMap, unit: str, whose: str = "") -> list[Block]:
    """The map with targets and amounts, the regimes, and what was left out; `whose` begins its title."""
    from analysis.wording import delay_sentence

    found = mapped.answer
    digits, name = digits_of(found), channel_words(found)
    by_row: dict[tuple[float, float], dict[float, Cell]] = {}
    most = max((cell.seconds for cell in found.cells), default=1.0)
    for cell in found.cells:
        value = wording.number(cell.median, digits - 1) if cell.judgement != "not enough data" else ""
        mark = MARKS[cell.judgement] + ("?" if value and not cell.sure else "")
        sigma = f"\u00b1{cell.sigma:.{digits}f}, " if value and math.isfinite(cell.sigma) else ""
        said = (
            f"{name} {wording.with_sigma(cell.median, cell.sigma, digits)}, {cell.judgement}"
            f"{'' if cell.sure else ', not sure'}, {cell.seconds:.0f} seconds, target {cell.target.low:g} to "
            f"{cell.target.high:g}"
            if value else f"not enough data, {cell.seconds:.0f} seconds"
        )  # fmt: skip
        by_row.setdefault((cell.from_mps, cell.to_mps), {})[cell.load_from] = Cell(
            value, mark, f"{sigma}{cell.seconds:.0f} s", said, TINTS[cell.judgement], math.sqrt(cell.seconds / most)
        )
    rows = [
        (wording.speed_range(a, b, unit), [row.get(edge) for edge in found.load.edges[:-1]])
        for (a, b), row in sorted(by_row.items())
    ]
    legend = [
        ("lean", "L", "lean of target"), ("in", "=", "in band"), ("rich", "R", "rich of target"),
        ("unknown", "", "not enough data"),
        ("", "?", "not sure: the 95 % interval crosses an edge of the target"),
        ("", "\u2581", "bar at the foot: how much data, by its square root"),
    ]  # fmt: skip
    regimes = [
        [
            str(s.regime), f"{s.seconds:.0f}", wording.number(s.median, digits), wording.number(s.sigma, digits),
            f"{s.target.low:.{digits}f} to {s.target.high:.{digits}f}",
            str(s.judgement) + ("" if s.sure or s.judgement == "not enough data" else ", not sure"),
        ]
        for s in found.summaries
    ]  # fmt: skip
    title = f"{whose}{name} by speed and load: median, standard error, seconds"
    heads = ["Driving", "Seconds", "Median", "Sigma", "Target", "Judgement"]
    left_out = ", ".join(f"{mask.reason} {mask.seconds:.0f} s" for mask in found.masks if mask.seconds >= 0.5)
    return [
        Map(title, unit, _load_words(found), _load_columns(found), rows, legend),
        Table("By way of driving", heads, regimes, left=(5,)),
        Words(
            f"Used {found.kept_s:.0f} s of {found.total_s:.0f} s." + (f" Left out: {left_out}." if left_out else "")
            + f" {delay_sentence(found.delay)}"
        ),
    ]  # fmt: skip


def change_map(first: MixtureMap, second: MixtureMap, names: tuple[str, str], unit: str) -> Map:
    """What the mixture did from one map to another with the same columns, field by field."""
    from analysis.mixture.map import difference

    digits, name = digits_of(first), channel_words(first)
    by_row: dict[tuple[float, float], dict[float, Cell]] = {}
    for change in difference(first, second):
        if change.verdict == "not enough data":
            cell = Cell("", "", "", "not enough data", "unknown")
        else:
            span = f"{change.low:+.{digits}f} to {change.high:+.{digits}f}"
            said = f"{change.difference:+.{digits}f}, 95 % interval {span}, {change.verdict}"
            value = f"{change.difference:+.{digits}f}"
            cell = Cell(value, CHANGE_MARKS[change.verdict], span, said, CHANGE_TINTS[change.verdict])
        by_row.setdefault((change.from_mps, change.to_mps), {})[change.load_from] = cell
    rows = [
        (wording.speed_range(a, b, unit), [row.get(edge) for edge in first.load.edges[:-1]])
        for (a, b), row in sorted(by_row.items())
        if any(cell.value for cell in row.values())
    ]
    legend = [
        ("lean", "L", "leaner"), ("in", "=", "no change seen"), ("rich", "R", "richer"),
        ("unknown", "", "not enough data"),
    ]  # fmt: skip
    return Map(
        f"{name}, {names[1]} less {names[0]}: difference and 95 % interval", unit, _load_words(first),
        _load_columns(first), rows, legend,
    )  # fmt: skip


CHANGE_TINTS = {"leaner": "lean", "richer": "rich", "no change seen": "in"}
CHANGE_MARKS = {"leaner": "L", "richer": "R", "no change seen": "="}


def _load_words(found: MixtureMap) -> str:
    return found.load.name + ("" if found.load.unit in ("1", "") else f", {found.load.unit}")


def _load_columns(found: MixtureMap) -> list[str]:
    share = found.load.unit == "1"
    return [
        f"{a * 100:.0f}{wording.DASH}{b * 100:.0f} %" if share else f"{a:g}{wording.DASH}{b:g}"
        for a, b in pairwise(found.load.edges)
    ]


# --- along a run ----------------------------------------------------------------------------------------------------


def readings_along(mapped: DriveMap, run: Run) -> tuple[Floats, Floats]:
    """The mixture from a second before a run until it lifts: seconds from one foot, moved back by the delay, and values
    as recorded."""
    t = mapped.readings.time_s - _late(mapped)
    inside = (t >= run.start_s - 1.0) & (t <= run.end_s - LIFTING_S) & np.isfinite(mapped.readings.value)
    return t[inside] - time_zero(run), mapped.readings.value[inside]


def _late(mapped: DriveMap) -> float:
    """By how much readings come late: delay and lag [s]."""
    return mapped.answer.delay.delay_s + mapped.answer.delay.lag_s


def along_best(drive: AnalysedDrive, mapped: DriveMap, best: Run, unit: str) -> list[Block]:
    """Mixture and speed along the best run, on one time axis."""
    found = mapped.answer
    x, y = readings_along(mapped, best)
    if len(x) < 3:
        return []
    zero = time_zero(best)
    full = next((s for s in found.summaries if s.regime == "full throttle"), None)
    zones = [Zone(full.target.low, full.target.high, "target")] if full else []
    axis = Axis("Time from one foot", "s", float(best.start_s - 1.0 - zero), float(best.end_s - zero))
    name, digits = channel_words(found), digits_of(found)
    mixture = draw(
        [Series(name, x, y, style=0, direct=False)],
        axis,
        Axis(name, decimals=digits),
        height=190,
        zones=zones,
        said=f"{name} along run {best.n}, with the target at full throttle shaded.",
    )
    speed = speed_over_time([Line("speed", drive, best, direct=False)], unit, f"Speed along run {best.n}.", axis, 120)
    step = max(len(x) // 24, 1)
    rows = [[f"{a:.2f}", wording.number(float(b), digits)] for a, b in zip(x[::step], y[::step], strict=True)]
    return [
        Figure(
            f"{name} along run {best.n}, the best",
            mixture,
            f"Readings as recorded, moved back by the {_late(mapped):.2f} s they come late. Shaded: target at full "
            "throttle.",
            Table(f"{name} along run {best.n}", [FROM_FOOT, name], rows),
        ),
        Figure(f"Speed along run {best.n}", speed),
    ]


def along_both(bests: Sequence[tuple[str, DriveMap, Run, int]]) -> list[Block]:
    """The mixture along the best run of each side: (label, map of its drive, run, style)."""
    series = [Series(label, *readings_along(mapped, run), style=style) for label, mapped, run, style in bests]
    if not series:
        return []
    name = channel_words(bests[0][1].answer)
    plot = draw(series, Axis("Time from one foot", "s"), Axis(name), height=190, said=f"{name} along the best runs.")
    return [Figure(f"{name} along the best run of each", plot, "Readings as recorded, moved back by their delay.")]
