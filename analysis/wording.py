"""How figures are written in a report: as the command line writes them."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from logger.units import (
    FOOT_M,
    M3_PER_LITRE,
    M_PER_KM,
    M_PER_MILE,
    MPS_PER_KMH,
    MPS_PER_MPH,
    SPEED_UNITS,
    celsius_of_kelvin,
    m3_per_m_of,
    mpg_us,
    speed_label,
)

DASH = "\u2013"
NONE = "-"


def with_sigma(value: float, sigma: float, decimals: int = 2) -> str:
    """12.34 ±0.05: one standard deviation."""
    if not math.isfinite(value):
        return NONE
    text = f"{value:.{decimals}f}"
    return f"{text} ±{sigma:.{decimals}f}" if math.isfinite(sigma) else text


def number(value: float, decimals: int = 2) -> str:
    return f"{value:.{decimals}f}" if math.isfinite(value) else NONE


def signed(value: float, decimals: int = 2) -> str:
    return f"{value:+.{decimals}f}" if math.isfinite(value) else NONE


def interval(low: float, high: float, decimals: int = 2) -> str:
    """-0.31 to +0.05."""
    return f"{signed(low, decimals)} to {signed(high, decimals)}"


def span(low: float, high: float, decimals: int = 2) -> str:
    """An interval, or that it is unknown."""
    return interval(low, high, decimals) if math.isfinite(low) and math.isfinite(high) else "unknown"


def percent(share: float) -> str:
    """+3.3: a share in per cent with its sign; a dash where it is not known."""
    return f"{100 * share:+.1f}" if math.isfinite(share) else "-"


def percent_span(low: float, high: float) -> str:
    """+0.6 to +6.1: an interval of shares in per cent."""
    return f"{percent(low)} to {percent(high)}" if math.isfinite(low) and math.isfinite(high) else "-"


def speed_range(low_mps: float, high_mps: float, unit: str, dash: str = DASH) -> str:
    """20-30: a band of speed in `unit`, without its name."""
    a, b = low_mps / SPEED_UNITS[unit], high_mps / SPEED_UNITS[unit]
    whole = abs(a - round(a)) < 0.05 and abs(b - round(b)) < 0.05
    return f"{a:.0f}{dash}{b:.0f}" if whole else f"{a:.1f}{dash}{b:.1f}"


def channel_value(value: float, unit: str) -> str:
    """A reading of a watched channel as owners say it: K as degrees Celsius, volts to a tenth."""
    if unit == "K":
        return number(celsius_of_kelvin(value), 0)
    return number(value, 1 if unit == "V" else 0)


def channel_unit(unit: str) -> str:
    """The unit that `channel_value` writes in."""
    return {"K": "C", "1/min": "rpm"}.get(unit, unit)


def way(metres: float, unit: str, decimals: int = 0) -> str:
    """A way as who drives in mph (feet) or km/h (metres) has it, without the unit: see `way_unit`."""
    return number(metres / FOOT_M if unit == "mph" else metres, decimals)


def way_unit(unit: str) -> str:
    """ft or m."""
    return "ft" if unit == "mph" else "m"


def way_text(metres: float, unit: str, decimals: int = 0) -> str:
    """322 ft or 98 m: a way or a height."""
    return f"{way(metres, unit, decimals)} {way_unit(unit)}"


def wind_text(mps: float, unit: str, decimals: int = 1) -> str:
    """2.2 mph, or 1.0 m/s: a wind or another small speed. Who drives in km/h is told winds in m/s (WMO-No. 8)."""
    return f"{wind(mps, unit, decimals)} {wind_unit(unit)}"


def wind(mps: float, unit: str, decimals: int = 1, sign: bool = False) -> str:
    """The same without its unit: see `wind_unit`."""
    value = mps / SPEED_UNITS["mph"] if unit == "mph" else mps
    return signed(value, decimals) if sign else number(value, decimals)


def wind_unit(unit: str) -> str:
    """mph or m/s."""
    return "mph" if unit == "mph" else "m/s"


def fuel_use(l_per_100km: float, unit: str) -> str:
    """A consumption as who drives in mph (miles on a US gallon) or km/h (L/100 km) has it, without its unit."""
    return number(mpg_us(m3_per_m_of(l_per_100km)) if unit == "mph" else l_per_100km, 1)


def fuel_use_unit(unit: str) -> str:
    """mpg (US) or L/100 km."""
    return "mpg (US)" if unit == "mph" else "L/100 km"


def accel(mps2: float, unit: str, decimals: int = 1) -> str:
    """An acceleration as who drives in mph (mph/s) or km/h (m/s2) has it, without the unit: see `accel_unit`."""
    return number(mps2 / SPEED_UNITS["mph"] if unit == "mph" else mps2, decimals)


def accel_unit(unit: str) -> str:
    """mph/s or m/s2."""
    return "mph/s" if unit == "mph" else "m/s\u00b2"


def duration(seconds: float) -> str:
    """2 h 05 min, 5.7 min or 40 s."""
    if seconds >= 3600:
        return f"{int(seconds // 3600)} h {int(seconds % 3600 // 60):02d} min"
    return f"{seconds / 60:.1f} min" if seconds >= 100 else f"{seconds:.0f} s"


def day(when: datetime) -> str:
    return f"{when:%Y-%m-%d}"


def clock(seconds: float) -> str:
    """How long into a drive: 1:02:05 or 2:05."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"


def plural(count: int, one: str, many: str = "") -> str:
    return f"{count} {one if count == 1 else many or one + 's'}"


def passes_words(least: int, most: int) -> str:
    """4 to 9 passes of a road."""
    return plural(least, "pass", "passes") if least == most else f"{least} to {most} passes"


def short_span(low: float, high: float) -> str:
    """-0.31..+0.05 for a table, or that the interval is unknown."""
    return f"{signed(low)}..{signed(high)}" if math.isfinite(low) and math.isfinite(high) else "unknown"


def in_brackets(low: float, high: float) -> str:
    """An interval after what it belongs to; nothing where it is unknown."""
    return f" ({interval(low, high)})" if math.isfinite(low) else ""


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "!", "?")) else ".")


# --- comparisons --------------------------------------------------------------------------------------------------


def judged_by(corrected_by: str | None) -> str:
    """After the name of times: which kind they are."""
    return f", corrected by {corrected_by}" if corrected_by else ", as driven"


def adjusted(adjustments_s: Iterable[float]) -> str:
    """What lies between the plain means of a table and its differences; by how much at each speed [s]."""
    said = "A and B are plain means. B-A allows for direction and days"
    most = max((abs(each) for each in adjustments_s if math.isfinite(each)), default=0.0)
    return f"{said}, here by up to {most:.2f} s." if most >= 0.005 else f"{said}, which change nothing here."


# --- mixture ------------------------------------------------------------------------------------------------------

MARKS = {"lean of target": "L", "in band": "=", "rich of target": "R", "not enough data": "-"}
"""Judgements as marks in the map."""

FULL_THROTTLE_OF_DRIVE = "full throttle of the drive"
"""The full-throttle mixture of a drive: the median of all its readings at full throttle, the row of the mixture map."""
FULL_THROTTLE_OF_SETUP = "full throttle of this setup"
"""Of all drives with its parts together: all speeds weighed alike, and brought to one air."""
FULL_THROTTLE_OF_RUN = "in this run's pull"
"""Of one run: the median of the readings in the upper part of its speeds."""
FULL_THROTTLE_OF_RUNS = "median of its runs' pulls"
"""Of several runs: the median of what each had in its own pull."""
FULL_THROTTLE_COMPARED = "mean of its runs' pulls"
"""Of a side of a comparison: the mean of what each run had in its own pull."""


def channel_label(channel: str) -> str:
    """AFR or lambda, as they are written."""
    return "AFR" if channel == "afr" else channel


def channel_digits(channel: str) -> int:
    """Decimals of a median in a channel."""
    return 2 if channel == "afr" else 3


def load_label(low: float, high: float, unit: str) -> str:
    """15-35%: a column of the mixture map; `unit` is the load's, "1" for a share."""
    return f"{low * 100:.0f}-{high * 100:.0f}%" if unit == "1" else f"{low:g}-{high:g}"


def distance_text(metres: float, unit: str) -> str:
    """A distance in miles or kilometres, short ones in feet or metres."""
    if unit == "mph":
        return f"{metres / M_PER_MILE:.2f} mi" if metres >= 160 else f"{metres / FOOT_M:.0f} ft"
    return f"{metres / M_PER_KM:.2f} km" if metres >= M_PER_KM else f"{metres:.0f} m"


def miles_or_km(metres: float, unit: str, decimals: int = 0) -> str:
    """A long distance in the unit that goes with the speed unit: 46 mi or 74 km."""
    return f"{metres / M_PER_MILE:.{decimals}f} mi" if unit == "mph" else f"{metres / M_PER_KM:.{decimals}f} km"


def speed_words(mps: float) -> str:
    """A speed for a sentence that does not know the owner's unit: 80 km/h (50 mph)."""
    return f"{mps / MPS_PER_KMH:.0f} km/h ({mps / MPS_PER_MPH:.0f} mph)"


def wind_words(mps: float) -> str:
    """A wind for a sentence that does not know the owner's unit: 2.7 m/s (6 mph)."""
    return f"{mps:.2g} m/s ({mps / MPS_PER_MPH:.2g} mph)"


def short_way_words(metres: float) -> str:
    """A way within sight, or a height, for a sentence that does not know the owner's unit: 300 m (984 ft)."""
    return f"{metres:.0f} m ({metres / FOOT_M:.0f} ft)"


def way_words(metres: float) -> str:
    """A distance for a sentence that does not know the owner's unit: 1.2 km (0.7 mi)."""
    return f"{metres / M_PER_KM:.1f} km ({metres / M_PER_MILE:.1f} mi)"


def litres_text(m3: float) -> str:
    """A volume of fuel: 3.180 L."""
    return f"{m3 / M3_PER_LITRE:.3f} L"


def speed_span(band: tuple[float, float], unit: str) -> str:
    per = SPEED_UNITS[unit]
    return f"{band[0] / per:.4g} to {band[1] / per:.4g} {unit}"


def is_round(mps: float, unit: str) -> bool:
    """Whether a speed is a multiple of 5 mph or 10 km/h."""
    step = 5 if unit == "mph" else 10
    return abs(math.remainder(mps / SPEED_UNITS[unit], step)) < 0.01


def speed_number(mps: float, unit: str, decimals: int | None = None) -> str:
    """A speed without its unit, with as many decimals as it needs, at most one; or with so many."""
    if decimals is not None:
        return number(mps / SPEED_UNITS[unit], decimals)
    return speed_label(mps, unit).removesuffix(f" {unit}")


def distance_label(metres: float) -> str:
    for feet, label in ((60, "60 ft"), (330, "330 ft"), (660, "1/8 mile"), (1000, "1000 ft"), (1320, "1/4 mile")):
        if abs(metres - feet * FOOT_M) < 0.01:
            return label
    return f"{metres:g} m"


def without_folder(text: str, store: Path) -> str:
    """`text` without the folder of the store, which may tell a user's name."""
    for folder in (str(store.resolve()), str(store)):
        text = text.replace(f"{folder}{os.sep}", "").replace(folder, "the store")
    return text
