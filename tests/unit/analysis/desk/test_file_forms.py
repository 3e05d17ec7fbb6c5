"""Every key of every file is an entry with its explanation, and what is typed comes back out of the file as it was."""

from __future__ import annotations

import re
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.desk.file_forms import KINDS, Group, changed, groups_of, wrong_in
from logger.config import examples
from logger.config.reading import parse

ALL_KINDS = """
[[source]]
name = "engine"
kind = "pattern"
pattern = 'rpm=(?P<rpm>\\d+)'
  [[source.channel]]
  channel = "rpm"
[[source]]
name = "board"
kind = "frame"
sync = "AA 55"
length = 12
  [[source.field]]
  channel = "map_kpa"
  at = 2
  code = "H"
  [source.checksum]
  kind = "crc16_modbus"
  at = -2
"""


def text_of(kind: str) -> str:
    return examples.text(KINDS[kind].example) + (ALL_KINDS if kind == "recorder" else "")


def groups(kind: str, text: str = "") -> list[Group]:
    return groups_of(KINDS[kind], tomllib.loads(text or text_of(kind)))


@pytest.mark.parametrize("kind", KINDS)
def test_every_entry_is_explained(kind: str) -> None:
    bare = [e.name for g in groups(kind) for e in g.entries if not e.help and g.name != "parts"]
    assert bare == []


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_of_the_file_has_its_entry(kind: str) -> None:
    names = {entry.name for group in groups(kind) for entry in group.entries}

    def walk(value: object, place: str) -> list[str]:
        if isinstance(value, dict):
            return [each for key, inner in value.items() for each in walk(inner, f"{place}.{key}".lstrip("."))]
        if isinstance(value, list) and value and isinstance(value[0], dict):
            return [each for at, inner in enumerate(value) for each in walk(inner, f"{place}.{at}")]
        return [place]

    lacking = [each for each in walk(tomllib.loads(text_of(kind)), "") if each not in names]
    assert [each for each in lacking if not (each.startswith("source.") and each.count(".") == 2)] == []  # its kind


@pytest.mark.parametrize("kind", KINDS)
def test_sent_as_it_stands_nothing_changes(kind: str) -> None:
    text = text_of(kind)
    for group in groups(kind):
        if not group.adds:
            assert changed(KINDS[kind], text, group, {e.name: e.value for e in group.entries}) == text


TYPED = st.one_of(
    st.sampled_from(["", "1", "0.5", "-3", "7,4", "12 kg", "true", "yes", "[1, 2]", "[[0, 1], [2, 3]]", "230C", "auto",
                     "2026-05-02", "nan", "inf", "9" * 400, "1e999", "0x1F", "[", "]]", "'", '"""', "\\", "# no",
                     "a = 1", "[car]", "\x00", "\n[car]\n", "long"]),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=30),
)  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=30, deadline=None)
@given(st.data())
def test_whatever_is_typed_is_kept_or_told_at_its_entry(kind: str, data: st.DataObject) -> None:
    """A file that comes out right is one that the recorder reads; one that does not says where, and why."""
    text = text_of(kind)
    group = data.draw(st.sampled_from([each for each in groups(kind) if each.entries]))
    typed = data.draw(st.dictionaries(st.sampled_from([e.name for e in group.entries]), TYPED, max_size=4))
    try:
        made = changed(KINDS[kind], text, group, typed)
    except ValueError:  # InputError is one: a part without its name
        return
    wrong, elsewhere = wrong_in(KINDS[kind], made, group.entries)
    if not wrong and not elsewhere:
        parse(made, KINDS[kind].model, "file")
    assert set(wrong) <= {entry.name for entry in group.entries}
    assert all("\n" not in line and line for line in wrong.values())


@pytest.mark.parametrize(
    ("kind", "group", "name", "typed", "said"),
    [
        ("car", "car", "car.mass_kg", "392kg", "write it without quotes and without kg: 392"),
        ("car", "car", "car.mass_kg", "", "this key is needed and is missing"),
        ("car", "car", "car.mass_kg", "7", "expected 50 to 20000 kg"),
        ("car", "limits", "limits.head_max", "hot", "expected a temperature with its unit"),
        ("car", "car", "car.cooling", "ice", "expected 'air' or 'water'"),
        ("recorder", "source-1", "source.1.column.0.channel", "AFR 1", "a name of small letters"),
        ("recorder", "source-1", "source.1.column.0.calibration.table", "[[1, 2]]", "two or more"),
        ("recorder", "source-0", "source.0.baud", "1e4", "a whole number"),
        ("recorder", "recorder", "recorder.flush_s", "0", "greater than or equal to 0.05"),
        ("targets", "air", "air.cruise.low", "14", "must be below high"),
        ("setup", "general", "date", "Tuesday", "a date such as 2026-05-02"),
    ],
)
def test_it_is_told_at_its_entry(kind: str, group: str, name: str, typed: str, said: str) -> None:
    text = text_of(kind)
    found = next(each for each in groups(kind) if each.name == group)
    wrong, elsewhere = wrong_in(KINDS[kind], changed(KINDS[kind], text, found, {name: typed}), found.entries)
    assert not elsewhere
    (at,) = wrong
    assert said in wrong[at]
    assert name == at or name.startswith(at.rpartition(".")[0])


def test_a_setup_takes_further_parts() -> None:
    kind, text = KINDS["setup"], text_of("setup")
    parts = next(each for each in groups("setup") if each.name == "parts")
    typed = {"parts.snorkel": "long", "+0.name": "plug_gap_mm", "+0.value": "0.7", "+1.name": "choke_off",
             "+1.value": "true", "parts.needle_clip": ""}  # fmt: skip
    made = changed(kind, text, parts, typed)
    read = tomllib.loads(made)["parts"]
    assert read == {"main_jet_mm": 1.09, "snorkel": "long", "plug_gap_mm": 0.7, "choke_off": True}
    with pytest.raises(ValueError, match="this part has no name"):
        changed(kind, text, parts, {"+0.value": "3"})


def test_only_commands_of_the_program_stand_between_backticks() -> None:
    """A page shows those as commands; other ones it would show with their backticks."""
    helps = [entry.help for kind in KINDS.values() for group in groups_of(kind, {}) for entry in group.entries]
    assert any("`pullbook " in text for text in helps) and any("\u201cmixture --fuel\u201d" in text for text in helps)
    assert {said.split()[0] for text in helps for said in re.findall(r"`([^`]*)`", text)} == {"pullbook"}
