"""The verbs on timed runs: `runs`, of one drive or over all of them, and `strike`."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import UnitsOption, near_asked, units_of
from analysis.wording import distance_label, speed_number, with_sigma
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError, NoAnswer
from logger.units import SPEED_UNITS, parse_quantity, parse_speed, speed_label

if TYPE_CHECKING:
    from analysis.drive import Analysed
    from analysis.runs.run import Run, Split
    from logger.store.drive import Drive

app = typer.Typer()


@app.command(name="runs")
def runs_(
    name: Annotated[
        str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, last, or current.", show_default=False)
    ] = "last",
    to: Annotated[
        list[str] | None,
        typer.Option("--to", help="A speed to time, such as 50mph; repeat it for more.", show_default=False),
    ] = None,
    from_: Annotated[
        str | None,
        typer.Option("--from", help="Find rolling runs from this speed to the last --to.", show_default=False),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", help="A distance to time, such as 60ft or 100m; repeat it.", show_default=False),
    ] = None,
    threshold: Annotated[
        str | None,
        typer.Option("--threshold", help="Also count from passing this speed, such as 1mph.", show_default=False),
    ] = None,
    min_peak: Annotated[
        str | None,
        typer.Option("--min-peak", help="A standing run reaches at least this; 20mph by default.", show_default=False),
    ] = None,
    all_: Annotated[bool, typer.Option("--all", help="All drives of the store: best, median, spread.")] = False,
    setup: Annotated[
        str | None, typer.Option("--setup", help="With --all: only drives with this setup.", show_default=False)
    ] = None,
    since: Annotated[
        str | None, typer.Option("--since", help="With --all: from this day on (2026-05-02).", show_default=False)
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", help="With --all: up to this day.", show_default=False)
    ] = None,
    near: Annotated[
        str | None,
        typer.Option("--near", help="With --all: runs starting within 1 km of LAT,LON in degrees.", show_default=False),
    ] = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Timed runs of a drive: standing starts with splits, each with its uncertainty."""
    from logger.store.drive import default_store, open_drive

    store = store or default_store()
    if from_ is not None and not to:
        raise InputError("--from: a rolling run needs the speed it goes to as well: add --to 50mph")
    if all_:
        chosen = _choose(store, setup, since, until)
        _print_all(chosen, to, units, near_asked(near), min_peak, json)
        return
    drive = open_drive(store, name)
    unit = units_of(units, drive)
    found = _analyse(drive, unit, to, from_, at, threshold, min_peak)
    if json:
        print_json(runs_json(found, unit))
    else:
        print_runs(found, unit, from_)
        if min_peak is not None:
            console().print("Numbers are those of this list; `pullbook strike` counts as without --min-peak.")
    if not found.runs:
        raise NoAnswer(f"{drive.id}: no run found: none from a standstill reached {_least(min_peak, unit)}")


@app.command()
def strike(
    name: Annotated[str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, or last.")],
    run: Annotated[int, typer.Argument(help="The run's number, as `pullbook runs` shows it.")],
    reason: Annotated[str, typer.Option("--reason", help="Why; it is kept.", prompt=True)],
    undo: Annotated[bool, typer.Option("--undo", help="Count the run again; the reason says why.")] = False,
    store: StoreOption = None,
) -> None:
    """Strike a run out: it is shown, with the reason, and never counted. --undo takes that back."""
    from datetime import UTC, datetime

    from analysis.drive import SAME_RUN_S, utc
    from logger.store.drive import default_store, open_drive
    from logger.store.manifest import Struck

    drive = open_drive(store or default_store(), name)
    if not reason.strip():
        raise InputError("--reason: say why; a run is never struck out silently")
    found = _analyse(drive, units_of(None, drive))
    chosen = next((each for each in found.runs if each.n == run), None)
    if chosen is None:
        raise InputError(f"{drive.id}: it has no run {run}: its runs are 1 to {len(found.runs)}")
    already = found.struck(chosen) is not None
    if already is not undo:
        raise InputError(f"{drive.id}: run {run} is {'struck out already' if already else 'not struck out'}")
    start = utc(chosen.start_utc_ns)
    kept = [each for each in drive.manifest.struck if abs((each.run_start_utc - start).total_seconds()) >= SAME_RUN_S]
    if not undo:
        kept.append(Struck(run_start_utc=start, reason=reason.strip(), when=datetime.now(UTC)))
    what = "counted again" if undo else "struck out"
    drive.amend(f"run {run} ({start:%H:%M:%S} UTC) {what}: {reason.strip()}", struck=kept)
    print(f"{drive.id}: run {run} of {start:%H:%M:%S} UTC is {what}: {reason.strip()}")


def _analyse(
    drive: Drive,
    unit: str,
    to: list[str] | None = None,
    from_: str | None = None,
    at: list[str] | None = None,
    threshold: str | None = None,
    min_peak: str | None = None,
) -> Analysed:
    from analysis.drive import analyse
    from analysis.runs.run import Options

    speeds = tuple(sorted({parse_speed(text) for text in to})) if to else None
    options: dict[str, Any] = {"speeds_mps": speeds, "unit": unit}
    if from_ is not None and speeds:
        options |= {"from_mps": parse_speed(from_), "to_mps": speeds[-1]}
        if options["from_mps"] >= options["to_mps"]:
            raise InputError(f"--from: {from_} is not below --to {speed_label(speeds[-1], unit)}")
    if at:
        options["distances_m"] = tuple(sorted({parse_quantity(text, "m") for text in at}))
    if threshold is not None:
        options["threshold_mps"] = parse_speed(threshold)
    if min_peak is not None:
        options["min_peak_mps"] = parse_speed(min_peak)
    return analyse(drive, Options(**options))


def _least(min_peak: str | None, unit: str) -> str:
    from analysis.runs.run import DEFAULT_MIN_PEAK_MPS

    return speed_label(parse_speed(min_peak) if min_peak else DEFAULT_MIN_PEAK_MPS, unit)


# --- one drive ----------------------------------------------------------------------------------------------------


def runs_json(found: Analysed, unit: str) -> dict[str, Any]:
    """The answer of `runs --json`."""
    from analysis.drive import setup_name
    from analysis.runs.pairs import pair_opposite

    noise = found.motion.noise
    return {
        "drive": found.drive.id,
        "setup": setup_name(found.drive),
        "receiver": {
            "step_s": found.motion.step_s,
            "noise_mps": noise.sigma_mps,
            "quantum_mps": noise.quantum_mps,
            "hold_mps": noise.hold_mps,
            "fixes": len(found.fixes),
            "set_aside": found.set_aside.counts,
        },
        "runs": [_run_json(found, run, unit) for run in found.runs],
        "pairs": [
            {"runs": [pair.first, pair.second], "splits": [_split_json(split, unit) for split in pair.splits]}
            for pair in pair_opposite(found.runs)
        ],
    }


def _run_json(found: Analysed, run: Run, unit: str) -> dict[str, Any]:
    from analysis.drive import utc

    launch = run.launch
    return {
        "n": run.n,
        "kind": run.kind,
        "start_utc": utc(run.start_utc_ns),
        "start_sigma_s": run.start_sigma_s,
        "direction_deg": run.direction_deg,
        "grade_percent": run.grade.percent,
        "grade_sigma_percent": run.grade.sigma,
        "peak_mps": run.peak_mps,
        "ended": run.ended,
        "ended_words": run.ended_words,
        "struck": found.struck(run),
        "one_foot_s": run.one_foot_s,
        "one_foot_sigma_s": run.one_foot_sigma_s,
        "distance_m": run.distance_m,
        "peak_mps2": run.peak_accel_mps2,
        "mean_mps2": run.mean_accel_mps2,
        "gear_changes_s": run.gear_changes_s,
        "gaps": [{"start_s": gap.start_s - run.start_s, "end_s": gap.end_s - run.start_s} for gap in run.gaps],
        "launch": None if launch is None else vars(launch),
        "quality": vars(run.quality),
        "notes": run.notes,
        "splits": [_split_json(split, unit) for split in run.splits],
        "at_distances": [vars(split) for split in run.at_distances],
    }


def _split_json(split: Split, unit: str) -> dict[str, Any]:
    return {
        "speed": speed_label(split.speed_mps, unit),
        "speed_mps": split.speed_mps,
        "time_s": split.time_s,
        "sigma_s": split.sigma_s,
        "from_one_foot_s": split.from_one_foot_s,
        "from_one_foot_sigma_s": split.from_one_foot_sigma_s,
        "from_threshold_s": split.from_threshold_s,
        "from_threshold_sigma_s": split.from_threshold_sigma_s,
        "distance_m": split.distance_m,
        "distance_sigma_m": split.distance_sigma_m,
    }


def print_runs(found: Analysed, unit: str, from_: str | None = None) -> None:
    """The runs of a drive, for a tired owner: what there is, the times, how each run went."""
    from analysis.drive import setup_name

    out, drive = console(), found.drive
    out.print(f"Drive {drive.id}, {drive.manifest.duration_s / 60:.1f} min, setup: {setup_name(drive)}")
    out.print(_receiver(found))
    if not found.runs:
        return
    standing = [run for run in found.runs if run.kind == "standing"]
    rolling = [run for run in found.runs if run.kind == "rolling"]
    if standing:
        _print_times(out, found, standing, unit, "Seconds from first movement", "time_s", "sigma_s")
        _print_times(
            out, found, standing, unit, "Seconds from one foot of movement (SAE J1491); compare by these",
            "from_one_foot_s", "from_one_foot_sigma_s",
        )  # fmt: skip
        if any(math.isfinite(split.from_threshold_s) for run in standing for split in run.splits):
            _print_times(
                out, found, standing, unit, "Seconds from the threshold speed", "from_threshold_s",
                "from_threshold_sigma_s",
            )  # fmt: skip
        _print_distances(out, found, standing, unit)
    if rolling:
        _print_times(out, found, rolling, unit, f"Rolling runs, seconds from {from_}", "time_s", "sigma_s")
    _print_manner(out, found, unit)
    _print_pairs(out, found, unit)
    out.print("± is one standard deviation. A run marked * is not counted.")


def brief_runs(drive: Drive) -> None:
    """The runs of a drive that has just been closed, or why there are none."""
    try:
        unit = units_of(None, drive)
        found = _analyse(drive, unit)
    except NoAnswer as reason:
        print(reason)
        return
    print_runs(found, unit)
    if not found.runs:
        print(f"No run from a standstill reached {_least(None, unit)}.")
    elif not drive.manifest.weather:
        console().print(
            f"No weather is kept with it yet: `pullbook weather {drive.id} --temperature 17C --pressure 1015hPa`"
        )


def _receiver(found: Analysed) -> str:
    noise, motion = found.motion.noise, found.motion
    rate = f"{1 / motion.step_s:.0f} fixes a second" if motion.step_s <= 0.7 else f"a fix every {motion.step_s:.0f} s"
    text = f"Receiver: {rate}, speed noise {noise.reading_sigma_mps:.2f} m/s, {len(found.fixes)} fixes used"
    if found.set_aside.total:
        why = ", ".join(f"{count} {reason}" for reason, count in found.set_aside.counts.items() if count)
        text += f", {found.set_aside.total} set aside ({why})"
    if noise.hold_mps:
        text += f". It shows 0 below {noise.hold_mps:.1f} m/s: first movement is inferred"
    return text + "."


def _name(found: Analysed, run: Run) -> str:
    counts = run.clean and found.struck(run) is None
    return f"{run.n}" if counts else f"{run.n}*"


def _print_times(
    out: Any, found: Analysed, shown: list[Run], unit: str, title: str, value: str, sigma: str, per_row: int = 5
) -> None:
    """Runs down, speeds across; as many blocks as the speeds need in 80 columns."""
    from analysis.drive import total_splits

    speeds = total_splits(shown)
    for first in range(0, max(len(speeds), 1), per_row):
        block = speeds[first : first + per_row]
        rows = []
        for run in shown:
            at = {round(split.speed_mps, 6): split for split in run.splits}
            cells = [with_sigma(getattr(at[s], value), getattr(at[s], sigma)) if s in at else "" for s in block]
            rows.append([_name(found, run), *cells])
        labels = [speed_label(speed, unit) for speed in block]
        out.print()
        out.print(table(["Run", *labels], rows, left=(), title=title if first == 0 else ""))


def _print_distances(out: Any, found: Analysed, shown: list[Run], unit: str) -> None:
    distances = sorted({round(split.distance_m, 3) for run in shown for split in run.at_distances})
    if not distances:
        return
    rows = []
    for run in shown:
        at = {round(split.distance_m, 3): split for split in run.at_distances}
        cells = []
        for split in (at.get(distance) for distance in distances[:3]):
            time = with_sigma(split.from_one_foot_s, split.from_one_foot_sigma_s) if split else ""
            cells.append(f"{time} at {split.speed_mps / SPEED_UNITS[unit]:.1f}" if split else "")
        rows.append([_name(found, run), *cells])
    out.print()
    labels = [distance_label(distance) for distance in distances[:3]]
    title = f"Seconds from one foot to a distance, and the speed there in {unit}"
    out.print(table(["Run", *labels], rows, left=(), title=title))


def _print_manner(out: Any, found: Analysed, unit: str) -> None:
    from analysis.drive import utc

    rows = []
    for run in found.runs:
        launch = "" if run.launch is None else ("soft" if run.launch.soft else "firm")
        if run.launch is not None and math.isfinite(run.launch.half_second_mps2):
            launch += f" {run.launch.half_second_mps2:.1f}"
        grade = f"{run.grade.percent:+.1f} ±{run.grade.sigma:.1f}" if math.isfinite(run.grade.percent) else "-"
        direction = f"{run.direction_deg:.0f}°" if math.isfinite(run.direction_deg) else "-"
        peak, way = speed_number(run.peak_mps, unit), f"{run.distance_m:.0f}"
        start = f"{utc(run.start_utc_ns):%H:%M:%S}"
        rows.append([_name(found, run), start, peak, way, direction, grade, launch, run.ended])
    out.print()
    columns = ["Run", "UTC", f"Peak {unit}", "Way m", "To", "Grade %", "Launch m/s²", "Ended"]
    out.print(table(columns, rows, left=(7,), title="How each run went"))
    for run in found.runs:
        said = [] if run.ended_words == run.ended else [run.ended_words]
        said += run.notes
        if run.gear_changes_s:
            said.append("gear changes at " + ", ".join(f"{t:.1f} s" for t in run.gear_changes_s))
        if run.gaps:
            said.append(f"{len(run.gaps)} gap(s) in the fixes")
        if (why := found.struck(run)) is not None:
            said.append(f"struck out: {why}")
        if said:
            out.print(f"Run {run.n}: {'; '.join(said)}")


def _print_pairs(out: Any, found: Analysed, unit: str) -> None:
    from analysis.runs.pairs import pair_opposite

    for pair in pair_opposite(found.counted("standing")):
        splits = ", ".join(
            f"{speed_label(s.speed_mps, unit)} {with_sigma(s.from_one_foot_s, s.from_one_foot_sigma_s)}"
            for s in pair.splits[-3:]
        )
        out.print(f"Runs {pair.first} and {pair.second}, opposite ways on one stretch, mean from one foot: {splits}")


# --- all drives ---------------------------------------------------------------------------------------------------


def _choose(store: Path, setup: str | None, since: str | None, until: str | None) -> list[Drive]:
    from analysis.drive import setup_name
    from logger.store.drive import list_drives

    first, last = _day("--since", since), _day("--until", until)
    drives = list_drives(store)
    if not drives:
        raise NoAnswer(f"{store}: there is no drive in this store yet")
    chosen = [
        drive
        for drive in drives
        if (setup is None or setup_name(drive).casefold() == setup.casefold())
        and (first is None or drive.manifest.started_utc.date() >= first)
        and (last is None or drive.manifest.started_utc.date() <= last)
    ]
    if not chosen:
        names = ", ".join(sorted({setup_name(drive) for drive in drives}))
        raise NoAnswer(f"{store}: no drive fits; its setups are {names}")
    return chosen


def _day(option: str, text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise InputError(f"{option}: found {text!r}, expected a day such as 2026-05-02") from error


def _is_near(run: Run, place: tuple[float, float] | None, within_m: float = 1000.0) -> bool:
    if place is None:
        return True
    lat, lon = run.place[0], run.place[1]
    north = math.radians(lat - place[0]) * 6371008.8
    east = math.radians(lon - place[1]) * 6371008.8 * math.cos(math.radians(place[0]))
    return math.hypot(north, east) <= within_m


def _print_all(
    drives: list[Drive], to: list[str] | None, units: str | None, place: tuple[float, float] | None,
    min_peak: str | None, json: bool,
) -> None:  # fmt: skip
    from analysis.drive import setup_name, total_splits
    from analysis.runs.pairs import summarise

    rows: list[tuple[Analysed, Run]] = []
    uncounted = 0
    unit = units_of(units, drives[-1])
    for drive in drives:
        try:
            found = _analyse(drive, unit, to, min_peak=min_peak)
        except NoAnswer:
            continue
        near = [run for run in found.runs if run.kind == "standing" and _is_near(run, place)]
        counted = [run for run in near if run.clean and found.struck(run) is None]
        uncounted += len(near) - len(counted)
        rows += [(found, run) for run in counted]
    if not rows:
        raise NoAnswer("no standing run counts in the drives that were chosen")
    shown = [run for _, run in rows]
    summaries = [s for speed in total_splits(shown) if (s := summarise(shown, speed, "one foot")) is not None]
    best = {round(s.speed_mps, 6): s.best_run for s in summaries}
    if json:
        print_json(
            {
                "runs": [
                    {"drive": f.drive.id, "setup": setup_name(f.drive), **_run_json(f, run, unit),
                     "best_at": [speed_label(speed, unit) for speed, k in best.items() if k == i]}
                    for i, (f, run) in enumerate(rows)
                ],
                "summary": [
                    {"speed": speed_label(s.speed_mps, unit), "speed_mps": s.speed_mps, "runs": s.runs,
                     "best_s": s.best_s, "median_s": s.median_s, "spread_s": s.spread_s} for s in summaries
                ],
                "not_counted": uncounted,
            }
        )  # fmt: skip
        return
    out = console()
    speeds = [s.speed_mps for s in summaries][-3:]
    body, slower = [], 0
    for i, (found, run) in enumerate(rows):
        at = {round(split.speed_mps, 6): split for split in run.splits}
        if not any(round(speed, 6) in at for speed in speeds):
            slower += 1
            continue
        cells = []
        for speed in speeds:
            key = round(speed, 6)
            mark = " ^" if best[key] == i else "  "
            cells.append(
                f"{at[key].from_one_foot_s:.2f} ±{at[key].from_one_foot_sigma_s:.2f}{mark}" if key in at else ""
            )
        body.append([f"{found.drive.id}:{run.n}", setup_name(found.drive), *cells])
    labels = [speed_label(speed, unit) for speed in speeds]
    title = "Seconds from one foot of movement, all counted standing runs"
    out.print(table(["Run", "Setup", *labels], body, left=(1,), title=title))
    if slower:
        out.print(f"{slower} more reached none of these speeds.")
    out.print()
    body = [
        [speed_label(s.speed_mps, unit), str(s.runs), f"{s.best_s:.2f}", f"{s.median_s:.2f}",
         f"{s.spread_s:.2f}" if math.isfinite(s.spread_s) else "-"]
        for s in summaries
    ]  # fmt: skip
    out.print(table(["To", "Runs", "Best", "Median", "Spread"], body, left=()))
    out.print("^ is the personal best. Spread estimates one standard deviation from the median deviation.")
    if uncounted:
        out.print(f"{uncounted} run(s) are not counted: broken off, with gaps, or struck out.")
