"""The report of a season: all drives of a store, with the figures of `season`, `drives`, `effects` and `plan`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.answers.sentences import changed, outlay_rows, outlay_title, power_by_setup_line, power_word
from analysis.changes.observations import Observation
from analysis.drive import AnalysedDrive
from analysis.report.behind import Drawn, behind_plot, speeds_up_to
from analysis.report.has import mixture_of
from analysis.report.intervals import HOW_TO_READ, interval_plot, of_measure, of_split
from analysis.report.mixture_section import along_best, mixture_blocks
from analysis.report.page import Block, Bullets, Figure, Page, Section, Table, Words, judgement_first
from analysis.report.plots import STYLES, Axis, Series, cut, draw
from analysis.report.sections import background_of, cautions, footer, plan_blocks, weather_blocks
from analysis.report.traces import RunLine, best_as_driven, over_way, run_called, speed_over_time
from analysis.runs.run import Run
from analysis.wording import sentence
from logger.errors import NoAnswer
from logger.units import S_PER_MINUTE, l_per_100km, mpg_us, speed_label

if TYPE_CHECKING:
    from analysis.answers.drives import DrivesAnswer
    from analysis.answers.effects import EffectsAnswer, FigureEffect, TimeEffect
    from analysis.answers.mixture import MixtureAnswer
    from analysis.answers.season import SeasonAnswer, SetupSeason
    from analysis.changes.observations import Side
    from analysis.changes.season import SeasonRecord
    from analysis.conditions.setups import Known


MOST_SETUPS = 6
"""So many setups get a colour each; of more, the newest do."""


@dataclass(frozen=True)
class _Told:
    """A season, and the answers that its page shows."""

    season: SeasonRecord
    by_setup: SeasonAnswer
    by_drive: DrivesAnswer
    effects: EffectsAnswer | None
    """None with fewer than two setups."""
    sides: list[Side]
    """The setups that have runs."""
    quickest: tuple[AnalysedDrive, Run] | None
    """The best run of the season in its drive, and that drive's mixture."""
    mixture: MixtureAnswer | None

    @property
    def to(self) -> str:
        """The speed that times are to, in words."""
        return self.by_setup.speed

    @property
    def speed_mps(self) -> float:
        """The same [m/s]; NaN where no run counts."""
        return self.by_setup.speed_mps


def season_page(season: SeasonRecord, speed_mps: float | None = None) -> Page:
    """The page of all drives of a season; times are to `speed_mps`, by default what four of five runs reach."""
    told = _told(season, speed_mps)
    first, last = season.drives[0].started_utc, season.drives[-1].started_utc
    return Page(
        title=f"{_car(season)}: {wording.day(first)} to {wording.day(last)}",
        subtitle="Season",
        verdict=_verdict(told),
        caveats=_caveats(told),
        why=_why(told),
        facts=[
            ("Drives", str(len(season.drives))),
            ("Days", str(len({row.outing for row in season.drives}))),
            ("Runs", f"{len(season.runs) + len(season.left_out)}, {len(season.runs)} counted"),
            ("Setups", str(len(season.setups))),
            ("Driven", wording.duration(sum(row.duration_s for row in season.drives))),
        ],
        sections=[section for section in _sections(told, speed_mps) if section.blocks],
        cautions=cautions([told.mixture]),
        footer=footer(),
    )


def _told(season: SeasonRecord, speed_mps: float | None) -> _Told:
    from analysis.answers.drives import drives_answer
    from analysis.answers.season import season_answer
    from analysis.changes.sides import setup_side

    by_setup = season_answer(season, speed_mps)
    best = by_setup.personal_best
    quickest = run_called(best.label, season) if best is not None else None
    return _Told(
        season,
        by_setup,
        drives_answer(season, speed_mps),
        _effects_of(season, speed_mps),
        [side for each in season.setups if (side := setup_side(each, season)).runs],
        quickest,
        mixture_of(quickest[0], season.unit) if quickest is not None else None,
    )


def _effects_of(season: SeasonRecord, speed_mps: float | None) -> EffectsAnswer | None:
    from analysis.answers.effects import effects_answer

    try:
        return effects_answer(season, None if speed_mps is None else [speed_mps]) if season.runs else None
    except NoAnswer:
        return None


def _car(season: SeasonRecord) -> str:
    drives = season.store.drives if season.store is not None else []
    return next((drive.car.car.name for drive in reversed(drives) if drive.car is not None), "Car not named")


def _sections(told: _Told, speed_mps: float | None) -> list[Section]:
    season = told.season
    days = [(row.started_utc, row.weather, row.air) for row in season.drives]
    return [
        Section("driven", "Drives and setups", [*_timeline(told), *_with_what(told)]),
        Section("effects", "What each change did", _effects(told)),
        Section("steps", "Setup by setup", _steps(told)),
        Section("traces", f"The best run of each setup to {told.to}", _traces(told)),
        Section("gained", "Time gained and lost", _gained(told)),
        Section("mixture", "Mixture", _mixture(told)),
        Section("fuel", "Fuel", _fuel(season)),
        Section("weather", "Weather", weather_blocks(days, season.unit)),
        Section("plan", "The next outing", plan_blocks(season, speed_mps)),
    ]


# --- the verdict --------------------------------------------------------------------------------------------------


def _verdict(told: _Told) -> list[str]:
    if not told.season.runs:
        return ["No standing run of this season is counted yet. `pullbook runs` says why for each drive."]
    said = _headline(told.effects, told.to) if told.effects is not None else []
    if line := power_by_setup_line(told.by_setup):
        said.append(line)
    said += _effects_said(told.effects) if told.effects is not None else []
    best = told.by_setup.personal_best
    if best is not None:
        said.append(
            f"The best run to {told.to}, {best.label} with {best.time_s:.2f} s ({best.setup}), is {best.sentence}."
        )
    return [sentence(line) for line in said]


def _headline(found: EffectsAnswer, to: str) -> list[str]:
    """How many changes show an effect on the time, in one line."""
    known = [each.effects[0] for each in found.time if math.isfinite(each.effects[0].low)]
    shown = sum(each.high < 0 or each.low > 0 for each in known)
    if not known:
        return []
    if len(known) == 1:
        return [f"The change shows {'a' if shown else 'no'} difference in the time to {to}."]
    who = f"{shown} of {len(known)}" if shown else f"None of the {len(known)}"
    return [f"{who} changes {'shows' if shown < 2 else 'show'} a difference in the time to {to}."]


def _effects_said(found: EffectsAnswer) -> list[str]:
    """What each change did to the time: first what is shown, then what is not, then what cannot be told apart."""
    said: list[str] = []
    open_ones: list[str] = []
    for effect in found.time:
        i = effect.effects[0]
        what = f"With {changed(effect.changes)}:"
        if not math.isfinite(i.difference):
            continue
        if not math.isfinite(i.low):
            said.append(f"{what} {wording.signed(i.difference)} s to {i.speed}, but how much days differ is unknown.")
        elif i.high < 0 or i.low > 0:
            word = "quicker" if i.high < 0 else "slower"
            said.append(f"{what} {abs(i.difference):.2f} s {word} to {i.speed} ({wording.interval(i.low, i.high)}).")
        else:
            open_ones.append(f"{what} no difference shown to {i.speed} ({wording.interval(i.low, i.high)} s).")
    return [*said, *open_ones, *(f"{' and '.join(group)} {_TANGLED}" for group in found.tangled)]


_TANGLED = "always changed together, so these drives cannot separate them."


def _caveats(told: _Told) -> list[str]:
    season = told.season
    lines = list(told.effects.caveats if told.effects is not None else season.caveats)
    lines = [line for line in lines if line not in background_of(told.effects)]
    folder = season.store.path if season.store is not None else None
    for row in told.by_drive.drives:
        if row.trouble:
            lines.append(f"{row.drive}: {wording.without_folder(row.trouble, folder) if folder else row.trouble}")
    if without := told.by_setup.drives_without_setup:
        drives = wording.plural(len(without), "drive")
        lines.append(f"{drives} without a setup. `pullbook setup FILE --drive DRIVE` adds it.")
    return [sentence(line) for line in dict.fromkeys(lines)]


def _why(told: _Told) -> list[str]:
    """How the figures were worked out, and which runs are not counted."""
    struck = [each for each in told.season.left_out if each.struck]
    lines = list(background_of(told.effects))
    lines += [f"{each.label} is struck out: {each.reason}" for each in struck]
    if others := len(told.season.left_out) - len(struck):
        lines.append(f"{wording.plural(others, 'run')} not counted: broken off, not plausible, or at part throttle")
    return [sentence(line) for line in dict.fromkeys(lines)]


# --- what was driven ----------------------------------------------------------------------------------------------


def _with_what(told: _Told) -> list[Block]:
    answer, unit = told.by_setup, told.season.unit
    paid = any(each.cost is not None or each.hours is not None for each in answer.setups)
    heads = ["Setup", "Days", "Runs", "Best", "Typical", answer.channel, wording.fuel_use_unit(unit)]
    heads += ["Cost", "Hours", "Changed"] if paid else ["Changed"]
    title = (
        f"Setups; best and typical (median) seconds to {told.to} as driven, {answer.channel} at full throttle, "
        f"{wording.FULL_THROTTLE_OF_RUNS}"
    )
    rows = [_setup_row(each, paid, unit) for each in answer.setups]
    out: list[Block] = [Table(title, heads, rows, left=(len(heads) - 1,))]
    if (parts := _parts_table(answer.setups)) is not None:
        out.append(parts)
    return [*out, _drives_table(told)]


def _setup_row(each: SetupSeason, paid: bool, unit: str) -> list[str]:
    from analysis.conditions.setups import shown

    spent = [wording.NONE if value is None else f"{value:g}" for value in (each.cost, each.hours)]

    changed = "; ".join(f"{part} {shown(pair.a)} \u2192 {shown(pair.b)}" for part, pair in each.changed.items())
    return [
        each.setup, str(each.outings), str(each.runs), wording.number(each.best_s), wording.number(each.typical_s),
        wording.number(each.full_throttle), wording.fuel_use(each.l_per_100km, unit), *(spent if paid else ()),
        changed or wording.NONE,
    ]  # fmt: skip


def _parts_table(setups: Sequence[SetupSeason]) -> Table | None:
    from analysis.conditions.setups import shown

    parts = list(dict.fromkeys(part for each in setups for part in each.parts))
    rows = [[part, *(shown(each.parts.get(part)) for each in setups)] for part in parts]
    return Table("Parts of each setup", ["Part", *(each.setup for each in setups)], rows, folded=True) if rows else None


def _drives_table(told: _Told) -> Table:
    rows = [
        [
            row.drive, row.setup, wording.duration(row.minutes * S_PER_MINUTE), str(row.runs),
            wording.number(row.best_s), wording.number(row.typical_s), "; ".join(row.notes),
        ]
        for row in told.by_drive.drives
    ]  # fmt: skip
    heads = ["Drive", "Setup", "Length", "Runs", "Best", "Typical", "Notes"]
    return Table(f"Drives; seconds to {told.to} as driven", heads, rows, left=(1, 6), folded=len(rows) > 15)


def _timeline(told: _Told) -> list[Block]:
    """The time of every run, outing by outing."""
    season = told.season
    if not season.runs:
        return []
    styles = _styles(season.setups)
    outings = sorted({run.outing for run in season.runs})
    series = []
    for name, points in _by_outing(told, outings).items():
        across, y, late = (np.array(column) for column in zip(*points, strict=True))
        series.append(Series(name, across, y, y - late, y + late, styles.get(name), "points", direct=False, group=name))
    begun = {row.outing: row.started_utc for row in reversed(season.drives)}
    every = max(1, math.ceil(len(outings) / 8))
    ticks = tuple((float(k), f"{begun[o]:%m-%d}") for k, o in list(enumerate(outings))[::every])
    plot = draw(
        series,
        Axis("Day", low=-0.6, high=len(outings) - 0.4, ticks=ticks),
        Axis(f"Time to {told.to}", "s"),
        said=f"The time to {told.to} of {len(season.runs)} runs on {wording.plural(len(outings), 'day')}.",
    )
    caption = "Every counted run, as driven, \u00b1 one standard deviation of its measurement. Each column is a day."
    return [Figure(f"The season: seconds from one foot to {told.to}", plot, caption, switches=True)]


def _by_outing(told: _Told, outings: Sequence[int]) -> dict[str, list[tuple[float, float, float]]]:
    """Setup -> place across the plot, time and its standard deviation of each run; a day's runs stand beside each
    other."""
    runs, at = told.season.runs, np.array([told.speed_mps])
    counts = {outing: sum(run.outing == outing for run in runs) for outing in outings}
    seen: dict[int, int] = {}
    out: dict[str, list[tuple[float, float, float]]] = {}
    for run in runs:
        nth = seen[run.outing] = seen.get(run.outing, -1) + 1
        x = outings.index(run.outing) + (nth / max(counts[run.outing] - 1, 1) - 0.5) * 0.6
        point = (x, float(run.time_to(at)[0]), float(run.sigma_to(at)[0]))
        out.setdefault(_setup_of(run, told.season.setups), []).append(point)
    return out


def _setup_of(run: Observation, setups: Sequence[Known]) -> str:
    return next((each.name for each in setups if run.drive in each.drives), "no setup")


def _styles(setups: Sequence[Known]) -> dict[str, int | None]:
    """A style for each of the newest setups; None, grey, for the others."""
    newest = [each.name for each in setups][-MOST_SETUPS:]
    return {each.name: newest.index(each.name) % STYLES if each.name in newest else None for each in setups}


# --- effects ------------------------------------------------------------------------------------------------------


def _effects(told: _Told) -> list[Block]:
    from analysis.conditions.setups import described

    found = told.effects
    if found is None or not found.time:
        return []
    by = wording.judged_by(found.corrected_by)
    out: list[Block] = [
        Words(f"Compared with {described(found.base)}."),
        *([_power_table(found)] if found.power else []),
        _effects_figure(found.time, told.to, by),
        _effect_table(found.time, "s", f"Time to {told.to} from one foot{by}"),
    ]
    if rows := outlay_rows(found.time):
        out.append(Table(outlay_title(found.time), ["Change", "It took", "s for each", "95 %"], rows))
    if found.mixture:
        out.append(_effect_table(found.mixture, found.channel, "Mixture at full throttle, in each run's pull"))
    if found.fuel:
        out.append(_effect_table(found.fuel, "L/100 km", "Fuel"))
    tangled = [f"{' and '.join(group)} {_TANGLED}" for group in found.tangled]
    return [*out, Bullets(tangled or ["No parts always changed together, so each effect is that of its own part."])]


def _power_table(found: EffectsAnswer) -> Table:
    rows = [
        [
            changed(each.changes), str(each.runs), wording.percent(each.change),
            wording.percent_span(each.low, each.high), power_word(each.low, each.high),
        ]
        for each in found.power
    ]  # fmt: skip
    title = "Power at the wheels, from every full pull, standing and rolling"
    return judgement_first(title, ["Change", "Pulls", "Power %", "With days", "Shown"], rows)


def _effects_figure(found: Sequence[TimeEffect], to: str, by: str) -> Figure:
    ticks = tuple((-float(k), cut(changed(effect.changes), 60)) for k, effect in enumerate(found))
    plot = interval_plot(
        [of_measure(effect.effects[0]) for effect in found],
        [place for place, _ in ticks],
        Axis(f"Change of the time to {to} (left: quicker)", "s"),
        Axis("", ticks=ticks, low=0.5 - len(found), high=0.6, inside=True),
        60,
        f"What {wording.plural(len(found), 'change')} did to the time, with intervals.",
    )
    how = f"An interval that stays clear of zero shows an effect. {HOW_TO_READ}"
    return Figure(f"Effect on the time to {to}{by}", plot, how, switches=True)


def _effect_table(found: Sequence[TimeEffect | FigureEffect], unit: str, title: str) -> Table:
    rows = [[changed(effect.changes), str(effect.runs), *of_measure(effect.effects[0]).cells] for effect in found]
    return Table(title, ["Change", "Runs", unit, "With days", "Runs only"], rows)


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
        rows.append([names, top.speed, *of_split(top).cells[:2], sentence(answer.sentence)])
    title = "Each setup against the one before it, by `pullbook compare`"
    return [judgement_first(title, ["", "To", "Seconds", "With days", "Verdict"], rows)] if rows else []


# --- runs ---------------------------------------------------------------------------------------------------------


def _traces(told: _Told) -> list[Block]:
    """The best run of each of the newest setups as it was driven."""
    season, unit = told.season, told.season.unit
    styles = _styles(season.setups)
    bests: list[RunLine] = []
    for each in season.setups[-MOST_SETUPS:]:
        runs = [run for run in season.runs if run.drive in each.drives]
        if (found := best_as_driven(runs, told.speed_mps, season)) is not None:
            bests.append(RunLine(each.name, *found, style=styles[each.name], group=each.name))
    if not bests:
        return []
    said = f"of the best run of {wording.plural(len(bests), 'setup')}."
    rows = [[best.label, f"{best.drive.id}:{best.run.n}", speed_label(best.run.peak_mps, unit)] for best in bests]
    table = Table("Which runs these are", ["Setup", "Run", "Peak"], rows, left=(1,))
    over_time = speed_over_time(bests, unit, f"Speed over time {said}")
    return [
        Figure("Speed over time", over_time, "As driven.", table, switches=True),
        over_way(bests, unit, bests[0], bests[0].label, said.removeprefix("of ").removesuffix(".")),
    ]


def _gained(told: _Told) -> list[Block]:
    """The mean of each setup, and every run, against the mean of the first setup at every m/s."""
    named = told.sides[-MOST_SETUPS:]
    tops = sorted(float(run.speed_mps[-1]) for run in told.season.runs if len(run.speed_mps))
    if not named or not tops:
        return []
    drawn = [Drawn(side.name, side.runs, k % STYLES, None, "single runs") for k, side in enumerate(named)]
    caption = f"The reference is the mean of {named[0].name}. Thick lines are means, grey lines single runs."
    title = "Against the first setup, speed by speed"
    speeds = speeds_up_to(tops[len(tops) // 5])
    figure = behind_plot(drawn, speeds, told.season.unit, "the reference", title, caption, False)
    return [figure] if figure is not None else []


# --- mixture and fuel ---------------------------------------------------------------------------------------------


def _mixture(told: _Told) -> list[Block]:
    if told.quickest is None or told.mixture is None:
        return []
    drive, run = told.quickest
    return [
        Words(f"From drive {drive.id}, which has the best run of the season."),
        *mixture_blocks(told.mixture), *along_best(drive, told.mixture, run),
    ]  # fmt: skip


def _fuel(season: SeasonRecord) -> list[Block]:
    rows = [
        [
            loop.drive, loop.setup,
            wording.with_sigma(l_per_100km(loop.m3_per_m), l_per_100km(loop.m3_per_m) * loop.sigma),
            wording.with_sigma(mpg_us(loop.m3_per_m), mpg_us(loop.m3_per_m) * loop.sigma, 1),
        ]
        for loop in season.loops
    ]  # fmt: skip
    return [Table("Fuel loops", ["Drive", "Setup", "L/100 km", "mpg (US)"], rows, left=(1,))] if rows else []
