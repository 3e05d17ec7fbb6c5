"""Medians of readings that hang together: order statistics by group, with an interval that knows neighbours.

    found = statistics(group, groups, time_s, value, seconds)

References
----------
[1] R. S. Woodruff, Confidence intervals for medians and other position measures, J. Am. Stat. Assoc. 47 (1952) 635.
[2] G. K. Smyth, Linear models and empirical Bayes methods, Stat. Appl. Genet. Mol. Biol. 3 (2004): the moderated
    variance, a group's own pooled with that of all groups by their degrees of freedom.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.arrays import Codes, Floats, least_squares_above_zero

BLOCK_S = 30.0
"""Readings of a cell within the same such stretch of the drive may hang together [s]."""
PRIOR_DF = 8.0
"""Weight, in degrees of freedom, of what all cells say about scatter against what one cell's own blocks say."""


@dataclass(frozen=True)
class Statistics:
    """Order statistics by group, arrays of one entry a group; NaN where a group is empty.

    `sigma` is the standard error of the median and `low`, `high` its 95 % interval.
    """

    seconds: Floats
    readings: Codes
    median: Floats
    p10: Floats
    p90: Floats
    sigma: Floats
    low: Floats
    high: Floats

    def row(self, i: int) -> tuple[float, int, float, float, float, float, float, float]:
        """Group `i` in the order of the fields."""
        return (
            float(self.seconds[i]), int(self.readings[i]), float(self.median[i]), float(self.p10[i]),
            float(self.p90[i]), float(self.sigma[i]), float(self.low[i]), float(self.high[i]),
        )  # fmt: skip


def statistics(
    group: ArrayLike, groups: int, time_s: ArrayLike, value: ArrayLike, seconds: ArrayLike,
    by_value: Codes | None = None,
) -> Statistics:  # fmt: skip
    """Median, 10 and 90 % points and the median's interval, by group, for readings that are not independent.

    Quantiles interpolate linearly between order statistics. Readings come in steps (12.4, 12.5 ...); each step is
    taken as spread evenly over its own width, which is the median of grouped data.

    The interval is Woodruff's [1]: the standard error of the share of readings below the median, carried over to
    values through the quantiles (past the quartiles, where a few visits would reach for quantiles that they cannot
    know, along the line through the median and the quartile). That standard error comes from blocks (the
    group's readings within each `BLOCK_S` of the drive): what is within a block may hang together, blocks are taken
    as independent. One cell's few blocks say little about their own scatter, so they are pooled with what all cells
    say, as variances with `PRIOR_DF` degrees of freedom [2].

    Parameters
    ----------
    group : array of int, shape (n,)
        0 to groups - 1.
    groups : int
        How many groups there are.
    time_s, value, seconds : array, shape (n,)
        Rising times [s], readings (finite, any unit), and the time that each stands for [s].
    by_value : array of int, shape (n,), optional
        Their order by value, where it is known: to sort is what costs most here.

    Returns
    -------
    Statistics
        Arrays of shape (groups,), in the readings' unit; NaN for an empty group, and for the interval of one that met
        too little to tell it.
    """
    group, time = np.asarray(group, dtype=np.intp), np.asarray(time_s, dtype=np.float64)
    x, weight = np.asarray(value, dtype=np.float64), np.asarray(seconds, dtype=np.float64)
    n = np.bincount(group, minlength=groups)
    total = np.bincount(group, weights=weight, minlength=groups).astype(np.float64)
    nan = np.full(groups, np.nan)
    if len(x) == 0:
        return Statistics(total, n, nan, nan, nan, nan, nan, nan)
    if by_value is None:
        by_value = np.argsort(x)
    half = np.empty_like(x)
    half[by_value] = _half_steps(x[by_value])
    # Sixteen bits sort by counting.
    small: NDArray[np.signedinteger] = group.astype(np.int16) if groups < 2**15 else group
    order = by_value[np.argsort(small[by_value], kind="stable")]
    spread = _spread_ties(x[order], group[order], half[order])
    sorted_ = _Sorted(spread, np.concatenate([[0], np.cumsum(n)[:-1]]), n)
    median = sorted_.quantile(0.5)
    error, blocks = _share_error(small, groups, n, time, x, half, median)
    sigma, low, high = _interval(sorted_, median, error, blocks, 2 * means(group, groups, half))
    return Statistics(total, n, median, sorted_.quantile(0.1), sorted_.quantile(0.9), sigma, low, high)


@dataclass(frozen=True)
class _Sorted:
    """Readings in order of group and value, ties spread: where each group begins, and how many it has."""

    value: Floats
    first: Codes
    count: Codes

    def quantile(self, p: Floats | float) -> Floats:
        """The quantile of each group by linear interpolation; NaN for an empty group."""
        n, last = self.count, len(self.value) - 1
        share = np.nan_to_num(np.broadcast_to(np.asarray(p, dtype=np.float64), len(n)), nan=0.5)
        place = np.clip(share, 0, 1) * np.maximum(n - 1, 0)
        below = place.astype(np.intp)
        a = np.minimum(self.first + below, last)
        b = np.minimum(a + (below + 1 < n), last)
        return np.where(n > 0, self.value[a] + (place - below) * (self.value[b] - self.value[a]), np.nan)


def _interval(
    found: _Sorted, median: Floats, error: Floats, blocks: Floats, step: Floats
) -> tuple[Floats, Floats, Floats]:
    """Standard error of each group's median and its 95 % interval, from the standard error of the share below it.

    `blocks` is how many stretches of the drive a group was met in, `step` the step that its readings come in.
    """
    from scipy.special import stdtrit

    reach = stdtrit(PRIOR_DF + np.maximum(blocks - 1, 0), 0.975) * error
    # A group met in one block or two has not shown its spread from block to block: take no less than the usual.
    own = found.quantile(0.75) - found.quantile(0.25)
    shown = (blocks >= 3) & np.isfinite(own)
    usual = float(np.median(own[shown])) if shown.any() else 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        wider = np.maximum(1.0, np.sqrt(((blocks - 1) * own**2 + usual**2) / (blocks * own**2)))

    def away(share: Floats) -> Floats:
        """How far the quantile lies from the median; past the quartiles along the straight line through them. Within a
        step of the readings the grouped median takes an even spread, which is off by a few hundredths of it."""
        inside = np.clip(share, -0.25, 0.25)
        with np.errstate(invalid="ignore", divide="ignore"):
            along = np.where(share == inside, 1.0, share / inside)
            beyond = (found.quantile(0.5 + inside) - median) * along * wider
            return np.hypot(beyond, np.abs(share / error) * 0.03 * step)

    known = found.count >= 5
    low = np.where(known, median - away(-reach), np.nan)
    high = np.where(known, median + away(reach), np.nan)
    return np.where(known, (away(error) + away(-error)) / 2, np.nan), low, high


def _half_steps(x: Floats) -> Floats:
    """Half the distance from each of the sorted values to its nearest other value, 0 for all where there is none."""
    step = np.diff(x)
    new = np.flatnonzero(step > 1e-9) + 1
    level = np.concatenate([[0], np.cumsum(step > 1e-9)])
    levels = x[np.concatenate([[0], new])]
    if len(levels) < 2:
        return np.zeros_like(x)
    gaps = np.diff(levels)
    nearest = np.minimum(np.concatenate([[np.inf], gaps]), np.concatenate([gaps, [np.inf]]))
    return np.asarray(nearest[level] / 2)


def _spread_ties(x: Floats, group: Codes, half: Floats) -> Floats:
    """Sorted values within groups, with the f equal ones of a run laid evenly over the width of their step."""
    new = np.concatenate([[True], (np.diff(x) > 1e-9) | (np.diff(group) != 0)])
    start = np.flatnonzero(new)
    length = np.diff(np.concatenate([start, [len(x)]]))
    run = np.cumsum(new) - 1
    place = (np.arange(len(x)) - start[run] + 0.5) / length[run]
    return np.asarray(x + half * (2 * place - 1))


def _share_error(
    group: NDArray[np.signedinteger], groups: int, n: Codes, time: Floats, x: Floats, half: Floats, median: Floats
) -> tuple[Floats, Floats]:
    """Standard error of the share of readings below the median, by group, and the number of blocks it has."""
    order = np.argsort(group, kind="stable")
    g, t = group[order].astype(np.intp), time[order]
    with np.errstate(invalid="ignore", divide="ignore"):
        above = (x[order] + half[order] - median[g]) / (2 * half[order])
    psi = np.clip(np.where(half[order] > 0, above, np.sign(x[order] - median[g]) / 2 + 0.5), 0, 1) - 0.5
    window = np.floor(t / BLOCK_S)
    start = np.flatnonzero(np.concatenate([[True], (np.diff(g) != 0) | (np.diff(window) != 0)]))
    total, size = np.add.reduceat(psi, start), np.diff(np.concatenate([start, [len(t)]])).astype(np.float64)
    owner = g[start]
    # A block is part of the median it is measured from, which takes away its share of the scatter.
    left = 1 - size / n[owner]
    square = np.where(left > 0, total**2 / np.where(left > 0, left, 1), np.nan)
    blocks = np.bincount(owner, minlength=groups)
    own = np.bincount(owner, weights=np.nan_to_num(square), minlength=groups)

    # All cells together: a block's sum has variance alpha size + beta size^2, chance and what the block has in common.
    usable = np.isfinite(square) & (size >= 3)
    alpha, beta = 0.25, 0.25 * 0.2
    if usable.sum() >= 10:
        s, v = size[usable], square[usable]
        for _ in range(6):
            w = 1 / (alpha * s + beta * s * s)
            alpha, beta = least_squares_above_zero(np.column_stack([s * w, s * s * w]), v * w)
            alpha = max(alpha, 1e-3)
    pooled = alpha * n + beta * np.bincount(owner, weights=size * size, minlength=groups)
    freedom = np.maximum(blocks - 1, 0).astype(np.float64)
    variance = (PRIOR_DF * pooled + freedom * own) / (PRIOR_DF + freedom)
    with np.errstate(invalid="ignore", divide="ignore"):
        error = np.sqrt(variance) / n
    return error, blocks.astype(np.float64)


def means(group: Codes, groups: int, x: Floats) -> Floats:
    """Mean of the finite values by group.

    Parameters
    ----------
    group : array of int, shape (n,)
        0 to groups - 1.
    x : array, shape (n,)
        Any unit; NaN is left out.

    Returns
    -------
    array, shape (groups,)
        NaN for a group without a finite value.
    """
    good = np.isfinite(x)
    n = np.bincount(group[good], minlength=groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.bincount(group[good], weights=x[good], minlength=groups) / np.where(n, n, np.nan))
