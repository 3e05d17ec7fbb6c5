"""How likely the readings about a stop are where a receiver hides the sign of a speed, holds zero and wanders at once.

A reading is a linear function of what is not known of the stop, plus wander, plus white noise; near zero the receiver
shows only its size, or only that it is small. So the readings well above zero are taken in one closed form, and those
from there on one after the other: of each the mean and the variance of what it hides, given those before it, take the
place of a reading (assumed-density filtering [1]). A zero that was held is a bound and no measurement of zero.

[1] P. Maybeck, "Stochastic Models, Estimation and Control", vol. 2 (1982), ch. 12.
"""

from __future__ import annotations

import math

import numpy as np

from analysis.arrays import Floats
from analysis.motion.noise import Noise, wander_covariance

_FAR = 6.0
"""Where a bound is further away than this many sigma, its exact likelihood is that of the bound itself."""


def stop_log_likelihood(
    t: Floats, y: Floats, design: Floats, mean: Floats, sigma: Floats, noise: Noise, slack_mps: float
) -> Floats:
    """Log likelihood of readings `y` [m/s] at `t` [s] for each design (designs, n, columns), a constant apart.

    mean, sigma: of the columns' coefficients beforehand (columns). slack_mps: white noise that the model leaves.
    """
    white = math.hypot(noise.white_mps, slack_mps)
    plain, log, m, p = _well_above(t, y, design, mean, sigma, noise, slack_mps)
    # From here on with the designs side by side, which is three times as fast.
    m, p = np.ascontiguousarray(m.T), np.ascontiguousarray(p.transpose(1, 2, 0))
    below = np.ones((len(y) - plain, len(m), len(design)))
    below[:, : design.shape[2]] = design[:, plain:].transpose(1, 2, 0)
    for k, h in enumerate(below, plain):
        if noise.wander_mps > 0:
            kept = math.exp(-(t[k] - t[k - 1]) / noise.wander_s) if k else 1.0
            m[-1] *= kept
            p[-1] *= kept
            p[:, -1] *= kept
            p[-1, -1] += noise.wander_mps**2 * (1 - kept * kept)
        ph = (p * h).sum(1)
        at, spread = (h * m).sum(0), (h * ph).sum(0) + white**2
        likely, shown, left = _hidden(float(y[k]), at, spread, noise)
        log += likely
        gain = ph / spread
        m += gain * (shown - at)
        p -= gain[:, None] * (gain * (spread - left))
    return log


def _well_above(
    t: Floats, y: Floats, design: Floats, mean: Floats, sigma: Floats, noise: Noise, slack_mps: float
) -> tuple[int, Floats, Floats, Floats]:
    """How many readings come before the first near zero; their log likelihood, and the coefficients' mean and
    covariance given them. Where noise wanders the last is the wander at the last of these readings."""
    low = np.flatnonzero(y < noise.hold_mps + 4 * math.hypot(noise.reading_sigma_mps, slack_mps))
    plain = int(low[0]) if len(low) else len(y)
    t, y, design = t[:plain], y[:plain], design[:, :plain]
    if noise.wander_mps > 0:
        mean, sigma = np.append(mean, 0.0), np.append(sigma, noise.wander_mps)
    precision = 1 / sigma**2
    if len(t) == 0:
        rows = len(design)
        return plain, np.zeros(rows), np.tile(mean, (rows, 1)), np.tile(np.diag(sigma**2), (rows, 1, 1))
    covariance = wander_covariance(t, noise) + np.eye(len(t)) * slack_mps**2
    if noise.wander_mps > 0:
        last = np.exp(-(t[-1] - t) / noise.wander_s)
        covariance -= noise.wander_mps**2 * np.outer(last, last)
        design = np.concatenate([design, np.broadcast_to(last[:, None], (*design.shape[:2], 1))], 2)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    white, z = whiten @ design, whiten @ y
    flipped = np.swapaxes(white, -1, -2)
    gram = flipped @ white + np.diag(precision)
    moment = flipped @ z + precision * mean
    p = np.asarray(np.linalg.inv(gram), float)
    m = (p @ moment[..., None])[..., 0]
    return plain, 0.5 * ((m * moment).sum(-1) - np.linalg.slogdet(gram)[1]), m, p


def _hidden(y: float, at: Floats, spread: Floats, noise: Noise) -> tuple[Floats, Floats, Floats]:
    """Log likelihood of a reading where the speed with its sign and noise is expected at `at` with variance `spread`,
    and the mean and variance of that speed given the reading."""
    from scipy.special import i0e  # here: who only reads what a drive taught pays nothing for it

    size = np.sqrt(spread)
    plain = np.asarray(-0.5 * (y - at) ** 2 / spread - np.log(size), float)
    if noise.kind == "signed":
        return plain, np.full_like(at, y), np.zeros_like(at)
    if y < 1e-9 and (noise.hold_mps or noise.kind == "clipped"):
        top = max(noise.hold_mps, noise.quantum_mps / 2)
        return _below(at, size, top, -top if noise.kind != "clipped" else -math.inf)
    if noise.kind == "clipped":
        return plain, np.full_like(at, y), np.zeros_like(at)
    # Either sign may be the true one.
    tilt = y * at / spread
    likely = -0.5 * (y - np.abs(at)) ** 2 / spread - np.log(size)
    # The length of an error in two directions follows Rice's law, that of one the folded normal one.
    other = i0e(np.abs(tilt)) if noise.kind == "horizontal" else 1 + np.exp(-2 * np.abs(tilt))
    likely += np.log(other)
    shown = y * np.tanh(tilt)
    return likely, shown, np.maximum(y * y - shown * shown, 0.0)


def _below(at: Floats, size: Floats, top: float, bottom: float) -> tuple[Floats, Floats, Floats]:
    """As `_hidden`, where all that is known is that the speed lies between `bottom` and `top`."""
    from scipy.special import log_ndtr, ndtr

    # Mirrored, so that the bound that counts is the upper one.
    sign = np.where(at < (top + bottom) / 2, -1.0, 1.0) if math.isfinite(bottom) else np.ones_like(at)
    high = (np.where(sign > 0, top, -bottom) - sign * at) / size
    low = (np.where(sign > 0, bottom, -top) - sign * at) / size
    far = high < -_FAR
    near = np.where(far, -_FAR, high)
    share = np.where(far, 1.0, np.maximum(ndtr(near) - ndtr(low), 1e-12))
    high_density = np.exp(-0.5 * near**2) / math.sqrt(2 * math.pi)
    low_density = np.exp(-0.5 * np.minimum(low**2, 1e3)) / math.sqrt(2 * math.pi)
    shift = (low_density - high_density) / share
    ends = (np.where(np.isfinite(low), low, 0.0) * low_density - near * high_density) / share
    left = np.clip(1 + ends - shift**2, 0.0, 1.0)
    likely = np.where(far, log_ndtr(high), np.log(share))
    shown = np.where(far, high, shift)
    return likely, at + sign * size * shown, np.where(far, 0.0, left) * size**2
