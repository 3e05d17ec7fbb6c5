"""A drive's page that is kept: the same page, made once; never stale, and nothing strange from a kept file is shown."""

from __future__ import annotations

import hashlib
import json
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from made_drives import BASELINE, START, make_drive
from simulate import Brake, Pull, Stand, Turn

from analysis import kept
from analysis.report import drive_page
from analysis.report.asked import asked_page
from analysis.report.page import render
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
    other = html(store, unit="km/h")
    assert other != first and len(built) == 2
    assert html(store, unit="km/h") == other and html(store, unit=None) == first
    assert len(built) == 2


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


@pytest.mark.parametrize(
    "svg",
    [
        '<svg><script>alert(1)</script></svg>',
        '<svg onload="alert(1)"></svg>',
        '<svg><use href="https://example.org/a.svg#x"/></svg>',
        '<svg><foreignObject/></svg>',
        '<svg></svg><meta http-equiv="refresh" content="0"/>',
        "no drawing",
    ],
)  # fmt: skip
def test_a_drawing_that_was_put_there_is_not_shown(store: Path, built: list[str], svg: str) -> None:
    first = html(store)
    for path in kept_pages(store):
        told = json.loads(path.read_text(encoding="utf-8"))
        sections = told["values"]["sections"]
        figure = next(block for section in sections for block in section["blocks"] if block["is"] == "Figure")
        figure["plot"]["svg"] = svg
        told["digest"] = hashlib.sha256(json.dumps(told["values"], sort_keys=True).encode()).hexdigest()
        path.write_text(json.dumps(told), encoding="utf-8")
    before = len(built)
    assert html(store) == first
    assert len(built) == before + 1


@pytest.mark.parametrize("values", [{}, {"is": "Page"}, {"is": "Path", "x": 1}, {"is": "Words", "text": "no page"}])
def test_a_kept_file_that_is_no_page_counts_as_nothing(
    store: Path, built: list[str], values: dict[str, object]
) -> None:
    first = html(store)
    for path in kept_pages(store):
        told = json.loads(path.read_text(encoding="utf-8")) | {"values": values}
        told["digest"] = hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()
        path.write_text(json.dumps(told), encoding="utf-8")
    assert html(store) == first
    assert built
