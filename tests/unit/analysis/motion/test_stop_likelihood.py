"""The likelihood of a stop behind a receiver that wanders and hides: against sums and integrals in full."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from analysis.arrays import Floats
from analysis.motion.noise import Noise, NoiseKind, wander_covariance
from analysis.motion.stop_likelihood import stop_log_likelihood

T = np.arange(9) * 0.1
MEAN, SIGMA = np.array([2.4, 0.0]), np.array([0.5, 0.1])
CORNERS = (0.42, 0.5, 0.58)
"""When the car stops [s], in the designs that are compared."""


def designs() -> Floats:
    """Braking to a stop at each corner, and a shift of the whole."""
    slopes = [np.maximum(corner - T, 0.0) for corner in CORNERS]
    return np.stack([np.stack([slope, (slope > 0).astype(float)], -1) for slope in slopes])


def noise(kind: NoiseKind, hold: float, share: float) -> Noise:
    return Noise(0.06, math.nan, 0.0, hold, kind, 0.0, share, 0.8)


def in_full(y: Floats, law: Noise) -> Floats:
    """Log likelihood of each design: the readings jointly normal, summed over signs and integrated over what was held
    (scipy's multivariate normal, by Genz's method)."""
    out = []
    for design in designs():
        centre = design @ MEAN
        covariance = design @ np.diag(SIGMA**2) @ design.T + wander_covariance(T, law)
        if law.hold_mps:
            shown = y > 0
            told = np.linalg.solve(covariance[np.ix_(shown, shown)], (y - centre)[shown])
            cross = covariance[np.ix_(~shown, shown)]
            left = covariance[np.ix_(~shown, ~shown)] - cross @ np.linalg.solve(
                covariance[np.ix_(shown, shown)], cross.T
            )
            seen = multivariate_normal(centre[shown], covariance[np.ix_(shown, shown)]).logpdf(y[shown])
            bound = np.full(int((~shown).sum()), law.hold_mps)
            held = multivariate_normal(centre[~shown] + cross @ told, left).cdf(bound, lower_limit=-bound, rng=1)
            out.append(seen + math.log(held))
            continue
        free = np.flatnonzero(y < 0.5) if law.kind == "folded" else np.empty(0, int)
        total = 0.0
        for signs in itertools.product((1.0, -1.0), repeat=len(free)):
            latent = y.copy()
            latent[free] *= signs
            total += float(multivariate_normal(centre, covariance).pdf(latent))
        out.append(math.log(total))
    return np.array(out)


def readings(kind: NoiseKind, hold: float, seed: int) -> Floats:
    rng = np.random.default_rng(seed)
    law = noise(kind, hold, 0.5)
    y = np.maximum(2.4 * (0.5 - T), 0.0) + rng.multivariate_normal(np.zeros(len(T)), wander_covariance(T, law))
    if kind == "folded":
        y = np.abs(y)
    y[np.abs(y) < hold] = 0.0
    return np.asarray(y, float)


LAWS: list[tuple[NoiseKind, float, float]] = [("signed", 0.0, 1e-9), ("folded", 0.0, 0.25), ("folded", 0.3, 0.1)]


@pytest.mark.parametrize("share", [0.0, 0.5, 0.9])
@pytest.mark.parametrize(("kind", "hold", "within"), LAWS)
def test_designs_are_weighed_as_in_full(kind: NoiseKind, hold: float, within: float, share: float) -> None:
    """Differences between designs, which is all that counts; exact for signed readings, nearly so for others."""
    for seed in range(5):
        y = readings(kind, hold, seed)
        law = noise(kind, hold, share)
        found = stop_log_likelihood(T, y, designs(), MEAN, SIGMA, law, 0.0)
        expected = in_full(y, law)
        np.testing.assert_allclose(found - found[1], expected - expected[1], atol=within)


def test_a_held_zero_far_from_possible_is_unlikely_and_finite() -> None:
    y = np.array([1.2, 0.96, 0.72, 0.48, 0.0, 0.0, 0.0, 0.0, 0.0])
    late = np.maximum(2.0 - T, 0.0)
    possible, impossible = stop_log_likelihood(
        T, y, np.stack([designs()[1], np.stack([late, np.zeros_like(T)], -1)]), MEAN, SIGMA * 1e-3,
        noise("folded", 0.3, 0.5), 0.0,
    )  # fmt: skip
    assert math.isfinite(impossible)
    assert possible - impossible > 100
