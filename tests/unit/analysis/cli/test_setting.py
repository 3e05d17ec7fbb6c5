"""`pullbook set`: what it writes, what it asks back on a terminal, and what it refuses without one."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import time
from pathlib import Path

import pytest
import simulate
from made_drives import BASELINE, make_drive
from rig import PULLBOOK
from run_verb import run_verb

from logger.config.reading import load
from logger.config.setup import SetupConfig

FILE = """\
name = "baseline"           # how reports call it
notes = "As built."
cost = 3
[parts]
# measured with a pin
main_jet_mm = 1.09          # the bore
snorkel = "short"
needle_clip = 3
"""


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = tmp_path_factory.mktemp("set")
    make_drive(store, [simulate.Stand(3), simulate.Pull(4.0), simulate.Brake(0)], setup=BASELINE)
    return store


@pytest.fixture
def store(driven: Path, tmp_path: Path) -> Path:
    here = Path(shutil.copytree(driven, tmp_path / "store"))
    (here / "setup.toml").write_text(FILE)
    return here


def in_force(store: Path) -> SetupConfig:
    return load(store / "setup.toml", SetupConfig)


def test_parts_are_changed_and_all_else_stays(store: Path) -> None:
    said = run_verb(store, "set", "main_jet_mm=1.06", "snorkel=long", "--cost", "12", "--json").json
    assert said["changed"] == {"main_jet_mm": {"a": 1.09, "b": 1.06}, "snorkel": {"a": "short", "b": "long"}}
    now = in_force(store)
    assert now.parts == {"main_jet_mm": 1.06, "snorkel": "long", "needle_clip": 3}
    assert (now.cost, now.hours, now.notes) == (12, None, "")  # those of the change before are not this one's
    text = (store / "setup.toml").read_text()
    assert "# measured with a pin" in text and "# the bore" in text and "# how reports call it" in text
    assert now.name != "baseline" and "1.06" in now.name and "long" in now.name
    assert (store / "setup.toml").stat().st_mode & 0o077 == 0
    assert [path.read_text() for path in (store / "setups-before").iterdir()] == [FILE]


def test_a_setup_driven_before_keeps_its_name(store: Path) -> None:
    (store / "setup.toml").unlink()  # then the newest drive's is what is changed
    (part, value), *_ = [(k, v) for k, v in BASELINE.parts.items() if isinstance(v, float)]
    run_verb(store, "set", f"{part}={value * 0.9:.4g}")
    assert in_force(store).name != BASELINE.name
    assert in_force(store).parts.keys() == BASELINE.parts.keys()
    run_verb(store, "set", f"{part}={value}")
    assert (in_force(store).name, in_force(store).parts) == (BASELINE.name, BASELINE.parts)


def test_with_nothing_in_force_it_says_what_it_is_made_from(store: Path) -> None:
    (store / "setup.toml").unlink()
    drive = max(path.parent.name for path in store.glob("*/drive.json"))
    refused = run_verb(store, "set", "snorkel=short")
    assert f"nothing differs from the setup 'baseline' of drive {drive} (none is in force)" in refused.err
    said, _ = at_a_terminal(["set", "main_jet_mm=1.06", "--store", str(store)], [""])
    assert f"everything else as in the setup 'baseline' of drive {drive} (none is in force)." in " ".join(said.split())
    for path in store.glob("*/drive.json"):
        shutil.rmtree(path.parent)
    (store / "setup.toml").unlink(missing_ok=True)
    refused = run_verb(store, "set", "snorkel=long", "--forget", "jet")
    assert (
        "jet: an empty setup (none is in force, no drive has one) does not have this part. It has none" in refused.err
    )


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (["main_jt_mm=1.06"], "main_jt_mm is a new part. Did you mean main_jet_mm?"),
        (["main_jet=1.06"], "main_jet is a new part. Did you mean main_jet_mm?"),
        (["snorkel=lnog", "--forget", "snorkle"], "does not have this part"),
        (["main_jet_mm=1,06"], "write the decimal with a point: 1.06"),
        (["main_jet_mm"], "not a part and its value"),
        (["snorkel=short"], "nothing differs from"),
        (["main_jet_mm=1.06", "main_jet_mm=1.05"], "given twice"),
        (["main_jet_mm=1.06", "--name", "baseline"], "was driven with other parts"),
        (["Big-End=1.06"], "Big-End"),
    ],
)
def test_without_a_terminal_what_is_doubtful_is_refused(store: Path, change: list[str], said: str) -> None:
    refused = run_verb(store, "set", *change)
    assert refused.code == 2 and said in refused.err, refused
    assert (store / "setup.toml").read_text() == FILE


@pytest.mark.parametrize(("value", "read"), [("1.06mm", 1.06), ("1.06 mm", 1.06), ("0.04173in", 1.059942)])
def test_a_unit_of_the_names_kind_is_understood(store: Path, value: str, read: float) -> None:
    run_verb(store, "set", f"main_jet_mm={value}")
    assert in_force(store).parts["main_jet_mm"] == pytest.approx(read, abs=1e-6)  # 1 in = 25.4 mm


def test_bytes_that_are_no_text_are_no_traceback(store: Path) -> None:
    """What another encoding left in a word (PEP 383) goes into the file as UTF-8 can hold it."""
    assert run_verb(store, "set", "snorkel=sj\udcf6", "--notes", "\udc99", "--anyway").code == 0
    assert in_force(store).parts["snorkel"] == "sj?" and in_force(store).notes == "?"


@pytest.mark.parametrize("word", ["9" * 400, "[" * 2000])
def test_what_is_no_value_is_a_word(store: Path, word: str) -> None:
    assert run_verb(store, "set", f"snorkel={word}", "--anyway").code == 0
    assert in_force(store).parts["snorkel"] == word


def test_a_near_name_is_taken_where_its_owner_insists(store: Path) -> None:
    assert run_verb(store, "set", "main_jt_mm=1.06", "--anyway").code == 0
    assert in_force(store).parts["main_jt_mm"] == 1.06


@pytest.mark.parametrize(("answers", "jet", "written"), [(["", ""], 1.06, True), (["", "n"], 1.09, False)])
def test_on_a_terminal_it_asks_back_in_a_sentence(store: Path, answers: list[str], jet: float, written: bool) -> None:
    said, code = at_a_terminal(["set", "main_jt_mm=1.06", "--store", str(store)], answers)
    assert "main_jt_mm is a new part. Did you mean main_jet_mm [yes]:" in said
    assert "main_jet_mm 1.09 -> 1.06; everything else as in 'baseline'." in " ".join(said.split())
    assert (code == 0) is written
    assert in_force(store).parts["main_jet_mm"] == jet


def at_a_terminal(arguments: list[str], answers: list[str]) -> tuple[str, int]:
    """The verb with a pseudo-terminal for keyboard and screen: what was on the screen, and its exit code."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen([*PULLBOOK, *arguments], stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    seen, left, ends = b"", list(answers), time.monotonic() + 30
    while time.monotonic() < ends:
        if select.select([ours], [], [], 0.1)[0]:
            try:
                more = os.read(ours, 4096)
            except OSError:  # the other end is closed
                break
            if not more:
                break
            seen += more
            if seen.endswith(b"]: ") and left:
                os.write(ours, left.pop(0).encode() + b"\n")
        elif process.poll() is not None:
            break
    os.close(ours)
    return seen.decode(), process.wait(10)
