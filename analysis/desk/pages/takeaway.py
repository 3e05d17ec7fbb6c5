"""What is taken away from a drive: its page as one file, captions for a video, its data. All is made in memory."""

from __future__ import annotations

import urllib.parse
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.responses import Response

from analysis.desk.fields import EntryError, given, refused
from analysis.desk.pages.drive import DriveShown, known, told
from analysis.desk.parts import Entry, Form, Links, Part, Shown, View, address, typed
from analysis.desk.views import waiting
from analysis.report.page import Bullets, Page, Words
from logger.errors import InputError, NoAnswer
from logger.zone import local_clock

if TYPE_CHECKING:
    from collections.abc import Mapping

    from starlette.requests import Request

    from analysis.answers.captions import MadeCaptions
    from analysis.desk.app import Desk
    from analysis.desk.work import Asked
    from analysis.drive import AnalysedDrive
    from analysis.store import DriveStore

_CAPTION_KINDS = {"vtt": "text/vtt", "srt": "application/x-subrip", "ass": "text/plain"}
_OVERLAYS = [("", "no"), ("mov", "mov, for most editors"), ("webm", "webm, much smaller")]
_EXPORT_KINDS = {
    "csv": ("CSV, for a spreadsheet", "text/csv"), "parquet": ("Parquet, for analysis", "application/octet-stream"),
    "gpx": ("GPX, a track", "application/gpx+xml"), "geojson": ("GeoJSON, a track", "application/geo+json"),
}  # fmt: skip


def as_file(data: bytes, name: str, kind: str) -> Response:
    """A file to keep, under a name of plain letters."""
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "-" for c in name)
    return Response(data, media_type=kind, headers={"content-disposition": f'attachment; filename="{plain}"'})


def page_as_file(page: Page, stem: str) -> Response:
    """A report's page as one file, as `pullbook report` writes it."""
    from analysis.report.page import render

    return as_file(render(page, datetime.now(UTC)).encode("utf-8"), f"{stem}.html", "text/html")


def report(desk: Desk, request: Request) -> Response | View:
    """The drive's page as one file."""
    name = request.path_params["drive"]
    asked = told(desk, name)
    if not asked.done:
        return waiting(asked, "drives", f"Drive {name}")
    found: DriveShown = asked.value
    if found.why_bare is not None:
        raise found.why_bare
    return page_as_file(found.report, found.stem)


# --- captions -----------------------------------------------------------------------------------------------------


def captions(desk: Desk, request: Request) -> View:
    """Where a video lies on the drive, and then the files for it."""
    name, asked = request.path_params["drive"], dict(request.query_params)
    work = _captions_work(desk, name, asked)
    if not work.done:
        return waiting(work, "drives", f"Captions for a video of drive {name}")
    form, made, error = work.value
    if error is not None:
        form = refused(form, asked, error)
    files = []
    if made is not None:
        files = [Part("files", "The files", [*_made_blocks(name, made, asked), *_overlay(desk, name, asked)])]
    return View(
        Page(f"Captions for a video of drive {name}", "", ()), "drives",
        typed("captions", name, *_captions_options(asked)), status=422 if form.refused else 200,
        parts=[Part("captions", "Line the video up with the drive", [form]), *files, _back(name)],
    )  # fmt: skip


def _captions_work(desk: Desk, name: str, asked: Mapping[str, str]) -> Asked:
    """The form, what was made where something was asked, and why it could not be: once for the page and its files."""

    def made(
        store: DriveStore, progress: Callable[[str], None]
    ) -> tuple[Form, MadeCaptions | None, InputError | NoAnswer | None]:
        drive = known(store, name)
        form = _captions_form(drive)
        if not asked:
            return form, None, None
        try:
            progress("placing the video on the drive")
            return form.filled({"notes": "", **asked}), _captions_made(drive, asked), None
        except (InputError, NoAnswer) as error:
            return form, None, error

    videos = [*_clips(asked), *_paths(given(asked, "clap"))]
    return desk.ask(("captions", name, tuple(sorted(asked.items())), tuple(map(_as_it_is, videos))), made, last=name)


def _as_it_is(path: Path) -> tuple[str, int, int]:
    try:
        about = path.stat()
    except (OSError, ValueError):
        return str(path), 0, 0
    return str(path), about.st_mtime_ns, about.st_size


def caption_file(desk: Desk, request: Request) -> Response | View:
    """One of the files: of the `n`-th clip, where there are several."""
    name, kind, asked = request.path_params["drive"], request.path_params["kind"], dict(request.query_params)
    at = asked.pop("n", "0")
    if kind not in _CAPTION_KINDS:
        raise NoAnswer("this file is not there")
    work = _captions_work(desk, name, asked)
    if not work.done:
        return waiting(work, "drives", f"Captions for a video of drive {name}")
    _, made, error = work.value
    if error is not None:
        raise error
    found = [(path, text) for path, text in made.texts.items() if path.suffix == f".{kind}"] if made is not None else []
    if at not in map(str, range(len(found))):
        raise NoAnswer("this file is not there")
    path, text = found[int(at)]
    return as_file(text.encode("utf-8"), path.name, _CAPTION_KINDS[kind])


def _captions_form(drive: AnalysedDrive) -> Form:
    moments = [("", "-"), *_moments(drive)]
    return Form(
        "captions", address("drive", drive.id, "captions"),
        [Entry("sync", "A moment seen in the video", how="choice", options=moments,
               help="A run's first movement, a stop, or a note. A stop is the most exact."),
         Entry("at", "Its time in the video", help="Such as 1:23.4, 83.4s, or frame 2502f. If empty: the start."),
         Entry("sync2", "A second moment, far from the first", how="choice", options=moments,
               help="It removes the drift of the camera's clock."),
         Entry("at2", "Time of the second moment"),
         Entry("video_start", "Or when the video started", help="2026-05-02T09:20:05Z, or +1:23.4 into the drive."),
         Entry("clip", "The video files, in order", how="area", lines=2,
               help="One path a line on this machine, such as /home/me/Videos/one.mp4. Only their length and size are "
               "read. Each gets its own captions."),
         Entry("clap", "A video file with a clap at the first moment", broad=True,
               help="In place of its time above. The sharpest bang in the sound is found."),
         Entry("length", "Length of the video",
               help="Such as 5min, if no file is named. If empty: to the end of the drive."),
         Entry("fps", "Frames per second", "30", numeric=True, help="For a time given as a frame, and for an overlay."),
         Entry("style", "How they look", how="choice", options=[("", "lines of text"), ("bars", "bars and a board")],
               help="In ASS and the overlay: text, or drawn bars for speed and mixture and a board of splits."),
         Entry("overlay", "A transparent video too", how="choice", options=_OVERLAYS,
               help="To place over yours in a video editor. Needs ffmpeg on this machine."),
         Entry("notes", "Also show the notes of the drive", how="tick")],
        "Make captions", asks=True,
    )  # fmt: skip


def _moments(drive: AnalysedDrive) -> list[tuple[str, str]]:
    from analysis.drive import utc

    try:
        runs = drive.table_runs(drive.unit)
    except NoAnswer:
        runs = []
    found = []
    for run in runs:
        when = local_clock(utc(run.start_utc_ns))
        found += [
            (f"run {run.n}", f"run {run.n} starts to move, {when}"),
            (f"stop {run.n}", f"the car stops after run {run.n}"),
        ]
    return [*found, *((note.text, f"note: {note.text}") for note in drive.drive.manifest.notes)]


def _captions_made(drive: AnalysedDrive, asked: Mapping[str, str]) -> MadeCaptions:
    from analysis.answers import typed as read
    from analysis.answers.captions import captions_made

    try:
        fps = float(given(asked, "fps") or 30.0)
    except ValueError as error:
        raise EntryError("fps", f"{asked['fps']!r} is not a number. Write it as 30 or 29.97") from error
    sync = [text for name in ("sync", "sync2") if (text := given(asked, name))]
    at_s = [read.video_time(f"--{name}", text, fps) for name in ("at", "at2") if (text := given(asked, name))]
    start = given(asked, "video_start")
    for entry in ("clip", "clap"):
        for path in _paths(given(asked, entry)):
            if not path.is_file():
                raise EntryError(entry, f"{path}: no such file on this machine")
    return captions_made(
        drive, starts=[read.moment("--video-start", start)] if start else [], sync=sync, at_s=at_s,
        length_s=read.quantity("--length", given(asked, "length"), "s"), notes=bool(asked.get("notes")), folder=Path(),
        clips=_clips(asked), clap=next(iter(_paths(given(asked, "clap"))), None),
        style="bars" if asked.get("style") == "bars" else "text",
    )  # fmt: skip


def _clips(asked: Mapping[str, str]) -> list[Path]:
    return _paths(given(asked, "clip"))


def _paths(text: str | None) -> list[Path]:
    """The files of an entry, a line each."""
    return [Path(line.strip()) for line in (text or "").splitlines() if line.strip()]


def _made_blocks(drive: str, made: MadeCaptions, asked: Mapping[str, str]) -> list[Shown]:
    from analysis.answers.captions import placed_lines

    first = made.fits[0]
    lines = placed_lines(first.rate, first.residual_s, made.sigma_s, [fit.offset_s for fit in made.fits])
    query = {name: value for name, value in asked.items() if value}
    kinds = {"vtt": "WebVTT, for a web page", "srt": "SubRip, for a video player", "ass": "ASS, to draw into the video"}
    files, passed = list[tuple[str, str, str]](), dict[str, int]()
    for path in made.texts:
        kind = path.suffix.removeprefix(".")
        n = passed.setdefault(kind, 0)
        passed[kind] += 1
        told = urllib.parse.urlencode({**query, "n": n} if n else query)
        files.append((f"{address('drive', drive, f'captions.{kind}')}?{told}", path.name, kinds[kind]))
    return [
        Bullets(lines), Links(files),
        Words("To draw the captions into a copy of the video, run this beside the ASS file:"),
        *(Words(f"`{command}`") for command in made.commands),
    ]  # fmt: skip


def _overlay(desk: Desk, drive: str, asked: Mapping[str, str]) -> list[Shown]:
    """A transparent video takes as long as the video itself: it is made as a command, which can be left."""
    if not asked.get("overlay"):
        return []
    words = [drive, *_captions_options(asked)]
    entries = [Entry(name, "", text, "hidden") for name, text in desk.verbs["captions"].form_of(words).items()]
    said = "The transparent video takes about as long to draw as it is, or a few times that. You can leave the page."
    return [Form("overlay", address("commands", "captions"), entries, "Draw the transparent video", said)]


def _captions_options(asked: Mapping[str, str]) -> list[str]:
    options = []
    for name, option in (("video_start", "--video-start"), ("sync", "--sync"), ("at", "--at"), ("sync2", "--sync"),
                         ("at2", "--at"), ("length", "--length")):  # fmt: skip
        if text := given(asked, name):
            options += [option, text]
    options += [word for path in _clips(asked) for word in ("--clip", str(path))]
    options += [word for path in _paths(given(asked, "clap"))[:1] for word in ("--clap", str(path))]
    if (fps := given(asked, "fps")) and fps != "30":
        options += ["--fps", fps]
    if asked.get("style") == "bars":
        options += ["--style", "bars"]
    if asked.get("overlay") in {kind for kind, _ in _OVERLAYS if kind}:
        options += ["--overlay", asked["overlay"]]
    return [*options, *(["--notes"] if asked.get("notes") else [])]


# --- the data -----------------------------------------------------------------------------------------------------


def export(desk: Desk, request: Request) -> View:
    """What the drive is to be written as."""
    drive = known(desk.opened(), request.path_params["drive"])
    return _export_page(drive, _export_form(drive))


def exported(desk: Desk, request: Request) -> Response | View:
    """The drive as a file for other programs."""
    from analysis.answers import export as answer
    from analysis.answers import typed as read

    asked = dict(request.query_params)
    store = desk.opened()
    drive = known(store, request.path_params["drive"])
    try:
        kind = read.export_format("--format", asked.get("format", "csv"))
        rate = read.quantity("--rate", given(asked, "rate"), "1")
        made = answer.exported(
            store, drive, kind, rate_hz=10.0 if rate is None else rate,
            ends_m=read.quantity("--ends", given(asked, "ends"), "m"),
            speed_unit=read.export_speed(given(asked, "units")),
        )  # fmt: skip
    except (InputError, NoAnswer) as error:
        return _export_page(drive, refused(_export_form(drive), asked, error), 422)
    return as_file(made.data, f"{drive.id}.{kind}", _EXPORT_KINDS[kind][1])


def _export_page(drive: AnalysedDrive, form: Form, status: int = 200) -> View:
    return View(
        Page(f"The data of drive {drive.id}", "", ()), "drives", typed("export", drive.id), status=status,
        parts=[Part("export", "Export for other programs", [form]), _back(drive.id)],
    )  # fmt: skip


def _export_form(drive: AnalysedDrive) -> Form:
    units = [("", "as the car's file says"), ("mph", "mph"), ("km/h", "km/h"), ("m/s", "m/s")]
    return Form(
        "export", address("drive", drive.id, "export", "file"),
        [Entry("format", "As", "csv", "choice", options=[(kind, said) for kind, (said, _) in _EXPORT_KINDS.items()]),
         Entry("rate", "Rows or points per second", "10", numeric=True),
         Entry("ends", "Cut positions from both ends", help="Distance from its start and end, such as 500m. "
               "If empty: what the recorder's file says, or 300 m. Private circles are always cut out."),
         Entry("units", "Speeds in", how="choice", options=units, help="For CSV.")],
        "Download", asks=True,
    )  # fmt: skip


def _back(drive: str) -> Part:
    links: Sequence[tuple[str, str, str]] = [(address("drive", drive), f"Drive {drive}", "")]
    return Part("back", "Back", [Links(links)])


ROUTES = [
    ("GET", "/drive/{drive}/report.html", "drives", report),
    ("GET", "/drive/{drive}/captions", "drives", captions),
    ("GET", "/drive/{drive}/captions.{kind}", "drives", caption_file),
    ("GET", "/drive/{drive}/export", "drives", export),
    ("GET", "/drive/{drive}/export/file", "drives", exported),
]
