"""What a change did: setup against setup, drive against drive, with intervals and a verdict in words.

    answer = compare(Side("baseline", runs_a), Side("long snorkel", runs_b), others, speeds_mps)

Differences are B less A: below zero, B is the quicker one. All runs of the season go into one model for each speed
(`day_effects`): what A and B were, what the other setups were, which way the road was driven, outings as blocks;
so the scatter of runs and days is learned from all drives of the car. The speeds of a table are one question: its
intervals hold together, and "faster" is said somewhere by mistake in at most 5 % of cases without an effect.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.arrays import Floats
from analysis.changes import day_effects, priors
from analysis.changes.day_prior import Prior
from analysis.changes.observations import FuelLoop, Observation, Side, setup_numbers, sigmas_to, times_to
from analysis.changes.verdicts import (
    LEVEL,
    MIN_RUNS,
    WORTH_SHARE,
    BandDifference,
    Measure,
    SplitDifference,
    TimesHeld,
    Verdict,
    overall_verdict,
    verdict_on,
    worths,
)
from analysis.changes.ways import directions, way_columns
from analysis.conditions.setups import Difference, differences
from analysis.conditions.weather import STEEP_PERCENT, WINDY_MPS
from analysis.wording import wind_words
from logger.units import l_per_100km


@dataclass(frozen=True)
class Conditions:
    """Wind along the way driven (against the car above zero) and grade (uphill above zero) over the runs of a side."""

    headwind_mps: tuple[float, float, float]
    """Least, mean, most; NaN where no drive has a wind."""
    grade_percent: tuple[float, float, float]

    @staticmethod
    def of(runs: Sequence[Observation]) -> Conditions:
        def span(values: list[float]) -> tuple[float, float, float]:
            told = [value for value in values if math.isfinite(value)]
            return (min(told), sum(told) / len(told), max(told)) if told else (math.nan, math.nan, math.nan)

        return Conditions(span([run.headwind_mps for run in runs]), span([run.grade_percent for run in runs]))


@dataclass(frozen=True)
class Comparison:
    a: str
    b: str
    parts_that_differ: list[Difference]
    splits: list[SplitDifference]
    trace: list[BandDifference]
    launch: Measure | None
    mixture: Measure | None
    fuel: Measure | None
    verdict: Verdict
    corrected_by: str
    """The correction that the verdict goes by; "" where it goes by raw times."""
    level: float
    each_level: float
    """What each of the splits' intervals holds by itself, so that all together hold at `level`."""
    conditions_a: Conditions
    conditions_b: Conditions
    caveats: list[str] = field(default_factory=list)
    background: list[str] = field(default_factory=list)
    """How the figures were worked out: what asks the owner for nothing."""
    outliers: list[str] = field(default_factory=list)

    @property
    def more_runs_each(self) -> int:
        """Runs of each, in one outing, that the highest speed that asks for runs asks for, where the verdict is open; 0
        where it is not, or nothing worth knowing is open. `compare` and `plan` both go by it."""
        if self.verdict.word not in ("no difference shown", "too few runs"):
            return 0
        asked = [split.verdict.more_runs_each for split in self.splits if split.verdict.more_runs_each]
        return asked[-1] if asked else self.verdict.more_runs_each


def compare(
    a: Side,
    b: Side,
    others: Sequence[Observation],
    speeds_mps: Floats,
    *,
    corrected_by: str = "",
    worth_s: float | None = None,
    other_loops: Sequence[FuelLoop] = (),
    channel: str = "AFR",
    unit: str = "mph",
    level: float = LEVEL,
) -> Comparison:
    """Compare the runs of `a` and `b`; `others` are further runs of the car, from which scatter is learned.

    Parameters
    ----------
    speeds_mps : (J,) array
        The speeds to time, in any order [m/s]. A run that does not reach one has no time there.
    corrected_by : str
        The name of the correction in the runs' `corrected_s`. The verdict goes by corrected times where every run of A
        and B has them, else, or where this is empty, by times as driven.
    worth_s : float, optional
        The change at the highest speed that is worth knowing [s]; by default 3 % of the time.
    other_loops : sequence of FuelLoop
        Further loops, from which the scatter of fuel is learned.
    channel : str
        Of the mixture, "AFR" or "lambda".
    level : float
        What all speeds' intervals hold together at, 0 to 1. `unit`: mph or km/h, for the speed in the verdict.
    """
    speeds = np.sort(np.asarray(speeds_mps, float))
    runs = [*a.runs, *b.runs, *others]
    model = _Model.of(a, b, runs)
    use_corrected = bool(corrected_by) and all(run.corrected_s is not None for run in [*a.runs, *b.runs])
    sigmas = sigmas_to(runs, speeds)
    prior = priors.time_priors(runs, speeds)
    raw = _Asked.of(model, times_to(runs, speeds), level, sigmas, prior)
    corrected = _corrected(model, runs, speeds, level, sigmas, prior) if use_corrected else None
    judged = corrected or raw
    main = judged.answer
    tops = [j for j, m in enumerate(judged.means) if min(m[0], m[1]) >= MIN_RUNS]
    worth = worths(judged.means, worth_s, tops)
    splits = []
    for j, speed in enumerate(speeds):
        count_a, count_b, _, _ = judged.means[j]
        verdict = verdict_on(
            judged.interval(j), count_a, count_b, (a.name, b.name), main.fit.scatter[j], main.fit.each_level[0],
            worth[j], main.tangled,
        )  # fmt: skip
        splits.append(
            SplitDifference(
                float(speed), count_a, count_b, raw.held(j), corrected.held(j) if corrected else None,
                main.fit.scatter[j], verdict,
            )
        )  # fmt: skip
    outliers = _outliers(runs, main.fit.studentised, speeds, len(a.runs) + len(b.runs))
    parts = differences(a.parts, b.parts) if a.parts is not None and b.parts is not None else []
    caveats, background = _caveats(a, b, parts, splits, main, model, bool(corrected_by) and not use_corrected)
    return Comparison(
        a.name,
        b.name,
        parts,
        splits,
        _trace(model, runs, a, b, level, use_corrected),
        _measure(model, runs, a, b, "launch", "s", level),
        _measure(model, runs, a, b, "full throttle", channel, level),
        _fuel(a, b, other_loops, level),
        overall_verdict(splits, a.name, b.name, unit),
        corrected_by if use_corrected else "",
        level,
        main.fit.each_level[0],
        Conditions.of(a.runs),
        Conditions.of(b.runs),
        [*caveats, *(_launch_caveat(a, b, speeds) if use_corrected else [])],
        background,
        outliers,
    )


def default_speeds(a: Side, b: Side, step_mps: float) -> Floats:
    """Every multiple of `step_mps` that at least `MIN_RUNS` runs of each side reach; of fewer runs, what all reach.

    Rising [m/s]; none where no side has a run.
    """
    tops = [sorted((float(run.speed_mps[np.isfinite(run.time_s)].max()) for run in side.runs), reverse=True)
            for side in (a, b) if side.runs]  # fmt: skip
    if not tops:
        return np.zeros(0)
    top = min(each[min(MIN_RUNS, len(each)) - 1] for each in tops)
    return np.asarray(step_mps * np.arange(1, int(top / step_mps + 1e-9) + 1))


# --- the model ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Answer:
    fit: day_effects.Fit
    tangled: bool
    """A went one way and B the other: direction cannot be told from the change."""


@dataclass(frozen=True)
class _Model:
    """Rows: runs of A, of B, of the others. Columns: A, B, the other setups, then the ways driven."""

    setups: Floats
    direction_deg: Floats
    outing: NDArray[np.int64]
    count_a: int
    count_b: int

    @staticmethod
    def of(a: Side, b: Side, runs: Sequence[Observation]) -> _Model:
        level = np.zeros(len(runs), np.int64)
        level[len(a.runs) :] = 1
        others = setup_numbers(runs[len(a.runs) + len(b.runs) :])
        level[len(a.runs) + len(b.runs) :] = 2 + others
        setups = (level[:, None] == np.arange(3 + others.max(initial=-1))).astype(float)
        outing = np.array([run.outing for run in runs], np.int64)
        return _Model(setups, np.array([run.direction_deg for run in runs]), outing, len(a.runs), len(b.runs))

    @functools.cached_property
    def ways(self) -> tuple[Floats, Floats]:
        """Columns for the ways driven, of all outings and an outing's own."""
        return way_columns(self.direction_deg, self.outing)

    def ask(
        self, y: Floats, level: float, sigma: Floats | None = None, prior: Sequence[Prior] | None = None
    ) -> _Answer:
        """B less A, with the finest account of the ways driven that leaves it determined."""
        told = np.all(np.isfinite(y), axis=1)
        there = bool(told[: self.count_a].any() and told[self.count_a : self.count_a + self.count_b].any())
        rows = told if there else np.any(np.isfinite(y), axis=1)
        common, own = self.ways
        for ways, apart in ((common, own), (common, own[:, :0]), (common[:, :0], own[:, :0])):
            design = np.hstack([self.setups, ways])
            wanted = np.zeros(design.shape[1])
            wanted[:2] = -1.0, 1.0
            if day_effects.estimable(design[rows], wanted, self.outing[rows], apart[rows]):
                break
        both = bool(rows[: self.count_a].any() and rows[self.count_a : self.count_a + self.count_b].any())
        tangled = both and common.shape[1] > 0 and ways.shape[1] == 0
        return _Answer(day_effects.contrasts(y, design, self.outing, wanted, level, sigma, prior, apart), tangled)


@dataclass(frozen=True)
class _Asked:
    """Times of one kind, as driven or corrected: what the model says of them, and their plain means."""

    answer: _Answer
    means: list[tuple[int, int, float, float]]
    """Runs of A, of B, mean of A, of B, for each column."""

    @staticmethod
    def of(model: _Model, times: Floats, level: float, sigma: Floats | None, prior: Sequence[Prior]) -> _Asked:
        means = [_means(times[:, j], model.count_a, model.count_b) for j in range(times.shape[1])]
        return _Asked(model.ask(times, level, sigma, prior), means)

    def interval(self, j: int) -> day_effects.ContrastInterval:
        found = self.answer.fit.intervals[0][j]
        return day_effects.blank(found) if self.answer.tangled else found

    def held(self, j: int) -> TimesHeld:
        _, _, mean_a, mean_b = self.means[j]
        return TimesHeld(mean_a, mean_b, self.interval(j))


def _corrected(
    model: _Model,
    runs: Sequence[Observation],
    speeds: Floats,
    level: float,
    sigmas: Floats | None,
    prior: Sequence[Prior],
    of: Callable[[Floats], Floats] = lambda times: times,
) -> _Asked:
    """Of corrected times, with intervals that hold whether or not the launch follows the air."""
    asked = _Asked.of(model, of(times_to(runs, speeds, True)), level, sigmas, prior)
    if all(run.unlaunched_s is None for run in runs):
        return asked
    limited = _Asked.of(model, of(times_to(runs, speeds, True, False)), level, sigmas, prior)
    fit = asked.answer.fit
    both = [day_effects.hull(*pair) for pair in zip(fit.intervals[0], limited.answer.fit.intervals[0], strict=True)]
    return replace(asked, answer=replace(asked.answer, fit=replace(fit, intervals=[both])))


def _means(y: Floats, count_a: int, count_b: int) -> tuple[int, int, float, float]:
    first, second = y[:count_a], y[count_a : count_a + count_b]
    first, second = first[np.isfinite(first)], second[np.isfinite(second)]
    return (
        len(first), len(second), float(first.mean()) if len(first) else math.nan,
        float(second.mean()) if len(second) else math.nan,
    )  # fmt: skip


# --- further figures ----------------------------------------------------------------------------------------------


def _trace(
    model: _Model, runs: Sequence[Observation], a: Side, b: Side, level: float, use_corrected: bool
) -> list[BandDifference]:
    """Time gained or lost in each band of speed, by the times judged by: the launch stays in the first."""
    edges = default_speeds(a, b, 2.5)
    if len(edges) < 2:
        return []
    prior = priors.band_priors(runs, edges)
    raw = _Asked.of(model, np.diff(times_to(runs, edges), axis=1), level, None, prior)
    corrected = _corrected(model, runs, edges, level, None, prior, np.diff) if use_corrected else None
    judged = corrected or raw
    fit = judged.answer.fit
    bands = []
    for j in range(len(edges) - 1):
        count_a, count_b, mean_a, _ = judged.means[j]
        verdict = verdict_on(
            judged.interval(j), count_a, count_b, (a.name, b.name), fit.scatter[j], fit.each_level[0],
            WORTH_SHARE * mean_a, judged.answer.tangled, ("quicker", "slower"),
        )  # fmt: skip
        bands.append(
            BandDifference(
                float(edges[j]), float(edges[j + 1]), raw.held(j), corrected.held(j) if corrected else None, verdict
            )
        )
    return bands


LAUNCH_MPS = 5.0
"""The launch is told by the time from one foot to this."""


def _measure(
    model: _Model, runs: Sequence[Observation], a: Side, b: Side, name: str, unit: str, level: float
) -> Measure | None:
    if name == "launch":
        y = times_to(runs, np.array([LAUNCH_MPS]))
        prior = priors.time_priors(runs, np.array([LAUNCH_MPS]))
        words, decimals, worth = ("quicker", "slower"), 2, 0.1
    else:
        y = np.array([[run.full_throttle] for run in runs]).reshape(len(runs), 1)
        prior = [priors.share_prior(y[:, 0], priors.MIXTURE_DAY, priors.MIXTURE_RUN)]
        words, decimals = ("richer", "leaner"), 2
        worth = 0.3 if unit == "AFR" else 0.02
    count_a, count_b, mean_a, mean_b = _means(y[:, 0], len(a.runs), len(b.runs))
    if not (count_a and count_b):
        return None
    answer = model.ask(y, level, None, prior)
    interval = answer.fit.intervals[0][0]
    if answer.tangled:
        interval = day_effects.blank(interval)
    verdict = verdict_on(
        interval, count_a, count_b, (a.name, b.name), answer.fit.scatter[0], level, worth, answer.tangled, words, unit,
        decimals,
    )  # fmt: skip
    said = "launch" if name == "launch" else "mixture at full throttle"
    return Measure(said, unit, count_a, count_b, mean_a, mean_b, interval, verdict)


def _fuel(a: Side, b: Side, others: Sequence[FuelLoop], level: float) -> Measure | None:
    """Fuel used a distance, each loop one figure; days enter through the loops, which are rarely two an outing."""
    loops = [*a.loops, *b.loops, *others]
    if not (a.loops and b.loops):
        return None
    stand_in = [
        Observation(
            loop.drive, loop.setup, loop.parts, loop.drive, loop.outing, 0.0, math.nan, np.zeros(1), np.zeros(1),
            np.zeros(1),
        )
        for loop in loops
    ]  # fmt: skip
    model = _Model.of(replace(a, runs=stand_in[: len(a.loops)]),
                      replace(b, runs=stand_in[len(a.loops) : len(a.loops) + len(b.loops)]), stand_in)  # fmt: skip
    y = np.array([[l_per_100km(loop.m3_per_m)] for loop in loops])
    sigma = np.array([[l_per_100km(loop.m3_per_m) * loop.sigma] for loop in loops])
    answer = model.ask(y, level, sigma, [priors.share_prior(y[:, 0], priors.FUEL_DAY, priors.FUEL_RUN)])
    interval = answer.fit.intervals[0][0]
    count_a, count_b, mean_a, mean_b = _means(y[:, 0], len(a.loops), len(b.loops))
    if not math.isfinite(interval.run_low):  # single loops: their own errors are all there is, days apart
        error = math.sqrt(float(np.sum((sigma[:count_a] / count_a) ** 2) + np.sum(
            (sigma[count_a : count_a + count_b] / count_b) ** 2)))  # fmt: skip
        estimate, half = mean_b - mean_a, 1.959964 * error
        interval = replace(
            interval, estimate=estimate, run_low=estimate - half, run_high=estimate + half,
            low=min(interval.low, estimate - half), high=max(interval.high, estimate + half),
        )  # fmt: skip
    verdict = verdict_on(
        interval, count_a, count_b, (a.name, b.name), answer.fit.scatter[0], level, 0.05 * mean_a, answer.tangled,
        ("less", "more"), "L/100 km",
    )  # fmt: skip
    if verdict.word == "too few runs":
        verdict = replace(verdict, sentence=verdict.sentence.replace("runs", "loops"))
    return Measure("fuel", "L/100 km", count_a, count_b, mean_a, mean_b, interval, verdict)


# --- what the reader must know ------------------------------------------------------------------------------------


def _outliers(runs: Sequence[Observation], studentised: Floats, speeds: Floats, compared: int) -> list[str]:
    """Runs of A and B that no scatter explains: the outlier test on studentised residuals, Bonferroni over runs.

    Each run is looked at where it is oddest, at half the degrees of freedom a speed: the speeds go together.
    """
    from scipy.special import stdtrit

    said = []
    told = np.sum(np.any(np.isfinite(studentised), axis=1))
    if told < 5:
        return []
    limit = float(stdtrit(max(int(told) // 2, 3), 1 - 0.025 / max(int(told), 1)))
    size = np.abs(studentised[:compared])
    known = np.any(np.isfinite(size), axis=1, keepdims=True)
    size = np.where(known & ~np.isnan(size), size, -np.inf)
    for i in np.flatnonzero((size > limit).any(axis=1)).tolist():
        j = int(size[i].argmax())
        slow = "slower" if studentised[i, j] > 0 else "faster"
        said.append(
            f"{runs[i].label} is much {slow} than the other runs ({size[i, j]:.1f} standard errors). It is counted"
        )
    return said


def _caveats(
    a: Side,
    b: Side,
    parts: Sequence[Difference],
    splits: Sequence[SplitDifference],
    main: _Answer,
    model: _Model,
    correction_missing: bool,
) -> tuple[list[str], list[str]]:
    """What changes what the owner does; and how the figures were worked out."""
    said: list[str] = []
    background: list[str] = []
    runs = [*a.runs, *b.runs]
    if len(parts) > 1:
        named = " and ".join([", ".join(each.part for each in parts[:-1]), parts[-1].part])
        said.append(
            f"{named} differ. This is what they do together; `pullbook effects` says whether they can be separated"
        )
    if splits:
        top = splits[-1]
        match top.judged.interval.days:
            case "included":
                background.append(
                    f"the differences between days are included. They start from {priors.DAY_SHARE:.1%} of power "
                    f"(common practice) and {_count(top.scatter.day_df, 'repeat outing')}. At the highest speed, days "
                    f"scatter by {top.scatter.day_sigma:.2f} s and runs of one day by {top.scatter.run_sigma:.2f} s"
                )
            case "cancelled":
                background.append("both were driven on the same outings, so days cancel")
            case "assumed" if top.runs_a and top.runs_b:
                said.append(
                    "no setup was driven on two days. Days are assumed to scatter by "
                    f"{priors.DAY_SHARE:.1%} of power (common practice). One outing with both makes the verdict "
                    "independent of that"
                )
        if (short := [s for s in splits if s.runs_a < len(a.runs) or s.runs_b < len(b.runs)]) and len(splits) > 1:
            said.append(
                "the slow runs are more likely to be missing: some did not reach the "
                f"{'highest speed' if len(short) == 1 else f'{len(short)} highest speeds'}"
            )
    said += _order(a, b)
    way = directions(np.array([run.direction_deg for run in runs]))
    shares = [np.bincount(way[:k], minlength=way.max(initial=0) + 1) / max(k, 1) for k in (len(a.runs),)]
    if runs and not any(math.isfinite(run.direction_deg) for run in runs):
        said.append("the directions are not known, so hills and wind are still in the times")
    elif way.max(initial=0) == 0 and runs:
        said.append("all runs went in one direction. Drive both ways to cancel hills and wind")
    elif main.tangled:
        said.append("each side was driven in one direction only. Drive both ways with both")
    elif len(a.runs) and len(b.runs):
        other = np.bincount(way[len(a.runs) :], minlength=len(shares[0])) / len(b.runs)
        if float(np.abs(shares[0] - other).max()) > 0.01:
            background.append("the two were not driven equally often in each direction. The figures allow for that")
    if correction_missing:
        bare = sorted({run.drive for run in runs if run.corrected_s is None})
        said.append(
            f"the weather is missing for some runs ({', '.join(bare[:3])}{' and others' if len(bare) > 3 else ''}). "
            "Times are as driven, and a cooler day looks like a better car. `pullbook weather DRIVE` adds it"
        )
    windy = [run for run in runs if run.wind_mps > WINDY_MPS]
    if windy:
        said.append(
            f"wind above {wind_words(WINDY_MPS)} in {_count(len({run.drive for run in windy}), 'drive')} "
            f"(to {wind_words(max(run.wind_mps for run in windy))}). It slows one direction more than it helps "
            f"the other"
        )
    unknown_wind = [run for run in runs if math.isnan(run.wind_mps)]
    if unknown_wind and not windy:
        said.append(f"the wind is not known for {_count(len({run.drive for run in unknown_wind}), 'drive')}")
    grades = np.array([run.grade_percent for run in runs])
    if np.any(np.abs(grades) > STEEP_PERCENT):
        said.append(f"grades up to {np.nanmax(np.abs(grades)):.1f} %. Drive both ways over the same stretch")
    soft = [sum(run.soft for run in side.runs) / max(len(side.runs), 1) for side in (a, b)]
    if abs(soft[0] - soft[1]) > 0.34:
        worse = a.name if soft[0] > soft[1] else b.name
        said.append(f"{worse} had more soft launches. `--trace` shows what happened after them")
    return said, background


_LAUNCH_SAID = 0.01


def _launch_caveat(a: Side, b: Side, speeds: Floats) -> list[str]:
    """Where it matters whether the launch follows the air: by more than a hundredth of a time."""
    most, where = 0.0, math.nan
    times = [np.array([times_to(side.runs, speeds, True, launch) for launch in (True, False)]) for side in (a, b)]
    for j, speed in enumerate(speeds):
        gaps = []
        for side in times:
            both = side[:, :, j]
            gaps.append(float(np.nanmean(both[0]) - np.nanmean(both[1])) if np.isfinite(both).any() else 0.0)
        if abs(gaps[1] - gaps[0]) > most:
            most, where = abs(gaps[1] - gaps[0]), float(speed)
    mean = float(np.nanmean(times_to(b.runs, np.array([where]), True))) if most else math.inf
    if most <= _LAUNCH_SAID * mean:
        return []
    return [
        f"it is not known whether the air or belt and clutch limit a launch. That is worth up to {most:.2f} s "
        f"here, and "
        "the intervals include it. Drive both on one day to remove it"
    ]


def _order(a: Side, b: Side) -> list[str]:
    """Whether within their shared outings one side always came first."""
    shared = {run.outing for run in a.runs} & {run.outing for run in b.runs}
    if not shared:
        return []
    firsts = {
        np.mean([r.start_s for r in a.runs if r.outing == o]) < np.mean([r.start_s for r in b.runs if r.outing == o])
        and max(r.start_s for r in a.runs if r.outing == o) < min(r.start_s for r in b.runs if r.outing == o)
        for o in shared
    }
    if firsts == {True}:
        return [
            f"{a.name} always came before {b.name}. An engine that warms up would look the same. End with the "
            f"first again"
        ]
    back = all(
        max(r.start_s for r in b.runs if r.outing == o) < min(r.start_s for r in a.runs if r.outing == o)
        for o in shared
    )
    if back:
        return [
            f"{b.name} always came before {a.name}. An engine that warms up would look the same. End with the "
            f"first again"
        ]
    return []


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"
