"""The runs of a drive on its page: splits, how each went, speed along them, and each against a reference run."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.answers.timed_run import grade_words, road_words
from analysis.changes.ways import directions
from analysis.report.behind import RISES
from analysis.report.page import Block, Figure, Table
from analysis.report.plots import STYLES, Axis, Plot, Series, draw
from analysis.report.traces import FROM_FOOT, RunLine, over_way, speed_over_time
from analysis.runs.run import Run, table_speeds
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.answers.runs import DriveSummary, RunsAnswer
    from analysis.answers.timed_run import RunSplit, TimedRun
    from analysis.drive import AnalysedDrive

FEW = 6
"""Up to so many lines get a colour and a label each; more are drawn in grey behind the best one and the median."""


def highest_common(answer: RunsAnswer) -> DriveSummary | None:
    """The highest speed that at least half of the runs that count reach, and its times; None without such runs."""
    counted = len(counted_runs(answer))
    told = [each for each in answer.summary if 2 * each.runs >= counted] or answer.summary[-1:]
    return told[-1] if told else None


def counted_runs(answer: RunsAnswer) -> list[TimedRun]:
    """The standing runs that count."""
    return [run for run in answer.runs if run.kind == "standing" and run.why_not is None]


# --- as tables ------------------------------------------------------------------------------------------------------


def runs_blocks(answer: RunsAnswer, began: datetime, best: int | None) -> list[Block]:
    """Splits of all standing runs, drawn and as tables; how each run went. `began`: when the drive did."""
    standing = [run for run in answer.runs if run.kind == "standing"]
    figure = splits_figure(answer, best)
    return [
        *([figure] if figure is not None else []),
        _splits_table(
            standing, "Seconds from one foot of movement (SAE J1491): compare these",
            lambda split: wording.with_sigma(split.from_one_foot_s, split.from_one_foot_sigma_s), folded=False,
        ),
        _splits_table(
            standing, "Seconds from first movement, as a stopwatch would show",
            lambda split: wording.with_sigma(split.time_s, split.sigma_s), folded=True,
        ),
        _how_each_went(answer, began),
    ]  # fmt: skip


def _splits_table(runs: Sequence[TimedRun], title: str, cell: Callable[[RunSplit], str], *, folded: bool) -> Table:
    labels = dict(sorted({split.speed_mps: split.speed for run in runs for split in run.splits}.items()))
    rows = []
    for run in runs:
        cells = {split.speed_mps: cell(split) for split in run.splits}
        rows.append([_name(run), *(cells.get(speed, "") for speed in labels)])
    return Table(title, ["Run", *labels.values()], rows, folded=folded)


def _how_each_went(answer: RunsAnswer, began: datetime) -> Table:
    rows = []
    for run in answer.runs:
        launch = "" if run.launch is None else ("soft" if run.launch.soft else "firm")
        to = f"{run.direction_deg:.0f}\u00b0" if math.isfinite(run.direction_deg) else wording.NONE
        struck = [] if run.struck is None else [f"struck out: {run.struck}"]
        odd = [] if run.implausible is None else [f"not plausible: {run.implausible}"]
        ended = "; ".join([run.ended_words, *run.notes, *odd, *struck])
        rows.append([
            _name(run), wording.clock((run.start_utc - began).total_seconds()), speed_label(run.peak_mps, answer.unit),
            wording.way_text(run.distance_m, answer.unit), to, grade_words(run), launch, ended,
        ])  # fmt: skip
    heads = ["Run", "Starts at", "Peak", "Distance", "To", "Grade %", "Launch", "Ended"]
    road = f"; {said.rstrip('.')}" if (said := road_words(answer.runs)) else ""
    return Table(f"How each run went; * not counted{road}", heads, rows, left=(6, 7))


def _name(run: TimedRun) -> str:
    return f"{run.n}" if run.why_not is None else f"{run.n}*"


# --- the splits, drawn ----------------------------------------------------------------------------------------------


def splits_figure(answer: RunsAnswer, best: int | None) -> Figure | None:
    """Each run's time to each speed as its difference from the runs' median there, with its standard deviation."""
    runs = counted_runs(answer)
    told = [each for each in answer.summary if each.runs > 1]
    if not told:
        return None
    medians = {each.speed: each.median_s for each in told}
    called, ways = both_ways(runs)
    plot = draw(
        [_of_run(run, called[run.n], number, runs, medians, best) for number, run in enumerate(runs)],
        Axis("Behind the median of the runs (left: quicker)", "s", decimals=2),
        Axis(
            "To", answer.unit, ticks=tuple((float(k), each.speed.split()[0]) for k, each in enumerate(told)),
            low=-0.6, high=len(told) - 0.4,
        ),
        height=max(60 * len(told), 120),
        zero_x=True,
        said=f"Times of {len(runs)} runs to {len(told)} speeds, as differences from their median, with error bars.",
    )  # fmt: skip
    caption = (
        "Each mark is a run; its bar is one standard deviation of the measurement. Larger differences are real." + ways
    )
    if len(runs) > FEW and best is not None:
        caption += f" The run in colour is the best, run {best}."
    rows = []
    for run in runs:
        late = {split.speed: split.from_one_foot_s for split in run.splits}
        rows.append([f"{run.n}", *(wording.signed(late[v] - m) if v in late else "" for v, m in medians.items())])
    table = Table("Seconds behind the median of the runs", ["Run", *(each.speed for each in told)], rows)
    return Figure("Splits", plot, caption, table, switches=True)


def _of_run(
    run: TimedRun, name: str, number: int, runs: Sequence[TimedRun], medians: dict[str, float], best: int | None
) -> Series:
    speeds = list(medians)
    splits = [split for split in run.splits if split.speed in medians]
    x = np.array([split.from_one_foot_s - medians[split.speed] for split in splits])
    s = np.array([split.from_one_foot_sigma_s for split in splits])
    offset = (number / (len(runs) - 1) - 0.5) * 0.62
    y = np.array([speeds.index(split.speed) - offset for split in splits])
    group = name if len(runs) <= FEW else ""
    style, strong = _style(number, run.n == best, len(runs)), run.n == best
    return Series(name, x, y, x - s, x + s, style, "points", False, group, strong=strong, across=True)


def both_ways(runs: Sequence[TimedRun] | Sequence[Run]) -> tuple[dict[int, str], str]:
    """What runs are called, by their numbers, and a sentence on it: where a drive has two ways, an arrow tells which
    way a run went, \u2192 as the first did."""
    known = [run for run in runs if math.isfinite(run.direction_deg)]
    labels = directions(np.array([run.direction_deg for run in known])).tolist() if known else []
    plain = {run.n: f"run {run.n}" for run in runs}
    if len(set(labels)) != 2:
        return plain, ""
    there = {run.n: label == labels[0] for run, label in zip(known, labels, strict=True)}
    towards = [next(run.direction_deg for run in known if there[run.n] is way) for way in (True, False)]
    arrow = {True: " \u2192", False: " \u2190"}
    called = {n: name + (arrow[there[n]] if n in there else "") for n, name in plain.items()}
    return called, f" \u2192 means towards {towards[0]:.0f}\u00b0, \u2190 towards {towards[1]:.0f}\u00b0."


def _style(number: int, is_best: bool, count: int) -> int | None:
    """A colour for each of few runs; of many, one for the best and grey for the others."""
    if count <= FEW:
        return number % STYLES
    return 0 if is_best else None


# --- traces -----------------------------------------------------------------------------------------------------------


def traces(drive: AnalysedDrive, best: Run, unit: str) -> list[Block]:
    """Speed over time and over distance, of every counted run."""
    runs = drive.counted
    few = len(runs) <= FEW
    called, ways = both_ways(runs)
    lines = [
        RunLine(
            called[run.n] + (", best" if run is best and len(runs) > 1 else ""), drive, run,
            _style(number, run is best, len(runs)), called[run.n] if few else "", run is best,
        )
        for number, run in enumerate(runs)
    ]  # fmt: skip
    words = "" if few else f" The {len(runs) - 1} other runs are grey."
    all_runs = wording.plural(len(runs), "run")
    return [
        Figure(
            "Speed over time",
            speed_over_time(lines, unit, f"Speed over time of {all_runs}."),
            f"Time from one foot of movement.{words}{ways}",
            _trace_table(lines, unit, 0),
            switches=True,
        ),
        over_way(
            lines,
            unit,
            next((line for line in lines if line.run is best), lines[0]),
            f"run {best.n}",
            all_runs,
            f"Shows where along the road a run gains or loses.{words}{ways}",
            _trace_table(lines, unit, 1),
        ),
    ]


def _trace_table(lines: Sequence[RunLine], unit: str, which: int) -> Table | None:
    """The traces at a few round times or ways, for up to `FEW` runs."""
    if len(lines) > FEW:
        return None
    traced = [line.traced(unit) for line in lines]
    end = max(float(each[which][-1]) for each in traced)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if end / s <= 12)
    rows = []
    for value in np.arange(0, end, step):
        speeds = [float(np.interp(value, each[which], each[2], left=np.nan, right=np.nan)) for each in traced]
        rows.append([f"{value:g}", *(wording.number(speed, 1) for speed in speeds)])
    head = FROM_FOOT if which == 0 else f"Distance from rest, {wording.way_unit(unit)}"
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
    called, ways = both_ways(drive.counted)
    caption = (
        f"{RISES} The reference is run {reference.n}. The shaded belt is one standard deviation of a measured "
        f"difference.{ways}"
    )
    plot = _gained_plot(found, reference, unit, called)
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


def _gained_plot(found: Sequence[_Behind], reference: Run, unit: str, called: Mapping[int, str]) -> Plot:
    per = SPEED_UNITS[unit]
    few = len(found) < FEW
    series = []
    for each in found:
        x = np.array(list(each.late)) / per
        y = np.array([late for late, _ in each.late.values()])
        series.append(
            Series(called[each.run.n], x, y, style=each.style if few else None, group=called[each.run.n] if few else "")
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
        said=f"Seconds behind run {reference.n} at each speed: {wording.plural(len(found), 'run')}.",
    )


def _gained_table(found: Sequence[_Behind], reference: Run, unit: str) -> Table:
    shown = [v for v in table_speeds([reference], unit) if any(v in each.late for each in found)]
    rows = [[f"{each.run.n}", *(_signed(*each.late[v]) if v in each.late else "" for v in shown)] for each in found]
    labels = [speed_label(v, unit) for v in shown]
    return Table(f"Seconds behind run {reference.n}", ["Run", *labels], rows)


def _signed(late_s: float, sigma_s: float) -> str:
    return f"{wording.signed(late_s)} \u00b1{wording.number(sigma_s)}"
