"""The manual's pages, docs/manual, as parts of the desk's Help: Markdown made HTML once, all text escaped.

for part in manual.page("wiring").parts: ...     # one for each heading of the second level
"""

from __future__ import annotations

import functools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import markupsafe

from analysis.desk.parts import Part, Prose
from logger.errors import InputError, NoAnswer

PAGES = {
    "index": "how to read it, and five tasks in two commands each",
    "first-saturday": "from two cables to a report, with a picture of each screen",
    "wiring": "power, grounds, serial lines, and what the receiver does to times",
    "testing-one-part": "did the new part help?",
    "mixture-and-jets": "read the map, choose the next jet",
    "fuel": "miles on a gallon, with an honest error",
    "coasts": "rolling and air drag",
    "numbers": "what each number means, how sure it is, and when not to believe it",
    "words": "one meaning for each word",
    "reference": "every verb, what is promised, what is kept, what stays private",
}
"""Name of each page and what it is about, in the order to read them."""

_KINDS = {".svg": "image/svg+xml", ".webp": "image/webp"}


@dataclass(frozen=True)
class ManualPage:
    """A page of the manual: its title and its parts."""

    title: str
    parts: Sequence[Part]


def folder() -> Path:
    """`docs/manual`: inside the installed package, or beside it in the source tree. InputError where it is missing."""
    for place in (Path(__file__).parents[1] / "manual", Path(__file__).parents[2] / "docs" / "manual"):
        if place.is_dir():
            return place
    raise InputError("manual: the manual's pages are missing from this installation. Reinstall pullbook.")


@functools.cache
def page(name: str) -> ManualPage:
    """The page called so; NoAnswer where there is none."""
    if name not in PAGES:
        raise NoAnswer("The manual does not have this page.")
    reader = _reader()
    tokens = reader.parse((folder() / f"{name}.md").read_text(encoding="utf-8"))
    title, parts = "", list[Part]()
    starts = [at for at, each in enumerate(tokens) if each.type == "heading_open" and each.tag in {"h1", "h2"}]
    for at, end in zip(starts, [*starts[1:], len(tokens)], strict=True):
        words = "".join(child.content for child in tokens[at + 1].children or ())
        html = markupsafe.Markup(reader.renderer.render(tokens[at + 3 : end], reader.options, {}))
        if tokens[at].tag == "h1":
            title = words
        if html:
            parts.append(Part(_slug(words), "In short" if tokens[at].tag == "h1" else words, [Prose(html)]))
    return ManualPage(title, parts)


def picture(name: str) -> tuple[bytes, str]:
    """A picture of the manual, and its media type; NoAnswer where there is none of that name."""
    for path in (folder() / "pictures").iterdir():
        if path.name == name and path.suffix in _KINDS:
            return path.read_bytes(), _KINDS[path.suffix]
    raise NoAnswer("The manual does not have this picture.")


def _reader() -> Any:
    """Reads CommonMark and tables; what looks like HTML in it stays text."""
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    reader.core.ruler.push("for the desk", _for_the_desk)
    drawn: Any = reader.renderer
    fence = drawn.rules["fence"]
    reader.add_render_rule("fence", lambda *told: fence(*told[1:]).replace("<pre>", '<pre tabindex="0">', 1))
    reader.add_render_rule("table_open", lambda *_: '<div class="wide" tabindex="0"><table>\n')
    reader.add_render_rule("table_close", lambda *_: "</table></div>\n")
    return reader


def _for_the_desk(state: Any) -> None:
    """Links between pages and pictures lead to the desk's addresses; headings can be linked to."""
    for at, token in enumerate(state.tokens):
        if token.type == "heading_open":
            token.attrSet("id", _slug(state.tokens[at + 1].content))
        for child in token.children or ():
            if child.type == "link_open":
                to, _, place = str(child.attrGet("href")).partition("#")
                address = f"/help/{to.removesuffix('.md')}" if to.endswith(".md") else to
                child.attrSet("href", address + (f"#{place}" if place else ""))
            elif child.type == "image":
                child.attrSet("src", f"/help/{child.attrGet('src')}")
                child.attrSet("loading", "lazy")


def _slug(heading: str) -> str:
    """As the site's own links have it: small letters, with - for blanks."""
    return re.sub(r"[^\w\s-]", "", heading.lower()).strip().replace(" ", "-")
