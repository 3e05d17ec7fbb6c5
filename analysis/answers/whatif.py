"""The answer of `whatif`: times, top speed and cruise fuel after a change. A prediction, not a measurement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.answers.encoding import Answer, Figure
from analysis.answers.fuel import consumption_of
from analysis.answers.power import SpeedUnit, pulled
from analysis.drive import run_speeds
from analysis.road.prediction import Changes, Vehicle, cruise_fuel, predict
from analysis.runs.run import Options, default_speeds, split_at
from logger.errors import InputError, NoAnswer
from logger.units import speed_label

if TYPE_CHECKING:
    from analysis.answers.power import SetupPulls
    from analysis.drive import AnalysedDrive
    from analysis.road.prediction import CruiseFuel, PredictedTime
    from analysis.runs.run import Run, Split
    from analysis.store import DriveStore
    from logger.config.car import CarConfig

LEAST_MASS_SHARE = 0.3
"""A car is not made lighter than this share of itself: more is a slip of the pen (common practice, no source)."""
CRUISE_SHARE = 0.7
"""How far up the curve's speeds the cruise is where nobody says (common practice, no source)."""


class CarChanges(Answer):
    """A change to the car."""

    mass_kg: float
    """Mass added [kg]."""
    drag: float
    """Factor on air drag [-]."""
    rolling: float
    """Factor on rolling [-]."""
    power: float
    """Factor on power at the wheels [-]."""
    gearing: float
    """Engine turns for each turn of the wheels, new over old [-]; above 1 is shorter."""


class ForetoldTime(Answer):
    """Seconds to a speed, from first movement, now and after the change."""

    speed_mps: float
    """The speed [m/s]."""
    before_s: float
    """Mean of the runs, as driven [s]."""
    after_s: Figure
    """After the change [s]; null where the car would not get there."""
    change_s: Figure
    """After less before [s]."""
    sigma_s: Figure
    """Standard error of the change, the assumptions taken as true [s]."""


class ForetoldTopSpeed(Answer):
    """Top speed on the level in still air, now and after the change."""

    before: Figure
    """Now [m/s]; null where the car has force to spare at any speed."""
    after: Figure
    """After the change [m/s]."""
    change_sigma: Figure
    """Standard error of the change [m/s]."""


class ForetoldCruise(Answer):
    """Relative change of fuel at a steady speed, from road load alone."""

    speed_mps: float
    """The speed [m/s]."""
    before_n: float
    """Road load now [N]."""
    after_n: float
    """Road load after the change [N]."""
    least: float
    """The least that fuel changes [-]."""
    most: float
    """The most that fuel changes [-]."""
    from_loop: bool
    """Whether a fuel loop of this setup narrowed it."""


class WhatIfAnswer(Answer):
    """What a change to the car would do, from what it has shown."""

    prediction: Literal[True]
    """It is a prediction, not a measurement."""
    setup: str
    """What the car was in the runs."""
    drives: tuple[str, ...]
    """Ids of the drives."""
    runs: int
    """How many runs it is from."""
    speed_unit: SpeedUnit
    """The unit that the speeds are round in: asked for, or the car's."""
    changes: CarChanges
    """What is changed."""
    counted_from: Literal["first movement"]
    """What the times count from. Times from one foot of movement are shorter by `one_foot_s`."""
    one_foot_s: Figure
    """From first movement to one foot (0.3048 m) of it, mean of the runs [s]."""
    times: tuple[ForetoldTime, ...]
    """By speed, rising."""
    top_speed_mps: ForetoldTopSpeed
    """On the level in still air."""
    cruise_fuel: ForetoldCruise
    """At a steady speed."""
    assumptions: tuple[str, ...]
    """What it rests on, a sentence each."""


def whatif_answer(
    store: DriveStore,
    runs: Mapping[str, Sequence[int]],
    *,
    mass_kg: float = 0.0,
    drag: float = 1.0,
    rolling: float = 1.0,
    power: float = 1.0,
    gearing: float = 1.0,
    to_mps: Sequence[float] | None = None,
    cruise_mps: float | None = None,
    car: CarConfig | None = None,
    unit: SpeedUnit | None = None,
) -> WhatIfAnswer:
    """What a change would do to the car of these runs, which are of one setup.

    Parameters
    ----------
    runs : mapping of drive to run numbers
        As for `power_answer`.
    mass_kg : float
        Mass added [kg].
    drag, rolling, power, gearing : float
        Factors; see `CarChanges`.
    to_mps : sequence of float, optional
        Speeds to time [m/s]; by default every 10 mph or 10 km/h that all runs reached.
    cruise_mps : float, optional
        The speed of the cruise [m/s]; by default 70 % up the speeds of the power curve.

    Raises
    ------
    NoAnswer
        Where the runs do not tell it.
    InputError
        Where nothing is changed, the change leaves no car, or the runs are of several setups.
    """
    changes = Changes(mass_kg, drag, rolling, power, gearing)
    if changes == Changes():
        raise InputError("whatif: no change is given. Give --mass, --drag, --rolling, --power or --gearing.")
    groups, unit, car = pulled(store, runs, car, unit)
    if len(groups) > 1:
        raise InputError(f"whatif: these runs are of {len(groups)} setups. Name drives of one setup.")
    group = groups[0]
    left = group.mass.mass_kg + mass_kg
    if left < LEAST_MASS_SHARE * group.mass.mass_kg:
        raise InputError(f"--mass: {mass_kg:+g} kg leaves {left:.0f} kg of {group.mass.mass_kg:.0f}")
    before, one_foot = _times_driven(group, to_mps, unit)
    foretold = predict(group.curve, group.mass, group.road, changes, before, car.gearing)
    speeds = group.curve.speed_mps
    at = cruise_mps or float(speeds[int(CRUISE_SHARE * len(speeds))])
    base = Vehicle.of(group.mass, group.road)
    return WhatIfAnswer(
        prediction=True,
        setup=group.setup,
        drives=tuple(group.drives),
        runs=len(group.curve.pulls),
        speed_unit=unit,
        changes=CarChanges(mass_kg=mass_kg, drag=drag, rolling=rolling, power=power, gearing=gearing),
        counted_from="first movement",
        one_foot_s=one_foot,
        times=tuple(map(_time, foretold.times)),
        top_speed_mps=ForetoldTopSpeed(
            before=foretold.top_before_mps, after=foretold.top_after_mps, change_sigma=foretold.top_sigma_mps
        ),
        cruise_fuel=_cruise(cruise_fuel(base, changes.on(base), at, consumption_of(store, group.setup))),
        assumptions=tuple(foretold.assumptions),
    )


def _times_driven(
    group: SetupPulls, to_mps: Sequence[float] | None, unit: SpeedUnit
) -> tuple[dict[float, float], float]:
    """Mean time from first movement to each speed over the standing runs, and mean time to one foot of movement [s].

    The splits are the runs' own, at speeds that all of them have.
    """
    standing = [(drive, run) for drive, run in group.runs if run.kind == "standing"]
    if not standing:
        raise NoAnswer("whatif needs a run from a standstill, and none of these is one")
    peak = min(run.peak_mps for _, run in standing)
    if to_mps and max(to_mps) > peak:
        raise NoAnswer(
            f"not all of these runs reached {speed_label(max(to_mps), unit)}. The highest --to is "
            f"{speed_label(peak, unit)}"
        )
    lowest = float(group.curve.speed_mps[0]) + 1
    wanted = sorted(to_mps) if to_mps else [speed for speed in default_speeds(peak, unit) if speed > lowest]
    times: dict[float, float] = {}
    for speed in wanted:
        splits = [_split(drive, run, speed) for drive, run in standing]
        told = [split.time_s for split in splits if split is not None and np.isfinite(split.time_s)]
        if len(told) == len(standing):
            times[speed] = float(np.mean(told))
        elif to_mps:
            raise NoAnswer(f"not all of these runs have a time to {speed_label(speed, unit)}")
    return times, float(np.mean([run.one_foot_s for _, run in standing]))


def _split(drive: AnalysedDrive, run: Run, speed_mps: float) -> Split | None:
    """The run's split at any speed."""
    found = split_at(run, speed_mps)
    if found is not None:
        return found
    # The usual speeds stay among those asked for, so that the runs are found as they were.
    speeds = tuple(sorted({*run_speeds(drive.unit), speed_mps}))
    again = drive.runs_by(Options(speeds_mps=speeds, unit=drive.unit))
    return next((split_at(each, speed_mps) for each in again if each.n == run.n), None)


def _time(time: PredictedTime) -> ForetoldTime:
    return ForetoldTime(
        speed_mps=time.speed_mps,
        before_s=time.before_s,
        after_s=time.after_s,
        change_s=time.change_s,
        sigma_s=time.sigma_s,
    )


def _cruise(saved: CruiseFuel) -> ForetoldCruise:
    return ForetoldCruise(
        speed_mps=saved.speed_mps,
        before_n=saved.before_n,
        after_n=saved.after_n,
        least=saved.least,
        most=saved.most,
        from_loop=saved.from_loop,
    )
