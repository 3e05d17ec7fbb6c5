"""Chunks to frames: whole text lines, NMEA sentences or binary frames, each with the arrival time of its first byte.

`framer_for(source)` gives the framer of a configured source. Every framer has the same small interface:

    feed(chunk) -> list[Frame]     the frames that this chunk completes, in order
    flush() -> list[Frame]         what the end of the stream completes
    opened(mono_ns)                the port was opened, or found again, at this moment: what comes next does not
                                   continue what came before
    rejected: Counter[str]         frames thrown away, by reason in plain words
    stray_bytes: int               bytes that are in no frame (line ends are not counted)

A stream cut into any chunks gives the same frames; only their arrival times depend on the cuts. Time is linear in the
bytes and memory is bounded by one line or frame, whatever comes in.
"""

from __future__ import annotations

import functools
import operator
from collections import Counter, deque
from collections.abc import Callable
from typing import ClassVar, Final, NamedTuple, Protocol

from fastcrc import crc16

from logger.config.recorder import Checksum, FrameSource, NmeaSource, Source

LINE_LIMIT: Final = 1024
"""Longest line kept [bytes]. NMEA 0183 allows 82; receivers and boards send more, noise sends any number."""

LINE_UNDER_WAY_NS: Final = 50_000_000
"""A line whose first byte comes sooner than this after its port was opened may have begun before [ns].

The bytes of a line follow each other at the line's rate and a USB adapter holds them back by some 20 ms at most, so
after a longer silence a line is at its beginning.
"""


class Chunk(NamedTuple):
    """Bytes as they came from a source's port in one read."""

    mono_ns: int
    """Host monotonic clock when the bytes arrived [ns]."""
    source: str
    data: bytes


class Frame(NamedTuple):
    """One whole line (without its line end) or binary frame of a source."""

    mono_ns: int
    """Host monotonic clock when the chunk with the frame's first byte arrived [ns]."""
    data: bytes


class Framer(Protocol):
    """What every framer offers; see the module's text."""

    rejected: Counter[str]
    stray_bytes: int

    def feed(self, chunk: Chunk) -> list[Frame]:
        """The frames that `chunk` completes, in order."""

    def flush(self) -> list[Frame]:
        """What the end of the stream completes; the framer is then as new, its counts aside."""

    def opened(self, mono_ns: int) -> None:
        """Say that the port was opened or found again at `mono_ns` [ns, host monotonic]."""


def framer_for(source: Source) -> Framer:
    """The framer for a configured source: sentences, lines or binary frames by its kind."""
    match source:
        case NmeaSource():
            return SentenceFramer()
        case FrameSource():
            return BinaryFramer(bytes.fromhex(source.sync), source.length, source.checksum)
        case _:
            return LineFramer()


class LineFramer:
    """Text lines ended by CR, LF or both; empty lines are passed over, and a line over `limit` bytes is rejected whole.

    Nothing in a plain line proves that it is complete: of "14.7" a cut leaves "4.7". So what may have been cut is
    rejected: the rest that no line end closes, and a line that may have been under way when the port was opened.
    """

    BEGINS: ClassVar[bytes] = b""
    """What a line begins with, wherever it stands; nothing where every line end begins one."""
    shortest: ClassVar[int] = 0
    """A line has more bytes than these."""

    def __init__(self, limit: int = LINE_LIMIT) -> None:
        self.limit = limit
        self.rejected: Counter[str] = Counter()
        self.stray_bytes = 0
        self._line = b""  # the line under way, without its end
        self._line_ns = 0
        self._skipping = False  # up to the next line end
        self._opened_ns: int | None = None

    @property
    def idle(self) -> bool:
        """Whether what comes next begins a new line, beyond doubt."""
        return not self._line and not self._skipping and self._opened_ns is None

    def feed(self, chunk: Chunk) -> list[Frame]:
        mono_ns = chunk.mono_ns
        pieces = self._split(chunk.data)
        if self._opened_ns is not None and chunk.data:
            if pieces[0] and mono_ns - self._opened_ns < LINE_UNDER_WAY_NS:
                self._distrust()
            self._opened_ns = None
        self._extend(mono_ns, pieces[0])
        if len(pieces) == 1:
            return []
        frames = self._close()
        limit = self.limit
        for piece in pieces[1:-1]:
            if piece:
                if len(piece) <= limit and self._begins(piece):
                    frames.append(Frame(mono_ns, piece))
                else:
                    self._extend(mono_ns, piece)
                    self._skipping = False
        self._extend(mono_ns, pieces[-1])
        return frames

    def flush(self) -> list[Frame]:
        self._drop_line("cut off")
        return []

    def opened(self, mono_ns: int) -> None:
        self._drop_line("cut off")
        self._opened_ns = mono_ns

    def _split(self, data: bytes) -> list[bytes]:
        """The pieces of `data`: the first continues the line under way, each further one begins a new line."""
        return data.replace(b"\r", b"\n").split(b"\n")

    def _begins(self, piece: bytes) -> bool:
        """Whether a line may begin like this."""
        return True

    def _distrust(self) -> None:
        """The line that comes in now may lack its beginning."""
        self._skipping = True
        self.rejected["cut off"] += 1

    def _extend(self, mono_ns: int, piece: bytes) -> None:
        if not piece:
            return
        if self._skipping or not (self._line or self._begins(piece)):
            self.stray_bytes += len(piece)
            return
        if not self._line:
            self._line_ns = mono_ns
        if len(self._line) + len(piece) > self.limit:
            self.rejected["line too long"] += 1
            self.stray_bytes += len(self._line) + len(piece)
            self._line, self._skipping = b"", True
        else:
            self._line += piece

    def _close(self) -> list[Frame]:
        frames = [Frame(self._line_ns, self._line)] if self._line else []
        self._line, self._skipping = b"", False
        return frames

    def _drop_line(self, reason: str) -> None:
        if self._line:
            self.rejected[reason] += 1
            self.stray_bytes += len(self._line)
        self._line, self._skipping = b"", False


class SentenceFramer(LineFramer):
    """NMEA 0183 sentences: lines that begin with "$" or "!", wherever in the bytes these stand.

    Both characters are reserved by the standard for the beginning of a sentence, so one that follows garbage, or a
    sentence that lost its end, is found all the same; the cut one is a frame too, for the decoder to reject. A
    sentence proves itself by its checksum, so the rest at the end of the stream is handed on.
    """

    BEGINS = b"$!"
    shortest = 1

    def feed(self, chunk: Chunk) -> list[Frame]:
        return self._begun(super().feed(chunk))

    def flush(self) -> list[Frame]:
        return self._begun(self._close())

    def opened(self, mono_ns: int) -> None:
        self._drop_line("cut off")

    def _begun(self, frames: list[Frame]) -> list[Frame]:
        """Without those that are a beginning and nothing more: some loggers write "$$" or end a file with "$"."""
        begun = [frame for frame in frames if len(frame.data) > self.shortest]
        self.stray_bytes += len(frames) - len(begun)
        return begun

    def _split(self, data: bytes) -> list[bytes]:
        return super()._split(data.replace(b"$", b"\n$").replace(b"!", b"\n!"))

    def _begins(self, piece: bytes) -> bool:
        return piece[0] in self.BEGINS


class BinaryFramer:
    """Frames of one length that begin with sync bytes, with a checksum or without.

    After a wrong checksum the search goes on one byte further, not a frame further, so that sync bytes among the data
    cost no frame. Without a checksum a frame is taken where it follows another directly, or where another sync follows
    it directly; single frames among other bytes prove nothing and are rejected.
    """

    def __init__(self, sync: bytes, length: int, check: Checksum | None = None) -> None:
        self.rejected: Counter[str] = Counter()
        self.stray_bytes = 0
        self._sync, self._length, self._check = sync, length, check
        self._buffer = bytearray()
        self._buffer_at = 0  # position in the stream of the buffer's first byte
        self._arrivals: deque[tuple[int, int]] = deque()  # position in the stream of a chunk, when it arrived [ns]
        self._in_step = False  # the last frame ended where the next byte stands
        if check is not None:
            at = check.at if check.at >= 0 else length + check.at
            self._check_at = slice(at, at + (2 if "16" in check.kind else 1))
            self._covered = slice(check.start, at if check.stop is None else check.stop)

    def feed(self, chunk: Chunk) -> list[Frame]:
        if not chunk.data:
            return []
        self._arrivals.append((self._buffer_at + len(self._buffer), chunk.mono_ns))
        self._buffer += chunk.data
        frames: list[Frame] = []
        buffer, sync, length = self._buffer, self._sync, self._length
        pos = 0
        while True:
            at = buffer.find(sync, pos)
            if at < 0:  # the last bytes may be the beginning of a sync
                at = max(pos, len(buffer) - len(sync) + 1)
            self.stray_bytes += at - pos
            self._in_step &= at == pos
            pos = at
            needed = length if self._check is not None or self._in_step else length + len(sync)
            if len(buffer) - pos < needed:
                break
            data = bytes(buffer[pos : pos + length])
            if self._proven(data, pos + length):
                frames.append(Frame(self._arrival(self._buffer_at + pos), data))
                self._in_step = True
                pos += length
            else:
                self.stray_bytes += 1
                self._in_step = False
                pos += 1
        del buffer[:pos]
        self._buffer_at += pos
        self._arrival(self._buffer_at)
        return frames

    def flush(self) -> list[Frame]:
        if self._sync in self._buffer:
            self.rejected["cut off"] += 1
        self.stray_bytes += len(self._buffer)
        self._buffer_at += len(self._buffer)
        self._buffer.clear()
        self._arrivals.clear()
        self._in_step = False
        return []

    def opened(self, mono_ns: int) -> None:
        self.flush()

    def _proven(self, data: bytes, end: int) -> bool:
        if self._check is None:
            if self._in_step or self._buffer.startswith(self._sync, end):
                return True
            self.rejected["no frame follows"] += 1
            return False
        if checksum(self._check.kind, data[self._covered]) == int.from_bytes(
            data[self._check_at], self._check.byte_order
        ):
            return True
        self.rejected["checksum wrong"] += 1
        return False

    def _arrival(self, position: int) -> int:
        """When the byte at `position` of the stream arrived [ns]; earlier ones are forgotten."""
        arrivals = self._arrivals
        while len(arrivals) > 1 and arrivals[1][0] <= position:
            arrivals.popleft()
        return arrivals[0][1]


def checksum(kind: str, data: bytes) -> int:
    """The checksum of `data` by a kind of `config.recorder.Checksum`; ValueError for a kind that is none.

    The CRCs are fastcrc's, the models of these names in the catalogue of parametrised CRC algorithms (G. Cook):
    ccitt_false (there IBM-3740), xmodem, modbus and arc.
    """
    if kind not in _CHECKSUMS:
        raise ValueError(f"no checksum kind {kind!r}")
    return _CHECKSUMS[kind](data)


_CHECKSUMS: Final[dict[str, Callable[[bytes], int]]] = {
    "xor": lambda data: functools.reduce(operator.xor, data, 0),
    "sum8": lambda data: sum(data) & 0xFF,
    "neg_sum8": lambda data: -sum(data) & 0xFF,
    "sum16": lambda data: sum(data) & 0xFFFF,
    "crc16_ccitt_false": crc16.ibm_3740,
    "crc16_xmodem": crc16.xmodem,
    "crc16_modbus": crc16.modbus,
    "crc16_arc": crc16.arc,
}
