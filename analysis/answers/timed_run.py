"""One run as an answer: its times, how it got away, how it ended, whether it counts.

Times are those of the clock and the receiver: none is corrected for the air of the day. `time_s` counts from first
movement, `from_one_foot_s` from 0.3048 m of movement (SAE J1491, JUL2006, 3.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal, TypeVar

from analysis.answers.encoding import Answer, Figure, Utc
from analysis.drive import utc
from analysis.wording import number, plural, signed
from logger.units import speed_label

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.runs.run import Run, Split
    from analysis.runs.watched_channels import WatchedChannel

SpeedUnit = Literal["mph", "km/h"]
T = TypeVar("T", bound="TimedRun")


class RunSplit(Answer):
    """When a run passed a speed. Sigmas are standard deviations."""

    speed: str
    """The speed as text in the owner's unit, such as "50 mph"."""
    speed_mps: float
    """The speed [m/s]."""
    time_s: Figure
    """From first movement to the speed [s]; of a rolling run from its first speed."""
    sigma_s: Figure
    """Standard deviation of `time_s` [s]."""
    from_one_foot_s: Figure
    """From 0.3048 m of movement to the speed [s] (SAE J1491); null for a rolling run."""
    from_one_foot_sigma_s: Figure
    """Standard deviation of `from_one_foot_s` from run to run [s]."""
    systematic_s: Figure
    """Standard uncertainty of `from_one_foot_s` by what is not known of the receiver's smoothing [s] (GUM type B),
    alike in every run with one receiver; null for a rolling run."""
    from_threshold_s: Figure
    """From the threshold speed that was asked for [s]; null where none was."""
    from_threshold_sigma_s: Figure
    """Standard deviation of `from_threshold_s` [s]."""
    distance_m: Figure
    """Way from the start to where the speed was passed [m]."""
    distance_sigma_m: Figure
    """Standard deviation of `distance_m` [m]."""


class RunDistance(Answer):
    """When a standing run had covered a distance, counted from rest, and how fast it was there."""

    distance_m: float
    """The distance [m]."""
    time_s: Figure
    """From first movement [s]."""
    sigma_s: Figure
    """Standard deviation of `time_s` [s]."""
    from_one_foot_s: Figure
    """From 0.3048 m of movement [s]."""
    from_one_foot_sigma_s: Figure
    """Standard deviation of `from_one_foot_s` [s]."""
    speed_mps: Figure
    """Speed at the end of the distance [m/s]."""
    speed_sigma_mps: Figure
    """Standard deviation of `speed_mps` [m/s]."""


class RunGap(Answer):
    """Where fixes are missing in a run."""

    start_s: float
    """Its beginning, from the run's start [s]."""
    end_s: float
    """Its end, from the run's start [s]."""


class RunLaunch(Answer):
    """How the car got away."""

    to_10mph_s: Figure
    """From first movement to 10 mph [s]."""
    to_10mph_sigma_s: Figure
    """Standard deviation of `to_10mph_s` [s]."""
    to_15kmh_s: Figure
    """From first movement to 15 km/h [s]."""
    to_15kmh_sigma_s: Figure
    """Standard deviation of `to_15kmh_s` [s]."""
    peak_mps2: Figure
    """Highest acceleration [m/s^2]."""
    half_second_mps2: Figure
    """Highest mean acceleration over half a second [m/s^2]."""
    rise_s: Figure
    """From first movement until acceleration first reached 70 % of that mean [s]."""
    soft: bool
    """The rise took longer than 0.8 s (common practice, no source)."""


class RunReception(Answer):
    """What the receiver was worth during a run."""

    rate_hz: Figure
    """Fixes a second [Hz]."""
    fixes: int
    """Fixes used."""
    noise_mps: Figure
    """Standard deviation of a speed reading, rounding apart [m/s]."""
    satellites_min: Figure
    """Fewest satellites in use."""
    hdop_max: Figure
    """Highest horizontal dilution of precision."""


class RunChannel(Answer):
    """One further channel over a run."""

    name: str
    """What it is called: head, oil, plug, engine, battery."""
    unit: str
    """K, 1/min or V."""
    at_start: Figure
    """Its value when the run started."""
    lowest: Figure
    """Its lowest value during the run."""
    highest: Figure
    """Its highest value during the run."""


class TimedRun(Answer):
    """One acceleration found in a drive."""

    n: int
    """Its number in the drive, from 1."""
    kind: Literal["standing", "rolling"]
    """From a standstill, or between two speeds."""
    start_utc: Utc
    """When it started: first movement, or a rolling run's first speed (UTC)."""
    start_sigma_s: Figure
    """Standard deviation of the start [s]."""
    first_movement_by: str
    """What showed first movement: "fixes", or the source of the board that showed it with them."""
    board_why_not: str
    """Why the drive's board did not tell first movement; empty where it did, or there is none in use."""
    direction_deg: Figure
    """Course from true north [deg]."""
    grade_percent: Figure
    """Mean grade of its stretch [%], uphill above zero."""
    grade_sigma_percent: Figure
    """Standard deviation of the grade [%]."""
    road_grade_percent: Figure
    """Mean grade of its road by the altitude of all passes over it, of drives before as well [%]; null where fewer than
    three passed it, or none in another drive."""
    road_grade_sigma_percent: Figure
    """Standard error of that [%], the receiver's wander in it."""
    road_passes: int
    """From how many passes; 0 where it is not known."""
    peak_mps: float
    """Highest speed [m/s]."""
    ended: Literal["reached its peak", "lifted", "broken by traffic", "aborted", "gap", "drive ended"]
    """How it ended."""
    ended_words: str
    """The same in a few more words, speeds in the answer's unit."""
    counted: bool
    """Whether it is counted: it was not broken off, it is plausible, and nobody struck it out."""
    why_not: str | None
    """Why it is not counted; null where it is."""
    implausible: str | None
    """Why it cannot have been as measured: what no car does, or not this one; null where nothing speaks against it."""
    struck: str | None
    """The owner's reason for striking it out; null where nobody did."""
    part_throttle: str | None
    """Why it was no full pull, by the car's own envelope over the season; null where it was one."""
    cold: str | None
    """Why it was started too cold to count, by the car's file; null where it was not, or it is not known."""
    channels: tuple[RunChannel, ...]
    """What else was measured: head, oil and plug temperature, engine speed, battery."""
    tags: tuple[str, ...]
    """What the owner tagged it with: passenger, gear=2."""
    one_foot_s: Figure
    """From first movement to 0.3048 m of movement [s]; null for a rolling run."""
    one_foot_sigma_s: Figure
    """Standard deviation of `one_foot_s` [s]."""
    distance_m: Figure
    """Way from its start to its peak, or to a rolling run's last speed [m]."""
    peak_mps2: Figure
    """Highest acceleration [m/s^2]."""
    mean_mps2: Figure
    """Mean acceleration [m/s^2]."""
    gear_changes_s: tuple[float, ...]
    """When drive was interrupted for a gear change, from its start [s]."""
    gaps: tuple[RunGap, ...]
    """Where fixes are missing."""
    launch: RunLaunch | None
    """How the car got away; null for a rolling run."""
    quality: RunReception
    """What the receiver was worth."""
    notes: tuple[str, ...]
    """What is odd about its start, speeds in the answer's unit."""
    splits: tuple[RunSplit, ...]
    """Times to speeds, rising."""
    at_distances: tuple[RunDistance, ...]
    """Times to distances, rising; none for a rolling run."""


def timed_run(kind: type[T], drive: AnalysedDrive, run: Run, unit: SpeedUnit, /, **more: Any) -> T:
    """A run of a drive as an answer of this kind, with `more` fields where the kind has more than `TimedRun`."""
    launch, quality = run.launch, run.quality
    road = drive.learned_grade(run)
    fields = {
        "n": run.n,
        "kind": run.kind,
        "start_utc": utc(run.start_utc_ns),
        "start_sigma_s": run.start_sigma_s,
        "first_movement_by": run.time_zero_by or "fixes",
        "board_why_not": run.board_why_not,
        "direction_deg": run.direction_deg,
        "grade_percent": run.grade.percent,
        "grade_sigma_percent": run.grade.sigma,
        "road_grade_percent": road.percent if road else math.nan,
        "road_grade_sigma_percent": road.sigma if road else math.nan,
        "road_passes": road.passes if road else 0,
        "peak_mps": run.peak_mps,
        "ended": run.ended,
        "ended_words": run.ended_words,
        "counted": drive.counts(run),
        "why_not": _why_not(drive, run),
        "implausible": run.why_not,
        "struck": drive.struck(run),
        "part_throttle": drive.slow(run),
        "cold": drive.cold(run),
        "channels": tuple(_channel(each, run) for each in drive.watched),
        "tags": drive.tags(run),
        "one_foot_s": run.one_foot_s,
        "one_foot_sigma_s": run.one_foot_sigma_s,
        "distance_m": run.distance_m,
        "peak_mps2": run.peak_accel_mps2,
        "mean_mps2": run.mean_accel_mps2,
        "gear_changes_s": tuple(run.gear_changes_s),
        "gaps": tuple(RunGap(start_s=gap.start_s - run.start_s, end_s=gap.end_s - run.start_s) for gap in run.gaps),
        "launch": launch and RunLaunch(
            to_10mph_s=launch.to_10mph_s, to_10mph_sigma_s=launch.to_10mph_sigma_s, to_15kmh_s=launch.to_15kmh_s,
            to_15kmh_sigma_s=launch.to_15kmh_sigma_s, peak_mps2=launch.peak_mps2,
            half_second_mps2=launch.half_second_mps2, rise_s=launch.rise_s, soft=launch.soft,
        ),
        "quality": RunReception(
            rate_hz=quality.rate_hz, fixes=quality.fixes, noise_mps=quality.noise_mps,
            satellites_min=quality.satellites_min, hdop_max=quality.hdop_max,
        ),
        "notes": tuple(run.notes),
        "splits": tuple(split_of(split, unit) for split in run.splits),
        "at_distances": tuple(
            RunDistance(
                distance_m=each.distance_m, time_s=each.time_s, sigma_s=each.sigma_s,
                from_one_foot_s=each.from_one_foot_s, from_one_foot_sigma_s=each.from_one_foot_sigma_s,
                speed_mps=each.speed_mps, speed_sigma_mps=each.speed_sigma_mps,
            )
            for each in run.at_distances
        ),
    }  # fmt: skip
    return kind(**fields, **more)


def grade_words(run: TimedRun) -> str:
    """Its grade with a standard deviation [%]: by all passes of its road (marked) where that is the better known."""
    by_road = run.road_passes > 0 and not run.grade_sigma_percent < run.road_grade_sigma_percent
    grade, sigma = (
        (run.road_grade_percent, run.road_grade_sigma_percent)
        if by_road else (run.grade_percent, run.grade_sigma_percent)
    )  # fmt: skip
    if not math.isfinite(grade):
        return signed(grade, 1)
    return f"{signed(grade, 1)} ±{number(sigma, 1)}{'†' if by_road else ''}"


def road_words(runs: Sequence[TimedRun]) -> str:
    """What the mark beside a grade means; "" where none bears it."""
    passes = [run.road_passes for run in runs if grade_words(run).endswith("†")]
    if not passes:
        return ""
    many = f"{min(passes)}" if min(passes) == max(passes) else f"{min(passes)} to {max(passes)}"
    return f"† The grade of the road, from the altitude of {many} passes."


def _channel(each: WatchedChannel, run: Run) -> RunChannel:
    over = each.over(run.start_s, run.end_s)
    return RunChannel(
        name=each.name, unit=each.unit, at_start=over.at_start, lowest=over.lowest, highest=over.highest
    )  # fmt: skip


def _why_not(drive: AnalysedDrive, run: Run) -> str | None:
    if drive.counts(run):
        return None
    if (reason := drive.struck(run)) is not None:
        return f"struck out: {reason}"
    if (reason := drive.slow(run)) is not None:
        return reason
    if (reason := drive.cold(run)) is not None:
        return reason
    if run.why_not is not None:
        return run.why_not
    if run.gaps:
        return f"{plural(len(run.gaps), 'gap')} in the fixes"
    return run.ended if run.ended_words in ("", run.ended) else f"{run.ended}: {run.ended_words}"


def split_of(split: Split, unit: SpeedUnit) -> RunSplit:
    """A split as an answer, its speed in words of `unit`."""
    return RunSplit(
        speed=speed_label(split.speed_mps, unit),
        speed_mps=split.speed_mps,
        time_s=split.time_s,
        sigma_s=split.sigma_s,
        from_one_foot_s=split.from_one_foot_s,
        from_one_foot_sigma_s=split.from_one_foot_sigma_s,
        from_threshold_s=split.from_threshold_s,
        from_threshold_sigma_s=split.from_threshold_sigma_s,
        distance_m=split.distance_m,
        distance_sigma_m=split.distance_sigma_m,
        systematic_s=split.systematic_s,
    )
