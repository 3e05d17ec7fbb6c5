"""How far a recorded throttle is open, as a share of its full travel: never of what one gentle drive reached.

Closed and fully open are the targets' file's where it says them. Else a channel in percent is fully open at 100, and of
any other the widest that several drives reached counts. From one drive alone it is not told: load decides there.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from analysis.mixture.channels import sources_of
from logger.config.targets import Regimes
from logger.store.columns import floats_in
from logger.store.drive import Drive

CHANNEL = "throttle"
_EDGES = (0.002, 0.998)
"""Quantiles that stand for the least and the widest of a drive: single readings may be wrong."""
_DRIVES = 2

Reached = tuple[float, float, str]
"""Least and widest opening of a drive, and their unit."""


def reached(drive: Drive) -> Reached | None:
    """What the throttle of a drive reached, in its own unit; None where none is recorded."""
    for source in sources_of(drive, CHANNEL):
        table = drive.table(source)
        value = floats_in(table[CHANNEL])
        if not np.isfinite(value).any():
            continue
        low, high = np.nanquantile(value, _EDGES)
        return float(low), float(high), (table.schema.field(CHANNEL).metadata or {}).get(b"unit", b"").decode()
    return None


def full_travel(drives: Iterable[Reached], regimes: Regimes) -> tuple[float, float] | None:
    """Closed and fully open, in the channel's unit; None where they cannot be told.

    Parameters
    ----------
    drives
        What the throttle reached in the car's drives.
    regimes : Regimes
        `throttle_closed` and `throttle_full`, where the owner says them.
    """
    seen = list(drives)
    closed, full = regimes.throttle_closed, regimes.throttle_full
    if closed is None:
        closed = min((low for low, _, _ in seen), default=None)
    if full is None and seen:
        if all(unit == "%" for _, _, unit in seen):
            full = 100.0
        elif len(seen) >= _DRIVES:
            full = max(high for _, high, _ in seen)
    return (closed, full) if closed is not None and full is not None and full > closed else None
