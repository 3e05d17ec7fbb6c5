"""Speed as ratios: our code and a named baseline, in turn, in one run, on one machine.

    PYTHONPATH=sample_logs python tests/bench/bench_decode.py

Each bench prints the medians and the ratio of its pairs. A ratio holds where a second does not: machines differ and
drift.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable


def compare(
    what: str, ours: Callable[[], object], baseline_name: str, baseline: Callable[[], object], pairs: int = 5
) -> float:
    """Run the two in turn, `pairs` times after a warm-up of each; print and return the median ratio ours / baseline."""
    ours()
    baseline()
    mine, theirs = [], []
    for _ in range(pairs):
        mine.append(_seconds(ours))
        theirs.append(_seconds(baseline))
    ratios = [a / b for a, b in zip(mine, theirs, strict=True)]
    ratio = statistics.median(ratios)
    print(
        f"{what}: {ratio:.2f} x {baseline_name} (pairs {min(ratios):.2f} to {max(ratios):.2f}; "
        f"medians {statistics.median(mine):.3f} s and {statistics.median(theirs):.3f} s)"
    )
    return ratio


def _seconds(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began
