"""What is learned of the slope of the stretches that coasts ran over, as the fit of coasts takes it in.

    known = known_slopes(coasts, layout, road)      # one for each stretch; None where it is not learned

The learned slope stands in the equation of motion as it is. What may be off about it is a sum of the shapes that the
passes left it in doubt of, most doubtful first, each with a standard normal factor: the eigenvectors of its covariance,
scaled by the roots of their eigenvalues. Coasts that tell more of the road than its passes move it; those that tell
less, as all coasts in one direction do, bear its uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.arrays import Floats
from analysis.road.slopes import LEAST_PASSES, STEP_M, LearnedRoad, Located

if TYPE_CHECKING:
    from analysis.road.coast_model import Layout
    from analysis.road.coasts import Coast

SHAPES = 24
"""So many: what they leave out over a kilometre moves a coast by less than its readings' noise."""
_KNOWN = 0.9
"""Of a stretch so much must have been passed often enough."""


@dataclass(frozen=True)
class KnownSlope:
    """The learned slope of a stretch towards its axis.

    Attributes
    ----------
    place, slope : array, shape (n,)
        Along the stretch, -1 to 1 from end to end, rising; rise over run there [-].
    shapes : array, shape (n, SHAPES)
        What may be off about it, each to be multiplied by a standard normal factor [-].
    passes : int
        How many passes told it, at the least.
    """

    place: Floats
    slope: Floats
    shapes: Floats
    passes: int

    @property
    def sigma(self) -> float:
        """Standard error of its mean slope [-]."""
        return float(np.linalg.norm(self.shapes.mean(axis=0)))

    def at(self, place: Floats) -> Floats:
        """The learned slope at places along the stretch (n,); beyond its ends that of the ends."""
        return np.interp(place, self.place, self.slope)

    def shapes_at(self, place: Floats) -> Floats:
        """The shapes there (n, SHAPES)."""
        return np.stack([np.interp(place, self.place, each) for each in self.shapes.T], axis=1)

    def bends(self, factors: Floats, covariance: Floats) -> tuple[Floats, Floats]:
        """Its mean and its change from the middle to the end with these factors, and their standard errors (2,)."""
        onto = np.linalg.pinv(np.polynomial.legendre.legvander(self.place, 3))[:2]
        acts = onto @ self.shapes
        return onto @ self.slope + acts @ factors, np.sqrt(np.einsum("ij,jk,ik->i", acts, covariance, acts))


def known_slopes(coasts: Sequence[Coast], layout: Layout, road: LearnedRoad | None) -> list[KnownSlope | None]:
    """The learned slope of each stretch; None for one that was not passed often enough."""
    if road is None:
        return [None] * layout.stretches
    return [_known(coasts, layout, j, road) for j in range(layout.stretches)]


def _known(coasts: Sequence[Coast], layout: Layout, stretch: int, road: LearnedRoad) -> KnownSlope | None:
    place = np.linspace(-1, 1, max(math.ceil(layout.length_m[stretch] / STEP_M), SHAPES) + 1)
    where = []
    for k in np.flatnonzero(layout.stretch == stretch).tolist():
        coast = coasts[k]
        told = np.isfinite(coast.lat_deg + coast.lon_deg)
        if not told.any():
            continue
        order = np.argsort(layout.place[k][told])
        along = layout.place[k][told][order]
        where.append([
            np.interp(place, along, values[told][order], left=np.nan, right=np.nan)
            for values in (coast.lat_deg, coast.lon_deg)
        ])  # fmt: skip
    if not where:
        return None
    table = np.array(where)
    there = np.isfinite(table).any(axis=0).all(axis=0)
    if there.sum() < 2:
        return None
    mean = np.nansum(table[:, :, there], axis=0) / np.isfinite(table[:, :, there]).sum(axis=0)
    lat, lon = (np.interp(place, place[there], values) for values in mean)  # straight on where coasts nearly met
    at = road.roads.locate(lat, lon, np.full(len(place), layout.axis_deg[stretch] % 360))
    passed = road.passed(at)
    known = np.flatnonzero((passed >= LEAST_PASSES) & (at.road >= 0))
    if len(known) < _KNOWN * len(place):
        return None
    # Passes begin and end a little later than coasts do: what is beyond is foretold from the nearest that is known.
    near = known[np.abs(place[:, None] - place[known]).argmin(axis=1)]
    way = at.way_m[near] + at.sense[near] * (place - place[near]) * layout.length_m[stretch] / 2
    way[known] = at.way_m[known]
    slope, covariance = road.slope(Located(at.road[near, None], way[:, None], at.sense[near, None]))
    size, shape = np.linalg.eigh(covariance)
    shapes = shape[:, ::-1][:, :SHAPES] * np.sqrt(np.maximum(size[::-1][:SHAPES], 0.0))
    return KnownSlope(place, slope, shapes, int(passed[known].min()))
