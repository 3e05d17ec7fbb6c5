"""The air of the day: moist air, density altitude, correction factors, and what the air did to a time.

    air = Weather(temperature_c=17, pressure_hpa=1015, humidity_percent=59)
    state = air_of(air)                     # density, density altitude, factors, and what had to be assumed
    times = corrected_times(v, t, state.factors["SAE J1349"], ...)

Functions take floats or arrays, temperatures in kelvin, pressures in pascal, humidity as a share.

References
----------
[1] ASHRAE Handbook Fundamentals (2017), chapter 1, equations 5 and 6 (saturation, after Hyland and Wexler 1983), and
    the ideal-gas relations of the same chapter.
[2] U.S. Standard Atmosphere, 1976 (NOAA, NASA, USAF), troposphere.
[3] SAE J1349, Engine Power Test Code, spark ignition and compression ignition, net power rating.
[4] SAE J607, Small Spark Ignition Engine Test Code (withdrawn; its factor lives on where small engines are raced).
[5] ICAO Doc 8896, Manual of Aeronautical Meteorological Practice: QNH, the station's pressure brought to sea level
    along the standard atmosphere.
[6] 40 CFR 1066.310: coasts are driven in mean winds below 6 mph (2.7 m/s).
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from numpy.typing import ArrayLike
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from analysis.arrays import Floats
from analysis.wording import wind, wind_text
from logger.errors import InputError
from logger.units import PA_PER_HPA, PA_PER_INHG, ZERO_CELSIUS_K, kelvin_of_celsius

if TYPE_CHECKING:
    from analysis.conditions.roadload import RoadLoad


GAS_CONSTANT = 287.042  # dry air [J/(kg K)], [1]
WATER_RATIO = 0.621945  # molar mass of water over that of dry air, [1]
SEA_LEVEL_K, SEA_LEVEL_PA, LAPSE_K_PER_M = 288.15, 101_325.0, 0.0065  # [2]
STANDARD_DENSITY = 1.225  # at sea level [kg/m3], [2]
_EXPONENT = 287.05287 * LAPSE_K_PER_M / 9.80665  # R L / g of [2]
_EARTH_M = 6_356_766.0  # effective radius of [2]

WINDY_MPS = 2.7
"""Wind above this is told as a warning: the limit of 40 CFR 1066.310 [6]."""
STEEP_PERCENT = 0.5
"""A grade above this is told as a warning; it moves the acceleration by 0.05 m/s2 (common practice, no source)."""
FAR_FACTOR = 0.07
"""Corrections beyond 7 % lie outside what the code is meant for ([3], from memory)."""


class WeatherError(InputError):
    """The weather given cannot be used; the message is one complete line."""


class Weather(BaseModel):
    """The weather of a drive, as its manifest keeps it. Everything may be missing; what is missing is said."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    temperature_c: Annotated[float, Field(ge=-60, le=60)] | None = None
    pressure_hpa: Annotated[float, Field(ge=500, le=1100)] | None = None
    """Of the air at the place itself, not reduced to sea level."""
    humidity_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    wind_mps: Annotated[float, Field(ge=0, le=60)] | None = None
    wind_from_deg: Annotated[float, Field(ge=0, le=360)] | None = None
    gust_mps: Annotated[float, Field(ge=0, le=80)] | None = None
    elevation_m: Annotated[float, Field(ge=-450, le=6000)] | None = None
    """Of the place."""
    observed_utc: datetime.datetime | None = None
    source: str = ""
    """Where it is from: typed in, or a METAR."""


def read_weather(values: dict[str, Any] | None) -> Weather:
    """The weather of a manifest or of typed values; WeatherError names the first value that cannot be."""
    try:
        return Weather.model_validate(values or {})
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in detail["loc"])
        said = detail["msg"].removeprefix("Input should be ")
        raise WeatherError(f"weather: {key}: found {detail['input']!r}, expected {said}") from error


def described(weather: Weather, unit: str) -> str:
    """The weather in one line, for who drives in `unit`."""
    said = []
    if weather.temperature_c is not None:
        said.append(f"{weather.temperature_c:g} C")
    if weather.pressure_hpa is not None:
        said.append(f"{weather.pressure_hpa:g} hPa at the place")
    if weather.humidity_percent is not None:
        said.append(f"{weather.humidity_percent:g} % humidity")
    if weather.wind_mps is not None:
        bearing = f" from {weather.wind_from_deg:g} deg" if weather.wind_from_deg is not None else ""
        gust = f", gusts {wind(weather.gust_mps, unit)}" if weather.gust_mps is not None else ""
        said.append(f"wind {wind_text(weather.wind_mps, unit)}{bearing}{gust}")
    return ", ".join(said) or "no weather given"


# --- moist air ----------------------------------------------------------------------------------------------------


def saturation_pressure(temperature_k: ArrayLike) -> Floats:
    """Saturation pressure of water vapour [Pa], over ice below 0.01 C. ASHRAE [1], equations 5 and 6.

    Parameters
    ----------
    temperature_k : array, any shape
        Temperature [K]; NaN gives NaN.
    """
    t = np.asarray(temperature_k, float)
    ice = (
        -5.6745359e3 / t + 6.3925247 - 9.677843e-3 * t + 6.2215701e-7 * t**2 + 2.0747825e-9 * t**3
        - 9.484024e-13 * t**4 + 4.1635019 * np.log(t)
    )  # fmt: skip
    water = (
        -5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t**2 - 1.4452093e-8 * t**3
        + 6.5459673 * np.log(t)
    )  # fmt: skip
    return np.asarray(np.exp(np.where(t <= 273.16, ice, water)))


def vapour_pressure(temperature_k: ArrayLike, relative_humidity: ArrayLike) -> Floats:
    """Partial pressure of water vapour [Pa].

    Parameters
    ----------
    temperature_k : array, any shape
        Temperature [K]; NaN gives NaN.
    relative_humidity : array, that shape
        As a share, 0 to 1.
    """
    return np.asarray(np.asarray(relative_humidity, float) * saturation_pressure(temperature_k))


def humidity_from_dew_point(temperature_k: ArrayLike, dew_point_k: ArrayLike) -> Floats:
    """Relative humidity as a share; above 1 where the dew point is above the temperature.

    Parameters
    ----------
    temperature_k : array, any shape
        Temperature [K]; NaN gives NaN.
    dew_point_k : array, that shape
        Dew point [K].
    """
    return np.asarray(saturation_pressure(dew_point_k) / saturation_pressure(temperature_k))


def air_density(temperature_k: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike) -> Floats:
    """Density of moist air [kg/m3], as a mixture of ideal gases [1].

    Parameters
    ----------
    temperature_k : array, any shape
        Temperature [K]; NaN gives NaN.
    pressure_pa : array, that shape
        Pressure at the place [Pa].
    relative_humidity : array, that shape
        As a share, 0 to 1.
    """
    t, p = np.asarray(temperature_k, float), np.asarray(pressure_pa, float)
    vapour = vapour_pressure(t, relative_humidity)
    return np.asarray((p - (1 - WATER_RATIO) * vapour) / (GAS_CONSTANT * t))


# --- the standard atmosphere --------------------------------------------------------------------------------------


def density_altitude(density_kg_per_m3: ArrayLike) -> Floats:
    """Height [m] at which the U.S. Standard Atmosphere 1976 has this density; troposphere [2].

    Parameters
    ----------
    density_kg_per_m3 : array, any shape
        Density [kg/m3]; NaN gives NaN.
    """
    ratio = np.asarray(density_kg_per_m3, float) / STANDARD_DENSITY
    geopotential = SEA_LEVEL_K / LAPSE_K_PER_M * (1 - ratio ** (_EXPONENT / (1 - _EXPONENT)))
    return np.asarray(_EARTH_M * geopotential / (_EARTH_M - geopotential))


def standard_pressure(elevation_m: ArrayLike) -> Floats:
    """Pressure [Pa] of the U.S. Standard Atmosphere 1976 [2].

    Parameters
    ----------
    elevation_m : array, any shape
        Geometric height above sea level, up to 11 km [m]; NaN gives NaN.
    """
    z = np.asarray(elevation_m, float)
    geopotential = _EARTH_M * z / (_EARTH_M + z)
    return np.asarray(SEA_LEVEL_PA * (1 - LAPSE_K_PER_M * geopotential / SEA_LEVEL_K) ** (1 / _EXPONENT))


def station_pressure(qnh_pa: ArrayLike, elevation_m: ArrayLike) -> Floats:
    """Pressure [Pa] at a place from QNH, the altimeter setting [5].

    Parameters
    ----------
    qnh_pa : array, any shape
        QNH [Pa]; NaN gives NaN.
    elevation_m : array, that shape
        Of the place [m].
    """
    q = np.asarray(qnh_pa, float) ** _EXPONENT
    drop = SEA_LEVEL_PA**_EXPONENT * LAPSE_K_PER_M / SEA_LEVEL_K * np.asarray(elevation_m, float)
    return np.asarray((q - drop) ** (1 / _EXPONENT))


# --- correction factors -------------------------------------------------------------------------------------------


def sae_j1349(temperature_k: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike) -> Floats:
    """SAE J1349 factor on engine output: 1 at 25 C and 990 hPa of dry air. It takes 85 % mechanical efficiency [3].

    Parameters
    ----------
    temperature_k : array, any shape
        Temperature [K]; NaN gives NaN.
    pressure_pa : array, that shape
        Pressure at the place [Pa].
    relative_humidity : array, that shape
        As a share, 0 to 1.
    """
    t = np.asarray(temperature_k, float)
    dry_hpa = (np.asarray(pressure_pa, float) - vapour_pressure(t, relative_humidity)) / PA_PER_HPA
    return np.asarray(1.18 * (990 / dry_hpa) * np.sqrt((t - 0.15) / 298) - 0.18)


def sae_j607(temperature_k: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike) -> Floats:
    """SAE J607 factor on engine output: 1 at 60 F and 29.92 inHg of dry air [4].

    Parameters
    ----------
    temperature_k : array, any shape
        Temperature [K]; NaN gives NaN.
    pressure_pa : array, that shape
        Pressure at the place [Pa].
    relative_humidity : array, that shape
        As a share, 0 to 1.
    """
    t = np.asarray(temperature_k, float)
    dry_inhg = (np.asarray(pressure_pa, float) - vapour_pressure(t, relative_humidity)) / PA_PER_INHG
    fahrenheit = (t - ZERO_CELSIUS_K) * 1.8 + 32
    return np.asarray(29.92 / dry_inhg * np.sqrt((459.7 + fahrenheit) / 519.7))


STANDARD_AIR = {
    "SAE J1349": float(air_density(298.15, 99_000.0 + 1_000.0, 1_000.0 / saturation_pressure(298.15))),
    "SAE J607": float(air_density(288.706, 29.92 * PA_PER_INHG, 0.0)),
}
"""Factor by name -> density [kg/m3] of the air it corrects to; J1349 has 1 kPa of vapour beside 99 kPa of dry air."""


@dataclass(frozen=True)
class Air:
    """What the weather amounts to. NaN, and no factors, where it says too little."""

    temperature_k: float
    pressure_pa: float
    relative_humidity: float
    density_kg_per_m3: float
    density_altitude_m: float
    factors: dict[str, float]
    """On engine output, by name: above 1 where the day's air is thinner than the standard's."""
    assumed: tuple[str, ...]
    """What was missing and what stands in for it, a phrase each."""
    missing: tuple[str, ...]
    """What is missing and has no stand-in, so that there is no density."""


def air_of(weather: Weather, elevation_m: float | None = None) -> Air:
    """Density and factors of the day's air. `elevation_m` stands in where the weather has none.

    Without a pressure the standard atmosphere's at the elevation is taken, without a humidity 50 %; both are said.
    Without a temperature, or with neither pressure nor elevation, there is no answer.
    """
    assumed: list[str] = []
    missing: list[str] = []
    place = weather.elevation_m if weather.elevation_m is not None else elevation_m
    pressure = weather.pressure_hpa * PA_PER_HPA if weather.pressure_hpa is not None else math.nan
    if weather.temperature_c is None:
        missing.append("temperature")
    if math.isnan(pressure) and place is not None:
        pressure = float(standard_pressure(place))
        assumed.append(f"no pressure was given, so the standard atmosphere at {place:.0f} m is used")
    elif math.isnan(pressure):
        missing.append("pressure")
    nan = math.nan
    if missing:
        return Air(nan, pressure, nan, nan, nan, {}, tuple(assumed), tuple(missing))
    assert weather.temperature_c is not None
    t = kelvin_of_celsius(weather.temperature_c)
    humidity = weather.humidity_percent / 100 if weather.humidity_percent is not None else 0.5
    if weather.humidity_percent is None:
        half = abs(float(sae_j1349(t, pressure, 1.0) - sae_j1349(t, pressure, 0.0))) / 2
        assumed.append(f"no humidity was given, so 50 % is used, which may be off by {100 * half:.1f} % of power")
    density = float(air_density(t, pressure, humidity))
    factors = {
        "SAE J1349": float(sae_j1349(t, pressure, humidity)),
        "SAE J607": float(sae_j607(t, pressure, humidity)),
    }
    return Air(t, pressure, humidity, density, float(density_altitude(density)), factors, tuple(assumed), ())


# --- what it does to a run ----------------------------------------------------------------------------------------


def headwind(wind_mps: float, wind_from_deg: float, direction_deg: float) -> float:
    """The wind's part against a car that drives towards `direction_deg` [m/s]; below zero from behind."""
    return wind_mps * math.cos(math.radians(wind_from_deg - direction_deg))


FULL_POWER = 0.9
"""A launch is over where the wheels' power has come to this share of its most."""
LAUNCH_MOST_MPS = 12.0
"""Slipping clutches and belts are done by then (common practice, no source)."""


def corrected_times(
    speed_mps: ArrayLike,
    time_s: ArrayLike,
    factor: float,
    road: RoadLoad,
    standard_road: RoadLoad,
    grade: float = 0.0,
    launch: bool = True,
) -> Floats:
    """The times that a run would have taken in standard air [s]; NaN from where the car would no longer gain speed.

    The correction acts on the force of the engine, not on the time. Between neighbouring speeds the measured mean
    acceleration and the road load give what the wheels pushed with; `factor` scales it; with the road load of standard
    air it gives the acceleration that is integrated again. What thinner air does to a carburettor's mixture is not
    corrected.

    What limits a launch, engine or belt or clutch, cannot be seen in one run: force that is held below what the power
    would give looks like an engine low on its torque curve. So there are two answers, and what is judged must hold by
    both: with `launch` all is corrected, without it nothing before the wheels' power has come to nine tenths of its
    most, or 12 m/s.

    Parameters
    ----------
    speed_mps, time_s : array, shape (n,)
        Rising speeds [m/s] and the times at which they were passed [s]. The first time is kept; a NaN makes all later
        ones NaN.
    factor : float
        On engine output, such as `sae_j1349`.
    road, standard_road : RoadLoad
        Over mass, in the air of the day and in standard air: drag goes with density.
    grade : float
        Rise over run [-]; it stays as it was.
    launch : bool
        Whether the launch follows the air.
    """
    v, t = np.asarray(speed_mps, float), np.asarray(time_s, float)
    both = corrected_of_many(v, t[None, :], factor, road, standard_road, np.array([grade]))
    return np.asarray(both[0 if launch else 1][0])


def corrected_of_many(
    speed_mps: Floats,
    time_s: Floats,
    factor: float,
    road: RoadLoad,
    standard_road: RoadLoad,
    grade: Floats,
) -> tuple[Floats, Floats]:
    """`corrected_times` of m runs of a day told at the same speeds, by `time_s` (m, n) and `grade` (m): with `launch`
    and without, (m, n) each."""
    from analysis.conditions.roadload import GRAVITY, tractive_acceleration

    v, t, slope = speed_mps, time_s, grade[:, None]
    middle, steps = 0.5 * (v[1:] + v[:-1]), np.diff(v)
    with np.errstate(divide="ignore", invalid="ignore"):
        pushed = tractive_acceleration(middle, steps / np.diff(t, axis=1), road, slope)
        power = np.where(np.isfinite(pushed), pushed * middle, 0.0)
        full = power >= FULL_POWER * power.max(axis=1, initial=0.0)[:, None]
        first = middle[full.argmax(axis=1)] if len(middle) else np.zeros(len(t))
        ends = np.minimum(np.where(full.any(axis=1), first, math.inf), LAUNCH_MOST_MPS)
        climb = GRAVITY * slope / np.hypot(1.0, slope)
        resists = climb + standard_road.at(middle)

        def again(acts: Floats | float) -> Floats:
            gain = (acts * pushed - resists) / (1 + standard_road.rotating)
            taken = np.where(gain > 0, steps / gain, np.nan)
            return np.hstack([t[:, :1], t[:, :1] + np.cumsum(taken, axis=1)])

        return again(factor), again(np.where(middle < ends[:, None], 1.0, factor))
