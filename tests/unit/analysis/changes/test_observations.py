"""Times of many runs at once are those of each run by itself, whatever was asked before."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from analysis.arrays import Floats
from analysis.changes.observations import Observation, sigmas_to, times_to

GRIDS = (np.arange(1.0, 20.0), np.arange(1.0, 20.0), np.array([1.0, 4.0, 9.5, 12.0]))
"""Two of them alike, and not one array."""
AT = np.array([0.5, 1.0, 3.3, 9.5, 12.0, 15.0, 19.0, 25.0])


def runs(count: int) -> list[Observation]:
    rng = np.random.default_rng(7)
    out = []
    for k in range(count):
        x = GRIDS[k % 3]
        tables = [np.cumsum(rng.uniform(0.1, 1.0, len(x))) for _ in range(4)]
        if k % 5 == 0:
            tables[0][-2:] = np.nan
        if k % 7 == 0:
            tables[1][0] = np.nan
        corrected, held = (tables[1], tables[2]) if k % 4 else (None, None)
        out.append(
            Observation(f"d:{k}", "A", None, "d", 0, float(k), 0.0, x, tables[0], tables[3], corrected,
                        unlaunched_s=held if k % 8 else None)
        )  # fmt: skip
    return out


def by_itself(x: Floats, y: Floats | None) -> Floats:
    """One table read with SciPy's cubic; NaN beyond it."""
    told = np.isfinite(y) if y is not None else np.zeros(len(x), bool)
    if y is None or not told.any():
        return np.full(len(AT), np.nan)
    return np.asarray(PchipInterpolator(x[told], y[told], extrapolate=False)(AT))


@pytest.mark.parametrize("count", [9, 200])
def test_many_runs_at_once_are_each_by_itself(count: int) -> None:
    some = runs(count)
    for _ in range(2):  # once more, of the tables as they were laid out
        for corrected in (False, True):
            for launch in (False, True):
                found = times_to(some, AT, corrected, launch)
                wanted = [by_itself(run.speed_mps, run.table(corrected, launch)) for run in some]
                np.testing.assert_allclose(found, wanted, rtol=1e-12)
        np.testing.assert_allclose(sigmas_to(some, AT), [by_itself(run.speed_mps, run.sigma_s) for run in some])


def test_other_runs_in_the_same_list_are_seen() -> None:
    some = runs(100)
    before = times_to(some, AT)
    some[3] = replace(some[3], time_s=some[3].time_s + 1)
    after = times_to(some, AT)
    np.testing.assert_allclose(after[3], before[3] + 1)
    some.reverse()
    np.testing.assert_array_equal(times_to(some, AT), after[::-1])


def test_lists_are_not_mixed_up() -> None:
    lists = [runs(100)[k:] for k in range(5)]
    first = [times_to(each, AT) for each in lists]
    for each, told in zip(lists, first, strict=True):
        np.testing.assert_array_equal(times_to(each, AT), told)
