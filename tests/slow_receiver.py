"""What a receiver is told by, as it was first written: one reading, one design after the other. Slow, and held against
the fast ways."""

from __future__ import annotations

import math

import numpy as np

from analysis.arrays import Floats
from analysis.motion.braked_stops import _EASED_S, _OFFSETS_S, _SHARP_S, _SLACK_MPS, TIMES_S, _columns, _Stop
from analysis.motion.noise import Noise, density
from analysis.motion.stop_likelihood import _hidden, _well_above


def slow_filtered(t: Floats, y: Floats, noise: Noise, settings: Floats, points: Floats) -> Floats:
    """Log predictive density of each reading under each setting (sigma, share, seconds): (n, settings)."""
    out = np.empty((len(t), len(settings)))
    rest = np.exp(-0.5 * points**2)
    rest /= rest.sum()
    for j, (sigma, share, seconds) in enumerate(settings):
        speed, white = sigma * math.sqrt(share) * points, sigma * math.sqrt(1 - share)
        known = rest
        for k, reading in enumerate(y):
            if k:
                kept = math.exp(-round(float(t[k] - t[k - 1]), 3) / seconds)
                kernel = np.exp(-0.5 * (points[None] - kept * points[:, None]) ** 2 / max(1 - kept**2, 0.01))
                known = known @ (kernel / kernel.sum(-1, keepdims=True))
            likely = 0.999 * density(np.full(len(points), reading), speed, white, noise) + 0.001 / 3
            joint = known * likely
            out[k, j] = math.log(joint.sum())
            known = joint / joint.sum()
    return out


def slow_stop_evidence(stop: _Stop, noise: Noise) -> tuple[Floats, Floats]:
    """Log evidence of each smoothing time if the stop was sharp, and if it was eased: (times) each."""
    grid, easings, columns = _columns()
    mean = np.array([stop.braking, 0.0, 0.0, 0.0, 0.0])
    sigma = np.array([1.0, 0.8, 0.05 * stop.braking, 0.04, 0.04])
    log = np.empty((len(TIMES_S), len(easings), len(_OFFSETS_S)))
    for k, time in enumerate(TIMES_S):
        for e, ease in enumerate(easings):
            designs = []
            for offset in _OFFSETS_S:
                after = stop.t - (stop.crossing_s - time + ease / 2 + offset)
                designs.append(np.stack([np.interp(after, grid, column) for column in columns[k, e].T], -1))
            log[k, e] = slow_stop_log_likelihood(stop.t, stop.y, np.stack(designs), mean, sigma, noise, _SLACK_MPS)
    parts = log[:, : len(_SHARP_S)], log[:, len(_SHARP_S) :]
    assert [part.shape[1] for part in parts] == [len(_SHARP_S), len(_EASED_S)]
    sharp, eased = (np.log(np.exp(part - part.max()).mean((1, 2)) + 1e-300) + part.max() for part in parts)
    return sharp, eased


def slow_stop_log_likelihood(
    t: Floats, y: Floats, design: Floats, mean: Floats, sigma: Floats, noise: Noise, slack_mps: float
) -> Floats:
    """Log likelihood of readings `y` [m/s] at `t` [s] for each design (designs, n, columns), a constant apart."""
    white = math.hypot(noise.white_mps, slack_mps)
    plain, log, m, p = _well_above(t, y, design, mean, sigma, noise, slack_mps)
    for k in range(plain, len(y)):
        h = design[:, k]
        if noise.wander_mps > 0:
            h = np.concatenate([h, np.ones((len(h), 1))], 1)
            kept = math.exp(-(t[k] - t[k - 1]) / noise.wander_s) if k else 1.0
            m[:, -1] *= kept
            p[:, -1] *= kept
            p[:, :, -1] *= kept
            p[:, -1, -1] += noise.wander_mps**2 * (1 - kept * kept)
        ph = np.einsum("dij,dj->di", p, h)
        at, spread = (h * m).sum(1), (h * ph).sum(1) + white**2
        likely, shown, left = _hidden(float(y[k]), at, spread, noise)
        log += likely
        gain = ph / spread[:, None]
        m += gain * (shown - at)[:, None]
        p -= gain[:, :, None] * gain[:, None, :] * (spread - left)[:, None, None]
    return log
