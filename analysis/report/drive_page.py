"""The report of one drive."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.arrays import Floats
from analysis.drive import Driven
from analysis.report.page import Block, Bullets, Figure, Page, Section, Table, Words
from analysis.report.plots import STYLES, Axis, Series, Span, Zone, columns, draw, thinned
from analysis.report.sections import cautions, channel_words, digits_of, mixture_blocks, trace, weather_blocks
from analysis.runs.pairs import summarise
from analysis.runs.run import Run, common_top, split_at, table_speeds, table_splits, time_zero
from logger.errors import InputError
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.drive import Mapped
    from analysis.mixture.map import MixtureMap


FEW = 6
"""Up to so many lines get a colour and a label each; more are drawn in grey behind the best one and the median."""
LIFTING_S = 0.3
"""Before a run's end the throttle may be closing already."""
FROM_FOOT = "Seconds from one foot"


def drive_page(told: Driven, reference: int | None = None, plan: Sequence[Block] = ()) -> Page:
    """The page of a drive. `reference` numbers the run that the others are held against, by default the best one;
    `plan` is what to drive next (`sections.plan_blocks`).

    InputError where no counted run has that number.
    """
    drive = told.drive
    runs = told.counted()
    best = best_run(runs, told.unit)
    held = best if reference is None else next((run for run in runs if run.n == reference), None)
    if reference is not None and held is None:
        known = ", ".join(str(run.n) for run in runs) or "none"
        raise InputError(f"--reference: {drive.id} has no counted run {reference}: its counted runs are {known}")
    sections = [Section("driven", "What was driven, and with what", [*_overview(told), *with_what(told)])]
    if told.found.runs:
        sections.append(Section("runs", "Runs", runs_blocks(told)))
    if held is not None:
        sections.append(Section("traces", "Traces", traces(told, best or held)))
        if len(runs) > 1:
            sections.append(Section("gained", "Time gained and lost", gained(told, held)))
    if told.mapped is not None:
        blocks = mixture_blocks(told.mapped, told.unit)
        if best is not None:
            blocks += along_best(told, told.mapped, best)
        sections.append(Section("mixture", "Mixture", blocks))
    if told.loop is not None:
        sections.append(Section("fuel", "Fuel", fuel_blocks(told)))
    day = (told.drive.manifest.started_utc, told.weather, told.air)
    sections.append(Section("weather", "Weather", weather_blocks([day])))
    if plan:
        sections.append(Section("plan", "The next outing", plan))
    return Page(
        title=f"Drive of {drive.manifest.started_utc:%Y-%m-%d %H:%M} UTC",
        subtitle=f"{_car(told)}, setup: {drive.setup.name if drive.setup else 'not said'}",
        verdict=_verdict(told, runs, best),
        caveats=caveats(told),
        facts=_facts(told),
        sections=sections,
        cautions=cautions([told.mapped] if told.mapped else []),
        footer=_footer(told),
    )


def best_run(runs: Sequence[Run], unit: str) -> Run | None:
    """The quickest to the highest speed that half of the runs reach, from one foot."""
    top = common_top(runs, unit)
    if top is None:
        return None
    summary = summarise(runs, top, "one foot")
    return runs[summary.best_run] if summary is not None else None


# --- the verdict --------------------------------------------------------------------------------------------------


def _verdict(told: Driven, runs: list[Run], best: Run | None) -> list[str]:
    said: list[str] = []
    top = common_top(runs, told.unit)
    if best is not None and top is not None:
        summary = summarise(runs, top, "one foot")
        split = split_at(best, top)
        if summary is not None and split is not None:
            time = wording.with_sigma(split.from_one_foot_s, split.from_one_foot_sigma_s)
            of = (
                f"run {best.n}, the best of {wording.plural(summary.runs, 'run')}"
                if summary.runs > 1
                else f"run {best.n}"
            )
            said.append(f"One foot to {speed_label(top, told.unit)} in {time} s ({of}).")
            if summary.runs > 2:
                spread = f", spread {summary.spread_s:.2f} s" if math.isfinite(summary.spread_s) else ""
                said.append(f"The median of the runs is {summary.median_s:.2f} s{spread}.")
    elif told.found.runs:
        said.append(
            f"None of the {wording.plural(len(told.found.runs), 'run')} counts: each was broken off or struck out."
        )
    if told.mapped is not None:
        said += _mixture_words(told.mapped.answer)
    if told.loop is not None:
        said.append(f"Fuel: {_consumption(told)}.")
    return said or ["Nothing was asked of this drive that it could answer: it has no run, no mixture and no fuel loop."]


def _mixture_words(found: MixtureMap) -> list[str]:
    digits, name = digits_of(found), channel_words(found)
    out = []
    for summary in found.summaries:
        if summary.regime in ("full throttle", "cruise") and summary.judgement != "not enough data":
            sure = "" if summary.sure else ", though not surely"
            out.append(
                f"Mixture at {summary.regime}: {name} {wording.with_sigma(summary.median, summary.sigma, digits)}, "
                f"{summary.judgement}{sure} (target {summary.target.low:g} to {summary.target.high:g})."
            )
    return out


def caveats(told: Driven) -> list[str]:
    """What to mind when reading the figures."""
    from analysis.conditions.weather import STEEP_PERCENT, WINDY_MPS

    out = []
    left_out = [run for run in told.found.runs if run not in told.counted()]
    if left_out:
        why = "; ".join(f"run {run.n}: {_why_not(told, run)}" for run in left_out)
        out.append(f"{wording.plural(len(left_out), 'run')} not counted ({why}).")
    counted = told.counted()
    if soft := [str(run.n) for run in counted if run.launch is not None and run.launch.soft]:
        out.append(f"Soft launches, which cost time whatever the engine does: run {', '.join(soft)}.")
    if 0 < len(counted) < 3:
        out.append("Fewer than three counted runs: they cannot show that one of them is odd.")
    if steep := [run.n for run in counted if abs(run.grade.percent) > STEEP_PERCENT + 2 * run.grade.sigma]:
        out.append(f"On a grade of more than {STEEP_PERCENT:g} %: run {', '.join(map(str, steep))}.")
    if told.weather.wind_mps is not None and told.weather.wind_mps > WINDY_MPS:
        out.append(f"Wind of {told.weather.wind_mps:.1f} m/s, above the {WINDY_MPS} m/s that coasts are driven in.")
    noise = told.found.motion.noise
    if noise.hold_mps:
        out.append(f"The receiver shows 0 below {noise.hold_mps:.1f} m/s: first movement is inferred.")
    if told.mapped is not None:
        out += list(told.mapped.answer.notes)
    out += told.air.assumed
    out += list(told.lacking.values())
    out += [f"{gap.source or 'everything'}: nothing recorded for {(gap.end_utc - gap.start_utc).total_seconds():.0f} s"
            + (f" ({gap.why})" if gap.why else "") for gap in told.drive.manifest.gaps[:5]]  # fmt: skip
    out += told.drive.manifest.remarks
    return list(dict.fromkeys(out))


def _why_not(told: Driven, run: Run) -> str:
    if (struck := told.found.struck(run)) is not None:
        return f"struck out: {struck}"
    return "gap in the fixes" if run.gaps else run.ended_words or run.ended


# --- what was driven ----------------------------------------------------------------------------------------------


def _car(told: Driven) -> str:
    return told.drive.car.car.name if told.drive.car else "Car not said"


def _facts(told: Driven) -> list[tuple[str, str]]:
    motion, unit = told.found.motion, told.unit
    way = float(motion.distance_m[-1])
    rate = f"{1 / motion.step_s:.0f} a second" if motion.step_s <= 0.7 else f"one in {motion.step_s:.0f} s"
    out = [
        ("Length", wording.duration(told.drive.manifest.duration_s)),
        ("Way", f"{way / 1609.344:.2f} mi" if unit == "mph" else f"{way / 1000:.2f} km"),
        ("Fastest", speed_label(float(motion.speed_mps.max()), unit)),
        ("Runs", f"{len(told.found.runs)}, {len(told.counted())} counted"),
        ("Fixes", f"{rate}, noise {motion.noise.reading_sigma_mps:.2f} m/s"),
    ]
    if told.weather.temperature_c is not None:
        out.append(("Air", f"{told.weather.temperature_c:.0f} \u00b0C"))
    return out


def _footer(told: Driven) -> list[str]:
    manifest = told.drive.manifest
    where = f", imported from {manifest.origin}" if manifest.origin else ""
    return [
        f"Drive {told.drive.id}{where}. Recorded and analysed by {manifest.program or 'pullbook'}.",
        "\u00b1 is one standard deviation. Times count from one foot of movement (SAE J1491) unless said otherwise.",
        "This page holds no position, and asks nobody for anything: it can be kept and given away as it is.",
    ]


def _overview(told: Driven) -> list[Block]:
    motion, unit = told.found.motion, told.unit
    t = (motion.t_s - motion.t_s[0]) / 60
    speed = motion.speed_mps / SPEED_UNITS[unit]
    for gap in motion.gaps:
        last = int(np.searchsorted(motion.t_s, gap.start_s))
        t, speed = np.insert(t, last + 1, np.nan), np.insert(speed, last + 1, np.nan)
    x, y = _in_columns(t, speed)
    numbered = len(told.found.runs) <= 25
    spans = [
        Span((run.start_s - motion.t_s[0]) / 60, (run.end_s - motion.t_s[0]) / 60, f"{run.n}" if numbered else "")
        for run in told.found.runs
    ]
    plot = draw(
        [Series("speed", x, y, style=0, direct=False)],
        Axis("Time into the drive", "min", 0.0, float(t[-1]), 2),
        Axis("Speed", unit, 0.0, None, 1),
        height=170,
        spans=spans,
        said=f"Speed over the whole drive of {wording.duration(told.drive.manifest.duration_s)}; "
        f"{wording.plural(len(told.found.runs), 'run')} in it.",
    )
    caption = "Runs are shaded and numbered." if told.found.runs else ""
    return [Figure("The drive at a glance", plot, caption)]


def _in_columns(t: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Every piece between gaps thinned to columns, the gaps kept."""
    breaks = np.flatnonzero(~np.isfinite(t))
    xs: list[Floats] = []
    ys: list[Floats] = []
    hole = np.array([np.nan])
    for a, b in zip([0, *(breaks + 1)], [*breaks, len(t)], strict=True):
        if b - a > 1:
            x, v = columns(t[a:b], y[a:b])
            xs += [x, hole]
            ys += [v, hole]
    return (np.concatenate(xs[:-1]), np.concatenate(ys[:-1])) if xs else (t, y)


def with_what(told: Driven) -> list[Block]:
    """The setup, the car and the notes."""
    from analysis.conditions.setups import shown as value_shown

    out: list[Block] = []
    setup, car = told.drive.setup, told.drive.car
    if setup is not None:
        rows = [[part, value_shown(value)] for part, value in setup.parts.items()]
        if setup.notes:
            rows.append(["notes", setup.notes])
        out.append(Table(f"Setup: {setup.name}", ["Part", "Value"], rows, left=(1,)))
    else:
        out.append(Words("No setup is recorded with this drive: it cannot be compared with others by what was fitted."))
    if car is not None:
        rows = [["mass as driven", f"{car.car.mass_kg:g} kg"], ["cooling", car.car.cooling]]
        rows += [["carburettor", car.car.carburettor]] if car.car.carburettor else []
        rows += [["fuel", car.fuel.blend]]
        out.append(Table(f"Car: {car.car.name}", ["", ""], rows, left=(1,), folded=True))
    zero = told.drive.manifest.started_utc
    notes = [[wording.clock((note.utc - zero).total_seconds()), note.text] for note in told.drive.manifest.notes]
    if notes:
        out.append(Table("Notes made while driving", ["Into the drive", "Note"], notes, left=(1,)))
    return out


# --- runs ---------------------------------------------------------------------------------------------------------


def runs_blocks(told: Driven) -> list[Block]:
    """Splits of all standing runs, drawn and as a table; how each run went."""
    unit = told.unit
    standing = [run for run in told.found.runs if run.kind == "standing"]
    out: list[Block] = []
    counted = told.counted()
    if len(counted) > 1 and (figure := splits_figure(told, counted)) is not None:
        out.append(figure)
    speeds = table_speeds(standing, unit)
    for title, value, sigma in (
        ("Seconds from one foot of movement (SAE J1491); compare by these", "from_one_foot_s", "from_one_foot_sigma_s"),
        ("Seconds from first movement, as a stopwatch sees it", "time_s", "sigma_s"),
    ):
        rows = []
        for run in standing:
            at = {round(split.speed_mps, 6): split for split in table_splits(run, unit)}
            cells = [
                wording.with_sigma(getattr(at[speed], value), getattr(at[speed], sigma)) if speed in at else ""
                for speed in speeds
            ]
            rows.append([_name(told, run), *cells])
        labels = [speed_label(speed, unit) for speed in speeds]
        out.append(Table(title, ["Run", *labels], rows, folded=value == "time_s"))
    rows = []
    for run in told.found.runs:
        launch = "" if run.launch is None else ("soft" if run.launch.soft else "firm")
        to = f"{run.direction_deg:.0f}\u00b0" if math.isfinite(run.direction_deg) else wording.NONE
        rows.append([
            _name(told, run), wording.clock(run.start_s - told.found.motion.t_s[0]), speed_label(run.peak_mps, unit),
            f"{run.distance_m:.0f} m", to,
            f"{run.grade.percent:+.1f} \u00b1{run.grade.sigma:.1f}"
            if math.isfinite(run.grade.percent) else wording.NONE,
            launch, "; ".join([run.ended_words, *run.notes, *_struck(told, run)]),
        ])  # fmt: skip
    heads = ["Run", "Into the drive", "Peak", "Way", "To", "Grade %", "Launch", "Ended"]
    out.append(Table("How each run went; * is not counted", heads, rows, left=(6, 7)))
    return out


def _struck(told: Driven, run: Run) -> list[str]:
    struck = told.found.struck(run)
    return [f"struck out: {struck}"] if struck is not None else []


def _name(told: Driven, run: Run) -> str:
    return f"{run.n}" if run.clean and told.found.struck(run) is None else f"{run.n}*"


def splits_figure(told: Driven, runs: Sequence[Run]) -> Figure | None:
    """Each run's time to each speed as its difference from the runs' median there, with its standard deviation."""
    unit = told.unit
    speeds = [speed for speed in table_speeds(runs, unit) if sum(split_at(run, speed) is not None for run in runs) > 1]
    if not speeds:
        return None
    medians = {}
    for speed in speeds:
        summary = summarise(runs, speed, "one foot")
        assert summary is not None
        medians[speed] = summary.median_s
    best = best_run(runs, unit)
    series, rows = [], []
    for number, run in enumerate(runs):
        offset = (number / (len(runs) - 1) - 0.5) * 0.62
        points = [(speed, split) for speed in speeds if (split := split_at(run, speed)) is not None]
        x = np.array([split.from_one_foot_s - medians[speed] for speed, split in points])
        s = np.array([split.from_one_foot_sigma_s for _, split in points])
        y = np.array([speeds.index(speed) - offset for speed, _ in points])
        few = len(runs) <= FEW
        style = number % STYLES if few else (0 if run is best else None)
        group = f"run {run.n}" if few else ""
        series.append(
            Series(f"run {run.n}", x, y, x - s, x + s, style, "points", False, group, strong=run is best, across=True)
        )
        at = dict(points)
        cells = [wording.signed(at[v].from_one_foot_s - medians[v]) if v in at else "" for v in speeds]
        rows.append([f"{run.n}", *cells])
    labels = [speed_label(speed, unit) for speed in speeds]
    ticks = tuple((float(k), label.split()[0]) for k, label in enumerate(labels))
    plot = draw(
        series,
        Axis("Behind the median of the runs (left: quicker)", "s", decimals=2),
        Axis("To", unit, ticks=ticks, low=-0.6, high=len(speeds) - 0.4),
        height=max(60 * len(speeds), 120),
        zero_x=True,
        said=f"Times of {len(runs)} runs to {len(speeds)} speeds, as differences from their median, with error bars.",
    )
    caption = (
        "Each mark is a run, its bar one standard deviation of the measurement: what lies further apart was driven."
    )
    if len(runs) > FEW and best is not None:
        caption += f" The coloured one is run {best.n}, the best."
    table = Table("Seconds behind the median of the runs", ["Run", *labels], rows)
    return Figure("Splits", plot, caption, table, switches=True)


# --- traces -------------------------------------------------------------------------------------------------------


def traces(told: Driven, best: Run) -> list[Block]:
    """Speed over time and over distance, of every counted run."""
    runs, unit = told.counted(), told.unit
    over_time: list[Series] = []
    over_way: list[Series] = []
    few = len(runs) <= FEW
    for number, run in enumerate(runs):
        t, way, speed = trace(told, run)
        style = number % STYLES if few else (0 if run is best else None)
        label = f"run {run.n}" + (", best" if run is best and len(runs) > 1 else "")
        shared = {"style": style, "group": f"run {run.n}" if few else "", "strong": run is best}
        for line, x in ((over_time, t), (over_way, way)):
            keep = thinned(x, speed, float(x[-1] - x[0]), float(speed.max()))
            line.append(Series(label, x[keep], speed[keep], **shared))  # type: ignore[arg-type]
    speed_axis = Axis("Speed", unit, 0.0, None, 1)
    words = "" if few else f" The {len(runs) - 1} other runs are grey."
    all_runs = wording.plural(len(runs), "run")
    return [
        Figure(
            "Speed over time",
            draw(over_time, Axis("Time from one foot", "s"), speed_axis, said=f"Speed over time of {all_runs}."),
            f"Counted from one foot of movement.{words}",
            _trace_table(told, runs, 0),
            switches=True,
        ),
        Figure(
            "Speed over distance",
            draw(over_way, Axis("Way from rest", "m", 0.0, None, 1), speed_axis,
                 said=f"Speed over distance of {all_runs}."),
            f"Where on the stretch a run wins or loses.{words}",
            _trace_table(told, runs, 1),
            switches=True,
        ),
    ]  # fmt: skip


def _trace_table(told: Driven, runs: Sequence[Run], which: int) -> Table | None:
    """The traces at a few round times or ways, for up to `FEW` runs."""
    if len(runs) > FEW:
        return None
    lines = [trace(told, run) for run in runs]
    end = max(float(line[which][-1]) for line in lines)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000) if end / s <= 12)
    at = np.arange(0, end, step)
    rows = []
    for value in at:
        cells = [
            wording.number(float(np.interp(value, line[which], line[2], left=np.nan, right=np.nan)), 1)
            for line in lines
        ]
        rows.append([f"{value:g}", *cells])
    head = FROM_FOOT if which == 0 else "Way from rest, m"
    return Table(f"Speed, {told.unit}", [head, *(f"run {run.n}" for run in runs)], rows)


def gained(told: Driven, reference: Run) -> list[Block]:
    """Seconds behind the reference run at each speed, of every other run."""
    runs = [run for run in told.counted() if run is not reference]
    unit = told.unit
    per = SPEED_UNITS[unit]
    held = {round(split.speed_mps, 6): split for split in reference.splits}
    few = len(runs) < FEW
    series, sigmas = [], {}
    behind: dict[float, list[float]] = {}
    styles = {run.n: number % STYLES for number, run in enumerate(told.counted())}
    for run in runs:
        points = [(split, held[round(split.speed_mps, 6)]) for split in run.splits if round(split.speed_mps, 6) in held]
        points = [(a, b) for a, b in points if math.isfinite(a.from_one_foot_s) and math.isfinite(b.from_one_foot_s)]
        if not points:
            continue
        x = np.array([a.speed_mps / per for a, _ in points])
        y = np.array([a.from_one_foot_s - b.from_one_foot_s for a, b in points])
        for (a, b), late in zip(points, y, strict=True):
            behind.setdefault(round(a.speed_mps, 6), []).append(float(late))
            sigmas[round(a.speed_mps, 6)] = math.hypot(a.from_one_foot_sigma_s, b.from_one_foot_sigma_s)
        style = styles[run.n] if few else None
        series.append(Series(f"run {run.n}", x, y, style=style, group=f"run {run.n}" if few else ""))
    if not series:
        return []
    speeds = sorted(behind)
    x = np.array(speeds) / per
    sigma = np.array([sigmas[speed] for speed in speeds])
    zone = Series("", x, np.zeros(len(x)), -sigma, sigma, None, direct=False)
    if not few:
        middle = np.array([float(np.median(behind[speed])) for speed in speeds])
        most = np.array([len(behind[speed]) for speed in speeds]) * 2 >= len(runs)
        series.append(Series("median", x[most], middle[most], style=0, strong=True))
    plot = draw(
        [zone, *series],
        Axis("Speed", unit, 0.0, None, 0),
        Axis(f"Seconds behind run {reference.n}", "", decimals=2),
        zero=True,
        said=f"Seconds behind run {reference.n} at each speed, of {wording.plural(len(runs), 'run')}.",
    )
    tens = [speed for speed in table_speeds([reference], unit) if speed in behind]
    rows = []
    for run in runs:
        at = {round(split.speed_mps, 6): split for split in run.splits}
        rows.append([
            f"{run.n}",
            *(
                wording.with_sigma(
                    at[v].from_one_foot_s - held[v].from_one_foot_s,
                    math.hypot(at[v].from_one_foot_sigma_s, held[v].from_one_foot_sigma_s),
                )
                if v in at else ""
                for v in tens
            ),
        ])  # fmt: skip
    caption = (
        f"A line that rises loses time at that speed, one that falls gains it. The reference is run {reference.n}; the "
        "shaded belt is one standard deviation of measuring such a difference."
    )
    table = Table(f"Seconds behind run {reference.n}", ["Run", *(speed_label(v, unit) for v in tens)], rows)
    return [Figure("Against the reference, speed by speed", plot, caption, table, switches=True)]


# --- mixture ------------------------------------------------------------------------------------------------------


def along_best(told: Driven, mapped: Mapped, best: Run) -> list[Block]:
    """Mixture and speed along the best run, on one time axis."""
    found = mapped.answer
    zero, end = time_zero(best), best.end_s
    late = found.delay.delay_s + found.delay.lag_s
    t = mapped.readings.time_s - late
    inside = (t >= best.start_s - 1.0) & (t <= end - LIFTING_S) & np.isfinite(mapped.readings.value)
    if inside.sum() < 3:
        return []
    x, y = t[inside] - zero, mapped.readings.value[inside]
    full = next((s for s in found.summaries if s.regime == "full throttle"), None)
    zones = [Zone(full.target.low, full.target.high, "target")] if full else []
    axis = Axis("Time from one foot", "s", float(best.start_s - 1.0 - zero), float(end - zero))
    name, digits = channel_words(found), digits_of(found)
    run_t, _, run_v = trace(told, best)
    keep = thinned(run_t, run_v, float(run_t[-1] - run_t[0]), float(run_v.max()))
    mixture = draw(
        [Series(name, x, y, style=0, direct=False)],
        axis,
        Axis(name, decimals=digits),
        height=190,
        zones=zones,
        said=f"{name} along run {best.n}, with the target at full throttle shaded.",
    )
    line = Series("speed", run_t[keep], run_v[keep], style=0, direct=False)
    up = Axis("Speed", told.unit, 0.0, None, 1)
    speed = draw([line], axis, up, height=120, said=f"Speed along run {best.n}.")
    step = max(len(x) // 24, 1)
    rows = [[f"{a:.2f}", wording.number(float(b), digits)] for a, b in zip(x[::step], y[::step], strict=True)]
    return [
        Figure(
            f"{name} along run {best.n}, the best",
            mixture,
            f"Readings as recorded, moved back by the {late:.2f} s they come late. Shaded: target at full throttle.",
            Table(f"{name} along run {best.n}", [FROM_FOOT, name], rows),
        ),
        Figure(f"Speed along run {best.n}", speed),
    ]


# --- fuel and weather ---------------------------------------------------------------------------------------------


def _consumption(told: Driven) -> str:
    from analysis.road.fuel_loops import l_per_100km, mpg_us

    assert told.loop is not None
    used = told.loop.m3_per_m
    both = f"{mpg_us(used):.1f} mpg (US)", f"{l_per_100km(used):.2f} L/100 km"
    first, second = both if told.unit == "mph" else both[::-1]
    return f"{first}, {second}, \u00b1{100 * told.loop.sigma:.1f} %"


def fuel_blocks(told: Driven) -> list[Block]:
    """Consumption, how it comes about, and how the loop was driven."""
    loop = told.loop
    assert loop is not None
    way, used, manner = loop.distance, loop.used, loop.manner
    rows = [
        ["consumption", _consumption(told)],
        ["distance", f"{way.metres / 1000:.3f} km \u00b1{way.sigma_m:.0f} m"],
        ["fuel at 15.6 \u00b0C", f"{used.volume_m3 * 1e3:.3f} L \u00b1{used.sigma_m3 * 1e3:.3f} L, by {used.how}"],
        [
            "time",
            f"{wording.duration(manner.seconds)}, "
            f"{wording.plural(manner.stops, 'stop')} of {manner.standing_s:.0f} s in all",
        ],
        ["mean speed, moving", speed_label(manner.moving_mean_mps, told.unit)],
    ]
    if math.isfinite(manner.in_band):
        rows.append(["within the band asked for", f"{manner.in_band:.0%} of the time"])
    out: list[Block] = [Table("Fuel loop", ["", ""], rows, left=(1,))]
    notes = [*loop.not_as_asked, *(f"Taken for granted: {what}." for what in used.assumed)]
    return [*out, Bullets(notes)] if notes else out
