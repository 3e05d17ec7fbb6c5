"""Which heights of a drive were measured: not those that its receiver held, nor those that no road has."""

from __future__ import annotations

import numpy as np

from analysis.arrays import Bools, Floats

HELD_M = 60.0
"""A height that stays the same to its last digit over more way than this is held, not measured anew (common practice,
no source): a receiver without a good view of the sky goes on telling the last one. One that tells whole metres may
measure the same for as long; nothing tells the two apart, so such a height says nothing either."""
LOWEST_M, HIGHEST_M = -500.0, 9000.0
"""Roads lie between the Dead Sea, at -430 m, and less than the highest mountain (from memory)."""
_LONGEST_STEP_S = 3.0
"""Over a longer pause between fixes no way is counted."""


def measured(t_s: Floats, speed_mps: Floats, alt_m: Floats) -> Floats:
    """The heights [m] of fixes at `t_s` [s] with `speed_mps` [m/s], all (n,); NaN where one was not measured. Of a
    height that was held the first counts."""
    with np.errstate(invalid="ignore"):
        known = np.flatnonzero((alt_m >= LOWEST_M) & (alt_m <= HIGHEST_M))
    out = np.full(len(alt_m), np.nan)
    out[known] = np.where(_held(t_s[known], np.abs(speed_mps[known]), alt_m[known]), np.nan, alt_m[known])
    return out


def _held(t: Floats, v: Floats, z: Floats) -> Bools:
    """Which heights only repeat one that was held."""
    if len(z) == 0:
        return np.zeros(0, bool)
    step = np.diff(t)
    way = np.concatenate([[0.0], np.cumsum(np.where(step < _LONGEST_STEP_S, 0.5 * (v[1:] + v[:-1]) * step, 0.0))])
    repeats = np.concatenate([[False], np.diff(z) == 0])
    first = np.flatnonzero(~repeats)
    last = np.concatenate([first[1:] - 1, [len(z) - 1]])
    long = np.repeat(way[last] - way[first] > HELD_M, last - first + 1)
    return np.asarray(repeats & long, bool)
