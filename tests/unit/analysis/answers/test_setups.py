"""`setup` and `setups` from files and drives to what they print and write."""

from __future__ import annotations

import json
import shutil
import tomllib
from datetime import date, timedelta
from pathlib import Path

import pytest
from made_drives import START, make_drive
from made_road import Terminal, one_line, tables
from simulate import Pull, Stand

from analysis.answers.setups import setup_in_force, setup_of_drive, setups_answer, setups_between
from analysis.store import DriveStore
from logger.config.setup import SetupConfig
from logger.store.drive import open_drive

SHORT = [Stand(4), Pull(6)]
FIRST = SetupConfig(
    name="first", date=date(2026, 4, 18), notes="As built.", cost=0, hours=0,
    parts={"main_jet_mm": 1.10, "snorkel": "short", "needle_clip": 3},
)  # fmt: skip
ALIKE = SetupConfig(name="first in inches", parts={"main_jet_in": 1.10 / 25.4, "snorkel": "Short", "needle_clip": 3})
SECOND = SetupConfig(
    name="second", date=date(2026, 5, 2), cost=14, hours=2.5,
    parts={"main_jet_mm": 1.21, "snorkel": "long", "needle_clip": 4, "shield": True},
)  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[str]]:
    """Drives with the first setup, the same in other units, the second, and none."""
    store = tmp_path_factory.mktemp("store")
    return store, [
        make_drive(store, SHORT, setup=setup, start=START + timedelta(hours=hour))[0].id
        for hour, setup in enumerate((FIRST, ALIKE, SECOND, None))
    ]


@pytest.fixture
def terminal(made: tuple[Path, list[str]], tmp_path: Path) -> Terminal:
    shutil.copytree(made[0], tmp_path / "store")
    return Terminal(tmp_path / "store")


@pytest.fixture
def drives(made: tuple[Path, list[str]]) -> list[str]:
    return made[1]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "third.toml"
    path.write_text(
        'name = "third"\ndate = 2026-06-01\nnotes = "Taller needle."\n[parts]\nmain_jet_mm = 1.15\nsnorkel = "long"\n',
        encoding="utf-8",
    )
    return path


# --- setups -------------------------------------------------------------------------------------------------------


def test_setups_driven_are_listed_once_for_each_set_of_parts(terminal: Terminal, drives: list[str]) -> None:
    found = terminal.json("setups")
    assert found == json.loads(json.dumps(setups_answer(DriveStore(terminal.store)).to_json()))
    first, second = found["setups"]
    assert first == {
        "name": "first", "date": "2026-04-18", "notes": "As built.", "cost": 0.0, "hours": 0.0,
        "parts": {"main_jet_mm": 1.10, "snorkel": "short", "needle_clip": 3}, "drives": drives[:2],
        "changed_from_the_one_before": {},
    }  # fmt: skip
    assert second["drives"] == [drives[2]]
    assert second["changed_from_the_one_before"] == {
        "main_jet_mm": {"a": 1.10, "b": 1.21}, "snorkel": {"a": "short", "b": "long"},
        "needle_clip": {"a": 3, "b": 4}, "shield": {"a": None, "b": True},
    }  # fmt: skip
    [[heading, *rows]] = tables(terminal.text("setups"))
    assert heading == ["setup", "since", "drives", "cost", "hours", "changed"]
    assert rows[0] == ["first", "2026-04-18", "2", "0", "0", "first"]
    assert rows[1][:5] == ["second", "2026-05-02", "1", "14", "2.5"]
    changed = " ".join(row[5] for row in rows[1:])
    for words in ("main_jet_mm 1.1 -> 1.21;", "snorkel short -> long;", "needle_clip 3 -> 4;", "shield (not said) ->"):
        assert words in one_line(changed)


def test_what_differs_is_told_in_the_order_asked(terminal: Terminal, drives: list[str]) -> None:
    """By hand: 1.21 over 1.10 is 10 % more; a needle's clip is a place and has no share."""
    found = terminal.json("setups", "first", "second")
    assert found == json.loads(json.dumps(setups_between(DriveStore(terminal.store), "first", "second").to_json()))
    assert (found["a"], found["b"]) == ("first", "second")
    assert found["parts_that_differ"] == ["main_jet_mm", "snorkel", "needle_clip", "shield"]
    assert found["parts"]["main_jet_mm"] == {"a": 1.10, "b": 1.21}
    assert found["change"] == {
        "main_jet_mm": pytest.approx(0.10), "snorkel": None, "needle_clip": None, "shield": None,
    }  # fmt: skip
    [[heading, *rows]] = tables(terminal.text("setups", "first", "second"))
    assert heading == ["part", "first", "second", "change"]
    assert rows == [
        ["main_jet_mm", "1.1", "1.21", "+10.0%"], ["snorkel", "short", "long", ""], ["needle_clip", "3", "4", ""],
        ["shield", "(not said)", "yes", ""],
    ]  # fmt: skip
    back = terminal.json("setups", drives[2], "first")
    assert (back["a"], back["b"]) == ("second", "first")
    assert back["parts"]["main_jet_mm"] == {"a": 1.21, "b": 1.10}
    assert back["change"]["main_jet_mm"] == pytest.approx(1.10 / 1.21 - 1)
    assert terminal.json("setups", drives[0], drives[1])["parts"] == {}
    assert "have the same parts" in terminal.text("setups", drives[0], drives[1])
    assert "name two setups" in terminal.refused(2, "setups", "first")
    assert "no setup, file or drive has this name" in terminal.refused(2, "setups", "first", "nowhere")


# --- setup --------------------------------------------------------------------------------------------------------


def test_a_setup_is_put_in_force_for_coming_drives(terminal: Terminal, drives: list[str], file: Path) -> None:
    empty = terminal.json("setup")
    assert empty == {"in_force": None, "newest_drive": {"drive": drives[3], "setup": None}}
    assert "No setup is in force" in terminal.text("setup")
    found = terminal.json("setup", str(file))
    assert found == json.loads(json.dumps(setup_in_force(DriveStore(terminal.store)).to_json()))
    assert found["in_force"] == {
        "name": "third", "date": "2026-06-01", "notes": "Taller needle.", "cost": None, "hours": None,
        "parts": {"main_jet_mm": 1.15, "snorkel": "long"},
    }  # fmt: skip
    written = tomllib.loads((terminal.store / "setup.toml").read_text(encoding="utf-8"))
    assert written["parts"] == {"main_jet_mm": 1.15, "snorkel": "long"}
    text = terminal.text("setup")
    assert "Drives from now on have 'third', of 2026-06-01:" in text and "main_jet_mm              1.15" in text
    assert f"The newest drive, {drives[3]}, has no setup." in text
    assert open_drive(terminal.store, drives[3]).setup is None, "a past drive is left as it was"


def test_a_past_drives_setup_is_put_right_with_its_reason(terminal: Terminal, drives: list[str], file: Path) -> None:
    found = terminal.json("setup", str(file), "--drive", drives[2], "--because", "forgot to change it")
    drive = DriveStore(terminal.store).drive(drives[2])
    assert found == json.loads(json.dumps(setup_of_drive(drive).to_json()))
    assert drive.drive.setup is not None and drive.drive.setup.name == "third"
    assert found["setup"]["parts"] == {"main_jet_mm": 1.15, "snorkel": "long"}
    what = drive.drive.manifest.trace[-1].what
    assert what.startswith("setup 'second' corrected to 'third': main_jet_mm 1.21 -> 1.15;")
    assert what.endswith("; because: forgot to change it")
    assert found["trace"][-1].endswith(what)
    assert not (terminal.store / "setup.toml").exists(), "coming drives are left alone"
    text = terminal.text("setup", "--drive", drives[2])
    assert text.startswith(f"{drives[2]} was driven with 'third', of 2026-06-01:")
    assert "because: forgot to change it" in one_line(text)
    given = terminal.json("setup", str(file), "--drive", drives[3])
    assert given["trace"][-1].endswith("setup 'third' given: main_jet_mm 1.15, snorkel long")
    assert "already has this setup" in terminal.refused(2, "setup", str(file), "--drive", drives[3])
