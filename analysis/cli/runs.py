"""The verbs on timed runs: `runs`, of one drive or over all of them, and `strike`."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import UnitsOption, near_asked, open_store, say_progress, speed_unit_asked, speeds_asked
from analysis.cli.said_before import said_again
from analysis.cli.verdict import WhyOption
from analysis.wording import (
    NONE,
    accel,
    accel_unit,
    channel_unit,
    channel_value,
    distance_label,
    duration,
    number,
    plural,
    speed_number,
    way,
    way_unit,
    wind_text,
    with_sigma,
)
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table, tell
from logger.errors import InputError, NoAnswer
from logger.units import FOOT_M, parse_quantity, parse_speed, speed_label
from logger.zone import local_clock, zone_of

if TYPE_CHECKING:
    from rich.console import Console

    from analysis.answers.runs import AllRunsAnswer, RunBoard, RunReceiver, RunsAnswer
    from analysis.answers.timed_run import RunChannel, RunSplit, TimedRun
    from logger.store.drive import Drive

app = typer.Typer()


@app.command(name="runs", epilog="Example: pullbook runs last --to 40mph")
@said_again
def runs_(
    name: Annotated[
        str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, last, or current.", show_default=False)
    ] = "last",
    to: Annotated[
        list[str] | None,
        typer.Option("--to", help="A speed to time, such as 50mph. May be repeated.", show_default=False),
    ] = None,
    from_: Annotated[
        str | None,
        typer.Option("--from", help="Find rolling runs from this speed to the last --to.", show_default=False),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", help="A distance to time, such as 60ft or 100m. May be repeated.", show_default=False),
    ] = None,
    threshold: Annotated[
        str | None,
        typer.Option("--threshold", help="Also time from passing this speed, such as 1mph.", show_default=False),
    ] = None,
    min_peak: Annotated[
        str | None,
        typer.Option(
            "--min-peak", help="A standing run reaches at least this speed. By default 20mph.", show_default=False
        ),
    ] = None,
    all_: Annotated[bool, typer.Option("--all", help="All drives of the store: best, median, spread.")] = False,
    setup: Annotated[
        str | None, typer.Option("--setup", help="With --all: only drives with this setup.", show_default=False)
    ] = None,
    since: Annotated[
        str | None,
        typer.Option("--since", help="With --all: from this day on, such as 2026-05-02.", show_default=False),
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", help="With --all: up to this day.", show_default=False)
    ] = None,
    near: Annotated[
        str | None,
        typer.Option(
            "--near", help="With --all: runs that start within 1 km of LAT,LON in degrees.", show_default=False
        ),
    ] = None,
    units: UnitsOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Timed runs of a drive: standing starts with splits, each with its uncertainty."""
    from analysis.answers.runs import all_runs_answer, runs_answer
    from analysis.changes.season import judge

    unit, speeds = speed_unit_asked(units), speeds_asked(to)
    least = parse_speed(min_peak) if min_peak is not None else None
    first = parse_speed(from_) if from_ is not None else None
    if first is not None and not speeds:
        raise InputError("--from: this needs the speed the run goes to. Add it, such as --to 50mph.")
    if first is not None and speeds and first >= speeds[-1]:
        raise InputError(
            f"--from: {from_} is not below --to {speed_label(speeds[-1], unit or 'mph')}. Write "
            f"the lower speed as --from."
        )
    drives = open_store(store)
    asked = None if all_ else drives.drive(name)  # before the season is listed: a drive that was cut off is closed now
    judge(drives, say_progress)  # of one drive too: the car's envelope is the season's
    if asked is None:
        every = all_runs_answer(
            drives, unit=unit, speeds_mps=speeds, min_peak_mps=least, setup=setup, since=_day("--since", since),
            until=_day("--until", until), near_deg=near_asked(near),
        )  # fmt: skip
        print_json(every.to_json()) if json else _print_all(every)
        return
    answer = runs_answer(
        asked, unit=unit, speeds_mps=speeds, from_mps=first,
        distances_m=[parse_quantity(text, "m") for text in at] if at else None,
        threshold_mps=parse_speed(threshold) if threshold is not None else None, min_peak_mps=least,
    )  # fmt: skip
    if json:
        print_json(answer.to_json())
    else:
        print_runs(answer, why=why, distances=at is not None)
        if min_peak is not None:
            console().print("These numbers are for this list only. `pullbook strike` numbers runs without --min-peak.")
    if not answer.runs:
        raise NoAnswer(f"{answer.drive}: no run found. None from a standstill reached {_least(answer)}.")


@app.command(epilog='Example: pullbook strike last 3 --reason "missed a gear"')
def strike(
    name: Annotated[str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, or last.")],
    run: Annotated[
        str | None,
        typer.Argument(help="The runs' numbers, as `pullbook runs` shows them: 3, 1-4, 1,3-5.", show_default=False),
    ] = None,
    reason: Annotated[str | None, typer.Option("--reason", help="Why. It is stored.", show_default=False)] = None,
    slower: Annotated[
        str | None,
        typer.Option("--slower-than", help="All runs slower than this from one foot to --to, such as 9s.",
                     show_default=False),
    ] = None,
    to: Annotated[
        str | None, typer.Option("--to", help="The speed for --slower-than, such as 40mph.", show_default=False)
    ] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Count the run again. The reason says why.")] = False,
    store: StoreOption = None,
) -> None:  # fmt: skip
    """Strike runs out, by number or by rule: still shown, with the reason, but not counted. --undo reverses it."""
    from analysis.answers.marks import numbers_of, slower_than
    from analysis.answers.runs import strike_runs

    if (run is None) == (slower is None):
        raise InputError("strike: name runs, such as 3 or 1-4, or use --slower-than with --to.")
    if (slower is None) != (to is None) or (slower is not None and undo):
        raise InputError("--slower-than: this needs the speed, such as --to 40mph, and cannot be used with --undo.")
    drive = open_store(store).drive(name)
    if slower is not None and to is not None:
        limit, speed = parse_quantity(slower, "s"), parse_speed(to)
        numbers = slower_than(drive, limit, speed)
        reason = reason or f"slower than {limit:g} s to {speed_label(speed, drive.unit)}"
        if not numbers:
            raise NoAnswer(f"{drive.id}: no run is slower than {limit:g} s to {speed_label(speed, drive.unit)}")
    else:
        numbers = numbers_of(run or "")
    if reason is None:
        reason = typer.prompt("Reason")
    for done in strike_runs(drive, numbers, reason, undo=undo):
        what = "struck out" if done.struck else "counted again"
        when = f"{local_clock(done.start_utc)} {zone_of(done.start_utc)}"
        console().print(f"{done.drive}: run {done.n} of {when} is {what}: {done.reason}")


@app.command(epilog="Example: pullbook tag last 1-3 gear=2")
def tag(
    name: Annotated[str, typer.Argument(metavar="DRIVE", help="A drive: its id, its path, or last.")],
    run: Annotated[str, typer.Argument(help="The runs' numbers, as `pullbook runs` shows them: 3, 1-4, 1,3-5.")],
    tags: Annotated[list[str], typer.Argument(metavar="TAG...", help="Words such as passenger, or gear=2.")],
    undo: Annotated[bool, typer.Option("--undo", help="Remove these tags.")] = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Tag runs, with gear, passenger or fuel. `compare --where gear=2` uses those only, --without the others."""
    from analysis.answers.marks import numbers_of, tag_runs

    answer = tag_runs(open_store(store).drive(name), numbers_of(run), tags, undo=undo)
    if json:
        print_json(answer.to_json())
        return
    for each in answer.runs:
        told = ", ".join(each.tags) or "no tags"
        console().print(
            f"{answer.drive}: run {each.n} of {local_clock(each.start_utc)} {zone_of(each.start_utc)}: {told}"
        )


def brief_runs(drive: Drive) -> None:
    """The runs of a drive that has just been closed, or why there are none."""
    from analysis.answers.runs import runs_answer
    from analysis.store import DriveStore

    drives = DriveStore(drive.path.parent, kept_only=True)  # the recorder does not wait for other drives to be read
    analysed = drives.drive(str(drive.path))
    try:
        answer = runs_answer(analysed)
    except NoAnswer as reason:
        tell(str(reason))
        return
    print_runs(answer)
    drives.teach(analysed)
    if not answer.runs:
        tell(f"No run from a standstill reached {_least(answer)}.")
    elif not answer.weather_kept:
        console().print(f"No weather yet. Add it: `pullbook weather {drive.id} --temperature 17C --pressure 1015hPa`")


def _least(answer: RunsAnswer) -> str:
    return speed_label(answer.min_peak_mps, answer.unit)


def _day(option: str, text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise InputError(f"{option}: found {text!r}, expected a day such as 2026-05-02") from error


# --- one drive ----------------------------------------------------------------------------------------------------


def print_runs(answer: RunsAnswer, *, why: bool = False, distances: bool = False) -> None:
    """The runs of a drive, for a tired owner: the best, the times, how each run went; with `why` what they rest on."""
    out = console()
    out.print(_verdict(answer), style="bold")
    out.print(f"Drive {answer.drive}, {duration(answer.duration_s)}, setup: {answer.setup}")
    if not answer.runs:
        _print_why(out, answer, [])
        return
    standing = [run for run in answer.runs if run.kind == "standing"]
    rolling = [run for run in answer.runs if run.kind == "rolling"]
    if standing:
        if why:
            _print_times(out, standing, "Seconds from first movement", _from_first)
        title = "Seconds from one foot of movement (SAE J1491); compare by these"
        _print_times(out, standing, title, _from_one_foot)
        if any(math.isfinite(split.from_threshold_s) for run in standing for split in run.splits):
            _print_times(out, standing, "Seconds from the threshold speed", _from_threshold)
        if why or distances:
            _print_distances(out, standing, answer.unit)
    if rolling:
        _print_times(out, rolling, f"Rolling runs, seconds from {_first_speed(answer)}", _from_first)
    _print_manner(out, answer)
    _print_channels(out, answer)
    _print_pairs(out, answer)
    out.print("± is one standard deviation. A run marked * is not counted.")
    if why:
        _print_why(out, answer, standing)
    else:
        out.print(f"How these figures were worked out: pullbook runs {answer.drive} --why")


def _verdict(answer: RunsAnswer) -> str:
    """The best counted run, or how many there are."""
    counted = sum(run.counted for run in answer.runs)
    if not answer.runs:
        return f"No run from a standstill reached {_least(answer)}."
    lead = f"{counted} of {plural(len(answer.runs), 'run')} counted"
    if not answer.summary:
        return f"{lead}."
    best = answer.summary[-1]
    sigma = next(
        (
            split.from_one_foot_sigma_s
            for run in answer.runs
            if run.n == best.best_run
            for split in run.splits
            if split.speed == best.speed
        ),
        math.nan,
    )
    return f"{lead}. Best: {with_sigma(best.best_s, sigma)} s to {best.speed}, run {best.best_run}."


def _print_why(out: Console, answer: RunsAnswer, standing: Sequence[TimedRun]) -> None:
    """What the times rest on: the receiver, the launches, the board."""
    out.print(_receiver(answer.receiver, answer.unit))
    if answer.habit.launches:
        launches, drives = plural(answer.habit.launches, "launch", "launches"), plural(answer.habit.drives, "drive")
        out.print(f"Launches: {answer.habit.words}, learned from {launches} of {drives} before.")
    if answer.board is not None:
        out.print(_board_line(answer.board))
    if right := _right_to(standing):
        out.print(right)


def _from_first(split: RunSplit) -> str:
    return with_sigma(split.time_s, split.sigma_s)


def _from_one_foot(split: RunSplit) -> str:
    return with_sigma(split.from_one_foot_s, split.from_one_foot_sigma_s)


def _from_threshold(split: RunSplit) -> str:
    return with_sigma(split.from_threshold_s, split.from_threshold_sigma_s)


def _first_speed(answer: RunsAnswer) -> str:
    return speed_label(answer.from_mps, answer.unit)


def _receiver(told: RunReceiver, unit: str) -> str:
    text = f"Receiver: {told.words}. {told.fixes} fixes used"
    if aside := sum(told.set_aside.values()):
        why = ", ".join(f"{count} {reason}" for reason, count in told.set_aside.items() if count)
        text += f", {aside} set aside ({why})"
    if told.hold_mps:
        text += f". It shows 0 below {wind_text(told.hold_mps, unit)}, so first movement is worked out from the runs"
    return text + "."


def _board_line(board: RunBoard) -> str:
    if not board.used:
        return f"Board {board.source} is not used: {board.why_not}. First movement is found from the fixes only."
    delay = f"{with_sigma(abs(board.delay_s), board.delay_sigma_s)} s {'late' if board.delay_s >= 0 else 'early'}"
    return (
        f"Board {board.source}: {board.hz:.0f} readings a second, {delay} compared with the fixes. "
        "First movement is found from both."
    )


def _right_to(standing: Sequence[TimedRun]) -> str:
    """How well times repeat and how well they are known, with what is not known of the receiver; "" without any."""
    from statistics import median

    splits = [split for run in standing if run.counted for split in run.splits if math.isfinite(split.systematic_s)]
    if not splits:
        return ""
    repeatable = median(split.from_one_foot_sigma_s for split in splits)
    right = median(math.hypot(split.from_one_foot_sigma_s, split.systematic_s) for split in splits)
    return (
        f"From one foot, times repeat within {number(repeatable)} s and are true within {number(right)} s. What is not "
        "known of the receiver's smoothing is the same in all runs with it."
    )


def _name(run: TimedRun) -> str:
    return f"{run.n}" if run.counted else f"{run.n}*"


def _print_times(
    out: Console, shown: Sequence[TimedRun], title: str, cell: Callable[[RunSplit], str], per_row: int = 5
) -> None:
    """Runs down, speeds across; as many blocks as the speeds need in 80 columns."""
    labels = {split.speed_mps: split.speed for run in shown for split in run.splits}
    speeds = sorted(labels)
    for first in range(0, max(len(speeds), 1), per_row):
        block = speeds[first : first + per_row]
        rows = []
        for run in shown:
            cells = {split.speed_mps: cell(split) for split in run.splits}
            rows.append([_name(run), *(cells.get(speed, "") for speed in block)])
        out.print()
        out.print(table(["Run", *(labels[speed] for speed in block)], rows, left=(), title=title if first == 0 else ""))


def _print_distances(out: Console, shown: Sequence[TimedRun], unit: str) -> None:
    measured = sorted({each.distance_m for run in shown for each in run.at_distances})
    if not measured:
        return
    # 100 m and 330 ft are one way to who runs: each owner is told their own.
    foreign = {100.0} if unit == "mph" else {330 * FOOT_M}
    ways = ([way for way in measured if way not in foreign] or measured)[:3]
    rows = []
    for run in shown:
        cells = {
            each.distance_m: f"{with_sigma(each.from_one_foot_s, each.from_one_foot_sigma_s)} at "
            f"{speed_number(each.speed_mps, unit, 1)}"
            for each in run.at_distances
        }
        rows.append([_name(run), *(cells.get(way, "") for way in ways)])
    out.print()
    title = f"Seconds from one foot to a distance, and the speed there in {unit}"
    out.print(table(["Run", *(distance_label(way) for way in ways)], rows, left=(), title=title))


def _print_manner(out: Console, answer: RunsAnswer) -> None:
    from analysis.answers.timed_run import grade_words, road_words

    rows = []
    for run in answer.runs:
        launch = "" if run.launch is None else ("soft" if run.launch.soft else "firm")
        if run.launch is not None and math.isfinite(run.launch.half_second_mps2):
            launch += f" {accel(run.launch.half_second_mps2, answer.unit)}"
        direction = f"{run.direction_deg:.0f}°" if math.isfinite(run.direction_deg) else "-"
        rows.append(
            [
                _name(run), local_clock(run.start_utc), speed_number(run.peak_mps, answer.unit, 1),
                way(run.distance_m, answer.unit), direction, grade_words(run), launch, run.ended,
            ]
        )  # fmt: skip
    out.print()
    zone, far = zone_of(answer.runs[0].start_utc), f"Dist. {way_unit(answer.unit)}"
    columns = ["Run", zone, f"Peak {answer.unit}", far, "To", "Grade %", f"Launch {accel_unit(answer.unit)}", "Ended"]
    out.print(table(columns, rows, left=(7,), title="How each run went"))
    if said_of_road := road_words(answer.runs):
        out.print(said_of_road)
    for run in answer.runs:
        said = [] if run.ended_words == run.ended else [run.ended_words]
        said += run.notes
        if run.gear_changes_s:
            said.append("gear changes at " + ", ".join(f"{t:.1f} s" for t in run.gear_changes_s))
        if run.gaps:
            said.append(f"{plural(len(run.gaps), 'gap')} in the fixes")
        if run.board_why_not:
            said.append(f"first movement is from the fixes only: {run.board_why_not}")
        if run.struck is not None:
            said.append(f"struck out: {run.struck}")
        if run.implausible is not None:
            said.append(f"not plausible: {run.implausible}")
        if run.tags:
            said.append(f"tagged {', '.join(run.tags)}")
        if run.part_throttle is not None:
            said.append(f"not counted: {run.part_throttle}")
        if run.cold is not None:
            said.append(f"not counted: {run.cold}")
        if said:
            out.print(f"Run {run.n}: {'; '.join(said)}")


def _print_channels(out: Console, answer: RunsAnswer) -> None:
    """What else was measured, for each run when it began and at its most; the battery at its least."""
    names = list(dict.fromkeys(each.name for run in answer.runs for each in run.channels))
    if not names:
        return
    units = {each.name: each.unit for run in answer.runs for each in run.channels}
    rows = []
    for run in answer.runs:
        told = {each.name: each for each in run.channels}
        rows.append([_name(run), *(_channel_words(told.get(name)) for name in names)])
    heads = [f"{name}, {channel_unit(units[name])}" for name in names]
    out.print()
    title = "Other channels: at the start, and the highest (for the battery the lowest)"
    out.print(table(["Run", *heads], rows, left=(), title=title))


def _channel_words(told: RunChannel | None) -> str:
    if told is None:
        return NONE
    end = told.lowest if told.unit == "V" else told.highest
    return f"{channel_value(told.at_start, told.unit)}, {channel_value(end, told.unit)}"


def _print_pairs(out: Console, answer: RunsAnswer) -> None:
    kinds = {run.n: run.kind for run in answer.runs}
    for pair in answer.pairs:
        first, second = pair.runs
        standing = kinds[first] == "standing"
        since = "one foot" if standing else _first_speed(answer)
        cell = _from_one_foot if standing else _from_first
        splits = ", ".join(f"{split.speed} {cell(split)}" for split in pair.splits[-3:])
        out.print(f"Runs {first} and {second}, both ways on one stretch, mean from {since}: {splits}")


# --- all drives ---------------------------------------------------------------------------------------------------


def _best_of_all(answer: AllRunsAnswer) -> str:
    """The best run to the highest speed; or that none reached one."""
    if not answer.summary:
        return "No counted run reached any of these speeds."
    best = answer.summary[-1]
    run = next(run for run in answer.runs if best.speed in run.best_at)
    split = next(split for split in run.splits if split.speed == best.speed)
    return f"Best: {_from_one_foot(split)} s to {best.speed}, {run.drive}:{run.n} with {run.setup}."


def _print_all(answer: AllRunsAnswer) -> None:
    out = console()
    shown = [(each.speed_mps, each.speed) for each in answer.summary[-3:]]
    body, slower = [], 0
    for run in answer.runs:
        cells = {
            split.speed: f"{_from_one_foot(split)}{' ^' if split.speed in run.best_at else '  '}"
            for split in run.splits
        }  # fmt: skip
        if any(label in cells for _, label in shown):
            body.append([f"{run.drive}:{run.n}", run.setup, *(cells.get(label, "") for _, label in shown)])
        else:
            slower += 1
    out.print(_best_of_all(answer), style="bold")
    title = "Seconds from one foot of movement, all counted standing runs"
    out.print(table(["Run", "Setup", *(label for _, label in shown)], body, left=(1,), title=title))
    if slower:
        out.print(f"{slower} more reached none of these speeds.")
    out.print()
    totals = [
        [each.speed, str(each.runs), number(each.best_s), number(each.median_s), number(each.spread_s)]
        for each in answer.summary
    ]
    out.print(table(["To", "Runs", "Best", "Median", "Spread"], totals, left=()))
    out.print("^ is the best. Spread is one standard deviation, worked out from the median deviation.")
    if answer.not_counted:
        out.print(
            f"Not counted: {plural(answer.not_counted, 'run')} (broken off, with gaps, not plausible, at part "
            "throttle, or struck out)."
        )
    for unread in answer.unread:
        out.print(f"{unread.drive} was left out: {unread.why}")
