"""`whatif` from the drives to what it prints: held to the simulated car with the change really made."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from made_road import STARTS, MadeDrive, Terminal, one_line, tables
from simulate import WREN, Car, drive, tuned

from analysis.answers.whatif import whatif_answer
from analysis.store import DriveStore
from logger.units import parse_speed

MPH = 0.44704


@pytest.fixture
def terminal(made_road: tuple[Path, dict[str, MadeDrive]]) -> Terminal:
    return Terminal(made_road[0])


@pytest.fixture
def starts(made_road: tuple[Path, dict[str, MadeDrive]]) -> MadeDrive:
    return made_road[1]["starts"]


def true_times(car: Car, speed_mps: float) -> float:
    return float(np.mean([run.time_to(speed_mps) for run in drive(car, STARTS, seed=2).runs]))


@pytest.mark.parametrize(
    ("option", "car"),
    [
        (("--mass", "-40kg"), tuned(WREN, mass_kg=352, a_n=55 * 352 / 392)),
        (("--mass", "60kg"), tuned(WREN, mass_kg=452, a_n=55 * 452 / 392)),
        (("--drag", "-20%"), tuned(WREN, c_n_per_mps2=0.8 * WREN.c_n_per_mps2)),
        (("--rolling", "+30%"), tuned(WREN, a_n=1.3 * WREN.a_n)),
        (("--power", "+10%"), tuned(WREN, power_w=1.1 * WREN.power_w, force_n=1.1 * WREN.force_n)),
    ],
    ids=["lighter", "heavier", "slippery", "draggy tyres", "stronger"],
)
def test_what_is_foretold_comes_true_in_the_simulator(
    terminal: Terminal, starts: MadeDrive, option: tuple[str, str], car: Car
) -> None:
    found = terminal.json("whatif", starts.id, *option, "--to", "40mph", "--to", "50mph")
    assert found["prediction"] is True and found["counted_from"] == "first movement"
    for time, mph in zip(found["times"], (40, 50), strict=True):
        assert time["speed_mps"] == pytest.approx(mph * MPH)
        now, then = true_times(WREN, mph * MPH), true_times(car, mph * MPH)
        assert time["before_s"] == pytest.approx(now, abs=0.1)
        assert time["change_s"] == pytest.approx(then - now, rel=0.1, abs=0.03)
        assert time["after_s"] == pytest.approx(time["before_s"] + time["change_s"], rel=1e-12)
    top = found["top_speed_mps"]
    assert (top["after"] > top["before"]) == (found["times"][1]["change_s"] < 0)


def test_times_are_the_runs_own_from_first_movement(terminal: Terminal, starts: MadeDrive) -> None:
    """`before_s` is the mean of what `runs` tells of the same runs, to round speeds and to others."""
    asked = ("--to", "30mph", "--to", "43.3mph")
    runs = terminal.json("runs", starts.id, *asked)["runs"]
    splits = [run["splits"] for run in runs]
    found = terminal.json("whatif", starts.id, "--power", "5%", *asked)
    assert found["runs"] == len(runs) == 4
    for k, time in enumerate(found["times"]):
        told = [of[k] for of in splits]
        assert time["before_s"] == pytest.approx(np.mean([split["time_s"] for split in told]), abs=1e-6)
        assert time["before_s"] - np.mean([split["from_one_foot_s"] for split in told]) == pytest.approx(
            found["one_foot_s"], abs=1e-6
        )
    assert found["one_foot_s"] == pytest.approx(np.mean([run["one_foot_s"] for run in runs]), abs=1e-6)
    text = one_line(terminal.text("whatif", starts.id, "--power", "5%", *asked))
    assert (
        f"Times are from first movement; from one foot of movement they are {found['one_foot_s']:.2f} s shorter."
        in text
    )


@pytest.mark.parametrize(("unit", "per"), [("mph", MPH), ("km/h", 1 / 3.6)])
def test_terminal_json_and_answer_say_one_thing(terminal: Terminal, starts: MadeDrive, unit: str, per: float) -> None:
    asked = ("whatif", starts.id, "--drag", "-10%", "--rolling", "+5%", "--cruise", "60km/h", "--units", unit)
    found = terminal.json(*asked)
    answer = whatif_answer(
        DriveStore(terminal.store), {starts.id: []}, drag=0.9, rolling=1.05, cruise_mps=parse_speed("60km/h"),
        unit="mph" if unit == "mph" else "km/h",
    )  # fmt: skip
    assert found == json.loads(json.dumps(answer.to_json()))
    assert found["changes"] == {"mass_kg": 0.0, "drag": 0.9, "rolling": 1.05, "power": 1.0, "gearing": 1.0}
    text = terminal.text(*asked)
    [[heading, *rows]] = tables(text)
    assert heading == ["", "now", "then", "change"]
    steps = [time["speed_mps"] / per / 10 for time in found["times"]]
    assert steps == pytest.approx([round(step) for step in steps]) and len(steps) >= 4
    for row, time in zip(rows[:-1], found["times"], strict=True):
        assert row == [
            f"0 to {time['speed_mps'] / per:.0f} {unit}", f"{time['before_s']:.2f} s", f"{time['after_s']:.2f} s",
            f"{time['change_s']:+.2f} ±{time['sigma_s']:.2f}",
        ]  # fmt: skip
    top = found["top_speed_mps"]
    gain = f"{(top['after'] - top['before']) / per:+.1f} ±{top['change_sigma'] / per:.1f}"
    now, then = (f"{round(top[key] / per, 1):g} {unit}" for key in ("before", "after"))
    assert rows[-1] == ["top speed, level and still", now, then, gain]
    told, fuel = one_line(text), found["cruise_fuel"]
    last = found["times"][-1]
    word = "quicker" if last["change_s"] < 0 else "slower"
    assert told.startswith(
        f"Predicted: {abs(last['change_s']):.2f} s ±{last['sigma_s']:.2f} {word} to "
        f"{last['speed_mps'] / per:.0f} {unit}. "
        "A prediction, not a measurement. Drive it to know. drag -10.0 %, rolling +5.0 %; from 4 runs, setup: baseline"
    )
    at = f"{round(60 / 3.6 / per, 1):g} {unit}"
    assert f"Fuel at a steady {at}: {100 * fuel['least']:+.1f} to {100 * fuel['most']:+.1f} %" in told
    assert f"(road load {fuel['before_n']:.0f} N, then {fuel['after_n']:.0f} N)" in told
    for assumption in found["assumptions"]:
        assert f"Assumed: {assumption}" in told


def test_a_change_too_much_is_not_reached(terminal: Terminal, starts: MadeDrive) -> None:
    asked = ("whatif", starts.id, "--drag", "290%", "--to", "50mph")
    [time] = terminal.json(*asked)["times"]
    assert time["after_s"] is None and time["change_s"] is None and time["before_s"] > 10
    assert "not reached" in terminal.text(*asked)


def test_a_fuel_loop_of_the_setup_narrows_the_fuel(
    made_road: tuple[Path, dict[str, MadeDrive]], tmp_path: Path
) -> None:
    """By hand: the work saved over 0.28, over the loop's heat in a metre at 32 GJ/m3."""
    shutil.copytree(made_road[0], tmp_path / "store")
    terminal = Terminal(tmp_path / "store")
    asked = ("whatif", made_road[1]["starts"].id, "--drag", "-10%", "--cruise", "45mph")
    alone = terminal.json(*asked)["cruise_fuel"]
    assert not alone["from_loop"] and alone["least"] == pytest.approx(alone["most"] / 2)
    loop = terminal.json("fuel", made_road[1]["loop"].id, "--used", "150mL", "--fuel-temp", "60F")
    found = terminal.json(*asked)["cruise_fuel"]
    saved = (found["after_n"] - found["before_n"]) / 0.28 / (loop["l_per_100km"] * 1e-8 * 32e9)
    assert found["from_loop"] and found["least"] == pytest.approx(saved, rel=1e-6)
    assert found["most"] == alone["most"] == pytest.approx(found["after_n"] / found["before_n"] - 1)
