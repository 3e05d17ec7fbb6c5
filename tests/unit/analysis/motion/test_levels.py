"""The switching filter's steps."""

from __future__ import annotations

import numpy as np
import pytest
import slow_levels

from analysis.motion.levels import make_blocks, run_levels


@pytest.mark.parametrize(("n", "step_s"), [(700, 1.0), (90, 0.1), (4000, 0.1), (9000, 0.04)])
def test_all_levels_at_once_are_the_levels_one_by_one(n: int, step_s: float) -> None:
    """Uneven steps, a pause, a reading that weighs nothing, blocks that reach over both ends; to 1e-9."""
    rng = np.random.default_rng(n)
    t = np.cumsum(rng.uniform(0.8, 1.2, n) * step_s)
    t[n // 3 :] += 40.0
    y = np.abs(np.cumsum(rng.normal(0, step_s, n))) + rng.normal(0, 0.05, n)
    variance = np.where(rng.random(n) < 0.02, 1e4, rng.uniform(0.001, 0.01, n))
    blocks = make_blocks(t)
    index, real = blocks.index, blocks.real
    assert (n < 100) == (len(index) == 1) == real.all()
    fast = run_levels(t[index], y[index], real, variance[index])
    slow = slow_levels.run_levels(t, y, blocks, variance[index])
    for (weight, before, log, mean, cov), (weight_, before_, log_, *state) in zip(fast, slow, strict=True):
        for one, other in zip(
            (weight.T, before.T, log, *mean.swapaxes(1, 2), *cov.swapaxes(1, 2)),
            (weight_, before_, log_, *state),
            strict=True,
        ):
            assert np.allclose(one, other, rtol=1e-9, atol=1e-12)
