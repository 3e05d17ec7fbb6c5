"""Edges of the mixture, on responses and bends that are known."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import TransferFunction, lsim
from slow_edges import slow_bends, slow_fitted

from analysis.mixture import throttle_steps as edge
from analysis.mixture.delay import LAGS_S

Floats = NDArray[np.float64]
SHIFTS_S = np.arange(-0.5, 2.31, 0.05)


def seen(times: Floats, port: Floats, lag: float, hz: float, noise: float) -> tuple[Floats, Floats]:
    """What a sensor of first order shows of `port`, by a reference library's integration of its state equation."""
    _, shown, _ = lsim(TransferFunction([1.0], [lag, 1.0]), port - port[0], times)
    rng = np.random.default_rng(3)
    t = np.sort(
        np.arange(3.0, times[-1], 1 / hz) + rng.normal(0, 0.05 / hz, int(np.ceil((times[-1] - 3.0) * hz - 1e-9)))
    )
    return t, np.interp(t, times, shown) + port[0] + rng.normal(0, noise, len(t))


def changes(at: Floats, to: Floats, rise: float, times: Floats) -> Floats:
    """A mixture of 13.6 that goes to `to[i]`, evenly within `rise`, from `at[i]` on."""
    knots = np.concatenate([[0.0], np.repeat(at, 2) + np.tile([0.0, max(rise, 1e-4)], len(at))])
    levels = np.concatenate([[13.6], np.repeat(np.concatenate([[13.6], to]), 2)[1:-1]])
    return np.interp(times, knots, levels)


TIMES = np.arange(0, 60, 0.002)
AT = np.array([8.13, 15.41, 19.2, 26.77, 34.0, 41.58, 49.9])
TO = np.array([12.1, 17.6, 13.6, 12.1, 13.6, 17.6, 13.0])


@pytest.mark.parametrize("lag", [0.1, 0.22, 0.4])
@pytest.mark.parametrize("hz", [5.0, 10.0, 100.0])
def test_lag_start_and_sharpness_of_steps(lag: float, hz: float) -> None:
    found = edge.find(*seen(TIMES, changes(AT, TO, 0.0, TIMES), lag, hz, 0.06), LAGS_S)
    assert len(found.time_s) == len(AT)
    total = found.misfit.sum(axis=0)
    near = LAGS_S[total < total.min() + 3]
    assert near.min() - 0.03 < lag < near.max() + 0.03
    assert np.ptp(near) <= 0.1
    # Readings at 5 Hz part a lag of 0.1 s from a delay badly; their sum they know.
    best = LAGS_S[total.argmin()]
    assert found.start_s + found.rise_s / 2 + best == pytest.approx(AT + lag, abs=0.1)
    assert np.mean(found.rise_s <= edge.SHARP_S) >= 0.7


def test_a_throttle_eased_over_a_second_is_not_sharp() -> None:
    found = edge.find(*seen(TIMES, changes(AT, TO, 1.0, TIMES), 0.2, 10.0, 0.06), LAGS_S)
    assert (found.rise_s > 0.6).all()
    assert found.start_s + found.rise_s / 2 == pytest.approx(AT + 0.5, abs=0.12)


def test_noise_has_no_edges() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0, 300, 0.1)
    for hang_together in (1, 4, 12):
        x = np.convolve(rng.normal(0, 0.1, len(t)), np.ones(hang_together), "same")
        assert len(edge.find(t, 13 + x, LAGS_S).time_s) == 0
    assert len(edge.find(t[:5], t[:5], LAGS_S).time_s) == 0


def test_edges_that_may_not_be_asked_are_not() -> None:
    t, x = seen(TIMES, changes(AT, TO, 0.0, TIMES), 0.2, 10.0, 0.06)
    found = edge.find(t, x, LAGS_S, t > 20)
    assert len(found.time_s) == np.sum(AT > 20)
    assert found.start_s == pytest.approx(AT[AT > 20], abs=0.1)
    x[(t > 26) & (t < 27)] = np.nan
    assert len(edge.find(t, x, LAGS_S, t > 20).time_s) == np.sum(AT > 20) - 1


def speeds(bend_s: Floats, change: Floats, hz: float) -> tuple[Floats, Floats]:
    """Fixes of a car whose acceleration changes at once at some times."""
    t = np.arange(0.03, 60, 1 / hz)
    v = 15 + np.sum(change[:, None] * np.maximum(t - bend_s[:, None], 0.0), axis=0)
    return t, v + np.random.default_rng(5).normal(0, 0.05, len(t))


@pytest.mark.parametrize("hz", [5.0, 10.0])
def test_bends_tell_the_delay(hz: float) -> None:
    delay, change = 0.73, np.array([0.9, -1.6, 0.7, 0.9, -0.9, -0.5, 0.5])
    found = edge.find(*seen(TIMES, changes(AT, TO, 0.0, TIMES), 0.2, 10.0, 0.06), LAGS_S)
    best = int(found.misfit.sum(axis=0).argmin())
    # A brake and a hill: bends that no mixture goes with.
    t, v = speeds(np.concatenate([AT - delay, [22.3, 38.1]]), np.concatenate([change, [-0.8, 0.6]]), hz)
    middle, misfit = edge.bends(found, t, v, 0.05, SHIFTS_S)
    assert misfit.shape == (len(middle), len(LAGS_S), len(SHIFTS_S))
    total = misfit.sum(axis=0)
    assert SHIFTS_S[total[best].argmin()] == pytest.approx(delay, abs=0.051)
    # A lag that is 0.1 s longer leaves 0.1 s less for the delay.
    longer = int(np.argmin(np.abs(LAGS_S - LAGS_S[best] - 0.1)))
    assert SHIFTS_S[total[longer].argmin()] == pytest.approx(delay - 0.1, abs=0.08)


def test_bends_are_not_asked_near_an_eased_throttle() -> None:
    found = edge.find(*seen(TIMES, changes(AT, TO, 1.0, TIMES), 0.2, 10.0, 0.06), LAGS_S)
    middle, _ = edge.bends(found, *speeds(AT, np.ones(len(AT)), 10.0), 0.05, SHIFTS_S)
    assert len(middle) == 0


@pytest.mark.parametrize("rise", [0.0, 0.4])
@pytest.mark.parametrize("hz", [100.0, 20.0, 7.0])
def test_edges_are_fitted_as_the_slow_way_fits_them(hz: float, rise: float, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(1)
    times = np.arange(0.0, 150.0, 0.01)
    at = np.cumsum(rng.uniform(2.0, 4.0, 44)) + 2.0
    t, y = seen(times, changes(at, rng.uniform(11, 16, len(at)), rise, times), 0.25, hz, 0.05)
    fast = edge.find(t, y, LAGS_S)
    monkeypatch.setattr(edge, "_fitted", slow_fitted)
    slow = edge.find(t, y, LAGS_S)
    assert len(fast.time_s) > 10 and fast.misfit.any()
    for one, other in zip(dataclasses.astuple(fast), dataclasses.astuple(slow), strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-8)


@pytest.mark.parametrize("hz", [2.0, 5.0, 10.0, 25.0, 100.0])
@pytest.mark.parametrize("jitter", [0.0, 0.2])
def test_bends_are_weighed_as_the_slow_way_weighs_them(hz: float, jitter: float) -> None:
    rng = np.random.default_rng(round(hz))
    at = np.cumsum(rng.choice([0.9, 2.5, 6.0, 20.0], 60) + rng.uniform(0, 0.4, 60))
    rise = rng.choice([0.0, 0.2, 0.9], 60, p=[0.6, 0.3, 0.1])
    lags = len(LAGS_S)
    found = edge.Edges(at, np.zeros((60, lags)), at + rng.normal(0, 0.1, 60), rise, 0.25 - np.linspace(0, 0.6, lags))
    t = np.arange(0.0, at[-1] + 20, 1 / hz)
    t = t + rng.uniform(0, jitter / hz, len(t))
    v = 15 + np.sum(rng.normal(0, 1, 60)[:, None] * np.maximum(t - at[:, None] + 0.7, 0.0), axis=0)
    v += rng.normal(0, 0.05, len(t))
    v[(t > at[20]) & (t < at[20] + 3)] = np.nan
    t, v = np.delete(t, slice(400, 420)), np.delete(v, slice(400, 420))
    fast, slow = (way(found, t, v, 0.05, SHIFTS_S) for way in (edge.bends, slow_bends))
    assert len(fast[0]) > 10
    for one, other in zip(fast, slow, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9)
