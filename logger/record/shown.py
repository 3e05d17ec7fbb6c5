"""What the panel shows, for a page beside it: written into the store ten times a second while somebody looks."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record.live import STALE_NS, Listener, Place
from logger.store import front
from logger.units import NS_PER_S


class ShownOutside(Listener):
    """Writes `front.write_live` on each tick while the store is watched. `status` gives what `Recorder.status` does."""

    def __init__(
        self, store: Path, status: Callable[[], dict[str, Any]], mixture: Place | None, speed: str | None, unit: str
    ) -> None:
        self._store, self._status, self._place, self._source, self._unit = store, status, mixture, speed, unit
        self._mixture, self._void, self._mixture_ns = math.nan, "", 0
        self._speed: float | None = None
        self._satellites: int | None = None
        self._speed_ns = 0

    def on_fix(self, source: str, fix: Fix) -> None:
        if source == self._source:
            self._speed = fix.speed_mps if fix.valid else None
            self._speed_ns, self._satellites = fix.mono_ns, fix.satellites

    def on_reading(self, source: str, reading: Reading) -> None:
        if self._place is not None and source == self._place.source:
            self._mixture, self._void = reading.values[self._place.at], reading.void or ""
            self._mixture_ns = reading.mono_ns

    def on_tick(self, now_ns: int) -> None:
        if front.is_watched(self._store):
            front.write_live(self._store, {**self._status(), "figures": self._figures(now_ns)})

    def _figures(self, now_ns: int) -> dict[str, Any]:
        mixture = now_ns - self._mixture_ns <= STALE_NS and math.isfinite(self._mixture)
        speed = self._speed is not None and now_ns - self._speed_ns <= STALE_NS
        return {
            "mixture": self._mixture if mixture else None,
            "mixture_channel": self._place.channel if self._place is not None else None,
            "mixture_age_s": round((now_ns - self._mixture_ns) / NS_PER_S, 3) if mixture else None,
            "void": self._void,
            "speed_mps": self._speed if speed else None,
            "speed_age_s": round((now_ns - self._speed_ns) / NS_PER_S, 3) if speed else None,
            "satellites": self._satellites if speed else None,
            "unit": self._unit,
        }
