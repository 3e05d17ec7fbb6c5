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

from analysis.arrays import Floats, first_order
from analysis.motion.noise import Interval, Noise, density, wander_covariance
from analysis.motion.smoother import Motion
from analysis.motion.wander import rest_log_density
from analysis.runs.rises import KNOTS, QUICK_S, LaunchHabit, prior_of, rises, speed_tables
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
    rise: NDArray[np.intp] = field(repr=False)
    """Which rise each start has: (starts)."""
    rise_log: Floats = field(repr=False)
    """Log evidence of each rise, whatever was expected beforehand: (rises); see `rises.habit_of`."""
    t0_step_s: float
    """Standard deviation of each start's t0 about the one it stands for."""
    notes: tuple[str, ...] = ()

    def likeliest(self, most: int) -> NDArray[np.intp]:
        """The rises that are likely, no more than `most`."""
        share = np.bincount(self.rise, self.weight.likely)
        best = np.argsort(-share)[:most]
        return np.sort(best[share[best] > 0.02 * share.max()])

    def among(self, some: NDArray[np.intp]) -> Launch:
        """The same launch where only these rises are possible."""
        by = np.isin(self.rise, some).astype(float)
        likely, counted = (w * by / float(w @ by) for w in self.weight)
        weight = Weight(likely, counted)
        t0, t0_sigma = moments(weight, self.t0, np.full_like(self.t0, self.t0_step_s))
        foot, foot_sigma = moments(weight, self.one_foot, self.one_foot_sigma)
        return replace(
            self, t0_s=t0, t0_sigma_s=t0_sigma, one_foot_s=foot, one_foot_sigma_s=foot_sigma, weight=weight
        )  # fmt: skip

    def at(self, time_s: float, table: Floats) -> Floats:
        """A table (starts, m) of this launch at one instant: (starts)."""
        x = np.clip(time_s - self.t0, self.x[0], self.x[-1])
        k = np.clip(np.searchsorted(self.x, x), 1, len(self.x) - 1)
        part = (x - self.x[k - 1]) / (self.x[k] - self.x[k - 1])
        rows = np.arange(len(k))
        return np.asarray(table[rows, k - 1] * (1 - part) + table[rows, k] * part, float)

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
    smoothing_s: float = 0.0,
    trust: Floats | None = None,
    habit: LaunchHabit | None = None,
    among: NDArray[np.intp] | None = None,
    may_roll: bool = False,
) -> Launch:
    """Fit how a car pulls away from readings `y` [m/s] at `t` [s]: time zero and one foot with their uncertainty.

    The car stands until t0; then a(t) = S(t - t0) A(t - t0), where S rises to 1 in one of many ways within a time of 0
    to 3.4 s (`rises`), and A, the acceleration that the car would have without the launch, wanders slowly (a random
    walk of unknown size, linear between knots). For given S, t0 and wander the motion is linear in A and its evidence
    has a closed form; the answer averages over all of them by evidence, so that not knowing how the car got away is
    part of the sigma: the time given is the mean, sigma the root mean square deviation from it. Where fixes are more
    than 0.6 s apart and say little of the rise, a plain mean leans to the middle, early for quick launches and late for
    slow ones; there each rise counts by the square of its probability. Near zero, readings follow the receiver's own
    law (`Noise.kind`, rounding, zero held below a speed), not a normal one.

    earliest_s, latest_s bound t0; readings from `from_s` to `until_s` are used. `base_mps` is the speed before t0 where
    the car was creeping; `at_rest_before=False` leaves out what came before t0 (a car that rolled back). `smoothing_s`:
    the receiver shows the motion through a first-order filter of this time constant. `trust`: how surely each reading
    is no stray. `habit`: what is known of the car's launches; the broad prior by default. `among`: only these rises.
    `may_roll`: before t0 the car may have rolled back too slowly for its course to tell.
    """
    use = (t >= (earliest_s - 1.0 if from_s is None else from_s)) & (t <= until_s)
    if trust is not None:
        use &= trust > 0.5
    span = until_s - earliest_s
    slow = bool(np.median(np.diff(t[use])) > 0.6)
    wanders, wander_weight = np.transpose(_SLOW_WANDER if slow else _WANDER)
    every = rises(slow)
    prior = np.log(prior_of(every, habit, slow))
    if among is not None:
        every, prior = [every[k] for k in among], prior[among]
    x = np.linspace(0.0, span, max(int(span / 0.02), 150) + 1)
    tables = speed_tables(x, every)
    shown = _filtered(tables, float(x[1]), smoothing_s)
    readings = _Readings(t[use], y[use], noise, base_mps, at_rest_before, may_roll)
    # A coarse look with one wander finds where the answer lies; a fine one weighs it.
    coarse = np.linspace(earliest_s, latest_s, max(int((latest_s - earliest_s) / 0.12), 20) + 1)
    for _ in range(_MOST_STRAYS + 1):
        log, coefs, _ = _evidence(readings, coarse, x, shown, span, wanders[1:2])
        log = log[..., 0]
        best = np.unravel_index(int(np.argmax(log + prior[:, None])), log.shape)
        stray = _lone_stray(readings, float(coarse[best[1]]), x, shown[best[0]] @ coefs[(*best, 0)])
        if stray is None:
            break
        readings = readings.without(stray)
    weight = np.exp(log + prior[:, None] - (log + prior[:, None]).max())
    share = weight.sum(1)
    # A quick start is too sharp for the coarse look to judge: such ones stay.
    quick = np.array([rise.seconds < QUICK_S for rise in every])
    alive = np.flatnonzero(share > np.where(quick, 1e-9, 2e-3) * share.max())
    support = np.flatnonzero(weight.sum(0) > 1e-5 * weight.sum(0).max())
    low, high = coarse[max(support[0] - 1, 0)], coarse[min(support[-1] + 1, len(coarse) - 1)]
    grid = np.linspace(low, high, min(max(int((high - low) / 0.015), 16), 48) + 1)
    rise_log = np.log(np.exp(log - log.max()).sum(1) + 1e-30) + log.max() + math.log(coarse[1] - coarse[0])
    log, coefs, covs = _evidence(readings, grid, x, shown[alive], span, wanders)
    log = log + np.log(wander_weight)
    rise_log = _rise_evidence(rise_log, alive, log, float(grid[1] - grid[0]))
    log = log + prior[alive, None, None]
    weight = np.exp(log - log.max())
    keep = np.nonzero(weight > 5e-4)
    w = weight[keep] / weight[keep].sum()
    counted = w * np.bincount(keep[0], w)[keep[0]] if slow and habit is None else w
    starts = Weight(w, counted / counted.sum())
    c, s, t0 = coefs[keep], covs[keep], grid[keep[1]]
    thin = np.unique(np.concatenate([np.arange(0, len(x), max(len(x) // 120, 1)), [len(x) - 1]]))
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
    t0_sigma = math.hypot((grid[1] - grid[0]) / math.sqrt(12), unseen)
    return Launch(
        *moments(starts, t0, np.full_like(t0, t0_sigma)), *moments(starts, foot, foot_sigma),
        until_s, starts, t0, xs, speed, speed_sigma, way, way_sigma, foot, foot_sigma, alive[keep[0]], rise_log,
        t0_sigma,
    )  # fmt: skip


def _rise_evidence(coarse: Floats, alive: NDArray[np.intp], fine: Floats, step: float) -> Floats:
    """Log evidence of each rise over all starts, less the best's: fine where it was looked at, coarse elsewhere."""
    flat = fine.reshape(len(alive), -1)
    top = flat.max(1)
    found = top + np.log(np.exp(flat - top[:, None]).sum(1) * step)
    best = int(np.argmax(found))
    # The two looks leave out different readings before the start: the best rise says by how much they differ.
    out = np.minimum(coarse - coarse[alive[best]], -3.0) + found[best]
    out[alive] = found
    return np.asarray(np.maximum(out - out[alive].max(), -30.0), float)


def _filtered(tables: Floats, step: float, smoothing_s: float) -> Floats:
    """The tables as a receiver shows them that smooths speed by a first-order filter."""
    if smoothing_s <= 0:
        return tables
    kept = math.exp(-step / smoothing_s)
    # Between the points speed is taken as a line, for which this is exact.
    late = smoothing_s * (1 - kept) / step
    return first_order(1 - late, late - kept, kept, tables, axis=1)


_MOST_STRAYS = 3
_STRAY_SIGMAS = 5.0


def _lone_stray(readings: _Readings, start: float, x: Floats, fitted: Floats) -> int | None:
    """Index of the reading that lies furthest off the likeliest start, where it does so by itself; None without."""
    after = readings.t - start
    moving = (after > 0) & ~readings.held
    if readings.slow or moving.sum() < 8:
        return None
    off = np.abs(np.where(moving, readings.y - readings.base - np.interp(after, x, fitted), 0.0)) / readings.each
    worst = int(np.argmax(off))
    beside = np.concatenate([off[max(worst - 2, 0) : worst], off[worst + 1 : worst + 3]])
    if off[worst] < _STRAY_SIGMAS or off[worst] < 2.5 * float(beside.max(initial=0.0)):
        return None
    return worst


def _one_foot(x: Floats, speed: Floats, way: Floats, way_sigma: Floats) -> tuple[Floats, Floats]:
    reached = way >= FOOT_M
    k = np.clip(np.where(reached.any(1), np.argmax(reached, 1), way.shape[1] - 1), 1, None)
    rows = np.arange(len(k))
    v = np.maximum((way[rows, k] - way[rows, k - 1]) / (x[k] - x[k - 1]), 0.02)
    when = x[k - 1] + (FOOT_M - way[rows, k - 1]) / v
    return np.asarray(when, float), np.asarray(way_sigma[rows, k] / v, float)


class _Readings:
    """Readings of a launch with what does not depend on the fitted start.

    each: standard deviation of each reading. whiten: upper triangular; its last rows make the errors of any run of last
    readings white, so that one matrix serves every start. None where they are white as they are.
    """

    def __init__(
        self, t: Floats, y: Floats, noise: Noise, base: float, at_rest_before: bool, may_roll: bool = False
    ) -> None:
        self.t, self.y, self.noise, self.base, self.at_rest_before = t, y, noise, base, at_rest_before
        self.may_roll = may_roll
        self.slow = bool(np.median(np.diff(t)) > 0.25)
        self.sigma = noise.reading_sigma_mps
        self.normal = math.log(self.sigma * math.sqrt(2 * math.pi))
        self.held = (y == 0) & (noise.hold_mps > 0)
        at_rest = noise.rest_sigma_mps if np.isfinite(noise.rest_sigma_mps) else noise.sigma_mps
        # What a receiver draws at rest it may still draw at a walk.
        drawn = noise.drawn
        self.each = np.where(drawn & (y < 3 * at_rest), at_rest, self.sigma)
        self.whiten = None
        if drawn or noise.wander_share > 0:
            covariance = wander_covariance(t, noise) + np.diag(np.maximum(self.each**2 - self.sigma**2, 0.0))
            free = ~self.held
            backwards = np.linalg.cholesky(covariance[np.ix_(free, free)][::-1, ::-1])[::-1, ::-1]
            self.whiten = np.zeros_like(covariance)
            self.whiten[np.ix_(free, free)] = np.linalg.inv(backwards)
        if not at_rest_before:
            # What came before is not of this start: as likely as an average reading, wherever t0 lies.
            self.before = -0.5 - np.log(self.each * math.sqrt(2 * math.pi))
            if self.whiten is not None:
                self.before = -0.5 - 0.5 * math.log(2 * math.pi) + np.log(np.maximum(np.diag(self.whiten), 1e-9))
        elif base > 0:
            self.before = -0.5 * ((y - base) / self.sigma) ** 2 - self.normal
        else:
            self.before = rest_log_density(t, y, noise, at_rest)

    def without(self, index: int) -> _Readings:
        """The readings without one."""
        keep = np.arange(len(self.t)) != index
        return _Readings(self.t[keep], self.y[keep], self.noise, self.base, self.at_rest_before, self.may_roll)

    def since(self, time: float) -> _Readings:
        """The readings after `time`: what was before every start says nothing between them."""
        out, late = copy(self), self.t > time
        out.t, out.y, out.held, out.before, out.each = (
            values[late] for values in (self.t, self.y, self.held, self.before, self.each)
        )
        if self.whiten is not None:
            out.whiten = self.whiten[np.ix_(late, late)]
        return out


def _evidence(
    readings: _Readings, grid: Floats, x: Floats, tables: Floats, span: float, wanders: Floats
) -> tuple[Floats, Floats, Floats]:
    """Log evidence (rises, grid, wanders) of each start, the coefficients (..., knots), their covariances."""
    rolling = _rolling_back(readings, grid) if readings.may_roll else np.zeros_like(grid)
    readings = readings.since(float(grid[0]))
    t, y, base, held = readings.t, readings.y, readings.base, readings.held
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
    if readings.whiten is None:
        design, z = design / readings.sigma, z / readings.sigma
        each = np.full(len(t), readings.normal)
    else:
        # Rows of readings before the start carry what those after it foretell of them: they are no part of it.
        design = np.where(used[..., None], readings.whiten @ design, 0.0)
        z = np.where(used, z @ readings.whiten.T, 0.0)
        each = 0.5 * math.log(2 * math.pi) - np.log(np.where(held, 1.0, np.diag(readings.whiten)))
    gram = np.swapaxes(design, -1, -2) @ design
    moment = (np.swapaxes(design, -1, -2) @ z[..., None])[..., 0]
    constant = np.where(moving, 0.0, readings.before).sum(1) - used @ each - 0.5 * (z**2).sum(1)
    # A car that was caught as it rolled is already pulled when it turns.
    pulled = tables[:, int(0.15 / x[1]), 0] > 0.6 * 0.15
    constant = constant + np.where(pulled[:, None], rolling, math.log(1 - _ROLLS_BACK) * (rolling != 0))
    spacing = span / (KNOTS - 1)
    logs, coefs, covs = [], [], []
    for wander in wanders:
        precision = np.zeros((KNOTS, KNOTS))
        precision[0, 0] = 1 / 2.5**2
        for k in range(KNOTS - 1):
            precision[k : k + 2, k : k + 2] += np.array([[1, -1], [-1, 1]]) / (wander * spacing)
        mean = np.full(KNOTS, 1.5)
        pull = precision @ mean
        posterior = gram + precision
        cov = np.linalg.inv(posterior)
        c = (cov @ (moment + pull)[..., None])[..., 0]
        det = np.linalg.slogdet(posterior)[1] - np.linalg.slogdet(precision)[1]
        log = constant + 0.5 * ((c * (moment + pull)).sum(-1) - mean @ pull - det)
        if base == 0:
            log = log + _near_zero(readings, moving, basis, (design, z), c)
        logs.append(log)
        coefs.append(c)
        covs.append(cov)
    return np.stack(logs, -1), np.stack(coefs, -2), np.stack(covs, -3)


_ROLLS_BACK = 0.05
"""How many of the launches that creep up on zero begin with a roll back."""


def _rolling_back(readings: _Readings, grid: Floats) -> Floats:
    """What is added to the log evidence of each start, that the car stood before it, if it may as well have rolled
    back, ever faster, and been caught just before: (grid)."""
    longest = 3.0
    use = (readings.t > grid[0] - longest) & (readings.t < grid[-1]) & ~readings.held
    ago = grid[:, None] - readings.t[use]
    seconds, speeds = np.meshgrid([0.5, 0.9, 1.4, 2.1, longest], [0.09, 0.14, 0.2, 0.28, 0.4, 0.55])
    d, p = seconds.reshape(-1, 1, 1), speeds.reshape(-1, 1, 1)
    caught = p / 1.2
    v = p * np.clip(np.minimum((d - ago) / (d - np.minimum(caught, 0.3 * d)), ago / caught), 0.0, 1.0)
    before = ago > 0
    y = np.broadcast_to(readings.y[use], v.shape)
    at_rest = np.exp(readings.before[use])
    likely = np.log(density(y, v, np.broadcast_to(readings.each[use], v.shape), readings.noise) + 1e-3)
    more = np.where(before, likely - np.log(at_rest + 1e-3), 0.0).sum(-1)
    top = more.max(0)
    mean = top + np.log(np.exp(more - top).mean(0))
    return np.asarray(np.logaddexp(math.log(1 - _ROLLS_BACK), math.log(_ROLLS_BACK) + mean), float)


def _near_zero(
    readings: _Readings, moving: NDArray[np.bool_], basis: Floats, white: tuple[Floats, Floats], c: Floats
) -> Floats:
    """Near zero, readings are not normal: what replacing the normal law by the receiver's adds to the evidence, at the
    fitted speeds; where errors are correlated, given the readings after each."""
    y, sigma, noise, held = readings.y, readings.sigma, readings.noise, readings.held
    fitted = (basis @ c[..., None])[..., 0]
    r, g, n = np.nonzero(moving & (fitted < 4 * readings.each + noise.hold_mps))
    v = fitted[r, g, n]
    spread, normal_sigma = np.full(len(v), noise.sigma_mps), np.full(len(v), sigma)
    foretold = np.maximum(v, 0.0)
    if readings.whiten is None:
        off = (y[n] - v) / sigma
        normal = np.where(held[n], 0.0, -0.5 * off**2 - readings.normal)
    else:
        design, z = white
        scale = 1 / np.where(held, 1 / readings.each, np.diag(readings.whiten))[n]
        off = z[g, n] - (design[r, g, n] * c[r, g]).sum(-1)
        normal = np.where(held[n], 0.0, -0.5 * off**2 - np.log(scale * math.sqrt(2 * math.pi)))
        foretold = np.where(held[n], np.maximum(v, 0.0), np.abs(y[n] - off * scale))
        spread, normal_sigma = np.maximum(scale, 0.3 * noise.quantum_mps), scale
    exact = np.log(density(y[n], foretold, spread, noise) + 1e-12)
    back = -0.5 * (np.minimum(v, 0.0) / normal_sigma) ** 2  # a car that pulls away does not go backwards
    shape = fitted.shape[:2]
    flat = np.bincount(r * shape[1] + g, exact - normal + back, shape[0] * shape[1])
    return np.asarray(flat.reshape(shape), float)


def pull_away(
    motion: Motion,
    rest: Interval,
    departed: int,
    peak: int,
    unit: str = "mph",
    *,
    turned: Interval | None = None,
    habit: LaunchHabit | None = None,
    smoothing_s: float | None = None,
    among: NDArray[np.intp] | None = None,
) -> Launch:
    """Choose the window of the launch fit, mind creep and roll-back, and fit.

    `turned`: between which fixes the car's course turned about before it pulled away. `smoothing_s`: of the receiver,
    by default what the motion undid. `habit`, `among`: as for `fit_launch`. Notes tell speeds in `unit`.
    """
    t, y, v = motion.t_s, motion.reading_mps, motion.speed_mps
    step = motion.step_s
    sigma = motion.noise.reading_sigma_mps
    late = motion.receiver.undone_s
    smoothing = late if smoothing_s is None else smoothing_s
    until = _fit_until(motion, departed, peak)
    latest = float(t[departed])
    earliest = max(rest.start_s, rest.end_s - 2.5 - 0.5 * step - late)
    # The tail of the stop before is no reading of a standing car.
    settled = min(rest.start_s + 2.5 * late, rest.end_s - 0.5)
    begin = max(rest.start_s, earliest - 1.0, settled)

    def fit(
        earliest_s: float, latest_s: float, from_s: float, base_mps: float = 0.0, rested: bool = True,
        may_roll: bool = False,
    ) -> Launch:  # fmt: skip
        return fit_launch(t, y, motion.noise, earliest_s, latest_s, until, from_s, base_mps, rested, smoothing,
                          motion.trust, habit, among, may_roll)  # fmt: skip

    if turned is not None:
        launch = fit(
            turned.start_s, max(min(turned.end_s, latest), turned.start_s + 0.2), turned.start_s + 0.01, 0.0, False
        )
        return replace(launch, notes=(ROLLED_BACK,))
    stood = int(np.searchsorted(t, rest.end_s))
    if departed - stood < 3:
        return fit(earliest, latest, begin)
    between = slice(stood, departed + 1)
    vb, tb, ab = v[between], t[between], motion.accel_mps2[between]
    drawn = motion.noise.rest_sigma_mps if motion.noise.drawn else sigma
    least_after = np.minimum.accumulate(vb[::-1])[::-1]
    bump = (vb > max(0.2, 5 * sigma, 3 * drawn)) & (least_after < 0.5 * vb)
    # A car that rolls back takes its time; two readings are strays.
    if bump.sum() * step >= 0.35 and step <= 0.34:
        over = int(np.flatnonzero(bump)[-1])
        stands = np.flatnonzero(vb[over:] < max(0.12, 2.5 * sigma)) + over
        moved = "moved and nearly stopped again before it pulled away"
        if len(stands) * step > 0.5:
            # It stands again, be it after a roll or after strays that looked like one.
            again = float(tb[stands[0]])
            return replace(fit(again, latest, again), notes=(moved,))
        valley = over + int(np.argmin(vb[over:]))
        when = float(tb[valley])
        note = ROLLED_BACK if when - rest.end_s < 4.0 else moved
        return replace(fit(when - 0.4, min(when + 0.4, latest), when - 0.5 * step, 0.0, False), notes=(note,))
    hovering = (v > max(0.06, 1.2 * sigma, 1.2 * drawn)) & (v < DEPART_MPS / 2) & (t > earliest) & (t < latest)
    may_roll = step <= 0.25 and bool(hovering.sum() * step > 0.5)
    slow = (vb > max(0.12, 2.5 * sigma, 2.5 * drawn)) & (vb < DEPART_MPS) & (np.abs(ab) < 0.15)
    creeping = np.flatnonzero(slow)
    if len(creeping) and tb[creeping[-1]] - tb[creeping[0]] > 1.0:
        steady = slice(max(creeping[0], creeping[-1] - int(2.0 / step)), creeping[-1] + 1)
        base = float(np.median(y[between][steady]))
        crept = float(np.trapezoid(vb[: creeping[-1] + 1], tb[: creeping[-1] + 1]))
        way = f"{crept / FOOT_M:.0f} ft" if unit == "mph" else f"{crept:.1f} m"
        note = f"crept {way} at {speed_label(base, unit)} before it pulled away: not a clean standing start"
        return replace(fit(float(tb[steady][0]), latest, float(tb[steady][0]), base), notes=(note,))
    return fit(earliest, latest, begin, may_roll=may_roll)


ROLLED_BACK = "rolled back before it pulled away: time zero is where it turned"


def _fit_until(motion: Motion, departed: int, peak: int) -> float:
    """Up to when the launch is fitted [s]: readings up to 5 m/s, but no fewer than four of them, no more than five
    seconds, and no gear change."""
    t, v, step = motion.t_s, motion.speed_mps, motion.step_s
    quick = departed + int(np.argmax(v[departed : peak + 1] >= min(5.0, v[peak])))
    enough = departed + (6 if step < 0.6 else 3)
    until = float(min(max(t[quick], t[departed] + 1.2, t[min(enough, peak)]), t[departed] + max(5.0, 4 * step)))
    # Of a motion that was freed of a receiver's filter the acceleration is less sure.
    doubt = motion.accel_sigma[departed : peak + 1] if motion.receiver.undone_s else 0.0
    pull = motion.accel_mps2[departed : peak + 1]
    most = np.maximum.accumulate(pull - doubt)
    returns = np.maximum.accumulate((pull - doubt)[::-1])[::-1] - (pull + doubt) > 0.25 * most
    falls = np.flatnonzero((pull + doubt < 0.35 * most) | ((pull + doubt < 0.75 * most) & returns))
    if len(falls):
        until = min(until, float(t[departed + falls[0]]) - 0.3)
    return max(min(until, float(t[peak]) + step), float(t[min(departed + 2, len(t) - 1)]))
