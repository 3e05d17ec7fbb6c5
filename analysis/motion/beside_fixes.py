"""What runs beside the fixes on a clock of its own: how late it is, by what it gains against what the fixes gain.

    found = find_delay(pairs_of(motion, even, t), even, gained)     # BesideUnusable says why not

`gained` is the integral of what it reads, on an even grid; what it gains over a second, times a factor for each column,
is held against what the fixes gain over the same second, for each delay tried: linear least squares, robust by Huber's
weights. The delay is that of the least squares of all, its sigma by their curvature.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np

from analysis.arrays import Bools, Floats
from analysis.motion.smoother import Motion

MOST_DELAY_S = 1.2
LEAST_AGREEMENT = 0.9
"""Correlation of what is gained beside the fixes with what they gain, from which on it is believed."""
HOLE_S = 0.15
"""Readings further apart than this are not bridged."""
GRID_STEP_S = 0.01
SURE_DELAY_S = 0.03
_EVEN_OVER = 21
"""Readings over whose mean a burst is evened out."""
_OVER_S = 1.0
_MOST_PAIRS = 6000
_LEAST_PAIRS = 60


class BesideUnusable(Exception):
    """Why it cannot be used, as the end of a sentence."""


class Delayed(NamedTuple):
    delay_s: float
    sigma_s: float
    fit: BesideFit


def find_delay(pairs: SecondPairs, even: Floats, gained: Floats, *, part: bool = False) -> Delayed:
    """The delay at which the fit is best, by `gained` on the grid `even` (n, columns). BesideUnusable where it follows
    the fixes badly, or hardly tells it; `part`: it is one of several that are to be held against each other, whatever
    each is worth."""
    if len(pairs.gained) < _LEAST_PAIRS:
        raise BesideUnusable("too little driving was recorded with it")
    delays = np.arange(-MOST_DELAY_S, MOST_DELAY_S + 0.01, 0.04)
    left = np.array([_fit(pairs, even, gained, delay).left for delay in delays])
    best = float(delays[int(np.argmin(left))])
    fine = np.arange(best - 0.08, best + 0.081, 0.01)
    fits = [_fit(pairs, even, gained, delay) for delay in fine]
    left = np.array([fit.left for fit in fits])
    k = int(np.clip(np.argmin(left), 1, len(fine) - 2))
    bend = float(left[k - 1] - 2 * left[k] + left[k + 1]) / 0.01**2
    fit = fits[k]
    if part:
        return Delayed(float(fine[k]), math.nan, fit)
    if fit.agreement < LEAST_AGREEMENT:
        raise BesideUnusable(f"it does not follow the fixes' speed (correlation {fit.agreement:.2f})")
    _holds_throughout(pairs, even, gained, float(fine[k]), fit)
    if not -MOST_DELAY_S < fine[k] < MOST_DELAY_S or bend <= 0:
        raise BesideUnusable(f"its delay is not within {MOST_DELAY_S} s")
    delay = float(fine[k]) + 0.005 * float(left[k - 1] - left[k + 1]) / (bend * 0.01**2)
    spread = math.sqrt(2 * left[k] / max(len(pairs.gained) - gained.shape[1] - 1, 1) / bend * pairs.overlap)
    if spread > SURE_DELAY_S:
        raise BesideUnusable(
            f"its delay is known only to {spread:.2f} s, because too little driving was recorded with it"
        )
    return Delayed(delay, spread, fit)


def rate_of(t: Floats) -> float:
    """Readings a second, holes apart; 0 where there are none."""
    steps = np.diff(t)
    return 1 / float(np.mean(steps[steps < HOLE_S])) if (steps < HOLE_S).any() else 0.0


def evened(t: Floats) -> Floats:
    """Times of readings that a board takes evenly and a cable delivers in bursts: between holes, even to the eye."""
    from scipy.ndimage import uniform_filter1d  # here: a drive without a board pays nothing for it

    out = t.copy()
    edges = [0, *(np.flatnonzero(np.diff(t) > HOLE_S) + 1).tolist(), len(t)]
    for first, end in itertools.pairwise(edges):
        if end - first > 2 * _EVEN_OVER:
            piece = t[first:end]
            count = np.arange(end - first, dtype=float)
            step = float(np.median(piece[_EVEN_OVER:] - piece[:-_EVEN_OVER])) / _EVEN_OVER
            late = uniform_filter1d(piece - count * step, _EVEN_OVER, mode="nearest")
            out[first:end] = np.maximum.accumulate(count * step + late + 1e-9 * count)
    return out


class SecondPairs(NamedTuple):
    first_s: Floats
    second_s: Floats
    gained: Floats
    """From the first to the second, by the fixes: speed [m/s], or way [m]."""
    overlap: float
    """How many of them share each second."""


def pairs_of(motion: Motion, even: Floats, t: Floats) -> SecondPairs:
    """Fixes a second apart, without strays, pauses and holes in the board's readings between."""
    apart = max(round(_OVER_S / motion.step_s), 1)
    stride = max(apart // 4, 1, len(motion.t_s) // _MOST_PAIRS)
    first = np.arange(0, len(motion.t_s) - apart, stride)
    second = first + apart
    begin, end = motion.t_s[first], motion.t_s[second]
    moving = np.maximum(motion.speed_mps[first], motion.speed_mps[second]) > 1.0
    sure = np.minimum(motion.trust[first], motion.trust[second]) > 0.5
    whole = end - begin < 1.5 * apart * motion.step_s
    inside = (begin > even[0] + MOST_DELAY_S + 0.1) & (end < even[-1] - MOST_DELAY_S - 0.1)
    holes = np.flatnonzero(np.diff(t) > HOLE_S)
    far = np.ones(len(begin), bool)
    if len(holes):
        # No hole from MOST_DELAY_S before the pair to as much after it would leave too few: those between are enough.
        after = np.searchsorted(t[holes], begin - 0.3)
        upto = np.searchsorted(t[holes + 1], end + 0.3)
        far = upto <= after
    use = moving & sure & whole & inside & far
    # A car that stands reads zero: the receiver's noise has no sign there.
    still = [_at_rest(motion, times) for times in (begin, end)]
    speed = np.where(still[1], 0.0, motion.reading_mps[second]) - np.where(still[0], 0.0, motion.reading_mps[first])
    return SecondPairs(begin[use], end[use], speed[use], max(apart / stride, 1.0))


def _at_rest(motion: Motion, times: Floats) -> Bools:
    out = np.zeros(len(times), bool)
    for rest in motion.rests:
        out |= (times >= rest.start_s) & (times <= rest.end_s)
    return out


def _holds_throughout(pairs: SecondPairs, even: Floats, gained: Floats, delay: float, fit: BesideFit) -> None:
    """BesideUnusable where the mounting that holds for the drive does not hold for a third of it."""
    first, second = (np.stack([np.interp(at + delay, even, column) for column in gained.T], -1)
                     for at in (pairs.first_s, pairs.second_s))  # fmt: skip
    by_board = (second - first) @ fit.direction
    for part in np.array_split(np.arange(len(by_board)), 3):
        x, y = by_board[part], pairs.gained[part]
        x, y = x - x.mean(), y - y.mean()
        follows = float(x @ y) / max(math.sqrt(float(x @ x) * float(y @ y)), 1e-9)
        if follows < LEAST_AGREEMENT or not 0.75 < float(x @ y) / max(float(x @ x), 1e-9) < 1.33:
            raise BesideUnusable("it came loose (in part of the drive it does not follow the fixes' speed)")


class BesideFit(NamedTuple):
    left: float
    """Sum of the squares that are left, each reading off by more than three of the usual counting as three."""
    direction: Floats
    agreement: float


def _fit(pairs: SecondPairs, even: Floats, gained: Floats, delay: float) -> BesideFit:
    """The mounting by the board's gains `delay` later than the fixes'; pairs that fit badly count for less."""
    columns = [
        np.interp(pairs.second_s + delay, even, column) - np.interp(pairs.first_s + delay, even, column)
        for column in gained.T
    ]
    design = np.stack([*columns, pairs.second_s - pairs.first_s], -1)
    weight = np.ones(len(pairs.gained))
    for _ in range(4):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(design * root[:, None], pairs.gained * root, rcond=None)[0]
        off = np.abs(pairs.gained - design @ found)
        usual = 1.4826 * float(np.median(off)) + 1e-6
        weight = np.minimum(1.0, 3 * usual / np.maximum(off, 1e-9))
    fitted = design @ found
    total = float(weight @ pairs.gained**2)
    agreement = float(weight @ (fitted * pairs.gained)) / math.sqrt(max(total * float(weight @ fitted**2), 1e-12))
    return BesideFit(float(weight @ off**2), found[:-1], agreement)
