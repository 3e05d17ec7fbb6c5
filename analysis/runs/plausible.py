"""Whether a run can have been: by what any car can do, by how its positions moved, by what this car has done.

A receiver that holds its position and lets speed catch up after a start gives a launch that no car can do; a run like
that is told, with its reason, and counts for nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.motion.fixes import Fixes
from analysis.motion.geodesy import chord_length
from analysis.motion.smoother import Motion
from analysis.motion.stretch import GRIP_MPS2
from analysis.runs.run import Run
from analysis.wording import short_way_words
from logger.units import MPS_PER_MPH

STANDARD_GRAVITY = 9.80665
STEEPEST_PERCENT = 36.0
"""The steepest street there is: Baldwin Street, Dunedin, 34.8 % (Guinness World Records, from memory)."""
LIKE_ITSELF = 1.7
"""A car does not gain this many times what it usually does (common practice, no source)."""
OTHERS = 4
_LOOK_M = (12.0, 25.0, 45.0)
_AWAY_M, _AWAY_SHARE, _LATE_S = 6.0, 0.25, 0.7
"""How far positions may be off the way by speed: their wander, their share, and how late a receiver filters them."""


def judged(runs: Sequence[Run], motion: Motion, fixes: Fixes) -> list[Run]:
    """The runs, each that cannot have been with its reason in `why_not`."""
    out = [replace(run, why_not=_impossible(run) or _unmoved(run, motion, fixes)) for run in runs]
    usual = [mean for run in out if run.counted and (mean := _early_gain(run)) is not None]
    return [replace(run, why_not=run.why_not or _unlike(run, usual)) for run in out]


def _impossible(run: Run) -> str | None:
    gained = run.launch.half_second_mps2 if run.launch is not None else math.nan
    if gained > GRIP_MPS2:
        return f"gained {gained / STANDARD_GRAVITY:.1f} g in its launch, more than road tyres can hold"
    if abs(run.grade.percent) - 2 * run.grade.sigma > STEEPEST_PERCENT:
        return f"its altitudes give a grade of {run.grade.percent:+.0f} %, steeper than any road"
    return None


def _unmoved(run: Run, motion: Motion, fixes: Fixes) -> str | None:
    """Whether the positions moved as the speed says, over the first tens of metres."""
    fixes = fixes.between(run.start_s - 2.0, run.end_s)
    known = np.isfinite(fixes.lat_deg) & np.isfinite(fixes.lon_deg)
    stood = known & (fixes.t_s <= run.start_s) & (fixes.t_s > run.start_s - 2.0)
    after = known & (fixes.t_s > run.start_s) & (fixes.t_s <= run.end_s)
    if not stood.any() or after.sum() < 3 or any(note.startswith("rolled") for note in run.notes):
        return None
    at = motion.distance_at(fixes.t_s[after])
    way = at - float(motion.distance_at([run.start_s])[0])
    lat0, lon0 = float(np.median(fixes.lat_deg[stood])), float(np.median(fixes.lon_deg[stood]))
    lat, lon = fixes.lat_deg[after], fixes.lon_deg[after]
    wrong = []
    for look in _LOOK_M:
        if not (way >= look).any():
            break
        k = int(np.argmax(way >= look))
        moved = float(chord_length([lat0, lat[k]], [lon0, lon[k]])[0])
        allowed = _AWAY_M + _AWAY_SHARE * way[k] + _LATE_S * float(fixes.speed_mps[after][k])
        # Further than by speed no bend explains; shorter may be a bend, but not so early.
        if abs(moved - way[k]) > allowed:
            wrong.append((float(way[k]), moved))
    if len(wrong) < 2:
        return None
    return f"its positions moved {short_way_words(wrong[-1][1])}, but its speed gives {short_way_words(wrong[-1][0])}"


def _early_gain(run: Run) -> float | None:
    """Mean acceleration from one foot to the first split over 15 mph [m/s2]."""
    for split in run.splits:
        if split.speed_mps >= 15 * MPS_PER_MPH and split.from_one_foot_s > 0:
            return split.speed_mps / split.from_one_foot_s
    return None


def _unlike(run: Run, usual: Sequence[float]) -> str | None:
    """Whether the car gained far more than it does in its other launches, of which there must be some."""
    mine = _early_gain(run)
    if mine is None or len(usual) <= OTHERS:
        return None
    middle = float(np.median(usual))
    spread = 1.4826 * float(np.median(np.abs(np.array(usual) - middle)))
    if mine > LIKE_ITSELF * middle and mine > middle + 6 * spread + 0.5:
        own, others = mine / STANDARD_GRAVITY, middle / STANDARD_GRAVITY
        return f"gained {own:.2f} g, but this car's other launches gain {others:.2f}"
    return None
