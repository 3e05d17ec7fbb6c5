"""The verbs on what a change did: `compare`, `effects` and `plan`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.answers import typed
from analysis.cli.options import (
    AllRunsOption,
    FactorOption,
    ToOption,
    WhereOption,
    WithoutOption,
    WorthOption,
    factor_asked,
    open_store,
    say_progress,
    season_asked,
    seconds_asked,
    speeds_asked,
)
from analysis.cli.power_change import print_power_change
from analysis.cli.said_before import said_again
from analysis.cli.verdict import WhyOption, print_rest, print_verdict
from analysis.wording import (
    adjusted,
    in_brackets,
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
from logger.units import SPEED_UNITS, parse_speed

if TYPE_CHECKING:
    from analysis.answers.compare import CompareAnswer, MeasureComparison
    from analysis.answers.effects import EffectInterval, EffectsAnswer, PartEffect
    from analysis.answers.plan import PlanAnswer

app = typer.Typer()


# --- comparisons --------------------------------------------------------------------------------------------------


@app.command(name="compare", epilog='Example: pullbook compare baseline "long snorkel"')
@said_again
def compare_(
    a: Annotated[
        str,
        typer.Argument(
            help="A setup, a drive, or runs: DRIVE:1,3-5. Join more than one with +. Of a friend's car: finch/baseline."
        ),
    ],
    b: Annotated[str, typer.Argument(help="What to compare it with, named the same way.")],
    to: ToOption = None,
    trace: Annotated[bool, typer.Option("--trace", help="Show where along the run time was gained or lost.")] = False,
    raw: Annotated[
        bool, typer.Option("--raw", help="Judge by times as driven, not corrected to standard air.")
    ] = False,
    factor: FactorOption = "j1349",
    worth: WorthOption = None,
    all_runs: AllRunsOption = False,
    where: WhereOption = None,
    without: WithoutOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Compare two setups, drives or lists of runs: faster, slower, no difference shown, or too few runs."""
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
        _print_comparison(answer, trace, why)
    if answer.verdict == "too few runs":
        raise typer.Exit(1)


@app.command(epilog="Example: pullbook effects --to 40mph")
@said_again
def effects(
    to: ToOption = None,
    factor: FactorOption = "j1349",
    raw: Annotated[bool, typer.Option("--raw", help="Use times as driven, not corrected to standard air.")] = False,
    all_runs: AllRunsOption = False,
    where: WhereOption = None,
    without: WithoutOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """What each part did, over all setups driven. Parts that always changed together are named together."""
    from analysis.answers.effects import effects_answer

    answer = effects_answer(season_asked(store, factor, all_runs, where, without), speeds_asked(to), raw=raw)
    if json:
        print_json(answer.to_json())
    else:
        _print_effects(answer, why)


@app.command(epilog="Example: pullbook plan --gone snorkel=short")
@said_again
def plan(
    to: Annotated[
        str | None, typer.Option("--to", help="The speed to judge by, such as 50mph.", show_default=False)
    ] = None,
    gone: Annotated[
        list[str] | None,
        typer.Option("--gone", help="A part you no longer have, such as snorkel=short. May be "
        "repeated.", show_default=False),
    ] = None,
    settle: Annotated[
        tuple[str, str] | None,
        typer.Option("--settle", metavar="A B", help="The two setups to settle. By default the newest two.",
                     show_default=False),
    ] = None,
    power: Annotated[float, typer.Option(min=0.5, max=0.99, help="How sure the plan must be to show the "
    "change.")] = 0.8,
    worth: WorthOption = None,
    hours: Annotated[float, typer.Option(min=0.5, help="The longest outing you want, in hours.")] = 3.0,
    factor: FactorOption = "j1349",
    all_runs: AllRunsOption = False,
    where: WhereOption = None,
    without: WithoutOption = None,
    why: WhyOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """The next drives worth making: the fewest that separate parts changed together, or settle what is open."""
    from analysis.answers.plan import plan_answer

    answer = plan_answer(
        season_asked(store, factor, all_runs, where, without),
        parse_speed(to) if to else None,
        settle=settle,
        gone=[typed.part_gone(text) for text in gone or []],
        power=power,
        worth_s=seconds_asked(worth),
        hours=hours,
    )
    if json:
        print_json(answer.to_json())
    else:
        _print_plan(answer, why)


_SHORT = {"no difference shown": "not shown", "too few runs": "too few"}
"""Verdicts as a table has room for."""

# --- what is printed ----------------------------------------------------------------------------------------------


def _print_comparison(answer: CompareAnswer, trace: bool, why: bool) -> None:
    from analysis.conditions.setups import shown

    out, unit = console(), answer.speed_unit
    print_verdict(out, answer.sentence)
    if answer.power is not None:
        print_power_change(answer.power, unit, why)
    out.print()
    out.print(f"A  {answer.a}\nB  {answer.b}")
    differ = "; ".join(f"{part} {shown(pair.a)} -> {shown(pair.b)}" for part, pair in answer.parts.items())
    out.print(f"   differ in {differ}" if differ else "   no parts known to differ")
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
    if trace:
        _print_trace(answer)
    measures = [each for each in (answer.launch, answer.mixture, answer.fuel) if each is not None]
    for measure in measures:
        if measure.verdict not in _SHORT:
            out.print(_measured(measure))
    if answer.more_runs_each:
        out.print(
            f"To show a change worth knowing, drive {answer.more_runs_each} runs of each in one outing. "
            "`pullbook plan` lays it out."
        )
    out.print()
    for line in (*answer.outliers, *(line for line in answer.caveats if line not in answer.background)):
        out.print(f"- {sentence(line)}")
    rest = _how_worked_out(answer)
    rest += [_measured(measure) for measure in measures if measure.verdict in _SHORT]
    print_rest(out, [*rest, *(f"- {sentence(line)}" for line in _left_out(answer))], why)


def _measured(measure: MeasureComparison) -> str:
    figures = f"{measure.name}: A {measure.a:.2f}, B {measure.b:.2f} {measure.unit}, B-A {signed(measure.difference)}"
    return f"{sentence(figures + in_brackets(measure.low, measure.high))} {sentence(measure.sentence)}"


def _how_worked_out(answer: CompareAnswer) -> list[str]:
    """What the figures rest on, a sentence or two a line."""
    unit, lines = answer.speed_unit, []
    if answer.corrected_by:
        said = ", ".join(f"{signed(split.raw.difference_s)} to {split.speed}" for split in answer.splits)
        lines.append(f"As driven, B-A: {said}.")
    lines.append(
        f"The intervals of this table hold together at {answer.level:.0%} (each at {answer.level_of_each:.1%}). "
        f"{adjusted(split.adjustment_s for split in answer.splits)}"
    )
    for name, here in (("A", answer.conditions.a), ("B", answer.conditions.b)):
        headwind, grade, told = here.headwind_mps, here.grade_percent, []
        if math.isfinite(headwind[1]):
            along = [wind(each, unit, sign=True) for each in headwind]
            told.append(f"headwind {along[0]} to {along[2]} {wind_unit(unit)}, mean {along[1]}")
        if math.isfinite(grade[1]):
            told.append(f"grade {grade[0]:+.1f} to {grade[2]:+.1f} %, mean {grade[1]:+.1f}")
        if told:
            lines.append(f"{name} was driven with {'; '.join(told)}.")
    lines += [sentence(line) for line in answer.background]
    return [*lines, sentence(answer.correction)] if answer.correction else lines


def _left_out(answer: CompareAnswer) -> list[str]:
    others = [each for each in answer.left_out if not each.struck]
    lines = [f"{each.run} is struck out: {each.reason}" for each in answer.left_out if each.struck]
    lines += [f"{each.run} is not counted: {each.reason}" for each in others[:6]]
    if len(others) > 6:
        lines.append(f"{len(others) - 6} more runs are not counted; --json names them")
    return lines


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


def _print_effects(answer: EffectsAnswer, why: bool) -> None:
    from analysis.answers.sentences import effects_verdict
    from analysis.conditions.setups import described

    out = console()
    for line in effects_verdict(answer):
        out.print(line, style="bold")
    out.print(f"Compared with {described(answer.base)}:")
    if answer.power:
        _print_power_effects(answer)
    speeds = [each.speed for each in answer.time[0].effects] if answer.time else []
    for k, speed in enumerate(speeds):
        times = [(each, each.effects[k]) for each in answer.time]
        _print_effect_table(
            times, "s", f"Time to {speed} from one foot{judged_by(answer.corrected_by)}", ("faster", "slower")
        )
    _print_outlay(answer)
    mixtures = [(each, each.effects[0]) for each in answer.mixture]
    fuels = [(each, each.effects[0]) for each in answer.fuel]
    for found, unit, title, words in (
        (mixtures, answer.channel, "Mixture at full throttle, in each run's pull", ("richer", "leaner")),
        (fuels, "L/100 km", "Fuel", ("less", "more")),
    ):
        if found and (why or any(each.low > 0 or each.high < 0 for _, each in found)):
            _print_effect_table(found, unit, title, words)
    for group in answer.tangled:
        out.print(
            f"- {' and '.join(group)} always changed together, so what each did is not known. `pullbook plan` says "
            "which drive would separate them."
        )
    for line in answer.caveats:
        if line not in answer.background:
            out.print(f"- {sentence(line)}")
    print_rest(out, [sentence(line) for line in answer.background], why)


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
    from analysis.answers.sentences import outlay_rows, outlay_title

    if rows := outlay_rows(answer.time):
        console().print(table(["change", "spent", "s for each", "95%"], rows, title=outlay_title(answer.time)))


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


def _print_plan(answer: PlanAnswer, why: bool) -> None:
    from analysis.conditions.setups import described, shown

    out = console()
    out.print(answer.sentence, style="bold")
    for group in answer.tangled:
        out.print(f"{' and '.join(group)} always changed together.")
    if answer.next:
        out.print(f"Judged by the time to {answer.speed}.\n")
        rows = []
        for number, step in enumerate(answer.next, 1):
            differs = "; ".join(f"{part} {shown(pair.b)}" for part, pair in step.differs.items())
            what = "as below" if number == 1 else differs or "the first setup again"
            rows.append([str(number), str(step.outing), what, str(step.runs), step.why])
        out.print(table(["", "outing", "setup", "runs", "why"], rows, left=(0, 2, 4)))
        out.print(f"Setup 1: {described(answer.next[0].setup)}")
    for line in [*answer.warnings, *answer.notes]:
        out.print(f"- {sentence(line)}")
    if answer.next:
        out.print("\nFor the day")
        for line in answer.checklist:
            out.print(f"  [ ] {line}")
        rest = [f"An outing is counted at {answer.run_minutes:.0f} min a run."]
        print_rest(out, rest + ([sentence(answer.by_power.sentence)] if answer.by_power is not None else []), why)
