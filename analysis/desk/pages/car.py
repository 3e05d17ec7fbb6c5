"""The first set-up, and every file of the owner's as forms with its explanations, or as text.

A form says what it was made of; where the file was changed meanwhile nothing is written, and what was typed is there to
be sent again.
"""

from __future__ import annotations

import threading
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from analysis.desk.fields import form_of, given, version_of
from analysis.desk.file_forms import KINDS, FileKind, Group, changed, groups_of, wrong_in
from analysis.desk.parts import Entry, Form, Links, Part, View, typed
from analysis.report.page import Block, Bullets, Page, Section, Words
from logger.config import examples, writing
from logger.config.reading import all_wrong, parse, text_of
from logger.config.recorder import RecorderConfig
from logger.config.setup import SETUP_IN_FORCE
from logger.errors import ConfigError, InputError, NoAnswer
from logger.store import presence
from logger.store.disk import put_text
from logger.text import storable

if TYPE_CHECKING:
    from starlette.requests import Request

    from analysis.desk.app import Desk
    from logger.config.car import CarConfig
    from logger.config.recorder import Source
    from logger.record.naming import Named
    from logger.record.ports import Heard

_writing = threading.Lock()
"""Held from looking whether a file is as it was to its being written: two windows are two threads."""
_EMPTY = {"setup": 'name = "as found"\n\n[parts]\n', "jets": ""}


def path_of(store: Path, kind: FileKind) -> Path:
    """Where a file is: in the store, or where the recorder's file says. ConfigError where that one can't be read."""
    if kind.name == "setup":
        return store / SETUP_IN_FORCE
    recorder = store / "recorder.toml"
    if kind.name in {"car", "targets"} and recorder.is_file():
        settings = parse(text_of(recorder), RecorderConfig, str(recorder)).recorder
        if named := settings.car if kind.name == "car" else settings.targets:
            return store / named
    return store / f"{kind.name}.toml"


# --- the page -----------------------------------------------------------------------------------------------------


def page(desk: Desk, request: Request) -> View:
    """Where the set-up stands, and the files."""
    store = desk.store
    items, wrong = [], []
    for kind in KINDS.values():
        try:
            path = path_of(store, kind)
            there = path.is_file()
            faults = all_wrong(text_of(path), kind.model) if there else []
            state = "not there yet" if not there else "in order" if not faults else f"wrong: {faults[0][1]}"
        except ConfigError as error:
            state = str(error)
        items.append((f"/car/file/{kind.name}", kind.title, state))
        if state not in {"in order", "not there yet"}:
            wrong.append(state)
    has_recorder, has_car = (store / "recorder.toml").is_file(), items[1][2] != "not there yet"
    steps = _steps(has_recorder, has_car)
    if wrong:
        steps.insert(0, Words("Not ready: a file cannot be used. Open it below."))
    elif has_recorder and has_car:
        steps.insert(0, Words("Ready to record. To change something, listen again or open a file below."))
    parts = [Part("setup", "Set up" if has_recorder and has_car else "First set-up", steps)]
    parts.append(Part("files", "The files", [Links(items)]))
    return View(Page("Car", "What is plugged in, and what is driven", ()), "car", typed("check"), parts=parts)


def _steps(has_recorder: bool, has_car: bool) -> list[Any]:
    steps: list[Any] = []
    if not has_recorder:
        steps.append(Words("Three steps, then you can drive: what is plugged in, the car, recording."))
    also = Entry("also", "Other ports", help="Only those that the system does not list: paths with spaces between.")
    steps.append(
        Form("listen", "/car/listen", [also], "Listen to the ports",
             "1. What is plugged in. Switch on receiver and controller. It takes up to half a minute; nothing is sent.",
             typed("begin", "--only", "ports"))
    )  # fmt: skip
    steps.append(Links([("/car/about", "2. The car" + (" (done)" if has_car else ""), "a few questions")]))
    if has_recorder and has_car:
        steps.append(Links([("/now", "3. Start recording, and drive off when you like", "")]))
    return steps


# --- first set-up: ports ------------------------------------------------------------------------------------------


async def listen(desk: Desk, request: Request) -> Response:
    form = await form_of(request)
    if presence.is_recording(desk.store):
        raise NoAnswer("a recorder is running here and uses the ports. Stop it first, on the page Now")
    desk.ears.listen(form.get("also", "").split()[:20])
    return desk.to("/car/ports")


def heard(desk: Desk, request: Request) -> View:
    """What is heard, as it is made out; then what each number is."""
    last = desk.ears.last
    if last is None:
        raise NoAnswer("no ports were listened to yet. Start on the page Car")
    page_ = Page("What is plugged in", "Step 1 of 3", ())
    if desk.ears.busy:
        how_many = "" if last.ports is None else f" Ports: {last.ports}, identified: {len(last.told)}."
        words: list[Block] = [Words(f"Listening; nothing is sent.{how_many}"), Bullets(list(last.told)),
                 Words("This page refreshes on its own. You can leave it.")]  # fmt: skip
        return View(replace(page_, sections=[Section("work", "Listening", words)]), "car", again_s=1)
    return View(page_, "car", typed("begin", "--only", "ports"), parts=_heard_parts(desk), wrong=last.failed)


def _heard_parts(desk: Desk, filled: Callable[[Form], Form] = lambda form: form) -> list[Part]:
    from logger.record import setting_up

    last = desk.ears.last
    found = last.heard if last is not None and last.heard is not None else []
    told = [setting_up.heard_said(one) for one in found] or ["The system lists no ports. Is anything plugged in?"]
    blocks: list[Any] = [Bullets(told)]
    if lacking := setting_up.lacking(found):
        blocks.append(Words(f"Nothing sounds like {' or '.join(lacking)}. Is it plugged in and powered?"))
        blocks.append(Words("Listen again below, or go on without it. You can add it later."))
    path = desk.store / "recorder.toml"
    old = setting_up.old_recorder(path)
    speaking = setting_up.speaking(found)
    entries = [Entry("version", "", version_of(path), "hidden")]
    for at, one in enumerate(speaking):
        entries += _number_entries(at, one, speaking, old)
    keep = Form("keep", "/car/ports", entries, "Save this", "What is each number? Name it, or type - to skip it."
                if len(entries) > 1 else "")  # fmt: skip
    again = Form("listen", "/car/listen", [Entry("also", "Other ports")], "Listen again")
    return [Part("heard", "Heard", blocks), Part("names", "What goes into the recorder's file", [filled(keep)]),
            Part("again", "Again", [again])]  # fmt: skip


def _number_entries(at: int, one: Heard, speaking: list[Heard], old: Any) -> list[Entry]:
    from logger.record import naming, setting_up

    if one.kind == "nmea":
        return []
    port = naming.port_of(one, speaking)
    place = setting_up.known_as(old, one, port)
    source: Source | None = old.source[place] if place is not None else None
    found = []
    for number, guess in enumerate(setting_up.guesses(one, source)):
        unit = one.units[number] if one.units else ""
        low, high = one.columns[number]
        seen = f"{one.latest[number]:g}{unit} when heard, {low:g} to {high:g}."
        known = f"{', '.join(naming.KNOWN)}; or a name of your own; - skips it."
        found.append(Entry(f"{at}.{number}", f"{port}: number {number + 1}", guess, help=f"{seen} {known}"))
    return found


async def keep(desk: Desk, request: Request) -> Response | View:
    """Write what was heard into the recorder's file."""
    return await run_in_threadpool(_keep, desk, await form_of(request))


def _keep(desk: Desk, form: Mapping[str, str]) -> Response | View:
    from logger.record import naming, setting_up

    last = desk.ears.last
    if last is None or last.heard is None:
        raise NoAnswer("no ports were listened to yet. Start on the page Car")
    path, wrong = desk.store / "recorder.toml", dict[str, str]()
    speaking = setting_up.speaking(last.heard)

    def names(one: Heard, port: str, source: Source | None) -> list[Named]:
        named: list[Named] = []
        for number in range(len(one.columns) if one.kind == "numbers" else 0):
            key = f"{speaking.index(one)}.{number}"
            try:
                named.append(naming.read_one(form.get(key, "-") or "-", named))
            except InputError as error:
                wrong[key] = str(error)
                named.append(naming.read_name("-"))
        naming.name_one(named)
        return named

    with _writing:
        text = setting_up.recorder_text(setting_up.old_recorder(path), speaking, names)
        changed_meanwhile = form.get("version") != version_of(path)
        if not wrong and not changed_meanwhile:
            parse(text, RecorderConfig, str(path))
            put_text(path, text)
            return desk.to("/car/about", "Saved in recorder.toml. Now the car.")
    parts = _heard_parts(desk, lambda made: made.filled(form, wrong))
    return View(Page("What is plugged in", "Step 1 of 3", ()), "car", parts=parts, status=422,
                wrong=_MEANWHILE if changed_meanwhile else "Nothing was written. See below.")  # fmt: skip


# --- first set-up: the car ----------------------------------------------------------------------------------------


def about(desk: Desk, request: Request) -> View:
    """A few questions about the car."""
    path = path_of(desk.store, KINDS["car"])
    return View(Page("The car", "Step 2 of 3", ()), "car", typed("begin", "--only", "car"),
                parts=[Part("car", "A few questions", [_about_form(path)])])  # fmt: skip


def _about_form(path: Path) -> Form:
    from logger.record import setting_up

    old = setting_up.car_of(path)
    car = old.car if old is not None else None
    speeds = old.units.speed if old is not None else setting_up.usual_speeds()
    return Form(
        "about", "/car/about",
        [
            Entry("version", "", version_of(path), "hidden"),
            Entry("name", "Its name", car.name if car else "my car"),
            Entry("mass", "Its mass with driver and fuel", f"{car.mass_kg:g}kg" if car else "",
                  help="A guess will do, such as 392kg or 860lb."),
            Entry("cooling", "Cooled by", car.cooling if car else "air", "choice",
                  options=[("air", "air"), ("water", "water")], help="Chooses the mixture targets."),
            Entry("carburettor", "Its carburettor", car.carburettor if car else "", help="In your words."),
            Entry("power", "Its engine's power by its maker", setting_up.power_said(old),
                  help="Such as 10kW or 14hp; 0.8 of it is taken to reach the wheels. Without it the lean alert sleeps "
                  "until timed runs were driven."),
            Entry("speed", "Speeds in", speeds, "choice", options=[("mph", "mph"), ("km/h", "km/h")]),
        ],
        "Save this", check="/car/about/check",
    )  # fmt: skip


def _about_asked(form: Mapping[str, str], old: CarConfig | None) -> tuple[Any, dict[str, str]]:
    """The answers, and what is wrong with each."""
    from logger.record import setting_up

    readers: dict[str, Callable[[str], Any]] = {
        "name": setting_up.some_words, "mass": setting_up.read_mass, "carburettor": str.strip,
        "power": lambda text: setting_up.read_power(text, old),
        "cooling": _one_of("air", "water"), "speed": _one_of("mph", "km/h"),
    }  # fmt: skip
    read, wrong = dict[str, Any](), dict[str, str]()
    for name, reader in readers.items():
        try:
            read[name] = reader(form.get(name, ""))
        except InputError as error:
            wrong[name] = str(error)
    if wrong:
        return None, wrong
    names = ("name", "mass", "cooling", "carburettor", "speed", "power")
    return setting_up.CarAsked(*(read[name] for name in names)), {}


def _one_of(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in words:
            raise InputError(f"{text!r}: expected {' or '.join(words)}")
        return text

    return read


async def check_about(desk: Desk, request: Request) -> Response:
    return JSONResponse({"wrong": _about_asked(await form_of(request), None)[1], "elsewhere": ""})


async def keep_about(desk: Desk, request: Request) -> Response | View:
    return await run_in_threadpool(_keep_about, desk, await form_of(request))


def _keep_about(desk: Desk, form: Mapping[str, str]) -> Response | View:
    from logger.config.car import CarConfig
    from logger.record import setting_up

    with _writing:
        path = path_of(desk.store, KINDS["car"])
        asked, wrong = _about_asked(form, setting_up.car_of(path))
        meanwhile = form.get("version") != version_of(path)
        if asked is not None and not meanwhile:
            text = setting_up.car_text(text_of(path) if path.is_file() else "", asked)
            parse(text, CarConfig, str(path))
            put_text(path, text)
            if not (targets := desk.store / "targets.toml").exists():
                put_text(targets, examples.text("targets.toml"))
            _name_car(desk.store, path)
            return desk.to("/car", f"Saved in {path.name}. Start recording on the page Now, then drive off.")
    parts = [Part("car", "A few questions", [_about_form(path).filled(form, wrong)])]
    return View(Page("The car", "Step 2 of 3", ()), "car", parts=parts, status=422,
                wrong=_MEANWHILE if meanwhile else "Nothing was written. See below.")  # fmt: skip


def _name_car(store: Path, car: Path) -> None:
    """Let the recorder's file name the car's, where it names none."""
    from logger.record import setting_up

    old = setting_up.old_recorder(store / "recorder.toml")
    if old is not None and old.config.recorder.car is None:
        put_text(store / "recorder.toml", writing.changed(old.text, {("recorder", "car"): car.name}))


# --- files --------------------------------------------------------------------------------------------------------

_MEANWHILE = (
    "This was changed in the meantime, in another window or by a command. Nothing was written. What you typed is still "
    "here. Look at what is in the file now, and send yours again to replace it."
)


def file(desk: Desk, request: Request) -> View:
    return _file(desk, _kind(request))


def _kind(request: Request) -> FileKind:
    kind = KINDS.get(request.path_params["kind"])
    if kind is None:
        raise NoAnswer("there is no file of this kind")
    return kind


def _text(path: Path, kind: FileKind) -> str:
    """What stands in the file; where there is none, what a first one begins with."""
    if path.is_file():
        return text_of(path)
    return _EMPTY.get(kind.name, "") or (examples.text(kind.example) if kind.name == "targets" else "")


def _file(
    desk: Desk, kind: FileKind, filled: Callable[[Form], Form] = lambda form: form, wrong: str = "", status: int = 200
) -> View:
    """A file's page; `filled` puts what was typed, and what is wrong with it, into the form that was sent."""
    path = path_of(desk.store, kind)
    text, version = _text(path, kind), version_of(path)
    parts: list[Part] = []
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        data = None
    for group in groups_of(kind, data) if data is not None else ():
        beside, _ = wrong_in(kind, text, group.entries) if path.is_file() and not group.adds else ({}, "")
        form = _group_form(kind, group, version).filled({}, beside)
        blocks: list[Any] = [filled(form)]
        if group.place[:1] == ("source",):
            blocks.append(_away_form(kind, group, version))
        parts.append(Part(f"part-{group.name}", group.title, blocks))
    as_text = Form(
        "text", f"/car/file/{kind.name}/text",
        [Entry("version", "", version, "hidden"), Entry("text", "The whole file", text, "area", lines=24),
         *_anyway(kind)],
        "Save the file", "The file as it is, with every key and comment.", check=f"/car/file/{kind.name}/check",
    )  # fmt: skip
    parts.append(Part("text-part", "As text", [filled(as_text)]))
    elsewhere = ""
    if path.is_file() and (faults := all_wrong(text, kind.model)):
        elsewhere = f"The file cannot be used as it is: {faults[0][1]}"
    subtitle = f"{path.name}{'' if path.is_file() else ' (not there yet)'}"
    command = {"setup": typed("setup"), "recorder": typed("check")}.get(kind.name, "")
    return View(Page(kind.title, subtitle, ()), "car", command, parts=parts, wrong=wrong or elsewhere, status=status)


def _anyway(kind: FileKind) -> list[Entry]:
    if kind.name != "setup":
        return []
    return [Entry("anyway", "Save it as typed, even if the name stood for other parts", how="tick")]


def _group_form(kind: FileKind, group: Group, version: str) -> Form:
    entries = [Entry("version", "", version, "hidden"), *group.entries, *_anyway(kind)]
    return Form(f"g-{group.name}", f"/car/file/{kind.name}/part/{group.name}", entries,
                "Add it" if group.adds else "Save this part",
                check=f"/car/file/{kind.name}/check/{group.name}")  # fmt: skip


def _away_form(kind: FileKind, group: Group, version: str) -> Form:
    return Form(f"away-{group.name}", f"/car/file/{kind.name}/away/{group.place[1]}",
                [Entry("version", "", version, "hidden")], "Remove this source",
                "Its lines stay in the file, as comments.", careful=True)  # fmt: skip


async def keep_part(desk: Desk, request: Request) -> Response | View:
    """Write a section's entries into their file."""
    kind, name, form = _kind(request), request.path_params["group"], await form_of(request)

    def text_with(text: str) -> tuple[str, dict[str, str], str]:
        return _with_part(kind, text, name, form)

    return await run_in_threadpool(_keep_file, desk, kind, f"g-{name}", form, text_with)


def _with_part(kind: FileKind, text: str, name: str, form: Mapping[str, str]) -> tuple[str, dict[str, str], str]:
    """The file's text with a section as typed, what is wrong at its entries, and elsewhere."""
    try:
        group = next((each for each in groups_of(kind, tomllib.loads(text)) if each.name == name), None)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise InputError("the file is not a TOML file as it is. Correct it as text first") from error
    if group is None:
        raise InputError("the file no longer has this part")
    made = storable(changed(kind, text, group, form))
    return (made, *wrong_in(kind, made, group.entries))


async def keep_text(desk: Desk, request: Request) -> Response | View:
    """Write a file as it was typed."""
    kind, form = _kind(request), await form_of(request)

    def text_with(_: str) -> tuple[str, dict[str, str], str]:
        return _as_typed(kind, form)

    return await run_in_threadpool(_keep_file, desk, kind, "text", form, text_with)


def _as_typed(kind: FileKind, form: Mapping[str, str]) -> tuple[str, dict[str, str], str]:
    text = storable(form.get("text", ""))
    faults = all_wrong(text, kind.model)
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in faults[0][0]) if faults else ""
    line = faults[0][1] if faults else ""
    return text, ({"text": line if key.lstrip(".") in line else f"{key.lstrip('.')}: {line}"} if faults else {}), ""


async def away(desk: Desk, request: Request) -> Response | View:
    """Take a source out of the recorder's file."""
    kind, form, at = _kind(request), await form_of(request), request.path_params["at"]

    def text_with(text: str) -> tuple[str, dict[str, str], str]:
        left = writing.without(text, "source", at) if kind.name == "recorder" else None
        if left is None:
            raise InputError("this cannot be removed here. Change the file as text, below")
        faults = all_wrong(left, kind.model)
        return left, {}, "a recorder needs at least one source" if faults else ""

    return await run_in_threadpool(_keep_file, desk, kind, f"away-source-{at}", form, text_with)


def _keep_file(
    desk: Desk, kind: FileKind, name: str, form: Mapping[str, str],
    text_with: Callable[[str], tuple[str, dict[str, str], str]],
) -> Response | View:  # fmt: skip
    """Write a file where it is as the form took it for and what comes of it is in order; else its page, as typed."""
    wrong, why = dict[str, str](), ""
    with _writing:
        path = path_of(desk.store, kind)
        if form.get("version") != version_of(path):
            why = _MEANWHILE
        else:
            before = _text(path, kind)
            try:
                text, wrong, why = text_with(before)
                if not wrong and not why:
                    _write(desk, kind, path, text, anyway=given(form, "anyway") is not None)
                    return desk.to(f"/car/file/{kind.name}", f"Saved in {path.name}.")
            except InputError as error:
                why = str(error)
    return _file(
        desk, kind, lambda made: made.filled(form, wrong) if made.name == name else made,
        f"Nothing was written: {why}" if why and why != _MEANWHILE else why or "Nothing was written. See below.", 422,
    )  # fmt: skip


def _write(desk: Desk, kind: FileKind, path: Path, text: str, *, anyway: bool) -> None:
    if kind.name == "setup":
        from analysis.answers.setups import put_text_in_force

        put_text_in_force(desk.opened(), text, SETUP_IN_FORCE, anyway=anyway)
    else:
        put_text(path, text)


async def check_part(desk: Desk, request: Request) -> Response:
    """What is wrong with a section as typed, for the page's script; nothing is written."""
    kind, name, form = _kind(request), request.path_params["group"], await form_of(request)

    def checked() -> tuple[dict[str, str], str]:
        _, wrong, elsewhere = _with_part(kind, _text(path_of(desk.store, kind), kind), name, form)
        return wrong, elsewhere

    return await _checked(checked)


async def check_text(desk: Desk, request: Request) -> Response:
    kind, form = _kind(request), await form_of(request)
    return await _checked(lambda: (_as_typed(kind, form)[1], ""))


async def _checked(check: Callable[[], tuple[dict[str, str], str]]) -> Response:
    try:
        wrong, elsewhere = await run_in_threadpool(check)
    except InputError as error:
        wrong, elsewhere = {}, str(error)
    return JSONResponse({"wrong": wrong, "elsewhere": elsewhere})


ROUTES = [
    ("GET", "/car", "car", page),
    ("POST", "/car/listen", "car", listen),
    ("GET", "/car/ports", "car", heard),
    ("POST", "/car/ports", "car", keep),
    ("GET", "/car/about", "car", about),
    ("POST", "/car/about", "car", keep_about),
    ("POST", "/car/about/check", "car", check_about),
    ("GET", "/car/file/{kind}", "car", file),
    ("POST", "/car/file/{kind}/part/{group}", "car", keep_part),
    ("POST", "/car/file/{kind}/text", "car", keep_text),
    ("POST", "/car/file/{kind}/check", "car", check_text),
    ("POST", "/car/file/{kind}/check/{group}", "car", check_part),
    ("POST", "/car/file/{kind}/away/{at:int}", "car", away),
]
