"""A minute on the airfield as a recorder has it, and what tests of the store do with it."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import simulate
from typer.testing import CliRunner

from logger.cli import drives as cli
from logger.config.car import CarConfig
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.decode.framing import Chunk
from logger.store import capture, drive, making
from logger.store.journal import JournalWriter, schema

CONFIG_TEXT = """\
[[source]]
name = "gps"
kind = "nmea"

[[source]]
name = "mixture"
kind = "numbers"
  [[source.column]]
  channel = "afr"
"""
CONFIG = parse(CONFIG_TEXT, RecorderConfig, "recorder.toml")
SECOND = 10**9
START = datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC)
BOOT_S = 1843.5
CAR = parse('[car]\nname = "Wren"\nmass_kg = 392.0\ncooling = "air"\n', CarConfig, "car")
SETUP = parse(
    'name = "baseline"\ndate = 2026-05-02\n[parts]\nmain_jet_mm = 1.10\nsnorkel = "long"\n', SetupConfig, "setup"
)


def table_of(chunks: list[Any]) -> pa.Table:
    """Raw rows from anything with mono_ns, source and data."""
    columns = [[c.mono_ns for c in chunks], [c.source for c in chunks], [c.data for c in chunks]]
    return pa.table(
        [pa.array(column, field.type) for column, field in zip(columns, schema(), strict=True)], schema=schema()
    )


def recorded(store: Path, raw: pa.Table, batches: int = 5, started: datetime = START) -> Path:
    """A journal as the recorder leaves it; gives the drive's folder."""
    folder = making.begin(store, CONFIG_TEXT, CAR, SETUP, started=started)
    writer = JournalWriter(folder)
    size = -(-raw.num_rows // batches)
    for start in range(0, raw.num_rows, size):
        writer.extend(Chunk(*row) for row in capture.rows(raw.slice(start, size)))
        writer.flush()
    writer.close()
    return folder.parent


def opened(path: Path | None) -> drive.Drive:
    assert path is not None
    return drive.open_folder(path)


def files_in(path: Path) -> dict[str, bytes]:
    return {str(file.relative_to(path)): file.read_bytes() for file in sorted(path.rglob("*")) if file.is_file()}


def seen_in(store: Path) -> list[str]:
    return sorted(path.name for path in store.iterdir() if not path.name.startswith("."))


def burst(mono_s: float, clock: str, day: str = "020526", valid: str = "A", knots: str = "10.0") -> Chunk:
    text = simulate.sentence(f"GPRMC,{clock},{valid},5212.3456,N,00012.3456,E,{knots},90.0,{day},,,A")
    return Chunk(round(mono_s * SECOND), "gps", text.encode() + b"\r\n")


def clock_text(second: int) -> str:
    return f"{second // 3600 % 24:02d}{second // 60 % 60:02d}{second % 60:02d}.00"


def times_of(table: pa.Table) -> list[float]:
    """Seconds after START's midnight."""
    midnight = int(datetime(2026, 5, 2, tzinfo=UTC).timestamp())
    return [value / 1e9 - midnight for value in table["time"].cast(pa.int64()).to_pylist()]


def run(*arguments: Any) -> str:
    result = CliRunner().invoke(cli.app, [str(argument) for argument in arguments])
    if result.exception is not None:
        raise result.exception
    return result.stdout


def pullbook(*arguments: Any) -> dict[str, Any]:
    """What a verb answers with --json."""
    return dict(json.loads(run(*arguments, "--json")))
