"""Views as HTML, and the one that is shown while something is worked out."""

from __future__ import annotations

import functools
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.desk.parts import View
from analysis.report.page import Block, Page, Section, Words

if TYPE_CHECKING:
    from analysis.desk.work import Asked

TABS = (
    ("now", "/now", "Now"),
    ("drives", "/drives", "Drives"),
    ("compare", "/compare", "Compare"),
    ("season", "/season", "Season"),
    ("next", "/next", "Next"),
    ("car", "/car", "Car"),
    ("help", "/help", "Help"),
)
_REPORT, _HERE = Path(__file__).parents[1] / "report", Path(__file__).parent


def waiting(asked: Asked, tab: str, title: str) -> View:
    """The page shown while something is worked out: what it is doing, and that it may be left."""
    told = asked.progress[-1] if asked.progress else "reading the drives"
    words = [
        Words(f"{told[:1].upper()}{told[1:]} ({asked.took_s:.0f} s so far)."),
        Words("This page refreshes on its own. You can leave it: the work goes on, and the result is kept."),
    ]
    return View(Page(title, "", (), sections=[Section("work", "Working", words)]), tab, again_s=1)


@functools.cache
def _environment() -> Any:
    from analysis.desk.pages.help import METHOD_OF
    from analysis.report.page import environment

    made = environment(_HERE, _REPORT)
    made.globals["shown"] = _shown
    made.globals["method_of"] = METHOD_OF
    return made


_MOST_KEPT = 1000
_kept: OrderedDict[tuple[int, str], tuple[Block, Any]] = OrderedDict()


def _shown(block: Block, name: str) -> Any:
    """A block of a report as HTML, made once while the block is there: large tables and plots are asked for again and
    again. Not photographs: they are large, and written quickly."""
    if block.kind == "pictures":
        return _environment().get_template("blocks.html.j2").module.block(block, name)
    found = _kept.get((id(block), name))
    if found is None or found[0] is not block:
        found = _kept[id(block), name] = block, _environment().get_template("blocks.html.j2").module.block(block, name)
        while len(_kept) > _MOST_KEPT:
            _kept.popitem(last=False)
    return found[1]


def rendered(
    view: View, template: str = "desk.html.j2", tabs: Sequence[tuple[str, str, str]] = TABS, **more: Any
) -> str:
    """A page as HTML."""
    html: str = _environment().get_template(template).render(view=view, tabs=tabs, **more)
    return html
