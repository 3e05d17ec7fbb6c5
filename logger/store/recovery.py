"""Drives that were cut off, by a power cut, a crash or a full disk: found by their journals, and finished."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from logger.store import bulkhead, journal
from logger.store.disk import Disk
from logger.store.folders import sweep, unfinished
from logger.store.making import close, missing_from
from logger.store.manifest import MANIFEST, parse_manifest
from logger.store.names import COMMIT, JOURNAL
from logger.store.presence import Lock, is_recording
from logger.units import S_PER_MINUTE


@dataclass(frozen=True)
class Recovered:
    """A journal that was found, and what became of it."""

    path: Path | None
    """The finished drive's folder; None where there is none."""
    said: str
    """One line for the owner."""
    failed: bool = False
    """Whether the journal is still there because it could not be finished."""


def recover(store: Path, *, only: Iterable[Path] | None = None, disk: Disk | None = None) -> list[Recovered]:
    """Finish the drives of the store whose recorder died, or `only` those in some folders; what became of each.

    To be called by the process that holds the store's lock, or while no recorder is alive.
    """
    found = []
    for path in unfinished(store) if only is None else only:
        try:
            was_closed = (path / MANIFEST).exists() or (path / COMMIT).is_dir()
            held = journal.read(path / JOURNAL)
            made = close(path, state="recovered", disk=disk)
        except Exception as error:  # the next one may be good
            why = bulkhead.failure(path.name, error).said.removeprefix(f"{path.name}: ")
            found.append(Recovered(None, f"{path.name}: not recovered: {why}", failed=True))
            continue
        if made is None:
            became = "set aside" if held.cut_bytes else "removed"
            found.append(
                Recovered(None, f"{path.name}: it was cut off before anything was on the disk, and was {became}")
            )
        elif was_closed:
            found.append(Recovered(made, f"{made.name}: it was already complete; its journal was deleted"))
        else:
            lost = " ".join(missing_from(held)) or "Nothing that was on the disk is missing."
            manifest = parse_manifest((made / MANIFEST).read_bytes(), made / MANIFEST)
            minutes = f"{manifest.duration_s / S_PER_MINUTE:.1f} min"
            found.append(Recovered(made, f"{made.name}: recovered {minutes}, {held.raw.num_rows} chunks. {lost}"))
    sweep(store)
    return found


def recover_cut_off(store: Path) -> list[Recovered]:
    """`recover` where no recorder is alive, and safe beside one that starts at this moment; [] where one is alive."""
    cut_off = unfinished(store)
    if not cut_off or is_recording(store):
        return []
    with Lock(store, "finishing", patience_s=600):
        return recover(store, only=[path for path in cut_off if (path / JOURNAL).is_dir()])
