"""File operations for everything that must survive a power cut, in one small place.

The journal and the drive folder touch the disk through a `Disk` only. Tests hand them one that fails: a full disk, an
I/O error or a short write, at every operation in turn.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import sys
import uuid
from pathlib import Path
from typing import BinaryIO

from logger.errors import InputError

if sys.platform == "darwin":
    import fcntl


class Disk:
    """The real disk. Every method raises OSError where the operating system does."""

    def create(self, path: Path) -> BinaryIO:
        """Open a new file for unbuffered writing, for its owner alone; it must not exist yet."""
        return open(path, "xb", buffering=0, opener=_for_its_owner)

    def write(self, file: BinaryIO, data: bytes | memoryview) -> None:
        """Write all of `data`, in as many goes as the operating system needs."""
        rest = memoryview(data)
        while rest:
            rest = rest[self._write_some(file, rest) :]

    def _write_some(self, file: BinaryIO, data: memoryview) -> int:
        return file.write(data)

    def sync(self, file: BinaryIO) -> None:
        """Return once the file's bytes are on the medium, as far as the operating system can say."""
        if sys.platform == "darwin":  # fsync alone leaves the data in the drive's cache
            with contextlib.suppress(OSError):  # not every file system has it; then fsync is the best there is
                fcntl.fcntl(file.fileno(), fcntl.F_FULLFSYNC)
                return
        os.fsync(file.fileno())

    def sync_folder(self, path: Path) -> None:
        """Make new, renamed and removed names in the folder last; Windows has no such call and needs none on NTFS."""
        if os.name == "nt":
            return
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def make_folder(self, path: Path) -> None:
        """Make the folder, for its owner alone; its parents must be there, itself not."""
        path.mkdir(mode=0o700)

    def replace(self, source: Path, target: Path) -> None:
        """Rename `source` to `target` in one step, over what is there."""
        source.replace(target)

    def remove(self, path: Path) -> None:
        """Remove a file, or an empty folder."""
        if path.is_dir():
            path.rmdir()
        else:
            path.unlink()

    def write_file(self, path: Path, data: bytes | memoryview) -> None:
        """Write a whole new file and sync it; where that fails, what there is of it is taken away again.

        OSError names the file.
        """
        file = self.create(path)
        try:
            with file:
                self.write(file, data)
                self.sync(file)
        except (Exception, KeyboardInterrupt) as error:
            with contextlib.suppress(OSError):
                path.unlink()
            if isinstance(error, OSError) and error.filename is None:
                error.filename = str(path)
            raise

    def put_file(self, path: Path, data: bytes | memoryview) -> None:
        """Give the file `path` this content in one step: whenever the power goes it is the old one or the new one.

        OSError names the file where the disk does not take it; the old one is then as it was.
        """
        draft = path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}.new")
        try:
            self.write_file(draft, data)
            self.replace(draft, path)
        except OSError as error:
            with contextlib.suppress(OSError):
                draft.unlink()
            error.filename, error.filename2 = str(path), None
            raise
        self.sync_folder(path.parent)


def _for_its_owner(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_BINARY", 0), 0o600)


def no_pipe(path: Path) -> Path:
    """`path` itself; OSError where it is a pipe, a socket or a device, which a reader would wait for."""
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise OSError(errno.EINVAL, "this is a pipe or a device, not a file", str(path))
    return path


def start_of(path: Path | str, most_bytes: int) -> bytes:
    """The first bytes of a plain file that others write, however large it is; OSError for what else lies there.

    It never waits: whatever is done to the file meanwhile, a pipe put in its place is opened and refused.
    """
    with _plain(path, os.O_RDONLY) as file:
        return file.read(most_bytes)


def end_of(path: Path, most_bytes: int) -> bytes:
    """The last bytes of a plain file, as `start_of` gives the first."""
    with _plain(path, os.O_RDONLY) as file:
        file.seek(max(0, os.fstat(file.fileno()).st_size - most_bytes))
        return file.read(most_bytes)


def write_in_place(path: Path, data: bytes) -> None:
    """Write over the start of a plain file that is there; OSError, without waiting, for what is none."""
    with _plain(path, os.O_RDWR) as file:
        file.write(data)


def _plain(path: Path | str, how: int) -> BinaryIO:
    descriptor = os.open(path, how | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "this is a pipe or a device, and no file", str(path))
    return os.fdopen(descriptor, "rb" if how == os.O_RDONLY else "r+b", buffering=0)


def said(error: Exception) -> str:
    """What an error says, without the number and the path that the operating system puts about it."""
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def put_text(path: Path, text: str) -> None:
    """Write a file of the owner's in one step, its folder where that is missing; InputError where that fails."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        Disk().put_file(path, text.encode())
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {said(error)}") from error
