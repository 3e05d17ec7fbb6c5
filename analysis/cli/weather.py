"""The verb `weather`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.cli.printing import JsonOption, StoreOption, print_json
from logger.errors import InputError
from logger.units import parse_quantity

if TYPE_CHECKING:
    from analysis.conditions.weather import Air, Weather


app = typer.Typer()


# --- weather ------------------------------------------------------------------------------------------------------


@app.command()
def weather(
    name: Annotated[str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, or last.")] = "last",
    temperature: Annotated[str | None, typer.Option(help="Such as 17C or 63F.", show_default=False)] = None,
    pressure: Annotated[
        str | None, typer.Option(help="At the place itself, such as 1009hPa or 29.8inHg.", show_default=False)
    ] = None,
    qnh: Annotated[
        str | None,
        typer.Option("--qnh", help="Pressure reduced to sea level, as airfields tell it; needs the elevation.",
                     show_default=False),
    ] = None,
    humidity: Annotated[str | None, typer.Option(help="Relative, such as 59%.", show_default=False)] = None,
    dew_point: Annotated[
        str | None, typer.Option("--dew-point", help="In place of humidity, such as 9C.", show_default=False)
    ] = None,
    wind: Annotated[str | None, typer.Option(help="Such as 1.2m/s or 5mph.", show_default=False)] = None,
    wind_from: Annotated[
        float | None, typer.Option("--wind-from", help="Where the wind comes from, in degrees.", show_default=False)
    ] = None,
    metar: Annotated[
        str | None, typer.Option(help="A METAR report of an airfield nearby, pasted whole.", show_default=False)
    ] = None,
    elevation: Annotated[
        str | None, typer.Option(help="Of the place, such as 21m; by default the car file's.", show_default=False)
    ] = None,
    clear: Annotated[bool, typer.Option("--clear", help="Forget what was given before.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Show or give the weather of a drive: typed in, or from a METAR report. What is left out stays unknown."""
    from analysis.conditions.weather import air_of, from_metar, humidity_from_dew_point, read_weather, station_pressure
    from logger.store.drive import default_store, open_drive

    drive = open_drive(store or default_store(), name)
    own = drive.car.car.elevation_m if drive.car else None
    height = parse_quantity(elevation, "m") if elevation is not None else None
    values: dict[str, Any] = {} if clear or metar else dict(drive.manifest.weather or {})
    given: dict[str, Any] = {}
    if metar is not None:
        given |= from_metar(metar, height if height is not None else own, drive.manifest.started_utc.date()).model_dump(
            mode="json", exclude_none=True
        )
    if height is not None:
        given["elevation_m"] = height
    if temperature is not None:
        given["temperature_c"] = round(parse_quantity(temperature, "kelvin") - 273.15, 2)
    if pressure is not None and qnh is not None:
        raise InputError("--pressure and --qnh are two names for one thing: give one")
    if pressure is not None:
        given["pressure_hpa"] = round(parse_quantity(pressure, "Pa") / 100, 2)
    place = given.get("elevation_m", values.get("elevation_m", own))
    if qnh is not None:
        if place is None:
            raise InputError("--qnh: the pressure at the place follows with its elevation: add --elevation 21m")
        given["pressure_hpa"] = round(float(station_pressure(parse_quantity(qnh, "Pa"), place)) / 100, 2)
    if humidity is not None and dew_point is not None:
        raise InputError("--humidity and --dew-point tell the same: give one")
    if humidity is not None:
        share = parse_quantity(humidity, "1")
        if share > 1:
            raise InputError(f"--humidity: found {humidity!r}, expected a share such as 59% or 0.59")
        given["humidity_percent"] = round(100 * share, 1)
    if dew_point is not None:
        t = given.get("temperature_c", values.get("temperature_c"))
        if t is None:
            raise InputError("--dew-point: the humidity follows with the temperature: add --temperature 17C")
        share = float(humidity_from_dew_point(t + 273.15, parse_quantity(dew_point, "kelvin")))
        if share > 1.02:
            raise InputError(f"--dew-point: found {dew_point!r}, expected one at or below the temperature of {t:g} C")
        given["humidity_percent"] = round(min(100 * share, 100.0), 1)
    if wind is not None:
        given["wind_mps"] = round(parse_quantity(wind, "m/s"), 2)
    if wind_from is not None:
        given["wind_from_deg"] = wind_from
    if given or clear:
        if given and metar is None:
            given.setdefault("source", "typed in")
        read = read_weather({**values, **given})
        kept = read.model_dump(mode="json", exclude_none=True) if given or not clear else None
        drive = drive.amend(
            "weather cleared" if kept is None else f"weather given: {_weather_line(read)}", weather=kept
        )
    found = read_weather(drive.manifest.weather)
    air = air_of(found, own)
    if json:
        print_json(
            {
                "drive": drive.id,
                "weather": drive.manifest.weather,
                "density_kg_per_m3": air.density_kg_per_m3,
                "density_altitude_m": air.density_altitude_m,
                "factors": air.factors,
                "assumed": list(air.assumed),
                "missing": list(air.missing),
            }
        )
        return
    print(f"{drive.id}: {_weather_line(found)}")
    _print_air(air)


def _weather_line(weather: Weather) -> str:
    said = []
    if weather.temperature_c is not None:
        said.append(f"{weather.temperature_c:g} C")
    if weather.pressure_hpa is not None:
        said.append(f"{weather.pressure_hpa:g} hPa at the place")
    if weather.humidity_percent is not None:
        said.append(f"{weather.humidity_percent:g} % humidity")
    if weather.wind_mps is not None:
        bearing = f" from {weather.wind_from_deg:g} deg" if weather.wind_from_deg is not None else ""
        gust = f", gusts {weather.gust_mps:g}" if weather.gust_mps is not None else ""
        said.append(f"wind {weather.wind_mps:g} m/s{bearing}{gust}")
    return ", ".join(said) or "no weather given"


def _print_air(air: Air) -> None:
    from analysis.conditions.weather import FAR_FACTOR

    if air.missing:
        print(f"  {' and '.join(air.missing)} missing: no density, times stay as driven")
        return
    print(f"  air density            {air.density_kg_per_m3:.4f} kg/m3")
    print(f"  density altitude       {air.density_altitude_m:.0f} m ({air.density_altitude_m / 0.3048:.0f} ft)")
    for name, factor in air.factors.items():
        print(f"  {name:<22} {factor:.4f} on engine output")
    for line in air.assumed:
        print(f"  {line}")
    if abs(air.factors["SAE J1349"] - 1) > FAR_FACTOR:
        print("  The correction is more than 7 %: wait for another day, or trust corrected times little.")
