"""`pullbook record --setup` with a mistyped part: a question at a real terminal, a warning without one."""

from __future__ import annotations

import os
import pty
import select
import shutil
import signal
import time
from pathlib import Path

import pytest
from made_drives import make_drive
from rig import BOARD, PULLBOOK, Cable, Recording
from simulate import Brake, Pull, Stand

from logger.store import drive

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="pseudo-terminals are needed")


def test_record_asks_at_a_terminal_and_warns_without_one(tmp_path: Path) -> None:
    store, setup = tmp_path / "store", tmp_path / "setup.toml"
    make_drive(store, [Stand(6), Pull(12.0), Brake(0), Stand(6)])
    setup.write_text('name = "rich"\n[parts]\nmain_jet = 1.12\n', encoding="utf-8")
    with Cable(tmp_path / "board") as board:
        config = BOARD.format(port=board.path)
        with Recording(store, config, "--setup", str(setup), "--once") as recording:
            recording.wait_open()
            assert "Did you mean main_jet_mm?" in recording.said() and "recorded as written" in recording.said()
            assert recording.stop()[0] == 1  # not a byte came, so there is no drive

        pid, terminal = pty.fork()
        if pid == 0:
            os.environ.update(TERM="xterm", COLUMNS="80", LINES="24")
            os.execv(PULLBOOK[0], [*PULLBOOK, "record", "--store", str(store), "--setup", str(setup)])
        said, ends = b"", time.monotonic() + 30
        while b"y or n" not in said and time.monotonic() < ends:
            if select.select([terminal], [], [], 0.1)[0]:
                said += os.read(terminal, 65536)
        assert b"Did you mean main_jet_mm?" in said and b"y or n" in said
        os.write(terminal, b"n")
        while time.monotonic() < ends:
            try:
                said += os.read(terminal, 65536)
            except OSError:  # the process has let go of it
                break
        assert os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 2
        os.close(terminal)
    assert b"nothing is recorded" in said and b"--anyway" in said
    assert len(drive.list_drives(store)) == 1
    shutil.rmtree(store)
