"""The verbs `drives` and `season`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import AllRunsOption, season_asked
from analysis.cli.said_before import said_again
from analysis.cli.verdict import WhyOption, print_rest
from analysis.wording import FULL_THROTTLE_OF_RUNS, fuel_use, number, plural, sentence
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import parse_speed

if TYPE_CHECKING:
    from analysis.answers.drives import DrivesAnswer
    from analysis.answers.season import SeasonAnswer, SetupSeason

app = typer.Typer()

JudgedSpeedOption = Annotated[
    str | None, typer.Option("--to", help="The speed to judge by, such as 50mph.", show_default=False)
]


@app.command(epilog="Example: pullbook drives")
@said_again
def drives(
    to: JudgedSpeedOption = None,
    all_runs: AllRunsOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """List the drives: when, what was fitted, runs, best and typical time, mixture, fuel, air."""
    from analysis.answers.drives import drives_answer

    season = season_asked(store, "j1349", all_runs)
    answer = drives_answer(season, parse_speed(to) if to else None)
    if json:
        print_json(answer.to_json())
    else:
        _print_drives(answer, season.unit)


@app.command(name="season", epilog="Example: pullbook season --to 40mph")
@said_again
def season_(
    to: JudgedSpeedOption = None,
    all_runs: AllRunsOption = False,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """The season by setup: what was fitted when, best and typical time, mixture, fuel, and the best run."""
    from analysis.answers.season import season_answer

    season = season_asked(store, "j1349", all_runs)
    answer = season_answer(season, parse_speed(to) if to else None)
    if json:
        print_json(answer.to_json())
    else:
        _print_season(answer, season.unit, why)


# --- what is printed ----------------------------------------------------------------------------------------------


def _print_drives(answer: DrivesAnswer, unit: str) -> None:
    out = console()
    fuel = any(math.isfinite(each.l_per_100km) for each in answer.drives)
    rows = [
        [
            each.drive, each.setup, str(each.runs), number(each.best_s), number(each.typical_s),
            number(each.full_throttle), *([fuel_use(each.l_per_100km, unit)] if fuel else []),
        ]
        for each in answer.drives
    ]  # fmt: skip
    headings = ["drive", "setup", "runs", "best", "typical", answer.channel, *([_fuel_heading(unit)] if fuel else [])]
    out.print(table(headings, rows, left=(1,)))
    out.print(
        f"Best and typical (median) are seconds from one foot to {answer.speed}, as driven. {_mixture(answer.channel)}"
        + (_GALLON if fuel and unit == "mph" else "")
    )
    for each in answer.drives:
        for note in each.notes:
            out.print(f"{each.drive}: {note}")
    for lack in answer.lacking:
        named = ", ".join(lack.drives[:3]) + (f" and {len(lack.drives) - 3} more" if len(lack.drives) > 3 else "")
        out.print(f"{named}: no {lack.what} yet. Add it with `pullbook {_GIVES[lack.what]}`.")
    for car in answer.other_cars:
        out.print(
            f"Another car: {car.name}, {plural(car.drives, 'drive')}. `pullbook drives --store {car.path}` lists them. "
            f"`pullbook runs {car.name}/last` and `pullbook compare A {car.name}/B` use them."
        )


def _fuel_heading(unit: str) -> str:
    return "mpg" if unit == "mph" else "L/100"


_GALLON = " mpg: miles on a US gallon."

_GIVES = {
    "weather": "weather DRIVE --temperature 17C --pressure 1015hPa --humidity 59% --wind 1m/s --wind-from 250",
    "setup": "setup FILE --drive DRIVE",
}
"""The command that adds what is missing."""


def _print_season(answer: SeasonAnswer, unit: str, why: bool) -> None:
    from analysis.answers.sentences import power_by_setup_line

    out = console()
    if (best := answer.personal_best) is not None:
        out.print(f"Best run: {best.time_s:.2f} s to {answer.speed}, {best.label} with {best.setup}.", style="bold")
        out.print(f"It is {best.sentence}.")
        out.print()
    rows = [
        [
            each.setup, str(each.outings), str(each.runs),
            number(each.best_s) + (" *" if each.personal_best else ""), number(each.typical_s),
            number(each.full_throttle), fuel_use(each.l_per_100km, unit), str(each.since or each.first_drive[:10]),
        ]
        for each in answer.setups
    ]  # fmt: skip
    headings = ["setup", "outings", "runs", "best", "typical", answer.channel, _fuel_heading(unit), "since"]
    out.print(table(headings, rows, title="By setup"))
    gallon = _GALLON if unit == "mph" else ""
    out.print(f"Best (* of all) and typical are seconds from one foot to {answer.speed}.{gallon}")
    if line := power_by_setup_line(answer):
        out.print(line)
    if without := answer.drives_without_setup:
        out.print(f"{plural(len(without), 'drive')} without a setup. `pullbook setup FILE --drive DRIVE` adds one.")
    rest = [f"Typical is the median. Times are as driven. {_mixture(answer.channel)}"]
    print_rest(out, [*rest, *(f"{each.setup}: {told}" for each in answer.setups if (told := _told(each)))], why)


def _told(setup: SetupSeason) -> str:
    """What was changed, and the notes of its file."""
    from analysis.conditions.setups import shown

    changed = "; ".join(f"{part} {shown(pair.a)} -> {shown(pair.b)}" for part, pair in setup.changed.items())
    return " ".join([*([f"{changed}."] if changed else []), *([sentence(setup.notes)] if setup.notes else [])])


def _mixture(channel: str) -> str:
    return f"{channel} is at full throttle: {FULL_THROTTLE_OF_RUNS}."
