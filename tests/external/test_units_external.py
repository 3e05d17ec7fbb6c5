"""Units against NIST SP 811 (2008), appendix B.8, and the SI Brochure (9th edition)."""

from __future__ import annotations

import pytest

from logger import units

NIST = [
    # text, SI unit, value in SI, what SP 811 prints
    ("1mi", "m", 1609.344, "mile = 1.609 344 E+03 m"),
    ("1ft", "m", 0.3048, "foot = 3.048 E-01 m"),
    ("1in", "m", 0.0254, "inch = 2.54 E-02 m"),
    ("1gal", "m**3", 3.785412e-3, "gallon (U.S.) = 3.785 412 E-03 m3"),
    ("1impgal", "m**3", 4.54609e-3, "gallon (Canadian and U.K.) = 4.546 09 E-03 m3"),
    ("1L", "m**3", 1e-3, "litre = 1.0 E-03 m3"),
    ("1lb", "kg", 0.45359237, "pound (avoirdupois) = 4.535 924 E-01 kg"),
    ("1mph", "m/s", 0.44704, "mile per hour = 4.4704 E-01 m/s"),
    ("1km/h", "m/s", 2.777778e-1, "kilometer per hour = 2.777 778 E-01 m/s"),
    ("1kn", "m/s", 5.144444e-1, "knot = 5.144 444 E-01 m/s"),
    ("1inHg", "Pa", 3386.389, "inch of mercury, conventional = 3.386 389 E+03 Pa"),
    ("1mbar", "Pa", 100.0, "millibar = 1.0 E+02 Pa"),
    ("1psi", "Pa", 6894.757, "psi = 6.894 757 E+03 Pa"),
    ("1hp", "W", 745.6999, "horsepower (550 ft lbf/s) = 7.456 999 E+02 W"),
    ("1PS", "W", 735.4988, "horsepower (metric) = 7.354 988 E+02 W"),
    ("32F", "kelvin", 273.15, "T/K = (t/F + 459.67)/1.8"),
    ("31C", "kelvin", 304.15, "T/K = t/C + 273.15"),
]


@pytest.mark.parametrize(("text", "unit", "value", "printed"), NIST)
def test_conversion_factors_of_nist_sp_811(text: str, unit: str, value: float, printed: str) -> None:
    assert units.parse_quantity(text, unit) == pytest.approx(value, rel=3e-7), printed


def test_constants_are_the_exact_ones() -> None:
    assert pytest.approx(0.44704, rel=1e-15) == units.MPS_PER_MPH
    assert pytest.approx(1852 / 3600, rel=1e-15) == units.MPS_PER_KNOT
    assert units.FOOT_M == 0.3048
    assert units.US_GALLON_M3 == 3.785411784e-3
