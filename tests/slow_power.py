"""The model of power as it was first written: every matrix whole, a root for every fit at every point, every pair of
nodes by itself. What `analysis.changes.power_model` is held to."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cached_property

import numpy as np

from analysis.arrays import Floats
from analysis.changes import power_model, sobol
from analysis.changes.power_model import (
    _FAR,
    _NAMES,
    _POINTS,
    _SPAN_M,
    _WIDER,
    GUST_S,
    HILLS_M,
    PRIORS,
    PullRows,
    _constant_parts,
    _headings,
    _log_priors,
    _Points,
    _same,
)
from analysis.road.slopes import slope_correlation
from analysis.runs.pulls import NODE_WEIGHTS, NODES


class PowerFit(power_model.PowerFit):
    """The same, fitted by whole matrices."""

    def __init__(self, rows: PullRows, design: Floats, hills_m: float | None = None) -> None:
        self.rows = rows
        self._read(design)
        self._given: tuple[Floats, Floats] | None = None
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

    @cached_property
    def projection(self) -> Floats:
        return self._projected(self.mode, self._parts)

    def with_design(self, design: Floats) -> PowerFit:
        return self.of_others(self.rows, design)

    def of_others(self, rows: PullRows, design: Floats) -> PowerFit:
        out = object.__new__(PowerFit)
        out.rows, out.hills_m, out.mode = rows, self.hills_m, self.mode
        out._read(design)
        out._still = rows.noise + _constant_parts(rows) if rows is not self.rows else self._still
        out._parts = [*_grouped_parts(rows), slope_part(rows, self.hills_m)] if rows is not self.rows else self._parts
        out._given = self._explored.theta, self._explored.weight
        return out

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
        return _log_likelihood(*self._whitened(theta, parts)) + _log_priors(theta)[0]

    def _projected(self, theta: Floats, parts: list[Floats]) -> Floats:
        from scipy.linalg import cho_solve

        root = np.asarray(np.linalg.cholesky(self._covariance(theta, parts)), float)
        inverse = cho_solve((root, True), np.eye(len(self.rows)))
        vx = inverse @ self.x
        return np.asarray(inverse - vx @ np.linalg.solve(self.x.T @ vx, vx.T))

    def _climb(self, parts: list[Floats], start: Floats) -> Floats:
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
        p = self._projected(theta, parts)
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
    def _at_mode(self) -> tuple[Floats, Floats]:
        return self._solve(self.mode)

    @cached_property
    def _explored(self) -> _Points:
        if self._given is not None:
            return _Points(*self._given, [self._solve(theta) for theta in self._given[0]])
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
        return _Points(points, weight / weight.sum(), solved)


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


# --- what ties rows together --------------------------------------------------------------------------------------


def _grouped_parts(rows: PullRows) -> list[Floats]:
    """`power_model._grouped_parts`."""
    outing = _same(rows.outing)
    heading = _headings(rows)
    turned = np.cos(heading[:, None] - heading[None, :])
    pointed = np.isfinite(heading)
    turned = np.where(np.outer(pointed, pointed), turned, _same(rows.run))
    wind = np.outer(rows.wind_gain, rows.wind_gain)
    times = rows.time_s[:, None] + 0.5 * rows.seconds[:, None] * NODES[None, :]
    gusts = _averaged(lambda i, j: np.exp(-np.abs(times[:, i, None] - times[None, :, j]) / GUST_S))
    return [_same(rows.run), _same(rows.leg), outing, wind * gusts * outing, wind * turned * outing]


def slope_part(rows: PullRows, hills_m: float) -> Floats:
    """`power_model.slope_part`."""
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
