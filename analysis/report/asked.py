"""From what an owner asked to the page: a drive, two setups, or the season."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.changes.season import Season
    from analysis.report.page import Page


def asked_page(
    what: list[str], season: bool, reference: int | None, targets: Path | None, unit: str | None, store: Path
) -> tuple[str, Page]:
    """What the file is called, and the page."""
    from analysis.drive import driven, read_targets
    from analysis.report.drive_page import drive_page
    from analysis.report.season_page import season_page
    from analysis.report.sections import plan_blocks
    from analysis.report.setups_page import setups_page
    from logger.store.drive import open_drive

    if len(what) == 3 and what[0].casefold() in ("setup", "setups"):
        what = what[1:]
    if season and what:
        raise InputError(f"--season reports all drives: leave {what[0]!r} out")
    if len(what) > 2:
        raise InputError(f"a report is of one drive or of two setups, and {len(what)} names were given")
    if reference is not None and (season or len(what) == 2):
        raise InputError("--reference numbers a run of one drive: give it with a drive")
    wanted = read_targets(targets, store)
    if season:
        found = season_of(store)
        return f"season-{found.drives[-1].started_utc:%Y-%m-%d}-report", season_page(found, store, wanted, unit)
    if len(what) == 2:
        page = setups_page(what[0], what[1], season_of(store), store, wanted, unit)
        stem = "-".join(re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "x" for name in what)
        return f"{stem[:80]}-report", page
    drive = open_drive(store, what[0] if what else "last")
    told = driven(drive, store, wanted, unit)
    drive_page(told, reference)  # a wrong reference is told before the season is read, which may take long
    try:
        plan = plan_blocks(season_of(store), store)
    except NoAnswer:
        plan = []
    return f"{drive.id}-report", drive_page(told, reference, plan)


def season_of(store: Path) -> Season:
    from analysis.changes.season import gather

    def say(text: str) -> None:
        if sys.stderr.isatty():
            print(f"{text} ...", file=sys.stderr)

    return gather(store, progress=say)
