"""The answer of `drives`: the drives of a store at a glance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from analysis.answers.encoding import Answer, Figure, Utc
from analysis.changes.best import common_speed
from analysis.changes.season_record import Outing, SeasonRecord
from analysis.changes.sides import best_typical, full_throttle_of, step_mps
from logger.units import S_PER_MINUTE, l_per_100km, speed_label

NO_SPEED = "no speed"


class DriveGlance(Answer):
    """One drive at a glance."""

    drive: str
    """Its id."""
    started_utc: Utc
    """When it started."""
    minutes: float
    """How long it took [min]."""
    outing: int
    """Drives of one day share its number."""
    setup: str
    """Name of the setup; a dash where none is known."""
    runs: int
    """Standing runs that count."""
    timed: int
    """Those of them that reach the speed."""
    best_s: Figure
    """The fastest time to the speed, from one foot, as driven [s]; null without any."""
    typical_s: Figure
    """The median time to the speed, from one foot, as driven [s]; null without any."""
    full_throttle: Figure
    """Median of what its runs had at full throttle, each in its own pull [channel]; null without any."""
    l_per_100km: Figure
    """Fuel used, where it was a loop [L/100 km]; null elsewhere."""
    air_density_kg_per_m3: Figure
    """Density of the air [kg/m3]; null where the weather is unknown."""
    notes: tuple[str, ...]
    """What was noted on the way."""
    trouble: str
    """Why the drive could not be read for runs; empty where it could."""


class LackingAnswer(Answer):
    """Something that drives with runs lack."""

    what: Literal["weather", "setup"]
    """What is missing."""
    drives: tuple[str, ...]
    """In which drives."""


class OtherCar(Answer):
    """Another car's drives, which `pullbook unpack` put beside."""

    name: str
    """How it is called before a slash: finch/last."""
    path: Path
    """Its own store."""
    drives: int
    """How many."""


class DrivesAnswer(Answer):
    """The drives of a store, by the time they were driven."""

    speed: str
    """The speed timed to, as the owner writes it."""
    speed_mps: Figure
    """The speed timed to [m/s]; null without runs."""
    channel: str
    """The mixture's channel: AFR or lambda."""
    drives: tuple[DriveGlance, ...]
    """One for each drive."""
    lacking: tuple[LackingAnswer, ...]
    """What drives with runs lack."""
    other_cars: tuple[OtherCar, ...]
    """Other people's cars, whose drives are in none of the figures above."""


def drives_answer(season: SeasonRecord, speed_mps: float | None = None) -> DrivesAnswer:
    """The season's drives; `speed_mps` [m/s] by default the highest round one that four of five runs reach."""
    speed = common_speed(season.runs, step_mps(season)) if speed_mps is None else speed_mps
    timed = {run.drive for run in season.runs}
    return DrivesAnswer(
        speed=said_speed(speed, season),
        speed_mps=speed,
        channel=season.channel,
        drives=tuple(_glance(row, season, speed) for row in season.drives),
        lacking=_lacking([row for row in season.drives if row.drive in timed]),
        other_cars=_other_cars(season.store.path) if season.store is not None else (),
    )


def _other_cars(store: Path) -> tuple[OtherCar, ...]:
    from logger.store.cars import other_cars  # here: `season` only says a speed as this verb does
    from logger.store.folders import drive_folders
    from logger.store.manifest import MANIFEST

    return tuple(
        OtherCar(name=path.name, path=path, drives=sum(1 for each in drive_folders(path) if (each / MANIFEST).exists()))
        for path in other_cars(store)
    )


def said_speed(speed_mps: float, season: SeasonRecord) -> str:
    """A speed in the owner's unit, or that there is none."""
    return speed_label(speed_mps, season.unit) if math.isfinite(speed_mps) else NO_SPEED


def _glance(row: Outing, season: SeasonRecord, speed_mps: float) -> DriveGlance:
    runs = [run for run in season.runs if run.drive == row.drive]
    best, typical, count = best_typical(runs, speed_mps)
    used = [loop.m3_per_m for loop in season.loops if loop.drive == row.drive]
    return DriveGlance(
        drive=row.drive,
        started_utc=row.started_utc,
        minutes=row.duration_s / S_PER_MINUTE,
        outing=row.outing,
        setup=row.setup,
        runs=len(runs),
        timed=count,
        best_s=best,
        typical_s=typical,
        full_throttle=full_throttle_of(runs),
        l_per_100km=l_per_100km(used[0]) if used else math.nan,
        air_density_kg_per_m3=row.air.density_kg_per_m3,
        notes=row.notes,
        trouble=row.trouble,
    )


def _lacking(rows: Sequence[Outing]) -> tuple[LackingAnswer, ...]:
    found = (
        LackingAnswer(
            what="weather",
            drives=tuple(row.drive for row in rows if not math.isfinite(row.air.density_kg_per_m3)),
        ),
        LackingAnswer(what="setup", drives=tuple(row.drive for row in rows if row.parts is None)),
    )
    return tuple(each for each in found if each.drives)
