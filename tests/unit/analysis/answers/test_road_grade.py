"""The grade of a run's road by all passes: from fixes in a store to the answer, its words and what is kept."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
from pull_worlds.country import Road, Wind
from pull_worlds.driving import LegPlan, Machine, drive_leg
from pull_worlds.seasons import RIG, Receiver, _sentences, received, seed_of

from analysis.answers.runs import runs_answer
from analysis.answers.timed_run import grade_words, road_words
from analysis.store import DriveStore
from logger.config import reading
from logger.config.recorder import RecorderConfig
from logger.store import drive as drives

CAR = Machine(400.0, 8000.0, 1200.0, 0.05, 0.015, 0.55, 0.05)


def write(store: Path, road: Road, number: int, starts: int, tilt: float = 0.0) -> str:
    """A drive of standing starts to and fro on the road; its heights wander by 3 m, and may be told tilted."""
    rng = seed_of("road grade", number)
    leg = drive_leg(CAR, road, Wind(0.0, 0.0, 0.0), LegPlan(starts, 0), rng)
    fixes = received(leg, road, Receiver(height_m=3.0, height_s=100.0), rng)
    fixes["height_m"] = fixes["height_m"] + tilt * fixes["east_m"]
    began = datetime(2026, 4, 4, 9, tzinfo=UTC) + timedelta(days=7 * number)
    raw = pa.table({
        "mono_ns": pa.array([round((500.0 + t) * 1e9) for t in fixes["t_s"]], pa.int64()),
        "source": pa.array(["gps"] * len(fixes["t_s"])).dictionary_encode(),
        "data": pa.array(_sentences(fixes, began), pa.binary()),
    })  # fmt: skip
    return drives.write(store, raw, reading.parse(RIG, RecorderConfig, "rig"), RIG, None, None, None).id


def test_the_grade_of_a_run_is_told_by_all_passes_of_its_road(tmp_path: Path) -> None:
    road = Road.any(seed_of("grade of a run"), 0.015)
    alone = write(tmp_path, road, 0, 2)
    first = runs_answer(DriveStore(tmp_path).drive(alone)).runs
    assert all(run.road_passes == 0 and math.isnan(run.road_grade_percent) for run in first)
    assert road_words(first) == "" and "†" not in grade_words(first[0])
    last = [write(tmp_path, road, number, 4) for number in (1, 2)][-1]
    found = runs_answer(DriveStore(tmp_path).drive(last)).runs
    starts = [run for run in found if run.peak_mps > 15]
    assert len(starts) == 4 and all(run.road_passes >= 3 for run in starts)
    for run in starts:
        # Between the marks at 450 and 880 m; out first, as `drive_leg` goes.
        out = abs((run.direction_deg - float(road.at(np.array([500.0]))[0][0]) + 180) % 360 - 180) < 90
        begun = 450.0 if out else 880.0
        ends = road.at(np.array([begun, begun + (1 if out else -1) * run.distance_m]))[1]
        true = 100 * float(ends[1] - ends[0]) / run.distance_m
        assert abs(run.road_grade_percent - true) < 3 * run.road_grade_sigma_percent + 0.1
        assert run.road_grade_sigma_percent < 0.6
    marked = [run for run in starts if grade_words(run).endswith("†")]
    assert marked and road_words(starts).startswith("† The grade of the road, from the altitude of")
    # What came after a drive never changes what was said of it.
    again = runs_answer(DriveStore(tmp_path).drive(alone)).runs
    assert all(run.road_passes == 0 for run in again)


def test_a_kept_answer_does_not_outlive_the_passes_it_was_made_of(tmp_path: Path) -> None:
    """Of the same speeds, so that the drives teach the same; only the heights of the first are told otherwise."""
    road = Road.any(seed_of("grade of a run"), 0.015)
    first, last = (write(tmp_path, road, number, 4) for number in (1, 2))
    with_it = runs_answer(DriveStore(tmp_path).drive(last)).runs
    assert max(run.road_passes for run in with_it) >= 6
    (tmp_path / first).rename(tmp_path.parent / f"{tmp_path.name}-away")
    assert write(tmp_path, road, 1, 4, tilt=0.05) == first
    otherwise = runs_answer(DriveStore(tmp_path).drive(last)).runs
    assert [run.peak_mps for run in with_it] == [run.peak_mps for run in otherwise]
    assert all(
        abs(a.road_grade_percent - b.road_grade_percent) > 0.3 for a, b in zip(with_it, otherwise, strict=True)
    )  # fmt: skip
