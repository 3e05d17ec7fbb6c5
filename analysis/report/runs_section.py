"""The runs of a drive on its page: splits, how each went, speed along them, and each against a reference run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.report.behind import RISES
from analysis.report.page import Block, Figure, Table
from analysis.report.plots import STYLES, Axis, Plot, Series, draw
from analysis.report.traces import FROM_FOOT, RunLine, speed_over_time, speed_over_way, trace
from analysis.runs.pairs import summarise
from analysis.runs.run import Run, common_top, split_at, table_speeds, table_splits
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive

FEW = 6
"""Up to so many lines get a colour and a label each; more are drawn in grey behind the best one and the median."""


def best_run(runs: Sequence[Run], unit: str) -> Run | None:
    """The quickest to the highest speed that half of the runs reach, from one foot."""
    top = common_top(runs, unit)
    if top is None:
        return None
    summary = summarise(runs, top, "one foot")
    return runs[summary.best_run] if summary is not None else None


def runs_blocks(drive: AnalysedDrive, unit: str) -> list[Block]:
    """Splits of all standing runs, drawn and as a table; how each run went."""
    standing = [run for run in drive.runs if run.kind == "standing"]
    counted = drive.counted
    out: list[Block] = []
    if len(counted) > 1 and (figure := splits_figure(counted, unit)) is not None:
        out.append(figure)
    return [*out, *_splits_tables(drive, standing, unit), _how_each_went(drive, unit)]


def _splits_tables(drive: AnalysedDrive, runs: Sequence[Run], unit: str) -> list[Table]:
    """The splits by both definitions, a row each run."""
    speeds = table_speeds(runs, unit)
    labels = [speed_label(speed, unit) for speed in speeds]
    one_foot, stopwatch = [], []
    for run in runs:
        at = {round(split.speed_mps, 6): split for split in table_splits(run, unit)}
        here = [at.get(speed) for speed in speeds]
        one_foot.append([
            _name(drive, run),
            *(wording.with_sigma(s.from_one_foot_s, s.from_one_foot_sigma_s) if s else "" for s in here),
        ])  # fmt: skip
        stopwatch.append([_name(drive, run), *(wording.with_sigma(s.time_s, s.sigma_s) if s else "" for s in here)])
    return [
        Table("Seconds from one foot of movement (SAE J1491); compare by these", ["Run", *labels], one_foot),
        Table("Seconds from first movement, as a stopwatch sees it", ["Run", *labels], stopwatch, folded=True),
    ]


def _how_each_went(drive: AnalysedDrive, unit: str) -> Table:
    rows = []
    for run in drive.runs:
        launch = "" if run.launch is None else ("soft" if run.launch.soft else "firm")
        to = f"{run.direction_deg:.0f}\u00b0" if math.isfinite(run.direction_deg) else wording.NONE
        struck = drive.struck(run)
        rows.append([
            _name(drive, run), wording.clock(run.start_s - drive.motion.t_s[0]), speed_label(run.peak_mps, unit),
            f"{run.distance_m:.0f} m", to,
            f"{run.grade.percent:+.1f} \u00b1{run.grade.sigma:.1f}"
            if math.isfinite(run.grade.percent) else wording.NONE,
            launch, "; ".join([run.ended_words, *run.notes, *([] if struck is None else [f"struck out: {struck}"])]),
        ])  # fmt: skip
    heads = ["Run", "Into the drive", "Peak", "Way", "To", "Grade %", "Launch", "Ended"]
    return Table("How each run went; * is not counted", heads, rows, left=(6, 7))


def _name(drive: AnalysedDrive, run: Run) -> str:
    return f"{run.n}" if drive.counts(run) else f"{run.n}*"


def splits_figure(runs: Sequence[Run], unit: str) -> Figure | None:
    """Each run's time to each speed as its difference from the runs' median there, with its standard deviation."""
    medians = _medians(runs, unit)
    if not medians:
        return None
    speeds = list(medians)
    best = best_run(runs, unit)
    series, rows = [], []
    for number, run in enumerate(runs):
        offset = (number / (len(runs) - 1) - 0.5) * 0.62
        at = {speed: split for speed in speeds if (split := split_at(run, speed)) is not None}
        x = np.array([split.from_one_foot_s - medians[speed] for speed, split in at.items()])
        s = np.array([split.from_one_foot_sigma_s for split in at.values()])
        y = np.array([speeds.index(speed) - offset for speed in at])
        group = f"run {run.n}" if len(runs) <= FEW else ""
        style = _style(number, run, best, len(runs))
        series.append(
            Series(f"run {run.n}", x, y, x - s, x + s, style, "points", False, group, strong=run is best, across=True)
        )
        cells = [wording.signed(at[v].from_one_foot_s - medians[v]) if v in at else "" for v in speeds]
        rows.append([f"{run.n}", *cells])
    labels = [speed_label(speed, unit) for speed in speeds]
    plot = draw(
        series,
        Axis("Behind the median of the runs (left: quicker)", "s", decimals=2),
        Axis(
            "To", unit, ticks=tuple((float(k), label.split()[0]) for k, label in enumerate(labels)), low=-0.6,
            high=len(speeds) - 0.4,
        ),
        height=max(60 * len(speeds), 120),
        zero_x=True,
        said=f"Times of {len(runs)} runs to {len(speeds)} speeds, as differences from their median, with error bars.",
    )  # fmt: skip
    caption = (
        "Each mark is a run, its bar one standard deviation of the measurement: what lies further apart was driven."
    )
    if len(runs) > FEW and best is not None:
        caption += f" The coloured one is run {best.n}, the best."
    table = Table("Seconds behind the median of the runs", ["Run", *labels], rows)
    return Figure("Splits", plot, caption, table, switches=True)


def _medians(runs: Sequence[Run], unit: str) -> dict[float, float]:
    """The runs' median from one foot [s] to each table speed that two of them reach."""
    out = {}
    for speed in table_speeds(runs, unit):
        summary = summarise(runs, speed, "one foot")
        if summary is not None and summary.runs > 1:
            out[speed] = summary.median_s
    return out


def _style(number: int, run: Run, best: Run | None, count: int) -> int | None:
    """A colour for each of few runs; of many, one for the best and grey for the others."""
    if count <= FEW:
        return number % STYLES
    return 0 if run is best else None


# --- traces -----------------------------------------------------------------------------------------------------------


def traces(drive: AnalysedDrive, best: Run, unit: str) -> list[Block]:
    """Speed over time and over distance, of every counted run."""
    runs = drive.counted
    few = len(runs) <= FEW
    lines = [
        RunLine(
            f"run {run.n}" + (", best" if run is best and len(runs) > 1 else ""), drive, run,
            _style(number, run, best, len(runs)), f"run {run.n}" if few else "", run is best,
        )
        for number, run in enumerate(runs)
    ]  # fmt: skip
    words = "" if few else f" The {len(runs) - 1} other runs are grey."
    all_runs = wording.plural(len(runs), "run")
    return [
        Figure(
            "Speed over time",
            speed_over_time(lines, unit, f"Speed over time of {all_runs}."),
            f"Counted from one foot of movement.{words}",
            _trace_table(lines, unit, 0),
            switches=True,
        ),
        Figure(
            "Speed over distance",
            speed_over_way(lines, unit, f"Speed over distance of {all_runs}."),
            f"Where on the stretch a run wins or loses.{words}",
            _trace_table(lines, unit, 1),
            switches=True,
        ),
    ]


def _trace_table(lines: Sequence[RunLine], unit: str, which: int) -> Table | None:
    """The traces at a few round times or ways, for up to `FEW` runs."""
    if len(lines) > FEW:
        return None
    traced = [trace(line.drive, line.run, unit) for line in lines]
    end = max(float(each[which][-1]) for each in traced)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if end / s <= 12)
    rows = []
    for value in np.arange(0, end, step):
        speeds = [float(np.interp(value, each[which], each[2], left=np.nan, right=np.nan)) for each in traced]
        rows.append([f"{value:g}", *(wording.number(speed, 1) for speed in speeds)])
    head = FROM_FOOT if which == 0 else "Way from rest, m"
    return Table(f"Speed, {unit}", [head, *(f"run {line.run.n}" for line in lines)], rows)


# --- against a reference ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Behind:
    """A run against the reference at each speed that both have."""

    run: Run
    style: int
    late: dict[float, tuple[float, float]]
    """Speed [m/s] -> seconds behind, and their standard deviation."""


def gained(drive: AnalysedDrive, reference: Run, unit: str) -> list[Block]:
    """Seconds behind the reference run at each speed, of every other run."""
    found = [
        _Behind(run, number % STYLES, late)
        for number, run in enumerate(drive.counted)
        if run is not reference and (late := _late(run, reference))
    ]
    if not found:
        return []
    caption = (
        f"{RISES} The reference is run {reference.n}; the shaded belt is one standard deviation of measuring such a "
        "difference."
    )
    plot = _gained_plot(found, reference, unit)
    title = "Against the reference, speed by speed"
    return [Figure(title, plot, caption, _gained_table(found, reference, unit), switches=True)]


def _late(run: Run, reference: Run) -> dict[float, tuple[float, float]]:
    held = {round(split.speed_mps, 6): split for split in reference.splits}
    out = {}
    for a in run.splits:
        b = held.get(round(a.speed_mps, 6))
        if b is not None and math.isfinite(a.from_one_foot_s) and math.isfinite(b.from_one_foot_s):
            sigma = math.hypot(a.from_one_foot_sigma_s, b.from_one_foot_sigma_s)
            out[round(a.speed_mps, 6)] = (a.from_one_foot_s - b.from_one_foot_s, sigma)
    return out


def _gained_plot(found: Sequence[_Behind], reference: Run, unit: str) -> Plot:
    per = SPEED_UNITS[unit]
    few = len(found) < FEW
    series = []
    for each in found:
        x = np.array(list(each.late)) / per
        y = np.array([late for late, _ in each.late.values()])
        series.append(
            Series(
                f"run {each.run.n}", x, y, style=each.style if few else None, group=f"run {each.run.n}" if few else ""
            )
        )
    speeds = sorted({speed for each in found for speed in each.late})
    here = {speed: [each.late[speed] for each in found if speed in each.late] for speed in speeds}
    x = np.array(speeds) / per
    sigma = np.array([here[speed][-1][1] for speed in speeds])
    if not few:
        middle = np.array([float(np.median([late for late, _ in here[speed]])) for speed in speeds])
        most = np.array([2 * len(here[speed]) >= len(found) for speed in speeds])
        series.append(Series("median", x[most], middle[most], style=0, strong=True))
    return draw(
        [Series("", x, np.zeros(len(x)), -sigma, sigma, None, direct=False), *series],
        Axis("Speed", unit, 0.0, None, 0),
        Axis(f"Seconds behind run {reference.n}", "", decimals=2),
        zero=True,
        said=f"Seconds behind run {reference.n} at each speed, of {wording.plural(len(found), 'run')}.",
    )


def _gained_table(found: Sequence[_Behind], reference: Run, unit: str) -> Table:
    shown = [v for v in table_speeds([reference], unit) if any(v in each.late for each in found)]
    rows = [
        [f"{each.run.n}", *(wording.with_sigma(*each.late[v]) if v in each.late else "" for v in shown)]
        for each in found
    ]
    labels = [speed_label(v, unit) for v in shown]
    return Table(f"Seconds behind run {reference.n}", ["Run", *labels], rows)
