"""The manual's pages: the strict build, their links, what they ask the network for, how easily they read."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import manual_reader as reader
import pytest
from lxml import html
from test_voice import ODD

from analysis.desk import manual
from logger.config.targets import TargetsConfig

ROOT = Path(__file__).parents[2]
EASY = 60.0
"""Flesch's plain English."""
METHOD_PAGES = {"methods"}
"""Folders of docs for whoever checks the method."""


def built(source: Path, to: Path) -> subprocess.CompletedProcess[str]:
    """The strict build: -W makes each warning an error, -n asks that every reference leads somewhere."""
    command = [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-n", "-q", str(source), str(to)]
    env = {**os.environ, "PYTHONWARNINGS": "ignore"}  # what Sphinx's libraries say to each other
    return subprocess.run(command, capture_output=True, text=True, check=False, env=env)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The manual built strictly: a warning, such as a link that leads nowhere, fails it."""
    to = tmp_path_factory.mktemp("site")
    done = built(ROOT / "docs", to)
    assert done.returncode == 0, done.stderr
    return to


def test_every_page_is_built_and_listed(site: Path) -> None:
    made = {path.stem for path in (site / "manual").glob("*.html")}
    assert made == set(manual.PAGES) == {path.stem for path in reader.FOLDER.glob("*.md")}


def test_every_link_and_picture_leads_somewhere(site: Path) -> None:
    pages = {path: html.parse(str(path)).getroot() for path in (site / "manual").glob("*.html")}
    for path, page in pages.items():
        for link in page.xpath("//main//a/@href | //div[@class='body']//a/@href"):
            to, _, place = link.partition("#")
            target = (path.parent / to).resolve() if to else path
            assert target.exists(), f"{path.name}: {link}"
            if place:
                assert pages.get(target, page).xpath(f"//*[@id='{place}']"), f"{path.name}: {link}"


def test_the_site_asks_nobody_for_anything(site: Path) -> None:
    for path in (site / "manual").glob("*.html"):
        page = html.parse(str(path)).getroot()
        for asked in page.xpath("//@src | //link/@href | //form/@action"):
            assert not re.match(r"(?:[a-z]+:)?//", asked), f"{path.name}: {asked}"
    for sheet in (site / "_static").glob("*.css"):
        assert not re.search(r"(?:url\(|@import)\s*[\"']?(?:https?:)?//", sheet.read_text(encoding="utf-8")), sheet


def test_a_link_that_leads_nowhere_stops_the_build(tmp_path: Path) -> None:
    (tmp_path / "manual").mkdir()
    (tmp_path / "conf.py").write_text((ROOT / "docs" / "conf.py").read_text(encoding="utf-8"))
    (tmp_path / "manual" / "index.md").write_text("# A\n\n[b](b.md#nowhere)\n")
    (tmp_path / "manual" / "b.md").write_text("# B\n\nWords.\n")
    command = [
        sys.executable,
        "-W",
        "ignore",
        "-m",
        "sphinx",
        "-W",
        "--keep-going",
        "-n",
        "-q",
        str(tmp_path),
        str(tmp_path / "to"),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env={"PATH": "", "LC_ALL": "C.UTF-8"})
    assert done.returncode != 0 and "nowhere" in done.stderr


@pytest.mark.parametrize("name", sorted(path.name for path in (reader.FOLDER / "pictures").iterdir()))
def test_pictures_are_small_and_used_and_ask_nobody(name: str) -> None:
    data = (reader.FOLDER / "pictures" / name).read_bytes()
    assert len(data) < 120_000
    assert any(f"(pictures/{name})" in reader.text(page) for page in reader.PAGES)
    if name.endswith(".svg"):
        assert not re.search(rb"(?:href|src|url\(|@import)[^>]{0,3}(?:https?:)?//", data)
        assert b"<script" not in data


# --- words --------------------------------------------------------------------------------------------------------


def easy_pages() -> list[Path]:
    found = [ROOT / "README.md", ROOT / "SECURITY.md", *sorted((ROOT / "docs").rglob("*.md"))]
    return [path for path in found if not METHOD_PAGES & set(path.parts) and path.exists()]


@pytest.mark.parametrize("path", easy_pages(), ids=lambda path: path.name)
def test_a_page_reads_easily(path: Path) -> None:
    ease = reader.reading_ease(reader.plain(path.read_text(encoding="utf-8")))
    assert ease >= EASY, f"{path.name}: Flesch's reading ease {ease:.0f}"


def test_reading_ease_is_fleschs() -> None:
    """From memory: 6 words, 6 syllables, one sentence give 116; Flesch's own example of hard text lies below 30."""
    assert reader.reading_ease(["The cat sat on the mat."]) == pytest.approx(116.145)
    hard = "Notwithstanding institutional considerations, organizational responsibilities necessitate deliberation."
    assert reader.reading_ease([hard]) < 0
    assert [reader.syllables(word) for word in ("jet", "mixture", "receiver", "carburettor", "snorkel")] == [
        1,
        2,
        3,
        4,
        2,
    ]


@pytest.mark.parametrize("page", reader.PAGES)
def test_a_page_keeps_to_the_voice(page: str) -> None:
    sentences = reader.plain(reader.text(page))
    long = [each for each in sentences if len(re.findall(r"[A-Za-z]{2,}", each)) > 25]
    odd = [(odd, each) for odd in ODD for each in sentences if re.search(odd, each, re.IGNORECASE)]
    assert not long and not odd


@pytest.mark.parametrize("page", reader.PAGES)
def test_a_page_names_no_unseen_word(page: str) -> None:
    """Only the Wren's scenario, and no maker."""
    assert reader.text(page).isascii() or set(re.findall(r"[^\x00-\x7f]", reader.text(page))) <= {"±"}


def test_the_windows_are_the_programs() -> None:
    """The table of trade figures in the manual is what targets.toml says, common practice, no source."""
    windows = TargetsConfig()
    rows = dict(
        re.findall(r"^\| ([a-z ]+) \| ([\d.]+ to [\d.]+ \| [\d.]+ to [\d.]+) \|", reader.text("mixture-and-jets"), re.M)
    )
    for name, said in rows.items():
        kind = name.replace(" ", "_")
        air, water = (getattr(getattr(windows, cooling), kind) for cooling in ("air", "water"))
        assert said == f"{air.low} to {air.high} | {water.low} to {water.high}"
    assert len(rows) == 2
