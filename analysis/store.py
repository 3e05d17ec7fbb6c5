"""The drives of a folder, each opened once.

store = DriveStore(Path("drives"))
store.drive("last").runs
[drive.id for drive in store.drives]
"""

from __future__ import annotations

import bisect
import contextlib
import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import astuple
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis import kept
from logger.config.car import car_key
from logger.config.reading import load
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from datetime import datetime

    from analysis.drive import AnalysedDrive
    from analysis.mixture.strength import HardPull
    from analysis.mixture.throttle_travel import Reached
    from analysis.runs.lessons import Lesson, Taught
    from logger.config.car import CarConfig
    from logger.config.recorder import RecorderConfig
    from logger.config.targets import TargetsConfig
    from logger.store.bulkhead import LeftOut
    from logger.store.drive import Drive

_LESSON = "lesson"
"""What a drive teaches is kept under this name."""
_PULLS = "pulls"
"""Its full pulls, for the lean alert of later drives."""

_PASSED_BEFORE = 8
"""So many drives before one tell of its roads."""


class DriveStore:
    """A folder of drives. `targets`: the mixture windows to judge by; by default `targets_of` the folder. `progress`
    is told what takes long. `kept_only`: what a drive teaches and is not kept is done without."""

    def __init__(
        self,
        path: Path,
        targets: TargetsConfig | None = None,
        progress: Callable[[str], None] = lambda text: None,
        *,
        kept_only: bool = False,
    ) -> None:
        self.path = path
        self._given = targets
        self._progress, self._kept_only = progress, kept_only
        self._opened: dict[Path, AnalysedDrive] = {}
        self._where: dict[Path, Path] = {}
        self._others: dict[Path, DriveStore] = {}
        self._lessons: dict[Path, Lesson | None] = {}
        self._asked: dict[tuple[Any, ...], list[Lesson | None]] = {}
        self._part_throttle: Mapping[str, Mapping[float, str]] = {}
        self.unread: list[LeftOut] = []
        """The drives that `drives` left out, because they could not be opened."""

    @property
    def targets_given(self) -> TargetsConfig | None:
        """The mixture windows that were given; None where the folder's are in force."""
        return self._given

    @cached_property
    def targets(self) -> TargetsConfig:
        """The mixture windows in force. InputError where the store's targets.toml cannot be read."""
        return self._given or targets_of(None, self.path)

    @cached_property
    def drives(self) -> list[AnalysedDrive]:
        """All finished drives, by the time they were driven."""
        from logger.store.drive import list_drives

        return [self._once(drive) for drive in list_drives(self.path, self._left_out)]

    def _left_out(self, left_out: LeftOut) -> None:
        from logger.store import bulkhead

        self.unread.append(left_out)
        bulkhead.warn(left_out)

    def tell_part_throttle(self, told: Mapping[str, Mapping[float, str]]) -> None:
        """Tell each drive which of its runs were no full pulls, with the reason, by when they began [s since 1970]."""
        self._part_throttle = told
        for drive in self._opened.values():
            if drive.kept_in is not None:
                drive.part_throttle = told.get(drive.id, {})

    @cached_property
    def throttles(self) -> list[Reached]:
        """What a recorded throttle reached in each drive that has one, of a unit alike: of the newest such drive's."""
        told: list[Reached] = []
        for each in self.drives:
            with contextlib.suppress(NoAnswer, InputError):  # a drive that cannot be read tells nothing
                if each.throttle_reached is not None:
                    told.append(each.throttle_reached)
        return [each for each in told if each[2] == told[-1][2]]

    def drive(self, ref: str) -> AnalysedDrive:
        """The drive called `ref`: an id or its beginning, a path, `last` or `current`; one of another car of the store
        with the car's name before it, read with what that car's drives taught. DriveError without one.

        Once `drives` was asked for, that listing stands: a drive that is added later is no `last` of it.
        """
        from logger.store.cars import split_ref
        from logger.store.drive import open_drive

        if other := split_ref(self.path, ref):
            return self.other_car(other[0]).drive(other[1])
        if ref == "last":
            return self._last()
        found = self._listed(ref) if "drives" in self.__dict__ else None
        return found or self._once(open_drive(self.path, ref))

    def other_car(self, path: Path) -> DriveStore:
        """The drives of another car, which lie in a store of their own, opened once; judged by that store's targets."""
        if path not in self._others:
            self._others[path] = DriveStore(path, None, self._progress, kept_only=self._kept_only)
        return self._others[path]

    def _last(self) -> AnalysedDrive:
        from logger.store.drive import finish_cut_off, last_added

        tried = "" if "drives" in self.__dict__ else finish_cut_off(self.path)
        return self._once(last_added([drive.drive for drive in self.drives], self.path, tried))

    def _listed(self, ref: str) -> AnalysedDrive | None:
        """The drive called `ref` among those listed, by the rules of `open_drive`; None where it is not one of them."""
        named = self.path / ref
        path = named if ref and Path(ref).name == ref and named.is_dir() else Path(ref)
        if ref and path.is_dir():
            return self._opened.get(path.resolve())
        near = [drive for drive in self.drives if ref and drive.id.startswith(ref)]
        return near[0] if len(near) == 1 else None

    def _once(self, drive: Drive) -> AnalysedDrive:
        """The one object for what is on disk; a drive that is being recorded is another at each look."""
        from analysis.drive import AnalysedDrive  # here: who finds a season kept opens no drive

        where = self._where[drive.path] = drive.path.resolve()
        if where not in self._opened or drive.manifest != self._opened[where].drive.manifest:
            self._opened[where] = AnalysedDrive(
                drive, lambda: self.targets, lambda: self._before(drive), lambda: self.throttles,
                lambda: self._passed_before(drive),
            )  # fmt: skip
            if drive.manifest.state != "recording" and where.parent == self.path.resolve():
                self._opened[where].kept_in = self.path
                self._opened[where].part_throttle = self._part_throttle.get(drive.id, {})
            self._lessons.pop(where, None)
            self._asked.clear()
        return self._opened[where]

    # --- what drives teach each other --------------------------------------------------------------------------

    def teach(self, drive: AnalysedDrive) -> None:
        """Keep what a drive of this store teaches, so that it need not be read again when the next one is."""
        self._keep_pulls(drive)
        kept_only, self._kept_only = self._kept_only, False
        try:
            for _ in _each_lesson([drive], self._lesson):
                pass
        finally:
            self._kept_only = kept_only

    def _keep_pulls(self, drive: AnalysedDrive) -> None:
        with contextlib.suppress(NoAnswer):
            found = [[round(value, 3) for value in astuple(pull)] for pull in drive.full_pulls]
            kept.write_values(self.path, drive.id, _PULLS, kept.lesson_key(drive.drive, _PULLS), {"pulls": found})

    def pulls_so_far(self, car: CarConfig | None) -> list[HardPull]:
        """The full pulls of this car's newest drives, of those that are kept."""
        from analysis.mixture.strength import HardPull
        from analysis.runs.lessons import MOST_DRIVES

        name, found = car_key(car.car.name) if car else None, list[HardPull]()
        own = [drive for drive in self._neighbours if (car_key(drive.car.car.name) if drive.car else None) == name]
        for drive in own[-MOST_DRIVES:]:
            told = kept.read_values(self.path, drive.id, _PULLS, kept.lesson_key(drive.drive, _PULLS))
            with contextlib.suppress(KeyError, TypeError, ValueError):  # not as it was written
                found += [HardPull(*map(float, pull)) for pull in (told or {"pulls": []})["pulls"]]
        return found

    def _before(self, drive: Drive) -> Taught:
        """What the drives before one taught: those of this folder with the same car and receiver, by when they began.

        Each is read with those before it, so all of them are asked in order of time, however few count in the end.
        """
        from analysis.runs.lessons import Taught, taught_together

        alike = taught_together(drive)
        if alike is None or not self._is_home(drive):
            return Taught()
        began = drive.manifest.started_utc, drive.id
        together = self._together.get(alike, [])
        return self._told(alike, bisect.bisect_left(together, began, key=_began))

    def _passed_before(self, drive: Drive) -> list[AnalysedDrive]:
        """The last drives of this folder before one, with the same car and receiver."""
        from analysis.runs.lessons import taught_together

        alike = taught_together(drive)
        if alike is None or not self._is_home(drive):
            return []
        together = self._together.get(alike, [])
        count = bisect.bisect_left(together, (drive.manifest.started_utc, drive.id), key=_began)
        return together[max(count - _PASSED_BEFORE, 0) : count]

    def _is_home(self, drive: Drive) -> bool:
        """Whether a drive stands in this store's folder, and not elsewhere."""
        where = self._where.get(drive.path) or drive.path.resolve()
        return where.parent == self.path.resolve()

    def so_far(self, config: RecorderConfig, car: CarConfig | None) -> Taught:
        """What the drives of this folder taught of the first receiver of `config` and of this car."""
        from analysis.runs.lessons import Taught, will_be_taught

        source = next((each for each in config.source if each.kind == "nmea"), None)
        if source is None:
            return Taught()
        alike = will_be_taught(car.car.name if car else "", source)
        return self._told(alike, len(self._together.get(alike, [])))

    def _told(self, alike: tuple[Any, ...], count: int) -> Taught:
        """What the first `count` of the drives that teach each other taught; each is asked once."""
        from analysis.runs.lessons import MOST_DRIVES, Taught

        asked = self._asked.setdefault(alike, [])
        for drive in self._together.get(alike, [])[len(asked) : count]:
            lesson = next((lesson for _, lesson in _each_lesson([drive], self._lesson)), None)
            asked.append(lesson)
        told = (lesson for lesson in reversed(asked[:count]) if lesson is not None)
        return Taught(tuple(reversed(list(itertools.islice(told, MOST_DRIVES)))))

    @cached_property
    def _together(self) -> dict[tuple[Any, ...], list[AnalysedDrive]]:
        """The drives that teach each other, by what they share, in order of time."""
        from analysis.runs.lessons import taught_together

        found: dict[tuple[Any, ...], list[AnalysedDrive]] = {}
        for drive in sorted(self._neighbours, key=_began):
            if (alike := taught_together(drive.drive)) is not None:
                found.setdefault(alike, []).append(drive)
        return found

    @cached_property
    def _neighbours(self) -> list[AnalysedDrive]:
        """All finished drives; who asked for one drive only is not told of those that cannot be opened."""
        if "drives" in self.__dict__:
            return self.drives
        from logger.store.drive import list_drives

        return [self._once(drive) for drive in list_drives(self.path, lambda left: None)]

    def _lesson(self, drive: AnalysedDrive) -> Lesson | None:
        """What a drive teaches, from what is kept where that is of these very tables, lessons and program; None where
        it has nothing to teach."""
        where = drive.drive.path.resolve()
        if where not in self._lessons:
            self._lessons[where] = self._kept_lesson(drive)
        return self._lessons[where]

    def _kept_lesson(self, drive: AnalysedDrive) -> Lesson | None:
        key = kept.lesson_key(drive.drive, drive.taught.digest)
        known, lesson = self._read_lesson(drive, key)
        if known or self._kept_only:
            return lesson
        self._progress(f"learning from {drive.id}")
        with contextlib.suppress(NoAnswer):
            lesson = drive.lesson
        if drive.drive.manifest.state != "recording":
            kept.write_values(self.path, drive.id, _LESSON, key, lesson.as_json() if lesson else {})
        return lesson

    def _read_lesson(self, drive: AnalysedDrive, key: str) -> tuple[bool, Lesson | None]:
        """Whether the lesson of a drive is kept under this key; and the lesson, None where it has nothing to teach."""
        from analysis.runs.lessons import Lesson

        found = kept.read_with_digest(self.path, drive.id, _LESSON, key)
        with contextlib.suppress(ValueError, KeyError, TypeError):  # not as it was written: worked out anew
            if found is not None:
                return True, Lesson.of_json(*found) if found[0] else None
        return False, None

    def keep_lesson(self, drive: AnalysedDrive) -> None:
        """Keep what a drive of this store teaches, where it is not kept yet."""
        for _ in _each_lesson([drive], self._lesson):
            pass

    @property
    def untold(self) -> list[list[AnalysedDrive]]:
        """Of the drives that teach each other those whose lessons are not kept, and all that came after the first such:
        in order of time."""
        out = []
        for alike, together in self._together.items():
            asked = self._asked.setdefault(alike, [])
            for at in range(len(asked), len(together)):
                known, lesson = False, None
                with contextlib.suppress(Exception):  # a drive that cannot be read is told where it is asked for
                    known, lesson = self._read_lesson(
                        together[at], kept.lesson_key(together[at].drive, together[at].taught.digest)
                    )
                if not known:
                    out.append(together[at:])
                    break
                asked.append(lesson)
        return out


def _began(drive: AnalysedDrive) -> tuple[datetime, str]:
    return drive.drive.manifest.started_utc, drive.id


def _each_lesson(
    drives: Iterable[AnalysedDrive], work: Callable[[AnalysedDrive], Lesson | None]
) -> Iterator[tuple[AnalysedDrive, Lesson | None]]:
    """Each drive with its lesson; one that cannot be read teaches nothing, and is told where it is itself asked for."""
    from logger.store import bulkhead

    def silent(left_out: LeftOut) -> None:
        pass

    return bulkhead.each(drives, work, tell=silent)


def targets_of(path: Path | None, store: Path) -> TargetsConfig:
    """The targets' file: the one given, else targets.toml in the store, else the usual windows."""
    from logger.config.targets import TargetsConfig

    if path is None and (store / "targets.toml").is_file():
        path = store / "targets.toml"
    return load(path, TargetsConfig) if path else TargetsConfig()
