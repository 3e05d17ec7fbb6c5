"""Which runs were full pulls and which were drives away at part throttle: by the car's own quick end.

    kept, left = full_pulls(runs)

No cable tells how far the pedal was down, where no throttle is recorded. But a full pull is the quickest that a car can
do, and it repeats; drives away in traffic are slower, each by another share. So a run's pace is held against the quick
end of what the car did: the time it spent in each band of speed over that of the quickest, the median over bands. It
does not matter how many slow runs there are besides.

Each setup has a quick end of its own, if its quickest runs agree with each other, as pulls do; and each way driven has,
since a headwind or a hill is no part throttle: only, there the low speeds must be quick, for wind tells at high ones.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.arrays import Floats
from analysis.changes.observations import Observation, setup_numbers, times_to

SLOW_SHARE = 0.15
"""A run slower than the quick end by more than this in most bands of speed was not at full throttle."""
FULL_TRAVEL = 0.9
"""From this share of its full travel on, a throttle is full (common practice, no source)."""
_AGREE = 0.08
"""Quickest runs this close to each other are pulls: traffic does not repeat."""
_PULLS = 3
_SETUPS, _WAYS = 0.6, 0.35
"""How much slower than the car's quick end that of a setup, and than the setup's that of one way driven, may be."""
_BANDS = np.arange(5.0, 31.0)
_LOW = 10.0
_BESIDE_DEG = 25.0
_FEWEST = 4
_FEWEST_BANDS = 3


@dataclass(frozen=True)
class RunLeftOut:
    """A standing run that does not count."""

    label: str
    drive: str
    reason: str
    struck: bool
    slow: bool = False
    """Left out as one at part throttle."""
    start_s: float = math.nan
    """When such a one began, UTC, seconds since 1970."""


def full_pulls(runs: Sequence[Observation]) -> tuple[list[Observation], list[RunLeftOut]]:
    """Part full pulls from drives away at part throttle.

    Returns
    -------
    kept : list of Observation
        In their order. With fewer than four runs that pass three bands of speed, all.
    left : list of RunLeftOut
        The others, with how much slower than the car's quick end each is.
    """
    slower, opening = _paces(runs), np.array([run.throttle for run in runs])
    kept, out = [], []
    for i, run in enumerate(runs):
        reason = ""
        if math.isfinite(opening[i]):
            if opening[i] < FULL_TRAVEL:
                reason = f"not at full throttle: throttle at {opening[i]:.0%} of its full travel"
        elif slower[i] > 1 + SLOW_SHARE:
            reason = f"not at full throttle: {slower[i] - 1:.0%} slower throughout than the car's full pulls"
        if reason:
            out.append(RunLeftOut(run.label, run.drive, reason, False, True, run.start_s))
        else:
            kept.append(run)
    return kept, out


def _paces(runs: Sequence[Observation]) -> Floats:
    """(n,): each run's pace over the quick end that it is held against; 1 where it cannot be told."""
    spent = np.diff(times_to(runs, _BANDS), axis=1)
    told = np.isfinite(spent).sum(axis=1) >= _FEWEST_BANDS
    if told.sum() < _FEWEST:
        return np.ones(len(runs))
    setup = setup_numbers(runs)
    outing = np.array([run.outing for run in runs])
    heading = np.array([run.direction_deg for run in runs])
    out, brisk, slow = np.ones(len(runs)), np.zeros(len(runs), bool), _BANDS[1:] <= _LOW
    car = _pace(spent, _quick(spent[told]))
    whole = _edge(car[told])
    for each in np.unique(setup):
        mine = told & (setup == each)
        pace, edge = car, whole
        own = _edge(car[mine])
        if mine.sum() >= _FEWEST and _agree(car[mine], own) and own < whole * (1 + _SETUPS):
            pace = _pace(spent, _quick(spent[mine]))
            edge = _edge(pace[mine])
        out[mine] = pace[mine] / edge
        low = _pace(spent[:, slow], _quick(spent[mine][:, slow]))
        brisk |= mine & (low <= _edge(low[mine]) * (1 + SLOW_SHARE))
    first = out.copy()
    for i in np.flatnonzero(brisk & (first > 1 + SLOW_SHARE)):
        way = brisk & (np.abs((heading - heading[i] + 180) % 360 - 180) <= _BESIDE_DEG)
        mine, today = way & (setup == setup[i]), outing == outing[i]
        for beside, least in ((way, _PULLS), (mine, _PULLS), (way & today, _PULLS - 1), (mine & today, _PULLS - 1)):
            there = _edge(first[beside])
            if way[i] and 1 < there < 1 + _WAYS and _agree(first[beside], there, least):
                out[i] = min(out[i], first[i] / there)
    return out


def _quick(spent: Floats) -> Floats:
    """The second quickest time in each band: one run with a lucky band, or a fault, is no envelope."""
    ordered = np.sort(spent, axis=0)  # NaN last
    return np.asarray(np.where(np.isfinite(ordered[1]), ordered[1], ordered[0]) if len(ordered) > 1 else ordered[0])


def _pace(spent: Floats, quick: Floats) -> Floats:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a band that no run passed is NaN, as it should be
        pace = np.nanmedian(spent / quick, axis=1) if spent.shape[1] else np.ones(len(spent))
    return np.asarray(pace)


def _edge(pace: Floats) -> float:
    """The second quickest pace; NaN without any."""
    known = np.sort(pace[np.isfinite(pace)])
    return float(known[min(1, len(known) - 1)]) if len(known) else math.nan


def _agree(pace: Floats, edge: float, least: int = _PULLS) -> bool:
    """Whether pulls are among these: so many about their quick end."""
    return int(np.sum(pace <= edge * (1 + _AGREE))) >= least
