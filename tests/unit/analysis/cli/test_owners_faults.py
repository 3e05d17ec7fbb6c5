"""What an owner reads where something is missing, damaged or full: one line that says what."""

from __future__ import annotations

import errno
import os
import shutil
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import simulate
from faulty_disk import FAULTS, Fault, FaultyDisk
from made_drives import RIG, make_drive
from rig import nmea, rmc
from run_verb import run_verb

from logger.config.reading import load
from logger.config.setup import SetupConfig
from logger.decode.framing import Chunk
from logger.errors import DriveError
from logger.store import folders, in_force, making
from logger.store.disk import Disk
from logger.store.journal import JournalWriter

SCRIPT = [simulate.Stand(3), simulate.Pull(8.0), simulate.Brake(0), simulate.Stand(2)]


def cut_off(store: Path, seconds: int = 5) -> Path:
    """A drive whose recorder died; gives its journal's segment."""
    writer = JournalWriter(making.begin(store, RIG, started=datetime(2026, 5, 2, 9, tzinfo=UTC)))
    for n in range(seconds):
        writer.extend([Chunk(n * 10**9, "gps", rmc(n, 5.0)), Chunk(n * 10**9 + 1, "mixture", b"13.%d\r\n" % (n % 10))])
        writer.flush()
    writer.close()
    (segment,) = writer.folder.glob("*.arrows")
    return segment


@pytest.mark.parametrize(
    ("lost", "said"), [(0, "Nothing that was on the disk is missing."), (100, "were not written completely")]
)
def test_last_says_what_it_finished_and_what_is_missing(tmp_path: Path, lost: int, said: str) -> None:
    segment = cut_off(tmp_path)
    segment.write_bytes(segment.read_bytes()[: -lost or None])
    asked = run_verb(tmp_path, "runs", "last", warned=True)
    assert asked.code == 1 and "no run found" in asked.err
    (line,) = [line for line in asked.err.splitlines() if "recovered" in line]
    assert said in line and "2026-05-02_090000Z" in line


def test_last_on_a_full_disk_says_that_it_is_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    segment = cut_off(tmp_path)
    before = segment.read_bytes()

    def full(disk: Disk, path: Path) -> Any:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))

    monkeypatch.setattr(Disk, "create", full)
    asked = run_verb(tmp_path, "runs", "last", warned=True)
    assert asked.code == 2 and "not recovered" in asked.err and "No space left on device" in asked.err
    assert segment.read_bytes() == before
    monkeypatch.undo()
    assert "recovered" in run_verb(tmp_path, "runs", "last", warned=True).err


def test_a_receiver_that_tells_no_speed_is_told_to_send_it(tmp_path: Path) -> None:
    log = tmp_path / "log.nmea"
    rows = [nmea(f"GPGGA,0900{n:02d}.000,5324.0721,N,00023.9219,W,1,12,0.7,20.4,M,46.2,M,,") for n in range(50)]
    log.write_bytes(rmc(0, 5.0) + b"".join(rows[1:]))
    assert run_verb(tmp_path / "store", "import", str(log)).code == 0
    asked = run_verb(tmp_path / "store", "runs", "last")
    assert asked.code == 1
    assert "49 without a speed" in asked.err and "RMC or VTG" in asked.err


def test_captions_with_the_notes_of_a_drive_without_any(tmp_path: Path) -> None:
    made, _ = make_drive(tmp_path / "store", SCRIPT)
    asked = run_verb(
        tmp_path / "store", "captions", made.id, "--video-start", "+0", "--notes", "--out", str(tmp_path), warned=True
    )
    assert asked.code == 0 and (tmp_path / f"{made.id}-captions.vtt").stat().st_size > 1000


def test_a_folder_whose_name_is_no_text_takes_no_verb_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A drive copied from another system: bytes that are no UTF-8, a command to the terminal, a line end."""
    monkeypatch.chdir(tmp_path)
    store = tmp_path / "store"
    made, _ = make_drive(store, [simulate.Stand(3), simulate.Pull(16.0), simulate.Brake(0), simulate.Stand(2)])
    odd = store / os.fsdecode(b"a\xff\x1b[2J\nb")
    try:
        shutil.copytree(made.path, odd)
    except OSError:
        pytest.skip("this file system has no such names")
    whole = ["drives", "season", "runs --all", "setups", "effects", "plan", "report --season --out season.html"]
    one = ["runs", "mixture", "weather", "tag 1 wet", "capture out.jsonl", "report --out drive.html", "rebuild"]
    one += ["export --ends 0m --out out.gpx", "captions --video-start +0"]
    asked = [each.split() for each in whole]
    asked += [[verb, odd.name, *rest] for verb, *rest in (each.split() for each in one)]
    for arguments in asked:
        said = run_verb(store, *arguments, warned=True)
        assert said.code == (arguments[0] == "effects"), (arguments, said)  # of one setup there are none
        assert all(line.isprintable() for line in (said.out + said.err).splitlines()), (arguments, said)
        assert arguments[0] != "drives" or "a?\\x1b[2J" in said.out


@pytest.mark.parametrize("fault", [fault for fault in FAULTS if fault != "cut"])
def test_a_setup_that_the_disk_does_not_take_leaves_the_old_one_in_force(tmp_path: Path, fault: Fault) -> None:
    old, new = ('name = "old"\n[parts]\nsnorkel = "short"\n', 'name = "new"\n[parts]\nsnorkel = "long"\n')
    for at in range(1, 30):
        store = tmp_path / str(at)
        store.mkdir()
        (store / "setup.toml").write_text(old)
        disk = FaultyDisk(at, fault)
        try:
            in_force.put_in_force(store, new, disk)
            wanted = "new"
        except DriveError as error:
            wanted = "old"
            assert "cannot be put in force" in str(error) and str(store) in str(error)
        assert load(store / "setup.toml", SetupConfig).name in (wanted, "new")
        assert not list(store.rglob(".*.new")) or fault == "broken"
        if not disk.met:
            break
    else:
        raise AssertionError("it never came to an end")


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 100_000, "a = " + "9" * 5000, 'name = "x"\nspeed = 1e999\n', "a." * 9000 + "b = 1"]
)
def test_absurd_toml_gets_a_line(tmp_path: Path, text: str) -> None:
    path = tmp_path / "file.toml"
    path.write_text(text)
    for verb in (["check", str(path)], ["setup", str(path)]):
        asked = run_verb(tmp_path / "store", *verb)
        assert asked.code == 2 and "file.toml" in asked.err and len(asked.err) < 500


def test_what_a_killed_import_or_change_left_behind_is_swept_away_a_day_later(tmp_path: Path) -> None:
    made, _ = make_drive(tmp_path, SCRIPT)
    left = [tmp_path / ".new-1", tmp_path / ".setup.toml.0a.new", tmp_path / ".recorder" / "notes" / ".1.json.0a.new"]
    left[0].mkdir()
    left[2].parent.mkdir(parents=True)
    for path in left[1:]:
        path.write_text("half")
    folders.sweep(tmp_path)
    assert all(path.exists() for path in left)  # somebody may be at it
    for path in left:
        os.utime(path, (time.time() - 90_000,) * 2)
    folders.sweep(tmp_path)
    assert not any(path.exists() for path in left) and made.path.is_dir()
