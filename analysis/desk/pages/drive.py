"""The drives of the store, and a drive's page: the report's, with what can be done to the drive under it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from starlette.responses import Response

from analysis import wording
from analysis.desk.fields import form_of, given, line_of, unchanged, version_of
from analysis.desk.parts import Entry, Form, Links, Part, View, typed
from analysis.desk.views import waiting
from analysis.report.page import Page
from logger.errors import NoAnswer
from logger.units import parse_quantity

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from starlette.requests import Request

    from analysis.desk.app import Desk
    from analysis.drive import AnalysedDrive
    from analysis.store import DriveStore

_TITLE = "Drives"


def listed(desk: Desk, request: Request) -> View:
    """All drives at a glance, the newest first."""

    def made(store: DriveStore, progress: Callable[[str], None]) -> Any:
        from analysis.answers.drives import drives_answer
        from analysis.changes.season import gather

        return drives_answer(gather(store, progress=progress))

    asked = desk.ask("drives", made)
    if not asked.done:
        return waiting(asked, "drives", _TITLE)
    answer = asked.value
    items = []
    for each in reversed(answer.drives):
        told = [f"{each.setup}", wording.plural(each.runs, "run")]
        if each.best_s == each.best_s:
            told.append(f"best {each.best_s:.2f} s to {answer.speed}")
        if each.trouble:
            told.append(each.trouble)
        when = f"{wording.day(each.started_utc)} {wording.local_clock(each.started_utc)[:5]}"
        items.append((f"/drive/{each.drive}", when, ", ".join(told)))
    page = Page(_TITLE, f"{wording.plural(len(items), 'drive')} in this store", ())
    return View(page, "drives", typed("drives"), parts=[Part("list", "The newest first", [Links(items)])])


def page(desk: Desk, request: Request) -> View:
    """A drive's report, with its actions."""
    return _page(desk, request.path_params["drive"])


def _page(desk: Desk, name: str) -> View:
    def made(store: DriveStore, progress: Callable[[str], None]) -> tuple[Page, list[tuple[int, str]], str, str]:
        from analysis.report.asked import asked_page

        drive = _known(store, name)
        _, report = asked_page(store, [drive.id], progress=progress)
        return report, _runs(drive), drive.id, version_of(drive.drive.path / "drive.json")

    asked = desk.ask(("drive", name), made)
    if not asked.done:
        return waiting(asked, "drives", f"Drive {name}")
    report, runs, drive, version = asked.value
    return View(report, "drives", typed("report", drive), parts=_actions(drive, runs, version))


def _known(store: DriveStore, name: str) -> AnalysedDrive:
    """The drive of that id; a path or an unknown name is none."""
    found = next((each for each in store.drives if each.id == name), None)
    if found is None:
        raise NoAnswer(f"there is no drive {name!r} in this store")
    return found


def _runs(drive: AnalysedDrive) -> list[tuple[int, str]]:
    """Each run's number, and what it is called in a list to tick; none where the drive has no usable fixes."""
    from analysis.drive import utc

    try:
        runs = drive.table_runs(drive.unit)
    except NoAnswer:
        return []
    return [
        (
            run.n,
            f"run {run.n} of {wording.local_clock(utc(run.start_utc_ns))}" + (f", struck out: {why}" if why else ""),
        )
        for run in runs
        for why in [drive.struck(run)]
    ]


def _actions(drive: str, runs: list[tuple[int, str]], version: str) -> list[Part]:
    held = Entry("version", "", version, "hidden")
    parts = []
    if runs:
        ticks = Entry("runs", "Runs", how="ticks", options=[(str(n), said) for n, said in runs])
        strike = Form(
            "strike", f"/drive/{drive}/strike",
            [held, ticks, Entry("reason", "Reason", help="Kept with the drive: a run is never struck out silently."),
             Entry("undo", "Count them again instead", how="tick")],
            "Strike out", "A run that is struck out stays on the page and never counts.",
            typed("strike", drive, "1", "--reason", "..."),
        )  # fmt: skip
        tag = Form(
            "tag", f"/drive/{drive}/tag",
            [held, ticks, Entry("tags", "Tags", help="Such as passenger, or gear=2; spaces between several."),
             Entry("undo", "Take these tags away instead", how="tick")],
            "Tag runs", command=typed("tag", drive, "1", "gear=2"),
        )  # fmt: skip
        parts.append(Part("mark", "Strike out and tag runs", [strike, tag]))
    weather = Form(
        "weather", f"/drive/{drive}/weather",
        [held, Entry("metar", "METAR report", help="Of an airfield nearby, pasted whole; or give what you know below."),
         Entry("temperature", "Temperature", help="Such as 17C or 63F."),
         Entry("pressure", "Pressure at the place", help="Such as 1009hPa or 29.8inHg."),
         Entry("humidity", "Humidity", help="Such as 59%."),
         Entry("wind", "Wind", help="Such as 1.2m/s or 5mph."),
         Entry("wind_from", "Wind from", unit="degrees", numeric=True)],
        "Keep the weather", "What is left empty stays as it was.", typed("weather", drive, "--temperature", "17C"),
    )  # fmt: skip
    note = Form("note", f"/drive/{drive}/note", [held, Entry("text", "Note")], "Keep the note")
    return [*parts, Part("conditions", "Weather and notes", [weather, note])]


# --- what it does -------------------------------------------------------------------------------------------------


async def strike(desk: Desk, request: Request) -> Response:
    from analysis.answers.marks import numbers_of
    from analysis.answers.runs import strike_runs

    def do(drive: AnalysedDrive, form: Mapping[str, str]) -> str:
        numbers = numbers_of(",".join(line_of(form, "runs", "the list of runs").split("\n")))
        undo = bool(form.get("undo"))
        done = strike_runs(drive, numbers, form.get("reason", ""), undo=undo)
        count = wording.plural(len(done), "run")
        return f"{count} counted again." if undo else f"{count} struck out: {done[0].reason}"

    return await _changed(desk, request, do)


async def tag(desk: Desk, request: Request) -> Response:
    from analysis.answers.marks import numbers_of, tag_runs

    def do(drive: AnalysedDrive, form: Mapping[str, str]) -> str:
        numbers = numbers_of(",".join(line_of(form, "runs", "the list of runs").split("\n")))
        words = line_of(form, "tags", "the list of tags").split()
        answer = tag_runs(drive, numbers, words, undo=bool(form.get("undo")))
        return "; ".join(f"run {each.n}: {', '.join(each.tags) or 'no tags'}" for each in answer.runs)

    return await _changed(desk, request, do)


async def weather(desk: Desk, request: Request) -> Response:
    from analysis.answers.weather import keep_weather

    def do(drive: AnalysedDrive, form: Mapping[str, str]) -> str:
        def asked(name: str, unit: str) -> float | None:
            text = given(form, name)
            return None if text is None else parse_quantity(text, unit)

        answer = keep_weather(
            drive, metar=given(form, "metar"), temperature_k=asked("temperature", "kelvin"),
            pressure_pa=asked("pressure", "Pa"), humidity=asked("humidity", "1"), wind_mps=asked("wind", "m/s"),
            wind_from_deg=asked("wind_from", "1"),
        )  # fmt: skip
        return f"The weather: {answer.words}"

    return await _changed(desk, request, do)


async def note(desk: Desk, request: Request) -> Response:
    from analysis.answers.lacking import note_afterwards

    def do(drive: AnalysedDrive, form: Mapping[str, str]) -> str:
        text = line_of(form, "text", "the note")
        note_afterwards(drive, text)
        return f"Noted: {text}"

    return await _changed(desk, request, do)


async def _changed(desk: Desk, request: Request, do: Callable[[AnalysedDrive, Mapping[str, str]], str]) -> Response:
    """Do something to a drive that is as the form took it for; then its page, which says what was done."""
    from starlette.concurrency import run_in_threadpool

    form, name = await form_of(request), request.path_params["drive"]

    def done() -> str:
        drive = _known(desk.opened(), name)
        unchanged(_manifest(drive), form, f"drive {name}")
        return do(drive, form)

    return desk.to(f"/drive/{name}", await run_in_threadpool(done))


def _manifest(drive: AnalysedDrive) -> Path:
    return drive.drive.path / "drive.json"


ROUTES = [
    ("GET", "/drives", "drives", listed),
    ("GET", "/drive/{drive}", "drives", page),
    ("POST", "/drive/{drive}/strike", "drives", strike),
    ("POST", "/drive/{drive}/tag", "drives", tag),
    ("POST", "/drive/{drive}/weather", "drives", weather),
    ("POST", "/drive/{drive}/note", "drives", note),
]
