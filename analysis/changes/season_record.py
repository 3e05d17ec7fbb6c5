"""A season: all that was driven, as runs that can be compared; what was fitted, which day, which way, what air.

It owns its drives: what asks it needs no folder beside it. `changes.season` gathers it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

from analysis import kept
from analysis.changes.full_power import PullLeftOut, full_power, why_not_full
from analysis.changes.full_throttle import RunLeftOut
from analysis.changes.observations import FuelLoop, Observation
from analysis.changes.season_pulls import SeasonPull
from analysis.conditions.roadload import RoadLoad
from analysis.conditions.setups import Known, Parts
from analysis.conditions.weather import Air, Weather
from logger.errors import DriveError, InputError

if TYPE_CHECKING:
    from datetime import datetime

    from analysis.drive import AnalysedDrive
    from analysis.store import DriveStore

DEFAULT_FACTOR = "SAE J1349"
SEASON = ".season"
"""What is kept of all drives together, beside what is kept of each."""
_FULL_PULLS = "full_pulls"


@dataclass(frozen=True)
class Outing:
    """One drive at a glance."""

    drive: str
    started_utc: datetime
    duration_s: float
    setup: str
    parts: Parts | None
    outing: int
    weather: Weather
    air: Air
    channel: str
    """The mixture's: afr or lambda; "" without one."""
    notes: tuple[str, ...]
    runs: tuple[str, ...]
    """Labels of the runs that count."""
    trouble: str = ""
    """Why the drive could not be read for runs."""
    mass_kg: float = math.nan
    """As its car's file says; NaN without one."""

    def without(self, labels: set[str]) -> Outing:
        """The drive without some of its runs."""
        return replace(self, runs=tuple(name for name in self.runs if name not in labels))


@dataclass(frozen=True)
class SeasonRecord:
    """All that was driven: the runs that count and those that do not, drives, loops, setups."""

    runs: list[Observation]
    left_out: list[RunLeftOut]
    drives: list[Outing]
    loops: list[FuelLoop]
    unit: Literal["mph", "km/h"]
    """As the newest car file says."""
    factor: str
    """The correction in the runs' `corrected_s`."""
    road: str
    """Where the road load that the correction uses is from."""
    setups: list[Known] = field(default_factory=list)
    """Those driven, one for each set of parts, in the order first driven."""
    store: DriveStore | None = None
    """Where its drives are opened; None for runs that came without drives."""
    caveats: list[str] = field(default_factory=list)
    pulls: list[SeasonPull] = field(default_factory=list)
    """Pulls that may be full ones: those of the runs that count, and rolling ones at whatever throttle."""
    standard_road: RoadLoad | None = None
    """The newest car's road load in the air that `factor` corrects to; None for runs that came without drives."""
    keys: dict[str, str] = field(default_factory=dict)
    """Drive -> key of all that its numbers depend on (`kept.analysed_key`)."""
    gathered: tuple[Sequence[SeasonPull], str] | None = None
    """Its pulls as they were gathered, and the key of all that they depend on; None where that is not known."""

    @cached_property
    def _full_power(self) -> tuple[list[SeasonPull], list[PullLeftOut]]:
        if self.store is None or not self.pulls:
            return full_power(self.pulls)
        key = self.gathered[1] if self.gathered is not None and self.gathered[0] is self.pulls else ""
        key = key or kept.digest_of_values(
            kept.program(),
            [(each.label, each.parts, each.trusted, each.pull.throttle, each.pull.mixture, each.pull.power.tolist())
             for each in self.pulls],
        )  # fmt: skip
        found = kept.read_values(self.store.path, SEASON, _FULL_PULLS, key)
        reasons = found["reasons"] if found is not None else why_not_full(self.pulls)
        if found is None:
            kept.write_values(self.store.path, SEASON, _FULL_PULLS, key, {"reasons": reasons})
        return full_power(self.pulls, reasons)

    @property
    def full_pulls(self) -> list[SeasonPull]:
        """The pulls at full throttle, of runs and rolling; told once, over the season."""
        return self._full_power[0]

    @property
    def pulls_left_out(self) -> list[PullLeftOut]:
        """The other pulls, each with its reason."""
        return self._full_power[1]

    @property
    def channel(self) -> str:
        """The mixture channel of most drives; AFR where they differ or have none."""
        channels = [drive.channel for drive in self.drives if drive.channel]
        return "lambda" if channels and all(c == "lambda" for c in channels) else "AFR"

    def drive(self, ref: str) -> AnalysedDrive:
        """The drive called `ref`. DriveError where there is none, or where the runs came without drives."""
        if self.store is None:
            raise DriveError(f"{ref}: these runs have no drive folders")
        return self.store.drive(ref)


def label(drive: str, run: int) -> str:
    """How a run is called on the command line."""
    return f"{drive}:{run}"


def tagged(season: SeasonRecord, having: Sequence[str], lacking: Sequence[str]) -> SeasonRecord:
    """The season by the runs that have all tags of `having` and none of `lacking`; the others are left out, and said.

    InputError for a tag that no run has.
    """
    known = {tag for run in season.runs for tag in run.tags}
    if unknown := [tag for tag in (*having, *lacking) if tag not in known]:
        there = ", ".join(sorted(known)) or "none"
        raise InputError(f"tag: no counted run is tagged {unknown[0]!r}. Tags: {there}.")
    kept: list[Observation] = []
    out: list[RunLeftOut] = []
    for run in season.runs:
        missing = [f"not tagged {tag}" for tag in having if tag not in run.tags]
        missing += [f"tagged {tag}" for tag in lacking if tag in run.tags]
        if missing:
            out.append(RunLeftOut(run.label, run.drive, " and ".join(missing), False))
        else:
            kept.append(run)
    gone = {each.label for each in out}
    rows = [row.without(gone) for row in season.drives]
    # A rolling pull between a tagged run and another may be of either: it goes out with both.
    pulls = [
        each
        for each in season.pulls
        if each.label not in gone
        and all(tag in each.tags for tag in having)
        and not any(tag in each.near_tags for tag in lacking)
    ]
    return replace(season, runs=kept, left_out=[*season.left_out, *out], drives=rows, pulls=pulls)


def side_runs(season: SeasonRecord, labels: Sequence[str]) -> list[Observation]:
    """The runs called so, in the season's order."""
    wanted = set(labels)
    return [run for run in season.runs if run.label in wanted]
