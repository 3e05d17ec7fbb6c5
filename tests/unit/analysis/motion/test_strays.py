"""Strays in clumps: told from what a car does, wherever they fall."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import simulate
from simulate import WREN, Brake, Lift, Phase, Pull, Stand, Truth

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.motion.strays import seeming_strays, trust_in

SCRIPT: list[Phase] = [Stand(8), Pull(20, "bite", shifts=(9.0,)), Lift(14), Brake(0, 2.5), Stand(6)]


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulate.drive(WREN, SCRIPT + SCRIPT)


def received(truth: Truth, seed: int) -> Fixes:
    got = simulate.receive(truth, np.random.default_rng(seed), 10.0, 0.05)
    return Fixes.of(got.t_s, got.speed_mps)


def with_clumps(truth: Truth, seed: int, size: float, length: int) -> tuple[Fixes, np.ndarray]:
    """A clump of `length` readings off by `size` [m/s] every seven seconds or so; and which readings are in one."""
    rng = np.random.default_rng([seed, 1])
    fixes = received(truth, seed)
    v, stray = fixes.speed_mps.copy(), np.zeros(len(fixes), bool)
    for at in range(20, len(v) - 30, 70):
        first = at + int(rng.integers(0, 20))
        v[first : first + length] += rng.choice([-1, 1]) * size * rng.normal(1, 0.1, length)
        stray[first : first + length] = True
    return dataclasses.replace(fixes, speed_mps=np.abs(v)), stray


@pytest.mark.parametrize(("size", "length"), [(1.0, 5), (0.6, 3)])
def test_clumps_of_strays_are_told(truth: Truth, size: float, length: int) -> None:
    hit, wrong = [], []
    for seed in range(3):
        fixes, stray = with_clumps(truth, seed, size, length)
        good = trust_in(fixes.t_s, fixes.speed_mps, 0.05) > 0.5
        hit.append(np.mean(~good[stray]))
        wrong.append(np.mean(~good[~stray]))
    assert np.mean(hit) > 0.8
    assert np.mean(wrong) < 0.01


def test_clumps_of_strays_do_not_move_the_motion(truth: Truth) -> None:
    with_them, without = [], []
    for seed in range(3):
        for fixes, into in ((with_clumps(truth, seed, 1.0, 5)[0], with_them), (received(truth, seed), without)):
            motion = smoother.smooth(clean(fixes)[0])
            at = (truth.t_s > motion.t_s[0]) & (truth.t_s < motion.t_s[-1])
            into.append(np.mean((motion.at(truth.t_s[at]).speed_mps - truth.v_mps[at]) ** 2))
            assert motion.noise.sigma_mps == pytest.approx(0.05, rel=0.25)
    assert math.sqrt(np.mean(with_them)) < 2.0 * math.sqrt(np.mean(without))


def test_what_a_car_does_is_no_stray(truth: Truth) -> None:
    for seed in range(4):
        fixes = received(truth, seed)
        assert (trust_in(fixes.t_s, fixes.speed_mps, 0.05) > 0.5).all()
        assert seeming_strays(fixes.t_s, fixes.speed_mps, 0.05).sum() <= 3


def test_a_clump_of_spikes_is_set_aside_whole(truth: Truth) -> None:
    fixes = received(truth, 0)
    v = fixes.speed_mps.copy()
    v[60:66] = [3.4, 3.0, 2.2, 2.6, 3.1, 3.3]
    _, aside = clean(dataclasses.replace(fixes, speed_mps=v))
    assert np.flatnonzero(~aside.kept).tolist() == list(range(60, 66))
