"""The verbs on what a change did: compare, effects, plan, drives, season."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import AllRunsOption, FactorOption, ToOption, WorthOption, part_gone, season_asked
from analysis.cli.setups import parts_json
from analysis.wording import in_brackets, signed_two, two_decimals
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import NoAnswer
from logger.units import parse_quantity, parse_speed, speed_label

if TYPE_CHECKING:
    from analysis.changes.compare import Comparison
    from analysis.changes.day_effects import Interval
    from analysis.changes.effects import Attribution, Effect
    from analysis.changes.plan import Plan
    from analysis.changes.season import Season
    from analysis.changes.verdicts import Measure

app = typer.Typer()


# --- comparisons --------------------------------------------------------------------------------------------------


@app.command(name="compare")
def compare_(
    a: Annotated[str, typer.Argument(help="A setup, a drive, or runs: DRIVE:1,3-5. Join several by +.")],
    b: Annotated[str, typer.Argument(help="What to hold against it.")],
    to: ToOption = None,
    trace: Annotated[bool, typer.Option("--trace", help="Where along the run time was gained or lost.")] = False,
    raw: Annotated[
        bool, typer.Option("--raw", help="Judge by times as driven, not corrected to standard air.")
    ] = False,
    factor: FactorOption = "j1349",
    worth: WorthOption = None,
    all_runs: AllRunsOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Hold one setup, drive or list of runs against another: faster, slower, no difference shown, or too few runs."""
    from analysis.changes.sides import compared

    where, season = season_asked(store, factor, all_runs)
    first, second, answer = compared(
        a, b, season, where, _speeds(to, None), raw=raw, worth_s=parse_quantity(worth, "s") if worth else None
    )
    left = [each for each in season.left_out if each.drive in {run.drive for run in [*first.runs, *second.runs]}]
    if json:
        print_json(_comparison_json(answer, season, left))
    else:
        _print_comparison(answer, season, left, trace)
    if answer.verdict.word == "too few runs":
        raise typer.Exit(1)


@app.command()
def effects(
    to: ToOption = None,
    factor: FactorOption = "j1349",
    raw: Annotated[bool, typer.Option("--raw", help="By times as driven, not corrected to standard air.")] = False,
    all_runs: AllRunsOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """What each part did, over all setups driven; parts that always changed together are named, and stay together."""
    import numpy as np

    from analysis.changes.best import common_speed
    from analysis.changes.effects import attribute
    from analysis.changes.sides import fuel_effects, step_mps

    _, season = season_asked(store, factor, all_runs)
    speeds = _speeds(to, np.array([common_speed(season.runs, step_mps(season))]))
    corrected = not raw and all(run.corrected_s is not None for run in season.runs)
    times = attribute(season.runs, np.array([run.time_to(speeds, corrected) for run in season.runs]))
    mixture = attribute(season.runs, np.array([[run.full_throttle] for run in season.runs]).reshape(-1, 1))
    fuel = fuel_effects(season)
    if times is None:
        raise NoAnswer("effects of parts need runs with two setups or more; `pullbook drives` shows what there is")
    if json:
        print_json(
            {
                "base": dict(times.design.setups[0]),
                "corrected_by": season.factor if corrected else None,
                "separable": times.design.separable,
                "tangled": times.design.tangled,
                "time": [_effect_json(effect, speeds, season.unit) for effect in times.effects],
                "mixture": [_effect_json(effect) for effect in mixture.effects] if mixture else [],
                "fuel": [_effect_json(effect) for effect in fuel.effects] if fuel else [],
                "caveats": times.caveats,
            }
        )
        return
    _print_effects(times, mixture, fuel, speeds, season, corrected)


@app.command()
def plan(
    to: Annotated[
        str | None, typer.Option("--to", help="The speed to judge by, such as 50mph.", show_default=False)
    ] = None,
    gone: Annotated[
        list[str] | None,
        typer.Option("--gone", help="A part's value you no longer have: snorkel=short; repeat it.", show_default=False),
    ] = None,
    settle: Annotated[
        tuple[str, str] | None,
        typer.Option("--settle", metavar="A B", help="Two setups to settle; by default the newest two.",
                     show_default=False),
    ] = None,
    power: Annotated[float, typer.Option(min=0.5, max=0.99, help="How surely the change is to be found.")] = 0.8,
    worth: WorthOption = None,
    hours: Annotated[float, typer.Option(min=0.5, help="Longest outing that is no trouble.")] = 3.0,
    factor: FactorOption = "j1349",
    all_runs: AllRunsOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """The next drives worth making: the fewest that part what is tangled, or settle what is open."""
    from analysis.changes.best import common_speed
    from analysis.changes.sides import planned, step_mps

    where, season = season_asked(store, factor, all_runs)
    if not season.runs:
        raise NoAnswer("planning needs a few timed standing runs first")
    speed = parse_speed(to) if to else common_speed(season.runs, step_mps(season))
    made = planned(
        season,
        where,
        speed,
        settle=settle,
        gone=[part_gone(text) for text in gone or []],
        power=power,
        worth_s=parse_quantity(worth, "s") if worth else None,
        hours=hours,
    )
    if json:
        print_json(_plan_json(made, speed, season))
    else:
        _print_plan(made, speed, season)


def _speeds(to: list[str] | None, default: Any) -> Any:
    import numpy as np

    return np.array(sorted({parse_speed(text) for text in to})) if to else default


_SHORT = {"no difference shown": "not shown", "too few runs": "too few"}
"""Verdicts as a table has room for."""

# --- what is printed ----------------------------------------------------------------------------------------------


def _comparison_json(answer: Comparison, season: Season, left: Sequence[Any]) -> dict[str, Any]:
    def span(interval: Interval | None) -> dict[str, Any] | None:
        if interval is None:
            return None
        return {"difference_s": interval.estimate, "low_s": interval.low, "high_s": interval.high}

    def measure(found: Measure | None) -> dict[str, Any] | None:
        if found is None:
            return None
        i = found.interval
        return {
            "unit": found.unit, "runs_a": found.count_a, "runs_b": found.count_b, "a": found.mean_a, "b": found.mean_b,
            "difference": i.estimate, "low": i.low, "high": i.high, "run_low": i.run_low, "run_high": i.run_high,
            "verdict": found.verdict.word, "sentence": found.verdict.sentence,
        }  # fmt: skip

    return {
        "a": answer.a,
        "b": answer.b,
        "parts_that_differ": [each.part for each in answer.parts_that_differ],
        "parts": parts_json(answer.parts_that_differ),
        "verdict": answer.verdict.word,
        "sentence": answer.verdict.sentence,
        "level": answer.level,
        "level_of_each": answer.each_level,
        "corrected_by": answer.corrected_by or None,
        "splits": [
            {
                "speed": speed_label(split.speed_mps, season.unit),
                "speed_mps": split.speed_mps,
                "runs_a": split.runs_a,
                "runs_b": split.runs_b,
                "a_s": split.mean_a_s,
                "b_s": split.mean_b_s,
                "difference_s": split.interval.estimate,
                "low_s": split.interval.low,
                "high_s": split.interval.high,
                "run_low_s": split.interval.run_low,
                "run_high_s": split.interval.run_high,
                "alone_low_s": split.interval.alone_low,
                "alone_high_s": split.interval.alone_high,
                "days": split.interval.days,
                "run_sigma_s": split.scatter.run_sigma,
                "day_sigma_s": split.scatter.day_sigma,
                "repeat_outings": split.scatter.day_df,
                "smallest_detectable_s": split.verdict.detectable,
                "more_runs_each": split.verdict.more_runs_each,
                "verdict": split.verdict.word,
                "sentence": split.verdict.sentence,
                "raw": span(split.raw),
                "corrected": span(split.corrected),
            }
            for split in answer.splits
        ],
        "trace": [
            {
                "from_mps": band.from_mps, "to_mps": band.to_mps, "a_s": band.mean_a_s, **(span(band.interval) or {}),
                "run_low_s": band.interval.run_low, "run_high_s": band.interval.run_high, "verdict": band.verdict.word,
            }
            for band in answer.trace
        ],
        "launch": measure(answer.launch),
        "mixture": measure(answer.mixture),
        "fuel": measure(answer.fuel),
        "conditions": {"a": asdict(answer.conditions_a), "b": asdict(answer.conditions_b)},
        "outliers": answer.outliers,
        "left_out": [{"run": each.label, "reason": each.reason, "struck": each.struck} for each in left],
        "caveats": answer.caveats,
    }  # fmt: skip


def _print_comparison(answer: Comparison, season: Season, left: Sequence[Any], trace: bool) -> None:
    out = console()
    out.print(f"A  {answer.a}\nB  {answer.b}")
    out.print("   differ in " + "; ".join(map(str, answer.parts_that_differ)) if answer.parts_that_differ else
              "   no parts known to differ")  # fmt: skip
    out.print()
    out.print(f"{answer.verdict.sentence[:1].upper()}{answer.verdict.sentence[1:]}.", style="bold")
    out.print()
    rows = []
    for split in answer.splits:
        rows.append(
            [
                speed_label(split.speed_mps, season.unit).split()[0], f"{split.runs_a}/{split.runs_b}",
                two_decimals(split.mean_a_s), two_decimals(split.mean_b_s), signed_two(split.interval.estimate),
                _span(split.interval.low, split.interval.high), _span(split.interval.run_low, split.interval.run_high),
                _SHORT.get(split.verdict.word, split.verdict.word),
            ]
        )  # fmt: skip
    out.print(
        table([season.unit, "runs", "A s", "B s", "B-A", "with days", "runs only", "verdict"], rows, left=(0, 7),
              title=f"Time from one foot of movement{_by(answer)}")
    )  # fmt: skip
    if answer.corrected_by:
        said = ", ".join(
            f"{signed_two(split.raw.estimate)} to {speed_label(split.speed_mps, season.unit)}"
            for split in answer.splits
        )
        out.print(f"As driven, B-A: {said}.")
    out.print(
        f"All intervals of this table hold together at {answer.level:.0%} (each at {answer.each_level:.1%}): "
        "the speeds are one question. A and B are plain means; B-A allows for the ways driven and for days."
    )
    if trace:
        _print_trace(answer, season)
    for measure in (answer.launch, answer.mixture, answer.fuel):
        if measure is not None:
            out.print(
                f"{measure.name}: A {measure.mean_a:.2f}, B {measure.mean_b:.2f} {measure.unit}; "
                f"{measure.verdict.sentence}{in_brackets(measure.interval)}."
            )
    for name, here in (("A", answer.conditions_a), ("B", answer.conditions_b)):
        wind, grade, told = here.headwind_mps, here.grade_percent, []
        if math.isfinite(wind[1]):
            told.append(f"headwind {wind[0]:+.1f} to {wind[2]:+.1f} m/s, mean {wind[1]:+.1f}")
        if math.isfinite(grade[1]):
            told.append(f"grade {grade[0]:+.1f} to {grade[2]:+.1f} %, mean {grade[1]:+.1f}")
        if told:
            out.print(f"{name} along the way: {'; '.join(told)}.")
    open_ones = [split for split in answer.splits if split.verdict.more_runs_each]
    if open_ones and answer.verdict.word in ("no difference shown", "too few runs"):
        last = open_ones[-1]
        out.print(
            f"To show the change worth knowing: one outing with both, {last.verdict.more_runs_each} runs each. "
            "`pullbook plan` lays it out."
        )
    lines = [*answer.caveats, *answer.outliers]
    struck = [each for each in left if each.struck]
    others = [each for each in left if not each.struck]
    lines += [f"{each.label} is struck out: {each.reason}" for each in struck]
    lines += [f"{each.label} does not count: {each.reason}" for each in others[:6]]
    if len(others) > 6:
        lines.append(f"{len(others) - 6} more runs do not count; --json names them")
    if answer.corrected_by:
        lines.append(
            f"times are corrected to {answer.corrected_by} air on the force of the engine, with road load from "
            f"{season.road}; mixture changes with the air are not corrected"
        )
    if lines:
        out.print()
        for line in lines:
            out.print(f"- {line[:1].upper()}{line[1:]}.")


def _print_trace(answer: Comparison, season: Season) -> None:
    from logger.units import SPEED_UNITS

    scale = SPEED_UNITS[season.unit]
    rows = []
    most = max((abs(band.interval.estimate) for band in answer.trace if math.isfinite(band.interval.estimate)),
               default=0.0)  # fmt: skip
    for band in answer.trace:
        size = band.interval.estimate
        bar = (
            "" if not (most > 0 and math.isfinite(size)) else ("-" if size < 0 else "+") * round(12 * abs(size) / most)
        )
        rows.append(
            [
                f"{band.from_mps / scale:.0f}-{band.to_mps / scale:.0f} {season.unit}", two_decimals(band.mean_a_s),
                signed_two(size), _span(band.interval.low, band.interval.high),
                _SHORT.get(band.verdict.word, band.verdict.word), bar,
            ]
        )  # fmt: skip
    console().print()
    console().print(
        table(["band", "A s", "B-A", "interval", "verdict", "-quicker +slower"], rows, left=(0, 4, 5),
              title="Time gained or lost along the run")
    )  # fmt: skip


def _by(answer: Comparison) -> str:
    return f", corrected by {answer.corrected_by}" if answer.corrected_by else ", as driven"


def _span(low: float, high: float) -> str:
    return f"{low:+.2f}..{high:+.2f}" if math.isfinite(low) and math.isfinite(high) else "unknown"


def _effect_json(effect: Effect, speeds: Any = None, unit: str = "") -> dict[str, Any]:
    intervals = []
    for k, i in enumerate(effect.intervals):
        entry: dict[str, Any] = {
            "difference": i.estimate,
            "low": i.low,
            "high": i.high,
            "run_low": i.run_low,
            "run_high": i.run_high,
            "days": i.days,
        }
        if speeds is not None:
            entry = {"speed": speed_label(float(speeds[k]), unit), "speed_mps": float(speeds[k]), **entry}
        intervals.append(entry)
    return {
        "parts": [change.part for change in effect.changes],
        "changes": [{"part": c.part, "from": c.base, "to": c.value} for c in effect.changes],
        "joint": effect.joint,
        "runs": effect.runs,
        "effects": intervals,
    }


def _print_effects(
    times: Attribution,
    mixture: Attribution | None,
    fuel: Attribution | None,
    speeds: Any,
    season: Season,
    corrected: bool,
) -> None:
    from analysis.conditions.setups import described

    out = console()
    out.print(f"Against {described(times.design.setups[0])}:")
    by = f", corrected by {season.factor}" if corrected else ", as driven"
    for k, speed in enumerate(speeds):
        _print_effect_table(times, k, "s", f"Time to {speed_label(float(speed), season.unit)} from one foot{by}",
                            ("faster", "slower"))  # fmt: skip
    if mixture is not None and mixture.effects:
        _print_effect_table(mixture, 0, season.channel, "Mixture at full throttle", ("richer", "leaner"))
    if fuel is not None and fuel.effects:
        _print_effect_table(fuel, 0, "L/100 km", "Fuel", ("less", "more"))
    for group in times.design.tangled:
        out.print(
            f"- {' and '.join(group)} always changed together: what each does cannot be told from these drives. "
            "`pullbook plan` says which drive would tell."
        )
    if times.design.parts and not times.design.tangled:
        out.print("- No parts are tangled: each effect stands for itself.")
    for line in times.caveats:
        out.print(f"- {line[:1].upper()}{line[1:]}.")


def _print_effect_table(found: Attribution, k: int, unit: str, title: str, words: tuple[str, str]) -> None:
    rows = []
    for effect in found.effects:
        i = effect.intervals[k]
        name = " with ".join(map(str, effect.changes))
        shown = (
            words[0] if i.high < 0 else words[1] if i.low > 0 else "not shown" if math.isfinite(i.low) else "unknown"
        )
        rows.append(
            [name, str(effect.runs), signed_two(i.estimate), _span(i.low, i.high), _span(i.run_low, i.run_high), shown]
        )
    console().print(table(["change", "runs", unit, "with days", "runs only", "shown"], rows, left=(0, 5), title=title))


def _plan_json(made: Plan, speed: float, season: Season) -> dict[str, Any]:
    from analysis.changes.plan import CHECKLIST

    return {
        "separable": made.design.separable,
        "tangled": made.design.tangled,
        "next": [
            {"setup": dict(step.parts), "runs": step.runs, "why": step.why, "outing": step.outing}
            for step in made.steps
        ],
        "speed": speed_label(speed, season.unit),
        "power": made.power,
        "worth_s": made.worth,
        "outings": made.outings,
        "minutes": made.minutes,
        "notes": made.notes,
        "warnings": made.warnings,
        "checklist": list(CHECKLIST) if made.steps else [],
    }


def _print_plan(made: Plan, speed: float, season: Season) -> None:
    from analysis.changes.plan import CHECKLIST
    from analysis.conditions.setups import described, differences, shown

    out = console()
    for group in made.design.tangled:
        out.print(f"{' and '.join(group)} always changed together so far: their effects are tangled.")
    if not made.steps:
        out.print("No drive is needed." if made.design.parts else "Nothing to tell apart: one setup was driven so far.")
    else:
        out.print(f"Judged by the time to {speed_label(speed, season.unit)}.\n")
        base = made.steps[0].parts
        rows = []
        for number, step in enumerate(made.steps, 1):
            differ = differences(base, step.parts)
            what = "; ".join(f"{d.part} {shown(d.b)}" for d in differ) or "the first setup again"
            rows.append([str(number), str(step.outing), what if number > 1 else "as below", str(step.runs), step.why])
        out.print(table(["", "outing", "setup", "runs", "why"], rows, left=(0, 2, 4)))
        out.print(f"Setup 1: {described(base)}")
        out.print(f"About {made.minutes / 60:.1f} h an outing, at {made.run_minutes:.0f} min a run.")
    for line in [*made.warnings, *made.notes]:
        out.print(f"- {line[:1].upper()}{line[1:]}.")
    if made.steps:
        out.print("\nFor the day")
        for line in CHECKLIST:
            out.print(f"  [ ] {line}")
