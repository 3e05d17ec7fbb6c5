"""Locks of the operating system on a file: they go with the process that holds them, however that one ends."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from pathlib import Path
from typing import BinaryIO


class FileLock:
    """A lock on the file `path`, which is made where it is missing; patient for `patience_s`.

    A lock that somebody else deletes holds nothing any more: whoever comes next makes the file anew. `acquire` never
    ends with such a one, and `intact` tells a holder that it has become one.
    """

    def __init__(self, path: Path, patience_s: float) -> None:
        self.path, self._patience_s = path, patience_s
        self._file: BinaryIO | None = None

    def acquire(self) -> bool:
        """Take the lock; False where another holds it all the time. OSError where the file cannot be made."""
        ends = time.monotonic() + self._patience_s
        while True:
            file = _opened(self.path)
            if try_lock(file):
                if _is_at(file, self.path):
                    break
                unlock(file)
            file.close()
            if time.monotonic() > ends:
                return False
            time.sleep(0.02)
        self._file = file
        with contextlib.suppress(OSError):  # for whoever asks; the lock holds on a full disk as well
            file.truncate(0)
            os.write(file.fileno(), f"{os.getpid()}\n".encode("ascii"))
        return True

    def holder(self) -> str:
        """The number of the process that has the lock, "" where that is not told."""
        try:
            with self.path.open("rb") as file:
                return file.read(20).decode("ascii", "replace").strip()
        except OSError:
            return ""

    @property
    def intact(self) -> bool:
        """Whether the lock that is held is still the one that others see."""
        return self._file is not None and _is_at(self._file, self.path)

    def release(self, remove: bool = False) -> None:
        """Give the lock back, if it is held; with `remove` its file goes too, which nobody who waits minds."""
        if self._file is not None:
            if remove and self.intact:
                with contextlib.suppress(OSError):  # Windows removes no file that is open
                    self.path.unlink()
            with contextlib.suppress(OSError):
                unlock(self._file)
            self._file.close()
            self._file = None


_MODE = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)


def _opened(path: Path) -> BinaryIO:
    """The lock's file, for its owner alone."""
    return os.fdopen(os.open(path, _MODE, 0o600), "a+b")


def _is_at(file: BinaryIO, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(file.fileno()), path.stat())
    except OSError:
        return False


if sys.platform == "win32":
    import msvcrt

    _BYTE = 1 << 30  # far behind the file's end, so that the process number stays readable for others

    def try_lock(file: BinaryIO) -> bool:
        """Lock the open file at once or not at all: whether it is locked."""
        file.seek(_BYTE)
        try:
            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def unlock(file: BinaryIO) -> None:
        """Give the lock on the open file back."""
        file.seek(_BYTE)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def try_lock(file: BinaryIO) -> bool:
        """Lock the open file at once or not at all: whether it is locked."""
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def unlock(file: BinaryIO) -> None:
        """Give the lock on the open file back."""
        fcntl.flock(file, fcntl.LOCK_UN)
