"""The verb `jets`."""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import ChannelOption, TargetsOption, UnitsOption, open_store, read_targets, units_of
from analysis.wording import (
    FULL_THROTTLE_OF_DRIVE,
    FULL_THROTTLE_OF_SETUP,
    channel_digits,
    channel_label,
    load_label,
    number,
    plural,
    sentence,
    speed_range,
)
from logger.cli.printing import JsonOption, StoreOption, console, print_json, say, table
from logger.errors import InputError
from logger.units import convert, parse_quantity, speed_label

if TYPE_CHECKING:
    from analysis.answers.jets import JetsAnswer
    from analysis.conditions.weather import Weather

app = typer.Typer()


@app.command(name="jets")
def jets_(
    name: Annotated[
        str, typer.Argument(metavar="DRIVE", help="A drive of the setup in question: its id, its path, or last.")
    ] = "last",
    own: Annotated[
        Path | None,
        typer.Option("--jets", help="Your own jets; by default jets.toml in the store, if any.", show_default=False),
    ] = None,
    temperature: Annotated[
        str | None, typer.Option("--temperature", help="Of the air you will drive in, such as 31C.", show_default=False)
    ] = None,
    pressure: Annotated[
        str | None, typer.Option("--pressure", help="Of that air at the place, such as 1009hPa.", show_default=False)
    ] = None,
    humidity: Annotated[
        str | None, typer.Option("--humidity", help="Of that air, such as 60%.", show_default=False)
    ] = None,
    fuel: Annotated[
        str | None,
        typer.Option("--fuel", help="What you will burn, such as E10; by default what the car's file says.",
                     show_default=False),
    ] = None,
    channel: ChannelOption = None,
    targets: TargetsOption = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Which main jet to try next: what full throttle asks for, and what each jet that can be had would give."""
    from analysis.answers.jets import jets_answer
    from logger.config.reading import load
    from logger.config.setup import JetsConfig

    opened = open_store(store, read_targets(targets))
    drive = opened.drive(name)
    quiet = json or not sys.stderr.isatty()
    answer = jets_answer(
        opened,
        drive,
        own=load(own, JetsConfig) if own is not None else None,
        air=_air_to_come(temperature, pressure, humidity),
        fuel=fuel,
        channel=channel,
        unit=units_of(units, drive),
        progress=lambda each: None if quiet else say(f"reading {each}"),
    )
    if json:
        print_json(answer.to_json())
    else:
        _print_jets(answer)


def _air_to_come(temperature: str | None, pressure: str | None, humidity: str | None) -> Weather | None:
    """The air that the jet is for; None where the options do not say."""
    from analysis.conditions.weather import read_weather

    if temperature is None:
        if pressure or humidity:
            raise InputError("--pressure and --humidity need --temperature beside them")
        return None
    return read_weather(
        {
            "temperature_c": convert(parse_quantity(temperature, "kelvin"), "kelvin", "degC"),
            "pressure_hpa": convert(parse_quantity(pressure, "Pa"), "Pa", "hPa") if pressure else None,
            "humidity_percent": convert(parse_quantity(humidity, "1"), "1", "percent") if humidity else None,
        }
    )


def _print_jets(answer: JetsAnswer) -> None:
    out, now, target, digits = console(), answer.now, answer.target, channel_digits(answer.channel)
    name = channel_label(answer.channel)
    out.print(
        f"Full throttle with the {now.diameter_mm:.3f} mm main jet: {name} {number(now.value, digits)} "
        f"({number(now.low, digits)} to {number(now.high, digits)}), from {plural(now.drives, 'drive')} of this setup; "
        f"target {number(target.low, digits)} to {number(target.high, digits)}."
    )
    out.print(_which_full_throttle(answer) + "\n")
    out.print(answer.says)
    if answer.verdict != "keep":
        out.print(
            f"The middle of the target asks for {answer.wanted_mm:.3f} mm "
            f"({answer.wanted_low_mm:.3f} to {answer.wanted_high_mm:.3f})."
        )
    out.print()
    rows = [
        [
            ("> " if each == answer.choice else "") + each.jet, f"{each.diameter_mm:.3f}", number(each.value, digits),
            f"{number(each.low, digits)}-{number(each.high, digits)}", number(each.by_area_rule, digits),
            f"{each.chance_in:.0%}", f"{each.chance_lean:.0%}", "" if each.allowed else "too lean",
        ]
        for each in answer.expected
    ]  # fmt: skip
    out.print(table(["jet", "mm", "gives", "95 %", "by area", "in target", "lean", "step"], rows, left=()))
    out.print(
        "Gives: full throttle with that jet, its 95 % interval, and by the area rule alone. In target, lean: the "
        "chances to land in the target, and of the leanest speeds to land beyond its lean end. Step: too lean for one "
        "step, as holes vary."
    )
    out.print()
    for line in (
        _sensor_sentence(answer),
        answer.response.says,
        _air_sentence(answer),
        *_fuel_lines(answer),
        *_circuit_lines(answer),
    ):
        out.print(line)
    for line in answer.left_out:
        out.print(f"Left out: {line}.")
    out.print()
    out.print(answer.caution)


def _which_full_throttle(answer: JetsAnswer) -> str:
    """Which of the figures that are called full throttle this is, and the drive's own beside it."""
    air = "the air to come" if answer.air == "asked for" else "the air of this drive"
    own = number(answer.drive_full_throttle, channel_digits(answer.channel))
    return (
        f"That is {FULL_THROTTLE_OF_SETUP}, its drives together, all speeds weighed alike, brought to {air}. "
        f"{sentence(FULL_THROTTLE_OF_DRIVE).removesuffix('.')}, the median in its mixture map, is {own}."
    )


def _sensor_sentence(answer: JetsAnswer) -> str:
    sigma = number(1.96 * answer.now.sensor_sigma, channel_digits(answer.channel))
    if answer.now.free_air_checked:
        return f"The sensor's own offset is in the 95 %, ±{sigma}: this drive shows it in free air."
    return (
        f"The sensor's own offset is in the 95 %, ±{sigma}: no free-air check is in this drive. Before the next, let "
        "it read free air for a few seconds, engine off: that halves it."
    )


def _air_sentence(answer: JetsAnswer) -> str:
    then, to_come = answer.drive_density_kg_per_m3, answer.now.density_kg_per_m3
    if answer.air == "of the drive":
        known = f"the air of the drive ({then:.3f} kg/m3)" if math.isfinite(then) else "the air of the drive"
        return (
            f"This holds for {known}. Thinner air richens a carburettor, with the root of density: --temperature and "
            "--pressure say what you will drive in."
        )
    if math.isnan(then):
        return (
            "The air of the drive is not known (pullbook weather adds it), so the air to come cannot be set against it."
        )
    change = answer.air_change
    return (
        f"Air of {to_come:.3f} kg/m3 against {then:.3f} then makes it {abs(change):.1%} "
        f"{'leaner' if change > 0 else 'richer'}; that is in the figures."
    )


def _fuel_lines(answer: JetsAnswer) -> list[str]:
    if answer.fuel_change == 0:
        return []
    return [
        f"The fuel to come burns at {answer.now.fuel_stoich_afr:.2f} to 1 against {answer.drive_fuel_stoich_afr:.2f} "
        f"then, which makes it {abs(answer.fuel_change):.1%} {'leaner' if answer.fuel_change > 0 else 'richer'}; that "
        "is in the figures."
    ]


def _circuit_lines(answer: JetsAnswer) -> list[str]:
    """What is off target and is not the main jet's, a sentence for each."""
    lines = []
    if (pull := answer.leaner_from) is not None:
        lines.append(
            f"From {speed_label(pull.from_mps, answer.unit)} on full throttle is leaner than the rest, "
            f"{number(pull.value, channel_digits(answer.channel))}: one jet moves all speeds alike; an air jet or "
            "needle bends them."
        )
    what = {
        "idle": "the idle circuit: its jet and mixture screw",
        "transition": "the transition: its holes, or on a slide carburettor cutaway and needle",
    }
    for circuit, mends in what.items():
        off = [cell for cell in answer.not_the_main_jet if cell.circuit == circuit]
        if off:
            places = ", ".join(
                f"{speed_range(cell.from_mps, cell.to_mps, answer.unit, '-')} {answer.unit} at "
                f"{load_label(cell.load_from, cell.load_to, answer.load.unit)} {cell.judgement.split()[0]}"
                for cell in off[:4]
            )
            more = f" and {len(off) - 4} more" if len(off) > 4 else ""
            lines.append(f"A main jet does not mend this: {places}{more}. That is {mends}.")
    return lines
