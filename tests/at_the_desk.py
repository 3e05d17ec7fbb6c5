"""Somebody at the desk: the real server on a free port of this machine, and who asks it.

with visitor(store) as at_desk:            # as a browser without a screen: pages taken apart, forms filled in
    page = at_desk.get("/season")
with served(store) as (desk, client):      # says exactly what it is told to: each header and each byte
    answer = client.ask("GET", "/now", origin="http://evil.example")
"""

from __future__ import annotations

import contextlib
import json
import re
import secrets
import socket
import sys
import threading
import time
import urllib.parse
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from all_verbs import COMMANDS
from lxml import html

from analysis.cli.desk import described
from analysis.desk.app import Desk, Served

COMMAND = [sys.executable, "-m", "analysis.cli.main"]


@contextmanager
def desk_open(store: Path) -> Iterator[Served]:
    """The desk of a store, answering on a thread of this process until the block ends."""
    served = Served(Desk(store, COMMAND, described(COMMANDS)))
    thread = threading.Thread(target=served.run, name="desk")
    thread.start()
    try:
        yield served
    finally:
        served.stop()
        thread.join(30)
        assert not thread.is_alive()


@contextmanager
def served(store: Path) -> Iterator[tuple[Served, Client]]:
    """A desk at work on `store`, and a client that has opened it."""
    with desk_open(store) as desk:
        client = Client(desk.port)
        client.open(desk.address)
        yield desk, client


@contextmanager
def visitor(store: Path) -> Iterator[Visitor]:
    """Somebody who opened the desk of a store."""
    with desk_open(store) as desk:
        yield Visitor(desk)


# --- byte by byte -------------------------------------------------------------------------------------------------


@dataclass
class Answered:
    """What came back: `head` are the lines before the body."""

    status: int
    head: str
    body: bytes

    @property
    def headers(self) -> dict[str, str]:
        """By their names in small letters."""
        lines = (line.partition(":") for line in self.head.split("\n")[1:])
        return {name.lower(): value.strip() for name, _, value in lines}

    @property
    def text(self) -> str:
        return self.body.decode("utf-8", "replace")

    def header(self, name: str) -> str:
        found = re.search(rf"^{name}: (.*)$", self.head, re.MULTILINE | re.IGNORECASE)
        return found[1].strip() if found else ""


def raw(port: int, data: bytes, host: str = "127.0.0.1", wait_s: float = 120.0) -> Answered:
    """Send these bytes and read until the other side closes, or has said a whole answer."""
    with socket.create_connection((host, port), wait_s) as line:
        with contextlib.suppress(OSError):  # it may answer, and close, before all is said
            line.sendall(data)
        return read_answer(line)


def read_answer(line: socket.socket) -> Answered:
    data = b""
    while b"\r\n\r\n" not in data:
        piece = line.recv(65536)
        if not piece:
            break
        data += piece
    head, _, body = data.partition(b"\r\n\r\n")
    said = head.decode("latin-1").replace("\r", "")
    length = re.search(r"^content-length: (\d+)$", said, re.MULTILINE | re.IGNORECASE)
    while length is not None and len(body) < int(length[1]):
        piece = line.recv(65536)
        if not piece:
            break
        body += piece
    return Answered(int(said.split()[1]) if said else 0, said, body)


class Client:
    """A browser's manners, each of which may be left out. `cookie` is had by `open`."""

    def __init__(self, port: int, host: str = "127.0.0.1") -> None:
        self.port, self.ip = port, host
        self.host = f"{host}:{port}"
        self.cookie = ""

    def open(self, address: str) -> Answered:
        """Take the first address; the cookie is kept."""
        answer = self.ask("GET", "/" + address.split("/", 3)[3], cookie="")
        self.cookie = answer.header("set-cookie").partition(";")[0]
        return answer

    def said(
        self, method: str, target: str, headers: Iterable[tuple[str, str]] = (), body: bytes = b"", **but: str | None
    ) -> bytes:
        """A request as bytes. `but` changes a header that a browser would send; None leaves it out."""
        usual: dict[str, str | None] = {
            "host": self.host, "origin": f"http://{self.host}" if method == "POST" else None,
            "sec-fetch-site": "same-origin", "cookie": self.cookie or None,
            "content-type": "application/x-www-form-urlencoded" if method == "POST" else None,
            "content-length": str(len(body)) if method == "POST" else None, "connection": "close",
        }  # fmt: skip
        for name, value in but.items():
            usual[name.replace("_", "-")] = value
        lines = [f"{name}: {value}" for name, value in [*usual.items(), *headers] if value is not None]
        return (
            f"{method} {target} HTTP/1.1\r\n{''.join(line + chr(13) + chr(10) for line in lines)}\r\n".encode("latin-1")
            + body
        )

    def ask(self, method: str, target: str, headers: Iterable[tuple[str, str]] = (), body: bytes = b"",
            **but: str | None) -> Answered:  # fmt: skip
        return raw(self.port, self.said(method, target, headers, body, **but), self.ip)

    def get(self, target: str) -> Answered:
        return self.ask("GET", target)

    def post(self, target: str, **form: str | list[str]) -> Answered:
        return self.ask("POST", target, body=urllib.parse.urlencode(form, doseq=True).encode())

    def follow(self, answer: Answered) -> Answered:
        """Where an answer leads to."""
        assert answer.status == 303, answer.text
        return self.get(answer.header("location"))


def until(true: object, seconds: float = 20.0) -> object:
    """What `true()` gives once it gives something."""
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        if found := true():  # type: ignore[operator]
            return found
        time.sleep(0.02)
    raise AssertionError(f"not in {seconds} s")


class Stream:
    """The live figures as a page gets them: each event, and when it came [s, monotonic clock]."""

    def __init__(self, client: Client, target: str = "/now/stream") -> None:
        self._line = socket.create_connection((client.ip, client.port), 20)
        self._line.sendall(client.said("GET", target, connection=None))
        self._data = b""

    def events(self) -> Iterator[tuple[float, dict[str, object]]]:
        while piece := self._received():
            at = time.monotonic()
            self._data += piece
            *whole, self._data = self._data.split(b"\n\n")
            for each in whole:
                for line in each.splitlines():
                    if line.startswith(b"data: "):
                        yield at, json.loads(line[6:])

    def _received(self) -> bytes:
        try:
            return self._line.recv(65536)
        except OSError:  # closed
            return b""

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._line.shutdown(socket.SHUT_RDWR)
        self._line.close()


# --- as a browser without a screen ---------------------------------------------------------------------------------


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
        found = self.tree.xpath(f"//form[@id='form-{name}']")[0]
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

    def __init__(self, desk: Served) -> None:
        self.served, self.client = desk, Client(desk.port)
        self.client.open(desk.address)

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
        element = page.tree.xpath(f"//form[@id='form-{form}']")[0]
        if element.get("method") == "get":
            return self.get(f"{element.get('action')}?{body}")
        return self.post(element.get("action"), body)

    def send_files(
        self, page: Seen, form: str, typed: Mapping[str, str], files: Iterable[tuple[str, str, bytes]]
    ) -> Seen:
        """Send a form with files, as RFC 7578 has it: (entry, the file's name, its bytes)."""
        element = page.tree.xpath(f"//form[@id='form-{form}']")[0]
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
        seen = self._ask("POST", path, body.encode() if isinstance(body, str) else body, content_type=kind)
        return self.get(seen.headers["location"].partition("#")[0]) if seen.status == 303 else seen

    def _ask(self, method: str, path: str, body: bytes = b"", **headers: str) -> Seen:
        answer = self.client.ask(method, path, (), body, **headers)
        return Seen(answer.status, answer.headers, answer.body, path)
