"""What answers say of slopes that all passes of the owner's roads told."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.answers.encoding import Answer
from analysis.wording import passes_words


class LearnedSlopesAnswer(Answer):
    """Slopes of the owner's roads by the altitude of all passes over them, of this drive and of those before it."""

    share: float
    """How much of what was asked for they were used in [-]."""
    sigma: float
    """Their standard error, root mean square, as rise over run [-]."""
    passes_least: int
    """From how many passes, at the least."""
    passes_most: int
    """At the most."""


def slopes_of(share: float, told: Sequence[tuple[float, int]]) -> LearnedSlopesAnswer | None:
    """What is said of several slopes, each with its standard error and from how many passes; None without any."""
    if not told:
        return None
    sigmas, passes = zip(*told, strict=True)
    return LearnedSlopesAnswer(
        share=share,
        sigma=math.sqrt(sum(sigma**2 for sigma in sigmas) / len(sigmas)),
        passes_least=min(passes),
        passes_most=max(passes),
    )


def from_passes(told: LearnedSlopesAnswer) -> str:
    """From the altitude of 4 to 9 passes (standard error 0.4 %)."""
    many = passes_words(told.passes_least, told.passes_most)
    return f"from the altitude of {many} (standard error {100 * told.sigma:.1f} %)"


def coast_slopes_sentence(told: LearnedSlopesAnswer) -> str:
    """What coasts were fitted with of learned slopes."""
    of = "" if told.share > 0.995 else f" for {told.share:.0%} of the coasts"
    return f"The slope of the road is taken{of} {from_passes(told)}, as far as the coasts do not show it better."


def power_slopes_sentence(told: LearnedSlopesAnswer) -> str:
    """What was taken off the power of runs that went one way."""
    whose = "the runs" if told.share > 0.995 else f"{told.share:.0%} of the runs"
    return f"The slope under {whose} is taken off, {from_passes(told)}."


def load_slopes_sentence(told: LearnedSlopesAnswer | None) -> str:
    """Where the slopes come from that the load was found with."""
    if told is None:
        return "Slopes are from this drive's altitude alone, because no road was passed three times before."
    rest = "" if told.share > 0.995 else " The rest is from this drive's altitude alone."
    return f"Slopes of {told.share:.0%} of the way are {from_passes(told)}.{rest}"
