"""Finishing drives in a process of their own: decoding an hour of bytes neither delays nor fattens the recorder.

`Finisher` is what the recorder hands its complete journals to. While recording goes on each is finished by
`python -m logger.closing FOLDER`, at low priority; when the recorder is ending, in this process, with what was decoded
while the drive was recorded. Whatever becomes of either, the journal stays until the finished files are whole (see
`drive`), and the next start tries again.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from logger.config.car import CarConfig
from logger.config.setup import SetupConfig
from logger.decode.clock import monotonic_ns
from logger.errors import DriveError
from logger.store import drive, presence
from logger.store.disk import Disk
from logger.store.tables import Decoding

AfterDrive = Callable[[drive.Drive], None]


class Finisher:
    """Begins and finishes the drives of one store, all with the same configuration (`recorder.Drives`).

    `after_drive` prints what is to be said of a finished drive: a function of a module, so that the process which
    finishes a drive can call it there.
    """

    def __init__(
        self,
        store: Path,
        config_text: str,
        car: CarConfig | None = None,
        setup: SetupConfig | None = None,
        after_drive: AfterDrive | None = None,
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
        return drive.unfinished(self._store)

    def close(
        self, folder: Path, recovering: bool, hurry: bool, decoding: Decoding | None = None
    ) -> tuple[Path | None, str]:
        """Finish the drive in `folder`: its folder as named now, and what is to be said. DriveError where it cannot."""
        if hurry:
            answer = finish(folder, recovering, self._after_drive, self._disk, decoding)
        else:
            answer = _finish_elsewhere(folder, recovering, self._after_drive)
        return (self._store / answer["drive"] if answer["drive"] else None), str(answer["said"])


def finish(
    folder: Path,
    recovering: bool = False,
    after_drive: AfterDrive | None = None,
    disk: Disk | None = None,
    decoding: Decoding | None = None,
) -> dict[str, Any]:
    """Finish the drive in `folder`: {"drive": its folder's name now or None where nothing is in it, "said": lines}.

    One at a time in each store: a child that outlived its recorder may still be at it when the next one starts.
    """
    with presence.Lock(folder.parent, "finishing", patience_s=600):
        if recovering:
            found = drive.recover(folder.parent, only=[folder], disk=disk) if (folder / drive.JOURNAL).is_dir() else []
            made = found[0].drive if found else None
            said = found[0].said if found else f"{folder.name}: finished meanwhile"
        else:
            made = drive.close(folder, disk=disk, decoding=decoding)
            said = _said(made) if made is not None else f"{folder.name}: not a byte came, so there is no drive"
    if made is not None and after_drive is not None:
        said = f"{said}\n{_printed(after_drive, made)}".rstrip()
    return {"drive": made.path.name if made is not None else None, "said": said}


def _said(made: drive.Drive) -> str:
    rows = ", ".join(f"{name} {count}" for name, count in made.manifest.rows.items())
    seconds = made.manifest.duration_s
    long = f"{seconds / 60:.1f} min" if seconds >= 60 else f"{seconds:.0f} s"
    return f"drive {made.id} is closed: {long}; rows: {rows or 'none'}"


def _printed(after_drive: AfterDrive, made: drive.Drive) -> str:
    """What `after_drive` prints, as text: the terminal may belong to the panel, or be another process's."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        try:
            after_drive(made)
        except Exception as error:  # the drive is whole, whatever cannot be said of it
            print(f"pullbook: {error}")
    return out.getvalue().rstrip()


# --- in a process of its own --------------------------------------------------------------------------------------


def _finish_elsewhere(folder: Path, recovering: bool, after_drive: AfterDrive | None) -> dict[str, Any]:
    """`finish` by a child of low priority, out of reach of the signals that a terminal sends to all it started."""
    command = [sys.executable, "-P", "-m", "logger.record.closing", str(folder)]
    command += ["--recover"] if recovering else []
    command += ["--then", _name_of(after_drive)] if after_drive is not None else []
    apart: dict[str, Any] = {"start_new_session": True}
    if os.name == "nt":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.BELOW_NORMAL_PRIORITY_CLASS}  # type: ignore[attr-defined]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path)), "PYTHONIOENCODING": "utf-8"}
    child = subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, encoding="utf-8", check=False, env=env, **apart
    )
    try:
        answer = json.loads(child.stdout)
    except ValueError:
        last = (child.stderr.strip().splitlines() or [f"it ended with {child.returncode}"])[-1]
        raise DriveError(f"{folder.name}: finishing it failed: {last}") from None
    if "error" in answer:
        raise DriveError(answer["error"])
    return dict(answer)


def _name_of(function: AfterDrive) -> str:
    """module:function, as another process can import it."""
    module = function.__module__
    if module == "__main__" and (spec := getattr(sys.modules["__main__"], "__spec__", None)) is not None:
        module = spec.name
    return f"{module}:{function.__qualname__}"


def _main(arguments: list[str]) -> int:
    if hasattr(os, "nice"):
        os.nice(10)
    after_drive = None
    if "--then" in arguments:
        module, function = arguments[arguments.index("--then") + 1].split(":")
        after_drive = getattr(importlib.import_module(module), function)
    try:
        answer = finish(Path(arguments[0]), "--recover" in arguments, after_drive)
    except (DriveError, OSError) as error:
        answer = {"error": str(error)}
    print(json.dumps(answer))
    return 0 if "error" not in answer else 1


if __name__ == "__main__":
    sys.exit(_main(sys.argv[1:]))
