"""What is taken of days and runs before a car's own have spoken, from common practice (no source).

A day carries its air, temperature of the engine and the oil, fuel, tyres and driver. Corrected for the air, an engine's
power is taken to differ by 1.5 % from day to day, and by 1.2 % from run to run; a launch by clutch or belt by 0.05 s.
These are only where the judging begins: repeats outweigh them (`day_prior`).

What a share of power does to a time is read off the car's own runs: where drag eats most of the force, little power is
much time. From accelerations a at speeds v, a v = p - k v^3 gives the share that is left for accelerating.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.arrays import Floats
from analysis.changes.day_prior import Prior
from analysis.changes.observations import Observation, times_to
from analysis.conditions.weather import FULL_POWER, LAUNCH_MOST_MPS

DAY_SHARE = 0.015
"""Scatter of days, as a share of power."""
RUN_SHARE = 0.012
DAY_LAUNCH_S, RUN_LAUNCH_S = 0.05, 0.05
"""Scatter of launches from day to day and from run to run."""
DAY_GRIP = 0.04
"""Scatter of days, as a share of the force that belt or clutch hold at: a damp belt launches softer all day."""
MIXTURE_DAY, MIXTURE_RUN = 0.015, 0.010
"""Of the mixture at full throttle, as shares: a carburettor's goes with the square root of the air's density."""
FUEL_DAY, FUEL_RUN = 0.03, 0.02
"""Of the fuel used over a distance, as shares: wind, traffic and temperature."""
_MOST = 4.0
"""A time answers to power by at most this many times the share."""
_FAST = 0.4
"""From this share of the highest speed on, acceleration is read as power's, not the launch's."""


def time_priors(runs: Sequence[Observation], speeds_mps: Floats) -> list[Prior]:
    """Typical scatter of the time to each speed [s], by the sensitivity of all `runs` to power."""
    return [
        Prior(
            math.hypot(DAY_SHARE * each, DAY_LAUNCH_S, DAY_GRIP * launched), math.hypot(RUN_SHARE * each, RUN_LAUNCH_S)
        )
        for each, launched in zip(sensitivity(runs, speeds_mps), launching(runs, speeds_mps), strict=True)
    ]


def band_priors(runs: Sequence[Observation], edges_mps: Floats) -> list[Prior]:
    """The same of the time spent from each edge to the next [s]; the first holds what is left of the launch."""
    each, launched = np.diff(sensitivity(runs, edges_mps)), np.diff(launching(runs, edges_mps))
    return [
        Prior(math.hypot(DAY_SHARE * s, DAY_LAUNCH_S / 3, DAY_GRIP * held), math.hypot(RUN_SHARE * s, RUN_LAUNCH_S / 3))
        for s, held in zip(each, launched, strict=True)
    ]


def share_prior(y: Floats, day: float, run: float) -> Prior:
    """Scatter of a figure by shares of its typical value; NaN where `y` (n,) has none."""
    told = y[np.isfinite(y)]
    typical = float(np.median(np.abs(told))) if len(told) else math.nan
    return Prior(day * typical, run * typical)


def sensitivity(runs: Sequence[Observation], speeds_mps: Floats) -> Floats:
    """What each speed's time would change by, for a change of the power by itself: seconds over relative power.

    Parameters
    ----------
    runs : sequence of Observation
        All of the car's.
    speeds_mps : (J,) array
        Rising [m/s].

    Returns
    -------
    (J,) array
        [s], above zero; NaN where no run reaches a speed.
    """
    speeds = np.asarray(speeds_mps, float)
    times = _typical(runs, speeds)
    told = np.isfinite(times)
    if not told.any():
        return np.full(len(speeds), math.nan)
    grid = np.arange(1.0, speeds[told][-1] + 0.5)
    curve = _typical(runs, grid)
    fine = np.isfinite(curve)
    v = np.concatenate([[0.0], grid[fine], speeds[told]])
    t = np.concatenate([[0.0], curve[fine], times[told]])
    v, first = np.unique(v, return_index=True)
    t = np.maximum.accumulate(t[first])
    middle, step = 0.5 * (v[1:] + v[:-1]), np.diff(t)
    with np.errstate(divide="ignore"):
        power = np.diff(v) / np.where(step > 0, step, np.inf) * middle
    answers = _elasticity(middle, power, float(v[-1]))
    out = np.full(len(speeds), math.nan)
    out[told] = np.interp(speeds[told], v, np.concatenate([[0.0], np.cumsum(step * answers)]))
    return np.asarray(np.maximum(out, 1e-6))


def launching(runs: Sequence[Observation], speeds_mps: Floats) -> Floats:
    """How much of each speed's time is a launch, that belt or clutch hold back and not the power: (J,) [s].

    It is over where speed times acceleration has come to nine tenths of its most, at 12 m/s at the latest.
    """
    speeds = np.asarray(speeds_mps, float)
    grid = np.arange(1.0, LAUNCH_MOST_MPS + 8.0)
    curve = _typical(runs, grid)
    told = np.isfinite(curve)
    v, t = np.concatenate([[0.0], grid[told]]), np.concatenate([[0.0], np.maximum.accumulate(curve[told])])
    if len(v) < 3:
        return np.zeros(len(speeds))
    step = np.diff(t)
    power = np.diff(v) / np.where(step > 0, step, np.inf) * 0.5 * (v[1:] + v[:-1])
    over = v[1:][power >= FULL_POWER * power.max()]
    return np.asarray(np.interp(np.minimum(speeds, min(over[0], LAUNCH_MOST_MPS)), v, t))


def _typical(runs: Sequence[Observation], speeds: Floats) -> Floats:
    """The median time to each speed of the runs that reach it."""
    table = times_to(runs, speeds)
    out = np.full(len(speeds), math.nan)
    for j in range(len(speeds)):
        told = table[:, j][np.isfinite(table[:, j])]
        out[j] = np.median(told) if len(told) else math.nan
    return out


def _elasticity(v: Floats, power: Floats, top: float) -> Floats:
    """Relative time over relative power in each step of speed: p / (p - k v^3), p and k by least squares."""
    here = (v >= _FAST * top) & (power > 0)
    if here.sum() < 3:
        return np.ones(len(v))
    x = np.column_stack([np.ones(int(here.sum())), -(v[here] ** 3)])
    p, k = np.linalg.lstsq(x, power[here], rcond=None)[0]
    if p <= 0 or k <= 0:
        return np.ones(len(v))
    return np.asarray(1 / np.maximum(1 - k * v**3 / p, 1 / _MOST))
