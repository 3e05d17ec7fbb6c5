"""The drives of a folder, each opened once.

store = DriveStore(Path("drives"))
store.drive("last").runs
[drive.id for drive in store.drives]
"""

from __future__ import annotations

import contextlib
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.drive import AnalysedDrive
from logger.config.reading import load
from logger.config.targets import TargetsConfig
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.mixture.throttle_travel import Reached
    from logger.store.drive import Drive


class DriveStore:
    """A folder of drives. `targets`: the mixture windows to judge by; by default `targets_of` the folder."""

    def __init__(self, path: Path, targets: TargetsConfig | None = None) -> None:
        self.path = path
        self._given = targets
        self._opened: dict[Path, AnalysedDrive] = {}

    @cached_property
    def targets(self) -> TargetsConfig:
        """The mixture windows in force. InputError where the store's targets.toml cannot be read."""
        return self._given or targets_of(None, self.path)

    @cached_property
    def drives(self) -> list[AnalysedDrive]:
        """All finished drives, by the time they were driven."""
        from logger.store.drive import list_drives

        return [self._once(drive) for drive in list_drives(self.path)]

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
        """The drive called `ref`: an id or its beginning, a path, `last` or `current`. DriveError without one.

        Once `drives` was asked for, that listing stands: a drive that is added later is no `last` of it.
        """
        from logger.store.drive import open_drive

        if ref == "last":
            return self._last()
        found = self._listed(ref) if "drives" in self.__dict__ else None
        return found or self._once(open_drive(self.path, ref))

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
        where = drive.path.resolve()
        if where not in self._opened or drive.manifest != self._opened[where].drive.manifest:
            self._opened[where] = AnalysedDrive(drive, lambda: self.targets, lambda: self.throttles)
        return self._opened[where]


def targets_of(path: Path | None, store: Path) -> TargetsConfig:
    """The targets' file: the one given, else targets.toml in the store, else the usual windows."""
    if path is None and (store / "targets.toml").is_file():
        path = store / "targets.toml"
    return load(path, TargetsConfig) if path else TargetsConfig()
