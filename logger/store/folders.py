"""The folders of a store: which are drives, which are being recorded, and how a new one gets its name.

A drive's folder is named after the drive's start in UTC, `2026-05-02_091430Z`, with `-2` and so on behind it where that
is taken; the owner may give it any other name that does not begin with a dot. Folders under way begin with one.
"""

from __future__ import annotations

import contextlib
import errno
import itertools
import shutil
import time
import uuid
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from logger.decode.clock import instant
from logger.errors import DriveError
from logger.store.disk import Disk, said
from logger.store.names import JOURNAL
from logger.units import S_PER_DAY

_NEW = ".new-"


def make_store(store: Path) -> None:
    """Make the store's folder where it is missing, for its owner alone: it tells where they drove. OSError if not."""
    try:
        store.mkdir(mode=0o700, parents=True, exist_ok=True)
    except FileExistsError as error:
        raise NotADirectoryError(errno.ENOTDIR, "this is a file, not a folder", str(store)) from error


def drive_folders(store: Path) -> list[Path]:
    """All folders of the store that may be drives, by name; [] without a store, DriveError where it is unreadable."""
    try:
        return sorted(path for path in store.iterdir() if path.is_dir() and not path.name.startswith("."))
    except FileNotFoundError:
        return []
    except OSError as error:
        raise DriveError(f"{store}: the store cannot be read: {said(error)}") from error


def unfinished(store: Path) -> list[Path]:
    """The folders of drives that have a journal: being recorded, or cut off."""
    return [path for path in drive_folders(store) if (path / JOURNAL).is_dir()]


def sweep(store: Path) -> None:
    """Remove what an import, a rename or a change that was killed left behind, once nobody can be at it any more."""
    yesterday = time.time() - S_PER_DAY
    for path in (*store.glob(f"{_NEW}*"), *store.glob(".*.new"), *store.glob(".recorder/**/.*.new")):
        with contextlib.suppress(OSError):
            if path.stat().st_mtime < yesterday:
                shutil.rmtree(path) if path.is_dir() else path.unlink()


def id_of(utc_ns: int) -> str:
    """The name of a drive that began at `utc_ns` [ns since 1970]."""
    return f"{instant(utc_ns):%Y-%m-%d_%H%M%SZ}"


def utc_of(name: str) -> float:
    """The time in a drive's id [s since 1970]; NaN where the owner gave it another name."""
    try:
        return datetime.strptime(name[:18], "%Y-%m-%d_%H%M%SZ").replace(tzinfo=UTC).timestamp()
    except ValueError:
        return float("nan")


def _names(store: Path, wanted: str) -> Iterable[Path]:
    yield store / wanted
    yield from (store / f"{wanted}-{number}" for number in range(2, 1000))


def free_name(path: Path) -> Path:
    """`path`, or the first of the same name with -2, -3, ... that nothing has yet."""
    later = (path.with_name(f"{path.stem}-{number}{path.suffix}") for number in itertools.count(2))
    return path if not path.exists() else next(each for each in later if not each.exists())


def take_name(folder: Path, wanted: str, disk: Disk) -> Path:
    """Rename a drive folder to `wanted`, or to the first name after it that is free.

    The folder of another drive is never empty, and no system renames over a folder that is not.
    """
    for path in _names(folder.parent, wanted):
        try:
            disk.replace(folder, path)
        except OSError:
            if not path.exists():
                raise
            continue
        disk.sync_folder(path.parent)
        return path
    raise OSError(f"there are already a thousand drives called {wanted}")


@contextlib.contextmanager
def new_folder(store: Path, disk: Disk) -> Iterator[Path]:
    """A folder in the store that nobody sees, to be renamed when it is complete; what fails is taken away."""
    fresh = store / f"{_NEW}{uuid.uuid4().hex}"
    disk.make_folder(fresh)
    try:
        yield fresh
    except (Exception, KeyboardInterrupt):
        shutil.rmtree(fresh, ignore_errors=True)
        raise
