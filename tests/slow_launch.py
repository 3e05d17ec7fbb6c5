"""The fits of launches and the motion between fixes as they were first written, reading by reading and matrix by
matrix: what the fast ways are held to."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtr, ndtr

from analysis.arrays import Floats
from analysis.motion.noise import Noise
from analysis.motion.smoother import Motion, State
from analysis.runs.evidence import CAUGHT_S, ROLLS_BACK, Ways, caught
from analysis.runs.launch import Launch, Passing, moments
from analysis.runs.launch_readings import SLACK_MPS, LaunchReadings
from analysis.runs.rises import KNOTS


def slow_density(y: Floats, v: Floats, sigma: Floats | float, noise: Noise) -> Floats:
    """How likely a reading `y` is at the true speed `v`, per m/s: the chance of the step that it is rounded to."""
    y, v, spread = np.broadcast_arrays(np.asarray(y, float), v, np.asarray(sigma, float))
    width = np.maximum(noise.quantum_mps, 0.05 * spread)
    p = _between(np.maximum(y - width / 2, -math.inf), y + width / 2, v, spread, noise) / width
    if noise.kind == "signed":
        return p
    zero = np.abs(y) < 1e-9
    held = np.zeros(int(zero.sum()))
    quarters = (0.87, 0.53, 0.02, -1.08) if noise.hold_doubt_mps else (0.0,)
    for doubt in quarters:
        level = np.maximum(noise.hold_mps + doubt * noise.hold_doubt_mps, width[zero] / 2)
        held += _between(np.full_like(level, -math.inf), level, v[zero], spread[zero], noise) / len(quarters)
    p[zero] = held / width[zero]
    return p


def _between(low: Floats, high: Floats, v: Floats, spread: Floats, noise: Noise) -> Floats:
    """P(low < reading < high) at the true speed v: of one sign or of both."""
    if noise.kind == "signed":
        return _normal_between((low - v) / spread, (high - v) / spread)
    high = np.maximum(high, 0.0)
    above = np.maximum(low, 0.0)
    if noise.kind == "horizontal":
        of = (v / spread) ** 2
        return np.asarray(chndtr((high / spread) ** 2, 2.0, of) - chndtr((above / spread) ** 2, 2.0, of), float)
    if noise.kind == "clipped":
        # All that is below zero shows as zero.
        return np.where(
            high > 0, _normal_between((np.where(low > 0, low, -np.inf) - v) / spread, (high - v) / spread), 0
        )
    return _normal_between((above - v) / spread, (high - v) / spread) + _normal_between(
        (-high - v) / spread, (-above - v) / spread
    )


def _normal_between(a: Floats, b: Floats) -> Floats:
    """The chance of a standard normal variable between a and b, from the side where it loses no digits."""
    return np.asarray(np.where(a > 0, ndtr(-a) - ndtr(-b), ndtr(b) - ndtr(a)), float)


class SlowEvidence(NamedTuple):
    """What `slow_evidence` gives, as the fit of a launch reads it."""

    log: Floats
    coefs: Floats
    of_coefs: Floats

    def covariances(self, of: tuple[NDArray[np.intp], ...]) -> Floats:
        return np.asarray(self.of_coefs[of], float)


def slow_evidence(
    readings: LaunchReadings, grid: Floats, ways: Ways, some: NDArray[np.intp] | slice, wanders: Floats
) -> tuple[Floats, Floats, Floats]:
    """Log evidence (rises, grid, wanders) of each start with some of the rises, the coefficients (..., knots), their
    covariances."""
    x, tables = ways.x, ways.shown[some]
    rolling = _rolling_back(readings, grid) if readings.may_roll else np.zeros_like(grid)
    readings = readings.since(float(grid[0]) - (CAUGHT_S if readings.turns else 0.0))
    t, y, base, held = readings.t, readings.y, readings.base, readings.held
    after = t[None, :] - grid[:, None]
    moving = after > readings.lag_s
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
    constant = constant + np.where(pulled[:, None], rolling, math.log(1 - ROLLS_BACK) * (rolling != 0))
    spacing = ways.span / (KNOTS - 1)
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
        if readings.turns:
            log = log + caught(readings, after - readings.lag_s, ways.begun[some], c)
        logs.append(log)
        coefs.append(c)
        covs.append(cov)
    return np.stack(logs, -1), np.stack(coefs, -2), np.stack(covs, -3)


def _rolling_back(readings: LaunchReadings, grid: Floats) -> Floats:
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
    likely = np.log(slow_density(y, v, np.broadcast_to(readings.each[use], v.shape), readings.noise) + 1e-3)
    more = np.where(before, likely - np.log(at_rest + 1e-3), 0.0).sum(-1)
    top = more.max(0)
    mean = top + np.log(np.exp(more - top).mean(0))
    return np.asarray(np.logaddexp(math.log(1 - ROLLS_BACK), math.log(ROLLS_BACK) + mean), float)


def _near_zero(
    readings: LaunchReadings, moving: NDArray[np.bool_], basis: Floats, white: tuple[Floats, Floats], c: Floats
) -> Floats:
    """Near zero, readings are not normal: what replacing the normal law by the receiver's adds to the evidence, at the
    fitted speeds; where errors are correlated, given the readings after each."""
    y, sigma, noise, held = readings.y, readings.sigma, readings.noise, readings.held
    fitted = (basis @ c[..., None])[..., 0]
    r, g, n = np.nonzero(moving & (fitted < 4 * readings.each + noise.hold_mps))
    v = fitted[r, g, n]
    spread, normal_sigma = np.full(len(v), math.hypot(noise.sigma_mps, SLACK_MPS)), np.full(len(v), sigma)
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
    exact = np.log(slow_density(y[n], foretold, spread, noise) + 1e-12)
    back = -0.5 * (np.minimum(v, 0.0) / normal_sigma) ** 2  # a car that pulls away does not go backwards
    shape = fitted.shape[:2]
    flat = np.bincount(r * shape[1] + g, exact - normal + back, shape[0] * shape[1])
    return np.asarray(flat.reshape(shape), float)


def slow_passing(self: Launch, target: float, of: str) -> Passing | None:
    """When a speed [m/s] or way [m] was first passed, jointly with both time zeros; None beyond the fit."""
    curve, curves = (self.speed, self.speeds) if of == "speed" else (self.way, self.ways)
    table = curves.tables[curves.place]
    np.testing.assert_allclose(curve, curves.begun + (table @ curves.knots[..., None])[..., 0], rtol=1e-9, atol=1e-12)
    sigma = np.sqrt(np.maximum(((table @ curves.covariance) * table).sum(-1), 0))
    if self.weight.likely @ ((self.speed if of == "speed" else self.way).max(1) >= target) <= 0.999:
        return None
    k = np.clip(np.argmax(curve >= target, 1), 1, curve.shape[1] - 1)
    rows = np.arange(len(k))
    low, high = curve[rows, k - 1], curve[rows, k]
    slope = np.maximum((high - low) / (self.x[k] - self.x[k - 1]), 1e-3)
    at = self.t0 + self.x[k - 1] + np.clip((target - low) / slope, 0, self.x[k] - self.x[k - 1])
    own = sigma[rows, k] / slope
    return Passing(
        *moments(self.weight, at, own),
        *moments(self.weight, at - self.t0, np.hypot(own, self.t0_sigma)),
        *moments(self.weight, at - self.one_foot, np.hypot(own, self.one_foot_sigma)),
    )


def slow_when_passed(motion: Motion, speed: float, after_s: float, peak: int) -> tuple[float, float, float] | None:
    """First time at or after `after_s` (and before the peak) that the smoothed speed passes `speed`: time, its sigma,
    acceleration there. Where the speed is all but reached, lost again (a gear change) and passed later, the time is the
    mean over both, by how likely it was reached at first."""
    t, v = motion.t_s, motion.speed_mps
    first = max(int(np.searchsorted(t, after_s, side="right")) - 1, 0)
    window = v[first : peak + 1]
    up = first + np.flatnonzero((window[:-1] < speed) & (window[1:] >= speed))
    if len(up) == 0:
        return None
    found = _slow_passing(motion, speed, int(up[0]))
    off = (window - speed) / np.maximum(motion.speed_sigma[first : peak + 1], 1e-4)
    tops = 1 + np.flatnonzero((window[1:-1] >= window[:-2]) & (window[1:-1] > window[2:]) & (off[1:-1] > -3.5))
    if len(tops) == 0 or off[tops[0]] > 3.5:
        return found
    at = first + int(tops[0])
    again = up[up >= at]
    if len(again) == 0:
        return found
    # The top may lie between fixes.
    times = np.linspace(t[at - 1], t[at + 1], 9)
    state = motion.at(times)
    k = int(np.argmax(state.speed_mps))
    reached = 0.5 * math.erfc(-(state.speed_mps[k] - speed) / state.speed_sigma[k] / math.sqrt(2))
    later, later_sigma, later_accel = _slow_passing(motion, speed, int(again[0]))
    early = min(found[0], float(times[k]))
    early_sigma = min(found[1], abs(later - early) / 2) if found[0] < later else motion.step_s
    time = reached * early + (1 - reached) * later
    square = reached * early_sigma**2 + (1 - reached) * later_sigma**2 + reached * (1 - reached) * (later - early) ** 2
    return time, math.sqrt(square), found[2] if reached > 0.5 else later_accel


def _slow_passing(motion: Motion, speed: float, i: int) -> tuple[float, float, float]:
    """When the smoothed speed passes `speed` between fixes i and i + 1: time, its sigma, acceleration there."""
    t, v = motion.t_s, motion.speed_mps
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


def slow_at(self: Motion, times: Floats) -> State:
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
