"""A receiver's speed noise: its size and law, at rest and moving."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Bools, Floats, running_median, stretches
from logger.units import MPS_PER_KMH, MPS_PER_KNOT

REST_MPS = 0.35
"""Readings under this (or 4.5 sigma, if more) may be a car that stands."""
MIN_REST_S = 0.9


NoiseKind = Literal["signed", "folded", "clipped", "horizontal"]
"""How a receiver's noise shows near zero: speed with a sign; |v + n|; max(v + n, 0); the length of a 2-D error."""


@dataclass(frozen=True)
class Noise:
    """The receiver's speed noise as learned from a drive.

    sigma_mps: standard deviation of a reading while moving [m/s], rounding apart. rest_sigma_mps: the same at rest
    (NaN where the car never stood or the receiver held zero). quantum_mps: the step of the readings (0: none found).
    hold_mps: the receiver reports 0 below about this speed (0: it does not). kind: see NoiseKind. wander_share: which
    part of sigma_mps squared is correlated from fix to fix, forgotten over wander_s [s] (a first-order Gauss-Markov
    process); the rest is white. outlier_share: how many readings in one are strays.
    """

    sigma_mps: float
    rest_sigma_mps: float
    quantum_mps: float
    hold_mps: float
    kind: NoiseKind
    rest_seconds: float
    wander_share: float = 0.0
    wander_s: float = 1.0
    outlier_share: float = 0.0
    rest_wander_share: float = 0.0
    """The same part of rest_sigma_mps squared; a receiver may wander at rest only."""
    hold_doubt_mps: float = 0.0
    """Standard error of hold_mps [m/s]: how far apart the lowest readings above it lie."""

    @property
    def drawn(self) -> bool:
        """Whether the receiver draws more at rest than its noise under way explains."""
        return self.rest_sigma_mps > max(2.0 * self.reading_sigma_mps, 0.06)

    @property
    def wander_mps(self) -> float:
        """Standard deviation of the part that wanders [m/s]."""
        return self.sigma_mps * math.sqrt(self.wander_share)

    @property
    def white_mps(self) -> float:
        """Standard deviation of what differs from fix to fix, rounding included [m/s]."""
        return math.hypot(self.sigma_mps * math.sqrt(1 - self.wander_share), self.quantum_mps / math.sqrt(12))

    @property
    def reading_sigma_mps(self) -> float:
        """Noise and rounding together [m/s]; rounding adds its q^2/12."""
        return float(np.hypot(self.sigma_mps, self.quantum_mps / np.sqrt(12)))


class Interval(NamedTuple):
    """A stretch of time [s], on the fixes' axis."""

    start_s: float
    end_s: float


def quantum_of(y: Floats) -> float:
    """The step the readings are printed in [m/s]: the coarsest usual one of which they are all multiples, or 0."""
    values = np.unique(np.abs(y[y != 0]))
    if len(values) < 5:
        return 0.0
    for size in (1.0, 0.1, 0.01, 0.001):
        for unit in (1.0, MPS_PER_KNOT, MPS_PER_KMH):
            steps = values / (unit * size)
            if np.mean(np.abs(steps - np.round(steps)) < 1e-3) > 0.999:
                return unit * size
    return 0.0


def rest_mask(t: Floats, y: Floats, sigma: float, gap_s: float) -> Bools:
    """Which fixes are of a standing car: readings near zero for a second or so, no higher than the usual ones at rest.

    A slow receiver may see a short stop in one fix only; that counts if it reads zero and no fix is missing around it.
    """
    mask = np.zeros(len(y), bool)
    step = float(np.median(np.diff(t)))
    y = _without_strays(y, sigma, step)
    low = np.abs(y) < max(REST_MPS, 4.5 * sigma)

    def long_enough(first: int, last: int) -> bool:
        if t[last] - t[first] >= MIN_REST_S:
            return True
        inside = first > 0 and last < len(t) - 1
        around = t[min(last + 1, len(t) - 1)] - t[max(first - 1, 0)]
        return (
            inside and bool((y[first : last + 1] == 0).all()) and 2 * MIN_REST_S < around < 2.5 * gap_s and step > 0.5
        )

    slow = [(first, last) for first, last in stretches(low) if long_enough(first, last)]
    if not slow:
        return mask
    # What readings at rest usually are: from the inside of each stretch, since the car leaves and arrives at its ends.
    inner = [_inside(first, last, step) for first, last in slow]
    rms = np.array([np.sqrt(np.mean(y[part] ** 2)) for part in inner])
    seconds = np.array([max(t[last] - t[first], step) for first, last in slow])
    order = np.argsort(rms)
    middle = order[np.searchsorted(np.cumsum(seconds[order]), 0.5 * seconds.sum())]
    known = sum(part.stop - part.start for part in inner) >= 10
    usual = float(rms[middle]) if known else max(float(rms[middle]), 0.8 * sigma)
    usual = min(usual, max(3 * float(rms.min()), 2 * sigma))
    limit = max(2.2 * usual, 0.06)
    width = max(round(1.0 / step), 3)
    for first, last in slow:
        # A creeping car reads steadily above what the receiver shows at rest.
        square = y[first : last + 1] ** 2
        mask[first : last + 1] = np.sqrt(_running_mean(square, width)) < limit
    quiet = np.abs(y) < min(1.4 * limit, REST_MPS)
    if step < 0.4:
        _grow(mask, quiet, width // 2)
    else:
        mask |= _several(quiet & (np.abs(y) < limit))
    for first, last in stretches(mask):
        mask[first : last + 1] = long_enough(first, last)
    return mask


def _several(quiet: Bools) -> Bools:
    """Of the quiet readings those with a quiet one beside them."""
    beside = np.zeros(len(quiet), bool)
    beside[1:] |= quiet[:-1]
    beside[:-1] |= quiet[1:]
    return quiet & beside


def _without_strays(y: Floats, sigma: float, step: float) -> Floats:
    """Readings with the lone ones that leap away replaced by the median of the five about them (fast receivers)."""
    if step > 0.22 or len(y) < 5:
        return y
    middle = running_median(y, 5)
    return np.asarray(np.where(np.abs(y - middle) > max(5 * sigma, 0.1), middle, y), float)


def _running_mean(values: Floats, width: int) -> Floats:
    if len(values) <= width:
        return np.full(len(values), np.mean(values)) if width > 1 else values
    ones = np.ones(width)
    return np.asarray(np.convolve(values, ones, "same") / np.convolve(np.ones(len(values)), ones, "same"), float)


def _grow(mask: Bools, quiet: Bools, most: int) -> None:
    """Give back what the running mean cut off a short stop: up to `most` quiet readings at either end."""
    for _ in range(most):
        mask[1:] |= mask[:-1] & quiet[1:]
        mask[:-1] |= mask[1:] & quiet[:-1]


def _inside(first: int, last: int, step: float) -> slice:
    """The fixes of a stretch without the half second at its ends, where there is more; of a long one without the first
    second and a half, in which the body rocks and a receiver that smooths comes to rest."""
    margin = max(int(np.ceil(0.5 / step)), 1)
    settled = max(int(np.ceil(1.5 / step)), 1)
    if last - first >= settled + margin + int(1.5 / step):
        return slice(first + settled, last + 1 - margin)
    return slice(first + margin, last + 1 - margin) if last - first >= 2 * margin + 1 else slice(first, last + 1)


def pinned_steps(rest: Bools, step: float, late_s: float = 0.0) -> Bools:
    """Fixes where speed is zero for certain: at rest, and not within half a second of the rest's ends. `late_s`: how
    much later than the car the readings leave zero."""
    margin = max(int(np.ceil(0.5 / step)), 1)
    leaving = max(int(np.ceil((0.5 + late_s) / step)), 1)
    pinned = np.zeros(len(rest), bool)
    for a, b in stretches(rest):
        pinned[a + margin if a > 0 else a : (b - leaving if b < len(rest) - 1 else b) + 1] = True
    return pinned


def rest_intervals(t: Floats, rest: Bools) -> list[Interval]:
    return [Interval(float(t[a]), float(t[b])) for a, b in stretches(rest)]


def settled_slices(rest: Bools, step: float) -> list[slice]:
    """The fixes of each rest that are away from its ends."""
    return [_inside(first, last, step) for first, last in stretches(rest)]


def wander_covariance(t: Floats, noise: Noise) -> Floats:
    """Covariance of the errors of readings at `t` [m2/s2]: white, rounding, and the part that wanders."""
    lag = np.abs(t[:, None] - t[None, :])
    return np.asarray(noise.wander_mps**2 * np.exp(-lag / noise.wander_s) + np.eye(len(t)) * noise.white_mps**2, float)


# --- how: noise ---------------------------------------------------------------------------------------------------

_REST_MEAN_SQUARE: dict[NoiseKind, float] = {"signed": 1.0, "folded": 1.0, "clipped": 0.5, "horizontal": 2.0}


def noise_at_rest(y: Floats, rest: Bools, quantum: float, sigma: float, step: float) -> Noise:
    """What readings at rest tell: how noise shows near zero, its size, whether zero is held."""
    parts = settled_slices(rest, step)
    readings = np.concatenate([y[part] for part in parts]) if parts else np.empty(0)
    seconds = len(readings) * step
    if len(readings) >= 20:
        readings = readings[np.abs(readings) <= max(6 * float(np.median(np.abs(readings))), 0.1, 2 * quantum)]
    plain = float(np.sqrt(max(sigma**2 - quantum**2 / 12, (0.2 * quantum) ** 2, 1e-6)))
    kind: NoiseKind = "folded"
    if len(readings) >= 5 and np.mean(readings == 0) > 0.97:
        hold, doubt = _hold(np.sort(np.abs(y[y != 0])), quantum, plain)
        return Noise(plain, np.nan, quantum, hold, kind, seconds, hold_doubt_mps=doubt)
    if len(readings) < 5:
        return Noise(plain, np.nan, quantum, 0.0, kind, seconds)
    if np.mean(readings < 0) > 0.05:
        kind = "signed"
    else:
        zero = float(np.mean(readings <= quantum / 2))
        spread, mean = float(np.std(readings)), float(np.mean(readings))
        ratio = mean / max(spread, 1e-9)
        if zero > 0.35 and quantum < plain:
            kind = "clipped"
        elif ratio > 1.6:
            kind = "horizontal"
    square = float(np.mean(readings**2)) - (quantum**2 / 12 if quantum else 0.0)
    found = float(np.sqrt(max(square / _REST_MEAN_SQUARE[kind], (0.15 * quantum) ** 2, 1e-6)))
    return Noise(plain, found, quantum, 0.0, kind, seconds)


def _hold(above: Floats, quantum: float, plain: float) -> tuple[float, float]:
    """Below which speed zero is held [m/s], and its standard error, by the readings that are not zero, in order.

    Readings come as thick just above it as a little further up, so it lies about one of their distances below the
    lowest; the two lowest are passed over where they lie apart from the others.
    """
    if len(above) == 0:
        return 0.0, 0.0
    third = float(above[min(2, len(above) - 1)])
    if not (third > max(3 * max(quantum, plain), 0.05) or plain > quantum):
        return 0.0, 0.0
    apart = 0.3 / max(int(np.sum(above < third + 0.3)) - 2, 1)
    lowest = float(above[0]) if third - above[0] < 6 * apart else third
    doubt = min(apart, lowest / 2)
    return min(lowest - doubt, 1.5), doubt


# --- how likely a reading is, near zero ---------------------------------------------------------------------------


_HOLD_QUARTERS = (0.87, 0.53, 0.02, -1.08)
"""Middles of the quarters of what is not known of a hold, in its standard errors: the lowest reading of a row lies
above it by an exponential law."""


_MOST_HALF_STEP = 0.1
"""Of a step of the readings, in sigma: up to it the mean of a normal law over the step is its middle's times a short
series, to 1e-11 of its peak; wider ones are taken from the two ends."""


def density(y: Floats, v: Floats, sigma: ArrayLike, noise: Noise) -> Floats:
    """How likely a reading `y` is at the true speed `v`, per m/s, by the receiver's law near zero, broadcast."""
    spread = np.asarray(sigma, float)
    if spread.size and spread.min() == spread.max():
        spread = spread.flat[0].reshape(())
    width = np.maximum(noise.quantum_mps, 0.05 * spread)
    if noise.kind != "horizontal" and spread.size and (width <= 2 * _MOST_HALF_STEP * spread).all():
        p = _by_series(y, v, spread, width, noise)
    else:
        p = np.maximum(_below(y + width / 2, v, spread, noise) - _below(y - width / 2, v, spread, noise), 0.0) / width
    if noise.kind == "signed":
        return p
    zero = np.abs(y) < 1e-9
    if zero.any():
        zero, v, spread, width = (np.broadcast_to(each, p.shape) for each in (zero, v, spread, width))
        held = np.zeros(int(zero.sum()))
        by = _HOLD_QUARTERS if noise.hold_doubt_mps else (0.0,)
        for doubt in by:
            level = np.maximum(noise.hold_mps + doubt * noise.hold_doubt_mps, width[zero] / 2)
            held += _below(level, v[zero], spread[zero], noise) / len(by)
        p[zero] = held / width[zero]
    return p


def _by_series(y: Floats, v: Floats, spread: Floats, width: Floats, noise: Noise) -> Floats:
    """`density` where steps are narrow."""
    by = _series((width / (2 * spread)) ** 2)
    p = _mean_normal((y - v) / spread, by)
    if noise.kind == "folded":
        p += _mean_normal((y + v) / spread, by)
    p /= spread * math.sqrt(2 * math.pi)
    if noise.kind == "signed":
        return p
    edge = np.asarray(width / 2)
    cut = np.asarray(y <= edge)
    if cut.any():
        # Zero lies within the step, or above it.
        cut = np.broadcast_to(cut, p.shape)
        y, v, spread, edge = (np.broadcast_to(each, p.shape)[cut] for each in (y, v, spread, edge))
        if noise.kind == "folded" and ((y + edge) <= _MOST_HALF_STEP * spread).all():
            # The step goes from as far below zero as it reaches above.
            half = np.maximum(y + edge, 0.0) / spread
            p[cut] = half * _mean_normal(v / spread, _series(half * half)) / (edge * math.sqrt(2 * math.pi))
        else:
            p[cut] = _below(y + edge, v, spread, noise) / (2 * edge)
    return p


def _series(t: Floats) -> tuple[Floats, ...]:
    """The mean of a normal law over a step, beside its middle's: the coefficients of a series in the square of the
    middle, from the fourth power down. By Taylor's theorem, with Hermite's polynomials of even order up to the eighth;
    `t` is the square of half the step."""
    t2 = t * t
    t3, t4 = t2 * t, t2 * t2
    return (
        t4 / 362_880, t3 / 5040 - t4 / 12_960, t2 / 120 - t3 / 336 + t4 / 1728,
        t / 6 - t2 / 20 + t3 / 112 - t4 / 864, 1 - t / 6 + t2 / 40 - t3 / 336 + t4 / 3456,
    )  # fmt: skip


def _mean_normal(a: Floats, by: tuple[Floats, ...]) -> Floats:
    """Mean of exp(-x^2 / 2) over a step about `a`, which is used up; `by`: its `_series`."""
    square = np.asarray(a)
    square *= square
    out = np.asarray(square * by[0])
    for each in by[1:-1]:
        out += each
        out *= square
    out += by[-1]
    square *= -0.5
    out *= np.exp(square, out=square)
    return out


def _below(y: Floats, v: Floats, sigma: Floats, noise: Noise) -> Floats:
    """P(reading < y) at the true speed v."""
    from scipy.special import chndtr, ndtr

    match noise.kind:
        case "signed":
            return np.asarray(ndtr((y - v) / sigma), float)
        case "clipped":
            return np.asarray(np.where(y > 0, ndtr((y - v) / sigma), 0.0), float)
        case "horizontal":
            square = np.maximum(y, 0.0) ** 2 / sigma**2
            return np.asarray(chndtr(square, 2.0, (v / sigma) ** 2), float)
        case _:
            return np.asarray(np.where(y > 0, ndtr((y - v) / sigma) - ndtr((-y - v) / sigma), 0.0), float)
