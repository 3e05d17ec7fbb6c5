"""Power between the setups, drives or runs of a season: what `compare`, `effects`, `season` and `power` show of it.

found = power_held(first, second, season)      # sides as `sides.opposed` gives them
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import Floats
from analysis.changes.compare_power import PowerComparison, compare_power
from analysis.changes.effects import PartChange, design_of, named_effects
from analysis.changes.full_power import columns
from analysis.changes.observations import Side, alike
from analysis.changes.power_kept import PowerKept
from analysis.changes.power_model import MOST_ROWS, PowerFit, PullRows
from analysis.changes.season_pulls import SeasonPull, rows_of_pulls
from analysis.changes.season_record import SeasonRecord
from analysis.changes.verdicts import LEVEL, MIN_RUNS
from analysis.conditions import roadload
from analysis.conditions.weather import STANDARD_AIR
from analysis.road.slopes import LearnedRoad, learn
from logger.store import bulkhead

_OTHER_MASS = 0.005
_MOST_DRIVES = 20


def side_pulls(side: Side, season: SeasonRecord) -> list[SeasonPull]:
    """The full pulls of a side: of its drives all, of runs named singly those of the runs."""
    named, whole = {run.label for run in side.runs}, set(side.drives)
    return [each for each in season.full_pulls if each.drive in whole or each.label in named]


def power_held(
    first: Side, second: Side, season: SeasonRecord, *, raw: bool = False, level: float = LEVEL
) -> PowerComparison | None:
    """Hold the power of one side against the other's; None where the season has no pulls of one of them.

    `raw`: by power as driven, else in standard air where every pull of both has its weather.
    """
    a, b = (side_pulls(side, season) for side in (first, second))
    if not a or not b or {id(each) for each in a} & {id(each) for each in b}:
        return None
    return between(first.name, a, second.name, b, season, raw=raw, level=level)


def between(
    a: str,
    pulls_a: Sequence[SeasonPull],
    b: str,
    pulls_b: Sequence[SeasonPull],
    season: SeasonRecord,
    *,
    raw: bool = False,
    level: float = LEVEL,
) -> PowerComparison:
    """Hold the power of some full pulls of the season against that of others; the rest tell of slopes and scatter."""
    mine = {id(each) for each in [*pulls_a, *pulls_b]}
    others = [each for each in season.full_pulls if id(each) not in mine]
    found = compare_power(
        a, pulls_a, b, pulls_b, others, road=_road(season), corrected=not raw, level=level, judge=False,
        learned=lambda: _learned(season, [*pulls_a, *pulls_b]), fits=_fits(season),
    )  # fmt: skip
    return replace(found, caveats=[*found.caveats, *_unlike_masses(pulls_a, pulls_b, season)])


def _fits(season: SeasonRecord) -> PowerKept:
    return PowerKept(season.store.path if season.store is not None else None)


def _learned(season: SeasonRecord, pulls: Sequence[SeasonPull]) -> LearnedRoad | None:
    """The slopes of the roads of these pulls, by the altitude of their drives and others'; of very many the last."""
    mine = {each.drive for each in pulls}
    drives = season.store.drives if season.store is not None else []
    asked = sorted(drives, key=lambda drive: drive.id in mine)[-_MOST_DRIVES:]
    asked.sort(key=lambda drive: drive.drive.manifest.started_utc)
    read = bulkhead.each(asked, lambda drive: drive.heights, tell=lambda left_out: None)
    return learn([heights for _, heights in read])


def _unlike_masses(a: Sequence[SeasonPull], b: Sequence[SeasonPull], season: SeasonRecord) -> list[str]:
    """Where the car's file gave other masses with A than with B: power is told over mass, so mass is part of it."""
    weighed = {row.drive: row.mass_kg for row in season.drives if math.isfinite(row.mass_kg)}
    told = [[weighed[each.drive] for each in side if each.drive in weighed] for side in (a, b)]
    if not all(told):
        return []
    first, second = (float(np.mean(side)) for side in told)
    if abs(second / first - 1) < _OTHER_MASS:
        return []
    return [
        f"the car's file says {first:.0f} kg with A and {second:.0f} kg with B. Power is worked out from mass, "
        f"and that "
        f"alone makes {first / second - 1:+.1%}"
    ]


def _road(season: SeasonRecord) -> roadload.RoadLoad:
    """Of the newest car, in standard air."""
    return season.standard_road or roadload.of(None, STANDARD_AIR[season.factor])


# --- many at once -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PowerEffect:
    """What one change, or several that cannot be told apart, did to power; relative to the base setup's."""

    changes: tuple[PartChange, ...]
    pulls: int
    change: float
    low: float
    high: float


def power_effects(season: SeasonRecord, *, raw: bool = False, level: float = LEVEL) -> list[PowerEffect]:
    """Effects of the parts on power, added up against the first setup driven; none with fewer than two setups.

    All their intervals hold together, by Bonferroni over effects, as those on times do.
    """
    pulls = _within([each for each in season.full_pulls if each.parts is not None])
    if not pulls:
        return []
    base = next((run.parts for run in season.runs if run.parts is not None), pulls[0].parts)  # as of times
    pulls.sort(key=lambda each: not alike(each.parts, base))
    corrected = not raw and all(math.isfinite(each.factor) for each in pulls)
    design = design_of([each.parts or {} for each in pulls])
    if len(design.setups) < 2 or not design.changes:
        return []
    rows, of = rows_of_pulls(pulls, np.zeros(len(pulls), np.int64), corrected=corrected)
    bands = columns(rows)
    x = np.hstack([bands, design.matrix[design.of_run][of]])
    named = named_effects(design)
    wanted = np.zeros((len(named), x.shape[1]))
    for k, group in enumerate(named):
        wanted[k, bands.shape[1] + np.array(group)] = 1.0
    alpha = (1 - level) / max(len(named), 1)
    told = _changes(_fits(season), rows, x, bands.shape[1], wanted, alpha)
    out = []
    for group, change in zip(named, told, strict=True):
        count = int(np.sum(np.all(design.matrix[design.of_run][:, list(group)] == 1, axis=1)))
        out.append(PowerEffect(tuple(design.changes[k] for k in group), count, *change))
    return out


def _changes(
    fits: PowerKept, rows: PullRows, x: Floats, bands: int, wanted: Floats, alpha: float
) -> list[tuple[float, float, float]]:
    """Of each contrast of the columns `x`, bands first: the change over the usual power, its interval of 1 - `alpha`.

    NaN where the columns do not determine it.
    """

    def work() -> list[tuple[float, float, float]]:
        fit = PowerFit(rows, x)
        usual = fit.base_level(np.ones(bands, bool))
        out = []
        for c in wanted:
            told = fit.contrast(c) if fit.determines(c) else None
            low, high = told.interval(alpha) if told is not None else (math.nan, math.nan)
            out.append((told.centre / usual if told is not None else math.nan, low / usual, high / usual))
        return out

    return [(change, low, high) for change, low, high in fits.told(("changes", rows, x, wanted, alpha), work)]


def power_by_setup(season: SeasonRecord, groups: Sequence[Side], *, level: float = LEVEL) -> list[PowerEffect | None]:
    """The power of each side against the first that has pulls; None for that one and for those with too few.

    All intervals hold together, by Bonferroni over sides.
    """
    mine = {
        k: some for k, side in enumerate(groups) if len(some := _within(side_pulls(side, season))) >= MIN_RUNS
    }  # fmt: skip
    out: list[PowerEffect | None] = [None] * len(groups)
    if len(mine) < 2:
        return out
    share = MOST_ROWS // len(mine)
    pulls, numbers = [], []
    for at, some in enumerate(mine.values()):
        chosen = _within(some, share)
        pulls += chosen
        numbers += [at] * len(chosen)
    corrected = all(math.isfinite(each.factor) for each in pulls)
    rows, _ = rows_of_pulls(pulls, np.array(numbers, np.int64), corrected=corrected)
    x = columns(rows)
    bands = x.shape[1] - (len(mine) - 1)
    wanted = np.eye(x.shape[1])[bands:]
    alpha = (1 - level) / (len(mine) - 1)
    told = _changes(_fits(season), rows, x, bands, wanted, alpha)
    for k, change in zip(list(mine)[1:], told, strict=True):
        if math.isfinite(change[0]):
            out[k] = PowerEffect((), len(mine[k]), *change)
    return out


def _within(pulls: Sequence[SeasonPull], most: int = MOST_ROWS) -> list[SeasonPull]:
    """As many pulls as the model takes in, evenly over setups: the newest of each; in their order."""
    setups: list[list[SeasonPull]] = []
    for each in sorted(pulls, key=lambda each: -each.start_s):
        group = next((some for some in setups if alike(some[0].parts, each.parts)), None)
        if group is None:
            setups.append([each])
        else:
            group.append(each)
    chosen: set[int] = set()
    room = most
    for turn in range(max((len(some) for some in setups), default=0)):
        for some in setups:
            if turn < len(some) and room >= len(some[turn].pull.band):
                room -= len(some[turn].pull.band)
                chosen.add(id(some[turn]))
    return [each for each in pulls if id(each) in chosen]
