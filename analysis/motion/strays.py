"""Stray readings: lone ones that are no measurement of the car's speed, too small for `clean` to set aside."""

from __future__ import annotations

import math

import numpy as np
from scipy.ndimage import median_filter

from analysis.arrays import Bools, Floats
from analysis.motion.fixes import left_out

STRAY_MPS = 1.0
"""Standard deviation of a stray reading about the true speed."""
SLOWEST_STEP_S = 0.25
"""With fixes further apart than this a stray cannot be told from what the car did."""
LEAST_SHARE = 0.004
"""Fewer than this cannot be told from the corners of a drive."""


def seeming_strays(t: Floats, y: Floats, sigma: float) -> Bools:
    """The readings that stand out from both a cubic through their neighbours and their median (n)."""
    if len(y) < 20 or float(np.median(np.diff(t))) > SLOWEST_STEP_S:
        return np.zeros(len(y), bool)
    error, scale = left_out(t, y)
    away = y - median_filter(y, 5, mode="nearest")
    out = (np.abs(error) > 4.5 * sigma * scale) & (np.abs(away) > 4.5 * sigma) & (error * away > 0)
    out[:2] = out[-2:] = False
    return out


def share_of_strays(seeming: Bools) -> float:
    """Which share of the readings are strays; 0 where the few that seem so may be corners of the drive."""
    share = float(seeming.mean())
    # Some strays hide within the noise or beside one another.
    return 1.3 * share if share > LEAST_SHARE and seeming.sum() >= 5 else 0.0


def trust_of(log_weight: Floats, y: Floats, mean: Floats, variance: Floats, noise: Floats, share: float) -> Floats:
    """Probability that each reading is no stray: by what its neighbours on both sides foretell, mixed over levels.

    log_weight, mean, variance: (n, levels) of the foretold speed; noise: variance of a reading that is none (n).
    """

    def log_density(extra: Floats | float) -> Floats:
        s = variance + np.broadcast_to(extra, y.shape)[:, None]
        log = log_weight - 0.5 * (np.log(s) + (y[:, None] - mean) ** 2 / s)
        top = log.max(1)
        return np.asarray(top + np.log(np.exp(log - top[:, None]).sum(1)), float)

    odds = math.log(share / (1 - share)) + log_density(STRAY_MPS**2) - log_density(noise)
    return np.asarray(1 / (1 + np.exp(np.clip(odds, -50, 50))), float)
