"""What is not known of the receiver's smoothing is in the delay's interval, or the sentence says that it is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import simulate
from made_drives import steps_script
from made_runs import received

from analysis.conditions.roadload import RoadLoad
from analysis.mixture import delay
from analysis.mixture.engine_load import UNSEEN_S, Driving, driving
from analysis.motion.fixes import clean
from analysis.motion.receiver import Receiver
from analysis.motion.smoother import Motion, smooth

ROAD = RoadLoad(55 / 392, 0.0, 0.36 / 392, 16 / 392, "truth")


@pytest.fixture(scope="module")
def truth() -> simulate.Truth:
    return simulate.drive(simulate.WREN, steps_script(np.random.default_rng(3)) * 2)


@pytest.fixture(scope="module")
def motion(truth: simulate.Truth) -> Motion:
    return smooth(clean(received(truth, seed=3))[0])


def told(motion: Motion, **receiver: float | None) -> Driving:
    """The state as from a receiver of which so much is known."""
    plain = Receiver(motion.receiver.hz, motion.receiver.noise_mps)
    return driving(replace(motion, receiver=replace(plain, **receiver)), ROAD)  # type: ignore[arg-type]


SURE = {"smoothing_s": 0.0, "smoothing_low_s": 0.0, "smoothing_high_s": 0.02, "smoothing_sigma_s": 0.01}
HARDLY = {"smoothing_s": 0.05, "smoothing_low_s": 0.0, "smoothing_high_s": 0.17, "smoothing_sigma_s": 0.06}
SMOOTHS = {"smoothing_s": 0.25, "smoothing_low_s": 0.2, "smoothing_high_s": 0.3, "smoothing_sigma_s": 0.025}
WANDERING = {"wandering_share": 0.5, "wandering_s": 1.0}


def test_smoothing_may_hide_behind_errors_that_wander(motion: Motion) -> None:
    assert told(motion, **SURE).unseen_s == told(motion, **HARDLY).unseen_s == 0.0
    assert told(motion, **SURE, **WANDERING).unseen_s == told(motion, **HARDLY, **WANDERING).unseen_s == UNSEEN_S
    # What is undone was seen, and where nothing is told at all, the sentence says so.
    assert told(motion, **SMOOTHS, **WANDERING).unseen_s == 0.0
    unknown = told(motion, **WANDERING)
    assert (unknown.unseen_s, unknown.late_sigma_s) == (0.0, None)


def test_doubt_of_the_receiver_is_in_the_interval(truth: simulate.Truth, motion: Motion) -> None:
    rng = np.random.default_rng(3)
    readings = simulate.sense(truth, simulate.mixture_of(1.10), rng, rate_hz=20, delay_s=0.4, lag_s=0.2)

    def found(**receiver: float | None) -> delay.Delay:
        return delay.estimate(*readings, told(motion, **receiver), 9.0)

    sure, hardly, hidden = found(**SURE), found(**HARDLY), found(**SURE, **WANDERING)
    assert sure.source == hardly.source == hidden.source == "this drive"
    ends = [(each.delay_s - (each.delay_low_s or 0), (each.delay_high_s or 0) - each.delay_s)
            for each in (sure, hardly, hidden)]  # fmt: skip
    assert sure.delay_s == hardly.delay_s == hidden.delay_s == pytest.approx(0.4, abs=0.05)
    wider = np.hypot(0.06, 0.05)
    for side in (0, 1):
        assert ends[1][side] ** 2 - ends[0][side] ** 2 == pytest.approx(1.96**2 * (wider**2 - 0.01**2), rel=1e-6)
    # An unseen smoothing shows speeds too late, never too early: the delay is longer by it, or right.
    assert ends[2][0] == ends[0][0]
    assert ends[2][1] ** 2 - ends[0][1] ** 2 == pytest.approx(UNSEEN_S**2, rel=1e-6)
    assert "whether the receiver smooths" in found(**WANDERING).reason
    assert "whether the receiver smooths" not in sure.reason + hidden.reason
