"""`weather` from what is typed to what it prints and keeps: held to psychrolib, fluids and the codes' formulas."""

from __future__ import annotations

import json
import math
import shutil
from datetime import timedelta
from pathlib import Path

import fluids
import psychrolib
import pytest
from made_drives import CAR, START, make_drive
from made_road import Terminal, one_line
from simulate import Pull, Stand

from analysis.answers.weather import weather_answer
from analysis.store import DriveStore
from logger.store.drive import open_drive

psychrolib.SetUnitSystem(psychrolib.SI)
REPORT = "METAR EGXX 021150Z 24005G18KT 9999 SCT030 12/07 Q1015"
TYPED = ("--temperature", "17C", "--pressure", "1009hPa", "--humidity", "59%", "--wind", "5mph", "--wind-from", "250")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, str]:
    """A store with two short drives: one whose car's file says 120 m, one without a car."""
    store = tmp_path_factory.mktemp("store")
    high = CAR.model_copy(update={"car": CAR.car.model_copy(update={"elevation_m": 120.0})})
    drive, _ = make_drive(store, [Stand(4), Pull(6)], car=high)
    bare, _ = make_drive(store, [Stand(4), Pull(6)], car=None, start=START + timedelta(hours=1))
    return store, drive.id, bare.id


@pytest.fixture
def terminal(made: tuple[Path, str, str], tmp_path: Path) -> Terminal:
    shutil.copytree(made[0], tmp_path / "store")
    return Terminal(tmp_path / "store")


@pytest.fixture
def drive(made: tuple[Path, str, str]) -> str:
    return made[1]


@pytest.fixture
def bare(made: tuple[Path, str, str]) -> str:
    return made[2]


def density(celsius: float, pascal: float, humidity: float) -> float:
    """By psychrolib: ASHRAE Handbook Fundamentals 2017, chapter 1."""
    ratio = psychrolib.GetHumRatioFromRelHum(celsius, humidity, pascal)
    return psychrolib.GetMoistAirDensity(celsius, ratio, pascal)


def j1349(celsius: float, pascal: float, humidity: float) -> float:
    """SAE J1349 as printed, the vapour by psychrolib."""
    dry_hpa = (pascal - humidity * psychrolib.GetSatVapPres(celsius)) / 100
    return 1.18 * (990 / dry_hpa) * math.sqrt((celsius + 273) / 298) - 0.18


def test_what_is_typed_is_kept_and_answered(terminal: Terminal, drive: str) -> None:
    found = terminal.json("weather", drive, *TYPED)
    kept = open_drive(terminal.store, drive).manifest
    assert kept.weather == {
        "temperature_c": 17.0, "pressure_hpa": 1009.0, "humidity_percent": 59.0, "wind_mps": 2.24,
        "wind_from_deg": 250.0, "source": "typed in",
    }  # fmt: skip
    assert kept.trace[-1].what == f"weather given: {found['words']}"
    assert {key: value for key, value in found["weather"].items() if value is not None} == kept.weather
    assert found["density_kg_per_m3"] == pytest.approx(density(17.0, 100_900, 0.59), rel=1e-5)
    assert found["factors"]["SAE J1349"] == pytest.approx(j1349(17.0, 100_900, 0.59), abs=1e-6)
    assert found["factors"]["SAE J1349"] < found["factors"]["SAE J607"], "J607's standard day is the denser one"
    height = found["density_altitude_m"]
    assert fluids.ATMOSPHERE_1976(height).rho == pytest.approx(found["density_kg_per_m3"], rel=1e-4)
    assert found["missing"] == [] and found["assumed"] == [] and found["far"] is False


def test_terminal_json_and_answer_say_one_thing(terminal: Terminal, drive: str) -> None:
    terminal.run("weather", drive, *TYPED)
    found = terminal.json("weather", drive)
    assert found == json.loads(json.dumps(weather_answer(DriveStore(terminal.store).drive(drive)).to_json()))
    text = terminal.text("weather", drive)
    head = f"{drive}: 17 C, 1009 hPa at the place, 59 % humidity, wind 5.0 mph from 250 deg"
    assert one_line(text).startswith(head)
    lines = [line for line in text.splitlines() if line.startswith("  ")]
    metres = found["density_altitude_m"]
    assert lines == [
        f"  air density            {found['density_kg_per_m3']:.4f} kg/m3",
        f"  density altitude       {metres / 0.3048:.0f} ft",
        f"  SAE J1349              {found['factors']['SAE J1349']:.4f} on engine output",
        f"  SAE J607               {found['factors']['SAE J607']:.4f} on engine output",
    ]


def test_each_unit_is_turned_once(terminal: Terminal, drive: str) -> None:
    """By hand: 63 F are 17.22 C, 29.92 inHg 1013.21 hPa (NIST SP 811: 3386.389 Pa), 10 kn 5.14 m/s, 394 ft 120.1 m."""
    kept = terminal.json(
        "weather", drive, "--temperature", "63F", "--pressure", "29.92inHg", "--humidity", "0.4", "--wind", "10kn",
        "--elevation", "394ft",
    )["weather"]  # fmt: skip
    assert kept["temperature_c"] == pytest.approx(17.22)
    assert kept["pressure_hpa"] == pytest.approx(29.92 * 33.86389, abs=0.02)
    assert kept["humidity_percent"] == 40.0
    assert kept["wind_mps"] == pytest.approx(10 * 1852 / 3600, abs=0.005)
    assert kept["elevation_m"] == pytest.approx(394 * 0.3048)


@pytest.mark.parametrize(("asked", "height"), [((), 120.0), (("--elevation", "900m"), 900.0)])
def test_qnh_becomes_the_pressure_at_the_place(
    terminal: Terminal, drive: str, asked: tuple[str, ...], height: float
) -> None:
    """ICAO: an altimeter at 1013.25 hPa reads the standard atmosphere (fluids.ATMOSPHERE_1976), at the car file's
    elevation unless another is said."""
    kept = terminal.json("weather", drive, "--temperature", "15C", "--qnh", "1013.25hPa", *asked)["weather"]
    assert kept["pressure_hpa"] == pytest.approx(fluids.ATMOSPHERE_1976(height).P / 100, abs=0.03)


def test_a_dew_point_becomes_humidity(terminal: Terminal, drive: str) -> None:
    terminal.run("weather", drive, "--temperature", "17C")
    kept = terminal.json("weather", drive, "--dew-point", "9C")["weather"]
    assert kept["humidity_percent"] == pytest.approx(100 * psychrolib.GetRelHumFromTDewPoint(17.0, 9.0), abs=0.1)
    assert kept["temperature_c"] == 17.0, "what was given before stays"


def test_a_report_takes_the_place_of_what_was_kept_and_typing_rules_it(terminal: Terminal, drive: str) -> None:
    """By hand: 5 and 18 kn; the report's day in the drive's month."""
    terminal.run("weather", drive, *TYPED, "--elevation", "0m")
    kept = terminal.json("weather", drive, "--metar", REPORT, "--wind", "1m/s")["weather"]
    assert kept["source"] == REPORT and kept["temperature_c"] == 12.0
    assert (kept["wind_mps"], kept["wind_from_deg"]) == (1.0, 240.0)
    assert kept["gust_mps"] == pytest.approx(18 * 1852 / 3600, abs=0.005)
    assert kept["elevation_m"] == 120.0, "the car file's, not what was kept before"
    assert kept["observed_utc"] == "2026-05-02T11:50:00+00:00"
    assert "wind 2.2 mph from 240 deg, gusts 20.7 air density" in one_line(terminal.text("weather", drive))


def test_what_is_not_given_is_said(terminal: Terminal, drive: str, bare: str) -> None:
    found = terminal.json("weather", drive, "--temperature", "15C")
    assert found["assumed"][0] == "no pressure was given, so the standard atmosphere at 120 m is used"
    assert found["assumed"][1].startswith("no humidity was given, so 50 % is used")
    assert "no pressure was given, so the standard atmosphere at 120 m is used" in terminal.text("weather", drive)
    nothing = terminal.json("weather", bare)
    assert nothing["weather"] is None and nothing["factors"] == {} and nothing["density_kg_per_m3"] is None
    assert nothing["missing"] == ["temperature", "pressure"]
    told = one_line(terminal.text("weather", bare))
    assert (
        told
        == f"{bare}: no weather given temperature and pressure missing, so there is no density and times stay as driven"
    )


def test_a_far_correction_is_cautioned(terminal: Terminal, drive: str) -> None:
    found = terminal.json("weather", drive, "--temperature", "38C", "--pressure", "880hPa", "--humidity", "40%")
    assert found["factors"]["SAE J1349"] == pytest.approx(j1349(38.0, 88_000, 0.4), abs=1e-6)
    assert found["far"] is True
    assert "The correction is more than 7 %" in one_line(terminal.text("weather", drive))
    assert "more than 7 %" not in terminal.text("weather", drive, "--pressure", "980hPa", "--temperature", "20C")


def test_looking_writes_nothing_and_clearing_takes_it_away(terminal: Terminal, drive: str) -> None:
    terminal.run("weather", drive, *TYPED)
    before = (terminal.store / drive / "drive.json").read_bytes()
    terminal.json("weather", drive)
    terminal.text("weather", drive)
    assert (terminal.store / drive / "drive.json").read_bytes() == before
    assert terminal.json("weather", drive, "--clear")["weather"] is None
    kept = open_drive(terminal.store, drive).manifest
    assert kept.weather is None and kept.trace[-1].what == "weather cleared"
    fresh = terminal.json("weather", drive, "--clear", "--temperature", "3C")["weather"]
    assert fresh["temperature_c"] == 3.0 and fresh["pressure_hpa"] is None


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--pressure", "1009hPa", "--qnh", "1013hPa"), "--pressure and --qnh both give the pressure"),
        (("--humidity", "59%", "--dew-point", "9C"), "--humidity and --dew-point both give the humidity"),
        (("--dew-point", "9C"), "--dew-point: this needs the temperature"),
        (("--temperature", "9C", "--dew-point", "15C"), "--dew-point: found 15 C, which is above the temperature of"),
        (("--humidity", "59"), "--humidity: found '59', expected a share such as 59% or 0.59"),
        (("--qnh", "1013hPa"), "--qnh: this needs the elevation of the place"),
        (("--temperature", "17"), "has no unit"),
        (("--temperature", "90C"), "weather: temperature_c: found 90.0"),
        (("--wind-from", "400"), "weather: wind_from_deg: found 400.0"),
        (("--metar", "no report"), "--metar: the report has no temperature group"),
    ],
)
def test_what_cannot_be_is_one_line_and_changes_nothing(
    terminal: Terminal, bare: str, options: tuple[str, ...], words: str
) -> None:
    assert words in terminal.refused(2, "weather", bare, *options)
    assert open_drive(terminal.store, bare).manifest.weather is None
