"""The setup in force: the file of the store that new drives carry, changed in one step; those before are kept."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from logger.config.setup import SETUP_IN_FORCE
from logger.errors import DriveError
from logger.store.disk import Disk, said
from logger.store.folders import free_name, make_store

BEFORE = "setups-before"
"""Folder of the store with the setups that were in force."""


def put_in_force(store: Path, text: str, disk: Disk | None = None) -> Path:
    """Make `text`, which must be that of a setup's file, the setup that new drives carry; gives its file.

    Whenever the power goes the old one or the new one is in force, and the old one is kept. DriveError where the store
    does not take it; then the old one is in force.
    """
    disk, path = disk or Disk(), store / SETUP_IN_FORCE
    try:
        make_store(store)
        if path.is_file() and (old := path.read_bytes()) != text.encode():
            kept = store / BEFORE
            if not kept.is_dir():
                disk.make_folder(kept)
                disk.sync_folder(store)
            disk.put_file(free_name(kept / f"{datetime.now(UTC):%Y-%m-%d_%H%M%SZ}.toml"), old)
        disk.put_file(path, text.encode())
    except OSError as error:
        raise DriveError(f"{error.filename or path}: the setup cannot be put in force: {said(error)}") from error
    return path
