"""All drives of a store as runs that can be compared: what was fitted, which day, which way, what air.

    season = gather(DriveStore(path))
    season.runs          # the runs that count, as `observations.Observation`s
    season.left_out      # those that do not, each with its reason

A season owns its drives: what asks it needs no folder beside it.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import Literal

import numpy as np

from analysis import kept
from analysis.changes import first_look, season_pack
from analysis.changes.full_power import PullLeftOut, full_power, why_not_full
from analysis.changes.full_throttle import RunLeftOut, full_pulls
from analysis.changes.observations import FuelLoop, Observation
from analysis.changes.season_pulls import RunSeen, SeasonPull, entering
from analysis.changes.season_rows import DriveRows, RunRow
from analysis.conditions import roadload, vocabulary
from analysis.conditions.setups import Known, Parts, known
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
from logger.errors import DriveError, InputError, NoAnswer
from logger.store import bulkhead
from logger.units import NS_PER_S, S_PER_DAY, S_PER_HOUR

OUTING_GAP_S = 6 * S_PER_HOUR
"""Drives closer together than this share a day: engine, weather, fuel, driver."""
DEFAULT_FACTOR = "SAE J1349"
_SEASON, _FULL_PULLS = ".season", "full_pulls"
"""What is kept of all drives together, and its file."""


@dataclass(frozen=True)
class Outing:
    """One drive at a glance."""

    drive: str
    started_utc: datetime
    duration_s: float
    setup: str
    parts: Parts | None
    outing: int
    weather: Weather
    air: Air
    channel: str
    """The mixture's: afr or lambda; "" without one."""
    notes: tuple[str, ...]
    runs: tuple[str, ...]
    """Labels of the runs that count."""
    trouble: str = ""
    """Why the drive could not be read for runs."""

    def without(self, labels: set[str]) -> Outing:
        """The drive without some of its runs."""
        return replace(self, runs=tuple(name for name in self.runs if name not in labels))


@dataclass(frozen=True)
class SeasonRecord:
    """All that was driven: the runs that count and those that do not, drives, loops, setups."""

    runs: list[Observation]
    left_out: list[RunLeftOut]
    drives: list[Outing]
    loops: list[FuelLoop]
    unit: Literal["mph", "km/h"]
    """As the newest car file says."""
    factor: str
    """The correction in the runs' `corrected_s`."""
    road: str
    """Where the road load that the correction uses is from."""
    setups: list[Known] = field(default_factory=list)
    """Those driven, one for each set of parts, in the order first driven."""
    store: DriveStore | None = None
    """Where its drives are opened; None for runs that came without drives."""
    caveats: list[str] = field(default_factory=list)
    pulls: list[SeasonPull] = field(default_factory=list)
    """Pulls that may be full ones: those of the runs that count, and rolling ones at whatever throttle."""

    @cached_property
    def _full_power(self) -> tuple[list[SeasonPull], list[PullLeftOut]]:
        if self.store is None or not self.pulls:
            return full_power(self.pulls)
        key = kept.digest_of_values(
            kept.program(),
            [(each.label, each.parts, each.trusted, each.pull.throttle, each.pull.mixture, each.pull.power.tolist())
             for each in self.pulls],
        )  # fmt: skip
        found = kept.read_values(self.store.path, _SEASON, _FULL_PULLS, key)
        reasons = found["reasons"] if found is not None else why_not_full(self.pulls)
        if found is None:
            kept.write_values(self.store.path, _SEASON, _FULL_PULLS, key, {"reasons": reasons})
        return full_power(self.pulls, reasons)

    @property
    def full_pulls(self) -> list[SeasonPull]:
        """The pulls at full throttle, of runs and rolling; told once, over the season."""
        return self._full_power[0]

    @property
    def pulls_left_out(self) -> list[PullLeftOut]:
        """The other pulls, each with its reason."""
        return self._full_power[1]

    @property
    def channel(self) -> str:
        """The mixture channel of most drives; AFR where they differ or have none."""
        channels = [drive.channel for drive in self.drives if drive.channel]
        return "lambda" if channels and all(c == "lambda" for c in channels) else "AFR"

    def drive(self, ref: str) -> AnalysedDrive:
        """The drive called `ref`. DriveError where there is none, or where the runs came without drives."""
        if self.store is None:
            raise DriveError(f"{ref}: these runs have no drive folders")
        return self.store.drive(ref)


def gather(
    store: DriveStore,
    *,
    factor: str = DEFAULT_FACTOR,
    every_run: bool = False,
    progress: Callable[[str], None] = lambda text: None,
) -> SeasonRecord:
    """Read all drives of `store`. `every_run`: runs that look like part throttle count as well.

    `progress` is told what takes long. NoAnswer where the store has no drives, InputError for an unknown `factor`.
    """
    if factor not in STANDARD_AIR:
        raise InputError(f"factor: {factor!r} is not known. Write {' or '.join(STANDARD_AIR)}.")
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
    together = season_pack.Together(store.path)
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
                tuple(run.label for run in mine), found.trouble,
            )
        )  # fmt: skip
    together.keep()
    if not rows:
        raise NoAnswer(f"{store.path}: all {len(drives)} drives in this store are unreadable")
    if not every_run:
        starts = {run.label: run.start_s for run in runs}
        runs, slow = full_pulls(runs)
        left += slow
        gone = {each.label for each in slow}
        rows = [row.without(gone) for row in rows]
        for drive in drives:
            drive.part_throttle = {starts[each.label]: each.reason for each in slow if each.drive == drive.id}
    counts = {run.label for run in runs}
    slow_ones, struck = ({each.label for each in left if getattr(each, name)} for name in ("slow", "struck"))
    all_runs = {drive.id: _seen(drive, found, counts, slow_ones, struck) for drive, found in seen}
    newest = next((drive.car for drive in reversed(drives) if drive.car is not None), None)
    unit = newest.units.speed if newest else "mph"
    setups = known(drive.drive for drive in drives)
    asked = spelling(setups)
    return SeasonRecord(
        runs,
        left,
        rows,
        loops,
        unit,
        factor,
        roads[-1] if roads else "",
        setups,
        store,
        asked,
        entering(_under_one_road(pulls, drives), all_runs),
    )


def spelling(setups: Sequence[Known]) -> list[str]:
    """What to ask about the words of setups that were driven, in the order driven: names and words that are nearly
    others, and names that stand for two sets of parts."""
    said = [f"parts: {each}" for each in vocabulary.season_doubts([each.setup.parts for each in setups])]
    for k, each in enumerate(setups):
        before = [(other.name, other.setup.parts) for other in setups[:k]]
        if twice := vocabulary.reused(each.name, each.setup.parts, before):
            said.append(f"setup {twice}")
    return [f"{each} `pullbook setup FILE --drive DRIVE` corrects a drive's setup" for each in said]


def judge(store: DriveStore, progress: Callable[[str], None] = lambda text: None) -> SeasonRecord | None:
    """Tell each drive of `store` which of its runs were no full pulls, for verbs that ask a drive and not a season.

    Where the season cannot be read, such as by a targets' file that is wrong, drives stay as they are, and it is None.
    """
    with contextlib.suppress(InputError, NoAnswer):
        return gather(store, progress=progress)
    return None


def label(drive: str, run: int) -> str:
    """How a run is called on the command line."""
    return f"{drive}:{run}"


def tagged(season: SeasonRecord, having: Sequence[str], lacking: Sequence[str]) -> SeasonRecord:
    """The season by the runs that have all tags of `having` and none of `lacking`; the others are left out, and said.

    InputError for a tag that no run has.
    """
    known = {tag for run in season.runs for tag in run.tags}
    if unknown := [tag for tag in (*having, *lacking) if tag not in known]:
        there = ", ".join(sorted(known)) or "none"
        raise InputError(f"tag: no counted run is tagged {unknown[0]!r}. Tags: {there}.")
    kept: list[Observation] = []
    out: list[RunLeftOut] = []
    for run in season.runs:
        missing = [f"not tagged {tag}" for tag in having if tag not in run.tags]
        missing += [f"tagged {tag}" for tag in lacking if tag in run.tags]
        if missing:
            out.append(RunLeftOut(run.label, run.drive, " and ".join(missing), False))
        else:
            kept.append(run)
    gone = {each.label for each in out}
    rows = [row.without(gone) for row in season.drives]
    # A rolling pull between a tagged run and another may be of either: it goes out with both.
    pulls = [
        each
        for each in season.pulls
        if each.label not in gone
        and all(tag in each.tags for tag in having)
        and not any(tag in each.near_tags for tag in lacking)
    ]
    return replace(season, runs=kept, left_out=[*season.left_out, *out], drives=rows, pulls=pulls)


def side_runs(season: SeasonRecord, labels: Sequence[str]) -> list[Observation]:
    """The runs called so, in the season's order."""
    wanted = set(labels)
    return [run for run in season.runs if run.label in wanted]


# --- drives -------------------------------------------------------------------------------------------------------


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
