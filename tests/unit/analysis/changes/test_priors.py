"""What is taken of days beforehand, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.changes.observations import Observation
from analysis.changes.priors import DAY_GRIP, DAY_LAUNCH_S, DAY_SHARE, band_priors, launching, time_priors

SPEEDS = np.arange(1.0, 21.0)
ASKED = np.array([3.0, 5.0, 10.0, 18.0])


def car(launch_mps: float) -> list[Observation]:
    """Even acceleration up to a speed, even power from there: 2 m/s2, then v^2/2 rises by 2 v m2/s3."""
    below = np.minimum(SPEEDS, launch_mps) / 2
    above = np.maximum(SPEEDS**2 - launch_mps**2, 0) / (4 * launch_mps)
    return [
        Observation(f"d:{k}", "a", {"jet": 1}, "d", 0, 300.0 * k, 70.0, SPEEDS, below + above, np.full(20, 0.02))
        for k in range(4)
    ]  # fmt: skip


@pytest.mark.parametrize("launch_mps", [4.0, 8.0])
def test_a_launch_ends_where_power_takes_over(launch_mps: float) -> None:
    found = launching(car(launch_mps), ASKED)
    assert found == pytest.approx(np.minimum(ASKED, launch_mps) / 2, abs=0.6)  # steps of 1 m/s, the end of one
    assert launching(car(15.0), ASKED)[-1] == pytest.approx(6.0, abs=0.6)  # 12 m/s at the latest


def test_a_days_launches_are_in_the_prior_of_days_and_not_of_runs() -> None:
    short, long = time_priors(car(4.0), ASKED), time_priors(car(8.0), ASKED)
    for prior, held in zip(long, launching(car(8.0), ASKED), strict=True):
        assert prior.day > np.hypot(DAY_GRIP * held, DAY_LAUNCH_S)
        assert prior.day > prior.run
    assert short[0].day == pytest.approx(
        np.sqrt((DAY_SHARE * 1.5) ** 2 + DAY_LAUNCH_S**2 + (DAY_GRIP * 1.5) ** 2), rel=0.05
    )
    assert pytest.approx(0.04) == DAY_GRIP  # chosen on tests/tuning/season_days.py: changes.md
    bands = band_priors(car(4.0), np.array([2.0, 4.0, 12.0, 16.0]))
    assert bands[0].day > np.hypot(DAY_GRIP * 0.9, DAY_LAUNCH_S / 3)
