"""Which outing each run was in, as a matrix of few numbers: what is summed, spread and centred by outings.

The matrix z (n, outings) of a model with weighted rows has one entry a row, the root of its weight. Of a thousand
drives it would be megabytes and its products seconds; here they are sums by outing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats


@dataclass(frozen=True)
class OutingBlocks:
    """z of n runs: column `of` (n,) of each row, and the entry there, `root` (n,)."""

    of: NDArray[np.intp]
    root: Floats

    @classmethod
    def by(cls, outing: NDArray[np.int64], weight: Floats | None = None) -> OutingBlocks:
        """Of runs in these outings, whatever their numbers; `weight` (n,) of each run, 1 by default."""
        of = np.unique(outing, return_inverse=True)[1].reshape(len(outing))
        return cls(of, np.ones(len(of)) if weight is None else np.sqrt(weight))

    @cached_property
    def count(self) -> int:
        """How many outings."""
        return int(self.of.max()) + 1 if len(self.of) else 0

    @cached_property
    def size(self) -> Floats:
        """(outings,): the diagonal of z'z."""
        return np.asarray(np.bincount(self.of, self.root**2, self.count), np.float64)

    def sums(self, v: Floats) -> Floats:
        """z'v, of v (n,) or (n, k)."""
        if v.ndim == 1:
            return np.asarray(np.bincount(self.of, self.root * v, self.count), np.float64)
        return np.array([self.sums(column) for column in v.T]).reshape(v.shape[1], self.count).T

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
        return v - self.spread((self.sums(v).T / self.size).T)
