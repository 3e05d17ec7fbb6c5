"""A drive with its motion and its runs: what most verbs begin with."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.arrays import Floats
from analysis.conditions import roadload
from analysis.conditions.roadload import RoadLoad
from analysis.conditions.roadload import of as road_load_of
from analysis.conditions.weather import air_density, air_of, headwind, read_weather, standard_pressure
from analysis.mixture import delay
from analysis.mixture.channels import find_channel, other_channels, readings_of
from analysis.mixture.delay import Delay
from analysis.mixture.engine_load import Driving, driving, grade_from_altitude
from analysis.mixture.map import LoadAxis, MixtureMap, mixture_map
from analysis.mixture.masks import Readings, opening_of
from analysis.motion import smoother
from analysis.motion.fixes import Fixes, SetAside, clean, read_fixes
from analysis.motion.smoother import Motion
from analysis.road import coastdown, coasts, fuel_loops, wheel_power
from analysis.road.coastdown import Measured
from analysis.road.coasts import LeftOut, Mass
from analysis.road.fuel_loops import Loop, Used
from analysis.runs import finding
from analysis.runs.run import Options, Run
from analysis.wording import without_folder
from logger.config.car import CarConfig
from logger.config.reading import load
from logger.config.recorder import NmeaSource
from logger.config.targets import TargetsConfig
from logger.errors import InputError, NoAnswer
from logger.store.drive import Drive
from logger.units import MPS_PER_KMH, MPS_PER_MPH, SPEED_UNITS

if TYPE_CHECKING:
    from analysis.conditions.weather import Air, Weather
    from analysis.road.wheel_power import WheelCurve

SAME_RUN_S = 2.0
"""A struck run is known by its start; a better estimate of it moves less than this."""


@dataclass(frozen=True)
class Analysed:
    """A drive, its cleaned fixes, its motion, and all its runs."""

    drive: Drive
    fixes: Fixes
    set_aside: SetAside
    motion: Motion
    runs: list[Run]

    def struck(self, run: Run) -> str | None:
        """Why `run` is not to be counted; None where it counts."""
        for struck in self.drive.manifest.struck:
            if abs(struck.run_start_utc.timestamp() - run.start_utc_ns * 1e-9) < SAME_RUN_S:
                return struck.reason
        return None

    def counted(self, kind: Literal["standing", "rolling"] | None = None) -> list[Run]:
        """The runs that may be compared with others: nothing broke them and nobody struck them out."""
        return [run for run in self.runs if run.clean and self.struck(run) is None and kind in (None, run.kind)]


def analyse(drive: Drive, options: Options | None = None) -> Analysed:
    """Find the runs of `drive`; speeds by the owner's units unless `options` says otherwise. NoAnswer without fixes."""
    options = options or Options(unit=speed_unit(drive))
    try:
        fixes, set_aside = clean(read_fixes(drive))
    except ValueError as error:
        raise NoAnswer(str(error)) from error
    if len(fixes) < 2:
        raise NoAnswer(f"{drive.id}: too few usable GPS fixes ({len(fixes)}, {set_aside.total} set aside)")
    motion = smoother.smooth(fixes)
    return Analysed(drive, fixes, set_aside, motion, finding.find(motion, fixes, options))


def speed_unit(drive: Drive) -> Literal["mph", "km/h"]:
    """The speed unit the owner wants: the car's file says it; mph otherwise."""
    return drive.car.units.speed if drive.car else "mph"


def utc(ns: int) -> datetime:
    """Nanoseconds since 1970 as a time."""
    return datetime.fromtimestamp(ns / 1e9, UTC)


def setup_name(drive: Drive) -> str:
    """What the drive's setup is called; a dash where none is known."""
    return drive.setup.name if drive.setup else "-"


def total_splits(found: Sequence[Run]) -> list[float]:
    """All speeds that at least one of the runs has a split for, rising."""
    return sorted({round(split.speed_mps, 6) for run in found for split in run.splits})


@dataclass(frozen=True)
class Mapped:
    """A drive, its readings, what the car did, and the map of the two."""

    drive: Drive
    readings: Readings
    state: Driving
    answer: MixtureMap
    cooling: Literal["air", "water"]


def map_drive(
    drive: Drive,
    targets: TargetsConfig,
    channel: str | None = None,
    load_by: str | LoadAxis = "share",
    band_mps: float | None = None,
    road: RoadLoad | None = None,
    fuel_stoich_afr: float | None = None,
) -> Mapped:
    """The mixture map of a drive. NoAnswer where it has no fixes or no mixture, InputError for an unknown channel.

    Parameters
    ----------
    channel : str, optional
        "afr", "lambda", or "SOURCE.afr" where two sources tell one; by default the one that was configured.
    band_mps : float, optional
        Height of a speed band [m/s]; by default 10 mph or 10 km/h by the owner's units.
    road : RoadLoad, optional
        Measured road load; by default that of the car's file.
    fuel_stoich_afr : float, optional
        Tell AFR as the true ratio of a fuel with this stoichiometric ratio; by default on the instrument's scale.
    """
    source, channel = find_channel(drive, channel)
    try:
        fixes, _ = clean(read_fixes(drive))
        motion = smoother.smooth(fixes)
    except ValueError as error:
        raise NoAnswer(str(error)) from error
    readings, latency = readings_of(drive, source, channel, motion.epoch_utc_ns)
    if not np.isfinite(readings.value).any():
        raise NoAnswer(f"drive {drive.id}: the source {source!r} has no good reading of {channel}")
    if fuel_stoich_afr is not None and channel == "afr":
        scaled = readings.value * (fuel_stoich_afr / readings.stoich_afr)
        readings = replace(readings, value=scaled, stoich_afr=fuel_stoich_afr)
    car = drive.car.car if drive.car else None
    channels, units = other_channels(drive, motion.epoch_utc_ns)
    grade = grade_from_altitude(motion.distance_m, fixes.alt_m)
    state = driving(
        motion, road or road_load_of(drive.car), (motion.t_s, grade) if np.isfinite(grade).any() else None,
        wheel_power_per_kg=1000 * car.wheel_power_kw / car.mass_kg if car and car.wheel_power_kw else None,
        channels=channels, units=units,
    )  # fmt: skip
    found = _delay(readings, state, targets, latency)
    if band_mps is None:
        band_mps = 10 * (MPS_PER_KMH if drive.car and drive.car.units.speed == "km/h" else MPS_PER_MPH)
    cooling = car.cooling if car else "air"
    answer = mixture_map(readings, state, found, targets, cooling, load_by, band_mps)
    return Mapped(drive, readings, state, answer, cooling)


def read_targets(path: Path | None, store: Path) -> TargetsConfig:
    """The targets' file: the one given, else targets.toml in the store, else the usual windows."""
    if path is None and (store / "targets.toml").is_file():
        path = store / "targets.toml"
    return load(path, TargetsConfig) if path else TargetsConfig()


def _delay(readings: Readings, state: Driving, targets: TargetsConfig, latency_s: float) -> Delay:
    free = targets.masks.free_air_lambda * readings.per_lambda
    value = np.where(readings.value < free, readings.value, np.nan)
    opening = opening_of(state)
    return delay.estimate(
        readings.time_s, value, state, latency_s, opening if np.isfinite(opening).any() else None
    )  # fmt: skip


@dataclass(frozen=True)
class DayAir:
    """The air of a drive as the road verbs need it.

    density_kg_per_m3 with its relative sigma: of the weather, or of 15 C at the car's elevation where there is none.
    factor: SAE J1349's, NaN without weather. wind: (m/s, from degrees), None where not stated.
    """

    density_kg_per_m3: float
    sigma: float
    factor: float
    wind: tuple[float, float] | None
    stated: bool

    def against(self, direction_deg: float) -> float:
        """The stated wind against a car that drives towards `direction_deg` [m/s]; 0 where none is stated."""
        if self.wind is None or not math.isfinite(direction_deg):
            return 0.0
        return headwind(*self.wind, direction_deg)


def air_on(drive: Drive, car: CarConfig | None) -> DayAir:
    """The air of a drive's day."""
    weather = read_weather(drive.manifest.weather)
    elevation = car.car.elevation_m if car else None
    air = air_of(weather, elevation)
    wind = None
    if weather.wind_mps is not None and (weather.wind_from_deg is not None or weather.wind_mps == 0):
        wind = (weather.wind_mps, weather.wind_from_deg or 0.0)
    if math.isfinite(air.density_kg_per_m3):
        return DayAir(air.density_kg_per_m3, 0.005, air.factors["SAE J1349"], wind, True)
    density = float(air_density(288.15, standard_pressure(elevation or 0.0), 0.5))
    return DayAir(density, 0.03, math.nan, wind, False)


def car_of(drives: Sequence[Drive], given: CarConfig | None, what: str) -> CarConfig:
    """The car's file: the one given, else that of the latest drive that carries one; NoAnswer where there is none."""
    carried = [drive.car for drive in drives if drive.car is not None]
    if given is None and not carried:
        raise NoAnswer(f"{what} needs the car's mass, and no drive carries a car's file: give one with --car FILE")
    return given or carried[-1]


def mass_of(car: CarConfig) -> Mass:
    """The masses of a car's file."""
    return Mass.of(car.car.mass_kg, car.car.mass_sigma_kg, car.car.rotating_mass_kg)


def drag_area_of(car: CarConfig) -> float | None:
    """The guess of the drag area in a car's file [m2]; None where it has none."""
    frontal, drag = car.car.frontal_area_m2, car.car.drag_coefficient
    return frontal * drag if frontal and drag else None


def motion_of(drive: Drive) -> tuple[Fixes, Motion]:
    """Clean fixes and motion of a drive. NoAnswer where it has too few."""
    try:
        fixes, _ = clean(read_fixes(drive))
        return fixes, smoother.smooth(fixes)
    except ValueError as error:
        raise NoAnswer(str(error)) from error


def engine_speed_of(drive: Drive, car: CarConfig | None, epoch_utc_ns: int) -> tuple[Floats, Floats] | None:
    """Recorded engine speed, (seconds on the fixes' axis, turns a minute); None where no source has it."""
    channel = car.gearing.engine_speed_channel if car and car.gearing else "rpm"
    for source in drive.config.source:
        if isinstance(source, NmeaSource) or source.name not in drive.table_names:
            continue
        table = drive.table(source.name)
        if channel in table.column_names and table.num_rows > 1:
            ns = np.asarray(table["time"].cast("int64").to_numpy(zero_copy_only=False))
            turns = np.asarray(table[channel].cast("float64").to_numpy(zero_copy_only=False), np.float64)
            known = np.isfinite(turns)
            if known.sum() > 1:
                return np.asarray((ns[known] - epoch_utc_ns) * 1e-9, np.float64), turns[known]
    return None


# --- fuel ---------------------------------------------------------------------------------------------------------


def fuel_loop(drive: Drive, used: Used | None = None) -> Loop | None:
    """The fuel loop of a drive by what was kept with it, or by `used`; None where neither is there.

    NoAnswer where the drive has no usable fixes, InputError where what was kept cannot be read.
    """
    if used is None:
        if drive.manifest.fuel is None:
            return None
        try:
            used = fuel_loops.from_kept(drive.manifest.fuel)
        except ValueError as error:
            raise InputError(f"{drive.id}: {error}") from error
    fixes, motion = motion_of(drive)
    weather = read_weather(drive.manifest.weather)
    return fuel_loops.drive_loop(motion, fixes, used, math.nan if weather.wind_mps is None else weather.wind_mps)


# --- coasts -------------------------------------------------------------------------------------------------------


def road_load_by_coasts(
    drives: Sequence[Drive],
    car: CarConfig,
    *,
    with_b: bool = False,
    known_grade: float | None = None,
    even_sigma: float = coastdown.EVEN_SIGMA,
) -> Measured:
    """The road load by all coasts of the drives together. NoAnswer where they cannot tell; see `coastdown.fit`."""
    mass, found = mass_of(car), []
    origin: tuple[float, float] | None = None
    left_out: list[LeftOut] = []
    doubt = 0.0
    for drive in drives:
        fixes, motion = motion_of(drive)
        air = air_on(drive, car)
        doubt = max(doubt, air.sigma)
        each = coasts.find(
            motion,
            fixes,
            mass,
            drag_area_m2=drag_area_of(car),
            notes=[(round(note.utc.timestamp() * 1e9), note.text) for note in drive.manifest.notes],
            engine_speed=engine_speed_of(drive, car, motion.epoch_utc_ns),
            density_kg_per_m3=air.density_kg_per_m3,
            wind=air.wind,
            outing=drive.id,
            origin_deg=origin,
        )
        origin = each.origin_deg if math.isfinite(each.origin_deg[0]) else origin
        found += each.coasts
        left_out += each.left_out
    if not found:
        why = "; ".join(sorted({left.why for left in left_out})[:3])
        raise NoAnswer(
            f"no coast found in {', '.join(drive.id for drive in drives)}" + (f" ({why})" if why else "")
            + ": roll in neutral for a minute from a safe and lawful speed, both ways"
        )  # fmt: skip
    return coastdown.fit(
        found, mass, with_b=with_b, known_grade=known_grade, even_sigma=even_sigma, density_sigma=doubt,
        left_out=left_out,
    )  # fmt: skip


# --- power --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Pulled:
    """Wheel power of the runs of some drives with one setup, and what it was worked out with."""

    setup: str
    drives: list[str]
    curve: WheelCurve
    road: roadload.RoadLoad
    mass: Mass
    engine_speed: str
    """Where engine speed is from: "recorded", "worked out from the gears", or why there is none."""
    runs: list[tuple[Analysed, Run]]


def pulled(chosen: Sequence[tuple[Analysed, Sequence[Run]]], car: CarConfig, speeds_mps: Floats, setup: str) -> Pulled:
    """Wheel power of chosen runs together. NoAnswer where they tell none."""
    mass, pulls, roads = mass_of(car), [], []
    stated, recorded = True, False
    for analysed, runs in chosen:
        air = air_on(analysed.drive, car)
        road = roadload.of(car, air.density_kg_per_m3)
        engine_speed = engine_speed_of(analysed.drive, car, analysed.motion.epoch_utc_ns)
        recorded = recorded or engine_speed is not None
        stated = stated and air.wind is not None
        for run in runs:
            pulls.append(
                wheel_power.pull(
                    analysed.motion, run, road, mass, speeds_mps,
                    headwind_mps=air.against(run.direction_deg), engine_speed=engine_speed, gearing=car.gearing,
                    tyres=car.tyres, factor=air.factor, name=f"{analysed.drive.id}:{run.n}",
                )
            )  # fmt: skip
            roads.append(road)
    if not roads:
        raise NoAnswer("no run to tell a power: a full-throttle run from a standstill, or a rolling one, is needed")
    curve = wheel_power.wheel_curve(pulls, mass, roads[0], wind_stated=stated)
    return Pulled(
        setup, [analysed.drive.id for analysed, _ in chosen], curve, roads[0], mass,
        _engine_speed_words(car, recorded, curve),
        [(analysed, run) for analysed, runs in chosen for run in runs],
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
        return f"not known: no channel {channel} was recorded, and the belt picks its own ratio between its limits"
    return f"not known: no channel {channel} was recorded, and the runs do not show which gear was in"


FINE_STEPS = {"mph": 1.0, "km/h": 2.0}
"""Steps of the curves over speed, in the owner's unit; the table's speeds are multiples of them."""
FASTEST_MPS = 90.0


@dataclass(frozen=True)
class Driven:
    """A drive and all that there is to say of it. What it has nothing of is None, with the reason in `lacking`."""

    found: Analysed
    """Its runs have splits at the fine steps; `table_splits` picks the table's."""
    unit: str
    mapped: Mapped | None
    loop: Loop | None
    weather: Weather
    air: Air
    lacking: dict[str, str]

    @property
    def drive(self) -> Drive:
        return self.found.drive

    def counted(self) -> list[Run]:
        return self.found.counted("standing")


def driven(
    drive: Drive, store: Path, targets: TargetsConfig | None = None, unit: str | None = None, mixture: bool = True
) -> Driven:
    """All there is to say of a drive. NoAnswer where it has no usable fixes."""
    from analysis.conditions.weather import air_of, read_weather
    from analysis.drive import fuel_loop, map_drive, read_targets

    unit = unit or speed_unit(drive)
    step = FINE_STEPS[unit] * SPEED_UNITS[unit]
    fine = tuple(float(v) for v in np.arange(1, int(FASTEST_MPS / step) + 1) * step)
    found = analyse(drive, Options(speeds_mps=fine, unit="mph" if unit == "mph" else "km/h"))
    lacking: dict[str, str] = {}
    mapped = loop = None
    if mixture:
        try:
            mapped = map_drive(drive, targets or read_targets(None, store))
        except (NoAnswer, InputError) as error:
            lacking["mixture"] = without_folder(str(error), store)
    try:
        loop = fuel_loop(drive)
    except (NoAnswer, InputError) as error:
        lacking["fuel"] = without_folder(str(error), store)
    weather = read_weather(drive.manifest.weather)
    elevation = drive.car.car.elevation_m if drive.car else None
    return Driven(found, unit, mapped, loop, weather, air_of(weather, elevation), lacking)
