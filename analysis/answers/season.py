"""The answer of `season`: the setups driven, one after the other, and what the best run is worth."""

from __future__ import annotations

import datetime
import math

import numpy as np

from analysis.answers.drives import said_speed
from analysis.answers.encoding import Answer, Figure
from analysis.answers.parts import PartPair, pairs
from analysis.changes.best import BestRun, best_run, common_speed
from analysis.changes.power_sides import PowerEffect, power_by_setup, side_pulls
from analysis.changes.season_record import SeasonRecord
from analysis.changes.sides import best_typical, full_throttle_of, setup_side, step_mps
from analysis.conditions.setups import Known, Parts, differences
from logger.config.setup import PartValue
from logger.units import l_per_100km


class SetupSeason(Answer):
    """A setup over the season."""

    setup: str
    """Its name."""
    parts: dict[str, PartValue]
    """Its parts."""
    changed: dict[str, PartPair]
    """What differs from the setup driven before it, a, to this one, b."""
    since: datetime.date | None
    """The date in the setup's file; null without one."""
    first_drive: str
    """Id of the first drive with it."""
    drives: int
    """Drives with it."""
    outings: int
    """Days on which it had runs that count."""
    runs: int
    """Runs that reach the speed."""
    best_s: Figure
    """The fastest time to the speed, from one foot, as driven [s]; null without any."""
    typical_s: Figure
    """The median time to the speed, from one foot, as driven [s]; null without any."""
    full_throttle: Figure
    """Median of what its runs had at full throttle, each in its own pull [channel]; null without any."""
    l_per_100km: Figure
    """Mean fuel used over its loops [L/100 km]; null without any."""
    power_change: Figure
    """Power at the wheels against the first setup with pulls, less one [-]; null for that one and with too few."""
    power_low: Figure
    """From, days and hills in it [-]; those of all setups hold together."""
    power_high: Figure
    """To [-]."""
    pulls: int
    """Full pulls, standing and rolling."""
    personal_best: bool
    """Whether the season's best run is one of its."""
    cost: float | None
    """What it cost, as its file says."""
    hours: float | None
    """Hours of work, as its file says [h]."""
    notes: str
    """Notes in its file."""


class PersonalBest(Answer):
    """The fastest run of the season, and whether it says anything."""

    label: str
    """The run, as the command line names it."""
    setup: str
    """With which setup."""
    time_s: float
    """Its time to the speed, from one foot, as driven [s]."""
    beyond_scatter: bool | None
    """Whether earlier runs in the same direction would seldom give it by luck; null: too few to say."""
    limit_s: Figure
    """What luck alone would have reached in 1 of 20 such seasons [s]; null where it cannot be said."""
    sentence: str
    """The same in words."""


class SeasonAnswer(Answer):
    """The season by setup."""

    speed: str
    """The speed timed to, as the owner writes it."""
    speed_mps: Figure
    """The speed timed to [m/s]; null without runs."""
    channel: str
    """The mixture's channel: AFR or lambda."""
    setups: tuple[SetupSeason, ...]
    """In the order first driven."""
    personal_best: PersonalBest | None
    """The fastest run; null without any."""
    drives_without_setup: tuple[str, ...]
    """Ids of drives that carry no setup."""


def season_answer(season: SeasonRecord, speed_mps: float | None = None) -> SeasonAnswer:
    """The season by setup; `speed_mps` [m/s] by default the highest round one that four of five runs reach."""
    speed = common_speed(season.runs, step_mps(season)) if speed_mps is None else speed_mps
    best = best_of(season, speed)
    setups = []
    before: Parts | None = None
    powers = power_by_setup(season, [setup_side(each, season) for each in season.setups])
    for each, power in zip(season.setups, powers, strict=True):
        setups.append(_setup(each, before, season, speed, best, power))
        before = each.setup.parts
    return SeasonAnswer(
        speed=said_speed(speed, season),
        speed_mps=speed,
        channel=season.channel,
        setups=tuple(setups),
        personal_best=PersonalBest(
            label=best.label, setup=best.setup, time_s=best.time_s, beyond_scatter=best.beyond_scatter,
            limit_s=best.limit_s, sentence=best.sentence,
        ) if best else None,
        drives_without_setup=tuple(row.drive for row in season.drives if row.parts is None),
    )  # fmt: skip


def best_of(season: SeasonRecord, speed_mps: float) -> BestRun | None:
    """The fastest run of the season to a speed [m/s], by times as driven; None without any."""
    if not (season.runs and math.isfinite(speed_mps)):
        return None
    return best_run(season.runs, speed_mps)


def _setup(
    known: Known,
    before: Parts | None,
    season: SeasonRecord,
    speed_mps: float,
    best: BestRun | None,
    power: PowerEffect | None,
) -> SetupSeason:
    side = setup_side(known, season)
    fast, typical, count = best_typical(side.runs, speed_mps)
    fuel = [l_per_100km(loop.m3_per_m) for loop in side.loops]
    setup = known.setup
    return SetupSeason(
        setup=known.name,
        parts=dict(setup.parts),
        changed=pairs(differences(before, setup.parts)) if before is not None else {},
        since=setup.date,
        first_drive=known.drives[0],
        drives=len(known.drives),
        outings=len({run.outing for run in side.runs}),
        runs=count,
        best_s=fast,
        typical_s=typical,
        full_throttle=full_throttle_of(side.runs),
        l_per_100km=float(np.mean(fuel)) if fuel else math.nan,
        power_change=power.change if power else math.nan,
        power_low=power.low if power else math.nan,
        power_high=power.high if power else math.nan,
        pulls=len(side_pulls(side, season)),
        personal_best=best is not None and any(run.label == best.label for run in side.runs),
        cost=setup.cost,
        hours=setup.hours,
        notes=setup.notes,
    )
