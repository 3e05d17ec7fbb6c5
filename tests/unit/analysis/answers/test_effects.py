"""`effects` held to simulator truth: what it prints, what it writes, and the answer that both are of."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from made_drives import BASELINE, START, make_drive
from made_season import BOTH, GAIN, PULLING, STANDARD, MadeSeason, factor_of, foot_time, starts
from run_verb import run_verb
from simulate import Pull, Stand, drive

from analysis.answers.effects import effects_answer
from analysis.changes.season import gather
from analysis.store import DriveStore
from logger.config.setup import SetupConfig
from logger.errors import NoAnswer
from logger.units import MPS_PER_MPH

THIRTY = 30 * MPS_PER_MPH
LONG = SetupConfig(name="long snorkel", parts={"main_jet_mm": 1.09, "snorkel": "long"})
SMALL = SetupConfig(name="smaller jet", parts={"main_jet_mm": 1.06, "snorkel": "long"})
SNORKEL, JET = 1.07, 0.96
"""Force with the long snorkel over the short, with the smaller jet over the larger."""


@pytest.fixture(scope="module")
def parted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three setups, each one part from the one before, in one outing each day: the snorkel helps, the jet hurts."""
    store = tmp_path_factory.mktemp("parted")
    drives = [(BASELINE, 1.0), (LONG, SNORKEL), (SMALL, SNORKEL * JET)]
    for day in range(2):
        for number, (setup, strength) in enumerate(drives):
            make_drive(
                store, starts(4), seed=20 + 10 * day + number, setup=setup, weather=STANDARD, truth_car=PULLING,
                start=START + timedelta(days=7 * day, hours=number), force_scale=strength / factor_of(STANDARD),
                jet_mm=float(setup.parts["main_jet_mm"]),
            )  # fmt: skip
    return store


def truth(strength: float) -> float:
    run = drive(PULLING, [Stand(1), Pull(17.0, launch="slip")], dt=0.002, force_scale=strength).runs[0]
    return run.time_to(THIRTY) - foot_time(run)


def test_each_part_has_its_own_effect(parted: Path) -> None:
    answer = effects_answer(gather(DriveStore(parted)), [THIRTY])
    assert answer.base == BASELINE.parts and answer.corrected_by == "SAE J1349"
    assert answer.tangled == () and answer.separable == {"main_jet_mm": True, "snorkel": True}
    time = {effect.parts: effect for effect in answer.time}
    snorkel, jet = time["snorkel",], time["main_jet_mm",]
    assert (snorkel.runs, jet.runs) == (16, 8)
    assert [(c.part, c.from_, c.to) for c in jet.changes] == [("main_jet_mm", 1.09, 1.06)]
    assert snorkel.effects[0].difference == pytest.approx(truth(SNORKEL) - truth(1.0), abs=0.05)
    assert jet.effects[0].difference == pytest.approx(truth(SNORKEL * JET) - truth(SNORKEL), abs=0.05)
    assert snorkel.effects[0].high < 0 < jet.effects[0].low
    mixture = {effect.parts: effect.effects[0] for effect in answer.mixture}
    assert mixture["main_jet_mm",].low > 0 and abs(mixture["snorkel",].difference) < 0.1
    assert answer.fuel == ()


def test_what_is_printed_and_written_is_the_answer(parted: Path) -> None:
    season = gather(DriveStore(parted))
    for options, raw, by in (((), False, "corrected by SAE J1349"), (("--raw",), True, "as driven")):
        answer = effects_answer(season, [THIRTY], raw=raw)
        assert run_verb(parted, "effects", "--to", "30mph", "--json", *options).json == answer.to_json()
        said = run_verb(parted, "effects", "--why", "--to", "30mph", *options)
        rows = {row["change"].split()[0]: row for row in said.table(f"Time to 30 mph from one foot, {by}")}
        for effect in answer.time:
            row, told = rows[effect.parts[0]], effect.effects[0]
            assert row["runs"] == str(effect.runs) and row["s"] == f"{told.difference:+.2f}"
            assert row["with days"] == f"{told.low:+.2f}..{told.high:+.2f}"
            assert row["runs only"] == f"{told.run_low:+.2f}..{told.run_high:+.2f}"
            assert row["shown"] == {"snorkel": "faster", "main_jet_mm": "slower"}[effect.parts[0]]
        mixture = {row["change"].split()[0]: row for row in said.table("Mixture at full throttle")}
        assert mixture["main_jet_mm"]["shown"] == "leaner"
        assert mixture["main_jet_mm"]["AFR"] == f"{answer.mixture[0].effects[0].difference:+.2f}"
        assert "main_jet_mm 1.09 -> 1.06" in said.flat


def test_a_tangle_is_told_together_and_by_corrected_times(made_season: MadeSeason) -> None:
    season = gather(DriveStore(made_season.store))
    answer = effects_answer(season)
    assert answer.tangled == (("main_jet_mm", "snorkel"),) and answer.separable == dict.fromkeys(BOTH.parts, False)
    assert [(effect.parts, effect.joint, effect.runs) for effect in answer.time] == [
        (("main_jet_mm", "snorkel"), True, 7)
    ]
    told = answer.time[0].effects[0]
    wanted = made_season.standard_time(1, told.speed_mps) - made_season.standard_time(0, told.speed_mps)
    assert GAIN > 1 and told.difference == pytest.approx(wanted, abs=0.08)
    raw = effects_answer(season, raw=True)
    assert raw.corrected_by is None and abs(raw.time[0].effects[0].difference) < 0.1


def test_what_a_change_gained_for_money_and_hours_stands_under_its_heading(made_season: MadeSeason) -> None:
    told = run_verb(made_season.store, "effects", "--json").json["time"][0]
    money, hours, last = told["for_money"], told["for_hours"], told["effects"][-1]
    assert (money["spent"], hours["spent"]) == (BOTH.cost, BOTH.hours) == (18.0, 2.0)
    for gain in (money, hours):
        assert gain["gain_s"] * gain["spent"] == pytest.approx(-last["difference"])
        assert gain["low_s"] * gain["spent"] == pytest.approx(-last["high"])
        assert gain["high_s"] * gain["spent"] == pytest.approx(-last["low"])
    said = run_verb(made_season.store, "effects", "--why")
    assert f"Gained to {last['speed']} for money and hours" in said.out
    assert list(said.table("Gained to")[0]) == ["change", "spent", "s for each", "95%"]
    for took, gain in (("18", money), ("2 h", hours)):
        span = f"{gain['low_s']:+.3f} to {gain['high_s']:+.3f}"
        assert f" {took} {gain['gain_s']:+.3f} {span} " in said.flat


def test_one_setup_has_no_effects(made_season: MadeSeason) -> None:
    season = gather(DriveStore(made_season.store))
    season.runs[:] = [run for run in season.runs if run.setup == BASELINE.name]
    with pytest.raises(NoAnswer, match="two setups"):
        effects_answer(season)
