"""The verb `jets`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.answers import jet_words as words
from analysis.answers import typed
from analysis.cli.options import ChannelOption, TargetsOption, UnitsOption, open_store, read_targets, units_of
from analysis.cli.verdict import WhyOption, print_rest
from logger.cli.printing import JsonOption, StoreOption, console, print_json, say, table

if TYPE_CHECKING:
    from analysis.answers.jets import JetsAnswer

app = typer.Typer()


@app.command(name="jets", epilog="Example: pullbook jets last --temperature 31C")
def jets_(
    name: Annotated[
        str, typer.Argument(metavar="DRIVE", help="A drive of the setup: its id, its path, or last.")
    ] = "last",
    own: Annotated[
        Path | None,
        typer.Option("--jets", help="Your own jets. By default jets.toml in the store, if any.", show_default=False),
    ] = None,
    temperature: Annotated[
        str | None, typer.Option("--temperature", help="Temperature of the air you will drive in, such as "
        "31C.", show_default=False)
    ] = None,
    pressure: Annotated[
        str | None, typer.Option("--pressure", help="Its pressure at the place, such as 1009hPa.", show_default=False)
    ] = None,
    humidity: Annotated[
        str | None, typer.Option("--humidity", help="Its humidity, such as 60%.", show_default=False)
    ] = None,
    fuel: Annotated[
        str | None,
        typer.Option("--fuel", help="The fuel you will burn, such as E10. By default what the car's file says.",
                     show_default=False),
    ] = None,
    channel: ChannelOption = None,
    targets: TargetsOption = None,
    units: UnitsOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Which main jet to try next: what full throttle needs, and what each jet you can get would give."""
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
        _print_jets(answer, why)


def _print_jets(answer: JetsAnswer, why: bool) -> None:
    from analysis.answers.jets import AIR_COOLED

    out = console()
    out.print(answer.says, style="bold")
    out.print(words.now_sentence(answer))
    if wanted := words.wanted_sentence(answer):
        out.print(wanted)
    out.print()
    out.print(table(words.JET_HEADS, words.jet_rows(answer), left=()))
    out.print(words.WHAT_COLUMNS_MEAN)
    out.print()
    for line in words.jet_lines(answer):
        if line != answer.response.says:
            out.print(line)
    out.print()
    lead, air, _ = answer.caution.partition(AIR_COOLED.strip())
    for caution in filter(None, (lead.strip(), air)):
        out.print(caution)
    print_rest(out, [words.which_full_throttle(answer), answer.response.says], why)
