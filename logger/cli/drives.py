"""The verbs on recorded drives: import, rebuild, recover, capture; those of recording are in `record`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.cli import begin, record
from logger.cli.files import Files
from logger.cli.printing import AnywayOption, JsonOption, StoreOption, print_json, tell, wrapped
from logger.errors import ANYWAY, DriveError, InputError, NoAnswer
from logger.text import safe
from logger.units import BYTES_PER_MB, MS_PER_S, S_PER_MINUTE
from logger.zone import local_clock, local_minute, zone_of

if TYPE_CHECKING:
    from logger.config.car import CarConfig
    from logger.config.recorder import RecorderConfig
    from logger.config.setup import SetupConfig
    from logger.store.drive import Drive

app = typer.Typer()

DriveArgument = Annotated[str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, or last.")]
SetupOption = Annotated[Path | None, typer.Option("--setup", help="The setup's file.", show_default=False)]
CarOption = Annotated[
    Path | None,
    typer.Option(
        "--car", help="The car's file; by default the one that the recorder's file names.", show_default=False
    ),
]

# A log that says nothing of its receiver: one source, and no delay between a fix and its sentence.
_PLAIN_LOG = """\
# A plain NMEA log, imported without a recorder's file.
[[source]]
name = "gps"
kind = "nmea"
latency_s = 0.0
"""


@app.command("import", epilog="Example: pullbook import saturday.log --config recorder.toml")
def import_(
    file: Annotated[
        Path, typer.Argument(help="A recording from `pullbook capture`, or a plain NMEA log; may be gzipped.")
    ],
    config: Annotated[
        Path | None,
        typer.Option(
            "--config",
            "-c",
            help="The recorder's file. Default: recorder.toml in the store. A plain NMEA log needs none.",
            show_default=False,
        ),
    ] = None,
    setup: SetupOption = None,
    car: CarOption = None,
    anyway: AnywayOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Make a drive from a recording or a plain NMEA log. The same file twice makes one drive."""
    from logger.config.reading import parse
    from logger.config.recorder import NmeaSource, RecorderConfig
    from logger.store import capture, drive, place

    store = store or place.default_store()
    kind = capture.kind_of(file)
    if config is None and kind == "capture":
        config = store / "recorder.toml"
        if not config.is_file():
            raise InputError(
                f"{file}: a recording needs the recorder's file, which says what its sources are. Give --config F"
            )
    if config is None:
        text, settings, own_car, own_setup = _PLAIN_LOG, parse(_PLAIN_LOG, RecorderConfig, "a plain log"), None, None
    else:
        text, settings, own_car, own_setup = _read_config(config, store)
    receiver = next((source.name for source in settings.source if isinstance(source, NmeaSource)), "gps")
    given_setup = _read_setup(setup)
    read = capture.read(file, receiver)
    made = drive.find_raw(store, read.raw)
    already = made is not None
    remarks = []
    if made is None:
        carried = given_setup or own_setup
        if not anyway:
            _ask(store, carried)
        made = drive.write(
            store,
            read.raw,
            settings,
            text,
            _read_car(car) or own_car,
            carried,
            origin=file.name,
            remarks=read.remarks,
        )
    else:
        remarks.append(_same_as(made, settings, given_setup))
    if json:
        print_json({**_answer(made), "already": already})
        return
    name = safe(file.name)
    tell(f"{name} is already in the store: {made.id}" if already else f"Imported {name} as {made.id}")
    _print_drive(made, [remark for remark in remarks if remark])


@app.command(epilog="Example: pullbook rebuild last --car wren.toml")
def rebuild(
    name: DriveArgument,
    config: Annotated[
        Path | None,
        typer.Option(
            "--config", "-c", help="A changed recorder's file; by default the drive's own.", show_default=False
        ),
    ] = None,
    setup: SetupOption = None,
    car: CarOption = None,
    anyway: AnywayOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Rebuild a drive's tables from its raw bytes, after you corrected a calibration or a setup."""
    from logger.store import drive, place

    store = store or place.default_store()
    changes: dict[str, Any] = {}
    if car is not None:
        changes["car"] = _read_car(car)
    if setup is not None:
        changes["setup"] = _read_setup(setup)
    given = None
    if config is not None:
        text, settings, _, _ = _read_config(config)
        given = settings, text
    found = None
    try:
        found = drive.open_drive(store, name)
    except DriveError:
        if name in {"last", "current"}:
            raise
    folder = drive.folder_of(store, name) if found is None else found.path
    if not anyway:
        _ask(store, changes.get("setup"), folder.name)
    if found is None:
        made = drive.mend(folder, given)
    else:
        made = drive.rebuild(found, *(given or (found.config, found.config_text)))
    if changes:
        made = made.amend(f"{' and '.join(changes)} corrected", **changes)
    if json:
        print_json(_answer(made))
        return
    tell(f"Rebuilt {made.id} from its raw bytes")
    _print_drive(made, [])


@app.command(epilog="Example: pullbook recover")
def recover(store: StoreOption = None, json: JsonOption = False) -> None:
    """Finish drives whose recording was cut off by a power cut, a crash or a full disk."""
    from logger.store import drive, place, presence
    from logger.store.recovery import recover_cut_off

    store = store or place.default_store()
    if presence.is_recording(store):
        raise NoAnswer(f"{store}: a recorder is running here. It recovered everything when it started")
    found = recover_cut_off(store)
    if json:
        print_json(
            {
                "recovered": [
                    {**(_answer(drive.open_folder(each.path)) if each.path else {}), "said": each.said}
                    for each in found
                ]
            }
        )
    elif not found:
        tell("There is nothing to recover.")
    else:
        for each in found:
            tell(safe(each.said))
    if failed := [each.said for each in found if each.failed]:
        raise NoAnswer(f"{len(failed)} could not be recovered; the first: {failed[0]}")


@app.command("capture", epilog="Example: pullbook capture last saturday.jsonl")
def capture_(
    name: DriveArgument,
    file: Annotated[Path, typer.Argument(help="The file to write; gzipped if its name ends in .gz.")],
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Write a drive's raw bytes to a text file, to look at or to import elsewhere."""
    from logger.store import capture, drive, place

    found = drive.open_drive(store or place.default_store(), name)
    if file.exists() and not force:
        raise InputError(f"{file}: this file already exists. Name another, or use --force")
    chunks = capture.write(file, found.table("raw"))
    size = file.stat().st_size
    if json:
        print_json({"drive": found.id, "path": str(file), "chunks": chunks, "bytes": size})
    else:
        tell(f"Wrote {found.id} to {safe(str(file))}: {chunks} chunks, {size / BYTES_PER_MB:.2f} MB.")
        tell("It shows where you drove. Think before you give it away.")


app.registered_commands += begin.app.registered_commands
app.registered_commands += record.app.registered_commands


# --- what they share ----------------------------------------------------------------------------------------------


def _read_config(
    path: Path, store: Path | None = None
) -> tuple[str, RecorderConfig, CarConfig | None, SetupConfig | None]:
    """The recorder's file, its text, and car and setup: those it names, or the setup in force in the store."""
    files = Files.read(path, store or path.parent)
    return files.text, files.config, files.car, files.setup


def _read_car(path: Path | None) -> CarConfig | None:
    from logger.config.car import CarConfig
    from logger.config.reading import load

    return load(path, CarConfig) if path is not None else None


def _read_setup(path: Path | None) -> SetupConfig | None:
    from logger.config.reading import load
    from logger.config.setup import SetupConfig

    return load(path, SetupConfig) if path is not None else None


def _ask(store: Path, setup: SetupConfig | None, but: str = "") -> None:
    """InputError with the first question about the setup that a drive is to carry."""
    for question in record.questions(store, setup, but) if setup is not None else ():
        raise InputError(f"{question} {ANYWAY}")


def _same_as(made: Drive, settings: RecorderConfig, setup: SetupConfig | None) -> str:
    """What to do where the drive that is there already was made in another way."""
    if settings != made.config:
        return f"it was built with another configuration; `pullbook rebuild {made.id} --config F` changes that"
    if setup is not None and setup != made.setup:
        return f"it has another setup; `pullbook rebuild {made.id} --setup F` changes that"
    return ""


def _answer(made: Drive) -> dict[str, Any]:
    manifest = made.manifest
    return {
        "drive": made.id,
        "path": str(made.path),
        "duration_s": manifest.duration_s,
        "rows": manifest.rows,
        "rejected": {source.name: sum(source.rejected.values()) for source in manifest.sources},
        "state": manifest.state,
        "remarks": manifest.remarks,
    }


def _print_drive(made: Drive, remarks: list[str]) -> None:
    from logger.cli.printing import console, table

    manifest, clock = made.manifest, made.manifest.clock
    setup = f", setup {made.setup.name!r}" if made.setup is not None else ""
    tell(f"{local_minute(manifest.started_utc)}, {manifest.duration_s / S_PER_MINUTE:.1f} min{setup}")
    rows = []
    for source in manifest.sources:
        void = {f"void: {reason}": count for reason, count in source.void_fields.items()}
        reasons = ", ".join(f"{count} {reason}" for reason, count in {**source.rejected, **void}.items())
        rows.append(
            [source.name, source.kind or "not configured", str(source.rows), str(source.chunks), reasons or "none"]
        )
    console().print(table(["source", "kind", "rows", "chunks", "rejected"], rows, left=(0, 1, 4)))
    if not manifest.counters.get("events"):
        mended = any("corrected" in remark or "mended" in remark for remark in clock.remarks)
        tell(f"Clock: the log's own times{', corrected as noted below' if mended else ''}.")
    elif clock.basis == "gps" and clock.residual_s is not None:
        late = f"half of the fixes within {clock.residual_s * MS_PER_S:.0f} ms"
        tell(f"Clock: by GPS, {late}; the computer gains {clock.drift_ppm or 0:+.1f} ppm.")
    else:
        tell(f"Clock: {clock.basis}.")
    for gap in manifest.gaps[:6]:
        when = f"{local_clock(gap.start_utc)} to {local_clock(gap.end_utc)} ({zone_of(gap.start_utc)})"
        tell(f"Gap: {gap.source or 'all'}, {when}: {safe(gap.why)}.")
    if len(manifest.gaps) > 6:
        tell(f"Gap: {len(manifest.gaps) - 6} more; drive.json lists them all.")
    for remark in [*manifest.remarks, *remarks]:
        tell(wrapped(f"Note: {remark}.", ""))
