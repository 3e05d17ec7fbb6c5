"""The verb `weather`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import open_store
from analysis.wording import way_text
from logger.cli.printing import JsonOption, StoreOption, console, print_json
from logger.errors import InputError
from logger.units import parse_quantity

if TYPE_CHECKING:
    from analysis.answers.weather import WeatherAnswer


app = typer.Typer()


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
    from analysis.answers.weather import keep_weather, weather_answer

    drive = open_store(store).drive(name)
    given = (temperature, pressure, qnh, humidity, dew_point, wind, wind_from, metar, elevation)
    if clear or any(each is not None for each in given):
        found = keep_weather(
            drive,
            clear=clear,
            metar=metar,
            temperature_k=_asked(temperature, "kelvin"),
            pressure_pa=_asked(pressure, "Pa"),
            qnh_pa=_asked(qnh, "Pa"),
            humidity=_humidity(humidity),
            dew_point_k=_asked(dew_point, "kelvin"),
            wind_mps=_asked(wind, "m/s"),
            wind_from_deg=wind_from,
            elevation_m=_asked(elevation, "m"),
        )
    else:
        found = weather_answer(drive)
    print_json(found.to_json()) if json else _print_weather(found, drive.unit)


def _asked(text: str | None, unit: str) -> float | None:
    return None if text is None else parse_quantity(text, unit)


def _humidity(text: str | None) -> float | None:
    share = _asked(text, "1")
    if share is not None and share > 1:
        raise InputError(f"--humidity: found {text!r}, expected a share such as 59% or 0.59")
    return share


def _print_weather(found: WeatherAnswer, unit: str) -> None:
    out = console()
    out.print(f"{found.drive}: {found.words}")
    if found.missing:
        out.print(f"  {' and '.join(found.missing)} missing: no density, times stay as driven")
        return
    height = found.density_altitude_m
    out.print(f"  air density            {found.density_kg_per_m3:.4f} kg/m3")
    out.print(f"  density altitude       {way_text(height, unit)}")
    for name, factor in found.factors.items():
        out.print(f"  {name:<22} {factor:.4f} on engine output")
    for line in found.assumed:
        out.print(f"  {line}")
    if found.far:
        out.print("  The correction is more than 7 %: wait for another day, or trust corrected times little.")
