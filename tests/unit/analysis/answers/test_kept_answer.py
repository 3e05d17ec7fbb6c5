"""An answer that is kept is the answer that was given, to the last bit; what it depends on makes it anew."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from made_season import MadeSeason, strike

from analysis import kept
from analysis.answers import mixture, runs
from analysis.answers.encoding import Answer
from analysis.answers.kept_answer import plain
from analysis.answers.mixture import mixture_answer
from analysis.answers.runs import runs_answer
from analysis.drive import AnalysedDrive
from analysis.store import DriveStore
from logger.config.targets import TargetsConfig
from logger.errors import InputError


@pytest.fixture
def store(made_season: MadeSeason, tmp_path: Path) -> Path:
    place = tmp_path / "store"
    shutil.copytree(made_season.store, place, ignore=shutil.ignore_patterns(kept.FOLDER))
    return place


def asked(drive: AnalysedDrive) -> list[Answer]:
    return [
        runs_answer(drive), runs_answer(drive, unit="km/h", speeds_mps=[5.0, 12.0]), mixture_answer(drive),
        mixture_answer(drive, load_by="acceleration", band_mps=3.0),
    ]  # fmt: skip


def test_what_is_kept_is_what_was_answered(
    store: Path, made_season: MadeSeason, monkeypatch: pytest.MonkeyPatch
) -> None:
    ref = made_season.ids[0]
    first = asked(DriveStore(store).drive(ref))
    alone = DriveStore(store).drive(ref)
    alone.kept_in = None
    careful = asked(alone)
    with monkeypatch.context() as m:
        for room in (runs, mixture):
            m.setattr(room, "_worked_out", lambda *args: pytest.fail("it was worked out again"))
        again = asked(DriveStore(store).drive(ref))
    for a, b, c in zip(first, again, careful, strict=True):
        assert repr(plain(a)) == repr(plain(b)) == repr(plain(c))
        assert a.to_json() == b.to_json()


def test_what_an_answer_depends_on_makes_it_anew(store: Path, made_season: MadeSeason) -> None:
    ref = made_season.ids[0]
    drives = DriveStore(store)
    before = runs_answer(drives.drive(ref))
    start = before.runs[0].start_utc
    strike(drives.drive(ref).drive, round(start.timestamp() * 1e9), "a dog")
    assert runs_answer(DriveStore(store).drive(ref)).runs[0].struck == "a dog"
    slow = DriveStore(store).drive(ref)
    slow.part_throttle = {before.runs[1].start_utc.timestamp(): "slow"}
    assert runs_answer(slow).runs[1].part_throttle == "slow"
    assert runs_answer(DriveStore(store).drive(ref)).runs[1].part_throttle is None
    wide = TargetsConfig()
    usual = mixture_answer(DriveStore(store).drive(ref))
    masks = wide.masks.model_copy(update={"free_air_lambda": 1.01})
    other = mixture_answer(DriveStore(store, wide.model_copy(update={"masks": masks})).drive(ref))
    assert usual.to_json() != other.to_json()


def test_a_torn_or_foreign_answer_counts_as_nothing(store: Path, made_season: MadeSeason) -> None:
    ref = made_season.ids[0]
    whole = runs_answer(DriveStore(store).drive(ref))
    files = list((store / kept.FOLDER / ref).glob("runs-*.json"))
    assert len(files) == 1
    for data in (files[0].read_bytes()[:-9], b"", b"{}", files[0].read_bytes().replace(b"standing", b"rolling ")):
        files[0].write_bytes(data)
        assert repr(plain(runs_answer(DriveStore(store).drive(ref)))) == repr(plain(whole))


def test_a_refusal_is_not_kept_and_a_drive_elsewhere_keeps_nothing(store: Path, made_season: MadeSeason) -> None:
    silent = DriveStore(store).drive(made_season.ids[0])
    with pytest.raises(InputError):
        mixture_answer(DriveStore(store).drive(made_season.ids[0]), channel="board.afr")
    assert not list((store / kept.FOLDER).rglob("mixture-*"))
    elsewhere = DriveStore(store.parent / "other").drive(str(silent.drive.path))
    runs_answer(elsewhere)
    assert not (store.parent / "other").exists() and elsewhere.kept_in is None
