"""What a receiver makes of a drive: smoothing inside, noise white and wandering, outliers, steps, holds, missing fixes.

    fixes = receive(drive, Receiver(rate_hz=10, smoothing_s=0.2, wander_share=0.5), rng)
    write_nmea(path, fixes)

In the order of a real one: the speed is smoothed, noise is added, the sign is lost, small speeds are held at zero, and
the rest is rounded and printed; some fixes never come.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.random import Generator
from scipy.signal import lfilter

from analysis.motion.fixes import Fixes
from worlds.car import STEP_S, Drive, Floats

KNOT = 1852 / 3600
EARTH_M = 6371008.8
EPOCH = datetime(2026, 6, 7, 9, 0, 0, tzinfo=UTC)
ORIGIN_DEG = (52.31, 0.27)


@dataclass(frozen=True)
class Receiver:
    """A receiver.

    noise_mps: standard deviation of a reading; wander_share of its variance is correlated over wander_s (Gauss-Markov).
    smoothing_s: whole lag of the smoothing inside, in `stages` equal first-order stages. outliers: share of readings
    off by 0.3 to 6 m/s, each for `burst` fixes at the most. hold_mps: less than this reads zero. decimals: of the speed
    in knots (None: not rounded). missing: share of fixes that never come. law: what the sign's loss does: |v + n|,
    max(v + n, 0), or the length of a speed with noise along and across. draws_mps: while standing it draws circles of
    up to this speed. pins_mps: under this reported speed the position stands still. wakes_mps: speed and position stay
    put until the car is this fast, then both catch up within wakes_s. blind_s: no fixes within this of each stop
    (before and after).
    """

    rate_hz: float = 10.0
    noise_mps: float = 0.05
    wander_share: float = 0.0
    wander_s: float = 1.0
    smoothing_s: float = 0.0
    stages: int = 1
    outliers: float = 0.0
    burst: int = 1
    hold_mps: float = 0.0
    decimals: int | None = None
    missing: float = 0.0
    law: Literal["folded", "clipped", "horizontal"] = "folded"
    draws_mps: float = 0.0
    pins_mps: float = 0.0
    wakes_mps: float = 0.0
    wakes_s: float = 0.5
    blind_s: float = 0.0


def receive(drive: Drive, receiver: Receiver, rng: Generator) -> Fixes:
    """The fixes of a drive, on its own axis of time."""
    every = round(1 / (receiver.rate_hz * STEP_S))
    offset = int(rng.integers(every))
    at = np.arange(offset, len(drive.t_s), every)
    t = drive.t_s[at]
    speed = smoothed(drive.antenna_mps, receiver.smoothing_s, receiver.stages)[at]
    awake = np.ones(len(t))
    if receiver.wakes_mps:
        awake = _awake(t, drive.speed_mps[at], receiver)
        speed = speed * awake
    along = speed + noise(t, receiver, rng) * (awake > 0)
    across = noise(t, receiver, rng) if receiver.law == "horizontal" else np.zeros(len(t))
    if receiver.draws_mps:
        circles = np.abs(gauss_markov(t, 4.0, rng)) / 1.5
        across = across + receiver.draws_mps * np.minimum(circles, 1.0)
    reading = np.maximum(along, 0.0) if receiver.law == "clipped" else np.hypot(along, across)
    reading = np.where(reading < receiver.hold_mps, 0.0, reading)
    if receiver.decimals is not None:
        reading = np.round(reading / KNOT, receiver.decimals) * KNOT
    sideways = across if receiver.law == "horizontal" else rng.normal(0, receiver.noise_mps, len(t))
    course = (drive.heading_deg[at] + np.degrees(np.arctan2(sideways, along))) % 360
    north, east, up = _place(drive, at, reading, awake, receiver, rng)
    kept = rng.random(len(t)) >= receiver.missing
    for stop in drive.stops if receiver.blind_s else ():
        kept &= (t < stop.stood_s - receiver.blind_s) | (t > stop.stood_s + receiver.blind_s)
    return Fixes.of(
        t, reading,
        ORIGIN_DEG[0] + np.degrees(north / EARTH_M),
        ORIGIN_DEG[1] + np.degrees(east / EARTH_M) / math.cos(math.radians(ORIGIN_DEG[0])),
        80.0 + up, course, None, np.full(len(t), 10.0), np.full(len(t), 0.9),
        int(EPOCH.timestamp()) * 1_000_000_000,
    ).only(kept)  # fmt: skip


def smoothed(speed: Floats, seconds: float, stages: int = 1) -> Floats:
    """Through `stages` equal first-order lags of `seconds` together; exact where the speed is straight over a step."""
    for _ in range(stages if seconds > 0 else 0):
        each = seconds / stages
        kept = math.exp(-STEP_S / each)
        new = (1 - kept) * each / STEP_S
        speed = lfilter([1 - new, new - kept], [1, -kept], speed, zi=np.array([new * speed[0]]))[0]
    return speed


def noise(t: Floats, receiver: Receiver, rng: Generator) -> Floats:
    """Errors of the readings at `t` [m/s]."""
    share = receiver.wander_share
    out = math.sqrt(1 - share) * rng.standard_normal(len(t))
    if share:
        out = out + math.sqrt(share) * gauss_markov(t, receiver.wander_s, rng)
    out *= receiver.noise_mps
    if receiver.outliers:
        hit = rng.random(len(t)) < receiver.outliers
        size = np.exp(rng.uniform(math.log(0.3), math.log(6.0), len(t))) * rng.choice([-1, 1], len(t))
        for k in np.flatnonzero(hit) if receiver.burst > 1 else ():
            after = slice(k, k + int(rng.integers(1, receiver.burst + 1)))
            hit[after], size[after] = True, size[k]
        out = out + np.where(hit, size, 0.0)
    return out


def gauss_markov(t: Floats, seconds: float, rng: Generator) -> Floats:
    """A process of variance 1 whose autocorrelation is exp(-lag / seconds); `t` evenly spaced."""
    if len(t) < 2:
        return rng.standard_normal(len(t))
    kept = math.exp(-float(t[1] - t[0]) / seconds)
    drawn = rng.standard_normal(len(t))
    drawn[1:] *= math.sqrt(1 - kept * kept)
    return np.asarray(lfilter([1.0], [1.0, -kept], drawn), float)


def _awake(t: Floats, speed: Floats, receiver: Receiver) -> Floats:
    """Zero while the receiver believes that the car stands, one when it has caught up."""
    out = np.empty(len(t))
    level, step = 0.0, 1 / (receiver.rate_hz * receiver.wakes_s)
    asleep = True
    for k, v in enumerate(np.abs(speed)):
        if asleep:
            asleep = bool(v < receiver.wakes_mps)
        elif v < 0.3 * receiver.wakes_mps:
            asleep = True
        level = 0.0 if asleep else min(level + step, 1.0)
        out[k] = level
    return out


def _place(
    drive: Drive, at: np.ndarray, reading: Floats, awake: Floats, receiver: Receiver, rng: Generator
) -> tuple[Floats, Floats, Floats]:
    """North, east and up of the fixes [m], with a slow error of 1.5 m (2.5 m in height) and 3 cm of jitter."""
    heading = np.radians(drive.heading_deg)
    steps = np.diff(drive.way_m, prepend=0.0)
    true = [np.cumsum(steps * each)[at] for each in (np.cos(heading), np.sin(heading), drive.slope)]
    t = drive.t_s[at]
    out = []
    for values, size in zip(true, (1.5, 1.5, 2.5), strict=True):
        off = size * gauss_markov(t, 60.0, rng) + rng.normal(0, 0.03, len(t))
        out.append(values + off)
    pinned = (reading < receiver.pins_mps) | (awake == 0)
    if pinned.any():
        last = np.maximum.accumulate(np.where(pinned, 0, np.arange(len(t))))
        for values in out:
            values[:] = values[last]
    if receiver.wakes_mps:
        # The position catches up as the speed does; the height settles from where it was pinned.
        woken = np.flatnonzero((awake > 0) & (np.concatenate([[0.0], awake[:-1]]) == 0))
        for k in woken:
            out[2][k:] += rng.normal(0, 8.0) * np.exp(-(t[k:] - t[k]) / 3.0)
    return out[0], out[1], out[2]


# --- NMEA ---------------------------------------------------------------------------------------------------------


def write_nmea(path: Path, fixes: Fixes, decimals: int = 3) -> None:
    """Fixes as RMC and GGA sentences (NMEA 0183), for `pullbook import`."""
    start = datetime.fromtimestamp(fixes.epoch_utc_ns / 1e9, UTC)
    with path.open("w", encoding="ascii", newline="") as file:
        for k in range(len(fixes)):
            moment = start + timedelta(milliseconds=round(float(fixes.t_s[k]) * 1000))
            clock = f"{moment:%H%M%S}.{moment.microsecond // 1000:03d}"
            place = f"{_degrees(fixes.lat_deg[k], 'NS', 2)},{_degrees(fixes.lon_deg[k], 'EW', 3)}"
            speed = f"{fixes.speed_mps[k] / KNOT:.{decimals}f}"
            file.write(_sentence(f"GPRMC,{clock},A,{place},{speed},{fixes.course_deg[k]:.2f},{moment:%d%m%y},,,A"))
            height = f"{fixes.satellites[k]:.0f},{fixes.hdop[k]:.1f},{fixes.alt_m[k]:.2f},M,47.0,M,,"
            file.write(_sentence(f"GPGGA,{clock},{place},1,{height}"))


def _degrees(value: float, names: str, width: int) -> str:
    whole, part = divmod(abs(float(value)), 1.0)
    return f"{int(whole):0{width}d}{part * 60:09.6f},{names[0] if value >= 0 else names[1]}"


def _sentence(body: str) -> str:
    return f"${body}*{reduce(xor, body.encode()):02X}\r\n"
