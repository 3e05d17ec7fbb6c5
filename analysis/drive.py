"""One drive, opened once: all that is worked out of it, each thing when it is first asked for.

    drive = AnalysedDrive(open_drive(store, "last"))
    drive.motion, drive.runs, drive.map, drive.loop, drive.air

Every verb, report and notebook goes through this object, so a drive is read, cleaned and smoothed once, whoever asks.
What a drive has nothing of raises NoAnswer with the reason, again and again without working it out again.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Generic, Literal, TypeVar, overload

import numpy as np

from analysis.conditions.day_air import DayAir, air_on
from analysis.conditions.weather import Air, Weather, air_of, read_weather
from analysis.runs.lessons import Lesson, Taught
from analysis.runs.run import Options, Run, table_splits
from analysis.runs.watched_channels import WatchedChannel, read_watched
from logger.config.recorder import NmeaSource, channels_of
from logger.config.targets import TargetsConfig
from logger.errors import InputError, NoAnswer
from logger.store import bulkhead
from logger.units import (
    MPS_PER_KMH,
    MPS_PER_MPH,
    QUANTITY_UNITS,
    S_PER_DAY,
    S_PER_MINUTE,
    SPEED_UNITS,
    celsius_of_kelvin,
)

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.arrays import Floats
    from analysis.conditions.roadload import RoadLoad
    from analysis.conditions.setups import Parts
    from analysis.mixture.drive_map import DriveMap
    from analysis.mixture.map import LoadAxis
    from analysis.mixture.strength import HardPull
    from analysis.mixture.throttle_travel import Reached
    from analysis.motion.board import Board
    from analysis.motion.braked_stops import Smoothing
    from analysis.motion.fixes import Fixes, SetAside
    from analysis.motion.smoother import Learned, Motion
    from analysis.road.coasts import CoastsFound, Mass
    from analysis.road.fuel_loops import Loop
    from analysis.road.fuel_used import Used
    from analysis.road.slopes import LearnedGrade, LearnedRoad, Pass
    from logger.config.car import CarConfig
    from logger.store.drive import Drive

T = TypeVar("T")

SAME_RUN_S = 2.0
"""A struck run is known by its start; a better estimate of it moves less than this."""
NO_SETUP = "-"
"""Stands for the name of a setup that is not known."""
_FINE_STEPS = {"mph": 1.0, "km/h": 2.0}
_FASTEST_MPS = 90.0


class Once(Generic[T]):
    """A property that is worked out once; what went wrong for want of data is remembered as well."""

    def __init__(self, make: Callable[[Any], T]) -> None:
        self._make = make
        self.__doc__ = make.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = f"_once_{name}"

    @overload
    def __get__(self, instance: None, owner: type) -> Once[T]: ...
    @overload
    def __get__(self, instance: object, owner: type) -> T: ...
    def __get__(self, instance: object | None, owner: type) -> T | Once[T]:
        if instance is None:
            return self
        if self._name not in instance.__dict__:
            try:
                instance.__dict__[self._name] = (self._make(instance), None)
            except Exception as error:
                instance.__dict__[self._name] = (None, bulkhead.named(str(getattr(instance, "id", "")), error))
        value: T
        value, wrong = instance.__dict__[self._name]
        if wrong is not None:
            raise wrong
        return value


class AnalysedDrive:
    """A drive and all that it tells. `targets` are the mixture windows to judge by, or what reads them when they are
    asked for; the usual ones by default. `taught` gives what the drives before it taught, when it is asked for; by
    default the drive stands alone. `before` gives drives before it with the same car and receiver, whose heights tell
    of the roads."""

    def __init__(
        self,
        drive: Drive,
        targets: TargetsConfig | Callable[[], TargetsConfig] | None = None,
        taught: Callable[[], Taught] = Taught,
        throttles: Callable[[], Sequence[Reached]] | None = None,
        before: Callable[[], Sequence[AnalysedDrive]] = tuple,
    ) -> None:
        self.drive = drive
        """What is on disk: manifest, configuration, tables."""
        self._targets = targets or TargetsConfig()
        self._taught = taught
        self._throttles = throttles
        self._before = before
        self._found: dict[Options, list[Run]] = {}
        self.kept_in: Path | None = None
        """The store that keeps what was worked out of it; None where nothing is to be kept."""
        self.part_throttle: Mapping[float, str] = {}
        """Its runs that were no full pulls, with the reason, by when they began [s since 1970]: as the season that it
        is part of tells them (`changes.season.judge`)."""

    def prepare(self) -> None:
        """Work out what needs nothing of the drives before it. NoAnswer where there are too few fixes."""
        _ = self._learned

    def forget(self) -> None:
        """Let go of all that was worked out: it is worked out anew where it is asked for again."""
        self._found.clear()
        for name in [name for name in self.__dict__ if name.startswith("_once_")]:
            del self.__dict__[name]

    # --- what it was made with ---------------------------------------------------------------------------------

    @property
    def id(self) -> str:
        return self.drive.id

    @property
    def targets(self) -> TargetsConfig:
        """The mixture windows to judge by. InputError where they are a file's that cannot be read."""
        return self._targets() if callable(self._targets) else self._targets

    @Once
    def throttle_reached(self) -> Reached | None:
        """What a recorded throttle reached in this drive; None where none is recorded."""
        from analysis.mixture.throttle_travel import reached

        return reached(self.drive)

    @Once
    def throttle_travel(self) -> tuple[float, float] | None:
        """A recorded throttle closed and fully open, by the targets' file or by all drives of the car."""
        from analysis.mixture.throttle_travel import full_travel

        if self.throttle_reached is None:
            return None
        seen = self._throttles() if self._throttles else [self.throttle_reached]
        return full_travel(seen, self.targets.regimes)

    @property
    def car(self) -> CarConfig | None:
        """The car's file that the drive carries."""
        return self.drive.car

    @property
    def setup_name(self) -> str:
        """What the drive's setup is called; a dash where none is known."""
        return self.drive.setup.name if self.drive.setup else NO_SETUP

    @property
    def parts(self) -> Parts | None:
        """The parts that were fitted; None where no setup is known."""
        return self.drive.setup.parts if self.drive.setup else None

    @property
    def unit(self) -> Literal["mph", "km/h"]:
        """The speed unit the owner wants: the car's file says it; mph otherwise."""
        return self.drive.car.units.speed if self.drive.car else "mph"

    @Once
    def weather(self) -> Weather:
        """The weather kept with it; all unknown where none is. InputError where what was kept cannot be read."""
        return read_weather(self.drive.manifest.weather)

    @Once
    def standard(self) -> Air:
        """Density and corrections of that weather; NaN without any."""
        return air_of(self.weather, self.car.car.elevation_m if self.car else None)

    @Once
    def air(self) -> DayAir:
        """The air of the day, by the car's file that it carries."""
        return air_on(self.drive, self.car)

    # --- motion ------------------------------------------------------------------------------------------------

    @Once
    def _cleaned(self) -> tuple[Fixes, SetAside]:
        from analysis.motion.fixes import LONGEST_S, NO_SPEED, clean, read_fixes

        try:
            fixes, set_aside = clean(read_fixes(self.drive))
        except ValueError as error:
            raise NoAnswer(str(error)) from error
        if len(fixes) < 2:
            why = f"; {set_aside.total} set aside: {set_aside.words}" if set_aside.total else ""
            if 2 * set_aside.counts.get(NO_SPEED, 0) > set_aside.total:
                why += ". Set the receiver to send RMC or VTG, which hold the speed"
            raise NoAnswer(f"{self.id}: too few usable GPS fixes ({len(fixes)}{why})")
        if (days := (fixes.t_s[-1] - fixes.t_s[0]) / S_PER_DAY) > LONGEST_S / S_PER_DAY:
            raise NoAnswer(
                f"{self.id}: its fixes span {days:,.0f} days, and a drive may have {LONGEST_S / S_PER_DAY:.0f}. "
                "`pullbook capture` writes its bytes to a file, so that you can import it in parts."
            )
        return fixes, set_aside

    @property
    def fixes(self) -> Fixes:
        """The usable fixes. NoAnswer where there are too few."""
        return self._cleaned[0]

    @property
    def set_aside(self) -> SetAside:
        """How many fixes were not used, by reason."""
        return self._cleaned[1]

    @Once
    def taught(self) -> Taught:
        """What the drives before it taught of its receiver and its car; see `runs.lessons`."""
        return self._taught()

    @Once
    def lesson(self) -> Lesson:
        """What it teaches those after it. NoAnswer where there are too few fixes."""
        # Launches are fitted alike whatever speeds are asked for: those that were found already serve.
        return Lesson.of(self.motion, self._found.get(self._all_speeds) or self.runs_by(Options(unit=self.unit)))

    @Once
    def full_pulls(self) -> list[HardPull]:
        """Its pulls at full throttle, where it shows any. NoAnswer where there are too few fixes."""
        from analysis.conditions import roadload
        from analysis.mixture.strength import full_pulls, pulls_of

        motion = self.motion
        return full_pulls(pulls_of(motion.t_s, motion.speed_mps, motion.accel_mps2, roadload.of(self.car)))

    @Once
    def _learned(self) -> Learned:
        """What its fixes show of the receiver by themselves, whatever the drives before it taught."""
        from analysis.motion import smoother

        return smoother.learn(self.fixes)

    @Once
    def motion(self) -> Motion:
        """Speed, acceleration and distance. NoAnswer where there are too few fixes."""
        from analysis.motion import smoother

        fixes, learned, others = self.fixes, self._learned, self.taught.receivers
        try:
            motion = smoother.smooth(fixes, others=others, learned=learned)
            beside = self._smoothing_beside(motion)
            return smoother.smooth(fixes, others=others, beside=beside, learned=learned) if beside else motion
        except ValueError as error:
            raise NoAnswer(str(error)) from error

    @property
    def board(self) -> Board | None:
        """The accelerometer beside the fixes, laid onto them; None without one, or where it cannot be used."""
        return self._board[0]

    @property
    def board_refused(self) -> tuple[str, str] | None:
        """Source of the accelerometer that cannot be used, and why; None where it can, or there is none."""
        return self._board[1]

    @Once
    def _board(self) -> tuple[Board | None, tuple[str, str] | None]:
        from analysis.motion.beside_fixes import BesideUnusable
        from analysis.motion.board import mount
        from analysis.motion.board_channels import read_accelerations

        readings = read_accelerations(self.drive, self.motion.epoch_utc_ns)
        if readings is None:
            return None, None
        try:
            return mount(readings, self.motion), None
        except BesideUnusable as reason:
            return None, (readings.source, str(reason))

    def _smoothing_beside(self, motion: Motion) -> Smoothing | None:
        """What the board tells of the receiver's smoothing; None without one."""
        from analysis.motion.board import smoothing_beside
        from analysis.motion.board_channels import read_accelerations

        readings = read_accelerations(self.drive, motion.epoch_utc_ns)
        return smoothing_beside(readings, motion) if readings is not None else None

    # --- runs --------------------------------------------------------------------------------------------------

    @property
    def runs(self) -> list[Run]:
        """Its standing runs, with splits at every speed that any table or curve shows (`run_speeds`)."""
        return self.runs_by(self._all_speeds)

    @property
    def _all_speeds(self) -> Options:
        return Options(speeds_mps=run_speeds(self.unit), unit=self.unit)

    def table_runs(self, unit: Literal["mph", "km/h"]) -> list[Run]:
        """Its standing runs with the splits that a table in `unit` shows: every 10 mph or 10 km/h up to the peak.

        Taken from `runs` where these were found already, which costs nothing; found anew otherwise, which costs half
        of what `runs` does.
        """
        found = self._found.get(self._all_speeds) if unit == self.unit else None
        if found is None:
            return self.runs_by(Options(unit=unit))
        return [replace(run, splits=table_splits(run, unit)) for run in found]

    def runs_by(self, options: Options) -> list[Run]:
        """Its runs by other speeds, distances or thresholds, or rolling ones."""
        if options not in self._found:
            from analysis.runs import finding

            with bulkhead.of(self.id):
                found = finding.find(self.motion, self.fixes, options, self.taught.habit)
                self._found[options] = [self._by_board(run) for run in found]
        return self._found[options]

    def _by_board(self, run: Run) -> Run:
        """The run counted from first movement by the board, where there is one that tells it."""
        if run.kind != "standing" or self.board is None:
            return run
        from analysis.motion.beside_fixes import BesideUnusable
        from analysis.runs.board_start import counted_from, first_movement

        try:
            return counted_from(run, first_movement(self.board, self.motion, run), self.board.source)
        except BesideUnusable as reason:
            return replace(run, board_why_not=str(reason))

    @Once
    def before(self) -> Sequence[AnalysedDrive]:
        """Some drives before it with the same car and receiver, by when they began."""
        return self._before()

    @Once
    def heights(self) -> Pass:
        """Its heights along its way. NoAnswer where there are too few fixes."""
        from analysis.road.slopes import heights_of

        return heights_of(self.fixes)

    @Once
    def learned_road(self) -> LearnedRoad | None:
        """The slopes of its roads by all passes, its own and those of drives before; None where too few passed them."""
        from analysis.road.slopes import learn

        # One that cannot be read tells nothing of the roads, and is told where it is itself asked for.
        read = bulkhead.each([*self.before, self], lambda drive: drive.heights, tell=lambda left_out: None)
        passes = [heights for _, heights in read]
        return learn(passes) if len(passes) > 1 else None

    def learned_grade(self, run: Run) -> LearnedGrade | None:
        """The grade of a run by all passes of its road; None where that was not learned."""
        with contextlib.suppress(NoAnswer):
            road = self.learned_road
            return road.over(self.fixes, run.start_s, run.end_s) if road is not None else None
        return None

    def struck(self, run: Run) -> str | None:
        """Why the owner struck `run` out; None where nobody did."""
        for struck in self.drive.manifest.struck:
            if abs(struck.run_start_utc.timestamp() - run.start_utc_ns * 1e-9) < SAME_RUN_S:
                return struck.reason
        return None

    def tags(self, run: Run) -> tuple[str, ...]:
        """What the owner tagged `run` with: passenger, gear=2."""
        at = run.start_utc_ns * 1e-9
        return tuple(
            each.tag for each in self.drive.manifest.tags if abs(each.run_start_utc.timestamp() - at) < SAME_RUN_S
        )

    def counts(self, run: Run) -> bool:
        """Whether `run` may be compared with others: nothing broke it, it can have been as it was
        measured, it was a full pull, not begun cold, and nobody struck it out."""
        return run.clean and self.struck(run) is None and self.slow(run) is None and self.cold(run) is None

    @Once
    def watched(self) -> list[WatchedChannel]:
        """What else was measured while driving: temperatures, engine speed, battery."""
        return read_watched(self.drive, self.motion.epoch_utc_ns)

    def cold(self, run: Run) -> str | None:
        """Why `run` was begun too cold to count; None where it was not, or where the car's file sets no limit."""
        warm_k = self.car.limits.warm_from_k if self.car is not None else None
        if warm_k is None:
            return None
        told = [each for each in self.watched if each.quantity in {"head_temperature", "oil_temperature"}]
        at_start = told[0].over(run.start_s, run.end_s).at_start if told else math.nan
        if not at_start < warm_k:
            return None
        cold, warm = round(celsius_of_kelvin(at_start)), round(celsius_of_kelvin(warm_k))
        return f"started cold: {told[0].name} at {cold} C, warm from {warm} C"

    def slow(self, run: Run) -> str | None:
        """Why `run` was no full pull; None where it was one, or where the season was not asked."""
        at = run.start_utc_ns * 1e-9
        near = (why for start, why in self.part_throttle.items() if abs(start - at) < SAME_RUN_S)
        return next(near, None) if run.kind == "standing" else None

    @property
    def counted(self) -> list[Run]:
        """The standing runs that count."""
        return [run for run in self.runs if run.kind == "standing" and self.counts(run)]

    # --- mixture -----------------------------------------------------------------------------------------------

    @Once
    def map(self) -> DriveMap:
        """The mixture map by the drive's own channel, load as a share, in the owner's bands. NoAnswer without any."""
        return self.map_by()

    def map_by(
        self,
        channel: str | None = None,
        load_by: str | LoadAxis = "share",
        band_mps: float | None = None,
        road: RoadLoad | None = None,
        fuel_stoich_afr: float | None = None,
    ) -> DriveMap:
        """A mixture map. NoAnswer where it has no fixes or no mixture, InputError for an unknown channel.

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
        with bulkhead.of(self.id):
            return self._mapped(channel, load_by, band_mps, road, fuel_stoich_afr)

    def _mapped(
        self, channel: str | None, load_by: str | LoadAxis, band_mps: float | None, road: RoadLoad | None,
        fuel_stoich_afr: float | None,
    ) -> DriveMap:  # fmt: skip
        from analysis.conditions import roadload
        from analysis.mixture.drive_map import drive_map

        if band_mps is None:
            band_mps = 10 * (MPS_PER_KMH if self.unit == "km/h" else MPS_PER_MPH)
        return drive_map(
            self.drive, self.motion, self.fixes, road or roadload.of(self.car), self.targets,
            learned=lambda: self.learned_road, channel=channel, load_by=load_by, band_mps=band_mps,
            fuel_stoich_afr=fuel_stoich_afr, travel=self.throttle_travel, car=self.car,
        )  # fmt: skip

    # --- the road ----------------------------------------------------------------------------------------------

    @Once
    def loop(self) -> Loop | None:
        """The fuel loop by what was kept with the drive; None where nothing was.

        NoAnswer where the drive has no usable fixes, InputError where what was kept cannot be read.
        """
        from analysis.road import fuel_used

        if self.drive.manifest.fuel is None:
            return None
        try:
            used = fuel_used.from_kept(self.drive.manifest.fuel)
        except ValueError as error:
            raise InputError(f"{self.id}: {error}") from error
        return self.loop_by(used)

    def loop_by(self, used: Used) -> Loop:
        """The fuel loop by the fuel `used`. NoAnswer where the drive has no usable fixes."""
        from analysis.road import fuel_loops

        wind = self.weather.wind_mps
        return fuel_loops.drive_loop(self.motion, self.fixes, used, math.nan if wind is None else wind)

    def coasts(self, mass: Mass, car: CarConfig, origin_deg: tuple[float, float] | None = None) -> CoastsFound:
        """The coasts of the drive, and what was left out; places count from `origin_deg` where given."""
        from analysis.road import coasts

        air = air_on(self.drive, car)
        frontal, drag = car.car.frontal_area_m2, car.car.drag_coefficient
        return coasts.find(
            self.motion,
            self.fixes,
            mass,
            drag_area_m2=frontal * drag if frontal and drag else None,
            notes=[(round(note.utc.timestamp() * 1e9), note.text) for note in self.drive.manifest.notes],
            engine_speed=self.engine_speed(car),
            density_kg_per_m3=air.density_kg_per_m3,
            wind=air.wind,
            outing=self.id,
            origin_deg=origin_deg,
        )

    def engine_speed(self, car: CarConfig | None) -> tuple[Floats, Floats] | None:
        """Recorded engine speed, (seconds on the fixes' axis, turns a minute); None where no source has it."""
        from logger.store.columns import floats_in, seconds_in

        named = car.gearing.engine_speed_channel if car and car.gearing else "rpm"
        for source in self.drive.config.source:
            if isinstance(source, NmeaSource) or source.name not in self.drive.table_names:
                continue
            table = self.drive.table(source.name)
            told = next((each for each in channels_of(source) if each.quantity == "engine_speed"), None)
            channel, per_unit = (named, 1.0) if told is None else (str(told.channel), _turns_a_minute(told.unit))
            if channel in table.column_names and table.num_rows > 1:
                turns = floats_in(table[channel])
                known = np.isfinite(turns)
                if known.sum() > 1:
                    at_s = seconds_in(table["time"], self.motion.epoch_utc_ns)[known]
                    return at_s, per_unit * turns[known]
        return None


def _turns_a_minute(unit: str) -> float:
    return QUANTITY_UNITS["engine_speed"][unit] * S_PER_MINUTE


def run_speeds(unit: str) -> tuple[float, ...]:
    """The speeds that runs are timed to, rising [m/s]: all that a table of either unit, a comparison or a curve shows.

    Every m/s, every 5 mph and 10 km/h, and the owner's fine steps (1 mph or 2 km/h).
    """
    fine = _FINE_STEPS[unit] * SPEED_UNITS[unit]
    speeds = [
        *(float(k) for k in range(1, 46)),
        *(5 * k * MPS_PER_MPH for k in range(1, 21)),
        *(10 * k * MPS_PER_KMH for k in range(1, 17)),
        *(k * fine for k in range(1, int(_FASTEST_MPS / fine) + 1)),
    ]
    return tuple(sorted({round(speed, 9) for speed in speeds}))


def utc(ns: int) -> datetime:
    """Nanoseconds since 1970 as a time."""
    return datetime.fromtimestamp(ns / 1e9, UTC)
