"""The verbs `drives` and `season`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import AllRunsOption, season_asked
from analysis.cli.setups import parts_json
from analysis.wording import two_decimals
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import parse_speed, speed_label

if TYPE_CHECKING:
    from analysis.changes.season import Season
    from analysis.conditions.setups import Parts


app = typer.Typer()


# --- the season ---------------------------------------------------------------------------------------------------


@app.command()
def drives(
    all_runs: AllRunsOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """List the drives: when, what was fitted, runs, best and typical time, mixture, fuel, air."""
    import numpy as np

    from analysis.changes.best import common_speed
    from analysis.changes.sides import best_typical, step_mps

    _, season = season_asked(store, "j1349", all_runs)
    speed = common_speed(season.runs, step_mps(season))
    by_drive = {row.drive: [run for run in season.runs if run.drive == row.drive] for row in season.drives}
    fuel = {loop.drive: loop.m3_per_m * 1e8 for loop in season.loops}
    entries: list[dict[str, Any]] = []
    for row in season.drives:
        runs = by_drive[row.drive]
        best, typical, count = best_typical(runs, speed)
        mixture = [run.full_throttle for run in runs if math.isfinite(run.full_throttle)]
        entries.append(
            {
                "drive": row.drive,
                "started_utc": row.started_utc,
                "minutes": row.duration_s / 60,
                "outing": row.outing,
                "setup": row.setup,
                "runs": len(runs),
                "timed": count,
                "best_s": best,
                "typical_s": typical,
                "full_throttle": float(np.median(mixture)) if mixture else None,
                "l_per_100km": fuel.get(row.drive),
                "air_density_kg_per_m3": row.air.density_kg_per_m3,
                "notes": list(row.notes),
            }
        )
    if json:
        print_json({"speed": _label(speed, season), "drives": entries})
        return
    with_fuel = bool(fuel)
    rows = [
        [entry["drive"], entry["setup"], str(entry["runs"]), two_decimals(entry["best_s"]),
        two_decimals(entry["typical_s"]),
         _maybe(entry["full_throttle"], 2), *([_maybe(entry["l_per_100km"], 1)] if with_fuel else [])]
        for entry in entries
    ]  # fmt: skip
    headings = ["drive", "setup", "runs", "best", "typical", season.channel, *(["L/100"] if with_fuel else [])]
    console().print(table(headings, rows, left=(1,)))
    print(
        f"Best and typical (median): seconds from one foot to {_label(speed, season)}. {season.channel}: full throttle."
    )
    for entry in entries:
        for note in entry["notes"]:
            print(f"{entry['drive']}: {note}")
    for line in _reminders(season):
        console().print(line)


def _reminders(season: Season) -> list[str]:
    """What drives with runs lack, and the command that adds it."""
    timed = {run.drive for run in season.runs}
    rows = [row for row in season.drives if row.drive in timed]
    lacking = (
        ("weather", "weather DRIVE --temperature 17C --pressure 1015hPa --humidity 59% --wind 1m/s --wind-from 250",
         [row.drive for row in rows if not math.isfinite(row.air.density_kg_per_m3)]),
        ("setup", "setup FILE --drive DRIVE", [row.drive for row in rows if row.parts is None]),
    )  # fmt: skip
    return [
        f"No {what} yet for {', '.join(drives[:3])}{f' and {len(drives) - 3} more' if len(drives) > 3 else ''}: "
        f"`pullbook {command}`"
        for what, command, drives in lacking
        if drives
    ]


@app.command(name="season")
def season_(
    to: Annotated[
        str | None, typer.Option("--to", help="The speed to judge by, such as 50mph.", show_default=False)
    ] = None,
    all_runs: AllRunsOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """The season by setup: what was fitted when, best and typical time, mixture, fuel; what the best run is worth."""
    import numpy as np

    from analysis.changes.best import best_run, common_speed
    from analysis.changes.effects import scatter_of
    from analysis.changes.sides import best_typical, setup_side, step_mps
    from analysis.conditions.setups import differences, known
    from logger.store.drive import list_drives

    where, found = season_asked(store, "j1349", all_runs)
    speed = parse_speed(to) if to else common_speed(found.runs, step_mps(found))
    driven = known(list_drives(where))
    best = None
    if found.runs and math.isfinite(speed):
        times = np.array([run.time_to(np.array([speed])) for run in found.runs])
        best = best_run(found.runs, speed, scatter_of(found.runs, times)[0])
    entries = []
    before: Parts | None = None
    for each in driven:
        side = setup_side(each, found)
        fast, typical, count = best_typical(side.runs, speed)
        mixture = [run.full_throttle for run in side.runs if math.isfinite(run.full_throttle)]
        fuel = [loop.m3_per_m * 1e8 for loop in side.loops]
        changed = differences(before, each.setup.parts) if before is not None else []
        entries.append(
            {
                "setup": each.name,
                "parts": dict(each.setup.parts),
                "changed": parts_json(changed),
                "since": each.setup.date,
                "first_drive": each.drives[0],
                "drives": len(each.drives),
                "outings": len({run.outing for run in side.runs}),
                "runs": count,
                "best_s": fast,
                "typical_s": typical,
                "full_throttle": float(np.median(mixture)) if mixture else None,
                "l_per_100km": float(np.mean(fuel)) if fuel else None,
                "personal_best": best is not None and any(run.label == best.label for run in side.runs),
                "cost": each.setup.cost,
                "hours": each.setup.hours,
                "notes": each.setup.notes,
            }
        )
        before = each.setup.parts
    if json:
        print_json(
            {
                "speed": _label(speed, found),
                "setups": entries,
                "personal_best": asdict(best) if best else None,
                "drives_without_setup": [row.drive for row in found.drives if row.parts is None],
            }
        )
        return
    _print_season(entries, best, speed, found)


def _print_season(entries: Sequence[dict[str, Any]], best: Any, speed: float, found: Season) -> None:
    from analysis.conditions.setups import shown

    out = console()
    rows = []
    for entry in entries:
        mark = " *" if entry["personal_best"] else ""
        rows.append(
            [
                entry["setup"], str(entry["outings"]), str(entry["runs"]), two_decimals(entry["best_s"]) + mark,
                two_decimals(entry["typical_s"]), _maybe(entry["full_throttle"], 2), _maybe(entry["l_per_100km"], 1),
                str(entry["since"] or entry["first_drive"][:10]),
            ]
        )  # fmt: skip
    headings = ["setup", "outings", "runs", "best", "typical", found.channel, "L/100", "since"]
    out.print(table(headings, rows))
    out.print(f"Seconds from one foot to {_label(speed, found)}; typical is the median. Times are as driven.")
    if best is not None:
        out.print(f"* The best run, {best.label} with {best.time_s:.2f} s, is {best.sentence}.")
    for entry in entries:
        changed = "; ".join(f"{part} {shown(v['a'])} -> {shown(v['b'])}" for part, v in entry["changed"].items())
        told = ". ".join(filter(None, [changed, str(entry["notes"]).rstrip(".")]))
        if told:
            out.print(f"{entry['setup']}: {told}.")
    without = [row.drive for row in found.drives if row.parts is None]
    if without:
        out.print(f"{len(without)} drives carry no setup: `pullbook setup FILE --drive DRIVE` gives them one.")


def _label(speed: float, season: Season) -> str:
    return speed_label(speed, season.unit) if math.isfinite(speed) else "no speed"


def _maybe(value: float | None, decimals: int) -> str:
    return f"{value:.{decimals}f}" if value is not None and math.isfinite(value) else "-"
