"""The verb `complete`: asks for what the drives of an outing lack, with the morning's values carried on.

`pullbook record` asks the same when it was ended by hand and a drive lacks something.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import open_store
from analysis.wording import plural
from logger.cli.asking import Answers
from logger.cli.printing import StoreOption, console, tell
from logger.errors import InputError, NoAnswer
from logger.units import parse_quantity

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.answers.lacking import Lacks
    from analysis.answers.weather import KeptWeather
    from analysis.conditions.weather import Weather
    from analysis.store import DriveStore

app = typer.Typer()

NOTHING = "-"
_HOW = """\
Setup and weather, for comparing. Enter takes what is in [ ], - leaves it open,
Ctrl-C stops. `pullbook complete` asks again."""


@app.command(epilog="Example: pullbook complete")
def complete(
    drive: Annotated[
        list[str] | None,
        typer.Argument(metavar="[DRIVE]...", help="Drives. By default all of the newest drive's day.",
                       show_default=False),
    ] = None,
    store: StoreOption = None,
) -> None:  # fmt: skip
    """Ask for what drives are missing: setup, weather, a note. It offers the answers of the same day's drives."""
    from analysis.answers.lacking import lacking_of, last_outing

    opened = open_store(store)
    names = [opened.drive(name).id for name in drive] if drive else last_outing(opened)
    if not names:
        raise NoAnswer(f"{opened.path}: there is no drive yet")
    found = lacking_of(opened, names)
    if any(each.no_setup or each.no_weather for each in found):
        tell(_HOW)
    else:
        has = "has its" if len(found) == 1 else "have their"
        console().print(f"Nothing is missing: {plural(len(found), 'drive')} {has} setup and weather.")
    _ask_all(opened, found)


def offer(store: Path, names: Sequence[str]) -> None:
    """Ask at the end of recording, where a drive lacks something; Ctrl-C leaves it at that."""
    from analysis.answers.lacking import lacking_of

    opened = open_store(store)
    found = [each for each in lacking_of(opened, names) if each.no_setup or each.no_weather]
    if not found:
        return
    tell(f"\n{_HOW}")
    try:
        _ask_all(opened, found)
    except (InputError, KeyboardInterrupt, EOFError) as error:
        tell(f"\nLeft open{f': {error}' if isinstance(error, InputError) else '.'}")


def _ask_all(store: DriveStore, found: Sequence[Lacks]) -> None:
    answers, setup = Answers(), None
    weather: Weather | KeptWeather | None = None
    for each in found:
        setup, weather = setup or each.setup, weather or each.weather
        console().print(f"{each.drive.id}:")
        if each.no_setup:
            setup = _ask_setup(store, each, answers, setup)
        if each.no_weather:
            weather = _ask_weather(each, answers, weather)
        _ask_note(each, answers)


def _ask_setup(store: DriveStore, each: Lacks, answers: Answers, guess: str | None) -> str | None:
    from analysis.answers.lacking import setup_called
    from analysis.answers.setups import set_right

    if not each.setups:
        tell("  No setup is known yet: `pullbook set PART=VALUE ...` makes the first one.")
        return None

    def read(text: str) -> str:
        if text != NOTHING:
            setup_called(store, text)
        return text

    tell(f"  setups: {', '.join(each.setups)}")
    name = answers.ask("", "  Which was fitted", read, guess)
    if name == NOTHING:
        return guess
    set_right(each.drive, setup_called(store, name), "given after the drive")
    return name


def _ask_weather(each: Lacks, answers: Answers, guess: Weather | KeptWeather | None) -> Weather | KeptWeather | None:
    from analysis.answers.weather import keep_weather
    from analysis.conditions.weather import WeatherError

    had = {} if guess is None else guess.model_dump(exclude_none=True)

    def asked(question: str, key: str, unit: str, example: str) -> float | None:
        offered = f"{had[key]:g}{unit}" if key in had else NOTHING
        return answers.ask("", f"  {question}, such as {example}", _or_nothing(_SI[unit]), offered)

    while True:
        temperature = asked("Temperature", "temperature_c", "C", "17C or 63F")
        if temperature is None:
            return guess  # without it nothing can be corrected
        pressure = asked("Pressure at the place itself", "pressure_hpa", "hPa", "1009hPa or 29.8inHg")
        humidity = asked("Humidity", "humidity_percent", "%", "59%")
        wind = asked("Wind", "wind_mps", "m/s", "1.2m/s or 5mph")
        whence = asked("Wind from, in degrees", "wind_from_deg", "deg", "250deg") if wind else None
        try:
            return keep_weather(
                each.drive, temperature_k=temperature, pressure_pa=pressure, humidity=humidity, wind_mps=wind,
                wind_from_deg=whence,
            ).weather  # fmt: skip
        except WeatherError as error:
            tell(f"  {error}")


_SI = {"C": "kelvin", "hPa": "Pa", "%": "1", "m/s": "m/s", "deg": "degree"}


def _or_nothing(unit: str) -> Callable[[str], float | None]:
    def read(text: str) -> float | None:
        if text == NOTHING:
            return None
        if unit == "degree":
            return float(parse_quantity(text.removesuffix("deg").strip(), "1"))
        return parse_quantity(text, unit)

    return read


def _ask_note(each: Lacks, answers: Answers) -> None:
    from analysis.answers.lacking import note_afterwards

    text = answers.ask("", "  A note for it", str, "")
    if text.strip() and text != NOTHING:
        note_afterwards(each.drive, text.strip())
