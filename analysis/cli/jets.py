"""The verb `jets`."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import ChannelOption, TargetsOption, UnitsOption
from analysis.wording import channel_label, load_label
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError
from logger.units import parse_quantity

if TYPE_CHECKING:
    from analysis.changes.jet_history import History
    from analysis.mixture.jets import Advice, Expected, Jet, Present, Response
    from analysis.mixture.map import Cell, LoadAxis, Window
    from logger.store.drive import Drive


app = typer.Typer()


# --- jets ----------------------------------------------------------------------------------------------------------


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
    channel: ChannelOption = None,
    targets: TargetsOption = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Which main jet to try next: what full throttle asks for, and what each jet that can be had would give."""
    from analysis.changes import jet_history
    from analysis.drive import read_targets
    from analysis.mixture import jets
    from analysis.mixture.map import Regime, Window
    from logger.store.drive import default_store, list_drives, open_drive

    store = store or default_store()
    wanted = read_targets(targets, store)
    drive = open_drive(store, name)
    available = jet_history.jets_to_be_had(wanted, own, store)
    quiet = json or not sys.stderr.isatty()
    history = jet_history.gather(
        drive, list_drives(store), wanted, channel, lambda i: None if quiet else print(f"reading {i}", file=sys.stderr)
    )
    density = _future_density(drive, temperature, pressure, humidity)
    law = jets.response(history.tested)
    now = jets.present(history.tested, history.latest, law, density_kg_per_m3=density)
    found = history.mapped.answer
    full = next(s for s in found.summaries if s.regime is Regime.FULL)
    scale = (14.7 if found.channel == "afr" else 1.0) / found.per_lambda
    window = Window(full.target.low * scale, full.target.high * scale)
    step = wanted.jets.max_lean_step * (1.0 if found.channel == "afr" else 1 / 14.7)
    ideal = jets.diameter_for(now.value, (window.low + window.high) / 2, now.diameter_mm, law.exponent)
    shown = jets.near(available, [now.diameter_mm, ideal])
    advice = jets.advise(now, law, shown, window, step)
    if json:
        print_json(jets_as_json(history, law, now, advice, window))
    else:
        unit = unit_asked(units, drive.car.units.speed if drive.car else "mph")
        _print_jets(history, law, now, advice, window, unit, density)


def _future_density(drive: Drive, temperature: str | None, pressure: str | None, humidity: str | None) -> float:
    """Density of the air that the jet is for; NaN where the options do not say [kg/m3]."""
    from analysis.changes.jet_history import density_of
    from analysis.conditions.weather import read_weather

    if temperature is None:
        if pressure or humidity:
            raise InputError("--pressure and --humidity need --temperature beside them")
        return math.nan
    return density_of(
        drive,
        read_weather(
            {
                "temperature_c": parse_quantity(temperature, "kelvin") - 273.15,
                "pressure_hpa": parse_quantity(pressure, "Pa") / 100 if pressure else None,
                "humidity_percent": parse_quantity(humidity, "1") * 100 if humidity else None,
            }
        ),
    )


def jets_as_json(history: History, law: Response, now: Present, advice: Advice, window: Window) -> dict[str, Any]:
    """The advice as plain values."""

    def expected(e: Expected) -> dict[str, Any]:
        values = dict(vars(e))
        jet: Jet = values.pop("jet")
        return {"jet": jet.name, "kind": jet.kind, "diameter_mm": jet.diameter_mm, "sigma_mm": jet.sigma_mm} | values

    return {
        "drive": history.mapped.drive.id,
        "channel": history.mapped.answer.channel,
        "target": {"low": window.low, "high": window.high},
        "now": {k: v for k, v in vars(now).items() if k != "leanest"},
        "response": dict(vars(law)),
        "verdict": advice.verdict,
        "choice": expected(advice.choice) if advice.choice else None,
        "wanted_mm": advice.wanted_mm,
        "wanted_low_mm": advice.wanted_low_mm,
        "wanted_high_mm": advice.wanted_high_mm,
        "expected": [expected(e) for e in advice.expected],
        "says": advice.says,
        "not_the_main_jet": [plain(cell) for cell in _other_circuits(history.mapped.answer.cells)],
        "left_out": list(history.left_out),
        "caution": _JET_CAUTION + (_AIR_COOLED if history.mapped.cooling == "air" else ""),
    }


_JET_CAUTION = (
    "Caution: change one step at a time and read it again before holding full throttle. Lean mixture burns pistons and "
    "valves. Fuel and hot exhaust burn: engine cold, outdoors, no flame. Measure the jet: holes run oversize, and "
    "marks lie."
)
_AIR_COOLED = " An air-cooled engine is cooled by its fuel too: stay at the rich end, and listen and feel for heat."


def _other_circuits(cells: Iterable[Cell]) -> list[Cell]:
    """The cells off target that a main jet does not mend."""
    return [c for c in cells if c.judgement in ("lean of target", "rich of target") and c.circuit != "main"]


def _print_jets(
    history: History, law: Response, now: Present, advice: Advice, window: Window, unit: str, density: float
) -> None:
    out = console()
    mapped = history.mapped
    digits = 2 if mapped.answer.channel == "afr" else 3
    drives = "1 drive" if now.drives == 1 else f"{now.drives} drives"
    out.print(
        f"Full throttle with the {now.diameter_mm:.3f} mm main jet: {channel_label(mapped.answer.channel)} "
        f"{now.value:.{digits}f} ({now.low:.{digits}f} to {now.high:.{digits}f}), from {drives} of this setup; "
        f"target {window.low:.{digits}f} to {window.high:.{digits}f}.\n"
    )
    out.print(advice.says)
    if advice.verdict != "keep":
        out.print(
            f"The middle of the target asks for {advice.wanted_mm:.3f} mm "
            f"({advice.wanted_low_mm:.3f} to {advice.wanted_high_mm:.3f})."
        )
    out.print()
    rows = [
        [
            ("> " if advice.choice is e else "") + e.jet.name, f"{e.jet.diameter_mm:.3f}", f"{e.value:.{digits}f}",
            f"{e.low:.{digits}f}-{e.high:.{digits}f}", f"{e.by_area_rule:.{digits}f}", f"{e.chance_in:.0%}",
            f"{e.chance_lean:.0%}", "" if e.allowed else "too lean",
        ]
        for e in advice.expected
    ]  # fmt: skip
    out.print(table(["jet", "mm", "gives", "95 %", "by area", "in target", "lean", "step"], rows, left=()))
    out.print(
        "Gives: full throttle with that jet, its 95 % interval, and by the area rule alone. In target, lean: the "
        "chances to land in the target and beyond its lean end. Step: too lean for one step."
    )
    out.print()
    out.print(law.says)
    out.print(_air_sentence(history, density))
    if now.leanest is not None and now.leanest.value > window.high >= now.value:
        speed = band_label(now.leanest.from_mps, now.leanest.from_mps, unit).split("-")[0]
        out.print(
            f"From {speed} {unit} on full throttle is leaner than the rest, {now.leanest.value:.{digits}f}: one jet "
            "moves all speeds alike; an air jet or needle bends them."
        )
    for line in _circuit_lines(mapped.answer.cells, unit, mapped.answer.load):
        out.print(line)
    for line in history.left_out:
        out.print(f"Left out: {line}.")
    out.print()
    out.print(_JET_CAUTION + (_AIR_COOLED if mapped.cooling == "air" else ""))


def _air_sentence(history: History, density: float) -> str:
    then = history.latest.density_kg_per_m3
    if math.isnan(density):
        known = f"the air of the drive ({then:.3f} kg/m3)" if math.isfinite(then) else "the air of the drive"
        return (
            f"This holds for {known}. Thinner air richens a carburettor, with the root of density: --temperature and "
            "--pressure say what you will drive in."
        )
    if math.isnan(then):
        return (
            "The air of the drive is not known (pullbook weather adds it), so the air to come cannot be set against it."
        )
    change = math.sqrt(density / then) - 1
    way = "leaner" if change > 0 else "richer"
    return (
        f"Air of {density:.3f} kg/m3 against {then:.3f} then makes it {abs(change):.1%} {way}; that is in the figures."
    )


def _circuit_lines(cells: Iterable[Cell], unit: str, load: LoadAxis) -> list[str]:
    """What is off target and is not the main jet's, a sentence for each circuit."""
    lines = []
    what = {
        "idle": "the idle circuit: its jet and mixture screw",
        "transition": "the transition: its holes, or on a slide carburettor cutaway and needle",
    }
    for circuit, mends in what.items():
        off = [c for c in _other_circuits(cells) if c.circuit == circuit]
        if off:
            places = ", ".join(
                f"{band_label(c.from_mps, c.to_mps, unit)} {unit} at {load_label(c.load_from, c.load_to, load)} "
                f"{c.judgement.split()[0]}"
                for c in off[:4]
            )
            more = f" and {len(off) - 4} more" if len(off) > 4 else ""
            lines.append(f"A main jet does not mend this: {places}{more}. That is {mends}.")
    return lines
