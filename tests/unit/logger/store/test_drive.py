"""Raw rows to tables to a drive folder: one truth from all ways in, and whole on disk under every fault."""

from __future__ import annotations

import json
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import simulate
from airfield_minute import (
    BOOT_S,
    CAR,
    CONFIG,
    CONFIG_TEXT,
    SECOND,
    SETUP,
    START,
    files_in,
    opened,
    pullbook,
    recorded,
)

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.framing import Chunk
from logger.errors import DriveError
from logger.store import capture, drive, making, tables
from logger.store.journal import JournalWriter
from logger.store.presence import Lock
from logger.store.told import GPS_COLUMNS


def test_recording_capture_and_rebuild_give_identical_tables(tmp_path: Path, raw: pa.Table) -> None:
    live = opened(making.close(recorded(tmp_path / "live", raw)))
    capture.write(tmp_path / "drive.jsonl.gz", live.table("raw"))
    config = tmp_path / "recorder.toml"
    config.write_text(CONFIG_TEXT)
    answer = pullbook("import", tmp_path / "drive.jsonl.gz", "--config", config, "--store", tmp_path / "imported")
    imported = drive.open_drive(tmp_path / "imported", answer["drive"])
    rebuilt = drive.rebuild(imported, CONFIG, CONFIG_TEXT)
    for name in ("raw", "gps", "mixture"):
        assert live.table(name).num_rows > 100
        for other in (imported, rebuilt):
            assert other.table(name).equals(live.table(name), check_metadata=True)
            # Not only the same table: the same bytes.
            assert (other.path / f"{name}.parquet").read_bytes() == (live.path / f"{name}.parquet").read_bytes()
    for field in ("clock", "counters", "notes", "gaps", "sources", "started_utc", "remarks"):
        assert getattr(imported.manifest, field) == getattr(live.manifest, field)


def test_tables_hold_what_was_true(tmp_path: Path, driven: tuple[simulate.Truth, Any], raw: pa.Table) -> None:
    truth, _ = driven
    made = drive.write(tmp_path, raw, CONFIG, CONFIG_TEXT, CAR, SETUP, {"temperature_k": 295.0}, origin="x")
    gps, mixture = made.table("gps"), made.table("mixture")
    start_ns = int(START.timestamp()) * SECOND
    t = (gps["time"].cast(pa.int64()).to_numpy() - start_ns) / 1e9
    # Fix times are the receiver's own, to the digit, so the speed is the truth's to its noise of 0.05 m/s.
    assert np.allclose(np.diff(t), 0.1, atol=1e-9)
    assert np.std(gps["speed_mps"].to_numpy() - truth.at(t)) == pytest.approx(0.05, abs=0.01)
    assert gps["valid"].to_pylist() == [True] * gps.num_rows
    # Readings are stamped on arrival: 4 ms of jitter, and the clock's fit to 5 ms.
    afr_t = (mixture["time"].cast(pa.int64()).to_numpy() - start_ns) / 1e9
    arrived = (mixture["mono_ns"].to_numpy() - BOOT_S * 1e9) / 1e9 / (1 + 12e-6)
    assert np.abs(afr_t - arrived).max() < 0.005
    assert np.allclose(mixture["afr"].to_numpy() / 14.7, mixture["lambda"].to_numpy())
    assert mixture["void"].null_count == mixture.num_rows
    assert made.manifest.clock.basis == "gps"
    assert made.manifest.started_utc == pytest.approx(START, abs=timedelta(seconds=0.2))


def test_the_drive_tells_all_that_it_was_made_with(tmp_path: Path, raw: pa.Table) -> None:
    made = drive.write(tmp_path, raw, CONFIG, CONFIG_TEXT, CAR, SETUP, {"temperature_k": 295.0}, origin="x.jsonl")
    found = drive.open_drive(tmp_path, made.id)
    assert found.id == "2026-05-02_091430Z"
    assert found.path == tmp_path / found.id
    assert (found.config, found.config_text) == (CONFIG, CONFIG_TEXT)
    assert (found.car, found.setup) == (CAR, SETUP)
    assert found.kinds == {"gps": "nmea", "mixture": "numbers"}
    assert found.table_names == ["gps", "mixture"]
    manifest = found.manifest
    assert manifest.weather == {"temperature_k": 295.0}
    assert manifest.origin == "x.jsonl"
    assert [note.text for note in manifest.notes] == ["snorkel rattles"]
    assert manifest.notes[0].utc == pytest.approx(START + timedelta(seconds=9), abs=timedelta(seconds=0.01))
    assert [source.rows for source in manifest.sources] == [
        found.table("gps").num_rows,
        found.table("mixture").num_rows,
    ]
    assert manifest.clock.wall_offset_s == pytest.approx(1.7, abs=0.01)
    assert set(manifest.digests) == {"raw.parquet", "gps.parquet", "mixture.parquet", "raw rows"}
    assert not manifest.struck and not manifest.trace and not manifest.gaps and not manifest.remarks


def test_every_column_has_unit_and_description(tmp_path: Path, raw: pa.Table) -> None:
    made = drive.write(tmp_path, raw, CONFIG, CONFIG_TEXT)
    assert made.table("gps").column_names == GPS_COLUMNS
    for name in ("raw", "gps", "mixture"):
        schema = pq.read_schema(made.path / f"{name}.parquet")
        assert schema.metadata[b"program"].startswith(b"pullbook")
        assert schema.metadata[b"schema_version"] == b"1"
        for field in schema:
            assert field.metadata[b"description"]
            assert b"unit" in field.metadata
    units = {field.name: field.metadata[b"unit"] for field in made.table("gps").schema}
    assert (units["speed_mps"], units["lat_deg"], units["alt_m"]) == (b"m/s", b"deg", b"m")
    assert made.table("raw").schema.equals(tables.raw_schema())
    info = pq.ParquetFile(made.path / "raw.parquet").metadata.row_group(0).column(2)
    assert info.compression == "ZSTD"


def test_the_same_rows_give_the_same_bytes_however_they_are_batched(tmp_path: Path, raw: pa.Table) -> None:
    pieces = pa.concat_tables([raw.slice(start, 13) for start in range(0, raw.num_rows, 13)])
    one, two = (drive.write(tmp_path / name, table, CONFIG, CONFIG_TEXT) for name, table in (("a", raw), ("b", pieces)))
    for name in one.manifest.digests:
        assert one.manifest.digests[name] == two.manifest.digests[name]


# --- opening ------------------------------------------------------------------------------------------------------


def test_drives_are_found_by_id_path_start_and_last(tmp_path: Path, raw: pa.Table, real_log: Path) -> None:
    first = drive.write(tmp_path, raw, CONFIG, CONFIG_TEXT)
    pullbook("import", real_log, "--store", tmp_path)
    assert drive.open_drive(tmp_path, first.id).id == first.id
    assert drive.open_drive(Path("elsewhere"), str(first.path)).id == first.id
    assert drive.open_drive(tmp_path, "2026-05").id == first.id
    assert drive.open_drive(tmp_path, "last").id == "2010-04-11_165744Z"  # the one added last
    assert [each.id for each in drive.list_drives(tmp_path)] == ["2010-04-11_165744Z", first.id]


def test_what_is_no_drive(tmp_path: Path, few: pa.Table, caplog: pytest.LogCaptureFixture) -> None:
    for ref, said in (
        ("last", "no drive in this store"),
        ("2026", "no such drive"),
        ("", "no such drive"),
        ("current", "no drive is being recorded"),
    ):
        with pytest.raises(DriveError, match=said) as error:
            drive.open_drive(tmp_path / "empty", ref)
        assert len(str(error.value).splitlines()) == 1
    for name in ("one", "two"):
        shutil.copytree(drive.write(tmp_path / name, few, CONFIG, CONFIG_TEXT).path, tmp_path / f"store/2026-{name}")
    with pytest.raises(DriveError, match="2 drives start like that"):
        drive.open_drive(tmp_path / "store", "2026")
    made = tmp_path / "store" / "2026-one"
    with pytest.raises(DriveError, match="Its tables are gps, mixture"):
        drive.open_drive(tmp_path / "store", "2026-one").table("map")
    (made / "gps.parquet").write_bytes(b"PAR1 no")
    whole = drive.open_drive(tmp_path / "store", "2026-two").table("gps")
    assert drive.open_drive(tmp_path / "store", "2026-one").table("gps").equals(whole)
    assert "pullbook rebuild 2026-one" in caplog.text
    for damage, said in (
        (b"{", "does not describe a drive"),
        (b'{"id": 5}', "does not describe a drive"),
        (b'{"schema_version": 99}', "does not describe a drive"),
    ):
        (made / "drive.json").write_bytes(damage)
        with pytest.raises(DriveError, match=said) as error:
            drive.open_drive(tmp_path / "store", "2026-one")
        assert len(str(error.value).splitlines()) == 1
    (made / "recorder.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(DriveError, match="cannot be read"):
        drive.open_drive(tmp_path / "store", "2026-one")
    (made / "drive.json").unlink()
    with pytest.raises(DriveError, match=r"drive\.json is missing"):
        drive.open_drive(tmp_path / "store", "2026-one")
    assert [each.id for each in drive.list_drives(tmp_path / "store")] == ["2026-two"]


def test_a_drive_of_a_newer_program(tmp_path: Path, few: pa.Table) -> None:
    made = drive.write(tmp_path, few, CONFIG, CONFIG_TEXT)
    manifest = json.loads((made.path / "drive.json").read_text())
    (made.path / "drive.json").write_text(json.dumps({**manifest, "more": {"to": "come"}}))
    kept = drive.open_drive(tmp_path, "last").amend("struck", struck=[])
    assert json.loads((kept.path / "drive.json").read_text())["more"] == {"to": "come"}
    (made.path / "drive.json").write_text(json.dumps({**manifest, "schema_version": 2}))
    with pytest.raises(DriveError, match="newer version"):
        drive.open_drive(tmp_path, made.id)


def test_the_drive_being_recorded_is_read_from_its_journal(tmp_path: Path, raw: pa.Table) -> None:
    making.close(recorded(tmp_path, raw.slice(0, 50), started=START - timedelta(hours=1)))
    with Lock(tmp_path):
        folder = making.begin(tmp_path, CONFIG_TEXT, CAR, SETUP, started=START)
        with pytest.raises(DriveError, match="nothing of this drive is on the disk"):
            drive.open_drive(tmp_path, "current")
        writer = JournalWriter(folder)
        writer.extend(Chunk(*row) for row in capture.rows(raw.slice(0, 400)))
        writer.flush()
        before = files_in(tmp_path)
        current = drive.open_drive(tmp_path, "current")
        assert current.manifest.state == "recording"
        assert current.table("raw").num_rows == 400
        assert current.table("gps").num_rows > 50
        assert (current.setup, current.car) == (SETUP, CAR)
        assert files_in(tmp_path) == before
        with pytest.raises(DriveError, match="still being recorded"):
            current.amend("no", setup=SETUP)
        with pytest.raises(DriveError, match="still being recorded"):
            drive.rebuild(current, CONFIG, CONFIG_TEXT)
        with pytest.raises(DriveError, match="not closed"):
            drive.open_drive(tmp_path, folder.parent.name)
        writer.close()


def test_changes_are_traced(tmp_path: Path, few: pa.Table) -> None:
    made = drive.write(tmp_path, few, CONFIG, CONFIG_TEXT)
    struck = [{"run_start_utc": START, "reason": "missed a gear", "when": START}]
    made = made.amend("setup put right", setup=SETUP).amend("run struck", struck=struck)
    late = {"utc": START, "text": "road was damp", "added": START}
    made = made.amend("note added", notes=[*made.manifest.notes, late], weather={"wind_mps": 2.0})
    made = drive.rebuild(made, CONFIG, CONFIG_TEXT)
    found = drive.open_drive(tmp_path, "last").manifest
    assert [trace.what.split(";")[0].split(" by ")[0] for trace in found.trace] == [
        "setup put right",
        "run struck",
        "note added",
        "rebuilt",
    ]
    assert found.struck[0].reason == "missed a gear"
    assert [note.text for note in found.notes] == ["road was damp"]
    assert found.weather == {"wind_mps": 2.0}
    assert found.setup is not None and found.setup["parts"]["main_jet_mm"] == 1.10
    assert made.setup == SETUP


def test_rebuilding_a_changed_calibration_leaves_raw_alone(tmp_path: Path, raw: pa.Table) -> None:
    made = drive.write(tmp_path, raw, CONFIG, CONFIG_TEXT)
    before = files_in(made.path)
    text = CONFIG_TEXT.replace('"mixture"', '"mixture"\nlatency_s = 0.25').replace(
        '"afr"', '"afr"\n  scale = 2.0\n  unit = "x"'
    )
    again = drive.rebuild(made, parse(text, RecorderConfig, "x"), text)
    after = files_in(made.path)
    assert {name for name in after if after[name] != before[name]} == {"mixture.parquet", "drive.json", "recorder.toml"}
    assert np.allclose(again.table("mixture")["afr"].to_numpy(), 2 * made_afr(raw))
    old, new = made.manifest, again.manifest
    assert old.digests["mixture.parquet"] != new.digests["mixture.parquet"]
    assert old.digests["raw.parquet"] == new.digests["raw.parquet"]
    assert old.digests["mixture.parquet"][:12] in new.trace[0].what
    assert new.added_utc == old.added_utc


def made_afr(raw: pa.Table) -> np.ndarray:
    return np.array([float(data) for _, name, data in capture.rows(raw) if name == "mixture"])


def test_a_source_that_a_new_configuration_lacks_loses_its_table_not_its_bytes(tmp_path: Path, raw: pa.Table) -> None:
    made = drive.write(tmp_path, raw, CONFIG, CONFIG_TEXT)
    text = CONFIG_TEXT[: CONFIG_TEXT.index('\n[[source]]\nname = "mixture"')]
    again = drive.rebuild(made, parse(text, RecorderConfig, "x"), text)
    assert again.table_names == ["gps"]
    assert not (made.path / "mixture.parquet").exists()
    assert any("'mixture' is not in the configuration" in remark for remark in again.manifest.remarks)
    back = drive.rebuild(again, CONFIG, CONFIG_TEXT)
    assert back.manifest.digests["mixture.parquet"] == made.manifest.digests["mixture.parquet"]


def test_raw_bytes_that_were_changed_are_not_built_from(tmp_path: Path, raw: pa.Table) -> None:
    made = drive.write(tmp_path, raw, CONFIG, CONFIG_TEXT)
    pq.write_table(made.table("raw").slice(1), made.path / "raw.parquet")
    with pytest.raises(DriveError, match="it was changed since it was recorded"):
        drive.rebuild(made, CONFIG, CONFIG_TEXT)
