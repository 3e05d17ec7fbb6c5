"""The smoother where a receiver filters speed or its noise wanders: both are states beside speed and acceleration.

States are speed, acceleration, the filtered speed (where the receiver smooths, a first-order filter) and the wandering
part of the noise (where there is one). A reading is the filtered speed plus wandering plus white noise; a fix at a sure
standstill measures speed itself. Kalman filter and Rauch-Tung-Striebel smoother as in `analysis.motion.smoother`, which
explains the model of the motion; here with matrices, all blocks of a drive side by side.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Bools, Floats


class Added(NamedTuple):
    """What a receiver adds to the motion: smoothing time [s] (0: none), size [m/s] (0: none) and time [s] of wander."""

    smoothing_s: float
    wander_mps: float
    wander_s: float

    @property
    def states(self) -> int:
        return 2 + (self.smoothing_s > 0) + (self.wander_mps > 0)


def transition(h: Floats, added: Added) -> Floats:
    """State transition over each step h [s]: (n, states, states)."""
    size = added.states
    out = np.zeros((len(h), size, size))
    out[:, 0, 0] = out[:, 1, 1] = 1.0
    out[:, 0, 1] = h
    at = 2
    if added.smoothing_s > 0:
        time = added.smoothing_s
        kept = np.exp(-h / time)
        out[:, at, 0], out[:, at, 1], out[:, at, at] = 1 - kept, h - time * (1 - kept), kept
        at += 1
    if added.wander_mps > 0:
        out[:, at, at] = np.exp(-h / added.wander_s)
    return out


def process(h: Floats, added: Added) -> tuple[Floats, Floats]:
    """Process noise over each step: what q = 1 m2/s5 adds, and the wander by itself: (n, states, states) each."""
    size = added.states
    nodes, weights = np.polynomial.legendre.leggauss(6)
    lag = h[:, None] * (nodes + 1) / 2
    # What an instant's kick of the acceleration has made of each state a while later.
    made = np.zeros((*lag.shape, size))
    made[..., 0], made[..., 1] = lag, 1.0
    if added.smoothing_s > 0:
        made[..., 2] = lag + added.smoothing_s * np.expm1(-lag / added.smoothing_s)
    motion = np.einsum("nki,nkj,k,n->nij", made, made, weights / 2, h)
    wander = np.zeros((len(h), size, size))
    if added.wander_mps > 0:
        wander[:, -1, -1] = added.wander_mps**2 * -np.expm1(-2 * h / added.wander_s)
    return motion, wander


def smooth_states(
    t: Floats,
    y: Floats,
    variance: Floats,
    pinned: Bools,
    q_to: Floats,
    index: NDArray[np.intp],
    real: Bools,
    added: Added,
) -> tuple[Floats, Floats, Floats]:
    """Mean (blocks, steps, 2) of speed and acceleration, covariance and gain (blocks, steps, 2, 2).

    index, real: blocks of fixes (blocks, steps); q_to: wander of the acceleration on the way to each fix; at `pinned`
    fixes y is speed itself. gain @ covariance of the next step is the covariance of a step with the next.
    """
    rows, steps = index.shape
    size = added.states
    hs = np.zeros(index.shape)
    hs[:, 1:] = np.where(real[:, 1:], np.diff(t[index], axis=1), 0.0)
    hs = np.round(hs, 4)
    unique, which = np.unique(hs, return_inverse=True)
    which = which.reshape(hs.shape)
    step_f, (step_q, step_w) = transition(unique, added), process(unique, added)
    reads, stands = np.zeros(size), np.zeros(size)
    reads[2 if added.smoothing_s > 0 else 0] = 1.0
    if added.wander_mps > 0:
        reads[-1] = 1.0
    stands[0] = 1.0
    m = np.zeros((rows, size))
    m[:, 0] = y[index[np.arange(rows), np.argmax(real, 1)]]
    p = np.zeros((rows, size, size))
    p[:, 0, 0], p[:, 1, 1] = 100.0, 25.0
    if added.smoothing_s > 0:
        m[:, 2] = m[:, 0]
        p[:, 2, 2] = p[:, 0, 2] = p[:, 2, 0] = 100.0
        p[:, 2, 2] += 4.0
    if added.wander_mps > 0:
        p[:, -1, -1] = added.wander_mps**2
    means, covs = np.empty((steps, rows, size)), np.empty((steps, rows, size, size))
    before_m, before_p = np.empty_like(means), np.empty_like(covs)
    for k in range(steps):
        at, f = index[:, k], step_f[which[:, k]]
        m = (f @ m[..., None])[..., 0]
        p = f @ p @ np.swapaxes(f, 1, 2) + q_to[at, None, None] * step_q[which[:, k]] + step_w[which[:, k]]
        before_m[k], before_p[k] = m, p
        h = np.where(pinned[at][:, None], stands, reads)
        ph = (p @ h[..., None])[..., 0]
        s = (ph * h).sum(1) + np.where(real[:, k], variance[at], 1e12)
        gain = ph / s[:, None]
        m = m + gain * (y[at] - (m * h).sum(1))[:, None]
        p = p - gain[:, :, None] * ph[:, None, :]
        means[k], covs[k] = m, p
    gains = np.zeros((steps, rows, 2, 2))
    for k in range(steps - 2, -1, -1):
        f = step_f[which[:, k + 1]]
        # After a long pause the filtered speed is all but told by speed and acceleration, which are hardly known.
        jitter = np.eye(size) * 1e-12 * (1 + before_p[k + 1])
        full = np.swapaxes(np.linalg.solve(before_p[k + 1] + jitter, f @ covs[k]), 1, 2)
        after = covs[k + 1]
        means[k] += (full @ (means[k + 1] - before_m[k + 1])[..., None])[..., 0]
        covs[k] += full @ (after - before_p[k + 1]) @ np.swapaxes(full, 1, 2)
        cross = (full @ after)[:, :2, :2]
        gains[k] = cross @ np.linalg.inv(after[:, :2, :2] + np.eye(2) * 1e-12)
    return (
        np.swapaxes(means, 0, 1)[..., :2].copy(), np.swapaxes(covs, 0, 1)[..., :2, :2].copy(),
        np.swapaxes(gains, 0, 1).copy(),
    )  # fmt: skip
