"""How wheel power differs between setups, from pulls whose seconds are anything but independent.

    fit = PowerFit(rows, design)          # variances by restricted likelihood and the stated priors
    fit.contrast(c)                       # a difference, averaged over what the pulls leave of the variances

Rows are bands of pulls. The response is power over the band's usual power, P / P0 - 1, in which slope and wind act
exactly linearly. It is modelled as

    y = X b + day of the outing + leg of the outing + run + gust + wind of the outing + slope of the place + noise

with everything but X b random. A *leg* is a stretch of an outing with one setup: refitting, and the heat of the
moment. A *gust* is first-order with `GUST_S`, so that bands of one pull share it. The *wind* is one vector an outing,
of which the part along the heading acts. The *slope* is a smooth function of the place, signed by the direction: the
covariance of the slopes that two bands felt is sigma^2 rho(distance) cos(angle between their headings), each averaged
over the way that the band took. Two pulls at one place, one setup each, therefore compare without the hill; no road
needs to be known, and no altitude. Rolling pulls may differ from starts by one amount of their own, and pulls that bear
a tag from those of their setup that do not.

The variances have priors like those of times (`priors`, `day_prior`): scaled inverse chi-squares. Their mode is found
by average information [1]; contrasts are averaged over a fixed set of points about it, weighted by the posterior [2],
and told as a Student t. Only the length of the hills is taken at its likeliest.

[1] A. Gilmour, R. Thompson, B. Cullis, "Average information REML", Biometrics 51 (1995) 1440-1450.
[2] A. Gelman and others, Bayesian Data Analysis, 3rd ed. (2013), sections 10.4 and 13.3.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Bools, Floats
from analysis.changes import sobol
from analysis.changes.day_prior import Student, as_student
from analysis.changes.priors import DAY_SHARE, RUN_SHARE
from analysis.road.slopes import slope_correlation
from analysis.runs.pulls import NODE_WEIGHTS, NODES

Ids = NDArray[np.int64]

GUST_S = 5.0
"""How long a gust lasts (a study's; coasts learn 2 to 60 s)."""
HILLS_M = (60.0, 150.0, 400.0)
"""Lengths over which a road keeps its slope; the likeliest is taken."""
ROLLING_SHARE = 0.01
"""How far rolling pulls may differ from starts, both of a setup: heat, belt, the foot. Alike for all setups."""
TAG_SHARE = 0.15
"""How far a tag that some pulls of a setup bear may move power, alike for all setups: a passenger on a light car."""
IN_BAND = 0.3
"""How far power may grow with speed within a band, beside what it does from band to band, as an exponent."""


@dataclass(frozen=True)
class VariancePrior:
    """A scaled inverse chi-square on a variance: typical standard deviation, and how many repeats it weighs as."""

    sigma: float
    df: float


PRIORS: dict[str, VariancePrior] = {
    "run": VariancePrior(RUN_SHARE, 2.0),
    "leg": VariancePrior(0.005, 8.0),
    "day": VariancePrior(DAY_SHARE, 4.0),
    "gust": VariancePrior(0.5, 2.0),
    "wind": VariancePrior(1.5, 3.0),
    "slope": VariancePrior(0.01, 1.0),
}
"""Of shares of power, of m/s for gust and wind (each component), of rise over run for the slope."""

_NAMES = tuple(PRIORS)
_POINTS = 128
_WIDER = 1.25
_NO_MORE = 1e-9
"""Of a log posterior: what rounding may do."""
_FAR = 1e9
_SPAN_M = 1e7

MOST_ROWS = 500
"""Bands that one fit takes in: it costs as their cube, a second at about so many."""


@dataclass(frozen=True)
class PullRows:
    """Bands of pulls, one a row (n). Relative power and what acts on it; SI.

    Attributes
    ----------
    y : (n,) array
        P / P0 - 1, P0 the usual power at that speed.
    noise : (n, n) array
        Its covariance by the receiver.
    band, setup, outing, leg, run : (n,) arrays of int
        What the row belongs to; legs and runs are numbered over the season.
    rolling : (n,) array of bool
        Of a rolling pull.
    time_s, seconds : (n,) arrays
        Middle of its window on one clock for all, and its length [s].
    offset : (n,) array
        ln of its speed over the band's middle.
    slope_gain, wind_gain : (n,) arrays
        What slope and headwind take off y [1, s/m].
    east_m, north_m, heading_deg, way_m : (n,) arrays
        Place on one plane, course, way driven in the window; NaN where not known.
    tags : (n, q) array
        1 where a row's pull bears a tag, 0.5 where it may, for tags that part a setup's pulls.
    """

    y: Floats
    noise: Floats
    band: Ids
    setup: Ids
    outing: Ids
    leg: Ids
    run: Ids
    rolling: Bools
    time_s: Floats
    seconds: Floats
    offset: Floats
    slope_gain: Floats
    wind_gain: Floats
    east_m: Floats
    north_m: Floats
    heading_deg: Floats
    way_m: Floats
    tags: Floats

    def __len__(self) -> int:
        return len(self.y)

    def only(self, keep: Bools) -> PullRows:
        """The rows where `keep` is true."""
        arrays = {name: values[keep] for name, values in self.__dict__.items() if name != "noise"}
        return PullRows(noise=self.noise[np.ix_(keep, keep)], **arrays)


class PowerFit:
    """The model fitted: variances at their mode, and any contrast averaged over them.

    Parameters
    ----------
    rows : PullRows
    design : (n, r) array
        Fixed columns: bands and setups. Rank may be short; contrasts that it does not determine are refused.
    hills_m : float, optional
        Length of the hills; by default the likeliest of `HILLS_M`.
    """

    def __init__(self, rows: PullRows, design: Floats, hills_m: float | None = None) -> None:
        self.rows = rows
        self._read(design)
        self._teacher: PowerFit | None = None
        self._points: _Points | None = None
        lengths = HILLS_M if hills_m is None else (hills_m,)
        still, shared = rows.noise + _constant_parts(rows), _grouped_parts(rows)
        best: tuple[float, float, Floats, Covariance] | None = None
        start = np.log([PRIORS[name].sigma for name in _NAMES])
        for length, slopes in zip(lengths, slope_parts(rows, lengths), strict=True):
            covariance = Covariance(still, [*shared, slopes])
            start, value = self._climb(covariance, start)
            if best is None or value > best[0] + _NO_MORE:
                best = value, length, start, covariance
        assert best is not None
        _, self.hills_m, self.mode, self.covariance = best

    @property
    def sigmas(self) -> dict[str, float]:
        """Standard deviations at the mode, by their names in `PRIORS`."""
        return dict(zip(_NAMES, np.exp(self.mode).tolist(), strict=True))

    @property
    def columns(self) -> int:
        """Columns of the design."""
        return len(self._basis)

    def determines(self, c: Floats) -> bool:
        """Whether the design determines the contrast `c` of its columns."""
        return float(np.linalg.norm(c - self._basis @ (self._basis.T @ c))) < 1e-7 * float(np.linalg.norm(c))

    def contrast(self, c: Floats) -> Student:
        """The contrast `c` @ b; ValueError where the design does not determine it."""
        return self.contrasts(c[None, :])[0][0]

    def contrasts(self, c: Floats) -> tuple[list[Student], Floats]:
        """Several contrasts (k, columns), and their correlation (k, k) at the mode.

        ValueError where the design does not determine one.
        """
        if not all(self.determines(each) for each in c):
            raise ValueError("the design does not determine this contrast")
        inner = c @ self._basis
        explored = self._explored
        centre = np.array([inner @ beta for beta, _ in explored.solved])
        spread = np.array([np.einsum("ki,ij,kj->k", inner, each, inner) for _, each in explored.solved])
        told = [as_student(centre[:, k], np.sqrt(spread[:, k]), explored.weight) for k in range(len(c))]
        joint = inner @ self._at_mode[1] @ inner.T
        size = np.sqrt(np.diag(joint))
        return told, np.asarray(joint / np.outer(size, size))

    def at_mode(self, c: Floats) -> tuple[float, float]:
        """Estimate and standard error of a contrast with the variances at their mode."""
        beta, covariance = self._at_mode
        inner = c @ self._basis
        return float(inner @ beta), math.sqrt(float(inner @ covariance @ inner))

    def base_level(self, bands: Bools) -> float:
        """The first setup's power over the usual one [-], mean of the chosen of the bands, whose columns come first."""
        level = np.zeros(self.columns)
        level[: len(bands)] = bands / bands.sum()
        return 1 + self.at_mode(level)[0] if self.determines(level) else 1.0

    @cached_property
    def projection(self) -> Floats:
        """V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1 at the mode (n, n): what tells each row from all the others."""
        return _projection(self._whitened(next(self.covariance.roots([self.mode]))))

    @cached_property
    def residual(self) -> Floats:
        """`projection` @ y (n,)."""
        return np.asarray(self.projection @ self.rows.y)

    def with_design(self, design: Floats) -> PowerFit:
        """The same pulls and variances with other fixed columns."""
        return self._taught(self.rows, design, self.covariance)

    def of_first(self, count: int, design: Floats) -> PowerFit:
        """The first `count` rows alone, with what all have taught of the variances, and other fixed columns."""
        return self._taught(self.rows.only(np.arange(len(self.rows)) < count), design, self.covariance)

    def of_others(self, rows: PullRows, design: Floats) -> PowerFit:
        """Other pulls with what these have taught of the variances: their mode and its surroundings are kept."""
        parts = [*_grouped_parts(rows), *slope_parts(rows, (self.hills_m,))]
        return self._taught(rows, design, Covariance(rows.noise + _constant_parts(rows), parts))

    def explore(self, *beside: PowerFit) -> None:
        """Solve this fit at every point about the mode and, by the same roots, fits that came of it by `with_design`
        and `of_first`: a root costs more than all that is done with it."""
        theta, log = self._about_mode()
        log, fits = log.copy(), [self, *beside]
        solved: list[list[tuple[Floats, Floats]]] = [[] for _ in fits]
        for i, root in enumerate(self.covariance.roots(theta)):
            for k, normal in enumerate(_normals(root, fits)):
                solved[k].append(normal.solve())
                if k == 0:
                    log[i] += normal.log_likelihood(root) + _log_priors(theta[i])[0]
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        for fit, mine in zip(fits, solved, strict=True):
            fit._points = _Points(theta, weight, mine)

    # --- parts of the above -----------------------------------------------------------------------------------

    def _read(self, design: Floats) -> None:
        _, s, vt = np.linalg.svd(design, full_matrices=False)
        rank = int(np.sum(s > 1e-9 * s[0])) if len(s) else 0
        self._basis = vt[:rank].T
        self.x = design @ self._basis

    def _taught(self, rows: PullRows, design: Floats, covariance: Covariance) -> PowerFit:
        out = object.__new__(PowerFit)
        out.rows, out.hills_m, out.mode, out.covariance = rows, self.hills_m, self.mode, covariance
        out._teacher, out._points = self, None
        out._read(design)
        return out

    @cached_property
    def _at_mode(self) -> tuple[Floats, Floats]:
        """Generalised least squares: estimate and covariance, in coordinates of the design's row space."""
        return _normals(next(self.covariance.roots([self.mode])), [self])[0].solve()

    @property
    def _explored(self) -> _Points:
        if self._points is None and self._teacher is None:
            self.explore()
        elif self._points is None and self._teacher is not None:
            theta, weight = self._teacher._explored.theta, self._teacher._explored.weight
            solved = [_normals(root, [self])[0].solve() for root in self.covariance.roots(theta)]
            self._points = _Points(theta, weight, solved)
        assert self._points is not None
        return self._points

    def _whitened(self, root: Floats) -> _Whitened:
        return _Whitened.of(root, self.x, self.rows.y)

    # --- variances --------------------------------------------------------------------------------------------

    def _log_posterior(self, covariance: Covariance, theta: Floats) -> tuple[float, _Whitened]:
        """Restricted log likelihood plus log prior of the log standard deviations, up to a constant."""
        white = self._whitened(next(covariance.roots([theta])))
        return white.normal.log_likelihood(white.root) + _log_priors(theta)[0], white

    def _climb(self, covariance: Covariance, start: Floats) -> tuple[Floats, float]:
        """The mode, by average information with halved steps where one does not climb; and its log posterior."""
        theta = start.copy()
        value, white = self._log_posterior(covariance, theta)
        for _ in range(25):
            gradient, information = self._information(covariance, theta, white)
            step = np.clip(np.linalg.solve(information, gradient), -1.0, 1.0)
            for _ in range(8):
                trial, there = self._log_posterior(covariance, theta + step)
                if trial >= value - _NO_MORE:
                    break
                step = step / 2
            else:
                break
            theta, gained, value, white = theta + step, trial - value, trial, there
            if gained < 1e-3:
                break
        return theta, value

    def _information(self, covariance: Covariance, theta: Floats, white: _Whitened) -> tuple[Floats, Floats]:
        """Gradient of the log posterior, and a positive definite stand-in for its curvature."""
        p = _projection(white)
        py = p @ self.rows.y
        scale = 2 * np.exp(2 * theta)
        acts = scale[:, None] * (covariance.parts @ py)
        gradient = 0.5 * (acts @ py - scale * covariance.traces(p))
        average = 0.5 * acts @ p @ acts.T
        _, slope, bend = _log_priors(theta)
        return gradient + slope, average + np.diag(np.maximum(-bend, 0.05))

    def _about_mode(self) -> tuple[Floats, Floats]:
        """Points about the mode (m, k), and the log of one over their density, up to a constant."""
        from scipy.special import ndtri

        scale = 2 * np.exp(2 * self.mode)
        curvature = 0.5 * np.outer(scale, scale) * self.covariance.products(self.projection)
        curvature += np.diag(np.maximum(-_log_priors(self.mode)[2], 0.05))
        root = np.linalg.cholesky(np.linalg.inv(curvature)) * _WIDER
        z = ndtri(np.clip(sobol.scrambled(len(self.mode), _POINTS, seed=1), 1e-4, 1 - 1e-4))
        return self.mode + z @ root.T, np.asarray(0.5 * np.sum(z**2, axis=1))


@dataclass(frozen=True)
class _Points:
    """Points about the mode (m, k), their posterior weights (m,), and estimate and covariance at each."""

    theta: Floats
    weight: Floats
    solved: list[tuple[Floats, Floats]]


class Covariance:
    """The rows' covariance by six variances: `still` (n, n), and a part for each (n, n), in the order of `PRIORS`."""

    def __init__(self, still: Floats, parts: Sequence[Floats]) -> None:
        self._all = np.stack([still, *parts])

    @property
    def parts(self) -> Floats:
        """(variances, n, n)."""
        return self._all[1:]

    def at(self, theta: Floats) -> Floats:
        """The covariance (n, n), at log standard deviations `theta`."""
        return next(self._at(theta[None, :]))

    def roots(self, theta: Sequence[Floats] | Floats) -> Iterator[Floats]:
        """Its lower triangular root at each of several `theta` (m, k); what stands above the diagonal counts for
        nothing. numpy's LinAlgError where it is no covariance."""
        from scipy.linalg.lapack import dpotrf

        for each in self._at(np.asarray(theta)):
            root, wrong = dpotrf(each.T, lower=1, clean=0, overwrite_a=1)
            if wrong:
                raise np.linalg.LinAlgError("the covariance of the pulls is not positive definite")
            yield root

    def traces(self, p: Floats) -> Floats:
        """tr(p part) for each, of a symmetric p (n, n)."""
        return np.asarray(self.parts.reshape(len(self.parts), -1) @ p.ravel())

    def products(self, p: Floats) -> Floats:
        """tr(p part p part) for each two of them (k, k), of a symmetric p (n, n)."""
        acts = p @ self.parts
        turned = acts.transpose(0, 2, 1).reshape(len(acts), -1)
        return np.asarray(acts.reshape(len(acts), -1) @ turned.T)

    def _at(self, theta: Floats) -> Iterator[Floats]:
        whole = self._all.reshape(len(self._all), -1)
        for some in np.array_split(theta, math.ceil(len(theta) / _AT_ONCE)):
            weights = np.hstack([np.ones((len(some), 1)), np.exp(2 * some)])
            yield from (weights @ whole).reshape(len(some), *self._all.shape[1:])


_AT_ONCE = 8


@dataclass(frozen=True)
class _Normal:
    """The normal equations at one covariance V: root of X' V^-1 X (r, r), X' V^-1 y (r,), y' V^-1 y."""

    root: Floats
    xy: Floats
    yy: float

    @classmethod
    def of(cls, x: Floats, y: Floats) -> _Normal:
        """Of design and response over V's root."""
        return cls(np.asarray(np.linalg.cholesky(x.T @ x), np.float64), x.T @ y, float(y @ y))

    def solve(self) -> tuple[Floats, Floats]:
        """Estimate and covariance."""
        from scipy.linalg.lapack import dtrtri

        half = np.tril(dtrtri(self.root, lower=1)[0])
        return half.T @ (half @ self.xy), half.T @ half

    def log_likelihood(self, root: Floats) -> float:
        """The restricted one, up to a constant; `root` is V's."""
        fitted = np.linalg.solve(self.root, self.xy)
        log = -float(np.log(np.diag(root)).sum()) - float(np.log(np.diag(self.root)).sum())
        return log - 0.5 * (self.yy - float(fitted @ fitted))


@dataclass(frozen=True)
class _Whitened:
    """Root of the covariance (n, n), and what design and response come to over it."""

    root: Floats
    x: Floats
    normal: _Normal

    @classmethod
    def of(cls, root: Floats, x: Floats, y: Floats) -> _Whitened:
        white = _over(root, np.column_stack([x, y]))
        return cls(root, white[:, :-1], _Normal.of(white[:, :-1], white[:, -1]))


def _over(root: Floats, columns: Floats) -> Floats:
    """root^-1 columns."""
    from scipy.linalg.lapack import dtrtrs

    return np.asarray(dtrtrs(root, columns, lower=1)[0])


def _normals(root: Floats, fits: Sequence[PowerFit]) -> list[_Normal]:
    """The normal equations of several fits, each of the first rows of those that `root` (n, n) is of.

    The root of a leading block is the leading block of the root.
    """
    columns = np.zeros((len(root), sum(fit.x.shape[1] + 1 for fit in fits)), order="F")
    edges = np.cumsum([0, *(fit.x.shape[1] + 1 for fit in fits)])
    for fit, a, b in zip(fits, edges[:-1], edges[1:], strict=True):
        columns[: len(fit.x), a:b] = np.column_stack([fit.x, fit.rows.y])
    white = _over(root, columns)
    return [
        _Normal.of(white[: len(fit.x), a : b - 1], white[: len(fit.x), b - 1])
        for fit, a, b in zip(fits, edges[:-1], edges[1:], strict=True)
    ]


def _projection(white: _Whitened) -> Floats:
    """V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1 (n, n)."""
    from scipy.linalg.lapack import dpotri, dtrtrs

    lower = np.tril(dpotri(white.root, lower=1)[0])
    inverse = lower + lower.T
    np.fill_diagonal(inverse, np.diag(lower))
    vx = dtrtrs(white.root, white.x, lower=1, trans=1)[0] @ np.linalg.inv(white.normal.root).T
    return np.asarray(inverse - vx @ vx.T)


def _log_priors(theta: Floats) -> tuple[float, Floats, Floats]:
    """Log density of the log standard deviations, its gradient and its curvature."""
    df = np.array([PRIORS[name].df for name in _NAMES])
    ratio = np.array([PRIORS[name].sigma for name in _NAMES]) ** 2 / np.exp(2 * theta)
    value = float(np.sum(-df * theta - df * ratio / 2))
    return value, -df + df * ratio, -2 * df * ratio


# --- what ties rows together --------------------------------------------------------------------------------------


def _same(ids: Ids) -> Floats:
    return np.asarray(ids[:, None] == ids[None, :], float)


def _constant_parts(rows: PullRows) -> Floats:
    """Rolling pulls against starts, tagged ones against others, and the growth of power within a band."""
    apart = np.outer(rows.rolling, rows.rolling) * ROLLING_SHARE**2 + rows.tags @ rows.tags.T * TAG_SHARE**2
    return np.asarray(apart + _same(rows.band) * np.outer(rows.offset, rows.offset) * IN_BAND**2)


def _grouped_parts(rows: PullRows) -> list[Floats]:
    """Of run, leg, day, gust and wind, in the order of `PRIORS`."""
    outing = _same(rows.outing)
    heading = _headings(rows)
    turned = np.cos(heading[:, None] - heading[None, :])
    pointed = np.isfinite(heading)
    turned = np.where(np.outer(pointed, pointed), turned, _same(rows.run))
    wind = np.outer(rows.wind_gain, rows.wind_gain)
    return [_same(rows.run), _same(rows.leg), outing, wind * _gusts(rows), wind * turned * outing]


def _gusts(rows: PullRows) -> Floats:
    """Correlation of the gusts that two rows of an outing felt (n, n)."""
    out = np.zeros((len(rows), len(rows)))
    for outing in np.unique(rows.outing):
        mine = np.flatnonzero(rows.outing == outing)
        times = rows.time_s[mine, None] + 0.5 * rows.seconds[mine, None] * NODES[None, :]
        out[np.ix_(mine, mine)] = _averaged(functools.partial(_gust, times))
    return out


def _gust(times: Floats, i: int, j: int) -> Floats:
    return np.asarray(np.exp(-np.abs(times[:, i, None] - times[None, :, j]) / GUST_S))


def _headings(rows: PullRows) -> Floats:
    """The course of each row [rad]: where it is not known, that of the others of its run; NaN where none is.

    A run of which half had no course would otherwise lie along two that don't: no wind is like that, and the
    covariance would not be one.
    """
    heading = np.radians(rows.heading_deg)
    for run in np.unique(rows.run[np.isnan(heading)]):
        mine = rows.run == run
        known = heading[mine & np.isfinite(heading)]
        if len(known):
            heading[mine & np.isnan(heading)] = math.atan2(np.sin(known).sum(), np.cos(known).sum())
    return heading


def slope_parts(rows: PullRows, lengths_m: Sequence[float]) -> list[Floats]:
    """Covariance of what slopes of size 1 do to the rows (n, n), matched by place and direction; for hills of each
    length.

    Rows without a place or course share their slope with the other rows of their run alone.
    """
    placed = np.isfinite(rows.east_m) & np.isfinite(rows.north_m) & np.isfinite(rows.heading_deg)
    heading = np.radians(np.where(placed, rows.heading_deg, 90.0))
    # Where nothing is known each run has a plane of its own, and a straight road in it.
    begun = {int(run): float(rows.time_s[rows.run == run].min()) for run in np.unique(rows.run)}
    since = rows.time_s - np.array([begun[int(run)] for run in rows.run])
    speed = np.where(np.isfinite(rows.way_m), rows.way_m, 20.0 * rows.seconds) / np.maximum(rows.seconds, 1e-3)
    east = np.where(placed, rows.east_m, speed * since)
    north = np.where(placed, rows.north_m, _FAR + _SPAN_M * rows.run)
    half = 0.5 * np.where(np.isfinite(rows.way_m), rows.way_m, 0.0)
    x = east[:, None] + half[:, None] * np.sin(heading)[:, None] * NODES[None, :]
    y = north[:, None] + half[:, None] * np.cos(heading)[:, None] * NODES[None, :]
    away = {
        (i, j): np.hypot(x[:, i, None] - x[None, :, j], y[:, i, None] - y[None, :, j])
        for i in range(len(NODES))
        for j in range(i + 1)
    }
    turned = np.cos(heading[:, None] - heading[None, :])
    felt = np.outer(rows.slope_gain, rows.slope_gain) * turned
    return [np.asarray(felt * _averaged(functools.partial(_alike, away, length))) for length in lengths_m]


def _alike(away: dict[tuple[int, int], Floats], length_m: float, i: int, j: int) -> Floats:
    return slope_correlation(away[i, j], length_m)


def slope_part(rows: PullRows, hills_m: float) -> Floats:
    """`slope_parts` for one length."""
    return slope_parts(rows, (hills_m,))[0]


def _averaged(alike: Callable[[int, int], Floats]) -> Floats:
    """A covariance averaged over both rows' windows, by the nodes that a regression weighs; `alike` is asked for one
    of two nodes that are not the same: turned over, it is that of the two the other way round."""
    total: Floats = np.zeros(())
    for i, first in enumerate(NODE_WEIGHTS):
        total = total + first * first * alike(i, i)
        for j, second in enumerate(NODE_WEIGHTS[:i]):
            one = first * second * alike(i, j)
            total = total + one + one.T
    return np.asarray(total)
