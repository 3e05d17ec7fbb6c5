"""Coasts on roads whose slope is known: told in one direction with an interval that holds, better in both."""

from __future__ import annotations

import math
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hilly_lap import HillyLap
from made_drives import START, make_drive
from made_road import CAR_FILE
from pull_worlds.country import Road, Wind
from pull_worlds.driving import Machine
from pull_worlds.known_roads import coasts_on, judge
from pull_worlds.seasons import seed_of
from run_verb import run_verb
from simulate import WREN, Brake, Coast, Cruise, Phase, Pull, Stand

from analysis.answers.learned_slopes import LearnedSlopesAnswer, coast_slopes_sentence
from analysis.arrays import Floats
from analysis.conditions.roadload import GRAVITY
from analysis.road.coast_model import Layout
from analysis.road.coastdown import fit
from analysis.road.coasts import Mass
from analysis.road.slopes import Located, slope_correlation
from analysis.road.stretch_slopes import known_slopes
from logger.config.car import CarConfig
from logger.config.reading import load
from logger.errors import NoAnswer

CAR = Machine(400.0, 8000.0, 1200.0, 0.05, 0.015, 0.55, 0.05)
MASS = Mass(400.0, 0.0, 20.0, 0.0)
STILL = Wind(0.0, 0.0, 0.0)


class Known:
    """The road of a world as if its slope were known, but for a doubt of `level` that all of it shares and one of
    `hills` that changes over 150 m."""

    roads: Known
    from_m = 0.0

    def __init__(self, road: Road, level: float, hills: float, passes: int = 5) -> None:
        self.roads, self.road, self.level, self.hills, self.count = self, road, level, hills, passes

    def locate(self, lat_deg: Floats, lon_deg: Floats, heading_deg: Floats) -> Located:
        from pull_worlds.seasons import EARTH_M, ORIGIN_DEG

        north = np.radians(lat_deg - ORIGIN_DEG[0]) * EARTH_M
        east = np.radians(lon_deg - ORIGIN_DEG[1]) * EARTH_M * math.cos(math.radians(ORIGIN_DEG[0]))
        off = np.hypot(self.road.east_m - east[:, None], self.road.north_m - north[:, None])
        way = off.argmin(axis=1)
        turn = np.radians(heading_deg - self.road.headings_deg[way])
        return Located(np.zeros(len(way), np.int64), way.astype(float), np.where(np.cos(turn) > 0, 1.0, -1.0))

    def passed(self, at: Located) -> np.ndarray:
        return np.where(at.way_m >= self.from_m, self.count, 0)

    def slope(self, at: Located) -> tuple[Floats, Floats]:
        way, sense = at.way_m[:, 0], at.sense[:, 0]
        alike = self.level**2 + self.hills**2 * slope_correlation(way[:, None] - way[None, :], 150.0)
        return sense * self.road.slopes[way.astype(int)], np.outer(sense, sense) * alike


def test_a_learned_slope_enters_as_it_is_with_its_covariance() -> None:
    """By closed form: a doubt that all of the road shares is one of the mean slope alone."""
    road = Road.any(seed_of("coasts on roads", 1), 0.012)
    coasts = coasts_on(CAR, road, STILL, [False, True, False], seed_of("coasts", 1))
    layout = Layout.of(coasts)
    [known] = known_slopes(coasts, layout, Known(road, 0.002, 0.0))  # type: ignore[arg-type, list-item]
    assert known is not None and known.passes == 5
    assert known.sigma == pytest.approx(0.002, rel=1e-3)
    assert known.shapes @ known.shapes.T == pytest.approx(np.full((len(known.place),) * 2, 0.002**2), rel=1e-6)
    [bent] = known_slopes(coasts, layout, Known(road, 0.002, 0.003))  # type: ignore[arg-type]
    assert bent is not None
    apart = np.abs(bent.place[:, None] - bent.place) * layout.length_m[0] / 2
    doubt = 0.002**2 + 0.003**2 * slope_correlation(apart, 150.0)
    assert bent.shapes @ bent.shapes.T == pytest.approx(doubt, abs=0.05 * doubt[0, 0])
    for k, coast in enumerate(coasts):
        way = layout.place[k]
        at = Known(road, 0, 0).locate(coast.lat_deg, coast.lon_deg, np.full(len(way), layout.axis_deg[0]))
        felt = at.sense * road.slopes[at.way_m.astype(int)]
        assert np.abs(known.at(way) - felt).max() < 0.002
    assert known_slopes(coasts, layout, None) == [None]
    assert known_slopes(coasts, layout, Known(road, 0, 0, passes=2)) == [None]  # type: ignore[arg-type]


def test_what_passes_miss_of_a_stretch_is_foretold_from_the_next_and_much_of_it_is_not() -> None:
    road = Road.any(seed_of("coasts on roads", 1), 0.012)
    coasts = coasts_on(CAR, road, STILL, [False, True, False], seed_of("coasts", 1))
    layout = Layout.of(coasts)
    ends = sorted(Known(road, 0, 0).locate(*(np.concatenate([getattr(each, name)[[0, -1]] for each in coasts])
                  for name in ("lat_deg", "lon_deg")), np.zeros(6)).way_m)  # fmt: skip
    [whole] = known_slopes(coasts, layout, Known(road, 0.001, 0.002))  # type: ignore[arg-type]
    for missing, told in ((0.05, True), (0.3, False)):
        some = Known(road, 0.001, 0.002)
        some.from_m = ends[0] + missing * (ends[-1] - ends[0])
        [known] = known_slopes(coasts, layout, some)  # type: ignore[arg-type]
        assert (known is not None) == told
        if known is not None and whole is not None:
            assert known.slope == pytest.approx(whole.slope, abs=0.003) and known.passes == 5


def test_in_one_direction_a_known_hill_is_taken_off_and_its_doubt_is_in_the_interval() -> None:
    road = Road.any(seed_of("coasts on roads", 2), 0.012)
    coasts = coasts_on(CAR, road, STILL, [False] * 4, seed_of("coasts", 2))
    with pytest.raises(NoAnswer, match="one direction"):
        fit(coasts, MASS)
    sure = fit(coasts, MASS, known_road=Known(road, 0.0001, 0.0001))  # type: ignore[arg-type]
    assert sure.a_n == pytest.approx(400 * GRAVITY * 0.015, rel=0.06)
    assert [each.passes for each in sure.stretches] == [5]
    assert "slope of the road as its passes show it" in sure.caveats[0]
    unsure = fit(coasts, MASS, known_road=Known(road, 0.002, 0.0001))  # type: ignore[arg-type]
    assert unsure.half_widths[0] > 0.8 * 1.96 * 400 * GRAVITY * 0.002 > sure.half_widths[0]
    with pytest.raises(NoAnswer):
        fit(coasts, MASS, known_road=Known(road, 0.02, 0.0001))  # type: ignore[arg-type]


def test_an_owner_who_states_the_slope_is_believed() -> None:
    road = Road.any(seed_of("coasts on roads", 2), 0.001)
    coasts = coasts_on(CAR, road, STILL, [False] * 4, seed_of("coasts", 2))
    given = fit(coasts, MASS, known_grade=0.002)
    with_both = fit(coasts, MASS, known_grade=0.002, known_road=Known(road, 0.0, 0.0))  # type: ignore[arg-type]
    assert with_both.a_n == given.a_n and with_both.stretches[0].passes == 0


def test_coasts_both_ways_get_better() -> None:
    """Short form of the judge: no judgement, a guard against a fault."""
    told = judge(2, 7000, 6, 100.0)
    alone, learned = told["both ways, as told alone"], told["both ways, learned"]
    assert not isinstance(alone, str) and not isinstance(learned, str)
    rms = [float(np.sqrt(np.mean(np.square([each[0] for each in some.errors])))) for some in (alone, learned)]
    assert rms[1] < rms[0] and learned.refused <= alone.refused


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_intervals_of_coasts_on_learned_roads_hold() -> None:
    told = judge(120, 0, 6, 100.0)
    held, rms = {}, {}
    for name, some in told.items():
        if not isinstance(some, str):
            assert len(some.errors) >= 60
            held[name] = np.mean(np.abs(some.errors) <= np.array(some.halves), axis=0)
            rms[name] = np.sqrt(np.mean(np.square(some.errors), axis=0))
    assert (held["one way"] > 0.91).all(), held
    # In both directions the bar of 95 % is not met, with learned slopes or without: see docs/methods/road.md.
    assert (rms["both ways, learned"] < 0.6 * rms["both ways, as told alone"]).all(), rms
    assert (held["both ways, learned"] > held["both ways, as told alone"] - 0.1).all(), held


# --- through files and the command --------------------------------------------------------------------------------

LAP = HillyLap(waves=((2, 0.004), (5, 0.005)))
ROUND: list[Phase] = [Stand(15), Pull(13), Cruise(13, 215), Brake(0), Stand(8)]
COASTS: list[Phase] = [Stand(15), *([Pull(21), Coast(6), Brake(0), Stand(6), Cruise(14, 150), Brake(0), Stand(6)] * 3)]


def test_the_command_tells_one_way_coasts_on_a_known_road(tmp_path: Path) -> None:
    car = load(CAR_FILE, CarConfig)
    weather = {"temperature_c": 15.0, "pressure_hpa": 1013.0, "humidity_percent": 60.0, "wind_mps": 0.0}
    first, _ = make_drive(tmp_path, COASTS, seed=9, road=LAP, car=car, weather=weather)
    refused = run_verb(tmp_path, "coast", first.id)
    assert refused.code == 1 and "one direction" in refused.err
    for k in range(1, 5):
        make_drive(tmp_path, ROUND, seed=k, road=LAP, car=car, weather=weather, start=START + timedelta(hours=k))
    last, _ = make_drive(
        tmp_path, COASTS, seed=10, road=LAP, car=car, weather=weather, start=START + timedelta(hours=8)
    )  # fmt: skip
    found = run_verb(tmp_path, "coast", last.id, "--json").json
    assert found["slopes"]["passes_least"] >= 3 and 0 < found["slopes"]["sigma"] < 0.005
    assert all(min(each["forward"], each["backward"]) == 0 for each in found["stretches"])
    assert any(each["passes"] >= 3 for each in found["stretches"])
    assert found["a_n"] == pytest.approx(WREN.a_n, abs=found["half_width_95"]["a_n"])
    words = " ".join(run_verb(tmp_path, "coast", last.id).out.split())
    assert f"the altitude of {found['slopes']['passes_least']}" in words and "one direction" in words
    ran = [each["forward"] + each["backward"] for each in found["stretches"] if each["passes"]]
    assert sum(ran) > len(ran) and found["slopes"]["share"] == sum(ran) / len(found["list"])
    assert coast_slopes_sentence(LearnedSlopesAnswer(**found["slopes"])) in words
    counts = [each["passes"] for each in found["stretches"] if each["passes"]]
    assert (min(counts), max(counts)) == (found["slopes"]["passes_least"], found["slopes"]["passes_most"])
    # What came after a drive tells nothing of it.
    assert run_verb(tmp_path, "coast", first.id).code == 1
