"""What takes long, done beside the pages: asked once, kept while the store is as it was, with its progress to be told.

    done = work.ask(("season",), lambda progress: season_page(...))
    done.value           # where it is there within `PATIENCE_S`, or was made before
    done.progress        # else what it is doing; ask again later

Two things at a time are worked on; each opens the store for itself, so none sees another's half.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

PATIENCE_S = 0.8
"""How long a page waits before it shows that something is being worked out."""
_MOST_KEPT = 48
_AT_ONCE = 2


def state_of(store: Path, last: str = "") -> Hashable:
    """What the store's answers depend on, as far as the files' names, sizes and times tell.

    Its own files, and those of each drive; what is kept of analyses or shown of the recorder is none of it. `last`: of
    the drives only this one and those before it, which taught what it is read with.
    """
    found: list[tuple[str, int, int]] = []
    for folder in (store, store / "setups"):
        for entry in _entries(folder):
            try:
                about = entry.stat()
            except OSError:
                continue
            if entry.is_file():
                found.append((entry.name, about.st_mtime_ns, about.st_size))
            elif folder == store and not entry.name.startswith(".") and not (last and entry.name > last):
                found.append((entry.name, about.st_mtime_ns, 0))
                with contextlib.suppress(OSError):
                    manifest = Path(entry.path, "drive.json").stat()
                    found.append((entry.name, manifest.st_mtime_ns, manifest.st_size))
    return tuple(sorted(found))


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as found:
            return list(found)
    except OSError:
        return []


@dataclass
class Asked:
    """Something worked out, or on its way. `value` raises what the work raised."""

    future: Future[Any]
    progress: list[str]
    began: float = field(default_factory=time.monotonic)

    @property
    def done(self) -> bool:
        return self.future.done()

    @property
    def value(self) -> Any:
        return self.future.result(0)

    @property
    def took_s(self) -> float:
        return time.monotonic() - self.began


class Work:
    """Works out what pages ask for, on threads of its own, and keeps the newest of it."""

    def __init__(self, store: Path) -> None:
        self._store = store
        self._pool = ThreadPoolExecutor(_AT_ONCE, thread_name_prefix="desk's work")
        self._kept: OrderedDict[tuple[Hashable, Hashable], Asked] = OrderedDict()
        self._lock = threading.Lock()

    def ask(
        self, what: Hashable, make: Callable[[Callable[[str], None]], Any], patience_s: float = PATIENCE_S,
        last: str = "",
    ) -> Asked:  # fmt: skip
        """What `make(progress)` gives for the store as it is now; the same question is worked on once.

        Waits for it `patience_s` at most. What failed is not kept. `last`: it is about this drive, and stays as it is
        whatever is done to later ones.
        """
        key = (state_of(self._store, last), what)
        with self._lock:
            asked = self._kept.get(key)
            if asked is None or (asked.done and asked.future.exception() is not None):
                progress: list[str] = []
                asked = Asked(self._pool.submit(make, progress.append), progress)
                self._kept[key] = asked
                self._forget()
            self._kept.move_to_end(key)
        with contextlib.suppress(NotYet):
            asked.future.exception(patience_s)
        return asked

    def under_way(self) -> int:
        """How many things are being worked out."""
        with self._lock:
            return sum(not each.done for each in self._kept.values())

    def close(self) -> None:
        """Begin nothing more. What is under way is let go with the process: all it writes is whole or not there."""
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _forget(self) -> None:
        for key in [key for key, each in self._kept.items() if each.done][: max(0, len(self._kept) - _MOST_KEPT)]:
            del self._kept[key]
