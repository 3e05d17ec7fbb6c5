"""The verb `demo`: the main job, walked through on sample drives in a store of its own.

The drives are the Wren's: an invented home-built three-wheeler on an invented disused airfield. Each step prints the
command an owner would type and then really runs it.
"""

from __future__ import annotations

import os
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
Command = Callable[..., None]


@app.command()
def demo(
    ctx: typer.Context,
    folder: Annotated[Path, typer.Argument(help="The folder to make; it must not exist yet, or hold a demo.")] = Path(
        "demo-store"
    ),
) -> None:
    """Walk through the main job on sample drives, in a store of its own."""
    command = ctx.find_root().command

    def run(*arguments: str) -> None:
        print(f"\n$ {_wrapped('pullbook', *arguments)}\n", flush=True)
        command.main(args=list(arguments), prog_name="pullbook", standalone_mode=False)

    _make_room(folder)
    os.environ["PULLBOOK_STORE"] = str(folder)
    _walk(folder, run)


def _wrapped(*words: str) -> str:
    """A command as typed, in lines of at most 80 columns."""
    lines = [""]
    for word in map(shlex.quote, words):
        if len(lines[-1]) + len(word) > 76:
            lines.append("   ")
        lines[-1] += f" {word}" if lines[-1] else word
    return " \\\n".join(lines)


def sample_folder(name: str) -> Path:
    """`sample_logs` or `configs`: inside the installed package, or beside it in the source tree."""
    for place in (Path(__file__).parent / name, Path(__file__).parent.parent / name):
        if place.is_dir():
            return place
    raise InputError(f"{name}: the sample files are missing from this installation; reinstall pullbook")


def _make_room(folder: Path) -> None:
    """An empty folder with copies of the configuration; an earlier demo there is replaced, anything else is not."""
    mark = folder / "this-is-a-demo"
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: this is no folder; name another one")
    if folder.exists() and any(folder.iterdir()) and not mark.exists():
        raise InputError(f"{folder}: this folder holds something that is no demo; name another one")
    if mark.exists():
        shutil.rmtree(folder)
    shutil.copytree(sample_folder("configs"), folder, dirs_exist_ok=True)
    mark.write_text("Made by pullbook demo; replaced when it runs again.\n", encoding="utf-8")


def _walk(folder: Path, run: Command) -> None:
    samples = sample_folder("sample_logs")
    season = tomllib.loads((samples / "season.toml").read_text(encoding="utf-8"))["drive"]

    def take(drive: dict[str, str]) -> str:
        run("import", str(samples / drive["file"]), "--setup", str(folder / "setups" / drive["setup"]))
        return _id(drive, folder)

    _say(
        "This is the Wren's season: a home-built three-wheeler with an air-cooled",
        "445 cc single and one carburettor, tested on a disused airfield. All of it is",
        "invented. Each step shows the command that an owner would type, and runs it.",
        f"The drives go into the folder {folder}, as if you had said",
        f"  export PULLBOOK_STORE={shlex.quote(str(folder))}",
        "and the recorder's file, the car's and the targets' lie there too.",
    )
    _say("1. Every drive becomes a folder with all its bytes and its tables.")
    ids = {drive["file"]: take(drive) for drive in season}
    _say("2. The runs of the first drive: three standing starts, the second given up.")
    run("runs", ids["first-drive.jsonl.gz"])
    _say("3. The mixture map of a drive through town and country.")
    run("mixture", ids["sweep.jsonl.gz"])
    _say(
        f"That was the main job. The drives stay in {folder}; try",
        f"  pullbook runs --all --store {shlex.quote(str(folder))}",
        "`pullbook --help` lists all verbs; README.md tells how to set up your own car.",
    )


def _id(drive: dict[str, str], folder: Path) -> str:
    """The id of the drive that was made of a sample file."""
    from logger.drive import list_drives

    return next(made.id for made in list_drives(folder) if made.manifest.origin == drive["file"])


def _say(*lines: str) -> None:
    print()
    for line in lines:
        print(line)
    sys.stdout.flush()
