"""The report of two setups held against each other, with the figures of `compare`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.answers.timed_run import SpeedUnit
from analysis.arrays import Floats
from analysis.changes.observations import Observation, Side
from analysis.drive import AnalysedDrive
from analysis.report.behind import Drawn, behind_plot, speeds_up_to
from analysis.report.has import mixture_of
from analysis.report.intervals import HOW_TO_READ, interval_plot, of_measure, of_split
from analysis.report.mixture_section import along_both, change_map, mixture_blocks, side_blocks
from analysis.report.page import Block, Bullets, Figure, Page, Section, Table, Words, judgement_first
from analysis.report.plots import Axis, Series, draw
from analysis.report.runs_section import FEW
from analysis.report.sections import background_of, cautions, footer, plan_blocks, weather_blocks
from analysis.report.traces import RunLine, best_as_driven, first_there, over_way
from analysis.runs.run import Run
from analysis.wording import sentence
from logger.errors import InputError, NoAnswer
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.answers.compare import CompareAnswer, MeasureComparison
    from analysis.answers.mixture import MixtureAnswer
    from analysis.answers.power_change import PowerChangeAnswer
    from analysis.changes.season import SeasonRecord
    from analysis.conditions.setups import Parts


_ALONG = "Where along the run"


@dataclass(frozen=True)
class _Side:
    """One side: its runs, and the best of them in its drive."""

    letter: str
    style: int
    side: Side
    best: tuple[AnalysedDrive, Run] | None
    mixture: MixtureAnswer | None
    """Of the drive that holds the best run."""


def setups_page(a: str, b: str, season: SeasonRecord, speeds_mps: Floats | None = None) -> Page:
    """The page of `b` held against `a`, named as `compare` takes them. InputError and NoAnswer as there.

    Parameters
    ----------
    speeds_mps : ndarray, shape (speeds,), optional
        The speeds to compare by [m/s]; by default those of `compare`.
    """
    from analysis.answers.compare import sides_answer
    from analysis.changes.sides import opposed

    unit = season.unit
    first, second = opposed(a, b, season)
    answer = sides_answer(season, first, second, speeds_mps)
    top = answer.splits[-1].speed_mps
    sides = [
        _side(letter, style, side, top, season, unit) for letter, style, side in (("A", 0, first), ("B", 1, second))
    ]
    drives = {run.drive for run in [*first.runs, *second.runs]}
    days = [(row.started_utc, row.weather, row.air) for row in season.drives if row.drive in drives]
    sections = [
        Section("driven", "Drives and setups", _with_what(sides, answer, season, unit)),
        Section("power", "Power at the wheels", _power(answer.power, unit) if answer.power is not None else []),
        Section("splits", "Splits", _splits(answer, unit)),
        Section("gained", "Time gained and lost", _gained(sides, answer, unit)),
        Section("traces", "Traces", [*_traces(sides, top, unit), *_best_traces(sides, top, unit)]),
        Section("mixture", "Mixture", _mixture(answer, sides, season, unit)),
        Section("fuel", "Fuel", [_measure_table(answer.fuel, answer)] if answer.fuel is not None else []),
        Section("weather", "Weather", weather_blocks(days, unit)),
        Section("plan", "The next outing", plan_blocks(season, settle=(a, b))),
    ]
    return Page(
        title=f"{answer.b} against {answer.a}",
        subtitle="Two setups",
        verdict=_verdict(answer),
        caveats=_caveats(answer),
        why=_why(answer),
        facts=[
            *((side.letter, f"{side.side.name}: {_amount(side.side)}") for side in sides),
            ("Times", f"corrected by {answer.corrected_by}" if answer.corrected_by else "as driven"),
        ],
        sections=[section for section in sections if section.blocks],
        cautions=cautions([side.mixture for side in sides]),
        footer=footer(),
    )


def _side(letter: str, style: int, side: Side, top_mps: float, season: SeasonRecord, unit: SpeedUnit) -> _Side:
    best = best_as_driven(side.runs, top_mps, season)
    return _Side(letter, style, side, best, mixture_of(best[0], unit) if best is not None else None)


def _amount(side: Side) -> str:
    days = len({run.outing for run in side.runs})
    return f"{wording.plural(len(side.runs), 'run')} on {wording.plural(days, 'day')}"


def _verdict(answer: CompareAnswer) -> list[str]:
    said = [sentence(answer.power.sentence)] if answer.power is not None else []
    said.append(sentence(answer.sentence))
    said += [
        sentence(f"{m.name}: A {m.a:.2f}, B {m.b:.2f} {m.unit}; {m.sentence}")
        for m in (answer.launch, answer.mixture, answer.fuel)
        if m is not None
    ]
    if answer.more_runs_each:
        said.append(f"To show the change worth knowing, drive one outing with both, {answer.more_runs_each} runs each.")
    return said


def _caveats(answer: CompareAnswer) -> list[str]:
    # What the terminal shows when asked to stands on this page.
    lines = [line for line in answer.caveats if line not in background_of(answer)]
    return [sentence(line.replace("`--trace` shows", f'"{_ALONG}" shows')) for line in lines]


def _why(answer: CompareAnswer) -> list[str]:
    """How the figures were worked out: days, the runs that are counted, the correction."""
    lines = [*background_of(answer), *answer.outliers]
    lines += [f"{each.run} is struck out: {each.reason}" for each in answer.left_out if each.struck]
    if others := [each for each in answer.left_out if not each.struck]:
        why = "; ".join(f"{each.run} {each.reason}" for each in others[:6])
        more = f"; and {len(others) - 6} more" if len(others) > 6 else ""
        lines.append(f"{wording.plural(len(others), 'run')} of these drives not counted: {why}{more}")
    return [sentence(line) for line in (*lines, answer.correction) if line]


def _with_what(sides: Sequence[_Side], answer: CompareAnswer, season: SeasonRecord, unit: SpeedUnit) -> list[Block]:
    first, second = (side.side.parts for side in sides)
    out: list[Block] = []
    if first is not None and second is not None:
        out.append(_parts_table(first, second, answer))
    else:
        out.append(Words("At least one side has no single setup recorded, so the parts cannot be set side by side."))
    return [*out, _drives_table(sides, answer, season, unit)]


def _parts_table(first: Parts, second: Parts, answer: CompareAnswer) -> Table:
    from analysis.conditions.setups import shown as value_shown

    rows = []
    for name in dict.fromkeys([*first, *second]):
        differ = answer.parts.get(name)
        a = value_shown(differ.a if differ else first.get(name))
        b = value_shown(differ.b if differ else second.get(name))
        rows.append([name, a, b, "differs" if differ else ""])
    return Table("Parts fitted", ["Part", f"A: {answer.a}", f"B: {answer.b}", ""], rows, left=(1, 2, 3))


def _drives_table(sides: Sequence[_Side], answer: CompareAnswer, season: SeasonRecord, unit: SpeedUnit) -> Table:
    from analysis.changes.sides import best_typical

    speed = answer.splits[-1].speed_mps
    rows = []
    for side in sides:
        for drive in dict.fromkeys(run.drive for run in side.side.runs):
            runs = [run for run in side.side.runs if run.drive == drive]
            row = next(row for row in season.drives if row.drive == drive)
            best, typical, count = best_typical(runs, speed)
            rows.append([
                drive, side.letter, wording.day(row.started_utc), str(len(runs)), str(count), wording.number(best),
                wording.number(typical), "; ".join(row.notes),
            ])  # fmt: skip
    heads = ["Drive", "Side", "Day", "Runs", "Timed", "Best", "Typical", "Notes"]
    title = f"Drives; best and typical (median) seconds to {speed_label(speed, unit)}, as driven"
    return Table(title, heads, rows, left=(1, 2, 7))


# --- power ---------------------------------------------------------------------------------------------------------


def _power(found: PowerChangeAnswer, unit: SpeedUnit) -> list[Block]:
    from analysis.answers.power_change import power_lines, power_rows

    out: list[Block] = [Words(sentence(found.sentence))]
    if found.told:
        heads, rows = power_rows(found, unit)
        heads = [head if head == unit else head.capitalize() for head in heads]
        out.append(Table("Power of B against A, by speed; the last row is all speeds", heads, rows, left=()))
    return [*out, Bullets(power_lines(found, unit))]


# --- splits -------------------------------------------------------------------------------------------------------


def _splits(answer: CompareAnswer, unit: SpeedUnit) -> list[Block]:
    splits = answer.splits
    places = [float(k) for k in range(len(splits))]
    labels = [speed_label(split.speed_mps, unit) for split in splits]
    ticks = tuple((place, label.split()[0]) for place, label in zip(places, labels, strict=True))
    plot = interval_plot(
        [of_split(split) for split in splits],
        places,
        Axis(f"{answer.b} minus {answer.a} (left: quicker)", "s"),
        Axis("To", unit, ticks=ticks, low=-0.6, high=len(splits) - 0.4),
        54,
        f"Difference in time to {wording.plural(len(splits), 'speed')}, with intervals.",
    )
    how = f"An interval that stays clear of zero shows a difference. {HOW_TO_READ}"
    return [
        Figure("B minus A, with intervals", plot, how, switches=True),
        _splits_table(answer, labels),
        Words(
            f"All intervals here hold together at {answer.level:.0%} (each alone at {answer.level_of_each:.1%}). "
            f"{wording.adjusted(s.adjustment_s for s in splits)}"
        ),
        Bullets([f"To {label}: {s.sentence}." for label, s in zip(labels, splits, strict=True)]),
    ]


def _splits_table(answer: CompareAnswer, labels: Sequence[str]) -> Table:
    """The times judged by; where those are corrected ones, the difference as driven beside them."""
    rows = [
        [
            label, f"{s.runs_a}/{s.runs_b}", wording.number(s.a_s), wording.number(s.b_s),
            *of_split(s).cells, *([wording.signed(s.raw.difference_s)] if answer.corrected_by else []), s.verdict,
        ]
        for label, s in zip(labels, answer.splits, strict=True)
    ]  # fmt: skip
    as_driven = ["As driven"] if answer.corrected_by else []
    heads = ["To", "Runs", "A s", "B s", "B\u2212A", "With days", "Runs only", *as_driven, "Verdict"]
    return judgement_first(f"Time from one foot of movement{wording.judged_by(answer.corrected_by)}", heads, rows)


def _measure_table(m: MeasureComparison, answer: CompareAnswer) -> Table:
    row = [
        f"{m.name}, {m.unit}", f"{m.runs_a}/{m.runs_b}", wording.number(m.a), wording.number(m.b),
        *of_measure(m).cells, m.sentence,
    ]  # fmt: skip
    heads = ["", "Count", "A", "B", "B\u2212A", "With days", "Runs only", "Verdict"]
    return judgement_first(f"{answer.b} against {answer.a}", heads, [row])


# --- along the run ------------------------------------------------------------------------------------------------


def _gained(sides: Sequence[_Side], answer: CompareAnswer, unit: SpeedUnit) -> list[Block]:
    """Each run against the mean of A, at every m/s; and the difference in each band of speed with its interval."""
    drawn = [
        Drawn(f"mean of {side.letter}", side.side.runs, side.style, side.style, f"runs of {side.letter}")
        for side in sides
    ]
    many = sum(len(side.side.runs) for side in sides) > 2 * FEW
    speeds = speeds_up_to(min(_reached(side.side.runs) for side in sides))
    title = "Against the mean of A, speed by speed"
    figures = [behind_plot(drawn, speeds, unit, "the mean of A", title, "", many), _along_the_run(answer, unit)]
    out: list[Block] = [figure for figure in figures if figure is not None]
    return [*out, _measure_table(answer.launch, answer)] if answer.launch is not None else out


def _along_the_run(answer: CompareAnswer, unit: SpeedUnit) -> Figure | None:
    bands = [band for band in answer.trace if math.isfinite(band.difference_s)]
    if not bands:
        return None
    x = np.array([(band.from_mps + band.to_mps) / 2 / SPEED_UNITS[unit] for band in bands])
    y = np.array([band.difference_s for band in bands])
    low, high = np.array([band.low_s for band in bands]), np.array([band.high_s for band in bands])
    plot = draw(
        [Series("B minus A", x, y, low, high, 1, "points", False)],
        Axis("Speed", unit, 0.0, None, 1), Axis("Seconds gained (\u2212) or lost (+) in the band"), zero=True,
        height=200, said="Seconds that B gains or loses in each band of speed, with intervals.",
    )  # fmt: skip
    rows = [
        [
            f"{wording.speed_range(b.from_mps, b.to_mps, unit)} {unit}", wording.number(b.a_s), wording.number(b.b_s),
            wording.signed(b.difference_s), wording.span(b.low_s, b.high_s), b.verdict,
        ]
        for b in answer.trace
    ]  # fmt: skip
    heads = ["Band", "A s", "B s", "B\u2212A", "With days", "Verdict"]
    by = wording.judged_by(answer.corrected_by)
    table = judgement_first(f"Time gained or lost along the run{by}", heads, rows)
    caption = f"Each mark is a band of speed{by}. The launch is below the first band."
    return Figure(_ALONG, plot, caption, table)


def _reached(runs: Sequence[Observation]) -> float:
    """What at least half of the runs reach [m/s]."""
    tops = sorted(float(run.speed_mps[-1]) for run in runs if len(run.speed_mps))
    return tops[len(tops) // 2] if tops else 0.0


def _traces(sides: Sequence[_Side], top_mps: float, unit: SpeedUnit) -> list[Block]:
    per = SPEED_UNITS[unit]
    series = []
    for side in sides:
        letter, runs = side.letter, side.side.runs
        quickest = first_there(runs, top_mps)
        for run in runs:
            best = run is quickest
            series.append(
                Series(
                    f"{letter}, {run.label}" if not best else f"best of {letter}", run.time_s, run.speed_mps / per,
                    style=side.style, direct=best, group=f"runs of {letter}", strong=best, faint=len(runs) > FEW,
                )
            )  # fmt: skip
    amounts = " and ".join(f"{len(side.side.runs)} runs of {side.letter}" for side in sides)
    plot = draw(
        series, Axis("Time from one foot", "s", 0.0), Axis("Speed", unit, 0.0, None, 1),
        said=f"Speed over time of {amounts}.",
    )  # fmt: skip
    return [Figure("Speed over time, all counted runs", plot, switches=True)]


def _best_traces(sides: Sequence[_Side], top_mps: float, unit: SpeedUnit) -> list[Block]:
    lines = [
        RunLine(f"best of {side.letter}", *side.best, style=side.style, strong=True)
        for side in sides
        if side.best is not None
    ]
    if not lines:
        return []
    caption = f"The best run is the one that reached {speed_label(top_mps, unit)} first."
    return [over_way(lines, unit, lines[0], lines[0].label, "the best run of each side", caption)]


# --- mixture ------------------------------------------------------------------------------------------------------


def _mixture(answer: CompareAnswer, sides: Sequence[_Side], season: SeasonRecord, unit: SpeedUnit) -> list[Block]:
    """The maps of both sides, all their drives together, what changed between them, and the mixture along the best
    runs."""
    from analysis.answers.mixture import mixture_change_answer
    from analysis.answers.mixture_side import side_change, side_mixture

    out: list[Block] = [_measure_table(answer.mixture, answer)] if answer.mixture is not None else []
    told = [(side, side.best, side.mixture) for side in sides if side.best is not None and side.mixture is not None]
    out += along_both([(f"best of {side.letter}", *best[:1], found, best[1], side.style) for side, best, found in told])
    if len(told) < 2 or max(len(_drives_of(side)) for side in sides) == 1:
        if len(told) == 2 and (one := told[0][1][0]) is not (two := told[1][1][0]):
            out.append(change_map(mixture_change_answer(one, two, unit=unit), f"{two.id} minus {one.id}"))
        for side, _, found in told:
            out += mixture_blocks(found, f"{side.letter}, drive {found.drive}: ")
        return out
    enough = told[0][1][0].targets.enough
    first = side_mixture(_maps_of(sides[0], season, unit), enough)
    second = side_mixture(_maps_of(sides[1], season, unit), enough, first)
    if second.drives:
        out.append(change_map(side_change(first, second), "B minus A, all drives"))
    for side, together in zip(sides, (first, second), strict=True):
        out += side_blocks(together, side.letter)
    return out


def _drives_of(side: _Side) -> list[str]:
    return sorted({run.drive for run in side.side.runs})


def _maps_of(side: _Side, season: SeasonRecord, unit: SpeedUnit) -> list[MixtureAnswer]:
    """The mixture of each drive of a side that has one, that of its best run first."""
    found = [side.mixture] if side.mixture is not None else []
    for name in _drives_of(side):
        if side.best is None or name != side.best[0].id:
            try:
                told = mixture_of(season.drive(name), unit)
            except (NoAnswer, InputError):
                continue  # it has gone since
            found += [told] if told is not None else []
    return found
