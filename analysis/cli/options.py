"""Options and arguments that several verbs share, and how they are read."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from analysis.answers import typed
from logger.cli.printing import say
from logger.errors import InputError
from logger.units import parse_quantity, parse_speed

if TYPE_CHECKING:
    from analysis.changes.season import SeasonRecord
    from analysis.drive import AnalysedDrive
    from analysis.store import DriveStore
    from logger.config.car import CarConfig
    from logger.config.targets import TargetsConfig

ToOption = Annotated[
    list[str] | None,
    typer.Option("--to", help="A speed to time, such as 50mph. May be repeated.", show_default=False),
]
AllRunsOption = Annotated[
    bool, typer.Option("--all-runs", help="Count runs that look like part throttle too.")
]  # fmt: skip
WhereOption = Annotated[
    list[str] | None,
    typer.Option("--where", help="Only runs with this tag, such as gear=2. May be repeated.", show_default=False),
]
WithoutOption = Annotated[
    list[str] | None,
    typer.Option(
        "--without", help="Only runs without this tag, such as passenger. May be repeated.", show_default=False
    ),
]
FactorOption = Annotated[
    str, typer.Option("--factor", help="The correction of times: j1349 or j607.")
]  # fmt: skip
WorthOption = Annotated[
    str | None,
    typer.Option(
        "--worth", help="The smallest change you want to know, at the highest speed, such as 0.3s.", show_default=False
    ),
]


def speeds_asked(to: list[str] | None) -> list[float] | None:
    """The speeds of `--to`, rising [m/s]; None where none is given."""
    return sorted({parse_speed(text) for text in to}) if to else None


def seconds_asked(text: str | None) -> float | None:
    """A time such as 0.3s; None where none is given."""
    return parse_quantity(text, "s") if text else None


# --- the store and its season -------------------------------------------------------------------------------------

_FACTORS = {"j1349": "SAE J1349", "j607": "SAE J607"}


def open_store(store: Path | None, targets: TargetsConfig | None = None) -> DriveStore:
    """The store that is named, else $PULLBOOK_STORE or the platform's folder."""
    from analysis.store import DriveStore
    from logger.store.place import default_store

    return DriveStore(store or default_store(), targets, say_progress)


def season_asked(
    store: Path | None,
    factor: str,
    all_runs: bool,
    where: Sequence[str] | None = None,
    without: Sequence[str] | None = None,
) -> SeasonRecord:
    """All drives of the store, with times corrected by the factor that is named, by runs tagged as asked."""
    from analysis.changes.season import gather, tagged

    season = gather(open_store(store), factor=factor_asked(factor), every_run=all_runs, progress=say_progress)
    return tagged(season, where or (), without or ()) if where or without else season


def factor_asked(factor: str) -> str:
    """What times are corrected by, as the record of a season calls it."""
    named = _FACTORS.get(factor.lower().replace("sae", "").replace(" ", ""))
    if named is None:
        raise InputError(f"--factor: found {factor!r}, expected j1349 or j607")
    return named


TELL = "PULLBOOK_TELL"
"""Set, in the environment, for who reads what takes long and is no terminal."""


def say_progress(text: str) -> None:
    """Tell who waits at a terminal, or at a page of the desk, what takes long."""
    if sys.stderr.isatty() or os.environ.get(TELL):
        say(f"{text} ...")


TargetsOption = Annotated[
    Path | None,
    typer.Option(
        "--targets", help="The targets' file. By default targets.toml in the store, if any.", show_default=False
    ),
]
ChannelOption = Annotated[
    str | None,
    typer.Option("--channel", help="afr or lambda. SOURCE.afr if two sources have one.", show_default=False),
]

UnitsOption = Annotated[
    str | None,
    typer.Option("--units", help="mph or km/h. By default what the car's file says.", show_default=False),
]
CarOption = Annotated[
    Path | None,
    typer.Option("--car", help="The car's file. By default the copy in the drive.", show_default=False),
]
RunsArgument = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[DRIVE[:RUN]]...", help="Drives, or single runs of them: last or last:2.", show_default=False
    ),
]


def runs_asked(names: list[str] | None) -> dict[str, list[int]]:
    """Drive -> numbers of its runs, as DRIVE or DRIVE:RUN name them; no numbers for all; the last drive by default."""
    wanted: dict[str, list[int]] = {}
    whole = set()
    for name in names or ["last"]:
        ref, colon, number = name.rpartition(":")
        if colon and number.isdigit():
            wanted.setdefault(ref, []).append(int(number))
        else:
            whole.add(name)
            wanted.setdefault(name, [])
    return {ref: [] if ref in whole else numbers for ref, numbers in wanted.items()}


# --- shared -------------------------------------------------------------------------------------------------------


def read_car(path: Path | None) -> CarConfig | None:
    from logger.config.car import CarConfig
    from logger.config.reading import load

    return load(path, CarConfig) if path is not None else None


def read_targets(path: Path | None) -> TargetsConfig | None:
    """The targets' file of `--targets`; None where none is given."""
    from logger.config.reading import load
    from logger.config.targets import TargetsConfig

    return load(path, TargetsConfig) if path is not None else None


def units_of(units: str | None, drive: AnalysedDrive) -> Literal["mph", "km/h"]:
    """The speed unit to print: asked for, or the car's; InputError for another word."""
    return speed_unit_asked(units) or drive.unit


def speed_unit_asked(units: str | None) -> Literal["mph", "km/h"] | None:
    """The speed unit asked for; None where none is; InputError for another word."""
    if units == "mph":
        return "mph"
    if units == "km/h":
        return "km/h"
    if units is not None:
        raise InputError(f"--units: found {units!r}, expected mph or km/h")
    return None


unit_of_drive = units_of


def near_asked(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    try:
        lat, lon = (float(part) for part in text.split(","))
    except ValueError as error:
        raise InputError(f"--near: found {text!r}, expected LAT,LON in degrees such as 53.40,-0.39") from error
    if not (-90 <= lat <= 90 and -180 <= lon <= 180):
        raise InputError(f"--near: {text!r} is not a place on earth. Write LAT,LON in degrees.")
    return lat, lon


DriveArgument = Annotated[str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, or last.")]
ForceOption = Annotated[bool, typer.Option("--force", help="Replace files that exist.")]
EndsOption = Annotated[
    str | None,
    typer.Option(
        "--ends",
        help="Cut positions this near the start and end of the drive, such as 500m. By default what the "
        "recorder's file says, or 300 m.",
        show_default=False,
    ),
]


def format_asked(asked: str | None, out: Path | None) -> Literal["csv", "parquet", "gpx", "geojson"]:
    wanted = asked or (out.suffix.lstrip(".").lower() if out is not None and out.suffix else "csv")
    return typed.export_format("--format" if asked else f"--out {out}", wanted)
