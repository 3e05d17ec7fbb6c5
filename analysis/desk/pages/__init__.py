"""The desk's pages, one module each: what they show, and what their forms do.

A page's handler gives a `View`, or a `Response` where it leads elsewhere. What changes something is posted, and leads
to the page that shows it changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from analysis.desk.pages import advice, car, commands, compare, drive, drives, help, now, season, takeaway

if TYPE_CHECKING:
    from analysis.desk.app import Handler


def routes() -> Iterator[tuple[str, str, str, Handler]]:
    """(method, path, tab, handler) of every page."""
    for room in (now, drives, drive, takeaway, compare, season, advice, car, help, commands):
        yield from room.ROUTES
