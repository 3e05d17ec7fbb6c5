"""What an owner types for an answer, read: fuel, weather, the air to come, moments of a video, parts. Units end here.

Each reader takes text as options or entries of a form hold it, None for what was left out, and raises InputError with
one line that begins with the option's name, so that either face can say where it belongs.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Literal

from logger.errors import InputError
from logger.units import S_PER_HOUR, S_PER_MINUTE, convert, parse_quantity, parse_speed

if TYPE_CHECKING:
    from analysis.answers.export import ExportFormat, ExportSpeed
    from analysis.answers.weather import WeatherAnswer
    from analysis.conditions.weather import Weather
    from analysis.drive import AnalysedDrive
    from analysis.road.fuel_used import Used
    from logger.config.setup import PartValue


def quantity(option: str, text: str | None, unit: str) -> float | None:
    """A number with its unit in the SI `unit`; None where nothing was typed."""
    if text is None:
        return None
    try:
        return parse_quantity(text, unit)
    except InputError as error:
        raise InputError(f"{option}: {error}") from error


def speed(option: str, text: str | None) -> float | None:
    """A speed above zero [m/s]; None where nothing was typed."""
    if text is None:
        return None
    try:
        return parse_speed(text)
    except InputError as error:
        raise InputError(f"{option}: {error}") from error


def above_zero(option: str, value: float, text: str) -> float:
    """The value; InputError where it is not above zero."""
    if value <= 0:
        raise InputError(f"{option}: {text!r} is not above zero")
    return value


def share(option: str, text: str, low: float = 1e-4, high: float = 1.0) -> float:
    """A share such as 3%, between two bounds [-]."""
    value = quantity(option, text, "1")
    assert value is not None
    if not low <= value <= high:
        raise InputError(f"{option}: {text!r} is out of range. Write {100 * low:g}% to {100 * high:g}%")
    return value


def band(text: str | None) -> tuple[float, float] | None:
    """Two speeds with a dash between them, rising [m/s]; None where nothing was typed."""
    if text is None:
        return None
    low, dash, high = text.partition("-")
    if not dash:
        raise InputError(f"--band: {text!r} is not a band. Write two speeds, such as 45mph-50mph.")
    if low.strip().replace(".", "").isdigit():  # 45-50mph
        low += "".join(c for c in high if not (c.isdigit() or c in ". "))
    speeds = speed("--band", low), speed("--band", high)
    assert speeds[0] is not None and speeds[1] is not None
    if speeds[0] >= speeds[1]:
        raise InputError(f"--band: {text!r} does not rise. Write the lower speed first, such as 45mph-50mph.")
    return speeds[0], speeds[1]


# --- fuel and weather ---------------------------------------------------------------------------------------------


def fuel_of(
    drive: AnalysedDrive,
    *,
    used: str | None = None,
    by_weight: str | None = None,
    sigma: str | None = None,
    fuel_temp: str | None = None,
    held: str | None = None,
) -> Used:
    """The fuel of a loop as typed, with what the car's file adds; `held` is the band of speeds to be held."""
    from analysis.answers.fuel import used_fuel

    if used is not None and by_weight is not None:
        raise InputError("--used and --by-weight both give the fuel. Give one of them.")
    band_mps = band(held)
    unit = "kg" if used is None else "m**3"
    error = quantity("--sigma", sigma, unit)
    if error is not None and sigma is not None:
        above_zero("--sigma", error, sigma)
    if used is not None:
        volume = above_zero("--used", quantity("--used", used, unit) or 0.0, used)
        warm = quantity("--fuel-temp", fuel_temp, "kelvin")
        if warm is not None and not 230 <= warm <= 340:
            raise InputError(f"--fuel-temp: {fuel_temp!r} is not a temperature of fuel. Write -40 to 65 C.")
        return used_fuel(drive, volume_m3=volume, sigma=error, fuel_k=warm, band_mps=band_mps)
    if by_weight is None:
        raise InputError("--used: write the fuel used, such as 0.84gal, or give its weight")
    if fuel_temp is not None:
        raise InputError("--fuel-temp: a weight needs no temperature. Leave it out, or give a volume with --used.")
    mass = above_zero("--by-weight", quantity("--by-weight", by_weight, unit) or 0.0, by_weight)
    return used_fuel(drive, mass_kg=mass, sigma=error, band_mps=band_mps)


def keep_typed_weather(
    drive: AnalysedDrive,
    *,
    clear: bool = False,
    metar: str | None = None,
    temperature: str | None = None,
    pressure: str | None = None,
    qnh: str | None = None,
    humidity: str | None = None,
    dew_point: str | None = None,
    wind: str | None = None,
    wind_from: float | str | None = None,
    elevation: str | None = None,
) -> WeatherAnswer:
    """Keep weather with a drive as typed; see `weather.keep_weather`."""
    from analysis.answers.weather import keep_weather

    return keep_weather(
        drive,
        clear=clear,
        metar=metar,
        temperature_k=quantity("--temperature", temperature, "kelvin"),
        pressure_pa=quantity("--pressure", pressure, "Pa"),
        qnh_pa=quantity("--qnh", qnh, "Pa"),
        humidity=_humidity(humidity),
        dew_point_k=quantity("--dew-point", dew_point, "kelvin"),
        wind_mps=quantity("--wind", wind, "m/s"),
        wind_from_deg=_degrees(wind_from),
        elevation_m=quantity("--elevation", elevation, "m"),
    )


def _humidity(text: str | None) -> float | None:
    found = quantity("--humidity", text, "1")
    if found is not None and found > 1:
        raise InputError(f"--humidity: found {text!r}, expected a share such as 59% or 0.59")
    return found


def _degrees(text: float | str | None) -> float | None:
    try:
        return None if text is None else float(text)
    except ValueError as error:
        raise InputError(f"--wind-from: found {text!r}, expected degrees such as 250") from error


def air_to_come(temperature: str | None, pressure: str | None, humidity: str | None) -> Weather | None:
    """The air that something is asked for; None where nothing says it."""
    from analysis.conditions.weather import read_weather

    if temperature is None:
        if pressure or humidity:
            raise InputError("--pressure and --humidity need --temperature as well")
        return None
    kelvin, pascal = quantity("--temperature", temperature, "kelvin"), quantity("--pressure", pressure, "Pa")
    damp = quantity("--humidity", humidity, "1")
    assert kelvin is not None
    return read_weather(
        {
            "temperature_c": convert(kelvin, "kelvin", "degC"),
            "pressure_hpa": None if pascal is None else convert(pascal, "Pa", "hPa"),
            "humidity_percent": None if damp is None else convert(damp, "1", "percent"),
        }
    )


# --- parts --------------------------------------------------------------------------------------------------------


def part_gone(text: str) -> tuple[str, PartValue]:
    """A part and its value that the owner no longer has, as `--gone` names them."""
    import tomllib

    part, _, value = text.partition("=")
    if not (part.strip() and value.strip()):
        raise InputError(f"--gone {text!r}: not a part and its value. Write it as snorkel=short.")
    try:
        read = tomllib.loads(f"v = {value}")["v"]
    except tomllib.TOMLDecodeError:
        read = value.strip()
    return part.strip(), read if isinstance(read, bool | int | float | str) else value.strip()


# --- videos and files ---------------------------------------------------------------------------------------------

_NTSC = {23.976: 24000 / 1001, 23.98: 24000 / 1001, 29.97: 30000 / 1001, 59.94: 60000 / 1001, 119.88: 120000 / 1001}


def moment(option: str, text: str) -> datetime | float:
    """A time with its zone, or by +time the seconds since the drive started."""
    if text.startswith("+"):
        return video_time(option, text[1:], 30.0)
    try:
        when = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(
            f"{option}: found {text!r}, expected a time such as 2026-05-02T09:20:05.4Z, or +1:23.4 into the drive"
        ) from error
    if when.tzinfo is None:
        raise InputError(f"{option}: {text!r} has no time zone. Write it in UTC with a Z at the end, or with +02:00.")
    return when


def rate(fps: float) -> float:
    """Frames a second, those of NTSC as they truly are."""
    if not 1 <= fps <= 1000:
        raise InputError(f"--fps: found {fps:g}, expected frames a second such as 30 or 29.97")
    return _NTSC.get(fps, fps)


def video_time(option: str, text: str, fps: float) -> float:
    """1:02:03.4, 2:03.4, 123.4, 123.4s, 2min or, with frames a second, 2502f, in seconds."""
    frames = rate(fps)
    if match := re.fullmatch(r"(\d+)\s*f", text.strip()):
        return int(match[1]) / frames
    if match := re.fullmatch(r"(?:(?:(\d+):)?(\d{1,2}):)?(\d+(?:\.\d*)?)\s*s?", text.strip()):
        hours, minutes, seconds = (float(part or 0) for part in match.groups())
        if match[2] is None or seconds < S_PER_MINUTE:
            return hours * S_PER_HOUR + minutes * S_PER_MINUTE + seconds
    try:
        return parse_quantity(text, "s")
    except InputError as error:
        raise InputError(f"{option}: found {text!r}, expected a time such as 1:23.4, 83.4s or 2502f") from error


FORMATS: tuple[ExportFormat, ...] = ("csv", "parquet", "gpx", "geojson")
SPEEDS: tuple[ExportSpeed, ...] = ("mph", "km/h", "m/s")


def export_format(option: str, text: str) -> ExportFormat:
    """What a drive is written as."""
    return _one_of(f"{option}: {text!r} is not a format. Write csv, parquet, gpx or geojson.", text, FORMATS)


def export_speed(text: str | None) -> ExportSpeed | None:
    """The unit of the speeds in a CSV; None for the car's own."""
    if text is None:
        return None
    for unit in SPEEDS:
        if text == unit:
            return unit
    raise InputError(f"--units: found {text!r}, expected mph, km/h or m/s")


def _one_of(wrong: str, text: str, known: Sequence[Literal["csv", "parquet", "gpx", "geojson"]]) -> ExportFormat:
    for kind in known:
        if text == kind:
            return kind
    raise InputError(wrong)
