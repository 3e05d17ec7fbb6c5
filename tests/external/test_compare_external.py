"""The statistics, held to reference libraries, certified data and a textbook; the source stands beside each check."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from invented_season import Stint, season, times
from scipy import stats

from analysis.changes import day_effects, effects
from analysis.changes.observations import Observation
from analysis.conditions.setups import Parts

# NIST StRD, one-way analysis of variance, data set SiRstv (silicon resistivity, five instruments of five readings).
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
BETWEEN_MS, WITHIN_MS, F_RATIO = 1.27865654000000e-02, 1.08318280000000e-02, 1.18046237440255


def test_both_mean_squares_agree_with_nist_certified_values() -> None:
    """NIST StRD SiRstv: instruments take the part of outings; certified mean squares between (4 df), within (20 df)."""
    y = np.array(SIRSTV).reshape(-1, 1)
    outing = np.repeat(np.arange(5), 5)
    fit = day_effects._Response.fit(y[:, 0], np.ones((25, 1)), outing, None, None, np.zeros((25, 0)))
    assert (fit.day_df, fit.run_df) == (4, 20)
    assert fit.day_size == pytest.approx(5)
    assert fit.run_ms == pytest.approx(WITHIN_MS, rel=1e-9)
    assert fit.day_ms == pytest.approx(BETWEEN_MS, rel=1e-9)
    assert fit.day_ms / fit.run_ms == pytest.approx(F_RATIO, rel=1e-9)
    told = fit.scatter()
    assert told.day_sigma == pytest.approx(math.sqrt((BETWEEN_MS - WITHIN_MS) / 5), rel=1e-9)


def _frame(y: np.ndarray, setup: list[str], outing: list[int], way: list[int] | None = None) -> pd.DataFrame:
    return pd.DataFrame({"y": y, "setup": setup, "outing": outing, "way": way or [0] * len(y)})


def test_balanced_outings_agree_with_statsmodels_mixed_model() -> None:
    """statsmodels MixedLM by REML, outings as random intercepts: estimate, its error, both variances."""
    rng = np.random.default_rng(41)
    setup = [s for s in "abc" for _ in range(12)]
    outing = [k for k in range(9) for _ in range(4)]
    day = rng.normal(0, 0.4, 9)
    y = np.array([10 + 0.5 * (s == "b") + day[o] for s, o in zip(setup, outing, strict=True)]) + rng.normal(0, 0.2, 36)
    model = smf.mixedlm("y ~ setup", _frame(y, setup, outing), groups="outing").fit(reml=True)
    x = np.array([[s == "a", s == "b", s == "c"] for s in setup], float)
    fit = day_effects.contrasts(y[:, None], x, np.array(outing), np.array([-1.0, 1.0, 0.0]))
    told = fit.intervals[0][0]
    assert told.estimate == pytest.approx(model.params["setup[T.b]"], rel=1e-6)
    assert told.sigma == pytest.approx(model.bse["setup[T.b]"], rel=2e-3)
    assert fit.scatter[0].run_sigma == pytest.approx(math.sqrt(model.scale), rel=2e-3)
    assert fit.scatter[0].day_sigma == pytest.approx(math.sqrt(model.cov_re.iloc[0, 0]), rel=5e-3)
    assert told.df == pytest.approx(6)  # nine outings less three setups: the classical answer


def test_unbalanced_outings_stay_near_statsmodels_mixed_model() -> None:
    """Unequal outings have no exact answer; ours and REML differ, by a small part of the error."""
    rng = np.random.default_rng(42)
    sizes = [3, 6, 4, 5, 2, 6, 4, 3]
    outing = [k for k, n in enumerate(sizes) for _ in range(n)]
    setup = ["ab"[k % 2] for k in outing]
    day = rng.normal(0, 0.3, 8)
    y = np.array([10 + 0.3 * (s == "b") + day[o] for s, o in zip(setup, outing, strict=True)])
    y += rng.normal(0, 0.3, len(y))
    model = smf.mixedlm("y ~ setup", _frame(y, setup, outing), groups="outing").fit(reml=True)
    x = np.array([[s == "a", s == "b"] for s in setup], float)
    told = day_effects.contrasts(y[:, None], x, np.array(outing), np.array([-1.0, 1.0])).intervals[0][0]
    error = model.bse["setup[T.b]"]
    assert told.estimate == pytest.approx(model.params["setup[T.b]"], abs=0.3 * error)
    assert told.sigma == pytest.approx(error, rel=0.25)


def test_within_outings_agrees_with_statsmodels_ols_on_blocks() -> None:
    """statsmodels OLS with outings and ways as fixed factors: estimate and interval, to rounding."""
    rng = np.random.default_rng(43)
    outing = [k for k in range(3) for _ in range(8)]
    setup = ["a", "a", "b", "b"] * 6
    way = [0, 1] * 12
    y = np.array([9 + 0.4 * (s == "b") + 0.7 * o + 0.2 * w for s, o, w in zip(setup, outing, way, strict=True)])
    y += rng.normal(0, 0.25, 24)
    model = smf.ols("y ~ setup + C(outing) + C(way)", _frame(y, setup, outing, way)).fit()
    x = np.array([[s == "a", s == "b", w - 0.5] for s, w in zip(setup, way, strict=True)], float)
    told = day_effects.contrasts(y[:, None], x, np.array(outing), np.array([-1.0, 1.0, 0.0])).intervals[0][0]
    low, high = model.conf_int().loc["setup[T.b]"]
    assert told.days == "cancelled"
    assert (told.estimate, told.low, told.high) == pytest.approx((model.params["setup[T.b]"], low, high), rel=1e-8)


def test_outing_means_agree_with_scipy_t_test() -> None:
    """scipy.stats.ttest_ind on outings' means: what equal outings of two setups come to, exactly."""
    rng = np.random.default_rng(44)
    runs = season([Stint(k, {"jet": k % 2}, 4) for k in range(6)], rng, day=1.0, wind=0.0)
    y = times(runs)[:, -1]
    means = y.reshape(6, 4).mean(axis=1)
    span = stats.ttest_ind(means[1::2], means[0::2]).confidence_interval(0.95)
    jets = np.array([[r.parts == {"jet": k} for k in (0, 1)] for r in runs], float)
    outing = np.array([r.outing for r in runs])
    told = day_effects.contrasts(y[:, None], jets, outing, np.array([-1.0, 1.0])).intervals[0][0]
    assert (told.low, told.high) == pytest.approx((span.low, span.high), rel=1e-6)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9, 0.99])
def test_joint_level_agrees_with_scipy_multivariate_normal(rho: float) -> None:
    """With many degrees of freedom the max-t quantile is that of the multivariate normal: scipy's box probability."""
    j = 5
    correlation = np.full((j, j), rho) + (1 - rho) * np.eye(j)
    each = day_effects.tightened(0.05, correlation, 5000)
    bound = np.full(j, stats.norm.ppf(1 - each / 2))
    inside = stats.multivariate_normal(np.zeros(j), correlation, allow_singular=True, seed=1).cdf(
        bound, lower_limit=-bound
    )
    assert inside == pytest.approx(0.95, abs=0.006)


def test_outliers_residuals_agree_with_statsmodels() -> None:
    """statsmodels OLSInfluence: externally studentised residuals."""
    rng = np.random.default_rng(45)
    outing = [k for k in range(4) for _ in range(5)]
    setup = ["ab"[k % 2] for k in outing]
    y = rng.normal(10, 0.3, 20)
    model = smf.ols("y ~ C(outing)", _frame(y, setup, outing)).fit()
    x = np.array([[s == "a", s == "b"] for s in setup], float)
    fit = day_effects.contrasts(y[:, None], x, np.array(outing), np.array([-1.0, 1.0]))
    assert fit.studentised[:, 0] == pytest.approx(model.get_influence().resid_studentized_external, rel=1e-8)


def test_detectable_difference_agrees_with_statsmodels_power() -> None:
    """statsmodels TTestIndPower (noncentral t): the sum of two t quantiles is within 2 % of the exact answer."""
    from statsmodels.stats.power import TTestIndPower

    for n in (4, 8, 20):
        exact = TTestIndPower().solve_power(nobs1=n, alpha=0.05, power=0.8)
        ours = day_effects.detectable(math.sqrt(2 / n), 2 * n - 2, 0.05)
        assert ours == pytest.approx(exact, rel=0.04)


def test_textbook_two_by_two_factorial() -> None:
    """D. C. Montgomery, Design and Analysis of Experiments, the 2^2 design: yield of a chemical process by
    concentration (A) and catalyst (B), three replicates: effects A = 8.33, B = -5.00; error mean square 3.92 on 8 df
    with the interaction (1.67) in the model. The model here is additive, so its residual holds the interaction too."""
    yields = {(0, 0): (28, 25, 27), (1, 0): (36, 32, 32), (0, 1): (18, 19, 23), (1, 1): (31, 30, 29)}
    runs, y = [], []
    for (a, b), replicates in yields.items():
        parts: Parts = {"concentration": a, "catalyst": b}
        for value in replicates:
            one = np.ones(1)
            runs.append(Observation("x", "x", parts, "x", 0, len(runs), 0.0, one, one * value, one))
            y.append([float(value)])
    found = effects.attribute(runs, np.array(y))
    assert found is not None and found.design.tangled == [] and not found.not_additive
    told = {effect.changes[0].part: effect.intervals[0] for effect in found.effects}
    assert told["concentration"].estimate == pytest.approx(8.33, abs=0.005)
    assert told["catalyst"].estimate == pytest.approx(-5.00, abs=0.005)
    pooled = (8 * 3.917 + 8.33) / 9  # error and interaction sums of squares over 9 df
    assert told["catalyst"].sigma == pytest.approx(math.sqrt(pooled / 3), rel=1e-3)
    assert told["catalyst"].df == 9


def test_ranks_and_tangles_agree_with_scipy() -> None:
    """scipy.linalg.null_space: the same dependent columns as exact fractions give."""
    from scipy.linalg import null_space

    rng = np.random.default_rng(46)
    for _ in range(200):
        matrix = rng.integers(0, 2, (rng.integers(1, 7), rng.integers(1, 8)))
        null = null_space(matrix.astype(float))
        assert effects.rank(matrix) == matrix.shape[1] - null.shape[1]
        bound = {int(k) for k in np.flatnonzero(np.any(np.abs(null) > 1e-9, axis=1))}
        assert {k for group in effects.tangles(matrix) for k in group} == bound
