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

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.units import MPS_PER_KMH, MPS_PER_KNOT

if TYPE_CHECKING:
    from logger.drive import Drive

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MIN_SATELLITES = 4
MAX_HDOP = 8.0
MAX_ACCEL_MPS2 = 12.0
"""More than tyres or brakes of any road car can do; a fix that needs more on both sides is a spike."""
REST_MPS = 0.35
"""Readings under this (or 4.5 sigma, if more) may be a car that stands."""
MIN_REST_S = 0.9
GAP_S = 1.0
"""A pause between fixes is a gap when it is longer than this and than 2.5 usual steps."""

_Q_LEVELS = np.array([3e-4, 3e-3, 3e-2, 0.3, 3.0, 60.0])
_Q_LEAVE_PER_S = np.array([0.15, 0.15, 0.2, 0.3, 1.0, 6.0])
_Q_ENTER = np.array([0.2, 0.2, 0.2, 0.2, 0.15, 0.05])
_Q_SHARE = _Q_ENTER / _Q_LEAVE_PER_S / np.sum(_Q_ENTER / _Q_LEAVE_PER_S)
"""Levels of q; how often each is left; which is entered then; the share of time that follows for each."""
_GAP_Q = 3.0
"""The least wander in a gap [m2/s5]: a gear change or a touch of the brake may hide there."""
_REST_SIGMA_MPS = 0.003
LEAST_NOISE_MPS = 0.015
"""No receiver's Doppler speed is better than this; one that seems so repeats itself."""


@dataclass(frozen=True)
class Fixes:
    """Fixes of one receiver in order of time: arrays of one length, NaN where a sentence did not say.

    t_s counts from `epoch_utc_ns` [s, ns since 1970]; speed_mps over ground [m/s]; course_deg true [deg].
    """

    t_s: Floats
    speed_mps: Floats
    lat_deg: Floats
    lon_deg: Floats
    alt_m: Floats
    course_deg: Floats
    valid: Bools
    satellites: Floats
    hdop: Floats
    epoch_utc_ns: int = 0

    @classmethod
    def of(
        cls,
        t_s: ArrayLike,
        speed_mps: ArrayLike,
        lat_deg: ArrayLike | None = None,
        lon_deg: ArrayLike | None = None,
        alt_m: ArrayLike | None = None,
        course_deg: ArrayLike | None = None,
        valid: ArrayLike | None = None,
        satellites: ArrayLike | None = None,
        hdop: ArrayLike | None = None,
        epoch_utc_ns: int = 0,
    ) -> Fixes:
        """Fixes from the arrays there are; what is not given is NaN (valid: True). ValueError: unlike lengths."""
        t = np.asarray(t_s, float)

        def column(values: ArrayLike | None) -> Floats:
            out = np.full(len(t), np.nan) if values is None else np.asarray(values, float)
            if out.shape != t.shape:
                raise ValueError(f"a column of fixes has {out.shape} entries where time has {t.shape}")
            return out

        good = np.ones(len(t), bool) if valid is None else np.asarray(valid, bool)
        return cls(
            t, column(speed_mps), column(lat_deg), column(lon_deg), column(alt_m), column(course_deg), good,
            column(satellites), column(hdop), epoch_utc_ns,
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.t_s)

    def only(self, keep: Bools) -> Fixes:
        """The fixes where `keep` is true."""
        names = ("t_s", "speed_mps", "lat_deg", "lon_deg", "alt_m", "course_deg", "valid", "satellites", "hdop")
        return replace(self, **{name: getattr(self, name)[keep] for name in names})


@dataclass(frozen=True)
class SetAside:
    """Fixes that were not used: how many for which reason, and which (`kept` is over the fixes as given)."""

    counts: dict[str, int]
    kept: Bools

    @property
    def total(self) -> int:
        return sum(self.counts.values())


NoiseKind = Literal["signed", "folded", "clipped", "horizontal"]
"""How a receiver's noise shows near zero: speed with a sign; |v + n|; max(v + n, 0); the length of a 2-D error."""


@dataclass(frozen=True)
class Noise:
    """The receiver's speed noise as learned from a drive.

    sigma_mps: standard deviation of a reading while moving [m/s], rounding apart. rest_sigma_mps: the same at rest
    (NaN where the car never stood or the receiver held zero). quantum_mps: the step of the readings (0: none found).
    hold_mps: the receiver reports 0 below about this speed (0: it does not). kind: see NoiseKind.
    """

    sigma_mps: float
    rest_sigma_mps: float
    quantum_mps: float
    hold_mps: float
    kind: NoiseKind
    rest_seconds: float

    @property
    def reading_sigma_mps(self) -> float:
        """Noise and rounding together [m/s]; rounding adds its q^2/12."""
        return float(np.hypot(self.sigma_mps, self.quantum_mps / np.sqrt(12)))


class State(NamedTuple):
    """Speed [m/s] and acceleration [m/s2] at some times, with their standard deviations; NaN outside the drive."""

    speed_mps: Floats
    speed_sigma: Floats
    accel_mps2: Floats
    accel_sigma: Floats


class Interval(NamedTuple):
    """A stretch of time [s], on the fixes' axis."""

    start_s: float
    end_s: float


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
    q: Floats = field(repr=False)
    covariance: Floats = field(repr=False)
    """(n, 2, 2) of (speed, acceleration)."""
    gain: Floats = field(repr=False)
    """(n, 2, 2) smoother gains; cov(state i, state i+1) = gain[i] @ covariance[i+1]."""

    def at(self, times: ArrayLike) -> State:
        """Speed and acceleration with sigmas at any times [s]; exact for the model, also between fixes."""
        t = np.atleast_1d(np.asarray(times, float))
        n = len(self.t_s)
        if n < 2:
            nan = np.full(t.shape, np.nan)
            return State(nan, nan, nan, nan)
        i = np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, n - 2)
        h = self.t_s[i + 1] - self.t_s[i]
        u = np.clip(t - self.t_s[i], 0, h)
        q = self.q[i]
        # Between two known states the process is Gaussian: mean = A x_i + B x_(i+1), plus the bridge's own variance.
        f_u, f_r = _transition(u), _transition(h - u)
        q_u, q_h = _process(u, q), _process(h, q)
        b = q_u @ np.swapaxes(f_r, -1, -2) @ np.linalg.inv(q_h)
        a = f_u - b @ _transition(h)
        x0 = np.stack([self.speed_mps[i], self.accel_mps2[i]], -1)
        x1 = np.stack([self.speed_mps[i + 1], self.accel_mps2[i + 1]], -1)
        mean = (a @ x0[..., None] + b @ x1[..., None])[..., 0]
        c0, c1 = self.covariance[i], self.covariance[i + 1]
        cross = self.gain[i] @ c1
        at, bt = np.swapaxes(a, -1, -2), np.swapaxes(b, -1, -2)
        mixed = a @ cross @ bt
        cov = a @ c0 @ at + b @ c1 @ bt + mixed + np.swapaxes(mixed, -1, -2) + q_u - b @ f_r @ q_u
        speed, accel = mean[:, 0].copy(), mean[:, 1].copy()
        var_v, var_a = np.maximum(cov[:, 0, 0], 0), np.maximum(cov[:, 1, 1], 0)
        outside = (t < self.t_s[0]) | (t > self.t_s[-1]) | ~np.isfinite(t)
        for values in (speed, accel, var_v, var_a):
            values[outside] = np.nan
        return State(speed, np.sqrt(var_v), accel, np.sqrt(var_a))

    def distance_at(self, times: ArrayLike) -> Floats:
        """Way from the first fix [m] at any times [s]; NaN outside the drive."""
        t = np.atleast_1d(np.asarray(times, float))
        n = len(self.t_s)
        if n < 2:
            return np.full(t.shape, np.nan)
        i = np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, n - 2)
        here = self.at(t)
        u = t - self.t_s[i]
        way = u * (self.speed_mps[i] + here.speed_mps) / 2 + u * u * (self.accel_mps2[i] - here.accel_mps2) / 12
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


def read_fixes(drive: Drive) -> Fixes:
    """The fixes of a drive's first GPS source that gave any. ValueError where it has none."""
    import pyarrow.compute as pc

    receivers = [name for name, kind in drive.kinds.items() if kind == "nmea" and drive.manifest.rows.get(name)]
    if not receivers:
        raise ValueError(f"drive {drive.id} has no GPS fixes")
    table = drive.table(receivers[0])

    def floats(name: str) -> Floats:
        return np.asarray(table[name].cast("float64").to_numpy(zero_copy_only=False), float)

    time_ns = np.asarray(table["time"].cast("int64").to_numpy(zero_copy_only=False))
    timed = np.asarray(pc.is_valid(table["time"]).to_numpy(zero_copy_only=False), bool)
    table = table.filter(timed) if not timed.all() else table
    ns = np.asarray(time_ns[timed], np.int64)
    if len(ns) == 0:
        raise ValueError(f"drive {drive.id} has no GPS fix with a time")
    order = np.arange(len(ns))
    epoch = int(ns[0])
    return Fixes.of(
        (ns[order] - epoch) * 1e-9, floats("speed_mps"), floats("lat_deg"), floats("lon_deg"), floats("alt_m"),
        floats("course_deg"), table["valid"].fill_null(False).to_numpy(zero_copy_only=False), floats("satellites"),
        floats("hdop"), epoch,
    )  # fmt: skip


def clean(fixes: Fixes) -> tuple[Fixes, SetAside]:
    """Set aside what is no measurement of speed: no fix, few satellites, poor geometry, repeated epochs, spikes."""
    kept = np.ones(len(fixes), bool)
    counts: dict[str, int] = {}

    def drop(reason: str, bad: Bools) -> None:
        bad = bad & kept
        if bad.any():
            counts[reason] = int(bad.sum())
            kept[bad] = False

    with np.errstate(invalid="ignore"):
        drop("no fix", ~fixes.valid | ~np.isfinite(fixes.speed_mps) | ~np.isfinite(fixes.t_s))
        drop("negative or impossible speed", (fixes.speed_mps > 150) | (fixes.speed_mps < -5))
        drop("few satellites", fixes.satellites < MIN_SATELLITES)
        drop("poor geometry", fixes.hdop > MAX_HDOP)
    index = np.flatnonzero(kept)
    latest = np.maximum.accumulate(fixes.t_s[index]) if len(index) else np.empty(0)
    repeated = np.zeros(len(fixes), bool)
    repeated[index[1:]] = fixes.t_s[index[1:]] <= latest[:-1] + 1e-6
    drop("repeated epoch", repeated)
    index = np.flatnonzero(kept)
    spikes = np.zeros(len(fixes), bool)
    spikes[index] = _spikes(fixes.t_s[index], fixes.speed_mps[index])
    drop("spike", spikes)
    return fixes.only(kept), SetAside(counts, kept)


def smooth(fixes: Fixes) -> Motion:
    """The motion behind clean fixes (see `clean`). ValueError with fewer than two."""
    if len(fixes) < 2:
        raise ValueError(f"a motion needs two good fixes or more, and here are {len(fixes)}")
    t, y = fixes.t_s, fixes.speed_mps
    dt = np.diff(t)
    step = float(np.median(dt))
    gap_s = max(GAP_S, 2.5 * step)
    quantum = _quantum(y)
    sigma = max(_difference_sigma(t, y), quantum / np.sqrt(12), 1e-3)
    rest = _rest_mask(t, y, sigma, gap_s)
    noise = _noise_at_rest(y, rest, quantum, sigma, step)
    noise = _noise_moving(noise, t, y, rest)
    sigma = noise.reading_sigma_mps
    pinned = _pinned(rest, step)
    reading = np.where(pinned, 0.0, y)
    variance = np.where(pinned, _REST_SIGMA_MPS**2, sigma**2)
    q = _choose_q(t, reading, variance, gap_s)
    mean, cov, gain = _smooth_with(t, reading, variance, q)
    way = dt * (mean[:-1, 0] + mean[1:, 0]) / 2 + dt**2 * (mean[:-1, 1] - mean[1:, 1]) / 12
    # The error of the integral of a smoothed series is that of the readings' own sum: white noise times its step.
    loose = np.where(pinned[:-1] & pinned[1:], 0.0, dt * variance[:-1] * np.maximum(dt, step) + q * dt**5 / 120)
    gaps = [Interval(float(t[i]), float(t[i + 1])) for i in np.flatnonzero(dt > gap_s)]
    return Motion(
        t, y, mean[:, 0], mean[:, 1], np.concatenate([[0.0], np.cumsum(way)]), np.sqrt(cov[:, 0, 0]),
        np.sqrt(cov[:, 1, 1]), np.sqrt(np.concatenate([[0.0], np.cumsum(loose)])), noise, _rests(t, rest), gaps, step,
        fixes.epoch_utc_ns, np.append(q, q[-1]), cov, gain,
    )  # fmt: skip


# --- how: spikes, rounding, rest ----------------------------------------------------------------------------------


def _spikes(t: Floats, y: Floats) -> Bools:
    """Readings that no car can reach from the good one before and leave for the good one after."""
    bad = np.zeros(len(y), bool)
    if len(y) < 4:
        return bad
    sigma = _difference_sigma(t, y)
    slack = 0.3 + 6 * sigma
    for _ in range(3):
        good = np.flatnonzero(~bad)
        tg, yg = t[good], y[good]
        dt = np.diff(tg)
        jump = np.diff(yg)
        beyond = np.abs(jump) > MAX_ACCEL_MPS2 * dt + slack
        if not beyond.any():
            break
        found = False
        for i in np.flatnonzero(beyond):
            # Up to three fixes that leave the line and come back to it.
            for width in (1, 2, 3):
                j = i + width + 1
                if i < 0 or j >= len(yg) or bad[good[i]]:
                    continue
                if abs(yg[j] - yg[i]) <= MAX_ACCEL_MPS2 * (tg[j] - tg[i]) * 0.5 + slack and tg[j] - tg[i] < 4 + width:
                    inside = yg[i + 1 : j] - np.interp(tg[i + 1 : j], tg[[i, j]], yg[[i, j]])
                    if (np.abs(inside) > slack).all() and np.sign(jump[i]) != np.sign(jump[j - 1]):
                        bad[good[i + 1 : j]] = True
                        found = True
                        break
        if not found:
            break
    return bad | _lone_outliers(t, y, bad, sigma)


def _lone_outliers(t: Floats, y: Floats, bad: Bools, sigma: float) -> Bools:
    """Smaller spikes: a reading far off the cubic through the two before and the two after it, alone in that."""
    out = np.zeros(len(y), bool)
    good = np.flatnonzero(~bad)
    if len(good) < 9:
        return out
    tg, yg = t[good], y[good]
    error, scale = _left_out(tg, yg)
    away = np.abs(error) / scale
    step = np.median(np.diff(tg))
    regular = (tg[4:] - tg[:-4]) < 6 * step
    limit = 7 * max(sigma, 0.02)
    suspect = (away[2:-2] > limit) & regular
    for k in np.flatnonzero(suspect) + 2:
        # Its own error also tilts the neighbours' fits: it must stand out from a fit without it.
        around = np.arange(max(int(k) - 4, 0), min(int(k) + 5, len(tg)))
        rest = around[around != k]
        near = tg[rest] - tg[k]
        fit = np.polynomial.polynomial.polyfit(near, yg[rest], 3)
        spread = np.std(yg[rest] - np.polynomial.polynomial.polyval(near, fit), ddof=0) * np.sqrt(2)
        if abs(yg[k] - fit[0]) > max(7 * max(sigma, 0.02), 5 * spread):
            out[good[k]] = True
    return out


def _left_out(t: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Each reading less the cubic through its four neighbours, and that difference's noise gain."""
    n = len(t)
    error, scale = np.zeros(n), np.ones(n)
    c = np.arange(2, n - 2)
    x = np.stack([t[c - 2], t[c - 1], t[c + 1], t[c + 2]]) - t[c]
    values = np.stack([y[c - 2], y[c - 1], y[c + 1], y[c + 2]])
    weights = np.ones_like(x)
    for i in range(4):
        for j in range(4):
            if i != j:
                weights[i] *= x[j] / (x[j] - x[i])
    error[c] = y[c] - (weights * values).sum(0)
    scale[c] = np.sqrt(1 + (weights**2).sum(0))
    return error, scale


def _difference_sigma(t: Floats, y: Floats) -> float:
    """Noise from how far readings lie off their neighbours' cubic: the lower half, where the car moves evenly."""
    if len(y) < 9:
        return 0.05
    error, scale = _left_out(t, y)
    moving = (np.arange(len(y)) >= 2) & (np.arange(len(y)) < len(y) - 2) & (y > 1.0)
    if moving.sum() < 20:
        moving = (np.arange(len(y)) >= 2) & (np.arange(len(y)) < len(y) - 2)
    r = np.abs(error[moving] / scale[moving])
    # For a normal variable the 30 % point of its magnitude is 0.385 sigma; real changes of motion sit above it.
    return float(np.quantile(r, 0.3) / 0.3853)


def _quantum(y: Floats) -> float:
    """The step the readings are printed in [m/s]: the coarsest usual one of which they are all multiples, or 0."""
    values = np.unique(np.abs(y[y != 0]))
    if len(values) < 5:
        return 0.0
    for size in (1.0, 0.1, 0.01, 0.001):
        for unit in (1.0, MPS_PER_KNOT, MPS_PER_KMH):
            steps = values / (unit * size)
            if np.mean(np.abs(steps - np.round(steps)) < 1e-3) > 0.999:
                return unit * size
    return 0.0


def _rest_mask(t: Floats, y: Floats, sigma: float, gap_s: float) -> Bools:
    """Which fixes are of a standing car: readings near zero for a second or so, no higher than the usual ones at rest.

    A slow receiver may see a short stop in one fix only; that counts if it reads zero and no fix is missing around it.
    """
    mask = np.zeros(len(y), bool)
    step = float(np.median(np.diff(t)))
    low = np.abs(y) < max(REST_MPS, 4.5 * sigma)

    def long_enough(first: int, last: int) -> bool:
        if t[last] - t[first] >= MIN_REST_S:
            return True
        inside = first > 0 and last < len(t) - 1
        around = t[min(last + 1, len(t) - 1)] - t[max(first - 1, 0)]
        return (
            inside and bool((y[first : last + 1] == 0).all()) and 2 * MIN_REST_S < around < 2.5 * gap_s and step > 0.5
        )

    stretches = [(first, last) for first, last in _stretches(low) if long_enough(first, last)]
    if not stretches:
        return mask
    # What readings at rest usually are: from the inside of each stretch, since the car leaves and arrives at its ends.
    inner = [_inside(first, last, step) for first, last in stretches]
    rms = np.array([np.sqrt(np.mean(y[part] ** 2)) for part in inner])
    seconds = np.array([max(t[last] - t[first], step) for first, last in stretches])
    order = np.argsort(rms)
    middle = order[np.searchsorted(np.cumsum(seconds[order]), 0.5 * seconds.sum())]
    known = sum(part.stop - part.start for part in inner) >= 10
    usual = float(rms[middle]) if known else max(float(rms[middle]), 0.8 * sigma)
    usual = min(usual, max(2 * float(rms.min()), 2 * sigma))
    limit = max(2.2 * usual, 0.06)
    ones = np.ones(max(round(1.0 / step), 3))
    for first, last in stretches:
        # A creeping car reads steadily above what the receiver shows at rest.
        square = y[first : last + 1] ** 2
        if len(square) > len(ones):
            square = np.convolve(square, ones, "same") / np.convolve(np.ones(len(square)), ones, "same")
        else:
            square = np.full(len(square), np.mean(square))
        mask[first : last + 1] = np.sqrt(square) < limit
    for first, last in _stretches(mask):
        mask[first : last + 1] = long_enough(first, last)
    return mask


def _inside(first: int, last: int, step: float) -> slice:
    """The fixes of a stretch without the half second at its ends, where there is more."""
    margin = max(int(np.ceil(0.5 / step)), 1)
    return slice(first + margin, last + 1 - margin) if last - first >= 2 * margin + 1 else slice(first, last + 1)


def _pinned(rest: Bools, step: float) -> Bools:
    """Fixes where speed is zero for certain: at rest, and not within half a second of the rest's ends."""
    margin = max(int(np.ceil(0.5 / step)), 1)
    pinned = np.zeros(len(rest), bool)
    for a, b in _stretches(rest):
        pinned[a + margin if a > 0 else a : (b - margin if b < len(rest) - 1 else b) + 1] = True
    return pinned


def _rests(t: Floats, rest: Bools) -> list[Interval]:
    return [Interval(float(t[a]), float(t[b])) for a, b in _stretches(rest)]


def _stretches(mask: Bools) -> list[tuple[int, int]]:
    """First and last index of each stretch of True."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    return list(zip(np.flatnonzero(edges == 1).tolist(), (np.flatnonzero(edges == -1) - 1).tolist(), strict=True))


# --- how: noise ---------------------------------------------------------------------------------------------------

_REST_MEAN_SQUARE: dict[NoiseKind, float] = {"signed": 1.0, "folded": 1.0, "clipped": 0.5, "horizontal": 2.0}


def _noise_at_rest(y: Floats, rest: Bools, quantum: float, sigma: float, step: float) -> Noise:
    """What readings at rest tell: how noise shows near zero, its size, whether zero is held."""
    stretches = [_inside(first, last, step) for first, last in _stretches(rest)]
    readings = np.concatenate([y[part] for part in stretches]) if stretches else np.empty(0)
    seconds = len(readings) * step
    plain = float(np.sqrt(max(sigma**2 - quantum**2 / 12, (0.2 * quantum) ** 2, 1e-6)))
    kind: NoiseKind = "folded"
    if len(readings) >= 5 and np.mean(readings == 0) > 0.97:
        above = np.abs(y[y != 0])
        smallest = float(np.quantile(above, min(2 / len(above), 1.0))) if len(above) else 0.0
        held = smallest > 3 * max(quantum, plain) and smallest > 0.05
        hold = min(smallest, 1.5) if held or plain > quantum else 0.0
        return Noise(plain, np.nan, quantum, hold, kind, seconds)
    if len(readings) < 5:
        return Noise(plain, np.nan, quantum, 0.0, kind, seconds)
    if np.mean(readings < 0) > 0.05:
        kind = "signed"
    else:
        zero = float(np.mean(readings <= quantum / 2))
        spread, mean = float(np.std(readings)), float(np.mean(readings))
        ratio = mean / max(spread, 1e-9)
        if zero > 0.35 and quantum < plain:
            kind = "clipped"
        elif ratio > 1.6:
            kind = "horizontal"
    square = float(np.mean(readings**2)) - (quantum**2 / 12 if quantum else 0.0)
    found = float(np.sqrt(max(square / _REST_MEAN_SQUARE[kind], (0.15 * quantum) ** 2, 1e-6)))
    return Noise(plain, found, quantum, 0.0, kind, seconds)


def _noise_moving(noise: Noise, t: Floats, y: Floats, rest: Bools) -> Noise:
    """Update the noise with what readings under way tell, by marginal likelihood, joined with what rest told.

    The likelihood is that of the same switching model that smooths the drive, so that a change of motion between slow
    fixes is not taken for noise. Of a long drive, stretches spread over it are enough.
    """
    moving = ~rest & (np.abs(y) > max(0.5, 1.5 * noise.hold_mps))
    n_moving = int(moving.sum())
    from_rest = noise.rest_sigma_mps
    n_rest = float(rest.sum()) if np.isfinite(from_rest) else 0.0
    if n_moving < 20:
        return replace(noise, sigma_mps=from_rest if n_rest >= 5 else noise.sigma_mps)
    floor = LEAST_NOISE_MPS**2
    least = max(0.3 * noise.quantum_mps, 0.6 * LEAST_NOISE_MPS)
    candidates = np.geomspace(least, max(1.0, 4 * least), 15)
    score = _likelihoods(t, y, moving, candidates)
    best = int(np.clip(np.argmax(score), 1, len(candidates) - 2))
    # The likelihood is near quadratic in the logarithm of sigma.
    left, middle, right = score[best - 1 : best + 2]
    bend = left - 2 * middle + right
    shift = float(np.clip(0.5 * (left - right) / bend, -1, 1)) if bend < 0 else 0.0
    total = float(candidates[best] * (candidates[1] / candidates[0]) ** shift)
    from_motion = float(np.sqrt(max(total**2 - noise.quantum_mps**2 / 12, floor)))
    if n_rest >= 5:
        # A receiver that smooths hides noise under way, not at rest.
        from_motion = max(from_motion, 0.8 * from_rest)
    if n_rest >= 5 and from_motion < 1.6 * from_rest:
        # They agree: weigh by the readings behind each.
        from_motion = float(np.sqrt((n_rest * from_rest**2 + n_moving * from_motion**2) / (n_rest + n_moving)))
    return replace(noise, sigma_mps=from_motion)


def _likelihoods(t: Floats, y: Floats, moving: Bools, sigmas: Floats) -> Floats:
    """Log likelihood of the readings under way for each candidate noise."""
    blocks = _blocks(t)
    chosen = np.arange(len(blocks.starts))
    share = np.array([moving[start : start + blocks.length].sum() for start in blocks.starts])
    chosen = chosen[share > 0.3 * share.max()]
    if len(chosen) > 24:
        chosen = chosen[np.linspace(0, len(chosen) - 1, 24).astype(int)]
    rows = np.repeat(chosen, len(sigmas))
    each = np.tile(sigmas, len(chosen))
    part = replace(blocks, index=blocks.index[rows], real=blocks.real[rows])
    counted = part.real & moving[part.index]
    variance = np.broadcast_to(each[:, None] ** 2, part.index.shape)
    total = np.zeros(len(rows))
    for k, (_, _, log, *_) in enumerate(_run_levels(t, y, part, variance)):
        if blocks.core.start <= k < blocks.core.stop:
            total += np.where(counted[:, k], log, 0.0)
    return np.asarray(total.reshape(len(chosen), len(sigmas)).sum(0), float)


# --- how: the smoother --------------------------------------------------------------------------------------------


def _transition(h: Floats) -> Floats:
    out = np.zeros((*h.shape, 2, 2))
    out[..., 0, 0] = out[..., 1, 1] = 1.0
    out[..., 0, 1] = h
    return out


def _process(h: Floats, q: Floats) -> Floats:
    h = np.maximum(h, 1e-9)
    out = np.empty((*h.shape, 2, 2))
    out[..., 0, 0] = q * h**3 / 3
    out[..., 0, 1] = out[..., 1, 0] = q * h**2 / 2
    out[..., 1, 1] = q * h
    return out


@dataclass(frozen=True)
class _Blocks:
    """A drive cut into blocks that overlap, so that all are filtered side by side: the smoother forgets within the
    overlap. index (blocks, steps) into the fixes, clipped; real: not beyond the ends; core: the part to keep."""

    index: NDArray[np.intp]
    real: Bools
    core: slice
    starts: NDArray[np.int64]
    length: int


def _blocks(t: Floats) -> _Blocks:
    n = len(t)
    step = float(np.median(np.diff(t)))
    overlap = int(min(max(round(10.0 / step), 30), 400))
    length = n if n <= 3 * overlap else max(overlap, int(np.sqrt(n)))
    if length == n:
        overlap = 0
    starts = np.arange(0, n, length)
    raw = starts[:, None] + np.arange(-overlap, length + overlap)[None, :]
    return _Blocks(np.clip(raw, 0, n - 1), (raw >= 0) & (raw < n), slice(overlap, overlap + length), starts, length)


def _unblock(blocks: _Blocks, values: Floats, n: int) -> Floats:
    """The core of each block, put back in a row: (blocks, steps, ...) -> (n, ...)."""
    core = values[:, blocks.core]
    return np.asarray(core.reshape(-1, *core.shape[2:])[:n], float)


def _choose_q(t: Floats, y: Floats, variance: Floats, gap_s: float) -> Floats:
    """The acceleration's wander in each interval between fixes [m2/s5]: (n - 1)."""
    n = len(t)
    blocks = _blocks(t)
    forward = _filter_levels(t, y, blocks, variance[blocks.index])
    flipped = _filter_levels(-t[::-1], y[::-1], blocks, variance[::-1][blocks.index])
    m_f, p_f, prior_f = (_unblock(blocks, values, n) for values in forward)
    m_b, p_b, prior_b = (_unblock(blocks, values, n)[::-1] for values in flipped)
    m_b = m_b * [1.0, -1.0]
    p_b = p_b * [1.0, -1.0, 1.0]
    h = np.diff(t)[:, None]
    level = _Q_LEVELS[None, :]
    m0 = m_b[1:, 0, None] - (m_f[:-1, 0, None] + h * m_f[:-1, 1, None])
    m1 = (m_b[1:, 1] - m_f[:-1, 1])[:, None]
    p = p_f[:-1, :, None]
    s00 = p_b[1:, 0, None] + p[:, 0] + h * (2 * p[:, 1] + h * p[:, 2]) + level * h**3 / 3
    s01 = p_b[1:, 1, None] + p[:, 1] + h * p[:, 2] + level * h**2 / 2
    s11 = p_b[1:, 2, None] + p[:, 2] + level * h
    det = np.maximum(s00 * s11 - s01**2, 1e-300)
    log = -0.5 * np.log(det) - 0.5 * (s11 * m0**2 - 2 * s01 * m0 * m1 + s00 * m1**2) / det
    log += np.log(prior_f[1:]) + np.log(prior_b[:-1]) - np.log(_Q_SHARE)
    log -= log.max(1, keepdims=True)
    weight = np.exp(log)
    weight /= weight.sum(1, keepdims=True)
    q = np.exp(weight @ np.log(_Q_LEVELS))
    return np.asarray(np.where(h[:, 0] > gap_s, np.maximum(q, _GAP_Q), q), float)


def _filter_levels(t: Floats, y: Floats, blocks: _Blocks, variance: Floats) -> tuple[Floats, Floats, Floats]:
    """Interacting multiple models over all blocks at once; variance of the readings (blocks, steps).

    Returns, per block and step, the filtered mean (2), covariance (00, 01, 11) and the predicted weight of each level
    for the interval that led to the step (levels).
    """
    rows, steps = blocks.index.shape
    out_m, out_p = np.empty((rows, steps, 2)), np.empty((rows, steps, 3))
    out_w = np.empty((rows, steps, len(_Q_LEVELS)))
    for k, (weight, predicted, _, m0, m1, p00, p01, p11) in enumerate(_run_levels(t, y, blocks, variance)):
        # One Gaussian for all levels together.
        c0, c1 = (weight * m0).sum(1), (weight * m1).sum(1)
        d0, d1 = m0 - c0[:, None], m1 - c1[:, None]
        out_m[:, k, 0], out_m[:, k, 1] = c0, c1
        out_p[:, k, 0] = (weight * (p00 + d0 * d0)).sum(1)
        out_p[:, k, 1] = (weight * (p01 + d0 * d1)).sum(1)
        out_p[:, k, 2] = (weight * (p11 + d1 * d1)).sum(1)
        out_w[:, k] = predicted
    return out_m, out_p, out_w


def _run_levels(t: Floats, y: Floats, blocks: _Blocks, variance: Floats) -> Iterator[tuple[Floats, ...]]:
    """The filter's steps: weights of the levels after and before the reading, log likelihood of the reading (blocks),
    and the levels' states m0, m1, p00, p01, p11 (blocks, levels)."""
    index, real = blocks.index, blocks.real
    rows, steps = index.shape
    levels = len(_Q_LEVELS)
    m0 = np.repeat(y[index[np.arange(rows), np.argmax(real, 1)]][:, None], levels, 1)
    m1 = np.zeros((rows, levels))
    p00, p01, p11 = np.full((rows, levels), 25.0), np.zeros((rows, levels)), np.full((rows, levels), 9.0)
    weight = np.repeat(_Q_SHARE[None, :], rows, 0)
    before = t[index[:, 0]]
    for k in range(steps):
        at, ok = index[:, k], real[:, k]
        now = t[at]
        h = np.where(ok, now - before, 0.0)[:, None]
        before = now
        # Levels that are left share what they knew.
        stay = np.exp(-_Q_LEAVE_PER_S * h)
        kept = weight * stay
        leave = weight - kept
        left = leave.sum(1, keepdims=True)
        share = leave / np.maximum(left, 1e-300)
        pm0, pm1 = (share * m0).sum(1, keepdims=True), (share * m1).sum(1, keepdims=True)
        e0, e1 = m0 - pm0, m1 - pm1
        pp00 = (share * (p00 + e0 * e0)).sum(1, keepdims=True)
        pp01 = (share * (p01 + e0 * e1)).sum(1, keepdims=True)
        pp11 = (share * (p11 + e1 * e1)).sum(1, keepdims=True)
        predicted = np.maximum(kept + _Q_ENTER * left, 1e-12)
        own = kept / predicted
        other = 1 - own
        both = own * other
        m0, m1 = own * m0 + other * pm0, own * m1 + other * pm1
        p00 = own * p00 + other * pp00 + both * e0 * e0
        p01 = own * p01 + other * pp01 + both * e0 * e1
        p11 = own * p11 + other * pp11 + both * e1 * e1
        # Predict.
        m0 = m0 + h * m1
        hq = h * _Q_LEVELS
        p00 = p00 + h * (2 * p01 + h * p11) + hq * h * h / 3
        p01 = p01 + h * p11 + hq * h / 2
        p11 = p11 + hq
        # Update.
        s = p00 + np.where(ok, variance[:, k], 1e12)[:, None]
        e = y[at][:, None] - m0
        log = -0.5 * (np.log(s) + e * e / s)
        k0, k1 = p00 / s, p01 / s
        m0, m1 = m0 + k0 * e, m1 + k1 * e
        p11 = p11 - k1 * p01
        p01 = p01 * (1 - k0)
        p00 = p00 * (1 - k0)
        top = log.max(1, keepdims=True)
        weight = predicted * np.exp(np.maximum(log - top, -50.0))
        total = weight.sum(1, keepdims=True)
        weight = weight / total
        yield weight, predicted, top[:, 0] + np.log(total[:, 0]), m0, m1, p00, p01, p11


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
    mean = _unblock(blocks, m, n)
    flat = _unblock(blocks, p, n)
    cov = np.empty((n, 2, 2))
    cov[:, 0, 0], cov[:, 1, 1] = np.maximum(flat[:, 0], 1e-12), np.maximum(flat[:, 2], 1e-12)
    cov[:, 0, 1] = cov[:, 1, 0] = flat[:, 1]
    return mean, cov, _unblock(blocks, gains, n).reshape(n, 2, 2)


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
