"""Wheel power on closed forms, SAE J1349's factor, and predictions against a solver of differential equations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from analysis.conditions.roadload import RoadLoad
from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.road import wheel_power
from analysis.road.coasts import Mass
from analysis.road.prediction import Changes, Vehicle, time_between, top_speed
from analysis.road.wheel_power import energy_rate
from analysis.runs import finding
from analysis.runs.run import Run
from logger.units import HORSEPOWER_W, parse_quantity

NONE = RoadLoad(0.0, 0.0, 0.0, 0.0, "none")


def run_of(speed_of: object, seconds: float, noise_mps: float, seed: int) -> tuple[smoother.Motion, list[Run]]:
    t = np.arange(0, seconds + 10, 0.1)
    v = np.where(t > 8, speed_of(np.maximum(t - 8, 0)), 0.0)  # type: ignore[operator]
    y = np.abs(v + np.random.default_rng(seed).normal(0, noise_mps, len(t)))
    fixes, _ = clean(Fixes.of(t, y, course_deg=np.full(len(t), 90.0)))
    motion = smoother.smooth(fixes)
    return motion, finding.find(motion, fixes)


@pytest.mark.parametrize("seed", range(5))
def test_constant_power_without_drag(seed: int) -> None:
    """v = sqrt(2 P t / m), by integration of m v dv = P dt: power within 2 % at 10 Hz and 0.05 m/s of noise, from one
    run, and without noise within 0.3 %."""
    p, m = 11_000.0, 690.0
    mass = Mass(m, 0, 0, 0)
    for noise, allowed in ((0.05, 0.02), (0.0, 0.003)):
        motion, found = run_of(lambda t: np.sqrt(2 * p * t / m), 18, noise, seed)
        assert len(found) == 1
        speeds = np.arange(7.0, 22.0, 1.0)
        curve = wheel_power.wheel_curve([wheel_power.pull(motion, found[0], NONE, mass, speeds)], mass, NONE)
        mean = float(curve.power_w.mean())
        worst = float(np.abs(curve.power_w / p - 1).max())
        print(f"\nnoise {noise}: mean off by {100 * (mean / p - 1):+.2f} %, worst {100 * worst:.2f} %")
        assert mean == pytest.approx(p, rel=allowed)
        assert worst < (0.05 if noise else 0.01)


def test_constant_force_with_drag() -> None:
    """v = vt tanh(t F / (m vt)), vt = sqrt(F / C): the wheel force that comes back is F at all speeds."""
    f, c, m = 1050.0, 1.73, 690.0
    vt = math.sqrt(f / c)
    mass, road = Mass(m, 0, 0, 0), RoadLoad(0.0, 0.0, c / m, 0.0, "drag")
    motion, found = run_of(lambda t: vt * np.tanh(t * f / (m * vt)), 20, 0.02, 1)
    speeds = np.arange(5.0, 19.0, 1.0)
    curve = wheel_power.wheel_curve([wheel_power.pull(motion, found[0], road, mass, speeds)], mass, road)
    assert curve.force_n == pytest.approx(np.full(len(curve.force_n), f), rel=0.02)


def test_the_rate_of_energy_has_no_bias_on_either_closed_form() -> None:
    """By hand: at constant power d(v^2/2)/dt = P/m, at constant acceleration a it is v a; both exactly."""
    t = np.arange(-1.5, 1.55, 0.1)
    found = energy_rate(t, np.sqrt(36 + 2 * 16 * t / 1.0 * 0.5), 0.05)
    assert found is not None and found[0] == pytest.approx(8.0, rel=1e-9)
    found = energy_rate(t, 10 + 1.3 * t, 0.05)
    assert found is not None and found[0] == pytest.approx(13.0, rel=1e-9)


def test_its_standard_error_is_the_scatter() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(-1.5, 1.55, 0.1)
    values, sigmas = zip(
        *(energy_rate(t, 10 + 1.3 * t + rng.normal(0, 0.05, len(t)), 0.05) for _ in range(600)), strict=True
    )
    assert np.std(values) == pytest.approx(np.mean(sigmas), rel=0.08)


def test_the_horsepower_printed() -> None:
    """NIST SP 811, appendix B.8: 1 hp (550 ft lbf/s) = 745.6999 W."""
    assert pytest.approx(745.6999, abs=5e-5) == HORSEPOWER_W
    assert pytest.approx(550 * 0.3048 * 0.45359237 * 9.80665, rel=1e-12) == HORSEPOWER_W
    assert parse_quantity("1hp", "W") == pytest.approx(HORSEPOWER_W, rel=1e-9)


@pytest.mark.parametrize("changes", [Changes(), Changes(mass_kg=50), Changes(drag=0.7, power=1.2)])
def test_times_against_a_solver(changes: Changes) -> None:
    """scipy.integrate.solve_ivp of m dv/dt = P(v)/v - A - C v^2, from 5 to 20 m/s."""
    speed = np.array([3.0, 8.0, 12.0, 18.0, 24.0])
    watts = np.array([3000.0, 7800.0, 9900.0, 10_300.0, 10_000.0])
    car = changes.on(Vehicle(392, 16, 55, 0, 0.36))
    seconds = time_between(speed, watts, car, 5.0, 20.0, changes)

    def reached(_: float, v: list[float]) -> float:
        return v[0] - 20.0

    reached.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(
        lambda _, v: (changes.power * np.interp(v, speed, watts) / v - car.road_load(v)) / (car.mass_kg + 16),
        (0, 60), [5.0], "RK45", events=reached, rtol=1e-9, max_step=0.01,
    )  # fmt: skip
    assert seconds == pytest.approx(float(solved.t_events[0][0]), rel=1e-4)


def test_top_speed_at_constant_power_and_drag() -> None:
    """P = C v^3 where rolling is nothing: v = (P / C)^(1/3)."""
    speed = np.array([3.0, 25.0])
    top = top_speed(speed, np.array([9000.0, 9000.0]), Vehicle(392, 16, 0, 0, 0.36), Changes())
    assert top == pytest.approx((9000 / 0.36) ** (1 / 3), rel=1e-5)


def test_power_on_a_j1349_day() -> None:
    """SAE J1349: 1.18 (990 / dry hPa) sqrt((t + 273) / 298) - 0.18 is 1 at 25 C and 990 hPa dry, and 1.0454 at 25 C and
    953.3 hPa dry (by the formula); corrected wheel power is power times it."""
    import dataclasses

    from analysis.conditions.weather import sae_j1349, vapour_pressure

    assert float(sae_j1349(298.15, 99_000.0, 0.0)) == pytest.approx(1.0, abs=1e-4)
    vapour = float(vapour_pressure(298.15, 0.5))
    factor = float(sae_j1349(298.15, 95_330.0 + vapour, 0.5))
    assert factor == pytest.approx(1.18 * 990 / 953.3 - 0.18, abs=1e-4)
    mass = Mass(690, 0, 0, 0)
    motion, found = run_of(lambda t: np.sqrt(2 * 11_000 * t / 690), 18, 0.05, 1)
    one = wheel_power.pull(motion, found[0], NONE, mass, np.array([15.0]), factor=factor)
    curve = wheel_power.wheel_curve([one], mass, NONE)
    assert curve.corrected_w[0] == pytest.approx(factor * curve.power_w[0], rel=1e-12)
    assert np.isnan(wheel_power.wheel_curve([dataclasses.replace(one, factor=math.nan)], mass, NONE).corrected_w).all()
