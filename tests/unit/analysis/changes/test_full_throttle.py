"""Full pulls and traffic: an owner who also drives to the shops gets the verdicts of one who does not."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from invented_season import SPEEDS, Stint, season
from made_drives import BASELINE, START, make_drive
from run_verb import run_verb
from simulate import Brake, Lift, Phase, Pull, Stand, Turn

from analysis.answers.runs import all_runs_answer
from analysis.changes import compare
from analysis.changes.full_throttle import full_pulls
from analysis.changes.observations import Observation, Side
from analysis.conditions.setups import Parts
from analysis.store import DriveStore
from logger.config.setup import SetupConfig

A: Parts = {"main_jet_mm": 1.09}
B: Parts = {"main_jet_mm": 1.12}


def fine(run: Observation) -> Observation:
    """The run with a time at every m/s, as a drive's has, its road load's shape kept."""
    v = np.arange(1.0, 27.0)
    return replace(run, speed_mps=v, time_s=run.time_to(np.clip(v, SPEEDS[0], None)) * np.minimum(v / SPEEDS[0], 1),
                   sigma_s=np.full(len(v), 0.03))  # fmt: skip


def pulls(number: int, day: float = 0.5) -> list[Observation]:
    stints = [Stint(0, A, 4), Stint(1, A, 4), Stint(2, B, 4, effect=-0.15)]
    return [fine(run) for run in season(stints, np.random.default_rng([40, number]), day)]


def traffic(runs: list[Observation], each: int, number: int) -> list[Observation]:
    """Drives away from traffic lights: each by its own share slower, to its own top speed, any way."""
    rng = np.random.default_rng([41, number])
    more = []
    for outing in sorted({run.outing for run in runs}):
        like = next(run for run in runs if run.outing == outing)
        for k in range(each):
            slow = 1.25 + rng.exponential(0.5)
            v = like.speed_mps[: rng.integers(9, 20)]
            wobble = np.cumsum(
                np.diff(like.time_s[: len(v)], prepend=0.0) * (slow + 0.15 * rng.standard_normal(len(v)))
            )
            time = np.maximum.accumulate(np.maximum(wobble, 0.1))
            more.append(
                replace(like, label=f"{like.drive}:{100 + k}", start_s=like.start_s + 5000 + 60 * k, speed_mps=v,
                        time_s=time, sigma_s=like.sigma_s[: len(v)], direction_deg=float(rng.uniform(0, 360)))
            )  # fmt: skip
    return more


@pytest.mark.parametrize("number", range(6))
def test_eighteen_traffic_starts_a_drive_change_no_verdict(number: int) -> None:
    """With six starts to four pulls the median was the traffic: a verdict of 'not shown' for 1.7 s gained."""
    alone = pulls(number)
    kept, left = full_pulls([*alone, *traffic(alone, 18, number)])
    assert {run.label for run in kept} >= {run.label for run in alone}
    assert sum(int(run.label.split(":")[1]) >= 100 for run in kept) <= 1  # a start as quick as a pull is one
    assert all(each.slow and "not at full throttle" in each.reason for each in left)
    words = []
    for runs in (alone, kept):
        a, b = ([run for run in runs if run.parts == parts] for parts in (A, B))
        words.append(compare.compare(Side("a", a, A), Side("b", b, B), [], SPEEDS[1:3]).verdict.word)
    assert words[0] == words[1] == "faster"


@pytest.mark.parametrize("windy", [{0, 1, 2}, {1}])
@pytest.mark.parametrize("number", range(4))
def test_a_headwind_is_no_part_throttle(number: int, windy: set[int]) -> None:
    """One way the wind takes as much again as the air did: at 20 m/s every second is 30 % longer, at 8 hardly any."""
    runs = pulls(number)
    against = []
    for run in runs:
        if run.direction_deg > 180 and run.outing in windy:
            longer = 1 + 0.3 * np.clip(run.speed_mps / 20.0, 0, 1.2) ** 2
            run = replace(run, time_s=np.cumsum(np.diff(run.time_s, prepend=0.0) * longer))
        against.append(run)
    kept, left = full_pulls([*against, *traffic(runs, 6, number)])
    assert {run.label for run in kept} >= {run.label for run in against}, left
    assert sum(int(run.label.split(":")[1]) >= 100 for run in kept) <= 1


@pytest.mark.parametrize("number", range(3))
def test_two_pulls_down_a_hill_shut_no_start_on_the_level_out(number: int) -> None:
    """Of one setup only: the other's starts, one way as quick as these, have a quick end of their own."""
    runs = [
        fine(run)
        for run in season([Stint(0, A, 4), Stint(0, B, 4), Stint(0, A, 4)], np.random.default_rng([42, number]))
    ]
    down = []
    for k, run in enumerate([runs[0], runs[-1]]):
        taken = np.diff(run.time_s, prepend=0.0) * np.where(run.speed_mps > 9, 0.76, 1.0)
        down.append(replace(run, label=f"{run.drive}:{90 + k}", direction_deg=130.0, time_s=np.cumsum(taken)))
    kept, left = full_pulls([*runs, *down])
    assert not left
    assert len(kept) == 14


def test_a_setup_far_slower_that_repeats_is_a_setup_not_traffic() -> None:
    runs = [fine(r) for r in season([Stint(0, A, 4), Stint(1, B, 4, effect=0.4)], np.random.default_rng(3))]
    assert len(full_pulls(runs)[0]) == 8


def test_a_recorded_throttle_settles_it() -> None:
    runs = pulls(1)
    runs = [replace(run, throttle=0.95 if k else 0.6) for k, run in enumerate(runs)]
    kept, (left,) = full_pulls(runs)
    assert left.label == runs[0].label and "60% of its full travel" in left.reason and len(kept) == 11


# --- through the verbs ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two setups, three pulls and six drives away from traffic lights a drive."""
    place = tmp_path_factory.mktemp("traffic")
    other = SetupConfig(name="long snorkel", parts={**BASELINE.parts, "snorkel": "long"})
    for week, (setup, force) in enumerate([(BASELINE, 1.0), (other, 1.15)]):
        script: list[Phase] = [Stand(8)]
        for k in range(6):
            slow = Pull(11.0, throttle=0.40 + 0.04 * k, launch="slip")
            script += [slow, Brake(0, 2.0), Stand(5)]
            if k % 2:
                script += [Pull(16.0, launch="slip"), Lift(13, 3), Brake(0, 2.5), Turn(), Stand(6)]
        make_drive(
            place, script, seed=60 + week, start=START + timedelta(days=7 * week), setup=setup, force_scale=force
        )
    return place


def test_all_verbs_count_the_same_runs(store: Path) -> None:
    seen = run_verb(store, "compare", "baseline", "long snorkel", "--to", "20mph", "--json").json
    counted = {*seen["runs"]["a"], *seen["runs"]["b"]}
    assert len(counted) == 6
    every = run_verb(store, "runs", "--all", "--json").json
    assert {f"{run['drive']}:{run['n']}" for run in every["runs"]} == counted
    assert {f"{run.drive}:{run.n}" for run in all_runs_answer(DriveStore(store)).runs} == counted  # a notebook's
    for drive in {label.split(":")[0] for label in counted}:
        told = run_verb(store, "runs", drive, "--json").json["runs"]
        assert {f"{drive}:{run['n']}" for run in told if run["counted"]} == {r for r in counted if r.startswith(drive)}
        assert all("not at full throttle" in run["why_not"] for run in told if not run["counted"])
        text = run_verb(store, "runs", "--why", drive).flat
        assert (
            len(
                re.findall(r"not counted: not at full throttle: \d+% slower throughout than the car's full pulls", text)
            )
            == 6
        )
        power = run_verb(store, "power", drive, "--json").json
        assert {*power["setups"][0]["runs"]} == {r for r in counted if r.startswith(drive)}
    season_told = run_verb(store, "season", "--to", "20mph", "--json").json
    assert [each["runs"] for each in season_told["setups"]] == [3, 3]


def test_runs_are_struck_by_numbers_and_by_rule(store: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(store, tmp_path / "store"))
    told = run_verb(copy, "runs", "last", "--to", "20mph", "--json").json
    full = [run["n"] for run in told["runs"] if run["counted"]]
    slow = [run["n"] for run in told["runs"] if not run["counted"]]
    limit = max(run["splits"][-1]["from_one_foot_s"] for run in told["runs"] if run["counted"]) + 0.05
    limit = round(limit, 2)
    said = run_verb(copy, "strike", "last", "--slower-than", f"{limit}s", "--to", "20mph")
    assert said.code == 0
    after = run_verb(copy, "runs", "last", "--json").json["runs"]
    assert [run["n"] for run in after if run["struck"]] == slow
    assert {run["struck"] for run in after if run["struck"]} == {f"slower than {limit:g} s to 20 mph"}
    numbers = f"{slow[0]}-{slow[1]},{slow[2]}" if slow[1] == slow[0] + 1 else ",".join(map(str, slow[:3]))
    assert run_verb(copy, "strike", "last", numbers, "--undo", "--reason", "all the same").code == 0
    again = [run["n"] for run in run_verb(copy, "runs", "last", "--json").json["runs"] if run["struck"]]
    assert set(slow) - set(again) and not set(again) & set(full) and len(again) < len(slow)
    for wrong in (["3-1"], ["x"], [], ["1", "--slower-than", "3s", "--to", "20mph"], ["--slower-than", "3s"]):
        assert run_verb(copy, "strike", "last", *wrong, "--reason", "r").code == 2


def test_tags_are_kept_and_are_conditions(store: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(store, tmp_path / "store"))
    seen = run_verb(copy, "compare", "baseline", "long snorkel", "--to", "20mph", "--json").json["runs"]
    drive, number = seen["b"][0].split(":")
    assert run_verb(copy, "tag", drive, number, "passenger", "gear=2").code == 0
    assert run_verb(copy, "tag", drive, number, "gear=3").code == 0
    (mine,) = [run for run in run_verb(copy, "runs", drive, "--json").json["runs"] if run["tags"]]
    assert mine["n"] == int(number) and mine["tags"] == ["passenger", "gear=3"]
    less = run_verb(copy, "compare", "baseline", "long snorkel", "--to", "20mph", "--without", "passenger", "--json")
    assert less.json["runs"] == {"a": seen["a"], "b": seen["b"][1:]}
    assert {each["run"]: each["reason"] for each in less.json["left_out"]}[seen["b"][0]] == "tagged passenger"
    assert run_verb(copy, "compare", "baseline", "long snorkel", "--where", "gear=3").code == 1
    wrong = run_verb(copy, "effects", "--where", "gear=5")
    assert wrong.code == 2 and "Tags: gear=3, passenger" in wrong.err
    assert run_verb(copy, "tag", drive, number, "two words").code == 2
    assert run_verb(copy, "tag", drive, number, "passenger", "gear=3", "--undo").code == 0
    assert not any(run["tags"] for run in run_verb(copy, "runs", drive, "--json").json["runs"])


def test_fuel_that_cannot_be_is_asked_about_and_deletes_no_run(store: Path, tmp_path: Path) -> None:
    """`fuel --used` on a drive of starts warned of 87 L/100 km, kept it, and its runs stopped counting."""
    copy = Path(shutil.copytree(store, tmp_path / "store"))
    before = run_verb(copy, "runs", "--all", "--json").json["runs"]
    said = run_verb(copy, "fuel", "last", "--used", "2L")
    assert said.code == 2 and "cannot be right for a car" in said.err and "--anyway" in said.err
    assert run_verb(copy, "fuel").code == 1  # nothing is kept
    assert run_verb(copy, "fuel", "last", "--used", "0.15L").code == 0
    assert run_verb(copy, "fuel", "last", "--used", "2L", "--anyway").code == 0
    after = run_verb(copy, "runs", "--all", "--json").json["runs"]
    assert [(run["drive"], run["n"]) for run in after] == [(run["drive"], run["n"]) for run in before]
    seen = run_verb(copy, "compare", "baseline", "long snorkel", "--to", "20mph", "--json").json
    assert len(seen["runs"]["b"]) == 3
