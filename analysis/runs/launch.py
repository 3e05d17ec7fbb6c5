"""How a car pulls away: when it first moved, and when it had moved one foot, with their uncertainty.

    launch = pull_away(motion, rest, departed, peak)     # the fit over the right window of a drive's fixes
    launch.t0_s, launch.t0_sigma_s                       # first movement
    launch.one_foot_s, launch.one_foot_sigma_s           # 0.3048 m of movement (SAE J1491)
    launch.passing(4.47, "speed")                        # and when a speed or a way was passed, jointly with both

Time zero is found by fitting how cars pull away, not by a threshold; see `fit_launch`.
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr, ndtr

from analysis.arrays import Floats
from analysis.motion.noise import Interval, Noise
from analysis.motion.smoother import Motion
from logger.units import FOOT_M, speed_label

DEPART_MPS = 1.0
"""A car faster than this has left."""


@dataclass(frozen=True)
class Launch:
    """How a car pulled away: a weighted set of fitted starts. Times on the fixes' axis."""

    t0_s: float
    t0_sigma_s: float
    one_foot_s: float
    one_foot_sigma_s: float
    until_s: float
    """The fit describes the motion up to here."""
    weight: Weight = field(repr=False)
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

    def passing(self, target: float, of: Literal["speed", "way"]) -> Passing | None:
        """When a speed [m/s] or way [m] was first passed, jointly with both time zeros; None beyond the fit."""
        curve, sigma = (self.speed, self.speed_sigma) if of == "speed" else (self.way, self.way_sigma)
        if self.weight.likely @ (curve.max(1) >= target) <= 0.999:
            return None
        k = np.clip(np.argmax(curve >= target, 1), 1, curve.shape[1] - 1)
        rows = np.arange(len(k))
        low, high = curve[rows, k - 1], curve[rows, k]
        slope = np.maximum((high - low) / (self.x[k] - self.x[k - 1]), 1e-3)
        at = self.t0 + self.x[k - 1] + np.clip((target - low) / slope, 0, self.x[k] - self.x[k - 1])
        own = sigma[rows, k] / slope
        return Passing(
            *moments(self.weight, at, own),
            *moments(self.weight, at - self.t0, own),
            *moments(self.weight, at - self.one_foot, np.hypot(own, self.one_foot_sigma)),
        )


class Passing(NamedTuple):
    time_s: float
    sigma_s: float
    from_t0_s: float
    from_t0_sigma_s: float
    from_foot_s: float
    from_foot_sigma_s: float


class Weight(NamedTuple):
    """How likely each fitted start is, and how much it counts in the values that are given: (starts), both sum to 1."""

    likely: Floats
    counted: Floats


def moments(weight: Weight, values: Floats, sigma: Floats) -> tuple[float, float]:
    """The value given, and the root mean square deviation from it over all starts."""
    given = float(np.sum(weight.counted * values))
    return given, math.sqrt(float(np.sum(weight.likely * ((values - given) ** 2 + sigma**2))))


class _Rise(NamedTuple):
    """One way for the acceleration to come in: by which curve, over what time [s], from what first share, how likely
    beforehand."""

    curve: Literal["straight", "exponential", "s-shaped", "falling"]
    seconds: float
    first: float
    weight: float


_QUICK_S = 0.3


def _rises(slow: bool) -> list[_Rise]:
    """Every way that `fit_launch` averages over, and how likely each is beforehand.

    Readings near zero cannot tell these apart: what happens below the noise is invisible, and a take-up that begins
    with a jolt looks from then on like an even rise that began 0.2 s earlier. So what is known of cars has to help,
    and it is this: a clutch that is let go has hold within two tenths of a second; one that is slipped in, or a belt,
    takes about a second and begins with a part of the force; what takes longer, two to four seconds, is the foot, and
    begins at nothing. All else stays possible and widens sigma: a clutch let in smoothly within half a second, a soft
    clutch, a start too smooth to see at a few per cent. `slow`: fixes are so far apart that they say
    little of it, and quick rises count for more.
    """
    quick = 2.0 if slow else 1.0
    rises = [_Rise("straight", 0.0, 1.0, 0.75 * quick)]
    rises += [_Rise("exponential", seconds, 0.0, 0.5 * quick) for seconds in (0.05, 0.08, 0.12)]
    rises += [_Rise("exponential", seconds, 0.0, 0.02) for seconds in (0.18, 0.25, 0.5, 1.0)]
    # All there at once and falling from then on, as constant power does: a = sqrt(P / 2 m t) after `seconds`.
    rises += [_Rise("falling", seconds, 1.0, 0.06) for seconds in (0.005, 0.25)]
    for seconds in (0.3, 0.5, 0.8, 1.0, 1.2, 1.4, 1.6, 2.0, 2.5):
        slipped = 0.55 * (_log_normal(seconds, 1.05, 0.25) + 0.02)
        for first, share in ((0.15, 0.4), (0.25, 1.0), (0.35, 0.7), (0.45, 0.35)):
            rises.append(_Rise("s-shaped", seconds, first, slipped * share))
        rises.append(_Rise("s-shaped", seconds, 0.0, 0.1 if seconds < 0.6 else 0.03))
    for seconds in (0.15, 0.3, 0.5, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.2, 2.5, 2.9, 3.4):
        rises.append(_Rise("straight", seconds, 0.0, 1.3 * (_log_normal(seconds, 2.8, 0.32) + 0.025)))
    return rises


def _log_normal(x: float, middle: float, width: float) -> float:
    return math.exp(-0.5 * (math.log(x / middle) / width) ** 2)


_KNOTS = 6
_WANDER = ((0.004, 1.0), (0.04, 1.0), (0.6, 0.05))
"""How much the acceleration may wander under the launch, variance per second [m2/s5], and how likely that is."""
_SLOW_WANDER = ((0.04, 1.0), (0.6, 0.3), (4.0, 0.3))
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

    The car stands until t0; then a(t) = S(t - t0) A(t - t0), where S rises to 1 in one of many ways within a time of 0
    to 3.4 s (`_rises`), and A, the acceleration that the car would have without the launch, wanders slowly (a random
    walk of unknown size, linear between knots). For given S, t0 and wander the motion is linear in A and its evidence
    has a closed form; the answer averages over all of them by evidence, so that not knowing how the car got away is
    part of the sigma. A plain mean leans to the middle, early for quick launches and late for slow ones; so the time
    given lies between it and that of the likeliest rise (each counts by the square of its probability), and sigma is
    the root mean square deviation from that. Near zero, readings follow the receiver's own law (`Noise.kind`, rounding,
    zero held below a speed), not a normal one.

    earliest_s, latest_s bound t0; readings from `from_s` to `until_s` are used. `base_mps` is the speed before t0 where
    the car was creeping; `at_rest_before=False` leaves out what came before t0 (a car that rolled back).
    """
    use = (t >= (earliest_s - 1.0 if from_s is None else from_s)) & (t <= until_s)
    span = until_s - earliest_s
    slow = bool(np.median(np.diff(t[use])) > 0.6)
    wanders, wander_weight = np.transpose(_SLOW_WANDER if slow else _WANDER)
    rises = _rises(slow)
    prior = np.log([rise.weight for rise in rises])
    x = np.linspace(0.0, span, max(int(span / 0.01), 200) + 1)
    tables = _speed_tables(x, rises)
    readings = _Readings(t[use], y[use], noise, base_mps, at_rest_before)
    # A coarse look with one wander finds where the answer lies; a fine one weighs it.
    coarse = np.linspace(earliest_s, latest_s, max(int((latest_s - earliest_s) / 0.12), 20) + 1)
    log = _evidence(readings, coarse, x, tables, span, wanders[1:2])[0] + prior[:, None, None]
    weight = np.exp(log - log.max())
    share = weight.sum((1, 2))
    # A quick start is too sharp for the coarse look to judge: such ones stay.
    quick = np.array([rise.seconds < _QUICK_S for rise in rises])
    alive = np.flatnonzero(share > np.where(quick, 1e-9, 2e-3) * share.max())
    support = np.flatnonzero(weight.sum((0, 2)) > 1e-5 * weight.sum((0, 2)).max())
    low, high = coarse[max(support[0] - 1, 0)], coarse[min(support[-1] + 1, len(coarse) - 1)]
    grid = np.linspace(low, high, min(max(int((high - low) / 0.015), 16), 48) + 1)
    log, coefs, covs = _evidence(readings, grid, x, tables[alive], span, wanders)
    log = log + prior[alive, None, None] + np.log(wander_weight)
    weight = np.exp(log - log.max())
    keep = np.nonzero(weight > 2e-4)
    w = weight[keep] / weight[keep].sum()
    counted = w * np.bincount(keep[0], w)[keep[0]]
    starts = Weight(w, counted / counted.sum())
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
        *moments(starts, t0, t0_sigma), *moments(starts, foot, foot_sigma),
        until_s, starts, t0, xs, speed, speed_sigma, way, way_sigma, foot, foot_sigma,
    )  # fmt: skip


def _one_foot(x: Floats, speed: Floats, way: Floats, way_sigma: Floats) -> tuple[Floats, Floats]:
    reached = way >= FOOT_M
    k = np.clip(np.where(reached.any(1), np.argmax(reached, 1), way.shape[1] - 1), 1, None)
    rows = np.arange(len(k))
    v = np.maximum((way[rows, k] - way[rows, k - 1]) / (x[k] - x[k - 1]), 0.02)
    when = x[k - 1] + (FOOT_M - way[rows, k - 1]) / v
    return np.asarray(when, float), np.asarray(way_sigma[rows, k] / v, float)


def _speed_tables(x: Floats, rises: list[_Rise]) -> Floats:
    """Speed gained `x` seconds after time zero for each knot of A at 1 m/s2 and the others at 0: (rises, m, knots)."""
    gained = np.zeros((len(rises), len(x)))
    for row, rise in zip(gained, rises, strict=True):
        if rise.curve == "falling":
            # Share sqrt(0.5 / t), which is 1 after half a second; its integral has a closed form, and a steep start.
            begun = math.sqrt(0.5 * rise.seconds)
            row[:] = np.where(x < rise.seconds, begun * x / rise.seconds, np.sqrt(2 * x) - begun)
        else:
            share = _share(x, rise)
            row[1:] = np.cumsum((share[1:] + share[:-1]) / 2) * x[1]
    hats = np.stack([np.interp(x, np.linspace(0.0, float(x[-1]), _KNOTS), row) for row in np.eye(_KNOTS)], -1)
    out = np.zeros((len(rises), *hats.shape))
    out[:, 1:] = np.cumsum((hats[1:] + hats[:-1]) / 2 * np.diff(gained)[..., None], 1)
    return out


def _share(x: Floats, rise: _Rise) -> Floats:
    """Which share of the full acceleration is there `x` seconds after time zero."""
    u = x / max(rise.seconds, 1e-9)
    inside = np.minimum(u, 1.0)
    if rise.curve == "straight":
        risen = inside
    elif rise.curve == "exponential":
        risen = 1 - np.exp(-np.minimum(u, 50.0))
    else:
        risen = inside * inside * (3 - 2 * inside)
    return np.asarray(rise.first + (1 - rise.first) * risen, float)


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

    def since(self, time: float) -> _Readings:
        """The readings after `time`: what was before every start says nothing between them."""
        out, late = copy(self), self.t > time
        out.t, out.y, out.held, out.before = self.t[late], self.y[late], self.held[late], self.before[late]
        return out


def _evidence(
    readings: _Readings, grid: Floats, x: Floats, tables: Floats, span: float, wanders: Floats
) -> tuple[Floats, Floats, Floats]:
    """Log evidence (rises, grid, wanders) of each start, the coefficients (..., knots), their covariances."""
    readings = readings.since(float(grid[0]))
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


def pull_away(motion: Motion, rest: Interval, departed: int, peak: int, unit: str = "mph") -> Launch:
    """Choose the window of the launch fit, mind creep and roll-back, and fit; notes tell speeds in `unit`."""
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
            way = f"{crept / FOOT_M:.0f} ft" if unit == "mph" else f"{crept:.1f} m"
            notes.append(f"crept {way} at {speed_label(base, unit)} before it pulled away: not a clean standing start")
            fit = fit_launch(
                t, y, motion.noise, float(tb[steady][0]), latest, until, float(tb[steady][0]), base_mps=base
            )
            return replace(fit, notes=tuple(notes))
    return fit_launch(t, y, motion.noise, earliest, latest, until, begin)
