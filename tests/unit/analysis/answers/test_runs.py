"""`runs` and `strike` from end to end: what they answer, print and write, held against what was driven."""

from __future__ import annotations

import json
import math
import re
import shutil
import statistics
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import simulate
from airfield import Road
from made_drives import CAR, START, make_drive
from simulate import (
    SLOW_CAR,
    WREN,
    Brake,
    Cruise,
    Lift,
    Phase,
    Pull,
    Stand,
    TrueRun,
    Truth,
    Turn,
    tuned,
)
from typer.testing import CliRunner

from analysis.answers.encoding import rows, schema
from analysis.answers.runs import AllRunsAnswer, RunsAnswer, all_runs_answer, runs_answer, strike_run
from analysis.answers.timed_run import RunSplit, TimedRun
from analysis.cli import runs as verbs
from analysis.drive import AnalysedDrive
from analysis.report.drive_page import drive_page
from analysis.store import DriveStore
from logger.config.car import CarConfig
from logger.config.setup import SetupConfig
from logger.errors import InputError, NoAnswer
from logger.store.drive import open_drive

MPH, KMH = 0.44704, 1 / 3.6  # exact (NIST SP 811, appendix B.8)
FOOT = 0.3048  # exact (NIST SP 811)

THERE_AND_BACK: list[Phase] = [
    Stand(8), Pull(23.5, "bite"), Brake(0, 3.0), Stand(5), Turn(), Pull(23.5, "bite"), Brake(0, 3.0), Stand(5), Turn(),
    Pull(11, "bite"), Brake(0), Stand(5),
]  # fmt: skip
"""Two runs over one stretch in opposite directions, and one that was given up at 25 mph."""
QUICK = tuned(WREN, power_w=1.25 * WREN.power_w)
KMH_CAR = CarConfig.model_validate({**CAR.model_dump(), "units": {"speed": "km/h"}})
FAR = Road(lat_deg=53.5)
"""Eleven kilometres north of the usual road."""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, tuple[str, Truth]]]:
    """A store of two drives, the later one with a quicker car, another setup, on another road."""
    store = tmp_path_factory.mktemp("store")
    quick = SetupConfig(name="Sport", parts={"main_jet_mm": 1.06})
    first = make_drive(store, THERE_AND_BACK, weather={"temperature_c": 15.0, "pressure_hpa": 1013.0})
    second = make_drive(
        store, THERE_AND_BACK[:4], start=START + timedelta(days=2), setup=quick, seed=2, truth_car=QUICK, road=FAR
    )
    return store, {"first": (first[0].id, first[1]), "second": (second[0].id, second[1])}


@pytest.fixture
def copy(made: tuple[Path, dict[str, Any]], tmp_path: Path) -> Path:
    """The store to write in."""
    return Path(shutil.copytree(made[0], tmp_path / "store"))


def said(*arguments: str) -> str:
    """What a verb prints on standard output."""
    done = CliRunner().invoke(verbs.app, list(arguments))
    if done.exception is not None:
        raise done.exception
    return done.stdout


@pytest.fixture(scope="module")
def answer(made: tuple[Path, dict[str, Any]]) -> RunsAnswer:
    store, drives = made
    return runs_answer(DriveStore(store).drive(drives["first"][0]))


def tables_of(text: str) -> dict[str, list[dict[str, str]]]:
    """The printed tables: title -> rows of heading -> cell, cells by where their column stands."""
    out: dict[str, list[dict[str, str]]] = {}
    lines = text.splitlines()
    for at, line in enumerate(lines):
        if not line.startswith("\u2500"):
            continue
        heads = [(m.group(), m.start(), m.end()) for m in re.finditer(r"\S+(?: \S+)*", lines[at - 1])]
        title, body = lines[at - 2], []
        for row in lines[at + 1 :]:
            if not row.strip() or row.startswith(("Run", "Runs", "From", "±", "^", "Not")) or " reached none " in row:
                break
            cells = [(m.group().strip(), m.start(), m.end()) for m in re.finditer(r"\S+(?: \S+)*", row)]
            body.append({
                head: next((text for text, a, b in cells if a < end and b > start), "") for head, start, end in heads
            })  # fmt: skip
        out[title] = out.get(title, []) + body
    return out


def at_speed(run: TimedRun, speed: str) -> RunSplit:
    return next(split for split in run.splits if split.speed == speed)


# --- against what was driven --------------------------------------------------------------------------------------


def test_times_ways_and_speeds_are_those_that_were_driven(
    made: tuple[Path, dict[str, tuple[str, Truth]]], answer: RunsAnswer
) -> None:
    truth = made[1]["first"][1]
    assert [run.n for run in answer.runs] == [1, 2, 3] and len(truth.runs) == 3
    for run, true in zip(answer.runs, truth.runs, strict=True):
        foot = true.time_at(FOOT)
        assert (run.start_utc - START).total_seconds() == pytest.approx(true.start_s, abs=0.25)
        assert run.one_foot_s == pytest.approx(foot, abs=0.25)
        assert run.peak_mps == pytest.approx(true.peak_mps, abs=0.15)
        top = int(np.argmax(true.v_mps))
        assert run.distance_m == pytest.approx(abs(float(true.s_m[top] - true.s_m[0])), rel=0.02, abs=0.5)
        took = float(true.t_s[top]) - true.start_s
        assert run.mean_mps2 == pytest.approx(true.peak_mps / took, rel=0.05)
        gained = np.diff(true.v_mps[: top + 1 : 20]) / np.diff(true.t_s[: top + 1 : 20])
        assert run.peak_mps2 == pytest.approx(float(gained.max()), rel=0.2) and run.peak_mps2 > run.mean_mps2
        assert abs(run.grade_percent) < 4 * run.grade_sigma_percent  # the road is level
        wanted = [f"{mph} mph" for mph in range(10, int(true.peak_mps / MPH) + 1, 10)]
        assert [split.speed for split in run.splits] == wanted
        for split in run.splits:
            mph = float(split.speed.split()[0])
            assert split.speed_mps == pytest.approx(mph * MPH, rel=1e-9)
            assert split.time_s == pytest.approx(true.time_to(mph * MPH), abs=0.25)
            assert split.from_one_foot_s == pytest.approx(true.time_to(mph * MPH) - foot, abs=0.08)
            way = float(np.interp(true.time_to(mph * MPH), true.t_s - true.start_s, true.s_m)) - float(true.s_m[0])
            assert split.distance_m == pytest.approx(abs(way), rel=0.02, abs=0.5)
            assert 0 < split.from_one_foot_sigma_s < split.sigma_s < 0.3
        for each in run.at_distances:
            assert each.from_one_foot_s == pytest.approx(true.time_at(each.distance_m) - foot, abs=0.08)
            there = float(np.interp(true.time_at(each.distance_m), true.t_s - true.start_s, true.v_mps))
            assert each.speed_mps == pytest.approx(there, abs=0.1)
    assert [round(run.direction_deg) % 180 for run in answer.runs] == [68, 68, 68]
    assert answer.runs[0].direction_deg == pytest.approx(68, abs=2)
    assert answer.runs[1].direction_deg == pytest.approx(248, abs=2)


def test_what_counts_and_why_the_rest_does_not(answer: RunsAnswer) -> None:
    assert [run.counted for run in answer.runs] == [True, True, False]
    first, second, third = answer.runs
    assert first.why_not is None and second.why_not is None and third.ended == "aborted"
    assert third.why_not == f"aborted: {third.ended_words}"
    assert re.fullmatch(r"given up at 2[45](\.\d)? mph", third.ended_words)


def test_opposite_runs_are_their_means(made: tuple[Path, dict[str, tuple[str, Truth]]], answer: RunsAnswer) -> None:
    (pair,) = answer.pairs
    assert pair.runs == (1, 2)
    a, b = made[1]["first"][1].runs[:2]
    for split in pair.splits:
        foot = [run.time_to(split.speed_mps) - run.time_at(FOOT) for run in (a, b)]
        assert split.from_one_foot_s == pytest.approx(statistics.mean(foot), abs=0.06)
        own = [at_speed(run, split.speed) for run in answer.runs[:2]]
        assert split.from_one_foot_s == pytest.approx(statistics.mean(each.from_one_foot_s for each in own))
        sigma = math.hypot(*(each.from_one_foot_sigma_s for each in own)) / 2
        assert split.from_one_foot_sigma_s == pytest.approx(sigma)


def test_rolling_runs_count_from_their_first_speed(made: tuple[Path, dict[str, tuple[str, Truth]]]) -> None:
    store, drives = made
    truth = drives["first"][1]
    found = runs_answer(DriveStore(store).drive(drives["first"][0]), from_mps=30 * MPH, speeds_mps=[40 * MPH, 50 * MPH])
    rolling = [run for run in found.runs if run.kind == "rolling"]
    assert len(rolling) == 2 and found.from_mps == pytest.approx(30 * MPH)
    for run, true in zip(rolling, truth.runs, strict=False):
        for split in run.splits:
            took = true.time_to(split.speed_mps) - true.time_to(30 * MPH)
            assert split.time_s == pytest.approx(took, abs=0.08) and math.isnan(split.from_one_foot_s)
    assert [pair.runs for pair in found.pairs] == [(1, 2), (rolling[0].n, rolling[1].n)]
    text = said(
        "runs", "--why", drives["first"][0], "--store", str(store), "--from", "30mph", "--to", "40mph", "--to", "50mph"
    )
    table = tables_of(text)["Rolling runs, seconds from 30 mph"]
    for row, run in zip(table, rolling, strict=True):
        assert row["50 mph"] == f"{run.splits[1].time_s:.2f} ±{run.splits[1].sigma_s:.2f}"
    mean = statistics.mean(run.splits[1].time_s for run in rolling)
    assert f"mean from 30 mph: 40 mph {found.pairs[1].splits[0].time_s:.2f}" in " ".join(text.split())
    assert f"50 mph {mean:.2f} ±" in " ".join(text.split())
    with pytest.raises(InputError, match="not below"):
        said("runs", "--why", "last", "--store", str(store), "--from", "60mph", "--to", "50mph")
    with pytest.raises(InputError, match="--to 50mph"):
        said("runs", "--why", "last", "--store", str(store), "--from", "60mph")
    with pytest.raises(InputError, match="last speed"):
        runs_answer(DriveStore(store).drive("last"), from_mps=30.0)


# --- the same on every face ---------------------------------------------------------------------------------------


def test_text_json_and_answer_are_one(made: tuple[Path, dict[str, tuple[str, Truth]]], answer: RunsAnswer) -> None:
    store, drives = made
    name = drives["first"][0]
    told = json.loads(said("runs", name, "--store", str(store), "--json"))
    assert told == answer.to_json()
    assert told["runs"][0]["splits"][0]["from_threshold_s"] is None  # NaN
    text = said("runs", "--why", name, "--store", str(store))
    tables = tables_of(text)
    marks = [row["Run"] for row in tables["How each run went"]]
    assert marks == ["1", "2", "3*"]
    for title, value, sigma in (
        ("Seconds from first movement", "time_s", "sigma_s"),
        ("Seconds from one foot of movement (SAE J1491); compare by these", "from_one_foot_s", "from_one_foot_sigma_s"),
    ):
        for row, run in zip(tables[title], answer.runs, strict=True):
            shown = {head: cell for head, cell in row.items() if head != "Run" and cell}
            assert shown == {
                split.speed: f"{getattr(split, value):.2f} ±{getattr(split, sigma):.2f}" for split in run.splits
            }
    far = "Seconds from one foot to a distance, and the speed there in mph"
    for row, run in zip(tables[far], answer.runs, strict=True):
        own = [each for each in run.at_distances if each.distance_m != 100]  # who drives in mph is told 330 ft instead
        for head, each in zip(("60 ft", "330 ft", "1/8 mile"), own, strict=False):
            time = f"{each.from_one_foot_s:.2f} ±{each.from_one_foot_sigma_s:.2f}"
            assert row[head] == f"{time} at {each.speed_mps / MPH:.1f}"
    for row, run in zip(tables["How each run went"], answer.runs, strict=True):
        assert row["UTC"] == f"{run.start_utc:%H:%M:%S}" and row["Ended"] == run.ended
        assert row["Peak mph"] == f"{run.peak_mps / MPH:.1f}" and row["Dist. ft"] == f"{run.distance_m / 0.3048:.0f}"
        assert row["To"] == f"{run.direction_deg:.0f}°"
        assert row["Grade %"] == f"{run.grade_percent:+.1f} ±{run.grade_sigma_percent:.1f}"
    assert f"Receiver: {answer.receiver.words}. {answer.receiver.fixes} fixes used" in " ".join(text.split())
    last = answer.pairs[0].splits[-1]
    mean = f"50 mph {last.from_one_foot_s:.2f} ±{last.from_one_foot_sigma_s:.2f}"
    assert "Runs 1 and 2, both ways on one stretch, mean from one foot: 30 mph" in " ".join(text.split())
    assert mean in " ".join(text.split())
    assert all(len(line) <= 80 for line in text.splitlines())


def test_the_receiver_is_told_and_what_is_not_told_is_null(
    made: tuple[Path, dict[str, tuple[str, Truth]]], answer: RunsAnswer
) -> None:
    store, drives = made
    told = answer.to_json()["receiver"]
    assert told["step_s"] == pytest.approx(0.1, abs=1e-3) and told["hz"] == pytest.approx(10, rel=0.01)
    assert told["noise_mps"] == pytest.approx(0.05, rel=0.15)  # what the simulated receiver has: white, unsmoothed
    assert told["hold_mps"] == 0.0 and told["set_aside"] == {} and told["fixes"] > 500
    assert told["wandering_share"] == 0 and told["wandering_s"] is None
    assert 0 <= told["smoothing_low_s"] < 0.05 and told["smoothing_low_s"] <= told["smoothing_s"] < 0.15
    assert told["smoothing_s"] < told["smoothing_high_s"]
    assert told["words"].startswith("10 fixes a second, noise 0.11 mph, ") and "wandering" not in told["words"]
    text = " ".join(said("runs", "--why", drives["first"][0], "--store", str(store)).split())
    assert f"Receiver: {told['words']}. {told['fixes']} fixes used" in text


def test_times_have_a_second_part_of_their_doubt(
    made: tuple[Path, dict[str, tuple[str, Truth]]], answer: RunsAnswer
) -> None:
    """Standard uncertainties of two sources add in squares (JCGM 100:2008, 5.1.2)."""
    store, drives = made
    own = [split for run in answer.runs for split in run.splits]
    assert all(0 <= split.systematic_s < 0.3 for split in own)
    counted = [split for run in answer.runs[:2] for split in run.splits]
    repeatable = statistics.median(split.from_one_foot_sigma_s for split in counted)
    right = statistics.median(math.hypot(split.from_one_foot_sigma_s, split.systematic_s) for split in counted)
    text = " ".join(said("runs", "--why", drives["first"][0], "--store", str(store)).split())
    assert f"times repeat within {repeatable:.2f} s and are true within {right:.2f} s" in text
    rolling = runs_answer(DriveStore(store).drive(drives["first"][0]), from_mps=30 * MPH, speeds_mps=[40 * MPH])
    assert all(math.isnan(split.systematic_s) for run in rolling.runs[3:] for split in run.splits)


def test_a_run_that_no_car_can_do_is_starred_with_its_reason_and_never_a_best(copy: Path) -> None:
    rocket = tuned(WREN, force_n=8 * WREN.force_n, power_w=30 * WREN.power_w)
    later = START + timedelta(days=4)
    drive, truth = make_drive(copy, [Stand(8), Pull(24, "step"), Brake(0), Stand(5)], start=later, truth_car=rocket)
    gained = float((np.diff(truth.v_mps) / np.diff(truth.t_s)).max())
    assert gained > 12  # m/s2; road tyres hold some 10
    found = runs_answer(DriveStore(copy).drive(drive.id))
    (run,) = found.runs
    assert not run.counted and run.struck is None and run.implausible is not None
    assert "tyres" in run.implausible and run.why_not == run.implausible and found.summary == ()
    text = " ".join(said("runs", "--why", drive.id, "--store", str(copy)).split())
    assert f"Run 1: {run.ended_words}; not plausible: {run.implausible}" in text and " 1* " in text
    every = all_runs_answer(DriveStore(copy))
    assert drive.id not in {each.drive for each in every.runs} and every.not_counted == 2
    page = drive_page(DriveStore(copy).drive(drive.id))
    assert page.verdict[0] == "No run of this drive is counted: broken off, not plausible or struck out."
    assert any(f"run 1: {run.implausible}" in line for line in page.why)
    strike_run(DriveStore(copy).drive(drive.id), 1, "ice")
    assert runs_answer(DriveStore(copy).drive(drive.id)).runs[0].why_not == "struck out: ice"


def test_every_field_says_what_it_is(answer: RunsAnswer) -> None:
    for kind in (RunsAnswer, AllRunsAnswer):
        made = schema(kind)
        for part in (made, *made["$defs"].values()):
            assert all("description" in field or "$ref" in field for field in part["properties"].values()), part[
                "title"
            ]
    frame = rows(answer.runs)
    assert list(frame["n"]) == [1, 2, 3] and list(frame["peak_mps"]) == [run.peak_mps for run in answer.runs]


def test_a_threshold_and_other_speeds_and_ways(made: tuple[Path, dict[str, tuple[str, Truth]]]) -> None:
    store, drives = made
    name, truth = drives["first"]
    options = ["--to", "45mph", "--at", "330ft", "--threshold", "5mph", "--min-peak", "40mph"]
    told = json.loads(said("runs", name, "--store", str(store), *options, "--json"))
    assert [run["n"] for run in told["runs"]] == [1, 2] and told["min_peak_mps"] == pytest.approx(40 * MPH)
    for run, true in zip(told["runs"], truth.runs, strict=False):
        (split,), (way,) = run["splits"], run["at_distances"]
        late = true.time_to(45 * MPH) - true.time_to(5 * MPH)
        assert split["speed"] == "45 mph" and split["from_threshold_s"] == pytest.approx(late, abs=0.08)
        assert way["distance_m"] == pytest.approx(330 * FOOT)
        assert way["from_one_foot_s"] == pytest.approx(true.time_at(330 * FOOT) - true.time_at(FOOT), abs=0.08)
    tables = tables_of(said("runs", "--why", name, "--store", str(store), *options))
    first = told["runs"][0]["splits"][0]
    cell = f"{first['from_threshold_s']:.2f} ±{first['from_threshold_sigma_s']:.2f}"
    assert tables["Seconds from the threshold speed"][0] == {"Run": "1", "45 mph": cell}


def test_a_drive_without_a_run_says_so_and_ends_with_no(made: tuple[Path, dict[str, Any]]) -> None:
    store, drives = made
    name = drives["first"][0]
    done = CliRunner().invoke(verbs.app, ["runs", name, "--store", str(store), "--min-peak", "200km/h", "--json"])
    assert isinstance(done.exception, NoAnswer) and "reached 124.3 mph" in str(done.exception)
    assert json.loads(done.stdout)["runs"] == []


def test_runs_found_for_a_report_are_those_of_the_verb(made: tuple[Path, dict[str, Any]], answer: RunsAnswer) -> None:
    """Splits at every speed that any curve shows cost more; where they are there already they are used."""
    drive = DriveStore(made[0]).drive(made[1]["first"][0])
    assert len(drive.runs[0].splits) > 50
    again = runs_answer(drive)
    for run, other in zip(again.runs, answer.runs, strict=True):
        assert [split.speed for split in run.splits] == [split.speed for split in other.splits]
        for a, b in zip(run.splits, other.splits, strict=True):
            for name in set(RunSplit.model_fields) - {"speed"}:
                assert getattr(a, name) == pytest.approx(getattr(b, name), rel=1e-6, nan_ok=True), name
    drive.kept_in = None  # what was answered before is not asked for
    drive.runs[0].splits.clear()  # they are not found anew
    assert runs_answer(drive).runs[0].splits == ()


# --- units --------------------------------------------------------------------------------------------------------

ODD: list[Phase] = [
    Stand(8), Pull(23, "bite"), Lift(15), Brake(0), Stand(6),
    Pull(0.5, "ramp", throttle=0.3), Cruise(0.5, 4), Pull(23, "bite"), Lift(15), Brake(0), Stand(6),
    Pull(14), Lift(12.5), Pull(22), Lift(15), Brake(0), Stand(6),
    Pull(11, "slip"), Brake(0), Stand(5),
]  # fmt: skip
"""A clean run; one that crept; one held up at 14 m/s; one given up at 11 m/s."""


@pytest.fixture(scope="module")
def odd(tmp_path_factory: pytest.TempPathFactory) -> dict[str, AnalysedDrive]:
    return {
        unit: AnalysedDrive(make_drive(tmp_path_factory.mktemp("odd"), ODD, car=car, truth_car=SLOW_CAR)[0])
        for unit, car in (("mph", CAR), ("km/h", KMH_CAR))
    }


@pytest.mark.parametrize(("owner", "asked"), [("mph", None), ("km/h", None), ("mph", "km/h"), ("km/h", "mph")])
def test_words_in_an_answer_have_the_speeds_of_its_unit(odd: dict[str, AnalysedDrive], owner: str, asked: Any) -> None:
    unit, per = (asked or owner), {"mph": MPH, "km/h": KMH}[asked or owner]
    found = runs_answer(odd[owner], unit=asked)
    clean, crept, held, given_up = found.runs
    truth = simulate.drive(SLOW_CAR, ODD, seed=1)
    creeping = truth.v_mps[truth.phase == 6]
    words = {"crept": crept.notes[0], "eased": held.ended_words, "given": given_up.ended_words}
    patterns = {
        "crept": (r"crept [\d.]+ (?:ft|m) at ([\d.]+) (\S+) before", float(np.median(creeping[-200:])), 0.07),
        "eased": (r"eased off at ([\d.]+) (\S+), then accelerated again", 14.0, 0.35),
        "given": (r"given up at ([\d.]+) (\S+)", 11.0, 0.35),
    }
    for key, (pattern, mps, slack) in patterns.items():
        match = re.search(pattern, words[key])
        assert match is not None, words[key]
        assert match[2] == unit and float(match[1]) * per == pytest.approx(mps, abs=slack)
    way = re.search(r"crept ([\d.]+) (ft|m) ", words["crept"])
    assert way is not None and (way[2] == "ft") is (unit == "mph")
    true_way = truth.s_m[truth.phase == 6][-1] - truth.s_m[truth.phase == 5][0]
    assert float(way[1]) * (FOOT if way[2] == "ft" else 1) == pytest.approx(true_way, abs=0.4)
    assert all(split.speed.endswith(f" {unit}") for split in clean.splits)
    assert held.why_not == f"broken by traffic: {held.ended_words}"


def test_kilometres_an_hour_are_asked_for(made: tuple[Path, dict[str, tuple[str, Truth]]]) -> None:
    store, drives = made
    name, truth = drives["first"]
    tables = tables_of(said("runs", "--why", name, "--store", str(store), "--units", "km/h"))
    rows = [r for title, found in tables.items() if title.startswith("Seconds from one foot of") for r in found]
    true = truth.runs[0]
    for speed in (10, 50):
        shown = float(rows[0][f"{speed} km/h"].split()[0])
        assert shown == pytest.approx(true.time_to(speed * KMH) - true.time_at(FOOT), abs=0.08)
    peak = float(tables["How each run went"][0]["Peak km/h"])
    assert peak == pytest.approx(true.peak_mps / KMH, abs=0.6)
    with pytest.raises(InputError, match="--units"):
        said("runs", "--why", name, "--store", str(store), "--units", "knots")


# --- all drives ---------------------------------------------------------------------------------------------------


def true_times(runs: Sequence[TrueRun], mph: float) -> list[float]:
    return [run.time_to(mph * MPH) - run.time_at(FOOT) for run in runs]


def test_best_median_and_spread_over_all_drives(made: tuple[Path, dict[str, tuple[str, Truth]]]) -> None:
    store, drives = made
    told = json.loads(said("runs", "--all", "--store", str(store), "--json"))
    found = all_runs_answer(DriveStore(store))
    assert told == found.to_json()
    (slow, first), (quick, second) = drives["first"], drives["second"]
    assert [(run.drive, run.n, run.setup) for run in found.runs] == [
        (slow, 1, "baseline"), (slow, 2, "baseline"), (quick, 1, "Sport"),
    ]  # fmt: skip
    assert found.not_counted == 1 and found.unread == ()
    assert "50 mph" in found.runs[2].best_at  # a quarter more power
    for each in found.summary:
        times = true_times([*first.runs[:2], *second.runs], each.speed_mps / MPH)
        assert each.runs == 3
        assert each.best_s == pytest.approx(min(times), abs=0.08)
        assert each.median_s == pytest.approx(statistics.median(times), abs=0.08)
        middle = statistics.median(times)
        mad = 1.4826 * statistics.median(abs(t - middle) for t in times)
        assert each.spread_s == pytest.approx(mad, abs=0.15)
        (best,) = (run for run in found.runs if each.speed in run.best_at)
        assert at_speed(best, each.speed).from_one_foot_s == each.best_s
        others = sorted(times)
        if others[1] - others[0] > 0.2:
            assert best.drive == (quick if times.index(others[0]) == 2 else slow)
    text = said("runs", "--why", "--all", "--store", str(store))
    tables = tables_of(text)
    (title,) = (title for title in tables if title.startswith("Seconds from one foot of movement"))
    for row, run in zip(tables[title], found.runs, strict=True):
        assert (row["Run"], row["Setup"]) == (f"{run.drive}:{run.n}", run.setup)
        for speed in ("30 mph", "40 mph", "50 mph"):
            split = at_speed(run, speed)
            mark = " ^" if speed in run.best_at else ""
            assert row[speed] == f"{split.from_one_foot_s:.2f} ±{split.from_one_foot_sigma_s:.2f}{mark}"
    for row, each in zip(tables[""], found.summary, strict=True):
        assert row == {
            "To": each.speed, "Runs": "3", "Best": f"{each.best_s:.2f}", "Median": f"{each.median_s:.2f}",
            "Spread": f"{each.spread_s:.2f}",
        }  # fmt: skip
    assert "Not counted: 1 run (broken off" in text


def test_drives_are_chosen_by_setup_day_and_place(made: tuple[Path, dict[str, tuple[str, Truth]]]) -> None:
    path, drives = made
    store = DriveStore(path)
    slow, quick = drives["first"][0], drives["second"][0]

    def chosen(**options: Any) -> set[str]:
        return {run.drive for run in all_runs_answer(store, **options).runs}

    assert chosen(setup="sport") == {quick} and chosen(setup="BASELINE") == {slow}
    assert chosen(since=date(2026, 5, 3)) == {quick} and chosen(until=date(2026, 5, 2)) == {slow}
    assert chosen(since=date(2026, 5, 2), until=date(2026, 5, 4)) == {slow, quick}
    assert chosen(near_deg=(FAR.lat_deg, FAR.lon_deg)) == {quick}
    assert chosen(near_deg=(Road().lat_deg, Road().lon_deg)) == {slow}
    with pytest.raises(NoAnswer, match="Setups in this store: Sport, baseline"):
        chosen(setup="other")
    with pytest.raises(NoAnswer, match="has a standing run that is counted"):
        chosen(near_deg=(0.0, 0.0))
    with pytest.raises(InputError, match="--since"):
        said("runs", "--why", "--all", "--store", str(path), "--since", "May")
    told = json.loads(said("runs", "--all", "--store", str(path), "--near", "53.5,-0.3987", "--json"))
    assert {run["drive"] for run in told["runs"]} == {quick}
    with pytest.raises(NoAnswer, match="no drive in this store"):
        all_runs_answer(DriveStore(path / "nothing"))


def test_near_ends_at_a_kilometre_of_the_ellipsoid(made: tuple[Path, dict[str, tuple[str, Truth]]]) -> None:
    """A step along the meridian by its radius of curvature on WGS 84 (NIMA TR8350.2, a and 1/f; the radius is textbook
    geodesy, a (1 - e2) / (1 - e2 sin2 lat)^1.5)."""
    store, drives = made
    lat, lon = DriveStore(store).drive(drives["second"][0]).runs[0].place[:2]
    a, f = 6378137.0, 1 / 298.257223563
    e2 = f * (2 - f)
    radius = a * (1 - e2) / (1 - e2 * math.sin(math.radians(lat)) ** 2) ** 1.5
    near = DriveStore(store)

    def is_near(metres: float) -> bool:
        try:
            all_runs_answer(near, setup="sport", near_deg=(lat + math.degrees(metres / radius), lon))
        except NoAnswer:
            return False
        return True

    assert is_near(999.8) and not is_near(1000.2)


def test_one_bad_drive_leaves_the_others(copy: Path, made: tuple[Path, dict[str, tuple[str, Truth]]]) -> None:
    slow, quick = made[1]["first"][0], made[1]["second"][0]
    for name in ("gps.parquet", "raw.parquet"):  # the one would be made anew from the other
        (copy / slow / name).write_bytes(b"no table")
    found = all_runs_answer(DriveStore(copy))
    assert {run.drive for run in found.runs} == {quick}
    (unread,) = found.unread
    assert unread.drive == slow and "raw.parquet" in unread.why
    text = " ".join(said("runs", "--why", "--all", "--store", str(copy)).split())
    assert f"{slow} was left out:" in text


def test_a_targets_file_that_cannot_be_read_is_no_hindrance(copy: Path) -> None:
    (copy / "targets.toml").write_text("no = [targets")
    assert "How each run went" in said("runs", "--why", "last", "--store", str(copy))


# --- striking out -------------------------------------------------------------------------------------------------


def test_a_struck_run_is_kept_shown_and_never_counted(
    copy: Path, made: tuple[Path, dict[str, tuple[str, Truth]]]
) -> None:
    name = made[1]["first"][0]
    before = (copy / name / "drive.json").read_bytes()
    start = runs_answer(DriveStore(copy).drive(name)).runs[1].start_utc
    text = said("strike", name, "2", "--reason", " a dog on the road ", "--store", str(copy))
    assert text == f"{name}: run 2 of {start:%H:%M:%S} UTC is struck out: a dog on the road\n"
    (kept,) = open_drive(copy, name).manifest.struck
    assert kept.reason == "a dog on the road" and abs((kept.run_start_utc - start).total_seconds()) < 1e-3
    assert abs((datetime.now(UTC) - kept.when).total_seconds()) < 60
    assert "run 2 " in open_drive(copy, name).manifest.trace[-1].what
    found = runs_answer(DriveStore(copy).drive(name))
    assert [run.counted for run in found.runs] == [True, False, False]
    assert found.runs[1].struck == "a dog on the road" and found.runs[1].why_not == "struck out: a dog on the road"
    assert found.runs[0].struck is None and found.pairs == ()
    shown = said("runs", "--why", name, "--store", str(copy))
    assert [row["Run"] for row in tables_of(shown)["How each run went"]] == ["1", "2*", "3*"]
    assert "struck out: a dog on the road" in shown and "both ways on one stretch" not in shown
    every = all_runs_answer(DriveStore(copy))
    assert [(run.drive, run.n) for run in every.runs] == [(name, 1), (made[1]["second"][0], 1)]
    assert every.not_counted == 2
    with pytest.raises(InputError, match="already struck out"):
        said("strike", name, "2", "--reason", "again", "--store", str(copy))
    undone = strike_run(DriveStore(copy).drive(name), 2, "it was no dog", undo=True)
    assert undone.struck is False and undone.n == 2
    assert open_drive(copy, name).manifest.struck == []
    assert runs_answer(DriveStore(copy).drive(name)).runs[1].counted
    after, old = json.loads((copy / name / "drive.json").read_bytes()), json.loads(before)
    assert len(after.pop("trace")) == len(old.pop("trace")) + 2
    assert after == old


def test_two_struck_runs_stay_apart(copy: Path, made: tuple[Path, dict[str, tuple[str, Truth]]]) -> None:
    name = made[1]["first"][0]
    for run, why in ((1, "wet"), (2, "dog")):
        strike_run(DriveStore(copy).drive(name), run, why)
    strike_run(DriveStore(copy).drive(name), 1, "dry after all", undo=True)
    found = runs_answer(DriveStore(copy).drive(name))
    assert [run.struck for run in found.runs] == [None, "dog", None]


def test_what_cannot_be_struck_is_refused_and_nothing_is_written(
    copy: Path, made: tuple[Path, dict[str, tuple[str, Truth]]]
) -> None:
    name = made[1]["first"][0]
    before = (copy / name / "drive.json").read_bytes()
    for arguments, why in (
        ([name, "9", "--reason", "x"], "no run 9. This drive has runs 1 to 3"),
        ([name, "0", "--reason", "x"], "no run 0"),
        ([name, "1", "--reason", "  "], "say why"),
        ([name, "1", "--reason", "x", "--undo"], "not struck out"),
        (["nothing", "1", "--reason", "x"], "no such drive"),
    ):
        with pytest.raises(InputError, match=why):
            said("strike", *arguments, "--store", str(copy))
    assert (copy / name / "drive.json").read_bytes() == before
