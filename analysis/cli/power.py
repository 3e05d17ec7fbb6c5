"""The verb `power`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import typer

from analysis.cli.options import (
    CarOption,
    RunsArgument,
    UnitsOption,
    open_store,
    read_car,
    runs_asked,
    speed_unit_asked,
)
from analysis.cli.power_change import print_power_change
from analysis.cli.verdict import WhyOption, print_rest
from analysis.wording import is_round, plural
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import HORSEPOWER_W, SPEED_UNITS, W_PER_KW, speed_label

if TYPE_CHECKING:
    from analysis.answers.power import PowerAtSpeed, SetupPower

app = typer.Typer()
FEW_ROWS = 14
"""A curve of so few speeds is shown whole; of a longer one the round speeds."""


@app.command(epilog="Example: pullbook power last")
def power(
    names: RunsArgument = None,
    car: CarOption = None,
    units: UnitsOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Force and power at the wheels from timed runs; between setups, what differs."""
    from analysis.answers.power import power_answer

    unit = speed_unit_asked(units)
    found = power_answer(open_store(store), runs_asked(names), car=read_car(car), unit=unit)
    if json:
        print_json(found.to_json())
        return
    for setup in found.setups:
        _print_power(setup, found.speed_unit, why)
    for between in found.differences:
        print_power_change(between, found.speed_unit, why)
        console().print()


def _shown(speed_mps: float, count: int, unit: str) -> bool:
    return count <= FEW_ROWS or is_round(speed_mps, unit)


def _print_power(setup: SetupPower, unit: str, why: bool) -> None:
    from analysis.answers.learned_slopes import power_slopes_sentence

    out, most = console(), setup.curve[setup.most]
    out.print(
        f"Most power: {_kw(most.power_w, 1)} kW ({_hp(most.power_w)} hp) at {speed_label(most.speed_mps, unit)}.",
        style="bold",
    )
    out.print(f"At the wheels, {_kw(most.low_w, 1)} to {_kw(most.high_w, 1)} kW (95 %).")
    drawn = f"{plural(len(setup.runs), 'run')} of {', '.join(setup.drives)}"
    out.print(f"Setup: {setup.setup}, {drawn}")
    _print_curve(setup, unit)
    out.print()
    causes = ", ".join(
        f"{cause} ±{100 * share / most.power_w:.1f} %" for cause, share in most.sigma_by_cause_w.items()
    )  # fmt: skip
    rest = [
        "The crank gives more, by what belt, bearings and tyres take.",
        f"Errors at the most power (standard errors): {causes}.",
        f"Mass {setup.mass_kg:.0f} kg ±{setup.mass_sigma_kg:.0f}, {setup.rotating_mass_kg:.0f} kg rotating; "
        f"road load: {setup.road_load_from}.",
        "Runs that you name one by one, such as last:2, are taken as full throttle. Of a whole drive, power uses those "
        "that `pullbook runs` counts.",
        _engine_words(setup, most, unit),
    ]
    if not setup.road_load_measured:
        out.print("The road load is a guess. `pullbook coast` measures it and makes this ± smaller.")
    if setup.one_sided:
        out.print("Most runs went in one direction. Drive both ways to cancel hills and wind.")
        if setup.slopes is not None:
            out.print(power_slopes_sentence(setup.slopes))
    if setup.corrected:
        rest.append("Corrected to 25 C and 990 hPa dry (SAE J1349). Losses are taken to rise with power.")
    else:
        out.print("Not corrected for the air, because a drive has no weather. `pullbook weather DRIVE` adds it.")
    print_rest(out, rest, why)
    out.print()


def _print_curve(setup: SetupPower, unit: str) -> None:
    turns = any(math.isfinite(each.engine_rpm) for each in setup.curve)
    columns = [unit, "force N", "kW", "hp", "95 % kW", *(["corr. kW", "corr. hp"] if setup.corrected else [])]
    columns += ["rpm"] if turns else []
    rows = []
    for each in setup.curve:
        if not _shown(each.speed_mps, len(setup.curve), unit):
            continue
        row = [
            f"{each.speed_mps / SPEED_UNITS[unit]:.4g}", f"{each.force_n:.0f}", _kw(each.power_w), _hp(each.power_w),
            f"{_kw(each.low_w)} to {_kw(each.high_w)}",
        ]  # fmt: skip
        if setup.corrected:
            row += [_kw(each.corrected_w), _hp(each.corrected_w)]
        if turns:
            row.append(f"{each.engine_rpm:.0f}" if math.isfinite(each.engine_rpm) else "-")
        rows.append(row)
    out = console()
    out.print()
    out.print(table(columns, rows, left=()))


def _engine_words(setup: SetupPower, most: PowerAtSpeed, unit: str) -> str:
    words = f"Engine speed: {setup.engine_speed_from}."
    turns = any(math.isfinite(each.engine_rpm) for each in setup.curve)
    if not turns and most.engine_rpm_limits is not None:
        at = speed_label(most.speed_mps, unit)
        words += f" At {at} that is {most.engine_rpm_limits[0]:.0f} rpm or more."
    return words


def _kw(watts: float, decimals: int = 2) -> str:
    return f"{watts / W_PER_KW:.{decimals}f}"


def _hp(watts: float) -> str:
    return f"{watts / HORSEPOWER_W:.1f}"
