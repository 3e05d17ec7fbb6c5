"""Full throttle of a store's drives by main jet: what `pullbook jets` reasons from."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from analysis.conditions import setups
from analysis.conditions.fuels import blend_stoich_afr, parse_blend
from analysis.conditions.weather import Weather, air_of, read_weather
from analysis.drive import AnalysedDrive, DriveMap
from analysis.mixture import jets
from analysis.mixture.jets import Jet, Pull, Tried
from analysis.mixture.map import Regime
from logger.config.reading import load
from logger.config.setup import JetsConfig, PartValue
from logger.config.targets import TargetsConfig
from logger.errors import InputError, NoAnswer
from logger.store.drive import Drive

MIN_PULL_S = 1.5
"""A speed band needs this much full throttle to count [s]."""


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
    targets: TargetsConfig,
    channel: str | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> History:
    """The history of the jet of `drive`: its own setup's drives, and all others that can tell what a jet does.

    Those are the drives of setups that differ in nothing but the jet, whatever the rest of the setup is. NoAnswer
    where `drive` does not say its jet or has no full throttle.
    """
    part = targets.jets.part
    parts = _parts(drive)
    if parts is None or _diameter_mm(parts, part) is None:
        raise NoAnswer(
            f"drive {drive.id} has no setup that says {part}: put it into the setup's file, or name the part that "
            "holds the main jet in [jets] of targets.toml"
        )
    same_car = [d for d in drives if d.id != drive.id and _car_name(d) == _car_name(drive)]
    rest = {d.id: _rest(_parts(d) or {}, part) for d in [drive, *same_car]}
    candidates = [d for d in same_car if (p := _parts(d)) is not None and _diameter_mm(p, part) is not None]
    groups: list[list[AnalysedDrive]] = []
    for d in [drive, *candidates]:
        for group in groups:
            if setups.same(rest[group[0].id], rest[d.id]):
                group.append(d)
                break
        else:
            groups.append([d])
    tested, left_out = [], []
    latest: tuple[DriveMap, Tried] | None = None
    for k, group in enumerate(groups):
        diameters = {round(_diameter_mm(_parts(d) or {}, part) or 0.0, 4) for d in group}
        if k > 0 and len(diameters) < 2:
            continue
        words = setups.described(rest[group[0].id])
        for d in group:
            progress(d.id)
            try:
                wanted = latest[0].answer.channel if latest else channel
                found = d.map if wanted is None else d.map_by(wanted)
            except (NoAnswer, InputError) as error:
                if d is drive:
                    raise
                left_out.append(f"{d.id}: {error}")
                continue
            one = tried_in(found, _diameter_mm(_parts(d) or {}, part) or math.nan, words)
            if d is drive:
                latest = (found, one)
            if one.pulls:
                tested.append(one)
            elif d is not drive:
                left_out.append(f"{d.id}: no full throttle in it")
    assert latest is not None
    if not latest[1].pulls:
        raise NoAnswer(
            f"drive {drive.id} has too little full throttle to say anything of the main jet: drive a few pulls of "
            "three seconds or more with the throttle wide open"
        )
    return History(latest[0], latest[1], tuple(tested), tuple(left_out))


def tried_in(mapped: DriveMap, diameter_mm: float, others: str) -> Tried:
    """Full throttle of one drive by speed band, on the scale where lambda 1 is 14.7 or in lambda."""
    scale = (14.7 if mapped.answer.channel == "afr" else 1.0) / mapped.answer.per_lambda
    best: dict[float, Pull] = {}
    seconds: dict[float, float] = {}
    for cell in mapped.answer.cells:
        enough = cell.seconds >= MIN_PULL_S and math.isfinite(cell.sigma)
        if cell.regime is Regime.FULL and enough and cell.seconds > seconds.get(cell.from_mps, 0.0):
            best[cell.from_mps] = Pull(cell.from_mps, cell.median * scale, cell.sigma * scale)
            seconds[cell.from_mps] = cell.seconds
    drive = mapped.drive
    return Tried(
        drive.id, diameter_mm, others, tuple(best[v] for v in sorted(best)), density_of(drive),
        blend_stoich_afr(parse_blend(drive.car.fuel.blend if drive.car else "petrol")),
    )  # fmt: skip


def density_of(drive: Drive, weather: Weather | None = None) -> float:
    """Density of the air of the drive, or of the given weather at the same place [kg/m3]; NaN where unknown."""
    elevation = drive.car.car.elevation_m if drive.car else None
    found = weather or read_weather(drive.manifest.weather)
    return air_of(found, elevation).density_kg_per_m3 if found.temperature_c is not None else math.nan


def jets_to_be_had(targets: TargetsConfig, own: Path | None, store: Path) -> list[Jet]:
    """The owner's own jets (from the file given, or jets.toml in the store), number drills, and metric jets."""
    if own is None and (store / "jets.toml").is_file():
        own = store / "jets.toml"
    found: list[Jet] = []
    if own is not None:
        found += [Jet(j.mark, j.measured_mm, j.sigma_mm, "owned") for j in load(own, JetsConfig).jet]
    if "number" in targets.jets.sizes:
        found += jets.number_drills()
    if "metric" in targets.jets.sizes:
        found += jets.metric_jets(targets.jets.metric_step_mm, 0.3, 3.0)
    if not found:
        raise InputError("no jets to choose from: [jets] sizes in targets.toml is empty and there is no jets.toml")
    return found


def _parts(drive: AnalysedDrive) -> dict[str, PartValue] | None:
    return dict(drive.parts) if drive.parts is not None else None


def _diameter_mm(parts: dict[str, PartValue], part: str) -> float | None:
    found = setups.lookup(parts, part)
    size = setups.quantity(*found) if found else None
    if size is None or size[0] <= 0:
        return None
    number, unit = size
    return number * 1000 if unit == "m" else number if unit == "" else None


def _rest(parts: dict[str, PartValue], part: str) -> dict[str, PartValue]:
    found = setups.lookup(parts, part)
    return {name: value for name, value in parts.items() if found is None or name != found[0]}


def _car_name(drive: AnalysedDrive) -> str:
    return drive.car.car.name if drive.car else ""
