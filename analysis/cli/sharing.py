"""The verbs that make something to show or to take elsewhere: `captions` and `export`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from analysis.answers import typed
from analysis.cli.options import DriveArgument, EndsOption, ForceOption, format_asked, open_store, say_progress
from logger.cli.printing import JsonOption, StoreOption, console, print_json, tell
from logger.units import BYTES_PER_MB

app = typer.Typer()

Style = Literal["text", "bars"]
OverlayKind = Literal["mov", "webm"]


# --- captions -----------------------------------------------------------------------------------------------------


@app.command(epilog="Example: pullbook captions last --video-start +1:23.4")
def captions(
    name: DriveArgument = "last",
    video_start: Annotated[
        list[str] | None,
        typer.Option(
            "--video-start",
            help="When the video started: a time such as 2026-05-02T09:20:05.4Z, or how long into the drive: +1:23.4. "
            "Give one for each --clip if the clips were started separately.",
            show_default=False,
        ),
    ] = None,
    sync: Annotated[
        list[str] | None,
        typer.Option(
            "--sync",
            help="A moment that is in the drive and in the video. Words of a note; or 'run 2', when that run "
            "started to "
            "move; or 'stop 2', when the car stood still after it. On its own it is the start of the video. Two far "
            "apart correct the camera's clock.",
            show_default=False,
        ),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(
            "--at",
            help="Where the --sync before it is in the video: 1:23.4, 83.4s, or a frame: 2502f.",
            show_default=False,
        ),
    ] = None,
    clap: Annotated[
        Path | None,
        typer.Option(
            "--clap",
            help="A video or sound file. Its loudest bang is the moment of the first --sync.",
            show_default=False,
        ),
    ] = None,
    clip: Annotated[
        list[Path] | None,
        typer.Option(
            "--clip",
            help="A video file. May be repeated, in order, if one recording was cut into parts. Each gets captions of "
            "its own, named after the clip.",
            show_default=False,
        ),
    ] = None,
    length: Annotated[
        str | None,
        typer.Option("--length", help="How long the video is. By default to the end of the drive.", show_default=False),
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
            help="Make a transparent video too, to place over yours: mov (PNG in QuickTime, for most editors; "
            "about 1 MB a second) or webm (VP9, much smaller). Needs ffmpeg.",
            show_default=False,
        ),
    ] = None,
    notes: Annotated[bool, typer.Option("--notes", help="Show the notes of the drive too.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", help="The folder to write to. By default this one.", show_default=False)
    ] = None,
    force: ForceOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Captions for a video of a drive: speed, mixture, run time and splits, as WebVTT, SubRip and ASS."""
    from analysis.answers.captions import captions_answer, placed_lines

    answer = captions_answer(
        open_store(store).drive(name), starts=[typed.moment("--video-start", text) for text in video_start or []],
        sync=sync or [], at_s=[typed.video_time("--at", text, fps) for text in at or []], clap=clap, clips=clip or [],
        length_s=typed.quantity("--length", length, "s"), notes=notes, style=style, overlay=overlay,
        fps=typed.rate(fps), folder=out, force=force, progress=say_progress,
    )  # fmt: skip
    if json:
        print_json(answer.to_json())
        return
    say = console()
    for line in placed_lines(answer.rate, answer.residual_s, answer.sigma_s, answer.video_starts_s):
        say.print(line)
    for path in answer.files + answer.overlays:
        say.print(f"Wrote {path}")
    if answer.overlays:
        tell("Place it over the video in your editor, first frame on first frame.")
    tell("To draw the captions into a copy of the video:")
    for command in answer.burn_in:
        tell(f"  {command}")


# --- export -------------------------------------------------------------------------------------------------------


@app.command(epilog="Example: pullbook export last --out saturday.csv")
def export(
    name: DriveArgument = "last",
    format_: Annotated[
        str | None,
        typer.Option(
            "--format", help="csv, parquet, gpx or geojson. By default from the name of --out, or csv.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="The file to write. By default the drive's id.", show_default=False)
    ] = None,
    rate: Annotated[float, typer.Option("--rate", help="Rows or points a second.")] = 10.0,
    ends: EndsOption = None,
    units: Annotated[
        str | None,
        typer.Option(
            "--units", help="Speeds of a CSV: mph, km/h or m/s. By default what the car's file says.",
            show_default=False,
        ),
    ] = None,
    force: ForceOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Write a drive for other programs: CSV, Parquet, GPX or GeoJSON, without the places you keep private."""
    from analysis.answers.export import export_answer

    kind, unit = format_asked(format_, out), typed.export_speed(units)
    drives = open_store(store)
    answer = export_answer(
        drives, drives.drive(name), out, kind, rate_hz=rate, ends_m=typed.quantity("--ends", ends, "m"),
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
