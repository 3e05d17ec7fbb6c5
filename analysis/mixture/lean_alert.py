"""The lean alert: mixture leaner than its target while the engine works hard, for longer than a set time.

An air-cooled engine that runs lean at full load can be ruined in half a minute, and nobody reads a map while driving.

How hard the engine works is told by a recorded channel where the configuration names one (`load_channel`, and
`load_full` for its reading at full load). Without one it is worked out from GPS: the tractive acceleration with the
mixture map's road load (`roadload.of`), as a share of the most the car can do at that speed (`strength`): by the power
in its file, by full pulls of earlier drives, and by pulls since the recorder started that reach that power, each at the
speeds at which it was shown. Where neither is known there is no alert, and the panel says so.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence

from analysis.conditions import roadload
from analysis.mixture.strength import FEWEST, HardPull, PullWatch, Strength
from logger.config.car import CarConfig
from logger.config.recorder import RecorderSettings
from logger.config.targets import TargetsConfig
from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record.alerts import Alert
from logger.record.live import STALE_NS, Place
from logger.units import NS_PER_S, W_PER_KW

_WINDOW_NS = 1_200_000_000
_MOVING_MPS = 1.0
_WAITING = f"lean alert off until you give wheel_power_kw or drive {FEWEST} timed runs"


class LeanWatch(Alert):
    """Watches the channel at `mixture` against `limit` (in that channel's own unit); `load` is `load_channel`'s place.

    `known` gives the full pulls of earlier drives; it is asked once, when the car first moves.

    `alert` is the text to show, "" while all is well.
    """

    def __init__(
        self,
        settings: RecorderSettings,
        limit: float,
        mixture: Place,
        load: Place | None = None,
        car: CarConfig | None = None,
        known: Callable[[], Sequence[HardPull]] = tuple,
    ) -> None:
        self._settings, self._limit, self._mixture, self._load_at = settings, limit, mixture, load
        self._road = roadload.of(car)
        power = car.car.wheel_power_kw if car is not None else None
        self._w_per_kg = power * W_PER_KW / car.car.mass_kg if power is not None and car is not None else None
        self._known, self._earlier = known, list[HardPull]()
        self._asked = False
        self._pulls = list[HardPull]()
        self._strength = Strength.of((), self._w_per_kg)
        self._watch = PullWatch()
        self._speeds: deque[tuple[int, float]] = deque()
        self._load: float | None = None
        self._load_ns = 0
        self._value = math.nan
        self._value_ns = 0
        self._lean_since_ns: int | None = None
        self.alert = ""

    @property
    def load(self) -> float | None:
        """The load of the last moment as a share; None before there is anything to hold it against."""
        return self._load

    def on_fix(self, source: str, fix: Fix) -> None:
        if self._load_at is not None:
            return
        if not fix.valid or fix.speed_mps is None:
            self._speeds.clear()
            return
        speeds = self._speeds
        if speeds and not 0 < fix.mono_ns - speeds[-1][0] < _WINDOW_NS:
            speeds.clear()
        speeds.append((fix.mono_ns, fix.speed_mps))
        while fix.mono_ns - speeds[0][0] > _WINDOW_NS:
            speeds.popleft()
        if (gain := slope(speeds)) is not None:
            v = fix.speed_mps
            tractive = float(roadload.tractive_acceleration(v, gain, self._road))
            if (pull := self._watch.take(fix.mono_ns, v, tractive, gain)) is not None:
                self._pulls.append(pull)
                self._learn()
            elif not self._asked and v > _MOVING_MPS:
                self._asked, self._earlier = True, list(self._known())
                self._learn()
            self._load = self._strength.share(v, tractive) if self._strength is not None else None
            self._load_ns = fix.mono_ns

    def _learn(self) -> None:
        self._strength = Strength.of(self._earlier, self._w_per_kg, self._pulls)
        self.waiting = _WAITING if self._strength is None else ""

    def on_reading(self, source: str, reading: Reading) -> None:
        if self._load_at is not None and source == self._load_at.source:
            full = self._settings.load_full
            self._load, self._load_ns = reading.values[self._load_at.at] / full, reading.mono_ns
        if source == self._mixture.source:
            self._value, self._value_ns = reading.values[self._mixture.at], reading.mono_ns

    def on_tick(self, now_ns: int) -> None:
        known = now_ns - self._value_ns < STALE_NS and now_ns - self._load_ns < STALE_NS and self._load is not None
        hard = known and self._load is not None and self._load >= self._settings.lean_alert_load
        if not hard or not self._value > self._limit:  # NaN is not lean
            self._lean_since_ns, self.alert, self.spoken = None, "", ()
            return
        since = self._lean_since_ns = self._value_ns if self._lean_since_ns is None else self._lean_since_ns
        seconds = (now_ns - since) / NS_PER_S
        if seconds >= self._settings.lean_alert_s:
            self.spoken = ("lean at high load",)
            self.alert = f"LEAN AT HIGH LOAD: {self._value:.2f} for {seconds:.0f} s, target up to {self._limit:.2f}"


def lean_limit(targets: TargetsConfig, car: CarConfig | None, channel: str, stoich_afr: float) -> float:
    """The lean end of the full-throttle target in the unit of `channel` (afr or lambda); air cooling without a car."""
    cooled = targets.water if car is not None and car.car.cooling == "water" else targets.air
    limit = cooled.full_throttle.high
    if targets.unit == channel == "afr":
        return limit * stoich_afr / targets.stoich_afr
    if targets.unit == channel:
        return limit
    return limit / targets.stoich_afr if channel == "lambda" else limit * stoich_afr


def slope(speeds: deque[tuple[int, float]]) -> float | None:
    """The least-squares slope of speed over time [m/s2]; None for less than three points or half a second."""
    if len(speeds) < 3 or speeds[-1][0] - speeds[0][0] < 500_000_000:
        return None
    t0, n = speeds[0][0], len(speeds)
    t = [(mono_ns - t0) / NS_PER_S for mono_ns, _ in speeds]
    mean_t, mean_v = sum(t) / n, sum(v for _, v in speeds) / n
    spread = sum((x - mean_t) ** 2 for x in t)
    return sum((x - mean_t) * (v - mean_v) for x, (_, v) in zip(t, speeds, strict=True)) / spread
