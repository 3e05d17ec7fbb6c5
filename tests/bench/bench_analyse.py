"""Motion and runs of an hour-long drive at 10 Hz against one cubic smoothing spline over the same speeds.

The baseline is scipy.interpolate.make_smoothing_spline with its penalty given: a smoother of the same family with one
penalty for the whole drive, that finds no launch and tells no sigma.
"""

from __future__ import annotations

import numpy as np
import simulate
from ratio import compare
from scipy.interpolate import make_smoothing_spline

from analysis import motion, runs


def hour() -> motion.Fixes:
    rng = np.random.default_rng(5)
    script: list[simulate.Phase] = []
    for _ in range(4):
        script += simulate.traffic(rng, 500)
        for _ in range(4):
            script += [simulate.Stand(8), simulate.Pull(24, launch="slip"), simulate.Lift(15, 6), simulate.Brake(0)]
    truth = simulate.drive(simulate.WREN, script)
    got = simulate.receive(truth, rng, 10, 0.05)
    print(f"{got.t_s[-1] / 60:.0f} minutes, {len(got.t_s)} fixes, {len(truth.runs)} pulls from rest")
    return motion.Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg)


def analyse(fixes: motion.Fixes) -> list[runs.Run]:
    kept, _ = motion.clean(fixes)
    return runs.find(motion.smooth(kept), kept)


if __name__ == "__main__":
    drive = hour()
    compare(
        "motion and runs of the drive",
        lambda: analyse(drive),
        "scipy's cubic smoothing spline",
        lambda: make_smoothing_spline(drive.t_s, drive.speed_mps, lam=0.01),
        pairs=3,
    )
