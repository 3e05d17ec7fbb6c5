"""What the car did, on an even grid of time: the state that a mixture reading is laid against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Floats
from analysis.conditions.roadload import Envelope, RoadLoad, envelope, tractive_acceleration
from analysis.motion.receiver import Receiver
from analysis.motion.smoother import Motion

GRID_S = 0.05
"""Step of the grid [s]: finer than most receivers' fixes, and than what a delay need be known to."""
WANDERS, UNSEEN_S = 0.1, 0.35
"""Where more than this share of a receiver's error wanders, braked stops overlook its smoothing; so much at the most
[s]. On tests/tuning/receiver_worlds, errors half wandering, 23 of 42 drives that smooth by 0.2 s and 6 of 42 by 0.35 s
had an interval that leaves that out; of 42 that do not wander, none."""


@dataclass(frozen=True)
class Driving:
    """The car's state on an even grid of `GRID_S`.

    Attributes
    ----------
    time_s : array, shape (n,)
        The grid [s], on the clock of the readings.
    speed_mps, load_mps2, share : array, shape (n,)
        Speed, tractive acceleration, and that as a share of the most the car can do at that speed [m/s, m/s2, -];
        NaN where the receiver had no fix. `share` is NaN throughout where nothing moved the car.
    load_sigma_mps2 : array, shape (n,)
        Standard error of the load from the noise of the speed [m/s2].
    most : Envelope or None
        The most the car can do.
    road : RoadLoad
        What the load was worked out with.
    channels : mapping of str to array, shape (n,)
        Further channels on the same grid (throttle, manifold pressure...); NaN where unknown.
    units : mapping of str to str
        Their units.
    fix_time_s, fix_mps : array, shape (m,)
        The receiver's speeds as they came, not smoothed, and their standard error `fix_sigma_mps`; empty where the
        state does not come from a receiver [s, m/s]. Times are those that the speeds are of: where the receiver
        smooths speed, it shows them later by that.
    late_sigma_s : float or None
        Standard uncertainty of how much later [s]; None where nothing tells whether the receiver smooths.
    unseen_s : float
        How much more the receiver may smooth, unseen behind errors that wander [s]; zero where they do not.
    """

    time_s: Floats
    speed_mps: Floats
    load_mps2: Floats
    share: Floats
    load_sigma_mps2: Floats
    most: Envelope | None
    road: RoadLoad
    channels: Mapping[str, Floats] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    fix_time_s: Floats = field(default_factory=lambda: np.empty(0))
    fix_mps: Floats = field(default_factory=lambda: np.empty(0))
    fix_sigma_mps: float = 0.0
    late_sigma_s: float | None = 0.0
    unseen_s: float = 0.0
    travel: tuple[float, float] | None = None
    """A recorded throttle closed and fully open, in its own unit; None where that is not told."""


def driving(
    motion: Motion,
    road: RoadLoad,
    grade: tuple[ArrayLike, ArrayLike] | None = None,
    wheel_power_per_kg: float | None = None,
    channels: Mapping[str, tuple[ArrayLike, ArrayLike]] | None = None,
    units: Mapping[str, str] | None = None,
    start_s: float = 0.0,
) -> Driving:
    """Lay a drive's motion on the grid and work out its tractive acceleration.

    Parameters
    ----------
    motion : Motion
        Speed and acceleration of the drive; what lies in its gaps becomes NaN.
    road : RoadLoad
        Road load over mass [m/s2].
    grade : (time_s, rise over run), optional
        The road's slope [s, -]; level where not given.
    wheel_power_per_kg : float, optional
        The most power at the wheels over the mass, from the car's file [W/kg].
    channels : mapping of str to (time_s, value), optional
        Further channels, each at times of its own.
    start_s : float
        Added to the motion's times, to put them on the clock of the readings [s].

    Returns
    -------
    Driving
        On an even grid of `GRID_S`; without an envelope where nothing moved the car.
    """
    grid = np.arange(motion.t_s[0], motion.t_s[-1] + GRID_S / 2, GRID_S)
    state = motion.at(grid)
    speed, rate = state.speed_mps, state.accel_mps2
    for gap in motion.gaps:
        hole = (grid > gap.start_s) & (grid < gap.end_s)
        speed, rate = np.where(hole, np.nan, speed), np.where(hole, np.nan, rate)
    slope: ArrayLike = 0.0
    if grade is not None:
        when, rise = np.asarray(grade[0], dtype=np.float64), np.asarray(grade[1], dtype=np.float64)
        slope = np.nan_to_num(np.interp(grid, when[np.isfinite(rise)], rise[np.isfinite(rise)]))
    load = tractive_acceleration(speed, rate, road, slope)
    most = envelope(grid, speed, load, wheel_power_per_kg)
    share = np.full(len(grid), np.nan) if most is None else most.share(speed, load)
    further = {name: on_grid(at, value, grid + start_s) for name, (at, value) in (channels or {}).items()}
    return Driving(
        grid + start_s, speed, load, share, state.accel_sigma * (1 + road.rotating), most, road, further, units or {},
        motion.t_s + start_s - motion.receiver.undone_s, motion.reading_mps, motion.noise.reading_sigma_mps,
        motion.receiver.lag_doubt_s if motion.receiver.smoothing_s is not None else None,
        _unseen(motion.receiver),
    )  # fmt: skip


def _unseen(receiver: Receiver) -> float:
    """Smoothing that braked stops did not show, for all that the receiver's errors wander [s]."""
    told = receiver.smoothing_s is not None and receiver.undone_s == 0
    return UNSEEN_S if told and receiver.wandering_share > WANDERS else 0.0


def grade_from_altitude(distance_m: ArrayLike, alt_m: ArrayLike, half_m: float = 150.0) -> Floats:
    """Slope of the road at each fix: a straight line through the altitudes within +-`half_m` of way [-].

    A receiver's altitude wanders by metres over a minute; over 300 m of road that is about half a per cent of slope.

    Parameters
    ----------
    distance_m, alt_m : array, shape (m,)
        Way, rising, and altitude at each fix [m]; NaN is left out.

    Returns
    -------
    array, shape (m,)
        Rise over run [-]; NaN where there is no altitude or too little way about a fix.
    """
    s, z = np.asarray(distance_m, dtype=np.float64), np.asarray(alt_m, dtype=np.float64)
    good = np.isfinite(s) & np.isfinite(z)
    if good.sum() < 3:
        return np.full(len(s), np.nan)
    x, y = s[good] - s[good][0], z[good] - float(z[good].mean())
    first, last = np.searchsorted(x, x - half_m), np.searchsorted(x, x + half_m, side="right")

    def window(values: Floats) -> Floats:
        total = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(total[last] - total[first])

    n, sx, sy = window(np.ones_like(x)), window(x), window(y)
    spread = window(x * x) - sx * sx / n
    result = np.full(len(s), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        result[good] = np.where(spread / n > (half_m / 4) ** 2, (window(x * y) - sx * sy / n) / spread, np.nan)
    return result


def on_grid(time_s: ArrayLike, value: ArrayLike, grid: Floats, max_gap_s: float = 2.5) -> Floats:
    """A channel's readings at the grid's times, by straight lines.

    Parameters
    ----------
    time_s, value : array, shape (n,)
        Rising times [s] and readings, any unit; NaN is left out.
    grid : array, shape (m,)
        [s]

    Returns
    -------
    array, shape (m,)
        In the unit of `value`; NaN in gaps over `max_gap_s`, outside, and for fewer than two readings.
    """
    t, x = np.asarray(time_s, dtype=np.float64), np.asarray(value, dtype=np.float64)
    good = np.isfinite(t) & np.isfinite(x)
    t, x = t[good], x[good]
    if len(t) < 2:
        return np.full(len(grid), np.nan)
    result = np.interp(grid, t, x, left=np.nan, right=np.nan)
    before = np.clip(np.searchsorted(t, grid, side="right") - 1, 0, len(t) - 2)
    return np.where(t[before + 1] - t[before] > max_gap_s, np.nan, result)
