"""The verbs that make something to show or to take elsewhere: `captions` and `export`."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import DriveArgument, EndsOption, ForceOption, format_asked
from analysis.sharing.files import write_whole
from logger.cli.printing import JsonOption, StoreOption, console, print_json
from logger.errors import InputError, NoAnswer
from logger.units import parse_quantity

if TYPE_CHECKING:
    from analysis.drive import Analysed
    from analysis.sharing.captions import Line
    from analysis.sharing.video import Video
    from logger.store.drive import Drive

app = typer.Typer()


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
    fps: Annotated[float, typer.Option("--fps", help="Frames a second, for an --at that counts frames.")] = 30.0,
    notes: Annotated[bool, typer.Option("--notes", help="Show the notes of the drive too.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", help="The folder to write to; by default this one.", show_default=False)
    ] = None,
    force: ForceOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Captions for a video of a drive: speed, mixture, run time and splits, as WebVTT, SubRip and ASS."""
    from analysis.drive import analyse, speed_unit
    from analysis.sharing import captions as made_of
    from analysis.sharing.captions import Alignment
    from analysis.sharing.video import burn_words, probe
    from logger.store.drive import default_store, open_drive

    store = store or default_store()
    drive = open_drive(store, name)
    found = analyse(drive)
    clips = clip or []
    starts = [_moment("--video-start", text, found) for text in video_start or []]
    if starts and sync:
        raise InputError("--video-start and --sync both say where the video lies: give one of them")
    if len(starts) > 1 and len(starts) != len(clips):
        raise InputError(f"--video-start: {len(starts)} times for {len(clips)} clips: expected one for each --clip")
    probed = [probe(path) for path in clips]
    points, known = ([], 0.0) if starts else _points(found, sync or [], at or [], clap, fps)
    fits = [Alignment(start) for start in starts] or [made_of.align(points)]
    shown = lines_of(found, store, speed_unit(drive), notes)
    whole = parse_quantity(length, "s") if length else None
    folder = out or Path()
    written: list[Path] = []
    commands: list[str] = []
    passed = 0.0
    jobs: list[tuple[str, Path | None, Video | None]]
    jobs = [(f"{path.stem}", path, video) for path, video in zip(clips, probed, strict=True)] or [
        (f"{drive.id}-captions", None, None)
    ]
    texts: dict[Path, str] = {}
    for number, (stem, path, video) in enumerate(jobs):
        fit = fits[number if len(starts) > 1 else 0]
        cut = made_of.on_video(shown, fit, video.length_s if video else whole, passed)
        passed += video.length_s if video and len(starts) <= 1 else 0.0
        if not cut:
            raise NoAnswer(f"{stem}: nothing of drive {drive.id} lies within this video: check where it begins")
        size = (video.width, video.height) if video else (1920, 1080)
        if folder / f"{stem}.vtt" in texts:
            raise InputError(f"--clip: two clips are called {stem!r}: rename one, or run this once for each")
        for suffix, text in (
            ("vtt", made_of.webvtt(cut)), ("srt", made_of.subrip(cut)), ("ass", made_of.ass(cut, size)),
        ):  # fmt: skip
            texts[folder / f"{stem}.{suffix}"] = text
        source = path or Path("VIDEO.mp4")
        commands.append(burn_words(source, folder / f"{stem}.ass", folder / f"{source.stem}-captioned{source.suffix}"))
    for path, text in texts.items():
        written.append(write_whole(path, text.encode("utf-8"), force))
    fit = fits[0]
    if json:
        print_json(
            {
                "drive": drive.id, "files": written, "burn_in": commands, "drive_s_at_video_start": fit.offset_s,
                "rate": fit.rate, "residual_s": fit.residual_s, "sigma_s": known,
            }
        )  # fmt: skip
        return
    say = console()
    for start in fits:
        say.print(f"The video begins {start.offset_s:.2f} s after the drive's first fix.")
    if fit.rate != 1:
        say.print(f"Its clock differs from the satellites' by {(fit.rate - 1) * 1e6:+.0f} parts in a million.")
    if known > 1 / 60:
        say.print(f"The moment to sync by is known to about {known:.2f} s; a stop after a run is known best.")
    if fit.residual_s:
        say.print(f"The sync points agree to {fit.residual_s:.2f} s.")
    for path in written:
        say.print(f"Wrote {path}")
    print("To draw the captions into a copy of the video:")
    for command in commands:
        print(f"  {command}")


def lines_of(found: Analysed, store: Path, unit: str, notes: bool = False) -> list[Line]:
    """All that captions can show of a drive, on its motion's time axis."""
    from analysis.drive import map_drive, read_targets
    from analysis.sharing import captions as made_of

    shown = [*made_of.speed_lines(found.motion, unit), *made_of.run_lines(found.runs, unit)]
    try:
        mapped = map_drive(found.drive, read_targets(None, store))
    except NoAnswer:
        pass  # a drive without a mixture shows none
    else:
        form = "AFR {:.1f}" if mapped.readings.channel == "afr" else "lambda {:.2f}"
        late = mapped.answer.delay.delay_s + mapped.answer.delay.lag_s
        shown += made_of.value_lines(mapped.readings.time_s - late, mapped.readings.value, form)
    if notes:
        zero = found.motion.epoch_utc_ns * 1e-9
        shown += made_of.note_lines((note.utc.timestamp() - zero, note.text) for note in found.drive.manifest.notes)
    return shown


def _moment(option: str, text: str, found: Analysed) -> float:
    """A moment given as a time with its zone, or as +time into the drive, in seconds from the drive's first fix."""
    zero = found.motion.epoch_utc_ns * 1e-9
    if text.startswith("+"):
        return found.drive.manifest.started_utc.timestamp() + _video_time(option, text[1:], 30.0) - zero
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(
            f"{option}: found {text!r}, expected a time such as 2026-05-02T09:20:05.4Z, or +1:23.4 into the drive"
        ) from error
    if when.tzinfo is None:
        raise InputError(f"{option}: {text!r} has no time zone: write it in UTC with a Z at its end, or with +02:00")
    return when.timestamp() - zero


def _points(
    found: Analysed, sync: list[str], at: list[str], clap: Path | None, fps: float
) -> tuple[list[tuple[float, float]], float]:
    """Pairs of video time and drive time [s], and how well the latter are known."""
    from analysis.sharing.video import find_clap, read_sound

    if not sync:
        raise InputError("nothing says where the video lies on the drive: give --video-start TIME or --sync NOTE")
    seen = [_video_time("--at", text, fps) for text in at]
    if clap is not None:
        seen.insert(0, find_clap(*read_sound(clap)).time_s)
    if len(sync) == 1 and not seen:
        seen = [0.0]
    if len(seen) != len(sync):
        raise InputError(f"--sync is given {len(sync)} times and --at {len(seen)} times: each --sync needs its own")
    when = [_synced(text, found) for text in sync]
    return [(video, moment) for video, (moment, _) in zip(seen, when, strict=True)], max(sigma for _, sigma in when)


def _synced(text: str, found: Analysed) -> tuple[float, float]:
    """When a sync point was [s], and how well that is known."""
    if match := re.fullmatch(r"(run|stop)\s*(\d+)", text.strip(), re.IGNORECASE):
        run = next((run for run in found.runs if run.n == int(match[2])), None)
        if run is None:
            raise InputError(f"--sync: {found.drive.id} has no run {match[2]}: its runs are 1 to {len(found.runs)}")
        if match[1].lower() == "run":
            return run.start_s, run.start_sigma_s
        rest = next((rest for rest in found.motion.rests if rest.start_s >= run.end_s), None)
        if rest is None:
            raise InputError(f"--sync: the car of {found.drive.id} did not stand still any more after run {match[2]}")
        return rest.start_s, found.motion.step_s / 2
    notes = found.drive.manifest.notes
    hits = [note for note in notes if text.casefold() in note.text.casefold()]
    exact = [note for note in hits if note.text.casefold() == text.casefold()]
    hits = exact if len(exact) == 1 else hits
    if len(hits) == 1:
        return hits[0].utc.timestamp() - found.motion.epoch_utc_ns * 1e-9, KEY_PRESS_S
    if hits:
        raise InputError(f"--sync: {len(hits)} notes of {found.drive.id} have {text!r} in them: give more of its words")
    known = "; ".join(repr(note.text) for note in notes[:5]) or "none"
    raise InputError(f"--sync: no note of {found.drive.id} has {text!r} in it: its notes are {known}; or say 'run 1'")


KEY_PRESS_S = 0.2
"""How far a key is pressed from the moment it is meant for (common practice, no source)."""
_NTSC = {23.976: 24000 / 1001, 23.98: 24000 / 1001, 29.97: 30000 / 1001, 59.94: 60000 / 1001, 119.88: 120000 / 1001}


def _video_time(option: str, text: str, fps: float) -> float:
    """1:02:03.4, 2:03.4, 123.4, 123.4s, 2min or, with frames a second, 2502f, in seconds."""
    if not 1 <= fps <= 1000:
        raise InputError(f"--fps: found {fps:g}, expected frames a second such as 30 or 29.97")
    if match := re.fullmatch(r"(\d+)\s*f", text.strip()):
        return int(match[1]) / _NTSC.get(fps, fps)
    if match := re.fullmatch(r"(?:(?:(\d+):)?(\d{1,2}):)?(\d+(?:\.\d*)?)\s*s?", text.strip()):
        hours, minutes, seconds = (float(part or 0) for part in match.groups())
        if match[2] is None or seconds < 60:
            return hours * 3600 + minutes * 60 + seconds
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
    from analysis.sharing import privacy, tables, tracks
    from logger.store.drive import default_store, open_drive

    drive = open_drive(store or default_store(), name)
    kind = format_asked(format_, out)
    if units is not None and units not in ("mph", "km/h", "m/s"):
        raise InputError(f"--units: found {units!r}, expected mph, km/h or m/s")
    if not 0.01 <= rate <= 1000:
        raise InputError(f"--rate: found {rate:g}, expected 0.01 to 1000 a second")
    rules = privacy.in_force(store or default_store(), [drive], parse_quantity(ends, "m") if ends else None)
    where = tracks.positions(drive) if _has_receiver(drive) else None
    if kind in ("csv", "parquet"):
        found = _analysed(drive)
        motion, runs = (found.motion, found.runs) if found else (None, [])
        table = tables.common_base(drive, rate, rules, motion, runs)
        unit = units or (drive.car.units.speed if drive.car else "m/s")
        # With its mark at the beginning a spreadsheet reads the file as UTF-8.
        data = tables.csv_text(table, unit).encode("utf-8-sig") if kind == "csv" else tables.parquet_bytes(table)
        rows, what = table.num_rows, "rows"
    else:
        if where is None:
            raise NoAnswer(f"{drive.id}: there is no GPS receiver among its sources, so there is no track")
        shown = tracks.thinned(privacy.cut(where, rules), rate)
        rows, what = int((~shown.hidden).sum()), "points"
        if rows == 0:
            raise NoAnswer(f"{drive.id}: all of its positions stay private ({rules.said()}), so there is no track")
        text = tracks.gpx_text(drive, shown) if kind == "gpx" else tracks.geojson_text(drive, shown)
        data = text.encode("utf-8")
    path = write_whole(out or Path(f"{drive.id}.{kind}"), data, force)
    hidden = float(privacy.cut(where, rules).hidden.mean()) if where is not None and len(where.t_s) else 0.0
    if json:
        print_json(
            {
                "drive": drive.id, "path": path, "format": kind, what: rows, "bytes": len(data),
                "private": {"ends_m": rules.ends_m, "circles": len(rules.circles), "share_cut": hidden},
            }
        )  # fmt: skip
        return
    say = console()
    say.print(f"Wrote {path}: {rows} {what}, {len(data) / 1e6:.2f} MB.")
    if where is not None:
        say.print(f"Private: {rules.said()}; {hidden:.0%} of the positions were cut.")


def _has_receiver(drive: Drive) -> bool:
    return any(kind == "nmea" and name in drive.table_names for name, kind in drive.kinds.items())


def _analysed(drive: Drive) -> Analysed | None:
    """The drive's motion and runs, where it has any."""
    from analysis.drive import analyse

    try:
        return analyse(drive)
    except (InputError, NoAnswer):
        return None
