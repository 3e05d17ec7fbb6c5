"""The report of a season: all drives of a store, with the figures of `season`, `drives`, `effects` and `plan`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.arrays import Floats
from analysis.changes.best import quickness
from analysis.changes.observations import Observation
from analysis.drive import Driven, driven
from analysis.report.drive_page import along_best
from analysis.report.page import Block, Bullets, Figure, Page, Section, Table, Words
from analysis.report.plots import STYLES, Axis, Series, cut, draw, thinned
from analysis.report.sections import (
    cautions,
    mixture_blocks,
    plan_blocks,
    sentence,
    trace,
    weather_blocks,
)
from analysis.report.setups_page import footer
from analysis.runs.run import Run
from logger.errors import NoAnswer
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.changes.best import Best as BestRun
    from analysis.changes.compare import Comparison
    from analysis.changes.effects import Attribution
    from analysis.changes.observations import Side
    from analysis.changes.season import Season
    from analysis.conditions.setups import Difference, Known, Parts
    from logger.config.targets import TargetsConfig


MOST_SETUPS = 6
"""So many setups get a colour each; of more, the newest do."""


def season_page(season: Season, store: Path, targets: TargetsConfig, unit: str | None = None) -> Page:
    """The page of all drives of a store. NoAnswer where there are none."""
    from analysis.changes.best import best_run, common_speed
    from analysis.changes.effects import attribute, scatter_of
    from analysis.changes.sides import setup_side, step_mps
    from analysis.conditions.setups import known
    from logger.store.drive import list_drives

    unit = unit or season.unit
    drives = list_drives(store)
    setups = known(drives)
    speed = common_speed(season.runs, step_mps(season))
    timed = bool(season.runs) and math.isfinite(speed)
    corrected = timed and all(run.corrected_s is not None for run in season.runs)
    effects = best = None
    if timed:
        at = np.array([speed])
        effects = attribute(season.runs, np.array([run.time_to(at, corrected) for run in season.runs]))
        best = best_run(season.runs, speed, scatter_of(season.runs, np.array([r.time_to(at) for r in season.runs]))[0])
    timeline = [_timeline(season, setups, speed, unit)] if timed else []
    shown: list[Block] = [*timeline, *_with_what(season, setups, speed, unit)]
    sections = [Section("driven", "What was driven, and with what", shown)]
    if effects is not None and effects.effects:
        mixture = attribute(season.runs, np.array([[run.full_throttle] for run in season.runs]).reshape(-1, 1))
        blocks = _effects(effects, mixture, season, speed, unit, corrected)
        sections.append(Section("effects", "What each change did", blocks))
    sides = [side for each in setups if (side := setup_side(each, season)).runs]
    if len(sides) > 1:
        sections.append(Section("steps", "Setup after setup", _steps(season, sides, unit)))
    bests = _bests(season, setups, store, targets, unit)
    if bests:
        sections.append(Section("traces", "The best run of each setup", _traces(bests, unit)))
    if season.runs:
        sections.append(Section("gained", "Time gained and lost", _gained(season, sides, unit)))
    quickest = _quickest_told(best.label if best else "", bests, store, targets, unit)
    if quickest is not None and quickest[0].mapped is not None:
        told, run = quickest
        assert told.mapped is not None
        blocks = [
            Words(f"Of drive {told.drive.id}, which holds the best run of the season."),
            *mixture_blocks(told.mapped, unit), *along_best(told, told.mapped, run),
        ]  # fmt: skip
        sections.append(Section("mixture", "Mixture", blocks))
    if season.loops:
        sections.append(Section("fuel", "Fuel", _fuel(season)))
    days = [(row.started_utc, row.weather, row.air) for row in season.drives]
    sections.append(Section("weather", "Weather", weather_blocks(days)))
    if plan := plan_blocks(season, store):
        sections.append(Section("plan", "The next outing", plan))
    first, last = season.drives[0].started_utc, season.drives[-1].started_utc
    car = next((drive.car.car.name for drive in reversed(drives) if drive.car is not None), "Car not said")
    return Page(
        title=f"{car}: {wording.day(first)} to {wording.day(last)}",
        subtitle="Season",
        verdict=_verdict(season, effects, best, speed, unit),
        caveats=_caveats(season, effects, store),
        facts=[
            ("Drives", str(len(season.drives))),
            ("Days", str(len({row.outing for row in season.drives}))),
            ("Runs", f"{len(season.runs) + len(season.left_out)}, {len(season.runs)} counted"),
            ("Setups", str(len(setups))),
            ("Driven", wording.duration(sum(row.duration_s for row in season.drives))),
        ],
        sections=sections,
        cautions=cautions([quickest[0].mapped] if quickest is not None and quickest[0].mapped is not None else []),
        footer=footer(),
    )


# --- the verdict --------------------------------------------------------------------------------------------------


def _verdict(season: Season, effects: Attribution | None, best: BestRun | None, speed: float, unit: str) -> list[str]:
    if not season.runs:
        return ["No standing run of this season counts yet: `pullbook runs` says why for each drive."]
    said: list[str] = []
    to = f"to {speed_label(speed, unit)}"
    for effect in effects.effects if effects is not None else ():
        i = effect.intervals[0]
        what = " with ".join(map(str, effect.changes))
        if not math.isfinite(i.estimate):
            continue
        if not math.isfinite(i.low):
            said.append(f"With {what}: {wording.signed(i.estimate)} s {to}, but how much days differ is unknown.")
        elif i.high < 0 or i.low > 0:
            word = "quicker" if i.high < 0 else "slower"
            said.append(f"With {what}: {abs(i.estimate):.2f} s {word} {to} ({wording.interval(i.low, i.high)}).")
    for effect in effects.effects if effects is not None else ():
        i = effect.intervals[0]
        if math.isfinite(i.low) and i.low <= 0 <= i.high:
            what = " with ".join(map(str, effect.changes))
            said.append(f"With {what}: no difference shown {to} ({wording.interval(i.low, i.high)} s).")
    for group in effects.design.tangled if effects is not None else ():
        said.append(f"{' and '.join(group)} always changed together: what each does cannot be told from these drives.")
    if best is not None:
        said.append(f"The best run {to}, {best.label} with {best.time_s:.2f} s ({best.setup}), is {best.sentence}.")
    return [sentence(line) for line in said]


def _caveats(season: Season, effects: Attribution | None, store: Path) -> list[str]:
    lines = list(effects.caveats) if effects is not None else []
    lines += season.caveats
    lines += [f"{row.drive}: {wording.without_folder(row.trouble, store)}" for row in season.drives if row.trouble]
    struck = [each for each in season.left_out if each.struck]
    lines += [f"{each.label} is struck out: {each.reason}" for each in struck]
    others = len(season.left_out) - len(struck)
    if others:
        lines.append(
            f"{wording.plural(others, 'run')} not counted: broken off, at part throttle, or part of a fuel loop"
        )
    without = [row.drive for row in season.drives if row.parts is None]
    if without:
        drives = wording.plural(len(without), "drive")
        lines.append(f"{drives} without a setup: `pullbook setup FILE --drive DRIVE` gives one")
    return [sentence(line) for line in dict.fromkeys(lines)]


# --- what was driven ----------------------------------------------------------------------------------------------


def _with_what(season: Season, setups: Sequence[Known], speed: float, unit: str) -> list[Block]:
    from analysis.changes.sides import best_typical, setup_side
    from analysis.conditions.setups import differences
    from analysis.conditions.setups import shown as value_shown

    label = speed_label(speed, unit) if math.isfinite(speed) else "no speed"
    rows: list[list[str]] = []
    before: Parts | None = None
    for each in setups:
        side = setup_side(each, season)
        best, typical, count = best_typical(side.runs, speed)
        mixture = [run.full_throttle for run in side.runs if math.isfinite(run.full_throttle)]
        fuel = [loop.m3_per_m * 1e8 for loop in side.loops]
        changed: list[Difference] = differences(before, each.setup.parts) if before is not None else []
        rows.append([
            each.name, str(len({run.outing for run in side.runs})), str(count), wording.number(best),
            wording.number(typical),
            wording.number(float(np.median(mixture))) if mixture else wording.NONE,
            wording.number(float(np.mean(fuel)), 1) if fuel else wording.NONE,
            "; ".join(f"{d.part} {value_shown(d.a)} \u2192 {value_shown(d.b)}" for d in changed) or wording.NONE,
        ])  # fmt: skip
        before = each.setup.parts
    heads = ["Setup", "Days", "Runs", "Best", "Typical", season.channel, "L/100 km", "Changed"]
    title = f"Setups; best and typical (median) seconds to {label} as driven, {season.channel} at full throttle"
    out: list[Block] = [Table(title, heads, rows, left=(7,))]
    parts = list(dict.fromkeys(part for each in setups for part in each.setup.parts))
    rows = [[part, *(value_shown(each.setup.parts.get(part)) for each in setups)] for part in parts]
    if rows:
        out.append(Table("What each setup is", ["Part", *(each.name for each in setups)], rows, folded=True))
    rows = []
    for row in season.drives:
        runs = [run for run in season.runs if run.drive == row.drive]
        best, typical, _ = best_typical(runs, speed)
        rows.append([
            row.drive, row.setup, wording.duration(row.duration_s), str(len(runs)), wording.number(best),
            wording.number(typical), "; ".join(row.notes),
        ])  # fmt: skip
    heads = ["Drive", "Setup", "Length", "Runs", "Best", "Typical", "Notes"]
    return [*out, Table(f"Drives; seconds to {label} as driven", heads, rows, left=(1, 6), folded=len(rows) > 15)]


def _timeline(season: Season, setups: Sequence[Known], speed: float, unit: str) -> Figure:
    """The time of every run, outing by outing."""
    at = np.array([speed])
    styles = _styles(setups)
    outings = sorted({run.outing for run in season.runs})
    counts = {outing: sum(run.outing == outing for run in season.runs) for outing in outings}
    place = {outing: float(k) for k, outing in enumerate(outings)}
    seen: dict[int, int] = {}
    xs: dict[str, list[tuple[float, float, float]]] = {}
    for run in season.runs:
        nth = seen[run.outing] = seen.get(run.outing, -1) + 1
        x = place[run.outing] + (nth / max(counts[run.outing] - 1, 1) - 0.5) * 0.6
        time, sigma = float(run.time_to(at)[0]), float(run.sigma_to(at)[0])
        xs.setdefault(_setup_of(run, setups), []).append((x, time, sigma))
    series = []
    for name, points in xs.items():
        across, y, late = (np.array(column) for column in zip(*points, strict=True))
        style = styles.get(name)
        series.append(Series(name, across, y, y - late, y + late, style, "points", direct=False, group=name))
    begun = {row.outing: row.started_utc for row in reversed(season.drives)}
    every = max(1, math.ceil(len(outings) / 8))
    ticks = tuple((place[o], f"{begun[o]:%m-%d}") for o in outings[::every])
    label = speed_label(speed, unit)
    plot = draw(
        series,
        Axis("Day", low=-0.6, high=len(outings) - 0.4, ticks=ticks),
        Axis(f"Time to {label}", "s"),
        said=f"The time to {label} of {len(season.runs)} runs on {wording.plural(len(outings), 'day')}.",
    )
    caption = "Every run that counts, as driven, with one standard deviation of its measurement; a column is a day."
    return Figure(f"The season: seconds from one foot to {speed_label(speed, unit)}", plot, caption, switches=True)


def _setup_of(run: Observation, setups: Sequence[Known]) -> str:
    return next((each.name for each in setups if run.drive in each.drives), "no setup")


def _styles(setups: Sequence[Known]) -> dict[str, int | None]:
    """A style for each of the newest setups; None, grey, for the others."""
    newest = [each.name for each in setups][-MOST_SETUPS:]
    return {each.name: newest.index(each.name) % STYLES if each.name in newest else None for each in setups}


# --- effects ------------------------------------------------------------------------------------------------------


def _effects(
    times: Attribution, mixture: Attribution | None, season: Season, speed: float, unit: str, corrected: bool
) -> list[Block]:
    from analysis.changes.sides import fuel_effects
    from analysis.conditions.setups import described

    by = f", corrected by {season.factor}" if corrected else ", as driven"
    names = [" with ".join(map(str, effect.changes)) for effect in times.effects]
    intervals = [effect.intervals[0] for effect in times.effects]
    y = -np.arange(len(names), dtype=float)
    d, low, high, run_low, run_high = (
        np.array([getattr(i, key) for i in intervals]) for key in ("estimate", "low", "high", "run_low", "run_high")
    )
    plot = draw(
        [
            Series("with days", d, y, low, high, 0, "points", False, "with days", across=True),
            Series("runs only", d, y - 0.24, run_low, run_high, 1, "points", False, "runs only", across=True),
        ],
        Axis(f"Change of the time to {speed_label(speed, unit)} (left: quicker)", "s"),
        Axis(
            "",
            ticks=tuple((-float(k), cut(name, 60)) for k, name in enumerate(names)),
            low=0.5 - len(names),
            high=0.6,
            inside=True,
        ),
        height=max(60 * len(names), 110),
        zero_x=True,
        said=f"What {wording.plural(len(names), 'change')} did to the time, with intervals.",
    )
    out: list[Block] = [
        Words(f"Against {described(times.design.setups[0])}."),
        Figure(
            f"Effect on the time to {speed_label(speed, unit)}{by}", plot,
            "An interval that does not reach zero shows an effect. The wide one counts that days differ, the narrow "
            "one only that runs do.",
            switches=True,
        ),
        _effect_table(times, "s", f"Time to {speed_label(speed, unit)} from one foot{by}"),
    ]  # fmt: skip
    if mixture is not None and mixture.effects:
        out.append(_effect_table(mixture, season.channel, "Mixture at full throttle"))
    fuel = fuel_effects(season)
    if fuel is not None and fuel.effects:
        out.append(_effect_table(fuel, "L/100 km", "Fuel"))
    tangled = [
        f"{' and '.join(group)} always changed together: what each does cannot be told from these drives."
        for group in times.design.tangled
    ]
    return [*out, Bullets(tangled or ["No parts are tangled: each effect stands for itself."])]


def _effect_table(found: Attribution, unit: str, title: str) -> Table:
    rows = []
    for effect in found.effects:
        i = effect.intervals[0]
        rows.append([
            " with ".join(map(str, effect.changes)), str(effect.runs), wording.signed(i.estimate),
            wording.span(i.low, i.high), wording.span(i.run_low, i.run_high),
        ])  # fmt: skip
    return Table(title, ["Change", "Runs", unit, "With days", "Runs only"], rows)


def _steps(season: Season, sides: Sequence[Side], unit: str) -> list[Block]:
    """Each setup against the one driven before it."""
    from analysis.changes.sides import held

    rows = []
    for before, after in pairwise(sides):
        try:
            answer: Comparison = held(before, after, season)
        except NoAnswer as error:
            rows.append([f"{after.name} against {before.name}", "", "", "", str(error)])
            continue
        top = answer.splits[-1]
        rows.append([
            f"{after.name} against {before.name}", speed_label(top.speed_mps, unit),
            wording.signed(top.interval.estimate), wording.span(top.interval.low, top.interval.high),
            sentence(answer.verdict.sentence),
        ])  # fmt: skip
    title = "Each setup against the one before it, as `pullbook compare` has it"
    return [Table(title, ["", "To", "Seconds", "With days", "Verdict"], rows, left=(4,))]


# --- runs ---------------------------------------------------------------------------------------------------------

Best = tuple[str, Driven, Run, int | None]
"""Setup, drive, run, style."""


def _bests(season: Season, setups: Sequence[Known], store: Path, targets: TargetsConfig, unit: str) -> list[Best]:
    """The best run of each of the newest setups as it was driven."""
    from logger.store.drive import open_drive

    styles = _styles(setups)
    out: list[Best] = []
    for each in setups[-MOST_SETUPS:]:
        runs = [run for run in season.runs if run.drive in each.drives]
        if not runs:
            continue
        quickest = min(runs, key=quickness)
        try:
            told = driven(open_drive(store, quickest.drive), store, targets, unit, mixture=False)
        except NoAnswer:
            continue
        number = int(quickest.label.rpartition(":")[2])
        run = next((run for run in told.found.runs if run.n == number), None)
        if run is not None:
            out.append((each.name, told, run, styles[each.name]))
    return out


def _traces(bests: Sequence[Best], unit: str) -> list[Block]:
    over_time: list[Series] = []
    over_way: list[Series] = []
    for name, told, run, style in bests:
        t, way, speed = trace(told, run)
        for series, x in ((over_time, t), (over_way, way)):
            keep = thinned(x, speed, float(x[-1] - x[0]), float(np.nanmax(speed)))
            series.append(Series(name, x[keep], speed[keep], style=style, group=name))
    up = Axis("Speed", unit, 0.0, None, 1)
    said = f"of the best run of {wording.plural(len(bests), 'setup')}."
    rows = [[name, f"{told.drive.id}:{run.n}", speed_label(run.peak_mps, unit)] for name, told, run, _ in bests]
    table = Table("Which runs these are", ["Setup", "Run", "Peak"], rows, left=(1,))
    return [
        Figure("Speed over time", draw(over_time, Axis("Time from one foot", "s"), up, said=f"Speed over time {said}"),
               "As driven.", table, switches=True),
        Figure("Speed over distance",
               draw(over_way, Axis("Way from rest", "m", 0.0, None, 1), up, said=f"Speed over distance {said}"),
               switches=True),
    ]  # fmt: skip


def _gained(season: Season, sides: Sequence[Side], unit: str) -> list[Block]:
    """The mean of each setup, and every run, against the mean of the first setup at every m/s."""
    per = SPEED_UNITS[unit]
    named = sides[-MOST_SETUPS:]
    if not named:
        return []
    tops = sorted(float(run.speed_mps[-1]) for run in season.runs if len(run.speed_mps))
    speeds = np.arange(2.0, tops[len(tops) // 5] + 1e-9, 1.0)
    if len(speeds) < 2:
        return []
    base = _mean([run.time_to(speeds) for run in named[0].runs])
    series = []
    for k, side in enumerate(named):
        for run in side.runs:
            late = run.time_to(speeds) - base
            series.append(Series(run.label, speeds / per, late, style=None, direct=False, group="single runs"))
        late = _mean([run.time_to(speeds) for run in side.runs]) - base
        series.append(Series(side.name, speeds / per, late, style=k % STYLES, group=side.name, strong=True))
    reference = named[0].name
    plot = draw(
        series, Axis("Speed", unit, 0.0, None, 0), Axis("Seconds behind the reference"), zero=True,
        said=f"Seconds behind the mean of {reference} at each speed, of {wording.plural(len(named), 'setup')}.",
    )  # fmt: skip
    caption = (
        f"The reference is the mean of {reference}. Strong lines are means of setups, grey ones single runs, as "
        "driven. A line that rises loses time at that speed, one that falls gains it."
    )
    return [Figure("Against the first setup, speed by speed", plot, caption, switches=True)]


def _mean(rows: Sequence[Floats]) -> Floats:
    table = np.array(rows)
    count = np.isfinite(table).sum(axis=0)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(2 * count >= len(table), np.nansum(table, axis=0) / count, np.nan), float)


def _quickest_told(
    label: str, bests: Sequence[Best], store: Path, targets: TargetsConfig, unit: str
) -> tuple[Driven, Run] | None:
    from logger.store.drive import open_drive

    drive, _, number = label.rpartition(":")
    if not drive:
        return None
    told = driven(open_drive(store, drive), store, targets, unit)
    run = next((run for run in told.found.runs if run.n == int(number)), None)
    return (told, run) if run is not None else None


# --- fuel ---------------------------------------------------------------------------------------------------------


def _fuel(season: Season) -> list[Block]:
    from analysis.road.fuel_loops import mpg_us

    rows = [
        [
            loop.drive, loop.setup, wording.with_sigma(loop.m3_per_m * 1e8, loop.m3_per_m * 1e8 * loop.sigma),
            wording.with_sigma(mpg_us(loop.m3_per_m), mpg_us(loop.m3_per_m) * loop.sigma, 1),
        ]
        for loop in season.loops
    ]  # fmt: skip
    return [Table("Fuel loops", ["Drive", "Setup", "L/100 km", "mpg (US)"], rows, left=(1,))]
