"""The first look at many drives: by processes side by side, what they keep, and where it goes on after a stop."""

from __future__ import annotations

import os
import pty
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from bench.stores import WEATHER, copies
from made_drives import BASELINE, make_drive
from simulate import Brake, Lift, Pull, Stand

from analysis import kept
from analysis.changes import first_look
from analysis.changes.season import gather
from analysis.changes.season_pack import Together
from analysis.store import DriveStore

ROOT = Path(__file__).parents[4]
COUNT, MANY = 5, 20
"""Of many some are left when one is told as done and Ctrl-C has come through, also on a busy machine: each takes a
tenth of a second."""


@pytest.fixture(scope="module", params=[COUNT])
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Drives of one car that nobody has looked at, long enough for processes to be worth their start."""
    store = tmp_path_factory.mktemp("drives")
    pull = [Stand(8), Pull(15, launch="slip"), Lift(11, 2), Brake(0), Stand(360)]
    first, _ = make_drive(store, pull, setup=BASELINE, weather=WEATHER)
    copies(first.path, request.param)
    return store


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    return shutil.copytree(made, tmp_path / "store")


def unknown(store: Path) -> first_look.Unknown:
    return Together(store).unknown(DriveStore(store))


def ids(store: Path) -> list[str]:
    return [drive.id for drive in DriveStore(store).drives]


def test_processes_keep_what_one_keeps(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    alone = shutil.copytree(store, tmp_path / "alone")
    told: list[str] = []
    opened = DriveStore(store)
    assert first_look.look(opened, Together(store).unknown(opened), told.append, workers=2) == COUNT
    assert unknown(store).count == 0
    assert re.search(rf" is done, 1 of {COUNT}, \d+ (s|min) left", told[1])
    monkeypatch.setattr(first_look, "LEAST_DRIVES", COUNT + 1)
    side_by_side, one = gather(DriveStore(store)), gather(DriveStore(alone))
    assert [run.label for run in side_by_side.runs] == [run.label for run in one.runs]
    assert len(one.runs) >= COUNT
    for mine, other in zip(side_by_side.runs, one.runs, strict=True):
        np.testing.assert_array_equal(mine.time_s, other.time_s)
    for drive in ids(store):
        assert kept.key_in(store, drive) == kept.key_in(alone, drive) != ""
    for lesson in alone.glob(f"{kept.FOLDER}/*/lesson.json"):
        assert lesson.read_bytes() == (store / lesson.relative_to(alone)).read_bytes()


def test_a_drive_that_cannot_be_read_keeps_no_other_from_being_looked_at(store: Path) -> None:
    bad = ids(store)[1]
    (store / bad / "gps.parquet").write_bytes(b"no table")
    opened = DriveStore(store)
    first_look.look(opened, Together(store).unknown(opened), workers=2)
    assert all(kept.key_in(store, drive) for drive in ids(store) if drive != bad)


def test_nothing_is_worked_out_twice_where_nothing_can_be_kept(store: Path) -> None:
    (store / kept.FOLDER).write_text("a file where the folder of what is kept would be")
    opened = DriveStore(store)
    assert first_look.look(opened, Together(store).unknown(opened), workers=2) == 0


def test_the_newest_comes_first_where_none_waits_for_another(store: Path) -> None:
    drives = DriveStore(store).drives
    plan = first_look._Plan(first_look.Unknown(drives, []))
    assert [plan.next() for _ in drives] == [drive.id for drive in reversed(drives)]
    assert plan.next() is None


def test_a_drive_waits_for_the_lesson_of_the_one_before(store: Path) -> None:
    drives = DriveStore(store).drives
    plan = first_look._Plan(first_look.Unknown([], [drives]))
    assert [plan.next() for _ in drives] == [drive.id for drive in drives]
    assert plan.wait_for_lesson_before(drives[0].id)
    plan.told(drives[0].id)
    assert plan.wait_for_lesson_before(drives[1].id)
    plan.stop()
    assert not plan.wait_for_lesson_before(drives[2].id)


SEASON = """
import signal
signal.signal(signal.SIGINT, signal.default_int_handler)  # not taken by what a shell has started in the background
from analysis.cli.main import main
main()
"""


class Asked:
    """`pullbook season` at a terminal."""

    def __init__(self, store: Path) -> None:
        self._terminal, theirs = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", SEASON, "season", "--store", str(store)],
            stdout=subprocess.DEVNULL, stderr=theirs, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        os.close(theirs)
        self.said = ""

    def until(self, word: str) -> None:
        """Read what it says until `word` is in it, or it ended."""
        while word not in self.said:
            try:
                self.said += os.read(self._terminal, 4096).decode()
            except OSError:
                return

    def children(self) -> list[int]:
        listed = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text()
        return [int(each) for each in listed.split()]

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._terminal)


@pytest.fixture
def asked(store: Path) -> Iterator[Asked]:
    one = Asked(store)
    yield one
    one.close()


def running(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rsplit(") ", 1)[1][0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(sys.platform != "linux" or (os.cpu_count() or 1) < 2, reason="reads /proc; asks for two cores")
@pytest.mark.parametrize("made", [MANY], indirect=True)
def test_interrupted_it_goes_on_where_it_stopped(store: Path, asked: Asked) -> None:
    asked.until(" is done, 1 of")
    workers = asked.children()
    assert len(workers) >= 2, asked.said
    asked.process.send_signal(signal.SIGINT)
    assert asked.process.wait(60) not in (0, 2)
    assert "Traceback" not in asked.said
    end = time.monotonic() + 20
    while any(map(running, workers)) and time.monotonic() < end:
        time.sleep(0.1)
    assert not any(map(running, workers))
    done = {drive: kept.key_in(store, drive) for drive in ids(store) if kept.key_in(store, drive)}
    assert 1 <= len(done) < MANY
    stamps = {drive: (store / kept.FOLDER / drive / "runs.parquet").stat().st_mtime_ns for drive in done}
    assert unknown(store).count <= MANY - len(done)
    again = Asked(store)
    again.until("no such word")
    assert again.process.wait(250) == 0
    again.close()
    assert all(kept.key_in(store, drive) for drive in ids(store))
    assert stamps == {drive: (store / kept.FOLDER / drive / "runs.parquet").stat().st_mtime_ns for drive in done}
    assert not [file for file in (store / kept.FOLDER).rglob(".*") if file.name != ".season"]
