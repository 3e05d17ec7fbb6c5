"""The load on a road that was passed before: by the slopes that all passes tell, with a standard error that holds."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hilly_lap import HillyLap
from made_drives import START, make_drive
from run_verb import run_verb
from simulate import Cruise, Lift, Phase, Pull, Stand, Truth

from analysis.answers.learned_slopes import LearnedSlopesAnswer, load_slopes_sentence
from analysis.arrays import Floats
from analysis.conditions.roadload import GRAVITY
from analysis.motion.fixes import Fixes
from analysis.road.slope_along import LearnedAlong, slope_along
from analysis.road.slopes import Located
from analysis.store import DriveStore

LAP = HillyLap()
SCRIPT: list[Phase] = [
    Stand(15), Pull(12), Cruise(12, 60), Pull(18), Lift(11, 6), Cruise(11, 70), Pull(20), Lift(12, 6), Cruise(12, 60),
    Pull(16), Lift(12, 5), Cruise(12, 50),
]  # fmt: skip


@pytest.fixture(scope="module")
def driven(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[tuple[str, Truth]]]:
    """Five drives of somewhat more than a lap."""
    store = tmp_path_factory.mktemp("laps")
    made = [
        make_drive(store, SCRIPT, seed=k, road=LAP, start=START + timedelta(hours=k)) for k in range(1, 6)
    ]  # fmt: skip
    return store, [(drive.id, truth) for drive, truth in made]


def test_slopes_by_all_passes_are_better_than_by_one_altitude(driven: tuple[Path, list[tuple[str, Truth]]]) -> None:
    store, made = driven
    name, truth = made[-1]
    found = DriveStore(store).drive(name).map
    assert found.slopes is not None
    moving = (truth.v_mps > 4) & (truth.t_s < truth.t_s[-1] - 2)
    when = truth.t_s[moving] + _offset(found.state.time_s, found.state.speed_mps, truth)
    at = np.interp(when, found.state.time_s, np.arange(len(found.state.time_s))).round().astype(int)
    told = np.interp(when, found.slopes.t_s, found.slopes.slope)
    alone = told - (found.state.load_mps2 - found.alone.load_mps2)[at] / GRAVITY  # slope is all that they differ by
    errors = [float(np.sqrt(np.mean((each - truth.grade[moving]) ** 2))) for each in (told, alone)]
    assert errors[0] < 0.7 * errors[1] and errors[0] < 0.006
    assert found.slopes.share > 0.9 and found.slopes.passes[0] >= 3 and found.slopes.passes[1] <= 10
    assert 0.5 * errors[0] < found.slopes.sigma < 2 * errors[0]


def test_what_came_after_a_drive_tells_nothing_of_it(driven: tuple[Path, list[tuple[str, Truth]]]) -> None:
    store, made = driven
    first = DriveStore(store).drive(made[0][0]).map
    assert first.slopes is None and first.state is first.alone
    assert first.answer.cells == first.answer_alone.cells


def test_the_command_says_from_how_many_passes(driven: tuple[Path, list[tuple[str, Truth]]]) -> None:
    store, made = driven
    told: dict[str, Any] = run_verb(store, "mixture", made[-1][0], "--json").json["slopes"]
    assert 3 <= told["passes_least"] <= told["passes_most"] and 0 < told["sigma"] < 0.006
    words = " ".join(run_verb(store, "mixture", made[-1][0], "--why").out.split())
    assert f"the altitude of {told['passes_least']}" in words and "of the way are from" in words
    assert told["passes_least"] < told["passes_most"] and 0.9 < told["share"] <= 1.0
    assert load_slopes_sentence(LearnedSlopesAnswer(**told)) in words
    assert run_verb(store, "mixture", made[0][0], "--json").json["slopes"] is None
    alone = " ".join(run_verb(store, "mixture", made[0][0], "--why").out.split())
    assert "from this drive's altitude alone" in alone


class Known:
    """A road to the north that rises by 2 %, passed five times up to 500 m and twice beyond."""

    roads: Known

    def __init__(self) -> None:
        self.roads = self

    def locate(self, lat_deg: Floats, lon_deg: Floats, heading_deg: Floats) -> Located:
        way = (lat_deg - 45) * 111_195.0
        return Located(np.zeros(len(way), np.int64), way, np.where(np.cos(np.radians(heading_deg)) > 0, 1.0, -1.0))

    def passed(self, at: Located) -> np.ndarray:
        return np.where(at.way_m < 500, 5, 2)

    def slope(self, at: Located) -> tuple[Floats, Floats]:
        return 0.02 * at.sense[:, 0], 0.003**2 * np.eye(len(at.sense))


@pytest.mark.parametrize("back", [False, True])
def test_a_known_slope_is_taken_where_it_is_known_and_no_further(back: bool) -> None:
    """By closed form."""
    t = np.arange(0, 100.0, 0.1)
    way = 10 * t
    lat = 45 + (1000 - way if back else way) / 111_195
    rng = np.random.default_rng(0)
    nothing = np.full(len(t), np.nan)
    fixes = Fixes.of(t, np.full(len(t), 10.0), lat, np.full(len(t), 7.0), 50 + rng.normal(0, 1, len(t)), nothing)
    found = slope_along(fixes, way, np.full(len(t), 0.123), Known())  # type: ignore[arg-type]
    assert isinstance(found, LearnedAlong)
    place = 1000 - way if back else way
    assert found.slope[place < 480] == pytest.approx(-0.02 if back else 0.02)
    assert found.slope[place > 530] == pytest.approx(0.123)
    assert found.share == pytest.approx(0.5, abs=0.03) and found.passes == (5, 5)
    assert found.sigma == pytest.approx(0.003)
    assert slope_along(fixes, way, nothing, None) is None


def _offset(time_s: Floats, speed_mps: Floats, truth: Truth) -> float:
    """What has to be added to the truth's times to have the drive's [s]."""
    tried = np.arange(-3, 3, 0.05)
    good = np.isfinite(speed_mps)
    return float(min(tried, key=lambda by: np.mean(
        np.abs(np.interp(truth.t_s + by, time_s[good], speed_mps[good]) - truth.v_mps))))  # fmt: skip
