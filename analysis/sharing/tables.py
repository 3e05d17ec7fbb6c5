"""A drive for other programs: CSV and Parquet on one common time base, GPX 1.1 and GeoJSON.

    rules = privacy.in_force(store, [drive])
    table = common_base(drive, rate_hz=10, rules=rules)       # an Arrow table, SI, a unit on every column
    csv_text(table, "mph"); parquet_bytes(table)
    where = privacy.cut(positions(drive), rules)
    gpx_text(drive, where); geojson_text(drive, where)

The common base has a row every 1/rate seconds, on whole steps of UTC. Speed, acceleration and distance come from the
smoothed motion (`motion.Motion.at`); a recorded channel is the mean of its good readings within a step where it is
recorded faster than the base, and is read by straight lines between readings where it is slower. No value bridges a
pause longer than `PAUSE_S` and three usual steps of its channel. Channels stand at the times they were recorded; a
mixture controller's delay is not taken out of them. The same drive gives the same bytes.

GPX 1.1: topografix.com/GPX/1/1, checked against its schema in the tests. GeoJSON: RFC 7946.
"""

from __future__ import annotations

import csv
import io
import math
import re
import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.arrays import Floats
from analysis.runs.run import time_zero
from analysis.sharing import privacy
from analysis.sharing.privacy import Positions, Rules
from analysis.sharing.tracks import PAUSE_S, Times, iso, positions, to_ns, utc_ns
from logger.errors import InputError
from logger.text import safe
from logger.units import MS_PER_S, NS_PER_DAY, NS_PER_S, SPEED_UNITS

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.motion.smoother import Motion
    from analysis.runs.run import Run
    from logger.store.drive import Drive
MOST_ROWS = 5_000_000
"""Nearly six days at 10 Hz, in 1.5 GB of memory."""


# --- the common time base -----------------------------------------------------------------------------------------


def common_base(
    drive: Drive, rate_hz: float, rules: Rules, motion: Motion | None = None, runs: Sequence[Run] = ()
) -> pa.Table:
    """All that a drive holds on one time base, as an Arrow table in SI with `unit` and `description` on each column.

    `motion` and `runs` are those of the drive, where it has them (see `motion.smooth`, `runs.find`). What the `rules`
    hide is null. InputError where the rate is no rate or the table would be too long.
    """
    import pyarrow as pa

    if not (math.isfinite(rate_hz) and 0.01 <= rate_hz <= 1000):
        raise InputError(f"the rate cannot be {rate_hz:g} Hz. Use 0.01 to 1000")
    started = to_ns(drive.manifest.started_utc)
    times = _base(drive, rate_hz)
    columns: list[tuple[pa.Field, Any]] = [
        (_field("time", "", "UTC", pa.timestamp("ns", tz="UTC")), pa.array(times, pa.timestamp("ns", tz="UTC"))),
        (_field("time_s", "s", "since the drive began"), (times - started) / NS_PER_S),
    ]
    if motion is not None:
        columns += _moved(motion, times)
        where = privacy.cut(positions(drive), rules)
        columns += _where(where, times, rules)
        columns += _in_runs(runs, motion, times)
    names = [name for name in drive.table_names if drive.kinds.get(name) != "nmea"]
    channels = [(name, column) for name in names for column in _channels(drive.table(name))]
    channels = [each for each in channels if not privacy.tells_place(each[1])]
    for name, column in channels:
        twice = sum(other == column for _, other in channels) > 1
        table = drive.table(name)
        meta = {k.decode(): v.decode() for k, v in (table.schema.field(column).metadata or {}).items()}
        field = _field(f"{name}_{column}" if twice else column, meta.get("unit", ""), meta.get("description", ""))
        columns.append((field, _sampled(table, column, times, rate_hz)))
    columns.append((_field("note", "", "made while driving", pa.string()), pa.array(_notes(drive, times), pa.string())))
    arrays = [
        values if isinstance(values, pa.Array) else pa.array(values, field.type, from_pandas=True)
        for field, values in columns
    ]
    about = {"drive": drive.id, "setup": drive.setup.name if drive.setup else "", "positions": f"cut: {rules.said()}"}
    schema = pa.schema([field for field, _ in columns], metadata={k: v.encode() for k, v in about.items()})
    return pa.Table.from_arrays(arrays, schema=schema)


def _field(name: str, unit: str, description: str, kind: Any = None) -> pa.Field:
    import pyarrow as pa

    return pa.field(name, kind or pa.float64(), metadata={"unit": unit, "description": description})


def _base(drive: Drive, rate_hz: float) -> Times:
    """From the first to the last row of any table, on whole steps of UTC [ns since 1970]."""
    ends = [
        int(values[i]) for name in drive.table_names if len(values := utc_ns(drive.table(name))[0]) for i in (0, -1)
    ]
    if not ends:
        return np.empty(0, np.int64)
    # Counted from midnight: nanoseconds since 1970 are more than a float can tell apart.
    midnight = min(ends) // NS_PER_DAY * NS_PER_DAY
    step = NS_PER_S / rate_hz
    first, last = math.ceil((min(ends) - midnight) / step), math.floor((max(ends) - midnight) / step)
    if last - first >= MOST_ROWS:
        raise InputError(
            f"{drive.id}: its tables span {(max(ends) - min(ends)) / NS_PER_DAY:,.1f} days: "
            f"{last - first + 1:,} rows at this rate. The most is {MOST_ROWS:,}: use a lower --rate"
        )
    return midnight + np.round(np.arange(first, last + 1) * step).astype(np.int64)


def _moved(motion: Motion, times: Times) -> list[tuple[pa.Field, Any]]:
    t = (times - motion.epoch_utc_ns) / NS_PER_S
    parts = [motion.at(part) for part in np.array_split(t, len(t) // 50_000 + 1)]  # bounds the memory of `at`
    pauses = np.zeros(len(t), bool)
    for gap in motion.gaps:
        pauses |= (t > gap.start_s) & (t < gap.end_s)

    def column(values: Sequence[Floats]) -> Floats:
        return np.where(pauses, np.nan, np.concatenate(values))

    return [
        (_field("speed_mps", "m/s", "speed over ground, smoothed"), column([part.speed_mps for part in parts])),
        (_field("speed_sigma_mps", "m/s", "its standard deviation"), column([part.speed_sigma for part in parts])),
        (_field("accel_mps2", "m/s^2", "acceleration, smoothed"), column([part.accel_mps2 for part in parts])),
        (_field("distance_m", "m", "driven since the first fix"),
         np.concatenate([motion.distance_at(part) for part in np.array_split(t, len(t) // 50_000 + 1)])),
    ]  # fmt: skip


def _where(where: Positions, times: Times, rules: Rules) -> list[tuple[pa.Field, Any]]:
    t = (times - where.epoch_utc_ns) / NS_PER_S
    ellipsoid = where.alt_m, "above mean sea level"
    lat = _between(where.t_s, where.lat_deg, t)
    # Longitudes and courses are read across the places where they jump.
    lon = np.mod(_between(where.t_s, _unwrapped(where.lon_deg), t) + 180, 360) - 180
    again = privacy.in_circles(lat, lon, rules.circles)  # between two fixes outside a circle
    rows = [
        ("lat_deg", "deg", "latitude, WGS 84", lat),
        ("lon_deg", "deg", "longitude, WGS 84", lon),
        ("alt_m", "m", ellipsoid[1], _between(where.t_s, ellipsoid[0], t)),
        ("course_deg", "deg", "course over ground from true north", _nearest(where.t_s, where.course_deg, t)),
    ]
    return [(_field(name, unit, said), np.where(again, np.nan, values)) for name, unit, said, values in rows]


def _in_runs(runs: Sequence[Run], motion: Motion, times: Times) -> list[tuple[pa.Field, Any]]:
    import pyarrow as pa

    t = (times - motion.epoch_utc_ns) / NS_PER_S
    number, elapsed = np.zeros(len(t), np.int64), np.full(len(t), np.nan)
    for run in runs:
        inside = (t >= run.start_s) & (t <= run.end_s)
        number[inside], elapsed[inside] = run.n, t[inside] - time_zero(run)
    return [
        (_field("run", "", "number of the run", pa.int64()), pa.array(number, pa.int64(), mask=number == 0)),
        (_field("run_time_s", "s", "since one foot of movement; a rolling run: since its first speed"), elapsed),
    ]


def _channels(table: pa.Table) -> list[str]:
    import pyarrow as pa

    return [field.name for field in table.schema if pa.types.is_floating(field.type)]


def _sampled(table: pa.Table, column: str, times: Times, rate_hz: float) -> Floats:
    """A channel on the base; NaN where nothing good was recorded near."""
    ns, timed = utc_ns(table)
    values = np.asarray(table[column].to_numpy(zero_copy_only=False), float)[timed]
    if "void" in table.column_names:
        values = np.where(np.asarray(table["void"].is_null().to_numpy(), bool)[timed], values, np.nan)
    good = np.isfinite(values)
    if len(times) == 0 or good.sum() < 1:
        return np.full(len(times), np.nan)
    epoch = int(times[0])
    t, y, at = (ns[good] - epoch) / NS_PER_S, values[good], (times - epoch) / NS_PER_S
    usual = float(np.median(np.diff(t))) if len(t) > 1 else math.inf
    if usual < 0.75 / rate_hz:
        cell = np.round(t * rate_hz).astype(np.int64)
        inside = (cell >= 0) & (cell < len(at))
        count = np.bincount(cell[inside], minlength=len(at))
        total = np.bincount(cell[inside], weights=y[inside], minlength=len(at))
        with np.errstate(invalid="ignore"):
            means = total / count
        line = _between(t, y, at)
        return np.where(count > 0, means, line)
    return _between(t, y, at)


def _between(t: Floats, y: Floats, at: Floats) -> Floats:
    """`y` by straight lines at the times `at`; NaN outside, beside a NaN, and across a pause."""
    if len(t) == 0:
        return np.full(len(at), np.nan)
    pause = max(PAUSE_S, 3 * float(np.median(np.diff(t)))) if len(t) > 1 else PAUSE_S
    right = np.clip(np.searchsorted(t, at, side="left"), 0, len(t) - 1)
    left = np.clip(np.where(t[right] == at, right, right - 1), 0, None)
    span = t[right] - t[left]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(span > 0, (at - t[left]) / span, 0.0)
        out = np.where(left == right, y[left], y[left] + share * (y[right] - y[left]))
    out[(at < t[0]) | (at > t[-1]) | (span > pause)] = np.nan
    return np.asarray(out, float)


def _nearest(t: Floats, y: Floats, at: Floats) -> Floats:
    """`y` of the nearest time; NaN where `_between` would give none."""
    if len(t) == 0:
        return np.full(len(at), np.nan)
    right = np.clip(np.searchsorted(t, at), 0, len(t) - 1)
    left = np.clip(right - 1, 0, None)
    near = np.where(np.abs(t[right] - at) <= np.abs(at - t[left]), right, left)
    return np.where(np.isfinite(_between(t, np.zeros(len(t)), at)), y[near], np.nan)


def _unwrapped(lon_deg: Floats) -> Floats:
    out = lon_deg.copy()
    good = np.isfinite(out)
    out[good] = np.degrees(np.unwrap(np.radians(out[good])))
    return out


def _notes(drive: Drive, times: Times) -> list[str | None]:
    """Each note at the row nearest its time."""
    out: list[str | None] = [None] * len(times)
    for note in drive.manifest.notes if len(times) else ():
        row = int(np.argmin(np.abs(times - to_ns(note.utc))))
        out[row] = note.text if out[row] is None else f"{out[row]}; {note.text}"
    return out


# --- CSV and Parquet ----------------------------------------------------------------------------------------------

_DECIMALS = {"time_s": 3, "lat_deg": 7, "lon_deg": 7, "alt_m": 2, "course_deg": 2, "distance_m": 3, "run_time_s": 3}
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_text(table: pa.Table, speed_unit: str = "m/s") -> str:
    """The table as CSV by RFC 4180 with the unit of each column in its heading; speeds in `speed_unit`.

    Times are UTC by ISO 8601 to the millisecond. Text that a spreadsheet would take for a formula begins with an
    apostrophe (OWASP, "CSV Injection"); what a terminal would obey, or a line end, is written as its number.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([_no_formula(_headed(field, speed_unit)) for field in table.schema])
    for batch in table.to_batches(max_chunksize=100_000):  # text takes ten times the memory of numbers
        columns = [_cells(field, values, speed_unit) for field, values in zip(table.schema, batch.columns, strict=True)]
        writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


def _unit(field: pa.Field) -> str:
    return str((field.metadata or {}).get(b"unit", b"").decode())


def _headed(field: pa.Field, speed_unit: str) -> str:
    import pyarrow as pa

    if pa.types.is_timestamp(field.type):
        return "time [UTC]"
    unit = _unit(field)
    return _heading(field.name, speed_unit if unit == "m/s" and pa.types.is_floating(field.type) else unit)


def _cells(field: pa.Field, values: pa.Array, speed_unit: str) -> list[str]:
    """A column as text."""
    import pyarrow as pa

    if pa.types.is_timestamp(field.type):
        whole, rest = np.divmod(values.cast("int64").to_numpy() + NS_PER_S // MS_PER_S // 2, NS_PER_S)
        return [iso(int(s), int(ns) * MS_PER_S // NS_PER_S) for s, ns in zip(whole, rest, strict=True)]
    if pa.types.is_floating(field.type):
        numbers = np.asarray(values.to_numpy(zero_copy_only=False), float)
        numbers = numbers / SPEED_UNITS[speed_unit] if _unit(field) == "m/s" else numbers
        return [_number(value, _DECIMALS.get(field.name, 4)) for value in numbers.tolist()]
    return ["" if value is None else _no_formula(safe(str(value))) for value in values.to_pylist()]


def parquet_bytes(table: pa.Table) -> bytes:
    """The table as a Parquet file."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    data: bytes = sink.getvalue().to_pybytes()
    return data


def _heading(name: str, unit: str) -> str:
    words = re.sub(r"_(mps2?|m|s|deg|kpa|c|n|w)$", "", name).replace("_", " ")
    return f"{words} [{unit}]" if unit else words


def _number(value: float, decimals: int) -> str:
    if not math.isfinite(value):
        return ""
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _no_formula(text: str) -> str:
    """Text that no spreadsheet takes for a formula: full-width signs and leading spaces count too."""
    plain = unicodedata.normalize("NFKC", text).lstrip(" \u00a0\ufeff\u200b")
    return f"'{text}" if text.startswith(_FORMULA) or plain.startswith(_FORMULA) else text
