"""Fuel loops of setups averaged and compared, and how small a change such loops can show.

    pooled = pooled_scatter([loops_of_a, loops_of_b])
    a, b = average(loops_of_a, pooled), average(loops_of_b, pooled)
    difference(a, b).verdict

Loops of a setup are averaged by the harmonic mean of the distance per volume [1].

References
----------
[1] SAE J1082, Fuel Economy Measurement Road Test Procedure: several tests, harmonic mean.
[2] ISO/IEC Guide 98-3 (GUM): combining standard uncertainties.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.road.fuel_loops import Loop


@dataclass(frozen=True)
class Average:
    """Loops of one setup together.

    m3_per_m: mean consumption, whose inverse is the harmonic mean of the distance per volume [1]. sigma: relative
    standard error of what differs between loops. shared: that of what all share. scatter: relative standard
    deviation from loop to loop, as seen, NaN with one loop. dof: degrees of freedom of `sigma`, infinite where it is
    what measuring leaves. repeats: whether any repeat showed how far loops differ.
    """

    loops: int
    m3_per_m: float
    sigma: float
    shared: float
    scatter: float
    dof: float
    repeats: bool

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Consumption, low and high [m3/m]; on a log scale, so that a wide one stays above zero."""
        half = _reach(self.dof, confidence) * self.sigma
        half = math.hypot(half, _reach(math.inf, confidence) * self.shared)
        return self.m3_per_m * math.exp(-half), self.m3_per_m * math.exp(half)


def average(loops: Sequence[Loop], pooled: tuple[float, float] | None = None) -> Average:
    """The mean of loops of one setup.

    The error of the mean is what measuring leaves or what the loops' scatter says, whichever is more. `pooled` is the
    relative scatter from loop to loop and its degrees of freedom over all setups (see `pooled_scatter`); by default
    that of these loops.
    """
    consumption = np.array([loop.m3_per_m for loop in loops])
    n, mean = len(loops), 1 / statistics.harmonic_mean([1 / loop.m3_per_m for loop in loops])
    own = math.sqrt(float(np.mean([loop.own_sigma**2 for loop in loops])))
    seen = float(consumption.std(ddof=1)) / mean if n > 1 else math.nan
    scatter, dof = pooled or (seen, float(n - 1))
    shared = max(loop.shared_sigma for loop in loops)
    if dof >= 1 and scatter > own:
        return Average(n, mean, scatter / math.sqrt(n), shared, seen, dof, True)
    return Average(n, mean, own / math.sqrt(n), shared, seen, math.inf, dof >= 1)


def pooled_scatter(by_setup: Sequence[Sequence[Loop]]) -> tuple[float, float] | None:
    """Relative standard deviation from loop to loop within setups, and its degrees of freedom; None with no repeat."""
    squares, dof = 0.0, 0
    for loops in by_setup:
        logs = np.log([loop.m3_per_m for loop in loops])
        squares += float(np.sum((logs - logs.mean()) ** 2))
        dof += len(loops) - 1
    return (math.sqrt(squares / dof), float(dof)) if dof else None


def beyond_measuring(loops: Sequence[Loop], pooled: tuple[float, float] | None) -> float:
    """Relative scatter from loop to loop that measuring does not explain: driving, wind, traffic; 0 with no repeat."""
    if pooled is None:
        return 0.0
    own = float(np.mean([loop.own_sigma**2 for loop in loops]))
    return math.sqrt(max(pooled[0] ** 2 - own, 0.0))


@dataclass(frozen=True)
class ConsumptionChange:
    """Consumption of b against a: relative change and its 95 % interval [-], and what the loops show.

    Too few loops: no setup has two, so the interval is of measuring alone, and wind, traffic and foot may be all of it.
    """

    change: float
    low: float
    high: float
    verdict: Literal["less fuel", "more fuel", "no difference shown", "too few loops"]


def difference(a: Average, b: Average) -> ConsumptionChange:
    """How consumption changed from `a` to `b`; what all loops share cancels."""
    change = b.m3_per_m / a.m3_per_m - 1
    sigma = math.hypot(a.sigma, b.sigma)
    dof = math.inf
    if math.isfinite(a.dof) or math.isfinite(b.dof):
        parts = [(side.sigma**2, side.dof) for side in (a, b) if math.isfinite(side.dof)]
        # Both sides use one pooled scatter where both have one: its freedom counts once.
        same = len(parts) == 2 and parts[0][1] == parts[1][1]
        dof = parts[0][1] if same else sigma**4 / sum(variance**2 / freedom for variance, freedom in parts)
    half = _reach(dof, 0.95) * sigma
    low, high = (math.exp(side) * (1 + change) - 1 for side in (-half, half))
    verdict: Literal["less fuel", "more fuel", "no difference shown", "too few loops"] = "no difference shown"
    if not (a.repeats and b.repeats):
        verdict = "too few loops"
    elif high < 0:
        verdict = "less fuel"
    elif low > 0:
        verdict = "more fuel"
    return ConsumptionChange(change, low, high, verdict)


def smallest_change(sigma: float, loops_each: int = 1) -> float:
    """The smallest relative change that so many loops before and after show 8 times in 10 [-].

    (1.96 + 0.84) sqrt(2/n) sigma: a two-sided test at 5 % with a power of 80 %. `sigma` is the relative standard error
    of one loop.
    """
    return (1.959964 + 0.841621) * math.sqrt(2 / loops_each) * sigma


def length_to_show(change: float, loop: Loop, scatter: float = 0.0, loops_each: int = 1) -> float:
    """How long a loop must be to show a relative `change` 8 times in 10 [m]; infinite where no length does.

    The fill's error stays the same however long the loop, so its share falls with length; what goes with the length
    (thermometer, distance) and `scatter` from loop to loop (driving, wind) stay, and only more loops help there.
    """
    allowed = (change / smallest_change(1.0, loops_each)) ** 2
    warmth = loop.used.warmth_sigma_m3 / loop.used.volume_m3
    stays = warmth**2 + (loop.distance.sigma_m / loop.distance.metres) ** 2 + scatter**2
    if allowed <= stays:
        return math.inf
    return float(loop.used.fill_sigma_m3 / math.sqrt(allowed - stays) / loop.m3_per_m)


def loops_to_show(change: float, loop: Loop, scatter: float = 0.0) -> int:
    """Loops like this one, before and as many after, that show a relative `change` 8 times in 10; at least two, since
    only a repeat tells how far loops differ. 0 where more than 99 would be needed."""
    from scipy.special import stdtrit

    sigma = math.hypot(loop.own_sigma, scatter)
    for n in range(2, 100):
        if (stdtrit(2 * n - 2, 0.975) + stdtrit(2 * n - 2, 0.8)) * math.sqrt(2 / n) * sigma <= change:
            return n
    return 0


def _reach(dof: float, confidence: float) -> float:
    from scipy.special import ndtri, stdtrit

    p = (1 + confidence) / 2
    return float(ndtri(p) if math.isinf(dof) else stdtrit(dof, p))
