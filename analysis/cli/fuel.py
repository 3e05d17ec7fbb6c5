"""The verb `fuel`."""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.answers import typed
from analysis.cli.options import UnitsOption, open_store, units_of
from analysis.cli.verdict import WhyOption, print_rest
from analysis.wording import distance_text, duration, litres_text, miles_or_km, plural, speed_span, way_text, wind_text
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table, tell
from logger.errors import InputError
from logger.units import US_GALLON_M3, speed_label

if TYPE_CHECKING:
    from analysis.answers.fuel import ConsumptionAgainst, FuelAnswer, FuelLoopsAnswer, LoopsNeeded, SetupConsumption


app = typer.Typer()


@app.command(epilog="Example: pullbook fuel last --used 0.84gal")
def fuel(
    names: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[DRIVE]...",
            help="The loop's drive. To see what is stored: more than one, or none for all.",
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
        typer.Option("--sigma", help="Its standard error: how well fills, or the scale, repeat.", show_default=False),
    ] = None,
    fuel_temp: Annotated[
        str | None, typer.Option("--fuel-temp", help="Temperature of the fuel: 31C or 88F.", show_default=False)
    ] = None,
    band: Annotated[
        str | None, typer.Option("--band", help="The speeds to hold on the loop: 45mph-50mph.", show_default=False)
    ] = None,
    show: Annotated[
        str | None,
        typer.Option("--show", help="Show how long a loop must be to show this change: 3%.", show_default=False),
    ] = None,
    forget: Annotated[bool, typer.Option("--forget", help="Remove the fuel stored with the drive.")] = False,
    anyway: Annotated[bool, typer.Option("--anyway", help="Store a consumption that no car has.")] = False,
    units: UnitsOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Fuel consumption of a loop, with its interval, stored with the drive. Without fuel: stored loops by setup."""
    from analysis.answers.fuel import doubted, forget_fuel, fuel_answer, fuel_loops_answer, keep_fuel

    opened = open_store(store)
    change = None if show is None else typed.share("--show", show)
    if used is None and by_weight is None and not forget:
        kept = fuel_loops_answer(opened, names, change)
        unit = units_of(units, opened.drive(kept.loops[-1].drive))
        print_json(kept.to_json()) if json else _print_loops(kept, unit, why)
        return
    if names is not None and len(names) > 1:
        raise InputError(f"fuel: {len(names)} drives and one amount of fuel. Name one drive at a time.")
    drive = opened.drive(names[0] if names else "last")
    if forget:
        gone = forget_fuel(drive)
        if json:
            print_json(gone.to_json())
        else:
            tell(f"{gone.drive}: its fuel is removed. The drive's trace says so.")
        return
    unit = units_of(units, drive)
    amount = typed.fuel_of(drive, used=used, by_weight=by_weight, sigma=sigma, fuel_temp=fuel_temp, held=band)
    found = fuel_answer(drive, amount, change)
    if (question := doubted(drive, amount)) and not anyway and not _confirmed(question):
        raise InputError(f"{drive.id}: not stored: {question} Add --anyway to store it.")
    keep_fuel(drive, amount)
    print_json(found.to_json()) if json else _print_loop(found, unit, why)


def _confirmed(question: str) -> bool:
    """Whether the owner, asked at a terminal, keeps it all the same."""
    return sys.stdin.isatty() and sys.stdout.isatty() and typer.confirm(f"{question} Store it all the same?")


# --- one loop -----------------------------------------------------------------------------------------------------


def _print_loop(loop: FuelAnswer, unit: str, why: bool) -> None:
    out = console()
    low, high = loop.mpg_us_interval
    out.print(f"{loop.mpg_us:.1f} mpg US ({low:.1f} to {high:.1f}), {loop.l_per_100km:.2f} L/100 km.", style="bold")
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
    said = f"Distance {distance_text(loop.distance_m, unit)} ±{error}: by speed {by_speed}"
    if math.isfinite(loop.distance_by_track_m):
        said += f", by track {distance_text(loop.distance_by_track_m, unit)}"
    rest = [
        f"{said}.",
        f"Fuel {loop.used_m3 / US_GALLON_M3:.3f} US gal = {litres_text(loop.used_m3)} at 15.6 C (60 F), "
        f"±{100 * loop.used_sigma_m3 / loop.used_m3:.1f} %.",
        _driven(loop, unit),
    ]
    for said in loop.not_as_asked:
        out.print(f"Not driven as asked: {_sentence(said)}")
    for said in loop.assumed:
        out.print(f"Assumed: {said}.")
    out.print()
    out.print(_what_it_shows(loop.to_show, unit))
    out.print("The interval is only the error of measuring. Drive the loop again: wind, traffic and foot differ too.")
    out.print("Fill and weigh fuel in the open, engine off and cool, away from flame and spark.")
    print_rest(out, rest, why)


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
    return said + (f", wind {wind_text(manner.wind_mps, unit)}." if known else ", wind not given.")


def _sentence(said: str) -> str:
    return said if said.endswith("?") else f"{said}."


def _what_it_shows(needed: LoopsNeeded, unit: str) -> str:
    said = (
        f"The smallest change that one such loop before and one after show: {needed.smallest_change_percent:.1f} % "
        "(8 times in 10)."
    )
    change = f"{needed.change_percent:.1f} %"
    if math.isfinite(needed.loop_length_m):
        return f"{said} To show {change} the loop must be {miles_or_km(needed.loop_length_m, unit)} long."
    count = needed.loops_each
    several = f"{count} such loops before and {count} after" if count else "many such loops before and after"
    said += f" No single loop of any length shows {change}. Drive {several}"
    return f"{said}, and measure the fuel's temperature." if needed.measure_temperature else f"{said}."


# --- all loops that are kept --------------------------------------------------------------------------------------


def _print_loops(kept: FuelLoopsAnswer, unit: str, why: bool) -> None:
    """Loops kept with drives: each, and averaged by setup."""
    out = console()
    changes = [of for of in kept.setups if of.against_first is not None]
    for of in changes:
        words = _change_words(of.against_first) if of.against_first is not None else ""
        out.print(f"{of.setup} compared with {kept.setups[0].setup}: {words}.", style="bold")
    if not changes:
        of = kept.setups[0]
        low, high = of.mpg_us_interval
        out.print(f"{of.setup}: {of.mpg_us:.1f} mpg US ({low:.1f} to {high:.1f}).", style="bold")
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
    for loop in kept.loops:
        for said in loop.not_as_asked:
            out.print(f"* {loop.drive}, not driven as asked: {_sentence(said)}")
    for each in kept.unread:
        out.print(f"Left out: {each.why}")
    if not kept.scatter_repeats:
        out.print(
            "No setup has two loops, so the ± does not include wind, traffic and foot. Drive a loop again to see them."
        )
    print_rest(out, [*_scatter(kept), _what_it_shows(kept.to_show, unit)], why)


def _average_row(of: SetupConsumption) -> list[str]:
    miles, litres = of.mpg_us_interval, of.l_per_100km_interval
    return [
        of.setup, f"{of.loops}", f"{of.mpg_us:.1f}", f"{miles[0]:.1f} to {miles[1]:.1f}", f"{of.l_per_100km:.2f}",
        f"{litres[0]:.2f} to {litres[1]:.2f}",
    ]  # fmt: skip


def _scatter(kept: FuelLoopsAnswer) -> list[str]:
    if not kept.scatter_repeats:
        return []
    repeats = plural(kept.scatter_repeats, "repeat")
    return [f"From loop to loop of one setup, consumption scattered by {kept.scatter_percent:.1f} % ({repeats})."]


def _change_words(change: ConsumptionAgainst) -> str:
    return f"{100 * change.change:+.1f} % ({100 * change.low:+.1f} to {100 * change.high:+.1f}): {change.verdict}"
