"""Full throttle of a store's drives by main jet: what `pullbook jets` reasons from."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from analysis.conditions import setups
from analysis.conditions.fuels import PETROL_SCALE_AFR, fuel_stoich_afr
from analysis.conditions.weather import Weather, air_of
from analysis.drive import AnalysedDrive
from analysis.mixture import jets
from analysis.mixture.drive_map import DriveMap
from analysis.mixture.jets import Jet, Pull, Tried
from analysis.mixture.map import Regime
from logger.config.car import car_key
from logger.config.setup import JetsConfig, PartValue
from logger.config.targets import JetRules
from logger.errors import InputError, NoAnswer
from logger.store import bulkhead
from logger.units import MM_PER_M

MIN_PULL_S = 1.5
"""A speed band needs this much full throttle to count [s]."""
METRIC_MM = (0.3, 3.0)
"""Metric jets are sold from and to about these diameters [mm] (common practice, no source)."""


@dataclass(frozen=True)
class History:
    """The drive asked about and what else its car did, full throttle by jet."""

    map: DriveMap
    latest: Tried
    tested: tuple[Tried, ...]
    left_out: tuple[str, ...]
    """Drives that could have counted and do not, with the reason."""


def gather(
    drive: AnalysedDrive,
    drives: Sequence[AnalysedDrive],
    part: str,
    channel: str | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> History:
    """The history of the jet of `drive`: its own setup's drives, and all others that can tell what a jet does.

    Those are the drives of setups that differ in nothing but the jet, whatever the rest of the setup is. A drive that
    cannot be used is left out with the reason. NoAnswer where `drive` does not say its jet or has no full throttle.

    Parameters
    ----------
    part : str
        The part of the setups that holds the main jet's diameter.
    channel : str, optional
        What the mixture of `drive` is told in, "afr" or "lambda"; the others are told in the same.
    """
    if _diameter_mm(drive, part) is None:
        raise NoAnswer(
            f"the setup of drive {drive.id} does not say {part}. Add it to the setup's file, or name the part that "
            "holds the main jet in [jets] of targets.toml."
        )
    progress(drive.id)
    mapped = drive.map if channel is None else drive.map_by(channel)
    groups = _alike(drive, drives, part)
    latest = tried_in(drive, mapped, part, setups.described(_rest(drive, part)))
    if not latest.pulls:
        raise NoAnswer(
            f"drive {drive.id} has too little full throttle to judge the main jet. Drive a few pulls of three seconds "
            "or more with the throttle wide open."
        )
    tested, left_out = [latest], []
    for k, group in enumerate(groups):
        if k > 0 and len({round(_diameter_mm(d, part) or math.nan, 4) for d in group}) < 2:
            continue
        words = setups.described(_rest(group[0], part))
        for d in group:
            if d is drive:
                continue
            progress(d.id)
            try:
                with bulkhead.of(d.id):
                    told_in = mapped.readings.channel
                    alike = d.map if d.map.readings.channel == told_in else d.map_by(told_in)
                    one = tried_in(d, alike, part, words)
            except (NoAnswer, InputError) as error:
                left_out.append(f"{d.id}: {error}")
                continue
            if one.pulls:
                tested.append(one)
            else:
                left_out.append(f"{d.id}: it has no full throttle")
    return History(mapped, latest, tuple(tested), tuple(left_out))


def _alike(drive: AnalysedDrive, drives: Sequence[AnalysedDrive], part: str) -> list[list[AnalysedDrive]]:
    """The drives of the same car that say their jet, by the rest of their setup; those like `drive` first."""
    same_car = [d for d in drives if d.id != drive.id and _car_name(d) == _car_name(drive)]
    groups: list[list[AnalysedDrive]] = []
    for d in [drive, *(d for d in same_car if _diameter_mm(d, part) is not None)]:
        for group in groups:
            if setups.same(_rest(group[0], part), _rest(d, part)):
                group.append(d)
                break
        else:
            groups.append([d])
    return groups


def tried_in(drive: AnalysedDrive, mapped: DriveMap, part: str, others: str) -> Tried:
    """Full throttle of one drive by speed band, on the scale where lambda 1 is 14.7 or in lambda.

    InputError where its weather or the blend in its car's file cannot be read.
    """
    scale = scale_of(mapped)
    best: dict[float, Pull] = {}
    seconds: dict[float, float] = {}
    for cell in mapped.answer.cells:
        enough = cell.seconds >= MIN_PULL_S and math.isfinite(cell.sigma)
        if cell.regime is Regime.FULL and enough and cell.seconds > seconds.get(cell.from_mps, 0.0):
            best[cell.from_mps] = Pull(cell.from_mps, cell.median * scale, cell.sigma * scale)
            seconds[cell.from_mps] = cell.seconds
    return Tried(
        drive.id, _diameter_mm(drive, part) or math.nan, others, tuple(best[v] for v in sorted(best)),
        density_of(drive), fuel_stoich_afr(drive.car),
    )  # fmt: skip


FREE_AIR_S = 3.0
"""So long in free air at a standstill is a check of the sensor [s]."""


def free_air_seen(mapped: DriveMap, free_air_lambda: float) -> bool:
    """Whether the sensor was seen in free air while the car stood: before the start, or held out of the exhaust."""
    import numpy as np

    readings, state = mapped.readings, mapped.alone
    free = readings.value >= free_air_lambda * readings.per_lambda
    speed = np.interp(readings.time_s, state.time_s, np.nan_to_num(state.speed_mps, nan=99.0))
    still = free & (speed < STANDS_MPS)
    step = (
        np.minimum(np.diff(readings.time_s, append=readings.time_s[-1]), 1.0) if len(readings.time_s) else np.zeros(0)
    )
    return bool(step[still].sum() >= FREE_AIR_S)


STANDS_MPS = 0.6


def scale_of(mapped: DriveMap) -> float:
    """What brings the map's channel to the scale that jets are told in: lambda 1 at 14.7 for AFR, lambda as it is."""
    return (PETROL_SCALE_AFR if mapped.readings.channel == "afr" else 1.0) / mapped.readings.per_lambda


def density_of(drive: AnalysedDrive, weather: Weather | None = None) -> float:
    """Density of the air of the drive, or of the given weather at the same place [kg/m3]; NaN where unknown."""
    found = weather or drive.weather
    air = drive.standard if weather is None else air_of(weather, drive.car.car.elevation_m if drive.car else None)
    return air.density_kg_per_m3 if found.temperature_c is not None else math.nan


def jets_to_be_had(rules: JetRules, own: JetsConfig | None) -> list[Jet]:
    """The owner's own jets, number drills, and metric jets; InputError where there is none of them."""
    found = [Jet(j.mark, j.measured_mm, j.sigma_mm, "owned") for j in own.jet] if own else []
    if "number" in rules.sizes:
        found += jets.number_drills()
    if "metric" in rules.sizes:
        found += jets.metric_jets(rules.metric_step_mm, *METRIC_MM)
    if not found:
        raise InputError("no jets to choose from. List sizes in [jets] of targets.toml, or your own jets in jets.toml.")
    return found


def _diameter_mm(drive: AnalysedDrive, part: str) -> float | None:
    """The main jet's diameter by the drive's setup; None where it says none."""
    found = setups.lookup(dict(drive.parts or {}), part)
    size = setups.quantity(*found) if found else None
    if size is None or size[0] <= 0:
        return None
    number, unit = size
    mm = number * MM_PER_M if unit == "m" else number if unit == "" else math.nan
    return mm if 0.01 <= mm <= 1000 else None  # anything else is no jet, nor the number of one


def _rest(drive: AnalysedDrive, part: str) -> dict[str, PartValue]:
    """The drive's setup without the main jet."""
    parts = dict(drive.parts or {})
    found = setups.lookup(parts, part)
    return {name: value for name, value in parts.items() if found is None or name != found[0]}


def _car_name(drive: AnalysedDrive) -> str:
    return car_key(drive.car.car.name) if drive.car else ""
