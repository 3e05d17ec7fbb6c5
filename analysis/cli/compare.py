"""The verbs on what a change did: compare, effects, plan, drives, season."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import (
    AllRunsOption,
    FactorOption,
    ToOption,
    WorthOption,
    part_gone,
    season_asked,
    seconds_asked,
    speeds_asked,
)
from analysis.wording import in_brackets, sentence, signed_two, two_decimals
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import NoAnswer
from logger.units import SPEED_UNITS, parse_quantity, parse_speed, speed_label

if TYPE_CHECKING:
    from analysis.answers.compare import CompareAnswer
    from analysis.changes.effects import Attribution, Effect
    from analysis.changes.plan import Plan
    from analysis.changes.season import SeasonRecord

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
    from analysis.answers.compare import compare_answer

    season = season_asked(store, factor, all_runs)
    answer = compare_answer(season, a, b, speeds_asked(to), raw=raw, worth_s=seconds_asked(worth))
    if json:
        print_json(answer.to_json())
    else:
        _print_comparison(answer, trace)
    if answer.verdict == "too few runs":
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


def _print_comparison(answer: CompareAnswer, trace: bool) -> None:
    from analysis.conditions.setups import shown

    out, unit = console(), answer.speed_unit
    out.print(f"A  {answer.a}\nB  {answer.b}")
    differ = "; ".join(f"{part} {shown(pair.a)} -> {shown(pair.b)}" for part, pair in answer.parts.items())
    out.print(f"   differ in {differ}" if differ else "   no parts known to differ")
    out.print()
    out.print(sentence(answer.sentence), style="bold")
    out.print()
    rows = [
        [
            split.speed.split()[0], f"{split.runs_a}/{split.runs_b}", two_decimals(split.a_s), two_decimals(split.b_s),
            signed_two(split.difference_s), _span(split.low_s, split.high_s), _span(split.run_low_s, split.run_high_s),
            _SHORT.get(split.verdict, split.verdict),
        ]
        for split in answer.splits
    ]  # fmt: skip
    title = f"Time from one foot of movement{_by(answer)}"
    out.print(table([unit, "runs", "A s", "B s", "B-A", "with days", "runs only", "verdict"], rows, left=(0, 7),
                    title=title))  # fmt: skip
    if answer.corrected_by:
        said = ", ".join(f"{signed_two(split.raw.difference_s)} to {split.speed}" for split in answer.splits)
        out.print(f"As driven, B-A: {said}.")
    out.print(
        f"All intervals of this table hold together at {answer.level:.0%} (each at {answer.level_of_each:.1%}): "
        f"the speeds are one question. {_adjusted(answer)}"
    )
    if trace:
        _print_trace(answer)
    for measure in (answer.launch, answer.mixture, answer.fuel):
        if measure is not None:
            out.print(
                f"{measure.name}: A {measure.a:.2f}, B {measure.b:.2f} {measure.unit}; "
                f"{measure.sentence}{in_brackets(measure.low, measure.high)}."
            )
    for name, here in (("A", answer.conditions.a), ("B", answer.conditions.b)):
        wind, grade, told = here.headwind_mps, here.grade_percent, []
        if math.isfinite(wind[1]):
            told.append(f"headwind {wind[0]:+.1f} to {wind[2]:+.1f} m/s, mean {wind[1]:+.1f}")
        if math.isfinite(grade[1]):
            told.append(f"grade {grade[0]:+.1f} to {grade[2]:+.1f} %, mean {grade[1]:+.1f}")
        if told:
            out.print(f"{name} along the way: {'; '.join(told)}.")
    if answer.more_runs_each:
        out.print(
            f"To show the change worth knowing: one outing with both, {answer.more_runs_each} runs each. "
            "`pullbook plan` lays it out."
        )
    if lines := _remarks(answer):
        out.print()
        for line in lines:
            out.print(f"- {sentence(line)}")


def _adjusted(answer: CompareAnswer) -> str:
    """What lies between the means of a table and its differences."""
    said = "A and B are plain means; B-A allows for the ways driven and for days"
    most = max((abs(split.adjustment_s) for split in answer.splits if math.isfinite(split.adjustment_s)), default=0.0)
    return f"{said}, here by up to {most:.2f} s." if most >= 0.005 else f"{said}: here they leave it as it is."


def _remarks(answer: CompareAnswer) -> list[str]:
    lines = [*answer.caveats, *answer.outliers]
    others = [each for each in answer.left_out if not each.struck]
    lines += [f"{each.run} is struck out: {each.reason}" for each in answer.left_out if each.struck]
    lines += [f"{each.run} does not count: {each.reason}" for each in others[:6]]
    if len(others) > 6:
        lines.append(f"{len(others) - 6} more runs do not count; --json names them")
    return [*lines, answer.correction] if answer.correction else lines


def _print_trace(answer: CompareAnswer) -> None:
    scale, unit = SPEED_UNITS[answer.speed_unit], answer.speed_unit
    sizes = [abs(band.difference_s) for band in answer.trace if math.isfinite(band.difference_s)]
    most = max(sizes, default=0.0)
    rows = []
    for band in answer.trace:
        size = band.difference_s
        told = most > 0 and math.isfinite(size)
        bar = ("-" if size < 0 else "+") * round(12 * abs(size) / most) if told else ""
        rows.append(
            [
                f"{band.from_mps / scale:.0f}-{band.to_mps / scale:.0f} {unit}", two_decimals(band.a_s),
                two_decimals(band.b_s), signed_two(size), _span(band.low_s, band.high_s),
                _SHORT.get(band.verdict, band.verdict), bar,
            ]
        )  # fmt: skip
    out = console()
    out.print()
    out.print(
        table(["band", "A s", "B s", "B-A", "interval", "verdict", "-quicker +slower"], rows, left=(0, 5, 6),
              title=f"Time gained or lost along the run{_by(answer)}")
    )  # fmt: skip


def _by(answer: CompareAnswer) -> str:
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
    season: SeasonRecord,
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


def _plan_json(made: Plan, speed: float, season: SeasonRecord) -> dict[str, Any]:
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


def _print_plan(made: Plan, speed: float, season: SeasonRecord) -> None:
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
