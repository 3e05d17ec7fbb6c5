"""Season: the report's page of all drives, by the speed that is asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from starlette.responses import Response

from analysis.answers import typed as read
from analysis.desk.fields import given, refused
from analysis.desk.pages.takeaway import page_as_file
from analysis.desk.parts import Entry, Fold, Form, Links, Part, View, typed
from analysis.desk.views import waiting
from analysis.report.page import Page, Words
from logger.errors import InputError

if TYPE_CHECKING:
    from starlette.requests import Request

    from analysis.desk.app import Desk
    from analysis.desk.work import Asked
    from analysis.store import DriveStore


def page(desk: Desk, request: Request) -> View:
    """What was fitted, effects, best runs, money and hours."""
    text = given(request.query_params, "to")
    try:
        speed = read.speed("--to", text)
    except InputError as error:
        form = refused(_form(), {"to": text or ""}, error)
        return View(Page("Season", "", ()), "season", typed("report", "--season"), status=422,
                    parts=[Part("by", "By another speed", [form])])  # fmt: skip
    work = _work(desk, speed)
    if not work.done:
        return waiting(work, "season", "Season")
    if work.value is None:
        none = Words("There are no drives in this store yet. The season grows with each drive.")
        return View(Page("Season", "", ()), "season", typed("season"), parts=[Part("none", "Nothing yet", [none])])
    _, report = work.value
    to = ["--to", text] if text else []
    file = f"/season/report.html{'?' + str(request.url.query) if text else ''}"
    links = Links([(file, "The page as one file", "opens in any browser; holds no position")])
    again = Fold("By another speed", [_form().filled({"to": text or ""})])
    parts = [Part("away", "Another speed, or a file", [again, links])]
    return View(report, "season", typed("report", "--season", *to), parts=parts)


def report(desk: Desk, request: Request) -> Response | View:
    """The page as one file."""
    work = _work(desk, read.speed("--to", given(request.query_params, "to")))
    if not work.done or work.value is None:
        return waiting(work, "season", "Season") if not work.done else page(desk, request)
    stem, made = work.value
    return page_as_file(made, stem)


def _work(desk: Desk, speed: float | None) -> Asked:
    def made(store: DriveStore, progress: Callable[[str], None]) -> tuple[str, Page] | None:
        from analysis.report.asked import asked_page

        if not store.drives:
            return None
        return asked_page(store, (), season=True, speeds_mps=() if speed is None else (speed,), progress=progress)

    return desk.ask(("season", speed), made)


def _form() -> Form:
    return Form("by", "/season", [Entry("to", "Times to", help="Such as 50mph. If empty: what 4 of 5 runs reach.")],
                "Show", asks=True)  # fmt: skip


ROUTES = [
    ("GET", "/season", "season", page),
    ("GET", "/season/report.html", "season", report),
]
