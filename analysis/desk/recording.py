"""The recorder's own front: started as a process of its own, asked to stop by a file, watched by what it shows.

Nothing here holds on to it: a desk that ends, or is killed, leaves the recording as it is.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from logger.errors import InputError, NoAnswer
from logger.store import front, presence
from logger.store.disk import Disk, end_of, said

_SAID = "desk-record.txt"
_MOST_SAID = 20_000


def start(store: Path, command: Sequence[str]) -> None:
    """Start `command record` on the store, free of this process and its terminal. NoAnswer where one is at work."""
    if presence.is_recording(store):
        raise NoAnswer("a recorder is already running")
    folder = store / presence.FOLDER
    how: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        how = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.DETACHED_PROCESS}
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        (folder / _SAID).unlink(missing_ok=True)
        with Disk().create(folder / _SAID) as out:
            process = subprocess.Popen(
                [*command, "record", "--store", str(store), "--plain"], stdin=subprocess.DEVNULL, stdout=out,
                stderr=subprocess.STDOUT, close_fds=True, **how,
            )  # fmt: skip
    except OSError as error:
        raise InputError(f"the recorder could not be started: {said(error)}") from error
    # Waited for, so that one that ended is no zombie, and one that goes on when this process ends is no warning.
    threading.Thread(target=process.wait, name="recorder", daemon=True).start()


def ended_with(store: Path) -> str:
    """What the recorder that the desk started last said before it ended; "" where it said nothing, or is at work."""
    if presence.is_recording(store):
        return ""
    try:
        data = end_of(store / presence.FOLDER / _SAID, _MOST_SAID)
    except OSError:
        return ""
    return data.decode("utf-8", "replace").strip()


def stop(store: Path) -> None:
    """Ask the recorder to close its drive and stop, as Ctrl-C does. NoAnswer where none is at work."""
    state = presence.read_state(store) if presence.is_recording(store) else None
    if state is None:
        raise NoAnswer("no recorder is running")
    try:
        front.ask_stop(store, state)
    except OSError as error:
        raise InputError(f"the recorder could not be asked to stop: {said(error)}") from error
