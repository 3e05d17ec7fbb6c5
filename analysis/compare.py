"""What a change did: setup against setup, drive against drive, with intervals and a verdict in words.

    answer = compare(Side("baseline", runs_a), Side("long snorkel", runs_b), others, speeds_mps)

Differences are B less A: below zero, B is the quicker one. All runs of the season go into one model for each speed
(`analysis.blocks`): what A and B were, what the other setups were, which way the road was driven, outings as blocks;
so the scatter of runs and days is learned from all drives of the car. The speeds of a table are one question: its
intervals hold together, and "faster" is said somewhere by mistake in at most 5 % of cases without an effect.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis import blocks
from analysis.blocks import POWER, Interval, Scatter
from analysis.setups import Difference, Parts, differences, same
from analysis.weather import STEEP_PERCENT, WINDY_MPS

Floats = NDArray[np.float64]
Word = Literal["faster", "slower", "no difference shown", "too few runs"]

LEVEL = 0.95
MIN_RUNS = 3
"""Fewer runs of a setup than this get no verdict: two cannot show that one of them is odd (common practice)."""
WORTH_SHARE = 0.03
"""The change worth knowing where the owner names none: 3 % of the time, about a jet size (common practice)."""
_DIRECTION_GAP_DEG = 40.0
_FEW_DF = 2.0
_FEW_DAY_DF = 3
_MOST_RUNS = 200


@dataclass(frozen=True)
class Observation:
    """One run as it enters a comparison. Times count from one foot; NaN where the run has none."""

    label: str
    """How the owner finds it: DRIVE:RUN."""
    setup: str
    parts: Parts | None
    """None: the drive carries no setup."""
    drive: str
    outing: int
    """Drives of one day are one outing and share its number."""
    start_s: float
    """UTC, seconds since 1970."""
    direction_deg: float
    speed_mps: Floats
    """Rising speeds of the tables below, those of every multiple of 5 mph and 10 km/h among them."""
    time_s: Floats
    sigma_s: Floats
    corrected_s: Floats | None = None
    """Times corrected to standard air; None where the weather says too little."""
    grade_percent: float = math.nan
    headwind_mps: float = math.nan
    wind_mps: float = math.nan
    full_throttle: float = math.nan
    """Median mixture at full throttle in this run, in the car's channel."""
    rise_s: float = math.nan
    """How long the launch took to build up."""
    soft: bool = False

    def time_to(self, speeds_mps: Floats, corrected: bool = False) -> Floats:
        """Times [s] to the given speeds; between table speeds by monotone cubic, NaN beyond."""
        table = self.corrected_s if corrected else self.time_s
        if table is None:
            return np.full(len(speeds_mps), np.nan)
        return _read(self.speed_mps, table, speeds_mps)

    def sigma_to(self, speeds_mps: Floats) -> Floats:
        return _read(self.speed_mps, self.sigma_s, speeds_mps)


@dataclass(frozen=True)
class FuelLoop:
    """One fuel loop as it enters a comparison."""

    drive: str
    setup: str
    parts: Parts | None
    outing: int
    m3_per_m: float
    sigma: float
    """Relative."""


@dataclass(frozen=True)
class Side:
    """One side of a comparison."""

    name: str
    runs: Sequence[Observation]
    parts: Parts | None = None
    loops: Sequence[FuelLoop] = ()


@dataclass(frozen=True)
class Verdict:
    """What is concluded, in a word and in a sentence."""

    word: str
    sentence: str
    detectable: float = math.nan
    """The difference that this data would have shown in 8 of 10 cases."""
    more_runs_each: int = 0
    """Runs of each setup, in one outing, that would show the change worth knowing; 0 where none are asked for."""


@dataclass(frozen=True)
class SplitDifference:
    """B less A in the time to one speed [s]."""

    speed_mps: float
    runs_a: int
    runs_b: int
    mean_a_s: float
    mean_b_s: float
    interval: Interval
    """Of the times that the verdict goes by."""
    raw: Interval
    corrected: Interval | None
    scatter: Scatter
    verdict: Verdict


@dataclass(frozen=True)
class BandDifference:
    """B less A in the time spent between two speeds [s]."""

    from_mps: float
    to_mps: float
    mean_a_s: float
    interval: Interval
    verdict: Verdict


@dataclass(frozen=True)
class Measure:
    """B less A in one further figure."""

    name: str
    unit: str
    count_a: int
    count_b: int
    mean_a: float
    mean_b: float
    interval: Interval
    verdict: Verdict


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
    outliers: list[str] = field(default_factory=list)


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
    level: float = LEVEL,
) -> Comparison:
    """Compare the runs of `a` and `b`; `others` are further runs of the car, from which scatter is learned.

    `speeds_mps`: the speeds to time. `corrected_by`: the name of the correction in the runs' `corrected_s`; the verdict
    goes by corrected times where every run of A and B has them, else by raw ones. `worth_s`: the change at the
    highest speed that is worth knowing; by default 3 % of the time.
    """
    speeds = np.sort(np.asarray(speeds_mps, float))
    runs = [*a.runs, *b.runs, *others]
    model = _Model.of(a, b, runs)
    use_corrected = bool(corrected_by) and all(run.corrected_s is not None for run in [*a.runs, *b.runs])
    raw = model.ask(_times(runs, speeds), level, _sigmas(runs, speeds))
    corrected = model.ask(_times(runs, speeds, True), level, _sigmas(runs, speeds)) if use_corrected else None
    main = corrected or raw
    times = _times(runs, speeds)
    means = [_means(times[:, j], len(a.runs), len(b.runs)) for j in range(len(speeds))]
    tops = [j for j, m in enumerate(means) if min(m[0], m[1]) >= MIN_RUNS]
    worth = _worths(means, worth_s, tops)
    splits = []
    for j, speed in enumerate(speeds):
        count_a, count_b, mean_a, mean_b = means[j]
        interval = main.fit.intervals[0][j]
        verdict = _verdict(
            interval, count_a, count_b, (a.name, b.name), main.fit.scatter[j], main.fit.each_level[0], worth[j],
            main.tangled,
        )  # fmt: skip
        splits.append(
            SplitDifference(
                float(speed), count_a, count_b, mean_a, mean_b, interval, raw.fit.intervals[0][j],
                None if corrected is None else corrected.fit.intervals[0][j], main.fit.scatter[j], verdict,
            )
        )  # fmt: skip
    outliers = _outliers(runs, main.fit.studentised, speeds, len(a.runs) + len(b.runs))
    parts = differences(a.parts, b.parts) if a.parts is not None and b.parts is not None else []
    return Comparison(
        a.name,
        b.name,
        parts,
        splits,
        _trace(model, runs, a, b, level),
        _measure(model, runs, a, b, "launch", "s", level),
        _measure(model, runs, a, b, "full throttle", channel, level),
        _fuel(a, b, other_loops, level),
        _overall(splits, a.name, b.name),
        corrected_by if use_corrected else "",
        level,
        main.fit.each_level[0],
        Conditions.of(a.runs),
        Conditions.of(b.runs),
        _caveats(a, b, parts, splits, main, model, bool(corrected_by) and not use_corrected),
        outliers,
    )


def needed_runs(
    worth: float, run_sigma: float, run_df: int, alpha: float, power: float = POWER, extra_levels: int = 0
) -> int:
    """Runs of each of two setups, driven in one outing, that show a change of `worth` with probability `power`.

    `run_sigma` with `run_df` degrees of freedom is the scatter of runs; more runs add to what is known of it. 0 where
    it cannot be said.
    """
    if not (worth > 0 and math.isfinite(run_sigma) and run_df >= 0):
        return 0
    for n in range(MIN_RUNS, _MOST_RUNS + 1):
        df = run_df + 2 * n - 2 - extra_levels
        if df > 0 and blocks.detectable(run_sigma * math.sqrt(2 / n), df, alpha, power) <= worth:
            return n
    return _MOST_RUNS


def default_speeds(a: Side, b: Side, step_mps: float) -> Floats:
    """Every multiple of `step_mps` that at least `MIN_RUNS` runs of each side reach; of fewer runs, what all reach."""
    tops = [sorted((float(run.speed_mps[np.isfinite(run.time_s)].max()) for run in side.runs), reverse=True)
            for side in (a, b) if side.runs]  # fmt: skip
    if not tops:
        return np.zeros(0)
    top = min(each[min(MIN_RUNS, len(each)) - 1] for each in tops)
    return np.asarray(step_mps * np.arange(1, int(top / step_mps + 1e-9) + 1))


def directions(headings_deg: Floats) -> NDArray[np.int64]:
    """Which way each run went: headings within 40 degrees of a neighbour are one way, unknown ones another."""
    labels = np.zeros(len(headings_deg), np.int64)
    known = np.flatnonzero(np.isfinite(headings_deg))
    if len(known) == 0:
        return labels
    h = np.mod(headings_deg[known], 360.0)
    order = np.argsort(h)
    gaps = np.diff(np.concatenate([h[order], [h[order][0] + 360.0]]))
    cuts = np.flatnonzero(gaps > _DIRECTION_GAP_DEG)
    label = np.zeros(len(order), np.int64)
    if len(cuts) > 1:
        label = np.searchsorted(cuts, np.arange(len(order)), side="left") % len(cuts)
    labels[known[order]] = label + 1
    return np.unique(labels, return_inverse=True)[1].astype(np.int64)


def way_columns(direction_deg: Floats, outing: NDArray[np.int64]) -> Floats:
    """Columns of a design for the ways driven: one effect for all outings, and one of its own for each outing that has
    two runs or more each way, since wind is another every day.

    Coded so that a setup's column stands for the mean of the ways, not for one of them.
    """
    way = directions(direction_deg)
    columns = _centred(way)
    for each in np.unique(outing):
        here = outing == each
        if len(np.unique(way[here])) > 1 and np.bincount(way[here])[np.unique(way[here])].min() >= 2:
            own = np.zeros((len(way), len(np.unique(way[here])) - 1))
            own[here] = _centred(way[here])
            columns = np.hstack([columns, own])
    return columns


def _centred(way: NDArray[np.int64]) -> Floats:
    kinds = np.unique(way)
    return np.asarray((way[:, None] == kinds[None, 1:]) - (1 / max(len(kinds), 1)))


# --- the model ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Answer:
    fit: blocks.Fit
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
        seen: list[Parts | None] = []
        for i in range(len(a.runs) + len(b.runs), len(runs)):
            parts = runs[i].parts
            at = next((k for k, each in enumerate(seen) if _same(each, parts)), None)
            if at is None:
                seen.append(parts)
                at = len(seen) - 1
            level[i] = 2 + at
        setups = (level[:, None] == np.arange(2 + len(seen))).astype(float)
        outing = np.array([run.outing for run in runs], np.int64)
        return _Model(setups, np.array([run.direction_deg for run in runs]), outing, len(a.runs), len(b.runs))

    def ask(self, y: Floats, level: float, sigma: Floats | None = None) -> _Answer:
        """B less A, with the finest account of the ways driven that leaves it determined."""
        told = np.all(np.isfinite(y), axis=1)
        there = bool(told[: self.count_a].any() and told[self.count_a : self.count_a + self.count_b].any())
        rows = told if there else np.any(np.isfinite(y), axis=1)
        common = way_columns(self.direction_deg, np.arange(len(y)))
        for ways in (way_columns(self.direction_deg, self.outing), common, common[:, :0]):
            design = np.hstack([self.setups, ways])
            wanted = np.zeros(design.shape[1])
            wanted[:2] = -1.0, 1.0
            if blocks.estimable(design[rows], wanted):
                break
        tangled = there and common.shape[1] > 0 and ways.shape[1] == 0
        return _Answer(blocks.contrasts(y, design, self.outing, wanted, level, sigma), tangled)


def _same(a: Parts | None, b: Parts | None) -> bool:
    return same(a, b) if a is not None and b is not None else a is b


def _times(runs: Sequence[Observation], speeds: Floats, corrected: bool = False) -> Floats:
    return np.array([run.time_to(speeds, corrected) for run in runs]).reshape(len(runs), len(speeds))


def _sigmas(runs: Sequence[Observation], speeds: Floats) -> Floats:
    return np.array([run.sigma_to(speeds) for run in runs]).reshape(len(runs), len(speeds))


def _read(x: Floats, y: Floats, at: Floats) -> Floats:
    told = np.isfinite(y)
    x, y = x[told], y[told]
    out = np.full(len(at), np.nan)
    if len(x) == 0:
        return out
    place = np.searchsorted(x, at - 1e-6)
    there = (place < len(x)) & (np.abs(x[np.minimum(place, len(x) - 1)] - at) < 1e-6)
    out[there] = y[place[there]]
    between = ~there & (at > x[0]) & (at < x[-1])
    if between.any() and len(x) > 1:
        from scipy.interpolate import PchipInterpolator

        out[between] = PchipInterpolator(x, y)(at[between])
    return out


def _means(y: Floats, count_a: int, count_b: int) -> tuple[int, int, float, float]:
    first, second = y[:count_a], y[count_a : count_a + count_b]
    first, second = first[np.isfinite(first)], second[np.isfinite(second)]
    return (
        len(first), len(second), float(first.mean()) if len(first) else math.nan,
        float(second.mean()) if len(second) else math.nan,
    )  # fmt: skip


# --- verdicts -----------------------------------------------------------------------------------------------------


def _worths(means: Sequence[tuple[int, int, float, float]], worth_s: float | None, tops: Sequence[int]) -> list[float]:
    """The change worth knowing at each speed: a share of the time; what the owner says holds at the highest speed."""
    share = WORTH_SHARE
    if worth_s is not None and tops and means[tops[-1]][2] > 0:
        share = worth_s / means[tops[-1]][2]
    return [share * m[2] for m in means]


def _verdict(
    interval: Interval,
    count_a: int,
    count_b: int,
    names: tuple[str, str],
    scatter: Scatter,
    each_level: float,
    worth: float,
    tangled: bool = False,
    words: tuple[str, str] = ("faster", "slower"),
    unit: str = "s",
    decimals: int = 2,
) -> Verdict:
    """The verdict on one difference; `words` for below and above zero."""
    more = needed_runs(worth, scatter.run_sigma, scatter.run_df, 1 - each_level)
    lacking = [
        f"{MIN_RUNS - n} more of {name}"
        for n, name in ((count_a, names[0]), (count_b, names[1]))
        if n < MIN_RUNS
    ]  # fmt: skip
    if lacking:
        least = max(MIN_RUNS - count_a, MIN_RUNS - count_b, more or 0)
        return Verdict("too few runs", f"too few runs: at least {' and '.join(lacking)}", math.nan, least)
    if tangled:
        return Verdict(
            "too few runs",
            f"{names[0]} was driven one way only and {names[1]} the other: drive both ways with both",
            math.nan,
            max(more, MIN_RUNS),
        )
    if interval.days == "unknown" or not math.isfinite(interval.low):
        each = f", {more} runs each" if more else ""
        return Verdict(
            "too few runs",
            "they were driven on different days, and no outing was ever repeated with the same setup: how much days "
            f"differ is unknown. One outing with both{each} settles it",
            math.nan,
            max(more, MIN_RUNS),
        )
    if interval.high < 0 or interval.low > 0:
        word = words[0] if interval.high < 0 else words[1]
        return Verdict(word, f"{word} by {abs(interval.estimate):.{decimals}f} {unit}", interval.detectable)
    if interval.df < _FEW_DF:
        return Verdict(
            "too few runs",
            f"what is known of days rests on {interval.df:.0f} repeat: one outing with both, {max(more, MIN_RUNS)} "
            "runs each, tells far more",
            interval.detectable,
            max(more, MIN_RUNS),
        )
    said = f"no difference shown; one of {interval.detectable:.{decimals}f} {unit} would have been, 8 times in 10"
    return Verdict("no difference shown", said, interval.detectable, more if interval.detectable > worth else 0)


def _overall(splits: Sequence[SplitDifference], a: str, b: str) -> Verdict:
    """One verdict over all speeds."""
    words = [split.verdict.word for split in splits]
    if not splits:
        return Verdict("too few runs", "too few runs: no speed is reached on both sides")
    told = [split for split in splits if split.verdict.word in ("faster", "slower")]
    if told:
        kinds = {split.verdict.word for split in told}
        if len(kinds) > 1:
            return Verdict("mixed", f"{b} is faster to some speeds and slower to others than {a}")
        most = max(told, key=lambda split: abs(split.interval.estimate))
        return Verdict(
            most.verdict.word,
            f"{b} is {most.verdict.word} than {a}: by {abs(most.interval.estimate):.2f} s "
            f"({_range(most.interval)}) to the speed where it shows most",
            most.interval.detectable,
        )
    if "no difference shown" in words:
        last = [split for split in splits if split.verdict.word == "no difference shown"][-1]
        return replace(last.verdict, sentence=f"{b} against {a}: {last.verdict.sentence}, at the highest speed")
    return splits[-1].verdict


def _range(interval: Interval) -> str:
    low, high = sorted((abs(interval.low), abs(interval.high)))
    return f"{low:.2f} to {high:.2f}"


# --- further figures ----------------------------------------------------------------------------------------------


def _trace(model: _Model, runs: Sequence[Observation], a: Side, b: Side, level: float) -> list[BandDifference]:
    """Time gained or lost in each band of speed: the launch stays in the first."""
    edges = default_speeds(a, b, 2.5)
    if len(edges) < 2:
        return []
    times = _times(runs, edges)
    spent = np.diff(times, axis=1)
    answer = model.ask(spent, level)
    bands = []
    for j in range(spent.shape[1]):
        count_a, count_b, mean_a, _ = _means(spent[:, j], len(a.runs), len(b.runs))
        interval = answer.fit.intervals[0][j]
        verdict = _verdict(
            interval, count_a, count_b, (a.name, b.name), answer.fit.scatter[j], answer.fit.each_level[0],
            WORTH_SHARE * mean_a, answer.tangled, ("quicker", "slower"),
        )  # fmt: skip
        bands.append(BandDifference(float(edges[j]), float(edges[j + 1]), mean_a, interval, verdict))
    return bands


_LAUNCH_MPS = 5.0


def _measure(
    model: _Model, runs: Sequence[Observation], a: Side, b: Side, name: str, unit: str, level: float
) -> Measure | None:
    if name == "launch":
        y = _times(runs, np.array([_LAUNCH_MPS]))
        words, decimals, worth = ("quicker", "slower"), 2, 0.1
    else:
        y = np.array([[run.full_throttle] for run in runs]).reshape(len(runs), 1)
        words, decimals = ("richer", "leaner"), 2
        worth = 0.3 if unit == "AFR" else 0.02
    count_a, count_b, mean_a, mean_b = _means(y[:, 0], len(a.runs), len(b.runs))
    if not (count_a and count_b):
        return None
    answer = model.ask(y, level)
    interval = answer.fit.intervals[0][0]
    verdict = _verdict(
        interval, count_a, count_b, (a.name, b.name), answer.fit.scatter[0], level, worth, answer.tangled, words, unit,
        decimals,
    )  # fmt: skip
    said = "launch: one foot to 5 m/s" if name == "launch" else "mixture at full throttle"
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
    y = np.array([[loop.m3_per_m * 1e8] for loop in loops])  # L/100 km
    sigma = np.array([[loop.m3_per_m * 1e8 * loop.sigma] for loop in loops])
    answer = model.ask(y, level, sigma)
    interval = answer.fit.intervals[0][0]
    count_a, count_b, mean_a, mean_b = _means(y[:, 0], len(a.loops), len(b.loops))
    if not math.isfinite(interval.low):  # single loops: their own errors are all there is
        error = math.sqrt(float(np.sum((sigma[:count_a] / count_a) ** 2) + np.sum(
            (sigma[count_a : count_a + count_b] / count_b) ** 2)))  # fmt: skip
        estimate, half = mean_b - mean_a, 1.959964 * error
        interval = replace(interval, estimate=estimate, run_low=estimate - half, run_high=estimate + half)
    verdict = _verdict(
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
    for i in range(compared):
        row = studentised[i]
        if not np.any(np.isfinite(row)):
            continue
        j = int(np.nanargmax(np.abs(row)))
        if abs(row[j]) > limit:
            slow = "slower" if row[j] > 0 else "faster"
            said.append(
                f"{runs[i].label} is far {slow} than its fellows ({abs(row[j]):.1f} standard errors); it counts"
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
) -> list[str]:
    said = []
    runs = [*a.runs, *b.runs]
    if len(parts) > 1:
        named = " and ".join([", ".join(each.part for each in parts[:-1]), parts[-1].part])
        said.append(
            f"{named} differ: this is what they do together; `pullbook effects` tells whether they can be parted"
        )
    if splits:
        top = splits[-1]
        match top.interval.days:
            case "included":
                said.append(
                    f"days are included, as learned from {_count(top.scatter.day_df, 'repeat outing')}: at the highest "
                    f"speed days scatter by {top.scatter.day_sigma:.2f} s, runs of a day by "
                    f"{top.scatter.run_sigma:.2f} s"
                )
            case "cancelled":
                said.append("both were driven on the same outings: days cancel")
            case "unknown" if top.runs_a and top.runs_b:
                said.append("the interval leaves days out, for nothing is known of them: it is too small")
        if (short := [s for s in splits if s.runs_a < len(a.runs) or s.runs_b < len(b.runs)]) and len(splits) > 1:
            said.append(
                f"from the {'highest speed' if len(short) == 1 else f'{len(short)} highest speeds'} some runs are "
                "missing: they did not get there, and the slow ones are the likelier to be missing"
            )
    said += _order(a, b)
    way = directions(np.array([run.direction_deg for run in runs]))
    shares = [np.bincount(way[:k], minlength=way.max(initial=0) + 1) / max(k, 1) for k in (len(a.runs),)]
    if way.max(initial=0) == 0 and runs:
        said.append("all runs went one way: grade and wind stay in the times; both ways would cancel them")
    elif main.tangled:
        said.append("the way driven and the change always went together")
    elif len(a.runs) and len(b.runs):
        other = np.bincount(way[len(a.runs) :], minlength=len(shares[0])) / len(b.runs)
        if float(np.abs(shares[0] - other).max()) > 0.01:
            said.append("the two were driven unevenly to and fro: the way driven is allowed for")
    if correction_missing:
        bare = sorted({run.drive for run in runs if run.corrected_s is None})
        said.append(
            f"the weather is missing for some runs ({', '.join(bare[:3])}{' and others' if len(bare) > 3 else ''}): "
            "times are as driven, and a cooler day looks like a better car; `pullbook weather DRIVE` adds it"
        )
    windy = [run for run in runs if run.wind_mps > WINDY_MPS]
    if windy:
        said.append(
            f"wind above {WINDY_MPS:g} m/s in {_count(len({run.drive for run in windy}), 'drive')} "
            f"({max(run.wind_mps for run in windy):.1f} m/s): it slows one way more than it helps the other"
        )
    unknown_wind = [run for run in runs if math.isnan(run.wind_mps)]
    if unknown_wind and not windy:
        said.append(f"wind is not given for {_count(len({run.drive for run in unknown_wind}), 'drive')}")
    grades = np.array([run.grade_percent for run in runs])
    if np.any(np.abs(grades) > STEEP_PERCENT):
        said.append(f"grades up to {np.nanmax(np.abs(grades)):.1f} %: drive both ways over the same stretch")
    soft = [sum(run.soft for run in side.runs) / max(len(side.runs), 1) for side in (a, b)]
    if abs(soft[0] - soft[1]) > 0.34:
        worse = a.name if soft[0] > soft[1] else b.name
        said.append(f"{worse} had more soft launches: `--trace` shows what happened after them")
    return said


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
            f"{a.name} always came before {b.name}: an engine that warms up would look the same; return to the first"
        ]
    back = all(
        max(r.start_s for r in b.runs if r.outing == o) < min(r.start_s for r in a.runs if r.outing == o)
        for o in shared
    )
    if back:
        return [
            f"{b.name} always came before {a.name}: an engine that warms up would look the same; return to the first"
        ]
    return []


def _count(n: int, what: str) -> str:
    return f"{n} {what}{'' if n == 1 else 's'}"


# --- a season's best ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Best:
    """The fastest run of a season, and whether it says anything."""

    label: str
    setup: str
    time_s: float
    beyond_scatter: bool | None
    """Whether the runs before that outing, the same way, would hardly have given it by luck; None: too few to say."""
    limit_s: float
    """What luck alone would have reached in 1 of 20 such outings."""
    sentence: str


def best_run(runs: Sequence[Observation], speed_mps: float, scatter: Scatter) -> Best | None:
    """The fastest run to a speed, held against the fastest setup before its outing, driven the same way.

    The limit is a one-sided prediction bound for the best of as many runs as that outing had [G. J. Hahn, "Additional
    factors for calculating prediction intervals for samples from a normal distribution", JASA 65 (1970) 1668], by
    Bonferroni, with the scatter of runs and days. None where no run reaches the speed.
    """
    from scipy.special import stdtrit

    times = np.array([run.time_to(np.array([speed_mps]))[0] for run in runs]).reshape(len(runs))
    if not np.isfinite(times).any():
        return None
    way = directions(np.array([run.direction_deg for run in runs]))
    at = int(np.nanargmin(times))
    best, time = runs[at], float(times[at])
    before = [
        i
        for i, run in enumerate(runs)
        if run.outing < best.outing and way[i] == way[at] and math.isfinite(times[i])
    ]  # fmt: skip
    groups: dict[str, list[float]] = {}
    for i in before:
        groups.setdefault(str(sorted((runs[i].parts or {}).items())), []).append(float(times[i]))
    means = [(float(np.mean(each)), len(each)) for each in groups.values() if len(each) >= 2]
    days_told = scatter.day_df >= _FEW_DAY_DF
    day, df = (scatter.day_sigma, scatter.day_df) if days_told else (0.0, scatter.run_df)
    if not means or df < 1 or not math.isfinite(scatter.run_sigma):
        return Best(best.label, best.setup, time, None, math.nan, "too few earlier runs to say whether it is luck")
    mean, count = min(means)
    tries = sum(1 for i, run in enumerate(runs) if run.outing == best.outing and way[i] == way[at])
    spread = math.sqrt(scatter.run_sigma**2 * (1 + 1 / count) + 2 * day**2)
    limit = mean - float(stdtrit(df, 1 - 0.05 / tries)) * spread
    if time < limit:
        said = f"beyond scatter: what was driven before would reach {limit:.2f} s by luck 1 time in 20"
    else:
        said = f"within scatter: what was driven before would reach {limit:.2f} s by luck 1 time in 20"
    if not days_told:
        said += ", if days were alike"
    return Best(best.label, best.setup, time, time < limit, limit, said)


def common_speed(runs: Sequence[Observation], step_mps: float) -> float:
    """The highest multiple of `step_mps` that four of five runs reach [m/s]; NaN without runs."""
    tops = sorted(float(run.speed_mps[-1]) for run in runs if len(run.speed_mps))
    if not tops:
        return math.nan
    return step_mps * max(int(tops[len(tops) // 5] / step_mps + 1e-9), 1)
