"""The verbs on mixture: `mixture`, of one drive or from one to another, and `jets`."""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import ChannelOption, TargetsOption
from analysis.wording import MARKS, band_label, channel_label, delay_sentence, load_label, sigma_or_dash, value_or_dash
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError
from logger.units import MPS_PER_KMH, MPS_PER_MPH, SPEED_UNITS, parse_speed

if TYPE_CHECKING:
    from analysis.drive import Mapped
    from analysis.mixture.delay import Delay
    from analysis.mixture.map import Cell, Change, Judgement, LoadAxis, MixtureMap, Window

app = typer.Typer()

UnitsOption = Annotated[
    str | None,
    typer.Option("--units", help="mph or km/h; by default what the car's file says.", show_default=False),
]


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
    from analysis.conditions.fuels import blend_stoich_afr, parse_blend
    from analysis.drive import map_drive, read_targets
    from analysis.mixture.map import difference
    from logger.store.drive import default_store, open_drive

    store = store or default_store()
    names = drives or ["last"]
    if len(names) > 2:
        raise InputError(f"mixture takes one drive or two, and got {len(names)}")
    wanted = read_targets(targets, store)
    opened = [open_drive(store, name) for name in names]
    unit = unit_asked(units, opened[0].car.units.speed if opened[0].car else "mph")
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


def unit_asked(asked: str | None, usual: str) -> str:
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
        "cells": [plain(cell) for cell in found.cells],
        "summaries": [plain(summary) for summary in found.summaries],
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


def plain(item: Any) -> dict[str, Any]:
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
        row = plain(cell)
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
    out.print(f"Mixture of {mapped.drive.id}: {channel_label(found.channel)}{scale}\n")
    rows = [
        [
            band_label(b.from_mps, b.to_mps, unit), f"{b.seconds:.0f}", str(b.readings),
            f"{b.median:.{digits}f}" if b.told else "-", sigma_or_dash(b.sigma, digits) if b.told else "-",
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
                    str(s.regime), f"{s.seconds:.0f}", value_or_dash(s.median, digits), sigma_or_dash(s.sigma, digits),
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
    heads = [unit, *(load_label(a, b, load) for a, b in zip(load.edges, load.edges[1:], strict=False))]
    rows = [
        [band_label(a, b, unit), *(row.get(edge, "") for edge in load.edges[:-1])]
        for (a, b), row in sorted(by_row.items())
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
    out.print(f"Mixture, {second.drive.id} less {first.drive.id}: {channel_label(first.answer.channel)}\n")
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
                band_label(c.from_mps, c.to_mps, unit), load_label(c.load_from, c.load_to, first.answer.load),
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
