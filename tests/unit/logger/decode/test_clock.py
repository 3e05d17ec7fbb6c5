"""The clock's fit against arrivals made from a known truth, and every trouble that clocks are known to make."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from dataclasses import dataclass, field

import numpy as np
import pytest

from logger.decode import clock
from logger.decode.clock import Anchors, ClockFit

SECOND = 10**9
START_NS = 1_777_713_270 * SECOND  # 2026-05-02 09:14:30 UTC
BOOT_S = 5000.0
NO_ANCHORS = Anchors(np.zeros(0, np.int64), np.zeros(0, np.int64))
BAR_S = 0.005


@dataclass
class Host:
    """A host's monotonic clock: `drift_ppm` fast, standing still in `sleeps` (from, for) [s of true time]."""

    drift_ppm: float = 20.0
    sleeps: list[tuple[float, float]] = field(default_factory=list)
    bend: float = 0.0
    """How much the drift grows in an hour [ppm]."""

    def mono_ns(self, t: np.ndarray) -> np.ndarray:
        t = np.asarray(t, float)
        awake = t.copy()
        for start, lasted in self.sleeps:
            awake -= np.clip(t - start, 0, lasted)
        gained = awake * self.drift_ppm * 1e-6 + 0.5 * self.bend * 1e-6 / 3600 * awake**2
        return np.rint(BOOT_S * SECOND).astype(np.int64) + np.rint((awake + gained) * SECOND).astype(np.int64)


def jitter(kind: str, count: int, rng: np.random.Generator) -> np.ndarray:
    """USB's: 99 % under 20 ms, one in two hundred stalled for up to 200 ms more."""
    late = {
        "exponential": lambda: rng.exponential(0.020 / np.log(100), count),
        "uniform": lambda: rng.uniform(0, 0.020, count),
        "half normal": lambda: np.abs(rng.normal(0, 0.020 / 2.576, count)),
        "frames": lambda: np.floor(rng.uniform(0, 20, count)) / 1000,  # USB's 1 ms frames
    }[kind]()
    stalled = rng.random(count) < 0.005
    late[stalled] += rng.uniform(0, 0.2, int(stalled.sum()))
    return late


def arrivals(
    host: Host, t: np.ndarray, rng: np.random.Generator, kind: str = "exponential", latency_s: float = 0.1
) -> np.ndarray:
    return np.maximum.accumulate(host.mono_ns(t + latency_s + jitter(kind, len(t), rng)))


def utc(t: np.ndarray | float) -> np.ndarray:
    return START_NS + np.rint(np.asarray(t, float) * SECOND).astype(np.int64)


def worst_s(found: ClockFit, host: Host, t: np.ndarray) -> float:
    return float(np.abs(found.utc_ns(host.mono_ns(t)) - utc(t)).max() / SECOND)


def anchors(host: Host, t: np.ndarray, ahead_s: np.ndarray | float = 0.0, resumed: np.ndarray | None = None) -> Anchors:
    wall = utc(t) + np.rint(np.broadcast_to(ahead_s, np.shape(t)) * SECOND).astype(np.int64)
    return Anchors(host.mono_ns(t), wall, resumed if resumed is not None else np.zeros(len(t), bool))


def settled(
    mono: np.ndarray, told: np.ndarray, anchored: Anchors = NO_ANCHORS, fixed: np.ndarray | None = None
) -> ClockFit:
    return clock.settle(mono, told, np.ones(len(mono), bool) if fixed is None else fixed, 0.1, anchored, int(mono[0]))


# --- the fit ------------------------------------------------------------------------------------------------------

SPANS = [(1, 600), (1, 3600), (5, 1800), (10, 600), (10, 3 * 3600)]
JITTERS = ["exponential", "uniform", "half normal", "frames"]


@pytest.mark.parametrize("kind", JITTERS)
@pytest.mark.parametrize(("rate_hz", "seconds"), SPANS)
def test_within_5_ms_of_truth_at_20_ppm_with_usb_jitter(rate_hz: int, seconds: int, kind: str) -> None:
    hold_to_bar(rate_hz, seconds, kind, seeds=3)


@pytest.mark.long
@pytest.mark.parametrize("kind", JITTERS)
@pytest.mark.parametrize(("rate_hz", "seconds"), SPANS)
def test_within_5_ms_of_truth_over_many_seeds(rate_hz: int, seconds: int, kind: str) -> None:
    hold_to_bar(rate_hz, seconds, kind, seeds=100)


def hold_to_bar(rate_hz: int, seconds: int, kind: str, seeds: int) -> None:
    for seed in range(seeds):
        host = Host(drift_ppm=20 if seed % 2 else -20)
        t = np.arange(0, seconds, 1 / rate_hz)
        found = clock.fit(arrivals(host, t, np.random.default_rng(seed), kind), utc(t), 0.1)
        assert worst_s(found, host, np.linspace(0, seconds, 200)) < BAR_S, seed
        assert found.trusted.all()
        assert np.array_equal(found.mended_utc_ns, utc(t))
        assert not found.remarks
        if seconds >= 3600:
            assert found.drift_ppm == pytest.approx(host.drift_ppm, abs=1.0)
        assert found.residual_s is not None and 0 < found.residual_s < 0.012


def test_a_line_through_the_middle_would_miss_the_bar() -> None:
    """Least squares follows the mean of the delays; that is why the fit does not."""
    host = Host()
    t = np.arange(0, 600.0)
    mono = arrivals(host, t, np.random.default_rng(1), "uniform")
    line = np.polynomial.Polynomial.fit((mono - mono[0]) / SECOND, (utc(t) - utc(0)) / SECOND, 1)
    at = (host.mono_ns(t) + round(0.1 * SECOND) - mono[0]) / SECOND
    assert np.abs(line(at) - t).max() > BAR_S


def test_a_short_drive_takes_no_drift_from_scatter() -> None:
    host = Host(drift_ppm=20)
    t = np.arange(0, 20, 0.2)
    found = clock.fit(arrivals(host, t, np.random.default_rng(2)), utc(t), 0.1)
    assert found.drift_ppm == 0
    assert worst_s(found, host, t) < BAR_S


def test_one_epoch_is_enough_for_a_time() -> None:
    found = clock.fit(np.array([7 * SECOND]), np.array([START_NS]), 0.1)
    assert found.utc_ns(np.array([7 * SECOND - SECOND // 10])).tolist() == [START_NS]
    assert found.epochs == 1


def test_a_quartz_that_warms_up_is_followed() -> None:
    host = Host(drift_ppm=5, bend=4)  # 4 ppm more every hour: 65 ms off a straight line over 3 h
    t = np.arange(0, 3 * 3600, 0.2)
    found = clock.fit(arrivals(host, t, np.random.default_rng(3)), utc(t), 0.1)
    assert len(found.bend_s)
    assert worst_s(found, host, np.linspace(120, 3 * 3600 - 120, 500)) < BAR_S


def test_a_busy_minute_is_no_step() -> None:
    """The port's buffer is read after 10 s, again and again: many epochs are late, none is early."""
    host = Host()
    t = np.arange(0, 600, 0.1)
    mono = arrivals(host, t, np.random.default_rng(4))
    for start in (100.0, 130.0, 400.0):
        held = (t > start) & (t < start + 10)
        mono[held] = host.mono_ns(start + 10.1)
    mono = np.maximum.accumulate(mono)
    found = clock.fit(mono, utc(t), 0.1)
    assert len(found.pieces) == 1
    assert not found.remarks
    assert worst_s(found, host, t) < BAR_S
    assert found.trusted.all()  # late, but what they tell is right


# --- sleep --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [1, 10])
@pytest.mark.parametrize("anchored", [False, True])
def test_a_clock_that_stands_still_in_sleep_is_fitted_in_pieces(rate_hz: int, anchored: bool) -> None:
    host = Host(sleeps=[(300.0, 95.0), (700.0, 2.5)])
    t = np.arange(0, 1200, 1 / rate_hz)
    heard = ~((t > 299.8) & (t < 395)) & ~((t > 699.8) & (t < 702.5))
    mono = arrivals(host, t[heard], np.random.default_rng(5))
    looked = np.arange(0.0, 1200, 60)
    wall = anchors(host, looked[(looked < 299) | (looked > 396)]) if anchored else NO_ANCHORS
    found = settled(mono, utc(t[heard]), wall)
    assert len(found.pieces) == 3
    assert sum("stood still" in remark for remark in found.remarks) == 2
    slept = re.search(r"stood still for ([0-9.]+) s before 2026-05-02 09:21:0", found.remarks[0])
    assert slept is not None and float(slept[1]) == pytest.approx(95, abs=0.2)
    for start, end in ((0.0, 299.5), (395.5, 699.5), (703.5, 1200.0)):
        assert worst_s(found, host, np.linspace(start, end, 50)) < BAR_S


def test_bytes_between_waking_and_the_first_fix_belong_to_the_waking() -> None:
    host = Host(sleeps=[(300.0, 95.0)])
    t = np.r_[np.arange(0, 300, 1.0), np.arange(420, 900, 1.0)]  # awake at 395, a fix at 420
    woke = np.array([0.0, 60, 120, 180, 240, 395.1, 460])
    wall = anchors(host, woke, ahead_s=-3.0, resumed=woke == 395.1)
    found = settled(arrivals(host, t, np.random.default_rng(6)), utc(t), wall)
    assert worst_s(found, host, np.array([250.0, 299.0, 396.0, 410.0, 600.0])) < BAR_S


def test_a_clock_that_runs_on_in_sleep_needs_no_piece() -> None:
    host = Host()
    t = np.r_[np.arange(0, 300, 0.1), np.arange(4000, 4300, 0.1)]
    found = clock.fit(arrivals(host, t, np.random.default_rng(7)), utc(t), 0.1)
    assert len(found.pieces) == 1
    assert worst_s(found, host, np.linspace(0, 4300, 100)) < BAR_S


# --- the receiver's troubles --------------------------------------------------------------------------------------


def test_a_receiver_that_corrects_its_leap_seconds_is_mended_backwards() -> None:
    """One just bought counts the leap seconds of its firmware until it has heard the almanac (12.5 min at worst)."""
    host = Host()
    t = np.arange(0, 900, 0.2)
    told = utc(t) + np.where(t < 400, 2 * SECOND, 0)
    found = settled(arrivals(host, t, np.random.default_rng(8)), told)
    assert len(found.pieces) == 1
    assert "corrected its time by -2 s" in found.remarks[0]
    assert np.array_equal(found.mended_utc_ns, utc(t))
    assert worst_s(found, host, t) < BAR_S


def test_a_jump_ahead_that_the_wall_clock_does_not_make_is_the_receiver() -> None:
    host = Host()
    t = np.arange(0, 900, 0.2)
    told = utc(t) - np.where(t < 400, 3 * SECOND, 0)
    found = settled(arrivals(host, t, np.random.default_rng(9)), told, anchors(host, np.arange(0.0, 900, 60)))
    assert len(found.pieces) == 1
    assert "corrected its time by +3 s" in found.remarks[0]
    assert np.array_equal(found.mended_utc_ns, utc(t))


def test_a_leap_second_leaves_times_without_a_step() -> None:
    """2016-12-31 23:59:60 was one (IERS Bulletin C 52). Second 60 is told as the instant of 00:00:00."""
    midnight = 1_483_228_800 * SECOND
    t = np.arange(-300, 300, 0.2)
    host = Host()
    told = midnight + np.rint(t * SECOND).astype(np.int64) - np.where(t >= 1, SECOND, 0)
    found = settled(arrivals(host, t + 300, np.random.default_rng(10)), told)
    assert "leap second" in found.remarks[0]
    assert len(found.pieces) == 1
    assert np.array_equal(found.mended_utc_ns, midnight + np.rint(t * SECOND).astype(np.int64))
    assert np.diff(found.mended_utc_ns).min() > 0


def test_odd_epochs_that_tell_the_future_are_left_out() -> None:
    host = Host()
    t = np.arange(0, 600, 0.2)
    told = utc(t)
    odd = np.array([10, 500, 501, 1500, 2900])
    told[odd] += np.array([5, 40, 86400, 1, 300]) * SECOND
    found = settled(arrivals(host, t, np.random.default_rng(11)), told)
    assert len(found.pieces) == 1
    assert worst_s(found, host, t) < BAR_S
    assert set(np.flatnonzero(~found.trusted)) == set(odd)


@pytest.mark.parametrize("ahead_s", [1, 2, 18])
@pytest.mark.parametrize("pause_s", [30, 600])
@pytest.mark.parametrize("wrong", [1, 2, 3, 5, 8, 12])
@pytest.mark.parametrize("right", [1, 2, 5, 9, 10, 15])
def test_a_few_fixes_ahead_of_time_before_a_pause(wrong: int, right: int, pause_s: int, ahead_s: int) -> None:
    """A receiver that starts with an old count of leap seconds, says little, and says it again in the right time."""
    t = np.concatenate([np.arange(wrong), wrong + pause_s + np.arange(right)]).astype(float)
    mono = arrivals(Host(), t, np.random.default_rng(wrong))
    told = utc(t)
    told[:wrong] += ahead_s * SECOND
    found = settled(mono, told)
    assert abs(found.drift_ppm) < 1000  # more than any quartz and any slewing
    own, trusted = found.epochs_utc_ns(mono, told, found.utc_ns(mono))
    if right > 2:  # of two or three epochs in all none can tell which of them are wrong
        assert trusted[-right:].all() and np.array_equal(own[-right:], utc(t)[-right:])
        assert worst_s(found, Host(), t[-right:]) < 0.05


def wrong_times(seed: int) -> None:
    """Epochs of which any stretch tells any wrong time: there is a fit, and it is made of numbers."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 80))
    t = np.cumsum(rng.choice([1, 1, 1, 0.1, 0.2, 5, 30, 600], count))
    told = utc(t)
    for _ in range(int(rng.integers(0, 4))):
        start, stop = sorted(rng.integers(0, count + 1, 2).tolist())
        wrong_s = float(rng.choice([1, 2, 16, 18, -1, -18, 3600, -3600, 86400, 1e8, -1e9, 619315200, 0.3, -0.5]))
        told[start:stop] += round(wrong_s * SECOND)
    mono = arrivals(Host(), t, rng)
    with np.errstate(all="raise"):
        found = settled(mono, told)
    assert abs(found.drift_ppm) < 1000  # more than any quartz and any slewing
    assert found.residual_s is None or np.isfinite(found.residual_s)
    placed = found.utc_ns(mono)  # within what was told: several wrong times may have added up
    assert told.min() - 86400 * SECOND < placed.min() and placed.max() < told.max() + 86400 * SECOND


@pytest.mark.parametrize("block", range(4))
def test_any_mixture_of_wrong_times_is_fitted(block: int) -> None:
    for seed in range(50 * block, 50 * (block + 1)):
        wrong_times(seed)


@pytest.mark.long
@pytest.mark.parametrize("block", range(12))
def test_any_mixture_of_wrong_times_is_fitted_over_many_seeds(block: int) -> None:
    for seed in range(1000 + 500 * block, 1000 + 500 * (block + 1)):
        wrong_times(seed)


def test_a_wrong_first_date_does_not_become_the_start() -> None:
    host = Host()
    t = np.arange(0, 600, 0.2)
    told = utc(t)
    told[:3] = 2_500_000_000 * SECOND
    found = settled(arrivals(host, t, np.random.default_rng(12)), told)
    assert worst_s(found, host, t) < BAR_S


WEEKS_1024 = 1024 * 7 * 86400 * SECOND


@pytest.mark.parametrize("times", [1, 2])
def test_a_date_1024_weeks_early_is_mended_by_the_wall_clock(times: int) -> None:
    host = Host()
    t = np.arange(0, 300, 0.2)
    wall = anchors(host, np.array([0.0, 60.0]), ahead_s=86400 * 2.0)
    found = settled(arrivals(host, t, np.random.default_rng(13)), utc(t) - times * WEEKS_1024, wall)
    assert np.array_equal(found.mended_utc_ns, utc(t))
    assert f"{times} x 1024 weeks" in found.remarks[0]


@pytest.mark.parametrize("ahead_days", [-9.0, 9.0, -7168.0 * 2, 400.0])
def test_other_disagreements_of_the_date_are_told_and_left(ahead_days: float) -> None:
    """Too far from a multiple, or the other way about: a laptop whose battery died."""
    host = Host()
    t = np.arange(0, 300, 0.2)
    told = utc(t) - WEEKS_1024
    wall = anchors(host, np.array([0.0, 60.0]), ahead_s=ahead_days * 86400)
    found = settled(arrivals(host, t, np.random.default_rng(13)), told, wall)
    assert np.array_equal(found.mended_utc_ns, told)
    assert "wall clock was" in found.remarks[0]


def test_without_a_wall_clock_the_date_stays() -> None:
    t = np.arange(0, 300, 0.2)
    found = settled(arrivals(Host(), t, np.random.default_rng(14)), utc(t) - WEEKS_1024)
    assert np.array_equal(found.mended_utc_ns, utc(t) - WEEKS_1024)


def test_a_fix_found_late_dates_what_came_before() -> None:
    host = Host()
    t = np.arange(0, 1800, 1.0)
    fixed = t > 1200
    told = utc(t) + np.where(fixed, 0, 7 * SECOND)  # its own quartz until then
    found = settled(arrivals(host, t, np.random.default_rng(15)), told, fixed=fixed)
    assert found.basis == "gps"
    assert worst_s(found, host, np.linspace(0, 1800, 100)) < 2 * BAR_S  # 20 minutes beyond a fit of 10
    assert not found.trusted[~fixed].any()
    assert found.trusted[fixed].all()


def test_epochs_without_a_fix_are_better_than_nothing() -> None:
    t = np.arange(0, 300, 1.0)
    mono = arrivals(Host(), t, np.random.default_rng(16))
    found = settled(mono, utc(t), fixed=np.zeros(len(t), bool))
    assert found.basis == "gps without a fix"
    assert "never had a fix" in found.remarks[0]
    wall = anchors(Host(), np.array([0.0]), ahead_s=30)
    assert settled(mono, utc(t), wall, np.zeros(len(t), bool)).basis == "wall"


# --- the wall clock -----------------------------------------------------------------------------------------------


def test_gps_time_is_not_moved_by_the_wall_clock() -> None:
    host = Host()
    t = np.arange(0, 900, 0.2)
    looked = np.arange(0.0, 900, 60)
    wall = anchors(host, looked, ahead_s=np.where(looked < 400, 4.0, -3600.0))
    found = settled(arrivals(host, t, np.random.default_rng(17)), utc(t), wall)
    assert worst_s(found, host, t) < BAR_S
    assert len(found.pieces) == 1
    assert any("set by -3604.0 s" in remark for remark in found.remarks)
    assert found.wall_offset_s == pytest.approx(-3600, abs=0.01)


def test_without_gps_the_wall_clock_counts() -> None:
    host = Host(drift_ppm=0)
    looked = np.arange(0.0, 900, 60)
    found = clock.settle(*[np.zeros(0, np.int64)] * 2, np.zeros(0, bool), 0.1, anchors(host, looked), 0)
    assert found.basis == "wall"
    assert "no GPS time" in found.remarks[0]
    assert worst_s(found, host, np.linspace(0, 900, 50)) < 1e-6


def test_a_wall_clock_set_without_gps_keeps_the_level_that_held_longest() -> None:
    host = Host(drift_ppm=0)
    looked = np.arange(0.0, 900, 60)
    found = clock.from_wall(anchors(host, looked, ahead_s=np.where(looked < 200, 7200.0, 0.0)))
    assert worst_s(found, host, np.linspace(0, 900, 50)) < 1e-6
    assert any("set by -7200.0 s" in remark for remark in found.remarks)


def test_a_sleep_without_gps_is_taken_from_the_waking() -> None:
    host = Host(drift_ppm=0, sleeps=[(300.0, 95.0)])
    looked = np.array([0.0, 60, 120, 180, 240, 395.1, 460])
    found = clock.from_wall(anchors(host, looked, resumed=looked == 395.1))
    assert worst_s(found, host, np.array([10.0, 250, 299, 396, 460, 800])) < 1e-6
    assert any("stood still for 95.0 s" in remark for remark in found.remarks)


def test_nothing_at_all_counts_from_1970() -> None:
    found = clock.settle(*[np.zeros(0, np.int64)] * 2, np.zeros(0, bool), 0.1, NO_ANCHORS, 77)
    assert found.basis == "none"
    assert found.utc_ns(np.array([77, 78])).tolist() == [0, 1]


# --- the host's clock ---------------------------------------------------------------------------------------------


def test_the_host_clock_never_goes_back_and_counts_seconds() -> None:
    first, wall = clock.monotonic_ns(), time.time()
    time.sleep(0.05)
    later = clock.monotonic_ns()
    assert later - first == pytest.approx((time.time() - wall) * SECOND, abs=0.02 * SECOND)


@pytest.mark.skipif(not hasattr(time, "CLOCK_BOOTTIME"), reason="Linux's clock")
def test_on_linux_the_host_clock_counts_sleep() -> None:
    assert abs(clock.monotonic_ns() - time.clock_gettime_ns(time.CLOCK_BOOTTIME)) < SECOND


def test_without_a_boot_time_clock_it_falls_back() -> None:
    """As on Windows and macOS, in a process of its own."""
    program = (
        "import time\n"
        "for name in ('CLOCK_BOOTTIME', 'clock_gettime_ns', 'clock_gettime'):\n"
        "    if hasattr(time, name): delattr(time, name)\n"
        "from logger.decode import clock\n"
        "assert clock.monotonic_ns is time.monotonic_ns\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True)


@pytest.mark.parametrize("points", [2, 3, 10, 60])
def test_median_slope_is_that_of_scipy(points: int) -> None:
    from scipy.stats import theilslopes

    rng = np.random.default_rng(points)
    x, y = np.sort(rng.uniform(0, 100, points)), rng.normal(size=points)
    assert clock.median_slope(x, y) == theilslopes(y, x).slope
