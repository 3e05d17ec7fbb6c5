"""What passes tell of slopes as it was first written: every matrix made and turned round anew. Slow, and held against
the fast way."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.arrays import Floats
from analysis.road.slopes import PRIORS, _Group, _Kernel, _noise


def slow_posterior(groups: Sequence[_Group], kernel: _Kernel, theta: Floats) -> tuple[float, Floats, Floats]:
    """Log posterior of wander and hills up to a constant; mean and covariance of the white coefficients."""
    slope = math.exp(theta[3])
    information, pulled = np.eye(kernel.whitens.shape[1]), np.zeros(kernel.whitens.shape[1])
    log = 0.0
    for group, acts in zip(groups, kernel.acts, strict=True):
        root = np.linalg.cholesky(_noise(group, theta[:3].tolist()))
        whiten = np.linalg.inv(root)
        felt = (whiten @ acts).reshape(-1, acts.shape[2]) * slope
        rises = (whiten @ group.rise_m[:, :, None]).ravel()
        information += felt.T @ felt
        pulled += felt.T @ rises
        log -= float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum()) + 0.5 * float(rises @ rises)
    covariance = np.linalg.inv(information)
    mean = covariance @ pulled
    log += 0.5 * float(pulled @ mean) - 0.5 * float(np.linalg.slogdet(information)[1])
    for value, prior in zip(theta, PRIORS.values(), strict=True):
        log -= 0.5 * ((value - math.log(prior.about)) / prior.spread) ** 2
    return log, mean, np.asarray(covariance)
