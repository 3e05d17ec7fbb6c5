"""The road and the air of a season: hills that nobody measured, a wind a day, gusts. All figures are invented.

    road = Road.any(rng)
    road.slope(way_m), road.heading_deg(way_m), road.height(way_m), road.place(way_m)

SI. The road is two straights joined by a bend of 90 degrees, driven out and back. Its slope is a sum of waves of 150
to 900 m; `slope_rms` is their root mean square.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STEP_M = 1.0
GUST_S = 5.0
"""How long a gust lasts: its autocorrelation is exp(-lag / GUST_S)."""


@dataclass(frozen=True)
class Road:
    """Tables along the road, every `STEP_M`."""

    slopes: Floats
    headings_deg: Floats
    heights_m: Floats
    east_m: Floats
    north_m: Floats

    @property
    def length_m(self) -> float:
        return (len(self.slopes) - 1) * STEP_M

    @classmethod
    def any(cls, rng: Generator, slope_rms: float = 0.015, length_m: float = 2400.0) -> Road:
        way = np.arange(0.0, length_m + STEP_M, STEP_M)
        lengths = np.exp(rng.uniform(math.log(150), math.log(900), 12))
        phases = rng.uniform(0, 2 * math.pi, 12)
        sizes = rng.rayleigh(1.0, 12)
        waves = (sizes[:, None] * np.sin(2 * math.pi * way / lengths[:, None] + phases[:, None])).sum(0)
        slopes = slope_rms * (waves - waves.mean()) / waves.std()
        bend = rng.uniform(0.4, 0.6) * length_m
        turned = np.clip((way - bend) / 60.0, 0, 1)
        headings = (360 * rng.random() + rng.choice([-90.0, 90.0]) * turned) % 360
        heights = 60.0 + np.concatenate([[0.0], np.cumsum(0.5 * STEP_M * (slopes[1:] + slopes[:-1]))])
        east, north = (np.concatenate([[0.0], np.cumsum(STEP_M * each[:-1])])
                       for each in (np.sin(np.radians(headings)), np.cos(np.radians(headings))))  # fmt: skip
        return cls(slopes, headings, heights, east, north)

    def at(self, way_m: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Heading outward [deg], height, east and north [m] at places along the road."""
        x = np.clip(np.asarray(way_m) / STEP_M, 0, len(self.slopes) - 1)
        k = np.arange(len(self.slopes))
        turns = np.unwrap(np.radians(self.headings_deg))
        return (
            np.degrees(np.interp(x, k, turns)) % 360, np.interp(x, k, self.heights_m), np.interp(x, k, self.east_m),
            np.interp(x, k, self.north_m),
        )  # fmt: skip


@dataclass(frozen=True)
class Wind:
    """Of an outing: a steady vector (towards the east, towards the north), and gusts along the car's way beside it."""

    east_mps: float
    north_mps: float
    gust_mps: float

    @classmethod
    def any(cls, rng: Generator, mean_mps: float = 1.5) -> Wind:
        """Of so much on the average (Rayleigh, as winds are from two normal parts); gusts of 0.35 of it (from memory:
        turbulence of 0.2 to 0.4 near the ground)."""
        east, north = mean_mps / math.sqrt(math.pi / 2) * rng.standard_normal(2)
        return cls(float(east), float(north), 0.35 * mean_mps)

    def gusts(self, count: int, step_s: float, rng: Generator) -> Floats:
        """Gusts against the car at `count` steps [m/s]."""
        from scipy.signal import lfilter

        kept = math.exp(-step_s / GUST_S)
        drawn = self.gust_mps * rng.standard_normal(count)
        drawn[1:] *= math.sqrt(1 - kept * kept)
        return np.asarray(lfilter([1.0], [1.0, -kept], drawn))
