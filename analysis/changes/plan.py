"""The next drives worth making: the fewest that untangle what is tangled, or settle what is undecided.

    plan = plan_next(runs, times)

Parts that always changed together are parted by going back one change at a time from the setup that is on the car:
each such setup adds one to the rank of the design (`effects`), and as many are taken as it lacks. Each outing
begins and ends with the setup on the car, so that days cancel and a drift over the day shows.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from analysis.changes.compare import Comparison
from analysis.changes.day_effects import POWER
from analysis.changes.effects import WAY, Design, design_of, rank, scatter_of, tangles
from analysis.changes.observations import Observation, times_to
from analysis.changes.priors import time_priors
from analysis.changes.verdicts import FEWEST_EACH, WORTH_SHARE, needed_runs
from analysis.conditions.setups import Parts, differences, lookup, same, same_value, shown
from logger.config.setup import PartValue
from logger.units import MINUTES_PER_HOUR, S_PER_MINUTE

RUN_MINUTES = 6.0
"""One run with its turn and its wait, where the drives so far do not tell."""
CHANGE_MINUTES = 25.0
"""Swapping a part and letting the engine settle."""
WARM_UP_MINUTES = 15.0
DAY_HOURS = 3.0
"""An outing longer than this is warned of: light, wind and driver change."""
_MOST_RUNS = 12
"""Runs of one setup in one outing; where more are needed, the outing is repeated."""
_UNKNOWN_RUNS = FEWEST_EACH

CHECKLIST = (
    "Use a quiet, level, straight stretch where this is lawful. Stop when anybody comes.",
    "First check brakes, tyres, belt and its guard, fuel lines, throttle return. Belt covers stay on.",
    "Refuel to the same level first: engine off and cool, no flames, not in a closed room.",
    "Warm up fully (15 minutes of driving). Rest the engine the same time before each run.",
    "Drive both ways over the same stretch, as many runs one way as the other.",
    "Launch the same way each time. If one goes wrong, `pullbook note` it and strike it out later.",
    "Watch the mixture. Break off a pull that runs lean or pings.",
    "Note the weather at the start and the end. Wind below 2.7 m/s (6 mph).",
    "One change at a time. Exhaust is hot and parts move: engine off, key out, let it cool.",
    "Strap the laptop down on the passenger's side. Eyes on the road; read it when parked.",
    "End with the setup you started with. If it differs from itself, something drifted.",
)
"""For the day; usual care, no substitute for the law and for people who are qualified."""


@dataclass(frozen=True)
class Step:
    """A setup to drive, how often, and why."""

    parts: Parts
    runs: int
    why: str
    outing: int = 1


@dataclass(frozen=True)
class Plan:
    design: Design
    steps: list[Step]
    minutes: float
    """The longest outing, all in."""
    outings: int
    run_minutes: float
    power: float
    worth: float
    """The change that the runs are counted for [s], NaN where scatter is unknown."""
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def plan_next(
    runs: Sequence[Observation],
    speed_mps: float,
    *,
    gone: Sequence[tuple[str, PartValue]] = (),
    power: float = POWER,
    worth_s: float | None = None,
    hours: float = DAY_HOURS,
    settle: Comparison | None = None,
    settle_parts: tuple[Parts, Parts] | None = None,
) -> Plan:
    """Plan from the season's `runs`, judged by the time to `speed_mps`.

    gone: values of parts that the owner no longer has. power: how often a change of `worth_s` (by default 3 % of the
    time) is to be shown. settle: a comparison to be settled besides, with the parts of its sides. The setup driven last
    is taken to be on the car.
    """
    told = [run for run in runs if run.parts is not None]
    design = design_of([run.parts or {} for run in told], np.array([run.direction_deg for run in told]))
    now: Parts = (max(told, key=lambda run: run.start_s).parts or {}) if told else {}
    notes: list[str] = []
    times = times_to(told, np.array([speed_mps]))
    mean = float(np.nanmean(times)) if np.isfinite(times).any() else math.nan
    worth = worth_s if worth_s is not None else WORTH_SHARE * mean
    wanted: list[tuple[Parts, str]] = _untangle(design, now, gone, notes)
    each, sigma = _runs_each(told, speed_mps, worth, power, len(design.changes) if wanted else 1, notes)
    reference = now
    if not wanted and settle is not None and settle_parts is not None:
        reference, wanted = _settle(settle, settle_parts, now, bool(design.groups), notes)
        if wanted and power == POWER and settle.more_runs_each:
            each = settle.more_runs_each
    outings, per_outing = _split(each)
    steps = _steps(reference, wanted, per_outing, outings, now)
    pace = _pace(told)
    changes = sum(not same(a.parts, b.parts) for a, b in itertools.pairwise(s for s in steps if s.outing == 1))
    first = sum(step.runs for step in steps if step.outing == 1)
    minutes = WARM_UP_MINUTES + pace * first + CHANGE_MINUTES * changes if steps else 0.0
    warnings = []
    if minutes > MINUTES_PER_HOUR * hours:
        warnings.append(
            f"an outing takes about {minutes / MINUTES_PER_HOUR:.1f} h, more than {hours:g} h. Make two of it, each "
            "starting and ending with the same setup"
        )
    if outings > 1 and steps:
        warnings.append(f"{outings} outings are needed, because {each} runs of each are too many for one")
    if steps and math.isfinite(sigma):
        notes.append(
            f"{each} runs of each show a change of {worth:.2f} s {power:.0%} of the time. Runs scatter by {sigma:.2f} s"
        )
    return Plan(design, steps, minutes, outings if steps else 0, pace, power, worth, notes, warnings)


def _untangle(
    design: Design, now: Parts, gone: Sequence[tuple[str, PartValue]], notes: list[str]
) -> list[tuple[Parts, str]]:
    """Setups that together part every tangle that can be parted, each with its reason; nearest to `now` first."""
    if not design.setups:
        return []
    rows = np.unique(np.hstack([np.ones((len(design.of_run), 1), np.int64), design.matrix[design.of_run]]), axis=0)
    wanted: list[tuple[Parts, str]] = []
    groups = [group for group in tangles(rows) if any(k > 0 for k in group)]
    if any(WAY in group for group in design.tangled):
        notes.append("some parts were driven in one direction only. Drive both ways with every setup from now on")
        if not groups:
            bound = [name for group in design.tangled for name in group if name != WAY]
            wanted.append((now, f"both ways, to separate {' and '.join(bound)} from the direction driven"))
    while groups:
        best: tuple[tuple[int, int], Parts, list[int], str] | None = None
        for parts, changed in _candidates(design, now, groups, gone):
            row = [1, *_row(design, parts)]
            more = np.vstack([rows, [row]])
            if rank(more) > rank(rows):
                score = (len(changed), sum(len(group) for group in tangles(more)))
                if best is None or score < best[0]:
                    best = (score, parts, row, _reason(design, groups, changed))
        if best is None:
            names = [" and ".join(dict.fromkeys(design.name(k - 1) for k in group if k > 0)) for group in groups]
            notes.append(f"with the parts you still have, {'; '.join(names)} cannot be separated")
            break
        wanted.append((best[1], best[3]))
        rows = np.vstack([rows, [best[2]]])
        groups = [group for group in tangles(rows) if any(k > 0 for k in group)]
    return wanted


def _candidates(
    design: Design, now: Parts, groups: Sequence[tuple[int, ...]], gone: Sequence[tuple[str, PartValue]]
) -> list[tuple[Parts, list[str]]]:
    """Setups that differ from `now` in one tangled part, then in two or three, by values that were driven."""
    values: dict[str, list[PartValue]] = {}
    for group in groups:
        for k in group:
            if k == 0:
                continue
            change = design.changes[k - 1]
            for value in (change.base, change.value):
                if value is None or any(
                    part == change.part and same_value(part, value, part, other) for part, other in gone
                ):
                    continue
                known = values.setdefault(change.part, [])
                if not any(same_value(change.part, value, change.part, other) for other in known):
                    known.append(value)
    found: list[tuple[Parts, list[str]]] = []
    for size in range(1, min(len(values), 3) + 1):
        for parts in itertools.combinations(values, size):
            for chosen in itertools.product(*(values[part] for part in parts)):
                setup = dict(now)
                for part, value in zip(parts, chosen, strict=True):
                    at = lookup(now, part)
                    setup[at[0] if at else part] = value
                if len(differences(now, setup)) == size:
                    found.append((setup, list(parts)))
    return found


def _row(design: Design, parts: Parts) -> list[int]:
    row = []
    for change in design.changes:
        at = lookup(parts, change.part)
        has = (
            change.value is None
            if at is None
            else (change.value is not None and same_value(change.part, change.value, *at))
        )
        row.append(int(has))
    return row


def _reason(design: Design, groups: Sequence[tuple[int, ...]], changed: Sequence[str]) -> str:
    names = set(changed)
    for group in groups:
        parts = list(dict.fromkeys(design.name(k - 1) for k in group if k > 0))
        if names & set(parts):
            tied = " and ".join(parts)
            return f"changes only {' and '.join(changed)}, to separate {tied}, which always changed together"
    return "separates what always changed together"


def _settle(
    settle: Comparison, sides: tuple[Parts, Parts], now: Parts, tangled: bool, notes: list[str]
) -> tuple[Parts, list[tuple[Parts, str]]]:
    """The setup to begin and end with, and the one to hold against it, where the comparison is open."""
    lead = "" if tangled else "no parts always changed together. "
    if settle.verdict.word not in ("no difference shown", "too few runs"):
        notes.append(f"{lead}{settle.verdict.sentence}. No drive is needed to settle that")
        return now, []
    if settle.verdict.word == "no difference shown" and not settle.more_runs_each:
        notes.append(
            f"{lead}{settle.a} and {settle.b} differ by less than is worth another drive. The smallest change "
            f"this could "
            f"have shown: {settle.verdict.detectable:.2f} s (8 times in 10)"
        )
        return now, []
    reference, other = (sides[0], sides[1]) if len(differences(now, sides[0])) <= len(differences(now, sides[1])) else (
        sides[1], sides[0]
    )  # fmt: skip
    changed = " and ".join(f"{d.part} {shown(d.a)} -> {shown(d.b)}" for d in differences(reference, other))
    return reference, [
        (other, f"settles {settle.b} against {settle.a} ({changed or 'the same parts'}): {_open(settle)}")
    ]


def _open(settle: Comparison) -> str:
    if settle.verdict.word == "too few runs":
        return "too few runs so far"
    return f"so far only {settle.verdict.detectable:.2f} s could have shown"


def _runs_each(
    runs: Sequence[Observation], speed_mps: float, worth: float, power: float, asked: int, notes: list[str]
) -> tuple[int, float]:
    """Runs of each setup in one outing, even in number for both ways, and the scatter they are counted for.

    `asked`: how many effects are judged together, each at that share of the level, as `effects` does.
    """
    if runs:
        at = np.array([speed_mps])
        scatter = scatter_of(runs, times_to(runs, at), time_priors(runs, at))[0]
        n = needed_runs(worth, scatter.run_sigma, scatter.run_df, 0.05 / max(asked, 1), power)
        if n:
            return n + n % 2, scatter.run_sigma
    notes.append(f"it is not known yet how much runs scatter. Start with {_UNKNOWN_RUNS} runs of each")
    return _UNKNOWN_RUNS, math.nan


def _split(each: int) -> tuple[int, int]:
    outings = max(math.ceil(each / _MOST_RUNS), 1)
    per = math.ceil(each / outings)
    return outings, per + per % 2


def _steps(reference: Parts, wanted: Sequence[tuple[Parts, str]], each: int, outings: int, now: Parts) -> list[Step]:
    """The order of the day: reference, the setups asked for, and the reference again."""
    if not wanted:
        return []
    if len(wanted) == 1 and same(wanted[0][0], reference):
        return [Step(reference, each, wanted[0][1])]
    half = max(each // 2, 2)
    steps = []
    for outing in range(1, outings + 1):
        begin = "as the car is now" if same(reference, now) else "the base"
        steps.append(Step(reference, half, f"{begin}: the day's other runs are compared with this", outing))
        steps += [Step(parts, each, why, outing) for parts, why in wanted]
        steps.append(Step(reference, half, "again, to show whether engine, wind or driver drifted", outing))
    return steps


def _pace(runs: Sequence[Observation]) -> float:
    """Minutes from one run to the next, as driven so far."""
    by_drive: dict[str, list[float]] = {}
    for run in runs:
        by_drive.setdefault(run.drive, []).append(run.start_s)
    gaps = [gap for starts in by_drive.values() for gap in np.diff(sorted(starts)) / S_PER_MINUTE]
    near = [gap for gap in gaps if gap < 30]
    return float(np.median(near)) if len(near) >= 3 else RUN_MINUTES
