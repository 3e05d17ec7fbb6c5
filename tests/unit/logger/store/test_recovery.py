"""Closing and recovering: what a crash may cost, what is told, what a drive is called."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pytest
from airfield_minute import (
    CONFIG,
    CONFIG_TEXT,
    SETUP,
    START,
    files_in,
    opened,
    recorded,
    seen_in,
)

from logger.errors import DriveError
from logger.store import drive, journal, making, recovery
from logger.store.disk import Disk


def test_a_torn_journal_is_recovered_and_says_what_is_missing(tmp_path: Path, raw: pa.Table) -> None:
    path = recorded(tmp_path, raw, batches=10)
    (segment,) = (path / "journal").glob("*.arrows")
    data = segment.read_bytes()
    segment.write_bytes(data[: len(data) - 100] + bytes(300))
    (found,) = recovery.recover(tmp_path)
    made = opened(found.path)
    assert made.manifest.state == "recovered"
    assert "bytes at the end were not written completely" in found.said
    for built in (made, drive.rebuild(made, CONFIG, CONFIG_TEXT)):
        assert any("were not written completely" in remark for remark in built.manifest.remarks)
    size = -(-raw.num_rows // 10)
    kept = made.table("raw")
    assert kept.num_rows == raw.num_rows - (raw.num_rows - 9 * size)
    assert kept["data"].to_pylist() == raw["data"].to_pylist()[: kept.num_rows]
    assert recovery.recover(tmp_path) == []


def test_a_missing_flush_in_the_middle_is_told(tmp_path: Path, raw: pa.Table) -> None:
    path = recorded(tmp_path, raw, batches=10)
    (segment,) = (path / "journal").glob("*.arrows")
    data = bytearray(segment.read_bytes())
    data[len(data) // 2] ^= 1
    segment.write_bytes(data)
    (found,) = recovery.recover(tmp_path)
    assert "1 batch is missing in the middle." in found.said


def test_a_journal_without_a_byte_is_cleared_away(tmp_path: Path) -> None:
    making.begin(tmp_path, CONFIG_TEXT)
    (found,) = recovery.recover(tmp_path)
    assert found.path is None and not found.failed and "before anything was on the disk" in found.said
    assert seen_in(tmp_path) == []


def test_clearing_a_journal_away_spares_what_another_process_made(tmp_path: Path, few: pa.Table) -> None:
    """It was read as empty, and in that moment another one finished it."""
    made = drive.write(tmp_path, few, CONFIG, CONFIG_TEXT)
    before = files_in(made.path)
    making.clear_empty(made.path, journal.Journal(few, 0, 0, 0), Disk())
    assert files_in(made.path) == before
    with pytest.raises(DriveError, match="no journal"):
        making.close(tmp_path / "gone")


def test_a_journal_of_damaged_bytes_is_set_aside_not_removed(tmp_path: Path) -> None:
    folder = making.begin(tmp_path, CONFIG_TEXT)
    (folder / "000001.arrows").write_bytes(b"damaged" * 100)
    (found,) = recovery.recover(tmp_path)
    assert found.path is None and "set aside" in found.said
    assert seen_in(tmp_path) == []
    assert [path.read_bytes() for path in tmp_path.rglob("*.arrows")] == [b"damaged" * 100]
    assert recovery.recover(tmp_path) == []


@pytest.mark.parametrize("lost", ["about.json", "recorder.toml"])
def test_one_of_the_journals_two_descriptions_is_enough(tmp_path: Path, raw: pa.Table, lost: str) -> None:
    path = recorded(tmp_path, raw)
    (path / "journal" / lost).write_bytes(b"\0" * 50)
    (found,) = recovery.recover(tmp_path)
    made = opened(found.path)
    assert made.config == CONFIG
    if lost == "about.json":
        assert made.setup is None
        assert any("about.json" in remark for remark in made.manifest.remarks)
    else:
        assert made.setup == SETUP


def test_without_any_description_the_journal_stays(tmp_path: Path, raw: pa.Table) -> None:
    path = recorded(tmp_path, raw)
    for name in ("about.json", "recorder.toml"):
        (path / "journal" / name).write_bytes(b"\0" * 50)
    (found,) = recovery.recover(tmp_path)
    assert found.failed and "Put the recorder's file there" in found.said
    assert journal.read(path / "journal").raw.num_rows == raw.num_rows
    with pytest.raises(DriveError, match="recover"):
        drive.open_drive(tmp_path, path.name)
    (path / "journal" / "recorder.toml").write_text(CONFIG_TEXT)
    (found,) = recovery.recover(tmp_path)
    made = opened(found.path)
    assert made.table("raw").num_rows == raw.num_rows


def test_a_drive_is_named_by_the_best_clock(tmp_path: Path, raw: pa.Table) -> None:
    """The laptop's battery was dead: it said 2001."""
    path = recorded(tmp_path, raw, started=datetime(2001, 1, 1, tzinfo=UTC))
    assert path.name == "2001-01-01_000000Z"
    made = opened(making.close(path))
    assert made.id == "2026-05-02_091430Z"
    assert seen_in(tmp_path) == [made.id]


def test_drives_of_one_second_have_names_of_their_own(tmp_path: Path, few: pa.Table) -> None:
    made = [drive.write(tmp_path, few, CONFIG, CONFIG_TEXT).id for _ in range(3)]
    begun = [making.begin(tmp_path, CONFIG_TEXT, started=START).parent.name for _ in range(2)]
    base = "2026-05-02_091430Z"
    assert made + begun == [base, f"{base}-2", f"{base}-3", f"{base}-4", f"{base}-5"]
