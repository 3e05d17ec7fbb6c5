"""Make the demo's drives: one invented season of the Wren, as gzip'd capture files beside this script.

    python sample_logs/make_season.py

Everything is invented: car, airfield, weather, dates and figures. The same script gives the same bytes. `season.toml`,
written beside the captures, lists the drives with the setup and the weather of each, for `pullbook demo`.

The story. The Wren begins with a 1.09 mm main jet, a short airbox snorkel and the needle on its third clip. In one week
it gets a long snorkel and the needle is raised a clip; the car is quicker, and nobody can say why. One more
outing, with the short snorkel back on and the needle left where it is, tells the two apart. Then the main jet goes one
drill down, to 1.06 mm. Last comes one morning on the perimeter road, hills and all: as built, with snorkel and needle,
as built again, a few standing starts and ten rolling pulls each time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from airfield import Road
from simulate import (
    WREN,
    Brake,
    Coast,
    Cruise,
    Launch,
    Lift,
    MixtureLaw,
    Phase,
    Pull,
    Stand,
    Truth,
    Turn,
    drive,
    host_chunks,
    mixture_of,
    receive,
    sense,
    tuned,
    write_capture,
)

HERE = Path(__file__).parent
AIRFIELD = Road(swing_m=1.2)
PERIMETER = Road(straight_m=1500.0, radius_m=180.0, swing_m=8.0)
"""The road around it: up to 1.2 % up and down."""
COUNTRY = Road(straight_m=4200.0, radius_m=400.0, swing_m=9.0)
FUEL_ROAD = Road(straight_m=3396.0, radius_m=400.0, swing_m=9.0)
"""Two laps of it are the fuel loop, so that it ends where it began."""

Parts = dict[str, float | str]
BASELINE: Parts = {"main_jet_mm": 1.09, "snorkel": "short", "needle_clip": 3}
SNORKEL_AND_NEEDLE: Parts = BASELINE | {"snorkel": "long", "needle_clip": 4}
NEEDLE: Parts = BASELINE | {"needle_clip": 4}
SMALLER_JET: Parts = SNORKEL_AND_NEEDLE | {"main_jet_mm": 1.06}

SNORKEL_FORCE, CLIP_FORCE = 1.030, 1.008
"""What the long snorkel and one clip of needle do to the force at the wheels."""


@dataclass(frozen=True)
class Weather:
    """As the airfield's invented notice board gives it."""

    temperature_c: float
    pressure_hpa: float
    humidity_percent: float
    wind_mps: float
    wind_from_deg: float

    @property
    def force(self) -> float:
        """What this air does to the force of the engine, against 25 C and 990 hPa dry: one over SAE J1349's factor."""
        vapour_hpa = (
            self.humidity_percent / 100 * 6.11 * 10 ** (7.5 * self.temperature_c / (237.3 + self.temperature_c))
        )
        return float(
            1 / (1.18 * 990 / (self.pressure_hpa - vapour_hpa) * ((self.temperature_c + 273) / 298) ** 0.5 - 0.18)
        )

    @property
    def density_ratio(self) -> float:
        """Air density over that of 15 C and 1013 hPa; dry air is near enough to make a sample drive."""
        return self.pressure_hpa / 1013.25 * 288.15 / (273.15 + self.temperature_c)


@dataclass(frozen=True)
class Outing:
    """One drive of the season."""

    file: str
    start: datetime
    setup: str
    parts: Parts
    weather: Weather
    script: Sequence[Phase]
    day_force: float = 1.0
    road: Road = AIRFIELD
    notes: str = ""


def standing_starts(count: int, launch_seed: int) -> list[Phase]:
    """A warm-up lap, then standing starts to and fro along the runway."""
    rng = np.random.default_rng(launch_seed)
    script: list[Phase] = [Stand(14), Pull(13, launch="ramp", throttle=0.6), Cruise(13, 45), Brake(0), Stand(4)]
    for number in range(count):
        launch: Launch = "slip" if rng.random() < 0.7 else "bite"
        script += [Stand(float(rng.uniform(6, 10))), Pull(24.2, launch=launch), Lift(17, 6), Brake(0, 2.2), Stand(2)]
        script += [Turn()] if number < count - 1 else []
    return [*script, Stand(6)]


def first_drive() -> list[Phase]:
    """Three standing starts, the second given up at 14 m/s because something stood on the runway."""
    return [
        Stand(16), Pull(12, launch="ramp", throttle=0.6), Cruise(12, 40), Brake(0), Stand(9),
        Pull(24.2, launch="slip"), Lift(17, 6), Brake(0, 2.2), Stand(5), Turn(), Stand(6),
        Pull(14.0, launch="bite"), Brake(0, 2.6), Stand(9),
        Pull(24.2, launch="slip"), Lift(17, 6), Brake(0, 2.2), Stand(12),
    ]  # fmt: skip


def sweep() -> list[Phase]:
    """Town, then country: idling, crawling, part throttle at many speeds, full throttle, overrun."""
    script: list[Phase] = [Stand(20)]
    for top, share in ((6, 0.5), (9, 0.6), (11, 0.5), (13, 0.7)):
        script += [Pull(top, launch="ramp", throttle=share), Cruise(top, 14), Lift(top * 0.6, 8), Brake(0), Stand(8)]
    script += [Pull(9, launch="slip", throttle=0.8)]
    for speed in (10, 13, 16, 18, 20, 22):
        script += [Pull(speed, throttle=1.0), Cruise(speed, 28), Lift(speed * 0.7, 6), Pull(speed + 1.0, throttle=0.8)]
        script += [Cruise(speed + 1.0, 12)]
    return [*script, Lift(12, 12), Pull(23.5), Cruise(23.0, 20), Lift(10, 20), Brake(0), Stand(12)]


def fuel_loop() -> list[Phase]:
    """A quarter of an hour in a narrow speed band, with two stops."""
    leg: list[Phase] = [Pull(20.8, launch="slip", throttle=0.8), Cruise(20.8, 280), Lift(15, 5), Brake(0), Stand(9)]
    return [Stand(15), *leg, *leg, *leg, Stand(6)]


def coasts() -> list[Phase]:
    """Eight coasts in neutral, to and fro."""
    script: list[Phase] = [Stand(10)]
    for number in range(8):
        script += [Pull(23.5, launch="slip"), Coast(11.0), Brake(0, 2.2), Stand(3)]
        script += [Turn()] if number < 7 else []
    return [*script, Stand(6)]


def road_pulls(launch_seed: int) -> list[Phase]:
    """Four standing starts to and fro, then laps of the road with ten rolling pulls at full throttle."""
    script = standing_starts(4, launch_seed)
    script += [Turn(), Pull(11, launch="ramp", throttle=0.6), Cruise(10.5, 6)]
    for _ in range(10):
        script += [Pull(18.5), Lift(11.5, 12), Cruise(10.5, 14)]
    return [*script, Brake(0), Stand(8)]


FIRST_SEED = 20260418


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


SEASON = [
    Outing("first-drive.jsonl.gz", at("2026-04-18T09:14:30"), "baseline", BASELINE,
           Weather(11, 1016, 71, 1.2, 250), first_drive(), notes="First drive with both cables plugged in."),
    Outing("sweep.jsonl.gz", at("2026-04-18T10:05:00"), "baseline", BASELINE,
           Weather(12, 1016, 66, 1.5, 250), sweep(), road=COUNTRY, notes="Town, then country, for the mixture map."),
    Outing("starts-baseline-1.jsonl.gz", at("2026-04-25T09:40:00"), "baseline", BASELINE,
           Weather(9, 1009, 78, 1.0, 240), standing_starts(6, 1), 1.004),
    Outing("starts-baseline-2.jsonl.gz", at("2026-05-02T09:20:00"), "baseline", BASELINE,
           Weather(14, 1021, 60, 0.8, 265), standing_starts(6, 2), 0.997),
    Outing("fuel-baseline.jsonl.gz", at("2026-05-02T10:10:00"), "baseline", BASELINE,
           Weather(15, 1021, 57, 0.9, 265), fuel_loop(), 0.997, FUEL_ROAD, "Brim to brim, same pump."),
    Outing("coasts.jsonl.gz", at("2026-05-03T08:30:00"), "baseline", BASELINE,
           Weather(12, 1019, 68, 0.4, 200), coasts(), notes="Coasts in neutral, both ways, still morning."),
    Outing("starts-both-1.jsonl.gz", at("2026-05-09T09:30:00"), "snorkel and needle", SNORKEL_AND_NEEDLE,
           Weather(13, 1014, 64, 1.1, 255), standing_starts(6, 3), 1.002, notes="Both changed since last week."),
    Outing("starts-both-2.jsonl.gz", at("2026-05-16T09:15:00"), "snorkel and needle", SNORKEL_AND_NEEDLE,
           Weather(16, 1018, 58, 1.3, 230), standing_starts(6, 4), 0.998),
    Outing("starts-needle.jsonl.gz", at("2026-05-23T09:25:00"), "needle only", NEEDLE,
           Weather(15, 1017, 62, 0.9, 245), standing_starts(6, 5), 1.001, notes="Short snorkel back on, needle kept."),
    Outing("starts-smaller-jet.jsonl.gz", at("2026-05-30T09:10:00"), "smaller jet", SMALLER_JET,
           Weather(17, 1015, 59, 1.0, 250), standing_starts(6, 6), 1.000, notes="Main jet one drill size smaller."),
    Outing("road-baseline-1.jsonl.gz", at("2026-06-06T08:30:00"), "baseline", BASELINE,
           Weather(15, 1016, 66, 1.2, 240), road_pulls(7), 1.003, PERIMETER, "Perimeter road, as built."),
    Outing("road-both.jsonl.gz", at("2026-06-06T09:10:00"), "snorkel and needle", SNORKEL_AND_NEEDLE,
           Weather(16, 1016, 63, 1.3, 240), road_pulls(8), 1.001, PERIMETER, "Long snorkel and raised needle again."),
    Outing("road-baseline-2.jsonl.gz", at("2026-06-06T09:50:00"), "baseline", BASELINE,
           Weather(17, 1016, 60, 1.3, 245), road_pulls(9), 1.000, PERIMETER, "As built again."),
]  # fmt: skip


def driven(outing: Outing, seed: int, main_jet_mm: float | None = None) -> tuple[Truth, MixtureLaw]:
    """What truly was: the drive, and the mixture that its carburation gives; with another main jet if one is named."""
    force = outing.day_force * outing.weather.force * 0.98
    force *= SNORKEL_FORCE if outing.parts["snorkel"] == "long" else 1.0
    force *= CLIP_FORCE if outing.parts["needle_clip"] == 4 else 1.0
    law = mixture_of(
        main_jet_mm=main_jet_mm or float(outing.parts["main_jet_mm"]),
        airbox=0.12 if outing.parts["snorkel"] == "long" else 0.0,
        needle=1.0 if outing.parts["needle_clip"] == 4 else 0.0,
        density_ratio=outing.weather.density_ratio,
        rich_main_afr=11.35,
    )
    along = np.radians(outing.weather.wind_from_deg - outing.road.heading_deg)
    car = tuned(WREN, c_n_per_mps2=WREN.c_n_per_mps2 * outing.weather.density_ratio)
    truth = drive(
        car, outing.script, outing.road, seed=seed, force_scale=force,
        headwind_mps=float(outing.weather.wind_mps * np.cos(along)),
    )  # fmt: skip
    return truth, law


def make(outing: Outing, seed: int) -> None:
    rng = np.random.default_rng(seed)
    truth, law = driven(outing, seed)
    fixes = receive(truth, rng, rate_hz=10.0, noise_mps=0.05)
    readings = sense(truth, law, rng, rate_hz=10.0, delay_s=0.42, lag_s=0.18)
    chunks = host_chunks(truth, fixes, readings, rng, outing.start, kinds="RMC GGA", knots_decimals=2, tick_s=1e-4)
    write_capture(HERE / outing.file, chunks, outing.start)


def listing() -> str:
    lines = [
        "# The demo season, written by make_season.py: the drives in order, with the setup and the weather of each."
    ]
    for outing in SEASON:
        weather, setup = outing.weather, outing.setup.replace(" ", "-")
        lines += [
            "", "[[drive]]", f'file = "{outing.file}"', f'setup = "{setup}.toml"', f'notes = "{outing.notes}"',
            f"temperature_c = {weather.temperature_c}", f"pressure_hpa = {weather.pressure_hpa}",
            f"humidity_percent = {weather.humidity_percent}", f"wind_mps = {weather.wind_mps}",
            f"wind_from_deg = {weather.wind_from_deg}",
        ]  # fmt: skip
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    for number, outing in enumerate(SEASON):
        make(outing, FIRST_SEED + number)
        print(f"{outing.file}: {(HERE / outing.file).stat().st_size / 1000:.0f} kB")
    (HERE / "season.toml").write_text(listing(), encoding="utf-8")
