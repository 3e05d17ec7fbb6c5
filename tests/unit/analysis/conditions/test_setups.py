"""Setups: what differs, with units; the one in force; the verbs, on a store of real drives."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.conditions import setups
from analysis.conditions.setups import differences, same
from logger.config.setup import SETUP_IN_FORCE
from logger.errors import ConfigError

value = st.one_of(
    st.booleans(), st.integers(-50, 50), st.floats(0.1, 9.0), st.sampled_from(["long", "short", "1.1 mm"])
)
parts = st.dictionaries(st.sampled_from(["main_jet_mm", "snorkel", "needle_clip", "spacer_in", "shield"]), value)


@settings(deadline=None)  # the first conversion loads the units
@given(parts, parts)
def test_what_differs_is_the_same_from_both_sides(a: dict[str, object], b: dict[str, object]) -> None:
    forth = {(d.part, str(d.a), str(d.b)) for d in differences(a, b)}
    back = {(d.part, str(d.b), str(d.a)) for d in differences(b, a)}
    assert forth == back
    assert same(a, a) and same(a, b) is not bool(forth)


@pytest.mark.parametrize(
    ("a", "b"),
    [
        ({"main_jet_mm": 1.09}, {"main_jet_mm": 1.0900001}),
        ({"main_jet_mm": 1.092}, {"main_jet_in": 0.043}),
        ({"main_jet": "1.092 mm"}, {"main_jet": "0.043 in"}),
        ({"spacer_mm": 5}, {"spacer": "0.5 cm"}),
        ({"snorkel": "Long "}, {"snorkel": "long"}),
        ({"needle_clip": 3}, {"needle_clip": 3.0}),
        ({"tyre_kpa": 150}, {"tyre_psi": 21.756}),
    ],
)
def test_the_same_value_in_another_dress(a: dict[str, object], b: dict[str, object]) -> None:
    assert same(a, b)


@pytest.mark.parametrize(
    ("a", "b"),
    [
        ({"main_jet_mm": 1.09}, {"main_jet_mm": 1.06}),
        ({"main_jet_mm": 1.09}, {"main_jet_in": 1.09}),
        ({"shield": True}, {"shield": 1}),
        ({"shield": True}, {}),
        ({"needle_clip": 3}, {"needle_clip": "3rd"}),
    ],
)
def test_what_is_really_another_value(a: dict[str, object], b: dict[str, object]) -> None:
    assert len(differences(a, b)) == 1


def test_ratio_of_jets_is_told_across_units() -> None:
    (found,) = differences({"main_jet_mm": 1.00}, {"main_jet_in": 0.0433071})
    assert found.ratio == pytest.approx(1.10, abs=1e-4)


def _setup_file(path: Path, name: str, **values: object) -> Path:
    lines = [f'name = "{name}"', "[parts]"]
    lines += [f"{key} = {json.dumps(each)}" for key, each in values.items()]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_putting_a_setup_in_force_keeps_the_one_before(tmp_path: Path) -> None:
    store = tmp_path / "store"
    assert setups.current(store) is None
    setups.put_in_force(store, _setup_file(tmp_path / "a.toml", "first", snorkel="short").read_text())
    setups.put_in_force(store, _setup_file(tmp_path / "b.toml", "second", snorkel="long").read_text())
    now = setups.current(store)
    assert now is not None and now.name == "second"
    (kept,) = (store / "setups-before").iterdir()
    assert "first" in kept.read_text(encoding="utf-8")


def test_a_broken_setup_is_not_put_in_force(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("nam = 3\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"bad\.toml.*did you mean 'name'"):
        setups.put_in_force(tmp_path, bad.read_text(), "bad.toml")
    assert not (tmp_path / SETUP_IN_FORCE).exists()
