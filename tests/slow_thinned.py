"""The thinning of a drawn line as it was first written, stretch by stretch and column by column: what the fast ways are
held to."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats


def slow_thinned(x: Floats, y: Floats, x_range: float, y_range: float, tolerance: float = 0.0015) -> NDArray[np.bool_]:
    """`plots.thinned`."""
    u, v = x / (x_range or 1), y / (y_range or 1)
    keep = np.zeros(len(u), bool)
    broken = ~(np.isfinite(u) & np.isfinite(v))
    keep[broken] = True
    todo = []
    edges = np.flatnonzero(np.diff(np.concatenate([[True], broken, [True]]).astype(int)))
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        todo.append((int(first), int(stop) - 1))
    while todo:
        a, b = todo.pop()
        keep[[a, b]] = True
        if b - a < 2:
            continue
        du, dv = u[b] - u[a], v[b] - v[a]
        length = math.hypot(du, dv)
        inner = slice(a + 1, b)
        if length == 0:
            away = np.hypot(u[inner] - u[a], v[inner] - v[a])
        else:
            away = np.abs(du * (v[inner] - v[a]) - dv * (u[inner] - u[a])) / length
        far = int(np.argmax(away))
        if away[far] > tolerance:
            todo += [(a, a + 1 + far), (a + 1 + far, b)]
    return keep


def slow_columns(u: Floats, v: Floats, count: int = 700) -> tuple[Floats, Floats]:
    """`plots.columns`."""
    if len(u) <= 2 * count:
        return u, v
    cell = np.minimum(((u - u[0]) / (u[-1] - u[0]) * count).astype(int), count - 1)
    first = np.flatnonzero(np.concatenate([[True], np.diff(cell) > 0]))
    keep = []
    for a, b in zip(first, [*first[1:], len(u)], strict=True):
        part = v[a:b]
        if np.isfinite(part).any():
            keep += sorted({a + int(np.nanargmin(part)), a + int(np.nanargmax(part))})
        else:
            keep.append(a)
    return u[keep], v[keep]
