"""The answer of `mixture`: the mixture of a drive by speed and load, or what changed between two drives.

answer = mixture_answer(store.drive("last"))
answer.full_throttle.median     # the full-throttle mixture of the drive
rows(answer.cells)              # a pandas frame, one row a cell

change = mixture_change_answer(store.drive("2026-05-02"), store.drive("last"))
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from analysis.answers.encoding import Answer, Figure
from analysis.answers.kept_answer import kept_answer
from analysis.answers.learned_slopes import LearnedSlopesAnswer
from analysis.conditions.fuels import fuel_stoich_afr
from analysis.mixture.map import Cell, Judgement, Regime, RegimeSummary, Window, difference
from logger.units import SPEED_UNITS

if TYPE_CHECKING:
    from analysis.conditions.roadload import Envelope
    from analysis.drive import AnalysedDrive
    from analysis.mixture.delay import Delay
    from analysis.mixture.drive_map import DriveMap
    from analysis.mixture.map import LoadAxis

BAND_HEIGHT = 10
"""Height of a speed band where none is asked for, in the owner's unit of speed."""
_UNPROVEN_MPS = 3.0
"""So far below the highest speed of the drive flat out may end without a word about it [m/s]."""

LEAN_CAUTION = (
    "Caution: lean at full throttle burns pistons and valves, and an air-cooled engine gives little warning. Ease off "
    "until it is richer, and have someone who knows the engine look at it if in doubt."
)


class WindowAnswer(Answer):
    """A target window."""

    low: float
    """The rich end, in the channel's scale."""
    high: float
    """The lean end, in the channel's scale."""


class LoadNameAnswer(Answer):
    """What the columns of a map are."""

    name: str
    """Load as a share of the most the car can do at that speed, tractive acceleration, or a channel."""
    unit: str
    """Its unit; "1" for a share."""


class LoadAnswer(LoadNameAnswer):
    """The columns of a map."""

    edges: tuple[float, ...]
    """Edges of the columns, in that unit; what lies outside the first and last belongs to the outer columns."""


class DelayAnswer(Answer):
    """How much later than the engine's state its mixture was read."""

    delay_s: float
    """The delay that was used [s]: of the gas alone where `lag_s` is known, else with the sensor's lag in it."""
    delay_low_s: Figure
    """Lower end of its 95 % interval [s]; null where the drive does not tell the delay."""
    delay_high_s: Figure
    """Upper end of its 95 % interval [s]; null where the drive does not tell the delay."""
    delay_from: str
    """Where it is from: "this drive" or "configuration"."""
    delay_says: str
    """Where it is from, as a sentence."""
    lag_s: Figure
    """Time constant of the sensor's lag [s]; null where the drive does not tell it from the delay."""
    lag_low_s: Figure
    """Lower end of its 95 % interval [s]."""
    lag_high_s: Figure
    """Upper end of its 95 % interval [s]."""
    load_steps: int
    """Steps of load in the drive that there were to learn from."""


class BandAnswer(Answer):
    """A row of the map: all kept readings of a range of speed, whatever the load."""

    from_mps: float
    """Lower edge [m/s]."""
    to_mps: float
    """Upper edge [m/s]."""
    seconds: float
    """Driving in it [s]."""
    readings: int
    """Readings in it."""
    median: Figure
    """Median, in the channel's scale; it means something only where `told`."""
    p10: Figure
    """A tenth of the readings are richer than this."""
    p90: Figure
    """A tenth of the readings are leaner than this."""
    sigma: Figure
    """Standard error of the median, in the channel's scale."""
    low: Figure
    """Lower end of the median's 95 % interval."""
    high: Figure
    """Upper end of the median's 95 % interval."""
    told: bool
    """Whether there is enough data, and the band not a mix of kinds of driving with too little of each."""


class CellAnswer(Answer):
    """A field of the map: a range of speed and load."""

    from_mps: float
    """Lower edge of the speed [m/s]."""
    to_mps: float
    """Upper edge of the speed [m/s]."""
    load_from: float
    """Lower edge of the load, in the load's unit."""
    load_to: float
    """Upper edge of the load, in the load's unit."""
    seconds: float
    """Driving in it [s]."""
    readings: int
    """Readings in it."""
    median: Figure
    """Median, in the channel's scale."""
    p10: Figure
    """A tenth of the readings are richer than this."""
    p90: Figure
    """A tenth of the readings are leaner than this."""
    sigma: Figure
    """Standard error of the median, in the channel's scale."""
    low: Figure
    """Lower end of the median's 95 % interval."""
    high: Figure
    """Upper end of the median's 95 % interval."""
    regime: Regime
    """The kind of driving that took most of its seconds."""
    circuit: str
    """The part of a carburettor that meters most of the fuel there: idle, transition or main; "" where not known."""
    judgement: Judgement
    """The median against the target."""
    sure: bool
    """Whether the 95 % interval stays clear of the target's edges."""
    target: WindowAnswer
    """The target of that kind of driving."""


class RegimeAnswer(Answer):
    """A kind of driving as a whole, all speeds together; idle is the one at a standstill."""

    regime: Regime
    """Which."""
    seconds: float
    """Driving in it [s]."""
    readings: int
    """Readings in it."""
    median: Figure
    """Median of all its readings, in the channel's scale. That of full throttle is what is called the full-throttle
    mixture of the drive."""
    p10: Figure
    """A tenth of the readings are richer than this."""
    p90: Figure
    """A tenth of the readings are leaner than this."""
    sigma: Figure
    """Standard error of the median, in the channel's scale."""
    low: Figure
    """Lower end of the median's 95 % interval."""
    high: Figure
    """Upper end of the median's 95 % interval."""
    judgement: Judgement
    """The median against the target."""
    sure: bool
    """Whether the 95 % interval stays clear of the target's edges."""
    far_rich: bool
    """Whether it is so rich that it washes the bore and fouls the plug."""
    target: WindowAnswer
    """The target."""


class MaskAnswer(Answer):
    """A reason for leaving readings out, and what it took."""

    reason: str
    """The reason."""
    seconds: float
    """How much it took [s]."""
    readings: int
    """How many readings it took."""


class MostAtAnswer(Answer):
    """The most the car can do at one speed."""

    speed_mps: float
    """The speed [m/s]."""
    most_mps2: float
    """Tractive acceleration [m/s2]."""


class MostAnswer(Answer):
    """The most the car can do: what a load of 100 % is."""

    source: str
    """Where it is from: "this drive" or "the car's file"."""
    at: tuple[MostAtAnswer, ...]
    """At some round speeds that the drive reached."""
    unproven_above_mps: Figure
    """Above this speed the car was not driven flat out, and it follows from power [m/s]; 0 where nothing in the drive
    looks flat out, null where all but its highest speeds were driven flat out."""


class MixtureAnswer(DelayAnswer):
    """The mixture of a drive by speed and load, compared with its targets."""

    drive: str
    """The drive's id."""
    channel: Literal["afr", "lambda"]
    """The channel of all medians."""
    value_at_lambda_1: float
    """What the channel shows at lambda 1: the AFR of its scale, or 1."""
    fuel_stoich_afr: Figure
    """The stoichiometric ratio of the fuel whose true AFR is given; null on the controller's own scale."""
    unit: Literal["mph", "km/h"]
    """The owner's unit of speed."""
    load: LoadAnswer
    """The columns."""
    road_load_from: str
    """Where the road load is from that load was worked out with."""
    slopes: LearnedSlopesAnswer | None
    """What load was worked out with of slopes that all passes of the roads tell; null where too few passed them, and
    the altitude of this drive stands in."""
    most: MostAnswer | None
    """The most the car can do; null where nothing in the drive moved it."""
    cooling: Literal["air", "water"]
    """Which targets hold."""
    total_s: float
    """The drive's readings in all [s]: those used, and those of all masks."""
    kept_s: float
    """What was used [s]."""
    bands: tuple[BandAnswer, ...]
    """By speed alone."""
    cells: tuple[CellAnswer, ...]
    """By speed and load."""
    summaries: tuple[RegimeAnswer, ...]
    """By kind of driving."""
    masks: tuple[MaskAnswer, ...]
    """What was left out, and why."""
    notes: tuple[str, ...]
    """What else the owner should know."""
    caution: str
    """A warning where any of it is lean at full throttle; else empty."""

    @property
    def full_throttle(self) -> RegimeAnswer:
        """Full throttle as a whole: its median is what is called the full-throttle mixture of the drive."""
        return next(each for each in self.summaries if each.regime is Regime.FULL)


class CellChangeAnswer(Answer):
    """A cell in two drives: the second less the first."""

    from_mps: float
    """Lower edge of the speed [m/s]."""
    to_mps: float
    """Upper edge of the speed [m/s]."""
    load_from: float
    """Lower edge of the load, in the load's unit."""
    load_to: float
    """Upper edge of the load, in the load's unit."""
    first: Figure
    """Median in the first drive."""
    second: Figure
    """Median in the second drive, on the first one's scale."""
    difference: Figure
    """The second less the first: above zero is leaner."""
    low: Figure
    """Lower end of the difference's 95 % interval."""
    high: Figure
    """Upper end of the difference's 95 % interval."""
    verdict: Literal["leaner", "richer", "no change seen", "not enough data"]
    """What the second drive is against the first."""


class MixtureChangeAnswer(Answer):
    """What the mixture did from one drive to the next, in the cells that both have."""

    a: str
    """Id of the first drive."""
    b: str
    """Id of the second drive."""
    channel: Literal["afr", "lambda"]
    """The channel of medians and differences, on the first drive's scale."""
    unit: Literal["mph", "km/h"]
    """The owner's unit of speed."""
    load: LoadAnswer
    """The columns, those of the first drive's map."""
    cells: tuple[CellChangeAnswer, ...]
    """By speed and load."""
    a_delay: DelayAnswer
    """The delay of the first drive."""
    b_delay: DelayAnswer
    """The delay of the second drive."""


# --- from drives ---------------------------------------------------------------------------------------------------


def mixture_answer(
    drive: AnalysedDrive,
    *,
    channel: str | None = None,
    load_by: str | LoadAxis = "share",
    band_mps: float | None = None,
    fuel: str | None = None,
    unit: Literal["mph", "km/h"] | None = None,
) -> MixtureAnswer:
    """The mixture of a drive. NoAnswer where it has no fixes or no mixture, InputError for what it does not know.

    Parameters
    ----------
    channel : str, optional
        "afr", "lambda", or "SOURCE.afr" where two sources tell one; by default the one that was configured.
    load_by : str or LoadAxis
        The columns: "share", "acceleration", "speed_over_rpm", or the name of a channel.
    band_mps : float, optional
        Height of a speed band [m/s]; by default `BAND_HEIGHT` in the unit of speed.
    fuel : str, optional
        Tell AFR as the true ratio of this blend, or of the one in the car's file for "car"; by default it is told on
        the controller's own scale.
    unit : str, optional
        The owner's unit of speed; by default that of the car's file.
    """
    unit = unit or drive.unit
    band_mps = band_mps or BAND_HEIGHT * SPEED_UNITS[unit]
    stoich = fuel_stoich_afr(drive.car, fuel) if fuel is not None else None
    if not isinstance(load_by, str):
        return _worked_out(drive, channel, load_by, band_mps, stoich, unit)
    asked = {"channel": channel, "load": load_by, "band": band_mps, "stoich": stoich, "unit": unit}
    return kept_answer(
        drive, MixtureAnswer, "mixture", asked, lambda: _worked_out(drive, channel, load_by, band_mps, stoich, unit)
    )


def _worked_out(
    drive: AnalysedDrive,
    channel: str | None,
    load_by: str | LoadAxis,
    band_mps: float,
    stoich: float | None,
    unit: Literal["mph", "km/h"],
) -> MixtureAnswer:
    mapped = _mapped(drive, channel, load_by, band_mps, stoich)
    found, state, delay = mapped.answer, mapped.state, _delay(mapped.answer.delay)
    judged = [(each.regime, each.judgement) for each in found.summaries]
    judged += [(each.regime, each.judgement) for each in found.cells]
    return MixtureAnswer(
        drive=drive.id,
        channel=_channel(found.channel),
        value_at_lambda_1=found.per_lambda,
        fuel_stoich_afr=stoich if stoich is not None and found.channel == "afr" else math.nan,
        unit=unit,
        delay_s=delay.delay_s,
        delay_low_s=delay.delay_low_s,
        delay_high_s=delay.delay_high_s,
        delay_from=delay.delay_from,
        delay_says=delay.delay_says,
        lag_s=delay.lag_s,
        lag_low_s=delay.lag_low_s,
        lag_high_s=delay.lag_high_s,
        load_steps=delay.load_steps,
        load=_load(found.load),
        road_load_from=state.road.source,
        slopes=_slopes(mapped),
        most=_most(state.most, unit) if state.most else None,
        cooling=mapped.cooling,
        total_s=found.total_s,
        kept_s=found.kept_s,
        bands=tuple(
            BandAnswer(
                from_mps=band.from_mps, to_mps=band.to_mps, seconds=band.seconds, readings=band.readings,
                median=band.median, p10=band.p10, p90=band.p90, sigma=band.sigma, low=band.low, high=band.high,
                told=band.told,
            )
            for band in found.bands
        ),
        cells=tuple(cell_answer(cell) for cell in found.cells),
        summaries=tuple(_regime(summary) for summary in found.summaries),
        masks=tuple(
            MaskAnswer(reason=mask.reason, seconds=mask.seconds, readings=mask.readings) for mask in found.masks
        ),
        notes=found.notes,
        caution=LEAN_CAUTION if (Regime.FULL, Judgement.LEAN) in judged else "",
    )  # fmt: skip


def mixture_change_answer(
    first: AnalysedDrive,
    second: AnalysedDrive,
    *,
    channel: str | None = None,
    load_by: str | LoadAxis = "share",
    band_mps: float | None = None,
    fuel: str | None = None,
    unit: Literal["mph", "km/h"] | None = None,
) -> MixtureChangeAnswer:
    """What the mixture did from the first drive to the second, with the first one's columns; options as above."""
    from analysis.changes.across_cars import one_car  # here: the map of one drive needs nothing of a season

    one_car([first, second], "a mixture's change")
    unit = unit or first.unit
    height = band_mps or BAND_HEIGHT * SPEED_UNITS[unit]
    of_first, of_second = (
        fuel_stoich_afr(drive.car, fuel) if fuel is not None else None for drive in (first, second)
    )  # fmt: skip
    a = _mapped(first, channel, load_by, height, of_first).answer
    b = _mapped(second, channel or a.channel, a.load, height, of_second).answer
    return MixtureChangeAnswer(
        a=first.id,
        b=second.id,
        channel=_channel(a.channel),
        unit=unit,
        load=_load(a.load),
        cells=tuple(
            CellChangeAnswer(
                from_mps=change.from_mps, to_mps=change.to_mps, load_from=change.load_from, load_to=change.load_to,
                first=change.first, second=change.second, difference=change.difference, low=change.low,
                high=change.high, verdict=change.verdict,
            )
            for change in difference(a, b)
        ),
        a_delay=_delay(a.delay),
        b_delay=_delay(b.delay),
    )  # fmt: skip


def cell_answer(cell: Cell) -> CellAnswer:
    """A cell of a map as answers show it."""
    return CellAnswer(
        from_mps=cell.from_mps, to_mps=cell.to_mps, load_from=cell.load_from, load_to=cell.load_to,
        seconds=cell.seconds, readings=cell.readings, median=cell.median, p10=cell.p10, p90=cell.p90, sigma=cell.sigma,
        low=cell.low, high=cell.high, regime=cell.regime, circuit=cell.circuit, judgement=cell.judgement,
        sure=cell.sure, target=_window(cell.target),
    )  # fmt: skip


def _mapped(
    drive: AnalysedDrive, channel: str | None, load_by: str | LoadAxis, band_mps: float, stoich: float | None
) -> DriveMap:
    """The drive's own map where that is what is asked for, so that it is worked out once."""
    usual = math.isclose(band_mps, BAND_HEIGHT * SPEED_UNITS[drive.unit])
    if channel is None and load_by == "share" and usual and stoich is None:
        return drive.map
    return drive.map_by(channel, load_by, band_mps, fuel_stoich_afr=stoich)


def _slopes(mapped: DriveMap) -> LearnedSlopesAnswer | None:
    told = mapped.slopes
    if told is None:
        return None
    least, most = told.passes
    return LearnedSlopesAnswer(share=told.share, sigma=told.sigma, passes_least=least, passes_most=most)


def _channel(name: str) -> Literal["afr", "lambda"]:
    return "afr" if name == "afr" else "lambda"


def _delay(found: Delay) -> DelayAnswer:
    def told(value: float | None) -> float:
        return math.nan if value is None else value

    return DelayAnswer(
        delay_s=found.delay_s, delay_low_s=told(found.delay_low_s), delay_high_s=told(found.delay_high_s),
        delay_from=found.source, delay_says=found.reason, lag_s=found.lag_s if found.told_apart else math.nan,
        lag_low_s=told(found.lag_low_s), lag_high_s=told(found.lag_high_s), load_steps=found.steps,
    )  # fmt: skip


def _load(axis: LoadAxis) -> LoadAnswer:
    return LoadAnswer(name=axis.name, unit=axis.unit, edges=axis.edges)


def _window(window: Window) -> WindowAnswer:
    return WindowAnswer(low=window.low, high=window.high)


def _regime(summary: RegimeSummary) -> RegimeAnswer:
    return RegimeAnswer(
        regime=summary.regime, seconds=summary.seconds, readings=summary.readings, median=summary.median,
        p10=summary.p10, p90=summary.p90, sigma=summary.sigma, low=summary.low, high=summary.high,
        judgement=summary.judgement, sure=summary.sure, far_rich=summary.far_rich, target=_window(summary.target),
    )  # fmt: skip


def _most(most: Envelope, unit: Literal["mph", "km/h"]) -> MostAnswer:
    step = SPEED_UNITS[unit] * (20 if unit == "mph" else 30)
    top, flat_out = float(most.speed_mps[-1]), most.speed_mps[most.proven]
    unproven = math.nan
    if not len(flat_out):
        unproven = 0.0
    elif top - flat_out[-1] > _UNPROVEN_MPS:
        unproven = float(flat_out[-1])
    return MostAnswer(
        source=most.source,
        at=tuple(
            MostAtAnswer(speed_mps=step * k, most_mps2=float(most.at(step * k))) for k in range(1, 5) if step * k <= top
        ),
        unproven_above_mps=unproven,
    )
