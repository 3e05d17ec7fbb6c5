"""The fit of the mixture's edges, and of the bends where they were, as they were first written, edge by edge and
stretch by stretch: what the fast ways are held to."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.arrays import Floats
from analysis.mixture.throttle_steps import (
    BEND_MPS2,
    CURL_MPS3,
    FINE,
    LEAST_S,
    RISES_S,
    SHARP_S,
    STRETCH_FIXES,
    STRETCH_S,
    UNTIED,
    Edges,
)


def slow_fitted(pieces: Sequence[tuple[Floats, Floats]], lags: Floats) -> tuple[Floats, Floats, Floats]:
    """`throttle_steps._fitted`."""
    found = [_fitted(t, x, lags) for t, x in pieces]
    least, at, width = (np.array(each) for each in zip(*found, strict=True))
    return least, at, width


def _fitted(t: Floats, x: Floats, lags: Floats) -> tuple[Floats, Floats, Floats]:
    """Least sums of squares by lag, with start and rise; times from the middle of the change."""
    starts = np.arange(-0.9, 0.31, 0.075)
    shape = (len(lags), len(starts), len(RISES_S))
    start = np.broadcast_to(starts[:, None], shape).reshape(len(lags), -1)
    rise = np.broadcast_to(RISES_S, shape).reshape(len(lags), -1)
    row = np.arange(len(lags))
    line, _ = np.linalg.qr(np.vander(t, 2))
    around = np.array([-1.0, 0.0, 1.0])
    for k in range(FINE + 1):
        squares = _squares(t, x, line, lags, start, rise)
        best = squares.argmin(axis=1)
        least, at, width = squares[row, best], start[row, best], rise[row, best]
        near = np.broadcast_to(0.0375 / 2**k * around[:, None], (3, 3)).reshape(-1)
        more = np.broadcast_to(0.15 / 2**k * around, (3, 3)).reshape(-1)
        start, rise = at[:, None] + near, np.maximum(width[:, None] + more, 0.0)
    return least, at, width


def _squares(t: Floats, x: Floats, line: Floats, lags: Floats, start: Floats, rise: Floats) -> Floats:
    """Sums of squared residuals of the model above for (lags, trials), linear parameters at their best."""
    lag = np.maximum(lags, LEAST_S)[:, None, None]
    since = np.broadcast_to(t - t[0], (len(lags), 1, len(t)))
    memory = np.exp(-since / lag)

    def shown(from_s: Floats) -> tuple[Floats, Floats]:
        """A step, and a slope of 1, through the lag."""
        begin = from_s[..., None] - t[0]
        # It forgets by the same exponential whenever they begin.
        step = np.where(since > begin, 1 - memory * np.exp(begin / lag), 0.0)
        return step, np.maximum(since - begin, 0.0) - lag * step

    step, slope = shown(start)
    _, later = shown(start + rise)
    width = np.maximum(rise, 1e-6)[..., None]
    ramp = np.where(rise[..., None] > 1e-6, (slope - later) / width, step)
    columns = np.stack([ramp, slope, np.broadcast_to(memory, slope.shape)], axis=-2)
    y = x - line @ (line.T @ x)
    columns = columns - (columns @ line) @ line.T
    normal = columns @ np.swapaxes(columns, -1, -2) + 1e-4 * np.eye(3)
    target = columns @ y
    return np.asarray(y @ y - np.sum(target * np.linalg.solve(normal, target[..., None])[..., 0], axis=-1))


def slow_bends(
    edges: Edges, time_s: Floats, speed_mps: Floats, sigma_mps: float, shifts_s: Floats
) -> tuple[Floats, Floats]:
    """`throttle_steps.bends`."""
    t, v = time_s, speed_mps
    mark, sharp = edges.start_s + edges.rise_s / 2, edges.rise_s <= SHARP_S
    middles, found = [], []
    if len(t) >= STRETCH_FIXES and sharp.any():
        step = float(np.median(np.diff(t)))
        length = max(STRETCH_S, STRETCH_FIXES * step)
        least, most = shifts_s[0] - edges.moved_s.max(), shifts_s[-1] - edges.moved_s.min()
        tried = np.arange(least, most + 0.05, 0.05)
        for begin in np.arange(t[0], t[-1] - length, length / 3):
            end = begin + length
            a, b = np.searchsorted(t, [begin, end])
            here = sharp & (mark > begin + tried[0]) & (mark < end + tried[-1])
            eased = ~sharp & (mark > begin - 0.5) & (mark < end + 1.5)
            if not here.any() or eased.any() or b - a < 0.8 * length / step or not np.isfinite(v[a:b]).all():
                continue
            profile = _bent(t[a:b], v[a:b] / sigma_mps, sigma_mps, mark[here], tried)
            middles.append((begin + end) / 2)
            found.append([np.interp(shifts_s - moved, tried, profile) for moved in edges.moved_s])
    if not middles:
        return np.empty(0), np.empty((0, len(edges.moved_s), len(shifts_s)))
    return np.array(middles), np.array(found)


def _bent(t: Floats, speeds: Floats, sigma: float, mark: Floats, shifts: Floats) -> Floats:
    """Minus the log likelihood of a stretch of speeds (over their sigma) by shift, the bends' hardness integrated."""
    middle, half = (t[0] + t[-1]) / 2, (t[-1] - t[0]) / 2
    parabola, _ = np.linalg.qr(np.vander((t - middle) / half, 3))
    since = np.maximum(t - (mark[:, None] - shifts[:, None, None]), 0.0)
    columns = np.concatenate([since * (BEND_MPS2 / sigma), since**2 * (CURL_MPS3 / 2 / sigma)], axis=1)
    left = speeds - parabola @ (parabola.T @ speeds)
    columns = columns - (columns @ parabola) @ parabola.T
    normal = columns @ np.swapaxes(columns, -1, -2) + np.eye(columns.shape[-2])
    target = columns @ left
    squares = left @ left - np.sum(target * np.linalg.solve(normal, target[..., None])[..., 0], axis=-1)
    weight = min(1.0, len(t) / float(squares.min())) ** 2
    misfit = 0.5 * weight * (squares + np.linalg.slogdet(normal)[1])
    return np.asarray(-np.log(np.exp(-UNTIED) + np.exp(misfit.min() - misfit)))
