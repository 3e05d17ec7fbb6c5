"""The `pullbook` command: the verbs of all rooms on one stem, and the one place where errors become lines.

Every verb lives in a module of its subject; this one mounts them, keeps the help in the order of the owner's day, and
turns what goes wrong into one line on standard error and an exit code: 0 done, 1 the answer is no or the data
cannot say, 2 the input is wrong.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import typer

from analysis.cli import (
    analyse,
    bundle,
    coast,
    compare,
    complete,
    demo,
    desk,
    fuel,
    jets,
    mixture,
    packing,
    photo,
    power,
    report,
    runs,
    season,
    setting,
    setups,
    sharing,
    weather,
    whatif,
)
from logger.cli import drives as cli_logger
from logger.cli import record
from logger.cli.printing import say
from logger.errors import InputError, NoAnswer
from logger.text import safe

if TYPE_CHECKING:
    from pathlib import Path

    from logger.cli.files import Files
    from logger.config.recorder import Channel
    from logger.config.setup import SetupConfig
    from logger.record.alerts import Alert
    from logger.record.live import Listener, Place
    from logger.store.drive import Drive

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):  # numpy comes later; small matrices on many threads
    os.environ.setdefault(_name, "1")  # cost up to three times the processor time on a busy machine

app = typer.Typer(
    name="pullbook",
    help="Record test drives of a home-built car, and learn what each change to the car really did.",
    epilog="Shell completion: pullbook --install-completion, then open a new shell.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
for room in (
    cli_logger, runs, photo, mixture, jets, fuel, coast, power, whatif, setups, setting, weather, complete, compare,
    season, sharing, report, packing, desk, analyse, bundle, demo,
):  # fmt: skip
    app.registered_commands += room.app.registered_commands
desk.all_verbs = app.registered_commands


def _after_drive(drive: Drive) -> None:
    """What is said of a drive the moment it is closed: its runs."""
    from analysis.cli.runs import brief_runs

    brief_runs(drive)


def _at_end(store: Path, drives: Sequence[str]) -> None:
    """What is asked of the owner when recording was ended by hand."""
    from analysis.cli.complete import offer

    offer(store, drives)


def _listeners(announce: Callable[..., None], files: Files, store: Path) -> list[Listener]:
    """What watches a drive being recorded on the analysis' behalf: the last run as it happens."""
    from analysis.runs.lessons import Taught
    from analysis.runs.live import LiveRuns
    from analysis.store import DriveStore

    def taught() -> Taught:
        try:
            return DriveStore(store, kept_only=True).so_far(files.config, files.car)
        except (InputError, OSError):  # a store that cannot be read now: the run is told without it
            return Taught()

    return [LiveRuns(announce, files.car.units.speed if files.car else "mph", taught)]


def _questions(store: Path, setup: SetupConfig, but: str = "") -> list[str]:
    """What to ask before a drive of the store carries a setup; a drive that cannot be opened says nothing."""
    from analysis.answers.setups import questions
    from logger.store.drive import list_drives

    return questions(setup, list_drives(store, lambda left_out: None), but)


def _lean_limit(files: Files, channel: Channel) -> float:
    """The mixture beyond which the panel warns, in the channel's own unit."""
    from analysis.mixture.lean_alert import lean_limit
    from logger.config.targets import TargetsConfig

    return lean_limit(files.targets or TargetsConfig(), files.car, str(channel.channel), channel.stoich_afr)


def _lean_watch(files: Files, store: Path, channel: Channel, mixture: Place, load: Place | None) -> Alert:
    """What watches for lean mixture at high load."""
    from analysis.mixture.lean_alert import LeanWatch
    from analysis.mixture.strength import HardPull
    from analysis.store import DriveStore

    def known() -> list[HardPull]:
        try:
            return DriveStore(store, kept_only=True).pulls_so_far(files.car)
        except (InputError, OSError):  # a store that cannot be read now: the car shows what it can do as it goes
            return []

    return LeanWatch(files.config.recorder, _lean_limit(files, channel), mixture, load, files.car, known)


record.hooks.after_drive = _after_drive
record.hooks.at_end = _at_end
record.hooks.listeners = _listeners
record.hooks.questions = _questions
record.hooks.lean_watch = _lean_watch
record.hooks.lean_limit = _lean_limit


@app.callback(invoke_without_command=True)
def stem(
    ctx: typer.Context,
    version: bool = typer.Option(False, "--version", help="Print the version and stop."),
) -> None:
    """Record test drives of a home-built car, and learn what each change to the car really did."""
    if version:
        from importlib.metadata import version as installed

        print(f"pullbook {installed('pullbook')}")
        raise typer.Exit


def main() -> None:
    """Run the command line; what goes wrong ends as one line and an exit code."""
    try:
        for option in (word.split("=")[0] for word in sys.argv[1:] if word.startswith("--")):
            if not option.isprintable():  # it would be shown as it is
                raise InputError(f"{safe(option)}: this option does not exist")
        app()
    except InputError as error:
        _complain(error)
        sys.exit(2)
    except NoAnswer as error:
        _complain(error)
        sys.exit(1)
    except BrokenPipeError:  # the reader of a pipe (head, less) left: nothing is wrong
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except OSError as error:
        _complain(f"{error.filename}: {error.strerror}" if error.filename else error)
        sys.exit(2)


def _complain(what: object) -> None:
    say(str(what))


if __name__ == "__main__":
    main()
