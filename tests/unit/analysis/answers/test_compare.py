"""`compare` held to simulator truth: what it prints, what it writes as JSON, and the answer that both are of."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest
from made_season import BASELINE, BOTH, L_PER_100KM, THIN, WIND_MPS, MadeSeason, strike
from run_verb import Said, run_verb

from analysis.answers.compare import CompareAnswer, compare_answer
from analysis.changes.season import SeasonRecord, gather
from analysis.changes.sides import held, opposed
from analysis.conditions import roadload
from analysis.conditions.weather import STANDARD_AIR, Weather, air_of, corrected_times
from analysis.store import DriveStore
from analysis.wording import sentence
from logger.errors import InputError, NoAnswer
from logger.units import MPS_PER_MPH

A, B = BASELINE.name, BOTH.name
THIRTY = 30 * MPS_PER_MPH


@pytest.fixture(scope="module")
def season(made_season: MadeSeason) -> SeasonRecord:
    return gather(DriveStore(made_season.store))


@pytest.fixture(scope="module")
def answer(season: SeasonRecord) -> CompareAnswer:
    return compare_answer(season, A, B)


@pytest.fixture(scope="module")
def text(made_season: MadeSeason) -> Said:
    return run_verb(made_season.store, "compare", "--why", A, B, "--trace")


def means(season: SeasonRecord, ids: list[str], mps: float, corrected: bool) -> float:
    at = np.array([mps])
    return float(np.mean([run.time_to(at, corrected)[0] for run in season.runs if run.drive in ids]))


# --- against the truth ----------------------------------------------------------------------------------------------


def test_corrected_times_are_those_of_the_standard_day(made_season: MadeSeason, answer: CompareAnswer) -> None:
    """As driven the two are alike, for B's days had thin air; in standard air B gains what the simulator says."""
    top = answer.splits[-1]
    assert top.speed == "30 mph" and (top.runs_a, top.runs_b) == (8, 7)
    assert answer.corrected_by == "SAE J1349" and answer.verdict == "faster"
    truth = [made_season.standard_time(setup, THIRTY) for setup in (0, 1)]
    assert truth[0] - truth[1] > 0.3
    assert (top.a_s, top.b_s) == pytest.approx(truth, abs=0.08)
    assert (top.mean_a_corrected_s, top.mean_b_corrected_s) == (top.a_s, top.b_s)
    assert top.difference_s == pytest.approx(truth[1] - truth[0], abs=0.08)
    assert top.low_s < truth[1] - truth[0] < top.high_s < 0
    assert top.corrected is not None and top.corrected.difference_s == top.difference_s
    ids = made_season.ids
    driven = [
        np.mean([run.time_to(THIRTY) - run.time_at(0.3048) for drive in drives for run in made_season.truth[drive]])
        for drives in (ids[:2], ids[2:4])
    ]
    assert (top.mean_a_s, top.mean_b_s) == pytest.approx(driven, abs=0.05)
    assert top.raw.difference_s == pytest.approx(driven[1] - driven[0], abs=0.05)
    assert abs(top.raw.difference_s) < 0.1 < abs(top.difference_s)


def test_corrected_times_leave_the_days_drag_and_take_the_standard_ones(
    made_season: MadeSeason, season: SeasonRecord
) -> None:
    """Thin air drags less: in standard air the car meets more, and the other way round would be another time."""
    thin = air_of(Weather.model_validate(THIN), None)
    car = DriveStore(made_season.store).drive(made_season.ids[2]).car
    day, standard = roadload.of(car, thin.density_kg_per_m3), roadload.of(car, STANDARD_AIR["SAE J1349"])
    assert day.at(THIRTY) < standard.at(THIRTY)
    for run in [each for each in season.runs if each.drive == made_season.ids[2]]:
        right, wrong = (
            corrected_times(run.speed_mps, run.time_s, thin.factors["SAE J1349"], one, other, run.grade_percent / 100)
            for one, other in ((day, standard), (standard, day))
        )
        assert run.corrected_s == pytest.approx(right, nan_ok=True)
        assert np.nanmax(np.abs(right - wrong)) > 0.03


def test_raw_and_corrected_means_are_those_of_the_runs(
    made_season: MadeSeason, season: SeasonRecord, answer: CompareAnswer
) -> None:
    a, b = made_season.ids[:2], made_season.ids[2:4]
    for split in answer.splits:
        at = split.speed_mps
        assert split.mean_a_s == pytest.approx(means(season, a, at, False), abs=1e-12)
        assert split.mean_b_s == pytest.approx(means(season, b, at, False), abs=1e-12)
        assert split.mean_a_corrected_s == pytest.approx(means(season, a, at, True), abs=1e-12)
        assert split.mean_b_corrected_s == pytest.approx(means(season, b, at, True), abs=1e-12)
        assert split.b_s - split.a_s + split.adjustment_s == pytest.approx(split.difference_s, abs=1e-12)
        assert abs(split.adjustment_s) < 0.1


def test_the_other_figures_are_the_truths(made_season: MadeSeason, answer: CompareAnswer) -> None:
    assert answer.mixture is not None and answer.fuel is not None and answer.launch is not None
    # Full throttle follows the root of the jet's area: a smaller jet is leaner (the simulator's carburettor).
    assert answer.mixture.verdict == "leaner" and answer.mixture.b > answer.mixture.a
    assert answer.mixture.difference == pytest.approx(answer.mixture.b - answer.mixture.a, abs=0.1)
    assert (answer.fuel.a, answer.fuel.b) == pytest.approx(L_PER_100KM, rel=0.01)
    assert answer.fuel.difference == pytest.approx(L_PER_100KM[1] - L_PER_100KM[0], abs=0.03)
    truth = [
        np.mean([run.time_to(5.0) - run.time_at(0.3048) for drive in drives for run in made_season.truth[drive]])
        for drives in (made_season.ids[:2], made_season.ids[2:4])
    ]
    assert (answer.launch.a, answer.launch.b) == pytest.approx(truth, abs=0.06)
    for here, wind in ((answer.conditions.a, WIND_MPS[0]), (answer.conditions.b, WIND_MPS[1])):
        assert (here.headwind_mps[0], here.headwind_mps[2]) == pytest.approx((-wind, wind), rel=0.02)
    # The first run of a day goes into the wind: four of B's seven do, and four of A's eight.
    assert answer.conditions.b.headwind_mps[1] == pytest.approx(WIND_MPS[1] / 7, rel=0.05)
    assert answer.conditions.a.headwind_mps[1] == pytest.approx(0, abs=0.02)
    assert {label.split(":")[0] for label in answer.runs.a} == set(made_season.ids[:2])
    assert {label.split(":")[0] for label in answer.runs.b} == set(made_season.ids[2:4])


def test_the_trace_is_of_the_times_judged_by(
    season: SeasonRecord, made_season: MadeSeason, answer: CompareAnswer
) -> None:
    a = [run for run in season.runs if run.drive in made_season.ids[:2]]
    for band in answer.trace:
        at = np.array([band.from_mps, band.to_mps])
        raw, corrected = (float(np.mean([np.diff(run.time_to(at, c)) for run in a])) for c in (False, True))
        assert band.mean_a_s == pytest.approx(raw, abs=1e-12)
        assert band.a_s == band.mean_a_corrected_s == pytest.approx(corrected, abs=1e-12)
        assert band.corrected is not None and band.corrected.difference_s == band.difference_s
    gained = sum(band.difference_s for band in answer.trace if band.to_mps <= 13 + 1e-9)
    by_split = compare_answer(season, A, B, [2.5, 12.5]).splits
    assert gained == pytest.approx(by_split[1].difference_s - by_split[0].difference_s, abs=0.05)


def test_every_interval_is_the_models_own(season: SeasonRecord, answer: CompareAnswer) -> None:
    """Each bound stands in the field of its name: of splits, of bands and of the other figures."""
    found = held(*opposed(A, B, season), season)
    for split, told in zip(answer.splits, found.splits, strict=True):
        i = told.judged.interval
        assert (split.low_s, split.high_s, split.run_low_s, split.run_high_s) == (i.low, i.high, i.run_low, i.run_high)
        assert (split.alone_low_s, split.alone_high_s) == (i.alone_low, i.alone_high) != (i.low, i.high)
        assert (split.run_sigma_s, split.day_sigma_s) == (told.scatter.run_sigma, told.scatter.day_sigma)
        assert split.smallest_detectable_s == told.verdict.detectable and split.days == i.days
        assert told.corrected is not None and split.corrected is not None
        for times, of in ((split.raw, told.raw), (split.corrected, told.corrected)):
            assert (times.low_s, times.high_s) == (of.interval.low, of.interval.high)
    for band, lap in zip(answer.trace, found.trace, strict=True):
        i = lap.judged.interval
        assert (band.low_s, band.high_s, band.run_low_s, band.run_high_s) == (i.low, i.high, i.run_low, i.run_high)
        assert lap.corrected is not None and band.corrected is not None
        for times, of in ((band.raw, lap.raw), (band.corrected, lap.corrected)):
            assert (times.difference_s, times.low_s) == (of.interval.estimate, of.interval.low)
        assert band.raw != band.corrected
    for figure, measure in ((answer.launch, found.launch), (answer.mixture, found.mixture)):
        assert figure is not None and measure is not None
        i = measure.interval
        assert (figure.low, figure.high, figure.run_low, figure.run_high) == (i.low, i.high, i.run_low, i.run_high)
        assert (figure.runs_a, figure.runs_b) == (measure.count_a, measure.count_b) == (8, 7)


# --- what is printed and written ------------------------------------------------------------------------------------


def test_the_table_prints_the_answer_under_its_headings(answer: CompareAnswer, text: Said) -> None:
    rows = text.table("Time from one foot of movement, corrected by SAE J1349")
    assert len(rows) == len(answer.splits)
    for row, split in zip(rows, answer.splits, strict=True):
        assert row["mph"] == split.speed.split()[0]
        assert row["runs"] == f"{split.runs_a}/{split.runs_b}"
        assert row["A s"] == f"{split.mean_a_corrected_s:.2f}"
        assert row["B s"] == f"{split.mean_b_corrected_s:.2f}"
        assert row["B-A"] == f"{split.difference_s:+.2f}"
        assert row["with days"] == f"{split.low_s:+.2f}..{split.high_s:+.2f}"
        assert row["runs only"] == f"{split.run_low_s:+.2f}..{split.run_high_s:+.2f}"
        assert float(row["B s"]) - float(row["A s"]) == pytest.approx(
            float(row["B-A"]), abs=abs(split.adjustment_s) + 0.0151
        )
    top = answer.splits[-1]
    assert f"{top.raw.difference_s:+.2f} to {top.speed}." in text.flat
    adjusted = max(abs(split.adjustment_s) for split in answer.splits)
    assert ("which change nothing here" in text.flat) == (adjusted < 0.005)
    assert adjusted < 0.005 or f"here by up to {adjusted:.2f} s" in text.flat


def test_the_trace_prints_the_answer_under_its_headings(answer: CompareAnswer, text: Said) -> None:
    rows = text.table("Time gained or lost along the run, corrected by SAE J1349")
    assert len(rows) == len(answer.trace)
    for row, band in zip(rows, answer.trace, strict=True):
        assert row["A s"] == f"{band.mean_a_corrected_s:.2f}" and row["B s"] == f"{band.mean_b_corrected_s:.2f}"
        assert row["B-A"] == f"{band.difference_s:+.2f}"
        assert row["interval"] == f"{band.low_s:+.2f}..{band.high_s:+.2f}"
        low, high = (round(float(v)) for v in row["band"].split(" ")[0].split("-"))
        assert (low, high) == (round(band.from_mps / MPS_PER_MPH), round(band.to_mps / MPS_PER_MPH))


def test_as_driven_is_said_and_printed(made_season: MadeSeason, answer: CompareAnswer) -> None:
    raw = run_verb(made_season.store, "compare", "--why", A, B, "--raw", "--trace")
    for row, split in zip(raw.table("Time from one foot of movement, as driven"), answer.splits, strict=True):
        assert (row["A s"], row["B s"]) == (f"{split.mean_a_s:.2f}", f"{split.mean_b_s:.2f}")
        assert row["B-A"] == f"{split.raw.difference_s:+.2f}"
    assert "corrected" not in raw.out
    written = run_verb(made_season.store, "compare", A, B, "--raw", "--json").json
    assert written["corrected_by"] is None and written["correction"] is None
    for split in [*written["splits"], *written["trace"]]:
        assert split["corrected"] is split["mean_a_corrected_s"] is split["mean_b_corrected_s"] is None
        assert (split["a_s"], split["b_s"]) == (split["mean_a_s"], split["mean_b_s"])
        assert split["raw"]["difference_s"] == split["difference_s"]


def test_json_is_the_answer(made_season: MadeSeason, answer: CompareAnswer) -> None:
    written = run_verb(made_season.store, "compare", A, B, "--json").json
    assert written == answer.to_json()
    assert written["splits"][-1]["a_s"] == pytest.approx(answer.splits[-1].a_s, rel=1e-12)
    # One loop of each: their own errors, and on top of them what days are taken to do.
    assert written["fuel"]["low"] < written["fuel"]["run_low"] < written["fuel"]["run_high"] < written["fuel"]["high"]


def test_the_sides_and_what_differs_are_named_in_order(answer: CompareAnswer, text: Said) -> None:
    assert (answer.a, answer.b) == (A, B)
    assert {part: (pair.a, pair.b) for part, pair in answer.parts.items()} == {
        "main_jet_mm": (1.09, 1.06), "snorkel": ("short", "long")
    }  # fmt: skip
    assert "differ in main_jet_mm 1.09 -> 1.06; snorkel short -> long" in text.flat
    assert ["A", A] in [line.split(maxsplit=1) for line in text.out.splitlines()]
    assert answer.mixture is not None and answer.fuel is not None
    assert f"A {answer.mixture.a:.2f}, B {answer.mixture.b:.2f} AFR, B-A {answer.mixture.difference:+.2f}" in text.flat
    assert sentence(answer.mixture.sentence) in text.flat and sentence(answer.fuel.sentence) in text.flat
    assert (
        f"Fuel: A {answer.fuel.a:.2f}, B {answer.fuel.b:.2f} L/100 km, B-A {answer.fuel.difference:+.2f}" in text.flat
    )
    for letter, wind in (("A", WIND_MPS[0]), ("B", WIND_MPS[1])):
        mph = wind / 0.44704  # exact (NIST SP 811, appendix B.8)
        assert f"{letter} was driven with headwind {-mph:+.1f} to {mph:+.1f} mph" in text.flat


def test_turned_round_it_says_the_opposite(season: SeasonRecord, answer: CompareAnswer) -> None:
    back = compare_answer(season, B, A)
    assert back.verdict == "slower" and back.splits[-1].verdict == "slower"
    assert back.splits[-1].difference_s == pytest.approx(-answer.splits[-1].difference_s, rel=1e-9)
    assert (back.splits[-1].a_s, back.splits[-1].b_s) == (answer.splits[-1].b_s, answer.splits[-1].a_s)
    assert f"{A} is slower than {B}" in back.sentence and f"{B} is faster than {A}" in answer.sentence


def test_a_struck_run_is_out_and_said(made_season: MadeSeason, tmp_path: Path) -> None:
    store = tmp_path / "store"
    shutil.copytree(made_season.store, store)
    found = DriveStore(store).drive(made_season.ids[2])
    strike(found.drive, found.counted[1].start_utc_ns, "missed a gear")
    written = run_verb(store, "compare", A, B, "--json").json
    label = f"{found.id}:{found.counted[1].n}"
    assert {"run": label, "reason": "missed a gear", "struck": True} in written["left_out"]
    assert written["splits"][-1]["runs_b"] == 6 and label not in written["runs"]["b"]
    assert f"{label} is struck out: missed a gear." in run_verb(store, "compare", "--why", A, B).flat


def test_what_cannot_be_held_is_refused(season: SeasonRecord, made_season: MadeSeason) -> None:
    with pytest.raises(InputError, match="no setup, drive or list of runs"):
        compare_answer(season, A, "nothing of the kind")
    with pytest.raises(InputError, match="is on both sides"):
        compare_answer(season, A, made_season.ids[0])
    with pytest.raises(NoAnswer, match="no standing run that is counted"):
        compare_answer(season, A, made_season.ids[5])


def test_too_few_runs_asks_for_more_and_exits_1(made_season: MadeSeason) -> None:
    ids = made_season.ids
    said = run_verb(made_season.store, "compare", "--why", f"{ids[0]}:1-2", f"{ids[2]}:1-2", "--to", "30mph")
    assert said.code == 1 and "too few runs" in said.flat.lower()
    written = run_verb(made_season.store, "compare", f"{ids[0]}:1-2", f"{ids[2]}:1-2", "--to", "30mph", "--json").json
    assert written["more_runs_each"] == written["splits"][-1]["more_runs_each"] >= 1
    assert f"drive {written['more_runs_each']} runs of each in one outing" in said.flat
    assert not math.isnan(written["splits"][0]["a_s"])
