"""Chances under the normal law and under Student's, as far as a first look needs them.

They do what `ndtr`, `log_ndtr` and `stdtrit` of scipy.special do: to import that costs a fifth of a second, as much as
all else that a verb loads of libraries.
"""

from __future__ import annotations

import functools
import math

import numpy as np

from analysis.arrays import Floats

_SCALED = (
    0.5770337386164697, 0.35543692127049836, 0.0650951588287865, 0.0036711423958366678,
    -0.0011128447433525841, -0.0001607582991537398, 3.278031574174786e-05, 5.4424416455306974e-06,
    -1.515466555318477e-06, -1.4297608183600974e-07, 8.234608836897039e-08, -1.296284603123054e-09,
    -4.154721482920537e-09, 6.34705988825533e-10, 1.4320849620065357e-10, -6.160375132181697e-11,
    2.0615970571744488e-12, 3.571710933232756e-12, -8.582293434760954e-13, -6.135721341456572e-14,
    7.406386884850072e-14, -1.322980089894254e-14, -3.287232396112228e-15, 1.0280129297703951e-15,
    -1.2615427845631975e-15,
)  # fmt: skip
"""exp(z^2) erfc(z) / t for t = 2 / (2 + z), z from 0 on: Chebyshev's series in 2 t - 1. Made from scipy.special.erfcx
at the series' own nodes; it is right to 1e-14."""


def normal_below(x: Floats) -> Floats:
    """How likely a standard normal variable is below x, to 1e-13 of itself; of the shape of x."""
    tail = 0.5 * np.exp(-0.5 * x * x) * _scaled(x)
    return np.asarray(np.where(x > 0, 1 - tail, tail), float)


def log_normal_below(x: Floats) -> Floats:
    """The logarithm of `normal_below`, however small that is; of the shape of x."""
    scaled, square = 0.5 * _scaled(x), 0.5 * x * x
    high = np.log1p(-np.exp(-np.where(x > 0, square, 0.0)) * np.where(x > 0, scaled, 0.0))
    return np.asarray(np.where(x > 0, high, np.log(np.maximum(scaled, 1e-300)) - square), float)


def _scaled(x: Floats) -> Floats:
    """exp(z^2) erfc(z) at z = |x| / sqrt(2), by Clenshaw's recurrence."""
    t = 2 / (2 + np.abs(x) / math.sqrt(2))
    twice = 4 * t - 2
    one, two = np.zeros_like(t), np.zeros_like(t)
    for each in _SCALED[:0:-1]:
        one, two = twice * one - two + each, one
    return np.asarray((0.5 * twice * one - two + _SCALED[0]) * t)


def student_point(freedom: Floats, share: float) -> Floats:
    """Which value Student's t with whole degrees of freedom (k) is below with a chance of `share` (over one half): (k).

    By the finite sums of M. Abramowitz, I. Stegun, Handbook of Mathematical Functions (1964), 26.7.3 and 26.7.4, and
    Newton's way.
    """
    each, place = np.unique(freedom, return_inverse=True)
    return np.array([_student_point(int(df), share) for df in each.tolist()])[place].reshape(np.shape(freedom))


@functools.cache
def _student_point(freedom: int, share: float) -> float:
    log_top = math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2) - 0.5 * math.log(freedom * math.pi)
    t = 0.0  # the chance is hollow from here on: each step falls short, and the next is nearer
    for _ in range(200):
        density = math.exp(log_top - (freedom + 1) / 2 * math.log1p(t * t / freedom))
        step = (share - _student_below(t, freedom)) / density
        t += step
        if abs(step) < 1e-14 * max(t, 1.0):
            break
    return t


def _student_below(t: float, freedom: int) -> float:
    angle = math.atan2(t, math.sqrt(freedom))
    square, odd = math.cos(angle) ** 2, freedom % 2
    term, total = (math.cos(angle) if odd else 1.0), 0.0
    for k in range(odd, freedom - 1, 2):
        total += term
        term *= square * (k + 1) / (k + 2)
    total *= math.sin(angle)
    return 0.5 + ((angle + total) / math.pi if odd else total / 2)
