"""The report of two setups held against each other, with the figures of `compare`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.arrays import Floats
from analysis.changes.compare import Comparison
from analysis.changes.observations import Observation, Side
from analysis.changes.verdicts import Measure
from analysis.drive import AnalysedDrive, DriveMap
from analysis.report.behind import Drawn, behind_plot, speeds_up_to
from analysis.report.has import map_of
from analysis.report.intervals import HOW_TO_READ, interval_cells, interval_plot
from analysis.report.mixture_section import along_both, change_map, mixture_blocks
from analysis.report.page import Block, Bullets, Figure, Page, Section, Table, Words
from analysis.report.plots import Axis, Series, draw
from analysis.report.runs_section import FEW
from analysis.report.sections import cautions, footer, plan_blocks, sentence, weather_blocks
from analysis.report.traces import Line, best_as_driven, best_of, speed_over_way
from analysis.runs.run import Run
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.changes.season import SeasonRecord

Best = tuple[str, AnalysedDrive, Run, int]
"""Letter of the side, drive and run of its best, style."""


def setups_page(
    a: str, b: str, season: SeasonRecord, unit: str | None = None, speeds_mps: Floats | None = None
) -> Page:  # fmt: skip
    """The page of `b` held against `a`, named as `compare` takes them. InputError and NoAnswer as there.

    Parameters
    ----------
    speeds_mps : ndarray, shape (speeds,), optional
        The speeds to compare by [m/s]; by default those of `compare`.
    """
    from analysis.changes.sides import compared

    unit = unit or season.unit
    first, second, answer = compared(a, b, season, speeds_mps)
    top = answer.splits[-1].speed_mps
    bests = [
        (letter, *found, style)
        for letter, side, style in (("A", first, 0), ("B", second, 1))
        if (found := best_as_driven(side.runs, top, season)) is not None
    ]
    maps = [(letter, mapped, run, style) for letter, drive, run, style in bests if (mapped := map_of(drive))]
    sections = [
        Section("driven", "What was driven, and with what", _with_what(first, second, answer, season, unit)),
        Section("splits", "Splits", _splits(answer, unit)),
        Section("gained", "Time gained and lost", _gained(first, second, answer, unit)),
        Section("traces", "Traces", [*_traces(first, second, top, unit), *_best_traces(bests, top, unit)]),
    ]
    if mixture := _mixture(answer, maps, season, unit):
        sections.append(Section("mixture", "Mixture", mixture))
    if answer.fuel is not None:
        sections.append(Section("fuel", "Fuel", [_measure_table(answer.fuel, answer)]))
    drives = {run.drive for run in [*first.runs, *second.runs]}
    days = [(row.started_utc, row.weather, row.air) for row in season.drives if row.drive in drives]
    sections.append(Section("weather", "Weather", weather_blocks(days)))
    sections.append(Section("plan", "The next outing", plan_blocks(season, (a, b))))
    return Page(
        title=f"{answer.b} against {answer.a}",
        subtitle="Two setups",
        verdict=_verdict(answer),
        caveats=_caveats(answer, season, drives),
        facts=[
            ("A", f"{answer.a}: {_amount(first)}"),
            ("B", f"{answer.b}: {_amount(second)}"),
            ("Times", f"corrected by {answer.corrected_by}" if answer.corrected_by else "as driven"),
        ],
        sections=sections,
        cautions=cautions([mapped for _, mapped, _, _ in maps]),
        footer=footer(),
    )


def _amount(side: Side) -> str:
    days = len({run.outing for run in side.runs})
    return f"{wording.plural(len(side.runs), 'run')} on {wording.plural(days, 'day')}"


def _verdict(answer: Comparison) -> list[str]:
    said = [sentence(answer.verdict.sentence)]
    said += [
        sentence(
            f"{measure.name}: A {measure.mean_a:.2f}, B {measure.mean_b:.2f} {measure.unit}; "
            f"{measure.verdict.sentence}"
        )
        for measure in (answer.launch, answer.mixture, answer.fuel)
        if measure is not None
    ]  # fmt: skip
    open_ones = [split for split in answer.splits if split.verdict.more_runs_each]
    if open_ones and answer.verdict.word in ("no difference shown", "too few runs"):
        more = open_ones[-1].verdict.more_runs_each
        said.append(f"To show the change worth knowing: one outing with both, {more} runs each.")
    return said


def _caveats(answer: Comparison, season: SeasonRecord, drives: set[str]) -> list[str]:
    lines = [*answer.caveats, *answer.outliers]
    left = [each for each in season.left_out if each.drive in drives]
    lines += [f"{each.label} is struck out: {each.reason}" for each in left if each.struck]
    if others := [each for each in left if not each.struck]:
        why = "; ".join(f"{each.label} {each.reason}" for each in others[:6])
        more = f"; and {len(others) - 6} more" if len(others) > 6 else ""
        lines.append(f"{wording.plural(len(others), 'run')} of these drives not counted: {why}{more}")
    if answer.corrected_by:
        lines.append(
            f"times are corrected to {answer.corrected_by} air on the force of the engine, with road load from "
            f"{season.road}; mixture changes with the air are not corrected"
        )
    return [sentence(line) for line in lines]


def _with_what(first: Side, second: Side, answer: Comparison, season: SeasonRecord, unit: str) -> list[Block]:
    out: list[Block] = []
    if first.parts is not None and second.parts is not None:
        out.append(_parts_table(first, second, answer))
    else:
        out.append(
            Words("At least one side has no one setup recorded, so what was fitted cannot be held side by side.")
        )
    return [*out, _drives_table(first, second, answer, season, unit)]


def _parts_table(first: Side, second: Side, answer: Comparison) -> Table:
    from analysis.conditions.setups import shown as value_shown

    fitted = first.parts or {}, second.parts or {}
    differ = {each.part: each for each in answer.parts_that_differ}
    rows = []
    for name in dict.fromkeys([*fitted[0], *fitted[1]]):
        mine = differ.get(name)
        a = value_shown(mine.a if mine else fitted[0].get(name))
        b = value_shown(mine.b if mine else fitted[1].get(name))
        rows.append([name, a, b, "differs" if mine else ""])
    return Table("What was fitted", ["Part", f"A: {answer.a}", f"B: {answer.b}", ""], rows, left=(1, 2, 3))


def _drives_table(first: Side, second: Side, answer: Comparison, season: SeasonRecord, unit: str) -> Table:
    from analysis.changes.sides import best_typical

    speed = answer.splits[-1].speed_mps
    rows = []
    for letter, side in (("A", first), ("B", second)):
        for drive in dict.fromkeys(run.drive for run in side.runs):
            runs = [run for run in side.runs if run.drive == drive]
            row = next(row for row in season.drives if row.drive == drive)
            best, typical, count = best_typical(runs, speed)
            rows.append([
                drive, letter, wording.day(row.started_utc), str(len(runs)), str(count), wording.number(best),
                wording.number(typical), "; ".join(row.notes),
            ])  # fmt: skip
    heads = ["Drive", "Side", "Day", "Runs", "Timed", "Best", "Typical", "Notes"]
    title = f"Drives; best and typical (median) seconds to {speed_label(speed, unit)}, as driven"
    return Table(title, heads, rows, left=(1, 2, 7))


# --- splits -------------------------------------------------------------------------------------------------------


def _splits(answer: Comparison, unit: str) -> list[Block]:
    splits = answer.splits
    places = [float(k) for k in range(len(splits))]
    labels = [speed_label(split.speed_mps, unit) for split in splits]
    ticks = tuple((place, label.split()[0]) for place, label in zip(places, labels, strict=True))
    plot = interval_plot(
        [split.interval for split in splits],
        places,
        Axis(f"{answer.b} less {answer.a} (left: quicker)", "s"),
        Axis("To", unit, ticks=ticks, low=-0.6, high=len(splits) - 0.4),
        54,
        f"Difference in time to {wording.plural(len(splits), 'speed')}, with intervals.",
    )
    rows = [
        [
            label, f"{s.runs_a}/{s.runs_b}", wording.number(s.mean_a_s), wording.number(s.mean_b_s),
            *interval_cells(s.interval), wording.signed(s.raw.estimate), s.verdict.word,
        ]
        for label, s in zip(labels, splits, strict=True)
    ]  # fmt: skip
    heads = ["To", "Runs", "A s", "B s", "B\u2212A", "With days", "Runs only", "As driven", "Verdict"]
    by = f", corrected by {answer.corrected_by}" if answer.corrected_by else ", as driven"
    how = f"An interval that does not reach zero tells the two apart. {HOW_TO_READ}"
    return [
        Figure("B less A, with intervals", plot, how, switches=True),
        Table(f"Time from one foot of movement{by}", heads, rows, left=(8,)),
        Words(
            f"All intervals of this table hold together at {answer.level:.0%} (each at {answer.each_level:.1%}): the "
            "speeds are one question."
        ),
        Bullets([f"To {label}: {s.verdict.sentence}." for label, s in zip(labels, splits, strict=True)]),
    ]


def _measure_table(m: Measure, answer: Comparison) -> Table:
    row = [
        f"{m.name}, {m.unit}", f"{m.count_a}/{m.count_b}", wording.number(m.mean_a), wording.number(m.mean_b),
        *interval_cells(m.interval), m.verdict.sentence,
    ]  # fmt: skip
    heads = ["", "Count", "A", "B", "B\u2212A", "With days", "Runs only", "Verdict"]
    return Table(f"{answer.b} against {answer.a}", heads, [row], left=(7,))


# --- along the run ------------------------------------------------------------------------------------------------


def _gained(first: Side, second: Side, answer: Comparison, unit: str) -> list[Block]:
    """Each run against the mean of A, at every m/s; and the difference in each band of speed with its interval."""
    drawn = [
        Drawn(f"mean of {letter}", side.runs, style, style, f"runs of {letter}")
        for letter, side, style in (("A", first, 0), ("B", second, 1))
    ]
    many = len(first.runs) + len(second.runs) > 2 * FEW
    speeds = speeds_up_to(min(_reached(first.runs), _reached(second.runs)))
    title = "Against the mean of A, speed by speed"
    figures = [
        behind_plot(drawn, speeds, unit, "the mean of A", title, "", many),
        _along_the_run(answer, unit),
    ]
    out: list[Block] = [figure for figure in figures if figure is not None]
    return [*out, _measure_table(answer.launch, answer)] if answer.launch is not None else out


def _along_the_run(answer: Comparison, unit: str) -> Figure | None:
    bands = [band for band in answer.trace if math.isfinite(band.interval.estimate)]
    if not bands:
        return None
    x = np.array([(band.from_mps + band.to_mps) / 2 / SPEED_UNITS[unit] for band in bands])
    d, low, high = (np.array([getattr(b.interval, k) for b in bands]) for k in ("estimate", "low", "high"))
    plot = draw(
        [Series("B less A", x, d, low, high, 1, "points", False)],
        Axis("Speed", unit, 0.0, None, 1), Axis("Seconds gained (\u2212) or lost (+) in the band"), zero=True,
        height=200, said="Seconds that B gains or loses in each band of speed, with intervals.",
    )  # fmt: skip
    rows = [
        [
            f"{wording.speed_range(b.from_mps, b.to_mps, unit)} {unit}", wording.number(b.mean_a_s),
            *interval_cells(b.interval)[:2], b.verdict.word,
        ]
        for b in answer.trace
    ]  # fmt: skip
    heads = ["Band", "A s", "B\u2212A", "With days", "Verdict"]
    table = Table("Time gained or lost along the run", heads, rows, (4,))
    return Figure("Where along the run", plot, "Each mark is a band of speed; the launch is below the first.", table)


def _reached(runs: Sequence[Observation]) -> float:
    """What at least half of the runs reach [m/s]."""
    tops = sorted(float(run.speed_mps[-1]) for run in runs if len(run.speed_mps))
    return tops[len(tops) // 2] if tops else 0.0


def _traces(first: Side, second: Side, top_mps: float, unit: str) -> list[Block]:
    per = SPEED_UNITS[unit]
    series = []
    for letter, side, style in (("A", first, 0), ("B", second, 1)):
        quickest = best_of(side.runs, top_mps)
        for run in side.runs:
            best = run is quickest
            series.append(
                Series(
                    f"{letter}, {run.label}" if not best else f"best of {letter}", run.time_s, run.speed_mps / per,
                    style=style, direct=best, group=f"runs of {letter}", strong=best, faint=len(side.runs) > FEW,
                )
            )  # fmt: skip
    plot = draw(
        series, Axis("Time from one foot", "s", 0.0), Axis("Speed", unit, 0.0, None, 1),
        said=f"Speed over time of {len(first.runs)} runs of A and {len(second.runs)} of B.",
    )  # fmt: skip
    return [Figure("Speed over time, all runs that count", plot, switches=True)]


def _best_traces(bests: Sequence[Best], top_mps: float, unit: str) -> list[Block]:
    if not bests:
        return []
    lines = [Line(f"best of {letter}", drive, run, style, strong=True) for letter, drive, run, style in bests]
    plot = speed_over_way(lines, unit, "Speed over distance of the best run of each side.")
    caption = f"The best is the one that was first at {speed_label(top_mps, unit)}."
    return [Figure("Speed over distance, the best run of each", plot, caption)]


# --- mixture ------------------------------------------------------------------------------------------------------


def _mixture(
    answer: Comparison, maps: Sequence[tuple[str, DriveMap, Run, int]], season: SeasonRecord, unit: str
) -> list[Block]:
    """The maps of the two drives that hold the best runs, what changed between them, and the mixture along those."""
    out: list[Block] = [_measure_table(answer.mixture, answer)] if answer.mixture is not None else []
    out += along_both([(f"best of {letter}", mapped, run, style) for letter, mapped, run, style in maps])
    if len(maps) == 2:
        one, two = maps[0][1], maps[1][1]
        if one.answer.load != two.answer.load or one.answer.channel != two.answer.channel:
            # On the columns of A, as `mixture A B` does it.
            two = season.drive(two.drive.id).map_by(one.answer.channel, one.answer.load)
        out.append(change_map(one.answer, two.answer, (one.drive.id, two.drive.id), unit))
    for letter, mapped, _, _ in maps:
        out += mixture_blocks(mapped, unit, f"{letter}, drive {mapped.drive.id}: ")
    return out
