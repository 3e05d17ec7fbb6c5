"""The two functions on series, held against SciPy's own, on random series and odd ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks, lfilter

from analysis.arrays import first_order, peaks


@pytest.mark.parametrize(
    ("shape", "axis"), [((1,), -1), ((2,), -1), ((301,), 0), ((4, 77), -1), ((4, 77), 0), ((3, 50, 2), 1), ((2, 0), 1)]
)
@pytest.mark.parametrize(("now", "before", "keep"), [(0.3, 0.0, 0.7), (0.6, -0.35, 0.75), (1.0, 0.0, 0.0)])
def test_a_recursion_is_scipys(shape: tuple[int, ...], axis: int, now: float, before: float, keep: float) -> None:
    x = np.random.default_rng(1).normal(size=shape)
    kept = x.copy()
    given = lfilter([now, before], [1, -keep], x, axis=axis) if x.size else x
    np.testing.assert_allclose(first_order(now, before, keep, x, axis=axis), given, rtol=1e-12, atol=1e-13)
    np.testing.assert_array_equal(x, kept)
    if x.size:
        start = np.take(x, [0], axis) * keep
        given = lfilter([now, before], [1, -keep], x, axis=axis, zi=start)[0]
        np.testing.assert_allclose(first_order(now, before, keep, x, start, axis), given, rtol=1e-12, atol=1e-13)


@pytest.mark.parametrize("keep", [1e-120, 0.01, 0.3, 0.97, 0.9999, 1.0, -0.6])
@pytest.mark.parametrize("count", [50, 1000, 30_000])
def test_a_long_recursion_is_scipys(keep: float, count: int) -> None:
    """Also where most of it is far below what it began with, or nothing for long."""
    x = np.random.default_rng(3).normal(size=(3, count))
    x[0, count // 3 : count // 2] = 0.0
    x[1] *= np.exp(-np.arange(count) / 20)
    given = lfilter([0.6, 0.2], [1, -keep], x)
    np.testing.assert_allclose(first_order(0.6, 0.2, keep, x), given, rtol=1e-9, atol=1e-13 * np.abs(given).max())


@pytest.mark.parametrize("distance", [1, 3, 8])
def test_peaks_are_scipys(distance: int) -> None:
    rng = np.random.default_rng(2)
    series = [rng.normal(size=n) for n in (0, 1, 2, 3, 50, 400)]
    series += [rng.integers(0, 4, size=n).astype(float) for n in (3, 10, 300)]  # flat tops
    series += [np.zeros(9), np.arange(9.0), np.array([0, 2, 2, 0, 2, 2.0])]
    for x in series:
        for height in (-1.0, 0.5, 3.0):
            np.testing.assert_array_equal(
                peaks(x, height, distance), find_peaks(x, height=height, distance=distance)[0]
            )
