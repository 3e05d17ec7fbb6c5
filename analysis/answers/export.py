"""The answer of `export`: a drive written for other programs, without the places that stay private.

export_answer(store, store.drive("last"), Path("drive.gpx"), "gpx", rate_hz=1.0)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from analysis.answers.encoding import Answer
from analysis.sharing import privacy, tables, tracks
from analysis.sharing.files import write_whole
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.motion.smoother import Motion
    from analysis.runs.run import Run
    from analysis.sharing.privacy import Rules
    from analysis.store import DriveStore

ExportFormat = Literal["csv", "parquet", "gpx", "geojson"]
ExportSpeed = Literal["mph", "km/h", "m/s"]


class ExportPrivacy(Answer):
    """What was cut out before writing."""

    ends_m: float
    """Both ends of the drive, over this distance [m]."""
    circles: int
    """How many private circles."""
    share_cut: float
    """Share of the receiver's positions that were cut; 0 without a receiver."""
    words: str
    """The rules in words, without a place."""


class ExportAnswer(Answer):
    """A file written of a drive."""

    drive: str
    """The drive's id."""
    path: Path
    """The file."""
    format: ExportFormat
    """What it is."""
    rows: int | None
    """Rows of a CSV or Parquet file; null for a track."""
    points: int | None
    """Points of a track, notes apart; null for a table."""
    bytes: int
    """Size of the file."""
    receiver: bool
    """Whether a GPS receiver is among the drive's sources."""
    private: ExportPrivacy
    """What was cut out before writing."""


def export_answer(
    store: DriveStore,
    drive: AnalysedDrive,
    path: Path | None = None,
    format_: ExportFormat = "csv",
    *,
    rate_hz: float = 10.0,
    ends_m: float | None = None,
    speed_unit: ExportSpeed | None = None,
    force: bool = False,
) -> ExportAnswer:
    """Write a drive as a table or a track.

    Parameters
    ----------
    store : DriveStore
        Its private circles hold for this drive too.
    path : Path, optional
        The file to write; by default the drive's id in the current folder.
    rate_hz : float
        Rows or points a second [Hz], 0.01 to 1000.
    ends_m : float, optional
        How much of both ends of the drive stays private [m]; by default what the recorder's file says, or 300 m.
    speed_unit : {"mph", "km/h", "m/s"}, optional
        Of the speeds in a CSV; by default the car's, m/s without a car. Parquet is always in SI.
    force : bool
        Replace a file that exists.

    Raises
    ------
    InputError
        Where the rate, the ends or the place to write to cannot be used.
    NoAnswer
        Where there is no track: no receiver, or all positions stay private.
    """
    made = exported(store, drive, format_, rate_hz=rate_hz, ends_m=ends_m, speed_unit=speed_unit)
    return ExportAnswer(
        drive=drive.id,
        path=write_whole(path or Path(f"{drive.id}.{format_}"), made.data, force),
        format=format_,
        rows=made.rows,
        points=made.points,
        bytes=len(made.data),
        receiver=made.receiver,
        private=made.private,
    )


@dataclass(frozen=True)
class Exported:
    """A drive as a file for others, before it is written; the fields are those of the answer."""

    data: bytes
    rows: int | None
    points: int | None
    receiver: bool
    private: ExportPrivacy


def exported(
    store: DriveStore, drive: AnalysedDrive, format_: ExportFormat = "csv", *, rate_hz: float = 10.0,
    ends_m: float | None = None, speed_unit: ExportSpeed | None = None,
) -> Exported:  # fmt: skip
    """What `export_answer` writes, made in memory; asked and refused as there."""
    if not (math.isfinite(rate_hz) and 0.01 <= rate_hz <= 1000):
        raise InputError(f"--rate: found {rate_hz:g}, expected 0.01 to 1000 a second")
    rules = privacy.in_force(store.path, [drive.drive], ends_m, [each.drive for each in store.drives])
    receiver = tracks.has_receiver(drive.drive)
    where = privacy.cut(tracks.positions(drive.drive), rules) if receiver else None
    rows = points = None
    if format_ in ("csv", "parquet"):
        motion, runs = _moved(drive)
        table = tables.common_base(drive.drive, rate_hz, rules, motion, runs)
        rows = table.num_rows
        if format_ == "csv":
            # With its mark at the beginning a spreadsheet reads the file as UTF-8.
            unit = speed_unit or (drive.car.units.speed if drive.car else "m/s")
            data = tables.csv_text(table, unit).encode("utf-8-sig")
        else:
            data = tables.parquet_bytes(table)
    else:
        if where is None:
            raise NoAnswer(f"{drive.id}: it has no GPS receiver, so there is no track")
        shown = tracks.thinned(where, rate_hz)
        points = int((~shown.hidden).sum())
        if points == 0:
            raise NoAnswer(f"{drive.id}: all its positions stay private ({rules.said()}), so there is no track")
        write = tracks.gpx_text if format_ == "gpx" else tracks.geojson_text
        data = write(drive.drive, shown).encode("utf-8")
    share = float(where.hidden.mean()) if where is not None and len(where.t_s) else 0.0
    return Exported(data, rows, points, receiver, _private(rules, share))


def _private(rules: Rules, share: float) -> ExportPrivacy:
    return ExportPrivacy(ends_m=rules.ends_m, circles=len(rules.circles), share_cut=share, words=rules.said())


def _moved(drive: AnalysedDrive) -> tuple[Motion | None, list[Run]]:
    """The drive's motion and runs, where it has any."""
    try:
        return drive.motion, drive.table_runs(drive.unit)
    except (InputError, NoAnswer):
        return None, []
