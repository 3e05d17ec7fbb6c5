"""The answer of `coast`: road load from coasts in neutral."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.conditions.day_air import air_on
from analysis.road import coastdown
from analysis.road.coastdown import Measured
from analysis.road.coasts import LeftOut, Mass
from logger.errors import NoAnswer

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from logger.config.car import CarConfig


def car_of(drives: Sequence[AnalysedDrive], given: CarConfig | None, what: str) -> CarConfig:
    """The car's file: the one given, else that of the latest drive that carries one; NoAnswer where there is none."""
    carried = [drive.car for drive in drives if drive.car is not None]
    if given is None and not carried:
        raise NoAnswer(f"{what} needs the car's mass, and no drive carries a car's file: give one with --car FILE")
    return given or carried[-1]


def mass_of(car: CarConfig) -> Mass:
    """The masses of a car's file."""
    return Mass.of(car.car.mass_kg, car.car.mass_sigma_kg, car.car.rotating_mass_kg)


def road_load_by_coasts(
    drives: Sequence[AnalysedDrive],
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
        doubt = max(doubt, air_on(drive.drive, car).sigma)
        each = drive.coasts(mass, car, origin)
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
