"""Wheel power from runs, its band; predictions against the simulator that really makes the change."""

from __future__ import annotations

import dataclasses
import math
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from airfield import Road
from hilly_lap import HillyLap
from made_drives import START, make_drive
from made_road import CAR_FILE
from run_verb import run_verb
from simulate import (
    WREN,
    Brake,
    Car,
    Cruise,
    Phase,
    Pull,
    Stand,
    Turn,
    drive,
    receive,
    tuned,
)

from analysis.answers.learned_slopes import LearnedSlopesAnswer, power_slopes_sentence
from analysis.conditions.roadload import RoadLoad, of
from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.road import wheel_power
from analysis.road.coasts import Mass
from analysis.road.prediction import Changes, Vehicle, cruise_fuel, predict, top_speed
from analysis.road.wheel_power import RunPower, WheelCurve
from analysis.runs import finding
from logger.config.car import CarConfig, Gearing, Tyres
from logger.config.reading import load, parse
from logger.errors import ConfigError, NoAnswer

MASS = Mass(392, 4, 16, 4)
ROAD = RoadLoad(55 / 392, 0.0, 0.36 / 392, 16 / 392, "known")
VAGUE = dataclasses.replace(
    ROAD, covariance=(((0.3 * 55 / 392) ** 2, 0, 0), (0, 0, 0), (0, 0, (0.25 * 0.36 / 392) ** 2))
)
SPEEDS = np.arange(4.0, 24.0, 1.0)


def there_and_back(count: int, both: bool = True) -> list[Phase]:
    script: list[Phase] = [Stand(8)]
    for _ in range(count):
        script += [Stand(5), Pull(24), Brake(0, 2.5), Stand(3), *([Turn()] if both else [])]
    return [*script, Stand(4)]


def pulls_of(
    car: Car, script: list[Phase], seed: int, *, road: RoadLoad = ROAD, mass: Mass = MASS, way: Road | None = None,
    force: float = 1.0, noise_mps: float = 0.05, headwind: float = 0.0, **more: object,
) -> list[RunPower]:  # fmt: skip
    truth = drive(car, script, way or Road(), seed=seed, force_scale=force, headwind_mps=headwind)
    got = receive(truth, np.random.default_rng(seed), noise_mps=noise_mps)
    fixes, _ = clean(Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg))
    motion = smoother.smooth(fixes)
    found = [run for run in finding.find(motion, fixes) if run.clean]
    return [wheel_power.pull(motion, run, road, mass, SPEEDS, **more) for run in found]  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def wren() -> list[RunPower]:
    return pulls_of(WREN, there_and_back(4), 1)


@pytest.fixture(scope="module")
def curve(wren: list[RunPower]) -> WheelCurve:
    return wheel_power.wheel_curve(wren, MASS, ROAD)


def truth_at(speed_mps: np.ndarray) -> np.ndarray:
    return np.minimum(WREN.force_n * speed_mps, WREN.power_w)


# --- the curve ----------------------------------------------------------------------------------------------------


def test_wheel_power_is_the_simulated_one(curve: WheelCurve) -> None:
    away_from_the_corner = np.abs(curve.speed_mps - WREN.power_w / WREN.force_n) > 2
    off = curve.power_w / truth_at(curve.speed_mps) - 1
    print(f"\nworst {100 * np.abs(off[away_from_the_corner]).max():.2f} %")
    assert np.abs(off[away_from_the_corner]).max() < 0.02
    assert np.abs(off).max() < 0.05, "the sharp corner of the simulated engine is rounded"
    assert curve.force_n == pytest.approx(curve.power_w / curve.speed_mps)
    assert set(curve.runs.tolist()) == {4}


def test_the_band_holds_the_truth_and_names_its_causes(curve: WheelCurve) -> None:
    inside = (curve.low_w <= truth_at(curve.speed_mps)) & (truth_at(curve.speed_mps) <= curve.high_w)
    assert inside[np.abs(curve.speed_mps - 10.4) > 2].mean() > 0.9
    assert set(curve.shares) == {"run to run", "mass", "road load", "wind", "slope"}
    assert curve.sigma_w == pytest.approx(np.sqrt(sum(share**2 for share in curve.shares.values())))


def test_mass_road_load_wind_and_slope_make_it_less_sure(wren: list[RunPower]) -> None:
    exact = wheel_power.wheel_curve(
        wren, dataclasses.replace(MASS, mass_sigma_kg=0, rotating_sigma_kg=0), ROAD, wind_stated=True
    )
    heavy = wheel_power.wheel_curve(wren, dataclasses.replace(MASS, mass_sigma_kg=40), ROAD, wind_stated=True)
    guess = wheel_power.wheel_curve(wren, MASS, VAGUE, wind_stated=True)
    breezy = wheel_power.wheel_curve(wren, MASS, ROAD)
    best = exact.best
    assert heavy.sigma_w[best] > 2 * exact.sigma_w[best]
    assert guess.sigma_w[best] > exact.sigma_w[best]
    assert breezy.shares["wind"][best] > exact.shares["wind"][best]
    one_way = wheel_power.wheel_curve([each for each in wren if abs(each.direction_deg - 68) < 90], MASS, ROAD)
    assert one_way.balance > 0.9
    assert exact.balance < 0.1
    assert one_way.shares["slope"][best] > 5 * exact.shares["slope"][best]


def test_a_slope_is_taken_off_where_all_runs_go_up_it() -> None:
    from made_coasts import Slope

    up = pulls_of(WREN, there_and_back(2, both=False), 3, way=Slope(slope=0.01))
    assert len(up) == 2
    levelled = wheel_power.wheel_curve(up, MASS, ROAD)
    raw = np.nanmean([each.power_w for each in up], axis=0)
    i = levelled.best
    climb = 392 * 9.80665 * 0.01 * levelled.speed_mps[i]
    assert levelled.power_w[i] > raw[np.isfinite(raw)][i]
    assert abs(levelled.power_w[i] - 10_200) < max(2 * levelled.sigma_w[i], 0.5 * climb)


def test_a_stated_headwind_is_taken_off() -> None:
    calm = pulls_of(WREN, there_and_back(2, both=False), 4)
    blown = pulls_of(WREN, there_and_back(2, both=False), 4, headwind=3.0, headwind_mps=3.0)
    told, silent = (np.nanmean([each.power_w[SPEEDS == 20] for each in side]) for side in (blown, calm))
    assert told == pytest.approx(silent, rel=0.01)


def test_gear_changes_leave_a_hole_and_not_a_dent() -> None:
    script: list[Phase] = [Stand(8), Pull(24, shifts=(13.0,), shift_s=0.6), Brake(0), Stand(5)]
    found = pulls_of(WREN, script, 5)[0]
    assert np.isnan(found.power_w[SPEEDS == 13]).all()
    assert found.power_w[SPEEDS == 19][0] == pytest.approx(10_200, rel=0.04)


def test_nothing_to_tell_a_power_is_refused() -> None:
    with pytest.raises(NoAnswer, match="no run shows the power"):
        wheel_power.wheel_curve([], MASS, ROAD)


def test_correction_is_by_run(wren: list[RunPower]) -> None:
    factors = [1.0, 1.02, 1.0, 1.02]
    corrected = [dataclasses.replace(each, factor=f) for each, f in zip(wren, factors, strict=True)]
    curve = wheel_power.wheel_curve(corrected, MASS, ROAD)
    assert curve.corrected_w == pytest.approx(1.01 * curve.power_w, rel=2e-3)
    assert np.isnan(wheel_power.wheel_curve([*corrected[:3], wren[3]], MASS, ROAD).corrected_w).all()


# --- engine speed -------------------------------------------------------------------------------------------------


def test_engine_speed_recorded_or_worked_out_or_not_known() -> None:
    tyres, direct = Tyres(circumference_m=1.6), Gearing(final_ratio=4.0, gears=[1.0])
    script: list[Phase] = [Stand(8), Pull(24), Brake(0), Stand(4)]
    worked = pulls_of(WREN, script, 6, gearing=direct, tyres=tyres)[0].engine_rpm
    known = np.isfinite(worked)
    assert worked[known] == pytest.approx(SPEEDS[known] / 1.6 * 60 * 4.0)
    recorded = pulls_of(WREN, script, 6, engine_speed=(np.array([0.0, 100.0]), np.array([3000.0, 3000.0])))[
        0
    ].engine_rpm
    assert recorded[np.isfinite(recorded)] == pytest.approx(3000)
    assert np.isnan(pulls_of(WREN, script, 6)[0].engine_rpm).all()
    belt = Gearing(final_ratio=6.3, belt_low=2.9, belt_high=0.82)
    assert np.isnan(pulls_of(WREN, script, 6, gearing=belt, tyres=tyres)[0].engine_rpm).all()
    limits = wheel_power.belt_limits([20.0], belt, Tyres(circumference_m=1.58))
    assert limits is not None
    assert limits[0][0] == pytest.approx(20 / 1.58 * 60 * 6.3 * 0.82)
    assert limits[1][0] == pytest.approx(20 / 1.58 * 60 * 6.3 * 2.9)
    assert wheel_power.belt_limits([20.0], direct, tyres) is None


def test_engine_speed_follows_the_gears_through_a_change() -> None:
    script: list[Phase] = [Stand(8), Pull(24, shifts=(12.0,), shift_s=0.6), Brake(0), Stand(4)]
    gears = Gearing(final_ratio=4.0, gears=[2.0, 1.0])
    rpm = pulls_of(WREN, script, 7, gearing=gears, tyres=Tyres(circumference_m=1.6))[0].engine_rpm
    assert rpm[SPEEDS == 7][0] == pytest.approx(7 / 1.6 * 60 * 8)
    assert rpm[SPEEDS == 19][0] == pytest.approx(19 / 1.6 * 60 * 4)


# --- predictions --------------------------------------------------------------------------------------------------


def true_time(car: Car, to_mps: float) -> float:
    return drive(car, [Stand(1), Pull(24)]).runs[0].time_to(to_mps)


@pytest.mark.parametrize(
    ("changes", "car"),
    [
        (Changes(mass_kg=-40), tuned(WREN, mass_kg=352, a_n=55 * 352 / 392)),
        (Changes(mass_kg=60), tuned(WREN, mass_kg=452, a_n=55 * 452 / 392)),
        (Changes(drag=0.8), tuned(WREN, c_n_per_mps2=0.8 * 0.36)),
        (Changes(rolling=1.3), tuned(WREN, a_n=1.3 * 55)),
        (Changes(power=1.1), tuned(WREN, power_w=1.1 * WREN.power_w, force_n=1.1 * WREN.force_n)),
    ],
    ids=["lighter", "heavier", "slippery", "draggy tyres", "stronger"],
)
def test_predictions_come_true_in_the_simulator(curve: WheelCurve, changes: Changes, car: Car) -> None:
    before = true_time(WREN, 22.35)
    foretold = predict(curve, MASS, ROAD, changes, {22.35: before})
    true_change = true_time(car, 22.35) - before
    print(f"\nforetold {foretold.times[0].change_s:+.3f} s, true {true_change:+.3f} s")
    assert foretold.times[0].change_s == pytest.approx(true_change, rel=0.05, abs=0.02)
    assert foretold.times[0].after_s == pytest.approx(before + foretold.times[0].change_s)
    top = top_speed(
        SPEEDS, truth_at(SPEEDS), Vehicle(car.mass_kg, 16, car.a_n, 0, car.c_n_per_mps2), Changes(power=changes.power)
    )
    assert foretold.top_after_mps == pytest.approx(top, rel=0.02)


def test_no_change_changes_nothing(curve: WheelCurve) -> None:
    same = predict(curve, MASS, ROAD, Changes(), {15.0: 8.0, 22.0: 15.0})
    assert [time.change_s for time in same.times] == [0.0, 0.0]
    assert same.top_after_mps == same.top_before_mps
    assert any("above the" in said for said in same.assumptions)


def test_a_car_too_heavy_never_gets_there(curve: WheelCurve) -> None:
    slow = predict(curve, MASS, ROAD, Changes(drag=4.0), {22.0: 15.0})
    assert math.isinf(slow.times[0].after_s)


def test_gearing_is_foretold_for_one_fixed_ratio_only(curve: WheelCurve) -> None:
    direct = Gearing(final_ratio=4.0, gears=[1.0])
    short = predict(curve, MASS, ROAD, Changes(gearing=1.1), {15.0: 8.0}, direct)
    assert short.times[0].change_s < 0, "the simulated engine has more force low down, where a shorter gear lifts it"
    for gearing, words in (
        (Gearing(belt_low=2.9, belt_high=0.8), "the belt sets its own ratio"),
        (None, r"no \[gearing\]"),
        (Gearing(gears=[2.0, 1.0]), "more than one gear"),
    ):
        with pytest.raises(NoAnswer, match=words):
            predict(curve, MASS, ROAD, Changes(gearing=1.1), {15.0: 8.0}, gearing)


def test_cruise_fuel_lies_between_its_ends() -> None:
    car = Vehicle.of(MASS, ROAD)
    slippery = Changes(drag=0.9).on(car)
    alone = cruise_fuel(car, slippery, 20.0)
    assert alone.most == pytest.approx(-0.1 * 0.36 * 400 / (55 + 0.36 * 400))
    assert alone.least == pytest.approx(alone.most / 2)
    loop = cruise_fuel(car, slippery, 20.0, 5.0e-8)
    assert loop.most < loop.least < 0
    assert loop.least == pytest.approx(-0.1 * 0.36 * 400 / 0.28 / (5.0e-8 * 32.0e9))
    draggy = cruise_fuel(car, Changes(drag=1.1).on(car), 20.0, 5.0e-8)
    assert 0 < draggy.least < draggy.most


# --- the car's file -----------------------------------------------------------------------------------------------

SMALLEST = '[car]\nname = "X"\nmass_kg = 400\ncooling = "air"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[gearing]\ngears = [1.0, 2.0]\n", "list gears from the lowest gear"),
        ("[gearing]\ngears = [1.0]\nbelt_low = 3\nbelt_high = 1\n", "not both"),
        ("[gearing]\nbelt_low = 3\n", "a belt needs both belt_low and belt_high"),
        ("[gearing]\nbelt_low = 0.8\nbelt_high = 2.9\n", "belt_low (pulling away) must be above belt_high"),
        ("[gearing]\nfinal_ratio = -4\n", "gearing.final_ratio: found -4"),
        ("[tyres]\ncircumference_m = 16\n", "tyres.circumference_m: found 16"),
        ("[tyres]\ncircumfrence_m = 1.6\n", "did you mean 'circumference_m'?"),
        ("[road_load]\na_n = 50\n", "road_load.c_n_per_mps2: this key is needed and is missing"),
        (
            "[road_load]\nc_n_per_mps2 = -1\na_n = 1\nmass_kg = 1\nair_density_kg_per_m3 = 1\n",
            "road_load.c_n_per_mps2: found -1",
        ),
        ("[fuel]\ndensity_kg_per_m3 = 0.745\n", "fuel.density_kg_per_m3: found 0.745"),
    ],
)
def test_a_wrong_car_file_is_told_in_one_line(text: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse(SMALLEST + text, CarConfig, "car.toml")
    assert words in str(caught.value) and "\n" not in str(caught.value)


def test_all_but_the_car_itself_may_be_left_out() -> None:
    car = parse(SMALLEST, CarConfig, "car.toml")
    assert car.gearing is None and car.road_load is None and car.tyres.circumference_m is None
    assert "guess" in of(car).source


def test_measured_road_load_goes_with_mass_and_density() -> None:
    text = (
        "[road_load]\na_n = 50\na_sigma_n = 2\nc_n_per_mps2 = 0.4\nc_sigma_n_per_mps2 = 0.01\nac_correlation = -0.5\n"
    )
    car = parse(SMALLEST + text + "air_density_kg_per_m3 = 1.2\nmass_kg = 200\n", CarConfig, "car.toml")
    road = of(car, 1.1)
    assert 400 * road.at(0.0) == pytest.approx(100), "twice the mass rolls twice as hard"
    assert 400 * (road.at(20.0) - road.at(0.0)) == pytest.approx(0.4 * 400 * 1.1 / 1.2)
    a, c = 4.0, 0.01 * 400 * 1.1 / 1.2
    assert 400 * road.sigma(20.0) == pytest.approx(math.sqrt(a * a + c * c - a * c))


# --- slopes that all passes tell ----------------------------------------------------------------------------------


def test_a_learned_slope_is_taken_off_whole_and_its_doubt_is_what_is_left() -> None:
    """By closed form, where all runs went one way; where both ways were driven it cancels and is left alone."""
    from made_coasts import Slope

    up = pulls_of(WREN, there_and_back(2, both=False), 3, way=Slope(slope=0.01))
    learned = [dataclasses.replace(each, slope=0.01, slope_sigma=0.002, passes=5) for each in up]
    told = wheel_power.wheel_curve(learned, MASS, ROAD)
    raw = np.nanmean([each.power_w for each in up], axis=0)
    raw = raw[np.isfinite(raw)]
    assert told.power_w == pytest.approx(raw + 392 * 9.80665 * 0.01 * told.speed_mps, rel=1e-9)
    assert told.shares["slope"] == pytest.approx(392 * 9.80665 * 0.002 * told.speed_mps, rel=1e-9)
    best = told.best
    assert abs(told.power_w[best] - 10_200) < 2 * told.sigma_w[best]
    both = pulls_of(WREN, there_and_back(2), 3)
    steep = [[dataclasses.replace(each, slope=0.05, slope_sigma=0.001, passes=n) for each in both] for n in (0, 5)]
    curves = [wheel_power.wheel_curve(each, MASS, ROAD).power_w for each in steep]
    assert curves[0] == pytest.approx(curves[1], rel=1e-12)


@pytest.mark.parametrize(("percent", "taken"), [(0.2, True), (0.9, False)])
def test_the_better_known_of_two_grades_is_taken(percent: float, taken: bool) -> None:
    from analysis.road.slopes import LearnedGrade

    [one] = pulls_of(WREN, there_and_back(1, both=False), 3, learned=LearnedGrade(1.5, percent, 4))
    [alone] = pulls_of(WREN, there_and_back(1, both=False), 3)
    assert 0.2 < 100 * alone.slope_sigma < 0.9
    assert (one.slope, one.slope_sigma, one.passes) == (
        (0.015, percent / 100, 4) if taken else (alone.slope, alone.slope_sigma, 0)
    )


def test_the_command_says_from_how_many_passes_the_slope_is(tmp_path: Path) -> None:
    car = load(CAR_FILE, CarConfig)
    start: list[Phase] = [Stand(15), Pull(21), Brake(0), Stand(8)]
    lap: list[Phase] = [Stand(15), Pull(13), Cruise(13, 215), Brake(0), Stand(8)]
    road = HillyLap()
    first, _ = make_drive(tmp_path, start, seed=9, road=road, car=car)
    for k in range(1, 6):
        make_drive(tmp_path, lap, seed=k, road=road, car=car, start=START + timedelta(hours=k))
    last, _ = make_drive(tmp_path, start, seed=10, road=road, car=car, start=START + timedelta(hours=8))
    [alone], [told] = (run_verb(tmp_path, "power", each.id, "--json").json["setups"] for each in (first, last))
    assert alone["slopes"] is None and alone["one_sided"]
    slopes = told["slopes"]
    assert slopes["share"] == 1.0 and slopes["passes_least"] >= 5 and 0 < slopes["sigma"] < 0.006
    words = " ".join(run_verb(tmp_path, "power", last.id).out.split())
    assert f"The slope under the runs is taken off, from the altitude of {slopes['passes_least']}" in words
    assert power_slopes_sentence(LearnedSlopesAnswer(**slopes)) in words
    fast = [row for row in told["curve"] if 13 < row["speed_mps"] < 19]
    assert fast and all(row["low_w"] < WREN.power_w < row["high_w"] for row in fast)
    for row in told["curve"]:
        doubt = told["mass_kg"] * 9.80665 * slopes["sigma"] * row["speed_mps"]
        assert row["sigma_by_cause_w"]["slope"] == pytest.approx(doubt, rel=1e-6)
