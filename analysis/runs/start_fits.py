"""The least squares behind `runs.evidence`: for every rise and start at once, six knots of acceleration from readings.

sums = white_sums(...) or coloured_sums(...)        # what the readings say of the knots, before any prior
fit = solve(sums, precision, pull)                  # with the prior: the knots, and what the evidence needs

All that is small, six by six, is written out entry by entry over arrays (grid, rises): a call of LAPACK for each of
some thousand matrices costs ten times as much.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Bools, Floats
from analysis.runs.rises import KNOTS

PAIRS = [(a, b) for a in range(KNOTS) for b in range(a, KNOTS)]
"""The entries of a symmetric matrix of the knots, row by row."""


class Between(NamedTuple):
    """Between which points of the tables each reading lies, for each start: (grid, n)."""

    whole: NDArray[np.intp]
    part: Floats

    @classmethod
    def of(cls, after: Floats, step: float, count: int) -> Between:
        """`after`: seconds since each start; the tables have `count` points, `step` apart."""
        index = np.clip(after / step, 0, count - 1.001)
        whole = index.astype(np.intp)
        return cls(whole, index - whole)


class Sums(NamedTuple):
    """What the readings say: the sums of squares and products of the design (pairs, grid, rises), those with the
    readings (knots, grid, rises)."""

    gram: Floats
    moment: Floats

    def grams(self, rise: NDArray[np.intp], start: NDArray[np.intp]) -> Floats:
        """Some of them as matrices: (k, knots, knots)."""
        out = np.empty((len(rise), KNOTS, KNOTS))
        for (a, b), each in zip(PAIRS, self.gram, strict=True):
            out[:, a, b] = out[:, b, a] = each[start, rise]
        return out


def white_sums(planes: Floats, between: Between, used: Bools, z: Floats, sigma: float) -> Sums:
    """For readings `z` (grid, n) whose errors are white and alike: sums over the tables' points, not the readings.

    A reading is a weighted mean of two points of a table, so that the sums over the readings are sums over the points
    of products of the table with itself and with itself one point on, by weights that are the same for every rise: one
    product of matrices. planes: (knots, m, rises).
    """
    _, count, rises = planes.shape
    right = np.where(used, between.part, 0.0)
    left = np.where(used, 1.0, 0.0) - right
    at = _Points(between.whole, count)
    # The points in order for the products one point on, and back again for the squares: whatever is zero up to some
    # point lies at both ends.
    weights = np.hstack([at(left * right, 0), (at(left * left, 0) + at(right * right, 1))[:, ::-1]])
    products = np.empty((2 * count, rises))
    products[count - 1] = 0.0  # nothing lies beyond the last point
    squares = products[: count - 1 : -1]
    gram = np.empty((len(PAIRS), len(z), rises))
    for (a, b), out in zip(PAIRS, gram, strict=True):
        # A knot gives nothing up to the one before it.
        zero = max((b - 1) * (count - 1) // (KNOTS - 1), 0)
        one, other = planes[a, zero:], planes[b, zero:]
        np.multiply(one, other, out=squares[zero:])
        np.multiply(one[:-1], other[1:], out=products[zero : count - 1])
        products[zero : count - 1] += other[:-1] * one[1:]
        some = np.s_[zero : 2 * count - zero]
        np.matmul(weights[:, some], products[some], out=out)
    gram /= sigma**2
    return Sums(gram, ((at(left * z, 0) + at(right * z, 1)) / sigma**2) @ planes)


class _Points(NamedTuple):
    """Sums over the readings of each start as sums over the tables' points."""

    whole: NDArray[np.intp]
    points: int

    def __call__(self, by: Floats, shift: int) -> Floats:
        """`by` (grid, n), of the point before each reading, or of that one on: (grid, m)."""
        grid = len(self.whole)
        cell = self.whole + (self.points * np.arange(grid)[:, None] + shift)
        return np.asarray(np.bincount(cell.ravel(), by.ravel(), grid * self.points).reshape(grid, self.points), float)


def planes_of(tables: Floats) -> Floats:
    """Tables (rises, m, knots) by knot: (knots, m, rises)."""
    return np.ascontiguousarray(np.transpose(tables, (2, 1, 0)))


def coloured_sums(tables: Floats, between: Between, used: Bools, z: Floats, whiten: Floats) -> Sums:
    """For readings whose errors are not: `whiten` (n, n) makes them so, and `z` is white already."""
    rises, count, knots = tables.shape
    flat = np.ascontiguousarray(np.transpose(tables, (1, 0, 2))).reshape(count, rises * knots)
    gram = np.empty((len(PAIRS), len(z), rises))
    moment = np.empty((knots, len(z), rises))
    for k, (whole, part, mine) in enumerate(zip(between.whole, between.part, used, strict=True)):
        some = np.flatnonzero(mine)
        part = part[some, None]
        basis = flat[whole[some]] * (1 - part) + flat[whole[some] + 1] * part
        design = (whiten[np.ix_(some, some)] @ basis).reshape(len(some), rises, knots)
        by_rise = np.swapaxes(design, 0, 1)
        squares = np.swapaxes(by_rise, 1, 2) @ by_rise
        for (a, b), out in zip(PAIRS, gram, strict=True):
            out[k] = squares[:, a, b]
        moment[:, k] = np.tensordot(z[k, some], design, 1).T
    return Sums(gram, moment)


class Solved(NamedTuple):
    """The knots (knots, wanders, grid, rises), the square of the whitened right side and the log of the determinant
    (wanders, grid, rises)."""

    knots: Floats
    square: Floats
    log_det: Floats


def solve(sums: Sums, precisions: Floats, pulls: Floats) -> Solved:
    """The knots under each prior of `precisions` (wanders, knots, knots) that pulls by `pulls` (wanders, knots):
    Cholesky's way."""
    low = {(b, a): each + precisions[:, a, b, None, None] for (a, b), each in zip(PAIRS, sums.gram, strict=True)}
    knots = sums.moment[:, None] + pulls.T[..., None, None]
    right = list(knots)
    det = np.ones_like(right[0])
    for j in range(KNOTS):
        for k in range(j):
            low[j, j] -= low[j, k] * low[j, k]
            right[j] -= low[j, k] * right[k]
        root = np.sqrt(low[j, j], out=low[j, j])
        det *= root
        right[j] /= root
        for i in range(j + 1, KNOTS):
            for k in range(j):
                low[i, j] -= low[i, k] * low[j, k]
            low[i, j] /= root
    square = sum((each * each for each in right[1:]), right[0] * right[0])
    for j in reversed(range(KNOTS)):
        for i in range(j + 1, KNOTS):
            right[j] -= low[i, j] * right[i]
        right[j] /= low[j, j]
    return Solved(knots, np.asarray(square, float), 2 * np.log(det))
