"""Rolling runs, launches, pairs of opposite runs and summaries, on drives of known truth."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import simulate
from made_runs import FIFTY, MPH, TO_FIFTY, found_in, one_pull, received
from simulate import (
    WREN,
    Brake,
    Cruise,
    Launch,
    Lift,
    Phase,
    Pull,
    Stand,
    Turn,
)

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.runs import finding, pairs
from analysis.runs.run import Options

# --- rolling runs -------------------------------------------------------------------------------------------------


def test_rolling_runs_from_any_full_pull() -> None:
    truth = simulate.drive(
        WREN,
        [Stand(5), Pull(10), Cruise(10, 12), Pull(23.5), Lift(9), Cruise(9, 5), Pull(19), Lift(9), Brake(0), Stand(4)],
    )
    low, high = 30 * MPH, FIFTY
    options = Options(from_mps=low, to_mps=high)
    pull = truth.phase == 3
    true = np.interp([low, high], truth.v_mps[pull], truth.t_s[pull])
    errors, sigmas = [], []
    for seed in range(5):
        rolling = [run for run in found_in(received(truth, seed), options) if run.kind == "rolling"]
        (run,) = rolling  # the second pull is short of 50 mph
        assert run.splits[-1].speed_mps == high
        assert math.isnan(run.one_foot_s)
        errors.append(run.splits[-1].time_s - (true[1] - true[0]))
        sigmas.append(run.splits[-1].sigma_s)
    assert np.sqrt(np.mean(np.square(errors))) < 0.06
    assert np.sqrt(np.mean(np.square(np.divide(errors, sigmas)))) < 1.5
    assert max(sigmas) < 0.05


def test_a_standing_run_gives_a_rolling_one_too_and_keeps_its_number() -> None:
    """A run is struck out by its number: looking at rolling runs must not change it."""
    truth = simulate.drive(
        WREN, [Stand(6), Pull(23), Lift(15), Brake(0), Stand(5), Pull(23), Lift(15), Brake(0), Stand(4)]
    )
    found = found_in(received(truth), Options(from_mps=30 * MPH, to_mps=FIFTY))
    assert [(run.n, run.kind) for run in found] == [(1, "standing"), (2, "standing"), (3, "rolling"), (4, "rolling")]
    assert found[0].start_s < found[2].start_s < found[1].start_s < found[3].start_s


def test_an_interrupted_pull_gives_no_rolling_run() -> None:
    truth = simulate.drive(WREN, [Cruise(10, 5), Pull(18), Lift(14), Pull(23), Lift(10)])
    found = found_in(received(truth), Options(from_mps=12.0, to_mps=22.0))
    assert [run for run in found if run.kind == "rolling"] == []


def test_rolling_speeds_must_rise() -> None:
    with pytest.raises(ValueError, match="below"):
        found_in(received(one_pull()), Options(from_mps=20.0, to_mps=10.0))


# --- launches, pairs, summaries -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("shape", "soft"), [("step", False), ("bite", False), ("ramp", True)])
def test_a_soft_launch_shows_as_one(shape: Launch, soft: bool) -> None:
    truth = one_pull(launch=shape)
    for seed in range(4):
        launch = found_in(received(truth, seed))[0].launch
        assert launch is not None
        assert launch.soft is soft
        run = truth.runs[0]
        assert abs(launch.to_10mph_s - run.time_to(10 * MPH)) < 3.5 * launch.to_10mph_sigma_s
        assert abs(launch.to_15kmh_s - run.time_to(15 / 3.6)) < 3.5 * launch.to_15kmh_sigma_s
        assert launch.half_second_mps2 == pytest.approx(2.04, abs=0.12)
        assert launch.peak_mps2 >= launch.half_second_mps2 - 0.02


def test_a_launch_is_told_as_its_run_is() -> None:
    """10 mph and 15 km/h as the splits of those speeds, and the acceleration as the mean over all likely starts."""
    low, high = 15 / 3.6, 10 * MPH
    fixes = received(one_pull(launch="ramp"))
    [run] = found_in(fixes, Options(speeds_mps=(low, high)))
    assert run.launch is not None
    assert [run.launch.to_15kmh_s, run.launch.to_10mph_s] == [split.time_s for split in run.splits]
    motion = smoother.smooth(fixes)
    [pull] = finding._pulls(motion, fixes, Options())
    launch = finding._launch(motion, fixes, Options(), pull, None)
    inside = launch.x <= launch.until_s - launch.t0_s
    each = np.gradient(launch.speed, launch.x, axis=1)[:, inside]
    later = (motion.t_s >= launch.until_s) & (np.arange(len(motion.t_s)) <= pull.peak)
    told = [*np.average(each, 0, launch.weight.likely), *motion.accel_mps2[later]]
    assert run.launch.peak_mps2 == pytest.approx(max(told), rel=1e-9)
    assert abs(run.launch.peak_mps2 / max([*each.mean(0), *motion.accel_mps2[later]]) - 1) > 1e-6


def test_tip_in_delay_from_a_throttle_channel() -> None:
    truth = one_pull(launch="bite")
    (run,) = found_in(received(truth))
    kept, _ = clean(received(truth))
    t = np.arange(0, truth.t_s[-1], 0.05)
    throttle = np.interp(t + 0.3, truth.t_s, truth.throttle)  # the foot moves 0.3 s before the force
    answer = finding.tip_in_delay(smoother.smooth(kept), run, t, throttle)
    assert answer is not None
    assert answer[0] == pytest.approx(0.3, abs=3 * answer[1])
    assert finding.tip_in_delay(smoother.smooth(kept), run, t, np.zeros_like(t)) is None


def test_opposite_runs_over_one_stretch_are_paired() -> None:
    back_and_forth: list[Phase] = [
        Stand(6), Pull(23), Brake(0), Stand(5), Turn(), Pull(23), Brake(0), Stand(5), Turn(), Pull(23), Brake(0),
        Stand(5),
    ]  # fmt: skip
    found = found_in(received(simulate.drive(WREN, back_and_forth, headwind_mps=2.0)), TO_FIFTY)
    assert len(found) == 3
    (pair,) = pairs.pair_opposite(found)
    assert (pair.first, pair.second) in {(1, 2), (2, 3)}  # each run is used once, the nearest in time first
    a, b = found[pair.first - 1].splits[0], found[pair.second - 1].splits[0]
    assert pair.splits[0].time_s == pytest.approx((a.time_s + b.time_s) / 2)
    assert pair.splits[0].sigma_s == pytest.approx(math.hypot(a.sigma_s, b.sigma_s) / 2)
    assert found[0].splits[0].time_s > found[1].splits[0].time_s + 0.5  # against the wind


def test_runs_the_same_way_or_elsewhere_are_no_pair() -> None:
    same = found_in(
        received(simulate.drive(WREN, [Stand(6), Pull(23), Brake(0), Stand(5), Pull(23), Brake(0), Stand(4)]))
    )
    assert pairs.pair_opposite(same) == []
    aside = [dataclasses.replace(same[0], place=(53.5, -0.4, 53.501, -0.4), direction_deg=same[1].direction_deg + 180)]
    assert pairs.pair_opposite([*aside, same[1]]) == []


def test_summary_of_a_split() -> None:
    (run,) = found_in(received(one_pull()), TO_FIFTY)
    times = [25.3, 25.1, 26.0, 25.2]
    several = [dataclasses.replace(run, splits=[dataclasses.replace(run.splits[0], from_one_foot_s=t)]) for t in times]
    found = pairs.summarise(several, FIFTY, "one foot")
    assert found is not None
    assert (found.best_s, found.best_run, found.runs) == (25.1, 1, 4)
    assert found.median_s == pytest.approx(25.25)
    assert pairs.summarise(several, 99.0, "one foot") is None


@pytest.mark.parametrize("speeds", [[0, 0, 0], [9.0] * 50, [5.0, 4.0]])
def test_a_drive_without_runs_has_none(speeds: list[float]) -> None:
    assert found_in(Fixes.of(np.arange(len(speeds)) / 10, speeds), Options(from_mps=5.0, to_mps=10.0)) == []


def test_no_speed_above_the_peak_has_a_time() -> None:
    """A strong car's launch, carried on beyond its fit, passes speeds that the run never reached."""
    strong = simulate.tuned(WREN, force_n=2 * WREN.force_n)
    script = [Stand(8), Pull(17.0, "slip"), Lift(14, 3), Brake(0, 2.5), Stand(5)]
    speeds = Options(speeds_mps=tuple(float(v) / 8 for v in range(8, 161)))
    for seed in range(4):
        [run] = found_in(received(simulate.drive(strong, script, seed=seed), seed=seed), speeds)
        assert max(split.speed_mps for split in run.splits) <= run.peak_mps
        times = [split.time_s for split in run.splits]
        assert times == sorted(times) and 16 < run.peak_mps < 17.5
