"""Jets: the response fitted to a history of known truth, the limits of advice, and what is said where there is none."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.mixture.jets import (
    CHECKED_SHARE,
    MAX_LEAN_RISK,
    SCATTER,
    SENSOR_SHARE,
    Expected,
    Jet,
    Present,
    Pull,
    Response,
    Tried,
    advise,
    diameter_for,
    levels,
    metric_jets,
    near,
    number_drills,
    present,
    response,
)
from analysis.mixture.map import Window

AIR_COOLED = Window(12.0, 12.5)
RULE = Response(-2.0, 0.2, -2.4, -1.6, "area rule", 1, 1, 0.005, "")


def history(
    rng: np.random.Generator,
    jets: list[float],
    exponent: float = -2.0,
    scatter: float = 0.006,
    noise: float = 0.004,
    others: str = "as it is",
    bands: tuple[float, ...] = (8.9, 13.4, 17.9),
    slope: float = 0.01,
    offset: float = 0.0,
    stoich: float = 14.7,
) -> list[Tried]:
    """Drives whose full throttle is 12.3 with a 1.1 mm jet at 1.2 kg/m3, whatever the air of the day was."""
    drives = []
    for k, d in enumerate(jets):
        density = rng.uniform(1.12, 1.26)
        level = math.log(12.3) + offset + exponent * math.log(d / 1.1) + 0.5 * math.log(density / 1.2)
        level += rng.normal(0, scatter) + math.log(14.7 / stoich)
        some = [v for v in bands if rng.random() < 0.8] or [bands[0]]
        pulls = tuple(
            Pull(v, math.exp(level + slope * (v - 13.4) / 4.5 + rng.normal(0, noise)), noise * 12.3) for v in some
        )
        drives.append(Tried(f"drive {k}", d, others, pulls, density, stoich))
    return drives


def test_one_jet_gives_the_area_rule() -> None:
    law = response(history(np.random.default_rng(1), [1.1, 1.1, 1.1]))
    assert law.source == "area rule"
    assert law.exponent == -2
    assert "only one jet" in law.says


def test_jets_that_came_with_other_parts_tell_nothing() -> None:
    rng = np.random.default_rng(2)
    law = response(history(rng, [1.1, 1.1], others="short") + history(rng, [1.05], others="long"))
    assert law.source == "area rule"
    assert "other changed parts" in law.says


def test_a_history_that_makes_no_sense_is_not_followed() -> None:
    law = response(history(np.random.default_rng(3), [1.05] * 4 + [1.15] * 4, exponent=+0.5))
    assert law.source == "area rule"
    assert "cannot be right" in law.says


def test_a_vague_history_gives_way_to_the_rule() -> None:
    law = response(history(np.random.default_rng(3), [1.09, 1.10], scatter=0.02))
    assert law.source == "area rule"
    assert "less certain" in law.says


def check_coverage(seeds: int) -> None:
    inside, errors = 0, []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        exponent = rng.uniform(-2.4, -1.4)
        law = response(history(rng, [1.0, 1.05, 1.1, 1.1, 1.15, 1.2, 1.0, 1.2], exponent))
        assert law.source == "this car's history"
        inside += law.low <= exponent <= law.high
        errors.append(law.exponent - exponent)
    assert abs(np.mean(errors)) < 3 * np.std(errors) / math.sqrt(seeds) + 0.005
    share = inside / seeds
    assert 0.91 - 1.5 / math.sqrt(seeds) * 0.2 <= share, share


def test_the_fitted_response_holds_the_truth() -> None:
    check_coverage(60)


@pytest.mark.long
def test_the_fitted_response_holds_the_truth_over_many_histories() -> None:
    check_coverage(600)


def test_drives_through_other_speeds_stand_together() -> None:
    # The car is leaner the faster it goes; one drive pulled slow, the other fast; a third ties the speeds.
    slow, fast = Pull(8.9, 12.0, 0.02), Pull(17.9, 13.0, 0.02)
    tied = Tried("both", 1.1, "x", (slow, fast), 1.2, 14.7)
    level, _ = levels([replace(tied, drive="a", pulls=(slow,)), replace(tied, drive="b", pulls=(fast,)), tied])
    assert level == pytest.approx([level[2]] * 3, abs=1e-6)


def test_weather_and_fuel_are_taken_off() -> None:
    base = Tried("a", 1.1, "x", (Pull(8.9, 12.0, 0.01),), 1.2, 14.7)
    thin = replace(base, drive="b", density_kg_per_m3=1.0, pulls=(Pull(8.9, 12.0 * math.sqrt(1.0 / 1.2), 0.01),))
    # At the same mass of air to fuel, E10 shows more lambda: 14.7 / 14.1.
    e10 = replace(base, drive="c", stoich_afr=14.1, pulls=(Pull(8.9, 12.0 * 14.7 / 14.1, 0.01),))
    level, _ = levels([base, thin, e10])
    assert level == pytest.approx([level[0]] * 3, abs=1e-6)


def test_unknown_air_widens() -> None:
    base = Tried("a", 1.1, "x", (Pull(8.9, 12.0, 0.01),), 1.2, 14.7)
    _, known = levels([base])
    _, unknown = levels([replace(base, density_kg_per_m3=math.nan)])
    assert unknown[0] > known[0]


def test_present_follows_the_air_to_come() -> None:
    rng = np.random.default_rng(4)
    drives = history(rng, [1.1] * 6)
    law = response(drives)
    same = present(drives, drives[-1], law, density_kg_per_m3=1.2)
    thin = present(drives, drives[-1], law, density_kg_per_m3=1.0)
    assert same.value == pytest.approx(12.3, abs=0.1)
    assert same.low < 12.3 < same.high
    assert thin.value / same.value == pytest.approx(math.sqrt(1 / 1.2))
    assert same.drives == 6


def now(value: float, sigma: float = 0.05, diameter: float = 1.1) -> Present:
    return Present(diameter, value, sigma, value - 2 * sigma, value + 2 * sigma, 1.2, 3, None)


def test_in_the_window_the_jet_stays() -> None:
    advice = advise(now(12.25), RULE, number_drills(), AIR_COOLED, 0.6)
    assert advice.verdict == "keep"
    assert advice.choice is None


@pytest.mark.parametrize("value", [9.5, 10.5, 11.2, 11.6, 11.9, 11.99])
@pytest.mark.parametrize("limit", [0.2, 0.4, 0.6])
def test_never_leaner_in_one_step_than_the_limit(value: float, limit: float) -> None:
    jets = [*number_drills(), *metric_jets(0.01, 0.8, 1.4)]
    advice = advise(now(value), RULE, jets, AIR_COOLED, limit)
    for e in advice.expected:
        if e.change > limit or (e.change > 0 and (e.value > AIR_COOLED.high or e.chance_lean > MAX_LEAN_RISK)):
            assert not e.allowed
            assert e.why_not
    if advice.choice is not None:
        assert 0 < advice.choice.change < advice.choice.step_high <= limit
        assert advice.choice.value <= AIR_COOLED.high
        assert advice.choice.chance_lean <= MAX_LEAN_RISK


def test_far_too_rich_goes_by_steps() -> None:
    advice = advise(now(9.8), RULE, metric_jets(0.01, 0.8, 1.4), AIR_COOLED, 0.5)
    assert advice.verdict == "change"
    assert advice.choice is not None
    # As much as holes and response allow, so that the real step is within the limit in 95 of 100.
    assert advice.choice.change > 0.1 and 0.3 < advice.choice.step_high <= 0.5
    assert "first step" in advice.says


def test_lean_goes_richer_at_once() -> None:
    advice = advise(now(13.6), RULE, metric_jets(0.05, 0.8, 1.4), AIR_COOLED, 0.3)
    assert advice.verdict == "change"
    assert advice.choice is not None
    assert advice.choice.jet.diameter_mm > 1.1
    assert AIR_COOLED.low <= advice.choice.value <= AIR_COOLED.high


def test_nothing_to_be_had_is_said() -> None:
    advice = advise(
        now(11.6), RULE, [Jet("100", 1.0, 0.005, "owned"), Jet("120", 1.2, 0.005, "owned")], AIR_COOLED, 0.4
    )
    assert advice.verdict == "none to be had"
    assert "smaller" in advice.says


def test_wanted_diameter_undoes_the_law() -> None:
    wanted = diameter_for(11.5, 12.25, 1.1, -1.7)
    assert 11.5 * (wanted / 1.1) ** -1.7 == pytest.approx(12.25)
    assert wanted < 1.1


def test_expectation_tells_how_sure() -> None:
    tight = advise(now(11.8, 0.01), replace(RULE, sigma=0.05, scatter=0.001), number_drills(), AIR_COOLED, 0.6)
    loose = advise(now(11.8, 0.2), replace(RULE, sigma=0.5, scatter=SCATTER), number_drills(), AIR_COOLED, 0.6)
    for a, b in zip(tight.expected, loose.expected, strict=True):
        assert a.high - a.low < b.high - b.low
        assert 0 <= a.chance_in + a.chance_lean <= 1 + 1e-9


def test_near_jets_of_each_kind() -> None:
    chosen = near([*number_drills(), *metric_jets(0.05, 0.5, 2.0)], [1.09, 1.12], count=1)
    assert [j.name for j in chosen] == ["No. 56", "1.15 mm", "1.10 mm", "No. 57", "No. 58", "1.05 mm"]


def test_real_steps_are_within_the_limit_and_the_leanest_band_within_its_chance() -> None:
    """With a limit on the expected step alone, real steps passed 0.6 AFR in 112 of 626 seasons (worst 1.29), and the
    leanest band ended beyond the window in 15 % against 3 % stated. Here the truth is drawn: the exponent as vague as
    the rule is, both holes within their tolerance."""
    rng = np.random.default_rng(31)
    jets = [
        *number_drills(),
        *metric_jets(0.05, 0.8, 1.4),
        *(Jet(f"{k}", 1.0 + 0.01 * k, 0.005, "owned") for k in range(15)),
    ]
    steps, lean, stated = [], [], []
    for _ in range(600):
        exponent, hole = rng.normal(-2.0, 0.2), 1.1 + rng.normal(0, 0.005)
        level = rng.uniform(10.6, 11.95)
        bands = level * (1 + np.array([-0.012, 0.0, 0.012]) * rng.uniform(0.5, 1.5))
        shown = tuple(Pull(9.0 + 4 * k, v * (1 + rng.normal(0, 0.003)), 0.003 * v) for k, v in enumerate(bands))
        tried = Tried("d", 1.1, "as it is", shown, 1.2, 14.7)
        found = present([tried], tried, RULE)
        advice = advise(found, RULE, near(jets, [1.0, 1.1]), AIR_COOLED, 0.6)
        if advice.choice is None:
            continue
        jet = advice.choice.jet
        real = jet.diameter_mm + rng.normal(0, jet.sigma_mm)
        gain = (real / hole) ** exponent
        steps.append(level * (gain - 1))
        lean.append(bands.max() * gain * (1 + rng.normal(0, RULE.scatter)) > AIR_COOLED.high)
        stated.append(advice.choice.chance_lean)
    assert len(steps) > 200
    assert np.mean(np.array(steps) > 0.6) < 0.05 and max(steps) < 0.9
    assert np.mean(lean) <= np.mean(stated) + 0.03


def test_the_present_hole_and_the_leanest_speeds_are_in_what_is_expected_of_a_jet() -> None:
    """The hole that is in now varies as the new one does; lean is told of the leanest speeds, not of their mean."""

    def expected(leaning: float, hole_mm: float) -> Expected:
        shown = tuple(Pull(9.0 + 4 * k, 11.5 * (1 + leaning * (k - 1)), 0.03) for k in range(3))
        tried = Tried("d", 1.1, "as it is", shown, 1.2, 14.7)
        found = present([tried], tried, RULE, hole_sigma_mm=hole_mm)
        (one,) = advise(found, RULE, [Jet("1.07", 1.07, 0.005, "owned")], AIR_COOLED, 0.6).expected
        return one

    even, leaning, rough = expected(0.0, 0.005), expected(0.012, 0.005), expected(0.0, 0.015)
    assert even.value == pytest.approx(leaning.value, rel=1e-3)
    assert leaning.chance_lean > 1.5 * even.chance_lean > 0
    more = 1.645 * even.value * 2.0 / 1.1  # a share of the diameter twice is a share of AFR: the area rule
    now, then = even.step_high - even.change, rough.step_high - rough.change
    assert then**2 - now**2 == pytest.approx(more**2 * (0.015**2 - 0.005**2), rel=0.02)


def test_the_sensors_offset_is_in_the_interval_and_a_free_air_check_halves_it() -> None:
    """At 0.3 AFR of offset "95 %" held 49 %."""
    drives = history(np.random.default_rng(32), [1.1] * 4)
    law = response(drives)
    blind, checked = (present(drives, drives[-1], law, sensor_share=share) for share in (SENSOR_SHARE, CHECKED_SHARE))
    assert blind.sigma == checked.sigma and blind.sensor_sigma == pytest.approx(2 * checked.sensor_sigma)
    assert blind.low < blind.value - 0.45 and blind.high > blind.value + 0.45
    held = 0
    for number in range(300):
        rng = np.random.default_rng([33, number])
        offset = rng.normal(0, 0.3 / 14.7)
        some = history(rng, [1.1] * 3, offset=offset)
        found = present(some, some[-1], response(some), density_kg_per_m3=1.2)
        held += found.low < 12.3 < found.high
    assert held >= 0.93 * 300
