"""What else is measured while driving: head, oil and plug temperature, engine speed, battery; shown, and warned of.

A channel is known by its `quantity` in the recorder's file (or by the name `rpm`), its limit stands in the car's file.
A warning begins when the value has been beyond the limit for a second and ends when it is well back, so that it does
not chatter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from logger.config.car import CarConfig, Limits
from logger.config.recorder import WATCHED_NAMES, RecorderConfig, channels_of, measured
from logger.decode.readings import Reading
from logger.record.alerts import Alert
from logger.record.live import STALE_NS, Live, Place
from logger.units import NS_PER_S, QUANTITY_UNITS, S_PER_MINUTE, celsius_of_kelvin, kelvin_of_fahrenheit

_BEYOND_NS = NS_PER_S
_BACK_C, _BACK_V, _BACK_SHARE = 5.0, 0.3, 0.03
"""How far back a value must be before its warning ends: degrees, volts, share of an engine speed (common practice, no
source)."""
_SPOKEN = {
    "head_temperature": "head too hot", "oil_temperature": "oil too hot", "plug_temperature": "plug too hot",
    "engine_speed": "revs too high", "battery": "battery low",
}  # fmt: skip
"""What is said aloud of a quantity beyond its limit."""


@dataclass(frozen=True)
class Watched:
    """A channel that is watched: where it is found, what it is, and its limit in its own unit (NaN: none)."""

    place: Place
    quantity: str
    unit: str
    limit: float
    back: float
    """How far inside the limit it must be again."""

    @property
    def least(self) -> bool:
        """Whether the limit is the least that is well, and not the most."""
        return self.quantity == "battery"

    def said(self, value: float) -> str:
        """The value as it is shown."""
        if self.quantity == "engine_speed":
            return f"{value * QUANTITY_UNITS['engine_speed'][self.unit] * S_PER_MINUTE:.0f} rpm"
        if self.unit in {"V", "mV"}:
            return f"{value / (1 if self.unit == 'V' else 1000):.1f} V"
        return f"{value:.0f} {self.unit.removeprefix('deg')}"


def watched_of(config: RecorderConfig, car: CarConfig | None, live: Live) -> list[Watched]:
    """The channels that are watched, one for each quantity, in the order of `WATCHED_NAMES`."""
    limits = car.limits if car is not None else Limits()
    found: dict[str, Watched] = {}
    for source in config.source:
        for channel in channels_of(source):
            quantity, unit = measured(channel)
            place = live.place_in(source.name, channel.channel or "") if quantity in WATCHED_NAMES else None
            if place is not None and quantity not in found:
                found[quantity] = Watched(place, quantity, unit, *_limit(quantity, unit, limits))
    return [found[quantity] for quantity in WATCHED_NAMES if quantity in found]


def _limit(quantity: str, unit: str, limits: Limits) -> tuple[float, float]:
    """The limit in the channel's unit, and how far inside it is well again."""
    if quantity == "engine_speed":
        factor = 1 / (QUANTITY_UNITS["engine_speed"][unit] * S_PER_MINUTE)
        limit = math.nan if limits.engine_speed_max is None else limits.engine_speed_max * factor
        return limit, _BACK_SHARE * limit
    if quantity == "battery":
        factor = 1.0 if unit == "V" else 1000.0
        return (math.nan if limits.battery_min_v is None else limits.battery_min_v * factor), _BACK_V * factor
    kelvin = {
        "head_temperature": limits.head_max_k,
        "oil_temperature": limits.oil_max_k,
        "plug_temperature": limits.plug_max_k,
    }[quantity]
    if kelvin is None:
        return math.nan, 0.0
    celsius = celsius_of_kelvin(kelvin)
    if unit == "degC":
        return celsius, _BACK_C
    per_degree = 1 / (kelvin_of_fahrenheit(1.0) - kelvin_of_fahrenheit(0.0))
    return (kelvin - kelvin_of_fahrenheit(0.0)) * per_degree, _BACK_C * per_degree


class ChannelWatch(Alert):
    """Keeps the latest value of each watched channel, for whoever shows it, and warns of those beyond their limit."""

    def __init__(self, watched: Sequence[Watched]) -> None:
        self._watched = list(watched)
        self._values: dict[str, tuple[int, float]] = {}
        self._beyond_ns: dict[str, int] = {}
        self._on: set[str] = set()
        self.alert = ""

    def on_reading(self, source: str, reading: Reading) -> None:
        for each in self._watched:
            if each.place.source == source:
                self._values[each.quantity] = reading.mono_ns, reading.values[each.place.at]

    def on_tick(self, now_ns: int) -> None:
        for each in self._watched:
            self._look(each, now_ns)
        beyond = [each for each in self._watched if each.quantity in self._on]
        self.alert = "  ".join(map(self._warning, beyond))
        self.spoken = tuple(_SPOKEN[each.quantity] for each in beyond)

    def _warning(self, each: Watched) -> str:
        """ "HEAD HIGH: 240 C, limit 230 C"."""
        word = "LOW" if each.least else "HIGH"
        value = each.said(self._values[each.quantity][1])
        return f"{WATCHED_NAMES[each.quantity].upper()} {word}: {value}, limit {each.said(each.limit)}"

    def _look(self, each: Watched, now_ns: int) -> None:
        at_ns, value = self._values.get(each.quantity, (0, math.nan))
        over = each.limit - value if each.least else value - each.limit
        if now_ns - at_ns > STALE_NS or math.isnan(over) or over < -each.back:
            self._on.discard(each.quantity)
            self._beyond_ns.pop(each.quantity, None)
        elif over > 0:
            since = self._beyond_ns.setdefault(each.quantity, at_ns)
            if at_ns - since >= _BEYOND_NS:
                self._on.add(each.quantity)
        elif each.quantity not in self._on:  # between limit and back: what has not begun to warn starts anew
            self._beyond_ns.pop(each.quantity, None)

    def shown(self, now_ns: int) -> str:
        """All of them in a row: "head 183 C   battery 13.9 V"."""
        said = []
        for each in self._watched:
            at_ns, value = self._values.get(each.quantity, (0, math.nan))
            known = now_ns - at_ns <= STALE_NS and not math.isnan(value)
            said.append(f"{WATCHED_NAMES[each.quantity]} {each.said(value) if known else '--'}")
        return "   ".join(said)
