"""What a report tells, by the functions that the other verbs call: so its figures are theirs.

told = driven(drive, store)               # a drive with its runs, mixture, fuel and air
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.analysed import Analysed, analyse, speed_unit
from analysis.report import tell
from analysis.runs import Options, Run, Split, default_speeds
from logger.units import SPEED_UNITS, InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.compare import Observation
    from analysis.economy import Loop
    from analysis.mapped import Mapped
    from analysis.weather import Air, Weather
    from logger.config import TargetsConfig
    from logger.drive import Drive

Floats = NDArray[np.float64]

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
    from analysis.mapped import map_drive, read_targets
    from analysis.measured import fuel_loop
    from analysis.weather import air_of, read_weather

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
            lacking["mixture"] = tell.without_folder(str(error), store)
    try:
        loop = fuel_loop(drive)
    except (NoAnswer, InputError) as error:
        lacking["fuel"] = tell.without_folder(str(error), store)
    weather = read_weather(drive.manifest.weather)
    elevation = drive.car.car.elevation_m if drive.car else None
    return Driven(found, unit, mapped, loop, weather, air_of(weather, elevation), lacking)


def table_splits(run: Run, unit: str) -> list[Split]:
    """The splits that the command line shows: every 10 mph or 10 km/h up to the peak."""
    speeds = default_speeds(run.peak_mps, "mph" if unit == "mph" else "km/h")
    return [split for speed in speeds if (split := split_at(run, speed)) is not None]


def split_at(run: Run, speed_mps: float) -> Split | None:
    """The run's split at a speed, where it has one."""
    return next((split for split in run.splits if math.isclose(split.speed_mps, speed_mps, rel_tol=1e-6)), None)


def table_speeds(runs: Sequence[Run], unit: str) -> list[float]:
    """All speeds that some run has a table split for, rising [m/s]."""
    return sorted({round(split.speed_mps, 6) for run in runs for split in table_splits(run, unit)})


def common_top(runs: Sequence[Run], unit: str) -> float | None:
    """The highest table speed that at least half of the runs reach [m/s]; None without a split."""
    speeds = table_speeds(runs, unit)
    reached = [speed for speed in speeds if 2 * sum(split_at(run, speed) is not None for run in runs) >= len(runs)]
    return max(reached, default=max(speeds, default=None))


def quickness(run: Observation) -> tuple[float, float]:
    """Sorts a season's runs, the best first: the speed reached, then the time it took."""
    top = float(run.speed_mps[-1]) if len(run.speed_mps) else 0.0
    return -round(top), float(run.time_s[-1]) if len(run.time_s) else math.inf
