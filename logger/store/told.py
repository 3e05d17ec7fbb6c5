"""What one configured source told: its chunks framed and decoded, and the table that is made of it."""

from __future__ import annotations

import functools
import importlib.metadata
import json
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from logger.config.recorder import FrameSource, NmeaSource, NumbersSource, PatternSource, Source
from logger.decode import clock, fix_columns, framing, nmea, readings
from logger.decode.clock import Nanoseconds
from logger.decode.columnar import Lines
from logger.decode.framed import Chunks, framed
from logger.decode.framing import Chunk, Frame
from logger.store import columns
from logger.store.blocks import Blocks
from logger.units import NS_PER_DAY, NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa

SCHEMA_VERSION = 1
"""Of the tables and the manifest."""

BLOCK = 4096
"""How much is decoded at a time, and kept in one block."""
_MANY = 64
"""Chunks: fewer are quicker one by one."""


def field_of(name: str, kind: pa.DataType | str, unit: str, description: str, nullable: bool = True) -> pa.Field:
    from logger.store.arrow import pa

    return pa.field(name, kind, nullable=nullable, metadata={"unit": unit, "description": description})


@functools.cache
def program() -> str:
    """The program and its version."""
    try:
        return f"pullbook {importlib.metadata.version('pullbook')}"
    except importlib.metadata.PackageNotFoundError:
        return "pullbook"


class ToldSource:
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

    def feed_many(self, chunks: Chunks) -> None:
        """The same of many chunks, as columns where they are ordinary."""
        if len(chunks.mono_ns) < _MANY:
            for chunk in chunks.between(0, len(chunks.data)):
                self.take(self._framer.feed(chunk))
        else:
            for part in framed(self._framer, chunks):
                if isinstance(part, list):
                    self.take(part)
                else:
                    self.take_lines(part)
        self.chunks += len(chunks.mono_ns)
        self.bytes += len(chunks.data)

    def take(self, frames: list[Frame]) -> None:
        """Take the frames that came next."""
        raise NotImplementedError

    def take_lines(self, lines: Lines) -> None:
        """Take the lines that came next."""
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


def told_by(source: Source, host_times: bool, blocks: Blocks) -> ToldSource:
    if isinstance(source, NmeaSource):
        return ToldReceiver(source, host_times, blocks)
    return ToldInstrument(source, blocks)


# --- a receiver's table -------------------------------------------------------------------------------------------

_FIX_FIELDS = [
    ("lat_deg", "float64", "deg", "latitude, WGS 84, north positive", True),
    ("lon_deg", "float64", "deg", "longitude, WGS 84, east positive", True),
    ("alt_m", "float64", "m", "altitude above mean sea level", True),
    ("geoid_m", "float64", "m", "mean sea level above the WGS 84 ellipsoid", True),
    ("speed_mps", "float64", "m/s", "Doppler speed over ground", True),
    ("course_deg", "float64", "deg", "course over ground from true north", True),
    ("valid", "bool", "", "whether the receiver had measured a fix", False),
    ("fix_quality", "int8", "", "GGA: 0 none, 1 GPS, 2 differential, 4 and 5 RTK, 6 estimated", True),
    ("mode", "int8", "", "GSA: 1 no fix, 2 without altitude (2D), 3 with altitude (3D)", True),
    ("satellites", "int16", "", "satellites used", True),
    ("hdop", "float64", "", "horizontal dilution of precision", True),
    ("pdop", "float64", "", "position dilution of precision", True),
]
GPS_COLUMNS = ["time", "mono_ns", *(name for name, *_ in _FIX_FIELDS)]
"""The columns of a receiver's table."""


def columns_of(source: Source) -> list[str]:
    """The columns of the table of a configured source, in order."""
    if isinstance(source, NmeaSource):
        return GPS_COLUMNS
    return ["time", "mono_ns", *(channel.name for channel in readings.decoder_for(source).channels), "void"]


class ToldReceiver(ToldSource):
    """A GPS receiver."""

    def __init__(self, source: NmeaSource, host_times: bool, blocks: Blocks) -> None:
        self._fixes_of = nmea.FixDecoder(host_times)
        super().__init__(source, self._fixes_of)
        self._blocks = blocks
        self._latest: list[nmea.Fix] = []  # of the last block
        self.fixes = fix_columns.columns_of([])
        """All of them, once the source has ended."""

    def take(self, frames: list[Frame]) -> None:
        for frame in frames:
            self._latest += self._fixes_of.feed(frame)
        if len(self._latest) >= BLOCK:
            self._keep()

    def take_lines(self, lines: Lines) -> None:
        self._keep()
        for part in fix_columns.fixes_of(self._fixes_of, lines):
            self._blocks.append(part)

    def _keep(self) -> None:
        if self._latest:
            self._blocks.append(fix_columns.columns_of(self._latest))
            self._latest = []

    def end(self) -> None:
        super().end()
        self._latest += self._fixes_of.flush()
        self._keep()
        self.fixes = fix_columns.dated_columns(fix_columns.joined_fixes(list(self._blocks)))

    def summary(self, rows: int) -> dict[str, Any]:
        return {**super().summary(rows), "void_fields": dict(sorted(self._fixes_of.void_fields.items()))}

    def date_by(self, anchors: clock.Anchors) -> str | None:
        """Give the fixes of a receiver that never told the date one from the wall clock, else 1970; what was done."""
        timed = ~self.fixes.null["time_of_day_ns"]
        if not timed.any() or self.timed.any():
            return None
        mono_ns, times = self.fixes.values["mono_ns"], self.fixes.values["time_of_day_ns"]
        first = int(timed.argmax())
        if len(anchors.mono_ns):
            ahead = int(anchors.utc_ns[0] - anchors.mono_ns[0])
        else:
            ahead = int(times[first] - mono_ns[first])
        utc_ns = times + fix_columns.days_near(mono_ns + ahead - times) * NS_PER_DAY
        self.fixes = fix_columns.FixColumns(
            values={**self.fixes.values, "utc_ns": np.where(timed, utc_ns, 0)},
            null={**self.fixes.null, "utc_ns": ~timed},
        )
        basis = "from the computer's clock" if len(anchors.mono_ns) else "counted from 1970-01-01"
        return f"no sentence of {self.config.name!r} has a date; it is {basis}"

    @property
    def timed(self) -> NDArray[np.bool_]:
        """Which fixes have a UTC of their own."""
        timed: NDArray[np.bool_] = ~self.fixes.null["utc_ns"]
        return timed

    def columns(self) -> tuple[Nanoseconds, Nanoseconds, NDArray[np.bool_]]:
        """Arrival, UTC and validity of the fixes with a UTC of their own."""
        timed, values = self.timed, self.fixes.values
        return values["mono_ns"][timed], values["utc_ns"][timed], values["valid"][timed]

    def table(self, fit: clock.ClockFit) -> pa.Table:
        mono_ns = self.fixes.values["mono_ns"]
        time_ns = fit.utc_ns(mono_ns - self.latency_ns)
        own = np.flatnonzero(self.timed)
        own_ns, trusted = fit.epochs_utc_ns(*self.columns()[:2], time_ns[own])
        time_ns[own[trusted]] = own_ns[trusted]
        # A time by arrival may be late, but not later than that of the next fix.
        by_arrival = np.setdiff1d(np.arange(len(time_ns)), own[trusted])
        next_ns = np.minimum.accumulate(time_ns[::-1])[::-1]
        near = by_arrival[time_ns[by_arrival] - next_ns[by_arrival] < NS_PER_S]
        time_ns[near] = next_ns[near]
        fields = [field_of(*field) for field in _FIX_FIELDS]
        given = [
            columns.of_numbers(self.fixes.values[field.name], field.type, self.fixes.null[field.name])
            for field in fields
        ]
        return _table(self.config.name, time_ns, mono_ns, given, fields)


# --- an instrument's table ----------------------------------------------------------------------------------------


class ToldInstrument(ToldSource):
    """A source of readings."""

    def __init__(self, source: NumbersSource | PatternSource | FrameSource, blocks: Blocks) -> None:
        self._readings_of = readings.decoder_for(source)
        super().__init__(source, self._readings_of)
        self._blocks = blocks
        self._frames: list[Frame] = []

    def take(self, frames: list[Frame]) -> None:
        self._frames += frames
        if len(self._frames) >= BLOCK:
            self._decode()

    def take_lines(self, lines: Lines) -> None:
        self._decode()
        self._blocks.append(self._readings_of.decode_lines(lines))

    def end(self) -> None:
        super().end()
        self._decode()

    def _decode(self) -> None:
        self._blocks.append(self._readings_of.decode_all(self._frames))
        self._frames = []

    def table(self, fit: clock.ClockFit) -> pa.Table:
        from logger.store.arrow import pa

        read = readings.joined(list(self._blocks))
        name = self.config.name
        fields = [
            field_of(q.name, pa.float64(), q.unit, q.description or f"{q.name} as {name} sends it")
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
        fields.append(field_of("void", void.type, "", "why the reading is not used; null if it is good"))
        time_ns = fit.utc_ns(read.mono_ns - self.latency_ns)
        return _table(name, time_ns, read.mono_ns, [*given, void], fields)


def _table(
    name: str, time_ns: Nanoseconds, mono_ns: Nanoseconds, given: Sequence[pa.Array], fields: Sequence[pa.Field]
) -> pa.Table:
    from logger.store.arrow import pa

    time = field_of("time", pa.timestamp("ns", tz="UTC"), "", "UTC at which the row was true")
    mono = field_of("mono_ns", pa.int64(), "ns", "host monotonic clock when its first byte arrived", nullable=False)
    schema = pa.schema([time, mono, *fields])
    schema = schema.with_metadata(metadata(name, schema))
    times = [columns.of_numbers(time_ns, time.type), columns.of_numbers(mono_ns, mono.type)]
    return pa.table([*times, *given], schema=schema)


def metadata(name: str, schema: pa.Schema) -> dict[str, str]:
    """What the whole table says of itself; the units once more, for programs that see no field's own metadata."""
    units = {field.name: field.metadata[b"unit"].decode() for field in schema}
    return {
        "program": program(),
        "schema_version": str(SCHEMA_VERSION),
        "table": name,
        "units": json.dumps(units, ensure_ascii=False),
    }
