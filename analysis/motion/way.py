"""Way between fixes: the integral of speed, and what is taken in its place over pauses."""

from __future__ import annotations

import math

import numpy as np

from analysis.arrays import Floats
from analysis.motion.fixes import Fixes
from analysis.motion.geodesy import chord_length
from analysis.motion.noise import Noise


def ways(fixes: Fixes, mean: Floats, variance: Floats, q: Floats, step: float, noise: Noise) -> tuple[Floats, Floats]:
    """Way between fixes [m] and the variance it adds [m2]; `variance` of the readings, 0 where the car stands."""
    dt = np.diff(fixes.t_s)
    way = dt * (mean[:-1, 0] + mean[1:, 0]) / 2 + dt**2 * (mean[:-1, 1] - mean[1:, 1]) / 12
    # The error of the integral of a smoothed series is that of the readings' own sum: white noise times its step, and
    # twice its time for what wanders.
    lasting = noise.wander_share * 2 * noise.wander_s + (1 - noise.wander_share) * np.maximum(dt, step)
    return way, np.where(variance > 0, dt * variance * lasting + q * dt**5 / 120, 0.0)


BRIDGED_S = 3.5
"""A pause of up to this may be bridged by speed: a car does not do much in it (common practice, no source)."""


def over_gaps(fixes: Fixes, mean: Floats, way: Floats, loose: Floats, gap_s: float) -> tuple[Floats, Floats]:
    """No long pause is bridged by the speeds at its ends: the straight line between its positions is taken, or nothing
    where there are none. A short one is where the positions bear it out."""
    way, loose, dt = way.copy(), loose.copy(), np.diff(fixes.t_s)
    for i in np.flatnonzero(dt > gap_s):
        across = float(chord_length(fixes.lat_deg[i : i + 2], fixes.lon_deg[i : i + 2])[0])
        known = math.isfinite(across)
        if dt[i] <= BRIDGED_S and (not known or abs(way[i] - across) < 4.0 + 0.2 * across):
            continue
        by_speed = float(dt[i] * np.abs(mean[i : i + 2, 0]).mean())
        way[i] = across if known else 0.0
        loose[i] = (4.0 + 0.1 * across) ** 2 if known else (by_speed / 2) ** 2
    return way, loose
