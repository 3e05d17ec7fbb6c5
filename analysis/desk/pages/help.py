"""Help: the words, the method behind each number, cautions, and what each page's command is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.desk.parts import Form, Links, Part, View
from analysis.report.page import Block, Bullets, Page, Section, Table, Words

if TYPE_CHECKING:
    from starlette.requests import Request

    from analysis.desk.app import Desk

WORDS = (
    ("drive", "One recording, first byte to last. It begins with bytes and ends when the car has stood a while."),
    ("outing", "Drives less than six hours apart. They share the air, the fuel and the driver of that day."),
    ("source", "One thing on one cable: the GPS receiver, the mixture controller, a board."),
    ("channel", "One quantity from a source: AFR, head temperature, engine speed."),
    ("setup", "The car as tested, as named parts with values. A drive carries the setup that was in force."),
    ("part", "One thing that can differ between setups: main_jet_mm = 1.09, snorkel = long."),
    ("run", "One acceleration found in a drive: from a standstill, or rolling from one speed to another."),
    ("split", "The time to a speed, or to a distance."),
    ("full pull", "A stretch at full throttle that gains speed, from a standstill or rolling."),
    ("band, cell", "A row by speed, and a field by speed and load, of the mixture map."),
    ("target", "The mixture window for one way of driving: full throttle, cruise, town, idle."),
    ("fuel loop", "A drive from one fill to the next that ends where it began."),
    ("coast", "Rolling out in neutral, both ways: it tells rolling resistance and air drag."),
    ("±", "One standard deviation of the measurement. Two of them hold 95 of 100 times."),
)  # fmt: skip
"""What each word means here."""

METHODS: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        "times", "Times of a run",
        (
            "From first movement: what a stopwatch sees. It suffers from not knowing just when the car began to "
            "creep.",
            "From one foot: counted from 0.3048 m of movement (SAE J1491). It is the steadier one: compare by it.",
            "Speed is the receiver's Doppler speed, smoothed over the drive so that a launch or a gear change "
            "stays sharp. When the car began to move is an average over many ways of getting away, each as likely "
            "as the readings make it; the ± says how far they disagree.",
            "A 1 Hz receiver gives honest, wider figures than one of 10 Hz.",
        ),
    ),
    (
        "mixture", "The mixture map",
        (
            "Each reading is put where the car was when the engine burned that mixture: the delay of gas and "
            "sensor is found in the drive itself, where load changed often enough.",
            "Load is the force that the car needed for its speeding up, the slope and the road, as a share of the "
            "most it can do at that speed. A recorded throttle or manifold pressure serves too.",
            "Warming up, overrun, gear changes and the moments after a step are left out, and counted.",
            "Targets are common practice for small carburetted engines. Who made or tunes yours knows better.",
        ),
    ),
    (
        "jets", "The next jet",
        (
            "The area rule: air-fuel ratio goes with 1 / diameter squared. Once this car's history holds two "
            "jets, it goes by that too.",
            "It never advises more than one step leaner than its limit, however the holes vary. A main jet mends "
            "full throttle alone.",
        ),
    ),
    (
        "compare", "What a change did",
        (
            "Faster, slower, no difference shown (and how large one would have shown), or too few runs (and how "
            "many more).",
            "All runs of the season tell how much runs scatter. Each day may differ by itself; 1.5 % of power is "
            "taken as usual until outings that you repeat with the same setup say otherwise.",
            "The best outing has both setups in it: one, the other, the first again. Then days cancel.",
            "The intervals of a table hold together: ten speeds are not ten chances to be fooled.",
            "Times are given as driven, and corrected to standard air (SAE J1349): the correction works on the "
            "engine's force and is made a time again.",
        ),
    ),
    (
        "power", "Power at the wheels",
        (
            "How fast speed squared grows, times half the mass, with rolling, drag and slope put back. The crank "
            "gives more.",
            "Between setups all full pulls count, standing and rolling. Two pulls at one place compare without "
            "their hill.",
            "With a guessed road load it is good to 10 % or so, with coasts to 2 %.",
        ),
    ),
    (
        "effects", "What each part did",
        (
            "All setups that were driven are asked at once. Parts that always changed together are named as "
            "tangled: only what they did together can be told.",
            "What was gained for money and hours is that over what you wrote into the setups.",
        ),
    ),
    (
        "plan", "The next drives",
        ("What would tell the most: the repeats and the one part put back that would settle what is open.",),
    ),
    (
        "fuel", "Fuel",
        (
            "Fuel at 15.6 C over distance, the distance by speed and by the track on the earth's ellipsoid.",
            "The ± is what measuring leaves. How far loops differ by wind, traffic and foot only a repeat tells: "
            "a single loop gets no verdict.",
        ),
    ),
    (
        "coast", "Rolling and drag",
        (
            "The motion of a car that rolls out, with rolling, drag, slope and wind, is fitted to the speeds of "
            "all coasts. One way alone is refused unless you state the slope.",
        ),
    ),
    (
        "weather", "Air",
        ("Density from temperature, pressure and humidity. A METAR's pressure is brought to the height of the place.",),
    ),
    (
        "live", "The figures on Now",
        (
            "What the cables say, a fifth of a second later. \"--\" stands for a value that is older than two "
            "seconds, or void.",
            "The last run is found as it happens, by plain means. The drive's page, once it has ended, is exact.",
        ),
    ),
)  # fmt: skip
"""(name that an address may end with, heading, sentences) of each method."""

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
)


def cautions() -> list[str]:
    """What may hurt somebody: those that the recorder shows, and more."""
    from logger.record.panel import CAUTIONS

    shown = " ".join(CAUTIONS.split()).removesuffix("All this stands in README.md as well.").strip()
    return [
        *(f"{line.strip().removesuffix('.')}." for line in shown.split(". ") if line.strip()),
        "Lean running can overheat and destroy an engine, an air-cooled one within minutes. Every jet suggestion "
        "is an opinion that your plug readings, temperatures and ears may overrule: go leaner in small steps, "
        "stop at the first sign.",
        "Engine off and cold before you open the fuel system; in the open, away from flame and spark.",
        "In neutral the engine does not hold the car back: keep room to brake.",
    ]  # fmt: skip


def page(desk: Desk, request: Request) -> View:
    """One page, each method with a heading of its own to be linked to: /help#compare."""
    sections = [
        Section("words", "The words", [Table("What each word means here", ["word", "meaning"], WORDS, left=(1,))]),
        *(Section(name, title, _told(lines)) for name, title, lines in METHODS),
        Section("cautions", "Cautions", [Bullets(cautions())]),
    ]
    ways = Part("on-this-page", "On this page", [Links([(f"#{each.name}", each.title, "") for each in sections])])
    end = Form("end", "/help/end", [], "End the desk", "A recording goes on without it.", "Ctrl-C where it was started",
               careful=True)  # fmt: skip
    pages = Part("pages", "Each page and its commands", [Links(_PAGES), end])
    return View(Page("Help", "The words, the methods, cautions", (), sections=sections), "help", "pullbook --help",
                before=[ways], parts=[pages])  # fmt: skip


def end(desk: Desk, request: Request) -> View:
    """The last page: what is under way is answered before the desk ends."""
    desk.end()
    words: list[Block] = [Words("You can close this window. A recording goes on without the desk.")]
    return View(Page("The desk has ended", "", (), sections=[Section("ended", "Ended", words)]), "help")


def _told(lines: tuple[str, ...]) -> list[Block]:
    return [Words(line) for line in lines]


ROUTES = [("GET", "/help", "help", page), ("POST", "/help/end", "help", end)]
