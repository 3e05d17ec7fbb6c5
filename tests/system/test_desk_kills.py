"""The desk killed at each operation on a file that its pages write: the old file or the new one is there, and whole."""

from __future__ import annotations

import asyncio
import os
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlencode

import pytest
from killing import killed_in

from analysis.desk.app import Desk, application
from logger.config import examples
from logger.config.car import CarConfig
from logger.config.reading import load
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.store import presence

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked")
SETUP = 'name = "old"\n[parts]\nsnorkel = "short"\n'


def asked(store: Path, method: str, path: str, **form: str) -> str:
    """A page of the desk without its server; a form that was taken leads elsewhere, and gives nothing."""
    said: list[bytes] = []
    body = urlencode(form).encode()
    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "path": path,
        "raw_path": path.encode(), "query_string": b"", "scheme": "http", "server": ("127.0.0.1", 1),
        "client": ("127.0.0.1", 2), "root_path": "",
        "headers": [(b"host", b"127.0.0.1:1"), (b"content-type", b"application/x-www-form-urlencoded")],
    }  # fmt: skip

    async def receive() -> dict[str, object]:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: dict[str, object]) -> None:
        if message["type"] == "http.response.start":
            assert message["status"] == (200 if method == "GET" else 303), message
        said.append(message.get("body", b""))  # type: ignore[arg-type]

    desk = Desk(store, ["false"])
    asyncio.run(application(desk)(scope, receive, send))  # type: ignore[arg-type]
    desk.close()
    return b"".join(said).decode()


def version(store: Path, path: str, form: str) -> str:
    found = re.search(rf'<form id="form-{form}".*?name="version" value="(\w+)"', asked(store, "GET", path), re.DOTALL)
    assert found is not None
    return found[1]


def part(kind: str, group: str, **typed: str) -> Callable[[Path], None]:
    def run(store: Path) -> None:
        held = version(store, f"/car/file/{kind}", f"g-{group}")
        asked(store, "POST", f"/car/file/{kind}/part/{group}", version=held, **typed)

    return run


def about(store: Path) -> None:
    typed = {"name": "Wren", "mass": "400kg", "cooling": "air", "carburettor": "", "speed": "mph"}
    asked(store, "POST", "/car/about", version=version(store, "/car/about", "about"), **typed)


def stop(store: Path) -> None:
    with presence.Lock(store):
        presence.write_state(store, {"pid": 1, "since_utc": "x"})
        asked(store, "POST", "/now/stop")


def a_car(store: Path) -> str:
    car = load(store / "car.toml", CarConfig)
    assert load(store / "recorder.toml", RecorderConfig).recorder.car in {"car.toml", "wren.toml"}
    return {392: "old", 400: "new"}[int(car.car.mass_kg)]


def a_setup(store: Path) -> str:
    setup = load(store / "setup.toml", SetupConfig)
    if setup.parts["snorkel"] == "long":
        (kept,) = (store / "setups-before").glob("*.toml")
        assert kept.read_text() == SETUP
    return {"short": "old", "long": "new"}[str(setup.parts["snorkel"])]


def a_request(store: Path) -> str:
    path = store / presence.FOLDER / "stop.json"
    return "new" if path.exists() and path.read_text() == '{"pid": 1, "since_utc": "x"}' else "old"


DONE: dict[str, tuple[Callable[[Path], None], Callable[[Path], str]]] = {
    "a part of the car": (part("car", "car", **{"car.mass_kg": "400"}), a_car),
    "the questions about the car": (about, a_car),
    "the setup in force": (part("setup", "parts", **{"parts.snorkel": "long"}), a_setup),
    "stop": (stop, a_request),
}


@pytest.mark.parametrize("name", DONE)
def test_killed_at_any_operation_the_old_or_the_new_is_there(tmp_path: Path, name: str) -> None:
    run, state = DONE[name]
    good = tmp_path / "good"
    good.mkdir()
    text = examples.text("recorder.toml").replace('car = "wren.toml"', 'car = "car.toml"')
    (good / "recorder.toml").write_text(text)
    (good / "car.toml").write_text(examples.text("wren.toml"))
    (good / "setup.toml").write_text(SETUP)
    shutil.copytree(good, tmp_path / "once")
    run(tmp_path / "once")
    assert state(tmp_path / "once") == "new"
    seen = []
    for at in range(1, 200):
        store = tmp_path / str(at)
        shutil.copytree(good, store)
        again = killed_in(lambda store=store: run(store), store, at, name)  # type: ignore[misc]
        seen.append(state(store))
        if not again:
            break
    else:
        raise AssertionError("it never came to an end")
    assert seen[0] == "old" and seen[-1] == "new" and seen == sorted(seen, reverse=True)
