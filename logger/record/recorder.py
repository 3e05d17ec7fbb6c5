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
import os
import shutil
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.config.recorder import FrameSource, NmeaSource, RecorderConfig, Source
from logger.decode import events, framing, readings
from logger.decode.clock import monotonic_ns
from logger.decode.events import event
from logger.decode.framing import Chunk
from logger.decode.sentences import sentence_name
from logger.errors import AlreadyRecording, PortError
from logger.record import ports
from logger.record.closing import Closer, Drives
from logger.record.health import GRANT_BYTES, Health, HostClocks, Inflow, Rates
from logger.record.keeper import Keeper, RecorderState
from logger.store import front, presence
from logger.store.disk import Disk
from logger.store.tables import Decoding
from logger.units import BYTES_PER_MB, NS_PER_S

_MOST_WAITING_BYTES = 64 << 20


class _Reader(threading.Thread):
    """Opens a source's port, stamps and queues its bytes, and finds it again when it is lost."""

    def __init__(
        self,
        source: Source,
        finder: ports.Finder,
        health: Health,
        keep: Callable[[Chunk], None],
        show: Callable[[Chunk], None],
        stop: threading.Event,
        full: Callable[[int], bool],
    ) -> None:
        super().__init__(name=f"reader of {source.name}", daemon=True)
        self.source = source.name
        self._source, self._finder, self._health, self._stop_asked = source, finder, health, stop
        self._keep, self._show, self._full = keep, show, full
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
            said["away_s"] = round((now - self._lost_ns) / NS_PER_S, 3)
        health.port, health.baud, health.why, health.state = port.found.device, port.baud, "", "open"
        health.opened_ns = now
        self._put(event(now, "found" if self._lost_ns else "opened", **said))
        for mono_ns, data in opened.heard:
            self._put(Chunk(mono_ns, name, data))
        for command in self._source.on_open:
            port.write(ports.command_bytes(command))
            self._put(event(monotonic_ns(), "sent", source=name, text=command))

    def _read(self, port: ports.Port) -> None:
        # Each round comes after a rest in which others had the processor's caches, so each Python function called in it
        # costs some 5 us: no `_put`, no `Chunk(...)`, and bytes are not asked for read by read.
        name, read, stopped, keep, show = self._source.name, port.read, self._stop_asked.is_set, self._keep, self._show
        clock, made = monotonic_ns, tuple.__new__
        inflow, left = Inflow(clock()), 0
        while not stopped():
            data = read()
            if not data:
                continue
            now = clock()
            left -= len(data)
            if left < 0:
                left = inflow.grant(len(data), now, left + len(data), self._full(GRANT_BYTES))
                if left < 0:
                    left = 0
                    self._stop_asked.wait(0.02)  # a flood: leave the processor to the others
                    continue
                if inflow.dropped:
                    self._put(event(now, "flood", source=name, dropped=inflow.dropped))
                    inflow.dropped = 0
            chunk = made(Chunk, (now, name, data))
            keep(chunk)
            show(chunk)
        if inflow.dropped:
            self._put(event(clock(), "flood", source=name, dropped=inflow.dropped))
        elif data := read(0.0):  # what came while the last bytes were queued
            self._put(Chunk(clock(), name, data))

    def _put(self, chunk: Chunk) -> None:
        self._keep(chunk)
        self._show(chunk)

    def _lost(self, error: Exception) -> None:
        self._lost_ns = monotonic_ns()
        self._health.state, self._health.why = "lost", str(error)
        self._health.losses += 1
        self._put(event(self._lost_ns, "lost", source=self._source.name, why=str(error)))


# --- the whole ----------------------------------------------------------------------------------------------------


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
        lock: presence.Lock | None = None,
    ) -> None:
        self.store, self.config = store, config
        self._drives, self._show, self._once, self._for_s = drives, show, once, for_s
        self._incoming: deque[Chunk] = deque()
        self._waiting_bytes = 0
        self._stop_readers, self._wake = threading.Event(), threading.Event()
        self.stopping = ""
        """Why the recorder is stopping; empty while it is not."""
        self.health = {source.name: Health(source.name, source.kind) for source in config.source}
        self._finder = ports.Finder(config.source, recogniser, config.recorder.also_ports)
        self._keeper = Keeper(config, drives.begin, self._ended, self._free_bytes, disk)
        self._closer = Closer(drives, show)
        self._clocks = HostClocks()
        self._rates = Rates(self.health)
        self._started_utc = datetime.now(UTC)
        self._published_ns = 0
        self._notes: set[Path] = set()
        self._lock = lock
        self._told: set[str] = set()
        self.seen: Callable[[], dict[str, Any]] = dict
        """Gives what is shown of the drive beside; it must return at once and never raise."""

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
    def state(self) -> RecorderState:
        """What the recorder is doing now."""
        state = self._keeper.state
        if state == RecorderState.WAITING_FOR_BYTES and not any(
            health.state == "open" for health in self.health.values()
        ):
            return RecorderState.WAITING_FOR_PORTS
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
            "recorded_s": round((now - keeper.began_ns) / NS_PER_S, 1) if folder else None,
            "sources": [health.said(now) for health in self.health.values()],
            "speed_mps": keeper.speed_mps,
            "free_mb": round(self._free_bytes() / BYTES_PER_MB, 1),
            "trouble": keeper.trouble,
            "lost_bytes": keeper.lost_bytes,
            "drives": [path.name for path in self._closer.finished],
            "unfinished": self._closer.busy,
            "seen": self._seen(),
        }

    def _seen(self) -> dict[str, Any]:
        try:
            return self.seen()
        except Exception:  # what is only for looking at must not touch what is recorded
            return {}

    # --- the writer, on the thread that calls run -----------------------------------------------------------------

    def run(self) -> Outcome:
        """Record until told to stop; returns when the last drive is closed. The caller holds the store's lock."""
        readers = [self._reader(source) for source in self.config.source]
        for folder in self._drives.unfinished():
            self._closer.put(folder, recovering=True)
        self._closer.start()
        for reader in readers:
            reader.start()
        flush_ns = int(self.config.recorder.flush_s * NS_PER_S)
        ends_ns = monotonic_ns() + int(self._for_s * NS_PER_S) if self._for_s is not None else None
        try:
            while not self.stopping:
                began = monotonic_ns()
                self._turn()
                if ends_ns is not None and began >= ends_ns:
                    self.stop("the time given is over")
                # What came just after a turn began must be on the disk flush_s later, syncing included.
                took = monotonic_ns() - began
                pause = max(flush_ns - took - min(took, flush_ns // 2), flush_ns // 10)
                if ends_ns is not None:
                    pause = min(pause, max(ends_ns - monotonic_ns(), 0))
                self._wake.wait(pause / NS_PER_S)
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
            self._keeper.state = RecorderState.CLOSING
            self._publish(monotonic_ns(), at_once=True)
            unfinished = self._closer.finish()
            self._keeper.state = RecorderState.STOPPED
            self._publish(monotonic_ns(), at_once=True)
        keeper = self._keeper
        return Outcome(tuple(self._closer.finished), unfinished, keeper.trouble or keeper.lost_why, keeper.lost_bytes)

    def _reader(self, source: Source) -> _Reader:
        keep, show, full = self._incoming.append, self._show, self._is_full
        return _Reader(source, self._finder, self.health[source.name], keep, show, self._stop_readers, full)

    def _turn(self) -> None:
        """Take everything that came since the last turn to the disk."""
        self._beside(self._take_notes)
        self._beside(self._look_whether_to_stop)
        self._beside(self._look_at_clocks)
        self._waiting_bytes = 0
        chunks = [self._incoming.popleft() for _ in range(len(self._incoming))]
        now = monotonic_ns()
        was = self._keeper.state
        self._rates.count(chunks, now)
        self._keeper.take(chunks, now)
        if self._keeper.state == RecorderState.RECORDING and self._keeper.flushed_ns == now:
            self._beside(self._drop_notes)
        if was == RecorderState.NO_ROOM and self._keeper.state != was:
            self._closer.retry()
        if self._keeper.state != was:
            self._show(event(now, "state", state=str(self._keeper.state), why=self._keeper.trouble))
        if now - self._published_ns >= NS_PER_S:
            self._beside(self._hold_lock)
        self._beside(lambda: self._publish(now, at_once=self._keeper.state != was))

    def _beside(self, work: Callable[[], None]) -> None:
        """Do what goes on beside recording: whatever it fails with is told once, and recording goes on."""
        try:
            work()
        except Exception as error:
            said = f"{type(error).__name__}: {error}"
            if said not in self._told:
                self._told.add(said)
                self._show(event(monotonic_ns(), "doubt", text=f"something failed, but not the recording: {said}"))

    def _take_notes(self) -> None:
        for path, note in presence.notes_left(self.store, self._notes):
            self._notes.add(path)
            self._put(events.left(note))

    def _drop_notes(self) -> None:
        """Delete the notes that are in the journal now."""
        for path in self._notes:
            with contextlib.suppress(OSError):
                path.unlink()
        self._notes.clear()

    def _look_whether_to_stop(self) -> None:
        if front.stop_asked(self.store, os.getpid(), self._started_utc.isoformat()):
            self.stop("stopped from the desk")

    def _look_at_clocks(self) -> None:
        for chunk in self._clocks.look():
            self._put(chunk)

    def _hold_lock(self) -> None:
        """Take the store's lock anew where somebody deleted it: another recorder, or `recover`, must keep out."""
        if self._lock is None or self._lock.intact or not self.store.is_dir():
            return
        try:
            self._lock.renew()
            said = "the store's lock file was deleted; it was made again"
        except AlreadyRecording:
            said = "the store's lock file was deleted, and another recorder now uses the store. Stop one of them"
        self._show(event(monotonic_ns(), "doubt", text=said))

    def _put(self, chunk: Chunk) -> None:
        # Appending to a deque is atomic: no lock, so no reader ever waits for the writer or for another reader.
        self._incoming.append(chunk)
        self._show(chunk)

    def _is_full(self, more: int) -> bool:
        """Whether so much waits for a disk that has come to a stop that there is no place for `more` bytes."""
        self._waiting_bytes += more  # about: threads may overtake each other here
        return self._waiting_bytes > _MOST_WAITING_BYTES

    def _ended(self, journal: Path, why: str, decoding: Decoding | None) -> None:
        self._show(event(monotonic_ns(), "ended", drive=journal.parent.name, why=why))
        self._closer.put(journal.parent, decoding=decoding)
        if self._once:
            self.stop("one drive is done")

    def _free_bytes(self) -> int:
        try:
            return shutil.disk_usage(self.store).free
        except OSError:
            return 0

    def _publish(self, now_ns: int, at_once: bool = False) -> None:
        if at_once or now_ns - self._published_ns >= NS_PER_S:
            self._published_ns = now_ns
            presence.write_state(self.store, self.status())


def recogniser(source: Source) -> ports.Recogniser:
    """For `auto`: whether bytes heard so far are surely what `source` speaks, by its own framer and decoder."""
    if isinstance(source, NmeaSource):
        return lambda data: sum(bool(sentence_name(line)) for line in ports.lines_in(data)) >= 2

    def recognise(data: bytes) -> bool:
        framer, decoder = framing.framer_for(source), readings.decoder_for(source)
        if not isinstance(source, FrameSource):
            framer.opened(0)  # the first line may lack its beginning
        frames = framer.feed(Chunk(0, source.name, data))
        good = sum(decoder.decode(frame) is not None for frame in frames)
        return good >= 3 and good >= 0.8 * len(frames)

    return recognise
