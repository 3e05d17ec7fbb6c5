"""A small board in a car whose motion is known: 100 lines a second of what its accelerometer reads.

It is mounted any way up, reads a little too much on each axis, shakes with a single's idle, and its lines come late.
The faults that boards have can be planted: dead, stuck, clipped, its sign turned, loose, an offset that wanders.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation

from analysis.motion.board import BoardReadings

Floats = NDArray[np.float64]
GRAVITY = 9.80665
Fault = Literal["", "dead", "stuck", "clipped", "loose", "wandering", "out of scale", "another car"]


@dataclass(frozen=True)
class MadeBoard:
    """hz: lines a second. noise: of each axis, white [m/s2]. shake: at idle, along the crank's axis of shaking [m/s2].
    delay_s: how late lines are beside the fixes. jitter_s: how much later still each may be. burst: lines that come
    together. lost: share of lines that are missing. step: of the readings [m/s2]. squat: how far gravity shows along
    the car for 1 m/s2 of acceleration, squat_s later (3 degrees a g, from memory). axes: how many are read.
    upside_down, sign: how it is mounted, and what it calls forward."""

    hz: float = 100.0
    noise: float = 0.06
    shake: float = 0.7
    idle_hz: float = 18.0
    delay_s: float = 0.07
    jitter_s: float = 0.004
    burst: int = 1
    lost: float = 0.01
    step: float = 0.01
    squat: float = 0.05
    squat_s: float = 0.15
    bias: float = 0.25
    axes: int = 3
    upside_down: bool = False
    sign: int = 1
    fault: Fault = ""


def board_readings(
    t: Floats, speed: Floats, rng: np.random.Generator, made: MadeBoard, accel: Floats | None = None
) -> BoardReadings:
    """What the board reads of a car with this speed [m/s] at these times [s], evenly spaced."""
    dt = float(t[1] - t[0])
    a = np.gradient(speed, dt) if accel is None else accel
    at = np.arange(t[0], t[-1], 1 / made.hz)
    # The chip averages over a sample.
    width = max(round(1 / made.hz / dt), 1)
    a = np.convolve(a, np.ones(width) / width, "same") if width > 1 else a
    # Springs and dampers bring the squat in over a tenth of a second or two.
    kept = math.exp(-dt / made.squat_s)
    along = np.interp(at, t, a + made.squat * lfilter([1 - kept], [1, -kept], a))
    v = np.interp(at, t, speed)
    # The engine idles, and turns faster as soon as it pulls.
    turns = made.idle_hz * (1 + 0.03 * np.sin(0.9 * at + rng.uniform(0, 6))) + np.where(
        np.interp(at + 0.1, t, a) > 0.3, 20 + 1.0 * v, 0.4 * np.minimum(v, 10)
    )
    phase = 2 * np.pi * np.cumsum(turns) / made.hz + rng.uniform(0, 6)
    size = made.shake * np.sqrt(turns / made.idle_hz)
    shaking = size * (np.sin(phase) + 0.35 * np.sin(phase / 2 + 1.0) + 0.2 * np.sin(2 * phase + 2.0))
    side = rng.normal(0, 0.15, len(at)) * np.minimum(v / 8, 1.5)
    body = np.stack([along + 0.5 * shaking, side + 0.4 * shaking, GRAVITY + shaking + rng.normal(0, 0.3, len(at)) *
                     np.minimum(v / 8, 1.5)], -1)  # fmt: skip
    way = Rotation.from_rotvec(rng.normal(0, 0.35, 3)).as_matrix()
    if made.upside_down:
        way = way @ np.diag([1.0, -1.0, -1.0])
    read = made.sign * body @ way.T + rng.normal(0, made.bias, 3) + rng.normal(0, made.noise, (len(at), 3))
    read = read[:, : made.axes] if made.axes == 3 else read[:, :1] / way[0, 0]
    read = _spoilt(read, at, v, made, rng)
    read = np.round(read / made.step) * made.step
    whole = np.minimum(np.arange(len(at)) // made.burst * made.burst + made.burst - 1, len(at) - 1)
    stamped = at[whole] + made.delay_s + made.jitter_s * rng.random(len(at)) ** 3
    kept = rng.random(len(at)) >= made.lost
    if made.fault == "another car":
        stamped = stamped + 37.0
    return BoardReadings(stamped[kept], read[kept], "imu")


def _spoilt(read: Floats, t: Floats, v: Floats, made: MadeBoard, rng: np.random.Generator) -> Floats:
    match made.fault:
        case "dead":
            return np.full_like(read, math.nan)
        case "stuck":
            out = read.copy()
            out[len(out) // 5 :] = out[len(out) // 5]
            return out
        case "clipped":
            return np.clip(read, -1.2, 1.2)
        case "loose":
            # It swings on its cable from a third of the drive on.
            turn = np.cumsum(rng.normal(0, 0.6 / math.sqrt(made.hz), len(t))) * (t > t[0] + (t[-1] - t[0]) / 3)
            out = read.copy()
            out[:, 0] = read[:, 0] * np.cos(turn) + read[:, -1] * np.sin(turn)
            out[:, -1] = read[:, -1] * np.cos(turn) - read[:, 0] * np.sin(turn)
            return out
        case "wandering":
            walk = np.cumsum(rng.normal(0, 0.5 / math.sqrt(made.hz), read.shape), axis=0)
            return read + walk
        case "out of scale":
            return read * 0.3
    return read
