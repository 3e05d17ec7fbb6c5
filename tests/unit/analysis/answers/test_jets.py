"""The verb `jets`, end to end: what it advises, prints and writes against a simulated carburettor's own law."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import simulate
from made_drives import CAR, RIG, make_drive
from simulate import Cruise, Lift, Phase, Pull, Stand

from analysis.answers.encoding import rows
from analysis.answers.jets import jets_answer
from analysis.answers.mixture import mixture_answer
from analysis.cli.main import app
from analysis.conditions.weather import read_weather
from analysis.store import DriveStore
from logger.config.car import CarConfig
from logger.config.setup import JetsConfig, SetupConfig
from logger.errors import InputError, NoAnswer

SCRIPT: list[Phase] = [
    Stand(8), Pull(20, launch="slip"), Lift(9), Cruise(9, 6), Pull(20), Lift(9), Cruise(9, 6), Pull(21), Lift(11),
    Cruise(11, 8), Pull(20), Lift(8),
]  # fmt: skip
COOL, HOT = {"temperature_c": 12.0, "pressure_hpa": 1020.0}, {"temperature_c": 34.0, "pressure_hpa": 985.0}


def a_car(**fuel: object) -> CarConfig:
    return CarConfig.model_validate({**CAR.model_dump(exclude_none=True), "fuel": fuel})


def setup(jet_mm: float, **rest: Any) -> SetupConfig:
    return SetupConfig(name=f"jet {jet_mm}", parts={"main_jet_mm": jet_mm, "snorkel": "short", **rest})


def density(weather: dict[str, float]) -> float:
    """Dry air as an ideal gas [kg/m3]; the moisture that is assumed makes some parts in a thousand."""
    return weather["pressure_hpa"] * 100 / (287.05 * (weather["temperature_c"] + 273.15))


def given(jet_mm: float, weather: dict[str, float], speed_mps: float, stoich: float = 14.7) -> float:
    """What the simulated carburettor gives at full throttle: AFR where lambda 1 is 14.7."""
    share = density(weather) / 1.2
    return float(12.1 * (1.10 / jet_mm) ** 2 * math.sqrt(share) + 0.012 * (speed_mps - 18.0)) * 14.7 / stoich


def add(
    store: Path,
    day: int,
    jet_mm: float,
    weather: dict[str, float],
    *,
    stoich: float = 14.7,
    shown_as: float = 14.7,
    **more: Any,
) -> str:
    """A drive with this jet, air and fuel, by a controller that is set to show `shown_as` at lambda 1."""
    carburettor = simulate.mixture_of(jet_mm, density_ratio=density(weather) / 1.2)

    def law(v: Any, load: Any) -> Any:
        return carburettor(v, load) * shown_as / stoich

    more = {"setup": setup(jet_mm), "weather": weather, **more}
    drive, _ = make_drive(store, SCRIPT, seed=day, start=datetime(2026, 5, day, 9, 0, tzinfo=UTC), law=law, **more)
    return drive.id


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two jets in two airs, all else alike, the latest with the larger jet; and what cannot count beside them."""
    folder = tmp_path_factory.mktemp("store")
    add(folder, 1, 1.05, COOL)
    add(folder, 2, 1.05, HOT)
    add(folder, 3, 1.12, HOT)
    add(folder, 4, 1.12, COOL, car=a_car(blend="mystery"))  # its blend cannot be read
    add(folder, 5, 1.16, COOL, setup=None)  # nobody knows its jet
    add(folder, 6, 1.12, COOL)
    (folder / "jets.toml").write_text('[[jet]]\nmark = "mine"\nmeasured_mm = 1.103\nsigma_mm = 0.004\n')
    return folder


@pytest.fixture(scope="module")
def drives(store: Path) -> DriveStore:
    return DriveStore(store)


@pytest.fixture
def said(store: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """What `pullbook jets` prints."""

    def run(*arguments: str) -> str:
        app(["jets", "--why", *arguments, "--store", str(store)], standalone_mode=False)
        return capsys.readouterr().out

    return run


def test_full_throttle_of_the_setup_is_what_the_carburettor_gives(drives: DriveStore) -> None:
    answer = jets_answer(drives, drives.drive("last"))
    truth = given(1.12, COOL, 15.0)
    assert answer.now.value == pytest.approx(truth, abs=0.12)
    assert answer.now.low < truth < answer.now.high
    assert answer.now.drives == 2  # the third and the sixth
    assert answer.now.diameter_mm == pytest.approx(1.12)
    assert answer.now.density_kg_per_m3 == pytest.approx(density(COOL), rel=0.01)
    assert answer.drive_density_kg_per_m3 == answer.now.density_kg_per_m3
    assert answer.air == "of the drive"
    # What is called full throttle of the drive is the mixture map's own row, and nothing else.
    assert answer.drive_full_throttle == mixture_answer(drives.drive("last")).full_throttle.median


def test_the_response_is_the_carburettors(drives: DriveStore) -> None:
    answer = jets_answer(drives, drives.drive("last"))
    assert answer.response.source == "this car's history"
    assert (answer.response.jets, answer.response.drives) == (2, 4)
    assert answer.response.exponent == pytest.approx(-2.0, abs=0.2)
    assert answer.response.low < -2.0 < answer.response.high
    for each in answer.expected:
        truth = given(each.diameter_mm, COOL, 15.0)
        assert each.value == pytest.approx(truth, abs=0.15), each.jet
        assert each.change == pytest.approx(each.value - answer.now.value)
        assert each.by_area_rule == pytest.approx(answer.now.value * (1.12 / each.diameter_mm) ** 2)
    assert [each.diameter_mm for each in answer.expected] == sorted((e.diameter_mm for e in answer.expected), reverse=1)
    # The middle of the window, 12.25, is what the diameter that is wanted would give.
    assert given(answer.wanted_mm, COOL, 15.0) == pytest.approx(12.25, abs=0.15)
    assert answer.wanted_low_mm < answer.wanted_mm < answer.wanted_high_mm


def test_the_advice_lands_in_the_window(drives: DriveStore) -> None:
    answer = jets_answer(drives, drives.drive("last"))
    assert answer.verdict == "change"
    assert answer.choice in answer.expected
    assert answer.choice is not None
    assert 12.0 <= given(answer.choice.diameter_mm, COOL, 15.0) <= 12.5
    assert answer.choice.jet == "mine"
    assert answer.choice.chance_in > 0.5 > answer.choice.chance_lean
    assert answer.says == "Try mine (1.103 mm)."
    for each in answer.expected:
        assert each.allowed == (each.why_not == "")
        if each.value > 12.6:
            assert not each.allowed


def test_what_cannot_be_used_is_left_out_with_its_reason(drives: DriveStore, said: Callable[..., str]) -> None:
    """One drive whose car file names no known fuel takes nothing of the rest with it."""
    answer = jets_answer(drives, drives.drive("last"))
    bad = drives.drives[3].id
    assert [line for line in answer.left_out if line.startswith(bad)] == [
        next(line for line in answer.left_out if "[fuel] blend in the car's file: 'mystery' is not a blend" in line)
    ]
    assert bad in " ".join(said("last").split())
    with pytest.raises(InputError, match="mystery"):
        jets_answer(drives, drives.drives[3])


def test_json_is_the_answer(drives: DriveStore, said: Callable[..., str]) -> None:
    answer, printed = jets_answer(drives, drives.drive("last")), json.loads(said("last", "--json"))
    assert printed == answer.to_json()
    assert printed["now"]["value"] == answer.now.value
    assert printed["target"] == {"low": 12.0, "high": 12.5}
    assert printed["choice"]["jet"] == "mine"
    assert [row["jet"] for row in printed["expected"]] == [each.jet for each in answer.expected]
    assert set(printed) >= {
        "drive", "channel", "target", "now", "response", "verdict", "choice", "wanted_mm", "wanted_low_mm",
        "wanted_high_mm", "expected", "says", "not_the_main_jet", "left_out", "caution",
    }  # fmt: skip
    frame = rows(answer.expected)
    assert list(frame["value"]) == [each.value for each in answer.expected]


def test_the_text_shows_the_answer_under_its_headings(drives: DriveStore, said: Callable[..., str]) -> None:
    answer, text = jets_answer(drives, drives.drive("last")), said("last")
    assert all(len(line) <= 80 for line in text.splitlines())
    flat = " ".join(text.split())
    now = answer.now
    assert flat.startswith(
        f"{answer.says} Full throttle with the 1.120 mm main jet: AFR {now.value:.2f} ({now.low:.2f} to "
        f"{now.high:.2f}), from 2 "
        "drives of this setup. Target 12.00 to 12.50."
    )
    assert (
        f"full throttle of this setup: its drives together, all speeds alike, corrected to the air of this "
        f"drive. Full throttle of the drive, the median in its mixture map, is {answer.drive_full_throttle:.2f}."
    ) in flat
    assert f"needs a {answer.wanted_mm:.3f} mm jet ({answer.wanted_low_mm:.3f} to {answer.wanted_high_mm:.3f})." in flat
    lines = text.splitlines()
    head = next(i for i, line in enumerate(lines) if "by area" in line)
    assert lines[head].split() == ["jet", "mm", "gives", "95", "%", "by", "area", "in", "target", "lean", "step"]
    for each, line in zip(answer.expected, lines[head + 2 :], strict=False):
        told = re.search(
            r"(> )?(\S.*?) +(\d\.\d{3}) +([\d.]+) +([\d.]+)-([\d.]+) +([\d.]+) +(\d+)% +(\d+)% *(too lean)?$",
            line.strip(),
        )
        assert told is not None, line
        assert (told[1] is not None) == (each == answer.choice)
        assert told[2] == each.jet
        figures = [each.diameter_mm, each.value, each.low, each.high, each.by_area_rule]
        assert [float(told[k]) for k in range(3, 8)] == pytest.approx(figures, abs=0.00501)
        assert [float(told[8]), float(told[9])] == pytest.approx(
            [100 * each.chance_in, 100 * each.chance_lean], abs=0.51
        )
        assert (told[10] is not None) == (not each.allowed)
    assert answer.response.says in flat
    assert answer.caution in flat
    assert "an air-cooled engine" in flat


# --- air and fuel to come ------------------------------------------------------------------------------------------


def test_the_air_to_come(drives: DriveStore, said: Callable[..., str]) -> None:
    answer = jets_answer(drives, drives.drive("last"), air=read_weather(HOT))
    assert answer.air == "asked for"
    assert answer.now.value == pytest.approx(given(1.12, HOT, 15.0), abs=0.12)
    assert answer.now.density_kg_per_m3 == pytest.approx(density(HOT), rel=0.02)
    assert answer.drive_density_kg_per_m3 == pytest.approx(density(COOL), rel=0.01)
    assert answer.air_change == pytest.approx(math.sqrt(density(HOT) / density(COOL)) - 1, abs=0.005)
    arguments = ("last", "--temperature", "34C", "--pressure", "985hPa")
    assert json.loads(said(*arguments, "--json"))["now"]["value"] == pytest.approx(answer.now.value, rel=1e-9)
    flat = " ".join(said(*arguments).split())
    assert "corrected to the air you will drive in" in flat
    assert (
        f"Air of {answer.now.density_kg_per_m3:.3f} kg/m3, compared with {answer.drive_density_kg_per_m3:.3f} "
        f"in the drive," in flat
    )
    assert f"{-answer.air_change:.1%} richer" in flat


def test_the_fuel_to_come(drives: DriveStore, said: Callable[..., str]) -> None:
    petrol = jets_answer(drives, drives.drive("last"))
    answer = jets_answer(drives, drives.drive("last"), fuel="E10")
    # The same mass of air to fuel is leaner for a fuel that needs less air: trade figures 14.7 and 14.1.
    assert answer.now.value / petrol.now.value == pytest.approx(14.7 / 14.1, abs=0.005)
    assert answer.fuel_change == pytest.approx(14.7 / 14.1 - 1, abs=0.005)
    flat = " ".join(said("last", "--fuel", "E10").split())
    assert f"{answer.fuel_change:.1%} leaner. The figures include that." in flat
    assert petrol.fuel_change == 0
    assert "The new fuel" not in said("last")


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small jet on a fuel whose ratio only its owner knows, a large one on petrol."""
    folder = tmp_path_factory.mktemp("mixed")
    add(folder, 1, 1.05, COOL, stoich=13.0, car=a_car(blend="E10", stoich_afr=13.0))
    add(folder, 2, 1.05, COOL, stoich=13.0, car=a_car(blend="race fuel 5", stoich_afr=13.0))
    add(folder, 3, 1.12, COOL)
    return folder


def test_the_cars_stoich_afr_rules_in_the_history(mixed: Path) -> None:
    drives = DriveStore(mixed)
    answer = jets_answer(drives, drives.drive("last"))
    assert answer.left_out == ()
    assert answer.response.source == "this car's history"
    assert answer.response.exponent == pytest.approx(-2.0, abs=0.3)
    first = jets_answer(drives, drives.drives[0])
    assert first.now.fuel_stoich_afr == first.drive_fuel_stoich_afr == 13.0
    assert first.now.value == pytest.approx(given(1.05, COOL, 15.0, stoich=13.0), abs=0.15)
    on_petrol = jets_answer(drives, drives.drives[0], fuel="petrol")
    assert on_petrol.now.value == pytest.approx(given(1.05, COOL, 15.0), abs=0.15)
    assert on_petrol.fuel_change == pytest.approx(13.0 / 14.7 - 1, abs=0.002)


def test_a_car_whose_name_is_spelt_with_other_capitals_is_the_same_car(tmp_path: Path) -> None:
    shouted = CAR.model_copy(update={"car": CAR.car.model_copy(update={"name": CAR.car.name.upper() + " "})})
    add(tmp_path, 1, 1.05, COOL, car=shouted)
    add(tmp_path, 2, 1.12, COOL)
    drives = DriveStore(tmp_path)
    assert jets_answer(drives, drives.drive("last")).response.source == "this car's history"


# --- options and what is wrong -------------------------------------------------------------------------------------


def test_own_jets_and_targets_of_the_options(drives: DriveStore, tmp_path: Path, said: Callable[..., str]) -> None:
    own, targets = tmp_path / "own.toml", tmp_path / "mine.toml"
    own.write_text('[[jet]]\nmark = "other"\nmeasured_mm = 1.09\n')
    targets.write_text("[jets]\nsizes = []\nmax_lean_step = 0.2\n")
    printed = json.loads(said("last", "--json", "--jets", str(own), "--targets", str(targets)))
    assert [row["jet"] for row in printed["expected"]] == ["other"]
    assert printed["verdict"] == "none to be had"
    assert "more than one step allows" in printed["expected"][0]["why_not"]
    same = jets_answer(drives, drives.drive("last"), own=JetsConfig.model_validate({"jet": [
        {"mark": "other", "measured_mm": 1.09}]}))  # fmt: skip
    assert "other" in [each.jet for each in same.expected]
    assert "mine" not in [each.jet for each in same.expected]


def test_in_lambda(drives: DriveStore) -> None:
    afr, told = (jets_answer(drives, drives.drive("last"), channel=channel) for channel in ("afr", "lambda"))
    assert told.channel == "lambda"
    assert told.target.high == pytest.approx(12.5 / 14.7)
    assert told.now.value == pytest.approx(afr.now.value / 14.7, rel=2e-3)
    assert told.choice is not None
    assert afr.choice is not None
    assert told.choice.jet == afr.choice.jet
    assert told.drive_full_throttle == pytest.approx(afr.drive_full_throttle / 14.7, rel=2e-3)


def test_a_controller_set_to_another_scale_is_told_on_the_usual_one(tmp_path: Path) -> None:
    """It shows 9.8 at lambda 1: all its figures are a third lower, and mean the same."""
    rig = RIG.replace('channel = "afr"', 'channel = "afr"\n  stoich_afr = 9.8')
    drive = DriveStore(tmp_path).drive(add(tmp_path, 1, 1.12, COOL, shown_as=9.8, rig=rig))
    answer = jets_answer(DriveStore(tmp_path), drive)
    assert mixture_answer(drive).full_throttle.median == pytest.approx(given(1.12, COOL, 15.0) * 9.8 / 14.7, abs=0.1)
    assert (answer.target.low, answer.target.high) == (pytest.approx(12.0), pytest.approx(12.5))
    assert answer.now.value == pytest.approx(given(1.12, COOL, 15.0), abs=0.15)
    assert answer.drive_full_throttle == pytest.approx(given(1.12, COOL, 15.0), abs=0.15)


def test_without_a_jet_or_full_throttle_there_is_no_answer(drives: DriveStore, tmp_path: Path) -> None:
    with pytest.raises(NoAnswer, match="does not say main_jet_mm"):
        jets_answer(drives, drives.drives[4])
    make_drive(tmp_path, [Stand(5), Pull(3, launch="ramp"), Cruise(3, 60)], seed=9, setup=setup(1.1))
    gentle = DriveStore(tmp_path)
    with pytest.raises(NoAnswer, match="too little full throttle"):
        jets_answer(gentle, gentle.drive("last"))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--pressure", "985hPa"], "need --temperature"),
        (["--temperature", "hot"], "temperature"),
        (["--fuel", "tar"], "not a blend"),
        (["--units", "knots"], "mph or km/h"),
        (["--jets", "no.toml"], "no.toml"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(store: Path, arguments: list[str], says: str) -> None:
    with pytest.raises(InputError, match=re.escape(says)) as said:
        app(["jets", "last", "--store", str(store), *arguments], standalone_mode=False)
    assert "\n" not in str(said.value)
