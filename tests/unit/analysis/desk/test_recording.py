"""The recorder that the desk starts: a process of its own, which goes on without the desk and leaves no zombie."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[4]
DESK = """
import sys
import time
from pathlib import Path
from analysis.desk import recording
recording.start(Path(sys.argv[1]), [sys.executable, "-c", sys.argv[2]])
"""
GOES_ON = "import time; print('started', flush=True); time.sleep(1.0); print('went on', flush=True)"
LOOK = """
import os, time
children = Path(f"/proc/self/task/{os.getpid()}/children")
until = time.monotonic() + 20
while children.read_text().strip() and time.monotonic() < until:
    time.sleep(0.01)
assert not children.read_text().strip(), "a zombie"
"""


def test_a_desk_that_ends_first_leaves_the_recorder_and_no_warning(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", DESK, tmp_path, GOES_ON],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    said = next((tmp_path / ".recorder").glob("*.txt"))
    until = time.monotonic() + 20
    while "went on" not in said.read_text() and time.monotonic() < until:
        time.sleep(0.01)
    assert said.read_text().split() == ["started", "went", "on"]


@pytest.mark.skipif(sys.platform != "linux", reason="/proc")
def test_one_that_ended_is_no_zombie(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", DESK + LOOK, tmp_path, "pass"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
