"""The best run, and whether luck would do as well."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.changes.day_prior import VariancePosterior
from analysis.changes.observations import Observation, setup_numbers, times_to
from analysis.changes.outing_blocks import OutingBlocks
from analysis.changes.priors import time_priors
from analysis.changes.ways import directions

_FEW_RUNS = 2


# --- a season's best ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BestRun:
    """The fastest run of a season, and whether it says anything."""

    label: str
    setup: str
    time_s: float
    beyond_scatter: bool | None
    """Whether the runs before that outing, the same way, would hardly have given it by luck; None: too few to say."""
    limit_s: float
    """What luck alone would have reached in 1 of 20 such seasons."""
    sentence: str


def best_run(runs: Sequence[Observation], speed_mps: float) -> BestRun | None:
    """The fastest run to a speed, held against the fastest setup before its outing, driven the same way.

    The best was chosen after all were driven, so the limit is of the best of as many runs in as many outings, on days
    of their own, over the scatter of runs and days as the earlier runs leave it (`day_prior`): 1 time in 20 such a
    season would hold a faster one by luck. None where no run reaches the speed.
    """
    times = times_to(runs, np.array([speed_mps]))[:, 0]
    if not np.isfinite(times).any():
        return None
    way = directions(np.array([run.direction_deg for run in runs]))
    at = int(np.nanargmin(times))
    best, time = runs[at], float(times[at])
    before = [
        i
        for i, run in enumerate(runs)
        if run.outing < best.outing and way[i] == way[at] and math.isfinite(times[i])
    ]  # fmt: skip
    setup = setup_numbers([runs[i] for i in before])
    counts = np.bincount(setup) if len(setup) else np.zeros(0, np.int64)
    told = [k for k in range(len(counts)) if counts[k] >= _FEW_RUNS]
    if not told:
        said = "perhaps luck: there are too few earlier runs to say"
        return BestRun(best.label, best.setup, time, None, math.nan, said)
    y = times[before]
    fastest = min(told, key=lambda k: float(np.mean(y[setup == k])))
    outing = np.array([runs[i].outing for i in before])
    posterior = VariancePosterior(
        (setup[:, None] == np.arange(len(counts))).astype(float),
        y,
        OutingBlocks.by(outing),
        time_priors([runs[i] for i in before], np.array([speed_mps]))[0],
    )
    reached = np.isfinite(times)
    tries = int(reached.sum())
    sizes = np.unique(np.array([run.outing for run in runs])[reached], return_counts=True)[1]
    limit = posterior.least_of((np.arange(len(counts)) == fastest).astype(float), sizes.tolist(), 0.05)
    beyond = time < limit
    said = (
        f"{'beyond' if beyond else 'within'} scatter. In {tries} runs, the setups driven before would reach "
        f"{limit:.2f} s by luck 1 time in 20, days included"
    )
    return BestRun(best.label, best.setup, time, beyond, limit, said)


def common_speed(runs: Sequence[Observation], step_mps: float) -> float:
    """The highest multiple of `step_mps` that four of five runs reach [m/s]; NaN without runs."""
    tops = sorted(float(run.speed_mps[-1]) for run in runs if len(run.speed_mps))
    if not tops:
        return math.nan
    return step_mps * max(int(tops[len(tops) // 5] / step_mps + 1e-9), 1)


def quickness(run: Observation) -> tuple[float, float]:
    """Sorts a season's runs, the best first: the speed reached, then the time it took."""
    top = float(run.speed_mps[-1]) if len(run.speed_mps) else 0.0
    return -round(top), float(run.time_s[-1]) if len(run.time_s) else math.inf
