"""A drive with its mixture map: what the verbs on mixture begin with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis import delay as delays
from analysis import motion as motions
from analysis.delay import Delay
from analysis.driving import Driving, driving, grade_from_altitude
from analysis.masks import Readings, opening_of
from analysis.mixture import LoadAxis, MixtureMap, mixture_map
from analysis.roadload import RoadLoad
from analysis.roadload import of as road_load_of
from logger.config import NmeaSource, TargetsConfig, load
from logger.units import MPS_PER_KMH, MPS_PER_MPH, InputError, NoAnswer

if TYPE_CHECKING:
    import pyarrow as pa

    from logger.drive import Drive

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mapped:
    """A drive, its readings, what the car did, and the map of the two."""

    drive: Drive
    readings: Readings
    state: Driving
    answer: MixtureMap
    cooling: Literal["air", "water"]


def map_drive(
    drive: Drive,
    targets: TargetsConfig,
    channel: str | None = None,
    load_by: str | LoadAxis = "share",
    band_mps: float | None = None,
    road: RoadLoad | None = None,
    fuel_stoich_afr: float | None = None,
) -> Mapped:
    """The mixture map of a drive. NoAnswer where it has no fixes or no mixture, InputError for an unknown channel.

    Parameters
    ----------
    channel : str, optional
        "afr", "lambda", or "SOURCE.afr" where two sources tell one; by default the one that was configured.
    band_mps : float, optional
        Height of a speed band [m/s]; by default 10 mph or 10 km/h by the owner's units.
    road : RoadLoad, optional
        Measured road load; by default that of the car's file.
    fuel_stoich_afr : float, optional
        Tell AFR as the true ratio of a fuel with this stoichiometric ratio; by default on the instrument's scale.
    """
    source, channel = _find_channel(drive, channel)
    try:
        fixes, _ = motions.clean(motions.read_fixes(drive))
        motion = motions.smooth(fixes)
    except ValueError as error:
        raise NoAnswer(str(error)) from error
    readings, latency = _readings(drive, source, channel, motion.epoch_utc_ns)
    if not np.isfinite(readings.value).any():
        raise NoAnswer(f"drive {drive.id}: the source {source!r} has no good reading of {channel}")
    if fuel_stoich_afr is not None and channel == "afr":
        scaled = readings.value * (fuel_stoich_afr / readings.stoich_afr)
        readings = replace(readings, value=scaled, stoich_afr=fuel_stoich_afr)
    car = drive.car.car if drive.car else None
    channels, units = _other_channels(drive, motion.epoch_utc_ns)
    grade = grade_from_altitude(motion.distance_m, fixes.alt_m)
    state = driving(
        motion, road or road_load_of(drive.car), (motion.t_s, grade) if np.isfinite(grade).any() else None,
        wheel_power_per_kg=1000 * car.wheel_power_kw / car.mass_kg if car and car.wheel_power_kw else None,
        channels=channels, units=units,
    )  # fmt: skip
    found = _delay(readings, state, targets, latency)
    if band_mps is None:
        band_mps = 10 * (MPS_PER_KMH if drive.car and drive.car.units.speed == "km/h" else MPS_PER_MPH)
    cooling = car.cooling if car else "air"
    answer = mixture_map(readings, state, found, targets, cooling, load_by, band_mps)
    return Mapped(drive, readings, state, answer, cooling)


def read_targets(path: Path | None, store: Path) -> TargetsConfig:
    """The targets' file: the one given, else targets.toml in the store, else the usual windows."""
    if path is None and (store / "targets.toml").is_file():
        path = store / "targets.toml"
    return load(path, TargetsConfig) if path else TargetsConfig()


def _delay(readings: Readings, state: Driving, targets: TargetsConfig, latency_s: float) -> Delay:
    free = targets.masks.free_air_lambda * readings.per_lambda
    value = np.where(readings.value < free, readings.value, np.nan)
    opening = opening_of(state)
    return delays.estimate(
        readings.time_s, value, state, latency_s, opening if np.isfinite(opening).any() else None
    )  # fmt: skip


def _find_channel(drive: Drive, asked: str | None) -> tuple[str, str]:
    """Source and channel that tell the mixture."""
    has = [
        (source.name, name)
        for source in drive.config.source
        if not isinstance(source, NmeaSource) and source.name in drive.table_names
        for name in ("afr", "lambda")
        if name in drive.table(source.name).column_names
    ]
    if not has:
        raise NoAnswer(f"drive {drive.id} has no channel afr or lambda, so there is no mixture to map")
    if asked is None:
        source = has[0][0]
        return source, _configured_channel(drive, source)
    wanted = asked.split(".", 1) if "." in asked else [None, asked]
    for name, channel in has:
        if channel == wanted[1] and wanted[0] in (None, name):
            return name, channel
    raise InputError(f"--channel {asked}: expected one of {', '.join(f'{s}.{c}' for s, c in has)}")


def _configured_channel(drive: Drive, source: str) -> str:
    return "lambda" if "lambda" in _channels_of(drive, source) and "afr" not in _channels_of(drive, source) else "afr"


def _channels_of(drive: Drive, name: str) -> dict[str, Any]:
    """The configured channels of a source by name."""
    source = next(s for s in drive.config.source if s.name == name)
    listed: Sequence[Any] = getattr(source, "column", None) or getattr(source, "field", None) or source.channel  # type: ignore[union-attr]
    return {c.channel: c for c in listed if c.channel}


def _readings(drive: Drive, source: str, channel: str, epoch_utc_ns: int) -> tuple[Readings, float]:
    """The readings by time of arrival, and the delay that the configuration states.

    A table's times have the configured delay taken off already; it is put back, so that a delay found in the drive
    is the whole of it.
    """
    table = drive.table(source)
    latency = float(next(s for s in drive.config.source if s.name == source).latency_s)
    known = _channels_of(drive, source)
    stoich = float((known.get("afr") or known["lambda"]).stoich_afr)
    time = _seconds(table, epoch_utc_ns) + latency
    void = None
    if "void" in table.column_names:
        words = table["void"].cast("string").to_numpy(zero_copy_only=False)
        void = np.array([word or "" for word in words], dtype=object)
    order = np.argsort(time, kind="stable")
    value = _floats(table, channel)[order]
    return Readings(time[order], value, None if void is None else void[order], channel, stoich), latency


def _other_channels(drive: Drive, epoch_utc_ns: int) -> tuple[dict[str, tuple[Floats, Floats]], dict[str, str]]:
    channels: dict[str, tuple[Floats, Floats]] = {}
    units: dict[str, str] = {}
    for source in drive.config.source:
        if isinstance(source, NmeaSource) or source.name not in drive.table_names:
            continue
        table = drive.table(source.name)
        for field in table.schema:
            if field.name in {"time", "mono_ns", "void", "afr", "lambda"} or str(field.type) != "double":
                continue
            name = field.name if field.name not in channels else f"{source.name}.{field.name}"
            channels[name] = (_seconds(table, epoch_utc_ns), _floats(table, field.name))
            units[name] = (field.metadata or {}).get(b"unit", b"").decode()
    return channels, units


def _seconds(table: pa.Table, epoch_utc_ns: int) -> Floats:
    ns = np.asarray(table["time"].cast("int64").to_numpy(zero_copy_only=False))
    return np.asarray((ns - epoch_utc_ns) * 1e-9, dtype=np.float64)


def _floats(table: pa.Table, name: str) -> Floats:
    return np.asarray(table[name].cast("float64").to_numpy(zero_copy_only=False), dtype=np.float64)
