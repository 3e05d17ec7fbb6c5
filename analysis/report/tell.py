"""How figures are written in a report: as the command line writes them."""

from __future__ import annotations

import math
import os
from datetime import datetime
from pathlib import Path

from logger.units import SPEED_UNITS

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


def speed_range(low_mps: float, high_mps: float, unit: str) -> str:
    a, b = low_mps / SPEED_UNITS[unit], high_mps / SPEED_UNITS[unit]
    whole = abs(a - round(a)) < 0.05 and abs(b - round(b)) < 0.05
    return f"{a:.0f}{DASH}{b:.0f}" if whole else f"{a:.1f}{DASH}{b:.1f}"


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


def without_folder(text: str, store: Path) -> str:
    """`text` without the folder of the store, which may tell a user's name."""
    for folder in (str(store.resolve()), str(store)):
        text = text.replace(f"{folder}{os.sep}", "").replace(folder, "the store")
    return text
