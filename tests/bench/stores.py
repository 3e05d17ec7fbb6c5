"""Stores that the benches work on, made once in a folder and then looked at again and again.

`season(folder, n)`: a season of n drives of six pulls each, in four setups, every drive with its own times. Only the
first drive is driven; the others are its files with another day in the manifest, and what was worked out of them
(`season_rows`) is the first one's with the scatter of runs and days put in, so that a thousand are there in a minute.
"""

from __future__ import annotations

import json
import os
import pickle
import shutil
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import simulate
from made_drives import BASELINE, START, make_drive
from simulate import Brake, Lift, Phase, Pull, Stand, Turn

from analysis import kept
from analysis.changes import first_look, season_rows
from analysis.changes.season import gather
from analysis.changes.season_rows import DriveRows, RunRow
from analysis.drive import AnalysedDrive
from analysis.runs.lessons import Lesson
from analysis.store import DriveStore
from logger.config.setup import SetupConfig
from logger.store.manifest import MANIFEST

SETUPS = (
    {"main_jet_mm": 1.09, "snorkel": "short"}, {"main_jet_mm": 1.06, "snorkel": "short"},
    {"main_jet_mm": 1.06, "snorkel": "long"}, {"main_jet_mm": 1.09, "snorkel": "long"},
)  # fmt: skip
WEATHER = {
    "temperature_c": 21.0, "pressure_hpa": 1004.0, "humidity_percent": 55.0, "wind_mps": 1.2, "wind_from_deg": 68.0,
}  # fmt: skip


def pulls(count: int, to_mps: float = 20.0, rest_s: float = 5.0) -> list[Phase]:
    """`count` pulls from rest, to and fro."""
    script: list[Phase] = [Stand(6)]
    for number in range(count):
        script += [Stand(rest_s), Pull(to_mps, launch="slip"), Lift(14, 3), Brake(0, 2.5), Stand(2)]
        script += [Turn()] if number < count - 1 else []
    return [*script, Stand(4)]


def season(folder: Path, count: int, runs: int = 6) -> Path:
    """A store of `count` drives, all looked at already by this program; made where it is not there yet."""
    store = folder / f"season-{count}"
    mark, told = store / "made", store / "rows.pickle"
    if not told.exists():
        shutil.rmtree(store, ignore_errors=True)
        store.mkdir(parents=True)
        first, _ = make_drive(store, pulls(runs), setup=BASELINE, weather=WEATHER)
        told.write_bytes(pickle.dumps((season_rows.work_out(AnalysedDrive(first)), AnalysedDrive(first).lesson)))
        copies(first.path, count)
    if not mark.exists() or mark.read_text() != kept.program():
        look(store, *pickle.loads(told.read_bytes()))
        mark.write_text(kept.program())
    return store


def copies(first: Path, count: int) -> None:
    """The drive's files under the days that follow, three drives a week, each in its setup."""
    manifest = json.loads((first / MANIFEST).read_bytes())
    for number in range(1, count):
        began = START + timedelta(days=7 * (number // 3), hours=(number % 3) / 2)
        path = first.parent / f"{began:%Y-%m-%d_%H%M%SZ}"
        path.mkdir()
        shift = began - START
        for file in first.iterdir():
            if file.suffix == ".parquet":
                os.link(file, path / file.name)
            elif file.name != MANIFEST and file.is_file():
                shutil.copy(file, path / file.name)
        times = {name: _later(manifest[name], shift) for name in ("started_utc", "ended_utc", "added_utc")}
        parts = SETUPS[number // 3 % len(SETUPS)]
        setup = SetupConfig(name=f"setup {number // 3 % len(SETUPS)}", parts=parts).model_dump(mode="json")
        text = json.dumps({**manifest, "id": path.name, **times, "setup": setup})
        (path / MANIFEST).write_text(text, encoding="utf-8")


def _later(iso: str, shift: timedelta) -> str:
    return (datetime.fromisoformat(iso) + shift).astimezone(UTC).isoformat()


def look(store: Path, rows: DriveRows, lesson: Lesson) -> None:
    """Let the season look at every drive, as if it had worked out `rows` of it with scatter of its own."""
    rng = np.random.default_rng(18)
    by_hand, own, least = season_rows.work_out, AnalysedDrive.lesson, first_look.LEAST_DRIVES
    beside = season_rows.results_of
    season_rows.work_out = lambda drive: scattered(drive, rows, rng)
    season_rows.results_of = lambda drive: {}  # what no verb reads; it takes a drive's whole analysis
    AnalysedDrive.lesson = lesson  # type: ignore[assignment]
    first_look.LEAST_DRIVES = 1_000_000  # other processes would work out the drives' own
    try:
        gather(DriveStore(store))
    finally:
        season_rows.work_out, AnalysedDrive.lesson = by_hand, own  # type: ignore[method-assign]
        season_rows.results_of = beside
        first_look.LEAST_DRIVES = least


def scattered(drive: AnalysedDrive, rows: DriveRows, rng: np.random.Generator) -> DriveRows:
    shift = round((drive.drive.manifest.started_utc - START).total_seconds()) * 1_000_000_000
    day = 0.004 * rng.standard_normal()
    return replace(rows, runs=tuple(_run(run, shift, day + 0.01 * rng.standard_normal(), rng) for run in rows.runs))


def _run(run: RunRow, shift_ns: int, share: float, rng: np.random.Generator) -> RunRow:
    time = run.time_s * (1 + share) + 0.05 * rng.standard_normal()
    return replace(run, start_utc_ns=run.start_utc_ns + shift_ns, time_s=time)


def long_drive(folder: Path, name: str, script: Sequence[Phase], **how: object) -> Path:
    """A store of one drive of `script`; made where it is not there yet. `how`: as of `make_drive`."""
    store = folder / name
    mark = store / "made"
    if not mark.exists():
        shutil.rmtree(store, ignore_errors=True)
        store.mkdir(parents=True)
        make_drive(store, script, **how)  # type: ignore[arg-type]
        mark.touch()
    return store


def hour_of(rng: np.random.Generator, count: int, to_mps: float = 20.0, traffic_s: float = 30.0) -> list[Phase]:
    """`count` pulls with some traffic between them."""
    script: list[Phase] = [Stand(8)]
    for _ in range(count):
        script += [Stand(5), Pull(to_mps, launch="slip"), Lift(14, 3), Brake(0, 2.5), Stand(2)]
        script += simulate.traffic(rng, traffic_s)
    return [*script, Stand(4)]
