"""A board's accelerometer laid onto the fixes: its delay and mounting are found, and each fault is named."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import simulate
from board_lines import Fault, MadeBoard, board_readings
from scipy.signal import lfilter
from simulate import WREN, Brake, Lift, Phase, Pull, Stand, Truth

from analysis.motion.beside_fixes import BesideUnusable
from analysis.motion.board import LEAST_HZ, BoardReadings, mount, smoothing_beside
from analysis.motion.braked_stops import Smoothing
from analysis.motion.fixes import Fixes, clean
from analysis.motion.other_drives import told_beside
from analysis.motion.smoother import Motion, smooth

SCRIPT: list[Phase] = [Stand(8)]
for hard in (2.0, 2.8, 1.6, 2.4):
    SCRIPT += [Pull(14, "bite"), Lift(11), Brake(0, hard), Stand(6)]


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulate.drive(WREN, SCRIPT)


@pytest.fixture(scope="module")
def motion(truth: Truth) -> Motion:
    got = simulate.receive(truth, np.random.default_rng(2))
    return smooth(clean(Fixes.of(got.t_s, got.speed_mps))[0])


def readings(truth: Truth, made: MadeBoard, seed: int = 5) -> BoardReadings:
    return board_readings(truth.t_s, truth.v_mps, np.random.default_rng(seed), made)


MOUNTED = {
    "as it comes": MadeBoard(),
    "early": MadeBoard(delay_s=-0.6),
    "very late": MadeBoard(delay_s=0.9),
    "upside down": MadeBoard(upside_down=True),
    "its sign turned": MadeBoard(sign=-1),
    "one axis": MadeBoard(axes=1),
    "shaken hard": MadeBoard(shake=2.5),
    "many lines lost": MadeBoard(lost=0.1),
    "50 a second": MadeBoard(hz=50.0),
}


@pytest.mark.parametrize("made", MOUNTED.values(), ids=MOUNTED)
def test_delay_and_mounting_are_found(truth: Truth, motion: Motion, made: MadeBoard) -> None:
    for seed in (5, 6):
        board = mount(readings(truth, made, seed), motion)
        # The simulator's mean lateness beyond the delay: a quarter of the jitter, its cube's mean.
        assert board.delay_s == pytest.approx(made.delay_s + made.jitter_s / 4, abs=max(3 * board.delay_sigma_s, 0.01))
        assert board.delay_sigma_s < 0.03 and board.agreement > 0.98
        # The body squats, so that the board shows more than the car does; its zero is off, so that gravity is.
        # At 50 readings a second, and where it shakes hard, the engine's shaking folds down into what the car does.
        within = 0.08 if made.hz > 60 and made.shake < 1 else 0.15
        assert board.scale == pytest.approx(1 / (1 + made.squat), rel=within)
        ahead = np.interp(board.t_s, truth.t_s, truth.a_mps2)
        stands = np.interp(board.t_s, truth.t_s, truth.v_mps) == 0
        forward = board.forward_mps2 - np.median(board.forward_mps2[stands])
        pulls = ahead > 1.5
        assert float(np.mean(forward[pulls])) == pytest.approx(float(np.mean(ahead[pulls])), rel=within + 0.02)


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("dead", "only 0 readings"),
        ("stuck", "stuck at one reading for 80 %"),
        ("clipped", "three axes read"),
        ("loose", "stay steady|loose"),
        ("wandering", "stay steady"),
        ("out of scale", r"three axes read [23]\."),
        ("another car", "stay steady|does not follow"),
    ],
)
def test_each_fault_is_named(truth: Truth, motion: Motion, fault: Fault, words: str) -> None:
    for seed in (5, 6):
        with pytest.raises(BesideUnusable, match=words):
            mount(readings(truth, MadeBoard(fault=fault), seed), motion)


def test_a_board_that_came_loose_half_way_is_not_used(truth: Truth, motion: Motion) -> None:
    told = readings(truth, MadeBoard())
    late = told.t_s > told.t_s[-1] / 2
    over = told.accel_mps2 * np.where(late[:, None], [-1.0, 1.0, -1.0], 1.0)
    with pytest.raises(BesideUnusable, match=r"came loose .at a later standstill"):
        mount(told._replace(accel_mps2=over), motion)
    single = readings(truth, MadeBoard(axes=1))
    weak = single.accel_mps2 * np.where(late[: len(single.t_s), None], 0.5, 1.0)
    with pytest.raises(BesideUnusable, match=r"came loose .in part of the drive"):
        mount(single._replace(accel_mps2=weak), motion)


def test_too_slow_too_short_or_never_standing(truth: Truth, motion: Motion) -> None:
    with pytest.raises(BesideUnusable, match=f"only 10 readings a second, and {LEAST_HZ:.0f}"):
        mount(readings(truth, MadeBoard(hz=10.0)), motion)
    told = readings(truth, MadeBoard())
    first = told.t_s < 9.0
    with pytest.raises(BesideUnusable, match="too little driving"):
        mount(told._replace(t_s=told.t_s[first], accel_mps2=told.accel_mps2[first]), motion)
    with pytest.raises(BesideUnusable, match="no standstill"):
        mount(told, replace(motion, rests=[]))


def test_void_readings_and_disorder_do_no_harm(truth: Truth, motion: Motion) -> None:
    told = readings(truth, MadeBoard())
    spoilt = told.accel_mps2.copy()
    spoilt[::50] = np.nan
    order = np.random.default_rng(0).permutation(len(told.t_s))
    board = mount(told._replace(t_s=told.t_s[order], accel_mps2=spoilt[order]), motion)
    assert board.delay_s == pytest.approx(mount(told, motion).delay_s, abs=0.004)
    assert (np.diff(board.t_s) > 0).all()


def test_bursts_are_evened_out(truth: Truth, motion: Motion) -> None:
    """USB adapters hand lines over every 16 ms or so (from memory)."""
    board = mount(readings(truth, MadeBoard(burst=4, lost=0.0)), motion)
    steps = np.diff(board.t_s)
    assert float(np.quantile(steps, 0.99)) < 0.013 and float(np.quantile(steps, 0.01)) > 0.007


# --- the receiver's smoothing, told by the board ----------------------------------------------------------------------


def smoothed(truth: Truth, seconds: float, seed: int) -> Motion:
    """The motion by a receiver that filters speed so (first order)."""
    kept = math.exp(-float(truth.t_s[1] - truth.t_s[0]) / seconds) if seconds else 0.0
    v = lfilter([1 - kept], [1, -kept], truth.v_mps)
    t = np.arange(0.05, truth.t_s[-1], 0.1)
    y = np.abs(np.interp(t, truth.t_s, v) + np.random.default_rng(seed).normal(0, 0.05, len(t)))
    return smooth(clean(Fixes.of(t, y))[0])


@pytest.mark.parametrize(
    "seconds", [0.0, 0.35, *(pytest.param(seconds, marks=pytest.mark.long) for seconds in (0.2, 0.5))]
)
def test_a_board_tells_how_much_the_receiver_smooths(truth: Truth, seconds: float) -> None:
    off = []
    for seed in (1, 2, 3):
        motion = smoothed(truth, seconds, seed)
        told = smoothing_beside(readings(truth, MadeBoard(burst=2), seed), motion)
        assert told is not None
        off.append((told.seconds - seconds) / told.sigma_s)
        assert told.low_s <= told.seconds <= told.high_s and abs(told.seconds - seconds) < 0.09
        joined = told_beside(motion.receiver, told)
        stops = motion.receiver.smoothing_sigma_s
        assert joined.smoothing_sigma_s is not None and joined.drives == 1 and joined.hz == motion.receiver.hz
        if stops is not None and abs(motion.receiver.smoothing_s - told.seconds) < told.sigma_s:  # type: ignore[operator]
            assert joined.smoothing_sigma_s < min(stops, told.sigma_s) + 1e-9
    assert math.sqrt(np.mean(np.square(off))) < 2.5
    assert told_beside(replace(motion.receiver, smoothing_s=None), told).smoothing_s == told.seconds


def test_a_board_with_a_fault_tells_nothing_of_the_receiver(truth: Truth, motion: Motion) -> None:
    faults: tuple[Fault, ...] = ("dead", "stuck", "wandering", "another car")
    for fault in faults:
        assert smoothing_beside(readings(truth, MadeBoard(fault=fault)), motion) is None


def test_smoothing_that_a_board_tells_is_undone_and_taught(truth: Truth) -> None:
    motion = smoothed(truth, 0.35, 1)
    fixes = Fixes.of(motion.t_s, motion.reading_mps)
    told = Smoothing(0.5, 0.46, 0.54, 0.02, 0)
    again = smooth(fixes, beside=told)
    assert again.receiver.undone_s > motion.receiver.undone_s and again.alone == again.receiver
