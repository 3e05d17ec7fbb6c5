"""Whatever is sent to the desk's pages and forms: never its fault (5xx), never a traceback, never a tag of another's.

Every route that the pages name is asked, with forms as they are and as they are not, over a real socket.
"""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import jsonschema
import pytest
from at_the_desk import Answered, Client, served
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.desk import pages
from analysis.desk.pages import now
from logger.config import examples
from logger.store import front, presence

HOSTILE = "<img src=x onerror=alert(1)>"
LEFT_OUT = {"/now/start", "/car/listen", "/now/stream", "/help/end"}
"""What would start a recorder, listen to this machine's ports, never end, or end the desk; each has its own tests."""
ROUTES = sorted({(method, path) for method, path, _, _ in pages.routes() if path not in LEFT_OUT})
TEXT = st.one_of(
    st.sampled_from([HOSTILE, "", "0", "-1", "1e999", "nan", "9" * 50, "\x00", "../..", "last", "yes", "[", "7,4",
                     "\u202e", "none", "recorder", "car", "setup", "text", "part", "g-car", "general", "parts"]),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
)  # fmt: skip
NAMES = st.one_of(
    st.sampled_from(["version", "text", "anyway", "also", "name", "mass", "cooling", "carburettor", "speed", "runs",
                     "reason", "tags", "undo", "metar", "temperature", "wind", "a", "b", "to", "car.mass_kg",
                     "source.0.port", "0.0", "+0.name", "+0.value", "said", "factor", "limits.head_max", "parts.x",
                     "picture", "words", "run", "kept"]),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
)  # fmt: skip
CHECKED = {
    "type": "object", "required": ["wrong", "elsewhere"], "additionalProperties": False,
    "properties": {
        "wrong": {"type": "object", "additionalProperties": {"type": "string", "minLength": 1}},
        "elsewhere": {"type": "string"},
    },
}  # fmt: skip
"""What a form's check answers, which the page's script reads: the one JSON that is posted for."""
FORMS = st.dictionaries(NAMES, st.one_of(TEXT, st.lists(TEXT, max_size=3)), max_size=6)
FUZZ = settings(max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    store = tmp_path_factory.mktemp("fuzz")
    (store / "recorder.toml").write_text(examples.text("recorder.toml").replace("wren.toml", "car.toml"))
    (store / "car.toml").write_text(examples.text("wren.toml").replace('"Wren"', f'"{HOSTILE}"'))
    with served(store) as (_, client):
        yield client


def filled(path: str, words: list[str]) -> str:
    """A route's path with these in its places."""
    given_words = iter(words)
    return re.sub(r"\{[^}]*\}", lambda _: quote(next(given_words), safe=""), path)


def sound(answer: Answered, caplog: pytest.LogCaptureFixture) -> None:
    assert 200 <= answer.status < 500, answer.text
    assert "Traceback" not in answer.text and "<img src=x" not in answer.text
    assert not [record for record in caplog.records if record.levelno >= logging.ERROR]


@pytest.mark.parametrize(("method", "path"), ROUTES)
@FUZZ
@given(words=st.lists(TEXT, min_size=3, max_size=3), form=FORMS, how=st.sampled_from(["form", "parts", "raw"]),
       data=st.binary(max_size=200))  # fmt: skip
def test_any_form(
    client: Client, caplog: pytest.LogCaptureFixture, method: str, path: str, words: list[str], form: dict[str, Any],
    how: str, data: bytes,
) -> None:  # fmt: skip
    target = filled(path, words)
    if method == "GET":
        sound(client.get(f"{target}?{urlencode(form, doseq=True)}"), caplog)
        return
    body, kind = urlencode(form, doseq=True).encode(), "application/x-www-form-urlencoded"
    if how == "parts":
        kind = "multipart/form-data; boundary=x"
        body = b'--x\r\ncontent-disposition: form-data; name="a"; filename="b"\r\n\r\n' + data + b"\r\n--x--\r\n"
    elif how == "raw":
        body = data
    answer = client.ask("POST", target, body=body, content_type=kind)
    sound(answer, caplog)
    if answer.header("content-type") == "application/json":
        jsonschema.validate(json.loads(answer.body), CHECKED)
    elif "/check" in path:
        assert answer.status != 200


ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.sampled_from([HOSTILE, "", "recording"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3), max_leaves=6,
)  # fmt: skip
TOLD = st.dictionaries(
    st.sampled_from(["pid", "state", "drive", "recorded_s", "sources", "free_mb", "trouble", "seen", "figures",
                     "updated_utc", "speed_mps"]), ANY_JSON,
)  # fmt: skip
SEEN = st.dictionaries(
    st.sampled_from(["mixture", "alert", "last_run", "channels", "doubts", "unit", "waiting"]), ANY_JSON
)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(told=TOLD, seen=st.one_of(ANY_JSON, SEEN), figures=st.one_of(ANY_JSON, TOLD), outside=st.booleans())
def test_whatever_the_recorders_files_hold_the_page_shows_text(
    tmp_path: Path, told: dict[str, Any], seen: Any, figures: Any, outside: bool
) -> None:
    """Another version's, a damaged one's, somebody else's: the stream's event has its names and types all the same."""
    (tmp_path / presence.FOLDER).mkdir(exist_ok=True)
    presence.write_state(tmp_path, {**told, "seen": seen, "pid": 1})
    if isinstance(figures, dict):
        front.write_figures(tmp_path, {**figures, "pid": 1})
    for running in (True, False):
        shown = now.shown_now(tmp_path, running, outside)
        assert set(shown) == set(now.shown_now(tmp_path / "none", False))
        assert all(isinstance(value, str | bool | list) for value in shown.values())
        assert all(isinstance(line, str) for line in shown["sources"])
        json.dumps(shown, allow_nan=False)


def test_hostile_names_are_text_on_the_page(tmp_path: Path) -> None:
    """Sources, drives, last runs and warnings, from files that anybody may have written."""
    (tmp_path / presence.FOLDER).mkdir()
    source = {"name": HOSTILE, "state": HOSTILE, "why": HOSTILE, "last_bytes_s_ago": None, "lines_per_s": 1.0}
    seen = {"last_run": HOSTILE, "alert": HOSTILE, "channels": HOSTILE, "mixture": f"{HOSTILE} {HOSTILE}"}
    presence.write_state(tmp_path, {
        "pid": 1, "state": HOSTILE, "drive": HOSTILE, "recorded_s": 1.0, "trouble": HOSTILE, "free_mb": 1.0,
        "updated_utc": "2099-01-01T00:00:00+00:00", "sources": [source], "seen": seen,
    })  # fmt: skip
    with presence.Lock(tmp_path), served(tmp_path) as (_, client):
        text = client.get("/now").text
    assert "<img src=x" not in text and text.count("&lt;img src=x") >= 6
