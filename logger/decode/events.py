"""What happens to the recorder, as rows of the raw table: one JSON object each, under `config.RECORDER_SOURCE`.

Every event has `event` (its kind) and `utc` (by the host's wall clock, ISO 8601). The kinds, and what else they carry:

    opened, found   source, port, baud, usb; found also away_s: a source's port was opened, or again after a loss
    joined          source: recording takes up the source's bytes in mid-stream, perhaps in the middle of a line
    lost            source, why: its port went away
    flood           source, dropped: so many bytes came and were not taken, for no cable carries so many
    sent            source, text: a command of `on_open`
    wall            jumped_s where the wall clock jumped: the wall clock against the monotonic one
    resumed         slept_s: the computer slept
    room again      why, lost_bytes: the disk takes bytes again after it took none
    note            text: dropped by the driver's mate
    ended           why: the drive's last row

Kinds that are only shown, never recorded: state, closed, run, doubt.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

from logger.config.recorder import RECORDER_SOURCE
from logger.decode.clock import monotonic_ns
from logger.decode.framing import Chunk
from logger.units import NS_PER_S, S_PER_HOUR


def event(mono_ns: int, kind: str, **fields: Any) -> Chunk:
    """An event of `kind` that happened at `mono_ns` of the host's monotonic clock."""
    utc = datetime.now(UTC) - timedelta(microseconds=(monotonic_ns() - mono_ns) // 1000)
    return at(mono_ns, utc.isoformat(), kind, **fields)


def at(mono_ns: int, utc: str, kind: str, **fields: Any) -> Chunk:
    """An event whose wall-clock time is known already."""
    body = {"event": kind, "utc": utc, **fields}
    # With a line end, so that it stands as readable text in a capture file.
    return Chunk(mono_ns, RECORDER_SOURCE, (json.dumps(body, ensure_ascii=False) + "\r\n").encode("utf-8", "replace"))


def left(note: dict[str, Any]) -> Chunk:
    """A note from another shell, as it was stamped there; where that stamp is of another boot, as of now."""
    now = monotonic_ns()
    if 0 <= now - note["mono_ns"] < S_PER_HOUR * NS_PER_S:
        return at(note["mono_ns"], note["utc"], "note", text=note["text"])
    return event(now, "note", text=note["text"], written_utc=note["utc"])
