"""The statistics of days as they were first written: a column of the design for every outing's own effect, outings'
directions by an eigendecomposition. What `analysis.changes.day_effects` is held to."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats
from analysis.changes.day_effects import (
    _FEW_DAYS,
    _FLOOR,
    _RHO,
    _WITHIN_LOSS,
    ContrastInterval,
    Days,
    Fit,
    Scatter,
    _correlation,
    _interval,
    _Part,
    tightened,
)
from analysis.changes.day_prior import _RHO as RHO
from analysis.changes.day_prior import (
    _STEPS,
    DAY_DF,
    RUN_DF,
    Prior,
    Student,
    _log_inverse_chi2,
    as_student,
)
from analysis.changes.outing_blocks import OutingBlocks, told
from analysis.changes.ways import _centred, directions

_RANK = 1e-9
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
    """Intervals for the contrasts `wanted` @ b of the model y = `design` @ b + day + run.

    Parameters
    ----------
    y : (n, J) array
        Responses of n runs, in any unit; NaN where a run has none.
    design : (n, p) array
        The fixed part, of any rank.
    outing : (n,) array of int
        Which outing each run was in.
    wanted : (m, p) or (p,) array
        The contrasts.
    level : float
        What the J intervals of one contrast hold together at, 0 to 1.
    sigma : (n, J) array, optional
        Measurement errors, in the unit of `y`; a run measured worse than most counts for less.
    prior : sequence of Prior, optional
        Typical scatter of days and runs of each response. None: repeats alone tell of days.

    Returns
    -------
    Fit
        m lists of J intervals in the unit of `y`; a contrast that the rows do not determine is NaN throughout. The
        methods are those named above.
    """
    wanted = np.atleast_2d(wanted)
    fits = [
        _Response.fit(y[:, j], design, outing, None if sigma is None else sigma[:, j], prior[j] if prior else None)
        for j in range(y.shape[1])
    ]
    rows: list[list[ContrastInterval]] = []
    levels: list[float] = []
    for contrast in wanted:
        parts = [fit.contrast(contrast) for fit in fits]
        alive = [k for k, part in enumerate(parts) if part is not None]
        alpha = 1 - level
        if len(alive) > 1:
            correlation = _correlation(np.column_stack([fits[k].residuals(len(y)) for k in alive]))
            alpha = tightened(alpha, correlation, min(part.df for part in parts if part is not None))
        rows.append([_interval(part, alpha, 1 - level) for part in parts])
        levels.append(1 - alpha)
    studentised = np.column_stack([fit.studentised(len(y)) for fit in fits])
    return Fit(rows, [fit.scatter() for fit in fits], studentised, levels)


class VariancePosterior:
    """The two variances of one response, and any contrast averaged over them.

    Parameters
    ----------
    x : (n, r) array
        Design of full column rank, rows weighted.
    y : (n,) array
        Response, weighted likewise.
    z : OutingBlocks
        Membership of n runs, weighted likewise.
    prior : Prior
        Typical scatter of days and runs [unit of y].
    """

    def __init__(self, x: Floats, y: Floats, z: OutingBlocks, prior: Prior) -> None:
        self.x, self.y, self.z = x, y, z
        self._xx, self._zx, self._zz = x.T @ x, z.sums(x), z.size
        q = np.linalg.qr(x)[0] if x.shape[1] else np.zeros((len(y), 0))
        rest = y - q @ (q.T @ y)
        lam, turn = z.directions(q)
        kept = lam > 1e-8
        self.lam = lam[kept]
        u = (turn[:, kept].T @ z.sums(rest)) / np.sqrt(self.lam)
        self.u2 = np.asarray(u**2)
        self.run_df = len(y) - x.shape[1] - int(kept.sum())
        least = (1e-9 * float(np.abs(y).max(initial=0.0))) ** 2
        self.run_ss = max(float(rest @ rest) - float(self.u2.sum()), self.run_df * least)
        self.prior = prior
        self._solved: tuple[Floats, Floats, Floats] | None = None

    @functools.cached_property
    def _grid(self) -> tuple[Floats, Floats]:
        """Values of sigma^2 (steps,), and the posterior's weights (rho, steps)."""
        prior, n = self.prior, self.run_df + len(self.u2)
        guess = (self.run_ss + RUN_DF * prior.run**2) / (self.run_df + RUN_DF)
        width = 4.0 + 12.0 / math.sqrt(1.0 + self.run_df)
        sigma2 = guess * np.exp(np.linspace(-width, width, _STEPS))
        spread = 1 + np.outer(RHO, self.lam)  # (rho, days)
        between = np.sum(self.u2 / spread, axis=1)
        log = -0.5 * (n * np.log(sigma2)[None, :] + np.sum(np.log(spread), axis=1)[:, None])
        log = log - 0.5 * (self.run_ss + between)[:, None] / sigma2[None, :]
        tau2 = RHO[:, None] * sigma2[None, :]
        log += _log_inverse_chi2(sigma2, RUN_DF, prior.run)[None, :] + np.log(sigma2)[None, :]
        log += _log_inverse_chi2(tau2, DAY_DF, prior.day) + np.log(tau2)
        weight = np.exp(log - log.max())
        return sigma2, weight / weight.sum()

    def day_sigma(self) -> float:
        """Standard deviation of days: the posterior's median."""
        sigma2, weight = self._grid
        tau2 = (RHO[:, None] * sigma2[None, :]).ravel()
        order = np.argsort(tau2)
        return math.sqrt(float(np.interp(0.5, np.cumsum(weight.ravel()[order]), tau2[order])))

    def contrast(self, c: Floats) -> Student:
        """The contrast `c` @ b, averaged over both variances; `c` in coordinates of the columns of x."""
        sigma2, weight = self._grid
        centre, factor = self._least_squares(c)
        scale = np.sqrt(factor[:, None] * sigma2[None, :])
        return as_student(np.repeat(centre[:, None], len(sigma2), axis=1).ravel(), scale.ravel(), weight.ravel())

    def by_runs(self, c: Floats) -> Student:
        """The same if all days were alike."""
        solved = np.linalg.solve(self._xx, c)
        total = self.run_ss
        df = self.run_df
        variance = total / df if df else math.nan
        return Student(float(solved @ self.x.T @ self.y), math.sqrt(float(c @ solved) * variance), float(df))

    def least_of(self, c: Floats, sizes: Sequence[int], share: float) -> float:
        """What the least of many runs to come falls below with probability `share`, if their expectation is `c` @ b.

        `sizes` are the numbers of runs of each outing, on days of their own. The posterior predictive, drawn `_DRAWS`
        times from a fixed seed [1, section 6.3].
        """
        rng = np.random.default_rng(0)
        sigma2, weight = self._grid
        rho_at, sigma_at = np.unravel_index(rng.choice(weight.size, _DRAWS, p=weight.ravel()), weight.shape)
        centre, factor = self._least_squares(c)
        run = np.sqrt(sigma2[sigma_at])
        expected = centre[rho_at] + np.sqrt(factor[rho_at]) * run * rng.standard_normal(_DRAWS)
        least = np.full(_DRAWS, np.inf)
        for size in sizes:
            day = np.sqrt(RHO[rho_at]) * run * rng.standard_normal(_DRAWS)
            least = np.minimum(least, day + run * rng.standard_normal((size, _DRAWS)).min(axis=0))
        return float(np.quantile(expected + least, share))

    def day_share(self, c: Floats) -> tuple[float, float]:
        """The contrast's variance over sigma^2 with days of the size of runs, and with days alike."""
        _, factor = self._least_squares(c)
        return float(np.interp(0.0, np.log(RHO), factor)), float(factor[0])

    def _least_squares(self, c: Floats) -> tuple[Floats, Floats]:
        """Generalised least squares at each rho: the estimate, and its variance over sigma^2."""
        if self._solved is None or not np.array_equal(self._solved[0], c):
            self._solved = c, *self._solve(c)
        return self._solved[1:]

    def _solve(self, c: Floats) -> tuple[Floats, Floats]:
        shrink = RHO[:, None] / (1 + RHO[:, None] * self._zz)  # (rho, outings)
        inner = self._xx - (self._zx.T[None, :, :] * shrink[:, None, :]) @ self._zx
        solved = np.linalg.solve(inner, np.broadcast_to(c, (len(RHO), len(c)))[..., None])[..., 0]
        xy, zy = self.x.T @ self.y, self.z.sums(self.y)
        centre = np.einsum("ri,ri->r", solved, xy - (shrink * zy) @ self._zx)
        return centre, solved @ c


@dataclass(frozen=True)
class _Inner:
    """The model of one response with outings as fixed blocks: what is left within them."""

    x: Floats
    """(n, rank) design without its means by outing, in coordinates of the space of its rows."""
    basis: Floats
    """(r, rank): that space, in the coordinates of the whole design's columns."""
    q: Floats
    """(n, rank) orthonormal columns of `x`."""
    rest: Floats
    """(n,) residuals."""

    @staticmethod
    def of(x: Floats, y: Floats, z: OutingBlocks) -> _Inner:
        within, basis = _row_space(z.within(x), math.sqrt(float(np.linalg.norm(x.T @ x, 2))) if x.size else 0.0)
        q = _orthonormal(within)
        rest = z.within(y)
        return _Inner(within, basis, q, rest - q @ (q.T @ rest))

    @property
    def rank(self) -> int:
        return int(self.q.shape[1])

    def leverage(self, z: OutingBlocks) -> Floats:
        """(n,): how far each run decides its own fitted value."""
        return np.asarray(z.root**2 / z.size[z.of] + np.sum(self.q**2, axis=1))


@dataclass(frozen=True)
class _Response:
    rows: NDArray[np.int64]
    x: Floats
    """(n, r) design, weighted, in coordinates of the space of its rows."""
    basis: Floats
    """(p, r): that space."""
    y: Floats
    z: OutingBlocks
    """Membership, weighted."""
    inner: _Inner
    """The same with outings as fixed blocks."""
    run_ms: float
    run_df: int
    day_df: int
    posterior: VariancePosterior | None = None
    """Given a prior, what is left of it."""

    @staticmethod
    def fit(
        y: Floats, design: Floats, outing: NDArray[np.int64], sigma: Floats | None, prior: Prior | None = None
    ) -> _Response:
        fit = _Response._by_quality(y, design, outing, sigma)
        if prior is None or not (prior.day > 0 and prior.run > 0) or len(fit.rows) == 0:
            return fit
        return replace(fit, posterior=VariancePosterior(fit.x, fit.y, fit.z, prior))

    @staticmethod
    def _by_quality(y: Floats, design: Floats, outing: NDArray[np.int64], sigma: Floats | None) -> _Response:
        rows = np.flatnonzero(np.isfinite(y))
        fit = _Response._weighted(y, design, outing, rows, np.ones(len(rows)))
        if sigma is None or fit.run_df == 0:
            return fit
        known = np.nan_to_num(sigma[rows] ** 2)
        excess = np.maximum(known - np.median(known), 0.0)
        for _ in range(3 if bool(np.any(excess > 0)) else 0):  # the scatter needs the weights, the weights the scatter
            variance = max(fit.run_ms, float(np.median(known)))
            fit = _Response._weighted(y, design, outing, rows, variance / (variance + excess))
        return fit

    @staticmethod
    def _weighted(
        y: Floats, design: Floats, outing: NDArray[np.int64], rows: NDArray[np.int64], weight: Floats
    ) -> _Response:
        root = np.sqrt(weight)
        x, basis = _row_space(design[rows] * root[:, None])
        z = OutingBlocks.by(outing[rows], weight)
        v = y[rows] * root
        inner = _Inner.of(x, v, z)
        run_df = len(rows) - z.count - inner.rank
        day_df = z.count + inner.rank - x.shape[1]
        least = (1e-9 * float(np.abs(v).max(initial=0.0))) ** 2  # no scatter at all is but rounding
        run_ms = max(float(inner.rest @ inner.rest) / run_df, least) if run_df else math.nan
        return _Response(rows, x, basis, v, z, inner, run_ms, run_df, day_df)

    @property
    def least(self) -> float:
        return (1e-9 * float(np.abs(self.y).max(initial=0.0))) ** 2

    @functools.cached_property
    def _days(self) -> tuple[float, float]:
        """What estimates sigma^2 + size tau^2, and that size; NaN where nothing repeats."""
        if not self.day_df:
            return math.nan, math.nan
        # Coordinates u along the outings' directions, in which the variances are sigma^2 + lambda tau^2.
        q = np.linalg.qr(self.x)[0] if self.x.shape[1] else self.x
        lam, turn = self.z.directions(q)
        lam, turn = lam[-self.day_df :], turn[:, -self.day_df :]
        u2 = (turn.T @ self.z.sums(self.y - q @ (q.T @ self.y))) ** 2 / lam
        u2 = np.maximum(u2, (1e-9 * float(np.abs(self.y).max(initial=0.0))) ** 2)
        size = self.day_df / float(np.sum(1 / lam))
        return float(np.mean(u2 * size / lam)), size

    @property
    def day_ms(self) -> float:
        """Estimates sigma^2 + day_size tau^2."""
        return self._days[0]

    @property
    def day_size(self) -> float:
        return self._days[1]

    def scatter(self) -> Scatter:
        run = math.sqrt(self.run_ms) if self.run_df else math.nan
        if self.posterior is not None:
            return Scatter(run, self.run_df, self.posterior.day_sigma(), self.day_df)
        if not (self.run_df and self.day_df):
            return Scatter(run, self.run_df, math.nan, 0)
        return Scatter(run, self.run_df, math.sqrt(max(self.day_ms - self.run_ms, 0.0) / self.day_size), self.day_df)

    def contrast(self, wanted: Floats) -> _Part | None:
        if not _in_space(self.basis, wanted) or not (self.run_df or self.day_df or self.posterior):
            return None
        c = self.basis.T @ wanted
        if self.posterior is not None:
            return self._averaged(c, self.posterior)
        if self.run_df == 0:  # one run an outing: the scatter of runs holds the days already
            solved = np.linalg.solve(self.x.T @ self.x, c)
            variance = float(c @ solved) * self.day_ms / self.day_size
            return _Part(float(solved @ self.x.T @ self.y), variance, self.day_df, math.nan, 0, "included")
        within, across = self._within(c), self._across(c)
        if within is not None and (self.day_df < _FEW_DAYS or self._shorter(c, within)):
            return within
        return across

    def _averaged(self, c: Floats, posterior: VariancePosterior) -> _Part:
        """The contrast within outings where that loses little, else averaged over both scatters."""
        if self.run_df:
            within, alike = self._within(c), posterior.day_share(c)[0]
            if within is not None and within.variance <= _WITHIN_LOSS * alike * self.run_ms:
                return within
        told = posterior.contrast(c)
        days: Days = "included" if self.day_df else "assumed"
        run_variance = posterior.by_runs(c).scale ** 2 if self.run_df else math.nan
        return _Part(told.centre, told.scale**2, told.df, run_variance, self.run_df, days)

    def _within(self, c: Floats) -> _Part | None:
        """The contrast with outings as fixed blocks, where it can be had so."""
        inner = self.inner
        if not _in_space(inner.basis, c):
            return None
        along = inner.basis.T @ c
        solved = np.linalg.solve(inner.x.T @ inner.x, along)
        variance = float(along @ solved) * self.run_ms
        return _Part(float(solved @ inner.x.T @ self.y), variance, self.run_df, variance, self.run_df, "cancelled")

    def _across(self, c: Floats) -> _Part:
        """The contrast by weights made for tau = sigma, from within and between outings."""
        weights, own, shared = self._weights(c)
        estimate, run_variance = float(weights @ self.y), own * self.run_ms
        if self.day_df == 0:
            return _Part(estimate, math.nan, self.run_df, run_variance, self.run_df, "unknown")
        runs, days = (own - shared / self.day_size) * self.run_ms, shared / self.day_size * self.day_ms
        variance = runs + days
        if runs < 0:  # an outing longer than those that repeat: a chance difference must not leave next to nothing
            least = _FLOOR * (1 - own * self.day_size / shared) * run_variance
            variance = max(variance, own * self.day_ms, least)
        df = max((runs + days) ** 2 / (runs**2 / self.run_df + days**2 / self.day_df), min(self.day_df, self.run_df))
        return _Part(estimate, variance, df, run_variance, self.run_df, "included")

    def _weights(self, c: Floats) -> tuple[Floats, float, float]:
        """Weights of the runs in the estimate, and the shares of sigma^2 and tau^2 in its variance."""
        shrink = _RHO / (1 + _RHO * self.z.size)
        s = self.z.sums(self.x)
        solved = np.linalg.solve(self.x.T @ self.x - s.T @ (shrink[:, None] * s), c)
        weights = self.x @ solved - self.z.spread(shrink * (s @ solved))
        return weights, float(weights @ weights), float(np.sum(self.z.sums(weights) ** 2))

    def _shorter(self, c: Floats, within: _Part) -> bool:
        """Whether the interval within outings would be the shorter one if tau = sigma; judged by the design alone."""
        from scipy.special import stdtrit

        _, own, shared = self._weights(c)
        runs, days = own - shared / self.day_size, shared / self.day_size + shared * _RHO
        df = (runs + days) ** 2 / (runs**2 / self.run_df + days**2 / self.day_df)
        alone = math.sqrt(within.variance / self.run_ms) if self.run_ms > 0 else math.inf
        return alone * float(stdtrit(self.run_df, 0.975)) <= math.sqrt(runs + days) * float(stdtrit(df, 0.975))

    def residuals(self, n: int) -> Floats:
        """Residuals in rows of all `n` runs, days left in where they are known: they bear on the speeds alike."""
        out = np.full(n, np.nan)
        if self.day_df:
            q = _orthonormal(self.x)
            out[self.rows] = told(self.y - q @ (q.T @ self.y), self.least)
        else:
            out[self.rows] = told(self.inner.rest, self.least)
        return out

    def studentised(self, n: int) -> Floats:
        """Externally studentised residuals within outings, in rows of all `n` runs."""
        out = np.full(n, np.nan)
        df, residual = self.run_df, told(self.inner.rest, self.least)
        if df < 2:
            return out
        free = 1 - self.inner.leverage(self.z)
        known = free > 1e-6
        square = np.divide(residual**2, free, out=np.zeros_like(free), where=known)
        rest = np.maximum(np.sum(residual**2) - square, 1e-300) / (df - 1)
        out[self.rows[known]] = (residual / np.sqrt(rest * np.where(known, free, 1.0)))[known]
        return out


def _row_space(x: Floats, size: float = 0.0) -> tuple[Floats, Floats]:
    """`x` in coordinates of the space of its rows, and that space: x = coordinates @ basis.T, basis orthonormal.

    `size` is what `x` is small beside: the largest singular value of what it was before something was taken off.
    """
    # Of many runs the triangle of a QR has the same singular values and rows, and is small.
    _, s, vt = np.linalg.svd(np.linalg.qr(x, mode="r") if x.size else x, full_matrices=False)
    rank = int(np.sum(s > _RANK * max(x.shape) * max(s[0], size))) if len(s) and s[0] > 0 else 0
    return x @ vt[:rank].T, vt[:rank].T


def _in_space(basis: Floats, vector: Floats) -> bool:
    size = float(np.linalg.norm(vector))
    return size > 0 and float(np.linalg.norm(vector - basis @ (basis.T @ vector))) < 1e-7 * size


def _orthonormal(x: Floats) -> Floats:
    q, r = np.linalg.qr(x)
    u, s, _ = np.linalg.svd(r, full_matrices=False)
    rank = int(np.sum(s > _RANK * max(x.shape) * s[0])) if len(s) and s[0] > 0 else 0
    return np.asarray(q @ u[:, :rank])


def way_columns(direction_deg: Floats, outing: NDArray[np.int64]) -> Floats:
    """Columns of a design for the ways driven: one effect for all outings, and one of its own for each outing that has
    two runs or more each way, since wind is another every day.

    Coded so that a setup's column stands for the mean of the ways, not for one of them.

    Parameters
    ----------
    direction_deg : (n,) array
        Heading of each run [deg]; NaN where it is unknown.
    outing : (n,) array of int
        Which outing each run was in.

    Returns
    -------
    (n, k) array
        k is 0 where all went one way.
    """
    way = directions(direction_deg)
    columns = _centred(way)
    for each in np.unique(outing):
        here = outing == each
        if len(np.unique(way[here])) > 1 and np.bincount(way[here])[np.unique(way[here])].min() >= 2:
            own = np.zeros((len(way), len(np.unique(way[here])) - 1))
            own[here] = _centred(way[here])
            columns = np.hstack([columns, own])
    return columns
