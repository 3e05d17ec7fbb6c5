"""Which way a run went, and the columns of a design that stand for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats

_DIRECTION_GAP_DEG = 40.0


def directions(headings_deg: Floats) -> NDArray[np.int64]:
    """Which way each run went: headings within 40 degrees of a neighbour are one way, unknown ones another.

    Parameters
    ----------
    headings_deg : (n,) array
        [deg], any turn; NaN where it is unknown.

    Returns
    -------
    (n,) array of int
        Labels from 0.
    """
    labels = np.zeros(len(headings_deg), np.int64)
    known = np.flatnonzero(np.isfinite(headings_deg))
    if len(known) == 0:
        return labels
    h = np.mod(headings_deg[known], 360.0)
    order = np.argsort(h)
    gaps = np.diff(np.concatenate([h[order], [h[order][0] + 360.0]]))
    cuts = np.flatnonzero(gaps > _DIRECTION_GAP_DEG)
    label = np.zeros(len(order), np.int64)
    if len(cuts) > 1:
        label = np.searchsorted(cuts, np.arange(len(order)), side="left") % len(cuts)
    labels[known[order]] = label + 1
    return np.unique(labels, return_inverse=True)[1].astype(np.int64)


def way_columns(direction_deg: Floats, outing: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Columns of a design for the ways driven: one effect for all outings, and one of its own for each outing that has
    two runs or more each way, since wind is another every day.

    Coded so that a setup's column stands for the mean of the ways, not for one of them.

    Parameters
    ----------
    direction_deg : (n,) array
        Heading of each run [deg]; NaN where it is unknown, which is a way of its own.
    outing : (n,) array of int
        Which outing each run was in.

    Returns
    -------
    common, own : (n, k) and (n, m) arrays
        Of all outings; and columns that stand for a coefficient of their own in each outing. k is 0 where all went one
        way, m where no outing has effects of its own.
    """
    way = directions(direction_deg)
    of = np.unique(outing, return_inverse=True)[1].reshape(len(outing))
    kinds = int(way.max(initial=0)) + 1
    own = np.zeros((len(way), kinds - 1))
    driven = np.bincount(of * kinds + way, minlength=(int(of.max(initial=-1)) + 1) * kinds).reshape(-1, kinds)
    twice = np.all(driven != 1, axis=1) & (np.sum(driven > 0, axis=1) > 1)
    for there in np.unique(driven[twice] > 0, axis=0):
        alike = (twice & np.all((driven > 0) == there, axis=1))[of]
        own[alike, : there.sum() - 1] = _centred(way[alike])
    return _centred(way), own[:, own.any(axis=0)]


def _centred(way: NDArray[np.int64]) -> Floats:
    kinds = np.unique(way)
    return np.asarray((way[:, None] == kinds[None, 1:]) - (1 / max(len(kinds), 1)))
