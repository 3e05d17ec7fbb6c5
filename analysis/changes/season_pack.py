"""What a season needs of all its drives in one place, so that a thousand drives are read as one.

    STORE/.analysis/.season/rows.json, rows.f64

The same rows as beside each drive (`season_rows`), with the key of what they depend on: rows of another key count as
nothing kept. It is written when a season had to work a drive out; the others' rows are not worked out again for it.
"""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis import kept
from analysis.changes import packed
from analysis.changes.first_look import Unknown
from analysis.changes.pull_tables import PULL_KINDS
from analysis.changes.season_record import SEASON
from analysis.changes.season_rows import DriveRows, RunRow, rows_of, under_its_loads
from analysis.conditions import roadload
from analysis.runs.pulls import PowerPull

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.store import DriveStore

_NAME = "rows"
_KEY = "2"
"""Of the files' form; the rows have keys of their own."""
_RUN_KINDS: packed.Kinds = dict.fromkeys(("speed_mps", "time_s", "sigma_s"), "floats")
_ROAD = roadload.of(None)
"""Until `season_rows.under_its_loads` puts a drive's own in its place."""
Pack = dict[str, tuple[str, DriveRows]]
"""Drive -> key of what its rows depend on, and the rows; their pulls under no road load of their own yet."""


class Together:
    """The rows of a season's drives: those kept together where they are of this key, the others as kept or found.

    together = Together(store, teach)   # `teach` as of `season_rows.rows_of`
    rows = together.rows(drive)         # for each drive
    together.keep()                     # what is not kept so yet
    """

    def __init__(self, store: Path, teach: Callable[[AnalysedDrive], None] = lambda drive: None) -> None:
        self._store, self._teach = store, teach
        self._before = read(store)
        self._now: Pack = {}
        self.keys: dict[str, str] = {}
        """Drive -> key of what its rows depend on, of those asked for."""

    def rows(self, drive: AnalysedDrive, progress: Callable[[str], None] = lambda text: None) -> DriveRows:
        """The rows of a drive; `progress` is told where they have to be found."""
        key = self._key(drive)
        was, found = self._before.get(drive.id, ("", None))
        if found is None or was != key:
            found = rows_of(drive, self._store, progress, self._teach)
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
    found = kept.read_numbers(store, SEASON, _NAME, _KEY)
    if found is None:
        return {}
    told, numbers = found
    try:
        unpacking = packed.Unpacking(told["shared"], told["sizes"], numbers)
        runs = iter(unpacking.objects(RunRow, told["run"], _RUN_KINDS))
        count = len(told["pull"].get("n", ()))
        loads = {"road": [_ROAD] * count, "wind": [None] * count} if count else {}
        kinds = {name: kind for name, kind in PULL_KINDS.items() if name not in loads}
        pulls = iter(unpacking.objects(PowerPull, told["pull"] | loads, kinds))
        rows = told["rows"] | {
            name: [tuple(itertools.islice(each, size)) for size in told[name]]
            for name, each in (("runs", runs), ("pulls", pulls))
        }
        drives = unpacking.objects(DriveRows, rows, {})
        return dict(zip(told["drives"], zip(told["keys"], drives, strict=True), strict=True))
    except (AttributeError, LookupError, RecursionError, TypeError, ValueError):
        return {}


def write(store: Path, pack: Mapping[str, tuple[str, DriveRows]]) -> None:
    """Keep the rows of all drives together. A store that cannot be written to is left as it is."""
    packing, every = packed.Packing(), [rows for _, rows in pack.values()]
    pull = packing.columns([pull for rows in every for pull in rows.pulls], PULL_KINDS)
    told: dict[str, Any] = {
        "drives": list(pack), "keys": [key for key, _ in pack.values()],
        "rows": packing.columns([dataclasses.replace(rows, runs=(), pulls=()) for rows in every], {}),
        "runs": [len(rows.runs) for rows in every], "pulls": [len(rows.pulls) for rows in every],
        "run": packing.columns([run for rows in every for run in rows.runs], _RUN_KINDS),
        "pull": {name: column for name, column in pull.items() if name not in ("road", "wind")},
    }  # fmt: skip
    told |= {"shared": packing.shared, "sizes": packing.sizes}
    kept.write_numbers(store, SEASON, _NAME, _KEY, told, packing.numbers)
    kept.drop_tables(store, SEASON)
