"""The mixture map: what the engine was given, by speed and load, held against its targets.

    readings = Readings(time_s, value, void)
    answer = mixture_map(readings, state, delay, targets, "air")
    change = difference(answer, later_answer)

A reading is laid against the state of the car that its gas came from: `delay` earlier, and seen through the sensor's
own lag (`analysis.delay`). Readings that say nothing about the mixture the engine was given are left out, each under
one reason, and the seconds that each reason took are counted. What remains is sorted into speed bands and into cells
of speed by load.

References
----------
[1] R. S. Woodruff, Confidence intervals for medians and other position measures, J. Am. Stat. Assoc. 47 (1952) 635.
[2] G. K. Smyth, Linear models and empirical Bayes methods, Stat. Appl. Genet. Mol. Biol. 3 (2004): the moderated
    variance, a group's own pooled with that of all groups by their degrees of freedom.
[3] G. Y. Zou, A. Donner, Construction of confidence limits about effect measures, Statist. Med. 27 (2008) 1693: an
    interval for a difference from the intervals of its two terms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.delay import Delay, lagged
from analysis.driving import GRID_S, Driving
from logger.config import Enough, Target, Targets, TargetsConfig
from logger.units import MPS_PER_MPH, InputError

Array = NDArray[np.float64]
Codes = NDArray[np.intp]

BLOCK_S = 30.0
"""Readings of a cell within the same such stretch of the drive may hang together [s]."""
PRIOR_DF = 8.0
"""Weight, in degrees of freedom, of what all cells say about scatter against what one cell's own blocks say."""
STEADY_MPS2 = 0.35


class Regime(StrEnum):
    """How the car was being driven."""

    IDLE = "idle"
    TOWN = "town"
    CRUISE = "cruise"
    HEAVY = "heavy throttle"
    FULL = "full throttle"


REGIMES = tuple(Regime)


class Judgement(StrEnum):
    """What a cell's median says of its target."""

    LEAN = "lean of target"
    IN_BAND = "in band"
    RICH = "rich of target"
    UNKNOWN = "not enough data"


@dataclass(frozen=True)
class Readings:
    """Mixture readings in order of time.

    Attributes
    ----------
    time_s : array, shape (n,)
        When each arrived, on the clock of the driving state [s].
    value : array, shape (n,)
        AFR or lambda; NaN where void.
    void : array of str, shape (n,), optional
        Why a reading is void ("" for a good one).
    channel : str
        "afr" or "lambda".
    stoich_afr : float
        For AFR: the AFR that the instrument shows at lambda 1.
    """

    time_s: Array
    value: Array
    void: NDArray[np.object_] | None = None
    channel: str = "afr"
    stoich_afr: float = 14.7

    @property
    def per_lambda(self) -> float:
        """What the channel shows at lambda 1."""
        return self.stoich_afr if self.channel == "afr" else 1.0


@dataclass(frozen=True)
class Window:
    """A target window, in the map's own channel."""

    low: float
    high: float


@dataclass(frozen=True)
class LoadAxis:
    """What the columns of the map are.

    Attributes
    ----------
    name, unit : str
        "share of the most at that speed" and "1", "tractive acceleration" and "m/s2", or a channel and its unit.
    edges : tuple of float
        Edges of the columns; what lies outside the first and last belongs to the outer columns.
    """

    name: str
    unit: str
    edges: tuple[float, ...]


@dataclass(frozen=True)
class Band:
    """A row of the map: all kept readings of a range of speed.

    `told` says whether the median means something: not with too little data, nor where its 95 % interval is wider than
    any target window. Then the band mixes kinds of driving, half of it this and half that, and the median falls
    anywhere between the two; `p10` and `p90` still tell what was met.
    """

    from_mps: float
    to_mps: float
    seconds: float
    readings: int
    median: float
    p10: float
    p90: float
    sigma: float
    low: float
    high: float
    told: bool


@dataclass(frozen=True)
class Cell:
    """A field of the map: a range of speed and load.

    `sigma` is the standard error of the median; `low` and `high` its 95 % interval. `sure` says whether that interval
    lies on one side of each edge of the target. NaN where there is too little to say.
    """

    from_mps: float
    to_mps: float
    load_from: float
    load_to: float
    seconds: float
    readings: int
    median: float
    p10: float
    p90: float
    sigma: float
    low: float
    high: float
    regime: Regime
    circuit: str
    target: Window
    judgement: Judgement
    sure: bool


@dataclass(frozen=True)
class Summary:
    """A regime as a whole; the idle row is the one at a standstill."""

    regime: Regime
    seconds: float
    readings: int
    median: float
    p10: float
    p90: float
    sigma: float
    low: float
    high: float
    target: Window
    judgement: Judgement
    sure: bool
    far_rich: bool


@dataclass(frozen=True)
class Mask:
    """What a reason for leaving readings out took."""

    reason: str
    seconds: float
    readings: int


@dataclass(frozen=True)
class MixtureMap:
    """The whole answer. `kept_s` and the masks' seconds sum to `total_s`."""

    channel: str
    per_lambda: float
    delay: Delay
    load: LoadAxis
    bands: tuple[Band, ...]
    cells: tuple[Cell, ...]
    summaries: tuple[Summary, ...]
    masks: tuple[Mask, ...]
    total_s: float
    kept_s: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Change:
    """A cell in two drives: the second less the first."""

    from_mps: float
    to_mps: float
    load_from: float
    load_to: float
    first: float
    second: float
    difference: float
    low: float
    high: float
    verdict: Literal["leaner", "richer", "no change seen", "not enough data"]


def mixture_map(
    readings: Readings,
    state: Driving,
    delay: Delay,
    targets: TargetsConfig,
    cooling: Literal["air", "water"],
    load: str | LoadAxis = "share",
    band_mps: float = 10 * MPS_PER_MPH,
) -> MixtureMap:
    """The map of one drive.

    Parameters
    ----------
    load : str or LoadAxis
        "share", "acceleration", "speed_over_rpm", or the name of a channel of `state`; or the axis of another map,
        so that the two have the same columns.
    band_mps : float
        Height of a speed band [m/s]; the bands begin at 0.
    """
    axis, on_axis = load_axis(state, targets, load)
    seen = _seen(state, on_axis, delay)
    reason, idle = _masks(readings, state, delay, targets, seen)
    weight = _seconds(readings.time_s)
    windows = _windows(targets, cooling, readings.per_lambda)
    regime = _regimes(state, seen, delay, readings.time_s, targets)

    use = np.flatnonzero(reason == _KEPT)
    time, value = readings.time_s[use], readings.value[use]
    speed, at_load = seen.speed(time), seen.load(time)
    span, edges = len(axis.edges) - 1, np.asarray(axis.edges)
    band = (speed / band_mps).astype(np.intp)
    column = np.clip(np.searchsorted(edges, at_load, side="right") - 1, 0, span - 1)
    rows = int(band.max()) + 1 if len(band) else 0
    cell = band * span + column

    enough = targets.enough
    widest = max(windows[kind].high - windows[kind].low for kind in (Regime.TOWN, Regime.CRUISE, Regime.FULL))
    by_band = statistics(band, rows, time, value, weight[use])
    bands = tuple(
        Band(i * band_mps, (i + 1) * band_mps, *by_band.row(i), told(by_band, i, widest, enough))
        for i in range(rows)
        if by_band.readings[i]
    )  # fmt: skip
    by_cell = statistics(cell, rows * span, time, value, weight[use])
    here = regime[use]
    votes = np.bincount(cell * len(REGIMES) + here, weights=weight[use], minlength=rows * span * len(REGIMES))
    main_regime = votes.reshape(-1, len(REGIMES)).argmax(axis=1)
    share = _mean(cell, rows * span, seen.share(time))
    opening = _mean(cell, rows * span, seen.opening(time))
    cells = []
    for i in map(int, np.flatnonzero(by_cell.readings)):
        kind = REGIMES[main_regime[i]]
        judged, sure = judge(by_cell, i, windows[kind], enough.seconds, enough.readings)
        row, at = divmod(i, span)
        cells.append(
            Cell(
                row * band_mps, (row + 1) * band_mps, axis.edges[at], axis.edges[at + 1], *by_cell.row(i), kind,
                circuit(share[i], opening[i]), windows[kind], judged, sure,
            )
        )  # fmt: skip

    summary_of = np.where(idle, REGIMES.index(Regime.IDLE), np.where(reason == _KEPT, regime, -1))
    held = np.flatnonzero(summary_of >= 0)
    by_regime = statistics(
        summary_of[held], len(REGIMES), readings.time_s[held], readings.value[held], weight[held]
    )  # fmt: skip
    summaries = []
    for i, kind in enumerate(REGIMES):
        judged, sure = judge(by_regime, i, windows[kind], enough.seconds, enough.readings)
        far = judged is Judgement.RICH and bool(by_regime.median[i] < targets.far_rich_lambda * readings.per_lambda)
        summaries.append(Summary(kind, *by_regime.row(i), windows[kind], judged, sure, far))

    names, counts = _reasons(readings, reason)
    masks = tuple(
        Mask(name, float(weight[which].sum()), int(which.sum())) for name, which in zip(names, counts, strict=True)
    )
    return MixtureMap(
        readings.channel, readings.per_lambda, delay, axis, bands, tuple(cells), tuple(summaries), masks,
        float(weight.sum()), float(weight[use].sum()), tuple(_notes(state, summaries, cooling)),
    )  # fmt: skip


def difference(first: MixtureMap, second: MixtureMap) -> tuple[Change, ...]:
    """What changed between two drives, cell by cell; the maps must have the same columns and channel.

    The interval of a difference follows from the two intervals [3]; a change is called where it excludes zero.
    """
    if first.load.edges != second.load.edges or first.channel != second.channel:
        raise ValueError("the two maps have different columns or channels")
    scale = first.per_lambda / second.per_lambda
    later = {(c.from_mps, c.load_from): c for c in second.cells}
    changes = []
    for a in first.cells:
        b = later.get((a.from_mps, a.load_from))
        if b is None:
            continue
        change = b.median * scale - a.median
        low = change - np.hypot((b.median - b.low) * scale, a.high - a.median)
        high = change + np.hypot((b.high - b.median) * scale, a.median - a.low)
        unknown = Judgement.UNKNOWN in (a.judgement, b.judgement)
        verdict: Literal["leaner", "richer", "no change seen", "not enough data"] = (
            "not enough data" if unknown else "leaner" if low > 0 else "richer" if high < 0 else "no change seen"
        )
        changes.append(
            Change(
                a.from_mps, a.to_mps, a.load_from, a.load_to, a.median, b.median * scale, float(change), float(low),
                float(high), verdict,
            )
        )  # fmt: skip
    return tuple(changes)


def load_axis(state: Driving, targets: TargetsConfig, load: str | LoadAxis) -> tuple[LoadAxis, Array]:
    """The columns of a map and the load on the state's grid; InputError for a load that the drive does not have."""
    given = load if isinstance(load, LoadAxis) else None
    name = _AXIS_NAMES.get(given.name, given.name) if given else str(load)
    if name == "share":
        cruise, full = targets.regimes.cruise_share, targets.regimes.full_throttle_share
        edges = (0.0, *(x for x in (0.15, 0.35) if x < cruise - 0.05), cruise, full, 1.0)
        return given or LoadAxis(_SHARE, "1", edges), state.share
    if name == "acceleration":
        values, label, unit = state.load_mps2, _ACCELERATION, "m/s2"
    elif name == "speed_over_rpm":
        if "rpm" not in state.channels:
            raise InputError(f"load speed_over_rpm needs a channel rpm: this drive has {_known(state)}")
        with np.errstate(divide="ignore", invalid="ignore"):
            values = np.where(state.channels["rpm"] > 100, 1000 * state.speed_mps / state.channels["rpm"], np.nan)
        label, unit = "speed over rpm", "m/s per 1000 rpm"
    elif name in state.channels:
        values, label, unit = state.channels[name], name, state.units.get(name, "")
    else:
        raise InputError(f"no load {name!r} in this drive: expected one of {_known(state)}")
    if given:
        return given, values
    moving = values[np.isfinite(values) & (state.speed_mps > targets.regimes.idle_below_mps)]
    low, high = np.quantile(moving, [0.01, 0.99]) if len(moving) else (0.0, 1.0)
    low = 0.0 if label == _ACCELERATION else low
    return LoadAxis(label, unit, _nice_edges(float(low), float(high))), values


_SHARE, _ACCELERATION = "share of the most at that speed", "tractive acceleration"
_AXIS_NAMES = {_SHARE: "share", _ACCELERATION: "acceleration", "speed over rpm": "speed_over_rpm"}


def circuit(share: float, opening: float = np.nan) -> str:
    """Which part of a carburettor meters most of the fuel, by throttle opening or else by load share.

    Common practice, no source: the idle circuit to about an eighth of the opening, the transition holes (or cutaway
    and needle) to about a quarter or a third, the main jet from there on.
    """
    value, first, second = (opening, 0.125, 0.3) if np.isfinite(opening) else (share, 0.1, 0.35)
    if not np.isfinite(value):
        return ""
    return "idle" if value < first else "transition" if value < second else "main"


# --- statistics of what hangs together ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Statistics:
    """Order statistics by group, arrays of one entry a group; NaN where a group is empty.

    `sigma` is the standard error of the median and `low`, `high` its 95 % interval.
    """

    seconds: Array
    readings: Codes
    median: Array
    p10: Array
    p90: Array
    sigma: Array
    low: Array
    high: Array

    def row(self, i: int) -> tuple[float, int, float, float, float, float, float, float]:
        """Group `i` in the order of the fields."""
        return (
            float(self.seconds[i]), int(self.readings[i]), float(self.median[i]), float(self.p10[i]),
            float(self.p90[i]), float(self.sigma[i]), float(self.low[i]), float(self.high[i]),
        )  # fmt: skip


def statistics(group: ArrayLike, groups: int, time_s: ArrayLike, value: ArrayLike, seconds: ArrayLike) -> Statistics:
    """Median, 10 and 90 % points and the median's interval, by group, for readings that are not independent.

    Quantiles interpolate linearly between order statistics. Readings come in steps (12.4, 12.5 ...); each step is
    taken as spread evenly over its own width, which is the median of grouped data.

    The interval is Woodruff's [1]: the standard error of the share of readings below the median, carried over to
    values through the quantiles (past the quartiles, where a few visits would reach for quantiles that they cannot
    know, along the line through the median and the quartile). That standard error comes from blocks (the
    group's readings within each `BLOCK_S` of the drive): what is within a block may hang together, blocks are taken
    as independent. One cell's few blocks say little about their own scatter, so they are pooled with what all cells
    say, as variances with `PRIOR_DF` degrees of freedom [2].

    Parameters
    ----------
    group : array of int, shape (n,)
        0 to groups - 1.
    time_s, value, seconds : array, shape (n,)
        Rising times [s], readings (finite), and the time that each stands for [s].
    """
    from scipy.stats import t as student

    group, time = np.asarray(group, dtype=np.intp), np.asarray(time_s, dtype=np.float64)
    x, weight = np.asarray(value, dtype=np.float64), np.asarray(seconds, dtype=np.float64)
    n = np.bincount(group, minlength=groups)
    total = np.bincount(group, weights=weight, minlength=groups).astype(np.float64)
    nan = np.full(groups, np.nan)
    if len(x) == 0:
        return Statistics(total, n, nan, nan, nan, nan, nan, nan)
    by_value = np.argsort(x)
    half = np.empty_like(x)
    half[by_value] = _half_steps(x[by_value])
    # Sixteen bits sort by counting.
    small: NDArray[np.signedinteger] = group.astype(np.int16) if groups < 2**15 else group
    order = by_value[np.argsort(small[by_value], kind="stable")]
    spread = _spread_ties(x[order], group[order], half[order])
    first = np.concatenate([[0], np.cumsum(n)[:-1]])

    def quantile(p: Array | float) -> Array:
        share = np.nan_to_num(np.broadcast_to(np.asarray(p, dtype=np.float64), groups), nan=0.5)
        place = np.clip(share, 0, 1) * np.maximum(n - 1, 0)
        below = place.astype(np.intp)
        a = np.minimum(first + below, len(x) - 1)
        b = np.minimum(a + (below + 1 < n), len(x) - 1)
        return np.where(n > 0, spread[a] + (place - below) * (spread[b] - spread[a]), np.nan)

    median = quantile(0.5)
    error, blocks = _share_error(small, groups, n, time, x, half, median)
    freedom = PRIOR_DF + np.maximum(blocks - 1, 0)
    reach = student.ppf(0.975, freedom) * error

    # A group met in one block or two has not shown its spread from block to block: take no less than the usual.
    own = quantile(0.75) - quantile(0.25)
    shown = (blocks >= 3) & np.isfinite(own)
    usual = float(np.median(own[shown])) if shown.any() else 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        wider = np.maximum(1.0, np.sqrt(((blocks - 1) * own**2 + usual**2) / (blocks * own**2)))
    # Within a step of the readings the grouped median takes an even spread, which is off by a few hundredths of it.
    step = 2 * _mean(group, groups, half)

    def away(share: Array) -> Array:
        """How far the quantile lies from the median; past the quartiles along the straight line through them."""
        inside = np.clip(share, -0.25, 0.25)
        with np.errstate(invalid="ignore", divide="ignore"):
            along = np.where(share == inside, 1.0, share / inside)
            return np.hypot((quantile(0.5 + inside) - median) * along * wider, np.abs(share / error) * 0.03 * step)

    known = n >= 5
    low = np.where(known, median - away(-reach), np.nan)
    high = np.where(known, median + away(reach), np.nan)
    sigma = np.where(known, (away(error) + away(-error)) / 2, np.nan)
    return Statistics(total, n, median, quantile(0.1), quantile(0.9), sigma, low, high)


def _half_steps(x: Array) -> Array:
    """Half the distance from each of the sorted values to its nearest other value, 0 for all where there is none."""
    step = np.diff(x)
    new = np.flatnonzero(step > 1e-9) + 1
    level = np.concatenate([[0], np.cumsum(step > 1e-9)])
    levels = x[np.concatenate([[0], new])]
    if len(levels) < 2:
        return np.zeros_like(x)
    gaps = np.diff(levels)
    nearest = np.minimum(np.concatenate([[np.inf], gaps]), np.concatenate([gaps, [np.inf]]))
    return np.asarray(nearest[level] / 2)


def _spread_ties(x: Array, group: Codes, half: Array) -> Array:
    """Sorted values within groups, with the f equal ones of a run laid evenly over the width of their step."""
    new = np.concatenate([[True], (np.diff(x) > 1e-9) | (np.diff(group) != 0)])
    start = np.flatnonzero(new)
    length = np.diff(np.concatenate([start, [len(x)]]))
    run = np.cumsum(new) - 1
    place = (np.arange(len(x)) - start[run] + 0.5) / length[run]
    return np.asarray(x + half * (2 * place - 1))


def _share_error(
    group: NDArray[np.signedinteger], groups: int, n: Codes, time: Array, x: Array, half: Array, median: Array
) -> tuple[Array, Array]:
    """Standard error of the share of readings below the median, by group, and the number of blocks it has."""
    from scipy.optimize import nnls

    order = np.argsort(group, kind="stable")
    g, t = group[order].astype(np.intp), time[order]
    with np.errstate(invalid="ignore", divide="ignore"):
        above = (x[order] + half[order] - median[g]) / (2 * half[order])
    psi = np.clip(np.where(half[order] > 0, above, np.sign(x[order] - median[g]) / 2 + 0.5), 0, 1) - 0.5
    window = np.floor(t / BLOCK_S)
    start = np.flatnonzero(np.concatenate([[True], (np.diff(g) != 0) | (np.diff(window) != 0)]))
    total, size = np.add.reduceat(psi, start), np.diff(np.concatenate([start, [len(t)]])).astype(np.float64)
    owner = g[start]
    # A block is part of the median it is measured from, which takes away its share of the scatter.
    left = 1 - size / n[owner]
    square = np.where(left > 0, total**2 / np.where(left > 0, left, 1), np.nan)
    blocks = np.bincount(owner, minlength=groups)
    own = np.bincount(owner, weights=np.nan_to_num(square), minlength=groups)

    # All cells together: a block's sum has variance alpha size + beta size^2, chance and what the block has in common.
    usable = np.isfinite(square) & (size >= 3)
    alpha, beta = 0.25, 0.25 * 0.2
    if usable.sum() >= 10:
        s, v = size[usable], square[usable]
        for _ in range(6):
            w = 1 / (alpha * s + beta * s * s)
            (alpha, beta), _ = nnls(np.column_stack([s * w, s * s * w]), v * w)
            alpha = max(alpha, 1e-3)
    pooled = alpha * n + beta * np.bincount(owner, weights=size * size, minlength=groups)
    freedom = np.maximum(blocks - 1, 0).astype(np.float64)
    variance = (PRIOR_DF * pooled + freedom * own) / (PRIOR_DF + freedom)
    with np.errstate(invalid="ignore", divide="ignore"):
        error = np.sqrt(variance) / n
    return error, blocks.astype(np.float64)


def told(found: Statistics, i: int, widest: float, enough: Enough) -> bool:
    """Whether a group of all kinds of driving has a median worth telling: enough data, and an interval no wider than
    the `widest` target window of one kind of driving."""
    much = found.seconds[i] >= enough.seconds - 1e-9 and found.readings[i] >= enough.readings
    return bool(much and found.high[i] - found.low[i] <= widest)


def judge(found: Statistics, i: int, target: Window, min_seconds: float, min_readings: int) -> tuple[Judgement, bool]:
    """A group's median against its window, and whether its 95 % interval stays clear of the window's edges.

    Not enough data: too few seconds or readings, no interval, or one that reaches past both edges of the window.
    """
    median, low, high = float(found.median[i]), float(found.low[i]), float(found.high[i])
    few = found.seconds[i] < min_seconds - 1e-9 or found.readings[i] < min_readings
    if few or not np.isfinite(low + high) or (low < target.low and high > target.high):
        return Judgement.UNKNOWN, False
    sure = not any(low < edge < high for edge in (target.low, target.high))
    if median > target.high:
        return Judgement.LEAN, sure
    return (Judgement.RICH if median < target.low else Judgement.IN_BAND), sure


# --- the state a reading's gas came from ---------------------------------------------------------------------------


@dataclass(frozen=True)
class _Seen:
    """Speed and load as the sensor sees them: through its lag, on the grid shifted by the delay."""

    grid: Array
    speed_: Array
    load_: Array
    share_: Array
    opening_: Array

    def speed(self, t: Array) -> Array:
        return np.interp(t, self.grid, self.speed_, left=np.nan, right=np.nan)

    def load(self, t: Array) -> Array:
        return np.interp(t, self.grid, self.load_, left=np.nan, right=np.nan)

    def share(self, t: Array) -> Array:
        return np.interp(t, self.grid, self.share_, left=np.nan, right=np.nan)

    def opening(self, t: Array) -> Array:
        return np.interp(t, self.grid, self.opening_, left=np.nan, right=np.nan)


def _seen(state: Driving, on_axis: Array, delay: Delay) -> _Seen:
    lag = delay.lag_s
    return _Seen(
        state.time_s + delay.delay_s, lagged(state.speed_mps, lag), lagged(on_axis, lag), lagged(state.share, lag),
        lagged(opening_of(state), lag),
    )  # fmt: skip


def opening_of(state: Driving) -> Array:
    """Throttle as a share of its widest, from the closed end; NaN where none is recorded."""
    throttle = state.channels.get("throttle")
    if throttle is None or not np.isfinite(throttle).any():
        return np.full(len(state.time_s), np.nan)
    low, high = np.nanquantile(throttle, [0.002, 0.998])
    return np.full(len(throttle), np.nan) if high <= low else np.asarray((throttle - low) / (high - low))


# --- masks ---------------------------------------------------------------------------------------------------------

_KEPT = 0
_MASKS = (
    "kept", "void", "no speed to lay it against", "warm-up", "free air", "standstill: kept as the idle row",
    "standing, not yet settled", "overrun", "gear change", "just after a step",
)  # fmt: skip
_VOID, _BLIND, _WARM, _FREE, _IDLE, _STANDING, _OVERRUN, _SHIFT, _STEP = range(1, len(_MASKS))


def _masks(
    readings: Readings, state: Driving, delay: Delay, targets: TargetsConfig, seen: _Seen
) -> tuple[Codes, NDArray[np.bool_]]:
    """One reason for each reading (0: kept), the first that applies, and which readings are idle."""
    from scipy.ndimage import grey_closing, maximum_filter1d

    rules, regimes = targets.masks, targets.regimes
    t = readings.time_s
    lag = delay.lag_s if delay.told_apart else rules.unknown_lag_s
    settle = max(1, round(rules.settle_lags * lag / GRID_S) + 2)

    def most(x: ArrayLike, steps: int) -> Array:
        """The largest of the last `steps` and the present on the grid."""
        size = steps + 1
        return np.asarray(
            maximum_filter1d(np.asarray(x, dtype=np.float64), size, origin=(size - 1) // 2, mode="nearest")
        )

    speed, share = state.speed_mps, state.share
    opening = opening_of(state)
    known = np.isfinite(speed) & np.isfinite(share)
    blind = most(~known, settle) > 0
    standing = known & (speed < regimes.idle_below_mps)
    stood = most(~standing, settle) == 0
    load = np.where(known, share, 0.0)
    overrun = known & ~standing & (load < rules.overrun_share)
    after_overrun = most(overrun, round(1.5 * settle)) > 0
    shift = np.zeros(len(load), dtype=np.bool_)
    if rules.gear_change_s > 0:
        filled = grey_closing(load, size=(max(3, round((rules.gear_change_s + 0.4) / GRID_S)),))
        shift = (filled > 0.3) & (load < 0.5 * filled) & ~standing
        shift = most(shift, settle) > 0
    measure = np.where(np.isfinite(opening), opening, load)
    moved = most(measure, settle) + most(-measure, settle)
    noise = 0.0
    if state.most is not None and known.any():
        noise = 4 * float(np.median(state.load_sigma_mps2[known] / state.most.at(speed[known])))
    step = moved > max(rules.step_share, noise)

    place = np.clip(np.round((t - delay.delay_s - state.time_s[0]) / GRID_S), -1, len(state.time_s)).astype(np.intp)
    outside = (place < 0) | (place >= len(state.time_s)) if len(state.time_s) else np.ones(len(t), dtype=np.bool_)
    place = np.clip(place, 0, max(len(state.time_s) - 1, 0))

    void = ~np.isfinite(readings.value)
    if readings.void is not None:
        void |= np.asarray([bool(v) for v in readings.void], dtype=np.bool_)
    free = readings.value >= rules.free_air_lambda * readings.per_lambda
    conditions = [
        void,
        outside | blind[place] | ~np.isfinite(seen.load(t)),
        t - (t[0] if len(t) else 0.0) < rules.warm_up_s,
        free,
        stood[place],
        standing[place],
        overrun[place],
        shift[place],
        (after_overrun | step)[place],
    ]
    reason = np.select(conditions, list(range(1, len(_MASKS))), default=_KEPT).astype(np.intp)
    return reason, reason == _IDLE


def _reasons(readings: Readings, reason: Codes) -> tuple[list[str], list[NDArray[np.bool_]]]:
    """Names and members of the masks that took anything, void readings by their own reasons."""
    names, members = [], []
    if (reason == _VOID).any():
        why = np.asarray(
            ["no value"] * len(reason) if readings.void is None else [v or "no value" for v in readings.void],
            dtype=object,
        )
        for word in sorted(set(why[reason == _VOID])):
            names.append(f"void: {word}")
            members.append((reason == _VOID) & (why == word))
    for code in range(_BLIND, len(_MASKS)):
        if (reason == code).any():
            names.append(_MASKS[code])
            members.append(reason == code)
    return names, members


def _seconds(time: Array) -> Array:
    """The time each reading stands for: up to the next one, but no longer than three usual steps [s]."""
    if len(time) < 2:
        return np.zeros(len(time))
    step = np.diff(time)
    usual = float(np.median(step))
    return np.append(np.minimum(step, 3 * usual), usual)


# --- regimes and targets -------------------------------------------------------------------------------------------


def _regimes(state: Driving, seen: _Seen, delay: Delay, t: Array, targets: TargetsConfig) -> Codes:
    rules = targets.regimes
    speed, share, opening = seen.speed(t), seen.share(t), seen.opening(t)
    full = np.where(np.isfinite(opening), opening >= rules.full_throttle_opening, share >= rules.full_throttle_share)
    town = speed < rules.town_below_mps
    return np.select(
        [full, share >= rules.cruise_share, town], [REGIMES.index(r) for r in (Regime.FULL, Regime.HEAVY, Regime.TOWN)],
        default=REGIMES.index(Regime.CRUISE),
    ).astype(np.intp)  # fmt: skip


def _windows(targets: TargetsConfig, cooling: Literal["air", "water"], per_lambda: float) -> Mapping[Regime, Window]:
    """The target windows in the channel's own scale. Heavy part throttle may be as rich as full throttle and as lean
    as cruise, for it is on its way between the two."""
    given: Targets = targets.air if cooling == "air" else targets.water
    scale = per_lambda / (targets.stoich_afr if targets.unit == "afr" else 1.0)

    def window(target: Target) -> Window:
        return Window(target.low * scale, target.high * scale)

    full, cruise = window(given.full_throttle), window(given.cruise)
    return {
        Regime.IDLE: window(given.idle), Regime.TOWN: window(given.town), Regime.CRUISE: cruise, Regime.FULL: full,
        Regime.HEAVY: Window(min(full.low, cruise.low), max(full.high, cruise.high)),
    }  # fmt: skip


def _notes(state: Driving, summaries: Sequence[Summary], cooling: Literal["air", "water"]) -> list[str]:
    notes = []
    if state.most is None:
        notes.append("Nothing in this drive moved the car, so there is no load to sort by.")
    for summary in summaries:
        if summary.far_rich:
            notes.append(f"{summary.regime.capitalize()} is far too rich: that washes the bore and fouls the plug.")
        if summary.judgement is Judgement.LEAN and summary.regime in (Regime.HEAVY, Regime.FULL):
            harm = "overheats an air-cooled engine within minutes" if cooling == "air" else "burns pistons and valves"
            notes.append(f"Caution: {summary.regime} is lean. That {harm}: do not hold it until it is mended.")
    return notes


def _mean(group: Codes, groups: int, x: Array) -> Array:
    good = np.isfinite(x)
    n = np.bincount(group[good], minlength=groups)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.bincount(group[good], weights=x[good], minlength=groups) / np.where(n, n, np.nan))


def _nice_edges(low: float, high: float, columns: int = 6) -> tuple[float, ...]:
    """Round edges from below `low` to above `high`, at most `columns` columns."""
    width = max(high - low, 1e-6) / columns
    magnitude = 10.0 ** np.floor(np.log10(width))
    for factor in (1, 2, 2.5, 5, 10, 20):
        step = factor * magnitude
        begin, end = np.floor(low / step + 1e-9), np.ceil(high / step - 1e-9)
        if end - begin <= columns:
            break
    return tuple(float(round(k * step, 9)) for k in np.arange(begin, max(end, begin + 1) + 1))


def _known(state: Driving) -> str:
    return ", ".join(["share", "acceleration", *state.channels])
