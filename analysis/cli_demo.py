"""The verb `demo`: the main job, walked through on sample drives in a store of its own.

The drives are the Wren's: an invented home-built three-wheeler on an invented disused airfield. Each step prints the
command an owner would type and then really runs it.
"""

from __future__ import annotations

import shlex
import shutil
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from logger.units import InputError

app = typer.Typer()
Command = Callable[[list[str]], None]


@app.command()
def demo(
    ctx: typer.Context,
    folder: Annotated[Path, typer.Argument(help="The folder to make; it must not exist yet, or hold a demo.")] = Path(
        "demo-store"
    ),
) -> None:
    """Walk through the main job on sample drives, in a store of its own."""
    command = ctx.find_root().command

    def run(arguments: list[str]) -> None:
        print(f"\n$ pullbook {shlex.join(arguments)}\n", flush=True)
        command.main(args=arguments, prog_name="pullbook", standalone_mode=False)

    _make_room(folder)
    _walk(folder, run)


def sample_folder(name: str) -> Path:
    """`sample_logs` or `configs`: inside the installed package, or beside it in the source tree."""
    for place in (Path(__file__).parent / name, Path(__file__).parent.parent / name):
        if place.is_dir():
            return place
    raise InputError(f"{name}: the sample files are missing from this installation; reinstall pullbook")


def _make_room(folder: Path) -> None:
    """An empty folder with copies of the configuration; an earlier demo there is replaced, anything else is not."""
    mark = folder / "this-is-a-demo"
    if folder.exists() and any(folder.iterdir()) and not mark.exists():
        raise InputError(f"{folder}: this folder holds something that is no demo; name another one")
    if mark.exists():
        shutil.rmtree(folder)
    folder.mkdir(parents=True, exist_ok=True)
    mark.write_text("Made by pullbook demo; replaced when it runs again.\n", encoding="utf-8")
    shutil.copytree(sample_folder("configs"), folder / "configs")


def _walk(folder: Path, run: Command) -> None:
    samples = sample_folder("sample_logs")
    season = tomllib.loads((samples / "season.toml").read_text(encoding="utf-8"))["drive"]
    store = ["--store", str(folder)]
    _say(
        "This is the Wren's season: a home-built three-wheeler with an air-cooled 445 cc single and one carburettor,",
        "tested on a disused airfield. All of it is invented. Each step shows the command and runs it.",
    )
    for drive in season:
        run(["import", str(samples / drive["file"]), "--config", str(folder / "configs" / "recorder.toml"), *store])
    run(["runs", "first-drive", *store])


def _say(*lines: str) -> None:
    print()
    for line in lines:
        print(line)
    sys.stdout.flush()
