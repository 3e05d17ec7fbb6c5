"""Sums by outing in place of matrices: the same statistics as by the full matrices and their eigendecomposition.

The dense way stands here as the module's text has it [R. K. Burdick, F. A. Graybill, Confidence Intervals on Variance
Components (1992), chapter 3]: the residual space of the design, the eigenvalues of z z' in it, outings as columns.
"""

from __future__ import annotations

import numpy as np
import pytest

from analysis.arrays import Floats
from analysis.changes import day_effects, day_prior
from analysis.changes.day_prior import Prior, VariancePosterior
from analysis.changes.outing_blocks import OutingBlocks


def seasons() -> list[tuple[Floats, Floats, np.ndarray, Floats | None]]:
    """Response, design, outing and measurement errors of seasons of every sort: tangled, unbalanced, with gaps."""
    rng = np.random.default_rng(18)
    made = []
    for _ in range(60):
        outings, n, setups = rng.integers(1, 9), rng.integers(3, 40), rng.integers(1, 4)
        outing = np.sort(rng.integers(0, outings, n))
        setup = rng.integers(0, setups, outings)[outing] if rng.random() < 0.5 else rng.integers(0, setups, n)
        design = (setup[:, None] == np.arange(setups)).astype(float)
        if rng.random() < 0.5:
            design = np.hstack([design, rng.integers(0, 2, n)[:, None] - 0.5])
        if rng.random() < 0.3:
            design = np.hstack([design, np.ones((n, 1))])
        y = 5 + 0.1 * setup + 0.1 * rng.normal(size=outings)[outing] + 0.1 * rng.normal(size=n)
        y[rng.random(n) < 0.1] = np.nan
        made.append((y, design, 7 * outing, 0.03 * np.exp(rng.normal(size=n)) if rng.random() < 0.6 else None))
    return made


@pytest.mark.parametrize(("y", "design", "outing", "sigma"), seasons())
def test_scatter_and_residuals_are_those_of_the_dense_way(
    y: Floats, design: Floats, outing: np.ndarray, sigma: Floats | None
) -> None:
    fit = day_effects._Response.fit(y, design, outing, sigma, None, np.zeros((len(y), 0)))
    if len(fit.rows) < 2:
        return
    of = outing[fit.rows]
    z = (of[:, None] == np.unique(of)).astype(float) * fit.z.root[:, None]
    left = np.linalg.qr(fit.x, mode="complete")[0][:, fit.x.shape[1] :]
    lam, turn = np.linalg.eigh(left.T @ z @ z.T @ left)
    u2 = (turn.T @ (left.T @ fit.y)) ** 2
    day = lam > 1e-8
    assert (fit.run_df, fit.day_df) == (np.sum(~day), np.sum(day))
    if fit.run_df:
        assert fit.run_ms == pytest.approx(np.mean(u2[~day]), rel=1e-10)
    if fit.day_df:
        size = fit.day_df / np.sum(1 / lam[day])
        assert fit.day_size == pytest.approx(size, rel=1e-10)
        assert fit.day_ms == pytest.approx(np.mean(u2[day] * size / lam[day]), rel=1e-10)
    wide = np.hstack([fit.x, z])
    u, s, vt = np.linalg.svd(wide, full_matrices=False)
    q, space = u[:, s > 1e-9 * s[0]], vt[s > 1e-9 * s[0]]
    rest = fit.y - q @ (q.T @ fit.y)
    np.testing.assert_allclose(fit.inner.rest, rest, atol=1e-11)
    np.testing.assert_allclose(fit.inner.leverage(fit.z), np.sum(q**2, axis=1), atol=1e-10)
    for k in range(fit.x.shape[1]):
        c = np.zeros(fit.x.shape[1])
        c[k], c[0] = 1.0, c[0] - 1.0 * (k > 0)
        padded = np.concatenate([c, np.zeros(z.shape[1])])
        told = np.linalg.norm(padded - space.T @ (space @ padded)) < 1e-7 * np.linalg.norm(padded)
        found = fit._within(c)
        assert (found is not None) == told
        if found is not None:
            assert found.estimate == pytest.approx(padded @ np.linalg.pinv(wide) @ fit.y, abs=1e-9)
            if fit.run_df:
                factor = padded @ np.linalg.pinv(wide.T @ wide, rcond=1e-12) @ padded
                assert found.variance == pytest.approx(factor * fit.run_ms, rel=1e-8)


@pytest.mark.parametrize(("y", "design", "outing", "sigma"), seasons()[:20])
def test_a_posterior_is_that_of_the_dense_way(
    y: Floats, design: Floats, outing: np.ndarray, sigma: Floats | None
) -> None:
    fit = day_effects._Response.fit(y, design, outing, sigma, None, np.zeros((len(y), 0)))
    if len(fit.rows) < 3 or fit.run_df < 1:
        return
    made = VariancePosterior(fit.x, fit.y, fit.z, Prior(0.1, 0.1))
    of = outing[fit.rows]
    z = (of[:, None] == np.unique(of)).astype(float) * fit.z.root[:, None]
    q = np.linalg.qr(fit.x)[0]
    mz = z - q @ (q.T @ z)
    lam, turn = np.linalg.eigh(mz.T @ mz)
    u = (turn.T @ (mz.T @ (fit.y - q @ (q.T @ fit.y))))[lam > 1e-8] / np.sqrt(lam[lam > 1e-8])
    lam = lam[lam > 1e-8]
    squares, log = made._by_ratio
    spread = 1 + np.outer(day_prior._RHO, lam)
    np.testing.assert_allclose(squares, made.run_ss + np.sum(u**2 / spread, axis=1), rtol=1e-9)
    np.testing.assert_allclose(log, np.sum(np.log(spread), axis=1), rtol=1e-9, atol=1e-9)
    assert made.day_df == len(lam)
    c = np.eye(fit.x.shape[1])[0]
    centre, factor = made._least_squares(c)
    for k in (0, 25, 52):
        weighed = np.linalg.solve(np.eye(len(fit.rows)) + day_prior._RHO[k] * z @ z.T, np.column_stack([fit.x, fit.y]))
        solved = np.linalg.solve(fit.x.T @ weighed[:, :-1], c)
        assert factor[k] == pytest.approx(c @ solved, rel=1e-8)
        assert centre[k] == pytest.approx(solved @ (fit.x.T @ weighed[:, -1]), rel=1e-8)


def test_sums_spread_and_centring_are_products_with_the_matrix() -> None:
    rng = np.random.default_rng(1)
    outing, weight = rng.integers(3, 9, 40), rng.uniform(0.2, 1, 40)
    blocks = OutingBlocks.by(outing, weight)
    z = (outing[:, None] == np.unique(outing)).astype(float) * np.sqrt(weight)[:, None]
    for v in (rng.normal(size=40), rng.normal(size=(40, 3)), np.zeros((40, 0))):
        np.testing.assert_allclose(blocks.sums(v), z.T @ v, atol=1e-13)
        np.testing.assert_allclose(blocks.within(v), v - z @ np.linalg.lstsq(z, v, rcond=None)[0], atol=1e-13)
    for v in (rng.normal(size=6), rng.normal(size=(6, 2))):
        np.testing.assert_allclose(blocks.spread(v), z @ v, atol=1e-13)
