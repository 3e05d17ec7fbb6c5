"""The answer of `fuel`: consumption of a loop, and of all loops that are kept, by setup."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from analysis import wording
from analysis.answers.encoding import Answer, Figure
from analysis.road import fuel_averages, fuel_used
from analysis.road.fuel_averages import Average, ConsumptionChange
from logger.errors import InputError, NoAnswer
from logger.units import l_per_100km, mpg_imperial, mpg_us

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.road.fuel_loops import Loop, Manner
    from analysis.road.fuel_used import Used
    from analysis.store import DriveStore


class FuelMeasured(Answer):
    """The fuel of a loop as the owner measured it."""

    how: Literal["volume", "weight"]
    """What was measured."""
    value: float
    """The volume [m3] or weight [kg]."""
    fuel_k: float | None
    """Temperature of the fuel [K]; null where it was not said."""


class LoopManner(Answer):
    """How a loop was driven, from first movement to last."""

    seconds: float
    """From first movement to last [s]."""
    standing_s: float
    """Time standing still [s]."""
    stops: int
    """How often it stood."""
    mean_mps: float
    """Mean speed, stops included [m/s]."""
    moving_mean_mps: float
    """Mean speed while moving [m/s]."""
    in_band: Figure
    """Share of the time within the band that was to be held [-]; null without one."""
    below_band: Figure
    """Share of the time below it [-]."""
    above_band: Figure
    """Share of the time above it [-]."""
    climb_m: Figure
    """All metres gained, wander below 3 m left out [m]; null without altitudes."""
    net_climb_m: Figure
    """How much higher it ended than it started [m]."""
    closing_m: Figure
    """How far from its start it ended [m]."""
    wind_mps: Figure
    """The stated wind [m/s]; null where none was stated."""


class LoopsNeeded(Answer):
    """How small a change loops like this one show, 8 times in 10, and what shows a smaller one."""

    smallest_change_percent: float
    """The smallest change that one such loop before and one after show [%]."""
    change_percent: float
    """The change that the next two are for: the one asked for, or half the smallest [%]."""
    loop_length_m: Figure
    """How long one loop before and one after must be to show it [m]; null where no length does."""
    loops_each: int
    """How many such loops before and as many after show it; 0 where more than 99 would be needed."""
    measure_temperature: bool
    """Whether the temperature of the fuel would help: it was a volume and nobody said how warm."""


class FuelAnswer(Answer):
    """Consumption of one loop. Volumes and consumption are at 15.6 C (60 F); intervals are at 95 %."""

    drive: str
    """The drive's id."""
    setup: str
    """What the car was; a dash where it is not known."""
    distance_m: float
    """Distance by speed and track together [m]."""
    distance_sigma_m: float
    """Its standard error [m]."""
    distance_by_speed_m: float
    """By the integral of the receiver's speed [m]."""
    distance_by_track_m: Figure
    """Along the positions [m]; null without positions."""
    used_m3: float
    """Fuel used [m3]."""
    used_sigma_m3: float
    """Its standard error [m3]."""
    measured: FuelMeasured
    """What was measured, before it was brought to 15.6 C."""
    l_per_100km: float
    """Litres for 100 km."""
    l_per_100km_interval: tuple[float, float]
    """From, to."""
    mpg_us: float
    """Miles on a US gallon."""
    mpg_us_interval: tuple[float, float]
    """From, to."""
    mpg_imperial: float
    """Miles on an imperial gallon."""
    mpg_imperial_interval: tuple[float, float]
    """From, to."""
    sigma_percent: float
    """Standard error of the consumption [%]."""
    in_band_fraction: Figure
    """Share of the time within the band that was to be held [-]; null without one."""
    band_mps: tuple[float, float] | None
    """The band that was to be held [m/s]."""
    manner: LoopManner
    """How it was driven."""
    not_as_asked: tuple[str, ...]
    """Where it was not driven as such a loop should be, a sentence each."""
    assumed: tuple[str, ...]
    """What was assumed because it was not given."""
    smallest_change_percent: float
    """The smallest change that one such loop before and one after show, 8 times in 10 [%]."""
    to_show: LoopsNeeded
    """What shows a smaller change."""


class ConsumptionAgainst(Answer):
    """Consumption against that of another setup."""

    change: float
    """Relative change [-]; below zero is less fuel."""
    low: float
    """From, at 95 % [-]."""
    high: float
    """To [-]."""
    verdict: Literal["less fuel", "more fuel", "no difference shown", "too few loops"]
    """What the loops show."""


class SetupConsumption(Answer):
    """The loops of one setup together: harmonic mean of the distance per volume (SAE J1082)."""

    setup: str
    """What the car was."""
    loops: int
    """How many loops."""
    mpg_us: float
    """Miles on a US gallon."""
    mpg_us_interval: tuple[float, float]
    """From, to, at 95 %."""
    l_per_100km: float
    """Litres for 100 km."""
    l_per_100km_interval: tuple[float, float]
    """From, to, at 95 %."""
    sigma_percent: float
    """Standard error of the mean [%]."""
    scatter_percent: Figure
    """Standard deviation from loop to loop [%]; null with one loop."""
    against_first: ConsumptionAgainst | None
    """Against the setup that was first driven; null for that one itself."""


class UnreadLoop(Answer):
    """A drive whose stored fuel is unreadable."""

    drive: str
    """The drive's id."""
    why: str
    """What is wrong with it."""


class FuelLoopsAnswer(Answer):
    """All loops that are kept, and their averages by setup."""

    loops: tuple[FuelAnswer, ...]
    """The loops, in the order driven."""
    setups: tuple[SetupConsumption, ...]
    """By setup, in the order first driven."""
    scatter_percent: Figure
    """Standard deviation from loop to loop within setups, all together [%]; null where no setup has two."""
    scatter_repeats: int
    """Repeats that tell it."""
    to_show: LoopsNeeded
    """What shows a smaller change, for loops like the last one."""
    unread: tuple[UnreadLoop, ...]
    """Drives left out because they are unreadable."""


class FuelForgottenAnswer(Answer):
    """Fuel that is no longer kept with a drive."""

    drive: str
    """The drive's id."""
    forgotten_m3: Figure
    """What was kept [m3]; null where it could not be read."""


# --- one loop -----------------------------------------------------------------------------------------------------


def used_fuel(
    drive: AnalysedDrive,
    *,
    volume_m3: float | None = None,
    mass_kg: float | None = None,
    sigma: float | None = None,
    fuel_k: float | None = None,
    band_mps: tuple[float, float] | None = None,
) -> Used:
    """The fuel of a loop by volume or weight, with what the drive's car file says of it; see `fuel_used.by_car`."""
    return fuel_used.by_car(
        drive.car, volume_m3=volume_m3, mass_kg=mass_kg, sigma=sigma, fuel_k=fuel_k, band_mps=band_mps
    )  # fmt: skip


def fuel_answer(drive: AnalysedDrive, used: Used, show: float | None = None) -> FuelAnswer:
    """The consumption of a drive on the fuel `used`; `show` is the relative change that a loop is wanted for.

    NoAnswer where the drive is no loop.
    """
    return _told(drive, drive.loop_by(used), show)


def kept_fuel_answer(drive: AnalysedDrive) -> FuelAnswer | None:
    """The consumption of a drive on the fuel that was kept with it; None where none was.

    NoAnswer where the drive has no usable fixes, InputError where what was kept cannot be read.
    """
    loop = drive.loop
    return None if loop is None else _told(drive, loop, None)


def doubted(drive: AnalysedDrive, used: Used) -> str:
    """Why the fuel can't have been used on this drive, in a question; "" where it can. NoAnswer where it is no loop."""
    from analysis.road.fuel_loops import no_cars

    return no_cars(drive.loop_by(used).m3_per_m)


def keep_fuel(drive: AnalysedDrive, used: Used) -> None:
    """Write the fuel into the drive's manifest; its trace says so."""
    again = drive.drive.manifest.fuel is not None
    drive.drive.amend(
        f"fuel loop {'corrected' if again else 'added'}: {wording.litres_text(used.volume_m3)} at 15.6 C",
        fuel=fuel_used.to_kept(used),
    )


def forget_fuel(drive: AnalysedDrive) -> FuelForgottenAnswer:
    """Take the fuel out of the drive's manifest; its trace says so. InputError where none is kept."""
    if drive.drive.manifest.fuel is None:
        raise InputError(f"{drive.id}: no fuel figure is stored with this drive")
    try:
        volume = fuel_used.from_kept(drive.drive.manifest.fuel).volume_m3
        had = f"it had {wording.litres_text(volume)} at 15.6 C"
    except ValueError:
        volume, had = math.nan, "what it had was unreadable"
    drive.drive.amend(f"fuel loop removed: {had}", fuel=None)
    return FuelForgottenAnswer(drive=drive.id, forgotten_m3=volume)


def _told(drive: AnalysedDrive, loop: Loop, show: float | None) -> FuelAnswer:
    used, way = loop.used, loop.distance
    low, high = loop.interval
    return FuelAnswer(
        drive=drive.id,
        setup=drive.setup_name,
        distance_m=way.metres,
        distance_sigma_m=way.sigma_m,
        distance_by_speed_m=way.doppler_m,
        distance_by_track_m=way.track_m,
        used_m3=used.volume_m3,
        used_sigma_m3=used.sigma_m3,
        measured=FuelMeasured(how=used.how, value=used.measured, fuel_k=used.fuel_k),
        l_per_100km=l_per_100km(loop.m3_per_m),
        l_per_100km_interval=(l_per_100km(low), l_per_100km(high)),
        mpg_us=mpg_us(loop.m3_per_m),
        mpg_us_interval=(mpg_us(high), mpg_us(low)),
        mpg_imperial=mpg_imperial(loop.m3_per_m),
        mpg_imperial_interval=(mpg_imperial(high), mpg_imperial(low)),
        sigma_percent=100 * loop.sigma,
        in_band_fraction=loop.manner.in_band,
        band_mps=used.band_mps,
        manner=_manner(loop.manner),
        not_as_asked=tuple(loop.not_as_asked),
        assumed=used.assumed,
        smallest_change_percent=100 * fuel_averages.smallest_change(loop.own_sigma),
        to_show=_needed(loop, show, 0.0),
    )


def _manner(manner: Manner) -> LoopManner:
    return LoopManner(
        seconds=manner.seconds,
        standing_s=manner.standing_s,
        stops=manner.stops,
        mean_mps=manner.mean_mps,
        moving_mean_mps=manner.moving_mean_mps,
        in_band=manner.in_band,
        below_band=manner.below_band,
        above_band=manner.above_band,
        climb_m=manner.climb_m,
        net_climb_m=manner.net_climb_m,
        closing_m=manner.closing_m,
        wind_mps=manner.wind_mps,
    )


def _needed(loop: Loop, show: float | None, scatter: float) -> LoopsNeeded:
    least = fuel_averages.smallest_change(math.hypot(loop.own_sigma, scatter))
    change = show or least / 2
    return LoopsNeeded(
        smallest_change_percent=100 * least,
        change_percent=100 * change,
        loop_length_m=fuel_averages.length_to_show(change, loop, scatter),
        loops_each=fuel_averages.loops_to_show(change, loop, scatter),
        measure_temperature=loop.used.fuel_k is None and loop.used.how == "volume",
    )


# --- all loops that are kept --------------------------------------------------------------------------------------


def fuel_loops_answer(
    store: DriveStore, refs: Sequence[str] | None = None, show: float | None = None
) -> FuelLoopsAnswer:
    """The loops kept with these drives, or with all drives of the store, and their averages by setup.

    A drive whose fuel cannot be told is left out and named, unless it was asked for. NoAnswer where none is kept.
    """
    drives = [store.drive(ref) for ref in refs] if refs else store.drives
    loops, unread = _kept(drives, asked=bool(refs))
    if not loops:
        where = ", ".join(refs) if refs else str(store.path)
        why = f"{where}: no fuel loop is stored there. Give the fuel used, such as --used 0.84gal or --by-weight 2.3kg."
        raise NoAnswer(unread[0].why if unread else why)
    by_setup: dict[str, list[Loop]] = {}
    for drive, loop in loops:
        by_setup.setdefault(drive.setup_name, []).append(loop)
    pooled = fuel_averages.pooled_scatter(list(by_setup.values()))
    averages = {setup: fuel_averages.average(of, pooled) for setup, of in by_setup.items()}
    first = next(iter(averages.values()))
    return FuelLoopsAnswer(
        loops=tuple(_told(drive, loop, show) for drive, loop in loops),
        setups=tuple(_averaged(setup, of, None if of is first else first) for setup, of in averages.items()),
        scatter_percent=100 * pooled[0] if pooled else math.nan,
        scatter_repeats=round(pooled[1]) if pooled else 0,
        to_show=_needed(loops[-1][1], show, fuel_averages.beyond_measuring([loop for _, loop in loops], pooled)),
        unread=tuple(unread),
    )


def consumption_of(store: DriveStore, setup: str) -> float | None:
    """Mean consumption of the loops kept for the setup of this name [m3/m]; None where there is none."""
    loops, _ = _kept([drive for drive in store.drives if drive.setup_name == setup], asked=False)
    return fuel_averages.average([loop for _, loop in loops]).m3_per_m if loops else None


def _kept(drives: Sequence[AnalysedDrive], *, asked: bool) -> tuple[list[tuple[AnalysedDrive, Loop]], list[UnreadLoop]]:
    loops, unread = [], []
    for drive in drives:
        try:
            loop = drive.loop
        except (NoAnswer, InputError) as error:
            if asked:
                raise
            unread.append(UnreadLoop(drive=drive.id, why=str(error)))
            continue
        if loop is not None:
            loops.append((drive, loop))
    return loops, unread


def _averaged(setup: str, of: Average, first: Average | None) -> SetupConsumption:
    low, high = of.interval()
    return SetupConsumption(
        setup=setup,
        loops=of.loops,
        mpg_us=mpg_us(of.m3_per_m),
        mpg_us_interval=(mpg_us(high), mpg_us(low)),
        l_per_100km=l_per_100km(of.m3_per_m),
        l_per_100km_interval=(l_per_100km(low), l_per_100km(high)),
        sigma_percent=100 * math.hypot(of.sigma, of.shared),
        scatter_percent=100 * of.scatter,
        against_first=None if first is None else _against(fuel_averages.difference(first, of)),
    )


def _against(change: ConsumptionChange) -> ConsumptionAgainst:
    return ConsumptionAgainst(change=change.change, low=change.low, high=change.high, verdict=change.verdict)
