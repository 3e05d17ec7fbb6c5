"""The verbs on the road: `fuel`, `coast`, `power` and `whatif`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import MPS_PER_KMH, MPS_PER_MPH, SPEED_UNITS, InputError, NoAnswer, parse_quantity, parse_speed
from logger.units import speed_label as label

if TYPE_CHECKING:
    from analysis.coastdown import Measured
    from analysis.economy import Average, Loop, Used
    from analysis.measured import Pulled
    from analysis.power import Changes, CruiseFuel, Difference, Prediction
    from logger.config import CarConfig
    from logger.drive import Drive

app = typer.Typer()

UnitsOption = Annotated[
    str | None,
    typer.Option("--units", help="mph or km/h; by default what the car's file says.", show_default=False),
]
CarOption = Annotated[
    Path | None,
    typer.Option("--car", help="The car's file; by default the copy that the drive carries.", show_default=False),
]
RunsArgument = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[DRIVE[:RUN]]...", help="Drives, or single runs of them: last or last:2.", show_default=False
    ),
]

HORSEPOWER_W = 745.6998715822702  # 550 ft lbf/s (NIST SP 811, appendix B.8)
CAUTION = "Coast only where it is lawful and nobody is near, with the engine running: brakes and lights may need it."


# --- fuel ---------------------------------------------------------------------------------------------------------


@app.command()
def fuel(
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[DRIVE]...",
            help="The loop's drive; several, or none for all, to see what is kept.",
            show_default=False,
        ),
    ] = None,
    used: Annotated[
        str | None, typer.Option("--used", help="The fuel used, as a volume: 0.84gal or 3.2L.", show_default=False)
    ] = None,
    by_weight: Annotated[
        str | None, typer.Option("--by-weight", help="The fuel used, as a weight: 2.31kg.", show_default=False)
    ] = None,
    sigma: Annotated[
        str | None,
        typer.Option(
            "--sigma", help="Standard error of that: how well fills, or the scale, repeat.", show_default=False
        ),
    ] = None,
    fuel_temp: Annotated[
        str | None, typer.Option("--fuel-temp", help="Temperature of the fuel: 31C or 88F.", show_default=False)
    ] = None,
    band: Annotated[
        str | None, typer.Option("--band", help="The speeds that were to be held: 45mph-50mph.", show_default=False)
    ] = None,
    show: Annotated[
        str | None,
        typer.Option("--show", help="Say how long a loop must be to show this change: 3%.", show_default=False),
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Take away what was kept with the drive.")] = False,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Fuel consumption of a loop, with its interval; kept with the drive. Without fuel: all loops kept, by setup."""
    from logger.drive import default_store, open_drive

    store = store or default_store()
    change = None if show is None else _share("--show", show)
    if used is None and by_weight is None and not forget:
        _kept_loops(store, names, units, change, json)
        return
    if names is not None and len(names) > 1:
        raise InputError(f"fuel: one loop at a time: got {len(names)} drives and one amount of fuel")
    drive = open_drive(store, names[0] if names else "last")
    if forget:
        if drive.manifest.fuel is None:
            raise InputError(f"{drive.id}: no fuel is kept with this drive")
        drive.amend(f"fuel loop taken away: it had {drive.manifest.fuel['volume_m3'] * 1e3:.3f} L at 15.6 C", fuel=None)
        print(f"{drive.id}: its fuel is forgotten; the drive's trace says so")
        return
    from analysis import economy
    from analysis.measured import fuel_loop

    unit = _unit(units, drive)
    amount = _used(drive, used, by_weight, sigma, fuel_temp, band)
    loop = fuel_loop(drive, amount)
    assert loop is not None
    again = drive.manifest.fuel is not None
    drive.amend(
        f"fuel loop {'put right' if again else 'added'}: {amount.volume_m3 * 1e3:.3f} L at 15.6 C",
        fuel=economy.to_kept(amount),
    )
    if json:
        print_json(loop_json(drive, loop))
    else:
        _print_loop(drive, loop, unit, change)


def _used(
    drive: Drive, used: str | None, by_weight: str | None, sigma: str | None, fuel_temp: str | None, band: str | None
) -> Used:
    from analysis import economy
    from analysis.fuels import FUELS, parse_blend

    if used is not None and by_weight is not None:
        raise InputError("--used and --by-weight: give one of them")
    held = _band(band)
    kept = drive.car.fuel if drive.car else None
    if used is not None:
        error = None if sigma is None else _above_zero("--sigma", parse_quantity(sigma, "m**3"), sigma)
        warm = None if fuel_temp is None else parse_quantity(fuel_temp, "kelvin")
        if warm is not None and not 230 <= warm <= 340:
            raise InputError(f"--fuel-temp: {fuel_temp!r} is no temperature of fuel: expected -40 to 65 C")
        expansion = kept.expansion_per_c if kept else None
        volume = _above_zero("--used", parse_quantity(used, "m**3"), used)
        return economy.used_by_volume(volume, error, warm, expansion, held)
    assert by_weight is not None
    if fuel_temp is not None:
        raise InputError("--fuel-temp: a weight needs no temperature; leave it out, or give a volume with --used")
    error = None if sigma is None else _above_zero("--sigma", parse_quantity(sigma, "kg"), sigma)
    mass = _above_zero("--by-weight", parse_quantity(by_weight, "kg"), by_weight)
    usual = economy.DENSITY_KG_PER_M3
    if kept:
        usual = sum(share * FUELS[name].density_kg_per_m3 for name, share in parse_blend(kept.blend).items())
    return economy.used_by_weight(mass, error, kept.density_kg_per_m3 if kept else None, usual, held)


def _above_zero(option: str, value: float, text: str) -> float:
    if value <= 0:
        raise InputError(f"{option}: {text!r} is not above zero")
    return value


def _band(text: str | None) -> tuple[float, float] | None:
    if text is None:
        return None
    low, dash, high = text.partition("-")
    if not dash:
        raise InputError(f"--band: {text!r} is no band: expected two speeds such as 45mph-50mph")
    if low.strip().replace(".", "").isdigit():  # 45-50mph
        low += "".join(c for c in high if not (c.isdigit() or c in ". "))
    speeds = parse_speed(low), parse_speed(high)
    if speeds[0] >= speeds[1]:
        raise InputError(f"--band: {text!r} does not rise: expected the lower speed first, such as 45mph-50mph")
    return speeds


def loop_json(drive: Drive, loop: Loop) -> dict[str, Any]:
    """The answer of `fuel --json` for one loop."""
    from analysis import economy
    from analysis.analysed import setup_name

    low, high = (loop.m3_per_m * (1 + side * 1.96 * loop.sigma) for side in (-1, 1))
    return {
        "drive": drive.id,
        "setup": setup_name(drive),
        "distance_m": loop.distance.metres,
        "distance_sigma_m": loop.distance.sigma_m,
        "distance_by_speed_m": loop.distance.doppler_m,
        "distance_by_track_m": loop.distance.track_m,
        "used_m3": loop.used.volume_m3,
        "used_sigma_m3": loop.used.sigma_m3,
        "measured": {"how": loop.used.how, "value": loop.used.measured, "fuel_k": loop.used.fuel_k},
        "l_per_100km": economy.l_per_100km(loop.m3_per_m),
        "l_per_100km_interval": [economy.l_per_100km(low), economy.l_per_100km(high)],
        "mpg_us": economy.mpg_us(loop.m3_per_m),
        "mpg_us_interval": [economy.mpg_us(high), economy.mpg_us(low)],
        "mpg_imperial": economy.mpg_imperial(loop.m3_per_m),
        "sigma_percent": 100 * loop.sigma,
        "in_band_fraction": loop.manner.in_band,
        "manner": vars(loop.manner),
        "not_as_asked": loop.not_as_asked,
        "assumed": list(loop.used.assumed),
        "smallest_change_percent": 100 * economy.smallest_change(loop.own_sigma),
    }


def _print_loop(drive: Drive, loop: Loop, unit: str, show: float | None) -> None:
    from analysis import economy
    from analysis.analysed import setup_name

    out, manner, way = console(), loop.manner, loop.distance
    out.print(f"Fuel loop {drive.id}, setup: {setup_name(drive)}")
    share = 1.96 * loop.sigma
    low, high = loop.m3_per_m * (1 - share), loop.m3_per_m * (1 + share)
    rows = [
        [name, form.format(of(loop.m3_per_m)), form.format(min(of(low), of(high))), form.format(max(of(low), of(high)))]
        for name, of, form in (
            ("miles on a US gallon", economy.mpg_us, "{:.2f}"),
            ("miles on an imperial gallon", economy.mpg_imperial, "{:.2f}"),
            ("litres for 100 km", economy.l_per_100km, "{:.2f}"),
        )
    ]
    out.print()
    out.print(table(["", "this loop", "95 % from", "to"], rows))
    out.print()
    error = f"±{way.sigma_m / (1609.344 if unit == 'mph' else 1000):.2f}"
    said = f"Distance {_far(way.metres, unit)} {error}: by its speed {_far(way.doppler_m, unit)}"
    out.print(said + (f", by its track {_far(way.track_m, unit)}." if math.isfinite(way.track_m) else "."))
    gallons = loop.used.volume_m3 / 3.785411784e-3
    out.print(
        f"Fuel {gallons:.3f} US gal = {loop.used.volume_m3 * 1e3:.3f} L at 15.6 C (60 F), "
        f"±{100 * loop.used.sigma_m3 / loop.used.volume_m3:.1f} %."
    )
    stops = {0: "no stops", 1: "1 stop"}.get(manner.stops, f"{manner.stops} stops")
    driven = f"Driven: {manner.seconds / 60:.1f} min, {stops} ({manner.standing_s:.0f} s)"
    driven += f", mean {label(manner.moving_mean_mps, unit)} moving"
    if loop.used.band_mps is not None:
        driven += f", {manner.in_band:.0%} of the time in {_span(loop.used.band_mps, unit)}"
    if math.isfinite(manner.climb_m):
        driven += f", {manner.climb_m:.0f} m climbed"
    driven += f", wind {manner.wind_mps:.1f} m/s." if math.isfinite(manner.wind_mps) else ", wind not stated."
    out.print(driven)
    for said in loop.not_as_asked:
        out.print(f"Not as asked: {_sentence(said)}")
    for said in loop.used.assumed:
        out.print(f"Assumed: {said}.")
    out.print()
    out.print(_what_it_shows(loop, unit, show))
    out.print("The interval is what measuring leaves. Wind, traffic and foot differ too: drive the loop again to see.")
    out.print("Fill and weigh fuel in the open, engine off and cool, away from flame and spark.")


def _sentence(said: str) -> str:
    return said if said.endswith("?") else f"{said}."


def _what_it_shows(loop: Loop, unit: str, show: float | None, scatter: float = 0.0) -> str:
    from analysis import economy

    least = economy.smallest_change(math.hypot(loop.own_sigma, scatter))
    said = f"One such loop before and one after show a change of {100 * least:.1f} % or more (8 times in 10)."
    change = show or least / 2
    far = economy.length_to_show(change, loop, scatter)
    if math.isfinite(far):
        miles, name = (1609.344, "mi") if unit == "mph" else (1000.0, "km")
        return f"{said} To show {100 * change:.1f} % the loop must be {far / miles:.0f} {name} long."
    count = economy.loops_to_show(change, loop, scatter)
    several = f"{count} such loops before and {count} after" if count else "many, before and after"
    said += f" No length of one loop shows {100 * change:.1f} %: drive {several}"
    if loop.used.fuel_k is None and loop.used.how == "volume":
        said += ", and measure the fuel's temperature"
    return f"{said}."


def _kept_loops(store: Path, names: list[str] | None, units: str | None, show: float | None, json: bool) -> None:
    """Loops kept with drives: each, and averaged by setup."""
    from analysis import economy
    from analysis.analysed import setup_name
    from analysis.measured import fuel_loop
    from logger.drive import list_drives, open_drive

    drives = [open_drive(store, name) for name in names] if names else list_drives(store)
    loops = [(drive, loop) for drive in drives if (loop := fuel_loop(drive)) is not None]
    if not loops:
        where = f"{', '.join(names)}" if names else str(store)
        raise NoAnswer(
            f"{where}: no fuel loop is kept there: give the fuel used, such as --used 0.84gal or --by-weight 2.3kg"
        )
    by_setup: dict[str, list[Loop]] = {}
    for drive, loop in loops:
        by_setup.setdefault(setup_name(drive), []).append(loop)
    pooled = economy.pooled_scatter(list(by_setup.values()))
    averages = {setup: economy.average(of, pooled) for setup, of in by_setup.items()}
    if json:
        print_json(_loops_json(loops, averages))
        return
    unit = _unit(units, loops[-1][0])
    out = console()
    rows = [
        [
            drive.id + ("*" if loop.not_as_asked else ""), setup_name(drive), _far(loop.distance.metres, unit),
            f"{economy.mpg_us(loop.m3_per_m):.1f}", f"{economy.l_per_100km(loop.m3_per_m):.2f}",
            f"±{100 * loop.sigma:.1f} %",
        ]
        for drive, loop in loops
    ]  # fmt: skip
    out.print(table(["Loop", "setup", "distance", "mpg US", "L/100 km", "error"], rows, left=(0, 1)))
    rows = []
    for setup, of in averages.items():
        low, high = of.interval()
        rows.append([
            setup, f"{of.loops}", f"{economy.mpg_us(of.m3_per_m):.1f}",
            f"{economy.mpg_us(high):.1f} to {economy.mpg_us(low):.1f}", f"{economy.l_per_100km(of.m3_per_m):.2f}",
            f"{economy.l_per_100km(low):.2f} to {economy.l_per_100km(high):.2f}",
        ])  # fmt: skip
    out.print()
    columns = ["Setup", "loops", "mpg US", "95 %", "L/100 km", "95 %"]
    out.print(table(columns, rows, title="Averages (harmonic mean, SAE J1082)"))
    out.print()
    (base, first), *others = averages.items()
    for setup, of in others:
        out.print(f"{setup} against {base}: {_change_words(economy.difference(first, of))}.")
    for drive, loop in loops:
        for said in loop.not_as_asked:
            out.print(f"* {drive.id}, not as asked: {_sentence(said)}")
    beyond = 0.0
    if pooled is None:
        out.print(
            "No setup has two loops: how far loops differ by wind, traffic and foot is not known and not in this. "
            "Drive one again."
        )
    else:
        repeats = "1 repeat" if pooled[1] == 1 else f"{pooled[1]:.0f} repeats"
        out.print(f"From loop to loop of one setup consumption scattered by {100 * pooled[0]:.1f} % ({repeats}).")
        beyond = math.sqrt(max(pooled[0] ** 2 - sum(loop.own_sigma**2 for _, loop in loops) / len(loops), 0.0))
    out.print(_what_it_shows(loops[-1][1], unit, show, beyond))


def _change_words(change: Any) -> str:
    return f"{100 * change.change:+.1f} % ({100 * change.low:+.1f} to {100 * change.high:+.1f}): {change.verdict}"


def _loops_json(loops: Sequence[tuple[Drive, Loop]], averages: dict[str, Average]) -> dict[str, Any]:
    from analysis import economy

    first = next(iter(averages.values()))
    return {
        "loops": [loop_json(drive, loop) for drive, loop in loops],
        "setups": [
            {
                "setup": setup,
                "loops": of.loops,
                "mpg_us": economy.mpg_us(of.m3_per_m),
                "mpg_us_interval": [economy.mpg_us(side) for side in reversed(of.interval())],
                "l_per_100km": economy.l_per_100km(of.m3_per_m),
                "sigma_percent": 100 * math.hypot(of.sigma, of.shared),
                "scatter_percent": 100 * of.scatter,
                "against_first": None if of is first else vars(economy.difference(first, of)),
            }
            for setup, of in averages.items()
        ],
    }


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
    from analysis import coastdown, measured
    from analysis.car_file import save_road_load
    from logger.drive import default_store, open_drive

    store = store or default_store()
    drives = [open_drive(store, name) for name in names or ["last"]]
    known = None if grade is None else _share("--grade", grade, low=-0.2, high=0.2)
    uneven = coastdown.EVEN_SIGMA if even is None else _share("--even", even, low=1e-5, high=0.1)
    unit = _unit(units, drives[-1])
    config = measured.car_of(drives, _read_car(car or save), "coast")
    found = measured.road_load_of(drives, config, with_b=with_b, known_grade=known, even_sigma=uneven)
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
            f"Stretch {number}: {_far(stretch.length_m, unit)} towards {stretch.axis_deg:.0f}, slope "
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


# --- power --------------------------------------------------------------------------------------------------------


@app.command()
def power(
    names: RunsArgument = None,
    car: CarOption = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Force and power at the wheels from timed runs; between setups, what differs."""
    from analysis import power as wheel

    groups, unit, config = _pulled(store, names, car, units)
    differences = []
    for group in groups[1:]:
        differences.append((group, wheel.difference(groups[0].curve, group.curve)))
    if json:
        print_json({
            "setups": [power_json(group, config) for group in groups],
            "differences": [{"a": groups[0].setup, "b": group.setup, **vars(found)} for group, found in differences],
        })  # fmt: skip
        return
    for group in groups:
        _print_power(group, config, unit)
    for group, found in differences:
        _print_difference(groups[0], group, found, unit)


def _pulled(
    store: Path | None, names: list[str] | None, car: Path | None, units: str | None
) -> tuple[list[Pulled], str, CarConfig]:
    """Chosen runs by setup; all full runs of a drive unless some are named."""
    import numpy as np

    from analysis.analysed import Analysed, analyse, setup_name
    from analysis.measured import car_of, pulled
    from analysis.runs import Run
    from logger.drive import default_store, open_drive

    store = store or default_store()
    wanted: dict[str, list[int]] = {}
    for name in names or ["last"]:
        ref, _, number = name.rpartition(":") if ":" in name and name.rpartition(":")[2].isdigit() else (name, "", "")
        wanted.setdefault(ref, [])
        if number:
            wanted[ref].append(int(number))
    opened = {ref: open_drive(store, ref) for ref in wanted}
    config = car_of(list(opened.values()), _read_car(car), "power")
    unit = units or config.units.speed
    _unit(unit, next(iter(opened.values())))
    by_setup: dict[str, list[tuple[Analysed, list[Run]]]] = {}
    for ref, drive in opened.items():
        analysed = analyse(drive)
        runs = analysed.counted()
        if numbers := wanted[ref]:
            runs = [run for run in analysed.runs if run.n in numbers]
            if missing := sorted(set(numbers) - {run.n for run in runs}):
                raise InputError(f"{drive.id}: it has no run {missing[0]}: its runs are 1 to {len(analysed.runs)}")
        by_setup.setdefault(setup_name(drive), []).append((analysed, runs))
    step = 5 * MPS_PER_MPH / 2 if unit == "mph" else 5 * MPS_PER_KMH
    peak = max((run.peak_mps for of in by_setup.values() for _, runs in of for run in runs), default=0.0)
    speeds = np.arange(3, max(int(peak / step) + 1, 4), dtype=np.float64) * step
    return [pulled(of, config, speeds, setup) for setup, of in by_setup.items()], unit, config


def power_json(group: Pulled, car: CarConfig) -> dict[str, Any]:
    """The answer of `power --json` for one setup."""
    from analysis.power import belt_limits

    curve = group.curve
    limits = belt_limits(curve.speed_mps, car.gearing, car.tyres)
    return {
        "setup": group.setup,
        "drives": group.drives,
        "runs": [each.name for each in curve.pulls],
        "at": "wheels",
        "mass_kg": group.mass.mass_kg,
        "rotating_mass_kg": group.mass.rotating_kg,
        "road_load_from": group.road.source,
        "balance": curve.balance,
        "engine_speed_from": group.engine_speed,
        "curve": [
            {
                "speed_mps": curve.speed_mps[i],
                "force_n": curve.force_n[i],
                "power_w": curve.power_w[i],
                "sigma_w": curve.sigma_w[i],
                "low_w": curve.low_w[i],
                "high_w": curve.high_w[i],
                "corrected_w": curve.corrected_w[i],
                "runs": curve.runs[i],
                "engine_rpm": curve.engine_rpm[i],
                "engine_rpm_limits": None if limits is None else [limits[0][i], limits[1][i]],
                "sigma_by_cause_w": {cause: share[i] for cause, share in curve.shares.items()},
            }
            for i in range(len(curve.speed_mps))
        ],
    }


def _print_power(group: Pulled, car: CarConfig, unit: str) -> None:
    import numpy as np

    from analysis.power import belt_limits

    out, curve, per = console(), group.curve, SPEED_UNITS[unit]
    count = len(curve.pulls)
    drawn = f"{count} {'run' if count == 1 else 'runs'} of {', '.join(group.drives)}"
    out.print(f"Power at the wheels, setup: {group.setup}, {drawn}")
    corrected, turns = np.isfinite(curve.corrected_w).any(), np.isfinite(curve.engine_rpm).any()
    columns = [unit, "force N", "kW", "hp", "95 % kW", *(["corr. kW", "corr. hp"] if corrected else [])]
    columns += ["turns/min"] if turns else []
    rows = []
    for i, speed in enumerate(curve.speed_mps):
        if not _round(speed, unit) and len(curve.speed_mps) > 14:
            continue
        watts = curve.power_w[i]
        row = [
            f"{speed / per:.4g}", f"{curve.force_n[i]:.0f}", f"{watts / 1e3:.2f}", f"{watts / HORSEPOWER_W:.1f}",
            f"{curve.low_w[i] / 1e3:.2f} to {curve.high_w[i] / 1e3:.2f}",
        ]  # fmt: skip
        if corrected:
            row += [f"{curve.corrected_w[i] / 1e3:.2f}", f"{curve.corrected_w[i] / HORSEPOWER_W:.1f}"]
        if turns:
            row.append(f"{curve.engine_rpm[i]:.0f}" if math.isfinite(curve.engine_rpm[i]) else "-")
        rows.append(row)
    out.print()
    out.print(table(columns, rows, left=()))
    best = curve.best
    out.print()
    out.print(
        f"Most: {curve.power_w[best] / 1e3:.1f} kW ({curve.power_w[best] / HORSEPOWER_W:.1f} hp) at "
        f"{label(curve.speed_mps[best], unit)}, at the wheels: the crank gives more by what belt, bearings and tyres "
        "take."
    )
    causes = ", ".join(
        f"{cause} ±{100 * share[best] / curve.power_w[best]:.1f} %" for cause, share in curve.shares.items()
    )
    out.print(f"How sure, there (standard errors): {causes}.")
    out.print(
        f"Mass {group.mass.mass_kg:.0f} kg ±{group.mass.mass_sigma_kg:.0f}, {group.mass.rotating_kg:.0f} kg rotating; "
        f"road load: {group.road.source}."
    )
    if not group.road.source.startswith("measured"):
        out.print("That road load is a guess: coasts (pullbook coast) would tell it, and narrow the band.")
    out.print("Every run counts as one at full throttle: name single ones, such as last:2, where some were not.")
    if curve.balance > 0.35:
        out.print(
            "Most runs went one way: slope and wind do not cancel, and the altitudes know the slope only roughly."
        )
    out.print(
        "Corrected to 25 C and 990 hPa dry (SAE J1349), taking it that losses go along with power."
        if corrected
        else "Not corrected for the air: no weather is kept with every drive (pullbook weather DRIVE)."
    )
    limits = belt_limits(curve.speed_mps, car.gearing, car.tyres)
    words = f"Engine speed: {group.engine_speed}."
    if not turns and limits is not None:
        words += f" At {label(curve.speed_mps[best], unit)} that is {limits[0][best]:.0f} turns a minute or more."
    out.print(words)
    out.print()


def _print_difference(a: Pulled, b: Pulled, found: Difference, unit: str) -> None:
    out, per = console(), SPEED_UNITS[unit]
    rows = [
        [f"{speed / per:.4g}", f"{100 * change:+.1f}", f"±{100 * half:.1f}" if math.isfinite(half) else "-"]
        for speed, change, half in zip(found.speed_mps, found.by_speed, found.by_speed_half, strict=True)
        if _round(speed, unit) or len(found.speed_mps) <= 14
    ]
    out.print(f"{b.setup} against {a.setup}{', both corrected' if found.corrected else ', not corrected for the air'}")
    out.print()
    out.print(table([unit, "power %", "95 %"], rows, left=()))
    out.print()
    if math.isfinite(found.low):
        out.print(
            f"Over these speeds {100 * found.change:+.1f} % ({100 * found.low:+.1f} to {100 * found.high:+.1f}): "
            f"{found.verdict}."
        )
    else:
        out.print(
            f"Over these speeds {100 * found.change:+.1f} %; {found.verdict} to say more: two of each are the least."
        )
    out.print("From run to run only: a day's own luck is not in it. `pullbook compare` weighs days and parts.")
    out.print()


# --- what would it do? --------------------------------------------------------------------------------------------


@app.command()
def whatif(
    names: RunsArgument = None,
    mass: Annotated[str | None, typer.Option("--mass", help="Mass added or taken: -20kg.", show_default=False)] = None,
    drag: Annotated[str | None, typer.Option("--drag", help="Air drag: -10%.", show_default=False)] = None,
    rolling: Annotated[str | None, typer.Option("--rolling", help="Rolling: -5%.", show_default=False)] = None,
    power_: Annotated[str | None, typer.Option("--power", help="Power at the wheels: +5%.", show_default=False)] = None,
    gearing: Annotated[
        str | None,
        typer.Option("--gearing", help="Engine turns for a turn of the wheels: +8% is shorter.", show_default=False),
    ] = None,
    to: Annotated[
        list[str] | None, typer.Option("--to", help="A speed to time; repeat it for more.", show_default=False)
    ] = None,
    cruise: Annotated[
        str | None, typer.Option("--cruise", help="A speed to foretell cruise fuel at.", show_default=False)
    ] = None,
    car: CarOption = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Foretell times, top speed and cruise fuel after a change, from what the car has shown. A prediction."""
    from analysis import power as wheel
    from logger.drive import default_store

    changes = wheel.Changes(
        0.0 if mass is None else parse_quantity(mass, "kg"),
        1 + (0.0 if drag is None else _share("--drag", drag, low=-0.9, high=3)),
        1 + (0.0 if rolling is None else _share("--rolling", rolling, low=-0.9, high=3)),
        1 + (0.0 if power_ is None else _share("--power", power_, low=-0.9, high=3)),
        1 + (0.0 if gearing is None else _share("--gearing", gearing, low=-0.7, high=3)),
    )
    if changes == wheel.Changes():
        raise InputError("whatif: nothing is changed: give --mass, --drag, --rolling, --power or --gearing")
    groups, unit, config = _pulled(store, names, car, units)
    if len(groups) > 1:
        raise InputError(f"whatif: these runs are of {len(groups)} setups: name drives of one")
    group = groups[0]
    if group.mass.mass_kg + changes.mass_kg < 0.3 * group.mass.mass_kg:
        raise InputError(
            f"--mass: {mass!r} leaves {group.mass.mass_kg + changes.mass_kg:.0f} kg of {group.mass.mass_kg:.0f}"
        )
    foretold = wheel.predict(
        group.curve, group.mass, group.road, changes, _measured_times(group, to, unit), config.gearing
    )
    at = parse_speed(cruise) if cruise else float(group.curve.speed_mps[int(0.7 * len(group.curve.speed_mps))])
    base = wheel.Vehicle.of(group.mass, group.road)
    consumption = _consumption(store or default_store(), group.setup)
    saved = wheel.cruise_fuel(base, changes.on(base), at, consumption)
    if json:
        print_json(whatif_json(group, changes, foretold, saved))
    else:
        _print_foretold(group, changes, foretold, saved, unit)


def _measured_times(group: Pulled, to: list[str] | None, unit: str) -> dict[float, float]:
    """Mean time from first movement to each speed over the standing runs, for the speeds that all of them reached."""
    import numpy as np

    per = 10 * (MPS_PER_MPH if unit == "mph" else MPS_PER_KMH)
    standing = [(analysed, run) for analysed, run in group.runs if run.kind == "standing"]
    if not standing:
        raise NoAnswer("whatif needs a run from a standstill to begin from, and none is among these")
    peak = min(run.peak_mps for _, run in standing)
    if to:
        wanted = sorted(parse_speed(text) for text in to)
        if wanted[-1] > peak:
            raise NoAnswer(
                f"not all of these runs reached {label(wanted[-1], unit)}: the highest --to is {label(peak, unit)}"
            )
    else:
        wanted = [k * per for k in range(1, int(peak / per) + 1) if k * per > group.curve.speed_mps[0] + 1]
    times = {}
    for speed in wanted:
        passed = []
        for analysed, run in standing:
            inside = (analysed.motion.t_s >= run.start_s) & (analysed.motion.t_s <= run.end_s)
            rising = np.maximum.accumulate(analysed.motion.speed_mps[inside])
            passed.append(float(np.interp(speed, rising, analysed.motion.t_s[inside])) - run.start_s)
        times[speed] = float(np.mean(passed))
    return times


def _consumption(store: Path, setup: str) -> float | None:
    """Mean consumption of the loops kept for this setup [m3/m]; None where there is none."""
    from analysis.analysed import setup_name
    from analysis.economy import average
    from analysis.measured import fuel_loop
    from logger.drive import list_drives

    loops = []
    for drive in list_drives(store):
        if drive.manifest.fuel is not None and setup_name(drive) == setup and (loop := fuel_loop(drive)) is not None:
            loops.append(loop)
    return average(loops).m3_per_m if loops else None


def whatif_json(group: Pulled, changes: Changes, foretold: Prediction, saved: CruiseFuel) -> dict[str, Any]:
    """The answer of `whatif --json`."""
    return {
        "prediction": True,
        "setup": group.setup,
        "drives": group.drives,
        "changes": vars(changes),
        "times": [vars(time) for time in foretold.times],
        "top_speed_mps": {
            "before": foretold.top_before_mps,
            "after": foretold.top_after_mps,
            "change_sigma": foretold.top_sigma_mps,
        },
        "cruise_fuel": vars(saved),
        "assumptions": foretold.assumptions,
    }


def _print_foretold(group: Pulled, changes: Changes, foretold: Prediction, saved: CruiseFuel, unit: str) -> None:
    out = console()
    said = []
    if changes.mass_kg:
        said.append(f"mass {changes.mass_kg:+.0f} kg")
    for name in ("drag", "rolling", "power", "gearing"):
        if (factor := getattr(changes, name)) != 1:
            said.append(f"{name} {100 * (factor - 1):+.1f} %")
    out.print(
        f"A prediction, not a measurement: {', '.join(said)}; from {len(group.curve.pulls)} runs, setup: {group.setup}"
    )
    rows = [
        [
            f"0 to {label(time.speed_mps, unit)}", f"{time.before_s:.2f} s",
            f"{time.after_s:.2f} s" if math.isfinite(time.after_s) else "not reached",
            f"{time.change_s:+.2f} ±{time.sigma_s:.2f}" if math.isfinite(time.change_s) else "",
        ]
        for time in foretold.times
    ]  # fmt: skip
    top = foretold.top_after_mps - foretold.top_before_mps
    if math.isfinite(top):
        per = SPEED_UNITS[unit]
        rows.append([
            "top speed, level and still", label(foretold.top_before_mps, unit), label(foretold.top_after_mps, unit),
            f"{top / per:+.1f} ±{foretold.top_sigma_mps / per:.1f}",
        ])  # fmt: skip
    out.print()
    out.print(table(["", "now", "then", "change"], rows))
    out.print()
    if abs(saved.most) > 5e-4:
        least, most = sorted((saved.least, saved.most), key=abs)
        out.print(
            f"Fuel at a steady {label(saved.speed_mps, unit)}: {100 * least:+.1f} to {100 * most:+.1f} %, from drag "
            f"and rolling alone (road load {saved.before_n:.0f} N, then {saved.after_n:.0f} N)"
            + ("." if saved.from_loop else "; a fuel loop of this setup would narrow that.")
        )
    for assumption in foretold.assumptions:
        out.print(f"Assumes: {assumption}")
    out.print("± is one standard error of the change, the assumptions taken as true. Drive it to know.")


# --- shared -------------------------------------------------------------------------------------------------------


def _unit(asked: str | None, drive: Drive) -> str:
    from analysis.analysed import speed_unit

    if asked is not None and asked not in ("mph", "km/h"):
        raise InputError(f"--units: found {asked!r}, expected mph or km/h")
    return asked or speed_unit(drive)


def _read_car(path: Path | None) -> CarConfig | None:
    from logger.config import CarConfig, load

    return load(path, CarConfig) if path is not None else None


def _share(option: str, text: str, low: float = 1e-4, high: float = 1.0) -> float:
    value = parse_quantity(text, "1")
    if not low <= value <= high:
        raise InputError(f"{option}: {text!r} is out of reach: expected {100 * low:g}% to {100 * high:g}%")
    return value


def _far(metres: float, unit: str) -> str:
    """A distance in miles or kilometres, short ones in feet or metres."""
    if unit == "mph":
        return f"{metres / 1609.344:.2f} mi" if metres >= 160 else f"{metres / 0.3048:.0f} ft"
    return f"{metres / 1000:.2f} km" if metres >= 1000 else f"{metres:.0f} m"


def _span(band: tuple[float, float], unit: str) -> str:
    per = SPEED_UNITS[unit]
    return f"{band[0] / per:.4g} to {band[1] / per:.4g} {unit}"


def _round(mps: float, unit: str) -> bool:
    """Whether a speed is a multiple of 5 mph or 10 km/h."""
    step = 5 if unit == "mph" else 10
    return abs(math.remainder(mps / SPEED_UNITS[unit], step)) < 0.01


def _utc(ns: int) -> Any:
    from analysis.analysed import utc

    return utc(ns)
