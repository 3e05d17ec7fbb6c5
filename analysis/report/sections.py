"""Sections that the reports of a drive, of setups and of a season share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.arrays import Floats
from analysis.drive import Driven
from analysis.report.page import Block, Bullets, Cell, Map, Table, Words
from analysis.runs.run import Run, time_zero
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.changes.season import Season
    from analysis.conditions.weather import Air, Weather
    from analysis.drive import Mapped
    from analysis.mixture.map import MixtureMap


def cautions(mapped: Sequence[Mapped]) -> list[str]:
    """About safety: what these figures are no licence for."""
    lean = any(
        summary.regime == "full throttle" and summary.judgement == "lean of target"
        for each in mapped
        for summary in each.answer.summaries
    )
    first = (
        ["This car ran lean at full throttle. Lean mixture burns pistons and valves, and an air-cooled engine gives "
         "little warning: ease off until it is richer, and have someone who knows the engine look at it if in doubt."]
        if lean else []
    )  # fmt: skip
    return [
        *first,
        "Timed runs belong on private ground or where the law allows them. Local law goes before anything here.",
        "Eyes on the road: the laptop is strapped down, and is read when the car is parked.",
        "Before each outing: brakes, tyres, belt and its guard, fuel lines, throttle return. Belt covers stay on.",
        "Change jets and needles with the engine off and cool, in the open, away from flames and sparks.",
        "A target here is a starting point. Spark plugs, head temperature and an experienced ear have the last word.",
    ]


# --- traces -----------------------------------------------------------------------------------------------------------


def trace(told: Driven, run: Run) -> tuple[Floats, Floats, Floats]:
    """Time from one foot [s], way from rest [m] and speed [owner's unit] of a run, from rest to its peak."""
    motion = told.found.motion
    zero = time_zero(run)
    t = np.linspace(run.start_s, run.end_s, max(int((run.end_s - run.start_s) / 0.05), 2))
    speed = motion.at(t).speed_mps
    for gap in run.gaps:
        speed[(t > gap.start_s) & (t < gap.end_s)] = np.nan
    way = run.distance_m - (motion.distance_at([run.end_s])[0] - motion.distance_at(t))
    return t - zero, np.maximum(way, 0.0), np.maximum(speed, 0.0) / SPEED_UNITS[told.unit]


# --- mixture ----------------------------------------------------------------------------------------------------------

TINTS = {"lean of target": "lean", "in band": "in", "rich of target": "rich", "not enough data": "unknown"}
MARKS = {"lean of target": "L", "in band": "=", "rich of target": "R", "not enough data": ""}


def digits_of(found: MixtureMap) -> int:
    return 2 if found.channel == "afr" else 3


def channel_words(found: MixtureMap) -> str:
    return "AFR" if found.channel == "afr" else "lambda"


def mixture_blocks(mapped: Mapped, unit: str, whose: str = "") -> list[Block]:
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


# --- weather ----------------------------------------------------------------------------------------------------------


def weather_blocks(days: Sequence[tuple[datetime, Weather, Air]]) -> list[Block]:
    """The air of each drive. Where it was observed is left out: a station's name tells a place."""
    rows = []
    missing: list[str] = []
    for begun, w, air in days:
        wind = wording.NONE if w.wind_mps is None else f"{w.wind_mps:.1f} m/s"
        if w.wind_mps and w.wind_from_deg is not None:
            wind += f" from {w.wind_from_deg:.0f}\u00b0"
        rows.append([
            wording.day(begun),
            wording.NONE if w.temperature_c is None else f"{w.temperature_c:.1f} \u00b0C",
            wording.NONE if w.pressure_hpa is None else f"{w.pressure_hpa:.1f} hPa",
            wording.NONE if w.humidity_percent is None else f"{w.humidity_percent:.0f} %",
            wind, wording.number(air.density_kg_per_m3, 4), f"{air.density_altitude_m:.0f} m"
            if math.isfinite(air.density_altitude_m) else wording.NONE,
            wording.number(air.factors.get("SAE J1349", math.nan), 4),
        ])  # fmt: skip
        missing += air.missing
    heads = [
        "Day",
        "Temperature",
        "Pressure",
        "Humidity",
        "Wind",
        "Density kg/m\u00b3",
        "Density altitude",
        "SAE J1349",
    ]
    out: list[Block] = [Table("The air; SAE J1349 is the factor on engine output", heads, rows)]
    if missing:
        lacking = " and ".join(dict.fromkeys(missing))
        out.append(
            Words(f"Without {lacking} nothing can be corrected to standard air: `pullbook weather` adds it later.")
        )
    return out


# --- the plan -----------------------------------------------------------------------------------------------------


def plan_blocks(season: Season, store: Path, settle: tuple[str, str] | None = None) -> list[Block]:
    """The next drives worth making, as `plan` gives them, and what to see to on the day. Empty without runs."""
    from analysis.changes.best import common_speed
    from analysis.changes.plan import CHECKLIST
    from analysis.changes.sides import planned, step_mps
    from analysis.conditions.setups import described, differences
    from analysis.conditions.setups import shown as value_shown

    if not season.runs:
        return []
    speed = common_speed(season.runs, step_mps(season))
    made = planned(season, store, speed, settle=settle)
    out: list[Block] = []
    tangled = [
        f"{' and '.join(group)} always changed together so far: their effects are tangled."
        for group in made.design.tangled
    ]
    if tangled:
        out.append(Bullets(tangled))
    if not made.steps:
        done = "No drive is needed." if made.design.parts else "Nothing to tell apart: one setup was driven so far."
        out.append(Words(done))
    else:
        base = made.steps[0].parts
        rows = []
        for number, step in enumerate(made.steps, 1):
            differ = differences(base, step.parts)
            what = "; ".join(f"{d.part} {value_shown(d.b)}" for d in differ) or "the first setup again"
            rows.append(
                [str(number), str(step.outing), described(base) if number == 1 else what, str(step.runs), step.why]
            )
        out += [
            Table("What to drive", ["", "Outing", "Setup", "Runs", "Why"], rows, left=(2, 4)),
            Words(
                f"Judged by the time to {speed_label(speed, season.unit)}. About {made.minutes / 60:.1f} h an outing, "
                f"at {made.run_minutes:.0f} min a run."
            ),
        ]
    notes = [sentence(line) for line in (*made.warnings, *made.notes)]
    if notes:
        out.append(Bullets(notes))
    out.append(Words("Which jet to try next: `pullbook jets`."))
    return [*out, Bullets(CHECKLIST)] if made.steps else out


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "!", "?")) else ".")
