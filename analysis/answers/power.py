"""The answer of `power`: force and power at the wheels, and between setups what differs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.answers.coast import mass_of
from analysis.arrays import Floats
from analysis.conditions import roadload
from analysis.conditions.day_air import air_on
from analysis.road import wheel_power
from logger.errors import NoAnswer

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.road.coasts import Mass
    from analysis.road.wheel_power import WheelCurve
    from analysis.runs.run import Run
    from logger.config.car import CarConfig


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
    runs: list[tuple[AnalysedDrive, Run]]


def pulled(
    chosen: Sequence[tuple[AnalysedDrive, Sequence[Run]]], car: CarConfig, speeds_mps: Floats, setup: str
) -> Pulled:
    """Wheel power of chosen runs together. NoAnswer where they tell none."""
    mass, pulls, roads = mass_of(car), [], []
    stated, recorded = True, False
    for analysed, runs in chosen:
        air = air_on(analysed.drive, car)
        road = roadload.of(car, air.density_kg_per_m3)
        engine_speed = analysed.engine_speed(car)
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
