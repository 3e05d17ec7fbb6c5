"""`coast` from the drives to what it prints and writes: held to the road load that the simulated car has."""

from __future__ import annotations

import json
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from made_road import CAR_FILE, MadeDrive, Terminal, one_line, tables
from simulate import WREN

from analysis.answers.coast import coast_answer
from analysis.store import DriveStore
from logger.config.car import CarConfig
from logger.config.reading import load
from logger.store.manifest import Note

SPEEDS = {"mph": 0.44704, "km/h": 1 / 3.6}


@pytest.fixture
def terminal(made_road: tuple[Path, dict[str, MadeDrive]]) -> Terminal:
    return Terminal(made_road[0])


@pytest.fixture
def coasts(made_road: tuple[Path, dict[str, MadeDrive]]) -> str:
    return made_road[1]["coasts"].id


def test_the_simulated_cars_road_load_comes_back(terminal: Terminal, coasts: str) -> None:
    """Rolling, drag, both as coefficients, the slope of 0.2 %, and each coast as it was driven: 22.5 to 6 m/s."""
    found = terminal.json("coast", coasts)
    thin = 1.204 / 1.2206  # the simulated drag is that of whatever air there is; the answer is for 1.204 kg/m3
    half = found["half_width_95"]
    assert found["a_n"] == pytest.approx(WREN.a_n, abs=half["a_n"])
    assert found["c_n_per_mps2"] == pytest.approx(WREN.c_n_per_mps2 * thin, abs=half["c_n_per_mps2"])
    assert found["a_n"] == pytest.approx(WREN.a_n, rel=0.1)
    assert found["c_n_per_mps2"] == pytest.approx(WREN.c_n_per_mps2 * thin, rel=0.05)
    assert found["b_n_per_mps"] == half["b_n_per_mps"] == 0
    for term in ("a_n", "c_n_per_mps2"):  # 95 % points of Student's t: normal down to two degrees of freedom
        assert 1.95 < half[term] / found["sigma"][term] < 4.31
    assert found["rolling_coefficient"] == pytest.approx(found["a_n"] / (392 * 9.80665), rel=1e-9)
    assert found["drag_area_m2"] == pytest.approx(2 * found["c_n_per_mps2"] / 1.204, rel=1e-9)
    assert found["drag_coefficient"] == pytest.approx(found["drag_area_m2"] / found["frontal_area_m2"], rel=1e-9)
    [stretch] = found["stretches"]
    out = 1 if abs(stretch["axis_deg"] - 90) < 5 else -1  # the road rises by 0.2 % to the east
    assert stretch["grade"] * out == pytest.approx(0.002, abs=3 * stretch["grade_sigma"])
    assert (stretch["forward"], stretch["backward"]) == (2, 2)
    assert found["coasts"] == len(found["list"]) == 4
    for number, each in enumerate(found["list"]):
        assert each["direction_deg"] == pytest.approx(90 if number % 2 == 0 else 270, abs=2)
        assert 21 < each["from_mps"] < 22.6 and 5.9 < each["to_mps"] < 7.5
        assert each["outing"] == coasts
    for each in found["force"]:
        v = each["speed_mps"]
        assert each["force_n"] == pytest.approx(found["a_n"] + found["c_n_per_mps2"] * v * v, rel=1e-9)
        assert each["power_w"] == pytest.approx(each["force_n"] * v, rel=1e-9)
        assert each["force_n"] == pytest.approx(WREN.a_n + WREN.c_n_per_mps2 * thin * v * v, abs=each["half_width_n"])
        assert each["by_intervals_n"] == pytest.approx(each["force_n"], rel=0.03)


@pytest.mark.parametrize("unit", ["mph", "km/h"])
def test_terminal_json_and_answer_say_one_thing(terminal: Terminal, coasts: str, unit: str) -> None:
    found = terminal.json("coast", coasts)
    assert found == json.loads(json.dumps(coast_answer([DriveStore(terminal.store).drive(coasts)]).to_json()))
    text = terminal.text("coast", coasts, "--units", unit)
    per = SPEEDS[unit]
    values, forces, listed = tables(text)
    assert listed[0][:5] == ["UTC", "course", f"from {unit}", f"to {unit}", "seconds"]
    for row, each in zip(listed[1:], found["list"], strict=True):
        assert row[:5] == [
            each["start_utc"][11:19], f"{each['direction_deg']:.0f}", f"{each['from_mps'] / per:.1f}",
            f"{each['to_mps'] / per:.1f}", f"{each['seconds']:.1f}",
        ]  # fmt: skip
    half = found["half_width_95"]
    assert values[1:] == [
        ["A, rolling", f"{found['a_n']:.1f} N", f"±{half['a_n']:.1f}"],
        ["C, air drag", f"{found['c_n_per_mps2']:.4f} N/(m/s)2", f"±{half['c_n_per_mps2']:.4f}"],
        ["rolling coefficient", f"{found['rolling_coefficient']:.4f}",
         f"±{1.96 * found['rolling_coefficient_sigma']:.4f}"],
        ["drag area", f"{found['drag_area_m2']:.3f} m2", f"±{1.96 * found['drag_area_sigma_m2']:.3f}"],
        [f"drag coefficient on {found['frontal_area_m2']:g} m2", f"{found['drag_coefficient']:.3f}",
         f"±{1.96 * found['drag_area_sigma_m2'] / found['frontal_area_m2']:.3f}"],
    ]  # fmt: skip
    assert forces[0] == [unit, "force N", "95 %", "kW", "by steps N", "95 %"]
    shown = {f"{each['speed_mps'] / per:.1f}": each for each in found["force"]}
    assert len(forces) > 4
    for row in forces[1:]:
        each = shown[row[0]]
        assert row[1:] == [
            f"{each['force_n']:.1f}", f"±{each['half_width_n']:.1f}", f"{each['power_w'] / 1000:.2f}",
            f"{each['by_intervals_n']:.1f}", f"±{each['by_intervals_half_width_n']:.1f}",
        ]  # fmt: skip
    [stretch] = found["stretches"]
    way = f"{stretch['length_m'] / 1609.344:.2f} mi" if unit == "mph" else f"{stretch['length_m'] / 1000:.2f} km"
    slope = f"{100 * stretch['grade']:+.2f} %"
    assert f"Stretch 1: {way} towards {stretch['axis_deg']:.0f}, slope {slope}" in one_line(text)
    assert "Coast only where it is lawful" in text


def test_save_writes_the_answer_into_the_cars_file(terminal: Terminal, coasts: str, tmp_path: Path) -> None:
    path = tmp_path / "wren.toml"
    shutil.copy(CAR_FILE, path)
    before = path.read_text(encoding="utf-8")
    plain = terminal.json("coast", coasts)
    assert plain["saved"] is None and path.read_text(encoding="utf-8") == before
    found = terminal.json("coast", coasts, "--save", str(path))
    assert found == {**plain, "saved": str(path)}
    saved = load(path, CarConfig).road_load
    assert saved is not None
    assert saved.a_n == pytest.approx(found["a_n"], abs=0.005)
    assert saved.c_n_per_mps2 == pytest.approx(found["c_n_per_mps2"], abs=5e-6)
    assert saved.a_sigma_n == pytest.approx(found["half_width_95"]["a_n"] / 1.96, abs=0.005)
    assert saved.c_sigma_n_per_mps2 == pytest.approx(found["half_width_95"]["c_n_per_mps2"] / 1.96, abs=5e-6)
    assert (saved.mass_kg, saved.air_density_kg_per_m3) == (392.0, 1.204)
    assert saved.measured == "4 coasts of 2026-05-02"
    text = terminal.text("coast", coasts, "--save", str(path))
    assert "".join(f"Written into {path}. Drives".split()) in "".join(text.split())
    assert f"pullbook rebuild DRIVE --car {path}" in text


def test_what_looked_like_a_coast_is_listed_with_its_reason(
    terminal: Terminal, made_road: tuple[Path, dict[str, MadeDrive]]
):
    """With a note on one coast only, the others are left out."""

    store, drives = made_road
    coasts = terminal.json("coast", drives["coasts"].id)["list"]
    copy = store.parent / "noted"
    shutil.copytree(store, copy)
    terminal.store = copy
    drive = DriveStore(copy).drive(drives["coasts"].id).drive
    notes = [
        Note(utc=datetime.fromisoformat(each["start_utc"]) + timedelta(seconds=1), text="coast") for each in coasts[:2]
    ]
    drive.amend("notes", notes=notes)
    found = terminal.json("coast", drives["coasts"].id)
    assert [each["start_utc"] for each in found["list"]] == [each["start_utc"] for each in coasts[:2]]
    assert all(each["noted"] for each in found["list"])
    assert [each["start_utc"] for each in found["left_out"]][-2:] == [each["start_utc"] for each in coasts[2:]]
    assert {each["why"] for each in found["left_out"][-2:]} == {"no note marks it as a coast"}
    left = found["left_out"][-1]
    told = one_line(terminal.text("coast", drives["coasts"].id, "--units", "km/h"))
    assert (
        f"Left out, {left['start_utc'][11:19]}, from {round(left['from_mps'] * 3.6, 1):g} km/h: {left['why']}." in told
    )
