"""Power over a season: which pulls enter, under which road load, what parts did, what rolling pulls replace."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from tuning.pull_worlds import ROAD, World
from tuning.pull_worlds import season as pulls_of_world

from analysis.changes import gathering, power_sides, season_record
from analysis.changes.compare_power import PowerComparison, compare_power
from analysis.changes.full_power import why_not_full
from analysis.changes.observations import Observation, Side
from analysis.changes.power_plan import power_mix
from analysis.changes.power_sides import between, power_by_setup, power_effects, power_held, side_pulls
from analysis.changes.season_pulls import RunSeen, SeasonPull, entering
from analysis.changes.season_record import SeasonRecord
from logger.config.car import CarConfig
from logger.errors import NoAnswer


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
    starts = [each for each in pulls if not each.rolling]
    out, slow = starts[0].label, starts[-1].label
    runs: dict[str, list[RunSeen]] = {}
    for each in starts:
        one = RunSeen(each.label, each.start_s - 3.0, (), each.label not in (out, slow), each.label == slow)
        runs.setdefault(each.drive, []).append(one)
    found = entering(pulls, runs)
    assert out not in {each.label for each in found} and slow not in {each.label for each in found}
    assert all(each.trusted == (not each.rolling) for each in found)
    # What a run at part throttle pulled may have been full: it is asked like a rolling pull.
    of_slow = [each for each in found if each.label == f"{starts[-1].drive}:p{starts[-1].pull.n}"]
    assert len(of_slow) == 1 and of_slow[0].rolling and not of_slow[0].trusted
    assert sum(each.rolling for each in found) == sum(each.rolling for each in pulls) + 1


def test_what_was_pulled_in_a_run_that_the_owner_struck_out_stays_out() -> None:
    pulls = [each for each in made(World()) if each.rolling][:3]
    begun = pulls[1].start_s
    runs = [RunSeen("x:1", begun - 5.0, counts=False, struck=True)]
    assert [each.label for each in entering(pulls, {pulls[1].drive: runs})] == [pulls[0].label, pulls[2].label]
    later = [RunSeen("x:1", begun - 500.0, counts=False, struck=True)]
    assert len(entering(pulls[1:2], {pulls[1].drive: later})) == 1


def test_rolling_pulls_bear_the_tags_of_the_runs_about_them() -> None:
    """With a passenger from the third start of the second leg on."""
    pulls = [replace(each, trusted=False) for each in made(World())]
    starts = [each for each in pulls if not each.rolling]
    of_leg = [each for each in starts if each.drive == "d1"]
    tagged = {each.label for each in of_leg[2:]}
    seen: dict[str, list[RunSeen]] = {}
    for each in starts:
        one = RunSeen(each.label, each.start_s - 3.0, ("passenger",) if each.label in tagged else ())
        seen.setdefault(each.drive, []).append(one)
    between = replace(
        pulls[0], label="d1:p99", drive="d1",
        pull=replace(pulls[0].pull, n=99, run=0, start_utc_ns=round((of_leg[1].start_s + 45.0) * 1e9)),
    )  # fmt: skip
    found = entering([*pulls, between], seen)
    rolling = [each for each in found if each.rolling and each.drive == "d1" and each.label != "d1:p99"]
    assert all(each.tags == each.near_tags == ("passenger",) for each in rolling)  # all came after the starts
    doubtful = next(each for each in found if each.label == "d1:p99")
    assert (doubtful.tags, doubtful.near_tags) == ((), ("passenger",))
    season = record(found, [run(each.label, ("passenger",) if each.label in tagged else ()) for each in starts])
    without = {each.label for each in season_record.tagged(season, (), ("passenger",)).pulls}
    assert "d1:p99" not in without and of_leg[0].label in without and tagged.isdisjoint(without)
    assert not any(each.label in without for each in rolling)
    only = {each.label for each in season_record.tagged(season, ("passenger",), ()).pulls}
    assert only == tagged | {each.label for each in rolling}


def test_all_pulls_stand_under_their_cars_newest_road_load() -> None:
    """One drive by a guess and the next by coasts, on one car: its drag is no difference of power."""
    car = {"name": "Wren", "mass_kg": 400.0, "cooling": "air"}
    old, new = (CarConfig.model_validate({"car": car | {"rolling_coefficient": share}}) for share in (0.015, 0.02))
    drives = [
        SimpleNamespace(id=f"d{k}", car=car, air=SimpleNamespace(density_kg_per_m3=1.2))
        for k, car in enumerate((old, old, new))
    ]
    loads = {each.drive: each.pull.road for each in gathering._under_one_road(made(World()), drives)}  # type: ignore[arg-type]
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

    monkeypatch.setattr(season_record, "why_not_full", anew)
    again = replace(record(pulls), store=store)  # type: ignore[arg-type]
    assert [each.label for each in again.full_pulls] == told and asked == []
    weaker = replace(pulls[3], pull=replace(pulls[3].pull, rate=0.9 * pulls[3].pull.rate))
    changed = replace(record([*pulls[:3], weaker, *pulls[4:]]), store=store)  # type: ignore[arg-type]
    assert len(changed.full_pulls) == len(pulls) and asked == [len(pulls)]


def test_a_tag_that_parts_a_setups_pulls_is_taken_off_and_one_that_does_not_is_said() -> None:
    """A passenger takes a tenth: aboard for half of A, and never for B; then for all of B."""
    pulls = [each for each in made(World(leg=0.0, run=0.004), seed=4) if not each.rolling]

    def heavier(each: SeasonPull, aboard: bool) -> SeasonPull:
        if not aboard:
            return each
        less = 0.1 * each.pull.power / (1 + each.pull.road.rotating)
        tag = ("passenger",)
        return replace(each, pull=replace(each.pull, rate=each.pull.rate - less), tags=tag, near_tags=tag)

    def told(aboard: Callable[[SeasonPull], bool]) -> PowerComparison:
        given = [heavier(each, aboard(each)) for each in pulls]
        sides = ([each for each in given if each.setup == name] for name in "AB")
        return compare_power("A", next(sides), "B", next(sides), judge=False)

    plain = told(lambda each: False)
    some = told(lambda each: each.drive == "d0")
    assert abs(some.overall.change - plain.overall.change) < 0.012
    assert some.overall.low < 0 < some.overall.high
    assert any("is corrected for that" in each for each in some.caveats) and not plain.caveats
    all_of_b = told(lambda each: each.setup == "B")
    assert all_of_b.overall.change == pytest.approx(plain.overall.change - 0.1, abs=0.01)
    assert any("that is part of the change" in each for each in all_of_b.caveats)


def test_another_mass_in_the_cars_file_is_said() -> None:
    drives = [SimpleNamespace(drive=f"d{k}", mass_kg=mass) for k, mass in enumerate((400.0, 420.0, 400.0))]
    season = replace(record(made(World())), drives=drives)  # type: ignore[arg-type]
    mine = [[each for each in season.pulls if each.setup == name] for name in "AB"]
    said = between("A", mine[0], "B", mine[1], replace(season, pulls=[])).caveats
    assert any("400 kg with A and 420 kg with B" in each and "-4.8%" in each for each in said)
    drives[1].mass_kg = 400.0
    assert not any(
        "kg with A" in each for each in between("A", mine[0], "B", mine[1], replace(season, pulls=[])).caveats
    )


def test_the_roads_are_learned_of_both_sides_drives_and_no_drive_stops_it(monkeypatch: pytest.MonkeyPatch) -> None:
    class Unread:
        id, car = "d1", None
        drive = SimpleNamespace(manifest=SimpleNamespace(started_utc=1))

        @property
        def heights(self) -> str:
            raise NoAnswer("d1: too few usable GPS fixes")

    def drive(name: str, at: int) -> SimpleNamespace:
        manifest = SimpleNamespace(started_utc=at)
        return SimpleNamespace(id=name, car=None, heights=name, drive=SimpleNamespace(manifest=manifest))

    given: list[list[str]] = []
    monkeypatch.setattr(power_sides, "learn", lambda passes: given.append(list(passes)))
    others = [drive(f"x{k}", 10 + k) for k in range(30)]
    store = SimpleNamespace(path=None, drives=[drive("d0", 0), Unread(), drive("d2", 2), *others])
    pulls = made(World(elsewhere_m=9000.0))
    season = replace(record([]), store=store)  # type: ignore[arg-type]
    a, b = ([each for each in pulls if each.setup == name] for name in "AB")
    between("A", a, "B", b, season)
    assert given == [["d0", "d2", *(f"x{k}" for k in range(13, 30))]]


def test_a_pull_in_bands_that_no_other_reaches_stops_no_verdict() -> None:
    """Nothing else tells of its level, so the covariance of what is left of it has no root."""
    pulls = made(World(), "A-B-A")
    rolling = [i for i, each in enumerate(pulls) if not each.trusted and len(each.pull.band) >= 2]
    for i in rolling[:3]:
        each = pulls[i].pull
        pulls[i] = replace(pulls[i], pull=replace(each, band=each.band + 40 + 10 * i))
    reasons = why_not_full(pulls)
    assert sum(not reason for reason in reasons) >= 0.8 * len(pulls)
