"""A drive is whole on disk, before or after: a disk that fails at every operation in turn."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from airfield_minute import (
    CAR,
    CONFIG,
    CONFIG_TEXT,
    SETUP,
    START,
    files_in,
    recorded,
    seen_in,
)
from faulty_disk import FaultyDisk, PowerCut, each_fault

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.framing import Chunk
from logger.errors import DriveError
from logger.store import capture, drive, folders, journal, making, recovery
from logger.store.journal import JournalWriter


def whole(store: Path, raw: pa.Table) -> drive.Drive | None:
    """The one drive of the store, checked byte for byte against its digests and rows; None where there is none."""
    drives = drive.list_drives(store)
    if not drives:
        return None
    (made,) = drives
    assert [row.as_py() for row in made.table("raw")["data"]] == [row.as_py() for row in raw["data"]]
    for name, digest in made.manifest.digests.items():
        if name != "raw rows":
            assert sha256(made.path / name) == digest
    assert made.table("gps").num_rows == made.manifest.rows["gps"]
    assert {path.name for path in made.path.glob("*.parquet")} == {
        f"{name}.parquet" for name in ["raw", *made.table_names]
    }
    return made


def sha256(path: Path) -> str:
    import hashlib

    return hashlib.sha256(path.read_bytes()).hexdigest()


def attempt(what: Callable[[], Any]) -> str:
    try:
        what()
    except PowerCut:
        return "went off"
    except (DriveError, OSError):
        return "refused"
    return "done"


every = pytest.mark.parametrize("step", [5, pytest.param(1, marks=pytest.mark.long)])
"""The faults of every fifth operation, or, at length, of each."""


def each_attempt(
    tmp_path: Path,
    prepared: Path,
    step: int,
    what: Callable[[Path, FaultyDisk], Any],
    check: Callable[[Path, str], None],
) -> int:
    """Do `what` to a copy of a store with a fault at operation after operation, and `check` what is there after it.

    Gives how many operations the faults reached.
    """
    passes = 0
    for passes, disk in enumerate(each_fault(step=step), 1):
        store = tmp_path / str(passes)
        shutil.copytree(prepared, store)
        check(store, attempt(lambda store=store, disk=disk: what(store, disk)))  # type: ignore[misc]
        shutil.rmtree(store)
    return passes * step


@every
def test_an_import_is_there_whole_or_not_at_all(tmp_path: Path, few: pa.Table, step: int) -> None:
    (tmp_path / "store").mkdir()

    def check(store: Path, outcome: str) -> None:
        made = whole(store, few)
        assert made is not None or outcome != "done"
        assert len(seen_in(store)) == (made is not None)  # nothing half made is seen
        again = drive.find_raw(store, few) or drive.write(store, few, CONFIG, CONFIG_TEXT)
        assert whole(store, few) is not None and again.id == "2026-05-02_091430Z"

    def write(store: Path, disk: FaultyDisk) -> drive.Drive:
        return drive.write(store, few, CONFIG, CONFIG_TEXT, disk=disk)

    assert each_attempt(tmp_path, tmp_path / "store", step, write, check) > 60


@every
def test_closing_leaves_the_journal_or_the_drive_whole(tmp_path: Path, few: pa.Table, step: int) -> None:
    recorded(tmp_path / "store", few)

    def check(store: Path, outcome: str) -> None:
        made = whole(store, few)
        assert made is not None or outcome != "done"
        journals = folders.unfinished(store)
        if made is None:
            (path,) = journals
            assert journal.read(path / "journal").raw.num_rows == few.num_rows
        found = recovery.recover(store)
        assert [each.failed for each in found] == [False] * len(journals)
        made = whole(store, few)
        assert made is not None and (made.car, made.setup) == (CAR, SETUP)
        assert not folders.unfinished(store) and seen_in(store) == [made.id]
        assert set(files_in(made.path)) == {
            "drive.json",
            "recorder.toml",
            "raw.parquet",
            "gps.parquet",
            "mixture.parquet",
        }

    def close(store: Path, disk: FaultyDisk) -> Path | None:
        return making.close(folders.unfinished(store)[0], disk=disk)

    assert each_attempt(tmp_path, tmp_path / "store", step, close, check) > 60


@every
def test_rebuilding_leaves_the_old_tables_or_the_new_ones(tmp_path: Path, few: pa.Table, step: int) -> None:
    drive.write(tmp_path / "store", few, CONFIG, CONFIG_TEXT)
    changed_text = CONFIG_TEXT.replace('channel = "afr"', 'channel = "afr"\n  offset = 0.5')
    changed = parse(changed_text, RecorderConfig, "changed")
    before = files_in(drive.open_drive(tmp_path / "store", "last").path)

    def check(store: Path, outcome: str) -> None:
        made = whole(store, few)
        assert made is not None
        if made.config == CONFIG:
            assert outcome != "done"
            assert files_in(made.path).items() >= before.items()
        else:
            assert made.table("mixture")["afr"][0].as_py() == pytest.approx(first_afr(few) + 0.5)
            assert len(made.manifest.trace) == 1
        assert files_in(made.path)["raw.parquet"] == before["raw.parquet"]

    def rebuild(store: Path, disk: FaultyDisk) -> drive.Drive:
        return drive.rebuild(drive.open_drive(store, "last"), changed, changed_text, disk=disk)

    assert each_attempt(tmp_path, tmp_path / "store", step, rebuild, check) > 60


def first_afr(raw: pa.Table) -> float:
    return next(float(data) for _, name, data in capture.rows(raw) if name == "mixture")


@every
def test_amending_leaves_the_old_manifest_or_the_new_one(tmp_path: Path, few: pa.Table, step: int) -> None:
    drive.write(tmp_path / "store", few, CONFIG, CONFIG_TEXT)

    def check(store: Path, outcome: str) -> None:
        made = whole(store, few)
        assert made is not None
        assert (made.setup == SETUP) == bool(made.manifest.trace)
        assert made.setup == SETUP or outcome != "done"

    def amend(store: Path, disk: FaultyDisk) -> drive.Drive:
        return drive.open_drive(store, "last").amend("setup put right", disk, setup=SETUP)

    assert each_attempt(tmp_path, tmp_path / "store", step, amend, check) > 20


@every
def test_beginning_a_drive_makes_it_whole_or_not_at_all(tmp_path: Path, few: pa.Table, step: int) -> None:
    (tmp_path / "store").mkdir()

    def check(store: Path, outcome: str) -> None:
        for path in folders.unfinished(store):  # a journal that is there can be recovered
            writer = JournalWriter(path / "journal")
            writer.extend(Chunk(*row) for row in capture.rows(few))
            writer.close()
        assert outcome != "done" or seen_in(store)
        recovery.recover(store)
        assert (whole(store, few) is not None) == bool(seen_in(store))

    def begin(store: Path, disk: FaultyDisk) -> Path:
        return making.begin(store, CONFIG_TEXT, CAR, SETUP, started=START, disk=disk)

    assert each_attempt(tmp_path, tmp_path / "store", step, begin, check) > 30
