"""What a change did to the power at the wheels, by every full pull of both sides, standing and rolling.

    answer = compare_power("baseline", pulls_a, "long snorkel", pulls_b, others)

The change is told in per cent of A's power, with an interval that holds by itself: one question over all bands. Groups
of bands are told beside it; their intervals hold together with it, and give no verdict of their own. Seconds are those
of the same change, integrated again over A's power and the road load.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import astuple, dataclass, field, replace
from typing import Any, Literal

import numpy as np

from analysis.arrays import Floats
from analysis.changes import day_effects
from analysis.changes.day_prior import Student
from analysis.changes.full_power import columns, full_power
from analysis.changes.observations import setup_numbers
from analysis.changes.power_kept import PowerKept
from analysis.changes.power_model import MOST_ROWS, Ids, PowerFit, PullRows
from analysis.changes.season_pulls import SeasonPull, rows_of_pulls, usual_power, with_learned_slopes
from analysis.changes.verdicts import LEVEL, MIN_RUNS
from analysis.conditions.roadload import RoadLoad
from analysis.road.slopes import LearnedRoad
from analysis.runs.pulls import BAND_MPS
from analysis.wording import passes_words

PowerVerdict = Literal["more power", "less power", "no difference shown", "too few pulls"]
PowerDays = Literal["cancelled", "included", "assumed"]

GROUPS = ((4, 6), (6, 8), (8, 11))
"""Groups of bands, told beside the whole: 20 to 30, 30 to 40, 40 to 55 mph. What is above counts to the whole only."""
WORTH_POWER = 0.03
"""A change of power worth knowing (as 3 % of a time is)."""

_UNLIKE = 0.25
_MATCHED, _KNOWN = 0.5, 0.8


@dataclass(frozen=True)
class PowerChange:
    """Power of B over that of A, less one, between two speeds; NaN where the pulls do not tell."""

    from_mps: float
    to_mps: float
    pulls_a: int
    pulls_b: int
    change: float
    low: float
    high: float
    sigma: float
    df: float

    @property
    def told(self) -> bool:
        """Whether there is an interval."""
        return math.isfinite(self.low)


@dataclass(frozen=True)
class PowerSeconds:
    """B less A in the time from one speed to another, by integrating the change of power [s]."""

    from_mps: float
    to_mps: float
    a_s: float
    difference_s: float
    low_s: float
    high_s: float


@dataclass(frozen=True)
class PowerComparison:
    """What B's power is against A's. `detectable` is what would have shown 8 times in 10, by all pulls and, had only
    the standing starts been driven, by those; relative."""

    a: str
    b: str
    overall: PowerChange
    groups: list[PowerChange]
    seconds: PowerSeconds | None
    verdict: PowerVerdict
    sentence: str
    days: PowerDays
    detectable: float
    detectable_by_starts: float
    starts: tuple[int, int]
    rolling: tuple[int, int]
    corrected: bool
    level: float
    scatter: dict[str, float]
    """Standard deviations that the pulls leave: see `power_model.PRIORS`."""
    caveats: list[str] = field(default_factory=list)


def compare_power(
    a: str,
    pulls_a: Sequence[SeasonPull],
    b: str,
    pulls_b: Sequence[SeasonPull],
    others: Sequence[SeasonPull] = (),
    *,
    road: RoadLoad | None = None,
    corrected: bool = False,
    level: float = LEVEL,
    judge: bool = True,
    learned: Callable[[], LearnedRoad | None] = lambda: None,
    fits: PowerKept | None = None,
) -> PowerComparison:
    """Hold the power of B's pulls against that of A's.

    Parameters
    ----------
    pulls_a, pulls_b : sequence of SeasonPull
        All pulls of both, full or not where `judge` is true; `others` are further pulls of the car, from which slopes
        and scatter are learned.
    road : RoadLoad, optional
        For the seconds; without it there are none.
    corrected : bool
        By power in standard air, where every pull of A and B has its weather; as driven else.
    judge : bool
        Find out which of the pulls were full ones (`full_power`); else all are taken as such.
    learned : callable
        Gives the slopes of the roads by altitude. It is asked where most rolling pulls of B lie at places that A did
        not pull at, so that their hills do not cancel; where they do, matching by place is as good and needs none.
    fits : PowerKept, optional
        What was fitted before.
    """
    given = [*pulls_a, *pulls_b, *others]
    if judge:
        kept = {id(each) for each in full_power(given)[0]}
        pulls_a, pulls_b, others = ([each for each in side if id(each) in kept] for side in (pulls_a, pulls_b, others))
    counts = _count(pulls_a), _count(pulls_b)
    starts, rolling = (counts[0][0], counts[1][0]), (counts[0][1], counts[1][1])
    nothing = PowerChange(math.nan, math.nan, len(pulls_a), len(pulls_b), *[math.nan] * 5)
    if min(len(pulls_a), len(pulls_b)) < MIN_RUNS:
        lacking = [
            f"{MIN_RUNS - n} more of {name}" for n, name in ((len(pulls_a), a), (len(pulls_b), b)) if n < MIN_RUNS
        ]
        said = f"too few pulls. Drive at least {' and '.join(lacking)}"
        return PowerComparison(
            a, b, nothing, [], None, "too few pulls", said, "assumed", math.nan, math.nan, starts, rolling, False,
            level, {},
        )  # fmt: skip
    pulls_a, pulls_b = _near(pulls_a, pulls_b), _near(pulls_b, pulls_a)
    corrected = corrected and all(math.isfinite(each.factor) for each in [*pulls_a, *pulls_b])
    others = [each for each in others if not corrected or math.isfinite(each.factor)]
    pulls, setups = _sides(pulls_a, pulls_b, _nearest(pulls_a, pulls_b, others))
    usual = usual_power(pulls)
    rows, of = rows_of_pulls(pulls, setups, usual, corrected)
    rows, hills = _hills_taken_off(rows, pulls, learned)
    there, days = _groups(rows, of), _days(pulls_a, pulls_b)
    told = (fits or PowerKept(None)).told(("compared", rows, there, level), lambda: _fitted(rows, there, level))
    if told["overall"] is None:
        said = "too few pulls. The two were never driven over the same range of speeds"
        return PowerComparison(
            a, b, nothing, [], None, "too few pulls", said, days, math.nan, math.nan, starts, rolling, corrected, level,
            dict(told["scatter"]),
        )  # fmt: skip
    base, mine = told["base"], Student(*told["overall"])
    overall = _change(rows, of, mine, base, (int(rows.band.min()), int(rows.band.max()) + 1), 1 - level)
    seen = day_effects.detectable(mine.scale / base, mine.df, 1 - level)
    groups = [
        _change(rows, of, Student(*each), base, group, told["each_alpha"])
        for each, group in zip(told["groups"], there, strict=True)
    ]
    verdict, sentence = _verdict(a, b, overall, days, seen)
    return PowerComparison(
        a, b, overall, groups, _seconds(rows, usual, base, overall, road), verdict, sentence, days, seen,
        told["shown_by_starts"], starts, rolling, corrected, level, dict(told["scatter"]),
        [*_caveats(pulls_a, pulls_b, starts, rolling), *hills],
    )  # fmt: skip


def _fitted(rows: PullRows, there: Sequence[tuple[int, int]], level: float) -> dict[str, Any]:
    """What the model says of the rows: the scatter, A's level, and the change by all bands, by the groups `there` and
    what starts alone would have shown; as plain values, a Student by its three figures."""
    design = columns(rows)
    bands = design.shape[1] - (int(rows.setup.max()))
    wanted = np.zeros(design.shape[1])
    wanted[bands] = 1.0  # B less A; A's own column is the first setup's, which has none
    fit = PowerFit(rows, design)
    if not fit.determines(wanted):
        return {"overall": None, "scatter": list(fit.sigmas.items())}
    base = fit.base_level(np.isin(np.unique(rows.band), rows.band[rows.setup == 0]))  # over the bands that A has
    starting = _by_starts(rows, fit)
    apart = fit.with_design(_split(rows, there)) if there else None
    fit.explore(*(each for each in (apart, starting) if each is not None))
    groups, each_alpha = _told_apart(rows, apart, there, level) if apart is not None else ([], math.nan)
    return {
        "overall": astuple(fit.contrast(wanted)),
        "scatter": list(fit.sigmas.items()),
        "base": base,
        "groups": [astuple(each) for each in groups],
        "each_alpha": each_alpha,
        "shown_by_starts": _shown_by(starting, base, level) if starting is not None else math.nan,
    }


# --- the sides ----------------------------------------------------------------------------------------------------


def _count(pulls: Sequence[SeasonPull]) -> tuple[int, int]:
    """Standing runs and rolling pulls."""
    return len({(each.drive, each.pull.run) for each in pulls if not each.rolling}), sum(each.rolling for each in pulls)


def _near(mine: Sequence[SeasonPull], its: Sequence[SeasonPull]) -> list[SeasonPull]:
    """As many pulls of one side as half the model takes in: of the other side's outings, then the nearest in time."""
    outings = {each.outing for each in its}
    middle = float(np.median([each.start_s for each in its]))
    return _first(mine, lambda each: (each.outing not in outings, abs(each.start_s - middle)), MOST_ROWS // 2)


def _nearest(a: Sequence[SeasonPull], b: Sequence[SeasonPull], others: Sequence[SeasonPull]) -> list[SeasonPull]:
    """As many of the others as the model takes in, those nearest in time to A and B first; in their order."""
    room = MOST_ROWS - sum(len(each.pull.band) for each in [*a, *b])
    middle = float(np.median([each.start_s for each in [*a, *b]]))
    return _first(others, lambda each: (False, abs(each.start_s - middle)), room)


def _first(
    pulls: Sequence[SeasonPull], order: Callable[[SeasonPull], tuple[bool, float]], room: int
) -> list[SeasonPull]:
    """The first by `order` whose bands find room, in the order given."""
    chosen = set()
    for each in sorted(pulls, key=order):
        room -= len(each.pull.band)
        if room < 0:
            break
        chosen.add(id(each))
    return [each for each in pulls if id(each) in chosen]


def _sides(
    a: Sequence[SeasonPull], b: Sequence[SeasonPull], others: Sequence[SeasonPull]
) -> tuple[list[SeasonPull], Ids]:
    """All pulls, starts before rolling ones, and 0 for A's, 1 for B's, a number of its own for each other setup."""
    numbers = [np.zeros(len(a), np.int64), np.ones(len(b), np.int64), 2 + setup_numbers(others)]
    pulls, setups = [*a, *b, *others], np.concatenate(numbers)
    order = sorted(range(len(pulls)), key=lambda k: pulls[k].rolling)
    return [pulls[k] for k in order], setups[order]


def _days(a: Sequence[SeasonPull], b: Sequence[SeasonPull]) -> PowerDays:
    first, second = ({each.outing for each in side} for side in (a, b))
    if first == second:
        return "cancelled"
    return "included" if first & second or max(len(first), len(second)) > 1 else "assumed"


# --- figures ------------------------------------------------------------------------------------------------------


def _change(rows: PullRows, of: Ids, told: Student, base: float, bands: tuple[int, int], alpha: float) -> PowerChange:
    inside = (rows.band >= bands[0]) & (rows.band < bands[1])
    low, high = told.interval(alpha)
    count = [len(np.unique(of[inside & (rows.setup == side)])) for side in (0, 1)]
    return PowerChange(
        bands[0] * BAND_MPS, bands[1] * BAND_MPS, count[0], count[1], told.centre / base, low / base,
        high / base, told.scale / base, told.df,
    )  # fmt: skip


def _groups(rows: PullRows, of: Ids) -> list[tuple[int, int]]:
    """The groups of bands that both sides have."""
    there = []
    for low, high in GROUPS:
        here = (rows.band >= low) & (rows.band < high)
        if all(len(np.unique(of[here & (rows.setup == side)])) >= MIN_RUNS for side in (0, 1)):
            there.append((low, high))
    return there


def _split(rows: PullRows, groups: Sequence[tuple[int, int]]) -> Floats:
    """The fixed columns with B's by group of bands, the rest of its bands in one."""
    design = columns(rows)
    bands = design.shape[1] - int(rows.setup.max())
    inside = [(rows.band >= low) & (rows.band < high) & (rows.setup == 1) for low, high in groups]
    rest = (rows.setup == 1) & ~np.any(inside, axis=0)
    return np.column_stack([design[:, :bands], *inside, rest, design[:, bands + 1 :]]).astype(float)


def _told_apart(
    rows: PullRows, apart: PowerFit, groups: Sequence[tuple[int, int]], level: float
) -> tuple[list[Student], float]:
    """The change in each group of bands, and one less the level of each that holds together with the whole's."""
    bands = len(np.unique(rows.band))
    wanted = np.zeros((len(groups), apart.columns))
    wanted[np.arange(len(groups)), bands + np.arange(len(groups))] = 1.0
    told, correlation = apart.contrasts(wanted)
    return told, day_effects.tightened(1 - level, correlation, min(one.df for one in told))


def _by_starts(rows: PullRows, fit: PowerFit) -> PowerFit | None:
    """The fit had only the standing starts been driven, which come first; None where they do not tell."""
    standing = ~rows.rolling
    if min(len(np.unique(rows.run[standing & (rows.setup == side)])) for side in (0, 1)) < MIN_RUNS:
        return None
    some = rows.only(standing)
    some = replace(some, setup=np.unique(some.setup, return_inverse=True)[1].astype(np.int64))
    return fit.of_first(len(some), columns(some))


def _shown_by(fit: PowerFit, base: float, level: float) -> float:
    """What would have shown 8 times in 10; NaN where it does not tell of B."""
    wanted = np.zeros(fit.columns)
    wanted[len(np.unique(fit.rows.band))] = 1.0
    if not fit.determines(wanted):
        return math.nan
    told = fit.contrast(wanted)
    return day_effects.detectable(told.scale / base, told.df, 1 - level)


def _seconds(
    rows: PullRows, usual: tuple[Floats, Floats], base: float, overall: PowerChange, road: RoadLoad | None
) -> PowerSeconds | None:
    """The change integrated again, from the lowest to the highest band that both sides crossed."""
    if road is None:
        return None
    shared = sorted(set(rows.band[rows.setup == 0].tolist()) & set(rows.band[rows.setup == 1].tolist()))
    if not shared:
        return None
    low, high = shared[0] * BAND_MPS, (shared[-1] + 1) * BAND_MPS
    v = np.linspace(low, high, 400)

    def time(change: float) -> float:
        power = base * (1 + change) * np.exp(np.interp(np.log(v), *usual))
        left = power - road.at(v) * v
        if (left <= 0).any():
            return math.nan
        return float(np.trapezoid((1 + road.rotating) * v / left, v))

    plain = time(0.0)
    ends = sorted((time(overall.low) - plain, time(overall.high) - plain))
    return PowerSeconds(low, high, plain, time(overall.change) - plain, *ends)


# --- words --------------------------------------------------------------------------------------------------------


def _verdict(a: str, b: str, overall: PowerChange, days: PowerDays, seen: float) -> tuple[PowerVerdict, str]:
    told = f"{abs(overall.change):.1%} ({overall.low:+.1%} to {overall.high:+.1%})"
    if overall.low > 0:
        return "more power", f"{b} has more power than {a}. It gains {told}"
    if overall.high < 0:
        return "less power", f"{b} has less power than {a}. It loses {told}"
    would = f"The smallest change this could have shown: {seen:.1%} (8 times in 10)"
    if days == "assumed" and seen > WORTH_POWER:
        return (
            "too few pulls",
            f"power of {b} against {a}: too few pulls. They were driven on different days, and neither on two. "
            f"With the usual "
            f"difference between days, nothing shows. {would}. One outing with both settles it, because days cancel",
        )
    return "no difference shown", f"power of {b} against {a}: no difference shown. {would}"


def _caveats(
    a: Sequence[SeasonPull],
    b: Sequence[SeasonPull],
    starts: tuple[int, int],
    rolling: tuple[int, int],
) -> list[str]:
    said = _unlike_tags(a, b)
    shares = [r / max(r + s, 1) for r, s in zip(rolling, starts, strict=True)]
    if abs(shares[0] - shares[1]) > 0.5:
        said.append("one side is measured by starts and the other by rolling pulls, which may differ by 1 %")
    return said


def _hills_taken_off(
    rows: PullRows, pulls: Sequence[SeasonPull], learned: Callable[[], LearnedRoad | None]
) -> tuple[PullRows, list[str]]:
    """The rows, the hills of their roads taken off where they do not cancel and are known; and what is said of that."""
    if _matched(rows) >= _MATCHED:
        return rows, []
    unlike = "most rolling pulls were at places where only one of the two was driven"
    road = learned()
    if road is not None:
        told, share, (least, most) = with_learned_slopes(rows, pulls, road)
        if share >= _KNOWN:
            shown = f"the altitude of {passes_words(least, most)} there shows them"
            return told, [f"{unlike}. Their hills are corrected as well as {shown}"]
    return rows, [f"{unlike}, so their hills do not cancel. Pull at the same places with both"]


def _unlike_tags(a: Sequence[SeasonPull], b: Sequence[SeasonPull]) -> list[str]:
    """Tags that one side bears much more than the other: what a passenger or a full tank weighs looks like power."""
    said = []
    for tag in sorted({tag for each in [*a, *b] for tag in each.tags}):
        shares = [sum(tag in each.tags for each in side) / len(side) for side in (a, b)]
        if abs(shares[0] - shares[1]) <= _UNLIKE:
            continue
        parted = any(0.1 < share < 0.9 for share in shares)
        how = (
            "the change is corrected for that, as far as pulls of one side with and without it show it"
            if parted else "that is part of the change, because the weight of a passenger or a full tank looks "
            "like power"
        )  # fmt: skip
        said.append(f"{shares[0]:.0%} of A's pulls and {shares[1]:.0%} of B's are tagged {tag}: {how}")
    return said


def _matched(rows: PullRows) -> float:
    """Share of rolling bands of B that A pulled through as well, within 60 m and in the same direction or back."""
    first, second = rows.setup == 0, (rows.setup == 1) & rows.rolling
    if not second.any() or not first.any():
        return 1.0
    away = np.hypot(
        rows.east_m[second][:, None] - rows.east_m[first][None, :],
        rows.north_m[second][:, None] - rows.north_m[first][None, :],
    )
    if not np.isfinite(away).any():
        return 1.0
    return float(np.mean(np.nanmin(np.where(np.isfinite(away), away, np.inf), axis=1) < 60.0))
