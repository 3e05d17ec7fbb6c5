"""A drive's page that is kept: the same page, made once; never stale, and nothing strange from a kept file is shown."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from made_drives import BASELINE, START, make_drive
from markupsafe import Markup
from simulate import Brake, Pull, Stand, Turn

from analysis import kept
from analysis.report import drive_page
from analysis.report.asked import asked_page
from analysis.report.kept_page import keep_page, read_page
from analysis.report.page import Bullets, Figure, Map, MapField, Page, Section, Words, render
from analysis.report.plots import Axis, Plot
from analysis.store import DriveStore

MADE = datetime(2026, 5, 2, tzinfo=UTC)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kept-page")
    script = [Stand(8), *(phase for _ in range(2) for phase in (Pull(19.0), Brake(0, 2.5), Turn(), Stand(7)))]
    for day in range(2):
        make_drive(folder, script, seed=day, setup=BASELINE, start=START + timedelta(days=day))
    return folder


def html(store: Path, **asked: object) -> str:
    return render(asked_page(DriveStore(store), ["last"], **asked)[1], MADE)  # type: ignore[arg-type]


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The drives whose page was made."""
    made, building = [], drive_page.drive_page

    def build(drive, *rest):
        made.append(drive.id)
        return building(drive, *rest)

    monkeypatch.setattr(drive_page, "drive_page", build)
    return made


def kept_pages(store: Path) -> list[Path]:
    return list(store.glob(f"{kept.FOLDER}/*/page-*.json"))


def test_it_is_made_once_and_is_the_same(store: Path, built: list[str]) -> None:
    first = html(store)
    assert "<svg" in first and "Time gained" in first
    assert html(store) == first
    assert len(built) == 1
    assert html(store, unit="km/h") != first and len(built) == 2


def test_it_is_made_anew_when_anything_changes(store: Path, built: list[str]) -> None:
    html(store)
    before = len(built)
    earlier = DriveStore(store).drives[0].drive
    earlier.amend("a word", tags=[])  # of another drive: the next outing is planned by all of them
    html(store)
    assert len(built) == before + 1
    (store / "targets.toml").write_text("[regimes]\nfull_throttle_share = 0.7\n", encoding="utf-8")
    try:
        html(store)
        assert len(built) == before + 2
    finally:
        (store / "targets.toml").unlink()


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process can be set on POSIX only")
def test_it_is_of_the_zone_it_was_made_in(store: Path, built: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    here = html(store)
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    try:
        there = html(store)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert "UTC+9" in there and "UTC+9" not in here


ASKED = (None, None)


def small(svg: str) -> Page:
    axis = Axis("Speed", "mph", 0.0, 60.0, ticks=((0.0, "rest"),))
    figure = Figure("Speed", Plot(Markup(svg), axis, axis, (0.0, 1.0), (0.0, 60.0), [("run 1", 2)]))
    field = MapField("12.4", share=0.5)
    blocks = [Words("<b>words</b>"), Bullets(["a", "b"]), figure, Map("m", "v", "load", ["1"], [("10", [field, None])])]
    return Page("t", "s", ["v"], facts=[("Length", "1 h")], sections=[Section("a", "A", blocks)])


def test_every_kind_of_block_comes_back_as_it_was(store: Path) -> None:
    drive = DriveStore(store).drives[0]
    page = small('<svg class="area"><use href="#mark1"/><text>a &lt; b</text></svg>')
    keep_page(drive, "a key", page, *ASKED)
    found = read_page(drive, "a key", *ASKED)
    assert found is not None and render(found, MADE) == render(page, MADE)
    assert read_page(drive, "another key", *ASKED) is None and read_page(drive, "a key", 3, None) is None


@pytest.mark.parametrize(
    "svg",
    [
        "<svg><script>alert(1)</script></svg>",
        '<svg onload="alert(1)"></svg>',
        '<svg><use href="https://example.org/a.svg#x"/></svg>',
        '<svg><use xmlns:x="http://www.w3.org/1999/xlink" x:href="https://example.org"/></svg>',
        "<svg><foreignObject/></svg>",
        '<svg></svg><meta http-equiv="refresh" content="0"/>',
        "no drawing",
    ],
)
def test_a_drawing_that_was_put_there_is_not_shown(store: Path, svg: str) -> None:
    drive = DriveStore(store).drives[0]
    keep_page(drive, "a key", small(svg), *ASKED)
    assert read_page(drive, "a key", *ASKED) is None


@pytest.mark.parametrize("values", [{}, {"is": "Page"}, {"is": "Path", "x": 1}, {"is": "Words", "text": "no page"}])
def test_a_kept_file_that_is_no_page_counts_as_nothing(store: Path, values: dict[str, object]) -> None:
    drive = DriveStore(store).drives[0]
    keep_page(drive, "a key", small("<svg/>"), *ASKED)
    (path,) = [each for each in kept_pages(store) if json.loads(each.read_bytes())["key"] == "a key"]
    kept.write_values(store, drive.id, path.stem, "a key", values)
    assert read_page(drive, "a key", *ASKED) is None
