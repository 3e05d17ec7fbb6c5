"""The fit of the mixture's edges as it was first written, column by column: what the fast way is held to."""

from __future__ import annotations

import numpy as np

from analysis.arrays import Floats
from analysis.mixture.throttle_steps import FINE, LEAST_S, RISES_S


def slow_fitted(t: Floats, x: Floats, lags: Floats) -> tuple[Floats, Floats, Floats]:
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
