"""Which outing each run was in, as a matrix of few numbers: what is summed, spread and centred by outings.

The matrix z (n, outings) of a model with weighted rows has one entry a row, the root of its weight. Of a thousand
drives it would be megabytes and its products seconds; here they are sums by outing. So are the columns of a design that
have a coefficient of their own in every outing (which way a run went, in that day's wind): they touch the runs of one
outing alone, so they are taken off outing by outing, and off z too; what is left is a model without them, with the same
estimates and residuals [R. Frisch, F. V. Waugh, "Partial time regressions as compared with individual trends",
Econometrica 1 (1933) 387-401].
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats
from analysis.changes.spaces import orthonormal, row_space, size_of

_EXACT = 1e-9
_NOTHING = _EXACT**2
"""Of a column's square: of what is left less than this, nothing is left but rounding."""


@dataclass(frozen=True)
class OutingBlocks:
    """z of n runs: column `of` (n,) of each row, and the entry there, `root` (n,)."""

    of: NDArray[np.intp]
    root: Floats
    taken: int = 0
    """How many degrees of freedom `Nested` columns took."""

    @classmethod
    def by(cls, outing: NDArray[np.int64], weight: Floats | None = None) -> OutingBlocks:
        """Of runs in these outings, whatever their numbers; `weight` (n,) of each run, 1 by default."""
        of = np.unique(outing, return_inverse=True)[1].reshape(len(outing))
        return cls(of, np.ones(len(of)) if weight is None else np.sqrt(weight))

    @cached_property
    def outings(self) -> int:
        """How many outings there are."""
        return int(self.of.max()) + 1 if len(self.of) else 0

    @cached_property
    def count(self) -> int:
        """How many outings have a day that can be told from what was taken off."""
        return int(np.sum(self.size > 0))

    @property
    def free(self) -> int:
        """How many runs, less what was taken off."""
        return len(self.of) - self.taken

    @cached_property
    def size(self) -> Floats:
        """(outings,): the diagonal of z'z."""
        return np.asarray(np.bincount(self.of, self.root**2, self.outings), np.float64)

    def sums(self, v: Floats) -> Floats:
        """z'v, of v (n,) or (n, k)."""
        if v.ndim == 1:
            return np.asarray(np.bincount(self.of, self.root * v, self.outings), np.float64)
        return np.array([self.sums(column) for column in v.T]).reshape(v.shape[1], self.outings).T

    def spread(self, values: Floats) -> Floats:
        """z `values`, of values (outings,) or (outings, k)."""
        return np.asarray((self.root * values[self.of].T).T)

    def directions(self, q: Floats) -> tuple[Floats, Floats]:
        """Eigenvalues (outings,) and vectors of z'z without what q (n, r), orthonormal columns, explains of it."""
        explained = self.sums(q)
        return np.linalg.eigh(np.diag(self.size) - explained @ explained.T)

    def within(self, v: Floats) -> Floats:
        """v (n,) or (n, k) without what outings as fixed blocks explain."""
        if not len(self.of):
            return v
        return v - self.spread((self.sums(v).T / np.where(self.size > 0, self.size, 1.0)).T)

    @cached_property
    def leverage(self) -> Floats:
        """(n,): how far each run decides its outing's mean."""
        return np.asarray(self.root**2 / np.where(self.size > 0, self.size, 1.0)[self.of])

    def beside(self, nested: Nested) -> OutingBlocks:
        """The same without what `nested` explains of it."""
        if not nested.columns:
            return self
        left = nested.without(self.root)
        size = np.bincount(self.of, left**2, self.outings)
        told = size > _NOTHING * self.size
        return replace(self, root=np.where(told[self.of], left, 0.0), taken=nested.rank)


@dataclass(frozen=True)
class Nested:
    """Columns with a coefficient of their own in each outing: those of one outing orthonormal, the others of it 0."""

    z: OutingBlocks
    columns: tuple[Floats, ...]
    """Each (n,): of every outing one column."""
    rank: int
    """Coefficients in all."""

    @classmethod
    def by(cls, z: OutingBlocks, own: Floats) -> Nested:
        """Of own (n, k): column by column, by Gram and Schmidt in each outing, twice, which is enough."""
        out = cls(z, (), 0)
        for column in own.T:
            before = out._sums(column**2)
            left = out.without(out.without(column))
            size = out._sums(left**2)
            told = size > _NOTHING * before
            if told.any():
                unit = np.where(told, 1 / np.sqrt(np.where(told, size, 1.0)), 0.0)
                out = cls(z, (*out.columns, left * unit[z.of]), out.rank + int(told.sum()))
        return out

    def without(self, v: Floats) -> Floats:
        """v (n,) or (n, k) without what the columns explain."""
        if v.ndim > 1:
            return np.column_stack([self.without(each) for each in v.T]) if self.columns and v.shape[1] else v
        for column in self.columns:
            v = v - column * self._sums(column * v)[self.z.of]
        return v

    @cached_property
    def leverage(self) -> Floats:
        """(n,): how far each run decides its own fitted value by these columns."""
        return sum((column**2 for column in self.columns), np.zeros(len(self.z.of)))

    def _sums(self, v: Floats) -> Floats:
        return np.asarray(np.bincount(self.z.of, v, self.z.outings), np.float64)


@dataclass(frozen=True)
class Within:
    """A model with outings as fixed blocks: what is left within them."""

    x: Floats
    """(n, rank) design without its means by outing, in coordinates of the space of its rows."""
    basis: Floats
    """(r, rank): that space, in the coordinates of the whole design's columns."""
    q: Floats
    """(n, rank) orthonormal columns of `x`."""
    rest: Floats
    """(n,) residuals."""
    run_df: int
    """Degrees of freedom of the residuals,"""
    day_df: int
    """and of outings that repeat what others had."""
    run_ss: float
    """The residuals' sum of squares, at least `least` for each degree of freedom."""
    least: float
    """What rounding makes of a square."""

    @staticmethod
    def of(x: Floats, y: Floats, z: OutingBlocks, most: float | None = None) -> Within:
        """Of design (n, r) of full column rank and response (n,); `most` is the response's largest, or what it was
        before anything was taken off."""
        within, basis = row_space(z.within(x), size_of(x))
        q = orthonormal(within)
        rest = z.within(y)
        rest = rest - q @ (q.T @ rest)
        rank = q.shape[1]
        run_df, day_df = z.free - z.count - rank, z.count + rank - x.shape[1]
        least = (_EXACT * (float(np.abs(y).max(initial=0.0)) if most is None else most)) ** 2
        rest = told(rest, least)
        return Within(within, basis, q, rest, run_df, day_df, max(float(rest @ rest), run_df * least), least)

    def leverage(self, z: OutingBlocks) -> Floats:
        """(n,): how far each run decides its own fitted value."""
        return np.asarray(z.leverage + np.sum(self.q**2, axis=1))


def told(residuals: Floats, least: float) -> Floats:
    """The residuals; 0 where they are but rounding, of which each square is `least` at the most."""
    return residuals if float(residuals @ residuals) > len(residuals) * least else np.zeros_like(residuals)
