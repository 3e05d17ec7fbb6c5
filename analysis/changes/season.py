"""All drives of a store as runs that can be compared.

season = gather(DriveStore(path))
season.runs          # the runs that count, as `observations.Observation`s
season.left_out      # those that do not, each with its reason
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import TYPE_CHECKING

from analysis.changes import season_kept
from analysis.changes.season_record import DEFAULT_FACTOR, Outing, SeasonRecord, label, side_runs, tagged
from analysis.conditions.weather import STANDARD_AIR
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.store import DriveStore

__all__ = ["DEFAULT_FACTOR", "Outing", "SeasonRecord", "gather", "judge", "label", "side_runs", "tagged"]


def gather(
    store: DriveStore,
    *,
    factor: str = DEFAULT_FACTOR,
    every_run: bool = False,
    progress: Callable[[str], None] = lambda text: None,
) -> SeasonRecord:
    """Read all drives of `store`. `every_run`: runs that look like part throttle count as well.

    It is kept whole: where nothing has changed in the store no drive is opened. `progress` is told what takes long.
    NoAnswer where the store has no drives, InputError for an unknown `factor`.
    """
    if factor not in STANDARD_AIR:
        raise InputError(f"factor: {factor!r} is not known. Write {' or '.join(STANDARD_AIR)}.")
    kept = season_kept.KeptSeason(store, factor, every_run)
    season = kept.read()
    if season is None:
        from analysis.changes import gathering  # here: who finds the season kept opens no drive

        season, whole = gathering.gathered(store, factor, every_run, progress)
        if whole:
            season = kept.write(season)
    if not every_run:
        part_throttle: dict[str, dict[float, str]] = {}
        for each in season.left_out:
            if each.slow:
                part_throttle.setdefault(each.drive, {})[each.start_s] = each.reason
        store.tell_part_throttle(part_throttle)
    return season


def judge(store: DriveStore, progress: Callable[[str], None] = lambda text: None) -> SeasonRecord | None:
    """Tell each drive of `store` which of its runs were no full pulls, for verbs that ask a drive and not a season.

    Where the season cannot be read, such as by a targets' file that is wrong, drives stay as they are, and it is None.
    """
    with contextlib.suppress(InputError, NoAnswer):
        return gather(store, progress=progress)
    return None
