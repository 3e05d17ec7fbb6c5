"""The statistics of few runs on few days: differences between setups, with intervals that hold what they promise.

`contrasts` fits, for each response (the time to one speed, the mixture, the fuel), the linear model

    y = X b + (day of the outing) + (run)        day ~ N(0, tau^2), one for each outing;  run ~ N(0, sigma^2)

and gives intervals for linear contrasts of b. Runs of one outing share its day, so an interval from the scatter of
runs alone is too small whenever the setups compared were driven on different days.

The estimate weights the runs as if days scattered as much as runs do (tau = sigma): a choice made before looking, so
that the variance of the estimate is exactly `own` sigma^2 + `shared` tau^2 with known factors. sigma^2 comes from the
mean square within outings, tau^2 from the mean square between outings that repeat a setup (unweighted means [1]);
neither is cut off at zero, since a cut-off estimate makes intervals too wide where days do not matter. The degrees of
freedom are Satterthwaite's [2]. With equally many runs an outing all this is the classical analysis of variance in two
strata, and exact. Where no outing repeats a setup the days are unknown, and the answer says so. Where a contrast can
be had within outings, and this promises the shorter interval, outings are fixed blocks and days cancel, exactly.

All this asks for repeats. Few of them make tau^2 jump, and where the one repeat agrees by chance, intervals collapse.
So, given a prior on both scatters (`priors`), a contrast is averaged over what the runs leave of it (`day_prior`); only
what can be had within outings at little loss stays there, where no prior is needed. An interval with days is never
narrower than the one of runs alone.

Several speeds are one question. All intervals of one contrast hold together at the stated level: the level of each is
tightened to the max-t quantile [3] of correlated t variables, their correlation taken from the residuals, their
scales drawn from the Wishart distribution that goes with it.

[1] R. K. Burdick, F. A. Graybill, Confidence Intervals on Variance Components (1992), chapters 3 and 4.
[2] F. E. Satterthwaite, "An approximate distribution of estimates of variance components", Biometrics Bulletin 2
    (1946) 110-114.
[3] T. Hothorn, F. Bretz, P. Westfall, "Simultaneous inference in general parametric models", Biometrical Journal
    50 (2008) 346-363.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats
from analysis.changes.day_prior import Prior, VariancePosterior
from analysis.changes.outing_blocks import Nested, OutingBlocks, Within, told
from analysis.changes.spaces import in_space, orthonormal, row_space, size_of

Days = Literal["included", "cancelled", "assumed", "unknown"]

POWER = 0.8
"""How often a difference of the detectable size is told from none (common practice); said wherever it is used."""

_RHO = 1.0  # tau^2 / sigma^2 that the weights of the runs are made for
_FEW_DAYS = 4
"""Below so many degrees of freedom between outings, a contrast that can be had within outings is judged there alone."""
_FLOOR = 0.75
"""Of the scatter of runs, how much stands in where repeats are shorter than what is compared and by chance agree too
well. Found by simulation: with 1 all speeds hold together in 98 % of seasons without day effects, with 0 in 92 %."""
_WITHIN_LOSS = 1.25
"""Given a prior, a contrast stays within outings where its variance so is no more than this times the best, were days
to scatter as runs do: it then holds whatever days do."""
_DRAWS = 6_000


@dataclass(frozen=True)
class Scatter:
    """What the runs say of the scatter of one response."""

    run_sigma: float
    """Standard deviation of runs within an outing; NaN where no outing holds two runs of a setup."""
    run_df: int
    """Degrees of freedom of `run_sigma`."""
    day_sigma: float
    """Standard deviation of days: with a prior the median of what is left of it; else 0 where outings differ no more
    than their runs explain, and NaN where `day_df` is 0."""
    day_df: int
    """Degrees of freedom between outings: the repeats that `day_sigma` was learned from."""


@dataclass(frozen=True)
class ContrastInterval:
    """One contrast of one response. NaN: the data cannot say."""

    estimate: float
    low: float
    high: float
    """The interval that includes the days, at the joint level; NaN where days matter and are unknown."""
    run_low: float
    run_high: float
    """At the joint level too, from the scatter of runs alone: true only if all days were alike."""
    alone_low: float
    alone_high: float
    """The interval that includes the days, at the stated level for this response by itself."""
    sigma: float
    """Standard error behind `low` and `high`; of the run interval where the days are unknown."""
    df: float
    """Degrees of freedom of `sigma`."""
    detectable: float
    """The true difference that would be told from none in `POWER` of such data; NaN where `low` is."""
    days: Days
    """Included; cancelled (measured within outings); assumed (no outing repeats a setup: the prior alone speaks);
    or unknown (the same, without a prior)."""


@dataclass(frozen=True)
class Fit:
    """`intervals[i][j]` of contrast i and response j, and what the residuals say."""

    intervals: list[list[ContrastInterval]]
    scatter: list[Scatter]
    """For each response."""
    studentised: Floats
    """(runs, responses): externally studentised residuals within outings; NaN where they do not exist."""
    each_level: list[float]
    """For each contrast, the level that each of its intervals has by itself; the joint level is the one asked for."""


def contrasts(
    y: Floats,
    design: Floats,
    outing: NDArray[np.int64],
    wanted: Floats,
    level: float = 0.95,
    sigma: Floats | None = None,
    prior: Sequence[Prior] | None = None,
    own: Floats | None = None,
) -> Fit:
    """Intervals for the contrasts `wanted` @ b of the model y = `design` @ b + (what is an outing's own) + day + run.

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
    own : (n, k) array, optional
        Further columns of the fixed part, each with a coefficient of its own in every outing (`outing_blocks`).

    Returns
    -------
    Fit
        m lists of J intervals in the unit of `y`; a contrast that the rows do not determine is NaN throughout. The
        methods are those named above.
    """
    wanted = np.atleast_2d(wanted)
    beside = np.zeros((len(y), 0)) if own is None else own
    fits = [
        _Response.fit(
            y[:, j], design, outing, None if sigma is None else sigma[:, j], prior[j] if prior else None, beside
        )
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


def hull(first: ContrastInterval, second: ContrastInterval) -> ContrastInterval:
    """An interval that holds by either of two accounts of the same contrast; the estimate is the first's."""
    low, high = min(first.low, second.low), max(first.high, second.high)
    wider = 0.5 * (high - low - (first.high - first.low))
    return replace(
        first, low=low, high=high,
        run_low=min(first.run_low, second.run_low), run_high=max(first.run_high, second.run_high),
        alone_low=min(first.alone_low, second.alone_low), alone_high=max(first.alone_high, second.alone_high),
        detectable=first.detectable + wider,
    )  # fmt: skip


def blank(interval: ContrastInterval) -> ContrastInterval:
    """The estimate without any interval: what is confounded has none that holds."""
    nan = math.nan
    return ContrastInterval(interval.estimate, nan, nan, nan, nan, nan, nan, nan, nan, nan, "unknown")


def estimable(
    design: Floats, contrast: Floats, outing: NDArray[np.int64] | None = None, own: Floats | None = None
) -> bool:
    """Whether `contrast` @ b is determined by the fixed part of the model: lies in the space of its rows.

    Parameters
    ----------
    design : (n, p) array
        Finite, of any rank.
    contrast : (p,) array
        Not all zero.
    outing, own : (n,) and (n, k) arrays, optional
        As of `contrasts`.
    """
    if outing is None or own is None or not own.shape[1]:
        return in_space(row_space(design)[1], contrast)
    left = Nested.by(OutingBlocks.by(outing), own).without(design)
    return in_space(row_space(left, size_of(design))[1], contrast)


def detectable(sigma: float, df: float, alpha: float, power: float = POWER) -> float:
    """The true difference that a two-sided t test at `alpha` tells from none with probability `power`.

    The usual sum of two t quantiles [H. S. Bloom, "Minimum detectable effects", Evaluation Review 19 (1995) 547-556].
    """
    from scipy.special import stdtrit

    return sigma * float(stdtrit(df, 1 - alpha / 2) + stdtrit(df, power)) if df > 0 else math.nan


# --- one response -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Part:
    """A contrast of one response before its level is known. Variance NaN: days matter and are unknown."""

    estimate: float
    variance: float
    df: float
    run_variance: float
    run_df: int
    days: Days


@dataclass(frozen=True)
class _Response:
    rows: NDArray[np.int64]
    x: Floats
    """(n, r) design, weighted, without what is an outing's own, in coordinates of the space of its rows."""
    basis: Floats
    """(p, r): that space."""
    y: Floats
    """(n,) response, weighted, without the same."""
    z: OutingBlocks
    """Membership, weighted, without the same."""
    own: Nested
    """What is an outing's own."""
    inner: Within
    """The same with outings as fixed blocks."""
    posterior: VariancePosterior | None = None
    """Given a prior, what is left of it."""

    @staticmethod
    def fit(
        y: Floats, design: Floats, outing: NDArray[np.int64], sigma: Floats | None, prior: Prior | None, own: Floats
    ) -> _Response:
        fit = _Response._by_quality(y, design, outing, sigma, own)
        if prior is None or not (prior.day > 0 and prior.run > 0) or len(fit.rows) == 0:
            return fit
        return replace(fit, posterior=VariancePosterior(fit.x, fit.y, fit.z, prior, fit.inner))

    @staticmethod
    def _by_quality(
        y: Floats, design: Floats, outing: NDArray[np.int64], sigma: Floats | None, own: Floats
    ) -> _Response:
        rows = np.flatnonzero(np.isfinite(y))
        fit = _Response._weighted(y, design, outing, rows, np.ones(len(rows)), own)
        if sigma is None or fit.run_df == 0:
            return fit
        known = np.nan_to_num(sigma[rows] ** 2)
        excess = np.maximum(known - np.median(known), 0.0)
        for _ in range(3 if bool(np.any(excess > 0)) else 0):  # the scatter needs the weights, the weights the scatter
            variance = max(fit.run_ms, float(np.median(known)))
            fit = _Response._weighted(y, design, outing, rows, variance / (variance + excess), own)
        return fit

    @staticmethod
    def _weighted(
        y: Floats, design: Floats, outing: NDArray[np.int64], rows: NDArray[np.int64], weight: Floats, own: Floats
    ) -> _Response:
        root = np.sqrt(weight)
        z, v, whole = OutingBlocks.by(outing[rows], weight), y[rows] * root, design[rows] * root[:, None]
        nested = Nested.by(z, own[rows] * root[:, None])
        x, basis = row_space(nested.without(whole), size_of(whole) if nested.columns else 0.0)
        z, left = z.beside(nested), nested.without(v)
        inner = Within.of(x, left, z, float(np.abs(v).max(initial=0.0)))
        return _Response(rows, x, basis, left, z, nested, inner)

    @property
    def run_df(self) -> int:
        return self.inner.run_df

    @property
    def day_df(self) -> int:
        return self.inner.day_df

    @property
    def run_ms(self) -> float:
        return self.inner.run_ss / self.run_df if self.run_df else math.nan

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
        if not in_space(self.basis, wanted) or not (self.run_df or self.day_df or self.posterior):
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
        if not in_space(inner.basis, c):
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
            q = orthonormal(self.x)
            out[self.rows] = told(self.y - q @ (q.T @ self.y), self.inner.least)
        else:
            out[self.rows] = self.inner.rest
        return out

    def studentised(self, n: int) -> Floats:
        """Externally studentised residuals within outings, in rows of all `n` runs."""
        out = np.full(n, np.nan)
        df, residual = self.run_df, self.inner.rest
        if df < 2:
            return out
        free = 1 - self.inner.leverage(self.z) - self.own.leverage
        known = free > 1e-6
        square = np.divide(residual**2, free, out=np.zeros_like(free), where=known)
        rest = np.maximum(np.sum(residual**2) - square, 1e-300) / (df - 1)
        out[self.rows[known]] = (residual / np.sqrt(rest * np.where(known, free, 1.0)))[known]
        return out


# --- levels -------------------------------------------------------------------------------------------------------


def _interval(part: _Part | None, alpha: float, alone: float) -> ContrastInterval:
    from scipy.special import stdtrit

    nan = math.nan
    if part is None:
        return ContrastInterval(nan, nan, nan, nan, nan, nan, nan, nan, nan, nan, "unknown")
    run = float(stdtrit(part.run_df, 1 - alpha / 2)) * math.sqrt(part.run_variance) if part.run_df else nan
    run_low, run_high = part.estimate - run, part.estimate + run
    if math.isnan(part.variance):
        sigma = math.sqrt(part.run_variance)
        return ContrastInterval(part.estimate, nan, nan, run_low, run_high, nan, nan, sigma, part.df, nan, part.days)
    sigma, df = math.sqrt(part.variance), part.df
    if part.run_df and run > sigma * float(stdtrit(df, 1 - alpha / 2)):  # days can only add to what runs leave open
        sigma, df = math.sqrt(part.run_variance), float(part.run_df)
    half, single = (sigma * float(stdtrit(df, 1 - a / 2)) for a in (alpha, alone))
    return ContrastInterval(
        part.estimate, part.estimate - half, part.estimate + half, run_low, run_high,
        part.estimate - single, part.estimate + single, sigma, df, detectable(sigma, df, alpha), part.days,
    )  # fmt: skip


def _correlation(residuals: Floats) -> Floats:
    """Correlation of the responses over runs that have them all; none where too few do, which errs to the safe side."""
    residuals = residuals[np.all(np.isfinite(residuals), axis=1)]
    size = np.sqrt(np.sum(residuals**2, axis=0))
    if len(residuals) < 4 or bool(np.any(size <= 0)):
        return np.eye(residuals.shape[1])
    return np.asarray((residuals.T @ residuals) / np.outer(size, size))


def tightened(alpha: float, correlation: Floats, df: float) -> float:
    """The level of each of several correlated two-sided t tests with which none errs in 1 - `alpha` of seasons."""
    # Rounded, the answer is cached between near-identical questions; its own sampling error is larger.
    key = tuple(tuple(round(float(r), 2) for r in row) for row in correlation)
    return _max_t(alpha, key, round(df, 1) if df < 30 else float(min(round(df), 1000)))


@functools.lru_cache(maxsize=256)
def _max_t(alpha: float, correlation: Sequence[Sequence[float]], df: float) -> float:
    from scipy.special import stdtr

    j = len(correlation)
    rng = np.random.default_rng(20_260_502)
    values, vectors = np.linalg.eigh(np.array(correlation))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    if df >= j:  # the Wishart matrix by Bartlett's decomposition; only its diagonal is needed
        factor = np.zeros((_DRAWS, j, j))
        for i in range(j):
            factor[:, i, :i] = rng.standard_normal((_DRAWS, i))
            factor[:, i, i] = np.sqrt(rng.chisquare(df - i, _DRAWS))
        scale = np.sum((root @ factor) ** 2, axis=2) / df
    else:
        scale = np.zeros((_DRAWS, j))
        for share in [1.0] * int(df) + [df - int(df)]:
            scale += share / df * (rng.standard_normal((_DRAWS, j)) @ root.T) ** 2
    t = np.abs(rng.standard_normal((_DRAWS, j)) @ root.T) / np.sqrt(scale)
    critical = float(np.quantile(t.max(axis=1), 1 - alpha))
    return min(max(2 * float(stdtr(df, -critical)), alpha / j), alpha)
