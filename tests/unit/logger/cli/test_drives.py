"""The verbs on recorded drives as the owner meets them: import, rebuild, capture, recover."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest
from airfield_minute import (
    CAR,
    CONFIG_TEXT,
    burst,
    clock_text,
    pullbook,
    recorded,
    run,
    times_of,
)

from logger.errors import InputError, NoAnswer
from logger.store import capture, drive, place
from logger.store.presence import Lock


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
    assert "already in the store: 2026-05-02_091430Z" in said
    assert max(len(line) for line in said.splitlines()) <= 80
    again = pullbook("import", files / "drive.jsonl", *config, *store)
    assert (again["drive"], again["already"], answer["already"]) == (answer["drive"], True, False)
    assert len(drive.list_drives(files / "store")) == 1


def test_import_says_when_what_is_there_was_made_otherwise(files: Path) -> None:
    store = ["--store", files / "store"]
    run("import", files / "drive.jsonl", "--config", files / "recorder.toml", *store)
    other = files / "other.toml"
    other.write_text(CONFIG_TEXT.replace('"afr"', '"afr"\n  offset = 1.0'))
    said = run("import", files / "drive.jsonl", "--config", other, *store)
    assert "rebuild 2026-05-02_091430Z --config" in " ".join(said.split())
    again = run(
        "import", files / "drive.jsonl", "--config", files / "recorder.toml", "--setup", files / "setup.toml", *store
    )
    assert "rebuild 2026-05-02_091430Z --setup" in " ".join(again.split())


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
    assert [trace.what for trace in made.manifest.trace][-1] == "setup corrected"
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
    with pytest.raises(InputError, match="already exists"):
        run("capture", "last", files / "out.jsonl.gz", *store)
    assert "where you drove" in run("capture", "last", files / "out.jsonl.gz", "--force", *store)


def test_recover_on_the_command_line(tmp_path: Path, raw: pa.Table) -> None:
    assert run("recover", "--store", tmp_path) == "There is nothing to recover.\n"
    recorded(tmp_path, raw)
    (found,) = pullbook("recover", "--store", tmp_path)["recovered"]
    assert found["drive"] == "2026-05-02_091430Z" and found["state"] == "recovered"
    path = recorded(tmp_path, raw)
    with Lock(tmp_path), pytest.raises(NoAnswer, match="a recorder is running"):
        run("recover", "--store", tmp_path)
    for name in ("about.json", "recorder.toml"):
        (path / "journal" / name).unlink()
    with pytest.raises(NoAnswer, match="could not be recovered"):
        run("recover", "--store", tmp_path)


def test_store_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PULLBOOK_STORE", str(tmp_path))
    assert place.default_store() == tmp_path
    monkeypatch.delenv("PULLBOOK_STORE")
    assert place.default_store().name == "pullbook"
