"""`power` from the drives to what it prints: held to the force at the simulated car's wheels."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from made_road import MadeDrive, Terminal, one_line, tables
from simulate import WREN, Car, tuned

from analysis.answers.power import power_answer
from analysis.conditions.weather import sae_j1349
from analysis.store import DriveStore

SPEEDS = {"mph": 0.44704, "km/h": 1 / 3.6}
HORSEPOWER_W = 745.69987
"""NIST SP 811, appendix B.8."""
STRONG = tuned(WREN, power_w=1.08 * WREN.power_w)


@pytest.fixture
def terminal(made_road: tuple[Path, dict[str, MadeDrive]]) -> Terminal:
    return Terminal(made_road[0])


@pytest.fixture
def drives(made_road: tuple[Path, dict[str, MadeDrive]]) -> dict[str, str]:
    return {name: drive.id for name, drive in made_road[1].items()}


def true_power(car: Car, speed_mps: float) -> float:
    return car.wheel_force(speed_mps) * speed_mps


def test_the_simulated_cars_wheel_power_comes_back(terminal: Terminal, drives: dict[str, str]) -> None:
    found = terminal.json("power", drives["starts"])
    assert found["speed_unit"] == "mph" and found["differences"] == []
    [setup] = found["setups"]
    assert (setup["setup"], setup["drives"], setup["at"]) == ("baseline", [drives["starts"]], "wheels")
    assert setup["runs"] == [f"{drives['starts']}:{n}" for n in (1, 2, 3, 4)]
    assert (setup["mass_kg"], setup["rotating_mass_kg"]) == (392.0, 16.0)
    assert not setup["road_load_measured"] and not setup["one_sided"]
    factor = float(sae_j1349(288.15, 101_300.0, 0.6))
    assert abs(factor - 1) > 0.02, "else a factor that is upside down would not show"
    # The simulated launch slips and the power curve has a corner: away from both.
    steady = [each for each in setup["curve"] if 14 < each["speed_mps"] < 22]
    assert len(steady) > 4
    for each in setup["curve"]:
        v = each["speed_mps"]
        assert each["low_w"] < each["power_w"] < each["high_w"]
        assert each["force_n"] == pytest.approx(each["power_w"] / v, rel=1e-9)
        assert each["corrected_w"] == pytest.approx(each["power_w"] * factor, rel=1e-6)
        assert each["sigma_w"] == pytest.approx(np.hypot.reduce(list(each["sigma_by_cause_w"].values())), rel=1e-6)
        # By hand from configs/wren.toml: turns of the wheel a minute, 6.3 to 1, then 0.82 to 2.9 by the belt.
        wheel = v / 1.58 * 60
        assert each["engine_rpm_limits"] == [pytest.approx(wheel * 6.3 * 0.82), pytest.approx(wheel * 6.3 * 2.9)]
        assert each["engine_rpm"] is None
    for each in steady:
        assert each["power_w"] == pytest.approx(true_power(WREN, each["speed_mps"]), rel=0.05)
        assert each["runs"] == 4
    most = setup["curve"][setup["most"]]
    assert most["power_w"] == max(each["power_w"] for each in setup["curve"])


def test_a_stronger_engine_is_told_as_more_power_of_the_second(terminal: Terminal, drives: dict[str, str]) -> None:
    [there] = terminal.json("power", drives["starts"], drives["sport"])["differences"]
    assert (there["a"], there["b"], there["verdict"]) == ("baseline", "sport", "more power")
    assert there["change"] == pytest.approx(0.08, abs=0.015)  # what the simulator's engine gained
    assert there["change"] == pytest.approx(np.mean([each["change"] for each in there["groups"]]), abs=0.02)
    assert (there["starts_a"], there["starts_b"], there["days"]) == (4, 4, "cancelled")
    assert there["low"] < there["change"] < there["high"] and there["low"] > 0
    [back] = terminal.json("power", drives["sport"], drives["starts"])["differences"]
    assert (back["a"], back["b"], back["verdict"]) == ("sport", "baseline", "less power")
    assert back["change"] == pytest.approx(1 / (1 + there["change"]) - 1, abs=1e-3)


def test_power_between_setups_is_what_compare_says(terminal: Terminal, drives: dict[str, str]) -> None:
    """One question, one answer: `power` shows no other change than `compare`, rolling pulls and all."""
    compared = terminal.json("compare", drives["starts"], drives["sport"])["power"]
    [between] = terminal.json("power", drives["starts"], drives["sport"])["differences"]
    assert compared["sentence"].startswith(f"{drives['sport']} has more power") and between["verdict"] == "more power"
    del compared["sentence"]  # the one names drives, the other setups
    assert {name: between[name] for name in compared} == compared


@pytest.mark.parametrize("unit", ["mph", "km/h"])
def test_terminal_json_and_answer_say_one_thing(terminal: Terminal, drives: dict[str, str], unit: str) -> None:
    asked = ("power", drives["starts"], drives["sport"], "--units", unit)
    found = terminal.json(*asked)
    store, runs = DriveStore(terminal.store), {drives["starts"]: [], drives["sport"]: []}
    answer = power_answer(store, runs, unit="mph" if unit == "mph" else "km/h")
    assert found == json.loads(json.dumps(answer.to_json()))
    text = terminal.text(*asked)
    *curves, between = tables(text)
    per, step = SPEEDS[unit], 5 if unit == "mph" else 10
    for printed, setup in zip(curves, found["setups"], strict=True):
        assert printed[0] == [unit, "force N", "kW", "hp", "95 % kW", "corr. kW", "corr. hp"]
        steps = [each["speed_mps"] / per / step for each in setup["curve"]]
        round_ones = [each for each, k in zip(setup["curve"], steps, strict=True) if abs(k - round(k)) < 1e-6]
        assert printed[1:] == [
            [
                f"{each['speed_mps'] / per:.0f}", f"{each['force_n']:.0f}", f"{each['power_w'] / 1000:.2f}",
                f"{each['power_w'] / HORSEPOWER_W:.1f}", f"{each['low_w'] / 1000:.2f} to {each['high_w'] / 1000:.2f}",
                f"{each['corrected_w'] / 1000:.2f}", f"{each['corrected_w'] / HORSEPOWER_W:.1f}",
            ]
            for each in (round_ones if len(setup["curve"]) > 14 else setup["curve"])
        ]  # fmt: skip
        most = max(setup["curve"], key=lambda each: each["power_w"])
        told = f"Most power: {most['power_w'] / 1000:.1f} kW ({most['power_w'] / HORSEPOWER_W:.1f} hp)"
        assert told in one_line(text)
    [change] = found["differences"]
    assert between[0] == [unit, "pulls", "power %", "95%"]
    told = [f"{100 * change[k]:+.1f}" for k in ("change", "low", "high")]
    assert between[-1][2:] == [told[0], f"{told[1]} to {told[2]}"]
    assert len(between) == 2 + len(change["groups"]) and len(change["groups"]) == 3
    for row, group in zip(between[1:], change["groups"], strict=False):
        low, high = (f"{100 * group[k]:+.1f}" for k in ("low", "high"))
        assert row[1:] == [
            f"{group['pulls_a']}/{group['pulls_b']}",
            f"{100 * group['change']:+.1f}",
            f"{low} to {high}",
        ]
    assert one_line(change["sentence"]).lower() in one_line(text).lower()
    assert f"{change['time']['difference_s']:+.2f} s" in one_line(text)


def test_single_runs_count_once_however_they_are_named(terminal: Terminal, drives: dict[str, str]) -> None:
    """A drive named twice, by its id and in short, is one drive; a run named twice is one run."""
    starts = drives["starts"]

    def runs(*names: str) -> list[str]:
        [setup] = terminal.json("power", *names)["setups"]
        return [run.rpartition(":")[2] for run in setup["runs"]]

    assert runs(f"{starts}:2") == ["2"]
    assert runs(f"{starts}:3", f"{starts}:1", f"{starts}:3") == ["1", "3"]
    assert runs(starts, starts[:15]) == ["1", "2", "3", "4"]
    assert runs(f"{starts}:2", starts) == ["1", "2", "3", "4"]
    assert runs(f"{starts}:2", f"{starts[:15]}:4") == ["2", "4"]
    assert "there is no run 9" in terminal.refused(2, "power", f"{starts}:9")


def test_one_run_of_each_gets_no_verdict(terminal: Terminal, drives: dict[str, str]) -> None:
    asked = ("power", f"{drives['starts']}:1", f"{drives['sport']}:1")
    [change] = terminal.json(*asked)["differences"]
    assert change["verdict"] == "too few pulls" and change["low"] is None and change["high"] is None
    assert change["groups"] == []
    text = one_line(terminal.text(*asked))
    assert "Most runs went in one direction" in text
    assert "too few pulls. drive at least 2 more of baseline and 2 more of sport" in text.lower()
