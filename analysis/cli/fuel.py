"""The verb `fuel`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import UnitsOption, above_zero, band_asked, share_asked, unit_of_drive
from analysis.wording import distance_text, speed_span
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError, NoAnswer
from logger.units import parse_quantity
from logger.units import speed_label as label

if TYPE_CHECKING:
    from analysis.road.fuel_loops import Average, Loop, Used
    from logger.store.drive import Drive


app = typer.Typer()


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
    from logger.store.drive import default_store, open_drive

    store = store or default_store()
    change = None if show is None else share_asked("--show", show)
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
    from analysis.drive import fuel_loop
    from analysis.road import fuel_loops

    unit = unit_of_drive(units, drive)
    amount = _used(drive, used, by_weight, sigma, fuel_temp, band)
    loop = fuel_loop(drive, amount)
    assert loop is not None
    again = drive.manifest.fuel is not None
    drive.amend(
        f"fuel loop {'put right' if again else 'added'}: {amount.volume_m3 * 1e3:.3f} L at 15.6 C",
        fuel=fuel_loops.to_kept(amount),
    )
    if json:
        print_json(loop_json(drive, loop))
    else:
        _print_loop(drive, loop, unit, change)


def _used(
    drive: Drive, used: str | None, by_weight: str | None, sigma: str | None, fuel_temp: str | None, band: str | None
) -> Used:
    from analysis.conditions.fuels import FUELS, parse_blend
    from analysis.road import fuel_loops

    if used is not None and by_weight is not None:
        raise InputError("--used and --by-weight: give one of them")
    held = band_asked(band)
    kept = drive.car.fuel if drive.car else None
    if used is not None:
        error = None if sigma is None else above_zero("--sigma", parse_quantity(sigma, "m**3"), sigma)
        warm = None if fuel_temp is None else parse_quantity(fuel_temp, "kelvin")
        if warm is not None and not 230 <= warm <= 340:
            raise InputError(f"--fuel-temp: {fuel_temp!r} is no temperature of fuel: expected -40 to 65 C")
        expansion = kept.expansion_per_c if kept else None
        volume = above_zero("--used", parse_quantity(used, "m**3"), used)
        return fuel_loops.used_by_volume(volume, error, warm, expansion, held)
    assert by_weight is not None
    if fuel_temp is not None:
        raise InputError("--fuel-temp: a weight needs no temperature; leave it out, or give a volume with --used")
    error = None if sigma is None else above_zero("--sigma", parse_quantity(sigma, "kg"), sigma)
    mass = above_zero("--by-weight", parse_quantity(by_weight, "kg"), by_weight)
    usual = fuel_loops.DENSITY_KG_PER_M3
    if kept:
        usual = sum(share * FUELS[name].density_kg_per_m3 for name, share in parse_blend(kept.blend).items())
    return fuel_loops.used_by_weight(mass, error, kept.density_kg_per_m3 if kept else None, usual, held)


def loop_json(drive: Drive, loop: Loop) -> dict[str, Any]:
    """The answer of `fuel --json` for one loop."""
    from analysis.drive import setup_name
    from analysis.road import fuel_loops

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
        "l_per_100km": fuel_loops.l_per_100km(loop.m3_per_m),
        "l_per_100km_interval": [fuel_loops.l_per_100km(low), fuel_loops.l_per_100km(high)],
        "mpg_us": fuel_loops.mpg_us(loop.m3_per_m),
        "mpg_us_interval": [fuel_loops.mpg_us(high), fuel_loops.mpg_us(low)],
        "mpg_imperial": fuel_loops.mpg_imperial(loop.m3_per_m),
        "sigma_percent": 100 * loop.sigma,
        "in_band_fraction": loop.manner.in_band,
        "manner": vars(loop.manner),
        "not_as_asked": loop.not_as_asked,
        "assumed": list(loop.used.assumed),
        "smallest_change_percent": 100 * fuel_loops.smallest_change(loop.own_sigma),
    }


def _print_loop(drive: Drive, loop: Loop, unit: str, show: float | None) -> None:
    from analysis.drive import setup_name
    from analysis.road import fuel_loops

    out, manner, way = console(), loop.manner, loop.distance
    out.print(f"Fuel loop {drive.id}, setup: {setup_name(drive)}")
    share = 1.96 * loop.sigma
    low, high = loop.m3_per_m * (1 - share), loop.m3_per_m * (1 + share)
    rows = [
        [name, form.format(of(loop.m3_per_m)), form.format(min(of(low), of(high))), form.format(max(of(low), of(high)))]
        for name, of, form in (
            ("miles on a US gallon", fuel_loops.mpg_us, "{:.2f}"),
            ("miles on an imperial gallon", fuel_loops.mpg_imperial, "{:.2f}"),
            ("litres for 100 km", fuel_loops.l_per_100km, "{:.2f}"),
        )
    ]
    out.print()
    out.print(table(["", "this loop", "95 % from", "to"], rows))
    out.print()
    error = f"±{way.sigma_m / (1609.344 if unit == 'mph' else 1000):.2f}"
    said = f"Distance {distance_text(way.metres, unit)} {error}: by its speed {distance_text(way.doppler_m, unit)}"
    out.print(said + (f", by its track {distance_text(way.track_m, unit)}." if math.isfinite(way.track_m) else "."))
    gallons = loop.used.volume_m3 / 3.785411784e-3
    out.print(
        f"Fuel {gallons:.3f} US gal = {loop.used.volume_m3 * 1e3:.3f} L at 15.6 C (60 F), "
        f"±{100 * loop.used.sigma_m3 / loop.used.volume_m3:.1f} %."
    )
    stops = {0: "no stops", 1: "1 stop"}.get(manner.stops, f"{manner.stops} stops")
    driven = f"Driven: {manner.seconds / 60:.1f} min, {stops} ({manner.standing_s:.0f} s)"
    driven += f", mean {label(manner.moving_mean_mps, unit)} moving"
    if loop.used.band_mps is not None:
        driven += f", {manner.in_band:.0%} of the time in {speed_span(loop.used.band_mps, unit)}"
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
    from analysis.road import fuel_loops

    least = fuel_loops.smallest_change(math.hypot(loop.own_sigma, scatter))
    said = f"One such loop before and one after show a change of {100 * least:.1f} % or more (8 times in 10)."
    change = show or least / 2
    far = fuel_loops.length_to_show(change, loop, scatter)
    if math.isfinite(far):
        miles, name = (1609.344, "mi") if unit == "mph" else (1000.0, "km")
        return f"{said} To show {100 * change:.1f} % the loop must be {far / miles:.0f} {name} long."
    count = fuel_loops.loops_to_show(change, loop, scatter)
    several = f"{count} such loops before and {count} after" if count else "many, before and after"
    said += f" No length of one loop shows {100 * change:.1f} %: drive {several}"
    if loop.used.fuel_k is None and loop.used.how == "volume":
        said += ", and measure the fuel's temperature"
    return f"{said}."


def _kept_loops(store: Path, names: list[str] | None, units: str | None, show: float | None, json: bool) -> None:
    """Loops kept with drives: each, and averaged by setup."""
    from analysis.drive import fuel_loop, setup_name
    from analysis.road import fuel_loops
    from logger.store.drive import list_drives, open_drive

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
    pooled = fuel_loops.pooled_scatter(list(by_setup.values()))
    averages = {setup: fuel_loops.average(of, pooled) for setup, of in by_setup.items()}
    if json:
        print_json(_loops_json(loops, averages))
        return
    unit = unit_of_drive(units, loops[-1][0])
    out = console()
    rows = [
        [
            drive.id + ("*" if loop.not_as_asked else ""), setup_name(drive), distance_text(loop.distance.metres, unit),
            f"{fuel_loops.mpg_us(loop.m3_per_m):.1f}", f"{fuel_loops.l_per_100km(loop.m3_per_m):.2f}",
            f"±{100 * loop.sigma:.1f} %",
        ]
        for drive, loop in loops
    ]  # fmt: skip
    out.print(table(["Loop", "setup", "distance", "mpg US", "L/100 km", "error"], rows, left=(0, 1)))
    rows = []
    for setup, of in averages.items():
        low, high = of.interval()
        rows.append([
            setup, f"{of.loops}", f"{fuel_loops.mpg_us(of.m3_per_m):.1f}",
            f"{fuel_loops.mpg_us(high):.1f} to {fuel_loops.mpg_us(low):.1f}",
            f"{fuel_loops.l_per_100km(of.m3_per_m):.2f}",
            f"{fuel_loops.l_per_100km(low):.2f} to {fuel_loops.l_per_100km(high):.2f}",
        ])  # fmt: skip
    out.print()
    columns = ["Setup", "loops", "mpg US", "95 %", "L/100 km", "95 %"]
    out.print(table(columns, rows, title="Averages (harmonic mean, SAE J1082)"))
    out.print()
    (base, first), *others = averages.items()
    for setup, of in others:
        out.print(f"{setup} against {base}: {_change_words(fuel_loops.difference(first, of))}.")
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
    from analysis.road import fuel_loops

    first = next(iter(averages.values()))
    return {
        "loops": [loop_json(drive, loop) for drive, loop in loops],
        "setups": [
            {
                "setup": setup,
                "loops": of.loops,
                "mpg_us": fuel_loops.mpg_us(of.m3_per_m),
                "mpg_us_interval": [fuel_loops.mpg_us(side) for side in reversed(of.interval())],
                "l_per_100km": fuel_loops.l_per_100km(of.m3_per_m),
                "sigma_percent": 100 * math.hypot(of.sigma, of.shared),
                "scatter_percent": 100 * of.scatter,
                "against_first": None if of is first else vars(fuel_loops.difference(first, of)),
            }
            for setup, of in averages.items()
        ],
    }


def consumption_of(store: Path, setup: str) -> float | None:
    """Mean consumption of the loops kept for this setup [m3/m]; None where there is none."""
    from analysis.drive import fuel_loop, setup_name
    from analysis.road.fuel_loops import average
    from logger.store.drive import list_drives

    loops = []
    for drive in list_drives(store):
        if drive.manifest.fuel is not None and setup_name(drive) == setup and (loop := fuel_loop(drive)) is not None:
            loops.append(loop)
    return average(loops).m3_per_m if loops else None
