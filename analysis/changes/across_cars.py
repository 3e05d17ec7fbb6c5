"""Two cars held against each other: what another car does against the owner's, and which questions hold for one car.

    if is_across(store, "baseline", "finch/baseline"):
        season, first, second = two_cars(store, "baseline", "finch/baseline")
        sides_answer(season, first, second)

Each side is read in its own store, with its own season, habits, receiver and road load; nothing that one car taught is
used for the other. What differs between the sides is the car as a whole, so their setups stand as one part called
`car`: no other part's effect can be told across two cars, nor power, which is worked out under each car's own road
load. Ways are those of two roads, and tell nothing of each other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.changes.observations import Observation, Side
from analysis.changes.season import DEFAULT_FACTOR, SeasonRecord, gather, tagged
from analysis.changes.sides import side
from analysis.conditions.setups import Parts
from logger.config.car import car_key
from logger.errors import InputError, NoAnswer
from logger.store.cars import split_ref
from logger.store.names import CARS

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.store import DriveStore


def is_across(store: Path, a: str, b: str) -> bool:
    """Whether one of two sides is of another car of the store, named as `finch/baseline`."""
    return split_ref(store, a) is not None or split_ref(store, b) is not None


def two_cars(
    store: DriveStore,
    a: str,
    b: str,
    *,
    factor: str = DEFAULT_FACTOR,
    every_run: bool = False,
    having: Sequence[str] = (),
    lacking: Sequence[str] = (),
    progress: Callable[[str], None] = lambda text: None,
) -> tuple[SeasonRecord, Side, Side]:
    """Both sides, and a season of nothing else; of one car, as that car's season has them.

    InputError for a name that is unknown, NoAnswer where a side has no run that counts.
    """
    (store_a, ref_a), (store_b, ref_b) = _where(store, a), _where(store, b)

    def read(of: DriveStore) -> SeasonRecord:
        found = gather(of, factor=factor, every_run=every_run, progress=progress)
        return tagged(found, having, lacking) if having or lacking else found

    season_a = read(store_a)
    season_b = season_a if store_b is store_a else read(store_b)
    first, second = side(ref_a, season_a), side(ref_b, season_b)
    for each, ref in ((first, a), (second, b)):
        if not each.runs:
            raise NoAnswer(f"{ref}: it has no standing run that is counted")
    if store_b is store_a:
        if twice := sorted({run.label for run in first.runs} & {run.label for run in second.runs}):
            raise InputError(f"Run {twice[0]} is on both sides, {a} and {b}. Name each run on one side only.")
        return season_a, first, second
    names = _named(store_a, season_a), _named(store_b, season_b)
    if car_key(names[0]) == car_key(names[1]):
        names = f"{names[0]} of {_called(store_a)}", f"{names[1]} of {_called(store_b)}"
    apart = max((run.outing for run in first.runs), default=0) + 1
    mixture = season_a.channel == season_b.channel
    first = _as_one_car(first, a, names[0], _before(a), 0, mixture)
    second = _as_one_car(second, b, names[1], _before(b), apart, mixture)
    return _of_both((season_a, season_b), (first, second), names), first, second


def one_car(drives: Sequence[AnalysedDrive], verb: str) -> None:
    """InputError where drives are of two cars, and what the verb tells holds for one."""
    told: dict[tuple[str, str], AnalysedDrive] = {}
    for drive in drives:
        folder = drive.drive.path.resolve().parent
        apart = folder.name if folder.parent.name == CARS else ""
        told.setdefault((apart, car_key(drive.car.car.name) if drive.car else ""), drive)
    places, names = {place for place, _ in told}, {name for _, name in told if name}
    if len(places) > 1 or len(names) > 1:
        first, second = list(told.values())[:2]
        raise InputError(
            f"{first.id} and {second.id} are of two cars ({_car_of(first)}, {_car_of(second)}), and {verb} "
            f"takes one car. "
            "`pullbook compare` compares two cars."
        )


def _car_of(drive: AnalysedDrive) -> str:
    return drive.car.car.name if drive.car else "no car's file"


def _where(store: DriveStore, ref: str) -> tuple[DriveStore, str]:
    other = split_ref(store.path, ref)
    return (store.other_car(other[0]), other[1]) if other else (store, ref)


def _before(ref: str) -> str:
    """What stands before the names of a side's drives: the other car's name and a slash; nothing for the own one."""
    car, slash, _ = ref.partition("/")
    return f"{car}/" if slash else ""


def _named(store: DriveStore, season: SeasonRecord) -> str:
    """The car's name, by its newest drive; what its folder is called where no drive says it."""
    newest = next((drive.car for drive in reversed(store.drives) if drive.car is not None), None)
    return newest.car.name if newest is not None else _called(store)


def _called(store: DriveStore) -> str:
    return store.path.name if store.path.parent.name == CARS else "this store"


def _as_one_car(of: Side, ref: str, car: str, before: str, later: int, mixture: bool) -> Side:
    """A side whose only part is its car; without its `mixture`, where that is not in the other's unit."""
    parts: Parts = {"car": car}

    def moved(run: Observation) -> Observation:
        return replace(
            run, label=before + run.label, drive=before + run.drive, setup=ref, parts=parts, outing=run.outing + later,
            direction_deg=math.nan, full_throttle=run.full_throttle if mixture else math.nan,
        )  # fmt: skip

    loops = [
        replace(each, drive=before + each.drive, setup=ref, parts=parts, outing=each.outing + later)
        for each in of.loops
    ]  # fmt: skip
    return Side(ref, [moved(run) for run in of.runs], parts, loops, tuple(before + each for each in of.drives))


def _of_both(
    seasons: tuple[SeasonRecord, SeasonRecord], sides: tuple[Side, Side], names: tuple[str, str]
) -> SeasonRecord:
    mine, theirs = seasons
    said = [
        f"{names[0]} and {names[1]} are different cars. This compares the whole cars with their drivers and roads, and "
        "no single part",
        "power is not compared, because each car's is worked out with its own road load",
    ]
    if mine.channel != theirs.channel:
        said.append("the mixture is not compared, because one car has it in AFR and the other in lambda")
    left = [
        replace(each, label=_before(of.name) + each.label, drive=_before(of.name) + each.drive)
        for season, of in zip(seasons, sides, strict=True)
        for each in season.left_out
    ]
    runs, loops = [run for of in sides for run in of.runs], [loop for of in sides for loop in of.loops]
    return SeasonRecord(
        runs, left, [], loops, mine.unit, mine.factor,
        f"{mine.road} ({names[0]}) and {theirs.road} ({names[1]})" if mine.road and theirs.road else "",
        caveats=[*said, *mine.caveats, *(f"{names[1]}: {each}" for each in theirs.caveats)],
    )  # fmt: skip
