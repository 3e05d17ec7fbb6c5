"""Smoothing inside a receiver, told from braked stops.

A braked car stops in a corner: speed falls in a line and then is zero. A receiver that smooths shows a tail after it,
and lags before it. A driver who eases the brake rounds the corner as well, so no one stop tells the two apart; but the
easing differs from stop to stop and the receiver does not, and no stop can look sharper than the receiver lets it. Each
stop is sharp or eased with a share that is not known; the body that rocks on its springs adds two small decaying
columns. For each smoothing time the evidence of a stop has a closed form; all stops together give the posterior. A
stop that fits none of this (a second touch of the brake, a stray reading) has a limited say.

The launches' own evidence is not asked: how a launch rises and how a receiver smooths cannot be told apart.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from analysis.arrays import Bools, Floats, first_order
from analysis.motion.noise import Interval, Noise
from analysis.motion.stop_likelihood import stop_log_likelihood

SLOWEST_HZ = 4.0
"""Fixes further apart than this do not show the corner."""
LEAST_BRAKING_MPS2 = 0.8
MOST_STOPS = 14
BEFORE_S, AFTER_S = 1.5, 1.6
"""What is looked at before and after a stop."""

TIMES_S = np.array(
    [0, 0.03, 0.06, 0.09, 0.12, 0.15, 0.175, 0.2, 0.23, 0.26, 0.3, 0.35, 0.4, 0.45, 0.5, 0.57, 0.65, 0.75, 0.9]
)
_TIME_PRIOR = np.where(TIMES_S == 0, 0.13, np.gradient(TIMES_S) * np.exp(-TIMES_S / 0.5))
_SHARP_S = np.array([0.0, 0.08])
_EASED_S = np.array([0.18, 0.28, 0.42, 0.6, 0.85, 1.2])
_OFFSETS_S = np.array([-0.18, -0.12, -0.06, 0.0, 0.06, 0.12, 0.18])
_SHARES = np.linspace(0.05, 0.95, 10)
_LEAST_SAY = 0.02
_FEWEST_SHARP = 1.8
"""With fewer stops that may be called sharp, all corners may be the driver's own."""
_UNSEEN = 0.5
"""Of the time that braking takes from the speed that a receiver holds back: how far the corner may be from there."""
_LEAST_KNOWN_S = 0.16
"""A standard error of more than this is the prior's own: the stops told nothing, unless what they told is far more."""
_SLACK_MPS = 0.015
"""What the lines and columns leave of a real stop."""
_GRID_S = 0.01
_FROM_S, _TO_S = -4.0, 2.5


@dataclass(frozen=True)
class Smoothing:
    """The time constant of a receiver's smoothing [s], with its 95 % interval, and how many stops told it."""

    seconds: float
    low_s: float
    high_s: float
    sigma_s: float
    stops: int

    @property
    def believed(self) -> bool:
        """Whether it is surely there: nothing is undone that may not be."""
        return self.low_s > 0.05


def learn_smoothing(t: Floats, y: Floats, rests: list[Interval], noise: Noise, stray: Bools) -> Smoothing | None:
    """The smoothing time constant from the stops that begin `rests`; None where no stop can tell it.

    A receiver that draws lines at rest hides the corner. t [s] and y [m/s] are the readings, `stray` those not to be
    trusted.
    """
    if float(np.median(np.diff(t))) > 1 / SLOWEST_HZ or not rests or noise.drawn:
        return None
    found = [stop for rest in rests if (stop := _stop(t, y, rest, stray)) is not None]
    found.sort(key=lambda stop: -stop.braking)
    told = [_evidence(stop, noise) for stop in found[:MOST_STOPS]]
    if not told:
        return None
    sharp, eased = (np.stack(values) for values in zip(*told, strict=True))
    weight, surely_sharp = _posterior(sharp, eased)
    mean = float(weight @ TIMES_S)
    sigma = spread = math.sqrt(float(weight @ (TIMES_S - mean) ** 2) + 0.01**2)
    if noise.hold_mps:
        # What the car did below the speed that is held back is unseen.
        braking = float(np.median([stop.braking for stop in found]))
        spread = math.hypot(sigma, _UNSEEN * noise.hold_mps / braking)
    if spread > max(_LEAST_KNOWN_S, mean / 1.5):
        return None
    low = min(_quantile(weight, 0.025), max(mean - 1.96 * spread, 0.0))
    high = max(_quantile(weight, 0.975), mean + 1.96 * spread)
    if surely_sharp < _FEWEST_SHARP:
        low, sigma = 0.0, math.hypot(sigma, mean / 3)
    return Smoothing(mean, low, high, sigma, len(told))


def _posterior(sharp: Floats, eased: Floats) -> tuple[Floats, float]:
    """Posterior of each time by each stop's log evidence (stops, times), averaged over the share of sharp ones; and how
    many of the stops are sharp by it."""
    top = np.maximum(sharp.max(1), eased.max(1))[:, None]
    a, b = np.exp(sharp - top), np.exp(eased - top)
    of_sharp = a[None] * _SHARES[:, None, None]
    say = of_sharp + b[None] * (1 - _SHARES[:, None, None]) + _LEAST_SAY
    log = np.log(say).sum(1) + np.log(_TIME_PRIOR)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    return weight.sum(0), float(((of_sharp / say).sum(1) * weight).sum())


def _quantile(weight: Floats, share: float) -> float:
    """A quantile of the posterior: a time's weight lies between the middles to its neighbours, zero's at zero."""
    edges = np.concatenate([[0.0], (TIMES_S[1:] + TIMES_S[:-1]) / 2, [TIMES_S[-1]]])
    edges[1] = min(edges[1], 0.015)
    return float(np.interp(share, np.concatenate([[0.0], np.cumsum(weight)]), edges)) if weight[0] < share else 0.0


@dataclass(frozen=True)
class _Stop:
    t: Floats
    y: Floats
    braking: float
    """By a line through the readings before the stop [m/s2]."""
    crossing_s: float
    """Where that line meets zero."""


def _stop(t: Floats, y: Floats, rest: Interval, stray: Bools) -> _Stop | None:
    """The readings about the stop that begins a rest, where the car braked to it without a pause in the fixes."""
    last = min(rest.start_s + AFTER_S, rest.end_s - 0.4)
    near = slice(*np.searchsorted(t, [rest.start_s - 3.0, last], side="right").tolist())
    ts, ys = t[near][~stray[near]], y[near][~stray[near]]
    if last - rest.start_s < 0.7 or len(ts) < 12 or np.diff(ts).max() > 0.45:
        return None
    line = (ys > 0.9) & (ys < 4.5) & (ts < rest.start_s) & (ts > rest.start_s - 2.0)
    # Back from the stop to where the line was left before it.
    away = np.flatnonzero(~line & (ts < rest.start_s - 0.3) & (ys > 0.9))
    if len(away):
        line[: away[-1] + 1] = False
    if line.sum() < 4:
        return None
    slope, at = np.polynomial.polynomial.polyfit(ts[line] - rest.start_s, ys[line], 1)[::-1]
    if -slope < LEAST_BRAKING_MPS2:
        return None
    crossing = rest.start_s - at / slope
    close = ts > crossing - BEFORE_S
    # Only the last pull at the brake: not what came before the highest reading.
    top = int(np.argmax(np.where(close, ys, -1.0)))
    close &= np.arange(len(ts)) >= top
    if close.sum() < 10:
        return None
    return _Stop(ts[close], ys[close], float(-slope), float(crossing))


@functools.cache
def _columns() -> tuple[Floats, Floats, Floats]:
    """Grid of times after the stop [s], easings, and what each column of a stop's speed reads on it: (times, easings,
    grid, columns): braking, its change, a shift of the stop, and the rocking body's two."""
    u = np.arange(_FROM_S, _TO_S, _GRID_S)
    x = -u
    easings = np.concatenate([_SHARP_S, _EASED_S])
    rows = []
    decay = np.where(u > 0, np.exp(-np.maximum(u, 0) / 0.3), 0.0)
    for ease in easings:
        past = np.maximum(x - ease, 0.0)
        inside = np.clip(x, 0.0, ease)
        braking = (inside**2 / (2 * ease) if ease else 0.0) + past
        shift = np.clip(x / ease, 0.0, 1.0) if ease else (x > 0).astype(float)
        rows.append(
            np.stack([braking, past**2 / 2, shift, decay * np.sin(10 * u), decay * np.sin(10 * u) * u / 0.3], -1)
        )
    plain = np.stack(rows)
    out = np.empty((len(TIMES_S), *plain.shape))
    for k, time in enumerate(TIMES_S):
        keep = math.exp(-_GRID_S / time) if time else 0.0
        start = plain[:, :1] * keep
        out[k] = first_order(1 - keep, 0.0, keep, plain, start, axis=1) if time else plain
    return u, easings, out


def _evidence(stop: _Stop, noise: Noise) -> tuple[Floats, Floats]:
    """Log evidence of each smoothing time if the stop was sharp, and if it was eased: (times) each."""
    grid, easings, columns = _columns()
    begun = stop.crossing_s - TIMES_S[:, None, None] + easings[None, :, None] / 2 + _OFFSETS_S[None, None, :]
    after = stop.t - begun[..., None]
    at = np.clip((after - grid[0]) / _GRID_S, 0, len(grid) - 1.001)
    whole = at.astype(int)
    part = (at - whole)[..., None]
    rows = np.arange(len(TIMES_S) * len(easings)).reshape(len(TIMES_S), -1, 1, 1) * len(grid) + whole
    flat = columns.reshape(-1, columns.shape[-1])
    design = flat.take(rows, 0)
    design += (flat.take(rows + 1, 0) - design) * part
    mean = np.array([stop.braking, 0.0, 0.0, 0.0, 0.0])
    sigma = np.array([1.0, 0.8, 0.05 * stop.braking, 0.04, 0.04])
    each = design.reshape(-1, *design.shape[-2:])
    log = stop_log_likelihood(stop.t, stop.y, each, mean, sigma, noise, _SLACK_MPS).reshape(design.shape[:3])
    sharp = len(_SHARP_S)
    return _log_mean(log[:, :sharp]), _log_mean(log[:, sharp:])


def _log_mean(log: Floats) -> Floats:
    flat = log.reshape(len(log), -1)
    top = flat.max()
    return np.asarray(np.log(np.exp(flat - top).mean(1) + 1e-300) + top, float)
