"""A small board's accelerometer, laid onto the fixes: how late it is, how it is mounted, what it reads standing.

    board = mount(readings, motion)          # BoardUnusable says why where it cannot be used
    board.t_s, board.forward_mps2            # along the car, on the fixes' axis; what it reads standing is still in it

What the board's axes gain over a second is laid against what the fixes' speed gains over the same second. For each
delay tried the mounting is a linear least squares problem: speed gained = c . (integral of the readings less what they
are standing); the delay is that of the least squares of all, its sigma by their curvature. So c holds direction and
scale, whichever way up the board is mounted and whatever its sign; gravity at the standstills takes out of c what is
not level. A board that does not follow the fixes so is not used, and says why.

Speeds gained, not accelerations, are compared: so the receiver's readings stay as they came, and their noise white.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import lfilter

from analysis.arrays import Bools, Floats
from analysis.motion.smoother import Motion

LEAST_HZ = 20.0
"""Fewer readings a second don't show when the car leaves any better than fixes do (common practice, no source)."""
MOST_DELAY_S = 1.2
LEAST_AGREEMENT = 0.9
"""Correlation of the speed gained by the board with that gained by the fixes, from which on the board is believed."""
SCALE = (0.7, 1.5)
"""What the board's reading may have to be taken times: a single axis that points 45 degrees off needs 1.4."""
GRAVITY_MPS2 = (8.3, 11.3)
"""What three axes read together at a standstill, by boards that are 15 % off at most."""
MOST_CREEP_MPS2 = 0.1
"""How far the means of a standstill's halves may lie apart: more is 0.1 m/s within a start."""
MOST_TILT_DEG = 15.0
"""Between standstills: streets differ by 10 at most."""
STUCK_S = 1.0
HOLE_S = 0.15
"""Readings further apart than this are not bridged."""
SURE_DELAY_S = 0.03
_EVEN_OVER = 21
"""Readings over whose mean a burst is evened out."""
_OVER_S = 1.0
_STEP_S = 0.01
_MOST_PAIRS = 6000
_LEAST_PAIRS = 60


class BoardUnusable(Exception):
    """Why a board's readings cannot be used, as the end of a sentence."""


class BoardReadings(NamedTuple):
    """A board's readings: times [s] on the fixes' axis, as they arrived (n); accelerations [m/s2] (n, axes); the
    source's name."""

    t_s: Floats
    accel_mps2: Floats
    source: str


@dataclass(frozen=True)
class Board:
    """A board that is understood. Arrays of one length.

    scale: what its readings are taken times; delay_s: how much later than the fixes its readings are stamped.
    """

    source: str
    t_s: Floats
    """On the fixes' axis, the delay taken off [s]."""
    forward_mps2: Floats
    """Along the car; what it reads standing is still in it [m/s2]."""
    delay_s: float
    delay_sigma_s: float
    scale: float
    agreement: float
    hz: float
    limits: Bools
    """Where some axis reads its least or its most: it may be clipped there."""


def mount(readings: BoardReadings, motion: Motion) -> Board:
    """How a board is mounted and how late it is, by a drive's motion. BoardUnusable where that cannot be told."""
    t, accel = _usable(readings)
    steps = np.diff(t)
    hz = 1 / float(np.mean(steps[steps < HOLE_S])) if (steps < HOLE_S).any() else 0.0
    if hz < LEAST_HZ:
        raise BoardUnusable(f"it reads only {hz:.0f} times a second, and {LEAST_HZ:.0f} are needed")
    standing = _standing(t, accel, motion)
    if accel.shape[1] == 3:
        gravity = float(np.median(np.linalg.norm(standing[1], axis=1)))
        if not GRAVITY_MPS2[0] < gravity < GRAVITY_MPS2[1]:
            raise BoardUnusable(f"at a standstill its three axes read {gravity:.1f} m/s2 together, and gravity is 9.8")
        usual = np.median(standing[1], axis=0)
        lengths = np.linalg.norm(standing[1], axis=1) * np.linalg.norm(usual)
        if float((standing[1] @ usual / lengths).min()) < math.cos(math.radians(MOST_TILT_DEG)):
            raise BoardUnusable("it came loose: at a later standstill it lies otherwise")
    even = np.arange(t[0], t[-1], _STEP_S)
    gained = _gained(even, t, accel, standing, motion.receiver.undone_s)
    pairs = _pairs(motion, even, t)
    if len(pairs.speed) < _LEAST_PAIRS:
        raise BoardUnusable("there is too little driving beside it to tell how it is mounted")
    delays = np.arange(-MOST_DELAY_S, MOST_DELAY_S + 0.01, 0.04)
    left = np.array([_fit(pairs, even, gained, delay).left for delay in delays])
    best = float(delays[int(np.argmin(left))])
    fine = np.arange(best - 0.08, best + 0.081, 0.01)
    fits = [_fit(pairs, even, gained, delay) for delay in fine]
    left = np.array([fit.left for fit in fits])
    k = int(np.clip(np.argmin(left), 1, len(fine) - 2))
    bend = float(left[k - 1] - 2 * left[k] + left[k + 1]) / 0.01**2
    fit = fits[k]
    if fit.agreement < LEAST_AGREEMENT:
        raise BoardUnusable(f"it does not follow the fixes' speed (correlation {fit.agreement:.2f})")
    _holds_throughout(pairs, even, gained, float(fine[k]), fit)
    if not -MOST_DELAY_S < fine[k] < MOST_DELAY_S or bend <= 0:
        raise BoardUnusable(f"its delay is not within {MOST_DELAY_S} s")
    delay = float(fine[k]) + 0.005 * float(left[k - 1] - left[k + 1]) / (bend * 0.01**2)
    spread = math.sqrt(2 * left[k] / max(len(pairs.speed) - accel.shape[1] - 1, 1) / bend * pairs.overlap)
    if spread > SURE_DELAY_S:
        raise BoardUnusable(f"its delay is only known to {spread:.2f} s: too little driving beside it")
    direction = fit.direction
    if accel.shape[1] == 3:
        down = standing[1].mean(0)
        direction = direction - down * (direction @ down) / (down @ down)
    scale = float(np.linalg.norm(direction))
    if not SCALE[0] < scale < SCALE[1]:
        raise BoardUnusable(f"it shows {1 / scale:.1f} times the acceleration that the fixes show")
    limits = ((accel == accel.max(0)) | (accel == accel.min(0))).any(1)
    return Board(
        readings.source, t - delay, accel @ direction, delay, spread, scale, fit.agreement, hz, np.asarray(limits, bool)
    )  # fmt: skip


def _usable(readings: BoardReadings) -> tuple[Floats, Floats]:
    """Times and readings in order of time, without those that are void or stuck."""
    good = np.isfinite(readings.t_s) & np.isfinite(readings.accel_mps2).all(1)
    if good.sum() < 100:
        raise BoardUnusable(f"it has only {int(good.sum())} readings")
    order = np.argsort(readings.t_s[good], kind="stable")
    t, accel = readings.t_s[good][order], readings.accel_mps2[good][order]
    fresh = np.concatenate([[True], np.diff(t) > 1e-6])
    t, accel = t[fresh], accel[fresh]
    stuck = _stuck(t, accel)
    if stuck.mean() > 0.5:
        raise BoardUnusable(f"it is stuck at one reading for {100 * stuck.mean():.0f} % of the drive")
    return _evened(t[~stuck]), accel[~stuck]


def _evened(t: Floats) -> Floats:
    """Times of readings that a board takes evenly and a cable delivers in bursts: between holes, even to the eye."""
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


def _stuck(t: Floats, accel: Floats) -> Bools:
    """Readings that repeat the one before them on all axes for `STUCK_S` and more: a board shivers by itself."""
    begins = np.flatnonzero(np.concatenate([[True], (np.diff(accel, axis=0) != 0).any(1)]))
    ends = np.append(begins[1:], len(t))
    out = np.zeros(len(t), bool)
    for first, end in zip(begins[t[ends - 1] - t[begins] >= STUCK_S], ends[t[ends - 1] - t[begins] >= STUCK_S],
                          strict=True):  # fmt: skip
        out[first:end] = True
    return out


def _standing(t: Floats, accel: Floats, motion: Motion) -> tuple[Floats, Floats]:
    """Middle of each standstill, and what the axes read there (standstills, axes)."""
    when, mean, crept = [], [], []
    for rest in motion.rests:
        inside = (t > rest.start_s + 1.2) & (t < rest.end_s - 0.8)
        if inside.sum() >= 40 and float(np.ptp(t[inside])) > 0.6:
            when.append(float(t[inside].mean()))
            mean.append(accel[inside].mean(0))
            half = inside & (t < when[-1])
            crept.append(float(np.linalg.norm(accel[half].mean(0) - accel[inside & ~half].mean(0))))
    if not when:
        raise BoardUnusable("there is no standstill of three seconds beside it")
    if (creeps := float(np.median(crept))) > MOST_CREEP_MPS2:
        raise BoardUnusable(f"while the car stands by the fixes its readings don't hold still ({creeps:.2f} m/s2)")
    return np.array(when), np.stack(mean)


def _gained(even: Floats, t: Floats, accel: Floats, standing: tuple[Floats, Floats], smoothing_s: float) -> Floats:
    """Integral of what the axes read less what they read standing, as the receiver would show it: (even, axes)."""
    columns = []
    for axis in range(accel.shape[1]):
        free = accel[:, axis] - np.interp(t, standing[0], standing[1][:, axis])
        whole = np.concatenate([[0.0], np.cumsum((free[1:] + free[:-1]) / 2 * np.diff(t))])
        column = np.interp(even, t, whole)
        if smoothing_s:
            kept = math.exp(-_STEP_S / smoothing_s)
            column = lfilter([1 - kept], [1, -kept], column)
        columns.append(column)
    return np.stack(columns, -1)


class _Pairs(NamedTuple):
    first_s: Floats
    second_s: Floats
    speed: Floats
    """Gained from the first to the second [m/s]."""
    overlap: float
    """How many of them share each second."""


def _pairs(motion: Motion, even: Floats, t: Floats) -> _Pairs:
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
    return _Pairs(begin[use], end[use], speed[use], max(apart / stride, 1.0))


def _at_rest(motion: Motion, times: Floats) -> NDArray[np.bool_]:
    out = np.zeros(len(times), bool)
    for rest in motion.rests:
        out |= (times >= rest.start_s) & (times <= rest.end_s)
    return out


def _holds_throughout(pairs: _Pairs, even: Floats, gained: Floats, delay: float, fit: _Fitted) -> None:
    """BoardUnusable where the mounting that holds for the drive does not hold for a third of it."""
    first, second = (np.stack([np.interp(at + delay, even, column) for column in gained.T], -1)
                     for at in (pairs.first_s, pairs.second_s))  # fmt: skip
    by_board = (second - first) @ fit.direction
    for part in np.array_split(np.arange(len(by_board)), 3):
        x, y = by_board[part], pairs.speed[part]
        x, y = x - x.mean(), y - y.mean()
        follows = float(x @ y) / max(math.sqrt(float(x @ x) * float(y @ y)), 1e-9)
        if follows < LEAST_AGREEMENT or not 0.75 < float(x @ y) / max(float(x @ x), 1e-9) < 1.33:
            raise BoardUnusable("it came loose: in a part of the drive it does not follow the fixes' speed")


class _Fitted(NamedTuple):
    left: float
    """Sum of the squares that are left, each reading off by more than three of the usual counting as three."""
    direction: Floats
    agreement: float


def _fit(pairs: _Pairs, even: Floats, gained: Floats, delay: float) -> _Fitted:
    """The mounting by the board's gains `delay` later than the fixes'; pairs that fit badly count for less."""
    columns = [
        np.interp(pairs.second_s + delay, even, column) - np.interp(pairs.first_s + delay, even, column)
        for column in gained.T
    ]
    design = np.stack([*columns, pairs.second_s - pairs.first_s], -1)
    weight = np.ones(len(pairs.speed))
    for _ in range(4):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(design * root[:, None], pairs.speed * root, rcond=None)[0]
        off = np.abs(pairs.speed - design @ found)
        usual = 1.4826 * float(np.median(off)) + 1e-6
        weight = np.minimum(1.0, 3 * usual / np.maximum(off, 1e-9))
    fitted = design @ found
    total = float(weight @ pairs.speed**2)
    agreement = float(weight @ (fitted * pairs.speed)) / math.sqrt(max(total * float(weight @ fitted**2), 1e-12))
    return _Fitted(float(weight @ off**2), found[:-1], agreement)
