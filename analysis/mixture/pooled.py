"""The mixture of several drives of one setup as one: what each drive's median in a field says, put together.

    one = pooled([DriveField(12.0, 120, 12.1, 0.02), DriveField(8.0, 80, 12.3, 0.03)], Window(12.0, 12.5), Enough())

A drive's median counts by its seconds. Drives differ by more than their own scatter says (weather, fuel, the sensor's
day): that share is found from how far their medians lie apart, by moments [1], and is in the interval, which takes the
mean for normal. Drives that have too little to tell a median add their seconds and nothing else.

References
----------
[1] R. DerSimonian, R. Kacker, Random-effects model for meta-analysis of clinical trials: an update, Contemp. Clin.
    Trials 28 (2007) 105: the moment estimate of the variance between studies, for any fixed weights (equation 6).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.mixture.map import Judgement, Window, judgement_of
from logger.config.targets import Enough

_TWO_SIDED = 1.96
"""Of 95 % [-]."""


@dataclass(frozen=True)
class DriveField:
    """What a drive says of a field: seconds and readings there, its median and that median's standard error (NaN)."""

    seconds: float
    readings: int
    median: float
    sigma: float


@dataclass(frozen=True)
class Pooled:
    """What the drives say together; `low` and `high` are a 95 % interval. NaN where no drive tells a median."""

    seconds: float
    readings: int
    median: float
    sigma: float
    low: float
    high: float
    judgement: Judgement
    sure: bool


def pooled(told: Sequence[DriveField], target: Window, enough: Enough) -> Pooled:
    """The drives' medians as one, held against `target`.

    Parameters
    ----------
    told : sequence of DriveField
        One for each drive that has the field; medians in one channel.
    enough : Enough
        The seconds and readings, of all drives together, without which nothing is judged.
    """
    seconds, readings = sum(each.seconds for each in told), sum(each.readings for each in told)
    use = [each for each in told if math.isfinite(each.median + each.sigma) and each.seconds > 0]
    if not use:
        return Pooled(seconds, readings, math.nan, math.nan, math.nan, math.nan, Judgement.UNKNOWN, False)
    weight = np.array([each.seconds for each in use])
    weight = weight / weight.sum()
    medians, within = np.array([each.median for each in use]), np.array([each.sigma**2 for each in use])
    mean = float(weight @ medians)
    variance = float(weight**2 @ (within + _between(weight, medians, within)))
    sigma = math.sqrt(variance)
    low, high = mean - _TWO_SIDED * sigma, mean + _TWO_SIDED * sigma
    few = seconds < enough.seconds - 1e-9 or readings < enough.readings
    judged, sure = (Judgement.UNKNOWN, False) if few else judgement_of(mean, low, high, target)
    return Pooled(seconds, readings, mean, sigma, low, high, judged, sure)


def _between(weight: np.ndarray, medians: np.ndarray, within: np.ndarray) -> float:
    """Variance between drives beyond what their own scatter explains [1]; `weight` sums to 1."""
    spare = 1.0 - float(weight @ weight)
    if spare <= 0:
        return 0.0
    apart = float(weight @ (medians - weight @ medians) ** 2)
    expected = float(weight @ within - weight**2 @ within)
    return max((apart - expected) / spare, 0.0)
