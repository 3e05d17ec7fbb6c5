"""Pulls of a season as they enter the model of power: which drive, outing, leg and setup each belongs to.

rows, of = rows_of_pulls(pulls, setups)      # bands of all pulls as `power_model.PullRows`
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.arrays import Floats
from analysis.changes.observations import alike
from analysis.changes.power_model import Ids, PullRows
from analysis.conditions.setups import Parts
from analysis.motion.geodesy import MEAN_RADIUS_M, plane
from analysis.road.slopes import LEAST_PASSES, LearnedRoad, Located
from analysis.runs.pulls import BAND_MPS, NODE_WEIGHTS, NODES, PowerPull


@dataclass(frozen=True)
class SeasonPull:
    """One pull of a season.

    Attributes
    ----------
    label : str
        How the owner finds it: DRIVE:RUN of a start, DRIVE:pN of the Nth pull of a drive that is none.
    drive, setup, parts, outing
        As in `observations.Observation`; drives of one day share an outing.
    pull : PowerPull
        What it tells.
    trusted : bool
        It belongs to a standing run that counts, so to a full pull.
    factor : float
        Correction of the day's air to standard air [-]; NaN without weather.
    tags, near_tags : tuple of str
        What its run is tagged with. A rolling pull bears the tags that the runs before and after it share, and is near
        those of either.
    start_s : float
        UTC, seconds since 1970.
    """

    label: str
    drive: str
    setup: str
    parts: Parts | None
    outing: int
    pull: PowerPull
    trusted: bool = False
    factor: float = math.nan
    tags: tuple[str, ...] = ()
    near_tags: tuple[str, ...] = ()

    @property
    def start_s(self) -> float:
        """UTC, seconds since 1970."""
        return self.pull.start_utc_ns * 1e-9

    @property
    def rolling(self) -> bool:
        """Whether it is no part of a standing run."""
        return self.pull.run == 0


@dataclass(frozen=True)
class RunSeen:
    """A standing run of a drive, whether it counts or not: when it began [s since 1970], its tags."""

    label: str
    start_s: float
    tags: tuple[str, ...] = ()
    counts: bool = True
    slow: bool = False
    """Out as one at part throttle: what it pulled after its foot went down may be full all the same."""
    struck: bool = False


_LEAST_TAGGED = 2
_WITHIN_S = 60.0
"""How long after the start of a run that the owner struck out a pull is part of it."""


def entering(pulls: Sequence[SeasonPull], runs: Mapping[str, Sequence[RunSeen]]) -> list[SeasonPull]:
    """The pulls that may be full ones: those of the runs that count, and rolling ones at whatever throttle.

    `runs` are all standing runs of each drive. Pulls of a run at part throttle enter as rolling ones: `full_power` asks
    them. Those of runs that cannot have been as measured or that the owner struck out do not enter.
    """
    out = []
    for each in pulls:
        seen = sorted(runs.get(each.drive, ()), key=lambda run: run.start_s)
        mine = next((run for run in seen if run.label == each.label), None)
        if not each.rolling and mine is not None and mine.counts:
            out.append(replace(each, trusted=True, tags=mine.tags, near_tags=mine.tags))
        elif each.rolling or (mine is not None and mine.slow):
            before = [run for run in seen if run.start_s <= each.start_s + 0.5]
            if before and before[-1].struck and each.start_s - before[-1].start_s < _WITHIN_S:
                continue
            after = seen[len(before) : len(before) + 1]
            beside = [set(run.tags) for run in [*before[-1:], *after]]
            sure, near = (set.intersection(*beside), set.union(*beside)) if beside else (set(), set())
            pull = each if each.rolling else replace(
                each, label=f"{each.drive}:p{each.pull.n}", pull=replace(each.pull, run=0)
            )  # fmt: skip
            out.append(replace(pull, trusted=False, tags=tuple(sorted(sure)), near_tags=tuple(sorted(near))))
    return out


def legs(pulls: Sequence[SeasonPull]) -> Ids:
    """The leg of each pull, numbered over the season: a stretch of an outing with one set of parts."""
    out = np.zeros(len(pulls), np.int64)
    leg, before = -1, None
    for i in sorted(range(len(pulls)), key=lambda k: (pulls[k].outing, pulls[k].start_s)):
        pull = pulls[i]
        if before is None or pull.outing != before.outing or not alike(pull.parts, before.parts):
            leg += 1
        out[i], before = leg, pull
    return out


def usual_power(pulls: Sequence[SeasonPull]) -> tuple[Floats, Floats]:
    """ln of the usual full power [W/kg] by ln of speed [m/s]: points, rising, to interpolate between.

    The median of the trusted pulls in each band; where none crossed it, the upper quartile of the others.
    """
    of = np.concatenate([np.asarray(each.pull.band, np.int64) for each in pulls])
    power = np.concatenate([each.pull.log_power for each in pulls])
    trusted = np.repeat([each.trusted for each in pulls], [len(each.pull.band) for each in pulls])
    x, y = [], []
    for band in np.unique(of):
        told, sure = power[of == band], power[(of == band) & trusted]
        y.append(float(np.median(sure)) if len(sure) else float(np.quantile(told, 0.75)))
        x.append(math.log((band + 0.5) * BAND_MPS))
    return np.array(x), np.array(y)


def rows_of_pulls(
    pulls: Sequence[SeasonPull], setups: Ids, usual: tuple[Floats, Floats] | None = None, corrected: bool = False
) -> tuple[PullRows, Ids]:
    """Bands of pulls as rows, and which pull each row is of.

    Parameters
    ----------
    setups : (pulls,) array of int
        Which setup, or side, each pull counts to.
    usual : (ln speed, ln power), optional
        What power is told against; by default that of these pulls (`usual_power`).
    corrected : bool
        Power brought to standard air by each pull's factor.
    """
    usual = usual or usual_power(pulls)
    of = np.concatenate([np.full(len(each.pull.band), i) for i, each in enumerate(pulls)]).astype(np.int64)

    def joined(name: str) -> Floats:
        return np.concatenate([np.asarray(getattr(each.pull, name), float) for each in pulls])

    speed = joined("speed_mps")
    factors = np.array([each.factor if corrected else 1.0 for each in pulls])[of]
    relative = np.exp(joined("log_power") - np.interp(np.log(speed), *usual))
    noise = np.zeros((len(of), len(of)))
    at = 0
    for each in pulls:
        k = len(each.pull.band)
        noise[at : at + k, at : at + k] = each.pull.covariance
        at += k
    noise *= np.outer(relative * factors, relative * factors)
    band = joined("band").astype(np.int64)
    lat, lon = joined("lat_deg"), joined("lon_deg")
    placed = np.isfinite(lat) & np.isfinite(lon)
    east, north = np.full(len(of), math.nan), np.full(len(of), math.nan)
    if placed.any():
        origin = float(np.median(lat[placed])), float(np.median(lon[placed]))
        east, north = plane(lat, lon, origin)
    begun = np.array([each.start_s - each.pull.start_s for each in pulls])
    rows = PullRows(
        y=relative * factors - 1,
        noise=noise,
        band=band,
        setup=np.asarray(setups, np.int64)[of],
        outing=np.array([each.outing for each in pulls], np.int64)[of],
        leg=legs(pulls)[of],
        run=_runs(pulls)[of],
        rolling=np.array([each.rolling for each in pulls])[of],
        time_s=joined("time_s") + (begun - begun.min())[of],
        seconds=joined("seconds"),
        offset=np.log(speed / ((band + 0.5) * BAND_MPS)),
        slope_gain=joined("slope_gain") * relative * factors,
        wind_gain=joined("wind_gain") * relative * factors,
        east_m=east,
        north_m=north,
        heading_deg=joined("heading_deg"),
        way_m=joined("way_m"),
        tags=_tagged(pulls, setups)[of],
    )
    return rows, of


def with_learned_slopes(
    rows: PullRows, pulls: Sequence[SeasonPull], road: LearnedRoad
) -> tuple[PullRows, float, tuple[int, int]]:
    """The rows with what the slopes of their roads take off put back, and the slopes' doubt in their noise; the share
    of rows of which that is known, and from how many passes at the least and at the most. The others are left as they
    are."""
    lat, lon, heading, half = (
        np.concatenate([getattr(each.pull, name) for each in pulls])[:, None] * scale
        for name, scale in (("lat_deg", 1.0), ("lon_deg", 1.0), ("heading_deg", 1.0), ("way_m", 0.5))
    )
    turn = np.radians(heading)
    away = np.degrees(half * NODES / MEAN_RADIUS_M)
    north, east = lat + away * np.cos(turn), lon + away * np.sin(turn) / np.cos(np.radians(lat))
    at = road.roads.locate(north, east, np.broadcast_to(heading, north.shape))
    passed = road.passed(at).min(axis=1)
    known = passed >= LEAST_PASSES
    mean, covariance = np.zeros(len(rows)), np.zeros((len(rows), len(rows)))
    if known.any():
        told = road.slope(Located(at.road[known], at.way_m[known], at.sense[known]), NODE_WEIGHTS)
        mean[known], covariance[np.ix_(known, known)] = told
    gain = rows.slope_gain
    corrected = replace(
        rows, y=rows.y + gain * mean, noise=rows.noise + np.outer(gain, gain) * covariance,
        slope_gain=np.where(known, 0.0, gain),
    )  # fmt: skip
    counts = (int(passed[known].min()), int(passed[known].max())) if known.any() else (0, 0)
    return corrected, float(known.mean()), counts


def _tagged(pulls: Sequence[SeasonPull], setups: Ids) -> Floats:
    """Which pull bears which of the tags that part the pulls of a setup (pulls, tags); see `PullRows.tags`.

    A tag that all pulls of a setup bear, or none, cannot be told from the setup.
    """
    columns = []
    for tag in sorted({tag for each in pulls for tag in each.near_tags}):
        sure = np.array([tag in each.tags for each in pulls])
        near = np.array([tag in each.near_tags for each in pulls])
        of = [setups == setup for setup in np.unique(setups)]
        if any(min(np.sum(mine & sure), np.sum(mine & ~near)) >= _LEAST_TAGGED for mine in of):
            columns.append(0.5 * sure + 0.5 * near)
    return np.column_stack(columns) if columns else np.zeros((len(pulls), 0))


def _runs(pulls: Sequence[SeasonPull]) -> Ids:
    """One number for each run: pulls of one standing run, parted by a gear change, share it."""
    seen: dict[tuple[str, int, int], int] = {}
    return np.array(
        [
            seen.setdefault((each.drive, each.pull.run, 0 if each.pull.run else each.pull.n), len(seen))
            for each in pulls
        ],
        np.int64,
    )
