"""Files written with answers in them: every comment stays, and a key behind a # is put in force in its own line."""

from __future__ import annotations

import re
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config import examples, explained, writing

EXAMPLES = ("recorder.toml", "wren.toml", "targets.toml", "jets.toml", "setups/baseline.toml")


def comments(text: str) -> list[str]:
    """What is said behind a #, word for word; a key that is set aside says nothing."""
    return re.findall(r"#[ \t]+([A-Za-z][^#\n]*)$", text, re.MULTILINE)


def test_a_key_behind_a_hash_comes_into_force_in_its_own_line() -> None:
    text = writing.changed(examples.text("wren.toml"), {("limits", "head_max"): "230C"})
    line = next(line for line in text.split("\n") if line.startswith("head_max"))
    assert line.startswith('head_max = "230C"') and line.endswith("# head temperature, in C or F")
    assert text.count("head_max") == examples.text("wren.toml").count("head_max")


def test_a_whole_table_behind_hashes_comes_into_force() -> None:
    text = writing.changed(examples.text("wren.toml"), {("road_load", "a_n"): 61.0, ("road_load", "measured"): "May"})
    assert tomllib.loads(text)["road_load"] == {"a_n": 61.0, "measured": "May"}
    assert "\n[road_load]\na_n = 61.0" in text and text.count("road_load]") == 1


def test_a_key_of_one_source_is_not_anothers() -> None:
    text = examples.text("recorder.toml")
    made = writing.changed(text, {("source", 1, "baud"): 19200, ("source", 1, "column", 0, "unit"): "AFR"})
    gps, mixture = tomllib.loads(made)["source"]
    assert "baud" not in gps and mixture["baud"] == 19200 and mixture["column"][0]["unit"] == "AFR"
    assert comments(made) == comments(text)


def test_what_is_set_aside_stays_as_a_comment() -> None:
    text = examples.text("wren.toml")
    made = writing.changed(text, {("car", "drag_coefficient"): None, ("gearing",): None}, aside=True)
    assert "drag_coefficient" not in tomllib.loads(made)["car"] and "gearing" not in tomllib.loads(made)
    assert "#drag_coefficient = 0.52" in made and "\n#[gearing]\n#final_ratio" in made
    assert comments(made) == comments(text)
    again = writing.changed(made, {("car", "drag_coefficient"): 0.52})
    assert "\ndrag_coefficient = 0.52" in again and "#drag" not in again


def test_taken_away_without_aside_is_gone() -> None:
    assert writing.changed("[parts]\na = 1\nb = 2\n", {("parts", "a"): None}) == "[parts]\nb = 2\n"


def test_nothing_is_touched_where_nothing_changes() -> None:
    text = examples.text("recorder.toml").replace("park_after_s = 180", "park_after_s   =  180.0")
    assert writing.changed(text, {("recorder", "park_after_s"): 180, ("recorder", "setup"): None}) == text


def test_a_line_within_a_text_is_no_key() -> None:
    """What looks like a key behind a # may stand in a text of several lines."""
    text = 'notes = """\n#cost = 3\n[parts]\n"""\nname = "a"\n\n[parts]\nb = 1\n'
    made = writing.changed(text, {("cost",): 7.5, ("parts", "c"): 2}, aside=True)
    assert tomllib.loads(made) == tomllib.loads(text) | {"cost": 7.5, "parts": {"b": 1, "c": 2}}


def test_one_more_and_one_less() -> None:
    text = examples.text("recorder.toml")
    circle = {"lat_deg": 53.4, "lon_deg": -0.4, "name": 'the "yard"', "radius_m": None}
    more = writing.added(text, "privacy.circle", circle)
    assert tomllib.loads(more)["privacy"]["circle"] == [{k: v for k, v in circle.items() if v is not None}]
    less = writing.without(more, "source", 0)
    assert less is not None
    assert [each["name"] for each in tomllib.loads(less)["source"]] == ["mixture"]
    assert comments(less) == comments(more) and '#name = "gps"' in less
    assert writing.without(less, "source", 3) is None


VALUES = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False, width=32), st.integers(-(2**62), 2**62), st.booleans(), st.none(),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=20), st.lists(st.integers(0, 9), max_size=3),
)  # fmt: skip


def places(data: dict[str, Any], text: str) -> list[writing.Place]:
    """Every key in force, and every one that is explained behind a #."""
    found: list[writing.Place] = []

    def walk(table: dict[str, Any], place: writing.Place) -> None:
        for key, value in table.items():
            if isinstance(value, dict):
                walk(value, (*place, key))
            elif isinstance(value, list) and value and isinstance(value[0], dict):
                for at, each in enumerate(value):
                    walk(each, (*place, key, at))
            else:
                found.append((*place, key))

    walk(data, ())
    plain = [tuple(name.split(".")) for name in explained.explanations(text)]
    return found + [each for each in plain if each[0] not in {"source", "privacy", "jet", "air", "water"}]


@pytest.mark.parametrize("name", EXAMPLES)
@settings(max_examples=25, deadline=None)
@given(st.data())
def test_whatever_is_changed_reads_so_and_every_comment_stays(name: str, data: st.DataObject) -> None:
    text = examples.text(name)
    known = places(tomllib.loads(text), text)
    values = data.draw(st.dictionaries(st.sampled_from(known), VALUES, min_size=1, max_size=5))
    made = writing.changed(text, values, aside=True)
    read = tomllib.loads(made)
    for place, value in values.items():
        here: Any = read
        for part in place[:-1]:
            here = here.get(part, {}) if isinstance(part, str) else here[part]
        assert here.get(place[-1]) == value
    # A value that is text may hold a # itself.
    lost = set(comments(text)) - set(comments(made))
    assert not {each for each in lost if not any(each in line for line in made.split("\n"))}

    # Back again: what was in force is in force.
    def value_at(place: writing.Place) -> Any:
        here: Any = tomllib.loads(text)
        for part in place:
            here = here.get(part) if isinstance(part, str) and isinstance(here, dict) else here[part] if here else None
        return here

    back = writing.changed(made, {place: value_at(place) for place in values}, aside=True)
    before = {k: v for k, v in tomllib.loads(text).items() if v != {}}
    assert {k: v for k, v in tomllib.loads(back).items() if v != {}} == before
