"""What a program beside the recorder asks of it, by files in its store: to be shown it as it happens, and to stop.

    STORE/.recorder/watched      touched every second or so by whoever is looking (the desk)
    STORE/.recorder/figures      mixture, speed and warning, up to five times a second while somebody looks
    STORE/.recorder/stop.json    asks the recorder that it names to stop

Others may write these files, so neither side reads more of them than their start, or waits for a pipe in their place.

No network port is opened, and a recorder that nobody looks at does nothing for it but look at one file's time.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
import zlib
from pathlib import Path
from typing import Any

from logger.store.disk import Disk, start_of, write_in_place
from logger.store.presence import FOLDER, STATE, read_state

WATCHED_S = 4.0
"""For so long after it was touched somebody is taken to look [s]."""
_LOOKS_S = 0.5
_FIGURES = "figures"
_FIGURES_BYTES = 1024
_STOP_BYTES = 1024


def watch(store: Path) -> None:
    """Say that somebody looks; again every second or two. OSError where the store cannot be written."""
    path = store / FOLDER / "watched"
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    path.touch(mode=0o600)


def is_watched(store: Path) -> bool:
    """Whether somebody said lately that they look."""
    try:
        return abs(time.time() - (store / FOLDER / "watched").stat().st_mtime) < WATCHED_S
    except OSError:
        return False


class WatchedNow:
    """Whether somebody looks, for who asks many times a second: the file's time is looked at twice a second."""

    def __init__(self, store: Path) -> None:
        self._store, self._looked, self._is = store, 0.0, False

    def __call__(self) -> bool:
        now = time.monotonic()
        if now - self._looked >= _LOOKS_S:
            self._looked, self._is = now, is_watched(self._store)
        return self._is


def write_figures(store: Path, figures: dict[str, Any]) -> None:
    """Put figures where `read_live` finds them: in place, with a sum that tells a half-written one, for it is cheap.

    A disk that takes nothing is no reason to fail.
    """
    data = json.dumps({**figures, "updated_s": time.time()}).encode()
    if len(data) > _FIGURES_BYTES - 9:
        return
    path = store / FOLDER / _FIGURES
    whole = (b"%08x " % zlib.crc32(data) + data).ljust(_FIGURES_BYTES)
    try:
        write_in_place(path, whole)
    except FileNotFoundError:
        with contextlib.suppress(OSError), Disk().create(path) as file:
            file.write(whole)
    except OSError:
        pass


def read_figures(store: Path) -> dict[str, Any] | None:
    """The figures written last; None where there are none of the last seconds."""
    for _ in range(3):  # one that is being written is read again
        try:
            data = start_of(store / FOLDER / _FIGURES, _FIGURES_BYTES).rstrip(b" ")
        except OSError:
            return None
        if data[:8] == b"%08x" % zlib.crc32(data[9:]):
            break
    else:
        return None
    try:
        figures = json.loads(data[9:])
        fresh = isinstance(figures, dict) and abs(time.time() - figures["updated_s"]) < WATCHED_S
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    return figures if fresh else None


def read_live(store: Path) -> dict[str, Any] | None:
    """What the recorder tells of itself, as `presence.read_state`, with `figures` of this moment where it shows any."""
    state = read_state(store)
    if state is None:
        return None
    figures = read_figures(store)
    return {**state, "figures": figures} if figures is not None and figures.get("pid") == state.get("pid") else state


def changed(store: Path) -> tuple[int, int]:
    """Otherwise whenever `read_live` may be."""
    return _changed_ns(store / FOLDER / _FIGURES), _changed_ns(store / FOLDER / STATE)


def _changed_ns(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def ask_stop(store: Path, state: dict[str, Any]) -> None:
    """Ask the recorder that told `state` of itself to stop, as Ctrl-C does; no other heeds it. OSError if it fails."""
    asked = {"pid": state.get("pid"), "since_utc": state.get("since_utc")}
    Disk().put_file(store / FOLDER / "stop.json", json.dumps(asked).encode())


def stop_asked(store: Path, pid: int, since_utc: str) -> bool:
    """Whether that recorder is asked to stop. What was asked is taken away, also where it was meant for another."""
    path = os.path.join(store, FOLDER, "stop.json")  # noqa: PTH118 - twice a second; a Path costs ten times as much
    try:
        asked = json.loads(start_of(path, _STOP_BYTES))
    except FileNotFoundError:
        return False
    except (OSError, ValueError, RecursionError):
        asked = None
    with contextlib.suppress(OSError):
        Path(path).unlink()
    return isinstance(asked, dict) and asked.get("pid") == pid and asked.get("since_utc") == since_utc
