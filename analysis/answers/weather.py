"""The answer of `weather`: the weather kept with a drive, and what its air amounts to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.answers.encoding import Answer, Figure, Utc
from analysis.conditions import weather
from analysis.conditions.weather_given import given
from analysis.drive import AnalysedDrive

if TYPE_CHECKING:
    from analysis.conditions.weather import Weather


class KeptWeather(Answer):
    """The weather of a drive as it was given; null for what was not."""

    temperature_c: float | None
    """Temperature of the air [C]."""
    pressure_hpa: float | None
    """Pressure at the place itself [hPa]."""
    humidity_percent: float | None
    """Relative humidity [%]."""
    wind_mps: float | None
    """Wind [m/s]."""
    wind_from_deg: float | None
    """Where it comes from, true [deg]."""
    gust_mps: float | None
    """Gusts [m/s]."""
    elevation_m: float | None
    """Elevation of the place [m]."""
    observed_utc: Utc | None
    """When a report was made."""
    source: str
    """Where it is from: typed in, or the report."""


class WeatherAnswer(Answer):
    """The weather of a drive, the density of its air, and the corrections of engine output that follow."""

    drive: str
    """The drive's id."""
    weather: KeptWeather | None
    """What was given; null where nothing was."""
    words: str
    """The same in one line."""
    density_kg_per_m3: Figure
    """Density of the air [kg/m3]; null where too little was given."""
    density_altitude_m: Figure
    """Height at which the standard atmosphere has that density [m]."""
    factors: dict[str, float]
    """Factors on engine output by the standard's name; above 1 where the day's air is thinner."""
    far: bool
    """Whether the SAE J1349 correction is beyond 7 %, further than it is meant for."""
    assumed: tuple[str, ...]
    """What stands in for what was not given, a phrase each."""
    missing: tuple[str, ...]
    """What is missing and has no stand-in."""


def weather_answer(drive: AnalysedDrive) -> WeatherAnswer:
    """The weather kept with a drive. WeatherError where what was kept cannot be read."""
    air = drive.standard
    return WeatherAnswer(
        drive=drive.id,
        weather=_kept(drive.weather) if drive.drive.manifest.weather is not None else None,
        words=weather.described(drive.weather, drive.unit),
        density_kg_per_m3=air.density_kg_per_m3,
        density_altitude_m=air.density_altitude_m,
        factors=air.factors,
        far=abs(air.factors.get("SAE J1349", 1.0) - 1) > weather.FAR_FACTOR,
        assumed=air.assumed,
        missing=air.missing,
    )


def keep_weather(
    drive: AnalysedDrive,
    *,
    clear: bool = False,
    metar: str | None = None,
    temperature_k: float | None = None,
    pressure_pa: float | None = None,
    qnh_pa: float | None = None,
    humidity: float | None = None,
    dew_point_k: float | None = None,
    wind_mps: float | None = None,
    wind_from_deg: float | None = None,
    elevation_m: float | None = None,
) -> WeatherAnswer:
    """Keep weather with a drive; what is not given stays as it was, or unknown.

    Parameters
    ----------
    clear : bool
        Forget what was kept before.
    metar : str, optional
        A report of an airfield nearby, in place of what was kept before.
    pressure_pa, qnh_pa : float, optional
        Pressure at the place, or reduced to sea level [Pa].
    humidity : float, optional
        Relative, as a share.
    elevation_m : float, optional
        Of the place [m]; by default that of the car's file.

    Raises
    ------
    WeatherError
        Where what is given contradicts itself, cannot be, or needs more to be used.
    """
    before = weather.Weather() if clear or metar is not None else drive.weather
    own = drive.car.car.elevation_m if drive.car else None
    day = drive.drive.manifest.started_utc.date()
    read = given(
        before, own, day, metar=metar, temperature_k=temperature_k, pressure_pa=pressure_pa, qnh_pa=qnh_pa,
        humidity=humidity, dew_point_k=dew_point_k, wind_mps=wind_mps, wind_from_deg=wind_from_deg,
        place_m=elevation_m,
    )  # fmt: skip
    if read == before and not clear:
        return weather_answer(drive)
    kept: dict[str, Any] | None = read.model_dump(mode="json", exclude_none=True)
    what = f"weather given: {weather.described(read, drive.unit)}"
    if read == weather.Weather():
        kept, what = None, "weather cleared"
    return weather_answer(AnalysedDrive(drive.drive.amend(what, weather=kept), drive.targets))


def _kept(of: Weather) -> KeptWeather:
    return KeptWeather(
        temperature_c=of.temperature_c,
        pressure_hpa=of.pressure_hpa,
        humidity_percent=of.humidity_percent,
        wind_mps=of.wind_mps,
        wind_from_deg=of.wind_from_deg,
        gust_mps=of.gust_mps,
        elevation_m=of.elevation_m,
        observed_utc=of.observed_utc,
        source=of.source,
    )
