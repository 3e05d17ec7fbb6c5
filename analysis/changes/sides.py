"""Setups, drives or runs as the owner names them, and what holds between them: what `compare` and `plan` begin with."""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from analysis.arrays import Floats
from analysis.changes import priors
from analysis.changes.compare import Comparison, compare, default_speeds
from analysis.changes.effects import Attribution, attribute
from analysis.changes.observations import Observation, Side, times_to
from analysis.changes.plan import Plan, plan_next
from analysis.changes.season_record import SeasonRecord, label, side_runs
from analysis.conditions.setups import Known, differences, same
from logger.config.reading import load
from logger.config.setup import PartValue, SetupConfig
from logger.errors import DriveError, InputError, NoAnswer
from logger.store.cars import split_ref
from logger.units import MPS_PER_KMH, MPS_PER_MPH, l_per_100km


def opposed(a: str, b: str, season: SeasonRecord) -> tuple[Side, Side]:
    """Both sides of a comparison as the owner named them.

    InputError where the two share a run or a name is unknown, NoAnswer where a side has no run that counts.
    """
    first, second = side(a, season), side(b, season)
    if twice := sorted({run.label for run in first.runs} & {run.label for run in second.runs}):
        raise InputError(f"Run {twice[0]} is on both sides, {a} and {b}. Name each run on one side only.")
    for each, ref in ((first, a), (second, b)):
        if not each.runs:
            raise NoAnswer(f"{ref}: it has no standing run that is counted{_why_none(season, each.name)}")
    return first, second


def held(
    first: Side,
    second: Side,
    season: SeasonRecord,
    speeds_mps: Floats | None = None,
    *,
    raw: bool = False,
    worth_s: float | None = None,
) -> Comparison:
    """Hold one side of the season against another with all that the season knows of scatter. `raw`: by times as driven.

    NoAnswer where no speed is reached on both.
    """
    speeds = default_speeds(first, second, step_mps(season)) if speeds_mps is None else speeds_mps
    if not len(speeds):
        raise NoAnswer(f"{first.name} and {second.name}: the two never reached the same speed")
    mine = {run.label for run in [*first.runs, *second.runs]}
    return compare(
        first,
        second,
        [run for run in season.runs if run.label not in mine],
        speeds,
        corrected_by="" if raw else season.factor,
        worth_s=worth_s,
        other_loops=[loop for loop in season.loops if loop not in first.loops and loop not in second.loops],
        channel=season.channel,
        unit=season.unit,
    )


def planned(
    season: SeasonRecord,
    speed_mps: float,
    *,
    one_speed: bool = False,
    settle: tuple[str, str] | None = None,
    gone: Sequence[tuple[str, PartValue]] = (),
    power: float = 0.8,
    worth_s: float | None = None,
    hours: float = 3.0,
) -> Plan:
    """The next drives, judged by the time to `speed_mps`; `settle` names two setups, by default the newest two.

    The two are held against each other as `compare` does it, over all its speeds, so that both say the same; with
    `one_speed`, by the time to `speed_mps` alone.
    """
    pair = _pair(settle, season)
    open_question = None
    if pair is not None:
        with contextlib.suppress(NoAnswer):
            open_question = held(*pair, season, np.array([speed_mps]) if one_speed else None, worth_s=worth_s)
    return plan_next(
        season.runs,
        speed_mps,
        gone=gone,
        power=power,
        worth_s=worth_s,
        hours=hours,
        settle=open_question,
        settle_parts=(pair[0].parts or {}, pair[1].parts or {}) if pair else None,
    )


def best_typical(runs: Sequence[Observation], speed: float) -> tuple[float, float, int]:
    """Fastest and median time to a speed [s], and of how many runs; NaN without any."""
    if not math.isfinite(speed):
        return math.nan, math.nan, 0
    times = times_to(runs, np.array([speed]))[:, 0]
    times = times[np.isfinite(times)]
    return (float(times.min()), float(np.median(times)), len(times)) if len(times) else (math.nan, math.nan, 0)


def full_throttle_of(runs: Sequence[Observation]) -> float:
    """Median of what the runs had at full throttle, each in its own pull; NaN without any."""
    told = [run.full_throttle for run in runs if math.isfinite(run.full_throttle)]
    return float(np.median(told)) if told else math.nan


def fuel_effects(season: SeasonRecord) -> Attribution | None:
    """What each part did to the fuel used, in L/100 km, over all loops; None with fewer than three."""
    if len(season.loops) < 3:
        return None
    stand_in = [
        Observation(
            loop.drive, loop.setup, loop.parts, loop.drive, loop.outing, 0.0, math.nan, np.zeros(1), np.zeros(1),
            np.zeros(1),
        )
        for loop in season.loops
    ]  # fmt: skip
    used = np.array([[l_per_100km(loop.m3_per_m)] for loop in season.loops])
    return attribute(stand_in, used, prior=[priors.share_prior(used[:, 0], priors.FUEL_DAY, priors.FUEL_RUN)])


def step_mps(season: SeasonRecord) -> float:
    """Between the speeds that are timed where none are named [m/s]."""
    return 10 * MPS_PER_MPH if season.unit == "mph" else 20 * MPS_PER_KMH


# --- sides --------------------------------------------------------------------------------------------------------

_RUNS = re.compile(r"^(?P<drive>.+):(?P<runs>\d+(?:-\d+)?(?:,\d+(?:-\d+)?)*)$")


def side(ref: str, season: SeasonRecord) -> Side:
    """One side of a comparison as the owner wrote it: a setup, a drive, runs of a drive, or several joined by +.

    InputError where nothing is called so, and where it is of another car: that is asked by `compare` alone.
    """
    if season.store is not None and split_ref(season.store.path, ref) is not None:
        raise InputError(f"{ref} is of another car. Only `pullbook compare` compares two cars.")
    named = [each for each in season.setups if each.name.casefold() == ref.strip().casefold()]
    if len(named) > 1:
        raise InputError(f"{ref}: {len(named)} different setups have this name. Name drives instead, joined by +.")
    if named:
        return setup_side(named[0], season)
    if ref.endswith(".toml") and Path(ref).is_file():
        wanted = load(Path(ref), SetupConfig)
        alike = [each for each in season.setups if same(each.setup.parts, wanted.parts)]
        if not alike:
            raise NoAnswer(f"{ref}: no drive was driven with this setup")
        return setup_side(alike[0], season)
    runs: list[Observation] = []
    ids: list[str] = []
    whole: list[str] = []
    for piece in ref.split("+"):
        match = None if Path(piece).exists() else _RUNS.match(piece.strip())
        drive = _drive_id(match["drive"] if match else piece.strip(), piece.strip(), season)
        ids.append(drive)
        whole += [] if match else [drive]
        runs += _chosen(drive, match["runs"], season) if match else [r for r in season.runs if r.drive == drive]
    fitted = [next((row.parts for row in season.drives if row.drive == drive), None) for drive in ids]
    parts = fitted[0]
    if any(each is None or parts is None or not same(each, parts) for each in fitted):
        parts = None
    loops = [loop for loop in season.loops if loop.drive in ids and ":" not in ref]
    return Side(ref if "+" in ref or ":" in ref else ids[0], runs, parts, loops, tuple(whole))


def setup_side(known: Known, season: SeasonRecord) -> Side:
    """All runs and loops of a setup."""
    driven = set(known.drives)
    return Side(
        known.name,
        [run for run in season.runs if run.drive in driven],
        known.setup.parts,
        [loop for loop in season.loops if loop.drive in driven],
        tuple(known.drives),
    )


def _drive_id(ref: str, said: str, season: SeasonRecord) -> str:
    """The id of the drive called `ref`, whether the season has its folder or only its runs."""
    if any(row.drive == ref for row in season.drives):
        return ref
    try:
        return season.drive(ref).id
    except DriveError as error:
        names = ", ".join(repr(each.name) for each in season.setups) or "none"
        raise InputError(f"{said}: no setup, drive or list of runs has this name. Setups driven: {names}") from error


def _chosen(drive: str, text: str, season: SeasonRecord) -> list[Observation]:
    numbers: list[int] = []
    for piece in text.split(","):
        first, _, last = piece.partition("-")
        numbers += range(int(first), int(last or first) + 1)
    labels = [label(drive, number) for number in numbers]
    known = {run.label for run in season.runs}
    for wanted in labels:
        if wanted in known:
            continue
        out = next((each for each in season.left_out if each.label == wanted), None)
        if out is not None:
            raise InputError(f"{wanted}: this run is not counted: {out.reason}")
        mine = ", ".join(r.label.rpartition(":")[2] for r in season.runs if r.drive == drive) or "none"
        raise InputError(f"{wanted}: not a standing run of this drive. Those of {drive} that are counted: {mine}")
    return side_runs(season, labels)


def _why_none(season: SeasonRecord, name: str) -> str:
    trouble = next((row.trouble for row in season.drives if name in (row.drive, row.setup) and row.trouble), "")
    reason = next((each.reason for each in season.left_out if each.drive == name), "")
    return f": {trouble or reason}" if trouble or reason else ""


def _pair(settle: tuple[str, str] | None, season: SeasonRecord) -> tuple[Side, Side] | None:
    """The setups to settle: those asked for, else the newest one and, of those before it, the one most like it."""
    if settle is not None:
        return side(settle[0], season), side(settle[1], season)
    timed = {run.drive for run in season.runs}
    driven = [each for each in season.setups if timed & set(each.drives)]
    if len(driven) < 2:
        return None
    newest = driven[-1]
    nearest = min(reversed(driven[:-1]), key=lambda each: len(differences(each.setup.parts, newest.setup.parts)))
    return setup_side(nearest, season), setup_side(newest, season)
