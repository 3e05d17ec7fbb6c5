"""What a notebook imports: a store, its drives and its season; each verb is a method that gives its typed answer.

    from analysis import Season, Store

    store = Store("drives")
    store.drive("last").runs(to=["50mph"]).frame()
    season = store.season()
    season.compare("baseline", "long snorkel").sentence
    Season.from_runs(frame).compare("A", "B")

Speeds are m/s or text with a unit, such as "50mph". An answer's `frame()` is a pandas frame of its rows, `table()` an
Arrow table, `to_json()` what the command line's `--json` prints. What cannot be told raises `NoAnswer`, what is wrong
with what was asked `InputError`. Options not named here are those of the function that makes the answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from analysis.drive import AnalysedDrive
from analysis.store import DriveStore, targets_of
from logger.errors import InputError, NoAnswer
from logger.units import parse_quantity, parse_speed

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from analysis.answers.captions import CaptionsAnswer
    from analysis.answers.coast import CoastAnswer
    from analysis.answers.compare import CompareAnswer
    from analysis.answers.drives import DrivesAnswer
    from analysis.answers.effects import EffectsAnswer
    from analysis.answers.export import ExportAnswer
    from analysis.answers.fuel import FuelAnswer, FuelLoopsAnswer
    from analysis.answers.jets import JetsAnswer
    from analysis.answers.mixture import MixtureAnswer, MixtureChangeAnswer
    from analysis.answers.plan import PlanAnswer
    from analysis.answers.power import PowerAnswer
    from analysis.answers.runs import AllRunsAnswer, RunsAnswer
    from analysis.answers.season import SeasonAnswer
    from analysis.answers.setups import SetupsAnswer
    from analysis.answers.weather import WeatherAnswer
    from analysis.answers.whatif import WhatIfAnswer
    from analysis.changes.season import SeasonRecord

Speed = float | str
"""Metres per second, or text with a unit."""


class Store:
    """A folder of drives. `targets`: the targets' file; by default targets.toml in the folder, if any."""

    def __init__(self, path: str | Path, targets: str | Path | None = None) -> None:
        folder = Path(path)
        if not folder.is_dir():
            raise InputError(f"{path}: this folder does not exist")
        self._store = DriveStore(folder, targets_of(Path(targets), folder) if targets is not None else None)

    @property
    def path(self) -> Path:
        """The folder."""
        return self._store.path

    @property
    def drives(self) -> list[DriveAnswers]:
        """All finished drives, by the time they were driven."""
        return [DriveAnswers(self._store, drive) for drive in self._store.drives]

    def drive(self, ref: str) -> DriveAnswers:
        """A drive by its id or the beginning of it, by its path, or `last`. DriveError without one."""
        return DriveAnswers(self._store, self._store.drive(ref))

    def season(self, *, factor: str = "SAE J1349", every_run: bool = False) -> Season:
        """All drives together. `every_run`: runs that look like part throttle count as well."""
        from analysis.changes.season import gather

        return Season(gather(self._store, factor=factor, every_run=every_run))

    def runs(self, to: Speed | Sequence[Speed] | None = None, **options: Any) -> AllRunsAnswer:
        """The standing runs of all drives; options of `all_runs_answer`."""
        from analysis.answers.runs import all_runs_answer

        return all_runs_answer(self._store, speeds_mps=_speeds(to), **options)

    def setups(self) -> SetupsAnswer:
        """The setups driven."""
        from analysis.answers.setups import setups_answer

        return setups_answer(self._store)

    def fuel(self, drives: Sequence[str] | None = None) -> FuelLoopsAnswer:
        """The fuel loops kept with these drives, or with all, and their averages by setup."""
        from analysis.answers.fuel import fuel_loops_answer

        return fuel_loops_answer(self._store, drives)

    def coast(self, drives: Sequence[str], **options: Any) -> CoastAnswer:
        """The road load by the coasts of several drives together; options of `coast_answer`."""
        from analysis.answers.coast import coast_answer

        return coast_answer([self._store.drive(ref) for ref in drives], **options)

    def power(self, runs: Mapping[str, Sequence[int]], **options: Any) -> PowerAnswer:
        """Power at the wheels by runs of several drives, drive -> numbers of runs; options of `power_answer`."""
        from analysis.answers.power import power_answer

        return power_answer(self._store, runs, **options)


class DriveAnswers:
    """One drive: the answers of every verb that takes one, and its tables."""

    def __init__(self, store: DriveStore, analysed: AnalysedDrive) -> None:
        self._store = store
        self.analysed = analysed
        """What is worked out of it, as objects: fixes, motion, runs, map, loop, air."""

    @property
    def id(self) -> str:
        """Its id."""
        return self.analysed.id

    @property
    def setup(self) -> str:
        """The name of its setup; a dash where none is known."""
        return self.analysed.setup_name

    @property
    def parts(self) -> dict[str, bool | int | float | str] | None:
        """The parts that were fitted; None where no setup is known."""
        return None if self.analysed.parts is None else dict(self.analysed.parts)

    @property
    def tables(self) -> list[str]:
        """The names of its tables: gps, mixture, and others it may have."""
        return self.analysed.drive.table_names

    def table(self, name: str) -> pa.Table:
        """A table as recorded, in SI, with units in the fields' metadata. DriveError where it has none of the name."""
        return self.analysed.drive.table(name)

    def frame(self, name: str) -> pd.DataFrame:
        """A table as recorded, as a pandas frame."""
        frame: pd.DataFrame = self.table(name).to_pandas()
        return frame

    def runs(self, to: Speed | Sequence[Speed] | None = None, **options: Any) -> RunsAnswer:
        """Its runs, timed to these speeds; options of `runs_answer`."""
        from analysis.answers.runs import runs_answer
        from analysis.changes.season import judge

        judge(self._store)
        return runs_answer(self.analysed, speeds_mps=_speeds(to), **options)

    def mixture(self, **options: Any) -> MixtureAnswer:
        """Its mixture by speed and load; options of `mixture_answer`."""
        from analysis.answers.mixture import mixture_answer

        return mixture_answer(self.analysed, **options)

    def mixture_change(self, later: str | DriveAnswers, **options: Any) -> MixtureChangeAnswer:
        """What the mixture did from this drive to another; options of `mixture_change_answer`."""
        from analysis.answers.mixture import mixture_change_answer

        other = later.analysed if isinstance(later, DriveAnswers) else self._store.drive(later)
        return mixture_change_answer(self.analysed, other, **options)

    def jets(self, **options: Any) -> JetsAnswer:
        """Which main jet to try next; options of `jets_answer`."""
        from analysis.answers.jets import jets_answer

        return jets_answer(self._store, self.analysed, **options)

    def fuel(self, used: float | str | None = None, **options: Any) -> FuelAnswer:
        """Its consumption: on the fuel `used` (m3, or text such as "3.2L"), by default on what was kept with it.

        Nothing is kept here. Options of `used_fuel`. NoAnswer where no fuel is kept, or the drive is no loop.
        """
        from analysis.answers.fuel import fuel_answer, used_fuel

        if used is not None:
            volume = parse_quantity(used, "m**3") if isinstance(used, str) else used
            return fuel_answer(self.analysed, used_fuel(self.analysed, volume_m3=volume, **options))
        if self.analysed.loop is None:
            raise NoAnswer(f"{self.id}: no fuel figure is stored with this drive")
        return fuel_answer(self.analysed, self.analysed.loop.used)

    def coast(self, **options: Any) -> CoastAnswer:
        """The road load by its coasts; options of `coast_answer`."""
        from analysis.answers.coast import coast_answer

        return coast_answer([self.analysed], **options)

    def power(self, runs: Sequence[int] = (), **options: Any) -> PowerAnswer:
        """Power at the wheels by its runs, or by some of them; options of `power_answer`."""
        from analysis.answers.power import power_answer

        return power_answer(self._store, {self.id: runs}, **options)

    def whatif(self, runs: Sequence[int] = (), **options: Any) -> WhatIfAnswer:
        """What its times would be with another mass, drag, power or gearing; options of `whatif_answer`."""
        from analysis.answers.whatif import whatif_answer

        return whatif_answer(self._store, {self.id: runs}, **options)

    def weather(self) -> WeatherAnswer:
        """The weather kept with it, and what it says of the air."""
        from analysis.answers.weather import weather_answer

        return weather_answer(self.analysed)

    def captions(self, folder: str | Path, **options: Any) -> CaptionsAnswer:
        """Write captions for videos of it into a folder; options of `captions_answer`."""
        from analysis.answers.captions import captions_answer

        return captions_answer(self.analysed, folder=Path(folder), **options)

    def export(
        self, path: str | Path, format_: Literal["csv", "parquet", "gpx", "geojson"] = "csv", **options: Any
    ) -> ExportAnswer:
        """Write it to a file for others; options of `export_answer`."""
        from analysis.answers.export import export_answer

        return export_answer(self._store, self.analysed, Path(path), format_, **options)


class Season:
    """All drives together: what was driven, and what each change did."""

    def __init__(self, record: SeasonRecord) -> None:
        self.record = record
        """What answers are made from: runs that count and those that do not, drives, loops, setups."""

    @classmethod
    def from_runs(cls, frame: pd.DataFrame, **options: Any) -> Season:
        """A season of runs that come without their drives, one row a run and speed.

        Columns: drive, run, setup, parts (JSON text), start_utc, direction_deg, speed_mps, from_one_foot_s,
        from_one_foot_sigma_s; where known, corrected_s, grade_percent, headwind_mps, wind_mps, full_throttle, rise_s,
        soft. Drives of one day are one outing. Options `unit`, `factor`, `every_run` as in `season_frame.from_runs`.
        InputError where a column is missing, parts are no JSON object, or a number that is needed is NaN.
        """
        from analysis.changes.season_frame import from_runs

        return cls(from_runs(frame, **options))

    def runs(self) -> pd.DataFrame:
        """The runs that count, one row a run and speed, with the columns of `from_runs`."""
        from analysis.changes.season_frame import runs_of

        return runs_of(self.record)

    def compare(
        self, a: str, b: str, to: Speed | Sequence[Speed] | None = None, *, raw: bool = False,
        worth_s: float | None = None,
    ) -> CompareAnswer:  # fmt: skip
        """What `b` does against `a`, each a setup, a drive or runs as the command line names them."""
        from analysis.answers.compare import compare_answer

        return compare_answer(self.record, a, b, _speeds(to), raw=raw, worth_s=worth_s)

    def effects(self, to: Speed | Sequence[Speed] | None = None, *, raw: bool = False) -> EffectsAnswer:
        """What each part did."""
        from analysis.answers.effects import effects_answer

        return effects_answer(self.record, _speeds(to), raw=raw)

    def plan(self, to: Speed | None = None, **options: Any) -> PlanAnswer:
        """The next drives worth making; options of `plan_answer`."""
        from analysis.answers.plan import plan_answer

        return plan_answer(self.record, _speed(to), **options)

    def summary(self, to: Speed | None = None) -> SeasonAnswer:
        """The season by setup, and what the best run is worth: the verb `season`."""
        from analysis.answers.season import season_answer

        return season_answer(self.record, _speed(to))

    def drives(self, to: Speed | None = None) -> DrivesAnswer:
        """The drives at a glance."""
        from analysis.answers.drives import drives_answer

        return drives_answer(self.record, _speed(to))

    def jets(self, drive: str = "last", **options: Any) -> JetsAnswer:
        """Which main jet to try next after a drive. DriveError where the runs came without their drives."""
        from analysis.answers.jets import jets_answer

        analysed = self.record.drive(drive)
        assert self.record.store is not None
        return jets_answer(self.record.store, analysed, **options)


def _speed(value: Speed | None) -> float | None:
    return parse_speed(value) if isinstance(value, str) else value


def _speeds(value: Speed | Sequence[Speed] | None) -> list[float] | None:
    if value is None:
        return None
    asked: Sequence[Speed] = [value] if isinstance(value, str | float | int) else value
    return sorted({parse_speed(each) if isinstance(each, str) else float(each) for each in asked})
