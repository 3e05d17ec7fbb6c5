"""What is learned of a receiver: wander, strays, smoothing from braked stops; how it is said, kept and joined."""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest
import simulate
from scipy.signal import lfilter
from simulate import WREN, Brake, Cruise, Lift, Phase, Pull, Stand, Truth

from analysis.motion import braked_stops, smoother, states, stretch
from analysis.motion.fixes import Fixes, clean
from analysis.motion.noise import Noise, wander_covariance
from analysis.motion.receiver import UNKNOWN_SMOOTHING_S, Receiver, combine
from analysis.motion.smoother import Motion
from analysis.motion.states import Added

STOPS: list[Phase] = [Stand(8)]
for hard in (2.0, 2.8, 1.6, 2.4):
    STOPS += [Pull(15, "bite"), Lift(12), Brake(0, hard), Stand(7)]


@pytest.fixture(scope="module")
def truth() -> Truth:
    return simulate.drive(WREN, STOPS)


def received(
    truth: Truth, seed: int = 0, *, white: float = 0.04, wander: float = 0.0, over_s: float = 1.0,
    smoothing: float = 0.0, strays: float = 0.0, hold: float = 0.0, hz: float = 10.0,
) -> Fixes:  # fmt: skip
    """Readings at `hz`: the truth through a first-order filter, white and Gauss-Markov noise, no sign."""
    rng = np.random.default_rng(seed)
    dt = float(truth.t_s[1] - truth.t_s[0])
    v = truth.v_mps
    if smoothing:
        kept = math.exp(-dt / smoothing)
        v = lfilter([1 - kept], [1, -kept], v)
    t = np.arange(0.05, truth.t_s[-1], 1 / hz)
    y = (
        np.interp(t, truth.t_s, v)
        + rng.normal(0, white, len(t))
        + simulate._wander(rng, len(t), 1 / hz, over_s, wander)
    )
    stray = rng.random(len(t)) < strays
    y = np.abs(y + np.where(stray, rng.choice([-1, 1], len(t)) * rng.uniform(0.25, 2.0, len(t)), 0.0))
    y[y < hold] = 0.0
    return Fixes.of(t, np.round(y, 3))


def learned(truth: Truth, seed: int = 0, **kind: float) -> Motion:
    return smoother.smooth(clean(received(truth, seed, **kind))[0])


# --- wander -------------------------------------------------------------------------------------------------------


def test_white_noise_does_not_wander(truth: Truth) -> None:
    for seed in range(6):
        assert learned(truth, seed).noise.wander_share < 0.25


@pytest.mark.parametrize("over_s", [1.0, *(pytest.param(over_s, marks=pytest.mark.long) for over_s in (0.5, 2.0))])
def test_wander_is_learned_at_rest(truth: Truth, over_s: float) -> None:
    found = [learned(truth, seed, white=0.035, wander=0.035, over_s=over_s).noise for seed in range(6)]
    assert sum(noise.wander_share > 0 for noise in found) >= 4
    assert 0.25 < np.mean([noise.wander_share for noise in found]) < 0.7
    assert np.mean([noise.sigma_mps for noise in found]) == pytest.approx(0.0495, rel=0.15)
    told = [math.log(noise.wander_s) for noise in found if noise.wander_share > 0.3]
    assert over_s / 2.2 < np.exp(np.mean(told)) < 2.2 * over_s


def test_noise_that_is_all_wander_is_not_told_too_small(truth: Truth) -> None:
    """A white part of a hundredth and a half in its place would make the rest an eighth too small."""
    found = [learned(truth, seed, white=0.003, wander=0.05, over_s=2.0).noise for seed in range(2)]
    assert max(noise.wander_share for noise in found) > 0.99
    assert min(noise.wander_share for noise in found) > 0.9855


def test_a_held_receiver_that_wanders_is_not_taken_for_a_better_one(truth: Truth) -> None:
    """Readings at rest show nothing; those under way cannot decide, so part of the noise may wander."""
    found = [learned(truth, seed, white=0.03, wander=0.04, hold=0.3).noise for seed in range(4)]
    assert np.mean([noise.wander_share for noise in found]) > 0.1


def test_held_receivers_that_wander_are_told_from_white_ones() -> None:
    """Twelve stops, by the noise spectrum at zero frequency, which moves a time from one foot: 2 wander^2 over_s.
    A drive of four tells too little: there a receiver that holds zero is taken for one that wanders."""
    truth = simulate.drive(WREN, STOPS[:1] + 3 * STOPS[1:])
    told = {}
    for white, wander in ((0.05, 0.0), (0.035, 0.035)):
        each = [learned(truth, seed, white=white, wander=wander, hold=0.3).noise for seed in range(3)]
        told[wander] = float(np.mean([2 * noise.wander_mps**2 * noise.wander_s for noise in each]))
    assert told[0.035] == pytest.approx(2 * 0.035**2 * 1.0, rel=0.5)
    assert told[0.0] < 0.5 * told[0.035]


def test_the_smoother_with_wander_is_honest_where_the_plain_one_is_not(truth: Truth) -> None:
    """Speeds in the pulls: z with the wander learned, and with all noise taken for white."""
    told, plain = [], []
    for seed in range(5):
        fixes = received(truth, seed, white=0.02, wander=0.05)
        motion = smoother.smooth(fixes)
        white = dataclasses.replace(
            motion.receiver, wandering_share=0.0, wandering_s=None, noise_mps=0.04, smoothing_s=None
        )
        use = (truth.v_mps > 3) & (truth.t_s < motion.t_s[-1]) & (truth.t_s > motion.t_s[0])
        for into, state in ((told, motion.at(truth.t_s)), (plain, smoother.smooth(fixes, white).at(truth.t_s))):
            into.append(np.mean(((state.speed_mps - truth.v_mps) / state.speed_sigma)[use] ** 2))
    assert math.sqrt(np.mean(told)) < 1.25
    assert math.sqrt(np.mean(plain)) > 1.4


# --- smoothing ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("smoothing", [0.2, 0.35, 0.5])
def test_smoothing_is_told_from_braked_stops(truth: Truth, smoothing: float) -> None:
    found = [learned(truth, seed, smoothing=smoothing).receiver for seed in range(5)]
    told = [receiver.smoothing_s or 0.0 for receiver in found]
    assert np.sqrt(np.mean((np.array(told) - smoothing) ** 2)) < 0.05
    inside = [(r.smoothing_low_s or 0) <= smoothing <= (r.smoothing_high_s or 0) for r in found]
    assert sum(inside) >= 4
    assert all(receiver.stops == 4 for receiver in found)


@pytest.mark.parametrize(("smoothing", "hold", "within"), [(0.2, 0.0, 0.05), (0.5, 0.3, 0.12)])
def test_smoothing_is_told_where_noise_wanders_and_zero_is_held(
    truth: Truth, smoothing: float, hold: float, within: float
) -> None:
    """Four stops, some of which the hold may have made sharp: the interval knows that this is little."""
    found = [
        learned(truth, seed, white=0.035, wander=0.035, smoothing=smoothing, hold=hold).receiver for seed in range(3)
    ]
    told = np.array([receiver.smoothing_s or 0.0 for receiver in found])
    assert np.mean(told) == pytest.approx(smoothing, abs=within)
    assert all((r.smoothing_low_s or 0) <= smoothing <= (r.smoothing_high_s or 0) for r in found)


def test_three_stops_do_not_read_too_little_with_an_interval_that_misses() -> None:
    few = simulate.drive(WREN, STOPS[:1] + STOPS[5:])
    found = [learned(few, seed, smoothing=0.2).receiver for seed in range(8)]
    assert all(receiver.stops == 3 for receiver in found)
    told = [receiver.smoothing_s for receiver in found if receiver.smoothing_s is not None]
    assert len(told) == len(found)
    assert np.mean(told) == pytest.approx(0.2, abs=0.04)
    assert all((r.smoothing_low_s or 0.0) <= 0.2 <= (r.smoothing_high_s or 0.0) for r in found)


def test_where_no_stop_is_sharp_the_corner_may_be_the_drivers() -> None:
    """Stops told sharp or eased by their evidence: the interval begins at zero where hardly any is sharp."""
    times = braked_stops.TIMES_S
    likes = -0.5 * ((times - 0.2) / 0.03) ** 2
    flat = np.zeros_like(times)
    _, sharp = braked_stops._posterior(np.stack([likes + 9.0] * 5), np.stack([flat - 9.0] * 5))
    weight, eased = braked_stops._posterior(np.stack([flat - 9.0] * 5), np.stack([likes + 9.0] * 5))
    assert sharp > 4.5
    assert eased < 0.5
    assert float(weight @ times) == pytest.approx(0.2, abs=0.03)


def test_without_smoothing_none_is_claimed(truth: Truth) -> None:
    for seed in range(6):
        receiver = learned(truth, seed).receiver
        assert receiver.smoothing_low_s is not None
        assert receiver.smoothing_low_s < 0.05
        assert receiver.undone_s == 0.0


def test_smoothing_is_unknown_without_a_braked_stop() -> None:
    moving = simulate.drive(WREN, [Stand(8), Pull(14), Cruise(14, 30), Pull(18), Cruise(18, 20)])
    receiver = learned(moving, smoothing=0.35).receiver
    assert receiver.smoothing_s is None
    assert receiver.smoothing_doubt_s == UNKNOWN_SMOOTHING_S
    assert "smoothing unknown" in receiver.words("mph")


def test_fixes_a_second_apart_do_not_tell_smoothing(truth: Truth) -> None:
    assert learned(truth, hz=1.0).receiver.smoothing_s is None


def test_motion_is_the_cars_not_the_filters(truth: Truth) -> None:
    late, left = [], []
    for seed in range(3):
        fixes = received(truth, seed, smoothing=0.4)
        motion = smoother.smooth(fixes)
        use = (truth.v_mps > 3) & (truth.a_mps2 > 0.4) & (truth.t_s < motion.t_s[-1])
        left.append(np.mean((motion.at(truth.t_s[use]).speed_mps - truth.v_mps[use]) / truth.a_mps2[use]))
        asis = dataclasses.replace(motion.receiver, smoothing_s=0.0, smoothing_low_s=0.0)
        late.append(
            np.mean((smoother.smooth(fixes, asis).at(truth.t_s[use]).speed_mps - truth.v_mps[use]) / truth.a_mps2[use])
        )
    assert np.mean(late) == pytest.approx(-0.4, abs=0.08)  # a first-order filter lags a ramp by its time constant
    assert np.mean(left) == pytest.approx(0.0, abs=0.04)


def test_sigma_holds_around_gear_changes_behind_a_filter() -> None:
    """Pulls that stop for 0.4 s at a gear change, behind half a second of smoothing that is known."""
    push = np.zeros(400)
    for _ in range(10):
        push = np.concatenate([push, np.full(350, 2.4), np.full(40, -0.2), np.full(250, 2.2), np.full(350, -3.9)])
    v = np.maximum(np.cumsum(push) * 0.01, 0.0)
    t = np.arange(len(v)) * 0.01
    kept = math.exp(-0.01 / 0.5)
    shown = lfilter([1 - kept], [1, -kept], v)
    changes = np.convolve(np.abs(np.diff(push, prepend=0.0)) > 2.0, np.ones(60), "same") > 0
    known = Receiver(10.0, 0.05, smoothing_s=0.5, smoothing_low_s=0.48, smoothing_high_s=0.52, smoothing_sigma_s=0.01)
    z = []
    for seed in range(2):
        at = np.arange(3, len(t), 10)
        y = np.abs(shown[at] + np.random.default_rng(seed).normal(0, 0.05, len(at)))
        motion = smoother.smooth(Fixes.of(t[at], y), known)
        near = changes[at] & (v[at] > 3)
        z.append(((motion.speed_mps - v[at]) / motion.speed_sigma)[near])
    assert 0.75 < math.sqrt(float(np.mean(np.concatenate(z) ** 2))) < 1.4


def test_a_known_receiver_serves_a_drive_that_tells_nothing(truth: Truth) -> None:
    known = learned(truth, 3, smoothing=0.35).receiver
    short = simulate.drive(WREN, [Stand(6), Pull(15), Lift(14)])
    motion = smoother.smooth(received(short, 1, smoothing=0.35), known)
    assert motion.receiver is known
    state = motion.at(short.t_s)
    use = (short.v_mps > 2) & (short.phase == 1)
    assert np.nanmean((state.speed_mps - short.v_mps)[use]) == pytest.approx(0.0, abs=0.06)


def test_the_states_are_exact_for_their_model() -> None:
    """Kalman and RTS over speed, acceleration, filtered speed and wander against Gaussian conditioning in full."""
    rng = np.random.default_rng(4)
    n, h, q = 30, 0.1, 0.8
    added = Added(0.3, 0.06, 0.7)
    t = np.arange(n) * h
    f, (motion, wander) = states.transition(np.array([h]), added)[0], states.process(np.array([h]), added)
    step = q * motion[0] + wander[0]
    start = np.zeros((4, 4))
    start[0, 0] = start[0, 2] = start[2, 0] = 100.0
    start[1, 1], start[2, 2], start[3, 3] = 25.0, 104.0, 0.06**2
    covariance = np.zeros((n, n, 4, 4))
    covariance[0, 0] = start
    for k in range(1, n):
        covariance[k, k] = f @ covariance[k - 1, k - 1] @ f.T + step
    for i in range(n):
        for j in range(i + 1, n):
            covariance[j, i] = f @ covariance[j - 1, i]
            covariance[i, j] = covariance[j, i].T
    reads = np.array([0.0, 0.0, 1.0, 1.0])
    y = 5 + 1.5 * t + rng.normal(0, 0.05, n)
    gram = np.einsum("ijab,a,b->ij", covariance, reads, reads) + np.eye(n) * 0.05**2
    cross = np.einsum("ijab,b->iaj", covariance, reads)
    origin = np.array([y[0], 0.0, y[0], 0.0])
    expected = origin + cross @ np.linalg.solve(gram, y - y[0])
    left = np.stack([covariance[i, i] - cross[i] @ np.linalg.solve(gram, cross[i].T) for i in range(n)])
    mean, cov, _ = states.smooth_states(
        t, y, np.full(n, 0.05**2), np.zeros(n, bool), np.full(n, q), np.arange(n)[None], np.ones((1, n), bool), added
    )
    np.testing.assert_allclose(mean[0], expected[:, :2], atol=2e-5)
    np.testing.assert_allclose(cov[0], left[:, :2, :2], atol=1e-5)


# --- strays -------------------------------------------------------------------------------------------------------


def test_strays_do_not_move_the_motion(truth: Truth) -> None:
    clean_error, stray_error = [], []
    for seed in range(3):
        for into, share in ((clean_error, 0.0), (stray_error, 0.02)):
            motion = learned(truth, seed, strays=share)
            use = (truth.v_mps > 2) & (truth.t_s < motion.t_s[-1]) & (truth.t_s > motion.t_s[0])
            into.append(np.mean((motion.at(truth.t_s[use]).speed_mps - truth.v_mps[use]) ** 2))
            assert motion.noise.sigma_mps == pytest.approx(0.04, rel=0.2)
    assert math.sqrt(np.mean(stray_error)) < 1.3 * math.sqrt(np.mean(clean_error))


# --- said, kept, joined -------------------------------------------------------------------------------------------


def test_a_receiver_is_said_in_words() -> None:
    said = Receiver(10.0, 0.05, 0.5, 1.0, 0.0, 0.0, 0.12, 0.04).words("km/h")
    assert said == "10 fixes a second, noise 0.05 m/s, half of it drifting over 1 s, no smoothing seen (at most 0.12 s)"
    said = Receiver(5.0, 0.031, smoothing_s=0.35, smoothing_low_s=0.3, smoothing_high_s=0.4, outlier_share=0.02).words(
        "mph"
    )
    assert (
        said
        == "5 fixes a second, noise 0.07 mph, smooths speed over 0.35 s (0.30 to 0.40), 2 % of its readings far off"
    )


def test_a_receiver_is_kept_as_json(truth: Truth) -> None:
    receiver = learned(truth, 1, smoothing=0.35).receiver
    assert Receiver.of_json(json.loads(json.dumps(receiver.as_json()))) == receiver
    assert Receiver.of_json({"hz": 10.0, "noise_mps": 0.05, "of_a_later_version": 1}) == Receiver(10.0, 0.05)


def test_drives_of_one_receiver_are_joined() -> None:
    one = Receiver(10.0, 0.04, 0.5, 1.0, 0.30, 0.2, 0.4, 0.05, 0.02, stops=4)
    other = Receiver(10.0, 0.06, 0.0, None, 0.40, 0.3, 0.5, 0.05, 0.0, stops=6)
    joined = combine([one, other, Receiver(10.0, 0.05)])
    assert joined.noise_mps == pytest.approx(math.sqrt((0.04**2 + 0.06**2 + 0.05**2) / 3))
    assert joined.wandering_share == pytest.approx(0.04**2 * 0.5 / 3 / joined.noise_mps**2)
    assert joined.smoothing_s == pytest.approx(0.35)
    # They differ by 1.4 of their standard errors: the joint error is no smaller than that says.
    assert joined.smoothing_sigma_s == pytest.approx(0.05)
    assert (joined.stops, joined.drives) == (10, 3)
    with pytest.raises(ValueError, match="fixes a second"):
        combine([one, Receiver(5.0, 0.05)])
    with pytest.raises(ValueError, match="no receiver"):
        combine([])


def test_the_covariance_of_readings() -> None:
    noise = Noise(0.05, 0.05, 0.0, 0.0, "folded", 10.0, 0.64, 2.0)
    found = wander_covariance(np.array([0.0, 1.0]), noise)
    assert found[0, 0] == pytest.approx(0.05**2)
    assert found[0, 1] == pytest.approx(0.04**2 * math.exp(-0.5))


# --- way over pauses ----------------------------------------------------------------------------------------------


def test_a_pause_is_not_bridged_by_the_speeds_at_its_ends() -> None:
    script: list[Phase] = [Stand(6), Pull(14), Cruise(14, 20), Brake(0), Stand(200), Pull(14), Cruise(14, 20), Brake(0)]
    parked = simulate.drive(WREN, [*script, Stand(5)])
    got = simulate.receive(parked, np.random.default_rng(1))
    stood = parked.t_s[(parked.v_mps == 0) & (parked.t_s > 20)]
    out = (got.t_s > stood[0] - 1.5) & (got.t_s < stood[0] + 201.5)
    fixes = Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg).only(~out)
    motion = smoother.smooth(fixes)
    assert len(motion.gaps) == 1
    assert motion.distance_m[-1] == pytest.approx(parked.s_m[-1], abs=12)
    assert abs(motion.distance_m[-1] - parked.s_m[-1]) < 3 * motion.distance_sigma[-1]
    # Without positions nothing is known of it: no way, and an error that says so.
    blind = smoother.smooth(dataclasses.replace(fixes, lat_deg=fixes.lat_deg * np.nan))
    middle = blind.distance_at([stood[0] + 100.0])[0]
    assert middle == pytest.approx(blind.distance_at([stood[0] + 199.0])[0], abs=0.1)
    assert blind.distance_sigma[-1] > 100


@pytest.mark.parametrize("pause_s", [60.0, 207.0, 1800.0, 86400.0])
@pytest.mark.parametrize(("smoothing_s", "share"), [(0.106, 0.0), (0.35, 0.5), (0.0, 0.5)])
def test_a_pause_of_any_length_is_read_behind_any_receiver(
    truth: Truth, pause_s: float, smoothing_s: float, share: float
) -> None:
    """Off at speed, and on again: what is some seconds from it is as it would be without."""
    fixes = received(truth, 2, smoothing=smoothing_s)
    off = fixes.t_s > float(truth.runs[1].start_s) + 3.0
    known = Receiver(10.0, 0.04, share, 1.0 if share else None, smoothing_s, 0.0, 0.5, 0.02)
    whole = smoother.smooth(fixes, known)
    paused = smoother.smooth(dataclasses.replace(fixes, t_s=fixes.t_s + np.where(off, pause_s, 0.0)), known)
    assert np.isfinite(paused.speed_mps).all()
    assert np.isfinite(paused.speed_sigma).all()
    away = np.abs(fixes.t_s - fixes.t_s[np.argmax(off)]) > 6.0
    assert paused.speed_mps[away] == pytest.approx(whole.speed_mps[away], abs=0.06)


def test_track_and_speed_that_disagree_are_named(truth: Truth) -> None:
    got = simulate.receive(truth, np.random.default_rng(1))
    fixes = Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg)
    assert stretch.disagreement(smoother.smooth(fixes), fixes) is None
    quick = dataclasses.replace(fixes, speed_mps=1.25 * fixes.speed_mps)
    found = stretch.disagreement(smoother.smooth(quick), quick)
    assert found is not None
    assert found.by_speed_m == pytest.approx(1.25 * found.by_track_m, rel=0.05)
    assert found.words == f"{found.by_speed_m / 1000:.2f} km by speed and {found.by_track_m / 1000:.2f} km by its track"
