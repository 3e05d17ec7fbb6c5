"""The drives and pages that the report's tests read."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from made_drives import BASELINE, make_drive
from page_reader import DAY, HOSTILE
from simulate import Brake, Cruise, Lift, Pull, Stand, Turn

from analysis.changes.season import gather
from analysis.drive import AnalysedDrive
from analysis.report.drive_page import drive_page
from analysis.report.page import render
from analysis.report.season_page import season_page
from analysis.report.setups_page import setups_page
from analysis.store import DriveStore

STARTS = [
    Stand(12), Pull(21.0, launch="slip"), Lift(15, 5), Brake(0), Turn(), Stand(8),
    Pull(21.0), Brake(0), Turn(), Stand(8),
    Pull(21.0), Lift(12, 5), Cruise(12, 20), Brake(0), Stand(8), Pull(14.0), Brake(0), Stand(8),
]  # fmt: skip


@pytest.fixture(scope="session")
def store(tmp_path_factory):
    return tmp_path_factory.mktemp("store")


@pytest.fixture(scope="session")
def told(store):
    weather = {"temperature_c": 17.0, "pressure_hpa": 1015.0, "humidity_percent": 59.0, "wind_mps": 1.0,
               "wind_from_deg": 250.0, "source": "METAR EGXX at the village of Nowhere"}  # fmt: skip
    notes = [(20.0, "belt squeals"), *((30.0 + k, text) for k, text in enumerate(HOSTILE))]
    setup = BASELINE.model_copy(
        update={"name": HOSTILE[0], "notes": HOSTILE[1], "parts": {"jet": HOSTILE[2], "clip": 3}}
    )
    drive, _ = make_drive(store, STARTS, setup=setup, weather=weather, notes=notes)
    return AnalysedDrive(drive)


@pytest.fixture(scope="session")
def page(told):
    return drive_page(told)


@pytest.fixture(scope="session")
def html(page):
    return render(page, DAY)


@pytest.fixture(scope="session")
def season_store(tmp_path_factory):
    """Two setups, each on two days, the second one quicker by 5 % of force; hostile names."""
    store = tmp_path_factory.mktemp("season")
    weather = {"temperature_c": 15.0, "pressure_hpa": 1013.0, "humidity_percent": 60.0, "wind_mps": 1.0,
               "wind_from_deg": 250.0}  # fmt: skip
    script = [Stand(10)]
    for _ in range(3):
        script += [Pull(21.0), Brake(0, 2.5), Turn(), Stand(7)]
    other = BASELINE.model_copy(update={"name": HOSTILE[0], "parts": {"main_jet_mm": 1.09, "snorkel": HOSTILE[1]}})
    for day in range(4):
        setup, force = (BASELINE, 1.0) if day % 2 == 0 else (other, 1.12)
        make_drive(
            store, script, seed=day, setup=setup, weather=weather, force_scale=force,
            start=datetime(2026, 5, 2 + 7 * day, 9, 0, tzinfo=UTC), notes=[(20.0, HOSTILE[2])],
        )  # fmt: skip
    return store


@pytest.fixture(scope="session")
def both(season_store):
    found = gather(DriveStore(season_store))
    return {"setups": setups_page("baseline", HOSTILE[0], found), "season": season_page(found)}
