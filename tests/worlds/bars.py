"""What a world is held to, and where a tally falls short: python -m worlds.judge --bars."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from worlds.tally import Error, Tally, figures, wild
from worlds.worlds import World

FOOT_ONE, FOOT_TWO = (0.60, 0.78), (0.90, 0.99)
FIRST_ONE, FIRST_TWO = (0.58, 0.80), (0.88, 0.99)
"""Shares within one and two sigma."""
BIAS_S, BIAS_WANDERING_S = 0.010, 0.035
"""Of one foot, with smoothing inside: on white noise, and with wander and hold."""
HELD, TOLD_FROM_S = 0.90, 0.2
"""The smoothing's interval holds the truth this often, from this much smoothing up."""
PRESENT_S, WRONGLY, WRONGLY_EASED = 0.05, 0.05, 0.15
"""Where there is no smoothing, the interval's lower end is above this in no more than this share of drives."""


def unmet(world: World, tally: Tally) -> Iterator[str]:
    """Each bar that the world's tally misses, in words with the measurement."""
    if tally.missed or tally.extra:
        yield f"{tally.missed} launches missed, {tally.extra} runs that never were"
    yield from _covered("one foot", tally.foot, FOOT_ONE, FOOT_TWO)
    yield from _covered("first movement", tally.first, FIRST_ONE, FIRST_TWO)
    yield from _bias(world, tally)
    yield from _by_kind(tally)
    count, worst = wild([*tally.first, *tally.foot])
    if count:
        yield f"{count} splits over 0.5 s off at a stated sigma under 0.1 (worst {worst:.2f} s)"
    yield from _smoothing(world, tally)


def _covered(name: str, errors: list[Error], one: tuple[float, float], two: tuple[float, float]) -> Iterator[str]:
    for words, share, (low, high) in (
        ("one sigma", figures(errors).one, one),
        ("two sigma", figures(errors).two, two),
    ):
        if low <= share <= high:
            continue
        both = figures(errors, with_systematic=True)
        wide = both.one if words == "one sigma" else both.two
        with_it = f"; {100 * wide:.0f} % with the systematic part" if wide != share else ""
        yield f"{name}: {100 * share:.0f} % within {words}, not {100 * low:.0f} to {100 * high:.0f}{with_it}"


def _bias(world: World, tally: Tally) -> Iterator[str]:
    receiver = world.receiver
    if receiver.smoothing_s < TOLD_FROM_S or not _usable(world) or world.driving.eased == 1:
        return
    bias = figures(tally.foot).bias
    plain = receiver.wander_share == 0 and receiver.hold_mps == 0
    most = BIAS_S if plain else BIAS_WANDERING_S
    if receiver.stages > 1:
        left = float(np.median([each.systematic for each in tally.foot if each.counted]))
        if math.isnan(left) or abs(bias) > max(left, most):
            yield f"one foot: bias {bias:+.3f} s is more than the systematic part holds ({left:.3f})"
    elif not abs(bias) <= most:
        yield f"one foot: bias {bias:+.3f} s, not {most:.3f}"


def _by_kind(tally: Tally) -> Iterator[str]:
    for kind in sorted({each.kind for each in tally.first}):
        rows = [each for each in tally.first if each.kind == kind and each.counted]
        if not rows:
            continue
        bias, sigma = figures(rows).bias, math.sqrt(float(np.mean([each.sigma**2 for each in rows])))
        if not abs(bias) < sigma / 2:
            yield f"first movement, {kind}: bias {bias:+.3f} s at a sigma of {sigma:.3f} ({len(rows)} splits)"


def _usable(world: World) -> bool:
    return world.driving.rolled_out < 1 and world.receiver.blind_s == 0


def _smoothing(world: World, tally: Tally) -> Iterator[str]:
    true = world.receiver.smoothing_s
    low = np.array([each["smoothing_low_s"] for each in tally.receivers])
    high = np.array([each["smoothing_high_s"] for each in tally.receivers])
    # An interval without an upper end is an answer; none at all is "unknown".
    told = np.isfinite(low) & ~np.isnan(high)
    if not _usable(world):
        if told.any():
            yield f"smoothing: told in {int(told.sum())} of {len(told)} drives without a usable stop"
        return
    if not told.any():
        yield "smoothing: told in no drive"
        return
    if true >= TOLD_FROM_S:
        held = float(np.mean((low[told] <= true) & (true <= high[told])))
        if world.receiver.stages == 1 and held < HELD:
            yield f"smoothing: the interval holds it in {100 * held:.0f} % of drives, not {100 * HELD:.0f}"
    elif true == 0:
        wrongly = float(np.mean(low[told] > PRESENT_S))
        most = WRONGLY_EASED if world.driving.eased == 1 else WRONGLY
        if wrongly > most:
            yield f"smoothing: none, but seen in {100 * wrongly:.0f} % of drives, not {100 * most:.0f}"
