"""Drives that are whole by their digests, and that no car ever drove: every verb answers, or says why not, and goes on.

for kind in ODD: plant(kind, store, good)     a copy of the good drive in the store, made odd in this way
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

SECOND = 10**9
YEAR_2255_S = 9 * 10**9


def plant(kind: str, store: Path, good: Path) -> Path:
    """A copy of the drive in the folder `good`, made odd; gives its folder, whose name tells the kind."""
    path = store / f"odd-{kind.replace(' ', '-')}"
    shutil.copytree(good, path)
    ODD[kind](path)
    return path


def _table(name: str, change: Callable[[pa.Table], pa.Table]) -> Callable[[Path], None]:
    """The table changed, as a program would have written it: rows and digest are right."""

    def alter(path: Path) -> None:
        file = path / f"{name}.parquet"
        table = change(pq.read_table(file))
        pq.write_table(table, file)
        manifest = json.loads((path / "drive.json").read_text())
        manifest["digests"][file.name] = hashlib.sha256(file.read_bytes()).hexdigest()
        manifest["rows"][name] = table.num_rows
        (path / "drive.json").write_text(json.dumps(manifest))

    return alter


def _column(name: str, change: Callable[[np.ndarray[Any, Any]], Any]) -> Callable[[pa.Table], pa.Table]:
    def alter(table: pa.Table) -> pa.Table:
        at, field = table.schema.get_field_index(name), table.schema.field(name)
        numbers = table[name].cast("int64") if pa.types.is_timestamp(field.type) else table[name]
        fresh = pa.array(change(np.array(numbers.to_numpy(zero_copy_only=False)))).cast(field.type)
        return table.set_column(at, field, fresh)

    return alter


def _times(change: Callable[[np.ndarray[Any, Any]], Any]) -> Callable[[pa.Table], pa.Table]:
    return _column("time", change)


def _spread_to(at_s: int) -> Callable[[np.ndarray[Any, Any]], Any]:
    """The last row long after the first."""

    def spread(ns: np.ndarray[Any, Any]) -> Any:
        ns[-1] = at_s * SECOND
        return ns

    return spread


def _in_pairs(ns: np.ndarray[Any, Any]) -> Any:
    return np.repeat(ns[::2], 2)[: len(ns)]


def _without_time(table: pa.Table) -> pa.Table:
    at, field = table.schema.get_field_index("time"), table.schema.field("time")
    return table.set_column(at, field, pa.nulls(table.num_rows, field.type))


def _set(**fields: Any) -> Callable[[Path], None]:
    def alter(path: Path) -> None:
        manifest = json.loads((path / "drive.json").read_text())
        manifest.update(fields)
        (path / "drive.json").write_text(json.dumps(manifest))

    return alter


def _all(*alter: Callable[[Path], None]) -> Callable[[Path], None]:
    def each(path: Path) -> None:
        for one in alter:
            one(path)

    return each


NAMES = "\x1b]0;x\x07\x1b[2J \u202egnp.exe\u2028\r\n=HYPERLINK(1)"
"""What a terminal, a spreadsheet and a page take for something else."""
AT = "2026-05-02T09:14:36Z"
CAR: dict[str, Any] = {"car": {"name": NAMES, "mass_kg": 392.0, "cooling": "air"}}
STRONG: dict[str, Any] = {"car": {"name": "Wren", "mass_kg": 50.0, "cooling": "air", "wheel_power_kw": 1e300}}

ODD: dict[str, Callable[[Path], None]] = {
    "readings two at a time": _table("mixture", _times(_in_pairs)),
    "readings ten at a time": _table("mixture", _times(lambda ns: np.repeat(ns[::10], 10)[: len(ns)])),
    "readings all at once": _table("mixture", _times(lambda ns: np.full_like(ns, ns[0]))),
    "readings of years": _table("mixture", _times(_spread_to(YEAR_2255_S))),
    "readings of no value": _table("mixture", _column("afr", lambda x: np.full_like(x, np.nan))),
    "readings of one value": _table("mixture", _column("afr", lambda x: np.full_like(x, 14.7))),
    "readings beyond numbers": _table("mixture", _column("afr", lambda x: x * 1e306)),
    "one reading": _table("mixture", lambda table: table.slice(0, 1)),
    "no reading": _table("mixture", lambda table: table.slice(0, 0)),
    "fixes all at once": _table("gps", _times(lambda ns: np.full_like(ns, ns[0]))),
    "fixes two at a time": _table("gps", _times(_in_pairs)),
    "fixes backwards": _table("gps", _times(lambda ns: ns[::-1].copy())),
    "fixes of years": _table("gps", _times(_spread_to(YEAR_2255_S))),
    "fixes of decades before": _table("gps", _times(lambda ns: np.concatenate([[0], ns[1:]]))),
    "fixes beyond numbers": _table("gps", _column("speed_mps", lambda x: x * 1e306)),
    "fixes nowhere": _table("gps", _column("lat_deg", lambda x: np.full_like(x, np.nan))),
    "fixes off the earth": _table("gps", _column("lat_deg", lambda x: x + 1e6)),
    "heights beyond numbers": _table("gps", _column("alt_m", lambda x: x * 1e20)),
    "heights held": _table("gps", _column("alt_m", lambda x: np.full_like(x, 245.4))),
    "fixes without speed": _table("gps", _column("speed_mps", lambda x: np.full_like(x, np.nan))),
    "fixes at rest": _table("gps", _column("speed_mps", np.zeros_like)),
    "one fix": _table("gps", lambda table: table.slice(0, 1)),
    "two fixes": _table("gps", lambda table: table.slice(0, 2)),
    "no fix": _table("gps", lambda table: table.slice(0, 0)),
    "no time": _table("gps", _without_time),
    "weather beyond numbers": _set(weather={"temperature_c": 1e300, "pressure_hpa": 1e-300, "wind_mps": 1e308}),
    "weather of names": _set(weather={NAMES: NAMES}),
    "fuel of names": _set(fuel={NAMES: NAMES}),
    "car beyond numbers": _set(car=STRONG),
    "setup beyond numbers": _set(setup={"name": "much", "parts": {"main_jet_mm": 1e308, "a": -1e-308, "n": 10**30}}),
    "setup of names": _all(_set(setup={"name": NAMES, "parts": {"snorkel": NAMES}, "notes": NAMES}), _set(car=CAR)),
    "notes of names": _set(notes=[{"utc": "2026-05-02T09:14:40Z", "text": NAMES}], remarks=[NAMES], origin=NAMES),
    "notes of long ago": _set(notes=[{"utc": "1970-01-01T00:00:00Z", "text": "x"}]),
    "struck of names": _set(struck=[{"run_start_utc": AT, "reason": NAMES, "when": AT}]),
    "id of names": _set(id=NAMES, program=NAMES, trace=[{"when": AT, "who": NAMES, "what": NAMES}]),
    "driven for centuries": _set(started_utc="1970-01-01T00:00:00Z", ended_utc="2261-01-01T00:00:00Z", duration_s=9e9),
}  # fmt: skip
