"""Help: the manual's pages, the method behind each number, cautions, and what each page's command is."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from starlette.responses import Response

from analysis.desk import manual
from analysis.desk.parts import Form, Links, Part, View
from analysis.report.page import Block, Bullets, Page, Section, Words

if TYPE_CHECKING:
    from starlette.requests import Request

    from analysis.desk.app import Desk

METHODS = {
    "times": "times-of-a-run", "mixture": "the-mixture-map", "jets": "the-next-jet", "compare": "what-a-change-did",
    "power": "power-at-the-wheels", "effects": "what-each-part-did", "plan": "the-next-drives", "fuel": "fuel",
    "coast": "rolling-and-drag", "weather": "weather", "live": "the-figures-on-now",
}  # fmt: skip
"""Method behind a number, as an address may end (/help#times) -> its part of the manual's page on numbers."""

METHOD_OF = {
    "list": "times", "runs": "times", "gained": "times", "traces": "times", "mixture": "mixture", "jet": "jets",
    "splits": "compare", "steps": "compare", "power": "power", "effects": "effects", "plan": "plan", "fuel": "fuel",
    "weather": "weather",
}  # fmt: skip
"""A part of a page -> the method behind its numbers."""

_PAGES = (
    ("/now", "Now", "recorder, figures, notes: `pullbook record`, `pullbook status`, `pullbook note`"),
    ("/drives", "Drives", "runs, mixture, weather, strike and tag: `pullbook report DRIVE`, `pullbook runs`"),
    ("/compare", "Compare", "setups, drives or runs: `pullbook compare A B`"),
    ("/season", "Season", "what was fitted and what it did: `pullbook season`, `pullbook effects`"),
    ("/next", "Next", "the plan and the jet: `pullbook plan`, `pullbook jets`"),
    ("/car", "Car", "set-up and files: `pullbook begin`, `pullbook check`, `pullbook setup`"),
    ("/commands", "Commands", "all commands with all their options, for what the other pages leave out"),
)


def cautions() -> list[str]:
    """What may hurt somebody: those that the recorder shows, and more."""
    from logger.record.panel import CAUTIONS

    shown = " ".join(CAUTIONS.split()).removesuffix("README.md says all of this too.").strip()
    return [
        *(f"{line.strip().removesuffix('.')}." for line in shown.split(". ") if line.strip()),
        "Lean running can overheat and destroy an engine, an air-cooled one within minutes. Every jet suggestion "
        "is an opinion that your plug readings, temperatures and ears may overrule: go leaner in small steps, "
        "stop at the first sign.",
        "Engine off and cold before you open the fuel system; in the open, away from flame and spark.",
        "In neutral the engine does not hold the car back: keep room to brake.",
    ]  # fmt: skip


def page(desk: Desk, request: Request) -> View:
    """The manual's pages, its words on each number, the cautions, each page's commands, and the desk's end."""
    read = Part("manual", "The manual", [Links([(f"/help/{name}", manual.page(name).title, about)
                                               for name, about in manual.PAGES.items()])])  # fmt: skip
    end = Form("end", "/help/end", [], "End the desk", "A recording goes on without it.", "Ctrl-C where it was started",
               careful=True)  # fmt: skip
    pages = Part("pages", "Each page and its commands", [Links(_PAGES), end])
    numbers = {part.name: part for part in manual.page("numbers").parts}
    methods = [replace(numbers[place], name=name) for name, place in METHODS.items()]
    sections = [Section("cautions", "Cautions", [Bullets(cautions())])]
    return View(Page("Help", "The manual, the numbers, the cautions", (), sections=sections), "help", "pullbook --help",
                before=[read, *methods], parts=[pages])  # fmt: skip


def manual_page(desk: Desk, request: Request) -> View:
    """One page of the manual, with the way to the others."""
    name = request.path_params["page"]
    shown = manual.page(name)
    others = [("" if each == name else f"/help/{each}", manual.page(each).title, "") for each in manual.PAGES]
    return View(Page(shown.title, "", ()), "help", before=shown.parts,
                parts=[Part("manual", "All pages of the manual", [Links(others, inline=True)])])  # fmt: skip


def picture(desk: Desk, request: Request) -> Response:
    """A picture of the manual."""
    data, kind = manual.picture(request.path_params["name"])
    return Response(data, media_type=kind)


def end(desk: Desk, request: Request) -> View:
    """The last page: what is under way is answered before the desk ends."""
    desk.end()
    words: list[Block] = [Words("You can close this window. A recording goes on without the desk.")]
    return View(Page("The desk has ended", "", (), sections=[Section("ended", "Ended", words)]), "help")


ROUTES = [
    ("GET", "/help", "help", page),
    ("POST", "/help/end", "help", end),
    ("GET", "/help/{page}", "help", manual_page),
    ("GET", "/help/pictures/{name}", "help", picture),
]
