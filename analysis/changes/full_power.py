"""Which pulls were at full throttle, told without a sensor: by what the same setup can do at that place.

    kept, left = full_power(pulls)

In this order: a recorded throttle decides, but for one that is nearly open; else a start that counts is full
(`full_throttle` told it over the season), and any other pull is held against the starts of *the same setup* (against
all setups' a loss would look like part throttle, and its slowest pulls would go). Far below them is no full pull. Where
the carburettor enriches at full throttle, a mixture as lean as that of gentle pulls is none either. What is left is
asked of the model: each pull is foretold by all the others, with the slope of its place, the wind, the leg and the gust
as uncertain as they are, and it is part throttle where it lies below that by more than these explain. A pull at a place
that nothing else tells of is hardly judged, and hardly weighs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import Bools, Floats
from analysis.changes.full_throttle import FULL_TRAVEL
from analysis.changes.observations import setup_numbers
from analysis.changes.power_model import MOST_ROWS, Ids, PowerFit, PullRows
from analysis.changes.season_pulls import SeasonPull, rows_of_pulls, usual_power

CRUDE_SHARE, CRUDE_SLOPE, CRUDE_WIND = 0.10, 0.025, 3.0
"""Further below its setup's starts than this share and what such a slope and wind would take is part throttle."""
WIDE_OPEN = 0.97
"""From this share of its travel on a recorded throttle says by itself that a pull is full. From `FULL_TRAVEL` to it the
pull is asked as if none were recorded: some throttles pass a tenth less there (common practice, no source)."""
PART_ODDS = 0.2
"""How likely a pull that is not far below is part throttle, before it is looked at."""
DEEPEST = 0.6
"""Part throttle takes anything up to this share of full power, all alike likely."""
_MASK = 0.25
_LEAST_KNOWN = 1e-9
_ROUNDS = 8
_LEAST_TOLD = 3
_ENRICHES = 0.04


@dataclass(frozen=True)
class PullLeftOut:
    """A pull that does not count, and why."""

    label: str
    drive: str
    reason: str


def full_power(
    pulls: Sequence[SeasonPull], reasons: Sequence[str] | None = None
) -> tuple[list[SeasonPull], list[PullLeftOut]]:
    """Part full pulls from those at part throttle; both in their order. `reasons` are those of `why_not_full`."""
    told = why_not_full(pulls) if reasons is None else reasons
    pairs = list(zip(pulls, told, strict=True))
    kept = [each for each, reason in pairs if not reason]
    return kept, [PullLeftOut(each.label, each.drive, reason) for each, reason in pairs if reason]


def why_not_full(pulls: Sequence[SeasonPull]) -> list[str]:
    """Why each pull is no full one; "" where it is one."""
    if not pulls:
        return []
    reasons = ["" if each.trusted else None for each in pulls]
    for i, each in enumerate(pulls):
        if math.isfinite(each.pull.throttle):
            if each.pull.throttle < FULL_TRAVEL:
                reasons[i] = f"throttle at {each.pull.throttle:.0%} of its full travel"
            elif each.pull.throttle >= WIDE_OPEN:
                reasons[i] = ""
    numbers = setup_numbers(pulls)
    usual = usual_power([each for each, reason in zip(pulls, reasons, strict=True) if reason != ""] or pulls)
    if any(each.trusted for each in pulls):
        usual = usual_power(pulls)
    below = _below(pulls, numbers, usual)
    for i, each in enumerate(pulls):
        # A drive away that is over before three bands of speed counts as a run: it is out here as any other.
        asked = reasons[i] is None or (reasons[i] == "" and not math.isfinite(each.pull.throttle))
        if asked and below[i] > 0:
            reasons[i] = "not at full throttle: far below the starts of its setup"
    _by_mixture(pulls, numbers, reasons)
    for chunk in _chunks(pulls, reasons):
        _by_model(pulls, numbers, reasons, chunk)
    return [reason or "" for reason in reasons]


def _below(pulls: Sequence[SeasonPull], setups: Ids, usual: tuple[Floats, Floats]) -> Floats:
    """How far each pull lies below its setup's starts [ln], beyond what slope and wind may take; mean of its bands."""
    against = [each.pull.log_power - np.interp(np.log(each.pull.speed_mps), *usual) for each in pulls]
    mean = [_mean(each) for each in against]
    out = np.zeros(len(pulls))
    for setup in np.unique(setups):
        mine = [int(i) for i in np.flatnonzero(setups == setup)]
        sure = [mean[i] for i in mine if pulls[i].trusted]
        level = float(np.median(sure)) if len(sure) >= 2 else 0.0
        for i in mine:
            pull = pulls[i].pull
            # What slope and wind take is a share of full power, not of the little that was seen.
            share = np.exp(np.minimum(against[i], 0.0))
            loose = CRUDE_SHARE + math.hypot(
                CRUDE_SLOPE * _mean(pull.slope_gain * share), CRUDE_WIND * _mean(pull.wind_gain * share)
            )
            out[i] = level + math.log(max(1 - loose, 1 - DEEPEST)) - mean[i]
    return out


def _mean(some: Floats) -> float:
    """As np.mean gives it; of a few bands, thousands of times."""
    return float(some.sum()) / len(some)


def _by_mixture(pulls: Sequence[SeasonPull], setups: Ids, reasons: list[str | None]) -> None:
    """Rule out pulls as lean as gentle ones, for setups whose carburettor is richer at full throttle."""
    for setup in np.unique(setups):
        mine = [int(i) for i in np.flatnonzero(setups == setup)]
        told = {i: pulls[i].pull.mixture for i in mine if math.isfinite(pulls[i].pull.mixture)}
        full = np.array([value for i, value in told.items() if pulls[i].trusted])
        gentle = np.array([value for i, value in told.items() if reasons[i]])
        if min(len(full), len(gentle)) < _LEAST_TOLD:
            continue
        rich, lean = float(np.median(full)), float(np.median(gentle))
        spread = 1.4826 * float(np.median(np.abs(full - rich)))
        if lean < rich * (1 + _ENRICHES) or lean < rich + 4 * spread:
            continue
        for i, value in told.items():
            if reasons[i] is None and value > (rich + lean) / 2:
                reasons[i] = "not at full throttle: as lean as gentle pulls of its setup"


def _chunks(pulls: Sequence[SeasonPull], reasons: Sequence[str | None]) -> list[list[int]]:
    """Pulls not ruled out, in order of time, in whole outings as many as the model takes at a time."""
    open_ = sorted((i for i, reason in enumerate(reasons) if not reason), key=lambda i: pulls[i].start_s)
    chunks: list[list[int]] = []
    rows, outing = 0, None
    for i in open_:
        size = len(pulls[i].pull.band)
        if not chunks or (rows + size > MOST_ROWS and (pulls[i].outing != outing or rows > 2 * MOST_ROWS)):
            chunks.append([])
            rows = 0
        chunks[-1].append(i)
        rows, outing = rows + size, pulls[i].outing
    return chunks


def _by_model(pulls: Sequence[SeasonPull], setups: Ids, reasons: list[str | None], chunk: Sequence[int]) -> None:
    """Rule out what all other pulls of the chunk do not allow; what is left is full."""
    asked = np.array([reasons[i] is None for i in chunk])
    if not asked.any():
        return
    rows, of = rows_of_pulls([pulls[i] for i in chunk], setups[list(chunk)])
    part = asked.copy()
    hills = None
    share = PART_ODDS
    for _ in range(_ROUNDS):
        masked = _masked(rows, of, part)
        fit = PowerFit(masked, columns(rows), hills)
        hills = fit.hills_m
        chance = np.array([_chance(fit, of == k, bool(part[k]), share) if asked[k] else 0.0 for k in range(len(chunk))])
        found = asked & (chance > 0.5)
        share = (float(chance[asked].sum()) + 10 * PART_ODDS) / (int(asked.sum()) + 10)
        if np.array_equal(found, part):
            break
        part = found
    for k, i in enumerate(chunk):
        reasons[i] = "not at full throttle: below other pulls of its setup at that place" if part[k] else ""


def columns(rows: PullRows) -> Floats:
    """Fixed columns: one for each band, one for each setup but the first. Shape (n, bands + setups - 1)."""
    bands, setups = np.unique(rows.band), np.unique(rows.setup)
    return np.asarray(np.hstack([rows.band[:, None] == bands[None, :], rows.setup[:, None] == setups[None, 1:]]), float)


def _masked(rows: PullRows, of: Ids, part: Bools) -> PullRows:
    """The rows with the level of pulls at part throttle left open: they still tell of slopes within them."""
    mask = np.where(part[of], _MASK, 0.0)
    noise = rows.noise + np.outer(mask, mask) * (of[:, None] == of[None, :])
    return replace(rows, noise=noise)


def _chance(fit: PowerFit, mine: Bools, masked: bool, share: float) -> float:
    """How likely a pull was at part throttle, from what all others foretell of it.

    Its precision is a block of the projection (Rasmussen and Williams, Gaussian Processes, eq. 5.12), which takes off
    its own mask by Sherman and Morrison's formula. A direction without precision is one of which only this pull tells,
    such as a band that no other reaches: it says nothing.
    """
    precision, axes = np.linalg.eigh(fit.projection[np.ix_(mine, mine)])
    known = precision > _LEAST_KNOWN * precision[-1]
    precision, axes = precision[known], axes[:, known]
    told, level = axes.T @ fit.residual[mine], axes.sum(axis=0)
    far, slope, bend = float(np.sum(told**2 / precision)), float(told @ level), float(np.sum(precision * level**2))
    if masked:
        left = max(1 - _MASK**2 * bend, _LEAST_KNOWN)
        far, slope, bend = far + _MASK**2 * slope**2 / left, slope / left, bend / left
    lost = (np.arange(60) + 0.5) / 60 * DEEPEST
    log = -0.5 * (far + 2 * lost * slope + lost**2 * bend)
    full = -0.5 * far
    most = max(full, float(log.max()))
    parted = share * float(np.mean(np.exp(log - most)))
    return parted / (parted + (1 - share) * math.exp(full - most))
