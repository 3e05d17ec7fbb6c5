"""The verb `set`: parts changed at the trackside, from the setup in force."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import open_store
from logger.cli.asking import Answers, yes
from logger.cli.printing import AnywayOption, JsonOption, StoreOption, console, print_json
from logger.errors import ANYWAY, InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.answers.setting import SetAnswer
    from analysis.conditions.setups import Parts
    from logger.config.setup import PartValue

app = typer.Typer()


@app.command(name="set", epilog="Example: pullbook set main_jet_mm=1.06")
def set_(
    changes: Annotated[
        list[str], typer.Argument(metavar="PART=VALUE...", help="Parts with their values, such as main_jet_mm=1.06.")
    ],
    gone: Annotated[
        list[str] | None,
        typer.Option("--forget", help="A part to leave out of the setup. May be repeated.", show_default=False),
    ] = None,
    name: Annotated[
        str | None, typer.Option(help="The setup's name. By default what differs.", show_default=False)
    ] = None,
    notes: Annotated[str | None, typer.Option(help="Notes to store with it.", show_default=False)] = None,
    cost: Annotated[float | None, typer.Option(help="What the change cost, in your money.", show_default=False)] = None,
    hours: Annotated[float | None, typer.Option(help="How long it took.", show_default=False)] = None,
    anyway: AnywayOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Change parts of the setup in force for the next drives. Engine off and cool before you change anything."""
    from analysis.answers import setting
    from analysis.conditions import vocabulary

    opened = open_store(store)
    asks = not json and sys.stdin.isatty() and sys.stdout.isatty()
    answers = Answers()
    season = setting.season_parts(opened)
    read: dict[str, PartValue] = {}
    for text in changes:
        part, value = setting.read_change(text, season)
        part = part if anyway else _as_known(part, season, answers, asks)
        if part in read:
            raise InputError(f"{part} is given twice")
        read[part] = value
    if not anyway and (questions := vocabulary.doubts(read, season)):
        if not asks:
            raise InputError(f"{questions[0]} {ANYWAY}")
        if not answers.ask("", f"{questions[0]} Take it as written", yes, "no"):
            raise InputError("nothing was written")
    changed = setting.changed_setup(opened, read, gone or (), name=name, notes=notes, cost=cost, hours=hours)
    if asks:
        console().print(setting.sentence(changed))
        if not answers.ask("", "Drives from now on have it. Right", yes, "yes"):
            raise InputError("nothing was written")
    done = setting.put_changed(opened, changed, anyway=anyway)
    print_json(done.to_json()) if json else _print_set(done)


def _as_known(part: str, season: Sequence[Parts], answers: Answers, asks: bool) -> str:
    from analysis.conditions import vocabulary

    near = vocabulary.near_name(part, season)
    if near is None:
        return part
    question = f"{part} is a new part. Did you mean {near}"
    if not asks:
        raise InputError(f"{question}? {ANYWAY}")
    return near if answers.ask("", question, yes, "yes") else part


def _print_set(done: SetAnswer) -> None:
    from analysis.conditions.setups import described, shown

    console().print(f"Drives from now on have {done.in_force.name!r}: {described(done.in_force.parts)}.")
    for part, pair in done.changed.items():
        console().print(f"  {part:<24} {shown(pair.a)} -> {shown(pair.b)}")
    if done.under_way is not None:
        console().print(f"{done.under_way} is being recorded and started before this. It keeps the setup of its start.")
