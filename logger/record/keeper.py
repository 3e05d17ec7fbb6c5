"""Where drives begin and end: chunks go in, journals of whole drives come out. No threads, no real time."""

from __future__ import annotations

import contextlib
import enum
import json
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

from logger.config.recorder import RECORDER_SOURCE, NmeaSource, RecorderConfig
from logger.decode.events import event
from logger.decode.framing import Chunk
from logger.decode.sentences import sentence_name
from logger.store.blocks import OnDisk
from logger.store.disk import Disk, said
from logger.store.journal import JournalGone, JournalWriter
from logger.store.tables import Decoding
from logger.units import BYTES_PER_MB, MPS_PER_KNOT, NS_PER_S

MOVING_MPS = 1.4
"""The car counts as moving from 5 km/h on: above the speed noise of a receiver that stands still."""
PREROLL_S = 30.0
"""While no drive is recorded, the last bytes are kept for this long; the next drive begins with them."""
HELD_BYTES = 16 << 20
"""How much is kept in memory while the disk takes nothing: half an hour of an ordinary rig."""
MOST_MEMORY = 2 << 30
"""A drive ends before its tables would take more than this to make, measured at some six times its bytes and a hundred
bytes a line: five hours of 500 lines a second."""
DECODED_AT_ONCE = 128 << 10
"""Bytes that are decoded together: as columns, many lines cost a tenth of as many by themselves."""
_SPEED_UNKNOWN_NS = 10 * NS_PER_S


class RecorderState(enum.StrEnum):
    """What the recorder is doing, in the words that the panel and `pullbook status` show."""

    WAITING_FOR_PORTS = "waiting for ports"
    WAITING_FOR_BYTES = "waiting for bytes"
    RECORDING = "recording"
    PARKED = "parked"
    NO_ROOM = "no room on the disk"
    CLOSING = "closing"
    STOPPED = "stopped"


class Keeper:
    """Keeps drives out of a stream of chunks: begins one, journals it, ends it. One thread owns it.

    `begin(mono_ns)` makes a drive's folder and returns the folder for its journal; `ended(folder, why, decoding)` is
    told the same folder once the journal in it is complete, and is given what was decoded of it meanwhile, if all was.
    Time is what `take` is told, so that a day can be simulated.

    A drive begins with the first bytes. It ends when the car has stood for `park_after_s` (by the speed that a GPS
    source reports), when all sources have been silent for `silence_after_s`, or when the disk is nearly full. After a
    drive that ended parked, bytes of the last `PREROLL_S` are held in memory and the next drive begins with them as
    soon as the car moves, or as soon as its speed is not known any more: in doubt it records.
    """

    def __init__(
        self,
        config: RecorderConfig,
        begin: Callable[[int], Path],
        ended: Callable[[Path, str, Decoding | None], None],
        free_bytes: Callable[[], int],
        disk: Disk | None = None,
    ) -> None:
        self._config, self._settings = config, config.recorder
        self._begin, self._ended, self._free_bytes, self._disk = begin, ended, free_bytes, disk
        self._speeds = [SpeedWatch(source.name) for source in config.source if isinstance(source, NmeaSource)]
        self._journal: JournalWriter | None = None
        self._decoding: Decoding | None = None  # of what the journal has, so that closing finds little to do
        self._held = _Held()
        self._last_bytes_ns = 0
        self._speed_ns = 0
        self._slow_since_ns: int | None = None
        self._moving_looks = 0
        self._next_room_ns = 0
        self._journalled = self._lines = 0  # bytes of the sources that are in the journal, and lines
        self._pending: list[Chunk] = []  # what the journal was given and has not got onto the disk
        self._undecoded: list[Chunk] = []  # what it has and is not decoded yet
        self._undecoded_bytes = 0
        self.state = RecorderState.WAITING_FOR_BYTES
        self.folder: Path | None = None
        """The journal folder of the drive being recorded."""
        self.began_ns = 0
        """When its first byte came [ns, monotonic]."""
        self.speed_mps: float | None = None
        self.trouble = ""
        """Why nothing can be written, while that is so."""
        self.lost_bytes = 0
        """Bytes that came while nothing could be written and memory for them was full."""
        self.lost_why = ""
        """Why bytes that had been on the disk are lost, if they are."""
        self.flushed_ns = 0
        """Up to when everything that was taken is on the disk."""

    @property
    def held_bytes(self) -> int:
        """What is held in memory for want of a drive to take it, about [bytes]."""
        return self._held.bytes

    def take(self, chunks: Sequence[Chunk], now_ns: int) -> None:
        """Take what came since the last call, put it where it belongs, and see whether a drive begins or ends."""
        # Readers stamp first and queue second, so two sources may stand a hair out of order.
        chunks = sorted(chunks, key=_stamp)
        self._look_at(chunks, now_ns)
        match self.state:
            case RecorderState.RECORDING:
                self._record(chunks, now_ns)
                self._end_if_over(now_ns)
            case RecorderState.NO_ROOM:
                self._wait_for_room(chunks, now_ns)
            case RecorderState.CLOSING | RecorderState.STOPPED:
                pass
            case _:
                self._held.add(chunks)
                self._held.forget_before(now_ns - int(PREROLL_S * NS_PER_S))
                self._begin_if_due(chunks, now_ns)

    def end(self, why: str, now_ns: int) -> None:
        """End the drive being recorded, if any; what is held in memory gets a last try.

        `trouble` stays what it was, or says why the disk did not take the end; `lost_bytes` counts that.
        """
        if self._journal is None:
            self._start_for_held(now_ns)
        if self._journal is None or self.folder is None:
            return
        last = [*self._held.all(), event(now_ns, "ended", why=why)]
        self._journal.extend(last)
        self._pending += last
        self._held.clear()
        try:
            self._journal.close()
        except JournalGone as error:
            self._lose_journal(error, now_ns)
            self._start_for_held(now_ns)
            if self._journal is not None:
                self.end(why, now_ns)
            return
        except OSError as error:
            self.trouble = said(error)
            self.lost_bytes += _payload(self._pending)
            self._decoding = None
        self._decode(self._pending, last=True)
        folder, self._journal, self.folder, self._pending = self.folder, None, None, []
        decoding, self._decoding = self._decoding, None
        self._ended(folder, why, decoding)

    def _start_for_held(self, now_ns: int) -> None:
        """At the end: one more try for what is held in memory only for want of room."""
        if self.state == RecorderState.NO_ROOM and (held := _payload(self._held.all())):
            self._start(now_ns)
            if self._journal is None:
                self.lost_bytes += held

    def _look_at(self, chunks: Sequence[Chunk], now_ns: int) -> None:
        if any(chunk.source != RECORDER_SOURCE for chunk in chunks):
            self._last_bytes_ns = now_ns
        for watch in self._speeds:
            speed = watch.latest(chunks)
            if speed is None:
                continue
            self.speed_mps, self._speed_ns = speed, now_ns
            if speed >= MOVING_MPS:
                self._slow_since_ns, self._moving_looks = None, self._moving_looks + 1
            else:
                self._moving_looks = 0
                self._slow_since_ns = now_ns if self._slow_since_ns is None else self._slow_since_ns
        if now_ns - self._speed_ns > _SPEED_UNKNOWN_NS:
            self.speed_mps, self._slow_since_ns, self._moving_looks = None, None, 0

    def _begin_if_due(self, chunks: Sequence[Chunk], now_ns: int) -> None:
        bytes_came = any(chunk.source != RECORDER_SOURCE for chunk in chunks)
        if self.state == RecorderState.PARKED:
            if self._silent(now_ns):
                self.state = RecorderState.WAITING_FOR_BYTES
            elif bytes_came and (self._moving_looks >= 2 or self.speed_mps is None):
                self._start(now_ns)
        elif bytes_came:
            self._start(now_ns)

    def _start(self, now_ns: int) -> None:
        held = self._held.all()
        first_ns = next((chunk.mono_ns for chunk in held if chunk.source != RECORDER_SOURCE), now_ns)
        try:
            self.folder = self._begin(first_ns)
            self._journal = JournalWriter(self.folder, self._disk)
        except OSError as error:
            self.folder = None
            self._no_room(said(error), now_ns)
            return
        self._held.clear()
        self._decoding, self._journalled, self._lines = None, 0, 0
        self._undecoded, self._undecoded_bytes = [], 0
        with contextlib.suppress(OSError):  # no room for what is decoded: it is done when the drive has ended
            self._decoding = Decoding(self._config, blocks=OnDisk)
        self.state, self.began_ns, self._slow_since_ns = RecorderState.RECORDING, first_ns, None
        self._record(sorted([*_joined(held), *held, event(now_ns, "wall")], key=_stamp), now_ns)

    def _record(self, chunks: Sequence[Chunk], now_ns: int) -> None:
        assert self._journal is not None
        self._journal.extend(chunks)
        self._pending += chunks
        try:
            self._journal.flush()
        except JournalGone as error:
            self._lose_journal(error, now_ns)
            return
        except OSError as error:
            self._no_room(said(error), now_ns)
            return
        self._safe(now_ns)

    def _safe(self, now_ns: int) -> None:
        """What was pending is on the disk."""
        self.flushed_ns = now_ns
        self._journalled += _payload(self._pending)
        self._lines += sum(chunk.data.count(b"\n") for chunk in self._pending)
        self._decode(self._pending)
        self._pending = []

    def _lose_journal(self, error: JournalGone, now_ns: int) -> None:
        """The journal was removed while it was written: hold what is in memory for a drive of its own, and say so."""
        self.lost_bytes += self._journalled
        self._held.put_back(self._pending)
        self._journal, self.folder, self._decoding, self._pending = None, None, None, []
        self.lost_why = said(error)
        self._no_room(self.lost_why, now_ns)

    def _decode(self, chunks: Sequence[Chunk], last: bool = False) -> None:
        """Decode what the journal has taken, once there is enough of it, or it is the last of the drive.

        What goes wrong here goes wrong for the tables only, and later.
        """
        if self._decoding is None:
            return
        self._undecoded += chunks
        self._undecoded_bytes += sum(len(chunk.data) for chunk in chunks)
        if not last and self._undecoded_bytes < DECODED_AT_ONCE:
            return
        try:
            self._decoding.feed_chunks(self._undecoded)
        except Exception:
            self._decoding = None
        self._undecoded, self._undecoded_bytes = [], 0

    def _end_if_over(self, now_ns: int) -> None:
        if self.state != RecorderState.RECORDING:
            return
        if self._silent(now_ns):
            self.end("all sources fell silent", now_ns)
            self.state = RecorderState.WAITING_FOR_BYTES
        elif self._slow_since_ns is not None and now_ns - self._slow_since_ns >= self._settings.park_after_s * NS_PER_S:
            self.end("the car was parked", now_ns)
            self.state = RecorderState.PARKED
        elif self._grown():
            self.end("it has grown too large; a new drive starts", now_ns)
            self.state = RecorderState.WAITING_FOR_BYTES
        elif now_ns >= self._next_room_ns:
            self._next_room_ns = now_ns + 2 * NS_PER_S
            if self._free_bytes() < self._settings.min_free_mb * BYTES_PER_MB:
                self.end("the disk is nearly full", now_ns)
                self._no_room(f"less than {self._settings.min_free_mb:g} MB free", now_ns)

    def _grown(self) -> bool:
        """Whether the drive has as much as can be made into tables with the memory that an old laptop has."""
        return 6 * self._journalled + 100 * self._lines > MOST_MEMORY

    def _silent(self, now_ns: int) -> bool:
        return now_ns - self._last_bytes_ns >= self._settings.silence_after_s * NS_PER_S

    # --- while the disk takes nothing -----------------------------------------------------------------------------

    def _no_room(self, why: str, now_ns: int) -> None:
        self.state, self.trouble, self._next_room_ns = RecorderState.NO_ROOM, why, now_ns + NS_PER_S

    def _wait_for_room(self, chunks: Sequence[Chunk], now_ns: int) -> None:
        """Hold what comes. Once the disk takes it, a drive under way goes on from memory; else a new one begins."""
        if _weight(self._pending) + self._held.bytes + _weight(chunks) <= HELD_BYTES:
            self._held.add(chunks)
        else:
            self.lost_bytes += _payload(chunks)
            self._held.add([chunk for chunk in chunks if chunk.source == RECORDER_SOURCE])
        if now_ns < self._next_room_ns:
            return
        self._next_room_ns = now_ns + NS_PER_S
        if self._journal is not None:
            self._retry(now_ns)
        elif self._free_bytes() >= 1.2 * self._settings.min_free_mb * BYTES_PER_MB:
            self.state, self.trouble = RecorderState.WAITING_FOR_BYTES, ""
            if any(chunk.source != RECORDER_SOURCE for chunk in self._held.all()):
                self._start(now_ns)

    def _retry(self, now_ns: int) -> None:
        assert self._journal is not None
        held = self._held.all()
        try:
            self._journal.flush()  # first what failed, as it was
        except JournalGone as error:
            self._lose_journal(error, now_ns)
            return
        except OSError as error:
            self.trouble = said(error)
            return
        self._held.clear()
        self._safe(now_ns)
        self.state, why, self.trouble = RecorderState.RECORDING, self.trouble, ""
        self._record([*held, event(now_ns, "room again", why=why, lost_bytes=self.lost_bytes)], now_ns)


class SpeedWatch:
    """The speed that an NMEA source reports, looked up in passing in what the writer journals anyway."""

    def __init__(self, source: str) -> None:
        self._source = source
        self._begun = b""  # the line under way

    def latest(self, chunks: Iterable[Chunk]) -> float | None:
        """The last valid speed over ground in `chunks` [m/s]; None where there is none."""
        data = self._begun + b"".join(chunk.data for chunk in chunks if chunk.source == self._source)
        *lines, begun = data[-4000:].split(b"\n")
        self._begun = begun[-200:]
        for line in reversed(lines):
            if line[3:6] in {b"RMC", b"VTG"} and (speed := speed_in(line)) is not None:
                return speed
        return None


def speed_in(line: bytes) -> float | None:
    """Speed over ground [m/s] in an RMC or VTG sentence with a right checksum; None where it has no valid one."""
    name = sentence_name(line)
    parts = line.split(b"*")[0].split(b",")
    try:
        if name.endswith("RMC") and parts[2] == b"A":
            return float(parts[7]) * MPS_PER_KNOT
        if name.endswith("VTG") and (len(parts) < 10 or parts[9] != b"N"):
            return float(parts[5]) * MPS_PER_KNOT
    except (IndexError, ValueError):
        pass
    return None


class _Held:
    """Chunks in memory while no drive takes them. Notes are never forgotten."""

    def __init__(self) -> None:
        self._chunks: deque[Chunk] = deque()
        self._notes: list[Chunk] = []
        self.bytes = 0

    def add(self, chunks: Iterable[Chunk]) -> None:
        for chunk in chunks:
            self._chunks.append(chunk)
            self.bytes += _weight([chunk])

    def put_back(self, chunks: Iterable[Chunk]) -> None:
        """Chunks that came before all that are held."""
        for chunk in reversed(list(chunks)):
            self._chunks.appendleft(chunk)
            self.bytes += _weight([chunk])

    def forget_before(self, mono_ns: int) -> None:
        while self._chunks and (self._chunks[0].mono_ns < mono_ns or self.bytes > HELD_BYTES):
            chunk = self._chunks.popleft()
            self.bytes -= _weight([chunk])
            if chunk.source == RECORDER_SOURCE and b'"event": "note"' in chunk.data:
                self._notes.append(chunk)

    def all(self) -> list[Chunk]:
        return [*self._notes, *self._chunks]

    def clear(self) -> None:
        self._chunks.clear()
        self._notes.clear()
        self.bytes = 0


def _stamp(chunk: Chunk) -> int:
    return chunk.mono_ns


def _weight(chunks: Iterable[Chunk]) -> int:
    """What chunks take in memory, about [bytes]: a tuple and a bytes object cost some 100 bytes besides the data."""
    return sum(len(chunk.data) + 100 for chunk in chunks)


def _payload(chunks: Iterable[Chunk]) -> int:
    return sum(len(chunk.data) for chunk in chunks if chunk.source != RECORDER_SOURCE)


def _joined(held: Sequence[Chunk]) -> list[Chunk]:
    """An event before the first held bytes of each source whose port was opened earlier: a line may be under way."""
    seen: set[str] = set()
    joined = []
    for chunk in held:
        if chunk.source != RECORDER_SOURCE:
            if chunk.source not in seen:
                joined.append(event(chunk.mono_ns, "joined", source=chunk.source))
            seen.add(chunk.source)
        elif (told := json.loads(chunk.data))["event"] in {"opened", "found"}:
            seen.add(told["source"])
    return joined
