"""Pulls found band by band: held to closed forms and to the simulator's engine, with a covariance that holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_runs import received
from numpy.typing import NDArray
from simulate import WREN, Brake, Cruise, Pull, Stand, Truth, drive
from tuning.pull_worlds import NOISE, light_motion

from analysis.conditions.roadload import RoadLoad
from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.motion.noise import Interval, Noise
from analysis.runs import finding
from analysis.runs.pulls import BAND_MPS, PowerPull, find_pulls

Floats = NDArray[np.float64]
NOTHING = RoadLoad(0.0, 0.0, 0.0, 0.0, "a closed form")
SOME = RoadLoad(0.15, 0.001, 0.0009, 0.04, "invented")
MASS = WREN.mass_kg
WREN_ROAD = RoadLoad(WREN.a_n / MASS, 0.0, WREN.c_n_per_mps2 / MASS, WREN.rotating_mass_kg / MASS, "the simulator's")


def at_constant_power(watts_per_kg: float, seconds: float = 16.0, from_mps: float = 6.0) -> tuple[Floats, Floats]:
    """Closed form: with P / m constant and nothing in the way, v = sqrt(v0^2 + 2 (P / m) t)."""
    t = np.arange(0.0, seconds, 0.1)
    return t, np.sqrt(from_mps**2 + 2 * watts_per_kg * t)


def read(t: Floats, v: Floats, rng: np.random.Generator | None = None, noise: Noise = NOISE) -> list[PowerPull]:
    heard = v if rng is None else v + noise.sigma_mps * rng.standard_normal(len(v))
    fixes = Fixes.of(t, heard, 45 + np.cumsum(v) * 0.1 / 111_195, np.full(len(t), 7.0), course_deg=np.zeros(len(t)))
    return find_pulls(light_motion(fixes, v, noise), fixes, NOTHING)


def test_constant_power_comes_back_in_every_band() -> None:
    t, v = at_constant_power(20.0)
    [pull] = read(t, v)
    assert pull.band.tolist() == list(range(4, 12)) and pull.run == 0
    assert pull.power == pytest.approx(20.0, rel=1e-6)
    assert np.all(np.diff(pull.time_s) > 0) and np.all(np.abs(pull.speed_mps / BAND_MPS - pull.band - 0.5) < 0.5)
    assert pull.heading_deg == pytest.approx(0.0) and pull.way_m[1:-1] == pytest.approx(
        [float(np.interp((b + 1) * BAND_MPS, v, np.cumsum(v) * 0.1) - np.interp(b * BAND_MPS, v, np.cumsum(v) * 0.1))
         for b in pull.band[1:-1]], abs=4.0)  # fmt: skip


@pytest.mark.parametrize("share", [0.0, 0.6])
def test_the_covariance_is_that_of_many_receptions(share: float) -> None:
    t, v = at_constant_power(20.0)
    noise = replace(NOISE, wander_share=share, wander_s=1.0)
    rng = np.random.default_rng(3)
    held = np.exp(-0.1)
    told = []
    for _ in range(400):
        slow = np.empty(len(t))
        slow[0] = rng.standard_normal()
        for k in range(1, len(t)):
            slow[k] = held * slow[k - 1] + np.sqrt(1 - held**2) * rng.standard_normal()
        error = noise.sigma_mps * (np.sqrt(share) * slow + np.sqrt(1 - share) * rng.standard_normal(len(t)))
        fixes = Fixes.of(t, v + error)
        [pull] = find_pulls(light_motion(fixes, v, noise), fixes, NOTHING)
        told.append(pull.log_power)
    seen, said = np.cov(np.array(told).T), pull.covariance
    assert np.diag(seen) == pytest.approx(np.diag(said), rel=0.3)  # 400 draws: 7 % each
    away = np.mean(np.diag(seen, 1)) / np.mean(np.diag(seen))
    assert away == pytest.approx(np.mean(np.diag(said, 1)) / np.mean(np.diag(said)), abs=0.06)
    assert share == 0.0 or away < -0.05  # what wanders ties neighbours: one's end is the other's beginning


def test_slope_and_wind_act_as_is_said() -> None:
    """d ln P / d slope and / d headwind by (1) itself, a little more of each."""
    t, v = at_constant_power(20.0)
    [pull] = read(t, v)
    pull = replace(pull, road=SOME)
    step = 1e-4
    windy = replace(pull, wind=(step, 0.0))  # from the north, and the car drives north
    assert (windy.log_power - pull.log_power) / step == pytest.approx(pull.wind_gain, rel=0.01)
    steep = np.log(pull.power + 9.80665 * step * pull.speed_mps) - pull.log_power
    assert steep / step == pytest.approx(pull.slope_gain, rel=0.01)


def test_another_road_load_is_put_under_pulls_as_if_they_were_found_with_it() -> None:
    t, v = at_constant_power(20.0)
    fixes = Fixes.of(t, v)
    motion = light_motion(fixes, v, NOISE)
    [plain], [loaded] = find_pulls(motion, fixes, NOTHING), find_pulls(motion, fixes, SOME)
    again = replace(plain, road=SOME)
    assert again.log_power == pytest.approx(loaded.log_power, abs=1e-12)
    assert loaded.power - 1.04 * plain.power == pytest.approx(SOME.at(plain.speed_mps) * plain.speed_mps, rel=0.003)


def test_a_gap_a_stray_and_a_gear_change_spoil_no_band() -> None:
    t, v = at_constant_power(20.0)
    fixes = Fixes.of(t, np.where(np.arange(len(t)) == 80, v + 6.0, v))
    motion = light_motion(fixes, v, NOISE)
    trust = np.where(np.arange(len(t)) == 80, 0.0, 1.0)
    [pull] = find_pulls(replace(motion, trust=trust), fixes, NOTHING)
    assert pull.power == pytest.approx(20.0, rel=1e-4)
    broken = find_pulls(replace(motion, trust=trust, gaps=[Interval(7.95, 8.45)]), fixes, NOTHING)
    assert len(broken) == 2 and broken[0].end_s < 7.95 and broken[1].start_s > 8.45
    paused = np.where((t > 6.0) & (t < 6.5), -0.1, 1.0)  # what a gear change does to the acceleration
    parted = find_pulls(replace(motion, trust=trust, accel_mps2=paused), fixes, NOTHING)
    assert len(parted) == 2 and parted[0].end_s < 6.0 and parted[1].start_s > 6.5


def test_below_twenty_mph_and_for_a_moment_nothing_is_told() -> None:
    t, v = at_constant_power(20.0)
    slow = v < 20 * 0.44704
    fixes = Fixes.of(t[slow], v[slow])
    assert find_pulls(light_motion(fixes, v[slow], NOISE), fixes, NOTHING) == []
    short = slice(40, 52)
    fixes = Fixes.of(t[short], v[short])
    assert find_pulls(light_motion(fixes, v[short], NOISE), fixes, NOTHING) == []


def test_the_simulators_engine_is_found_in_starts_and_rolling_pulls() -> None:
    """From readings through smoothing and finding: at the wheels what the simulator pushes with."""
    script = [Stand(8), Pull(22.5), Cruise(12, 80), Pull(21), Cruise(15, 60), Pull(22), Brake(0), Stand(4)]
    truth: Truth = drive(WREN, script)
    fixes, _ = clean(received(truth, 4))
    motion = smoother.smooth(fixes)
    runs = finding.find(motion, fixes)
    found = find_pulls(motion, fixes, WREN_ROAD, runs)
    assert [each.n for each in found] == list(range(1, len(found) + 1))
    pulls = [each for each in found if each.power.max() > 0.6 * WREN.power_w / MASS]  # the others hold a speed
    assert [each.run for each in pulls] == [1, 0, 0]
    for pull in pulls:
        high = pull.speed_mps > 12.0  # below, the simulated belt still takes hold
        full = np.log(WREN.power_w / WREN.mass_kg)
        off = (pull.log_power - full)[high] / np.sqrt(np.diag(pull.covariance)[high])
        assert high.sum() >= 3 and np.abs(off).max() < 3.5
        assert np.sqrt(np.diag(pull.covariance)[high]).max() < 0.03
