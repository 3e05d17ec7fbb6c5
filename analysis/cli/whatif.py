"""The verb `whatif`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.answers import typed
from analysis.cli.options import (
    CarOption,
    RunsArgument,
    UnitsOption,
    open_store,
    read_car,
    runs_asked,
    speed_unit_asked,
    speeds_asked,
)
from analysis.cli.verdict import WhyOption, print_rest
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import SPEED_UNITS, parse_quantity, parse_speed, speed_label

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.answers.whatif import CarChanges, ForetoldTime, ForetoldTopSpeed, WhatIfAnswer

app = typer.Typer()


@app.command(epilog="Example: pullbook whatif last --mass -20kg")
def whatif(
    names: RunsArgument = None,
    mass: Annotated[
        str | None, typer.Option("--mass", help="Mass added or removed: -20kg.", show_default=False)
    ] = None,
    drag: Annotated[str | None, typer.Option("--drag", help="Change of air drag: -10%.", show_default=False)] = None,
    rolling: Annotated[
        str | None, typer.Option("--rolling", help="Change of rolling resistance: -5%.", show_default=False)
    ] = None,
    power_: Annotated[
        str | None, typer.Option("--power", help="Change of power at the wheels: +5%.", show_default=False)
    ] = None,
    gearing: Annotated[
        str | None,
        typer.Option("--gearing", help="Engine turns for each wheel turn: +8% is shorter gearing.", show_default=False),
    ] = None,
    to: Annotated[
        list[str] | None, typer.Option("--to", help="A speed to time. May be repeated.", show_default=False)
    ] = None,
    cruise: Annotated[
        str | None, typer.Option("--cruise", help="A steady speed to predict fuel at.", show_default=False)
    ] = None,
    car: CarOption = None,
    units: UnitsOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Predict times, top speed and cruise fuel after a change, from what the car has shown."""
    from analysis.answers.whatif import whatif_answer

    found = whatif_answer(
        open_store(store),
        runs_asked(names),
        mass_kg=0.0 if mass is None else parse_quantity(mass, "kg"),
        drag=_factor("--drag", drag),
        rolling=_factor("--rolling", rolling),
        power=_factor("--power", power_),
        gearing=_factor("--gearing", gearing, low=-0.7),
        to_mps=speeds_asked(to),
        cruise_mps=parse_speed(cruise) if cruise else None,
        car=read_car(car),
        unit=speed_unit_asked(units),
    )
    print_json(found.to_json()) if json else _print_foretold(found, why)


def _factor(option: str, text: str | None, low: float = -0.9) -> float:
    """A change as a factor: -10% is 0.9."""
    return 1 + (0.0 if text is None else typed.share(option, text, low=low, high=3))


def _print_foretold(found: WhatIfAnswer, why: bool) -> None:
    out, unit = console(), found.speed_unit
    out.print(_verdict(found, unit), style="bold")
    out.print("A prediction, not a measurement. Drive it to know.")
    out.print(f"{_said(found.changes)}; from {found.runs} runs, setup: {found.setup}")
    rows = [_time_row(time, unit) for time in found.times]
    top = found.top_speed_mps
    if math.isfinite(top.after - top.before):
        rows.append(_top_row(top, unit))
    out.print()
    out.print(table(["", "now", "then", "change"], rows))
    out.print()
    _print_cruise(out, found)
    out.print("± is one standard error of the change, if the assumptions are true.")
    said = f"Times are from {found.counted_from}"
    if math.isfinite(found.one_foot_s):
        said += f"; from one foot of movement they are {found.one_foot_s:.2f} s shorter"
    print_rest(out, [f"{said}.", *(f"Assumed: {assumption}" for assumption in found.assumptions)], why)


def _verdict(found: WhatIfAnswer, unit: str) -> str:
    """The change in the time to the highest speed, or that it is not reached."""
    reached = [time for time in found.times if math.isfinite(time.change_s)]
    if not reached:
        return "Predicted: none of these speeds is reached."
    time = reached[-1]
    word = "quicker" if time.change_s < 0 else "slower"
    return f"Predicted: {abs(time.change_s):.2f} s ±{time.sigma_s:.2f} {word} to {speed_label(time.speed_mps, unit)}."


def _said(changes: CarChanges) -> str:
    said = [f"mass {changes.mass_kg:+.0f} kg"] if changes.mass_kg else []
    named = (
        ("drag", changes.drag), ("rolling", changes.rolling), ("power", changes.power), ("gearing", changes.gearing),
    )  # fmt: skip
    return ", ".join([*said, *(f"{name} {100 * (factor - 1):+.1f} %" for name, factor in named if factor != 1)])


def _time_row(time: ForetoldTime, unit: str) -> list[str]:
    return [
        f"0 to {speed_label(time.speed_mps, unit)}", f"{time.before_s:.2f} s",
        f"{time.after_s:.2f} s" if math.isfinite(time.after_s) else "not reached",
        f"{time.change_s:+.2f} ±{time.sigma_s:.2f}" if math.isfinite(time.change_s) else "",
    ]  # fmt: skip


def _top_row(top: ForetoldTopSpeed, unit: str) -> list[str]:
    per = SPEED_UNITS[unit]
    return [
        "top speed, level and still", speed_label(top.before, unit), speed_label(top.after, unit),
        f"{(top.after - top.before) / per:+.1f} ±{top.change_sigma / per:.1f}",
    ]  # fmt: skip


def _print_cruise(out: Console, found: WhatIfAnswer) -> None:
    saved, unit = found.cruise_fuel, found.speed_unit
    if abs(saved.most) <= 5e-4:  # a change that rounds to nothing
        return
    least, most = sorted((saved.least, saved.most), key=abs)
    out.print(
        f"Fuel at a steady {speed_label(saved.speed_mps, unit)}: {100 * least:+.1f} to {100 * most:+.1f} %, "
        f"from drag and rolling alone (road load {saved.before_n:.0f} N, then {saved.after_n:.0f} N)"
        + ("." if saved.from_loop else ". A fuel loop of this setup makes this more exact.")
    )
