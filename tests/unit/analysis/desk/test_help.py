"""Help: each word and each method has a place that can be linked to, and says what the program does."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from at_the_desk import Client, raw, served, until

from analysis.changes import priors
from analysis.cli.main import app
from analysis.desk.pages import help as help_page
from logger.record.live import STALE_NS
from logger.units import FOOT_M


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with served(tmp_path_factory.mktemp("store")) as (_, client):
        yield client


def test_every_heading_can_be_linked_to(client: Client) -> None:
    text = client.get("/help").text
    for link in re.findall(r'href="#([\w-]+)"', text):
        assert text.count(f'id="{link}"') == 1, link
    assert {name for name, _, _ in help_page.METHODS} <= set(re.findall(r'<h2 id="([\w-]+)"', text))


def test_every_command_that_is_named_is_one(client: Client) -> None:
    verbs = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    named = re.findall(r"<code>pullbook ([a-z]+)", client.get("/help").text)
    assert len(named) > 10 and set(named) <= verbs


def test_the_recorders_cautions_are_all_here(client: Client) -> None:
    text = client.get("/help").text
    for words in (
        "the driver drives",
        "never run the engine indoors",
        "engine off before hands go in",
        "someone qualified",
    ):
        assert words in text


def test_the_figures_in_the_texts_are_the_programs() -> None:
    """What Help says in words stands in the code as a number."""
    said = {name: " ".join(lines) for name, _, lines in help_page.METHODS}
    assert f"{FOOT_M} m" in said["times"]
    assert f"{priors.DAY_SHARE:.1%}".replace("%", " %") in said["compare"]
    assert "two seconds" in said["live"] and STALE_NS == 2 * 10**9


def test_the_desk_is_ended_from_the_page(tmp_path: Path) -> None:
    """It answers first; then nobody answers there any more."""
    with served(tmp_path) as (desk, client):
        assert "You can close this window" in client.post("/help/end").text

        def gone() -> bool:
            try:
                raw(desk.port, b"GET / HTTP/1.1\r\n\r\n")
            except OSError:
                return True
            return False

        until(gone)
