"""The report of two setups held against each other, with the figures of `compare`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.changes.best import quickness
from analysis.changes.compare import Comparison
from analysis.changes.observations import Observation, Side
from analysis.changes.verdicts import Measure
from analysis.drive import Driven, driven
from analysis.report.drive_page import FEW, LIFTING_S
from analysis.report.page import Block, Bullets, Figure, Page, Section, Table, Words
from analysis.report.plots import Axis, Series, draw, thinned
from analysis.report.sections import (
    cautions,
    change_map,
    channel_words,
    mixture_blocks,
    plan_blocks,
    sentence,
    trace,
    weather_blocks,
)
from analysis.runs.run import Run
from logger.errors import NoAnswer
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.changes.season import Season
    from logger.config.targets import TargetsConfig


def setups_page(a: str, b: str, season: Season, store: Path, targets: TargetsConfig, unit: str | None = None) -> Page:
    """The page of `b` held against `a`, named as `compare` takes them. InputError and NoAnswer as there."""
    from analysis.changes.sides import compared

    unit = unit or season.unit
    first, second, answer = compared(a, b, season, store)
    bests = [_best_of(side, store, targets, unit) for side in (first, second)]
    sections = [
        Section("driven", "What was driven, and with what", _with_what(first, second, answer, season, unit)),
        Section("splits", "Splits", _splits(answer, unit)),
        Section("gained", "Time gained and lost", _gained(first, second, answer, unit)),
        Section("traces", "Traces", [*_traces(first, second, unit), *_best_traces(bests, unit)]),
    ]
    if mixture := _mixture(answer, bests, targets, unit):
        sections.append(Section("mixture", "Mixture", mixture))
    if answer.fuel is not None:
        sections.append(Section("fuel", "Fuel", [_measure_table([answer.fuel], answer)]))
    drives = {run.drive for run in [*first.runs, *second.runs]}
    days = [(row.started_utc, row.weather, row.air) for row in season.drives if row.drive in drives]
    sections.append(Section("weather", "Weather", weather_blocks(days)))
    sections.append(Section("plan", "The next outing", plan_blocks(season, store, (a, b))))
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
        cautions=cautions([best[0].mapped for best in bests if best is not None and best[0].mapped is not None]),
        footer=footer(),
    )


def footer() -> list[str]:
    """What holds for every report that compares."""
    return [
        "Times count from one foot of movement (SAE J1491). An interval with days holds for another day as well; one "
        "of runs only holds if all days were alike.",
        "This page holds no position, and asks nobody for anything: it can be kept and given away as it is.",
    ]


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


def _caveats(answer: Comparison, season: Season, drives: set[str]) -> list[str]:
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


def _with_what(first: Side, second: Side, answer: Comparison, season: Season, unit: str) -> list[Block]:
    from analysis.conditions.setups import shown as value_shown

    out: list[Block] = []
    if first.parts is not None and second.parts is not None:
        differ = {each.part: each for each in answer.parts_that_differ}
        names = list(dict.fromkeys([*first.parts, *second.parts]))
        rows = []
        for name in names:
            mine = differ.get(name)
            a = value_shown(mine.a if mine else first.parts.get(name))
            b = value_shown(mine.b if mine else second.parts.get(name))
            rows.append([name, a, b, "differs" if mine else ""])
        out.append(Table("What was fitted", ["Part", f"A: {answer.a}", f"B: {answer.b}", ""], rows, left=(1, 2, 3)))
    else:
        out.append(
            Words("At least one side has no one setup recorded, so what was fitted cannot be held side by side.")
        )
    from analysis.changes.sides import best_typical

    speed = answer.splits[-1].speed_mps if answer.splits else math.nan
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
    return [*out, Table(title, heads, rows, left=(1, 2, 7))]


# --- splits -------------------------------------------------------------------------------------------------------


def _splits(answer: Comparison, unit: str) -> list[Block]:
    splits = answer.splits
    y = np.arange(len(splits), dtype=float)
    d, low, high = (np.array([getattr(s.interval, name) for s in splits]) for name in ("estimate", "low", "high"))
    run_low, run_high = (np.array([getattr(s.interval, name) for s in splits]) for name in ("run_low", "run_high"))
    labels = [speed_label(split.speed_mps, unit).split()[0] for split in splits]
    ticks = tuple((float(k), label) for k, label in enumerate(labels))
    plot = draw(
        [
            Series("with days", d, y, low, high, 0, "points", False, "with days", across=True),
            Series("runs only", d, y - 0.22, run_low, run_high, 1, "points", False, "runs only", across=True),
        ],
        Axis(f"{answer.b} less {answer.a} (left: quicker)", "s"),
        Axis("To", unit, ticks=ticks, low=-0.6, high=len(splits) - 0.4),
        height=max(54 * len(splits), 110),
        zero_x=True,
        said=f"Difference in time to {wording.plural(len(splits), 'speed')}, with intervals.",
    )
    rows = [
        [
            speed_label(s.speed_mps, unit), f"{s.runs_a}/{s.runs_b}", wording.number(s.mean_a_s),
            wording.number(s.mean_b_s),
            wording.signed(s.interval.estimate), wording.span(s.interval.low, s.interval.high),
            wording.span(s.interval.run_low, s.interval.run_high), wording.signed(s.raw.estimate), s.verdict.word,
        ]
        for s in splits
    ]  # fmt: skip
    heads = ["To", "Runs", "A s", "B s", "B\u2212A", "With days", "Runs only", "As driven", "Verdict"]
    by = f", corrected by {answer.corrected_by}" if answer.corrected_by else ", as driven"
    return [
        Figure(
            "B less A, with intervals",
            plot,
            "An interval that does not reach zero tells the two apart. The wide one counts that days differ, the "
            "narrow one only that runs do.",
            switches=True,
        ),
        Table(f"Time from one foot of movement{by}", heads, rows, left=(8,)),
        Words(
            f"All intervals of this table hold together at {answer.level:.0%} (each at {answer.each_level:.1%}): the "
            "speeds are one question."
        ),
        Bullets([f"To {speed_label(s.speed_mps, unit)}: {s.verdict.sentence}." for s in splits]),
    ]


def _measure_table(measures: Sequence[Measure], answer: Comparison) -> Table:
    rows = [
        [
            f"{m.name}, {m.unit}", f"{m.count_a}/{m.count_b}", wording.number(m.mean_a), wording.number(m.mean_b),
            wording.signed(m.interval.estimate), wording.span(m.interval.low, m.interval.high),
            wording.span(m.interval.run_low, m.interval.run_high), m.verdict.sentence,
        ]
        for m in measures
    ]  # fmt: skip
    heads = ["", "Count", "A", "B", "B\u2212A", "With days", "Runs only", "Verdict"]
    return Table(f"{answer.b} against {answer.a}", heads, rows, left=(7,))


# --- along the run ------------------------------------------------------------------------------------------------


def _gained(first: Side, second: Side, answer: Comparison, unit: str) -> list[Block]:
    """Each run against the mean of A, at every m/s; and the difference in each band of speed with its interval."""
    out: list[Block] = []
    per = SPEED_UNITS[unit]
    runs = [*first.runs, *second.runs]
    top = min(_reached(first.runs), _reached(second.runs))
    speeds = np.arange(2.0, top + 1e-9, 1.0)
    if len(speeds) > 1:
        times = np.array([run.time_to(speeds) for run in runs])
        mean_a = np.nanmean(times[: len(first.runs)], axis=0)
        behind = times - mean_a
        series = []
        many = len(runs) > 2 * FEW
        for side, style, rows in ((first, 0, behind[: len(first.runs)]), (second, 1, behind[len(first.runs) :])):
            letter = "A" if side is first else "B"
            for run, line in zip(side.runs, rows, strict=True):
                group = f"runs of {letter}"
                series.append(Series(run.label, speeds / per, line, style=style, direct=False, group=group, faint=many))
            middle = np.nanmean(rows, axis=0)
            series.append(
                Series(f"mean of {letter}", speeds / per, middle, style=style, group=f"mean of {letter}", strong=True)
            )
        plot = draw(
            series, Axis("Speed", unit, 0.0, None, 0), Axis("Seconds behind the mean of A"), zero=True,
            said=f"Seconds behind the mean of A at each speed, of {len(runs)} runs and the two means.",
        )  # fmt: skip
        out.append(
            Figure(
                "Against the mean of A, speed by speed", plot,
                "As driven. A line that rises loses time at that speed, one that falls gains it.", switches=True,
            )
        )  # fmt: skip
    bands = [band for band in answer.trace if math.isfinite(band.interval.estimate)]
    if bands:
        x = np.array([(band.from_mps + band.to_mps) / 2 / per for band in bands])
        d, low, high = (np.array([getattr(b.interval, k) for b in bands]) for k in ("estimate", "low", "high"))
        plot = draw(
            [Series("B less A", x, d, low, high, 1, "points", False)],
            Axis("Speed", unit, 0.0, None, 1), Axis("Seconds gained (\u2212) or lost (+) in the band"), zero=True,
            height=200, said="Seconds that B gains or loses in each band of speed, with intervals.",
        )  # fmt: skip
        rows_ = [
            [
                f"{wording.speed_range(b.from_mps, b.to_mps, unit)} {unit}", wording.number(b.mean_a_s),
                wording.signed(b.interval.estimate), wording.span(b.interval.low, b.interval.high), b.verdict.word,
            ]
            for b in answer.trace
        ]  # fmt: skip
        table = Table(
            "Time gained or lost along the run", ["Band", "A s", "B\u2212A", "With days", "Verdict"], rows_, (4,)
        )
        out.append(
            Figure("Where along the run", plot, "Each mark is a band of speed; the launch is below the first.", table)
        )
    return [*out, _measure_table([answer.launch], answer)] if answer.launch is not None else out


def _reached(runs: Sequence[Observation]) -> float:
    """What at least half of the runs reach [m/s]."""
    tops = sorted(float(run.speed_mps[-1]) for run in runs if len(run.speed_mps))
    return tops[len(tops) // 2] if tops else 0.0


def _traces(first: Side, second: Side, unit: str) -> list[Block]:
    per = SPEED_UNITS[unit]
    series = []
    for letter, side, style in (("A", first, 0), ("B", second, 1)):
        quickest = min(side.runs, key=quickness)
        for run in side.runs:
            line = run.speed_mps / per
            best = run is quickest
            series.append(
                Series(
                    f"{letter}, {run.label}" if not best else f"best of {letter}", run.time_s, line, style=style,
                    direct=best, group=f"runs of {letter}", strong=best, faint=len(side.runs) > FEW,
                )
            )  # fmt: skip
    plot = draw(
        series, Axis("Time from one foot", "s", 0.0), Axis("Speed", unit, 0.0, None, 1),
        said=f"Speed over time of {len(first.runs)} runs of A and {len(second.runs)} of B.",
    )  # fmt: skip
    return [Figure("Speed over time, all runs that count", plot, switches=True)]


Best = tuple[Driven, Run]


def _best_of(side: Side, store: Path, targets: TargetsConfig, unit: str) -> Best | None:
    """The side's quickest run as it was driven, in its drive with its mixture."""
    from logger.store.drive import open_drive

    quickest = min(side.runs, key=quickness)
    drive, _, number = quickest.label.rpartition(":")
    try:
        told = driven(open_drive(store, drive), store, targets, unit)
    except NoAnswer:
        return None
    run = next((run for run in told.found.runs if run.n == int(number)), None)
    return (told, run) if run is not None else None


def _best_traces(bests: Sequence[Best | None], unit: str) -> list[Block]:
    series = []
    for letter, best, style in zip("AB", bests, (0, 1), strict=True):
        if best is None:
            continue
        _, way, speed = trace(*best)
        keep = thinned(way, speed, float(way[-1]), float(speed.max()))
        series.append(Series(f"best of {letter}", way[keep], speed[keep], style=style, strong=True))
    if not series:
        return []
    plot = draw(
        series, Axis("Way from rest", "m", 0.0, None, 1), Axis("Speed", unit, 0.0, None, 1),
        said="Speed over distance of the best run of each side.",
    )  # fmt: skip
    return [Figure("Speed over distance, the best run of each", plot)]


# --- mixture ------------------------------------------------------------------------------------------------------


def _mixture(answer: Comparison, bests: Sequence[Best | None], targets: TargetsConfig, unit: str) -> list[Block]:
    """The maps of the two drives that hold the best runs, what changed between them, and the mixture along those."""
    from analysis.drive import map_drive
    from analysis.runs.run import time_zero

    out: list[Block] = [_measure_table([answer.mixture], answer)] if answer.mixture is not None else []
    both = [best for best in bests if best is not None and best[0].mapped is not None]
    series = []
    for letter, best, style in zip("AB", bests, (0, 1), strict=True):
        if best is None or best[0].mapped is None:
            continue
        told, run = best
        mapped = told.mapped
        assert mapped is not None
        t = mapped.readings.time_s - mapped.answer.delay.delay_s - mapped.answer.delay.lag_s
        inside = (t >= run.start_s - 1) & (t <= run.end_s - LIFTING_S) & np.isfinite(mapped.readings.value)
        series.append(
            Series(f"best of {letter}", t[inside] - time_zero(run), mapped.readings.value[inside], style=style)
        )
    if series:
        assert both[0][0].mapped is not None
        name = channel_words(both[0][0].mapped.answer)
        plot = draw(
            series, Axis("Time from one foot", "s"), Axis(name), height=190, said=f"{name} along the best runs."
        )
        out.append(
            Figure(f"{name} along the best run of each", plot, "Readings as recorded, moved back by their delay.")
        )
    if len(both) == 2:
        one, two = both[0][0].mapped, both[1][0].mapped
        assert one is not None and two is not None
        if one.answer.load != two.answer.load or one.answer.channel != two.answer.channel:
            # On the columns of A, as `mixture A B` does it.
            two = map_drive(two.drive, targets, one.answer.channel, one.answer.load)
        out.append(change_map(one.answer, two.answer, (one.drive.id, two.drive.id), unit))
    for letter, best in zip("AB", bests, strict=True):
        if best is not None and best[0].mapped is not None:
            out += mixture_blocks(best[0].mapped, unit, f"{letter}, drive {best[0].drive.id}: ")
    return out
