"""The recorder: one reader a source, one writer, and a drive kept from its first byte to its last.

    ports -> reader threads -> queue -> writer thread -> Keeper -> journal -> (drive ends) -> Closer -> drive folder
                        \\-> bounded queue -> show thread -> listeners (panel, live runs)

A reader only stamps bytes and queues them. The writer empties the queue every `flush_s`, journals what came as one
batch and syncs it; the `Keeper` it works with decides where drives begin and end, and knows nothing of threads, ports
or real time. What is shown goes through a queue of its own that forgets the oldest when it is full: nothing that is
drawn, printed or decoded for the eye can hold up the writer. A finished journal is turned into a drive folder by
another process while recording goes on.
"""

from __future__ import annotations

import contextlib
import math
import os
import queue
import shutil
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from logger.config.recorder import FrameSource, NmeaSource, RecorderConfig, Source
from logger.decode import events, framing, readings
from logger.decode.clock import monotonic_ns
from logger.decode.events import event
from logger.decode.framing import Chunk
from logger.errors import PortError
from logger.record import ports
from logger.record.keeper import Keeper, State
from logger.store import presence
from logger.store.disk import Disk
from logger.store.tables import Decoding

SECOND = 10**9
_ANCHOR_NS = 60 * SECOND


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


class _Reader(threading.Thread):
    """Opens a source's port, stamps and queues its bytes, and finds it again when it is lost."""

    def __init__(
        self, source: Source, finder: ports.Finder, health: Health, put: Callable[[Chunk], None], stop: threading.Event
    ) -> None:
        super().__init__(name=f"reader of {source.name}", daemon=True)
        self.source = source.name
        self._source, self._finder, self._health, self._put, self._stop_asked = source, finder, health, put, stop
        self._lost_ns = 0

    def run(self) -> None:
        pause = 0.0
        while not self._stop_asked.wait(pause):
            try:
                opened = self._finder.open(self._source, self._stop_asked.is_set)
            except PortError as error:
                self._health.why = str(error)
                pause = 0.5 if self._source.port != "auto" else 1.0
                continue
            try:
                self._begin(opened)
                self._read(opened.port)
            except Exception as error:  # PortError, and whatever else a driver may raise: the others must go on
                self._lost(error)
            finally:
                opened.port.close()
                self._finder.release(self._source)
            pause = 0.2

    def _begin(self, opened: ports.Opened) -> None:
        port, health, name = opened.port, self._health, self._source.name
        now = opened.heard[0][0] if opened.heard else monotonic_ns()
        said: dict[str, Any] = {"source": name, "port": port.found.device, "baud": port.baud}
        if port.found.usb:
            said["usb"] = port.found.usb
        if self._lost_ns:
            said["away_s"] = round((now - self._lost_ns) / SECOND, 3)
        health.port, health.baud, health.why, health.state = port.found.device, port.baud, "", "open"
        health.opened_ns = now
        self._put(event(now, "found" if self._lost_ns else "opened", **said))
        for mono_ns, data in opened.heard:
            self._put(Chunk(mono_ns, name, data))
        for command in self._source.on_open:
            port.write(ports.command_bytes(command))
            self._put(event(monotonic_ns(), "sent", source=name, text=command))

    def _read(self, port: ports.Port) -> None:
        name, put, read, stopped = self._source.name, self._put, port.read, self._stop_asked.is_set
        while not stopped():
            data = read()
            if data:
                put(Chunk(monotonic_ns(), name, data))
        if data := read(0.0):  # what came while the last bytes were queued
            put(Chunk(monotonic_ns(), name, data))

    def _lost(self, error: Exception) -> None:
        self._lost_ns = monotonic_ns()
        self._health.state, self._health.why = "lost", str(error)
        self._health.losses += 1
        self._put(event(self._lost_ns, "lost", source=self._source.name, why=str(error)))


# --- the whole ----------------------------------------------------------------------------------------------------


class Drives(Protocol):
    """Makes the folders of drives and finishes them; `logger.cli` hands the recorder the real one."""

    def begin(self, mono_ns: int) -> Path:
        """Make the folder of a drive whose first byte came at `mono_ns`; the place of its journal. OSError if not."""

    def unfinished(self) -> list[Path]:
        """The folders of drives whose recorder died, before this one begins any."""

    def close(
        self, folder: Path, recovering: bool, hurry: bool, decoding: Decoding | None = None
    ) -> tuple[Path | None, str]:
        """Make the finished drive of a folder with a complete journal; `hurry` where the process is ending.

        `decoding` is what was decoded of the journal while it was written.

        Gives the drive's folder as it is named now, None where nothing is in it, and a line that says what it is.
        """


@dataclass(frozen=True)
class Outcome:
    """What a recorder did from start to stop."""

    drives: tuple[Path, ...]
    """The folders of the drives recorded and finished, in order."""
    unfinished: tuple[Path, ...] = ()
    """Folders of drives whose journal is safe but not made into tables yet: the next start does it."""
    trouble: str = ""
    """What kept the recorder from writing, if it ended so or lost bytes by it."""
    lost_bytes: int = 0


class Recorder:
    """The daemon. `run` records until `stop` is called from another thread, or until `once` or `for_s` is fulfilled.

    `show` is given every chunk and event as well; it must return at once and never raise (see `live.Live`).
    """

    def __init__(
        self,
        store: Path,
        config: RecorderConfig,
        drives: Drives,
        show: Callable[[Chunk], None] = lambda chunk: None,
        once: bool = False,
        for_s: float | None = None,
        disk: Disk | None = None,
    ) -> None:
        self.store, self.config = store, config
        self._drives, self._show, self._once, self._for_s = drives, show, once, for_s
        self._incoming: deque[Chunk] = deque()
        self._stop_readers, self._wake = threading.Event(), threading.Event()
        self.stopping = ""
        """Why the recorder is stopping; empty while it is not."""
        self.health = {source.name: Health(source.name, source.kind) for source in config.source}
        self._finder = ports.Finder(config.source, recogniser, config.recorder.also_ports)
        self._keeper = Keeper(config, drives.begin, self._ended, self._free_bytes, disk)
        self._closer = _Closer(drives, show)
        self._clocks = _Clocks()
        self._rates = _Rates(self.health)
        self._started_utc = datetime.now(UTC)
        self._published_ns = 0
        self._notes: set[Path] = set()

    # --- from any thread ------------------------------------------------------------------------------------------

    def stop(self, why: str, within_s: float | None = None) -> None:
        """Ask the recorder to close the drive and stop; may be called in a signal handler on another thread.

        After `within_s` a drive whose tables are not finished is left to the next start, its journal being whole.
        """
        self.stopping = self.stopping or why
        if within_s is not None:
            self._closer.give_up_at(time.monotonic() + within_s)
        self._wake.set()

    def note(self, text: str, mono_ns: int) -> None:
        """Drop a note of the instant `mono_ns` into the drive, or into the next one where none is being recorded."""
        self._put(event(mono_ns, "note", text=text))

    @property
    def finishing(self) -> bool:
        """Whether a drive that was given up on is still being finished, after `run` has returned."""
        return self._closer.is_alive()

    @property
    def state(self) -> State:
        """What the recorder is doing now."""
        state = self._keeper.state
        if state == State.WAITING_FOR_BYTES and not any(health.state == "open" for health in self.health.values()):
            return State.WAITING_FOR_PORTS
        return state

    def status(self) -> dict[str, Any]:
        """State, sources, rates, last bytes, disk left: what `pullbook status` tells from outside."""
        now, keeper = monotonic_ns(), self._keeper
        folder = keeper.folder
        return {
            "state": str(self.state),
            "pid": os.getpid(),
            "since_utc": self._started_utc.isoformat(),
            "updated_utc": datetime.now(UTC).isoformat(),
            "drive": folder.parent.name if folder else None,
            "recorded_s": round((now - keeper.began_ns) / SECOND, 1) if folder else None,
            "sources": [_health_said(health, now) for health in self.health.values()],
            "speed_mps": keeper.speed_mps,
            "free_mb": round(self._free_bytes() / 1e6, 1),
            "trouble": keeper.trouble,
            "lost_bytes": keeper.lost_bytes,
            "drives": [path.name for path in self._closer.finished],
            "unfinished": self._closer.busy,
        }

    # --- the writer, on the thread that calls run -----------------------------------------------------------------

    def run(self) -> Outcome:
        """Record until told to stop; returns when the last drive is closed. The caller holds the store's lock."""
        readers = [
            _Reader(source, self._finder, self.health[source.name], self._put, self._stop_readers)
            for source in self.config.source
        ]
        for folder in self._drives.unfinished():
            self._closer.put(folder, recovering=True)
        self._closer.start()
        for reader in readers:
            reader.start()
        flush_ns = int(self.config.recorder.flush_s * SECOND)
        ends_ns = monotonic_ns() + int(self._for_s * SECOND) if self._for_s is not None else None
        try:
            while not self.stopping:
                began = monotonic_ns()
                self._turn()
                if ends_ns is not None and began >= ends_ns:
                    self.stop("the time asked for is over")
                # What came just after a turn began must be on the disk flush_s later, syncing included.
                took = monotonic_ns() - began
                pause = max(flush_ns - took - min(took, flush_ns // 2), flush_ns // 10)
                if ends_ns is not None:
                    pause = min(pause, max(ends_ns - monotonic_ns(), 0))
                self._wake.wait(pause / SECOND)
            self._stop_readers.set()
            # An open port is read to its last byte; one that is still being looked for has none.
            ends = time.monotonic() + 2.0
            for reader in readers:
                if self.health[reader.source].state == "open":
                    reader.join(max(0.0, ends - time.monotonic()))
            self._turn()
        finally:
            self._stop_readers.set()
            self._closer.hurry = True
            self._keeper.end(self.stopping or "the recorder failed", monotonic_ns())
            self._keeper.state = State.CLOSING
            self._publish(monotonic_ns(), at_once=True)
            unfinished = self._closer.finish()
            self._keeper.state = State.STOPPED
            self._publish(monotonic_ns(), at_once=True)
        return Outcome(tuple(self._closer.finished), unfinished, self._keeper.trouble, self._keeper.lost_bytes)

    def _turn(self) -> None:
        """Take everything that came since the last turn to the disk."""
        for path, note in presence.notes_left(self.store):
            if path not in self._notes:
                self._notes.add(path)
                self._put(_note_from_outside(note))
        for chunk in self._clocks.look():
            self._put(chunk)
        chunks = [self._incoming.popleft() for _ in range(len(self._incoming))]
        now = monotonic_ns()
        was = self._keeper.state
        self._rates.count(chunks, now)
        self._keeper.take(chunks, now)
        if self._notes and self._keeper.state == State.RECORDING and self._keeper.flushed_ns == now:
            for path in self._notes:  # in the journal now
                with contextlib.suppress(OSError):
                    path.unlink()
            self._notes.clear()
        if was == State.NO_ROOM and self._keeper.state != was:
            self._closer.retry()
        if self._keeper.state != was:
            self._show(event(now, "state", state=str(self._keeper.state), why=self._keeper.trouble))
        self._publish(now, at_once=self._keeper.state != was)

    def _put(self, chunk: Chunk) -> None:
        # Appending to a deque is atomic: no lock, so no reader ever waits for the writer or for another reader.
        self._incoming.append(chunk)
        self._show(chunk)

    def _ended(self, journal: Path, why: str, decoding: Decoding | None) -> None:
        self._show(event(monotonic_ns(), "ended", drive=journal.parent.name, why=why))
        self._closer.put(journal.parent, decoding=decoding)
        if self._once:
            self.stop("one drive was asked for")

    def _free_bytes(self) -> int:
        try:
            return shutil.disk_usage(self.store).free
        except OSError:
            return 0

    def _publish(self, now_ns: int, at_once: bool = False) -> None:
        if at_once or now_ns - self._published_ns >= SECOND:
            self._published_ns = now_ns
            presence.write_state(self.store, self.status())


class _Closer(threading.Thread):
    """Finishes drives one after the other while recording goes on."""

    def __init__(self, drives: Drives, show: Callable[[Chunk], None]) -> None:
        super().__init__(name="closer", daemon=True)
        self._drives, self._show = drives, show
        self._waiting: queue.SimpleQueue[tuple[Path, bool, Decoding | None] | None] = queue.SimpleQueue()
        self._unfinished: list[Path] = []
        self._give_up_at = math.inf
        self.hurry = False
        """Whether the recorder is ending: no other process is started for what comes."""
        self._failed: list[tuple[Path, bool]] = []
        self.finished: list[Path] = []
        """The folders of the drives recorded and finished, in order."""

    @property
    def busy(self) -> list[str]:
        """The drives being finished, waiting for it, or left to the next start."""
        return [path.name for path in list(self._unfinished)]

    def put(self, folder: Path, recovering: bool = False, decoding: Decoding | None = None) -> None:
        self._unfinished.append(folder)
        self._waiting.put((folder, recovering, decoding))

    def retry(self) -> None:
        """Try again what failed, now that there is room on the disk."""
        while self._failed:
            self._waiting.put((*self._failed.pop(), None))

    def give_up_at(self, monotonic_s: float) -> None:
        self._give_up_at = min(self._give_up_at, monotonic_s)

    def finish(self) -> tuple[Path, ...]:
        """Wait for all that was put, or until it is time to give up; the folders that are not finished."""
        self._waiting.put(None)
        while self.is_alive() and time.monotonic() < self._give_up_at:
            self.join(0.05)
        # Given up on may be done all the same, but for the talking about it: what still has a journal counts.
        return tuple(path for path in self._drives.unfinished() if path in self._unfinished)

    def run(self) -> None:
        while (waiting := self._waiting.get()) is not None:
            folder, recovering, decoding = waiting
            if recovering and self._give_up_at < math.inf:  # little time is left: it is for the drive just recorded
                continue
            try:
                made, said = self._drives.close(folder, recovering, self.hurry, decoding)
            except Exception as error:  # whatever it is, the journal stays as it is and the next start tries again
                self._failed.append((folder, recovering))
                self._show(event(monotonic_ns(), "closed", drive=folder.name, text=str(error)))
                continue
            self._unfinished.remove(folder)
            if made is not None and not recovering:
                self.finished.append(made)
            self._show(event(monotonic_ns(), "closed", drive=folder.name, text=said))


class _Clocks:
    """Watches the host's clocks: an event for the wall clock now and then and when it jumps, and after a sleep."""

    def __init__(self) -> None:
        self._anchored_ns = 0
        self._offset_ns: int | None = None
        self._slept_ns = _slept_ns()

    def look(self) -> list[Chunk]:
        before, wall, now = monotonic_ns(), time.time_ns(), monotonic_ns()
        chunks, offset = [], wall - (before + now) // 2
        slept = _slept_ns()
        if slept - self._slept_ns > SECOND // 2:
            chunks.append(event(now, "resumed", slept_s=round((slept - self._slept_ns) / SECOND, 1)))
        self._slept_ns = slept
        jumped = 0 if self._offset_ns is None else offset - self._offset_ns
        if abs(jumped) > SECOND // 4:
            chunks.append(event(now, "wall", jumped_s=round(jumped / SECOND, 3)))
        elif now - self._anchored_ns >= _ANCHOR_NS:
            chunks.append(event(now, "wall"))
        if chunks:
            self._anchored_ns = now
        self._offset_ns = offset
        return chunks


def _slept_ns() -> int:
    """How long the computer has slept since it started [ns], where the system tells (Linux); else 0."""
    try:
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    except (AttributeError, OSError):
        return 0


class _Rates:
    """Counts what comes from each source, and at what rate over the last few seconds."""

    def __init__(self, health: dict[str, Health]) -> None:
        self._health = health
        self._since_ns = monotonic_ns()
        self._before = dict.fromkeys(health, (0, 0))

    def count(self, chunks: Iterable[Chunk], now_ns: int) -> None:
        for mono_ns, source, data in chunks:
            if (health := self._health.get(source)) is not None:
                health.last_ns = mono_ns
                health.bytes += len(data)
                health.lines += data.count(b"\n")
        if now_ns - self._since_ns >= 2 * SECOND:
            seconds = (now_ns - self._since_ns) / SECOND
            for name, health in self._health.items():
                had_bytes, had_lines = self._before[name]
                health.bytes_per_s = (health.bytes - had_bytes) / seconds
                health.lines_per_s = (health.lines - had_lines) / seconds
                self._before[name] = health.bytes, health.lines
            self._since_ns = now_ns


def _health_said(health: Health, now_ns: int) -> dict[str, Any]:
    ago = (now_ns - health.last_ns) / SECOND if health.last_ns else None
    return {
        "name": health.name,
        "kind": health.kind,
        "state": health.state,
        "port": health.port,
        "baud": health.baud,
        "why": health.why,
        "bytes": health.bytes,
        "bytes_per_s": round(health.bytes_per_s, 1),
        "lines_per_s": round(health.lines_per_s, 1),
        "opened_ns": health.opened_ns,
        "last_bytes_s_ago": round(ago, 2) if ago is not None else None,
        "losses": health.losses,
    }


def _note_from_outside(note: dict[str, Any]) -> Chunk:
    """A note as it was stamped by who wrote it; where that stamp is of another boot of this machine, as of now."""
    now = monotonic_ns()
    if 0 <= now - note["mono_ns"] < 3600 * SECOND:
        return events.at(note["mono_ns"], note["utc"], "note", text=note["text"])
    return event(now, "note", text=note["text"], written_utc=note["utc"])


def recogniser(source: Source) -> ports.Recogniser:
    """For `auto`: whether bytes heard so far are surely what `source` speaks, by its own framer and decoder."""
    if isinstance(source, NmeaSource):
        return lambda data: sum(bool(ports.sentence_name(line)) for line in ports.lines_in(data)) >= 2

    def recognise(data: bytes) -> bool:
        framer, decoder = framing.framer_for(source), readings.decoder_for(source)
        if not isinstance(source, FrameSource):
            framer.opened(0)  # the first line may lack its beginning
        frames = framer.feed(Chunk(0, source.name, data))
        good = sum(decoder.decode(frame) is not None for frame in frames)
        return good >= 3 and good >= 0.8 * len(frames)

    return recognise
