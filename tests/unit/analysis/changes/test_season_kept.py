"""A season that is kept whole is the season that its drives tell, to the last bit; whatever changes in the store is
noticed, and what cannot be read is told at every look."""

from __future__ import annotations

import dataclasses
import os
import shutil
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from made_season import MadeSeason
from pydantic import BaseModel

from analysis import kept
from analysis.answers.compare import compare_answer
from analysis.answers.effects import effects_answer
from analysis.answers.plan import plan_answer
from analysis.answers.season import season_answer
from analysis.changes import gathering, season_kept, season_record
from analysis.changes.season import SeasonRecord, gather
from analysis.drive import utc
from analysis.store import DriveStore
from logger.config.targets import TargetsConfig
from logger.store.drive import Drive, open_drive
from logger.store.manifest import Note, Struck, Tagged

WHEN = datetime(2026, 5, 30, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _few_are_kept_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(season_kept, "WORTH_KEEPING", 1)


@pytest.fixture(scope="module")
def seen(made_season: MadeSeason, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The season, looked at once; nothing is kept of it as a whole."""
    store = tmp_path_factory.mktemp("seen") / "store"
    shutil.copytree(made_season.store, store, ignore=shutil.ignore_patterns(kept.FOLDER))
    gather(DriveStore(store))
    forget(store)
    return store


@pytest.fixture
def store(seen: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(seen, tmp_path / "store"))


def whole(store: Path) -> list[Path]:
    """The files of seasons that are kept whole."""
    return sorted((store / kept.FOLDER / ".season").glob("gathered-*"))


def forget(store: Path) -> None:
    for file in whole(store):
        file.unlink()


def told(value: Any) -> Any:
    """All that a value holds, type by type and bit by bit; NaN equals NaN."""
    if isinstance(value, np.ndarray):
        return str(value.dtype), value.shape, value.tobytes()
    if isinstance(value, BaseModel):
        return type(value), told(value.model_dump())
    if dataclasses.is_dataclass(value):
        return type(value), [told(getattr(value, each.name)) for each in dataclasses.fields(value)]
    if isinstance(value, Mapping):
        return [(name, told(each)) for name, each in value.items()]
    if isinstance(value, list | tuple):
        return type(value), [told(each) for each in value]
    return (type(value), repr(value)) if isinstance(value, float | datetime) else value


def season(record: SeasonRecord) -> Any:
    """All that a season holds, but where its drives are and what its pulls are known by."""
    return told(dataclasses.replace(record, store=None, gathered=None, keys=dict(sorted(record.keys.items()))))


def anew(store: Path, **options: Any) -> Any:
    """The season as its drives tell it now."""
    forget(store)
    return season(gather(DriveStore(store), **options))


def answers(record: SeasonRecord) -> list[Any]:
    found = [
        season_answer(record), compare_answer(record, "baseline", "snorkel and jet"), effects_answer(record),
        plan_answer(record),
    ]  # fmt: skip
    return [each.to_json() for each in found]


@pytest.mark.parametrize("options", [{}, {"factor": "SAE J607"}, {"every_run": True}], ids=str)
def test_what_is_kept_is_what_was_gathered_and_opens_no_drive(store: Path, options: dict[str, Any]) -> None:
    first = gather(DriveStore(store), **options)
    assert len(whole(store)) == 2
    drives = DriveStore(store)
    again = gather(drives, **options)
    assert "drives" not in drives.__dict__ and again.runs and again.pulls and again.loops and again.setups
    assert season(again) == season(first)
    assert answers(again) == answers(first)


def test_seasons_of_other_factors_and_runs_stand_beside_each_other(store: Path) -> None:
    asked: list[dict[str, Any]] = [{}, {"factor": "SAE J607"}, {"every_run": True}]
    first = [season(gather(DriveStore(store), **each)) for each in asked]
    assert [season(gather(DriveStore(store), **each)) for each in asked] == first
    assert len(whole(store)) == 6


def test_which_pulls_are_full_is_told_of_each_choice_of_runs(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Their pulls are not the same ones: those of a run that does not count are not taken to be full."""
    judged: list[int] = []
    real = season_record.why_not_full

    def why(pulls: Any) -> list[str]:
        judged.append(len(pulls))
        return real(pulls)

    monkeypatch.setattr(season_record, "why_not_full", why)
    for _ in range(2):
        assert gather(DriveStore(store)).full_pulls and gather(DriveStore(store)).full_pulls
        assert gather(DriveStore(store), every_run=True).full_pulls
    assert len(judged) == 4


def test_windows_that_were_given_are_not_those_of_the_store(store: Path) -> None:
    gather(DriveStore(store))
    other = TargetsConfig.model_validate({"masks": {"free_air_lambda": 1.4}})
    given = DriveStore(store, other)
    gather(given)
    assert "drives" in given.__dict__


def _amended(**changes: Any) -> Callable[[Path, Drive], None]:
    return lambda store, drive: drive.amend("a test", **changes) and None  # type: ignore[func-returns-value]


def _struck(store: Path, drive: Drive) -> None:
    run = next(each for each in DriveStore(store).drive(drive.id).runs if each.kind == "standing")
    drive.amend("a test", struck=[Struck(run_start_utc=utc(run.start_utc_ns), reason="a dog", when=WHEN)])


def _tagged(store: Path, drive: Drive) -> None:
    run = next(each for each in DriveStore(store).drive(drive.id).runs if each.kind == "standing")
    drive.amend("a test", tags=[Tagged(run_start_utc=utc(run.start_utc_ns), tag="passenger", when=WHEN)])


def _one_more(store: Path, drive: Drive) -> None:
    shutil.copytree(drive.path, store / "saturday")


def _other_car(store: Path, drive: Drive) -> None:
    assert drive.manifest.car is not None
    drive.amend("a test", car={**drive.manifest.car, "car": {**drive.manifest.car["car"], "mass_kg": 500.0}})


CHANGES: dict[str, Callable[[Path, Drive], None]] = {
    "a note": _amended(notes=[Note(utc=WHEN, text="belt slips", added=WHEN)]),
    "weather": _amended(weather={"temperature_c": 2.0, "pressure_hpa": 1010.0}),
    "a setup": _amended(setup={"name": "other", "parts": {"main_jet_mm": 1.2}}),
    "a run struck out": _struck,
    "a run tagged": _tagged,
    "another car": _other_car,
    "one less": lambda store, drive: shutil.rmtree(drive.path),
    "one more": _one_more,
    "renamed": lambda store, drive: drive.path.rename(store / "sunday") and None,  # type: ignore[func-returns-value]
}


@pytest.mark.parametrize("change", CHANGES)
def test_whatever_changes_is_noticed(store: Path, made_season: MadeSeason, change: str) -> None:
    before = season(gather(DriveStore(store)))
    CHANGES[change](store, open_drive(store, made_season.ids[1]))
    after = season(gather(DriveStore(store)))
    assert after != before
    assert after == anew(store)


def test_a_drive_that_cannot_be_read_is_told_each_time_and_takes_no_other_along(
    store: Path, made_season: MadeSeason, caplog: pytest.LogCaptureFixture
) -> None:
    gather(DriveStore(store))
    (store / made_season.ids[1] / "drive.json").write_text("{", encoding="utf-8")
    forget(store)
    for _ in range(2):
        caplog.clear()
        found = gather(DriveStore(store))
        assert [made_season.ids[1] in each.message for each in caplog.records] == [True]
        assert {run.drive for run in found.runs} == set(made_season.ids[:4]) - {made_season.ids[1]}
    assert not whole(store)


def test_a_drive_that_fails_as_it_is_read_is_told_each_time(
    store: Path, made_season: MadeSeason, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = gathering._weather

    def weather(drive: Any) -> Any:
        if drive.id == made_season.ids[1]:
            raise ZeroDivisionError("no air")
        return real(drive)

    monkeypatch.setattr(gathering, "_weather", weather)
    for _ in range(2):
        caplog.clear()
        found = gather(DriveStore(store))
        assert ["no air" in each.message for each in caplog.records] == [True]
        assert made_season.ids[1] not in {run.drive for run in found.runs}
    assert not whole(store)


def test_what_changes_while_the_drives_are_read_is_not_kept(
    store: Path, made_season: MadeSeason, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = gathering.gathered

    def slow(*asked: Any) -> Any:
        found = real(*asked)
        os.utime(store / made_season.ids[0] / "gps.parquet", ns=(1, 1))
        return found

    monkeypatch.setattr(gathering, "gathered", slow)
    gather(DriveStore(store))
    assert not whole(store)


def test_while_a_drive_is_not_closed_nothing_is_kept_or_read(store: Path, made_season: MadeSeason) -> None:
    gather(DriveStore(store))
    (store / "2026-07-01_100000Z" / "journal").mkdir(parents=True)
    drives = DriveStore(store)
    gather(drives)
    assert "drives" in drives.__dict__


@pytest.mark.parametrize("at", [0, 1], ids=["numbers", "values"])
@pytest.mark.parametrize(
    "spoil",
    [lambda data: b"", lambda data: data[:-8], lambda data: data.replace(b"1", b"2", 1), lambda data: b"[" * 9999],
    ids=["empty", "torn", "altered", "nested"],
)
def test_what_is_not_as_it_was_written_is_gathered_anew(store: Path, at: int, spoil: Callable[[bytes], bytes]) -> None:
    first = season(gather(DriveStore(store)))
    file = whole(store)[at]
    data = spoil(file.read_bytes())
    assert data != file.read_bytes()
    file.write_bytes(data)
    drives = DriveStore(store)
    assert season(gather(drives)) == first
    assert "drives" in drives.__dict__


def test_a_drive_opened_later_knows_which_of_its_runs_were_no_full_pulls(
    store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def slow(runs: Any) -> Any:
        first, *others = runs
        return others, [gathering.RunLeftOut(first.label, first.drive, "slow", False, True, first.start_s)]

    monkeypatch.setattr(gathering, "full_pulls", slow)
    careful, fast = DriveStore(store), DriveStore(store)
    name = gather(careful).left_out[-1].drive
    assert gather(fast).left_out[-1].drive == name and "drives" not in fast.__dict__
    assert fast.drive(name).part_throttle == careful.drive(name).part_throttle != {}
