"""The verb `weather`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from analysis.answers import typed
from analysis.cli.options import open_store
from analysis.wording import way_text
from logger.cli.printing import JsonOption, StoreOption, console, print_json

if TYPE_CHECKING:
    from analysis.answers.weather import WeatherAnswer


app = typer.Typer()


@app.command(epilog="Example: pullbook weather last --temperature 17C --pressure 1015hPa")
def weather(
    name: Annotated[str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, or last.")] = "last",
    temperature: Annotated[str | None, typer.Option(help="Such as 17C or 63F.", show_default=False)] = None,
    pressure: Annotated[
        str | None, typer.Option(help="Pressure at the place itself, such as 1009hPa or 29.8inHg.", show_default=False)
    ] = None,
    qnh: Annotated[
        str | None,
        typer.Option("--qnh", help="Pressure at sea level, as airfields give it. Needs the elevation.",
                     show_default=False),
    ] = None,
    humidity: Annotated[str | None, typer.Option(help="Relative humidity, such as 59%.", show_default=False)] = None,
    dew_point: Annotated[
        str | None, typer.Option("--dew-point", help="Instead of humidity, such as 9C.", show_default=False)
    ] = None,
    wind: Annotated[str | None, typer.Option(help="Wind speed, such as 1.2m/s or 5mph.", show_default=False)] = None,
    wind_from: Annotated[
        float | None, typer.Option("--wind-from", help="Direction the wind comes from, in degrees.", show_default=False)
    ] = None,
    metar: Annotated[
        str | None, typer.Option(help="The METAR report of an airfield nearby, pasted whole.", show_default=False)
    ] = None,
    elevation: Annotated[
        str | None, typer.Option(help="Elevation of the place, such as 21m. By default the car "
        "file's.", show_default=False)
    ] = None,
    clear: Annotated[bool, typer.Option("--clear", help="Remove the weather given before.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Show or add the weather of a drive: typed in, or from a METAR report. What you leave out stays unknown."""
    from analysis.answers.weather import weather_answer

    drive = open_store(store).drive(name)
    given = (temperature, pressure, qnh, humidity, dew_point, wind, wind_from, metar, elevation)
    if clear or any(each is not None for each in given):
        found = typed.keep_typed_weather(
            drive, clear=clear, metar=metar, temperature=temperature, pressure=pressure, qnh=qnh, humidity=humidity,
            dew_point=dew_point, wind=wind, wind_from=wind_from, elevation=elevation,
        )  # fmt: skip
    else:
        found = weather_answer(drive)
    print_json(found.to_json()) if json else _print_weather(found, drive.unit)


def _print_weather(found: WeatherAnswer, unit: str) -> None:
    out = console()
    out.print(f"{found.drive}: {found.words}")
    if found.missing:
        out.print(f"  {' and '.join(found.missing)} missing, so there is no density and times stay as driven")
        return
    height = found.density_altitude_m
    out.print(f"  air density            {found.density_kg_per_m3:.4f} kg/m3")
    out.print(f"  density altitude       {way_text(height, unit)}")
    for name, factor in found.factors.items():
        out.print(f"  {name:<22} {factor:.4f} on engine output")
    for line in found.assumed:
        out.print(f"  {line}")
    if found.far:
        out.print("  The correction is more than 7 %. Wait for another day, or do not rely on corrected times.")
