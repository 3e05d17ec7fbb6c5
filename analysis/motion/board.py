"""A small board's accelerometer, laid onto the fixes: how late it is, how it is mounted, what it reads standing.

    board = mount(readings, motion)          # BesideUnusable says why where it cannot be used
    board.t_s, board.forward_mps2            # along the car, on the fixes' axis; what it reads standing is still in it

What the board's axes gain over a second is laid against what the fixes' speed gains over the same second. For each
delay tried the mounting is a linear least squares problem: speed gained = c . (integral of the readings less what they
are standing); the delay is that of the least squares of all, its sigma by their curvature. So c holds direction and
scale, whichever way up the board is mounted and whatever its sign; gravity at the standstills takes out of c what is
not level. A board that does not follow the fixes so is not used, and says why.

Speeds gained, not accelerations, are compared: so the receiver's readings stay as they came, and their noise white.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from analysis.arrays import Bools, Floats, first_order
from analysis.motion.beside_fixes import (
    GRID_STEP_S,
    BesideUnusable,
    evened,
    find_delay,
    pairs_of,
    rate_of,
)
from analysis.motion.braked_stops import Smoothing
from analysis.motion.smoother import Motion

LEAST_HZ = 20.0
"""Fewer readings a second don't show when the car leaves any better than fixes do (common practice, no source)."""
SCALE = (0.7, 1.5)
"""What the board's reading may have to be taken times: a single axis that points 45 degrees off needs 1.4."""
GRAVITY_MPS2 = (8.3, 11.3)
"""What three axes read together at a standstill, by boards that are 15 % off at most."""
MOST_CREEP_MPS2 = 0.1
"""How far the means of a standstill's halves may lie apart: more is 0.1 m/s within a start."""
MOST_TILT_DEG = 15.0
"""Between standstills: streets differ by 10 at most."""
TRIED_S = np.array([0.0, 0.04, 0.08, 0.12, 0.16, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6, 0.75])
"""Time constants of the receiver's smoothing."""
_SHARED = 4.0
"""How many pairs of fixes count as one: what road and squat leave is alike in those close together."""
STUCK_S = 1.0


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
    """How a board is mounted and how late it is, by a drive's motion. BesideUnusable where that cannot be told."""
    t, accel = _usable(readings, motion)
    hz = rate_of(t)
    if hz < LEAST_HZ:
        raise BesideUnusable(f"it sends only {hz:.0f} readings a second, and {LEAST_HZ:.0f} are needed")
    standing = _standing(t, accel, motion)
    if accel.shape[1] == 3:
        gravity = float(np.median(np.linalg.norm(standing[1], axis=1)))
        if not GRAVITY_MPS2[0] < gravity < GRAVITY_MPS2[1]:
            raise BesideUnusable(f"at a standstill its three axes read {gravity:.1f} m/s2 together, but gravity is 9.8")
        usual = np.median(standing[1], axis=0)
        lengths = np.linalg.norm(standing[1], axis=1) * np.linalg.norm(usual)
        if float((standing[1] @ usual / lengths).min()) < math.cos(math.radians(MOST_TILT_DEG)):
            raise BesideUnusable("it came loose (at a later standstill it lies differently)")
    even = np.arange(t[0], t[-1], GRID_STEP_S)
    gained = _gained(even, t, accel, standing, motion.receiver.undone_s)
    delay, spread, fit = find_delay(pairs_of(motion, even, t), even, gained)
    direction = fit.direction
    if accel.shape[1] == 3:
        down = standing[1].mean(0)
        direction = direction - down * (direction @ down) / (down @ down)
    scale = float(np.linalg.norm(direction))
    if not SCALE[0] < scale < SCALE[1]:
        raise BesideUnusable(f"it shows {1 / scale:.1f} times the acceleration that the fixes show")
    limits = ((accel == accel.max(0)) | (accel == accel.min(0))).any(1)
    return Board(
        readings.source, t - delay, accel @ direction, delay, spread, scale, fit.agreement, hz, np.asarray(limits, bool)
    )  # fmt: skip


def smoothing_beside(readings: BoardReadings, motion: Motion) -> Smoothing | None:
    """How much the receiver smooths speed, by how its readings trail those of a board; None where it cannot tell.

    For each time constant the board is filtered so, and its best delay sought: what is left of the speed gained says
    how likely it is. A lag alone is the delay's; the filter shows in how corners are rounded.
    """
    try:
        mount(readings, motion)  # a board that cannot tell first movement tells nothing of the receiver either
        t, accel = _usable(readings, motion)
        standing = _standing(t, accel, motion)
        even = np.arange(t[0], t[-1], GRID_STEP_S)
        pairs = pairs_of(motion, even, t)
        found = [find_delay(pairs, even, _gained(even, t, accel, standing, time), part=True) for time in TRIED_S]
    except BesideUnusable:
        return None
    left = np.array([each.fit.left for each in found])
    log = -len(pairs.gained) * (left - left.min()) / (2 * left.min()) / _SHARED
    weight = np.exp(log) * np.gradient(TRIED_S)
    weight /= weight.sum()
    mean = float(weight @ TRIED_S)
    sigma = math.hypot(float(np.sqrt(weight @ (TRIED_S - mean) ** 2)), 0.01)
    return Smoothing(mean, max(mean - 1.96 * sigma, 0.0), mean + 1.96 * sigma, sigma, 0)


def _usable(readings: BoardReadings, motion: Motion) -> tuple[Floats, Floats]:
    """Times and readings in order of time, beside the fixes, without those that are void or stuck."""
    beside = (readings.t_s > motion.t_s[0] - 3.0) & (readings.t_s < motion.t_s[-1] + 3.0)
    good = beside & np.isfinite(readings.t_s) & np.isfinite(readings.accel_mps2).all(1)
    if good.sum() < 100:
        raise BesideUnusable(f"it has only {int(good.sum())} readings")
    order = np.argsort(readings.t_s[good], kind="stable")
    t, accel = readings.t_s[good][order], readings.accel_mps2[good][order]
    fresh = np.concatenate([[True], np.diff(t) > 1e-6])
    t, accel = t[fresh], accel[fresh]
    stuck = _stuck(t, accel)
    if stuck.mean() > 0.5:
        raise BesideUnusable(f"it is stuck at one reading for {100 * stuck.mean():.0f} % of the drive")
    return evened(t[~stuck]), accel[~stuck]


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
        raise BesideUnusable("there is no standstill of three seconds recorded with it")
    if (creeps := float(np.median(crept))) > MOST_CREEP_MPS2:
        raise BesideUnusable(f"its readings do not stay steady while the car stands still ({creeps:.2f} m/s2)")
    return np.array(when), np.stack(mean)


def _gained(even: Floats, t: Floats, accel: Floats, standing: tuple[Floats, Floats], smoothing_s: float) -> Floats:
    """Integral of what the axes read less what they read standing, as the receiver would show it: (even, axes)."""
    columns = []
    for axis in range(accel.shape[1]):
        free = accel[:, axis] - np.interp(t, standing[0], standing[1][:, axis])
        whole = np.concatenate([[0.0], np.cumsum((free[1:] + free[:-1]) / 2 * np.diff(t))])
        column = np.interp(even, t, whole)
        if smoothing_s:
            kept = math.exp(-GRID_STEP_S / smoothing_s)
            column = first_order(1 - kept, 0.0, kept, column)
        columns.append(column)
    return np.stack(columns, -1)
