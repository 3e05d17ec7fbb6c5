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
from analysis.changes.observations import Observation

DAY_SHARE = 0.015
"""Scatter of days, as a share of power."""
RUN_SHARE = 0.012
DAY_LAUNCH_S, RUN_LAUNCH_S = 0.05, 0.05
"""Scatter of launches from day to day and from run to run."""
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
        Prior(math.hypot(DAY_SHARE * each, DAY_LAUNCH_S), math.hypot(RUN_SHARE * each, RUN_LAUNCH_S))
        for each in sensitivity(runs, speeds_mps)
    ]


def band_priors(runs: Sequence[Observation], edges_mps: Floats) -> list[Prior]:
    """The same of the time spent from each edge to the next [s]; the first holds what is left of the launch."""
    each = np.diff(sensitivity(runs, edges_mps))
    return [
        Prior(math.hypot(DAY_SHARE * s, DAY_LAUNCH_S / 3), math.hypot(RUN_SHARE * s, RUN_LAUNCH_S / 3)) for s in each
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


def _typical(runs: Sequence[Observation], speeds: Floats) -> Floats:
    """The median time to each speed of the runs that reach it."""
    table = np.array([run.time_to(speeds) for run in runs]).reshape(len(runs), len(speeds))
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
