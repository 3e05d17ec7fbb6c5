"""The worlds against closed forms, and the judge against errors that are known: so that the judge can be trusted."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from typer.testing import CliRunner

from analysis.cli.main import app
from worlds import bars, boards, judge, scenes
from worlds.car import (
    FOOT_M,
    GRAVITY,
    KINDS,
    MPH,
    STEP_S,
    Car,
    Driving,
    Launch,
    TrueLaunch,
    Writer,
    any_car,
    any_launch,
    braked,
    make_drive,
    pull,
    rocking,
    true_launch,
)  # fmt: skip
from worlds.receiver import KNOT, Receiver, gauss_markov, noise, receive, smoothed, write_nmea
from worlds.tally import Tally, figures, wild
from worlds.worlds import WORLDS, World

ALL = np.ones(70_000)


def _truth(car: Car, launch: Launch, until: float) -> TrueLaunch:
    speeds, first = pull(car, launch, until)
    return true_launch(launch.kind, np.arange(len(speeds)) * STEP_S, speeds, 0, first)


# --- the car ------------------------------------------------------------------------------------------------------


def test_constant_force_against_drag_is_a_hyperbolic_tangent() -> None:
    car = Car(mass_kg=400, force_n=900, drag=0.6, rotating=0.05)
    speeds, first = pull(car, Launch("bite", ALL), 25.0)
    top = math.sqrt(900 / 0.6)
    t = np.arange(len(speeds)) * STEP_S
    assert first == 0.0
    np.testing.assert_allclose(speeds, top * np.tanh(t * 900 / (420 * top)), atol=1e-6)


def test_passings_and_the_foot_of_constant_force() -> None:
    car = Car(mass_kg=400, force_n=900, drag=0.6)
    truth = _truth(car, Launch("bite", ALL), 25.0)
    top = math.sqrt(900 / 0.6)
    for mph, passed in truth.passed_s.items():
        assert passed == pytest.approx(400 * top / 900 * math.atanh(mph * MPH / top), abs=1e-6)
    # Way under constant force and drag: (m / C) ln cosh(t F / (m vt)).
    foot = math.acosh(math.exp(FOOT_M * 0.6 / 400)) * 400 * top / 900
    assert truth.foot_s == pytest.approx(foot, abs=1e-5)


def test_constant_power_gains_kinetic_energy_evenly() -> None:
    car = Car(mass_kg=400, force_n=4000, power_w=10_000)
    speeds, _ = pull(car, Launch("bite", ALL), 24.0)
    # Up to 2.5 m/s the force limits, from there on v^2 = 2.5^2 + 2 P (t - t1) / m.
    t1 = 2.5 / 10
    t = np.arange(len(speeds)) * STEP_S
    later = t > t1
    np.testing.assert_allclose(speeds[later], np.sqrt(2.5**2 + 50 * (t[later] - t1)), atol=1e-3)


def test_a_ramp_of_acceleration_covers_a_foot_by_the_cube_root() -> None:
    car = Car(mass_kg=690, force_n=1500, rolling_n=80)
    truth = _truth(car, any_launch("ramp", car, np.random.default_rng(1)), 15.0)
    jerk = (1500 - 80) / 690 / 1.1
    assert truth.first_s == pytest.approx(0.0, abs=1e-9)
    assert truth.foot_s == pytest.approx((6 * FOOT_M / jerk) ** (1 / 3), abs=1e-5)
    # From the ramp's end on the speed grows evenly: 20 mph = jerk 1.1^2 / 2 + a (t - 1.1).
    assert truth.passed_s[20] == pytest.approx(1.1 + (20 * MPH - jerk * 1.1**2 / 2) / (1420 / 690), abs=1e-6)


def test_a_force_that_rises_evenly_moves_the_car_when_it_passes_rolling_resistance() -> None:
    car = Car(mass_kg=400, force_n=1000, rolling_n=50)
    rising = np.clip(np.arange(70_000) * STEP_S / 3.0, 0, 1)
    truth = _truth(car, Launch("soft foot", rising), 10.0)
    assert truth.first_s == pytest.approx(3.0 * 50 / 1000, abs=1e-6)
    jerk = 1000 / 3.0 / 400
    assert truth.foot_s - truth.first_s == pytest.approx((6 * FOOT_M / jerk) ** (1 / 3), abs=1e-5)


def test_a_car_that_rolls_back_moves_first_where_it_turns() -> None:
    car = Car(mass_kg=400, force_n=1000, rolling_n=40)
    share = np.where(np.arange(70_000) * STEP_S >= 1.5 - 1e-9, 1.0, 0.0)
    speeds, first = pull(car, Launch("roll-back", share, slope=0.02, slope_m=1e6), 10.0)
    down = (400 * GRAVITY * 0.02 - 40) / 400
    caught = (1000 - 400 * GRAVITY * 0.02 + 40) / 400  # rolling resistance still helps while it rolls back
    assert speeds.min() == pytest.approx(-down * 1.5, abs=2e-3)
    assert first == pytest.approx(1.5 + down * 1.5 / caught, abs=2e-3)
    on = (1000 - 400 * GRAVITY * 0.02 - 40) / 400
    truth = true_launch("roll-back", np.arange(len(speeds)) * STEP_S, speeds, 0, first)
    assert truth.foot_s - first == pytest.approx(math.sqrt(2 * FOOT_M / on), abs=1e-3)


def test_the_height_gained_is_that_of_the_slope_that_was_pulled_up() -> None:
    rng = np.random.default_rng(31)
    car = any_car(rng)
    launch = any_launch("roll-back", car, rng)
    writer = Writer(car)
    writer.launch(launch, 20.0)
    drive = writer.drive()
    gained = float(np.sum(np.diff(drive.way_m) * drive.slope[1:]))
    # Held over slope_m and fading evenly over as much again: one and a half times slope_m at full slope.
    assert gained == pytest.approx(0.02 * 1.5 * launch.slope_m, rel=2e-3)


def test_a_slope_too_small_for_the_rolling_resistance_holds_the_car() -> None:
    car = Car(mass_kg=400, force_n=1000, rolling_n=100)
    share = np.where(np.arange(70_000) * STEP_S >= 1.0 - 1e-9, 1.0, 0.0)
    speeds, first = pull(car, Launch("roll-back", share, slope=0.02), 10.0)
    assert speeds.min() == 0.0
    assert first == pytest.approx(1.0, abs=STEP_S)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_launch_reaches_fifty_miles_an_hour(kind: str) -> None:
    for seed in range(12):
        rng = np.random.default_rng(seed)
        car = any_car(rng, heavy=seed % 4 == 3)
        truth = _truth(car, any_launch(kind, car, rng), 24.0)  # type: ignore[arg-type]
        times = [truth.first_s, truth.foot_s, *truth.passed_s.values()]
        assert times == sorted(times) and list(truth.passed_s) == [20, 30, 40, 50]
        assert 0.2 < truth.foot_s - truth.first_s < 2.5


@pytest.mark.parametrize(
    ("kind", "least", "most"), [("sharp", 1.6, 4.3), ("eased", 0.05, 1.3), ("rolled out", 0.08, 0.15)]
)
def test_stops_end_as_they_are_named(kind: str, least: float, most: float) -> None:
    for seed in range(20):
        rng = np.random.default_rng(seed)
        speeds = braked(15.0, kind, any_car(rng), rng)  # type: ignore[arg-type]
        assert speeds[-1] == 0 and (np.diff(speeds) <= 1e-12).all()
        assert np.abs(np.diff(speeds)).max() < 4.5 * STEP_S  # no step on the way
        assert least < (speeds[-52] - speeds[-2]) / 0.05 < most


def test_the_body_rocks_as_a_damped_spring_does() -> None:
    car = Car(400, 1000, rocking_hz=1.25, rocking_damping=0.2, rocking_share=0.2)
    # Braked at 3 m/s2 for long, then let go: x = x0 exp(-z w t) (cos + ...), speed -x0 w^2 / wd exp(-z w t) sin(wd t).
    accel = np.concatenate([np.full(20_000, -3.0), np.zeros(4000)])
    found = rocking(car, accel)[20_000:]
    w = 2 * np.pi * 1.25
    wd = w * math.sqrt(1 - 0.2**2)
    t = (np.arange(4000) + 0.5) * STEP_S
    away = 0.2 * 3.0 / w**2
    np.testing.assert_allclose(found, -away * w * w / wd * np.exp(-0.2 * w * t) * np.sin(wd * t), atol=2e-4)


def test_a_drive_stops_pauses_and_goes() -> None:
    drive = make_drive(np.random.default_rng(3), Driving(launches=(8, 8), turns=0.5))
    assert len(drive.launches) == 8 <= len(drive.stops)
    for launch in drive.launches:
        k = round(launch.first_s / STEP_S)
        assert abs(drive.speed_mps[k]) < 0.01 and drive.speed_mps[k + 500] > 0
        assert np.interp(launch.passed_s[30], drive.t_s, drive.speed_mps) == pytest.approx(30 * MPH, abs=1e-4)
        way = np.interp([launch.first_s, launch.foot_s], drive.t_s, drive.way_m)
        assert way[1] - way[0] == pytest.approx(FOOT_M, abs=1e-4)
    for stop in drive.stops:
        inside = (drive.t_s > stop.stood_s) & (drive.t_s < stop.until_s)
        assert stop.until_s - stop.stood_s >= 2.999 and not drive.speed_mps[inside].any()


# --- the receiver -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "stages"), [(0.2, 1), (0.5, 1), (0.35, 2)])
def test_a_filter_trails_a_steady_acceleration_by_its_lag(seconds: float, stages: int) -> None:
    t = np.arange(20_000) * STEP_S
    trailed = smoothed(2.5 * t, seconds, stages)
    assert trailed[-1] == pytest.approx(2.5 * (t[-1] - seconds), abs=1e-6)
    if stages == 1:
        np.testing.assert_allclose(trailed, 2.5 * (t - seconds * (1 - np.exp(-t / seconds))), atol=1e-9)


def test_wandering_noise_is_correlated_as_said() -> None:
    t = np.arange(400_000) * 0.1
    x = gauss_markov(t, 1.0, np.random.default_rng(5))
    assert np.var(x) == pytest.approx(1, abs=0.03)
    for lag in (1, 5, 10, 20):
        assert np.mean(x[lag:] * x[:-lag]) == pytest.approx(math.exp(-lag * 0.1), abs=0.03)


def test_a_share_of_the_variance_wanders() -> None:
    t = np.arange(400_000) * 0.1
    x = noise(t, Receiver(noise_mps=0.05, wander_share=0.5, wander_s=1.0), np.random.default_rng(6))
    assert np.std(x) == pytest.approx(0.05, abs=5e-4)
    assert np.mean(x[10:] * x[:-10]) / np.var(x) == pytest.approx(0.5 * math.exp(-1), abs=0.02)


def test_outliers_come_as_often_and_as_large_as_said() -> None:
    x = noise(np.arange(200_000) * 0.1, Receiver(noise_mps=0.05, outliers=0.02), np.random.default_rng(7))
    far = np.abs(x) > 0.25
    assert np.mean(far) == pytest.approx(0.02, abs=0.0015)
    assert 5 < np.abs(x).max() < 6.4
    assert abs(np.mean(x[far])) < 0.15


def test_bursts_of_outliers_last_as_long_as_said() -> None:
    x = noise(np.arange(200_000) * 0.1, Receiver(noise_mps=0.0, outliers=0.01, burst=4), np.random.default_rng(7))
    edges = np.diff(np.concatenate([[0], (np.abs(x) > 0).astype(int), [0]]))
    lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    # Of 1 to 4, evenly; where two meet they make a longer one.
    assert lengths.mean() == pytest.approx(2.5, abs=0.15)
    assert np.mean(lengths > 4) < 0.05


def _short() -> Writer:
    rng = np.random.default_rng(8)
    car = any_car(rng)
    writer = Writer(car, 90.0)
    writer.stand(20)
    writer.launch(any_launch("bite", car, rng), 24.0)
    writer.brake("sharp", rng)
    writer.stand(10)
    return writer


def test_readings_are_held_rounded_and_lost() -> None:
    drive = _short().drive()
    rng = np.random.default_rng(9)
    fixes = receive(drive, Receiver(hold_mps=0.3, decimals=1, missing=0.05, noise_mps=0.1), rng)
    steps = fixes.speed_mps / (0.1 * KNOT)
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)
    assert not ((fixes.speed_mps > 0) & (fixes.speed_mps < 0.3 - 0.05 * KNOT)).any()
    assert len(fixes) == pytest.approx(0.95 * 10 * drive.t_s[-1], rel=0.04)
    assert np.all(np.abs(np.diff(fixes.t_s) / 0.1 - np.round(np.diff(fixes.t_s) / 0.1)) < 1e-9)


@pytest.mark.parametrize("rate", [1, 5, 10, 25])
def test_a_still_receiver_tells_the_truth_and_the_place(rate: float) -> None:
    drive = _short().drive()
    fixes = receive(drive, Receiver(rate_hz=rate, noise_mps=0.0), np.random.default_rng(10))
    assert np.median(np.diff(fixes.t_s)) == pytest.approx(1 / rate)
    np.testing.assert_allclose(fixes.speed_mps, np.abs(np.interp(fixes.t_s, drive.t_s, drive.antenna_mps)), atol=1e-9)
    moving = fixes.speed_mps > 5
    np.testing.assert_allclose(fixes.course_deg[moving], 90, atol=0.1)
    gone = math.radians(fixes.lon_deg[-1] - fixes.lon_deg[0]) * 6371008.8 * math.cos(math.radians(52.31))
    assert gone == pytest.approx(drive.way_m[-1], abs=8)


def test_laws_near_zero() -> None:
    writer = _short()
    drive = writer.drive()
    still = slice(0, 190)
    read = {
        law: receive(drive, Receiver(law=law, noise_mps=0.1), np.random.default_rng(11)).speed_mps[still]  # type: ignore[arg-type]
        for law in ("folded", "clipped", "horizontal")
    }
    # Means of a folded, a clipped and a two-dimensional (Rayleigh) normal error of 0.1.
    assert read["folded"].mean() == pytest.approx(0.1 * math.sqrt(2 / math.pi), abs=0.015)
    assert read["clipped"].mean() == pytest.approx(0.1 / math.sqrt(2 * math.pi), abs=0.015)
    assert read["horizontal"].mean() == pytest.approx(0.1 * math.sqrt(math.pi / 2), abs=0.015)
    drawn = receive(drive, Receiver(draws_mps=0.28, noise_mps=0.01), np.random.default_rng(12)).speed_mps[still]
    assert 0.05 < drawn.mean() < 0.28 and drawn.max() < 0.28 + 0.05


def test_a_receiver_that_sleeps_pins_the_place_and_wakes_at_speed() -> None:
    drive = _short().drive()
    fixes = receive(drive, Receiver(wakes_mps=5.0, wakes_s=0.5, noise_mps=0.0), np.random.default_rng(13))
    true = np.interp(fixes.t_s, drive.t_s, drive.speed_mps)
    early = (fixes.t_s < drive.launches[0].passed_s[20]) & (true < 4.9)
    assert not fixes.speed_mps[early].any() and np.ptp(fixes.lat_deg[early]) == 0
    antenna = np.interp(fixes.t_s, drive.t_s, drive.antenna_mps)
    np.testing.assert_allclose(fixes.speed_mps[true > 12], antenna[true > 12], atol=1e-6)


def test_fixes_as_sentences_import_as_a_drive(tmp_path) -> None:  # type: ignore[no-untyped-def]
    fixes = receive(_short().drive(), Receiver(), np.random.default_rng(14))
    write_nmea(tmp_path / "drive.nmea", fixes)
    (tmp_path / "rig.toml").write_text('[[source]]\nname = "gps"\nkind = "nmea"\n')
    args = ["--store", str(tmp_path / "store"), "--json"]
    done = CliRunner().invoke(
        app, ["import", str(tmp_path / "drive.nmea"), "--config", str(tmp_path / "rig.toml"), *args]
    )
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["rows"]["gps"] == len(fixes)
    found = CliRunner().invoke(app, ["runs", "last", *args])
    runs = json.loads(found.stdout)["runs"]
    assert len(runs) == 1
    assert runs[0]["peak_mps"] == pytest.approx(24, abs=0.2)


# --- the judge ----------------------------------------------------------------------------------------------------


def _launches(n: int) -> list[TrueLaunch]:
    return [
        TrueLaunch("bite", 60.0 * k, 60.0 * k + 0.5, {mph: 60.0 * k + mph / 5 for mph in (20, 30, 40, 50)}, 24.0)
        for k in range(n)
    ]


def _run(launch: TrueLaunch, first: float = 0.0, foot: float = 0.0, sigma: float = 0.1, **more: object) -> object:
    splits = [
        SimpleNamespace(
            speed_mps=mph * MPH, time_s=at - launch.first_s + first, sigma_s=sigma,
            from_one_foot_s=at - launch.foot_s + foot, from_one_foot_sigma_s=sigma / 2, **more,
        )
        for mph, at in launch.passed_s.items()
    ]  # fmt: skip
    start = launch.first_s - first
    return SimpleNamespace(kind="standing", start_s=start, start_sigma_s=sigma, splits=splits, clean=True)


def test_the_judge_knows_honest_sigmas_from_narrow_ones() -> None:
    rng = np.random.default_rng(15)
    launches = _launches(1500)
    runs = [_run(each, rng.normal(0, 0.1), rng.normal(0, 0.1)) for each in launches]
    tally = judge.compare(launches, runs)  # type: ignore[arg-type]
    first, foot = figures(tally.first), figures(tally.foot)
    assert (tally.launches, tally.missed, tally.extra) == (1500, 0, 0)
    assert first.bias == pytest.approx(0, abs=0.01) and first.rms == pytest.approx(0.1, rel=0.06)
    assert first.z == pytest.approx(1.0, rel=0.06) and foot.z == pytest.approx(2.0, rel=0.06)
    # Shares of a normal variable within one and two sigma, and within half a sigma and one.
    assert (first.one, first.two) == (pytest.approx(0.683, abs=0.04), pytest.approx(0.954, abs=0.018))
    assert (foot.one, foot.two) == (pytest.approx(0.383, abs=0.04), pytest.approx(0.683, abs=0.04))


def test_the_judge_tells_late_from_early() -> None:
    launches = _launches(1)
    tally = judge.compare(launches, [_run(launches[0], first=0.2, foot=-0.1)])  # type: ignore[list-item]
    assert figures(tally.first).bias == pytest.approx(0.2)
    assert figures(tally.foot).bias == pytest.approx(-0.1)
    assert tally.starts[0].error == pytest.approx(-0.2)


def test_a_systematic_part_widens_only_where_asked() -> None:
    launches = _launches(3)
    runs = [_run(each, foot=0.12, systematic_s=0.12) for each in launches]
    tally = judge.compare(launches, runs)  # type: ignore[arg-type]
    assert figures(tally.foot).one == 0
    assert figures(tally.foot, with_systematic=True).one == 1


def test_missed_extra_starred_and_wild_are_counted() -> None:
    launches = _launches(5)
    runs = [_run(each) for each in launches]
    del runs[3]  # one missed
    runs.append(_run(TrueLaunch("bite", 1000.0, 1000.5, {20: 1004.0}, 24.0)))  # one that never was
    runs[0] = _run(launches[0], foot=0.6, sigma=0.04)  # wild from one foot
    runs[1].clean = False  # type: ignore[attr-defined]
    tally = judge.compare(launches, runs)  # type: ignore[arg-type]
    assert (tally.missed, tally.extra, tally.starred) == (1, 1, 1)
    assert wild(tally.foot) == (4, pytest.approx(0.6))
    assert figures(tally.foot).n == 12
    line = judge.row(WORLDS["white 0.05"], replace_receivers(tally))
    assert line.split("|")[0].split()[-4:] == ["5", "1", "1", "1"]


def replace_receivers(tally: Tally) -> Tally:
    tally.receivers = [
        {"smoothing_s": 0.1, "smoothing_low_s": 0.02, "smoothing_high_s": 0.2, "noise_mps": 0.04,
         "wandering_share": math.nan, "wandering_s": math.nan}
    ]  # fmt: skip
    return tally


def test_what_the_program_says_of_the_receiver_is_told_against_the_truth() -> None:
    rows = [
        {"smoothing_s": s, "smoothing_low_s": s - 0.05, "smoothing_high_s": s + 0.05, "noise_mps": 0.05,
         "wandering_share": 0.5, "wandering_s": 1.0}
        for s in (0.18, 0.22, 0.30)
    ] + [dict.fromkeys(
        ("smoothing_s", "smoothing_low_s", "smoothing_high_s", "noise_mps", "wandering_share", "wandering_s"), math.nan
    )]  # fmt: skip
    tally = Tally(receivers=rows)
    told = judge.smoothing_told(WORLDS["smooth 0.2"], tally).split()
    # Median 0.22, rms of -0.02, 0.02, 0.10, two of three intervals hold 0.2, all lower ends above 0.05, 3 of 4 tell.
    assert told == ["0.20:", "0.220", "0.060", "67", "100", "3/4"]
    assert judge.noise_told(tally) == "0.050 0.500 1.000"


def _tally(world: World, first: float, foot: float, sigma: float, low: float, n: int = 4000) -> Tally:
    """A program whose errors are normal, of standard deviations 0.1 and 0.05 about these biases."""
    rng = np.random.default_rng(30)
    launches = _launches(n // 4)
    runs = [_run(each, rng.normal(first, 0.1), rng.normal(foot, 0.05), sigma) for each in launches]
    tally = judge.compare(launches, runs)  # type: ignore[arg-type]
    given = dict.fromkeys(("smoothing_s", "noise_mps", "wandering_share", "wandering_s"), 0.1)
    tally.receivers = [given | {"smoothing_low_s": low, "smoothing_high_s": low + 0.2}] * 10
    return tally


def test_a_program_that_is_honest_meets_every_bar() -> None:
    assert list(bars.unmet(WORLDS["white 0.05"], _tally(WORLDS["white 0.05"], 0, 0, 0.1, 0.0))) == []
    assert list(bars.unmet(WORLDS["smooth 0.2"], _tally(WORLDS["smooth 0.2"], 0, 0, 0.1, 0.1))) == []


@pytest.mark.parametrize(
    ("name", "first", "foot", "sigma", "low", "says"),
    [
        ("white 0.05", 0.0, 0.0, 0.06, 0.0, "one foot: 4"),
        ("white 0.05", 0.0, 0.0, 0.2, 0.0, "first movement: 9"),
        ("white 0.05", 0.07, 0.0, 0.1, 0.0, "first movement, bite: bias +0.07"),
        ("white 0.05", 0.0, 0.0, 0.1, 0.06, "smoothing: none, but seen in 100 %"),
        ("white 0.05", 0.0, 0.0, 0.1, math.nan, "smoothing: told in no drive"),
        ("smooth 0.2", 0.0, 0.02, 0.1, 0.1, "one foot: bias +0.02"),
        ("smooth 0.2", 0.0, 0.0, 0.1, 0.21, "smoothing: the interval holds it in 0 %"),
        ("smooth 0.2, wander, hold", 0.0, 0.05, 0.1, 0.1, "one foot: bias +0.0"),
        ("two-stage 0.2", 0.0, 0.02, 0.1, 0.1, "more than the systematic part"),
        ("no usable stops", 0.0, 0.0, 0.1, 0.0, "smoothing: told in 10 of 10 drives"),
    ],
)
def test_each_bar_is_seen_to_be_missed(
    name: str, first: float, foot: float, sigma: float, low: float, says: str
) -> None:
    assert any(says in words for words in bars.unmet(WORLDS[name], _tally(WORLDS[name], first, foot, sigma, low)))


def test_bars_count_what_is_missed_and_what_is_wild() -> None:
    tally = _tally(WORLDS["white 0.05"], 0, 0, 0.1, 0.0)
    tally.missed, tally.foot[0] = 2, tally.foot[0]._replace(error=0.7)
    said = list(bars.unmet(WORLDS["white 0.05"], tally))
    assert said[0].startswith("2 launches missed") and "1 splits over 0.5 s off" in said[-1]


def test_each_start_is_matched_once_and_to_the_nearest() -> None:
    assert judge.matched([10, 20, 30], [20.5, 9.0, 19.0]) == {0: 1, 1: 0}
    assert judge.matched([10.0], [14.1]) == {}


def test_worlds_are_whole_and_repeat(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert len(WORLDS) >= 40
    world = WORLDS["all together"]
    numbers = list(world.drives(160))
    assert sum(n for _, n in numbers) >= 160
    truth, fixes = world.drive(3)
    again, same = world.drive(3)
    np.testing.assert_array_equal(fixes.speed_mps, same.speed_mps)
    assert len(truth.launches) == dict(numbers)[3] == len(again.launches)
    assert not np.array_equal(world.drive(3, shift=1)[1].speed_mps[:50], fixes.speed_mps[:50])
    with pytest.raises(ValueError, match="no world is called 'moon'"):
        judge.chosen(["moon"], judge.WORLDS)
    for program in (judge, boards):
        monkeypatch.setattr("sys.argv", ["judge", "moon"])
        assert program.main() == 2
        assert capsys.readouterr().err.startswith("no world is called 'moon'")


def test_a_world_is_judged_from_drive_to_row() -> None:
    """The whole way once: white noise at 10 Hz must find every launch, with errors of tenths at the most."""
    world = World("a short one", Receiver(noise_mps=0.03), Driving(launches=(2, 2), kinds=("bite",)))
    truth, fixes = world.drive(0)
    tally = judge.judge_drive(truth, fixes)
    assert (tally.launches, tally.missed, tally.extra) == (2, 0, 0)
    assert len(tally.foot) == 8 and figures(tally.foot).rms < 0.1
    shifted = replace(fixes, t_s=fixes.t_s + 1.0)
    late = judge.judge_drive(truth, shifted)
    # Times from the start do not change with the clock; the instant of the start does.
    assert figures(late.foot).bias == pytest.approx(figures(tally.foot).bias, abs=1e-6)
    assert figures(late.starts).bias == pytest.approx(figures(tally.starts).bias + 1.0, abs=1e-6)


# --- scenes -------------------------------------------------------------------------------------------------------


def test_short_stops_are_as_short_as_said() -> None:
    drive = scenes.short_stops(np.random.default_rng(16), 1.5, 5)
    assert len(drive.launches) == 5 == len(drive.stops) - 1
    for stop, launch in zip(drive.stops, drive.launches, strict=False):
        assert 1.5 <= launch.first_s - stop.stood_s < 1.75
        k = round(stop.stood_s / STEP_S) - 1500
        assert drive.speed_mps[k] > 0.7


def test_roll_backs_turn_the_course() -> None:
    drive = scenes.roll_backs(np.random.default_rng(17), 3)
    fixes = receive(drive, Receiver(rate_hz=1, noise_mps=0.03), np.random.default_rng(18))
    for launch in drive.launches:
        before = (fixes.t_s > launch.first_s - 1.2) & (fixes.t_s < launch.first_s - 0.1)
        assert (np.cos(np.radians(fixes.course_deg[before] - drive.heading_deg[0])) < -0.7).any()
        assert np.interp(launch.first_s - 0.3, drive.t_s, drive.speed_mps) < 0


def test_traffic_has_no_standing_run() -> None:
    drive = scenes.traffic(np.random.default_rng(19), 1800.0)
    starts = np.flatnonzero((drive.speed_mps[:-1] == 0) & (drive.speed_mps[1:] > 0))
    assert len(starts) > 15
    for start in starts:
        ahead = drive.speed_mps[start + 1 :]
        top = np.flatnonzero((ahead >= 20 * MPH) | (ahead == 0))
        if len(top) and ahead[top[0]] > 0:
            # Over 20 mph only after five seconds without a gain.
            before = ahead[: top[0]]
            assert (before[5000:] - before[:-5000] < 0.3).any()


def test_the_pause_covers_what_it_says() -> None:
    truth, fixes = scenes.paused_loop(np.random.default_rng(20))
    widest = int(np.argmax(np.diff(fixes.t_s)))
    assert np.diff(fixes.t_s)[widest] == pytest.approx(207, abs=1)
    assert fixes.speed_mps[widest] > 20 and fixes.speed_mps[widest + 1] > 20
    lost = np.interp(fixes.t_s[[widest, widest + 1]], truth.t_s, truth.way_m)
    assert 150 < lost[1] - lost[0] < 900
