"""Coasts against 40 CFR 86.529-98's table, the analytic coast, and the interval method by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from made_coasts import Slope, coast_seconds, coast_speeds, formula_coasts
from simulate import Brake, Car, Coast, Phase, Pull, Stand, Turn, drive, receive

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.road.coastdown import fit
from analysis.road.coasts import Mass, find

KMH = 1 / 3.6

# 40 CFR 86.529-98, figure F98-9: equivalent inertial mass [kg], A [N], C [N/(km/h)^2], coast time from 70 to 60 km/h
# [s]: target, longest and shortest allowed.
TABLE = [
    (100, 0.0, 0.0224, 2.95, 3.1, 2.8),
    (110, 0.82, 0.0227, 3.18, 3.3, 3.0),
    (150, 4.32, 0.0238, 3.99, 4.2, 3.8),
    (200, 8.69, 0.0252, 4.85, 5.1, 4.6),
    (250, 13.06, 0.0266, 5.57, 5.8, 5.4),
    (300, 17.43, 0.0279, 6.18, 6.4, 6.0),
    (340, 20.92, 0.0290, 6.60, 6.8, 6.4),
]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]} kg")
def test_the_tables_coast_times(row: tuple[float, ...]) -> None:
    """The coasts that the tests below are made of are the table's: to the hundredth that it prints; half a unit of C's
    last digit alone moves the time by up to 0.01 s."""
    mass, a, c, target, longest, shortest = row
    seconds = coast_seconds(70 * KMH, 60 * KMH, a, 0.0, c / KMH**2, mass)
    assert round(abs(round(seconds, 2) - target), 9) <= 0.01
    assert shortest < seconds < longest


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row[0]} kg")
def test_the_tables_coefficients_come_back(row: tuple[float, ...]) -> None:
    """Ten coasts each way, 10 Hz, 0.05 m/s of noise, a slope of 0.3 %: within 3 %. C and force of all; A of those whose
    A is more than a slope of 0.2 % pushes with."""
    mass, a, c_kmh, *_ = row
    c = c_kmh / KMH**2
    errors = []
    for seed in range(2):
        rng = np.random.default_rng(seed)
        coasts = formula_coasts(rng, a, 0, c, 0.96 * mass, 0.04 * mass, from_mps=30, to_mps=5, grade=0.003, pairs=10)
        measured = fit(coasts, Mass(0.96 * mass, 0, 0.04 * mass, 0), density_sigma=0)
        assert measured.c_n_per_mps2 == pytest.approx(c, rel=0.03)
        for speed in (6.0, 12.0, 20.0, 28.0):
            assert measured.force(speed) == pytest.approx(a + c * speed**2, rel=0.03)
        assert abs(measured.a_n - a) < 2 * measured.half_widths[0]
        if a > 8:
            assert measured.a_n == pytest.approx(a, rel=0.03)
        errors.append((measured.a_n - a, measured.c_n_per_mps2 / c - 1))
    print(
        f"\n{mass} kg: A off by {[f'{e:+.2f} N' for e, _ in errors]}, C by {[f'{100 * e:+.2f} %' for _, e in errors]}"
    )


@pytest.mark.parametrize("row", TABLE[1:], ids=lambda row: f"{row[0]} kg")
def test_on_a_road_known_to_be_even_all_coefficients_come_back(row: tuple[float, ...]) -> None:
    """As above, the slope known not to change along the road by more than 0.01 %: A of all within 3 %, or 0.05 N."""
    mass, a, c_kmh, *_ = row
    c = c_kmh / KMH**2
    coasts = formula_coasts(
        np.random.default_rng(1), a, 0, c, 0.96 * mass, 0.04 * mass, from_mps=30, to_mps=5, pairs=10
    )
    measured = fit(coasts, Mass(0.96 * mass, 0, 0.04 * mass, 0), density_sigma=0, even_sigma=1e-4)
    assert measured.a_n == pytest.approx(a, rel=0.03, abs=0.05)
    assert measured.c_n_per_mps2 == pytest.approx(c, rel=0.01)


def test_coefficients_come_back_through_receiver_and_finding() -> None:
    """The table's 340 kg, driven: ten coasts each way found in one drive of half an hour by their speed alone."""
    car = Car(
        mass_kg=326.4, rotating_mass_kg=13.6, power_w=20_000, force_n=1300, a_n=20.92, c_n_per_mps2=0.0290 * 12.96
    )
    script: list[Phase] = [Stand(10)]
    for _ in range(20):
        script += [Pull(28), Coast(6), Brake(0, 2.5), Stand(3), Turn()]
    truth = drive(car, script, Slope(slope=0.003), dt=0.02)
    got = receive(truth, np.random.default_rng(1), rate_hz=10, noise_mps=0.05)
    fixes, _ = clean(Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg))
    mass = Mass(326.4, 0, 13.6, 0)
    found = find(smoother.smooth(fixes), fixes, mass)
    assert len(found.coasts) == 20
    measured = fit(found.coasts, mass, density_sigma=0)
    print(f"\nA {measured.a_n:.2f} N, C {measured.c_n_per_mps2:.4f}, slope {measured.stretches[0].grade:.5f}")
    assert measured.a_n == pytest.approx(20.92, rel=0.03)
    assert measured.c_n_per_mps2 == pytest.approx(0.0290 * 12.96, rel=0.03)
    assert measured.stretches[0].grade == pytest.approx(0.003, abs=1e-4)


def test_the_analytic_coast() -> None:
    """G. D. Thompson, "The Vehicle Road Load Problem", US EPA: v = sqrt(A/C) tan(atan(v0 sqrt(C/A)) - t sqrt(AC)/m)."""
    a, c, m, v0 = 55.0, 0.36, 408.0, 24.0
    t = np.linspace(0, 80, 200)
    analytic = math.sqrt(a / c) * np.tan(math.atan(v0 * math.sqrt(c / a)) - t * math.sqrt(a * c) / m)
    assert coast_speeds(t, v0, a, 0, c, m) == pytest.approx(analytic, rel=1e-8)


def test_the_interval_method_by_hand() -> None:
    """40 CFR 1066.310: the force over an interval of speed is inertia times loss of speed over time, mean of both
    directions. From the exact crossing times of 12 and 10 m/s; the directions' mean cancels the slope."""
    coasts = formula_coasts(np.random.default_rng(3), 55, 0, 0.36, 392, 16, grade=0.003, pairs=10)
    measured = fit(coasts, Mass(392, 0, 16, 0), density_sigma=0)
    assert measured.second is not None
    eleven = next(each for each in measured.second.intervals if each.speed_mps == 11.0)
    climb = 392 * 9.80665 * 0.003
    ways = [408 * 2 / coast_seconds(12, 10, 55 + sign * climb, 0, 0.36, 408) for sign in (1, -1)]
    assert eleven.force_n == pytest.approx(sum(ways) / 2, abs=4 * eleven.sigma_n)
    assert eleven.forward_n - eleven.backward_n == pytest.approx(2 * climb, rel=0.05)
    assert measured.second.agrees
    assert measured.second.a_n == pytest.approx(measured.a_n, abs=3 * measured.second.a_sigma_n + 0.5)
    assert measured.second.c_n_per_mps2 == pytest.approx(
        measured.c_n_per_mps2, abs=3 * measured.second.c_sigma_n_per_mps2 + 0.003
    )
