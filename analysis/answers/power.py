"""The answer of `power`: force and power at the wheels, and between setups what differs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.answers.coast import car_of, mass_of
from analysis.answers.encoding import Answer, Figure
from analysis.answers.learned_slopes import LearnedSlopesAnswer, slopes_of
from analysis.answers.power_change import PowerChangeAnswer, told
from analysis.arrays import Floats
from analysis.changes.across_cars import one_car
from analysis.changes.power_sides import between
from analysis.changes.season import judge
from analysis.conditions import roadload
from analysis.conditions.day_air import air_on
from analysis.road import wheel_power
from logger.errors import InputError, NoAnswer
from logger.units import MPS_PER_KMH, MPS_PER_MPH

if TYPE_CHECKING:
    from analysis.changes.season import SeasonRecord
    from analysis.changes.season_pulls import SeasonPull
    from analysis.drive import AnalysedDrive
    from analysis.road.coasts import Mass
    from analysis.road.wheel_power import WheelCurve
    from analysis.runs.run import Run
    from analysis.store import DriveStore
    from logger.config.car import CarConfig

SpeedUnit = Literal["mph", "km/h"]


class PowerAtSpeed(Answer):
    """Force and power at the wheels at one speed, mean of the runs."""

    speed_mps: float
    """The speed [m/s]."""
    force_n: float
    """Force at the wheels [N]."""
    power_w: float
    """Power at the wheels, as driven [W]."""
    sigma_w: float
    """Its standard error, everything together [W]."""
    low_w: float
    """From, at 95 % [W]."""
    high_w: float
    """To [W]."""
    corrected_w: Figure
    """The same, brought to standard air run by run [W]; null unless all runs have weather."""
    runs: int
    """Runs behind it."""
    engine_rpm: Figure
    """Mean engine speed [turns a minute]; null where it is not known."""
    engine_rpm_limits: tuple[float, float] | None
    """Between which engine speeds a belt drive's limits allow [turns a minute]; null without a belt."""
    sigma_by_cause_w: dict[str, float]
    """Standard errors by their cause: run to run, mass, road load, wind, slope [W]."""


class SetupPower(Answer):
    """Wheel power of the runs of one setup."""

    setup: str
    """What the car was; a dash where it is not known."""
    drives: tuple[str, ...]
    """Ids of the drives."""
    runs: tuple[str, ...]
    """The runs, as DRIVE:NUMBER."""
    at: Literal["wheels"]
    """Where the power is: at the wheels, behind belt, bearings and tyres."""
    mass_kg: float
    """Mass of the car as driven [kg]."""
    mass_sigma_kg: float
    """Its standard error [kg]."""
    rotating_mass_kg: float
    """What rotating parts add, felt at the rim [kg]."""
    road_load_from: str
    """Where the road load is from, in words."""
    road_load_measured: bool
    """Whether coasts measured it."""
    balance: float
    """0 if both directions count alike, 1 if all runs went in one direction."""
    one_sided: bool
    """Whether so many went in one direction that slope and wind do not cancel."""
    slopes: LearnedSlopesAnswer | None
    """Where they do not: what of the slopes that all passes of the roads tell was taken off, `share` of the runs; null
    where too few passed them, or where runs of both directions cancel them."""
    engine_speed_from: str
    """Where engine speed is from, or why there is none."""
    corrected: bool
    """Whether `corrected_w` is known."""
    most: int
    """Which entry of the curve has the most power."""
    curve: tuple[PowerAtSpeed, ...]
    """By speed, rising."""


class PowerBetween(PowerChangeAnswer):
    """Wheel power of setup b against setup a, as `compare` tells it: by every full pull that was named."""

    a: str
    """The setup that is compared with."""
    b: str
    """The setup."""


class PowerAnswer(Answer):
    """Force and power at the wheels by setup."""

    speed_unit: SpeedUnit
    """The unit that the speeds of the curves are round in: asked for, or the car's."""
    setups: tuple[SetupPower, ...]
    """By setup, in the order asked for."""
    differences: tuple[PowerBetween, ...]
    """Each further setup against the first."""


def power_answer(
    store: DriveStore,
    runs: Mapping[str, Sequence[int]],
    *,
    car: CarConfig | None = None,
    unit: SpeedUnit | None = None,
) -> PowerAnswer:
    """Wheel power of the runs that are named, by setup.

    Parameters
    ----------
    runs : mapping of drive to run numbers
        A drive's id, its beginning or `last`; without numbers all its runs that count.
    car : CarConfig, optional
        By default the file that the latest of the drives carries.
    unit : "mph" or "km/h", optional
        What the speeds are round in; by default the car's.

    Raises
    ------
    NoAnswer
        Where no run tells a power, or no drive carries a car's file.
    InputError
        Where a drive has no such run.
    """
    given = car
    groups, unit, car = pulled(store, runs, car, unit)
    first, *others = groups
    season = judge(store) if others else None
    return PowerAnswer(
        speed_unit=unit,
        setups=tuple(_told(group, car) for group in groups),
        differences=tuple(_between(season, first, other, given) for other in others),
    )


# --- how it is worked out -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SetupPulls:
    """Wheel power of the runs of some drives with one setup, and what it was worked out with."""

    setup: str
    drives: list[str]
    curve: WheelCurve
    road: roadload.RoadLoad
    mass: Mass
    engine_speed: str
    """Where engine speed is from: recorded, worked out from the gears, or why there is none."""
    runs: list[tuple[AnalysedDrive, Run]]
    whole: frozenset[str]
    """Those of the drives that no run was named of."""


def pulled(
    store: DriveStore, runs: Mapping[str, Sequence[int]], car: CarConfig | None, unit: SpeedUnit | None
) -> tuple[list[SetupPulls], SpeedUnit, CarConfig]:
    """Wheel power of the runs that are named, by setup, the speed unit and the car; see `power_answer`."""
    chosen: dict[str, tuple[AnalysedDrive, set[int]]] = {}
    one_car([store.drive(ref) for ref in runs], "power")
    for ref, numbers in runs.items():
        drive = store.drive(ref)
        if drive.id in chosen:  # named twice, such as by its id and as last: each run counts once
            known = chosen[drive.id][1]
            chosen[drive.id] = (drive, known | set(numbers) if known and numbers else set())
        else:
            chosen[drive.id] = (drive, set(numbers))
    judge(store)  # once they are open: a drive that was cut off is closed by then
    car = car_of([drive for drive, _ in chosen.values()], car, "power")
    unit = unit or car.units.speed
    by_setup: dict[str, list[tuple[AnalysedDrive, list[Run]]]] = {}
    for drive, named in chosen.values():
        by_setup.setdefault(drive.setup_name, []).append((drive, _chosen_runs(drive, named)))
    peak = max((run.peak_mps for of in by_setup.values() for _, some in of for run in some), default=0.0)
    speeds = _speeds(peak, unit)
    whole = frozenset(name for name, (_, named) in chosen.items() if not named)
    return [_setup_pulls(of, car, speeds, setup, whole) for setup, of in by_setup.items()], unit, car


def _chosen_runs(drive: AnalysedDrive, numbers: set[int]) -> list[Run]:
    """The runs of these numbers; without any, those that count."""
    if not numbers:
        return drive.counted
    if missing := sorted(numbers - {run.n for run in drive.runs}):
        raise InputError(f"{drive.id}: there is no run {missing[0]}. This drive has runs 1 to {len(drive.runs)}.")
    return [run for run in drive.runs if run.n in numbers]


def _speeds(peak_mps: float, unit: SpeedUnit) -> Floats:
    """Every 2.5 mph or 5 km/h up to the peak, from the third on [m/s]."""
    step = 2.5 * MPS_PER_MPH if unit == "mph" else 5 * MPS_PER_KMH
    return np.arange(3, max(int(peak_mps / step) + 1, 4), dtype=np.float64) * step


def _setup_pulls(
    chosen: Sequence[tuple[AnalysedDrive, Sequence[Run]]],
    car: CarConfig,
    speeds_mps: Floats,
    setup: str,
    whole: frozenset[str],
) -> SetupPulls:
    """Wheel power of chosen runs together. NoAnswer where they tell none."""
    mass, pulls, roads = mass_of(car), [], []
    stated, recorded = True, False
    one_sided = wheel_power.one_sided([run.direction_deg for _, runs in chosen for run in runs])
    for analysed, runs in chosen:
        air = air_on(analysed.drive, car)
        road = roadload.of(car, air.density_kg_per_m3)
        engine_speed = analysed.engine_speed(car)
        recorded = recorded or engine_speed is not None
        stated = stated and air.wind is not None
        for run in runs:
            learned = analysed.learned_grade(run) if one_sided else None
            pulls.append(
                wheel_power.pull(
                    analysed.motion, run, road, mass, speeds_mps,
                    headwind_mps=air.against(run.direction_deg), engine_speed=engine_speed, gearing=car.gearing,
                    tyres=car.tyres, factor=air.factor, name=f"{analysed.drive.id}:{run.n}", learned=learned,
                )
            )  # fmt: skip
            roads.append(road)
    if not roads:
        raise NoAnswer("no run shows power. Drive a full-throttle run from a standstill, or a rolling one.")
    curve = wheel_power.wheel_curve(pulls, mass, roads[0], wind_stated=stated)
    return SetupPulls(
        setup, [analysed.drive.id for analysed, _ in chosen], curve, roads[0], mass,
        _engine_speed_words(car, recorded, curve),
        [(analysed, run) for analysed, runs in chosen for run in runs],
        whole & {analysed.drive.id for analysed, _ in chosen},
    )  # fmt: skip


def _engine_speed_words(car: CarConfig, recorded: bool, curve: WheelCurve) -> str:
    channel = car.gearing.engine_speed_channel if car.gearing else "rpm"
    if recorded:
        return f"recorded ({channel})"
    if np.isfinite(curve.engine_rpm).any():
        return "worked out from tyre and gears"
    if car.gearing is None:
        return f"not known: no channel {channel} was recorded, and the car's file has no [gearing]"
    if car.tyres.circumference_m is None:
        return f"not known: no channel {channel} was recorded, and the car's file has no tyres.circumference_m"
    if car.gearing.belt_low is not None:
        return f"not known: no channel {channel} was recorded, and the belt sets its own ratio"
    return f"not known: no channel {channel} was recorded, and the runs do not show the gear"


# --- how it is told -----------------------------------------------------------------------------------------------


def _told(group: SetupPulls, car: CarConfig) -> SetupPower:
    curve = group.curve
    limits = wheel_power.belt_limits(curve.speed_mps, car.gearing, car.tyres)
    return SetupPower(
        setup=group.setup,
        drives=tuple(group.drives),
        runs=tuple(each.name for each in curve.pulls),
        at="wheels",
        mass_kg=group.mass.mass_kg,
        mass_sigma_kg=group.mass.mass_sigma_kg,
        rotating_mass_kg=group.mass.rotating_kg,
        road_load_from=group.road.source,
        road_load_measured=group.road.source.startswith("measured"),
        balance=curve.balance,
        one_sided=curve.balance > wheel_power.ONE_SIDED,
        slopes=_slopes(curve),
        engine_speed_from=group.engine_speed,
        corrected=bool(np.isfinite(curve.corrected_w).any()),
        most=curve.best,
        curve=tuple(
            PowerAtSpeed(
                speed_mps=curve.speed_mps[i],
                force_n=curve.force_n[i],
                power_w=curve.power_w[i],
                sigma_w=curve.sigma_w[i],
                low_w=curve.low_w[i],
                high_w=curve.high_w[i],
                corrected_w=curve.corrected_w[i],
                runs=int(curve.runs[i]),
                engine_rpm=curve.engine_rpm[i],
                engine_rpm_limits=None if limits is None else (float(limits[0][i]), float(limits[1][i])),
                sigma_by_cause_w={cause: float(share[i]) for cause, share in curve.shares.items()},
            )
            for i in range(len(curve.speed_mps))
        ),
    )


def _slopes(curve: WheelCurve) -> LearnedSlopesAnswer | None:
    if curve.balance <= wheel_power.ONE_SIDED:
        return None
    told = [(each.slope_sigma, each.passes) for each in curve.pulls if each.passes]
    return slopes_of(len(told) / len(curve.pulls), told)


def _between(season: SeasonRecord | None, a: SetupPulls, b: SetupPulls, car: CarConfig | None) -> PowerBetween:
    """The change from a to b by the pulls of their drives, or of the runs named; under `car`'s road load if given."""
    if season is None:
        raise NoAnswer("power between setups needs the season, which is unreadable. `pullbook season` says why.")
    if car is not None:
        season = replace(season, pulls=_under(season, car))
    first, second = (_pulls_of(group, season) for group in (a, b))
    found = between(a.setup, first, b.setup, second, season)
    left = tuple(each.label for each in season.pulls_left_out if each.drive in {*a.whole, *b.whole})
    return PowerBetween(a=a.setup, b=b.setup, **told(found, left))


def _pulls_of(group: SetupPulls, season: SeasonRecord) -> list[SeasonPull]:
    named = {each.name for each in group.curve.pulls}
    return [each for each in season.full_pulls if each.drive in group.whole or each.label in named]


def _under(season: SeasonRecord, car: CarConfig) -> list[SeasonPull]:
    out = []
    for each in season.pulls:
        road = roadload.of(car, air_on(season.drive(each.drive).drive, car).density_kg_per_m3)
        out.append(replace(each, pull=replace(each.pull, road=road)))
    return out
