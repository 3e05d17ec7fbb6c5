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
import json
from array import array
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.config.recorder import (
    RECORDER_SOURCE,
    RecorderConfig,
)
from logger.decode import clock
from logger.decode.clock import Nanoseconds
from logger.decode.framed import Chunks
from logger.decode.framing import Chunk
from logger.store import capture, columns, told
from logger.store.blocks import Blocks
from logger.store.told import ToldReceiver, ToldSource, field_of, metadata, told_by
from logger.units import NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa

SILENCE_S = 5.0
"""A drive in which nothing at all arrived for this long has a gap there [s]."""


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


def build(raw: pa.Table, configuration: RecorderConfig) -> Built:
    """Tables, clock and findings of a drive from its raw rows (mono_ns, source, data). The same in, the same out."""
    # A plain log has no row of a recorder, and its times are not those of arrival.
    recorded = RECORDER_SOURCE in raw["source"].unique().to_pylist()
    decoding = Decoding(configuration, host_times=recorded)
    decoding.feed_table(raw)
    return decoding.built()


@functools.cache
def raw_schema() -> pa.Schema:
    """raw.parquet: every byte in order of arrival."""
    from logger.store.arrow import pa

    return pa.schema(
        [
            field_of("mono_ns", pa.int64(), "ns", "host monotonic clock when the bytes arrived", nullable=False),
            field_of("source", pa.dictionary(pa.int32(), pa.string()), "", "what sent the bytes", nullable=False),
            field_of("data", pa.binary(), "", "the bytes", nullable=False),
        ]
    )


def raw_table(raw: pa.Table) -> pa.Table:
    """Raw rows with the types and metadata of raw.parquet."""
    from logger.store.arrow import pa

    columns = [raw["mono_ns"].cast(pa.int64()), _dictionary(raw["source"]), raw["data"].cast(pa.binary())]
    schema = raw_schema()
    table = pa.table(columns, schema=schema.with_metadata(metadata("raw", schema)))
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
    from logger.store.arrow import pa

    words = column.cast(pa.string())
    return (
        words.dictionary_encode().unify_dictionaries() if len(words) else words.cast(raw_schema().field("source").type)
    )


# --- reading the raw rows -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Event:
    """A row of the recorder itself; see `events` for the kinds."""

    mono_ns: int
    kind: str
    said: Mapping[str, Any]


class _Rows(NamedTuple):
    """Raw rows as columns."""

    mono_ns: NDArray[np.int64]
    names: list[str]
    which: NDArray[Any]
    """Of `names`, for each row."""
    ends: NDArray[np.int64]
    """Where the rows begin in `data`, and where the last one ends."""
    data: NDArray[np.uint8]


_ROWS = 1 << 16
"""So many raw rows are decoded at a time."""
_OPENING = frozenset({"opened", "found", "joined", "flood"})
"""Events after which a source's bytes do not continue what came before."""


class Decoding:
    """The raw rows, read once, in one go or as they come: what each source told, the recorder's events, what else came.

    `host_times` says whether the rows' times are those of arrival at a recorder; `blocks` makes what keeps the decoded.
    """

    def __init__(
        self, configuration: RecorderConfig, host_times: bool = True, blocks: Callable[[], Blocks] = list
    ) -> None:
        self._host_times = host_times
        self.told = {source.name: told_by(source, host_times, blocks()) for source in configuration.source}
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
                self._take_event(self._read_event(mono_ns, data))
                self._own_ns.append(mono_ns)
                continue
            else:
                self.unknown[name] += 1
            self._arrivals.append(mono_ns)
            self.bytes += len(data)
        if len(self._arrivals) >= 16 * told.BLOCK:
            self._arrived.append(self._arrivals)
            self._arrivals = array("q")

    def feed_table(self, raw: pa.Table) -> None:
        """Take the raw rows that come next from a table: the same, and quicker where there are many."""
        for batch in raw.to_batches(max_chunksize=_ROWS):
            if batch.num_rows:
                self._feed_batch(batch)

    def _feed_batch(self, batch: pa.RecordBatch) -> None:
        mono_ns = columns.numbers_in(batch.column("mono_ns")).astype(np.int64, copy=False)
        names, which = columns.words_in(batch.column("source"))
        ends = columns.ends_in(batch.column("data")).astype(np.int64)
        data = np.frombuffer(batch.column("data").buffers()[2] or b"", np.uint8)[ends[0] : ends[-1]]
        self._feed_columns(_Rows(mono_ns, names, which, ends - ends[0], data))

    def feed_chunks(self, chunks: Sequence[Chunk]) -> None:
        """Take the raw rows that come next as columns: the same as `feed`, and quicker where there are many."""
        codes: dict[str, int] = {}
        which = np.array([codes.setdefault(chunk.source, len(codes)) for chunk in chunks], np.int64)
        ends = np.append(0, np.cumsum([len(chunk.data) for chunk in chunks], dtype=np.int64))
        data = np.frombuffer(b"".join(chunk.data for chunk in chunks), np.uint8)
        mono_ns = np.array([chunk.mono_ns for chunk in chunks], np.int64)
        if len(chunks):
            self._feed_columns(_Rows(mono_ns, list(codes), which, ends, data))

    def _feed_columns(self, rows: _Rows) -> None:
        mono_ns, names, which, ends, data = rows.mono_ns, rows.names, rows.which, rows.ends, rows.data
        self._fed_rows += len(mono_ns)
        self._fed_bytes += len(data)
        own = which == (names.index(RECORDER_SOURCE) if RECORDER_SOURCE in names else -1)
        begin = 0
        for at in np.flatnonzero(own).tolist():
            event = self._read_event(int(mono_ns[at]), data[ends[at] : ends[at + 1]].tobytes())
            self._own_ns.append(int(mono_ns[at]))
            if event is not None and self._opens(event) is not None:  # what comes before it came from the port before
                self._feed_rows(rows, begin, at)
                begin = at
            self._take_event(event)
        self._feed_rows(rows, begin, len(mono_ns))
        self._arrived.append(mono_ns[~own])
        self.bytes += len(data) - int(np.diff(ends)[own].sum())

    def _feed_rows(self, rows: _Rows, begin: int, end: int) -> None:
        which, ends = rows.which[begin:end], rows.ends[begin : end + 1]
        lengths, data = np.diff(ends), rows.data[int(ends[0]) : int(ends[-1])]
        for code, name in enumerate(rows.names):
            here = which == code
            if name == RECORDER_SOURCE or not here.any():
                continue
            source = self.told.get(name)
            if source is None:
                self.unknown[name] += int(here.sum())
                continue
            chunks = Chunks(rows.mono_ns[begin:end][here], np.cumsum(lengths[here]), data[np.repeat(here, lengths)])
            source.feed_many(chunks)

    def covers(self, raw: pa.Table) -> bool:
        """Whether just as many rows and bytes were fed as `raw` holds."""
        ends = [columns.ends_in(batch.column("data")) for batch in raw.to_batches()]
        held = sum(int(end[-1] - end[0]) for end in ends)
        return (self._fed_rows, self._fed_bytes) == (raw.num_rows, held)

    def built(self) -> Built:
        """What came of all that was fed; to be called once, when nothing more comes."""
        from logger.store.arrow import pa

        self._end()
        told = self.told
        receiver, fit, dates = _settle(self)
        tables = {name: source.table(fit) for name, source in told.items()}
        remarks = [*dates, *fit.remarks]
        for name, count in self.unknown.items():
            remarks.append(
                f"source {name!r} is not in the configuration; its {count} chunks are kept only as raw bytes"
            )
        for name, source in told.items():
            if not source.chunks:
                remarks.append(f"nothing came from source {name!r}")
            elif not tables[name].num_rows:
                remarks.append(f"nothing that came from source {name!r} could be read as {source.config.kind}")
        started_ns, ended_ns = fit.utc_ns(np.array([self.first_ns, self.last_ns])).tolist()
        if receiver is not None and not self._host_times and len(receiver.fixes):  # a log's times may go back
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

    def _read_event(self, mono_ns: int, data: bytes) -> _Event | None:
        try:
            said = json.loads(data)
            return _Event(mono_ns, str(said["event"]), said)
        except (ValueError, KeyError, TypeError, RecursionError):
            self.damaged_events += 1
            return None

    def _opens(self, event: _Event) -> ToldSource | None:
        """The source whose port the event says was opened."""
        return self.told.get(str(event.said.get("source"))) if event.kind in _OPENING else None

    def _take_event(self, event: _Event | None) -> None:
        if event is not None:
            self.events.append(event)
            if (source := self._opens(event)) is not None:
                source.opened(event.mono_ns, event.said.get("port"))

    @property
    def only_told_times(self) -> bool:
        """Whether the receivers' own times are all the times there are: a plain log, with nothing but sentences."""
        sources = [source for source in self.told.values() if source.chunks]
        return (
            not self._host_times
            and all(isinstance(source, ToldReceiver) for source in sources)
            and any(source.timed.any() for source in sources if isinstance(source, ToldReceiver))
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


# --- clock, gaps --------------------------------------------------------------------------------------------------


def _settle(recorded: Decoding) -> tuple[ToldReceiver | None, clock.ClockFit, list[str]]:
    """The drive's clock, from the receiver with the most fixes; and what was noticed about dates."""
    receivers = [source for source in recorded.told.values() if isinstance(source, ToldReceiver)]
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
        silent = "nothing arrived" if recorded.events else "no sentence has a time"
        gaps.append((start, end, None, "the computer slept" if slept else silent))
    return [
        {"source": name, "start_utc": _iso(fit, start), "end_utc": _iso(fit, end), "why": why}
        for start, end, name, why in sorted(gaps, key=lambda gap: gap[:2])
    ]


def _iso(fit: clock.ClockFit, mono_ns: int) -> str:
    utc_ns = int(fit.utc_ns(np.array([mono_ns], np.int64))[0])
    return clock.instant(utc_ns).isoformat()
