"""Coasts whose road load is known: by scipy's solver and quadrature, or integrated over gusts and a road that sags."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from airfield import Road
from numpy.typing import NDArray
from scipy.integrate import quad, solve_ivp

from analysis.conditions.roadload import GRAVITY
from analysis.road.coasts import Coast

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Slope(Road):
    """A straight road to the east that rises evenly."""

    slope: float = 0.003
    heading_deg: float = 90.0

    def grade(self, s: float) -> float:
        return self.slope

    def place(self, s: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        north, east = np.zeros_like(s), np.asarray(s)
        lat = self.lat_deg + np.degrees(north / 6_371_000)
        lon = self.lon_deg + np.degrees(east / (6_371_000 * np.cos(np.radians(self.lat_deg))))
        return lat, lon, self.alt_m + self.slope * east, np.full_like(east, self.heading_deg)


def coast_seconds(
    from_mps: float, to_mps: float, a_n: float, b_n_per_mps: float, c_n_per_mps2: float, m: float
) -> float:
    """Seconds to coast from one speed down to another: the integral of m dv / (A + B v + C v^2), by quadrature."""
    return float(quad(lambda v: m / (a_n + b_n_per_mps * v + c_n_per_mps2 * v * v), to_mps, from_mps, epsrel=1e-11)[0])


def coast_speeds(t: Floats, from_mps: float, a_n: float, b_n_per_mps: float, c_n_per_mps2: float, m: float) -> Floats:
    """Speed of a coast at rising times from 0: the solution of m dv/dt = -(A + B v + C v^2)."""

    def slows(_: float, v: Floats) -> Floats:
        return -(a_n + b_n_per_mps * v + c_n_per_mps2 * v * v) / m

    solved = solve_ivp(slows, (0.0, float(t[-1])), [from_mps], "DOP853", t_eval=t, rtol=1e-10, atol=1e-10)
    return np.asarray(solved.y[0])


def formula_coasts(
    rng: np.random.Generator,
    a_n: float,
    b_n_per_mps: float,
    c_n_per_mps2: float,
    mass_kg: float,
    rotating_kg: float,
    *,
    pairs: int = 4,
    from_mps: float = 23.5,
    to_mps: float = 5.0,
    grade: float = 0.003,
    wind_mps: float = 0.0,
    rate_hz: float = 10.0,
    noise_mps: float = 0.05,
    ways: Sequence[int] = (1, -1),
    outing: str = "",
) -> list[Coast]:
    """Coasts to and fro by the solver; `wind_mps` blows against the way out."""
    coasts = []
    for number in range(pairs * len(ways)):
        way = ways[number % len(ways)]
        start = from_mps + rng.normal(0, 0.3)
        wind = wind_mps * way
        a = a_n + c_n_per_mps2 * wind * wind + mass_kg * GRAVITY * grade * way
        b, m = b_n_per_mps + 2 * c_n_per_mps2 * wind, mass_kg + rotating_kg
        t = np.arange(0, coast_seconds(start, to_mps, a, b, c_n_per_mps2, m), 1 / rate_hz)
        v = coast_speeds(t, start, a, b, c_n_per_mps2, m) + rng.normal(0, noise_mps, len(t))
        coasts.append(Coast(t, v, 90.0 if way > 0 else 270.0, 0.0 if way > 0 else 700.0, outing=outing))
    return coasts


def rough_coasts(
    rng: np.random.Generator,
    a_n: float,
    c_n_per_mps2: float,
    mass_kg: float,
    rotating_kg: float,
    *,
    pairs: int = 5,
    from_mps: float = 23.5,
    to_mps: float = 6.0,
    grade: float = 0.003,
    even_sigma: float = 0.002,
    gust_mps: float = 0.5,
    gust_s: float = 12.0,
    wind_mps: float = 0.7,
    rate_hz: float = 10.0,
    noise_mps: float = 0.05,
    length_m: float = 900.0,
) -> list[Coast]:
    """Coasts to and fro between the ends of a road, in a wind that gusts (first-order, `gust_s`), over slopes that
    change along it by a draw from `even_sigma`, integrated in steps of 0.05 s side by side."""
    count, dt = 2 * pairs, 0.05
    way = np.tile([1.0, -1.0], pairs)
    v = from_mps + rng.normal(0, 0.5, count)
    x = np.where(way > 0, 0.0, length_m) + rng.normal(0, 25, count)
    start = x.copy()
    change = rng.normal(0, [even_sigma, even_sigma, even_sigma / 2])
    gust = rng.normal(0, gust_mps, count)
    keep = np.exp(-dt / gust_s)
    speeds, places = [v], [x]

    def accelerate(v: Floats, x: Floats) -> Floats:
        slope = grade + np.polynomial.legendre.legval(np.clip(2 * x / length_m - 1, -1.3, 1.3), [0.0, *change])
        air = v + way * (wind_mps + gust)
        return -(a_n + c_n_per_mps2 * air * np.abs(air) + mass_kg * GRAVITY * slope * way) / (mass_kg + rotating_kg)

    while (v > to_mps).any() and len(speeds) < 6000:
        here = accelerate(v, x)
        ahead = accelerate(np.maximum(v + here * dt, 0), x + way * v * dt)
        new = np.maximum(v + (here + ahead) / 2 * dt, 0)
        x = x + way * (v + new) / 2 * dt
        v = new
        gust = keep * gust + np.sqrt(1 - keep**2) * rng.normal(0, gust_mps, count)
        speeds.append(v)
        places.append(x)
    table, step = np.array(speeds), round(1 / rate_hz / dt)
    on_road = np.abs(2 * np.array(places) / length_m - 1) < 1.3  # the road ends, and so does the coast
    coasts = []
    for k in range(count):
        rolling = (table[:, k] > to_mps) & on_road[:, k]
        reading = table[: int(np.argmin(rolling)) if not rolling.all() else len(table), k][::step]
        reading = reading + rng.normal(0, noise_mps, len(reading))
        t = np.arange(len(reading)) * step * dt
        coasts.append(Coast(t, reading, 90.0 if way[k] > 0 else 270.0, float(start[k]), outing="day"))
    return coasts
