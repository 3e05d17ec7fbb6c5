"""The same seasons as drives: NMEA logs and setup files, imported, compared and asked for effects by the commands.

    store = import_season(folder, design, "1 %", number)
    words = asked(store, design)                # what `compare --json` and `effects --json` say

cd tests && python -m season_worlds.as_drives [DESIGN] --seasons 24 --days "1 %"
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from run_verb import run_verb
from worlds.car import STEP_S, Car, Drive
from worlds.receiver import Receiver, receive, write_nmea

from season_worlds.designs import DESIGNS, Design, setups
from season_worlds.judge import CLAIMS
from season_worlds.machine import Floats, traces
from season_worlds.seasons import KINDS, Planned, parts_of, plan_season, seed_of

START = datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC)
WEEKLY = "A4 A4 B3 C5 D4 E6"


@dataclass(frozen=True)
class Said:
    """What was claimed of a season in which nothing was changed."""

    compared: dict[str, str]
    """Setup -> verdict against A."""
    effects: int
    """Intervals of `effects` that leave zero out."""
    runs: int
    """Runs of all drives that the season counts."""


def import_season(
    folder: Path, design: Design, day: str, number: int, gains: Mapping[str, float] | None = None
) -> Path:
    """Drive a season, write its logs, import them one by one with their setups; gives the store."""
    store = folder / "store"
    season = plan_season(
        design.stints, day, seed_of("drives", number), kind=KINDS[number % len(KINDS)], place=design.place, gains=gains
    )
    for setup in setups(design.stints):
        lines = [f'name = "{setup}"', "[parts]", *(f"{part} = {value!r}" for part, value in parts_of(setup).items())]
        (folder / f"{setup}.toml").write_text("\n".join(lines).replace("'", '"') + "\n", encoding="utf-8")
    for k, (outing, setup) in enumerate(dict.fromkeys((stint.outing, stint.setup) for stint, _ in season.plan)):
        log = folder / f"{outing}-{setup}.nmea"
        fixes = receive(_driven(season, outing, setup), Receiver(noise_mps=0.04), seed_of("fixes", number, k))
        begun = START + timedelta(days=7 * outing, hours=k % 4)
        write_nmea(log, replace(fixes, epoch_utc_ns=int(begun.timestamp()) * 1_000_000_000))
        said = run_verb(store, "import", str(log), "--setup", str(folder / f"{setup}.toml"), "--json")
        assert said.code == 0, said.err
    return store


def asked(store: Path, design: Design) -> Said:
    """`compare A X --json` for every other setup, and `effects --json`."""
    first, *others = setups(design.stints)
    compared, runs = {}, 0
    for setup in others:
        said = run_verb(store, "compare", first, setup, "--json")
        assert said.code == 0, said.err
        compared[setup] = said.json["verdict"]
    told = run_verb(store, "effects", "--json")
    assert told.code == 0, told.err
    shown = sum(
        speed["low"] is not None and (speed["low"] > 0 or speed["high"] < 0)
        for effect in told.json["time"]
        for speed in effect["effects"]
    )  # fmt: skip
    runs = sum(row["runs"] for row in run_verb(store, "drives", "--json").json["drives"])
    return Said(compared, shown, runs)


def _driven(season: Planned, outing: int, setup: str) -> Drive:
    """The truth of one drive: its pulls from rest, each braked and turned after, at 1 kHz."""
    wanted = [k for k, (stint, _) in enumerate(season.plan) if (stint.outing, stint.setup) == (outing, setup)]
    edges, times, _ = traces(season.car, season.pulls, season.lift_mps)
    speeds: list[Floats] = [np.zeros(round(9.0 / STEP_S))]
    headings: list[Floats] = [np.full(len(speeds[0]), season.base_deg)]
    for k in wanted:
        luck = season.luck(10_000 + k)
        reached = np.isfinite(times[k])
        ends = float(times[k][reached][-1])
        pull = np.interp(np.arange(0.0, ends, STEP_S), times[k][reached], edges[reached])
        top = float(pull[-1])
        rolled = top - 0.5 * np.arange(0.0, luck.uniform(1.0, 2.5), STEP_S)
        hard = luck.uniform(1.5, 2.8)
        braked = np.maximum(rolled[-1] - hard * np.arange(0.0, rolled[-1] / hard + STEP_S, STEP_S), 0.0)
        stood = np.zeros(round(luck.uniform(6.0, 10.0) / STEP_S))
        one = np.concatenate([pull, rolled, braked, stood])
        speeds.append(one)
        heading = (season.base_deg + 180.0 * season.plan[k][1] + luck.normal(0, 1.0)) % 360
        headings.append(np.full(len(one), heading))
    v = np.concatenate(speeds)
    n, car = len(v), season.car
    truth = Car(car.mass_kg, car.launch_n)
    return Drive(truth, np.arange(n) * STEP_S, v, v, np.concatenate(headings), np.zeros(n), [], [])


def judged(name: str, day: str, seasons: int, first: int = 0) -> Counter[str]:
    """Seasons with any false claim of `compare`, of `effects`; comparisons asked and false; and runs."""
    design, counts = DESIGNS[name], Counter[str]()
    for number in range(first, first + seasons):
        with tempfile.TemporaryDirectory() as folder:
            said = asked(import_season(Path(folder), design, day, number), design)
        false = [word in CLAIMS for word in said.compared.values()]
        counts.update(seasons=1, asked=len(false), false=sum(false), any=any(false), effects=said.effects > 0)
        counts.update(runs=said.runs)
    return counts


def main() -> None:
    given = argparse.ArgumentParser(description="verdicts through files and commands")
    given.add_argument("design", nargs="?", default=WEEKLY, choices=[n for n, d in DESIGNS.items() if d.stints])
    given.add_argument("--seasons", type=int, default=24)
    given.add_argument("--days", default="1 %")
    given.add_argument("--first", type=int, default=0)
    what = given.parse_args()
    counts = judged(what.design, what.days, what.seasons, what.first)
    print(
        f"{what.design}, days of {what.days}: {counts['any']} of {counts['seasons']} seasons with a false verdict, "
        f"{counts['false']} of {counts['asked']} comparisons; {counts['effects']} with a false effect; "
        f"{counts['runs'] / counts['seasons']:.1f} runs a season"
    )


if __name__ == "__main__":
    main()
