"""Names for the arrays that go from room to room, what is asked of times and masks everywhere, and a few functions on
series.

`first_order`, `peaks`, `monotone`, `running_rank`, `running_most`, `closed` and `least_squares_above_zero` do what
`lfilter`, `find_peaks`, `PchipInterpolator`, `rank_filter`, `maximum_filter1d`, `grey_closing` and `nnls` of SciPy do,
as far as they are needed here: to import scipy.signal, scipy.ndimage or scipy.optimize costs a quarter of a second,
and scipy.linalg, for the one recursion, 40 ms.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.intp]
"""Whole numbers that index or label."""

_FORGOTTEN = 230.0
"""What is left of a recursion after so many of its time constants is nothing: 1e-100."""


def stretches(mask: Bools) -> list[tuple[int, int]]:
    """First and last index of each stretch of True in a mask (n,)."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True))


def usual_step(time: Floats) -> float:
    """How far apart readings usually are [s], also where several came in one read and so have one time.

    The median step between different times, shared out among as many readings as one time has on average.

    Parameters
    ----------
    time : array, shape (n,)
        Rising [s].

    Returns
    -------
    float
        Above zero; infinite where there are not two different times.
    """
    steps = np.diff(time)
    apart = steps[steps > 0]
    return float(np.median(apart)) * (len(apart) + 1) / len(time) if len(apart) else np.inf


def first_order(
    now: float, before: float, keep: float, x: Floats, start: Floats | None = None, axis: int = -1
) -> Floats:
    """Each series through y[n] = now x[n] + before x[n-1] + keep y[n-1], from rest.

    Parameters
    ----------
    x : array of any shape
        Series along `axis`.
    start : array, optional
        What is added to the first value: `keep` times a y before the series. Of the shape of x, but 1 along `axis`.
    """
    series = np.moveaxis(x, axis, -1)
    fed = np.ascontiguousarray(now * series)
    if fed.size == 0:
        return x.copy()
    if before:
        fed[..., 1:] += before * series[..., :-1]
    if start is not None:
        fed[..., :1] += np.moveaxis(start, axis, -1)
    if keep:
        fed = _kept_on(fed, keep)
    return np.moveaxis(fed, -1, axis)


def _kept_on(x: Floats, keep: float) -> Floats:
    """y[n] = x[n] + keep y[n-1] along the last axis, as running sums of x[n] / keep^n, in pieces."""
    n = x.shape[-1]
    size = n if abs(keep) >= 1 else min(n, 1 + int(_FORGOTTEN / -math.log(abs(keep))))
    pieces = np.zeros((*x.shape[:-1], -(-n // size), size))
    whole = pieces.reshape(*x.shape[:-1], -1)
    whole[..., :n] = x
    fading = keep ** np.arange(size)
    pieces /= fading
    np.cumsum(pieces, axis=-1, out=pieces)
    pieces *= fading
    # Of the piece before only its end lives on, and nothing of those before that.
    pieces[..., 1:, :] += keep * fading * pieces[..., :-1, -1:]
    return whole[..., :n]


def monotone(x: Floats, y: Floats, at: Floats) -> Floats:
    """Each series (r, n) over the same rising `x` (n,), read at `at` (m,) within them: (r, m).

    By the cubic through its points that rises and falls only where they do (Fritsch and Butland, SIAM J. Sci. Stat.
    Comput. 5 (1984) 300).
    """
    step = np.diff(x)
    slope = np.diff(y, axis=1) / step
    rate = np.zeros_like(y)
    if len(x) == 2:
        rate[:] = slope
    else:
        before, after = slope[:, :-1], slope[:, 1:]
        first, second = 2 * step[1:] + step[:-1], step[1:] + 2 * step[:-1]
        one_way = (np.sign(before) == np.sign(after)) & (before != 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = (first / before + second / after) / (first + second)
            rate[:, 1:-1] = np.where(one_way, 1 / mean, 0.0)
        rate[:, 0] = _end_rate(step[0], step[1], slope[:, 0], slope[:, 1])
        rate[:, -1] = _end_rate(step[-1], step[-2], slope[:, -1], slope[:, -2])
    k = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    t = (rate[:, k] + rate[:, k + 1] - 2 * slope[:, k]) / step[k]
    s = at - x[k]
    return np.asarray((((t / step[k]) * s + (slope[:, k] - rate[:, k]) / step[k] - t) * s + rate[:, k]) * s + y[:, k])


def _end_rate(near: float, far: float, slope: Floats, next_slope: Floats) -> Floats:
    """The rate at an end of `monotone`'s cubic, by the three points there."""
    rate = ((2 * near + far) * slope - near * next_slope) / (near + far)
    rate = np.where(np.sign(rate) != np.sign(slope), 0.0, rate)
    turned = (np.sign(slope) != np.sign(next_slope)) & (np.abs(rate) > 3 * np.abs(slope))
    return np.where(turned, 3 * slope, rate)


def peaks(x: Floats, height: float, distance: int) -> NDArray[np.intp]:
    """Where x (n,) has local maxima of at least `height`, none nearer than `distance` (from 1) to a higher one.

    Of a flat top the middle counts; neither end is a maximum.
    """
    turns = np.flatnonzero(np.concatenate([[True], x[1:] != x[:-1]])) if len(x) else np.zeros(0, np.intp)
    ends = np.concatenate([turns[1:], [len(x)]]) - 1
    level = x[turns]
    top = np.flatnonzero((level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])) + 1
    found = (turns[top] + ends[top]) // 2
    found = found[x[found] >= height]
    kept = np.ones(len(found), bool)
    for k in np.argsort(x[found])[::-1]:
        if kept[k]:
            near = np.abs(found - found[k]) < distance
            near[k] = False
            kept[near] = False
    return np.asarray(found[kept])


def running_rank(x: Floats, size: int, rank: int) -> Floats:
    """The `rank`-th smallest (from 0) of the `size` values about each of x (n,), the ends of x going on as they are."""
    return np.partition(_about(x, size, size // 2, "edge"), rank, axis=-1)[:, rank]


def running_median(x: Floats, size: int) -> Floats:
    """The median of the `size` values about each of x (n,); the upper one where `size` is even."""
    return running_rank(x, size, size // 2)


def running_most(x: Floats, size: int, before: int, mode: Literal["edge", "symmetric"] = "edge") -> Floats:
    """The largest of `size` values of x (n,), of which the first is `before` places before each; beyond its ends x goes
    on as it is, or mirrored."""
    out, width = np.pad(x, (before, size - 1 - before), mode), 1
    while 2 * width <= size:
        out = np.maximum(out[:-width], out[width:])
        width *= 2
    return np.maximum(out[: len(x)], out[size - width :][: len(x)])


def most_between(x: Floats, first: Codes, last: Codes) -> Floats:
    """The largest of x (n,) from each `first` to each `last`, both included (k,): of two stretches of a power of two
    that cover them."""
    out = np.empty(len(first))
    power = np.frexp(last - first + 1)[1] - 1
    most, width = x, 1
    for k in range(int(power.max(initial=-1)) + 1):
        if k:
            most, width = np.maximum(most[:-width], most[width:]), 2 * width
        mine = np.flatnonzero(power == k)
        out[mine] = np.maximum(most[first[mine]], most[last[mine] - width + 1])
    return out


def closed(x: Floats, size: int) -> Floats:
    """x (n,) with its dips of fewer than `size` values filled."""
    filled = running_most(x, size, (size - 1) // 2, "symmetric")
    return -running_most(-filled, size, size // 2, "symmetric")


def least_squares_above_zero(a: Floats, b: Floats) -> Floats:
    """The x (2,) of least |a x - b| with no x below zero, for a (n, 2) and b (n,)."""
    both = np.linalg.lstsq(a, b, rcond=None)[0]
    if (both >= 0).all():
        return np.asarray(both)
    # On an edge: one of the two alone, the one that leaves less.
    moment, square = a.T @ b, (a * a).sum(0)
    alone = np.maximum(moment, 0.0) / np.where(square > 0, square, 1.0)
    better = int(np.argmax(alone * moment))
    return np.where(np.arange(2) == better, alone, 0.0)


def _about(x: Floats, size: int, before: int, mode: Literal["edge", "symmetric"]) -> Floats:
    """`size` values of x (n,) for each, the first `before` places before it: (n, size)."""
    return np.lib.stride_tricks.sliding_window_view(np.pad(x, (before, size - 1 - before), mode), size)
