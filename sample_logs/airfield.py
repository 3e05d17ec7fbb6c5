"""The invented road: the perimeter of a disused airfield."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
EARTH_M = 6378137.0  # WGS 84 equatorial radius, enough for a few kilometres of invented road


@dataclass(frozen=True)
class Road:
    """A closed way: two straights joined by half circles, with a height that swings along it.

    The default is the perimeter of an invented disused airfield; straights lie along `heading_deg`.
    """

    lat_deg: float = 53.4012
    lon_deg: float = -0.3987
    heading_deg: float = 68.0
    straight_m: float = 1150.0
    radius_m: float = 70.0
    alt_m: float = 21.0
    swing_m: float = 0.0
    """Half the height between the lowest and the highest point of a lap."""

    @property
    def lap_m(self) -> float:
        return 2 * self.straight_m + 2 * math.pi * self.radius_m

    def grade(self, s: float) -> float:
        k = 2 * math.pi / self.lap_m
        return self.swing_m * k * math.cos(k * s)

    def place(self, s: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Latitude, longitude [deg], altitude [m] and heading [deg] at the way `s` [m]."""
        way = np.mod(s, self.lap_m)
        arc = math.pi * self.radius_m
        x, y, turn = np.zeros_like(way), np.zeros_like(way), np.zeros_like(way)
        r, length = self.radius_m, self.straight_m
        first = way < length
        x[first] = way[first]
        bend = (way >= length) & (way < length + arc)
        angle = (way[bend] - length) / r
        x[bend], y[bend], turn[bend] = length + r * np.sin(angle), r * (1 - np.cos(angle)), angle
        back = (way >= length + arc) & (way < 2 * length + arc)
        x[back], y[back], turn[back] = length - (way[back] - length - arc), 2 * r, math.pi
        last = way >= 2 * length + arc
        angle = (way[last] - 2 * length - arc) / r
        x[last], y[last], turn[last] = -r * np.sin(angle), 2 * r - r * (1 - np.cos(angle)), math.pi + angle
        heading = math.radians(self.heading_deg)
        east = x * math.sin(heading) + y * math.cos(heading)
        north = x * math.cos(heading) - y * math.sin(heading)
        lat = self.lat_deg + np.degrees(north / EARTH_M)
        lon = self.lon_deg + np.degrees(east / (EARTH_M * math.cos(math.radians(self.lat_deg))))
        alt = self.alt_m + self.swing_m * np.sin(2 * math.pi * way / self.lap_m)
        return lat, lon, alt, np.mod(self.heading_deg + np.degrees(turn), 360.0)
