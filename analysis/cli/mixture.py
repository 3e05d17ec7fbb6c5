"""The verb `mixture`: of one drive, or from one to another."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from analysis.cli.options import ChannelOption, TargetsOption, UnitsOption, open_store, read_targets, units_of
from analysis.cli.said_before import said_again
from analysis.cli.verdict import WhyOption, print_rest
from analysis.wording import (
    FULL_THROTTLE_OF_DRIVE,
    MARKS,
    accel,
    accel_unit,
    channel_digits,
    channel_label,
    interval,
    load_label,
    number,
    signed,
    speed_number,
    speed_range,
)
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError
from logger.units import parse_speed, speed_label

if TYPE_CHECKING:
    from analysis.answers.encoding import Answer
    from analysis.answers.mixture import (
        CellAnswer,
        CellChangeAnswer,
        LoadAnswer,
        MixtureAnswer,
        MixtureChangeAnswer,
        RegimeAnswer,
    )

app = typer.Typer()


@app.command(epilog="Example: pullbook mixture last")
@said_again
def mixture(
    drives: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[DRIVE [LATER]]", help="One drive for its map. Two for what changed.", show_default=False
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
            "--band", help="Height of a speed band, such as 5mph. By default 10 mph or 10 km/h.", show_default=False
        ),
    ] = None,
    fuel: Annotated[
        str | None,
        typer.Option(
            "--fuel",
            help="Show AFR as the true ratio of this fuel (E10, methanol, or car for the car's file), not on the "
            "controller's own scale.",
            show_default=False,
        ),
    ] = None,
    targets: TargetsOption = None,
    units: UnitsOption = None,
    csv: Annotated[bool, typer.Option("--csv", help="Print the cells as comma-separated values.")] = False,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """The mixture of a drive by speed and load, compared with its targets; or what changed between two drives."""
    from analysis.answers.mixture import MixtureAnswer, mixture_answer, mixture_change_answer

    names = drives or ["last"]
    if len(names) > 2:
        raise InputError(f"mixture takes one drive or two, not {len(names)}")
    opened = open_store(store, read_targets(targets))
    asked = [opened.drive(name) for name in names]
    options: dict[str, Any] = {
        "channel": channel, "load_by": load, "band_mps": parse_speed(band) if band else None, "fuel": fuel,
        "unit": units_of(units, asked[0]),
    }  # fmt: skip
    answer = mixture_answer(*asked, **options) if len(asked) == 1 else mixture_change_answer(*asked, **options)
    if json:
        print_json(answer.to_json())
    elif csv:
        _print_csv(answer.cells)
    elif isinstance(answer, MixtureAnswer):
        _print_map(answer, why)
    else:
        _print_change(answer, why)


def _print_csv(cells: Sequence[Answer]) -> None:
    from analysis.answers.encoding import rows

    if cells:
        rows(cells).round(6).to_csv(sys.stdout, index=False, lineterminator="\n")


# --- the map of one drive ------------------------------------------------------------------------------------------


def _print_map(answer: MixtureAnswer, why: bool) -> None:
    from analysis.answers.learned_slopes import load_slopes_sentence
    from analysis.answers.sentences import delay_sentence

    out, unit, digits = console(), answer.unit, channel_digits(answer.channel)
    scale = f", lambda 1 shown as {answer.value_at_lambda_1:g}" if answer.channel == "afr" else ""
    out.print(_verdict(answer, digits), style="bold")
    out.print(f"Mixture of {answer.drive}: {channel_label(answer.channel)}{scale}\n")
    out.print(_regimes(answer, digits))
    out.print(f"The last row is {FULL_THROTTLE_OF_DRIVE}: the median of all its readings there.\n")
    out.print(_map_table(answer.cells, answer.load, unit, lambda cell: _cell_text(cell, digits)))
    out.print(_legend(answer.load))
    for line in (*answer.notes, answer.caution):
        if line:
            out.print(line)
    if not why:
        print_rest(out, [_left_out(answer)], why)
        return
    rows = [
        [
            speed_range(b.from_mps, b.to_mps, unit, "-"), f"{b.seconds:.0f}", str(b.readings),
            number(b.median, digits) if b.told else "-", number(b.sigma, digits) if b.told else "-",
            f"{number(b.p10, digits)} to {number(b.p90, digits)}",
        ]
        for b in answer.bands
    ]  # fmt: skip
    out.print()
    out.print(table([unit, "seconds", "readings", "median", "± s.e.", "10 to 90 %"], rows))
    if not all(b.told for b in answer.bands):
        out.print("- not enough data, or too little of each kind of driving to show the middle.")
    rest = [_left_out(answer), delay_sentence(answer), _load_sentence(answer), load_slopes_sentence(answer.slopes)]
    print_rest(out, rest, why)


def _verdict(answer: MixtureAnswer, digits: int) -> str:
    """What is lean and what is rich, in one line; what is not sure is said so."""
    off = {
        word: [
            f"{row.regime} {number(row.median, digits)}{'' if row.sure else ' (not sure)'}"
            for row in answer.summaries
            if row.judgement == f"{word} of target"
        ]
        for word in ("lean", "rich")
    }
    said = [f"{word.capitalize()}: {', '.join(rows)}." for word, rows in off.items() if rows]
    if said:
        return " ".join(said)
    known = any(row.judgement == "in band" for row in answer.summaries)
    return "Nothing is lean or rich." if known else "Not enough data to judge the mixture."


def _regimes(answer: MixtureAnswer, digits: int) -> Any:
    rows = [
        [
            str(s.regime), f"{s.seconds:.0f}", number(s.median, digits), number(s.sigma, digits),
            f"{number(s.target.low, digits - 1)} to {number(s.target.high, digits - 1)}", _judgement(s),
        ]
        for s in answer.summaries
    ]  # fmt: skip
    return table(["driving", "seconds", "median", "± s.e.", "target", "judgement"], rows, left=(0, 5))


Field = TypeVar("Field", bound="CellAnswer | CellChangeAnswer")


def _map_table(cells: Sequence[Field], load: LoadAnswer, unit: str, text: Callable[[Field], str]) -> Any:
    """Speed by load, rows with nothing in them left out."""
    by_row: dict[tuple[float, float], dict[float, str]] = {}
    for cell in cells:
        by_row.setdefault((cell.from_mps, cell.to_mps), {})[cell.load_from] = text(cell)
    heads = [unit, *(load_label(a, b, load.unit) for a, b in zip(load.edges, load.edges[1:], strict=False))]
    rows = [
        [speed_range(*band, unit, "-"), *(by_row[band].get(edge, "") for edge in load.edges[:-1])]
        for band in sorted(by_row)
    ]
    return table(heads, rows)


def _cell_text(cell: CellAnswer, digits: int) -> str:
    if cell.judgement == "not enough data":
        return f"- {cell.seconds:3.0f}s"
    doubt = " " if cell.sure else "?"
    return f"{number(cell.median, digits - 1)} {MARKS[cell.judgement]}{doubt}{cell.seconds:3.0f}s"


def _legend(load: LoadAnswer) -> str:
    unit = f" in {load.unit}" if load.unit not in ("1", "") else ""
    return (
        f"Columns: {load.name}{unit}. Fields: median and seconds. L lean, = in target, R rich, - not enough data. "
        "? not sure: the 95 % interval crosses an edge of the target."
    )


def _judgement(row: RegimeAnswer) -> str:
    if row.judgement == "not enough data":
        return "not driven" if row.readings == 0 else str(row.judgement)
    return str(row.judgement) if row.sure else f"{row.judgement}, not sure"


def _left_out(answer: MixtureAnswer) -> str:
    parts = ", ".join(f"{mask.reason} {mask.seconds:.0f} s" for mask in answer.masks if mask.seconds >= 0.5)
    return f"Used {answer.kept_s:.0f} s of {answer.total_s:.0f} s." + (f" Left out: {parts}." if parts else "")


def _load_sentence(answer: MixtureAnswer) -> str:
    most, unit = answer.most, answer.unit
    if most is None:
        return f"Road load from {answer.road_load_from}."
    at = ", ".join(f"{accel(each.most_mps2, unit, 2)} at {speed_number(each.speed_mps, unit)}" for each in most.at)
    unproven = ""
    if most.unproven_above_mps == 0:
        unproven = " Nothing in this drive looks flat out, so these shares may be too high."
    elif most.unproven_above_mps > 0:
        above = speed_label(most.unproven_above_mps, unit)
        unproven = f" Above {above} it was not driven flat out, so there it is worked out from power."
    return (
        f"The most the car can do, from {most.source}: {at} {unit} ({accel_unit(unit)} of tractive acceleration; "
        f"road load from {answer.road_load_from}).{unproven}"
    )


# --- the change between two ----------------------------------------------------------------------------------------

_CHANGE_MARKS: Mapping[str, str] = {"leaner": "L", "richer": "R", "no change seen": "=", "not enough data": "-"}


def _print_change(answer: MixtureChangeAnswer, why: bool) -> None:
    from analysis.answers.sentences import delay_sentence

    out, unit, load, digits = console(), answer.unit, answer.load, channel_digits(answer.channel)
    counts = {word: sum(c.verdict == word for c in answer.cells) for word in ("leaner", "richer", "no change seen")}
    out.print(
        f"{counts['leaner']} cells leaner, {counts['richer']} richer, {counts['no change seen']} with no change seen.",
        style="bold",
    )
    out.print(f"Mixture, {answer.b} less {answer.a}: {channel_label(answer.channel)}\n")

    def text(cell: CellChangeAnswer) -> str:
        known = cell.verdict != "not enough data"
        return f"{signed(cell.difference, digits)} {_CHANGE_MARKS[cell.verdict]}" if known else "-"

    out.print(_map_table(answer.cells, load, unit, text))
    out.print(
        f"Columns: {load.name}. L leaner, R richer, - not enough data. = no change seen: the 95 % interval of the "
        "difference includes zero."
    )
    rows = [
        [
            speed_range(c.from_mps, c.to_mps, unit, "-"), load_label(c.load_from, c.load_to, load.unit),
            number(c.first, digits), number(c.second, digits), signed(c.difference, digits),
            interval(c.low, c.high, digits), c.verdict,
        ]
        for c in answer.cells
        if c.verdict in ("leaner", "richer")
    ]  # fmt: skip
    if rows:
        out.print()
        out.print(table([unit, "load", "first", "second", "change", "95 % interval", "is"], rows, left=(0, 6)))
    lines = [f"First: {delay_sentence(answer.a_delay)}", f"Second: {delay_sentence(answer.b_delay)}"]
    print_rest(out, lines, why)
