"""The way driven as GPX 1.1 and GeoJSON."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any, TypeVar
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Bools, Floats
from analysis.sharing.privacy import Positions
from logger.errors import InputError
from logger.units import MS_PER_S, NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa
    from gpxpy.gpx import GPXTrackPoint, GPXWaypoint

    from logger.store.drive import Drive
    from logger.store.manifest import Note

Times = NDArray[np.int64]
P = TypeVar("P", "GPXWaypoint", "GPXTrackPoint")

PAUSE_S = 1.0
OURS = "urn:pullbook:track:1"
"""The namespace of the speeds in a GPX file, which GPX 1.1 itself has no place for."""
_NO_CAR_MPS = 1000.0
"""No car is as fast: the way is not counted on by such a speed."""


def to_ns(when: datetime) -> int:
    whole = int(when.replace(microsecond=0).timestamp())
    return whole * NS_PER_S + when.microsecond * 1000


def utc_ns(table: pa.Table) -> tuple[Times, Bools]:
    """Times of the rows that have one [ns since 1970], and which those are."""
    timed = np.asarray(table["time"].is_valid().to_numpy(), bool)
    column = table["time"].filter(timed) if not timed.all() else table["time"]
    return np.asarray(column.cast("int64").to_numpy(), np.int64), timed


def iso(seconds: int, milliseconds: int) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{milliseconds:03d}Z"


# --- GPX and GeoJSON ----------------------------------------------------------------------------------------------


def has_receiver(drive: Drive) -> bool:
    """Whether a GPS receiver is among the drive's sources, with a table of its fixes."""
    return _receiver(drive) is not None


def _receiver(drive: Drive) -> str | None:
    return next((name for name, kind in drive.kinds.items() if kind == "nmea" and name in drive.table_names), None)


def positions(drive: Drive, source: str | None = None) -> Positions:
    """The valid fixes of a drive's receiver, the first unless `source` names one. InputError without a GPS table."""
    name = source or _receiver(drive)
    if name is None:
        raise InputError(f"{drive.id}: this drive has no GPS receiver among its sources")
    table = drive.table(name)
    ns, timed = utc_ns(table)
    row = np.flatnonzero(timed)
    table = table.filter(timed) if not timed.all() else table

    def floats(column: str) -> Floats:
        return np.asarray(table[column].cast("float64").to_numpy(zero_copy_only=False), float)

    epoch = int(ns[0]) if len(ns) else to_ns(drive.manifest.started_utc)
    t, lat, lon, speed = (
        (ns - epoch) / NS_PER_S,
        floats("lat_deg"),
        floats("lon_deg"),
        floats("speed_mps"),
    )
    speed = np.where(np.abs(speed) < _NO_CAR_MPS, speed, 0.0)
    way = np.concatenate([[0.0], np.cumsum(np.maximum(np.diff(t), 0) * (speed[1:] + speed[:-1]) / 2)])[: len(t)]
    good = np.asarray(table["valid"].fill_null(False).to_numpy(zero_copy_only=False), bool)
    good &= np.isfinite(lat) & np.isfinite(lon)
    latest = np.maximum.accumulate(np.where(good, t, -math.inf))
    good[1:] &= t[1:] > latest[:-1]
    return Positions(
        t_s=t[good], lat_deg=lat[good], lon_deg=lon[good], alt_m=floats("alt_m")[good],
        geoid_m=floats("geoid_m")[good], course_deg=floats("course_deg")[good], way_m=way[good],
        speed_mps=floats("speed_mps")[good], hidden=np.zeros(int(good.sum()), bool), epoch_utc_ns=epoch,
        row=row[good],
    )  # fmt: skip


def gpx_text(drive: Drive, where: Positions) -> str:
    """The positions as a GPX 1.1 file, by gpxpy: one track with a segment for each unbroken stretch, a waypoint for
    each note.

    The speed of each point stands in an extension of our own namespace, in m/s. Hidden positions are left out.
    """
    from gpxpy.gpx import GPX, GPXTrack, GPXTrackPoint, GPXTrackSegment, GPXWaypoint

    told = GPX()
    told.creator, told.name, told.time = "pullbook", drive.id, _to_ms(to_ns(drive.manifest.started_utc))
    told.nsmap["pb"] = OURS
    told.waypoints = [_at(GPXWaypoint(name=_xml_text(note.text)), where, at) for note, at in _noted(drive, where)]
    track = GPXTrack(name=drive.id)
    if drive.setup is not None:
        track.description = _xml_text(f"setup: {drive.setup.name}")
    told.tracks = [track]
    for stretch in stretches(where):
        points = []
        for i in stretch.tolist():
            point = _at(GPXTrackPoint(), where, i)
            points.append(point)
            if np.isfinite(where.speed_mps[i]):
                speed = ElementTree.Element(f"{{{OURS}}}speed_mps")
                speed.text = f"{where.speed_mps[i]:.3f}"
                point.extensions = [speed]
        track.segments.append(GPXTrackSegment(points))
    return f"{told.to_xml('1.1')}\n"


def geojson_text(drive: Drive, where: Positions) -> str:
    """The positions as GeoJSON by RFC 7946: a line for each unbroken stretch, with the time [s since the drive began]
    and the speed [m/s] of each of its points; a point for each note.

    Heights are above the WGS 84 ellipsoid as the RFC wants, and left out where the receiver did not tell the geoid's.
    A line that crosses the 180th meridian is cut there (RFC 7946, 3.1.9).
    """
    started = to_ns(drive.manifest.started_utc)
    offset = (where.epoch_utc_ns - started) / NS_PER_S
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
        about = {"note": note.text, "time_s": round((to_ns(note.utc) - started) / NS_PER_S, 3)}
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
        t = (to_ns(note.utc) - where.epoch_utc_ns) / NS_PER_S
        at = int(np.argmin(np.abs(where.t_s - t)))
        if abs(where.t_s[at] - t) <= 5 and np.isfinite(where.lat_deg[at]):
            yield note, at


def _at(point: P, where: Positions, i: int) -> P:
    """The point at the place, height and time of a position."""
    point.latitude, point.longitude = round(float(where.lat_deg[i]), 7), round(float(where.lon_deg[i]), 7)
    if point.longitude == 180:
        point.longitude = -180.0  # the schema takes -180 up to, and without, 180
    if np.isfinite(where.alt_m[i]):
        point.elevation = round(float(where.alt_m[i]), 2)
    point.time = _to_ms(where.epoch_utc_ns + round(float(where.t_s[i]) * NS_PER_S))
    if np.isfinite(where.geoid_m[i]):
        point.geoid_height = round(float(where.geoid_m[i]), 2)
    return point


def _xml_text(text: str) -> str:
    """`text` without the characters that XML 1.0 does not allow (section 2.2)."""
    return re.sub(r"[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", text)


def _to_ms(ns: int) -> datetime:
    """Nanoseconds since 1970 as a time, to the millisecond."""
    whole, rest = divmod(ns + NS_PER_S // MS_PER_S // 2, NS_PER_S)
    return datetime.fromtimestamp(whole, UTC).replace(microsecond=rest // (NS_PER_S // MS_PER_S) * 1000)


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
