"""The careful way to a season: every drive of a store opened, and its rows read or worked out."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from analysis.changes import first_look, season_pack
from analysis.changes.full_throttle import RunLeftOut, full_pulls
from analysis.changes.observations import FuelLoop, Observation
from analysis.changes.season_pulls import RunSeen, SeasonPull, entering
from analysis.changes.season_record import Outing, SeasonRecord, label
from analysis.changes.season_rows import DriveRows, RunRow
from analysis.conditions import roadload, vocabulary
from analysis.conditions.setups import Known, known
from analysis.conditions.weather import (
    STANDARD_AIR,
    Air,
    Weather,
    WeatherError,
    air_of,
    corrected_of_many,
    headwind,
)
from analysis.drive import SAME_RUN_S, AnalysedDrive
from analysis.store import DriveStore
from logger.config.car import car_key
from logger.errors import InputError, NoAnswer
from logger.store import bulkhead
from logger.units import NS_PER_S, S_PER_DAY, S_PER_HOUR

OUTING_GAP_S = 6 * S_PER_HOUR
"""Drives closer together than this share a day: engine, weather, fuel, driver."""


def gathered(
    store: DriveStore, factor: str, every_run: bool, progress: Callable[[str], None]
) -> tuple[SeasonRecord, bool]:
    """The season as its drives tell it, and whether every one of them could be read."""
    drives = store.drives
    if not drives:
        raise NoAnswer(f"{store.path}: there is no drive in this store yet")
    numbers = outings(
        (drive.drive.manifest.started_utc.timestamp(), drive.drive.manifest.ended_utc.timestamp()) for drive in drives
    )
    runs: list[Observation] = []
    left: list[RunLeftOut] = []
    rows: list[Outing] = []
    loops: list[FuelLoop] = []
    roads: list[str] = []
    pulls: list[SeasonPull] = []
    seen: list[tuple[AnalysedDrive, Sequence[RunRow]]] = []
    together = season_pack.Together(store.path, store.keep_lesson)
    first_look.look(store, together.unknown(store), progress)

    def read(of: tuple[int, AnalysedDrive]) -> tuple[DriveRows, Weather, Air, list[Observation], list[RunLeftOut]]:
        at, drive = of
        found = together.rows(drive, lambda text: progress(f"{text} ({at + 1} of {len(drives)})"))
        weather, air = _weather(drive)
        return found, weather, air, *_observations(drive, numbers[at], found.runs, weather, air, factor, roads)

    told = bulkhead.each(enumerate(drives), read, name=lambda of: of[1].id)
    for (at, drive), (found, weather, air, mine, out) in told:
        runs += mine
        left += out
        pulls += _pulls(drive, numbers[at], found, air.factors.get(factor, math.nan))
        seen.append((drive, found.runs))
        if math.isfinite(found.m3_per_m):
            loops.append(
                FuelLoop(drive.id, drive.setup_name, drive.parts, numbers[at], found.m3_per_m, found.fuel_sigma)
            )  # fmt: skip
        manifest = drive.drive.manifest
        rows.append(
            Outing(
                drive.id, manifest.started_utc, manifest.duration_s, drive.setup_name, drive.parts, numbers[at],
                weather, air, found.channel, tuple(note.text for note in manifest.notes),
                tuple(run.label for run in mine), found.trouble, drive.car.car.mass_kg if drive.car else math.nan,
            )
        )  # fmt: skip
    together.keep()
    if not rows:
        raise NoAnswer(f"{store.path}: all {len(drives)} drives in this store are unreadable")
    if not every_run:
        runs, slow = full_pulls(runs)
        left += slow
        gone = {each.label for each in slow}
        rows = [row.without(gone) for row in rows]
    counts = {run.label for run in runs}
    slow_ones, struck = ({each.label for each in left if getattr(each, name)} for name in ("slow", "struck"))
    all_runs = {drive.id: _seen(drive, found, counts, slow_ones, struck) for drive, found in seen}
    newest = next((drive.car for drive in reversed(drives) if drive.car is not None), None)
    setups = known(drive.drive for drive in drives)
    asked = spelling(setups)
    season = SeasonRecord(
        runs,
        left,
        rows,
        loops,
        newest.units.speed if newest else "mph",
        factor,
        roads[-1] if roads else "",
        setups,
        store,
        asked,
        entering(_under_one_road(pulls, drives), all_runs),
        roadload.of(newest, STANDARD_AIR[factor]),
        together.keys,
    )
    return season, len(rows) == len(drives) and not store.unread


def spelling(setups: Sequence[Known]) -> list[str]:
    """What to ask about the words of setups that were driven, in the order driven: names and words that are nearly
    others, and names that stand for two sets of parts."""
    said = [f"parts: {each}" for each in vocabulary.season_doubts([each.setup.parts for each in setups])]
    for k, each in enumerate(setups):
        before = [(other.name, other.setup.parts) for other in setups[:k]]
        if twice := vocabulary.reused(each.name, each.setup.parts, before):
            said.append(f"setup {twice}")
    return [f"{each} `pullbook setup FILE --drive DRIVE` corrects a drive's setup" for each in said]


def outings(spans: Iterable[tuple[float, float]]) -> list[int]:
    """The outing of each drive, by when the drives began and ended [s], in order of time.

    A drive counts for a day at most: one that claims years would make one outing of all that came after it.
    """
    numbers: list[int] = []
    end = -math.inf
    for begun, ended in spans:
        numbers.append((numbers[-1] if numbers else -1) + (begun - end > OUTING_GAP_S))
        end = max(end, min(ended, begun + S_PER_DAY))
    return [max(number, 0) for number in numbers]


def _pulls(drive: AnalysedDrive, outing: int, found: DriveRows, factor: float) -> list[SeasonPull]:
    return [
        SeasonPull(
            label(drive.id, pull.run) if pull.run else f"{drive.id}:p{pull.n}", drive.id, drive.setup_name, drive.parts,
            outing, pull, factor=factor,
        )
        for pull in found.pulls
    ]  # fmt: skip


def _under_one_road(pulls: Sequence[SeasonPull], drives: Sequence[AnalysedDrive]) -> list[SeasonPull]:
    """The pulls under their car's newest road load: a guess here against coasts there would look like power."""
    newest = {car_key(drive.car.car.name): drive.car for drive in drives if drive.car is not None}
    loads = {}
    for drive in drives:
        with contextlib.suppress(NoAnswer, InputError):
            car = newest[car_key(drive.car.car.name)] if drive.car is not None else None
            loads[drive.id] = roadload.of(car, drive.air.density_kg_per_m3)
    return [  # most lie under it already
        each
        if loads.get(each.drive, each.pull.road) == each.pull.road
        else replace(each, pull=replace(each.pull, road=loads[each.drive]))
        for each in pulls
    ]


def _seen(
    drive: AnalysedDrive, found: Sequence[RunRow], counts: set[str], slow: set[str], struck: set[str]
) -> list[RunSeen]:
    """All standing runs of a drive, as its pulls need them."""
    out = []
    for run in found:
        name, start = label(drive.id, run.n), run.start_utc_ns / NS_PER_S
        out.append(RunSeen(name, start, _tags(drive, start), name in counts, name in slow, name in struck))
    return out


def _tags(drive: AnalysedDrive, start_s: float) -> tuple[str, ...]:
    """What the run that began then is tagged with."""
    tags = drive.drive.manifest.tags
    return tuple(each.tag for each in tags if abs(each.run_start_utc.timestamp() - start_s) < SAME_RUN_S)


def _weather(drive: AnalysedDrive) -> tuple[Weather, Air]:
    try:
        return drive.weather, drive.standard
    except WeatherError:
        return Weather(), air_of(Weather(), drive.car.car.elevation_m if drive.car else None)


def _observations(
    drive: AnalysedDrive,
    outing: int,
    found: Sequence[RunRow],
    weather: Weather,
    air: Air,
    factor: str,
    roads: list[str],
) -> tuple[list[Observation], list[RunLeftOut]]:
    manifest = drive.drive.manifest
    day = standard = None
    if air.factors:
        day = roadload.of(drive.car, air.density_kg_per_m3)
        standard = roadload.of(drive.car, STANDARD_AIR[factor])
        roads.append(day.source)
    mine, out = [], []
    for run in found:
        name = label(drive.id, run.n)
        start = run.start_utc_ns / NS_PER_S
        struck = next((s for s in manifest.struck if abs(s.run_start_utc.timestamp() - start) < SAME_RUN_S), None)
        if struck is not None:
            out.append(RunLeftOut(name, drive.id, struck.reason, True))
            continue
        if not run.clean:
            out.append(RunLeftOut(name, drive.id, run.ended, False))
            continue
        if len(run.speed_mps) < 2:
            out.append(RunLeftOut(name, drive.id, "its first foot of movement was not recorded", False))
            continue
        against = math.nan
        if weather.wind_mps is not None and weather.wind_from_deg is not None:
            against = headwind(weather.wind_mps, weather.wind_from_deg, run.direction_deg)
        mine.append(Observation(
            name, drive.setup_name, drive.parts, drive.id, outing, start, run.direction_deg, run.speed_mps,
            run.time_s, run.sigma_s, None, run.grade_percent, against,
            math.nan if weather.wind_mps is None else weather.wind_mps, run.full_throttle, run.rise_s, run.soft,
            run.throttle, tags=_tags(drive, start),
        ))  # fmt: skip
    if day is not None and standard is not None:
        mine = _corrected(mine, air.factors[factor], day, standard)
    return mine, out


def _corrected(
    runs: Sequence[Observation], factor: float, day: roadload.RoadLoad, standard: roadload.RoadLoad
) -> list[Observation]:
    """A drive's runs with their times in standard air; those told at the same speeds at once."""
    out = list(runs)
    alike: dict[bytes, list[int]] = {}
    for at, run in enumerate(runs):
        alike.setdefault(run.speed_mps.tobytes(), []).append(at)
    for some in alike.values():
        grade = np.array([out[at].grade_percent for at in some]) / 100
        both = corrected_of_many(
            out[some[0]].speed_mps, np.array([out[at].time_s for at in some]), factor, day, standard,
            np.where(np.isfinite(grade), grade, 0.0),
        )  # fmt: skip
        for at, launched, held in zip(some, *both, strict=True):
            out[at] = replace(out[at], corrected_s=launched, unlaunched_s=held)
    return out
