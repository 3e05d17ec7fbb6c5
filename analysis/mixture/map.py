"""The mixture map: what the engine was given, by speed and load, held against its targets.

    readings = Readings(time_s, value, void)
    answer = mixture_map(readings, state, delay, targets, "air")
    change = difference(answer, later_answer)

A reading is laid against the state of the car that its gas came from: `delay` earlier, and seen through the sensor's
own lag (`analysis.mixture.delay`). Readings that say nothing about the mixture the engine was given are left out, each
under one reason (`analysis.mixture.masks`), and the seconds that each reason took are counted. What remains is sorted
into speed bands and into cells of speed by load, and told by medians (`analysis.mixture.medians`).

References
----------
[1] G. Y. Zou, A. Donner, Construction of confidence limits about effect measures, Statist. Med. 27 (2008) 1693: an
    interval for a difference from the intervals of its two terms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np

from analysis.arrays import Bools, Codes, Floats
from analysis.mixture.delay import Delay
from analysis.mixture.engine_load import Driving
from analysis.mixture.masks import KEPT, Readings, Seen, masks, reasons, seconds_of, seen_by
from analysis.mixture.medians import Statistics, means, statistics
from logger.config.targets import Enough, Target, Targets, TargetsConfig
from logger.errors import InputError
from logger.units import MPS_PER_MPH


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
class RegimeSummary:
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
    summaries: tuple[RegimeSummary, ...]
    masks: tuple[Mask, ...]
    total_s: float
    kept_s: float
    notes: tuple[str, ...] = ()

    @property
    def full_throttle(self) -> RegimeSummary:
        """Full throttle as a whole: the one median that is called the full-throttle mixture of a drive."""
        return next(summary for summary in self.summaries if summary.regime is Regime.FULL)


Changed = Literal["leaner", "richer", "no change seen", "not enough data"]


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
    verdict: Changed


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
    readings : Readings
        The mixture in order of time [AFR or lambda, s]; NaN for a void one, which is left out and counted.
    state : Driving
        What the car did, on the readings' clock; NaN where it is not known, which leaves readings out as well.
    delay : Delay
        How much later than the state its mixture is read [s].
    targets : TargetsConfig
        Windows, the bounds of the kinds of driving, what is left out and what is enough.
    cooling : {"air", "water"}
        Which of the windows hold.
    load : str or LoadAxis
        "share", "acceleration", "speed_over_rpm", or the name of a channel of `state`; or the axis of another map,
        so that the two have the same columns.
    band_mps : float
        Height of a speed band [m/s]; the bands begin at 0.

    Returns
    -------
    MixtureMap
        Medians and their intervals (`medians.statistics`) by band, by cell and by kind of driving. Without a usable
        reading bands and cells are empty, and the kinds of driving have NaN.

    Raises
    ------
    InputError
        For a load that the drive does not have.
    """
    axis, on_axis = load_axis(state, targets, load)
    seen = seen_by(state, on_axis, delay)
    reason, idle = masks(readings, state, delay, targets, seen)
    windows = _windows(targets, cooling, readings.per_lambda)
    regime = _regimes(state, seen, delay, readings.time_s, targets)
    weight, use, order = seconds_of(readings.time_s), reason == KEPT, np.argsort(readings.value)
    kept = _Kept(readings.time_s[use], readings.value[use], weight[use], regime[use], _order_of(use, order))
    band = (seen.speed(kept.time_s) / band_mps).astype(np.intp)
    summary_of = np.where(idle, REGIMES.index(Regime.IDLE), np.where(use, regime, -1))
    summaries = _summaries(readings, weight, order, summary_of, windows, targets)
    names, members = reasons(readings, reason)
    return MixtureMap(
        readings.channel,
        readings.per_lambda,
        delay,
        axis,
        _bands(kept, band, band_mps, windows, targets.enough),
        _cells(kept, band, band_mps, axis, seen, windows, targets.enough),
        summaries,
        tuple(Mask(name, float(weight[m].sum()), int(m.sum())) for name, m in zip(names, members, strict=True)),
        float(weight.sum()),
        float(kept.seconds.sum()),
        tuple(_notes(state, summaries, cooling)),
    )


def targets_of(
    readings: Readings, state: Driving, delay: Delay, targets: TargetsConfig, cooling: Literal["air", "water"]
) -> tuple[Floats, Floats]:
    """The target window of each reading, by the driving that its gas came from, as `mixture_map` judges it.

    Returns
    -------
    low, high : array, shape (n,)
        In the readings' channel; NaN for a reading that is left out of the map.
    """
    seen = seen_by(state, state.share, delay)
    reason, idle = masks(readings, state, delay, targets, seen)
    windows = _windows(targets, cooling, readings.per_lambda)
    regime = np.where(idle, REGIMES.index(Regime.IDLE), _regimes(state, seen, delay, readings.time_s, targets))
    told = idle | (reason == KEPT)
    low = np.array([windows[kind].low for kind in REGIMES])[regime]
    high = np.array([windows[kind].high for kind in REGIMES])[regime]
    return np.where(told, low, np.nan), np.where(told, high, np.nan)


@dataclass(frozen=True)
class _Kept:
    """The readings that say something: when, what, for how long [s], the index in `REGIMES` of the driving; and their
    order by value."""

    time_s: Floats
    value: Floats
    seconds: Floats
    regime: Codes
    by_value: Codes


def _order_of(use: Bools, by_value: Codes) -> Codes:
    """The order by value of the readings in `use`, from that of all."""
    return (np.cumsum(use) - 1)[by_value[use[by_value]]]


def _bands(
    kept: _Kept, band: Codes, band_mps: float, windows: Mapping[Regime, Window], enough: Enough
) -> tuple[Band, ...]:
    """The rows of the map; `band` numbers the row of each kept reading."""
    rows = int(band.max()) + 1 if len(band) else 0
    widest = max(windows[kind].high - windows[kind].low for kind in (Regime.TOWN, Regime.CRUISE, Regime.FULL))
    found = statistics(band, rows, kept.time_s, kept.value, kept.seconds, kept.by_value)
    return tuple(
        Band(i * band_mps, (i + 1) * band_mps, *found.row(i), told(found, i, widest, enough))
        for i in range(rows)
        if found.readings[i]
    )


def _cells(
    kept: _Kept,
    band: Codes,
    band_mps: float,
    axis: LoadAxis,
    seen: Seen,
    windows: Mapping[Regime, Window],
    enough: Enough,
) -> tuple[Cell, ...]:
    """The fields of the map. Each is judged by the window of the driving that took most of its seconds."""
    rows, span = int(band.max()) + 1 if len(band) else 0, len(axis.edges) - 1
    column = np.clip(np.searchsorted(np.asarray(axis.edges), seen.load(kept.time_s), side="right") - 1, 0, span - 1)
    cell = band * span + column
    found = statistics(cell, rows * span, kept.time_s, kept.value, kept.seconds, kept.by_value)
    votes = np.bincount(cell * len(REGIMES) + kept.regime, weights=kept.seconds, minlength=rows * span * len(REGIMES))
    main_regime = votes.reshape(-1, len(REGIMES)).argmax(axis=1)
    share = means(cell, rows * span, seen.share(kept.time_s))
    opening = means(cell, rows * span, seen.travel(kept.time_s))
    cells = []
    for i in map(int, np.flatnonzero(found.readings)):
        kind = REGIMES[main_regime[i]]
        judged, sure = judge(found, i, windows[kind], enough.seconds, enough.readings)
        row, at = divmod(i, span)
        cells.append(
            Cell(
                row * band_mps, (row + 1) * band_mps, axis.edges[at], axis.edges[at + 1], *found.row(i), kind,
                circuit(share[i], opening[i]), windows[kind], judged, sure,
            )
        )  # fmt: skip
    return tuple(cells)


def _summaries(
    readings: Readings, weight: Floats, by_value: Codes, summary_of: Codes, windows: Mapping[Regime, Window],
    targets: TargetsConfig,
) -> tuple[RegimeSummary, ...]:  # fmt: skip
    """One row for each kind of driving; `summary_of` is the index in `REGIMES` of each reading, -1 for one left out."""
    held = summary_of >= 0
    found = statistics(
        summary_of[held], len(REGIMES), readings.time_s[held], readings.value[held], weight[held],
        _order_of(held, by_value),
    )  # fmt: skip
    summaries = []
    for i, kind in enumerate(REGIMES):
        judged, sure = judge(found, i, windows[kind], targets.enough.seconds, targets.enough.readings)
        far = judged is Judgement.RICH and bool(found.median[i] < targets.far_rich_lambda * readings.per_lambda)
        summaries.append(RegimeSummary(kind, *found.row(i), windows[kind], judged, sure, far))
    return tuple(summaries)


def difference(first: MixtureMap, second: MixtureMap) -> tuple[Change, ...]:
    """What changed between two drives, cell by cell: the cells that both have.

    The interval of a difference follows from the two intervals [1]; a change is called where it excludes zero. The
    second drive's figures are told on the first one's scale (its AFR at lambda 1). NaN where a cell has too little to
    tell an interval. ValueError for maps with different columns or channels.
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
        known = Judgement.UNKNOWN not in (a.judgement, b.judgement)
        of_a, of_b = (a.median, a.low, a.high), (b.median * scale, b.low * scale, b.high * scale)
        told = change_of(of_a, of_b, known)
        changes.append(Change(a.from_mps, a.to_mps, a.load_from, a.load_to, a.median, b.median * scale, *told))
    return tuple(changes)


def change_of(
    a: tuple[float, float, float], b: tuple[float, float, float], known: bool
) -> tuple[float, float, float, Changed]:  # fmt: skip
    """The second less the first of two medians with their intervals (median, low, high): difference, its interval [1],
    and what it is called; nothing is called where it is not `known`."""
    change = b[0] - a[0]
    low = float(change - np.hypot(b[0] - b[1], a[2] - a[0]))
    high = float(change + np.hypot(b[2] - b[0], a[0] - a[1]))
    verdict: Changed = "leaner" if low > 0 else "richer" if high < 0 else "no change seen"
    return float(change), low, high, verdict if known else "not enough data"


def load_axis(state: Driving, targets: TargetsConfig, load: str | LoadAxis) -> tuple[LoadAxis, Floats]:
    """The columns of a map, and the load that is sorted into them.

    Parameters
    ----------
    load : str or LoadAxis
        As for `mixture_map`. Edges of an axis that is not given are round figures about what was driven.

    Returns
    -------
    axis : LoadAxis
    load : array, shape (n,)
        On the state's grid, in the axis' unit; NaN where it is not known.

    Raises
    ------
    InputError
        For a load that the drive does not have; the line names those it has.
    """
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
            raise InputError(f"load speed_over_rpm needs a channel rpm. This drive has {_known(state)}")
        with np.errstate(divide="ignore", invalid="ignore"):
            values = np.where(state.channels["rpm"] > 100, 1000 * state.speed_mps / state.channels["rpm"], np.nan)
        label, unit = "speed over rpm", "m/s per 1000 rpm"
    elif name in state.channels:
        values, label, unit = state.channels[name], name, state.units.get(name, "")
    else:
        raise InputError(f"there is no load {name!r} in this drive. Choose one of {_known(state)}")
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


# --- judgement ----------------------------------------------------------------------------------------------------


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
    return (Judgement.UNKNOWN, False) if few else judgement_of(median, low, high, target)


def judgement_of(median: float, low: float, high: float, target: Window) -> tuple[Judgement, bool]:
    """A median and its 95 % interval against a window, and whether the interval stays clear of the window's edges.

    Not enough data: no interval, or one that reaches past both edges.
    """
    if not np.isfinite(low + high) or (low < target.low and high > target.high):
        return Judgement.UNKNOWN, False
    sure = not any(low < edge < high for edge in (target.low, target.high))
    if median > target.high:
        return Judgement.LEAN, sure
    return (Judgement.RICH if median < target.low else Judgement.IN_BAND), sure


# --- regimes and targets -------------------------------------------------------------------------------------------


def _regimes(state: Driving, seen: Seen, delay: Delay, t: Floats, targets: TargetsConfig) -> Codes:
    rules = targets.regimes
    speed, share, opening = seen.speed(t), seen.share(t), seen.travel(t)
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


def _notes(state: Driving, summaries: Sequence[RegimeSummary], cooling: Literal["air", "water"]) -> list[str]:
    notes = []
    if state.most is None:
        notes.append("The car did not move in this drive, so there is no load to sort by.")
    for summary in summaries:
        if summary.far_rich:
            notes.append(f"{summary.regime.capitalize()} is far too rich. That washes the bore and fouls the plug.")
        if summary.judgement is Judgement.LEAN and summary.regime in (Regime.HEAVY, Regime.FULL):
            harm = "overheats an air-cooled engine within minutes" if cooling == "air" else "burns pistons and valves"
            notes.append(f"Caution: {summary.regime} is lean. That {harm}. Do not hold it until you have corrected it.")
    return notes


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
