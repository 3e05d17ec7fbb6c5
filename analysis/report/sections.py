"""Sections that the reports of a drive, of setups and of a season share."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from analysis import wording
from analysis.report.page import Block, Bullets, Table, Words
from logger.units import convert

if TYPE_CHECKING:
    from analysis.answers.mixture import MixtureAnswer
    from analysis.answers.plan import PlanAnswer
    from analysis.changes.season import SeasonRecord
    from analysis.conditions.weather import Air, Weather


def cautions(mixtures: Iterable[MixtureAnswer | None]) -> list[str]:
    """About safety: what these figures do not allow."""
    return [
        *dict.fromkeys(mixture.caution for mixture in mixtures if mixture is not None and mixture.caution),
        "Timed runs belong on private ground or where the law allows them. Local law comes before anything here.",
        "Eyes on the road: the laptop is strapped down, and is read when the car is parked.",
        "Before each outing: brakes, tyres, belt and its guard, fuel lines, throttle return. Belt covers stay on.",
        "Change jets and needles with the engine off and cool, in the open, away from flames and sparks.",
        "A target here is a starting point. Spark plugs, head temperature and an experienced ear have the last word.",
    ]


def background_of(answer: object) -> Sequence[str]:
    """Those of an answer's caveats that ask the owner for nothing, if it names them: they stand under Why."""
    found: Sequence[str] = getattr(answer, "background", ())
    return found


# --- weather ----------------------------------------------------------------------------------------------------------


def weather_blocks(days: Sequence[tuple[datetime, Weather, Air]], unit: str) -> list[Block]:
    """The air of each drive, for who drives in `unit`. Where it was observed is left out: a station tells a place."""
    rows = []
    missing: list[str] = []
    for begun, w, air in days:
        wind = wording.NONE if w.wind_mps is None else wording.wind_text(w.wind_mps, unit)
        if w.wind_mps and w.wind_from_deg is not None:
            wind += f" from {w.wind_from_deg:.0f}\u00b0"
        rows.append([
            wording.day(begun),
            wording.NONE if w.temperature_c is None else f"{w.temperature_c:.1f} \u00b0C",
            wording.NONE if w.pressure_hpa is None else f"{w.pressure_hpa:.1f} hPa",
            wording.NONE if w.humidity_percent is None else f"{w.humidity_percent:.0f} %",
            wind, wording.number(air.density_kg_per_m3, 4), wording.way_text(air.density_altitude_m, unit)
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
    out: list[Block] = [Table("Weather; SAE J1349 is the correction factor for engine output", heads, rows)]
    if missing:
        lacking = " and ".join(dict.fromkeys(missing))
        out.append(
            Words(f"Without {lacking} nothing can be corrected to standard weather. `pullbook weather` adds it later.")
        )
    return out


NO_PLACE = "This page holds no position and needs no network. You can keep it or give it away as it is."


def footer() -> list[str]:
    """What holds for every report that compares."""
    return [
        "Times are from one foot of movement (SAE J1491). An interval with days holds on another day as well. One "
        "of runs only holds if all days were alike.",
        NO_PLACE,
    ]


# --- the plan -----------------------------------------------------------------------------------------------------


def plan_blocks(
    season: SeasonRecord, speed_mps: float | None = None, settle: tuple[str, str] | None = None
) -> list[Block]:
    """The next drives worth making, as `plan` gives them, and what to see to on the day. Empty without runs."""
    from analysis.answers.plan import plan_answer

    if not season.runs:
        return []
    made = plan_answer(season, speed_mps, settle=settle)
    out = [*planned_blocks(made), Words("Which jet to try next: `pullbook jets`.")]
    return [*out, Bullets(made.checklist)] if made.checklist else out


def planned_blocks(made: PlanAnswer) -> list[Block]:
    """What to drive next, and what to note; without the checklist."""
    out: list[Block] = []
    tangled = [
        f"{' and '.join(group)} always changed together so far, so their effects cannot be separated."
        for group in made.tangled
    ]
    if tangled:
        out.append(Bullets(tangled))
    if made.next:
        out += _steps(made)
    else:
        out.append(Words(f"{made.sentence} Judged by the time to {made.speed}."))
    by_power = [made.by_power.sentence] if made.by_power is not None and made.next else []
    if notes := [wording.sentence(line) for line in (*made.warnings, *made.notes, *by_power)]:
        out.append(Bullets(notes))
    return out


def _steps(made: PlanAnswer) -> list[Block]:
    from analysis.conditions.setups import described, shown

    rows = []
    for number, step in enumerate(made.next, 1):
        differs = "; ".join(f"{part} {shown(pair.b)}" for part, pair in step.differs.items())
        what = described(step.setup) if number == 1 else differs or "the first setup again"
        rows.append([str(number), str(step.outing), what, str(step.runs), step.why])
    return [
        Table("What to drive", ["", "Outing", "Setup", "Runs", "Why"], rows, left=(2, 4)),
        Words(
            f"Judged by the time to {made.speed}. About {convert(made.minutes, 'min', 'h'):.1f} h per outing, at "
            f"{made.run_minutes:.0f} min per run."
        ),
    ]
