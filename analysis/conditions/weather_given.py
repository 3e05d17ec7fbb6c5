"""Weather as it is given for a drive: typed in, or from a METAR report.

    weather = given(before, 21.0, day, temperature_k=290.15, qnh_pa=101_500, dew_point_k=282.15)
    weather = from_metar("METAR EGXX 021150Z 24005KT 9999 SCT030 17/09 Q1015", 21.0, day)

References
----------
[1] WMO-No. 306, Manual on Codes, volume I.1, FM 15 METAR; QNH as in ICAO Doc 8896, Manual of Aeronautical
    Meteorological Practice: station pressure brought to sea level along the standard atmosphere.
"""

from __future__ import annotations

import datetime
import warnings
from typing import Any

from analysis.conditions.weather import (
    Weather,
    WeatherError,
    humidity_from_dew_point,
    read_weather,
    station_pressure,
)
from logger.units import PA_PER_HPA, celsius_of_kelvin, kelvin_of_celsius


def given(
    before: Weather,
    elevation_m: float | None,
    day: datetime.date,
    *,
    metar: str | None = None,
    temperature_k: float | None = None,
    pressure_pa: float | None = None,
    qnh_pa: float | None = None,
    humidity: float | None = None,
    dew_point_k: float | None = None,
    wind_mps: float | None = None,
    wind_from_deg: float | None = None,
    place_m: float | None = None,
) -> Weather:
    """The weather `before` with what is newly said of it: a METAR report first, then what was typed in.

    Parameters
    ----------
    elevation_m : float or None
        Where the drive was, where nobody says `place_m` and the weather does not know it [m].
    day : date
        Of the drive; settles the month of a report.
    pressure_pa, qnh_pa : float, optional
        Pressure at the place, or reduced to sea level, which needs an elevation [Pa].
    humidity : float, optional
        Relative, as a share; `dew_point_k` [K] in its place needs a temperature.

    Raises
    ------
    WeatherError
        Where two options say one thing, one needs another, or a value cannot be.
    """
    if pressure_pa is not None and qnh_pa is not None:
        raise WeatherError("--pressure and --qnh both give the pressure. Give one of them.")
    if humidity is not None and dew_point_k is not None:
        raise WeatherError("--humidity and --dew-point both give the humidity. Give one of them.")
    said: dict[str, Any] = {}
    if metar is not None:
        said |= from_metar(metar, elevation_m if place_m is None else place_m, day).model_dump(exclude_none=True)
    typed = {
        "elevation_m": place_m,
        "temperature_c": None if temperature_k is None else round(celsius_of_kelvin(temperature_k), 2),
        "pressure_hpa": None if pressure_pa is None else round(pressure_pa / PA_PER_HPA, 2),
        "humidity_percent": None if humidity is None else round(100 * humidity, 1),
        "wind_mps": None if wind_mps is None else round(wind_mps, 2),
        "wind_from_deg": wind_from_deg,
    }
    said |= {key: value for key, value in typed.items() if value is not None}
    if qnh_pa is not None:
        place = said.get("elevation_m", before.elevation_m if before.elevation_m is not None else elevation_m)
        if place is None:
            raise WeatherError("--qnh: this needs the elevation of the place. Add --elevation 21m.")
        said["pressure_hpa"] = round(float(station_pressure(qnh_pa, place)) / PA_PER_HPA, 2)
    if dew_point_k is not None:
        said["humidity_percent"] = _percent_of_dew_point(said.get("temperature_c", before.temperature_c), dew_point_k)
    if said and metar is None:
        said.setdefault("source", "typed in")
    return read_weather({**before.model_dump(exclude_none=True), **said})


def _percent_of_dew_point(temperature_c: float | None, dew_point_k: float) -> float:
    if temperature_c is None:
        raise WeatherError("--dew-point: this needs the temperature. Add --temperature 17C.")
    share = float(humidity_from_dew_point(kelvin_of_celsius(temperature_c), dew_point_k))
    if share > 1.02:
        raise WeatherError(
            f"--dew-point: found {celsius_of_kelvin(dew_point_k):.4g} C, which is above the temperature of "
            f"{temperature_c:g} C"
        )
    return round(min(100 * share, 100.0), 1)


# --- METAR ----------------------------------------------------------------------------------------------------------


def from_metar(report: str, elevation_m: float | None, day: datetime.date | None = None) -> Weather:
    """The weather of a pasted METAR or SPECI report [1], at a field of `elevation_m`.

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
        raise WeatherError(f"--metar: not a METAR report: {text[:40]!r}...") from error
    if found.temp is None or found.station_id is None:
        raise WeatherError(f"--metar: the report has no temperature group (such as 17/09): {text[:60]!r}")
    temperature = float(found.temp.value("C"))
    humidity = None
    if found.dewpt is not None:
        share = float(humidity_from_dew_point(kelvin_of_celsius(temperature), float(found.dewpt.value("K"))))
        humidity = min(round(100 * share, 1), 100.0)
    pressure = None
    if found.press is not None and elevation_m is not None:
        pressure = round(
            float(station_pressure(float(found.press.value("HPA")) * PA_PER_HPA, elevation_m)) / PA_PER_HPA, 2
        )
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
