"""A drive with its mixture map: what the verbs on mixture begin with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.arrays import Floats
from analysis.mixture.masks import Readings
from logger.config.recorder import NmeaSource
from logger.errors import InputError, NoAnswer
from logger.store.columns import floats_in, seconds_in, texts_in

if TYPE_CHECKING:
    import pyarrow as pa

    from logger.store.drive import Drive

MOST_MIXTURE = 1000.0
"""Free air reads less on any scale: beyond that the board is broken, or its line was."""
MOST_OF_ANY = 1e12
"""No instrument tells a larger number, in any unit; its square would still be one."""


def tables_of(drive: Drive) -> dict[str, pa.Table]:
    """The tables of all sources but receivers, each read once, in the order of the configuration."""
    return {
        source.name: drive.table(source.name)
        for source in drive.config.source
        if not isinstance(source, NmeaSource) and source.name in drive.table_names
    }


def find_channel(drive: Drive, tables: Mapping[str, pa.Table], asked: str | None) -> tuple[str, str]:
    """Source and channel that tell the mixture, of the drive's `tables_of`."""
    has = [(name, kind) for name, table in tables.items() for kind in ("afr", "lambda") if kind in table.column_names]
    if not has:
        raise NoAnswer(f"drive {drive.id} has no channel afr or lambda, so there is no mixture to map")
    if asked is None:
        source = has[0][0]
        return source, _configured_channel(drive, source)
    wanted = asked.split(".", 1) if "." in asked else [None, asked]
    for name, channel in has:
        if channel == wanted[1] and wanted[0] in (None, name):
            return name, channel
    raise InputError(f"--channel {asked}: expected one of {', '.join(f'{s}.{c}' for s, c in has)}")


def _configured_channel(drive: Drive, source: str) -> str:
    return "lambda" if "lambda" in _channels_of(drive, source) and "afr" not in _channels_of(drive, source) else "afr"


def _channels_of(drive: Drive, name: str) -> dict[str, Any]:
    """The configured channels of a source by name."""
    source = next(s for s in drive.config.source if s.name == name)
    listed: Sequence[Any] = getattr(source, "column", None) or getattr(source, "field", None) or source.channel  # type: ignore[union-attr]
    return {c.channel: c for c in listed if c.channel}


def sources_of(drive: Drive, channel: str) -> list[str]:
    """The sources with a table that are configured to tell a channel."""
    return [
        source.name
        for source in drive.config.source
        if not isinstance(source, NmeaSource)
        and source.name in drive.table_names
        and channel in _channels_of(drive, source.name)
    ]


def readings_of(
    drive: Drive, table: pa.Table, source: str, channel: str, epoch_utc_ns: int
) -> tuple[Readings, float]:  # fmt: skip
    """The readings by time of arrival, and the delay that the configuration states.

    A table's times have the configured delay taken off already; it is put back, so that a delay found in the drive
    is the whole of it.
    """
    latency = float(next(s for s in drive.config.source if s.name == source).latency_s)
    known = _channels_of(drive, source)
    stoich = float((known.get("afr") or known["lambda"]).stoich_afr)
    time = seconds_in(table["time"], epoch_utc_ns) + latency
    void = None
    if "void" in table.column_names:
        void = texts_in(table["void"])
    order = np.argsort(time, kind="stable")
    value = _floats(table, channel)[order]
    value = np.where(np.abs(value) < MOST_MIXTURE, value, np.nan)
    return Readings(time[order], value, None if void is None else void[order], channel, stoich), latency


def other_channels(
    tables: Mapping[str, pa.Table], epoch_utc_ns: int
) -> tuple[dict[str, tuple[Floats, Floats]], dict[str, str]]:
    """All further channels by name, (times from `epoch_utc_ns` [s], readings), and their units; NaN where void."""
    channels: dict[str, tuple[Floats, Floats]] = {}
    units: dict[str, str] = {}
    for source, table in tables.items():
        for field in table.schema:
            if field.name in {"time", "mono_ns", "void", "afr", "lambda"} or str(field.type) != "double":
                continue
            name = field.name if field.name not in channels else f"{source}.{field.name}"
            channels[name] = (seconds_in(table["time"], epoch_utc_ns), _floats(table, field.name))
            units[name] = (field.metadata or {}).get(b"unit", b"").decode()
    return channels, units


def _floats(table: pa.Table, name: str) -> Floats:
    told = floats_in(table[name])
    return np.where(np.abs(told) < MOST_OF_ANY, told, np.nan)
