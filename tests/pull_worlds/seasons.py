"""Seasons as drives in a store: days, legs, winds and receivers of their own, written as a recorder would have them.

    made = drive_season(store, SEASONS["A-B-A"], Conditions(rolling=10, day=0.01), number=3)
    made.car, made.drives                       # the truth

An outing is a day; a leg is what is driven of it with one setup, a drive of its own. Days and legs move power, runs
scatter about it. Fixes go out as NMEA sentences through the program's own store, so that all of its glue is held too.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.random import Generator
from scipy.signal import lfilter

from logger.config import reading
from logger.config.car import CarConfig
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.store import drive as drives
from pull_worlds.country import Floats, Road, Wind
from pull_worlds.driving import AIR, GRAVITY, STEP_S, Leg, LegPlan, Machine, drive_leg

START = datetime(2026, 4, 4, 9, 0, 0, tzinfo=UTC)
KNOT = 1852 / 3600
EARTH_M = 6371008.8
ORIGIN_DEG = (52.41, 0.31)


@dataclass(frozen=True)
class Receiver:
    """rate_hz; noise_mps of a reading, wander_share of its variance correlated over a second; smoothing_s first-order;
    height_m, height_s: how far the height wanders, and over how long."""

    rate_hz: float = 10.0
    noise_mps: float = 0.05
    wander_share: float = 0.0
    smoothing_s: float = 0.0
    height_m: float = 2.5
    height_s: float = 40.0


RECEIVERS = {
    "white": Receiver(),
    "wander": Receiver(wander_share=0.5),
    "smooth": Receiver(smoothing_s=0.2),
    "wander, smooth": Receiver(wander_share=0.5, smoothing_s=0.2),
}


@dataclass(frozen=True)
class Design:
    """`legs`: outings on days of their own apart by blanks, legs of one by `-`: setup and starts. `asked`: pairs."""

    legs: str
    asked: tuple[str, ...] = ("B",)
    """What is held against A."""


DESIGNS = {
    "A-B-A": Design("A4-B4-A4"),
    "weekly": Design("A4 A4 B4 C4 D4", ("B", "C", "D")),
    "uneven": Design("A6 A2 B3"),
    "one repeat": Design("A4 A4 B4"),
}


@dataclass(frozen=True)
class Conditions:
    """rolling: full pulls a leg of four starts, as many more or fewer as it has starts. day, leg: scatter of power.
    wind: times its usual. part: shares of A's and of the others' rolling pulls at part throttle. throttle: recorded.
    gain: of the others' power over A's. hills_rms: of slope."""

    rolling: int = 10
    day: float = 0.01
    leg: float = 0.0
    wind: float = 1.0
    receiver: str = "white"
    part: tuple[float, float] = (0.0, 0.0)
    throttle: bool = False
    gain: float = 1.0
    hills_rms: float = 0.015
    run: float = 0.012


@dataclass
class MadeSeason:
    """A season in a store, and the truth of it."""

    store: Path
    car: Machine
    road: Road
    drives: list[tuple[str, str]] = field(default_factory=list)
    """Id and setup, in order."""
    legs: list[Leg] = field(default_factory=list)

    def of(self, setup: str) -> list[str]:
        return [name for name, carried in self.drives if carried == setup]


def seed_of(*words: object) -> Generator:
    """The same numbers for the same words, on every machine."""
    return np.random.default_rng(zlib.crc32(" ".join(map(str, words)).encode()))


def legs_of(text: str) -> list[tuple[int, str, int]]:
    """(outing, setup, starts) of each leg."""
    return [
        (number, leg[0], int(leg[1:])) for number, outing in enumerate(text.split()) for leg in outing.split("-")
    ]  # fmt: skip


def drive_season(store: Path, design: Design, conditions: Conditions, number: int) -> MadeSeason:
    """Season `number`; car, road, days and winds are the same whatever the rolling pulls, the receiver and the gain."""
    rng = seed_of("pulls", design.legs, number)
    car, road = Machine.any(rng), Road.any(rng, conditions.hills_rms)
    made = MadeSeason(store, car, road)
    config = _car_of(car, rng)
    days: dict[int, tuple[float, Wind]] = {}
    begun: dict[int, datetime] = {}
    for k, (outing, setup, starts) in enumerate(legs_of(design.legs)):
        mine = seed_of("leg", design.legs, number, k)
        if outing not in days:
            today = seed_of("day", design.legs, number, outing)
            days[outing] = today.standard_normal(), Wind.any(today, 1.5 * conditions.wind)
            begun[outing] = START + timedelta(days=7 * outing)
        strength, wind = days[outing]
        power = (1 + conditions.day * strength) * (1 + conditions.leg * mine.standard_normal())
        power *= 1.0 if setup == "A" else conditions.gain
        rolling = round(conditions.rolling * starts / 4)
        plan = LegPlan(starts, rolling, power, conditions.part[setup != "A"], conditions.run)
        leg = drive_leg(car, road, wind, plan, mine)
        made.drives.append((write_leg(store, leg, road, begun[outing], setup, config, conditions, mine), setup))
        made.legs.append(leg)
        begun[outing] += timedelta(seconds=float(leg.t_s[-1]) + 900.0)  # a quarter of an hour to change the part
    return made


# --- a drive as it is recorded ------------------------------------------------------------------------------------


def received(leg: Leg, road: Road, receiver: Receiver, rng: Generator) -> dict[str, Floats]:
    """Columns of the fixes: t_s, speed_mps, east_m, north_m, height_m, course_deg."""
    speed = leg.speed_mps
    if receiver.smoothing_s:
        kept = math.exp(-STEP_S / receiver.smoothing_s)
        speed = lfilter([1 - kept], [1.0, -kept], speed)
    every = round(1 / (receiver.rate_hz * STEP_S))
    at = np.arange(int(rng.integers(every)), len(speed), every)
    t, n, step = leg.t_s[at], len(at), 1 / receiver.rate_hz
    share = receiver.wander_share
    noise = math.sqrt(1 - share) * rng.standard_normal(n) + math.sqrt(share) * wander(n, step, 1.0, rng)
    heading, height, east, north = road.at(leg.way_m[at])
    heading = (heading + 180.0 * leg.back[at]) % 360
    along = speed[at] + receiver.noise_mps * noise
    course = (
        heading + np.degrees(np.arctan2(receiver.noise_mps * rng.standard_normal(n), np.maximum(along, 0.02)))
    ) % 360
    return {
        "t_s": t, "speed_mps": np.abs(along), "course_deg": course,
        "east_m": east + 1.2 * wander(n, step, 60.0, rng) + rng.normal(0, 0.03, n),
        "north_m": north + 1.2 * wander(n, step, 60.0, rng) + rng.normal(0, 0.03, n),
        "height_m": height + receiver.height_m * wander(n, step, receiver.height_s, rng) + rng.normal(0, 0.05, n),
    }  # fmt: skip


def wander(n: int, step_s: float, seconds: float, rng: Generator) -> Floats:
    """A first-order process of variance 1."""
    kept = math.exp(-step_s / seconds)
    drawn = rng.standard_normal(n)
    drawn[1:] *= math.sqrt(1 - kept * kept)
    return np.asarray(lfilter([1.0], [1.0, -kept], drawn))


RIG = """\
[[source]]
name = "gps"
kind = "nmea"
latency_s = 0.0
"""
THROTTLE = """
[[source]]
name = "board"
kind = "numbers"
  [[source.column]]
  channel = "throttle"
  unit = "%"
"""


def write_leg(
    store: Path,
    leg: Leg,
    road: Road,
    begun: datetime,
    setup: str,
    car: CarConfig,
    conditions: Conditions,
    rng: Generator,
) -> str:
    """Write one drive through the program's store; gives its id."""
    fixes = received(leg, road, RECEIVERS[conditions.receiver], rng)
    rows = [(t, "gps", data) for t, data in zip(fixes["t_s"], _sentences(fixes, begun), strict=True)]
    rig = RIG
    if conditions.throttle:
        rig += THROTTLE
        shown = 4.0 + 90.0 * leg.opening[::5] + rng.normal(0, 0.3, len(leg.opening[::5]))
        rows += [(t, "board", b"%.1f\r\n" % each) for t, each in zip(leg.t_s[::5], shown, strict=True)]
        rows.sort(key=lambda row: row[0])
    boot = 500.0 + 1000.0 * rng.random()
    raw = pa.table({
        "mono_ns": pa.array([round((boot + t) * 1e9) for t, _, _ in rows], pa.int64()),
        "source": pa.array([source for _, source, _ in rows]).dictionary_encode(),
        "data": pa.array([data for _, _, data in rows], pa.binary()),
    })  # fmt: skip
    settings = reading.parse(rig, RecorderConfig, "rig")
    parts = SetupConfig(name=setup, parts={"main_jet_mm": round(1.0 + 0.03 * "ABCDEF".index(setup), 2)})
    return drives.write(store, raw, settings, rig, car, parts, None).id


def _sentences(fixes: dict[str, Floats], begun: datetime) -> list[bytes]:
    lat = ORIGIN_DEG[0] + np.degrees(fixes["north_m"] / EARTH_M)
    lon = ORIGIN_DEG[1] + np.degrees(fixes["east_m"] / EARTH_M) / math.cos(math.radians(ORIGIN_DEG[0]))
    out = []
    for k, t in enumerate(fixes["t_s"]):
        moment = begun + timedelta(milliseconds=round(float(t) * 1000))
        clock = f"{moment:%H%M%S}.{moment.microsecond // 1000:03d}"
        place = f"{_degrees(lat[k], 'NS', 2)},{_degrees(lon[k], 'EW', 3)}"
        speed = f"{fixes['speed_mps'][k] / KNOT:.3f}"
        rmc = f"GPRMC,{clock},A,{place},{speed},{fixes['course_deg'][k]:.2f},{moment:%d%m%y},,,A"
        out.append(
            (_line(rmc) + _line(f"GPGGA,{clock},{place},1,10,0.9,{fixes['height_m'][k]:.2f},M,47.0,M,,")).encode()
        )
    return out


def _degrees(value: float, names: str, width: int) -> str:
    whole, part = divmod(abs(float(value)), 1.0)
    return f"{int(whole):0{width}d}{part * 60:010.7f},{names[0] if value >= 0 else names[1]}"


def _line(body: str) -> str:
    return f"${body}*{reduce(xor, body.encode()):02X}\r\n"


def _car_of(car: Machine, rng: Generator) -> CarConfig:
    """The car's file: mass as weighed, road load as coasts measured it, each a little off."""
    weighed = car.mass_kg * rng.normal(1, 0.01)
    rolling, drag = (float(each) for each in rng.normal(1, 0.08, 2))
    return CarConfig.model_validate({
        "car": {"name": "Wren", "mass_kg": round(weighed, 1), "cooling": "air"},
        "road_load": {
            "a_n": car.rolling * car.mass_kg * GRAVITY * rolling, "b_n_per_mps": 0.0,
            "c_n_per_mps2": 0.5 * AIR * car.drag_area_m2 * drag, "air_density_kg_per_m3": AIR, "mass_kg": car.mass_kg,
        },
    })  # fmt: skip


def calm(conditions: Conditions) -> Conditions:
    """The same without chance in runs, days, legs, wind and hills: for tests against closed forms."""
    return replace(conditions, day=0.0, leg=0.0, wind=0.0, run=0.0, hills_rms=0.0)
