"""The readings that a launch is fitted to, with what does not depend on the start: their errors, what came before."""

from __future__ import annotations

import math
from copy import copy

import numpy as np

from analysis.arrays import Floats
from analysis.motion.noise import Noise, wander_covariance
from analysis.motion.wander import rest_log_density

SLACK_MPS = 0.015
"""What rises leave of a real launch, as white noise beside the receiver's: none is quite true, and where noise hardly
differs from fix to fix a shape would be believed to the last."""
LEAST_WHITE_MPS = 0.03
"""Where noise wanders, what differs from fix to fix counts for so much at least: the less of it there is, the more of
what readings show beside a rise is the rise's own error."""


def hardly_white(noise: Noise) -> float:
    """How far a receiver's noise wanders and hardly differs from fix to fix: 0 not at all, 1 nothing of it does."""
    if noise.wander_share == 0:
        return 0.0
    return math.sqrt(max(1 - (noise.white_mps / LEAST_WHITE_MPS) ** 2, 0.0))


class LaunchReadings:
    """Readings of a launch with what does not depend on the fitted start.

    each: standard deviation of each reading. whiten: upper triangular; its last rows make the errors of any run of last
    readings white, so that one matrix serves every start. None where they are white as they are.
    """

    def __init__(
        self, t: Floats, y: Floats, noise: Noise, base: float, at_rest_before: bool, may_roll: bool = False,
        turns: bool = False, lag_s: float = 0.0,
    ) -> None:  # fmt: skip
        self.t, self.y, self.noise, self.base, self.at_rest_before = t, y, noise, base, at_rest_before
        self.may_roll, self.turns, self.lag_s = may_roll, turns, lag_s
        self.slow = bool(np.median(np.diff(t)) > 0.25)
        self.sigma = math.hypot(noise.reading_sigma_mps, SLACK_MPS)
        self.normal = math.log(self.sigma * math.sqrt(2 * math.pi))
        self.held = (y == 0) & (noise.hold_mps > 0)
        at_rest = noise.rest_sigma_mps if np.isfinite(noise.rest_sigma_mps) else noise.sigma_mps
        # What a receiver draws at rest it may still draw at a walk.
        drawn = noise.drawn
        self.each = np.where(drawn & (y < 3 * at_rest), at_rest, self.sigma)
        self.whiten = None
        if drawn or noise.wander_share > 0:
            own = max(SLACK_MPS, LEAST_WHITE_MPS * hardly_white(noise))
            slack = np.maximum(self.each**2 - self.sigma**2, 0.0) + own**2
            covariance = wander_covariance(t, noise) + np.diag(slack)
            free = ~self.held
            backwards = np.linalg.cholesky(covariance[np.ix_(free, free)][::-1, ::-1])[::-1, ::-1]
            self.whiten = np.zeros_like(covariance)
            self.whiten[np.ix_(free, free)] = np.linalg.inv(backwards)
        if not at_rest_before:
            # What came before is not of this start: as likely as an average reading, wherever t0 lies.
            self.before = -0.5 - np.log(self.each * math.sqrt(2 * math.pi))
            if self.whiten is not None:
                self.before = -0.5 - 0.5 * math.log(2 * math.pi) + np.log(np.maximum(np.diag(self.whiten), 1e-9))
        elif base > 0:
            self.before = -0.5 * ((y - base) / self.sigma) ** 2 - self.normal
        else:
            self.before = rest_log_density(t, y, noise, at_rest)

    def without(self, index: int) -> LaunchReadings:
        """The readings without one."""
        keep = np.arange(len(self.t)) != index
        return LaunchReadings(
            self.t[keep], self.y[keep], self.noise, self.base, self.at_rest_before, self.may_roll,
            self.turns, self.lag_s,
        )  # fmt: skip

    def since(self, time: float) -> LaunchReadings:
        """The readings after `time`: what was before every start says nothing between them."""
        out, late = copy(self), self.t > time
        out.t, out.y, out.held, out.before, out.each = (
            values[late] for values in (self.t, self.y, self.held, self.before, self.each)
        )
        if self.whiten is not None:
            out.whiten = self.whiten[np.ix_(late, late)]
        return out
