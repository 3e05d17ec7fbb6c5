"""What a drive has to show, with None for what it lacks, and the reasons why it does."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

from analysis.answers.timed_run import SpeedUnit
from analysis.conditions.weather import Air, Weather, WeatherError, air_of
from analysis.wording import without_folder
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.answers.fuel import FuelAnswer
    from analysis.answers.mixture import MixtureAnswer
    from analysis.drive import AnalysedDrive

T = TypeVar("T")


def mixture_of(drive: AnalysedDrive, unit: SpeedUnit) -> MixtureAnswer | None:
    """Its mixture; None where it has none."""
    from analysis.answers.mixture import mixture_answer

    return _or_none(lambda: mixture_answer(drive, unit=unit))


def fuel_of(drive: AnalysedDrive) -> FuelAnswer | None:
    """Its fuel loop; None where it was none, or where what was kept of it cannot be read."""
    if drive.drive.manifest.fuel is None:
        return None
    from analysis.answers.fuel import kept_fuel_answer  # here: most drives are no fuel loop

    return _or_none(lambda: kept_fuel_answer(drive))


def weather_of(drive: AnalysedDrive) -> tuple[Weather, Air]:
    """Its weather and what follows from it; all unknown where what was kept cannot be read."""
    try:
        return drive.weather, drive.standard
    except WeatherError:
        return Weather(), air_of(Weather(), drive.car.car.elevation_m if drive.car else None)


def lacking(drive: AnalysedDrive) -> list[str]:
    """Why it has no mixture, fuel or weather, a sentence each. Where its drives lie is left out."""
    folder = drive.drive.path.parent
    out = []
    for get in (lambda: drive.map, lambda: drive.loop, lambda: drive.weather):
        try:
            get()
        except (NoAnswer, InputError) as error:
            out.append(without_folder(str(error), folder))
    return list(dict.fromkeys(out))


def _or_none(get: Callable[[], T]) -> T | None:
    try:
        return get()
    except (NoAnswer, InputError):
        return None
