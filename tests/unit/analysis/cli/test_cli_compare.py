"""The verbs on what changed, on a store of simulated drives: words, exit codes, JSON, and refusals in one line."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from made_drives import BASELINE, START, make_drive
from made_season import PULLING, starts
from run_verb import run_verb

from logger.config.setup import SetupConfig
from logger.store.drive import list_drives

LONG = SetupConfig(name="long snorkel", parts={"main_jet_mm": 1.09, "snorkel": "long"})
BOTH = SetupConfig(name="snorkel and jet", parts={"main_jet_mm": 1.06, "snorkel": "long"})
AIR: dict[str, Any] = {"temperature_c": 15, "pressure_hpa": 1013, "humidity_percent": 60, "wind_mps": 1.0}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two outings as built, two with a snorkel and a jet changed together, 12 % stronger."""
    place = tmp_path_factory.mktemp("store")
    for week, (setup, force) in enumerate([(BASELINE, 1.0), (BASELINE, 1.004), (BOTH, 1.12), (BOTH, 1.116)]):
        make_drive(
            place, starts(4), seed=50 + week, start=START + timedelta(days=7 * week), setup=setup, force_scale=force,
            weather=AIR if week else None, truth_car=PULLING,
        )  # fmt: skip
    return place


def test_the_stronger_setup_is_faster(store: Path) -> None:
    """And every field that others rely on is there."""
    answer = run_verb(store, "compare", "baseline", "snorkel and jet", "--json").json
    assert answer["parts_that_differ"] == ["main_jet_mm", "snorkel"]
    top = answer["splits"][-1]
    assert {"speed", "speed_mps", "difference_s", "low_s", "high_s", "verdict"} <= set(top)
    assert top["low_s"] < top["difference_s"] < top["high_s"] and top["high_s"] < 0
    assert top["days"] == "included" and top["repeat_outings"] == 2
    assert answer["corrected_by"] is None and any("weather is missing" in line for line in answer["caveats"])
    text = run_verb(store, "compare", "baseline", "snorkel and jet", "--trace").out
    assert "Time gained or lost along the run" in text and "How these figures were worked out: add --why." in text


def test_drives_and_lists_of_runs_are_compared(store: Path) -> None:
    ids = [drive.id for drive in list_drives(store)]
    one = run_verb(store, "compare", f"{ids[0]}:1-3", f"{ids[2]}:1,2,3", "--to", "30mph", "--json")
    assert one.json["splits"][0]["runs_a"] == 3 and one.json["splits"][0]["speed"] == "30 mph"
    joined = run_verb(store, "compare", f"{ids[0]}+{ids[1]}", ids[2], "--to", "30mph", "--json").json
    assert joined["splits"][0]["runs_a"] == 8
    assert joined["parts_that_differ"] == ["main_jet_mm", "snorkel"]


@pytest.mark.parametrize(
    ("a", "b", "said"),
    [
        ("baseline", "no such thing", "no setup, drive or list of runs"),
        ("{0}:1-3", "{0}:3,4", "is on both sides"),
        ("{0}:1-3", "{1}:9", "not a standing run of this drive"),
    ],
)
def test_wrong_sides_are_one_line(store: Path, a: str, b: str, said: str) -> None:
    ids = [drive.id for drive in list_drives(store)]
    answer = run_verb(store, "compare", a.format(*ids), b.format(*ids))
    assert answer.code == 2 and said in answer.err


def test_effects_and_plan_name_the_tangle_and_the_way_out(store: Path) -> None:
    effects = run_verb(store, "effects", "--json").json
    assert effects["tangled"] == [["main_jet_mm", "snorkel"]]
    assert effects["separable"] == {"main_jet_mm": False, "snorkel": False}
    assert [each["joint"] for each in effects["time"]] == [True]
    plan = run_verb(store, "plan", "--json").json
    assert plan["tangled"] == [["main_jet_mm", "snorkel"]] and plan["separable"]["snorkel"] is False
    assert {"setup", "runs", "why"} <= set(plan["next"][0])
    setups = [step["setup"] for step in plan["next"]]
    assert setups[0] == setups[-1] == dict(BOTH.parts)
    assert sum(setups[1][part] != BOTH.parts[part] for part in BOTH.parts) == 1
    assert "For the day" in run_verb(store, "plan").out
    kept = run_verb(store, "plan", "--gone", "snorkel=short", "--json").json
    assert kept["next"][1]["setup"] == {"main_jet_mm": 1.09, "snorkel": "long"}


def test_season_and_drives_at_a_glance(store: Path) -> None:
    season = run_verb(store, "season", "--json").json
    assert [each["setup"] for each in season["setups"]] == ["baseline", "snorkel and jet"]
    assert [each["runs"] for each in season["setups"]] == [8, 8]
    assert season["personal_best"]["setup"] == "snorkel and jet"
    assert [each["runs"] for each in run_verb(store, "drives", "--json").json["drives"]] == [4, 4, 4, 4]
    assert "*" in run_verb(store, "season").out and "baseline" in run_verb(store, "drives").out
    assert "no weather yet. Add it with `pullbook weather DRIVE" in run_verb(store, "drives").flat


def test_setups_differ_and_are_listed(store: Path) -> None:
    assert run_verb(store, "setups", "baseline", "snorkel and jet", "--json").json["parts_that_differ"] == [
        "main_jet_mm",
        "snorkel",
    ]
    assert [each["name"] for each in run_verb(store, "setups", "--json").json["setups"]] == [
        "baseline",
        "snorkel and jet",
    ]
    assert run_verb(store, "setups", "baseline").code == 2


def test_a_wrong_setup_is_put_right_with_a_trace_and_weather_is_given(tmp_path: Path) -> None:
    store = tmp_path / "store"
    made, _ = make_drive(store, starts(1), seed=9)
    file = tmp_path / "long.toml"
    file.write_text('name = "long snorkel"\n[parts]\nmain_jet_mm = 1.09\nsnorkel = "long"\n', encoding="utf-8")
    told = run_verb(store, "setup", str(file), "--drive", made.id, "--because", "forgot to swap the file", "--json")
    assert told.json["setup"]["name"] == LONG.name
    assert "short -> long" in told.json["trace"][0] and "forgot to swap" in told.json["trace"][0]
    assert run_verb(store, "setup", str(file), "--drive", made.id).code == 2  # it is that already
    assert run_verb(store, "setup", str(file)).out.startswith("Drives from now on have 'long snorkel'")
    metar = "METAR EGXX 021150Z 24005KT 9999 SCT030 17/09 Q1015"
    air = run_verb(store, "weather", made.id, "--metar", metar, "--elevation", "21m", "--json").json
    assert air["weather"]["humidity_percent"] == pytest.approx(59.2, abs=0.2)
    assert set(air["factors"]) == {"SAE J1349", "SAE J607"} and air["missing"] == []
    changed = run_verb(store, "weather", made.id, "--temperature", "63F", "--json").json
    assert changed["weather"]["temperature_c"] == pytest.approx(17.22)
    for wrong in (["--humidity", "590%"], ["--dew-point", "40C"], ["--pressure", "29.9"], ["--metar", "hello"],
                  ["--qnh", "1013hPa", "--pressure", "1013hPa"], ["--wind", "3"]):  # fmt: skip
        assert run_verb(store, "weather", made.id, *wrong).code == 2, wrong
    assert run_verb(store, "weather", made.id, "--clear", "--json").json["missing"] == ["temperature", "pressure"]


def test_an_empty_store_has_no_answer(tmp_path: Path) -> None:
    for verb in (["compare", "a", "b"], ["effects"], ["plan"], ["season"], ["drives"]):
        assert run_verb(tmp_path, *verb).code == 1


def test_compare_plan_and_power_give_one_advice(store: Path) -> None:
    """`compare` asked for one outing that "`plan` lays out", and `plan` said no drive is needed; the smallest
    detectable change was 0.49 in one and 0.45 in the other; `power` said "less power" from runs alone."""
    ids = [drive.id for drive in list_drives(store)]
    seen = run_verb(store, "compare", "baseline", "snorkel and jet", "--json").json
    made = run_verb(store, "plan", "--settle", "baseline", "snorkel and jet", "--json").json
    assert seen["verdict"] == "faster" and seen["more_runs_each"] == 0
    assert any(seen["sentence"].rstrip(".") in note for note in made["notes"]) or made["tangled"]
    power = run_verb(store, "power", *ids, "--json").json
    assert power["differences"][0]["verdict"] in ("more power", "no difference shown")


@pytest.fixture(scope="module")
def open_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A part that does nothing, one outing each: nothing is shown, and power's runs differ by a day."""
    place = tmp_path_factory.mktemp("open")
    for week, (setup, force) in enumerate([(BASELINE, 1.0), (LONG, 0.975)]):
        make_drive(
            place, starts(4), seed=80 + week, start=START + timedelta(days=7 * week), setup=setup, force_scale=force,
            weather=AIR, truth_car=PULLING, jet_mm=1.22,
        )  # fmt: skip
    return place


def test_an_open_question_is_open_in_every_verb(open_store: Path) -> None:
    ids = [drive.id for drive in list_drives(open_store)]
    seen = run_verb(open_store, "compare", "baseline", "long snorkel", "--json").json
    made = run_verb(open_store, "plan", "--json").json
    assert seen["verdict"] == "too few runs" and seen["more_runs_each"] >= 4
    steps = [step for step in made["next"] if "settles" in step["why"]]
    assert [step["runs"] for step in steps] == [seen["more_runs_each"]]
    assert f"one outing with both, {seen['more_runs_each']} runs each" in seen["sentence"].lower()
    power = run_verb(open_store, "power", *ids, "--json").json
    assert power["differences"][0]["verdict"] == seen["power"]["verdict"] == "too few pulls"
    (effect,) = run_verb(open_store, "effects", "--json").json["time"]
    assert effect["effects"][0]["low"] < 0 < effect["effects"][0]["high"]


def test_the_plan_sees_a_rich_full_throttle(open_store: Path) -> None:
    notes = run_verb(open_store, "plan", "--json").json["notes"]
    (said,) = [note for note in notes if "full throttle" in note]
    assert "is rich" in said and "smaller main jet (main_jet_mm, now 1.09)" in said and "`pullbook jets`" in said
