"""A desk whose live page has eight hours of events in some minutes: a recorder's files change as fast as can be.

with busy_desk(store) as (process, address):
    ...                      # at the desk's own /now/stream events come without a pause

What the desk does for an event is its own code; only how often it looks is changed. Linux: memory is read from /proc.
"""

from __future__ import annotations

import itertools
import os
import re
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rig import PULLBOOK

from logger.store import front, presence

EIGHT_HOURS = 200_000
"""Events in eight hours, at seven a second, in round figures."""
_LOOKS = (
    "import itertools, sys, analysis.desk.pages.now as now, analysis.cli.main as main; now.STREAM_S = 0.0005;"
    "ever = itertools.count(); now.front.changed = lambda store: (next(ever), 0);"
)


@contextmanager
def busy_desk(store: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """`pullbook desk` on a store whose recorder's figures never stand still; the process, and its first address."""
    (store / presence.FOLDER).mkdir(parents=True)
    asked = f"sys.argv = ['pullbook', 'desk', '--no-browser', '--store', {str(store)!r}]; main.main()"
    process = subprocess.Popen([PULLBOOK[0], "-c", _LOOKS + asked], stdout=subprocess.PIPE, text=True)
    over = threading.Event()
    writer = threading.Thread(target=_write, args=(store, over))
    try:
        assert process.stdout is not None
        address = re.search(r"http://127\.0\.0\.1:(\d+)/open/\S+", process.stdout.readline())
        assert address is not None
        with presence.Lock(store):
            writer.start()
            yield process, address[0]
    finally:
        over.set()
        if writer.ident is not None:
            writer.join()
        process.terminate()
        process.wait(10)
        assert process.stdout is not None
        process.stdout.close()


def _write(store: Path, over: threading.Event) -> None:
    for n in itertools.count():
        if over.wait(0.0005):
            return
        front.write_figures(store, {"pid": 1, "mixture": n % 10000 / 100, "speed_mps": n % 30})
        if n % 500 == 0:
            told = {"pid": 1, "state": "recording", "updated_utc": "2099-01-01T00:00:00+00:00", "sources": []}
            presence.write_state(store, {**told, "free_mb": 1.0, "seen": {"last_run": f"run {n}"}})


def megabytes(pid: int) -> float:
    """Resident memory of a process [MB]."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def renderers(pid: int) -> list[int]:
    """The processes of a browser that draw its pages, by the process that started the browser."""
    parents = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            parents[int(stat.parent.name)] = int(stat.read_text().rpartition(")")[2].split()[1])
        except (OSError, ValueError):  # it is gone
            continue

    def below(child: int) -> bool:
        while child in parents and child != pid:
            child = parents[child]
        return child == pid

    found = []
    for each in parents:
        try:
            words = Path(f"/proc/{each}/cmdline").read_bytes().replace(b"\0", b" ").split()
        except OSError:
            continue
        if b"--type=renderer" in words and b"--extension-process" not in words and below(each):
            found.append(each)
    return found
