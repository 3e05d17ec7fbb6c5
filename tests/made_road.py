"""A store with coasts, starts with two setups and fuel loops, all of known truth; and the command line on it."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

from airfield import Road
from made_coasts import Slope
from made_drives import BASELINE, START, make_drive
from run_verb import run_verb
from simulate import (
    WREN,
    Brake,
    Coast,
    Cruise,
    Phase,
    Pull,
    Stand,
    Truth,
    Turn,
    tuned,
)

from logger.config.car import CarConfig
from logger.config.reading import load
from logger.config.setup import SetupConfig

CAR_FILE = Path(__file__).parents[1] / "configs" / "wren.toml"
SPORT = SetupConfig(name="sport", parts={"main_jet_mm": 1.06, "snorkel": "long"})
WEATHER = {"temperature_c": 15.0, "pressure_hpa": 1013.0, "humidity_percent": 60.0, "wind_mps": 0.0}
COASTS: list[Phase] = [
    Stand(8),
    *([Pull(22.5), Coast(6), Brake(0), Stand(3), Turn(), Pull(22.5), Coast(6), Brake(0), Stand(3), Turn()] * 2),
]
STARTS: list[Phase] = [Stand(8), *([Stand(5), Pull(23.5), Brake(0, 2.5), Stand(4), Turn()] * 4)]
LOOP: list[Phase] = [Stand(6), Pull(20), Cruise(20, 165), Brake(0), Stand(6)]


@dataclass(frozen=True)
class MadeDrive:
    """A drive of the store by its id, and its truth."""

    id: str
    truth: Truth


def make_road_store(store: Path) -> dict[str, MadeDrive]:
    """Write the drives: coasts, starts, sport (starts with 8 % more power), and loops: loop and again with the first
    setup, tuned with sport's, bare without a car."""
    car = load(CAR_FILE, CarConfig)
    strong = tuned(WREN, power_w=1.08 * WREN.power_w)
    made = {
        "coasts": make_drive(store, COASTS, road=Slope(slope=0.002), car=car, weather=WEATHER),
        "starts": make_drive(store, STARTS, car=car, weather=WEATHER, start=START + timedelta(hours=1), seed=2),
        "sport": make_drive(
            store, STARTS, car=car, weather=WEATHER, start=START + timedelta(hours=2), seed=3, setup=SPORT,
            truth_car=strong,
        ),
        "loop": make_drive(
            store, LOOP, car=car, weather=WEATHER, start=START + timedelta(hours=3), road=Road(swing_m=3)
        ),
        "bare": make_drive(store, LOOP, car=None, setup=BASELINE, start=START + timedelta(hours=4)),
        "again": make_drive(store, LOOP, car=car, weather=WEATHER, start=START + timedelta(hours=5), seed=5),
        "tuned": make_drive(
            store, LOOP, car=car, weather=WEATHER, start=START + timedelta(hours=6), seed=6, setup=SPORT,
            road=Road(swing_m=3),
        ),
    }  # fmt: skip
    return {name: MadeDrive(drive.id, truth) for name, (drive, truth) in made.items()}


WITH_WHY = ("compare", "effects", "plan", "season", "power", "runs", "mixture", "jets", "fuel", "coast", "whatif")


class Terminal:
    """The command line on one store."""

    def __init__(self, store: Path) -> None:
        self.store = store

    def run(self, *arguments: str) -> tuple[int, str, str]:
        """Exit code, standard output, standard error."""
        said = run_verb(self.store, *arguments)
        return said.code, said.out, said.err

    def json(self, *arguments: str) -> dict[str, Any]:
        """The one JSON object that `--json` prints."""
        code, out, err = self.run(*arguments, "--json")
        assert code == 0, err
        found: dict[str, Any] = json.loads(out)
        return found

    def text(self, *arguments: str) -> str:
        """What is printed with `--why`, where the verb has it, which fits 80 columns."""
        why = ("--why",) if arguments[0] in WITH_WHY else ()
        code, out, err = self.run(*arguments, *why)
        assert code == 0, err
        return out

    def refused(self, code: int, *arguments: str) -> str:
        """The one line of a refusal."""
        got = self.run(*arguments)
        assert got[0] == code, got
        assert got[1] == ""
        assert got[2].count("\n") == 1 and "Traceback" not in got[2]
        return got[2]


def one_line(text: str) -> str:
    """Printed text without its line breaks."""
    return " ".join(text.split())


def tables(text: str) -> list[list[list[str]]]:
    """The tables in printed text: for each its heading and its rows, cell by cell, by where the columns lie."""
    lines = text.splitlines()
    found = []
    for i, line in enumerate(lines):
        if not re.fullmatch(r"─+", line.strip()) or i == 0:
            continue
        body = []
        for row in lines[i + 1 :]:
            if not row.strip():
                break
            body.append(row)
        block = [lines[i - 1], *body]
        width = max(map(len, block))
        padded = [row.ljust(width) for row in block]
        # Columns lie apart by two blanks that go through all rows.
        blank = [all(row[k] == " " for row in padded) for k in range(width)]
        edges, start = [], None
        for k in range(width + 1):
            gap = k == width or (blank[k] and (k + 1 == width or blank[k + 1]))
            if not gap and start is None and not (k < width and blank[k]):
                start = k
            elif gap and start is not None:
                edges.append((start, k))
                start = None
        found.append([[row[a:b].strip() for a, b in edges] for row in padded])
    return found
