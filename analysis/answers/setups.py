"""The answers of `setup` and `setups`: what the car was, what is in force, and what differs between two setups."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.answers.encoding import Answer, Figure
from analysis.answers.parts import PartPair, pairs
from analysis.conditions import setups, vocabulary
from analysis.drive import AnalysedDrive
from logger.config.reading import parse, text_of
from logger.config.setup import PartValue, SetupConfig
from logger.errors import ANYWAY, InputError

if TYPE_CHECKING:
    from analysis.conditions.setups import Difference, Parts
    from analysis.store import DriveStore

PLACES = 20
"""Whole numbers below this are places (a clip, a notch) and not amounts: their change is no share."""


class SetupTold(Answer):
    """The car as tested, as its setup's file says it."""

    name: str
    """What it is called."""
    date: datetime.date | None
    """Since when; null where it is not said."""
    notes: str
    """The owner's words."""
    cost: float | None
    """What the change cost, in the owner's money."""
    hours: float | None
    """How long it took [h]."""
    parts: dict[str, PartValue]
    """Part -> value; the unit is in the part's name or in the value."""


class SetupDriven(SetupTold):
    """A setup that drives were driven with."""

    drives: tuple[str, ...]
    """Their ids, in the order driven."""
    changed_from_the_one_before: dict[str, PartPair]
    """Part -> its value in the setup that was driven before, and in this one."""


class SetupsAnswer(Answer):
    """The setups that were driven, one for each set of parts."""

    setups: tuple[SetupDriven, ...]
    """In the order first driven."""


class SetupsBetweenAnswer(Answer):
    """What differs between two setups."""

    a: str
    """Name of the first."""
    b: str
    """Name of the second."""
    parts_that_differ: tuple[str, ...]
    """Their names, in the order of the first setup."""
    parts: dict[str, PartPair]
    """Part -> both values."""
    change: dict[str, Figure]
    """Part -> relative change from a to b [-]; null for words, and for small whole numbers, which are places."""


class SetupOfDriveAnswer(Answer):
    """The setup that a drive carries."""

    drive: str
    """The drive's id."""
    setup: SetupTold | None
    """What it carries; null where it carries none."""
    trace: tuple[str, ...]
    """How that came to be: when, who, what."""


class NewestDrive(Answer):
    """The drive that was driven last."""

    drive: str
    """Its id."""
    setup: SetupTold | None
    """The setup that it carries; null where it carries none."""


class SetupInForceAnswer(Answer):
    """The setup that coming drives carry."""

    in_force: SetupTold | None
    """What they carry; null where none was put in force."""
    newest_drive: NewestDrive | None
    """For comparison, the newest drive; null in an empty store."""


# --- setup --------------------------------------------------------------------------------------------------------


def setup_in_force(store: DriveStore) -> SetupInForceAnswer:
    """The setup that coming drives carry, and that of the newest drive."""
    newest = store.drives[-1] if store.drives else None
    return SetupInForceAnswer(
        in_force=told(setups.current(store.path)),
        newest_drive=NewestDrive(drive=newest.id, setup=told(newest.drive.setup)) if newest else None,
    )


def put_in_force(store: DriveStore, file: Path, *, anyway: bool = False) -> SetupInForceAnswer:
    """Let the next drives have the setup of `file`. ConfigError where it is no setup's file.

    InputError, unless `anyway`, where its name stood for other parts, or a part's name or word is nearly a known one.
    """
    return put_text_in_force(store, text_of(file), str(file), anyway=anyway)


def put_text_in_force(store: DriveStore, text: str, name: str, *, anyway: bool = False) -> SetupInForceAnswer:
    """`put_in_force` of a setup's file that reads `text`; `name` stands for it where it is wrong."""
    setup = parse(text, SetupConfig, name)
    if not anyway:
        _ask(setup, store)
    setups.put_in_force(store.path, text, name)
    return setup_in_force(store)


def setup_of_drive(drive: AnalysedDrive) -> SetupOfDriveAnswer:
    """The setup that a drive carries, and how that came to be."""
    trace = [f"{t.when:%Y-%m-%d %H:%M} {t.who}: {t.what}" for t in drive.drive.manifest.trace if "setup" in t.what]
    return SetupOfDriveAnswer(drive=drive.id, setup=told(drive.drive.setup), trace=tuple(trace))


def set_right(
    drive: AnalysedDrive, setup: SetupConfig, because: str = "", *, store: DriveStore | None = None
) -> SetupOfDriveAnswer:
    """Give a past drive another setup; its trace says what differs and why. InputError where it carries just that.

    With a `store`, its other drives are looked through as `put_in_force` does.
    """
    if store is not None:
        _ask(setup, store, drive.id)
    old = drive.drive.setup
    if old is not None and old == setup:
        raise InputError(f"{drive.id}: it already has this setup")
    if old is None:
        what = f"setup {setup.name!r} given: {setups.described(setup.parts)}"
    else:
        differ = "; ".join(map(str, setups.differences(old.parts, setup.parts))) or "the same parts"
        what = f"setup {old.name!r} corrected to {setup.name!r}: {differ}"
    if because.strip():
        what += f"; because: {because.strip()}"
    return setup_of_drive(AnalysedDrive(drive.drive.amend(what, setup=setup), drive.targets))


def questions(setup: SetupConfig, drives: Iterable[setups.Fitted], but: str = "") -> list[str]:
    """What to ask before a drive carries this setup: its name stood for other parts, or a word is nearly a known one.

    `drives`: those of the store, but the one called `but`. Nothing where all is as so far, or new altogether.
    """
    known = setups.known(drive for drive in drives if drive.id != but)
    reused = vocabulary.reused(setup.name, setup.parts, [(each.name, each.setup.parts) for each in known])
    doubts = vocabulary.doubts(setup.parts, [each.setup.parts for each in known])
    return [f"{reused}.", *doubts] if reused else doubts


def _ask(setup: SetupConfig, store: DriveStore, but: str = "") -> None:
    """InputError with the first question about a setup."""
    for question in questions(setup, [each.drive for each in store.drives], but):
        raise InputError(f"{question} {ANYWAY}")


def told(setup: SetupConfig | None) -> SetupTold | None:
    """A setup as its file says it; None for none."""
    if setup is None:
        return None
    return SetupTold(
        name=setup.name, date=setup.date, notes=setup.notes, cost=setup.cost, hours=setup.hours, parts=setup.parts
    )


# --- setups -------------------------------------------------------------------------------------------------------


def setups_answer(store: DriveStore) -> SetupsAnswer:
    """The setups that the store's drives carry."""
    told, before = [], None
    for each in setups.known(drive.drive for drive in store.drives):
        setup = each.setup
        told.append(
            SetupDriven(
                name=setup.name,
                date=setup.date,
                notes=setup.notes,
                cost=setup.cost,
                hours=setup.hours,
                parts=setup.parts,
                drives=each.drives,
                changed_from_the_one_before=_changed(before, setup.parts),
            )
        )
        before = setup.parts
    return SetupsAnswer(setups=tuple(told))


def setups_between(store: DriveStore, a: str, b: str) -> SetupsBetweenAnswer:
    """What differs between two setups, each named, or by its file, or by a drive. SetupError where one is unknown."""
    drives = [drive.drive for drive in store.drives]
    first, second = setups.find(a, store.path, drives), setups.find(b, store.path, drives)
    differ = setups.differences(first.parts, second.parts)
    return SetupsBetweenAnswer(
        a=first.name,
        b=second.name,
        parts_that_differ=tuple(each.part for each in differ),
        parts=pairs(differ),
        change={each.part: _share(each) for each in differ},
    )


def _changed(before: Parts | None, parts: Parts) -> dict[str, PartPair]:
    return {} if before is None else pairs(setups.differences(before, parts))


def _share(difference: Difference) -> float:
    places = all(isinstance(value, int) and abs(value) < PLACES for value in (difference.a, difference.b))
    return math.nan if places else difference.ratio - 1
