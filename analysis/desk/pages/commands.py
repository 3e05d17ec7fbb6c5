"""Commands: a form for each verb of `pullbook` with all its options, and what the verb says, as a terminal has it.

The other pages do what is done every day. What they leave out is done here, by the program itself (`desk.verbs`).
"""

from __future__ import annotations

import urllib.parse
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from analysis.desk.fields import as_labelled, form_of, refused
from analysis.desk.pages.takeaway import as_file
from analysis.desk.parts import Entry, Fold, Form, Links, Output, Part, Shown, View, address
from analysis.desk.verbs import MOST_SHOWN, AtWork, Parameter, Verb, as_typed
from analysis.report.page import Bullets, Page, Words
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from starlette.requests import Request

    from analysis.desk.app import Desk

ELSEWHERE = {
    "begin": ("/car", "Car", "It asks questions at a terminal. Here, the page Car asks them."),
    "record": ("/now", "Now", "It runs until it is stopped. Here, the page Now starts and stops it."),
    "complete": ("/drives", "Drives", "It asks questions at a terminal. Here, Drives says what each drive is missing."),
    "desk": ("/help", "Help", "It is running: this is it. The page Help ends it."),
}
"""Verbs that go on, or ask: the page that does the same, and what is said of it."""

_PAGES = {
    "begin": "Car", "record": "Now", "status": "Now", "note": "Now", "check": "Car", "runs": "Drives",
    "strike": "Drives", "tag": "Drives", "photo": "Drives", "mixture": "Drives", "jets": "Next", "fuel": "Drives",
    "setup": "Car", "setups": "Compare", "set": "Next", "weather": "Drives", "complete": "Drives",
    "compare": "Compare", "effects": "Season", "plan": "Next", "drives": "Drives", "season": "Season",
    "captions": "Drives", "export": "Drives", "report": "Drives", "desk": "Help",
}  # fmt: skip
"""Verbs whose everyday use has a page of its own."""
_CALLED = {"name": "Drive", "names": "Drives", "run": "Runs", "urls": "Stores or drives", "text": "Note",
           "changes": "Parts", "config": "Recorder's file", "a": "A", "b": "B", "to": "Speed", "json": "JSON",
           "why": "How it was worked out"}  # fmt: skip


def at(verb: str, entries: Mapping[str, str] | None = None) -> str:
    """The address of a verb's form, with something filled in."""
    query = urllib.parse.urlencode(entries or {})
    return address("commands", verb) + (f"?{query}" if query else "")


def at_command(verbs: Mapping[str, Verb], words: Sequence[str]) -> str:
    """The form of a command as a page shows it, `pullbook` left out; "" where there is none."""
    verb = verbs.get(words[0]) if words else None
    return at(verb.name, verb.form_of(words[1:])) if verb is not None and verb.name not in ELSEWHERE else ""


# --- pages --------------------------------------------------------------------------------------------------------


def listed(desk: Desk, request: Request) -> View:
    """All verbs, and where else they are."""
    links = []
    for verb in desk.verbs.values():
        page = f" Every day: the page {_PAGES[verb.name]}." if verb.name in _PAGES else ""
        links.append((at(verb.name), verb.name, f"{verb.says}{page}"))
    words = Words("Each has all the options that it has at a terminal, and says the same.")
    parts = [Part("verbs", "All commands", [words, Links(links)])]
    return View(Page("Commands", "", ()), "help", "pullbook --help", parts=parts)


def page(desk: Desk, request: Request) -> View:
    """A verb's form."""
    verb = _known(desk, request)
    if verb.name in ELSEWHERE:
        place, name, said = ELSEWHERE[verb.name]
        parts = [Part("elsewhere", "On another page", [Words(said), Links([(place, name, "")]), _back()])]
        return View(_titled(verb), "help", as_typed(verb.name, ()), parts=parts)
    form = _form(verb)
    wanted = {each.name for each in verb.parameters}
    asked = {name: value for name, value in request.query_params.items() if name in wanted}
    return _page(verb, form.filled(asked) if asked else form)


def _page(verb: Verb, form: Form, before: Sequence[Part] = (), status: int = 200, command: str = "") -> View:
    shown: Shown = Fold("Run it again, or with other options", [form]) if before else form
    parts = [*before, Part("run", "Options", [shown, _back()])]
    return View(_titled(verb), "help", command or verb.example, parts=parts, status=status)


def _titled(verb: Verb) -> Page:
    return Page(f"pullbook {verb.name}", verb.says, ())


def _back() -> Links:
    return Links([("/commands", "All commands", "")])


def _known(desk: Desk, request: Request) -> Verb:
    found = desk.verbs.get(request.path_params["verb"])
    if found is None:
        raise NoAnswer("there is no command of this name")
    return found


def _form(verb: Verb) -> Form:
    entries = [_entry(each) for each in verb.parameters]
    words = ""
    if any(each.kind == "path" for each in verb.parameters):
        words = (
            "Give files by their whole path on this machine, such as /home/me/saturday.log. A file that it writes "
            "without a folder in its name is offered here to download, until the desk ends."
        )
    form = Form(verb.name, at(verb.name), entries, "Run", words)
    return replace(form, entries=[replace(each, help=as_labelled(each.help, form)) for each in entries])


def _entry(each: Parameter) -> Entry:
    called = _CALLED.get(each.name, each.name.replace("_", " ").capitalize())
    help_ = each.help.replace("May be repeated.", "One per line.")
    if each.many and "One per line." not in help_:
        help_ += " One per line."
    if each.default:
        help_ += f" If empty: {each.default}."
    if each.kind == "flag":
        return Entry(each.name, called, how="tick", help=help_)
    if each.kind == "choice":
        options = [("", each.default or "-"), *((one, one) for one in each.choices if one != each.default)]
        return Entry(each.name, called, how="choice", options=options, help=help_)
    lines = each.many or each.count > 1
    value = "last" if each.needed and each.name == "name" else ""
    return Entry(
        each.name, called, value, "area" if lines else "text", help=help_, lines=2, broad=each.kind == "path",
        numeric=each.kind == "number" and not lines,
    )  # fmt: skip


# --- a verb at work -----------------------------------------------------------------------------------------------


async def run(desk: Desk, request: Request) -> Response | View:
    """Start a verb as its form was filled in."""
    verb, form = _known(desk, request), await form_of(request)

    def started() -> Response | View:
        if verb.name in ELSEWHERE:
            raise NoAnswer(ELSEWHERE[verb.name][2])
        try:
            work = desk.at_work.start(verb, verb.words(form))
        except (InputError, NoAnswer) as error:
            return _page(verb, refused(_form(verb), form, error), status=422)
        return desk.to(address("commands", verb.name, work))

    return await run_in_threadpool(started)


def shown(desk: Desk, request: Request) -> View:
    """What a verb says: while it is at work so far, then all of it, and the files that it wrote."""
    verb, work = _known(desk, request), _work(desk, request)
    here = address("commands", verb.name, request.path_params["work"])
    command = as_typed(verb.name, work.words)
    if not work.ended:
        doing = f"{work.progress[:1].upper()}{work.progress[1:]}: " if work.progress else ""
        words = [
            Words(f"{doing}{work.took_s:.0f} s so far. This page refreshes on its own. You can leave it and come back.")
        ]
        stop = Form("stop", f"{here}/stop", [], "Stop it", careful=True)
        blocks: list[Shown] = [*words, *_output(work, here), stop]
        return View(_titled(verb), "help", command, parts=[Part("said", "Working", blocks)], again_s=1)
    form = _form(verb).filled({**_empty(verb), **verb.form_of(work.words)})
    if work.code == 2 and work.complained:  # what was typed cannot be
        return _page(verb, refused(form, verb.form_of(work.words), InputError(work.complained[-1])), (), 422, command)
    blocks = [*_output(work, here)]
    if work.complained:
        blocks.append(Bullets([f"{line[:1].upper()}{line[1:]}" for line in work.complained[-20:]]))
    if work.code not in {0, 1}:
        blocks.append(Words("It was stopped before its end."))
    if not blocks:
        blocks.append(Words("Done."))
    before = [Part("said", "What it says", blocks)]
    if files := work.files:
        links = [(f"{here}/file/{number}", path.name, "") for number, path in enumerate(files)]
        before.append(Part("files", "Files it wrote", [Links(links)]))
    return _page(verb, form, before, 200, command)


def _empty(verb: Verb) -> dict[str, str]:
    return {each.name: "" for each in verb.parameters}


def _output(work: AtWork, here: str) -> list[Shown]:
    said = work.said
    if not said.strip():
        return []
    blocks: list[Shown] = [Output(said, f"What pullbook {work.verb} says")]
    if len(said.encode()) >= MOST_SHOWN:
        blocks.append(Words("It says more. All of it is in the file."))
    return [*blocks, Links([(f"{here}/output", "As a text file", "")])]


def _work(desk: Desk, request: Request) -> AtWork:
    work = desk.at_work.find(request.path_params["work"])
    if work.verb != request.path_params["verb"]:
        raise NoAnswer("this command does not run here")
    return work


def output(desk: Desk, request: Request) -> Response:
    """All that a verb said, as a file."""
    work = _work(desk, request)
    kind = "json" if "--json" in work.words else "csv" if "--csv" in work.words else "txt"
    return as_file(work.output.read_bytes(), f"{work.verb}.{kind}", "text/plain")


def file(desk: Desk, request: Request) -> Response:
    """A file that a verb wrote, by its place in the list."""
    files, at_ = _work(desk, request).files, request.path_params["number"]
    if at_ >= len(files):
        raise NoAnswer("this file is not there")
    return as_file(files[at_].read_bytes(), files[at_].name, "application/octet-stream")


def stop(desk: Desk, request: Request) -> Response:
    """End a verb; what it had written is whole."""
    work = _work(desk, request)
    work.stop()
    return desk.to(address("commands", work.verb, request.path_params["work"]))


ROUTES = [
    ("GET", "/commands", "help", listed),
    ("GET", "/commands/{verb}", "help", page),
    ("POST", "/commands/{verb}", "help", run),
    ("GET", "/commands/{verb}/{work}", "help", shown),
    ("GET", "/commands/{verb}/{work}/output", "help", output),
    ("GET", "/commands/{verb}/{work}/file/{number:int}", "help", file),
    ("POST", "/commands/{verb}/{work}/stop", "help", stop),
]
