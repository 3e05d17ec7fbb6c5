"""The fast ways of fitting a launch give what the slow ones give, to 1e-9: for receivers of every kind."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import simulate
from simulate import SLOW_CAR, Brake, Lift, Pull, Stand
from slow_launch import SlowEvidence, slow_at, slow_density, slow_evidence, slow_passing, slow_when_passed

from analysis.arrays import Floats
from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.motion.noise import Noise, density
from analysis.motion.smoother import Motion
from analysis.motion.stretch import when_each_passed
from analysis.runs import launch as fits
from analysis.runs.evidence import MARGIN, Ways, evidence
from analysis.runs.launch import Launch, fit_launch
from analysis.runs.launch_readings import LaunchReadings
from analysis.runs.near_zero import OWN_MARGIN

FOLDED = Noise(0.05, 0.05, 0.0005, 0.0, "folded", 20.0)
KINDS = {
    "folded": FOLDED,
    "signed": dataclasses.replace(FOLDED, kind="signed"),
    "clipped, coarse": dataclasses.replace(FOLDED, kind="clipped", quantum_mps=0.05),
    "horizontal": dataclasses.replace(FOLDED, kind="horizontal"),
    "holds zero": dataclasses.replace(FOLDED, hold_mps=0.3, hold_doubt_mps=0.03),
    "wanders": dataclasses.replace(FOLDED, wander_share=0.6, wander_s=0.8),
    "wanders, holds zero": dataclasses.replace(FOLDED, wander_share=0.6, wander_s=0.8, hold_mps=0.25),
}


def readings_of(noise: Noise, rate_hz: float) -> tuple[Floats, Floats]:
    """A car that stands for four seconds and pulls away, as `noise` shows it."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 7.5, 1 / rate_hz)
    since = np.maximum(t - 4.0, 0.0)
    v = 1.9 * np.where(since < 1, since**2 / 2, since - 0.5)
    y = np.abs(v + 0.05 * rng.standard_normal(len(t)))
    return t, np.where(y < noise.hold_mps, 0.0, y)


@pytest.mark.parametrize("how", ["from rest", "may roll", "turns", "crept", "smoothed"])
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate_hz", [25.0, 10.0, 5.0, 1.0])
def test_the_evidence_of_every_start(kind: str, how: str, rate_hz: float) -> None:
    noise = KINDS[kind]
    t, y = readings_of(noise, rate_hz)
    base = 0.4 if how == "crept" else 0.0
    smoothing, turns = (0.2 if how in ("turns", "smoothed") else 0.0), how == "turns"
    lag = 0.18 if turns else 0.0
    readings = LaunchReadings(t, y + base, noise, base, not turns, how == "may roll", turns, lag)
    ways = Ways.of(5.5, rate_hz < 2, smoothing, None, np.arange(0, 91, 9), lag)
    grid = np.linspace(2.0, 5.2, 16)
    found = evidence(readings, grid, ways, slice(None), ways.wanders)
    log, coefs, covs = slow_evidence(readings, grid, ways, slice(None), ways.wanders)
    least = np.maximum(log.max(1, keepdims=True) - OWN_MARGIN, log.max() - MARGIN)
    counts = log > least
    likely = np.nonzero(counts)
    assert len(likely[0]) > 3
    np.testing.assert_allclose(found.log[counts], log[counts], rtol=1e-9, atol=1e-8)
    # What cannot matter is told by a bound: above what it is, and below what counts.
    assert (found.log >= log - 0.01).all()
    assert (found.log <= np.maximum(least, log) + 1e-8 + 1e-9 * np.abs(log)).all()
    of_rises = [np.log(np.exp(each - log.max()).sum((1, 2)) + math.exp(-30)) for each in (found.log, log)]
    np.testing.assert_allclose(*of_rises, atol=2e-9)
    np.testing.assert_allclose(np.exp(found.log - found.log.max()), np.exp(log - log.max()), atol=1e-9)
    np.testing.assert_allclose(found.coefs[likely], coefs[likely], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(found.covariances(likely), covs[likely], rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("how", ["from rest", "may roll", "turns"])
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate_hz", [10.0, 1.0])
def test_a_launch(kind: str, how: str, rate_hz: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """All that a fit tells is what the slow evidence gives."""
    noise = KINDS[kind]
    turns = how == "turns"

    def fitted() -> Launch:
        return fit_launch(
            *readings_of(noise, rate_hz), noise, 1.6, 5.2, 7.0, may_roll=how == "may roll", turns=turns,
            at_rest_before=not turns, smoothing_s=0.2 if turns else 0.0, among=np.arange(0, 91, 6),
        )  # fmt: skip

    fast = fitted()
    monkeypatch.setattr(fits, "evidence", lambda *asked, rolling=None: SlowEvidence(*slow_evidence(*asked)))
    slow = fitted()
    for name in ("t0_s", "t0_sigma_s", "one_foot_s", "one_foot_sigma_s"):
        assert getattr(fast, name) == pytest.approx(getattr(slow, name), rel=1e-9, abs=1e-9)
    np.testing.assert_allclose(np.exp(fast.rise_log), np.exp(slow.rise_log), atol=1e-9)
    for target in (1.0, 2.0, 4.0):
        for one, other in zip(fast.passing(target, "speed") or (), slow.passing(target, "speed") or (), strict=True):
            assert one == pytest.approx(other, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("how", ["from rest", "may roll", "turns"])
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("rate_hz", [10.0, 3.0])
def test_a_launch_fitted_again(kind: str, how: str, rate_hz: float) -> None:
    """What weighs the starts that another fit weighed tells what that one tells of these rises, without a look."""
    noise, turns = KINDS[kind], how == "turns"
    t, y = readings_of(noise, rate_hz)
    stray = int(np.searchsorted(t, 5.4))
    y[stray] += 1.5
    more = {"may_roll": how == "may roll", "turns": turns, "at_rest_before": not turns}
    first = fit_launch(t, y, noise, 3.0, 5.2, 7.0, smoothing_s=0.1, **more)
    shown = rate_hz > 5 and not noise.wander_share and not turns
    assert first.looked.strays.tolist() == [t[stray]] or not shown
    some = first.likeliest(6)
    again = fit_launch(t, y, noise, 3.0, 5.2, 7.0, smoothing_s=0.1, among=some, like=first.looked, **more)
    only = first.among(some)
    for name in ("t0_s", "t0_sigma_s", "one_foot_s", "one_foot_sigma_s"):
        # Of starts that weigh next to nothing beside all rises a few weigh enough beside these.
        assert getattr(again, name) == pytest.approx(getattr(only, name), abs=1e-3 * only.t0_sigma_s)
    later = fit_launch(t, y, noise, 3.0, 5.2, 7.0, smoothing_s=0.3, among=some, like=first.looked, **more)
    step = first.looked.grid[1] - first.looked.grid[0]
    before = later.looked.starts(0.3, 3.0)
    assert before[0] == pytest.approx(max(first.looked.grid[0] - 0.2, 3.0), abs=step) and before[0] >= 3.0
    np.testing.assert_allclose(np.diff(before), step)
    assert later.t0_s < again.t0_s or turns


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("quantum", [0.0, 0.0005, 0.005, 0.009, 0.0514444])
@pytest.mark.parametrize("sigma", [0.03, 0.05, "each its own"])
def test_how_likely_a_reading_is(kind: str, quantum: float, sigma: float | str) -> None:
    noise = dataclasses.replace(KINDS[kind], quantum_mps=quantum)
    rng = np.random.default_rng(5)
    spread = rng.uniform(0.03, 0.2, 4000) if isinstance(sigma, str) else sigma
    v = np.append(rng.uniform(0.0, 0.6, 3900), np.zeros(100))
    y = v + 2 * spread * rng.standard_normal(4000)
    if quantum:
        y = np.round(y / quantum) * quantum
    y[:40], y[40:50], y[50:60] = 0.0, quantum / 2, 1e-4
    if noise.kind != "signed":
        y = np.abs(y)
    fast, slow = density(y, v, spread, noise), slow_density(y, v, spread, noise)
    np.testing.assert_allclose(fast, slow, rtol=1e-9, atol=1e-11)


@pytest.fixture(scope="module")
def motion() -> Motion:
    """A pull with a gear change that loses speed, so that some speeds are passed twice."""
    truth = simulate.drive(SLOW_CAR, [Stand(8), Pull(12, "step"), Lift(11, 0.8), Pull(18), Brake(0), Stand(6)])
    got = simulate.receive(truth, np.random.default_rng(0), 10.0, 0.05)
    kept, _ = clean(Fixes.of(got.t_s, got.speed_mps))
    return smoother.smooth(kept)


@pytest.fixture(scope="module")
def launch() -> Launch:
    return fit_launch(*readings_of(FOLDED, 10.0), FOLDED, 2.0, 5.0, 7.0)


def test_motion_between_fixes(motion: Motion) -> None:
    times = np.random.default_rng(1).uniform(motion.t_s[0] - 1, motion.t_s[-1] + 1, 3000)
    for fast, slow in zip(motion.at(times), slow_at(motion, times), strict=True):
        np.testing.assert_allclose(fast, slow, rtol=1e-9, atol=1e-9)
    state = motion.at(times)
    for mean, with_sigma in zip(motion.mean_at(times), (state.speed_mps, state.accel_mps2), strict=True):
        np.testing.assert_array_equal(mean, with_sigma)


def test_when_many_speeds_are_passed(motion: Motion) -> None:
    peak = int(np.argmax(motion.speed_mps))
    speeds = np.arange(0.5, motion.speed_mps[peak] + 1, 0.07).tolist()
    found = when_each_passed(motion, speeds, 8.0, peak)
    slow = [slow_when_passed(motion, speed, 8.0, peak) for speed in speeds]
    assert [each is None for each in found] == [each is None for each in slow]
    assert None in found
    for fast, one in zip(found, slow, strict=True):
        if fast is not None:
            assert tuple(fast) == pytest.approx(one, rel=1e-9, abs=1e-9)
    assert when_each_passed(motion, [], 8.0, peak) == []
    assert when_each_passed(motion, [1.0], float(motion.t_s[peak]), peak) == [None]


@pytest.mark.parametrize("of", ["speed", "way"])
def test_when_many_speeds_and_ways_are_passed_in_the_fit(launch: Launch, of: str) -> None:
    targets = np.arange(0.05, 8.0, 0.11).tolist()
    found = launch.passings(targets, "speed" if of == "speed" else "way")
    slow = [slow_passing(launch, target, of) for target in targets]
    assert [each is None for each in found] == [each is None for each in slow]
    assert sum(each is not None for each in found) > 10
    for fast, one in zip(found, slow, strict=True):
        if fast is not None:
            assert tuple(fast) == pytest.approx(one, rel=1e-9, abs=1e-9)
