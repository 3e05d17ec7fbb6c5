"""What starts and rolling pulls would tell of power in one outing: how many rolling pulls replace a start.

    found = power_mix(season, worth=0.03)      # None until the season has starts to go by

An outing A-B-A is laid out with starts and rolling pulls like those driven, at places that all legs share, and asked of
the model with the scatter that this car's pulls have shown so far: the same sum that `compare` would do afterwards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.changes import day_effects
from analysis.changes.full_power import columns
from analysis.changes.observations import setup_numbers
from analysis.changes.power_model import PowerFit
from analysis.changes.season_pulls import SeasonPull, rows_of_pulls
from analysis.changes.season_record import SeasonRecord
from analysis.changes.verdicts import FEWEST_EACH, LEVEL
from analysis.runs.pulls import PowerPull

_LEGS = (0, 1, 1, 0)
"""A-B-A with as many pulls of B as of A: B's leg twice as long."""
_LEAST_STARTS = 4
_MOST_EACH = 40
_SPARE_BANDS = 3
_APART_DEG = 0.01
_DF = 20.0
"""Degrees of freedom that such an outing leaves, about (of the tuning worlds)."""


@dataclass(frozen=True)
class PowerMix:
    """Pulls of each setup, in one outing, that show a change of power of `worth` as surely as is asked."""

    worth: float
    starts: int
    """By starts alone; 0 where so many as fit into an outing would not."""
    fewer_starts: int
    """Half of them, which tell as much with"""
    rolling: int
    """so many rolling pulls; 0 where no number does."""
    driven: bool
    """Whether rolling pulls like these were driven; else they are taken to cross three bands in a start's middle."""

    @property
    def for_a_start(self) -> float:
        """Rolling pulls that replace one start; NaN where it cannot be said."""
        saved = self.starts - self.fewer_starts
        return self.rolling / saved if self.rolling and saved > 0 else math.nan


def power_mix(season: SeasonRecord, worth: float, power: float = day_effects.POWER) -> PowerMix | None:
    """How a change of power would be shown in one outing; None before four starts tell of the scatter."""
    pulls = season.full_pulls
    starts = [each for each in pulls if not each.rolling]
    rolling = [each for each in pulls if each.rolling]
    if len(starts) < _LEAST_STARTS:
        return None
    newest = pulls[-_LAST:]
    rows, _ = rows_of_pulls(newest, setup_numbers(newest))
    fit = PowerFit(rows, columns(rows))
    start = _typical(starts)
    roll = _typical(rolling) if rolling else _middle(start)

    def seen(n: int, k: int) -> float:
        return day_effects.detectable(_sigma(fit, start, roll, n, k), _DF, 1 - LEVEL, power)

    alone = next((n for n in range(FEWEST_EACH, _MOST_EACH + 1, 2) if seen(n, 0) <= worth), 0)
    fewer = max(alone // 2, 2) if alone else 4
    fewer += fewer % 2
    asked = seen(alone, 0) if alone else worth
    more = next((k for k in range(2, _MOST_EACH + 1, 2) if seen(fewer, k) <= asked), 0)
    return PowerMix(worth, alone, fewer, more, bool(rolling))


_LAST = 60
"""So many of the newest pulls tell of the scatter."""


def _typical(pulls: Sequence[SeasonPull]) -> SeasonPull:
    """The pull with the median number of bands; of those the newest."""
    sizes = [len(each.pull.band) for each in pulls]
    middle = sorted(sizes)[len(sizes) // 2]
    return next(each for each in reversed(pulls) if len(each.pull.band) == middle)


def _middle(start: SeasonPull) -> SeasonPull:
    """What a rolling pull through the middle of a start's speeds would tell."""
    count = len(start.pull.band)
    keep = np.arange(count)[max(count - _SPARE_BANDS, 0) // 2 :][:_SPARE_BANDS]
    return replace(start, pull=_some(start.pull, keep))


def _some(pull: PowerPull, keep: np.ndarray) -> PowerPull:
    names = ("band", "time_s", "seconds", "speed_mps", "rate", "lat_deg", "lon_deg", "heading_deg", "way_m")
    arrays = {name: getattr(pull, name)[keep] for name in names}
    return replace(pull, rate_covariance=pull.rate_covariance[np.ix_(keep, keep)], **arrays)


def _sigma(fit: PowerFit, start: SeasonPull, roll: SeasonPull, starts: int, rolling: int) -> float:
    """Standard error of B less A in such an outing, with the scatter at its likeliest."""
    laid: list[SeasonPull] = []
    for leg, side in enumerate(_LEGS):
        for k in range(math.ceil(starts / 2)):
            laid.append(_laid(start, leg, side, len(laid), 0, k % 2 == 1, rolling=False))
        for k in range(math.ceil(rolling / 2)):
            laid.append(_laid(roll, leg, side, len(laid), 1 + k, k % 2 == 1, rolling=True))
    rows, _ = rows_of_pulls(laid, np.array([each.outing for each in laid]))
    rows = replace(rows, outing=np.zeros(len(rows), np.int64))
    design = columns(rows)
    wanted = np.zeros(design.shape[1])
    wanted[-1] = 1.0
    return fit.of_others(rows, design).at_mode(wanted)[1]


def _laid(like: SeasonPull, leg: int, side: int, number: int, place: int, back: bool, rolling: bool) -> SeasonPull:
    """A pull like another at a place and time of the outing; its outing stands for its side."""
    pull = like.pull
    along = np.cumsum(np.nan_to_num(pull.way_m, nan=40.0)) * (-1 if back else 1)
    moved = replace(
        pull,
        n=number + 1,
        run=0 if rolling else number + 1,
        lat_deg=place * _APART_DEG + along * _DEG_PER_M,
        lon_deg=np.zeros(len(pull.band)),
        heading_deg=np.full(len(pull.band), 180.0 if back else 0.0),
        start_utc_ns=round(number * 120e9),
    )
    return replace(like, drive=f"leg {leg}", parts={"side": side}, outing=side, pull=moved)


_DEG_PER_M = 1 / 111_195
