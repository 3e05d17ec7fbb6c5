"""Chances under the normal law and Student's, held to SciPy's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import log_ndtr, ndtr, stdtrit

from analysis.chances import log_normal_below, normal_below, student_point

X = np.concatenate([np.linspace(-37, 9, 4001), np.random.default_rng(0).normal(size=1000), [0.0, -0.0]])


def test_the_normal_law_is_scipys() -> None:
    np.testing.assert_allclose(normal_below(X), ndtr(X), rtol=1e-12)
    np.testing.assert_allclose(1 - normal_below(X), 1 - ndtr(X), rtol=1e-9, atol=1e-15)
    far = np.concatenate([X, [-1e3, -1e8]])
    np.testing.assert_allclose(log_normal_below(far), log_ndtr(far), rtol=1e-12)


def test_the_normal_law_at_its_ends() -> None:
    ends = np.array([-np.inf, -1e3, 1e3, np.inf, np.nan])
    np.testing.assert_array_equal(normal_below(ends), ndtr(ends))
    np.testing.assert_array_equal(log_normal_below(ends[[0, 2, 3, 4]]), log_ndtr(ends[[0, 2, 3, 4]]))


@pytest.mark.parametrize("share", [0.6, 0.975, 0.9999])
def test_students_points_are_scipys(share: float) -> None:
    freedom = np.arange(1.0, 300.0).reshape(13, 23)
    np.testing.assert_allclose(student_point(freedom, share), stdtrit(freedom, share), rtol=1e-10)
