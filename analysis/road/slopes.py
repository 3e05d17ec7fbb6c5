"""The slope of the owner's own roads, learned from the altitude of all passes over them, with its covariance.

    road = learn(passes)                                    # None where no wander can be learned
    road.slope_about(lat, lon, heading)                     # over 120 m about a place, and its standard error
    mean, covariance = road.slope(road.roads.locate(lat, lon, heading))     # of many rows at once

One pass's altitude says little: a receiver's height wanders by metres within a minute, as much as a hill rises. Passes
over one place share the hill and not the wander. Altitude of a pass is

    z(t) = what the road rose since the pass began + wander(t) + noise,                                            (1)

with a constant of its own for each pass. Wander is first-order: a size and a time, both learned, since what passes
over one road differ by is wander and nothing else. Slope is a Gaussian process along the road, Matern 3/2, of a size
and a length learned as well; a hill felt uphill one way is felt downhill the other. In steps of `STEP_M` of way (1) is
linear in the slopes; they stand at knots along the road [1], so that a season of passes costs as its roads are long and
not as often as they were driven.

**Roads.** What comes by within `NEAR_M` of a road driven before, along it or back, is on it; what does not begins
another. Between two roads nothing is taken to be alike.

What wander and hills come to has a doubt of its own: the slope is the mixture over points about their mode.

[1] J. Quiñonero-Candela, C. E. Rasmussen, "A unifying view of sparse approximate Gaussian process regression", JMLR 6
    (2005), section 5: deterministic training conditional.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Bools, Floats, stretches
from analysis.motion.geodesy import plane
from analysis.motion.heights import measured

if TYPE_CHECKING:
    from analysis.motion.fixes import Fixes

Whole = NDArray[np.int64]
STEP_M = 20.0
"""Of way between the heights that are read of a pass; each is read between the fixes about it. Knots stand as close."""
LEAST_PASSES = 3
"""A place is told where it was passed so often; what wander is has to come from differences between passes."""
LONGEST_STEPS = 150
"""A pass is read in pieces of so many steps, as if one of another knew nothing."""
MOST_KNOTS, MOST_PIECES = 400, 60
NEAR_M = 20.0
SLOWEST_MPS, LONGEST_GAP_S = 3.0, 3.0
"""What is slower, or a longer time without a fix, ends a piece of a pass."""
HILLS_M = (400.0, 150.0, 60.0)
"""Lengths over which a road keeps its slope: the likeliest count. The first is the quickest to learn wander with."""
_PARALLEL = 0.8
_TURN = math.radians(120)
_LEAST_STEPS = 3
_LENGTHS = (25, 50, 100, LONGEST_STEPS)
_RIPPLES = 0.003
"""Share of a road's slopes, as variance, that is in ripples hardly longer than the knots lie apart."""
_WIDER = 1.2


class _Prior(NamedTuple):
    """Of a logarithm: about where, and how far off it may be."""

    about: float
    spread: float


PRIORS = {
    "wander_m": _Prior(2.0, 0.8),
    "wander_s": _Prior(80.0, 0.8),
    "noise_m": _Prior(0.06, 0.7),
    "slope": _Prior(0.012, 0.6),
}
"""Size [m] and time [s] of the wander, noise of a height [m], size of slopes [-] (common practice, no source)."""
_NAMES = tuple(PRIORS)


@dataclass(frozen=True)
class Pass:
    """Heights of one drive along its way, every `STEP_M` while it moves; arrays of one length, SI.

    `piece` numbers stretches without a gap; way_m counts from the beginning of each.
    """

    t_s: Floats
    way_m: Floats
    lat_deg: Floats
    lon_deg: Floats
    heading_deg: Floats
    alt_m: Floats
    piece: Whole

    def __len__(self) -> int:
        return len(self.t_s)


def heights_of(fixes: Fixes) -> Pass:
    """The heights of a drive."""
    return heights(fixes.t_s, fixes.speed_mps, fixes.lat_deg, fixes.lon_deg, fixes.alt_m)


def heights(t_s: Floats, speed_mps: Floats, lat_deg: Floats, lon_deg: Floats, alt_m: Floats) -> Pass:
    """The heights of a drive from its fixes (n,), NaN where a fix does not say; see `motion.heights`."""
    alt = measured(t_s, speed_mps, alt_m)
    told = np.isfinite(t_s + speed_mps + lat_deg + lon_deg + alt)
    every = np.array([t_s, speed_mps, lat_deg, lon_deg, alt])[:, told]
    found: list[Floats] = []
    pieces: list[Whole] = []
    for first, last in stretches(every[1] > SLOWEST_MPS):
        cuts = (np.flatnonzero(np.diff(every[0, first : last + 1]) > LONGEST_GAP_S) + first).tolist()
        for i, j in zip([first, *(k + 1 for k in cuts)], [*cuts, last], strict=True):
            one = _every_step(*every[:, i : j + 1])
            for at in range(0, max(one.shape[1] - 1, 0), LONGEST_STEPS):
                part = one[:, at : at + LONGEST_STEPS + 1]
                found.append(part)
                pieces.append(np.full(part.shape[1], len(pieces), np.int64))
    when, way, lat, lon, heading, height = np.concatenate([np.empty((6, 0)), *found], axis=1)
    return Pass(when, way, lat, lon, heading, height, np.concatenate([np.empty(0, np.int64), *pieces]))


def _every_step(t: Floats, v: Floats, lat: Floats, lon: Floats, z: Floats) -> Floats:
    """Time, way, latitude, longitude, heading and height every `STEP_M` (6, n); none where it is too short."""
    way = np.concatenate([[0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t))])
    at = np.arange(0.5 * STEP_M, way[-1], STEP_M)
    if len(at) < _LEAST_STEPS + 1:
        return np.empty((6, 0))
    # A mean over a step would make a wander smoother than (1) has it, and it would be told too small.
    when, north, east, height = (np.interp(at, way, values) for values in (t, lat, lon, z))
    shrunk = math.cos(math.radians(float(north[0])))
    heading = np.degrees(np.arctan2(np.gradient(east) * shrunk, np.gradient(north))) % 360
    return np.array([when, at, north, east, heading, height])


# --- roads --------------------------------------------------------------------------------------------------------


class Located(NamedTuple):
    """Where places lie: the number of the road (-1 for none), way along it [m], and 1 along it or -1 back; alike in
    shape."""

    road: Whole
    way_m: Floats
    sense: Floats


class Roads:
    """The roads that passes took, each a line of points `STEP_M` apart, on the plane about `origin_deg`."""

    def __init__(self, origin_deg: tuple[float, float]) -> None:
        self._origin = origin_deg
        self.points = np.empty((0, 5))
        """Road, way [m], east, north [m], heading [rad]."""

    def take(self, each: Pass) -> list[tuple[NDArray[np.intp], Located]]:
        """The stretches of a pass on one road each; roads that it is the first to take are laid down."""
        out = []
        for number in np.unique(each.piece):
            mine = np.flatnonzero(each.piece == number)
            place = each.lat_deg[mine], each.lon_deg[mine], each.heading_deg[mine]
            found = self.locate(*place)
            while (new := self._first_new(found)) is not None:
                self._lay(each, mine[new[0] : new[1] + 1])
                found = self.locate(*place)
            for first, last in _even(found.road):
                if found.road[first] >= 0 and last - first >= _LEAST_STEPS:
                    here = slice(first, last + 1)
                    out.append((mine[here], Located(found.road[here], found.way_m[here], found.sense[here])))
        return out

    def locate(self, lat_deg: Floats, lon_deg: Floats, heading_deg: Floats) -> Located:
        """Places on the roads; arrays of one shape, NaN where not known."""
        shape = np.shape(lat_deg)
        x, y = plane(np.ravel(lat_deg), np.ravel(lon_deg), self._origin)
        turn = np.radians(np.ravel(heading_deg))
        road, way, sense = np.full(len(x), -1, np.int64), np.zeros(len(x)), np.ones(len(x))
        if len(self.points):
            for at in range(0, len(x), 256):
                part = slice(at, at + 256)
                off_x, off_y = x[part, None] - self.points[:, 2], y[part, None] - self.points[:, 3]
                along = np.cos(turn[part, None] - self.points[:, 4])
                with np.errstate(invalid="ignore"):
                    away = np.where(np.abs(along) > _PARALLEL, np.hypot(off_x, off_y), np.inf)
                away[np.isnan(away)] = np.inf
                k = away.argmin(axis=1)
                row = np.arange(len(k))
                on = away[row, k] < NEAR_M
                head = self.points[k, 4]
                road[part] = np.where(on, self.points[k, 0], -1)
                way[part] = self.points[k, 1] + off_x[row, k] * np.sin(head) + off_y[row, k] * np.cos(head)
                sense[part] = np.where(along[row, k] > 0, 1.0, -1.0)
        return Located(road.reshape(shape), way.reshape(shape), sense.reshape(shape))

    @staticmethod
    def _first_new(found: Located) -> tuple[int, int] | None:
        """The first stretch that is on no road, long enough to be one."""
        return next(((i, j) for i, j in stretches(found.road < 0) if j - i >= _LEAST_STEPS), None)

    def _lay(self, each: Pass, at: NDArray[np.intp]) -> None:
        """A new road, up to where it has turned so far that it may come back beside itself."""
        head = np.unwrap(np.radians(each.heading_deg[at]))
        turned = np.flatnonzero(np.abs(head - head[0]) > _TURN)
        stop = max(int(turned[0]), _LEAST_STEPS) if len(turned) else len(at)
        at, head = at[:stop], head[:stop]
        number = self.points[-1, 0] + 1 if len(self.points) else 0.0
        x, y = plane(each.lat_deg[at], each.lon_deg[at], self._origin)
        laid = [np.full(len(at), number), each.way_m[at], x, y, head]
        self.points = np.vstack([self.points, np.column_stack(laid)])


def _even(values: Whole) -> list[tuple[int, int]]:
    """First and last index of each stretch of one value."""
    cuts = np.flatnonzero(np.diff(values)) + 1
    return list(zip([0, *cuts.tolist()], [*(cuts - 1).tolist(), len(values) - 1], strict=True)) if len(values) else []


# --- what was learned ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _At:
    """The posterior for one set of wander and hills."""

    weight: float
    hills_m: float
    slope: float
    whitens: Floats
    """Makes white coefficients of what is alike with the knots, for slopes of size 1 (m, p)."""
    mean: Floats
    """Of the white coefficients (p,)."""
    covariance: Floats


@dataclass(frozen=True)
class LearnedGrade:
    """Mean grade of a way [%], uphill above zero, its standard error, and how many passes there were at the least."""

    percent: float
    sigma: float
    passes: int


class LearnedRoad:
    """The slopes of roads that were passed at least `LEAST_PASSES` times.

    Attributes
    ----------
    wander_m, wander_s : float
        Size and time of the receiver's wander, as learned.
    slope_rms, hills_m : float
        Size and length of slopes.
    """

    def __init__(self, roads: Roads, passed: Whole, knots: Located, points: Sequence[_At], mode: Floats) -> None:
        self.roads, self._passed, self._knots, self._points = roads, passed, knots, points
        self.wander_m, self.wander_s, _, self.slope_rms = np.exp(mode).tolist()
        self.hills_m = max(points, key=lambda each: each.weight).hills_m

    def passed(self, at: Located) -> Whole:
        """How many passes came by each place."""
        points = self.roads.points
        out = np.zeros(at.road.shape, np.int64)
        for where in np.ndindex(at.road.shape):
            mine = np.flatnonzero(points[:, 0] == at.road[where])
            if len(mine):
                k = int(np.abs(points[mine, 1] - at.way_m[where]).argmin())
                if abs(points[mine[k], 1] - at.way_m[where]) < STEP_M:
                    out[where] = self._passed[mine[k]]
        return out

    def slope(self, at: Located, weights: Floats | None = None) -> tuple[Floats, Floats]:
        """Slope as the car feels it, rise over run: mean (n,) and covariance (n, n).

        Parameters
        ----------
        at : Located of shape (n, k)
            Points on the way of each of n rows; those on no road have any slope, each row's by itself.
        weights : array, shape (k,), optional
            By which a row's points are averaged; all alike by default.
        """
        n, k = at.road.shape
        share = np.full(k, 1 / k) if weights is None else weights
        # Off the roads each row is a road of its own.
        road = np.where(at.road >= 0, at.road, -1 - np.arange(n)[:, None])
        flat = Located(road.ravel(), at.way_m.ravel(), at.sense.ravel())
        means, covariances = [], []
        for point in self._points:
            to_knots = _alike(flat, self._knots, point.hills_m) @ point.whitens
            acts = np.tensordot(share, to_knots.reshape(n, k, -1), (0, 1)) * point.slope
            own = _alike(flat, flat, point.hills_m).reshape(n, k, n, k)
            own = np.einsum("k,nkpl,l->np", share, own, share) * point.slope**2
            means.append(acts @ point.mean)
            covariances.append(own - acts @ acts.T + acts @ point.covariance @ acts.T)
        weight, told = np.array([point.weight for point in self._points]), np.array(means)
        mean = weight @ told
        away = told - mean
        return mean, np.tensordot(weight, np.array(covariances), 1) + (away.T * weight) @ away

    def over(self, fixes: Fixes, start_s: float, end_s: float) -> LearnedGrade | None:
        """The mean grade of the way driven between two times on the fixes' axis; None where it was not learned."""
        way = heights_of(fixes.only((fixes.t_s >= start_s) & (fixes.t_s <= end_s)))
        at = self.roads.locate(way.lat_deg, way.lon_deg, way.heading_deg)
        passes = int(self.passed(at).min()) if len(way) else 0
        if passes < LEAST_PASSES or len(np.unique(way.piece)) > 1:
            return None
        mean, covariance = self.slope(Located(at.road[None], at.way_m[None], at.sense[None]))
        return LearnedGrade(100 * float(mean[0]), 100 * math.sqrt(float(covariance[0, 0])), passes)

    def slope_about(
        self, lat_deg: float, lon_deg: float, heading_deg: float, over_m: float = 120.0
    ) -> tuple[float, float]:
        """The slope over `over_m` of road about a place, and its standard error; NaN where it was not learned."""
        at = self.roads.locate(*(np.array([value]) for value in (lat_deg, lon_deg, heading_deg)))
        if at.road[0] < 0:
            return math.nan, math.nan
        way = at.way_m + np.linspace(-0.5, 0.5, 13) * over_m
        along = Located(np.full(13, at.road[0]), way, np.full(13, at.sense[0]))
        if (self.passed(along) < LEAST_PASSES).any():
            return math.nan, math.nan
        share = np.array([0.5, *[1.0] * 11, 0.5]) / 12
        mean, covariance = self.slope(Located(along.road[None], along.way_m[None], along.sense[None]), share)
        return float(mean[0]), math.sqrt(float(covariance[0, 0]))


# --- learning -----------------------------------------------------------------------------------------------------


class _Piece(NamedTuple):
    """Steps of a pass on one road: rise, length and middle of each (n,), and the times of all ends (n + 1)."""

    rise_m: Floats
    step_m: Floats
    middle: Located
    t_s: Floats


class _Group(NamedTuple):
    """Pieces of about one length, filled up to `n` steps: which steps are there, their rises (p, n), and how far apart
    in time the ends of any two are (p, n + 1, n + 1)."""

    pieces: list[_Piece]
    there: Bools
    rise_m: Floats
    lag_s: Floats


class _Kernel(NamedTuple):
    """For one length of hills and slopes of size 1: what makes white coefficients of the knots (m, w), and what these
    do to the steps of each group (p, n, w)."""

    whitens: Floats
    acts: list[Floats]


def learn(passes: Sequence[Pass]) -> LearnedRoad | None:
    """What passes over roads tell of their slopes; None where no place was passed `LEAST_PASSES` times.

    Of very many the last are taken.
    """
    passes = [each for each in passes if len(each)]
    if not passes:
        return None
    roads = Roads((float(np.median(passes[0].lat_deg)), float(np.median(passes[0].lon_deg))))
    taken = [(each, at, where) for each in passes for at, where in roads.take(each)]
    passed = _count(roads, taken)
    often = passed >= LEAST_PASSES
    pieces = [piece for each, at, where in taken for piece in _pieces(each, at, where, roads, often)][-MOST_PIECES:]
    if not pieces:
        return None
    chosen = _knots(roads, pieces)
    passed = np.where((roads.points[:, None, :2] == chosen[None, :, :2]).all(axis=2).any(axis=1), passed, 0)
    knots = Located(chosen[:, 0].astype(np.int64), chosen[:, 1], np.ones(len(chosen)))
    groups = _groups(pieces)
    kernels = {hills_m: _kernel(knots, groups, hills_m) for hills_m in HILLS_M}
    heights = {hills_m: _heights_by(groups, kernel) for hills_m, kernel in kernels.items()}
    start = np.array([math.log(PRIORS[name].about) for name in _NAMES])
    modes = []
    for hills_m in HILLS_M:
        modes.append((hills_m, *_climb(heights[hills_m], start)))
        start = modes[0][2]
    most = max(height for _, height, _, _ in modes)
    points = []
    for hills_m, height, mode, bends in modes:
        for theta in _around(mode, bends) if height > most - 4.0 else []:
            points.append((hills_m, theta, *_posterior(heights[hills_m], theta)))
    weights = np.exp([log - max(each[2] for each in points) for _, _, log, _, _ in points])
    weights /= weights.sum()
    told = [
        _At(float(w), hills_m, math.exp(theta[3]), kernels[hills_m].whitens, mean, covariance)
        for w, (hills_m, theta, _, mean, covariance) in zip(weights, points, strict=True)
        if w > 1e-3
    ]
    return LearnedRoad(roads, passed, knots, told, max(modes, key=lambda each: each[1])[2])


def _alike(at: Located, other: Located, hills_m: float) -> Floats:
    """Covariance of slopes of size 1 at places (n, m)."""
    same = (at.road[:, None] == other.road[None, :]) * np.outer(at.sense, other.sense)
    return np.asarray(slope_correlation(at.way_m[:, None] - other.way_m[None, :], hills_m) * same)


def slope_correlation(away_m: Floats, hills_m: float) -> Floats:
    """How much alike slopes are at places so far apart (any shape), of hills of this length: Matern 3/2 (C. E.
    Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning", 2006, equation 4.17)."""
    lengths = np.abs(away_m) * (math.sqrt(3) / hills_m)
    return np.asarray((1 + lengths) * np.exp(-lengths), float)


def _count(roads: Roads, taken: Sequence[tuple[Pass, NDArray[np.intp], Located]]) -> Whole:
    """How often each point of the roads was passed. Each stretch counts half a step beyond its ends, but where the same
    pass goes on in its next piece: there it is one pass all the same."""
    count = np.zeros(len(roads.points), np.int64)
    ends = [(id(each), where.road[0], each.t_s[at[0]], each.t_s[at[-1]]) for each, at, where in taken]
    begun, gone = {end[:3] for end in ends}, {(*end[:2], end[3]) for end in ends}
    for (_, _, where), (one, road, first_s, last_s) in zip(taken, ends, strict=True):
        first, last = where.way_m[0], where.way_m[-1]
        onward = math.copysign(0.5 * STEP_M, last - first)
        first -= onward * ((one, road, first_s) not in gone)
        last += onward * ((one, road, last_s) not in begun)
        low, high = min(first, last), max(first, last)
        inside = (roads.points[:, 1] >= low) & (roads.points[:, 1] <= high)
        count += inside & (roads.points[:, 0] == road)
    return count


def _pieces(each: Pass, at: NDArray[np.intp], where: Located, roads: Roads, often: NDArray[np.bool_]) -> list[_Piece]:
    """The steps of a stretch where its road was passed often enough."""
    mine = roads.points[:, 0] == where.road[0]
    nearest = np.abs(roads.points[mine, 1][None, :] - where.way_m[:, None]).argmin(axis=1)
    out = []
    for first, last in stretches(often[mine][nearest]):
        if last - first < _LEAST_STEPS:
            continue
        here = slice(first, last + 1)
        way, z = where.way_m[here], each.alt_m[at[here]]
        middle = Located(where.road[first:last], 0.5 * (way[1:] + way[:-1]), where.sense[first:last])
        out.append(_Piece(np.diff(z), np.diff(each.way_m[at[here]]), middle, each.t_s[at[here]]))
    return out


def _knots(roads: Roads, pieces: Sequence[_Piece]) -> Floats:
    """The points of the roads that the pieces took; of very many the last."""
    wanted = np.zeros(len(roads.points), bool)
    for each in pieces:
        way = each.middle.way_m
        inside = (roads.points[:, 1] > way.min() - STEP_M) & (roads.points[:, 1] < way.max() + STEP_M)
        wanted |= inside & (roads.points[:, 0] == each.middle.road[0])
    return np.asarray(roads.points[wanted][-MOST_KNOTS:])


def _groups(pieces: Sequence[_Piece]) -> list[_Group]:
    """Pieces by their length, so that many are worked out at once."""
    out = []
    for least, most in itertools.pairwise((0, *_LENGTHS)):
        mine = [each for each in pieces if least < len(each.rise_m) <= most]
        if not mine:
            continue
        n = max(len(each.rise_m) for each in mine)
        there = np.arange(n) < np.array([len(each.rise_m) for each in mine])[:, None]
        rise, when = np.zeros((len(mine), n)), np.zeros((len(mine), n + 1))
        for k, each in enumerate(mine):
            rise[k, : len(each.rise_m)], when[k, : len(each.t_s)] = each.rise_m, each.t_s
        out.append(_Group(mine, there, rise, np.abs(when[:, :, None] - when[:, None, :])))
    return out


def _kernel(knots: Located, groups: Sequence[_Group], hills_m: float) -> _Kernel:
    size, shape = np.linalg.eigh(_alike(knots, knots, hills_m))
    # Ripples too short for the knots are left to what is not known between them: they cost time and tell nothing.
    kept = np.cumsum(size) > _RIPPLES * size.sum()
    whitens = shape[:, kept] / np.sqrt(size[kept])
    acts = []
    for group in groups:
        filled = np.zeros((*group.there.shape, whitens.shape[1]))
        for k, each in enumerate(group.pieces):
            filled[k, : len(each.rise_m)] = _alike(each.middle, knots, hills_m) @ whitens * each.step_m[:, None]
        acts.append(filled)
    return _Kernel(whitens, acts)


def _noise(group: _Group, logs: Sequence[float]) -> Floats:
    """Covariance of the rises by wander and noise (p, n, n); of steps that are not there, that of white ones."""
    size, time, noise = np.exp(logs)
    of_heights = size**2 * np.exp(-group.lag_s / time) + noise**2 * np.eye(group.lag_s.shape[1])
    there = group.there[:, :, None] & group.there[:, None, :]
    rises = np.where(there, np.diff(np.diff(of_heights, axis=1), axis=2), 0.0)
    return np.asarray(rises + np.eye(group.there.shape[1]) * ~group.there[:, :, None])


class _Felt(NamedTuple):
    """What heights say for one wander and noise: their log likelihood if all slopes were zero, and what they know of
    the white coefficients of slopes of size 1: information (w, w) and how it pulls (w)."""

    log: float
    information: Floats
    pulled: Floats


_Heights = Callable[[Floats], _Felt]


def _heights_by(groups: Sequence[_Group], kernel: _Kernel) -> _Heights:
    """What heights say, by wander, noise and slopes; the last is kept: slopes of another size change none of it."""

    @functools.lru_cache(maxsize=1)
    def felt(*wander_and_noise: float) -> _Felt:
        width = kernel.whitens.shape[1]
        log, information, pulled = 0.0, np.zeros((width, width)), np.zeros(width)
        for group, acts in zip(groups, kernel.acts, strict=True):
            root = np.asarray(np.linalg.cholesky(_noise(group, wander_and_noise)), float)
            whiten = _inverses(root)
            slopes = (whiten @ acts).reshape(-1, acts.shape[2])
            rises = (whiten @ group.rise_m[:, :, None]).ravel()
            information += slopes.T @ slopes
            pulled += slopes.T @ rises
            log -= float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum()) + 0.5 * float(rises @ rises)
        return _Felt(log, information, pulled)

    return lambda theta: felt(*theta[:3].tolist())


def _inverses(roots: Floats) -> Floats:
    """Of lower triangles (p, n, n): a fifth of the work that any matrices are."""
    from scipy.linalg.lapack import dtrtri

    return np.stack([dtrtri(root.T)[0].T for root in roots])


def _height(heights: _Heights, theta: Floats) -> tuple[float, Floats, Floats]:
    """Log posterior of wander and hills up to a constant; the root of the information on the white coefficients, and
    their mean."""
    from scipy.linalg.lapack import dposv

    felt, slope = heights(theta), math.exp(theta[3])
    root, mean, failed = dposv(np.eye(len(felt.pulled)) + slope**2 * felt.information, slope * felt.pulled, lower=1)
    if failed:
        raise np.linalg.LinAlgError("what heights say of slopes is not positive definite")
    log = felt.log + 0.5 * slope * float(felt.pulled @ mean) - float(np.log(np.diagonal(root)).sum())
    for value, prior in zip(theta, PRIORS.values(), strict=True):
        log -= 0.5 * ((value - math.log(prior.about)) / prior.spread) ** 2
    return log, root, mean


def _posterior(heights: _Heights, theta: Floats) -> tuple[float, Floats, Floats]:
    """Log posterior of wander and hills up to a constant; mean and covariance of the white coefficients."""
    from scipy.linalg.lapack import dpotri

    log, root, mean = _height(heights, theta)
    half, _ = dpotri(root, lower=1)
    return log, mean, np.tril(half) + np.tril(half, -1).T


def _climb(heights: _Heights, start: Floats) -> tuple[float, Floats, Floats]:
    """The height of the log posterior at its mode, the mode, and the curvature along each axis, by differences."""
    least: Floats = 0.5 * np.array([prior.spread for prior in PRIORS.values()], np.float64) ** -2
    step = 0.15

    def height(theta: Floats) -> float:
        return _height(heights, theta)[0]

    theta, value = start.copy(), height(start)
    bends = least
    for _ in range(12):
        # The slope's axis comes first: what heights say at `theta` is still there.
        axes = np.eye(len(theta))[::-1]
        ups, downs = np.array([[height(theta + side * step * e) for side in (1, -1)] for e in axes])[::-1].T
        bends = np.maximum((2 * value - ups - downs) / step**2, least)
        move = np.clip((ups - downs) / (2 * step) / bends, -1.0, 1.0)
        for _ in range(6):
            trial = height(theta + move)
            if trial >= value:
                break
            move = move / 2
        else:
            break
        gained, theta, value = trial - value, theta + move, trial
        if gained < 0.02:
            break
    return value, np.asarray(theta), np.asarray(bends)


def _around(mode: Floats, bends: Floats) -> list[Floats]:
    """A mode, and points to both sides of it along each axis, the slope's first."""
    size = _WIDER / np.sqrt(bends)
    axes = list(enumerate(np.eye(len(mode))))[::-1]
    return [mode, *(mode + side * size[k] * e for k, e in axes for side in (1, -1))]
