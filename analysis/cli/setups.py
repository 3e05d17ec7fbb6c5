"""The verbs on what the car and the air were: setup, setups, weather."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError

if TYPE_CHECKING:
    from analysis.conditions.setups import Difference, Parts
    from logger.store.drive import Drive

app = typer.Typer()


# --- setups -------------------------------------------------------------------------------------------------------


@app.command()
def setup(
    file: Annotated[
        Path | None, typer.Argument(help="A setup's file, to put in force or to give to a drive.", show_default=False)
    ] = None,
    drive: Annotated[
        str | None,
        typer.Option("--drive", "-d", help="Put this drive's setup right, in place of coming drives'.",
                     show_default=False),
    ] = None,
    because: Annotated[str, typer.Option("--because", help="Why the drive's setup is changed; it is kept.")] = "",
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Show the setup in force, put another in force for coming drives, or put a past drive's right."""
    from analysis.conditions import setups
    from logger.config.reading import load
    from logger.config.setup import SetupConfig
    from logger.store.drive import default_store, list_drives, open_drive

    store = store or default_store()
    if drive is not None:
        found = open_drive(store, drive)
        if file is not None:
            found = _set_right(found, load(file, SetupConfig), because)
        if json:
            print_json({"drive": found.id, "setup": found.manifest.setup, "trace": _traces(found)})
            return
        _print_setup(f"{found.id} was driven with", found.setup)
        for line in _traces(found):
            print(f"  {line}")
        return
    if file is not None:
        setups.put_in_force(store, file)
    current = setups.current(store)
    drives = list_drives(store)
    newest = drives[-1] if drives else None
    if json:
        print_json(
            {
                "in_force": current.model_dump(mode="json") if current else None,
                "newest_drive": {"drive": newest.id, "setup": newest.manifest.setup} if newest else None,
            }
        )
        return
    if current is not None:
        _print_setup("Drives from now on carry", current)
    else:
        print("No setup is in force: drives carry what `--setup` or the recorder's file names.")
        print("`pullbook setup FILE` puts one in force.")
    if newest is not None:
        _print_setup(f"The newest drive, {newest.id}, carries", newest.setup)


@app.command(name="setups")
def setups_(
    a: Annotated[
        str | None, typer.Argument(help="A setup: its name, its file, or a drive.", show_default=False)
    ] = None,
    b: Annotated[str | None, typer.Argument(help="Another one.", show_default=False)] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """List the setups driven, or tell what differs between two of them."""
    from analysis.conditions import setups
    from logger.store.drive import default_store, list_drives

    store = store or default_store()
    drives = list_drives(store)
    if a is None:
        _list_setups(setups.known(drives), json)
        return
    if b is None:
        raise InputError("setups: name two setups to see what differs, or none to list them")
    first, second = setups.find(a, store, drives), setups.find(b, store, drives)
    differ = setups.differences(first.parts, second.parts)
    if json:
        print_json(
            {"a": first.name, "b": second.name, "parts_that_differ": [d.part for d in differ],
             "parts": parts_json(differ)}
        )  # fmt: skip
        return
    if not differ:
        print(f"{first.name} and {second.name} have the same parts.")
        return
    rows = [[d.part, setups.shown(d.a), setups.shown(d.b), _percent(d)] for d in differ]
    console().print(table(["part", first.name, second.name, "change"], rows, left=(0, 1, 2)))


def _percent(difference: Difference) -> str:
    """The change as a share; none for small whole numbers, which are places (a clip, a notch) and not amounts."""
    counted = all(isinstance(value, int) and abs(value) < 20 for value in (difference.a, difference.b))
    return "" if counted or math.isnan(difference.ratio) else f"{difference.ratio - 1:+.1%}"


def _set_right(drive: Drive, new: Any, because: str) -> Drive:
    from analysis.conditions import setups

    old = drive.setup
    if old is not None and old == new:
        raise InputError(f"{drive.id}: it carries just this setup already")
    if old is None:
        what = f"setup {new.name!r} given: {setups.described(new.parts)}"
    else:
        differ = "; ".join(map(str, setups.differences(old.parts, new.parts))) or "the same parts"
        what = f"setup {old.name!r} put right to {new.name!r}: {differ}"
    return drive.amend(what + (f"; because: {because.strip()}" if because.strip() else ""), setup=new)


def _print_setup(lead: str, found: Any) -> None:
    from analysis.conditions import setups

    if found is None:
        print(f"{lead} no setup.")
        return
    dated = f", of {found.date}" if found.date else ""
    print(f"{lead} {found.name!r}{dated}:")
    for name, value in found.parts.items():
        print(f"  {name:<24} {setups.shown(value)}")
    if found.notes:
        print(f"  {found.notes}")


def _list_setups(known: Sequence[Any], json: bool) -> None:
    from analysis.conditions import setups

    rows = []
    before: Parts = {}
    for each in known:
        differ = setups.differences(before, each.setup.parts) if before else []
        rows.append((each, differ))
        before = each.setup.parts
    if json:
        print_json(
            {
                "setups": [
                    {
                        **each.setup.model_dump(mode="json"),
                        "drives": list(each.drives),
                        "changed_from_the_one_before": parts_json(differ),
                    }
                    for each, differ in rows
                ]
            }
        )
        return
    if not rows:
        print("No drive carries a setup yet: `pullbook setup FILE` puts one in force for coming drives.")
        return
    lines = [
        [
            each.name,
            str(each.setup.date or "-"),
            str(len(each.drives)),
            f"{each.setup.cost:g}" if each.setup.cost is not None else "-",
            f"{each.setup.hours:g}" if each.setup.hours is not None else "-",
            "; ".join(map(str, differ)) or ("first" if each is rows[0][0] else "-"),
        ]
        for each, differ in rows
    ]
    console().print(table(["setup", "since", "drives", "cost", "hours", "changed"], lines, left=(0, 1, 5)))


def _traces(drive: Drive) -> list[str]:
    return [f"{t.when:%Y-%m-%d %H:%M} {t.who}: {t.what}" for t in drive.manifest.trace if "setup" in t.what]


def parts_json(differ: Sequence[Difference]) -> dict[str, Any]:
    return {d.part: {"a": d.a, "b": d.b} for d in differ}
