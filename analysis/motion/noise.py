"""A receiver's speed noise: its size and law, at rest and moving."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from analysis.arrays import Bools, Floats
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
    hold_mps: the receiver reports 0 below about this speed (0: it does not). kind: see NoiseKind.
    """

    sigma_mps: float
    rest_sigma_mps: float
    quantum_mps: float
    hold_mps: float
    kind: NoiseKind
    rest_seconds: float

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
    low = np.abs(y) < max(REST_MPS, 4.5 * sigma)

    def long_enough(first: int, last: int) -> bool:
        if t[last] - t[first] >= MIN_REST_S:
            return True
        inside = first > 0 and last < len(t) - 1
        around = t[min(last + 1, len(t) - 1)] - t[max(first - 1, 0)]
        return (
            inside and bool((y[first : last + 1] == 0).all()) and 2 * MIN_REST_S < around < 2.5 * gap_s and step > 0.5
        )

    stretches = [(first, last) for first, last in _stretches(low) if long_enough(first, last)]
    if not stretches:
        return mask
    # What readings at rest usually are: from the inside of each stretch, since the car leaves and arrives at its ends.
    inner = [_inside(first, last, step) for first, last in stretches]
    rms = np.array([np.sqrt(np.mean(y[part] ** 2)) for part in inner])
    seconds = np.array([max(t[last] - t[first], step) for first, last in stretches])
    order = np.argsort(rms)
    middle = order[np.searchsorted(np.cumsum(seconds[order]), 0.5 * seconds.sum())]
    known = sum(part.stop - part.start for part in inner) >= 10
    usual = float(rms[middle]) if known else max(float(rms[middle]), 0.8 * sigma)
    usual = min(usual, max(2 * float(rms.min()), 2 * sigma))
    limit = max(2.2 * usual, 0.06)
    ones = np.ones(max(round(1.0 / step), 3))
    for first, last in stretches:
        # A creeping car reads steadily above what the receiver shows at rest.
        square = y[first : last + 1] ** 2
        if len(square) > len(ones):
            square = np.convolve(square, ones, "same") / np.convolve(np.ones(len(square)), ones, "same")
        else:
            square = np.full(len(square), np.mean(square))
        mask[first : last + 1] = np.sqrt(square) < limit
    for first, last in _stretches(mask):
        mask[first : last + 1] = long_enough(first, last)
    return mask


def _inside(first: int, last: int, step: float) -> slice:
    """The fixes of a stretch without the half second at its ends, where there is more."""
    margin = max(int(np.ceil(0.5 / step)), 1)
    return slice(first + margin, last + 1 - margin) if last - first >= 2 * margin + 1 else slice(first, last + 1)


def pinned_steps(rest: Bools, step: float) -> Bools:
    """Fixes where speed is zero for certain: at rest, and not within half a second of the rest's ends."""
    margin = max(int(np.ceil(0.5 / step)), 1)
    pinned = np.zeros(len(rest), bool)
    for a, b in _stretches(rest):
        pinned[a + margin if a > 0 else a : (b - margin if b < len(rest) - 1 else b) + 1] = True
    return pinned


def rest_intervals(t: Floats, rest: Bools) -> list[Interval]:
    return [Interval(float(t[a]), float(t[b])) for a, b in _stretches(rest)]


def _stretches(mask: Bools) -> list[tuple[int, int]]:
    """First and last index of each stretch of True."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True))


# --- how: noise ---------------------------------------------------------------------------------------------------

_REST_MEAN_SQUARE: dict[NoiseKind, float] = {"signed": 1.0, "folded": 1.0, "clipped": 0.5, "horizontal": 2.0}


def noise_at_rest(y: Floats, rest: Bools, quantum: float, sigma: float, step: float) -> Noise:
    """What readings at rest tell: how noise shows near zero, its size, whether zero is held."""
    stretches = [_inside(first, last, step) for first, last in _stretches(rest)]
    readings = np.concatenate([y[part] for part in stretches]) if stretches else np.empty(0)
    seconds = len(readings) * step
    plain = float(np.sqrt(max(sigma**2 - quantum**2 / 12, (0.2 * quantum) ** 2, 1e-6)))
    kind: NoiseKind = "folded"
    if len(readings) >= 5 and np.mean(readings == 0) > 0.97:
        above = np.abs(y[y != 0])
        smallest = float(np.quantile(above, min(2 / len(above), 1.0))) if len(above) else 0.0
        held = smallest > 3 * max(quantum, plain) and smallest > 0.05
        hold = min(smallest, 1.5) if held or plain > quantum else 0.0
        return Noise(plain, np.nan, quantum, hold, kind, seconds)
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
