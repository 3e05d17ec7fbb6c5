"""What of a drive and a store goes into a pack.

    whole(drive)                    every file as it is: for oneself
    cut_for_others(drive, rules)    tables without the positions that stay private, and nothing that tells a place

A drive for others has no raw bytes: a receiver's sentences, a board's passing lines and the recorder's own rows hold
positions in too many places to promise that none is left. It has tables, in which positions, heights and courses are
taken out wherever they are not known to be free (`privacy`), and those of its manifest's fields that say nothing of
place, person or computer. Its configuration is written anew: sources and calibrations, without ports, commands and
private circles.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pyarrow as pa
import tomlkit
from pydantic import BaseModel

from analysis.sharing import privacy
from analysis.sharing.tracks import positions
from logger.config.car import CarConfig
from logger.config.reading import load, text_of
from logger.config.recorder import RecorderConfig
from logger.config.targets import TargetsConfig
from logger.errors import DriveError
from logger.store.commit import CONFIG, RAW
from logger.store.disk import no_pipe, said
from logger.store.manifest import MANIFEST, Gap, Manifest, Photo, manifest_bytes
from logger.store.pack import is_store_file
from logger.store.parquet import digest_of, table_bytes
from logger.store.tables import raw_digest

if TYPE_CHECKING:
    from analysis.arrays import Bools
    from analysis.sharing.privacy import Rules
    from logger.store.drive import Drive

Part = TypeVar("Part", bound=BaseModel)

RAW_ROWS = "raw rows"
_PLACES = ("lat_deg", "lon_deg", "alt_m", "geoid_m", "course_deg")
_TOLD = {
    "id", "state", "added_utc", "started_utc", "ended_utc", "duration_s", "counters", "rows", "car", "setup", "fuel",
    "schema_version", "program",
}  # fmt: skip
"""Fields of a manifest that go to others as they are."""


def whole(drive: Drive) -> dict[str, bytes]:
    """All files of a drive, as they are. DriveError where one is missing, or is not what was written."""
    names = [MANIFEST, CONFIG, RAW, *(f"{name}.parquet" for name in drive.table_names)]
    names += [each.file for each in drive.manifest.photos if each.file]
    if not (drive.path / RAW).exists() and drive.manifest.cut:
        names.remove(RAW)
    digests = {**drive.manifest.digests, **{each.file: each.digest for each in drive.manifest.photos if each.file}}
    files = {}
    for name in dict.fromkeys(names):
        data = _bytes_of(drive, name)
        if name in digests and name != MANIFEST and digest_of(data) != digests[name]:
            mend = "" if name.startswith("photo-") or name == RAW else f". `pullbook rebuild {drive.id}` makes it again"
            raise DriveError(f"{drive.id}: {name} has changed since it was written (its digest differs){mend}")
        files[name] = data
    # Under its folder's name, which the owner may have changed.
    files[MANIFEST] = manifest_bytes(drive.manifest)
    return files


def cut_for_others(drive: Drive, rules: Rules) -> tuple[dict[str, bytes], float]:
    """The files of a drive for others, and the share of the receiver's positions that was cut.

    DriveError where a table cannot be read.
    """
    tables, share = {}, 0.0
    for name in drive.table_names:
        table = drive.table(name)
        if drive.kinds.get(name) == "nmea":
            table, share_here = _without_hidden(drive, name, table, rules)
            share = max(share, share_here)
        else:
            table = _blank(table, [each for each in table.column_names if privacy.tells_place(each)])
        tables[f"{name}.parquet"] = table_bytes(table)
    photos, files = _photos_for_others(drive)
    manifest = _manifest_for_others(drive, photos, {name: digest_of(data) for name, data in tables.items()}, rules)
    config = {CONFIG: _config_for_others(drive.config).encode(), MANIFEST: manifest_bytes(manifest)}
    return {**config, **tables, **files}, share


def store_files(store: Path, newest: CarConfig | None, *, everything: bool) -> Iterator[tuple[str, bytes]]:
    """The store's files: all of them as they are; for others the car's and the targets', without comments."""
    if everything:
        for path in sorted(store.glob("*.toml")):
            if path.is_file() and is_store_file(path.name):
                yield path.name, text_of(path).encode()
        return
    if newest is not None:
        yield "car.toml", _toml(newest).encode()
    if (store / "targets.toml").is_file() and (told := _toml(load(store / "targets.toml", TargetsConfig))):
        yield "targets.toml", told.encode()


# --- tables -------------------------------------------------------------------------------------------------------


def _without_hidden(drive: Drive, name: str, table: pa.Table, rules: Rules) -> tuple[pa.Table, float]:
    """A receiver's table with positions at those fixes only that are known to be free, and the share cut."""
    where = privacy.cut(positions(drive, name), rules)
    free = np.zeros(table.num_rows, bool)
    free[where.row[~where.hidden]] = True
    share = float(where.hidden.mean()) if len(where.hidden) else 0.0
    return _blank(table, _PLACES, ~free), share


def _blank(table: pa.Table, names: Any, rows: Bools | None = None) -> pa.Table:
    """The table with columns emptied, wholly or in some rows."""
    import pyarrow.compute as pc

    for name in names:
        at = table.column_names.index(name)
        field, column = table.schema.field(at), table.column(at)
        none = pa.scalar(None, field.type)
        emptied = pa.nulls(table.num_rows, field.type) if rows is None else pc.if_else(pa.array(rows), none, column)
        table = table.set_column(at, field, emptied)
    return table


# --- manifest and configuration -----------------------------------------------------------------------------------


def _manifest_for_others(drive: Drive, photos: list[Photo], digests: dict[str, str], rules: Rules) -> Manifest:
    was = drive.manifest
    identity = was.digests.get(RAW_ROWS) or raw_digest(drive.table("raw"))
    weather = {key: value for key, value in (was.weather or {}).items() if key in _WEATHER} or None
    return Manifest(
        **{name: getattr(was, name) for name in _TOLD},
        **{name: [_known(each) for each in getattr(was, name)] for name in ("notes", "struck", "tags")},
        sources=[_known(each).model_copy(update={"port": None}) for each in was.sources],
        clock=_known(was.clock),
        weather=weather,
        gaps=[Gap(source=each.source, start_utc=each.start_utc, end_utc=each.end_utc) for each in was.gaps],
        remarks=[each for each in was.remarks if each not in was.found],
        photos=[_known(each) for each in photos],
        cut=f"positions cut: {rules.said()}; without its raw bytes",
        digests={**digests, RAW_ROWS: identity},
    )


def _known(part: Part) -> Part:
    """A part of a manifest with the fields that this program knows: a newer one's may tell of places."""
    return type(part)(**{name: getattr(part, name) for name in type(part).model_fields})


_WEATHER = {
    "temperature_c", "pressure_hpa", "humidity_percent", "wind_mps", "wind_from_deg", "gust_mps", "elevation_m",
}  # fmt: skip
"""Without its source: a station's name tells a place."""


def _photos_for_others(drive: Drive) -> tuple[list[Photo], dict[str, bytes]]:
    """The photographs that are shown, painted anew, and their files."""
    from analysis.sharing.pictures import for_others, photo_bytes

    photos, files = [], {}
    for each in drive.manifest.photos:
        if each.away:
            continue
        if each.file is not None:
            data = for_others(photo_bytes(drive, each), f"{drive.id}: {each.file}")
            digest = digest_of(data)
            each = each.model_copy(update={"file": f"photo-{digest[:12]}.jpg", "digest": digest})
            files[str(each.file)] = data
        photos.append(each)
    return photos, files


def _bytes_of(drive: Drive, name: str) -> bytes:
    try:
        return no_pipe(drive.path / name).read_bytes()
    except OSError as error:
        raise DriveError(f"{drive.path / name}: cannot be read: {said(error)}") from error


def _config_for_others(config: RecorderConfig) -> str:
    told = config.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
    sources = [{key: value for key, value in each.items() if key not in ("port", "on_open")} for each in told["source"]]
    return tomlkit.dumps({"source": sources})


def _toml(model: BaseModel) -> str:
    return tomlkit.dumps(model.model_dump(mode="json", exclude_none=True, exclude_defaults=True))
