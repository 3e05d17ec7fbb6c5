"""The verbs `setup` and `setups`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import open_store
from logger.cli.printing import AnywayOption, JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError

if TYPE_CHECKING:
    from analysis.answers.setups import (
        SetupDriven,
        SetupInForceAnswer,
        SetupOfDriveAnswer,
        SetupsAnswer,
        SetupsBetweenAnswer,
        SetupTold,
    )

app = typer.Typer()


# --- setup --------------------------------------------------------------------------------------------------------


@app.command(epilog="Example: pullbook setup long-snorkel.toml")
def setup(
    file: Annotated[
        Path | None, typer.Argument(help="A setup's file, to put in force or to add to a drive.", show_default=False)
    ] = None,
    drive: Annotated[
        str | None,
        typer.Option("--drive", "-d", help="Correct the setup of this drive, not of the next drives.",
                     show_default=False),
    ] = None,
    because: Annotated[str, typer.Option("--because", help="Why the drive's setup is changed. It is stored.")] = "",
    anyway: AnywayOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Show the setup in force, put another in force for the next drives, or correct a past drive's."""
    from analysis.answers.setups import put_in_force, set_right, setup_in_force, setup_of_drive
    from logger.config.reading import load
    from logger.config.setup import SetupConfig

    opened = open_store(store)
    if drive is not None:
        found = opened.drive(drive)
        of_drive = (
            setup_of_drive(found)
            if file is None
            else set_right(found, load(file, SetupConfig), because, store=None if anyway else opened)
        )
        print_json(of_drive.to_json()) if json else _print_of_drive(of_drive)
        return
    in_force = setup_in_force(opened) if file is None else put_in_force(opened, file, anyway=anyway)
    print_json(in_force.to_json()) if json else _print_in_force(in_force)


def _print_of_drive(told: SetupOfDriveAnswer) -> None:
    _print_setup(f"{told.drive} was driven with", told.setup)
    for line in told.trace:
        console().print(f"  {line}")


def _print_in_force(told: SetupInForceAnswer) -> None:
    if told.in_force is not None:
        _print_setup("Drives from now on have", told.in_force)
    else:
        console().print("No setup is in force. Drives get what `--setup` or the recorder's file names.")
        console().print("`pullbook setup FILE` puts one in force.")
    if told.newest_drive is not None:
        _print_setup(f"The newest drive, {told.newest_drive.drive}, has", told.newest_drive.setup)


def _print_setup(lead: str, found: SetupTold | None) -> None:
    from analysis.conditions.setups import shown

    if found is None:
        console().print(f"{lead} no setup.")
        return
    dated = f", of {found.date}" if found.date else ""
    console().print(f"{lead} {found.name!r}{dated}:")
    for name, value in found.parts.items():
        console().print(f"  {name:<24} {shown(value)}")
    if found.notes:
        console().print(f"  {found.notes}")


# --- setups -------------------------------------------------------------------------------------------------------


@app.command(name="setups", epilog='Example: pullbook setups baseline "long snorkel"')
def setups_(
    a: Annotated[
        str | None, typer.Argument(help="A setup: its name, its file, or a drive.", show_default=False)
    ] = None,
    b: Annotated[str | None, typer.Argument(help="Another one.", show_default=False)] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """List the setups driven, or show what differs between two of them."""
    from analysis.answers.setups import setups_answer, setups_between

    opened = open_store(store)
    if a is None:
        listed = setups_answer(opened)
        print_json(listed.to_json()) if json else _print_list(listed)
        return
    if b is None:
        raise InputError("setups: name two setups to see what differs, or none to list all.")
    between = setups_between(opened, a, b)
    print_json(between.to_json()) if json else _print_between(between)


def _print_list(listed: SetupsAnswer) -> None:
    if not listed.setups:
        console().print("No drive has a setup yet. `pullbook setup FILE` puts one in force for the next drives.")
        return
    rows = [
        [
            each.name, str(each.date or "-"), str(len(each.drives)), "-" if each.cost is None else f"{each.cost:g}",
            "-" if each.hours is None else f"{each.hours:g}", _changed(each, first=number == 0),
        ]
        for number, each in enumerate(listed.setups)
    ]  # fmt: skip
    console().print(table(["setup", "since", "drives", "cost", "hours", "changed"], rows, left=(0, 1, 5)))


def _changed(each: SetupDriven, *, first: bool) -> str:
    from analysis.conditions.setups import shown

    if first:
        return "first"
    changed = each.changed_from_the_one_before.items()
    return "; ".join(f"{part} {shown(pair.a)} -> {shown(pair.b)}" for part, pair in changed) or "-"


def _print_between(found: SetupsBetweenAnswer) -> None:
    from analysis.conditions.setups import shown

    if not found.parts:
        console().print(f"{found.a} and {found.b} have the same parts.")
        return
    rows = [
        [
            part, shown(pair.a), shown(pair.b),
            f"{found.change[part]:+.1%}" if math.isfinite(found.change[part]) else "",
        ]
        for part, pair in found.parts.items()
    ]  # fmt: skip
    console().print(table(["part", found.a, found.b, "change"], rows, left=(0, 1, 2)))
