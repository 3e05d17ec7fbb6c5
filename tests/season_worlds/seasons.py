"""Seasons: outings with days, winds and weather of their own, runs with a driver and a receiver, as observations."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.changes.observations import Observation
from analysis.changes.season import DEFAULT_FACTOR, SeasonRecord
from analysis.conditions.roadload import RoadLoad
from analysis.conditions.setups import Parts
from analysis.conditions.weather import STANDARD_AIR, Air, Weather, air_of, corrected_times
from season_worlds.machine import GRAVITY, MPH, SEA_AIR, Floats, LightCar, Pulls, any_machine, passing_times, slopes
from season_worlds.machine import top_speed as top_of

RUN_POWER = 0.012
"""Standard deviation of a run's power, as a share."""
DAYS: dict[str, Callable[[np.random.Generator], float]] = {
    "0 %": lambda rng: 0.0 * rng.standard_normal(),
    "0.5 %": lambda rng: 0.005 * rng.standard_normal(),
    "1 %": lambda rng: 0.010 * rng.standard_normal(),
    "2 %": lambda rng: 0.020 * rng.standard_normal(),
    "skew": lambda rng: 0.015 * (1 - rng.exponential()),
}
"""What a day does to power, as a share. Skewed: most days good, some bad, standard deviation 1.5 %."""
LAUNCHES: dict[str, Callable[[np.random.Generator], float]] = {
    "": lambda rng: 1.0,
    "soft": lambda rng: float(np.exp(0.04 * rng.standard_normal())),
    "damp": lambda rng: 1.0 - (rng.uniform(0.05, 0.15) if rng.random() < 0.3 else 0.0),
}
"""What a day does to the force of all its launches, beside power. Soft: a clutch takes up differently every day, by
4 % (common practice, no source); damp: three days in ten the belt is damp, and slips at 5 to 15 % less."""
KINDS = ("plain", "plain", "plain", "heavy tails", "drift")
"""Of runs; a season's number says which it has. Drift: an engine that warms up loses power run by run."""


@dataclass(frozen=True)
class Stint:
    """Runs of one setup in one outing: `east` one way and `west` the other, taking turns while there are both."""

    outing: int
    setup: str
    east: int = 2
    west: int = 2


@dataclass(frozen=True)
class Place:
    """What a design asks of car, road and weather; None leaves it to the season."""

    car: str = ""
    slope: float | None = None
    weather: bool = False
    warm: str = ""
    """The setup whose days are the warmer ones."""
    launches: str = ""
    """What days do to launches, of `LAUNCHES`."""


ANYWHERE = Place()


@dataclass(frozen=True)
class MadeRuns:
    """A season, and the car that drove it."""

    runs: list[Observation]
    car: LightCar

    def of(self, setup: str) -> list[Observation]:
        return [run for run in self.runs if run.setup == setup]

    @property
    def record(self) -> SeasonRecord:
        return SeasonRecord(self.runs, [], [], [], "mph", DEFAULT_FACTOR, "")


def seed_of(*words: object) -> np.random.Generator:
    """The same numbers for the same words, on every machine."""
    return np.random.default_rng(zlib.crc32(" ".join(map(str, words)).encode()))


def parts_of(setup: str) -> Parts:
    """Each setup is a main jet of its own, but for `A+3`: that is A with its first three other parts."""
    if "+" in setup:
        return {f"part_{k}": "new" if k < int(setup.split("+")[1]) else "old" for k in range(8)}
    return {"main_jet_mm": 1.0 + 0.03 * "ABCDEF".index(setup)}


@dataclass(frozen=True)
class Planned:
    """A season before it is timed: car, road, every run's pull. `plan`: stint and whether it goes back, run by run."""

    car: LightCar
    plan: list[tuple[Stint, bool]]
    pulls: Pulls
    outings: dict[int, _Day]
    slopes: Floats
    """Of the road as each run goes."""
    base_deg: float
    lift_mps: float
    known: RoadLoad
    """What the owner measured of the road load."""
    key: int
    """Of what receivers and headings have by chance."""

    def luck(self, k: int) -> np.random.Generator:
        """Run `k`'s own, whatever else is driven."""
        return np.random.default_rng([self.key, k])


def plan_season(
    stints: Sequence[Stint],
    day: str,
    rng: np.random.Generator,
    *,
    kind: str = "plain",
    place: Place = ANYWHERE,
    gains: Mapping[str, float] | None = None,
) -> Planned:
    """One season. `gains`: setup -> its power over the base's; the same `rng` gives the same season with any gains
    and any stints after these."""
    car = any_machine(rng, place.car)
    slope = rng.normal(0, 0.001) if place.slope is None else place.slope
    base = 360 * rng.random()
    skill = rng.uniform(0.02, 0.06)
    key = int(rng.integers(2**32))
    known = RoadLoad(
        car.rolling * GRAVITY * rng.normal(1, 0.1), 0.0, 0.5 * SEA_AIR * car.drag_area_m2 / car.mass_kg
        * rng.normal(1, 0.1), car.rotating, "coasts",
    )  # fmt: skip
    outings: dict[int, _Day] = {}
    plan = [(stint, back) for stint in stints for back in _order(stint)]
    rows = []
    for stint, back in plan:
        if stint.outing not in outings:
            warmer = rng.uniform(12, 18) if stint.setup == place.warm else 0.0
            outings[stint.outing] = _Day.of(rng, DAYS[day], place.weather, warmer)
            # From a stream of its own: seasons without it stay what they were.
            outings[stint.outing].launch = LAUNCHES[place.launches](seed_of("launches", key, stint.outing))
        today = outings[stint.outing]
        run = _power_of_run(rng, kind) + (today.drift * today.count if kind == "drift" else 0.0)
        today.count += 1
        force = today.launch * rng.lognormal(0, skill)
        shares = [(1 + today.power) * (1 + run) * today.breathes, force, rng.uniform(0.2, 0.5)]
        wind = (today.wind + rng.normal(0, 0.3)) * (-1 if back else 1)
        rows.append([*shares, 0.06 * rng.standard_normal(), wind, -slope if back else slope, today.density])
    table = np.array(rows)
    gain = np.array([(gains or {}).get(stint.setup, 1.0) for stint, _ in plan])
    pulls = Pulls(table[:, 0] * gain, *table[:, 1:].T)
    lift = min(0.85 * top_of(car), 27.5)
    return Planned(car, plan, pulls, outings, table[:, 5], base, lift, known, key)


def drive_season(
    stints: Sequence[Stint],
    day: str,
    rng: np.random.Generator,
    *,
    kind: str = "plain",
    place: Place = ANYWHERE,
    gains: Mapping[str, float] | None = None,
) -> MadeRuns:
    """A season's runs as the program has them when it has read its drives; arguments as of `plan_season`."""
    season = plan_season(stints, day, rng, kind=kind, place=place, gains=gains)
    car, outings = season.car, season.outings
    speeds = np.unique(np.round([*range(2, 28), *(5 * MPH * np.arange(1, 13)), *(np.arange(1, 11) / 0.36)], 4))
    speeds = speeds[(speeds >= 2) & (speeds <= season.lift_mps)]
    found = passing_times(car, season.pulls, speeds)
    runs = []
    counts: dict[int, int] = {}
    for k, (stint, back) in enumerate(season.plan):
        number = counts[stint.outing] = counts.get(stint.outing, 0) + 1
        luck = season.luck(k)
        time, sigma = _received(found[k], car, speeds, luck)
        run_of = Observation(
            f"day{stint.outing}:{number}", stint.setup, parts_of(stint.setup), f"day{stint.outing}", stint.outing,
            stint.outing * 7 * 86400.0 + number * 300.0, (season.base_deg + 180.0 * back + luck.normal(0, 3)) % 360,
            speeds, time, sigma, grade_percent=100 * float(season.slopes[k]), wind_mps=abs(outings[stint.outing].wind),
        )  # fmt: skip
        air = outings[stint.outing].air
        runs.append(run_of if air is None else _corrected(run_of, air, season.known))
    return MadeRuns(runs, car)


def gain_for(car: LightCar, speed_mps: float, seconds: float) -> float:
    """The power over the car's own that takes `seconds` off the time to a speed; below zero puts them on."""
    gains = np.geomspace(0.5, 4.0, 120)
    pulls = replace(Pulls.even(len(gains)), power=gains)
    times = passing_times(car, pulls, np.array([speed_mps]))[:, 0]
    own = passing_times(car, Pulls.even(1), np.array([speed_mps]))[0, 0]
    return float(np.interp(-(own - seconds), -times, gains))


# --- a day, a run, a receiver -------------------------------------------------------------------------------------


@dataclass
class _Day:
    power: float
    wind: float
    drift: float
    density: float = SEA_AIR
    breathes: float = 1.0
    """What the day's air leaves of the engine's power."""
    air: Air | None = None
    launch: float = 1.0
    """What the day leaves of the force at launch."""
    count: int = field(default=0)

    @staticmethod
    def of(rng: np.random.Generator, day: Callable[[np.random.Generator], float], weather: bool, warmer: float) -> _Day:
        made = _Day(day(rng), float(np.clip(rng.normal(0, 0.9), -2.5, 2.5)), -abs(rng.normal(0.0015, 0.001)))
        if not weather:
            return made
        told = Weather(
            temperature_c=rng.uniform(6, 14) + warmer, pressure_hpa=rng.normal(1004, 8),
            humidity_percent=rng.uniform(35, 85),
        )  # fmt: skip
        air = air_of(told)
        assert told.temperature_c is not None and told.pressure_hpa is not None
        # Indicated power goes with dry air and the root of its temperature, friction does not; which share friction
        # takes is the engine's own. The pressure of the vapour is left to the correction: small below 30 C.
        kelvin = told.temperature_c + 273.15
        indicated = (told.pressure_hpa - 12.0) / 990.0 * np.sqrt(298.15 / kelvin)
        made.breathes = float((indicated - 0.17) / 0.83)
        made.density, made.air = air.density_kg_per_m3, air
        return made


def _order(stint: Stint) -> list[bool]:
    """Which runs go back."""
    turns: list[bool] = []
    left = [stint.east, stint.west]
    while any(left):
        back = bool(left[1] and (not left[0] or len(turns) % 2))
        turns.append(back)
        left[back] -= 1
    return turns


def _power_of_run(rng: np.random.Generator, kind: str) -> float:
    if kind == "heavy tails":  # Student's t of 3 degrees of freedom has the variance 3
        return float(np.clip(RUN_POWER * rng.standard_t(3) / np.sqrt(3), -0.3, 0.3))
    return RUN_POWER * float(rng.standard_normal())


def _received(true_s: Floats, car: LightCar, speeds: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """As a receiver would time it: one error of the first foot for all speeds, one of the speed for each."""
    each = 0.04 / np.maximum(slopes(car, speeds), 0.05)
    time = true_s + 0.035 * rng.standard_normal() + each * rng.standard_normal(len(speeds))
    stated = np.hypot(0.035, each) * rng.lognormal(0, 0.15)
    return np.maximum.accumulate(time + 1e-6 * np.arange(len(time))), stated


def _corrected(run: Observation, air: Air, road: RoadLoad) -> Observation:
    """With the times in standard air, as the project works them out of a drive."""
    day, standard = (
        replace(road, c_per_m=road.c_per_m * density / SEA_AIR)
        for density in (air.density_kg_per_m3, STANDARD_AIR[DEFAULT_FACTOR])
    )
    both = [
        corrected_times(
            run.speed_mps, run.time_s, air.factors[DEFAULT_FACTOR], day, standard, run.grade_percent / 100, launch
        )
        for launch in (True, False)
    ]
    return replace(run, corrected_s=both[0], unlaunched_s=both[1])
