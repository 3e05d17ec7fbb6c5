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
import os
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
from pydantic import BaseModel

from logger.config.car import CarConfig
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.errors import AlreadyRecording, ConfigError, DriveError
from logger.store import journal, making
from logger.store.commit import COMMIT, CONFIG, RAW, commit_files, finish_commit
from logger.store.disk import Disk, said
from logger.store.folders import JOURNAL, drive_folders, unfinished
from logger.store.making import About, dumped, files_of, manifest_of
from logger.store.manifest import BUILT, MANIFEST, Manifest, Trace, manifest_bytes, parse_manifest
from logger.store.presence import is_recording
from logger.store.recovery import recover_cut_off
from logger.store.tables import build, program, raw_digest, raw_table

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
            raise DriveError(f"{path}: cannot be read: {said(error)}{hint}") from error

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
        plain = {key: dumped(value) if isinstance(value, BaseModel) else value for key, value in changes.items()}
        trace = [*self.manifest.trace, _trace(what)]
        merged = {**self.manifest.model_dump(), **plain, "trace": trace}
        manifest = Manifest.model_validate(merged)
        try:
            commit_files(self.path, {MANIFEST: manifest_bytes(manifest)}, disk or Disk())
        except OSError as error:
            raise DriveError(f"{self.path}: cannot be changed: {said(error)}") from error
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
    for path in drive_folders(store):
        with contextlib.suppress(DriveError):
            drives.append(open_folder(path))
    return sorted(drives, key=lambda drive: (drive.manifest.started_utc, drive.id))


def open_drive(store: Path, ref: str) -> Drive:
    """The drive called `ref`: an id, a path, `last` (the one added last) or `current` (being recorded, read-only).

    For `last`, what a recorder left unfinished when it ended is finished first. DriveError where there is none.
    """
    if ref == "current":
        return _open_current(store)
    if ref == "last":
        finish_cut_off(store)
        return last_added(list_drives(store), store)
    named = store / ref
    path = named if ref and Path(ref).name == ref and named.is_dir() else Path(ref)
    if not ref or not path.is_dir():
        near = [drive.id for drive in list_drives(store) if ref and drive.id.startswith(ref)]
        if len(near) == 1:
            return open_folder(store / near[0])
        hint = (
            f"{len(near)} drives begin like that: {', '.join(near[:4])}" if near else "expected an id, a path or last"
        )
        raise DriveError(f"{ref}: no such drive in {store}: {hint}")
    return open_folder(path)


def finish_cut_off(store: Path) -> None:
    """Finish what a recorder left when it ended; a store that may only be read stays as it is."""
    with contextlib.suppress(OSError, AlreadyRecording):
        recover_cut_off(store)


def last_added(drives: Iterable[Drive], store: Path) -> Drive:
    """Of the drives of a store the one added last; DriveError where there is none."""
    drive = max(drives, key=lambda each: (each.manifest.added_utc, each.manifest.started_utc, each.id), default=None)
    if drive is None:
        raise DriveError(f"{store}: there is no drive in this store yet")
    return drive


def open_folder(path: Path) -> Drive:
    """The finished drive in the folder `path`; DriveError says what it lacks."""
    try:
        finish_commit(path, Disk())
        data = (path / MANIFEST).read_bytes()
        config_text = (path / CONFIG).read_text(encoding="utf-8")
    except FileNotFoundError as error:
        if (path / JOURNAL).is_dir():
            raise DriveError(f"{path.name}: this drive is not closed: `pullbook recover` does that") from error
        raise DriveError(f"{path}: this is no drive: it has no {Path(error.filename).name}") from error
    except (OSError, UnicodeDecodeError) as error:
        raise DriveError(f"{path}: cannot be read: {said(error)}") from error
    manifest = parse_manifest(data, path / MANIFEST)
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
            about = making.read_about(path / JOURNAL)
            config = parse(about.config_text, RecorderConfig, str(path / JOURNAL / CONFIG))
            raw = raw_table(held.raw)
            built = build(raw, config)
            manifest = manifest_of(path.name, "recording", raw, built, about)
            return Drive(path, manifest, config, about.config_text, {**built.tables, "raw": raw})
    raise DriveError(f"{store}: no drive is being recorded here right now")


# --- drives made and made anew ------------------------------------------------------------------------------------


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
    about = About(config_text, car, setup, weather, origin, tuple(remarks))
    return open_folder(making.write(store, raw, config, about, state=state, disk=disk))


def find_raw(store: Path, raw: pa.Table) -> Drive | None:
    """The drive of the store that holds just these raw rows, if any."""
    digest = raw_digest(raw_table(raw))
    return next((drive for drive in list_drives(store) if drive.manifest.digests.get("raw rows") == digest), None)


def rebuild(drive: Drive, config: RecorderConfig, config_text: str, *, disk: Disk | None = None) -> Drive:
    """Build the drive's tables anew from raw.parquet with a configuration; DriveError where that cannot be done."""
    if drive.manifest.state == "recording":
        raise DriveError(f"{drive.id}: it is still being recorded: rebuild it when it is closed")
    raw = drive.table("raw")
    if (digest := raw_digest(raw)) != drive.manifest.digests.get("raw rows", digest):
        raise DriveError(f"{drive.path / RAW}: it is not what was recorded: its digest differs from the manifest's")
    built = build(raw, config)
    old = drive.manifest
    fresh = manifest_of(drive.id, old.state, raw, built, About(config_text, remarks=tuple(old.found)))
    changed = "the same configuration" if config == drive.config else "a changed configuration"
    what = f"rebuilt by {program()} with {changed}; the tables' digests were {_short(old.digests)}"
    made = {name: getattr(fresh, name) for name in BUILT}
    notes = [*fresh.notes, *(note for note in old.notes if note.added is not None)]
    manifest = old.model_copy(update={**made, "notes": notes, "trace": [*old.trace, _trace(what)]})
    files = files_of(manifest, config_text, None, built, old.digests.get(RAW, ""))
    try:
        commit_files(drive.path, files, disk or Disk())
    except OSError as error:
        raise DriveError(f"{drive.path}: cannot be rebuilt: {said(error)}") from error
    return open_folder(drive.path)


def _trace(what: str) -> Trace:
    try:
        who = getpass.getuser()
    except (OSError, KeyError, ImportError):
        who = ""
    return Trace(when=datetime.now(UTC), who=who, what=what)


def _short(digests: Mapping[str, str]) -> str:
    tables = {name: digest for name, digest in digests.items() if name.endswith(".parquet") and name != RAW}
    return ", ".join(f"{name} {digest[:12]}" for name, digest in tables.items()) or "none"
