"""What a finished page holds, tag by tag, and the words that owners should be able to type without harm."""

from __future__ import annotations

from datetime import UTC, datetime
from html.parser import HTMLParser

DAY = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
HOSTILE = [
    "<script>document.title='hit'</script>",
    '"><img src=x onerror=alert(1)>',
    "</style></title></script><b>",
    "{{ 7*7 }}{% raw %}",
    "=cmd|' /C calc'!A0",
    "\u202egpj.exe",
    "&lt;&amp;",
    "javascript:alert(1)",
    "a\x00\x1b[31mb",
    "--!>",
]


class Reader(HTMLParser):
    """All tags with their attributes, and the text of each element by tag."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.rows: list[list[str]] = []
        self._open: list[str] = []
        self.problems: list[str] = []
        self.headings: list[str] = []
        self.feed(html)
        self.close()

    VOID = ("meta", "link", "input", "img", "br", "hr")

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self._open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self._open or self._open.pop() != tag:
            self.problems.append(tag)

    def handle_data(self, data):
        if "script" in self._open or "style" in self._open:
            return
        self.text += data
        if "h2" in self._open:
            self.headings.append(data)
        if self._open and self.rows and any(tag in self._open for tag in ("td", "th")):
            self.rows[-1][-1] += data

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]
