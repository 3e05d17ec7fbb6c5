"""Compare: setups, drives or runs are ticked as A and as B, and held against each other as `compare` does it."""

from __future__ import annotations

import urllib.parse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from starlette.responses import Response

from analysis import wording
from analysis.answers import typed as read
from analysis.desk.fields import refused
from analysis.desk.pages.takeaway import page_as_file
from analysis.desk.parts import Entry, Fold, Form, Links, Part, Shown, View, typed
from analysis.desk.views import waiting
from analysis.report.page import Page, Words
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from starlette.requests import Request

    from analysis.changes.season import SeasonRecord
    from analysis.desk.app import Desk
    from analysis.desk.work import Asked
    from analysis.store import DriveStore

_Kind = Literal["setups", "drives", "runs"]
_KINDS: tuple[_Kind, ...] = ("setups", "drives", "runs")
_MOST_DRIVES = 2
"""Of so many drives, the newest, runs are shown to tick where no drive was chosen."""


@dataclass(frozen=True)
class _Asked:
    """What the address asks: the values ticked on either side, and how to judge."""

    by: _Kind
    a: tuple[str, ...]
    b: tuple[str, ...]
    where: str
    without: str
    to: str
    picking: bool = False
    """Drives were ticked, whose runs are now to be ticked."""

    @property
    def both(self) -> bool:
        return bool(self.a and self.b) and not self.picking

    @property
    def query(self) -> str:
        sides = [("a", each) for each in self.a] + [("b", each) for each in self.b]
        words = [("where", self.where), ("without", self.without), ("to", self.to)]
        return urllib.parse.urlencode([("by", self.by), *sides, *((name, text) for name, text in words if text)])


def _asked(request: Request) -> _Asked:
    params = request.query_params
    wanted = params.getlist("by")
    by: _Kind = next((kind for kind in _KINDS if wanted and wanted[-1] == kind), "setups")
    picking = by == "runs" and "drives" in wanted
    a, b = tuple(params.getlist("a")), tuple(params.getlist("b"))
    where, without, to = (params.get(name, "").strip() for name in ("where", "without", "to"))
    return _Asked(by, a, b, where, without, to, picking)


def page(desk: Desk, request: Request) -> View:
    """What can be ticked; and where both sides are, what the one does against the other."""
    asked = _asked(request)
    work = _work(desk, asked)
    if not work.done:
        return waiting(work, "compare", "Compare")
    return _view(work.value, asked)


def _work(desk: Desk, asked: _Asked) -> Asked:
    """What the page shows, worked out once, for the page and for the file of it."""

    def made(store: DriveStore, progress: Callable[[str], None]) -> _Made:
        from analysis.changes.season import gather

        if not store.drives:
            return _Made(None, [], None, "", None)
        season = gather(store, progress=progress)
        form = _form(season, asked)
        if not asked.both:
            return _Made(season, [form], None, "", None)
        try:
            progress("all drives read; comparing the two sides")
            a, b = (_side(ticked, asked.by, season) for ticked in (asked.a, asked.b))
            return _Made(season, [form], _compared(season, a, b, asked), _command(a, b, asked), None)
        except (InputError, NoAnswer) as error:
            return _Made(season, [form], None, "", error)

    return desk.ask(("compare", asked), made)


@dataclass(frozen=True)
class _Made:
    season: SeasonRecord | None
    forms: list[Form]
    report: Page | None
    command: str
    error: Exception | None


def _view(made: _Made, asked: _Asked) -> View:
    if made.season is None:
        none = Words("There are no drives in this store yet. Come back when you have driven two setups.")
        return View(
            Page("Compare", "", ()), "compare", typed("compare", "A", "B"), parts=[Part("pick", "Nothing yet", [none])]
        )
    form = made.forms[0]
    if made.error is not None:
        sent = {"where": asked.where, "without": asked.without, "to": asked.to}
        form = refused(form, sent, made.error)
    others = [("" if kind == asked.by else f"/compare?by={kind}", f"By {kind}", "") for kind in _KINDS]
    links = Links(others, inline=True)
    if made.report is None:
        words = Words("Tick A, and B to compare with it. More than one on a side are taken together.")
        parts = [Part("pick", f"Choose {asked.by}", [links, words, form])]
        return View(
            Page("Compare", "", ()), "compare", typed("compare", "A", "B"), parts=parts,
            status=200 if made.error is None else 422,
        )  # fmt: skip
    away: Sequence[tuple[str, str, str]] = [
        (f"/compare/report.html?{asked.query}", "The page as one file", "opens in any browser; holds no position")
    ]
    choose: list[Shown] = [Fold("Choose others", [links, form]), Links(away)]
    return View(made.report, "compare", made.command, parts=[Part("pick", "Other sides, or a file", choose)])


def report(desk: Desk, request: Request) -> Response | View:
    """The comparison as one file."""
    asked = _asked(request)
    if not asked.both:
        raise InputError("nothing is ticked on one side")
    work = _work(desk, asked)
    if not work.done:
        return waiting(work, "compare", "Compare")
    made: _Made = work.value
    if made.report is None:
        raise made.error or NoAnswer("no drive is in this store yet")
    return page_as_file(made.report, "compare-report")


# --- what is asked ------------------------------------------------------------------------------------------------


def _compared(season: SeasonRecord, a: str, b: str, asked: _Asked) -> Page:
    from analysis.changes.season import tagged
    from analysis.report.setups_page import setups_page

    where, without = asked.where.split(), asked.without.split()
    if where or without:
        season = tagged(season, where, without)
    speeds = [speed for text in asked.to.replace(",", " ").split() if (speed := read.speed("--to", text)) is not None]
    return setups_page(a, b, season, np.array(sorted(set(speeds))) if speeds else None)


def _side(ticked: Sequence[str], by: str, season: SeasonRecord) -> str:
    """One side as the command names it: a setup, drives joined by +, or runs of drives joined so.

    Several setups, and one whose name stands for two sets of parts, are named by their drives.
    """
    if not ticked:
        raise InputError("nothing is ticked")
    if by == "runs":
        runs: dict[str, list[str]] = {}
        for label in ticked:
            drive, _, number = label.rpartition(":")
            runs.setdefault(drive, []).append(number)
        return "+".join(f"{drive}:{','.join(numbers)}" for drive, numbers in runs.items())
    if by == "drives":
        return "+".join(ticked)
    chosen = []
    for key in ticked:
        found = next((each for each in season.setups if each.drives[0] == key), None)
        if found is None:
            raise NoAnswer(f"no setup starts with the drive {key!r}")
        chosen.append(found)
    names = [each.name.casefold() for each in season.setups]
    if len(chosen) == 1 and names.count(chosen[0].name.casefold()) == 1:
        return chosen[0].name
    return "+".join(drive for each in chosen for drive in each.drives)


def _command(a: str, b: str, asked: _Asked) -> str:
    tags = [*(word for tag in asked.where.split() for word in ("--where", tag)),
            *(word for tag in asked.without.split() for word in ("--without", tag))]  # fmt: skip
    to = [word for text in asked.to.replace(",", " ").split() for word in ("--to", text)]
    return typed("compare", a, b, *to, *tags) if tags else typed("report", a, b, *to)


# --- what can be ticked -------------------------------------------------------------------------------------------


def _form(season: SeasonRecord, asked: _Asked) -> Form:
    said, columns, left, rows = {"setups": _setups, "drives": _drives, "runs": _runs}[asked.by](season, asked)
    tags = ", ".join(sorted({tag for run in season.runs for tag in run.tags}))
    a, b = asked.a, asked.b
    if asked.picking:  # all runs of the drives that were ticked
        a, b = (tuple(value for value, _ in rows if value.rpartition(":")[0] in side) for side in (a, b))
    return Form(
        "pick", "/compare",
        [Entry("by", "", asked.by, "hidden"),
         Entry("pairs", said, "\n".join(a), "pairs", columns=columns, rows=rows, left=left, value_b="\n".join(b)),
         *([Entry("where", "Only runs with the tags", asked.where, help=f"Tags here: {tags}. Put spaces between."),
            Entry("without", "Only runs without the tags", asked.without)] if tags else []),
         Entry("to", "Speeds", asked.to, help="Such as 30mph 50mph. If empty: those that both sides reach.")],
        "Compare", asks=True, also=[("by", "runs", "Choose from their runs")] if asked.by == "drives" else (),
    )  # fmt: skip


Ticked = tuple[str, list[str], tuple[int, ...], list[tuple[str, list[str]]]]
"""What the table says, its headings, those of words, and its rows."""


def _setups(season: SeasonRecord, asked: _Asked) -> Ticked:
    from analysis.answers.season import season_answer
    from analysis.conditions.setups import shown

    answer = season_answer(season)
    rows = []
    for each in answer.setups:
        changed = "; ".join(f"{part} {shown(pair.a)} \u2192 {shown(pair.b)}" for part, pair in each.changed.items())
        rows.append((each.first_drive, [
            each.setup, str(each.drives), str(each.runs), wording.number(each.best_s), wording.number(each.typical_s),
            changed,
        ]))  # fmt: skip
    return _caption(answer.speed), ["Setup", "Drives", "Runs", "Best", "Typical", "Changed"], (0, 5), rows


def _drives(season: SeasonRecord, asked: _Asked) -> Ticked:
    from analysis.answers.drives import drives_answer

    answer = drives_answer(season)
    rows = [
        (each.drive, [
            each.drive, str(each.timed), wording.number(each.best_s), wording.number(each.typical_s), each.setup,
        ])
        for each in reversed(answer.drives)
    ]  # fmt: skip
    return _caption(answer.speed), ["Drive", "Runs", "Best", "Typical", "Setup"], (0, 4), rows


def _runs(season: SeasonRecord, asked: _Asked) -> Ticked:
    from analysis.answers.drives import drives_answer

    answer = drives_answer(season)
    chosen = {label.rpartition(":")[0] or label for label in (*asked.a, *asked.b)}
    chosen = chosen or {row.drive for row in season.drives[-_MOST_DRIVES:]}
    at = np.array([answer.speed_mps])
    rows = [
        (run.label, [run.label, wording.number(float(run.time_to(at)[0])), run.setup, ", ".join(run.tags)])
        for run in season.runs if run.drive in chosen
    ]  # fmt: skip
    return f"Seconds from one foot to {answer.speed}, as driven", ["Run", "Time", "Setup", "Tags"], (0, 2, 3), rows


def _caption(speed: str) -> str:
    return f"Best and typical (median) seconds from one foot to {speed}, as driven"


ROUTES = [
    ("GET", "/compare", "compare", page),
    ("GET", "/compare/report.html", "compare", report),
]
