"""The drive folder: what a drive is on disk, how it gets there whole, and how it is opened.

    STORE/2026-05-02_091430Z/
      drive.json        the manifest (`Manifest`)
      recorder.toml     the configuration as used
      raw.parquet       every byte in order of arrival (`tables.RAW_SCHEMA`)
      gps.parquet ...   a table per source, by `tables.build` from raw and the configuration
      journal/          only while recording, or after a crash until it is recovered

What is promised

* A drive gets its files in one step. They are written and synced in a draft folder inside the drive's, and renaming
  that folder to `.commit` is the step: before it the drive is what it was (a journal, or the files before a rebuild),
  after it whoever opens the drive finishes moving the files into place, `drive.json` last. A journal is removed after
  that. So at every instant either the journal or the finished files are complete, on disk, under any crash.
* An imported drive appears under its name when it is complete.
* Rebuilding never touches raw.parquet. Whatever changes a drive later leaves an entry in the manifest's `trace`.
"""

from __future__ import annotations

import contextlib
import getpass
import hashlib
import json
import os
import shutil
import time
import uuid
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import BaseModel, ValidationError

from logger.config.car import CarConfig
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.decode.clock import instant
from logger.errors import AlreadyRecording, ConfigError, DriveError
from logger.store import journal
from logger.store.commit import COMMIT, RAW, commit_files, finish_commit
from logger.store.disk import Disk
from logger.store.manifest import (
    BUILT,
    MANIFEST,
    ClockSummary,
    Gap,
    Manifest,
    Note,
    SourceSummary,
    Trace,
    manifest_bytes,
)
from logger.store.presence import Lock, is_recording
from logger.store.tables import SCHEMA_VERSION, Built, Decoding, build, program, raw_digest, raw_table

CONFIG = "recorder.toml"
JOURNAL = "journal"
_ABOUT = "about.json"
_NEW = ".new-"
_SET_ASIDE = ".damaged-"


# --- a drive ------------------------------------------------------------------------------------------------------


class Drive:
    """A drive, finished or being recorded. Tables are read when asked for."""

    def __init__(
        self,
        path: Path,
        manifest: Manifest,
        config: RecorderConfig,
        config_text: str,
        tables: Mapping[str, pa.Table] | None = None,
    ) -> None:
        self.path = path
        self.manifest = manifest
        self.config = config
        self.config_text = config_text
        """recorder.toml as it stands."""
        self._tables = dict(tables) if tables is not None else None

    @property
    def id(self) -> str:
        return self.manifest.id

    @property
    def kinds(self) -> dict[str, str]:
        """Source -> kind, of the sources in the configuration."""
        return {source.name: source.kind for source in self.config.source}

    @property
    def table_names(self) -> list[str]:
        """The tables there are, without raw."""
        return list(self.manifest.rows)

    def table(self, name: str) -> pa.Table:
        """The table of the source `name`, or `raw`; DriveError where there is none."""
        if name not in self.manifest.rows and name != "raw":
            known = ", ".join(self.table_names) or "none"
            raise DriveError(f"{self.id}: it has no table {name!r}: its tables are {known}")
        if self._tables is not None:
            return self._tables[name]
        path = self.path / f"{name}.parquet"
        try:
            return pq.read_table(path)
        except (OSError, pa.ArrowException) as error:
            hint = "" if name == "raw" else f"; `pullbook rebuild {self.id}` makes it anew from raw.parquet"
            raise DriveError(f"{path}: cannot be read: {_said(error)}{hint}") from error

    @cached_property
    def car(self) -> CarConfig | None:
        return CarConfig.model_validate(self.manifest.car, strict=False) if self.manifest.car else None

    @cached_property
    def setup(self) -> SetupConfig | None:
        return SetupConfig.model_validate(self.manifest.setup, strict=False) if self.manifest.setup else None

    def amend(self, what: str, disk: Disk | None = None, **changes: Any) -> Drive:
        """The drive with fields of its manifest changed, in one step and with a trace that says `what` was done.

        `setup` and `car` may be given as models. DriveError where the drive is still being recorded or cannot be
        written.
        """
        if self._tables is not None:
            raise DriveError(f"{self.id}: it is still being recorded: change it when it is closed")
        plain = {key: _dumped(value) if isinstance(value, BaseModel) else value for key, value in changes.items()}
        trace = [*self.manifest.trace, _trace(what)]
        merged = {**self.manifest.model_dump(), **plain, "trace": trace}
        manifest = Manifest.model_validate(merged)
        try:
            commit_files(self.path, {MANIFEST: manifest_bytes(manifest)}, disk or Disk())
        except OSError as error:
            raise DriveError(f"{self.path}: cannot be changed: {_said(error)}") from error
        return Drive(self.path, manifest, self.config, self.config_text)


def default_store() -> Path:
    """$PULLBOOK_STORE, or the platform's folder for a user's data."""
    if named := os.environ.get("PULLBOOK_STORE"):
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_data_dir("pullbook", appauthor=False))


def list_drives(store: Path) -> list[Drive]:
    """The finished drives of the store by the time they were driven; what is no drive is passed over."""
    drives = []
    for path in _folders(store):
        with contextlib.suppress(DriveError):
            drives.append(_open(path))
    return sorted(drives, key=lambda drive: (drive.manifest.started_utc, drive.id))


def open_drive(store: Path, ref: str) -> Drive:
    """The drive called `ref`: an id, a path, `last` (the one added last) or `current` (being recorded, read-only).

    For `last`, what a recorder left unfinished when it ended is finished first. DriveError where there is none.
    """
    if ref == "current":
        return _open_current(store)
    if ref == "last":
        with contextlib.suppress(OSError, AlreadyRecording):  # a store that may only be read
            recover_cut_off(store)
        drives = list_drives(store)
        if not drives:
            raise DriveError(f"{store}: there is no drive in this store yet")
        return max(drives, key=lambda drive: (drive.manifest.added_utc, drive.manifest.started_utc, drive.id))
    named = store / ref
    path = named if ref and Path(ref).name == ref and named.is_dir() else Path(ref)
    if not ref or not path.is_dir():
        near = [drive.id for drive in list_drives(store) if ref and drive.id.startswith(ref)]
        if len(near) == 1:
            return _open(store / near[0])
        hint = (
            f"{len(near)} drives begin like that: {', '.join(near[:4])}" if near else "expected an id, a path or last"
        )
        raise DriveError(f"{ref}: no such drive in {store}: {hint}")
    return _open(path)


def _folders(store: Path) -> list[Path]:
    try:
        return sorted(path for path in store.iterdir() if path.is_dir() and not path.name.startswith("."))
    except FileNotFoundError:
        return []
    except OSError as error:
        raise DriveError(f"{store}: the store cannot be read: {_said(error)}") from error


def _open(path: Path) -> Drive:
    try:
        finish_commit(path, Disk())
        data = (path / MANIFEST).read_bytes()
        config_text = (path / CONFIG).read_text(encoding="utf-8")
    except FileNotFoundError as error:
        if (path / JOURNAL).is_dir():
            raise DriveError(f"{path.name}: this drive is not closed: `pullbook recover` does that") from error
        raise DriveError(f"{path}: this is no drive: it has no {Path(error.filename).name}") from error
    except (OSError, UnicodeDecodeError) as error:
        raise DriveError(f"{path}: cannot be read: {_said(error)}") from error
    try:
        manifest = Manifest.model_validate_json(data)
    except ValidationError as error:
        raise DriveError(f"{path / MANIFEST}: this is no manifest of a drive: {_first(error)}") from error
    if manifest.schema_version > SCHEMA_VERSION:
        raise DriveError(f"{path / MANIFEST}: written by a newer program ({manifest.program}): update this one")
    try:
        config = parse(config_text, RecorderConfig, str(path / CONFIG))
    except ConfigError as error:
        raise DriveError(str(error)) from error
    # The folder's name is the id, also where the owner renamed or copied it.
    return Drive(path, manifest.model_copy(update={"id": path.name}), config, config_text)


def _open_current(store: Path) -> Drive:
    if not is_recording(store):
        raise DriveError(f"{store}: no drive is being recorded here")
    for path in reversed(unfinished(store)):
        if (path / MANIFEST).exists() or (path / COMMIT).exists():  # being closed
            continue
        with contextlib.suppress(FileNotFoundError):
            held = journal.read(path / JOURNAL)
            if not held.batches:
                raise DriveError(f"{path.name}: nothing has been written of this drive yet: try again in a second")
            about = _read_about(path / JOURNAL)
            config = parse(about.config_text, RecorderConfig, str(path / JOURNAL / CONFIG))
            raw = raw_table(held.raw)
            built = build(raw, config)
            manifest = _manifest(path.name, "recording", raw, built, about)
            return Drive(path, manifest, config, about.config_text, {**built.tables, "raw": raw})
    raise DriveError(f"{store}: no drive is being recorded here right now")


# --- making drives ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _About:
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
    config_text: str,
    car: CarConfig | None = None,
    setup: SetupConfig | None = None,
    weather: dict[str, Any] | None = None,
    *,
    origin: str = "",
    state: str = "imported",
    remarks: Iterable[str] = (),
    disk: Disk | None = None,
) -> Drive:
    """Make a drive of raw rows (mono_ns, source, data). It appears in the store when it is complete.

    `origin` names the file that it comes from; `remarks` are put into the manifest with those of the build. DriveError
    where the store does not take it.
    """
    disk = disk or Disk()
    raw = raw_table(raw)
    built = build(raw, config)
    about = _About(config_text, car, setup, weather, origin, tuple(remarks))
    manifest = _manifest(_id_of(built.started_utc_ns), state, raw, built, about)
    try:
        store.mkdir(parents=True, exist_ok=True)
        with _new_folder(store, disk) as fresh:
            commit_files(fresh, _files(manifest, config_text, raw, built), disk)
            path = _named(fresh, manifest.id, disk)
    except OSError as error:
        raise DriveError(f"{store}: the drive cannot be written: {_said(error)}") from error
    return _open(path)


def find_raw(store: Path, raw: pa.Table) -> Drive | None:
    """The drive of the store that holds just these raw rows, if any."""
    digest = raw_digest(raw_table(raw))
    return next((drive for drive in list_drives(store) if drive.manifest.digests.get("raw rows") == digest), None)


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
    store.mkdir(parents=True, exist_ok=True)
    wanted = _id_of(int((started or datetime.now(UTC)).timestamp()) * 10**9)
    about = {
        "program": program(),
        "config": config_text,
        "car": _dumped(car),
        "setup": _dumped(setup),
        "weather": weather,
    }
    with _new_folder(store, disk) as fresh:
        folder = fresh / JOURNAL
        disk.make_folder(folder)
        disk.write_file(folder / _ABOUT, json.dumps(about, ensure_ascii=False, default=str).encode())
        disk.write_file(folder / CONFIG, config_text.encode())
        disk.sync_folder(folder)
        disk.sync_folder(fresh)
        return _named(fresh, wanted, disk) / JOURNAL


def close(
    path: Path, *, state: str = "closed", disk: Disk | None = None, decoding: Decoding | None = None
) -> Drive | None:
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
                raise DriveError(f"{path}: there is no journal here to make a drive of")
            held = journal.read(folder)
            if not held.batches:
                _nothing_in(path, held, disk)
                return None
            about = _read_about(folder)
            config = parse(about.config_text, RecorderConfig, str(folder / CONFIG))
            raw = raw_table(held.raw)
            built = decoding.built() if decoding is not None and decoding.covers(raw) else build(raw, config)
            manifest = _manifest(path.name, state, raw, built, about, _missing(held))
            commit_files(path, _files(manifest, about.config_text, raw, built), disk)
        _remove_journal(folder, disk)
        drive = _open(path)
        wanted = _id_of(int(drive.manifest.started_utc.timestamp()) * 10**9)
        # The folder was named by the wall clock: good to a few seconds, unless the clock was wrong.
        if abs(_utc_of(path.name) - drive.manifest.started_utc.timestamp()) > 60:
            drive = _open(_named(path, wanted, disk))
        return drive
    except ConfigError as error:
        raise DriveError(str(error)) from error
    except OSError as error:
        raise DriveError(f"{path}: the drive cannot be closed: {_said(error)}") from error


@dataclass(frozen=True)
class Recovered:
    """A journal that was found, and what became of it."""

    drive: Drive | None
    """The finished drive; None where there is none."""
    said: str
    """One line for the owner."""
    failed: bool = False
    """Whether the journal is still there because it could not be finished."""


def unfinished(store: Path) -> list[Path]:
    """The folders of drives that have a journal: being recorded, or cut off."""
    return [path for path in _folders(store) if (path / JOURNAL).is_dir()]


def recover(store: Path, *, only: Iterable[Path] | None = None, disk: Disk | None = None) -> list[Recovered]:
    """Finish the drives of the store whose recorder died, or `only` those in some folders; what became of each.

    To be called by the process that holds the store's lock, or while no recorder is alive.
    """
    found = []
    for path in unfinished(store) if only is None else only:
        try:
            was_closed = (path / MANIFEST).exists() or (path / COMMIT).is_dir()
            held = journal.read(path / JOURNAL)
            drive = close(path, state="recovered", disk=disk)
        except (DriveError, OSError) as error:
            found.append(Recovered(None, f"{path.name}: not recovered: {_said(error)}", failed=True))
            continue
        if drive is None:
            said = "set aside" if held.cut_bytes else "removed"
            found.append(Recovered(None, f"{path.name}: it was cut off before a byte was safe, and was {said}"))
        elif was_closed:
            found.append(Recovered(drive, f"{drive.id}: it was complete already; its journal is cleared away"))
        else:
            lost = " ".join(_missing(held)) or "Nothing that was flushed is missing."
            minutes = f"{drive.manifest.duration_s / 60:.1f} min"
            found.append(Recovered(drive, f"{drive.id}: recovered {minutes}, {held.raw.num_rows} chunks. {lost}"))
    _sweep(store)
    return found


def recover_cut_off(store: Path) -> list[Recovered]:
    """`recover` where no recorder is alive, and safe beside one that starts at this moment; [] where one is alive."""
    cut_off = unfinished(store)
    if not cut_off or is_recording(store):
        return []
    with Lock(store, "finishing", patience_s=600):
        return recover(store, only=[path for path in cut_off if (path / JOURNAL).is_dir()])


def rebuild(drive: Drive, config: RecorderConfig, config_text: str, *, disk: Disk | None = None) -> Drive:
    """Build the drive's tables anew from raw.parquet with a configuration; DriveError where that cannot be done."""
    if drive.manifest.state == "recording":
        raise DriveError(f"{drive.id}: it is still being recorded: rebuild it when it is closed")
    raw = drive.table("raw")
    if (digest := raw_digest(raw)) != drive.manifest.digests.get("raw rows", digest):
        raise DriveError(f"{drive.path / RAW}: it is not what was recorded: its digest differs from the manifest's")
    built = build(raw, config)
    old = drive.manifest
    fresh = _manifest(drive.id, old.state, raw, built, _About(config_text, remarks=tuple(old.found)))
    changed = "the same configuration" if config == drive.config else "a changed configuration"
    what = f"rebuilt by {program()} with {changed}; the tables' digests were {_short(old.digests)}"
    made = {name: getattr(fresh, name) for name in BUILT}
    notes = [*fresh.notes, *(note for note in old.notes if note.added is not None)]
    manifest = old.model_copy(update={**made, "notes": notes, "trace": [*old.trace, _trace(what)]})
    files = _files(manifest, config_text, None, built, old.digests.get(RAW, ""))
    try:
        commit_files(drive.path, files, disk or Disk())
    except OSError as error:
        raise DriveError(f"{drive.path}: cannot be rebuilt: {_said(error)}") from error
    return _open(drive.path)


# --- how ----------------------------------------------------------------------------------------------------------


def _manifest(
    name: str, state: str, raw: pa.Table, built: Built, about: _About, remarks: Iterable[str] = ()
) -> Manifest:
    return Manifest(
        program=program(),
        id=name,
        state=state,
        origin=about.origin,
        added_utc=datetime.now(UTC),
        started_utc=instant(built.started_utc_ns),
        ended_utc=instant(built.ended_utc_ns),
        duration_s=(built.ended_utc_ns - built.started_utc_ns) / 1e9,
        sources=[SourceSummary.model_validate(source) for source in built.sources],
        clock=ClockSummary.model_validate(built.clock),
        counters=built.counters,
        rows={table: content.num_rows for table, content in built.tables.items()},
        car=_dumped(about.car),
        setup=_dumped(about.setup),
        weather=about.weather,
        notes=[Note.model_validate(note) for note in built.notes],
        gaps=[Gap.model_validate(gap) for gap in built.gaps],
        remarks=[*about.remarks, *remarks, *built.remarks],
        found=[*about.remarks, *remarks],
        digests={"raw rows": raw_digest(raw)},
    )


def _files(
    manifest: Manifest, config_text: str, raw: pa.Table | None, built: Built, raw_file_digest: str = ""
) -> dict[str, bytes]:
    """The files of a drive, the manifest last and with their digests; without raw.parquet where `raw` is None."""
    tables = {RAW: raw} if raw is not None else {}
    tables |= {f"{name}.parquet": table for name, table in built.tables.items()}
    files = {name: _parquet(table) for name, table in tables.items()}
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    if raw is None:
        digests[RAW] = raw_file_digest
    digests |= manifest.digests
    files[CONFIG] = config_text.encode()
    files[MANIFEST] = manifest_bytes(manifest.model_copy(update={"digests": digests}))
    return files


def _parquet(table: pa.Table) -> bytes:
    """The table as a Parquet file; the same table gives the same bytes with the same pyarrow."""
    counts = [field.name for field in table.schema if field.name in {"time", "mono_ns"}]
    words = [field.name for field in table.schema if pa.types.is_dictionary(field.type)]
    sink = pa.BufferOutputStream()
    pq.write_table(
        table,
        sink,
        row_group_size=1 << 17,  # half an hour of an ordinary rig's raw rows, three hours of a receiver's fixes
        compression="zstd",
        use_dictionary=words,
        column_encoding=dict.fromkeys(counts, "DELTA_BINARY_PACKED"),
        write_statistics=counts,
    )
    data: bytes = sink.getvalue().to_pybytes()
    return data


def _remove_journal(folder: Path, disk: Disk) -> None:
    with contextlib.suppress(FileNotFoundError):
        for path in sorted(folder.iterdir()):
            with contextlib.suppress(FileNotFoundError):
                disk.remove(path)
        disk.remove(folder)
        disk.sync_folder(folder.parent)


def _nothing_in(path: Path, held: journal.Journal, disk: Disk) -> None:
    """Clear away a drive whose journal holds no whole batch; never a file that another process may just have made."""
    if held.cut_bytes:
        disk.replace(path, path.with_name(f"{_SET_ASIDE}{path.name}-{uuid.uuid4().hex[:6]}"))
        return
    folder = path / JOURNAL
    for name in (_ABOUT, CONFIG, *(segment.name for segment in folder.glob("*.arrows"))):
        with contextlib.suppress(FileNotFoundError):
            disk.remove(folder / name)
    with contextlib.suppress(OSError):  # of what is not empty nothing goes
        disk.remove(folder)
        disk.remove(path)


def _read_about(folder: Path) -> _About:
    """What `begin` left beside the journal; where one of its two files is damaged, what the other has."""
    try:
        about = json.loads((folder / _ABOUT).read_bytes())
        car, setup = about["car"], about["setup"]
        return _About(
            about["config"],
            CarConfig.model_validate(car, strict=False) if car else None,
            SetupConfig.model_validate(setup, strict=False) if setup else None,
            about["weather"],
        )
    except (OSError, ValueError, KeyError, TypeError):
        try:
            text = (folder / CONFIG).read_text(encoding="utf-8")
            parse(text, RecorderConfig, CONFIG)
        except (OSError, ValueError) as error:
            what = "is damaged: put the recorder's file there under that name, and `pullbook recover` goes on"
            raise DriveError(f"{folder / CONFIG}: {what}") from error
        return _About(text, remarks=(f"{_ABOUT} of the journal is damaged: car, setup and weather are missing",))


def _missing(held: journal.Journal) -> list[str]:
    said = []
    if held.missing_batches:
        flushes = "1 flush" if held.missing_batches == 1 else f"{held.missing_batches} flushes"
        said.append(f"Missing in the middle: {flushes}.")
    if held.cut_bytes:
        said.append(f"{held.cut_bytes} bytes of the journal belong to no whole flush and were left out.")
    return said


def _sweep(store: Path) -> None:
    """Remove what an import or a rename that was killed left behind, once nobody can be at it any more."""
    yesterday = time.time() - 86400
    for path in store.glob(f"{_NEW}*"):
        with contextlib.suppress(OSError):
            if path.stat().st_mtime < yesterday:
                shutil.rmtree(path)


def _id_of(utc_ns: int) -> str:
    return f"{instant(utc_ns):%Y-%m-%d_%H%M%SZ}"


def _utc_of(name: str) -> float:
    """The time in a drive's id [s since 1970]; NaN where the owner gave it another name."""
    try:
        return datetime.strptime(name[:18], "%Y-%m-%d_%H%M%SZ").replace(tzinfo=UTC).timestamp()
    except ValueError:
        return float("nan")


def _names(store: Path, wanted: str) -> Iterable[Path]:
    yield store / wanted
    yield from (store / f"{wanted}-{number}" for number in range(2, 1000))


def _named(folder: Path, wanted: str, disk: Disk) -> Path:
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
    raise OSError(f"a thousand drives are called {wanted}")


@contextlib.contextmanager
def _new_folder(store: Path, disk: Disk) -> Iterator[Path]:
    """A folder in the store that nobody sees, to be renamed when it is complete; what fails is taken away."""
    fresh = store / f"{_NEW}{uuid.uuid4().hex}"
    disk.make_folder(fresh)
    try:
        yield fresh
    except (Exception, KeyboardInterrupt):
        shutil.rmtree(fresh, ignore_errors=True)
        raise


def _dumped(model: BaseModel | None) -> dict[str, Any] | None:
    return model.model_dump(mode="json") if model is not None else None


def _trace(what: str) -> Trace:
    try:
        who = getpass.getuser()
    except (OSError, KeyError, ImportError):
        who = ""
    return Trace(when=datetime.now(UTC), who=who, what=what)


def _short(digests: Mapping[str, str]) -> str:
    tables = {name: digest for name, digest in digests.items() if name.endswith(".parquet") and name != RAW}
    return ", ".join(f"{name} {digest[:12]}" for name, digest in tables.items()) or "none"


def _said(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error)


def _first(error: ValidationError) -> str:
    detail = error.errors(include_url=False)[0]
    return f"{'.'.join(map(str, detail['loc']))}: {detail['msg']}"
