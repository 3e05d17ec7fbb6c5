"""A desk on a real socket, and a client that says exactly what it is told to: each header and each byte."""

from __future__ import annotations

import contextlib
import json
import re
import socket
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

from analysis.desk.app import Desk, Served

COMMAND = [sys.executable, "-m", "analysis.cli.main"]


@dataclass
class Answered:
    """What came back: `head` are the lines before the body."""

    status: int
    head: str
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode("utf-8", "replace")

    def header(self, name: str) -> str:
        found = re.search(rf"^{name}: (.*)$", self.head, re.MULTILINE | re.IGNORECASE)
        return found[1].strip() if found else ""


def raw(port: int, data: bytes, host: str = "127.0.0.1", wait_s: float = 20.0) -> Answered:
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
        return self.ask("POST", target, body=urlencode(form, doseq=True).encode())

    def follow(self, answer: Answered) -> Answered:
        """Where an answer leads to."""
        assert answer.status == 303, answer.text
        return self.get(answer.header("location"))


@contextmanager
def served(store: Path) -> Iterator[tuple[Served, Client]]:
    """A desk at work on `store`, and a client that has opened it."""
    desk = Served(Desk(store, COMMAND))
    thread = threading.Thread(target=desk.run, daemon=True)
    thread.start()
    client = Client(desk.port)
    try:
        client.open(desk.address)
        yield desk, client
    finally:
        desk.stop()
        thread.join(10)


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
