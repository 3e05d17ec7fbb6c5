"""`drives` and `season` held to simulator truth: what they print, what they write, and the answers that both are of."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from made_drives import BASELINE, START
from made_season import BOTH, L_PER_100KM, STANDARD, THIN, MadeSeason
from run_verb import Said, run_verb

from analysis.answers.drives import DrivesAnswer, drives_answer
from analysis.answers.season import SeasonAnswer, season_answer
from analysis.changes.season import SeasonRecord, gather
from analysis.conditions.weather import Weather, air_of
from analysis.store import DriveStore
from logger.config.setup import SetupConfig
from logger.store.drive import open_drive
from logger.units import MPS_PER_MPH


@pytest.fixture(scope="module")
def record(made_season: MadeSeason) -> SeasonRecord:
    return gather(DriveStore(made_season.store))


@pytest.fixture(scope="module")
def drives(record: SeasonRecord) -> DrivesAnswer:
    return drives_answer(record)


@pytest.fixture(scope="module")
def season(record: SeasonRecord) -> SeasonAnswer:
    return season_answer(record)


def driven(made_season: MadeSeason, ids: list[str], mph: float) -> list[float]:
    """True times from one foot, in order."""
    mps = mph * MPS_PER_MPH
    return [run.time_to(mps) - run.time_at(0.3048) for each in ids for run in made_season.truth[each]]


@pytest.mark.parametrize("mph", [30, 20])
def test_best_and_typical_of_a_drive_are_the_simulators(
    made_season: MadeSeason, record: SeasonRecord, mph: int
) -> None:
    answer = drives_answer(record, mph * MPS_PER_MPH)
    assert answer.speed == f"{mph} mph"
    for each, found in zip(made_season.ids[:4], answer.drives, strict=False):
        times = driven(made_season, [each], mph)
        assert found.drive == each and (found.runs, found.timed) == (len(times), len(times))
        assert found.best_s == pytest.approx(min(times), abs=0.08) and found.best_s <= found.typical_s
        assert found.typical_s == pytest.approx(np.median(times), abs=0.08)


def test_the_other_columns_of_a_drive(made_season: MadeSeason, drives: DrivesAnswer) -> None:
    first, thin, loop, other = (drives.drives[k] for k in (0, 2, 4, 5))
    assert drives.speed == "30 mph" and drives.channel == "AFR"
    assert (first.setup, thin.setup) == (BASELINE.name, BOTH.name)
    assert [each.outing for each in drives.drives] == [0, 1, 2, 3, 4, 5]
    assert abs((first.started_utc - START).total_seconds()) < 1
    assert first.minutes == pytest.approx(
        DriveStore(made_season.store).drive(first.drive).drive.manifest.duration_s / 60
    )
    for row, weather in ((first, STANDARD), (thin, THIN)):
        density = air_of(Weather.model_validate(weather), None).density_kg_per_m3
        assert row.air_density_kg_per_m3 == pytest.approx(density)
    assert thin.notes == ("tyres at 2.1 bar",) and first.notes == ()
    assert (loop.l_per_100km, other.l_per_100km) == pytest.approx(L_PER_100KM, rel=0.01)
    assert math.isnan(first.l_per_100km) and math.isnan(loop.best_s) and loop.runs == 0
    assert thin.full_throttle > first.full_throttle + 0.3  # the smaller jet is leaner


def test_the_season_by_setup(made_season: MadeSeason, season: SeasonAnswer) -> None:
    first, second = season.setups
    assert (first.setup, second.setup) == (BASELINE.name, BOTH.name)
    for each, ids in ((first, made_season.ids[:2]), (second, made_season.ids[2:4])):
        times = driven(made_season, ids, 30)
        assert (each.drives, each.outings, each.runs) == (3, 2, len(times)) and each.first_drive == ids[0]
        assert each.best_s == pytest.approx(min(times), abs=0.08) and each.best_s < each.typical_s
        assert each.typical_s == pytest.approx(np.median(times), abs=0.08)
    assert (first.l_per_100km, second.l_per_100km) == pytest.approx(L_PER_100KM, rel=0.01)
    assert second.full_throttle > first.full_throttle + 0.3
    assert first.changed == {} and {part: (p.a, p.b) for part, p in second.changed.items()} == {
        "main_jet_mm": (1.09, 1.06), "snorkel": ("short", "long")
    }  # fmt: skip
    assert (second.cost, second.hours, first.cost) == (18.0, 2.0, None)
    assert season.drives_without_setup == ()


def test_a_setup_is_held_against_the_one_before_it(made_season: MadeSeason, tmp_path: Path) -> None:
    store = Path(shutil.copytree(made_season.store, tmp_path / "store"))
    between = SetupConfig(name="snorkel alone", parts={**BASELINE.parts, "snorkel": "long"})
    for name in (made_season.ids[1], made_season.ids[4]):
        found = open_drive(store, name)
        found.amend("setup", setup=between if name == made_season.ids[1] else BASELINE)
    answer = season_answer(gather(DriveStore(store)))
    changed = {each.setup: {part: (p.a, p.b) for part, p in each.changed.items()} for each in answer.setups}
    assert changed == {
        BASELINE.name: {}, between.name: {"snorkel": ("short", "long")}, BOTH.name: {"main_jet_mm": (1.09, 1.06)}
    }  # fmt: skip
    flat = run_verb(store, "season", "--why").flat
    assert "snorkel and jet: main_jet_mm 1.09 -> 1.06." in flat and "snorkel alone: snorkel short -> long." in flat


def test_the_best_run_is_the_fastest_one(record: SeasonRecord, season: SeasonAnswer) -> None:
    at = np.array([30 * MPS_PER_MPH])
    fastest = min(record.runs, key=lambda run: run.time_to(at)[0])
    best = season.personal_best
    assert best is not None and best.label == fastest.label
    assert best.time_s == fastest.time_to(at)[0] == min(each.best_s for each in season.setups)
    assert [each.setup for each in season.setups if each.personal_best] == [best.setup] == [fastest.setup]


def mpg(litres: float) -> float:
    """NIST SP 811 (2008), appendix B.8: L/100 km = 235.214 583 / mpg (US) follows."""
    return 235.214583 / litres


def cells(said: Said) -> list[dict[str, str]]:
    return said.table("")


def test_what_drives_prints_and_writes_is_the_answer(made_season: MadeSeason, drives: DrivesAnswer) -> None:
    assert run_verb(made_season.store, "drives", "--json").json == drives.to_json()
    said = run_verb(made_season.store, "drives")
    for row, each in zip(cells(said), drives.drives, strict=True):
        assert row["drive"] == each.drive and row["setup"] == each.setup and row["runs"] == str(each.runs)
        for heading, value, digits in (
            ("best", each.best_s, 2), ("typical", each.typical_s, 2), ("AFR", each.full_throttle, 2),
            ("mpg", mpg(each.l_per_100km), 1),
        ):  # fmt: skip
            assert row[heading] == (f"{value:.{digits}f}" if math.isfinite(value) else "-")
    assert "seconds from one foot to 30 mph, as driven" in said.flat and "tyres at 2.1 bar" in said.out
    assert "AFR is at full throttle: median of its runs' pulls." in said.flat
    assert "No weather yet" not in said.out


def test_drives_to_another_speed(made_season: MadeSeason, record: SeasonRecord) -> None:
    said = run_verb(made_season.store, "drives", "--to", "20mph")
    answer = drives_answer(record, 20 * MPS_PER_MPH)
    assert [row["best"] for row in cells(said)][:4] == [f"{each.best_s:.2f}" for each in answer.drives[:4]]
    assert "from one foot to 20 mph" in said.flat
    assert run_verb(made_season.store, "drives", "--to", "20mph", "--json").json == answer.to_json()
    assert run_verb(made_season.store, "drives", "--to", "fast").code == 2


def test_what_season_prints_and_writes_is_the_answer(made_season: MadeSeason, season: SeasonAnswer) -> None:
    assert run_verb(made_season.store, "season", "--json").json == season.to_json()
    said = run_verb(made_season.store, "season", "--why")
    for row, each in zip(said.table("By setup"), season.setups, strict=True):
        assert row["setup"] == each.setup and row["outings"] == str(each.outings) and row["runs"] == str(each.runs)
        assert row["best"] == f"{each.best_s:.2f}" + (" *" if each.personal_best else "")
        assert row["typical"] == f"{each.typical_s:.2f}" and row["AFR"] == f"{each.full_throttle:.2f}"
        assert row["mpg"] == f"{mpg(each.l_per_100km):.1f}" and row["since"] == each.first_drive[:10]
    best = season.personal_best
    assert (
        best is not None
        and f"Best run: {best.time_s:.2f} s to {season.speed}, {best.label} with {best.setup}." in said.flat
    )
    assert "snorkel and jet: main_jet_mm 1.09 -> 1.06; snorkel short -> long." in said.flat
