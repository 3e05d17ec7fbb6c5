"""A run and its parts: what was found, in SI units."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from analysis.arrays import Floats
from analysis.motion.noise import Interval
from analysis.motion.stretch import Grade, Quality
from logger.units import FOOT_M, MPS_PER_KMH, MPS_PER_MPH


def time_zero(run: Run) -> float:
    """From when a run is counted: one foot of movement, or a rolling run's first speed; on the motion's axis [s]."""
    return run.start_s + (run.one_foot_s if np.isfinite(run.one_foot_s) else 0.0)


def table_splits(run: Run, unit: str) -> list[Split]:
    """The splits that the command line shows: every 10 mph or 10 km/h up to the peak."""
    speeds = default_speeds(run.peak_mps, "mph" if unit == "mph" else "km/h")
    return [split for speed in speeds if (split := split_at(run, speed)) is not None]


def split_at(run: Run, speed_mps: float) -> Split | None:
    """The run's split at a speed, where it has one."""
    return next((split for split in run.splits if math.isclose(split.speed_mps, speed_mps, rel_tol=1e-6)), None)


def table_speeds(runs: Sequence[Run], unit: str) -> list[float]:
    """All speeds that some run has a table split for, rising [m/s]."""
    return sorted({round(split.speed_mps, 6) for run in runs for split in table_splits(run, unit)})


Ended = Literal["reached its peak", "lifted", "broken by traffic", "aborted", "gap", "drive ended"]

DEFAULT_MIN_PEAK_MPS = 20 * MPS_PER_MPH


@dataclass(frozen=True)
class Options:
    """What to look for.

    speeds_mps: splits wanted (None: every 10 mph or 10 km/h up to the peak, by `unit`). distances_m: ways wanted.
    min_peak_mps: a standing run reaches at least this. from_mps, to_mps: find rolling runs between these speeds.
    threshold_mps: also give times from the first passing of this speed.
    """

    speeds_mps: tuple[float, ...] | None = None
    distances_m: tuple[float, ...] = (60 * FOOT_M, 100.0, 330 * FOOT_M, 201.168)
    min_peak_mps: float = DEFAULT_MIN_PEAK_MPS
    from_mps: float | None = None
    to_mps: float | None = None
    threshold_mps: float | None = None
    unit: Literal["mph", "km/h"] = "mph"


@dataclass(frozen=True)
class Split:
    """When a run passed a speed. time_s counts from first movement (a rolling run: from its first speed),
    from_one_foot_s from 0.3048 m of movement (NaN for a rolling run); sigmas are standard deviations. distance_m is
    the way from the start. from_threshold_s counts from the threshold speed, where one was asked for (else NaN).
    systematic_s: standard uncertainty of from_one_foot_s by what is not known of the receiver's smoothing and is alike
    in every run with it (GUM type B), so that it drops out where such runs are compared; what its stops leave in doubt
    is another with each drive and part of the sigmas. NaN for a rolling run."""

    speed_mps: float
    time_s: float
    sigma_s: float
    from_one_foot_s: float
    from_one_foot_sigma_s: float
    distance_m: float
    distance_sigma_m: float
    from_threshold_s: float = math.nan
    from_threshold_sigma_s: float = math.nan
    systematic_s: float = math.nan


@dataclass(frozen=True)
class DistanceSplit:
    """When a standing run had covered a way (counted from rest), and how fast it was there."""

    distance_m: float
    time_s: float
    sigma_s: float
    from_one_foot_s: float
    from_one_foot_sigma_s: float
    speed_mps: float
    speed_sigma_mps: float


@dataclass(frozen=True)
class LaunchQuality:
    """How the car got away. Times in s from first movement, accelerations in m/s2.

    rise_s: until acceleration first reached 70 % of peak_mps2; `soft` where that took longer than 0.8 s.
    """

    to_10mph_s: float
    to_10mph_sigma_s: float
    to_15kmh_s: float
    to_15kmh_sigma_s: float
    peak_mps2: float
    half_second_mps2: float
    rise_s: float
    soft: bool


@dataclass(frozen=True)
class Run:
    """One acceleration. Times on the fixes' axis [s] unless named otherwise; see Split, LaunchQuality, Grade."""

    n: int
    kind: Literal["standing", "rolling"]
    start_s: float
    start_sigma_s: float
    start_utc_ns: int
    end_s: float
    direction_deg: float
    grade: Grade
    peak_mps: float
    ended: Ended
    ended_words: str
    one_foot_s: float
    """From first movement to 0.3048 m of movement; NaN for a rolling run."""
    one_foot_sigma_s: float
    splits: list[Split]
    at_distances: list[DistanceSplit]
    launch: LaunchQuality | None
    distance_m: float
    peak_accel_mps2: float
    mean_accel_mps2: float
    gear_changes_s: list[float]
    """When drive was interrupted for a gear change, from the start."""
    gaps: list[Interval]
    quality: Quality
    notes: list[str] = field(default_factory=list)
    place: tuple[float, float, float, float] = (math.nan, math.nan, math.nan, math.nan)
    """Latitude and longitude [deg] where it started and where it ended."""

    why_not: str | None = None
    """Why it is not counted: what no car does, or not this one; None where nothing speaks against it."""
    rise_log: Floats | None = field(default=None, repr=False)
    """Log evidence of each rise in its launch, for `lessons.Lesson`; None for a rolling run."""
    foot_at_sigma_s: float = math.nan
    """Standard deviation of the instant at which one foot was passed; NaN for a rolling run."""
    time_zero_by: str = ""
    """The source that told first movement beside the fixes; "" where they alone did."""
    board_why_not: str = ""
    """Why a board beside the fixes did not tell it; "" where it did, or there is none."""

    @property
    def clean(self) -> bool:
        """Nothing broke it and nothing is wrong with it: it may be compared with others."""
        return self.ended in ("reached its peak", "lifted") and not self.gaps and self.counted

    @property
    def counted(self) -> bool:
        """Whether what was measured is plausible; see why_not."""
        return self.why_not is None


def default_speeds(peak_mps: float, unit: Literal["mph", "km/h"]) -> tuple[float, ...]:
    """Every 10 mph or 10 km/h up to the peak [m/s]."""
    step = 10 * (MPS_PER_MPH if unit == "mph" else MPS_PER_KMH)
    return tuple(step * k for k in range(1, int(peak_mps / step + 1e-9) + 1))


def total_splits(found: Sequence[Run]) -> list[float]:
    """All speeds that at least one of the runs has a split for, rising [m/s]."""
    return sorted({round(split.speed_mps, 6) for run in found for split in run.splits})
