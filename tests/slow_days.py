"""The statistics of days as they were first written: a column of the design for every outing's own effect, the
likelihood of the variances along the outings' directions by an eigendecomposition, luck drawn. What
`analysis.changes.day_effects` and `day_prior` are held to."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from unittest import mock

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats
from analysis.changes import day_effects, day_prior
from analysis.changes.day_effects import Fit
from analysis.changes.day_prior import _RHO, Prior
from analysis.changes.outing_blocks import OutingBlocks, Within
from analysis.changes.ways import _centred, directions

_DRAWS = 20_000


def contrasts(
    y: Floats,
    design: Floats,
    outing: NDArray[np.int64],
    wanted: Floats,
    level: float = 0.95,
    sigma: Floats | None = None,
    prior: Sequence[Prior] | None = None,
) -> Fit:
    """`day_effects.contrasts` where all columns stand in the design."""
    with mock.patch.object(day_effects, "VariancePosterior", VariancePosterior):
        return day_effects.contrasts(y, design, outing, wanted, level, sigma, prior)


class VariancePosterior(day_prior.VariancePosterior):
    """The same with what the residuals say in their coordinates along the outings' directions."""

    def __init__(self, x: Floats, y: Floats, z: OutingBlocks, prior: Prior, within: Within | None = None) -> None:
        super().__init__(x, y, z, prior)
        q = np.linalg.qr(x)[0] if x.shape[1] else np.zeros((len(y), 0))
        rest = y - q @ (q.T @ y)
        lam, turn = z.directions(q)
        kept = lam > 1e-8
        self.lam = lam[kept]
        u = (turn[:, kept].T @ z.sums(rest)) / np.sqrt(self.lam)
        self.u2 = np.asarray(u**2)
        self.run_df, self.day_df = len(y) - x.shape[1] - len(self.lam), len(self.lam)
        least = (1e-9 * float(np.abs(y).max(initial=0.0))) ** 2
        self.run_ss = max(float(rest @ rest) - float(self.u2.sum()), self.run_df * least)

    @functools.cached_property
    def _by_ratio(self) -> tuple[Floats, Floats]:
        """Variances along the directions are sigma^2 + lambda tau^2."""
        spread = 1 + np.outer(_RHO, self.lam)  # (rho, days)
        return self.run_ss + np.sum(self.u2 / spread, axis=1), np.sum(np.log(spread), axis=1)

    def least_of(self, c: Floats, sizes: Sequence[int], share: float) -> float:
        """Drawn `_DRAWS` times from a fixed seed."""
        rng = np.random.default_rng(0)
        sigma2, weight = self._grid
        rho_at, sigma_at = np.unravel_index(rng.choice(weight.size, _DRAWS, p=weight.ravel()), weight.shape)
        centre, factor = self._least_squares(c)
        run = np.sqrt(sigma2[sigma_at])
        expected = centre[rho_at] + np.sqrt(factor[rho_at]) * run * rng.standard_normal(_DRAWS)
        least = np.full(_DRAWS, np.inf)
        for size in sizes:
            day = np.sqrt(_RHO[rho_at]) * run * rng.standard_normal(_DRAWS)
            least = np.minimum(least, day + run * rng.standard_normal((size, _DRAWS)).min(axis=0))
        return float(np.quantile(expected + least, share))


def way_columns(direction_deg: Floats, outing: NDArray[np.int64]) -> Floats:
    """`ways.way_columns` in one: (n, k), a column for each outing that has an effect of its own."""
    way = directions(direction_deg)
    columns = _centred(way)
    for each in np.unique(outing):
        here = outing == each
        if len(np.unique(way[here])) > 1 and np.bincount(way[here])[np.unique(way[here])].min() >= 2:
            own = np.zeros((len(way), len(np.unique(way[here])) - 1))
            own[here] = _centred(way[here])
            columns = np.hstack([columns, own])
    return columns
