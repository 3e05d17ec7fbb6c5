"""What the panel shows beside the sources, for `pullbook status`: mixture, channels, warnings, the last run, doubts."""

from __future__ import annotations

import math
from typing import Any

from logger.decode.clock import monotonic_ns
from logger.decode.readings import Reading
from logger.record.alerts import Alert
from logger.record.live import STALE_NS, Doubts, Listener, Place
from logger.record.watched import ChannelWatch


class LatestSeen(Listener):
    """Keeps the latest; called, it gives plain values to be written into the state file."""

    def __init__(
        self, doubts: Doubts, alert: Alert, channels: ChannelWatch, mixture: Place | None, unit: str = "mph"
    ) -> None:
        self._doubts, self._alert, self._channels, self._place = doubts, alert, channels, mixture
        self._unit = unit
        self._mixture = math.nan
        self._mixture_ns = 0
        self._last_run = ""

    def on_reading(self, source: str, reading: Reading) -> None:
        if self._place is not None and source == self._place.source:
            self._mixture, self._mixture_ns = reading.values[self._place.at], reading.mono_ns

    def on_event(self, mono_ns: int, said: dict[str, Any]) -> None:
        if said["event"] == "run":
            self._last_run = str(said["text"])

    def __call__(self) -> dict[str, Any]:
        """Called on another thread than Live's: only whole values are read."""
        now = monotonic_ns()
        mixture = ""
        if self._place is not None:
            name, digits = ("AFR", 1) if self._place.channel == "afr" else ("lambda", 2)
            known = now - self._mixture_ns <= STALE_NS and not math.isnan(self._mixture)
            mixture = f"{name} {self._mixture:.{digits}f}" if known else f"{name} --"
        return {
            "doubts": sorted(self._doubts.sources.copy()),
            "mixture": mixture,
            "channels": self._channels.shown(now),
            "alert": self._alert.alert,
            "waiting": self._alert.waiting,
            "last_run": self._last_run,
            "unit": self._unit,
        }
