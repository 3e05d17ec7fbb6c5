"""A season from a table of runs, and a table of runs from a season: for runs that come without their drives.

    record = from_runs(frame)      # a pandas frame, one row a run and speed
    frame = runs_of(record)        # the same columns

Columns that must be there: drive, run (its number in the drive), setup (its name), parts (JSON text of an object, or
nothing where no setup is known), start_utc, direction_deg, speed_mps, from_one_foot_s, from_one_foot_sigma_s. Columns
that may: corrected_s (times corrected to standard air), unlaunched_s (the same, with a launch that does not follow the
air), grade_percent, headwind_mps, wind_mps, full_throttle (the run's median mixture in its own pull), rise_s and soft
(of its launch), throttle (its opening, as a share of its full travel), tags (words with spaces between). SI throughout;
any other column is left alone.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import ValidationError

from analysis.arrays import Floats
from analysis.changes.full_throttle import RunLeftOut, full_pulls
from analysis.changes.gathering import outings, spelling
from analysis.changes.observations import Observation
from analysis.changes.season_record import DEFAULT_FACTOR, Outing, SeasonRecord, label
from analysis.conditions.setups import Parts, described, known, same
from analysis.conditions.weather import Weather, air_of
from analysis.drive import NO_SETUP
from logger.config.setup import SetupConfig
from logger.errors import InputError
from logger.units import NS_PER_S

if TYPE_CHECKING:
    import pandas as pd

REQUIRED = (
    "drive", "run", "setup", "parts", "start_utc", "direction_deg", "speed_mps", "from_one_foot_s",
    "from_one_foot_sigma_s",
)  # fmt: skip
OPTIONAL = (
    "corrected_s", "unlaunched_s", "grade_percent", "headwind_mps", "wind_mps", "full_throttle", "rise_s", "soft",
    "throttle", "tags",
)  # fmt: skip
TIMES = ("speed_mps", "from_one_foot_s", "from_one_foot_sigma_s", "corrected_s", "unlaunched_s")
"""Columns that hold a value a speed."""
_OF_RUN = ("direction_deg", "grade_percent", "headwind_mps", "wind_mps", "full_throttle", "rise_s", "soft", "throttle")
"""Columns that hold one value a run."""


@dataclass(frozen=True)
class _Fitted:
    """A drive as far as its setup goes."""

    id: str
    setup: SetupConfig | None


def from_runs(
    frame: pd.DataFrame,
    *,
    unit: Literal["mph", "km/h"] = "mph",
    factor: str = DEFAULT_FACTOR,
    every_run: bool = False,
) -> SeasonRecord:
    """The season of a table of runs; drives of one day are one outing, as on disk.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a run and speed, with the columns named above. Times count from one foot of movement. A direction that
        is NaN in all rows of a run is unknown; so is any optional column.
    unit : {"mph", "km/h"}
        The owner's unit of speed: what speeds are timed and told in where none are asked for.
    factor : str
        The name of the correction in `corrected_s`.
    every_run : bool
        Runs that look like part throttle count as well.

    Raises
    ------
    InputError
        Where a column is missing, `parts` is no JSON object, a number that is needed is NaN, a run has two rows for one
        speed, or two values of what it has only one of.
    """
    if missing := [name for name in REQUIRED if name not in frame.columns]:
        raise InputError(f"runs: no column {', '.join(missing)}. The table needs {', '.join(REQUIRED)}.")
    if frame.empty:
        raise InputError("runs: the table has no rows")
    runs: list[Observation] = []
    left: list[RunLeftOut] = []
    if frame["drive"].isna().any():
        raise InputError("runs: drive is missing in some rows")
    for (drive, number), rows in frame.groupby(["drive", "run"], sort=False, dropna=False):
        found = _run(str(drive), _whole(number, f"{drive}"), rows)
        if len(found.speed_mps) > 1:
            runs.append(found)
        else:
            left.append(RunLeftOut(found.label, found.drive, "fewer than two speeds are known", False))
    runs.sort(key=lambda run: run.start_s)
    _one_setup_a_drive(runs)
    runs, rows_of_drives = _outings(runs)
    if not every_run:
        runs, slow = full_pulls(runs)
        left += slow
        gone = {each.label for each in slow}
        rows_of_drives = [row.without(gone) for row in rows_of_drives]
    fitted = [
        _Fitted(row.drive, None if row.parts is None else _setup(row.setup, row.parts, row.drive))
        for row in rows_of_drives
    ]
    setups = known(fitted)
    return SeasonRecord(runs, left, rows_of_drives, [], unit, factor, "", setups, None, spelling(setups))


def runs_of(record: SeasonRecord) -> pd.DataFrame:
    """The runs of a season that count, one row a run and speed, with all columns that `from_runs` reads."""
    import pandas as pd

    rows = []
    for run in record.runs:
        about = {
            "drive": run.drive,
            "setup": run.setup,
            "parts": parts_text(run.parts),
            "start_utc": pd.Timestamp(round(Fraction(run.start_s) * NS_PER_S), unit="ns", tz="UTC"),
            **about_run(run),
        }
        rows += [about | dict(zip(TIMES, times, strict=True)) for times in times_of(run)]
    return pd.DataFrame(rows, columns=[*REQUIRED, *OPTIONAL])


def parts_text(parts: Parts | None) -> str | None:
    """The parts as a cell of a table: JSON text of an object."""
    return None if parts is None else json.dumps(dict(parts), ensure_ascii=False)


def about_run(run: Observation) -> dict[str, Any]:
    """Column -> value, of those that say one thing of a run in all its rows."""
    number = int(run.label.rpartition(":")[2])
    return {"run": number, "tags": " ".join(run.tags), **{name: getattr(run, name) for name in _OF_RUN}}


def times_of(run: Observation) -> list[tuple[float, ...]]:
    """A row a speed, columns as in `TIMES`; NaN where a time is not known."""
    nothing = np.full(len(run.speed_mps), np.nan)
    times = (run.speed_mps, run.time_s, run.sigma_s, run.corrected_s, run.unlaunched_s)
    return list(zip(*(nothing.tolist() if each is None else each.tolist() for each in times), strict=True))


# --- one run ------------------------------------------------------------------------------------------------------


def _run(drive: str, number: int, rows: pd.DataFrame) -> Observation:
    """The rows of one run as it enters a comparison."""
    name = label(drive, number)
    order = np.argsort(_numbers(rows, "speed_mps", name), kind="stable")
    rows = rows.iloc[order]
    speed, time = _numbers(rows, "speed_mps", name), _numbers(rows, "from_one_foot_s", name)
    sigma = _numbers(rows, "from_one_foot_sigma_s", name)
    if (speed <= 0).any() or (sigma < 0).any():
        raise InputError(f"runs: {name}: speeds must be above zero and standard errors zero or more")
    if (np.diff(speed) <= 0).any():
        raise InputError(f"runs: {name}: two rows have the same speed")
    if (np.diff(time) < 0).any():
        raise InputError(f"runs: {name}: from_one_foot_s must rise with the speed")
    setup = _single(rows, "setup", name)
    parts = _parts(_single(rows, "parts", name), name)
    values = {each: _about(rows, each, name) for each in _OF_RUN}
    return Observation(
        name,
        str(setup) if setup is not None and parts is not None else NO_SETUP,
        parts,
        drive,
        0,
        _start(_single(rows, "start_utc", name), name),
        values["direction_deg"],
        speed,
        time,
        sigma,
        _corrected(rows, "corrected_s", name),
        values["grade_percent"],
        values["headwind_mps"],
        values["wind_mps"],
        values["full_throttle"],
        values["rise_s"],
        values["soft"] == 1,
        values["throttle"],
        _corrected(rows, "unlaunched_s", name),
        _tags(rows, name),
    )


def _numbers(rows: pd.DataFrame, column: str, name: str) -> Floats:
    """A column of finite numbers."""
    try:
        values = np.asarray(rows[column].to_numpy(), np.float64)
    except (TypeError, ValueError) as error:
        raise InputError(f"runs: {name}: {column} holds something that is not a number") from error
    if not np.isfinite(values).all():
        raise InputError(f"runs: {name}: {column} has empty or infinite values. Leave out rows without a time.")
    return values


def _tags(rows: pd.DataFrame, name: str) -> tuple[str, ...]:
    said = _single(rows, "tags", name) if "tags" in rows.columns else None
    return tuple(str(said).split()) if said is not None else ()


def _corrected(rows: pd.DataFrame, column: str, name: str) -> Floats | None:
    """The corrected times; None where the run has none. They may end before the others do."""
    if column not in rows.columns or rows[column].isna().all():
        return None
    told = rows[column].notna().to_numpy()
    values = np.full(len(rows), np.nan)
    values[told] = _numbers(rows[told], column, name)
    if not told[: int(np.flatnonzero(told)[-1]) + 1].all():
        raise InputError(f"runs: {name}: {column} has a gap below its highest speed")
    return values


def _single(rows: pd.DataFrame, column: str, name: str) -> Any:
    """What the run has one of; None where it is not said."""
    import pandas as pd

    values = rows[column].tolist()
    first = values[0]
    unsaid = first is None or (not isinstance(first, str | dict | list) and bool(pd.isna(first)))
    for other in values[1:]:
        if not (other == first or (unsaid and (other is None or bool(pd.isna(other))))):
            raise InputError(f"runs: {name}: {column} has two values, {first!r} and {other!r}. A run has one.")
    return None if unsaid else first


def _about(rows: pd.DataFrame, column: str, name: str) -> float:
    """A number that the run has one of; NaN where it is not known."""
    value = _single(rows, column, name) if column in rows.columns else None
    try:
        return math.nan if value is None else float(value)
    except (TypeError, ValueError) as error:
        raise InputError(f"runs: {name}: {column}: {value!r} is not a number") from error


def _whole(value: Any, name: str) -> int:
    try:
        if int(value) == float(value):
            return int(value)
    except (TypeError, ValueError):
        pass
    raise InputError(f"runs: {name}: run: {value!r} is not a run's number in its drive")


def _start(value: Any, name: str) -> float:
    """Seconds since 1970."""
    import pandas as pd

    try:
        when = pd.Timestamp(value)
    except (TypeError, ValueError) as error:
        raise InputError(f"runs: {name}: start_utc: {value!r} is not a time") from error
    if value is None or pd.isna(when):
        raise InputError(f"runs: {name}: start_utc is missing")
    when = when.tz_localize("UTC") if when.tzinfo is None else when.tz_convert("UTC")
    return float(when.as_unit("ns").value / NS_PER_S)


def _parts(text: Any, name: str) -> Parts | None:
    """The parts of a JSON object; None where none is said."""
    if text is None or text == "":
        return None
    try:
        parts = json.loads(text)
    except (TypeError, ValueError) as error:
        raise InputError(f"runs: {name}: parts: {text!r} is not the JSON text of an object") from error
    if parts is None:
        return None
    if not isinstance(parts, dict):
        raise InputError(f"runs: {name}: parts: {text!r} is not the JSON text of an object")
    return dict(_setup(NO_SETUP, parts, name).parts)


def _setup(name: str, parts: Parts, run: str) -> SetupConfig:
    """A setup of these parts."""
    try:
        return SetupConfig(name=name[:80] or NO_SETUP, parts=dict(parts))
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        where = ".".join(str(each) for each in detail["loc"])
        raise InputError(f"runs: {run}: parts: {where}: {detail['msg']}") from error


# --- drives -------------------------------------------------------------------------------------------------------


def _one_setup_a_drive(runs: Sequence[Observation]) -> None:
    first: dict[str, Observation] = {}
    for run in runs:
        other = first.setdefault(run.drive, run)
        alike = same(run.parts, other.parts) if run.parts and other.parts else run.parts == other.parts
        if not alike or run.setup != other.setup:
            raise InputError(
                f"runs: {run.drive}: two setups, {other.setup!r} ({described(other.parts or {})}) and {run.setup!r} "
                f"({described(run.parts or {})}). A drive has one."
            )


def _outings(runs: Sequence[Observation]) -> tuple[list[Observation], list[Outing]]:
    """The runs with their outings, and a row for each drive, by time."""
    from dataclasses import replace

    by_drive: dict[str, list[Observation]] = {}
    for run in runs:
        by_drive.setdefault(run.drive, []).append(run)
    spans = [(each[0].start_s, max(run.start_s + float(run.time_s[-1]) for run in each)) for each in by_drive.values()]
    numbers = dict(zip(by_drive, outings(spans), strict=True))
    numbered = [replace(run, outing=numbers[run.drive]) for run in runs]
    rows = [
        Outing(
            drive, datetime.fromtimestamp(span[0], UTC), span[1] - span[0], mine[0].setup, mine[0].parts,
            numbers[drive], Weather(), air_of(Weather(), None),
            "afr" if any(math.isfinite(run.full_throttle) for run in mine) else "", (),
            tuple(run.label for run in mine),
        )
        for (drive, mine), span in zip(by_drive.items(), spans, strict=True)
    ]  # fmt: skip
    return numbered, rows
