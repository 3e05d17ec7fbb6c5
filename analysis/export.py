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
import json
import math
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from analysis import privacy
from analysis.captions import time_zero
from analysis.privacy import Positions, Rules
from logger.units import SPEED_UNITS, InputError

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.motion import Motion
    from analysis.runs import Run
    from logger.drive import Drive, Note

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Times = NDArray[np.int64]

PAUSE_S = 1.0
MOST_ROWS = 20_000_000
GPX = "http://www.topografix.com/GPX/1/1"
OURS = "urn:pullbook:track:1"
"""The namespace of the speeds in a GPX file, which GPX 1.1 itself has no place for."""


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
        raise InputError(f"the rate cannot be {rate_hz:g} Hz: expected 0.01 to 1000")
    started = _ns(drive.manifest.started_utc)
    times = _base(drive, rate_hz)
    if len(times) > MOST_ROWS:
        raise InputError(f"{len(times)} rows at {rate_hz:g} Hz are too many: expected a lower rate")
    columns: list[tuple[pa.Field, Any]] = [
        (_field("time", "", "UTC", pa.timestamp("ns", tz="UTC")), pa.array(times, pa.timestamp("ns", tz="UTC"))),
        (_field("time_s", "s", "since the drive began"), (times - started) / 1e9),
    ]
    if motion is not None:
        columns += _moved(motion, times)
        where = privacy.cut(positions(drive), rules)
        columns += _where(where, times, rules)
        columns += _in_runs(runs, motion, times)
    names = [name for name in drive.table_names if drive.kinds.get(name) != "nmea"]
    channels = [(name, column) for name in names for column in _channels(drive.table(name))]
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
        int(values[i]) for name in drive.table_names if len(values := _utc_ns(drive.table(name))[0]) for i in (0, -1)
    ]
    if not ends:
        return np.empty(0, np.int64)
    # Counted from midnight: nanoseconds since 1970 are more than a float can tell apart.
    midnight = min(ends) // _DAY_NS * _DAY_NS
    step = 1e9 / rate_hz
    first, last = math.ceil((min(ends) - midnight) / step), math.floor((max(ends) - midnight) / step)
    return midnight + np.round(np.arange(first, last + 1) * step).astype(np.int64)


_DAY_NS = 86_400 * 10**9


def _moved(motion: Motion, times: Times) -> list[tuple[pa.Field, Any]]:
    t = (times - motion.epoch_utc_ns) / 1e9
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
    t = (times - where.epoch_utc_ns) / 1e9
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

    t = (times - motion.epoch_utc_ns) / 1e9
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
    ns, timed = _utc_ns(table)
    values = np.asarray(table[column].to_numpy(zero_copy_only=False), float)[timed]
    if "void" in table.column_names:
        values = np.where(np.asarray(table["void"].is_null().to_numpy(), bool)[timed], values, np.nan)
    good = np.isfinite(values)
    if len(times) == 0 or good.sum() < 1:
        return np.full(len(times), np.nan)
    epoch = int(times[0])
    t, y, at = (ns[good] - epoch) / 1e9, values[good], (times - epoch) / 1e9
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
        row = int(np.argmin(np.abs(times - _ns(note.utc))))
        out[row] = note.text if out[row] is None else f"{out[row]}; {note.text}"
    return out


def _ns(when: datetime) -> int:
    whole = int(when.replace(microsecond=0).timestamp())
    return whole * 10**9 + when.microsecond * 1000


def _utc_ns(table: pa.Table) -> tuple[Times, Bools]:
    """Times of the rows that have one [ns since 1970], and which those are."""
    timed = np.asarray(table["time"].is_valid().to_numpy(), bool)
    column = table["time"].filter(timed) if not timed.all() else table["time"]
    return np.asarray(column.cast("int64").to_numpy(), np.int64), timed


# --- CSV and Parquet ----------------------------------------------------------------------------------------------

_DECIMALS = {"time_s": 3, "lat_deg": 7, "lon_deg": 7, "alt_m": 2, "course_deg": 2, "distance_m": 3, "run_time_s": 3}
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_text(table: pa.Table, speed_unit: str = "m/s") -> str:
    """The table as CSV by RFC 4180 with the unit of each column in its heading; speeds in `speed_unit`.

    Times are UTC by ISO 8601 to the millisecond. Text that a spreadsheet would take for a formula begins with an
    apostrophe (OWASP, "CSV Injection").
    """
    import pyarrow as pa

    headings, columns = [], []
    for field, values in zip(table.schema, table.columns, strict=True):
        name, unit = field.name, (field.metadata or {}).get(b"unit", b"").decode()
        if pa.types.is_timestamp(field.type):
            headings.append("time [UTC]")
            whole, rest = np.divmod(values.cast("int64").to_numpy() + 500_000, 10**9)
            columns.append([_iso(int(s), int(ns) // 10**6) for s, ns in zip(whole, rest, strict=True)])
        elif pa.types.is_floating(field.type):
            numbers = np.asarray(values.to_numpy(zero_copy_only=False), float)
            if unit == "m/s":
                numbers, unit = numbers / SPEED_UNITS[speed_unit], speed_unit
            headings.append(_heading(name, unit))
            columns.append([_number(value, _DECIMALS.get(name, 4)) for value in numbers.tolist()])
        else:
            headings.append(_heading(name, unit))
            columns.append(["" if value is None else _no_formula(str(value)) for value in values.to_pylist()])
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([_no_formula(heading) for heading in headings])
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


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


def _iso(seconds: int, milliseconds: int) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{milliseconds:03d}Z"


# --- GPX and GeoJSON ----------------------------------------------------------------------------------------------


def positions(drive: Drive) -> Positions:
    """The valid fixes of a drive's receiver. InputError where it has no GPS table."""
    name = next((name for name, kind in drive.kinds.items() if kind == "nmea" and name in drive.table_names), None)
    if name is None:
        raise InputError(f"{drive.id}: this drive has no GPS receiver among its sources")
    table = drive.table(name)
    ns, timed = _utc_ns(table)
    table = table.filter(timed) if not timed.all() else table

    def floats(column: str) -> Floats:
        return np.asarray(table[column].cast("float64").to_numpy(zero_copy_only=False), float)

    epoch = int(ns[0]) if len(ns) else _ns(drive.manifest.started_utc)
    t, lat, lon, speed = (ns - epoch) / 1e9, floats("lat_deg"), floats("lon_deg"), np.nan_to_num(floats("speed_mps"))
    way = np.concatenate([[0.0], np.cumsum(np.maximum(np.diff(t), 0) * (speed[1:] + speed[:-1]) / 2)])[: len(t)]
    good = np.asarray(table["valid"].fill_null(False).to_numpy(zero_copy_only=False), bool)
    good &= np.isfinite(lat) & np.isfinite(lon)
    latest = np.maximum.accumulate(np.where(good, t, -math.inf))
    good[1:] &= t[1:] > latest[:-1]
    return Positions(
        t_s=t[good], lat_deg=lat[good], lon_deg=lon[good], alt_m=floats("alt_m")[good],
        geoid_m=floats("geoid_m")[good], course_deg=floats("course_deg")[good], way_m=way[good],
        speed_mps=floats("speed_mps")[good], hidden=np.zeros(int(good.sum()), bool), epoch_utc_ns=epoch,
    )  # fmt: skip


def gpx_text(drive: Drive, where: Positions) -> str:
    """The positions as a GPX 1.1 file: one track with a segment for each unbroken stretch, a waypoint for each note.

    The speed of each point stands in an extension of our own namespace, in m/s. Hidden positions are left out.
    """
    ElementTree.register_namespace("", GPX)
    ElementTree.register_namespace("pb", OURS)
    root = ElementTree.Element(f"{{{GPX}}}gpx", {"version": "1.1", "creator": "pullbook"})
    about = ElementTree.SubElement(root, f"{{{GPX}}}metadata")
    _add(about, "name", drive.id)
    _add(about, "time", _utc_text(_ns(drive.manifest.started_utc)))
    for note, at in _noted(drive, where):
        _add(_point(root, "wpt", where, at), "name", note.text)
    track = ElementTree.SubElement(root, f"{{{GPX}}}trk")
    _add(track, "name", drive.id)
    if drive.setup is not None:
        _add(track, "desc", f"setup: {drive.setup.name}")
    for stretch in stretches(where):
        segment = ElementTree.SubElement(track, f"{{{GPX}}}trkseg")
        for i in stretch:
            point = _point(segment, "trkpt", where, int(i))
            if np.isfinite(where.speed_mps[i]):
                extension = ElementTree.SubElement(point, f"{{{GPX}}}extensions")
                ElementTree.SubElement(extension, f"{{{OURS}}}speed_mps").text = f"{where.speed_mps[i]:.3f}"
    ElementTree.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def geojson_text(drive: Drive, where: Positions) -> str:
    """The positions as GeoJSON by RFC 7946: a line for each unbroken stretch, with the time [s since the drive began]
    and the speed [m/s] of each of its points; a point for each note.

    Heights are above the WGS 84 ellipsoid as the RFC wants, and left out where the receiver did not tell the geoid's.
    A line that crosses the 180th meridian is cut there (RFC 7946, 3.1.9).
    """
    started = _ns(drive.manifest.started_utc)
    offset = (where.epoch_utc_ns - started) / 1e9
    features: list[dict[str, Any]] = []
    for stretch in stretches(where):
        for line in _cut_at_180(stretch, where):
            coordinates = [place for place, _, _ in line]
            kind = "LineString" if len(coordinates) > 1 else "Point"
            features.append({
                "type": "Feature",
                "geometry": {"type": kind, "coordinates": coordinates if len(coordinates) > 1 else coordinates[0]},
                "properties": {
                    "drive": drive.id, "setup": drive.setup.name if drive.setup else None,
                    "time_s": [round(t + offset, 3) for _, t, _ in line], "speed_mps": [speed for _, _, speed in line],
                },
            })  # fmt: skip
    for note, at in _noted(drive, where):
        about = {"note": note.text, "time_s": round((_ns(note.utc) - started) / 1e9, 3)}
        point = {"type": "Point", "coordinates": _place(where, at)}
        features.append({"type": "Feature", "geometry": point, "properties": about})
    return json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False, allow_nan=False) + "\n"


def stretches(where: Positions) -> Iterator[NDArray[np.int64]]:
    """The unbroken stretches of shown positions, as indices: a hidden position or a pause begins a new one."""
    shown = np.isfinite(where.lat_deg) & np.isfinite(where.lon_deg)
    if not shown.any():
        return
    pause = max(PAUSE_S, 3 * float(np.median(np.diff(where.t_s)))) if len(where.t_s) > 1 else PAUSE_S
    index = np.flatnonzero(shown)
    breaks = (np.diff(index) > 1) | (np.diff(where.t_s[index]) > pause)
    yield from np.split(index, np.flatnonzero(breaks) + 1)


def thinned(where: Positions, rate_hz: float) -> Positions:
    """At most one position for each 1/rate seconds, the first of each."""
    step = np.floor(where.t_s * rate_hz + 1e-6)
    keep = np.ones(len(step), bool)
    keep[1:] = np.diff(step) > 0
    # A hidden position stays, so that the stretches on its two sides do not grow together.
    keep |= where.hidden
    names = ("t_s", "lat_deg", "lon_deg", "alt_m", "geoid_m", "course_deg", "way_m", "speed_mps", "hidden")
    return replace(where, **{name: getattr(where, name)[keep] for name in names})


def _noted(drive: Drive, where: Positions) -> Iterator[tuple[Note, int]]:
    """Each note with the position nearest its time, where there is one that may be shown."""
    for note in drive.manifest.notes if len(where.t_s) else ():
        t = (_ns(note.utc) - where.epoch_utc_ns) / 1e9
        at = int(np.argmin(np.abs(where.t_s - t)))
        if abs(where.t_s[at] - t) <= 5 and np.isfinite(where.lat_deg[at]):
            yield note, at


def _point(parent: ElementTree.Element, tag: str, where: Positions, i: int) -> ElementTree.Element:
    place = {"lat": f"{where.lat_deg[i]:.7f}", "lon": f"{where.lon_deg[i]:.7f}"}
    if place["lon"] == "180.0000000":
        place["lon"] = "-180.0000000"  # the schema takes -180 up to, and without, 180
    point = ElementTree.SubElement(parent, f"{{{GPX}}}{tag}", place)
    if np.isfinite(where.alt_m[i]):
        _add(point, "ele", f"{where.alt_m[i]:.2f}")
    _add(point, "time", _utc_text(where.epoch_utc_ns + round(float(where.t_s[i]) * 1e9)))
    if np.isfinite(where.geoid_m[i]):
        _add(point, "geoidheight", f"{where.geoid_m[i]:.2f}")
    return point


def _add(parent: ElementTree.Element, tag: str, text: str) -> None:
    ElementTree.SubElement(parent, f"{{{GPX}}}{tag}").text = _xml_text(text)


def _xml_text(text: str) -> str:
    """`text` without the characters that XML 1.0 does not allow (section 2.2)."""
    return re.sub(r"[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", text)


def _utc_text(ns: int) -> str:
    whole, rest = divmod(ns + 500_000, 10**9)
    return _iso(whole, rest // 10**6)


Vertex = tuple[list[float], float, float | None]
"""A place, a time [s] and a speed [m/s]."""


def _place(where: Positions, i: int) -> list[float]:
    place = [round(float(where.lon_deg[i]), 7), round(float(where.lat_deg[i]), 7)]
    height = float(where.alt_m[i] + where.geoid_m[i])
    return [*place, round(height, 2)] if math.isfinite(height) else place


def _cut_at_180(stretch: NDArray[np.int64], where: Positions) -> list[list[Vertex]]:
    def vertex(i: int) -> Vertex:
        speed = float(where.speed_mps[i])
        return _place(where, i), float(where.t_s[i]), round(speed, 3) if math.isfinite(speed) else None

    lines = [[vertex(int(stretch[0]))]]
    for a, b in pairwise(stretch.tolist()):
        west, east = float(where.lon_deg[a]), float(where.lon_deg[b])
        if abs(east - west) > 180:
            side = 180.0 if west > 0 else -180.0
            share = (side - west) / (east + 2 * side - west) if east != -side else 1.0
            lat = round(float(where.lat_deg[a] + share * (where.lat_deg[b] - where.lat_deg[a])), 7)
            t = float(where.t_s[a] + share * (where.t_s[b] - where.t_s[a]))
            lines[-1].append(([side, lat], t, None))
            lines.append([([-side, lat], t, None)])
        lines[-1].append(vertex(b))
    return lines
