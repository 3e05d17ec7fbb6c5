"""What the program does in a few lines of its own is what the libraries do (SciPy), to 1e-9 or to the last bit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import qmc

from analysis.changes import day_prior, sobol
from analysis.changes.observations import Observation, sigmas_to, times_to


@pytest.mark.parametrize("dimensions", range(1, sobol.DIMENSIONS + 1))
def test_points_of_sobol(dimensions: int) -> None:
    for seed in (1, 18):
        theirs = qmc.Sobol(dimensions, scramble=True, seed=seed).random(256)
        assert np.array_equal(sobol.scrambled(dimensions, 256, seed), theirs)


def run(x: list[float], y: list[float], corrected: list[float] | None = None) -> Observation:
    given = None if corrected is None else np.array(corrected)
    return Observation(
        "d:1", "s", None, "d", 0, 0.0, 0.0, np.array(x), np.array(y), 0.01 * np.array(y), corrected_s=given
    )  # fmt: skip


def test_times_of_several_runs_are_those_of_each() -> None:
    """At table speeds and between them, beyond them, in tables with holes, of one point or none."""
    rng = np.random.default_rng(5)
    x = [2.2352, 2.7778, 4.4704, 5.5556, 6.7056, 8.3333]
    runs = []
    for k in range(40):
        y = np.cumsum(rng.uniform(0.1, 1.0, 6)) if k % 3 else np.round(rng.normal(size=6), 1)
        y[rng.random(6) < 0.2 * (k % 4)] = math.nan
        runs.append(run(x, list(y), list(1.1 * y) if k % 2 else None))
    runs += [run(x, [math.nan] * 6), run([3.0], [1.0]), run([], [])]
    at = np.concatenate([x, rng.uniform(1.0, 9.0, 60), [4.4704 + 4e-7]])
    for corrected in (False, True):
        told = times_to(runs, at, corrected)
        assert told.shape == (len(runs), len(at))
        for each, row in zip(runs, told, strict=True):
            table = each.corrected_s if corrected else each.time_s
            expected = np.full(len(at), math.nan)
            good = np.isfinite(table) if table is not None else np.zeros(0, bool)
            if table is not None and good.any():
                speeds, seconds = each.speed_mps[good], table[good]
                inside = (at >= speeds[0] - 1e-6) & (at <= speeds[-1] + 1e-6)
                held = np.clip(at[inside], speeds[0], speeds[-1])
                expected[inside] = PchipInterpolator(speeds, seconds)(held) if good.sum() > 1 else seconds[0]
            assert row == pytest.approx(expected, rel=1e-5, abs=1e-5, nan_ok=True)  # a hair off a table speed is at it
            far = np.array([np.abs(each.speed_mps - speed).min(initial=1) > 1e-5 for speed in at])
            assert row[far] == pytest.approx(expected[far], rel=1e-9, abs=1e-12, nan_ok=True)
            assert np.array_equal(row, each.time_to(at, corrected), equal_nan=True)
    assert np.array_equal(sigmas_to(runs, at)[4], runs[4].sigma_to(at), equal_nan=True)


@pytest.mark.parametrize("seed", range(12))
def test_the_student_of_a_mixture_holds_what_it_should(seed: int) -> None:
    """Half widths by a root search of SciPy's, for mixtures wide and narrow, far apart and one within another."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 200))
    centre = rng.normal(size=count) * 10.0 ** rng.uniform(-6, 3)
    scale = np.exp(rng.normal(size=count) * rng.uniform(0, 3)) * 10.0 ** rng.uniform(-3, 2)
    weight = rng.random(count) ** 4 + 1e-12
    kept = weight > 1e-7 * weight.max()
    share = weight[kept] / weight[kept].sum()
    middle = float(share @ centre[kept])

    def lacks(mid: float, wanted: float) -> float:
        inside = ndtr((middle + mid - centre[kept]) / scale[kept]) - ndtr((middle - mid - centre[kept]) / scale[kept])
        return float(share @ inside) - wanted

    most = 60 * scale.max() + 2 * np.abs(centre - middle).max()
    wide, quartile = (brentq(lacks, 0.0, most, args=(each,), xtol=1e-300, rtol=1e-14) for each in (0.95, 0.5))
    told = day_prior.as_student(centre, scale, weight)
    df = day_prior._df_of(wide / quartile)
    assert told.df == pytest.approx(df, rel=1e-9)
    assert told.scale * day_prior._t(told.df, 0.975) == pytest.approx(wide, rel=1e-9)
