"""Runs and motion held against what is known outside the project: closed forms, a standard's definition, libraries."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import simulate
from geographiclib.geodesic import Geodesic
from scipy.integrate import solve_ivp
from scipy.stats import median_abs_deviation
from simulate import WREN, Brake, Cruise, Lift, Pull, Stand

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.runs import finding, pairs
from analysis.runs.run import Options, Run

MASS = 690.0
FIFTY = 22.352
STOOD_S = 6.0
SPEEDS = tuple(mph * 0.44704 for mph in (10, 20, 30, 40, 50))
FOOT = 0.3048  # SAE J1491 (JUL2006) 3.3: initial vehicle movement is 0.3048 m (one foot) from rest


def find_one(t: np.ndarray, v: np.ndarray, seed: int, noise: float = 0.03) -> Run:
    """The run that is found where a car stands, then moves as (t, v), then slows: read at 10 Hz in 0.001 kn."""
    stop = t[-1] + STOOD_S
    at = np.arange(0.03, stop + 6, 0.1)
    speed = np.interp(at - STOOD_S, t, v, left=0.0)
    after = at > stop
    speed[after] = np.maximum(v[-1] - 2.0 * (at[after] - stop), 0)
    knot = 1852 / 3600
    readings = np.abs(speed + np.random.default_rng(seed).normal(0, noise, len(at)))
    fixes, _ = clean(Fixes.of(at, np.round(readings / knot, 3) * knot))
    (run,) = finding.find(smoother.smooth(fixes), fixes, Options(speeds_mps=SPEEDS))
    return run


def check_times(t: np.ndarray, v: np.ndarray, way: np.ndarray) -> None:
    """Splits from one foot within 0.04 s on average, and each within its sigma as a sigma should be."""
    foot = float(np.interp(FOOT, way, t))
    errors, scaled = [], []
    for seed in range(4):
        run = find_one(t, v, seed)
        for split, speed in zip(run.splits, SPEEDS, strict=True):
            error = split.from_one_foot_s - (float(np.interp(speed, v, t)) - foot)
            errors.append(error)
            scaled.append(error / max(split.from_one_foot_sigma_s, 0.005))
            assert abs(split.time_s - float(np.interp(speed, v, t))) < 4 * split.sigma_s
            assert split.distance_m == pytest.approx(
                float(np.interp(speed, v, way)), abs=0.3 + 4 * split.distance_sigma_m
            )
    assert abs(np.mean(errors)) < 0.025
    assert np.sqrt(np.mean(np.square(errors))) < 0.05
    assert np.sqrt(np.mean(np.square(scaled))) < 1.6


def test_constant_power_closed_form() -> None:
    """v = sqrt(2 P t / m), s = sqrt(8 P / 9 m) t^(3/2): constant power without drag."""
    power = 0.27 * MASS * FIFTY  # still 0.27 m/s2 at 50 mph
    t = np.linspace(0, MASS * 23.5**2 / (2 * power), 40_001)
    check_times(t, np.sqrt(2 * power * t / MASS), np.sqrt(8 * power / (9 * MASS)) * t**1.5)


def test_constant_force_with_drag_closed_form() -> None:
    """v = vt tanh(t F / (m vt)) with vt = sqrt(F / C); s = (m / C) ln cosh(t F / (m vt))."""
    force, drag = 1050.0, 1.73
    top = math.sqrt(force / drag)
    t = np.linspace(0, math.atanh(23.5 / top) * MASS * top / force, 40_001)
    u = t * force / (MASS * top)
    check_times(t, top * np.tanh(u), MASS / drag * np.log(np.cosh(u)))


def test_a_car_integrated_by_scipy() -> None:
    """A clutch, a limit of grip, constant power, rolling resistance and drag, integrated by scipy's DOP853."""

    def rates(time: float, state: np.ndarray) -> list[float]:
        v = state[0]
        push = min(1500.0, 11_300 / max(v, 0.1)) * (1 - math.exp(-time / 0.1))
        return [max(push - 95.0 * math.tanh(v / 0.02) - 0.45 * v * v, 0.0) / MASS, v]

    found = solve_ivp(rates, (0, 40), [0.0, 0.0], "DOP853", rtol=1e-9, atol=1e-10, max_step=0.02, dense_output=True)
    t = np.linspace(0, 40, 40_001)
    v, way = found.sol(t)
    top = int(np.argmax(v > 23.5)) or len(v)
    check_times(t[:top], v[:top], way[:top])


def test_one_foot_is_the_standards() -> None:
    """SAE J1491 3.3 on steady accelerations: one foot is sqrt(2 x 0.3048 / a) after first movement."""
    for accel in (1.0, 2.0, 4.0):
        t = np.linspace(0, 23.5 / accel, 20_001)
        found = [find_one(t, accel * t, seed) for seed in range(4)]
        when = np.mean([run.start_s + run.one_foot_s for run in found])
        assert when == pytest.approx(STOOD_S + math.sqrt(2 * FOOT / accel), abs=0.03)


def test_distance_along_a_drive_against_geographiclib() -> None:
    """Way from Doppler speed against WGS 84 geodesics between the true positions (Karney 2013, geographiclib)."""
    truth = simulate.drive(WREN, [Stand(4), Pull(20), Cruise(20, 60), Lift(12), Cruise(12, 40), Brake(0), Stand(4)])
    every = slice(None, None, 10)
    lat, lon = truth.lat_deg[every], truth.lon_deg[every]
    pairs = zip(lat[:-1], lon[:-1], lat[1:], lon[1:], strict=True)
    legs = sum(Geodesic.WGS84.Inverse(a, b, c, d)["s12"] for a, b, c, d in pairs)
    got = simulate.receive(truth, np.random.default_rng(1))
    found = smoother.smooth(Fixes.of(got.t_s, got.speed_mps))
    # The invented road is laid out on a sphere of the equatorial radius, which stretches it by up to 0.4 %.
    assert found.distance_m[-1] == pytest.approx(legs, rel=0.005)
    assert found.distance_m[-1] == pytest.approx(truth.s_m[-1], abs=4 * found.distance_sigma[-1] + 0.5)


def test_summary_statistics_against_scipy() -> None:
    t = np.linspace(0, 11.75, 5001)
    run = find_one(t, 2.0 * t, 0)
    several = []
    rng = np.random.default_rng(2)
    for value in rng.normal(10, 0.3, 9):
        several.append(_with_time(run, float(value)))
    summary = pairs.summarise(several, SPEEDS[0], "one foot")
    assert summary is not None
    times = [r.splits[0].from_one_foot_s for r in several]
    assert summary.median_s == pytest.approx(np.median(times))
    assert summary.spread_s == pytest.approx(median_abs_deviation(times, scale="normal"), rel=1e-4)
    assert summary.best_s == min(times)


def _with_time(run: Run, value: float) -> Run:
    return dataclasses.replace(run, splits=[dataclasses.replace(run.splits[0], from_one_foot_s=value)])
