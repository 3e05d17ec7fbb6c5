"""What else was measured while driving: head, oil and plug temperature, engine speed, battery, on the fixes' axis.

for each in read_watched(drive, motion.epoch_utc_ns):
    each.over(run.start_s, run.end_s)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.arrays import Floats
from logger.config.recorder import WATCHED_NAMES, NmeaSource, channels_of, measured
from logger.units import (
    MS_PER_S,
    QUANTITY_UNITS,
    S_PER_MINUTE,
    ZERO_CELSIUS_K,
    kelvin_of_fahrenheit,
)

if TYPE_CHECKING:
    from logger.store.drive import Drive

_AT_START_S = 3.0
"""A value at the start is the last within so long before it."""


@dataclass(frozen=True)
class OverRun:
    """One channel over a run, in its SI unit or as the channel says; NaN where nothing was read."""

    at_start: float
    lowest: float
    highest: float


@dataclass(frozen=True)
class WatchedChannel:
    """One channel of a drive.

    Attributes
    ----------
    quantity, name : str
        As the recorder's file has it, and in a word.
    unit : str
        K, 1/min or V, of `value`.
    t_s, value : array, one shape
        Rising times on the fixes' axis [s] and readings, those that are void left out.
    """

    quantity: str
    name: str
    unit: str
    t_s: Floats
    value: Floats

    def over(self, start_s: float, end_s: float) -> OverRun:
        """What it was over a run between these times [s]."""
        before = int(np.searchsorted(self.t_s, start_s, side="right")) - 1
        known = before >= 0 and start_s - self.t_s[before] <= _AT_START_S
        inside = self.value[(self.t_s >= start_s) & (self.t_s <= end_s)]
        at_start = float(self.value[before]) if known else math.nan
        if not len(inside):
            return OverRun(at_start, math.nan, math.nan)
        return OverRun(at_start, float(inside.min()), float(inside.max()))


def read_watched(drive: Drive, epoch_utc_ns: int) -> list[WatchedChannel]:
    """The watched channels of a drive that hold readings, one for each quantity, in the order of `WATCHED_NAMES`."""
    from logger.store.columns import floats_in, seconds_in

    found: dict[str, WatchedChannel] = {}
    for source in drive.config.source:
        if isinstance(source, NmeaSource) or source.name not in drive.table_names:
            continue
        table = drive.table(source.name)
        for channel in channels_of(source):
            quantity, written = measured(channel)
            if quantity not in WATCHED_NAMES or quantity in found or channel.channel not in table.column_names:
                continue
            values, times = floats_in(table[channel.channel]), seconds_in(table["time"], epoch_utc_ns)
            kept = np.isfinite(values)
            if kept.any():
                order = np.argsort(times[kept], kind="stable")
                t = times[kept][order]
                value, unit = _plain(values[kept][order], quantity, written)
                found[quantity] = WatchedChannel(quantity, WATCHED_NAMES[quantity], unit, t, value)
    return [found[quantity] for quantity in WATCHED_NAMES if quantity in found]


def _plain(values: Floats, quantity: str, unit: str) -> tuple[Floats, str]:
    """Readings in K, 1/min or V."""
    if quantity == "engine_speed":
        return values * QUANTITY_UNITS[quantity][unit] * S_PER_MINUTE, "1/min"
    if quantity == "battery":
        return values / (MS_PER_S if unit == "mV" else 1), "V"
    if unit == "degC":
        return values + ZERO_CELSIUS_K, "K"
    zero, one = kelvin_of_fahrenheit(0.0), kelvin_of_fahrenheit(1.0)
    return zero + (one - zero) * values, "K"
