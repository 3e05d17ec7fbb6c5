"""The slope of a drive's own way: by all passes of its roads where these are learned, else as the drive tells it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.arrays import Floats
from analysis.road.slopes import LEAST_PASSES, STEP_M, LearnedRoad, Located, heights_of

if TYPE_CHECKING:
    from analysis.motion.fixes import Fixes

_AT_ONCE = 64


@dataclass(frozen=True)
class LearnedAlong:
    """The slope under a drive (n,) at the times of its fixes, and how it is known where passes tell it.

    Attributes
    ----------
    t_s, slope : array, shape (n,)
        On the fixes' axis [s]; rise over run in the direction of travel [-], NaN where nothing tells it.
    share : float
        Of the way driven, what has a learned slope [-].
    sigma : float
        Standard error of a learned slope, root mean square [-].
    passes : (int, int)
        From how many passes, at the least and at the most.
    """

    t_s: Floats
    slope: Floats
    share: float
    sigma: float
    passes: tuple[int, int]


def slope_along(fixes: Fixes, distance_m: Floats, otherwise: Floats, road: LearnedRoad | None) -> LearnedAlong | None:
    """The slope at each fix; None where nothing of the way was passed often enough.

    Given the laws of hills and wander, what all passes tell of a place is never worse than what one of them does, so it
    is taken wherever `LEAST_PASSES` passed.

    Parameters
    ----------
    distance_m : array, shape (n,)
        Way at the fixes, rising [m].
    otherwise : array, shape (n,)
        The slope where it is not learned [-].
    """
    if road is None:
        return None
    way = heights_of(fixes)
    at = road.roads.locate(way.lat_deg, way.lon_deg, way.heading_deg)
    passed = road.passed(at)
    known = np.flatnonzero(passed >= LEAST_PASSES)
    if not len(known):
        return None
    mean, variance = np.empty(len(known)), np.empty(len(known))
    for first in range(0, len(known), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        here = known[part]
        told, covariance = road.slope(Located(at.road[here, None], at.way_m[here, None], at.sense[here, None]))
        mean[part], variance[part] = told, np.diag(covariance)
    stands = np.interp(way.t_s[known], fixes.t_s, distance_m)
    near = _nearest(stands, distance_m) <= STEP_M
    slope = np.where(near, np.interp(distance_m, stands, mean), otherwise)
    driven = np.diff(distance_m, prepend=distance_m[:1])
    return LearnedAlong(
        fixes.t_s, slope, float(driven[near].sum() / max(driven.sum(), 1e-9)), math.sqrt(float(variance.mean())),
        (int(passed[known].min()), int(passed[known].max())),
    )  # fmt: skip


def _nearest(stands: Floats, to: Floats) -> Floats:
    """How far the nearest of some rising values is from each of others (n,)."""
    k = np.clip(np.searchsorted(stands, to), 1, max(len(stands) - 1, 1))
    return np.minimum(np.abs(to - stands[k - 1]), np.abs(stands[np.minimum(k, len(stands) - 1)] - to))
