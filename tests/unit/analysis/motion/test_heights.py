"""Heights: those that a receiver holds or that no road has are not measured, and no grade is told by them."""

from __future__ import annotations

import dataclasses
import math
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import simulate
from airfield import Road
from bad_drives import plant as plant_bad
from made_drives import START, make_drive
from odd_drives import plant
from simulate import WREN, Brake, Lift, Phase, Pull, Stand, Turn
from tuning.slope_roads import Road as HillyRoad

from analysis.answers.runs import runs_answer
from analysis.arrays import Floats
from analysis.motion.fixes import Fixes, clean
from analysis.motion.heights import HIGHEST_M, measured
from analysis.motion.smoother import smooth
from analysis.motion.stretch import Grade
from analysis.road.slopes import heights, learn
from analysis.runs.finding import find
from analysis.store import DriveStore

TWICE: list[Phase] = [Stand(8), Pull(19, "bite"), Brake(0, 3.0), Stand(5), Turn(), Pull(19, "bite"), Brake(0), Stand(5)]


def on_a_hill(rests: int = 2) -> tuple[Fixes, float]:
    """Fixes of a start on a hill between some standstills, and the grade of its way [%]."""
    before: list[Phase] = [phase for _ in range(rests - 2) for phase in (Stand(20), Pull(6), Brake(0))]
    truth = simulate.drive(WREN, [*before, Stand(20), Pull(23), Lift(15), Brake(0), Stand(20)], Road(swing_m=25.0))
    run = truth.runs[-1]
    inside = (truth.t_s >= run.start_s) & (truth.t_s <= run.t_s[-1])
    rise = 100 * float(np.polyfit(truth.s_m[inside], truth.alt_m[inside], 1)[0])
    return received(truth, 1), rise


def received(truth: simulate.Truth, seed: int) -> Fixes:
    got = simulate.receive(truth, np.random.default_rng(seed), 10.0, 0.05)
    return Fixes.of(got.t_s, got.speed_mps, got.lat_deg, got.lon_deg, got.alt_m, got.course_deg)


def grade_of(fixes: Fixes, alt_m: Floats) -> Grade:
    kept, _ = clean(dataclasses.replace(fixes, alt_m=alt_m))
    return find(smooth(kept), kept)[-1].grade


def test_a_held_height_tells_no_grade() -> None:
    fixes, rise = on_a_hill()
    assert abs(rise) > 3.0
    told = grade_of(fixes, fixes.alt_m)
    assert abs(told.percent - rise) < 3 * told.sigma
    held = grade_of(fixes, np.full(len(fixes), 245.4))
    assert math.isnan(held.percent) and math.isnan(held.sigma)


@pytest.mark.parametrize("again_s", [20.0, 8.0, 2.0, 1.0])
def test_heights_held_for_a_while_keep_the_sigma_true(again_s: float) -> None:
    """Told every so many seconds and held in between; while the car stands they never change."""
    fixes, rise = on_a_hill(12)
    standing = fixes.speed_mps < 0.4
    since = np.floor(fixes.t_s / again_s)
    first = np.searchsorted(since, since)
    found = grade_of(fixes, np.where(standing, 245.0, fixes.alt_m[first]))
    assert math.isnan(found.percent) or abs(found.percent - rise) < 3 * found.sigma
    assert (not found.sigma < 5.0) == (again_s > 5.0)


def test_standstills_with_an_unchanged_height_tell_nothing_of_its_wander() -> None:
    """Receivers that hold their position at rest do so with the height: it doesn't mean that it is exact."""
    fixes, _ = on_a_hill(12)
    few = grade_of(fixes, np.where(fixes.t_s < fixes.t_s[-1] - 70, 245.0, fixes.alt_m))
    still = grade_of(fixes, np.where(fixes.speed_mps < 0.4, 245.0, fixes.alt_m))
    assert still.sigma > 0.5 * few.sigma and still.sigma > 0.15


def test_what_is_measured() -> None:
    t = np.arange(0, 40.0, 0.1)
    v = np.full(len(t), 10.0)
    rising = np.round(100 + 0.2 * t, 1)
    assert np.array_equal(measured(t, v, rising), rising)
    held = np.where((t > 10) & (t < 20), 103.0, rising)
    kept = measured(t, v, held)
    assert np.isnan(kept[(t > 10.2) & (t < 19.9)]).all() and np.isfinite(kept[(t < 10.05) | (t > 20)]).all()
    assert np.array_equal(measured(t, 0 * v, held), held)  # standing still, a height may stay as it is
    gone = np.where(np.arange(len(t)) % 3 == 0, np.nan, held)
    assert np.isnan(measured(t, v, gone)[(t > 10.5) & (t < 19.9)]).all()
    wild = measured(t, v, np.where(t > 30, 1e20, np.where(t > 20, -np.inf, rising)))
    assert np.array_equal(np.isnan(wild), t > 20) and HIGHEST_M > 8849  # m, Mount Everest (from memory)
    assert len(measured(t[:0], v[:0], t[:0])) == 0 and np.isnan(measured(t, v, np.full(len(t), np.nan))).all()


def test_roads_are_not_learned_from_held_heights() -> None:
    road = HillyRoad(np.random.default_rng(1), 0.012)
    t = np.arange(0, 120.0, 0.1)
    way = (20 + 13 * t).astype(int)
    lat, lon = road.degrees(road.east[way], road.north[way])
    told, held = road.height[way] + 200, np.full(len(t), 200.0)
    assert learn([heights(t, np.full(len(t), 13.0), lat, lon, told)] * 4) is not None
    assert learn([heights(t, np.full(len(t), 13.0), lat, lon, held)] * 4) is None


def test_the_heights_of_one_drive_do_not_stop_the_runs_of_another(tmp_path: Path) -> None:
    """Passes over one road, one with heights beyond any road, one unreadable: a later drive's runs keep their grade."""
    made = [make_drive(tmp_path, TWICE, seed=k, start=START + timedelta(hours=k))[0] for k in range(4)]
    good = runs_answer(DriveStore(tmp_path).drive(made[-1].id)).runs
    assert good[0].road_passes >= 4
    plant("heights beyond numbers", tmp_path, made[1].path)
    odd = plant_bad("raw and table flipped", tmp_path, made[1].path)
    told = runs_answer(DriveStore(tmp_path).drive(made[-1].id)).runs
    assert odd.is_dir() and len(told) == len(good) == 2
    for run, alone in zip(told, good, strict=True):
        assert run.road_passes == alone.road_passes
        assert run.road_grade_percent == alone.road_grade_percent  # the copies add no pass
