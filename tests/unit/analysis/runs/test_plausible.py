"""What is no run, what is one after all, and how a car's own launches help: plausibility, short stops, habits."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
import pytest
import simulate
from scipy.signal import lfilter
from simulate import SLOW_CAR, WREN, Brake, Lift, Pull, Stand, Truth

from analysis.arrays import Floats
from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.motion.receiver import Receiver
from analysis.motion.stretch import turned_about
from analysis.runs import finding, pairs, rises
from analysis.runs.lessons import Lesson, Taught
from analysis.runs.rises import LaunchHabit, habit_of, prior_of
from analysis.runs.run import Options, Run

MPH = 0.44704
TO = Options(speeds_mps=(20 * MPH, 30 * MPH))


def received(truth: Truth, seed: int = 0, rate: float = 10.0, noise: float = 0.05) -> Fixes:
    got = simulate.receive(truth, np.random.default_rng(seed), rate, noise)
    return Fixes.of(
        got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg, None, got.satellites, got.hdop
    )


def found_in(fixes: Fixes, habit: LaunchHabit | None = None) -> list[Run]:
    kept, _ = clean(fixes)
    return finding.find(smoother.smooth(kept), kept, TO, habit)


def after(truth: Truth) -> float:
    return truth.runs[0].start_s


@pytest.fixture(scope="module")
def pull() -> Truth:
    return simulate.drive(SLOW_CAR, [Stand(8), Pull(18, "step"), Lift(12), Brake(0), Stand(6)])


def test_an_honest_run_is_counted(pull: Truth) -> None:
    for seed in range(3):
        (run,) = found_in(received(pull, seed))
        assert run.counted
        assert run.clean
        assert run.why_not is None


def test_a_launch_beyond_what_tyres_hold_is_not_counted(pull: Truth) -> None:
    """Held near rest, then let go: 20 mph in 1.2 s from 15 s of standing, after which the receiver has caught up."""
    fixes = received(pull)
    since = fixes.t_s - after(pull)
    caught = np.interp(since, [0, 3.0, 3.8], [0, 0, float(pull.at(np.array([after(pull) + 3.8]))[0] + 4.0)])
    v = np.where(
        (since > 0) & (since < 3.8),
        caught,
        fixes.speed_mps + np.where(since >= 3.8, 4.0 * np.exp(-(since - 3.8) / 5), 0),
    )
    (run,) = found_in(dataclasses.replace(fixes, speed_mps=v))
    assert not run.counted
    assert not run.clean
    assert "tyres" in (run.why_not or "")


def test_positions_that_stood_while_speed_grew_are_told(pull: Truth) -> None:
    fixes = received(pull)
    held = (fixes.t_s > after(pull)) & (fixes.t_s < after(pull) + 9)
    k = int(np.argmax(held)) - 1
    lat, lon = fixes.lat_deg.copy(), fixes.lon_deg.copy()
    lat[held], lon[held] = lat[k], lon[k]
    (run,) = found_in(dataclasses.replace(fixes, lat_deg=lat, lon_deg=lon))
    assert "positions" in (run.why_not or "")


def test_heights_that_make_a_wall_are_told(pull: Truth) -> None:
    fixes = received(pull)
    way = np.interp(fixes.t_s, pull.t_s, pull.s_m)
    (run,) = found_in(dataclasses.replace(fixes, alt_m=20 + 0.62 * way))
    assert "grade" in (run.why_not or "")


def test_a_launch_unlike_all_others_of_the_car_is_told() -> None:
    script = [Stand(6)]
    for _ in range(6):
        script += [Pull(16, "bite"), Lift(12), Brake(0), Stand(5)]
    truth = simulate.drive(WREN, script)
    fixes = received(truth)
    begun = truth.runs[3].start_s
    since = fixes.t_s - begun
    reach = truth.runs[3].t_s[-1] - begun
    # The fourth runs twice as fast as it was.
    quick = (since > 0) & (since < reach)
    v = fixes.speed_mps.copy()
    v[quick] = np.minimum(truth.at(begun + 2.2 * since[quick]), 16) + np.random.default_rng(1).normal(
        0, 0.05, int(quick.sum())
    )
    blind = dataclasses.replace(fixes, speed_mps=v, lat_deg=fixes.lat_deg * np.nan)
    found = found_in(blind)
    assert [run.counted for run in found] == [True, True, True, False, True, True]
    assert "other launches" in (found[3].why_not or "")


@pytest.mark.parametrize(
    ("rate", "seconds"), [(1, 2.0), (5, 1.5), *(pytest.param(rate, 1.5, marks=pytest.mark.long) for rate in (10, 25))]
)
def test_a_short_stop_is_a_stop(rate: float, seconds: float) -> None:
    """What precedes it is no part of the run."""
    hits = 0
    for seed in range(10):
        hard = float(np.random.default_rng(seed).uniform(1, 3))
        truth = simulate.drive(
            WREN, [Stand(6), Pull(18), Brake(0, hard), Stand(seconds), Pull(18, "bite"), Brake(0), Stand(5)]
        )
        begun = truth.runs[1].start_s
        hits += sum(abs(run.start_s - begun) < 0.6 for run in found_in(received(truth, seed, rate))) == 1
    assert hits >= 9


def went_back(fixes: Fixes, turned: float, seconds: float, most_mps: float, course_deg: Floats | float) -> Fixes:
    """The same with so many seconds backwards before the turn, at up to `most_mps`, on that course."""
    since = fixes.t_s - turned + seconds
    back = (since > 0) & (since < seconds)
    return dataclasses.replace(
        fixes, speed_mps=np.where(back, most_mps * np.sin(np.pi * since / seconds), fixes.speed_mps),
        course_deg=np.where(back, course_deg, fixes.course_deg),
    )  # fmt: skip


def opposite(fixes: Fixes) -> float:
    """The course back [deg]."""
    return float(np.median(fixes.course_deg[fixes.speed_mps > 5.0]) + 180) % 360


@pytest.mark.parametrize("rate", [1.0, 2.0, 10.0])
def test_a_roll_back_is_told_by_its_course(pull: Truth, rate: float) -> None:
    turned = after(pull)
    for seed in range(4):
        fixes = received(pull, seed, rate)
        (run,) = found_in(went_back(fixes, turned, 2.4, 1.2, (fixes.course_deg + 165) % 360))
        assert any("rolled back" in note for note in run.notes)
        foot = run.start_s + run.one_foot_s - turned - pull.runs[0].time_at(0.3048)
        assert abs(foot) < max(0.1, 3 * run.one_foot_sigma_s)


@pytest.mark.parametrize("rate", [1.0, 10.0])
def test_a_car_that_reversed_out_starts_where_it_turned(pull: Truth, rate: float) -> None:
    """Backwards at up to 3 m/s, faster than a walk, and on at once: that is no pull that was held up."""
    turned = after(pull)
    for seed in range(3):
        fixes = received(pull, seed, rate)
        (run,) = found_in(went_back(fixes, turned, 6.0, 3.0, opposite(fixes)))
        assert run.counted
        assert run.clean
        assert any("rolled back" in note for note in run.notes)
        assert abs(run.start_s - turned) < max(0.15, 3 * run.start_sigma_s)


def test_the_course_of_a_stray_says_nothing(pull: Truth) -> None:
    turned = after(pull)
    fixes = received(pull)
    rolled = went_back(fixes, turned, 2.0, 0.8, opposite(fixes))
    motion = smoother.smooth(rolled)
    found = turned_about(motion, rolled, turned - 2.5, turned + 1.0)
    assert found is not None
    assert turned - 0.4 < found.start_s < turned < found.end_s + 0.01
    strays = dataclasses.replace(motion, trust=np.where(fixes.t_s < turned, 0.2, 1.0))
    assert turned_about(strays, rolled, turned - 2.5, turned + 1.0) is None


@pytest.mark.parametrize("error_mps", [-2.4, -1.5])
def test_an_error_that_turns_the_course_is_no_roll_back(pull: Truth, error_mps: float) -> None:
    """Three readings that are off by more than the car's speed point backwards."""
    started = pull.runs[0].start_s
    for seed in range(4):
        fixes = received(pull, seed)
        true = pull.at(fixes.t_s)
        slow = np.flatnonzero((fixes.t_s > started) & (true > 0.45))[:3]
        v, course = fixes.speed_mps.copy(), fixes.course_deg.copy()
        v[slow] = np.abs(true[slow] + error_mps)
        course[slow] = (course[slow] + 180) % 360
        (run,) = found_in(dataclasses.replace(fixes, speed_mps=v, course_deg=course))
        assert not any("rolled back" in note for note in run.notes)
        assert abs(run.start_s - started) < 3 * run.start_sigma_s


@pytest.mark.parametrize("seeds", [(0, 1), pytest.param(range(2, 8), marks=pytest.mark.long)])
def test_what_a_receiver_draws_at_rest_does_not_move_one_foot(seeds: Sequence[int]) -> None:
    """Up to 1 km/h while the car stands."""
    truth = simulate.drive(
        WREN, [Stand(20), Pull(18, "bite"), Brake(0), Stand(20), Pull(18, "slip"), Brake(0), Stand(9)]
    )
    for seed in seeds:
        rng = np.random.default_rng(seed)
        fixes = received(truth, seed, noise=0.03)
        drawn = np.clip(0.14 + simulate._wander(rng, len(fixes), 0.1, 3.0, 0.13), 0, 1 / 3.6)
        v = np.where(truth.at(fixes.t_s) < 0.25, np.maximum(fixes.speed_mps, drawn), fixes.speed_mps)
        for run, true in zip(found_in(dataclasses.replace(fixes, speed_mps=v)), truth.runs, strict=True):
            foot = run.start_s + run.one_foot_s - true.start_s - true.time_at(0.3048)
            assert abs(foot) < max(0.15, 3 * run.one_foot_sigma_s)


def test_strays_do_not_move_a_time(pull: Truth) -> None:
    true = pull.runs[0]
    for seed in range(4):
        fixes = received(pull, seed)
        rng = np.random.default_rng(seed)
        v = fixes.speed_mps.copy()
        # Single ones in the launch and about the passing of 20 mph, which `clean` may leave.
        for at in (after(pull) + 1.1, after(pull) + true.time_to(20 * MPH) - 0.15):
            v[int(np.argmin(np.abs(fixes.t_s - at)))] += rng.choice([-1, 1]) * rng.uniform(0.4, 1.0)
        (run,) = found_in(dataclasses.replace(fixes, speed_mps=np.abs(v)))
        split = run.splits[0]
        error = split.from_one_foot_s - (true.time_to(20 * MPH) - true.time_at(0.3048))
        assert abs(error) < 3.5 * split.from_one_foot_sigma_s


@pytest.mark.parametrize(
    ("true_s", "known_s", "sigma_s", "alike"),
    [(0.2, 0.0, 0.2, True), (0.455, 0.35, 0.005, True), (0.3, 0.2, 0.1, False)],
)
def test_the_doubt_of_the_smoothing_is_what_that_much_smoothing_does(
    pull: Truth, true_s: float, known_s: float, sigma_s: float, alike: bool
) -> None:
    """What was undone by a drive's stops brings their error with it, another with each drive and part of sigma; what
    was left alone, and that a filter of another kind moves times by 30 % of it, is alike in all and stands apart."""
    true = pull.runs[0]
    kept = np.exp(-(pull.t_s[1] - pull.t_s[0]) / true_s)
    smoothed = lfilter([1 - kept], [1, -kept], pull.v_mps)
    known = Receiver(10.0, 0.03, 0.0, None, known_s, 0.0, 0.5, sigma_s)
    off, systematic, more = [], [], []
    for seed in range(4):
        fixes = received(pull, seed)
        v = np.abs(np.interp(fixes.t_s, pull.t_s, smoothed) + np.random.default_rng(seed).normal(0, 0.03, len(fixes)))
        given = dataclasses.replace(fixes, speed_mps=v)
        (run,) = finding.find(smoother.smooth(given, known), given, TO)
        (surely,) = finding.find(smoother.smooth(given, dataclasses.replace(known, smoothing_sigma_s=1e-4)), given, TO)
        for split, other in zip(run.splits, surely.splits, strict=True):
            off.append(split.from_one_foot_s - (true.time_to(split.speed_mps) - true.time_at(0.3048)))
            systematic.append(split.systematic_s)
            more.append(math.sqrt(max(split.from_one_foot_sigma_s**2 - other.from_one_foot_sigma_s**2, 0.0)))
    assert abs(np.mean(off)) > 0.01
    assert np.mean(systematic if alike else more) == pytest.approx(abs(np.mean(off)), rel=0.5)
    if alike:
        assert np.mean(more) < 0.15 * np.mean(systematic)


def test_a_run_that_is_not_counted_is_no_best(pull: Truth) -> None:
    (run,) = found_in(received(pull))
    wrong = dataclasses.replace(run, why_not="its positions moved 3 m but its speed gives 30 m")
    summary = pairs.summarise([wrong, run], 20 * MPH, "one foot")
    assert summary is not None
    assert (summary.runs, summary.best_run) == (1, 1)
    assert Taught((Lesson.of(smoother.smooth(received(pull)), [wrong]),)).habit is None


# --- habits -------------------------------------------------------------------------------------------------------


def test_a_habit_leans_on_the_cars_launches() -> None:
    """Ten that are there at once: the next one's first movement is known better than by the broad prior."""
    truth = simulate.drive(SLOW_CAR, [Stand(8), Pull(14, "step"), Lift(12), Brake(0), Stand(6)])
    before = [run for seed in range(10) for run in found_in(received(truth, 100 + seed))]
    habit = Taught((Lesson.of(smoother.smooth(received(truth)), before),)).habit
    assert habit is not None
    assert habit.launches == 10
    assert sum(habit.shares) == pytest.approx(1.0)
    broad, own = [], []
    for seed in range(4):
        broad.append(found_in(received(truth, seed))[0].start_s - after(truth))
        own.append(found_in(received(truth, seed), habit)[0].start_s - after(truth))
    assert np.sqrt(np.mean(np.square(own))) < 0.8 * np.sqrt(np.mean(np.square(broad)))


def test_without_launches_there_is_no_habit() -> None:
    assert Taught().habit is None
    assert habit_of([]) is None


def test_a_habit_of_launches_that_tell_nothing_is_the_broad_prior() -> None:
    habit = habit_of([np.zeros(len(rises.rises(False)))] * 5)
    assert habit is not None
    np.testing.assert_allclose(habit.shares, prior_of(rises.rises(False), None), rtol=1e-9)
