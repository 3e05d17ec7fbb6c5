"""What a season needs of one drive: its standing runs, their mixture at full throttle, its fuel; kept once found.

rows_of(drive, store)    # worked out once, then read from the store (`analysis.kept`)
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analysis import kept
from analysis.arrays import Floats
from analysis.changes.pull_tables import PULL_FIELDS, pulls_from, tables_of
from analysis.changes.results import results_of
from analysis.changes.rows_table import Field, table_of_rows
from analysis.conditions import roadload
from analysis.mixture.channels import MOST_MIXTURE
from analysis.runs.pulls import PowerPull, find_pulls
from logger.errors import InputError, NoAnswer
from logger.units import MPS_PER_KMH, MPS_PER_MPH

if TYPE_CHECKING:
    import pyarrow as pa

    from analysis.drive import AnalysedDrive
    from analysis.mixture.drive_map import DriveMap
    from analysis.runs.run import Run, Split

_FAST_SHARE = 0.4
"""A run's mixture is read from this share of its peak speed on: below, the launch and its tip-in speak (common
practice, no source)."""
_MIN_READINGS = 8
_COMPARED_MPS = frozenset(
    round(speed, 9)
    for speed in (
        *(float(k) for k in range(1, 46)),
        *(5 * k * MPS_PER_MPH for k in range(1, 21)),
        *(10 * k * MPS_PER_KMH for k in range(1, 17)),
    )
)
"""The speeds of a season's tables [m/s]: every m/s, 5 mph and 10 km/h, whatever the owner's unit. Times are corrected
from one of them to the next: in steps as fine as a curve's, the noise of short times would enter the correction."""


@dataclass(frozen=True)
class RunRow:
    """A standing run of a drive. Times count from one foot [s]; NaN stands for what is not known."""

    n: int
    start_utc_ns: int
    direction_deg: float
    grade_percent: float
    clean: bool
    ended: str
    rise_s: float
    soft: bool
    throttle: float
    """Median throttle there, as a share of its full travel; NaN where none is recorded or that is not told."""
    full_throttle: float
    """Median mixture in the upper part of its speeds, readings laid back by their delay."""
    speed_mps: Floats
    time_s: Floats
    sigma_s: Floats


@dataclass(frozen=True)
class DriveRows:
    """A drive as a season sees it."""

    runs: tuple[RunRow, ...]
    channel: str
    """The mixture's: afr or lambda; "" without one."""
    trouble: str
    """Why it could not be read for runs; "" where it could."""
    m3_per_m: float
    fuel_sigma: float
    """Of the fuel loop, relative; NaN without one."""
    pulls: tuple[PowerPull, ...] = ()
    """All its pulls, standing and rolling, at whatever throttle."""


def rows_of(
    drive: AnalysedDrive,
    store: Path | None,
    progress: Callable[[str], None] = lambda text: None,
    teach: Callable[[AnalysedDrive], None] = lambda drive: None,
) -> DriveRows:
    """The rows of a drive, from what the store keeps where that is of these very tables, files and program.

    Where they have to be worked out `progress` is told, and `teach` is asked to keep what the drive teaches: its motion
    and its runs are at hand.
    """
    key = kept.analysed_key(drive)
    found = kept.read(store, drive.id, key, FIELDS) if store is not None else None
    if found is not None:
        return _from_tables(found, drive)
    progress(f"finding the runs of {drive.id}")
    rows = work_out(drive)
    if store is not None:
        kept.write(store, drive.id, key, _to_tables(rows) | results_of(drive))
        teach(drive)
    return rows


def work_out(drive: AnalysedDrive) -> DriveRows:
    """The rows of a drive, from its tables. What it cannot tell is said in `trouble`, never raised."""
    try:
        runs = drive.runs
    except (NoAnswer, InputError) as error:
        return DriveRows((), "", str(error), math.nan, math.nan)
    channel, mixture, openings = _full_throttle(drive, runs)
    rows = []
    for run in runs:
        timed = [split for split in _compared(run) if math.isfinite(split.from_one_foot_s)]
        rows.append(
            RunRow(
                run.n, run.start_utc_ns, run.direction_deg, run.grade.percent, run.clean,
                run.why_not or run.ended_words or run.ended,
                run.launch.rise_s if run.launch else math.nan, bool(run.launch and run.launch.soft),
                openings.get(run.n, math.nan), mixture.get(run.n, math.nan),
                np.array([split.speed_mps for split in timed]),
                np.array([split.from_one_foot_s for split in timed]),
                np.array([split.from_one_foot_sigma_s for split in timed]),
            )
        )  # fmt: skip
    try:
        loop = drive.loop
    except (NoAnswer, InputError):
        loop = None
    return DriveRows(
        tuple(rows), channel, "", loop.m3_per_m if loop else math.nan, loop.sigma if loop else math.nan,
        tuple(_pulls(drive, runs)),
    )  # fmt: skip


def _pulls(drive: AnalysedDrive, runs: Sequence[Run]) -> list[PowerPull]:
    """Its pulls, by its own car's road load in the day's air. What was pulled in a run that broke is a rolling pull."""
    from analysis.mixture.masks import travel_of

    throttle = mixture = None
    with contextlib.suppress(NoAnswer, InputError):
        found = drive.map
        good = np.abs(found.readings.value) < MOST_MIXTURE
        mixture = _when(found)[good], found.readings.value[good]
        throttle = found.alone.time_s, travel_of(found.alone)
    road, wind = _loads(drive)
    whole = [run for run in runs if run.clean or not run.counted]
    return find_pulls(drive.motion, drive.fixes, road, whole, wind=wind, throttle=throttle, mixture=mixture)


def _loads(drive: AnalysedDrive) -> tuple[roadload.RoadLoad, tuple[float, float] | None]:
    """Road load in the day's air, and the wind where it is stated; the usual air where the weather cannot be read."""
    try:
        return roadload.of(drive.car, drive.air.density_kg_per_m3), drive.air.wind
    except (NoAnswer, InputError):
        return roadload.of(drive.car), None


def under_its_loads(rows: DriveRows, drive: AnalysedDrive) -> DriveRows:
    """The rows with their pulls under the road load and wind of the drive, which are no part of what is kept."""
    road, wind = _loads(drive)
    return replace(rows, pulls=tuple(replace(pull, road=road, wind=wind) for pull in rows.pulls))


def _full_throttle(drive: AnalysedDrive, runs: Sequence[Run]) -> tuple[str, dict[int, float], dict[int, float]]:
    """The mixture's channel; its median and that of the throttle's opening in the upper part of each run."""
    from analysis.mixture.masks import travel_of

    try:
        found = drive.map
    except (NoAnswer, InputError):
        return "", {}, {}
    time = _when(found)
    good = np.isfinite(found.readings.value)
    opening = travel_of(found.alone)
    medians, openings = {}, {}
    for run in runs:
        passed = [split for split in _compared(run) if split.speed_mps >= _FAST_SHARE * run.peak_mps]
        if not run.clean or not passed:
            continue
        begin, end = run.start_s + passed[0].time_s, run.start_s + passed[-1].time_s
        wide = opening[(found.alone.time_s >= begin) & (found.alone.time_s <= end)]
        if np.isfinite(wide).any():
            openings[run.n] = float(np.nanmedian(wide))
        here = good & (time >= begin) & (time <= end)
        if np.sum(here) >= _MIN_READINGS:
            medians[run.n] = float(np.median(found.readings.value[here]))
    return found.readings.channel, medians, openings


def _when(found: DriveMap) -> Floats:
    """When the engine burnt what each reading tells of: readings laid back by their delay [s]."""
    return found.readings.time_s - found.delay.delay_s - found.delay.lag_s


def _compared(run: Run) -> list[Split]:
    return [split for split in run.splits if round(split.speed_mps, 9) in _COMPARED_MPS]


# --- as tables ----------------------------------------------------------------------------------------------------

FIELDS: dict[str, tuple[Field, ...]] = {
    "drive": (
        ("channel", "string", "", "channel of the mixture: afr or lambda"),
        ("trouble", "string", "", "why the drive could not be read for runs"),
        ("m3_per_m", "double", "m3/m", "fuel used over distance"),
        ("fuel_sigma", "double", "1", "its relative standard error"),
    ),
    "runs": (
        ("n", "int64", "", "number of the run in its drive"),
        ("start_utc_ns", "int64", "ns", "first movement, since 1970"),
        ("direction_deg", "double", "deg", "heading"),
        ("grade_percent", "double", "%", "slope, uphill above zero"),
        ("clean", "bool", "", "whether nothing broke the run off"),
        ("ended", "string", "", "how it ended, or why it is not plausible"),
        ("rise_s", "double", "s", "how long the launch took to build up"),
        ("soft", "bool", "", "a soft launch"),
        ("throttle", "double", "1", "median opening there, as a share of its full travel"),
        ("full_throttle", "double", "", "median mixture in the upper part of its speeds"),
    ),
    "splits": (
        ("n", "int64", "", "number of the run in its drive"),
        ("speed_mps", "double", "m/s", "speed"),
        ("time_s", "double", "s", "time to it from one foot of movement"),
        ("sigma_s", "double", "s", "its standard error"),
    ),
    **PULL_FIELDS,
}


def _to_tables(rows: DriveRows) -> dict[str, pa.Table]:
    names = [name for name, *_ in FIELDS["runs"]]
    return {
        "drive": table_of_rows(FIELDS["drive"], [(rows.channel, rows.trouble, rows.m3_per_m, rows.fuel_sigma)]),
        "runs": table_of_rows(FIELDS["runs"], [tuple(getattr(run, name) for name in names) for run in rows.runs]),
        "splits": table_of_rows(
            FIELDS["splits"],
            [
                (run.n, *split)
                for run in rows.runs
                for split in zip(run.speed_mps.tolist(), run.time_s.tolist(), run.sigma_s.tolist(), strict=True)
            ],
        ),
        **tables_of(rows.pulls, lambda name, made: table_of_rows(FIELDS[name], made)),
    }


def _from_tables(tables: dict[str, pa.Table], of: AnalysedDrive) -> DriveRows:
    drive = tables["drive"].to_pylist()[0]
    splits = {name: np.array(tables["splits"][name].to_pylist()) for name, *_ in FIELDS["splits"]}
    runs = []
    for row in tables["runs"].to_pylist():
        mine = splits["n"] == row["n"] if len(splits["n"]) else np.zeros(0, bool)
        runs.append(RunRow(**row, **{name: splits[name][mine] for name in ("speed_mps", "time_s", "sigma_s")}))
    return DriveRows(tuple(runs), **drive, pulls=pulls_from(tables, *_loads(of)))
