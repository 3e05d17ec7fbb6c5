"""Drives with what they tell of the road: fuel loops, coasts, wheel power. What the road verbs begin with."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis import coastdown, coasts, economy, power, roadload
from analysis import motion as motions
from analysis.coastdown import Measured
from analysis.coasts import LeftOut, Mass
from analysis.economy import Loop, Used
from analysis.weather import air_density, air_of, headwind, read_weather, standard_pressure
from logger.config import CarConfig, NmeaSource
from logger.units import InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.analysed import Analysed
    from analysis.motion import Fixes, Motion
    from analysis.power import WheelCurve
    from analysis.runs import Run
    from logger.drive import Drive

Floats = NDArray[np.float64]


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
        fixes, _ = motions.clean(motions.read_fixes(drive))
        return fixes, motions.smooth(fixes)
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
            used = economy.from_kept(drive.manifest.fuel)
        except ValueError as error:
            raise InputError(f"{drive.id}: {error}") from error
    fixes, motion = motion_of(drive)
    weather = read_weather(drive.manifest.weather)
    return economy.drive_loop(motion, fixes, used, math.nan if weather.wind_mps is None else weather.wind_mps)


# --- coasts -------------------------------------------------------------------------------------------------------


def road_load_of(
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
                power.pull(
                    analysed.motion, run, road, mass, speeds_mps,
                    headwind_mps=air.against(run.direction_deg), engine_speed=engine_speed, gearing=car.gearing,
                    tyres=car.tyres, factor=air.factor, name=f"{analysed.drive.id}:{run.n}",
                )
            )  # fmt: skip
            roads.append(road)
    if not roads:
        raise NoAnswer("no run to tell a power: a full-throttle run from a standstill, or a rolling one, is needed")
    curve = power.wheel_curve(pulls, mass, roads[0], wind_stated=stated)
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
