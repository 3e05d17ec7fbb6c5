"""A pack taken into a store: the owner's own drives are merged, another car's are put in a store of their own.

    taken = unpack(store, Path("finch.zip"))

Nothing is written before the whole pack was found to be as it was made (`logger.store.pack`). Each drive then appears
in one step, after its files were read as drives are read; killed in between, the pack is taken again and goes on where
it was. What is there already stays as it is.

* The same drive twice is one, by the digest of its raw bytes, whatever it is called. What its owner added in the pack
  (marks, photographs, notes, weather) is added here; where both say something else, what is here stays, and it is said.
* Another drive of the same name gets -2 behind it.
* A setup whose name stands for other parts here gets (2) behind its name.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import pyarrow as pa
import pyarrow.parquet as pq

from analysis.conditions.setups import Known, known, same
from logger.config.car import CarConfig, car_key
from logger.config.reading import load, parse
from logger.config.recorder import RecorderConfig
from logger.errors import DriveError, InputError
from logger.store import bulkhead
from logger.store.cars import keep_pack_id, pack_id
from logger.store.commit import CONFIG, RAW, commit_files
from logger.store.disk import Disk, said
from logger.store.drive import Drive, list_drives, open_folder
from logger.store.folders import free_name, id_of, make_store, new_folder, sweep, take_name
from logger.store.manifest import MANIFEST, Manifest, Trace, manifest_bytes, parse_manifest
from logger.store.names import CARS
from logger.store.pack import NO_NAMES, PackFile
from logger.store.parquet import digest_of
from logger.store.tables import build, raw_digest, raw_schema, raw_table
from logger.store.told import columns_of
from logger.units import NS_PER_S

Became = Literal["new", "already", "added to"]
RAW_ROWS = "raw rows"
_MOST_ROWS = 100_000_000
"""A month at 40 rows a second."""
_MOST_UNPACKED = 8 << 30
_SPARE_BYTES = 64 << 20
_PLAIN = re.compile(r"[^\W_](?:[\w .+-]{0,78}[\w+-])?")
_NO_NAMES = {*NO_NAMES, CARS}
"""Windows' own, and the folder of the other cars."""


@dataclass(frozen=True)
class TakenDrive:
    """What became of a drive of the pack."""

    was: str
    """What it was called there."""
    drive: str
    """What it is called here."""
    became: Became
    said: tuple[str, ...] = ()
    """What an owner should know of it, a sentence each."""
    own: bool = False
    """It was here among the owner's own drives, and came back with another's pack, or with the own one."""


@dataclass
class Taken:
    """What became of a pack."""

    store: Path
    """Where its drives are."""
    car: str | None
    """How the other car is called; None where the drives are the owner's own."""
    made_for: Literal["others", "oneself"]
    drives: list[TakenDrive] = field(default_factory=list)
    files: list[str] = field(default_factory=list)
    """Files put into the store, by their names there."""
    left_out: list[str] = field(default_factory=list)
    """Drives that could not be taken, a line each."""


def unpack(
    store: Path,
    file: Path,
    *,
    mine: bool = False,
    called: str | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> Taken:
    """Take a pack into a store.

    Parameters
    ----------
    mine : bool
        A whole pack of another store is the owner's too: it is merged.
    called : str, optional
        Another car, and what it is to be called here.

    Raises
    ------
    InputError
        Where the file is no pack, was damaged, or does not fit on the disk; where nothing says whose it is.
    """
    with PackFile(file) as pack:
        progress(f"checking {file.name}")
        pack.check()
        taken = Taken(*_place(store, pack, mine, called), pack.index.made_for)
        _has_room(store, pack)
        sweep(taken.store)
        own = _Here(store, _own_car(store)) if taken.car is None else None
        here: dict[Path, _Here] = {} if own is None else {store: own}
        for names in pack.drives():
            _take(pack, names, taken, store, here, progress)
        if any(not each.own for each in taken.drives):
            _take_files(pack, taken)
    return taken


# --- where to -----------------------------------------------------------------------------------------------------


def _place(store: Path, pack: PackFile, mine: bool, called: str | None) -> tuple[Path, str | None]:
    """The store that the drives go to, and how another car is called there."""
    index = pack.index
    if mine and (called or index.made_for == "others"):
        wrong = "--as names another car" if called else "this one was made for others, without raw bytes and positions"
        raise InputError(f"{pack.path}: --mine merges your own whole pack, but {wrong}")
    if called is not None:
        if not _PLAIN.fullmatch(called) or called.casefold() in _NO_NAMES:
            raise InputError(f"--as: {called!r} is not a plain name. Write it as finch.")
        theirs = pack_id(store / CARS / called)
        if theirs not in ("", index.owner):
            raise InputError(f"--as {called}: another owner's car has this name here. Give another name.")
        return store / CARS / called, called
    if index.made_for == "oneself":
        ours = pack_id(store)
        if mine or ours == index.owner or (not ours and not list_drives(store, lambda left: None)):
            return store, None
        what = "Use --mine to merge it with yours, or --as NAME for a friend's car"
        raise InputError(f"{pack.path}: this is a whole pack from another store. {what}")
    name = plain_name(index.car)
    folder = store / CARS / name
    number = 2
    while pack_id(folder) not in ("", index.owner):
        folder, number = store / CARS / f"{name}-{number}", number + 1
    return folder, folder.name


def plain_name(text: str) -> str:
    """A car's name as a folder or a file may be called: `the-wren`; `car` where nothing is left of it."""
    plain = re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-")[:40].strip("-")
    return "car" if not plain or plain in _NO_NAMES else plain


def _own_car(store: Path) -> str:
    """What the store's own car is called: by its car's file, else by its newest drive; "" where nothing says it."""
    path = store / "car.toml"
    if path.is_file():
        return car_key(load(path, CarConfig).car.name)
    named = [drive.car.car.name for drive in list_drives(store, lambda left: None) if drive.car is not None]
    return car_key(named[-1]) if named else ""


def _has_room(store: Path, pack: PackFile) -> None:
    there = next(path for path in (store.absolute(), *store.absolute().parents) if path.exists())
    free = shutil.disk_usage(there).free
    if pack.size + _SPARE_BYTES > free:
        raise InputError(f"{pack.path}: it needs {pack.size >> 20} MB, but {there} has only {free >> 20} MB left")


# --- a drive ------------------------------------------------------------------------------------------------------


class _Here:
    """What a store holds before and while a pack is taken."""

    def __init__(self, store: Path, car: str = "") -> None:
        self.store, self.car = store, car
        drives = list_drives(store, lambda left: None)
        self.by_rows = {digest: drive for drive in drives if (digest := drive.manifest.digests.get(RAW_ROWS))}
        self.setups = known(drives)

    def add(self, drive: Drive) -> None:
        """A drive that was taken."""
        self.by_rows[drive.manifest.digests[RAW_ROWS]] = drive
        if drive.setup is not None and not any(same(each.setup.parts, drive.setup.parts) for each in self.setups):
            self.setups.append(Known(drive.setup.name, drive.setup, (drive.id,)))


def _take(
    pack: PackFile,
    names: Mapping[str, str],
    taken: Taken,
    store: Path,
    here: dict[Path, _Here],
    progress: Callable[[str], None],
) -> None:
    """One drive of the pack: what becomes of it is noted, also where it cannot be taken."""
    was = "a drive"
    try:
        if MANIFEST not in names:
            raise DriveError(f"a drive of the pack has no {MANIFEST}")
        manifest = parse_manifest(pack.read(names[MANIFEST]), Path(MANIFEST))
        was = manifest.id
        progress(f"taking {was}")
        if taken.car is not None:
            if store not in here:
                here[store] = _Here(store)
            if found := here[store].by_rows.get(manifest.digests.get(RAW_ROWS, "")):
                taken.drives.append(TakenDrive(was, found.id, "already", ("already in your own store",), own=True))
                return
        into = _goes_to(manifest, taken, store, here)
        if into not in here:
            here[into] = _Here(into)
        files = {name: pack.read(inside) for name, inside in names.items()}
        keep_pack_id(into, pack.index.owner)
        done = _merged_or_made(here[into], manifest, files, pack)
        if into != taken.store:
            done = TakenDrive(done.was, f"{into.name}/{done.drive}", done.became, (*done.said, "it is of another car"))
        taken.drives.append(done)
    except InputError as error:
        line = str(error)
        taken.left_out.append(line if was in line else f"{was}: {line}")
    except OSError as error:
        raise InputError(f"{store}: cannot be written: {said(error)}") from error
    except Exception as error:  # files that no check of ours refused
        taken.left_out.append(bulkhead.failure(was, error).said)


def _goes_to(manifest: Manifest, taken: Taken, store: Path, here: Mapping[Path, _Here]) -> Path:
    """The store that a drive goes to: of the owner's own pack those of another car don't go among the others."""
    told = (manifest.car or {}).get("car")
    car = str(told.get("name", "")) if isinstance(told, dict) else ""
    if taken.car is None:
        own = here[store]
        own.car = own.car or car_key(car)
        return store if not car or car_key(car) == own.car else store / CARS / plain_name(car)
    return taken.store


def _merged_or_made(here: _Here, manifest: Manifest, files: dict[str, bytes], pack: PackFile) -> TakenDrive:
    config = parse(files[CONFIG].decode("utf-8", "replace"), RecorderConfig, CONFIG) if CONFIG in files else None
    if config is None:
        raise DriveError(f"{manifest.id}: this drive has no {CONFIG}")
    _check_files(manifest, files)
    _check_tables(manifest, config, files)
    if found := here.by_rows.get(manifest.digests[RAW_ROWS]):
        return _joined(found, manifest, files, pack)
    said_of: list[str] = []
    if renamed := _setup_apart(manifest, here):
        named = manifest.setup and manifest.setup["name"]
        said_of.append(f"its setup {named!r} has other parts here, so it is now {renamed!r}")
        manifest = manifest.model_copy(update={"setup": {**(manifest.setup or {}), "name": renamed}})
    wanted = _name_for(manifest)
    what = f"unpacked from {pack.path.name}{'; ' + said_of[0] if said_of else ''}"
    trace = [*manifest.trace, Trace(when=datetime.now(UTC), who="", what=what)]
    files[MANIFEST] = manifest_bytes(manifest.model_copy(update={"trace": trace}))
    make_store(here.store)
    with new_folder(here.store, Disk()) as fresh:
        commit_files(fresh, files, Disk())
        _opens(fresh, manifest.id)
        path = take_name(fresh, wanted, Disk())
    drive = open_folder(path)
    here.add(drive)
    if drive.id != wanted:
        said_of.insert(0, f"another drive here has the name {wanted}, so it is now {drive.id}")
    return TakenDrive(manifest.id, drive.id, "new", tuple(said_of))


def _opens(fresh: Path, name: str) -> None:
    try:
        open_folder(fresh)
    except DriveError as error:
        raise DriveError(f"{name}: {str(error).replace(str(fresh), name).split(': `pullbook rebuild')[0]}") from error


def _name_for(manifest: Manifest) -> str:
    """The drive's name where it is a plain one, else that of its start."""
    if _PLAIN.fullmatch(manifest.id) and manifest.id.casefold() not in _NO_NAMES:
        return manifest.id
    return id_of(int(manifest.started_utc.timestamp()) * NS_PER_S)


def _setup_apart(manifest: Manifest, here: _Here) -> str:
    """Another name for the drive's setup, where its own stands for other parts here; "" where it can stay."""
    from logger.config.setup import SetupConfig

    if not manifest.setup:
        return ""
    setup = SetupConfig.model_validate(manifest.setup, strict=False)
    if alike := [each for each in here.setups if same(each.setup.parts, setup.parts)]:
        named = alike[0].name
        clash = any(each.name.casefold() == setup.name.casefold() and each is not alike[0] for each in here.setups)
        return named if clash and named != setup.name else ""
    taken = {each.name.casefold() for each in here.setups}
    if setup.name.casefold() not in taken:
        return ""
    return next(name for n in range(2, 1000) if (name := f"{setup.name[:74]} ({n})").casefold() not in taken)


# --- what a drive's files must be ---------------------------------------------------------------------------------


def _check_files(manifest: Manifest, files: Mapping[str, bytes]) -> None:
    """That there is every file that the manifest names, as it names it, and no other."""
    tables = {f"{name}.parquet" for name in manifest.rows}
    photos = {each.file: each.digest for each in manifest.photos if each.file is not None}
    wanted = {MANIFEST, CONFIG, *tables, *photos} | (set() if manifest.cut else {RAW})
    if manifest.state not in ("closed", "recovered", "imported"):
        raise DriveError(f"{manifest.id}: its state is {manifest.state!r}, so it is not a finished drive")
    if RAW in tables:
        raise DriveError(f"{manifest.id}: one of its tables has the name raw, which is reserved")
    if missing := sorted(wanted - set(files)):
        raise DriveError(f"{manifest.id}: {missing[0]} is missing from the pack")
    if stray := sorted(set(files) - wanted):
        raise DriveError(f"{manifest.id}: {stray[0]} is not in its manifest")
    for name in (*tables, *photos):
        told = photos.get(name) or manifest.digests.get(name)
        if told and digest_of(files[name]) != told:
            raise DriveError(f"{manifest.id}: {name} is not what its manifest says (its digest differs)")
    if manifest.cut and not re.fullmatch(r"[0-9a-f]{64}", manifest.digests.get(RAW_ROWS, "")):
        raise DriveError(f"{manifest.id}: its manifest does not say which drive it is")


def _check_tables(manifest: Manifest, config: RecorderConfig, files: Mapping[str, bytes]) -> None:
    """That its tables are those that its sources make, in number and kind, and its raw bytes are those recorded."""
    if manifest.cut:  # its tables cannot be made anew
        expected = build(raw_table(raw_schema().empty_table()), config).tables
        if strange := sorted(set(manifest.rows) - set(expected)):
            raise DriveError(f"{manifest.id}: its configuration has no source {strange[0]!r}")
    for source in config.source:
        if source.name not in manifest.rows:
            continue
        table = _table(manifest, f"{source.name}.parquet", files, columns_of(source))
        alike = not manifest.cut or _kinds(table) == _kinds(expected[source.name])
        if not alike or table.num_rows != manifest.rows[source.name]:
            raise DriveError(f"{manifest.id}: {source.name}.parquet is not a table of this source")
    if not manifest.cut:
        raw = _table(manifest, RAW, files, raw_schema().names)
        if not raw.schema.equals(raw_schema()):
            raise DriveError(f"{manifest.id}: {RAW} does not hold the raw bytes of a drive")
        digest = raw_digest(raw)
        if manifest.digests.setdefault(RAW_ROWS, digest) != digest:
            raise DriveError(f"{manifest.id}: {RAW} is not what was recorded (its digest is not the manifest's)")


def _kinds(table: pa.Table) -> list[tuple[str, pa.DataType]]:
    """Names and types of the columns; of words that are numbered, that they are words."""
    return [(each.name, pa.string() if pa.types.is_dictionary(each.type) else each.type) for each in table.schema]


def _table(manifest: Manifest, name: str, files: Mapping[str, bytes], wanted: list[str]) -> pa.Table:
    """A table of the drive, after its size was looked at: a few bytes may stand for a thousand million rows."""
    try:
        with pq.ParquetFile(pa.BufferReader(files[name])) as file:
            groups = [file.metadata.row_group(k).total_byte_size for k in range(file.metadata.num_row_groups)]
            if file.metadata.num_rows > _MOST_ROWS or sum(groups) > _MOST_UNPACKED:
                raise DriveError(f"{manifest.id}: {name} claims {file.metadata.num_rows} rows, too many for a drive")
            table = file.read()
    except (pa.ArrowException, OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise DriveError(f"{manifest.id}: {name} is not a complete Parquet file") from error
    if lacking := [column for column in wanted if column not in table.column_names]:
        raise DriveError(f"{manifest.id}: {name} lacks the column {lacking[0]!r}")
    return table


# --- a drive that is here already ---------------------------------------------------------------------------------


def _joined(found: Drive, manifest: Manifest, files: Mapping[str, bytes], pack: PackFile) -> TakenDrive:
    """What the pack says besides of a drive that is here is added; where both say something else, ours stays."""
    ours = found.manifest
    changes: dict[str, Any] = {}
    added, differ = list[str](), list[str]()
    for name, word in (("struck", "strike"), ("tags", "tag"), ("photos", "photograph"), ("notes", "note")):
        theirs = [each for each in getattr(manifest, name) if name != "notes" or each.added is not None]
        have = getattr(ours, name)
        if name == "photos":
            files_here = {each.file for each in have if each.file}
            theirs = [each for each in theirs if each.file not in files_here]
        if fresh := [each for each in theirs if each not in have]:
            changes[name] = [*have, *fresh]
            added.append(f"{len(fresh)} {word}{'' if len(fresh) == 1 else 's'}")
    for name in ("weather", "fuel", "setup", "car"):
        mine, theirs_value = getattr(ours, name), getattr(manifest, name)
        if theirs_value and not mine:
            changes[name] = theirs_value
            added.append(name)
        elif theirs_value and mine != theirs_value and not _same_setup(name, mine, theirs_value):
            differ.append(f"its {name} differs in the pack; yours stays")
    if not changes:
        return TakenDrive(manifest.id, found.id, "already", tuple(differ))
    photos = {str(each.file): files[str(each.file)] for each in changes.get("photos", ()) if str(each.file) in files}
    found.amend(f"added from {pack.path.name}: {', '.join(added)}", files=photos, **changes)
    return TakenDrive(manifest.id, found.id, "added to", (f"added: {', '.join(added)}", *differ))


def _same_setup(name: str, ours: Mapping[str, Any] | None, theirs: Mapping[str, Any]) -> bool:
    """Whether two setups have the same parts, whatever they are called."""
    if name != "setup" or not ours:
        return False
    return bool(same(ours.get("parts", {}), theirs.get("parts", {})))


# --- the store's files --------------------------------------------------------------------------------------------


def _take_files(pack: PackFile, taken: Taken) -> None:
    """Files of the store: put where none is; beside it, under another name, where it is another one."""
    for name in pack.store_files():
        data, path = pack.read(name), taken.store / name
        if path.exists() and path.read_bytes() == data:
            continue
        others = [each for each in taken.store.glob(f"{path.stem}-*{path.suffix}") if each.read_bytes() == data]
        if path.exists() and others:
            continue
        put = free_name(path)
        try:
            Disk().put_file(put, data)
        except OSError as error:
            raise InputError(f"{put}: cannot be written: {said(error)}") from error
        taken.files.append(put.name)
