"""Runs and loops as they enter a comparison."""

from __future__ import annotations

import math
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

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


class _Fitted(Protocol):
    @property
    def parts(self) -> Parts | None: ...


def setup_numbers(runs: Sequence[_Fitted]) -> NDArray[np.int64]:
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
    return _tables_of(runs).read(("times", corrected, launch), speeds_mps)


def sigmas_to(runs: Sequence[Observation], speeds_mps: Floats) -> Floats:
    """Their standard errors (runs, speeds) [s]."""
    return _tables_of(runs).read(("sigmas", False, False), speeds_mps)


_Which = tuple[str, bool, bool]
_Block = tuple[NDArray[np.intp], Floats, Floats]
"""Which runs, the speeds (k,) that they are told at, and their values (runs, k)."""
_ASKED: dict[tuple[int, ...], _Tables] = {}
"""Of the lists of runs that were asked about last: each is asked for many times and speeds."""
_ASKING = threading.Lock()
_LISTS, _WORTH = 2, 64


class _Tables:
    """The tables of some runs, those that are told at the same speeds together."""

    def __init__(self, runs: Sequence[Observation]) -> None:
        self._runs = tuple(runs)  # as long as they live no others have their ids
        self._blocks: dict[_Which, list[_Block]] = {}

    def read(self, which: _Which, at: Floats) -> Floats:
        """Each run's table of this kind read at the same speeds (runs, speeds)."""
        if which not in self._blocks:
            self._blocks[which] = self._told(which)
        out = np.full((len(self._runs), len(at)), np.nan)
        for rows, x, y in self._blocks[which]:
            out[rows] = _read_alike(x, y, at)
        return out

    def _told(self, which: _Which) -> list[_Block]:
        sigmas, corrected, launch = which[0] == "sigmas", *which[1:]
        grids: dict[int, tuple[Floats, list[int], list[Floats]]] = {}  # by what is one array, then by what is alike
        alike: dict[bytes, tuple[Floats, list[int], list[Floats]]] = {}
        for number, run in enumerate(self._runs):
            y = run.sigma_s if sigmas else run.table(corrected, launch)
            if y is not None:
                grid = grids.get(id(run.speed_mps))
                if grid is None:
                    grid = alike.setdefault(run.speed_mps.tobytes(), (run.speed_mps, [], []))
                    grids[id(run.speed_mps)] = grid
                grid[1].append(number)
                grid[2].append(y)
        return [block for x, rows, values in alike.values() for block in _whole(x, np.array(rows), np.array(values))]


def _tables_of(runs: Sequence[Observation]) -> _Tables:
    if len(runs) < _WORTH:
        return _Tables(runs)
    asked = tuple(map(id, runs))
    with _ASKING:  # the desk answers several at once
        found = _ASKED.pop(asked, None) or _Tables(runs)
        _ASKED[asked] = found  # the last one
        while len(_ASKED) > _LISTS:
            del _ASKED[next(iter(_ASKED))]
    return found


def _whole(x: Floats, rows: NDArray[np.intp], values: Floats) -> list[_Block]:
    """Tables at the same speeds by which of them have values, without the others."""
    told = np.isfinite(values)
    if told.all():
        return [(rows, x, values)] if len(x) else []
    patterns, of = np.unique(told, axis=0, return_inverse=True)
    mine = [np.flatnonzero(of.reshape(len(rows)) == k) for k in range(len(patterns))]
    return [
        (rows[some], x[where], values[some][:, where])
        for where, some in zip(patterns, mine, strict=True)
        if where.any()
    ]  # fmt: skip


def _read_alike(x: Floats, y: Floats, at: Floats) -> Floats:
    out = np.full((len(y), len(at)), np.nan)
    place = np.searchsorted(x, at - 1e-6)
    there = (place < len(x)) & (np.abs(x[np.minimum(place, len(x) - 1)] - at) < 1e-6)
    out[:, there] = y[:, place[there]]
    between = ~there & (at > x[0]) & (at < x[-1])
    if between.any() and len(x) > 1:
        out[:, between] = monotone(x, y, at[between])
    return out
