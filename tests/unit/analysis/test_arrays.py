"""What is asked of times and masks everywhere."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from scipy.optimize import nnls

from analysis.arrays import (
    closed,
    least_squares_above_zero,
    most_between,
    running_median,
    running_most,
    running_rank,
    stretches,
    usual_step,
)
from analysis.mixture.delay import averaged
from analysis.mixture.masks import seconds_of


@pytest.mark.parametrize("at_once", [1, 2, 5])
def test_readings_that_came_in_one_read_are_as_far_apart_as_there_are_many(at_once: int) -> None:
    time = np.repeat(np.arange(0.0, 20.0, 0.1 * at_once), at_once)
    assert usual_step(time) == pytest.approx(0.1)
    assert seconds_of(time).sum() == pytest.approx(20.0, abs=0.2 * at_once)


def test_a_pause_is_no_usual_step() -> None:
    assert usual_step(np.concatenate([np.arange(100) * 0.1, 500 + np.arange(100) * 0.1])) == pytest.approx(0.1)


@pytest.mark.parametrize("time", [[], [3.0], [3.0, 3.0, 3.0]])
def test_without_two_times_there_is_no_step(time: list[float]) -> None:
    assert usual_step(np.array(time)) == np.inf
    assert seconds_of(np.array(time)).sum() == 0


def test_the_average_over_readings_in_pairs_is_that_of_even_ones() -> None:
    even = np.arange(0.0, 30.0, 0.1)
    grid = np.arange(2.0, 28.0, 0.05)
    value = 13.0 + np.sin(even / 3)
    wanted, known = averaged(even, value, grid, 0.4)
    found, paired = averaged(np.repeat(even[::2], 2), value, grid, 0.4)
    assert known.all() and paired.all()
    assert found == pytest.approx(wanted, abs=0.05)  # each second one is told 0.1 s early


@pytest.mark.parametrize(
    ("mask", "found"),
    [("", []), ("000", []), ("111", [(0, 2)]), ("0110", [(1, 2)]), ("1001101", [(0, 0), (3, 4), (6, 6)])],
)
def test_stretches_are_told_by_their_first_and_last(mask: str, found: list[tuple[int, int]]) -> None:
    assert stretches(np.array([each == "1" for each in mask], bool)) == found


@pytest.mark.parametrize("size", [1, 2, 3, 4, 5, 8, 23, 24])
@pytest.mark.parametrize("count", [30, 200])
def test_running_values_as_scipy_has_them(size: int, count: int) -> None:
    x = np.random.default_rng(size).normal(size=count)
    np.testing.assert_array_equal(running_median(x, size), ndimage.median_filter(x, size, mode="nearest"))
    np.testing.assert_array_equal(running_rank(x, size, 0), ndimage.rank_filter(x, 0, size, mode="nearest"))
    for origin in (-((size - 1) // 2), 0, (size - 1) // 2):
        most = ndimage.maximum_filter1d(x, size, origin=origin, mode="nearest")
        np.testing.assert_array_equal(running_most(x, size, size // 2 + origin), most)
    np.testing.assert_array_equal(closed(x, size), ndimage.grey_closing(x, size=(size,)))


@pytest.mark.parametrize("seed", range(40))
def test_least_squares_above_zero_as_scipy_has_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size, weight = rng.integers(3, 40, 30).astype(float), rng.random(30)
    a = np.column_stack([size * weight, size * size * weight])
    b = weight * size * rng.normal(rng.choice([-1, 0, 1, 5]), size=30)
    np.testing.assert_allclose(least_squares_above_zero(a, b), nnls(a, b)[0], rtol=1e-9, atol=1e-12)


def test_the_most_of_each_stretch() -> None:
    rng = np.random.default_rng(2)
    x = rng.standard_normal(300)
    x[rng.integers(0, 300, 20)] = -np.inf
    first = rng.integers(0, 300, 500)
    last = np.minimum(first + rng.integers(0, 300, 500), 299)
    slow = [x[i : j + 1].max() for i, j in zip(first.tolist(), last.tolist(), strict=True)]
    np.testing.assert_array_equal(most_between(x, first, last), slow)
    assert len(most_between(x, first[:0], last[:0])) == 0
