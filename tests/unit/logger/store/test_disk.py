"""One file changed in one step, on a disk that fails at every operation in turn; and locks on files."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest
from faulty_disk import FaultyDisk, PowerCut, each_fault

from logger.store.disk import Disk
from logger.store.locks import FileLock


@pytest.mark.parametrize("old", [b"the setup before\n" * 50, None])
def test_a_file_is_the_old_one_or_the_new_one_whenever_the_power_goes(tmp_path: Path, old: bytes | None) -> None:
    new = b"the setup after\n" * 80
    outcomes = set()
    for number, disk in enumerate(each_fault()):
        path = tmp_path / str(number) / "setup.toml"
        path.parent.mkdir()
        if old is not None:
            path.write_bytes(old)
        try:
            disk.put_file(path, new)
            outcome = "done"
        except OSError as error:
            outcome = "failed"
            assert error.filename == str(path) or error.filename is None
        except PowerCut:
            outcome = "cut"
        held = path.read_bytes() if path.exists() else None
        assert held in {old, new}
        assert outcome != "done" or held == new
        if outcome == "failed":
            assert [left.name for left in path.parent.iterdir()] in ([], ["setup.toml"])
        outcomes.add((outcome, held == new))
    assert {("done", True), ("failed", False), ("cut", False)} <= outcomes


def test_a_full_disk_names_the_file(tmp_path: Path) -> None:
    with pytest.raises(OSError) as raised:
        FaultyDisk(2, "full").put_file(tmp_path / "setup.toml", b"x" * 100)
    assert raised.value.errno == errno.ENOSPC and raised.value.filename == str(tmp_path / "setup.toml")


def test_a_lock_survives_the_deleting_of_its_file_by_who_held_it(tmp_path: Path) -> None:
    """Whoever waits for the old file finds that it is not there any more, and takes the new one."""
    path = tmp_path / ".changing"
    first, second, third = (FileLock(path, 0.3) for _ in range(3))
    assert first.acquire() and not second.acquire()
    first.release(remove=True)
    assert not path.exists()
    assert second.acquire() and second.intact
    path.unlink()
    assert third.acquire() and third.intact and not second.intact
    second.release(remove=True)  # not its own any more
    assert third.intact
    third.release()


def test_writing_all_is_for_the_owner_alone(tmp_path: Path) -> None:
    Disk().put_file(tmp_path / "a", b"1")
    assert (tmp_path / "a").stat().st_mode & 0o077 == 0
