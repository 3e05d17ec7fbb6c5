"""Raw rows to tables to a drive folder: one truth from all ways in, and whole on disk under every fault."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import simulate
from faulty_disk import FaultyDisk, PowerCut, each_fault
from hypothesis import given, settings
from hypothesis import strategies as st
from rig import nmea
from typer.testing import CliRunner

from logger.cli import drives as cli
from logger.config.car import CarConfig
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.decode import events
from logger.decode.framing import Chunk
from logger.errors import DriveError, InputError, NoAnswer
from logger.store import capture, drive, folders, journal, making, recovery, tables
from logger.store.disk import Disk
from logger.store.journal import SCHEMA, JournalWriter
from logger.store.presence import Lock

CONFIG_TEXT = """\
[[source]]
name = "gps"
kind = "nmea"

[[source]]
name = "mixture"
kind = "numbers"
  [[source.column]]
  channel = "afr"
"""
CONFIG = parse(CONFIG_TEXT, RecorderConfig, "recorder.toml")
SECOND = 10**9
START = datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC)
BOOT_S = 1843.5
CAR = parse('[car]\nname = "Wren"\nmass_kg = 392.0\ncooling = "air"\n', CarConfig, "car")
SETUP = parse(
    'name = "baseline"\ndate = 2026-05-02\n[parts]\nmain_jet_mm = 1.10\nsnorkel = "long"\n', SetupConfig, "setup"
)


def table_of(chunks: list[Any]) -> pa.Table:
    """Raw rows from anything with mono_ns, source and data."""
    columns = [[c.mono_ns for c in chunks], [c.source for c in chunks], [c.data for c in chunks]]
    return pa.table(
        [pa.array(column, field.type) for column, field in zip(columns, SCHEMA, strict=True)], schema=SCHEMA
    )


@pytest.fixture(scope="module")
def driven() -> tuple[simulate.Truth, list[simulate.HostChunk]]:
    """A minute on the airfield and what arrived of it, the recorder's events included."""
    rng = np.random.default_rng(7)
    script = [
        simulate.Stand(6),
        simulate.Pull(18.0, launch="bite"),
        simulate.Lift(9.0),
        simulate.Brake(0),
        simulate.Stand(6),
    ]
    truth = simulate.drive(simulate.WREN, script)
    said = [
        events.at(int((BOOT_S - 0.5) * SECOND), "2026-05-02T09:14:31.200+00:00", "wall"),
        events.at(int((BOOT_S + 9) * SECOND), "2026-05-02T09:14:40.700+00:00", "note", text="snorkel rattles"),
        events.at(int((BOOT_S + 60) * SECOND), "2026-05-02T09:15:31.700+00:00", "ended", why="asked to stop"),
    ]
    chunks = simulate.host_chunks(
        truth,
        simulate.receive(truth, rng),
        simulate.sense(truth, simulate.mixture_of(), rng),
        rng,
        START,
        BOOT_S,
        extra=[simulate.HostChunk(*chunk) for chunk in said],
    )
    return truth, chunks


@pytest.fixture(scope="module")
def raw(driven: tuple[simulate.Truth, list[simulate.HostChunk]]) -> pa.Table:
    return table_of(driven[1])


@pytest.fixture(scope="module")
def few(raw: pa.Table) -> pa.Table:
    """So few rows that hundreds of drives are made of them in seconds."""
    return raw.slice(0, 60)


def recorded(store: Path, raw: pa.Table, batches: int = 5, started: datetime = START) -> Path:
    """A journal as the recorder leaves it; gives the drive's folder."""
    folder = making.begin(store, CONFIG_TEXT, CAR, SETUP, started=started)
    writer = JournalWriter(folder)
    size = -(-raw.num_rows // batches)
    for start in range(0, raw.num_rows, size):
        writer.extend(Chunk(*row) for row in capture.rows(raw.slice(start, size)))
        writer.flush()
    writer.close()
    return folder.parent


def opened(path: Path | None) -> drive.Drive:
    assert path is not None
    return drive.open_folder(path)


def files_in(path: Path) -> dict[str, bytes]:
    return {str(file.relative_to(path)): file.read_bytes() for file in sorted(path.rglob("*")) if file.is_file()}


def seen_in(store: Path) -> list[str]:
    return sorted(path.name for path in store.iterdir() if not path.name.startswith("."))


# --- one truth from all ways in -----------------------------------------------------------------------------------


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
    assert made.table("gps").column_names == tables.GPS_COLUMNS
    for name in ("raw", "gps", "mixture"):
        schema = pq.read_schema(made.path / f"{name}.parquet")
        assert schema.metadata[b"program"].startswith(b"pullbook")
        assert schema.metadata[b"schema_version"] == b"1"
        for field in schema:
            assert field.metadata[b"description"]
            assert b"unit" in field.metadata
    units = {field.name: field.metadata[b"unit"] for field in made.table("gps").schema}
    assert (units["speed_mps"], units["lat_deg"], units["alt_m"]) == (b"m/s", b"deg", b"m")
    assert made.table("raw").schema.equals(tables.RAW_SCHEMA)
    info = pq.ParquetFile(made.path / "raw.parquet").metadata.row_group(0).column(2)
    assert info.compression == "ZSTD"


def test_the_same_rows_give_the_same_bytes_however_they_are_batched(tmp_path: Path, raw: pa.Table) -> None:
    pieces = pa.concat_tables([raw.slice(start, 13) for start in range(0, raw.num_rows, 13)])
    one, two = (drive.write(tmp_path / name, table, CONFIG, CONFIG_TEXT) for name, table in (("a", raw), ("b", pieces)))
    for name in one.manifest.digests:
        assert one.manifest.digests[name] == two.manifest.digests[name]


# --- what receivers and computers do ------------------------------------------------------------------------------


def burst(mono_s: float, clock: str, day: str = "020526", valid: str = "A", knots: str = "10.0") -> Chunk:
    text = simulate.sentence(f"GPRMC,{clock},{valid},5212.3456,N,00012.3456,E,{knots},90.0,{day},,,A")
    return Chunk(round(mono_s * SECOND), "gps", text.encode() + b"\r\n")


def wall(mono_s: float, utc: str, kind: str = "wall", **more: Any) -> Chunk:
    return events.at(round(mono_s * SECOND), utc, kind, **more)


def clock_text(second: int) -> str:
    return f"{second // 3600 % 24:02d}{second // 60 % 60:02d}{second % 60:02d}.00"


def times_of(table: pa.Table) -> list[float]:
    """Seconds after START's midnight."""
    midnight = int(datetime(2026, 5, 2, tzinfo=UTC).timestamp())
    return [value / 1e9 - midnight for value in table["time"].cast(pa.int64()).to_pylist()]


def built_of(*chunks: Chunk, config: RecorderConfig = CONFIG) -> tables.Built:
    return tables.build(table_of(sorted(chunks, key=lambda chunk: chunk.mono_ns)), config)


def readings(start: float, stop: float, step: float = 0.5) -> list[Chunk]:
    return [Chunk(round(t * SECOND), "mixture", b"14.7\r\n") for t in np.arange(start, stop, step)]


def test_midnight() -> None:
    first = 86400 - 30
    days = ["020526"] * 30 + ["030526"] * 30
    built = built_of(*(burst(100.1 + k, clock_text(first + k), day) for k, day in enumerate(days)), *readings(100, 160))
    assert times_of(built.tables["gps"]) == [first + k for k in range(60)]
    assert times_of(built.tables["mixture"]) == pytest.approx([first + k / 2 for k in range(120)], abs=1e-6)


def test_rows_before_a_late_fix_get_utc_all_the_same() -> None:
    blank = [
        Chunk(round((10.1 + k) * SECOND), "gps", (simulate.sentence("GPRMC,,V,,,,,,,,,,N") + "\r\n").encode())
        for k in range(600)
    ]
    fixed = [burst(610.1 + k, clock_text(33270 + 600 + k)) for k in range(120)]
    built = built_of(*blank, *fixed, *readings(5, 730, 1.0))
    assert times_of(built.tables["mixture"]) == pytest.approx([33270 - 5 + k for k in range(725)], abs=0.01)
    gps = built.tables["gps"]
    assert gps.num_rows == 720
    assert times_of(gps) == pytest.approx([33270 + k for k in range(720)], abs=0.01)
    assert gps["valid"].to_pylist() == [False] * 600 + [True] * 120
    assert built.clock["basis"] == "gps"


def test_a_drive_without_gps_has_the_wall_clock() -> None:
    built = built_of(wall(10, "2026-05-02T09:14:30+00:00"), *readings(10, 60), wall(70, "2026-05-02T09:15:30+00:00"))
    assert built.clock["basis"] == "wall"
    assert times_of(built.tables["mixture"])[0] == pytest.approx(33270, abs=1e-6)
    assert any("no GPS time" in remark for remark in built.remarks)
    assert any("nothing came from source 'gps'" in remark for remark in built.remarks)


def test_a_drive_without_any_clock_counts_from_1970() -> None:
    built = built_of(*readings(10, 20))
    assert built.clock["basis"] == "none"
    assert built.started_utc_ns == 0
    assert any("1970" in remark for remark in built.remarks)


def test_a_receiver_that_tells_no_date_has_that_of_the_wall_clock() -> None:
    """GGA alone; the wall clock is hours off and on the other side of midnight."""
    fixes = []
    for k in range(60):
        body = f"GPGGA,{clock_text(86400 - 30 + k)},5212.3456,N,00012.3456,E,1,08,0.9,54.0,M,46.9,M,,"
        fixes.append(Chunk(round((100.1 + k) * SECOND), "gps", (simulate.sentence(body) + "\r\n").encode()))
    built = built_of(wall(100, "2026-05-03T02:00:00+00:00"), *fixes)
    assert times_of(built.tables["gps"]) == [86400 - 30 + k for k in range(60)]
    assert any("no sentence of 'gps' tells a date" in remark for remark in built.remarks)
    undated = built_of(*fixes)
    assert undated.started_utc_ns == pytest.approx((86400 - 30) * SECOND, abs=SECOND)
    assert any("counted from 1970-01-01" in remark for remark in undated.remarks)


def test_a_computer_that_slept_leaves_a_gap_and_right_times() -> None:
    """Linux: the clock runs on. Elsewhere it stands still for the 300 s."""
    for stands_still in (False, True):
        later = 0 if stands_still else 300
        chunks = [
            *(burst(100.1 + k, clock_text(33270 + k)) for k in range(120)),
            *(burst(220.1 + later + k, clock_text(33270 + 420 + k)) for k in range(120)),
            wall(100, "2026-05-02T09:14:30+00:00"),
            wall(219.99 + later, "2026-05-02T09:21:30+00:00", "resumed", slept_s=300.0),
            *readings(100, 219.8),
            *readings(220.0 + later, 340 + later),
        ]
        built = built_of(*chunks)
        told = times_of(built.tables["mixture"])
        assert told == pytest.approx(
            [33270 + k / 2 for k in range(240)] + [33690 + k / 2 for k in range(240)], abs=0.005
        )
        (gap,) = built.gaps
        assert gap["why"] == "the computer slept"
        ends = datetime.fromisoformat(gap["end_utc"]) - datetime.fromisoformat(gap["start_utc"])
        assert ends.total_seconds() == pytest.approx(300.5, abs=0.6)


def test_a_source_that_was_lost_leaves_a_gap() -> None:
    chunks = [
        *(burst(100.1 + k, clock_text(33270 + k)) for k in range(120)),
        *readings(100, 130),
        wall(131, "2026-05-02T09:15:01+00:00", "lost", source="mixture", why="unplugged"),
        wall(150, "2026-05-02T09:15:20+00:00", "found", source="mixture", port="/dev/ttyUSB1"),
        *readings(150.5, 200),
        wall(201, "2026-05-02T09:16:11+00:00", "lost", source="mixture", why="unplugged again"),
    ]
    built = built_of(*chunks)
    gaps = [(gap["source"], gap["why"], gap["start_utc"][:19], gap["end_utc"][:19]) for gap in built.gaps]
    assert gaps == [
        ("mixture", "unplugged", "2026-05-02T09:15:01", "2026-05-02T09:15:20"),
        ("mixture", "unplugged again", "2026-05-02T09:16:11", "2026-05-02T09:16:29"),
    ]
    assert built.sources[1]["port"] == "/dev/ttyUSB1"


def test_a_line_cut_by_the_loss_of_its_port_is_no_reading() -> None:
    built = built_of(
        *(burst(100.1 + k, clock_text(33270 + k)) for k in range(20)),
        Chunk(100 * SECOND, "mixture", b"14.7\r\n1"),
        wall(101, "2026-05-02T09:14:31+00:00", "lost", source="mixture"),
        wall(103, "2026-05-02T09:14:33+00:00", "found", source="mixture"),
        Chunk(104 * SECOND, "mixture", b"4.7\r\n"),
    )
    assert built.tables["mixture"]["afr"].to_pylist() == [14.7, 4.7]
    assert built.sources[1]["rejected"] == {"cut off": 1}


def test_fields_that_a_receiver_left_unusable_are_counted() -> None:
    sound = [burst(100.1 + k, clock_text(33270 + k)) for k in range(3)]
    wild = Chunk(104 * SECOND, "gps", nmea("GPVTG,84.4,T,,M,9999.0,N,,K,A"))
    built = built_of(*sound, wild)
    assert built.sources[0]["void_fields"] == {"speed impossible": 1}
    assert built.sources[0]["rejected"] == {}


def test_two_receivers_have_one_clock() -> None:
    text = CONFIG_TEXT + '[[source]]\nname = "gps2"\nkind = "nmea"\nlatency_s = 0.3\n'
    config = parse(text, RecorderConfig, "two")
    chunks = [burst(100.1 + k, clock_text(33270 + k)) for k in range(60)]
    second = [Chunk(c.mono_ns + SECOND // 5, "gps2", c.data) for c in chunks[:40]]
    built = built_of(*chunks, *second, config=config)
    assert built.clock["source"] == "gps"
    assert times_of(built.tables["gps2"]) == times_of(built.tables["gps"])[:40]


def test_a_source_that_the_configuration_lacks_is_kept_and_told(tmp_path: Path) -> None:
    chunks = [*(burst(100.1 + k, clock_text(33270 + k)) for k in range(20)), Chunk(101 * SECOND, "board", b"1,2\n")]
    made = drive.write(tmp_path, table_of(chunks), CONFIG, CONFIG_TEXT)
    assert any("'board' is not in the configuration" in remark for remark in made.manifest.remarks)
    assert made.table_names == ["gps", "mixture"]
    assert "board" in made.table("raw")["source"].to_pylist()
    assert [source.kind for source in made.manifest.sources] == ["nmea", "numbers", None]


def test_damaged_events_are_passed_over() -> None:
    odd = [
        b"",
        b"{",
        b"[]",
        b'{"event": 5}',
        b'{"utc": "x", "event": "wall"}',
        b"[" * 10_000,
        b'{"event": "found", "source": []}',
    ]
    built = built_of(*(Chunk(SECOND * k, "_recorder", data) for k, data in enumerate(odd)), *readings(1, 5))
    assert built.tables["mixture"].num_rows == 8


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 2**53),
            st.sampled_from(["gps", "mixture", "_recorder", "other"]),
            st.one_of(
                st.binary(max_size=60),
                st.sampled_from([burst(1, "091430.00").data, burst(1, "235960.00", "311216").data, b"14.7\r\n"]),
                st.builds(
                    lambda kind, utc, source: events.at(0, utc, kind, source=source).data,
                    st.sampled_from(["wall", "lost", "found", "note", "resumed"]),
                    st.sampled_from(["2026-05-02T09:14:30", "0001-01-01", "9999-12-31T23:59:59", "x"]),
                    st.sampled_from(["gps", "other"]),
                ),
            ),
        ),
        max_size=30,
    )
)
def test_any_rows_are_built_into_tables(told: list[tuple[int, str, bytes]]) -> None:
    built = tables.build(table_of([Chunk(*row) for row in told]), CONFIG)
    assert list(built.tables) == ["gps", "mixture"]
    assert built.counters["chunks"] == sum(name != "_recorder" for _, name, _ in told)


def test_the_real_log_is_imported_with_all_its_epochs(tmp_path: Path, real_log: Path) -> None:
    answer = pullbook("import", real_log, "--store", tmp_path)
    made = drive.open_drive(tmp_path, "last")
    # Counted apart from the program: every RMC with status A has its own time, 2 s apart but for two gaps.
    rmc = [line.split(",") for line in real_log.read_text("latin-1").splitlines() if line.startswith("$GPRMC")]
    told = [f[1] for f in rmc if f[2] == "A"]
    gps = made.table("gps")
    valid = gps.filter(gps["valid"])
    assert [f"{t:%H%M%S}" for t in valid["time"].to_pylist()] == told
    assert gps.num_rows == len(rmc) == answer["rows"]["gps"]
    assert answer["rejected"] == {"gps": 0}
    assert answer["duration_s"] == 1576
    knots = [float(f[7]) for f in rmc if f[2] == "A"]
    assert np.allclose(valid["speed_mps"].to_numpy(), np.array(knots) * 1852 / 3600)


# --- whole on disk ------------------------------------------------------------------------------------------------


def whole(store: Path, raw: pa.Table) -> drive.Drive | None:
    """The one drive of the store, checked byte for byte against its digests and rows; None where there is none."""
    drives = drive.list_drives(store)
    if not drives:
        return None
    (made,) = drives
    assert [row.as_py() for row in made.table("raw")["data"]] == [row.as_py() for row in raw["data"]]
    for name, digest in made.manifest.digests.items():
        if name != "raw rows":
            assert sha256(made.path / name) == digest
    assert made.table("gps").num_rows == made.manifest.rows["gps"]
    assert {path.name for path in made.path.glob("*.parquet")} == {
        f"{name}.parquet" for name in ["raw", *made.table_names]
    }
    return made


def sha256(path: Path) -> str:
    import hashlib

    return hashlib.sha256(path.read_bytes()).hexdigest()


def attempt(what: Callable[[], Any]) -> str:
    try:
        what()
    except PowerCut:
        return "went off"
    except (DriveError, OSError):
        return "refused"
    return "done"


every = pytest.mark.parametrize("step", [5, pytest.param(1, marks=pytest.mark.long)])
"""The faults of every fifth operation, or, at length, of each."""


def each_attempt(
    tmp_path: Path,
    prepared: Path,
    step: int,
    what: Callable[[Path, FaultyDisk], Any],
    check: Callable[[Path, str], None],
) -> int:
    """Do `what` to a copy of a store with a fault at operation after operation, and `check` what is there after it.

    Gives how many operations the faults reached.
    """
    passes = 0
    for passes, disk in enumerate(each_fault(step=step), 1):
        store = tmp_path / str(passes)
        shutil.copytree(prepared, store)
        check(store, attempt(lambda store=store, disk=disk: what(store, disk)))  # type: ignore[misc]
        shutil.rmtree(store)
    return passes * step


@every
def test_an_import_is_there_whole_or_not_at_all(tmp_path: Path, few: pa.Table, step: int) -> None:
    (tmp_path / "store").mkdir()

    def check(store: Path, outcome: str) -> None:
        made = whole(store, few)
        assert made is not None or outcome != "done"
        assert len(seen_in(store)) == (made is not None)  # nothing half made is seen
        again = drive.find_raw(store, few) or drive.write(store, few, CONFIG, CONFIG_TEXT)
        assert whole(store, few) is not None and again.id == "2026-05-02_091430Z"

    def write(store: Path, disk: FaultyDisk) -> drive.Drive:
        return drive.write(store, few, CONFIG, CONFIG_TEXT, disk=disk)

    assert each_attempt(tmp_path, tmp_path / "store", step, write, check) > 60


@every
def test_closing_leaves_the_journal_or_the_drive_whole(tmp_path: Path, few: pa.Table, step: int) -> None:
    recorded(tmp_path / "store", few)

    def check(store: Path, outcome: str) -> None:
        made = whole(store, few)
        assert made is not None or outcome != "done"
        journals = folders.unfinished(store)
        if made is None:
            (path,) = journals
            assert journal.read(path / "journal").raw.num_rows == few.num_rows
        found = recovery.recover(store)
        assert [each.failed for each in found] == [False] * len(journals)
        made = whole(store, few)
        assert made is not None and (made.car, made.setup) == (CAR, SETUP)
        assert not folders.unfinished(store) and seen_in(store) == [made.id]
        assert set(files_in(made.path)) == {
            "drive.json",
            "recorder.toml",
            "raw.parquet",
            "gps.parquet",
            "mixture.parquet",
        }

    def close(store: Path, disk: FaultyDisk) -> Path | None:
        return making.close(folders.unfinished(store)[0], disk=disk)

    assert each_attempt(tmp_path, tmp_path / "store", step, close, check) > 60


@every
def test_rebuilding_leaves_the_old_tables_or_the_new_ones(tmp_path: Path, few: pa.Table, step: int) -> None:
    drive.write(tmp_path / "store", few, CONFIG, CONFIG_TEXT)
    changed_text = CONFIG_TEXT.replace('channel = "afr"', 'channel = "afr"\n  offset = 0.5')
    changed = parse(changed_text, RecorderConfig, "changed")
    before = files_in(drive.open_drive(tmp_path / "store", "last").path)

    def check(store: Path, outcome: str) -> None:
        made = whole(store, few)
        assert made is not None
        if made.config == CONFIG:
            assert outcome != "done"
            assert files_in(made.path).items() >= before.items()
        else:
            assert made.table("mixture")["afr"][0].as_py() == pytest.approx(first_afr(few) + 0.5)
            assert len(made.manifest.trace) == 1
        assert files_in(made.path)["raw.parquet"] == before["raw.parquet"]

    def rebuild(store: Path, disk: FaultyDisk) -> drive.Drive:
        return drive.rebuild(drive.open_drive(store, "last"), changed, changed_text, disk=disk)

    assert each_attempt(tmp_path, tmp_path / "store", step, rebuild, check) > 60


def first_afr(raw: pa.Table) -> float:
    return next(float(data) for _, name, data in capture.rows(raw) if name == "mixture")


@every
def test_amending_leaves_the_old_manifest_or_the_new_one(tmp_path: Path, few: pa.Table, step: int) -> None:
    drive.write(tmp_path / "store", few, CONFIG, CONFIG_TEXT)

    def check(store: Path, outcome: str) -> None:
        made = whole(store, few)
        assert made is not None
        assert (made.setup == SETUP) == bool(made.manifest.trace)
        assert made.setup == SETUP or outcome != "done"

    def amend(store: Path, disk: FaultyDisk) -> drive.Drive:
        return drive.open_drive(store, "last").amend("setup put right", disk, setup=SETUP)

    assert each_attempt(tmp_path, tmp_path / "store", step, amend, check) > 20


@every
def test_beginning_a_drive_makes_it_whole_or_not_at_all(tmp_path: Path, few: pa.Table, step: int) -> None:
    (tmp_path / "store").mkdir()

    def check(store: Path, outcome: str) -> None:
        for path in folders.unfinished(store):  # a journal that is there can be recovered
            writer = JournalWriter(path / "journal")
            writer.extend(Chunk(*row) for row in capture.rows(few))
            writer.close()
        assert outcome != "done" or seen_in(store)
        recovery.recover(store)
        assert (whole(store, few) is not None) == bool(seen_in(store))

    def begin(store: Path, disk: FaultyDisk) -> Path:
        return making.begin(store, CONFIG_TEXT, CAR, SETUP, started=START, disk=disk)

    assert each_attempt(tmp_path, tmp_path / "store", step, begin, check) > 30


# --- closing and recovering ---------------------------------------------------------------------------------------


def test_a_torn_journal_is_recovered_and_says_what_is_missing(tmp_path: Path, raw: pa.Table) -> None:
    path = recorded(tmp_path, raw, batches=10)
    (segment,) = (path / "journal").glob("*.arrows")
    data = segment.read_bytes()
    segment.write_bytes(data[: len(data) - 100] + bytes(300))
    (found,) = recovery.recover(tmp_path)
    made = opened(found.path)
    assert made.manifest.state == "recovered"
    assert "bytes of the journal belong to no whole flush" in found.said
    for built in (made, drive.rebuild(made, CONFIG, CONFIG_TEXT)):
        assert any("belong to no whole flush" in remark for remark in built.manifest.remarks)
    size = -(-raw.num_rows // 10)
    kept = made.table("raw")
    assert kept.num_rows == raw.num_rows - (raw.num_rows - 9 * size)
    assert kept["data"].to_pylist() == raw["data"].to_pylist()[: kept.num_rows]
    assert recovery.recover(tmp_path) == []


def test_a_missing_flush_in_the_middle_is_told(tmp_path: Path, raw: pa.Table) -> None:
    path = recorded(tmp_path, raw, batches=10)
    (segment,) = (path / "journal").glob("*.arrows")
    data = bytearray(segment.read_bytes())
    data[len(data) // 2] ^= 1
    segment.write_bytes(data)
    (found,) = recovery.recover(tmp_path)
    assert "Missing in the middle: 1 flush." in found.said


def test_a_journal_without_a_byte_is_cleared_away(tmp_path: Path) -> None:
    making.begin(tmp_path, CONFIG_TEXT)
    (found,) = recovery.recover(tmp_path)
    assert found.path is None and not found.failed and "before a byte was safe" in found.said
    assert seen_in(tmp_path) == []


def test_clearing_a_journal_away_spares_what_another_process_made(tmp_path: Path, few: pa.Table) -> None:
    """It was read as empty, and in that moment another one finished it."""
    made = drive.write(tmp_path, few, CONFIG, CONFIG_TEXT)
    before = files_in(made.path)
    making.clear_empty(made.path, journal.Journal(few, 0, 0, 0), Disk())
    assert files_in(made.path) == before
    with pytest.raises(DriveError, match="no journal"):
        making.close(tmp_path / "gone")


def test_a_journal_of_damaged_bytes_is_set_aside_not_removed(tmp_path: Path) -> None:
    folder = making.begin(tmp_path, CONFIG_TEXT)
    (folder / "000001.arrows").write_bytes(b"damaged" * 100)
    (found,) = recovery.recover(tmp_path)
    assert found.path is None and "set aside" in found.said
    assert seen_in(tmp_path) == []
    assert [path.read_bytes() for path in tmp_path.rglob("*.arrows")] == [b"damaged" * 100]
    assert recovery.recover(tmp_path) == []


@pytest.mark.parametrize("lost", ["about.json", "recorder.toml"])
def test_one_of_the_journals_two_descriptions_is_enough(tmp_path: Path, raw: pa.Table, lost: str) -> None:
    path = recorded(tmp_path, raw)
    (path / "journal" / lost).write_bytes(b"\0" * 50)
    (found,) = recovery.recover(tmp_path)
    made = opened(found.path)
    assert made.config == CONFIG
    if lost == "about.json":
        assert made.setup is None
        assert any("about.json" in remark for remark in made.manifest.remarks)
    else:
        assert made.setup == SETUP


def test_without_any_description_the_journal_stays(tmp_path: Path, raw: pa.Table) -> None:
    path = recorded(tmp_path, raw)
    for name in ("about.json", "recorder.toml"):
        (path / "journal" / name).write_bytes(b"\0" * 50)
    (found,) = recovery.recover(tmp_path)
    assert found.failed and "put the recorder's file there" in found.said
    assert journal.read(path / "journal").raw.num_rows == raw.num_rows
    with pytest.raises(DriveError, match="recover"):
        drive.open_drive(tmp_path, path.name)
    (path / "journal" / "recorder.toml").write_text(CONFIG_TEXT)
    (found,) = recovery.recover(tmp_path)
    made = opened(found.path)
    assert made.table("raw").num_rows == raw.num_rows


def test_a_drive_is_named_by_the_best_clock(tmp_path: Path, raw: pa.Table) -> None:
    """The laptop's battery was dead: it said 2001."""
    path = recorded(tmp_path, raw, started=datetime(2001, 1, 1, tzinfo=UTC))
    assert path.name == "2001-01-01_000000Z"
    made = opened(making.close(path))
    assert made.id == "2026-05-02_091430Z"
    assert seen_in(tmp_path) == [made.id]


def test_drives_of_one_second_have_names_of_their_own(tmp_path: Path, few: pa.Table) -> None:
    made = [drive.write(tmp_path, few, CONFIG, CONFIG_TEXT).id for _ in range(3)]
    begun = [making.begin(tmp_path, CONFIG_TEXT, started=START).parent.name for _ in range(2)]
    base = "2026-05-02_091430Z"
    assert made + begun == [base, f"{base}-2", f"{base}-3", f"{base}-4", f"{base}-5"]


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
    with pytest.raises(DriveError, match="2 drives begin like that"):
        drive.open_drive(tmp_path / "store", "2026")
    made = tmp_path / "store" / "2026-one"
    with pytest.raises(DriveError, match="its tables are gps, mixture"):
        drive.open_drive(tmp_path / "store", "2026-one").table("map")
    (made / "gps.parquet").write_bytes(b"PAR1 no")
    whole = drive.open_drive(tmp_path / "store", "2026-two").table("gps")
    assert drive.open_drive(tmp_path / "store", "2026-one").table("gps").equals(whole)
    assert "pullbook rebuild 2026-one" in caplog.text
    for damage, said in (
        (b"{", "no manifest"),
        (b'{"id": 5}', "no manifest"),
        (b'{"schema_version": 99}', "no manifest"),
    ):
        (made / "drive.json").write_bytes(damage)
        with pytest.raises(DriveError, match=said) as error:
            drive.open_drive(tmp_path / "store", "2026-one")
        assert len(str(error.value).splitlines()) == 1
    (made / "recorder.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(DriveError, match="cannot be read"):
        drive.open_drive(tmp_path / "store", "2026-one")
    (made / "drive.json").unlink()
    with pytest.raises(DriveError, match=r"it has no drive\.json"):
        drive.open_drive(tmp_path / "store", "2026-one")
    assert [each.id for each in drive.list_drives(tmp_path / "store")] == ["2026-two"]


def test_a_drive_of_a_newer_program(tmp_path: Path, few: pa.Table) -> None:
    made = drive.write(tmp_path, few, CONFIG, CONFIG_TEXT)
    manifest = json.loads((made.path / "drive.json").read_text())
    (made.path / "drive.json").write_text(json.dumps({**manifest, "more": {"to": "come"}}))
    kept = drive.open_drive(tmp_path, "last").amend("struck", struck=[])
    assert json.loads((kept.path / "drive.json").read_text())["more"] == {"to": "come"}
    (made.path / "drive.json").write_text(json.dumps({**manifest, "schema_version": 2}))
    with pytest.raises(DriveError, match="newer program"):
        drive.open_drive(tmp_path, made.id)


def test_the_drive_being_recorded_is_read_from_its_journal(tmp_path: Path, raw: pa.Table) -> None:
    making.close(recorded(tmp_path, raw.slice(0, 50), started=START - timedelta(hours=1)))
    with Lock(tmp_path):
        folder = making.begin(tmp_path, CONFIG_TEXT, CAR, SETUP, started=START)
        with pytest.raises(DriveError, match="nothing has been written"):
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
    with pytest.raises(DriveError, match="not what was recorded"):
        drive.rebuild(made, CONFIG, CONFIG_TEXT)


# --- the command line ---------------------------------------------------------------------------------------------


def run(*arguments: Any) -> str:
    result = CliRunner().invoke(cli.app, [str(argument) for argument in arguments])
    if result.exception is not None:
        raise result.exception
    return result.stdout


def pullbook(*arguments: Any) -> dict[str, Any]:
    """What a verb answers with --json."""
    return dict(json.loads(run(*arguments, "--json")))


@pytest.fixture
def files(tmp_path: Path, raw: pa.Table) -> Path:
    """A folder with a capture, the recorder's, the car's and a setup's files."""
    capture.write(tmp_path / "drive.jsonl", raw)
    (tmp_path / "recorder.toml").write_text('[recorder]\ncar = "car.toml"\n' + CONFIG_TEXT)
    (tmp_path / "car.toml").write_text('[car]\nname = "Wren"\nmass_kg = 392.0\ncooling = "air"\n')
    (tmp_path / "setup.toml").write_text('name = "short snorkel"\n[parts]\nsnorkel = "short"\n')
    return tmp_path


def test_import_answers_and_prints(files: Path) -> None:
    config, store = ["--config", files / "recorder.toml"], ["--store", files / "store"]
    answer = pullbook("import", files / "drive.jsonl", *config, "--setup", files / "setup.toml", *store)
    made = drive.open_drive(files / "store", answer["drive"])
    assert answer["path"] == str(made.path)
    assert answer["rows"] == {name: made.table(name).num_rows for name in ("gps", "mixture")}
    assert answer["rejected"] == {"gps": 0, "mixture": 0}
    assert answer["duration_s"] == pytest.approx(made.table("gps").num_rows / 10, abs=0.5)
    assert made.car == CAR
    assert made.setup is not None and made.setup.name == "short snorkel"
    assert made.manifest.origin == "drive.jsonl"

    said = run("import", files / "drive.jsonl", *config, *store)
    assert "in the store already: 2026-05-02_091430Z" in said
    assert max(len(line) for line in said.splitlines()) <= 80
    again = pullbook("import", files / "drive.jsonl", *config, *store)
    assert (again["drive"], again["already"], answer["already"]) == (answer["drive"], True, False)
    assert len(drive.list_drives(files / "store")) == 1


def test_import_says_when_what_is_there_was_made_otherwise(files: Path) -> None:
    store = ["--store", files / "store"]
    run("import", files / "drive.jsonl", "--config", files / "recorder.toml", *store)
    other = files / "other.toml"
    other.write_text(CONFIG_TEXT.replace('"afr"', '"afr"\n  offset = 1.0'))
    assert "rebuild 2026-05-02_091430Z --config" in run("import", files / "drive.jsonl", "--config", other, *store)
    again = run(
        "import", files / "drive.jsonl", "--config", files / "recorder.toml", "--setup", files / "setup.toml", *store
    )
    assert "rebuild 2026-05-02_091430Z --setup" in again


def test_a_capture_uses_the_stores_own_recorder_file_and_needs_one(files: Path) -> None:
    with pytest.raises(InputError, match="--config"):
        run("import", files / "drive.jsonl", "--store", files / "store")
    (files / "store").mkdir()
    (files / "store" / "recorder.toml").write_text(CONFIG_TEXT)
    assert pullbook("import", files / "drive.jsonl", "--store", files / "store")["drive"] == "2026-05-02_091430Z"


def test_a_plain_log_goes_to_the_receiver_of_the_configuration(files: Path) -> None:
    log = files / "log.nmea"
    log.write_bytes(b"".join(burst(k, clock_text(33270 + k)).data for k in range(20)))
    config = files / "one.toml"
    config.write_text('[[source]]\nname = "receiver"\nkind = "nmea"\n')
    answer = pullbook("import", log, "--config", config, "--store", files / "store")
    assert answer["rows"] == {"receiver": 20}
    made = drive.open_drive(files / "store", "last")
    assert times_of(made.table("receiver")) == [33270 + k for k in range(20)]
    assert made.manifest.clock.residual_s == 0
    # A capture of it is read as the log is.
    run("capture", "last", files / "log.jsonl", "--store", files / "store")
    assert pullbook("import", files / "log.jsonl", "--config", config, "--store", files / "store")["already"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["import", "none.jsonl", "--config", "recorder.toml"], "none.jsonl: cannot be read"),
        (["import", "drive.jsonl", "--config", "none.toml"], "none.toml"),
        (["import", "drive.jsonl", "--config", "car.toml"], "car.toml: unknown key 'car'"),
        (["import", "drive.jsonl", "--config", "recorder.toml", "--setup", "car.toml"], "car.toml: unknown key 'car'"),
        (["import", "drive.jsonl", "--config", "recorder.toml", "--car", "setup.toml"], "setup.toml: unknown key"),
        (["rebuild", "last"], "no drive in this store"),
        (["rebuild", "nothing"], "nothing: no such drive"),
        (["capture", "last", "x.jsonl"], "no drive in this store"),
    ],
)
def test_wrong_input_gets_one_line(
    files: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], said: str
) -> None:
    monkeypatch.chdir(files)
    with pytest.raises(InputError, match=said) as error:
        run(*arguments, "--store", files / "store")
    assert len(str(error.value).splitlines()) == 1


def test_rebuild_puts_setup_and_calibration_right(files: Path) -> None:
    store = ["--store", files / "store"]
    run("import", files / "drive.jsonl", "--config", files / "recorder.toml", *store)
    answer = pullbook("rebuild", "last", "--setup", files / "setup.toml", *store)
    made = drive.open_drive(files / "store", answer["drive"])
    assert made.setup is not None and made.setup.name == "short snorkel"
    assert [trace.what for trace in made.manifest.trace][-1] == "setup put right"
    other = files / "other.toml"
    other.write_text(CONFIG_TEXT.replace('"afr"', '"afr"\n  offset = 1.0'))
    said = run("rebuild", "last", "--config", other, *store)
    assert "Rebuilt 2026-05-02_091430Z" in said
    assert drive.open_drive(files / "store", "last").config_text == other.read_text()
    assert drive.open_drive(files / "store", "last").setup is not None


def test_capture_writes_what_import_reads(files: Path) -> None:
    store = ["--store", files / "store"]
    run("import", files / "drive.jsonl", "--config", files / "recorder.toml", *store)
    answer = pullbook("capture", "last", files / "out.jsonl.gz", *store)
    assert answer["bytes"] == (files / "out.jsonl.gz").stat().st_size
    assert list(capture.rows(capture.read(files / "out.jsonl.gz").raw)) == list(
        capture.rows(capture.read(files / "drive.jsonl").raw)
    )
    with pytest.raises(InputError, match="exists already"):
        run("capture", "last", files / "out.jsonl.gz", *store)
    assert "where you drove" in run("capture", "last", files / "out.jsonl.gz", "--force", *store)


def test_recover_on_the_command_line(tmp_path: Path, raw: pa.Table) -> None:
    assert run("recover", "--store", tmp_path) == "There is nothing to recover.\n"
    recorded(tmp_path, raw)
    (found,) = pullbook("recover", "--store", tmp_path)["recovered"]
    assert found["drive"] == "2026-05-02_091430Z" and found["state"] == "recovered"
    path = recorded(tmp_path, raw)
    with Lock(tmp_path), pytest.raises(NoAnswer, match="a recorder is at work"):
        run("recover", "--store", tmp_path)
    for name in ("about.json", "recorder.toml"):
        (path / "journal" / name).unlink()
    with pytest.raises(NoAnswer, match="could not be recovered"):
        run("recover", "--store", tmp_path)


def test_store_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PULLBOOK_STORE", str(tmp_path))
    assert drive.default_store() == tmp_path
    monkeypatch.delenv("PULLBOOK_STORE")
    assert drive.default_store().name == "pullbook"
