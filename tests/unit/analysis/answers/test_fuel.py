"""`fuel` from the drives to what it prints and writes: held to the simulator's way and to divisions by hand."""

from __future__ import annotations

import itertools
import json
import math
import shutil
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from made_road import MadeDrive, Terminal, one_line, tables

from analysis.answers.fuel import consumption_of, fuel_answer, fuel_loops_answer
from analysis.drive import AnalysedDrive
from analysis.road.fuel_used import by_car
from analysis.store import DriveStore
from logger.errors import InputError
from logger.store.drive import open_drive
from logger.units import parse_quantity, parse_speed

US_GALLON_L, MILE_KM, IMPERIAL_GALLON_L = 3.785411784, 1.609344, 4.54609
"""NIST SP 811, appendix B.8."""


@pytest.fixture
def drives(made_road: tuple[Path, dict[str, MadeDrive]]) -> dict[str, MadeDrive]:
    return made_road[1]


@pytest.fixture
def terminal(made_road: tuple[Path, dict[str, MadeDrive]], tmp_path: Path) -> Terminal:
    """On a copy of the store, so that what one test keeps with a drive does not reach another."""
    shutil.copytree(made_road[0], tmp_path / "store")
    return Terminal(tmp_path / "store")


# --- one loop -----------------------------------------------------------------------------------------------------


def test_consumption_is_fuel_over_the_true_way(terminal: Terminal, drives: dict[str, MadeDrive]) -> None:
    """150 mL at 15.6 C over what the simulated car drove, each unit by a division with NIST's factors."""
    km = float(drives["loop"].truth.s_m[-1]) / 1000
    found = terminal.json("fuel", drives["loop"].id, "--used", "150mL", "--fuel-temp", "60F", "--sigma", "1mL")
    assert found["distance_by_speed_m"] == pytest.approx(1000 * km, rel=1e-3)
    assert found["distance_m"] == pytest.approx(1000 * km, rel=4e-3)
    assert found["used_m3"] == pytest.approx(150e-6, rel=1e-9)
    assert found["l_per_100km"] == pytest.approx(100 * 0.150 / km, rel=4e-3)
    assert found["mpg_us"] == pytest.approx(km / MILE_KM / (0.150 / US_GALLON_L), rel=4e-3)
    assert found["mpg_imperial"] == pytest.approx(km / MILE_KM / (0.150 / IMPERIAL_GALLON_L), rel=4e-3)
    assert found["manner"]["moving_mean_mps"] == pytest.approx(1000 * km / found["manner"]["seconds"], rel=0.02)
    assert found["manner"]["wind_mps"] == 0.0
    assert found["setup"] == "baseline"
    share = 1.96 * found["sigma_percent"] / 100
    low, high = found["l_per_100km_interval"]
    assert low == pytest.approx(found["l_per_100km"] * (1 - share), rel=1e-9)
    assert high == pytest.approx(found["l_per_100km"] * (1 + share), rel=1e-9)
    for name in ("mpg_us", "mpg_imperial"):
        low, high = found[f"{name}_interval"]
        assert low == pytest.approx(found[name] / (1 + share), rel=1e-9)
        assert high == pytest.approx(found[name] / (1 - share), rel=1e-9)


def test_each_distance_is_by_its_own_measure(terminal: Terminal, drives: dict[str, MadeDrive]) -> None:
    """By track: geodesics of GeographicLib between fixes some 20 m apart; by speed: the sum of speed times time."""
    drive = drives["loop"]
    found = terminal.json("fuel", drive.id, "--used", "150mL")
    fixes = AnalysedDrive(open_drive(terminal.store, drive.id)).fixes
    way = np.concatenate([[0.0], np.cumsum(np.diff(fixes.t_s) * (fixes.speed_mps[1:] + fixes.speed_mps[:-1]) / 2)])
    at = np.searchsorted(way, np.arange(0, way[-1], 20.0))
    track = sum(
        Geodesic.WGS84.Inverse(fixes.lat_deg[i], fixes.lon_deg[i], fixes.lat_deg[j], fixes.lon_deg[j])["s12"]
        for i, j in itertools.pairwise(at)
    )
    assert found["distance_by_track_m"] == pytest.approx(track, rel=4e-3)
    assert found["distance_by_speed_m"] == pytest.approx(way[-1], rel=1e-3)
    assert abs(found["distance_by_track_m"] - found["distance_by_speed_m"]) > 0.2
    low, high = sorted((found["distance_by_track_m"], found["distance_by_speed_m"]))
    assert low <= found["distance_m"] <= high


def test_warm_fuel_and_weighed_fuel_are_brought_to_60_f(terminal: Terminal, drives: dict[str, MadeDrive]) -> None:
    """By hand: 0.00095 a degree for (31 - 15.556) degrees; 111.75 g at 745 kg/m3 are 150 mL."""
    warm = terminal.json("fuel", drives["bare"].id, "--used", "150mL", "--fuel-temp", "31C")
    assert warm["used_m3"] == pytest.approx(150e-6 / (1 + 0.00095 * (31 - 140 / 9)), rel=1e-6)
    assert warm["measured"] == {"how": "volume", "value": pytest.approx(150e-6), "fuel_k": pytest.approx(304.15)}
    weighed = terminal.json("fuel", drives["bare"].id, "--by-weight", "111.75g")
    assert weighed["used_m3"] == pytest.approx(150e-6, rel=1e-9)
    assert weighed["measured"] == {"how": "weight", "value": pytest.approx(0.11175), "fuel_k": None}
    assert not weighed["to_show"]["measure_temperature"], "a weight needs no temperature"
    told = one_line(terminal.text("fuel", drives["bare"].id, "--by-weight", "111.75g"))
    assert "temperature" not in told


@pytest.mark.parametrize("unit", ["mph", "km/h"])
def test_terminal_json_and_answer_say_one_thing(terminal: Terminal, drives: dict[str, MadeDrive], unit: str) -> None:
    asked = ("fuel", drives["loop"].id, "--used", "150mL", "--sigma", "1mL", "--band", "69km/h-74km/h", "--show", "5%")
    drive = DriveStore(terminal.store).drive(drives["loop"].id)
    used = by_car(
        drive.car, volume_m3=parse_quantity("150mL", "m**3"), sigma=parse_quantity("1mL", "m**3"),
        band_mps=(parse_speed("69km/h"), parse_speed("74km/h")),
    )  # fmt: skip
    answer = fuel_answer(drive, used, 0.05)
    found = terminal.json(*asked)
    assert found == json.loads(json.dumps(answer.to_json()))
    text = terminal.text(*asked, "--units", unit)
    [[heading, *rows]] = tables(text)
    assert heading == ["", "this loop", "95 % from", "to"]
    assert rows == [
        [name, f"{found[key]:.2f}", f"{found[f'{key}_interval'][0]:.2f}", f"{found[f'{key}_interval'][1]:.2f}"]
        for name, key in (("miles on a US gallon", "mpg_us"), ("miles on an imperial gallon", "mpg_imperial"),
                          ("litres for 100 km", "l_per_100km"))
    ]  # fmt: skip
    per, name, speed = (1609.344, "mi", 0.44704) if unit == "mph" else (1000.0, "km", 1 / 3.6)
    told = one_line(text)
    way, by_speed, by_track = (
        f"{found[key] / per:.2f}" for key in ("distance_m", "distance_by_speed_m", "distance_by_track_m")
    )
    error = f"{found['distance_sigma_m'] / per:.2f}"
    assert f"Distance {way} {name} ±{error}: by speed {by_speed} {name}, by track {by_track} {name}." in told
    litres = 1000 * found["used_m3"]
    assert f"Fuel {litres / US_GALLON_L:.3f} US gal = {litres:.3f} L at 15.6 C (60 F)" in told
    assert f"mean {found['manner']['moving_mean_mps'] / speed:.1f} {unit} moving" in told
    band = (69 / 3.6 / speed, 74 / 3.6 / speed)
    assert f"{found['in_band_fraction']:.0%} of the time in {band[0]:.4g} to {band[1]:.4g} {unit}" in told
    assert f"show: {found['smallest_change_percent']:.1f} % (8 times in 10)" in told
    assert found["to_show"]["change_percent"] == pytest.approx(5.0)
    far = found["to_show"]["loop_length_m"]
    assert f"To show 5.0 % the loop must be {far / per:.0f} {name} long." in told
    assert "away from flame and spark" in told


def test_a_loop_twice_as_long_shows_what_it_is_said_to_show(terminal: Terminal, drives: dict[str, MadeDrive]) -> None:
    """By hand: (1.959964 + 0.841621) sqrt(2) standard errors of one loop; of a known fill error alone, half of them on
    twice the way."""
    asked = ("fuel", drives["loop"].id, "--used", "150mL", "--sigma", "4mL", "--fuel-temp", "60F")
    found = terminal.json(*asked)
    own = math.hypot(4 / 150, 0.00095 * 1.5, found["distance_sigma_m"] / found["distance_m"])
    assert found["smallest_change_percent"] == pytest.approx(100 * 2.801585 * math.sqrt(2) * own, rel=1e-6)
    half = found["to_show"]
    assert half["change_percent"] == pytest.approx(found["smallest_change_percent"] / 2)
    assert half["loop_length_m"] == pytest.approx(2 * found["distance_m"], rel=0.01)


def test_the_loop_is_written_into_its_drive_and_can_be_taken_away(
    terminal: Terminal, drives: dict[str, MadeDrive]
) -> None:
    loop = drives["loop"].id
    terminal.json("fuel", loop, "--used", "150mL", "--sigma", "1mL", "--fuel-temp", "60F", "--band", "43mph-46mph")
    kept = open_drive(terminal.store, loop).manifest
    assert kept.fuel is not None
    assert kept.fuel["volume_m3"] == pytest.approx(150e-6)
    assert kept.fuel["fill_sigma_m3"] == pytest.approx(1e-6)
    assert kept.fuel["band_mps"] == [pytest.approx(43 * 0.44704), pytest.approx(46 * 0.44704)]
    assert kept.trace[-1].what == "fuel loop added: 0.150 L at 15.6 C"
    terminal.json("fuel", loop, "--used", "160mL", "--fuel-temp", "60F")
    kept = open_drive(terminal.store, loop).manifest
    assert kept.fuel is not None and kept.fuel["volume_m3"] == pytest.approx(160e-6)
    assert kept.trace[-1].what == "fuel loop corrected: 0.160 L at 15.6 C"
    gone = terminal.json("fuel", loop, "--forget")
    assert gone == {"drive": loop, "forgotten_m3": pytest.approx(160e-6)}
    kept = open_drive(terminal.store, loop).manifest
    assert kept.fuel is None and kept.trace[-1].what == "fuel loop removed: it had 0.160 L at 15.6 C"
    assert "no fuel figure is stored" in terminal.refused(2, "fuel", loop, "--forget")


# --- all loops ----------------------------------------------------------------------------------------------------


def test_loops_are_averaged_by_setup_with_the_harmonic_mean(terminal: Terminal, drives: dict[str, MadeDrive]) -> None:
    """By hand: n over the sum of the inverses of the miles a gallon. sport was filled with a tenth less."""
    used = {"loop": 150, "again": 156, "tuned": 135}
    for name, ml in used.items():
        terminal.json("fuel", drives[name].id, "--used", f"{ml}mL", "--sigma", "0.5mL", "--fuel-temp", "60F")
    found = terminal.json("fuel")
    assert found == json.loads(json.dumps(fuel_loops_answer(DriveStore(terminal.store)).to_json()))
    assert [(loop["drive"], loop["setup"]) for loop in found["loops"]] == [
        (drives["loop"].id, "baseline"), (drives["again"].id, "baseline"), (drives["tuned"].id, "sport"),
    ]  # fmt: skip
    baseline, sport = found["setups"]
    first, again, tuned = (loop["mpg_us"] for loop in found["loops"])
    assert (baseline["setup"], baseline["loops"], sport["setup"], sport["loops"]) == ("baseline", 2, "sport", 1)
    assert baseline["mpg_us"] == pytest.approx(2 / (1 / first + 1 / again), rel=1e-9)
    assert sport["mpg_us"] == pytest.approx(tuned, rel=1e-9)
    assert baseline["against_first"] is None
    assert sport["against_first"]["change"] == pytest.approx(baseline["mpg_us"] / tuned - 1, rel=1e-9)
    assert sport["against_first"]["change"] < -0.1, "a tenth less fuel over the same way"
    low, high = baseline["mpg_us_interval"]
    assert low < baseline["mpg_us"] < high
    logs = math.log(first / again) / math.sqrt(2)
    assert found["scatter_percent"] == pytest.approx(100 * abs(logs), rel=1e-6)
    assert found["scatter_repeats"] == 1
    text = terminal.text("fuel", "--units", "km/h")
    each, averages = tables(text)
    assert each[0] == ["Loop", "setup", "distance", "mpg US", "L/100 km", "error"]
    for row, loop in zip(each[1:], found["loops"], strict=True):
        marked = loop["drive"] + ("*" if loop["not_as_asked"] else "")
        assert row == [
            marked, loop["setup"], f"{loop['distance_m'] / 1000:.2f} km", f"{loop['mpg_us']:.1f}",
            f"{loop['l_per_100km']:.2f}", f"±{loop['sigma_percent']:.1f} %",
        ]  # fmt: skip
    assert averages[0] == ["Setup", "loops", "mpg US", "95 %", "L/100 km", "95 %"]
    for row, of in zip(averages[1:], found["setups"], strict=True):
        assert row == [
            of["setup"], str(of["loops"]), f"{of['mpg_us']:.1f}",
            "{:.1f} to {:.1f}".format(*of["mpg_us_interval"]), f"{of['l_per_100km']:.2f}",
            "{:.2f} to {:.2f}".format(*of["l_per_100km_interval"]),
        ]  # fmt: skip
    against = sport["against_first"]
    said = f"{100 * against['change']:+.1f} % ({100 * against['low']:+.1f} to {100 * against['high']:+.1f})"
    assert f"sport compared with baseline: {said}: {against['verdict']}." in one_line(text)
    assert f"scattered by {found['scatter_percent']:.1f} % (1 repeat)." in one_line(text)


def test_consumption_of_a_setup_is_of_its_own_loops(terminal: Terminal, drives: dict[str, MadeDrive]) -> None:
    for name, ml in {"loop": 150, "tuned": 100}.items():
        terminal.json("fuel", drives[name].id, "--used", f"{ml}mL", "--fuel-temp", "60F")
    store = DriveStore(terminal.store)
    true = 100e-6 / float(drives["tuned"].truth.s_m[-1])
    assert consumption_of(store, "sport") == pytest.approx(true, rel=4e-3)
    assert consumption_of(store, "no such setup") is None


def test_a_loop_that_cannot_be_read_does_not_take_the_others_with_it(
    terminal: Terminal, drives: dict[str, MadeDrive]
) -> None:
    for name in ("loop", "again"):
        terminal.json("fuel", drives[name].id, "--used", "150mL", "--fuel-temp", "60F")
    open_drive(terminal.store, drives["loop"].id).amend("a slip", fuel={"volume_m3": 1.5e-4})
    found = terminal.json("fuel")
    assert [loop["drive"] for loop in found["loops"]] == [drives["again"].id]
    assert [each["drive"] for each in found["unread"]] == [drives["loop"].id]
    assert f"Left out: {drives['loop'].id}: the fuel kept with the drive cannot be read" in one_line(
        terminal.text("fuel")
    )
    assert "cannot be read" in terminal.refused(2, "fuel", drives["loop"].id), "asked for by name it is an error"
    assert terminal.json("fuel", drives["loop"].id, "--forget")["forgotten_m3"] is None
    assert terminal.json("fuel")["unread"] == []


def test_fuel_is_a_volume_or_a_weight() -> None:
    with pytest.raises((ValueError, InputError), match="give the fuel used either"):
        by_car(None)
    with pytest.raises((ValueError, InputError), match="give the fuel used either"):
        by_car(None, volume_m3=1e-3, mass_kg=1.0)


@pytest.mark.parametrize("unit", ["mph", "km/h"])
def test_the_report_says_what_the_verb_says(
    terminal: Terminal, drives: dict[str, MadeDrive], unit: Literal["mph", "km/h"]
) -> None:
    from analysis.report.drive_page import drive_page
    from analysis.report.page import Table

    loop = drives["loop"].id
    found = terminal.json("fuel", loop, "--used", "150mL", "--sigma", "1mL", "--band", "43mph-46mph")
    page = drive_page(DriveStore(terminal.store).drive(loop), unit)
    [table] = [
        block for each in page.sections if each.name == "fuel" for block in each.blocks if isinstance(block, Table)
    ]
    told = {row[0]: row[1] for row in table.rows}
    mpg, litres = f"{found['mpg_us']:.1f} mpg (US)", f"{found['l_per_100km']:.2f} L/100 km"
    both = f"{mpg}, {litres}" if unit == "mph" else f"{litres}, {mpg}"
    assert told["consumption"] == f"{both}, \u00b1{found['sigma_percent']:.1f} %"
    per, name, speed = (1609.344, "mi", 0.44704) if unit == "mph" else (1000.0, "km", 1 / 3.6)
    assert told["distance"] == (
        f"{found['distance_m'] / per:.2f} {name} \u00b1{found['distance_sigma_m'] / per:.2f} {name}"
    )
    assert told["fuel at 15.6 \u00b0C"].startswith(f"{1000 * found['used_m3']:.3f} L \u00b1")
    assert told["mean speed, moving"] == f"{found['manner']['moving_mean_mps'] / speed:.1f} {unit}"
    low, high = (mph * 0.44704 / speed for mph in (43, 46))
    assert told[f"within {low:.4g} to {high:.4g} {unit}"] == f"{found['in_band_fraction']:.0%} of the time"
    assert any(both in said for said in page.verdict)
