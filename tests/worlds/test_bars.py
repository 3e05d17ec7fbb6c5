"""The bars that times on real receivers are held to (docs/methods/motion-and-runs.md), world by world: long.

Where the program misses one, docs/methods/not-met.md has the figure, and the test fails.
"""

from __future__ import annotations

import math
import re
from typing import get_args

import pytest

from worlds import habit, scenes
from worlds.bars import unmet
from worlds.car import Kind
from worlds.judge import judge_worlds
from worlds.tally import figures, wild
from worlds.worlds import WORLDS

pytestmark = [pytest.mark.long, pytest.mark.timeout(6000)]

NO_HABIT_RMS_S = 0.117
"""Of the instant of first movement in the worlds of `worlds.habit`, when launches did not tell each other."""


@pytest.mark.parametrize("name", WORLDS)
def test_a_world_meets_its_bars(name: str) -> None:
    """160 launches: shares within one and two sigma, bias by kind, smoothing's interval, no split wildly off."""
    ((world, tally),) = judge_worlds([WORLDS[name]], 160)
    assert tally.launches >= 160
    assert list(unmet(world, tally)) == []


@pytest.mark.parametrize("name", list(WORLDS)[:11])
def test_no_split_of_two_thousand_runs_is_far_off_and_stated_as_sure(name: str) -> None:
    ((_, tally),) = judge_worlds([WORLDS[name]], 2000, shift=1)
    count, worst = wild([*tally.first, *tally.foot])
    assert (count, len(tally.first) > 6000) == (0, True), f"worst {worst:.2f} s"


def test_thirty_launches_take_a_third_off_the_error_of_first_movement() -> None:
    found = [figures(with_).rms for _, _, with_ in habit.judge(list(get_args(Kind)), "white 0.05", 2, 30)]
    assert math.sqrt(sum(rms**2 for rms in found) / len(found)) < 0.7 * NO_HABIT_RMS_S


def test_short_stops_are_stops() -> None:
    """19 of 20 starts, from 1.5 s of standing at 5 Hz up and 2 s at 1 Hz, with five receivers each."""
    rows = [line for line in scenes.check_stops(0) if "/20 near" in line]
    found = [int(re.search(r"(\d+)/20 near", line)[1]) for line in rows]  # type: ignore[index]
    assert len(found) == 20
    assert min(found) >= 19, rows


def test_no_run_in_ten_hours_of_traffic() -> None:
    rows = [line for line in scenes.check_traffic(0) if "false runs" in line]
    assert len(rows) == 4
    assert all("false runs 0," in row for row in rows), rows
