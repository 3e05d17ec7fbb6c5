"""How the sources and the host's clocks are doing while a drive is recorded."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from logger.decode.clock import monotonic_ns
from logger.decode.events import event
from logger.decode.framing import Chunk
from logger.units import NS_PER_S

MOST_BYTES_PER_S = 500_000
"""The fastest UARTs in use run at 4 Mbaud, which is 400 kB a second (common practice, no source)."""
BURST_BYTES = 4_000_000
GRANT_BYTES = 64 << 10
_ANCHOR_NS = 60 * NS_PER_S
"""The wall clock is told at least this often."""


@dataclass
class Health:
    """How a source is doing, for the panel and for `status`. Written by its reader and the writer, read by any."""

    name: str
    kind: str
    state: str = "looking"
    """looking, open, or lost (it was open and went away)."""
    port: str = ""
    baud: int = 0
    why: str = ""
    """Why it is not open."""
    opened_ns: int = 0
    last_ns: int = 0
    """When its last bytes came [ns, monotonic]; 0 for never."""
    bytes: int = 0
    lines: int = 0
    losses: int = 0
    bytes_per_s: float = 0.0
    lines_per_s: float = 0.0

    def said(self, now_ns: int) -> dict[str, Any]:
        """The same as `pullbook status` tells it; the age of the last bytes as of `now_ns`."""
        ago = (now_ns - self.last_ns) / NS_PER_S if self.last_ns else None
        return {
            "name": self.name,
            "kind": self.kind,
            "state": self.state,
            "port": self.port,
            "baud": self.baud,
            "why": self.why,
            "bytes": self.bytes,
            "bytes_per_s": round(self.bytes_per_s, 1),
            "lines_per_s": round(self.lines_per_s, 1),
            "opened_ns": self.opened_ns,
            "last_bytes_s_ago": round(ago, 2) if ago is not None else None,
            "losses": self.losses,
        }


class Inflow:
    """How much of a source is taken: what no cable carries is a fault, and would fill memory and disk.

    A source that babbles is heard for `BURST_BYTES`, then for `MOST_BYTES_PER_S`, in pieces; what lies between is
    counted and dropped. Bytes are granted ahead, so that not every read has to ask.
    """

    def __init__(self, now_ns: int) -> None:
        self._room, self._at_ns = float(BURST_BYTES), now_ns
        self.dropped = 0
        """Bytes dropped since the last that was taken."""

    def grant(self, size: int, now_ns: int, left: int = 0, full: bool = False) -> int:
        """Whether `size` bytes that came at `now_ns` are taken, `left` of the last grant not being enough for them.

        Gives how many bytes more may be taken without asking, `GRANT_BYTES` at most; -1 where these are dropped, for
        too much came or there is no place for them (`full`).
        """
        gained = (now_ns - self._at_ns) / NS_PER_S * MOST_BYTES_PER_S + left
        self._room, self._at_ns = min(float(BURST_BYTES), self._room + gained), now_ns
        if full or self._room < (2 * MOST_BYTES_PER_S if self.dropped else size):
            self.dropped += size
            return -1
        given = max(size, min(GRANT_BYTES, int(self._room)))
        self._room -= given
        return given - size


class Rates:
    """Counts what comes from each source, and at what rate over the last few seconds."""

    def __init__(self, health: dict[str, Health]) -> None:
        self._health = health
        self._since_ns = monotonic_ns()
        self._before = dict.fromkeys(health, (0, 0))

    def count(self, chunks: Iterable[Chunk], now_ns: int) -> None:
        """Take what came; every two seconds the rates are worked out anew."""
        for mono_ns, source, data in chunks:
            if (health := self._health.get(source)) is not None:
                health.last_ns = mono_ns
                health.bytes += len(data)
                health.lines += data.count(b"\n")
        if now_ns - self._since_ns >= 2 * NS_PER_S:
            seconds = (now_ns - self._since_ns) / NS_PER_S
            for name, health in self._health.items():
                had_bytes, had_lines = self._before[name]
                health.bytes_per_s = (health.bytes - had_bytes) / seconds
                health.lines_per_s = (health.lines - had_lines) / seconds
                self._before[name] = health.bytes, health.lines
            self._since_ns = now_ns


class HostClocks:
    """Watches the host's clocks: an event for the wall clock now and then and when it jumps, and after a sleep."""

    def __init__(self) -> None:
        self._anchored_ns = 0
        self._offset_ns: int | None = None
        self._slept_ns = _slept_ns()

    def look(self) -> list[Chunk]:
        """The events since the last look."""
        before, wall, now = monotonic_ns(), time.time_ns(), monotonic_ns()
        chunks, offset = [], wall - (before + now) // 2
        slept = _slept_ns()
        if slept - self._slept_ns > NS_PER_S // 2:
            chunks.append(event(now, "resumed", slept_s=round((slept - self._slept_ns) / NS_PER_S, 1)))
        self._slept_ns = slept
        jumped = 0 if self._offset_ns is None else offset - self._offset_ns
        if abs(jumped) > NS_PER_S // 4:
            chunks.append(event(now, "wall", jumped_s=round(jumped / NS_PER_S, 3)))
        elif now - self._anchored_ns >= _ANCHOR_NS:
            chunks.append(event(now, "wall"))
        if chunks:
            self._anchored_ns = now
        self._offset_ns = offset
        return chunks


def _slept_ns() -> int:
    """How long the computer has slept since it started [ns], where the system tells (Linux); else 0."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    return 0
