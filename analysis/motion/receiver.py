"""What a receiver is like: learned from each drive, said in words, kept and joined over the drives of one receiver."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np

from analysis.motion.braked_stops import Smoothing
from analysis.motion.noise import Noise
from analysis.wording import wind_text

UNKNOWN_SMOOTHING_S = 0.34
"""Smoothing whose shift of a time from one foot is the root mean square shift of receivers of which nothing is known:
two in five have none, two 0.2 s, one half a second (common practice, no source). The shift grows by the square, so this
is the fourth root of the mean fourth power."""
MODEL_SHARE = 0.3
"""How far the time of a first-order filter is off where the receiver's filter is of another kind: two in a row read
30 % low."""
LEAST_SMOOTHING_S = 0.1
"""Smoothing of less is left alone: it moves a time from one foot by no more than 0.01 s, which grows by its square."""


@dataclass(frozen=True)
class Receiver:
    """A receiver's description.

    hz: fixes a second. noise_mps: standard deviation of a reading, rounding apart [m/s]. wandering_share: which part of
    its variance is correlated from fix to fix, over wandering_s [s] (None: nothing wanders). smoothing_s with its 95 %
    interval and standard error [s]: the time constant of a first-order filter on speed (None: no braked stop told).
    outlier_share: how many readings in one are strays. hold_mps: it shows zero below about this speed. stops: how many
    braked stops told the smoothing. drives: how many drives are behind it.
    """

    hz: float
    noise_mps: float
    wandering_share: float = 0.0
    wandering_s: float | None = None
    smoothing_s: float | None = None
    smoothing_low_s: float | None = None
    smoothing_high_s: float | None = None
    smoothing_sigma_s: float | None = None
    outlier_share: float = 0.0
    hold_mps: float = 0.0
    stops: int = 0
    drives: int = 1

    @classmethod
    def learned(cls, step_s: float, noise: Noise, smoothing: Smoothing | None) -> Receiver:
        """The description that one drive gives."""
        out = cls(
            1 / step_s, noise.sigma_mps, noise.wander_share, noise.wander_s if noise.wander_share else None,
            outlier_share=noise.outlier_share, hold_mps=noise.hold_mps,
        )  # fmt: skip
        return out if smoothing is None else replace(
            out, smoothing_s=smoothing.seconds, smoothing_low_s=smoothing.low_s, smoothing_high_s=smoothing.high_s,
            smoothing_sigma_s=smoothing.sigma_s, stops=smoothing.stops,
        )  # fmt: skip

    @property
    def undone_s(self) -> float:
        """The smoothing that is undone in the motion [s]: what is expected of it; 0 where there is none to speak of."""
        if self.smoothing_s is None or self.smoothing_sigma_s is None:
            return 0.0
        return self.smoothing_s if self.smoothing_s >= LEAST_SMOOTHING_S else 0.0

    @property
    def smoothing_doubt_s(self) -> float:
        """Standard uncertainty of what is left of the smoothing [s], the kind of its filter included."""
        return math.sqrt(self.undone_s**2 + math.hypot(*self.squares_left_s2)) - self.undone_s

    @property
    def lag_doubt_s(self) -> float:
        """Standard uncertainty of how much later than the car the undone motion is [s], the kind of filter included."""
        if self.smoothing_s is None or self.smoothing_sigma_s is None:
            return UNKNOWN_SMOOTHING_S
        return math.hypot(self.smoothing_sigma_s, self.smoothing_s - self.undone_s, MODEL_SHARE * self.undone_s)

    @property
    def squares_left_s2(self) -> tuple[float, float]:
        """Standard uncertainty of the smoothing's square [s2], by whose difference a time from one foot moves: what
        was undone by this drive's stops brings their error with it, another with each drive; and what is alike in all:
        a filter of another kind, all that was left alone or that nothing told."""
        if self.smoothing_s is None or self.smoothing_sigma_s is None:
            return 0.0, UNKNOWN_SMOOTHING_S**2
        undone, mean, sigma = self.undone_s, self.smoothing_s, self.smoothing_sigma_s
        # Of a normal law; what is undone may not be its mean square.
        told = math.hypot(sigma * math.sqrt(4 * mean**2 + 2 * sigma**2), mean**2 + sigma**2 - undone**2)
        return (told, ((1 + MODEL_SHARE) ** 2 - 1) * undone**2) if undone else (0.0, told)

    def words(self, unit: str) -> str:
        """One sentence for the owner who drives in `unit`, without a full stop."""
        text = f"{self.hz:.2g} fixes a second, noise {wind_text(self.noise_mps, unit, 2)}"
        if self.wandering_share and self.wandering_s is not None:
            text += f", {_share_words(self.wandering_share)} of it drifting over {self.wandering_s:.1g} s"
        if self.smoothing_s is None:
            text += ", smoothing unknown"
        elif self.smoothing_low_s is not None and self.smoothing_low_s > 0.05:
            interval = f"{self.smoothing_low_s:.2f} to {self.smoothing_high_s:.2f}"
            text += f", smooths speed over {self.smoothing_s:.2f} s ({interval})"
        else:
            text += f", no smoothing seen (at most {self.smoothing_high_s:.2f} s)"
        if self.outlier_share >= 0.002:
            text += f", {100 * self.outlier_share:.1g} % of its readings far off"
        return text

    def as_json(self) -> dict[str, Any]:
        """All of it as plain values; None where not known."""
        return asdict(self)

    @classmethod
    def of_json(cls, values: dict[str, Any]) -> Receiver:
        """The description that `as_json` gave; unknown keys are passed over."""
        known = {field.name for field in fields(cls)}
        return cls(**{key: value for key, value in values.items() if key in known})

    def noise_of(self, seen: Noise) -> Noise:
        """A drive's noise with what is known of the receiver in place of what the drive alone would say."""
        return replace(
            seen, sigma_mps=self.noise_mps, wander_share=self.wandering_share, wander_s=self.wandering_s or 1.0,
            outlier_share=self.outlier_share, rest_wander_share=0.0,
        )  # fmt: skip

    def smoothing(self) -> Smoothing | None:
        """What it says of smoothing; None where it cannot."""
        if self.smoothing_s is None or self.smoothing_sigma_s is None:
            return None
        low, high = self.smoothing_low_s or 0.0, self.smoothing_high_s or self.smoothing_s
        return Smoothing(self.smoothing_s, low, high, self.smoothing_sigma_s, self.stops)


def _share_words(share: float) -> str:
    for most, words in ((0.35, "a third"), (0.6, "half"), (0.85, "most")):
        if share < most:
            return words
    return "nearly all"


def combine(receivers: Sequence[Receiver]) -> Receiver:
    """One description from several drives of one receiver. ValueError without any, or where their rates differ.

    Noise, wander and strays are averaged over the drives, their variances by drive; smoothing by the inverse of its
    variance over the drives that told it.
    """
    if not receivers:
        raise ValueError("no receiver to combine")
    hz = np.array([receiver.hz for receiver in receivers])
    if hz.max() > 1.3 * hz.min():
        raise ValueError(f"these are not one receiver's: {hz.min():.2g} and {hz.max():.2g} fixes a second")
    drives = np.array([receiver.drives for receiver in receivers], float)

    def mean(values: Sequence[float]) -> float:
        return float(np.average(values, weights=drives))

    square = mean([receiver.noise_mps**2 for receiver in receivers])
    wandering = mean([receiver.noise_mps**2 * receiver.wandering_share for receiver in receivers])
    seconds = [math.log(receiver.wandering_s) for receiver in receivers if receiver.wandering_s]
    share, time = (wandering / square, math.exp(float(np.mean(seconds)))) if seconds else (0.0, None)
    joined = Receiver(
        float(np.median(hz)), math.sqrt(square), share, time,
        outlier_share=mean([receiver.outlier_share for receiver in receivers]),
        hold_mps=float(np.median([receiver.hold_mps for receiver in receivers])), drives=int(drives.sum()),
    )  # fmt: skip
    told = np.array([
        (receiver.smoothing_s, receiver.smoothing_sigma_s) for receiver in receivers
        if receiver.smoothing_s is not None and receiver.smoothing_sigma_s
    ], float)  # fmt: skip
    if len(told) == 0:
        return joined
    values, weight = told[:, 0], 1 / told[:, 1] ** 2
    middle, sigma = float(np.average(values, weights=weight)), 1 / math.sqrt(float(weight.sum()))
    if len(told) > 1:
        # Drives that differ by more than they say share what made them differ.
        sigma *= max(math.sqrt(float(weight @ (values - middle) ** 2) / (len(told) - 1)), 1.0)
    return replace(
        joined, smoothing_s=middle, smoothing_low_s=max(middle - 1.96 * sigma, 0.0),
        smoothing_high_s=middle + 1.96 * sigma, smoothing_sigma_s=sigma,
        stops=sum(receiver.stops for receiver in receivers),
    )  # fmt: skip
