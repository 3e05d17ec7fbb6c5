"""The verb `coast`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import CarOption, UnitsOption, read_car, share_asked, unit_of_drive
from analysis.wording import distance_text
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import SPEED_UNITS
from logger.units import speed_label as label

if TYPE_CHECKING:
    from analysis.road.coastdown import Measured
    from logger.config.car import CarConfig
    from logger.store.drive import Drive


app = typer.Typer()
CAUTION = "Coast only where it is lawful and nobody is near, with the engine running: brakes and lights may need it."


# --- coasts -------------------------------------------------------------------------------------------------------


@app.command()
def coast(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="DRIVE...", help="Drives with coasts in them; last by default.", show_default=False),
    ] = None,
    grade: Annotated[
        str | None,
        typer.Option(
            "--grade", help="The slope, where all coasts went one way: 0.3% (uphill), -0.3%.", show_default=False
        ),
    ] = None,
    even: Annotated[
        str | None,
        typer.Option(
            "--even", help="How much the slope changes along the stretch; 0.2% by default.", show_default=False
        ),
    ] = None,
    with_b: Annotated[bool, typer.Option("--with-b", help="Fit B v as well; it is seldom told apart.")] = False,
    save: Annotated[
        Path | None, typer.Option("--save", help="Write the result into this car's file.", show_default=False)
    ] = None,
    car: CarOption = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Road load from coasts in neutral: rolling and drag, with their uncertainty."""
    from analysis.answers.coast import car_of, road_load_by_coasts
    from analysis.road import coastdown
    from analysis.road.car_file import save_road_load
    from analysis.store import DriveStore
    from logger.store.drive import default_store

    store = store or default_store()
    kept = DriveStore(store)
    analysed = [kept.drive(name) for name in names or ["last"]]
    drives = [each.drive for each in analysed]
    known = None if grade is None else share_asked("--grade", grade, low=-0.2, high=0.2)
    uneven = coastdown.EVEN_SIGMA if even is None else share_asked("--even", even, low=1e-5, high=0.1)
    unit = unit_of_drive(units, drives[-1])
    config = car_of(analysed, read_car(car or save), "coast")
    found = road_load_by_coasts(analysed, config, with_b=with_b, known_grade=known, even_sigma=uneven)
    if save is not None:
        days = sorted({drive.manifest.started_utc.date().isoformat() for drive in drives})
        save_road_load(found, save, f"{len(found.coasts)} coasts of {', '.join(days)}")
    if json:
        print_json({**coast_json(found, config), "drives": [drive.id for drive in drives], "saved": save})
        return
    _print_coasts(found, config, drives, unit)
    if save is not None:
        out = console()
        out.print(f"Written into {save}. Drives recorded from now on carry it; for an earlier one:")
        out.print(f"  pullbook rebuild DRIVE --car {save}", soft_wrap=True)


def coast_json(found: Measured, car: CarConfig) -> dict[str, Any]:
    """The answer of `coast --json`."""
    a, b, c = found.sigma
    halves = found.half_widths
    rolling, drag_area = found.rolling_coefficient, found.drag_area_m2
    second = found.second
    return {
        "a_n": found.a_n,
        "b_n_per_mps": found.b_n_per_mps,
        "c_n_per_mps2": found.c_n_per_mps2,
        "sigma": {"a_n": a, "b_n_per_mps": b, "c_n_per_mps2": c},
        "half_width_95": dict(zip(("a_n", "b_n_per_mps", "c_n_per_mps2"), halves, strict=True)),
        "coasts": len(found.coasts),
        "mass_kg": found.mass.mass_kg,
        "rotating_mass_kg": found.mass.rotating_kg,
        "air_density_kg_per_m3": found.density_kg_per_m3,
        "rolling_coefficient": rolling[0],
        "rolling_coefficient_sigma": rolling[1],
        "drag_area_m2": drag_area[0],
        "drag_area_sigma_m2": drag_area[1],
        "drag_coefficient": drag_area[0] / car.car.frontal_area_m2 if car.car.frontal_area_m2 else None,
        "gusts_mps": found.gusts[0],
        "gusts_s": found.gusts[1],
        "list": [
            {
                "start_utc": _utc(coast.start_utc_ns), "outing": coast.outing, "direction_deg": coast.direction_deg,
                "from_mps": coast.from_mps, "to_mps": coast.to_mps, "seconds": coast.seconds, "noted": coast.marked,
            }
            for coast in found.coasts
        ],
        "stretches": [vars(stretch) for stretch in found.stretches],
        "interval_method": None if second is None else {
            **{key: value for key, value in vars(second).items() if key != "intervals"},
            "intervals": [vars(each) for each in second.intervals],
        },
        "left_out": [{**vars(left), "start_utc": _utc(left.start_utc_ns)} for left in found.left_out],
        "caveats": found.caveats,
    }  # fmt: skip


def _print_coasts(found: Measured, car: CarConfig, drives: Sequence[Drive], unit: str) -> None:
    out, per = console(), SPEED_UNITS[unit]
    count = len(found.coasts)
    out.print(f"{count} {'coast' if count == 1 else 'coasts'} in {', '.join(drive.id for drive in drives)}")
    rows = [
        [
            f"{_utc(each.start_utc_ns):%H:%M:%S}", f"{each.direction_deg:.0f}", f"{each.from_mps / per:.1f}",
            f"{each.to_mps / per:.1f}", f"{each.seconds:.1f}", "noted" if each.marked else "",
        ]
        for each in found.coasts
    ]  # fmt: skip
    out.print()
    out.print(table(["UTC", "course", f"from {unit}", f"to {unit}", "seconds", ""], rows))
    halves = found.half_widths
    rolling, area = found.rolling_coefficient, found.drag_area_m2
    values = [["A, rolling", f"{found.a_n:.1f} N", f"±{halves[0]:.1f}"]]
    if halves[1]:
        values.append(["B", f"{found.b_n_per_mps:.2f} N/(m/s)", f"±{halves[1]:.2f}"])
    values += [
        ["C, air drag", f"{found.c_n_per_mps2:.4f} N/(m/s)2", f"±{halves[2]:.4f}"],
        ["rolling coefficient", f"{rolling[0]:.4f}", f"±{1.96 * rolling[1]:.4f}"],
        ["drag area", f"{area[0]:.3f} m2", f"±{1.96 * area[1]:.3f}"],
    ]
    if car.car.frontal_area_m2:
        values.append(
            [f"drag coefficient on {car.car.frontal_area_m2:g} m2", f"{area[0] / car.car.frontal_area_m2:.3f}",
             f"±{1.96 * area[1] / car.car.frontal_area_m2:.3f}"]
        )  # fmt: skip
    out.print()
    out.print(table(["Road load A + B v + C v2", "", "95 %"], values))
    _print_force(out, found, unit)
    out.print()
    mass = found.mass
    out.print(
        f"On the level, in still air of {found.density_kg_per_m3:.3f} kg/m3; mass {mass.mass_kg:.0f} kg "
        f"±{mass.mass_sigma_kg:.0f}, rotating {mass.rotating_kg:.0f} kg ±{mass.rotating_sigma_kg:.0f} (standard "
        "errors)."
    )
    for number, stretch in enumerate(found.stretches, start=1):
        winds = ", ".join(f"{wind:+.1f} ±{sigma:.1f}" for wind, sigma in stretch.wind_mps.values())
        out.print(
            f"Stretch {number}: {distance_text(stretch.length_m, unit)} towards {stretch.axis_deg:.0f}, slope "
            f"{100 * stretch.grade:+.2f} % ±{100 * stretch.grade_sigma:.2f}, sag {stretch.sag_m:+.1f} m "
            f"±{stretch.sag_sigma_m:.1f}, wind against {winds} m/s; {stretch.forward} coasts that way, "
            f"{stretch.backward} back."
        )
    for said in found.caveats:
        out.print(said)
    for left in found.left_out[:6]:
        out.print(f"Left out, {_utc(left.start_utc_ns):%H:%M:%S}, from {label(left.from_mps, unit)}: {left.why}.")
    if len(found.left_out) > 6:
        out.print(f"Left out, {len(found.left_out) - 6} more: --json lists them.")
    out.print(CAUTION)


def _print_force(out: Any, found: Measured, unit: str) -> None:
    per = SPEED_UNITS[unit]
    second = {} if found.second is None else {each.speed_mps: each for each in found.second.intervals}
    speeds = sorted(second) or [5.0, 10.0, 15.0, 20.0]
    rows = []
    for speed in speeds[:: max(1, len(speeds) // 6)]:
        each = second.get(speed)
        interval = "-" if each is None else f"{each.force_n:.1f}"
        error = "-" if each is None or not math.isfinite(each.sigma_n) else f"±{1.96 * each.sigma_n:.1f}"
        force = float(found.force(speed))
        rows.append([
            f"{speed / per:.1f}", f"{force:.1f}", f"±{found.half_width(speed):.1f}", f"{force * speed / 1000:.2f}",
            interval, error,
        ])  # fmt: skip
    out.print()
    out.print(table([unit, "force N", "95 %", "kW", "by intervals N", "95 %"], rows, left=()))


def _utc(ns: int) -> Any:
    from analysis.drive import utc

    return utc(ns)
