"""A pack: drives and files of a store in one file, a plain zip that any program opens.

    drives/0001/drive.json, recorder.toml, gps.parquet, ...     a drive's folder
    car.toml, targets.toml, ...                                 files of the store
    pack.json                                                   what is in it: sizes, SHA-256 of each file, for whom

    write_pack(path, about, files)
    pack = PackFile(path)            # checked: names, sizes, room; nothing is written anywhere
    pack.check()                     # ... and every digest
    pack.read("drives/0001/drive.json")

A pack may come from anybody. No name in it becomes a path before it was held against the few shapes that a pack has;
no file is unpacked beyond the size that pack.json gives it; tables and pictures stand in the zip as they are (their
own compression is enough), so a small file cannot become a huge one.
"""

from __future__ import annotations

import hashlib
import re
import uuid
import zipfile
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from logger.errors import InputError
from logger.store.disk import Disk, no_pipe, said
from logger.store.folders import make_store
from logger.store.manifest import first_said
from logger.store.told import program

VERSION = 1
INDEX = "pack.json"
FOR_OTHERS = ("car.toml", "targets.toml")
"""Files of a store that a pack for others may hold; one for oneself has all that end in .toml."""
_STORE_FILE = re.compile(r"[a-z0-9][a-z0-9_-]{0,60}\.toml", re.IGNORECASE)
NO_NAMES = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))})
"""What no file may be called on Windows, whatever its ending."""
_DRIVE_FILE = re.compile(
    r"drives/(\d{4,6})/(drive\.json|recorder\.toml|[a-z][a-z0-9_]{0,31}\.parquet|photo-[0-9a-f]{12}\.(?:jpg|png|webp))"
)
_LARGEST_INDEX = 64 << 20
_LARGEST_TEXT = 64 << 20
_LARGEST_FILE = 4 << 30
_BLOCK = 1 << 20


class PackEntry(BaseModel):
    """A file of a pack."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    bytes: Annotated[int, Field(ge=0, le=_LARGEST_FILE)]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class PackIndex(BaseModel):
    """pack.json."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    pack: int
    """Version of the form."""
    program: Annotated[str, Field(max_length=200)] = ""
    made_utc: AwareDatetime
    made_for: Literal["others", "oneself"]
    """others: positions are cut, and raw bytes are not in it; oneself: all is in it."""
    owner: Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]
    """Of whose store it is: the same word in all packs of one store."""
    car: Annotated[str, Field(max_length=200)] = ""
    """The newest drive's."""
    private: Annotated[str, Field(max_length=500)] = ""
    """What was cut, in words."""
    files: dict[str, PackEntry] = {}


def write_pack(path: Path, about: PackIndex, files: Iterable[tuple[str, bytes]]) -> int:
    """Write a pack whole or not at all; its size [bytes]. `about` is taken without its `files`, which are counted here.

    InputError where it cannot be written.
    """
    disk, draft = Disk(), path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}.new")
    try:
        make_store(path.absolute().parent)
        try:
            with disk.create(draft) as file:
                with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as packed:
                    _write_all(packed, about, files)
                disk.sync(file)
            disk.replace(draft, path)
        finally:
            draft.unlink(missing_ok=True)
        disk.sync_folder(path.absolute().parent)
        return path.stat().st_size
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {said(error)}") from error


def _write_all(packed: zipfile.ZipFile, about: PackIndex, files: Iterable[tuple[str, bytes]]) -> None:
    entries = {}
    for name, data in files:
        if not is_known(name):
            raise ValueError(f"{name}: no file in a pack has this name")
        entries[name] = PackEntry(bytes=len(data), sha256=hashlib.sha256(data).hexdigest())
        _put(packed, name, data)
    index = about.model_copy(update={"files": entries})
    _put(packed, INDEX, (index.model_dump_json(indent=1) + "\n").encode())


def _put(packed: zipfile.ZipFile, name: str, data: bytes) -> None:
    entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    entry.external_attr = 0o600 << 16
    packed.writestr(entry, data, zipfile.ZIP_DEFLATED if _is_text(name) else zipfile.ZIP_STORED)


def about_now(made_for: Literal["others", "oneself"], owner: str, car: str, private: str) -> PackIndex:
    """What pack.json says of a pack that is made now."""
    return PackIndex(
        pack=VERSION, program=program(), made_utc=datetime.now(UTC), made_for=made_for, owner=owner, car=car[:200],
        private=private,
    )  # fmt: skip


def is_known(name: str) -> bool:
    """Whether a file of a pack may be called so."""
    return is_store_file(name) or _DRIVE_FILE.fullmatch(name) is not None


def is_store_file(name: str) -> bool:
    """Whether a file of a pack, or of a store, is one of the store's own, such as car.toml."""
    return _STORE_FILE.fullmatch(name) is not None and name[: -len(".toml")].casefold() not in NO_NAMES


def _is_text(name: str) -> bool:
    return name.endswith((".json", ".toml"))


class PackFile:
    """A pack to be read. InputError, one line that names the file, wherever it is none, or not as it was made."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            if not no_pipe(path).is_file():
                raise InputError(f"{path}: {'this is a folder, and no pack' if path.exists() else 'no such file'}")
            size = path.stat().st_size
            self._zip = zipfile.ZipFile(path)
        except OSError as error:
            raise InputError(f"{path}: cannot be read: {said(error)}") from error
        except InputError:
            raise
        except Exception as error:  # what a spoilt directory of a zip brings about is not to be counted up
            raise InputError(f"{path}: this is not a pack, or it was cut off. Get it again") from error
        try:
            self._entries = self._listed(size)
            self.index = self._index()
            self._whole()
        except BaseException:
            self._zip.close()
            raise

    def __enter__(self) -> PackFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._zip.close()

    @property
    def size(self) -> int:
        """Of all files in it, unpacked [bytes]."""
        return sum(entry.bytes for entry in self.index.files.values())

    def drives(self) -> Iterator[dict[str, str]]:
        """The files of each drive: its name in the drive's folder -> its name in the pack."""
        found: dict[str, dict[str, str]] = {}
        for name in self.index.files:
            if match := _DRIVE_FILE.fullmatch(name):
                found.setdefault(match[1], {})[match[2]] = name
        yield from (files for _, files in sorted(found.items()))

    def store_files(self) -> list[str]:
        """The store's files in it: of a pack for others those that it may hold."""
        names = sorted(name for name in self.index.files if is_store_file(name))
        return [name for name in names if self.index.made_for == "oneself" or name in FOR_OTHERS]

    def check(self) -> None:
        """Hold every file against its size and digest."""
        for name in self.index.files:
            for _ in self._blocks(name):
                pass

    def read(self, name: str) -> bytes:
        """A file, which is as long as pack.json says and has its digest."""
        return b"".join(self._blocks(name))

    def _listed(self, size: int) -> dict[str, zipfile.ZipInfo]:
        entries: dict[str, zipfile.ZipInfo] = {}
        packed = 0
        for entry in self._zip.infolist():
            name = entry.filename
            if name != INDEX and not is_known(name):
                raise InputError(f"{self.path}: it contains {name[:80]!r}, which does not belong in a pack")
            if name in entries:
                raise InputError(f"{self.path}: it contains {name} twice")
            text = _is_text(name)
            if entry.compress_type != zipfile.ZIP_STORED and not text:
                raise InputError(f"{self.path}: {name} is compressed; tables and pictures of a pack never are")
            if text and entry.file_size > _LARGEST_TEXT:
                raise InputError(f"{self.path}: {name} has {entry.file_size} bytes, too many for such a file")
            entries[name] = entry
            packed += entry.compress_size
        if packed > size:  # files that lie over each other
            raise InputError(f"{self.path}: this is not a pack (its files are longer than the whole)")
        return entries

    def _index(self) -> PackIndex:
        if INDEX not in self._entries:
            raise InputError(f"{self.path}: this is not a pack, because {INDEX} is missing")
        data = b"".join(self._plain(INDEX, min(self._entries[INDEX].file_size, _LARGEST_INDEX)))
        try:
            told = _Version.model_validate_json(data)
            if told.pack > VERSION:
                raise InputError(f"{self.path}: a pack of a newer version ({told.pack}). Update this program")
            return PackIndex.model_validate_json(data)
        except ValidationError as error:
            raise InputError(f"{self.path}: its {INDEX} does not describe a pack: {first_said(error)}") from error

    def _whole(self) -> None:
        """That pack.json and the zip name the same files with the same sizes."""
        for name, entry in self.index.files.items():
            if name == INDEX or name not in self._entries:
                raise InputError(f"{self.path}: {name[:80]!r} is missing. Get the pack again")
            if self._entries[name].file_size != entry.bytes:
                raise InputError(f"{self.path}: {name} is not the size that {INDEX} lists. Get the pack again")
        if stray := [name for name in self._entries if name != INDEX and name not in self.index.files]:
            raise InputError(f"{self.path}: this is not a pack ({stray[0]} is not listed in its {INDEX})")

    def _blocks(self, name: str) -> Iterator[bytes]:
        entry, digest = self.index.files[name], hashlib.sha256()
        for block in self._plain(name, entry.bytes):
            digest.update(block)
            yield block
        if digest.hexdigest() != entry.sha256:
            raise InputError(f"{self.path}: {name} changed since it was packed. Get the pack again")

    def _plain(self, name: str, size: int) -> Iterator[bytes]:
        """A file's bytes, `size` of them, never more."""
        left = size
        try:
            with self._zip.open(self._entries[name]) as file:
                while block := file.read(min(_BLOCK, left + 1)):
                    left -= len(block)
                    if left < 0:
                        break
                    yield block
        except InputError:
            raise
        except Exception as error:  # a broken stream, a wrong checksum, a lie about the file's place: many kinds
            raise InputError(f"{self.path}: {name} is damaged. Get the pack again") from error
        if left:
            raise InputError(f"{self.path}: {name} has the wrong size. Get the pack again")


class _Version(BaseModel):
    pack: Annotated[int, Field(ge=1)]
