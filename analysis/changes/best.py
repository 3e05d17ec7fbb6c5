"""The best run, and whether luck would do as well."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.changes.day_effects import Scatter
from analysis.changes.observations import Observation
from analysis.changes.ways import directions

_FEW_DAY_DF = 3


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
    """What luck alone would have reached in 1 of 20 such outings."""
    sentence: str


def best_run(runs: Sequence[Observation], speed_mps: float, scatter: Scatter) -> BestRun | None:
    """The fastest run to a speed, held against the fastest setup before its outing, driven the same way.

    The limit is a one-sided prediction bound for the best of as many runs as that outing had [G. J. Hahn, "Additional
    factors for calculating prediction intervals for samples from a normal distribution", JASA 65 (1970) 1668], by
    Bonferroni, with the scatter of runs and days. None where no run reaches the speed.
    """
    from scipy.special import stdtrit

    times = np.array([run.time_to(np.array([speed_mps]))[0] for run in runs]).reshape(len(runs))
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
    groups: dict[str, list[float]] = {}
    for i in before:
        groups.setdefault(str(sorted((runs[i].parts or {}).items())), []).append(float(times[i]))
    means = [(float(np.mean(each)), len(each)) for each in groups.values() if len(each) >= 2]
    days_told = scatter.day_df >= _FEW_DAY_DF
    day, df = (scatter.day_sigma, scatter.day_df) if days_told else (0.0, scatter.run_df)
    if not means or df < 1 or not math.isfinite(scatter.run_sigma):
        return BestRun(best.label, best.setup, time, None, math.nan, "too few earlier runs to say whether it is luck")
    mean, count = min(means)
    tries = sum(1 for i, run in enumerate(runs) if run.outing == best.outing and way[i] == way[at])
    spread = math.sqrt(scatter.run_sigma**2 * (1 + 1 / count) + 2 * day**2)
    limit = mean - float(stdtrit(df, 1 - 0.05 / tries)) * spread
    if time < limit:
        said = f"beyond scatter: what was driven before would reach {limit:.2f} s by luck 1 time in 20"
    else:
        said = f"within scatter: what was driven before would reach {limit:.2f} s by luck 1 time in 20"
    if not days_told:
        said += ", if days were alike"
    return BestRun(best.label, best.setup, time, time < limit, limit, said)


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
