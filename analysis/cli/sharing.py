"""The verbs that make something to show or to take elsewhere: `captions` and `export`."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from analysis.cli.options import DriveArgument, EndsOption, ForceOption, format_asked, open_store, say_progress
from logger.cli.printing import JsonOption, StoreOption, console, print_json, tell
from logger.errors import InputError
from logger.units import BYTES_PER_MB, PPM, S_PER_HOUR, S_PER_MINUTE, parse_quantity

if TYPE_CHECKING:
    from analysis.answers.export import ExportSpeed

app = typer.Typer()

Style = Literal["text", "bars"]
OverlayKind = Literal["mov", "webm"]


# --- captions -----------------------------------------------------------------------------------------------------


@app.command()
def captions(
    name: DriveArgument = "last",
    video_start: Annotated[
        list[str] | None,
        typer.Option(
            "--video-start",
            help="When the video began: a time such as 2026-05-02T09:20:05.4Z, or how long into the drive: +1:23.4. "
            "Repeat it, one for each --clip, where the clips were begun apart.",
            show_default=False,
        ),
    ] = None,
    sync: Annotated[
        list[str] | None,
        typer.Option(
            "--sync",
            help="Something that is in the drive and in the video: words of a note, 'run 2' for the moment at which "
            "that run began to move, or 'stop 2' for when the car stood still again after it. Alone it is where the "
            "video begins. Two far apart take out the camera's drift.",
            show_default=False,
        ),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(
            "--at",
            help="When the --sync before it is to be seen in the video: 1:23.4, 83.4s, or a frame: 2502f.",
            show_default=False,
        ),
    ] = None,
    clap: Annotated[
        Path | None,
        typer.Option(
            "--clap", help="A video or sound file: its sharpest bang is when the first --sync was.", show_default=False
        ),
    ] = None,
    clip: Annotated[
        list[Path] | None,
        typer.Option(
            "--clip",
            help="A video file; repeat it, in order, where one recording was cut into several. Each gets captions of "
            "its own beside the name of the clip.",
            show_default=False,
        ),
    ] = None,
    length: Annotated[
        str | None,
        typer.Option("--length", help="How long the video is; by default to the end of the drive.", show_default=False),
    ] = None,
    fps: Annotated[
        float, typer.Option("--fps", help="Frames a second: of an --at that counts frames, and of an --overlay.")
    ] = 30.0,
    style: Annotated[
        Style, typer.Option("--style", help="How ASS and --overlay look: text, or drawn bars and a board of splits.")
    ] = "text",
    overlay: Annotated[
        OverlayKind | None,
        typer.Option(
            "--overlay",
            help="Make a transparent video too, to lay over in any editor: mov (PNG in QuickTime, for most editors; "
            "about 1 MB a second) or webm (VP9, much smaller). Needs ffmpeg.",
            show_default=False,
        ),
    ] = None,
    notes: Annotated[bool, typer.Option("--notes", help="Show the notes of the drive too.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", help="The folder to write to; by default this one.", show_default=False)
    ] = None,
    force: ForceOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Captions for a video of a drive: speed, mixture, run time and splits, as WebVTT, SubRip and ASS."""
    from analysis.answers.captions import captions_answer

    answer = captions_answer(
        open_store(store).drive(name), starts=[_moment("--video-start", text) for text in video_start or []],
        sync=sync or [], at_s=[_video_time("--at", text, fps) for text in at or []], clap=clap, clips=clip or [],
        length_s=parse_quantity(length, "s") if length else None, notes=notes, style=style, overlay=overlay,
        fps=_rate(fps), folder=out, force=force, progress=say_progress,
    )  # fmt: skip
    if json:
        print_json(answer.to_json())
        return
    say = console()
    for start in answer.video_starts_s:
        say.print(f"The video begins {start:.2f} s after the drive's first fix.")
    if answer.rate != 1:
        say.print(f"Its clock differs from the satellites' by {(answer.rate - 1) * PPM:+.0f} parts in a million.")
    if answer.sigma_s > _WORTH_SAYING_S:
        say.print(f"The moment to sync by is known to about {answer.sigma_s:.2f} s; a stop after a run is known best.")
    if answer.residual_s:
        say.print(f"The sync points agree to {answer.residual_s:.2f} s.")
    for path in answer.files + answer.overlays:
        say.print(f"Wrote {path}")
    if answer.overlays:
        tell("Lay it over the video in your editor, first frame on first frame.")
    tell("To draw the captions into a copy of the video:")
    for command in answer.burn_in:
        tell(f"  {command}")


_WORTH_SAYING_S = 0.5 / 30
"""Half a frame at 30 a second."""
_NTSC = {23.976: 24000 / 1001, 23.98: 24000 / 1001, 29.97: 30000 / 1001, 59.94: 60000 / 1001, 119.88: 120000 / 1001}


def _moment(option: str, text: str) -> datetime | float:
    """A time with its zone, or by +time the seconds since the drive began."""
    if text.startswith("+"):
        return _video_time(option, text[1:], 30.0)
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(
            f"{option}: found {text!r}, expected a time such as 2026-05-02T09:20:05.4Z, or +1:23.4 into the drive"
        ) from error
    if when.tzinfo is None:
        raise InputError(f"{option}: {text!r} has no time zone: write it in UTC with a Z at its end, or with +02:00")
    return when


def _rate(fps: float) -> float:
    """Frames a second, those of NTSC as they truly are."""
    if not 1 <= fps <= 1000:
        raise InputError(f"--fps: found {fps:g}, expected frames a second such as 30 or 29.97")
    return _NTSC.get(fps, fps)


def _video_time(option: str, text: str, fps: float) -> float:
    """1:02:03.4, 2:03.4, 123.4, 123.4s, 2min or, with frames a second, 2502f, in seconds."""
    if match := re.fullmatch(r"(\d+)\s*f", text.strip()):
        return int(match[1]) / _rate(fps)
    if match := re.fullmatch(r"(?:(?:(\d+):)?(\d{1,2}):)?(\d+(?:\.\d*)?)\s*s?", text.strip()):
        hours, minutes, seconds = (float(part or 0) for part in match.groups())
        if match[2] is None or seconds < S_PER_MINUTE:
            return hours * S_PER_HOUR + minutes * S_PER_MINUTE + seconds
    try:
        return parse_quantity(text, "s")
    except InputError as error:
        raise InputError(f"{option}: found {text!r}, expected a time such as 1:23.4, 83.4s or 2502f") from error


# --- export -------------------------------------------------------------------------------------------------------


@app.command()
def export(
    name: DriveArgument = "last",
    format_: Annotated[
        str | None,
        typer.Option(
            "--format", help="csv, parquet, gpx or geojson; by default by the name of --out, or csv.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="The file to write; by default the drive's id.", show_default=False)
    ] = None,
    rate: Annotated[float, typer.Option("--rate", help="Rows or points a second.")] = 10.0,
    ends: EndsOption = None,
    units: Annotated[
        str | None,
        typer.Option(
            "--units", help="Speeds of a CSV: mph, km/h or m/s; by default what the car's file says.",
            show_default=False,
        ),
    ] = None,
    force: ForceOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Write a drive for other programs: CSV, Parquet, GPX or GeoJSON, without the places that stay private."""
    from analysis.answers.export import export_answer

    kind, unit = format_asked(format_, out), _speed_asked(units)
    drives = open_store(store)
    answer = export_answer(
        drives, drives.drive(name), out, kind, rate_hz=rate, ends_m=parse_quantity(ends, "m") if ends else None,
        speed_unit=unit, force=force,
    )  # fmt: skip
    if json:
        print_json(answer.to_json())
        return
    say = console()
    held = f"{answer.rows} rows" if answer.rows is not None else f"{answer.points} points"
    say.print(f"Wrote {answer.path}: {held}, {answer.bytes / BYTES_PER_MB:.2f} MB.")
    if answer.receiver:
        say.print(f"Private: {answer.private.words}; {answer.private.share_cut:.0%} of the positions were cut.")


def _speed_asked(units: str | None) -> ExportSpeed | None:
    known: tuple[ExportSpeed, ...] = ("mph", "km/h", "m/s")
    for unit in known:
        if units == unit:
            return unit
    if units is None:
        return None
    raise InputError(f"--units: found {units!r}, expected mph, km/h or m/s")
