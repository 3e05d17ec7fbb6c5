"""A season from a table of runs: the same answers as from the drives, and one line for what is wrong with it."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from invented_season import Stint, frame_of, season
from made_season import MadeSeason

from analysis.answers.compare import compare_answer
from analysis.answers.effects import effects_answer
from analysis.answers.plan import plan_answer
from analysis.answers.season import season_answer
from analysis.changes.mixture_next import mixture_notes
from analysis.changes.season import SeasonRecord, gather
from analysis.changes.season_frame import OPTIONAL, REQUIRED, from_runs, runs_of
from analysis.conditions import roadload
from analysis.conditions.weather import STANDARD_AIR, corrected_of_many, corrected_times
from analysis.store import DriveStore
from logger.errors import InputError

A, B = {"main_jet_mm": 1.09, "snorkel": "short"}, {"main_jet_mm": 1.06, "snorkel": "long"}


def near(a: Any, b: Any, where: str = "") -> None:
    """Two answers as plain values are one, numbers to 1e-9."""
    if isinstance(a, dict):
        assert a.keys() == b.keys(), where
        for key in a:
            near(a[key], b[key], f"{where}.{key}")
    elif isinstance(a, list):
        assert len(a) == len(b), where
        for k, (x, y) in enumerate(zip(a, b, strict=True)):
            near(x, y, f"{where}[{k}]")
    elif isinstance(a, float) and isinstance(b, float):
        assert a == pytest.approx(b, abs=1e-9, rel=1e-9), where
    else:
        assert a == b, where


@pytest.fixture(scope="module")
def from_disk(made_season: MadeSeason) -> SeasonRecord:
    return gather(DriveStore(made_season.store))


@pytest.fixture(scope="module")
def told(from_disk: SeasonRecord) -> pd.DataFrame:
    """The same runs as a table, by the columns that others would write."""
    return runs_of(from_disk)


def test_each_run_is_corrected_by_the_air_of_its_own_day(from_disk: SeasonRecord) -> None:
    """With a launch that follows the air, and with one that belt or clutch limit, in this order."""
    apart = []
    for run in from_disk.runs:
        drive = from_disk.drive(run.drive)
        air, car, by = drive.standard, drive.car, from_disk.factor
        day, standard = roadload.of(car, air.density_kg_per_m3), roadload.of(car, STANDARD_AIR[by])
        grade = run.grade_percent / 100 if math.isfinite(run.grade_percent) else 0.0
        for told, launch in ((run.corrected_s, True), (run.unlaunched_s, False)):
            wanted = corrected_times(run.speed_mps, run.time_s, air.factors[by], day, standard, grade, launch)
            np.testing.assert_allclose(told, wanted, rtol=1e-12)
        apart.append(float(np.nanmax(np.abs(run.corrected_s - run.unlaunched_s))))
    assert len({run.drive for run in from_disk.runs}) > 1
    assert max(apart) > 1e-3


def test_what_fails_in_correcting_a_drive_stays_with_that_drive(
    made_season: MadeSeason, from_disk: SeasonRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = iter([True])

    def correct(*given: Any) -> Any:
        if next(asked, False):
            raise FloatingPointError("no such air")
        return corrected_of_many(*given)

    monkeypatch.setattr("analysis.changes.gathering.corrected_of_many", correct)
    left = gather(DriveStore(made_season.store))
    first = from_disk.drives[0].drive
    assert [row.drive for row in left.drives] == [row.drive for row in from_disk.drives[1:]]
    assert [run.label for run in left.runs] == [run.label for run in from_disk.runs if run.drive != first]


# --- the same as from files -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("raw", [False, True])
def test_a_comparison_is_the_one_from_the_drives(from_disk: SeasonRecord, told: pd.DataFrame, raw: bool) -> None:
    first = compare_answer(from_disk, "baseline", "snorkel and jet", raw=raw).to_json()
    second = compare_answer(from_runs(told), "baseline", "snorkel and jet", raw=raw).to_json()
    assert first["fuel"] is not None and second["fuel"] is None  # loops are no runs
    assert first["power"] is not None and second["power"] is None  # a table of times holds no pulls
    assert (second["correction"] is None) == raw and (raw or "were given as corrected" in second["correction"])
    for name in ("fuel", "power", "correction", "left_out"):
        first.pop(name), second.pop(name)
    near(first, second)


def test_rows_in_any_order_with_text_for_times_give_the_same(from_disk: SeasonRecord, told: pd.DataFrame) -> None:
    mixed = told.sample(frac=1, random_state=3)
    mixed["start_utc"] = [when.strftime("%Y-%m-%dT%H:%M:%S.%fZ") for when in mixed["start_utc"]]
    mixed["remark"] = "a column of the owner's own"
    asked = ("baseline", "snorkel and jet")
    near(compare_answer(from_runs(told), *asked).to_json(), compare_answer(from_runs(mixed), *asked).to_json())


def test_effects_plan_and_season_are_those_from_the_drives(from_disk: SeasonRecord, told: pd.DataFrame) -> None:
    other = from_runs(told)
    assert effects_answer(from_disk).power and not effects_answer(other).power  # a table of times holds no pulls
    first, second = effects_answer(from_disk).to_json(), effects_answer(other).to_json()
    for each in [*first["time"], *second["time"]]:
        each.pop("for_money"), each.pop("for_hours")  # of the setups' files
    near({**first, "fuel": [], "power": []}, second)
    first, second = plan_answer(from_disk).to_json(), plan_answer(other).to_json()
    assert first.pop("by_power") is not None and second.pop("by_power") is None
    first["notes"] = first["notes"][len(mixture_notes(from_disk)) :]  # a table of runs holds no mixture map
    for name in ("run_minutes", "minutes"):  # of the starts of runs, which are seconds since 1970 in one double
        assert first.pop(name) == pytest.approx(second.pop(name), abs=1e-6)
    near(first, second)
    first, second = season_answer(from_disk).to_json(), season_answer(other).to_json()
    for each in [*first["setups"], *second["setups"]]:
        for name in [name for name in each if name == "pulls" or name.startswith("power_")]:
            each.pop(name)
        for name in ("drives", "l_per_100km", "since", "cost", "hours", "notes"):  # of the setup's file, and of loops
            each.pop(name)
    near(first, second)


def test_only_the_required_columns_are_needed(from_disk: SeasonRecord, told: pd.DataFrame) -> None:
    bare = compare_answer(from_runs(told[list(REQUIRED)]), "baseline", "snorkel and jet")
    assert bare.corrected_by is None and bare.mixture is None
    whole = compare_answer(from_disk, "baseline", "snorkel and jet", raw=True)
    near([s.to_json() for s in whole.splits], [s.to_json() for s in bare.splits])
    assert any("weather is missing" in line for line in bare.caveats)


def test_a_table_of_a_season_is_that_season_again(from_disk: SeasonRecord, told: pd.DataFrame) -> None:
    assert list(told.columns) == [*REQUIRED, *OPTIONAL]
    assert len(told) == sum(len(run.speed_mps) for run in from_disk.runs)
    pd.testing.assert_frame_equal(runs_of(from_runs(told)), told, rtol=1e-12, atol=1e-12)
    for run, again in zip(from_disk.runs, from_runs(told).runs, strict=True):
        told_again = replace(
            again, speed_mps=run.speed_mps, time_s=run.time_s, sigma_s=run.sigma_s, start_s=run.start_s,
            corrected_s=run.corrected_s, unlaunched_s=run.unlaunched_s, parts=run.parts,
        )  # fmt: skip
        np.testing.assert_equal(asdict(told_again), asdict(run))  # what is not known equals what is not known
        assert again.parts == dict(run.parts or {}) and again.outing == run.outing


# --- days, setups, part throttle --------------------------------------------------------------------------------------


def test_drives_of_one_day_are_one_outing() -> None:
    """Drives less than six hours apart, as on disk."""
    frame = frame_of(season([Stint(0, A, 4), Stint(1, B, 4)], np.random.default_rng(1)))
    begun = pd.Timestamp("2026-05-02T09:00:00Z")
    frame["start_utc"] = begun + pd.to_timedelta(frame["run"] * 240, unit="s")
    for hours, outings in ((2, {0}), (5.5, {0}), (8, {0, 1}), (24 * 7, {0, 1})):
        later = frame.copy()
        later.loc[later["drive"] == "day1", "start_utc"] += pd.Timedelta(hours=hours)
        record = from_runs(later)
        assert {run.outing for run in record.runs} == {row.outing for row in record.drives} == outings, hours
    assert [(row.drive, row.setup, len(row.runs)) for row in from_runs(frame).drives] == [
        ("day0", "setup 1", 4), ("day1", "setup 2", 4)
    ]  # fmt: skip


def test_runs_without_a_setup_have_none() -> None:
    frame = frame_of(season([Stint(0, A, 4), Stint(1, B, 4)], np.random.default_rng(1)))
    for nothing in (None, math.nan, "", "null"):
        bare = frame.copy()
        bare.loc[bare["drive"] == "day1", "parts"] = nothing
        record = from_runs(bare)
        assert [row.parts for row in record.drives] == [A, None] and [k.name for k in record.setups] == ["setup 1"]
        assert compare_answer(record, "day0", "day1").parts_that_differ == ()


def test_part_throttle_counts_only_where_it_is_asked_for() -> None:
    frame = frame_of(season([Stint(0, A, 6), Stint(1, B, 4)], np.random.default_rng(2)))
    frame.loc[(frame["drive"] == "day0") & (frame["run"] == 3), "from_one_foot_s"] *= 1.4
    record = from_runs(frame)
    assert [(each.label, "full throttle" in each.reason) for each in record.left_out] == [("day0:3", True)]
    assert "day0:3" not in record.drives[0].runs
    assert len(from_runs(frame, every_run=True).runs) == 10


def test_a_run_of_one_speed_is_left_out_and_said() -> None:
    frame = frame_of(season([Stint(0, A, 4)], np.random.default_rng(1)))
    frame = frame[(frame["run"] != 2) | (frame["speed_mps"] < 5)]
    record = from_runs(frame)
    assert [(each.label, each.reason) for each in record.left_out] == [("day0:2", "fewer than two speeds are known")]


def test_the_owners_unit_picks_the_speeds() -> None:
    frame = frame_of(season([Stint(0, A, 4), Stint(0, B, 4)], np.random.default_rng(1)))
    frame["drive"] = frame["drive"] + frame["setup"].str[-1]
    assert compare_answer(from_runs(frame), "setup 1", "setup 2").splits[0].speed == "10 mph"
    assert compare_answer(from_runs(frame, unit="km/h"), "setup 1", "setup 2").splits[0].speed == "20 km/h"


# --- what is wrong with it --------------------------------------------------------------------------------------------

Wrong = Callable[[pd.DataFrame], pd.DataFrame]


def put(column: str, value: Any, rows: slice = slice(0, 1)) -> Wrong:
    def change(frame: pd.DataFrame) -> pd.DataFrame:
        frame = frame.astype({column: object})
        frame.loc[frame.index[rows], column] = value
        return frame

    return change


RUN = slice(0, 6)
"""The rows of the first run."""
TIMED = ("speed_mps", "from_one_foot_s", "from_one_foot_sigma_s")


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        *((lambda frame, name=name: frame.drop(columns=name), rf"no column {name}\.") for name in REQUIRED),
        (lambda frame: frame.iloc[:0], "no row"),
        *((put(name, value), rf"day0:1: {name} has empty or infinite values")
          for name in TIMED for value in (math.nan, math.inf)),
        (put("speed_mps", "fast"), "day0:1: speed_mps holds something that is not a number"),
        (put("speed_mps", -3.0), "speeds must be above zero"),
        (put("from_one_foot_sigma_s", -0.1), "standard errors zero or more"),
        (put("from_one_foot_s", 99.0), "must rise"),
        (lambda frame: pd.concat([frame, frame.iloc[:1]]), "day0:1: two rows have the same speed"),
        (put("parts", "{snorkel: long}", RUN), "day0:1: parts: '{snorkel: long}' is not the JSON text"),
        (put("parts", "[1, 2]", RUN), "is not the JSON text of an object"),
        (put("parts", '"long"', RUN), "is not the JSON text of an object"),
        (put("parts", '{"snorkel": [1]}', RUN), "day0:1: parts"),
        (put("parts", '{"snorkel": NaN}', RUN), "day0:1: parts"),
        (put("parts", 3, RUN), "is not the JSON text of an object"),
        (put("parts", json.dumps(B), RUN), "day0: two setups"),
        (put("setup", "another", RUN), "day0: two setups"),
        (put("setup", "another"), "day0:1: setup has two values"),
        (put("direction_deg", math.nan), "day0:1: direction_deg has two values"),
        (put("direction_deg", "north", RUN), "day0:1: direction_deg: 'north' is not a number"),
        (put("start_utc", pd.NaT, RUN), "day0:1: start_utc is missing"),
        (put("start_utc", "one morning", RUN), "day0:1: start_utc: 'one morning' is not a time"),
        (put("run", math.nan), "run"),
        (put("run", 1.5), "day0: run: 1.5 is not a run"),
        (put("drive", None), "drive is missing"),
        (put("corrected_s", math.nan), "corrected_s has a gap"),
        (put("corrected_s", "soon"), "corrected_s holds something that is not a number"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_one_line_that_names_it(wrong: Wrong, said: str) -> None:
    frame = frame_of(season([Stint(0, A, 4), Stint(1, B, 4)], np.random.default_rng(1)))
    frame["corrected_s"] = frame["from_one_foot_s"]
    assert len(from_runs(frame).runs) == 8
    with pytest.raises(InputError, match=said) as error:
        from_runs(wrong(frame))
    assert "\n" not in str(error.value)
