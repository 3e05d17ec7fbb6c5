"""The verbs fuel, coast, power and whatif, as typed: answers, one-line refusals, exit codes, 80 columns."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from made_road import MadeDrive, Terminal

from analysis.conditions.weather import sae_j1349
from logger.config.car import CarConfig
from logger.config.reading import load
from logger.store.drive import open_drive

CONFIGS = Path(__file__).parents[4] / "configs"


@pytest.fixture
def season(made_road: tuple[Path, dict[str, MadeDrive]]) -> tuple[Path, dict[str, str]]:
    """A store with coasts, starts with two setups, and loops, which nobody may change; ids by name."""
    store, made = made_road
    return store, {name: drive.id for name, drive in made.items()}


Says = Callable[..., tuple[int, str, str]]


@pytest.fixture
def says(season: tuple[Path, dict[str, str]]) -> Says:
    """Run a command line in the process; exit code, standard output, standard error."""

    def run(*arguments: str, store: Path | None = None) -> tuple[int, str, str]:
        return Terminal(store or season[0]).run(*arguments)

    return run


def answer(result: tuple[int, str, str]) -> dict[str, Any]:
    code, out, err = result
    assert code == 0, err
    found: dict[str, Any] = json.loads(out)
    return found


def refused(result: tuple[int, str, str], code: int, *words: str) -> None:
    assert result[0] == code, result
    assert result[1] == ""
    assert result[2].count("\n") == 1 and "Traceback" not in result[2]
    for word in words:
        assert word in result[2]


def fits(result: tuple[int, str, str]) -> str:
    assert result[0] == 0, result[2]
    return " ".join(result[1].split())


# --- fuel ---------------------------------------------------------------------------------------------------------


def test_a_loop_is_answered_kept_shown_and_forgotten(
    says: Says, season: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    store, drives = tmp_path / "store", season[1]
    shutil.copytree(season[0], store)
    loop = drives["loop"]
    refused(says("fuel", store=store), 1, "no fuel loop is stored", "--used 0.84gal")
    asked = ("fuel", loop, "--used", "0.0400gal", "--sigma", "0.0006gal", "--fuel-temp", "31C", "--band", "43mph-46mph")
    found = answer(says(*asked, "--json", store=store))
    for field in ("distance_m", "distance_sigma_m", "used_m3", "used_sigma_m3", "l_per_100km", "mpg_us",
                  "sigma_percent", "in_band_fraction"):  # fmt: skip
        assert isinstance(found[field], float)
    assert found["used_m3"] == pytest.approx(0.04 * 3.785411784e-3 / (1 + 0.00095 * 15.444), rel=1e-4)
    assert found["mpg_us"] == pytest.approx(
        found["distance_m"] / 1609.344 / (found["used_m3"] / 3.785411784e-3), rel=1e-9
    )
    assert found["mpg_us_interval"][0] < found["mpg_us"] < found["mpg_us_interval"][1]
    kept = open_drive(store, loop)
    assert kept.manifest.fuel is not None and "fuel loop added" in kept.manifest.trace[-1].what
    text = fits(says(*asked, "--show", "1%", "--why", store=store))
    for words in ("miles on a US gallon", "15.6 C", "in 43 to 46 mph", "8 times in", "away from flame"):
        assert words in text
    text = fits(says("fuel", store=store))
    assert loop in text and "harmonic mean" in text and "baseline" in text
    table = answer(says("fuel", "--json", store=store))
    assert [entry["loops"] for entry in table["setups"]] == [1]
    assert fits(says("fuel", loop, "--forget", store=store)).startswith(loop)
    assert open_drive(store, loop).manifest.fuel is None


def test_a_rebuilt_drive_keeps_its_loop(says: Says, season: tuple[Path, dict[str, str]], tmp_path: Path) -> None:
    store, loop = tmp_path / "store", season[1]["loop"]
    shutil.copytree(season[0], store)
    answer(says("fuel", loop, "--by-weight", "0.113kg", "--json", store=store))
    assert says("rebuild", loop, store=store)[0] == 0
    assert open_drive(store, loop).manifest.fuel is not None


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--used", "0.84"), ("has no unit", "0.84gal")),
        (("--used", "3kg"), ("is not a volume",)),
        (("--used", "0gal"), ("--used", "not above zero")),
        (("--used", "1L", "--by-weight", "2kg"), ("Give one of them",)),
        (("--by-weight", "2kg", "--fuel-temp", "20C"), ("a weight needs no temperature",)),
        (("--by-weight", "2kg", "--sigma", "0.1L"), ("is not a mass",)),
        (("--used", "1L", "--band", "45mph"), ("--band", "45mph-50mph")),
        (("--used", "1L", "--band", "50mph-45mph"), ("--band", "does not rise")),
        (("--used", "1L", "--fuel-temp", "200C"), ("--fuel-temp", "not a temperature of fuel")),
        (("--used", "1L", "--units", "knots"), ("--units", "mph or km/h")),
        (("--used", "1L", "--show", "x"), ("'x'",)),
    ],
)
def test_wrong_fuel_options_get_one_line_and_change_nothing(
    says: Says, season: tuple[Path, dict[str, str]], options: tuple[str, ...], words: tuple[str, ...]
) -> None:
    refused(says("fuel", season[1]["loop"], *options), 2, *words)
    assert open_drive(season[0], season[1]["loop"]).manifest.fuel is None


def test_a_band_may_name_its_unit_once(says: Says, season: tuple[Path, dict[str, str]], tmp_path: Path) -> None:
    store = tmp_path / "store"
    shutil.copytree(season[0], store)
    both, once = (
        answer(says("fuel", season[1]["loop"], "--used", "0.15L", "--band", band, "--json", store=store))
        for band in ("43mph-46mph", "43-46mph")
    )
    assert both["in_band_fraction"] == once["in_band_fraction"]


# --- coasts -------------------------------------------------------------------------------------------------------


def test_coasts_are_answered_and_saved_and_used(
    says: Says, season: tuple[Path, dict[str, str]], tmp_path: Path
) -> None:
    _, drives = season
    path = tmp_path / "wren.toml"
    shutil.copy(CONFIGS / "wren.toml", path)
    found = answer(says("coast", drives["coasts"], "--save", str(path), "--json"))
    assert found["coasts"] == 4
    assert set(found["sigma"]) == {"a_n", "b_n_per_mps", "c_n_per_mps2"}
    assert found["a_n"] == pytest.approx(55, abs=found["half_width_95"]["a_n"])
    assert found["b_n_per_mps"] == 0
    # The simulated drag is that of whatever air there is; the answer is for the reference density.
    thin = 1.204 / 1.2206
    assert found["c_n_per_mps2"] == pytest.approx(0.36 * thin, abs=found["half_width_95"]["c_n_per_mps2"])
    saved = load(path, CarConfig).road_load
    assert saved is not None and saved.a_n == pytest.approx(found["a_n"], abs=0.01)
    text = fits(says("coast", drives["coasts"], "--why"))
    for words in ("4 coasts", "rolling coefficient", "drag area", "by steps N", "rotating 16 kg", "Stretch 1"):
        assert words in text
    guess = answer(says("power", drives["starts"], "--json"))["setups"][0]
    measured = answer(says("power", drives["starts"], "--car", str(path), "--json"))["setups"][0]
    assert guess["road_load_from"] == "the car's file"
    assert measured["road_load_from"].startswith("measured: 4 coasts")
    ours, theirs = (side["curve"][-1]["sigma_by_cause_w"]["road load"] for side in (measured, guess))
    assert ours < theirs


def test_what_coasts_cannot_tell_is_refused_in_one_line(says: Says, season: tuple[Path, dict[str, str]]) -> None:
    _, drives = season
    refused(says("coast", drives["loop"]), 1, "no coast found", "Roll in neutral")
    refused(says("coast", drives["bare"]), 1, "needs the car's mass", "--car FILE")
    refused(says("coast", "nowhere"), 2, "nowhere", "no such drive")
    refused(says("coast", drives["coasts"], "--grade", "40%"), 2, "--grade", "out of range")
    refused(says("coast", drives["coasts"], "--car", "missing.toml"), 2, "missing.toml", "no such file")


# --- power --------------------------------------------------------------------------------------------------------


def test_power_of_a_drive_of_single_runs_and_between_setups(says: Says, season: tuple[Path, dict[str, str]]) -> None:
    _, drives = season
    one = answer(says("power", drives["starts"], "--json"))["setups"][0]
    assert one["at"] == "wheels" and len(one["runs"]) == 4
    row = min(one["curve"], key=lambda row: abs(row["speed_mps"] - 18))
    assert row["power_w"] == pytest.approx(10_200, rel=0.04)
    assert row["low_w"] < row["power_w"] < row["high_w"]
    assert row["force_n"] == pytest.approx(row["power_w"] / row["speed_mps"])
    factor = float(sae_j1349(288.15, 101_300.0, 0.6))
    assert row["corrected_w"] == pytest.approx(row["power_w"] * factor, rel=1e-3)
    assert len(answer(says("power", f"{drives['starts']}:2", "--json"))["setups"][0]["runs"]) == 1
    both = answer(says("power", drives["starts"], drives["sport"], "--json"))
    assert both["differences"][0]["verdict"] == "more power"
    assert both["differences"][0]["change"] == pytest.approx(0.06, abs=0.025)
    text = fits(says("power", drives["starts"], drives["sport"], "--units", "km/h", "--why"))
    for words in ("Most power", "crank gives more", "mass ±", "slope ±", "SAE J1349",
                  "Engine speed: not known", "has more power than baseline"):  # fmt: skip
        assert words in text
    refused(says("power", f"{drives['starts']}:9"), 2, "there is no run 9")
    refused(says("power", drives["bare"]), 1, "needs the car's mass")


# --- what would it do? --------------------------------------------------------------------------------------------


def test_a_prediction_is_labelled_and_comes_with_its_assumptions(
    says: Says, season: tuple[Path, dict[str, str]]
) -> None:
    _, drives = season
    found = answer(says("whatif", drives["starts"], "--mass", "-40kg", "--to", "40mph", "--to", "50mph", "--json"))
    assert found["prediction"] is True
    assert [round(time["speed_mps"], 2) for time in found["times"]] == [17.88, 22.35]
    assert found["times"][1]["change_s"] == pytest.approx(-1.75, abs=0.1)
    text = fits(says("whatif", drives["starts"], "--drag", "-10%", "--rolling", "+5%", "--why"))
    for words in (
        "A prediction, not a measurement",
        "drag -10.0 %",
        "top speed",
        "Assumed:",
        "Fuel at a steady",
        "Drive it",
    ):
        assert words in text


def test_what_cannot_be_foretold_is_refused(says: Says, season: tuple[Path, dict[str, str]]) -> None:
    _, drives = season
    refused(says("whatif", drives["starts"]), 2, "no change is given")
    refused(says("whatif", drives["starts"], "--gearing", "+8%"), 1, "the belt sets its own ratio")
    refused(says("whatif", drives["starts"], "--drag", "-10"), 2, "--drag", "out of range")
    refused(says("whatif", drives["starts"], "--mass", "-390kg"), 2, "--mass")
    refused(says("whatif", drives["starts"], "--mass", "-20kg", "--to", "90mph"), 1, "not all of these runs reached")
    refused(says("whatif", drives["starts"], drives["sport"], "--mass", "-20kg"), 2, "2 setups")
