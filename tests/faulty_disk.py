"""A real disk that fails on demand: at one operation in turn, or from one on as after a power cut."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Literal

from logger.store.disk import Disk

Fault = Literal["full", "broken", "short", "cut"]
FAULTS: tuple[Fault, ...] = ("full", "broken", "short", "cut")


class PowerCut(BaseException):
    """The computer went off. No code may catch and outlive it."""


class FaultyDisk(Disk):
    """Fails at operation number `at`, counted from 1.

    full    ENOSPC after half of the bytes were written, as on a disk with little room left
    broken  EIO; what a write or a sync was about may be on the medium or not
    short   a write takes half of the bytes and says so; no error
    cut     PowerCut there; from then on nothing reaches the disk, and what was not synced is gone or torn
    """

    def __init__(self, at: int = 0, fault: Fault = "full", lasts: int = 1) -> None:
        self._at, self._fault, self._lasts = at, fault, lasts
        self.operations = 0
        self._synced: dict[Path, int] = {}

    @property
    def met(self) -> bool:
        """Whether the fault was met."""
        return 0 < self._at <= self.operations

    def create(self, path: Path) -> BinaryIO:
        self._step()
        file = super().create(path)
        self._synced[path] = 0
        return file

    def _write_some(self, file: BinaryIO, data: memoryview) -> int:
        if self._due():
            half = len(data) // 2
            written = super()._write_some(file, data[:half]) if half else 0
            if self._fault == "short" and half:
                return written
            self._fail()
        return super()._write_some(file, data)

    def sync(self, file: BinaryIO) -> None:
        self._step()
        super().sync(file)
        self._synced[Path(str(file.name))] = os.fstat(file.fileno()).st_size

    def sync_folder(self, path: Path) -> None:
        self._step()
        super().sync_folder(path)

    def make_folder(self, path: Path) -> None:
        self._step()
        super().make_folder(path)

    def replace(self, source: Path, target: Path) -> None:
        self._step()
        super().replace(source, target)
        for path in list(self._synced):
            if path == source or source in path.parents:
                self._synced[target / path.relative_to(source)] = self._synced.pop(path)

    def remove(self, path: Path) -> None:
        self._step()
        super().remove(path)

    def _due(self) -> bool:
        self.operations += 1
        return self._at <= self.operations < self._at + self._lasts or (self.met and self._fault == "cut")

    def _step(self) -> None:
        if self._due() and self._fault != "short":
            self._fail()

    def _fail(self) -> None:
        if self._fault == "cut":
            self._lose_unsynced()
            raise PowerCut
        code = errno.EIO if self._fault == "broken" else errno.ENOSPC
        raise OSError(code, os.strerror(code))

    def _lose_unsynced(self) -> None:
        """What was written and not synced: of every other file nothing is left, of the others zeros."""
        for number, (path, size) in enumerate(sorted(self._synced.items())):
            if path.exists():
                whole = path.stat().st_size
                os.truncate(path, size)
                if number % 2:
                    os.truncate(path, whole)  # grows with zeros
        self._synced.clear()


def each_fault(lasts: int = 1, step: int = 1, *faults: Fault) -> Iterator[FaultyDisk]:
    """Disks that fail at the first operation, the second, ... in every way (or those of `faults`), until one pass of
    each met no fault.

    With a `step` only every so many operations, other ones for each way.
    """
    for number, fault in enumerate(faults or FAULTS):
        at = 1 + number % step
        while True:
            disk = FaultyDisk(at, fault, lasts)
            yield disk
            if not disk.met:
                break
            at += step
