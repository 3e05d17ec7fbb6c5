"""Runs and loops as they enter a comparison."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats, monotone
from analysis.conditions.setups import Parts, same


@dataclass(frozen=True)
class Observation:
    """One run as it enters a comparison. Times count from one foot; NaN where the run has none."""

    label: str
    """How the owner finds it: DRIVE:RUN."""
    setup: str
    parts: Parts | None
    """None: the drive carries no setup."""
    drive: str
    outing: int
    """Drives of one day are one outing and share its number."""
    start_s: float
    """UTC, seconds since 1970."""
    direction_deg: float
    speed_mps: Floats
    """Rising speeds of the tables below, those of every multiple of 5 mph and 10 km/h among them."""
    time_s: Floats
    sigma_s: Floats
    corrected_s: Floats | None = None
    """Times corrected to standard air; None where the weather says too little."""
    grade_percent: float = math.nan
    headwind_mps: float = math.nan
    wind_mps: float = math.nan
    full_throttle: float = math.nan
    """Median mixture at full throttle in this run, in the car's channel."""
    rise_s: float = math.nan
    """How long the launch took to build up."""
    soft: bool = False
    throttle: float = math.nan
    """Median opening in its upper speeds, as a share of the throttle's full travel; NaN where none is recorded."""
    unlaunched_s: Floats | None = None
    """As `corrected_s`, but for a launch that belt or clutch limit and not the air; None where that was not told."""
    tags: tuple[str, ...] = ()
    """What the owner tagged it with: passenger, gear=2."""

    def time_to(self, speeds_mps: Floats, corrected: bool = False, launch: bool = True) -> Floats:
        """Times to the given speeds.

        Parameters
        ----------
        speeds_mps : (J,) array
            In any order [m/s].
        corrected : bool
            Of the corrected times.
        launch : bool
            Of those whose launch follows the air; else of those whose does not, where they are told.

        Returns
        -------
        (J,) array
            [s]; between table speeds by the monotone cubic of Fritsch and Butland (`arrays.monotone`), NaN beyond them
            and where the run has no corrected times.
        """
        return np.asarray(times_to((self,), speeds_mps, corrected, launch)[0])

    def table(self, corrected: bool, launch: bool) -> Floats | None:
        """The times that `time_to` reads; None where the run has none."""
        if corrected and not launch and self.unlaunched_s is not None:
            return self.unlaunched_s
        return self.corrected_s if corrected else self.time_s

    def sigma_to(self, speeds_mps: Floats) -> Floats:
        """Standard errors of `time_to` [s], read in the same way."""
        return np.asarray(sigmas_to((self,), speeds_mps)[0])


@dataclass(frozen=True)
class FuelLoop:
    """One fuel loop as it enters a comparison."""

    drive: str
    setup: str
    parts: Parts | None
    outing: int
    m3_per_m: float
    sigma: float
    """Relative."""


@dataclass(frozen=True)
class Side:
    """One side of a comparison."""

    name: str
    runs: Sequence[Observation]
    parts: Parts | None = None
    loops: Sequence[FuelLoop] = ()
    drives: Sequence[str] = ()
    """Drives that are its own as a whole, rolling pulls and all; of others only the runs named count."""


def setup_numbers(runs: Sequence[Observation]) -> NDArray[np.int64]:
    """Which setup each run had, by parts, counted from 0 as they come; runs without a setup are one."""
    seen: list[Parts | None] = []
    of_parts: dict[int, int] = {}
    for run in runs:
        if id(run.parts) not in of_parts:
            at = next((k for k, parts in enumerate(seen) if alike(parts, run.parts)), len(seen))
            if at == len(seen):
                seen.append(run.parts)
            of_parts[id(run.parts)] = at
    return np.array([of_parts[id(run.parts)] for run in runs], np.int64)


def alike(a: Parts | None, b: Parts | None) -> bool:
    """Whether two runs had the same parts, or neither a setup."""
    return same(a, b) if a is not None and b is not None else a is b


def times_to(runs: Sequence[Observation], speeds_mps: Floats, corrected: bool = False, launch: bool = True) -> Floats:
    """Times of several runs to the given speeds, (runs, speeds) [s]: as `Observation.time_to` gives them."""
    return _read([(run.speed_mps, run.table(corrected, launch)) for run in runs], speeds_mps)


def sigmas_to(runs: Sequence[Observation], speeds_mps: Floats) -> Floats:
    """Their standard errors (runs, speeds) [s]."""
    return _read([(run.speed_mps, run.sigma_s) for run in runs], speeds_mps)


def _read(tables: Sequence[tuple[Floats, Floats | None]], at: Floats) -> Floats:
    """Each table (speeds, values) read at the same speeds. Those that are told at the same speeds are read at once."""
    out = np.full((len(tables), len(at)), np.nan)
    alike: dict[bytes, tuple[Floats, list[int], list[Floats]]] = {}
    for number, (x, y) in enumerate(tables):
        if y is not None:
            _, rows, values = alike.setdefault(x.tobytes(), (x, [], []))
            rows.append(number)
            values.append(y)
    for x, rows, values in alike.values():
        given, numbers = np.array(values), np.array(rows)
        told = np.isfinite(given)
        patterns, of = np.unique(told, axis=0, return_inverse=True) if not told.all() else (told[:1], None)
        for k, where in enumerate(patterns):
            mine = slice(None) if of is None else np.flatnonzero(of.reshape(len(numbers)) == k)
            if where.any():
                out[numbers[mine]] = _read_alike(x[where], given[mine][:, where], at)
    return out


def _read_alike(x: Floats, y: Floats, at: Floats) -> Floats:
    out = np.full((len(y), len(at)), np.nan)
    place = np.searchsorted(x, at - 1e-6)
    there = (place < len(x)) & (np.abs(x[np.minimum(place, len(x) - 1)] - at) < 1e-6)
    out[:, there] = y[:, place[there]]
    between = ~there & (at > x[0]) & (at < x[-1])
    if between.any() and len(x) > 1:
        out[:, between] = monotone(x, y, at[between])
    return out
