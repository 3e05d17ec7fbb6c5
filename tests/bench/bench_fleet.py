"""`pullbook analyse` of many drives by Dask workers on loopback: what a drive costs, by how much two workers are
quicker than one, and how memory goes with the number of drives; `--here` the same of this machine's processes.

    PYTHONPATH=.:tests:tests/bench:sample_logs python tests/bench/bench_fleet.py --stores DIR --drives 200 2000

One short drive is made; the others are its files under other days. A worker's time is its processor time and what it
waited for work; what it waited for a core that others had is taken off (Linux, /proc/PID/schedstat), so that a busy
machine tells nearly the same as a free one. Memory is what a worker has in hand (resident) as so many drives are done.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import shutil
import subprocess
import sys
import time
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

from bench import stores
from bench.ratio import environment
from made_drives import BASELINE, make_drive
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


_WORKS_S = 0.5
"""A thread that ran so long is one that works."""


@dataclass(frozen=True)
class Told:
    """What a run took: processor time of the workers and of the client [s], drives a second from the first batch that
    was done to the last, what others took of the cores taken off, the most memory of the largest worker, of the client
    and of the scheduler [MB], and drives done -> memory of each worker at that moment [MB]."""

    workers_s: float
    client_s: float
    rate: float
    worker_mb: float
    client_mb: float
    scheduler_mb: float
    grown: dict[int, list[float]]


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


def measured(store: Path, workers: int, *, here: bool = False) -> Told:
    """Work out the store's drives by so many workers of a Dask scheduler, or processes of this machine."""
    out, scratch = store.parent / "fleet-rows", store.parent / "fleet-scratch"
    for each in (out, scratch):
        shutil.rmtree(each, ignore_errors=True)
    scratch.mkdir()
    asked = ["analyse", str(store), "--out", str(out)]
    served: list[subprocess.Popen[str]] = []
    hands: list[subprocess.Popen[str]] = []
    client = None
    try:
        if here:
            asked += ["--workers", str(workers)]
        else:
            served = [_started("-c", SCHEDULER)]
            address = _first_line(served[0])
            hands = [_started("-c", WORKER, address, str(scratch)) for _ in range(workers)]
            for hand in hands:
                _first_line(hand)
            asked += ["--scheduler", address]
        pids = [hand.pid for hand in hands]
        seen: defaultdict[int, dict[int, tuple[float, float]]] = defaultdict(dict)
        before = sum(_scheduled(pid, seen[pid])[0] for pid in pids)
        client = _started("-c", CLIENT, *asked)
        spent, ran, queued, size, most = 0.0, before, 0.0, 0.0, 0.0
        marks: list[tuple[int, float]] = []
        grown: dict[int, list[float]] = {}
        while client.poll() is None:
            spent, size = _scheduled(client.pid, seen[client.pid])[0], _most_mb(client.pid) or size
            pids = pids if len(pids) == workers else _working(client.pid)
            both = [_scheduled(pid, seen[pid]) for pid in pids]
            ran, queued = sum(each[0] for each in both), sum(each[1] for each in both) / workers
            most = max(most, *map(_most_mb, pids), 0.0)
            done = len(list(out.glob("_done/*.json")))
            if done and (not marks or done > marks[-1][0]):
                marks.append((done, time.monotonic() - queued))
                grown[BATCH * done] = [_memory_mb(pid, "VmRSS") for pid in pids]
            time.sleep(0.02)
        if client.returncode:
            raise RuntimeError(f"analyse ended with {client.returncode}")
        rate = BATCH * (marks[-1][0] - marks[0][0]) / (marks[-1][1] - marks[0][1])
        scheduler_mb = _most_mb(served[0].pid) if served else 0.0
        return Told(ran - before, spent, rate, most, size, scheduler_mb, grown)
    finally:
        for process in (client, *hands, *served):
            if process:
                process.terminate()
                process.communicate()


def _working(client: int) -> list[int]:
    """The worker processes of an `analyse` without a scheduler."""
    found = []
    with contextlib.suppress(OSError):
        for child in Path(f"/proc/{client}/task/{client}/children").read_text().split():
            if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                found.append(int(child))
    return found


def _started(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment(), text=True
    )


def _first_line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def _scheduled(pid: int, seen: dict[int, tuple[float, float]]) -> tuple[float, float]:
    """Processor time of all threads, and what those that work waited for a core [s].

    `seen` keeps what each thread had last: a batch's thread is gone when the batch is done.
    """
    for each in Path(f"/proc/{pid}/task").glob("*/schedstat"):
        with contextlib.suppress(OSError):
            ran, waited, _ = map(int, each.read_text().split())
            seen[int(each.parent.name)] = (ran / 1e9, waited / 1e9)
    return sum(ran for ran, _ in seen.values()), sum(waited for ran, waited in seen.values() if ran > _WORKS_S)


def _most_mb(pid: int) -> float:
    return _memory_mb(pid, "VmHWM")


def _memory_mb(pid: int, kind: str) -> float:
    try:
        found = re.search(rf"{kind}:\s+(\d+)", Path(f"/proc/{pid}/status").read_text())
    except OSError:
        return 0.0
    return int(found[1]) / 1e3 if found else 0.0


def rows_of(grown: dict[int, list[float]], count: int) -> list[tuple[int, list[float]]]:
    """Of all moments a tenth of the drives apart."""
    return [(done, sizes) for done, sizes in grown.items() if done % (count // 10) < BATCH or done >= count - BATCH]


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure `analyse` on a scheduler of its own.")
    parser.add_argument("--stores", type=Path, required=True, help="where the stores are made and kept")
    parser.add_argument("--drives", type=int, nargs="+", default=[200])
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--here", action="store_true", help="processes of this machine, no Dask")
    asked = parser.parse_args()
    for count in asked.drives:
        store = store_of(asked.stores, count)
        for workers in asked.workers:
            told = measured(store, workers, here=asked.here)
            said = [
                f"{count} drives, {workers} workers: {1e3 * told.workers_s / count:.0f} ms of the workers' processors",
                f"and {1e3 * told.client_s / count:.1f} ms of the client's for a drive;",
                f"{told.rate:.2f} drives a second; worker {told.worker_mb:.0f} MB,",
                f"client {told.client_mb:.0f} MB, scheduler {told.scheduler_mb:.0f} MB",
            ]
            print(*said, flush=True)
            for done, sizes in rows_of(told.grown, count):
                print(f"{done:6d} drives done:", *(f"{size:.0f} MB" for size in sizes), flush=True)


if __name__ == "__main__":
    main()
