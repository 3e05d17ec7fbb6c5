"""Coasts: rolling in neutral. What one is, and how coasts are found in a drive.

    found = find(motion, fixes, mass)             # the coasts of one drive, and what was left out, with the reason

`coastdown.fit` makes a road load of the coasts of all drives together.

References
----------
[1] 40 CFR 1066.301 and 1066.310: coastdown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from analysis.arrays import Codes, Floats, most_between
from analysis.conditions.roadload import AIR_KG_PER_M3, GRAVITY, ROTATING_SHARE
from analysis.conditions.weather import headwind
from analysis.motion.geodesy import plane
from analysis.wording import speed_words

if TYPE_CHECKING:
    from analysis.motion.fixes import Fixes
    from analysis.motion.smoother import Motion


MIN_SPEED_MPS = 3.0
"""Below this a coast is cut: rolling changes near rest, and so does what receivers report."""
_PIECE = 1024
"""So many readings share running sums."""
MIN_SECONDS = 8.0
MIN_DROP_MPS = 3.0
"""A shorter or smaller loss of speed tells too little to be a coast."""
IN_GEAR_COEFFICIENT = 0.04
"""Rolling coefficient, drag taken off, above which a retardation is taken for the engine's or the brake's."""


@dataclass(frozen=True)
class Mass:
    """What moves. All in kg; sigmas are standard errors. `rotating_kg` is what rotating parts add, felt at the rim."""

    mass_kg: float
    mass_sigma_kg: float
    rotating_kg: float
    rotating_sigma_kg: float

    @classmethod
    def of(cls, mass_kg: float, mass_sigma_kg: float | None = None, rotating_kg: float | None = None) -> Mass:
        """Fill in what the car's file does not say: mass to 2 %, rotating mass 4 % of it; that is off by a quarter
        where stated and by 40 % where not (common practice, no source)."""
        sigma = 0.02 * mass_kg if mass_sigma_kg is None else mass_sigma_kg
        rotating = ROTATING_SHARE * mass_kg if rotating_kg is None else rotating_kg
        return cls(mass_kg, sigma, rotating, (0.4 if rotating_kg is None else 0.25) * rotating)

    @property
    def inertia_kg(self) -> float:
        return self.mass_kg + self.rotating_kg

    @property
    def inertia_sigma_kg(self) -> float:
        return math.hypot(self.mass_sigma_kg, self.rotating_sigma_kg)


@dataclass(frozen=True)
class Coast:
    """One coast: speed readings in neutral.

    Attributes
    ----------
    t_s, v_mps : array
        Times and speed readings as the receiver gave them [s, m/s].
    direction_deg : float
        True course, the mean [deg].
    east_m, north_m : float
        Where it began, from any origin that all coasts share [m].
    alt_m : array
        Altitude at the readings [m]; NaN where not said.
    density_kg_per_m3 : float
        Air density [kg/m3].
    headwind_mps : float
        The stated wind against the car [m/s]; 0 where none was stated.
    outing : str
        Coasts with the same word share a wind.
    start_utc_ns : int
        When it began [ns since 1970].
    marked : bool
        Whether a note named it.
    lat_deg, lon_deg : array
        Places of the readings [deg]; NaN where not said.
    """

    t_s: Floats
    v_mps: Floats
    direction_deg: float
    east_m: float = 0.0
    north_m: float = 0.0
    alt_m: Floats = field(default_factory=lambda: np.empty(0))
    density_kg_per_m3: float = AIR_KG_PER_M3
    headwind_mps: float = 0.0
    outing: str = ""
    start_utc_ns: int = 0
    marked: bool = False
    lat_deg: Floats = field(default_factory=lambda: np.empty(0))
    lon_deg: Floats = field(default_factory=lambda: np.empty(0))

    @property
    def from_mps(self) -> float:
        return float(self.smooth_mps[0])

    @property
    def to_mps(self) -> float:
        return float(self.smooth_mps[-1])

    @property
    def seconds(self) -> float:
        return float(self.t_s[-1] - self.t_s[0])

    @cached_property
    def smooth_mps(self) -> Floats:
        """The readings through a polynomial of the fifth degree [m/s]."""
        return self.smooth_at(self.t_s)

    def smooth_at(self, t_s: Floats) -> Floats:
        """The same at other times [m/s].

        Parameters
        ----------
        t_s : array, any shape
            Times on the axis of the coast's own `t_s` [s]; outside of it the polynomial goes astray.
        """
        legendre = np.polynomial.legendre
        x, at = (2 * (t - self.t_s[0]) / max(self.seconds, 1e-9) - 1 for t in (self.t_s, t_s))
        return np.asarray(legendre.legval(at, legendre.legfit(x, self.v_mps, min(5, len(x) // 4))))

    @cached_property
    def way_m(self) -> Floats:
        """Way from its start [m]."""
        return integral(self.smooth_mps, self.t_s)


@dataclass(frozen=True)
class RejectedCoast:
    """A stretch of falling speed that was not used, and why."""

    start_utc_ns: int
    from_mps: float
    to_mps: float
    why: str


@dataclass(frozen=True)
class CoastsFound:
    """The coasts of a drive, and what looked like one and was left out."""

    coasts: list[Coast]
    left_out: list[RejectedCoast]
    origin_deg: tuple[float, float]
    """Latitude and longitude that places count from [deg]; NaN without positions."""


# --- integrals ----------------------------------------------------------------------------------------------------


def integral(y: Floats, t: Floats) -> Floats:
    """Running integral from the first point, of the cubics through the values and slopes.

    Parameters
    ----------
    y, t : array, shape (n,)
        Values at rising times; a NaN makes what follows it NaN.

    Returns
    -------
    array, shape (n,)
        In the unit of `y` times that of `t`; 0 first.
    """
    if len(y) < 3:
        return trapezoids(y, t)
    bend = np.diff(t) ** 2 / 12 * np.diff(np.gradient(y, t, edge_order=2))
    return np.asarray(trapezoids(y, t) - np.concatenate([[0.0], np.cumsum(bend)]))


def trapezoids(y: Floats, t: Floats) -> Floats:
    """Running integral from the first point by the trapezoidal rule.

    Parameters
    ----------
    y, t : array, shape (n,)
        Values at rising times; a NaN makes what follows it NaN.

    Returns
    -------
    array, shape (n,)
        In the unit of `y` times that of `t`; 0 first.
    """
    sums = np.zeros(len(y))
    np.cumsum(0.5 * (y[1:] + y[:-1]) * np.diff(t), out=sums[1:])
    return sums


# --- finding ------------------------------------------------------------------------------------------------------


def find(
    motion: Motion,
    fixes: Fixes,
    mass: Mass,
    *,
    drag_area_m2: float | None = None,
    notes: Sequence[tuple[int, str]] = (),
    engine_speed: tuple[Floats, Floats] | None = None,
    density_kg_per_m3: float = AIR_KG_PER_M3,
    wind: tuple[float, float] | None = None,
    outing: str = "",
    origin_deg: tuple[float, float] | None = None,
) -> CoastsFound:
    """Find the coasts of a drive: speed that falls steadily, with no step in the retardation, over enough speed.

    Where notes of the drive say "coast", only what falls near such a note (20 s before to 5 s after its start, or
    while it lasts) is taken. An overrun in gear holds the car back like a coast does but harder. It is told apart by
    engine speed that falls with road speed, where that is recorded; else by a retardation that no tyre gives
    (`IN_GEAR_COEFFICIENT` after the drag of the car's file), which leaves a mild engine brake unseen: the assumption
    is that the clutch was open, and a note is the surer way.

    Parameters
    ----------
    motion, fixes
        The smoothed motion and the clean fixes that it was made of.
    drag_area_m2 : float, optional
        Guess of the drag area [m2]; by default 0.0012 m2 for each kg of mass.
    notes : sequence of (utc_ns, text)
        Notes made during the drive.
    engine_speed : (t_s, turns a minute), optional
        Recorded engine speed on the fixes' axis.
    wind : (speed_mps, from_deg), optional
        The wind stated for the drive.
    origin_deg : (latitude, longitude), optional
        What places count from: the `CoastsFound.origin_deg` of another drive, so that both share stretches of road.
    """
    coasts, left_out = [], []
    told = [(utc - motion.epoch_utc_ns) * 1e-9 for utc, text in notes if "coast" in text.lower()]
    drag = 0.0012 * mass.mass_kg if drag_area_m2 is None else drag_area_m2
    origin_deg = origin_deg or _middle(fixes)
    east, north = _placed(fixes, origin_deg)
    for first, last in _falling(motion):
        t, v = motion.t_s[first : last + 1], motion.reading_mps[first : last + 1]
        start_ns = motion.epoch_utc_ns + round(t[0] * 1e9)
        marked = any(t[0] - 20 <= at <= max(t[0] + 5, float(t[-1])) for at in told)
        course = _mean_course(fixes.course_deg[first : last + 1])
        head = 0.0
        if wind is not None and math.isfinite(course):
            head = headwind(*wind, course)
        coast = Coast(
            t - t[0], v, course, float(east[first]), float(north[first]), fixes.alt_m[first : last + 1],
            density_kg_per_m3, head, outing, start_ns, marked, fixes.lat_deg[first : last + 1],
            fixes.lon_deg[first : last + 1],
        )  # fmt: skip
        if coast.seconds < 4 or coast.from_mps - coast.to_mps > 1.2 * coast.seconds:
            continue  # plainly the brake, or nothing
        why = _no_coast(coast, fixes.course_deg[first : last + 1], mass, drag, t[0], engine_speed)
        if told and not marked:
            why = "no note marks it as a coast"
        if why:
            left_out.append(RejectedCoast(start_ns, coast.from_mps, coast.to_mps, why))
        else:
            coasts.append(coast)
    return CoastsFound(coasts, left_out, origin_deg)


def _falling(motion: Motion) -> list[tuple[int, int]]:
    """First and last fix of each stretch in which speed falls with no step in its rate, its ends trimmed."""
    t, v, step_s = motion.t_s, motion.reading_mps, motion.step_s
    noise = max(motion.noise.reading_sigma_mps, 1e-3)
    # Wide enough that the difference of two slopes is known to 0.035 m/s2.
    width = max(1.5, 2.5 * step_s, (24 * step_s * (noise / 0.035) ** 2) ** (1 / 3))
    before, after = _slopes(t, v, width)
    falling = (motion.speed_mps > MIN_SPEED_MPS) & (np.fmin(before, after) < -0.02) & (np.fmax(before, after) < 0.1)
    gap = np.diff(t, prepend=t[0]) > max(3.0, 4 * step_s)
    stepped = np.abs(after - before)
    edge = np.zeros(len(t), bool)
    steep = np.flatnonzero(stepped > 0.15)
    edge[steep] = stepped[steep] >= _most_near(t, np.where(np.isnan(stepped), -np.inf, stepped), steep, width / 2)
    stretches = []
    cuts = np.concatenate([[-1], np.flatnonzero(~falling | gap | edge), [len(t)]])
    long = np.flatnonzero(np.diff(cuts) > 8)
    for start, end in zip(cuts[long].tolist(), cuts[long + 1].tolist(), strict=True):
        inside = np.arange(start + 1, end)
        # The clutch, and the window that found the step, need a moment at either end.
        keep = inside[(t[inside] >= t[inside[0]] + 0.7) & (t[inside] <= t[inside[-1]] - 0.7)]
        if len(keep) >= 8 and v[keep[0]] - v[keep[-1]] > MIN_DROP_MPS / 2:
            stretches.append((int(keep[0]), int(keep[-1])))
    return stretches


def _most_near(t: Floats, x: Floats, at: Codes, within_s: float) -> Floats:
    """The largest x no further than that from each of some readings, of no more than 200 either side of it."""
    wide = within_s + 1e-9  # times are rounded: their difference decides
    first = np.maximum(np.searchsorted(t, t[at] - wide), at - 200)
    first += np.abs(t[first] - t[at]) > within_s
    last = np.minimum(np.searchsorted(t, t[at] + wide, side="right") - 1, at + 200)
    last -= np.abs(t[last] - t[at]) > within_s
    return most_between(x, first, last)


def _slopes(t: Floats, v: Floats, width: float) -> tuple[Floats, Floats]:
    """Slope of the line through the readings within `width` before, and after, each of them [m/s2]; NaN with < 3."""
    n = np.arange(len(t))
    windows = (np.searchsorted(t, t - width), n + 1), (n, np.searchsorted(t, t + width, side="right"))
    before, after = (np.full(len(t), np.nan) for _ in windows)
    for begin in range(0, len(t), _PIECE):  # running sums from afar would leave nothing of a window's small differences
        piece = slice(begin, begin + _PIECE)
        for (low, high), out in zip(windows, (before, after), strict=True):
            first, last = low[piece], high[piece]
            x, y = (z[first[0] : last[-1]] - z[begin] for z in (t, v))
            sums = [np.concatenate([[0.0], np.cumsum(part)]) for part in (np.ones_like(x), x, y, x * x, x * y)]
            count, sx, sy, sxx, sxy = (part[last - first[0]] - part[first - first[0]] for part in sums)
            with np.errstate(invalid="ignore", divide="ignore"):
                slope = (sxy - sx * sy / count) / (sxx - sx * sx / count)
            out[piece] = np.where(count >= 3, slope, np.nan)
    return before, after


def _no_coast(
    coast: Coast, course: Floats, mass: Mass, drag: float, start_s: float, engine_speed: tuple[Floats, Floats] | None
) -> str:
    """Why a stretch of falling speed is no coast to use; empty where it is one."""
    if coast.seconds < MIN_SECONDS:
        return f"too short: {coast.seconds:.0f} s; at least {MIN_SECONDS:.0f} s are needed"
    if coast.from_mps - coast.to_mps < MIN_DROP_MPS:
        return f"too little speed lost: {speed_words(coast.from_mps - coast.to_mps)}"
    turned = _turned(course)
    if turned > 25:
        return f"in a bend of {turned:.0f} degrees, where tyres drag more"
    if not math.isfinite(coast.direction_deg):
        return "its direction is not known, because the receiver gave no course"
    if engine_speed is not None:
        at = start_s + np.array([0.0, coast.seconds])
        if engine_speed[0][0] <= at[0] and at[1] <= engine_speed[0][-1]:
            turns = np.interp(at, *engine_speed)
            fell, slowed = turns[1] / max(turns[0], 1.0), coast.to_mps / coast.from_mps
            if fell < 0.5 * (1 + slowed):
                return "in gear (engine speed fell with road speed)"
            return ""
    x = coast.seconds
    force = mass.inertia_kg * (coast.from_mps - coast.to_mps) / x
    middle = (coast.from_mps + coast.to_mps) / 2
    rolling = (force - 0.5 * coast.density_kg_per_m3 * drag * middle**2) / (mass.mass_kg * GRAVITY)
    if rolling > IN_GEAR_COEFFICIENT and not coast.marked:
        return f"slowed by {force:.0f} N, more than tyres and air can; in gear or braked"
    return ""


def _turned(course: Floats) -> float:
    """By how much the course changed at most, single fixes aside [deg]."""
    known = course[np.isfinite(course)]
    if len(known) < 3:
        return 0.0
    unwrapped = np.unwrap(known, period=360)
    low, high = np.quantile(unwrapped, [0.03, 0.97])
    return float(high - low)


def _mean_course(course: Floats) -> float:
    known = np.radians(course[np.isfinite(course)])
    if len(known) < 3:
        return math.nan
    return math.degrees(math.atan2(np.sin(known).mean(), np.cos(known).mean())) % 360


def _placed(fixes: Fixes, origin_deg: tuple[float, float]) -> tuple[Floats, Floats]:
    """Metres east and north of the origin at each fix, straight across fixes without a position; zeros without any."""
    known = np.isfinite(fixes.lat_deg) & np.isfinite(fixes.lon_deg)
    if not known.any() or not math.isfinite(origin_deg[0]):
        return np.zeros(len(known)), np.zeros(len(known))
    every, at = np.arange(len(known)), np.flatnonzero(known)
    east, north = plane(fixes.lat_deg[known], fixes.lon_deg[known], origin_deg)
    return np.interp(every, at, east), np.interp(every, at, north)


def _middle(fixes: Fixes) -> tuple[float, float]:
    """The middle of the positions [deg]; NaN without any."""
    known = np.isfinite(fixes.lat_deg) & np.isfinite(fixes.lon_deg)
    if not known.any():
        return math.nan, math.nan
    return float(np.median(fixes.lat_deg[known])), float(np.median(fixes.lon_deg[known]))
