"""The last run as it happens: a listener of the recorder that times a standing start as soon as it is over.

What it says comes from the same `motion` and `runs` that answer later, over the fixes since the last standstill; the
finished drive knows a little more (the noise of the whole drive), so the last digit may differ.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

from analysis.runs.finding import FALL_MPS
from analysis.runs.lessons import Taught
from analysis.runs.run import DEFAULT_MIN_PEAK_MPS
from logger.decode.nmea import Fix
from logger.record.live import Listener
from logger.units import SPEED_UNITS, speed_label

REST_MPS = 0.5
KEPT_S = 300.0
LEAD_S = 20.0
"""Standstill kept before a start: its readings show the receiver's noise."""


class LiveRuns(Listener):
    """Keeps the fixes since the last standstill, at most five minutes of them, and announces a run when it is over."""

    def __init__(
        self,
        announce: Callable[..., None],
        unit: Literal["mph", "km/h"] = "mph",
        taught: Callable[[], Taught] = Taught,
    ) -> None:
        """`announce` takes a line, and of a counted run the speed in the unit and the seconds. `taught` gives what
        earlier drives taught of the receiver and the car; it is asked at the first run.
        """
        self._announce, self._unit, self._ask = announce, unit, taught
        self._taught: Taught | None = None
        self._fixes: list[Fix] = []
        self._peak_mps = 0.0
        self._said = True  # no run is under way until the car has stood
        self._source: str | None = None

    def on_fix(self, source: str, fix: Fix) -> None:
        if self._source not in (None, source) or fix.speed_mps is None or fix.utc_ns is None or not fix.valid:
            return
        self._source = source
        if self._fixes and fix.utc_ns <= (self._fixes[-1].utc_ns or 0):
            return
        self._fixes.append(fix)
        if fix.speed_mps < REST_MPS:
            if self._peak_mps >= DEFAULT_MIN_PEAK_MPS and not self._said:
                self._say()
            self._said, self._peak_mps = False, 0.0
            self._forget(fix.utc_ns, LEAD_S)
            return
        self._peak_mps = max(self._peak_mps, fix.speed_mps)
        over = fix.speed_mps < self._peak_mps - 2 * FALL_MPS
        if over and not self._said and self._peak_mps >= DEFAULT_MIN_PEAK_MPS:
            self._say()
            self._said = True
        self._forget(fix.utc_ns, KEPT_S)

    def _forget(self, now_ns: int, older_than_s: float) -> None:
        limit = now_ns - int(older_than_s * 1e9)
        if self._fixes and (self._fixes[0].utc_ns or 0) < limit:
            self._fixes = [fix for fix in self._fixes if (fix.utc_ns or 0) >= limit]

    def _say(self) -> None:
        from analysis.motion import smoother
        from analysis.motion.fixes import Fixes, clean
        from analysis.runs import finding
        from analysis.runs.run import Options

        first = self._fixes[0].utc_ns or 0

        def values(name: str) -> list[float]:
            return [math.nan if (v := getattr(fix, name)) is None else float(v) for fix in self._fixes]

        fixes, _ = clean(
            Fixes.of(
                [((fix.utc_ns or 0) - first) * 1e-9 for fix in self._fixes], values("speed_mps"), values("lat_deg"),
                values("lon_deg"), values("alt_m"), values("course_deg"), [fix.valid for fix in self._fixes],
                values("satellites"), values("hdop"), first,
            )
        )  # fmt: skip
        if len(fixes) < 10:
            return
        if self._taught is None:
            self._taught = self._ask()
        motion = smoother.smooth(fixes, others=self._taught.receivers)
        found = finding.find(motion, fixes, Options(unit=self._unit), self._taught.habit)
        standing = [run for run in found if run.kind == "standing" and run.splits]
        if standing:
            split = standing[-1].splits[-1]
            to, peak = (speed_label(v, self._unit) for v in (split.speed_mps, standing[-1].peak_mps))
            time = f"{split.from_one_foot_s:.2f} ±{split.from_one_foot_sigma_s:.2f} s"
            if standing[-1].counted:
                words = f"0 to {to} in {time} from one foot; peak {peak}"
                speed = round(split.speed_mps / SPEED_UNITS[self._unit])
                self._announce(words, speed=speed, seconds=round(split.from_one_foot_s, 3))
            else:
                self._announce(f"a run to {peak} is not counted: {standing[-1].why_not}")
