"""What a season needs of all its drives in three tables, so that a thousand drives are read as one.

    STORE/.analysis/.season/drives.parquet, runs.parquet, splits.parquet, pulls.parquet, ..., kept.json

The same rows as beside each drive (`season_rows`), with the drive's name in each and, in `drives`, the key of what they
depend on: rows of another key count as nothing kept. It is written when a season had to work a drive out.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis import kept
from analysis.changes.first_look import Unknown
from analysis.changes.pull_tables import PULL_FIELDS, pulls_of, tables_of
from analysis.changes.rows_table import table_of_rows
from analysis.changes.season_rows import FIELDS, DriveRows, RunRow, rows_of, under_its_loads
from analysis.conditions import roadload
from logger.store import columns

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.drive import AnalysedDrive
    from analysis.runs.pulls import PowerPull
    from analysis.store import DriveStore

_NAME = ".season"
_KEY = "1"
"""Of the tables' form; the rows have keys of their own."""
_DRIVE = ("drive", "string", "", "the drive")
_FIELDS = {
    "drives": (_DRIVE, ("key", "string", "", "of what the rows depend on"), *FIELDS["drive"]),
    "runs": (_DRIVE, *FIELDS["runs"]),
    "splits": (_DRIVE, ("run", "int64", "", "row of the run in runs, from 0"), *FIELDS["splits"]),
    **{name: (_DRIVE, *fields) for name, fields in PULL_FIELDS.items()},
}
_ROAD = roadload.of(None)
"""Until `season_rows.under_its_loads` puts a drive's own in its place."""
_TIMES = ("speed_mps", "time_s", "sigma_s")
Pack = dict[str, tuple[str, DriveRows]]
"""Drive -> key of what its rows depend on, and the rows; their pulls under no road load of their own yet."""


class Together:
    """The rows of a season's drives: those kept together where they are of this key, the others as kept or found.

    together = Together(store)
    rows = together.rows(drive)     # for each drive
    together.keep()                 # what is not kept so yet
    """

    def __init__(self, store: Path) -> None:
        self._store = store
        self._before = read(store)
        self._now: Pack = {}
        self.keys: dict[str, str] = {}
        """Drive -> key of what its rows depend on, of those asked for."""

    def rows(self, drive: AnalysedDrive, progress: Callable[[str], None] = lambda text: None) -> DriveRows:
        """The rows of a drive; `progress` is told where they have to be found."""
        key = self._key(drive)
        was, found = self._before.get(drive.id, ("", None))
        if found is None or was != key:
            found = rows_of(drive, self._store, progress)
        else:
            found = under_its_loads(found, drive)
        self._now[drive.id] = key, found
        return found

    def unknown(self, store: DriveStore) -> Unknown:
        """The drives of which nothing is kept that is true now."""
        chains = store.untold
        waiting = {drive.id for chain in chains for drive in chain}
        return Unknown([each for each in store.drives if each.id not in waiting and not self._known(each)], chains)

    def _known(self, drive: AnalysedDrive) -> bool:
        with contextlib.suppress(Exception):  # what is wrong with it is told where it is asked for
            key = self._key(drive)
            return self._before.get(drive.id, ("", None))[0] == key or kept.key_in(self._store, drive.id) == key
        return True

    def _key(self, drive: AnalysedDrive) -> str:
        if drive.id not in self.keys:
            self.keys[drive.id] = kept.analysed_key(drive)
        return self.keys[drive.id]

    def keep(self) -> None:
        """Write the rows of the drives asked for, where others or none were kept."""
        before, now = ({drive: key for drive, (key, _) in pack.items()} for pack in (self._before, self._now))
        if before != now:
            write(self._store, self._now)


def read(store: Path) -> Pack:
    """The rows of all drives that are kept together; nothing where they are not there or not as they were written."""
    tables = kept.read(store, _NAME, _KEY, _FIELDS)
    if tables is None or any(
        tables[name].column_names != [each for each, *_ in fields] for name, fields in _FIELDS.items()
    ):
        return {}
    runs, splits = tables["runs"], tables["splits"]
    of_run = np.asarray(columns.numbers_in(splits["run"].combine_chunks()), np.int64)
    edges = np.searchsorted(of_run, np.arange(runs.num_rows + 1)).tolist()
    speed, time, sigma = (
        np.asarray(columns.numbers_in(splits[name].combine_chunks()), np.float64) for name in _TIMES
    )  # fmt: skip
    mine: dict[str, list[RunRow]] = {}
    for row, a, b in zip(_rows_in(runs), edges[:-1], edges[1:], strict=True):
        mine.setdefault(row.pop("drive"), []).append(
            RunRow(**row, speed_mps=speed[a:b], time_s=time[a:b], sigma_s=sigma[a:b])
        )
    pulls = _pulls_in(tables)
    return {
        row.pop("drive"): (row.pop("key"), DriveRows(tuple(mine.get(drive, ())), **row, pulls=pulls.get(drive, ())))
        for row in _rows_in(tables["drives"])
        for drive in (row["drive"],)
    }


def _pulls_in(tables: Mapping[str, pa.Table]) -> dict[str, tuple[PowerPull, ...]]:
    """The pulls of each drive; its rows stand together in each table."""
    spans = {name: _spans(tables[name]["drive"].to_pylist()) for name in PULL_FIELDS}
    rows = _rows_in(tables["pulls"].drop_columns("drive"))
    bands, shared = (
        {name: np.array(tables[table][name].to_pylist()) for name, *_ in PULL_FIELDS[table]}
        for table in ("pull_bands", "pull_covariances")
    )
    nothing = slice(0, 0)
    out = {}
    for drive, mine in spans["pulls"].items():
        here, there = (spans[name].get(drive, nothing) for name in ("pull_bands", "pull_covariances"))
        own, between = ({name: values[at] for name, values in columns.items()}
                        for columns, at in ((bands, here), (shared, there)))  # fmt: skip
        out[drive] = pulls_of(rows[mine], own, between, _ROAD, None)
    return out


def _spans(drives: Sequence[str]) -> dict[str, slice]:
    """Where the rows of each drive stand."""
    at, spans = 0, {}
    for drive, rows in groupby(drives):
        length = len(list(rows))
        spans[drive] = slice(at, at + length)
        at += length
    return spans


def write(store: Path, pack: Mapping[str, tuple[str, DriveRows]]) -> None:
    """Keep the rows of all drives together. A store that cannot be written to is left as it is."""
    run_names = [name for name, *_ in FIELDS["runs"]]
    drive_names = [name for name, *_ in FIELDS["drive"]]
    every = [(drive, run) for drive, (_, rows) in pack.items() for run in rows.runs]
    tables = {
        "drives": [(drive, key, *(getattr(rows, name) for name in drive_names)) for drive, (key, rows) in pack.items()],
        "runs": [(drive, *(getattr(run, name) for name in run_names)) for drive, run in every],
        "splits": [
            (drive, number, run.n, *split)
            for number, (drive, run) in enumerate(every)
            for split in zip(*(getattr(run, name).tolist() for name in _TIMES), strict=True)
        ],
    }
    made = {name: table_of_rows(_FIELDS[name], rows) for name, rows in tables.items()}
    mine: dict[str, list[tuple[Any, ...]]] = {name: [] for name in PULL_FIELDS}
    for drive, (_, rows) in pack.items():
        for name, found in tables_of(rows.pulls, lambda name, rows: list(rows)).items():
            mine[name] += [(drive, *row) for row in found]
    kept.write(store, _NAME, _KEY, made | {name: table_of_rows(_FIELDS[name], rows) for name, rows in mine.items()})


def _rows_in(table: pa.Table) -> list[dict[str, Any]]:
    columns = [table[name].to_pylist() for name in table.column_names]
    return [dict(zip(table.column_names, row, strict=True)) for row in zip(*columns, strict=True)]
