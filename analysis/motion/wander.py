"""The part of a receiver's noise that wanders: learned where the car stands, else from readings under way.

Noise that is correlated from fix to fix passes for motion. It is taken as a first-order Gauss-Markov process beside a
white part. At rest, readings show nothing but noise, by the receiver's own law near zero (folded, clipped, ...), so the
likelihood of a size, a share that wanders and a time is a filter on a grid of the wandering part [1]. A receiver that
holds zero shows nothing at rest; then readings under way are asked, by the likelihood of the switching model with a
third state for the noise. Readings hardly ever decide by themselves, so each answer counts by its odds.

[1] R. Bucy, K. Senne, "Digital synthesis of non-linear filters", Automatica 7 (1971): the point-mass filter.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from analysis.arrays import Bools, Floats
from analysis.motion.levels import wandering_likelihoods
from analysis.motion.noise import Noise, density, settled_slices

LEAST_BELIEVED = 0.2
"""Wander that is less likely than this is none."""
MOST_READINGS = 700
DRAWN_MPS = 0.09
"""Wander at rest of more than this, twice what shows under way, is of the standstill (common practice, no source)."""
_SHARES = (0.25, 0.5, 0.75, 0.95, 0.985)
_TIMES_S = (0.3, 0.6, 1.2, 2.2, 4.0)
_SIZES = (0.85, 1.05, 1.3)
_POINTS: Floats = np.asarray(0.2 * np.arange(-18, 19), float)
_NEARLY_ALL = (0.985, 0.998)
"""Shares that are looked at again, on a finer grid, where the largest is the likeliest: a white part that is too large
by a hundredth of all makes a wander over 2 s an eighth too small."""
_FINE_POINTS: Floats = np.asarray(0.1 * np.arange(-36, 37), float)


class Wander(NamedTuple):
    """Size of all noise [m/s], share of its variance that wanders (0: none), and over what time [s]."""

    sigma_mps: float
    share: float
    seconds: float


def rest_log_density(t: Floats, y: Floats, noise: Noise, sigma: float) -> Floats:
    """Log density of each reading of a standing car given those before it; `sigma` is the noise at rest [m/s]."""
    if noise.rest_wander_share == 0:
        return np.asarray(np.log(_no_stray(density(y, np.zeros_like(y), sigma, noise))), float)
    return _filtered(t, y, noise, np.array([[sigma, noise.rest_wander_share, noise.wander_s]]))[:, 0]


def _no_stray(likely: Floats) -> Floats:
    """One reading in a thousand is a stray one, anywhere up to 3 m/s."""
    return 0.999 * likely + 0.001 / 3


def _filtered(t: Floats, y: Floats, noise: Noise, settings: Floats, points: Floats = _POINTS) -> Floats:
    """Log predictive density of each reading under each setting (sigma, share, seconds): (n, settings); `points` of the
    wandering part, in its sizes."""
    sigma, share, seconds = settings.T
    size, white = sigma * np.sqrt(share), sigma * np.sqrt(1 - share)
    speed = size[:, None] * points
    # A receiver rounds: hundreds of readings at rest are some tens of different ones.
    different, which = np.unique(y, return_inverse=True)
    shape = (len(different), *speed.shape)
    likely = _no_stray(
        density(
            np.broadcast_to(different[:, None, None], shape).copy(),
            np.broadcast_to(speed, shape),
            white[:, None],
            noise,
        )
    )
    rest = np.exp(-0.5 * points**2)
    rest /= rest.sum()
    known = np.broadcast_to(rest, speed.shape)
    kernels: dict[float, Floats] = {}
    out = np.empty((len(t), len(settings)))
    for k, reading in enumerate(which.tolist()):
        if k:
            h = round(float(t[k] - t[k - 1]), 3)
            if h not in kernels:
                kept = np.exp(-h / seconds)[:, None, None]
                away = (points[None, None, :] - kept * points[None, :, None]) ** 2
                kernel = np.exp(-0.5 * away / np.maximum(1 - kept**2, 0.01))
                kernels[h] = kernel / kernel.sum(-1, keepdims=True)
            known = (known[:, None, :] @ kernels[h])[:, 0]
        joint = known * likely[reading]
        total = joint.sum(1)
        out[k] = np.log(total)
        known = joint / total[:, None]
    return out


def wander_at_rest(t: Floats, y: Floats, rest: Bools, noise: Noise, step: float) -> Wander | None:
    """What readings at rest say of wander: None where they cannot say, a share of 0 where they show none."""
    pieces = [part for part in settled_slices(rest, step) if part.stop - part.start >= max(1.0 / step, 5)]
    pieces.sort(key=lambda part: part.start - part.stop)
    taken: list[slice] = []
    count = 0
    for part in pieces:
        if count >= MOST_READINGS:
            break
        taken.append(slice(part.start, min(part.stop, part.start + MOST_READINGS - count)))
        count += taken[-1].stop - taken[-1].start
    if count < 40 or not np.isfinite(noise.rest_sigma_mps) or noise.rest_sigma_mps < 0.6 * noise.quantum_mps:
        return None
    # Strays are no noise: a run of them would pass for wander.
    kept = [np.flatnonzero(np.abs(y[part]) <= 3.5 * noise.rest_sigma_mps) + part.start for part in taken]
    if not _looks_correlated([y[part] for part in kept]):
        return Wander(noise.rest_sigma_mps, 0.0, 1.0)
    plain = [(noise.rest_sigma_mps * size, 0.0, 1.0) for size in _SIZES]
    coloured = [
        (noise.rest_sigma_mps * size, share, time) for size in _SIZES for share in _SHARES for time in _TIMES_S
        if time > 1.5 * step
    ]  # fmt: skip
    # One after the other in time, each a rest of its own: a pause of a hundred seconds forgets all.
    kept.sort(key=lambda part: int(part[0]) if len(part) else -1)
    at = np.concatenate([t[part] + 100.0 * k for k, part in enumerate(kept)])
    readings = np.concatenate([y[part] for part in kept])
    log = _filtered(at, readings, noise, np.array(plain + coloured)).sum(0)
    if coloured[int(np.argmax(log[len(plain) :]))][1] == _SHARES[-1]:
        every = [each for each in coloured if each[1] == _SHARES[-1]]
        coloured = [(size, share, time) for size, _, time in every for share in _NEARLY_ALL]
        fine = _filtered(at, readings, noise, np.array(coloured), _FINE_POINTS).sum(0)
        log = np.concatenate([log[: len(plain)], fine])
    return _decide(log[: len(plain)], log[len(plain) :], np.array(coloured), noise.rest_sigma_mps)


LEAST_UNDER_WAY = 600
MOST_UNDER_WAY_S = 240.0
"""Of a long drive so much is asked: the model of the car is not true to the last, and what it says of more than it was
tried on (tests/tuning) is not believed."""

HIDDEN_ODDS = 25.0
"""How much more often than not a receiver that holds zero wanders, as far as the mean over settings tells, most of
which fit nothing: chosen on tests/tuning, where the mean spectrum is then that of the receiver."""

SETTINGS_SAY = 0.1
"""Which part of its logarithm the likelihood under way counts for among settings that wander: the model of the car
takes most of a quick wander for motion, so that little and slow ones are likeliest whatever is true (tests/tuning: at 1
rad/s the spectrum came out at 0.4 of the receiver's in full, at 0.7 so)."""


def wander_under_way(t: Floats, y: Floats, moving: Bools, noise: Noise, step: float) -> Wander | None:
    """The same from readings under way, for a receiver that shows nothing at rest; None with too few."""
    if step > 0.25 or moving.sum() < LEAST_UNDER_WAY:
        return None
    size = noise.reading_sigma_mps
    plain = [(size * by, 0.0, 1.0) for by in (0.88, 1.0, 1.14)]
    tried = [(size * by, share, time) for by in (1.0, 1.2, 1.45) for share in (0.35, 0.65) for time in (0.5, 1.2, 2.5)]
    settings = np.array(plain + tried)
    total, share, seconds = settings.T
    parts = np.stack([total * np.sqrt(1 - share), total * np.sqrt(share), seconds], -1)
    log = wandering_likelihoods(t, y, moving, parts, MOST_UNDER_WAY_S)
    log[len(plain) :] += math.log(HIDDEN_ODDS) if noise.hold_mps else 0.0
    return _decide(log[: len(plain)], log[len(plain) :], settings[len(plain) :], noise.sigma_mps, SETTINGS_SAY)


def _looks_correlated(pieces: list[Floats]) -> bool:
    """Whether neighbours agree more than chance has it, at one sigma: a look that spares most receivers the rest."""
    middle = float(np.mean(np.concatenate(pieces)))
    products, square, pairs = 0.0, 0.0, 0
    for piece in pieces:
        if len(piece) < 4:
            continue
        z = piece - middle
        square += float(z @ z)
        for lag in (1, 2, 3):
            products += float(z[:-lag] @ z[lag:])
            pairs += len(z) - lag
    count = sum(map(len, pieces))
    return products / max(square / count, 1e-12) > math.sqrt(pairs)


def _decide(plain: Floats, coloured: Floats, settings: Floats, white_mps: float, say: float = 1.0) -> Wander:
    """Wander by the log likelihoods of settings without and with it; among those with it they count for `say`. Where
    neither is sure the noise is the mean over both answers, by their odds: to leave out a wander that is as likely as
    not would make sigma too small."""
    top = max(plain.max(), coloured.max())
    odds = float(np.exp(coloured - top).mean() / max(np.exp(plain - top).mean(), 1e-300))
    weight = np.exp(say * (coloured - coloured.max()))
    weight /= weight.sum()
    seconds = float(np.exp(weight @ np.log(settings[:, 2])))
    believed = odds / (1 + odds)
    if believed < LEAST_BELIEVED:
        return Wander(white_mps, 0.0, seconds)
    wandering = believed * float(weight @ (settings[:, 0] ** 2 * settings[:, 1]))
    square = believed * float(weight @ settings[:, 0] ** 2) + (1 - believed) * white_mps**2
    return Wander(math.sqrt(square), wandering / square, seconds)


def with_wander(noise: Noise, found: Wander | None, seen_mps: float) -> Noise:
    """The noise with the wander that was found, where it is believed; `seen_mps` is what readings under way show from
    fix to fix. A receiver that draws lines while the car stands wanders there and nowhere else."""
    if found is None or found.share == 0:
        return noise
    if not np.isfinite(noise.rest_sigma_mps):
        return replace(noise, sigma_mps=found.sigma_mps, wander_share=found.share, wander_s=found.seconds)
    at_rest = replace(
        noise, rest_sigma_mps=found.sigma_mps, rest_wander_share=found.share, wander_s=found.seconds
    )  # fmt: skip
    if found.sigma_mps > DRAWN_MPS and seen_mps < 0.5 * found.sigma_mps:
        return replace(at_rest, sigma_mps=seen_mps)
    return replace(at_rest, sigma_mps=found.sigma_mps, wander_share=found.share)
