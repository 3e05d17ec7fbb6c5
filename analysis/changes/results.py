"""What is worked out of a drive for whoever reads the store with another program: its map, fuel loop, coasts, and its
motion once a second, as tables beside its runs (`season_rows`).

    SELECT * FROM 'store/.analysis/*/cells.parquet'
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis import kept
from analysis.changes.rows_table import Field, table_of_rows
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.drive import AnalysedDrive

EVERY_S = 1.0
"""Rows of the motion stand so far apart, or as far as the fixes do."""
FIELDS: dict[str, tuple[Field, ...]] = {
    "cells": (
        ("from_mps", "double", "m/s", "speeds of the cell, from"),
        ("to_mps", "double", "m/s", "to"),
        ("load_from", "double", "1", "loads of the cell, from, as a share of the most the car can do"),
        ("load_to", "double", "1", "to"),
        ("seconds", "double", "s", "time in it"),
        ("readings", "int64", "", "readings in it"),
        ("median", "double", "", "their median, in the channel's unit (drive.parquet)"),
        ("sigma", "double", "", "standard error of the median"),
    ),
    "loops": (
        ("distance_m", "double", "m", "distance of the fuel loop"),
        ("m3_per_m", "double", "m3/m", "fuel used over distance, at 15.6 C"),
        ("sigma", "double", "1", "its relative standard error"),
    ),
    "coasts": (
        ("start_utc_ns", "int64", "ns", "when it started, since 1970"),
        ("direction_deg", "double", "deg", "heading"),
        ("from_mps", "double", "m/s", "speed at its start"),
        ("to_mps", "double", "m/s", "speed at its end"),
        ("seconds", "double", "s", "how long it took"),
        ("headwind_mps", "double", "m/s", "stated wind against the car"),
    ),
    "motion": (
        ("utc_ns", "int64", "ns", "when, since 1970"),
        ("speed_mps", "double", "m/s", "smoothed speed"),
        ("speed_sigma_mps", "double", "m/s", "its standard error"),
        ("accel_mps2", "double", "m/s2", "acceleration"),
        ("distance_m", "double", "m", "distance from the first fix"),
    ),
}
"""Table -> its columns."""


def results_of(drive: AnalysedDrive) -> dict[str, pa.Table]:
    """The tables of a drive; what it has nothing of is a table without rows."""
    return {name: table_of_rows(fields, rows_of(drive, name)) for name, fields in FIELDS.items()}


def rows_of(drive: AnalysedDrive, name: str) -> list[tuple[Any, ...]]:
    """The rows of one of the tables; none of what the drive has nothing of."""
    rows = {"cells": _cells, "loops": _loops, "coasts": _coasts, "motion": _motion}
    try:
        return rows[name](drive)
    except (NoAnswer, InputError):
        return []


def kept_rows(drive: AnalysedDrive, store: Path, names: Iterable[str]) -> dict[str, list[tuple[Any, ...]]]:
    """The rows that the store keeps of a drive, of some of the tables; worked out where they are not kept."""
    tables = kept.read(store, drive.id, kept.analysed_key(drive), names)
    if tables is None:
        return {name: rows_of(drive, name) for name in names}
    return {
        name: list(zip(*(table[column].to_pylist() for column, *_ in FIELDS[name]), strict=True))
        for name, table in tables.items()
    }


def _cells(drive: AnalysedDrive) -> list[tuple[Any, ...]]:
    return [
        (c.from_mps, c.to_mps, c.load_from, c.load_to, c.seconds, c.readings, c.median, c.sigma)
        for c in drive.map.answer_alone.cells
    ]


def _loops(drive: AnalysedDrive) -> list[tuple[Any, ...]]:
    loop = drive.loop
    return [(loop.distance.metres, loop.m3_per_m, loop.sigma)] if loop is not None else []


def _coasts(drive: AnalysedDrive) -> list[tuple[Any, ...]]:
    from analysis.road.coasts import Mass

    if drive.car is None:
        return []
    car = drive.car.car
    found = drive.coasts(Mass.of(car.mass_kg, car.mass_sigma_kg, car.rotating_mass_kg), drive.car).coasts
    return [
        (
            each.start_utc_ns, each.direction_deg, each.from_mps, float(each.smooth_mps[-1]),
            float(each.t_s[-1] - each.t_s[0]), each.headwind_mps,
        )
        for each in found
    ]  # fmt: skip


def _motion(drive: AnalysedDrive) -> list[tuple[Any, ...]]:
    motion = drive.motion
    slot = np.floor((motion.t_s - motion.t_s[0]) / EVERY_S + 1e-6)
    first = np.flatnonzero(np.diff(slot, prepend=-1.0) > 0)
    utc_ns = motion.epoch_utc_ns + np.round(motion.t_s[first] * 1e9).astype(np.int64)
    columns = (motion.speed_mps, motion.speed_sigma, motion.accel_mps2, motion.distance_m)
    return list(zip(utc_ns.tolist(), *(column[first].tolist() for column in columns), strict=True))
