"""First movement by a small board's accelerometer, and a run counted from it.

    start = first_movement(board, motion, run)     # BesideUnusable says why not
    run = counted_from(run, start, board.source)

What the board gains along the car from the standstill on is speed with little noise: the engine's vibration, which
integration damps, and a slow drift, both as they are seen while the car stands before this launch. Speed is nothing up
to time zero and then grows as an acceleration c x^p (1 + d x + e x^2), x being time since; for each p, from a jolt to a
foot that goes down ever faster, and each time zero the evidence has a closed form, and the mean over all is the answer.
What the fixes say of the same start is joined with it by precision, unless it is three sigma away. A car that rolls
back goes below zero first: then time zero is where it turns.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import log_ndtr

from analysis.arrays import Floats
from analysis.motion.beside_fixes import HOLE_S, BesideUnusable
from analysis.motion.board import Board
from analysis.motion.smoother import Motion
from analysis.runs.launch import ROLLED_BACK
from analysis.runs.run import Run

STEP_S = 0.02
GRID_S = 0.005
UNTIL_MPS = 0.35
"""Speed up to which the board is asked: later speeds say nothing more of the start."""
MOST_AFTER_S = 2.5
POWERS = (0.0, 0.5, 1.0, 1.5, 2.0)
LEAST_STANDING_S = 1.0
LEAST_ROLL_MPS = 0.04
"""A car that goes backwards by more than this, and than three sigma, has rolled back."""
MOST_ROLL_S = 1.2
JITTER_S = 0.01
"""How well a line's arrival is timed (USB hands lines over in bursts), and how late the body squats, which the delay
takes for its own (3 degrees a g over 0.15 s make 0.007 s; from memory)."""
DISAGREES = 3.0
"""Beyond so many sigma from the board's the fixes' first movement is one of those that cars in general tell badly: then
the board alone stands, which follows the fixes' speed."""
CONTRADICTS_S = 0.6
"""Board and fixes further apart than this, and than four sigma, are not of one start."""
AGREES = 0.12
"""By how much of the speed that the fixes show the board may differ at the end of what is looked at, beside three
sigma: the car squats, and the road is not even."""
_AT_S = 0.3
_SIZES = (1.5, 0.8, 0.5)
_LEAST_NOISE_MPS = 0.002
_LEAST_DRIFT = 0.004**2
"""m2/s3"""
_LEAST_TILT_MPS2 = 0.01
"""What the standing reading may change by as the car pulls away: it squats, the road is not a plane."""


class BoardStart(NamedTuple):
    """First movement by the board and the fixes together, on the fixes' axis [s]; whether the car rolled back first."""

    start_s: float
    sigma_s: float
    rolled_back: bool


def first_movement(board: Board, motion: Motion, run: Run) -> BoardStart:
    """When the car first moved, or turned where it rolled back. BesideUnusable where the board cannot tell."""
    about, sigma = run.start_s, run.start_sigma_s
    if any(note != ROLLED_BACK for note in run.notes):
        raise BesideUnusable("the car did not stand still before it pulled away")
    before = about - max(0.4, 3 * sigma)
    rest = next((rest for rest in motion.rests if rest.start_s < about and rest.end_s > before - 0.5), None)
    if rest is None:
        raise BesideUnusable("the car did not stand before it pulled away")
    before = min(before, rest.end_s)
    # A car that rolls back may do so for a while before the fixes show it.
    early = max(before - MOST_ROLL_S, min(before, rest.start_s + 1.0 + LEAST_STANDING_S))
    began = _Seen.of(board, rest.start_s, early, about + MOST_AFTER_S).roll_began()
    if began is None:
        if run.notes:
            raise BesideUnusable("it rolled back by the fixes, but not by the board")
        seen = _Seen.of(board, rest.start_s, before, about + MOST_AFTER_S)
        start, spread = _pulled_away(seen, about, sigma)
    else:
        # It stood until then only.
        seen = _Seen.of(board, rest.start_s, min(before, began - 0.3), about + MOST_AFTER_S)
        start, spread = seen.turned()
    _as_the_fixes(seen, motion, start)
    spread = math.hypot(spread, board.delay_sigma_s, JITTER_S)
    if abs(start - about) > max(4 * math.hypot(sigma, spread), CONTRADICTS_S):
        raise BesideUnusable(f"the board shows it {start - about:+.2f} s from where the fixes show it")
    return BoardStart(start, spread, began is not None)


class _Seen(NamedTuple):
    """What the board gained from a standstill on: times [s] and speeds [m/s] (n), and how well that is known."""

    t: Floats
    speed: Floats
    before: float
    """The car stood up to here [s]."""
    noise: float
    """What comes and goes in the speed [m/s]."""
    drift: float
    """Variance that it gathers [m2/s3]."""
    tilt: float
    """Variance of the acceleration that is taken for none [m2/s4]."""

    @classmethod
    def of(cls, board: Board, stood: float, before: float, until: float) -> _Seen:
        stood = max(stood + 1.0, before - 6.0)
        t, f = _piece(board, stood, until)
        still = t <= before
        seconds = before - stood
        if seconds < LEAST_STANDING_S or still.sum() < 0.6 * seconds * board.hz:
            raise BesideUnusable("the car stood too briefly before it pulled away")
        f = f - float(f[still].mean())
        speed = np.concatenate([[0.0], np.cumsum((f[1:] + f[:-1]) / 2 * np.diff(t))])
        noise, drift = _noise(t[still], speed[still])
        # What it gained while it stood is nothing, but for vibration and drift.
        last = (t > before - 0.8) & still
        return cls(t, speed - float(speed[last].mean()), before, noise, drift, drift / seconds + _LEAST_TILT_MPS2**2)

    def sigma(self, time: float) -> float:
        """How well the speed at a time is known [m/s]."""
        since = max(time - self.before + 0.4, 0.0)
        return math.sqrt(2 * self.noise**2 + self.drift * since + self.tilt * since**2)

    def roll_began(self) -> float | None:
        """When the car began to roll back; None where it did not."""
        least = int(np.argmin(np.where(self.t > self.before - 0.4, self.speed, np.inf)))
        depth = float(self.speed[least])
        if depth > -max(LEAST_ROLL_MPS, 3 * self.sigma(float(self.t[least]))):
            return None
        earlier = np.flatnonzero(self.speed[:least] > 0.15 * depth)
        return float(self.t[earlier[-1]]) if len(earlier) else None

    def turned(self) -> tuple[float, float]:
        """When the car that rolled back stood for an instant, and its sigma [s]."""
        least = int(np.argmin(self.speed))
        forwards = np.flatnonzero(self.speed[least:] > 0) + least
        if not len(forwards):
            raise BesideUnusable("the board does not show the car stop rolling back")
        about = float(self.t[forwards[0]])
        near = np.abs(self.t - about) < 0.12
        slope, level = np.polyfit(self.t[near] - about, self.speed[near], 1)
        if slope < 0.1:
            raise BesideUnusable("the car hardly moved as it stopped rolling back")
        return about - float(level / slope), self.sigma(about) / float(slope)


def _pulled_away(seen: _Seen, about: float, sigma: float) -> tuple[float, float]:
    """First movement from a standstill, and its sigma [s]; the fixes have it `about` there."""
    begin = seen.before - 0.4
    grown = np.flatnonzero((seen.speed >= UNTIL_MPS) & (seen.t > seen.before))
    end = float(seen.t[grown[0]]) if len(grown) else float(seen.t[-1])
    even = np.arange(begin, max(end, seen.before + 0.6), STEP_S)
    even = even[even <= seen.t[-1]]
    grid = np.arange(seen.before - 0.2, end, GRID_S)
    if len(grid) < 2:
        raise BesideUnusable("the board shows it moving before the fixes do")
    log = _evidence(even, np.interp(even, seen.t, seen.speed), grid, seen.noise, seen.drift, seen.tilt)

    def joined(fixes_sigma: float) -> tuple[float, float]:
        total = log - 0.5 * ((grid - about) / fixes_sigma) ** 2
        weight = np.exp(total - total.max())
        chance = weight.sum(0) / weight.sum()
        start = float(chance @ grid)
        return start, math.sqrt(float(chance @ (grid - start) ** 2))

    alone, spread = joined(math.hypot(3 * sigma, 0.2))
    if abs(alone - about) > DISAGREES * math.hypot(sigma, spread):
        return alone, spread
    return joined(math.hypot(sigma, 0.02))


def _piece(board: Board, begin: float, end: float) -> tuple[Floats, Floats]:
    """Times and forward readings from begin to end. BesideUnusable where lines are missing or a reading is clipped."""
    inside = (board.t_s >= begin) & (board.t_s <= end)
    t, f = board.t_s[inside], board.forward_mps2[inside]
    if len(t) < 20 or t[0] > begin + HOLE_S or t[-1] < end - HOLE_S or float(np.diff(t).max()) > HOLE_S:
        raise BesideUnusable("the board's lines are missing around the start")
    if board.limits[inside].mean() > 0.03:
        raise BesideUnusable("the board is at the end of its range around the start")
    return t, f


def _as_the_fixes(seen: _Seen, motion: Motion, start: float) -> None:
    """BesideUnusable where the board does not gain what the fixes gain in the launch."""
    gained = float(np.diff(motion.at([start, seen.t[-1]]).speed_mps)[0])
    shown = float(seen.speed[-1] - np.interp(start, seen.t, seen.speed))
    if abs(shown - gained) > AGREES * abs(gained) + 3 * seen.sigma(float(seen.t[-1])):
        raise BesideUnusable(f"the board shows {shown:.1f} m/s gained in the launch, the fixes {gained:.1f}")


def _noise(t: Floats, speed: Floats) -> tuple[float, float]:
    """Standard deviation of what comes and goes in the speed of a standing car [m/s], and how fast it drifts [m2/s3]:
    by how far it moves over short and long times."""
    even = np.arange(t[0], t[-1], STEP_S)
    v = np.interp(even, t, speed)

    def moved(low: float, high: float) -> tuple[float, float]:
        lags = [k for k in range(int(low / STEP_S), int(high / STEP_S) + 1) if k < len(v) - 5]
        return float(np.mean([np.mean((v[k:] - v[:-k]) ** 2) for k in lags])), STEP_S * float(np.mean(lags))

    (short, early), (long, late) = moved(0.06, 0.3), moved(0.5, 0.9)
    drift = max((long - short) / (late - early), _LEAST_DRIFT)
    return max(math.sqrt(max((short - drift * early) / 2, 0.0)), _LEAST_NOISE_MPS), drift


def _evidence(t: Floats, y: Floats, grid: Floats, noise: float, drift: float, tilt: float) -> Floats:
    """Log evidence of each shape and time zero: (powers, grid)."""
    since = t - t[0]
    covariance = (
        np.eye(len(t)) * noise**2 + drift * np.minimum(since[:, None], since[None, :]) + noise**2
        + tilt * since[:, None] * since[None, :]
    )  # fmt: skip
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    z = whiten @ y
    x = np.maximum(t[None, :] - grid[:, None], 0.0) / _AT_S
    logs = []
    for power in POWERS:
        # An acceleration of 1 m/s2 after _AT_S, and what bends it.
        columns = _AT_S * np.stack([x ** (power + k) / (power + k) for k in range(1, 1 + len(_SIZES))], -1)
        design = whiten @ columns
        precision = 1 / np.array(_SIZES) ** 2
        gram = np.swapaxes(design, -1, -2) @ design + np.diag(precision)
        moment = (np.swapaxes(design, -1, -2) @ z[:, None])[..., 0]
        cov = np.linalg.inv(gram)
        c = (cov @ moment[..., None])[..., 0]
        log = 0.5 * ((c * moment).sum(-1) - np.linalg.slogdet(gram)[1] + float(np.log(precision).sum()))
        # The car pulls forwards.
        logs.append(log + log_ndtr(c[:, 0] / np.sqrt(cov[:, 0, 0])) + math.log(2))
    log = np.stack(logs)
    # Under way an engine shakes otherwise than standing: what the best leaves says by how much.
    left = float(z @ z - 2 * log.max()) / len(z)
    return np.asarray(log / max(left, 1.0), float)


def counted_from(run: Run, start: BoardStart, source: str) -> Run:
    """The run with all that counts from first movement counted from `start`; what counts from one foot stays."""
    later = start.start_s - run.start_s

    def sigma(from_one_foot_sigma: float) -> float:
        return math.hypot(from_one_foot_sigma, start.sigma_s)

    launch = run.launch and replace(
        run.launch, to_10mph_s=run.launch.to_10mph_s - later, to_15kmh_s=run.launch.to_15kmh_s - later,
        rise_s=max(run.launch.rise_s - later, 0.0),
    )  # fmt: skip
    return replace(
        run,
        start_s=start.start_s,
        start_sigma_s=start.sigma_s,
        start_utc_ns=run.start_utc_ns + round(later * 1e9),
        one_foot_s=run.one_foot_s - later,
        one_foot_sigma_s=math.hypot(run.foot_at_sigma_s, start.sigma_s),
        splits=[
            replace(split, time_s=split.time_s - later, sigma_s=sigma(split.from_one_foot_sigma_s))
            for split in run.splits
        ],
        at_distances=[
            replace(each, time_s=each.time_s - later, sigma_s=sigma(each.from_one_foot_sigma_s))
            for each in run.at_distances
        ],
        gear_changes_s=[each - later for each in run.gear_changes_s],
        launch=launch,
        notes=[*run.notes, ROLLED_BACK] if start.rolled_back and ROLLED_BACK not in run.notes else run.notes,
        time_zero_by=source,
    )
