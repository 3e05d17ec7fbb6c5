"""The motion of all coasts as one least-squares problem, and its solution: A, B, C, the road's slopes, the winds.

See `coastdown` for the method. Nothing in here knows of answers or refusals.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.arrays import Floats
from analysis.conditions.roadload import GRAVITY
from analysis.road.coasts import Coast, Mass, integral, trapezoids
from analysis.road.stretch_slopes import SHAPES, KnownSlope

WIND_PRIOR_MPS = 2.0
"""How far the wind along the road may be from what was stated, or from none."""
KNOWN_GRADE_SIGMA = 0.001
"""How far off a grade may be that the owner states: 0.1 %."""
GUST_MPS, GUST_S = 0.5, 10.0
"""Gusts to begin with: their size is found from the coasts, their duration too, held to this within a factor of 2."""


GRADE_ORDER = 3


@dataclass(frozen=True)
class Stretch:
    """A piece of road that coasts shared.

    grade is rise over run towards `axis_deg` in its middle [-]; wind blows against travel towards `axis_deg` [m/s],
    by outing, with its standard error.
    """

    axis_deg: float
    length_m: float
    forward: int
    backward: int
    grade: float
    grade_sigma: float
    wind_mps: dict[str, tuple[float, float]]
    sag_m: float
    """How much lower its middle lies than its ends, as fitted [m], and the standard error."""
    sag_sigma_m: float
    passes: int = 0
    """How many passes its learned slope is from, at the least; 0 where it was not learned."""


@dataclass(frozen=True)
class Layout:
    """Which coasts share a stretch, which way they went on it, and where on it they were."""

    stretch: NDArray[np.int64]
    sense: NDArray[np.int64]
    axis_deg: list[float]
    place: list[Floats]
    """Along the stretch, -1 to 1 from end to end, for each coast."""
    length_m: list[float]

    @property
    def stretches(self) -> int:
        return len(self.axis_deg)

    def shape(self, k: int, way_m: Floats) -> Floats:
        """The polynomials of the grade along a coast.

        Parameters
        ----------
        k : int
            Which coast.
        way_m : array, shape (n,)
            Way from its start [m].

        Returns
        -------
        array, shape (n, GRADE_ORDER + 1)
            Legendre polynomials by order; held level beyond 1.5 half lengths from the middle.
        """
        place = np.clip(self.place_after(k, way_m), -1.5, 1.5)
        return np.asarray(np.polynomial.legendre.legvander(place, GRADE_ORDER))

    def place_after(self, k: int, way_m: Floats) -> Floats:
        """Where on its stretch a coast is after some way from its start (n,) [m]: -1 to 1 from end to end."""
        half = max(self.length_m[self.stretch[k]] / 2, 0.5)
        return np.asarray(self.place[k][0] + self.sense[k] * way_m / half)

    @classmethod
    def of(cls, coasts: Sequence[Coast]) -> Layout:
        """Coasts share a stretch when they ran along the same line (15 degrees, 60 m) and met or nearly so (200 m)."""
        axes: list[float] = []
        origins: list[tuple[float, float]] = []
        spans: list[tuple[float, float]] = []
        stretch, sense = np.zeros(len(coasts), np.int64), np.zeros(len(coasts), np.int64)
        along: list[Floats] = []
        for k, coast in enumerate(coasts):
            way = coast.way_m
            for j, axis in enumerate(axes):
                turn = math.radians(coast.direction_deg - axis)
                forward = 1 if math.cos(turn) > 0 else -1
                east, north = coast.east_m - origins[j][0], coast.north_m - origins[j][1]
                ahead = east * math.sin(math.radians(axis)) + north * math.cos(math.radians(axis))
                aside = east * math.cos(math.radians(axis)) - north * math.sin(math.radians(axis))
                x = ahead + forward * way
                apart = max(spans[j][0] - float(x.max()), float(x.min()) - spans[j][1])
                if abs(math.sin(turn)) < math.sin(math.radians(15)) and abs(aside) < 60 and apart < 200:
                    stretch[k], sense[k] = j, forward
                    spans[j] = (min(spans[j][0], float(x.min())), max(spans[j][1], float(x.max())))
                    break
            else:
                stretch[k], sense[k], x = len(axes), 1, way
                axes.append(coast.direction_deg)
                origins.append((coast.east_m, coast.north_m))
                spans.append((0.0, float(way[-1])))
            along.append(x)
        lengths = [high - low for low, high in spans]
        place = [
            (2 * x - spans[j][0] - spans[j][1]) / max(lengths[j], 1.0) for x, j in zip(along, stretch, strict=True)
        ]
        return cls(stretch, sense, axes, place, lengths)


_ROUNDS = 12
_FIRST_MPS = 1.0
_NONE = 1e-6
"""What a slope may be of polynomials that a stretch has none of."""


_UNEVEN = ((0.05, 0.05), (0.3, 0.1), (1.0, 0.55), (2.0, 0.3))
"""How uneven a stretch may be, as factors on what was expected of it, and how likely each is beforehand."""


class _Trace(NamedTuple):
    """A coast under some parameters, at the moments of its binned readings: what is left of them, and how its speed
    moves with the parameters (n, p), with its own first speed (n), and with the wind at each moment (n, n)."""

    left: Floats
    x: Floats
    first: Floats
    gust: Floats


class _Told(NamedTuple):
    """What readings say of the parameters: weights of each coast's readings, normal equations, -2 log likelihood."""

    weights: list[Floats]
    square: Floats
    pull: Floats
    unlikely: float


class _Joined(NamedTuple):
    """The step to the parameters that readings and what is known give together; their covariance, the part of it that
    comes from what was only assumed, and the log of the evidence."""

    step: Floats
    covariance: Floats
    assumed: Floats
    evidence: float


class Problem:
    """All coasts as one least-squares problem; parameters A, (B), C, grades by stretch, winds by outing.

    Grade along a stretch is a sum of Legendre polynomials up to `GRADE_ORDER`; where it is `learned`, that slope and a
    sum of the shapes that it may be off by. Parameters that something is known of beforehand (`beforehand`) are held to
    it.
    """

    def __init__(
        self, coasts: Sequence[Coast], layout: Layout, mass: Mass, with_b: bool, grade: float | None, even: float,
        density: float, learned: Sequence[KnownSlope | None] = (),
    ):  # fmt: skip
        self.learned = list(learned) or [None] * layout.stretches
        self.each = SHAPES if any(learned) else GRADE_ORDER + 1
        self.coasts, self.layout, self.mass = coasts, layout, mass
        self.shared = 3 if with_b else 2
        groups = [(int(j), coast.outing) for j, coast in zip(layout.stretch, coasts, strict=True)]
        self.winds = sorted(set(groups))
        self.group = np.array([self.winds.index(group) for group in groups])
        self.thin = np.array([coast.density_kg_per_m3 / density for coast in coasts])
        binned = [_binned(coast) for coast in coasts]
        self.time, self.speed, self.noise = ([each[i] for each in binned] for i in range(3))
        head = layout.sense * np.array([coast.headwind_mps for coast in coasts])
        stated = [float(head[self.group == g].mean()) for g in range(len(self.winds))]
        self.first_wind = self.shared + layout.stretches * self.each
        self.heights = [_change_by_altitude(coasts, layout, j) for j in range(layout.stretches)]
        self.stated, self.grade, self.even = stated, grade, even

    def beforehand(self, uneven: float) -> tuple[Floats, Floats]:
        """What is known of the parameters without the coasts: their values, and the inverse of their covariance."""
        centre, known = np.zeros(self.first_wind + len(self.stated)), np.zeros(self.first_wind + len(self.stated))
        rough, more = (uneven * self.even) ** -2, self.each - GRADE_ORDER - 1
        for j, (change, sigma) in enumerate(self.heights):
            here = self.grades(j)
            centre[here] = [self.grade or 0.0, change * sigma**-2 / (sigma**-2 + rough), 0.0, 0.0, *[0.0] * more]
            level = (0.1 if self.grade is None else KNOWN_GRADE_SIGMA) ** -2
            known[here] = [level, sigma**-2 + rough, rough, 4 * rough, *[_NONE**-2] * more]
        centre[self.first_wind :], known[self.first_wind :] = self.stated, WIND_PRIOR_MPS**-2
        inverse = np.diag(known)
        for j, slope in enumerate(self.learned):
            if slope is not None:
                here = self.grades(j)
                centre[here], inverse[here, here] = 0.0, np.eye(self.each)
        return centre, inverse

    def grades(self, stretch: int) -> slice:
        """Which parameters are those of a stretch's slope."""
        return slice(self.shared + stretch * self.each, self.shared + (stretch + 1) * self.each)

    def slopes(self, k: int, way_m: Floats) -> tuple[Floats, Floats]:
        """Under a coast, after some way from its start (n,) [m], towards the axis of its stretch: what is learned of
        the slope (n,), and what each parameter adds to it (n, p)."""
        learned = self.learned[self.layout.stretch[k]]
        if learned is not None:
            place = self.layout.place_after(k, way_m)
            return learned.at(place), learned.shapes_at(place)
        shape = self.layout.shape(k, way_m)
        return np.zeros(len(way_m)), np.pad(shape, ((0, 0), (0, self.each - shape.shape[1])))

    def solve(self) -> Solution:
        """Gauss and Newton's way, with the gusts found along it."""
        gusts, asked = (GUST_MPS, GUST_S), (2, 4, 7) if any(self.learned) else (2, 4)
        theta = self.beforehand(1.0)[0]
        theta[0], theta[self.shared - 1] = 0.012 * self.mass.mass_kg * GRAVITY, 0.0008 * self.mass.mass_kg
        begin = np.array([float(coast.smooth_mps[0]) for coast in self.coasts])
        for number in range(_ROUNDS):
            traces = [self._trace(k, theta, float(begin[k])) for k in range(len(self.coasts))]
            if number in asked:
                gusts = self._likeliest(traces, theta, gusts)
            told = self._told(traces, gusts)
            found = self._joined(told, theta)
            # From a poor guess a step may overshoot: no further than where the equation of motion still holds.
            reach = np.min(self._farthest(theta) / np.maximum(np.abs(found.step), 1e-12))
            step = found.step * min(1.0, float(reach))
            theta = theta + step
            begin = begin + [
                _FIRST_MPS**2 * float(each.first @ weight @ (each.left - each.x @ step))
                for each, weight in zip(traces, told.weights, strict=True)
            ]
            if number > asked[-1] and np.all(step**2 < 1e-6 * np.diag(found.covariance)):
                break
        return Solution(self, theta, found.covariance, found.assumed, gusts)

    def _farthest(self, theta: Floats) -> Floats:
        """The longest step of each parameter at a time."""
        far = np.full(len(theta), 0.01)  # of slope
        for j, slope in enumerate(self.learned):
            far[self.grades(j)] = 0.01 if slope is None else 3.0
        far[0], far[1], far[self.shared - 1] = max(0.5 * theta[0], 10.0), 2.0, 0.4 * theta[self.shared - 1]
        far[self.first_wind :] = 2.0
        return far

    def _trace(self, k: int, theta: Floats, begin: float) -> _Trace:
        """Solve the equation of motion of one coast, and of its sensitivities, on the times of its readings.

        Newton's way on the integral equation v = v0 - ∫F/(m + mr) dt: a defect d of a guess is mended by the solution
        of e = d + ∫f e dt, with f = dv'/dv, which is d + E ∫ f d / E dt for E = exp(∫f dt).
        """
        t, layout, mass = self.time[k], self.layout, self.mass
        sense, stretch, thin = int(layout.sense[k]), int(layout.stretch[k]), float(self.thin[k])
        b = theta[1] if self.shared == 3 else 0.0
        c, wind = thin * theta[self.shared - 1], sense * theta[self.first_wind + self.group[k]]
        grade, weight, inertia = self.grades(stretch), mass.mass_kg * GRAVITY, mass.inertia_kg
        v = self.speed[k]
        for _ in range(6):
            learned, shape = self.slopes(k, v[0] * t[0] + integral(v, t))
            air = v + wind
            slope = learned + shape @ theta[grade]
            force = theta[0] + b * v + c * air * np.abs(air) + weight * sense * slope
            slows = -(b + 2 * c * np.abs(air)) / inertia
            grows = np.exp(np.maximum(trapezoids(slows, t), -50.0))
            defect = begin - integral(force, t) / inertia - v
            mend = defect + grows * trapezoids(slows * defect / grows, t)
            v = np.maximum(v + mend, 0.1)
            if np.abs(mend).max() < 1e-5:
                break
        push = np.zeros((len(t), len(theta)))
        push[:, 0] = 1.0
        if self.shared == 3:
            push[:, 1] = v
        push[:, self.shared - 1] = thin * air * np.abs(air)
        push[:, grade] = weight * sense * shape
        blown = 2 * c * np.abs(air)
        push[:, self.first_wind + self.group[k]] = blown * sense
        # Running integrals by the trapezoidal rule, as a matrix.
        step = np.diff(t)
        sums = np.zeros((len(t), len(t)))
        sums[:, 1:] += step / 2
        sums[:, :-1] += step / 2
        sums = np.tril(sums)
        sums[np.arange(len(t)), np.arange(len(t))] -= np.append(step, 0.0) / 2
        respond = -grows[:, None] * sums / (grows * inertia)
        return _Trace(self.speed[k] - v, respond @ push, grows, respond * blown)

    def _told(self, traces: Sequence[_Trace], gusts: tuple[float, float]) -> _Told:
        """What the readings say of the parameters where the wind gusts like that: a first-order (Ornstein and
        Uhlenbeck's) process. Whatever makes a coast differ from the others for up to a minute is put down to it."""
        size = self.first_wind + len(self.winds)
        weights, square, pull, unlikely = [], np.zeros((size, size)), np.zeros(size), 0.0
        for k, each in enumerate(traces):
            apart = np.abs(self.time[k][:, None] - self.time[k])
            blown = gusts[0] ** 2 * each.gust @ np.exp(-apart / gusts[1]) @ each.gust.T
            unknown_start = _FIRST_MPS**2 * np.outer(each.first, each.first)
            factor = np.linalg.cholesky(np.diag(self.noise[k] ** 2) + unknown_start + blown)
            whiten = np.linalg.inv(factor)
            x, left = whiten @ each.x, whiten @ each.left
            weights.append(whiten.T @ whiten)
            square, pull = square + x.T @ x, pull + x.T @ left
            unlikely += 2 * float(np.sum(np.log(np.diag(factor)))) + float(left @ left)
        return _Told(weights, square, pull, unlikely)

    def _joined(self, told: _Told, theta: Floats) -> _Joined:
        """The readings with what is known beforehand, averaged over how uneven the road may be by the evidence."""
        grades = slice(self.shared, self.first_wind)
        logs, steps, covariances, assumed = [], [], [], []
        for uneven, likely in _UNEVEN:
            centre, known = self.beforehand(uneven)
            away = centre - theta
            whole, pull = told.square + known, told.pull + known @ away
            covariance = np.linalg.inv(whole)
            step = covariance @ pull
            unlikely = told.unlikely + away @ known @ away - pull @ step + np.linalg.slogdet(whole)[1]
            logs.append(math.log(likely) - (unlikely - np.linalg.slogdet(known[grades, grades])[1]) / 2)
            steps.append(step)
            covariances.append(covariance)
            assumed.append(covariance @ known @ covariance)
        best = max(logs)
        weight = np.exp(np.array(logs) - best)
        evidence = best + math.log(float(weight.sum()))
        weight /= weight.sum()
        step = np.einsum("i,ij->j", weight, np.array(steps))
        apart = np.array(steps) - step
        between = np.einsum("i,ij,ik->jk", weight, apart, apart)
        mean = np.einsum("i,ijk->jk", weight, np.array(covariances)), np.einsum("i,ijk->jk", weight, np.array(assumed))
        return _Joined(step, mean[0] + between, mean[1] + between, evidence)

    def _likeliest(self, traces: Sequence[_Trace], theta: Floats, start: tuple[float, float]) -> tuple[float, float]:
        """Size [m/s] and duration [s] of the gusts by restricted maximum likelihood; the duration is held to `GUST_S`
        within a factor of 2."""
        from scipy.optimize import minimize

        def unlikely(logs: Floats) -> float:
            told = self._told(traces, (math.exp(logs[0]), math.exp(logs[1])))
            lasting = (logs[1] - math.log(GUST_S)) ** 2 / math.log(2) ** 2
            return float(lasting - 2 * self._joined(told, theta).evidence)

        found = minimize(
            unlikely, np.log(start), method="Nelder-Mead",
            bounds=[(math.log(0.02), math.log(5.0)), (math.log(2.0), math.log(60.0))],
            options={"xatol": 0.05, "fatol": 0.05, "maxfev": 60},
        )  # fmt: skip
        return math.exp(found.x[0]), math.exp(found.x[1])


def _binned(coast: Coast) -> tuple[Floats, Floats, Floats]:
    """Readings averaged over 0.8 s or a 40th of the coast, times from the first reading's, their noise [s, m/s, m/s].

    The noise of single readings is that of third differences, which a coast's own speed hardly has.
    """
    t, v = coast.t_s - coast.t_s[0], coast.v_mps
    third = np.diff(v, 3)
    noise = max(float(np.sqrt(np.mean(third**2) / 20)), 1e-3) if len(third) > 3 else 0.05
    first = np.unique(np.floor(t / max(0.8, coast.seconds / 40)).astype(np.int64), return_index=True)[1]
    count = np.diff(np.append(first, len(t)))
    times = np.add.reduceat(t, first) / count
    # Speed bends within a bin: only what the readings differ by from a smooth curve is averaged.
    speeds = coast.smooth_at(times + coast.t_s[0]) + np.add.reduceat(v - coast.smooth_mps, first) / count
    return times, speeds, noise / np.sqrt(count)


@dataclass(frozen=True)
class Solution:
    problem: Problem
    theta: Floats
    covariance: Floats
    """Of all parameters."""
    assumed: Floats
    """The part of it that comes from what was only assumed of grade and wind."""
    gusts: tuple[float, float]

    @property
    def dof(self) -> float:
        """Of the gusts: stretches of time about as long as they last, less what was fitted."""
        seconds = sum(coast.seconds for coast in self.problem.coasts)
        return max(seconds / (3 * self.gusts[1]) - self.problem.shared - 2 * len(self.problem.winds), 2.0)

    def described(self) -> list[Stretch]:
        problem, layout = self.problem, self.problem.layout
        sigma = np.sqrt(np.diag(self.covariance))
        stretches = []
        for j in range(layout.stretches):
            sense = layout.sense[layout.stretch == j]
            winds = {
                outing: (float(self.theta[problem.first_wind + g]), float(sigma[problem.first_wind + g]))
                for g, (stretch, outing) in enumerate(problem.winds)
                if stretch == j
            }
            here, slope = problem.grades(j), problem.learned[j]
            bends, give = self.theta[here][:2], sigma[here][:2]
            if slope is not None:
                bends, give = slope.bends(self.theta[here], self.covariance[here, here])
            quarter = layout.length_m[j] / 4  # a change of slope by 1 from middle to end makes this sag
            stretches.append(
                Stretch(
                    layout.axis_deg[j] % 360, layout.length_m[j], int(np.sum(sense > 0)), int(np.sum(sense < 0)),
                    float(bends[0]), float(give[0]), winds, float(bends[1]) * quarter, float(give[1]) * quarter,
                    0 if slope is None else slope.passes,
                )
            )  # fmt: skip
        return stretches


def _change_by_altitude(coasts: Sequence[Coast], layout: Layout, stretch: int) -> tuple[float, float]:
    """Change of slope from the middle of a stretch to its end by the altitudes, and its standard error [-].

    The error comes from leaving out each coast in turn; with fewer than six coasts it is taken as infinite.
    """
    parts = []
    for k in np.flatnonzero(layout.stretch == stretch).tolist():
        alt, u = coasts[k].alt_m, layout.place[k]
        good = np.isfinite(alt) if len(alt) == len(u) else np.zeros(len(u), bool)
        if good.mean() > 0.8:
            x = np.column_stack([u[good], u[good] ** 2])
            parts.append((x - x.mean(axis=0), alt[good] - alt[good].mean()))
    if len(parts) < 6:
        return 0.0, math.inf
    squares = [x.T @ x for x, _ in parts]
    whole = sum(squares) + 1e-6 * np.eye(2)
    theta = np.linalg.solve(whole, sum(x.T @ y for x, y in parts))
    moves = [np.linalg.solve(whole - s, -x.T @ (y - x @ theta))[1:] for (x, y), s in zip(parts, squares, strict=True)]
    # Student's t of few coasts has longer tails than a normal curve: widen it to the same variance.
    variance = float(jackknife(np.array(moves))[0, 0]) * (len(parts) - 1) / (len(parts) - 3)
    per_sag = 4 / max(layout.length_m[stretch], 1.0)
    return float(theta[1]) * per_sag, max(math.sqrt(variance) * per_sag, 1e-5)


def force_sigma(covariance: Floats, speed_mps: ArrayLike) -> Floats:
    """Standard error of A + B v + C v^2 [N].

    Parameters
    ----------
    covariance : array, shape (3, 3)
        Of A, B, C [N, N/(m/s), N/(m/s)^2].
    speed_mps : array, any shape
        Speeds [m/s]; NaN gives NaN.
    """
    v = np.asarray(speed_mps, dtype=np.float64)
    powers = np.stack([np.ones_like(v), v, v * v], axis=-1)
    return np.asarray(np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", powers, covariance, powers), 0.0)))


def jackknife(values: Floats) -> Floats:
    """Covariance of an estimate by leaving out each coast in turn (Efron 1982, chapter 3).

    Parameters
    ----------
    values : array, shape (coasts, p)
        The estimate without each coast; a NaN makes its parameter's row and column NaN.

    Returns
    -------
    array, shape (p, p)
    """
    moves = values - values.mean(axis=0)
    return np.asarray((len(moves) - 1) / len(moves) * moves.T @ moves)
