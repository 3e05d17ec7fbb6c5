"""Names for the arrays that go from room to room, and what is asked of times everywhere."""

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
