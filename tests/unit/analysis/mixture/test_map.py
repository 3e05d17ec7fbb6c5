"""The mixture map: delay, masks, load, cells, targets and change, on drives of known truth."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import simulate
from numpy.typing import NDArray

from analysis.conditions.roadload import AIR_KG_PER_M3, GRAVITY, RoadLoad, envelope, guessed, tractive_acceleration
from analysis.mixture.delay import Delay, lagged
from analysis.mixture.engine_load import GRID_S, Driving, grade_from_altitude, on_grid
from analysis.mixture.map import (
    Judgement,
    Regime,
    Window,
    circuit,
    difference,
    judge,
    load_axis,
    mixture_map,
)
from analysis.mixture.masks import Readings
from analysis.mixture.medians import Statistics
from logger.config.car import Car
from logger.config.reading import load
from logger.config.setup import JetsConfig
from logger.config.targets import TargetsConfig
from logger.errors import InputError

Floats = NDArray[np.float64]
TARGETS = TargetsConfig()
CONFIGS = Path(__file__).parents[4] / "configs"
WREN_ROAD = RoadLoad(55 / 392, 0.0, 0.36 / 392, 16 / 392, "truth")
EXACT = Delay(0.4, 0.2, told_apart=True)


# --- closed forms: a state that is known, readings made from it ---------------------------------------------------


def known_state(share: Floats, speed: Floats, **channels: Floats) -> Driving:
    """A state with the given load share at every grid time, on an envelope of 2 m/s2 at all speeds."""
    n = len(share)
    grid = np.arange(n) * GRID_S
    most = replace(must(envelope(grid, np.full(n, 10.0), np.full(n, 2.0))))
    return Driving(grid, speed, 2.0 * share, share, np.full(n, 0.02), most, WREN_ROAD, channels)


def must(value: Any) -> Any:
    assert value is not None
    return value


def phases(*parts: tuple[float, float, float]) -> tuple[Floats, Floats]:
    """Share and speed from (seconds, share, speed) parts."""
    share = np.concatenate([np.full(round(s / GRID_S), a) for s, a, _ in parts])
    speed = np.concatenate([np.full(round(s / GRID_S), v) for s, _, v in parts])
    return share, speed


def read(state: Driving, afr: Floats, delay: Delay = EXACT, hz: float = 10.0, noise: float = 0.05) -> Readings:
    """Readings of `afr` (on the grid) through delay and lag."""
    rng = np.random.default_rng(0)
    t = np.arange(0.03, state.time_s[-1], 1 / hz)
    seen = np.interp(t - delay.delay_s, state.time_s, lagged(afr, delay.lag_s))
    return Readings(t, seen + rng.normal(0, noise, len(t)))


def by_share(share: Floats) -> Floats:
    """Richer the harder it pulls, lean on the overrun."""
    return np.where(share < -0.02, 17.0, np.interp(share, [0, 0.6, 0.85], [14.0, 13.4, 12.2]))


LADDER = phases(
    (20, 0.0, 0.0), (30, 0.1, 9.0), (30, 0.25, 9.0), (20, -0.3, 9.0), (30, 0.5, 16.0), (30, 0.7, 16.0), (30, 1.0, 16.0),
    (20, 0.25, 20.0), (15, 0.0, 0.0),
)  # fmt: skip


def test_cells_hold_what_the_engine_was_given() -> None:
    share, speed = LADDER
    state = known_state(share, speed)
    answer = mixture_map(read(state, by_share(share)), state, EXACT, TARGETS, "air")
    found = {(round(c.from_mps, 1), c.load_from): c for c in answer.cells if c.seconds > 5}
    wanted = {
        (8.9, 0.0): 0.1,
        (8.9, 0.15): 0.25,
        (13.4, 0.35): 0.5,
        (13.4, 0.6): 0.7,
        (13.4, 0.85): 1.0,
        (17.9, 0.15): 0.25,
    }
    assert set(found) == set(wanted)
    for key, at in wanted.items():
        assert found[key].median == pytest.approx(float(by_share(np.array(at))), abs=0.05)
        assert found[key].p10 < found[key].median < found[key].p90


def test_a_wrong_delay_spoils_what_the_right_one_keeps() -> None:
    share, speed = phases(*[(1.8, a, 16.0) for a in (0.3, 1.0) * 40])
    state = known_state(share, speed)
    readings = read(state, by_share(share))
    keep_all = TARGETS.model_copy(update={"masks": TARGETS.masks.model_copy(update={"step_share": 2.0})})

    def spread(delay: Delay) -> float:
        return sum(c.p90 - c.p10 for c in mixture_map(readings, state, delay, keep_all, "air").cells)

    assert spread(EXACT) < 0.8 * spread(Delay(1.3, 0.2, told_apart=True))


def test_seconds_of_masks_and_map_sum_to_the_drive() -> None:
    share, speed = LADDER
    state = known_state(share, speed)
    answer = mixture_map(read(state, by_share(share)), state, EXACT, TARGETS, "air")
    assert answer.kept_s + sum(m.seconds for m in answer.masks) == pytest.approx(answer.total_s)
    assert answer.kept_s == pytest.approx(sum(b.seconds for b in answer.bands))
    assert answer.kept_s == pytest.approx(sum(c.seconds for c in answer.cells))
    assert answer.total_s == pytest.approx(float(state.time_s[-1]), abs=0.2)


def mask_seconds(state: Driving, readings: Readings, targets: TargetsConfig = TARGETS) -> dict[str, float]:
    answer = mixture_map(readings, state, EXACT, targets, "air")
    return {mask.reason: mask.seconds for mask in answer.masks}


def test_each_mask_takes_its_own() -> None:
    share, speed = LADDER
    state = known_state(share, speed)
    readings = read(state, by_share(share))
    t = readings.time_s
    value, void = readings.value.copy(), np.full(len(t), "", dtype=object)
    void[(t > 60) & (t < 65)] = "status"
    value[(t > 60) & (t < 65)] = np.nan
    value[(t > 70) & (t < 74)] = 20.8
    took = mask_seconds(state, replace(readings, value=value, void=void))
    assert took["void: status"] == pytest.approx(5, abs=0.2)
    assert took["free air"] == pytest.approx(4, abs=0.2)
    assert took["overrun"] == pytest.approx(20, abs=0.3)
    assert took["standstill (kept as the idle row)"] == pytest.approx(35, abs=1.5)
    assert took["just after a step"] < 10


def test_warm_up_is_left_out_where_it_is_asked_for() -> None:
    share, speed = LADDER
    state = known_state(share, speed)
    warm = TARGETS.model_copy(update={"masks": TARGETS.masks.model_copy(update={"warm_up_s": 40.0})})
    assert mask_seconds(state, read(state, by_share(share)), warm)["warm-up"] == pytest.approx(40, abs=0.6)


def test_gear_changes_are_left_out_and_belt_drives_have_none() -> None:
    pull = [(4.0, 0.95, 15.0), (0.5, 0.05, 15.0)] * 8
    share, speed = phases((5, 0.3, 12.0), *pull, (5, 0.3, 12.0))
    state = known_state(share, speed)
    readings = read(state, by_share(share))
    assert mask_seconds(state, readings)["gear change"] > 8 * 0.4
    belt = TARGETS.model_copy(update={"masks": TARGETS.masks.model_copy(update={"gear_change_s": 0.0})})
    assert "gear change" not in mask_seconds(state, readings, belt)


def test_after_a_step_what_the_sensor_has_not_followed_is_left_out() -> None:
    share, speed = phases(*[(6.0, a, 16.0) for a in (0.3, 1.0) * 6])
    state = known_state(share, speed)
    took = mask_seconds(state, read(state, by_share(share)))
    assert took["just after a step"] == pytest.approx(11 * 3 * EXACT.lag_s, rel=0.4)


def test_where_the_receiver_was_blind_nothing_is_mapped() -> None:
    share, speed = LADDER
    speed = speed.copy()
    hole = slice(round(100 / GRID_S), round(120 / GRID_S))
    speed[hole] = np.nan
    state = known_state(np.where(np.isnan(speed), np.nan, share), speed)
    took = mask_seconds(state, read(state, by_share(share)))
    assert took["no speed at that time"] == pytest.approx(20, abs=2)


def test_standstill_is_the_idle_row_and_in_no_band() -> None:
    share, speed = phases((30, 0.0, 0.0), (30, 0.3, 12.0))
    state = known_state(share, speed)
    afr = np.where(speed < 1, 12.8, 13.6)
    answer = mixture_map(read(state, afr), state, EXACT, TARGETS, "air")
    idle = next(s for s in answer.summaries if s.regime is Regime.IDLE)
    assert idle.median == pytest.approx(12.8, abs=0.03)
    assert idle.seconds == pytest.approx(30, abs=1.5)
    assert {round(b.from_mps, 1) for b in answer.bands} == {8.9}


def test_a_band_of_two_kinds_of_driving_in_a_few_seconds_has_no_median_to_tell() -> None:
    """As much cruise as pull: the middle of the readings lies between, where the engine never was."""
    share, speed = phases(*[(9, 0.3, 16.0), (3, 1.0, 16.0)] * 15, (4, 0.3, 11.0), (4, 1.0, 11.0), (9, 0.3, 16.0))
    state = known_state(share, speed)
    answer = mixture_map(read(state, by_share(share)), state, EXACT, TARGETS, "air")
    mixed, plain = answer.bands
    assert 3 < mixed.seconds < 10
    assert not mixed.told
    assert mixed.p10 < 12.4
    assert mixed.p90 > 13.6
    assert plain.told
    assert plain.median == pytest.approx(13.7, abs=0.05)


def test_all_void_gives_an_empty_map() -> None:
    share, speed = LADDER
    state = known_state(share, speed)
    t = np.arange(0, 100, 0.1)
    answer = mixture_map(Readings(t, np.full(len(t), np.nan)), state, EXACT, TARGETS, "air")
    assert answer.cells == answer.bands == ()
    assert answer.kept_s == 0
    assert all(s.judgement is Judgement.UNKNOWN for s in answer.summaries)


# --- targets -------------------------------------------------------------------------------------------------------


def stats(median: float, low: float, high: float, seconds: float = 20, readings: int = 200) -> Statistics:
    one = [np.array([x]) for x in (median, median - 1, median + 1, (high - low) / 4, low, high)]
    return Statistics(np.array([float(seconds)]), np.array([readings]), *one)


@pytest.mark.parametrize(
    ("found", "judgement", "sure"),
    [
        (stats(12.25, 12.2, 12.3), Judgement.IN_BAND, True),
        (stats(12.8, 12.7, 12.9), Judgement.LEAN, True),
        (stats(11.0, 10.9, 11.1), Judgement.RICH, True),
        (stats(12.6, 12.4, 12.8), Judgement.LEAN, False),
        (stats(12.45, 12.3, 12.6), Judgement.IN_BAND, False),
        (stats(12.25, 11.9, 12.6), Judgement.UNKNOWN, False),
        (stats(13.5, 13.4, 13.6, seconds=2.5), Judgement.UNKNOWN, False),
        (stats(13.5, 13.4, 13.6, readings=11), Judgement.UNKNOWN, False),
        (stats(13.5, math.nan, math.nan), Judgement.UNKNOWN, False),
    ],
)
def test_judgement(found: Statistics, judgement: Judgement, sure: bool) -> None:
    assert judge(found, 0, Window(12.0, 12.5), 3, 12) == (judgement, sure)


def test_targets_in_lambda_on_any_scale_judge_alike() -> None:
    share, speed = LADDER
    state = known_state(share, speed)
    afr = read(state, by_share(share))
    by_lambda = TargetsConfig.model_validate(
        {
            "unit": "lambda",
            "air": {k: {"low": w["low"] / 14.7, "high": w["high"] / 14.7} for k, w in TARGETS.air.model_dump().items()},
        }
    )
    e10 = replace(afr, value=afr.value * 14.1 / 14.7, stoich_afr=14.1)
    as_lambda = replace(afr, value=afr.value / 14.7, channel="lambda")
    answers = [
        mixture_map(readings, state, EXACT, targets, "air")
        for readings in (afr, e10, as_lambda)
        for targets in (TARGETS, by_lambda)
    ]
    judged = [[(c.from_mps, c.load_from, c.judgement, c.sure) for c in a.cells] for a in answers]
    assert all(one == judged[0] for one in judged)
    assert {c.judgement for c in answers[0].cells} >= {Judgement.LEAN, Judgement.IN_BAND}


def test_water_cooling_has_its_own_windows() -> None:
    share, speed = LADDER
    state = known_state(share, speed)
    readings = read(state, by_share(share))
    for cooling, judgement in (("air", Judgement.IN_BAND), ("water", Judgement.RICH)):
        answer = mixture_map(readings, state, EXACT, TARGETS, cooling)  # type: ignore[arg-type]
        full = next(s for s in answer.summaries if s.regime is Regime.FULL)
        assert full.judgement is judgement, cooling


def test_far_too_rich_is_said() -> None:
    share, speed = phases((30, 1.0, 16.0), (30, 0.3, 16.0))
    state = known_state(share, speed)
    answer = mixture_map(read(state, np.where(share > 0.9, 9.8, 13.0)), state, EXACT, TARGETS, "air")
    assert any("far too rich" in note for note in answer.notes)


@pytest.mark.parametrize(("cooling", "harm"), [("air", "air-cooled"), ("water", "pistons")])
def test_lean_at_full_throttle_carries_a_caution(cooling: Any, harm: str) -> None:
    share, speed = phases((30, 1.0, 16.0), (30, 0.3, 16.0))
    state = known_state(share, speed)
    lean = mixture_map(read(state, np.where(share > 0.9, 14.2, 13.0)), state, EXACT, TARGETS, cooling)
    right = mixture_map(read(state, np.where(share > 0.9, 12.4, 13.0)), state, EXACT, TARGETS, cooling)
    assert [harm in note for note in lean.notes] == [True]
    assert not right.notes


def test_the_file_of_targets_holds_the_defaults_and_explains_each_key() -> None:
    assert load(CONFIGS / "targets.toml", TargetsConfig) == TargetsConfig()
    text = (CONFIGS / "targets.toml").read_text()

    def keys(model: Any) -> set[str]:
        found = set(model.model_fields)
        for field in model.model_fields.values():
            if hasattr(field.annotation, "model_fields"):
                found |= keys(field.annotation)
        return found

    for key in keys(TargetsConfig):
        assert key in text, key
    assert load(CONFIGS / "jets.toml", JetsConfig).jet


@pytest.mark.parametrize(
    ("share", "opening", "which"),
    [
        (0.05, math.nan, "idle"),
        (0.2, math.nan, "transition"),
        (0.5, math.nan, "main"),
        (0.9, 0.2, "transition"),
        (math.nan, math.nan, ""),
    ],
)
def test_circuits(share: float, opening: float, which: str) -> None:
    assert circuit(share, opening) == which


# --- load ----------------------------------------------------------------------------------------------------------


def test_the_owner_picks_the_load() -> None:
    share, speed = LADDER
    rpm = np.where(speed > 0, speed / 9.0 * 3000, 0.0)
    state = replace(known_state(share, speed, throttle=100 * np.clip(share, 0, 1), rpm=rpm), units={"throttle": "%"})
    readings = read(state, by_share(share))
    for name, unit in (
        ("share", "1"),
        ("acceleration", "m/s2"),
        ("throttle", "%"),
        ("speed_over_rpm", "m/s per 1000 rpm"),
    ):
        answer = mixture_map(readings, state, EXACT, TARGETS, "air", name)
        assert answer.load.unit == unit
        assert 1 <= len(answer.load.edges) - 1 <= 7
        assert answer.kept_s == pytest.approx(sum(c.seconds for c in answer.cells))
        again = mixture_map(readings, state, EXACT, TARGETS, "air", answer.load)
        assert repr(again.cells) == repr(answer.cells)


@pytest.mark.parametrize("name", ["boost", "speed_over_rpm"])
def test_a_load_that_is_not_there_is_said(name: str) -> None:
    share, speed = LADDER
    with pytest.raises(InputError, match="share, acceleration"):
        load_axis(known_state(share, speed), TARGETS, name)


def test_full_throttle_by_the_throttle_where_there_is_one() -> None:
    share, speed = phases((30, 0.95, 16.0), (30, 0.3, 16.0))
    throttle = np.concatenate([np.full(600, 60.0), np.full(600, 20.0)])
    throttle[300:310] = 100.0
    throttle[900:910] = 0.0
    state = replace(known_state(share, speed, throttle=throttle), travel=(0.0, 100.0))
    answer = mixture_map(read(state, by_share(share)), state, EXACT, TARGETS, "air")
    full = next(s for s in answer.summaries if s.regime is Regime.FULL)
    assert full.seconds < 2


def test_speeds_only_cruised_at_are_no_full_throttle() -> None:
    script = [simulate.Stand(3), simulate.Pull(16.0), simulate.Cruise(16.0, 20), simulate.Pull(22, throttle=0.6)]
    truth = simulate.drive(simulate.WREN, [*script, simulate.Cruise(22, 60)])
    grid = np.arange(0, truth.t_s[-1], GRID_S)
    most = must(
        envelope(grid, np.interp(grid, truth.t_s, truth.v_mps), np.interp(grid, truth.t_s, truth.wheel_n) / 392)
    )
    at = np.array([5.0, 10.0, 15.0, 21.0])
    true = np.array([simulate.WREN.wheel_force(v) for v in at]) / 392
    assert most.at(at) == pytest.approx(true, rel=0.06)
    assert not most.proven[-1]


def test_nothing_moved() -> None:
    grid = np.arange(0, 60, GRID_S)
    assert envelope(grid, np.zeros(len(grid)), np.zeros(len(grid))) is None


def test_tractive_acceleration_by_hand() -> None:
    road = RoadLoad(0.15, 0.001, 0.0008, 0.04, "")
    # 10 m/s, gaining 0.5 m/s2, up 3 %: 1.04 x 0.5 + g 0.03 / sqrt(1.0009) + 0.15 + 0.01 + 0.08.
    by_hand = 0.52 + GRAVITY * 0.03 / math.sqrt(1.0009) + 0.24
    assert tractive_acceleration(10.0, 0.5, road, 0.03) == pytest.approx(by_hand)
    assert tractive_acceleration(0.0, 0.0, road) == 0


def test_guesses_of_the_road_load() -> None:
    car = Car(
        name="x", mass_kg=400, frontal_area_m2=1.2, drag_coefficient=0.5, rolling_coefficient=0.014, cooling="air"
    )
    road = guessed(car)
    assert road.a_mps2 == pytest.approx(0.014 * GRAVITY)
    assert road.c_per_m == pytest.approx(0.5 * AIR_KG_PER_M3 * 0.6 / 400)
    assert guessed(None).source == "a guess for a small car"
    assert "guessed" in guessed(Car(name="x", mass_kg=400, cooling="air")).source


def test_grade_from_altitude() -> None:
    s = np.arange(0, 3000, 1.5)
    rng = np.random.default_rng(1)
    slope = grade_from_altitude(s, 50 + 0.03 * s + rng.normal(0, 0.8, len(s)))
    assert slope[200:-200] == pytest.approx(0.03, abs=0.004)
    assert np.isnan(grade_from_altitude(np.zeros(50), np.zeros(50))).all()


def test_channels_keep_their_gaps() -> None:
    grid = np.arange(0, 10, GRID_S)
    laid = on_grid([0.0, 1, 2, 7, 8], [1.0, 2, 3, 4, 5], grid)
    assert laid[grid == 1.5] == pytest.approx(2.5)
    assert np.isnan(laid[(grid > 2.1) & (grid < 6.9)]).all()
    assert np.isnan(laid[grid > 8.1]).all()


# --- change between drives -----------------------------------------------------------------------------------------


def test_change_is_called_where_there_is_one() -> None:
    share, speed = LADDER
    state = known_state(share, speed)
    first = mixture_map(read(state, by_share(share)), state, EXACT, TARGETS, "air")
    leaner = mixture_map(read(state, by_share(share) + 0.4 * (share > 0.9)), state, EXACT, TARGETS, "air")
    verdicts = {round(c.load_from, 2): c for c in difference(first, leaner) if round(c.from_mps, 1) == 13.4}
    assert verdicts[0.85].verdict == "leaner"
    assert verdicts[0.85].difference == pytest.approx(0.4, abs=0.05)
    assert verdicts[0.85].low < 0.4 < verdicts[0.85].high
    assert verdicts[0.6].verdict == "no change seen"
    assert {c.verdict for c in difference(leaner, first) if c.load_from == 0.85} == {"richer"}
