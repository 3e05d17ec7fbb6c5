"""What the driver's mate sees: the live panel on a terminal, plain log lines without one."""

from __future__ import annotations

import sys
from datetime import datetime
from typing import Any, TextIO

from logger.live import Listener


class LogLines(Listener):
    """Plain lines for a log or a pipe: one for each thing that happens."""

    def __init__(self, out: TextIO | None = None) -> None:
        self._out = out or sys.stderr

    def on_event(self, mono_ns: int, said: dict[str, Any]) -> None:
        if line := event_line(said):
            print(f"{local_time(said)} {line}", file=self._out, flush=True)


def event_line(said: dict[str, Any]) -> str:
    """An event in words; "" for those that need none."""
    source, why = said.get("source", ""), said.get("why", "")
    match said["event"]:
        case "state":
            return f"{said['state']}" + (f": {why}" if why else "")
        case "opened":
            return f"{source}: open on {said['port']} at {said['baud']}"
        case "found":
            return f"{source}: back on {said['port']} after {said['away_s']:.1f} s"
        case "lost":
            return f"{source}: LOST: {why}"
        case "sent":
            return f"{source}: sent {said['text']!r}"
        case "note":
            return f"note: {said['text']}"
        case "wall" if "jumped_s" in said:
            return f"the computer's clock jumped by {said['jumped_s']:+.1f} s"
        case "resumed":
            return f"the computer slept for {said['slept_s']:.0f} s"
        case "room again":
            return f"the disk takes bytes again ({why}); lost meanwhile: {said['lost_bytes']} bytes"
        case "ended" if "drive" in said:
            return f"drive {said['drive']} ended: {why}"
        case "closed" | "run" | "alert":
            return str(said["text"])
    return ""


def local_time(said: dict[str, Any]) -> str:
    """The event's time of day by the computer's wall clock."""
    return datetime.fromisoformat(said["utc"]).astimezone().strftime("%H:%M:%S")
