"""Coasts: rolling in neutral, from which the road load A + B v + C v^2 is measured.

    found = find(motion, fixes, ...)              # the coasts of one drive, and what was left out, with the reason
    measured = fit(found.coasts, mass)            # all coasts of all drives together

**Method.** A coasting car loses momentum to the road load. Integrated over time, from the start of a coast,

    (m + mr) (v0 - v(t)) = ∫ A + B v + C (ρ/ρref) (v ± w)^2 ± m g grade(s) dt                                   (1)

with mass m, rotating mass mr, way s, wind w along the road and signs by the direction of travel. The solution of (1) is
fitted to the recorded speeds by least squares, all coasts together: A, B, C shared, grade shared by the coasts over
one stretch of road, wind by those of one outing over it, a v0 for each coast. Nothing is differentiated, and way and
speed inside the integral are the solution's, not the readings'. Coasts in both directions make grade and wind (odd in
direction) nearly independent of A and C (even), which is why a direction alone cannot tell the one from the other. Air
density scales C from the day's to the reference.

**Roads sag.** A stretch that sags or humps in the middle acts alike on both directions: a car that always starts fast
at one end meets the same slopes at the same speeds whichever way it goes, and 0.3 m of sag in 800 m look like several
newtons of rolling and less drag. So the grade of a stretch is a cubic along it, whose changes are held to be small
(about `EVEN_SIGMA`, more or less as the coasts show) and to what the receiver's altitudes say; what the coasts do not
tell about them stays in the uncertainty of A and C. Coasts of different starts, or slow and fast coasts over the same
ground, do tell.

**Uncertainty.** Receiver noise is the smallest part; gusts last as long as a coast does. What makes coasts differ is
modelled as a gusting wind whose size and duration the coasts themselves tell (restricted maximum likelihood [4]), and
readings are weighed by the covariance that follows: a gust moves all later readings of its coast. To it come the road,
and the uncertainty of mass, rotating mass and density.

**Why B is 0 unless asked for.** Over the speeds of a coast B v is within a few percent a mix of A and C v^2: with it,
A and C lose most of their accuracy and the force they add up to hardly changes.

References
----------
[1] 40 CFR 1066.301, 1066.305 and 1066.310: coastdown, the force over a speed interval, both directions, wind.
[2] G. D. Thompson, "The Vehicle Road Load Problem - An Approach by Non-Linear Modeling", US EPA: the analytic coast.
[3] 40 CFR 86.529-98, figure F98-9: coefficients and coast times.
[4] H. D. Patterson, R. Thompson, "Recovery of inter-block information when block sizes are unequal", Biometrika 58
    (1971).
[5] B. Efron, "The Jackknife, the Bootstrap and Other Resampling Plans", SIAM 1982, ch. 3: for the interval method.
"""

from __future__ import annotations

import json
import math
import re
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.roadload import AIR_KG_PER_M3, GRAVITY, ROTATING_SHARE
from logger.config import CarConfig, ConfigError, load, parse
from logger.disk import Disk
from logger.units import MPS_PER_KMH, MPS_PER_MPH, NoAnswer

if TYPE_CHECKING:
    from analysis.motion import Fixes, Motion

Array = NDArray[np.float64]

MIN_SPEED_MPS = 3.0
"""Below this a coast is cut: rolling changes near rest, and so does what receivers report."""
MIN_SECONDS = 8.0
MIN_DROP_MPS = 3.0
"""A shorter or smaller loss of speed tells too little to be a coast."""
MIN_RANGE_MPS = 5.0
"""All coasts together must cover this much speed, or rolling and drag cannot be told apart."""
CALM_MPS = 2.7
"""Wind above which coasts are not to be trusted (40 CFR 1066.310 asks for less than about 6 mph)."""
WIND_PRIOR_MPS = 2.0
"""How far the wind along the road may be from what was stated, or from none."""
EVEN_SIGMA = 0.002
"""How much the slope of a stretch changes from its middle to its ends, as a standard deviation, unless the owner or the
coasts know better: 0.2 %, a level road (common practice, no source)."""
KNOWN_GRADE_SIGMA = 0.001
"""How far off a grade may be that the owner states: 0.1 %."""
GUST_MPS, GUST_S = 0.5, 10.0
"""Gusts to begin with: their size is found from the coasts, their duration too, held to this within a factor of 2."""
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
    """

    t_s: Array
    v_mps: Array
    direction_deg: float
    east_m: float = 0.0
    north_m: float = 0.0
    alt_m: Array = field(default_factory=lambda: np.empty(0))
    density_kg_per_m3: float = AIR_KG_PER_M3
    headwind_mps: float = 0.0
    outing: str = ""
    start_utc_ns: int = 0
    marked: bool = False

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
    def smooth_mps(self) -> Array:
        """The readings through a polynomial of the fifth degree [m/s]."""
        return self.smooth_at(self.t_s)

    def smooth_at(self, t_s: Array) -> Array:
        """The same at other times [m/s]."""
        legendre = np.polynomial.legendre
        x, at = (2 * (t - self.t_s[0]) / max(self.seconds, 1e-9) - 1 for t in (self.t_s, t_s))
        return np.asarray(legendre.legval(at, legendre.legfit(x, self.v_mps, min(5, len(x) // 4))))

    @cached_property
    def way_m(self) -> Array:
        """Way from its start [m]."""
        return integral(self.smooth_mps, self.t_s)


@dataclass(frozen=True)
class LeftOut:
    """A stretch of falling speed that was not used, and why."""

    start_utc_ns: int
    from_mps: float
    to_mps: float
    why: str


@dataclass(frozen=True)
class Found:
    """The coasts of a drive, and what looked like one and was left out."""

    coasts: list[Coast]
    left_out: list[LeftOut]
    origin_deg: tuple[float, float]
    """Latitude and longitude that places count from [deg]; NaN without positions."""


@dataclass(frozen=True)
class Stretch:
    """A piece of road that coasts shared.

    grade is rise over run towards `axis_deg` in its middle [-]; wind blows against travel towards `axis_deg` [m/s],
    by outing, with its standard error.
    """

    axis_deg: float
    length_m: float
    forward: int
    backward: int
    grade: float
    grade_sigma: float
    wind_mps: dict[str, tuple[float, float]]
    sag_m: float
    """How much lower its middle lies than its ends, as fitted [m], and the standard error."""
    sag_sigma_m: float


@dataclass(frozen=True)
class Interval:
    """The interval method's force at one speed: the mean of both directions, and its standard error [m/s, N]."""

    speed_mps: float
    force_n: float
    sigma_n: float
    forward_n: float
    backward_n: float
    coasts: int


@dataclass(frozen=True)
class IntervalEstimate:
    """A second estimate of the road load by the interval method, with standard errors [N, N/(m/s)^2]."""

    intervals: list[Interval]
    a_n: float
    c_n_per_mps2: float
    a_sigma_n: float
    c_sigma_n_per_mps2: float
    agrees: bool
    """Whether the forces agree with the fit's within the error of their difference (95 %)."""


@dataclass(frozen=True)
class Measured:
    """The road load measured by coasts, on the level, in still air of `density_kg_per_m3`.

    Attributes
    ----------
    a_n, b_n_per_mps, c_n_per_mps2 : float
        F = A + B v + C v^2 [N, N/(m/s), N/(m/s)^2].
    covariance : array, shape (3, 3)
        Of (A, B, C): scatter of the coasts, mass, rotating mass and density together.
    scatter, road : array, shape (3, 3)
        Of (A, B, C): the parts that come from the scatter of the coasts, and from what is not known of the road's
        slope and the wind.
    dof : float
        Degrees of freedom of the scatter.
    gusts : tuple of float
        How much the wind, or whatever acts like it, gusted during the coasts [m/s] and for how long at a time [s].
    """

    a_n: float
    b_n_per_mps: float
    c_n_per_mps2: float
    covariance: Array
    scatter: Array
    road: Array
    dof: float
    mass: Mass
    density_kg_per_m3: float
    density_sigma: float
    coasts: list[Coast]
    stretches: list[Stretch]
    gusts: tuple[float, float]
    second: IntervalEstimate | None
    left_out: list[LeftOut]
    caveats: list[str]

    @property
    def half_widths(self) -> tuple[float, float, float]:
        """Of the 95 % intervals of A, B, C; Student's t with Welch and Satterthwaite's degrees of freedom, since only
        the scatter is estimated from few coasts."""
        a, b, c = (self._reach(self.scatter[i, i], self.covariance[i, i]) for i in range(3))
        return a * self.sigma[0], b * self.sigma[1], c * self.sigma[2]

    def _reach(self, scatter: float, whole: float) -> float:
        from scipy.stats import t

        return float(t.ppf(0.975, self.dof * (whole / scatter) ** 2 if scatter > 0 else 1e6))

    def half_width(self, speed_mps: float) -> float:
        """Of the 95 % interval of the force at a speed [N]."""
        whole, scatter = float(self.force_sigma(speed_mps)), float(_force_sigma(self.scatter, speed_mps))
        return whole * self._reach(scatter**2, whole**2)

    def force(self, speed_mps: ArrayLike) -> Array:
        """Road load at the given speeds [N]."""
        v = np.asarray(speed_mps, dtype=np.float64)
        return np.asarray(self.a_n + self.b_n_per_mps * v + self.c_n_per_mps2 * v * v)

    def force_sigma(self, speed_mps: ArrayLike) -> Array:
        """Standard error of the road load at the given speeds [N]."""
        return _force_sigma(self.covariance, speed_mps)

    @property
    def sigma(self) -> tuple[float, float, float]:
        """Standard errors of A, B, C."""
        a, b, c = np.sqrt(np.diag(self.covariance))
        return float(a), float(b), float(c)

    @property
    def rolling_coefficient(self) -> tuple[float, float]:
        """A over weight, and its standard error [-]. Mass itself cancels; the share that rotates does not."""
        weight = self.mass.mass_kg * GRAVITY
        rotating = self.mass.rotating_sigma_kg / self.mass.inertia_kg * self.a_n / weight
        return self.a_n / weight, math.hypot(math.sqrt(self.scatter[0, 0] + self.road[0, 0]) / weight, rotating)

    @property
    def drag_area_m2(self) -> tuple[float, float]:
        """2 C / density, and its standard error [m2]."""
        scale = 2 / self.density_kg_per_m3
        return self.c_n_per_mps2 * scale, math.sqrt(self.covariance[2, 2]) * scale


def speed_words(mps: float) -> str:
    """A speed for a sentence that does not know the owner's unit."""
    return f"{mps / MPS_PER_KMH:.0f} km/h ({mps / MPS_PER_MPH:.0f} mph)"


# --- closed forms -------------------------------------------------------------------------------------------------


def coast_speed(t_s: ArrayLike, v0_mps: float, a_n: float, b_n_per_mps: float, c_n_per_mps2: float, m: float) -> Array:
    """Speed of a coast, the exact solution of m dv/dt = -(A + B v + C v^2) [m/s].

    With q = (A C - B^2/4) / m^2 and T = tan(√q t)/√q (tanh for q < 0, t for q = 0):
    v = (v0 (1 - B T/2m) - A T/m) / (1 + (B/2m + C v0/m) T). For B = 0 this is Thompson's tangent form [2]. NaN after
    the car has come to rest.
    """
    t = np.asarray(t_s, dtype=np.float64)
    a, h, c = a_n / m, b_n_per_mps / (2 * m), c_n_per_mps2 / m
    q = a * c - h * h
    root = math.sqrt(abs(q))
    if root * float(np.max(np.abs(t), initial=0.0)) < 1e-9:
        tau = t
    elif q > 0:
        # Past a quarter of the period the car has stood for long.
        tau = np.where(root * t < math.pi / 2, np.tan(np.minimum(root * t, math.pi / 2)) / root, np.inf)
    else:
        tau = np.tanh(root * t) / root
    with np.errstate(invalid="ignore", over="ignore"):
        v = (v0_mps * (1 - h * tau) - a * tau) / (1 + (h + c * v0_mps) * tau)
    return np.where(v >= 0, v, np.nan)


def coast_time(from_mps: float, to_mps: float, a_n: float, b_n_per_mps: float, c_n_per_mps2: float, m: float) -> float:
    """Seconds to coast from one speed down to another: ∫ m dv / (A + B v + C v^2), exactly [s].

    By the substitution that turns the integral into an arctangent: T = m (v1 - v2) / (A + B (v1 + v2)/2 + C v1 v2) and
    t = atan(√q T)/√q with q as in `coast_speed`. Infinite where the road load is not above zero all the way, NaN where
    `to_mps` is the higher speed.
    """
    if to_mps > from_mps:
        return math.nan
    lowest = min(a_n + b_n_per_mps * v + c_n_per_mps2 * v * v for v in (from_mps, to_mps))
    mean = a_n + b_n_per_mps * (from_mps + to_mps) / 2 + c_n_per_mps2 * from_mps * to_mps
    q = (a_n * c_n_per_mps2 - b_n_per_mps**2 / 4) / (m * m)
    root = math.sqrt(abs(q))
    if q > 0:
        return math.atan2(root * m * (from_mps - to_mps), mean) / root
    if lowest <= 0 or mean <= 0:
        return math.inf
    tau = m * (from_mps - to_mps) / mean
    return tau if root * abs(tau) < 1e-9 else math.atanh(min(root * tau, 1.0)) / root


def integral(y: Array, t: Array) -> Array:
    """Running integral from the first point, as long as its arguments: of the cubics through the values and slopes."""
    if len(y) < 3:
        return _sums(y, t)
    bend = np.diff(t) ** 2 / 12 * np.diff(np.gradient(y, t, edge_order=2))
    return np.asarray(_sums(y, t) - np.concatenate([[0.0], np.cumsum(bend)]))


def _sums(y: Array, t: Array) -> Array:
    """Running integral by the trapezoidal rule."""
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
    engine_speed: tuple[Array, Array] | None = None,
    density_kg_per_m3: float = AIR_KG_PER_M3,
    wind: tuple[float, float] | None = None,
    outing: str = "",
    origin_deg: tuple[float, float] | None = None,
) -> Found:
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
        What places count from: the `Found.origin_deg` of another drive, so that both share stretches of road.
    """
    coasts, left_out = [], []
    told = [(utc - motion.epoch_utc_ns) * 1e-9 for utc, text in notes if "coast" in text.lower()]
    drag = 0.0012 * mass.mass_kg if drag_area_m2 is None else drag_area_m2
    origin_deg = origin_deg or _middle(fixes)
    east, north = _plane(fixes, origin_deg)
    for first, last in _falling(motion):
        t, v = motion.t_s[first : last + 1], motion.reading_mps[first : last + 1]
        start_ns = motion.epoch_utc_ns + round(t[0] * 1e9)
        marked = any(t[0] - 20 <= at <= max(t[0] + 5, float(t[-1])) for at in told)
        course = _mean_course(fixes.course_deg[first : last + 1])
        head = 0.0
        if wind is not None and math.isfinite(course):
            head = wind[0] * math.cos(math.radians(wind[1] - course))
        coast = Coast(
            t - t[0], v, course, float(east[first]), float(north[first]), fixes.alt_m[first : last + 1],
            density_kg_per_m3, head, outing, start_ns, marked,
        )  # fmt: skip
        if coast.seconds < 4 or coast.from_mps - coast.to_mps > 1.2 * coast.seconds:
            continue  # plainly the brake, or nothing
        why = _no_coast(coast, fixes.course_deg[first : last + 1], mass, drag, t[0], engine_speed)
        if told and not marked:
            why = "no note says that it was one"
        if why:
            left_out.append(LeftOut(start_ns, coast.from_mps, coast.to_mps, why))
        else:
            coasts.append(coast)
    return Found(coasts, left_out, origin_deg)


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
    for i in np.flatnonzero(stepped > 0.15):
        near = np.abs(t[max(i - 200, 0) : i + 201] - t[i]) <= width / 2
        edge[i] = stepped[i] >= np.nanmax(stepped[max(i - 200, 0) : i + 201][near])
    stretches = []
    cuts = np.flatnonzero(~falling | gap | edge)
    for start, end in zip([-1, *cuts.tolist()], [*cuts.tolist(), len(t)], strict=True):
        inside = np.arange(start + 1, end)
        if len(inside) < 8:
            continue
        # The clutch, and the window that found the step, need a moment at either end.
        keep = inside[(t[inside] >= t[inside[0]] + 0.7) & (t[inside] <= t[inside[-1]] - 0.7)]
        if len(keep) >= 8 and v[keep[0]] - v[keep[-1]] > MIN_DROP_MPS / 2:
            stretches.append((int(keep[0]), int(keep[-1])))
    return stretches


def _slopes(t: Array, v: Array, width: float) -> tuple[Array, Array]:
    """Slope of the line through the readings within `width` before, and after, each of them [m/s2]; NaN with < 3."""
    results = []
    n = np.arange(len(t))
    for low, high in ((np.searchsorted(t, t - width), n + 1), (n, np.searchsorted(t, t + width, side="right"))):
        sums = [np.concatenate([[0.0], np.cumsum(part)]) for part in (np.ones_like(t), t, v, t * t, t * v)]
        count, st, sv, stt, stv = (part[high] - part[low] for part in sums)
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = (stv - st * sv / count) / (stt - st * st / count)
        results.append(np.where((count >= 3), slope, np.nan))
    return results[0], results[1]


def _no_coast(
    coast: Coast, course: Array, mass: Mass, drag: float, start_s: float, engine_speed: tuple[Array, Array] | None
) -> str:
    """Why a stretch of falling speed is no coast to use; empty where it is one."""
    if coast.seconds < MIN_SECONDS:
        return f"too short: {coast.seconds:.0f} s, and {MIN_SECONDS:.0f} s are needed"
    if coast.from_mps - coast.to_mps < MIN_DROP_MPS:
        return f"too little speed lost: {speed_words(coast.from_mps - coast.to_mps)}"
    turned = _turned(course)
    if turned > 25:
        return f"round a bend of {turned:.0f} degrees, and tyres drag in bends"
    if not math.isfinite(coast.direction_deg):
        return "its direction is not known: the receiver gave no course"
    if engine_speed is not None:
        at = start_s + np.array([0.0, coast.seconds])
        if engine_speed[0][0] <= at[0] and at[1] <= engine_speed[0][-1]:
            turns = np.interp(at, *engine_speed)
            fell, slowed = turns[1] / max(turns[0], 1.0), coast.to_mps / coast.from_mps
            if fell < 0.5 * (1 + slowed):
                return "in gear: engine speed fell with road speed"
            return ""
    x = coast.seconds
    force = mass.inertia_kg * (coast.from_mps - coast.to_mps) / x
    middle = (coast.from_mps + coast.to_mps) / 2
    rolling = (force - 0.5 * coast.density_kg_per_m3 * drag * middle**2) / (mass.mass_kg * GRAVITY)
    if rolling > IN_GEAR_COEFFICIENT and not coast.marked:
        return f"held back by {force:.0f} N, more than tyres and air do: in gear, or the brake"
    return ""


def _turned(course: Array) -> float:
    """By how much the course changed at most, single fixes aside [deg]."""
    known = course[np.isfinite(course)]
    if len(known) < 3:
        return 0.0
    unwrapped = np.unwrap(known, period=360)
    low, high = np.quantile(unwrapped, [0.03, 0.97])
    return float(high - low)


def _mean_course(course: Array) -> float:
    known = np.radians(course[np.isfinite(course)])
    if len(known) < 3:
        return math.nan
    return math.degrees(math.atan2(np.sin(known).mean(), np.cos(known).mean())) % 360


def _middle(fixes: Fixes) -> tuple[float, float]:
    """The middle of the positions [deg]; NaN without any."""
    known = np.isfinite(fixes.lat_deg) & np.isfinite(fixes.lon_deg)
    if not known.any():
        return math.nan, math.nan
    return float(np.median(fixes.lat_deg[known])), float(np.median(fixes.lon_deg[known]))


def _plane(fixes: Fixes, origin_deg: tuple[float, float]) -> tuple[Array, Array]:
    """Metres east and north of the origin, good to some tens of kilometres; zeros without positions."""
    known = np.isfinite(fixes.lat_deg) & np.isfinite(fixes.lon_deg)
    if not known.any() or not math.isfinite(origin_deg[0]):
        return np.zeros(len(known)), np.zeros(len(known))
    degree = math.pi / 180 * 6_371_000
    n, at = np.arange(len(known)), np.flatnonzero(known)
    north = np.interp(n, at, fixes.lat_deg[known] - origin_deg[0]) * degree
    apart = np.mod(fixes.lon_deg[known] - origin_deg[1] + 180, 360) - 180
    east = np.interp(n, at, apart) * degree * math.cos(math.radians(origin_deg[0]))
    return np.asarray(east), np.asarray(north)


# --- the fit ------------------------------------------------------------------------------------------------------


def fit(
    coasts: Sequence[Coast],
    mass: Mass,
    *,
    with_b: bool = False,
    known_grade: float | None = None,
    even_sigma: float = EVEN_SIGMA,
    density_kg_per_m3: float = AIR_KG_PER_M3,
    density_sigma: float = 0.005,
    left_out: Sequence[LeftOut] = (),
) -> Measured:
    """The road load behind all `coasts` together; see the module's head for the method.

    Parameters
    ----------
    with_b : bool
        Fit B as well.
    known_grade : float, optional
        Rise over run in the direction of travel, where all coasts went the same way and the owner knows it [-].
    even_sigma : float
        Standard deviation of the change of slope along a stretch, middle to end [-].
    density_kg_per_m3 : float
        The reference density that C is given for [kg/m3].
    density_sigma : float
        Relative standard error of the coasts' densities [-].

    Raises
    ------
    NoAnswer
        Where the coasts cannot tell: one direction with unknown grade, too little speed covered, or rolling and drag
        that cannot be told apart. The line says what to drive.
    """
    if not coasts:
        raise NoAnswer("no coasts: roll in neutral from as fast as is safe and lawful to walking pace, both ways")
    low, high = min(coast.to_mps for coast in coasts), max(coast.from_mps for coast in coasts)
    if high - low < MIN_RANGE_MPS:
        raise NoAnswer(
            f"the coasts cover {speed_words(low)} to {speed_words(high)} only: too little to tell rolling from drag; "
            f"coast over {speed_words(MIN_RANGE_MPS)} or more, better from the highest safe speed to walking pace"
        )
    layout = _Layout.of(coasts)
    both_ways = any(len(set(layout.sense[layout.stretch == j])) == 2 for j in range(layout.stretches))
    if not both_ways and known_grade is None:
        raise NoAnswer(
            "all coasts over a stretch went one way, and a slope of 1 % pushes as hard as a light car rolls: coast "
            "back over the same stretch, or give the slope with --grade"
        )
    problem = _Problem(coasts, layout, mass, with_b, None if both_ways else known_grade, even_sigma, density_kg_per_m3)
    best = problem.solve()
    index = [0, 1, 2] if with_b else [0, 2]
    whole, scatter, road = np.zeros(3), np.zeros((3, 3)), np.zeros((3, 3))
    whole[index] = best.theta[: problem.shared]
    scatter[np.ix_(index, index)] = (best.covariance - best.assumed)[: problem.shared, : problem.shared]
    road[np.ix_(index, index)] = best.assumed[: problem.shared, : problem.shared]
    covariance = scatter + road + np.outer(whole, whole) * (mass.inertia_sigma_kg / mass.inertia_kg) ** 2
    covariance[2, 2] += (whole[2] * density_sigma) ** 2
    a, b, c = (float(value) for value in whole)
    measured = Measured(
        a, b, c, covariance, scatter, road, best.dof, mass, density_kg_per_m3, density_sigma, list(coasts),
        best.described(), best.gusts, None, list(left_out), [],
    )  # fmt: skip
    _refuse_what_it_cannot_tell(measured, low, high)
    measured = replace(measured, second=_interval_method(problem, best, measured))
    return replace(measured, caveats=_caveats(measured, both_ways, known_grade))


@dataclass(frozen=True)
class _Layout:
    """Which coasts share a stretch, which way they went on it, and where on it they were."""

    stretch: NDArray[np.int64]
    sense: NDArray[np.int64]
    axis_deg: list[float]
    place: list[Array]
    """Along the stretch, -1 to 1 from end to end, for each coast."""
    length_m: list[float]

    @property
    def stretches(self) -> int:
        return len(self.axis_deg)

    def shape(self, k: int, way_m: Array) -> Array:
        """The polynomials of the grade where a coast was after so much way, (readings, orders)."""
        half = max(self.length_m[self.stretch[k]] / 2, 0.5)
        place = self.place[k][0] + self.sense[k] * way_m / half
        return np.asarray(np.polynomial.legendre.legvander(np.clip(place, -1.5, 1.5), _GRADE_ORDER))

    @classmethod
    def of(cls, coasts: Sequence[Coast]) -> _Layout:
        """Coasts share a stretch when they ran along the same line (15 degrees, 60 m) and met or nearly so (200 m)."""
        axes: list[float] = []
        origins: list[tuple[float, float]] = []
        spans: list[tuple[float, float]] = []
        stretch, sense = np.zeros(len(coasts), np.int64), np.zeros(len(coasts), np.int64)
        along: list[Array] = []
        for k, coast in enumerate(coasts):
            way = coast.way_m
            for j, axis in enumerate(axes):
                turn = math.radians(coast.direction_deg - axis)
                forward = 1 if math.cos(turn) > 0 else -1
                east, north = coast.east_m - origins[j][0], coast.north_m - origins[j][1]
                ahead = east * math.sin(math.radians(axis)) + north * math.cos(math.radians(axis))
                aside = east * math.cos(math.radians(axis)) - north * math.sin(math.radians(axis))
                x = ahead + forward * way
                apart = max(spans[j][0] - float(x.max()), float(x.min()) - spans[j][1])
                if abs(math.sin(turn)) < math.sin(math.radians(15)) and abs(aside) < 60 and apart < 200:
                    stretch[k], sense[k] = j, forward
                    spans[j] = (min(spans[j][0], float(x.min())), max(spans[j][1], float(x.max())))
                    break
            else:
                stretch[k], sense[k], x = len(axes), 1, way
                axes.append(coast.direction_deg)
                origins.append((coast.east_m, coast.north_m))
                spans.append((0.0, float(way[-1])))
            along.append(x)
        lengths = [high - low for low, high in spans]
        place = [
            (2 * x - spans[j][0] - spans[j][1]) / max(lengths[j], 1.0) for x, j in zip(along, stretch, strict=True)
        ]
        return cls(stretch, sense, axes, place, lengths)


_GRADE_ORDER = 3
_ROUNDS = 12
_FIRST_MPS = 1.0


_UNEVEN = ((0.05, 0.05), (0.3, 0.1), (1.0, 0.55), (2.0, 0.3))
"""How uneven a stretch may be, as factors on what was expected of it, and how likely each is beforehand."""


class _Trace(NamedTuple):
    """A coast under some parameters, at the moments of its binned readings: what is left of them, and how its speed
    moves with the parameters (n, p), with its own first speed (n), and with the wind at each moment (n, n)."""

    left: Array
    x: Array
    first: Array
    gust: Array


class _Told(NamedTuple):
    """What readings say of the parameters: weights of each coast's readings, normal equations, -2 log likelihood."""

    weights: list[Array]
    square: Array
    pull: Array
    unlikely: float


class _Joined(NamedTuple):
    """The step to the parameters that readings and what is known give together; their covariance, the part of it that
    comes from what was only assumed, and the log of the evidence."""

    step: Array
    covariance: Array
    assumed: Array
    evidence: float


class _Problem:
    """All coasts as one least-squares problem; parameters A, (B), C, grades by stretch, winds by outing.

    Grade along a stretch is a sum of Legendre polynomials up to `_GRADE_ORDER`. Parameters that something is known of
    beforehand (`beforehand`) are held to it.
    """

    def __init__(
        self, coasts: Sequence[Coast], layout: _Layout, mass: Mass, with_b: bool, grade: float | None, even: float,
        density: float,
    ):  # fmt: skip
        self.coasts, self.layout, self.mass = coasts, layout, mass
        self.shared = 3 if with_b else 2
        groups = [(int(j), coast.outing) for j, coast in zip(layout.stretch, coasts, strict=True)]
        self.winds = sorted(set(groups))
        self.group = np.array([self.winds.index(group) for group in groups])
        self.thin = np.array([coast.density_kg_per_m3 / density for coast in coasts])
        binned = [_binned(coast) for coast in coasts]
        self.time, self.speed, self.noise = ([each[i] for each in binned] for i in range(3))
        head = layout.sense * np.array([coast.headwind_mps for coast in coasts])
        stated = [float(head[self.group == g].mean()) for g in range(len(self.winds))]
        self.first_wind = self.shared + layout.stretches * (_GRADE_ORDER + 1)
        self.heights = [_change_by_altitude(coasts, layout, j) for j in range(layout.stretches)]
        self.stated, self.grade, self.even = stated, grade, even

    def beforehand(self, uneven: float) -> tuple[Array, Array]:
        """Of each parameter what is known without the coasts: its value, and one over its variance."""
        centre, known = [0.0] * self.shared, [0.0] * self.shared
        rough = (uneven * self.even) ** -2
        for change, sigma in self.heights:
            centre += [self.grade or 0.0, change * sigma**-2 / (sigma**-2 + rough), 0.0, 0.0]
            known += [(0.1 if self.grade is None else KNOWN_GRADE_SIGMA) ** -2, sigma**-2 + rough, rough, 4 * rough]
        return np.array(centre + self.stated), np.array(known + [WIND_PRIOR_MPS**-2] * len(self.stated))

    def solve(self) -> _Solution:
        """Gauss and Newton's way, with the gusts found along it."""
        gusts = (GUST_MPS, GUST_S)
        theta = self.beforehand(1.0)[0]
        theta[0], theta[self.shared - 1] = 0.012 * self.mass.mass_kg * GRAVITY, 0.0008 * self.mass.mass_kg
        begin = np.array([float(coast.smooth_mps[0]) for coast in self.coasts])
        for number in range(_ROUNDS):
            traces = [self._trace(k, theta, float(begin[k])) for k in range(len(self.coasts))]
            if number in (2, 4):
                gusts = self._likeliest(traces, theta, gusts)
            told = self._told(traces, gusts)
            found = self._joined(told, theta)
            # From a poor guess a step may overshoot: no further than where the equation of motion still holds.
            reach = np.min(self._farthest(theta) / np.maximum(np.abs(found.step), 1e-12))
            step = found.step * min(1.0, float(reach))
            theta = theta + step
            begin = begin + [
                _FIRST_MPS**2 * float(each.first @ weight @ (each.left - each.x @ step))
                for each, weight in zip(traces, told.weights, strict=True)
            ]
            if number > 4 and np.all(step**2 < 1e-6 * np.diag(found.covariance)):
                break
        return _Solution(self, theta, found.covariance, found.assumed, gusts)

    def _farthest(self, theta: Array) -> Array:
        """The longest step of each parameter at a time."""
        far = np.full(len(theta), 0.01)  # of slope
        far[0], far[1], far[self.shared - 1] = max(0.5 * theta[0], 10.0), 2.0, 0.4 * theta[self.shared - 1]
        far[self.first_wind :] = 2.0
        return far

    def _trace(self, k: int, theta: Array, begin: float) -> _Trace:
        """Solve the equation of motion of one coast, and of its sensitivities, on the times of its readings.

        Newton's way on the integral equation v = v0 - ∫F/(m + mr) dt: a defect d of a guess is mended by the solution
        of e = d + ∫f e dt, with f = dv'/dv, which is d + E ∫ f d / E dt for E = exp(∫f dt).
        """
        t, layout, mass = self.time[k], self.layout, self.mass
        sense, stretch, thin = int(layout.sense[k]), int(layout.stretch[k]), float(self.thin[k])
        b = theta[1] if self.shared == 3 else 0.0
        c, wind = thin * theta[self.shared - 1], sense * theta[self.first_wind + self.group[k]]
        at = self.shared + stretch * (_GRADE_ORDER + 1)
        grade, weight, inertia = slice(at, at + _GRADE_ORDER + 1), mass.mass_kg * GRAVITY, mass.inertia_kg
        v = self.speed[k]
        for _ in range(6):
            shape = layout.shape(k, v[0] * t[0] + integral(v, t))
            air = v + wind
            force = theta[0] + b * v + c * air * np.abs(air) + weight * sense * (shape @ theta[grade])
            slows = -(b + 2 * c * np.abs(air)) / inertia
            grows = np.exp(np.maximum(_sums(slows, t), -50.0))
            defect = begin - integral(force, t) / inertia - v
            mend = defect + grows * _sums(slows * defect / grows, t)
            v = np.maximum(v + mend, 0.1)
            if np.abs(mend).max() < 1e-5:
                break
        push = np.zeros((len(t), len(theta)))
        push[:, 0] = 1.0
        if self.shared == 3:
            push[:, 1] = v
        push[:, self.shared - 1] = thin * air * np.abs(air)
        push[:, grade] = weight * sense * shape
        blown = 2 * c * np.abs(air)
        push[:, self.first_wind + self.group[k]] = blown * sense
        # Running integrals by the trapezoidal rule, as a matrix.
        step = np.diff(t)
        sums = np.zeros((len(t), len(t)))
        sums[:, 1:] += step / 2
        sums[:, :-1] += step / 2
        sums = np.tril(sums)
        sums[np.arange(len(t)), np.arange(len(t))] -= np.append(step, 0.0) / 2
        respond = -grows[:, None] * sums / (grows * inertia)
        return _Trace(self.speed[k] - v, respond @ push, grows, respond * blown)

    def _told(self, traces: Sequence[_Trace], gusts: tuple[float, float]) -> _Told:
        """What the readings say of the parameters where the wind gusts like that: a first-order (Ornstein and
        Uhlenbeck's) process. Whatever makes a coast differ from the others for up to a minute is put down to it."""
        size = self.first_wind + len(self.winds)
        weights, square, pull, unlikely = [], np.zeros((size, size)), np.zeros(size), 0.0
        for k, each in enumerate(traces):
            apart = np.abs(self.time[k][:, None] - self.time[k])
            blown = gusts[0] ** 2 * each.gust @ np.exp(-apart / gusts[1]) @ each.gust.T
            unknown_start = _FIRST_MPS**2 * np.outer(each.first, each.first)
            factor = np.linalg.cholesky(np.diag(self.noise[k] ** 2) + unknown_start + blown)
            whiten = np.linalg.inv(factor)
            x, left = whiten @ each.x, whiten @ each.left
            weights.append(whiten.T @ whiten)
            square, pull = square + x.T @ x, pull + x.T @ left
            unlikely += 2 * float(np.sum(np.log(np.diag(factor)))) + float(left @ left)
        return _Told(weights, square, pull, unlikely)

    def _joined(self, told: _Told, theta: Array) -> _Joined:
        """The readings with what is known beforehand, averaged over how uneven the road may be by the evidence."""
        grades = slice(self.shared, self.first_wind)
        logs, steps, covariances, assumed = [], [], [], []
        for uneven, likely in _UNEVEN:
            centre, known = self.beforehand(uneven)
            away = centre - theta
            whole, pull = told.square + np.diag(known), told.pull + known * away
            covariance = np.linalg.inv(whole)
            step = covariance @ pull
            unlikely = told.unlikely + known @ away**2 - pull @ step + np.linalg.slogdet(whole)[1]
            logs.append(math.log(likely) - (unlikely - np.log(known[grades]).sum()) / 2)
            steps.append(step)
            covariances.append(covariance)
            assumed.append(covariance @ np.diag(known) @ covariance)
        best = max(logs)
        weight = np.exp(np.array(logs) - best)
        evidence = best + math.log(float(weight.sum()))
        weight /= weight.sum()
        step = np.einsum("i,ij->j", weight, np.array(steps))
        apart = np.array(steps) - step
        between = np.einsum("i,ij,ik->jk", weight, apart, apart)
        mean = np.einsum("i,ijk->jk", weight, np.array(covariances)), np.einsum("i,ijk->jk", weight, np.array(assumed))
        return _Joined(step, mean[0] + between, mean[1] + between, evidence)

    def _likeliest(self, traces: Sequence[_Trace], theta: Array, start: tuple[float, float]) -> tuple[float, float]:
        """Size [m/s] and duration [s] of the gusts by restricted maximum likelihood; the duration is held to `GUST_S`
        within a factor of 2."""
        from scipy.optimize import minimize

        def unlikely(logs: Array) -> float:
            told = self._told(traces, (math.exp(logs[0]), math.exp(logs[1])))
            lasting = (logs[1] - math.log(GUST_S)) ** 2 / math.log(2) ** 2
            return float(lasting - 2 * self._joined(told, theta).evidence)

        found = minimize(
            unlikely, np.log(start), method="Nelder-Mead",
            bounds=[(math.log(0.02), math.log(5.0)), (math.log(2.0), math.log(60.0))],
            options={"xatol": 0.05, "fatol": 0.05, "maxfev": 60},
        )  # fmt: skip
        return math.exp(found.x[0]), math.exp(found.x[1])


def _binned(coast: Coast) -> tuple[Array, Array, Array]:
    """Readings averaged over 0.8 s or a 40th of the coast, times from the first reading's, their noise [s, m/s, m/s].

    The noise of single readings is that of third differences, which a coast's own speed hardly has.
    """
    t, v = coast.t_s - coast.t_s[0], coast.v_mps
    third = np.diff(v, 3)
    noise = max(float(np.sqrt(np.mean(third**2) / 20)), 1e-3) if len(third) > 3 else 0.05
    first = np.unique(np.floor(t / max(0.8, coast.seconds / 40)).astype(np.int64), return_index=True)[1]
    count = np.diff(np.append(first, len(t)))
    times = np.add.reduceat(t, first) / count
    # Speed bends within a bin: only what the readings differ by from a smooth curve is averaged.
    speeds = coast.smooth_at(times + coast.t_s[0]) + np.add.reduceat(v - coast.smooth_mps, first) / count
    return times, speeds, noise / np.sqrt(count)


@dataclass(frozen=True)
class _Solution:
    problem: _Problem
    theta: Array
    covariance: Array
    """Of all parameters."""
    assumed: Array
    """The part of it that comes from what was only assumed of grade and wind."""
    gusts: tuple[float, float]

    @property
    def dof(self) -> float:
        """Of the gusts: stretches of time about as long as they last, less what was fitted."""
        seconds = sum(coast.seconds for coast in self.problem.coasts)
        return max(seconds / (3 * self.gusts[1]) - self.problem.shared - 2 * len(self.problem.winds), 2.0)

    def described(self) -> list[Stretch]:
        problem, layout = self.problem, self.problem.layout
        sigma = np.sqrt(np.diag(self.covariance))
        stretches = []
        for j in range(layout.stretches):
            sense = layout.sense[layout.stretch == j]
            winds = {
                outing: (float(self.theta[problem.first_wind + g]), float(sigma[problem.first_wind + g]))
                for g, (stretch, outing) in enumerate(problem.winds)
                if stretch == j
            }
            at = problem.shared + j * (_GRADE_ORDER + 1)
            quarter = layout.length_m[j] / 4  # a change of slope by 1 from middle to end makes this sag
            stretches.append(
                Stretch(
                    layout.axis_deg[j] % 360, layout.length_m[j], int(np.sum(sense > 0)), int(np.sum(sense < 0)),
                    float(self.theta[at]), float(sigma[at]), winds, float(self.theta[at + 1]) * quarter,
                    float(sigma[at + 1]) * quarter,
                )
            )  # fmt: skip
        return stretches


def _change_by_altitude(coasts: Sequence[Coast], layout: _Layout, stretch: int) -> tuple[float, float]:
    """Change of slope from the middle of a stretch to its end by the altitudes, and its standard error [-].

    The error comes from leaving out each coast in turn; with fewer than six coasts it is taken as infinite.
    """
    parts = []
    for k in np.flatnonzero(layout.stretch == stretch).tolist():
        alt, u = coasts[k].alt_m, layout.place[k]
        good = np.isfinite(alt) if len(alt) == len(u) else np.zeros(len(u), bool)
        if good.mean() > 0.8:
            x = np.column_stack([u[good], u[good] ** 2])
            parts.append((x - x.mean(axis=0), alt[good] - alt[good].mean()))
    if len(parts) < 6:
        return 0.0, math.inf
    squares = [x.T @ x for x, _ in parts]
    whole = sum(squares) + 1e-6 * np.eye(2)
    theta = np.linalg.solve(whole, sum(x.T @ y for x, y in parts))
    moves = [np.linalg.solve(whole - s, -x.T @ (y - x @ theta))[1:] for (x, y), s in zip(parts, squares, strict=True)]
    # Student's t of few coasts has longer tails than a normal curve: widen it to the same variance.
    variance = float(_jackknife(np.array(moves))[0, 0]) * (len(parts) - 1) / (len(parts) - 3)
    per_sag = 4 / max(layout.length_m[stretch], 1.0)
    return float(theta[1]) * per_sag, max(math.sqrt(variance) * per_sag, 1e-5)


def _force_sigma(covariance: Array, speed_mps: ArrayLike) -> Array:
    v = np.asarray(speed_mps, dtype=np.float64)
    powers = np.stack([np.ones_like(v), v, v * v], axis=-1)
    return np.asarray(np.sqrt(np.maximum(np.einsum("...i,ij,...j->...", powers, covariance, powers), 0.0)))


def _refuse_what_it_cannot_tell(measured: Measured, low: float, high: float) -> None:
    middle = (low + high) / 2
    force, give = float(measured.force(middle)), measured.half_width(middle)
    at = f"{force:.0f} N at {speed_words(middle)}, give or take {give:.0f}"
    if give > 0.5 * abs(force) or force <= 0:
        raise NoAnswer(
            f"these {len(measured.coasts)} coasts disagree too much to measure anything: {at}; coast again on a calm "
            "day, both ways"
        )
    a_give, _, c_give = measured.half_widths
    if c_give > 0.6 * measured.c_n_per_mps2 or a_give > 0.6 * force or measured.a_n + a_give <= 0:
        raise NoAnswer(
            f"these coasts tell the force, {at}, but not how it splits into rolling and drag: coast over more speed, "
            "both ways, some from other places"
        )


def _caveats(measured: Measured, both_ways: bool, known_grade: float | None) -> list[str]:
    said = []
    count = len(measured.coasts)
    if not both_ways:
        said.append(
            f"All coasts went one way: the result stands on the slope given ({100 * (known_grade or 0):.2f} %, taken "
            f"to be right to 0.1 %) and on the wind (taken to be known to {WIND_PRIOR_MPS:g} m/s)."
        )
    if count < 4:
        said.append(
            f"With {count} {'coast' if count == 1 else 'coasts'} it is known only roughly how much the wind gusted; "
            "five to each side are better."
        )
    one_way = [s for s in measured.stretches if min(s.forward, s.backward) == 0]
    if both_ways and one_way:
        said.append(f"{len(one_way)} of {len(measured.stretches)} stretches were coasted one way only and tell little.")
    windy = max((abs(w) for s in measured.stretches for w, _ in s.wind_mps.values()), default=0.0)
    if windy > CALM_MPS:
        said.append(
            f"The wind along the road was {windy:.1f} m/s, over the {CALM_MPS:g} m/s up to which coasts are good."
        )
    if both_ways and measured.road[0, 0] > max(measured.scatter[0, 0], (0.05 * measured.a_n) ** 2):
        said.append(
            "Most of the uncertainty of A and C is the road: a sag or hump would look the same to these coasts. Start "
            "some from other places, or coast fast and slow over the same ground."
        )
    if measured.second is not None and not measured.second.agrees:
        said.append("The interval method does not agree with the fit: look for a coast that is none.")
    return said


# --- the second estimate ------------------------------------------------------------------------------------------


def _interval_method(problem: _Problem, best: _Solution, measured: Measured) -> IntervalEstimate | None:
    """The road load by the interval method [1]: over each 2 m/s, force = inertia x loss of speed / time, directions
    averaged, then a line through force over mean square speed.

    Wind, density and the change of slope along a stretch are taken from the fit; what is left to check is the motion
    itself. None where fewer than three intervals have both directions. Errors again by leaving out each coast.
    """
    forces = _interval_forces(problem, best)
    full = _both_ways(forces, None)
    if len(full) < 3:
        return None
    theta = _line(full)
    lines, single = [], []
    for k in range(len(problem.coasts)):
        without = _both_ways(forces, k)
        if len(without) >= 3:
            lines.append(_line(without))
            single.append({number: (ahead + back) / 2 for number, (ahead, back, _) in without.items()})
    covariance = _jackknife(np.array(lines)) if len(lines) >= 4 else np.full((2, 2), np.nan)
    intervals = []
    for number, (ahead, back, count) in sorted(full.items()):
        values = np.array([[forces_without[number]] for forces_without in single if number in forces_without])
        told = len(values) == len(single) >= 4  # else one of its directions hangs on a single coast
        sigma = math.sqrt(_jackknife(values)[0, 0]) if told else math.nan
        intervals.append(Interval((number + 0.5) * _STEP_MPS, (ahead + back) / 2, sigma, ahead, back, count))
    agrees = True
    for at in (intervals[0].speed_mps, intervals[-1].speed_mps):
        row = np.array([1.0, at * at])
        own = float(_force_sigma(measured.scatter, at))
        error = math.hypot(own, math.sqrt(float(row @ covariance @ row)) if len(lines) >= 4 else own)
        agrees = agrees and abs(float(row @ theta) - float(measured.force(at))) <= 2 * error + 0.01 * measured.a_n
    a_sigma, c_sigma = np.sqrt(np.diag(covariance))
    return IntervalEstimate(intervals, float(theta[0]), float(theta[1]), float(a_sigma), float(c_sigma), agrees)


_STEP_MPS = 2.0


def _interval_forces(problem: _Problem, best: _Solution) -> dict[tuple[int, int, int], dict[int, float]]:
    """(stretch, interval, direction) -> coast -> force over the interval, mean slope of the stretch still in it [N]."""
    layout, mass = problem.layout, problem.mass
    c = float(best.theta[problem.shared - 1])
    forces: dict[tuple[int, int, int], dict[int, float]] = {}
    for k, coast in enumerate(problem.coasts):
        stretch, sense = int(layout.stretch[k]), int(layout.sense[k])
        time = coast.t_s - coast.t_s[0]
        numbers = range(math.ceil(coast.to_mps / _STEP_MPS), math.floor(coast.from_mps / _STEP_MPS))
        at = problem.shared + stretch * (_GRADE_ORDER + 1)
        bends = np.concatenate([[0.0], best.theta[at + 1 : at + 1 + _GRADE_ORDER]])
        slope = np.polynomial.legendre.legval(layout.place[k], bends) * sense
        for number in numbers:
            late, early = (_passing(time, coast.v_mps, edge * _STEP_MPS) for edge in (number, number + 1))
            if not late > early:
                continue
            middle = (number + 0.5) * _STEP_MPS
            during = (time >= early) & (time <= late)
            climb = mass.mass_kg * GRAVITY * float(slope[during].mean()) if during.any() else 0.0
            wind = sense * best.theta[problem.first_wind + problem.group[k]]
            air = c * (problem.thin[k] * (middle + wind) ** 2 - middle**2) - 2 * c * problem.thin[k] * wind * middle
            force = mass.inertia_kg * _STEP_MPS / (late - early) - climb - air
            forces.setdefault((stretch, number, sense), {})[k] = force
    return forces


def _both_ways(
    forces: dict[tuple[int, int, int], dict[int, float]], without: int | None
) -> dict[int, tuple[float, float, int]]:
    """Interval -> mean force of either direction and coasts, over the stretches that have both, one coast left out."""
    found: dict[int, list[tuple[float, float, int]]] = {}
    for stretch, number, sense in forces:
        sides = [[f for k, f in forces.get((stretch, number, way), {}).items() if k != without] for way in (1, -1)]
        if sense > 0 and all(sides):
            mean = (float(np.mean(sides[0])), float(np.mean(sides[1])), len(sides[0]) + len(sides[1]))
            found.setdefault(number, []).append(mean)
    return {
        number: (float(np.mean([a for a, _, _ in of])), float(np.mean([b for _, b, _ in of])), sum(n for _, _, n in of))
        for number, of in found.items()
    }


def _line(of: dict[int, tuple[float, float, int]]) -> Array:
    """A and C of the line through force over mean square speed, intervals weighted by their coasts."""
    speed = (np.array(list(of)) + 0.5) * _STEP_MPS
    force = np.array([(ahead + back) / 2 for ahead, back, _ in of.values()])
    weight = np.sqrt([count for _, _, count in of.values()])
    design = np.column_stack([np.ones(len(speed)), speed**2 + _STEP_MPS**2 / 12])
    return np.asarray(np.linalg.lstsq(design * weight[:, None], force * weight, rcond=None)[0])


def _jackknife(values: Array) -> Array:
    """Covariance of an estimate from its values with each coast left out, (coasts, parameters)."""
    moves = values - values.mean(axis=0)
    return np.asarray((len(moves) - 1) / len(moves) * moves.T @ moves)


def _passing(t: Array, v: Array, speed: float) -> float:
    """When falling readings pass a speed: by a line through those within 1 s of the first guess [s]."""
    guess = float(np.interp(-speed, -np.minimum.accumulate(v), t))
    near = np.abs(t - guess) <= max(1.0, 2.5 * float(t[-1]) / (len(t) - 1))
    x, y = t[near] - guess, v[near]
    if len(x) < 3:
        return math.nan
    x0, y0 = x.mean(), y.mean()
    slope = float((x - x0) @ (y - y0) / ((x - x0) @ (x - x0)))
    return float(guess + x0 + (speed - y0) / slope) if slope < 0 else math.nan


# --- into the car's file ------------------------------------------------------------------------------------------


def save(measured: Measured, path: Path, words: str) -> None:
    """Write the road load into the car's file at `path` as [road_load], in one step; all else in it stays as it is.

    A value that is there is replaced with its comment kept, a missing one added. The standard errors are the half
    widths of the 95 % intervals over 1.96, so that whoever takes them for normal errors gets the same intervals.
    `words` say when and by what. ConfigError where the file is no car's file.
    """
    before = load(path, CarConfig)
    a, b, c = (width / 1.96 for width in measured.half_widths)
    sigma = np.maximum(measured.sigma, 1e-30)
    correlation = measured.covariance / np.outer(sigma, sigma)
    values = {
        "a_n": f"{measured.a_n:.2f}",
        "b_n_per_mps": f"{measured.b_n_per_mps:.4f}",
        "c_n_per_mps2": f"{measured.c_n_per_mps2:.5f}",
        "a_sigma_n": f"{a:.2f}",
        "b_sigma_n_per_mps": f"{b:.4f}",
        "c_sigma_n_per_mps2": f"{c:.5f}",
        "ab_correlation": f"{correlation[0, 1]:.3f}",
        "ac_correlation": f"{correlation[0, 2]:.3f}",
        "bc_correlation": f"{correlation[1, 2]:.3f}",
        "air_density_kg_per_m3": f"{measured.density_kg_per_m3:.4f}",
        "mass_kg": f"{measured.mass.mass_kg:.1f}",
        "measured": json.dumps(words, ensure_ascii=False),
    }
    text = _with_section(path.read_bytes().decode("utf-8-sig"), "road_load", values)
    after = parse(text, CarConfig, str(path))
    if after.model_copy(update={"road_load": None}) != before.model_copy(update={"road_load": None}):
        raise ConfigError(f"{path}: [road_load] cannot be written without touching the rest: add it by hand")
    draft = path.with_name(f".{path.name}.{uuid.uuid4().hex}")
    disk = Disk()
    disk.write_file(draft, text.encode("utf-8"))
    disk.replace(draft, path)
    disk.sync_folder(path.parent)


def _with_section(text: str, name: str, values: dict[str, str]) -> str:
    """TOML `text` with the keys of the table `name` set to `values`; comments and order stay."""
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines()
    heads = [i for i, line in enumerate(lines) if re.match(r"\s*\[", line)]
    start = next((i for i in heads if re.match(rf"\s*\[\s*{name}\s*\]\s*(#.*)?$", lines[i])), None)
    if start is None:
        lines += ["", f"[{name}]"]
        start = len(lines) - 1
    stop = next((i for i in heads if i > start), len(lines))
    while stop > start + 1 and not lines[stop - 1].strip():
        stop -= 1
    section = lines[start + 1 : stop]
    for key, value in values.items():
        found = re.compile(rf"""(\s*{key}\s*=\s*)("(?:[^"\\]|\\.)*"|'[^']*'|[^#]*?)(\s*#.*|\s*)$""")
        at = next((i for i, line in enumerate(section) if found.match(line)), None)
        if at is None:
            section.append(f"{key} = {value}")
        else:
            match = found.match(section[at])
            assert match is not None
            section[at] = match[1] + value + match[3]
    return end.join([*lines[: start + 1], *section, *lines[stop:]]) + end
