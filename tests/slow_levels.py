"""The switching filter as it was first written, level by level and one direction after the other: what
`analysis.motion.levels.run_levels` is held to."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from analysis.arrays import Floats
from analysis.motion.levels import Q_ENTER, Q_LEAVE_PER_S, Q_LEVELS, Q_SHARE, FixBlocks


def run_levels(t: Floats, y: Floats, blocks: FixBlocks, variance: Floats) -> Iterator[tuple[Floats, ...]]:
    """The filter's steps: weights of the levels after and before the reading, log likelihood of the reading (blocks),
    and the levels' states m0, m1, p00, p01, p11 (blocks, levels)."""
    index, real = blocks.index, blocks.real
    rows, steps = index.shape
    levels = len(Q_LEVELS)
    m0 = np.repeat(y[index[np.arange(rows), np.argmax(real, 1)]][:, None], levels, 1)
    m1 = np.zeros((rows, levels))
    p00, p01, p11 = np.full((rows, levels), 25.0), np.zeros((rows, levels)), np.full((rows, levels), 9.0)
    weight = np.repeat(Q_SHARE[None, :], rows, 0)
    before = t[index[:, 0]]
    for k in range(steps):
        at, ok = index[:, k], real[:, k]
        now = t[at]
        h = np.where(ok, now - before, 0.0)[:, None]
        before = now
        # Levels that are left share what they knew.
        stay = np.exp(-Q_LEAVE_PER_S * h)
        kept = weight * stay
        leave = weight - kept
        left = leave.sum(1, keepdims=True)
        share = leave / np.maximum(left, 1e-300)
        pm0, pm1 = (share * m0).sum(1, keepdims=True), (share * m1).sum(1, keepdims=True)
        e0, e1 = m0 - pm0, m1 - pm1
        pp00 = (share * (p00 + e0 * e0)).sum(1, keepdims=True)
        pp01 = (share * (p01 + e0 * e1)).sum(1, keepdims=True)
        pp11 = (share * (p11 + e1 * e1)).sum(1, keepdims=True)
        predicted = np.maximum(kept + Q_ENTER * left, 1e-12)
        own = kept / predicted
        other = 1 - own
        both = own * other
        m0, m1 = own * m0 + other * pm0, own * m1 + other * pm1
        p00 = own * p00 + other * pp00 + both * e0 * e0
        p01 = own * p01 + other * pp01 + both * e0 * e1
        p11 = own * p11 + other * pp11 + both * e1 * e1
        # Predict.
        m0 = m0 + h * m1
        hq = h * Q_LEVELS
        p00 = p00 + h * (2 * p01 + h * p11) + hq * h * h / 3
        p01 = p01 + h * p11 + hq * h / 2
        p11 = p11 + hq
        # Update.
        s = p00 + np.where(ok, variance[:, k], 1e12)[:, None]
        e = y[at][:, None] - m0
        log = -0.5 * (np.log(s) + e * e / s)
        k0, k1 = p00 / s, p01 / s
        m0, m1 = m0 + k0 * e, m1 + k1 * e
        p11 = p11 - k1 * p01
        p01 = p01 * (1 - k0)
        p00 = p00 * (1 - k0)
        top = log.max(1, keepdims=True)
        weight = predicted * np.exp(np.maximum(log - top, -50.0))
        total = weight.sum(1, keepdims=True)
        weight = weight / total
        yield weight, predicted, top[:, 0] + np.log(total[:, 0]), m0, m1, p00, p01, p11
