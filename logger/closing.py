"""Finishing drives in a process of their own: decoding an hour of bytes neither delays nor fattens the recorder.

`Finisher` is what the recorder hands its complete journals to. While recording goes on each is finished by
`python -m logger.closing FOLDER`, at low priority; when the recorder is ending, in this process. Whatever becomes of
either, the journal stays until the finished files are whole (see `drive`), and the next start tries again.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from logger import drive
from logger.clock import monotonic_ns
from logger.config import CarConfig, SetupConfig
from logger.disk import Disk


class Finisher:
    """Begins and finishes the drives of one store, all with the same configuration (`recorder.Drives`).

    `after_drive` is called with each finished drive, on the thread that finishes them; the text it gives goes with what
    is said of the drive.
    """

    def __init__(
        self,
        store: Path,
        config_text: str,
        car: CarConfig | None = None,
        setup: SetupConfig | None = None,
        after_drive: Callable[[drive.Drive], str] = lambda drive: "",
        disk: Disk | None = None,
    ) -> None:
        self._store, self._config_text, self._car, self._setup = store, config_text, car, setup
        self._after_drive, self._disk = after_drive, disk

    def begin(self, mono_ns: int) -> Path:
        """Make the folder of a drive whose first byte came at `mono_ns`; gives that of its journal."""
        started = datetime.now(UTC) - timedelta(microseconds=(monotonic_ns() - mono_ns) // 1000)
        return drive.begin(self._store, self._config_text, self._car, self._setup, started=started, disk=self._disk)

    def unfinished(self) -> list[Path]:
        """The folders of the store with a journal in them."""
        return sorted(path.parent for path in self._store.glob(f"[!.]*/{drive.JOURNAL}") if path.is_dir())

    def close(self, folder: Path, recovering: bool, hurry: bool) -> tuple[Path | None, str]:
        """Finish the drive in `folder`: its folder as named now, and a line. DriveError where it cannot be done."""
        answer = finish(folder, recovering, self._disk) if hurry else _finish_elsewhere(folder, recovering)
        if answer["drive"] is None:
            return None, str(answer["said"])
        made = self._store / answer["drive"]
        more = self._after_drive(drive.open_drive(self._store, str(made)))
        return made, f"{answer['said']}\n{more}".rstrip()


def finish(folder: Path, recovering: bool = False, disk: Disk | None = None) -> dict[str, Any]:
    """Finish the drive in `folder`: {"drive": its folder's name now or None where nothing is in it, "said": a line}."""
    if recovering:
        found = drive.recover(folder.parent, only=[folder], disk=disk)
        made = found[0].drive if found else None
        said = found[0].said if found else f"{folder.name}: nothing to recover"
    else:
        made = drive.close(folder, disk=disk)
        said = _said(made) if made is not None else f"{folder.name}: not a byte came, so there is no drive"
    return {"drive": made.path.name if made is not None else None, "said": said}


def _said(made: drive.Drive) -> str:
    rows = ", ".join(f"{name} {count}" for name, count in made.manifest.rows.items())
    return f"drive {made.id} is closed: {made.manifest.duration_s / 60:.1f} min; rows: {rows or 'none'}"


def _finish_elsewhere(folder: Path, recovering: bool = False) -> dict[str, Any]:
    """`finish` by a child of low priority, out of reach of the signals that a terminal sends to all it started."""
    command = [sys.executable, "-m", "logger.closing", str(folder), *(["--recover"] if recovering else [])]
    apart: dict[str, Any] = {"start_new_session": True}
    if os.name == "nt":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.BELOW_NORMAL_PRIORITY_CLASS}  # type: ignore[attr-defined]
    child = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, **apart)
    try:
        answer = json.loads(child.stdout)
    except ValueError:
        last = (child.stderr.strip().splitlines() or [f"it ended with {child.returncode}"])[-1]
        raise drive.DriveError(f"{folder.name}: finishing it failed: {last}") from None
    if "error" in answer:
        raise drive.DriveError(answer["error"])
    return dict(answer)


def _main(arguments: list[str]) -> int:
    if hasattr(os, "nice"):
        os.nice(10)
    try:
        answer = finish(Path(arguments[0]), "--recover" in arguments)
    except (drive.DriveError, OSError) as error:
        answer = {"error": str(error)}
    print(json.dumps(answer))
    return 0 if "error" not in answer else 1


if __name__ == "__main__":
    sys.exit(_main(sys.argv[1:]))
