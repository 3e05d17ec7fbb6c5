"""Errors of a world's splits, counted and summed up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

WILD_S, SURE_S = 0.5, 0.1
"""No split may be further off than the one with a stated sigma under the other."""


class Error(NamedTuple):
    """A split's error (found less true) with its stated sigma and, where there is one, systematic part [s]."""

    error: float
    sigma: float
    systematic: float
    kind: str
    counted: bool


@dataclass
class Tally:
    """What a world's drives came to."""

    launches: int = 0
    missed: int = 0
    extra: int = 0
    starred: int = 0
    first: list[Error] = field(default_factory=list)
    foot: list[Error] = field(default_factory=list)
    starts: list[Error] = field(default_factory=list)
    """Of the instant of first movement itself; None of the smoothing's delay is taken off."""
    receivers: list[dict[str, float]] = field(default_factory=list)
    seconds: float = 0.0
    """Processor time of the program."""
    driven_s: float = 0.0

    def add(self, other: Tally) -> None:
        for name in ("launches", "missed", "extra", "starred", "seconds", "driven_s"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name in ("first", "foot", "starts", "receivers"):
            getattr(self, name).extend(getattr(other, name))


class Figures(NamedTuple):
    """Of many errors: bias and rms [s], rms of error over sigma, shares within one and two sigma."""

    n: int
    bias: float
    rms: float
    z: float
    one: float
    two: float


def figures(errors: Sequence[Error], with_systematic: bool = False) -> Figures:
    """Over the counted runs."""
    rows = [each for each in errors if each.counted and math.isfinite(each.error)]
    if not rows:
        return Figures(0, *[math.nan] * 5)
    error = np.array([each.error for each in rows])
    sigma = np.array([each.sigma for each in rows])
    if with_systematic:
        sigma = np.hypot(sigma, np.nan_to_num([each.systematic for each in rows]))
    z = np.abs(error) / np.maximum(sigma, 1e-6)
    return Figures(
        len(rows), float(error.mean()), float(np.sqrt(np.mean(error**2))), float(np.sqrt(np.mean(z**2))),
        float(np.mean(z < 1)), float(np.mean(z < 2)),
    )  # fmt: skip


def wild(errors: Sequence[Error]) -> tuple[int, float]:
    """Counted splits that are far off and stated as sure, and the worst error among those stated as sure [s]."""
    sure = [abs(each.error) for each in errors if each.counted and each.sigma < SURE_S]
    return sum(error > WILD_S for error in sure), max(sure, default=math.nan)
