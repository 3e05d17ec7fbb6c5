"""The road load A + B v + C v^2 that coasts tell together, or why they do not tell it.

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
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Floats
from analysis.conditions.roadload import AIR_KG_PER_M3, GRAVITY
from analysis.road.coast_intervals import IntervalEstimate, interval_method
from analysis.road.coast_model import WIND_PRIOR_MPS, Layout, Problem, Stretch, force_sigma
from analysis.road.coasts import Coast, Mass, RejectedCoast
from analysis.road.slopes import LearnedRoad
from analysis.road.stretch_slopes import KnownSlope, known_slopes
from analysis.wording import speed_words, wind_words
from logger.errors import NoAnswer

MIN_RANGE_MPS = 5.0
"""All coasts together must cover this much speed, or rolling and drag cannot be told apart."""
CALM_MPS = 2.7
"""Wind above which coasts are not to be trusted (40 CFR 1066.310 asks for less than about 6 mph)."""
EVEN_SIGMA = 0.002
"""How much the slope of a stretch changes from its middle to its ends, as a standard deviation, unless the owner or the
coasts know better: 0.2 %, a level road (common practice, no source)."""


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
    covariance: Floats
    scatter: Floats
    road: Floats
    dof: float
    mass: Mass
    density_kg_per_m3: float
    density_sigma: float
    coasts: list[Coast]
    stretches: list[Stretch]
    gusts: tuple[float, float]
    second: IntervalEstimate | None
    left_out: list[RejectedCoast]
    caveats: list[str]
    learned: list[KnownSlope | None] = field(default_factory=list)
    """What was learned of the slope of each stretch."""

    @property
    def half_widths(self) -> tuple[float, float, float]:
        """Of the 95 % intervals of A, B, C; Student's t with Welch and Satterthwaite's degrees of freedom, since only
        the scatter is estimated from few coasts."""
        a, b, c = (self._reach(self.scatter[i, i], self.covariance[i, i]) for i in range(3))
        return a * self.sigma[0], b * self.sigma[1], c * self.sigma[2]

    def _reach(self, scatter: float, whole: float) -> float:
        from scipy.special import stdtrit

        return float(stdtrit(self.dof * (whole / scatter) ** 2 if scatter > 0 else 1e6, 0.975))

    def half_width(self, speed_mps: float) -> float:
        """Of the 95 % interval of the force at a speed [N]."""
        whole, scatter = float(self.force_sigma(speed_mps)), float(force_sigma(self.scatter, speed_mps))
        return whole * self._reach(scatter**2, whole**2)

    def force(self, speed_mps: ArrayLike) -> Floats:
        """Road load [N].

        Parameters
        ----------
        speed_mps : array, any shape
            Speeds [m/s]; NaN gives NaN.
        """
        v = np.asarray(speed_mps, dtype=np.float64)
        return np.asarray(self.a_n + self.b_n_per_mps * v + self.c_n_per_mps2 * v * v)

    def force_sigma(self, speed_mps: ArrayLike) -> Floats:
        """Standard error of the road load [N].

        Parameters
        ----------
        speed_mps : array, any shape
            Speeds [m/s]; NaN gives NaN.
        """
        return force_sigma(self.covariance, speed_mps)

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


def fit(
    coasts: Sequence[Coast],
    mass: Mass,
    *,
    with_b: bool = False,
    known_grade: float | None = None,
    even_sigma: float = EVEN_SIGMA,
    density_kg_per_m3: float = AIR_KG_PER_M3,
    density_sigma: float = 0.005,
    left_out: Sequence[RejectedCoast] = (),
    known_road: LearnedRoad | None = None,
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
    known_road : LearnedRoad, optional
        What all passes over the owner's roads tell of their slopes; not asked where `known_grade` is given.

    Raises
    ------
    NoAnswer
        Where the coasts cannot tell: one direction with unknown grade, too little speed covered, or rolling and drag
        that cannot be told apart. The line says what to drive.
    """
    if not coasts:
        raise NoAnswer(
            "there are no coasts. Roll in neutral from the highest safe and lawful speed to walking pace, both ways"
        )
    low, high = min(coast.to_mps for coast in coasts), max(coast.from_mps for coast in coasts)
    if high - low < MIN_RANGE_MPS:
        raise NoAnswer(
            f"the coasts cover only {speed_words(low)} to {speed_words(high)}, too little to split rolling from drag. "
            f"Coast over {speed_words(MIN_RANGE_MPS)} or more, best from the highest safe speed to walking pace"
        )
    layout = Layout.of(coasts)
    both_ways = any(len(set(layout.sense[layout.stretch == j])) == 2 for j in range(layout.stretches))
    learned = known_slopes(coasts, layout, known_road if known_grade is None else None)
    if not both_ways and known_grade is None and not any(learned):
        raise NoAnswer(
            "all coasts went in one direction, and a slope of 1 % acts as strongly as a light car's rolling. Coast "
            "back over the same stretch, or give the slope with --grade"
        )
    problem = Problem(
        coasts, layout, mass, with_b, None if both_ways else known_grade, even_sigma, density_kg_per_m3, learned
    )  # fmt: skip
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
    measured = replace(measured, second=interval_method(problem, best, whole, scatter))
    return replace(measured, caveats=_caveats(measured, both_ways, known_grade), learned=learned)


def _refuse_what_it_cannot_tell(measured: Measured, low: float, high: float) -> None:
    middle = (low + high) / 2
    force, give = float(measured.force(middle)), measured.half_width(middle)
    at = f"{force:.0f} ±{give:.0f} N at {speed_words(middle)}"
    if give > 0.5 * abs(force) or force <= 0:
        raise NoAnswer(
            f"these {len(measured.coasts)} coasts differ too much to measure anything ({at}). Coast again on a calm "
            "day, in both directions"
        )
    a_give, _, c_give = measured.half_widths
    if c_give > 0.6 * measured.c_n_per_mps2 or a_give > 0.6 * force or measured.a_n + a_give <= 0:
        raise NoAnswer(
            f"these coasts show the force ({at}) but not how it splits into rolling and drag. Coast over more speed, "
            "in both directions, some from other places"
        )


def _caveats(measured: Measured, both_ways: bool, known_grade: float | None) -> list[str]:
    said = []
    count = len(measured.coasts)
    if not both_ways and known_grade is None:
        said.append(
            "All coasts went in one direction. The result rests on the slope of the road as its passes show it and on "
            f"the wind (assumed known to {wind_words(WIND_PRIOR_MPS)}). Coast back over the same stretch to be surer."
        )
    elif not both_ways:
        said.append(
            f"All coasts went in one direction. The result rests on the slope given ({100 * (known_grade or 0):.2f} %, "
            f"assumed right to 0.1 %) and on the wind (assumed known to {wind_words(WIND_PRIOR_MPS)})."
        )
    if count < 4:
        said.append(
            f"With {count} {'coast' if count == 1 else 'coasts'} the gusts of the wind are only roughly known. "
            "Drive five in each direction."
        )
    one_way = [s for s in measured.stretches if min(s.forward, s.backward) == 0]
    if both_ways and one_way:
        said.append(
            f"{len(one_way)} of {len(measured.stretches)} stretches were coasted in only one direction and add little."
        )
    windy = max((abs(w) for s in measured.stretches for w, _ in s.wind_mps.values()), default=0.0)
    if windy > CALM_MPS:
        said.append(
            f"The wind along the road was {wind_words(windy)}. Coasts are good only up to {wind_words(CALM_MPS)}."
        )
    if both_ways and measured.road[0, 0] > max(measured.scatter[0, 0], (0.05 * measured.a_n) ** 2):
        said.append(
            "Most of the ± of A and C comes from the road. A dip or hump would look the same to these coasts. Start "
            "some from other places, or coast fast and slow over the same ground."
        )
    if measured.second is not None and not measured.second.agrees:
        said.append("The interval method does not agree with the fit. Check whether one of them was not a coast.")
    return said
