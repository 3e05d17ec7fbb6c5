"""How long a warm page of the desk takes with 200 drives, against the same answer from the functions behind the verb.

    PYTHONPATH=.:tests:tests/bench:sample_logs python tests/bench/bench_desk.py --stores DIR

Median of 20 each, one after the other. The page goes through the real server and gate; the baseline calls the answer on
a store opened anew, as the command line does, without the command's start. `--processor`: the time of this process,
server and client together, for a machine that others use too.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import stores
from at_the_desk import visitor

from analysis.changes.season import gather
from analysis.report.asked import asked_page
from analysis.store import DriveStore

TIMES = 20
BAR_S = 0.150


def median_s(work: Callable[[], object], times: int = TIMES, clock: Callable[[], float] = time.perf_counter) -> float:
    found = []
    for _ in range(times):
        begun = clock()
        work()
        found.append(clock() - begun)
    return statistics.median(found) if found else float("nan")


def baselines(store: Path, drive: str) -> dict[str, Callable[[], object]]:
    """Page -> the same answer from the functions behind the command line."""
    from analysis.answers.drives import drives_answer
    from analysis.answers.jets import jets_answer
    from analysis.answers.plan import plan_answer

    def following() -> None:
        opened = DriveStore(store)
        plan_answer(gather(opened))
        jets_answer(opened, opened.drives[-1])

    def nothing() -> None:
        """The page tells what its own files say."""

    return {
        **dict.fromkeys(
            ("/now", "/car", "/car/about", "/car/file/recorder", "/help", "/commands", "/commands/compare"), nothing
        ),
        "/drives": lambda: drives_answer(gather(DriveStore(store))),
        f"/drive/{drive}": lambda: asked_page(DriveStore(store), [drive]),
        "/compare": lambda: gather(DriveStore(store)),
        "/compare?by=drives": lambda: gather(DriveStore(store)),
        "/compare?a={a}&b={b}": lambda: asked_page(DriveStore(store), ["baseline", "setup 1"]),
        "/season": lambda: asked_page(DriveStore(store), [], season=True),
        "/next": following,
    }


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--stores", type=Path, required=True)
    parser.add_argument("--drives", type=int, default=200)
    parser.add_argument("--baseline", type=int, default=3, help="how often the baselines run: they are slow")
    parser.add_argument("--only", nargs="*", default=[], help="beginnings of the pages to ask for")
    parser.add_argument("--processor", action="store_true")
    asked = parser.parse_args()
    clock = time.process_time if asked.processor else time.perf_counter
    store = stores.season(asked.stores, asked.drives)
    drives = DriveStore(store).drives
    first = {each.setup_name: each.id for each in reversed(drives)}
    print(f"{asked.drives} drives; median of {TIMES}")
    with visitor(store) as at_desk:
        for path, work in baselines(store, drives[-1].id).items():
            path = path.format(a=first["baseline"], b=first["setup 1"]) if "{a}" in path else path
            if asked.only and not path.startswith(tuple(asked.only)):
                continue
            begun = clock()
            size = len(at_desk.get(path).data)
            cold = clock() - begun
            warm = median_s(lambda path=path: at_desk.get(path, wait=False), clock=clock)
            verb = median_s(work, asked.baseline, clock)
            told = "" if warm <= BAR_S else f"  OVER {BAR_S * 1000:.0f} ms"
            print(
                f"{path:<60} first {cold:6.2f} s  warm {warm * 1000:6.1f} ms  functions {verb * 1000:7.0f} ms  "
                f"{size / 1000:6.0f} kB{told}", flush=True,
            )  # fmt: skip


if __name__ == "__main__":
    main()
