"""Processor time of `pullbook record` while its figures are watched, against the same recorder unwatched beside it.

    PYTHONPATH=.:tests:sample_logs python tests/bench/bench_watched.py [seconds] [rounds]

The rig of bench_recorder: the same bytes to both at the same moments. Watched is what the desk does to a recorder, and
nothing else: the file `watched` touched once a second, the shown figures read ten times a second. Linux only.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

import time

from bench_recorder import Measured, feed

from logger.store import front, presence


def look(store: Path, over: threading.Event) -> None:
    """As the desk's stream does."""
    n = 0
    while not over.wait(0.1):
        if n % 10 == 0:
            front.watch(store)
        front.read_live(store)
        n += 1


def opened(store: Path) -> bool:
    """Whether a recorder is at work there and all its ports are open."""
    sources = (presence.read_state(store) or {}).get("sources")
    return bool(sources) and all(source["state"] == "open" for source in sources)


def ratio(seconds: float) -> float:
    """Watched over unwatched, after both have started."""
    with tempfile.TemporaryDirectory() as folder:
        both = [Measured(kind, Path(folder) / kind) for kind in ("alone", "watched")]
        for measured in both:
            measured.start("plain")
        over, ends = threading.Event(), time.monotonic() + 60
        while not all(opened(measured.folder / "store") for measured in both) and time.monotonic() < ends:
            time.sleep(0.1)
        eye = threading.Thread(target=look, args=(both[1].folder / "store", over))
        eye.start()
        feed(both, 4)
        for measured in both:
            measured.before = measured.seconds()
        feed(both, seconds)
        for measured in both:
            measured.after = measured.seconds()
            os.kill(measured.pid, 15)
            os.waitpid(measured.pid, 0)
        over.set()
        eye.join()
    alone, watched = (measured.after - measured.before for measured in both)
    print(f"over {seconds:g} s: alone {alone:.2f} s, watched {watched:.2f} s: {watched / alone:.2f}", flush=True)
    return watched / alone


if __name__ == "__main__":
    took = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    ratios = [ratio(took) for _ in range(int(sys.argv[2]) if len(sys.argv) > 2 else 3)]
    print(f"recorder watched: {statistics.median(ratios):.2f} x the same unwatched (of {len(ratios)} rounds)")
