"""A board beside the fixes from its lines to what `runs` says: used, refused with its reason, or not there."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from board_lines import MadeBoard
from made_drives import BOARD_RIG, make_drive
from run_verb import run_verb
from simulate import Brake, Lift, Phase, Pull, Stand, Truth

from analysis.drive import AnalysedDrive
from analysis.motion import board_channels
from analysis.motion.beside_fixes import BesideUnusable
from analysis.motion.board import BoardReadings
from analysis.runs.board_start import BoardStart
from logger.store.drive import Drive

SCRIPT: list[Phase] = [
    Stand(9), Pull(13, "bite"), Lift(10), Brake(0, 2.2), Stand(6), Pull(13, "slip"), Lift(10), Brake(0, 2.0), Stand(5),
    Pull(13, "ramp"), Lift(11), Brake(0, 2.5), Stand(6),
]  # fmt: skip


@pytest.fixture(scope="module")
def with_board(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Drive, Truth]:
    store = tmp_path_factory.mktemp("board") / "store"
    drive, truth = make_drive(store, SCRIPT, rig=BOARD_RIG, board=MadeBoard(burst=2), seed=4)
    return store, drive, truth


def test_first_movement_is_told_by_the_board_and_said(with_board: tuple[Path, Drive, Truth]) -> None:
    store, drive, truth = with_board
    told = run_verb(store, "runs", drive.id, "--json").json
    assert told["board"]["source"] == "imu" and told["board"]["used"] is True and told["board"]["why_not"] == ""
    # The fixes' latency of 0.1 s is taken off; the board's lines come 0.07 s after it was so, and a burst later.
    assert told["board"]["delay_s"] == pytest.approx(0.07 + 0.005, abs=0.025)
    assert 90 < told["board"]["hz"] < 105 and told["board"]["agreement"] > 0.98
    runs = AnalysedDrive(drive).runs
    for run, found, true in zip(told["runs"], runs, truth.runs, strict=True):
        assert run["first_movement_by"] == "imu" and run["board_why_not"] == ""
        assert run["start_sigma_s"] < 0.08
        # From first movement to 20 mph, which a stopwatch at the wheel would show.
        split = next(each for each in run["splits"] if each["speed"] == "20 mph")
        assert split["time_s"] == pytest.approx(true.time_to(split["speed_mps"]), abs=3 * split["sigma_s"] + 0.02)
        assert found.time_zero_by == "imu"
    said = " ".join(run_verb(store, "runs", "--why", drive.id).out.split())
    assert "Board imu: 1" in said or "Board imu: 9" in said
    assert "s late compared with the fixes." in said


def test_the_board_tells_of_the_receivers_smoothing(
    with_board: tuple[Path, Drive, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, drive, _ = with_board
    with_it = AnalysedDrive(drive).motion.receiver
    monkeypatch.setattr("analysis.motion.board_channels.read_accelerations", lambda *_: None)
    alone = AnalysedDrive(drive).motion.receiver
    assert with_it.smoothing_sigma_s is not None and alone.smoothing_sigma_s is not None
    assert with_it.smoothing_s != alone.smoothing_s and with_it.noise_mps == alone.noise_mps


def test_one_foot_and_comparisons_stay_with_the_fixes(
    with_board: tuple[Path, Drive, Truth], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> BoardStart:
        raise BesideUnusable("not now")

    _, drive, _ = with_board
    with_it = AnalysedDrive(drive).runs
    monkeypatch.setattr("analysis.runs.board_start.first_movement", refuse)
    alone = AnalysedDrive(drive).runs
    for a, b in zip(with_it, alone, strict=True):
        assert [split.from_one_foot_s for split in a.splits] == [split.from_one_foot_s for split in b.splits]
        assert b.time_zero_by == "" and b.board_why_not == "not now" and a.start_s != b.start_s


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (MadeBoard(fault="dead"), "only 0 readings"),
        (MadeBoard(fault="stuck"), "stuck at one reading"),
        (MadeBoard(fault="clipped"), "gravity is 9.8"),
    ],
    ids=["dead", "stuck", "clipped"],
)
def test_a_board_with_a_fault_leaves_the_fixes_alone_and_says_so(tmp_path: Path, made: MadeBoard, words: str) -> None:
    drive, _ = make_drive(tmp_path / "store", SCRIPT[:5], rig=BOARD_RIG, board=made, seed=4)
    told = run_verb(tmp_path / "store", "runs", drive.id, "--json").json
    assert told["board"]["used"] is False and words in told["board"]["why_not"] and told["board"]["hz"] is None
    assert [run["first_movement_by"] for run in told["runs"]] == ["fixes"]
    said = " ".join(run_verb(tmp_path / "store", "runs", "--why", drive.id).out.split())
    assert "Board imu is not used: " in said and "First movement is found from the fixes only." in said


def test_a_start_that_the_board_cannot_tell_says_why(
    with_board: tuple[Path, Drive, Truth], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    whole_store, drive, truth = with_board
    store = tmp_path / "store"  # what is kept of answers is of the whole board
    shutil.copytree(whole_store, store, ignore=shutil.ignore_patterns(".analysis"))
    whole = board_channels.read_accelerations

    def cut(drive: Drive, epoch_utc_ns: int) -> BoardReadings | None:
        told = whole(drive, epoch_utc_ns)
        assert told is not None
        kept = abs(told.t_s - truth.runs[1].start_s) > 0.4
        return told._replace(t_s=told.t_s[kept], accel_mps2=told.accel_mps2[kept])

    monkeypatch.setattr(board_channels, "read_accelerations", cut)
    told = run_verb(store, "runs", drive.id, "--json").json["runs"]
    assert [run["first_movement_by"] for run in told] == ["imu", "fixes", "imu"]
    assert told[1]["board_why_not"] == "the board's lines are missing around the start"
    said = " ".join(run_verb(store, "runs", "--why", drive.id).out.split())
    assert "first movement is from the fixes only: the board's lines are missing around the start" in said


def test_without_a_board_nothing_is_said_of_one(tmp_path: Path) -> None:
    drive, _ = make_drive(tmp_path / "store", SCRIPT[:5], seed=4)
    told = run_verb(tmp_path / "store", "runs", drive.id, "--json").json
    assert told["board"] is None and told["runs"][0]["first_movement_by"] == "fixes"
    assert "Board" not in run_verb(tmp_path / "store", "runs", "--why", drive.id).out


def test_engine_speed_is_found_by_its_quantity_and_turned_into_turns_a_minute(tmp_path: Path) -> None:
    rig = BOARD_RIG.replace(
        'channel = "accel_x_g"\n  quantity = "acceleration"\n  unit = "g"',
        'channel = "crank"\n  quantity = "engine_speed"\n  unit = "1/s"\n  scale = -1.0',
    )
    assert rig != BOARD_RIG
    drive, _ = make_drive(tmp_path / "store", SCRIPT[:5], rig=rig, board=MadeBoard(), seed=4)
    found = AnalysedDrive(drive).engine_speed(None)
    assert found is not None
    recorded = drive.table("imu")["crank"].to_numpy()
    assert found[1] == pytest.approx(60 * recorded) and abs(recorded).max() > 0.1
