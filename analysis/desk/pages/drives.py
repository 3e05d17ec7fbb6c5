"""The drives of the store, the newest first: what was fitted, runs, times, mixture, fuel; each leads to its page."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis import wording
from analysis.desk.parts import Part, Rows, Shown, View, address, typed
from analysis.desk.views import waiting
from analysis.report.page import Bullets, Page, Words
from logger.zone import local_clock

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

    from analysis.answers.drives import DrivesAnswer
    from analysis.desk.app import Desk
    from analysis.store import DriveStore

_TITLE = "Drives"


def listed(desk: Desk, request: Request) -> View:
    """All drives at a glance."""

    def made(store: DriveStore, progress: Callable[[str], None]) -> tuple[DrivesAnswer, str] | None:
        from analysis.answers.drives import drives_answer
        from analysis.changes.season import gather

        if not store.drives:
            return None
        season = gather(store, progress=progress)
        return drives_answer(season), season.unit

    asked = desk.ask("drives", made)
    if not asked.done:
        return waiting(asked, "drives", _TITLE)
    if asked.value is None:
        none = Words("There are no drives in this store yet. Start the recorder under Now, and drive.")
        return View(Page(_TITLE, "", ()), "drives", typed("drives"), parts=[Part("list", "None yet", [none])])
    return _page(*asked.value)


def _page(answer: DrivesAnswer, unit: str) -> View:
    fuel = any(math.isfinite(each.l_per_100km) for each in answer.drives)
    rows = [
        (
            address("drive", each.drive),
            [
                f"{wording.day(each.started_utc)} {local_clock(each.started_utc)[:5]}", str(each.timed),
                wording.number(each.best_s), wording.number(each.typical_s), wording.number(each.full_throttle),
                *([wording.fuel_use(each.l_per_100km, unit)] if fuel else []), each.setup,
                "; ".join([*each.notes, *([each.trouble] if each.trouble else [])]),
            ],
        )
        for each in reversed(answer.drives)
    ]  # fmt: skip
    used = [wording.fuel_use_unit(unit)] if fuel else []
    heads = ["Drive", "Runs", "Best", "Typical", answer.channel, *used, "Setup", "Notes"]
    caption = (
        f"Seconds from one foot to {answer.speed}, as driven; typical = median. {answer.channel} at full "
        f"throttle, {wording.FULL_THROTTLE_OF_RUNS}"
    )
    table = Rows(caption, heads, rows, left=(len(heads) - 2, len(heads) - 1))
    lacking = [
        f"No {lack.what} yet: {', '.join(lack.drives[:3])}"
        + (f" and {len(lack.drives) - 3} more" if len(lack.drives) > 3 else "")
        + ". Enter it on the page of the drive."
        for lack in answer.lacking
    ]
    timed = [each for each in answer.drives if math.isfinite(each.best_s)]
    best = min(timed, key=lambda each: each.best_s, default=None)
    said = "No standing run in this store is counted yet." if best is None else (
        f"Best run: {answer.speed} in {best.best_s:.2f} s on {wording.day(best.started_utc)}, setup {best.setup}."
    )  # fmt: skip
    page = Page(_TITLE, f"{wording.plural(len(rows), 'drive')} in this store", (said,))
    blocks: list[Shown] = [table, Bullets(lacking)] if lacking else [table]
    return View(page, "drives", typed("drives"), parts=[Part("list", "The newest first", blocks)])


ROUTES = [("GET", "/drives", "drives", listed)]
