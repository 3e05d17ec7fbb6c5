"""Every verb of the recorder's on spoilt files: an answer, or one line; never a traceback, never for ever.

A few dozen mutations a verb here, thousands under the marker `long`. The same seed gives the same mutation.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import random
import resource
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import simulate
from made_drives import RIG, make_drive
from mutations import WORDS, mutated, spoil
from rig import rmc
from typer.testing import CliRunner, Result

from logger.cli import drives as cli
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.framing import Chunk
from logger.errors import DriveError, InputError, NoAnswer
from logger.store import bulkhead, capture, drive, making
from logger.store.journal import JournalWriter
from logger.store.presence import Lock, write_state

CONFIGS = Path(__file__).parents[4] / "configs"
SEEDS = [
    pytest.param(range(30), id="short"),
    *(pytest.param(range(1000 + 200 * n, 1200 + 200 * n), id=f"long{n}", marks=pytest.mark.long) for n in range(10)),
]
seeds = pytest.mark.parametrize("seeds", SEEDS)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all that a mutation may start from: a store with a drive, a capture, logs, configurations."""
    root = tmp_path_factory.mktemp("good")
    script = [simulate.Stand(3), simulate.Pull(4.0), simulate.Brake(0)]
    made, _ = make_drive(root / "store", script, weather={"wind_mps": 2.0}, notes=[(2.0, "hill")])
    capture.write(root / "drive.jsonl", made.table("raw"))
    (root / "drive.jsonl.gz").write_bytes(gzip.compress((root / "drive.jsonl").read_bytes(), 1))
    log = b"".join(data for _, name, data in capture.rows(made.table("raw")) if name == "gps")
    (root / "drive.nmea").write_bytes(log)
    for name in ("recorder.toml", "wren.toml", "targets.toml", "jets.toml"):
        shutil.copy(CONFIGS / name, root / name)
    (root / "rig.toml").write_text(RIG)
    shutil.copy(CONFIGS / "setups" / "baseline.toml", root / "setup.toml")
    writer = JournalWriter(making.begin(root / "cut-off", RIG))
    for n in range(5):
        writer.extend([Chunk(n * 10**9, "gps", rmc(n, 5.0)), Chunk(n * 10**9 + 1, "mixture", b"13.%d\r\n" % n)])
        writer.flush()
    writer.close()
    return root


def run(*arguments: Any) -> Result:
    """The verb's outcome, held to what it may be: an answer, or one line by way of an error that has an exit code."""
    result = CliRunner().invoke(cli.app, [str(argument) for argument in arguments])
    if result.exception is None or isinstance(result.exception, SystemExit):
        assert "Traceback" not in result.output
        return result
    if not isinstance(result.exception, InputError | NoAnswer):
        raise AssertionError(arguments) from result.exception
    line = str(result.exception)
    assert line.strip() and len(line.splitlines()) == 1 and len(line) < 2000, line
    return result


def over(seeds: range, good: Path, tmp_path: Path, one: Callable[[random.Random, Path], None]) -> None:
    for seed in seeds:
        folder = Path(shutil.copytree(good, tmp_path / str(seed)))
        try:
            one(random.Random(seed), folder)
        except Exception as error:
            raise AssertionError(f"seed {seed}") from error
        shutil.rmtree(folder)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 1_500_000  # kB: no mutation may ask for the machine


@seeds
def test_import(good: Path, tmp_path: Path, seeds: range) -> None:
    def one(rng: random.Random, folder: Path) -> None:
        which = rng.choice(["drive.jsonl", "drive.jsonl", "drive.jsonl.gz", "drive.nmea", "drive.nmea"])
        spoilt = rng.choice([which, which, which, "rig.toml", "setup.toml", "wren.toml"])
        spoil(folder / spoilt, rng)
        options = ["--config", folder / "rig.toml"] if which != "drive.nmea" or rng.random() < 0.5 else []
        options += ["--setup", folder / "setup.toml", "--car", folder / "wren.toml"] if rng.random() < 0.5 else []
        run("import", folder / which, *options, "--store", folder / "new", *rng.choice([[], ["--json"]]))
        for made in drive.list_drives(folder / "new"):
            for name in made.table_names:
                made.table(name)

    over(seeds, good, tmp_path, one)


@seeds
def test_rebuild_and_what_reads_a_drive(good: Path, tmp_path: Path, seeds: range) -> None:
    def one(rng: random.Random, folder: Path) -> None:
        (path,) = (path for path in (folder / "store").iterdir() if not path.name.startswith("."))
        whole = {name: drive.open_folder(path).table(name) for name in ("gps", "mixture")}
        for _ in range(rng.randint(1, 2)):
            spoil(path, rng)
        with contextlib.suppress(DriveError):  # what is answered at all is answered rightly
            made = drive.open_folder(path)
            same = made.config == parse(RIG, RecorderConfig, "rig")
            for name in whole if same else ():
                with contextlib.suppress(DriveError):
                    assert made.table(name).equals(whole[name])
        listed = drive.list_drives(folder / "store")
        list(bulkhead.each(listed, lambda made: [made.table(name) for name in (*made.table_names, "raw")]))
        run("capture", path.name, folder / "out.jsonl", "--force", "--store", folder / "store")
        options: list[Any] = rng.choice([[], ["--config", folder / "rig.toml"], ["--setup", folder / "setup.toml"]])
        result = run("rebuild", path.name, *options, "--store", folder / "store")
        if result.exception is None:
            assert [made.id for made in drive.list_drives(folder / "store")] == [path.name]
            run("capture", path.name, folder / "out.jsonl", "--force", "--store", folder / "store")

    over(seeds, good, tmp_path, one)


@seeds
def test_recover(good: Path, tmp_path: Path, seeds: range) -> None:
    def one(rng: random.Random, folder: Path) -> None:
        store = folder / "cut-off"
        (path,) = (path for path in store.iterdir() if (path / "journal").is_dir())
        shutil.copytree(path, store / "2026-02-02_000000Z")
        spoil(path / "journal", rng)
        run("recover", "--store", store, *rng.choice([[], ["--json"]]))
        rows = [made.table("mixture").num_rows for made in drive.list_drives(store) if "mixture" in made.table_names]
        assert 5 in rows  # the whole one beside it, under the name that its clock gives
        run("capture", "last", folder / "x.jsonl", "--store", store)

    over(seeds, good, tmp_path, one)


@seeds
def test_check(good: Path, tmp_path: Path, seeds: range) -> None:
    def one(rng: random.Random, folder: Path) -> None:
        spoil(folder / rng.choice(["recorder.toml", "recorder.toml", "wren.toml", "targets.toml", "jets.toml"]), rng)
        shutil.copy(folder / "setup.toml", folder / "store" / "setup.toml")
        run("check", folder / "recorder.toml", "--store", folder / "store")

    over(seeds, good, tmp_path, one)


@seeds
def test_status(good: Path, tmp_path: Path, seeds: range) -> None:
    state = {
        "state": "recording", "pid": 5, "since_utc": "2026-05-02T09:14:30+00:00", "drive": "2026-05-02_091430Z",
        "updated_utc": "2026-05-02T09:15:30+00:00", "recorded_s": 60.0, "speed_mps": 3.2, "free_mb": 10000.0,
        "trouble": "x", "lost_bytes": 0, "drives": [], "unfinished": [],
        "sources": [
            {"name": "gps", "kind": "nmea", "state": "open", "port": "/dev/ttyACM0", "baud": 38400, "why": "",
             "bytes": 5, "bytes_per_s": 1.0, "lines_per_s": 0.1, "opened_ns": 5, "last_bytes_s_ago": 0.1, "losses": 0},
        ],
    }  # fmt: skip

    def one(rng: random.Random, folder: Path) -> None:
        with Lock(folder):
            write_state(folder, state)
            spoil(folder / ".recorder" / "state.json", rng)
            run("status", "--store", folder, *rng.choice([[], ["--json"]]))

    over(seeds, good, tmp_path, one)


@seeds
def test_note_and_names_of_any_kind(good: Path, tmp_path: Path, seeds: range) -> None:
    def one(rng: random.Random, folder: Path) -> None:
        text = os.fsdecode(mutated(b"the snorkel rattles \xc3\xa9", rng)).replace("\0", "")
        with Lock(folder):
            run("note", text, "--store", folder)
        name = text[:60].replace("/", "_").replace(".", "_").strip() or "x"
        with contextlib.suppress(OSError):
            shutil.copy(folder / "drive.nmea", folder / name)
        result = run("import", folder / name, "--store", folder / "new")
        assert "\x1b" not in result.output and "\u202e" not in result.output
        run("capture", name, folder / "x.jsonl", "--store", folder / "store")
        run("rebuild", name, "--store", folder / "store")

    over(seeds, good, tmp_path, one)


@pytest.mark.parametrize("word", WORDS[:12] + WORDS[-12:], ids=range(24))
def test_a_note_of_json_words_is_a_note(tmp_path: Path, word: bytes) -> None:
    box = tmp_path / ".recorder" / "notes"
    box.mkdir(parents=True)
    (box / "1.json").write_bytes(b'{"text": "a", "mono_ns": ' + word + b', "utc": "2026-05-02T09:14:30+00:00"}')
    from logger.decode import events
    from logger.store.presence import notes_left

    for _, note in notes_left(tmp_path):
        json.loads(events.left(note).data)
