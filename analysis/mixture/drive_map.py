"""The mixture map of a drive: its readings, what the car did, and the map that the two make.

    found = drive_map(drive, motion, fixes, ...)
    found.readings, found.delay                 # at once
    found.state, found.answer                   # when asked for: they take in what is learned of the roads

The load is found with the slope of the road. Where all passes of the owner's own roads tell it (`road.slope_along`), it
is theirs; elsewhere that of this drive's altitude. Delay and lag come from when load changes and not from how high it
is, so they are found by this drive alone, and whoever asks only for them need not wait for the roads.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.arrays import Floats
from analysis.mixture import delay
from analysis.mixture.channels import find_channel, other_channels, readings_of, tables_of
from analysis.mixture.delay import Delay
from analysis.mixture.engine_load import Driving, driving, grade_from_altitude
from analysis.mixture.map import LoadAxis, MixtureMap, mixture_map
from analysis.mixture.masks import Readings, opening_of
from analysis.road.slope_along import LearnedAlong, slope_along
from logger.errors import NoAnswer

if TYPE_CHECKING:
    from analysis.conditions.roadload import RoadLoad
    from analysis.motion.fixes import Fixes
    from analysis.motion.smoother import Motion
    from analysis.road.slopes import LearnedRoad
    from logger.config.car import CarConfig
    from logger.config.targets import TargetsConfig
    from logger.store.drive import Drive

BESIDE_S = 43_200.0
"""Readings so long before the first fix and after the last one are still of the drive; others have another clock."""


@dataclass(frozen=True)
class DriveMap:
    """The mixture map of a drive, and what it was made of: its readings and what the car did."""

    drive: Drive
    readings: Readings
    alone: Driving
    """What the car did by this drive alone: its load with the slope of its own altitude."""
    delay: Delay
    cooling: Literal["air", "water"]
    _by_slope: Callable[[tuple[Floats, Floats]], Driving] = field(repr=False)
    _learned: Callable[[], LearnedAlong | None] = field(repr=False)
    _tell: Callable[[Driving], MixtureMap] = field(repr=False)

    @cached_property
    def slopes(self) -> LearnedAlong | None:
        """The slopes of its roads by all passes; None where too few passed them."""
        return self._learned()

    @cached_property
    def state(self) -> Driving:
        """What the car did, its load with the slopes of its roads where these are learned."""
        return self.alone if self.slopes is None else self._by_slope((self.slopes.t_s, self.slopes.slope))

    @cached_property
    def answer(self) -> MixtureMap:
        """The map."""
        return self.answer_alone if self.state is self.alone else self._tell(self.state)

    @cached_property
    def answer_alone(self) -> MixtureMap:
        """The map by this drive alone."""
        return self._tell(self.alone)


def drive_map(
    drive: Drive,
    motion: Motion,
    fixes: Fixes,
    road: RoadLoad,
    targets: TargetsConfig,
    *,
    learned: Callable[[], LearnedRoad | None],
    channel: str | None,
    load_by: str | LoadAxis,
    band_mps: float,
    fuel_stoich_afr: float | None,
    travel: tuple[float, float] | None,
    car: CarConfig | None,
) -> DriveMap:
    """The map of a drive; see `AnalysedDrive.map_by`. NoAnswer without a mixture, InputError for an unknown channel.

    Parameters
    ----------
    learned : callable
        Gives the slopes of its roads by all passes; it is asked when the load is.
    travel : (closed, open), optional
        Of a recorded throttle, in its own unit.
    """
    tables = tables_of(drive)
    source, channel = find_channel(drive, tables, channel)
    readings, latency_s = readings_of(drive, tables[source], source, channel, motion.epoch_utc_ns)
    readings = readings.between(motion.t_s[0] - BESIDE_S, motion.t_s[-1] + BESIDE_S)
    if not np.isfinite(readings.value).any():
        raise NoAnswer(f"drive {drive.id}: source {source!r} has no good reading of {channel}")
    if fuel_stoich_afr is not None and channel == "afr":
        scaled = readings.value * (fuel_stoich_afr / readings.stoich_afr)
        readings = replace(readings, value=scaled, stoich_afr=fuel_stoich_afr)
    mine = car.car if car else None
    channels, units = other_channels(tables, motion.epoch_utc_ns)
    by_altitude = grade_from_altitude(motion.distance_m, fixes.alt_m)

    def by_slope(grade: tuple[Floats, Floats] | None) -> Driving:
        found = driving(
            motion, road, grade,
            wheel_power_per_kg=1000 * mine.wheel_power_kw / mine.mass_kg if mine and mine.wheel_power_kw else None,
            channels=channels, units=units,
        )  # fmt: skip
        return replace(found, travel=travel)

    alone = by_slope((motion.t_s, by_altitude) if np.isfinite(by_altitude).any() else None)
    late = _delay(readings, alone, latency_s, targets)
    cooling: Literal["air", "water"] = mine.cooling if mine else "air"
    return DriveMap(
        drive, readings, alone, late, cooling, by_slope,
        lambda: slope_along(fixes, motion.distance_m, by_altitude, learned()),
        lambda state: mixture_map(readings, state, late, targets, cooling, load_by, band_mps),
    )  # fmt: skip


def _delay(readings: Readings, state: Driving, latency_s: float, targets: TargetsConfig) -> Delay:
    free = targets.masks.free_air_lambda * readings.per_lambda
    value = np.where(readings.value < free, readings.value, np.nan)
    opening = opening_of(state)
    return delay.estimate(
        readings.time_s, value, state, latency_s, opening if np.isfinite(opening).any() else None
    )  # fmt: skip
