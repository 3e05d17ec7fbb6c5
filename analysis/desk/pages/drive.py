"""A drive's page: the report's, with what can be done to the drive in its sections."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from starlette.responses import Response

from analysis import wording
from analysis.desk.fields import UPLOADS, EntryError, Filled, form_of, given, line_of, read_from, refused, unchanged
from analysis.desk.pages import drive_forms
from analysis.desk.pages.drive_forms import Held, held_of
from analysis.desk.parts import Fold, Form, Part, View, address, typed
from analysis.desk.views import waiting
from analysis.desk.work import PATIENCE_S
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from starlette.requests import Request

    from analysis.desk.app import Desk, Handler
    from analysis.desk.work import Asked
    from analysis.drive import AnalysedDrive
    from analysis.report.page import Page
    from analysis.store import DriveStore

_LOOKED_FOR_S = 30.0
"""How long a form that cannot be taken waits for the page that it is shown on."""
Typed = Filled
_LONGEST_NAME = 80


@dataclass(frozen=True)
class _Refused:
    """A form that could not be taken as it was typed."""

    form: str
    typed: Typed
    error: Exception


def page(desk: Desk, request: Request) -> View:
    """A drive's report, with its actions."""
    return _page(desk, request.path_params["drive"])


@dataclass(frozen=True)
class DriveShown:
    """A drive as its page shows it: the report with the name of its file, and what the forms begin with."""

    stem: str
    report: Page
    held: Held
    why_bare: NoAnswer | None
    """Why it has no report; the page says so, and there is no file."""


def told(desk: Desk, name: str, patience_s: float = PATIENCE_S) -> Asked:
    """The drive's `DriveShown`, worked out once, for the page and for the file of it."""

    def made(store: DriveStore, progress: Callable[[str], None]) -> DriveShown:
        from analysis.report.asked import asked_page

        drive = known(store, name)
        held = held_of(store, drive)
        try:
            return DriveShown(*asked_page(store, [drive.id], progress=progress), held, None)
        except NoAnswer as error:
            return DriveShown("", _bare(drive, error), held, error)

    return desk.ask(("drive", name), made, patience_s)


def _page(desk: Desk, name: str, wrong: _Refused | None = None) -> View:
    asked = told(desk, name, PATIENCE_S if wrong is None else _LOOKED_FOR_S)
    if not asked.done:
        return waiting(asked, "drives", f"Drive {name}")
    found: DriveShown = asked.value
    held = found.held
    view = View(found.report, "drives", typed("report", held.drive), actions=drive_forms.actions(held))
    return view if wrong is None else _with(view, wrong)


def _bare(drive: AnalysedDrive, why: NoAnswer) -> Page:
    """For a drive that has no report, such as one without fixes, a page that says why: its forms still stand."""
    from analysis.report.drive_page import with_what
    from analysis.report.page import Page, Section

    started = drive.drive.manifest.started_utc
    section = Section("driven", "Drive and setup", with_what(drive))
    return Page(f"Drive of {started:%Y-%m-%d %H:%M} UTC", "", [wording.sentence(str(why))], sections=[section])


def _with(view: View, wrong: _Refused) -> View:
    """The page with the form as it was filled in, open, and what is wrong with it."""
    told = False

    def shown(form: Form) -> Form:
        nonlocal told
        if form.name != wrong.form:
            return form
        told = True
        return refused(form, wrong.typed, wrong.error)

    parts = []
    for part in view.actions:
        blocks = [
            replace(each, blocks=[shown(form) if isinstance(form, Form) else form for form in each.blocks])
            if isinstance(each, Fold) else each
            for each in part.blocks
        ]  # fmt: skip
        parts.append(Part(part.name, part.title, blocks))
    return replace(view, actions=parts, wrong="" if told else str(wrong.error), status=422)


def known(store: DriveStore, name: str) -> AnalysedDrive:
    """The drive of that id; a path or an unknown name is none."""
    found = next((each for each in store.drives if each.id == name), None)
    if found is None:
        raise NoAnswer(f"there is no drive {name!r} in this store")
    return found


# --- what it does -------------------------------------------------------------------------------------------------


def _strike(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.runs import strike_runs

    undo = bool(form.get("undo"))
    done = strike_runs(drive, _numbers(form), form.get("reason", ""), undo=undo)
    count = wording.plural(len(done), "run")
    return f"{count} counted again." if undo else f"{count} struck out: {done[0].reason}"


def _tag(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.marks import tag_runs

    words = line_of(form, "tags", "the list of tags").split()
    with read_from("tags"):
        answer = tag_runs(drive, _numbers(form), words, undo=bool(form.get("undo")))
    return "; ".join(f"run {each.n}: {', '.join(each.tags) or 'no tags'}" for each in answer.runs)


def _numbers(form: Typed) -> tuple[int, ...]:
    from analysis.answers.marks import numbers_of

    with read_from("runs"):
        return numbers_of(",".join(line_of(form, "runs", "the list of runs").split("\n")))


def _setup(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.lacking import setup_called
    from analysis.answers.setting import typed_setup
    from analysis.answers.setups import set_right
    from analysis.conditions.setups import described

    if chosen := given(form, "as_driven"):
        with read_from("as_driven"):
            setup = setup_called(store, chosen)
    else:
        lines = [line for line in form.get("parts", "").split("\n") if line.strip()]
        named = {name: given(form, name) for name in ("name", "notes", "date", "cost", "hours")}
        with read_from("parts"):
            setup = typed_setup(store, lines, **named)
    anyway = bool(form.get("anyway"))
    with read_from("parts"):
        set_right(drive, setup, form.get("because", ""), store=None if anyway else store)
    return f"This drive now has the setup {setup.name}: {described(setup.parts)}."


def _weather(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.typed import keep_typed_weather

    names = ("metar", "temperature", "pressure", "qnh", "humidity", "dew_point", "wind", "wind_from", "elevation")
    typed_in = {name: given(form, name) for name in names}
    clear = bool(form.get("clear"))
    if not clear and not any(typed_in.values()):
        raise InputError("nothing was filled in. Fill in what you know")
    answer = keep_typed_weather(drive, clear=clear, **typed_in)
    return f"The weather: {answer.words}."


def _fuel(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.fuel import doubted, fuel_answer, keep_fuel
    from analysis.answers.typed import fuel_of

    named = {name: given(form, name) for name in ("used", "by_weight", "sigma", "fuel_temp")}
    amount = fuel_of(drive, **named, held=given(form, "band"))
    answer = fuel_answer(drive, amount)
    if (question := doubted(drive, amount)) and not form.get("anyway"):
        raise InputError(f"not saved: {question} To save it, tick --anyway")
    keep_fuel(drive, amount)
    both = f"{answer.l_per_100km:.2f} L/100 km, {answer.mpg_us:.1f} mpg (US)"
    return f"Saved: {both}, \u00b1{answer.sigma_percent:.1f} %."


def _forget(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.fuel import forget_fuel

    forget_fuel(drive)
    return "The fuel is deleted; the drive's list of changes says so."


def _note(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.lacking import note_afterwards

    text = line_of(form, "text", "the note")
    note_afterwards(drive, text)
    return f"Noted: {text}"


def _photo(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.photos import add_photos
    from analysis.sharing.pictures import picture_of

    words, number = form.get("words", "").strip(), given(form, "run")
    if not form.uploads and not words:
        raise EntryError("picture", "give a picture, words, or both")
    with read_from("picture"):
        pictures = [picture_of(each.data, _called(each.name)) for each in form.uploads]
    if number is None:
        add_photos(drive, pictures, words=words)
        return "Saved with the drive."
    with read_from("run"):
        run = _whole(number)
        add_photos(drive, pictures, words=words, run=run)
    return f"Saved with run {run}."


def _called(name: str) -> str:
    """A file's name, quoted, as it can stand in one line."""
    last = name.replace("\\", "/").rpartition("/")[2] or "the file"
    return f"\u201c{last if len(last) <= _LONGEST_NAME else last[:_LONGEST_NAME] + '...'}\u201d"


def _whole(text: str) -> int:
    if text.isascii() and text.isdigit() and len(text) < 10:
        return int(text)
    raise InputError(f"{text[:_LONGEST_NAME]!r} is not a whole number")


def _put_away(store: DriveStore, drive: AnalysedDrive, form: Typed) -> str:
    from analysis.answers.photos import put_away

    back = bool(form.get("undo"))
    with read_from("kept"):
        numbers = [_whole(line) for line in line_of(form, "kept", "the list of photographs").split("\n")]
        put_away(drive, numbers, back=back)
    return f"{wording.plural(len(numbers), 'photograph')} {'shown again' if back else 'hidden: kept, not shown'}."


Do = Callable[["DriveStore", "AnalysedDrive", Typed], str]
_ACTIONS: dict[str, tuple[str, Do]] = {
    "strike": ("runs", _strike),
    "tag": ("runs", _tag),
    "setup": ("driven", _setup),
    "note": ("driven", _note),
    "photo": ("photos", _photo),
    "putaway": ("photos", _put_away),
    "weather": ("weather", _weather),
    "fuel": ("fuel", _fuel),
    "forget": ("fuel", _forget),
}
"""The form's name -> the section that it stands in, and what it does, which gives the sentence that says so."""


def _doing(action: str) -> Handler:
    """Do something to a drive that is as the form took it for; then its page, which says what was done, or why not."""
    place, do = _ACTIONS[action]

    async def handler(desk: Desk, request: Request) -> Response | View:
        from starlette.concurrency import run_in_threadpool

        form, name = await form_of(request, files=action in UPLOADS), request.path_params["drive"]

        def done() -> Response | View:
            try:
                with desk.writing:
                    store = desk.opened()
                    drive = known(store, name)
                    unchanged(drive.drive.path / "drive.json", form, f"drive {name}")
                    said = do(store, drive, form)
            except (InputError, NoAnswer) as error:
                return _page(desk, name, _Refused(action, form, error))
            return desk.to(address("drive", name), said, place)

        return await run_in_threadpool(done)

    return handler


ROUTES = [
    ("GET", "/drive/{drive}", "drives", page),
    *(("POST", f"/drive/{{drive}}/{action}", "drives", _doing(action)) for action in _ACTIONS),
]
