"""Spaces of rows and columns of a design whose rank may be short."""

from __future__ import annotations

import math

import numpy as np

from analysis.arrays import Floats

_RANK = 1e-9


def row_space(x: Floats, size: float = 0.0) -> tuple[Floats, Floats]:
    """`x` in coordinates of the space of its rows, and that space: x = coordinates @ basis.T, basis orthonormal.

    `size` is what `x` is small beside: the largest singular value of what it was before something was taken off.
    """
    # Of many runs the triangle of a QR has the same singular values and rows, and is small.
    _, s, vt = np.linalg.svd(np.linalg.qr(x, mode="r") if x.size else x, full_matrices=False)
    rank = int(np.sum(s > _RANK * max(x.shape) * max(s[0], size))) if len(s) and s[0] > 0 else 0
    return x @ vt[:rank].T, vt[:rank].T


def size_of(x: Floats) -> float:
    """The largest singular value."""
    return math.sqrt(float(np.linalg.norm(x.T @ x, 2))) if x.size else 0.0


def in_space(basis: Floats, vector: Floats) -> bool:
    """Whether `vector` lies in the space that the columns of `basis` span, and is not 0."""
    size = float(np.linalg.norm(vector))
    return size > 0 and float(np.linalg.norm(vector - basis @ (basis.T @ vector))) < 1e-7 * size


def orthonormal(x: Floats) -> Floats:
    """Orthonormal columns of the space of the columns of `x`."""
    q, r = np.linalg.qr(x)
    u, s, _ = np.linalg.svd(r, full_matrices=False)
    rank = int(np.sum(s > _RANK * max(x.shape) * s[0])) if len(s) and s[0] > 0 else 0
    return np.asarray(q @ u[:, :rank])
