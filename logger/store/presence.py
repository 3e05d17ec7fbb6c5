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
import stat
import sys
import time
import uuid
from collections.abc import Collection, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

from logger.errors import AlreadyRecording
from logger.store.disk import Disk, start_of, write_in_place
from logger.store.locks import FileLock, try_lock, unlock
from logger.text import storable

FOLDER = ".recorder"
STATE = "state.json"


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

    def renew(self) -> None:
        """Take the lock again after its file was deleted; AlreadyRecording where another has it now. OSError if not."""
        self._lock.release()
        self._lock.path.parent.mkdir(mode=0o700, exist_ok=True)
        self.acquire()

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
            return time.time() - (store / FOLDER / STATE).stat().st_mtime < 10
        return False


# --- the state file -----------------------------------------------------------------------------------------------


_LARGEST_STATE_BYTES = 1 << 20


def write_state(store: Path, state: dict[str, Any]) -> None:
    """Put `state` in the state file, whole or not at all where the disk has room; on a full disk over the old one.

    A disk that takes nothing is no reason to fail: the file is only for looking.
    """
    path = store / FOLDER / STATE
    fresh = path.with_suffix(".new")
    data = json.dumps(state).encode()
    try:
        fresh.unlink(missing_ok=True)
        with Disk().create(fresh) as new:
            Disk().write(new, data)
        fresh.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            fresh.unlink()
        with contextlib.suppress(OSError):  # its place on the disk is there
            write_in_place(path, data.ljust(min(path.stat().st_size, _LARGEST_STATE_BYTES)))


def read_state(store: Path) -> dict[str, Any] | None:
    """The last state written, or None where there is none to be read."""
    try:
        state = json.loads(start_of(store / FOLDER / STATE, _LARGEST_STATE_BYTES))
    except (OSError, ValueError, RecursionError):
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
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = folder / f"{mono_ns:020d}-{uuid.uuid4().hex[:8]}.json"
    note = {"text": storable(text)[:_LONGEST_NOTE], "mono_ns": mono_ns, "utc": utc}
    Disk().put_file(path, json.dumps(note).encode())
    return path


def notes_left(store: Path, taken: Collection[Path] = ()) -> Iterator[tuple[Path, dict[str, Any]]]:
    """The notes not yet taken up, oldest first, each with the file to delete once the note is safe in the journal.

    Those in `taken` are passed over. What is no note (another user's file, a pipe, no text, no JSON) is put aside
    under the name `.unreadable` and read no more.
    """
    folder = os.path.join(store, FOLDER, "notes")  # noqa: PTH118 - twice a second; a Path costs ten times as much
    try:
        names = sorted(name for name in os.listdir(folder) if name.endswith(".json"))  # noqa: PTH208
    except OSError:
        return
    for name in names[:_NOTES_AT_ONCE]:
        path = Path(folder, name)
        if path in taken:
            continue
        try:
            note = json.loads(_read_note(path))
            text, mono_ns, utc = note["text"], note["mono_ns"], datetime.fromisoformat(note["utc"])
            if not isinstance(text, str) or type(mono_ns) is not int or utc.tzinfo is None:
                raise ValueError(name)
        except FileNotFoundError:
            continue
        except (OSError, ValueError, TypeError, KeyError, OverflowError, RecursionError):
            with contextlib.suppress(OSError):
                path.replace(path.with_suffix(".unreadable"))
            continue
        yield path, {"text": storable(text)[:_LONGEST_NOTE], "mono_ns": mono_ns, "utc": utc.isoformat()}


_NOTES_AT_ONCE = 200
_LONGEST_NOTE = 10_000
_LARGEST_NOTE_BYTES = 100_000


def _read_note(path: Path) -> bytes:
    """The bytes of a plain small file of the owner's own; a pipe is not waited for. OSError or ValueError if not."""
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    with open(path, "rb", opener=lambda name, _: os.open(name, flags)) as file:
        about = os.fstat(file.fileno())
        if not stat.S_ISREG(about.st_mode) or about.st_size > _LARGEST_NOTE_BYTES:
            raise ValueError("no note")
        if sys.platform != "win32" and about.st_uid != os.getuid():
            raise ValueError("another user's")
        return file.read()
