"""Names for the arrays that go from room to room, what is asked of times everywhere, and three functions on series.

`first_order`, `peaks` and `monotone` do what `lfilter`, `find_peaks` and `PchipInterpolator` of SciPy do, as far as
they are needed here: to import scipy.signal, scipy.interpolate or scipy.optimize costs every verb up to half a second.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Codes = NDArray[np.intp]
"""Whole numbers that index or label."""


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
    from scipy.linalg.lapack import dtbtrs

    series = np.moveaxis(x, axis, -1)
    fed = np.array(now * series, order="C")
    if fed.size == 0:
        return x.copy()
    if before:
        fed[..., 1:] += before * series[..., :-1]
    if start is not None:
        fed[..., :1] += np.moveaxis(start, axis, -1)
    # A recursion is a band matrix with ones on its diagonal, solved from the top.
    band = np.empty((2, fed.shape[-1]), order="F")
    band[0], band[1] = 1.0, -keep
    solved, _ = dtbtrs(band, fed.reshape(-1, fed.shape[-1]).T, uplo="L", diag="U", overwrite_b=1)
    return np.moveaxis(np.asarray(solved.T).reshape(fed.shape), -1, axis)


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


def monotone(x: Floats, y: Floats, at: Floats) -> Floats:
    """y between its points by the monotone cubic of Fritsch and Butland; `at` within the range of x.

    F. N. Fritsch, J. Butland, "A method for constructing local monotone piecewise cubic interpolants", SIAM Journal on
    Scientific and Statistical Computing 5 (1984) 300-304; at both ends the three-point slope of C. Moler, Numerical
    Computing with MATLAB (2004), section 3.6.

    Parameters
    ----------
    x : array, shape (n,)
        Rising; two points or more.
    y : array, shape (n,)
    at : array, shape (m,)
    """
    step = np.diff(x)
    rise = np.diff(y) / step
    if len(x) == 2:
        slope = np.array([rise[0], rise[0]])
    else:
        slope = np.zeros(len(x))
        one_way = rise[1:] * rise[:-1] > 0
        first, second = 2 * step[1:] + step[:-1], step[1:] + 2 * step[:-1]
        before, after = np.where(one_way, rise[:-1], 1.0), np.where(one_way, rise[1:], 1.0)
        slope[1:-1] = np.where(one_way, (first + second) / (first / before + second / after), 0.0)
        slope[0] = _end_slope(step[0], step[1], rise[0], rise[1])
        slope[-1] = _end_slope(step[-1], step[-2], rise[-1], rise[-2])
    k = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(step) - 1)
    bend = (slope[k] + slope[k + 1] - 2 * rise[k]) / step[k]
    from_k = at - x[k]
    curve = (rise[k] - slope[k]) / step[k] - bend
    return np.asarray(y[k] + from_k * (slope[k] + from_k * (curve + from_k * bend / step[k])))


def _end_slope(step: float, next_step: float, rise: float, next_rise: float) -> float:
    slope = ((2 * step + next_step) * rise - step * next_rise) / (step + next_step)
    if np.sign(slope) != np.sign(rise):
        return 0.0
    if np.sign(rise) != np.sign(next_rise) and abs(slope) > 3 * abs(rise):
        return 3 * rise
    return float(slope)
