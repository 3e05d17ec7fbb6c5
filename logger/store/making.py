"""Drives on their way into the store: begun for recording, closed from their journal, or written in one go.

    folder = begin(store, ...)      the recorder writes the journal into it (`journal.JournalWriter`)
    close(folder.parent)            makes the finished drive of the journal
    write(store, raw, ...)          makes one of raw rows that came from elsewhere

Each gives the path of the drive's folder; `drive.open_folder` opens it.
"""

from __future__ import annotations

import contextlib
import json
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel

from logger.config.car import CarConfig
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.decode.clock import instant
from logger.errors import ConfigError, DriveError
from logger.store import columns, journal
from logger.store.commit import CONFIG, RAW, commit_files, finish_commit
from logger.store.disk import Disk, no_pipe, said
from logger.store.folders import id_of, make_store, new_folder, take_name, utc_of
from logger.store.manifest import (
    MANIFEST,
    ClockSummary,
    Gap,
    Manifest,
    Note,
    SourceSummary,
    manifest_bytes,
    parse_manifest,
)
from logger.store.names import JOURNAL
from logger.store.parquet import digest_of, table_bytes
from logger.store.tables import Built, Decoding, build, raw_digest, raw_table
from logger.store.told import program
from logger.units import NS_PER_DAY, NS_PER_S

if TYPE_CHECKING:
    import pyarrow as pa

LONGEST_DAYS = 31
"""A recorder ends its drives long before; what spans more is no drive, and would be stretched to one of years."""
_ABOUT = "about.json"
_SET_ASIDE = ".damaged-"


@dataclass(frozen=True)
class About:
    """What a drive is made with besides its raw bytes."""

    config_text: str
    car: CarConfig | None = None
    setup: SetupConfig | None = None
    weather: dict[str, Any] | None = None
    origin: str = ""
    remarks: tuple[str, ...] = ()


def write(
    store: Path,
    raw: pa.Table,
    config: RecorderConfig,
    about: About,
    *,
    state: str = "imported",
    disk: Disk | None = None,
) -> Path:
    """Make a drive of raw rows (mono_ns, source, data). It appears in the store when it is complete.

    `config` is `about.config_text` read. DriveError where the store does not take it.
    """
    disk = disk or Disk()
    raw = raw_table(raw)
    if (days := _days(raw)) > LONGEST_DAYS:
        what = f"its times span {days:,.0f} days, and the longest drive is {LONGEST_DAYS}. Is it several drives in one?"
        raise DriveError(f"{about.origin or 'these rows'}: {what}")
    built = build(raw, config)
    manifest = manifest_of(id_of(built.started_utc_ns), state, raw, built, about)
    try:
        make_store(store)
        with new_folder(store, disk) as fresh:
            commit_files(fresh, files_of(manifest, about.config_text, raw, built), disk)
            return take_name(fresh, manifest.id, disk)
    except OSError as error:
        raise DriveError(f"{store}: the drive cannot be written: {said(error)}") from error


def _days(raw: pa.Table) -> float:
    """From the first instant of raw rows to the last [days]."""
    times = [columns.numbers_in(batch.column("mono_ns")) for batch in raw.to_batches() if batch.num_rows]
    if not times:
        return 0.0
    return float(max(part.max() for part in times) - min(part.min() for part in times)) / NS_PER_DAY


def begin(
    store: Path,
    config_text: str,
    car: CarConfig | None = None,
    setup: SetupConfig | None = None,
    weather: dict[str, Any] | None = None,
    *,
    started: datetime | None = None,
    disk: Disk | None = None,
) -> Path:
    """Make the folder of a drive that is about to be recorded; gives the folder for its journal.

    All that `close` and `recover` need is in there and synced before the first batch. `started` is the host's wall
    clock. OSError where the disk does not take it.
    """
    disk = disk or Disk()
    make_store(store)
    wanted = id_of(int((started or datetime.now(UTC)).timestamp()) * NS_PER_S)
    about = {
        "program": program(),
        "config": config_text,
        "car": dumped(car),
        "setup": dumped(setup),
        "weather": weather,
    }
    with new_folder(store, disk) as fresh:
        folder = fresh / JOURNAL
        disk.make_folder(folder)
        disk.write_file(folder / _ABOUT, json.dumps(about, ensure_ascii=False, default=str).encode())
        disk.write_file(folder / CONFIG, config_text.encode())
        disk.sync_folder(folder)
        disk.sync_folder(fresh)
        return take_name(fresh, wanted, disk) / JOURNAL


def close(
    path: Path, *, state: str = "closed", disk: Disk | None = None, decoding: Decoding | None = None
) -> Path | None:
    """Make the finished drive of the journal in the drive folder `path`, then remove the journal.

    `decoding` is what was decoded of the journal while it was written; it is used where it covers all of it.

    The folder gets the name of the drive's start by the best clock there is, so it may change. None where the journal
    holds no whole batch: a folder without a byte is removed, one with damaged bytes is set aside in the store under a
    name that begins with `.damaged-`. DriveError where it cannot be done; the journal then is as it was.
    """
    disk = disk or Disk()
    folder = path / JOURNAL
    try:
        if not finish_commit(path, disk) and not (path / MANIFEST).exists():
            if not folder.is_dir():
                raise DriveError(f"{path}: there is no journal here to make a drive from")
            held = journal.read(folder)
            if not held.batches:
                clear_empty(path, held, disk)
                return None
            about = read_about(folder)
            config = parse(about.config_text, RecorderConfig, str(folder / CONFIG))
            raw = raw_table(held.raw)
            built = decoding.built() if decoding is not None and decoding.covers(raw) else build(raw, config)
            manifest = manifest_of(path.name, state, raw, built, about, missing_from(held))
            commit_files(path, files_of(manifest, about.config_text, raw, built), disk)
        _remove_journal(folder, disk)
        started_s = parse_manifest((path / MANIFEST).read_bytes(), path / MANIFEST).started_utc.timestamp()
        # The folder was named by the wall clock: good to a few seconds, unless the clock was wrong.
        if abs(utc_of(path.name) - started_s) > 60:
            path = take_name(path, id_of(int(started_s) * NS_PER_S), disk)
        return path
    except ConfigError as error:
        raise DriveError(str(error)) from error
    except OSError as error:
        raise DriveError(f"{path}: the drive cannot be closed: {said(error)}") from error


# --- the files of a drive ----------------------------------------------------------------------------------------


def manifest_of(
    name: str, state: str, raw: pa.Table, built: Built, about: About, remarks: Iterable[str] = ()
) -> Manifest:
    return Manifest(
        program=program(),
        id=name,
        state=state,
        origin=about.origin,
        added_utc=datetime.now(UTC),
        started_utc=instant(built.started_utc_ns),
        ended_utc=instant(built.ended_utc_ns),
        duration_s=(built.ended_utc_ns - built.started_utc_ns) / NS_PER_S,
        sources=[SourceSummary.model_validate(source) for source in built.sources],
        clock=ClockSummary.model_validate(built.clock),
        counters=built.counters,
        rows={table: content.num_rows for table, content in built.tables.items()},
        car=dumped(about.car),
        setup=dumped(about.setup),
        weather=about.weather,
        notes=[Note.model_validate(note) for note in built.notes],
        gaps=[Gap.model_validate(gap) for gap in built.gaps],
        remarks=[*about.remarks, *remarks, *built.remarks],
        found=[*about.remarks, *remarks],
        digests={"raw rows": raw_digest(raw)},
    )


def files_of(
    manifest: Manifest, config_text: str, raw: pa.Table | None, built: Built, raw_file_digest: str = ""
) -> dict[str, bytes]:
    """The files of a drive, the manifest last and with their digests; without raw.parquet where `raw` is None."""
    tables = {RAW: raw} if raw is not None else {}
    tables |= {f"{name}.parquet": table for name, table in built.tables.items()}
    files = {name: table_bytes(table) for name, table in tables.items()}
    digests = {name: digest_of(data) for name, data in files.items()}
    if raw is None:
        digests[RAW] = raw_file_digest
    digests |= manifest.digests
    files[CONFIG] = config_text.encode()
    files[MANIFEST] = manifest_bytes(manifest.model_copy(update={"digests": digests}))
    return files


# --- the journal, read and cleared away -------------------------------------------------------------------------


def _remove_journal(folder: Path, disk: Disk) -> None:
    with contextlib.suppress(FileNotFoundError):
        for path in sorted(folder.iterdir()):
            with contextlib.suppress(FileNotFoundError):
                disk.remove(path)
        disk.remove(folder)
        disk.sync_folder(folder.parent)


def clear_empty(path: Path, held: journal.Journal, disk: Disk) -> None:
    """Clear away a drive whose journal holds no whole batch; never a file that another process may just have made."""
    if held.cut_bytes:
        _for_its_owner_alone(path)
        disk.replace(path, path.with_name(f"{_SET_ASIDE}{path.name}-{uuid.uuid4().hex[:6]}"))
        return
    folder = path / JOURNAL
    for name in (_ABOUT, CONFIG, *(segment.name for segment in folder.glob("*.arrows"))):
        with contextlib.suppress(FileNotFoundError):
            disk.remove(folder / name)
    with contextlib.suppress(OSError):  # of what is not empty nothing goes
        disk.remove(folder)
        disk.remove(path)


def _for_its_owner_alone(folder: Path) -> None:
    """Take from others what they may do with a folder and all in it: it may come from an older program, or a copy."""
    for path in (folder, *folder.rglob("*")):
        with contextlib.suppress(OSError):
            path.chmod(0o700 if path.is_dir() else 0o600, follow_symlinks=False)


def read_about(folder: Path) -> About:
    """What `begin` left beside the journal; where one of its two files is damaged, what the other has."""
    try:
        about = json.loads(no_pipe(folder / _ABOUT).read_bytes())
        car, setup = about["car"], about["setup"]
        return About(
            about["config"],
            CarConfig.model_validate(car, strict=False) if car else None,
            SetupConfig.model_validate(setup, strict=False) if setup else None,
            about["weather"],
        )
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        try:
            text = no_pipe(folder / CONFIG).read_text(encoding="utf-8")
            parse(text, RecorderConfig, CONFIG)
        except (OSError, ValueError) as error:
            what = "is damaged. Put the recorder's file there under that name and run `pullbook recover` again"
            raise DriveError(f"{folder / CONFIG}: {what}") from error
        return About(text, remarks=(f"{_ABOUT} of the journal is damaged, so car, setup and weather are missing",))


def missing_from(held: journal.Journal) -> list[str]:
    said = []
    if held.missing_batches:
        flushes = "1 batch is" if held.missing_batches == 1 else f"{held.missing_batches} batches are"
        said.append(f"{flushes} missing in the middle.")
    if held.cut_bytes:
        said.append(f"{held.cut_bytes} bytes at the end were not written completely and were left out.")
    return said


def dumped(model: BaseModel | None) -> dict[str, Any] | None:
    return model.model_dump(mode="json") if model is not None else None
