"""What is said again is what would be said anew, whatever changed meanwhile; and only what may be is kept."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from made_season import MadeSeason
from run_verb import Said, run_apart, run_verb

from analysis import kept
from analysis.cli import said_before

ASKED = (
    ["runs", "last"], ["runs", "--all"], ["runs", "ID", "--to", "25mph", "--units", "km/h"], ["runs", "ID", "--json"],
    ["mixture", "ID"], ["mixture", "ID", "--csv"], ["drives"], ["season", "--why"], ["effects"], ["plan"],
    ["compare", "baseline", "snorkel and jet"], ["compare", "ID:1", "ID:2"],
)  # fmt: skip


@pytest.fixture(scope="module")
def seen(made_season: MadeSeason, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The season, looked at once."""
    store = tmp_path_factory.mktemp("seen") / "store"
    shutil.copytree(made_season.store, store, ignore=shutil.ignore_patterns(kept.FOLDER))
    run_verb(store, "season", warned=True)
    shutil.rmtree(store / kept.FOLDER / ".said", ignore_errors=True)
    return store


@pytest.fixture
def store(seen: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(seen, tmp_path / "store"))


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The verbs that were worked out, one after the other."""
    names: list[str] = []
    real = said_before._code

    def told(verb: Callable[..., None], asked: object) -> int:
        names.append(verb.__name__)
        return real(verb, asked)  # type: ignore[arg-type]

    monkeypatch.setattr(said_before, "_code", told)
    return names


def without_the_kept(store: Path, *words: str) -> Said:
    """What is said where nothing of it was said before."""
    shutil.rmtree(store / kept.FOLDER / ".said", ignore_errors=True)
    return run_verb(store, *words, warned=True)


@pytest.mark.parametrize("words", ASKED, ids=" ".join)
def test_what_is_asked_twice_is_worked_out_once(
    store: Path, made_season: MadeSeason, worked: list[str], words: list[str]
) -> None:
    words = [word.replace("ID", made_season.ids[0]) for word in words]
    first = run_verb(store, *words, warned=True)
    again = run_verb(store, *words, warned=True)
    assert len(worked) == 1 and first.out and again == first


def struck(store: Path, drive: str) -> None:
    assert run_verb(store, "strike", drive, "1", "--reason", "a dog", warned=True).code == 0


def tagged(store: Path, drive: str) -> None:
    assert run_verb(store, "tag", drive, "2", "passenger", warned=True).code == 0


def other_targets(store: Path, drive: str) -> None:
    text = '[[targets]]\nregime = "cruise"\nlambda = [0.7, 0.72]\n'
    (store / "targets.toml").write_text(text, encoding="utf-8")


def other_rig(store: Path, drive: str) -> None:
    file = store / drive / "recorder.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("latency_s = 0.1", "latency_s = 0.2"), encoding="utf-8")


def one_less(store: Path, drive: str) -> None:
    shutil.rmtree(store / drive)


def renamed(store: Path, drive: str) -> None:
    (store / drive).rename(store / "saturday")


def other_table(store: Path, drive: str) -> None:
    os.utime(store / drive / "gps.parquet", ns=(1, 1))


def other_cars_drive(store: Path, drive: str) -> None:
    shutil.copytree(store / drive, store / "cars" / "finch" / drive)


CHANGES = (struck, tagged, other_targets, other_rig, one_less, renamed, other_table, other_cars_drive)
SHORT = (struck, other_targets, other_table)


@pytest.mark.parametrize(
    "change",
    [pytest.param(each, marks=() if each in SHORT else pytest.mark.long) for each in CHANGES],
    ids=lambda each: each.__name__,
)
def test_what_changes_in_the_store_is_in_what_is_said(
    store: Path, made_season: MadeSeason, worked: list[str], change: Callable[[Path, str], None]
) -> None:
    words = (["runs", "--all"], ["drives"], ["mixture", made_season.ids[1]])
    for each in words:
        run_verb(store, *each, warned=True)
    change(store, made_season.ids[0])
    worked.clear()
    after = [run_verb(store, *each, warned=True) for each in words]
    assert len(worked) == len(words)
    assert after == [without_the_kept(store, *each) for each in words]


def test_width_and_zone_are_those_of_now(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wide = run_verb(store, "season", warned=True)
    monkeypatch.setenv("COLUMNS", "60")
    narrow = run_verb(store, "season", warned=True)
    assert narrow != wide and narrow == without_the_kept(store, "season")
    here = run_verb(store, "runs", warned=True)
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    time.tzset()
    try:
        there = run_verb(store, "runs", warned=True)
        assert there == without_the_kept(store, "runs")
    finally:
        monkeypatch.undo()
        time.tzset()
    assert run_verb(store, "season", warned=True) == wide and here.out


def test_another_program_says_it_anew(store: Path, worked: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    run_verb(store, "drives", warned=True)
    monkeypatch.setattr(kept, "program", lambda: "another")
    run_verb(store, "drives", warned=True)
    assert worked == ["drives", "drives"]


def test_what_was_said_beside_a_warning_is_said_with_it_again(store: Path, made_season: MadeSeason) -> None:
    (store / made_season.ids[0] / "drive.json").write_bytes(b"{")
    for _ in range(2):
        assert made_season.ids[0] in run_verb(store, "drives", warned=True).err


def test_a_drive_that_is_not_closed_leaves_nothing_to_say_again(store: Path, made_season: MadeSeason) -> None:
    (store / made_season.ids[0] / "journal").mkdir()
    assert kept.key_of_store(store) == ""


def test_a_drive_called_by_its_path_is_looked_at(
    store: Path, made_season: MadeSeason, worked: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may lie outside the store; also where the path is short, and runs are named behind it."""
    monkeypatch.chdir(store)
    for name in (str(store / made_season.ids[0]), made_season.ids[0], f"./{made_season.ids[0]}"):
        assert run_verb(store, "runs", name, warned=True).out
    run_verb(store, "compare", f"{made_season.ids[0]}:1", "baseline", warned=True)
    assert worked == [] and not list(store.glob(f"{kept.FOLDER}/.said/*"))


def test_an_answer_that_is_no_is_no_again(store: Path, made_season: MadeSeason, worked: list[str]) -> None:
    """`compare` ends with 1 where there are too few runs."""
    words = ("compare", f"{made_season.ids[0]}:1", f"{made_season.ids[2]}:1")
    first = run_verb(store, *words, warned=True)
    assert first.code == 1 and run_verb(store, *words, warned=True) == first and len(worked) == 1


@pytest.mark.parametrize("text", ["\x1b]0;title\x07", "a\rb", "\x1b[2J", "\u202e", "x\x1b[31"])
def test_nothing_that_commands_a_terminal_is_said_again(store: Path, worked: list[str], text: str) -> None:
    first = run_verb(store, "drives", warned=True)
    (file,) = store.glob(f"{kept.FOLDER}/.said/drives-*.json")
    key = json.loads(file.read_bytes())["key"]
    kept.write_values(store, ".said", file.stem, key, {"text": text, "code": 0})
    assert run_verb(store, "drives", warned=True) == first and len(worked) == 2


@pytest.mark.parametrize("spoilt", [b"", b"{}", b'{"key": 1, "values": 2}', b"\xff"])
def test_a_torn_one_counts_as_nothing(store: Path, worked: list[str], spoilt: bytes) -> None:
    first = run_verb(store, "drives", warned=True)
    (file,) = store.glob(f"{kept.FOLDER}/.said/drives-*.json")
    file.write_bytes(spoilt)
    assert run_verb(store, "drives", warned=True) == first and len(worked) == 2


def test_it_costs_no_heavy_module(store: Path, worked: list[str]) -> None:
    for _ in range(2):
        done = run_apart(["runs", "--store", str(store)], ("numpy", "pandas", "scipy", "pyarrow", "rich.table"), 120)
        assert done.returncode == 0
    assert done.stderr.splitlines()[-1] == "loaded []" and "counted" in done.stdout
