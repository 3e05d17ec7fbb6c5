"""The air of a drive's day: density, correction and wind, of the weather kept with it or of its place's usual air."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.conditions.weather import air_density, air_of, headwind, read_weather, standard_pressure

if TYPE_CHECKING:
    from logger.config.car import CarConfig
    from logger.store.drive import Drive

STATED_SIGMA = 0.005
"""Relative standard error of a density from weather that was stated (common practice, no source)."""
UNSTATED_SIGMA = 0.03
"""The same where no weather is kept: 15 C at the car's elevation, any season (common practice, no source)."""
_USUAL_K = 288.15


@dataclass(frozen=True)
class DayAir:
    """The air of a drive as the road needs it.

    Attributes
    ----------
    density_kg_per_m3, sigma : float
        Density of the air [kg/m3] and its relative standard error: of the weather, or of 15 C at the car's elevation
        where there is none.
    factor : float
        SAE J1349's correction of the engine's output; NaN without weather.
    wind : (float, float) or None
        Speed [m/s] and where it comes from [deg]; None where it was not stated.
    stated : bool
        Whether weather was kept with the drive.
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
    """The air of a drive's day; the elevation is the car's file's."""
    weather = read_weather(drive.manifest.weather)
    elevation = car.car.elevation_m if car else None
    air = air_of(weather, elevation)
    wind = None
    if weather.wind_mps is not None and (weather.wind_from_deg is not None or weather.wind_mps == 0):
        wind = (weather.wind_mps, weather.wind_from_deg or 0.0)
    if math.isfinite(air.density_kg_per_m3):
        return DayAir(air.density_kg_per_m3, STATED_SIGMA, air.factors["SAE J1349"], wind, True)
    density = float(air_density(_USUAL_K, standard_pressure(elevation or 0.0), 0.5))
    return DayAir(density, UNSTATED_SIGMA, math.nan, wind, False)
