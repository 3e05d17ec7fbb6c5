"""Drives that something went wrong with, to be planted beside good ones: every verb goes on, and names the bad one.

for kind in BAD: plant(kind, store, good)     a copy of the good drive in the store, spoilt in this way
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq


def plant(kind: str, store: Path, good: Path) -> Path:
    """A copy of the drive in the folder `good`, spoilt; gives its folder, whose name tells the kind."""
    path = store / f"bad-{kind.replace(' ', '-')}"
    shutil.copytree(good, path)
    BAD[kind](path)
    return path


def _manifest(change: Callable[[dict[str, Any]], None]) -> Callable[[Path], None]:
    def spoil(path: Path) -> None:
        manifest = json.loads((path / "drive.json").read_text())
        change(manifest)
        (path / "drive.json").write_text(json.dumps(manifest))  # NaN and Infinity as Python writes them

    return spoil


def _set(**fields: Any) -> Callable[[Path], None]:
    return _manifest(lambda manifest: manifest.update(fields))


def _bytes(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def spoil(path: Path) -> None:
        (path / name).write_bytes(change((path / name).read_bytes()))

    return spoil


def _flip(data: bytes) -> bytes:
    at = len(data) // 3
    return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


def _folder(name: str) -> Callable[[Path], None]:
    def spoil(path: Path) -> None:
        (path / name).unlink()
        (path / name).mkdir()

    return spoil


def _pipe(name: str) -> Callable[[Path], None]:
    """A named pipe in place of the file, which nobody writes into; where a system has none, a folder."""

    def spoil(path: Path) -> None:
        (path / name).unlink()
        os.mkfifo(path / name) if hasattr(os, "mkfifo") else (path / name).mkdir()

    return spoil


def _without_column(path: Path) -> None:
    pq.write_table(pq.read_table(path / "gps.parquet").drop_columns(["speed_mps"]), path / "gps.parquet")


def _other_table(path: Path) -> None:
    pq.write_table(pa.table({"a": [1]}), path / "gps.parquet")


def _no_digests(path: Path) -> None:
    """A file that somebody wrote anew, with nothing to tell it by."""
    _set(digests={})(path)
    _without_column(path)


def _both_flipped(path: Path) -> None:
    for name in ("raw.parquet", "gps.parquet"):
        _bytes(name, _flip)(path)


def _journal_only(path: Path) -> None:
    """Cut off, and nothing tells what its bytes mean."""
    for file in path.iterdir():
        file.unlink()
    (path / "journal").mkdir()
    (path / "journal" / "about.json").write_bytes(b"\0" * 20)
    (path / "journal" / "recorder.toml").write_bytes(b"\0" * 20)
    (path / "journal" / "000001.arrows").write_bytes(b"\xff\xff\xff\xff" * 50)


BAD: dict[str, Callable[[Path], None]] = {
    "manifest cut": _bytes("drive.json", lambda data: data[: len(data) // 2]),
    "manifest empty": _bytes("drive.json", lambda data: b""),
    "manifest of zeros": _bytes("drive.json", lambda data: bytes(len(data))),
    "manifest gone": lambda path: (path / "drive.json").unlink(),
    "manifest a folder": _folder("drive.json"),
    "manifest a pipe": _pipe("drive.json"),
    "manifest a list": _bytes("drive.json", lambda data: b"[1, 2]"),
    "manifest nested": _bytes("drive.json", lambda data: b'{"id":' + b"[" * 100_000),
    "manifest no text": _bytes("drive.json", lambda data: data.replace(b'"state"', b'"st\xff\xfe"')),
    "setup of numbers": _set(setup={"name": 5, "parts": [1, 2]}),
    "setup without parts": _set(setup={"name": "x"}),
    "setup of text": _set(setup="baseline"),
    "car without mass": _set(car={"car": {"name": "Wren", "cooling": "air"}}),
    "car of no mass": _set(car={"car": {"name": "Wren", "mass_kg": float("nan"), "cooling": "air"}}),
    "no zone": _set(started_utc="2026-05-02T09:14:30"),
    "year 1": _set(started_utc="0001-01-01T00:00:00Z", ended_utc="0001-01-01T00:10:00Z"),
    "year 9999": _set(started_utc="9999-12-31T00:00:00Z", ended_utc="9999-12-31T00:10:00Z"),
    "added in no year": _set(added_utc="soon"),
    "endless": _set(duration_s=float("inf")),
    "duration of no number": _set(duration_s=float("nan")),
    "rows elsewhere": _set(rows={"../raw": 1}),
    "rows of text": _set(rows={"gps": "many"}),
    "strikes of text": _set(struck=["all"]),
    "weather of text": _set(weather="fine"),
    "fuel of text": _set(fuel=[1]),
    "clock gone": _set(clock=None),
    "table without a column": _without_column,
    "table without a column or digest": _no_digests,
    "table of another": _other_table,
    "table a folder": _folder("gps.parquet"),
    "table a pipe": _pipe("gps.parquet"),
    "table empty": _bytes("gps.parquet", lambda data: b""),
    "table gone": lambda path: (path / "gps.parquet").unlink(),
    "table flipped": _bytes("gps.parquet", _flip),
    "readings flipped": _bytes("mixture.parquet", _flip),
    "raw flipped": _bytes("raw.parquet", _flip),
    "raw a pipe": _pipe("raw.parquet"),
    "raw gone": lambda path: (path / "raw.parquet").unlink(),
    "raw and table flipped": _both_flipped,
    "configuration cut": _bytes("recorder.toml", lambda data: data[: len(data) // 2]),
    "configuration no text": _bytes("recorder.toml", lambda data: b"\xff\xfe"),
    "configuration nested": _bytes("recorder.toml", lambda data: b"a = " + b"[" * 100_000),
    "configuration a pipe": _pipe("recorder.toml"),
    "configuration gone": lambda path: (path / "recorder.toml").unlink(),
    "journal that means nothing": _journal_only,
}

OF_RAW = {kind for kind in BAD if kind.startswith(("raw", "journal"))}
"""Those that no raw byte can mend."""
OF_CONFIGURATION = {kind for kind in BAD if kind.startswith("configuration")}
"""Those that need a configuration to be mended with."""
