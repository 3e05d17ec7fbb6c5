"""The answer of `effects`: what each part did, over all setups driven."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from pydantic import Field

from analysis.answers.encoding import Answer, Figure
from analysis.arrays import Floats
from analysis.changes import priors
from analysis.changes.best import common_speed
from analysis.changes.day_effects import ContrastInterval
from analysis.changes.effects import Attribution, Effect, attribute, either
from analysis.changes.observations import times_to
from analysis.changes.outlay import outlay_of
from analysis.changes.power_sides import PowerEffect, power_effects
from analysis.changes.season_record import SeasonRecord
from analysis.changes.sides import fuel_effects, step_mps
from logger.config.setup import PartValue
from logger.errors import NoAnswer
from logger.units import speed_label


class ChangedPart(Answer):
    """A part at a value other than the base setup's."""

    part: str
    """The part."""
    from_: PartValue | None = Field(alias="from")
    """Its value in the base setup; null where that does not mention it."""
    to: PartValue | None
    """Its other value; null where the setups that have it do not mention the part."""


class EffectInterval(Answer):
    """The size of an effect, with its interval."""

    difference: Figure
    """With the change less without it, in the unit of the figure: s, the mixture's channel or L/100 km."""
    low: Figure
    """Lower end of the interval that includes days; null where days matter and are unknown."""
    high: Figure
    """Upper end of that interval."""
    run_low: Figure
    """Lower end of the interval from the scatter of runs alone: true only if all days were alike."""
    run_high: Figure
    """Upper end of that interval."""
    days: Literal["included", "cancelled", "assumed", "unknown"]
    """How days enter: included, cancelled (measured within outings), assumed (no outing repeats a setup) or unknown."""


class TimeInterval(EffectInterval):
    """The size of an effect on the time from one foot of movement to one speed [s]."""

    speed: str
    """The speed as the owner writes it."""
    speed_mps: float
    """The speed [m/s]."""


class PartEffect(Answer):
    """What one change did, or more than one that cannot be separated."""

    parts: tuple[str, ...]
    """The parts changed."""
    changes: tuple[ChangedPart, ...]
    """From which value to which."""
    joint: bool
    """Whether it is what more than one part did together."""
    runs: int
    """Runs (or loops) driven with it."""


class FigureEffect(PartEffect):
    """What it did to the mixture at full throttle, or to the fuel used."""

    effects: tuple[EffectInterval, ...]
    """One interval."""


class GainFor(Answer):
    """Time gained to the highest speed asked for, for each unit of what the change took; above zero is quicker."""

    spent: float
    """What it took: money in the owner's own, or hours."""
    gain_s: Figure
    """Gained for each [s]."""
    low_s: Figure
    """Lower end of the interval that includes days; null where days matter and are unknown [s]."""
    high_s: Figure
    """Upper end of that interval [s]."""


class TimeEffect(PartEffect):
    """What it did to times."""

    effects: tuple[TimeInterval, ...]
    """One interval a speed, rising; those of one change hold together."""
    for_money: GainFor | None
    """Gained for each unit of money; null where the change cost nothing, or its setup does not say."""
    for_hours: GainFor | None
    """Gained for each hour of work; null likewise."""


class PowerEffectAnswer(PartEffect):
    """What it did to the power at the wheels, by every full pull, standing and rolling; `runs` counts pulls."""

    change: Figure
    """Power with it over power without, less one [-]."""
    low: Figure
    """From, days and hills in it [-]; all effects' intervals on power hold together."""
    high: Figure
    """To [-]."""


class EffectsAnswer(Answer):
    """What each part did against the base setup."""

    base: dict[str, PartValue]
    """The parts of the base setup, the first one driven."""
    corrected_by: str | None
    """The correction of the times; null where they are as driven."""
    speed_unit: Literal["mph", "km/h"]
    """The owner's unit of speed."""
    channel: str
    """The mixture's channel: AFR or lambda."""
    separable: dict[str, bool]
    """Part -> whether its effect can be separated from all others'."""
    tangled: tuple[tuple[str, ...], ...]
    """Parts that always changed together."""
    power: tuple[PowerEffectAnswer, ...]
    """On the power at the wheels; none where the season has no pulls."""
    time: tuple[TimeEffect, ...]
    """On the time from one foot of movement [s], of the times that `corrected_by` names."""
    mixture: tuple[FigureEffect, ...]
    """On the mixture at full throttle, as each run had it in its own pull [channel]."""
    fuel: tuple[FigureEffect, ...]
    """On the fuel used, by loops [L/100 km]."""
    caveats: tuple[str, ...]
    """What the reader must know, each in a sentence."""
    background: tuple[str, ...]
    """Those of the caveats that ask the owner for nothing."""


def effects_answer(
    season: SeasonRecord, speeds_mps: Sequence[float] | Floats | None = None, *, raw: bool = False
) -> EffectsAnswer:
    """What each part of the setups driven did.

    Parameters
    ----------
    speeds_mps : sequence of float, optional
        The speeds to time [m/s]; by default the highest round one that four of five runs reach.
    raw : bool
        By times as driven. Else by corrected ones, where every run of the season has them.

    Raises
    ------
    NoAnswer
        With fewer than two setups.
    """
    speeds = np.array([common_speed(season.runs, step_mps(season))]) if speeds_mps is None else np.asarray(speeds_mps)
    corrected = not raw and all(run.corrected_s is not None for run in season.runs)
    times = attribute(
        season.runs,
        times_to(season.runs, speeds, corrected),
        prior=priors.time_priors(season.runs, speeds),
    )
    if times is not None and corrected and any(run.unlaunched_s is not None for run in season.runs):
        limited = attribute(
            season.runs,
            times_to(season.runs, speeds, True, False),
            prior=priors.time_priors(season.runs, speeds),
        )
        times = either(times, limited) if limited is not None else times
    pulled = np.array([[run.full_throttle] for run in season.runs]).reshape(-1, 1)
    mixture = attribute(
        season.runs, pulled, prior=[priors.share_prior(pulled[:, 0], priors.MIXTURE_DAY, priors.MIXTURE_RUN)]
    )
    fuel = fuel_effects(season)
    if times is None:
        raise NoAnswer("effects needs runs with two setups or more. `pullbook drives` lists what there is.")
    return EffectsAnswer(
        base=dict(times.design.setups[0]),
        corrected_by=season.factor if corrected else None,
        speed_unit=season.unit,
        channel=season.channel,
        separable=times.design.separable,
        tangled=tuple(tuple(group) for group in times.design.tangled),
        power=tuple(
            PowerEffectAnswer(
                parts=tuple(change.part for change in each.changes),
                changes=_changes(each),
                joint=len(each.changes) > 1,
                runs=each.pulls,
                change=each.change,
                low=each.low,
                high=each.high,
            )
            for each in power_effects(season, raw=raw)
        ),
        time=tuple(_time_effect(effect, speeds, season) for effect in times.effects),
        mixture=_figure_effects(mixture),
        fuel=_figure_effects(fuel),
        caveats=(*season.caveats, *times.caveats, *times.background),
        background=tuple(times.background),
    )


def _time_effect(effect: Effect, speeds_mps: Floats, season: SeasonRecord) -> TimeEffect:
    outlay = outlay_of(season.setups, {change.part: change.value for change in effect.changes})
    intervals = tuple(
        TimeInterval(
            speed=speed_label(float(speed), season.unit), speed_mps=float(speed), difference=each.estimate,
            low=each.low, high=each.high, run_low=each.run_low, run_high=each.run_high, days=each.days,
        )
        for speed, each in zip(speeds_mps, effect.intervals, strict=True)
    )  # fmt: skip
    return TimeEffect(
        parts=_parts(effect), changes=_changes(effect), joint=effect.joint, runs=effect.runs, effects=intervals,
        for_money=_gain_for(intervals[-1], outlay.cost) if outlay is not None and intervals else None,
        for_hours=_gain_for(intervals[-1], outlay.hours) if outlay is not None and intervals else None,
    )  # fmt: skip


def _gain_for(interval: EffectInterval, spent: float) -> GainFor | None:
    if not spent > 0:
        return None
    return GainFor(
        spent=spent, gain_s=-interval.difference / spent, low_s=-interval.high / spent, high_s=-interval.low / spent
    )  # fmt: skip


def _figure_effects(found: Attribution | None) -> tuple[FigureEffect, ...]:
    return tuple(
        FigureEffect(
            parts=_parts(effect), changes=_changes(effect), joint=effect.joint, runs=effect.runs,
            effects=tuple(_interval(each) for each in effect.intervals),
        )
        for effect in (found.effects if found else [])
    )  # fmt: skip


def _interval(found: ContrastInterval) -> EffectInterval:
    return EffectInterval(
        difference=found.estimate, low=found.low, high=found.high, run_low=found.run_low, run_high=found.run_high,
        days=found.days,
    )  # fmt: skip


def _parts(effect: Effect) -> tuple[str, ...]:
    return tuple(change.part for change in effect.changes)


def _changes(effect: Effect | PowerEffect) -> tuple[ChangedPart, ...]:
    return tuple(ChangedPart(part=each.part, from_=each.base, to=each.value) for each in effect.changes)
