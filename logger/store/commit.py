"""Several files of a drive's folder changed as one: all of them or none, whenever the power goes."""

from __future__ import annotations

import contextlib
import json
import shutil
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path

from logger.errors import DriveError
from logger.store.disk import Disk, said
from logger.store.locks import FileLock
from logger.store.manifest import MANIFEST
from logger.store.names import COMMIT

RAW = "raw.parquet"
CONFIG = "recorder.toml"
_DRAFT = ".draft-"
_ASIDE = ".aside-"
_LOCK = ".changing"
_PATIENCE_S = 120.0
"""How long a change waits for another one; a rebuild of a day takes a minute."""


@contextlib.contextmanager
def changing(folder: Path) -> Iterator[None]:
    """Be the only one who changes the drive in `folder`: what is read within still holds when it is written.

    DriveError where another change takes too long, or the folder may not be written.
    """
    lock = FileLock(folder / _LOCK, _PATIENCE_S)
    try:
        taken = lock.acquire()
    except OSError as error:
        raise DriveError(f"{folder}: cannot be changed: {said(error)}") from error
    if not taken:
        raise DriveError(f"{folder}: this drive is being changed by process {lock.holder()}. Try again")
    try:
        yield
    finally:
        lock.release(remove=True)


def commit_files(folder: Path, files: Mapping[str, bytes], disk: Disk) -> None:
    """Give the drive folder these files in one step; the step is renaming the draft to `.commit`."""
    draft = folder / f"{_DRAFT}{uuid.uuid4().hex}"
    disk.make_folder(draft)
    try:
        for name, data in files.items():
            disk.write_file(draft / name, data)
        disk.sync_folder(draft)
        disk.replace(draft, folder / COMMIT)
    except (Exception, KeyboardInterrupt):
        shutil.rmtree(draft, ignore_errors=True)
        raise
    disk.sync_folder(folder)
    finish_commit(folder, disk)


def finish_commit(folder: Path, disk: Disk) -> bool:
    """Move what was committed into place, if anything was; again and again gives the same."""
    commit = folder / COMMIT
    if not commit.is_dir():
        return False
    # In place the manifest says that all the rest is.
    for path in sorted(commit.iterdir(), key=lambda path: (path.name == MANIFEST, path.name)):
        target = folder / path.name
        with contextlib.suppress(FileNotFoundError):  # another process may be at it too
            if target.is_dir():  # nothing of ours: no file replaces a folder
                disk.replace(target, folder / f"{_ASIDE}{path.name}-{uuid.uuid4().hex[:6]}")
            disk.replace(path, target)
    disk.sync_folder(folder)
    drop_strays(folder, disk)
    with contextlib.suppress(FileNotFoundError):
        disk.remove(commit)
    return True


def drop_strays(folder: Path, disk: Disk) -> None:
    """Remove tables that the manifest does not know, of a source that a changed configuration lacks, and old drafts."""
    try:
        known = json.loads((folder / MANIFEST).read_bytes())["rows"]
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return  # a manifest that somebody else wrote says nothing of what is a stray
    for path in folder.glob("*.parquet"):
        if path.name != RAW and path.stem not in known:
            with contextlib.suppress(FileNotFoundError):
                disk.remove(path)
    for path in folder.glob(f"{_DRAFT}*"):
        shutil.rmtree(path, ignore_errors=True)
