"""What a drive's sources measure beside fixes, by the quantity that their columns are configured with."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.motion.board import BoardReadings
from logger.config.recorder import channels_of
from logger.units import QUANTITY_UNITS

if TYPE_CHECKING:
    from logger.store.drive import Drive


def read_accelerations(drive: Drive, epoch_utc_ns: int) -> BoardReadings | None:
    """The accelerations [m/s2] of the first source that is configured to measure any, times from `epoch_utc_ns` [s];
    none where it sent none that could be read. None without such a source."""
    from logger.store.columns import floats_in, seconds_in

    for source in drive.config.source:
        named = [c for c in channels_of(source) if c.quantity == "acceleration" and c.channel]
        if named and not drive.manifest.rows.get(source.name):
            return BoardReadings(np.empty(0), np.empty((0, len(named))), source.name)
        if named:
            table = drive.table(source.name)
            axes = [
                QUANTITY_UNITS["acceleration"][channel.unit] * floats_in(table[str(channel.channel)])
                for channel in named
            ]
            time = seconds_in(table["time"], epoch_utc_ns)
            return BoardReadings(time, np.stack(axes, -1), source.name)
    return None
