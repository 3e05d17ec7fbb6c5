"""The page for a phone: what it shows, what it does not, and that it is gone when the desk is."""

from __future__ import annotations

import json
import os
import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from at_the_desk import COMMAND, Client, Stream, raw

from analysis.desk import sharing
from analysis.desk.app import Desk, Served
from analysis.desk.codes import code_as_picture, code_as_text
from analysis.desk.sharing import Shared, checked_address, own_address
from logger.errors import InputError
from logger.store import front, presence

SECRETS = ("/dev/ttyUSB7", "2026-05-02_091430Z", "/home/owner", "53.4", "recorder.toml")


FIGURES = {"pid": os.getpid(), "mixture": 13.1, "mixture_channel": "afr", "speed_mps": 8.9408}


class Both:
    """A desk that shares, its owner and a phone."""

    def __init__(self, store: Path, notes: bool) -> None:
        self.shared = Shared(store, "127.0.0.1", notes=notes)
        self.desk = Served(Desk(store, COMMAND), shared=self.shared)
        self.thread = threading.Thread(target=self.desk.run, daemon=True)
        self.thread.start()
        self.owner, self.phone = Client(self.desk.port), Client(self.shared.port)
        self.owner.open(self.desk.address)
        assert self.phone.open(self.shared.address).status == 303

    def end(self) -> None:
        self.desk.stop()
        self.thread.join(10)


def at_work(store: Path) -> presence.Lock:
    """A store in which a recorder is at work, as far as its files tell."""
    (store / presence.FOLDER).mkdir(parents=True)
    (store / "recorder.toml").write_text("# /home/owner")
    presence.write_state(store, told())
    front.write_figures(store, FIGURES)
    return presence.Lock(store)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Path]:
    with at_work(tmp_path / "store"):
        yield tmp_path / "store"


def told(**but: Any) -> dict[str, Any]:
    source = {"name": "gps", "state": "waiting", "why": "/dev/ttyUSB7 is gone", "last_bytes_s_ago": None,
              "lines_per_s": 0.0, "port": "/dev/ttyUSB7", "lat_deg": 53.4}  # fmt: skip
    return {
        "pid": os.getpid(), "since_utc": "x", "updated_utc": datetime.now(UTC).isoformat(), "state": "recording",
        "drive": "2026-05-02_091430Z", "recorded_s": 61.0, "sources": [source], "free_mb": 5000.0, "lost_bytes": 0,
        "trouble": "/home/owner/store is full", "speed_mps": 8.9408,
        "seen": {"mixture": "AFR 13.1", "unit": "mph", "last_run": "run 2, 30 mph in 4.1 s", "alert": ""},
    } | but  # fmt: skip


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Both]:
    """One for all that only look."""
    store = tmp_path_factory.mktemp("shared") / "store"
    with at_work(store):
        made = Both(store, notes=False)
        yield made
        made.end()


def test_it_shows_the_figures_and_names_nothing_of_the_owners(both: Both) -> None:
    front.write_figures(both.desk.desk.store, FIGURES)
    presence.write_state(both.desk.desk.store, told())
    page = both.phone.get("/now")
    assert page.status == 200
    assert ">13.1</b>" in page.text and ">20</b>" in page.text and "30 mph in 4.1 s" in page.text  # 8.9408 m/s
    stream = Stream(both.phone)
    _, event = next(stream.events())
    stream.close()
    assert event["mixture"] == "13.1"
    for secret in SECRETS:
        assert secret not in page.text and secret not in json.dumps(event)
    assert SECRETS[0] in both.owner.get("/now").text  # which the owner sees


@pytest.mark.parametrize(
    "path",
    ["/", "/drives", "/drive/last", "/compare", "/season", "/next", "/car", "/car/file/recorder", "/help",
     "/static/now.py", "/static/../gate.py"],
)  # fmt: skip
def test_there_is_nothing_else(both: Both, path: str) -> None:
    assert both.phone.get(path).status == (303 if path == "/" else 404)


@pytest.mark.parametrize("path", ["/now", "/now/note", "/now/mark", "/now/start", "/now/stop", "/car/listen"])
def test_nothing_can_be_changed(both: Both, path: str) -> None:
    assert both.phone.post(path, text="hello").status == 405
    folder = both.desk.desk.store / presence.FOLDER
    assert not (folder / "notes").exists() and not (folder / "stop.json").exists()


def test_the_page_has_no_form_and_no_way_elsewhere(both: Both) -> None:
    text = both.phone.get("/now").text
    assert "<form" not in text and "<nav" not in text and 'href="/car"' not in text


def test_notes_where_the_owner_wants_them(store: Path) -> None:
    both = Both(store, notes=True)
    try:
        assert 'action="/now/note"' in both.phone.get("/now").text
        assert "Noted." in both.phone.follow(both.phone.post("/now/note", text=" <b>belt squeals</b> ")).text
        assert both.phone.post("/now/note", text="  ").status == 303
        for path in ("/now/mark", "/now/stop", "/now/start"):
            assert both.phone.post(path).status == 405
    finally:
        both.end()
    ((_, note),) = presence.notes_left(store)
    assert note["text"] == "<b>belt squeals</b>"


def test_a_note_without_a_recorder_is_told(tmp_path: Path) -> None:
    store = tmp_path
    both = Both(store, notes=True)
    try:
        answer = both.phone.post("/now/note", text="hello")
        assert answer.status == 404 and str(store) not in answer.text
    finally:
        both.end()


@pytest.mark.parametrize(
    ("but", "status"),
    [({"cookie": None}, 403), ({"host": "localhost:1"}, 421), ({"host": "evil.example"}, 421),
     ({"origin": "http://evil.example"}, 403), ({"sec_fetch_site": "cross-site"}, 403), ({"cookie": "desk_1=x"}, 403)],
)  # fmt: skip
def test_its_gate_is_the_desks(both: Both, but: dict[str, str | None], status: int) -> None:
    assert both.phone.ask("GET", "/now", **but).status == status


def test_neither_opens_the_other(store: Path) -> None:
    both = Both(store, notes=False)
    assert both.phone.get(f"/open/{both.desk.token}").status == 403
    assert both.owner.get(f"/open/{both.shared.token}").status == 403
    mine, both.phone.cookie = both.phone.cookie, both.owner.cookie
    assert both.phone.get("/now").status == 403
    both.phone.cookie = mine.replace(str(both.shared.port), str(both.desk.port))
    assert both.owner.ask("GET", "/now", cookie=both.phone.cookie).status == 403
    both.end()


def test_it_ends_with_the_desk(store: Path) -> None:
    both = Both(store, notes=False)
    stream = Stream(both.phone)
    next(stream.events())
    both.end()
    assert list(stream.events())[2:] == []  # whoever was looking sees no more
    stream.close()
    for port in (both.shared.port, both.desk.port):
        with pytest.raises(OSError, match="refused"):
            raw(port, b"GET / HTTP/1.1\r\n\r\n")


def test_the_owner_sees_address_and_code(both: Both) -> None:
    text = both.owner.get("/now").text
    assert both.shared.address in text and 'src="data:image/svg+xml' in text
    assert both.shared.address not in both.phone.get("/now").text


def test_the_code_is_drawn_for_terminal_and_page() -> None:
    """That a code holds its address was read back by zxing-cpp once (see docs/methods/desk.md)."""
    address = "http://192.168.1.7:41234/open/abcdefghijklmnopqrstuv"
    lines = code_as_text(address).rstrip("\n").split("\n")
    assert len({len(line) for line in lines if line}) == 1 and len(lines[0]) <= 80 and len(lines) <= 24
    assert code_as_picture(address).startswith("data:image/svg+xml")


def test_own_address_is_no_loopback() -> None:
    try:
        found = own_address()
    except InputError as error:
        assert "--share" in str(error)
        return
    assert not found.startswith("127.")
    with socket.socket() as line:
        line.bind((found, 0))


class _Line:
    """A socket of a machine that has only this address."""

    def __init__(self, address: str) -> None:
        self._address = address

    def __enter__(self) -> _Line:
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def connect(self, _: object) -> None:
        if not self._address:
            raise OSError(101, "Network is unreachable")

    def getsockname(self) -> tuple[str, int]:
        return self._address, 0


@pytest.mark.parametrize(
    ("address", "said"), [("8.8.4.4", "the whole internet"), ("", "on a network"), ("127.0.0.1", "on a network")]
)
def test_an_address_that_all_may_reach_is_not_taken(monkeypatch: pytest.MonkeyPatch, address: str, said: str) -> None:
    monkeypatch.setattr(sharing.socket, "socket", lambda *_: _Line(address))
    with pytest.raises(InputError, match=said):
        own_address()


@pytest.mark.parametrize("text", ["", "x", "0.0.0.0", "224.0.0.1", "::1", "192.168.1", "192.168.1.7/24", "\x1b[2J"])
def test_an_address_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="--share-at"):
        checked_address(text)


def test_an_address_of_another_machine_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"--share 198\.51\.100\.1: cannot listen there"):
        Shared(tmp_path, "198.51.100.1")
