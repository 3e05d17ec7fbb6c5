"""Times as whoever reads them has them: in the zone of this computer, by its own database of zones."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime

from logger.units import S_PER_HOUR


def local(when: datetime) -> datetime:
    """`when` in this computer's zone; in UTC where its calendar does not reach."""
    with contextlib.suppress(OverflowError, OSError, ValueError):
        return when.astimezone()
    return when.astimezone(UTC)


def local_clock(when: datetime) -> str:
    """A time of day there: 10:14:30."""
    return f"{local(when):%H:%M:%S}"


def local_minute(when: datetime) -> str:
    """A day and time there, and how far its zone is from UTC: 2026-05-02 10:14 (UTC+1)."""
    return f"{local(when):%Y-%m-%d %H:%M} ({zone_of(when)})"


def zone_of(when: datetime) -> str:
    """That zone at that time, by its distance from UTC: UTC, UTC+1, UTC+5.5."""
    away = local(when).utcoffset()
    hours = away.total_seconds() / S_PER_HOUR if away is not None else 0.0
    return f"UTC{hours:+g}" if hours else "UTC"
