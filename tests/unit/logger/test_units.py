"""Units at the edges: what owners type."""

from __future__ import annotations

import pytest

from logger import units
from logger.errors import InputError, UnitError
from logger.units import convert, parse_quantity, parse_speed, speed_label


@pytest.mark.parametrize(
    ("text", "mps"),
    [
        ("50mph", 22.352),
        ("50 mph", 22.352),
        ("80 km/h", 80 / 3.6),
        ("80kph", 80 / 3.6),
        ("22.4m/s", 22.4),
        ("60kn", 30.8666667),
    ],
)
def test_speeds(text: str, mps: float) -> None:
    assert parse_speed(text) == pytest.approx(mps, rel=1e-8)


@pytest.mark.parametrize("text", ["", "50", "fast", "50kg", "0mph", "-3mph", "1e999mph", "nan mph", "50mph; rm", "mph"])
def test_what_is_no_speed_is_said_with_an_example(text: str) -> None:
    with pytest.raises(UnitError, match="50mph") as caught:
        parse_speed(text)
    assert isinstance(caught.value, InputError)
    assert "\n" not in str(caught.value)


def test_a_share_may_be_a_number_or_a_percentage() -> None:
    assert parse_quantity("45%", "1") == pytest.approx(0.45)
    assert parse_quantity("0.45", "1") == pytest.approx(0.45)


def test_labels_carry_only_the_decimals_they_need() -> None:
    assert speed_label(22.352, "mph") == "50 mph"
    assert speed_label(22.352, "km/h") == "80.5 km/h"


def test_units_of_different_kinds_do_not_mix() -> None:
    assert convert(31, "C", "kelvin") == pytest.approx(304.15)
    with pytest.raises(UnitError):
        convert(1, "kg", "m")


def test_the_table_of_usual_units_is_pints() -> None:
    """Whatever the table gives, pint gives: for each unit, in each other of its kind; and neither mixes kinds."""
    registry = units._registry()
    for name, (kind, _) in units._USUAL.items():
        for other, (other_kind, _) in units._USUAL.items():
            asked = registry.Quantity(7.3, name)
            if kind == other_kind:
                assert units.convert(7.3, name, other) == pytest.approx(asked.to(other).magnitude, rel=1e-15 * 4)
            else:
                assert not asked.is_compatible_with(other), (name, other)
                with pytest.raises(UnitError):
                    units.convert(7.3, name, other)
