"""The report of a season: all drives of a store, with the figures of `season`, `drives`, `effects` and `plan`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.changes.observations import Observation
from analysis.drive import AnalysedDrive
from analysis.report.behind import Drawn, behind_plot, speeds_up_to
from analysis.report.has import SpeedUnit, mixture_of
from analysis.report.intervals import HOW_TO_READ, Told, interval_plot, of_split
from analysis.report.mixture_section import along_best, mixture_blocks
from analysis.report.page import Block, Bullets, Figure, Page, Section, Table, Words
from analysis.report.plots import STYLES, Axis, Series, cut, draw
from analysis.report.sections import cautions, footer, plan_blocks, weather_blocks
from analysis.report.traces import Line, best_as_driven, run_called, speed_over_time, speed_over_way
from analysis.runs.run import Run
from analysis.wording import sentence
from logger.errors import NoAnswer
from logger.units import speed_label

if TYPE_CHECKING:
    from analysis.answers.mixture import MixtureAnswer
    from analysis.changes.best import BestRun
    from analysis.changes.effects import Attribution, Effect
    from analysis.changes.observations import Side
    from analysis.changes.season import SeasonRecord
    from analysis.conditions.setups import Difference, Known, Parts


MOST_SETUPS = 6
"""So many setups get a colour each; of more, the newest do."""


@dataclass(frozen=True)
class _Told:
    """A season, and what is worked out of it for the page."""

    season: SeasonRecord
    unit: SpeedUnit
    speed_mps: float
    """What times are to; NaN where no run counts."""
    corrected: bool
    effects: Attribution | None
    best: BestRun | None
    sides: list[Side]
    """The setups that have runs."""

    @property
    def to(self) -> str:
        return speed_label(self.speed_mps, self.unit) if math.isfinite(self.speed_mps) else "no speed"


def season_page(season: SeasonRecord, unit: SpeedUnit | None = None, speed_mps: float | None = None) -> Page:
    """The page of all drives of a season; times are to `speed_mps`, by default what four of five runs reach."""
    told = _told(season, unit or season.unit, speed_mps)
    quickest = run_called(told.best.label, season) if told.best else None
    mixture = mixture_of(quickest[0], told.unit) if quickest is not None else None
    first, last = season.drives[0].started_utc, season.drives[-1].started_utc
    return Page(
        title=f"{_car(season)}: {wording.day(first)} to {wording.day(last)}",
        subtitle="Season",
        verdict=_verdict(told),
        caveats=_caveats(told),
        facts=[
            ("Drives", str(len(season.drives))),
            ("Days", str(len({row.outing for row in season.drives}))),
            ("Runs", f"{len(season.runs) + len(season.left_out)}, {len(season.runs)} counted"),
            ("Setups", str(len(season.setups))),
            ("Driven", wording.duration(sum(row.duration_s for row in season.drives))),
        ],
        sections=_sections(told, quickest, mixture),
        cautions=cautions([mixture]),
        footer=footer(),
    )


def _told(season: SeasonRecord, unit: SpeedUnit, speed_mps: float | None) -> _Told:
    from analysis.changes.best import best_run, common_speed
    from analysis.changes.effects import attribute, scatter_of
    from analysis.changes.sides import setup_side, step_mps

    speed = common_speed(season.runs, step_mps(season)) if speed_mps is None else speed_mps
    timed = bool(season.runs) and math.isfinite(speed)
    corrected = timed and all(run.corrected_s is not None for run in season.runs)
    effects = best = None
    if timed:
        at = np.array([speed])
        effects = attribute(season.runs, np.array([run.time_to(at, corrected) for run in season.runs]))
        best = best_run(season.runs, speed, scatter_of(season.runs, np.array([r.time_to(at) for r in season.runs]))[0])
    sides = [side for each in season.setups if (side := setup_side(each, season)).runs]
    return _Told(season, unit, speed, corrected, effects, best, sides)


def _car(season: SeasonRecord) -> str:
    drives = season.store.drives if season.store is not None else []
    return next((drive.car.car.name for drive in reversed(drives) if drive.car is not None), "Car not said")


def _sections(told: _Told, quickest: tuple[AnalysedDrive, Run] | None, mixture: MixtureAnswer | None) -> list[Section]:
    season = told.season
    timeline = [_timeline(told)] if told.effects is not None or told.best is not None else []
    out = [Section("driven", "What was driven, and with what", [*timeline, *_with_what(told)])]
    if told.effects is not None and told.effects.effects:
        out.append(Section("effects", "What each change did", _effects(told, told.effects)))
    if len(told.sides) > 1:
        out.append(Section("steps", "Setup after setup", _steps(told)))
    if bests := _bests(told):
        title = f"The best run of each setup to {told.to}"
        out.append(Section("traces", title, _traces(bests, told.unit)))
    if season.runs and (figure := _gained(told)) is not None:
        out.append(Section("gained", "Time gained and lost", [figure]))
    if quickest is not None and mixture is not None:
        blocks = [
            Words(f"Of drive {quickest[0].id}, which holds the best run of the season."),
            *mixture_blocks(mixture), *along_best(quickest[0], mixture, quickest[1]),
        ]  # fmt: skip
        out.append(Section("mixture", "Mixture", blocks))
    if season.loops:
        out.append(Section("fuel", "Fuel", _fuel(season)))
    days = [(row.started_utc, row.weather, row.air) for row in season.drives]
    out.append(Section("weather", "Weather", weather_blocks(days)))
    if plan := plan_blocks(season):
        out.append(Section("plan", "The next outing", plan))
    return out


# --- the verdict --------------------------------------------------------------------------------------------------


def _verdict(told: _Told) -> list[str]:
    if not told.season.runs:
        return ["No standing run of this season counts yet: `pullbook runs` says why for each drive."]
    said: list[str] = []
    open_ones: list[str] = []
    for effect in told.effects.effects if told.effects is not None else ():
        i = effect.intervals[0]
        what = f"With {' with '.join(map(str, effect.changes))}:"
        if not math.isfinite(i.estimate):
            continue
        if not math.isfinite(i.low):
            said.append(f"{what} {wording.signed(i.estimate)} s to {told.to}, but how much days differ is unknown.")
        elif i.high < 0 or i.low > 0:
            word = "quicker" if i.high < 0 else "slower"
            said.append(f"{what} {abs(i.estimate):.2f} s {word} to {told.to} ({wording.interval(i.low, i.high)}).")
        else:
            open_ones.append(f"{what} no difference shown to {told.to} ({wording.interval(i.low, i.high)} s).")
    said += open_ones
    for group in told.effects.design.tangled if told.effects is not None else ():
        said.append(f"{' and '.join(group)} always changed together: what each does cannot be told from these drives.")
    if told.best is not None:
        best = told.best
        said.append(
            f"The best run to {told.to}, {best.label} with {best.time_s:.2f} s ({best.setup}), is {best.sentence}."
        )
    return [sentence(line) for line in said]


def _caveats(told: _Told) -> list[str]:
    season = told.season
    lines = list(told.effects.caveats) if told.effects is not None else []
    lines += season.caveats
    folder = season.store.path if season.store is not None else None
    for row in season.drives:
        if row.trouble:
            lines.append(f"{row.drive}: {wording.without_folder(row.trouble, folder) if folder else row.trouble}")
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


def _with_what(told: _Told) -> list[Block]:
    out: list[Block] = [_setups_table(told)]
    if (parts := _parts_table(told.season.setups)) is not None:
        out.append(parts)
    return [*out, _drives_table(told)]


def _setups_table(told: _Told) -> Table:
    from analysis.changes.sides import best_typical, setup_side
    from analysis.conditions.setups import differences
    from analysis.conditions.setups import shown as value_shown

    season = told.season
    rows: list[list[str]] = []
    before: Parts | None = None
    for each in season.setups:
        side = setup_side(each, season)
        best, typical, count = best_typical(side.runs, told.speed_mps)
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
    title = f"Setups; best and typical (median) seconds to {told.to} as driven, {season.channel} at full throttle"
    return Table(title, heads, rows, left=(7,))


def _parts_table(setups: Sequence[Known]) -> Table | None:
    from analysis.conditions.setups import shown as value_shown

    parts = list(dict.fromkeys(part for each in setups for part in each.setup.parts))
    rows = [[part, *(value_shown(each.setup.parts.get(part)) for each in setups)] for part in parts]
    return Table("What each setup is", ["Part", *(each.name for each in setups)], rows, folded=True) if rows else None


def _drives_table(told: _Told) -> Table:
    from analysis.changes.sides import best_typical

    rows = []
    for row in told.season.drives:
        runs = [run for run in told.season.runs if run.drive == row.drive]
        best, typical, _ = best_typical(runs, told.speed_mps)
        rows.append([
            row.drive, row.setup, wording.duration(row.duration_s), str(len(runs)), wording.number(best),
            wording.number(typical), "; ".join(row.notes),
        ])  # fmt: skip
    heads = ["Drive", "Setup", "Length", "Runs", "Best", "Typical", "Notes"]
    return Table(f"Drives; seconds to {told.to} as driven", heads, rows, left=(1, 6), folded=len(rows) > 15)


def _timeline(told: _Told) -> Figure:
    """The time of every run, outing by outing."""
    season = told.season
    at = np.array([told.speed_mps])
    styles = _styles(season.setups)
    outings = sorted({run.outing for run in season.runs})
    counts = {outing: sum(run.outing == outing for run in season.runs) for outing in outings}
    place = {outing: float(k) for k, outing in enumerate(outings)}
    seen: dict[int, int] = {}
    xs: dict[str, list[tuple[float, float, float]]] = {}
    for run in season.runs:
        nth = seen[run.outing] = seen.get(run.outing, -1) + 1
        x = place[run.outing] + (nth / max(counts[run.outing] - 1, 1) - 0.5) * 0.6
        time, sigma = float(run.time_to(at)[0]), float(run.sigma_to(at)[0])
        xs.setdefault(_setup_of(run, season.setups), []).append((x, time, sigma))
    series = []
    for name, points in xs.items():
        across, y, late = (np.array(column) for column in zip(*points, strict=True))
        style = styles.get(name)
        series.append(Series(name, across, y, y - late, y + late, style, "points", direct=False, group=name))
    begun = {row.outing: row.started_utc for row in reversed(season.drives)}
    every = max(1, math.ceil(len(outings) / 8))
    ticks = tuple((place[o], f"{begun[o]:%m-%d}") for o in outings[::every])
    plot = draw(
        series,
        Axis("Day", low=-0.6, high=len(outings) - 0.4, ticks=ticks),
        Axis(f"Time to {told.to}", "s"),
        said=f"The time to {told.to} of {len(season.runs)} runs on {wording.plural(len(outings), 'day')}.",
    )
    caption = "Every run that counts, as driven, with one standard deviation of its measurement; a column is a day."
    return Figure(f"The season: seconds from one foot to {told.to}", plot, caption, switches=True)


def _setup_of(run: Observation, setups: Sequence[Known]) -> str:
    return next((each.name for each in setups if run.drive in each.drives), "no setup")


def _styles(setups: Sequence[Known]) -> dict[str, int | None]:
    """A style for each of the newest setups; None, grey, for the others."""
    newest = [each.name for each in setups][-MOST_SETUPS:]
    return {each.name: newest.index(each.name) % STYLES if each.name in newest else None for each in setups}


# --- effects ------------------------------------------------------------------------------------------------------


def _effects(told: _Told, times: Attribution) -> list[Block]:
    from analysis.changes.effects import attribute
    from analysis.changes.sides import fuel_effects
    from analysis.conditions.setups import described

    season = told.season
    by = f", corrected by {season.factor}" if told.corrected else ", as driven"
    names = [" with ".join(map(str, effect.changes)) for effect in times.effects]
    ticks = tuple((-float(k), cut(name, 60)) for k, name in enumerate(names))
    plot = interval_plot(
        [_of_effect(effect) for effect in times.effects],
        [place for place, _ in ticks],
        Axis(f"Change of the time to {told.to} (left: quicker)", "s"),
        Axis("", ticks=ticks, low=0.5 - len(names), high=0.6, inside=True),
        60,
        f"What {wording.plural(len(names), 'change')} did to the time, with intervals.",
    )
    how = f"An interval that does not reach zero shows an effect. {HOW_TO_READ}"
    out: list[Block] = [
        Words(f"Against {described(times.design.setups[0])}."),
        Figure(f"Effect on the time to {told.to}{by}", plot, how, switches=True),
        _effect_table(times, "s", f"Time to {told.to} from one foot{by}"),
    ]
    mixture = attribute(season.runs, np.array([[run.full_throttle] for run in season.runs]).reshape(-1, 1))
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
    rows = [
        [" with ".join(map(str, effect.changes)), str(effect.runs), *_of_effect(effect).cells]
        for effect in found.effects
    ]
    return Table(title, ["Change", "Runs", unit, "With days", "Runs only"], rows)


def _of_effect(effect: Effect) -> Told:
    i = effect.intervals[0]
    return Told(i.estimate, i.low, i.high, i.run_low, i.run_high)


def _steps(told: _Told) -> list[Block]:
    """Each setup against the one driven before it."""
    from analysis.answers.compare import sides_answer

    rows = []
    for before, after in pairwise(told.sides):
        names = f"{after.name} against {before.name}"
        try:
            answer = sides_answer(told.season, before, after)
        except NoAnswer as error:
            rows.append([names, "", "", "", str(error)])
            continue
        top = answer.splits[-1]
        rows.append([
            names, speed_label(top.speed_mps, told.unit), *of_split(top).cells[:2],
            sentence(answer.sentence),
        ])  # fmt: skip
    title = "Each setup against the one before it, as `pullbook compare` has it"
    return [Table(title, ["", "To", "Seconds", "With days", "Verdict"], rows, left=(4,))]


# --- runs ---------------------------------------------------------------------------------------------------------


def _bests(told: _Told) -> list[Line]:
    """The best run of each of the newest setups as it was driven."""
    season = told.season
    styles = _styles(season.setups)
    out: list[Line] = []
    for each in season.setups[-MOST_SETUPS:]:
        runs = [run for run in season.runs if run.drive in each.drives]
        if (found := best_as_driven(runs, told.speed_mps, season)) is not None:
            out.append(Line(each.name, *found, style=styles[each.name], group=each.name))
    return out


def _traces(bests: Sequence[Line], unit: str) -> list[Block]:
    said = f"of the best run of {wording.plural(len(bests), 'setup')}."
    rows = [[best.label, f"{best.drive.id}:{best.run.n}", speed_label(best.run.peak_mps, unit)] for best in bests]
    table = Table("Which runs these are", ["Setup", "Run", "Peak"], rows, left=(1,))
    over_time, over_way = (
        speed_over_time(bests, unit, f"Speed over time {said}"),
        speed_over_way(bests, unit, f"Speed over distance {said}"),
    )
    return [
        Figure("Speed over time", over_time, "As driven.", table, switches=True),
        Figure("Speed over distance", over_way, switches=True),
    ]


def _gained(told: _Told) -> Figure | None:
    """The mean of each setup, and every run, against the mean of the first setup at every m/s."""
    named = told.sides[-MOST_SETUPS:]
    tops = sorted(float(run.speed_mps[-1]) for run in told.season.runs if len(run.speed_mps))
    if not named or not tops:
        return None
    drawn = [Drawn(side.name, side.runs, k % STYLES, None, "single runs") for k, side in enumerate(named)]
    caption = f"The reference is the mean of {named[0].name}. Strong lines are means of setups, grey ones single runs."
    title = "Against the first setup, speed by speed"
    return behind_plot(drawn, speeds_up_to(tops[len(tops) // 5]), told.unit, "the reference", title, caption, False)


# --- fuel ---------------------------------------------------------------------------------------------------------


def _fuel(season: SeasonRecord) -> list[Block]:
    from logger.units import l_per_100km, mpg_us

    rows = [
        [
            loop.drive, loop.setup,
            wording.with_sigma(l_per_100km(loop.m3_per_m), l_per_100km(loop.m3_per_m) * loop.sigma),
            wording.with_sigma(mpg_us(loop.m3_per_m), mpg_us(loop.m3_per_m) * loop.sigma, 1),
        ]
        for loop in season.loops
    ]  # fmt: skip
    return [Table("Fuel loops", ["Drive", "Setup", "L/100 km", "mpg (US)"], rows, left=(1,))]
