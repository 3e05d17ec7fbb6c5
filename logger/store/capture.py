"""Capture files and plain NMEA logs: raw chunks as text that a person can read, write by hand, and send to another.

A capture is text, one JSON object a line, gzip'd or not. The first line is `{"capture": 1, "started_utc": "..."}`, the
host's wall clock at the first chunk (null where that is not known). Each further line is one chunk in order of arrival:
`{"t": seconds of the host's monotonic clock, "source": name, "text": "..."}`, or `"hex"` in place of `"text"`. `t` is
read to the nanosecond. `hex` gives the chunk's bytes exactly. `text` gives them in UTF-8, and where it does not end in
a line end of its own, CR LF is added: a line is written as it reads. `write` uses `text` only where that is exact, so
that raw chunks, written and read again, are the same to the byte.

A plain NMEA log has no host times: each line gets the time that its sentence tells, or the last one told before it,
counted from the first; every byte of the file is kept, garbage too.
"""

from __future__ import annotations

import gzip
import io
import json
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from reprlib import repr as shown
from typing import IO, Any, Literal

import numpy as np
import pyarrow as pa

from logger.config.recorder import RECORDER_SOURCE
from logger.decode import events
from logger.decode.framing import checksum
from logger.errors import CaptureError
from logger.store import columns
from logger.store.disk import Disk, said
from logger.store.journal import SCHEMA
from logger.units import NS_PER_DAY, NS_PER_S, S_PER_DAY, S_PER_HOUR, S_PER_MINUTE

_LONGEST_S = 5 * 10**9
"""The largest time that is taken; with it, nanoseconds fit 64 bits."""
_NAME = re.compile(r"_?[a-z][a-z0-9_]{0,31}")


Kind = Literal["capture", "nmea"]


@dataclass(frozen=True)
class Capture:
    """What was read: the raw rows as a table of `journal.SCHEMA`, and what was noticed, a sentence each."""

    raw: pa.Table
    kind: Kind
    remarks: tuple[str, ...] = ()


def kind_of(path: Path) -> Kind:
    """Whether the file at `path` is a capture or a plain log, by its first byte; CaptureError where it is neither."""
    try:
        with path.open("rb") as file:
            zipped = file.read(2) == b"\x1f\x8b"
        with gzip.open(path) if zipped else path.open("rb") as file:
            start = file.read(4096).removeprefix(b"\xef\xbb\xbf").lstrip()
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read: {error.strerror or error}") from error
    except EOFError as error:
        raise CaptureError(f"{path}: damaged gzip data: {error}") from error
    if not start:
        raise CaptureError(f"{path}: the file is empty: expected a capture or an NMEA log")
    return "capture" if start.startswith(b"{") else "nmea"


def read(path: Path, nmea_source: str = "gps") -> Capture:
    """Read the capture or plain NMEA log at `path`, gzip'd or not; a log's lines come from `nmea_source`.

    A last line that was cut off (a crash) is left out and remarked on. Where no chunk of the recorder itself tells the
    host's wall clock, `started_utc` is put in front as one. CaptureError names the file, and the line that is wrong.
    """
    try:
        data, remarks = _unpacked(path.read_bytes(), path)
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read: {error.strerror or error}") from error
    data = data.removeprefix(b"\xef\xbb\xbf")
    if not data.strip():
        raise CaptureError(f"{path}: the file is empty: expected a capture or an NMEA log")
    if data.lstrip()[:1] == b"{":
        return _read_capture(path, data, remarks)
    return _read_nmea(path, data, nmea_source, remarks)


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
        raise ValueError(f"no computer's clock shows the year {when.year}")
    since = (when if when.tzinfo else when.replace(tzinfo=UTC)) - datetime(1970, 1, 1, tzinfo=UTC)
    return (since.days * S_PER_DAY + since.seconds) * NS_PER_S + since.microseconds * 1000


# --- captures -----------------------------------------------------------------------------------------------------


def _unpacked(data: bytes, path: Path) -> tuple[bytes, list[str]]:
    """The file's bytes, unzipped where they are gzip'd: of a file that was cut off, as much as there is."""
    if data[:2] != b"\x1f\x8b":
        return data, []
    out = bytearray()
    try:
        while data[:2] == b"\x1f\x8b":  # a gzip file may have several members (RFC 1952, 2.2)
            unzip = zlib.decompressobj(wbits=31)
            out += unzip.decompress(data)
            if not unzip.eof:
                return bytes(out), ["the gzip'd file is cut off: what there is of it was read"]
            data = unzip.unused_data
    except zlib.error as error:
        raise CaptureError(f"{path}: damaged gzip data: {error}") from error
    return bytes(out), []


def _read_capture(path: Path, data: bytes, remarks: list[str]) -> Capture:
    lines = data.split(b"\n")
    ended = lines[-1].strip() == b""
    first = next(number for number, line in enumerate(lines) if line.strip())
    started = _started(path, lines[first], first + 1)
    mono: list[int] = []
    source: list[str] = []
    chunks: list[bytes] = []
    last = len(lines) - 1
    for number in range(first + 1, len(lines)):
        line = lines[number]
        if not line.strip():
            continue
        try:
            when, name, chunk = _chunk(line)
        except ValueError as error:
            if number == last and not ended:
                remarks.append(f"line {number + 1}, the last, is cut off and was left out")
                break
            raise CaptureError(f"{path}: line {number + 1}: {error}") from error
        mono.append(when)
        source.append(name)
        chunks.append(chunk)
    if not mono:
        raise CaptureError(f"{path}: there is no chunk in this capture")
    told = any(name == RECORDER_SOURCE and host_utc_ns(chunk) for name, chunk in zip(source, chunks, strict=True))
    if started is not None and not told:
        mono.insert(0, mono[0])
        source.insert(0, RECORDER_SOURCE)
        chunks.insert(0, events.at(mono[0], started, "wall").data)
    return Capture(_table(mono, source, chunks), "capture", tuple(remarks))


def _table(mono: list[int], source: list[str], chunks: list[bytes]) -> pa.Table:
    given = [
        columns.of_numbers(np.array(mono, np.int64), pa.int64()),
        columns.of_bytes([name.encode() for name in source], pa.string()),
        columns.of_bytes(chunks, pa.binary()),
    ]
    return pa.table(given, schema=SCHEMA)


def _started(path: Path, line: bytes, number: int) -> str | None:
    expected = 'expected {"capture": 1, "started_utc": "2026-05-02T09:14:30Z"}'
    try:
        header = json.loads(line)
    except (ValueError, RecursionError):
        header = None
    if not isinstance(header, dict) or header.get("capture") != 1:
        raise CaptureError(f"{path}: line {number}: this is not the first line of a capture: {expected}")
    started = header.get("started_utc")
    try:
        if started is not None:
            utc_ns(started)
    except (ValueError, TypeError) as error:
        raise CaptureError(f"{path}: line {number}: started_utc is {shown(started)}: {expected}") from error
    return started


def _no_constant(word: str) -> Any:
    raise ValueError(f"{word} is no time")


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
        raise ValueError(f"t is {shown(t)}: expected seconds as a number")
    if not 0 <= t <= _LONGEST_S:
        raise ValueError(f"t is {str(t)[:30]}: expected seconds of a computer's clock, from 0 up")
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise ValueError(f"source is {shown(name)}: expected a name of small letters, digits and _")
    text: Any = entry.get("text")
    hexadecimal: Any = entry.get("hex")
    if (text is None) == (hexadecimal is None):
        raise ValueError('expected either "text" or "hex"')
    try:
        data = bytes.fromhex(hexadecimal) if text is None else _of_text(text)
    except (TypeError, ValueError, AttributeError) as error:
        if text is None:
            raise ValueError(f"hex is {shown(hexadecimal)}: expected hexadecimal bytes, such as 'AA550F'") from error
        raise ValueError(f"text is {shown(text)}: expected a line of text") from error
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


# --- plain NMEA logs ----------------------------------------------------------------------------------------------

_TIMED = re.compile(rb"\$[A-Z0-9]{2}((RMC|GGA|GNS|GLL|ZDA),([^*$\r\n]*))\*([0-9A-Fa-f]{2})")


def _read_nmea(path: Path, data: bytes, source: str, remarks: list[str]) -> Capture:
    lines = data.splitlines(keepends=True) if b"\n" not in data else re.findall(rb"[^\n]*\n|[^\n]+", data)
    clock = _LogClock()
    times = [clock.at(line) for line in lines]
    if not clock.began:
        raise CaptureError(f"{path}: neither a capture nor an NMEA log: no sentence with a time and a right checksum")
    return Capture(_table(times, [source] * len(lines), lines), "nmea", (*remarks, *clock.remarks))


class _LogClock:
    """A clock that never goes back, from the times that a log's sentences tell [ns since the first]."""

    def __init__(self) -> None:
        self.began = False
        self.remarks: list[str] = []
        self._now = 0
        self._shift = 0
        self._told = 0  # the last time told, in ns, days counted on from the first
        self._day = 0
        self._date: int | None = None
        self._leap = False

    def at(self, line: bytes) -> int:
        """The time of `line`: the one that it tells, or else the last one told."""
        for sentence in _TIMED.finditer(line):
            if checksum("xor", line[sentence.start() + 1 : sentence.end(1)]) == int(sentence[4], 16):
                self._tell(sentence[2].decode(), sentence[3].decode("ascii", "replace").split(","))
        return self._now

    def _tell(self, kind: str, fields: list[str]) -> None:
        try:
            clock = fields[4 if kind == "GLL" else 0]
            of_day = (int(clock[:2]) * S_PER_HOUR + int(clock[2:4]) * S_PER_MINUTE) * NS_PER_S + round(
                Decimal(clock[4:]) * NS_PER_S
            )
        except (ValueError, ArithmeticError, IndexError):
            return
        if not self.began:
            self.began, self._shift, self._told = True, -of_day, of_day
        if of_day < self._told % NS_PER_DAY - NS_PER_DAY // 2 or (self._leap and of_day < NS_PER_S):
            self._day += 1
            self._shift += NS_PER_S if self._leap else 0
            self._leap = False
        self._leap |= of_day >= NS_PER_DAY
        stated = self._stated(kind, fields)
        if stated is not None:
            if self._date is None:
                self._date = stated - self._day
            self._day = stated - self._date
        told = self._day * NS_PER_DAY + of_day
        if abs(told - self._told) > NS_PER_DAY or told < self._told - 10 * NS_PER_S:
            # Another log, or a receiver that learnt the date: the clock goes on from where it was.
            self._shift = self._now - told
        self._told = told
        self._now = max(self._now, told + self._shift)

    @staticmethod
    def _stated(kind: str, fields: list[str]) -> int | None:
        """The day that a sentence states, counted from 1970; None where it states none."""
        try:
            if kind == "RMC":
                day, month, year = int(fields[8][:2]), int(fields[8][2:4]), int(fields[8][4:6])
                year += 2000 if year < 80 else 1900
            elif kind == "ZDA":
                day, month, year = int(fields[1]), int(fields[2]), int(fields[3])
            else:
                return None
            return date(year, month, day).toordinal() - date(1970, 1, 1).toordinal()
        except (ValueError, IndexError):
            return None
