"""Bad drives beside good ones: the good ones are answered, the bad ones named, and mended where raw bytes can."""

from __future__ import annotations

import json
import multiprocessing
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import simulate
from bad_drives import BAD, OF_CONFIGURATION, OF_RAW, plant
from made_drives import RIG, make_drive

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.errors import DriveError, NoAnswer
from logger.store import bulkhead, drive, recovery
from logger.store.bulkhead import LeftOut

CONFIG = parse(RIG, RecorderConfig, "rig")


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> drive.Drive:
    script = [simulate.Stand(4), simulate.Pull(6.0), simulate.Brake(0), simulate.Stand(2)]
    made, _ = make_drive(tmp_path_factory.mktemp("good"), script, weather={"wind_mps": 2.0})
    return made.amend("struck", struck=[struck(0)])


def struck(n: int) -> dict[str, Any]:
    return {"run_start_utc": datetime(2026, 5, 2, 9, n, tzinfo=UTC), "reason": f"gust {n}", "when": datetime.now(UTC)}


@pytest.fixture
def store(tmp_path: Path, good: drive.Drive) -> Path:
    for name in ("2026-05-02_091430Z", "2026-05-03_091430Z"):
        shutil.copytree(good.path, tmp_path / name)
    return tmp_path


@pytest.mark.parametrize("kind", BAD)
def test_the_good_ones_are_answered_and_the_bad_one_is_named(store: Path, good: drive.Drive, kind: str) -> None:
    bad = plant(kind, store, good.path)
    told: list[LeftOut] = []
    listed = drive.list_drives(store, told.append)
    ids = [each.id for each in listed]
    assert {"2026-05-02_091430Z", "2026-05-03_091430Z"} <= set(ids) <= {*(p.name for p in store.iterdir())}
    speeds_of = bulkhead.each(listed, lambda one: one.table("gps")["speed_mps"], tell=told.append)
    answers = {each.id: speeds for each, speeds in speeds_of}
    assert answers["2026-05-02_091430Z"].equals(good.table("gps")["speed_mps"])
    if bad.name in answers:  # then its figures are right
        assert answers[bad.name].equals(good.table("gps")["speed_mps"])
    else:
        (one,) = told
        assert bad.name in one.said and len(one.said.splitlines()) == 1


@pytest.mark.parametrize("kind", BAD)
def test_it_is_mended_as_far_as_raw_bytes_can(store: Path, good: drive.Drive, kind: str) -> None:
    bad = plant(kind, store, good.path)
    if kind in OF_RAW:
        with pytest.raises(DriveError) as raised:
            drive.mend(bad)
        assert len(str(raised.value).splitlines()) == 1
        return
    settings = (CONFIG, RIG) if kind in OF_CONFIGURATION else None
    made = drive.mend(bad, settings)
    told: list[LeftOut] = []
    assert bad.name in [each.id for each in drive.list_drives(store, told.append)] and not told
    for name in ("gps", "mixture", "raw"):
        assert made.table(name).equals(good.table(name))
    manifest = made.manifest
    if not kind.startswith("manifest"):  # what else the owner had said is kept, field by field
        assert kind.startswith("setup") or made.setup == good.setup
        assert kind.startswith("car") or made.car == good.car
        assert kind.startswith("weather") or manifest.weather == good.manifest.weather
        assert kind.startswith("strikes") or manifest.struck == good.manifest.struck
        assert len(manifest.trace) == 2
    if (bad / "drive.damaged.json").exists():
        assert any("damaged" in remark for remark in manifest.remarks)


def test_each_damaged_manifest_is_kept_and_what_is_lost_is_told(store: Path) -> None:
    path = store / "2026-05-03_091430Z"
    for data in (b'{"id": "x", "setup"', b"\0" * 40):
        (path / "drive.json").write_bytes(data)
        made = drive.mend(path)
        assert made.setup is None and any("setup, car, weather" in remark for remark in made.manifest.remarks)
    assert (path / "drive.damaged.json").read_bytes() == b'{"id": "x", "setup"'
    assert (path / "drive.damaged-2.json").read_bytes() == b"\0" * 40


def test_any_flipped_bit_of_a_table_changes_no_figure(tmp_path: Path, good: drive.Drive) -> None:
    path = Path(shutil.copytree(good.path, tmp_path / "drive"))
    data = (path / "gps.parquet").read_bytes()
    speeds = good.table("gps")
    for n in range(60):
        at = n * len(data) // 60
        (path / "gps.parquet").write_bytes(data[:at] + bytes([data[at] ^ (1 << n % 8)]) + data[at + 1 :])
        assert drive.open_folder(path).table("gps").equals(speeds), f"byte {at}"


def test_a_table_made_anew_is_told_once_and_says_how_to_mend_it(
    tmp_path: Path, good: drive.Drive, caplog: pytest.LogCaptureFixture
) -> None:
    path = Path(shutil.copytree(good.path, tmp_path / "drive"))
    (path / "gps.parquet").write_bytes(b"no")
    drive.open_folder(path).table("gps")
    (line,) = [record.getMessage() for record in caplog.records]
    assert "drive" in line and "`pullbook rebuild drive`" in line
    drive.rebuild(drive.open_folder(path), CONFIG, RIG)
    caplog.clear()
    assert drive.open_folder(path).table("gps").equals(good.table("gps")) and not caplog.records


def test_whatever_fails_for_one_becomes_a_line(good: drive.Drive) -> None:
    told: list[LeftOut] = []

    def work(n: int) -> int:
        match n:
            case 1:
                raise KeyError("speed_mps")
            case 2:
                raise NoAnswer("2: too short")
            case 3:
                raise RecursionError("maximum\ndepth")
            case 4:
                raise FileNotFoundError(2, "No such file or directory", "x")
        return n

    assert list(bulkhead.each(range(6), work, name=str, tell=told.append)) == [(0, 0), (5, 5)]
    assert [one.name for one in told] == ["1", "2", "3", "4"]
    assert all(one.name in one.said and len(one.said.splitlines()) == 1 for one in told)
    assert "pullbook rebuild 1" in told[0].said and told[1].said == "2: too short"


# --- what cannot be finished --------------------------------------------------------------------------------------


def test_one_that_cannot_be_finished_leaves_the_next_to_be_recovered(
    tmp_path: Path, good: drive.Drive, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from logger.decode.framing import Chunk
    from logger.store import making
    from logger.store.journal import JournalWriter

    for n in range(3):
        folder = making.begin(tmp_path, RIG, started=datetime(2026, 5, 2 + n, tzinfo=UTC))
        writer = JournalWriter(folder)
        writer.extend(Chunk(k * 10**8, "mixture", b"13.%d\r\n" % k) for k in range(10))
        writer.close()
    real = making.build

    def build(raw: pa.Table, config: RecorderConfig) -> Any:
        nonlocal calls
        calls += 1
        if calls == 1:
            raise ZeroDivisionError("a fault that nobody knows yet")
        return real(raw, config)

    calls = 0
    monkeypatch.setattr(making, "build", build)
    made = drive.open_drive(tmp_path, "last")
    assert made.table("mixture").num_rows == 10
    said = [record.getMessage() for record in caplog.records]
    assert sum("recovered 0.0 min" in line for line in said) == 2
    assert sum("not recovered: ZeroDivisionError" in line for line in said) == 1
    monkeypatch.undo()
    assert [each.failed for each in recovery.recover(tmp_path)] == [False]
    assert len(drive.list_drives(tmp_path)) == 3


def test_last_says_what_could_not_be_finished_where_there_is_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from logger.store import making
    from logger.store.journal import JournalWriter

    writer = JournalWriter(making.begin(tmp_path, RIG))
    from logger.decode.framing import Chunk

    writer.append(Chunk(0, "mixture", b"13.1\r\n"))
    writer.close()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(making, "commit_files", full)
    with pytest.raises(DriveError, match=r"no drive in this store yet; .* not recovered: .*No space left on device"):
        drive.open_drive(tmp_path, "last")


# --- changes at the same time -------------------------------------------------------------------------------------


def _change(path: str, n: int, start: Any) -> None:
    made = drive.open_folder(Path(path))
    start.wait()
    match n:
        case 6:
            made.amend("weather", weather={"wind_mps": 3.5})
        case 7:
            made.amend("setup", setup=SetupConfig(name="other", parts={"snorkel": "long"}))
        case 8:
            drive.rebuild(made, made.config, made.config_text)
        case _:
            made.amend(f"struck {n}", struck=[*made.manifest.struck, struck(n)])


@pytest.mark.parametrize("round_", [0, *(pytest.param(n, marks=pytest.mark.long) for n in range(1, 10))])
def test_changes_at_once_are_all_kept(tmp_path: Path, good: drive.Drive, round_: int) -> None:
    """Six strikes, the weather, a setup and a rebuild, each by a process that opened the drive before the others."""
    path = Path(shutil.copytree(good.path, tmp_path / "drive"))
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["logger.store.drive", "logger.store.bulkhead"])
    start = context.Barrier(9)
    changers = [context.Process(target=_change, args=(str(path), n, start)) for n in range(9)]
    for changer in changers:
        changer.start()
    for changer in changers:
        changer.join(120)
    assert [changer.exitcode for changer in changers] == [0] * 9
    made = drive.open_folder(path)
    assert {one.reason for one in made.manifest.struck} == {"gust 0", *(f"gust {n}" for n in range(6))}
    assert made.manifest.weather == {"wind_mps": 3.5}
    assert made.setup is not None and made.setup.name == "other"
    assert len(made.manifest.trace) == 10
    assert not (path / ".changing").exists() and not (path / ".commit").exists()


def test_what_is_taken_from_a_list_is_taken_and_what_others_added_stays(tmp_path: Path, good: drive.Drive) -> None:
    path = Path(shutil.copytree(good.path, tmp_path / "drive"))
    mine, theirs = drive.open_folder(path), drive.open_folder(path)
    theirs.amend("struck", struck=[*theirs.manifest.struck, struck(5)])
    after = mine.amend("taken back", struck=[])
    assert [one.reason for one in after.manifest.struck] == ["gust 5"]
    assert json.loads((path / "drive.json").read_text())["struck"][0]["reason"] == "gust 5"


def test_a_drive_that_may_not_be_written_says_so(tmp_path: Path, good: drive.Drive) -> None:
    path = Path(shutil.copytree(good.path, tmp_path / "drive"))
    made = drive.open_folder(path)
    shutil.rmtree(path)
    with pytest.raises(DriveError, match="cannot be changed: No such file"):
        made.amend("struck", struck=[])


def test_a_table_that_another_program_wrote_anew_is_told_by_its_digest(tmp_path: Path, good: drive.Drive) -> None:
    path = Path(shutil.copytree(good.path, tmp_path / "drive"))
    pq.write_table(good.table("gps").slice(5), path / "gps.parquet")
    assert drive.open_folder(path).table("gps").num_rows == good.table("gps").num_rows


def test_whatever_fails_within_names_the_drive_and_keeps_its_cause() -> None:
    with (
        pytest.raises(DriveError, match=r"^2026: ZeroDivisionError: .*pullbook rebuild 2026") as raised,
        bulkhead.of("2026"),
    ):
        _ = 1 // 0
    assert isinstance(raised.value.__cause__, ZeroDivisionError)
    with pytest.raises(NoAnswer, match=r"^too short$"), bulkhead.of("2026"):
        raise NoAnswer("too short")
