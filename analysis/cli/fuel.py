"""The verb `fuel`."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import UnitsOption, above_zero, band_asked, open_store, share_asked, units_of
from analysis.wording import distance_text, duration, litres_text, miles_or_km, plural, speed_span, way_text, wind_text
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table, tell
from logger.errors import InputError
from logger.units import US_GALLON_M3, parse_quantity, speed_label

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.answers.fuel import ConsumptionAgainst, FuelAnswer, FuelLoopsAnswer, LoopsNeeded, SetupConsumption
    from analysis.drive import AnalysedDrive
    from analysis.road.fuel_used import Used


app = typer.Typer()


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
    anyway: Annotated[bool, typer.Option("--anyway", help="Keep a consumption that is no car's.")] = False,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Fuel consumption of a loop, with its interval; kept with the drive. Without fuel: all loops kept, by setup."""
    from analysis.answers.fuel import doubted, forget_fuel, fuel_answer, fuel_loops_answer, keep_fuel

    opened = open_store(store)
    change = None if show is None else share_asked("--show", show)
    if used is None and by_weight is None and not forget:
        kept = fuel_loops_answer(opened, names, change)
        unit = units_of(units, opened.drive(kept.loops[-1].drive))
        print_json(kept.to_json()) if json else _print_loops(kept, unit)
        return
    if names is not None and len(names) > 1:
        raise InputError(f"fuel: one loop at a time: got {len(names)} drives and one amount of fuel")
    drive = opened.drive(names[0] if names else "last")
    if forget:
        gone = forget_fuel(drive)
        if json:
            print_json(gone.to_json())
        else:
            tell(f"{gone.drive}: its fuel is forgotten; the drive's trace says so")
        return
    unit = units_of(units, drive)
    amount = _used(drive, used, by_weight, sigma, fuel_temp, band)
    found = fuel_answer(drive, amount, change)
    if (question := doubted(drive, amount)) and not anyway and not _confirmed(question):
        raise InputError(f"{drive.id}: not kept: {question} With --anyway it is kept")
    keep_fuel(drive, amount)
    print_json(found.to_json()) if json else _print_loop(found, unit)


def _confirmed(question: str) -> bool:
    """Whether the owner, asked at a terminal, keeps it all the same."""
    return sys.stdin.isatty() and sys.stdout.isatty() and typer.confirm(f"{question} Keep it all the same?")


def _used(
    drive: AnalysedDrive, used: str | None, by_weight: str | None, sigma: str | None, fuel_temp: str | None,
    band: str | None,
) -> Used:  # fmt: skip
    """The fuel as typed, with what the car's file adds."""
    from analysis.answers.fuel import used_fuel

    if used is not None and by_weight is not None:
        raise InputError("--used and --by-weight: give one of them")
    held = band_asked(band)
    unit = "kg" if used is None else "m**3"
    error = None if sigma is None else above_zero("--sigma", parse_quantity(sigma, unit), sigma)
    if used is not None:
        volume = above_zero("--used", parse_quantity(used, unit), used)
        warm = None if fuel_temp is None else parse_quantity(fuel_temp, "kelvin")
        if warm is not None and not 230 <= warm <= 340:
            raise InputError(f"--fuel-temp: {fuel_temp!r} is no temperature of fuel: expected -40 to 65 C")
        return used_fuel(drive, volume_m3=volume, sigma=error, fuel_k=warm, band_mps=held)
    assert by_weight is not None
    if fuel_temp is not None:
        raise InputError("--fuel-temp: a weight needs no temperature; leave it out, or give a volume with --used")
    mass = above_zero("--by-weight", parse_quantity(by_weight, unit), by_weight)
    return used_fuel(drive, mass_kg=mass, sigma=error, band_mps=held)


# --- one loop -----------------------------------------------------------------------------------------------------


def _print_loop(loop: FuelAnswer, unit: str) -> None:
    out = console()
    out.print(f"Fuel loop {loop.drive}, setup: {loop.setup}")
    rows = [
        [name, f"{value:.2f}", f"{low:.2f}", f"{high:.2f}"]
        for name, value, (low, high) in (
            ("miles on a US gallon", loop.mpg_us, loop.mpg_us_interval),
            ("miles on an imperial gallon", loop.mpg_imperial, loop.mpg_imperial_interval),
            ("litres for 100 km", loop.l_per_100km, loop.l_per_100km_interval),
        )
    ]
    out.print()
    out.print(table(["", "this loop", "95 % from", "to"], rows))
    out.print()
    error = miles_or_km(loop.distance_sigma_m, unit, 2).split()[0]
    by_speed = distance_text(loop.distance_by_speed_m, unit)
    said = f"Distance {distance_text(loop.distance_m, unit)} ±{error}: by its speed {by_speed}"
    if math.isfinite(loop.distance_by_track_m):
        said += f", by its track {distance_text(loop.distance_by_track_m, unit)}"
    out.print(f"{said}.")
    out.print(
        f"Fuel {loop.used_m3 / US_GALLON_M3:.3f} US gal = {litres_text(loop.used_m3)} at 15.6 C (60 F), "
        f"±{100 * loop.used_sigma_m3 / loop.used_m3:.1f} %."
    )
    out.print(_driven(loop, unit))
    for said in loop.not_as_asked:
        out.print(f"Not as asked: {_sentence(said)}")
    for said in loop.assumed:
        out.print(f"Assumed: {said}.")
    out.print()
    out.print(_what_it_shows(loop.to_show, unit))
    out.print("The interval is what measuring leaves. Wind, traffic and foot differ too: drive the loop again to see.")
    out.print("Fill and weigh fuel in the open, engine off and cool, away from flame and spark.")


def _driven(loop: FuelAnswer, unit: str) -> str:
    manner = loop.manner
    stops = plural(manner.stops, "stop") if manner.stops else "no stops"
    said = f"Driven: {duration(manner.seconds)}, {stops} ({manner.standing_s:.0f} s)"
    said += f", mean {speed_label(manner.moving_mean_mps, unit)} moving"
    if loop.band_mps is not None:
        said += f", {manner.in_band:.0%} of the time in {speed_span(loop.band_mps, unit)}"
    if math.isfinite(manner.climb_m):
        said += f", {way_text(manner.climb_m, unit)} climbed"
    known = math.isfinite(manner.wind_mps)
    return said + (f", wind {wind_text(manner.wind_mps, unit)}." if known else ", wind not stated.")


def _sentence(said: str) -> str:
    return said if said.endswith("?") else f"{said}."


def _what_it_shows(needed: LoopsNeeded, unit: str) -> str:
    said = (
        f"One such loop before and one after show a change of {needed.smallest_change_percent:.1f} % or more "
        "(8 times in 10)."
    )
    change = f"{needed.change_percent:.1f} %"
    if math.isfinite(needed.loop_length_m):
        return f"{said} To show {change} the loop must be {miles_or_km(needed.loop_length_m, unit)} long."
    count = needed.loops_each
    several = f"{count} such loops before and {count} after" if count else "many, before and after"
    said += f" No length of one loop shows {change}: drive {several}"
    return f"{said}, and measure the fuel's temperature." if needed.measure_temperature else f"{said}."


# --- all loops that are kept --------------------------------------------------------------------------------------


def _print_loops(kept: FuelLoopsAnswer, unit: str) -> None:
    """Loops kept with drives: each, and averaged by setup."""
    out = console()
    rows = [
        [
            loop.drive + ("*" if loop.not_as_asked else ""), loop.setup, distance_text(loop.distance_m, unit),
            f"{loop.mpg_us:.1f}", f"{loop.l_per_100km:.2f}", f"±{loop.sigma_percent:.1f} %",
        ]
        for loop in kept.loops
    ]  # fmt: skip
    out.print(table(["Loop", "setup", "distance", "mpg US", "L/100 km", "error"], rows, left=(0, 1)))
    out.print()
    columns = ["Setup", "loops", "mpg US", "95 %", "L/100 km", "95 %"]
    averages = [_average_row(of) for of in kept.setups]
    out.print(table(columns, averages, title="Averages (harmonic mean, SAE J1082)"))
    out.print()
    for of in kept.setups:
        if of.against_first is not None:
            out.print(f"{of.setup} against {kept.setups[0].setup}: {_change_words(of.against_first)}.")
    for loop in kept.loops:
        for said in loop.not_as_asked:
            out.print(f"* {loop.drive}, not as asked: {_sentence(said)}")
    _print_scatter(out, kept)
    out.print(_what_it_shows(kept.to_show, unit))
    for each in kept.unread:
        out.print(f"Left out: {each.why}")


def _average_row(of: SetupConsumption) -> list[str]:
    miles, litres = of.mpg_us_interval, of.l_per_100km_interval
    return [
        of.setup, f"{of.loops}", f"{of.mpg_us:.1f}", f"{miles[0]:.1f} to {miles[1]:.1f}", f"{of.l_per_100km:.2f}",
        f"{litres[0]:.2f} to {litres[1]:.2f}",
    ]  # fmt: skip


def _print_scatter(out: Console, kept: FuelLoopsAnswer) -> None:
    if kept.scatter_repeats:
        repeats = plural(kept.scatter_repeats, "repeat")
        out.print(f"From loop to loop of one setup consumption scattered by {kept.scatter_percent:.1f} % ({repeats}).")
    else:
        out.print(
            "No setup has two loops: how far loops differ by wind, traffic and foot is not known and not in this. "
            "Drive one again."
        )


def _change_words(change: ConsumptionAgainst) -> str:
    return f"{100 * change.change:+.1f} % ({100 * change.low:+.1f} to {100 * change.high:+.1f}): {change.verdict}"
