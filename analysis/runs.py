"""Standing and rolling runs of a drive: time zero, splits, how each run ended, and what kind of launch it was.

    found = find(motion, fixes, Options(speeds_mps=(13.41, 22.35)))
    pairs = pair_opposite(found)

**Time zero.** Two definitions, each with its sigma. *First movement* is what a stopwatch sees: the moment speed leaves
zero, found by fitting how the car pulls away rather than by a threshold (`fit_launch`). *One foot* is SAE J1491
(JUL2006) 3.3: 0.3048 m of movement from rest. It is the better conditioned of the two, since the way is an integral of
speeds that stand clear of the noise; comparisons use it. See `Split` for what is counted from which.

A run begins at a standstill and goes on while speed grows. It ends at its peak: where speed has since fallen by more
than a gear change costs, or has not grown for three seconds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr, ndtr

from analysis.motion import Fixes, Interval, Motion, Noise
from logger.units import FOOT_M, MPS_PER_KMH, MPS_PER_MPH, speed_label

Floats = NDArray[np.float64]

Ended = Literal["reached its peak", "lifted", "broken by traffic", "aborted", "gap", "drive ended"]

DEFAULT_MIN_PEAK_MPS = 20 * MPS_PER_MPH
FALL_MPS = 1.0
"""Speed lost in a gear change is less than this; a fall by more ends a run."""
STALL_S = 3.0
STALL_MPS2 = 0.05
"""A mean acceleration below this over STALL_S ends a run: it has reached its peak."""
DEPART_MPS = 1.0
"""A car faster than this has left."""
SOFT_RISE_S = 0.8
"""A launch whose acceleration takes longer than this to rise to 70 % of its height is soft (common practice: a clutch
takes 0.1 to 0.4 s)."""


@dataclass(frozen=True)
class Options:
    """What to look for.

    speeds_mps: splits wanted (None: every 10 mph or 10 km/h up to the peak, by `unit`). distances_m: ways wanted.
    min_peak_mps: a standing run reaches at least this. from_mps, to_mps: find rolling runs between these speeds.
    threshold_mps: also give times from the first passing of this speed.
    """

    speeds_mps: tuple[float, ...] | None = None
    distances_m: tuple[float, ...] = (60 * FOOT_M, 100.0, 201.168)
    min_peak_mps: float = DEFAULT_MIN_PEAK_MPS
    from_mps: float | None = None
    to_mps: float | None = None
    threshold_mps: float | None = None
    unit: Literal["mph", "km/h"] = "mph"


@dataclass(frozen=True)
class Split:
    """When a run passed a speed. time_s counts from first movement (a rolling run: from its first speed),
    from_one_foot_s from 0.3048 m of movement (NaN for a rolling run); sigmas are standard deviations. distance_m is
    the way from the start. from_threshold_s counts from the threshold speed, where one was asked for (else NaN)."""

    speed_mps: float
    time_s: float
    sigma_s: float
    from_one_foot_s: float
    from_one_foot_sigma_s: float
    distance_m: float
    distance_sigma_m: float
    from_threshold_s: float = math.nan
    from_threshold_sigma_s: float = math.nan


@dataclass(frozen=True)
class DistanceSplit:
    """When a standing run had covered a way (counted from rest), and how fast it was there."""

    distance_m: float
    time_s: float
    sigma_s: float
    from_one_foot_s: float
    from_one_foot_sigma_s: float
    speed_mps: float
    speed_sigma_mps: float


@dataclass(frozen=True)
class LaunchQuality:
    """How the car got away. Times in s from first movement, accelerations in m/s2.

    rise_s: until acceleration first reached 70 % of peak_mps2; `soft` where that took longer than 0.8 s.
    """

    to_10mph_s: float
    to_10mph_sigma_s: float
    to_15kmh_s: float
    to_15kmh_sigma_s: float
    peak_mps2: float
    half_second_mps2: float
    rise_s: float
    soft: bool


@dataclass(frozen=True)
class Grade:
    """Mean grade of the way of a run, in percent (uphill above zero), by regression of GPS altitude on way."""

    percent: float
    sigma: float


@dataclass(frozen=True)
class Quality:
    """What the receiver was worth during a run."""

    rate_hz: float
    fixes: int
    noise_mps: float
    satellites_min: float
    hdop_max: float


@dataclass(frozen=True)
class Run:
    """One acceleration. Times on the fixes' axis [s] unless named otherwise; see Split, LaunchQuality, Grade."""

    n: int
    kind: Literal["standing", "rolling"]
    start_s: float
    start_sigma_s: float
    start_utc_ns: int
    end_s: float
    direction_deg: float
    grade: Grade
    peak_mps: float
    ended: Ended
    ended_words: str
    one_foot_s: float
    """From first movement to 0.3048 m of movement; NaN for a rolling run."""
    one_foot_sigma_s: float
    splits: list[Split]
    at_distances: list[DistanceSplit]
    launch: LaunchQuality | None
    distance_m: float
    peak_accel_mps2: float
    mean_accel_mps2: float
    gear_changes_s: list[float]
    """When drive was interrupted for a gear change, from the start."""
    gaps: list[Interval]
    quality: Quality
    notes: list[str] = field(default_factory=list)
    place: tuple[float, float, float, float] = (math.nan, math.nan, math.nan, math.nan)
    """Latitude and longitude [deg] where it started and where it ended."""

    @property
    def clean(self) -> bool:
        """Nothing broke it: it may be compared with others."""
        return self.ended in ("reached its peak", "lifted") and not self.gaps


@dataclass(frozen=True)
class Pair:
    """Two runs over the same stretch in opposite directions; the mean of their times cancels grade and steady wind to
    first order. Splits that both have; sigma of the mean."""

    first: int
    second: int
    splits: list[Split]


def find(motion: Motion, fixes: Fixes, options: Options | None = None) -> list[Run]:
    """All runs of a drive in order of time, numbered from 1. `fixes` are the cleaned ones `motion` was made of."""
    options = options or Options()
    found = _standing(motion, fixes, options)
    if options.from_mps is not None and options.to_mps is not None:
        found += _rolling(motion, fixes, options)
    found.sort(key=lambda run: run.start_s)
    return [replace(run, n=i + 1) for i, run in enumerate(_name_aborted(found, options))]


def default_speeds(peak_mps: float, unit: Literal["mph", "km/h"]) -> tuple[float, ...]:
    """Every 10 mph or 10 km/h up to the peak [m/s]."""
    step = 10 * (MPS_PER_MPH if unit == "mph" else MPS_PER_KMH)
    return tuple(step * k for k in range(1, int(peak_mps / step + 1e-9) + 1))


# --- the launch ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Launch:
    """How a car pulled away: a weighted set of fitted starts. Times on the fixes' axis."""

    t0_s: float
    t0_sigma_s: float
    one_foot_s: float
    one_foot_sigma_s: float
    until_s: float
    """The fit describes the motion up to here."""
    weight: Floats = field(repr=False)
    t0: Floats = field(repr=False)
    x: Floats = field(repr=False)
    """Time after t0 for the tables below [s]: (m)."""
    speed: Floats = field(repr=False)
    """(starts, m)."""
    speed_sigma: Floats = field(repr=False)
    way: Floats = field(repr=False)
    way_sigma: Floats = field(repr=False)
    one_foot: Floats = field(repr=False)
    """When each start had moved one foot: (starts)."""
    one_foot_sigma: Floats = field(repr=False)
    notes: tuple[str, ...] = ()

    def passing(self, target: float, of: Literal["speed", "way"]) -> _Passing | None:
        """When a speed [m/s] or way [m] was first passed, jointly with both time zeros; None beyond the fit."""
        curve, sigma = (self.speed, self.speed_sigma) if of == "speed" else (self.way, self.way_sigma)
        reached = curve >= target
        if not np.average(reached.any(1), weights=self.weight) > 0.999:
            return None
        k = np.clip(np.argmax(reached, 1), 1, curve.shape[1] - 1)
        rows = np.arange(len(k))
        low, high = curve[rows, k - 1], curve[rows, k]
        slope = np.maximum((high - low) / (self.x[k] - self.x[k - 1]), 1e-3)
        at = self.t0 + self.x[k - 1] + np.clip((target - low) / slope, 0, self.x[k] - self.x[k - 1])
        own = sigma[rows, k] / slope
        return _Passing(
            *_moments(self.weight, at, own),
            *_moments(self.weight, at - self.t0, own),
            *_moments(self.weight, at - self.one_foot, np.hypot(own, self.one_foot_sigma)),
        )


class _Passing(NamedTuple):
    time_s: float
    sigma_s: float
    from_t0_s: float
    from_t0_sigma_s: float
    from_foot_s: float
    from_foot_sigma_s: float


def _moments(weight: Floats, values: Floats, sigma: Floats) -> tuple[float, float]:
    mean = float(np.sum(weight * values))
    return mean, math.sqrt(float(np.sum(weight * ((values - mean) ** 2 + sigma**2))))


class _Rise(NamedTuple):
    """One way for the acceleration to come in: which curve, over what time [s], from what first share, how likely."""

    curve: Literal["straight", "fading", "s-shaped", "falling"]
    seconds: float
    first: float
    weight: float


def _rises(slow: bool) -> list[_Rise]:
    """Every way that `fit_launch` averages over.

    Readings near zero cannot tell these apart where the rise is long: what happens below the noise is invisible, and
    how early the car began to move there depends on the curve. The weights therefore decide, and are set so that
    launches of all the usual kinds (a clutch that bites, a belt that slips in, a foot that goes down slowly) come out
    with the least bias that is possible for all of them at once. See DEVELOPERS.md for what is left. `slow`: fixes are
    so far apart that they say nothing of the rise, and quick ones count for more.
    """
    rises = [_Rise("straight", 0.0, 1.0, 1.0)]
    # All there at once and falling from then on, as constant power does: a = sqrt(P / 2 m t) after `seconds`.
    rises += [_Rise("falling", seconds, 1.0, 0.15) for seconds in (0.005, 0.1, 0.25)]
    for curve, first, weight, tilt in (
        ("straight", 0.0, 0.60, 1.0),
        ("fading", 0.0, 0.05, 0.0),
        ("s-shaped", 0.0, 0.015, 0.1),
        ("s-shaped", 0.15, 0.08, 0.1),
        ("s-shaped", 0.25, 0.22, 0.2),
        ("s-shaped", 0.45, 0.09, 0.4),
    ):
        for seconds in (0.08, 0.15, 0.3, 0.5, 0.8, 1.2, 1.7, 2.4, 3.4):
            rises.append(_Rise(curve, seconds, first, weight * (seconds / 0.8) ** (tilt - slow * 0.5)))  # type: ignore[arg-type]
    return rises


_KNOTS = 6
_WANDER = np.array([0.004, 0.06, 0.6])
"""How much the acceleration wanders under the launch, variance per second [m2/s5]: equally likely."""
_SLOW_WANDER = np.array([0.06, 0.6, 4.0])
"""The same where fixes are so far apart that a gear change can hide between them."""


def fit_launch(
    t: Floats,
    y: Floats,
    noise: Noise,
    earliest_s: float,
    latest_s: float,
    until_s: float,
    from_s: float | None = None,
    base_mps: float = 0.0,
    at_rest_before: bool = True,
) -> Launch:
    """Fit how a car pulls away from readings `y` [m/s] at `t` [s]: time zero and one foot with their uncertainty.

    The car stands until t0; then a(t) = S((t - t0) / rise) A(t - t0), where S rises to 1 in one of several ways within
    a time of 0 to 3.4 s (`_rises`), and A, the acceleration that the car would have without the launch, wanders slowly
    (a random walk of unknown size, linear between knots). For given S, t0 and wander the motion is linear in A and its
    evidence has a closed form; the answer averages over all of them by evidence, so that not knowing how the car got
    away is part of the sigma. Near zero, readings follow the receiver's own law (`Noise.kind`, rounding, zero held
    below a speed), not a normal one.

    earliest_s, latest_s bound t0; readings from `from_s` to `until_s` are used. `base_mps` is the speed before t0 where
    the car was creeping; `at_rest_before=False` leaves out what came before t0 (a car that rolled back).
    """
    use = (t >= (earliest_s - 1.0 if from_s is None else from_s)) & (t <= until_s)
    span = until_s - earliest_s
    slow = bool(np.median(np.diff(t[use])) > 0.6)
    wanders = _SLOW_WANDER if slow else _WANDER
    rises = _rises(slow)
    prior = np.log([rise.weight for rise in rises])
    x = np.linspace(0.0, span, max(int(span / 0.01), 200) + 1)
    tables = np.stack([_speed_table(x, rise) for rise in rises])  # (rises, m, knots)
    readings = _Readings(t[use], y[use], noise, base_mps, at_rest_before)
    # A coarse look with one wander finds where the answer lies; a fine one weighs it.
    coarse = np.linspace(earliest_s, latest_s, max(int((latest_s - earliest_s) / 0.1), 20) + 1)
    log = _evidence(readings, coarse, x, tables, span, wanders[1:2])[0] + prior[:, None, None]
    weight = np.exp(log - log.max())
    share = weight.sum((1, 2))
    # A quick start is too sharp for the coarse look to judge: all of them stay.
    quick = np.array([rise.seconds < 0.1 or rise.curve == "falling" for rise in rises])
    alive = np.flatnonzero((share > 1e-3 * share.max()) | quick)
    support = np.flatnonzero(weight.sum((0, 2)) > 1e-5 * weight.sum((0, 2)).max())
    low, high = coarse[max(support[0] - 1, 0)], coarse[min(support[-1] + 1, len(coarse) - 1)]
    grid = np.linspace(low, high, min(max(int((high - low) / 0.015), 16), 48) + 1)
    log, coefs, covs = _evidence(readings, grid, x, tables[alive], span, wanders)
    log = log + prior[alive, None, None]
    weight = np.exp(log - log.max())
    keep = np.nonzero(weight > 2e-4)
    w = weight[keep] / weight[keep].sum()
    c, s, t0 = coefs[keep], covs[keep], grid[keep[1]]
    thin = np.unique(np.concatenate([np.arange(0, len(x), max(len(x) // 160, 1)), [len(x) - 1]]))
    way_tables = np.zeros_like(tables[alive])
    way_tables[:, 1:] = np.cumsum((tables[alive, 1:] + tables[alive, :-1]) / 2, 1) * x[1]
    xs, phi, psi = x[thin], tables[alive][:, thin][keep[0]], way_tables[:, thin][keep[0]]
    speed = base_mps + (phi @ c[..., None])[..., 0]
    way = base_mps * xs + (psi @ c[..., None])[..., 0]
    speed_sigma = np.sqrt(np.maximum(((phi @ s) * phi).sum(-1), 0))
    way_sigma = np.sqrt(np.maximum(((psi @ s) * psi).sum(-1), 0))
    foot, foot_sigma = _one_foot(xs, speed, way, way_sigma)
    # Between fixes more than half a second apart a foot may do what no family of curves foresees.
    unseen = 0.15 * max(float(np.median(np.diff(t[use]))) - 0.6, 0.0)
    foot, foot_sigma = t0 + foot, np.hypot(foot_sigma, 0.6 * unseen)
    t0_sigma = np.full_like(t0, math.hypot((grid[1] - grid[0]) / math.sqrt(12), unseen))
    return Launch(
        *_moments(w, t0, t0_sigma), *_moments(w, foot, foot_sigma),
        until_s, w, t0, xs, speed, speed_sigma, way, way_sigma, foot, foot_sigma,
    )  # fmt: skip


def _one_foot(x: Floats, speed: Floats, way: Floats, way_sigma: Floats) -> tuple[Floats, Floats]:
    reached = way >= FOOT_M
    k = np.clip(np.where(reached.any(1), np.argmax(reached, 1), way.shape[1] - 1), 1, None)
    rows = np.arange(len(k))
    v = np.maximum((way[rows, k] - way[rows, k - 1]) / (x[k] - x[k - 1]), 0.02)
    when = x[k - 1] + (FOOT_M - way[rows, k - 1]) / v
    return np.asarray(when, float), np.asarray(way_sigma[rows, k] / v, float)


def _speed_table(x: Floats, rise: _Rise) -> Floats:
    """Speed gained by `x` seconds after time zero for each knot of A at 1 m/s2 and the others at 0: (m, knots)."""
    u = x / max(rise.seconds, 1e-9)
    inside = np.minimum(u, 1.0)
    if rise.curve == "falling":
        # Share sqrt(0.5 / t), which is 1 after half a second; its integral has a closed form, and a steep start.
        begun = math.sqrt(0.5 * rise.seconds)
        gained = np.where(u < 1, begun * u, np.sqrt(2 * x) - begun)
    else:
        if rise.curve == "straight":
            share = inside
        elif rise.curve == "fading":
            share = 1 - np.exp(-3 * u)
        else:
            share = inside * inside * (3 - 2 * inside)
        share = rise.first + (1 - rise.first) * share
        gained = np.concatenate([[0.0], np.cumsum((share[1:] + share[:-1]) / 2) * (x[1] - x[0])])
    knots = np.linspace(0.0, float(x[-1]), _KNOTS)
    hats = np.stack([np.interp(x, knots, row) for row in np.eye(_KNOTS)], -1)
    out = np.zeros_like(hats)
    out[1:] = np.cumsum((hats[1:] + hats[:-1]) / 2 * np.diff(gained)[:, None], 0)
    return out


class _Readings:
    """Readings of a launch with what does not depend on the fitted start."""

    def __init__(self, t: Floats, y: Floats, noise: Noise, base: float, at_rest_before: bool) -> None:
        self.t, self.y, self.noise, self.base = t, y, noise, base
        self.sigma = noise.reading_sigma_mps
        self.normal = math.log(self.sigma * math.sqrt(2 * math.pi))
        self.held = (y == 0) & (noise.hold_mps > 0)
        if not at_rest_before:
            # What came before is not of this start: as likely as an average reading, wherever t0 lies.
            self.before = np.full(len(t), -0.5 - self.normal)
        elif base > 0:
            self.before = -0.5 * ((y - base) / self.sigma) ** 2 - self.normal
        else:
            at_rest = noise.rest_sigma_mps if np.isfinite(noise.rest_sigma_mps) else noise.sigma_mps
            # One reading in a thousand is a stray one, anywhere up to 3 m/s.
            self.before = np.log(0.999 * _density(y, np.zeros_like(y), at_rest, noise) + 0.001 / 3)


def _evidence(
    readings: _Readings, grid: Floats, x: Floats, tables: Floats, span: float, wanders: Floats
) -> tuple[Floats, Floats, Floats]:
    """Log evidence (rises, grid, wanders) of each start, the coefficients (..., knots), their covariances."""
    t, y, sigma, base = readings.t, readings.y, readings.sigma, readings.base
    noise, held = readings.noise, readings.held
    after = t[None, :] - grid[:, None]
    moving = after > 0
    index = np.clip(after / x[1], 0, len(x) - 1.001)
    whole = index.astype(int)
    part = (index - whole)[..., None]
    basis = tables[:, whole] * (1 - part) + tables[:, whole + 1] * part  # (rises, grid, n, knots)
    basis *= moving[..., None]
    used = moving & ~held
    design = np.where(used[..., None], basis, 0.0) if held.any() else basis
    z = np.where(used, y - base, 0.0)
    gram = np.swapaxes(design, -1, -2) @ design / sigma**2
    moment = (np.swapaxes(design, -1, -2) @ z[..., None])[..., 0] / sigma**2
    constant = (
        np.where(moving, 0.0, readings.before).sum(1) - used.sum(1) * readings.normal - 0.5 * (z**2).sum(1) / sigma**2
    )
    spacing = span / (_KNOTS - 1)
    logs, coefs, covs = [], [], []
    for wander in wanders:
        precision = np.zeros((_KNOTS, _KNOTS))
        precision[0, 0] = 1 / 2.5**2
        for k in range(_KNOTS - 1):
            precision[k : k + 2, k : k + 2] += np.array([[1, -1], [-1, 1]]) / (wander * spacing)
        mean = np.full(_KNOTS, 1.5)
        pull = precision @ mean
        posterior = gram + precision
        cov = np.linalg.inv(posterior)
        c = (cov @ (moment + pull)[..., None])[..., 0]
        det = np.linalg.slogdet(posterior)[1] - np.linalg.slogdet(precision)[1]
        log = constant + 0.5 * ((c * (moment + pull)).sum(-1) - mean @ pull - det)
        if base == 0:
            log = log + _near_zero(readings, moving, basis, c, held, noise)
        logs.append(log)
        coefs.append(c)
        covs.append(cov)
    return np.stack(logs, -1), np.stack(coefs, -2), np.stack(covs, -3)


def _near_zero(
    readings: _Readings, moving: NDArray[np.bool_], basis: Floats, c: Floats, held: NDArray[np.bool_], noise: Noise
) -> Floats:
    """Near zero, readings are not normal: what replacing the normal law by the receiver's adds to the evidence, at the
    fitted speeds."""
    y, sigma = readings.y, readings.sigma
    fitted = (basis @ c[..., None])[..., 0]
    r, g, n = np.nonzero(moving & (fitted < 4 * sigma + noise.hold_mps))
    v = fitted[r, g, n]
    exact = np.log(_density(y[n], np.maximum(v, 0.0), noise.sigma_mps, noise) + 1e-12)
    normal = np.where(held[n], 0.0, -0.5 * ((y[n] - v) / sigma) ** 2 - readings.normal)
    back = -0.5 * (np.minimum(v, 0.0) / sigma) ** 2  # a car that pulls away does not go backwards
    shape = fitted.shape[:2]
    flat = np.bincount(r * shape[1] + g, exact - normal + back, shape[0] * shape[1])
    return np.asarray(flat.reshape(shape), float)


def _density(y: Floats, v: Floats, sigma: float, noise: Noise) -> Floats:
    """How likely a reading `y` is at the true speed `v`, per m/s, by the receiver's law near zero."""
    width = max(noise.quantum_mps, 0.05 * sigma)
    p = np.maximum(_below(y + width / 2, v, sigma, noise) - _below(y - width / 2, v, sigma, noise), 0.0) / width
    if noise.kind == "signed":
        return np.asarray(p, float)
    zero = np.abs(y) < 1e-9
    if zero.any():
        # The speed below which zero is held is known from above only: the least reading that was not zero.
        least = [
            max(share * noise.hold_mps, width / 2) for share in ((0.55, 0.7, 0.85, 1.0) if noise.hold_mps else (1.0,))
        ]
        held = np.mean([_below(np.full(int(zero.sum()), level), v[zero], sigma, noise) for level in least], axis=0)
        p[zero] = held / width
    return np.asarray(p, float)


def _below(y: Floats, v: Floats, sigma: float, noise: Noise) -> Floats:
    """P(reading < y) at the true speed v."""
    match noise.kind:
        case "signed":
            return np.asarray(ndtr((y - v) / sigma), float)
        case "clipped":
            return np.asarray(np.where(y > 0, ndtr((y - v) / sigma), 0.0), float)
        case "horizontal":
            square = np.maximum(y, 0.0) ** 2 / sigma**2
            return np.asarray(chndtr(square, 2.0, (v / sigma) ** 2), float)
        case _:
            return np.asarray(np.where(y > 0, ndtr((y - v) / sigma) - ndtr((-y - v) / sigma), 0.0), float)


# --- standing runs ------------------------------------------------------------------------------------------------


def _standing(motion: Motion, fixes: Fixes, options: Options) -> list[Run]:
    found = []
    t, v = motion.t_s, motion.speed_mps
    needed = options.min_peak_mps
    asked = max(needed, min(options.speeds_mps)) if options.speeds_mps else needed
    for at, rest in enumerate(motion.rests):
        following = motion.rests[at + 1] if at + 1 < len(motion.rests) else None
        first = int(np.searchsorted(t, rest.end_s))
        last = int(np.searchsorted(t, following.start_s)) if following else len(t) - 1
        if last - first < 2:
            continue
        speeds = v[first : last + 1]
        if speeds.max() < needed:
            continue
        departed = _departure(v, first, last)
        if departed is None:
            continue
        end, why = _follow(motion, departed, last)
        broken = False
        if v[departed : end + 1].max() < asked and speeds.max() >= asked:
            # Held up on its way: carry on to the pull that passes the speed.
            broken = True
            passing = first + int(np.argmax(speeds >= asked))
            end, why = _follow(motion, passing, last)
        peak = departed + int(np.argmax(v[departed : end + 1]))
        if v[peak] < needed:
            continue
        run = _describe(motion, fixes, options, rest, departed, peak, end, why, broken, last)
        if run is not None:
            found.append(run)
    return found


def _departure(v: Floats, first: int, last: int) -> int | None:
    """Index of the fix from which the car is faster than a walk for good (it may have crept or rolled back before)."""
    fast = np.flatnonzero(v[first : last + 1] > 2.5 * DEPART_MPS)
    if len(fast) == 0:
        return None
    i = first + int(fast[0])
    while i > first and v[i - 1] > DEPART_MPS:
        i -= 1
    return i


def _follow(motion: Motion, start: int, last: int) -> tuple[int, Ended]:
    """Where the pull that is under way at `start` ends: index of the fix at which that is known, and how."""
    t, v = motion.t_s, motion.speed_mps
    window = slice(start, last + 1)
    tw, vw = t[window], v[window]
    top = np.maximum.accumulate(vw)
    fallen = vw < top - FALL_MPS
    ago = np.interp(tw - STALL_S, tw, vw, left=-np.inf)
    stalled = (vw - ago < STALL_MPS2 * STALL_S) & (tw - tw[0] > STALL_S)
    steps = np.diff(tw, prepend=tw[0])
    gap = steps > max(4.0, 4 * motion.step_s)
    over = fallen | stalled | gap
    if not over.any():
        return last, "drive ended" if last >= len(t) - 1 else "lifted"
    k = int(np.argmax(over))
    if gap[k]:
        return start + max(k - 1, 0), "gap"
    return start + k, "lifted" if fallen[k] else "reached its peak"


def _describe(
    motion: Motion, fixes: Fixes, options: Options, rest: Interval, departed: int, peak: int, end: int, why: Ended,
    broken: bool, last: int,
) -> Run:  # fmt: skip
    t, v = motion.t_s, motion.speed_mps
    launch = _launch_of(motion, rest, departed, peak)
    t0, stop = launch.t0_s, float(t[peak])
    path = _Path(motion, launch, departed, peak)
    speeds = options.speeds_mps if options.speeds_mps is not None else default_speeds(float(v[peak]), options.unit)
    threshold = path.passing_speed(options.threshold_mps) if options.threshold_mps else None
    splits = [split for speed in sorted(speeds) if (split := path.split(speed, threshold)) is not None]
    ways = [at for way in sorted(options.distances_m) if (at := path.at_distance(way)) is not None]
    why, words = _ending(motion, departed, peak, end, why, broken, last)
    from_first = (launch.one_foot - launch.t0, launch.one_foot_sigma)
    one_foot, one_foot_sigma = _moments(launch.weight, *from_first)
    accel = motion.accel_mps2[departed : peak + 1]
    return Run(
        n=0,
        kind="standing",
        start_s=t0,
        start_sigma_s=launch.t0_sigma_s,
        start_utc_ns=motion.epoch_utc_ns + round(t0 * 1e9),
        end_s=stop,
        direction_deg=_direction(fixes, t0, stop),
        grade=_grade(motion, fixes, t0, stop),
        peak_mps=float(v[peak]),
        ended=why,
        ended_words=words,
        one_foot_s=one_foot,
        one_foot_sigma_s=one_foot_sigma,
        splits=splits,
        at_distances=ways,
        launch=_launch_quality(motion, launch, path, peak),
        distance_m=path.way(stop)[0],
        peak_accel_mps2=float(accel.max()),
        mean_accel_mps2=float(v[peak]) / max(stop - t0, 1e-3),
        gear_changes_s=_gear_changes(motion, t0, departed, peak),
        gaps=[gap for gap in motion.gaps if gap.end_s > t0 and gap.start_s < stop],
        quality=_quality(motion, fixes, t0, stop),
        notes=list(launch.notes),
        place=_place(fixes, t0, stop),
    )


class _Path:
    """A standing run's motion: the launch fit to begin with, the smoothed motion from there on."""

    def __init__(self, motion: Motion, launch: Launch, departed: int, peak: int) -> None:
        self._motion, self._launch, self._departed, self._peak = motion, launch, departed, peak
        # Trust the fit's end less than its inside: hand over a little before.
        self._hand_over = launch.until_s - 0.25 * (launch.until_s - launch.t0_s)
        inside = np.stack(
            [np.interp(self._hand_over - t, launch.x, way) for t, way in zip(launch.t0, launch.way, strict=True)]
        )
        spread = np.stack(
            [np.interp(self._hand_over - t, launch.x, s) for t, s in zip(launch.t0, launch.way_sigma, strict=True)]
        )
        self._joined, self._joined_sigma = _moments(launch.weight, inside, spread)
        self._offset = float(motion.distance_at([self._hand_over])[0])

    def way(self, time: float) -> tuple[float, float]:
        """Way from rest at a time after the launch fit [m], and its sigma."""
        motion = self._motion
        way = self._joined + float(motion.distance_at([time])[0]) - self._offset
        spread = np.interp([self._hand_over, time], motion.t_s, motion.distance_sigma)
        return way, math.sqrt(self._joined_sigma**2 + max(float(spread[1] ** 2 - spread[0] ** 2), 0.0))

    def passing_speed(self, speed: float) -> _Passing | None:
        launch, motion = self._launch, self._motion
        early = launch.passing(speed, "speed")
        if early is not None and early.time_s < self._hand_over:
            return early
        crossing = _crossing(motion, speed, max(self._hand_over - 1.0, motion.t_s[self._departed - 1]), self._peak)
        if crossing is None:
            return early
        return self._join(*crossing[:2])

    def _join(self, time: float, sigma: float) -> _Passing:
        launch = self._launch
        return _Passing(
            time, sigma, time - launch.t0_s, math.hypot(sigma, launch.t0_sigma_s),
            time - launch.one_foot_s, math.hypot(sigma, launch.one_foot_sigma_s),
        )  # fmt: skip

    def split(self, speed: float, threshold: _Passing | None) -> Split | None:
        passing = self.passing_speed(speed)
        if passing is None:
            return None
        if passing.time_s < self._hand_over:
            # Where the way is fitted, it is read off each start at the time of the passing.
            launch = self._launch
            ways = np.array(
                [np.interp(passing.time_s - t, launch.x, w) for t, w in zip(launch.t0, launch.way, strict=True)]
            )
            way = _moments(launch.weight, ways, np.zeros_like(ways))
        else:
            way = self.way(passing.time_s)
        way = way[0], math.hypot(way[1], passing.sigma_s * speed)
        late = (math.nan, math.nan)
        if threshold is not None and passing.time_s > threshold.time_s:
            late = passing.time_s - threshold.time_s, math.hypot(passing.sigma_s, threshold.sigma_s)
        return Split(speed, *passing[2:], *way, *late)

    def at_distance(self, metres: float) -> DistanceSplit | None:
        launch, motion = self._launch, self._motion
        passing = launch.passing(metres, "way")
        if passing is None or passing.time_s > self._hand_over:
            low, high = self._hand_over, float(motion.t_s[self._peak])
            if self.way(high)[0] < metres or self.way(low)[0] > metres:
                return None
            time = float(np.interp(metres - self._joined + self._offset, motion.distance_m, motion.t_s))
            for _ in range(4):
                speed = max(float(motion.at([time]).speed_mps[0]), 0.1)
                time += (metres - self.way(time)[0]) / speed
            passing = self._join(time, self.way(time)[1] / speed)
        state = motion.at([passing.time_s])
        return DistanceSplit(metres, *passing[2:], float(state.speed_mps[0]), float(state.speed_sigma[0]))


def _launch_of(motion: Motion, rest: Interval, departed: int, peak: int) -> Launch:
    """Choose the window of the launch fit, mind creep and roll-back, and fit."""
    t, y, v = motion.t_s, motion.reading_mps, motion.speed_mps
    step = motion.step_s
    sigma = motion.noise.reading_sigma_mps
    quick = departed + int(np.argmax(v[departed : peak + 1] >= min(5.0, v[peak])))
    # Readings up to 5 m/s, but no fewer than four of them and no more than five seconds.
    enough = departed + (6 if step < 0.6 else 3)
    until = float(min(max(t[quick], t[departed] + 1.2, t[min(enough, peak)]), t[departed] + max(5.0, 4 * step)))
    pull = motion.accel_mps2[departed : peak + 1]
    most = np.maximum.accumulate(pull)
    returns = np.maximum.accumulate(pull[::-1])[::-1] - pull > 0.25 * most
    falls = np.flatnonzero((pull < 0.35 * most) | ((pull < 0.75 * most) & returns))
    if len(falls):
        until = min(until, float(t[departed + falls[0]]) - 0.3)  # a gear change is no part of the launch
    until = max(min(until, float(t[peak]) + step), float(t[min(departed + 2, len(t) - 1)]))
    latest = float(t[departed])
    earliest = max(rest.start_s, rest.end_s - 2.5 - 0.5 * step)
    begin = max(rest.start_s, earliest - 1.0)
    stood = int(np.searchsorted(t, rest.end_s))
    notes: list[str] = []
    if departed - stood >= 3:
        between = slice(stood, departed + 1)
        vb, tb, ab = v[between], t[between], motion.accel_mps2[between]
        least_after = np.minimum.accumulate(vb[::-1])[::-1]
        bump = (vb > max(0.2, 5 * sigma)) & (least_after < 0.5 * vb)
        if bump.any() and step <= 0.34:
            valley = int(np.flatnonzero(bump)[-1]) + int(np.argmin(vb[np.flatnonzero(bump)[-1] :]))
            turned = float(tb[valley])
            if turned - rest.end_s < 4.0:
                notes.append("rolled back before it pulled away: time zero is where it turned")
            else:
                notes.append("moved and nearly stopped again before it pulled away")
            fit = fit_launch(t, y, motion.noise, turned - 0.4, min(turned + 0.4, latest), until, turned - 0.5 * step,
                             at_rest_before=False)  # fmt: skip
            return replace(fit, notes=tuple(notes))
        slow = (vb > max(0.12, 2.5 * sigma)) & (vb < DEPART_MPS) & (np.abs(ab) < 0.15)
        creeping = np.flatnonzero(slow)
        if len(creeping) and tb[creeping[-1]] - tb[creeping[0]] > 1.0:
            steady = slice(max(creeping[0], creeping[-1] - int(2.0 / step)), creeping[-1] + 1)
            base = float(np.median(y[between][steady]))
            crept = float(np.trapezoid(vb[: creeping[-1] + 1], tb[: creeping[-1] + 1]))
            notes.append(
                f"crept {crept:.1f} m at {base * 3.6:.1f} km/h before it pulled away: not a clean standing start"
            )
            fit = fit_launch(
                t, y, motion.noise, float(tb[steady][0]), latest, until, float(tb[steady][0]), base_mps=base
            )
            return replace(fit, notes=tuple(notes))
    return fit_launch(t, y, motion.noise, earliest, latest, until, begin)


def _ending(
    motion: Motion, departed: int, peak: int, end: int, why: Ended, broken: bool, last: int
) -> tuple[Ended, str]:
    """How a run ended, in one word and in a sentence's worth of words."""
    t, v, a = motion.t_s, motion.speed_mps, motion.accel_mps2
    if broken:
        return "broken by traffic", "held up on its way and accelerated again"
    after = v[end : last + 1]
    later = t[end : last + 1] < t[end] + 10.0
    if why in ("lifted", "reached its peak") and later.any() and after[later].max(initial=0.0) > v[peak] + FALL_MPS:
        return "broken by traffic", f"eased off at {v[peak] * 3.6:.0f} km/h, then accelerated again"
    if why in ("gap", "drive ended"):
        return why, {"gap": "fixes are missing from here", "drive ended": "the recording ends here"}[why]
    before = (t > t[peak] - 2.0 - motion.step_s) & (t < t[peak] - 0.3) & (np.arange(len(t)) >= departed)
    behind = (t > t[peak] + 0.2) & (t < t[peak] + 1.5 + motion.step_s)
    pulling = float(np.median(a[before])) if before.any() else 0.0
    slowing = float(np.median(a[behind])) if behind.any() else 0.0
    if pulling > 0.12 and slowing < -0.1:
        if slowing < -1.2:
            return "lifted", f"braked, still gaining {pulling:.2f} m/s2"
        return "lifted", f"lifted, still gaining {pulling:.2f} m/s2"
    return "reached its peak", f"gained {max(pulling, 0.0):.2f} m/s2 at its end"


def _name_aborted(found: list[Run], options: Options) -> list[Run]:
    """A run that was given up early: before every speed asked for, or well short of the drive's others."""
    peaks = [run.peak_mps for run in found if run.kind == "standing" and run.clean]
    out = []
    for run in found:
        if run.kind == "standing" and run.ended in ("lifted", "reached its peak"):
            asked = min(options.speeds_mps) if options.speeds_mps else None
            short = asked is not None and run.peak_mps < asked
            others = len(peaks) >= 2 and run.peak_mps < 0.75 * float(np.median(peaks))
            if short or others:
                words = f"given up at {speed_label(run.peak_mps, options.unit)}"
                run = replace(run, ended="aborted", ended_words=words)
        out.append(run)
    return out


def _gear_changes(motion: Motion, t0: float, departed: int, peak: int) -> list[float]:
    """Short pauses of acceleration inside a pull: half of what was before and after is missing, for 0.15 to 2 s."""
    if motion.step_s > 0.25:
        return []
    t = motion.t_s[departed : peak + 1]
    a = motion.accel_mps2[departed : peak + 1]
    spread = motion.accel_sigma[departed : peak + 1]
    if len(t) < 10:
        return []
    low = a < 0.02
    edges = np.diff(np.concatenate([[0], low.astype(np.int8), [0]]))
    found = []
    for first, last in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1, strict=True):
        before = (t > t[first] - 1.0) & (t < t[first])
        after = (t > t[last]) & (t < t[last] + 1.2)
        if first == 0 or last >= len(t) - 1 or t[last] - t[first] > 2.0 or not before.any() or not after.any():
            continue
        depth = min(float(a[before].max()), float(a[after].max())) - float(a[first : last + 1].min())
        if depth > max(0.25, 4 * float(spread[first : last + 1].min())):
            found.append(float((t[first] + t[last]) / 2 - t0))
    return found


def _launch_quality(motion: Motion, launch: Launch, path: _Path, peak: int) -> LaunchQuality:
    nan = (math.nan, math.nan)
    ten, fifteen = (
        (passing.from_t0_s, passing.from_t0_sigma_s) if (passing := path.passing_speed(speed)) else nan
        for speed in (10 * MPS_PER_MPH, 15 * MPS_PER_KMH)
    )
    x = launch.x
    accel = np.average(np.gradient(launch.speed, x, axis=1), axis=0, weights=launch.weight)
    inside = x <= launch.until_s - launch.t0_s
    t = motion.t_s[: peak + 1]
    later = (t > launch.until_s) & (t < launch.t0_s + 8.0)
    times = np.concatenate([x[inside], t[later] - launch.t0_s])
    values = np.concatenate([accel[inside], motion.accel_mps2[: peak + 1][later]])
    top = float(values.max())
    grid = np.arange(0.0, float(times[-1]), 0.02)
    gained = np.concatenate([[0.0], np.cumsum(np.interp(grid, times, values))[:-1]]) * 0.02
    half = float((gained[25:] - gained[:-25]).max() / 0.5) if len(grid) > 26 else math.nan
    rise = float(times[np.argmax(values >= 0.7 * half)]) if np.isfinite(half) else math.nan
    return LaunchQuality(*ten, *fifteen, top, half, rise, rise > SOFT_RISE_S)


# --- rolling runs -------------------------------------------------------------------------------------------------


def _rolling(motion: Motion, fixes: Fixes, options: Options) -> list[Run]:
    assert options.from_mps is not None and options.to_mps is not None
    low, high = options.from_mps, options.to_mps
    if not low < high:
        raise ValueError("a rolling run needs a first speed below its last")
    t, v = motion.t_s, motion.speed_mps
    found: list[Run] = []
    ups = np.flatnonzero((v[:-1] < low) & (v[1:] >= low))
    busy_until = -math.inf
    for i in ups:
        if t[i] < busy_until:
            continue
        end, why = _follow(motion, int(i), len(t) - 1)
        window = v[i : end + 1]
        if window.max() < high:
            continue
        peak = int(i) + int(np.argmax(window))
        start = _crossing(motion, low, float(t[i]), peak)
        finish = _crossing(motion, high, float(t[i]), peak)
        if start is None or finish is None:
            continue
        # Steady: never slower than the first speed again on its way.
        if v[i + 1 : np.searchsorted(t, finish[0])].min(initial=math.inf) < low - 3 * motion.noise.reading_sigma_mps:
            continue
        busy_until = finish[0]
        asked = options.speeds_mps or default_speeds(high, options.unit)
        speeds = sorted({speed for speed in asked if low < speed < high} | {high})
        way0 = float(motion.distance_at([start[0]])[0])
        splits = []
        for speed in speeds:
            crossing = _crossing(motion, speed, start[0], peak)
            if crossing is None:
                continue
            gains = max(start[2], 0.02) * max(crossing[2], 0.02)
            shared = motion.speed_covariance(start[0], crossing[0]) / gains
            sigma = math.sqrt(max(start[1] ** 2 + crossing[1] ** 2 - 2 * shared, 1e-8))
            way = float(motion.distance_at([crossing[0]])[0]) - way0
            splits.append(Split(speed, crossing[0] - start[0], sigma, math.nan, math.nan, way, sigma * speed))
        begin, stop = start[0], finish[0]
        inside = (t >= begin) & (t <= stop)
        why, words = _ending(motion, int(i), peak, end, why, False, len(t) - 1)
        found.append(
            Run(
                n=0, kind="rolling", start_s=begin, start_sigma_s=start[1],
                start_utc_ns=motion.epoch_utc_ns + round(begin * 1e9), end_s=stop,
                direction_deg=_direction(fixes, begin, stop), grade=_grade(motion, fixes, begin, stop),
                peak_mps=float(v[peak]), ended=why, ended_words=words, one_foot_s=math.nan, one_foot_sigma_s=math.nan,
                splits=splits, at_distances=[], launch=None,
                distance_m=float(motion.distance_at([stop])[0]) - way0,
                peak_accel_mps2=float(motion.accel_mps2[inside].max(initial=-math.inf)),
                mean_accel_mps2=(high - low) / (stop - begin),
                gear_changes_s=_gear_changes(motion, begin, int(i), min(int(np.searchsorted(t, stop)), peak)),
                gaps=[gap for gap in motion.gaps if gap.end_s > begin and gap.start_s < stop],
                quality=_quality(motion, fixes, begin, stop), place=_place(fixes, begin, stop),
            )
        )  # fmt: skip
    return found


# --- what both have -----------------------------------------------------------------------------------------------


def _crossing(motion: Motion, speed: float, after_s: float, peak: int) -> tuple[float, float, float] | None:
    """First time at or after `after_s` (and before the peak) that the smoothed speed passes `speed`: time, its sigma,
    acceleration there."""
    t, v = motion.t_s, motion.speed_mps
    first = max(int(np.searchsorted(t, after_s, side="right")) - 1, 0)
    window = v[first : peak + 1]
    up = np.flatnonzero((window[:-1] < speed) & (window[1:] >= speed))
    if len(up) == 0:
        return None
    i = first + int(up[0])
    low, high = float(t[i]), float(t[i + 1])
    h, v0, v1 = high - low, float(v[i]), float(v[i + 1])
    a0, a1 = float(motion.accel_mps2[i]), float(motion.accel_mps2[i + 1])
    left, right = 0.0, 1.0
    for _ in range(45):
        u = (left + right) / 2
        # The smoother's mean between two fixes is the cubic with their speeds and accelerations.
        at = (
            (1 + 2 * u) * (1 - u) ** 2 * v0
            + u * (1 - u) ** 2 * h * a0
            + u * u * (3 - 2 * u) * v1
            - u * u * (1 - u) * h * a1
        )
        left, right = (u, right) if at < speed else (left, u)
    time = low + (left + right) / 2 * h
    state = motion.at([time])
    slope = max(float(state.accel_mps2[0]), 2 * float(state.accel_sigma[0]) / 3, 0.02)
    return time, float(state.speed_sigma[0]) / slope, float(state.accel_mps2[0])


def _direction(fixes: Fixes, start: float, stop: float) -> float:
    """Mean course weighted by speed; NaN where courses are missing."""
    inside = (fixes.t_s >= start) & (fixes.t_s <= stop) & (fixes.speed_mps > 2) & np.isfinite(fixes.course_deg)
    if not inside.any():
        return math.nan
    course = np.radians(fixes.course_deg[inside])
    weight = fixes.speed_mps[inside]
    return (
        math.degrees(math.atan2(float(np.sum(weight * np.sin(course))), float(np.sum(weight * np.cos(course))))) % 360
    )


def _grade(motion: Motion, fixes: Fixes, start: float, stop: float) -> Grade:
    """Slope of altitude over way by least squares. GPS altitude wanders; how far it wanders within the run's time is
    taken from where the car stood (else 0.5 m in ten seconds, growing with the root of time: common practice)."""
    inside = (fixes.t_s >= start) & (fixes.t_s <= stop) & np.isfinite(fixes.alt_m)
    if inside.sum() < 3:
        return Grade(math.nan, math.nan)
    way = motion.distance_at(fixes.t_s[inside])
    alt = fixes.alt_m[inside]
    good = np.isfinite(way)
    way, alt = way[good] - np.mean(way[good]), alt[good] - np.mean(alt[good])
    spread = float(np.sum(way**2))
    if spread < 100.0:
        return Grade(math.nan, math.nan)
    slope = float(np.sum(way * alt) / spread)
    wander = _altitude_wander(motion, fixes, stop - start)
    # A drift of `wander` over the run tilts the line by it; what is left as scatter adds the usual least-squares part.
    scatter = float(np.std(alt - slope * way))
    sigma = math.hypot(wander / float(np.ptp(way)), scatter / math.sqrt(spread) * 2)
    return Grade(100 * slope, 100 * sigma)


def _altitude_wander(motion: Motion, fixes: Fixes, seconds: float) -> float:
    """Root mean square change of the reported altitude over `seconds` of standing still [m]."""
    usual = 0.5 * math.sqrt(seconds / 10.0)
    changes = []
    for rest in motion.rests:
        inside = (fixes.t_s >= rest.start_s) & (fixes.t_s <= rest.end_s) & np.isfinite(fixes.alt_m)
        t, alt = fixes.t_s[inside], fixes.alt_m[inside]
        lag = min(seconds, (rest.end_s - rest.start_s) / 2)
        if len(t) < 4 or lag < 2:
            continue
        later = np.interp(t + lag, t, alt, right=np.nan)
        change = (later - alt)[np.isfinite(later)]
        changes.append((float(np.mean(change**2)) * seconds / lag, len(change)))
    if not changes:
        return usual
    values, counts = np.array(changes).T
    # One standing tells little about wander as slow as this: a prior of two standings at the usual value.
    n = len(values)
    return math.sqrt((float(np.average(values, weights=counts)) * n + 2 * usual**2) / (n + 2))


def _quality(motion: Motion, fixes: Fixes, start: float, stop: float) -> Quality:
    inside = (fixes.t_s >= start) & (fixes.t_s <= stop)
    n = int(inside.sum())
    satellites, hdop = fixes.satellites[inside], fixes.hdop[inside]
    return Quality(
        (n - 1) / (stop - start) if n > 1 else math.nan,
        n,
        motion.noise.sigma_mps,
        float(np.nanmin(satellites)) if np.isfinite(satellites).any() else math.nan,
        float(np.nanmax(hdop)) if np.isfinite(hdop).any() else math.nan,
    )


def _place(fixes: Fixes, start: float, stop: float) -> tuple[float, float, float, float]:
    good = np.isfinite(fixes.lat_deg) & np.isfinite(fixes.lon_deg)
    if good.sum() < 2:
        return (math.nan, math.nan, math.nan, math.nan)
    t = fixes.t_s[good]
    lat, lon = (np.interp([start, stop], t, values[good]) for values in (fixes.lat_deg, fixes.lon_deg))
    return float(lat[0]), float(lon[0]), float(lat[1]), float(lon[1])


# --- pairs and summaries ------------------------------------------------------------------------------------------

EARTH_M = 6371008.8
"""Mean radius of the earth (WGS 84), enough to tell whether two runs shared a stretch."""


def pair_opposite(found: Sequence[Run], within_deg: float = 25.0, within_m: float = 40.0) -> list[Pair]:
    """Pair clean standing runs over the same stretch in opposite directions, each used once, nearest in time first.

    The same stretch: courses opposite within `within_deg`, and the ways, taken as straight lines from start to end, lie
    beside each other within `within_m` over half or more of the shorter.
    """
    candidates = []
    for i, a in enumerate(found):
        for j in range(i + 1, len(found)):
            b = found[j]
            if a.kind == b.kind and a.clean and b.clean and _opposite(a, b, within_deg, within_m):
                candidates.append((abs(b.start_s - a.start_s), i, j))
    taken: set[int] = set()
    pairs = []
    for _, i, j in sorted(candidates):
        if i in taken or j in taken:
            continue
        taken |= {i, j}
        a, b = found[i], found[j]
        splits = [
            Split(
                x.speed_mps, (x.time_s + y.time_s) / 2, math.hypot(x.sigma_s, y.sigma_s) / 2,
                (x.from_one_foot_s + y.from_one_foot_s) / 2,
                math.hypot(x.from_one_foot_sigma_s, y.from_one_foot_sigma_s) / 2,
                (x.distance_m + y.distance_m) / 2, math.hypot(x.distance_sigma_m, y.distance_sigma_m) / 2,
            )
            for x in a.splits for y in b.splits if math.isclose(x.speed_mps, y.speed_mps)
        ]  # fmt: skip
        pairs.append(Pair(a.n, b.n, splits))
    return sorted(pairs, key=lambda pair: pair.first)


def _opposite(a: Run, b: Run, within_deg: float, within_m: float) -> bool:
    if not all(math.isfinite(x) for x in (*a.place, *b.place, a.direction_deg, b.direction_deg)):
        return False
    if abs((a.direction_deg - b.direction_deg + 360) % 360 - 180) > within_deg:
        return False
    lat0, lon0, lat1, lon1 = a.place
    scale = math.cos(math.radians(lat0))

    def plane(lat: float, lon: float) -> Floats:
        return np.array([math.radians(lon - lon0) * scale, math.radians(lat - lat0)]) * EARTH_M

    line = plane(lat1, lon1)
    length = float(np.hypot(*line))
    if length < 10:
        return False
    along = line / length
    ends = [plane(b.place[0], b.place[1]), plane(b.place[2], b.place[3])]
    where = sorted(float(end @ along) for end in ends)
    aside = [abs(float(end[0] * along[1] - end[1] * along[0])) for end in ends]
    overlap = min(where[1], length) - max(where[0], 0.0)
    return overlap > 0.5 * min(length, where[1] - where[0]) and max(aside) < within_m


@dataclass(frozen=True)
class Summary:
    """Times of one split over several runs [s]: best, median, spread (1.4826 times the median absolute deviation, which
    estimates a standard deviation), and how many."""

    speed_mps: float
    runs: int
    best_s: float
    median_s: float
    spread_s: float
    best_run: int
    """Index into the runs that were given."""


def summarise(
    found: Sequence[Run], speed_mps: float, definition: Literal["first movement", "one foot"]
) -> Summary | None:
    """Best, median and spread of one split over the runs that have it; None where none has."""
    values = []
    for i, run in enumerate(found):
        for split in run.splits:
            if math.isclose(split.speed_mps, speed_mps, rel_tol=1e-6):
                values.append((split.time_s if definition == "first movement" else split.from_one_foot_s, i))
    if not values:
        return None
    times = np.array([value for value, _ in values])
    middle = float(np.median(times))
    spread = 1.4826 * float(np.median(np.abs(times - middle))) if len(times) > 1 else math.nan
    best = int(np.argmin(times))
    return Summary(speed_mps, len(times), float(times[best]), middle, spread, values[best][1])


def tip_in_delay(motion: Motion, run: Run, t_s: Floats, opening: Floats) -> tuple[float, float] | None:
    """From throttle (or manifold pressure) to acceleration: delay and sigma [s]; None where no opening is seen.

    `opening` at `t_s`, on the fixes' axis: the throttle moves when it has gone half the way from what it was before the
    run to what it is in it, within 3 s before and 2 s after the run's start.
    """
    near = (t_s > run.start_s - 3.0) & (t_s < run.start_s + 2.0) & np.isfinite(opening)
    if near.sum() < 5:
        return None
    t, value = t_s[near], opening[near]
    closed, opened = (float(x) for x in np.quantile(value, [0.05, 0.95]))
    if opened - closed <= 5 * float(np.median(np.abs(np.diff(value)))) + 1e-9:
        return None
    over = value >= (closed + opened) / 2
    k = int(np.argmax(over))
    if k == 0:
        return None
    part = ((closed + opened) / 2 - value[k - 1]) / (value[k] - value[k - 1])
    moved = float(t[k - 1] + part * (t[k] - t[k - 1]))
    return run.start_s - moved, math.hypot(run.start_sigma_s, float(t[k] - t[k - 1]) / math.sqrt(12))
