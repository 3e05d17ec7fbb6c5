"""Which positions leave the program: none in a private circle, none near the two ends of a drive.

    rules = in_force(store, drive)                            # circles of the whole store, ends of this drive
    fixes = cut(positions(drive), rules)                      # positions and courses that must not leave are NaN

What is cut is where the car was (latitude, longitude, height) and where it headed, since a course and a speed together
lead back to the door. Times and speeds stay. A drive keeps everything; only what is written for others is cut.

A circle holds for every drive of the store, also for those recorded before it was drawn: the circles of the store's
recorder.toml and of all drives' own copies are put together. The ends are counted in a straight line from the first and
to the last fix, so that a lap round the block stays hidden, and by the way driven, so that a receiver's wandering at
rest shows nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.arrays import Bools, Floats
from analysis.motion.geodesy import distance_m
from analysis.wording import short_way_words
from logger.config.recorder import Privacy, PrivateCircle
from logger.errors import InputError

if TYPE_CHECKING:
    from logger.store.drive import Drive


@dataclass(frozen=True)
class Rules:
    """What is cut: `circles`, and both ends of a drive over `ends_m` [m]."""

    circles: tuple[PrivateCircle, ...] = ()
    ends_m: float = 300.0

    def said(self) -> str:
        """In words, without a place."""
        circles = f"{len(self.circles)} private circle{'' if len(self.circles) == 1 else 's'}"
        ends = f"the first and last {short_way_words(self.ends_m)}" if self.ends_m > 0 else "no ends"
        return f"{ends} and {circles}"


@dataclass(frozen=True)
class Positions:
    """Where a drive was, one entry for each valid fix: times since `epoch_utc_ns` [s], degrees, metres, m/s."""

    t_s: Floats
    lat_deg: Floats
    lon_deg: Floats
    alt_m: Floats
    """Above mean sea level."""
    geoid_m: Floats
    """Mean sea level above the WGS 84 ellipsoid."""
    course_deg: Floats
    way_m: Floats
    """Driven since the first fix, from the receiver's speed."""
    speed_mps: Floats
    hidden: Bools
    """What `cut` took out."""
    epoch_utc_ns: int
    row: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    """Of the receiver's table."""


def in_force(
    store: Path, drives: Iterable[Drive], ends_m: float | None = None, all_drives: Iterable[Drive] | None = None
) -> Rules:
    """The rules for these drives: the circles of `store`'s recorder.toml, of every drive in it (`all_drives`, where
    they are open already) and of the drives themselves; the ends of the drives, the longest where they differ, or
    `ends_m` [m] where it is given. InputError where that is no length from 0 to 100 km, or the file cannot be read."""
    from logger.config.reading import load
    from logger.config.recorder import RecorderConfig
    from logger.store.drive import list_drives

    drives = list(drives)
    if ends_m is not None and not 0 <= ends_m <= 100_000:
        raise InputError(f"the ends cannot be {ends_m:g} m. Use 0 m to 100 km")
    known = [drive.config.privacy for drive in [*drives, *(list_drives(store) if all_drives is None else all_drives)]]
    if (store / "recorder.toml").is_file():
        known.append(load(store / "recorder.toml", RecorderConfig).privacy)
    circles = {circle.model_copy(update={"name": ""}): None for privacy in known for circle in privacy.circle}
    ends = max((drive.config.privacy.ends_m for drive in drives), default=Privacy().ends_m)
    return Rules(tuple(circles), ends if ends_m is None else ends_m)


def hidden(lat_deg: ArrayLike, lon_deg: ArrayLike, way_m: ArrayLike, rules: Rules) -> Bools:
    """Which positions of a drive must not leave: those in a circle, and both ends.

    An end reaches to where the car was first (or last) `rules.ends_m` away from it, both in a straight line and by the
    way driven.

    Parameters
    ----------
    lat_deg, lon_deg : array, shape (n,)
        Positions in order of time [deg]; NaN is no position and is not hidden.
    way_m : array, shape (n,)
        Way driven at each [m].

    Returns
    -------
    array of bool, shape (n,)
    """
    lat, lon, way = (np.asarray(values, float) for values in (lat_deg, lon_deg, way_m))
    out = in_circles(lat, lon, rules.circles)
    there = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon))
    if rules.ends_m <= 0 or len(there) == 0:
        return out
    for order in (there, there[::-1]):
        end = order[0]
        away = distance_m(lat[order], lon[order], lat[end], lon[end]) >= rules.ends_m
        away &= np.abs(way[order] - way[end]) >= rules.ends_m
        left = int(np.argmax(away)) if away.any() else len(order)
        out[order[:left]] = True
    return out


def in_circles(lat_deg: Floats, lon_deg: Floats, circles: Iterable[PrivateCircle]) -> Bools:
    """Which positions lie in one of the circles.

    Parameters
    ----------
    lat_deg, lon_deg : array, any shape
        Positions [deg]; NaN lies in none.

    Returns
    -------
    array of bool, that shape
    """
    out = np.zeros(np.shape(lat_deg), bool)
    with np.errstate(invalid="ignore"):
        for circle in circles:
            out |= distance_m(lat_deg, lon_deg, circle.lat_deg, circle.lon_deg) <= circle.radius_m
    return out


def tells_place(channel: str) -> bool:
    """Whether a recorded channel, by its name, tells where the car was, where it headed or how high: a board's own
    receiver may be recorded as lines of numbers."""
    return _PLACE.search(channel) is not None


_PLACE = re.compile(
    r"(^|_)(latitude|longitude|northing|easting|utm|altitude|elevation|course|heading)(_|$|\d)"
    r"|^(gps_?)?(lat|lon|lng|long|alt)(_?(deg|m|ft|e7))?\d*$"  # lat_g is an acceleration, alt_v an alternator's
)


def cut(where: Positions, rules: Rules) -> Positions:
    """The positions with those that must not leave, and the courses there, set to NaN."""
    away = where.hidden | hidden(where.lat_deg, where.lon_deg, where.way_m, rules)

    def blank(values: Floats) -> Floats:
        return np.where(away, np.nan, values)

    return replace(
        where, lat_deg=blank(where.lat_deg), lon_deg=blank(where.lon_deg), alt_m=blank(where.alt_m),
        geoid_m=blank(where.geoid_m), course_deg=blank(where.course_deg), hidden=away,
    )  # fmt: skip
