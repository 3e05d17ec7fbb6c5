"""The model of power as it was first written: every matrix whole, a root for every fit at every point, every pair of
nodes by itself. What `analysis.changes.power_model` is held to."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cached_property

import numpy as np

from analysis.arrays import Bools, Floats
from analysis.changes import sobol
from analysis.changes.day_prior import Student, as_student
from analysis.changes.power_model import GUST_S, HILLS_M, IN_BAND, PRIORS, ROLLING_SHARE, TAG_SHARE, Ids, PullRows
from analysis.road.slopes import slope_correlation
from analysis.runs.pulls import NODE_WEIGHTS, NODES

_NAMES = tuple(PRIORS)
_POINTS = 128
_WIDER = 1.25
_FAR = 1e9
_SPAN_M = 1e7


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
        self._taught: tuple[Floats, Floats] | None = None
        self._still = rows.noise + _constant_parts(rows)
        lengths = HILLS_M if hills_m is None else (hills_m,)
        shared = _grouped_parts(rows)
        best: tuple[float, float, Floats, list[Floats]] | None = None
        start = np.log([PRIORS[name].sigma for name in _NAMES])
        for length in lengths:
            parts = [*shared, slope_part(rows, length)]
            theta = start = self._climb(parts, start)
            value = self._log_posterior(theta, parts)
            if best is None or value > best[0]:
                best = value, length, theta, parts
        assert best is not None
        _, self.hills_m, self.mode, self._parts = best

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
        _, weight, solved = self._explored
        centre = np.array([inner @ beta for beta, _ in solved])
        spread = np.array([np.einsum("ki,ij,kj->k", inner, covariance, inner) for _, covariance in solved])
        told = [as_student(centre[:, k], np.sqrt(spread[:, k]), weight) for k in range(len(c))]
        joint = inner @ self._solve(self.mode)[1] @ inner.T
        size = np.sqrt(np.diag(joint))
        return told, np.asarray(joint / np.outer(size, size))

    def at_mode(self, c: Floats) -> tuple[float, float]:
        """Estimate and standard error of a contrast with the variances at their mode."""
        beta, covariance = self._solve(self.mode)
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
        return self._projection(self.mode, self._parts)

    def with_design(self, design: Floats) -> PowerFit:
        """The same pulls and variances with other fixed columns."""
        return self.of_others(self.rows, design)

    def of_others(self, rows: PullRows, design: Floats) -> PowerFit:
        """Other pulls with what these have taught of the variances: their mode and its surroundings are kept."""
        out = object.__new__(PowerFit)
        out.rows, out.hills_m, out.mode = rows, self.hills_m, self.mode
        out._read(design)
        out._still = rows.noise + _constant_parts(rows) if rows is not self.rows else self._still
        out._parts = [*_grouped_parts(rows), slope_part(rows, self.hills_m)] if rows is not self.rows else self._parts
        out._taught = self._explored[:2]
        return out

    def _read(self, design: Floats) -> None:
        _, s, vt = np.linalg.svd(design, full_matrices=False)
        rank = int(np.sum(s > 1e-9 * s[0])) if len(s) else 0
        self._basis = vt[:rank].T
        self.x = design @ self._basis

    # --- variances --------------------------------------------------------------------------------------------

    def _covariance(self, theta: Floats, parts: list[Floats]) -> Floats:
        out = self._still.copy()
        for value, part in zip(np.exp(2 * theta), parts, strict=True):
            out += value * part
        return out

    def _whitened(self, theta: Floats, parts: list[Floats]) -> tuple[Floats, Floats, Floats, Floats]:
        """Root of the covariance, design and response over it, and the root of the design's own information."""
        from scipy.linalg import solve_triangular

        root = np.asarray(np.linalg.cholesky(self._covariance(theta, parts)), float)
        white = solve_triangular(root, np.column_stack([self.x, self.rows.y]), lower=True)
        x, y = white[:, :-1], white[:, -1]
        information = np.asarray(np.linalg.cholesky(x.T @ x), float)
        return root, x, y, information

    def _solve(self, theta: Floats) -> tuple[Floats, Floats]:
        """Generalised least squares: estimate and covariance, in coordinates of the design's row space."""
        return _least_squares(*self._whitened(theta, self._parts)[1:])

    def _log_posterior(self, theta: Floats, parts: list[Floats]) -> float:
        """Restricted log likelihood plus log prior of the log standard deviations, up to a constant."""
        return _log_likelihood(*self._whitened(theta, parts)) + _log_priors(theta)[0]

    def _projection(self, theta: Floats, parts: list[Floats]) -> Floats:
        from scipy.linalg import cho_solve

        root = np.asarray(np.linalg.cholesky(self._covariance(theta, parts)), float)
        inverse = cho_solve((root, True), np.eye(len(self.rows)))
        vx = inverse @ self.x
        return np.asarray(inverse - vx @ np.linalg.solve(self.x.T @ vx, vx.T))

    def _climb(self, parts: list[Floats], start: Floats) -> Floats:
        """The mode, by average information with halved steps where one does not climb."""
        theta = start.copy()
        value = self._log_posterior(theta, parts)
        for _ in range(25):
            gradient, information = self._information(theta, parts)
            step = np.clip(np.linalg.solve(information, gradient), -1.0, 1.0)
            for _ in range(8):
                trial = self._log_posterior(theta + step, parts)
                if trial >= value - 1e-9:
                    break
                step = step / 2
            else:
                break
            theta, gained, value = theta + step, trial - value, trial
            if gained < 1e-3:
                break
        return theta

    def _information(self, theta: Floats, parts: list[Floats]) -> tuple[Floats, Floats]:
        """Gradient of the log posterior, and a positive definite stand-in for its curvature."""
        p = self._projection(theta, parts)
        py = p @ self.rows.y
        weighed = [2 * math.exp(2 * t) * part for t, part in zip(theta, parts, strict=True)]
        acts = np.array([part @ py for part in weighed])
        gradient = 0.5 * np.array(
            [float(py @ act) - float(np.sum(p * part)) for act, part in zip(acts, weighed, strict=True)]
        )
        average = 0.5 * acts @ p @ acts.T
        _, slope, bend = _log_priors(theta)
        return gradient + slope, average + np.diag(np.maximum(-bend, 0.05))

    @cached_property
    def _explored(self) -> tuple[Floats, Floats, list[tuple[Floats, Floats]]]:
        """Points about the mode (m, k), their posterior weights (m,), and what `_solve` gives at each."""
        if self._taught is not None:
            return *self._taught, [self._solve(theta) for theta in self._taught[0]]
        from scipy.special import ndtri

        k = len(self.mode)
        p = self.projection
        weighed = [p @ (2 * math.exp(2 * t) * part) for t, part in zip(self.mode, self._parts, strict=True)]
        curvature = 0.5 * np.array([[float(np.sum(a * b.T)) for b in weighed] for a in weighed])
        curvature += np.diag(np.maximum(-_log_priors(self.mode)[2], 0.05))
        root = np.linalg.cholesky(np.linalg.inv(curvature)) * _WIDER
        z = ndtri(np.clip(sobol.scrambled(k, _POINTS, seed=1), 1e-4, 1 - 1e-4))
        points = self.mode + z @ root.T
        log, solved = 0.5 * np.sum(z**2, axis=1), []
        for i, theta in enumerate(points):
            whitened = self._whitened(theta, self._parts)
            log[i] += _log_likelihood(*whitened) + _log_priors(theta)[0]
            solved.append(_least_squares(*whitened[1:]))
        weight = np.exp(log - log.max())
        return points, weight / weight.sum(), solved


def _least_squares(x: Floats, y: Floats, inner: Floats) -> tuple[Floats, Floats]:
    """Estimate and covariance of what `PowerFit._whitened` gives."""
    from scipy.linalg import cho_solve

    return cho_solve((inner, True), x.T @ y), cho_solve((inner, True), np.eye(x.shape[1]))


def _log_likelihood(root: Floats, x: Floats, y: Floats, inner: Floats) -> float:
    """The restricted one of the same."""
    from scipy.linalg import solve_triangular

    fitted = solve_triangular(inner, x.T @ y, lower=True)
    log = -float(np.log(np.diag(root)).sum()) - float(np.log(np.diag(inner)).sum())
    return log - 0.5 * float(y @ y - fitted @ fitted)


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
    times = rows.time_s[:, None] + 0.5 * rows.seconds[:, None] * NODES[None, :]
    gusts = _averaged(lambda i, j: np.exp(-np.abs(times[:, i, None] - times[None, :, j]) / GUST_S))
    return [_same(rows.run), _same(rows.leg), outing, wind * gusts * outing, wind * turned * outing]


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


def slope_part(rows: PullRows, hills_m: float) -> Floats:
    """Covariance of what slopes of size 1 do to the rows (n, n), matched by place and direction.

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

    def alike(i: int, j: int) -> Floats:
        away = np.hypot(x[:, i, None] - x[None, :, j], y[:, i, None] - y[None, :, j])
        return slope_correlation(away, hills_m)

    turned = np.cos(heading[:, None] - heading[None, :])
    return np.asarray(np.outer(rows.slope_gain, rows.slope_gain) * turned * _averaged(alike))


def _averaged(alike: Callable[[int, int], Floats]) -> Floats:
    """A covariance averaged over both rows' windows, by the nodes that a regression weighs."""
    total: Floats = np.zeros(())
    for i, first in enumerate(NODE_WEIGHTS):
        for j, second in enumerate(NODE_WEIGHTS):
            total = total + first * second * alike(i, j)
    return np.asarray(total)
