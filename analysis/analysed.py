"""A drive with its motion and its runs: what most verbs begin with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from analysis import motion as motions
from analysis import runs
from analysis.motion import Fixes, Motion, SetAside
from analysis.runs import Options, Run
from logger.drive import Drive
from logger.units import NoAnswer

SAME_RUN_S = 2.0
"""A struck run is known by its start; a better estimate of it moves less than this."""


@dataclass(frozen=True)
class Analysed:
    """A drive, its cleaned fixes, its motion, and all its runs."""

    drive: Drive
    fixes: Fixes
    set_aside: SetAside
    motion: Motion
    runs: list[Run]

    def struck(self, run: Run) -> str | None:
        """Why `run` is not to be counted; None where it counts."""
        for struck in self.drive.manifest.struck:
            if abs(struck.run_start_utc.timestamp() - run.start_utc_ns * 1e-9) < SAME_RUN_S:
                return struck.reason
        return None

    def counted(self, kind: Literal["standing", "rolling"] | None = None) -> list[Run]:
        """The runs that may be compared with others: nothing broke them and nobody struck them out."""
        return [run for run in self.runs if run.clean and self.struck(run) is None and kind in (None, run.kind)]


def analyse(drive: Drive, options: Options | None = None) -> Analysed:
    """Find the runs of `drive`; speeds by the owner's units unless `options` says otherwise. NoAnswer without fixes."""
    options = options or Options(unit=speed_unit(drive))
    try:
        fixes, set_aside = motions.clean(motions.read_fixes(drive))
    except ValueError as error:
        raise NoAnswer(str(error)) from error
    if len(fixes) < 2:
        raise NoAnswer(f"{drive.id}: too few usable GPS fixes ({len(fixes)}, {set_aside.total} set aside)")
    motion = motions.smooth(fixes)
    return Analysed(drive, fixes, set_aside, motion, runs.find(motion, fixes, options))


def speed_unit(drive: Drive) -> Literal["mph", "km/h"]:
    """The speed unit the owner wants: the car's file says it; mph otherwise."""
    return drive.car.units.speed if drive.car else "mph"


def utc(ns: int) -> datetime:
    """Nanoseconds since 1970 as a time."""
    return datetime.fromtimestamp(ns / 1e9, UTC)


def setup_name(drive: Drive) -> str:
    """What the drive's setup is called; a dash where none is known."""
    return drive.setup.name if drive.setup else "-"


def total_splits(found: Sequence[Run]) -> list[float]:
    """All speeds that at least one of the runs has a split for, rising."""
    return sorted({round(split.speed_mps, 6) for run in found for split in run.splits})
