"""The switching model of a drive's motion: a filter of several levels of wander over all blocks of a drive at once.

See `analysis.motion.smoother` for the model. Here are its levels, the blocks, the filter's steps, and the likelihood of
the readings under way for a noise that is white or wanders.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Bools, Floats

Q_LEVELS = np.array([3e-4, 3e-3, 3e-2, 0.3, 3.0, 60.0])
Q_LEAVE_PER_S = np.array([0.15, 0.15, 0.2, 0.3, 1.0, 6.0])
Q_ENTER = np.array([0.2, 0.2, 0.2, 0.2, 0.15, 0.05])
Q_SHARE = Q_ENTER / Q_LEAVE_PER_S / np.sum(Q_ENTER / Q_LEAVE_PER_S)
"""Levels of q; how often each is left; which is entered then; the share of time that follows for each."""


@dataclass(frozen=True)
class FixBlocks:
    """A drive cut into blocks that overlap, so that all are filtered side by side: the smoother forgets within the
    overlap. index (blocks, steps) into the fixes, clipped; real: not beyond the ends; core: the part to keep."""

    index: NDArray[np.intp]
    real: Bools
    core: slice
    starts: NDArray[np.int64]
    length: int


def make_blocks(t: Floats) -> FixBlocks:
    n = len(t)
    step = float(np.median(np.diff(t)))
    overlap = int(min(max(round(10.0 / step), 30), 400))
    length = n if n <= 3 * overlap else max(overlap, int(np.sqrt(n)))
    if length == n:
        overlap = 0
    starts = np.arange(0, n, length)
    raw = starts[:, None] + np.arange(-overlap, length + overlap)[None, :]
    return FixBlocks(np.clip(raw, 0, n - 1), (raw >= 0) & (raw < n), slice(overlap, overlap + length), starts, length)


def unblock(blocks: FixBlocks, values: Floats, n: int) -> Floats:
    """The core of each block, put back in a row: (blocks, steps, ...) -> (n, ...)."""
    core = values[:, blocks.core]
    return np.asarray(core.reshape(-1, *core.shape[2:])[:n], float)


def run_levels(at: Floats, seen: Floats, real: Bools, variance: Floats) -> Iterator[tuple[Floats, ...]]:
    """The filter's steps over rows of readings `seen` at times `at`, with their variance (rows, steps): weights of the
    levels after and before the reading (levels, rows), log likelihood of the reading (rows), and the levels' states:
    mean of speed and acceleration (2, levels, rows), covariance 00, 01, 11 (3, levels, rows).

    The next step writes over the states, so who keeps one keeps a copy.
    """
    n, steps = at.shape
    h_of = np.where(real, np.diff(at, prepend=at[:, :1]), 0.0).T
    noise_of = np.where(real, variance, 1e12).T
    leave_per_s, enter, q = Q_LEAVE_PER_S[:, None], Q_ENTER[:, None], Q_LEVELS[:, None]
    mean, cov = np.zeros((2, len(Q_LEVELS), n)), np.zeros((3, len(Q_LEVELS), n))
    mean[0] = seen[np.arange(n), np.argmax(real, 1)]
    cov[0], cov[2] = 25.0, 9.0
    apart = np.empty_like(cov)
    weight = np.repeat(Q_SHARE[:, None], n, 1)
    for k in range(steps):
        h = h_of[k]
        # Levels that are left share what they knew.
        kept = weight * np.exp(-leave_per_s * h)
        leave = weight - kept
        left = leave.sum(0)
        share = leave / np.maximum(left, 1e-300)
        pool = (share * mean).sum(1)[:, None]
        e = mean - pool
        np.multiply(e[0], e, out=apart[:2])
        np.multiply(e[1], e[1], out=apart[2])
        pooled = (share * (cov + apart)).sum(1)[:, None]
        predicted = np.maximum(kept + enter * left, 1e-12)
        own = kept / predicted
        other = 1 - own
        mean = own * mean + other * pool
        apart *= own * other
        cov = own * cov + other * pooled + apart
        # Predict.
        (m0, m1), (p00, p01, p11) = mean, cov
        hq, turned = h * q, h * p11
        m0 = m0 + h * m1
        p00 = p00 + h * (2 * p01 + turned) + hq * (h * h / 3)
        p01 = p01 + turned + hq * (h / 2)
        p11 = p11 + hq
        # Update.
        s = p00 + noise_of[k]
        e0 = seen[:, k] - m0
        off = e0 * e0 / s
        k0, k1 = p00 / s, p01 / s
        np.add(m0, k0 * e0, out=mean[0])
        np.add(m1, k1 * e0, out=mean[1])
        np.subtract(p11, k1 * p01, out=cov[2])
        np.multiply(p01, 1 - k0, out=cov[1])
        np.multiply(p00, 1 - k0, out=cov[0])
        least = off.min(0)
        off -= least
        off *= -0.5
        weight = predicted * np.exp(off, out=off) / np.sqrt(s)
        total = weight.sum(0)
        weight /= total
        yield weight, predicted, np.log(total) - 0.5 * least, mean, cov


def white_likelihoods(t: Floats, y: Floats, moving: Bools, sigmas: Floats) -> Floats:
    """Log likelihood of the readings under way for each candidate noise."""
    blocks = make_blocks(t)
    chosen = np.arange(len(blocks.starts))
    share = np.array([moving[start : start + blocks.length].sum() for start in blocks.starts])
    chosen = chosen[share > 0.3 * share.max()]
    if len(chosen) > 24:
        chosen = chosen[np.linspace(0, len(chosen) - 1, 24).astype(int)]
    rows = np.repeat(chosen, len(sigmas))
    each = np.tile(sigmas, len(chosen))
    index, real = blocks.index[rows], blocks.real[rows]
    counted = real & moving[index]
    variance = np.broadcast_to(each[:, None] ** 2, index.shape)
    total = np.zeros(len(rows))
    for k, (_, _, log, *_) in enumerate(run_levels(t[index], y[index], real, variance)):
        if blocks.core.start <= k < blocks.core.stop:
            total += np.where(counted[:, k], log, 0.0)
    return np.asarray(total.reshape(len(chosen), len(sigmas)).sum(0), float)


def wandering_likelihoods(t: Floats, y: Floats, moving: Bools, settings: Floats, most_s: float) -> Floats:
    """Log likelihood of the readings under way, of no more than `most_s` of them, spread over the drive, for each
    setting (white [m/s], wander [m/s], seconds): (settings)."""
    blocks = make_blocks(t)
    most_blocks = max(int(most_s / (blocks.length * float(np.median(np.diff(t))))), 1)
    share = np.array([moving[start : start + blocks.length].sum() for start in blocks.starts])
    chosen = np.flatnonzero(share > 0.5 * share.max())
    if len(chosen) > most_blocks:
        chosen = chosen[np.linspace(0, len(chosen) - 1, most_blocks).astype(int)]
    rows = np.repeat(chosen, len(settings))
    white, wander, seconds = np.tile(settings, (len(chosen), 1)).T
    index, real = blocks.index[rows], blocks.real[rows]
    counted = real & moving[index]
    total = np.zeros(len(rows))
    levels = len(Q_LEVELS)
    flat = (len(rows), levels)
    m0 = np.repeat(y[index[np.arange(len(rows)), np.argmax(real, 1)]][:, None], levels, 1)
    m1, m2, p01, p02, p12 = (np.zeros(flat) for _ in range(5))
    p00, p11 = np.full(flat, 25.0), np.full(flat, 9.0)
    p22 = np.repeat(wander[:, None] ** 2, levels, 1)
    weight = np.repeat(Q_SHARE[None, :], len(rows), 0)
    before = t[index[:, 0]]
    for k in range(index.shape[1]):
        at, ok = index[:, k], real[:, k]
        h = np.where(ok, t[at] - before, 0.0)[:, None]
        before = t[at]
        kept = weight * np.exp(-Q_LEAVE_PER_S * h)
        leave = weight - kept
        left = leave.sum(1, keepdims=True)
        part = leave / np.maximum(left, 1e-300)
        predicted = np.maximum(kept + Q_ENTER * left, 1e-12)
        own = kept / predicted
        other = 1 - own
        both = own * other
        pool = [(part * m).sum(1, keepdims=True) for m in (m0, m1, m2)]
        d = [m - c for m, c in zip((m0, m1, m2), pool, strict=True)]

        mix = (part, own, other, both)
        p00, p01, p11 = _mixed(p00, d[0] * d[0], *mix), _mixed(p01, d[0] * d[1], *mix), _mixed(p11, d[1] * d[1], *mix)
        p02, p12, p22 = _mixed(p02, d[0] * d[2], *mix), _mixed(p12, d[1] * d[2], *mix), _mixed(p22, d[2] * d[2], *mix)
        m0, m1, m2 = (own * m + other * c for m, c in zip((m0, m1, m2), pool, strict=True))
        rho, q = np.exp(-h[:, 0] / seconds)[:, None], h * Q_LEVELS
        m0, m2 = m0 + h * m1, rho * m2
        p00, p01, p11 = p00 + h * (2 * p01 + h * p11) + q * h * h / 3, p01 + h * p11 + q * h / 2, p11 + q
        p02, p12 = rho * (p02 + h * p12), rho * p12
        p22 = rho * rho * p22 + (1 - rho * rho) * wander[:, None] ** 2
        s = p00 + 2 * p02 + p22 + np.where(ok, white**2, 1e12)[:, None]
        e = y[at][:, None] - m0 - m2
        log = -0.5 * (np.log(s) + e * e / s)
        c0, c1, c2 = p00 + p02, p01 + p12, p02 + p22
        g0, g1, g2 = c0 / s, c1 / s, c2 / s
        m0, m1, m2 = m0 + g0 * e, m1 + g1 * e, m2 + g2 * e
        p00, p01, p11 = p00 - g0 * c0, p01 - g0 * c1, p11 - g1 * c1
        p02, p12, p22 = p02 - g0 * c2, p12 - g1 * c2, p22 - g2 * c2
        top = log.max(1, keepdims=True)
        weight = predicted * np.exp(np.maximum(log - top, -50.0))
        norm = weight.sum(1, keepdims=True)
        weight = weight / norm
        if blocks.core.start <= k < blocks.core.stop:
            total += np.where(counted[:, k], top[:, 0] + np.log(norm[:, 0]), 0.0)
    return np.asarray(total.reshape(len(chosen), len(settings)).sum(0), float)


def _mixed(p: Floats, apart: Floats, part: Floats, own: Floats, other: Floats, both: Floats) -> Floats:
    """A covariance's entry after levels that are left have shared what they knew."""
    shared = (part * (p + apart)).sum(1, keepdims=True)
    return np.asarray(own * p + other * shared + both * apart, float)
