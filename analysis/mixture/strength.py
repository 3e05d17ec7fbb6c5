"""What a car can do, by its owner's word and its hardest pulls: what the lean alert holds the load against.

    strength = Strength.of([*full_pulls(pulls_of(t_s, speed_mps, accel_mps2, road)), ...], w_per_kg)
    strength.share(speed_mps, tractive_mps2)

A pull counts by the least of its tractive acceleration and of its power over any two seconds, at their highest; the
car is taken for as strong as the third of its pulls, so that one dip in the road or one stray fix makes no strong car;
but where few are known and one is far above the others, by that one, until it is outvoted or borne out.
Its acceleration counts only from the speed up at which it was shown: a full pull from 8 m/s does not tell what the car
can do at 4 m/s.
Nobody can tell a gentle driver's hardest pull from full throttle by looking at it: a drive shows full throttle where a
good part of its pulls are alike, as timed runs are and traffic is not; or, in hills, where many lie apart from all
weaker ones.
"""

from __future__ import annotations

import heapq
import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.arrays import Floats
from analysis.conditions import roadload
from analysis.conditions.roadload import RoadLoad
from logger.units import NS_PER_S

PULL_MPS2 = 0.3
"""A car that gains less is not pulling."""
SUSTAINED_NS = 2 * NS_PER_S
FULL = 0.85
"""Pulls with less than this share of the car's power are not at full throttle. This and the numbers below were chosen
on the world `gentle`; others judge (docs/methods/mixture.md)."""
_RANK = 3
_ALIKE = 0.95
"""Full pulls of one outing differ by wind, grade and foot: by less than this."""
FEWEST, _PART = 5, 1 / 2
"""So many of a drive's pulls, and such a part of them, are alike where it is one of timed runs."""
_IN_HILLS, _MANY, _NONE_FROM = 0.8, 8, 0.5
"""Slopes put full pulls this far apart; where so many lie within it, and none from there down to this share, they are
held to be full: the pedal has a stop, and a foot that is not on it has none."""


@dataclass(frozen=True)
class HardPull:
    """One pull: the most it kept up for two seconds, and at which speeds.

    Attributes
    ----------
    mps2, w_per_kg : float
        Tractive acceleration [m/s2] and power over mass [W/kg].
    from_mps, to_mps : float
        The speeds between which it kept `mps2` up, the lowest and the one of the last two seconds' end [m/s].
    peak_mps2 : float
        The most it showed between them, if only for a moment [m/s2]: where power sets the limit, acceleration falls as
        speed rises, and `mps2` is that at `to_mps`.
    """

    mps2: float
    w_per_kg: float
    from_mps: float
    to_mps: float
    peak_mps2: float

    def most_at(self, speed_mps: float) -> float:
        """The most acceleration it showed at that speed or below [m/s2]; 0 below the speeds at which it showed any."""
        if speed_mps < self.from_mps:
            return 0.0
        return self.peak_mps2 if speed_mps < self.to_mps else self.mps2


@dataclass(frozen=True)
class Strength:
    """The most the car can do: a power over mass [W/kg], and the pulls that show what grip or gearing leave of it."""

    w_per_kg: float
    strong: tuple[HardPull, ...]

    @classmethod
    def of(
        cls, full: Iterable[HardPull], w_per_kg: float | None = None, pulls: Iterable[HardPull] = ()
    ) -> Strength | None:
        """By its full pulls so far, and by its power where the owner tells it [W/kg]; None where neither is known.

        Of other `pulls` those count that reach that power; where full pulls told it, stronger ones of them raise it.
        """
        full, pulls = list(full), list(pulls)
        if w_per_kg is None and len(full) < _RANK:
            return None
        power = max(w_per_kg or 0.0, _shown([pull.w_per_kg for pull in full], [pull.w_per_kg for pull in pulls]))
        return cls(power, tuple(pull for pull in [*full, *pulls] if pull.w_per_kg >= FULL * power))

    def most(self, speed_mps: float) -> float:
        """The most tractive acceleration at that speed [m/s2].

        Power alone, where fewer than three strong pulls were at that speed: slow then passes for low load, and no
        alert rings on a guess.
        """
        shown = _third([most for pull in self.strong if (most := pull.most_at(speed_mps)) > 0])
        return min(shown or math.inf, self.w_per_kg / max(speed_mps, 0.1))

    def share(self, speed_mps: float, tractive_mps2: float) -> float:
        """Load as a share of the most at that speed [-]."""
        return tractive_mps2 / self.most(speed_mps)


def full_pulls(pulls: Sequence[HardPull]) -> list[HardPull]:
    """Those at full throttle of one drive's pulls; none where it shows no full throttle."""
    third = _third([pull.w_per_kg for pull in pulls])
    alike = [pull for pull in pulls if pull.w_per_kg >= _ALIKE * third > 0]
    if len(alike) >= max(FEWEST, _PART * len(pulls)):
        return alike
    near = [pull for pull in pulls if pull.w_per_kg >= _IN_HILLS * third]
    lighter = sum(pull.w_per_kg >= _NONE_FROM * third for pull in pulls) - len(near)
    return near if len(near) >= _MANY and not lighter else []


def _shown(full: list[float], others: list[float]) -> float:
    """The power that full pulls show [W/kg]: the third strongest, of `others` too where they are stronger.

    Where the strongest of fewer pulls than two outings need is beyond what alike pulls differ by, that one is it: it
    contradicts the others, which may have been at part throttle. Load is told low until more pulls agree with either.
    """
    if len(full) < _RANK:
        return 0.0
    third, most = _third([*full, *others]), max(full)
    alike = sum(power >= _ALIKE * third for power in [*full, *others])
    return most if _ALIKE * most > third and alike < 2 * FEWEST else third


def _third(values: list[float]) -> float:
    """The third highest; 0 of fewer than three."""
    return heapq.nlargest(_RANK, values)[-1] if len(values) >= _RANK else 0.0


class PullWatch:
    """Takes a drive moment by moment and tells each pull when it is over."""

    def __init__(self) -> None:
        self._lately: deque[tuple[int, float, float]] = deque()
        self._begin()

    def _begin(self) -> None:
        self._lately.clear()
        self._mps2 = self._w_per_kg = self._from_mps = self._to_mps = self._peak_mps2 = 0.0
        self._level = 0.0

    def take(self, mono_ns: int, speed_mps: float, tractive_mps2: float, accel_mps2: float) -> HardPull | None:
        """The pull that has just ended, if one has."""
        lately = self._lately
        if not accel_mps2 >= PULL_MPS2:  # NaN is no pull
            shown = self._mps2, self._w_per_kg, self._from_mps, self._to_mps, self._peak_mps2
            over = HardPull(*shown) if self._mps2 > 0 else None
            self._begin()
            return over
        lately.append((mono_ns, speed_mps, tractive_mps2))
        while mono_ns - lately[0][0] > SUSTAINED_NS:
            lately.popleft()
        if mono_ns - lately[0][0] > 0.9 * SUSTAINED_NS:
            self._w_per_kg = max(self._w_per_kg, min(v * mps2 for _, v, mps2 in lately))
            self._hold_to_most(min(mps2 for *_, mps2 in lately))
        return None

    def _hold_to_most(self, least_mps2: float) -> None:
        """Take the last two seconds for the pull's hardest if they are; they go on from those before if alike."""
        if least_mps2 < _ALIKE * self._level:
            self._level = 0.0  # it let go in between
        if least_mps2 <= self._mps2:
            return
        if self._level < _ALIKE * least_mps2:
            self._level, self._from_mps, self._peak_mps2 = least_mps2, self._lately[0][1], 0.0
        self._mps2, self._to_mps = least_mps2, self._lately[-1][1]
        self._peak_mps2 = max(self._peak_mps2, *(mps2 for *_, mps2 in self._lately))


def pulls_of(t_s: Floats, speed_mps: Floats, accel_mps2: Floats, road: RoadLoad) -> list[HardPull]:
    """The pulls of a finished drive.

    Parameters
    ----------
    t_s, speed_mps, accel_mps2 : array, one shape
        Rising times, speed and its rate [s, m/s, m/s2]; NaN ends a pull.
    """
    tractive = np.asarray(roadload.tractive_acceleration(speed_mps, accel_mps2, road))
    watch, found = PullWatch(), []
    for t, v, force, gain in zip(t_s.tolist(), speed_mps.tolist(), tractive.tolist(), accel_mps2.tolist(), strict=True):
        if (pull := watch.take(round(t * NS_PER_S), v, force, gain)) is not None:
            found.append(pull)
    if (pull := watch.take(0, 0.0, 0.0, 0.0)) is not None:
        found.append(pull)
    return found
