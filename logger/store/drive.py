"""The drive folder: what a drive is on disk, how it gets there whole, and how it is opened.

    STORE/2026-05-02_091430Z/
      drive.json        the manifest (`Manifest`)
      recorder.toml     the configuration as used
      raw.parquet       every byte in order of arrival (`tables.raw_schema`)
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
import functools
import getpass
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ValidationError

from logger.config.car import CarConfig
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.errors import AlreadyRecording, ConfigError, DriveError
from logger.store import bulkhead, journal, making
from logger.store.cars import split_ref
from logger.store.commit import CONFIG, RAW, changing, commit_files, finish_commit
from logger.store.disk import Disk, no_pipe, said
from logger.store.folders import drive_folders, free_name, unfinished
from logger.store.making import About, dumped, files_of, manifest_of
from logger.store.manifest import BUILT, MANIFEST, Manifest, Trace, first_said, manifest_bytes, parse_manifest, salvaged
from logger.store.names import COMMIT, JOURNAL
from logger.store.parquet import DamagedTable, read_table
from logger.store.presence import is_recording
from logger.store.recovery import recover_cut_off
from logger.store.tables import Built, build, raw_digest, raw_schema, raw_table
from logger.store.told import columns_of, program
from logger.text import storable

if TYPE_CHECKING:
    import pyarrow as pa

_DAMAGED = "drive.damaged.json"

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
        """The table of the source `name`, or `raw`; DriveError where there is none.

        One that is damaged is told as a warning and made anew from the raw bytes, for this time.
        """
        if name not in self.manifest.rows and name != "raw":
            known = ", ".join(self.table_names) or "none"
            raise DriveError(f"{self.id}: there is no table {name!r}. Its tables are {known}")
        if self._tables is not None:
            return self._tables[name]
        if name == "raw" and self.manifest.cut:
            raise DriveError(f"{self.id}: it came in a pack without its raw bytes; only its owner has them")
        if name == "raw":
            return _raw_rows(self.path, self.manifest.digests.get("raw rows"))
        source = next((source for source in self.config.source if source.name == name), None)
        file = f"{name}.parquet"
        try:
            columns = columns_of(source) if source is not None else ["time", "mono_ns"]
            return read_table(self.path / file, self.manifest.digests.get(file), columns)
        except DamagedTable as error:
            if name not in self._built.tables:
                raise DriveError(
                    f"{error}, and its configuration has no source {name!r} to make it again from"
                ) from error
            mend = f"made again from {RAW} for now; `pullbook rebuild {self.id}` repairs it on the disk"
            bulkhead.warn(bulkhead.LeftOut(self.id, f"{error}: {mend}"))
            return self._built.tables[name]

    @cached_property
    def _built(self) -> Built:
        """All tables, made anew from the raw bytes."""
        return build(self.table("raw"), self.config)

    @cached_property
    def car(self) -> CarConfig | None:
        return CarConfig.model_validate(self.manifest.car, strict=False) if self.manifest.car else None

    @cached_property
    def setup(self) -> SetupConfig | None:
        return SetupConfig.model_validate(self.manifest.setup, strict=False) if self.manifest.setup else None

    def amend(
        self, what: str, disk: Disk | None = None, *, files: Mapping[str, bytes] | None = None, **changes: Any
    ) -> Drive:
        """The drive with fields of its manifest changed, in one step and with a trace that says `what` was done.

        `files` are new files of the drive's folder that the manifest names from then on. `setup` and `car` may be
        given as models. What others changed since this drive was opened stays: of a list (`struck`, `notes`) that is
        given only what was added or taken away counts. DriveError where the drive is still
        being recorded or cannot be written.
        """
        if self._tables is not None:
            raise DriveError(f"{self.id}: it is still being recorded. Change it once it is closed")
        with changing(self.path):
            now = open_folder(self.path).manifest
            plain = {
                name: _merged(getattr(self.manifest, name), getattr(now, name), value)
                for name, value in changes.items()
            }
            manifest = Manifest.model_validate({**now.model_dump(), **plain, "trace": [*now.trace, _trace(what)]})
            try:
                commit_files(self.path, {**(files or {}), MANIFEST: manifest_bytes(manifest)}, disk or Disk())
            except OSError as error:
                raise DriveError(f"{self.path}: cannot be changed: {said(error)}") from error
        return Drive(self.path, manifest, self.config, self.config_text)


def _merged(before: Any, now: Any, wanted: Any) -> Any:
    """A field as it is to be: `wanted` by somebody who saw `before`, where meanwhile it has become `now`."""
    if not isinstance(wanted, list):
        return dumped(wanted) if isinstance(wanted, BaseModel) else wanted
    had, have, want = (
        [dumped(entry) if isinstance(entry, BaseModel) else entry for entry in entries]
        for entries in (before, now, wanted)
    )
    kept = [entry for entry in have if entry in want or entry not in had]
    return kept + [entry for entry in want if entry not in had and entry not in kept]


def list_drives(store: Path, tell: Callable[[bulkhead.LeftOut], None] = bulkhead.warn) -> list[Drive]:
    """The finished drives of the store by the time they were driven.

    `tell` is told each drive that cannot be opened; what is no drive, and what is being recorded, is passed over.
    """
    found = [path for path in drive_folders(store) if _is_finished(path, store)]
    drives = [drive for _, drive in bulkhead.each(found, open_folder, name=lambda path: path.name, tell=tell)]
    return sorted(drives, key=lambda drive: (drive.manifest.started_utc, drive.id))


def _is_finished(path: Path, store: Path) -> bool:
    """Whether the folder is to be opened as a drive: it has files of one, or a journal that no recorder is writing."""
    if any((path / name).exists() for name in (MANIFEST, COMMIT, RAW)):
        return True
    return (path / JOURNAL).is_dir() and not is_recording(store)


def open_drive(store: Path, ref: str) -> Drive:
    """The drive called `ref`: an id, a path, `last` (the one added last) or `current` (being recorded, read-only); one
    of another car with the car's name before it: `finch/last`.

    For `last`, what a recorder left unfinished when it ended is finished first. DriveError where there is none.
    """
    if other := split_ref(store, ref):
        return open_drive(*other)
    if ref == "current":
        return _open_current(store)
    if ref == "last":
        tried = finish_cut_off(store)
        return last_added(list_drives(store), store, tried)
    return open_folder(folder_of(store, ref))


def folder_of(store: Path, ref: str) -> Path:
    """The folder of the drive with this id, beginning of an id, or path; DriveError where there is none."""
    if other := split_ref(store, ref):
        return folder_of(*other)
    named = store / ref
    path = named if ref and Path(ref).name == ref and named.is_dir() else Path(ref)
    if not ref or not path.is_dir():
        near = [path.name for path in drive_folders(store) if ref and path.name.startswith(ref)]
        if len(near) == 1:
            return store / near[0]
        hint = (
            f"{len(near)} drives start like that: {', '.join(near[:4])}" if near else "expected an id, a path or last"
        )
        raise DriveError(f"{ref}: no such drive in {store}; {hint}")
    return path


def finish_cut_off(store: Path) -> str:
    """Recover what was cut off, and tell each as a warning; gives the first that could not be recovered, or ""."""
    try:
        found = recover_cut_off(store)
    except (OSError, AlreadyRecording) as error:  # a store that may only be read, another process that is at it
        return f"a recording that was cut off cannot be finished now: {said(error)}"
    for each in found:
        bulkhead.warn(bulkhead.LeftOut("", each.said))
    return next((each.said for each in found if each.failed), "")


def last_added(drives: Iterable[Drive], store: Path, tried: str = "") -> Drive:
    """Of the drives of a store the one added last; DriveError where there is none, with what was `tried` in vain."""
    drive = max(drives, key=lambda each: (each.manifest.added_utc, each.manifest.started_utc, each.id), default=None)
    if drive is None:
        raise DriveError(f"{store}: there is no drive in this store yet{f'; {tried}' if tried else ''}")
    return drive


def open_folder(path: Path) -> Drive:
    """The finished drive in the folder `path`; DriveError says what it lacks, and what to do."""
    anew = f"; `pullbook rebuild {path.name}` makes it again from {RAW}"
    try:
        finish_commit(path, Disk())
        data = no_pipe(path / MANIFEST).read_bytes()
        config_text = no_pipe(path / CONFIG).read_text(encoding="utf-8")
    except FileNotFoundError as error:
        if (path / JOURNAL).is_dir():
            raise DriveError(f"{path.name}: this drive is not closed; `pullbook recover` closes it") from error
        lacking = Path(error.filename).name
        if lacking == MANIFEST and (path / RAW).exists():
            raise DriveError(f"{path}: {lacking} is missing{anew}") from error
        raise DriveError(f"{path}: this is not a drive, because {lacking} is missing") from error
    except (OSError, UnicodeDecodeError) as error:
        raise DriveError(f"{path}: cannot be read: {said(error)}") from error
    try:
        manifest = parse_manifest(data, path / MANIFEST)
        config = _config_of(config_text) or parse(config_text, RecorderConfig, str(path / CONFIG))
    except ConfigError as error:
        raise DriveError(f"{error}; `pullbook rebuild {path.name} --config F` replaces it") from error
    except DriveError as error:
        raise DriveError(f"{error}{anew}") from error
    # The folder's name is the id, also where the owner renamed or copied it; as text, whatever bytes it is of.
    drive = Drive(path, manifest.model_copy(update={"id": storable(path.name)}), config, config_text)
    for name in ("car", "setup"):
        try:
            getattr(drive, name)
        except ValidationError as error:
            put = f"`pullbook rebuild {path.name} --{name} F` replaces it"
            raise DriveError(f"{path / MANIFEST}: its {name} cannot be used ({first_said(error)}); {put}") from error
    return drive


@functools.lru_cache(maxsize=64)
def _config_of(text: str) -> RecorderConfig | None:
    """A recorder's file that many drives were recorded with; None where something is wrong with it."""
    with contextlib.suppress(ConfigError):
        return parse(text, RecorderConfig, CONFIG)
    return None


def _open_current(store: Path) -> Drive:
    if not is_recording(store):
        raise DriveError(f"{store}: no drive is being recorded here")
    for path in reversed(unfinished(store)):
        if (path / MANIFEST).exists() or (path / COMMIT).exists():  # being closed
            continue
        with contextlib.suppress(FileNotFoundError):
            held = journal.read(path / JOURNAL)
            if not held.batches:
                raise DriveError(f"{path.name}: nothing of this drive is on the disk yet. Try again in a second")
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
    drives = list_drives(store)
    digest = raw_digest(raw_table(raw)) if drives else ""
    return next((drive for drive in drives if drive.manifest.digests.get("raw rows") == digest), None)


def rebuild(drive: Drive, config: RecorderConfig, config_text: str, *, disk: Disk | None = None) -> Drive:
    """Build the drive's tables anew from raw.parquet with a configuration; DriveError where that cannot be done."""
    if drive.manifest.state == "recording":
        raise DriveError(f"{drive.id}: it is still being recorded. Rebuild it once it is closed")
    with changing(drive.path):
        drive = open_folder(drive.path)
        raw, old = drive.table("raw"), drive.manifest
        built = build(raw, config)
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


def mend(path: Path, settings: tuple[RecorderConfig, str] | None = None, *, disk: Disk | None = None) -> Drive:
    """Make a drive's files anew from its raw.parquet, whatever its other files are; DriveError where that fails.

    `settings` are a configuration and its text, in place of the drive's own. Of a damaged drive.json, which is kept
    beside as drive.damaged.json (-2 and so on), what is whole and is in no raw byte is taken over: setup, car, ...
    """
    with changing(path):
        if settings is None:
            text = _config_text(path)
            settings = parse(text, RecorderConfig, str(path / CONFIG)), text
        try:
            before = no_pipe(path / MANIFEST).read_bytes()
        except OSError:
            before = b""
        aside = free_name(path / _DAMAGED).name
        kept = salvaged(before)
        digests = kept.pop("digests", {})
        dropped = {name for name, model in (("car", CarConfig), ("setup", SetupConfig)) if not _fits(kept, name, model)}
        raw = _raw_rows(path, digests.get("raw rows"))
        built = build(raw, settings[0])
        lost = f"{MANIFEST} was damaged and was made again from {RAW}"
        if not kept:
            lost += f"; setup, car, weather, strikes, tags and fuel could not be read, but may still be in {aside}"
        elif dropped:
            lost += f"; {' and '.join(sorted(dropped))} could not be read"
        about = About(settings[1], remarks=(*kept.pop("found", ()), lost))
        fresh = manifest_of(path.name, kept.pop("state", "recovered"), raw, built, about)
        notes = [*fresh.notes, *(note for note in kept.pop("notes", ()) if note.added is not None)]
        trace = [*kept.pop("trace", ()), _trace(f"repaired by {program()}")]
        manifest = fresh.model_copy(update={**kept, "notes": notes, "trace": trace})
        files = files_of(manifest, settings[1], None, built, digests.get(RAW, ""))
        if before:
            files = {aside: before, **files}
        try:
            commit_files(path, files, disk or Disk())
        except OSError as error:
            raise DriveError(f"{path}: cannot be repaired: {said(error)}") from error
    return open_folder(path)


def _config_text(path: Path) -> str:
    try:
        return no_pipe(path / CONFIG).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise DriveError(f"{path / CONFIG}: cannot be read: {said(error)}. Name another with --config") from error


def _fits(kept: dict[str, Any], name: str, model: type[BaseModel]) -> bool:
    """Whether what was kept under `name` is a `model`, or nothing is there; what is none is taken away."""
    try:
        if kept.get(name) is not None:
            model.model_validate(kept[name], strict=False)
    except ValidationError:
        del kept[name]
        return False
    return True


def _raw_rows(path: Path, digest: str | None) -> pa.Table:
    """raw.parquet of the drive's folder; DriveError where it is not what was recorded, as far as `digest` tells."""
    try:
        raw = read_table(path / RAW, None, raw_schema().names)
    except DamagedTable as error:
        raise DriveError(str(error)) from error
    if not raw.schema.equals(raw_schema()):
        raise DriveError(f"{path / RAW}: this does not hold the raw bytes of a drive")
    if digest and raw_digest(raw) != digest:
        raise DriveError(f"{path / RAW}: it was changed since it was recorded (its checksum does not match {MANIFEST})")
    return raw


def _trace(what: str) -> Trace:
    try:
        who = getpass.getuser()
    except (OSError, KeyError, ImportError):
        who = ""
    return Trace(when=datetime.now(UTC), who=who, what=what)


def _short(digests: Mapping[str, str]) -> str:
    tables = {name: digest for name, digest in digests.items() if name.endswith(".parquet") and name != RAW}
    return ", ".join(f"{name} {digest[:12]}" for name, digest in tables.items()) or "none"
