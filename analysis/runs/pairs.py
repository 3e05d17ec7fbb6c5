"""Several runs together: pairs in opposite directions over one stretch; best, median and spread of a split."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.motion.geodesy import plane
from analysis.runs.run import Run, Split


@dataclass(frozen=True)
class Pair:
    """Two runs over the same stretch in opposite directions; the mean of their times cancels grade and steady wind to
    first order. Splits that both have; sigma of the mean."""

    first: int
    second: int
    splits: list[Split]


def pair_opposite(found: Sequence[Run], within_deg: float = 25.0, within_m: float = 40.0) -> list[Pair]:
    """Pair clean standing runs over the same stretch in opposite directions, each used once, nearest in time first.

    The same stretch: courses opposite within `within_deg`, and the ways, taken as straight lines from start to end, lie
    beside each other within `within_m` over half or more of the shorter.
    """
    candidates = []
    for i, a in enumerate(found):
        for j in range(i + 1, len(found)):
            b = found[j]
            if a.kind == b.kind and a.clean and b.clean and _opposite(a, b, within_deg, within_m):
                candidates.append((abs(b.start_s - a.start_s), i, j))
    taken: set[int] = set()
    pairs = []
    for _, i, j in sorted(candidates):
        if i in taken or j in taken:
            continue
        taken |= {i, j}
        a, b = found[i], found[j]
        splits = [
            Split(
                x.speed_mps, (x.time_s + y.time_s) / 2, math.hypot(x.sigma_s, y.sigma_s) / 2,
                (x.from_one_foot_s + y.from_one_foot_s) / 2,
                math.hypot(x.from_one_foot_sigma_s, y.from_one_foot_sigma_s) / 2,
                (x.distance_m + y.distance_m) / 2, math.hypot(x.distance_sigma_m, y.distance_sigma_m) / 2,
                systematic_s=(x.systematic_s + y.systematic_s) / 2,
            )
            for x in a.splits for y in b.splits if math.isclose(x.speed_mps, y.speed_mps)
        ]  # fmt: skip
        pairs.append(Pair(a.n, b.n, splits))
    return sorted(pairs, key=lambda pair: pair.first)


def _opposite(a: Run, b: Run, within_deg: float, within_m: float) -> bool:
    if not all(math.isfinite(x) for x in (*a.place, *b.place, a.direction_deg, b.direction_deg)):
        return False
    if abs((a.direction_deg - b.direction_deg + 360) % 360 - 180) > within_deg:
        return False
    origin = a.place[0], a.place[1]
    line = np.array(plane(a.place[2], a.place[3], origin))
    length = float(np.hypot(*line))
    if length < 10:
        return False
    along = line / length
    ends = [np.array(plane(b.place[0], b.place[1], origin)), np.array(plane(b.place[2], b.place[3], origin))]
    where = sorted(float(end @ along) for end in ends)
    aside = [abs(float(end[0] * along[1] - end[1] * along[0])) for end in ends]
    overlap = min(where[1], length) - max(where[0], 0.0)
    return overlap > 0.5 * min(length, where[1] - where[0]) and max(aside) < within_m


@dataclass(frozen=True)
class Summary:
    """Times of one split over several runs [s]: best, median, spread (1.4826 times the median absolute deviation, which
    estimates a standard deviation), and how many."""

    speed_mps: float
    runs: int
    best_s: float
    median_s: float
    spread_s: float
    best_run: int
    """Index into the runs that were given."""


def summarise(
    found: Sequence[Run], speed_mps: float, definition: Literal["first movement", "one foot"]
) -> Summary | None:
    """Best, median and spread of one split over the counted runs that have it; None where none has."""
    values = []
    for i, run in enumerate(found):
        if not run.counted:
            continue
        for split in run.splits:
            if math.isclose(split.speed_mps, speed_mps, rel_tol=1e-6):
                values.append((split.time_s if definition == "first movement" else split.from_one_foot_s, i))
    if not values:
        return None
    times = np.array([value for value, _ in values])
    middle = float(np.median(times))
    spread = 1.4826 * float(np.median(np.abs(times - middle))) if len(times) > 1 else math.nan
    best = int(np.argmin(times))
    return Summary(speed_mps, len(times), float(times[best]), middle, spread, values[best][1])
