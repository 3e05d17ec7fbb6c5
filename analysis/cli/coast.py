"""The verb `coast`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.answers import typed
from analysis.cli.options import CarOption, UnitsOption, open_store, read_car, units_of
from analysis.cli.verdict import WhyOption, print_rest
from analysis.wording import distance_text, plural, way, way_text, wind, wind_unit
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import SPEED_UNITS, W_PER_KW, speed_label
from logger.zone import local_clock, zone_of

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.answers.coast import CoastAnswer, CoastStretch


app = typer.Typer()
CAUTION = "Coast only where it is lawful and nobody is near, with the engine running: brakes and lights may need it."


@app.command(epilog="Example: pullbook coast last --save wren.toml")
def coast(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="DRIVE...", help="Drives with coasts in them. By default last.", show_default=False),
    ] = None,
    grade: Annotated[
        str | None,
        typer.Option(
            "--grade", help="The slope, if all coasts went in one direction: 0.3% (uphill), -0.3%.", show_default=False
        ),
    ] = None,
    even: Annotated[
        str | None,
        typer.Option(
            "--even", help="How much the slope changes along the stretch. By default 0.2%.", show_default=False
        ),
    ] = None,
    with_b: Annotated[
        bool, typer.Option("--with-b", help="Fit B v as well. Coasts can seldom separate it from A and C.")
    ] = False,
    save: Annotated[
        Path | None, typer.Option("--save", help="Write the result into this car's file.", show_default=False)
    ] = None,
    car: CarOption = None,
    units: UnitsOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Road load from coasts in neutral: rolling and drag, with their uncertainty."""
    from analysis.answers.coast import coast_answer

    opened = open_store(store)
    drives = [opened.drive(name) for name in names or ["last"]]
    known = None if grade is None else typed.share("--grade", grade, low=-0.2, high=0.2)
    uneven = None if even is None else typed.share("--even", even, low=1e-5, high=0.1)
    unit = units_of(units, drives[-1])
    found = coast_answer(
        drives, read_car(car or save), with_b=with_b, known_grade=known, even_sigma=uneven, save=save
    )  # fmt: skip
    print_json(found.to_json()) if json else _print_coasts(found, unit, why)


def _print_coasts(found: CoastAnswer, unit: str, why: bool) -> None:
    from analysis.answers.learned_slopes import coast_slopes_sentence

    out = console()
    out.print(
        f"Rolling coefficient {found.rolling_coefficient:.4f} ±{found.rolling_coefficient_half_width_95:.4f}, "
        f"drag area {found.drag_area_m2:.3f} m2 ±{found.drag_area_half_width_95_m2:.3f} (95 %).",
        style="bold",
    )
    out.print(f"From {plural(found.coasts, 'coast')} in {', '.join(found.drives)}.\n")
    out.print(table(["Road load A + B v + C v2", "", "95 %"], _coefficients(found)))
    _print_force(out, found, unit)
    out.print()
    for said in (*found.caveats, *([coast_slopes_sentence(found.slopes)] if found.slopes else [])):
        out.print(said)
    rest = [
        f"On the level, in still air of {found.air_density_kg_per_m3:.3f} kg/m3; mass {found.mass_kg:.0f} kg "
        f"±{found.mass_sigma_kg:.0f}, rotating {found.rotating_mass_kg:.0f} kg ±{found.rotating_mass_sigma_kg:.0f} "
        "(standard errors)."
    ]
    rest += [_stretch_words(number, stretch, unit) for number, stretch in enumerate(found.stretches, start=1)]
    rest += [
        f"Left out, {local_clock(left.start_utc)}, from {speed_label(left.from_mps, unit)}: {left.why}."
        for left in found.left_out[:6]
    ]
    if len(found.left_out) > 6:
        rest.append(f"{len(found.left_out) - 6} more left out; `--json` lists them.")
    out.print(CAUTION)
    if found.saved is not None:
        out.print(f"Written into {found.saved}. Drives recorded from now on have it. For an earlier drive:")
        out.print(f"  pullbook rebuild DRIVE --car {found.saved}", soft_wrap=True)
    if why:
        _print_list(out, found, unit)
    print_rest(out, rest, why)


def _print_list(out: Console, found: CoastAnswer, unit: str) -> None:
    per = SPEED_UNITS[unit]
    rows = [
        [
            local_clock(each.start_utc), f"{each.direction_deg:.0f}", f"{each.from_mps / per:.1f}",
            f"{each.to_mps / per:.1f}", f"{each.seconds:.1f}", "noted" if each.noted else "",
        ]
        for each in found.list
    ]  # fmt: skip
    out.print()
    out.print(table([zone_of(found.list[0].start_utc), "course", f"from {unit}", f"to {unit}", "seconds", ""], rows))


def _coefficients(found: CoastAnswer) -> list[list[str]]:
    half = found.half_width_95
    rows = [["A, rolling", f"{found.a_n:.1f} N", f"±{half.a_n:.1f}"]]
    if half.b_n_per_mps:
        rows.append(["B", f"{found.b_n_per_mps:.2f} N/(m/s)", f"±{half.b_n_per_mps:.2f}"])
    rows += [
        ["C, air drag", f"{found.c_n_per_mps2:.4f} N/(m/s)2", f"±{half.c_n_per_mps2:.4f}"],
        ["rolling coefficient", f"{found.rolling_coefficient:.4f}", f"±{found.rolling_coefficient_half_width_95:.4f}"],
        ["drag area", f"{found.drag_area_m2:.3f} m2", f"±{found.drag_area_half_width_95_m2:.3f}"],
    ]
    if found.drag_coefficient is not None and found.drag_coefficient_half_width_95 is not None:
        rows.append([
            f"drag coefficient on {found.frontal_area_m2:g} m2", f"{found.drag_coefficient:.3f}",
            f"±{found.drag_coefficient_half_width_95:.3f}",
        ])  # fmt: skip
    return rows


def _print_force(out: Console, found: CoastAnswer, unit: str) -> None:
    rows = []
    for each in found.force[:: max(1, len(found.force) // 6)]:
        told, give = each.by_intervals_n, each.by_intervals_half_width_n
        rows.append([
            f"{each.speed_mps / SPEED_UNITS[unit]:.1f}", f"{each.force_n:.1f}", f"±{each.half_width_n:.1f}",
            f"{each.power_w / W_PER_KW:.2f}", f"{told:.1f}" if math.isfinite(told) else "-",
            f"±{give:.1f}" if math.isfinite(give) else "-",
        ])  # fmt: skip
    out.print()
    out.print(table([unit, "force N", "95 %", "kW", "by steps N", "95 %"], rows, left=()))


def _stretch_words(number: int, stretch: CoastStretch, unit: str) -> str:
    winds = ", ".join(
        f"{wind(against, unit, sign=True)} ±{wind(sigma, unit)}" for against, sigma in stretch.wind_mps.values()
    )
    sag = f"{'+' if stretch.sag_m >= 0 else ''}{way_text(stretch.sag_m, unit, 1)}"
    return (
        f"Stretch {number}: {distance_text(stretch.length_m, unit)} towards {stretch.axis_deg:.0f}, slope "
        f"{100 * stretch.grade:+.2f} % ±{100 * stretch.grade_sigma:.2f}, sag {sag} "
        f"±{way(stretch.sag_sigma_m, unit, 1)}, wind against {winds} {wind_unit(unit)}; "
        f"{stretch.forward} coasts in that direction, {stretch.backward} back."
    )
