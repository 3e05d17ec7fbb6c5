"""The airfield's perimeter with hills on it, for what is learned of a road over several drives."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from airfield import Road
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class HillyLap(Road):
    """Its height is a sum of waves (how many a lap, slope at the steepest)."""

    waves: tuple[tuple[int, float], ...] = field(default=((2, 0.010), (5, 0.012), (9, 0.008)))

    def grade(self, s: float) -> float:
        k = 2 * math.pi / self.lap_m
        return sum(steep * math.cos(n * k * s + n) for n, steep in self.waves)

    def place(self, s: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        lat, lon, _, heading = super().place(s)
        k = 2 * math.pi / self.lap_m
        height = sum(steep / (n * k) * np.sin(n * k * np.asarray(s) + n) for n, steep in self.waves)
        return lat, lon, self.alt_m + height, heading
