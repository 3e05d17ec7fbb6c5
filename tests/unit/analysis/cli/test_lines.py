"""What cannot be done gets one line that says what is in the way."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from rig import rmc
from run_verb import run_verb

VERBS = [
    ["drives"], ["season"], ["runs", "last"], ["recover"], ["setup", "SETUP"], ["report", "--season"],
    ["import", "LOG"],
]  # fmt: skip


@pytest.mark.parametrize("arguments", VERBS, ids=lambda each: each[0])
def test_a_store_that_is_a_file_is_named_as_one(tmp_path: Path, arguments: list[str]) -> None:
    (tmp_path / "SETUP").write_text('name = "new"\n[parts]\nsnorkel = "long"\n')
    (tmp_path / "LOG").write_bytes(rmc(0) + rmc(1) + rmc(2))
    store = tmp_path / "store"
    store.write_text("no folder")
    said = run_verb(store, *(str(tmp_path / each) if each.isupper() else each for each in arguments))
    assert said.code == 2 and str(store) in said.err
    assert "Not a directory" in said.err or "not a folder" in said.err


def test_a_clock_that_python_cannot_tell_is_said() -> None:
    """After 2262 the standard library's logging cannot even be imported."""
    code = (
        "import time\n"
        "def far(): raise OverflowError('timestamp too large to convert to C _PyTime_t')\n"
        "time.time = far\n"
        "import analysis.cli.main\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "pullbook: this computer's clock shows a year after 2262. Set it.\n"


@pytest.mark.parametrize("option", ["--[\udc84", "--x\x1b[31m", "--\u202eno=1", "-\udcb5\udcf5["])
def test_an_option_that_is_none_reaches_no_terminal_as_it_is(tmp_path: Path, option: str) -> None:
    said = run_verb(tmp_path, "strike", "last", option)
    assert said.code == 2 and "this option does not exist" in said.err and said.err.strip().isprintable()
