"""What was worked out of a drive, kept beside the store's drives so that it need not be worked out again.

    STORE/.analysis/DRIVE/runs.parquet, splits.parquet, drive.parquet, pulls.parquet ..., kept.json
    STORE/.analysis/DRIVE/cells.parquet, loops.parquet, coasts.parquet, motion.parquet, which no verb reads
    STORE/.analysis/DRIVE/lesson.json
    STORE/.analysis/.season/full_pulls.json, power.json, and all drives together (`changes.season_pack`, `season_kept`)
    STORE/.analysis/.said/runs-0a1b2c3d4e5f.json ..., what verbs said (`cli.said_before`)

Plain Parquet with units in the columns' metadata: any engine opens it. kept.json holds the key of all that the tables
depend on and a digest of each file: the digests of the drive's tables, its recorder's file, its car's file, its fuel
and weather, the targets in force, what the drives before it taught, and this program with its numeric libraries.
lesson.json holds what the drive teaches those after it (`runs.lessons`), with its own key. What is of another key, or
not as it was written, is worked out anew; the folder may be deleted at any time. full_pulls.json holds which pulls of
all drives were at full throttle, keyed by all of them.
"""

from __future__ import annotations

import contextlib
import contextvars
import functools
import hashlib
import json
import os
import sys
import uuid
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.errors import InputError, NoAnswer
from logger.store.disk import Disk, no_pipe
from logger.store.names import CARS, COMMIT, JOURNAL

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.arrays import Floats
    from analysis.drive import AnalysedDrive
    from logger.config.targets import TargetsConfig
    from logger.store.drive import Drive

FOLDER = ".analysis"
_INDEX = "kept.json"
_PACKAGES = ("analysis", "logger")
_LIBRARIES = ("numpy", "scipy", "pandas", "pyarrow")


def key_of(drive: Drive, targets: TargetsConfig, known: str = "") -> str:
    """What results of a drive depend on, in one word; `known` is the digest of the lessons it was read with."""
    manifest = drive.manifest
    return digest_of_values(
        manifest.digests, manifest.rows, drive.config_text, manifest.car, manifest.fuel, manifest.weather,
        targets.model_dump(), program(), known,
    )  # fmt: skip


def analysed_key(drive: AnalysedDrive) -> str:
    """What all numbers of an analysed drive depend on: `key_of`, and a throttle's travel by the car's other drives."""
    key = key_of(drive.drive, drive.targets, drive.taught.digest)
    with contextlib.suppress(NoAnswer, InputError):
        if (travel := drive.throttle_travel) is not None:
            key += f"-{travel[0]:g}-{travel[1]:g}"
    return key


def lesson_key(drive: Drive, known: str) -> str:
    """What a drive's lesson depends on: its tables, its recorder's file, the lessons it was read with, the program."""
    return digest_of_values(drive.manifest.digests, drive.manifest.rows, drive.config_text, program(), known)


def digest_of_values(*values: Any) -> str:
    """A digest of plain values."""
    return _sha256(json.dumps(values, sort_keys=True, default=str).encode())


@functools.cache
def program() -> str:
    """A digest of the whole installed program and of its numeric libraries' versions."""
    return digest_of(Path(__file__).parents[1], {library: _version(library) for library in _LIBRARIES})


def _version(library: str) -> str:
    """The installed version, by the name of the folder that says so: what reads that folder costs more to load."""
    for place in sys.path:
        for found in sorted(Path(place or ".").glob(f"{library}-*.dist-info")):
            return found.name.removesuffix(".dist-info").removeprefix(f"{library}-")
    from importlib.metadata import version

    return version(library)


def digest_of(root: Path, libraries: Mapping[str, str]) -> str:
    """A digest of every source file of the packages under `root`, and of libraries' versions."""
    digest = hashlib.sha256()
    for package in _PACKAGES:
        for file in sorted((root / package).rglob("*.py")):
            digest.update(file.relative_to(root).as_posix().encode() + b"\0" + _sha256(file.read_bytes()).encode())
    digest.update(json.dumps(libraries, sort_keys=True).encode())
    return digest.hexdigest()


def key_of_store(store: Path) -> str:
    """All that answers about a store depend on, in one word; "" where a drive is not closed, or that cannot be told.

    Of each drive its manifest and recorder's file, and of its other files when they were written; the files beside the
    drives; the same of other cars; this program.
    """
    try:
        return digest_of_values(_what_stands_in(store), program())
    except (OSError, _NotClosedError):
        return ""


_BEGUN: contextvars.ContextVar[tuple[Path, str] | None] = contextvars.ContextVar("begun", default=None)


@contextlib.contextmanager
def begun_with(store: Path, key: str) -> Iterator[None]:
    """Within it the store is taken to be as it was under this key, where `key_as_begun` is asked."""
    token = _BEGUN.set((store, key))
    try:
        yield
    finally:
        _BEGUN.reset(token)


def key_as_begun(store: Path) -> str:
    """`key_of_store`, as it was when the verb began: who reads a thousand drives' words need not read them twice."""
    begun = _BEGUN.get()
    return begun[1] if begun is not None and begun[0] == store else key_of_store(store)


class _NotClosedError(Exception):
    """A drive is being recorded, was cut off, or is being changed."""


def _what_stands_in(store: Path) -> list[Any]:
    told: list[Any] = []
    for entry in _by_name(store):
        if entry.name.startswith("."):
            continue
        if entry.name == CARS and entry.is_dir():
            told += [[f"{CARS}/{car.name}", _what_stands_in(Path(car))] for car in _by_name(entry) if car.is_dir()]
        elif entry.is_dir():
            told.append([entry.name, [_stamp(each) for each in _by_name(entry)]])
        else:
            told.append(_stamp(entry))
    return told


def _by_name(folder: os.PathLike[str] | Path) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as found:
        return sorted(found, key=lambda entry: entry.name)


def _stamp(entry: os.DirEntry[str]) -> list[Any]:
    """A file: what is in it where it is an owner's or a drive's words, else how long it is and when it was written."""
    if entry.name in (JOURNAL, COMMIT):
        raise _NotClosedError
    if entry.name.endswith((".json", ".toml")) and entry.is_file():
        return [entry.name, _sha256(_bytes_of(entry.path))]
    about = entry.stat()
    return [entry.name, about.st_size, about.st_mtime_ns]


def _bytes_of(path: str) -> bytes:
    """What is in a file; without a Path and Python's buffers, which cost more than to read it."""
    file = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    try:
        parts = []
        while part := os.read(file, 1 << 16):
            parts.append(part)
        return b"".join(parts)
    finally:
        os.close(file)


def can_keep(store: Path) -> bool:
    """Whether anything can be kept beside the drives: not on a disk that may only be read."""
    folder = store / FOLDER
    where = folder if os.path.lexists(folder) else store
    return where.is_dir() and os.access(where, os.W_OK)


def key_in(store: Path, drive: str) -> str:
    """The key that the tables of a drive were kept under; "" where none are, or that cannot be read."""
    try:
        return str(json.loads(no_pipe(_folder(store, drive) / _INDEX).read_bytes())["key"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return ""


def read(store: Path, drive: str, key: str, names: Iterable[str]) -> dict[str, pa.Table] | None:
    """The kept tables of a drive; None where one is missing, of another key, or not as it was written."""
    import pyarrow as pa

    from logger.store.parquet import table_of

    folder = _folder(store, drive)
    tables = {}
    try:
        index = json.loads(no_pipe(folder / _INDEX).read_bytes())
        if index["key"] != key:
            return None
        for name in names:
            data = no_pipe(folder / f"{name}.parquet").read_bytes()
            if index["files"][name] != _sha256(data):
                return None
            tables[name] = table_of(data)
    except (OSError, ValueError, KeyError, TypeError, RecursionError, pa.ArrowException):
        return None
    return tables


def write(store: Path, drive: str, key: str, tables: Mapping[str, pa.Table]) -> None:
    """Keep tables of a drive, each whole or not at all. A store that cannot be written to is left as it is.

    The index comes last: until then, and where another process writes at the same time, what is there does not fit
    its index and counts as nothing kept.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    with contextlib.suppress(OSError):
        folder = _made_folder(store, drive)
        files = {}
        for name, table in tables.items():
            sink = pa.BufferOutputStream()
            pq.write_table(table, sink)
            data = sink.getvalue().to_pybytes()
            files[name] = _sha256(data)
            _put(folder / f"{name}.parquet", data)
        _put(folder / _INDEX, json.dumps({"key": key, "files": files}).encode())


def drop_tables(store: Path, drive: str) -> None:
    """Take away tables that programs before this one kept here: who reads the tables of all folders would read them."""
    with contextlib.suppress(OSError):
        for file in _folder(store, drive).glob("*.parquet"):
            file.unlink(missing_ok=True)


def read_values(store: Path, drive: str, name: str, key: str) -> dict[str, Any] | None:
    """Kept values of a drive; None where they are missing, of another key, or not as they were written."""
    found = read_with_digest(store, drive, name, key)
    return found[0] if found is not None else None


def read_with_digest(store: Path, drive: str, name: str, key: str) -> tuple[dict[str, Any], str] | None:
    """The same with the SHA-256 of the values, as JSON with its names in order."""
    try:
        text = no_pipe(_folder(store, drive) / f"{name}.json").read_bytes()
        found = json.loads(text)
        values, digest = found["values"], found["digest"]
        plain = text.partition(_VALUES)[2].removesuffix(b"}")  # as they were written: what is sorted need not be again
        whole = isinstance(values, dict) and found["key"] == key and digest == _sha256(plain)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    return (values, digest) if whole else None


def write_values(store: Path, drive: str, name: str, key: str, values: Mapping[str, Any]) -> None:
    """Keep plain values of a drive, whole or not at all. A store that cannot be written to is left as it is."""
    with contextlib.suppress(OSError):
        folder = _made_folder(store, drive)
        plain = _plain(values)
        head = json.dumps({"key": key, "digest": _sha256(plain)}).encode()
        _put(folder / f"{name}.json", head.removesuffix(b"}") + _VALUES + plain + b"}")


def read_numbers(store: Path, drive: str, name: str, key: str) -> tuple[dict[str, Any], Floats] | None:
    """Kept values of a drive with the row of numbers (n,) that belongs to them, not to be changed; None as above."""
    import numpy as np

    found = read_values(store, drive, name, key)
    try:
        data = no_pipe(_folder(store, drive) / f"{name}.f64").read_bytes() if found is not None else b""
        if found is None or found["digest"] != _sha256(data):
            return None
        return found["values"], np.frombuffer(data, "<f8")
    except (OSError, ValueError, KeyError):
        return None


def write_numbers(
    store: Path, drive: str, name: str, key: str, values: Mapping[str, Any], numbers: Floats
) -> None:  # fmt: skip
    """Keep plain values of a drive and a row of numbers (n,): what says that they are whole comes last."""
    with contextlib.suppress(OSError):
        data = numbers.astype("<f8").tobytes()
        _put(_made_folder(store, drive) / f"{name}.f64", data)
        write_values(store, drive, name, key, {"values": values, "digest": _sha256(data)})


_VALUES = b', "values": '
"""Before the values in their file, which end it but for a brace."""


def _plain(values: Any) -> bytes:
    return json.dumps(values, sort_keys=True).encode()


def _folder(store: Path, drive: str) -> Path:
    """The folder of a drive; its name cannot lead out of the store's."""
    return (
        store / FOLDER / (drive if drive == Path(drive).name and drive not in ("", "..") else _sha256(drive.encode()))
    )


def _made_folder(store: Path, drive: str) -> Path:
    folder = _folder(store, drive)
    for each in (store / FOLDER, folder):
        each.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def _put(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    draft = path.with_name(f".{path.name}-{os.getpid()}-{uuid.uuid4().hex[:8]}")
    try:
        with Disk().create(draft) as file:  # not synced: it may be deleted at any time
            Disk().write(file, data)
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
