"""Speed as ratios of processor time: our code and a named baseline, in turn, in one run, on one machine.

    PYTHONPATH=sample_logs python tests/bench/bench_decode.py

Each bench prints the medians and the ratio of its pairs. Processor time (`os.times`, user and system, children that
have ended included) is what a program costs, whatever else the machine does meanwhile; a ratio holds where a second
does not: machines differ and drift.
"""

from __future__ import annotations

import contextlib
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]


def compare(
    what: str, ours: Callable[[], object], baseline_name: str, baseline: Callable[[], object], pairs: int = 5
) -> float:
    """Run the two in turn, `pairs` times after a warm-up of each; print and return the median ratio ours / baseline."""
    ours()
    baseline()
    mine, theirs = [], []
    for _ in range(pairs):
        mine.append(processor_s(ours))
        theirs.append(processor_s(baseline))
    ratios = [a / b for a, b in zip(mine, theirs, strict=True)]
    ratio = statistics.median(ratios)
    print(
        f"{what}: {ratio:.2f} x {baseline_name} (pairs {min(ratios):.2f} to {max(ratios):.2f}; "
        f"medians {statistics.median(mine):.3f} s and {statistics.median(theirs):.3f} s)"
    )
    return ratio


def processor_s(work: Callable[[], object]) -> float:
    """Processor time of `work`, its children's included [s]."""
    began = sum(os.times()[:4])
    work()
    return sum(os.times()[:4]) - began


def run(arguments: Sequence[str | Path]) -> tuple[float, float]:
    """Run Python with these arguments: processor time [s] and the most memory that it held [MB; Linux, else NaN].

    RuntimeError where it ends otherwise than by 0, or by 1 for an answer that is no.
    """
    memory = math.nan
    with tempfile.TemporaryFile() as said:
        child = subprocess.Popen(
            [sys.executable, *map(str, arguments)], stdout=subprocess.DEVNULL, stderr=said, env=environment()
        )
        while os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
            with contextlib.suppress(OSError, StopIteration):  # the kernel's own maximum counts this process before it
                status = Path(f"/proc/{child.pid}/status").read_text()
                memory = int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) / 1e3
            time.sleep(0.02)
        _, ended, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(ended)
        said.seek(0)
        if child.returncode not in (0, 1):
            raise RuntimeError(f"{arguments}: exit {child.returncode}: {said.read()[-400:]!r}")
    return used.ru_utime + used.ru_stime, memory


def environment() -> dict[str, str]:
    """As for an owner: one thread for small matrices, and compiled modules kept."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    code = os.environ.get("BENCH_CODE", str(ROOT))
    return {**kept, "PYTHONPATH": code, "PYTHONPYCACHEPREFIX": str(Path(tempfile.gettempdir()) / "bench-bytecode")}


def pullbook(*arguments: str | Path) -> tuple[float, float]:
    """Run a verb; as `run`."""
    return run(["-m", "analysis.cli.main", *arguments])
