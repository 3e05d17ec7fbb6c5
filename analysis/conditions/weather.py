"""The air of the day: moist air, density altitude, correction factors, METAR reports, and what the air did to a time.

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
[5] WMO-No. 306, Manual on Codes, volume I.1, FM 15 METAR; QNH as in ICAO Doc 8896, Manual of Aeronautical
    Meteorological Practice: station pressure brought to sea level along the standard atmosphere.
[6] 40 CFR 1066.310: coasts are driven in mean winds below 6 mph (2.7 m/s).
"""

from __future__ import annotations

import datetime
import math
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from numpy.typing import ArrayLike
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from analysis.arrays import Floats
from logger.errors import InputError

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


# --- moist air ----------------------------------------------------------------------------------------------------


def saturation_pressure(temperature_k: ArrayLike) -> Floats:
    """Saturation pressure of water vapour [Pa] at `temperature_k` [K], over ice below 0.01 C. ASHRAE [1] eq. 5, 6."""
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
    """Partial pressure of water vapour [Pa]; humidity as a share 0 to 1."""
    return np.asarray(np.asarray(relative_humidity, float) * saturation_pressure(temperature_k))


def humidity_from_dew_point(temperature_k: ArrayLike, dew_point_k: ArrayLike) -> Floats:
    """Relative humidity as a share from temperature and dew point [K]."""
    return np.asarray(saturation_pressure(dew_point_k) / saturation_pressure(temperature_k))


def air_density(temperature_k: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike) -> Floats:
    """Density of moist air [kg/m3], as a mixture of ideal gases [1]. Pressure is that of the place."""
    t, p = np.asarray(temperature_k, float), np.asarray(pressure_pa, float)
    vapour = vapour_pressure(t, relative_humidity)
    return np.asarray((p - (1 - WATER_RATIO) * vapour) / (GAS_CONSTANT * t))


# --- the standard atmosphere --------------------------------------------------------------------------------------


def density_altitude(density_kg_per_m3: ArrayLike) -> Floats:
    """Height [m] at which the U.S. Standard Atmosphere 1976 has this density; troposphere [2]."""
    ratio = np.asarray(density_kg_per_m3, float) / STANDARD_DENSITY
    geopotential = SEA_LEVEL_K / LAPSE_K_PER_M * (1 - ratio ** (_EXPONENT / (1 - _EXPONENT)))
    return np.asarray(_EARTH_M * geopotential / (_EARTH_M - geopotential))


def standard_pressure(elevation_m: ArrayLike) -> Floats:
    """Pressure [Pa] of the U.S. Standard Atmosphere 1976 at `elevation_m` [2]."""
    z = np.asarray(elevation_m, float)
    geopotential = _EARTH_M * z / (_EARTH_M + z)
    return np.asarray(SEA_LEVEL_PA * (1 - LAPSE_K_PER_M * geopotential / SEA_LEVEL_K) ** (1 / _EXPONENT))


def station_pressure(qnh_pa: ArrayLike, elevation_m: ArrayLike) -> Floats:
    """Pressure [Pa] at a place from QNH (the altimeter setting) and the place's elevation [5]."""
    q = np.asarray(qnh_pa, float) ** _EXPONENT
    drop = SEA_LEVEL_PA**_EXPONENT * LAPSE_K_PER_M / SEA_LEVEL_K * np.asarray(elevation_m, float)
    return np.asarray((q - drop) ** (1 / _EXPONENT))


# --- correction factors -------------------------------------------------------------------------------------------


def sae_j1349(temperature_k: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike) -> Floats:
    """SAE J1349 factor on engine output: 1 at 25 C and 990 hPa of dry air. It takes 85 % mechanical efficiency [3]."""
    t = np.asarray(temperature_k, float)
    dry_hpa = (np.asarray(pressure_pa, float) - vapour_pressure(t, relative_humidity)) / 100
    return np.asarray(1.18 * (990 / dry_hpa) * np.sqrt((t - 0.15) / 298) - 0.18)


def sae_j607(temperature_k: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike) -> Floats:
    """SAE J607 factor on engine output: 1 at 60 F and 29.92 inHg of dry air [4]."""
    t = np.asarray(temperature_k, float)
    dry_inhg = (np.asarray(pressure_pa, float) - vapour_pressure(t, relative_humidity)) / 3386.389
    fahrenheit = (t - 273.15) * 1.8 + 32
    return np.asarray(29.92 / dry_inhg * np.sqrt((459.7 + fahrenheit) / 519.7))


STANDARD_AIR = {
    "SAE J1349": float(air_density(298.15, 99_000.0 + 1_000.0, 1_000.0 / saturation_pressure(298.15))),
    "SAE J607": float(air_density(288.706, 29.92 * 3386.389, 0.0)),
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
    pressure = weather.pressure_hpa * 100 if weather.pressure_hpa is not None else math.nan
    if weather.temperature_c is None:
        missing.append("temperature")
    if math.isnan(pressure) and place is not None:
        pressure = float(standard_pressure(place))
        assumed.append(f"no pressure: that of the standard atmosphere at {place:.0f} m")
    elif math.isnan(pressure):
        missing.append("pressure")
    nan = math.nan
    if missing:
        return Air(nan, pressure, nan, nan, nan, {}, tuple(assumed), tuple(missing))
    assert weather.temperature_c is not None
    t = weather.temperature_c + 273.15
    humidity = weather.humidity_percent / 100 if weather.humidity_percent is not None else 0.5
    if weather.humidity_percent is None:
        half = abs(float(sae_j1349(t, pressure, 1.0) - sae_j1349(t, pressure, 0.0))) / 2
        assumed.append(f"no humidity: 50 % taken, which leaves {100 * half:.1f} % either way")
    density = float(air_density(t, pressure, humidity))
    factors = {
        "SAE J1349": float(sae_j1349(t, pressure, humidity)),
        "SAE J607": float(sae_j607(t, pressure, humidity)),
    }
    return Air(t, pressure, humidity, density, float(density_altitude(density)), factors, tuple(assumed), ())


# --- METAR --------------------------------------------------------------------------------------------------------


def from_metar(report: str, elevation_m: float | None, day: datetime.date | None = None) -> Weather:
    """The weather of a pasted METAR or SPECI report [5], at a field of `elevation_m`.

    The report gives QNH; the pressure at the field follows with its elevation (None: no pressure). `day`, within a
    fortnight of the report, settles its month. WeatherError where the report cannot be read or has no temperature.
    """
    from metar import Metar

    text = " ".join(report.split()).removesuffix("=")
    near = day or datetime.datetime.now(datetime.UTC).date()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # groups it does not know, such as runway state, are no harm
            found = Metar.Metar(text, month=near.month, year=near.year, strict=False)
    except Exception as error:  # the library raises its own, and others for odd digits
        raise WeatherError(f"--metar: this is no METAR report: {text[:40]!r}...") from error
    if found.temp is None or found.station_id is None:
        raise WeatherError(f"--metar: the report has no temperature group (such as 17/09): {text[:60]!r}")
    temperature = float(found.temp.value("C"))
    humidity = None
    if found.dewpt is not None:
        share = float(humidity_from_dew_point(temperature + 273.15, float(found.dewpt.value("C")) + 273.15))
        humidity = min(round(100 * share, 1), 100.0)
    pressure = None
    if found.press is not None and elevation_m is not None:
        pressure = round(float(station_pressure(float(found.press.value("HPA")) * 100, elevation_m)) / 100, 2)
    wind = float(found.wind_speed.value("MPS")) if found.wind_speed is not None else None
    bearing = found.wind_dir.value() if found.wind_dir is not None and wind else None
    return read_weather(
        {
            "temperature_c": temperature,
            "pressure_hpa": pressure,
            "humidity_percent": humidity,
            "wind_mps": None if wind is None else round(wind, 2),
            "wind_from_deg": bearing,
            "gust_mps": None if found.wind_gust is None else round(float(found.wind_gust.value("MPS")), 2),
            "elevation_m": elevation_m,
            "observed_utc": _observed(found.time, near),
            "source": text,
        }
    )


def _observed(found: datetime.datetime | None, near: datetime.date) -> datetime.datetime | None:
    """The report's day and time in the month that brings it nearest to `near`; a report has no month of its own."""
    if found is None:
        return None
    middle = datetime.datetime(near.year, near.month, near.day, 12, tzinfo=datetime.UTC)
    candidates = []
    for months in (-1, 0, 1):
        year, month = divmod(near.year * 12 + near.month - 1 + months, 12)
        try:
            candidates.append(
                datetime.datetime(year, month + 1, found.day, found.hour, found.minute, tzinfo=datetime.UTC)
            )
        except ValueError:  # the 31st of a month that has 30 days
            continue
    return min(candidates, key=lambda time: abs(time - middle), default=None)


# --- what it does to a run ----------------------------------------------------------------------------------------


def headwind(wind_mps: float, wind_from_deg: float, direction_deg: float) -> float:
    """The wind's part against a car that drives towards `direction_deg` [m/s]; below zero from behind."""
    return wind_mps * math.cos(math.radians(wind_from_deg - direction_deg))


def corrected_times(
    speed_mps: ArrayLike,
    time_s: ArrayLike,
    factor: float,
    road: RoadLoad,
    standard_road: RoadLoad,
    grade: float = 0.0,
) -> Floats:
    """The times that a run would have taken in standard air [s]; NaN from where the car would no longer gain speed.

    The correction acts on the force of the engine, not on the time. Between neighbouring speeds the measured mean
    acceleration and the road load give what the wheels pushed with; `factor` scales it; with the road load of standard
    air it gives the acceleration that is integrated again. Launches are corrected like the rest, though a clutch may
    have limited them and not the engine; what thinner air does to a carburettor's mixture is not corrected.

    Parameters
    ----------
    speed_mps, time_s : array
        Rising speeds and the times at which they were passed. The first time is kept.
    factor : float
        On engine output, such as `sae_j1349`.
    road, standard_road : RoadLoad
        Over mass, in the air of the day and in standard air: drag goes with density.
    grade : float
        Rise over run [-]; it stays as it was.
    """
    from analysis.conditions.roadload import GRAVITY, tractive_acceleration

    v, t = np.asarray(speed_mps, float), np.asarray(time_s, float)
    middle = 0.5 * (v[1:] + v[:-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        pushed = tractive_acceleration(middle, np.diff(v) / np.diff(t), road, grade)
        climb = GRAVITY * grade / math.hypot(1.0, grade)
        gain = (factor * pushed - climb - standard_road.at(middle)) / (1 + standard_road.rotating)
        steps = np.where(gain > 0, np.diff(v) / gain, np.nan)
    return np.concatenate([t[:1], t[0] + np.cumsum(steps)])
