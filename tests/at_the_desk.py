"""Somebody at the desk: the real server on a free port of this machine, asked as a browser asks it."""

from __future__ import annotations

import http.client
import secrets
import sys
import threading
import time
import urllib.parse
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from lxml import html

from analysis.desk.app import Desk, Served

COMMAND = [sys.executable, "-m", "analysis.cli.main"]


@dataclass
class Seen:
    """A page as it came, and its parts as a reader finds them."""

    status: int
    headers: Mapping[str, str]
    data: bytes
    path: str
    """Its address, after being led there."""

    @property
    def text(self) -> str:
        return self.data.decode("utf-8")

    @property
    def tree(self) -> html.HtmlElement:
        return html.fromstring(self.data)

    @property
    def title(self) -> str:
        return self.tree.findtext(".//h1/bdi")

    def words(self, path: str) -> list[str]:
        """The words of all elements of an XPath, spaces made plain."""
        return [" ".join(each.text_content().split()) for each in self.tree.xpath(path)]

    @property
    def said(self) -> str:
        """What it says was done."""
        return " ".join(self.words("//*[@class='said']"))

    @property
    def wrong(self) -> str:
        """What it says cannot be, at the top or at a form, beside no entry."""
        return " ".join(self.words("//*[@class='failed']"))

    def section(self, name: str) -> str:
        """The words of the section under the heading of that name."""
        return " ".join(self.words(f"//section[@aria-labelledby='{name}']"))

    def form(self, name: str) -> dict[str, list[str]]:
        """What a form would send as it stands."""
        found = self.tree.xpath(f"//form[@id='{name}']")[0]
        sent: dict[str, list[str]] = {}
        areas = {area.get("name") for area in found.xpath(".//textarea")}
        for field, value in found.form_values():
            # A textarea's first line end is none of its text (HTML 13.2.6.4.7), which lxml does not know.
            sent.setdefault(field, []).append(value.removeprefix("\n") if field in areas else value)
        return sent

    def beside(self, form: str, entry: str) -> str:
        """What is said to be wrong beside an entry of a form."""
        return " ".join(self.words(f"//*[@id='{form}-{entry}-wrong']"))

    def rows(self, section: str, heading: str = "") -> list[dict[str, str]]:
        """The first table of a section with words in its caption or headings: heading -> cell, row by row."""
        found = next(
            table
            for table in self.tree.xpath(f"//section[@aria-labelledby='{section}']//table")
            if heading in " ".join(each.text_content() for each in table.xpath("./caption | ./thead"))
        )
        heads = [" ".join(each.text_content().split()) for each in found.xpath("./thead/tr[last()]/*")]
        return [
            dict(zip(heads, (" ".join(cell.text_content().split()) for cell in row.xpath("./*")), strict=True))
            for row in found.xpath("./tbody/tr")
        ]


class Visitor:
    """A browser without a screen: it holds the cookie, follows where it is led, and waits for what is worked out."""

    def __init__(self, served: Served) -> None:
        self.served = served
        self.host = f"127.0.0.1:{served.port}"
        self.cookie = ""
        first = self._ask("GET", urllib.parse.urlsplit(served.address).path)
        self.cookie = first.headers["set-cookie"].partition(";")[0]

    def get(self, path: str, *, wait: bool = True) -> Seen:
        """A page; where it is being worked out, as it is when that is done."""
        for _ in range(6000):
            seen = self._ask("GET", path)
            if not (wait and b'http-equiv="refresh"' in seen.data):
                return seen
            time.sleep(0.1)
        raise AssertionError(f"{path} was never worked out")

    def send(self, page: Seen, form: str, typed: Mapping[str, str | Iterable[str]]) -> Seen:
        """Fill in a form of a page and send it; `typed` stands in place of what the form held."""
        sent: dict[str, list[str]] = {
            **page.form(form),
            **{name: [value] if isinstance(value, str) else list(value) for name, value in typed.items()},
        }
        body = urllib.parse.urlencode([(name, value) for name, values in sent.items() for value in values])
        element = page.tree.xpath(f"//form[@id='{form}']")[0]
        if element.get("method") == "get":
            return self.get(f"{element.get('action')}?{body}")
        return self.post(element.get("action"), body)

    def send_files(
        self, page: Seen, form: str, typed: Mapping[str, str], files: Iterable[tuple[str, str, bytes]]
    ) -> Seen:
        """Send a form with files, as RFC 7578 has it: (entry, the file's name, its bytes)."""
        element = page.tree.xpath(f"//form[@id='{form}']")[0]
        assert element.get("enctype") == "multipart/form-data"
        edge, pieces = secrets.token_hex(12), list[bytes]()
        sent = {name: values[-1] for name, values in page.form(form).items()} | dict(typed)
        for name, value in sent.items():
            pieces.append(f'content-disposition: form-data; name="{name}"\r\n\r\n{value}'.encode())
        for entry, name, data in files:
            # Browsers write these three letters so (HTML 4.10.22.8).
            name = name.replace('"', "%22").replace("\r", "%0D").replace("\n", "%0A")
            head = f'content-disposition: form-data; name="{entry}"; filename="{name}"\r\ncontent-type: image/jpeg'
            pieces.append(head.encode() + b"\r\n\r\n" + data)
        body = b"".join(f"--{edge}\r\n".encode() + piece + b"\r\n" for piece in pieces) + f"--{edge}--\r\n".encode()
        return self.post(element.get("action"), body, f"multipart/form-data; boundary={edge}")

    def post(self, path: str, body: str | bytes, kind: str = "application/x-www-form-urlencoded") -> Seen:
        seen = self._ask("POST", path, body, {"origin": f"http://{self.host}", "content-type": kind})
        return self.get(seen.headers["location"].partition("#")[0]) if seen.status == 303 else seen

    def _ask(
        self, method: str, path: str, body: str | bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> Seen:
        connection = http.client.HTTPConnection("127.0.0.1", self.served.port, timeout=120)
        try:
            connection.request(method, path, body, {"host": self.host, "cookie": self.cookie, **(headers or {})})
            answer = connection.getresponse()
            found = {name.lower(): value for name, value in answer.getheaders()}
            return Seen(answer.status, found, answer.read(), path)
        finally:
            connection.close()


@contextmanager
def desk_open(store: Path) -> Iterator[Served]:
    """The desk of a store, answering on a thread of this process until the block ends."""
    served = Served(Desk(store, COMMAND))
    thread = threading.Thread(target=served.run, name="desk")
    thread.start()
    try:
        yield served
    finally:
        served.stop()
        thread.join(30)
        assert not thread.is_alive()


@contextmanager
def visitor(store: Path) -> Iterator[Visitor]:
    """Somebody who opened the desk of a store."""
    with desk_open(store) as served:
        yield Visitor(served)
