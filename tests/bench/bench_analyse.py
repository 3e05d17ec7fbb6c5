"""Motion and runs of an hour at 10 Hz against a rolling mean and a Savitzky-Golay filter over the same speeds.

    python tests/bench/bench_analyse.py

The baselines smooth with one fixed window and no sigma; ours learns the noise, adapts to every change of motion, gives
sigmas, and finds the runs. What is watched is that the ratios stay of one order.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import simulate
from ratio import compare
from scipy.signal import savgol_filter

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.runs import finding


def hour(rate_hz: float = 10.0) -> Fixes:
    """Six standing starts and traffic, as a receiver gives it."""
    rng = np.random.default_rng(1)
    script: list[simulate.Phase] = []
    for _ in range(6):
        script += [simulate.Stand(8), simulate.Pull(23.5, "bite"), simulate.Lift(15), simulate.Brake(0)]
        script += simulate.traffic(rng, 620)
    got = simulate.receive(simulate.drive(simulate.WREN, script, dt=0.02), rng, rate_hz)
    return Fixes.of(
        got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg, None, got.satellites, got.hdop
    )


if __name__ == "__main__":
    fixes = hour()
    speeds = pd.Series(fixes.speed_mps)
    kept, _ = clean(fixes)
    moved = smoother.smooth(kept)
    print(f"{fixes.t_s[-1] / 3600:.2f} h, {len(fixes)} fixes, {len(finding.find(moved, kept))} runs")
    rolling = "a pandas rolling median of 25"
    compare("cleaning", lambda: clean(fixes), rolling, lambda: speeds.rolling(25, center=True).median())
    compare("smoothing", lambda: smoother.smooth(kept), rolling, lambda: speeds.rolling(25, center=True).median())
    compare("smoothing", lambda: smoother.smooth(kept), "scipy's savgol_filter of 25",
            lambda: [savgol_filter(fixes.speed_mps, 25, 2, deriv=d) for d in (0, 1)])  # fmt: skip
    compare("finding the runs", lambda: finding.find(moved, kept), "smoothing the hour", lambda: smoother.smooth(kept))
