"""Fixes of simulated pulls, and the runs found in them."""

from __future__ import annotations

import functools

import numpy as np
import simulate
from simulate import (
    SLOW_CAR,
    Brake,
    Car,
    Launch,
    Lift,
    Pull,
    Stand,
    Truth,
)

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.runs import finding
from analysis.runs.run import Options, Run

MPH = 0.44704
FIFTY = 50 * MPH
TO_FIFTY = Options(speeds_mps=(FIFTY,))


def received(truth: Truth, seed: int = 0, rate: float = 10.0, noise: float = 0.05, decimals: int = 3,
             hold: float = 0.0) -> Fixes:  # fmt: skip
    got = simulate.receive(truth, np.random.default_rng(seed), rate, noise, decimals, hold)
    return Fixes.of(
        got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg, None, got.satellites, got.hdop
    )


def found_in(fixes: Fixes, options: Options | None = None) -> list[Run]:
    kept, _ = clean(fixes)
    return finding.find(smoother.smooth(kept), kept, options)


@functools.cache
def one_pull(car: Car = SLOW_CAR, launch: Launch = "bite", to: float = 23.5) -> Truth:
    return simulate.drive(car, [Stand(8), Pull(to, launch), Lift(15), Brake(0), Stand(5)])
