"""The first look at many drives: what a season needs of each is worked out by processes side by side, and kept.

    look(store, together.unknown(store), progress)

Each drive is read with what those of its car and receiver before it taught. So a process prepares one, waits until the
one before it has told its lesson, and goes on; the next one is prepared meanwhile. Drives whose lessons are all kept
already, as after a stop, wait for none, and the newest comes first. What is worked out is kept drive by drive: who
interrupts it and asks again goes on where it stopped. A drive that fails here is left to who asked, to be told there.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from analysis import kept
from analysis.drive import AnalysedDrive
from analysis.store import DriveStore
from logger.units import S_PER_MINUTE

LEAST_DRIVES = 4
LEAST_DRIVEN_S = 1800.0
"""Fewer or shorter drives are worked out sooner than processes start."""
_TOLD_S = 0.3
"""So often it is looked whether somebody wants to stop."""


@dataclass(frozen=True)
class Unknown:
    """The drives of a store of which nothing is kept that is true of this program: those that wait for no other, and of
    each car and receiver those that wait for the one before them, in order of time."""

    free: Sequence[AnalysedDrive]
    chains: Sequence[Sequence[AnalysedDrive]]

    @property
    def count(self) -> int:
        """How many they are."""
        return len(self.free) + sum(map(len, self.chains))

    @property
    def driven_s(self) -> float:
        """How long they are, all together [s]."""
        return sum(each.drive.manifest.duration_s for each in itertools.chain(self.free, *self.chains))


def look(
    store: DriveStore,
    unknown: Unknown,
    progress: Callable[[str], None] = lambda text: None,
    workers: int | None = None,
) -> int:
    """Work the drives out, by as many processes as there are cores; how many were.

    Nothing is done for fewer than `LEAST_DRIVES`, for less than `LEAST_DRIVEN_S`, on one core, where no process can be
    started, or where nothing can be kept and all would be worked out twice.
    """
    workers = min(workers or os.cpu_count() or 1, unknown.count)
    if (
        unknown.count < LEAST_DRIVES
        or unknown.driven_s < LEAST_DRIVEN_S
        or workers < 2
        or not kept.can_keep(store.path)
    ):
        return 0
    plan, done = _Plan(unknown), queue.Queue[str | None]()
    processes = []
    try:
        for _ in range(workers):
            with contextlib.suppress(OSError):
                processes.append(_start(store))
        threads = [threading.Thread(target=_serve, args=(each, plan, done), daemon=True) for each in processes]
        for thread in threads:
            thread.start()
        return _wait(done, len(threads), unknown.count, progress)
    finally:
        plan.stop()
        for each in processes:
            each.kill()
        for each in processes:
            each.wait()
            for pipe in (each.stdin, each.stdout):
                with contextlib.suppress(OSError):
                    if pipe is not None:
                        pipe.close()


def _wait(done: queue.Queue[str | None], working: int, count: int, progress: Callable[[str], None]) -> int:
    """Tell of each drive as it is done, until all who work have ended; how many drives were."""
    began, made = time.monotonic(), 0
    progress(f"looking at {count} drives for the first time; Ctrl-C stops, and what is done by then is kept")
    while working:
        try:
            told = done.get(timeout=_TOLD_S)
        except queue.Empty:
            continue
        if told is None:
            working -= 1
            continue
        made += 1
        left_s = (time.monotonic() - began) / made * (count - made)
        progress(f"{told} is done, {made} of {count}, {_left(left_s)} left")
    return made


def _left(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 1.5 * S_PER_MINUTE else f"{seconds / S_PER_MINUTE:.0f} min"


class _Plan:
    """Which drive is next, and whether the one before it has told its lesson: asked by all threads."""

    def __init__(self, unknown: Unknown) -> None:
        self._changed = threading.Condition()
        self._free = deque(sorted(unknown.free, key=lambda each: each.drive.manifest.started_utc, reverse=True))
        self._chains = [deque(chain) for chain in unknown.chains]
        self._before: dict[str, str] = {}
        for chain in unknown.chains:
            self._before |= {after.id: before.id for before, after in itertools.pairwise(chain)}
        self._told: set[str] = set()
        self._stopped = False

    def next(self) -> str | None:
        """The next drive's id; None where there is none. A car's own drives are handed out one after the other."""
        with self._changed:
            if self._stopped:
                return None
            if self._free:
                return self._free.popleft().id
            longest = max(self._chains, key=len, default=None)
            return longest.popleft().id if longest else None

    def wait_for_lesson_before(self, drive: str) -> bool:
        """Wait until the drive before this one has told its lesson; False where all was stopped."""
        before = self._before.get(drive)
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or before is None or before in self._told)
            return not self._stopped

    def told(self, drive: str) -> None:
        """A drive has told its lesson, or has none to tell."""
        with self._changed:
            self._told.add(drive)
            self._changed.notify_all()

    def stop(self) -> None:
        """Hand out no more."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()


def _serve(process: subprocess.Popen[str], plan: _Plan, done: queue.Queue[str | None]) -> None:
    """Give drives to a process until there is none left, or it ended."""
    to, back = process.stdin, process.stdout
    assert to is not None and back is not None
    try:
        while (drive := plan.next()) is not None:
            try:
                said = _asked(to, back, {"drive": drive})
                if said and plan.wait_for_lesson_before(drive):
                    said = _asked(to, back, {"go": True})
                plan.told(drive)
                said = said and back.readline()
            finally:
                plan.told(drive)  # whoever waits for it goes on without
            if not said:
                return
            done.put(drive)
    except (OSError, ValueError):
        pass  # it was ended: what it had in hand is worked out by who asked
    finally:
        done.put(None)


def _asked(to: IO[str], back: IO[str], what: dict[str, object]) -> str:
    to.write(json.dumps(what) + "\n")
    to.flush()
    return back.readline()


def _start(store: DriveStore) -> subprocess.Popen[str]:
    """A process of its own for `looking`: a fork of this one would have its threads, a spawn its main module."""
    root = str(Path(__file__).parents[2])
    path = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    process = subprocess.Popen(
        [sys.executable, "-m", "analysis.changes.looking"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, encoding="utf-8",
        env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    assert process.stdin is not None
    given = store.targets_given
    process.stdin.write(
        json.dumps({"store": str(store.path), "targets": given.model_dump(mode="json") if given else None}) + "\n"
    )
    process.stdin.flush()
    return process
