"""Worlds on which the constants of motion and launches were chosen; they judge nothing.

    cd tests && python -m tuning.receiver_worlds [WORLD ...] [--drives N]

A drive is eight launches of a car, each followed by a braked stop: half of the stops end sharply, half eased, and the
body rocks after them. The launches are rises of six families with times drawn for each; RECEIVERS read them.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.runs import finding
from analysis.runs.run import Options

Floats = NDArray[np.float64]
MPH = 0.44704
FOOT = 0.3048
DT = 0.01
TO_MPS = tuple(mph * MPH for mph in (20, 30, 40))


@dataclass(frozen=True)
class Receiver:
    """noise_mps white; wander_mps correlated over wander_s; smoothing_s of `stages` first-order filters in a row; share
    of outliers, `clump` of them in a row (each clump one offset, or a hump that comes and goes); zero below hold_mps;
    decimals of a km/h; share of fixes missing."""

    hz: float = 10.0
    noise_mps: float = 0.05
    wander_mps: float = 0.0
    wander_s: float = 1.0
    smoothing_s: float = 0.0
    stages: int = 1
    outliers: float = 0.0
    clump: tuple[int, int] = (1, 1)
    hump: bool = False
    hold_mps: float = 0.0
    decimals: int | None = 3
    missing: float = 0.0


W = Receiver(noise_mps=0.035, wander_mps=0.035)
RECEIVERS = {
    "white .03": Receiver(noise_mps=0.03),
    "white .05": Receiver(),
    "wander .5": replace(W, wander_s=0.5),
    "wander 1": W,
    "wander 2": replace(W, wander_s=2.0),
    "all wander 1": Receiver(noise_mps=0.01, wander_mps=0.05),
    "all wander 2": Receiver(noise_mps=0.01, wander_mps=0.05, wander_s=2.0),
    "only wander 2": Receiver(noise_mps=0.002, wander_mps=0.05, wander_s=2.0),
    "only wander 1": Receiver(noise_mps=0.002, wander_mps=0.05),
    "smooth .1": Receiver(smoothing_s=0.1),
    "smooth .2": Receiver(smoothing_s=0.2),
    "smooth .35": Receiver(smoothing_s=0.35),
    "smooth .5": Receiver(smoothing_s=0.5),
    "two stages .35": Receiver(smoothing_s=0.35, stages=2),
    "outliers": Receiver(outliers=0.02),
    "clumps": Receiver(outliers=0.02, clump=(1, 7)),
    "humps": Receiver(outliers=0.03, clump=(3, 12), hump=True),
    "held": Receiver(hold_mps=0.3, decimals=2, missing=0.05),
    "together": replace(W, smoothing_s=0.35, outliers=0.02, hold_mps=0.3, decimals=2, missing=0.05),
    "held, wander, 0": replace(W, hold_mps=0.3, decimals=2, missing=0.05),
    "held, wander, .2": replace(W, smoothing_s=0.2, hold_mps=0.3, decimals=2, missing=0.05),
    "held, wander, .35": replace(W, smoothing_s=0.35, hold_mps=0.3, decimals=2, missing=0.05),
    "held, .35": Receiver(smoothing_s=0.35, hold_mps=0.3, decimals=2),
    "5 Hz": Receiver(hz=5.0),
    "25 Hz": Receiver(hz=25.0),
    "1 Hz": Receiver(hz=1.0),
}


def rise(rng: np.random.Generator, kind: int) -> Callable[[Floats], Floats]:
    """The share of the push that is there tau seconds after it begins."""
    u = rng.uniform
    match kind:
        case 6:  # takes hold, stumbles, and comes again
            s, at, low, for_ = u(0.05, 0.4), u(0.2, 1.0), u(0.15, 0.6), u(0.2, 0.9)
            return lambda x: (1 - np.exp(-x / s)) * (1 - (1 - low) * np.exp(-((np.maximum(np.abs(x - at - for_ / 2) - for_ / 4, 0) / (for_ / 4)) ** 2)))  # fmt: skip  # noqa: E501
        case 7:  # a part of the force, held, then all of it
            s, part, at, to = u(0.05, 0.5), u(0.25, 0.7), u(0.4, 1.5), u(0.1, 0.5)
            return lambda x: part * np.minimum(x / s, 1) + (1 - part) * np.clip((x - at) / to, 0, 1)
        case 9:  # a jerk, then next to nothing, and then all of it
            s, on, low, for_, to = u(0.02, 0.1), u(0.06, 0.25), u(0.03, 0.25), u(0.15, 1.0), u(0.02, 0.25)
            return lambda x: (1 - np.exp(-x / s)) * (1 - (1 - low) * (np.clip((x - on) / 0.05, 0, 1) - np.clip((x - on - for_) / to, 0, 1)))  # fmt: skip  # noqa: E501
    match kind % 6:
        case 0:
            s = u(0.03, 0.3)
            return lambda x: 1 - np.exp(-x / s)
        case 1:
            s = u(0.2, 1.3)
            return lambda x: 0.5 - 0.5 * np.cos(np.pi * np.minimum(x / s, 1))
        case 2:
            s = math.exp(u(math.log(0.4), math.log(3.0)))
            return lambda x: np.minimum(x / s, 1)
        case 3:
            s, first = u(0.6, 1.8), u(0.1, 0.5)
            return lambda x: first + (1 - first) * np.minimum(x / s, 1) ** 2 * (3 - 2 * np.minimum(x / s, 1))
        case 4:
            over, s = u(0.1, 0.4), u(0.3, 0.8)
            return lambda x: (1 - np.exp(-x / 0.05)) * (1 + over * np.exp(-x / s))
        case _:
            s = u(0.5, 1.5)
            return lambda x: np.minimum(x / s, 1) ** 2


@dataclass
class Truth:
    t: Floats
    v: Floats
    starts: list[tuple[float, float, list[float], int]]
    """First movement, one foot, passings of TO_MPS, kind."""


def a_drive(rng: np.random.Generator, launches: int = 8, eased: float = 0.5, kinds: list[int] | None = None) -> Truth:
    grip, power, top = rng.uniform(1.6, 3.2), rng.uniform(18, 40), 19.5
    v: list[Floats] = [np.zeros(int(rng.uniform(6, 10) / DT))]
    starts = []
    for i in range(launches):
        kind = kinds[i % len(kinds)] if kinds else int(rng.integers(0, 6))
        share = rise(rng, int(rng.integers(0, 6)) if kind == 8 else kind)(np.arange(0, 60, DT) + DT / 2)
        if kind == 8:
            # It rolls back, and goes on doing so until the force has caught it.
            slope, rolled = rng.uniform(0.06, 0.25), 0.0
            v.append(-np.arange(0, rng.uniform(0.5, 2.5), DT) * slope)
            rolled = float(v[-1][-1])
            caught = 0
            while rolled < 0:
                v.append(np.array([rolled]))
                rolled += (share[caught] * grip - slope) * DT
                caught += 1
            share = share[caught:]
        speed, pulled, change = 0.0, [], rng.uniform(7, 11) if rng.random() < 0.4 else math.inf
        free = 0
        for s in share:
            pulled.append(speed)
            if speed >= change:
                free, change = int(rng.uniform(0.3, 0.6) / DT), math.inf
            push = 0.0 if free > 0 else s * min(grip, power / max(speed, 0.3))
            free -= 1
            speed = max(speed + (push - 0.12 * min(s * 10, 1.0) - 7e-4 * speed * speed) * DT, 0.0)
            if speed > top:
                break
        pull = np.array(pulled)
        begin = sum(map(len, v)) * DT
        way = np.cumsum(pull) * DT
        lead = int(np.argmax(pull > 0)) - 1
        starts.append((begin + lead * DT, begin + float(np.interp(FOOT, way, np.arange(len(way)) * DT)),
                       [begin + float(np.interp(s, np.maximum.accumulate(pull), np.arange(len(pull)) * DT)) for s in TO_MPS], kind))  # fmt: skip  # noqa: E501
        v.append(pull)
        coast = np.arange(0, rng.uniform(1, 4), DT)
        v.append(pull[-1] - 0.4 * coast)
        v.append(stop(rng, float(v[-1][-1]), rng.random() < eased))
        v.append(np.zeros(int(rng.uniform(3.5, 9) / DT)))
    speed_ = np.concatenate(v)
    return Truth(np.arange(len(speed_)) * DT, speed_, starts)


def held_pull(share: Floats, grip: float, power: float, resistance: float, top: float) -> Floats:
    """Speeds from rest to `top` of a car that `resistance` [m/s2] holds until the push is over it; `share` of the push
    is there at each step."""
    speed, pulled = 0.0, []
    for s in share:
        pulled.append(speed)
        push = s * min(grip, power / max(speed, 0.3))
        speed = max(speed + (push - resistance - 7e-4 * speed * speed) * DT, 0.0)
        if speed > top:
            break
    return np.array(pulled)


def stop(rng: np.random.Generator, speed: float, eased: bool) -> Floats:
    """Braking to rest: sharply, or eased over the last 0.3 to 1.2 s; then the body rocks."""
    brake, sway = rng.uniform(1.3, 3.5), rng.uniform(-0.3, 0.3)
    ease = rng.uniform(0.3, 1.2) if eased else 0.0
    out = []
    while speed > 0:
        left = speed / brake
        a = brake * (1 + sway * math.sin(left))
        if ease and speed < 0.5 * brake * ease:
            a = max(math.sqrt(2 * speed * brake / ease), 0.05)
        out.append(speed)
        speed -= a * DT
    x = np.arange(0, 1.5, DT)
    kick = (0.3 if eased else 1.0) * brake * rng.uniform(0.005, 0.02)
    rock = kick * np.exp(-x / rng.uniform(0.2, 0.5)) * np.sin(2 * np.pi * rng.uniform(1.2, 2.2) * x)
    return np.concatenate([out, -rock])


def brought_to_rest(
    rng: np.random.Generator, speed: float, lift_s: tuple[float, float], stand_s: tuple[float, float]
) -> list[Floats]:
    """What comes after a pull: the foot is lifted, the car brakes, half the times eased, and stands."""
    lifted = speed - 0.4 * np.arange(0, rng.uniform(*lift_s), DT)
    return [lifted, stop(rng, float(lifted[-1]), rng.random() < 0.5), np.zeros(int(rng.uniform(*stand_s) / DT))]


def received(true: Truth, receiver: Receiver, rng: np.random.Generator) -> Fixes:
    v = true.v
    for _ in range(receiver.stages if receiver.smoothing_s else 0):
        keep = math.exp(-DT / (receiver.smoothing_s / receiver.stages))
        v = lfilter([1 - keep], [1, -keep], v)
    t = np.arange(round(rng.uniform(0, 1 / receiver.hz), 2), true.t[-1], 1 / receiver.hz)
    y = np.interp(t, true.t, v) + rng.normal(0, receiver.noise_mps, len(t))
    if receiver.wander_mps:
        rho = math.exp(-1 / receiver.hz / receiver.wander_s)
        kicks = rng.normal(0, receiver.wander_mps * math.sqrt(1 - rho * rho), len(t))
        kicks[0] = rng.normal(0, receiver.wander_mps)
        y += lfilter([1.0], [1.0, -rho], kicks)
    y += strays(len(t), receiver, rng)
    y = np.abs(y)
    y[y < receiver.hold_mps] = 0.0
    if receiver.decimals is not None:
        y = np.round(y * 3.6, receiver.decimals) / 3.6
    keep_ = rng.random(len(t)) >= receiver.missing
    return Fixes.of(t[keep_], y[keep_])


def strays(n: int, receiver: Receiver, rng: np.random.Generator) -> Floats:
    """What strays add to n readings."""
    low, high = receiver.clump
    if high == 1:
        out = np.zeros(n)
        stray = rng.random(n) < receiver.outliers
        some = int(stray.sum())
        out[stray] = rng.choice([-1, 1], some) * np.exp(rng.uniform(math.log(0.2), math.log(3.0), some))
        return out
    out = np.zeros(n)
    for at in np.flatnonzero(rng.random(n) < receiver.outliers * 2 / (low + high)):
        length = int(rng.integers(low, high + 1))
        size = rng.choice([-1, 1]) * math.exp(rng.uniform(math.log(0.2), math.log(3.0)))
        shape = np.sin(np.pi * (np.arange(length) + 1) / (length + 1)) if receiver.hump else rng.normal(1, 0.15, length)
        out[at : at + length] += size * shape[: n - at]
    return out


@dataclass
class Result:
    first: Floats
    first_sigma: Floats
    foot: Floats
    foot_sigma: Floats
    kind: NDArray[np.int64]
    missed: int
    extra: int
    receivers: list[object]


def judge(
    receiver: Receiver, drives: int, seed: int = 0, eased: float = 0.5,
    made: Callable[[np.random.Generator], Truth] | None = None, **kw: object,
) -> Result:  # fmt: skip
    rows, missed, extra, receivers = [], 0, 0, []
    for number in range(drives):
        rng = np.random.default_rng([seed, number])
        true = made(rng) if made else a_drive(rng, eased=eased, **kw)  # type: ignore[arg-type]
        fixes, _ = clean(received(true, receiver, rng))
        motion = smoother.smooth(fixes)
        receivers.append(getattr(motion, "receiver", motion.noise))
        runs = [r for r in finding.find(motion, fixes, Options(speeds_mps=TO_MPS)) if r.kind == "standing"]
        left = list(runs)
        for begun, foot, passed, kind in true.starts:
            run = min(left, key=lambda r: abs(r.start_s - begun), default=None)
            if run is None or abs(run.start_s - begun) > 3.0:
                missed += 1
                continue
            left.remove(run)
            for split in run.splits:
                i = int(np.argmin(np.abs(np.array(TO_MPS) - split.speed_mps)))
                rows.append((split.time_s - (passed[i] - begun), split.sigma_s,
                             split.from_one_foot_s - (passed[i] - foot), split.from_one_foot_sigma_s, kind))  # fmt: skip  # noqa: E501
        extra += len(left)
    a = np.array(rows).T
    return Result(a[0], a[1], a[2], a[3], a[4].astype(int), missed, extra, receivers)


def cell(error: Floats, sigma: Floats) -> str:
    z = error / np.maximum(sigma, 1e-4)
    return (f"{np.sqrt(np.mean(error**2)):.3f} {np.mean(error):+.3f} z {np.sqrt(np.mean(z**2)):.2f} "
            f"{100 * np.mean(np.abs(z) < 1):.0f}/{100 * np.mean(np.abs(z) < 2):.0f}")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("worlds", nargs="*")
    parser.add_argument("--drives", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--eased", type=float, default=0.5)
    parser.add_argument("--kinds", type=int, nargs="*", help="of launches: 0 to 5 are drawn, 6 to 9 only if asked for")
    asked = parser.parse_args()
    for name, receiver in RECEIVERS.items():
        if asked.worlds and name not in asked.worlds:
            continue
        r = judge(receiver, asked.drives, asked.seed, asked.eased, kinds=asked.kinds)
        far = int(np.sum((np.abs(r.foot) > 0.5) & (r.foot_sigma < 0.1)))
        by_kind = " ".join(
            f"{k}: {np.mean(r.first[r.kind == k]):+.2f}/{np.sqrt(np.mean(r.first_sigma[r.kind == k] ** 2)):.2f}"
            for k in range(10)
            if (r.kind == k).any()
        )
        print(f"{name:16s} first {cell(r.first, r.first_sigma)}  foot {cell(r.foot, r.foot_sigma)}  worst {np.abs(r.foot).max():.2f} far {far} "  # noqa: E501
              f"missed {r.missed} extra {r.extra} [{by_kind}]", flush=True)  # fmt: skip
        told = [
            (x.smoothing_s, x.smoothing_low_s, x.wandering_share, x.noise_mps)
            for x in r.receivers
            if hasattr(x, "smoothing_s")
        ]
        if told:
            s = np.array([[np.nan if v is None else v for v in row] for row in told])
            print(
                f"{'':16s} smoothing {np.nanmean(s[:, 0]):.3f} sd {np.nanstd(s[:, 0]):.3f} low>.05 {np.mean(s[:, 1] > 0.05):.2f} unknown {np.mean(np.isnan(s[:, 0])):.2f} share {s[:, 2].mean():.2f} noise {s[:, 3].mean():.3f}"  # noqa: E501
            )
        else:
            print(f"{'':16s} noise {np.mean([x.sigma_mps for x in r.receivers]):.3f}")


if __name__ == "__main__":
    main()
