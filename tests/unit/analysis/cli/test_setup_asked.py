"""`import --setup`, `rebuild --setup` and `record --setup`: words that are nearly known are asked about there too."""

from __future__ import annotations

import os
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from made_drives import BASELINE, RIG, START, make_drive
from run_verb import run_verb
from simulate import Brake, Pull, Stand

from logger.cli import record
from logger.config.reading import load
from logger.config.setup import SETUP_IN_FORCE, SetupConfig
from logger.errors import InputError
from logger.record import terminal
from logger.store.drive import list_drives

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are needed")
TYPED = {
    "Did you mean main_jet_mm?": 'name = "rich"\n[parts]\nmain_jet = 1.12\nsnorkel = "short"\n',
    "Did you mean 'short'?": 'name = "rich"\n[parts]\nmain_jet_mm = 1.12\nsnorkel = "shrot"\n',
    "main_jet_mm 1.09 -> 1.12": f'name = "{BASELINE.name}"\n[parts]\nmain_jet_mm = 1.12\nsnorkel = "short"\n',
}
MISTYPED = TYPED["Did you mean main_jet_mm?"]


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of one drive, and a capture of another."""
    folder = tmp_path_factory.mktemp("asked")
    script = [Stand(6), Pull(12.0), Brake(0), Stand(6)]
    make_drive(folder / "store", script, seed=1)
    make_drive(folder / "other", script, start=START + timedelta(days=7), seed=2)
    assert run_verb(folder / "other", "capture", "last", str(folder / "drive.jsonl"), "--json").code == 0
    (folder / "rig.toml").write_text(RIG)
    return folder


@pytest.fixture
def week(driven: Path, tmp_path: Path) -> Path:
    """The same to change: `store`, `drive.jsonl`, `rig.toml`."""
    import shutil

    shutil.copytree(driven, tmp_path / "week")
    return tmp_path / "week"


def written(folder: Path, text: str) -> str:
    (folder / "setup.toml").write_text(text)
    return str(folder / "setup.toml")


@pytest.mark.parametrize("asked", TYPED)
def test_import_asks_before_anything_is_written(week: Path, asked: str) -> None:
    store, setup = week / "store", written(week, TYPED[asked])
    given = ["import", str(week / "drive.jsonl"), "--config", str(week / "rig.toml"), "--setup", setup]
    said = run_verb(store, *given)
    assert said.code == 2 and asked in said.err and "--anyway" in said.err
    assert len(list_drives(store)) == 1
    assert run_verb(store, *given, "--anyway").code == 0
    assert [drive.setup for drive in list_drives(store)] == [BASELINE, load(Path(setup), SetupConfig)]
    # Taken once, it is a known word; and what is in the store already carries no new setup.
    assert run_verb(store, *given).code == 0


def test_import_asks_about_the_setup_that_the_recorders_file_names_but_not_twice(week: Path) -> None:
    store, setup = week / "store", written(week, MISTYPED)
    (week / "rig.toml").write_text('[recorder]\nsetup = "setup.toml"\n' + RIG)
    given = ["import", str(week / "drive.jsonl"), "--config", str(week / "rig.toml")]
    said = run_verb(store, *given)
    assert said.code == 2 and "Did you mean main_jet_mm?" in said.err
    assert run_verb(store, "setup", setup, "--anyway").code == 0  # in force now, and asked about then
    assert run_verb(store, *given).code == 0


def test_rebuild_asks_of_the_other_drives(week: Path) -> None:
    store, setup = week / "store", written(week, MISTYPED)
    said = run_verb(store, "rebuild", "last", "--setup", setup)
    assert said.code == 0  # the store's only drive: there is no other that would know better
    given = ["import", str(week / "drive.jsonl"), "--config", str(week / "rig.toml")]
    assert run_verb(store, *given, "--setup", written(week, MISTYPED)).code == 0
    right = written(week, 'name = "richer"\n[parts]\nmain_jet_mm = 1.12\nsnorkel = "short"\n')
    said = run_verb(store, "rebuild", "last", "--setup", right)
    assert said.code == 2 and "main_jet_mm is a new part. Did you mean main_jet?" in said.err
    assert run_verb(store, "rebuild", "last", "--setup", right, "--anyway").code == 0


# --- record -------------------------------------------------------------------------------------------------------


def asked_by_record(store: Path, json: bool = False) -> None:
    setup = load(store.parent / "setup.toml", SetupConfig)
    record.ask_first(setup, store, json)


def test_record_goes_on_with_a_warning_where_nobody_is_at_a_terminal(
    week: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    written(week, MISTYPED)
    asked_by_record(week / "store")
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 2 and "Did you mean main_jet_mm?" in lines[0] and "recorded as written" in lines[1]


@pytest.mark.parametrize(("typed", "json"), [("n", False), ("y", False), ("", False), ("n", True)])
def test_record_asks_at_a_terminal(
    week: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], typed: str, json: bool
) -> None:
    written(week, MISTYPED)
    monkeypatch.setattr(terminal.Terminal, "usable", staticmethod(lambda: True))
    monkeypatch.setattr(terminal, "answered", lambda letters, within_s: typed)
    if typed == "n" and not json:
        with pytest.raises(InputError, match="nothing is recorded"):
            asked_by_record(week / "store")
    else:
        asked_by_record(week / "store", json)
        assert "recorded as written" in capsys.readouterr().err


def test_record_asks_nothing_of_what_is_known_or_in_force_and_no_other_drive_holds_it_up(
    week: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    store = week / "store"
    written(week, 'name = "rich"\n[parts]\nmain_jet_mm = 1.12\nsnorkel = "short"\n')
    asked_by_record(store)
    (store / SETUP_IN_FORCE).write_text((week / written(week, MISTYPED)).read_text())
    asked_by_record(store)
    assert capsys.readouterr().err == ""
    (store / SETUP_IN_FORCE).write_text("no = [toml")
    asked_by_record(store)
    assert "Did you mean main_jet_mm?" in capsys.readouterr().err
    for manifest in store.glob("2026*/drive.json"):
        manifest.write_text("{")
    asked_by_record(store)
    assert capsys.readouterr().err == ""  # no drive that can be opened, so nothing is known

    def broken(*_: object) -> list[str]:
        raise RuntimeError("a fault")

    monkeypatch.setattr(record.hooks, "questions", broken)
    asked_by_record(store)
    assert "could not be compared with those" in capsys.readouterr().err


@posix
@pytest.mark.parametrize(("typed", "answer"), [(b"xN", "n"), (b"\n", ""), (b"\x1b[Ay", "y")])
def test_a_question_takes_a_key_without_enter_and_does_not_wait_forever(
    monkeypatch: pytest.MonkeyPatch, typed: bytes, answer: str
) -> None:
    import termios

    master, slave = os.openpty()
    before = termios.tcgetattr(slave)
    with open(slave, encoding="utf-8", closefd=False) as keyboard:
        monkeypatch.setattr(sys, "stdin", keyboard)
        wait = 0.3 if not answer else 10.0
        real = terminal.time.sleep
        monkeypatch.setattr(terminal.time, "sleep", lambda s: (os.write(master, typed), real(s))[1])
        assert terminal.answered("yn", wait) == answer
    assert termios.tcgetattr(slave) == before
    os.close(master)
    os.close(slave)
