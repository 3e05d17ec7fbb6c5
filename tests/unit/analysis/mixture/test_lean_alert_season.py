"""The lean alert over the sample season: it rings where the truth is lean at high load for its set time, nowhere else.

The season's carburation is never lean at full throttle; with the same drives on a 1.02 mm main jet each pull is. The
alert has what its owner has: the car's power, or what the drives before taught. Counted as in `lean_judge`.
"""

from __future__ import annotations

import numpy as np
import pytest
from lean_judge import Judged, judge, watch_for
from make_season import FIRST_SEED, SEASON, driven
from simulate import WREN

from analysis.conditions import roadload
from analysis.mixture.strength import HardPull, full_pulls, pulls_of


def season(known: str, main_jet_mm: float | None, drives: range, judged_from: int) -> Judged:
    """These drives one after the other; those before `judged_from` teach and are not counted."""
    total, earlier = Judged(), list[HardPull]()
    for number in drives:
        truth, law = driven(SEASON[number], FIRST_SEED + number, main_jet_mm)
        if number >= judged_from:
            watch = watch_for(WREN, known == "power", lambda taught=tuple(earlier): taught)
            total += judge(watch, truth, law, number)
        if known == "drives":
            t, v = truth.t_s[::10], truth.v_mps[::10]
            earlier += full_pulls(pulls_of(t, v, np.gradient(v, t), roadload.of(None)))
    return total


ALL = range(len(SEASON))


@pytest.mark.parametrize(
    ("known", "drives", "judged_from"),
    [
        ("power", range(2, 3), 2), ("drives", range(2, 4), 3), ("drives", range(3), 2),
        pytest.param("power", ALL, 0, marks=pytest.mark.long), pytest.param("drives", ALL, 2, marks=pytest.mark.long),
    ],
)  # fmt: skip
def test_it_rings_where_the_season_is_lean_and_nowhere_else(known: str, drives: range, judged_from: int) -> None:
    """With the power alone low speeds pass for low load until three full pulls were seen: one of 98 is missed so."""
    found = season(known, None, drives, judged_from)
    assert (found.lean, found.rings) == (0, 0)
    found = season(known, 1.02, drives, judged_from)
    assert found.false_rings == 0 and found.lean >= 6
    assert found.rang >= found.lean - (known == "power" and drives == ALL)
