"""Help: the manual's pages as the desk shows them, the commands they name, the cautions, and the desk's end."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from at_the_desk import Client, raw, served, until
from lxml import html

from analysis.changes import priors
from analysis.cli.main import app
from analysis.desk import manual
from analysis.desk.gate import POLICY
from analysis.desk.pages import help as help_page
from logger.record.live import STALE_NS
from logger.units import FOOT_M


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with served(tmp_path_factory.mktemp("store")) as (_, client):
        yield client


@pytest.mark.parametrize("name", manual.PAGES)
def test_every_page_of_the_manual_is_shown_whole(client: Client, name: str) -> None:
    """Its headings, its commands and its tables; what the pages link to is there."""
    written = (manual.folder() / f"{name}.md").read_text(encoding="utf-8")
    answer = client.get(f"/help/{name}")
    tree = html.fromstring(answer.body)
    assert answer.status == 200 and answer.header("content-security-policy") == POLICY
    headings = [" ".join(each.text_content().split()) for each in tree.xpath("//main//h2 | //h1")]
    assert [each for each in re.findall(r"^##? (.+)$", written, re.MULTILINE) if each not in headings] == []
    shown = "".join(tree.xpath("//main//pre//text()"))
    assert all(
        line in shown for block in re.findall(r"```sh.*?\n(.*?)```", written, re.DOTALL) for line in block.split("\n")
    )
    assert len(tree.xpath("//main//table//tr")) == len(re.findall(r"^\|(?! ---)", written, re.MULTILINE))
    for link in tree.xpath("//main//a/@href"):
        to, _, place = link.partition("#")
        there = html.fromstring(client.get(to).body) if to else tree
        assert not place or there.xpath(f"//*[@id='{place}']"), link
    for picture in tree.xpath("//main//img/@src"):
        assert client.get(picture).header("content-type").startswith("image/"), picture


def test_help_lists_every_page(client: Client) -> None:
    links = html.fromstring(client.get("/help").body).xpath("//section[@aria-labelledby='manual']//a/@href")
    assert links == [f"/help/{name}" for name in manual.PAGES]


def test_every_heading_can_be_linked_to(client: Client) -> None:
    """Pages with numbers lead to /help#times and so on."""
    text = client.get("/help").text
    for link in re.findall(r'href="#([\w-]+)"', text):
        assert text.count(f'id="{link}"') == 1, link
    assert set(help_page.METHODS) <= set(re.findall(r'<h2 id="([\w-]+)"', text))
    assert text.count("Do not believe it") >= len(help_page.METHODS)


def test_what_looks_like_a_tag_stays_text(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "index.md").write_text("# A\n\n<img src=x onerror=alert(1)> [b](javascript:alert(1)) <!-- c -->\n")
    monkeypatch.setattr(manual, "folder", lambda: tmp_path)
    shown = str(manual.page.__wrapped__("index").parts[0].blocks[0].html)
    assert "<img" not in shown and "<a" not in shown and "<!--" not in shown and "&lt;img" in shown


@pytest.mark.parametrize("name", ["nothing", "index.md", ".", "%2e%2e", "conf.py"])
def test_only_pages_and_pictures_are_given(client: Client, name: str) -> None:
    assert client.get(f"/help/{name}").status == 404
    assert client.get(f"/help/pictures/{name}").status == 404


def test_every_command_that_is_named_is_one(client: Client) -> None:
    verbs = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    named = set[str]()
    for page in ("/help", *(f"/help/{name}" for name in manual.PAGES)):
        named |= set(re.findall(r"(?:<code>|^)pullbook ([a-z]+)", client.get(page).text, re.MULTILINE))
    assert len(named) > 15 and named <= verbs


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
    """What the manual says in words stands in the code as a number."""
    said = (manual.folder() / "numbers.md").read_text(encoding="utf-8")
    assert f"{FOOT_M} m" in said
    assert f"{priors.DAY_SHARE:.1%}".replace("%", " %") in said
    assert "two seconds" in said and STALE_NS == 2 * 10**9


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
