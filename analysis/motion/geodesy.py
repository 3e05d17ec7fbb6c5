"""Distance on the earth: along a track, between two places, and on a plane about a place."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Floats

if TYPE_CHECKING:
    from analysis.motion.fixes import Fixes


def plane(fixes: Fixes, origin_deg: tuple[float, float]) -> tuple[Floats, Floats]:
    """Metres east and north of the origin, good to some tens of kilometres; zeros without positions."""
    known = np.isfinite(fixes.lat_deg) & np.isfinite(fixes.lon_deg)
    if not known.any() or not math.isfinite(origin_deg[0]):
        return np.zeros(len(known)), np.zeros(len(known))
    degree = math.pi / 180 * 6_371_000
    n, at = np.arange(len(known)), np.flatnonzero(known)
    north = np.interp(n, at, fixes.lat_deg[known] - origin_deg[0]) * degree
    apart = np.mod(fixes.lon_deg[known] - origin_deg[1] + 180, 360) - 180
    east = np.interp(n, at, apart) * degree * math.cos(math.radians(origin_deg[0]))
    return np.asarray(east), np.asarray(north)


CHORD_M = 20.0

WGS84_A, WGS84_F = 6378137.0, 1 / 298.257223563


def track_length(
    way_m: ArrayLike, lat_deg: ArrayLike, lon_deg: ArrayLike, alt_m: ArrayLike | None = None, chord_m: float = CHORD_M
) -> tuple[float, float]:
    """Length of a track over the WGS 84 ellipsoid at its height, and its standard error [m]; NaN without positions.

    Fixes about `chord_m` of way apart are joined, not all of them: a standing or slow receiver's position wanders, and
    each step of that would count. A chord is shorter than the bend it spans; the arc through its turning angles is
    taken instead. The error is what twice as long chords change, which sees wander and bends alike.

    Parameters
    ----------
    way_m : array
        Way by speed at each fix, to space the chords by [m].
    """
    way, lat = np.asarray(way_m, dtype=np.float64), np.asarray(lat_deg, dtype=np.float64)
    lon = np.asarray(lon_deg, dtype=np.float64)
    good = np.isfinite(lat) & np.isfinite(lon)
    if good.sum() < 2:
        return math.nan, math.nan
    way, lat, lon = way[good], lat[good], lon[good]
    height = np.zeros(1) if alt_m is None else np.asarray(alt_m, dtype=np.float64)[good]
    height = height[np.isfinite(height)]
    scale = 1 + (float(height.mean()) if len(height) else 0.0) / 6_371_000
    fine, coarse = (_arcs(way, lat, lon, chord) for chord in (chord_m, 2 * chord_m))
    return fine * scale, abs(fine - coarse) * scale


def _arcs(way: Floats, lat: Floats, lon: Floats, chord_m: float) -> float:
    wanted = np.arange(way[0], way[-1], chord_m)
    at = np.unique(np.concatenate([np.searchsorted(way, wanted), [len(way) - 1]]))
    north, east = _steps(lat[at], lon[at])
    length = np.hypot(north, east)
    turn = np.diff(np.unwrap(np.arctan2(east, north)))
    ends = np.concatenate([[0.0], np.abs(turn), [0.0]])
    half = np.minimum((ends[:-1] + ends[1:]) / 4, 0.7)
    with np.errstate(invalid="ignore", divide="ignore"):
        longer = np.where(half > 1e-9, half / np.sin(half), 1.0)
    return float(np.sum(length * longer))


def chord_length(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Floats:
    """Length of each step between positions on the WGS 84 ellipsoid [m], one fewer than positions.

    By the radii of curvature at the middle of the step: good to 3e-6 of a step of up to 10 km, away from the poles.
    """
    north, east = _steps(np.asarray(lat_deg, dtype=np.float64), np.asarray(lon_deg, dtype=np.float64))
    return np.hypot(north, east)


def _steps(lat_deg: Floats, lon_deg: Floats) -> tuple[Floats, Floats]:
    """Steps north and east [m]."""
    e2 = WGS84_F * (2 - WGS84_F)
    phi = np.radians(lat_deg)
    middle = (phi[1:] + phi[:-1]) / 2
    w2 = 1 - e2 * np.sin(middle) ** 2
    meridian, normal = WGS84_A * (1 - e2) / w2**1.5, WGS84_A / np.sqrt(w2)
    across = np.mod(np.diff(lon_deg) + 180, 360) - 180
    return meridian * np.diff(phi), normal * np.cos(middle) * np.radians(across)


def climbed(alt_m: ArrayLike, wander_m: float = 3.0) -> float:
    """Metres gained in all, by altitudes whose wander below `wander_m` does not count; NaN with none [m]."""
    alt = np.asarray(alt_m, dtype=np.float64)
    if len(alt) == 0:
        return math.nan
    low = high = float(alt[0])
    total, rising = 0.0, False
    for height in alt.tolist():
        if rising:
            if height > high:
                high = height
            elif height < high - wander_m:
                total, rising, low = total + high - low, False, height
        elif height < low:
            low = height
        elif height > low + wander_m:
            rising, high = True, height
    return total + (high - low if rising else 0.0)


EARTH_M = 6371008.8
"""Mean radius of the earth (WGS 84), enough to tell whether two runs shared a stretch."""

SMALLEST_RADIUS_M = 6_335_439.0
"""The smallest radius of curvature of the WGS 84 ellipsoid (north-south at the equator). Ways on a sphere of this
radius are never longer than on the ellipsoid, so a circle always cuts at least what it should, and at most 1 % more."""


def distance_m(lat_deg: ArrayLike, lon_deg: ArrayLike, to_lat_deg: float, to_lon_deg: float) -> Floats:
    """Great-circle way [m] by the haversine formula, on the sphere of `SMALLEST_RADIUS_M`."""
    lat1, lon1 = np.radians(np.asarray(lat_deg, float)), np.radians(np.asarray(lon_deg, float))
    lat2, lon2 = np.radians(to_lat_deg), np.radians(to_lon_deg)
    h = np.sin((lat2 - lat1) / 2) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
    return np.asarray(2 * SMALLEST_RADIUS_M * np.arcsin(np.sqrt(np.clip(h, 0, 1))), float)
