"""What a drive's pulls showed is kept with their speeds, and read back as it was for the next drive's lean alert."""

from __future__ import annotations

from dataclasses import astuple
from pathlib import Path

import pytest
from made_drives import make_drive
from simulate import Brake, Lift, Phase, Pull, Stand

from analysis import kept
from analysis.store import DriveStore


def test_the_next_drive_knows_the_pulls_and_their_speeds(tmp_path: Path) -> None:
    start: list[Phase] = [Pull(17.0, "slip"), Lift(14), Brake(0, 2.4), Stand(4)]
    make_drive(tmp_path / "store", [Stand(6), *start * 6])
    store = DriveStore(tmp_path / "store")
    drive = store.drives[-1]
    store.teach(drive)
    full = drive.full_pulls
    assert len(full) == 6 and sorted(pull.from_mps for pull in full)[2] < 3, full
    told = DriveStore(tmp_path / "store", kept_only=True).pulls_so_far(drive.car)
    assert [astuple(pull) for pull in told] == [pytest.approx(astuple(pull), abs=6e-4) for pull in full]
    written: dict[str, list[list[float]]] = {"pulls": [[2.3, 24.8]]}  # not as it was written: it tells nothing
    kept.write_values(store.path, drive.id, "pulls", kept.lesson_key(drive.drive, "pulls"), written)
    assert DriveStore(tmp_path / "store", kept_only=True).pulls_so_far(drive.car) == []
