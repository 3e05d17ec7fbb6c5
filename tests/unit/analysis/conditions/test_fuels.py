"""Blends as they are typed, and what is said of those that are none."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.conditions.fuels import (
    FUELS,
    FuelError,
    blend_stoich_afr,
    fuel_stoich_afr,
    parse_blend,
    stoich_of,
    stoichiometric_afr,
)
from logger.config.car import CarConfig


@pytest.mark.parametrize(
    ("text", "shares"),
    [
        ("petrol", {"petrol": 1.0}),
        ("Gasoline", {"petrol": 1.0}),
        ("E10", {"petrol": 0.9, "ethanol": 0.1}),
        ("e0", {"petrol": 1.0}),
        ("M15", {"petrol": 0.85, "methanol": 0.15}),
        ("M100", {"methanol": 1.0}),
        ("80% petrol, 20% toluene", {"petrol": 0.8, "toluene": 0.2}),
        ("50 % ethanol + 50% methanol", {"ethanol": 0.5, "methanol": 0.5}),
        ("60% petrol, 20% ethanol, 20% petrol", {"petrol": 0.8, "ethanol": 0.2}),
    ],
)
def test_blends_are_read(text: str, shares: dict[str, float]) -> None:
    assert parse_blend(text) == pytest.approx(shares)


@pytest.mark.parametrize("text", ["", "diesel", "E110", "80% petrol", "80 petrol, 20 toluene", "90% petrol, 10% tar"])
def test_what_is_no_blend_is_said_in_one_line(text: str) -> None:
    with pytest.raises(FuelError) as said:
        parse_blend(text)
    assert "\n" not in str(said.value)
    assert "not" in str(said.value)


@pytest.mark.parametrize(("y", "z"), [(-1.0, 0.0), (1.0, -0.1), (0.0, 2.0)])
def test_what_does_not_burn_is_no_fuel(y: float, z: float) -> None:
    with pytest.raises(FuelError, match="not a fuel"):
        stoichiometric_afr(y, z)


@given(st.sampled_from(sorted(FUELS)), st.sampled_from(sorted(FUELS)), st.floats(0, 1))
def test_a_blend_lies_between_its_parts(a: str, b: str, share: float) -> None:
    shares = {a: share, b: 1 - share} if a != b else {a: 1.0}
    ends = sorted((FUELS[a].stoich_afr, FUELS[b].stoich_afr))
    assert ends[0] - 1e-9 <= blend_stoich_afr(shares) <= ends[1] + 1e-9


def test_shares_are_by_volume() -> None:
    # By hand: half a litre each of 745 g/l and 794 g/l.
    petrol, ethanol = FUELS["petrol"], FUELS["ethanol"]
    by_mass = (745 * petrol.stoich_afr + 794 * ethanol.stoich_afr) / (745 + 794)
    assert blend_stoich_afr({"petrol": 0.5, "ethanol": 0.5}) == pytest.approx(by_mass)


def test_the_owners_own_figure_comes_first() -> None:
    assert stoich_of("E10", 14.0) == 14.0
    assert stoich_of("E10") == pytest.approx(14.1, abs=0.05)


def a_car(**fuel: object) -> CarConfig:
    return CarConfig.model_validate({"car": {"name": "Wren", "mass_kg": 392, "cooling": "air"}, "fuel": fuel})


def test_the_cars_figure_rules_for_the_cars_fuel_alone() -> None:
    e10 = blend_stoich_afr({"petrol": 0.9, "ethanol": 0.1})
    known, left_out = a_car(blend="E10", stoich_afr=13.9), a_car(blend="E10")
    assert [fuel_stoich_afr(known, blend) for blend in (None, "car", " Car ", "E10", "10% ethanol, 90% petrol")] == [
        13.9
    ] * 5
    assert fuel_stoich_afr(known, "methanol") == pytest.approx(6.47, abs=0.01)
    assert fuel_stoich_afr(left_out) == fuel_stoich_afr(left_out, "E10") == pytest.approx(e10)
    assert fuel_stoich_afr(None) == fuel_stoich_afr(None, "car") == fuel_stoich_afr(a_car(), "petrol")
    assert fuel_stoich_afr(None) == pytest.approx(14.7, abs=0.02)


def test_a_blend_that_is_none_needs_a_figure_of_its_own() -> None:
    assert fuel_stoich_afr(a_car(blend="race fuel 5", stoich_afr=13.1)) == 13.1
    assert fuel_stoich_afr(a_car(blend="race fuel 5", stoich_afr=13.1), "petrol") == fuel_stoich_afr(None)
    with pytest.raises(FuelError, match=r"\[fuel\] blend in the car's file: 'race fuel 5' is not a blend"):
        fuel_stoich_afr(a_car(blend="race fuel 5"))
