"""What was worked out of a drive, kept beside the store's drives so that it need not be worked out again.

    STORE/.analysis/DRIVE/runs.parquet, splits.parquet, drive.parquet

Plain Parquet with units in the columns' metadata: any engine opens it. Each table carries the key of all that it
depends on: the digests of the drive's tables, its car's file, its fuel, the targets in force, and this program with its
numeric libraries. A table whose key is another is worked out anew; the folder may be deleted at any time.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import os
import uuid
from collections.abc import Iterable, Mapping
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pyarrow as pa

    from logger.config.targets import TargetsConfig
    from logger.store.drive import Drive

FOLDER = ".analysis"
_KEY = b"pullbook.key"
_PACKAGES = ("analysis", "logger")
_LIBRARIES = ("numpy", "scipy", "pandas", "pyarrow")


def key_of(drive: Drive, targets: TargetsConfig) -> str:
    """What results of a drive depend on, in one word."""
    manifest = drive.manifest
    depends = [manifest.digests, manifest.rows, manifest.car, manifest.fuel, targets.model_dump(), program()]
    return hashlib.sha256(json.dumps(depends, sort_keys=True, default=str).encode()).hexdigest()


@functools.cache
def program() -> str:
    """A digest of the whole installed program and of its numeric libraries' versions."""
    digest = hashlib.sha256()
    root = Path(__file__).parents[1]
    for package in _PACKAGES:
        for file in sorted((root / package).rglob("*.py")):
            digest.update(file.relative_to(root).as_posix().encode() + b"\0" + file.read_bytes())
    for library in _LIBRARIES:
        digest.update(f"{library} {version(library)}".encode())
    return digest.hexdigest()


def read(store: Path, drive: str, key: str, names: Iterable[str]) -> dict[str, pa.Table] | None:
    """The kept tables of a drive; None where one is missing, unreadable or of another key."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    tables = {}
    for name in names:
        try:
            table = pq.ParquetFile(store / FOLDER / drive / f"{name}.parquet").read()
        except (OSError, pa.ArrowException):
            return None
        if (table.schema.metadata or {}).get(_KEY) != key.encode():
            return None
        tables[name] = table
    return tables


def write(store: Path, drive: str, key: str, tables: Mapping[str, pa.Table]) -> None:
    """Keep tables of a drive, each whole or not at all. A store that cannot be written to is left as it is."""
    import pyarrow.parquet as pq

    folder = store / FOLDER / drive
    with contextlib.suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        for name, table in tables.items():
            marked = table.replace_schema_metadata({**(table.schema.metadata or {}), _KEY: key.encode()})
            draft = folder / f".{name}-{os.getpid()}-{uuid.uuid4().hex[:8]}"
            try:
                pq.write_table(marked, draft)
                draft.replace(folder / f"{name}.parquet")
            finally:
                draft.unlink(missing_ok=True)
