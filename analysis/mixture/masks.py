"""What is left out of the mixture map, and why: readings that say nothing about the mixture the engine was given.

A reading is laid against the state of the car that its gas came from: `delay` earlier, and seen through the sensor's
own lag (`analysis.mixture.delay`). Each reading is left out for one reason, the first that applies, or kept.

    seen = seen_by(state, load, delay)
    reason, idle = masks(readings, state, delay, targets, seen)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.arrays import Codes, Floats, closed, running_most, usual_step
from analysis.mixture.delay import Delay, lagged
from analysis.mixture.engine_load import GRID_S, Driving
from logger.config.targets import TargetsConfig


@dataclass(frozen=True)
class Readings:
    """Mixture readings in order of time.

    Attributes
    ----------
    time_s : array, shape (n,)
        When each arrived, on the clock of the driving state [s].
    value : array, shape (n,)
        AFR or lambda; NaN where void.
    void : array of str, shape (n,), optional
        Why a reading is void ("" for a good one).
    channel : str
        "afr" or "lambda".
    stoich_afr : float
        For AFR: the AFR that the instrument shows at lambda 1.
    """

    time_s: Floats
    value: Floats
    void: NDArray[np.object_] | None = None
    channel: str = "afr"
    stoich_afr: float = 14.7

    @property
    def per_lambda(self) -> float:
        """What the channel shows at lambda 1."""
        return self.stoich_afr if self.channel == "afr" else 1.0

    def between(self, start_s: float, end_s: float) -> Readings:
        """Those that arrived from `start_s` to `end_s`."""
        here = (self.time_s >= start_s) & (self.time_s <= end_s)
        if here.all():
            return self
        return replace(
            self, time_s=self.time_s[here], value=self.value[here], void=None if self.void is None else self.void[here]
        )


@dataclass(frozen=True)
class Seen:
    """Speed and load as the sensor sees them: through its lag, on the grid shifted by the delay.

    Each method takes times on the readings' clock, shape (n,) [s], and gives what was seen then, shape (n,); NaN
    outside the drive and where the state is not known.
    """

    grid: Floats
    speed_: Floats
    load_: Floats
    share_: Floats
    opening_: Floats
    travel_: Floats

    def speed(self, t: Floats) -> Floats:
        """Speed [m/s]."""
        return np.interp(t, self.grid, self.speed_, left=np.nan, right=np.nan)

    def load(self, t: Floats) -> Floats:
        """Load, in the unit of the map's columns."""
        return np.interp(t, self.grid, self.load_, left=np.nan, right=np.nan)

    def share(self, t: Floats) -> Floats:
        """Load as a share of the most the car can do [-]."""
        return np.interp(t, self.grid, self.share_, left=np.nan, right=np.nan)

    def opening(self, t: Floats) -> Floats:
        """Throttle as a share of its widest [-]; NaN throughout where none is recorded."""
        return np.interp(t, self.grid, self.opening_, left=np.nan, right=np.nan)

    def travel(self, t: Floats) -> Floats:
        """Throttle as a share of its full travel [-]; NaN throughout where that is not told."""
        return np.interp(t, self.grid, self.travel_, left=np.nan, right=np.nan)


def seen_by(state: Driving, on_axis: Floats, delay: Delay) -> Seen:
    """The state as the sensor sees it.

    Parameters
    ----------
    on_axis : array, shape (n,)
        The load of the map's columns on the state's grid, any unit; NaN where it is not known.
    """
    lag = delay.lag_s
    return Seen(
        state.time_s + delay.delay_s, lagged(state.speed_mps, lag), lagged(on_axis, lag), lagged(state.share, lag),
        lagged(opening_of(state), lag), lagged(travel_of(state), lag),
    )  # fmt: skip


def opening_of(state: Driving) -> Floats:
    """Throttle as a share of its widest on the state's grid, shape (n,) [-], 0 closed; NaN where none is recorded."""
    throttle = state.channels.get("throttle")
    if throttle is None or not np.isfinite(throttle).any():
        return np.full(len(state.time_s), np.nan)
    low, high = np.nanquantile(throttle, [0.002, 0.998])
    return np.full(len(throttle), np.nan) if high <= low else np.asarray((throttle - low) / (high - low))


def travel_of(state: Driving) -> Floats:
    """Throttle as a share of its full travel on the state's grid, shape (n,) [-]; NaN where that is not told."""
    throttle = state.channels.get("throttle")
    if throttle is None or state.travel is None:
        return np.full(len(state.time_s), np.nan)
    closed, full = state.travel
    return np.asarray((throttle - closed) / (full - closed))


# --- masks ---------------------------------------------------------------------------------------------------------

KEPT = 0
_MASKS = (
    "kept", "void", "no speed at that time", "warm-up", "free air", "standstill (kept as the idle row)",
    "standing, not yet settled", "overrun", "gear change", "just after a step",
)  # fmt: skip
_VOID, _BLIND, _WARM, _FREE, _IDLE, _STANDING, _OVERRUN, _SHIFT, _STEP = range(1, len(_MASKS))


def masks(
    readings: Readings, state: Driving, delay: Delay, targets: TargetsConfig, seen: Seen
) -> tuple[Codes, NDArray[np.bool_]]:
    """What is left out, and why.

    Parameters
    ----------
    readings : Readings
        n of them, on the clock of `state`; NaN for a void one.
    seen : Seen
        The state as the sensor sees it (`seen_by`).

    Returns
    -------
    reason : array of int, shape (n,)
        `KEPT`, or the first reason that applies (`reasons` names them).
    idle : array of bool, shape (n,)
        Readings at a standstill with the engine settled: left out of the map, kept as the idle row.
    """
    rules, regimes = targets.masks, targets.regimes
    t = readings.time_s
    lag = delay.lag_s if delay.told_apart else rules.unknown_lag_s
    settle = max(1, round(rules.settle_lags * lag / GRID_S) + 2)

    def most(x: ArrayLike, steps: int) -> Floats:
        """The largest of the last `steps` and the present on the grid."""
        size = steps + 1
        return running_most(np.asarray(x, dtype=np.float64), size, size // 2 + (size - 1) // 2)

    speed, share = state.speed_mps, state.share
    opening = opening_of(state)
    known = np.isfinite(speed) & np.isfinite(share)
    blind = most(~known, settle) > 0
    standing = known & (speed < regimes.idle_below_mps)
    stood = most(~standing, settle) == 0
    load = np.where(known, share, 0.0)
    overrun = known & ~standing & (load < rules.overrun_share)
    after_overrun = most(overrun, round(1.5 * settle)) > 0
    shift = np.zeros(len(load), dtype=np.bool_)
    if rules.gear_change_s > 0:
        filled = closed(load, max(3, round((rules.gear_change_s + 0.4) / GRID_S)))
        shift = (filled > 0.3) & (load < 0.5 * filled) & ~standing
        shift = most(shift, settle) > 0
    measure = np.where(np.isfinite(opening), opening, load)
    moved = most(measure, settle) + most(-measure, settle)
    noise = 0.0
    if state.most is not None and known.any():
        noise = 4 * float(np.median(state.load_sigma_mps2[known] / state.most.at(speed[known])))
    step = moved > max(rules.step_share, noise)

    place = np.clip(np.round((t - delay.delay_s - state.time_s[0]) / GRID_S), -1, len(state.time_s)).astype(np.intp)
    outside = (place < 0) | (place >= len(state.time_s)) if len(state.time_s) else np.ones(len(t), dtype=np.bool_)
    place = np.clip(place, 0, max(len(state.time_s) - 1, 0))

    void = ~np.isfinite(readings.value)
    if readings.void is not None:
        void |= readings.void.astype(np.bool_)
    free = readings.value >= rules.free_air_lambda * readings.per_lambda
    conditions = [
        void,
        outside | blind[place] | ~np.isfinite(seen.load(t)),
        t - (t[0] if len(t) else 0.0) < rules.warm_up_s,
        free,
        stood[place],
        standing[place],
        overrun[place],
        shift[place],
        (after_overrun | step)[place],
    ]
    reason = np.select(conditions, list(range(1, len(_MASKS))), default=KEPT).astype(np.intp)
    return reason, reason == _IDLE


def reasons(readings: Readings, reason: Codes) -> tuple[list[str], list[NDArray[np.bool_]]]:
    """The masks that took anything, void readings by their own reasons.

    Parameters
    ----------
    reason : array of int, shape (n,)
        As `masks` gives it.

    Returns
    -------
    names : list of str
    members : list of array of bool, shape (n,)
        Which readings each took.
    """
    names, members = [], []
    void = np.flatnonzero(reason == _VOID)
    told = [""] * len(void) if readings.void is None else readings.void[void].tolist()
    why = np.array([word or "no value" for word in told], dtype=object)
    for word in sorted(set(why)):
        names.append(f"void: {word}")
        members.append(np.zeros(len(reason), dtype=np.bool_))
        members[-1][void[why == word]] = True
    for code in range(_BLIND, len(_MASKS)):
        if (reason == code).any():
            names.append(_MASKS[code])
            members.append(reason == code)
    return names, members


def seconds_of(time: Floats) -> Floats:
    """The time each reading stands for: up to the next one, but no longer than three usual steps.

    Parameters
    ----------
    time : array, shape (n,)
        Rising [s].

    Returns
    -------
    array, shape (n,)
        [s]; 0 for a single reading, and where all have one time.
    """
    usual = usual_step(time)
    if not np.isfinite(usual):
        return np.zeros(len(time))
    step = np.diff(time)
    between = usual * len(time) / (1 + np.count_nonzero(step > 0))  # different times
    return np.append(np.minimum(step, 3 * between), usual)
