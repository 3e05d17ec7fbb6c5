"""What other drives with one receiver add to what a drive shows of it by itself.

How a receiver smooths speed and how its noise wanders is the receiver's, alike in every drive, and one drive seldom
shows it well: there the drives are joined. How loud the noise was is the sky's, and how many readings strayed is the
place's: there the drive speaks for itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from analysis.motion.braked_stops import Smoothing
from analysis.motion.noise import Noise
from analysis.motion.receiver import Receiver, combine

SAME_RATE = 1.14
"""Drives whose fixes came at rates further apart than this were not made with one receiver, or not as it is set now."""
CHANCE = 1.2
"""Two drives' noise may differ by this factor by chance: by less, and the mean of all drives stands; by more, the
drive's own differs by what is beyond it (common practice, no source)."""
LEAST_WANDER = 0.1
"""A share of wander below this, over several drives, is that of one that was mistaken."""


def with_others(own: Receiver, others: Sequence[Receiver]) -> Receiver:
    """The description of a drive's receiver by that drive and by others with the same one; `own` without any like it.

    `others` at another rate of fixes are passed over.
    """
    alike = [other for other in others if 1 / SAME_RATE < other.hz / own.hz < SAME_RATE]
    if not alike:
        return own
    joined = combine([*alike, own])
    if joined.wandering_share < LEAST_WANDER:
        joined = replace(joined, wandering_share=0.0, wandering_s=None)
    louder = math.log(_white_mps(own) / _white_mps(joined))
    level = math.copysign(max(abs(louder) - math.log(CHANCE), 0.0), louder)
    return replace(
        joined, hz=own.hz, noise_mps=joined.noise_mps * math.exp(level), outlier_share=own.outlier_share,
        hold_mps=own.hold_mps,
    )  # fmt: skip


def told_beside(receiver: Receiver, smoothing: Smoothing) -> Receiver:
    """A drive's receiver with what a board beside it tells of the smoothing, joined with what the stops tell."""
    by_board = replace(
        receiver, smoothing_s=smoothing.seconds, smoothing_low_s=smoothing.low_s, smoothing_high_s=smoothing.high_s,
        smoothing_sigma_s=smoothing.sigma_s, stops=0,
    )  # fmt: skip
    if receiver.smoothing_s is None:
        return by_board
    return replace(combine([receiver, by_board]), hz=receiver.hz, drives=receiver.drives)


def _white_mps(receiver: Receiver) -> float:
    return max(receiver.noise_mps, 1e-3) * math.sqrt(max(1 - receiver.wandering_share, 0.05))


def noise_with(seen: Noise, receiver: Receiver) -> Noise:
    """The drive's noise with the size and the wander that are known of the receiver; `seen` by the drive alone."""
    share = receiver.wandering_share
    return replace(
        seen, sigma_mps=receiver.noise_mps, wander_share=share, wander_s=receiver.wandering_s or seen.wander_s,
        rest_wander_share=seen.rest_wander_share if seen.drawn else share,
    )  # fmt: skip
