"""Days: what is taken of them beforehand, how repeats overrule it, and how seldom nothing is called something.

The seasons are `invented_season`'s, which is older than the prior. tests/tuning/season_days chose that, but for the
share of launches, which these seasons had a say in: they guard it, and judge it no more. A day multiplies all times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from invented_season import SPEEDS, Stint, of, season, times

from analysis.changes import compare, day_effects, effects, priors
from analysis.changes.best import best_run
from analysis.changes.compare import Comparison
from analysis.changes.day_prior import Prior
from analysis.changes.observations import Observation, Side
from analysis.conditions.setups import Parts

A: Parts = {"main_jet_mm": 1.09}
B: Parts = {"main_jet_mm": 1.12}
WEEKLY = [(A, 4), (A, 4), *(({"main_jet_mm": 1.0 + 0.02 * k}, n) for k, n in enumerate((3, 5, 4, 6)))]
DESIGNS: dict[str, list[tuple[Parts, int]]] = {
    "A4 A4 B4": [(A, 4), (A, 4), (B, 4)],
    "A4 A4 B3": [(A, 4), (A, 4), (B, 3)],
    "A4 A4 B5": [(A, 4), (A, 4), (B, 5)],
    "A4 A3 B4": [(A, 4), (A, 3), (B, 4)],
    "A6 A2 B3": [(A, 6), (A, 2), (B, 3)],
    "A4 A4 B3 C5 D4 E6": WEEKLY,
}
"""Seasons as owners drive them: parts a week, few repeats, uneven numbers."""


def asked(runs: list[Observation], speeds: np.ndarray = SPEEDS, b: Parts = B) -> Comparison:
    others = [run for run in runs if run.parts not in (A, b)]
    return compare.compare(Side("a", of(runs, A), A), Side("b", of(runs, b), b), others, speeds)


def driven(
    design: Sequence[tuple[Parts, int]], number: Sequence[int], day: float, effect: float = 0.0
) -> list[Observation]:
    rng = np.random.default_rng(number)
    stints = [Stint(k, parts, n, 0.0 if parts == A else effect) for k, (parts, n) in enumerate(design)]
    days = 1 + day * rng.standard_normal(len(design))
    return [replace(run, time_s=run.time_s * days[run.outing]) for run in season(stints, rng)]


@pytest.mark.parametrize("count", [12, pytest.param(500, marks=[pytest.mark.long, pytest.mark.timeout(6000)])])
@pytest.mark.parametrize("day", [0.0, 0.01, *(pytest.param(day, marks=pytest.mark.long) for day in (0.005, 0.02))])
@pytest.mark.parametrize("name", DESIGNS)
def test_nothing_is_called_something_in_5_of_100_seasons_at_most(name: str, day: float, count: int) -> None:
    """Bar: a false verdict in 5 % (+2) of seasons, whatever the days; the newest setup against the first."""
    newest = DESIGNS[name][-1][0]
    false = 0
    for number in range(count):
        runs = driven(DESIGNS[name], [31, number], day)
        false += asked(runs, SPEEDS if count > 12 else SPEEDS[3:4], newest).verdict.word not in (
            "no difference shown", "too few runs"
        )  # fmt: skip
    assert false <= (0.07 * count if count > 12 else 3)


@pytest.mark.long
@pytest.mark.timeout(6000)
@pytest.mark.parametrize("name", DESIGNS)
def test_twice_what_is_detectable_is_found_9_times_in_10_and_never_the_wrong_way(name: str) -> None:
    newest = DESIGNS[name][-1][0]
    seen = float(np.median([
        asked(driven(DESIGNS[name], [32, k], 0.01), b=newest).splits[3].judged.interval.detectable
        for k in range(60)
    ]))  # fmt: skip
    effect = -2 * seen / 9.5
    words = [asked(driven(DESIGNS[name], [33, k], 0.01, effect), b=newest).verdict.word for k in range(300)]
    assert words.count("faster") >= 0.9 * 300 and words.count("slower") + words.count("mixed") <= 3


@pytest.mark.parametrize("outings", [5, *(pytest.param(n, marks=pytest.mark.long) for n in (2, 8))])
def test_the_best_of_a_season_without_a_change_is_seldom_beyond_scatter(outings: int) -> None:
    """10 to 16 % were, for the best was chosen after all were driven. Bar: 5 % (+2), of 60 seasons."""
    beyond = 0
    for number in range(60):
        runs = season([Stint(k, A, 4) for k in range(outings)], np.random.default_rng([19, number]), day=1.0)
        best = best_run(runs, SPEEDS[-2])
        beyond += bool(best and best.beyond_scatter)
    assert beyond <= 6  # 5 % of 60 is 3; 7 or more by chance is 3 in 100


# --- days before repeats have spoken --------------------------------------------------------------------------------


@pytest.mark.parametrize("counts", [(4, 4, 4), (4, 4, 3), (4, 3, 4), (6, 2, 3)])
def test_one_repeat_that_agrees_by_chance_collapses_no_interval(counts: tuple[int, int, int]) -> None:
    """With one repeated outing the interval collapsed where the repeat agreed; 53 of 300 seasons claimed."""
    first, again, changed = counts
    for number in range(12):
        runs = season(
            [Stint(0, A, first), Stint(1, A, again), Stint(2, B, changed)], np.random.default_rng([20, number])
        )
        for split in asked(runs).splits:
            i = split.judged.interval
            assert i.high - i.low >= i.run_high - i.run_low - 1e-12
            assert i.high - i.low > 0.04 * split.judged.mean_a_s  # two days at least are in it, at 1.5 % of power each


def test_days_weigh_against_the_prior_as_many_repeats_as_there_are() -> None:
    """Many repeats that scatter far more, or hardly at all, overrule what was taken beforehand; one hardly moves it."""

    def width(outings: int, day: float) -> float:
        stints = [*(Stint(k, A, 4) for k in range(outings)), Stint(outings, B, 4)]
        found = []
        for number in range(5):
            runs = season(stints, np.random.default_rng([21, number]), day)
            i = asked(runs, SPEEDS[4:5]).splits[0].judged.interval
            found.append(i.high - i.low)
        return float(np.median(found))

    usual, calm, wild = width(2, 1.0), width(20, 0.0), width(20, 5.0)
    assert width(2, 0.0) > 0.8 * usual  # one repeat
    assert calm < 0.6 * usual and wild > 1.6 * usual


@pytest.mark.parametrize("a_day_each", [True, False])
def test_effects_of_many_parts_are_one_question(a_day_each: bool) -> None:
    """Some effect of eight parts that do nothing was claimed in 63 of 200 seasons. On one day, days cancel,
    and nothing but the number of questions is left."""
    names = [f"part {k}" for k in range(8)]
    base: Parts = dict.fromkeys(names, 0)
    setups = [base, *({**base, name: 1} for name in names), base]
    claimed = 0
    for number in range(40):
        runs = season(
            [Stint(k if a_day_each else 0, parts, 4) for k, parts in enumerate(setups)],
            np.random.default_rng([22, number]),
            1.0,
        )
        found = effects.attribute(runs, times(runs)[:, 3:4], prior=priors.time_priors(runs, SPEEDS[3:4]))
        assert found is not None and len(found.effects) == 8
        claimed += any(i.low > 0 or i.high < 0 for each in found.effects for i in each.intervals)
    assert claimed <= 5  # 5 % of 40 is 2; 6 or more by chance is 1 in 70


def test_an_interval_with_days_is_never_narrower_than_without() -> None:
    """Few runs that scatter far more than is usual: what is taken beforehand must not make them look better known."""
    rng = np.random.default_rng(23)
    x = np.array([[1.0, 0.0]] * 2 + [[0.0, 1.0]] * 2)
    outing = np.array([0, 0, 1, 1])
    narrower = 0
    for _ in range(40):
        y = 10 + rng.normal(0, 0.5, (4, 1))
        i = day_effects.contrasts(y, x, outing, np.array([-1.0, 1.0]), prior=[Prior(0.15, 0.12)]).intervals[0][0]
        assert i.high - i.low >= i.run_high - i.run_low - 1e-12
        narrower += i.high - i.low < (i.run_high - i.run_low) * (1 + 1e-9)
    assert narrower > 0  # some rest on runs alone, else this shows nothing


def test_the_limit_of_luck_is_that_of_the_best_of_all_runs_driven() -> None:
    """Every run more, also after the best one, was another chance to be lucky."""
    runs = season([Stint(k, A, 4) for k in range(8)], np.random.default_rng(5), day=1.0)
    of_outing = [[run for run in runs if run.outing == k] for k in range(8)]
    best = replace(of_outing[2][0], time_s=of_outing[2][0].time_s * 0.9)
    early = [*of_outing[0], *of_outing[1], best]
    late = [run for outing in of_outing[3:] for run in outing]
    few, many = (best_run(some, SPEEDS[3]) for some in (early, [*early, *late]))
    assert few is not None and many is not None
    assert few.label == many.label == best.label
    assert many.limit_s < few.limit_s - 0.005 * few.time_s
