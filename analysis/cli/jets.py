"""The verb `jets`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.answers import jet_words as words
from analysis.answers import typed
from analysis.cli.options import ChannelOption, TargetsOption, UnitsOption, open_store, read_targets, units_of
from logger.cli.printing import JsonOption, StoreOption, console, print_json, say, table

if TYPE_CHECKING:
    from analysis.answers.jets import JetsAnswer

app = typer.Typer()


@app.command(name="jets")
def jets_(
    name: Annotated[
        str, typer.Argument(metavar="DRIVE", help="A drive of the setup in question: its id, its path, or last.")
    ] = "last",
    own: Annotated[
        Path | None,
        typer.Option("--jets", help="Your own jets; by default jets.toml in the store, if any.", show_default=False),
    ] = None,
    temperature: Annotated[
        str | None, typer.Option("--temperature", help="Of the air you will drive in, such as 31C.", show_default=False)
    ] = None,
    pressure: Annotated[
        str | None, typer.Option("--pressure", help="Of that air at the place, such as 1009hPa.", show_default=False)
    ] = None,
    humidity: Annotated[
        str | None, typer.Option("--humidity", help="Of that air, such as 60%.", show_default=False)
    ] = None,
    fuel: Annotated[
        str | None,
        typer.Option("--fuel", help="What you will burn, such as E10; by default what the car's file says.",
                     show_default=False),
    ] = None,
    channel: ChannelOption = None,
    targets: TargetsOption = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Which main jet to try next: what full throttle asks for, and what each jet that can be had would give."""
    from analysis.answers.jets import jets_answer
    from logger.config.reading import load
    from logger.config.setup import JetsConfig

    opened = open_store(store, read_targets(targets))
    drive = opened.drive(name)
    quiet = json or not sys.stderr.isatty()
    answer = jets_answer(
        opened,
        drive,
        own=load(own, JetsConfig) if own is not None else None,
        air=typed.air_to_come(temperature, pressure, humidity),
        fuel=fuel,
        channel=channel,
        unit=units_of(units, drive),
        progress=lambda each: None if quiet else say(f"reading {each}"),
    )
    if json:
        print_json(answer.to_json())
    else:
        _print_jets(answer)


def _print_jets(answer: JetsAnswer) -> None:
    out = console()
    out.print(words.now_sentence(answer))
    out.print(words.which_full_throttle(answer) + "\n")
    out.print(answer.says)
    if wanted := words.wanted_sentence(answer):
        out.print(wanted)
    out.print()
    out.print(table(words.JET_HEADS, words.jet_rows(answer), left=()))
    out.print(words.WHAT_COLUMNS_MEAN)
    out.print()
    for line in words.jet_lines(answer):
        out.print(line)
    out.print()
    out.print(answer.caution)
