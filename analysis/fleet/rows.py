"""The rows of one drive: a pure function of its folder, at any URL that fsspec reads.

    rows = rows_at("s3://club/wren/2026-05-02_091430Z")
    rows["splits"]      # tuples, columns as in `FIELDS`

The folder is copied and read from the copy: nothing is ever written where the drive lies. The drive stands alone, as
the first of its car does: what other drives would teach of receiver and launches is left out, so that its rows don't
depend on which others are there. A drive that cannot be read is one row of `drives`, with the reason.
"""

from __future__ import annotations

import hashlib
import math
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import fsspec

from analysis.changes import results
from analysis.changes.rows_table import Field, table_of_rows
from logger.store import bulkhead
from logger.units import NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa

Rows = dict[str, list[tuple[Any, ...]]]

COMMON: tuple[Field, ...] = (
    ("car", "string", "", "the car's name; empty if the drive has no car's file"),
    ("drive", "string", "", "the drive's id, with an ending if other drives have the same id"),
    ("url", "string", "", "where it is stored"),
    ("setup", "string", "", "the name of its setup; - if none is known"),
    ("parts", "string", "", "its parts, JSON text of an object; null if no setup is known"),
    ("air_kg_per_m3", "double", "kg/m3", "air density of the day; NaN without weather"),
)
_RUN: tuple[Field, ...] = (
    ("run", "int64", "", "number of the run in its drive"),
    ("start_utc", "timestamp[us]", "UTC", "first movement"),
    ("direction_deg", "double", "deg", "heading"),
    ("grade_percent", "double", "%", "slope, uphill above zero"),
    ("headwind_mps", "double", "m/s", "wind against the car"),
    ("wind_mps", "double", "m/s", "wind"),
    ("full_throttle", "double", "", "median mixture in the upper part of its speeds"),
    ("rise_s", "double", "s", "how long the launch took to build up"),
    ("soft", "bool", "", "a soft launch"),
    ("throttle", "double", "1", "median opening there, as a share of its full travel"),
    ("tags", "string", "", "what the owner tagged it with"),
)
_RESULTS = ("cells", "loops", "coasts")
"""Tables with the rows that stores keep of each drive (`changes.results`)."""
FIELDS: dict[str, tuple[Field, ...]] = {
    "drives": (
        *COMMON,
        ("started_utc", "timestamp[us]", "UTC", "its first byte"),
        ("duration_s", "double", "s", "to its last byte"),
        ("temperature_c", "double", "degC", "of the air"),
        ("pressure_hpa", "double", "hPa", "of the air"),
        ("humidity_percent", "double", "%", "relative"),
        ("factor", "double", "", "SAE J1349 correction"),
        ("channel", "string", "", "the mixture's: afr or lambda; empty without one"),
        ("runs", "int64", "", "clean standing runs"),
        ("reason", "string", "", "why it could not be read; empty if it could"),
        ("key", "string", "", "digest of its drive.json and of the program"),
    ),
    "runs": (*COMMON, *_RUN, ("peak_mps", "double", "m/s", "the highest speed that it was timed to")),
    "splits": (
        *COMMON,
        *_RUN,
        ("speed_mps", "double", "m/s", "speed"),
        ("from_one_foot_s", "double", "s", "time to it from one foot of movement"),
        ("from_one_foot_sigma_s", "double", "s", "its standard error"),
        ("corrected_s", "double", "s", "the time in standard weather; NaN without weather"),
        ("unlaunched_s", "double", "s", "the same, if the air does not change the launch"),
    ),
    **{name: (*COMMON, *results.FIELDS[name]) for name in _RESULTS},
}
"""Table -> its columns."""

_NEEDED = (".parquet", ".json", ".toml")


def rows_at(url: str, key: str = "", storage: dict[str, Any] | None = None) -> Rows:
    """All rows of the drive in the folder `url`; `storage` are options of its file system.

    Whatever is wrong with the drive is the reason in its row of `drives`; what is wrong with the connexion is raised as
    an OSError, since another try may succeed.
    """
    files, where = fsspec.core.url_to_fs(url, **(storage or {}))
    with tempfile.TemporaryDirectory(prefix="pullbook-") as folder:
        path = Path(folder) / where.rstrip("/").rsplit("/", 1)[-1]
        path.mkdir()
        for file in files.ls(where, detail=False):
            name = file.rstrip("/").rsplit("/", 1)[-1]
            if name.endswith(_NEEDED) and name != "raw.parquet":
                files.get_file(file, str(path / name))
        try:
            return _rows(path, url, key)
        except Exception as error:  # one bad drive is a row, whatever is wrong with it
            reason = bulkhead.failure(path.name, error).said.replace(f"{path}", url)  # not the copy, which is gone
            nan, unknown = math.nan, ("", _name(path.name, url), url, "-", None, math.nan)
            return _nothing({"drives": [(*unknown, None, nan, nan, nan, nan, nan, "", 0, reason, key)]})


def tables_of(rows: Rows) -> dict[str, pa.Table]:
    """The rows as Arrow tables, with units and descriptions in the metadata."""
    return {name: table_of_rows(fields, rows.get(name, [])) for name, fields in FIELDS.items()}


def joined(parts: Iterable[Rows]) -> Rows:
    """The rows of several drives together."""
    whole = _nothing({})
    for part in parts:
        for name, rows in part.items():
            whole[name] += rows
    return whole


def _nothing(but: Rows) -> Rows:
    return {name: but.get(name, []) for name in FIELDS}


def _name(drive: str, url: str) -> str:
    """Two cars may have driven at the same second: the folder's URL tells them apart."""
    return f"{drive}-{hashlib.sha256(url.encode()).hexdigest()[:8]}"


def _rows(path: Path, url: str, key: str) -> Rows:
    from analysis.changes.season import DEFAULT_FACTOR, gather
    from analysis.changes.season_frame import about_run, parts_text, times_of
    from analysis.store import DriveStore
    from logger.store.drive import open_folder

    open_folder(path)  # says by itself what is wrong with it
    store = DriveStore(path.parent)
    season = gather(store, every_run=True)
    drive, outing = store.drives[0], season.drives[0]
    name, car = _name(path.name, url), drive.car.car.name if drive.car else ""
    common = (car, name, url, drive.setup_name, parts_text(drive.parts), outing.air.density_kg_per_m3)
    runs, splits = [], []
    for run in season.runs:
        said = about_run(run) | {"start_utc": _utc(round(run.start_s * NS_PER_S))}
        about = (*common, *(said[column] for column, *_ in _RUN))
        times = times_of(run)
        runs.append((*about, times[-1][0]))
        splits += [(*about, *row) for row in times]
    weather = outing.weather
    found = (
        *common, drive.drive.manifest.started_utc, outing.duration_s, _figure(weather.temperature_c),
        _figure(weather.pressure_hpa), _figure(weather.humidity_percent),
        outing.air.factors.get(DEFAULT_FACTOR, math.nan), outing.channel, len(runs), outing.trouble, key,
    )  # fmt: skip
    told = {
        name: [(*common, *row) for row in rows] for name, rows in results.kept_rows(drive, store.path, _RESULTS).items()
    }
    return {"drives": [found], "runs": runs, "splits": splits, **told}


def _figure(value: float | None) -> float:
    return math.nan if value is None else value


def _utc(ns: int) -> Any:
    from analysis.drive import utc

    return utc(ns)
