"""The verbs on mixture: `mixture`, of one drive or from one to another, and `jets`."""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import MPS_PER_KMH, MPS_PER_MPH, SPEED_UNITS, InputError, parse_quantity, parse_speed

if TYPE_CHECKING:
    from analysis.delay import Delay
    from analysis.jet_history import History
    from analysis.jets import Advice, Expected, Jet, Present, Response
    from analysis.mapped import Mapped
    from analysis.mixture import Cell, Change, Judgement, LoadAxis, MixtureMap, Window
    from logger.drive import Drive

app = typer.Typer()

UnitsOption = Annotated[
    str | None,
    typer.Option("--units", help="mph or km/h; by default what the car's file says.", show_default=False),
]
TargetsOption = Annotated[
    Path | None,
    typer.Option(
        "--targets", help="The targets' file; by default targets.toml in the store, if any.", show_default=False
    ),
]
ChannelOption = Annotated[
    str | None,
    typer.Option("--channel", help="afr or lambda; SOURCE.afr where two sources tell one.", show_default=False),
]

MARKS = {"lean of target": "L", "in band": "=", "rich of target": "R", "not enough data": "-"}
"""Judgements as marks in the map."""


@app.command()
def mixture(
    drives: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[DRIVE [LATER]]", help="One drive for its map, two for what changed.", show_default=False
        ),
    ] = None,
    load: Annotated[
        str,
        typer.Option(
            "--load",
            help="The columns: share (of the most the car can do), acceleration, speed_over_rpm, or a channel.",
        ),
    ] = "share",
    channel: ChannelOption = None,
    band: Annotated[
        str | None,
        typer.Option(
            "--band", help="Height of a speed band, such as 5mph; 10 mph or km/h by default.", show_default=False
        ),
    ] = None,
    fuel: Annotated[
        str | None,
        typer.Option(
            "--fuel",
            help="Tell AFR as the true ratio of this fuel (E10, methanol ...), not on the controller's own scale.",
            show_default=False,
        ),
    ] = None,
    targets: TargetsOption = None,
    units: UnitsOption = None,
    csv_: Annotated[bool, typer.Option("--csv", help="Print the cells as comma-separated values.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """The mixture of a drive by speed and load, held against its targets; or what changed between two drives."""
    from analysis.fuels import blend_stoich_afr, parse_blend
    from analysis.mapped import map_drive, read_targets
    from analysis.mixture import difference
    from logger.drive import default_store, open_drive

    store = store or default_store()
    names = drives or ["last"]
    if len(names) > 2:
        raise InputError(f"mixture takes one drive or two, and got {len(names)}")
    wanted = read_targets(targets, store)
    opened = [open_drive(store, name) for name in names]
    unit = _unit(units, opened[0].car.units.speed if opened[0].car else "mph")
    height = parse_speed(band) if band else 10 * (MPS_PER_KMH if unit == "km/h" else MPS_PER_MPH)
    stoich = blend_stoich_afr(parse_blend(fuel)) if fuel else None
    first = map_drive(opened[0], wanted, channel, load, height, fuel_stoich_afr=stoich)
    if len(opened) == 1:
        if json:
            print_json(map_as_json(first))
        elif csv_:
            _print_csv(cell_rows(first.answer))
        else:
            _print_map(first, unit)
        return
    second = map_drive(
        opened[1], wanted, channel or first.answer.channel, first.answer.load, height, fuel_stoich_afr=stoich
    )
    changes = difference(first.answer, second.answer)
    if json:
        print_json(change_as_json(first, second, changes))
    elif csv_:
        _print_csv(change_rows(changes))
    else:
        _print_change(first, second, changes, unit)


def _unit(asked: str | None, usual: str) -> str:
    if asked is None:
        return usual
    if asked not in ("mph", "km/h"):
        raise InputError(f"--units {asked}: expected mph or km/h")
    return asked


# --- as data -------------------------------------------------------------------------------------------------------


def map_as_json(mapped: Mapped) -> dict[str, Any]:
    """The map with the fields that others rely on, and more."""
    found = mapped.answer
    return {
        "drive": mapped.drive.id,
        "channel": found.channel,
        "value_at_lambda_1": found.per_lambda,
        **_delay_as_json(found.delay),
        "load": {"name": found.load.name, "unit": found.load.unit, "edges": list(found.load.edges)},
        "road_load_from": mapped.state.road.source,
        "cooling": mapped.cooling,
        "total_s": found.total_s,
        "kept_s": found.kept_s,
        "bands": [dict(vars(band)) for band in found.bands],
        "cells": [_plain(cell) for cell in found.cells],
        "summaries": [_plain(summary) for summary in found.summaries],
        "masks": [dict(vars(mask)) for mask in found.masks],
        "notes": list(found.notes),
    }


def _delay_as_json(delay: Delay) -> dict[str, Any]:
    return {
        "delay_s": delay.delay_s,
        "delay_low_s": delay.delay_low_s,
        "delay_high_s": delay.delay_high_s,
        "delay_from": delay.source,
        "delay_says": delay.reason,
        "lag_s": delay.lag_s if delay.told_apart else None,
        "lag_low_s": delay.lag_low_s,
        "lag_high_s": delay.lag_high_s,
        "load_steps": delay.steps,
    }


def _plain(item: Any) -> dict[str, Any]:
    """A cell or summary as plain values."""
    values = dict(vars(item))
    target: Window = values.pop("target")
    words = {key: str(values[key]) for key in ("regime", "judgement")}
    return values | words | {"target": {"low": target.low, "high": target.high}}


def change_as_json(first: Mapped, second: Mapped, changes: Sequence[Change]) -> dict[str, Any]:
    """What changed from one drive to the next."""
    return {
        "a": first.drive.id,
        "b": second.drive.id,
        "channel": first.answer.channel,
        "load": {"name": first.answer.load.name, "unit": first.answer.load.unit},
        "cells": [dict(vars(change)) for change in changes],
    }


def cell_rows(found: MixtureMap) -> list[dict[str, Any]]:
    """The cells as flat rows."""
    rows = []
    for cell in found.cells:
        row = _plain(cell)
        target = row.pop("target")
        rows.append(row | {"target_low": target["low"], "target_high": target["high"]})
    return rows


def change_rows(changes: Sequence[Change]) -> list[dict[str, Any]]:
    """The changes as flat rows."""
    return [dict(vars(change)) for change in changes]


def _print_csv(rows: Sequence[dict[str, Any]]) -> None:
    if rows:
        writer = csv.DictWriter(sys.stdout, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({k: _number(v) for k, v in row.items()} for row in rows)


def _number(value: Any) -> Any:
    if isinstance(value, float):
        return "" if math.isnan(value) else round(value, 6)
    return value


# --- as text -------------------------------------------------------------------------------------------------------


def _print_map(mapped: Mapped, unit: str) -> None:
    found, out = mapped.answer, console()
    digits = 2 if found.channel == "afr" else 3
    scale = f", lambda 1 shown as {found.per_lambda:g}" if found.channel == "afr" else ""
    out.print(f"Mixture of {mapped.drive.id}: {_name(found.channel)}{scale}\n")
    rows = [
        [
            _range(b.from_mps, b.to_mps, unit), f"{b.seconds:.0f}", str(b.readings),
            f"{b.median:.{digits}f}" if b.told else "-", _sigma(b.sigma, digits) if b.told else "-",
            f"{b.p10:.{digits}f} to {b.p90:.{digits}f}",
        ]
        for b in found.bands
    ]  # fmt: skip
    out.print(table([unit, "seconds", "readings", "median", "sigma", "10 to 90 %"], rows))
    if not all(b.told for b in found.bands):
        out.print("- not enough data, or kinds of driving mixed with too little of each to tell the middle.")
    out.print()
    out.print(_map_table(found.cells, found.load, unit, lambda c: _cell_text(c, digits)))
    out.print(_legend(found))
    out.print()
    out.print(
        table(
            ["driving", "seconds", "median", "sigma", "target", "judgement"],
            [
                [
                    str(s.regime), f"{s.seconds:.0f}", _value(s.median, digits), _sigma(s.sigma, digits),
                    f"{s.target.low:.{digits - 1}f} to {s.target.high:.{digits - 1}f}",
                    _judgement(s.judgement, s.sure, s.readings),
                ]
                for s in found.summaries
            ],
            left=(0, 5),
        )
    )  # fmt: skip
    out.print()
    out.print(_left_out(found))
    out.print(delay_sentence(found.delay))
    out.print(_load_sentence(mapped, unit))
    for note in found.notes:
        out.print(note)
    judged = [(s.regime, s.judgement) for s in found.summaries] + [(c.regime, c.judgement) for c in found.cells]
    if ("full throttle", "lean of target") in judged:
        out.print(_LEAN_CAUTION)


_LEAN_CAUTION = (
    "Caution: lean at full throttle burns pistons and valves, and an air-cooled engine gives little warning. Ease off "
    "until it is richer, and have someone who knows the engine look at it if in doubt."
)


def _map_table(cells: Iterable[Any], load: LoadAxis, unit: str, text: Any) -> Any:
    """Speed by load, rows with nothing in them left out."""
    by_row: dict[tuple[float, float], dict[float, str]] = {}
    for cell in cells:
        by_row.setdefault((cell.from_mps, cell.to_mps), {})[cell.load_from] = text(cell)
    heads = [unit, *(_load_range(a, b, load) for a, b in zip(load.edges, load.edges[1:], strict=False))]
    rows = [
        [_range(a, b, unit), *(row.get(edge, "") for edge in load.edges[:-1])] for (a, b), row in sorted(by_row.items())
    ]
    return table(heads, rows)


def _cell_text(cell: Cell, digits: int) -> str:
    if cell.judgement == "not enough data":
        return f"- {cell.seconds:3.0f}s"
    doubt = " " if cell.sure else "?"
    return f"{cell.median:.{digits - 1}f} {MARKS[cell.judgement]}{doubt}{cell.seconds:3.0f}s"


def _legend(found: MixtureMap) -> str:
    unit = {"1": "", "": ""}.get(found.load.unit, f" in {found.load.unit}")
    return (
        f"Columns: {found.load.name}{unit}. Fields: median, L lean of target, = in band, R rich of target, - not "
        "enough data, ? not sure (the 95 % interval crosses an edge of the target); seconds."
    )


def _left_out(found: MixtureMap) -> str:
    parts = ", ".join(f"{mask.reason} {mask.seconds:.0f} s" for mask in found.masks if mask.seconds >= 0.5)
    return f"Used {found.kept_s:.0f} s of {found.total_s:.0f} s." + (f" Left out: {parts}." if parts else "")


def delay_sentence(delay: Delay) -> str:
    """The delay that was used and where it comes from."""
    if delay.delay_low_s is None or delay.delay_high_s is None:
        return (
            f"{delay.reason} Used: {delay.delay_s:.2f} s, the latency_s of the recorder's file. Six changes between "
            "cruise and full throttle, some seconds each, tell it."
        )
    text = f"Delay {delay.delay_s:.2f} s ({delay.delay_low_s:.2f} to {delay.delay_high_s:.2f})"
    if delay.told_apart and delay.lag_low_s is not None and delay.lag_high_s is not None:
        text += f", lag of the sensor {delay.lag_s:.2f} s ({delay.lag_low_s:.2f} to {delay.lag_high_s:.2f})"
    return f"{text}. {delay.reason}"


def _load_sentence(mapped: Mapped, unit: str) -> str:
    state = mapped.state
    if state.most is None:
        return f"Road load from {state.road.source}."
    step = SPEED_UNITS[unit] * (20 if unit == "mph" else 30)
    top = float(state.most.speed_mps[-1])
    speeds = [step * k for k in range(1, 5) if step * k <= top]
    at = ", ".join(f"{float(state.most.at(v)):.2f} at {v / SPEED_UNITS[unit]:.0f}" for v in speeds)
    flat_out = state.most.speed_mps[state.most.proven]
    unproven = ""
    if not len(flat_out):
        unproven = " Nothing in this drive looks flat out, so these shares may be too high."
    elif top - flat_out[-1] > 3:
        above = f"{flat_out[-1] / SPEED_UNITS[unit]:.0f} {unit}"
        unproven = f" Above {above} it was not driven flat out: there it follows from power."
    return (
        f"The most the car can do, from {state.most.source}: {at} {unit} (m/s2 of tractive acceleration; road load "
        f"from {state.road.source}).{unproven}"
    )


def _print_change(first: Mapped, second: Mapped, changes: Sequence[Change], unit: str) -> None:
    out, digits = console(), 2 if first.answer.channel == "afr" else 3
    out.print(f"Mixture, {second.drive.id} less {first.drive.id}: {_name(first.answer.channel)}\n")
    mark = {"leaner": "L", "richer": "R", "no change seen": "=", "not enough data": "-"}

    def text(c: Change) -> str:
        return "-" if c.verdict == "not enough data" else f"{c.difference:+.{digits}f} {mark[c.verdict]}"

    out.print(_map_table(changes, first.answer.load, unit, text))
    out.print(
        "L leaner, R richer, = no change seen (the 95 % interval of the difference holds zero), - not enough data. "
        "Columns: " + first.answer.load.name + "."
    )
    called = [c for c in changes if c.verdict in ("leaner", "richer")]
    if called:
        rows = [
            [
                _range(c.from_mps, c.to_mps, unit), _load_range(c.load_from, c.load_to, first.answer.load),
                f"{c.first:.{digits}f}", f"{c.second:.{digits}f}", f"{c.difference:+.{digits}f}",
                f"{c.low:+.{digits}f} to {c.high:+.{digits}f}", c.verdict,
            ]
            for c in called
        ]  # fmt: skip
        out.print()
        out.print(table([unit, "load", "first", "second", "change", "95 % interval", "so"], rows, left=(0, 6)))
    out.print()
    out.print(f"First: {delay_sentence(first.answer.delay)}")
    out.print(f"Second: {delay_sentence(second.answer.delay)}")


def _judgement(judgement: Judgement, sure: bool, readings: int) -> str:
    if judgement == "not enough data":
        return "not driven" if readings == 0 else str(judgement)
    return str(judgement) if sure else f"{judgement}, not sure"


def _name(channel: str) -> str:
    return "AFR" if channel == "afr" else channel


def _range(low: float, high: float, unit: str) -> str:
    a, b = low / SPEED_UNITS[unit], high / SPEED_UNITS[unit]
    return f"{a:.0f}-{b:.0f}" if abs(a - round(a)) < 0.05 and abs(b - round(b)) < 0.05 else f"{a:.1f}-{b:.1f}"


def _load_range(low: float, high: float, load: LoadAxis) -> str:
    return f"{low * 100:.0f}-{high * 100:.0f}%" if load.unit == "1" else f"{low:g}-{high:g}"


def _value(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


def _sigma(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "-"


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
    from analysis import jet_history, jets
    from analysis.mapped import read_targets
    from analysis.mixture import Regime, Window
    from logger.drive import default_store, list_drives, open_drive

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
        unit = _unit(units, drive.car.units.speed if drive.car else "mph")
        _print_jets(history, law, now, advice, window, unit, density)


def _future_density(drive: Drive, temperature: str | None, pressure: str | None, humidity: str | None) -> float:
    """Density of the air that the jet is for; NaN where the options do not say [kg/m3]."""
    from analysis.jet_history import density_of
    from analysis.weather import read_weather

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
        "not_the_main_jet": [_plain(cell) for cell in _other_circuits(history.mapped.answer.cells)],
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
        f"Full throttle with the {now.diameter_mm:.3f} mm main jet: {_name(mapped.answer.channel)} "
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
        speed = _range(now.leanest.from_mps, now.leanest.from_mps, unit).split("-")[0]
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
                f"{_range(c.from_mps, c.to_mps, unit)} {unit} at {_load_range(c.load_from, c.load_to, load)} "
                f"{c.judgement.split()[0]}"
                for c in off[:4]
            )
            more = f" and {len(off) - 4} more" if len(off) > 4 else ""
            lines.append(f"A main jet does not mend this: {places}{more}. That is {mends}.")
    return lines
