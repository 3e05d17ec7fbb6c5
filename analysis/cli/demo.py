"""The verb `demo`: the main job, walked through on sample drives in a store of its own.

The drives are the Wren's: an invented home-built three-wheeler on an invented disused airfield. Each step prints the
command an owner would type and then really runs it.
"""

from __future__ import annotations

import contextlib
import io
import os
import shlex
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from logger.errors import InputError

app = typer.Typer()
Command = Callable[..., None]


@app.command(epilog="Example: pullbook demo wren-demo")
def demo(
    ctx: typer.Context,
    folder: Annotated[Path, typer.Argument(help="The folder to make. It must not exist yet, or hold a demo.")] = Path(
        "demo-store"
    ),
) -> None:
    """Show the main job on sample drives, in a store of its own."""
    command = ctx.find_root().command

    def run(*arguments: str, quiet: bool = False) -> None:
        print(f"{'' if quiet else chr(10)}$ {_wrapped('pullbook', *arguments)}{'' if quiet else chr(10)}", flush=True)
        with contextlib.redirect_stdout(io.StringIO()) if quiet else contextlib.nullcontext():
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


def sample_folder() -> Path:
    """`sample_logs`: inside the installed package, or beside it in the source tree."""
    for place in (Path(__file__).parents[1] / "sample_logs", Path(__file__).parents[2] / "sample_logs"):
        if place.is_dir():
            return place
    raise InputError("sample_logs: the sample files are missing from this installation; reinstall pullbook")


def _make_room(folder: Path) -> None:
    """An empty folder with copies of the configuration; an earlier demo there is replaced, anything else is not."""
    from logger.config import examples

    mark = folder / "this-is-a-demo"
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder}: not a folder. Name another one.")
    if folder.exists() and any(folder.iterdir()) and not mark.exists():
        raise InputError(f"{folder}: this folder holds other files. Name another one.")
    # The mark is there first and stays: a demo that was cut off is still known for one.
    folder.mkdir(parents=True, exist_ok=True)
    mark.write_text("Made by pullbook demo. Replaced when it runs again.\n", encoding="utf-8")
    for path in folder.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        elif path != mark:
            path.unlink()
    try:
        shutil.copytree(examples.folder(), folder, dirs_exist_ok=True)
    except shutil.Error as error:  # one entry for each file: source, target, what went wrong
        _, target, why = error.args[0][0]
        raise InputError(f"{target}: cannot be written: {why}") from error


def _walk(folder: Path, run: Command) -> None:
    import tomllib

    samples = sample_folder()
    season = tomllib.loads((samples / "season.toml").read_text(encoding="utf-8"))["drive"]
    ids: dict[str, str] = {}

    def take(*names: str, quiet: bool = True) -> None:
        for name in names:
            drive = next(each for each in season if each["file"] == f"{name}.jsonl.gz")
            setup = folder / "setups" / drive["setup"]
            run("import", str(samples / drive["file"]), "--setup", str(setup), quiet=quiet)
            ids[name] = _id(drive["file"], folder)
            run("weather", ids[name], *_weather(drive), quiet=quiet)

    _say(
        "This is the Wren's season: a home-built three-wheeler with an air-cooled",
        "445 cc single and one carburettor, tested on a disused airfield. All of it is",
        "invented. Each step shows the command that an owner would type, and runs it.",
        f"The drives are stored in the folder {folder}. The same from the shell:",
        f"  export PULLBOOK_STORE={shlex.quote(str(folder))}",
        "The files of the recorder, the car and the targets are there too.",
    )
    _say("1. A drive becomes a folder with all its bytes and its tables.")
    take("first-drive", quiet=False)
    take("sweep")
    _say("2. The runs of the first drive, standing starts. Two were given up.")
    run("runs", ids["first-drive"])
    _say("3. The mixture map of a drive through town and country.")
    run("mixture", ids["sweep"])
    _say("4. A fuel loop, and rolling and air drag from coasts in neutral.")
    take("fuel-baseline", "coasts")
    run("fuel", ids["fuel-baseline"], "--used", "0.62L", "--sigma", "0.01L", "--band", "43mph-50mph")
    run("coast", ids["coasts"])
    _say(
        "5. Two more outings as the car was built, then two with a long airbox snorkel",
        "and the needle raised a clip, both fitted in one week. What did they do?",
    )
    take("starts-baseline-1", "starts-baseline-2", "starts-both-1", "starts-both-2")
    run("compare", "baseline", "snorkel and needle")
    _say("6. Was it the snorkel, the needle, or both? Which drive would show it?")
    run("plan")
    _say("7. That drive: the short snorkel back on, the needle left as it was.")
    take("starts-needle")
    run("effects")
    _say("8. The next jet, and what it did.")
    run("jets", ids["starts-both-2"])
    take("starts-smaller-jet")
    run("season")
    _say("9. The season on one page, to open in any browser, to print, to give away.")
    run("report", "--season", "--out", str(folder / "season.html"))
    _say(
        f"That was the whole loop. The drives stay in {folder}. Try",
        f"  pullbook runs --all --store {shlex.quote(str(folder))}",
        "`pullbook --help` lists all verbs. README.md says how to set up your own car.",
    )


def _weather(drive: dict[str, Any]) -> list[str]:
    """What the sample's listing says of the weather, as typed."""
    return [
        "--temperature", f"{drive['temperature_c']}C", "--pressure", f"{drive['pressure_hpa']}hPa",
        "--humidity", f"{drive['humidity_percent']}%", "--wind", f"{drive['wind_mps']}m/s",
        "--wind-from", str(drive["wind_from_deg"]),
    ]  # fmt: skip


def _id(file: str, folder: Path) -> str:
    """The id of the drive that was made of a sample file."""
    from logger.store.drive import list_drives

    return next(made.id for made in list_drives(folder) if made.manifest.origin == file)


def _say(*lines: str) -> None:
    print()
    for line in lines:
        print(line)
    sys.stdout.flush()
