"""Power over a season: which pulls enter, under which road load, what parts did, what rolling pulls replace."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from tuning.pull_worlds import ROAD, World
from tuning.pull_worlds import season as pulls_of_world

from analysis.changes import season as seasons
from analysis.changes.full_throttle import RunLeftOut
from analysis.changes.observations import Observation, Side
from analysis.changes.power_plan import power_mix
from analysis.changes.power_sides import power_by_setup, power_effects, power_held, side_pulls
from analysis.changes.season import SeasonRecord
from analysis.changes.season_pulls import SeasonPull
from logger.config.car import CarConfig


def made(world: World, design: str = "A-B-A", seed: int = 1) -> list[SeasonPull]:
    return pulls_of_world(world, design, np.random.default_rng([98, seed]))


def record(pulls: Sequence[SeasonPull], runs: Sequence[Observation] = ()) -> SeasonRecord:
    return SeasonRecord(list(runs), [], [], [], "mph", "SAE J1349", "", pulls=list(pulls))


def side(name: str, pulls: Sequence[SeasonPull]) -> Side:
    mine = [each for each in pulls if each.setup == name]
    return Side(name, [], mine[0].parts, drives=tuple({each.drive for each in mine}))


def run(label: str, tags: tuple[str, ...] = ()) -> Observation:
    one = np.ones(2)
    return Observation(label, "A", {"jet": 0}, label.partition(":")[0], 0, 0.0, 0.0, one, one, one, tags=tags)


def test_only_full_pulls_count_and_the_others_are_named() -> None:
    pulls = made(World(part=(0.5, 0.5)))
    season = record(pulls)
    assert 0 < len(season.pulls_left_out) < len(pulls)
    assert len(season.full_pulls) + len(season.pulls_left_out) == len(pulls)
    assert all(each in season.full_pulls for each in pulls if each.trusted)
    assert season.full_pulls is season.full_pulls  # told once


def test_a_side_is_its_drives_or_the_runs_that_were_named() -> None:
    pulls = made(World())
    season = record(pulls)
    whole = side_pulls(side("B", pulls), season)
    assert {each.setup for each in whole} == {"B"} and any(each.rolling for each in whole)
    start = next(each for each in pulls if each.trusted and each.setup == "A")
    named = side_pulls(Side("A:1", [run(start.label)], start.parts), season)
    assert {each.label for each in named} == {start.label}
    assert power_held(side("A", pulls), side("A", pulls), season) is None  # nothing is held against itself
    found = power_held(side("A", pulls), side("B", pulls), season)
    assert found is not None and found.days == "cancelled" and math.isfinite(found.overall.low)
    assert power_held(side("A", pulls), side("B", pulls), record([])) is None


def test_one_part_is_one_effect_and_as_compare_tells_it() -> None:
    season = record(made(World(effect=0.06)))
    [effect] = power_effects(season)
    assert [str(each) for each in effect.changes] == ["jet 0 -> 1"]
    assert effect.low < 0.06 < effect.high and effect.low > 0
    held = power_held(side("A", season.pulls), side("B", season.pulls), season)
    assert held is not None
    assert effect.change == pytest.approx(held.overall.change, abs=0.003)
    assert effect.high - effect.low == pytest.approx(held.overall.high - held.overall.low, rel=0.1)
    assert power_effects(record([each for each in season.pulls if each.setup == "A"])) == []


def test_two_parts_add_up_and_their_intervals_hold_together() -> None:
    """The jet gains 5 % and a snorkel, fitted for the last leg, is a column of its own."""
    pulls = made(World(effect=0.05), "A-B-A-B")
    last = [replace(each, parts={"jet": 1, "snorkel": "long"}) if each.drive == "d3" else
            replace(each, parts={**(each.parts or {}), "snorkel": "short"}) for each in pulls]  # fmt: skip
    jet, snorkel = power_effects(record(last))
    assert str(jet.changes[0]) == "jet 0 -> 1" and str(snorkel.changes[0]) == "snorkel short -> long"
    assert jet.low < 0.05 < jet.high and snorkel.low < 0.0 < snorkel.high
    alone = power_effects(record(pulls))[0]
    assert jet.high - jet.low > 1.2 * (alone.high - alone.low)


def test_setups_stand_against_the_first_that_has_pulls() -> None:
    pulls = made(World(effect=-0.06))
    nobody = Side("none", [], {"jet": 7})
    first, none, second = power_by_setup(record(pulls), [side("A", pulls), nobody, side("B", pulls)])
    assert first is None and none is None and second is not None
    assert second.low < -0.06 < second.high < 0
    assert power_by_setup(record(pulls), [nobody, side("B", pulls)]) == [None, None]


def test_rolling_pulls_replace_starts() -> None:
    found = power_mix(record(made(World())), 0.04)
    assert found is not None and found.driven
    assert found.starts >= 4 and found.fewer_starts <= max(found.starts // 2 + 1, 2)
    assert found.rolling > 0 and 0.5 <= found.for_a_start <= 10
    easier = power_mix(record(made(World())), 0.08)
    assert easier is not None and easier.starts <= found.starts
    few = [each for each in made(World()) if each.rolling]
    assert power_mix(record(few), 0.04) is None
    unseen = power_mix(record(made(World(rolling=0))), 0.06)
    assert unseen is not None and not unseen.driven


def test_pulls_of_runs_that_do_not_count_stay_out_and_those_of_runs_are_trusted() -> None:
    pulls = [replace(each, trusted=False) for each in made(World())]
    starts = [each.label for each in pulls if not each.rolling]
    entering = seasons._entering(pulls, [run(label) for label in starts[1:]])
    assert starts[0] not in {each.label for each in entering}
    assert all(each.trusted == (not each.rolling) for each in entering)
    assert sum(each.rolling for each in entering) == sum(each.rolling for each in pulls)


def test_tags_take_rolling_pulls_out_where_they_may_be_of_them() -> None:
    pulls = made(World())
    labels = list(dict.fromkeys(each.label for each in pulls if each.trusted))
    runs = [run(label, ("passenger",) if label.startswith("d1:") else ()) for label in labels]
    season = record(pulls, runs)
    without = seasons.tagged(season, (), ("passenger",))
    assert {each.drive for each in without.pulls} == {"d0", "d2"} and any(each.rolling for each in without.pulls)
    only = seasons.tagged(season, ("passenger",), ())
    assert {each.drive for each in only.pulls} == {"d1"} and not any(each.rolling for each in only.pulls)
    assert isinstance(only.left_out[0], RunLeftOut)


def test_all_pulls_stand_under_their_cars_newest_road_load() -> None:
    """One drive by a guess and the next by coasts, on one car: its drag is no difference of power."""
    car = {"name": "Wren", "mass_kg": 400.0, "cooling": "air"}
    old, new = (CarConfig.model_validate({"car": car | {"rolling_coefficient": share}}) for share in (0.015, 0.02))
    drives = [
        SimpleNamespace(id=f"d{k}", car=car, air=SimpleNamespace(density_kg_per_m3=1.2))
        for k, car in enumerate((old, old, new))
    ]
    loads = {each.drive: each.pull.road for each in seasons._under_one_road(made(World()), drives)}  # type: ignore[arg-type]
    assert loads["d0"] == loads["d1"] == loads["d2"] != ROAD
    assert loads["d0"].a_mps2 == pytest.approx(0.02 * 9.80665)


def test_what_is_full_is_kept_and_never_stale(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pulls = made(World(part=(0.3, 0.3)))
    store = SimpleNamespace(path=tmp_path)
    first = replace(record(pulls), store=store)  # type: ignore[arg-type]
    told = [each.label for each in first.full_pulls]
    assert [path.name for path in tmp_path.rglob("*") if path.is_file()] == ["full_pulls.json"]
    asked = []

    def anew(given: Sequence[SeasonPull]) -> list[str]:
        asked.append(len(given))
        return ["" for _ in given]

    monkeypatch.setattr(seasons, "why_not_full", anew)
    again = replace(record(pulls), store=store)  # type: ignore[arg-type]
    assert [each.label for each in again.full_pulls] == told and asked == []
    weaker = replace(pulls[3], pull=replace(pulls[3].pull, rate=0.9 * pulls[3].pull.rate))
    changed = replace(record([*pulls[:3], weaker, *pulls[4:]]), store=store)  # type: ignore[arg-type]
    assert len(changed.full_pulls) == len(pulls) and asked == [len(pulls)]
