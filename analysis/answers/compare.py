"""The answer of `compare`: what one setup, drive or list of runs does against another.

Times as driven and corrected times are different fields: `mean_a_s` and `raw` are as driven, `mean_a_corrected_s` and
`corrected` are corrected to standard air, `a_s`, `b_s` and `difference_s` are of the times that the verdict goes by.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from analysis.answers.encoding import Answer, Figure
from analysis.answers.parts import PartPair, pairs
from analysis.answers.power_change import PowerChangeAnswer, power_change
from analysis.arrays import Floats
from analysis.changes.across_cars import two_cars
from analysis.changes.compare import LAUNCH_MPS, Comparison, Conditions
from analysis.changes.full_throttle import RunLeftOut
from analysis.changes.observations import Side
from analysis.changes.season_record import SeasonRecord
from analysis.changes.sides import held, opposed
from analysis.changes.verdicts import BandDifference, Measure, SplitDifference, TimesHeld
from analysis.wording import FULL_THROTTLE_COMPARED
from logger.units import speed_label

if TYPE_CHECKING:
    from analysis.store import DriveStore

OverallVerdict = Literal["faster", "slower", "no difference shown", "too few runs", "mixed"]
Days = Literal["included", "cancelled", "assumed", "unknown"]


class DifferenceAnswer(Answer):
    """B less A in times of one kind."""

    difference_s: Figure
    """B less A by the model: below zero, B is the quicker one [s]."""
    low_s: Figure
    """Lower end of its interval, days included [s]; null where days matter and are unknown."""
    high_s: Figure
    """Upper end of its interval, days included [s]."""


class SplitComparison(Answer):
    """Both sides' time from one foot of movement to one speed."""

    speed: str
    """The speed as the owner writes it."""
    speed_mps: float
    """The speed [m/s]."""
    runs_a: int
    """Runs of A that reach it."""
    runs_b: int
    """Runs of B that reach it."""
    a_s: Figure
    """Plain mean of A, of the times judged by [s]: corrected if `corrected_by` is given, else as driven."""
    b_s: Figure
    """Plain mean of B, of the times judged by [s]."""
    mean_a_s: Figure
    """Plain mean of A as driven [s]."""
    mean_b_s: Figure
    """Plain mean of B as driven [s]."""
    mean_a_corrected_s: Figure
    """Plain mean of A corrected to standard air [s]; null where the verdict goes by times as driven."""
    mean_b_corrected_s: Figure
    """Plain mean of B corrected to standard air [s]; null where the verdict goes by times as driven."""
    difference_s: Figure
    """B less A by the model, of the times judged by [s]: below zero, B is the quicker one."""
    adjustment_s: Figure
    """`difference_s` less (`b_s` less `a_s`) [s]: what the model allows for directions driven unevenly and for days."""
    low_s: Figure
    """Lower end of the interval that includes days, all speeds together at `level` [s]."""
    high_s: Figure
    """Upper end of that interval [s]."""
    run_low_s: Figure
    """Lower end of the interval from the scatter of runs alone [s]: true only if all days were alike."""
    run_high_s: Figure
    """Upper end of that interval [s]."""
    alone_low_s: Figure
    """Lower end of the interval that includes days, this speed on its own at `level` [s]."""
    alone_high_s: Figure
    """Upper end of that interval [s]."""
    days: Days
    """How days enter: included, cancelled (measured within outings), assumed (no outing repeats a setup) or unknown."""
    run_sigma_s: Figure
    """Standard deviation of runs within an outing [s]."""
    day_sigma_s: Figure
    """Standard deviation of days [s]: what is taken beforehand, moved by the car's own repeats."""
    repeat_outings: int
    """Degrees of freedom between outings: the repeats that the days were learned from."""
    smallest_detectable_s: Figure
    """The smallest true difference that 8 of 10 such seasons would show [s]."""
    more_runs_each: int
    """Runs of each, in one outing, that would show the change worth knowing; 0 where none are asked for."""
    verdict: str
    """faster, slower, no difference shown or too few runs."""
    sentence: str
    """The verdict in words."""
    raw: DifferenceAnswer
    """The difference of the times as driven."""
    corrected: DifferenceAnswer | None
    """The difference of the corrected times; null where the verdict goes by times as driven."""


class BandComparison(Answer):
    """Both sides' time from one speed to another."""

    from_mps: float
    """Lower speed of the band [m/s]."""
    to_mps: float
    """Upper speed of the band [m/s]."""
    a_s: Figure
    """Plain mean of A in the band, of the times judged by [s]."""
    b_s: Figure
    """Plain mean of B in the band, of the times judged by [s]."""
    mean_a_s: Figure
    """Plain mean of A in the band as driven [s]."""
    mean_b_s: Figure
    """Plain mean of B in the band as driven [s]."""
    mean_a_corrected_s: Figure
    """Plain mean of A in the band corrected to standard air [s]; null where the verdict goes by times as driven."""
    mean_b_corrected_s: Figure
    """Plain mean of B in the band corrected to standard air [s]; null where the verdict goes by times as driven."""
    difference_s: Figure
    """B less A by the model, of the times judged by [s]: below zero, B gains here."""
    low_s: Figure
    """Lower end of the interval that includes days, all bands together at `level` [s]."""
    high_s: Figure
    """Upper end of that interval [s]."""
    run_low_s: Figure
    """Lower end of the interval from the scatter of runs alone [s]."""
    run_high_s: Figure
    """Upper end of that interval [s]."""
    verdict: str
    """quicker, slower, no difference shown or too few runs."""
    raw: DifferenceAnswer
    """The difference of the times as driven."""
    corrected: DifferenceAnswer | None
    """The difference of the corrected times; null where the verdict goes by times as driven."""


class MeasureComparison(Answer):
    """One further figure of both sides."""

    name: str
    """What it is, with its definition."""
    unit: str
    """Unit of `a`, `b`, `difference` and the intervals."""
    runs_a: int
    """Runs (or loops) of A that tell it."""
    runs_b: int
    """Runs (or loops) of B that tell it."""
    a: Figure
    """Plain mean of A [unit]."""
    b: Figure
    """Plain mean of B [unit]."""
    difference: Figure
    """B less A by the model [unit]."""
    low: Figure
    """Lower end of the interval that includes days [unit]."""
    high: Figure
    """Upper end of that interval [unit]."""
    run_low: Figure
    """Lower end of the interval from the scatter of runs alone [unit]."""
    run_high: Figure
    """Upper end of that interval [unit]."""
    verdict: str
    """In fitting words: quicker or slower, richer or leaner, less or more, no difference shown, too few runs."""
    sentence: str
    """The verdict in words."""


class ConditionsAnswer(Answer):
    """What the runs of one side were driven in."""

    headwind_mps: tuple[Figure, Figure, Figure]
    """Least, mean and most wind along the runs [m/s], against the car above zero; null where none is known."""
    grade_percent: tuple[Figure, Figure, Figure]
    """Least, mean and most slope over the runs [%], uphill above zero."""


class BothConditions(Answer):
    """What each side was driven in."""

    a: ConditionsAnswer
    """Of A."""
    b: ConditionsAnswer
    """Of B."""


class BothRuns(Answer):
    """The runs of each side that count, as the command line names them."""

    a: tuple[str, ...]
    """Of A."""
    b: tuple[str, ...]
    """Of B."""


class LeftOutAnswer(Answer):
    """A standing run that does not count."""

    run: str
    """The run, as the command line names it."""
    reason: str
    """Why it does not count."""
    struck: bool
    """Whether the owner struck it out."""


class CompareAnswer(Answer):
    """What B does against A. Differences are B less A."""

    a: str
    """Name of the first side."""
    b: str
    """Name of the second side."""
    parts_that_differ: tuple[str, ...]
    """The parts in which the two setups differ."""
    parts: dict[str, PartPair]
    """Both values of each part that differs."""
    verdict: OverallVerdict
    """One verdict over all speeds."""
    sentence: str
    """The verdict in words."""
    power: PowerChangeAnswer | None
    """Power at the wheels, by every full pull of both; null where the season has no pulls of them."""
    level: float
    """How surely all intervals of `splits` hold together."""
    level_of_each: float
    """The level of each on its own, so that all hold together at `level`."""
    corrected_by: str | None
    """The correction of the times judged by; null where they are as driven."""
    speed_unit: Literal["mph", "km/h"]
    """The owner's unit of speed."""
    splits: tuple[SplitComparison, ...]
    """One for each speed, rising."""
    trace: tuple[BandComparison, ...]
    """Time gained or lost in each band of speed, rising."""
    launch: MeasureComparison | None
    """Time from one foot to 5 m/s as driven; null where a side has none."""
    mixture: MeasureComparison | None
    """Mixture at full throttle, by what each run had in its own pull; null where a side has none."""
    fuel: MeasureComparison | None
    """Fuel used over distance, by loops; null where a side has none."""
    conditions: BothConditions
    """Wind and slope that each side was driven in."""
    more_runs_each: int
    """Runs of each, in one outing, that would settle an open verdict; 0 where none are asked for."""
    runs: BothRuns
    """The runs that were compared."""
    outliers: tuple[str, ...]
    """Runs that no scatter explains, each in a sentence; they count."""
    left_out: tuple[LeftOutAnswer, ...]
    """Standing runs of the same drives that do not count."""
    caveats: tuple[str, ...]
    """What the reader must know, each in a sentence."""
    background: tuple[str, ...]
    """Those of the caveats that ask the owner for nothing: how the figures were worked out."""
    correction: str | None
    """How the times were corrected, in a sentence; null where they are as driven."""


def compare_answer(
    season: SeasonRecord,
    a: str,
    b: str,
    speeds_mps: Sequence[float] | Floats | None = None,
    *,
    raw: bool = False,
    worth_s: float | None = None,
) -> CompareAnswer:
    """Compare `b` with `a`, each a setup, a drive or runs as the command line names them.

    Parameters
    ----------
    speeds_mps : sequence of float, optional
        The speeds to time [m/s]; by default every 10 mph or 20 km/h that both sides reach.
    raw : bool
        Judge by times as driven.
    worth_s : float, optional
        The change worth knowing at the highest speed [s]; by default 3 % of the time.

    Raises
    ------
    InputError
        Where a name is unknown or both sides hold the same run.
    NoAnswer
        Where a side has no run that counts, or no speed is reached on both.
    """
    return sides_answer(season, *opposed(a, b, season), speeds_mps, raw=raw, worth_s=worth_s)


def across_answer(
    store: DriveStore,
    a: str,
    b: str,
    speeds_mps: Sequence[float] | Floats | None = None,
    *,
    raw: bool = False,
    worth_s: float | None = None,
    **options: Any,
) -> CompareAnswer:
    """As `compare_answer`, where a side is of another car of the store: `finch/baseline`; options of `two_cars`.

    No runs are asked for: no plan settles two cars.
    """
    found = sides_answer(*two_cars(store, a, b, **options), speeds_mps, raw=raw, worth_s=worth_s)
    return found.model_copy(update={"more_runs_each": 0})


def sides_answer(
    season: SeasonRecord,
    first: Side,
    second: Side,
    speeds_mps: Sequence[float] | Floats | None = None,
    *,
    raw: bool = False,
    worth_s: float | None = None,
) -> CompareAnswer:
    """As `compare_answer`, of two sides of the season that are at hand."""
    speeds = None if speeds_mps is None else np.asarray(speeds_mps, float)
    found = held(first, second, season, speeds, raw=raw, worth_s=worth_s)
    unit = season.unit
    drives = {run.drive for run in [*first.runs, *second.runs]}
    return CompareAnswer(
        a=found.a,
        b=found.b,
        parts_that_differ=tuple(each.part for each in found.parts_that_differ),
        parts=pairs(found.parts_that_differ),
        verdict=found.verdict.word,
        sentence=found.verdict.sentence,
        power=power_change(season, first, second, raw=raw),
        level=found.level,
        level_of_each=found.each_level,
        corrected_by=found.corrected_by or None,
        speed_unit=unit,
        splits=tuple(_split(each, unit) for each in found.splits),
        trace=tuple(_band(each) for each in found.trace),
        launch=_measure(found.launch, f"one foot to {speed_label(LAUNCH_MPS, unit)} as driven"),
        mixture=_measure(found.mixture, FULL_THROTTLE_COMPARED),
        fuel=_measure(found.fuel),
        conditions=BothConditions(a=_conditions(found.conditions_a), b=_conditions(found.conditions_b)),
        more_runs_each=found.more_runs_each,
        runs=BothRuns(a=tuple(run.label for run in first.runs), b=tuple(run.label for run in second.runs)),
        outliers=tuple(found.outliers),
        left_out=tuple(_left_out(each) for each in season.left_out if each.drive in drives),
        caveats=(*season.caveats, *found.caveats, *found.background),
        background=tuple(found.background),
        correction=_correction(found, season),
    )


# --- from the mathematics to the answer ---------------------------------------------------------------------------


def _split(split: SplitDifference, unit: str) -> SplitComparison:
    judged, interval = split.judged, split.judged.interval
    return SplitComparison(
        speed=speed_label(split.speed_mps, unit),
        speed_mps=split.speed_mps,
        runs_a=split.runs_a,
        runs_b=split.runs_b,
        a_s=judged.mean_a_s,
        b_s=judged.mean_b_s,
        mean_a_s=split.raw.mean_a_s,
        mean_b_s=split.raw.mean_b_s,
        mean_a_corrected_s=split.corrected.mean_a_s if split.corrected else math.nan,
        mean_b_corrected_s=split.corrected.mean_b_s if split.corrected else math.nan,
        difference_s=interval.estimate,
        adjustment_s=judged.adjustment_s,
        low_s=interval.low,
        high_s=interval.high,
        run_low_s=interval.run_low,
        run_high_s=interval.run_high,
        alone_low_s=interval.alone_low,
        alone_high_s=interval.alone_high,
        days=interval.days,
        run_sigma_s=split.scatter.run_sigma,
        day_sigma_s=split.scatter.day_sigma,
        repeat_outings=split.scatter.day_df,
        smallest_detectable_s=split.verdict.detectable,
        more_runs_each=split.verdict.more_runs_each,
        verdict=split.verdict.word,
        sentence=split.verdict.sentence,
        raw=_difference(split.raw),
        corrected=_difference(split.corrected) if split.corrected else None,
    )


def _band(band: BandDifference) -> BandComparison:
    judged, interval = band.judged, band.judged.interval
    return BandComparison(
        from_mps=band.from_mps,
        to_mps=band.to_mps,
        a_s=judged.mean_a_s,
        b_s=judged.mean_b_s,
        mean_a_s=band.raw.mean_a_s,
        mean_b_s=band.raw.mean_b_s,
        mean_a_corrected_s=band.corrected.mean_a_s if band.corrected else math.nan,
        mean_b_corrected_s=band.corrected.mean_b_s if band.corrected else math.nan,
        difference_s=interval.estimate,
        low_s=interval.low,
        high_s=interval.high,
        run_low_s=interval.run_low,
        run_high_s=interval.run_high,
        verdict=band.verdict.word,
        raw=_difference(band.raw),
        corrected=_difference(band.corrected) if band.corrected else None,
    )


def _difference(times: TimesHeld) -> DifferenceAnswer:
    return DifferenceAnswer(
        difference_s=times.interval.estimate, low_s=times.interval.low, high_s=times.interval.high
    )  # fmt: skip


def _measure(found: Measure | None, defined: str = "") -> MeasureComparison | None:
    if found is None:
        return None
    return MeasureComparison(
        name=f"{found.name}, {defined}" if defined else found.name,
        unit=found.unit,
        runs_a=found.count_a,
        runs_b=found.count_b,
        a=found.mean_a,
        b=found.mean_b,
        difference=found.interval.estimate,
        low=found.interval.low,
        high=found.interval.high,
        run_low=found.interval.run_low,
        run_high=found.interval.run_high,
        verdict=found.verdict.word,
        sentence=found.verdict.sentence,
    )


def _conditions(found: Conditions) -> ConditionsAnswer:
    return ConditionsAnswer(headwind_mps=found.headwind_mps, grade_percent=found.grade_percent)


def _left_out(run: RunLeftOut) -> LeftOutAnswer:
    return LeftOutAnswer(run=run.label, reason=run.reason, struck=run.struck)


def _correction(found: Comparison, season: SeasonRecord) -> str | None:
    if not found.corrected_by:
        return None
    if not season.road:
        return f"times were given as corrected to {found.corrected_by} air"
    return (
        f"times are corrected to {found.corrected_by} air by the force of the engine, with road load from "
        f"{season.road}. What the air does to the mixture is not corrected"
    )
