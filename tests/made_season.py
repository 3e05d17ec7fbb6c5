"""A small season of simulated drives whose truth is known, as a store: what the answers of several verbs are held to.

Two setups of two outings each. `baseline` on standard days (SAE J1349: 25 C, 990 hPa of dry air), `snorkel and jet` on
thin ones: as driven its engine is hardly stronger, in standard air it is, by `GAIN`. Then a fuel loop of each, and a
drive whose GPS said nothing. The wind blows along the road, harder on the days of the second setup.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from made_drives import BASELINE, START, make_drive
from simulate import WREN, Brake, Car, Cruise, Lift, Phase, Pull, Stand, TrueRun, Turn, drive, tuned

from analysis.conditions.weather import Weather, air_of
from analysis.road import fuel_used
from logger.config.setup import SetupConfig
from logger.store.drive import Drive
from logger.store.manifest import Struck

BOTH = SetupConfig(name="snorkel and jet", parts={"main_jet_mm": 1.06, "snorkel": "long"}, cost=18.0, hours=2.0)
WIND_MPS = (0.8, 2.0)
"""On the days of each setup, along the road as the first run of a day goes."""
STANDARD: dict[str, Any] = {
    "temperature_c": 25.0, "pressure_hpa": 990.0, "humidity_percent": 0.0, "wind_from_deg": 68.0,
    "wind_mps": WIND_MPS[0],
}  # fmt: skip
THIN: dict[str, Any] = {**STANDARD, "temperature_c": 33.0, "pressure_hpa": 930.0, "wind_mps": WIND_MPS[1]}
GAIN = 1.10
"""Wheel force of the second setup over the first's, in the same air."""
L_PER_100KM = (3.2, 2.9)
"""What each setup used in its loop."""


@dataclass(frozen=True)
class MadeSeason:
    """The store, and what is true of it."""

    store: Path
    ids: list[str]
    """In order: two drives of A, two of B, a loop of A, a loop of B."""
    truth: dict[str, list[TrueRun]]
    """Drive -> its pulls, in order."""
    loop_m: dict[str, float]
    """Drive -> way of its loop [m]."""

    def standard_time(self, setup: int, mps: float) -> float:
        """Seconds from one foot to a speed in standard air without wind: A is 0, B is 1."""
        script = [Stand(1), Pull(mps + 1, launch="slip")]
        run = drive(PULLING, script, dt=0.002, force_scale=(1.0, GAIN)[setup]).runs[0]
        return run.time_to(mps) - foot_time(run)


PULLING: Car = tuned(WREN, force_n=2 * WREN.force_n)
"""Power nearly throughout, so that a factor acts on all of a run."""


def foot_time(run: TrueRun) -> float:
    """Seconds from first movement to one foot of it."""
    return run.time_at(0.3048)


def starts(count: int, to_mps: float = 17.0) -> list[Phase]:
    """`count` pulls from rest, to and fro."""
    script: list[Phase] = [Stand(6)]
    for number in range(count):
        script += [Stand(5), Pull(to_mps, launch="slip"), Lift(14, 3), Brake(0, 2.5), Stand(2)]
        script += [Turn()] if number < count - 1 else []
    return [*script, Stand(4)]


def factor_of(weather: dict[str, Any]) -> float:
    """SAE J1349 on that day."""
    return air_of(Weather.model_validate(weather), None).factors["SAE J1349"]


def make_season(store: Path) -> MadeSeason:
    """Drive the season and close its drives."""
    made: list[Drive] = []
    truth: dict[str, list[TrueRun]] = {}
    outings = [(BASELINE, 1.0, STANDARD, 4), (BASELINE, 1.003, STANDARD, 4), (BOTH, GAIN, THIN, 4),
               (BOTH, 0.997 * GAIN, THIN, 3)]  # fmt: skip
    for week, (setup, strength, air, count) in enumerate(outings):
        found, driven = make_drive(
            store, starts(count), seed=50 + week, start=START + timedelta(days=7 * week), setup=setup,
            force_scale=strength / factor_of(air), weather=air, headwind_mps=air["wind_mps"], truth_car=PULLING,
            jet_mm=float(setup.parts["main_jet_mm"]),
            notes=[(3.0, "tyres at 2.1 bar")] if week == 2 else (),
        )  # fmt: skip
        made.append(found)
        truth[found.id] = driven.runs
    loop_m = {}
    for number, setup in enumerate((BASELINE, BOTH)):
        script: list[Phase] = [Stand(8), Pull(14, throttle=0.5), Cruise(14, 150), Lift(8, 8), Brake(0, 2.0), Stand(8)]
        found, driven = make_drive(
            store, script, seed=70 + number, start=START + timedelta(days=28 + 7 * number), setup=setup,
            weather=STANDARD,
        )  # fmt: skip
        way = float(driven.s_m[-1] - driven.s_m[0])
        used = fuel_used.used_by_volume(L_PER_100KM[number] * 1e-8 * way, 1e-6, 288.706)
        made.append(found.amend("fuel loop added", fuel=fuel_used.to_kept(used)))
        loop_m[found.id] = way
    return MadeSeason(store, [each.id for each in made], truth, loop_m)


def strike(found: Drive, start_utc_ns: int, reason: str) -> Drive:
    """The drive with one of its runs struck out."""
    when = np.datetime64(start_utc_ns, "ns").astype("datetime64[us]").astype(object)
    return found.amend(
        "run struck out", struck=[Struck(run_start_utc=when.replace(tzinfo=UTC), reason=reason, when=START)]
    )
