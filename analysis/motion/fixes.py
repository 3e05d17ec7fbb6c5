"""Fixes of a drive as arrays, and what is set aside of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Bools, Floats
from analysis.motion.heights import measured

if TYPE_CHECKING:
    from logger.store.drive import Drive

MIN_SATELLITES = 4
MAX_HDOP = 8.0
MAX_ACCEL_MPS2 = 12.0
"""More than tyres or brakes of any road car can do; a fix that needs more on both sides is a spike."""

LONGEST_CLUMP_S = 0.9
"""Spikes in a row last no longer than this."""


LONGEST_S = 3 * 86_400.0
"""What is worked out of a drive is laid on an even grid: fixes that span more are of several drives, or wrong."""
_APART_S = 43_200.0
"""Of so long a span, the fixes between two pauses of half a day belong together."""


@dataclass(frozen=True)
class Fixes:
    """Fixes of one receiver in order of time: arrays of one length, NaN where a sentence did not say.

    t_s counts from `epoch_utc_ns` [s, ns since 1970]; speed_mps over ground [m/s]; course_deg true [deg].
    """

    t_s: Floats
    speed_mps: Floats
    lat_deg: Floats
    lon_deg: Floats
    alt_m: Floats
    course_deg: Floats
    valid: Bools
    satellites: Floats
    hdop: Floats
    epoch_utc_ns: int = 0

    @classmethod
    def of(
        cls,
        t_s: ArrayLike,
        speed_mps: ArrayLike,
        lat_deg: ArrayLike | None = None,
        lon_deg: ArrayLike | None = None,
        alt_m: ArrayLike | None = None,
        course_deg: ArrayLike | None = None,
        valid: ArrayLike | None = None,
        satellites: ArrayLike | None = None,
        hdop: ArrayLike | None = None,
        epoch_utc_ns: int = 0,
    ) -> Fixes:
        """Fixes from the arrays there are; what is not given is NaN (valid: True). ValueError: unlike lengths."""
        t = np.asarray(t_s, float)

        def column(values: ArrayLike | None) -> Floats:
            out = np.full(len(t), np.nan) if values is None else np.asarray(values, float)
            if out.shape != t.shape:
                raise ValueError(f"a column of fixes has {out.shape} entries where time has {t.shape}")
            return out

        good = np.ones(len(t), bool) if valid is None else np.asarray(valid, bool)
        return cls(
            t, column(speed_mps), column(lat_deg), column(lon_deg), column(alt_m), column(course_deg), good,
            column(satellites), column(hdop), epoch_utc_ns,
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.t_s)

    def only(self, keep: Bools | slice) -> Fixes:
        """The fixes where `keep` is true, or a stretch of them."""
        names = ("t_s", "speed_mps", "lat_deg", "lon_deg", "alt_m", "course_deg", "valid", "satellites", "hdop")
        return replace(self, **{name: getattr(self, name)[keep] for name in names})

    def between(self, start_s: float, stop_s: float) -> Fixes:
        """Those from one time to another [s], both included."""
        return self.only(within(self.t_s, start_s, stop_s))


def within(t: Floats, start_s: float, stop_s: float) -> slice:
    """Which of some rising times lie from one to another, both included."""
    return slice(int(np.searchsorted(t, start_s)), int(np.searchsorted(t, stop_s, side="right")))


NO_SPEED = "without a speed"


@dataclass(frozen=True)
class SetAside:
    """Fixes that were not used: how many for which reason, and which (`kept` is over the fixes as given)."""

    counts: dict[str, int]
    kept: Bools

    @property
    def total(self) -> int:
        return sum(self.counts.values())

    @property
    def words(self) -> str:
        """How many for which reason: "503 without a speed"; "" where none was set aside."""
        return ", ".join(f"{count} {reason}" for reason, count in self.counts.items() if count)


def receiver_in(drive: Drive) -> str | None:
    """The source whose fixes are used: the first GPS source that gave any; None without one."""
    has = [name for name, kind in drive.kinds.items() if kind == "nmea" and drive.manifest.rows.get(name)]
    return has[0] if has else None


def read_fixes(drive: Drive) -> Fixes:
    """The fixes of a drive's first GPS source that gave any. ValueError where it has none."""
    from logger.store.columns import floats_in, times_in

    receiver = receiver_in(drive)
    if receiver is None:
        raise ValueError(f"drive {drive.id} has no GPS fixes")
    table = drive.table(receiver)

    def floats(name: str) -> Floats:
        return floats_in(table[name])[timed]

    ns, timed = times_in(table["time"])
    ns = ns[timed]
    if len(ns) == 0:
        raise ValueError(f"drive {drive.id} has no GPS fix with a time")
    epoch = int(ns[0])
    return Fixes.of(
        (ns - epoch) * 1e-9, floats("speed_mps"), floats("lat_deg"), floats("lon_deg"), floats("alt_m"),
        floats("course_deg"), floats("valid") == 1, floats("satellites"),
        floats("hdop"), epoch,
    )  # fmt: skip


def clean(fixes: Fixes) -> tuple[Fixes, SetAside]:
    """Set aside what is no measurement of speed: no fix, few satellites, poor geometry, repeated epochs, spikes. Of the
    fixes that are kept, a height that is no measurement is NaN."""
    kept = np.ones(len(fixes), bool)
    counts: dict[str, int] = {}

    def drop(reason: str, bad: Bools) -> None:
        bad = bad & kept
        if bad.any():
            counts[reason] = int(bad.sum())
            kept[bad] = False

    with np.errstate(invalid="ignore"):
        drop("no fix", ~fixes.valid | ~np.isfinite(fixes.t_s))
        drop(NO_SPEED, ~np.isfinite(fixes.speed_mps))
        drop("negative or impossible speed", (fixes.speed_mps > 150) | (fixes.speed_mps < -5))
        drop("few satellites", fixes.satellites < MIN_SATELLITES)
        drop("poor geometry", fixes.hdop > MAX_HDOP)
    drop("days from the others", _days_away(fixes.t_s, kept))
    index = np.flatnonzero(kept)
    latest = np.maximum.accumulate(fixes.t_s[index]) if len(index) else np.empty(0)
    repeated = np.zeros(len(fixes), bool)
    repeated[index[1:]] = fixes.t_s[index[1:]] <= latest[:-1] + 1e-6
    drop("repeated epoch", repeated)
    index = np.flatnonzero(kept)
    spikes = np.zeros(len(fixes), bool)
    spikes[index] = _spikes(fixes.t_s[index], fixes.speed_mps[index])
    drop("spike", spikes)
    used = fixes.only(kept)
    return replace(used, alt_m=measured(used.t_s, used.speed_mps, used.alt_m)), SetAside(counts, kept)


# --- how: spikes, rounding, rest ----------------------------------------------------------------------------------


def _days_away(t: Floats, kept: Bools) -> Bools:
    """Where all together span more than `LONGEST_S`: those that are not of the largest group."""
    away = np.zeros(len(t), bool)
    index = np.flatnonzero(kept)
    if len(index) == 0 or np.ptp(t[index]) <= LONGEST_S:
        return away
    index = index[np.argsort(t[index], kind="stable")]
    group = np.concatenate([[0], np.cumsum(np.diff(t[index]) > _APART_S)])
    away[index] = group != np.bincount(group).argmax()
    return away


def _spikes(t: Floats, y: Floats) -> Bools:
    """Readings that no car can reach from the good one before and leave for the good one after."""
    bad = np.zeros(len(y), bool)
    if len(y) < 4:
        return bad
    sigma = difference_sigma(t, y)
    slack = 0.3 + 6 * sigma
    widths = range(1, max(3, round(LONGEST_CLUMP_S / float(np.median(np.diff(t))))) + 1)
    for _ in range(3):
        good = np.flatnonzero(~bad)
        tg, yg = t[good], y[good]
        dt = np.diff(tg)
        jump = np.diff(yg)
        beyond = np.abs(jump) > MAX_ACCEL_MPS2 * dt + slack
        if not beyond.any():
            break
        found = False
        for i in np.flatnonzero(beyond):
            if bad[good[i]]:
                continue
            # Fixes that leave the line and come back to it, to where they left it best.
            back = []
            for j in (i + width + 1 for width in widths if i + width + 1 < len(yg)):
                away, seconds = abs(yg[j] - yg[i]), tg[j] - tg[i]
                if away > MAX_ACCEL_MPS2 * seconds * 0.5 + slack or seconds >= 3 + j - i:
                    continue
                # A long one leaps back as it leapt away; a car that is merely quick does not.
                if j - i > 4 and not beyond[j - 1]:
                    continue
                inside = yg[i + 1 : j] - np.interp(tg[i + 1 : j], tg[[i, j]], yg[[i, j]])
                if (np.abs(inside) > slack).all() and np.sign(jump[i]) != np.sign(jump[j - 1]):
                    back.append((away, j))
            if back:
                bad[good[i + 1 : min(back)[1]]] = True
                found = True
        if not found:
            break
    return bad | _lone_outliers(t, y, bad, sigma)


def _lone_outliers(t: Floats, y: Floats, bad: Bools, sigma: float) -> Bools:
    """Smaller spikes: a reading far off the cubic through the two before and the two after it, alone in that."""
    out = np.zeros(len(y), bool)
    good = np.flatnonzero(~bad)
    if len(good) < 9 or np.median(np.diff(t[good])) > 0.5:
        # Between slow fixes a car may do as much.
        return out
    tg, yg = t[good], y[good]
    error, scale = left_out(tg, yg)
    away = np.abs(error) / scale
    step = np.median(np.diff(tg))
    regular = (tg[4:] - tg[:-4]) < 6 * step
    limit = 7 * max(sigma, 0.02)
    suspect = (away[2:-2] > limit) & regular
    for k in np.flatnonzero(suspect) + 2:
        # Its own error also tilts the neighbours' fits: it must stand out from a fit without it.
        around = np.arange(max(int(k) - 4, 0), min(int(k) + 5, len(tg)))
        rest = around[around != k]
        near = tg[rest] - tg[k]
        fit = np.polynomial.polynomial.polyfit(near, yg[rest], 3)
        spread = np.std(yg[rest] - np.polynomial.polynomial.polyval(near, fit), ddof=0) * np.sqrt(2)
        if abs(yg[k] - fit[0]) > max(7 * max(sigma, 0.02), 5 * spread):
            out[good[k]] = True
    return out


def left_out(t: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Each reading less the cubic through its four neighbours, and that difference's noise gain."""
    n = len(t)
    error, scale = np.zeros(n), np.ones(n)
    c = np.arange(2, n - 2)
    x = np.stack([t[c - 2], t[c - 1], t[c + 1], t[c + 2]]) - t[c]
    values = np.stack([y[c - 2], y[c - 1], y[c + 1], y[c + 2]])
    weights = np.ones_like(x)
    for i in range(4):
        for j in range(4):
            if i != j:
                weights[i] *= x[j] / (x[j] - x[i])
    error[c] = y[c] - (weights * values).sum(0)
    scale[c] = np.sqrt(1 + (weights**2).sum(0))
    return error, scale


def difference_sigma(t: Floats, y: Floats) -> float:
    """Noise from how far readings lie off their neighbours' cubic: the lower half, where the car moves evenly."""
    if len(y) < 9:
        return 0.05
    error, scale = left_out(t, y)
    moving = (np.arange(len(y)) >= 2) & (np.arange(len(y)) < len(y) - 2) & (y > 1.0)
    if moving.sum() < 20:
        moving = (np.arange(len(y)) >= 2) & (np.arange(len(y)) < len(y) - 2)
    r = np.abs(error[moving] / scale[moving])
    # For a normal variable the 30 % point of its magnitude is 0.385 sigma; real changes of motion sit above it.
    return float(np.quantile(r, 0.3) / 0.3853)
