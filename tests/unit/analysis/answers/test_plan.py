"""`plan` on a simulated season: what it prints, what it writes, and the answer that both are of."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from made_drives import BASELINE
from made_season import BOTH, MadeSeason
from run_verb import run_verb

from analysis.answers import plan as plan_room
from analysis.answers.plan import PlanAnswer, plan_answer
from analysis.changes.plan import CHECKLIST
from analysis.changes.power_plan import PowerMix
from analysis.changes.season import SeasonRecord, gather
from analysis.conditions.setups import shown
from analysis.store import DriveStore
from logger.errors import InputError, NoAnswer
from logger.units import MPS_PER_MPH


@pytest.fixture(scope="module")
def season(made_season: MadeSeason) -> SeasonRecord:
    return gather(DriveStore(made_season.store))


@pytest.fixture(scope="module")
def answer(season: SeasonRecord) -> PlanAnswer:
    return plan_answer(season)


def test_the_tangle_is_parted_by_one_change_from_what_is_on_the_car(answer: PlanAnswer) -> None:
    assert answer.tangled == (("main_jet_mm", "snorkel"),)
    assert answer.separable == {"main_jet_mm": False, "snorkel": False}
    first, between, last = answer.next
    assert dict(first.setup) == dict(last.setup) == dict(BOTH.parts) and first.differs == last.differs == {}
    assert len(between.differs) == 1
    [(part, pair)] = between.differs.items()
    assert (pair.a, pair.b) == (BOTH.parts[part], BASELINE.parts[part]) and between.setup[part] == pair.b
    assert answer.speed == "30 mph" and answer.speed_mps == pytest.approx(30 * MPS_PER_MPH)
    assert answer.outings >= 1 and answer.checklist == CHECKLIST
    assert answer.worth_s == pytest.approx(0.03 * 4.36, rel=0.05)  # 3 % of the time, which is 4.4 s


def test_the_time_it_takes_is_that_of_the_drives_so_far(made_season: MadeSeason, answer: PlanAnswer) -> None:
    """From one start to the next as the simulator drove them; warming up (15 min), two changes of parts (25)."""
    gaps = [b.start_s - a.start_s for runs in made_season.truth.values() for a, b in pairwise(runs)]
    assert answer.run_minutes == pytest.approx(np.median(gaps) / 60, abs=0.01)
    first = sum(step.runs for step in answer.next if step.outing == 1)
    assert answer.minutes == pytest.approx(15 + 2 * 25 + first * answer.run_minutes)


def test_what_is_asked_for_reaches_the_plan(season: SeasonRecord, answer: PlanAnswer) -> None:
    gone = plan_answer(season, gone=[("snorkel", "short")])
    assert gone.next[1].setup == {"main_jet_mm": 1.09, "snorkel": "long"}
    assert plan_answer(season, 20 * MPS_PER_MPH).speed == "20 mph"
    fine = plan_answer(season, worth_s=0.01)
    assert fine.worth_s == 0.01 and sum(s.runs for s in fine.next) > sum(s.runs for s in answer.next)
    sure = plan_answer(season, worth_s=0.01, power=0.99)
    assert sure.power == 0.99 and sum(s.runs for s in sure.next) > sum(s.runs for s in fine.next)
    assert any("more than 0.5 h" in line for line in plan_answer(season, hours=0.5).warnings)
    with pytest.raises(InputError, match="no setup, drive or list of runs"):
        plan_answer(season, settle=("baseline", "nothing of the kind"))


def test_what_is_printed_and_written_is_the_answer(made_season: MadeSeason, answer: PlanAnswer) -> None:
    assert run_verb(made_season.store, "plan", "--json").json == answer.to_json()
    said = run_verb(made_season.store, "plan", "--why")
    lines = said.out.splitlines()
    head = next(line for line in lines if "outing" in line and "why" in line)
    table = lines[lines.index(head) : next(k for k, line in enumerate(lines) if line.startswith("Setup 1:"))]
    rows = [line for line in table if line[:2].strip().isdigit()]
    assert [int(line[: head.index("outing") + 6].split()[1]) for line in rows] == [step.outing for step in answer.next]
    under = slice(head.index("runs"), head.index("runs") + 4)
    assert [int(line[under]) for line in rows] == [step.runs for step in answer.next]
    [(part, pair)] = answer.next[1].differs.items()
    assert f"{part} {shown(pair.b)}" in rows[1] and "the first setup again" in said.flat
    assert "Judged by the time to 30 mph." in said.out and f"at {answer.run_minutes:.0f} min a run" in said.flat
    assert f"in all, about {answer.minutes / 60:.1f} h" in said.flat
    assert "Setup 1: main_jet_mm 1.06, snorkel long" in said.flat
    assert "main_jet_mm and snorkel always changed together." in said.flat
    assert all(line in said.flat for line in CHECKLIST)
    options = ("--to", "20mph", "--worth", "0.5s", "--power", "0.9", "--hours", "2", "--gone", "snorkel=short")
    asked = plan_answer(
        gather(DriveStore(made_season.store)), 20 * MPS_PER_MPH, worth_s=0.5, power=0.9, hours=2,
        gone=[("snorkel", "short")],
    )  # fmt: skip
    assert run_verb(made_season.store, "plan", "--json", *options).json == asked.to_json()


def test_without_runs_there_is_no_plan(season: SeasonRecord) -> None:
    from dataclasses import replace

    with pytest.raises(NoAnswer, match="timed standing runs"):
        plan_answer(replace(season, runs=[]))


def test_starts_and_rolling_pulls_stand_where_they_are_named(
    season: SeasonRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    mix = PowerMix(worth=0.03, starts=10, fewer_starts=4, rolling=9, driven=True)
    monkeypatch.setattr(plan_room, "power_mix", lambda *asked: mix)
    told = plan_answer(season).by_power
    assert told is not None and told.rolling_for_a_start == 1.5  # nine for six
    assert (told.starts, told.fewer_starts, told.rolling) == (10, 4, 9)
    assert told.sentence == (
        "by power, 10 starts of each show a change of 3% 80% of the time. So do 4 starts and 9 rolling pulls of each, "
        "at the same places. 1.5 rolling pulls replace a start"
    )
