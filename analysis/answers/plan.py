"""The answer of `plan`: the next drives worth making."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.answers.encoding import Answer, Figure
from analysis.answers.parts import PartPair, pairs
from analysis.changes.best import common_speed
from analysis.changes.compare_power import WORTH_POWER
from analysis.changes.mixture_next import mixture_notes
from analysis.changes.plan import CHECKLIST, DAY_HOURS, Plan
from analysis.changes.power_plan import power_mix
from analysis.changes.season_record import SeasonRecord
from analysis.changes.sides import planned, step_mps
from analysis.conditions.setups import differences
from analysis.wording import plural
from logger.config.setup import PartValue
from logger.errors import NoAnswer
from logger.units import convert, speed_label


class PlannedStep(Answer):
    """A setup to drive."""

    setup: dict[str, PartValue]
    """Its parts."""
    differs: dict[str, PartPair]
    """What differs from the first setup of the plan, a, to this one, b."""
    runs: int
    """Runs to drive with it, half of them each way."""
    why: str
    """What it is for."""
    outing: int
    """In which outing, from 1."""


class PowerPlan(Answer):
    """Pulls of each setup, in one outing, that show a change of power: starts alone, or fewer with rolling pulls."""

    worth: float
    """The change of power to be shown [-]."""
    starts: int
    """By starts alone; 0 where no number that fits into an outing does."""
    fewer_starts: int
    """Fewer starts, which do with `rolling` beside them."""
    rolling: int
    """Rolling pulls, at places that both setups pull at; 0 where no number does."""
    rolling_for_a_start: Figure
    """Rolling pulls that replace one start; null where it cannot be said."""
    sentence: str
    """The same in words."""


class PlanAnswer(Answer):
    """The fewest drives that separate parts which always changed together, or settle what is open."""

    separable: dict[str, bool]
    """Part -> whether its effect can be separated from all others' by what was driven so far."""
    tangled: tuple[tuple[str, ...], ...]
    """Parts that always changed together so far."""
    next: tuple[PlannedStep, ...]
    """What to drive, in order; nothing where no drive is needed."""
    sentence: str
    """How much there is to drive, or why nothing, in one line."""
    speed: str
    """The speed judged by, as the owner writes it."""
    speed_mps: float
    """The speed judged by [m/s]."""
    power: float
    """How surely the change worth knowing is to be found."""
    worth_s: Figure
    """The change worth knowing, in the time as driven to that speed [s]."""
    outings: int
    """How many outings it takes."""
    minutes: float
    """How long the longest of them takes, all in [min]."""
    run_minutes: float
    """From one run to the next, as driven so far [min]."""
    by_power: PowerPlan | None
    """The same by power at the wheels; null before the season has pulls to go by."""
    notes: tuple[str, ...]
    """What else was found, each in a sentence."""
    warnings: tuple[str, ...]
    """What makes it hard, each in a sentence."""
    checklist: tuple[str, ...]
    """For the day."""


def plan_answer(
    season: SeasonRecord,
    speed_mps: float | None = None,
    *,
    settle: tuple[str, str] | None = None,
    gone: Sequence[tuple[str, PartValue]] = (),
    power: float = 0.8,
    worth_s: float | None = None,
    hours: float = DAY_HOURS,
) -> PlanAnswer:
    """The next drives worth making.

    Parameters
    ----------
    speed_mps : float, optional
        The speed to judge by [m/s]; by default the highest round one that four of five runs reach.
    settle : (str, str), optional
        Two setups to settle; by default the newest one and, of those before it, the one most like it.
    gone : sequence of (part, value)
        Values of parts that the owner no longer has.
    power : float
        How surely the change is to be found, 0 to 1.
    worth_s : float, optional
        The change worth knowing [s]; by default 3 % of the time.
    hours : float
        Longest outing that is no trouble [h].

    Raises
    ------
    NoAnswer
        Without a timed standing run.
    InputError
        Where a setup of `settle` is unknown.
    """
    if not season.runs:
        raise NoAnswer("plan needs a few timed standing runs first")
    speed = common_speed(season.runs, step_mps(season)) if speed_mps is None else speed_mps
    made = planned(
        season,
        speed,
        one_speed=speed_mps is not None,
        settle=settle,
        gone=gone,
        power=power,
        worth_s=worth_s,
        hours=hours,
    )
    return PlanAnswer(
        sentence=_sentence(made),
        separable=made.design.separable,
        tangled=tuple(tuple(group) for group in made.design.tangled),
        next=tuple(
            PlannedStep(
                setup=dict(step.parts), differs=pairs(differences(made.steps[0].parts, step.parts)), runs=step.runs,
                why=step.why, outing=step.outing,
            )
            for step in made.steps
        ),
        speed=speed_label(speed, season.unit),
        speed_mps=speed,
        power=made.power,
        worth_s=made.worth,
        outings=made.outings,
        minutes=made.minutes,
        run_minutes=made.run_minutes,
        by_power=_by_power(season, power),
        notes=(*season.caveats, *mixture_notes(season), *made.notes),
        warnings=tuple(made.warnings),
        checklist=CHECKLIST if made.steps else (),
    )  # fmt: skip


def _sentence(made: Plan) -> str:
    if made.steps:
        runs = sum(step.runs for step in made.steps)
        each = f", about {convert(made.minutes, 'min', 'h'):.1f} h{' each' if made.outings > 1 else ''}"
        return f"Drive {plural(made.outings, 'outing')}: {runs} runs in all{each}."
    if made.design.tangled:
        return "No drive is planned. None with the parts you still have would separate these."
    return "No drive is needed." if made.design.separable else "Nothing to compare: only one setup was driven so far."


def _by_power(season: SeasonRecord, power: float) -> PowerPlan | None:
    found = power_mix(season, WORTH_POWER, power)
    if found is None:
        return None
    if found.starts:
        said = f"by power, {found.starts} starts of each show"
    else:
        said = "by power, no number of starts that fits into an outing shows"
    said += f" a change of {found.worth:.0%} {power:.0%} of the time"
    if found.rolling:
        said += f". So do {found.fewer_starts} starts and {found.rolling} rolling pulls of each, at the same places"
        if math.isfinite(found.for_a_start):
            said += f". {found.for_a_start:.1f} rolling pulls replace a start"
    return PowerPlan(
        worth=found.worth, starts=found.starts, fewer_starts=found.fewer_starts, rolling=found.rolling,
        rolling_for_a_start=found.for_a_start, sentence=said,
    )  # fmt: skip
