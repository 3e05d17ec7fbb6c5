"""`pullbook analyse` of many drives by Dask workers on loopback: what a drive costs, by how much two workers are
quicker than one, and how memory goes with the number of drives.

    PYTHONPATH=.:tests:tests/bench:sample_logs python tests/bench/bench_fleet.py --stores DIR --drives 200 2000

One short drive is made; the others are its files under other days. A worker's time is its processor time and what it
waited for work; what it waited for a core that others had is taken off (Linux, /proc/PID/schedstat), so that a busy
machine tells nearly the same as a free one.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import stores
from made_drives import BASELINE, make_drive
from ratio import environment
from simulate import Brake, Pull, Stand

from analysis.fleet.engine import BATCH

CLIENT = "import sys; from analysis.cli.main import main; sys.argv = ['pullbook', *sys.argv[1:]]; main()"
SCHEDULER = """
import asyncio
from distributed import Scheduler
async def serve():
    async with Scheduler(host="127.0.0.1", port=0, dashboard=False) as scheduler:
        print(scheduler.address, flush=True)
        await scheduler.finished()
asyncio.run(serve())
"""
WORKER = """
import asyncio, sys
from distributed import Worker
async def serve():
    async with Worker(sys.argv[1], nthreads=1, dashboard=False, local_directory=sys.argv[2]) as worker:
        print(worker.address, flush=True)
        await worker.finished()
if __name__ == "__main__":
    asyncio.run(serve())
"""


@dataclass(frozen=True)
class Told:
    """What a run took: processor time of the workers and of the client [s], drives a second from the first batch that
    was done to the last, what others took of the cores taken off, the most memory of the largest worker, of the client
    and of the scheduler [MB]."""

    workers_s: float
    client_s: float
    rate: float
    worker_mb: float
    client_mb: float
    scheduler_mb: float


def store_of(folder: Path, count: int) -> Path:
    """A store of `count` copies of a short drive; made where it is not there yet."""
    store = folder / f"fleet-{count}"
    if not (store / "made").exists():
        shutil.rmtree(store, ignore_errors=True)
        store.mkdir(parents=True)
        first, _ = make_drive(store, [Stand(6), Pull(9.0), Brake(0, 2.5), Stand(3)], setup=BASELINE)
        stores.copies(first.path, count)
        (store / "made").touch()
    return store


def measured(store: Path, workers: int) -> Told:
    """Work out the store's drives by so many workers."""
    out, scratch = store.parent / "fleet-rows", store.parent / "fleet-scratch"
    for each in (out, scratch):
        shutil.rmtree(each, ignore_errors=True)
    scratch.mkdir()
    scheduler = _started("-c", SCHEDULER)
    address = _first_line(scheduler)
    hands = [_started("-c", WORKER, address, str(scratch)) for _ in range(workers)]
    try:
        for hand in hands:
            _first_line(hand)
        before = [_scheduled(hand.pid) for hand in hands]
        client = _started("-c", CLIENT, "analyse", str(store), "--out", str(out), "--scheduler", address)
        spent = _scheduled(client.pid)
        size = 0.0
        marks: list[tuple[int, float]] = []
        while client.poll() is None:
            spent, size = _scheduled(client.pid) or spent, _most_mb(client.pid) or size
            done = len(list(out.glob("_done/*.json")))
            if done and (not marks or done > marks[-1][0]):
                queued = sum(_scheduled(hand.pid)[1] for hand in hands) / workers
                marks.append((done, time.monotonic() - queued))
            time.sleep(0.02)
        if client.returncode:
            raise RuntimeError(f"analyse ended with {client.returncode}")
        after = [_scheduled(hand.pid) for hand in hands]
        ran = sum(b[0] - a[0] for a, b in zip(before, after, strict=True))
        rate = BATCH * (marks[-1][0] - marks[0][0]) / (marks[-1][1] - marks[0][1])
        return Told(
            ran, spent[0], rate, max(_most_mb(hand.pid) for hand in hands), size,
            _most_mb(scheduler.pid),
        )  # fmt: skip
    finally:
        for each in (*hands, scheduler):
            each.terminate()
            each.wait()


def _started(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment(), text=True
    )


def _first_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def _scheduled(pid: int) -> tuple[float, float]:
    """Processor time of all threads, and what the one that works waited for a core [s]; zeros where none is left."""
    told = []
    for each in Path(f"/proc/{pid}/task").glob("*/schedstat"):
        with contextlib.suppress(OSError):
            ran, waited, _ = map(int, each.read_text().split())
            told.append((ran / 1e9, waited / 1e9))
    return sum(ran for ran, _ in told), max(told, default=(0.0, 0.0))[1]


def _most_mb(pid: int) -> float:
    try:
        found = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    except OSError:
        return 0.0
    return int(found[1]) / 1e3 if found else 0.0


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure `analyse` on a scheduler of its own.")
    parser.add_argument("--stores", type=Path, required=True, help="where the stores are made and kept")
    parser.add_argument("--drives", type=int, nargs="+", default=[200])
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    asked = parser.parse_args()
    for count in asked.drives:
        store = store_of(asked.stores, count)
        for workers in asked.workers:
            told = measured(store, workers)
            said = [
                f"{count} drives, {workers} workers: {1e3 * told.workers_s / count:.0f} ms of the workers' processors",
                f"and {1e3 * told.client_s / count:.1f} ms of the client's for a drive;",
                f"{told.rate:.2f} drives a second; worker {told.worker_mb:.0f} MB,",
                f"client {told.client_mb:.0f} MB, scheduler {told.scheduler_mb:.0f} MB",
            ]
            print(*said, flush=True)


if __name__ == "__main__":
    main()
