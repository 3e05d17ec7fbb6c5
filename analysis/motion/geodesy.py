"""Distance on the earth: along a track, between places, and on the plane about a place.

Positions become points in space (earth-centred, earth-fixed), and all distances are straight lines between such points.
A straight line through the ground is shorter than the geodesic over it by (d/R)^2 / 24 of it: by 4e-13 at 20 m, 1e-7 at
10 km. It has no trouble at the poles or the 180th meridian, and it is never longer than any way over the ground.

References
----------
[1] National Imagery and Mapping Agency TR8350.2, "Department of Defense World Geodetic System 1984", 3rd edition,
    section 4.3: geodetic to earth-centred coordinates; the ellipsoid's axis and flattening.
[2] C. F. F. Karney, "Algorithms for geodesics", J. Geodesy 87 (2013): what the tests hold these to.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Floats

WGS84_A, WGS84_F = 6378137.0, 1 / 298.257223563
"""Equatorial radius [m] and flattening of the WGS 84 ellipsoid [1]."""
MEAN_RADIUS_M = 6_371_000.0
"""Mean radius of that ellipsoid, (2 a + b) / 3, to the kilometre: a track at height is longer by height over it."""
CHORD_M = 20.0
"""Way between the fixes of a track that are joined."""


def points(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Floats:
    """Where positions at sea level are in space: earth-centred, earth-fixed x, y, z [m].

    Parameters
    ----------
    lat_deg, lon_deg : array, any shape
        Geodetic latitude and longitude on WGS 84 [deg]; NaN gives NaN.

    Returns
    -------
    array, that shape and 3 more
    """
    phi, lam = (np.radians(np.asarray(values, dtype=np.float64)) for values in (lat_deg, lon_deg))
    e2 = WGS84_F * (2 - WGS84_F)
    normal = WGS84_A / np.sqrt(1 - e2 * np.sin(phi) ** 2)
    around = normal * np.cos(phi)
    return np.stack([around * np.cos(lam), around * np.sin(lam), normal * (1 - e2) * np.sin(phi)], axis=-1)


def distance_m(lat_deg: ArrayLike, lon_deg: ArrayLike, to_lat_deg: float, to_lon_deg: float) -> Floats:
    """Distance of positions from one place, in a straight line [m]; NaN positions give NaN.

    Never longer than the way over the ground, so that what must lie within a distance of a place always does.

    Parameters
    ----------
    lat_deg, lon_deg : array, any shape
        Positions [deg].
    to_lat_deg, to_lon_deg : float
        The place [deg].
    """
    return np.asarray(np.linalg.norm(points(lat_deg, lon_deg) - points(to_lat_deg, to_lon_deg), axis=-1))


def chord_length(lat_deg: ArrayLike, lon_deg: ArrayLike) -> Floats:
    """Length of each step between positions one after the other, in a straight line [m].

    Parameters
    ----------
    lat_deg, lon_deg : array, shape (n,)
        Positions [deg]; a NaN makes both steps at it NaN.

    Returns
    -------
    array, shape (n - 1,)
    """
    return np.asarray(np.linalg.norm(np.diff(points(lat_deg, lon_deg), axis=0), axis=-1))


def plane(lat_deg: ArrayLike, lon_deg: ArrayLike, origin_deg: tuple[float, float]) -> tuple[Floats, Floats]:
    """Metres east and north of an origin, on the plane that touches the earth there.

    A place d away lies nearer on the plane by d^3 / 6 R^2: by 4 mm at 10 km, 0.1 m at 30 km.

    Parameters
    ----------
    lat_deg, lon_deg : array, any shape
        Positions [deg]; NaN gives NaN.
    origin_deg : (latitude, longitude)
        Where the plane touches [deg].

    Returns
    -------
    east_m, north_m : array, that shape
    """
    phi, lam = math.radians(origin_deg[0]), math.radians(origin_deg[1])
    away = points(lat_deg, lon_deg) - points(*origin_deg)
    east = [-math.sin(lam), math.cos(lam), 0.0]
    north = [-math.sin(phi) * math.cos(lam), -math.sin(phi) * math.sin(lam), math.cos(phi)]
    return np.asarray(away @ east), np.asarray(away @ north)


# --- along a track ------------------------------------------------------------------------------------------------


def track_length(
    way_m: ArrayLike, lat_deg: ArrayLike, lon_deg: ArrayLike, alt_m: ArrayLike | None = None, chord_m: float = CHORD_M
) -> tuple[float, float]:
    """Length of a track over the WGS 84 ellipsoid at its height, and its standard error [m].

    Fixes about `chord_m` of way apart are joined, not all of them: a standing or slow receiver's position wanders, and
    each step of that would count. A chord is shorter than the bend it spans; the arc through its turning angles is
    taken instead. The error is what twice as long chords change, which sees wander and bends alike.

    Parameters
    ----------
    way_m : array, shape (n,)
        Way by speed at each fix, to space the chords by; rising [m].
    lat_deg, lon_deg : array, shape (n,)
        Positions [deg]; fixes without one (NaN) are left out.
    alt_m : array, shape (n,), optional
        Height [m], of which the mean counts; NaN is left out, none at all is sea level.
    chord_m : float
        Way between the fixes that are joined [m].

    Returns
    -------
    length_m, sigma_m : float
        NaN where fewer than two fixes have a position.
    """
    way, lat = np.asarray(way_m, dtype=np.float64), np.asarray(lat_deg, dtype=np.float64)
    lon = np.asarray(lon_deg, dtype=np.float64)
    good = np.isfinite(lat) & np.isfinite(lon)
    if good.sum() < 2:
        return math.nan, math.nan
    way, where = way[good], points(lat[good], lon[good])
    height = np.zeros(1) if alt_m is None else np.asarray(alt_m, dtype=np.float64)[good]
    height = height[np.isfinite(height)]
    scale = 1 + (float(height.mean()) if len(height) else 0.0) / MEAN_RADIUS_M
    fine, coarse = (_arcs(way, where, chord) for chord in (chord_m, 2 * chord_m))
    return fine * scale, abs(fine - coarse) * scale


def _arcs(way: Floats, where: Floats, chord_m: float) -> float:
    """Sum of the arcs over chords, each through half the turns at its two ends."""
    wanted = np.arange(way[0], way[-1], chord_m)
    at = np.unique(np.concatenate([np.searchsorted(way, wanted), [len(way) - 1]]))
    steps = np.diff(where[at], axis=0)
    length = np.linalg.norm(steps, axis=-1)
    before, after = steps[:-1], steps[1:]
    turn = np.arctan2(np.linalg.norm(np.cross(before, after), axis=-1), np.sum(before * after, axis=-1))
    ends = np.concatenate([[0.0], turn, [0.0]])
    half = np.minimum((ends[:-1] + ends[1:]) / 4, 0.7)
    with np.errstate(invalid="ignore", divide="ignore"):
        longer = np.where(half > 1e-9, half / np.sin(half), 1.0)
    return float(np.sum(length * longer))


def climbed(alt_m: ArrayLike, wander_m: float = 3.0) -> float:
    """Metres gained in all, by altitudes whose wander below `wander_m` does not count [m].

    Parameters
    ----------
    alt_m : array, shape (n,)
        Altitudes in order, without NaN [m].

    Returns
    -------
    float
        NaN without any altitude.
    """
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
