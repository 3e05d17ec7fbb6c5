"""The lean alert: by a recorded load or by GPS, on a simulated pull; and when it must keep quiet."""

from __future__ import annotations

import math
from collections import deque

import numpy as np
import pytest
import simulate

from analysis.conditions import roadload
from analysis.mixture.lean_alert import LeanWatch, lean_limit, slope
from analysis.mixture.strength import HardPull, Strength, full_pulls, pulls_of
from logger.config.car import CarConfig
from logger.config.recorder import RecorderSettings
from logger.config.targets import Target, Targets, TargetsConfig
from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record.live import Place

SECOND = 10**9
AFR = Place("mixture", 0, "afr")
LOAD = Place("board", 1, "map_kpa")
WREN = CarConfig.model_validate(
    {
        "car": {
            "name": "Wren", "mass_kg": 392, "cooling": "air",
            "rolling_coefficient": 0.0145, "frontal_area_m2": 1.15, "drag_coefficient": 0.52,
        }
    }
)  # fmt: skip


def fix(t_s: float, speed_mps: float | None, valid: bool = True) -> Fix:
    return Fix(round(t_s * SECOND), None, None, None, None, None, None, speed_mps, None, valid, *[None] * 5)


def play(watch: LeanWatch, script: list[simulate.Phase], afr: float) -> list[tuple[float, float, str]]:
    """The alerts along a simulated drive of the Wren at a constant mixture: (time, load, text)."""
    truth = simulate.drive(simulate.WREN, script)
    fixes = simulate.receive(truth, rng=np.random.default_rng(1))
    said = []
    for t, v in zip(fixes.t_s, fixes.speed_mps, strict=True):
        watch.on_fix("gps", fix(t, v))
        watch.on_reading("mixture", Reading(round(t * SECOND), (afr,), None))
        watch.on_tick(round(t * SECOND))
        load = float(np.interp(t, truth.t_s, np.nan_to_num(truth.throttle)))
        said.append((float(t), load, watch.alert))
    return said


def pull(
    mps2: float, w_per_kg: float, from_mps: float = 1.0, to_mps: float = 5.5, peak: float | None = None
) -> HardPull:
    """As a standing start shows it, if not said otherwise."""
    return HardPull(mps2, w_per_kg, from_mps, to_mps, mps2 if peak is None else peak)


KNOWN = (pull(2.3, 24.8),) * 5
"""What an outing of standing starts tells of the Wren (10.2 kW at the wheels, 408 kg with what rotates)."""


def test_a_lean_pull_alerts_and_a_lean_cruise_or_a_gentle_start_does_not() -> None:
    """The car's power is known from before: the first hard pull of the day rings, whatever came before it."""
    watch = LeanWatch(RecorderSettings(), 12.5, AFR, car=WREN, known=lambda: KNOWN)
    script = [
        simulate.Stand(3),
        simulate.Pull(9.0, throttle=0.5),
        simulate.Cruise(13.0, 20),
        simulate.Pull(25.0),
        simulate.Brake(0.0),
    ]
    said = play(watch, script, afr=14.0)
    gentle = [text for t, load, text in said if 0 < load < 0.55]
    pulling = [text for t, load, text in said if load > 0.98]
    assert len(gentle) > 100 and sum(map(bool, gentle)) < 0.1 * len(gentle)
    assert sum(map(bool, pulling)) > 0.5 * len(pulling)
    assert any("LEAN AT HIGH LOAD: 14.00 for" in text and "target up to 12.50" in text for text in pulling)


@pytest.mark.parametrize("power_kw", [None, 10.2])
def test_the_cars_file_is_enough_and_nothing_known_keeps_quiet_and_says_so(power_kw: float | None) -> None:
    told = {**WREN.model_dump(exclude_none=True)}
    told["car"] |= {} if power_kw is None else {"wheel_power_kw": power_kw}
    watch = LeanWatch(RecorderSettings(), 12.5, AFR, car=CarConfig.model_validate(told))
    said = play(watch, [simulate.Stand(3), simulate.Pull(25.0)], afr=14.0)
    assert any(text for *_, text in said) is (power_kw is not None)
    assert bool(watch.waiting) is (power_kw is None)
    assert "wheel_power_kw" in watch.waiting or power_kw is not None


def test_a_rich_pull_keeps_quiet() -> None:
    watch = LeanWatch(RecorderSettings(), 12.5, AFR, car=WREN, known=lambda: KNOWN)
    assert not any(text for _, _, text in play(watch, [simulate.Stand(3), simulate.Pull(24.0)], afr=12.2))


def test_before_the_first_hard_pull_nothing_is_known() -> None:
    watch, rng = LeanWatch(RecorderSettings(), 12.5, AFR, car=WREN), np.random.default_rng(3)
    for n in range(600):
        watch.on_fix("gps", fix(n / 10, 13.0 + rng.normal(0, 0.05)))
        watch.on_reading("mixture", Reading(n * SECOND // 10, (15.0,), None))
        watch.on_tick(n * SECOND // 10)
        assert watch.alert == ""


def step(watch: LeanWatch, t_s: float, afr: float, kpa: float) -> str:
    now = round(t_s * SECOND)
    watch.on_reading("board", Reading(now, (0.0, kpa), None))
    watch.on_reading("mixture", Reading(now, (afr,), None))
    watch.on_tick(now)
    return watch.alert


def test_by_a_recorded_load_after_the_set_time_and_until_it_is_well_again() -> None:
    watch = LeanWatch(RecorderSettings(load_channel="map_kpa", load_full=100.0, lean_alert_s=2.0), 12.5, AFR, LOAD)
    assert step(watch, 0.0, 14.0, 90) == ""
    assert step(watch, 1.9, 14.0, 90) == ""
    assert watch.spoken == ()
    assert step(watch, 2.1, 14.0, 90).startswith("LEAN AT HIGH LOAD: 14.00 for 2 s")
    assert watch.spoken == ("lean at high load",)
    assert step(watch, 2.3, 12.4, 90) == ""  # rich again
    assert watch.spoken == ()
    assert step(watch, 2.5, 14.0, 90) == ""  # and the time counts anew
    assert step(watch, 4.6, 14.0, 90) != ""
    assert step(watch, 4.8, 14.0, 60) == ""  # the foot is off
    assert step(watch, 7.0, 14.0, 90) == ""
    assert step(watch, 9.1, math.nan, 90) == ""  # a void reading is not lean


def test_readings_that_stop_end_the_alert() -> None:
    watch = LeanWatch(RecorderSettings(load_channel="map_kpa", lean_alert_s=1.0), 12.5, AFR, LOAD)
    step(watch, 0.0, 14.0, 90)
    assert step(watch, 1.5, 14.0, 90) != ""
    watch.on_tick(5 * SECOND)
    assert watch.alert == ""


def test_no_fix_no_load() -> None:
    watch = LeanWatch(RecorderSettings(), 12.5, AFR)
    for n in range(100):
        watch.on_fix("gps", fix(n / 10, 10.0 + n / 10, valid=n % 3 > 0))
        watch.on_fix("gps", fix(n / 10, None))
        watch.on_reading("mixture", Reading(n * SECOND // 10, (15.0,), None))
        watch.on_tick(n * SECOND // 10)
        assert watch.alert == ""


@pytest.mark.parametrize(
    ("targets", "cooling", "channel", "limit"),
    [
        (TargetsConfig(), "air", "afr", 12.5),
        (TargetsConfig(), "water", "afr", 13.2),
        (TargetsConfig(), None, "afr", 12.5),
        (TargetsConfig(), "air", "lambda", 12.5 / 14.7),
        (TargetsConfig(unit="lambda", air=Targets(**dict.fromkeys(
            ("full_throttle", "cruise", "town", "idle"), Target(low=0.8, high=0.86))), water=Targets(**dict.fromkeys(
            ("full_throttle", "cruise", "town", "idle"), Target(low=0.8, high=0.9)))), "air", "afr", 0.86 * 14.1),
    ],
)  # fmt: skip
def test_limit_in_the_unit_of_the_channel(
    targets: TargetsConfig, cooling: str | None, channel: str, limit: float
) -> None:
    car = CarConfig.model_validate({"car": {"name": "x", "mass_kg": 400, "cooling": cooling}}) if cooling else None
    stoich = 14.1 if targets.unit == "lambda" else 14.7
    assert lean_limit(targets, car, channel, stoich) == pytest.approx(limit)


def test_slope_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(2)
    t, v = np.sort(rng.uniform(0, 1.2, 12)), rng.normal(10, 1, 12)
    speeds = deque((round(x * SECOND), y) for x, y in zip(t, v, strict=True))
    assert slope(speeds) == pytest.approx(np.polyfit(t, v, 1)[0], rel=1e-6)
    assert slope(deque([(0, 1.0), (SECOND, 2.0)])) is None


def test_the_alert_and_the_map_go_by_one_road_load() -> None:
    """What counts as load is tractive acceleration with the map's own road load, whatever the car's file says."""
    measured = CarConfig.model_validate(
        {**WREN.model_dump(exclude_none=True),
         "road_load": {"a_n": 400.0, "c_n_per_mps2": 0.36, "air_density_kg_per_m3": 1.2, "mass_kg": 392.0}}
    )  # fmt: skip
    for car in (None, WREN, measured):
        watch = LeanWatch(RecorderSettings(), 12.5, AFR, car=car, known=lambda: KNOWN)
        for n in range(80):
            watch.on_fix("gps", fix(n / 10, 14.0))
        road = roadload.of(car)
        held = 14.0 * float(roadload.tractive_acceleration(14.0, 0.0, road))
        assert watch.load == pytest.approx(held / 24.8, rel=0.02)


def test_only_a_pull_kept_up_for_two_seconds_is_a_measure() -> None:
    """By hand: 10 to 14 m/s at 1 m/s2 without road load is 1 m/s2 and, in its last two seconds, 12 W/kg."""
    road = roadload.RoadLoad(0.0, 0.0, 0.0, 0.0, "none")
    for seconds, pulls in ((1.5, 0), (4.0, 1)):
        t = np.arange(0, seconds + 2, 0.1)
        v = 10.0 + np.minimum(t, seconds)
        found = pulls_of(t, v, np.where(t <= seconds, 1.0, 0.0), road)
        assert len(found) == pulls
    assert (found[0].mps2, found[0].w_per_kg) == (pytest.approx(1.0), pytest.approx(12.0, abs=0.25))


def test_the_car_is_as_strong_as_the_third_of_its_full_pulls() -> None:
    alike = [pull(2.0, 20.0)] * 8
    strength = Strength.of([*alike, pull(2.2, 21.0), pull(2.1, 20.5), pull(9.0, 90.0)])
    assert strength is not None and (strength.w_per_kg, strength.most(6.0)) == (20.5, 2.1)
    assert Strength.of([pull(2.0, 20.0)] * 2) is None  # too few to tell
    told = Strength.of([], 20.0)
    assert told is not None and told.share(5.0, 2.0) == pytest.approx(0.5)  # power alone, at low speed
    refined = Strength.of([], 20.0, [pull(2.0, 19.0)] * 3)
    assert refined is not None and refined.share(5.0, 2.0) == pytest.approx(1.0)


def test_in_hills_full_pulls_are_told_by_the_gap_below_them() -> None:
    """They scatter by the slopes as much as a careful driver's do by the foot, but no pull is a little weaker."""
    hills = [pull(2.0, w) for w in (27.5, 27.2, 26.5, 25.7, 23.5, 22.7, 22.3, 22.2)]
    away = [pull(1.0, w) for w in (7.1, 6.7, 5.8)]
    assert full_pulls([*away, *hills]) == hills
    assert full_pulls([*away, *hills[:7]]) == []  # seven may be chance
    assert full_pulls([*away, *hills, pull(1.5, 18.0)]) == []  # a foot that is sometimes a little lighter
    careful = [pull(1.0, w) for w in (14.7, 12.4, 11.9, 11.7, 11.2, 11.2, 10.8, 10.7, 10.4, 10.0, 9.0, 8.6, 8.5, 7.3)]
    assert full_pulls(careful) == []


def test_one_outing_that_its_own_best_pull_contradicts_is_no_measure_until_others_agree() -> None:
    """Five alike at 0.8 of the throttle and one at full: the car can do what it did, till enough say otherwise."""
    part, best, later = [pull(1.6, 20.5, 9.0, 12.0)] * 5, pull(1.7, 25.6, 14.0, 16.0), [pull(2.3, 25.2)] * 3
    alone = Strength.of([*part, best])
    assert alone is not None and (alone.w_per_kg, alone.strong) == (25.6, (best,))
    both = Strength.of([*part, best, *later])
    assert both is not None and both.w_per_kg == 25.2
    dip = Strength.of([*[pull(1.6, 20.5, 9.0, 12.0)] * 10, best])  # a dip in the road, against ten that are alike
    assert dip is not None and dip.w_per_kg == 20.5
    near = Strength.of([*part, pull(1.7, 21.4, 9.0, 12.0)])
    assert near is not None and near.w_per_kg == 20.5


def test_what_the_car_does_today_it_can_do() -> None:
    """Taught by an outing at 0.8 of the throttle alone; three pulls of today are stronger."""
    earlier, today = [pull(1.6, 20.5, 9.0, 12.0)] * 5, pull(2.3, 25.2)
    for seen, power in ((2, 20.5), (3, 25.2)):
        strength = Strength.of(earlier, None, [pull(1.0, 12.0)] * 9 + [today] * seen)
        assert strength is not None and strength.w_per_kg == power
    told = Strength.of([], 20.0, [today] * 3)  # the owner's word stands
    assert told is not None and told.w_per_kg == 20.0


def test_what_a_pull_showed_counts_only_at_the_speeds_at_which_it_was_shown() -> None:
    """By hand, 24 W/kg: rolling pulls show 3 m/s2 at 8 m/s and 2 m/s2 at 12 m/s, standing starts 2.4 m/s2 below."""
    rolling, standing = [pull(2.0, 24.0, 8.0, 12.0, peak=3.0)] * 3, [pull(2.4, 24.0)] * 3
    for known, most in (
        (rolling, {2.0: 12.0, 4.0: 6.0, 7.9: 24 / 7.9, 8.0: 3.0, 10.0: 2.4, 12.0: 2.0, 16.0: 1.5}),
        (standing, {0.5: 48.0, 2.0: 2.4, 8.0: 2.4, 16.0: 1.5}),
        ([*rolling, *standing], {0.5: 48.0, 2.0: 2.4, 7.9: 2.4, 9.0: 24 / 9, 16.0: 1.5}),
        ([*rolling, *standing[:2]], {4.0: 6.0}),  # two are too few to tell
    ):
        told = Strength.of([], 24.0, known)
        assert told is not None and {v: told.most(v) for v in most} == pytest.approx(most)


def made(*stretches: tuple[float, float, float]) -> HardPull:
    """The one pull of a car on a road without load: (seconds, m/s2, W/kg at most), the first from the speed given."""
    (speed, *_), *rest = stretches
    v, a = [speed], []
    for seconds, force, power in rest:
        for _ in range(round(seconds * 10)):
            a.append(min(force, power / max(v[-1], 0.1)))
            v.append(v[-1] + a[-1] / 10)
    t = np.arange(len(v)) / 10
    (found,) = pulls_of(t, np.array(v), np.array([*a, 0.0]), roadload.RoadLoad(0.0, 0.0, 0.0, 0.0, "none"))
    return found


def test_a_pull_knows_its_speeds() -> None:
    """A rolling pull, one out of a gentle pull-away, one let go in between, a start; at 24 W/kg or an even force."""
    found = made((8.0, 0, 0), (5.0, 9.0, 24.0))  # v2 = 64 + 48 t: 12.6 m/s after two seconds
    shown = found.from_mps, found.to_mps, found.mps2, found.peak_mps2
    assert shown == pytest.approx((8.0, 12.6, 1.9, 3.0), rel=0.02)
    found = made((0.0, 0, 0), (8.0, 1.4, 99.0), (5.0, 9.0, 24.0))  # gentle to 11.2 m/s, then full
    assert found.from_mps == pytest.approx(11.2, rel=0.02) and found.mps2 == pytest.approx(24 / 14.9, rel=0.02)
    found = made((0.0, 0, 0), (3.0, 1.6, 99.0), (3.0, 1.2, 99.0), (3.0, 1.65, 99.0))
    assert found.from_mps == pytest.approx(8.4, rel=0.03)
    found = made((0.0, 0, 0), (2.1, 2.3, 99.0), (2.2, 2.35, 99.0), (5.0, 9.0, 24.0))  # a little harder from 4.8 m/s
    assert found.from_mps == 0.0 and (found.mps2, found.peak_mps2) == pytest.approx((2.35, 2.35), rel=0.01)


@pytest.mark.parametrize("cruise", [8.0, 10.0])
def test_rolling_pulls_do_not_make_gentle_pull_aways_ring(cruise: float) -> None:
    """Not met once: after three full pulls out of a cruise each pull-away rang, at a mixture right for cruise."""
    told = {"car": WREN.car.model_dump(exclude_none=True) | {"wheel_power_kw": simulate.WREN.power_w / 1000}}
    watch = LeanWatch(RecorderSettings(), 12.5, AFR, car=CarConfig.model_validate(told))
    script: list[simulate.Phase] = [simulate.Stand(3), simulate.Pull(cruise, throttle=0.4), simulate.Cruise(cruise, 5)]
    for _ in range(4):
        script += [simulate.Pull(20.0), simulate.Lift(cruise, 30), simulate.Cruise(cruise, 5)]
    play(watch, [*script, simulate.Brake(0.0)], afr=12.2)
    away: list[simulate.Phase] = [simulate.Stand(3), simulate.Pull(12.0, launch="ramp", throttle=0.6, seconds=40)]
    begun, said = 1000.0, list[tuple[float, str]]()
    truth = simulate.drive(simulate.WREN, away)
    fixes = simulate.receive(truth, rng=np.random.default_rng(2))
    for t, v in zip(begun + fixes.t_s, fixes.speed_mps, strict=True):
        watch.on_fix("gps", fix(t, v))
        watch.on_reading("mixture", Reading(round(t * SECOND), (14.2,), None))
        watch.on_tick(round(t * SECOND))
        said.append((v, watch.alert))
    assert max(v for v, _ in said) > 11 and not any(text for _, text in said)
    text = [text for *_, text in play(watch, [simulate.Stand(3), simulate.Pull(22.0)], afr=14.2)]
    assert any(text)  # it is awake where the power tells


@pytest.mark.parametrize(
    ("powers", "full"),
    [
        ([14.5, 24.9, 24.6, 24.9, 24.5, 24.9, 24.6], 6),  # a warm-up and six standing starts
        ([14.5, 24.9, 24.6, 24.9, 24.5], 0),  # too few to be sure
        ([12.0, 9.0, 15.0, 11.0, 8.0, 14.0, 13.0, 10.0], 0),  # traffic
        ([], 0),
    ],
)
def test_a_drive_of_timed_runs_shows_full_throttle_and_traffic_does_not(powers: list[float], full: int) -> None:
    assert len(full_pulls([pull(2.0, power) for power in powers])) == full
