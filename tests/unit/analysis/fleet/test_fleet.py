"""Many cars: rows of drives at any URL, on two Dask workers, from folders and from a real S3 API (moto's, loopback)."""

from __future__ import annotations

import contextlib
import gc
import json
import multiprocessing
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.dataset as ds
import pytest
from bench.bench_fleet import store_of
from jsonschema import Draft202012Validator
from made_season import MadeSeason
from typer.testing import CliRunner

from analysis import Season, kept
from analysis.answers import schemas
from analysis.cli.main import app
from analysis.drive import AnalysedDrive
from logger.errors import InputError, NoAnswer
from logger.store.drive import open_folder

pytest.importorskip("distributed")
pytest.importorskip("s3fs")
moto_server = pytest.importorskip("moto.server")

from analysis.fleet import engine, rows  # noqa: E402

FEW_CALLS = 20
"""What Dask sees of a worker that waits for a thread of its own; where it watches the work it's some hundreds."""
KEPT_BLOCKS = 60
"""Of a drive: some 25 are noted by the tests' own memory of answers; a drive that is not forgotten has 900."""


@pytest.fixture(scope="module")
def cars(made_season: MadeSeason, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two stores: the season's, and one of another car, with a drive whose manifest is torn."""
    place = tmp_path_factory.mktemp("cars")
    shutil.copytree(made_season.store, place / "wren", ignore=shutil.ignore_patterns(kept.FOLDER))
    for drive in made_season.ids[:2]:
        shutil.copytree(made_season.store / drive, place / "finch" / drive)
        manifest = place / "finch" / drive / "drive.json"
        manifest.write_text(manifest.read_text(encoding="utf-8").replace('"Wren"', '"Finch / 2"'), encoding="utf-8")
    torn = place / "finch" / made_season.ids[2]
    shutil.copytree(made_season.store / made_season.ids[2], torn)
    (torn / "drive.json").write_text("{", encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def out(cars: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Their rows, by two workers of this machine."""
    place = tmp_path_factory.mktemp("rows") / "out"
    said = CliRunner().invoke(
        app, ["analyse", str(cars / "wren"), str(cars / "finch"), "--out", str(place), "--workers", "2", "--json"]
    )
    answer = json.loads(said.stdout)
    Draft202012Validator(json.loads((schemas.FOLDER / "analyse.json").read_text(encoding="utf-8"))).validate(answer)
    assert answer["made"] == answer["drives"] and len(answer["failed"]) == 1
    return place


def files_in(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def table(out: Path, name: str) -> pa.Table:
    return ds.dataset(out / name, partitioning="hive").to_table()


def test_the_rows_are_those_of_the_drives(cars: Path, out: Path, made_season: MadeSeason) -> None:
    drives = table(out, "drives").to_pylist()
    assert len(drives) == len(made_season.ids) + 3
    failed = [row for row in drives if row["reason"]]
    assert any("drive.json" in row["reason"] and row["url"].endswith(made_season.ids[2]) for row in failed)
    assert {row["car"] for row in drives if not row["reason"]} == {"Wren", "Finch / 2"}
    ref = made_season.ids[0]
    found = [row for row in table(out, "splits").to_pylist() if row["url"].endswith(f"wren/{ref}") and row["run"] == 1]
    run = next(run for run in AnalysedDrive(open_folder(cars / "wren" / ref)).runs if run.n == 1)
    times = {round(split.speed_mps, 9): split.from_one_foot_s for split in run.splits}
    assert len(found) > 10
    for row in found:
        assert row["from_one_foot_s"] == pytest.approx(times[round(row["speed_mps"], 9)], abs=1e-9)
    assert table(out, "cells").num_rows > 10 and table(out, "loops").num_rows == 2


def test_season_statistics_run_on_the_tables_a_car_at_a_time(out: Path) -> None:
    frame = table(out, "splits").filter(ds.field("car") == "Wren").to_pandas()
    answer = Season.from_runs(frame).compare("baseline", "snorkel and jet")
    assert answer.splits and answer.splits[-1].runs_a >= 6


def test_reading_never_writes_where_the_drives_lie(cars: Path, out: Path) -> None:
    assert not (cars / "wren" / kept.FOLDER).exists() and not (cars / "finch" / kept.FOLDER).exists()


def test_it_goes_on_where_it_stopped(cars: Path, out: Path, tmp_path: Path) -> None:
    before = files_in(out)
    urls = [str(cars / "wren"), str(cars / "finch")]
    assert engine.analyse(urls, str(out), workers=1).made == 0 and files_in(out) == before
    cut = tmp_path / "cut"
    shutil.copytree(out, cut)
    marker = next((cut / "_done").glob("*.json"))
    drives = json.loads(marker.read_text())["drives"]
    marker.write_bytes(marker.read_bytes()[:20])
    assert engine.analyse(urls, str(cut), workers=1).made == len(drives)
    assert {name: data for name, data in files_in(cut).items() if name.startswith("splits")} == {
        name: data for name, data in before.items() if name.startswith("splits")
    }


@pytest.mark.filterwarnings("default")  # Dask's own
def test_a_dask_cluster_gives_the_same(cars: Path, out: Path, tmp_path: Path) -> None:
    from distributed import Client, LocalCluster

    with LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0",
        worker_dashboard_address="127.0.0.1:0",
    ) as cluster:  # fmt: skip
        urls = [str(cars / "wren"), str(cars / "finch")]
        answer = engine.analyse(urls, str(tmp_path / "rows"), scheduler=cluster.scheduler_address)
        with Client(cluster.scheduler_address) as client:
            kept_of_it = client.profile()
    assert answer.made == answer.drives and len(answer.failed) == 1
    assert files_in(tmp_path / "rows") == files_in(out)
    assert kept_of_it["count"] > 0
    assert calls_in(kept_of_it) < FEW_CALLS  # each second anew, in each worker, for a thousand seconds
    with pytest.raises(InputError, match="--scheduler"):
        engine.analyse(urls, str(tmp_path / "none"), scheduler="127.0.0.1:1")


def calls_in(seen: dict[str, Any]) -> int:
    """How many calls there are in the stacks that Dask saw of the work and keeps."""
    return 1 + sum(calls_in(each) for each in seen["children"].values())


def test_a_drive_leaves_nothing_in_memory(tmp_path: Path) -> None:
    """Python's own memory, in blocks: so that a worker may have any number of drives one after the other."""
    first, *drives = [str(folder) for folder in sorted(store_of(tmp_path, 14).iterdir()) if folder.is_dir()]
    taken = []
    for some in ([first], drives[:3], drives[3:]):
        engine.make(engine._Batch("b", tuple((url, "") for url in some)), str(tmp_path / "rows"))
        gc.collect()
        taken.append(sys.getallocatedblocks())
    assert taken[2] - taken[1] < 10 * KEPT_BLOCKS, taken


def test_here_nothing_listens(cars: Path, tmp_path: Path) -> None:
    """The desk's is the program's only listener: this machine's processes speak through pipes."""
    listening = []

    def progress(made: int, of: int, left_s: float) -> None:
        family = {os.getpid(), *(child.pid for child in multiprocessing.active_children())}
        listening.extend(
            line for pid in family for kind in ("tcp", "tcp6") for line in _sockets(pid, kind) if line[3] == "0A"
        )

    engine.analyse([str(cars / "finch")], str(tmp_path / "rows"), workers=1, progress=progress)
    assert listening == []


def _sockets(pid: int | None, kind: str) -> list[list[str]]:
    """The rows of /proc/net/tcp that are this process's."""
    own = set()
    for file in Path(f"/proc/{pid}/fd").glob("*"):
        with contextlib.suppress(OSError):
            own.add(str(file.readlink()))
    rows = [line.split() for line in Path(f"/proc/net/{kind}").read_text(encoding="ascii").splitlines()[1:]]
    return [row for row in rows if f"socket:[{row[9]}]" in own]


def test_what_changed_is_made_anew_and_what_went_is_taken_away() -> None:
    found = {"a": "1", "b": "2"}
    batches, stale = engine._plan(found, {})
    assert [batch.drives for batch in batches] == [(("a", "1"), ("b", "2"))] and stale == []
    marker = {batches[0].name: {"drives": {"a": "1", "b": "2"}, "files": ["splits/car=X/n.parquet"]}}
    assert engine._plan(found, marker) == ([], [])
    again, stale = engine._plan({"a": "1", "b": "3"}, marker)
    assert again[0].drives == (("a", "1"), ("b", "3")) and again[0].name != batches[0].name
    assert stale == ["splits/car=X/n.parquet", f"_done/{batches[0].name}.json"]
    assert engine._plan({"a": "1"}, marker)[0][0].drives == (("a", "1"),)


@pytest.fixture(scope="module")
def bucket(cars: Path) -> Iterator[str]:
    """The second car's store on a real S3 API."""
    import s3fs

    server = moto_server.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    settings = {
        "AWS_ACCESS_KEY_ID": "x", "AWS_SECRET_ACCESS_KEY": "x", "AWS_DEFAULT_REGION": "us-east-1",
        "FSSPEC_S3_ENDPOINT_URL": f"http://{host}:{port}", "AWS_ENDPOINT_URL": f"http://{host}:{port}",
    }  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        for name, value in settings.items():
            patch.setenv(name, value)
        files = s3fs.S3FileSystem(endpoint_url=settings["AWS_ENDPOINT_URL"], key="x", secret="x")
        files.mkdir("club")
        files.put(str(cars / "finch"), "club/finch", recursive=True)
        yield "s3://club/finch"
    server.stop()


def test_the_same_from_and_to_a_bucket(cars: Path, out: Path, bucket: str) -> None:
    import s3fs

    done = engine.analyse([bucket], "s3://club/rows", workers=2)
    assert done.made == 3 and len(done.failed) == 1
    files = s3fs.S3FileSystem(key="x", secret="x")
    paths = files.glob("club/rows/splits/*/*.parquet")
    assert paths and len(files.find("club/finch")) == len(files_in(cars / "finch"))
    import pyarrow.parquet as pq

    there = pa.concat_tables(pq.ParquetFile(pa.BufferReader(files.cat_file(path))).read() for path in paths)
    here = table(out, "splits")
    mine = [row["from_one_foot_s"] for row in here.to_pylist() if "/finch/" in row["url"]]
    assert sorted(there["from_one_foot_s"].to_pylist()) == sorted(mine)


def test_what_is_wrong_is_said_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(NoAnswer, match="no drive"):
        engine.analyse([str(tmp_path)], str(tmp_path / "out"))
    with pytest.raises(InputError, match="nosuch"):
        engine.analyse(["nosuch://x"], str(tmp_path / "out"))


def test_rows_of_a_drive_that_is_none_are_one_row(tmp_path: Path) -> None:
    (tmp_path / "d").mkdir()
    found = rows.rows_at(str(tmp_path / "d"))
    assert [len(found[name]) for name in rows.FIELDS] == [1, 0, 0, 0, 0, 0] and "drive.json" in found["drives"][0][-2]
