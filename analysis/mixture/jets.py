"""Main jets: what a change of diameter does to full throttle, and which jet to try next.

    law = response(tested)                         # what this car's own history says, or the area rule
    now = present(tested, latest, law)             # full throttle of one setup, its drives together
    advice = advise(now, law, jets, target, ...)

A jet with a fixed signal across it passes fuel in proportion to its area, so AFR goes with 1 / d^2 (common practice). A
real carburettor departs from that, which is why a car's own history, once it holds two jets, beats the rule. A
carburettor meters volume: air mass and fuel mass both follow the root of density times the same pressure
difference, so at the same jet the AFR goes with the root of the air's density [2].

References
----------
[1] ASME B94.11M, Twist Drills: the number sizes.
[2] J. B. Heywood, Internal Combustion Engine Fundamentals, McGraw-Hill 1988, section 7.2: the elementary carburettor.
[3] G. K. Smyth, Linear models and empirical Bayes methods, Stat. Appl. Genet. Mol. Biol. 3 (2004): moderated variance.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.arrays import Floats
from analysis.mixture.map import Window
from logger.units import MM_PER_INCH

NUMBER_DRILLS_INCH = {
    80: 0.0135, 79: 0.0145, 78: 0.0160, 77: 0.0180, 76: 0.0200, 75: 0.0210, 74: 0.0225, 73: 0.0240, 72: 0.0250,
    71: 0.0260, 70: 0.0280, 69: 0.0292, 68: 0.0310, 67: 0.0320, 66: 0.0330, 65: 0.0350, 64: 0.0360, 63: 0.0370,
    62: 0.0380, 61: 0.0390, 60: 0.0400, 59: 0.0410, 58: 0.0420, 57: 0.0430, 56: 0.0465, 55: 0.0520, 54: 0.0550,
    53: 0.0595, 52: 0.0635, 51: 0.0670, 50: 0.0700, 49: 0.0730, 48: 0.0760, 47: 0.0785, 46: 0.0810, 45: 0.0820,
    44: 0.0860, 43: 0.0890, 42: 0.0935, 41: 0.0960, 40: 0.0980,
}  # fmt: skip
"""Number drills and their diameters in inches [1]; 53 to 40 are from memory."""

DRILL_SIGMA_MM = 0.013
"""How far a hole drilled by hand is from its drill: half a thousandth of an inch (common practice, no source)."""
OWN_SIGMA_MM = 0.005
"""How far a jet is from what its owner measured and wrote into the setup."""
METRIC_SIGMA_MM = 0.008
"""How far a bought jet is from its mark (common practice, no source)."""

AREA_RULE, AREA_RULE_SIGMA = -2.0, 0.5
"""Exponent of AFR by diameter, and how far a real carburettor may be from it (common practice, no source)."""
SCATTER, SCATTER_DF = 0.006, 4.0
"""What full throttle does from drive to drive at the same jet, as a share, before the car has shown its own; and the
degrees of freedom that this counts for. 0.6 % is 0.07 AFR (common practice, no source)."""
REFERENCE_AIR_KG_PER_M3 = 1.2
"""The density that all drives are brought to while they are held against each other; it cancels."""
UNKNOWN_AIR = 0.01
"""What not knowing the air's density does to AFR, as a share: 2 % of density, which 6 C make."""
HELD = 1.645
"""A step is kept within its limit in 95 of 100 cases: by this many standard errors."""
SENSOR_SHARE, CHECKED_SHARE = 0.02, 0.01
"""How far off a wideband sensor may be alike in all its readings, as a share, one standard error: 0.3 AFR, and half of
that where it was seen in free air at a standstill (common practice, no source)."""
MAX_LEAN_RISK = 0.2
"""A jet is not advised where the chance of being leaner than the window is above this."""


@dataclass(frozen=True)
class Jet:
    """A jet or drill to be had."""

    name: str
    diameter_mm: float
    sigma_mm: float
    kind: Literal["owned", "number", "metric"]


@dataclass(frozen=True)
class Pull:
    """Full throttle in one speed band of one drive."""

    from_mps: float
    value: float
    """Median AFR or lambda."""
    sigma: float


@dataclass(frozen=True)
class Tried:
    """Full throttle of one drive with one jet.

    Attributes
    ----------
    others : str
        The rest of the setup, in words: drives are compared only where it is the same.
    density_kg_per_m3 : float
        Of the air; NaN where the weather is not known.
    stoich_afr : float
        Of the fuel in the tank.
    """

    drive: str
    diameter_mm: float
    others: str
    pulls: tuple[Pull, ...]
    density_kg_per_m3: float
    stoich_afr: float


@dataclass(frozen=True)
class Response:
    """AFR goes with diameter to the power of `exponent`; 95 % interval `low` to `high`."""

    exponent: float
    sigma: float
    low: float
    high: float
    source: Literal["area rule", "this car's history"]
    jets: int
    drives: int
    scatter: float
    """Standard deviation of full throttle from drive to drive at the same jet, as a share."""
    says: str


@dataclass(frozen=True)
class Present:
    """Full throttle of a setup in a stated air, all its drives together.

    Attributes
    ----------
    value, sigma, low, high : float
        AFR or lambda, its standard error and 95 % interval, over the speeds that the drives pulled through.
    density_kg_per_m3 : float
        The air that `value` is for; NaN where not known.
    drives : int
        Drives of the setup.
    """

    diameter_mm: float
    value: float
    sigma: float
    low: float
    high: float
    density_kg_per_m3: float
    drives: int
    leanest: Pull | None
    """The leanest speed band of the latest drive."""
    lean_excess: float = 0.0
    """By how much that band is leaner than the mean of the drive's bands, in logs; and its standard error."""
    lean_excess_sigma: float = 0.0
    hole_sigma_mm: float = OWN_SIGMA_MM
    """How far off the diameter that is in may be, one standard error."""
    sensor_sigma: float = 0.0
    """How far off the sensor may be alike in all readings, one standard error in the value's unit; it is in `low` and
    `high`, and not in `sigma`, for a step from one jet to another shares it."""


@dataclass(frozen=True)
class Expected:
    """What full throttle would be with a jet: median, 95 % interval with the sensor's offset, and the chances about the
    target window by the sensor's own showing: in for the mean over speeds, lean for the leanest band of speed."""

    jet: Jet
    value: float
    low: float
    high: float
    by_area_rule: float
    change: float
    chance_in: float
    chance_lean: float
    allowed: bool
    why_not: str
    step_high: float = 0.0
    """The most that it may lean full throttle by, in 95 of 100 cases: exponent and both holes may be off."""


@dataclass(frozen=True)
class Advice:
    """Which jet next. `choice` is None where the present one should stay or none that may be advised can be had."""

    verdict: Literal["keep", "change", "none to be had"]
    choice: Expected | None
    wanted_mm: float
    wanted_low_mm: float
    wanted_high_mm: float
    expected: tuple[Expected, ...]
    says: str


# --- rules ---------------------------------------------------------------------------------------------------------


def afr_with_jet(afr: float, from_mm: float, to_mm: float, exponent: float = AREA_RULE) -> float:
    """AFR after a change of jet: afr (to / from)^exponent; exponent -2 is the area rule."""
    return float(afr * (to_mm / from_mm) ** exponent)


def air_change(from_density: float, to_density: float) -> float:
    """What a change of the air's density does to a carburettor's AFR, as a share [2]: thinner air is richer."""
    return math.sqrt(to_density / from_density) - 1


def diameter_for(afr: float, wanted: float, diameter_mm: float, exponent: float = AREA_RULE) -> float:
    """The diameter that brings `afr` to `wanted` [mm]."""
    return float(diameter_mm * (wanted / afr) ** (1 / exponent))


def number_drills() -> list[Jet]:
    """The number drills as jets."""
    return [Jet(f"No. {n}", inch * MM_PER_INCH, DRILL_SIGMA_MM, "number") for n, inch in NUMBER_DRILLS_INCH.items()]


def metric_jets(step_mm: float, low_mm: float, high_mm: float) -> list[Jet]:
    """Metric jets in even steps from `low_mm` to `high_mm`."""
    first, last = math.ceil(low_mm / step_mm - 1e-9), math.floor(high_mm / step_mm + 1e-9)
    digits = 2 if abs(step_mm * 100 - round(step_mm * 100)) < 1e-9 else 3
    return [
        Jet(f"{k * step_mm:.{digits}f} mm", round(k * step_mm, 6), METRIC_SIGMA_MM, "metric")
        for k in range(first, last + 1)
    ]


# --- what the drives say --------------------------------------------------------------------------------------------


def levels(tested: Sequence[Tried]) -> tuple[Floats, Floats]:
    """Log of full throttle by drive and its variance, as if all drives had pulled through the same speeds.

    Full throttle is seldom equally rich at all speeds, and drives pull through different ones; so the logs of the
    bands' medians are fitted as drive + band by weighted least squares, and the drives' terms are returned. They are
    brought to `REFERENCE_AIR_KG_PER_M3` by the root rule [2] and to the mass ratio of air to fuel by the fuel's
    stoichiometric ratio, so that drives in other weather and on other blends can stand together.

    Parameters
    ----------
    tested : sequence of Tried, n of them
        Each with at least one pull; values in AFR where lambda 1 is 14.7, or all in lambda.

    Returns
    -------
    level, variance : array, shape (n,)
        Logs, so shares. Air that is not known is taken as the reference's, and `UNKNOWN_AIR` goes into the variance.
    """
    bands = sorted({pull.from_mps for t in tested for pull in t.pulls})
    rows = [(i, bands.index(pull.from_mps), pull) for i, t in enumerate(tested) for pull in t.pulls]
    weight = np.array([pull.value / max(pull.sigma, 1e-3 * pull.value) for _, _, pull in rows])
    y = np.log([pull.value for _, _, pull in rows])
    design = np.zeros((len(rows), len(tested) + len(bands)))
    for k, (i, j, _) in enumerate(rows):
        design[k, i] = design[k, len(tested) + j] = 1.0
    # The bands' terms, as seen over all drives, sum to zero; a faint pull to zero settles bands that no two share.
    share = design[:, len(tested) :].sum(axis=0) / len(rows)
    tie = np.concatenate([np.zeros(len(tested)), share])[None, :] * 1e4
    faint = np.hstack([np.zeros((len(bands), len(tested))), np.eye(len(bands))])
    full = np.vstack([design * weight[:, None], tie, faint])
    target = np.concatenate([y * weight, np.zeros(1 + len(bands))])
    covariance = np.linalg.inv(full.T @ full)
    found = (covariance @ full.T @ target)[: len(tested)]
    for i, t in enumerate(tested):
        if math.isfinite(t.density_kg_per_m3):
            found[i] -= math.log1p(air_change(REFERENCE_AIR_KG_PER_M3, t.density_kg_per_m3))
        found[i] += math.log(t.stoich_afr)
    variance = np.diag(covariance)[: len(tested)].copy()
    variance += [0.0 if math.isfinite(t.density_kg_per_m3) else UNKNOWN_AIR**2 for t in tested]
    return found, variance


def response(tested: Sequence[Tried]) -> Response:
    """How this car answers a jet: from its own history where that holds two jets with all else the same.

    The logs of full throttle are fitted as setup + exponent times the log of the diameter, a level for each rest of
    the setup. The scatter from drive to drive is the fit's own, moderated [3] by `SCATTER` while drives are few. The
    area rule is used, and the reason said, where there are no two such jets, where the history's exponent is known
    less well than the rule, or where it makes no sense (a larger jet that leans).
    """
    usable = [t for t in tested if t.pulls]
    groups: dict[str, list[int]] = {}
    for i, t in enumerate(usable):
        groups.setdefault(t.others, []).append(i)
    telling = [m for m in groups.values() if len({round(usable[i].diameter_mm, 4) for i in m}) > 1]
    jets = len({round(usable[i].diameter_mm, 4) for m in telling for i in m})
    drives = sum(len(m) for m in groups.values())
    level, variance = levels(usable) if usable else (np.empty(0), np.empty(0))
    if not telling:
        scatter = _scatter(level, variance, groups.values(), {i: t.diameter_mm for i, t in enumerate(usable)})
        many = len({round(t.diameter_mm, 4) for t in usable}) > 1
        says = (
            "Each jet in this car's history came with other changed parts, so the area rule is used."
            if many
            else "This car's history has only one jet, so the area rule is used: AFR goes with 1 / diameter squared."
        )
        return _rule(says, len({round(t.diameter_mm, 4) for t in usable}), drives, scatter)

    members = [i for m in telling for i in m]
    x = np.log([usable[i].diameter_mm for i in members])
    owner = np.concatenate([[k] * len(m) for k, m in enumerate(telling)])
    design = np.column_stack([x, *(owner == k for k in range(len(telling)))]).astype(np.float64)
    y, own = level[members], variance[members]
    freedom = len(members) - design.shape[1]
    scatter = SCATTER
    for _ in range(20):
        w = 1 / (own + scatter**2)
        covariance = np.linalg.inv(design.T @ (design * w[:, None]))
        beta = covariance @ design.T @ (w * y)
        left = float(np.sum((y - design @ beta) ** 2 - own * (1 if freedom > 0 else 0))) if freedom > 0 else 0.0
        scatter = math.sqrt((SCATTER_DF * SCATTER**2 + max(left, 0.0)) / (SCATTER_DF + max(freedom, 0)))
    from scipy.special import stdtrit

    exponent, sigma = float(beta[0]), float(math.sqrt(covariance[0, 0]))
    reach = float(stdtrit(SCATTER_DF + max(freedom, 0), 0.975)) * sigma
    said = (
        f"{jets} jets in {len(members)} drives show that AFR goes as diameter to the power {exponent:.2f} ±{reach:.2f}"
    )
    if sigma > AREA_RULE_SIGMA:
        return _rule(
            f"{said}, which is less certain than the area rule (-2), so the rule is used.", jets, drives, scatter
        )
    if exponent + reach < -6 or exponent > -0.2:
        return _rule(f"{said}, which cannot be right for a jet, so the area rule is used.", jets, drives, scatter)
    return Response(
        exponent, sigma, exponent - reach, exponent + reach, "this car's history", jets, drives, scatter,
        f"{said} (the area rule says -2).",
    )  # fmt: skip


def _rule(says: str, jets: int, drives: int, scatter: float) -> Response:
    reach = 1.96 * AREA_RULE_SIGMA
    return Response(
        AREA_RULE, AREA_RULE_SIGMA, AREA_RULE - reach, AREA_RULE + reach, "area rule", jets, drives, scatter, says
    )


def _scatter(level: Floats, variance: Floats, groups: Iterable[list[int]], diameter: dict[int, float]) -> float:
    """Scatter of repeated drives with one setup and jet, moderated by the usual figure."""
    square, freedom = 0.0, 0
    for group in groups:
        for d in {diameter[i] for i in group}:
            same = [i for i in group if diameter[i] == d]
            if len(same) > 1:
                square += float(np.sum((level[same] - level[same].mean()) ** 2)) - float(
                    variance[same].mean() * (len(same) - 1)
                )
                freedom += len(same) - 1
    return math.sqrt((SCATTER_DF * SCATTER**2 + max(square, 0.0)) / (SCATTER_DF + freedom))


def present(
    tested: Sequence[Tried], setup: Tried, law: Response, per_lambda_stoich: float | None = None,
    density_kg_per_m3: float = math.nan,
    hole_sigma_mm: float = OWN_SIGMA_MM,
    sensor_share: float = SENSOR_SHARE,
) -> Present:  # fmt: skip
    """Full throttle of `setup` (the latest drive's) in air of the given density, over all its drives.

    Parameters
    ----------
    per_lambda_stoich : float, optional
        Stoichiometric ratio of the fuel it will be run on; by default that of the latest drive.
    density_kg_per_m3 : float
        Of the air it will be run in; by default that of the latest drive.
    hole_sigma_mm : float
        How far off the present jet's diameter may be [mm].
    sensor_share : float
        How far off the sensor may be alike in all readings, as a share.
    """
    from scipy.special import stdtrit

    usable = [t for t in tested if t.pulls]
    level, variance = levels(usable)
    same = [
        i for i, t in enumerate(usable)
        if t.others == setup.others and math.isclose(t.diameter_mm, setup.diameter_mm, abs_tol=1e-4)
    ]  # fmt: skip
    w = 1 / (variance[same] + law.scatter**2)
    mean, sigma = float(np.sum(w * level[same]) / np.sum(w)), float(1 / math.sqrt(np.sum(w)))
    density = density_kg_per_m3 if math.isfinite(density_kg_per_m3) else setup.density_kg_per_m3
    if math.isfinite(density):
        mean += math.log1p(air_change(REFERENCE_AIR_KG_PER_M3, density))
    mean -= math.log(per_lambda_stoich or setup.stoich_afr)
    reach = math.hypot(float(stdtrit(SCATTER_DF + len(same) - 1, 0.975)) * sigma, 1.96 * sensor_share)
    value = math.exp(mean)
    leanest = max(setup.pulls, key=lambda p: p.value, default=None)
    excess = excess_sigma = 0.0
    if leanest is not None:
        excess = math.log(leanest.value) - float(np.mean(np.log([pull.value for pull in setup.pulls])))
        excess_sigma = leanest.sigma / leanest.value if len(setup.pulls) > 1 else 0.0
    return Present(
        setup.diameter_mm, value, value * sigma, value * math.exp(-reach), value * math.exp(reach), density, len(same),
        leanest, excess, excess_sigma, hole_sigma_mm, value * sensor_share,
    )  # fmt: skip


# --- advice --------------------------------------------------------------------------------------------------------


def advise(now: Present, law: Response, jets: Sequence[Jet], target: Window, max_lean_step: float) -> Advice:
    """Which of the jets to try next.

    The aim is the middle of the window. A jet is not advised where it may lean by more than `max_lean_step` (in the
    map's own scale) in more than 5 of 100 cases, the response and both holes being known as well as they are; where the
    leanest band of speed would be expected outside the lean end of the window, or where the chance of that is over
    `MAX_LEAN_RISK`. If the present mixture lies in the window, the jet stays. Of the jets that may be
    advised, the one most likely to land in the window is, with the chance of a lean miss taken off.
    """
    aim = (target.low + target.high) / 2
    wanted = diameter_for(now.value, aim, now.diameter_mm, law.exponent)
    ends = [
        diameter_for(value, aim, now.diameter_mm, exponent)
        for value in (now.low, now.high)
        for exponent in (min(law.low, -0.3), min(law.high, -0.3))
    ]
    expected = tuple(
        sorted((_expect(now, law, jet, target, max_lean_step) for jet in jets), key=lambda e: -e.jet.diameter_mm)
    )
    low, high = min(ends), max(ends)
    if target.low <= now.value <= target.high:
        says = "Full throttle is inside its window. Leave the main jet alone."
        return Advice("keep", None, wanted, low, high, expected, says)
    allowed = [e for e in expected if e.allowed and (e.change > 0) == (now.value < target.low)]
    better = [e for e in allowed if abs(math.log(e.value / aim)) < abs(math.log(now.value / aim))]
    if not better:
        way = "smaller" if now.value < target.low else "larger"
        says = f"There is no jet to advise. None of those you can get is {way} and within the limits."
        return Advice("none to be had", None, wanted, low, high, expected, says)
    choice = max(better, key=lambda e: (e.chance_in - e.chance_lean, e.jet.kind == "owned"))
    if choice.chance_in < 0.1:  # the window is more than one step away: the nearest that may be
        choice = min(better, key=lambda e: (round(abs(math.log(e.value / aim)), 4), e.jet.kind != "owned"))
    there = target.low <= choice.value <= target.high
    size = "" if choice.jet.kind == "metric" else f" ({choice.jet.diameter_mm:.3f} mm)"
    says = f"Try {choice.jet.name}{size}" + (
        "." if there else " as a first step, then drive again. One step does not reach the window."
    )
    return Advice("change", choice, wanted, low, high, expected, says)


def _expect(now: Present, law: Response, jet: Jet, target: Window, max_lean_step: float) -> Expected:
    from scipy.special import ndtr

    ratio = math.log(jet.diameter_mm / now.diameter_mm)
    value = now.value * math.exp(law.exponent * ratio)
    spread = math.sqrt(
        (now.sigma / now.value) ** 2 + law.scatter**2 + (ratio * law.sigma) ** 2
        + (law.exponent * jet.sigma_mm / jet.diameter_mm) ** 2
    )  # fmt: skip
    worst = value * math.exp(now.lean_excess)
    below, above = (float(ndtr(math.log(edge / value) / spread)) for edge in (target.low, target.high))
    lean = float(ndtr(-math.log(target.high / worst) / math.hypot(spread, now.lean_excess_sigma)))
    change, why = value - now.value, ""
    step_sigma = value * math.sqrt(
        (ratio * law.sigma) ** 2 + (law.exponent * jet.sigma_mm / jet.diameter_mm) ** 2
        + (law.exponent * now.hole_sigma_mm / now.diameter_mm) ** 2
    )  # fmt: skip
    step_high = change + HELD * step_sigma
    if change > max_lean_step:
        why = f"leaner by {change:.2f}, more than one step allows"
    elif change > 0 and step_high > max_lean_step:
        why = f"leaner by {change:.2f}, or up to {step_high:.2f} because holes vary; more than one step allows"
    elif change > 0 and worst > target.high:
        why = "its leanest speeds would be leaner than the window"
    elif change > 0 and lean > MAX_LEAN_RISK:
        why = f"{lean:.0%} chance that its leanest speeds are leaner than the window"
    reach = 1.96 * math.hypot(spread, now.sensor_sigma / now.value)
    return Expected(
        jet, value, value * math.exp(-reach), value * math.exp(reach),
        afr_with_jet(now.value, now.diameter_mm, jet.diameter_mm), change, above - below, lean, not why, why, step_high,
    )  # fmt: skip


def near(jets: Sequence[Jet], diameters_mm: Sequence[float], count: int = 2) -> list[Jet]:
    """The jets between the given diameters and, of each kind, `count` more on either side; largest first."""
    low, high = min(diameters_mm), max(diameters_mm)
    chosen: list[Jet] = []
    for kind in ("owned", "number", "metric"):
        of_kind = sorted((j for j in jets if j.kind == kind), key=lambda j: j.diameter_mm)
        below = [j for j in of_kind if j.diameter_mm < low][-count:]
        above = [j for j in of_kind if j.diameter_mm > high][:count]
        chosen += [*below, *(j for j in of_kind if low <= j.diameter_mm <= high), *above]
    return sorted(chosen, key=lambda j: -j.diameter_mm)
