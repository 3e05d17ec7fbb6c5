"""Speed, acceleration and distance of a drive from the fixes of a GPS receiver, with honest sigmas.

    fixes = read_fixes(drive)                 # or Fixes.of(t_s, speed_mps, ...) from arrays
    kept, set_aside = clean(fixes)            # bad fixes set aside, counted by reason
    motion = smooth(kept)                     # speed and acceleration at every fix, noise learned from the drive
    state = motion.at(times)                  # and at any other time, with sigmas

Only the receiver's speed (Doppler, sentences RMC and VTG) is used for motion, never differenced positions.

**Model.** Speed is an integrated Wiener process: acceleration wanders with an intensity q [m2/s5], the state-space form
of the cubic smoothing spline [1]. One q cannot serve a drive: in a steady pull it is small, in traffic large, at a
launch, a lift or a gear change the acceleration jumps. So q is one of several levels between which the drive switches
(a Markov chain); an interacting-multiple-model filter [2] runs over the drive forwards and backwards, and for each
interval between two fixes the levels are weighed by what both filters and their junction say: an edge is a place where
the past and the future are each smooth and do not fit together. One Kalman filter and Rauch-Tung-Striebel smoother [3]
with the q found give the motion and its covariance. Speed reported at a standstill measures the speed error itself [4].

[1] G. Wahba, "Improper priors, spline smoothing and the problem of guarding against model errors in regression",
    J. R. Stat. Soc. B 40 (1978). [2] H. Blom, Y. Bar-Shalom, "The interacting multiple model algorithm for systems
    with Markovian switching coefficients", IEEE Trans. Autom. Control 33 (1988). [3] H. Rauch, F. Tung, C. Striebel,
    "Maximum likelihood estimates of linear dynamic systems", AIAA J. 3 (1965). [4] T. Chalko, "Estimating accuracy of
    GPS Doppler speed measurement" (2009).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Bools, Codes, Floats, running_most
from analysis.motion.braked_stops import Smoothing, learn_smoothing
from analysis.motion.fixes import Fixes, difference_sigma
from analysis.motion.levels import Q_LEVELS, Q_SHARE, run_levels, unblock, white_likelihoods
from analysis.motion.levels import make_blocks as _blocks
from analysis.motion.noise import Interval, Noise, noise_at_rest, pinned_steps, quantum_of, rest_intervals, rest_mask
from analysis.motion.other_drives import noise_with, told_beside, with_others
from analysis.motion.receiver import Receiver
from analysis.motion.states import Added, smooth_states
from analysis.motion.strays import trust_in
from analysis.motion.wander import wander_at_rest, wander_under_way, with_wander
from analysis.motion.way import over_gaps, ways

GAP_S = 1.0
"""A pause between fixes is a gap when it is longer than this and than 2.5 usual steps."""

_GAP_Q = 3.0
"""The least wander in a gap [m2/s5]: a gear change or a touch of the brake may hide there."""
_SUDDEN_Q = 0.1
"""Above this much wander [m2/s5] the acceleration changes at once, as at a gear change."""
_REST_SIGMA_MPS = 0.003
LEAST_NOISE_MPS = 0.015
"""No receiver's Doppler speed is better than this; one that seems so repeats itself."""


_FourParts = tuple[Floats, Floats, Floats, Floats]
"""By how much speed and acceleration at the fix before count, and those at the fix after."""


class _Spots(NamedTuple):
    """Where some times lie between fixes."""

    t: Floats
    before: Codes
    """The fix before each."""
    h: Floats
    """Seconds from there to the next."""
    u: Floats
    """Which part of them has gone."""
    speed_by: _FourParts
    accel_by: _FourParts


class State(NamedTuple):
    """Speed [m/s] and acceleration [m/s2] at some times, with their standard deviations; NaN outside the drive."""

    speed_mps: Floats
    speed_sigma: Floats
    accel_mps2: Floats
    accel_sigma: Floats


@dataclass(frozen=True)
class Motion:
    """Smoothed motion at the kept fixes; see `at` for other times. All arrays are of one length.

    distance_m counts from the first fix; q is the acceleration's wander in the interval after each fix [m2/s5].
    """

    t_s: Floats
    reading_mps: Floats
    speed_mps: Floats
    accel_mps2: Floats
    distance_m: Floats
    speed_sigma: Floats
    accel_sigma: Floats
    distance_sigma: Floats
    """Of the way from the first fix [m]."""
    noise: Noise
    rests: list[Interval]
    """Where the car stood."""
    gaps: list[Interval]
    """Where fixes are missing."""
    step_s: float
    """The usual time between fixes [s]."""
    epoch_utc_ns: int
    receiver: Receiver
    """What the receiver is like, learned from this drive or given."""
    q: Floats = field(repr=False)
    covariance: Floats = field(repr=False)
    """(n, 2, 2) of (speed, acceleration)."""
    gain: Floats = field(repr=False)
    """(n, 2, 2) smoother gains; cov(state i, state i+1) = gain[i] @ covariance[i+1]."""
    trust: Floats = field(repr=False)
    """How surely each reading is no stray one: 1 is certain (n)."""
    alone: Receiver | None = None
    """What this drive by itself shows of the receiver; None where nothing was learned from it."""

    def at(self, times: ArrayLike) -> State:
        """Speed and acceleration with sigmas at any times [s]; exact for the model, also between fixes."""
        spots = self._spots(times)
        if spots is None:
            nan = np.full(np.atleast_1d(times).shape, np.nan)
            return State(nan, nan, nan, nan)
        t, i, h, u, speed_by, accel_by = spots
        speed, accel = self._mean(i, speed_by), self._mean(i, accel_by)
        # To what is not known of the two states the bridge's own variance is added.
        rest = 1 - u
        var_v = np.maximum(self._variance(i, speed_by) + self.q[i] * (u * rest * h) ** 3 / 3, 0)
        var_a = np.maximum(self._variance(i, accel_by) + self.q[i] * u * rest * h * (1 - 3 * u * rest), 0)
        outside = self._outside(t)
        for values in (speed, accel, var_v, var_a):
            values[outside] = np.nan
        return State(speed, np.sqrt(var_v), accel, np.sqrt(var_a))

    def mean_at(self, times: ArrayLike) -> tuple[Floats, Floats]:
        """Speed [m/s] and acceleration [m/s2] as `at` gives them, without their sigmas, which cost most of it."""
        spots = self._spots(times)
        if spots is None:
            nan = np.full(np.atleast_1d(times).shape, np.nan)
            return nan, nan
        speed, accel = self._mean(spots.before, spots.speed_by), self._mean(spots.before, spots.accel_by)
        outside = self._outside(spots.t)
        speed[outside] = accel[outside] = np.nan
        return speed, accel

    def _spots(self, times: ArrayLike) -> _Spots | None:
        """None with fewer than two fixes. Between two known states the process is Gaussian: its mean is the cubic with
        their speeds and accelerations."""
        t = np.atleast_1d(np.asarray(times, float))
        n = len(self.t_s)
        if n < 2:
            return None
        i = np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, n - 2)
        h = np.maximum(self.t_s[i + 1] - self.t_s[i], 1e-9)
        u = np.clip((t - self.t_s[i]) / h, 0, 1)
        rest = 1 - u
        slope = 6 * u * rest / h
        return _Spots(
            t, i, h, u,
            ((1 + 2 * u) * rest**2, u * rest**2 * h, u * u * (3 - 2 * u), -u * u * rest * h),
            (-slope, rest * (1 - 3 * u), slope, u * (3 * u - 2)),
        )  # fmt: skip

    def _outside(self, t: Floats) -> Bools:
        return np.asarray((t < self.t_s[0]) | (t > self.t_s[-1]) | ~np.isfinite(t))

    def _mean(self, i: Codes, by: _FourParts) -> Floats:
        """Of a weighted sum of speed and acceleration at fix i and at fix i + 1."""
        v0, a0, v1, a1 = by
        speed, accel = self.speed_mps, self.accel_mps2
        return np.asarray(v0 * speed[i] + a0 * accel[i] + v1 * speed[i + 1] + a1 * accel[i + 1])

    def _variance(self, i: Codes, by: _FourParts) -> Floats:
        """Of the same."""
        v0, a0, v1, a1 = by
        c0, c1, gain = self.covariance[i], self.covariance[i + 1], self.gain[i]
        var = v0 * v0 * c0[:, 0, 0] + 2 * v0 * a0 * c0[:, 0, 1] + a0 * a0 * c0[:, 1, 1]
        var += v1 * v1 * c1[:, 0, 0] + 2 * v1 * a1 * c1[:, 0, 1] + a1 * a1 * c1[:, 1, 1]
        # Covariance of the two states is gain @ c1.
        left0, left1 = v0 * gain[:, 0, 0] + a0 * gain[:, 1, 0], v0 * gain[:, 0, 1] + a0 * gain[:, 1, 1]
        var += 2 * (left0 * (c1[:, 0, 0] * v1 + c1[:, 0, 1] * a1) + left1 * (c1[:, 1, 0] * v1 + c1[:, 1, 1] * a1))
        return np.asarray(var)

    def distance_at(self, times: ArrayLike) -> Floats:
        """Way from the first fix [m] at any times [s]; NaN outside the drive."""
        t = np.atleast_1d(np.asarray(times, float))
        n = len(self.t_s)
        if n < 2:
            return np.full(t.shape, np.nan)
        i = np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, n - 2)
        speed, accel = self.mean_at(t)
        u = t - self.t_s[i]
        way = u * (self.speed_mps[i] + speed) / 2 + u * u * (self.accel_mps2[i] - accel) / 12
        if self.gaps:
            # In a pause that speed does not bridge the way grows evenly.
            h = self.t_s[i + 1] - self.t_s[i]
            whole = self.distance_m[i + 1] - self.distance_m[i]
            by_speed = h * (self.speed_mps[i] + self.speed_mps[i + 1]) / 2
            by_speed = by_speed + h * h * (self.accel_mps2[i] - self.accel_mps2[i + 1]) / 12
            way = np.where(np.abs(whole - by_speed) > 1e-6 * (1 + np.abs(by_speed)), whole * u / h, way)
        return np.asarray(self.distance_m[i] + way, float)

    def speed_covariance(self, t1: float, t2: float) -> float:
        """Covariance of the speeds at two times [m2/s2], to the nearest fixes."""
        if t1 > t2:
            t1, t2 = t2, t1
        i, j = (int(np.argmin(np.abs(self.t_s - t))) for t in (t1, t2))
        chain = np.eye(2)
        for k in range(i, j):
            chain = chain @ self.gain[k]
            if np.abs(chain).max() < 1e-4:
                return 0.0
        return float((chain @ self.covariance[j])[0, 0])


class ReadingsSeen(NamedTuple):
    """What readings look like before anything is learned of the receiver."""

    step_s: float
    gap_s: float
    trust: Floats
    rest: Bools
    rests: list[Interval]
    noise: Noise


class Learned(NamedTuple):
    """What a drive shows of its receiver by itself."""

    seen: ReadingsSeen
    noise: Noise
    alone: Receiver


def learn(fixes: Fixes) -> Learned:
    """What clean fixes show of their receiver. ValueError with fewer than two."""
    seen = _seen(fixes)
    t, y, good = fixes.t_s, fixes.speed_mps, seen.trust > 0.5
    noise = _noise_of_drive(seen.noise, t[good], y[good], seen.rest[good], seen.step_s)
    return Learned(
        seen, noise, Receiver.learned(seen.step_s, noise, learn_smoothing(t, y, seen.rests, noise, ~good))
    )  # fmt: skip


def _seen(fixes: Fixes) -> ReadingsSeen:
    if len(fixes) < 2:
        raise ValueError(f"at least two good fixes are needed, and there are {len(fixes)}")
    t, y = fixes.t_s, fixes.speed_mps
    step = float(np.median(np.diff(t)))
    gap_s = max(GAP_S, 2.5 * step)
    quantum = quantum_of(y)
    sigma = max(difference_sigma(t, y), quantum / np.sqrt(12), 1e-3)
    trust = trust_in(t, y, sigma)
    good = trust > 0.5
    filled = y if good.all() else np.interp(t, t[good], y[good])
    rest = rest_mask(t, filled, sigma, gap_s)
    noise = replace(
        noise_at_rest(filled, rest, quantum, sigma, step), outlier_share=float(np.mean(~good))
    )  # fmt: skip
    return ReadingsSeen(step, gap_s, trust, rest, rest_intervals(t, rest), noise)


def smooth(
    fixes: Fixes,
    receiver: Receiver | None = None,
    others: Sequence[Receiver] = (),
    beside: Smoothing | None = None,
    learned: Learned | None = None,
) -> Motion:
    """The motion behind clean fixes (see `clean`). ValueError with fewer than two.

    `receiver`: what it is like, in place of what this drive tells; learned from this drive where none is given, joined
    with what `others`, drives with the same receiver, show each by itself. `beside`: what a board tells of its
    smoothing. `learned`: what `learn` gave for these fixes, where it was asked already.
    """
    t, y = fixes.t_s, fixes.speed_mps
    dt = np.diff(t)
    alone = None
    if receiver is None:
        seen, noise, alone = learned or learn(fixes)
        alone = told_beside(alone, beside) if beside else alone
        receiver = with_others(alone, others)
        noise = noise_with(noise, receiver) if receiver.drives > 1 else noise
    else:
        seen = _seen(fixes)
        noise = receiver.noise_of(seen.noise)
    step, gap_s, trust, rest, rests, _ = seen
    late = receiver.undone_s
    pinned = pinned_steps(rest, step, late)
    reading = np.where(pinned, 0.0, y)
    base = np.where(pinned, _REST_SIGMA_MPS**2, noise.reading_sigma_mps**2)
    trust = np.where(pinned, 1.0, np.maximum(trust, 1e-6))
    q = _choose_q(t, reading, base / trust, gap_s)
    if late or noise.wander_share:
        white = np.where(pinned, _REST_SIGMA_MPS**2, noise.white_mps**2) / trust
        q = _before_the_filter(t, q, late)
        mean, cov, gain = _smooth_added(
            t, reading, white, pinned, q, Added(late, noise.wander_mps, noise.wander_s)
        )  # fmt: skip
    else:
        mean, cov, gain = _smooth_with(t, reading, base / trust, q)
    still = pinned[:-1] & pinned[1:]
    way, loose = ways(fixes, mean, np.where(still, 0.0, base[:-1]), q, step, noise)
    way, loose = over_gaps(fixes, mean, way, loose, gap_s)
    gaps = [Interval(float(t[i]), float(t[i + 1])) for i in np.flatnonzero(dt > gap_s)]
    return Motion(
        t, y, mean[:, 0], mean[:, 1], np.concatenate([[0.0], np.cumsum(way)]), np.sqrt(cov[:, 0, 0]),
        np.sqrt(cov[:, 1, 1]), np.sqrt(np.concatenate([[0.0], np.cumsum(loose)])), noise, rests, gaps, step,
        fixes.epoch_utc_ns, receiver, np.append(q, q[-1]), cov, gain, trust, alone,
    )  # fmt: skip


def _noise_of_drive(noise: Noise, t: Floats, y: Floats, rest: Bools, step: float) -> Noise:
    """The noise by all that this drive tells of it."""
    found = wander_at_rest(t, y, rest, noise, step)
    noise, seen = _noise_moving(noise, t, y, rest)
    if found is None:
        found = wander_under_way(t, y, ~rest & (np.abs(y) > max(0.5, 1.5 * noise.hold_mps)), noise, step)
    return with_wander(noise, found, seen)


def _before_the_filter(t: Floats, q: Floats, smoothing_s: float) -> Floats:
    """The wander of the car's acceleration where q is that of the filtered speed: it shows for a while after, and a
    sudden change shows less of it. A step of the acceleration, squared, is (1 + r) / (1 - r) times what its filtered
    steps add up to, where r of it is left after each fix; the root of that, since what is left is spread over a while
    as it is (chosen on tests/tuning)."""
    if smoothing_s == 0:
        return q
    step = float(np.median(np.diff(t)))
    width = round(2 * smoothing_s / step) + 1
    out = running_most(q, width, width // 2 - (width - 1) // 2)
    left = np.exp(-step / smoothing_s)
    return np.where(out > _SUDDEN_Q, out * np.sqrt((1 + left) / (1 - left)), out)


def _noise_moving(noise: Noise, t: Floats, y: Floats, rest: Bools) -> tuple[Noise, float]:
    """Update the noise with what readings under way tell, by marginal likelihood, joined with what rest told; and what
    they tell by themselves [m/s].

    The likelihood is that of the same switching model that smooths the drive, so that a change of motion between slow
    fixes is not taken for noise. Of a long drive, stretches spread over it are enough.
    """
    moving = ~rest & (np.abs(y) > max(0.5, 1.5 * noise.hold_mps))
    n_moving = int(moving.sum())
    from_rest = noise.rest_sigma_mps
    n_rest = float(rest.sum()) if np.isfinite(from_rest) else 0.0
    if n_moving < 20:
        sigma = from_rest if n_rest >= 5 else noise.sigma_mps
        return replace(noise, sigma_mps=sigma), sigma
    floor = LEAST_NOISE_MPS**2
    least = max(0.3 * noise.quantum_mps, 0.6 * LEAST_NOISE_MPS)
    candidates = np.geomspace(least, max(1.0, 4 * least), 15)
    score = white_likelihoods(t, y, moving, candidates)
    best = int(np.clip(np.argmax(score), 1, len(candidates) - 2))
    # The likelihood is near quadratic in the logarithm of sigma.
    left, middle, right = score[best - 1 : best + 2]
    bend = left - 2 * middle + right
    shift = float(np.clip(0.5 * (left - right) / bend, -1, 1)) if bend < 0 else 0.0
    total = float(candidates[best] * (candidates[1] / candidates[0]) ** shift)
    seen = from_motion = float(np.sqrt(max(total**2 - noise.quantum_mps**2 / 12, floor)))
    if n_rest >= 5:
        # A receiver that smooths hides noise under way, not at rest.
        from_motion = max(from_motion, 0.8 * from_rest)
    if n_rest >= 5 and from_motion < 1.6 * from_rest:
        # They agree: weigh by the readings behind each.
        from_motion = float(np.sqrt((n_rest * from_rest**2 + n_moving * from_motion**2) / (n_rest + n_moving)))
    return replace(noise, sigma_mps=from_motion), seen


# --- how: the smoother --------------------------------------------------------------------------------------------


def _choose_q(t: Floats, y: Floats, variance: Floats, gap_s: float) -> Floats:
    """The acceleration's wander in each interval between fixes [m2/s5]: (n - 1)."""
    n = len(t)
    blocks = _blocks(t)
    index, real = blocks.index, blocks.real
    # Both ways side by side: the same steps, twice the rows.
    both = _filter_levels(
        np.concatenate([t[index], -t[::-1][index]]), np.concatenate([y[index], y[::-1][index]]),
        np.concatenate([real, real]), np.concatenate([variance[index], variance[::-1][index]]),
    )  # fmt: skip
    m_f, p_f, prior_f = (unblock(blocks, values[: len(index)], n) for values in both)
    m_b, p_b, prior_b = (unblock(blocks, values[len(index) :], n)[::-1] for values in both)
    m_b = m_b * [1.0, -1.0]
    p_b = p_b * [1.0, -1.0, 1.0]
    h = np.diff(t)[:, None]
    level = Q_LEVELS[None, :]
    m0 = m_b[1:, 0, None] - (m_f[:-1, 0, None] + h * m_f[:-1, 1, None])
    m1 = (m_b[1:, 1] - m_f[:-1, 1])[:, None]
    p = p_f[:-1, :, None]
    s00 = p_b[1:, 0, None] + p[:, 0] + h * (2 * p[:, 1] + h * p[:, 2]) + level * h**3 / 3
    s01 = p_b[1:, 1, None] + p[:, 1] + h * p[:, 2] + level * h**2 / 2
    s11 = p_b[1:, 2, None] + p[:, 2] + level * h
    det = np.maximum(s00 * s11 - s01**2, 1e-300)
    log = -0.5 * np.log(det) - 0.5 * (s11 * m0**2 - 2 * s01 * m0 * m1 + s00 * m1**2) / det
    log += np.log(prior_f[1:]) + np.log(prior_b[:-1]) - np.log(Q_SHARE)
    log -= log.max(1, keepdims=True)
    weight = np.exp(log)
    weight /= weight.sum(1, keepdims=True)
    q = np.exp(weight @ np.log(Q_LEVELS))
    return np.asarray(np.where(h[:, 0] > gap_s, np.maximum(q, _GAP_Q), q), float)


def _filter_levels(at: Floats, seen: Floats, real: Bools, variance: Floats) -> tuple[Floats, Floats, Floats]:
    """Interacting multiple models over rows of readings and their variance (rows, steps).

    Returns, per row and step, the filtered mean (2), covariance (00, 01, 11) and the predicted weight of each level
    for the interval that led to the step (levels).
    """
    rows, steps = at.shape
    # Step by step, each a row of its own: that is how they come.
    out_m, out_p = np.empty((steps, 2, rows)), np.empty((steps, 3, rows))
    out_w = np.empty((steps, len(Q_LEVELS), rows))
    for k, (weight, predicted, _, mean, cov) in enumerate(run_levels(at, seen, real, variance)):
        # One Gaussian for all levels together.
        one = (weight * mean).sum(1)
        d0, d1 = mean - one[:, None]
        out_m[k] = one
        out_p[k, 0] = (weight * (cov[0] + d0 * d0)).sum(0)
        out_p[k, 1] = (weight * (cov[1] + d0 * d1)).sum(0)
        out_p[k, 2] = (weight * (cov[2] + d1 * d1)).sum(0)
        out_w[k] = predicted
    return out_m.transpose(2, 0, 1), out_p.transpose(2, 0, 1), out_w.transpose(2, 0, 1)


def _smooth_added(
    t: Floats, y: Floats, variance: Floats, pinned: Bools, q: Floats, added: Added
) -> tuple[Floats, Floats, Floats]:
    """As `_smooth_with`, with the receiver's filter and wander as states of their own."""
    n, blocks = len(t), _blocks(t)
    found = smooth_states(t, y, variance, pinned, np.concatenate([[q[0]], q]), blocks.index, blocks.real, added)
    mean, cov, gain = (unblock(blocks, values, n) for values in found)
    cov[:, 0, 0], cov[:, 1, 1] = np.maximum(cov[:, 0, 0], 1e-12), np.maximum(cov[:, 1, 1], 1e-12)
    return mean, cov, gain


def _smooth_with(t: Floats, y: Floats, variance: Floats, q: Floats) -> tuple[Floats, Floats, Floats]:
    """Kalman filter and Rauch-Tung-Striebel smoother with q known: mean (n, 2), covariance and gain (n, 2, 2)."""
    n = len(t)
    blocks = _blocks(t)
    index, real = blocks.index, blocks.real
    rows, steps = index.shape
    q_to = np.concatenate([[q[0]], q])
    m = np.zeros((rows, steps, 2))
    p = np.zeros((rows, steps, 3))
    pm, pp = np.zeros((rows, steps, 2)), np.ones((rows, steps, 3))
    hs = np.zeros((rows, steps))
    m0, m1 = y[index[np.arange(rows), np.argmax(real, 1)]], np.zeros(rows)
    p00, p01, p11 = np.full(rows, 100.0), np.zeros(rows), np.full(rows, 25.0)
    before = t[index[:, 0]]
    for k in range(steps):
        at, ok = index[:, k], real[:, k]
        h = np.where(ok, t[at] - before, 0.0)
        before = t[at]
        hq = h * q_to[at]
        m0 = m0 + h * m1
        p00 = p00 + h * (2 * p01 + h * p11) + hq * h * h / 3
        p01 = p01 + h * p11 + hq * h / 2
        p11 = p11 + hq
        hs[:, k] = h
        pm[:, k, 0], pm[:, k, 1] = m0, m1
        pp[:, k, 0], pp[:, k, 1], pp[:, k, 2] = p00, p01, p11
        s = p00 + np.where(ok, variance[at], 1e12)
        e = y[at] - m0
        k0, k1 = p00 / s, p01 / s
        m0, m1 = m0 + k0 * e, m1 + k1 * e
        p11 = p11 - k1 * p01
        p01 = p01 * (1 - k0)
        p00 = p00 * (1 - k0)
        m[:, k, 0], m[:, k, 1] = m0, m1
        p[:, k, 0], p[:, k, 1], p[:, k, 2] = p00, p01, p11
    gains = np.zeros((rows, steps, 4))
    for k in range(steps - 2, -1, -1):
        h = hs[:, k + 1]
        a, b, c = pp[:, k + 1, 0], pp[:, k + 1, 1], pp[:, k + 1, 2]
        det = np.maximum(a * c - b * b, 1e-300)
        f00, f01, f11 = p[:, k, 0], p[:, k, 1], p[:, k, 2]
        # P F' with F = [[1, h], [0, 1]], then times the inverse of the predicted covariance.
        x00, x01, x10, x11 = f00 + h * f01, f01, f01 + h * f11, f11
        g00, g01 = (x00 * c - x01 * b) / det, (x01 * a - x00 * b) / det
        g10, g11 = (x10 * c - x11 * b) / det, (x11 * a - x10 * b) / det
        e0, e1 = m[:, k + 1, 0] - pm[:, k + 1, 0], m[:, k + 1, 1] - pm[:, k + 1, 1]
        m[:, k, 0] += g00 * e0 + g01 * e1
        m[:, k, 1] += g10 * e0 + g11 * e1
        d00, d01, d11 = p[:, k + 1, 0] - a, p[:, k + 1, 1] - b, p[:, k + 1, 2] - c
        y00, y01, y10, y11 = g00 * d00 + g01 * d01, g00 * d01 + g01 * d11, g10 * d00 + g11 * d01, g10 * d01 + g11 * d11
        p[:, k, 0] += y00 * g00 + y01 * g01
        p[:, k, 1] += y00 * g10 + y01 * g11
        p[:, k, 2] += y10 * g10 + y11 * g11
        gains[:, k, 0], gains[:, k, 1], gains[:, k, 2], gains[:, k, 3] = g00, g01, g10, g11
    mean = unblock(blocks, m, n)
    flat = unblock(blocks, p, n)
    cov = np.empty((n, 2, 2))
    cov[:, 0, 0], cov[:, 1, 1] = np.maximum(flat[:, 0], 1e-12), np.maximum(flat[:, 2], 1e-12)
    cov[:, 0, 1] = cov[:, 1, 0] = flat[:, 1]
    return mean, cov, unblock(blocks, gains, n).reshape(n, 2, 2)


def summary(motion: Motion) -> dict[str, Any]:
    """What was learned about the receiver, for printing: noise, rounding, hold, rate, gaps."""
    noise = motion.noise
    return {
        "rate_hz": 1 / motion.step_s,
        "noise_mps": noise.sigma_mps,
        "rest_noise_mps": noise.rest_sigma_mps,
        "step_mps": noise.quantum_mps,
        "holds_zero_below_mps": noise.hold_mps,
        "gaps": len(motion.gaps),
        "rest_seconds": noise.rest_seconds,
    }
