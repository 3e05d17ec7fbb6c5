"""The answers of `runs`, of one drive and over all of a store, and of `strike`.

    answer = runs_answer(store.drive("last"), unit="mph")
    answer.runs[0].splits[-1].from_one_foot_s
    all_runs_answer(store, setup="baseline").summary
    strike_run(store.drive("last"), 3, "a dog on the road")

Times are those of the clock and the receiver: none is corrected for the air of the day. `time_s` counts from first
movement, `from_one_foot_s` from 0.3048 m of movement (SAE J1491, JUL2006, 3.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from analysis.answers.encoding import Answer, Figure, Utc
from analysis.answers.kept_answer import kept_answer
from analysis.answers.timed_run import RunSplit, SpeedUnit, TimedRun, split_of, timed_run
from analysis.changes.season import judge
from analysis.drive import SAME_RUN_S, utc
from analysis.motion.geodesy import distance_m
from analysis.runs.lessons import habit_words
from analysis.runs.pairs import Pair, pair_opposite, summarise
from analysis.runs.run import DEFAULT_MIN_PEAK_MPS, Options, Run, total_splits
from logger.errors import InputError, NoAnswer
from logger.store import bulkhead
from logger.store.manifest import Struck
from logger.units import speed_label

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.store import DriveStore

NEAR_M = 1000.0
"""A run that starts within this of a place is near it."""


# --- one drive ----------------------------------------------------------------------------------------------------


class RunReceiver(Answer):
    """What the drive shows of its receiver."""

    step_s: Figure
    """Usual time between fixes [s]."""
    hz: Figure
    """Fixes a second [Hz]: 1 / `step_s`."""
    noise_mps: Figure
    """Standard deviation of a speed reading while moving, rounding apart [m/s]."""
    reading_noise_mps: Figure
    """The same with the rounding of the readings [m/s]."""
    quantum_mps: Figure
    """Step in which speeds are printed [m/s]; 0 where none was found."""
    hold_mps: Figure
    """Speed below which the receiver reports 0 [m/s]; 0 where it does not."""
    wandering_share: Figure
    """Share of the noise's variance that wanders slowly; 0 where none was seen."""
    wandering_s: Figure
    """Over what time it wanders [s]; null where nothing was seen to."""
    smoothing_s: Figure
    """Time constant of the receiver's own smoothing [s], undone in the motion; null where no stop showed it."""
    smoothing_low_s: Figure
    """Lower end of the 95 % interval of `smoothing_s` [s]."""
    smoothing_high_s: Figure
    """Upper end of the 95 % interval of `smoothing_s` [s]."""
    drives: int
    """How many drives are behind this description: this one, and those before it with the same receiver and car."""
    words: str
    """All of it in one sentence, without a full stop."""
    fixes: int
    """Fixes used."""
    set_aside: dict[str, int]
    """Fixes not used, by reason."""


class RunHabit(Answer):
    """How the car pulls away, learned from its launches in the drives before."""

    launches: int
    """How many launches it is from; 0 where there are none, and first movement is found as for any car."""
    drives: int
    """In how many drives."""
    words: str
    """What the launches are mostly like, in half a sentence; empty without any."""


class RunBoard(Answer):
    """The accelerometer beside the fixes: whether it is used for first movement, and how it lies."""

    source: str
    """Name of its source."""
    used: bool
    """Whether it can be used in this drive; each run says whether it was."""
    why_not: str
    """Why it cannot; empty where it can."""
    hz: Figure
    """Readings a second [Hz]."""
    delay_s: Figure
    """How much later than the fixes its readings are stamped [s], found in the drive."""
    delay_sigma_s: Figure
    """Standard error of `delay_s` [s]."""
    agreement: Figure
    """Correlation of the speed that it gains with that of the fixes."""


class SpeedSummary(Answer):
    """The times to one speed from one foot of movement, over the runs that count and reached it."""

    speed: str
    """The speed as text in the answer's unit."""
    speed_mps: float
    """The speed [m/s]."""
    runs: int
    """How many runs reached it."""
    best_s: float
    """Shortest time [s]."""
    median_s: float
    """Median time [s]."""
    spread_s: Figure
    """1.4826 times the median absolute deviation [s], which estimates one standard deviation; null for one run."""


class DriveSummary(SpeedSummary):
    """The times to one speed over the runs of a drive."""

    best_run: int
    """Number of the run with the shortest time."""


class OppositeRuns(Answer):
    """Two runs that count, over one stretch in opposite directions: the mean of their times cancels grade and a steady
    wind to first order."""

    runs: tuple[int, int]
    """Their numbers."""
    splits: tuple[RunSplit, ...]
    """Mean times to the speeds that both reached, with the standard deviation of the mean."""


class RunsAnswer(Answer):
    """The runs of one drive: what `pullbook runs DRIVE` shows."""

    drive: str
    """The drive's id."""
    setup: str
    """What its setup is called; "-" where none is known."""
    unit: SpeedUnit
    """Unit of the speeds in words."""
    duration_s: float
    """From the drive's first byte to its last [s]."""
    min_peak_mps: float
    """What a standing run had to reach [m/s]."""
    from_mps: Figure
    """First speed of the rolling runs that were asked for [m/s]; null where none were."""
    weather_kept: bool
    """Whether weather is kept with the drive."""
    receiver: RunReceiver
    """What is known of the receiver: from this drive, and from those before it."""
    habit: RunHabit
    """What is known of the car's launches from the drives before."""
    board: RunBoard | None
    """The accelerometer beside the fixes; null where no source is configured as one."""
    runs: tuple[TimedRun, ...]
    """Its runs: standing ones in order of time, then rolling ones."""
    pairs: tuple[OppositeRuns, ...]
    """Runs that count, over one stretch in opposite directions."""
    summary: tuple[DriveSummary, ...]
    """Best, median and spread over its standing runs that count, one for each speed, rising."""


def runs_answer(
    drive: AnalysedDrive,
    *,
    unit: SpeedUnit | None = None,
    speeds_mps: Sequence[float] | None = None,
    from_mps: float | None = None,
    distances_m: Sequence[float] | None = None,
    threshold_mps: float | None = None,
    min_peak_mps: float | None = None,
) -> RunsAnswer:
    """The runs of a drive.

    Parameters
    ----------
    unit : {"mph", "km/h"}, optional
        Unit of the speeds in words, and of the steps of the splits; by default the owner's.
    speeds_mps : sequence of float, optional
        Speeds to time [m/s]; by default every 10 mph or 10 km/h up to each run's peak.
    from_mps : float, optional
        Find rolling runs too, from this speed to the highest of `speeds_mps` [m/s].
    distances_m : sequence of float, optional
        Ways to time [m]; by default 60 ft, 100 m and an eighth of a mile.
    threshold_mps : float, optional
        Count times from the first passing of this speed as well [m/s].
    min_peak_mps : float, optional
        What a standing run reaches at least [m/s]; by default 20 mph.

    Raises
    ------
    NoAnswer
        Where the drive has too few usable fixes.
    InputError
        Where rolling runs have no last speed, or one that is not above the first.
    """
    unit = unit or drive.unit
    asked = (unit, speeds_mps, from_mps, distances_m, threshold_mps, min_peak_mps)
    return kept_answer(drive, RunsAnswer, "runs", {"asked": asked}, lambda: _worked_out(drive, *asked))


def _worked_out(
    drive: AnalysedDrive,
    unit: SpeedUnit,
    speeds_mps: Sequence[float] | None,
    from_mps: float | None,
    distances_m: Sequence[float] | None,
    threshold_mps: float | None,
    min_peak_mps: float | None,
) -> RunsAnswer:
    found = _found(drive, unit, speeds_mps, from_mps, distances_m, threshold_mps, min_peak_mps)
    manifest = drive.drive.manifest
    return RunsAnswer(
        drive=drive.id,
        setup=drive.setup_name,
        unit=unit,
        duration_s=manifest.duration_s,
        min_peak_mps=DEFAULT_MIN_PEAK_MPS if min_peak_mps is None else min_peak_mps,
        from_mps=math.nan if from_mps is None else from_mps,
        weather_kept=bool(manifest.weather),
        receiver=_receiver(drive),
        habit=_habit(drive),
        board=_board(drive),
        runs=tuple(timed_run(TimedRun, drive, run, unit) for run in found),
        pairs=tuple(_pair(pair, unit) for pair in pair_opposite([run for run in found if drive.counts(run)])),
        summary=tuple(_summaries([run for run in found if run.kind == "standing" and drive.counts(run)], unit)),
    )


def _summaries(runs: Sequence[Run], unit: SpeedUnit) -> list[DriveSummary]:
    made = [summarise(runs, speed, "one foot") for speed in total_splits(runs)]
    return [
        DriveSummary(
            speed=speed_label(each.speed_mps, unit), speed_mps=each.speed_mps, runs=each.runs, best_s=each.best_s,
            median_s=each.median_s, spread_s=each.spread_s, best_run=runs[each.best_run].n,
        )
        for each in made
        if each is not None
    ]  # fmt: skip


def _found(
    drive: AnalysedDrive,
    unit: SpeedUnit,
    speeds_mps: Sequence[float] | None = None,
    from_mps: float | None = None,
    distances_m: Sequence[float] | None = None,
    threshold_mps: float | None = None,
    min_peak_mps: float | None = None,
) -> list[Run]:
    speeds = tuple(sorted(set(speeds_mps))) if speeds_mps else None
    if from_mps is not None and (speeds is None or from_mps >= speeds[-1]):
        raise InputError("the last speed of a rolling run must be above its first")
    if speeds is None and distances_m is None and threshold_mps is None and min_peak_mps is None:
        return drive.table_runs(unit)
    options = Options(speeds_mps=speeds, unit=unit, threshold_mps=threshold_mps)
    if from_mps is not None and speeds:
        options = replace(options, from_mps=from_mps, to_mps=speeds[-1])
    if distances_m is not None:
        options = replace(options, distances_m=tuple(sorted(set(distances_m))))
    if min_peak_mps is not None:
        options = replace(options, min_peak_mps=min_peak_mps)
    return drive.runs_by(options)


def _receiver(drive: AnalysedDrive) -> RunReceiver:
    motion, noise, receiver = drive.motion, drive.motion.noise, drive.motion.receiver
    return RunReceiver(
        step_s=motion.step_s,
        hz=1 / motion.step_s,
        noise_mps=noise.sigma_mps,
        reading_noise_mps=noise.reading_sigma_mps,
        quantum_mps=noise.quantum_mps,
        hold_mps=noise.hold_mps,
        wandering_share=receiver.wandering_share,
        wandering_s=_figure(receiver.wandering_s),
        smoothing_s=_figure(receiver.smoothing_s),
        smoothing_low_s=_figure(receiver.smoothing_low_s),
        smoothing_high_s=_figure(receiver.smoothing_high_s),
        drives=receiver.drives,
        words=receiver.words(drive.unit) + (f", learned from {receiver.drives} drives" if receiver.drives > 1 else ""),
        fixes=len(drive.fixes),
        set_aside=dict(drive.set_aside.counts),
    )


def _habit(drive: AnalysedDrive) -> RunHabit:
    taught = drive.taught
    return RunHabit(
        launches=taught.launches,
        drives=sum(bool(lesson.rise_logs) for lesson in taught.lessons),
        words=habit_words(taught.habit) if taught.habit is not None else "",
    )


def _board(drive: AnalysedDrive) -> RunBoard | None:
    board, refused = drive.board, drive.board_refused
    nan = math.nan
    if board is not None:
        return RunBoard(
            source=board.source, used=True, why_not="", hz=board.hz, delay_s=board.delay_s,
            delay_sigma_s=board.delay_sigma_s, agreement=board.agreement,
        )  # fmt: skip
    if refused is not None:
        return RunBoard(
            source=refused[0], used=False, why_not=refused[1], hz=nan, delay_s=nan, delay_sigma_s=nan, agreement=nan
        )  # fmt: skip
    return None


def _figure(value: float | None) -> float:
    return math.nan if value is None else value


def _pair(pair: Pair, unit: SpeedUnit) -> OppositeRuns:
    return OppositeRuns(runs=(pair.first, pair.second), splits=tuple(split_of(split, unit) for split in pair.splits))


# --- all drives ---------------------------------------------------------------------------------------------------


class RunOfAll(TimedRun):
    """A run that counts, among those of all drives."""

    drive: str
    """Its drive's id."""
    setup: str
    """What its drive's setup is called; "-" where none is known."""
    best_at: tuple[str, ...]
    """The speeds that no other run reached sooner from one foot of movement, such as "50 mph"."""


class UnreadDrive(Answer):
    """A drive whose runs could not be found."""

    drive: str
    """Its id."""
    why: str
    """Why."""


class AllRunsAnswer(Answer):
    """The standing runs of all drives: what `pullbook runs --all` shows."""

    unit: SpeedUnit
    """Unit of the speeds in words."""
    runs: tuple[RunOfAll, ...]
    """The runs that count, drives by the time they were driven."""
    summary: tuple[SpeedSummary, ...]
    """One for each speed, rising."""
    not_counted: int
    """Standing runs that do not count."""
    unread: tuple[UnreadDrive, ...]
    """Drives that could not be read for runs."""


def all_runs_answer(
    store: DriveStore,
    *,
    unit: SpeedUnit | None = None,
    speeds_mps: Sequence[float] | None = None,
    min_peak_mps: float | None = None,
    setup: str | None = None,
    since: date | None = None,
    until: date | None = None,
    near_deg: tuple[float, float] | None = None,
) -> AllRunsAnswer:
    """The standing runs of all drives of a store that count, with best, median and spread of each speed.

    Parameters
    ----------
    unit : {"mph", "km/h"}, optional
        Unit of the speeds in words; by default that of the newest drive chosen.
    speeds_mps, min_peak_mps
        As for `runs_answer` [m/s].
    setup : str, optional
        Only drives with a setup of this name, upper and lower case alike.
    since, until : date, optional
        Only drives that began on these days or between them (UTC).
    near_deg : (float, float), optional
        Only runs that began within `NEAR_M` of this latitude and longitude [deg] on WGS 84.

    Raises
    ------
    NoAnswer
        Where no drive fits, or none of their runs counts.
    """
    judge(store)
    drives = _chosen(store, setup, since, until)
    unit = unit or drives[-1].unit
    rows: list[tuple[AnalysedDrive, Run]] = []
    uncounted, unread = 0, []
    for drive in drives:
        try:
            with bulkhead.of(drive.id):
                found = _found(drive, unit, speeds_mps, min_peak_mps=min_peak_mps)
                standing = [run for run in found if run.kind == "standing" and _is_near(run, near_deg)]
                counted = [run for run in standing if drive.counts(run)]
        except (NoAnswer, InputError) as error:
            unread.append(UnreadDrive(drive=drive.id, why=str(error)))
            continue
        uncounted += len(standing) - len(counted)
        rows += [(drive, run) for run in counted]
    if not rows:
        raise NoAnswer("none of the chosen drives has a standing run that is counted")
    runs = [run for _, run in rows]
    summaries = [made for speed in total_splits(runs) if (made := summarise(runs, speed, "one foot")) is not None]
    return AllRunsAnswer(
        unit=unit,
        runs=tuple(
            timed_run(
                RunOfAll, drive, run, unit, drive=drive.id, setup=drive.setup_name,
                best_at=tuple(speed_label(each.speed_mps, unit) for each in summaries if each.best_run == i),
            )
            for i, (drive, run) in enumerate(rows)
        ),
        summary=tuple(
            SpeedSummary(
                speed=speed_label(each.speed_mps, unit), speed_mps=each.speed_mps, runs=each.runs, best_s=each.best_s,
                median_s=each.median_s, spread_s=each.spread_s,
            )
            for each in summaries
        ),
        not_counted=uncounted,
        unread=tuple(unread),
    )  # fmt: skip


def _chosen(store: DriveStore, setup: str | None, since: date | None, until: date | None) -> list[AnalysedDrive]:
    if not store.drives:
        raise NoAnswer(f"{store.path}: there is no drive in this store yet")
    chosen = [
        drive
        for drive in store.drives
        if (setup is None or drive.setup_name.casefold() == setup.casefold())
        and (since is None or drive.drive.manifest.started_utc.date() >= since)
        and (until is None or drive.drive.manifest.started_utc.date() <= until)
    ]
    if not chosen:
        names = ", ".join(sorted({drive.setup_name for drive in store.drives}))
        raise NoAnswer(f"{store.path}: no drive fits. Setups in this store: {names}.")
    return chosen


def _is_near(run: Run, place_deg: tuple[float, float] | None) -> bool:
    return place_deg is None or bool(distance_m(*run.place[:2], *place_deg) <= NEAR_M)


# --- striking out -------------------------------------------------------------------------------------------------


class StrikeAnswer(Answer):
    """What `pullbook strike` did."""

    drive: str
    """The drive's id."""
    n: int
    """The run's number."""
    start_utc: Utc
    """When the run started (UTC)."""
    struck: bool
    """True where it is struck out now, False where it counts again."""
    reason: str
    """Why, as kept with the drive."""


def strike_run(drive: AnalysedDrive, n: int, reason: str, *, undo: bool = False) -> StrikeAnswer:
    """Strike run `n` of a drive out, or take that back; see `strike_runs`."""
    return strike_runs(drive, (n,), reason, undo=undo)[0]


def strike_runs(
    drive: AnalysedDrive, numbers: Sequence[int], reason: str, *, undo: bool = False
) -> tuple[StrikeAnswer, ...]:
    """Strike runs of a drive out, or take that back, and keep that and the reason with the drive on disk, in one step.

    The object `drive` stays as it was; open the drive anew to see the change. InputError where there is no reason, no
    such run, or nothing to change; NoAnswer where the drive has too few usable fixes.
    """
    reason = reason.strip()
    if not reason:
        raise InputError("--reason: say why. A run is never struck out without a reason.")
    found = {run.n: run for run in drive.table_runs(drive.unit)}
    if missing := [n for n in numbers if n not in found]:
        there = f"This drive has runs 1 to {len(found)}." if found else "This drive has no runs."
        raise InputError(f"{drive.id}: there is no run {missing[0]}. {there}")
    for n in numbers:
        if (drive.struck(found[n]) is not None) is not undo:
            raise InputError(f"{drive.id}: run {n} is {'not struck out' if undo else 'already struck out'}")
    starts = {n: utc(found[n].start_utc_ns) for n in numbers}
    kept = [
        struck
        for struck in drive.drive.manifest.struck
        if all(abs((struck.run_start_utc - start).total_seconds()) >= SAME_RUN_S for start in starts.values())
    ]
    if not undo:
        kept += [Struck(run_start_utc=start, reason=reason, when=datetime.now(UTC)) for start in starts.values()]
    listed = ", ".join(f"run {n} ({start:%H:%M:%S} UTC)" for n, start in starts.items())
    drive.drive.amend(f"{listed} {'counted again' if undo else 'struck out'}: {reason}", struck=kept)
    return tuple(
        StrikeAnswer(drive=drive.id, n=n, start_utc=start, struck=not undo, reason=reason)
        for n, start in starts.items()
    )
