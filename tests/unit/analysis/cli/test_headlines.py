"""The line that an owner reads first: each of its figures is the answer's own, under its own word."""

from __future__ import annotations

import math
import shutil
from pathlib import Path
from typing import Any

import pytest
from made_road import MadeDrive
from made_season import MadeSeason
from run_verb import run_verb

from analysis.answers.effects import EffectsAnswer, effects_answer
from analysis.answers.mixture import mixture_answer
from analysis.answers.sentences import effects_verdict
from analysis.changes.season import gather
from analysis.cli import mixture
from analysis.store import DriveStore

W_PER_HP = 745.699872
"""550 ft lbf/s: NIST SP 811 (2008), appendix B.8."""


def asked(store: Path, *words: str) -> tuple[list[str], Any]:
    """The lines that a verb prints, and its answer."""
    return run_verb(store, *words, warned=True).out.splitlines(), run_verb(store, *words, "--json", warned=True).json


def best_of(runs: list[dict[str, Any]]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The counted run that was first at the highest speed that one of them reached, and its split there."""
    splits = [(run, split) for run in runs if run["counted"] for split in run["splits"]]
    top = max(split["speed_mps"] for _, split in splits)
    return min((each for each in splits if each[1]["speed_mps"] == top), key=lambda each: each[1]["from_one_foot_s"])


def test_runs(made_season: MadeSeason, tmp_path: Path) -> None:
    drive = made_season.ids[0]
    shutil.copytree(made_season.store / drive, tmp_path / drive)
    run_verb(tmp_path, "strike", drive, "1", "--reason", "a lift", warned=True)
    lines, answer = asked(tmp_path, "runs", drive)
    run, split = best_of(answer["runs"])
    counted = sum(each["counted"] for each in answer["runs"])
    assert (
        0 < counted < len(answer["runs"])
        and run["splits"][0] is not split
        and split["sigma_s"] > 1.5 * split["from_one_foot_sigma_s"]
    )
    assert lines[0] == (
        f"{counted} of {len(answer['runs'])} runs counted. Best: {split['from_one_foot_s']:.2f} "
        f"±{split['from_one_foot_sigma_s']:.2f} s to {split['speed']}, run {run['n']}."
    )


def test_all_runs(made_season: MadeSeason) -> None:
    lines, answer = asked(made_season.store, "runs", "--all")
    run, split = best_of(answer["runs"])
    assert lines[0] == (
        f"Best: {split['from_one_foot_s']:.2f} ±{split['from_one_foot_sigma_s']:.2f} s to {split['speed']}, "
        f"{run['drive']}:{run['n']} with {run['setup']}."
    )


@pytest.mark.parametrize("sure", [True, False])
def test_mixture(made_season: MadeSeason, sure: bool) -> None:
    """As the drive has it, but for what each row is judged to be and how sure that is."""
    answer = mixture_answer(DriveStore(made_season.store).drive(made_season.ids[0]))
    one, two = [row for row in answer.summaries if math.isfinite(row.median)][:2]
    assert f"{one.median:.2f}" != f"{two.median:.2f}"
    for words in (("lean", "rich"), ("rich", "lean")):
        judged = [f"{word} of target" for word in words]
        rows = [
            row.model_copy(update={"sure": sure, "judgement": each})
            for row, each in zip((one, two), judged, strict=True)
        ]
        shown = mixture._verdict(answer.model_copy(update={"summaries": tuple(rows)}), 2)
        doubt = "" if sure else " (not sure)"
        said = dict(zip(words, (f"{row.regime} {row.median:.2f}{doubt}" for row in rows), strict=True))
        assert shown == f"Lean: {said['lean']}. Rich: {said['rich']}."
    shown = run_verb(made_season.store, "mixture", made_season.ids[0]).out.splitlines()[0]
    assert shown == mixture._verdict(answer, 2)


def test_what_changed_between_two_mixtures(made_season: MadeSeason) -> None:
    lines, answer = asked(made_season.store, "mixture", made_season.ids[0], made_season.ids[2])
    count = {word: sum(cell["verdict"] == word for cell in answer["cells"]) for word in ("leaner", "richer")}
    still = sum(cell["verdict"] == "no change seen" for cell in answer["cells"])
    assert count["leaner"] != count["richer"]
    assert lines[0] == f"{count['leaner']} cells leaner, {count['richer']} richer, {still} with no change seen."


def test_power(made_road: tuple[Path, dict[str, MadeDrive]]) -> None:
    store, drives = made_road
    lines, answer = asked(store, "power", drives["starts"].id)
    (setup,) = answer["setups"]
    most = max(setup["curve"], key=lambda point: point["power_w"])
    speed = f"{most['speed_mps'] / 0.44704:.6g} mph"
    assert lines[0] == f"Most power: {most['power_w'] / 1e3:.1f} kW ({most['power_w'] / W_PER_HP:.1f} hp) at {speed}."
    assert lines[1] == f"At the wheels, {most['low_w'] / 1e3:.1f} to {most['high_w'] / 1e3:.1f} kW (95 %)."
    assert most["low_w"] < most["power_w"] < most["high_w"]


def test_coast(made_road: tuple[Path, dict[str, MadeDrive]]) -> None:
    store, drives = made_road
    lines, answer = asked(store, "coast", drives["coasts"].id)
    assert lines[0] == (
        f"Rolling coefficient {answer['rolling_coefficient']:.4f} ±{answer['rolling_coefficient_half_width_95']:.4f}, "
        f"drag area {answer['drag_area_m2']:.3f} m2 ±{answer['drag_area_half_width_95_m2']:.3f} (95 %)."
    )


def test_fuel(made_season: MadeSeason, tmp_path: Path) -> None:
    loop = made_season.ids[4]
    shutil.copytree(made_season.store / loop, tmp_path / loop)
    lines, answer = asked(tmp_path, "fuel", loop, "--used", "0.2L")
    low, high = answer["mpg_us_interval"]
    assert low < answer["mpg_us"] < high
    assert lines[0] == f"{answer['mpg_us']:.1f} mpg US ({low:.1f} to {high:.1f}), {answer['l_per_100km']:.2f} L/100 km."
    lines, answer = asked(tmp_path, "fuel")
    (setup,) = answer["setups"]
    low, high = setup["mpg_us_interval"]
    assert lines[0] == f"{setup['setup']}: {setup['mpg_us']:.1f} mpg US ({low:.1f} to {high:.1f})."


def test_plan(made_season: MadeSeason) -> None:
    lines, answer = asked(made_season.store, "plan")
    runs = sum(step["runs"] for step in answer["next"])
    assert runs > len(answer["next"]) > 0
    each = " each" if answer["outings"] > 1 else ""
    outings = f"{answer['outings']} outing{'s' if answer['outings'] > 1 else ''}"
    assert lines[0] == f"Drive {outings}: {runs} runs in all, about {answer['minutes'] / 60:.1f} h{each}."


@pytest.fixture(scope="module")
def effects(made_season: MadeSeason) -> EffectsAnswer:
    return effects_answer(gather(DriveStore(made_season.store)))


@pytest.mark.parametrize("sign", [1, -1])
def test_effects(effects: EffectsAnswer, sign: int) -> None:
    """As they are, where the change is quicker, and the other way round."""
    (one,) = effects.time
    last = one.effects[-1]
    assert last.high < 0
    ends = sorted((sign * last.low, sign * last.high))
    turned = last.model_copy(update={"difference": sign * last.difference, "low": ends[0], "high": ends[1]})
    (line,) = effects_verdict(
        effects.model_copy(update={"time": (one.model_copy(update={"effects": (*one.effects[:-1], turned)}),)})
    )
    low, high = sorted((abs(last.low), abs(last.high)))
    word = "faster" if sign > 0 else "slower"
    assert line.endswith(f": {abs(last.difference):.2f} s {word} to {last.speed} ({low:.2f} to {high:.2f}).")
    assert math.isfinite(low) and low < abs(last.difference) < high
