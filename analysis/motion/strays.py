"""Stray readings: those that are no measurement of the car's speed, one by itself or several in a row.

Strays come in clumps: what bends a receiver's signals does so for a while. So whether a reading is one is a state that
lasts from fix to fix, beside the levels of wander of the switching model: in that state the car goes on as it did and
readings say nothing. A filter over the drive forwards and one backwards give each reading's chance of being a stray:
a clump leaps away and leaps back, which no car does, while what a car does lasts.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Bools, Floats, running_median
from analysis.motion.fixes import left_out
from analysis.motion.levels import Q_ENTER, Q_LEAVE_PER_S, Q_LEVELS, Q_SHARE, make_blocks, unblock

STRAY_MPS = 1.0
"""Standard deviation of a stray reading about the true speed."""
SLOWEST_STEP_S = 0.25
"""With fixes further apart than this a stray cannot be told from what the car did."""
LASTING = 0.6
"""How likely the reading after a stray is one too."""
EXPECTED_SHARE = 0.01
"""Which share of the readings is expected to be strays, where some seem to be."""
LONGEST_CLUMP = 9
RARE, NEAR_S = 0.0006, 10.0
"""Where fewer than this share of the readings seem to be strays, only what is as near to one is looked at [s]: the
filter forgets within it, and a receiver that hardly strays does not do so unseen."""
_STRAY_Q = 0.3
"""How the acceleration wanders while readings say nothing [m2/s5]."""
_LEVELS = len(Q_LEVELS)
_MODES = _LEVELS + 1
_CHUNK = 20_000


def seeming_strays(t: Floats, y: Floats, sigma: float) -> Bools:
    """The readings that stand out from both a cubic through their neighbours and their median, and those between a
    leap away and a leap back (n)."""
    if len(y) < 20 or float(np.median(np.diff(t))) > SLOWEST_STEP_S:
        return np.zeros(len(y), bool)
    error, scale = left_out(t, y)
    away = y - running_median(y, 5)
    out = (np.abs(error) > 4.5 * sigma * scale) & (np.abs(away) > 4.5 * sigma) & (error * away > 0)
    step = np.diff(y)
    # What the car gains from fix to fix meanwhile.
    leap = step - running_median(step, 2 * LONGEST_CLUMP + 5)
    large = np.flatnonzero(np.abs(leap) > max(5.0 * sigma, 0.15))
    for first, second in itertools.pairwise(large):
        if second - first <= LONGEST_CLUMP and leap[first] * leap[second] < 0:
            out[first + 1 : second + 1] = True
    out[:2] = out[-2:] = False
    return out


def trust_in(t: Floats, y: Floats, sigma: float) -> Floats:
    """Probability that each reading is no stray (n), asked where some seem to be; `sigma` is the noise of those that
    are none."""
    seeming = seeming_strays(t, y, sigma)
    near = np.full(len(t), bool(seeming.any()))
    reach = round(NEAR_S / float(np.median(np.diff(t))))
    if 0 < seeming.mean() < RARE and 2 * reach < len(t):
        # What lies between two such stretches is a pause, over which the filter forgets.
        near = np.convolve(seeming, np.ones(2 * reach + 1), "same") > 0.5
    out = np.ones(len(t))
    if near.any():
        out[near] = _trust(t[near], y[near], sigma)
    return out


def _trust(t: Floats, y: Floats, sigma: float) -> Floats:
    good = np.ones(len(t))
    blocks = make_blocks(t)
    n = len(t)
    step = float(np.median(np.diff(t)))
    forward = unblock(blocks, _foretold(t, y, blocks.index, blocks.real, sigma, step), n)
    backward = unblock(blocks, _foretold(-t[::-1], y[::-1], blocks.index, blocks.real, sigma, step), n)[::-1]
    for first in range(0, n, _CHUNK):
        part = slice(first, first + _CHUNK)
        good[part] = _joined(y[part], forward[part], backward[part], sigma, step)
    return good


def _passing_on(step: float) -> Floats:
    """Chance to go from each mode (levels, then stray) to each from one fix to the next: (modes, modes)."""
    begin = EXPECTED_SHARE * (1 - LASTING) / (1 - EXPECTED_SHARE)
    stay = np.exp(-Q_LEAVE_PER_S * step)
    out = np.zeros((_MODES, _MODES))
    out[:_LEVELS, :_LEVELS] = (1 - begin) * (np.diag(stay) + (1 - stay)[:, None] * Q_ENTER / Q_ENTER.sum())
    out[:_LEVELS, -1] = begin
    out[-1, :_LEVELS] = (1 - LASTING) * Q_SHARE
    out[-1, -1] = LASTING
    return out


def _foretold(t: Floats, y: Floats, index: NDArray[np.intp], real: Bools, sigma: float, step: float) -> Floats:
    """What the readings before each foretell of it, in each mode: (blocks, steps, 6, modes) of weight, speed,
    acceleration and their covariance (00, 01, 11)."""
    rows, steps = index.shape
    out = np.empty((rows, steps, 6, _MODES))
    goes = _passing_on(step)
    q = np.append(Q_LEVELS, _STRAY_Q)
    counts = np.append(np.ones(_LEVELS), 0.0)
    spread = np.append(np.full(_LEVELS, sigma**2), STRAY_MPS**2)
    v = np.repeat(y[index[np.arange(rows), np.argmax(real, 1)]][:, None], _MODES, 1)
    a = np.zeros((rows, _MODES))
    p00, p01, p11 = np.full((rows, _MODES), 25.0), np.zeros((rows, _MODES)), np.full((rows, _MODES), 9.0)
    weight = np.repeat(np.append(Q_SHARE * (1 - EXPECTED_SHARE), EXPECTED_SHARE)[None], rows, 0)
    before = t[index[:, 0]]
    for k in range(steps):
        at, ok = index[:, k], real[:, k]
        h = np.where(ok, t[at] - before, 0.0)[:, None]
        before = t[at]
        # Modes share what they knew by how likely each came from each.
        middle = v[:, -1:]
        d = v - middle
        moved = np.maximum(weight @ goes, 1e-30)
        d2, a2 = (weight * d) @ goes / moved, (weight * a) @ goes / moved
        p00 = (weight * (p00 + d * d)) @ goes / moved - d2 * d2
        p01 = (weight * (p01 + d * a)) @ goes / moved - d2 * a2
        p11 = (weight * (p11 + a * a)) @ goes / moved - a2 * a2
        v, a, weight = middle + d2, a2, moved
        v = v + h * a
        p00 = p00 + h * (2 * p01 + h * p11) + q * h**3 / 3
        p01, p11 = p01 + h * p11 + q * h * h / 2, p11 + q * h
        out[:, k] = np.stack([weight, v, a, p00, p01, p11], 1)
        s = p00 + np.where(ok[:, None], spread, 1e12)
        e = y[at][:, None] - v
        log = -0.5 * (np.log(s) + e * e / s)
        g0, g1 = counts * p00 / s, counts * p01 / s
        v, a = v + g0 * e, a + g1 * e
        p11 = p11 - g1 * p01
        p01, p00 = p01 * (1 - g0), p00 * (1 - g0)
        weight = weight * np.exp(np.maximum(log - log.max(1, keepdims=True), -60.0))
        weight = weight / weight.sum(1, keepdims=True)
    return out


def _joined(y: Floats, forward: Floats, backward: Floats, sigma: float, step: float) -> Floats:
    """Probability that each reading is no stray by what those before it and after it foretell (n, 6, modes)."""
    goes = _passing_on(step)[:_LEVELS, :_LEVELS]
    link = goes / goes.sum(1, keepdims=True) / Q_SHARE / (1 - EXPECTED_SHARE)

    def log(f: tuple[Floats, ...], b: tuple[Floats, ...], extra: float) -> Floats:
        (w0, v0, a0, f00, f01, f11), (w1, v1, a1, b00, b01, b11) = f, b
        s00, s01, s11 = f00 + b00, f01 + b01, f11 + b11
        det = np.maximum(s00 * s11 - s01 * s01, 1e-300)
        dv, da = v1 - v0, a1 - a0
        out = np.log(w0 * w1 + 1e-300) - 0.5 * np.log(det)
        out -= 0.5 * (s11 * dv * dv - 2 * s01 * dv * da + s00 * da * da) / det
        k0, k1 = (f00 * s11 - f01 * s01) / det, (f01 * s00 - f00 * s01) / det
        s = np.maximum(f00 - k0 * f00 - k1 * f01, 1e-9) + extra
        off = y.reshape(-1, *[1] * (v0.ndim - 1)) - (v0 + k0 * dv + k1 * da)
        return np.asarray(out - 0.5 * (np.log(s) + off * off / s), float)

    # Going backwards the acceleration has the other sign.
    turned = backward * np.array([1.0, 1.0, -1.0, 1.0, -1.0, 1.0])[:, None]
    levels = [forward[:, i, :_LEVELS, None] for i in range(6)], [turned[:, i, None, :_LEVELS] for i in range(6)]
    none = log(tuple(levels[0]), tuple(levels[1]), sigma**2) + np.log(link)
    stray = log(tuple(forward[:, i, -1] for i in range(6)), tuple(turned[:, i, -1] for i in range(6)), STRAY_MPS**2)
    stray -= np.log(EXPECTED_SHARE)
    top = none.max((1, 2))
    odds = stray - top - np.log(np.exp(none - top[:, None, None]).sum((1, 2)))
    return np.asarray(1 / (1 + np.exp(np.clip(odds, -50, 50))), float)
