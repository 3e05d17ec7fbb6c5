"""Speed, acceleration and distance from fixes: noise learned, edges kept, sigmas that hold, bad fixes set aside."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import simulate
from simulate import SLOW_CAR, WREN, Brake, Cruise, Lift, Phase, Pull, Stand, Truth

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.motion.levels import FixBlocks
from analysis.motion.smoother import Motion

KNOT = 1852 / 3600
DRIVE: list[Phase] = [
    Stand(8), Pull(20, "bite", shifts=(6.0, 12.0), shift_s=0.6), Lift(12), Pull(22, seconds=8), Cruise(14, 25),
    Brake(0), Stand(6), Pull(15, "slip"), Brake(0), Stand(5),
]  # fmt: skip


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulate.drive(WREN, DRIVE)


def received(truth: Truth, seed: int = 0, rate: float = 10.0, noise: float = 0.05, decimals: int | None = 3) -> Fixes:
    got = simulate.receive(truth, np.random.default_rng(seed), rate, noise, decimals)
    return Fixes.of(
        got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg, None, got.satellites, got.hdop
    )


def smoothed(truth: Truth, seed: int = 0, rate: float = 10.0, noise: float = 0.05, decimals: int | None = 3) -> Motion:
    return smoother.smooth(clean(received(truth, seed, rate, noise, decimals))[0])


# --- fixes --------------------------------------------------------------------------------------------------------


def test_columns_of_unlike_length_are_refused() -> None:
    with pytest.raises(ValueError, match="3"):
        Fixes.of([0, 1, 2], [0, 1, 2], alt_m=[1, 2])


def test_a_motion_needs_two_fixes() -> None:
    with pytest.raises(ValueError, match="two good fixes"):
        smoother.smooth(Fixes.of([0.0], [1.0]))
    assert smoother.smooth(Fixes.of([0.0, 0.1], [1.0, 1.1])).at([0.05]).speed_mps[0] == pytest.approx(1.05, abs=0.1)


def test_bad_fixes_are_set_aside_and_counted_by_reason(truth: Truth) -> None:
    fixes = received(truth)
    t, v = fixes.t_s.copy(), fixes.speed_mps.copy()
    valid, satellites, hdop = np.ones(len(t), bool), np.full(len(t), 9.0), np.full(len(t), 0.9)
    valid[50:55] = False
    v[60] = np.nan
    satellites[100:103] = 3
    hdop[120] = 20.0
    t[201] = t[200]
    v[300] += 25.0
    v[330:332] += 9.0
    bad = dataclasses.replace(fixes, t_s=t, speed_mps=v, valid=valid, satellites=satellites, hdop=hdop)
    kept, aside = clean(bad)
    assert aside.counts == {
        "no fix": 5, "without a speed": 1, "few satellites": 3, "poor geometry": 1, "repeated epoch": 1, "spike": 3
    }  # fmt: skip
    assert aside.total == 14
    assert len(kept) == len(t) - 14
    assert not aside.kept[[52, 60, 101, 120, 201, 300, 330, 331]].any()


def test_an_epoch_out_of_order_is_not_used() -> None:
    kept, aside = clean(Fixes.of([0.0, 0.1, 0.2, 0.15, 0.3], np.ones(5)))
    assert aside.counts == {"repeated epoch": 1}
    assert kept.t_s.tolist() == [0.0, 0.1, 0.2, 0.3]


@pytest.mark.parametrize(("rate", "noise"), [(25, 0.05), (10, 0.05), (10, 0.15), (5, 0.02), (1, 0.05)])
def test_hard_driving_makes_no_spikes(rate: float, noise: float) -> None:
    hard = dataclasses.replace(WREN, power_w=60_000, force_n=3400)
    script: list[Phase] = [
        Stand(4),
        Pull(25, "step", shifts=(9.0, 16.0)),
        Brake(6, 9.0),
        Pull(20),
        Brake(0, 9.0),
        Stand(3),
    ]
    truth = simulate.drive(hard, script)
    for seed in range(5):
        assert clean(received(truth, seed, rate, noise))[1].counts == {}


@pytest.mark.parametrize("rate", [25, 10, 5])
def test_single_spikes_are_found(truth: Truth, rate: float) -> None:
    rng = np.random.default_rng(3)
    fixes = received(truth, rate=rate)
    where = np.sort(rng.choice(np.arange(10, len(fixes) - 10, 12), 12, replace=False))
    v = fixes.speed_mps.copy()
    v[where] = np.abs(v[where] + rng.choice([-1, 1], 12) * rng.uniform(1.5, 30, 12))
    changed = np.abs(v - fixes.speed_mps) > 1.2
    aside = clean(dataclasses.replace(fixes, speed_mps=v))[1]
    assert (~aside.kept[changed]).mean() >= 0.9
    assert (~aside.kept & ~changed).sum() <= 1


# --- noise --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate", "tolerance"),
    [(10, 0.12), (1, 0.4), *(pytest.param(*case, marks=pytest.mark.long) for case in ((25, 0.1), (5, 0.2)))],
)
@pytest.mark.parametrize("noise", [0.02, 0.05, 0.15])
def test_noise_is_learned_from_the_drive(truth: Truth, rate: float, tolerance: float, noise: float) -> None:
    found = np.mean([smoothed(truth, seed, rate, noise).noise.sigma_mps for seed in range(2)])
    assert found == pytest.approx(noise, rel=tolerance)


def test_noise_is_learned_without_a_standstill() -> None:
    moving = simulate.drive(WREN, [Pull(14), Cruise(14, 30), Pull(22, seconds=15), Lift(12), Cruise(12, 20)])
    fixes = received(moving, noise=0.08)
    found = smoother.smooth(fixes.only(fixes.t_s > 5)).noise
    assert found.sigma_mps == pytest.approx(0.08, rel=0.15)
    assert np.isnan(found.rest_sigma_mps)


@pytest.mark.parametrize("decimals", [1, 2, 3])
def test_the_step_of_the_readings_is_found(truth: Truth, decimals: int) -> None:
    assert smoothed(truth, decimals=decimals).noise.quantum_mps == pytest.approx(KNOT * 10.0**-decimals)


def test_readings_without_a_step_have_none(truth: Truth) -> None:
    assert smoothed(truth, decimals=None).noise.quantum_mps == 0.0


def test_how_noise_shows_at_rest_is_told_apart(truth: Truth) -> None:
    t = np.arange(0.3, truth.t_s[-1], 0.1)
    v = truth.at(t)
    rng = np.random.default_rng(1)
    a, b = rng.normal(0, 0.06, (2, len(t)))
    shown = {
        "signed": v + a,
        "folded": np.abs(v + a),
        "clipped": np.maximum(v + a, 0),
        "horizontal": np.hypot(v + a, b),
    }
    for kind, readings in shown.items():
        noise = smoother.smooth(Fixes.of(t, readings)).noise
        assert noise.kind == kind
        assert noise.sigma_mps == pytest.approx(0.06, rel=0.15), kind
        assert noise.hold_mps == 0.0


@pytest.mark.parametrize("hold", [0.25, 0.5, 1.0])
def test_a_receiver_that_holds_zero_is_recognised(truth: Truth, hold: float) -> None:
    got = simulate.receive(truth, np.random.default_rng(2), hold_zero_mps=hold)
    noise = smoother.smooth(Fixes.of(got.t_s, got.speed_mps)).noise
    assert abs(noise.hold_mps - hold) < min(0.1, 2.5 * noise.hold_doubt_mps)
    assert noise.sigma_mps == pytest.approx(0.05, rel=0.2)


# --- motion -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rate", "noise"), [(25, 0.05), (10, 0.05), (5, 0.05), (10, 0.15)])
def test_sigma_of_speed_and_acceleration_holds(truth: Truth, rate: float, noise: float) -> None:
    z_speed, z_accel = [], []
    moving = truth.v_mps > 1.0
    # Away from the instants where force jumps: there acceleration has no one value.
    jump = np.abs(np.gradient(truth.a_mps2, truth.t_s)) > 3
    calm = moving & (np.convolve(jump, np.ones(81), "same") == 0)
    for seed in range(2):
        found = smoothed(truth, seed, rate, noise)
        state = found.at(truth.t_s)
        use = calm & np.isfinite(state.speed_mps)
        z_speed.append((state.speed_mps - truth.v_mps)[use] / state.speed_sigma[use])
        z_accel.append((state.accel_mps2 - truth.a_mps2)[use] / state.accel_sigma[use])
    for z in (np.abs(np.concatenate(z_speed)), np.abs(np.concatenate(z_accel))):
        assert 0.62 < np.mean(z < 1) < 0.92  # acceleration's is on the safe side
        assert np.mean(z < 2) > 0.92


def test_the_smoother_beats_the_readings_and_keeps_the_edges(truth: Truth) -> None:
    steady = (truth.t_s > 45) & (truth.t_s < 60)
    edges = truth.t_s[1:][np.abs(np.diff(truth.a_mps2)) > 0.8]
    for seed in range(3):
        state = smoothed(truth, seed).at(truth.t_s)
        error = state.speed_mps - truth.v_mps
        assert np.sqrt(np.nanmean(error[steady] ** 2)) < 0.025  # half the noise
        near = np.abs(truth.t_s[:, None] - edges[None, :]).min(1) < 0.3
        assert np.nanmax(np.abs(error[near])) < 0.16  # three times the noise of one reading
        assert np.sqrt(np.nanmean(error[near] ** 2)) < 0.05  # no more than the noise: not rounded off


def test_a_car_that_stands_does_not_travel(truth: Truth) -> None:
    found = smoothed(truth)
    assert found.distance_at([7.0])[0] < 0.05
    for rest in found.rests:
        if rest.end_s - rest.start_s > 3:
            way = found.distance_at([rest.start_s + 1, rest.end_s - 1])
            assert way[1] - way[0] == pytest.approx(0, abs=0.05)


def test_rests_are_where_the_car_stood(truth: Truth) -> None:
    found = smoothed(truth)
    assert len(found.rests) == 3
    stood = truth.v_mps == 0
    for rest in found.rests:
        inside = (truth.t_s > rest.start_s + 0.5) & (truth.t_s < rest.end_s - 0.5)
        assert stood[inside].all()


def test_distance_and_its_sigma(truth: Truth) -> None:
    z = []
    for seed in range(5):
        found = smoothed(truth, seed)
        way = found.distance_at([20.0, 60.0])
        true = np.interp([20.0, 60.0], truth.t_s, truth.s_m)
        sigma = np.sqrt(np.diff(np.interp([20.0, 60.0], found.t_s, found.distance_sigma) ** 2))[0]
        z.append(((way[1] - way[0]) - (true[1] - true[0])) / sigma)
    assert np.sqrt(np.mean(np.square(z))) < 1.8


def test_gaps_are_listed_and_widen_sigma(truth: Truth) -> None:
    fixes = received(truth)
    hole = (fixes.t_s > 10) & (fixes.t_s < 13)
    found = smoother.smooth(fixes.only(~hole))
    (gap,) = found.gaps
    assert (gap.start_s, gap.end_s) == pytest.approx((10, 13), abs=0.2)
    inside, outside = found.at([11.5]), found.at([9.0])
    assert inside.speed_sigma[0] > 5 * outside.speed_sigma[0]
    assert abs(inside.speed_mps[0] - truth.at(np.array([11.5]))[0]) < 3 * inside.speed_sigma[0]


def test_outside_the_drive_there_is_no_motion(truth: Truth) -> None:
    found = smoothed(truth)
    state = found.at([found.t_s[0] - 1, found.t_s[-1] + 1, np.nan])
    assert all(np.isnan(values).all() for values in state)


def test_at_the_fixes_the_state_is_the_smoothers(truth: Truth) -> None:
    found = smoothed(truth)
    state = found.at(found.t_s)
    np.testing.assert_allclose(state.speed_mps, found.speed_mps, atol=1e-9)
    np.testing.assert_allclose(state.speed_sigma, found.speed_sigma, rtol=1e-4)
    np.testing.assert_allclose(state.accel_sigma, found.accel_sigma, rtol=1e-4)


def _dense(t: np.ndarray, y: np.ndarray, variance: float, q: float, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gaussian-process regression with the covariance of an integrated Wiener process, in full: mean and variance."""

    def kernel(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        low, high = np.minimum(a[:, None], b[None, :]), np.maximum(a[:, None], b[None, :])
        return 100.0 + 25.0 * a[:, None] * b[None, :] + q * (low**2 * high / 2 - low**3 / 6)

    gain = kernel(at, t) @ np.linalg.inv(kernel(t, t) + variance * np.eye(len(t)))
    mean = y[0] + gain @ (y - y[0])
    return mean, np.diag(kernel(at, at) - gain @ kernel(t, at))


def test_the_smoother_is_exact_for_its_model() -> None:
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 8, 60))
    t -= t[0]
    y = 10 + 2 * np.sin(t) + rng.normal(0, 0.1, 60)
    q = 0.7
    mean, cov, gain = smoother._smooth_with(t, y, np.full(60, 0.01), np.full(59, q))
    base = smoother.smooth(Fixes.of(t, y))
    found = dataclasses.replace(
        base, speed_mps=mean[:, 0], accel_mps2=mean[:, 1], covariance=cov, gain=gain, q=np.full(60, q),
        speed_sigma=np.sqrt(cov[:, 0, 0]), accel_sigma=np.sqrt(cov[:, 1, 1]),
    )  # fmt: skip
    at = np.linspace(0.01, t[-1] - 0.01, 97)
    state = found.at(at)
    expected, variance = _dense(t, y, 0.01, q, at)
    np.testing.assert_allclose(state.speed_mps, expected, atol=1e-6)
    np.testing.assert_allclose(state.speed_sigma, np.sqrt(variance), rtol=1e-4)


def test_blocks_side_by_side_give_what_one_block_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    truth = simulate.drive(WREN, [Stand(5), *([Pull(18), Cruise(18, 20), Brake(3)] * 6)])
    fixes = clean(received(truth))[0]
    found = smoother.smooth(fixes)
    assert len(smoother._blocks(fixes.t_s).starts) > 3
    n = len(fixes)
    whole = FixBlocks(np.arange(n)[None, :], np.ones((1, n), bool), slice(0, n), np.array([0]), n)
    monkeypatch.setattr(smoother, "_blocks", lambda t: whole)
    one = smoother.smooth(fixes)
    assert (np.abs(found.speed_mps - one.speed_mps) < 0.2 * one.speed_sigma).all()
    np.testing.assert_allclose(found.speed_sigma, one.speed_sigma, rtol=0.05)


def test_speeds_far_apart_are_independent(truth: Truth) -> None:
    found = smoothed(truth)
    assert found.speed_covariance(12.0, 12.0) == pytest.approx(found.at([12.0]).speed_sigma[0] ** 2, rel=0.1)
    assert found.speed_covariance(12.0, 30.0) == 0.0
    assert found.speed_covariance(12.0, 12.1) == found.speed_covariance(12.1, 12.0) > 0


def test_a_slow_car_at_fifty_is_timed_without_the_first_crossings_bias() -> None:
    """The first reading over 50 mph is early (by 0.07 s at 10 Hz and 0.05 m/s); the smoothed crossing is not."""
    truth = simulate.drive(SLOW_CAR, [Stand(5), Pull(23.5), Lift(18)])
    run = truth.runs[0]
    when = run.start_s + run.time_to(22.352)
    late = []
    for seed in range(8):
        found = smoothed(truth, seed)
        late.append(-(found.at([when]).speed_mps[0] - 22.352) / 0.27)
    assert abs(np.mean(late)) < 0.035
    assert np.std(late) < 0.06
