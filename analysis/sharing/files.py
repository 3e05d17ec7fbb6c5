"""Files written for others: whole or not at all."""

from __future__ import annotations

from pathlib import Path

from logger.errors import InputError
from logger.store.disk import Disk
from logger.store.folders import make_store

# --- what they share ----------------------------------------------------------------------------------------------


def write_whole(path: Path, data: bytes, force: bool) -> Path:
    """Write a file whole or not at all, never over one that is there unless asked to, never into a drive.

    It is for its owner alone until they say otherwise: it may tell where they drove. OSError names it.
    """
    may_write(path, force)
    make_store(path.parent)
    Disk().put_file(path, data)
    return path


def may_write(path: Path, force: bool) -> None:
    """InputError where a file is there already, unless `force` replaces it, and where `path` lies in a drive."""
    if any((folder / "drive.json").exists() for folder in path.resolve().parents):
        raise InputError(
            f"{path}: this is inside a drive's folder, which is for recorded data only. Name another place."
        )
    if path.exists() and not force:
        raise InputError(f"{path}: this file exists already. Name another one, or use --force.")
