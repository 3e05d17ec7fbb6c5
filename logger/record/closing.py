"""Finishing drives: a thread takes the complete journals one after the other, and another process decodes them.

While recording goes on each journal is finished by `python -m logger.record.closing FOLDER`, at low priority: decoding
an hour of bytes neither delays nor fattens the recorder. When the recorder is ending it is done in this process, with
what was decoded while the drive was recorded. Whatever becomes of either, the journal stays until the finished files
are whole (see `store.drive`), and the next start tries again.
"""

from __future__ import annotations

import contextlib
import importlib
import io
import json
import math
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

from logger.config.car import CarConfig
from logger.config.setup import SetupConfig
from logger.decode.clock import monotonic_ns
from logger.decode.events import event
from logger.decode.framing import Chunk
from logger.errors import DriveError
from logger.store import making, presence
from logger.store.disk import Disk
from logger.store.drive import Drive, open_folder
from logger.store.folders import unfinished
from logger.store.names import JOURNAL
from logger.store.recovery import recover
from logger.store.tables import Decoding
from logger.units import S_PER_MINUTE

AfterDrive = Callable[[Drive], None]


class Drives(Protocol):
    """Makes the folders of drives and finishes them; `Finisher` is the real one."""

    def begin(self, mono_ns: int) -> Path:
        """Make the folder of a drive whose first byte came at `mono_ns`; the place of its journal. OSError if not."""

    def unfinished(self) -> list[Path]:
        """The folders of drives whose recorder died, before this one begins any."""

    def close(
        self, folder: Path, recovering: bool, hurry: bool, decoding: Decoding | None = None
    ) -> tuple[Path | None, str]:
        """Make the finished drive of a folder with a complete journal; `hurry` where the process is ending.

        `decoding` is what was decoded of the journal while it was written.

        Gives the drive's folder as it is named now, None where nothing is in it, and a line that says what it is.
        """


class Finisher:
    """Begins and finishes the drives of one store, all with the same configuration (`recorder.Drives`).

    `setup` gives the one in force as each drive begins. `after_drive` prints what is to be said of a finished drive: a
    function of a module, so that the process which finishes a drive can call it there.
    """

    def __init__(
        self,
        store: Path,
        config_text: str,
        car: CarConfig | None = None,
        setup: Callable[[], SetupConfig | None] = lambda: None,
        after_drive: AfterDrive | None = None,
        disk: Disk | None = None,
    ) -> None:
        self._store, self._config_text, self._car, self._setup = store, config_text, car, setup
        self._after_drive, self._disk = after_drive, disk

    def begin(self, mono_ns: int) -> Path:
        """Make the folder of a drive whose first byte came at `mono_ns`; gives that of its journal."""
        started = datetime.now(UTC) - timedelta(microseconds=(monotonic_ns() - mono_ns) // 1000)
        return making.begin(self._store, self._config_text, self._car, self._setup(), started=started, disk=self._disk)

    def unfinished(self) -> list[Path]:
        """The folders of the store with a journal in them."""
        return unfinished(self._store)

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
            found = recover(folder.parent, only=[folder], disk=disk) if (folder / JOURNAL).is_dir() else []
            path = found[0].path if found else None
            made = open_folder(path) if path is not None else None
            said = found[0].said if found else f"{folder.name}: already finished"
        else:
            path = making.close(folder, disk=disk, decoding=decoding)
            made = open_folder(path) if path is not None else None
            said = _said(made) if made is not None else f"{folder.name}: no source sent anything, so there is no drive"
    if made is not None and after_drive is not None:
        said = f"{said}\n{_printed(after_drive, made)}".rstrip()
    return {"drive": made.path.name if made is not None else None, "said": said}


def _said(made: Drive) -> str:
    rows = ", ".join(f"{name} {count}" for name, count in made.manifest.rows.items())
    seconds = made.manifest.duration_s
    long = f"{seconds / S_PER_MINUTE:.1f} min" if seconds >= S_PER_MINUTE else f"{seconds:.0f} s"
    return f"drive {made.id} is closed: {long}; rows: {rows or 'none'}"


def _printed(after_drive: AfterDrive, made: Drive) -> str:
    """What `after_drive` prints, as text: the terminal may belong to the panel, or be another process's."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        try:
            after_drive(made)
        except Exception as error:  # the drive is whole, whatever cannot be said of it
            out.write(f"pullbook: {error}\n")
    return out.getvalue().rstrip()


# --- one after the other, while recording goes on -------------------------------------------------------------------


class Closer(threading.Thread):
    """Finishes drives one after the other while recording goes on."""

    def __init__(self, drives: Drives, show: Callable[[Chunk], None]) -> None:
        super().__init__(name="closer", daemon=True)
        self._drives, self._show = drives, show
        self._waiting: queue.SimpleQueue[tuple[Path, bool, Decoding | None] | None] = queue.SimpleQueue()
        self._unfinished: list[Path] = []
        self._give_up_at = math.inf
        self.hurry = False
        """Whether the recorder is ending: no other process is started for what comes."""
        self._failed: queue.SimpleQueue[tuple[Path, bool]] = queue.SimpleQueue()
        self._had_room = 0
        """How often room came back."""
        self.finished: list[Path] = []
        """The folders of the drives recorded and finished, in order."""

    @property
    def busy(self) -> list[str]:
        """The drives being finished, waiting for it, or left to the next start."""
        return [path.name for path in list(self._unfinished)]

    def put(self, folder: Path, recovering: bool = False, decoding: Decoding | None = None) -> None:
        self._unfinished.append(folder)
        self._waiting.put((folder, recovering, decoding))

    def retry(self) -> None:
        """Try again what failed, now that there is room on the disk; what fails at this moment too."""
        self._had_room += 1
        self._put_again()

    def _put_again(self) -> None:
        with contextlib.suppress(queue.Empty):
            while True:
                self._waiting.put((*self._failed.get_nowait(), None))

    def give_up_at(self, monotonic_s: float) -> None:
        self._give_up_at = min(self._give_up_at, monotonic_s)

    def finish(self) -> tuple[Path, ...]:
        """Wait for all that was put, or until it is time to give up; the folders that are not finished."""
        self._waiting.put(None)
        while self.is_alive() and time.monotonic() < self._give_up_at:
            self.join(0.05)
        # Given up on may be done all the same, but for the talking about it: what still has a journal counts.
        return tuple(path for path in self._drives.unfinished() if path in self._unfinished)

    def run(self) -> None:
        while (waiting := self._waiting.get()) is not None:
            folder, recovering, decoding = waiting
            if recovering and self._give_up_at < math.inf:  # little time is left: it is for the drive just recorded
                continue
            had_room = self._had_room
            try:
                made, said = self._drives.close(folder, recovering, self.hurry, decoding)
            except Exception as error:  # whatever it is, the journal stays as it is and the next start tries again
                self._failed.put((folder, recovering))
                if self._had_room != had_room:  # room came back while this one was still failing for want of it
                    self._put_again()
                self._show(event(monotonic_ns(), "closed", drive=folder.name, text=str(error)))
                continue
            self._unfinished.remove(folder)
            if made is not None and not recovering:
                self.finished.append(made)
            self._show(event(monotonic_ns(), "closed", drive=folder.name, text=said))


# --- in a process of its own --------------------------------------------------------------------------------------


def _finish_elsewhere(folder: Path, recovering: bool, after_drive: AfterDrive | None) -> dict[str, Any]:
    """`finish` by a child of low priority, out of reach of the signals that a terminal sends to all it started."""
    command = [sys.executable, "-P", "-m", "logger.record.closing", str(folder)]
    command += ["--recover"] if recovering else []
    command += ["--then", _name_of(after_drive)] if after_drive is not None else []
    apart: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.BELOW_NORMAL_PRIORITY_CLASS}
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path)), "PYTHONIOENCODING": "utf-8"}
    child = subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, encoding="utf-8", check=False, env=env, **apart
    )
    try:
        answer = json.loads(child.stdout)
    except ValueError:
        last = (child.stderr.strip().splitlines() or [f"exit code {child.returncode}"])[-1]
        raise DriveError(f"{folder.name}: could not be finished: {last}") from None
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
    sys.stdout.write(f"{json.dumps(answer)}\n")
    return 0 if "error" not in answer else 1


if __name__ == "__main__":
    sys.exit(_main(sys.argv[1:]))
