"""From raw bytes to tables: a pure function of (raw rows, configuration).

`build` runs the raw rows through the sources' framers and decoders, settles the drive's clock, and gives one table for
each source, with UTC and the host's monotonic clock in every row. The recorder's own events among the raw rows (see
`config.RECORDER_SOURCE`) become notes, gaps, and instants of the host's wall clock.

`Decoding` is the same in steps: the recorder feeds it what the journal has taken, so that little is left to do when a
drive ends.
"""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import itertools
import json
from array import array
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from logger.config.recorder import (
    RECORDER_SOURCE,
    FrameSource,
    NmeaSource,
    NumbersSource,
    PatternSource,
    RecorderConfig,
    Source,
)
from logger.decode import clock, framing, nmea, readings
from logger.decode.clock import Nanoseconds
from logger.decode.framing import Chunk, Frame
from logger.store import capture, columns
from logger.store.blocks import Blocks
from logger.units import NS_PER_S

SCHEMA_VERSION = 1
"""Of the tables and the manifest."""

SILENCE_S = 5.0
"""A drive in which nothing at all arrived for this long has a gap there [s]."""


def _field(name: str, kind: pa.DataType, unit: str, description: str, nullable: bool = True) -> pa.Field:
    return pa.field(name, kind, nullable=nullable, metadata={"unit": unit, "description": description})


_TIME = _field("time", pa.timestamp("ns", tz="UTC"), "", "UTC at which the row was true")
_MONO = _field("mono_ns", pa.int64(), "ns", "host monotonic clock when its first byte arrived", nullable=False)

RAW_SCHEMA = pa.schema(
    [
        _field("mono_ns", pa.int64(), "ns", "host monotonic clock when the bytes arrived", nullable=False),
        _field("source", pa.dictionary(pa.int32(), pa.string()), "", "what sent the bytes", nullable=False),
        _field("data", pa.binary(), "", "the bytes", nullable=False),
    ]
)
"""raw.parquet: every byte in order of arrival."""


_MOST_IN_ONE = 1 << 30
"""Arrow counts the bytes of one array in 32 bits; larger tables stay in parts."""


@dataclass(frozen=True)
class Built:
    """What came of a drive's raw rows."""

    tables: dict[str, pa.Table]
    """A table per configured source, by its name, in the order of the configuration."""
    sources: list[dict[str, Any]]
    """What came from each source: name, kind, port, chunks, bytes, rows, rejected, ignored, stray_bytes,
    and of a receiver void_fields."""
    clock: dict[str, Any]
    """How UTC was found; the fields of `drive.ClockSummary`."""
    counters: dict[str, int]
    """Totals over the drive."""
    notes: list[dict[str, Any]]
    """utc (ISO 8601), text."""
    gaps: list[dict[str, Any]]
    """source (None for all), start_utc, end_utc (ISO 8601), why."""
    remarks: list[str]
    """What was noticed and mended, a sentence each."""
    started_utc_ns: int
    ended_utc_ns: int


@functools.cache
def program() -> str:
    """The program and its version."""
    try:
        return f"pullbook {importlib.metadata.version('pullbook')}"
    except importlib.metadata.PackageNotFoundError:
        return "pullbook"


def build(raw: pa.Table, configuration: RecorderConfig) -> Built:
    """Tables, clock and findings of a drive from its raw rows (mono_ns, source, data). The same in, the same out."""
    # A plain log has no row of a recorder, and its times are not those of arrival.
    recorded = RECORDER_SOURCE in raw["source"].unique().to_pylist()
    decoding = Decoding(configuration, host_times=recorded)
    decoding.feed(capture.rows(raw))
    return decoding.built()


def raw_table(raw: pa.Table) -> pa.Table:
    """Raw rows with the types and metadata of raw.parquet."""
    columns = [raw["mono_ns"].cast(pa.int64()), _dictionary(raw["source"]), raw["data"].cast(pa.binary())]
    table = pa.table(columns, schema=RAW_SCHEMA.with_metadata(_metadata("raw", RAW_SCHEMA)))
    return table if table.nbytes > _MOST_IN_ONE else table.combine_chunks()  # so that the same rows are the same file


def raw_digest(raw: pa.Table) -> str:
    """SHA-256 of what rows of `raw_table` hold, whatever file or batches they come in.

    It is that of the SHA-256 of the times, of the sources (each a number by when it first comes, and at the end their
    names, a line each), of the lengths, and of the bytes.
    """
    times, sources, lengths, data = parts = [hashlib.sha256() for _ in range(4)]
    known: dict[str, int] = {}
    for batch in raw.to_batches():
        mono, source, sent = (batch.column(name) for name in ("mono_ns", "source", "data"))
        times.update(columns.numbers_in(mono).astype("<i8").tobytes())
        words, which = columns.words_in(source)
        comes = np.unique(which, return_index=True)
        numbers = np.zeros(len(words), "<i4")
        for code in comes[0][np.argsort(comes[1])].tolist():
            numbers[code] = known.setdefault(words[code], len(known))
        sources.update(numbers[which].tobytes())
        ends = columns.ends_in(sent)
        lengths.update(np.diff(ends).astype("<i8").tobytes())
        if ends[-1] > ends[0]:
            data.update(memoryview(sent.buffers()[2])[int(ends[0]) : int(ends[-1])])
    sources.update("".join(f"{name}\n" for name in known).encode())
    return hashlib.sha256(b"".join(part.digest() for part in parts)).hexdigest()


def _dictionary(column: pa.ChunkedArray) -> pa.ChunkedArray:
    words = column.cast(pa.string())
    return words.dictionary_encode().unify_dictionaries() if len(words) else words.cast(RAW_SCHEMA.field("source").type)


# --- reading the raw rows -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Event:
    """A row of the recorder itself; see `events` for the kinds."""

    mono_ns: int
    kind: str
    said: Mapping[str, Any]


_BLOCK = 4096
"""How much is decoded at a time, and kept in one block."""


class Decoding:
    """The raw rows, read once, in one go or as they come: what each source told, the recorder's events, what else came.

    `host_times` says whether the rows' times are those of arrival at a recorder; `blocks` makes what keeps the decoded.
    """

    def __init__(
        self, configuration: RecorderConfig, host_times: bool = True, blocks: Callable[[], Blocks] = list
    ) -> None:
        self._host_times = host_times
        self.told = {source.name: _told(source, host_times, blocks()) for source in configuration.source}
        self.events: list[_Event] = []
        self.damaged_events = 0
        self.unknown: Counter[str] = Counter()
        self.bytes = 0
        """Of all sources."""
        self._fed_rows = self._fed_bytes = 0
        self._own_ns, self._arrivals, self._arrived = array("q"), array("q"), blocks()

    def feed(self, rows: Iterable[tuple[int, str, bytes]]) -> None:
        """Take the raw rows (mono_ns, source, data) that come next; OSError where the blocks find no room."""
        for mono_ns, name, data in rows:
            self._fed_rows += 1
            self._fed_bytes += len(data)
            source = self.told.get(name)
            if source is not None:
                source.feed(Chunk(mono_ns, name, data))
            elif name == RECORDER_SOURCE:
                self._event(mono_ns, data)
                self._own_ns.append(mono_ns)
                continue
            else:
                self.unknown[name] += 1
            self._arrivals.append(mono_ns)
            self.bytes += len(data)
        if len(self._arrivals) >= 16 * _BLOCK:
            self._arrived.append(self._arrivals)
            self._arrivals = array("q")

    def covers(self, raw: pa.Table) -> bool:
        """Whether just as many rows and bytes were fed as `raw` holds."""
        ends = [columns.ends_in(batch.column("data")) for batch in raw.to_batches()]
        held = sum(int(end[-1] - end[0]) for end in ends)
        return (self._fed_rows, self._fed_bytes) == (raw.num_rows, held)

    def built(self) -> Built:
        """What came of all that was fed; to be called once, when nothing more comes."""
        self._end()
        told = self.told
        receiver, fit, dates = _settle(self)
        tables = {name: source.table(fit) for name, source in told.items()}
        remarks = [*dates, *fit.remarks]
        for name, count in self.unknown.items():
            remarks.append(f"source {name!r} is not in the configuration: its {count} chunks are kept in raw only")
        for name, source in told.items():
            if not source.chunks:
                remarks.append(f"nothing came from source {name!r}")
            elif not tables[name].num_rows:
                remarks.append(f"nothing that came from source {name!r} could be read as {source.config.kind}")
        started_ns, ended_ns = fit.utc_ns(np.array([self.first_ns, self.last_ns])).tolist()
        if receiver is not None and not self._host_times and receiver.fixes:  # a log's times may go back
            times = columns.numbers_in(tables[receiver.config.name]["time"].cast(pa.int64()).combine_chunks())
            started_ns, ended_ns = int(times.min()), int(times.max())
        return Built(
            tables=tables,
            sources=[source.summary(tables[name].num_rows) for name, source in told.items()]
            + [{"name": name, "chunks": chunks} for name, chunks in self.unknown.items()],
            clock={
                "basis": fit.basis,
                "source": receiver.config.name if receiver is not None else None,
                "offset_s": fit.offset_s,
                "drift_ppm": fit.drift_ppm,
                "residual_s": fit.residual_s,
                "residual_p99_s": fit.residual_p99_s,
                "epochs": fit.epochs,
                "latency_s": receiver.config.latency_s if receiver is not None else None,
                "wall_offset_s": fit.wall_offset_s,
                "pieces": len(fit.pieces),
                "remarks": list(fit.remarks),
            },
            counters={
                "chunks": sum(source.chunks for source in told.values()) + sum(self.unknown.values()),
                "bytes": self.bytes,
                "rows": sum(table.num_rows for table in tables.values()),
                "rejected": sum(source.rejected.total() for source in told.values()),
                "events": len(self.events),
                "damaged_events": self.damaged_events,
            },
            notes=[
                {"utc": _iso(fit, event.mono_ns), "text": str(event.said.get("text", ""))}
                for event in self.events
                if event.kind == "note"
            ],
            gaps=_gaps(self, fit),
            remarks=remarks,
            started_utc_ns=started_ns,
            ended_utc_ns=max(started_ns, ended_ns),
        )

    def _end(self) -> None:
        for source in self.told.values():
            source.end()
        self.events.sort(key=lambda event: event.mono_ns)
        arrived = [np.array(block, np.int64) for block in (*self._arrived, self._arrivals)]
        arrivals = np.concatenate(arrived)
        self.arrivals: Nanoseconds = np.sort(arrivals if len(arrivals) else np.array(self._own_ns, np.int64))
        """Of all bytes of all sources, in order."""
        self.first_ns, self.last_ns = (int(self.arrivals[0]), int(self.arrivals[-1])) if len(self.arrivals) else (0, 0)

    def _event(self, mono_ns: int, data: bytes) -> None:
        try:
            said = json.loads(data)
            event = _Event(mono_ns, str(said["event"]), said)
        except (ValueError, KeyError, TypeError, RecursionError):
            self.damaged_events += 1
            return
        self.events.append(event)
        source = self.told.get(str(said.get("source")))
        if source is not None and event.kind in {"opened", "found", "joined", "flood"}:
            source.opened(mono_ns, said.get("port"))

    @property
    def only_told_times(self) -> bool:
        """Whether the receivers' own times are all the times there are: a plain log, with nothing but sentences."""
        sources = [source for source in self.told.values() if source.chunks]
        return (
            not self._host_times
            and all(isinstance(source, _Receiver) for source in sources)
            and any(source.fixes and source.timed.any() for source in sources if isinstance(source, _Receiver))
        )

    @functools.cached_property
    def anchors(self) -> clock.Anchors:
        """The instants at which the recorder told the host's wall clock."""
        told = []
        for event in self.events:
            try:
                told.append((event.mono_ns, capture.utc_ns(event.said["utc"]), event.kind == "resumed"))
            except (KeyError, ValueError, TypeError):
                continue
        mono_ns, utc_ns, resumed = zip(*told, strict=True) if told else ((), (), ())
        return clock.Anchors(np.array(mono_ns, np.int64), np.array(utc_ns, np.int64), np.array(resumed, np.bool_))


class _Told:
    """What one configured source told, framed and decoded."""

    def __init__(self, source: Source, decoder: nmea.FixDecoder | readings.Decoder) -> None:
        self.config = source
        self.chunks = self.bytes = 0
        self.port: str | None = None
        self._framer, self._decoder = framing.framer_for(source), decoder

    def feed(self, chunk: Chunk) -> None:
        self.chunks += 1
        self.bytes += len(chunk.data)
        self.take(self._framer.feed(chunk))

    def opened(self, mono_ns: int, port: str | None) -> None:
        self._framer.opened(mono_ns)
        self.port = port or self.port

    def end(self) -> None:
        self.take(self._framer.flush())

    def take(self, frames: list[Frame]) -> None:
        """Take the frames that came next."""
        raise NotImplementedError

    def table(self, fit: clock.ClockFit) -> pa.Table:
        """The source's table, now that the clock is settled."""
        raise NotImplementedError

    @property
    def rejected(self) -> Counter[str]:
        """Frames thrown away, by reason."""
        return self._framer.rejected + self._decoder.rejected

    def summary(self, rows: int) -> dict[str, Any]:
        return {
            "name": self.config.name,
            "kind": self.config.kind,
            "port": self.port,
            "chunks": self.chunks,
            "bytes": self.bytes,
            "rows": rows,
            "rejected": dict(sorted(self.rejected.items())),
            "ignored": dict(sorted(self._decoder.ignored.items())),
            "stray_bytes": self._framer.stray_bytes,
        }

    @property
    def latency_ns(self) -> int:
        return round(self.config.latency_s * NS_PER_S)


def _told(source: Source, host_times: bool, blocks: Blocks) -> _Told:
    if isinstance(source, NmeaSource):
        return _Receiver(source, host_times, blocks)
    return _Instrument(source, blocks)


# --- a receiver's table -------------------------------------------------------------------------------------------

_FIX_FIELDS = [
    _field("lat_deg", pa.float64(), "deg", "latitude, WGS 84, north positive"),
    _field("lon_deg", pa.float64(), "deg", "longitude, WGS 84, east positive"),
    _field("alt_m", pa.float64(), "m", "altitude above mean sea level"),
    _field("geoid_m", pa.float64(), "m", "mean sea level above the WGS 84 ellipsoid"),
    _field("speed_mps", pa.float64(), "m/s", "Doppler speed over ground"),
    _field("course_deg", pa.float64(), "deg", "course over ground from true north"),
    _field("valid", pa.bool_(), "", "whether the receiver had measured a fix", nullable=False),
    _field("fix_quality", pa.int8(), "", "GGA: 0 none, 1 GPS, 2 differential, 4 and 5 RTK, 6 estimated"),
    _field("mode", pa.int8(), "", "GSA: 1 no fix, 2 without altitude (2D), 3 with altitude (3D)"),
    _field("satellites", pa.int16(), "", "satellites used"),
    _field("hdop", pa.float64(), "", "horizontal dilution of precision"),
    _field("pdop", pa.float64(), "", "position dilution of precision"),
]
GPS_COLUMNS = ["time", "mono_ns", *(field.name for field in _FIX_FIELDS)]
"""The columns of a receiver's table."""


def columns_of(source: Source) -> list[str]:
    """The columns of the table of a configured source, in order."""
    if isinstance(source, NmeaSource):
        return GPS_COLUMNS
    return ["time", "mono_ns", *(channel.name for channel in readings.decoder_for(source).channels), "void"]


class _Receiver(_Told):
    """A GPS receiver."""

    def __init__(self, source: NmeaSource, host_times: bool, blocks: Blocks) -> None:
        self._fixes_of = nmea.FixDecoder(host_times)
        super().__init__(source, self._fixes_of)
        self._blocks = blocks
        self.fixes: list[nmea.Fix] = []
        """All of them once the source has ended; those of the last block until then."""

    def take(self, frames: list[Frame]) -> None:
        for frame in frames:
            self.fixes += self._fixes_of.feed(frame)
        if len(self.fixes) >= _BLOCK:
            self._blocks.append(self.fixes)
            self.fixes = []

    def end(self) -> None:
        super().end()
        before = itertools.chain.from_iterable(self._blocks)
        self.fixes = nmea.dated([*before, *self.fixes, *self._fixes_of.flush()])

    def summary(self, rows: int) -> dict[str, Any]:
        return {**super().summary(rows), "void_fields": dict(sorted(self._fixes_of.void_fields.items()))}

    def date_by(self, anchors: clock.Anchors) -> str | None:
        """Give the fixes of a receiver that never told the date one from the wall clock, else 1970; what was done."""
        timed = [fix for fix in self.fixes if fix.time_of_day_ns is not None]
        if not timed or any(fix.utc_ns is not None for fix in timed):
            return None
        if len(anchors.mono_ns):
            ahead = int(anchors.utc_ns[0] - anchors.mono_ns[0])
        else:
            ahead = (timed[0].time_of_day_ns or 0) - timed[0].mono_ns
        self.fixes = [
            fix._replace(utc_ns=nmea.instant_near(fix.time_of_day_ns, fix.mono_ns + ahead))
            if fix.time_of_day_ns is not None
            else fix
            for fix in self.fixes
        ]
        basis = "from the computer's clock" if len(anchors.mono_ns) else "counted from 1970-01-01"
        return f"no sentence of {self.config.name!r} tells a date: it is {basis}"

    @property
    def timed(self) -> NDArray[np.bool_]:
        """Which fixes have a UTC of their own."""
        return np.array([fix.utc_ns is not None for fix in self.fixes], np.bool_)

    def columns(self) -> tuple[Nanoseconds, Nanoseconds, NDArray[np.bool_]]:
        """Arrival, UTC and validity of the fixes with a UTC of their own."""
        chosen = [(fix.mono_ns, fix.utc_ns, fix.valid) for fix in self.fixes if fix.utc_ns is not None]
        mono_ns, utc_ns, valid = zip(*chosen, strict=True) if chosen else ((), (), ())
        return np.array(mono_ns, np.int64), np.array(utc_ns, np.int64), np.array(valid, np.bool_)

    def table(self, fit: clock.ClockFit) -> pa.Table:
        mono_ns = np.array([fix.mono_ns for fix in self.fixes], np.int64)
        time_ns = fit.utc_ns(mono_ns - self.latency_ns)
        own = np.flatnonzero(self.timed)
        own_ns, trusted = fit.epochs_utc_ns(*self.columns()[:2], time_ns[own])
        time_ns[own[trusted]] = own_ns[trusted]
        # A time by arrival may be late, but not later than that of the next fix.
        by_arrival = np.setdiff1d(np.arange(len(time_ns)), own[trusted])
        next_ns = np.minimum.accumulate(time_ns[::-1])[::-1]
        near = by_arrival[time_ns[by_arrival] - next_ns[by_arrival] < NS_PER_S]
        time_ns[near] = next_ns[near]
        values = [[getattr(fix, field.name) for fix in self.fixes] for field in _FIX_FIELDS]
        given = [columns.of_values(column, field.type) for column, field in zip(values, _FIX_FIELDS, strict=True)]
        return _table(self.config.name, time_ns, mono_ns, given, _FIX_FIELDS)


# --- an instrument's table ----------------------------------------------------------------------------------------


class _Instrument(_Told):
    """A source of readings."""

    def __init__(self, source: NumbersSource | PatternSource | FrameSource, blocks: Blocks) -> None:
        self._readings_of = readings.decoder_for(source)
        super().__init__(source, self._readings_of)
        self._blocks = blocks
        self._frames: list[Frame] = []

    def take(self, frames: list[Frame]) -> None:
        self._frames += frames
        if len(self._frames) >= _BLOCK:
            self._decode()

    def end(self) -> None:
        super().end()
        self._decode()

    def _decode(self) -> None:
        self._blocks.append(self._readings_of.decode_all(self._frames))
        self._frames = []

    def table(self, fit: clock.ClockFit) -> pa.Table:
        read = readings.joined(list(self._blocks))
        name = self.config.name
        fields = [
            _field(q.name, pa.float64(), q.unit, q.description or f"{q.name} as {name} tells it")
            for q in self._readings_of.channels
        ]
        # What could not be read is null in the files: every program knows what that means.
        given = [
            columns.of_numbers(values, field.type, np.isnan(values))
            for field in fields
            for values in [read.values[field.name]]
        ]
        words = columns.of_bytes([word.encode() for word in readings.VOID_REASONS if word is not None], pa.string())
        codes = read.void_code
        void = pa.DictionaryArray.from_arrays(columns.of_numbers(codes - 1, pa.int8(), codes == 0), words)
        fields.append(_field("void", void.type, "", "why the reading is not to be used; null where it is good"))
        time_ns = fit.utc_ns(read.mono_ns - self.latency_ns)
        return _table(name, time_ns, read.mono_ns, [*given, void], fields)


def _table(
    name: str, time_ns: Nanoseconds, mono_ns: Nanoseconds, given: Sequence[pa.Array], fields: Sequence[pa.Field]
) -> pa.Table:
    schema = pa.schema([_TIME, _MONO, *fields])
    schema = schema.with_metadata(_metadata(name, schema))
    times = [columns.of_numbers(time_ns, _TIME.type), columns.of_numbers(mono_ns, _MONO.type)]
    return pa.table([*times, *given], schema=schema)


def _metadata(name: str, schema: pa.Schema) -> dict[str, str]:
    """What the whole table says of itself; the units once more, for programs that see no field's own metadata."""
    units = {field.name: field.metadata[b"unit"].decode() for field in schema}
    return {
        "program": program(),
        "schema_version": str(SCHEMA_VERSION),
        "table": name,
        "units": json.dumps(units, ensure_ascii=False),
    }


# --- clock, gaps --------------------------------------------------------------------------------------------------


def _settle(recorded: Decoding) -> tuple[_Receiver | None, clock.ClockFit, list[str]]:
    """The drive's clock, from the receiver with the most fixes; and what was noticed about dates."""
    receivers = [source for source in recorded.told.values() if isinstance(source, _Receiver)]
    said = [remark for receiver in receivers if (remark := receiver.date_by(recorded.anchors)) is not None]
    best = max(receivers, key=lambda receiver: (receiver.columns()[2].sum(), len(receiver.fixes)), default=None)
    mono_ns, utc_ns, valid = best.columns() if best is not None else (np.zeros(0, np.int64),) * 2 + (np.zeros(0, bool),)
    latency_s = best.config.latency_s if best is not None else 0.0
    if recorded.only_told_times:
        return best, clock.as_told(mono_ns, utc_ns, valid), said
    fit = clock.settle(mono_ns, utc_ns, valid, latency_s, recorded.anchors, recorded.first_ns)
    return best if fit.epochs else None, fit, said


def _gaps(recorded: Decoding, fit: clock.ClockFit) -> list[dict[str, Any]]:
    """Stretches without a source, by the recorder's word, and without any bytes at all."""
    gaps: list[tuple[int, int, str | None, str]] = []
    lost: dict[str, _Event] = {}
    for event in recorded.events:
        name = str(event.said.get("source"))
        if event.kind == "lost":
            lost.setdefault(name, event)
        elif event.kind in {"found", "opened"} and name in lost:
            began = lost.pop(name)
            gaps.append((began.mono_ns, event.mono_ns, name, str(began.said.get("why", ""))))
    for name, began in lost.items():
        gaps.append((began.mono_ns, max(recorded.last_ns, began.mono_ns), name, str(began.said.get("why", ""))))
    before, after = recorded.arrivals[:-1], recorded.arrivals[1:]
    long = (fit.utc_ns(after) - fit.utc_ns(before)) > SILENCE_S * NS_PER_S
    woken = [event.mono_ns for event in recorded.events if event.kind == "resumed"]
    woken += [piece.from_mono_ns for piece in fit.pieces[1:]]
    for start, end in zip(before[long].tolist(), after[long].tolist(), strict=True):
        slept = any(start < mono_ns <= end for mono_ns in woken)
        silent = "nothing arrived" if recorded.events else "no sentence tells a time"
        gaps.append((start, end, None, "the computer slept" if slept else silent))
    return [
        {"source": name, "start_utc": _iso(fit, start), "end_utc": _iso(fit, end), "why": why}
        for start, end, name, why in sorted(gaps, key=lambda gap: gap[:2])
    ]


def _iso(fit: clock.ClockFit, mono_ns: int) -> str:
    utc_ns = int(fit.utc_ns(np.array([mono_ns], np.int64))[0])
    return clock.instant(utc_ns).isoformat()
