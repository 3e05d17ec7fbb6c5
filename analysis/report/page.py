"""The page: words, plots and tables in order, and how they become one HTML file that asks nobody for anything.

    page = Page("First drive", subtitle, verdict=[...], caveats=[...], sections=[Section("runs", "Runs", [plot])])
    html = render(page, made=datetime.now(UTC))

The template escapes all text (jinja2), unseen characters are made visible (`plots.shown`), and a policy in the page
itself lets the browser run the page's own script and nothing else: a hostile name can neither run nor call out.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, ClassVar

from analysis.report.plots import Plot, shown
from logger.zone import local_minute

_HERE = Path(__file__).parent


@dataclass(frozen=True)
class Words:
    """A paragraph."""

    text: str
    kind: ClassVar[str] = "words"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: Sequence[str]
    kind: ClassVar[str] = "bullets"


@dataclass(frozen=True)
class Table:
    """A table: the first column heads its rows, `left` are further columns of words. Rows of text, cell by cell."""

    caption: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    left: Sequence[int] = ()
    folded: bool = False
    """Shown when asked for: the data behind a plot."""
    kind: ClassVar[str] = "table"


def judgement_first(caption: str, columns: Sequence[str], rows: Sequence[Sequence[str]], folded: bool = False) -> Table:
    """A table whose last column judges: it is told second, so that on a phone it does not lie beyond the figures."""
    moved = [[row[0], row[-1], *row[1:-1]] for row in [columns, *rows]]
    return Table(caption, moved[0], moved[1:], (1,), folded)


@dataclass(frozen=True)
class MapField:
    """A field of a map. `tint` names a class of the style sheet; `share` (0 to 1) is drawn as a bar along its foot."""

    value: str = ""
    mark: str = ""
    small: str = ""
    said: str = ""
    """For who cannot see it."""
    tint: str = "none"
    share: float = 0.0

    @property
    def eighths(self) -> int:
        """The bar's length in eighths, at least one where there is anything."""
        return max(1, round(8 * min(self.share, 1.0))) if self.share > 0 else 0


@dataclass(frozen=True)
class Map:
    """A table of tinted fields, rows headed by `rows`, columns by `columns`, under the title of each axis."""

    caption: str
    row_title: str
    column_title: str
    columns: Sequence[str]
    rows: Sequence[tuple[str, Sequence[MapField | None]]]
    legend: Sequence[tuple[str, str, str]] = ()
    """(tint, mark, meaning)."""
    kind: ClassVar[str] = "map"


@dataclass(frozen=True)
class Figure:
    """A plot with its title, a sentence on how to read it, and the table of what it shows."""

    title: str
    plot: Plot
    caption: str = ""
    data: Table | None = None
    switches: bool = False
    kind: ClassVar[str] = "figure"


@dataclass(frozen=True)
class ShownPicture:
    """A photograph as a data: address, with what it is of and what was said of it."""

    address: str
    width: int
    height: int
    title: str
    words: str = ""


@dataclass(frozen=True)
class Pictures:
    """Photographs, beside each other where there is room."""

    pictures: Sequence[ShownPicture]
    kind: ClassVar[str] = "pictures"


Block = Words | Bullets | Table | Map | Figure | Pictures


@dataclass(frozen=True)
class Section:
    """A part of the page with a heading."""

    name: str
    title: str
    blocks: Sequence[Block]


@dataclass(frozen=True)
class Page:
    """All that the page says. `facts` are short pairs under the verdict; `cautions` are about safety.

    `caveats` are those that change what the owner would do; what else lies behind the verdict is `why`, folded.
    """

    title: str
    subtitle: str
    verdict: Sequence[str]
    caveats: Sequence[str] = ()
    facts: Sequence[tuple[str, str]] = ()
    sections: Sequence[Section] = ()
    cautions: Sequence[str] = ()
    footer: Sequence[str] = field(default_factory=tuple)
    why: Sequence[str] = ()


def render(page: Page, made: datetime) -> str:
    """The page as HTML. The same page gives the same text but for the date it was `made`."""
    style, script = (_HERE / "page.css").read_text(encoding="utf-8"), (_HERE / "page.js").read_text(encoding="utf-8")
    html: str = (
        environment(_HERE)
        .get_template("page.html.j2")
        .render(
            page=page, made=local_minute(made), style=style, script=script,
            style_digest=_digest(style), script_digest=_digest(script),
        )
    )  # fmt: skip
    return html


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


@functools.cache
def environment(*folders: Path) -> Any:
    """What templates are filled by, those of `folders`: all text is escaped, unseen characters are made visible."""
    import jinja2

    def finalize(value: Any) -> Any:
        return value if hasattr(value, "__html__") else shown(value)

    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folders), autoescape=True, finalize=finalize, trim_blocks=True,
        lstrip_blocks=True, undefined=jinja2.StrictUndefined,
    )  # fmt: skip
    made.filters["id"] = _name_id
    made.filters["commands"] = _with_commands
    return made


def _with_commands(text: str) -> Any:
    """Words for the page's body, with commands and options between backquotes set as code."""
    import markupsafe

    escaped = str(markupsafe.escape(shown(text)))
    return markupsafe.Markup(re.sub(r"`((?:pullbook |--)[^`]+)`", r"<code>\1</code>", escaped))


def _name_id(text: str) -> str:
    return "".join(c if c.isalnum() and c.isascii() else "-" for c in text.lower()).strip("-")[:40] or "part"
