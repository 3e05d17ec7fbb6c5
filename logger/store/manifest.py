"""drive.json: what, when, with what; typed, and what it looks like in bytes."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from logger.errors import DriveError
from logger.store.tables import SCHEMA_VERSION

MANIFEST = "drive.json"


class _Part(BaseModel):
    model_config = ConfigDict(extra="allow")  # a newer program's manifest is read for what is known here


class SourceSummary(_Part):
    """What came from one source."""

    name: str
    kind: str | None = None
    """The configured kind; None for a source that the configuration does not know."""
    port: str | None = None
    chunks: int = 0
    bytes: int = 0
    rows: int = 0
    """Rows of its table."""
    rejected: dict[str, int] = {}
    """Frames thrown away, by reason."""
    ignored: dict[str, int] = {}
    """Frames passed over, by what they are."""
    void_fields: dict[str, int] = {}
    """Fields of a receiver's sentences that could not be used, by name and reason."""
    stray_bytes: int = 0


class ClockSummary(_Part):
    """How the drive's times come about; see `clock.ClockFit`."""

    basis: str
    source: str | None = None
    offset_s: float | None = None
    drift_ppm: float | None = None
    residual_s: float | None = None
    residual_p99_s: float | None = None
    epochs: int = 0
    latency_s: float | None = None
    wall_offset_s: float | None = None
    pieces: int = 1
    remarks: list[str] = []


class Note(_Part):
    """A note made while driving, or added to it afterwards."""

    utc: datetime
    text: str
    added: datetime | None = None
    """When it was added, for one that is not among the raw bytes."""


class Gap(_Part):
    """A stretch without bytes of a source, or of any."""

    source: str | None = None
    start_utc: datetime
    end_utc: datetime
    why: str = ""


class Struck(_Part):
    """A run that is not to be counted."""

    run_start_utc: datetime
    reason: str
    when: datetime


class Trace(_Part):
    """A later change."""

    when: datetime
    who: str
    what: str


class Manifest(_Part):
    """drive.json."""

    schema_version: int = SCHEMA_VERSION
    program: str = ""
    id: str
    state: str
    """closed, recovered or imported; recording for a drive that is still a journal."""
    origin: str = ""
    """The file that it was imported from."""
    added_utc: datetime
    """When the drive was added to the store."""
    started_utc: datetime
    ended_utc: datetime
    duration_s: float
    sources: list[SourceSummary] = []
    clock: ClockSummary
    counters: dict[str, int] = {}
    rows: dict[str, int] = {}
    """Table -> rows."""
    car: dict[str, Any] | None = None
    setup: dict[str, Any] | None = None
    weather: dict[str, Any] | None = None
    notes: list[Note] = []
    gaps: list[Gap] = []
    remarks: list[str] = []
    """What was noticed on importing or recovering and on building, a sentence each."""
    found: list[str] = []
    """Those of importing or recovering alone, which a rebuild keeps."""
    struck: list[Struck] = []
    fuel: dict[str, Any] | None = None
    """What a fuel loop used, as the owner measured it; see `analysis.road.fuel_loops.Used`."""
    trace: list[Trace] = []
    digests: dict[str, str] = Field(default_factory=dict)
    """File -> SHA-256; `raw rows` -> that of what raw.parquet holds, which is the same whatever wrote the file."""


BUILT = (
    "schema_version", "program", "started_utc", "ended_utc", "duration_s", "sources", "clock", "counters", "rows",
    "gaps", "remarks", "digests",
)  # fmt: skip
"""The fields that follow from raw rows and configuration, besides the notes."""


def parse_manifest(data: bytes, path: Path) -> Manifest:
    """The manifest that `data` of the file `path` holds; DriveError where it is none of a drive's."""
    try:
        manifest = Manifest.model_validate_json(data)
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        wrong = f"{'.'.join(map(str, detail['loc']))}: {detail['msg']}"
        raise DriveError(f"{path}: this is no manifest of a drive: {wrong}") from error
    if manifest.schema_version > SCHEMA_VERSION:
        raise DriveError(f"{path}: written by a newer program ({manifest.program}): update this one")
    return manifest


def manifest_bytes(manifest: Manifest) -> bytes:
    """What drive.json holds for `manifest`."""
    return (manifest.model_dump_json(indent=2) + "\n").encode()
