"""The verbs on what a change did: `compare`, `effects` and `plan`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import (
    AllRunsOption,
    FactorOption,
    ToOption,
    WhereOption,
    WithoutOption,
    WorthOption,
    factor_asked,
    open_store,
    part_gone,
    say_progress,
    season_asked,
    seconds_asked,
    speeds_asked,
)
from analysis.cli.power_change import print_power_change
from analysis.wording import (
    adjusted,
    in_brackets,
    interval,
    judged_by,
    number,
    percent,
    percent_span,
    sentence,
    short_span,
    signed,
    wind,
    wind_unit,
)
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.units import SPEED_UNITS, convert, parse_speed

if TYPE_CHECKING:
    from analysis.answers.compare import CompareAnswer
    from analysis.answers.effects import EffectInterval, EffectsAnswer, PartEffect
    from analysis.answers.plan import PlanAnswer

app = typer.Typer()


# --- comparisons --------------------------------------------------------------------------------------------------


@app.command(name="compare")
def compare_(
    a: Annotated[
        str,
        typer.Argument(
            help="A setup, a drive, or runs: DRIVE:1,3-5. Join several by +. Of a friend's car: finch/baseline."
        ),
    ],
    b: Annotated[str, typer.Argument(help="What to hold against it.")],
    to: ToOption = None,
    trace: Annotated[bool, typer.Option("--trace", help="Where along the run time was gained or lost.")] = False,
    raw: Annotated[
        bool, typer.Option("--raw", help="Judge by times as driven, not corrected to standard air.")
    ] = False,
    factor: FactorOption = "j1349",
    worth: WorthOption = None,
    all_runs: AllRunsOption = False,
    where: WhereOption = None,
    without: WithoutOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Hold one setup, drive or list of runs against another: faster, slower, no difference shown, or too few runs."""
    from analysis.answers.compare import across_answer, compare_answer
    from analysis.changes.across_cars import is_across

    opened, speeds, worth_s = open_store(store), speeds_asked(to), seconds_asked(worth)
    if is_across(opened.path, a, b):
        answer = across_answer(
            opened, a, b, speeds, raw=raw, worth_s=worth_s, factor=factor_asked(factor), every_run=all_runs,
            having=where or (), lacking=without or (), progress=say_progress,
        )  # fmt: skip
    else:
        season = season_asked(store, factor, all_runs, where, without)
        answer = compare_answer(season, a, b, speeds, raw=raw, worth_s=worth_s)
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
    where: WhereOption = None,
    without: WithoutOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """What each part did, over all setups driven; parts that always changed together are named, and stay together."""
    from analysis.answers.effects import effects_answer

    answer = effects_answer(season_asked(store, factor, all_runs, where, without), speeds_asked(to), raw=raw)
    if json:
        print_json(answer.to_json())
    else:
        _print_effects(answer)


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
    where: WhereOption = None,
    without: WithoutOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """The next drives worth making: the fewest that part what is tangled, or settle what is open."""
    from analysis.answers.plan import plan_answer

    answer = plan_answer(
        season_asked(store, factor, all_runs, where, without),
        parse_speed(to) if to else None,
        settle=settle,
        gone=[part_gone(text) for text in gone or []],
        power=power,
        worth_s=seconds_asked(worth),
        hours=hours,
    )
    if json:
        print_json(answer.to_json())
    else:
        _print_plan(answer)


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
    if answer.power is not None:
        print_power_change(answer.power, unit)
    out.print(sentence(answer.sentence), style="bold")
    out.print()
    rows = [
        [
            split.speed.split()[0], f"{split.runs_a}/{split.runs_b}", number(split.a_s), number(split.b_s),
            signed(split.difference_s), short_span(split.low_s, split.high_s),
            short_span(split.run_low_s, split.run_high_s), _SHORT.get(split.verdict, split.verdict),
        ]
        for split in answer.splits
    ]  # fmt: skip
    title = f"Time from one foot of movement{judged_by(answer.corrected_by)}"
    out.print(table([unit, "runs", "A s", "B s", "B-A", "with days", "runs only", "verdict"], rows, left=(0, 7),
                    title=title))  # fmt: skip
    if answer.corrected_by:
        said = ", ".join(f"{signed(split.raw.difference_s)} to {split.speed}" for split in answer.splits)
        out.print(f"As driven, B-A: {said}.")
    out.print(
        f"All intervals of this table hold together at {answer.level:.0%} (each at {answer.level_of_each:.1%}): "
        f"the speeds are one question. {adjusted(split.adjustment_s for split in answer.splits)}"
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
        headwind, grade, told = here.headwind_mps, here.grade_percent, []
        if math.isfinite(headwind[1]):
            along = [wind(each, unit, sign=True) for each in headwind]
            told.append(f"headwind {along[0]} to {along[2]} {wind_unit(unit)}, mean {along[1]}")
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
                f"{band.from_mps / scale:.0f}-{band.to_mps / scale:.0f} {unit}", number(band.a_s),
                number(band.b_s), signed(size), short_span(band.low_s, band.high_s),
                _SHORT.get(band.verdict, band.verdict), bar,
            ]
        )  # fmt: skip
    out = console()
    out.print()
    out.print(
        table(["band", "A s", "B s", "B-A", "interval", "verdict", "-quicker +slower"], rows, left=(0, 5, 6),
              title=f"Time gained or lost along the run{judged_by(answer.corrected_by)}")
    )  # fmt: skip


def _print_effects(answer: EffectsAnswer) -> None:
    from analysis.conditions.setups import described

    out = console()
    out.print(f"Against {described(answer.base)}:")
    if answer.power:
        _print_power_effects(answer)
    speeds = [each.speed for each in answer.time[0].effects] if answer.time else []
    for k, speed in enumerate(speeds):
        times = [(each, each.effects[k]) for each in answer.time]
        _print_effect_table(
            times, "s", f"Time to {speed} from one foot{judged_by(answer.corrected_by)}", ("faster", "slower")
        )
    _print_outlay(answer)
    if answer.mixture:
        mixtures = [(each, each.effects[0]) for each in answer.mixture]
        _print_effect_table(
            mixtures, answer.channel, "Mixture at full throttle, in each run's pull", ("richer", "leaner")
        )
    if answer.fuel:
        _print_effect_table([(each, each.effects[0]) for each in answer.fuel], "L/100 km", "Fuel", ("less", "more"))
    for group in answer.tangled:
        out.print(
            f"- {' and '.join(group)} always changed together: what each does cannot be told from these drives. "
            "`pullbook plan` says which drive would tell."
        )
    if answer.separable and not answer.tangled:
        out.print("- No parts are tangled: each effect stands for itself.")
    for line in answer.caveats:
        out.print(f"- {sentence(line)}")


def _print_power_effects(answer: EffectsAnswer) -> None:
    from analysis.answers.sentences import changed, power_word

    rows = [
        [
            changed(each.changes), str(each.runs), percent(each.change), percent_span(each.low, each.high),
            power_word(each.low, each.high),
        ]
        for each in answer.power
    ]  # fmt: skip
    title = "Power at the wheels, by every full pull, standing and rolling"
    console().print(table(["change", "pulls", "power %", "with days", "shown"], rows, left=(0, 4), title=title))


def _print_outlay(answer: EffectsAnswer) -> None:
    """What each change gained for its money and hours, where its setup says what it took."""
    from analysis.answers.sentences import changed

    rows = []
    for each in answer.time:
        told = [(gain, of) for gain, of in ((each.for_money, ""), (each.for_hours, " h")) if gain is not None]
        for k, (gain, of) in enumerate(told):
            what = "" if k else changed(each.changes)
            span = interval(gain.low_s, gain.high_s, 3)
            rows.append([what, f"{gain.spent:g}{of}", signed(gain.gain_s, 3), span])
    if rows:
        heads = ["change", "it took", "s for each", "95%"]
        title = f"Gained to {answer.time[0].effects[-1].speed} for money and hours; above zero is quicker"
        console().print(table(heads, rows, title=title))


def _print_effect_table(
    found: Sequence[tuple[PartEffect, EffectInterval]], unit: str, title: str, words: tuple[str, str]
) -> None:
    from analysis.answers.sentences import changed

    rows = []
    for effect, i in found:
        told = "not shown" if math.isfinite(i.low) else "unknown"
        rows.append(
            [
                changed(effect.changes), str(effect.runs), signed(i.difference), short_span(i.low, i.high),
                short_span(i.run_low, i.run_high), words[0] if i.high < 0 else words[1] if i.low > 0 else told,
            ]
        )  # fmt: skip
    console().print(table(["change", "runs", unit, "with days", "runs only", "shown"], rows, left=(0, 5), title=title))


def _print_plan(answer: PlanAnswer) -> None:
    from analysis.conditions.setups import described, shown

    out = console()
    for group in answer.tangled:
        out.print(f"{' and '.join(group)} always changed together so far: their effects are tangled.")
    if not answer.next and answer.tangled:
        out.print("No drive is planned: with the parts still there, none would part them.")
    elif not answer.next:
        out.print("No drive is needed." if answer.separable else "Nothing to tell apart: one setup was driven so far.")
    else:
        out.print(f"Judged by the time to {answer.speed}.\n")
        rows = []
        for number, step in enumerate(answer.next, 1):
            differs = "; ".join(f"{part} {shown(pair.b)}" for part, pair in step.differs.items())
            what = "as below" if number == 1 else differs or "the first setup again"
            rows.append([str(number), str(step.outing), what, str(step.runs), step.why])
        out.print(table(["", "outing", "setup", "runs", "why"], rows, left=(0, 2, 4)))
        out.print(f"Setup 1: {described(answer.next[0].setup)}")
        out.print(
            f"About {convert(answer.minutes, 'min', 'h'):.1f} h an outing, at {answer.run_minutes:.0f} min a run."
        )
    by_power = [answer.by_power.sentence] if answer.by_power is not None and answer.next else []
    for line in [*answer.warnings, *answer.notes, *by_power]:
        out.print(f"- {sentence(line)}")
    if answer.next:
        out.print("\nFor the day")
        for line in answer.checklist:
            out.print(f"  [ ] {line}")
