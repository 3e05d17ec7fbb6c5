"""What a program beside the recorder asks of it, by files in its store: to be shown it as it happens, and to stop.

    STORE/.recorder/watched      touched every second or so by whoever is looking (the desk)
    STORE/.recorder/live.json    what the panel shows, ten times a second while somebody looks
    STORE/.recorder/stop.json    asks the recorder that it names to stop

No network port is opened, and a recorder that nobody looks at does nothing for it but look at one file's time.
"""

from __future__ import annotations

import contextlib
import json
import time
from pathlib import Path
from typing import Any

from logger.store.disk import Disk, no_pipe
from logger.store.presence import FOLDER, read_state, write_state

WATCHED_S = 4.0
"""For so long after it was touched somebody is taken to look [s]."""
_LIVE = "live.json"


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


def write_live(store: Path, shown: dict[str, Any]) -> None:
    """Put what is shown where `read_live` finds it; a disk that takes nothing is no reason to fail."""
    write_state(store, shown, _LIVE)


def read_live(store: Path) -> dict[str, Any] | None:
    """What the recorder shows now, or within the last second or two; None where it shows nothing."""
    live, state = read_state(store, _LIVE), read_state(store)
    if live is None or (state is not None and str(state.get("updated_utc")) > str(live.get("updated_utc"))):
        return state
    return live


def ask_stop(store: Path, state: dict[str, Any]) -> None:
    """Ask the recorder that told `state` of itself to stop, as Ctrl-C does; no other heeds it. OSError if it fails."""
    asked = {"pid": state.get("pid"), "since_utc": state.get("since_utc")}
    Disk().put_file(store / FOLDER / "stop.json", json.dumps(asked).encode())


def stop_asked(store: Path, pid: int, since_utc: str) -> bool:
    """Whether that recorder is asked to stop. What was asked is taken away, also where it was meant for another."""
    path = store / FOLDER / "stop.json"
    try:
        asked = json.loads(no_pipe(path).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return False
    except (OSError, ValueError, RecursionError):
        asked = None
    with contextlib.suppress(OSError):
        path.unlink()
    return isinstance(asked, dict) and asked.get("pid") == pid and asked.get("since_utc") == since_utc
