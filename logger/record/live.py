"""What is shown while a drive is recorded: the latest fix, readings and events, for any number of listeners.

    live = Live(config, [panel, runs, ...])
    recorder = Recorder(..., show=live.put)

`put` costs an append to a queue that forgets the oldest when full; all else happens on Live's own thread, a few times
a second, with the same framers and decoders that later build the tables. What is shown may have holes when a terminal
stalls or a source pours: it is never stored, and the recorder never waits for it.
"""

from __future__ import annotations

import contextlib
import json
import threading
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from logger.config.recorder import RECORDER_SOURCE, NmeaSource, RecorderConfig
from logger.decode.clock import monotonic_ns
from logger.decode.framing import LINE_LIMIT, Chunk, Framer, LineFramer, framer_for
from logger.decode.nmea import Fix, FixDecoder
from logger.decode.readings import Decoder, Reading, decoder_for

QUEUE_CHUNKS = 4096
"""Of `ports.READ_BYTES` at the most: 16 MB."""
TICK_S = 0.25
WATCHED_TICK_S = 0.18
"""The same while somebody looks from outside, who sees it later still [s]."""
STALE_NS = 2_000_000_000
"""A value older than this is shown and warned of no more."""
DOUBT_NS = 8_000_000_000
"""A source that was not understood for this long is in doubt."""
LOOK_BACK_BYTES = 2 * LINE_LIMIT
"""Of each other source: the last reading is told, and stands in these of what a tick brings."""
LOOK_BACK_LINES = 5
"""The same where lines end: of so many the last good one is told."""
_LINE_ROOM = LOOK_BACK_BYTES // (2 * LOOK_BACK_LINES)
SENTENCES_A_TICK = 100
"""Of each GPS source; 10 Hz with ten sentences are 25. Beyond that the oldest are passed over."""


class Place(NamedTuple):
    """Where a channel is found: its source, its place in the readings of that source, its name."""

    source: str
    at: int
    channel: str


class Listener:
    """Is told what happens; every method may be left out. All are called on one thread, Live's.

    A listener that raises is dropped after its `stop`, and the others go on.
    """

    def on_fix(self, source: str, fix: Fix) -> None:
        """A whole epoch of a GPS source."""

    def on_reading(self, source: str, reading: Reading) -> None:
        """The latest reading of another source, once a tick at most. Which value is which: `Live.place`."""

    def on_event(self, mono_ns: int, said: dict[str, Any]) -> None:
        """Something that happened; see `events`."""

    def on_tick(self, now_ns: int) -> None:
        """Some four times a second, some six times while watched, after all that came was told."""

    def stop(self) -> None:
        """No more will come."""


class Doubts(Listener):
    """Notices a source whose bytes come but make no sense: a wrong speed, a wrong kind, the wrong cable."""

    def __init__(self, status: Callable[[], dict[str, Any]], tell: Callable[[str], None] = lambda text: None) -> None:
        self._status, self._tell = status, tell
        self._made_sense_ns: dict[str, int] = {}
        self._ticks = 0
        self.sources: set[str] = set()
        """The sources in doubt now."""

    def on_fix(self, source: str, fix: Fix) -> None:
        self._made_sense_ns[source] = fix.mono_ns

    def on_reading(self, source: str, reading: Reading) -> None:
        self._made_sense_ns[source] = reading.mono_ns

    def on_tick(self, now_ns: int) -> None:
        self._ticks += 1
        if self._ticks % 8:
            return
        for source in self._status()["sources"]:
            name, since = source["name"], self._made_sense_ns.get(source["name"], source["opened_ns"])
            speaks = source["state"] == "open" and source["bytes_per_s"] > 0
            if not speaks or now_ns - since < DOUBT_NS:
                self.sources.discard(name)
            elif name not in self.sources:
                self.sources.add(name)
                self._tell(f"{name}: bytes arrive but cannot be read. Are its baud and kind right?")


class Live(threading.Thread):
    """Decodes what passes by and tells the listeners, on its own thread, until `finish`."""

    def __init__(
        self, config: RecorderConfig, listeners: Sequence[Listener] = (), watched: Callable[[], bool] = lambda: False
    ) -> None:
        super().__init__(name="live", daemon=True)
        self._watched = watched
        self._queue: deque[Chunk] = deque(maxlen=QUEUE_CHUNKS)
        self.put: Callable[[Chunk], None] = self._queue.append
        """Take a chunk or event; never waits, never raises. Where too many wait the oldest is forgotten."""
        self._listeners = list(listeners)
        self._framers: dict[str, Framer] = {source.name: framer_for(source) for source in config.source}
        self._fixes = {s.name: FixDecoder() for s in config.source if isinstance(s, NmeaSource)}
        self._readings: dict[str, Decoder] = {
            s.name: decoder_for(s) for s in config.source if not isinstance(s, NmeaSource)
        }
        self._by_lines = {name for name, framer in self._framers.items() if isinstance(framer, LineFramer)}
        self._over = threading.Event()

    def add(self, listener: Listener) -> None:
        """Another listener; before `start`."""
        self._listeners.append(listener)

    def place(self, *channels: str) -> Place | None:
        """Where `on_reading` gives the first configured channel that is called one of `channels`."""
        for source, decoder in self._readings.items():
            for at, quantity in enumerate(decoder.channels):
                if quantity.name in channels:
                    return Place(source, at, quantity.name)
        return None

    def place_in(self, source: str, channel: str) -> Place | None:
        """Where `on_reading` gives that channel of that source."""
        decoder = self._readings.get(source)
        names = [quantity.name for quantity in decoder.channels] if decoder is not None else []
        return Place(source, names.index(channel), channel) if channel in names else None

    def finish(self, patience_s: float = 1.0) -> bool:
        """Tell what is left and stop the listeners; False where one of them (a stalled terminal) holds that up."""
        self._over.set()
        self.join(patience_s)
        return not self.is_alive()

    def run(self) -> None:
        while not self._over.wait(WATCHED_TICK_S if self._watched() else TICK_S):
            self.tell(monotonic_ns())
        self.tell(monotonic_ns())
        for listener in self._listeners:
            with contextlib.suppress(Exception):
                listener.stop()

    def tell(self, now_ns: int) -> None:
        """Tell the listeners what was put since the last time; `run` does it every `TICK_S`."""
        chunks = [self._queue.popleft() for _ in range(len(self._queue))]
        if len(chunks) == QUEUE_CHUNKS:  # some may be forgotten: what comes does not continue what came
            for source, broken in self._framers.items():
                broken.opened(next((chunk.mono_ns for chunk in chunks if chunk.source == source), now_ns))
        chunks = self._lately(chunks)
        frames: dict[str, list[Any]] = {name: [] for name in self._framers}
        for chunk in chunks:
            if chunk.source == RECORDER_SOURCE:
                self._tell_event(chunk)
            elif (framer := self._framers.get(chunk.source)) is not None:
                frames[chunk.source] += framer.feed(chunk)
        for source, fixes in self._fixes.items():
            for frame in frames[source][-SENTENCES_A_TICK:]:
                for fix in fixes.feed(frame):
                    self._each("on_fix", source, fix)
        for source, decoder in self._readings.items():
            # A rejected line is no reading: look a little further back for a good one.
            for frame in reversed(frames[source][-LOOK_BACK_LINES:]):
                if (reading := decoder.decode(frame)) is not None:
                    self._each("on_reading", source, reading)
                    break
        self._each("on_tick", now_ns)

    def _lately(self, chunks: list[Chunk]) -> list[Chunk]:
        """Without what stands before the last of each source of readings: nobody is told of it.

        That is what stands before `LOOK_BACK_BYTES`, or before the ends of twice as many lines as are looked at.
        """
        room = dict.fromkeys(self._readings, LOOK_BACK_BYTES)
        late: list[Chunk] = []
        first: dict[str, int] = {}  # when the first that is left of a source came
        cut: set[str] = set()
        for chunk in reversed(chunks):
            mono_ns, source, data = chunk
            left = room.get(source)
            if left is not None:
                if left <= 0:
                    cut.add(source)
                    continue
                lines = data.count(b"\n") if source in self._by_lines else 0
                room[source] = left - max(len(data), lines * _LINE_ROOM)
                first[source] = mono_ns
            late.append(chunk)
        for source in cut:  # what comes does not continue what came, and may begin within a line
            self._framers[source].opened(first[source])
        late.reverse()
        return late

    def _tell_event(self, chunk: Chunk) -> None:
        said = json.loads(chunk.data)
        framer = self._framers.get(str(said.get("source")))
        if framer is not None and said["event"] in {"opened", "found", "joined", "flood"}:
            framer.opened(chunk.mono_ns)
        self._each("on_event", chunk.mono_ns, said)

    def _each(self, method: str, *arguments: Any) -> None:
        for listener in list(self._listeners):
            try:
                getattr(listener, method)(*arguments)
            except Exception:  # whatever a listener does, the others and the recorder go on
                self._listeners.remove(listener)
                with contextlib.suppress(Exception):
                    listener.stop()
