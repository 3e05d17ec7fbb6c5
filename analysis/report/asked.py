"""From what an owner asked to the page: a drive, two setups, or the season.

stem, page = asked_page(DriveStore(path), ["baseline", "long snorkel"])
write_report(page, Path(f"{stem}.html"), datetime.now(UTC))
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.answers.report import ReportAnswer
    from analysis.answers.timed_run import SpeedUnit
    from analysis.changes.season import SeasonRecord
    from analysis.report.page import Page
    from analysis.store import DriveStore


def write_report(page: Page, path: Path, made: datetime, *, force: bool = False) -> ReportAnswer:
    """Write a page as HTML, whole or not at all. InputError where the file exists, unless `force` replaces it."""
    from analysis.answers.report import ReportAnswer
    from analysis.report.page import render
    from analysis.sharing.files import write_whole

    data = render(page, made).encode("utf-8")
    written = write_whole(path, data, force)
    return ReportAnswer(path=written, bytes=len(data), verdict=tuple(page.verdict), caveats=(*page.caveats, *page.why))


def asked_page(
    store: DriveStore,
    what: Sequence[str],
    *,
    season: bool = False,
    reference: int | None = None,
    speeds_mps: Sequence[float] = (),
    unit: SpeedUnit | None = None,
    photos: bool = False,
    progress: Callable[[str], None] = lambda text: None,
) -> tuple[str, Page]:
    """What the file is called, and the page.

    Parameters
    ----------
    what : sequence of str
        Nothing or a drive; or two setups as `compare` takes them, after the word "setups" if one likes.
    reference : int, optional
        The run that a drive's others are held against.
    speeds_mps : sequence of float
        For two setups the speeds to compare by, for a season the one that times are to [m/s]; by default the usual.
    photos : bool
        Show the photographs that are kept with a drive.
    progress
        Is told what takes long.

    Raises
    ------
    InputError
        Where the options do not go together, or a name is unknown.
    NoAnswer
        Where there is nothing to report.
    """
    names = list(what[1:]) if len(what) == 3 and what[0].casefold() in ("setup", "setups") else list(what)
    _check(names, season, reference, speeds_mps)
    if photos and (season or len(names) == 2):
        raise InputError("--photos shows the photographs of one drive. Name that drive.")

    def gathered() -> SeasonRecord:
        """All drives, told in the unit asked for."""
        from analysis.changes.season import gather

        found = gather(store, progress=progress)
        # A season that was kept opens no drive; a page asks for many, and lists them once.
        progress(f"all {len(store.drives)} drives are read; working out the page")
        return replace(found, unit=unit) if unit else found

    if season:
        return _of_season(gathered(), speeds_mps)
    if len(names) == 2:
        return _of_setups(gathered(), names[0], names[1], speeds_mps)
    return _of_drive(store, names[0] if names else "last", reference, unit, gathered, photos)


def _check(names: Sequence[str], season: bool, reference: int | None, speeds_mps: Sequence[float]) -> None:
    if season and names:
        raise InputError(f"--season reports all drives. Leave out {names[0]!r}.")
    if len(names) > 2:
        raise InputError(f"{len(names)} names were given. A report takes one drive or two setups.")
    if reference is not None and (season or len(names) == 2):
        raise InputError("--reference is a run's number in one drive. Name that drive.")
    if speeds_mps and not season and len(names) < 2:
        raise InputError("--to is for two setups or --season. The page of one drive has all its speeds.")
    if season and len(speeds_mps) > 1:
        raise InputError(f"--season takes one speed. Give --to once, not {len(speeds_mps)} times.")


def _of_season(season: SeasonRecord, speeds_mps: Sequence[float]) -> tuple[str, Page]:
    from analysis.report.season_page import season_page

    page = season_page(season, speeds_mps[0] if speeds_mps else None)
    return f"season-{season.drives[-1].started_utc:%Y-%m-%d}-report", page


def _of_setups(season: SeasonRecord, a: str, b: str, speeds_mps: Sequence[float]) -> tuple[str, Page]:
    import numpy as np

    from analysis.report.setups_page import setups_page

    page = setups_page(a, b, season, np.array(sorted(speeds_mps)) if speeds_mps else None)
    stem = "-".join(re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "x" for name in (a, b))
    return f"{stem[:80]}-report", page


def _of_drive(
    store: DriveStore,
    name: str,
    reference: int | None,
    unit: SpeedUnit | None,
    gathered: Callable[[], SeasonRecord],
    photos: bool,
) -> tuple[str, Page]:
    from analysis.report.kept_page import keep_page, page_key, read_page

    listed = store.drives  # the drive is opened among them, once
    drive = store.drive(name)
    key = page_key(store) if drive.kept_in is not None and not photos else None
    if key is not None and (before := read_page(drive, key, reference, unit)) is not None:
        return f"{drive.id}-report", before
    from analysis.report.drive_page import drive_page, reference_run
    from analysis.report.photos_section import photo_blocks
    from analysis.report.sections import plan_blocks

    # A wrong number is told before the season is read, which may take long.
    held = reference_run(drive, reference) if reference is not None else None
    pictures = photo_blocks(drive) if photos else []
    if photos and not pictures:
        raise NoAnswer(f"{drive.id}: this drive has no photographs. `pullbook photo {drive.id} PICTURE` adds one.")
    season = gathered() if listed else None
    page = drive_page(drive, unit, held, plan_blocks(season) if season is not None else [], pictures)
    # Where a drive is left out, the owner is told each time. Pictures are in the store as they are.
    if key is not None and season is not None and len(season.drives) == len(listed):
        keep_page(drive, key, page, reference, unit)
    return f"{drive.id}-report", page
