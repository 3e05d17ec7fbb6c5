"""How the force of a launch comes in: every rise that the fit averages over, and what is known of a car's own.

prior_of(rises(slow), habit)          # how likely each is beforehand
habit = habit_of(launches)            # learned from a car's launches: each says little, thirty say much
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from analysis.arrays import Floats


class Rise(NamedTuple):
    """One way for the acceleration to come in: by which curve, over what time [s], from what first share, how likely
    beforehand."""

    curve: Literal["straight", "exponential", "s-shaped", "falling", "late", "stumbling", "stepped"]
    seconds: float
    first: float
    weight: float


QUICK_S = 0.3


@functools.cache
def rises(slow: bool) -> tuple[Rise, ...]:
    """Every way that `fit_launch` averages over, and how likely each is beforehand.

    Readings near zero cannot tell these apart: what happens below the noise is invisible, and a take-up that begins
    with a jolt looks from then on like an even rise that began 0.2 s earlier. So what is known of cars has to help,
    and it is this: a clutch that is let go has hold within two tenths of a second; one that is slipped in, or a belt,
    takes about a second and begins with a part of the force; what takes longer, two to four seconds, is the foot, and
    begins at nothing. All else stays possible and widens sigma: a clutch let in smoothly within half a second, a soft
    clutch, a start too smooth to see. `slow`: fixes are so far apart that they say
    little of it, and quick rises count for more.
    """
    quick, unseen, soft, long = (2.0, 1.0, 1.0, 1.0) if slow else (2.5, 4.8, 1.2, 2.5)
    found = [Rise("straight", 0.0, 1.0, 0.75 * quick)]
    found += [Rise("exponential", seconds, 0.0, 0.5 * quick) for seconds in (0.05, 0.08, 0.12)]
    found += [Rise("exponential", seconds, 0.0, 0.02) for seconds in (0.18, 0.25, 0.5, 1.0)]
    # All there at once and falling from then on, as constant power does: a = sqrt(P / 2 m t) after `seconds`.
    found += [Rise("falling", seconds, 1.0, 0.06) for seconds in (0.005, 0.25)]
    for seconds in (0.3, 0.5, 0.8, 1.0, 1.2, 1.4, 1.6, 2.0, 2.5):
        slipped = 0.55 * (_log_normal(seconds, 1.05, 0.25) + 0.02) * (long if seconds > 1.1 else 1.0)
        for first, share in ((0.15, 0.4), (0.25, 1.0), (0.35, 0.7), (0.45, 0.35)):
            found.append(Rise("s-shaped", seconds, first, slipped * share))
        smooth = 0.1 if seconds < 0.6 else 0.03 * (long if seconds > 0.9 else 1.0)
        found.append(Rise("s-shaped", seconds, 0.0, unseen * smooth))
    for seconds in (0.15, 0.3, 0.5, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.2, 2.5, 2.9, 3.4):
        # With close fixes the root of the weight counts, which leaves too little to a foot's usual two seconds.
        foot = 1.0 if slow or not 1.5 < seconds < 2.6 else 3.0
        even = 0.5 if not slow and seconds > 0.9 else 1.0
        found.append(
            Rise("straight", seconds, 0.0, soft * foot * even * 1.3 * (_log_normal(seconds, 2.8, 0.32) + 0.025))
        )
    # A foot that goes down ever faster: nothing at first, and half of the force in the last third of its time.
    found += [Rise("late", seconds, 0.0, unseen * 0.03) for seconds in (0.6, 1.0, 1.5)]
    # A belt or a clutch that takes hold with a jolt, and then the foot.
    found += [Rise("straight", seconds, first, 0.01) for seconds in (0.8, 1.4, 2.0, 2.8) for first in (0.1, 0.2)]
    # An engine that takes hold and stumbles, and a throttle opened in two steps: `first` is the share in between.
    found += [Rise("stumbling", seconds, first, STUMBLE) for seconds in (0.45, 0.75, 1.1) for first in (0.2, 0.55)]
    found += [Rise("stepped", seconds, first, STEPPED) for seconds in (0.5, 0.9, 1.4) for first in (0.3, 0.55)]
    return tuple(found)


STUMBLE, STEPPED = 0.07, 0.03
RANGES, STANDS_FOR_S = ("stumbling", "stepped", "late"), 0.09
"""Of these rises there are few for the range of what cars do, and one that happens to fit best would be believed to
0.02 s: time zero of those between them is off by so much."""
STANDS_FOR_HELD_S = 0.15
"""The same where a receiver holds zero and hides how the car got away: stumbles of tests/tuning were told 0.25 to 0.43
s off there at a sigma of little more than that of the range."""
HIDDEN_S, HIDDEN_BELOW_MPS = 0.1, 0.3
"""A receiver that holds zero up to HIDDEN_BELOW_MPS hides what any launch does below it, a stumble too: each rise
stands for starts that are so far from its own, and for more in proportion where more is held."""
UNLIKE_S, UNLIKE_FOOT_S = 0.05, 0.02
"""Where noise only wanders: how far off the start and the foot of a launch are that no rise quite describes."""


def _log_normal(x: float, middle: float, width: float) -> float:
    return math.exp(-0.5 * (math.log(x / middle) / width) ** 2)


KNOTS = 6
"""Of the acceleration that the car would have without the launch."""
PSEUDO_LAUNCHES, PSEUDO_BESIDE = 2.0, 8.0
"""How many launches the broad prior counts for beside those of the car's drives before; and how many more than the
launches that told it what was known before a drive counts for beside the drive's own, few and of any kind."""
_ROUNDS = 20
_LIKELY_SHARE = 0.4
"""Which part of its logarithm a launch's evidence counts for: kinds that readings can hardly tell apart differ in it by
half a unit for no other reason than that none of them is quite true, and thirty launches would make that certain."""


@dataclass(frozen=True)
class LaunchHabit:
    """How likely each rise is for one car, and how many launches told it; see `habit_of`."""

    shares: tuple[float, ...]
    launches: int


def prior_of(every: Sequence[Rise], habit: LaunchHabit | None, slow: bool = False) -> Floats:
    """How likely each rise is beforehand: by the car's habit, or the broad prior.

    What is known of cars in general holds for one car with exceptions: where fixes are close enough to tell more, a
    rise counts by the root of its weight.
    """
    if habit is not None:
        return np.asarray(habit.shares, float)
    weights = np.array([rise.weight for rise in every]) ** (1.0 if slow else 0.5)
    return np.asarray(weights / weights.sum(), float)


def habit_of(
    rise_logs: Sequence[Floats], before: LaunchHabit | None = None, pseudo: float = PSEUDO_LAUNCHES
) -> LaunchHabit | None:
    """A car's habit from the log evidence of each rise in each of its launches, (rises) each, and from what was known
    of it `before`; None without any.

    The shares of a mixture by expectation and maximisation, from the broad prior, which counts for `pseudo` launches;
    stopped early, since a mixture of so many kinds would end in a few that happen to fit.
    """
    if not rise_logs:
        return before
    return _habit(_evidence(rise_logs), before, pseudo)


def habits_beside(rise_logs: Sequence[Floats], before: LaunchHabit | None) -> list[LaunchHabit | None]:
    """For each launch of a drive the car's habit by the others, and by what was known `before`: none tells its own."""
    if len(rise_logs) < 2:
        return [before] * len(rise_logs)
    evidence = _evidence(rise_logs)
    return [_habit(np.delete(evidence, k, 0), before, PSEUDO_BESIDE) for k in range(len(rise_logs))]


def _evidence(rise_logs: Sequence[Floats]) -> Floats:
    """What each launch says of each rise: (launches, rises)."""
    logs = np.stack(rise_logs)
    return np.asarray(np.exp(_LIKELY_SHARE * (logs - logs.max(1, keepdims=True))), float)


def _habit(evidence: Floats, before: LaunchHabit | None, pseudo: float) -> LaunchHabit:
    shares = known = prior_of(rises(False), before)
    counts = pseudo + (before.launches if before else 0)
    for _ in range(_ROUNDS):
        # Each launch counts once, whatever its rises.
        own = 1 / (evidence @ shares)
        shares = (shares * (own @ evidence) + counts * known) / (len(evidence) + counts)
    told = len(evidence) + (before.launches if before else 0)
    return LaunchHabit(tuple(shares.tolist()), told)


def speed_tables(x: Floats, rises: Sequence[Rise]) -> Floats:
    """Speed gained `x` seconds after time zero for each knot of A at 1 m/s2 and the others at 0: (rises, m, knots)."""
    gained = np.zeros((len(rises), len(x)))
    curves = np.array([rise.curve for rise in rises])
    seconds, first = np.array([(rise.seconds, rise.first) for rise in rises]).T[..., None]
    for curve in dict.fromkeys(curves.tolist()):
        mine = np.flatnonzero(curves == curve)
        if curve == "falling":
            # Share sqrt(0.5 / t), which is 1 after half a second; its integral has a closed form, and a steep start.
            begun = np.sqrt(0.5 * seconds[mine])
            gained[mine] = np.where(x < seconds[mine], begun * x / seconds[mine], np.sqrt(2 * x) - begun)
        else:
            share = _share(x, curve, seconds[mine], first[mine])
            gained[mine, 1:] = np.cumsum((share[:, 1:] + share[:, :-1]) / 2, 1) * x[1]
    knots, steps = np.linspace(0.0, float(x[-1]), KNOTS), np.ascontiguousarray(np.diff(gained).T)
    # Summed with the rises side by side, and only while the knot adds something.
    out = np.zeros((KNOTS, len(x), len(rises)))
    for k, by in enumerate(out):
        hat = np.interp(x, knots, np.eye(KNOTS)[k])
        first, last = (np.clip(k + side, 0, KNOTS - 1) * (len(x) - 1) / (KNOTS - 1) for side in (-1, 1))
        adds = np.s_[math.floor(first) : math.ceil(last)]
        summed = np.cumsum(((hat[1:] + hat[:-1]) / 2)[adds, None] * steps[adds], 0)
        by[1:][adds] = summed
        by[adds.stop + 1 :] = summed[-1]
    return np.ascontiguousarray(out.transpose(2, 1, 0))


def _share(x: Floats, curve: str, seconds: Floats, first: Floats) -> Floats:
    """Which share of the full acceleration is there `x` seconds after time zero, by some rises of one curve."""
    if curve in ("stumbling", "stepped"):
        quick = 1 - np.exp(-x / 0.12)
        away = (x - seconds) / 0.4
        if curve == "stumbling":
            gone = np.where(np.abs(away) < 1, np.cos(np.pi / 2 * away) ** 2, 0.0)
            return np.asarray(quick * (1 - (1 - first) * gone), float)
        step = np.clip(away + 0.5, 0.0, 1.0)
        return np.asarray(quick * (first + (1 - first) * step * step * (3 - 2 * step)), float)
    u = x / np.maximum(seconds, 1e-9)
    inside = np.minimum(u, 1.0)
    if curve == "straight":
        risen = inside
    elif curve == "late":
        risen = inside * inside
    elif curve == "exponential":
        risen = 1 - np.exp(-np.minimum(u, 50.0))
    else:
        risen = inside * inside * (3 - 2 * inside)
    return np.asarray(first + (1 - first) * risen, float)
