"""Points that fill a cube evenly: the scrambled Sobol sequence, as scipy.stats.qmc.Sobol gives it.

To import scipy.stats costs a second, for a hundred points. Direction numbers of the first dimensions from Joe and Kuo
[1], scrambled by a random lower triangular matrix and a random shift [2], in the order of Gray's code.

[1] S. Joe, F. Y. Kuo, Constructing Sobol sequences with better two-dimensional projections, SIAM J. Sci. Comput. 30
    (2008) 2635.
[2] J. Matousek, On the L2-discrepancy for anchored boxes, J. Complexity 14 (1998) 527.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats

_BITS = 30
# Degree of the primitive polynomial, its inner coefficients, and the first direction numbers; the first dimension has
# ones throughout.
_DIRECTIONS = (
    (1, 0, (1,)), (2, 1, (1, 3)), (3, 1, (1, 3, 1)), (3, 2, (1, 1, 1)), (4, 1, (1, 1, 3, 3)), (4, 4, (1, 3, 5, 13)),
    (5, 2, (1, 1, 5, 5, 17)),
)  # fmt: skip
DIMENSIONS = 1 + len(_DIRECTIONS)
"""The most there may be."""


@functools.cache
def scrambled(dimensions: int, count: int, seed: int) -> Floats:
    """The first `count` points in `dimensions` (at most `DIMENSIONS`) between 0 and 1: (count, dimensions)."""
    rng = np.random.default_rng(seed)
    places = 2 ** np.arange(_BITS, dtype=np.uint32)
    shift = rng.integers(2, size=(dimensions, _BITS), dtype=np.uint32) @ places
    mixing = np.tril(rng.integers(2, size=(dimensions, _BITS, _BITS), dtype=np.uint32)).astype(np.int64)
    mixing[:, np.arange(_BITS), np.arange(_BITS)] = 1
    bits = (_numbers(dimensions)[:, :, None] >> np.arange(_BITS - 1, -1, -1)) & 1  # highest first
    steps = (np.einsum("dpk,djk->djp", mixing, bits) % 2) @ 2 ** np.arange(_BITS - 1, -1, -1)
    out = np.empty((count, dimensions))
    at = shift.astype(np.int64)
    for number in range(count):
        out[number] = at / 2.0**_BITS
        at = at ^ steps[:, (~number & (number + 1)).bit_length() - 1]  # the lowest zero bit
    return out


def _numbers(dimensions: int) -> NDArray[np.int64]:
    """Direction numbers (dimensions, bits), each shifted to the top."""
    out = np.ones((dimensions, _BITS), np.int64)
    for row, (degree, inner, first) in zip(out[1:], _DIRECTIONS, strict=False):
        row[:degree] = first
        for j in range(degree, _BITS):
            value = int(row[j - degree]) ^ (int(row[j - degree]) << degree)
            for k in range(1, degree):
                if inner >> (degree - 1 - k) & 1:
                    value ^= int(row[j - k]) << k
            row[j] = value
    return out << np.arange(_BITS - 1, -1, -1)
