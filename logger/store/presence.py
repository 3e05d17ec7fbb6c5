"""What a running recorder shows of itself in its store: the lock, the state file, and the box for notes.

    STORE/.recorder/lock         held by the operating system for as long as the recorder lives, and no longer
    STORE/.recorder/state.json   what it is doing, renewed every second or two, for `pullbook status`
    STORE/.recorder/notes/       notes from another shell, one small file each, taken up within a second

No network port is opened: whoever may write to the store may talk to its recorder.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
import uuid
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from logger.errors import AlreadyRecording
from logger.store.locks import FileLock, try_lock, unlock

FOLDER = ".recorder"


class Lock:
    """One recorder per store. The lock goes with the process that holds it, however that one ends.

    The lock `finishing` is another, for whoever makes a drive of a journal.
    """

    def __init__(self, store: Path, name: str = "lock", patience_s: float = 0.5) -> None:
        self._lock = FileLock(store / FOLDER / name, patience_s)
        self._lock.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)

    def acquire(self) -> None:
        """Take the lock or raise AlreadyRecording; patient, since `status` holds it for an instant when it looks."""
        if not self._lock.acquire():
            pid = self._lock.holder()
            who = f" (process {pid})" if pid else ""
            raise AlreadyRecording(
                f"another recorder{who} is already working on this store: {self._lock.path.parent.parent}"
            )

    def release(self) -> None:
        """Give the lock back, if it is held."""
        self._lock.release()

    @property
    def intact(self) -> bool:
        """Whether the lock that is held still keeps others out: nobody has deleted its file."""
        return self._lock.intact

    def __enter__(self) -> Lock:
        self.acquire()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def is_recording(store: Path) -> bool:
    """Whether a recorder is alive on `store`, by its lock: a state file may have outlived its writer, a lock cannot."""
    path = store / FOLDER / "lock"
    try:
        with path.open("r+b") as file:
            if try_lock(file):
                unlock(file)
                return False
            return True
    except FileNotFoundError:
        return False
    except OSError:  # a store that may only be read: the best guess is the age of the state file
        with contextlib.suppress(OSError):
            return time.time() - (store / FOLDER / "state.json").stat().st_mtime < 10
        return False


# --- the state file -----------------------------------------------------------------------------------------------


def write_state(store: Path, state: dict[str, Any]) -> None:
    """Put `state` in the state file, whole or not at all where the disk has room; on a full disk over the old one.

    A disk that takes nothing is no reason to fail: the file is only for looking.
    """
    path = store / FOLDER / "state.json"
    fresh = path.with_suffix(".new")
    data = json.dumps(state).encode()
    try:
        fresh.write_bytes(data)
        fresh.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            fresh.unlink()
        with contextlib.suppress(OSError), path.open("r+b", buffering=0) as file:  # its place on the disk is there
            file.write(data.ljust(path.stat().st_size))


def read_state(store: Path) -> dict[str, Any] | None:
    """The last state written, or None where there is none to be read."""
    try:
        state = json.loads((store / FOLDER / "state.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return state if isinstance(state, dict) else None


def age_s(state: dict[str, Any]) -> float:
    """How long ago `state` was written, by the wall clock [s]."""
    try:
        return max(0.0, time.time() - datetime.fromisoformat(state["updated_utc"]).timestamp())
    except (KeyError, ValueError, TypeError):
        return 0.0


# --- notes from another shell -------------------------------------------------------------------------------------


def leave_note(store: Path, text: str, mono_ns: int, utc: str) -> Path:
    """Leave a note for the recorder, stamped when it was written, not when it is taken up. OSError if it cannot be."""
    folder = store / FOLDER / "notes"
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{mono_ns:020d}-{uuid.uuid4().hex[:8]}.json"
    fresh = path.with_suffix(".new")
    fresh.write_text(json.dumps({"text": text, "mono_ns": mono_ns, "utc": utc}), encoding="utf-8")
    fresh.replace(path)
    return path


def notes_left(store: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    """The notes not yet taken up, oldest first, each with the file to delete once the note is safe in the journal."""
    folder = store / FOLDER / "notes"
    try:
        names = sorted(entry.name for entry in os.scandir(folder) if entry.name.endswith(".json"))
    except OSError:
        return
    for name in names:
        path = folder / name
        try:
            note = json.loads(path.read_text(encoding="utf-8"))
            yield path, {"text": str(note["text"]), "mono_ns": int(note["mono_ns"]), "utc": str(note["utc"])}
        except (OSError, ValueError, TypeError, KeyError):
            with contextlib.suppress(OSError):
                path.replace(path.with_suffix(".unreadable"))
