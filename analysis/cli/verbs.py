"""Which verb stands in which module, and the line that the help shows of it.

A verb's module is loaded when that verb is asked for: whoever starts `status` or `--help` does not wait for the others.
tests/unit/analysis/cli/test_verbs.py holds this table to what the verbs say of themselves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Any

import typer
from typer.core import TyperCommand, TyperGroup

if TYPE_CHECKING:
    from typer.models import CommandInfo

_OF_THE_RECORDER = "analysis.cli.recording"

# In the order of the owner's day.
VERBS: dict[str, tuple[str, str]] = {
    "import": (
        _OF_THE_RECORDER,
        "Make a drive from a recording or a plain NMEA log. The same file twice makes one drive.",
    ),
    "rebuild": (
        _OF_THE_RECORDER,
        "Rebuild a drive's tables from its raw bytes, after you corrected a calibration or a setup.",
    ),
    "recover": (_OF_THE_RECORDER, "Finish drives whose recording was cut off by a power cut, a crash or a full disk."),
    "capture": (_OF_THE_RECORDER, "Write a drive's raw bytes to a text file, to look at or to import elsewhere."),
    "begin": (
        _OF_THE_RECORDER,
        "Set everything up with a few questions: ports, car, start at login. Run it again to change an answer.",
    ),
    "record": (_OF_THE_RECORDER, "Record drives, one after the other, until stopped (Ctrl-C)."),
    "ports": (
        _OF_THE_RECORDER,
        "Show the serial ports. With --listen, show what each sends, as a complete recorder.toml.",
    ),
    "status": (_OF_THE_RECORDER, "Show what the recorder is doing, from any terminal."),
    "note": (_OF_THE_RECORDER, "Add a timed note to the drive being recorded, or to the next one if none is."),
    "check": (_OF_THE_RECORDER, "Read the recorder's file and the files it names, and show what was understood."),
    "runs": ("analysis.cli.runs", "Timed runs of a drive: standing starts with splits, each with its uncertainty."),
    "strike": (
        "analysis.cli.runs",
        "Strike runs out, by number or by rule: still shown, with the reason, but not counted. --undo reverses it.",
    ),
    "tag": (
        "analysis.cli.runs",
        "Tag runs, with gear, passenger or fuel. `compare --where gear=2` uses those only, --without the others.",
    ),
    "photo": (
        "analysis.cli.photo",
        "Store pictures and words with a drive or a run, such as a plug after it. Without any, list what is stored.",
    ),
    "mixture": (
        "analysis.cli.mixture",
        "The mixture of a drive by speed and load, compared with its targets; or what changed between two drives.",
    ),
    "jets": (
        "analysis.cli.jets",
        "Which main jet to try next: what full throttle needs, and what each jet you can get would give.",
    ),
    "fuel": (
        "analysis.cli.fuel",
        "Fuel consumption of a loop, with its interval, stored with the drive. Without fuel: stored loops by setup.",
    ),
    "coast": ("analysis.cli.coast", "Road load from coasts in neutral: rolling and drag, with their uncertainty."),
    "power": ("analysis.cli.power", "Force and power at the wheels from timed runs; between setups, what differs."),
    "whatif": (
        "analysis.cli.whatif",
        "Predict times, top speed and cruise fuel after a change, from what the car has shown.",
    ),
    "setup": (
        "analysis.cli.setups",
        "Show the setup in force, put another in force for the next drives, or correct a past drive's.",
    ),
    "setups": ("analysis.cli.setups", "List the setups driven, or show what differs between two of them."),
    "set": (
        "analysis.cli.setting",
        "Change parts of the setup in force for the next drives. Engine off and cool before you change anything.",
    ),
    "weather": (
        "analysis.cli.weather",
        "Show or add the weather of a drive: typed in, or from a METAR report. What you leave out stays unknown.",
    ),
    "complete": (
        "analysis.cli.complete",
        "Ask for what drives are missing: setup, weather, a note. It offers the answers of the same day's drives.",
    ),
    "compare": (
        "analysis.cli.compare",
        "Compare two setups, drives or lists of runs: faster, slower, no difference shown, or too few runs.",
    ),
    "effects": (
        "analysis.cli.compare",
        "What each part did, over all setups driven. Parts that always changed together are named together.",
    ),
    "plan": (
        "analysis.cli.compare",
        "The next drives worth making: the fewest that separate parts changed together, or settle what is open.",
    ),
    "drives": (
        "analysis.cli.season",
        "List the drives: when, what was fitted, runs, best and typical time, mixture, fuel, air.",
    ),
    "season": (
        "analysis.cli.season",
        "The season by setup: what was fitted when, best and typical time, mixture, fuel, and the best run.",
    ),
    "captions": (
        "analysis.cli.sharing",
        "Captions for a video of a drive: speed, mixture, run time and splits, as WebVTT, SubRip and ASS.",
    ),
    "export": (
        "analysis.cli.sharing",
        "Write a drive for other programs: CSV, Parquet, GPX or GeoJSON, without the places you keep private.",
    ),
    "report": (
        "analysis.cli.report",
        "Write one page, in one file, that shows a drive, two setups compared, or the whole season.",
    ),
    "pack": (
        "analysis.cli.packing",
        "Put drives with their setups, notes, photographs and the car's file into one file.",
    ),
    "unpack": (
        "analysis.cli.packing",
        "Read a file of `pullbook pack`. Your own drives are merged; a friend's are stored apart, as another car.",
    ),
    "desk": (
        "analysis.cli.desk",
        "Open the whole tool as pages in the browser of this machine. Nobody else can reach them, except with --share.",
    ),
    "analyse": (
        "analysis.cli.analyse",
        "Work out all drives of many cars as tables, in parallel. It continues where it was interrupted.",
    ),
    "bundle": (
        "analysis.cli.bundle",
        "Put this program and all it needs into a folder, to install on a laptop without internet.",
    ),
    "demo": ("analysis.cli.demo", "Show the main job on sample drives, in a store of its own."),
}


class Verbs(Mapping[str, Any]):
    """The commands themselves, each made when it is asked for."""

    def __init__(self) -> None:
        self._made: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._made:
            alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
            alone.registered_commands = [registered(name)]
            self._made[name] = typer.main.get_command(alone)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(VERBS)

    def __len__(self) -> int:
        return len(VERBS)


def registered(name: str) -> CommandInfo:
    """A verb as its module registers it. KeyError where there is no such verb."""
    found: CommandInfo = next(
        info
        for info in import_module(VERBS[name][0]).app.registered_commands
        if name == (info.name or info.callback.__name__)
    )
    return found


class Stem(TyperGroup):
    """The stem of all verbs: it tells of them by the table, and loads the one that is run."""

    def __init__(self, **how: Any) -> None:
        super().__init__(**how)
        self.commands: Any = Verbs()

    def list_commands(self, ctx: Any) -> list[str]:
        """In the order of the owner's day."""
        return list(VERBS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """What the help and the shell's completion show of a verb: its name and its line."""
        return TyperCommand(cmd_name, help=VERBS[cmd_name][1]) if cmd_name in VERBS else None

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """The verb to run, or whose own help is asked for."""
        name, command, rest = super().resolve_command(ctx, args)
        return name, self.commands[name] if command is not None else None, rest
