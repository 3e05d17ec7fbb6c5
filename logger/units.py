"""Units at the edges: what an owner types is turned into SI here, and SI is turned back into what is printed.

Arrays inside the program are plain SI numbers. Conversion goes through pint, whose definitions follow NIST SP 811
and the SI Brochure; its loading takes a third of a second, so the units that owners write most are in a table of its
factors (`_USUAL`).
"""

from __future__ import annotations

import functools
import math
import re
from typing import Any

from logger.errors import UnitError

M_PER_MILE = 1609.344
M_PER_KM = 1000.0
MPS_PER_MPH = M_PER_MILE / 3600  # exact: 1 mi = 1609.344 m (NIST SP 811, appendix B.8)
MPS_PER_KMH = M_PER_KM / 3600
MPS_PER_KNOT = 1852 / 3600  # exact: 1 kn = 1852 m/h (SI Brochure, 9th edition, table 8)
NS_PER_S = 10**9
MS_PER_S = 1000
S_PER_MINUTE = 60
S_PER_HOUR = 3600
S_PER_DAY = 86_400
NS_PER_DAY = S_PER_DAY * NS_PER_S  # of UTC, leap seconds apart
MINUTES_PER_HOUR = 60
MINUTES_PER_DEGREE = 60  # of arc
PPM = 10**6  # parts per million in the whole
BYTES_PER_KB = 1000
BYTES_PER_MB = 10**6
MB_PER_GB = 1000
FOOT_M = 0.3048  # exact
M3_PER_LITRE = 1e-3  # exact
MM_PER_M = 1000
MM_PER_INCH = 25.4  # exact
US_GALLON_M3 = 3.785411784e-3  # exact
IMPERIAL_GALLON_M3 = 4.54609e-3  # exact
G_PER_KG = 1000.0
W_PER_KW = 1000.0
HORSEPOWER_W = 550 * FOOT_M * 0.45359237 * 9.80665  # exact: 550 ft lbf/s (NIST SP 811, appendix B.8)
PA_PER_HPA = 100.0
PA_PER_INHG = 3386.389  # conventional inch of mercury (NIST SP 811, appendix B.8)
ZERO_CELSIUS_K = 273.15  # exact (SI Brochure, 9th edition, 2.3.1)

SPEED_UNITS = {"mph": MPS_PER_MPH, "km/h": MPS_PER_KMH, "m/s": 1.0, "kn": MPS_PER_KNOT}
"""Speed unit as printed -> metres per second."""

STANDARD_GRAVITY_MPS2 = 9.80665  # exact: conventional value (SI Brochure, 9th edition, 3rd CGPM 1901)
QUANTITY_UNITS: dict[str, dict[str, float]] = {
    "acceleration": {
        "m/s2": 1.0, "m/s^2": 1.0, "g": STANDARD_GRAVITY_MPS2, "mg": STANDARD_GRAVITY_MPS2 / 1000
    },
    "engine_speed": {"1/min": 1 / S_PER_MINUTE, "rpm": 1 / S_PER_MINUTE, "1/s": 1.0, "Hz": 1.0},
}  # fmt: skip
"""Quantity that a recorder's channel may hold -> unit as written in its file -> SI (m/s2, turns a second)."""
WATCHED_UNITS = {
    "head_temperature": ("degC", "degF"),
    "oil_temperature": ("degC", "degF"),
    "plug_temperature": ("degC", "degF"),
    "battery": ("V", "mV"),
}
"""Quantity that is watched while driving -> units as written in the recorder's file."""

_SPELLINGS = {
    "kph": "km/h", "kmh": "km/h", "kmph": "km/h", "kmh-1": "km/h", "mi/h": "mph", "kt": "knot", "kts": "knot",
    "kn": "knot", "mps": "m/s", "gal": "US_liquid_gallon", "usgal": "US_liquid_gallon", "us_gal": "US_liquid_gallon",
    "gallon": "US_liquid_gallon", "gallons": "US_liquid_gallon", "impgal": "imperial_gallon",
    "imp_gal": "imperial_gallon", "ukgal": "imperial_gallon", "l": "liter", "c": "degC", "°c": "degC", "f": "degF",
    "°f": "degF", "k": "kelvin", "inhg": "inch_Hg_32F", "in": "inch", "mbar": "millibar", "hpa": "hectopascal",
    "kpa": "kilopascal", "pa": "pascal", "psi": "psi", "lbs": "pound", "lb": "pound", "kg": "kilogram",
    "g": "gram", "hp": "horsepower", "ps": "metric_horsepower", "kw": "kilowatt", "w": "watt", "s": "second",
    "sec": "second", "min": "minute", "h": "hour", "ms": "millisecond", "mi": "mile", "miles": "mile", "ft": "foot",
    "km": "kilometer", "m": "meter", "mm": "millimeter", "cm": "centimeter", "%": "percent", "n": "newton",
}  # fmt: skip

_KINDS = {
    "m/s": ("a speed", "50mph, '80 km/h' or 22.4m/s"),
    "m": ("a length", "60ft, 1320ft, 0.125mi, 100m or 1.09mm"),
    "m**3": ("a volume", "0.84gal, 3.2L or 0.7impgal"),
    "kelvin": ("a temperature", "31C or 88F"),
    "Pa": ("a pressure", "29.92inHg, 1013hPa or 101.3kPa"),
    "kg": ("a mass", "2.31kg or 5.1lb"),
    "s": ("a time", "90s, 5min or 2h"),
    "W": ("a power", "11kW or 15hp"),
    "m**2": ("an area", "0.6m**2"),
    "1": ("a number or share", "0.45 or 45%"),
}

_USUAL: dict[str, tuple[str, float]] = {
    "mph": ("m/s", MPS_PER_MPH), "km/h": ("m/s", MPS_PER_KMH), "m/s": ("m/s", 1.0), "knot": ("m/s", MPS_PER_KNOT),
    "millimeter": ("m", 1 / MM_PER_M), "centimeter": ("m", 0.01), "meter": ("m", 1.0), "kilometer": ("m", M_PER_KM),
    "foot": ("m", FOOT_M), "inch": ("m", MM_PER_INCH / MM_PER_M), "mile": ("m", M_PER_MILE),
    "m**3": ("m**3", 1.0), "liter": ("m**3", M3_PER_LITRE), "US_liquid_gallon": ("m**3", US_GALLON_M3),
    "imperial_gallon": ("m**3", IMPERIAL_GALLON_M3),
    "degree": ("an angle", 1.0), "kilogram": ("kg", 1.0), "gram": ("kg", 1 / G_PER_KG),
    "second": ("s", 1.0), "minute": ("s", float(S_PER_MINUTE)), "hour": ("s", float(S_PER_HOUR)),
}  # fmt: skip
"""Unit as pint spells it -> its kind, and how many of the SI unit it is (an angle: of degrees)."""

_QUANTITY = re.compile(r"^\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")


def parse_quantity(text: str, unit: str) -> float:
    """Read `text`, a number followed by a unit, and return it in the SI `unit`.

    `unit` is a pint unit expression such as "m/s", "m**3", "kelvin" or "Pa". Raises UnitError where the text has no
    number, no unit (a bare number is accepted only for unit "1"), an unknown unit, or one of another kind.
    """
    kind, example = _KINDS.get(unit, (f"a quantity in {unit}", f"1 {unit}"))
    expected = f"expected {kind} with its unit, such as {example}"
    match = _QUANTITY.match(text)
    if re.match(r"\s*[+-]?\d+,\d", text):
        raise UnitError(f"{text!r} has a comma. Write decimals with a point, and thousands without a comma; {expected}")
    if match is None:
        raise UnitError(f"{text!r} is not {kind}: {expected}")
    number, name = float(match[1]), match[2]
    if not name and unit != "1":
        raise UnitError(f"{text!r} has no unit: {expected}")
    if name == "%":
        number, name = number / 100, ""
    try:
        value = _usual(number, name, unit)
        if value is None:
            value = float(_registry().Quantity(number, _spelled(name)).to(unit).magnitude)
    except Exception as error:  # pint raises its own family, tokenize errors and more for free text
        raise UnitError(f"{text!r} is not {kind}: {expected}") from error
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is not a finite number: {expected}")
    return value


def parse_speed(text: str) -> float:
    """Read a speed such as "50mph" or "80 km/h" in m/s; UnitError where it is none, or not above zero."""
    value = parse_quantity(text, "m/s")
    if value <= 0:
        raise UnitError(f"{text!r} is not a speed above zero. Write it as 50mph or '80 km/h'")
    return value


def speed_label(mps: float, unit: str) -> str:
    """A speed in `unit` ("mph", "km/h", "m/s" or "kn"), with as many decimals as it needs, at most one."""
    value = round(mps / SPEED_UNITS[unit], 1)
    return f"{value:.0f} {unit}" if value == round(value) else f"{value:.1f} {unit}"


def kelvin_of_celsius(celsius: float) -> float:
    """A temperature in kelvin."""
    return celsius + ZERO_CELSIUS_K


def celsius_of_kelvin(kelvin: float) -> float:
    """A temperature in degrees Celsius."""
    return kelvin - ZERO_CELSIUS_K


def kelvin_of_fahrenheit(fahrenheit: float) -> float:
    """A temperature in kelvin."""
    return (fahrenheit - 32) / 1.8 + ZERO_CELSIUS_K


def l_per_100km(m3_per_m: float) -> float:
    """Consumption in litres for 100 km."""
    return m3_per_m / M3_PER_LITRE * (100 * M_PER_KM)


def m3_per_m_of(l_per_100km: float) -> float:
    """Consumption in m3/m from litres for 100 km."""
    return l_per_100km * M3_PER_LITRE / (100 * M_PER_KM)


def mpg_us(m3_per_m: float) -> float:
    """Miles on a US gallon."""
    return US_GALLON_M3 / (m3_per_m * M_PER_MILE)


def mpg_imperial(m3_per_m: float) -> float:
    """Miles on an imperial gallon."""
    return IMPERIAL_GALLON_M3 / (m3_per_m * M_PER_MILE)


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """`value` of `from_unit` in `to_unit`, as pint has it; UnitError where the units do not fit each other."""
    usual = _usual(value, from_unit, to_unit)
    if usual is not None:
        return usual
    try:
        return float(_registry().Quantity(value, _spelled(from_unit)).to(_spelled(to_unit)).magnitude)
    except Exception as error:
        raise UnitError(f"{from_unit!r} cannot be converted to {to_unit!r}") from error


def _usual(value: float, from_unit: str, to_unit: str) -> float | None:
    """`value` in `to_unit` where both units are in the table; None where pint is to be asked. UnitError: two kinds."""
    first, second = _USUAL.get(_spelled(from_unit)), _USUAL.get(_spelled(to_unit))
    if first is None or second is None:
        return None
    if first[0] != second[0]:
        raise UnitError(f"{from_unit!r} cannot be converted to {to_unit!r}")
    return value * first[1] / second[1]


@functools.cache
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    return registry


def _spelled(name: str) -> str:
    return _SPELLINGS.get(name.replace(" ", "").lower(), name)
