"""The verb `bundle`: the program for a laptop without internet."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from analysis.cli.options import say_progress
from logger.cli.printing import JsonOption, console, print_json, tell
from logger.text import safe
from logger.units import BYTES_PER_MB

app = typer.Typer()


@app.command(epilog="Example: pullbook bundle stick --extra voice")
def bundle(
    folder: Annotated[Path, typer.Argument(help="A new folder, such as one on a stick.")],
    extra: Annotated[
        list[str] | None,
        typer.Option("--extra", help="An extra to add: voice or fleet. May be repeated.", show_default=False),
    ] = None,
    json: JsonOption = False,
) -> None:
    """Put this program and all it needs into a folder, to install on a laptop without internet."""
    from analysis.answers.bundle import bundle_answer

    answer = bundle_answer(folder, extra or (), say_progress)
    if json:
        print_json(answer.to_json())
        return
    size = answer.bytes / BYTES_PER_MB
    console().print(f"Wrote {answer.path}: {len(answer.wheels)} wheels and README.txt, {size:.0f} MB.")
    console().print("On the other laptop, with the same system and Python, in that folder:")
    tell(f"  {safe(answer.command)}")
