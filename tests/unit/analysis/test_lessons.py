"""Drives of one car and one receiver teach those after them: who teaches whom, in what order, at what cost."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_drives import CAR, RIG, START, make_drive
from run_verb import run_verb
from simulate import Brake, Lift, Phase, Pull, Stand

from analysis import kept
from analysis.cli.runs import brief_runs
from analysis.drive import AnalysedDrive
from analysis.motion import smoother
from analysis.motion.noise import Noise
from analysis.motion.other_drives import CHANCE, noise_with, with_others
from analysis.motion.receiver import Receiver
from analysis.runs import finding
from analysis.runs.lessons import Lesson, Taught, habit_words
from analysis.runs.rises import habit_of, rises
from analysis.runs.run import Options
from analysis.store import DriveStore
from logger.config import reading
from logger.config.car import CarConfig
from logger.config.recorder import RecorderConfig
from logger.errors import NoAnswer
from logger.store.drive import open_drive

SCRIPT: list[Phase] = [Stand(8), Pull(12.0, "slip"), Lift(10), Brake(0, 2.4), Stand(6)]
SHORT: list[Phase] = [Stand(4), Pull(6.0), Brake(0), Stand(3)]
OTHER_CAR = CarConfig.model_validate({"car": {"name": "Heron", "mass_kg": 500.0, "cooling": "water"}})
OTHER_RIG = RIG.replace('name = "gps"', 'name = "roof_gps"')


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three drives of the Wren, a week apart, the last of two launches; nothing kept."""
    store = tmp_path_factory.mktemp("lessons") / "store"
    for week in range(3):
        make_drive(
            store, SCRIPT if week < 2 else [*SCRIPT, *SCRIPT[1:]], seed=week, start=START + timedelta(weeks=week)
        )
    return store


@pytest.fixture(scope="module")
def warm(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same with every lesson kept; tests leave it as it is."""
    place = Path(shutil.copytree(made, tmp_path_factory.mktemp("warm") / "store"))
    drives = DriveStore(place)
    drives.teach(drives.drives[-1])
    return place


@pytest.fixture
def store(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "store"))


@pytest.fixture
def smoothed(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Which drives are smoothed, by their first fix."""
    found: list[int] = []
    smooth = smoother.smooth

    def counted(fixes: Any, *rest: Any, **named: Any) -> Any:
        found.append(fixes.epoch_utc_ns)
        return smooth(fixes, *rest, **named)

    monkeypatch.setattr(smoother, "smooth", counted)
    return found


def times(drive: AnalysedDrive) -> list[float]:
    """All that is told of its runs, to the last bit."""
    runs = drive.table_runs("mph")
    return [
        value
        for run in runs
        for value in (run.start_s, run.start_sigma_s, *(split.from_one_foot_s for split in run.splits))
    ]


# --- who teaches whom ---------------------------------------------------------------------------------------------


def test_a_drive_is_read_with_those_before_it(warm: Path) -> None:
    drives = DriveStore(warm).drives
    assert [len(drive.taught.lessons) for drive in drives] == [0, 1, 2]
    assert [drive.taught.launches for drive in drives] == [0, 1, 2]
    assert [drive.motion.receiver.drives for drive in drives] == [1, 2, 3]
    assert drives[2].taught.habit is not None and drives[2].taught.habit.launches == 2
    assert times(drives[2]) != times(AnalysedDrive(drives[2].drive))


def test_launches_are_read_with_the_cars_habit(warm: Path) -> None:
    drive = DriveStore(warm).drives[2]
    options = Options(unit=drive.unit)
    without = finding.find(drive.motion, drive.fixes, options)
    with_it = finding.find(drive.motion, drive.fixes, options, drive.taught.habit)
    starts = [[run.start_s for run in runs] for runs in (drive.runs_by(options), with_it, without)]
    assert starts[0] == starts[1] != starts[2]


def test_the_first_drive_is_read_as_it_is_alone(warm: Path) -> None:
    first = DriveStore(warm).drives[0]
    assert times(first) == times(AnalysedDrive(first.drive))
    assert first.taught.digest == "" and kept.key_of(first.drive, first.targets) == kept.key_of(
        first.drive, first.targets, first.taught.digest
    )


def test_no_order_of_looking_and_no_later_drive_changes_an_answer(store: Path) -> None:
    ids = [drive.id for drive in DriveStore(store).drives]
    backwards = DriveStore(store)
    last_first = [times(backwards.drive(each)) for each in reversed(ids)][::-1]
    assert (store / kept.FOLDER).is_dir()
    with_kept = [times(DriveStore(store).drive(each)) for each in ids]
    assert last_first == with_kept
    shutil.rmtree(store / kept.FOLDER)
    shutil.rmtree(store / ids[2])
    forwards = DriveStore(store)
    assert [times(forwards.drive(each)) for each in ids[:2]] == with_kept[:2]


def test_a_drive_that_is_added_while_another_was_read_is_the_last(warm: Path, tmp_path: Path) -> None:
    """Who read one drive has looked at those before it, but not yet listed all."""
    store = Path(shutil.copytree(warm, tmp_path / "store"))
    opened = DriveStore(store)
    assert opened.drive(DriveStore(store).drives[0].id).taught.digest == ""
    added, _ = make_drive(store, SHORT, start=START + timedelta(weeks=5))
    assert opened.drive("last").id == added.id


def test_an_older_drive_that_is_added_makes_later_ones_anew(warm: Path, tmp_path: Path) -> None:
    store = Path(shutil.copytree(warm, tmp_path / "store"))
    last = DriveStore(store).drives[-1]
    before = kept.key_of(last.drive, last.targets, last.taught.digest)
    make_drive(store, SCRIPT, seed=9, start=START - timedelta(weeks=1))
    last = DriveStore(store).drives[-1]
    assert len(last.taught.lessons) == 3
    assert kept.key_of(last.drive, last.targets, last.taught.digest) != before


@pytest.mark.parametrize(
    "other",
    [
        {"car": OTHER_CAR}, {"car": None}, {"rig": OTHER_RIG, "receiver": "roof_gps"},
        {"rig": RIG.replace("baud", 'on_open = ["RATE"]\nbaud')},
        {"rig": RIG.replace("baud", 'port = "1546:01a8"\nbaud')},
    ],
    ids=["another car", "no car", "another name", "set up otherwise", "another receiver by USB"],
)  # fmt: skip
def test_another_car_or_receiver_teaches_nothing(made: Path, tmp_path: Path, other: dict[str, Any]) -> None:
    store = tmp_path / "store"
    make_drive(store, SHORT, seed=4, **other)
    make_drive(store, SHORT, seed=5, start=START + timedelta(days=1))
    drives = DriveStore(store).drives
    assert [len(drive.taught.lessons) for drive in drives] == [0, 0]
    assert all(len(drive.fixes) > 100 for drive in drives)  # each has what it could teach


def test_drives_outside_the_store_stand_alone(store: Path, tmp_path: Path) -> None:
    away, _ = make_drive(tmp_path / "away", SCRIPT, seed=3, start=START + timedelta(weeks=5))
    assert DriveStore(store).drive(str(away.path)).taught == Taught()


# --- one bad drive ------------------------------------------------------------------------------------------------


def test_a_drive_that_cannot_be_read_teaches_nothing_and_stops_nobody(
    store: Path, caplog: pytest.LogCaptureFixture
) -> None:
    ids = [drive.id for drive in DriveStore(store).drives]
    (store / ids[0] / "drive.json").write_text("{", encoding="utf-8")
    (store / ids[1] / "gps.parquet").write_bytes(b"no table")
    (store / ids[1] / "raw.parquet").write_bytes(b"none either")
    last = DriveStore(store).drive(ids[2])
    assert last.taught == Taught() and times(last) == times(AnalysedDrive(last.drive))
    assert not caplog.records  # who asks for one drive is told of that one


def test_a_drive_without_fixes_teaches_nothing_and_is_not_tried_again(store: Path, smoothed: list[int]) -> None:
    make_drive(store, [Stand(1)], rate_hz=1.0, seed=1, start=START + timedelta(days=1))
    drives = DriveStore(store).drives
    with pytest.raises(NoAnswer):
        _ = drives[1].lesson
    assert len(drives[-1].taught.lessons) == 2
    del smoothed[:]
    assert len(DriveStore(store).drives[-1].taught.lessons) == 2 and smoothed == []


# --- what is kept -------------------------------------------------------------------------------------------------


def test_with_lessons_kept_only_the_drive_asked_for_is_smoothed(store: Path, smoothed: list[int]) -> None:
    first = run_verb(store, "runs", "last", "--json").json
    assert len(smoothed) == len(set(smoothed)) == 3
    del smoothed[:]
    again = run_verb(store, "runs", "last", "--json").json
    assert len(smoothed) == 0 and again == first  # the answer is kept as well
    run_verb(store, "runs", "last", "--to", "25mph", "--json")
    assert len(smoothed) == 1


def test_a_lesson_is_the_same_whether_kept_or_worked_out(made: Path, warm: Path) -> None:
    worked_out = DriveStore(made).drives[0].lesson
    kept_one = DriveStore(warm).drives[1].taught
    assert kept_one.lessons == (worked_out,)
    assert worked_out == Lesson.of_json(json.loads(json.dumps(worked_out.as_json())))
    assert kept_one.digest == Taught((worked_out,)).digest != ""


def test_a_lesson_that_is_not_as_it_was_written_is_worked_out_anew(
    warm: Path, tmp_path: Path, smoothed: list[int]
) -> None:
    store = Path(shutil.copytree(warm, tmp_path / "store"))
    first, second, _ = (drive.id for drive in DriveStore(store).drives)
    file = store / kept.FOLDER / first / "lesson.json"
    whole = file.read_bytes()
    key = json.loads(whole)["key"]
    louder = whole.replace(b'"noise_mps": 0.0', b'"noise_mps": 0.1', 1)
    assert louder != whole and kept.read_values(store, first, "lesson", key)
    assert kept.read_values(store, first, "lesson", "of other tables") is None
    for spoilt in (b"", b"{}", b"[1]", b"null", b'{"key": 1}', whole[:-9], louder):
        file.write_bytes(spoilt)
        assert kept.read_values(store, first, "lesson", key) is None
    del smoothed[:]
    assert DriveStore(store).drive(second).taught == DriveStore(warm).drive(second).taught
    assert len(smoothed) == 1 and file.read_bytes() == whole


def test_lessons_of_another_set_of_rises_count_for_nothing() -> None:
    with pytest.raises(ValueError, match="another set"):
        Lesson.of_json({"receiver": {"hz": 10.0, "noise_mps": 0.05}, "rise_logs": [[0.0] * 3]})


def test_a_store_that_cannot_be_written_to_teaches_all_the_same(store: Path) -> None:
    (store / kept.FOLDER).write_text("in the way", encoding="utf-8")
    assert [len(drive.taught.lessons) for drive in DriveStore(store).drives] == [0, 1, 2]


# --- while recording, and just after ------------------------------------------------------------------------------


def test_while_recording_only_what_is_kept_is_used(made: Path, warm: Path, smoothed: list[int]) -> None:
    config = reading.parse(RIG, RecorderConfig, "rig")
    assert DriveStore(made, kept_only=True).so_far(config, CAR) == Taught() and smoothed == []
    assert len(DriveStore(warm, kept_only=True).so_far(config, CAR).lessons) == 3 and smoothed == []
    assert DriveStore(warm, kept_only=True).so_far(config, OTHER_CAR) == Taught()
    elsewhere = reading.parse(OTHER_RIG, RecorderConfig, "rig")
    assert DriveStore(warm, kept_only=True).so_far(elsewhere, CAR) == Taught()


def test_a_drive_just_closed_is_told_as_it_will_be_and_its_lesson_is_kept(
    warm: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = Path(shutil.copytree(warm, tmp_path / "store"))
    last = DriveStore(store).drives[-1].id
    (store / kept.FOLDER / last / "lesson.json").unlink()
    brief_runs(open_drive(store, last))
    said = capsys.readouterr().out
    assert said.splitlines()[:3] == run_verb(store, "runs", last).out.splitlines()[:3]
    assert (store / kept.FOLDER / last / "lesson.json").is_file()


# --- what is said -------------------------------------------------------------------------------------------------


def test_runs_say_what_was_learned_and_over_how_many_drives(warm: Path) -> None:
    ids = [drive.id for drive in DriveStore(warm).drives]
    told = run_verb(warm, "runs", ids[2], "--json").json
    assert told["receiver"]["drives"] == 3 and told["receiver"]["words"].endswith(", learned from 3 drives")
    assert told["habit"]["launches"] == 2 and told["habit"]["drives"] == 2
    said = " ".join(run_verb(warm, "runs", "--why", ids[2]).out.split())
    assert ", learned from 3 drives. " in said
    assert f"Launches: {told['habit']['words']}, learned from 2 launches of 2 drives before." in said
    alone = run_verb(warm, "runs", ids[0], "--json").json
    assert alone["receiver"]["drives"] == 1 and "learned from" not in alone["receiver"]["words"]
    assert alone["habit"] == {"launches": 0, "drives": 0, "words": ""}
    assert "Launches:" not in run_verb(warm, "runs", "--why", ids[0]).out


def test_a_habit_in_words_names_the_likeliest_way() -> None:
    every = rises(False)
    for curve, seconds, words in (
        ("straight", 2.2, "pull building up evenly, over 2."),
        ("s-shaped", 1.0, "pull fed in by a slipping clutch or belt, over 1."),
        ("exponential", 0.08, "full pull at once"),
    ):  # fmt: skip
        log = np.array([0.0 if (rise.curve, rise.seconds) == (curve, seconds) else -12.0 for rise in every])
        habit = habit_of([log] * 30)
        assert habit is not None and f"mostly {words}" in habit_words(habit)


# --- how descriptions are joined ----------------------------------------------------------------------------------

QUIET = Receiver(10.0, 0.05)
WANDERS = Receiver(10.0, 0.05, 0.5, 1.0, 0.2, 0.1, 0.3, 0.05, stops=4)


def test_wander_and_smoothing_are_the_receivers() -> None:
    joined = with_others(QUIET, [WANDERS] * 5)
    assert joined.drives == 6 and joined.wandering_share == pytest.approx(5 / 12)
    assert joined.smoothing_s == pytest.approx(0.2) and joined.stops == 20
    assert joined.smoothing_sigma_s == pytest.approx(0.05 / math.sqrt(5))


def test_how_loud_it_was_and_what_strayed_is_the_drives() -> None:
    loud = replace(QUIET, noise_mps=0.15, outlier_share=0.02, hold_mps=0.3)
    joined = with_others(loud, [QUIET] * 20)
    assert joined.noise_mps == pytest.approx(0.15 / CHANCE) and joined.outlier_share == 0.02 and joined.hold_mps == 0.3
    assert with_others(QUIET, [loud] * 20).outlier_share == 0.0
    near = with_others(replace(QUIET, noise_mps=0.055), [QUIET] * 20)
    assert near.noise_mps == pytest.approx(0.0502, abs=3e-4)  # within what chance does: that of all


def test_another_rate_is_another_receiver_and_one_mistaken_drive_makes_no_wander() -> None:
    assert with_others(QUIET, [replace(WANDERS, hz=5.0)]) is QUIET
    assert with_others(QUIET, []) is QUIET
    joined = with_others(QUIET, [QUIET] * 8 + [WANDERS])
    assert joined.wandering_share == 0.0 and joined.wandering_s is None


def test_a_drives_noise_takes_wander_at_rest_too_unless_it_draws_lines_there() -> None:
    seen = Noise(0.05, 0.05, 0.0, 0.0, "folded", 60.0)
    noise = noise_with(seen, WANDERS)
    assert (noise.wander_share, noise.rest_wander_share, noise.wander_s) == (0.5, 0.5, 1.0)
    drawn = replace(seen, sigma_mps=0.02, rest_sigma_mps=0.2, rest_wander_share=0.9, wander_s=2.0)
    noise = noise_with(drawn, replace(QUIET, noise_mps=0.02))
    assert (noise.wander_share, noise.rest_wander_share, noise.wander_s) == (0.0, 0.9, 2.0)
