"""What the desk's forms do: just what the verbs write, with the reason at the entry where it cannot be, and no more."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from at_the_desk import Seen, Visitor, visitor
from desk_store import DeskStore, make_desk_store
from made_drives import BASELINE
from made_season import BOTH
from page_reader import HOSTILE

from analysis.answers.season import season_answer
from analysis.changes.season import gather
from analysis.conditions.weather import Weather
from analysis.store import DriveStore


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> DeskStore:
    """A store to write in: each test looks at what it changes itself."""
    return make_desk_store(tmp_path_factory.mktemp("desk"))


@pytest.fixture(scope="module")
def store(made: DeskStore) -> Path:
    return made.store


@pytest.fixture(scope="module")
def at_desk(store: Path) -> Iterator[Visitor]:
    with visitor(store) as found:
        yield found


def manifest(store: Path, name: str) -> dict[str, Any]:
    return json.loads((store / name / "drive.json").read_bytes())


def refused(page: Seen, form: str, entry: str, said: str, **kept: str) -> None:
    """Said at the entry, in one line, in an open fold; what was typed is still there."""
    assert page.status == 422
    assert said in page.beside(form, entry), page.beside(form, entry)
    assert page.tree.xpath(f"//form[@id='form-{form}']/ancestor::details[@open]")
    for name, value in kept.items():
        assert page.form(form).get(name) == [value], name


def test_striking_the_best_run_changes_the_season_and_counting_it_again_gives_it_back(
    at_desk: Visitor, store: Path
) -> None:
    before = season_answer(gather(DriveStore(store)))
    assert before.personal_best is not None
    name, _, number = before.personal_best.label.partition(":")
    first = at_desk.get("/season").rows("driven")
    page = at_desk.get(f"/drive/{name}")
    refused(at_desk.send(page, "strike", {"runs": number}), "strike", "reason", "Say why")
    refused(at_desk.send(page, "strike", {"reason": "a gust"}), "strike", "runs", "is empty", reason="a gust")
    assert manifest(store, name)["struck"] == []
    done = at_desk.send(page, "strike", {"runs": number, "reason": "a gust"})
    assert "1 run struck out: a gust" in done.section("runs")
    [struck] = manifest(store, name)["struck"]
    assert struck["reason"] == "a gust" and manifest(store, name)["trace"][-1]["what"].endswith("struck out: a gust")
    after = at_desk.get("/season")
    told = season_answer(gather(DriveStore(store)))
    assert told.personal_best is not None and told.personal_best.label != before.personal_best.label
    assert [row["Runs"] for row in after.rows("driven")] == [str(each.runs) for each in told.setups]
    assert after.rows("driven") != first and f"{before.personal_best.label} is struck out: a gust" in after.text
    at_desk.send(done, "strike", {"runs": number, "reason": "it was none", "undo": "yes"})
    assert manifest(store, name)["struck"] == [] and at_desk.get("/season").rows("driven") == first


def test_tags_are_kept_and_compare_takes_or_leaves_by_them(at_desk: Visitor, store: Path, made: DeskStore) -> None:
    name, other = made.a, made.b
    page = at_desk.get(f"/drive/{name}")
    refused(at_desk.send(page, "tag", {"runs": "1", "tags": "a=b=c"}), "tag", "tags", "Write a word", tags="a=b=c")
    done = at_desk.send(page, "tag", {"runs": ["1", "3"], "tags": "passenger gear=2"})
    assert "run 3: passenger, gear=2" in done.section("runs")
    assert [each["tag"] for each in manifest(store, name)["tags"]] == ["passenger", "gear=2"] * 2
    choose = at_desk.get("/compare?by=drives")
    assert "gear=2, passenger" in choose.section("pick")
    without = at_desk.send(choose, "pick", {"a": name, "b": other, "without": "passenger"})
    assert f"{name}:1 tagged passenger" in without.text
    assert without.words("//footer//code")[-1] == f"pullbook compare {name} {other} --without passenger"
    unknown = at_desk.send(choose, "pick", {"a": name, "b": other, "where": "downhill"})
    assert unknown.status == 422 and "no counted run is tagged" in unknown.wrong
    again = at_desk.send(done, "tag", {"runs": ["1", "3"], "tags": "passenger gear=2", "undo": "yes"})
    assert manifest(store, name)["tags"] == [] and "run 1: no tags" in again.section("runs")


def test_a_drives_setup_is_put_right_with_the_questions_of_the_verb(
    at_desk: Visitor, store: Path, made: DeskStore
) -> None:
    name = made.b
    page = at_desk.get(f"/drive/{name}")
    assert page.form("setup")["parts"] == ["main_jet_mm=1.06\nsnorkel=long"]
    assert page.form("setup")["name"] == [BOTH.name] and page.form("setup")["cost"] == ["18"]
    same = at_desk.send(page, "setup", {})
    refused(same, "setup", "parts", "already has this setup")
    near = at_desk.send(page, "setup", {"parts": "main_jet_mm=1.06\nsnorkle=long", "name": "odd"})
    refused(near, "setup", "parts", "Snorkle is a new part. Did you mean snorkel?", name="odd")
    assert "\u201cKeep as typed\u201d" in near.beside("setup", "parts")
    reused = at_desk.send(page, "setup", {"parts": "main_jet_mm=1.00", "name": BASELINE.name})
    refused(reused, "setup", "parts", "was driven with other parts", name=BASELINE.name)
    comma = at_desk.send(page, "setup", {"parts": "main_jet_mm=1,06"})
    refused(comma, "setup", "parts", "1,06")
    refused(at_desk.send(page, "setup", {"date": "May"}), "setup", "date", "expected a day", date="May")
    refused(at_desk.send(page, "setup", {"cost": "-3"}), "setup", "parts", "cost")
    assert manifest(store, name)["setup"]["name"] == BOTH.name
    done = at_desk.send(page, "setup", {"parts": "main_jet_mm=1.02 mm\nsnorkel=long\nsprung=true", "name": "",
                                        "because": "measured again", "cost": "19.5"})  # fmt: skip
    kept = manifest(store, name)["setup"]
    assert kept["parts"] == {"main_jet_mm": 1.02, "snorkel": "long", "sprung": True} and kept["cost"] == 19.5
    assert kept["name"] == "baseline with main jet 1.02, snorkel long, sprung yes"
    assert "because: measured again" in manifest(store, name)["trace"][-1]["what"]
    assert "This drive now has the setup baseline with main jet 1.02" in done.section("driven")
    assert done.form("setup")["parts"] == ["main_jet_mm=1.02\nsnorkel=long\nsprung=true"]
    page = at_desk.send(done, "setup", {"as_driven": BASELINE.name})
    assert manifest(store, name)["setup"]["parts"] == BASELINE.parts
    odd = at_desk.send(page, "setup", {"parts": "snorkle=long", "name": "odd", "anyway": "yes"})
    assert odd.status == 200 and manifest(store, name)["setup"]["parts"] == {"snorkle": "long"}
    back = at_desk.send(odd, "setup", {"parts": "main_jet_mm=1.06\nsnorkel=long", "name": BOTH.name, "anyway": "yes"})
    assert back.status == 200 and manifest(store, name)["setup"]["parts"] == BOTH.parts


def test_weather_is_typed_or_pasted(at_desk: Visitor, store: Path, made: DeskStore) -> None:
    name = made.a
    page = at_desk.get(f"/drive/{name}")
    refused(
        at_desk.send(page, "weather", {"temperature": "17"}), "weather", "temperature", "has no unit", temperature="17"
    )
    wet = at_desk.send(page, "weather", {"humidity": "140%", "wind": "2m/s"})
    refused(wet, "weather", "humidity", "expected a share", wind="2m/s")
    both = at_desk.send(page, "weather", {"pressure": "1009hPa", "qnh": "1015hPa"})
    refused(both, "weather", "pressure", "both give the pressure", qnh="1015hPa")
    assert "\u201cPressure at sea level (QNH)\u201d" in both.beside("weather", "pressure")
    high = at_desk.send(page, "weather", {"qnh": "1015hPa", "clear": "yes"})
    refused(high, "weather", "qnh", "Add \u201cElevation of the place\u201d 21m", qnh="1015hPa")
    refused(
        at_desk.send(page, "weather", {"metar": "no report"}), "weather", "metar", "The report has no temperature group"
    )
    dew = at_desk.send(page, "weather", {"temperature": "63F", "qnh": "1015hPa", "elevation": "21m", "dew_point": "9C",
                                         "wind_from": "250", "clear": "yes"})  # fmt: skip
    kept = Weather.model_validate(manifest(store, name)["weather"])
    # Station pressure from QNH by the ICAO standard atmosphere: 1015 (1 - 21/44330.8)^5.2559 (Doc 8896), from memory.
    assert kept.pressure_hpa == pytest.approx(1015 * (1 - 21 / 44330.8) ** 5.2559, abs=0.02)
    assert kept.temperature_c == pytest.approx((63 - 32) / 1.8, abs=0.01) and kept.wind_from_deg == 250
    # Saturation pressure by Magnus' formula (WMO-No. 8): 9 C over 17.22 C.
    share = 100 * 10 ** (7.5 * 9 / (237.3 + 9) - 7.5 * kept.temperature_c / (237.3 + kept.temperature_c))
    assert kept.humidity_percent == pytest.approx(share, abs=0.5)
    assert "The weather: " in dew.section("weather") and dew.rows("weather")[0]["Temperature"] == "17.2 \u00b0C"
    report = "METAR EGXX 091150Z 24005KT 9999 SCT030 17/09 Q1015"
    at_desk.send(dew, "weather", {"metar": report, "elevation": "21m"})
    kept = Weather.model_validate(manifest(store, name)["weather"])
    assert kept.source == report and kept.temperature_c == 17 and kept.wind_mps == pytest.approx(2.57, abs=0.01)


def test_fuel_is_kept_doubted_and_forgotten(at_desk: Visitor, store: Path, made: DeskStore) -> None:
    name = made.loop
    before = manifest(store, name)["fuel"]
    page = at_desk.get(f"/drive/{name}")
    refused(at_desk.send(page, "fuel", {"used": "70mL", "by_weight": "1kg"}), "fuel", "used", "Give one of them")
    refused(
        at_desk.send(page, "fuel", {"by_weight": "50g", "fuel_temp": "31C"}),
        "fuel",
        "fuel_temp",
        "needs no temperature",
    )
    refused(
        at_desk.send(page, "fuel", {"used": "70mL", "band": "50mph-45mph"}),
        "fuel",
        "band",
        "does not rise",
        used="70mL",
    )
    doubt = at_desk.send(page, "fuel", {"used": "70L"})
    assert doubt.status == 422 and "Not saved:" in doubt.text and doubt.form("fuel")["used"] == ["70L"]
    assert "\u201cSave it anyway\u201d" in doubt.text and manifest(store, name)["fuel"] == before
    way = made.loop_m
    litres = 3.5e-5 * way  # 3.5 L/100 km
    done = at_desk.send(page, "fuel", {"used": f"{litres:.5f}L", "fuel_temp": "60F", "band": "28mph-35mph"})
    assert "3.5" in done.section("fuel") and manifest(store, name)["fuel"] != before
    assert "Saved: 3.5" in done.words("//*[@class='said']")[0]
    odd = at_desk.send(done, "fuel", {"used": "70L", "anyway": "yes"})
    assert odd.status == 200 and "70" in json.dumps(manifest(store, name)["trace"][-1])
    gone = at_desk.send(odd, "forget", {})
    assert manifest(store, name)["fuel"] is None and "deleted" in gone.section("fuel")
    assert not gone.tree.xpath("//form[@id='form-forget']")


def test_hostile_words_are_text_everywhere(at_desk: Visitor, store: Path, made: DeskStore) -> None:
    name = made.loop
    page = at_desk.get(f"/drive/{name}")
    page = at_desk.send(page, "note", {"text": " ".join(HOSTILE)})
    assert page.status == 200
    assert [each["text"] for each in manifest(store, name)["notes"]] == [" ".join(HOSTILE)]
    named = at_desk.send(page, "setup", {"parts": "main_jet_mm=1.06\nsnorkel=<b>odd</b>", "name": HOSTILE[0][:80]})
    assert named.status == 200
    wrong = at_desk.send(named, "tag", {"runs": HOSTILE[0], "tags": HOSTILE[1]})
    odd = "/compare?by=%3Cscript%3E&a=%3Cimg%3E&b=%3Cimg%3E"
    paths = ("/drives", "/compare", "/season", "/next", f"/drive/{name}/captions", odd)
    pages = [named, wrong, *map(at_desk.get, paths)]
    for seen in pages:
        scripts = seen.tree.xpath("//script[not(starts-with(@src, '/static/'))] | //img | //b[.='odd'] | //*[@onerror]")
        assert not scripts, seen.path
        assert "\u202e" not in seen.text


def test_two_tabs_do_not_lose_each_others_changes(at_desk: Visitor, store: Path, made: DeskStore) -> None:
    name = made.a
    one, two = at_desk.get(f"/drive/{name}"), at_desk.get(f"/drive/{name}")
    at_desk.send(one, "note", {"text": "from the first tab"})
    late = at_desk.send(two, "note", {"text": "from the second tab"})
    assert late.status == 422 and "was changed in the meantime" in late.wrong
    assert late.form("note")["text"] == ["from the second tab"] and "from the first tab" in late.section("driven")
    notes = [each["text"] for each in manifest(store, name)["notes"]]
    assert "from the first tab" in notes and "from the second tab" not in notes
    done = at_desk.send(late, "note", {})
    assert "from the second tab" in done.section("driven")
    stale = at_desk.send(two, "strike", {"runs": "1", "reason": "old page"})
    assert stale.status == 422 and manifest(store, name)["struck"] == []


def test_parts_for_coming_drives_are_changed_with_the_questions_of_the_verb(at_desk: Visitor, store: Path) -> None:
    force = store / "setup.toml"
    page = at_desk.get("/next")
    two = at_desk.get("/next")
    refused(
        at_desk.send(page, "set", {"parts": "snorkle=long"}),
        "set",
        "parts",
        "Did you mean snorkel?",
        parts="snorkle=long",
    )
    refused(at_desk.send(page, "set", {"parts": "main_jet_mm"}), "set", "parts", "not a part and its value")
    refused(at_desk.send(page, "set", {"parts": "main_jet_mm=1.0", "cost": "dear"}), "set", "cost", "expected a number")
    assert not force.exists()
    done = at_desk.send(page, "set", {"parts": "main_jet_mm=1.00\nsnorkel=short", "notes": "for the heat", "cost": "4"})
    assert "New drives are recorded with" in done.section("setting") and "main_jet_mm 1" in done.section("setting")
    text = force.read_text(encoding="utf-8")
    assert "main_jet_mm = 1.0" in text and "for the heat" in text
    late = at_desk.send(two, "set", {"parts": "snorkel=long"})
    assert late.status == 422 and "was changed in the meantime" in late.section("setting")
    assert late.form("set")["parts"] == ["snorkel=long"] and force.read_text(encoding="utf-8") == text
