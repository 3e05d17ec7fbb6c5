"""What days may do, before and after a car's own repeats have spoken: a contrast averaged over both scatters.

The model is y = x b + (day of the outing) + (run), days ~ N(0, tau^2), runs ~ N(0, sigma^2). With few repeats an
estimate of tau^2 jumps: where the one repeat agrees by chance, days seem not to matter at all. So both variances carry
a prior, a scaled inverse chi-square [1] of few degrees of freedom, and everything is averaged over what the runs leave
of it. A prior of four degrees of freedom weighs as four repeats; one repeat counts as one, and many overrule it.

What the residuals say of the variances is their restricted likelihood [2]; for each ratio rho = tau^2 / sigma^2 it
takes their sum of squares and a determinant. At each ratio a contrast has its generalised least squares estimate and
variance; the mixture of these normals
is described by the Student t that has its quartiles and its 95 % interval.

[1] A. Gelman and others, Bayesian Data Analysis, 3rd ed. (2013), section 2.6 and chapter 5.
[2] H. D. Patterson, R. Thompson, "Recovery of inter-block information when block sizes are unequal", Biometrika 58
    (1971) 545-554.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats
from analysis.changes.outing_blocks import OutingBlocks, Within

DAY_DF = 4.0
"""How many repeats the prior on days weighs as."""
RUN_DF = 1.0
"""The same for runs, which soon speak for themselves."""
_RHO = np.geomspace(1e-3, 3e3, 53)
_STEPS = 61
_LEAST_WEIGHT = 1e-9


@dataclass(frozen=True)
class Prior:
    """What is taken of a response before its runs: typical standard deviation of days and of runs, in its own unit."""

    day: float
    run: float


@dataclass(frozen=True)
class Student:
    """A location-scale Student t."""

    centre: float
    scale: float
    df: float

    def interval(self, alpha: float) -> tuple[float, float]:
        """Its central interval of 1 - `alpha`."""
        half = _t(self.df, 1 - alpha / 2) * self.scale
        return self.centre - half, self.centre + half


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
    within : Within, optional
        The same with outings as fixed blocks, where it is at hand.
    """

    def __init__(self, x: Floats, y: Floats, z: OutingBlocks, prior: Prior, within: Within | None = None) -> None:
        self.x, self.y, self.z, self.prior = x, y, z, prior
        self._xx, self._zx, self._zz = x.T @ x, z.sums(x), z.size
        inner = within or Within.of(x, y, z)
        self.run_df, self.day_df, self.run_ss = inner.run_df, inner.day_df, inner.run_ss
        self._solved: tuple[Floats, Floats, Floats] | None = None

    @functools.cached_property
    def _by_ratio(self) -> tuple[Floats, Floats]:
        """At each rho: the residuals' sum of squares over their covariance by sigma^2, and the log of the determinant
        of that covariance, restricted to what the design leaves. (rho,) each.

        The restricted covariance is 1 + rho z'(1 - q q')z: a diagonal less one of few columns (Woodbury).
        """
        q = np.linalg.qr(self.x)[0] if self.x.shape[1] else np.zeros((len(self.y), 0))
        rest = self.y - q @ (q.T @ self.y)
        shrink = _RHO[:, None] / (1 + _RHO[:, None] * self._zz)  # (rho, outings)
        zq, zy = self.z.sums(q), self.z.sums(rest)
        inner = np.eye(q.shape[1]) - (zq.T[None, :, :] * shrink[:, None, :]) @ zq
        along = (shrink * zy) @ zq  # (rho, r)
        explained = np.einsum("ri,ri->r", along, np.linalg.solve(inner, along[..., None])[..., 0])
        squares = float(rest @ rest) - shrink @ zy**2 - explained
        log = np.sum(np.log1p(_RHO[:, None] * self._zz), axis=1) + np.linalg.slogdet(inner)[1]
        return np.maximum(squares, self.run_ss), log

    @functools.cached_property
    def _grid(self) -> tuple[Floats, Floats]:
        """Values of sigma^2 (steps,), and the posterior's weights (rho, steps)."""
        prior, n = self.prior, self.run_df + self.day_df
        guess = (self.run_ss + RUN_DF * prior.run**2) / (self.run_df + RUN_DF)
        width = 4.0 + 12.0 / math.sqrt(1.0 + self.run_df)
        sigma2 = guess * np.exp(np.linspace(-width, width, _STEPS))
        squares, determinant = self._by_ratio
        log = -0.5 * (n * np.log(sigma2)[None, :] + determinant[:, None])
        log = log - 0.5 * squares[:, None] / sigma2[None, :]
        tau2 = _RHO[:, None] * sigma2[None, :]
        log += _log_inverse_chi2(sigma2, RUN_DF, prior.run)[None, :] + np.log(sigma2)[None, :]
        log += _log_inverse_chi2(tau2, DAY_DF, prior.day) + np.log(tau2)
        weight = np.exp(log - log.max())
        return sigma2, weight / weight.sum()

    def day_sigma(self) -> float:
        """Standard deviation of days: the posterior's median."""
        sigma2, weight = self._grid
        tau2 = (_RHO[:, None] * sigma2[None, :]).ravel()
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

        `sizes` are the numbers of runs of each outing, on days of their own. The posterior predictive [1, section 6.3],
        integrated: over the runs of an outing, its day, the outings, the expectation and both variances.
        """
        sigma2, weight = self._grid
        centre, factor = self._least_squares(c)
        numbers, often = np.unique(np.asarray(sizes, np.int64), return_counts=True)
        told = np.flatnonzero(weight.sum(axis=1) > _LEAST_WEIGHT)
        tables = [
            _above(float(rho), float(spread), numbers, often)
            for rho, spread in zip(_RHO[told], factor[told], strict=True)
        ]
        sigma = np.sqrt(sigma2)

        def more(x: float) -> float:
            left = sum(
                float(weight[k] @ np.interp((x - centre[k]) / sigma, at, above))
                for k, (at, above) in zip(told, tables, strict=True)
            )
            return share - (1 - left / float(weight[told].sum()))

        middle = float(weight.sum(axis=1) @ centre)
        reach = max(float(np.abs(centre - middle).max()), float(sigma[-1]))
        low, high = middle - reach, middle + reach
        while more(low) < 0:
            low -= reach
        while more(high) > 0:
            high += reach
        for _ in range(60):
            at = 0.5 * (low + high)
            low, high = (at, high) if more(at) > 0 else (low, at)
        return 0.5 * (low + high)

    def day_share(self, c: Floats) -> tuple[float, float]:
        """The contrast's variance over sigma^2 with days of the size of runs, and with days alike."""
        _, factor = self._least_squares(c)
        return float(np.interp(0.0, np.log(_RHO), factor)), float(factor[0])

    def _least_squares(self, c: Floats) -> tuple[Floats, Floats]:
        """Generalised least squares at each rho: the estimate, and its variance over sigma^2."""
        if self._solved is None or not np.array_equal(self._solved[0], c):
            self._solved = c, *self._solve(c)
        return self._solved[1:]

    def _solve(self, c: Floats) -> tuple[Floats, Floats]:
        shrink = _RHO[:, None] / (1 + _RHO[:, None] * self._zz)  # (rho, outings)
        inner = self._xx - (self._zx.T[None, :, :] * shrink[:, None, :]) @ self._zx
        solved = np.linalg.solve(inner, np.broadcast_to(c, (len(_RHO), len(c)))[..., None])[..., 0]
        xy, zy = self.x.T @ self.y, self.z.sums(self.y)
        centre = np.einsum("ri,ri->r", solved, xy - (shrink * zy) @ self._zx)
        return centre, solved @ c


_NODES_APART = 0.25
"""In standard deviations. What is integrated is as smooth as a normal law: sums over such steps are its integral to
3e-5 s of a limit, where the points u leave 6e-4 s."""


def _above(rho: float, spread: float, sizes: NDArray[np.int64], often: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """How likely all runs to come stay above u: points u, and the probability there.

    In units of the runs' scatter, from the estimate of what is expected, whose variance is `spread`; days have the
    variance `rho`; `often` outings of each of `sizes` runs.
    """
    from scipy.special import ndtr

    # What is integrated over is the one of the two that scatters less: the other is smooth in its steps.
    size, wide = math.sqrt(rho), math.sqrt(1 + rho)
    u = np.linspace(-10.0, 6.0, 401) * wide
    nodes = np.arange(-8.5, 8.6, _NODES_APART)
    normal = np.exp(-0.5 * nodes**2) / _ROOT_2_PI * _NODES_APART
    if rho < 1:  # over days
        alone = ndtr(-(u[:, None] - size * nodes[None, :]))
        each = [alone ** int(m) @ normal for m in sizes]
    else:  # over the least of the runs of an outing
        alone = ndtr(-(u[:, None] - nodes[None, :]) / size)
        each = [alone @ (m * normal * ndtr(-nodes) ** (int(m) - 1)) for m in sizes]
    log = np.sum(often[:, None] * np.log(np.maximum(np.clip(each, 0.0, 1.0), 1e-300)), axis=0)
    # And over the estimate's own error.
    moved = u[:, None] - math.sqrt(spread) * nodes[None, :]
    return u, np.exp(np.interp(moved, u, log, left=0.0)) @ normal


def _log_inverse_chi2(value: Floats, df: float, scale: float) -> Floats:
    """The log density of a scaled inverse chi-square, up to a constant."""
    return np.asarray(-(1 + df / 2) * np.log(value) - df * scale**2 / (2 * value))


_ROOT_2_PI = math.sqrt(2 * math.pi)


def as_student(centre: Floats, scale: Floats, weight: Floats) -> Student:
    """The Student t with the quartiles and the 95 % interval of a mixture of normals."""
    from scipy.special import ndtr

    kept = weight > 1e-7 * weight.max()
    centre, scale, weight = centre[kept], scale[kept], weight[kept] / weight[kept].sum()
    middle = float(weight @ centre)
    spread = math.sqrt(float(weight @ (scale**2 + (centre - middle) ** 2)))

    def half(share: float, mid: float) -> float:
        """The half width about the middle that holds `share`, near `mid`."""

        least, most = 0.0, 60 * float(scale.max()) + 2 * float(np.abs(centre - middle).max())
        for _ in range(100):  # Newton's steps, halved intervals where one leads out of what is left
            above, below = (middle + mid - centre) / scale, (middle - mid - centre) / scale
            more = float(weight @ (ndtr(above) - ndtr(below))) - share
            least, most = (least, mid) if more > 0 else (mid, most)
            rise = float(weight @ ((np.exp(-0.5 * above**2) + np.exp(-0.5 * below**2)) / scale)) / _ROOT_2_PI
            tried = mid - more / rise if rise > 0 else math.inf
            before, mid = mid, tried if least < tried < most else 0.5 * (least + most)
            if abs(mid - before) <= 1e-12 * mid:
                break
        return mid

    wide = half(0.95, 1.96 * spread)
    quartile = half(0.5, 0.344 * wide)
    df = _df_of(wide / quartile)
    return Student(middle, wide / _t(df, 0.975), df)


@functools.cache
def _ratios() -> tuple[Floats, Floats]:
    df = np.geomspace(0.9, 2000.0, 400)
    return np.array([_t(d, 0.975) / _t(d, 0.75) for d in df]), df


def _df_of(ratio: float) -> float:
    ratios, df = _ratios()
    return float(np.exp(np.interp(-ratio, -ratios, np.log(df))))


def _t(df: float, share: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(df, share))
