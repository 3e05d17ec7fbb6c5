"""The fast ways to tell what a receiver is like give what the slow ones give, to 1e-9: for receivers of every kind."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from slow_receiver import slow_filtered, slow_stop_evidence

from analysis.motion.braked_stops import _evidence, _Stop
from analysis.motion.noise import Noise
from analysis.motion.wander import _POINTS, _filtered

FOLDED = Noise(0.06, 0.06, 0.01, 0.0, "folded", 20.0)
KINDS = {
    "folded": FOLDED,
    "signed": dataclasses.replace(FOLDED, kind="signed"),
    "clipped": dataclasses.replace(FOLDED, kind="clipped"),
    "horizontal": dataclasses.replace(FOLDED, kind="horizontal"),
    "holds zero": dataclasses.replace(FOLDED, hold_mps=0.08, hold_doubt_mps=0.02),
    "fine": dataclasses.replace(FOLDED, quantum_mps=1e-6),
}


@pytest.mark.parametrize("kind", KINDS)
def test_wander_of_readings_at_rest(kind: str) -> None:
    noise, rng = KINDS[kind], np.random.default_rng(4)
    t = np.cumsum(rng.choice([0.1, 0.2, 100.0], 60, p=[0.8, 0.15, 0.05]))
    error = 0.06 * rng.standard_normal((60, 2))
    y = {"signed": error[:, 0], "clipped": np.maximum(error[:, 0], 0.0), "horizontal": np.hypot(*error.T)}.get(
        kind, np.abs(error[:, 0])
    )
    y = np.round(y / noise.quantum_mps) * noise.quantum_mps
    y = np.where(np.abs(y) < noise.hold_mps, 0.0, y)
    assert (len(np.unique(y)) < 40) == (kind != "fine")
    settings = np.array([(0.05, 0.0, 1.0), (0.06, 0.5, 0.3), (0.07, 0.95, 2.2)])
    found = _filtered(t, y, noise, settings)
    np.testing.assert_allclose(found, slow_filtered(t, y, noise, settings, _POINTS), rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("share", [0.0, 0.6])
@pytest.mark.parametrize("kind", KINDS)
def test_what_a_stop_says_of_smoothing(kind: str, share: float) -> None:
    noise = dataclasses.replace(KINDS[kind], wander_share=share, wander_s=0.8)
    rng = np.random.default_rng(6)
    t = np.arange(-1.5, 1.6, 0.1)
    y = np.abs(2.1 * np.maximum(-t, 0.0) + 0.06 * rng.standard_normal(len(t)))
    y = np.where(y < noise.hold_mps, 0.0, np.round(y / noise.quantum_mps) * noise.quantum_mps)
    stop = _Stop(t, y, 2.1, 0.03)
    for found, slow in zip(_evidence(stop, noise), slow_stop_evidence(stop, noise), strict=True):
        np.testing.assert_allclose(found, slow, rtol=1e-9, atol=1e-8)
