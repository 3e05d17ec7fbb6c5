"""The recorder's front: what is asked of it by files, also where those files are odd, half-written or another's."""

from __future__ import annotations

import json
import os
import threading
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.store import front, presence

PID = os.getpid()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    (tmp_path / presence.FOLDER).mkdir()
    return tmp_path


def test_watched_for_some_seconds(store: Path) -> None:
    assert not front.is_watched(store)
    front.watch(store)
    assert front.is_watched(store)
    path = store / presence.FOLDER / "watched"
    for seconds in (-60, 60):  # also where the clock was put back since
        os.utime(path, (time.time() + seconds,) * 2)
        assert not front.is_watched(store)


def test_figures_are_those_of_the_recorder_that_tells_its_state(store: Path) -> None:
    assert front.read_live(store) is None
    presence.write_state(store, {"pid": PID, "state": "recording"})
    assert front.read_live(store) == {"pid": PID, "state": "recording"}
    front.write_figures(store, {"pid": PID, "mixture": 13.1})
    live = front.read_live(store)
    assert live is not None and live["figures"]["mixture"] == 13.1
    front.write_figures(store, {"pid": PID + 1, "mixture": 9.0})  # one that ended
    live = front.read_live(store)
    assert live is not None and "figures" not in live


def test_old_figures_are_none(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    front.write_figures(store, {"mixture": 13.1})
    assert front.read_figures(store) is not None
    now = time.time()
    for later in (-3600, 10):
        monkeypatch.setattr("logger.store.front.time.time", lambda later=later: now + later)
        assert front.read_figures(store) is None


@pytest.mark.parametrize(
    "data",
    [b"", b"00000000 ", b"x" * 5000, b"\x00" * 1024, b"ffffffff {}", b"00000000 [1]", b"\xff" * 9, b"[" * 900],
)
def test_what_are_no_figures_are_none(store: Path, data: bytes) -> None:
    (store / presence.FOLDER / "figures").write_bytes(data)
    assert front.read_figures(store) is None
    front.write_figures(store, {"mixture": 13.1})  # and are written over
    assert front.read_figures(store) is not None


def _seconds(what: Callable[[], Any], most_s: float = 10.0) -> None:
    """It ends within so many seconds; a thread, so that one that waits for ever fails a test and no more."""
    thread = threading.Thread(target=what, daemon=True)
    thread.start()
    thread.join(most_s)
    assert not thread.is_alive(), "it waits"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
@pytest.mark.parametrize("name", ["figures", "stop.json", "state.json", "watched"])
def test_a_pipe_is_not_waited_for(store: Path, name: str) -> None:
    os.mkfifo(store / presence.FOLDER / name)
    held = os.open(store / presence.FOLDER / name, os.O_RDWR | os.O_NONBLOCK)  # what is written into it stays there

    def all_of_it() -> None:
        for n in range(200):  # a pipe takes 64 kB before its writer waits
            front.write_figures(store, {"n": n})
            front.is_watched(store)
            front.stop_asked(store, PID, "")
        front.read_live(store)
        front.watch(store)
        presence.write_state(store, {"pid": PID})

    _seconds(all_of_it)
    os.close(held)
    front.write_figures(store, {"mixture": 13.1})
    assert name == "figures" or front.read_figures(store) is not None


@pytest.mark.parametrize("name", ["figures", "stop.json", "state.json"])
def test_of_a_huge_file_only_a_start_is_read(store: Path, name: str) -> None:
    with (store / presence.FOLDER / name).open("wb") as file:
        file.truncate(1 << 30)  # a gigabyte that takes no room
    tracemalloc.start()
    try:
        assert not front.stop_asked(store, PID, "")
        assert front.read_live(store) is None and front.read_figures(store) is None
        assert tracemalloc.get_traced_memory()[1] < 4 << 20
    finally:
        tracemalloc.stop()
    assert not (store / presence.FOLDER / "stop.json").exists()


def test_half_written_figures_are_never_read(store: Path) -> None:
    """A writer and a reader as fast as they can: each read gives figures that belong together, or none."""
    over = threading.Event()

    def write() -> None:
        n = 0
        while not over.is_set():
            n += 1
            front.write_figures(store, {"a": n, "b": n, "words": "x" * (n % 200)})

    thread = threading.Thread(target=write)
    thread.start()
    seen, ends = 0, time.monotonic() + 1.0
    try:
        while time.monotonic() < ends:
            if (figures := front.read_figures(store)) is not None:
                assert figures["a"] == figures["b"]
                seen += 1
    finally:
        over.set()
        thread.join()
    assert seen > 100


def test_too_much_to_show_is_left_out(store: Path) -> None:
    front.write_figures(store, {"words": "x" * 2000})
    assert front.read_figures(store) is None


def test_only_the_recorder_that_is_named_heeds_a_stop(store: Path) -> None:
    me = {"pid": PID, "since_utc": "2026-05-02T09:00:00+00:00"}
    front.ask_stop(store, me)
    assert not front.stop_asked(store, PID + 1, "2026-05-02T09:00:00+00:00")
    assert not (store / presence.FOLDER / "stop.json").exists()  # it was for one that is gone
    front.ask_stop(store, me)
    assert not front.stop_asked(store, PID, "2026-05-02T09:00:01+00:00")  # its number, of another time
    front.ask_stop(store, me)
    assert front.stop_asked(store, PID, "2026-05-02T09:00:00+00:00")
    assert not front.stop_asked(store, PID, "2026-05-02T09:00:00+00:00")  # once


@pytest.mark.parametrize("text", ["", "{", "[]", "null", "7", '"x"', "[" * 100_000, '{"pid": null}', "\xff", "{}"])
def test_what_is_no_request_to_stop_is_taken_away(store: Path, text: str) -> None:
    path = store / presence.FOLDER / "stop.json"
    path.write_text(text, encoding="latin-1")
    assert not front.stop_asked(store, PID, "")
    assert not path.exists()


def test_a_stop_is_written_whole(store: Path) -> None:
    front.ask_stop(store, {"pid": 1, "since_utc": "x", "drive": "secret"})
    assert json.loads((store / presence.FOLDER / "stop.json").read_text()) == {"pid": 1, "since_utc": "x"}


def test_who_asks_often_looks_seldom(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looks = 0

    def look(_: Path) -> bool:
        nonlocal looks
        looks += 1
        return True

    monkeypatch.setattr("logger.store.front.is_watched", look)
    watched = front.WatchedNow(store)
    assert all(watched() for _ in range(1000))
    assert looks == 1
