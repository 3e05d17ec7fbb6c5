"""The panel's figures for a page beside it: written into the store, some five times a second, while somebody looks."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record.alerts import Alert
from logger.record.live import STALE_NS, Listener, Place
from logger.store import front
from logger.units import NS_PER_S


class ShownOutside(Listener):
    """Writes `front.write_figures` on a tick, where something is otherwise, while the store is watched."""

    def __init__(
        self,
        store: Path,
        watched: Callable[[], bool],
        alert: Alert,
        mixture: Place | None,
        speed: str | None,
    ) -> None:
        self._watched = watched
        self._store, self._alert, self._place, self._source = store, alert, mixture, speed
        self._mixture, self._void, self._mixture_ns = math.nan, "", 0
        self._speed: float | None = None
        self._satellites: int | None = None
        self._speed_ns = 0
        self._written: dict[str, Any] = {}
        self._written_ns = 0

    def on_fix(self, source: str, fix: Fix) -> None:
        if source == self._source:
            self._speed = fix.speed_mps if fix.valid else None
            self._speed_ns, self._satellites = fix.mono_ns, fix.satellites

    def on_reading(self, source: str, reading: Reading) -> None:
        if self._place is not None and source == self._place.source:
            self._mixture, self._void = reading.values[self._place.at], reading.void or ""
            self._mixture_ns = reading.mono_ns

    def on_tick(self, now_ns: int) -> None:
        if not self._watched():
            return
        figures = self._figures(now_ns)
        if figures != self._written or now_ns - self._written_ns >= NS_PER_S:
            self._written, self._written_ns = figures, now_ns
            front.write_figures(self._store, figures)

    def _figures(self, now_ns: int) -> dict[str, Any]:
        mixture = now_ns - self._mixture_ns <= STALE_NS and math.isfinite(self._mixture)
        speed = self._speed is not None and now_ns - self._speed_ns <= STALE_NS
        return {
            "pid": os.getpid(),
            "mixture": round(self._mixture, 3) if mixture else None,
            "mixture_channel": self._place.channel if self._place is not None else None,
            "void": self._void if now_ns - self._mixture_ns <= STALE_NS else "",
            "speed_mps": round(self._speed, 3) if speed and self._speed is not None else None,
            "satellites": self._satellites if speed else None,
            "alert": self._alert.alert,
        }
