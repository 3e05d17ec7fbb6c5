"""The sums behind a mixture's delay, and averages of readings, against how they are defined."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from slow_delay import slow_averaged, slow_sums

from analysis.arrays import Floats
from analysis.conditions.roadload import RoadLoad
from analysis.mixture import delay
from analysis.mixture.engine_load import GRID_S, Driving
from analysis.mixture.medians import statistics


def driven(seconds: float, seed: int) -> Driving:
    """A car that stands, drives at a load that changes, and is not seen for a while."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds, GRID_S)
    speed = np.clip(12 + 14 * np.sin(t / 37 + seed), 0, None)
    load = np.repeat(rng.uniform(-0.3, 1.0, len(t) // 40 + 1), 40)[: len(t)]
    for begin in rng.uniform(0, seconds, 3):
        speed[(t > begin) & (t < begin + 4)] = np.nan
    load[~np.isfinite(speed)] = np.nan
    return Driving(t, speed, load, load, np.ones(len(t)), None, RoadLoad(0.0, 0.0, 0.0, 0.0, "made"))


def read(seconds: float, hz: float, seed: int) -> tuple[Floats, Floats]:
    rng = np.random.default_rng(seed)
    t = np.arange(0, seconds, 1 / hz)
    t = t + (seed % 2) * rng.uniform(0, 0.8 / hz, len(t))
    value = 13 + np.sin(t) + rng.normal(0, 0.1, len(t))
    value[rng.uniform(size=len(t)) < 0.002] = np.nan
    return t, value


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("hz", [3.0, 20.0, 100.0])
def test_the_sums_of_a_delay_are_as_they_are_defined(hz: float, seed: int) -> None:
    state, (t, value) = driven(260.0, seed), read(260.0, hz, seed)
    lags = np.array([0.0, 0.15, 0.8])
    fast, slow = delay._sums(t, value, state, state.share, lags), slow_sums(t, value, state, state.share, lags)
    assert fast is not None and len(fast.yy) > 3
    for one, other in zip(dataclasses.astuple(fast), slow, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9 * np.abs(other).max())


@pytest.mark.parametrize("since_s", [0.0, 40_000.0])
@pytest.mark.parametrize("hz", [2.0, 30.0])
def test_averages_of_readings_are_as_they_are_defined_however_long_a_drive_has_lasted(
    hz: float, since_s: float
) -> None:
    t, value = read(200.0, hz, 1)
    t[300:400] = t[300]  # what a computer held back comes at once
    grid, half = np.arange(-3.0, 204.0, 0.05), max(0.16, 1.6 / hz)
    found, known = delay.averaged(t + since_s, value, grid + since_s, half)
    wanted, told = slow_averaged(t + since_s, value, grid + since_s, half)
    assert known.sum() > 2000
    np.testing.assert_array_equal(known, told)
    np.testing.assert_allclose(found[known], wanted[known], rtol=1e-9)


def test_a_known_order_changes_nothing_of_medians() -> None:
    rng = np.random.default_rng(4)
    group, value = rng.integers(0, 9, 5000), np.round(rng.normal(13, 0.4, 5000), 1)
    asked = group, 9, np.arange(5000) * 0.1, value, np.full(5000, 0.1)
    for order in (np.argsort(value, kind="stable"), np.lexsort((-np.arange(5000), value))):
        for one, other in zip(*map(dataclasses.astuple, (statistics(*asked), statistics(*asked, order))), strict=True):
            np.testing.assert_array_equal(one, other)
