"""A mistyped part, a lost unit, an old name for a changed setup: asked about, never taken silently."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from invented_season import Stint, frame_of, season
from made_drives import BASELINE, START, make_drive
from run_verb import run_verb
from simulate import Brake, Pull, Stand

from analysis.answers.effects import effects_answer
from analysis.answers.plan import plan_answer
from analysis.changes.season_frame import from_runs
from analysis.conditions.setups import Parts
from analysis.conditions.vocabulary import doubts, reused

BASE: Parts = {"main_jet_mm": 1.09, "snorkel": "short", "needle": "5DP7", "needle_clip": 3, "heat_shield": True}


@pytest.mark.parametrize(
    ("given", "asked"),
    [
        ({"main_jet": 1.06}, "main_jet is a new part. Did you mean main_jet_mm?"),
        ({"main_jet_in": 0.042}, "main_jet_in is a new part. Did you mean main_jet_mm?"),
        ({"mian_jet_mm": 1.06}, "Did you mean main_jet_mm?"),
        ({"Snorkel": "short"}, "Did you mean snorkel?"),
        ({"snorkell": "short"}, "Did you mean snorkel?"),
        ({"snorkel": "shrot"}, "snorkel was never 'shrot' until now. Did you mean 'short'?"),
        ({"needle_clip": "three"}, "needle_clip = three: until now it was written differently"),
        ({"snorkel": "long"}, ""),
        ({"needle": "5DP8"}, ""),
        ({"needle_clip": 4}, ""),
        ({"pilot_jet_mm": 0.45}, ""),
        ({"exhaust": "open"}, ""),
    ],
)
def test_what_is_nearly_known_is_asked_about(given: Parts, asked: str) -> None:
    letters = sorted(next(iter(given)).casefold()[:4])
    kept = {name: value for name, value in BASE.items() if sorted(name[:4]) != letters}
    if next(iter(given)) in ("pilot_jet_mm", "exhaust"):
        kept = dict(BASE)
    said = doubts({**kept, **given}, [BASE])
    assert (len(said) == 1 and asked in said[0]) if asked else said == []


def test_an_old_name_for_other_parts_is_refused_with_what_differs() -> None:
    said = reused("Baseline", {**BASE, "main_jet_mm": 1.06}, [("baseline", BASE)])
    assert "main_jet_mm 1.09 -> 1.06" in said
    assert reused("baseline", dict(BASE), [("baseline", BASE)]) == reused("other", {}, [("baseline", BASE)]) == ""


def test_a_season_with_a_mistyped_part_says_so_before_it_judges() -> None:
    """`main_jet` for `main_jet_mm`: the plan said "tangled", "no drive is needed", "nothing is tangled"."""
    other: Parts = {"main_jet": 1.06, "snorkel": "long"}
    stints = [Stint(0, {"main_jet_mm": 1.09, "snorkel": "short"}, 4), Stint(1, other, 4)]
    record = from_runs(frame_of(season(stints, np.random.default_rng(1))))
    for lines in (effects_answer(record).caveats, plan_answer(record, gone=[("main_jet", 1.06)]).notes):
        assert "main_jet is a new part. Did you mean main_jet_mm?" in lines[0]
    planned = plan_answer(record, gone=[("main_jet_mm", 1.09), ("snorkel", "short")])
    assert planned.tangled and not any("no parts always changed" in note for note in planned.notes)


def test_the_verb_asks_and_takes_it_where_told_to(tmp_path: Path) -> None:
    store = tmp_path / "store"
    for week in range(2):
        make_drive(store, [Stand(6), Pull(12.0), Brake(0), Stand(6)], start=START + timedelta(days=7 * week), seed=week)
    last = sorted(path.name for path in store.iterdir() if path.name.startswith("2026"))[-1]

    def file(name: str, **parts: object) -> str:
        lines = [f'name = "{name}"', "[parts]", *(f"{k} = {v!r}" for k, v in parts.items())]
        (tmp_path / "setup.toml").write_text("\n".join(lines).replace("'", '"'))
        return str(tmp_path / "setup.toml")

    mistyped = file("rich", main_jet=1.12, snorkel="short")
    for place in ((), ("--drive", last)):
        said = run_verb(store, "setup", mistyped, *place)
        assert said.code == 2 and "Did you mean main_jet_mm?" in said.err and "--anyway" in said.err
    reused_name = file(BASELINE.name, main_jet_mm=1.12, snorkel="short")
    for place in ((), ("--drive", last)):
        said = run_verb(store, "setup", reused_name, *place)
        assert said.code == 2 and "main_jet_mm 1.09 -> 1.12" in said.err
    assert run_verb(store, "setup", "--json").json["in_force"] is None
    assert run_verb(store, "setup", file("rich", main_jet_mm=1.12, snorkel="short")).code == 0
    assert run_verb(store, "setup", mistyped, "--anyway").code == 0
