"""What is kept: it changes nothing, is never stale, survives two processes at once, torn files and a store that cannot
be written to, and can be read by others."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from made_drives import make_drive
from made_season import THIN, MadeSeason, starts

import analysis
from analysis import kept
from analysis.changes import season_pack, season_rows
from analysis.changes.season import gather
from analysis.drive import AnalysedDrive
from analysis.runs.lessons import Lesson
from analysis.store import DriveStore
from logger.config import reading
from logger.config.recorder import RecorderConfig
from logger.config.targets import TargetsConfig
from logger.store.drive import Drive, open_drive, rebuild

NAMES = ("drive", "pull_bands", "pull_covariances", "pulls", "runs", "splits")
RESULTS = ("cells", "coasts", "loops", "motion")
"""For other programs: no verb reads them."""
ROOT = Path(analysis.__file__).parents[1]


@pytest.fixture
def store(made_season: MadeSeason, tmp_path: Path) -> Path:
    """A copy of the season in which nothing is kept."""
    place = tmp_path / "store"
    shutil.copytree(made_season.store, place, ignore=shutil.ignore_patterns(kept.FOLDER))
    return place


@pytest.fixture
def pair(store: Path, made_season: MadeSeason) -> Path:
    """Only a drive of each setup."""
    for each in made_season.ids:
        if each not in (made_season.ids[0], made_season.ids[2]):
            shutil.rmtree(store / each)
    return store


def rows(drive: Drive, store: Path) -> tuple[season_rows.DriveRows, list[str]]:
    """The rows of a drive, and what was said to be worked out."""
    said: list[str] = []
    return season_rows.rows_of(AnalysedDrive(drive), store, said.append), said


def plain(found: season_rows.DriveRows) -> list[Any]:
    """All that they hold, to be compared; NaN equals NaN."""
    told = [found.channel, found.trouble, repr(found.m3_per_m), repr(found.fuel_sigma)]
    for run in found.runs:
        told += [run.n, run.start_utc_ns, run.clean, run.ended, run.soft]
        told += [repr(v) for v in (run.direction_deg, run.grade_percent, run.rise_s, run.full_throttle)]
        told += [run.speed_mps.tolist(), run.time_s.tolist(), run.sigma_s.tolist()]
    for pull in found.pulls:
        told += [repr(np.asarray(getattr(pull, each.name)).tolist()) for each in fields(pull)]
    return told


# --- it changes nothing -----------------------------------------------------------------------------------------------


def test_what_is_kept_is_what_was_worked_out(store: Path, made_season: MadeSeason) -> None:
    for each in (made_season.ids[0], made_season.ids[4]):
        drive = open_drive(store, each)
        first, said = rows(drive, store)
        assert first.pulls
        assert said == [f"finding the runs of {each}"]
        again, said = rows(drive, store)
        assert said == [] and plain(again) == plain(first) == plain(season_rows.work_out(AnalysedDrive(drive)))
    shutil.rmtree(store / kept.FOLDER)
    drive = open_drive(store, made_season.ids[0])
    told, said = rows(drive, store)
    assert said != [] and plain(told) == plain(season_rows.work_out(AnalysedDrive(drive)))


def test_a_drive_without_runs_or_mixture_is_kept_as_well(tmp_path: Path) -> None:
    rig = '[[source]]\nname = "gps"\nkind = "nmea"\nbaud = 38400\n'
    drive, _ = make_drive(tmp_path, starts(0), rig=rig)
    first, _ = rows(drive, tmp_path)
    again, said = rows(drive, tmp_path)
    assert said == [] and plain(again) == plain(first) and first.runs == () and first.channel == ""


def test_nothing_is_written_outside_its_folder(pair: Path) -> None:
    def others() -> dict[str, bytes]:
        return {
            str(path.relative_to(pair)): path.read_bytes()
            for path in sorted(pair.rglob("*"))
            if path.is_file() and kept.FOLDER not in path.parts
        }

    before, beside = others(), sorted(pair.parent.iterdir())
    gather(DriveStore(pair))
    assert others() == before and sorted(pair.parent.iterdir()) == beside
    written = [path for path in (pair / kept.FOLDER).rglob("*") if path.is_file()]
    assert {path.name for path in written} == {
        "kept.json", "lesson.json", "rows.json", "rows.f64", *(f"{name}.parquet" for name in (*NAMES, *RESULTS))
    }  # fmt: skip


@pytest.mark.parametrize("name", ["../outside", "/tmp/outside", "..", "a/b", ""])
def test_no_name_of_a_drive_leads_out_of_it(tmp_path: Path, name: str) -> None:
    store = tmp_path / "store"
    kept.write(store, name, "k", {"t": pa.table({"v": [1]})})
    files = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(files) == 2 and all((store / kept.FOLDER) in path.parents[1:] for path in files)
    found = kept.read(store, name, "k", ["t"])
    assert found is not None and found["t"]["v"].to_pylist() == [1]


# --- the key ----------------------------------------------------------------------------------------------------------


def test_the_key_is_of_all_that_results_depend_on(store: Path, made_season: MadeSeason) -> None:
    drive = open_drive(store, made_season.ids[4])
    targets = TargetsConfig()
    key = kept.key_of(drive, targets)
    assert key == kept.key_of(open_drive(store, made_season.ids[4]), TargetsConfig())
    car = {**(drive.manifest.car or {}), "car": {**(drive.manifest.car or {})["car"], "mass_kg": 410.0}}
    fuel = {**(drive.manifest.fuel or {}), "volume_m3": 1e-4}
    others = {
        "another drive": kept.key_of(open_drive(store, made_season.ids[5]), targets),
        "targets": kept.key_of(drive, targets.model_copy(update={"masks": targets.masks.model_copy(
            update={"free_air_lambda": 1.7})})),
        "car": kept.key_of(_with(drive, car=car), targets),
        "no car": kept.key_of(_with(drive, car=None), targets),
        "fuel": kept.key_of(_with(drive, fuel=fuel), targets),
        "no fuel": kept.key_of(_with(drive, fuel=None), targets),
        "weather": kept.key_of(_with(drive, weather=THIN), targets),
        "what other drives taught": kept.key_of(drive, targets, "a digest"),
        "recorder's file": kept.key_of(
            Drive(drive.path, drive.manifest, drive.config, drive.config_text.replace("0.1", "0.2")), targets
        ),
        **{
            f"digest of {name}": kept.key_of(_with(drive, digests={**drive.manifest.digests, name: "0"}), targets)
            for name in ("gps.parquet", "mixture.parquet", "raw.parquet")
        },
    }  # fmt: skip
    assert len({key, *others.values()}) == 1 + len(others)


def _with(drive: Drive, **changes: Any) -> Drive:
    return Drive(drive.path, drive.manifest.model_copy(update=changes), drive.config, drive.config_text)


def test_a_rebuilt_drive_and_an_amended_one_are_worked_out_anew(store: Path, made_season: MadeSeason) -> None:
    drive = open_drive(store, made_season.ids[0])
    before, _ = rows(drive, store)
    text = drive.config_text.replace("latency_s = 0.1", "latency_s = 0.3")
    assert text != drive.config_text
    again = rebuild(drive, reading.parse(text, RecorderConfig, "rig"), text)
    told, said = rows(again, store)
    assert said != [] and len(told.runs) == len(before.runs)
    loop = open_drive(store, made_season.ids[4])
    first, _ = rows(loop, store)
    amended = loop.amend("more fuel", fuel={**(loop.manifest.fuel or {}), "volume_m3": 2e-4})
    told, said = rows(amended, store)
    assert said != [] and told.m3_per_m > 1.5 * first.m3_per_m
    amended = amended.amend(
        "weighed", car={**(loop.manifest.car or {}), "car": {"name": "W", "mass_kg": 400, "cooling": "air"}}
    )
    assert rows(amended, store)[1] != []


@pytest.mark.parametrize("each", ["folder", pytest.param("file", marks=pytest.mark.long)])
def test_any_source_file_and_any_library_changes_the_digest(tmp_path: Path, each: str) -> None:
    """A file of each folder in turn; at length each file."""
    for package in ("analysis", "logger"):
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))
    libraries = {"numpy": "2.0", "scipy": "1.12"}
    whole = kept.digest_of(tmp_path, libraries)
    assert whole == kept.digest_of(tmp_path, dict(reversed(libraries.items())))
    assert kept.digest_of(tmp_path, {**libraries, "numpy": "2.1"}) != whole
    files = sorted(path for package in ("analysis", "logger") for path in (tmp_path / package).rglob("*.py"))
    assert len(files) > 100
    for file in files if each == "file" else {file.parent: file for file in files}.values():
        text = file.read_bytes()
        file.write_bytes(text + b"\n")
        assert kept.digest_of(tmp_path, libraries) != whole, file
        file.write_bytes(text)
    moved = files[-1].rename(files[-1].with_name("renamed.py"))
    assert kept.digest_of(tmp_path, libraries) != whole
    moved.rename(files[-1])
    assert kept.digest_of(tmp_path, libraries) == whole
    assert set(kept._LIBRARIES) >= {"numpy", "scipy", "pandas", "pyarrow"}


def test_a_program_that_was_changed_works_its_numbers_out_anew(pair: Path, tmp_path: Path) -> None:
    """Speeds raised by a tenth in the room of motion: the season's times must fall, whatever was kept before."""
    code = tmp_path / "code"
    for package in ("analysis", "logger"):
        shutil.copytree(ROOT / package, code / package, ignore=shutil.ignore_patterns("__pycache__", "*.pyc"))

    def best() -> list[float]:
        """Of each drive: lessons change with the program too, and so would the key of all but the first drive."""
        found = subprocess.run(
            [sys.executable, "-B", "-m", "analysis.cli.main", "drives", "--to", "25mph", "--json", "--store", pair],
            env={**os.environ, "PYTHONPATH": str(code)}, cwd=tmp_path, capture_output=True, check=True,
        )  # fmt: skip
        return [each["best_s"] for each in json.loads(found.stdout)["drives"]]

    before = best()
    assert best() == before
    file = code / "analysis" / "motion" / "fixes.py"
    text = file.read_text(encoding="utf-8")
    changed = text.replace('floats("speed_mps")', '1.1 * floats("speed_mps")')
    assert changed != text
    file.write_text(changed, encoding="utf-8")
    assert len(before) == 2 and all(new < 0.95 * old for new, old in zip(best(), before, strict=True))


# --- what may go wrong ------------------------------------------------------------------------------------------------


def test_bytes_that_are_not_those_written_count_as_nothing(tmp_path: Path) -> None:
    """Every byte of every file in turn, changed; and every file cut off anywhere."""
    table = pa.table({"v": pa.array([1.5, 2.5], pa.float64())})
    kept.write(tmp_path, "d", "k", {"t": table})
    folder = tmp_path / kept.FOLDER / "d"
    assert kept.read(tmp_path, "d", "k", ["t"]) == {"t": table}
    for name in ("t.parquet", "kept.json"):
        file = folder / name
        whole = file.read_bytes()
        for at in range(len(whole)):
            file.write_bytes(whole[:at] + bytes([whole[at] ^ 0x04]) + whole[at + 1 :])
            assert kept.read(tmp_path, "d", "k", ["t"]) in (None, {"t": table})
            file.write_bytes(whole[:at])
            assert kept.read(tmp_path, "d", "k", ["t"]) is None
        file.write_bytes(whole)
    assert kept.read(tmp_path, "d", "other", ["t"]) is None
    assert kept.read(tmp_path, "d", "k", ["t", "missing"]) is None
    for odd in (b"[]", b"{}", b"null", b'{"key": "k", "files": 3}', b'{"key": "k", "files": {"t": null}}'):
        (folder / "kept.json").write_bytes(odd)
        assert kept.read(tmp_path, "d", "k", ["t"]) is None


def test_a_torn_file_is_worked_out_anew(store: Path, made_season: MadeSeason) -> None:
    drive = open_drive(store, made_season.ids[0])
    first, _ = rows(drive, store)
    file = store / kept.FOLDER / drive.id / "runs.parquet"
    file.write_bytes(file.read_bytes()[:-40])
    again, said = rows(drive, store)
    assert said != [] and plain(again) == plain(first)
    assert rows(drive, store)[1] == []  # and is whole again


def test_a_store_that_cannot_be_written_to_is_read_all_the_same(store: Path, made_season: MadeSeason) -> None:
    drive = open_drive(store, made_season.ids[0])
    (store / kept.FOLDER).write_text("in the way", encoding="utf-8")
    told, _ = rows(drive, store)
    assert plain(told) == plain(season_rows.work_out(AnalysedDrive(drive)))
    assert (store / kept.FOLDER).read_text(encoding="utf-8") == "in the way"
    (store / kept.FOLDER).unlink()
    (store / kept.FOLDER).mkdir()
    (store / kept.FOLDER / drive.id).mkdir(mode=0o500)
    told, _ = rows(drive, store)  # an owner without rights, where the tests do not run as one who may do all
    assert plain(told) == plain(season_rows.work_out(AnalysedDrive(drive)))


WRITER = """
import sys
from dataclasses import fields, replace
from pathlib import Path
import pyarrow as pa
from analysis import kept
store, mine = Path(sys.argv[1]), int(sys.argv[2])
for k in range(60):
    number = mine * 1000 + k
    kept.write(store, "d", str(number % 7), {n: pa.table({"v": [number % 7] * 50}) for n in ("t", "u")})
    for key in range(7):
        found = kept.read(store, "d", str(key), ["t", "u"])
        if found is not None:
            assert {v for table in found.values() for v in table["v"].to_pylist()} == {key}, (key, found)
print("done")
"""


def test_processes_that_write_at_once_never_mix_their_tables(tmp_path: Path) -> None:
    running = [
        subprocess.Popen([sys.executable, "-c", WRITER, tmp_path, str(k)], stdout=subprocess.PIPE, cwd=ROOT, text=True)
        for k in (1, 2, 3)
    ]
    assert [each.communicate()[0].strip() for each in running] == ["done"] * 3
    assert sorted(path.name for path in (tmp_path / kept.FOLDER / "d").iterdir()) == [
        "kept.json", "t.parquet", "u.parquet"
    ]  # fmt: skip


def test_two_verbs_at_once_say_the_same(pair: Path) -> None:
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "analysis.cli.main", "season", "--json", "--store", pair], stdout=subprocess.PIPE,
            cwd=ROOT,
        )
        for _ in range(2)
    ]  # fmt: skip
    first, second = (json.loads(each.communicate()[0]) for each in running)
    assert first == second and [each["runs"] for each in first["setups"]] == [4, 4]
    for each in DriveStore(pair).drives:
        key = kept.key_of(each.drive, TargetsConfig(), each.taught.digest)
        assert kept.read(pair, each.id, key, NAMES) is not None


# --- by others --------------------------------------------------------------------------------------------------------


def test_duckdb_reads_it_and_the_units_are_there(store: Path, made_season: MadeSeason) -> None:
    """duckdb, which knows nothing of this program; units stand in the columns' metadata (pyarrow)."""
    drive = open_drive(store, made_season.ids[0])
    told, _ = rows(drive, store)
    folder = store / kept.FOLDER / drive.id
    best = duckdb.sql(
        f"select n, min(time_s), count(*) from read_parquet('{folder}/splits.parquet') "
        "where speed_mps = 10 group by n order by n"
    ).fetchall()
    assert best == [(run.n, float(run.time_s[np.flatnonzero(run.speed_mps == 10)[0]]), 1) for run in told.runs]
    assert duckdb.sql(f"select channel from read_parquet('{folder}/drive.parquet')").fetchall() == [("afr",)]
    units = {
        name: {field.name: (field.metadata or {}).get(b"unit", b"").decode() for field in pq.read_schema(
            folder / f"{name}.parquet")}
        for name in (*NAMES, *RESULTS)
    }  # fmt: skip
    assert units["splits"] == {"n": "", "speed_mps": "m/s", "time_s": "s", "sigma_s": "s"}
    assert units["runs"]["direction_deg"] == "deg" and units["drive"]["m3_per_m"] == "m3/m"
    for name in (*NAMES, *RESULTS):
        for field in pq.read_schema(folder / f"{name}.parquet"):
            assert (field.metadata or {}).get(b"description"), (name, field.name)


def test_map_and_motion_are_there_for_other_programs(store: Path, made_season: MadeSeason) -> None:
    """By duckdb, over all drives at once, as docs/manual/reference.md has it: each run once."""
    before = store / kept.FOLDER / ".season" / "runs.parquet"  # programs before this one kept all drives' rows so
    before.parent.mkdir(parents=True)
    pq.write_table(pa.table({"n": [1]}), before)
    season = gather(DriveStore(store))
    there = duckdb.sql(f"select count(*) from '{store / kept.FOLDER}/*/runs.parquet'").fetchall()[0][0]
    assert there == sum(len(season_pack.read(store)[each][1].runs) for each in made_season.ids) >= len(season.runs) > 0
    drive = AnalysedDrive(open_drive(store, made_season.ids[0]))
    where = store / kept.FOLDER
    one = where / drive.id
    seconds, readings = duckdb.sql(f"select sum(seconds), sum(readings) from '{one}/cells.parquet'").fetchall()[0]
    cells = drive.map.answer_alone.cells
    assert readings == sum(cell.readings for cell in cells) > 0
    assert seconds == pytest.approx(sum(cell.seconds for cell in cells), rel=1e-12)
    fastest, rows = duckdb.sql(f"select max(speed_mps), count(*) from '{one}/motion.parquet'").fetchall()[0]
    assert fastest == pytest.approx(drive.motion.speed_mps.max(), rel=0.05)
    assert rows == pytest.approx(drive.motion.t_s[-1] - drive.motion.t_s[0], abs=2)
    ids = duckdb.sql(f"select count(distinct filename) from read_parquet('{where}/*/runs.parquet', filename=true)")
    assert ids.fetchall()[0][0] >= len(made_season.ids)


def test_a_season_kept_together_is_what_is_kept_beside_each_drive(store: Path, made_season: MadeSeason) -> None:
    first = gather(DriveStore(store))
    together = season_pack.read(store)
    assert list(together) == [drive.id for drive in DriveStore(store).drives]
    for drive in DriveStore(store).drives:
        key, found = together[drive.id]
        assert key == kept.analysed_key(drive)
        assert plain(season_rows.under_its_loads(found, drive)) == plain(season_rows.rows_of(drive, store))
    shutil.rmtree(store / kept.FOLDER / made_season.ids[0])  # what is kept together serves by itself
    again = gather(DriveStore(store))
    assert [(run.label, run.time_s.tolist()) for run in again.runs] == [
        (run.label, run.time_s.tolist()) for run in first.runs
    ]
    assert not (store / kept.FOLDER / made_season.ids[0] / "runs.parquet").exists()


def test_what_a_drive_teaches_is_kept_when_it_is_worked_out(store: Path, made_season: MadeSeason) -> None:
    """The newest one's too, which nobody has asked for yet: the next drive need not have its runs found again."""
    gather(DriveStore(store))
    newest = DriveStore(store, kept_only=True).drives[-2]  # the last one has no fixes
    key = kept.lesson_key(newest.drive, newest.taught.digest)
    told = kept.read_values(store, newest.id, "lesson", key)
    assert told == newest.lesson.as_json()
    read = kept.read_with_digest(store, newest.id, "lesson", key)
    assert read is not None and read[1] == Lesson.of_json(told).digest == Lesson.of_json(*read).digest


def test_a_season_kept_together_that_was_torn_or_is_of_another_key_counts_as_nothing(
    store: Path, made_season: MadeSeason
) -> None:
    gather(DriveStore(store))
    whole = season_pack.read(store)
    key, rows_of_first = whole[made_season.ids[0]]
    wrong = replace(rows_of_first, runs=rows_of_first.runs[:1])
    season_pack.write(store, {**whole, made_season.ids[0]: ("another", wrong)})
    assert plain(season_pack.read(store)[made_season.ids[0]][1]) == plain(wrong)
    before = {run.label for run in gather(DriveStore(store)).runs}
    assert {f"{made_season.ids[0]}:{run.n}" for run in rows_of_first.runs if run.clean} <= before | {
        each.label for each in gather(DriveStore(store)).left_out
    }
    assert season_pack.read(store)[made_season.ids[0]][0] == key
    file = store / kept.FOLDER / ".season" / "rows.f64"
    file.write_bytes(file.read_bytes()[:-40])
    assert season_pack.read(store) == {}


def test_a_kept_file_nested_without_end_counts_as_nothing_kept(tmp_path: Path) -> None:
    folder = tmp_path / kept.FOLDER / "drive"
    folder.mkdir(parents=True)
    for name in ("kept.json", "verb.json"):
        (folder / name).write_bytes(b"[" * 100_000)
    assert kept.read(tmp_path, "drive", "key", ["runs"]) is None
    assert kept.read_values(tmp_path, "drive", "verb", "key") is None
