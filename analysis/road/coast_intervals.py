"""A second estimate of the road load, by the interval method, that shares with the first the motion alone.

Over each 2 m/s of speed the force is inertia times loss of speed over time, the two directions averaged; a line
through force over mean square speed gives A and C. Errors by leaving out each coast in turn.

References
----------
[1] 40 CFR 1066.310: the force over a speed interval, both directions.
[2] B. Efron, "The Jackknife, the Bootstrap and Other Resampling Plans", SIAM 1982, ch. 3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.arrays import Floats
from analysis.conditions.roadload import GRAVITY
from analysis.road.coast_model import Problem, Solution, force_sigma, jackknife


@dataclass(frozen=True)
class SpeedInterval:
    """The interval method's force at one speed: the mean of both directions, and its standard error [m/s, N]."""

    speed_mps: float
    force_n: float
    sigma_n: float
    forward_n: float
    backward_n: float
    coasts: int


@dataclass(frozen=True)
class IntervalEstimate:
    """A second estimate of the road load by the interval method, with standard errors [N, N/(m/s)^2]."""

    intervals: list[SpeedInterval]
    a_n: float
    c_n_per_mps2: float
    a_sigma_n: float
    c_sigma_n_per_mps2: float
    agrees: bool
    """Whether the forces agree with the fit's within the error of their difference (95 %)."""


def interval_method(problem: Problem, best: Solution, abc: Floats, scatter: Floats) -> IntervalEstimate | None:
    """The road load of the coasts behind `best`, to be held against `abc` [N, N/(m/s), N/(m/s)^2] and its `scatter`.

    Wind, density and the change of slope along a stretch are taken from the fit; what is left to check is the motion
    itself.

    Parameters
    ----------
    problem, best
        The coasts, and what the fit found.
    abc : array, shape (3,)
        A, B and C of the fit.
    scatter : array, shape (3, 3)
        The part of their covariance that comes from the scatter of the coasts.

    Returns
    -------
    IntervalEstimate
        None where fewer than three intervals have both directions; standard errors are NaN with fewer than four coasts.
    """
    forces = _interval_forces(problem, best)
    full = _both_ways(forces, None)
    if len(full) < 3:
        return None
    theta = _line(full)
    lines, single = [], []
    for k in range(len(problem.coasts)):
        without = _both_ways(forces, k)
        if len(without) >= 3:
            lines.append(_line(without))
            single.append({number: (ahead + back) / 2 for number, (ahead, back, _) in without.items()})
    covariance = jackknife(np.array(lines)) if len(lines) >= 4 else np.full((2, 2), np.nan)
    intervals = []
    for number, (ahead, back, count) in sorted(full.items()):
        values = np.array([[forces_without[number]] for forces_without in single if number in forces_without])
        told = len(values) == len(single) >= 4  # else one of its directions hangs on a single coast
        sigma = math.sqrt(jackknife(values)[0, 0]) if told else math.nan
        intervals.append(SpeedInterval((number + 0.5) * _STEP_MPS, (ahead + back) / 2, sigma, ahead, back, count))
    agrees = True
    for at in (intervals[0].speed_mps, intervals[-1].speed_mps):
        row = np.array([1.0, at * at])
        own = float(force_sigma(scatter, at))
        error = math.hypot(own, math.sqrt(float(row @ covariance @ row)) if len(lines) >= 4 else own)
        agrees = agrees and abs(float(row @ theta) - float(abc @ [1.0, at, at * at])) <= 2 * error + 0.01 * float(
            abc[0]
        )
    a_sigma, c_sigma = np.sqrt(np.diag(covariance))
    return IntervalEstimate(intervals, float(theta[0]), float(theta[1]), float(a_sigma), float(c_sigma), agrees)


_STEP_MPS = 2.0


def _interval_forces(problem: Problem, best: Solution) -> dict[tuple[int, int, int], dict[int, float]]:
    """(stretch, interval, direction) -> coast -> force over the interval, mean slope of the stretch still in it [N]."""
    layout, mass = problem.layout, problem.mass
    c = float(best.theta[problem.shared - 1])
    forces: dict[tuple[int, int, int], dict[int, float]] = {}
    for k, coast in enumerate(problem.coasts):
        stretch, sense = int(layout.stretch[k]), int(layout.sense[k])
        time = coast.t_s - coast.t_s[0]
        numbers = range(math.ceil(coast.to_mps / _STEP_MPS), math.floor(coast.from_mps / _STEP_MPS))
        learned, shape = problem.slopes(k, coast.way_m)
        bends = best.theta[problem.grades(stretch)].copy()
        if problem.learned[stretch] is None:
            bends[0] = 0.0
        slope = (learned + shape @ bends) * sense
        for number in numbers:
            late, early = (_passing(time, coast.v_mps, edge * _STEP_MPS) for edge in (number, number + 1))
            if not late > early:
                continue
            middle = (number + 0.5) * _STEP_MPS
            during = (time >= early) & (time <= late)
            climb = mass.mass_kg * GRAVITY * float(slope[during].mean()) if during.any() else 0.0
            wind = sense * best.theta[problem.first_wind + problem.group[k]]
            air = c * (problem.thin[k] * (middle + wind) ** 2 - middle**2) - 2 * c * problem.thin[k] * wind * middle
            force = mass.inertia_kg * _STEP_MPS / (late - early) - climb - air
            forces.setdefault((stretch, number, sense), {})[k] = force
    return forces


def _both_ways(
    forces: dict[tuple[int, int, int], dict[int, float]], without: int | None
) -> dict[int, tuple[float, float, int]]:
    """Interval -> mean force of either direction and coasts, over the stretches that have both, one coast left out."""
    found: dict[int, list[tuple[float, float, int]]] = {}
    for stretch, number, sense in forces:
        sides = [[f for k, f in forces.get((stretch, number, way), {}).items() if k != without] for way in (1, -1)]
        if sense > 0 and all(sides):
            mean = (float(np.mean(sides[0])), float(np.mean(sides[1])), len(sides[0]) + len(sides[1]))
            found.setdefault(number, []).append(mean)
    return {
        number: (float(np.mean([a for a, _, _ in of])), float(np.mean([b for _, b, _ in of])), sum(n for _, _, n in of))
        for number, of in found.items()
    }


def _line(of: dict[int, tuple[float, float, int]]) -> Floats:
    """A and C of the line through force over mean square speed, intervals weighted by their coasts."""
    speed = (np.array(list(of)) + 0.5) * _STEP_MPS
    force = np.array([(ahead + back) / 2 for ahead, back, _ in of.values()])
    weight = np.sqrt([count for _, _, count in of.values()])
    design = np.column_stack([np.ones(len(speed)), speed**2 + _STEP_MPS**2 / 12])
    return np.asarray(np.linalg.lstsq(design * weight[:, None], force * weight, rcond=None)[0])


def _passing(t: Floats, v: Floats, speed: float) -> float:
    """When falling readings pass a speed: by a line through those within 1 s of the first guess [s]."""
    guess = float(np.interp(-speed, -np.minimum.accumulate(v), t))
    near = np.abs(t - guess) <= max(1.0, 2.5 * float(t[-1]) / (len(t) - 1))
    x, y = t[near] - guess, v[near]
    if len(x) < 3:
        return math.nan
    x0, y0 = x.mean(), y.mean()
    slope = float((x - x0) @ (y - y0) / ((x - x0) @ (x - x0)))
    return float(guess + x0 + (speed - y0) / slope) if slope < 0 else math.nan
