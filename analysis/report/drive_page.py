"""The report of one drive."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis import wording
from analysis.answers.timed_run import SpeedUnit
from analysis.arrays import Floats
from analysis.report.channels_section import channel_blocks
from analysis.report.has import fuel_of, lacking, mixture_of, weather_of
from analysis.report.mixture_section import along_best, mixture_blocks, mixture_words
from analysis.report.page import Block, Bullets, Figure, Page, Section, Table, Words
from analysis.report.plots import Axis, Series, Span, columns, draw
from analysis.report.runs_section import counted_runs, gained, highest_common, runs_blocks, traces
from analysis.report.sections import NO_PLACE, cautions, weather_blocks
from analysis.runs.run import Run
from logger.errors import InputError
from logger.units import S_PER_MINUTE, SPEED_UNITS, speed_label
from logger.zone import local_minute

if TYPE_CHECKING:
    from analysis.answers.fuel import FuelAnswer
    from analysis.answers.mixture import MixtureAnswer
    from analysis.answers.runs import RunsAnswer
    from analysis.drive import AnalysedDrive


def reference_run(drive: AnalysedDrive, number: int) -> Run:
    """The counted run that others are held against. InputError where no counted run has that number."""
    held = next((run for run in drive.counted if run.n == number), None)
    if held is None:
        known = ", ".join(str(run.n) for run in drive.counted) or "none"
        raise InputError(f"--reference: {drive.id} has no counted run {number}. Its counted runs: {known}.")
    return held


def drive_page(
    drive: AnalysedDrive,
    unit: SpeedUnit | None = None,
    reference: Run | None = None,
    plan: Sequence[Block] = (),
    photos: Sequence[Block] = (),
) -> Page:
    """The page of a drive. NoAnswer where it has no usable fixes.

    Parameters
    ----------
    unit : str, optional
        mph or km/h; by default what the car's file says.
    reference : Run, optional
        What the other runs are held against (`reference_run`); by default the best one.
    plan : sequence of blocks
        What to drive next (`sections.plan_blocks`).
    photos : sequence of blocks
        Plugs and photographs (`photos_section.photo_blocks`).
    """
    unit = unit or drive.unit
    told = _told(drive, unit)
    manifest = drive.drive.manifest
    return Page(
        title=f"Drive of {local_minute(manifest.started_utc)}",
        subtitle=f"{_car(drive)}, setup: {drive.drive.setup.name if drive.drive.setup else 'none recorded'}",
        verdict=_verdict(told),
        caveats=_caveats(told),
        why=_why(told),
        facts=_facts(told),
        sections=[section for section in _sections(told, reference or told.best, plan, photos) if section.blocks],
        cautions=cautions([told.mixture]),
        footer=_footer(drive),
    )


@dataclass(frozen=True)
class _Told:
    """A drive, and the answers that its page shows; None for what it lacks."""

    drive: AnalysedDrive
    unit: SpeedUnit
    runs: RunsAnswer
    best: Run | None
    """The best run to the highest speed that half of the runs reach."""
    mixture: MixtureAnswer | None
    fuel: FuelAnswer | None


def _told(drive: AnalysedDrive, unit: SpeedUnit) -> _Told:
    from analysis.answers.runs import runs_answer

    counted = drive.counted  # with splits at all speeds; the answer takes its own from them
    runs = runs_answer(drive, unit=unit)
    top = highest_common(runs)
    best = next((run for run in counted if top is not None and run.n == top.best_run), None)
    return _Told(drive, unit, runs, best, mixture_of(drive, unit), fuel_of(drive))


def _sections(told: _Told, held: Run | None, plan: Sequence[Block], photos: Sequence[Block]) -> list[Section]:
    drive, unit = told.drive, told.unit
    manifest = drive.drive.manifest
    best = told.best.n if told.best is not None else None
    mixture = mixture_blocks(told.mixture) if told.mixture is not None else []
    if told.mixture is not None and told.best is not None:
        mixture += along_best(drive, told.mixture, told.best)
    return [
        Section("driven", "Drive and setup", [*_overview(told), *with_what(drive)]),
        Section("runs", "Runs", runs_blocks(told.runs, manifest.started_utc, best) if told.runs.runs else []),
        Section("traces", "Traces", traces(drive, told.best or held, unit) if held is not None else []),
        Section("gained", "Time gained and lost", gained(drive, held, unit) if held is not None else []),
        Section("mixture", "Mixture", mixture),
        Section("photos", "Plugs and photographs", photos),
        Section("channels", "Other channels", channel_blocks(drive, told.runs)),
        Section("fuel", "Fuel", fuel_blocks(told.fuel, unit) if told.fuel is not None else []),
        Section("weather", "Weather", weather_blocks([(manifest.started_utc, *weather_of(drive))], told.unit)),
        Section("plan", "The next outing", plan),
    ]


# --- the verdict --------------------------------------------------------------------------------------------------


def _verdict(told: _Told) -> list[str]:
    said = _times(told)
    if told.mixture is not None:
        said += mixture_words(told.mixture)
    if told.fuel is not None:
        said.append(f"Fuel: {_consumption(told.fuel, told.unit)}.")
    return said or ["There is nothing to report: this drive has no runs, no mixture and no fuel loop."]


def _times(told: _Told) -> list[str]:
    """The best run's time and the median, to the highest speed that half of the runs reach."""
    top = highest_common(told.runs)
    if top is None:
        none = "No run of this drive is counted: broken off, not plausible or struck out."
        return [none] if told.runs.runs else []
    best = next(run for run in told.runs.runs if run.n == top.best_run)
    split = next(split for split in best.splits if split.speed == top.speed)
    time = wording.with_sigma(split.from_one_foot_s, split.from_one_foot_sigma_s)
    what = f"Best of {wording.plural(top.runs, 'run')}" if top.runs > 1 else "One run"
    said = [f"{what}: {top.speed} in {time} s (run {best.n})."]
    if top.runs > 2:
        spread = f", spread {top.spread_s:.2f} s" if math.isfinite(top.spread_s) else ""
        said.append(f"Median of the runs to {top.speed}: {top.median_s:.2f} s{spread}.")
    return said


def _caveats(told: _Told) -> list[str]:
    """What to drive, give or look at otherwise."""
    drive = told.drive
    mixture = told.mixture.notes if told.mixture is not None else ()
    lines = [*_run_caveats(told.runs), *_conditions(told), *mixture, *lacking(drive)]
    return [wording.sentence(line) for line in dict.fromkeys([*lines, *_recording_notes(drive)])]


def _why(told: _Told) -> list[str]:
    """Which runs are counted, and what is inferred or assumed."""
    out = []
    if left_out := [run for run in told.runs.runs if run.why_not is not None]:
        why = "; ".join(f"run {run.n}: {run.why_not}" for run in left_out)
        out.append(f"{wording.plural(len(left_out), 'run')} not counted ({why}).")
    if hold := told.runs.receiver.hold_mps:
        out.append(
            f"The receiver shows 0 below {wording.wind_text(hold, told.unit)}, so the first movement is an estimate."
        )
    _, air = weather_of(told.drive)
    return [wording.sentence(line) for line in (*out, *air.assumed)]


def _run_caveats(answer: RunsAnswer) -> list[str]:
    out = []
    counted = counted_runs(answer)
    if soft := [str(run.n) for run in counted if run.launch is not None and run.launch.soft]:
        out.append(f"Soft launch: run {', '.join(soft)}. It costs time and says nothing about the engine.")
    if 0 < len(counted) < 3:
        out.append("Fewer than three counted runs. Drive more to see whether one of them is odd.")
    return out


def _conditions(told: _Told) -> list[str]:
    """Grade and wind where they are such that figures suffer."""
    from analysis.conditions.weather import STEEP_PERCENT, WINDY_MPS

    out = []
    counted = counted_runs(told.runs)
    if steep := [run.n for run in counted if abs(run.grade_percent) > STEEP_PERCENT + 2 * run.grade_sigma_percent]:
        out.append(f"Grade of more than {STEEP_PERCENT:g} %: run {', '.join(map(str, steep))}.")
    weather, _ = weather_of(told.drive)
    if weather.wind_mps is not None and weather.wind_mps > WINDY_MPS:
        here, most = (wording.wind_text(mps, told.unit) for mps in (weather.wind_mps, WINDY_MPS))
        out.append(f"Wind {here}. Coasts need less than {most}.")
    return out


def _recording_notes(drive: AnalysedDrive) -> list[str]:
    """What the recorder has to say: gaps of its sources, remarks."""
    manifest = drive.drive.manifest
    gaps = [
        f"{gap.source or 'all sources'}: nothing recorded for {(gap.end_utc - gap.start_utc).total_seconds():.0f} s"
        + (f" ({gap.why})" if gap.why else "")
        for gap in manifest.gaps[:5]
    ]
    return [*gaps, *manifest.remarks]


# --- what was driven ----------------------------------------------------------------------------------------------


def _car(drive: AnalysedDrive) -> str:
    return drive.car.car.name if drive.car else "Car not named"


def _facts(told: _Told) -> list[tuple[str, str]]:
    motion, receiver = told.drive.motion, told.runs.receiver
    rate = f"{receiver.hz:.0f} a second" if receiver.step_s <= 0.7 else f"one every {receiver.step_s:.0f} s"
    out = [
        ("Duration", wording.duration(told.runs.duration_s)),
        ("Distance", wording.distance_text(float(motion.distance_m[-1]), told.unit)),
        ("Fastest", speed_label(float(motion.speed_mps.max()), told.unit)),
        ("Runs", f"{len(told.runs.runs)}, {len(counted_runs(told.runs))} counted"),
        ("Fixes", f"{rate}, noise {wording.wind_text(receiver.reading_noise_mps, told.unit, 2)}"),
    ]
    weather, _ = weather_of(told.drive)
    if weather.temperature_c is not None:
        out.append(("Air", f"{weather.temperature_c:.0f} \u00b0C"))
    return out


def _footer(drive: AnalysedDrive) -> list[str]:
    manifest = drive.drive.manifest
    where = f", imported from {manifest.origin}" if manifest.origin else ""
    return [
        f"Drive {drive.id}{where}. Recorded and analysed by {manifest.program or 'pullbook'}.",
        "\u00b1 is one standard deviation. Times are from one foot of movement (SAE J1491) unless marked otherwise.",
        NO_PLACE,
    ]


def _overview(told: _Told) -> list[Block]:
    drive, motion = told.drive, told.drive.motion
    zero = motion.t_s[0]
    t = (motion.t_s - zero) / S_PER_MINUTE
    speed = motion.speed_mps / SPEED_UNITS[told.unit]
    for gap in motion.gaps:
        last = int(np.searchsorted(motion.t_s, gap.start_s))
        t, speed = np.insert(t, last + 1, np.nan), np.insert(speed, last + 1, np.nan)
    x, y = _in_columns(t, speed)
    numbered = len(drive.runs) <= 25
    spans = [
        Span((run.start_s - zero) / S_PER_MINUTE, (run.end_s - zero) / S_PER_MINUTE, f"{run.n}" if numbered else "")
        for run in drive.runs
    ]
    plot = draw(
        [Series("speed", x, y, style=0, direct=False)],
        Axis("Time into the drive", "min", 0.0, float(t[-1]), 2),
        Axis("Speed", told.unit, 0.0, None, 1),
        height=170,
        spans=spans,
        said=f"Speed over the whole drive of {wording.duration(drive.drive.manifest.duration_s)}; "
        f"{wording.plural(len(drive.runs), 'run')} in it.",
    )
    caption = "Runs are shaded and numbered." if drive.runs else ""
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


def with_what(drive: AnalysedDrive) -> list[Block]:
    """The setup, the car and the notes."""
    from analysis.conditions.setups import shown as value_shown

    out: list[Block] = []
    setup, car = drive.drive.setup, drive.drive.car
    if setup is not None:
        rows = [[part, value_shown(value)] for part, value in setup.parts.items()]
        if setup.notes:
            rows.append(["notes", setup.notes])
        out.append(Table(f"Setup: {setup.name}", ["Part", "Value"], rows, left=(1,)))
    else:
        out.append(Words("No setup is recorded with this drive, so its parts cannot be compared with those of others."))
    if car is not None:
        rows = [["mass as driven", f"{car.car.mass_kg:g} kg"], ["cooling", car.car.cooling]]
        rows += [["carburettor", car.car.carburettor]] if car.car.carburettor else []
        rows += [["fuel", car.fuel.blend]]
        out.append(Table(f"Car: {car.car.name}", ["", ""], rows, left=(1,), folded=True))
    zero = drive.drive.manifest.started_utc
    notes = [[wording.clock((note.utc - zero).total_seconds()), note.text] for note in drive.drive.manifest.notes]
    if notes:
        out.append(Table("Notes made while driving", ["Time into the drive", "Note"], notes, left=(1,)))
    return out


# --- fuel ---------------------------------------------------------------------------------------------------------


def _consumption(fuel: FuelAnswer, unit: str) -> str:
    both = f"{fuel.mpg_us:.1f} mpg (US)", f"{fuel.l_per_100km:.2f} L/100 km"
    first, second = both if unit == "mph" else both[::-1]
    return f"{first}, {second}, \u00b1{fuel.sigma_percent:.1f} %"


def fuel_blocks(fuel: FuelAnswer, unit: str) -> list[Block]:
    """Consumption, how it comes about, and how the loop was driven."""
    manner = fuel.manner
    distance = wording.distance_text(fuel.distance_m, unit)
    volume, error = wording.litres_text(fuel.used_m3), wording.litres_text(fuel.used_sigma_m3)
    rows = [
        ["consumption", _consumption(fuel, unit)],
        ["distance", f"{distance} \u00b1{wording.miles_or_km(fuel.distance_sigma_m, unit, 2)}"],
        ["fuel at 15.6 \u00b0C", f"{volume} \u00b1{error}, by {fuel.measured.how}"],
        [
            "time",
            f"{wording.duration(manner.seconds)}, "
            f"{wording.plural(manner.stops, 'stop')}, {manner.standing_s:.0f} s standing",
        ],
        ["mean speed, moving", speed_label(manner.moving_mean_mps, unit)],
    ]
    if fuel.band_mps is not None and math.isfinite(manner.in_band):
        rows.append([f"within {wording.speed_span(fuel.band_mps, unit)}", f"{manner.in_band:.0%} of the time"])
    out: list[Block] = [Table("Fuel loop", ["", ""], rows, left=(1,))]
    notes = [*map(wording.sentence, fuel.not_as_asked), *(f"Assumed: {what}." for what in fuel.assumed)]
    return [*out, Bullets(notes)] if notes else out
