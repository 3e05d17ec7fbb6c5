"""What drives lack for comparing them (setup, weather), what the morning's drive suggests, and what is then told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from analysis.conditions import setups
from analysis.drive import AnalysedDrive

if TYPE_CHECKING:
    from analysis.conditions.weather import Weather
    from analysis.store import DriveStore
    from logger.config.setup import SetupConfig


@dataclass(frozen=True)
class Lacks:
    """One drive: what it lacks, and what the drives of the same day before it suggest.

    `setups` are the names that may be given; `setup` and `weather` are those of the same day's last drive that has one.
    """

    drive: AnalysedDrive
    no_setup: bool
    no_weather: bool
    setup: str | None
    weather: Weather | None
    setups: tuple[str, ...]


def lacking_of(store: DriveStore, names: Sequence[str]) -> list[Lacks]:
    """What the drives called `names` lack, in the order driven; drives that cannot be read are passed over."""
    known = setups.known(drive.drive for drive in store.drives)
    listed = tuple(dict.fromkeys(each.name for each in known))
    found = []
    for drive in store.drives:
        if drive.id not in names:
            continue
        day = drive.drive.manifest.started_utc.date()
        before = [
            each for each in store.drives
            if each.drive.manifest.started_utc.date() == day
            and each.drive.manifest.started_utc < drive.drive.manifest.started_utc
        ]  # fmt: skip
        told = next((each.weather for each in reversed(before) if each.drive.manifest.weather is not None), None)
        fitted = next((each.drive.setup for each in reversed(before) if each.drive.setup is not None), None)
        found.append(
            Lacks(
                drive=drive,
                no_setup=drive.drive.setup is None,
                no_weather=drive.drive.manifest.weather is None,
                setup=fitted.name if fitted is not None else listed[-1] if listed else None,
                weather=told,
                setups=listed,
            )
        )
    return found


def last_outing(store: DriveStore) -> list[str]:
    """The drives of the newest drive's day."""
    if not store.drives:
        return []
    day = store.drives[-1].drive.manifest.started_utc.date()
    return [drive.id for drive in store.drives if drive.drive.manifest.started_utc.date() == day]


def setup_called(store: DriveStore, name: str) -> SetupConfig:
    """The setup of that name. SetupError where none is called so."""
    return setups.find(name, store.path, [drive.drive for drive in store.drives])


def note_afterwards(drive: AnalysedDrive, text: str) -> None:
    """Add a note to a drive, at its end."""
    from logger.store.manifest import Note

    manifest = drive.drive.manifest
    note = Note(utc=manifest.ended_utc, text=text, added=datetime.now(UTC))
    drive.drive.amend(f"note added: {text}", notes=[*manifest.notes, note])
