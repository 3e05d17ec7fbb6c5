"""Capture files and plain NMEA logs: raw chunks as text that a person can read, write by hand, and send to another.

A capture is text, one JSON object a line, gzip'd or not. The first line is `{"capture": 1, "started_utc": "..."}`, the
host's wall clock at the first chunk (null where that is not known). Each further line is one chunk in order of arrival:
`{"t": seconds of the host's monotonic clock, "source": name, "text": "..."}`, or `"hex"` in place of `"text"`. `t` is
read to the nanosecond. `hex` gives the chunk's bytes exactly. `text` gives them in UTF-8, and where it does not end in
a line end of its own, CR LF is added: a line is written as it reads. `write` uses `text` only where that is exact, so
that raw chunks, written and read again, are the same to the byte.

Plain NMEA logs are read here too, by `plain_log`.
"""

from __future__ import annotations

import gzip
import io
import json
import re
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from reprlib import repr as shown
from typing import IO, TYPE_CHECKING, Any, Literal

import numpy as np

from logger.config.recorder import RECORDER_SOURCE
from logger.decode import events
from logger.decode.framing import Chunk
from logger.errors import CaptureError
from logger.store import capture_lines, columns, journal
from logger.store.capture_lines import LONGEST_S, CaptureLines
from logger.store.disk import Disk, said
from logger.store.plain_log import PlainLog
from logger.store.unpacked import Unpacked, lines_of
from logger.units import NS_PER_S, S_PER_DAY

if TYPE_CHECKING:
    import pyarrow as pa

_SHORTEST_LINE = 24
"""About as few bytes as a chunk's line can have."""
_LONGEST_LINE = 16 << 20
_MOST_BYTES = 1 << 30
_MOST_CHUNKS = 10_000_000
"""A week of an ordinary rig's lines."""
_NAME = re.compile(r"_?[a-z][a-z0-9_]{0,31}")


Kind = Literal["capture", "nmea"]


@dataclass(frozen=True)
class Capture:
    """What was read: the raw rows as a table of `journal.schema()`, and what was noticed, a sentence each."""

    raw: pa.Table
    kind: Kind
    remarks: tuple[str, ...] = ()


def kind_of(path: Path) -> Kind:
    """Whether the file at `path` is a capture or a plain log, by its first byte; CaptureError where it is neither."""
    start = Unpacked(path).start()
    if not start:
        raise CaptureError(f"{path}: the file is empty; expected a recording or an NMEA log")
    return "capture" if start.startswith(b"{") else "nmea"


def read(path: Path, nmea_source: str = "gps") -> Capture:
    """Read the capture or plain NMEA log at `path`, gzip'd or not; a log's lines come from `nmea_source`.

    A last line that was cut off (a crash) is left out and remarked on. Where no chunk of the recorder itself tells the
    host's wall clock, `started_utc` is put in front as one. CaptureError names the file, and the line that is wrong.
    """
    if kind_of(path) == "capture":
        return _read_capture(path)
    chunks = _Chunks(path)
    log = PlainLog(path)
    for mono_ns, data in log.chunks():
        chunks.add(mono_ns, nmea_source, data)
    return Capture(chunks.table(), "nmea", tuple(log.remarks))


def write(path: Path, raw: pa.Table) -> int:
    """Write raw rows as a capture file, gzip'd where the name ends in .gz; gives the number of chunks.

    The same rows give the same bytes. CaptureError where it cannot be written; a file of that name is replaced once
    the new one is whole.
    """
    packed = io.BytesIO()
    if path.suffix == ".gz":
        with gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=9, mtime=0) as file:
            _write_lines(file, raw)
    else:
        _write_lines(packed, raw)
    try:
        Disk().put_file(path, packed.getbuffer())
    except OSError as error:
        raise CaptureError(f"{path}: cannot be written: {said(error)}") from error
    return int(raw.num_rows)


def rows(raw: pa.Table) -> Iterator[tuple[int, str, bytes]]:
    """The rows of a raw table (mono_ns, source, data), a few thousand at a time in memory."""
    for batch in raw.to_batches(max_chunksize=8192):
        mono_ns, source, data = (columns.numbers_in(batch.column(0)), batch.column(1), batch.column(2))
        names, which = columns.words_in(source)
        yield from zip(mono_ns.tolist(), map(names.__getitem__, which.tolist()), columns.bytes_in(data), strict=True)


def host_utc_ns(data: bytes) -> int | None:
    """The wall clock that a row of the recorder itself tells [ns since 1970]; None where it tells none."""
    try:
        return utc_ns(json.loads(data)["utc"])
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def utc_ns(text: str) -> int:
    """An ISO 8601 time from 1970 to 2200, UTC where it names no zone, in ns since 1970; ValueError where it is none."""
    when = datetime.fromisoformat(text)
    if not 1970 <= when.year < 2200:
        raise ValueError(f"the year {when.year} cannot be right")
    since = (when if when.tzinfo else when.replace(tzinfo=UTC)) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * S_PER_DAY + since.seconds) * NS_PER_S + since.microseconds * 1000


# --- captures -----------------------------------------------------------------------------------------------------


def _read_capture(path: Path) -> Capture:
    file = Unpacked(path)
    reading = _Reading(path)
    for part, end in file.parts(_LONGEST_LINE):
        if end == b"\n":
            reading.take_lines(part)
        else:
            for line in lines_of(part, end):
                reading.take(line)
    return reading.capture(file.remarks)


class _Reading:
    """A capture as far as it has been read."""

    def __init__(self, path: Path) -> None:
        self._path, self._chunks = path, _Chunks(path)
        self._started: str | None = None
        self._begun = self._told = False
        self._cut = ""
        self._number, self._after = 0, 1  # of the last line, and of the one after it

    def take_lines(self, part: bytes) -> None:
        """Take whole lines: the ordinary ones together, the others one by one."""
        while part and not self._begun:
            line, end, part = part.partition(b"\n")
            self.take(line + end)
        if not part:
            return
        if part.count(b"\n") * _SHORTEST_LINE > len(part):  # blank lines without end, or no capture
            for line in lines_of(part, b"\n"):
                self.take(line)
            return
        lines = capture_lines.read_lines(part)
        odd = lines.odd | np.isin(lines.source, [at for at, name in enumerate(lines.names) if not _is_plain(name)])
        if 8 * int(odd.sum()) > len(odd):  # of another hand
            for line in lines_of(part, b"\n"):
                self.take(line)
            return
        begins = lines.begins.tolist()
        done = 0
        for at in [*np.flatnonzero(odd).tolist(), len(odd)]:
            if at > done:
                self._check_not_cut()
                self._chunks.extend(lines, done, at)
                self._after += at - done
                self._number = self._after - 1
            if at < len(odd):
                self.take(part[begins[at] : begins[at + 1]])
            done = at + 1

    def take(self, line: bytes) -> None:
        """Take one line."""
        self._number, self._after = self._after, self._after + line.count(b"\n")
        self._check_not_cut()
        if not line.strip():
            return
        if not self._begun:
            self._started, self._begun = _started(self._path, line, self._number), True
            return
        try:
            when, name, data = _chunk(line)
        except ValueError as error:
            self._cut = f"line {self._number}: {error}"
            if line.endswith(b"\n"):
                raise CaptureError(f"{self._path}: {self._cut}") from error
            return
        self._chunks.add(when, name, data)
        self._told = self._told or (name == RECORDER_SOURCE and bool(host_utc_ns(data)))

    def capture(self, remarks: list[str]) -> Capture:
        """What has been read, at the end of the file."""
        if self._cut:
            remarks = [*remarks, f"line {self._number}, the last one, is cut off and was left out"]
        if not self._chunks:
            raise CaptureError(f"{self._path}: this recording is empty")
        if self._started is not None and not self._told:
            self._chunks.put_first(events.at(self._chunks.first_ns, self._started, "wall"))
        return Capture(self._chunks.table(), "capture", tuple(remarks))

    def _check_not_cut(self) -> None:
        if self._cut:
            raise CaptureError(f"{self._path}: {self._cut}")


def _is_plain(name: str) -> bool:
    return bool(_NAME.fullmatch(name)) and name != RECORDER_SOURCE


class _Chunks:
    """Raw rows as they are read; CaptureError where they are too many bytes for one drive."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._mono = array("q")
        self._source = array("i")
        self._length = array("i")
        self._data = bytearray()
        self._known: dict[str, int] = {}

    def add(self, mono_ns: int, source: str, data: bytes) -> None:
        self._data += data
        if len(self._data) > _MOST_BYTES:
            raise CaptureError(f"{self._path}: more than {_MOST_BYTES >> 20} MiB, too much for one drive")
        self._mono.append(mono_ns)
        if len(self._mono) > _MOST_CHUNKS:
            raise CaptureError(f"{self._path}: more than {_MOST_CHUNKS:,} lines, too many for one drive")
        self._source.append(self._known.setdefault(source, len(self._known)))
        self._length.append(len(data))

    def extend(self, lines: CaptureLines, first: int, end: int) -> None:
        """Take ordinary lines, from `first` up to `end`."""
        if len(self._mono) + end - first > _MOST_CHUNKS:
            raise CaptureError(f"{self._path}: more than {_MOST_CHUNKS:,} lines, too many for one drive")
        begins, ends = lines.data_begins[first:end], lines.data_ends[first:end]
        start = int(begins[0])
        edges = np.zeros(int(ends[-1]) - start + 1, np.int8)
        edges[begins - start] = 1
        edges[ends - start] -= 1
        chosen = np.cumsum(edges[:-1], dtype=np.int8).view(np.bool_)
        self._data += lines.bytes[start : int(ends[-1])][chosen].data
        if len(self._data) > _MOST_BYTES:
            raise CaptureError(f"{self._path}: more than {_MOST_BYTES >> 20} MiB, too much for one drive")
        known = [self._known.setdefault(name, len(self._known)) if _is_plain(name) else -1 for name in lines.names]
        self._mono.frombytes(lines.mono_ns[first:end].tobytes())
        self._source.frombytes(np.array(known, np.int32)[lines.source[first:end]].tobytes())
        self._length.frombytes((ends - begins).astype(np.int32).tobytes())

    def put_first(self, chunk: Chunk) -> None:
        self._mono.insert(0, chunk.mono_ns)
        self._source.insert(0, self._known.setdefault(chunk.source, len(self._known)))
        self._length.insert(0, len(chunk.data))
        self._data[:0] = chunk.data

    @property
    def first_ns(self) -> int:
        return self._mono[0]

    def __len__(self) -> int:
        return len(self._mono)

    def table(self) -> pa.Table:
        from logger.store.arrow import pa

        names = columns.of_bytes([name.encode() for name in self._known], pa.string())
        which = columns.of_numbers(np.frombuffer(self._source, np.int32), pa.int32())
        given = [
            columns.of_numbers(np.frombuffer(self._mono, np.int64), pa.int64()),
            pa.DictionaryArray.from_arrays(which, names).dictionary_decode(),
            columns.of_joined(self._length, self._data, pa.binary()),
        ]
        return pa.table(given, schema=journal.schema())


def _started(path: Path, line: bytes, number: int) -> str | None:
    expected = 'expected {"capture": 1, "started_utc": "2026-05-02T09:14:30Z"}'
    try:
        header = json.loads(line)
    except (ValueError, RecursionError):
        header = None
    if not isinstance(header, dict) or header.get("capture") != 1:
        raise CaptureError(f"{path}: line {number}: this is not the first line of a recording; {expected}")
    started = header.get("started_utc")
    try:
        if started is not None:
            utc_ns(started)
    except (ValueError, TypeError) as error:
        raise CaptureError(f"{path}: line {number}: started_utc is {shown(started)}; {expected}") from error
    return started


def _no_constant(word: str) -> Any:
    raise ValueError(f"{word} is not a time")


_decode = json.JSONDecoder(parse_float=Decimal, parse_constant=_no_constant).decode


def _chunk(line: bytes) -> tuple[int, str, bytes]:
    """(mono_ns, source, data) of one line; ValueError says what is wrong with it."""
    try:
        entry: Any = _decode(line.decode("utf-8"))
    except (ValueError, RecursionError):
        entry = None
    if not isinstance(entry, dict):
        raise ValueError('expected {"t": seconds, "source": name, "text": "..."}')
    t, name = entry.get("t"), entry.get("source")
    if isinstance(t, bool) or not isinstance(t, int | Decimal):
        raise ValueError(f"t is {shown(t)}; expected seconds as a number")
    if not 0 <= t <= LONGEST_S:
        raise ValueError(f"t is {str(t)[:30]}; expected seconds of a computer's clock, from 0 up")
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise ValueError(f"source is {shown(name)}; expected a name of small letters, digits and _")
    text: Any = entry.get("text")
    hexadecimal: Any = entry.get("hex")
    if (text is None) == (hexadecimal is None):
        raise ValueError('expected either "text" or "hex"')
    try:
        data = bytes.fromhex(hexadecimal) if text is None else _of_text(text)
    except (TypeError, ValueError, AttributeError) as error:
        if text is None:
            raise ValueError(f"hex is {shown(hexadecimal)}; expected hexadecimal bytes, such as 'AA550F'") from error
        raise ValueError(f"text is {shown(text)}; expected a line of text") from error
    return round(t * NS_PER_S), name, data


def _of_text(text: str) -> bytes:
    return text.encode("utf-8") if text.endswith(("\r", "\n")) else text.encode("utf-8") + b"\r\n"


def _as_text(data: bytes) -> str | None:
    """The shortest `text` that stands for exactly these bytes; None where there is none."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return None
    bare = text.removesuffix("\r\n")
    return next((form for form in (bare, text) if _of_text(form) == data), None)


def _write_lines(file: IO[bytes] | gzip.GzipFile, raw: pa.Table) -> None:
    started = next((data for _, name, data in rows(raw) if name == RECORDER_SOURCE and host_utc_ns(data)), None)
    header = {"capture": 1, "started_utc": json.loads(started)["utc"] if started else None}
    file.write(json.dumps(header).encode() + b"\n")
    for mono, name, data in rows(raw):
        text = _as_text(data)
        content = f'"hex": "{data.hex()}"' if text is None else f'"text": {json.dumps(text)}'
        fraction = f"{mono % NS_PER_S:09d}".rstrip("0") or "0"
        line = f'{{"t": {mono // NS_PER_S}.{fraction}, "source": "{name}", {content}}}\n'
        file.write(line.encode())
