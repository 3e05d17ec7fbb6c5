"""drive.json: what, when, with what; typed, and what it looks like in bytes."""

from __future__ import annotations

import json
import math
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from logger.config.sections import Finite, Name, NotNegative
from logger.errors import DriveError
from logger.store.told import SCHEMA_VERSION
from logger.text import storable

MANIFEST = "drive.json"


def _within_reach(when: datetime) -> datetime:
    """Times are kept as nanoseconds in 64 bits, which reach from 1677 to 2262; no drive is older than its receiver."""
    if not _FIRST_YEAR <= when.year < _LAST_YEAR:
        raise ValueError(f"the year {when.year} cannot be right")
    return when


_FIRST_YEAR, _LAST_YEAR = 1969, 2262
Instant = Annotated[AwareDatetime, AfterValidator(_within_reach)]
"""Of a drive. When it was added or changed may be any time: a computer's clock shows what it likes."""
Count = Annotated[int, Field(ge=0)]


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
    offset_s: Finite | None = None
    drift_ppm: Finite | None = None
    residual_s: Finite | None = None
    residual_p99_s: Finite | None = None
    epochs: int = 0
    latency_s: Finite | None = None
    wall_offset_s: Finite | None = None
    pieces: int = 1
    remarks: list[str] = []


class Note(_Part):
    """A note made while driving, or added to it afterwards."""

    utc: Instant
    text: str
    added: AwareDatetime | None = None
    """When it was added, for one that is not among the raw bytes."""


class Gap(_Part):
    """A stretch without bytes of a source, or of any."""

    source: str | None = None
    start_utc: Instant
    end_utc: Instant
    why: str = ""


class Struck(_Part):
    """A run that is not to be counted."""

    run_start_utc: Instant
    reason: str
    when: AwareDatetime


class Tagged(_Part):
    """A word, or a word and its value, that an owner gave a run: passenger, gear=2."""

    run_start_utc: Instant
    tag: str
    when: AwareDatetime


class Photo(_Part):
    """A picture of the car, a plug or the place, or words about one, that an owner keeps with a drive or a run."""

    file: Annotated[str, Field(pattern=r"^photo-[0-9a-f]{12}\.(jpg|png|webp)$")] | None = None
    """The picture's file in the drive's folder, as it came; None for words alone."""
    digest: str = ""
    """SHA-256 of the file."""
    words: str = ""
    run_start_utc: Instant | None = None
    """When the run began that it is of; None where it is of the drive."""
    when: AwareDatetime
    away: bool = False
    """Put away by the owner: it is kept, and shown nowhere."""


class Trace(_Part):
    """A later change."""

    when: AwareDatetime
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
    added_utc: AwareDatetime
    """When the drive was added to the store."""
    started_utc: Instant
    ended_utc: Instant
    duration_s: NotNegative
    sources: list[SourceSummary] = []
    clock: ClockSummary
    counters: dict[str, int] = {}
    rows: dict[Name, Count] = {}
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
    tags: list[Tagged] = []
    photos: list[Photo] = []
    fuel: dict[str, Any] | None = None
    """What a fuel loop used, as the owner measured it; see `analysis.road.fuel_loops.Used`."""
    cut: str = ""
    """What was cut out before the drive was given away, its raw bytes too; "" for one as recorded."""
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
        raise DriveError(f"{path}: this does not describe a drive: {first_said(error)}") from error
    if manifest.schema_version > SCHEMA_VERSION:
        raise DriveError(f"{path}: written by a newer version ({manifest.program}). Update this program")
    return manifest


def salvaged(data: bytes) -> dict[str, Any]:
    """The fields of a damaged manifest that are whole and that raw bytes do not tell; {} where nothing can be read."""
    try:
        given = json.loads(data)
    except (ValueError, RecursionError):
        return {}
    found = {}
    for name, value in given.items() if isinstance(given, dict) else ():
        if name not in _OWNERS:
            continue
        try:
            found[name] = TypeAdapter(Manifest.model_fields[name].rebuild_annotation()).validate_python(value)
        except (ValidationError, RecursionError):
            continue
    return found


_OWNERS = (
    "state", "origin", "added_utc", "car", "setup", "weather", "notes", "found", "struck", "tags", "photos", "fuel",
    "cut", "trace", "digests",
)  # fmt: skip
"""The fields that follow from no raw byte."""


def first_said(error: ValidationError) -> str:
    """The first of pydantic's findings in a few words: key, what is wrong."""
    detail = error.errors(include_url=False)[0]
    where = ".".join(map(str, detail["loc"]))
    return f"{where}: {detail['msg']}" if where else str(detail["msg"])


def manifest_bytes(manifest: Manifest) -> bytes:
    """What drive.json holds for `manifest`; text that is none (a file name in another encoding) is made readable."""
    plain = _readable(manifest.model_dump(mode="json"))
    return (json.dumps(plain, indent=2, ensure_ascii=False) + "\n").encode()


def _readable(value: Any) -> Any:
    """What JSON in UTF-8 can hold: text without halves of a character, numbers that are some."""
    match value:
        case dict():
            return {_readable(key): _readable(inner) for key, inner in value.items()}
        case list():
            return [_readable(inner) for inner in value]
        case str():
            return storable(value)
        case float() if not math.isfinite(value):
            return None
    return value
