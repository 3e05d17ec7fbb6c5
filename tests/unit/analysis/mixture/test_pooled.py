"""Several drives' medians as one: against drawn truths, and against the formula's own published form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.mixture.map import Judgement, Window
from analysis.mixture.pooled import DriveField, pooled
from logger.config.targets import Enough

TARGET = Window(12.0, 12.5)


@pytest.mark.parametrize(("drives", "least"), [(3, 0.82), (8, 0.91)])
def test_the_interval_holds_the_truth_where_drives_differ(drives: int, least: float) -> None:
    """Drives 0.15 AFR apart by their days, each known to 0.02 to 0.1: with few drives a normal interval holds somewhat
    less than 95 % (the days' share has few degrees of freedom), with eight nearly that."""
    rng = np.random.default_rng(drives)
    held = 0
    for _ in range(600):
        sigma = rng.uniform(0.02, 0.1, drives)
        medians = 12.2 + 0.15 * rng.standard_normal(drives) + sigma * rng.standard_normal(drives)
        told = [DriveField(s, 50, m, e) for s, m, e in zip(rng.uniform(8, 12, drives), medians, sigma, strict=True)]
        found = pooled(told, TARGET, Enough())
        held += found.low <= 12.2 <= found.high
    assert least <= held / 600 <= 0.97


def test_drives_that_agree_are_known_better_than_each() -> None:
    """Equal drives that lie no further apart than they are known: the plain standard error of a mean, and no more."""
    found = pooled([DriveField(10, 100, 12.2, 0.1), DriveField(10, 100, 12.25, 0.1)], TARGET, Enough())
    assert found.median == pytest.approx(12.225) and found.sigma == pytest.approx(0.1 / math.sqrt(2))
    assert (found.seconds, found.readings, found.judgement) == (20, 200, Judgement.IN_BAND)


def test_the_share_between_drives_is_that_of_equal_weights() -> None:
    """With equal weights and equal errors the moment estimate is the medians' variance less the errors' (DerSimonian
    and Kacker, equation 6 with equal weights): the standard error is then their standard deviation over the root of
    their number."""
    medians = np.array([12.0, 12.4, 12.9, 12.1])
    found = pooled([DriveField(10, 100, m, 0.05) for m in medians], TARGET, Enough())
    assert found.sigma == pytest.approx(medians.std(ddof=1) / 2)


def test_seconds_weigh_and_drives_without_a_median_only_add_theirs() -> None:
    told = [DriveField(30, 300, 12.0, 0.01), DriveField(10, 100, 12.4, 0.01), DriveField(1, 5, math.nan, math.nan)]
    found = pooled(told, TARGET, Enough())
    assert found.median == pytest.approx(12.1) and (found.seconds, found.readings) == (41, 405)
    nothing = pooled(told[2:], TARGET, Enough())
    assert nothing.judgement is Judgement.UNKNOWN and math.isnan(nothing.median) and nothing.seconds == 1


@pytest.mark.parametrize(
    ("median", "said"), [(13.0, Judgement.LEAN), (11.5, Judgement.RICH), (12.2, Judgement.IN_BAND)]
)
def test_it_is_judged_as_a_drive_is(median: float, said: Judgement) -> None:
    found = pooled([DriveField(10, 100, median, 0.02)] * 3, TARGET, Enough())
    assert found.judgement is said and found.sure
    assert pooled([DriveField(1, 10, median, 0.02)], TARGET, Enough()).judgement is Judgement.UNKNOWN
