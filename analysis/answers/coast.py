"""The answer of `coast`: road load from coasts in neutral."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.answers.encoding import Answer, Figure, Utc
from analysis.answers.learned_slopes import LearnedSlopesAnswer, slopes_of
from analysis.changes.across_cars import one_car
from analysis.conditions.day_air import air_on
from analysis.drive import utc
from analysis.road import NORMAL_95, coastdown
from analysis.road.coasts import Mass
from logger.errors import NoAnswer

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.road.coast_intervals import IntervalEstimate
    from analysis.road.coast_model import Stretch
    from analysis.road.coastdown import Measured
    from analysis.road.coasts import Coast, RejectedCoast
    from analysis.road.slopes import LearnedRoad
    from logger.config.car import CarConfig


class RoadLoadTerms(Answer):
    """A figure for each term of the road load A + B v + C v^2."""

    a_n: float
    """Of A, rolling [N]."""
    b_n_per_mps: float
    """Of B [N/(m/s)]; 0 unless it was fitted."""
    c_n_per_mps2: float
    """Of C, air drag [N/(m/s)^2]."""


class CoastUsed(Answer):
    """One coast that the road load was made of."""

    start_utc: Utc
    """When it started."""
    outing: str
    """Coasts with the same word share a wind: the drive's id."""
    direction_deg: float
    """True course, the mean [deg]."""
    from_mps: float
    """Speed at its start [m/s]."""
    to_mps: float
    """Speed at its end [m/s]."""
    seconds: float
    """How long it lasted [s]."""
    noted: bool
    """Whether a note of the drive named it."""


class CoastRejected(Answer):
    """A stretch of falling speed that was not used."""

    start_utc: Utc
    """When it started."""
    from_mps: float
    """Speed at its start [m/s]."""
    to_mps: float
    """Speed at its end [m/s]."""
    why: str
    """Why it is not used."""


class CoastStretch(Answer):
    """A piece of road that coasts shared, with standard errors."""

    axis_deg: float
    """Its direction: the true course of the first coast over it [deg]."""
    length_m: float
    """How long it is [m]."""
    forward: int
    """Coasts in that direction."""
    backward: int
    """Coasts in the other direction."""
    grade: float
    """Rise over run in that direction, in its middle [-]."""
    grade_sigma: float
    """Standard error of that [-]."""
    wind_mps: dict[str, tuple[float, float]]
    """By outing: wind against travel in that direction, and its standard error [m/s]."""
    sag_m: float
    """How much lower its middle lies than its ends [m]."""
    sag_sigma_m: float
    """Standard error of that [m]."""
    passes: int
    """From how many passes its slope was learned, at the least; 0 where it was not."""


class IntervalForce(Answer):
    """The force over one interval of speed, by 40 CFR 1066.310: loss of speed over time, mean of both directions."""

    speed_mps: float
    """Middle of the interval [m/s]."""
    force_n: float
    """Mean of both directions [N]."""
    sigma_n: Figure
    """Its standard error [N]; null where a direction hangs on one coast."""
    forward_n: float
    """In one direction [N]."""
    backward_n: float
    """In the other direction [N]."""
    coasts: int
    """Coasts that passed it."""


class IntervalMethod(Answer):
    """A second estimate of the road load, by the interval method, that shares with the first the motion alone."""

    a_n: float
    """A, rolling [N]."""
    c_n_per_mps2: float
    """C, air drag [N/(m/s)^2]."""
    a_sigma_n: Figure
    """Standard error of A [N]; null with fewer than four coasts."""
    c_sigma_n_per_mps2: Figure
    """Standard error of C [N/(m/s)^2]; null with fewer than four coasts."""
    agrees: bool
    """Whether its forces agree with the fit's within the error of their difference (95 %)."""
    intervals: tuple[IntervalForce, ...]
    """By speed, rising."""


class ForceAtSpeed(Answer):
    """Road load at one speed, by the fit and by the interval method."""

    speed_mps: float
    """The speed [m/s]."""
    force_n: float
    """By the fit [N]."""
    half_width_n: float
    """Half its 95 % interval [N]."""
    power_w: float
    """What that takes [W]."""
    by_intervals_n: Figure
    """By the interval method [N]; null where it does not tell."""
    by_intervals_half_width_n: Figure
    """Half the 95 % interval of that [N]."""


class CoastAnswer(Answer):
    """Road load A + B v + C v^2 by coasts, on the level, in still air of `air_density_kg_per_m3`."""

    a_n: float
    """A, rolling [N]."""
    b_n_per_mps: float
    """B [N/(m/s)]; 0 unless it was fitted."""
    c_n_per_mps2: float
    """C, air drag [N/(m/s)^2]."""
    sigma: RoadLoadTerms
    """Standard errors."""
    half_width_95: RoadLoadTerms
    """Half the 95 % intervals."""
    coasts: int
    """How many coasts it is made of."""
    mass_kg: float
    """Mass of the car as driven [kg]."""
    mass_sigma_kg: float
    """Its standard error [kg]."""
    rotating_mass_kg: float
    """What rotating parts add, felt at the rim [kg]."""
    rotating_mass_sigma_kg: float
    """Its standard error [kg]."""
    air_density_kg_per_m3: float
    """The density of air that C is given for [kg/m3]."""
    rolling_coefficient: float
    """A over weight [-]."""
    rolling_coefficient_sigma: float
    """Its standard error [-]."""
    rolling_coefficient_half_width_95: float
    """Half its 95 % interval [-]."""
    drag_area_m2: float
    """2 C over density [m2]."""
    drag_area_sigma_m2: float
    """Its standard error [m2]."""
    drag_area_half_width_95_m2: float
    """Half its 95 % interval [m2]."""
    frontal_area_m2: float | None
    """Of the car's file [m2]."""
    drag_coefficient: float | None
    """Drag area over frontal area [-]; null where the car's file has no frontal area."""
    drag_coefficient_half_width_95: float | None
    """Half its 95 % interval, the frontal area taken as exact [-]."""
    gusts_mps: float
    """How much the wind, or whatever acts like it, gusted [m/s]."""
    gusts_s: float
    """For how long at a time [s]."""
    force: tuple[ForceAtSpeed, ...]
    """Road load over speed, rising."""
    list: tuple[CoastUsed, ...]
    """The coasts."""
    stretches: tuple[CoastStretch, ...]
    """The pieces of road they ran over."""
    slopes: LearnedSlopesAnswer | None
    """What the coasts were fitted with of slopes that all passes of the roads tell, `share` of the coasts; null where
    too few passed them."""
    interval_method: IntervalMethod | None
    """A second estimate; null where fewer than three intervals of speed have both directions."""
    left_out: tuple[CoastRejected, ...]
    """What looked like a coast and was not used."""
    caveats: tuple[str, ...]
    """What stands against the answer, a sentence each."""
    drives: tuple[str, ...]
    """Ids of the drives."""
    saved: str | None
    """The car's file that it was written into."""


def coast_answer(
    drives: Sequence[AnalysedDrive],
    car: CarConfig | None = None,
    *,
    with_b: bool = False,
    known_grade: float | None = None,
    even_sigma: float | None = None,
    save: Path | None = None,
) -> CoastAnswer:
    """The road load by all coasts of the drives together, written into the car's file `save` where one is named.

    Parameters
    ----------
    car : CarConfig, optional
        By default the file that the latest drive carries.
    with_b : bool
        Fit B as well.
    known_grade : float, optional
        Rise over run in the direction of travel, where all coasts went one way [-].
    even_sigma : float, optional
        How much the slope changes along a stretch, as a standard deviation [-]; 0.2 % by default.

    Raises
    ------
    NoAnswer
        Where the coasts cannot tell; the line says what to drive.
    """
    car = car_of(drives, car, "coast")
    uneven = coastdown.EVEN_SIGMA if even_sigma is None else even_sigma
    found = road_load_by_coasts(drives, car, with_b=with_b, known_grade=known_grade, even_sigma=uneven)
    if save is not None:
        from analysis.road.car_file import save_road_load

        days = sorted({drive.drive.manifest.started_utc.date().isoformat() for drive in drives})
        save_road_load(found, save, f"{len(found.coasts)} coasts of {', '.join(days)}")
    return _told(found, car, [drive.id for drive in drives], save)


# --- how it is worked out -----------------------------------------------------------------------------------------


def car_of(drives: Sequence[AnalysedDrive], given: CarConfig | None, what: str) -> CarConfig:
    """The car's file: the one given, else that of the latest drive that carries one; NoAnswer where there is none.

    InputError where the drives are of two cars.
    """
    one_car(drives, what)
    carried = [drive.car for drive in drives if drive.car is not None]
    if given is None and not carried:
        raise NoAnswer(f"{what} needs the car's mass, and no drive has a car's file. Give one with --car FILE.")
    return given or carried[-1]


def mass_of(car: CarConfig) -> Mass:
    """The masses of a car's file."""
    return Mass.of(car.car.mass_kg, car.car.mass_sigma_kg, car.car.rotating_mass_kg)


def road_load_by_coasts(
    drives: Sequence[AnalysedDrive],
    car: CarConfig,
    *,
    with_b: bool = False,
    known_grade: float | None = None,
    even_sigma: float = coastdown.EVEN_SIGMA,
) -> Measured:
    """The road load by all coasts of the drives together. NoAnswer where they cannot tell; see `coastdown.fit`."""
    mass, found = mass_of(car), []
    origin: tuple[float, float] | None = None
    left_out: list[RejectedCoast] = []
    doubt = 0.0
    for drive in drives:
        doubt = max(doubt, air_on(drive.drive, car).sigma)
        each = drive.coasts(mass, car, origin)
        origin = each.origin_deg if math.isfinite(each.origin_deg[0]) else origin
        found += each.coasts
        left_out += each.left_out
    if not found:
        why = "; ".join(sorted({left.why for left in left_out})[:3])
        raise NoAnswer(
            f"no coast found in {', '.join(drive.id for drive in drives)}" + (f" ({why})" if why else "")
            + ". Roll in neutral for a minute from a safe and lawful speed, both ways."
        )  # fmt: skip
    return coastdown.fit(
        found, mass, with_b=with_b, known_grade=known_grade, even_sigma=even_sigma, density_sigma=doubt,
        left_out=left_out, known_road=_learned_road(drives),
    )  # fmt: skip


def _learned_road(drives: Sequence[AnalysedDrive]) -> LearnedRoad | None:
    """The slopes of their roads by all passes up to the last of them."""
    with contextlib.suppress(NoAnswer):
        return max(drives, key=lambda drive: drive.drive.manifest.started_utc).learned_road
    return None


# --- how it is told -----------------------------------------------------------------------------------------------


def _told(found: Measured, car: CarConfig, drives: Sequence[str], saved: Path | None) -> CoastAnswer:
    rolling, area, frontal = found.rolling_coefficient, found.drag_area_m2, car.car.frontal_area_m2
    return CoastAnswer(
        a_n=found.a_n,
        b_n_per_mps=found.b_n_per_mps,
        c_n_per_mps2=found.c_n_per_mps2,
        sigma=_terms(found.sigma),
        half_width_95=_terms(found.half_widths),
        coasts=len(found.coasts),
        mass_kg=found.mass.mass_kg,
        mass_sigma_kg=found.mass.mass_sigma_kg,
        rotating_mass_kg=found.mass.rotating_kg,
        rotating_mass_sigma_kg=found.mass.rotating_sigma_kg,
        air_density_kg_per_m3=found.density_kg_per_m3,
        rolling_coefficient=rolling[0],
        rolling_coefficient_sigma=rolling[1],
        rolling_coefficient_half_width_95=NORMAL_95 * rolling[1],
        drag_area_m2=area[0],
        drag_area_sigma_m2=area[1],
        drag_area_half_width_95_m2=NORMAL_95 * area[1],
        frontal_area_m2=frontal,
        drag_coefficient=area[0] / frontal if frontal else None,
        drag_coefficient_half_width_95=NORMAL_95 * area[1] / frontal if frontal else None,
        gusts_mps=found.gusts[0],
        gusts_s=found.gusts[1],
        force=_force(found),
        list=tuple(map(_coast, found.coasts)),
        stretches=tuple(map(_stretch, found.stretches)),
        slopes=_slopes(found),
        interval_method=None if found.second is None else _intervals(found.second),
        left_out=tuple(map(_rejected, found.left_out)),
        caveats=tuple(found.caveats),
        drives=tuple(drives),
        saved=None if saved is None else str(saved),
    )


def _terms(of: tuple[float, float, float]) -> RoadLoadTerms:
    return RoadLoadTerms(a_n=of[0], b_n_per_mps=of[1], c_n_per_mps2=of[2])


def _force(found: Measured) -> tuple[ForceAtSpeed, ...]:
    """At the speeds of the interval method; at four round ones without it."""
    by_intervals = {} if found.second is None else {each.speed_mps: each for each in found.second.intervals}
    told = []
    for speed in sorted(by_intervals) or [5.0, 10.0, 15.0, 20.0]:
        each = by_intervals.get(speed)
        force = float(found.force(speed))
        told.append(
            ForceAtSpeed(
                speed_mps=speed,
                force_n=force,
                half_width_n=found.half_width(speed),
                power_w=force * speed,
                by_intervals_n=math.nan if each is None else each.force_n,
                by_intervals_half_width_n=math.nan if each is None else NORMAL_95 * each.sigma_n,
            )
        )
    return tuple(told)


def _coast(coast: Coast) -> CoastUsed:
    return CoastUsed(
        start_utc=utc(coast.start_utc_ns),
        outing=coast.outing,
        direction_deg=coast.direction_deg,
        from_mps=coast.from_mps,
        to_mps=coast.to_mps,
        seconds=coast.seconds,
        noted=coast.marked,
    )


def _rejected(left: RejectedCoast) -> CoastRejected:
    return CoastRejected(
        start_utc=utc(left.start_utc_ns), from_mps=left.from_mps, to_mps=left.to_mps, why=left.why
    )  # fmt: skip


def _stretch(stretch: Stretch) -> CoastStretch:
    return CoastStretch(
        axis_deg=stretch.axis_deg,
        length_m=stretch.length_m,
        forward=stretch.forward,
        backward=stretch.backward,
        grade=stretch.grade,
        grade_sigma=stretch.grade_sigma,
        wind_mps=stretch.wind_mps,
        sag_m=stretch.sag_m,
        sag_sigma_m=stretch.sag_sigma_m,
        passes=stretch.passes,
    )


def _slopes(found: Measured) -> LearnedSlopesAnswer | None:
    ran = sum(each.forward + each.backward for each in found.stretches if each.passes)
    told = [(slope.sigma, slope.passes) for slope in found.learned if slope is not None]
    return slopes_of(ran / len(found.coasts), told)


def _intervals(second: IntervalEstimate) -> IntervalMethod:
    return IntervalMethod(
        a_n=second.a_n,
        c_n_per_mps2=second.c_n_per_mps2,
        a_sigma_n=second.a_sigma_n,
        c_sigma_n_per_mps2=second.c_sigma_n_per_mps2,
        agrees=second.agrees,
        intervals=tuple(
            IntervalForce(
                speed_mps=each.speed_mps,
                force_n=each.force_n,
                sigma_n=each.sigma_n,
                forward_n=each.forward_n,
                backward_n=each.backward_n,
                coasts=each.coasts,
            )
            for each in second.intervals
        ),
    )
