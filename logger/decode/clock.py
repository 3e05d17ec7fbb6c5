"""Three clocks made one: when a byte arrived (host monotonic), what the computer believes (host wall), GPS UTC.

`monotonic_ns` reads the host's monotonic clock. `settle` gives the one relation between it and UTC that a whole drive
uses, a `ClockFit`: from the GPS epochs where there are any (`fit`), else from the host's wall clock, else from nothing.

The fit follows the early edge of the arrivals. A byte can be late by any amount (USB frames, a busy computer) but
never early, so arrival minus UTC scatters above a line whose slope is the drift between the clocks; the line below the
scatter, not through it, is the relation wanted [1]. The slope is the median slope [2] through the earliest arrival of
each of some sixty stretches of the drive, which a few odd epochs cannot move, unlike an exact lower hull; the height is
the lowest hundredth of what remains.

Where the host's monotonic clock stands still while it sleeps (macOS and Windows; Linux's boot-time clock runs on), or
a receiver corrects its own time, the arrivals step to another level. Each level is a piece of its own, all with one
drift. What was found and mended is said in `ClockFit.remarks`.

[1] S. B. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network delay measurements",
    IEEE INFOCOM 1999.
[2] P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63 (1968).
"""

from __future__ import annotations

import functools
import itertools
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.units import NS_PER_DAY, NS_PER_S, PPM, S_PER_DAY, S_PER_MINUTE

Nanoseconds = NDArray[np.int64]
Basis = Literal["gps", "gps without a fix", "wall", "none"]

STEP_S = 0.25
"""The least step between two levels of arrival that counts as one; stalls shorter than this stay jitter."""
ROLLOVER_NS = 1024 * 7 * NS_PER_DAY
"""GPS weeks are broadcast modulo 1024 (IS-GPS-200, 20.3.3.3.1.1); old receivers come out a multiple of that early."""
MOST_PPM = 1000.0
"""No two clocks drift apart faster: a quartz is off by 100 ppm at most, and a host slews its clock by 500 ppm at most
(Linux's adjtimex). What seems to is wrong times."""


def _chosen_clock() -> Callable[[], int]:
    """The boot-time clock where there is one: it runs on while the computer sleeps."""
    if sys.platform != "win32" and (boot := getattr(time, "CLOCK_BOOTTIME", None)) is not None:
        try:
            time.clock_gettime_ns(boot)
        except OSError:
            pass
        else:
            return functools.partial(time.clock_gettime_ns, boot)
    return time.monotonic_ns


monotonic_ns: Callable[[], int] = _chosen_clock()
"""The host's monotonic clock [ns]: never set, never back; on Linux it counts sleep."""


@dataclass(frozen=True)
class Anchors:
    """What the host's wall clock showed at some instants of its monotonic clock; equal lengths, in order."""

    mono_ns: Nanoseconds
    utc_ns: Nanoseconds
    resumed: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    """Whether the host had just woken from sleep; empty for never."""


@dataclass(frozen=True)
class Piece:
    """From `from_mono_ns` on, utc = utc_ns + (mono - mono_ns) (1 - drift)."""

    from_mono_ns: int
    mono_ns: int
    utc_ns: int


@dataclass(frozen=True)
class ClockFit:
    """How UTC follows from the host's monotonic clock, over one drive."""

    basis: Basis
    pieces: tuple[Piece, ...]
    """In order; the first holds before its start too."""
    drift_ppm: float = 0.0
    """How much the host's monotonic clock gains on UTC, in millionths."""
    residual_s: float | None = None
    """The median lateness of the epochs against the fit [s]; None where no epochs were used."""
    residual_p99_s: float | None = None
    """The lateness that 99 % of the epochs stay under [s]."""
    epochs: int = 0
    """How many epochs the fit uses."""
    wall_offset_s: float | None = None
    """How far the computer's wall clock was ahead of UTC [s], the median; None where it is not known apart."""
    bend_mono_ns: Nanoseconds = field(default_factory=lambda: np.zeros(0, np.int64))
    bend_s: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    """What the host clock gains beyond the straight line, at some instants, where its drift is not constant."""
    epoch_mono_ns: Nanoseconds = field(default_factory=lambda: np.zeros(0, np.int64))
    """The epochs that were given, by their arrival."""
    mended_utc_ns: Nanoseconds = field(default_factory=lambda: np.zeros(0, np.int64))
    """For each epoch that was given: its own UTC, mended."""
    trusted: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    """For each epoch that was given: whether its own UTC is used; else its time is `utc_ns` of its arrival."""
    remarks: tuple[str, ...] = ()
    """What was found and mended, a sentence each."""

    def utc_ns(self, mono_ns: Nanoseconds) -> Nanoseconds:
        """UTC of instants of the monotonic clock, in ns since 1970."""
        mono_ns = np.asarray(mono_ns, np.int64)
        starts = np.array([piece.from_mono_ns for piece in self.pieces[1:]], np.int64)
        which = np.searchsorted(starts, mono_ns, side="right")
        since = mono_ns - np.array([piece.mono_ns for piece in self.pieces], np.int64)[which]
        gained = since * (self.drift_ppm / PPM)
        if len(self.bend_mono_ns):
            gained = gained + np.interp(mono_ns, self.bend_mono_ns, self.bend_s) * NS_PER_S
        utc_ns: Nanoseconds = np.array([piece.utc_ns for piece in self.pieces], np.int64)[which] + since
        utc_ns -= np.rint(gained).astype(np.int64)
        return utc_ns

    def epochs_utc_ns(
        self, mono_ns: Nanoseconds, utc_ns: Nanoseconds, by_arrival_ns: Nanoseconds
    ) -> tuple[Nanoseconds, NDArray[np.bool_]]:
        """UTC of a receiver's epochs, mended, and which of them to trust; the others have theirs by arrival.

        Those of another receiver than the fit's are trusted where they agree with it to half a second.
        """
        if len(self.mended_utc_ns) == len(mono_ns) and np.array_equal(self.epoch_mono_ns, mono_ns):
            return self.mended_utc_ns, self.trusted
        return utc_ns, np.abs(by_arrival_ns - utc_ns) < NS_PER_S // 2

    @property
    def offset_s(self) -> float:
        """UTC minus the monotonic clock at the start of the fit [s]."""
        return (self.pieces[0].utc_ns - self.pieces[0].mono_ns) / NS_PER_S


def instant(utc_ns: int) -> datetime:
    """A time in ns since 1970 as a datetime in UTC, to the microsecond below."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=utc_ns // 1000)


def settle(
    mono_ns: Nanoseconds,
    utc_ns: Nanoseconds,
    fixed: NDArray[np.bool_],
    latency_s: float,
    anchors: Anchors,
    first_mono_ns: int = 0,
) -> ClockFit:
    """The relation for a drive, from the best that there is.

    `mono_ns`, `utc_ns` and `fixed` belong to the epochs of a receiver that told their UTC: arrival, UTC, and whether
    the receiver had a fix. `anchors` are instants of the host's wall clock. Epochs with a fix come first, then the
    wall clock, then epochs without a fix, then 1970. `first_mono_ns` is the drive's first arrival.
    """
    if not len(mono_ns) and not len(anchors.mono_ns):
        said = "nothing says when this was, so times are counted from 1970-01-01"
        return ClockFit("none", (Piece(first_mono_ns, first_mono_ns, 0),), remarks=(said,))
    utc_ns, mended = _mend_rollover(mono_ns, utc_ns, anchors)
    wild = _wild(mono_ns, utc_ns)
    fixed = fixed & ~wild
    if fixed.any() or not len(anchors.mono_ns):
        chosen = fixed if fixed.any() else ~wild
        settled = fit(mono_ns[chosen], utc_ns[chosen], latency_s, anchors)
        if not _can_be(settled, utc_ns[chosen]):
            outside = chosen & _outside_a_day(utc_ns - mono_ns, chosen)
            wild, chosen = wild | outside, chosen & ~outside
            settled = fit(mono_ns[chosen], utc_ns[chosen], latency_s, anchors)
        settled = _with_wall(settled, anchors)
        basis: Basis = "gps" if fixed.any() else "gps without a fix"
    else:
        chosen, settled, basis = fixed, from_wall(anchors), "wall"
    mended_utc, trusted = utc_ns.copy(), np.zeros(len(utc_ns), np.bool_)
    mended_utc[chosen], trusted[chosen] = settled.mended_utc_ns, settled.trusted
    # The time of an epoch without a fix comes from the receiver's own quartz: good where it agrees.
    lateness = np.abs(settled.utc_ns(mono_ns - round(latency_s * NS_PER_S)) - utc_ns)
    trusted |= ~chosen & (lateness < NS_PER_S // 2) & (basis == "gps")
    odd_dates = (
        f"{int(wild.sum())} fixes had dates that do not fit the rest; their time is taken from when they arrived"
    )
    no_fix = ("the receiver never had a fix, so UTC is its own guess",) if basis == "gps without a fix" else ()
    return replace(
        settled,
        basis=basis,
        epoch_mono_ns=mono_ns,
        mended_utc_ns=mended_utc,
        trusted=trusted,
        remarks=(*mended, *([odd_dates] if wild.any() else []), *no_fix, *settled.remarks),
    )


def fit(mono_ns: Nanoseconds, utc_ns: Nanoseconds, latency_s: float = 0.0, anchors: Anchors | None = None) -> ClockFit:
    """The relation that the GPS epochs show: arrival `mono_ns` of each epoch's first byte, and its UTC.

    At least one epoch; arrivals in order. `latency_s` is how long after its epoch a receiver sends it at the earliest
    [s]. `anchors`, the host's wall clock, help to tell a sleeping host from a receiver that corrected itself.
    """
    anchors = anchors or Anchors(np.zeros(0, np.int64), np.zeros(0, np.int64))
    seen_ns = np.maximum.accumulate(np.asarray(mono_ns, np.int64)) - round(latency_s * NS_PER_S)
    ahead_ns = seen_ns - np.asarray(utc_ns, np.int64)
    x = (seen_ns - seen_ns[0]) / NS_PER_S
    y = (ahead_ns - ahead_ns[0]) / NS_PER_S

    odd = _odd(y)
    even = np.where(odd, np.inf, y)  # never early
    levels = np.flatnonzero(~odd)[_levels(x[~odd], y[~odd])].tolist()
    levels[0] = 0
    corrections, breaks, remarks = _explain(levels, even, seen_ns, np.asarray(utc_ns, np.int64), anchors)
    mended_utc_ns = utc_ns + corrections
    y, even = y - corrections / NS_PER_S, even - corrections / NS_PER_S

    bounds = [0, *breaks, len(x)]
    stretches = [slice(a, b) for a, b in itertools.pairwise(bounds)]
    slope = _slope(x, even, max(stretches, key=lambda part: x[part][-1] - x[part][0]))
    heights = [_height(even[part] - slope * x[part]) for part in stretches]
    line = slope * x + np.repeat(heights, np.diff(bounds))
    bend_x, bend = _bend(x, even - line)
    residual = y - line
    if len(bend_x):
        residual = residual - np.interp(x, bend_x, bend)

    pieces: list[Piece] = []
    for part, height in zip(stretches, heights, strict=True):
        # On the fitted line at the first epoch of the piece: arrival less how far it would be ahead of UTC there.
        ahead = int(ahead_ns[0]) + round((height + slope * x[part.start]) * NS_PER_S)
        at = int(seen_ns[part.start])
        starts_ns = int(mono_ns[part.start])
        if pieces:
            step = (at - ahead) - at - (pieces[-1].utc_ns - pieces[-1].mono_ns)
            starts_ns = _woke(anchors, int(mono_ns[part.start - 1]), starts_ns, step)
        pieces.append(Piece(starts_ns, at, at - ahead))
    days = np.rint(residual / S_PER_DAY).astype(np.int64)
    dated = (days > 0) & (np.abs(residual - days * float(S_PER_DAY)) < S_PER_MINUTE)
    if dated.any():  # the time of day is right
        mended_utc_ns = mended_utc_ns + np.where(dated, days, 0) * NS_PER_DAY
        residual = residual - np.where(dated, days, 0) * float(S_PER_DAY)
        remarks.append(f"{int(dated.sum())} fixes had the date of another day; corrected")
    future, past = residual <= -STEP_S, residual >= S_PER_DAY
    trusted = ~(future | past)
    for wrong, when in ((future, "in the future"), (past, "of another day")):
        if wrong.any():
            remarks.append(f"{int(wrong.sum())} fixes had a time {when}; their time is taken from when they arrived")
    late = residual[trusted]
    return ClockFit(
        basis="gps",
        pieces=tuple(pieces),
        drift_ppm=slope * PPM,
        residual_s=float(np.median(late)) if len(late) else None,
        residual_p99_s=float(np.quantile(late, 0.99)) if len(late) else None,
        epochs=int(trusted.sum()),
        bend_mono_ns=seen_ns[0] + np.rint(bend_x * NS_PER_S).astype(np.int64),
        bend_s=bend,
        epoch_mono_ns=np.asarray(mono_ns, np.int64),
        mended_utc_ns=mended_utc_ns,
        trusted=trusted,
        remarks=tuple(remarks),
    )


def from_wall(anchors: Anchors) -> ClockFit:
    """The relation that the host's wall clock shows, where no receiver told the time. At least one anchor.

    Where the wall clock was set in between, the level that held longest counts for the whole drive. Where it stepped
    because the host woke, the host's monotonic clock had stood still.
    """
    ahead = anchors.mono_ns - anchors.utc_ns
    steps = np.append(0, np.diff(ahead))
    steps[np.abs(steps) <= NS_PER_S // 2] = 0
    woken = np.flatnonzero(steps * anchors.resumed) if len(anchors.resumed) else np.zeros(0, np.int64)
    still = np.zeros(len(ahead), np.int64)
    still[woken] = steps[woken]
    still = np.cumsum(still)
    level = ahead - still
    starts = np.setdiff1d(np.flatnonzero(steps), woken)
    bounds = [0, *starts.tolist(), len(ahead)]
    ends = np.append(anchors.mono_ns, anchors.mono_ns[-1])
    lasted = [int(ends[b] - anchors.mono_ns[a]) for a, b in itertools.pairwise(bounds)]
    longest = int(np.argmax(lasted))
    height = int(np.median(level[bounds[longest] : bounds[longest + 1]]))
    pieces = []
    for k in [0, *woken.tolist()]:
        at = int(anchors.mono_ns[k])
        pieces.append(Piece(at, at, at - height - int(still[k])))
    slept = tuple(_stood_still(-steps[k] / NS_PER_S, int(anchors.utc_ns[k])) for k in woken)
    said = ("no GPS time, so UTC is from the computer's clock", *slept, *_wall_jumps(anchors, starts))
    return ClockFit("wall", tuple(pieces), remarks=said)


def as_told(mono_ns: Nanoseconds, utc_ns: Nanoseconds, fixed: NDArray[np.bool_]) -> ClockFit:
    """The relation of a plain log, whose epochs are the only clock there is: each as it was told, whatever it was.

    Epochs as for `settle`, at least one; those with a fix count where there are any. Dates alone are mended: to those
    that most epochs told, as far as the log's own order says.
    """
    chosen = fixed if fixed.any() else np.ones(len(mono_ns), np.bool_)
    ahead = utc_ns - mono_ns
    usual = np.median(ahead[chosen & ~_outside_a_day(ahead, chosen)])
    days = np.rint((ahead - usual) / NS_PER_DAY).astype(np.int64)
    told_ns = utc_ns - days * NS_PER_DAY
    at, told = mono_ns[chosen], told_ns[chosen]
    starts = np.append(0, np.flatnonzero(np.diff(told - at)) + 1)
    found = ClockFit(
        "gps" if fixed.any() else "gps without a fix",
        tuple(Piece(int(at[k]), int(at[k]), int(told[k])) for k in starts),
        residual_s=0.0,
        residual_p99_s=0.0,
        epochs=len(at),
        epoch_mono_ns=mono_ns,
        mended_utc_ns=told_ns,
    )
    near = np.abs(found.utc_ns(mono_ns) - told_ns) < NS_PER_S // 2
    remarks = (
        [f"{count} fixes had the date of another day; corrected"] if (count := int((days[chosen] != 0).sum())) else []
    )
    if len(back := np.flatnonzero(np.diff(told) < 0)):
        remarks.append(_gone_back(told, back))
    return replace(found, trusted=chosen | near, remarks=tuple(remarks))


def _gone_back(told_ns: Nanoseconds, back: NDArray[np.intp]) -> str:
    """What is said of times that go back after the epochs `back`."""
    first, then = told_ns[back[0]], told_ns[back[0] + 1]
    more = f", and {len(back) - 1} times more" if len(back) > 1 else ""
    by = f"by {(first - then) / NS_PER_S:.9g} s to {_clock_text(int(then))}"
    return f"the log's times go back {by}{more}; they are kept as they are"


# --- how -----------------------------------------------------------------------------------------------------------


def _wild(mono_ns: Nanoseconds, utc_ns: Nanoseconds) -> NDArray[np.bool_]:
    """Where a receiver tells many dates (it is broken, or the bytes are), all epochs but those of one day's width.

    One date before the right one, or one wrong stretch among right ones, is left to be mended exactly.
    """
    ahead = (utc_ns - mono_ns).astype(float) / NS_PER_S
    jumps = np.count_nonzero(np.abs(np.diff(ahead)) > S_PER_DAY)
    if not jumps:
        return np.zeros(len(ahead), np.bool_)
    outside = _outside_a_day(utc_ns - mono_ns, np.ones(len(mono_ns), np.bool_))
    return outside if jumps > 2 or outside.mean() >= 0.5 else np.zeros(len(ahead), np.bool_)


def _can_be(found: ClockFit, told_ns: Nanoseconds) -> bool:
    """Whether most epochs stand on the relation found, and none was moved to where no epoch said it was."""
    low, high = told_ns.min() - NS_PER_DAY, told_ns.max() + NS_PER_DAY
    moved = found.mended_utc_ns
    return bool(
        found.trusted.mean() > 0.5 and abs(found.drift_ppm) < MOST_PPM and low < moved.min() and moved.max() < high
    )


def _outside_a_day(ahead_ns: Nanoseconds, of: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Those that are outside the day's width which holds most of `of`."""
    ordered = np.sort(ahead_ns[of])
    within = np.searchsorted(ordered, ordered + NS_PER_DAY, side="right") - np.arange(len(ordered))
    low = ordered[int(np.argmax(within))]
    outside: NDArray[np.bool_] = (ahead_ns < low) | (ahead_ns > low + NS_PER_DAY)
    return outside


def _odd(y: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Epochs that come earlier than those about them, before and after, by a step: their time is wrong, not early."""
    near = 7
    padded = np.pad(y, near, constant_values=np.inf)
    median = np.median(np.lib.stride_tricks.sliding_window_view(padded, near), axis=1)
    return (
        y < np.minimum(median[: len(y)], median[near + 1 :]) - STEP_S if len(y) > near else np.zeros(len(y), np.bool_)
    )


def _levels(x: NDArray[np.float64], y: NDArray[np.float64]) -> list[int]:
    """Where the early edge of `y` steps to another level: the index of the first epoch of each level, 0 first.

    The earliest arrivals of successive blocks of five seconds and five epochs are compared, so that a stall of a few
    epochs is no step. A level that is left and found again was never left: what lay between came late, or told a
    wrong time.
    """
    if len(x) < 2:
        return [0]
    block_s = max(5.0, 5 * float(np.median(np.diff(x))))
    _, starts = np.unique(np.floor(x / block_s), return_index=True)
    edge = np.minimum.reduceat(y, starts)
    ends = np.append(starts[1:], len(x))
    # 100 ppm is more than a computer's quartz is off.
    allowed = STEP_S + 1e-4 * (x[starts[1:]] - x[starts[:-1]])
    levels = [(0, float(edge[0]), float(edge[0]))]  # first epoch, edge where it begins, edge where it ends
    for block in range(1, len(edge)):
        before, now = float(edge[block - 1]), float(edge[block])
        if abs(now - before) <= allowed[block - 1]:
            levels[-1] = (*levels[-1][:2], now)
            continue
        part = slice(starts[block - 1], ends[block])
        early = np.flatnonzero(y[part] < (before + now) / 2)
        first = int(starts[block - 1] + (early[0] if now < before else early[-1] + 1))
        back = next((k for k in range(len(levels) - 1, -1, -1) if abs(levels[k][2] - now) <= allowed[block - 1]), None)
        if back is None:
            levels.append((first, now, now))
        else:
            levels[back + 1 :] = []
            levels[-1] = (*levels[-1][:2], now)
    return [first for first, _, _ in levels]


def _explain(
    levels: list[int],
    y: NDArray[np.float64],
    seen_ns: Nanoseconds,
    utc_ns: Nanoseconds,
    anchors: Anchors,
) -> tuple[Nanoseconds, list[int], list[str]]:
    """Why each level follows the one before: (what to add to each epoch's UTC [ns], where the host's clock broke)."""
    corrections = np.zeros(len(y), np.int64)
    breaks: list[int] = []
    remarks: list[str] = []
    for number, first in enumerate(levels[1:], 1):
        previous = levels[number - 1]
        following = levels[number + 1] if number + 1 < len(levels) else len(y)
        # Of each level the epochs that stand nearest to the step and are not odd ones; its first is none.
        step = float(y[first:following][:50].min() - _even(y[previous:first])[-50:].min())
        when = _clock_text(int(utc_ns[first]))
        wall_step = _wall_step(anchors, int(seen_ns[first - 1]), int(seen_ns[first]))
        if step > 0 and _is_leap(int(utc_ns[first]), step):
            corrections[first:] += NS_PER_S
            remarks.append(f"there was a leap second before {when}; from there times are 1 s ahead of UTC")
        elif S_PER_DAY >= step > 60 and min(first - previous, following - first) >= 0.1 * len(y):
            breaks.append(first)
            remarks.append(f"the receiver's time goes back by {step:.0f} s to {when}")
        elif step > 60 and following - first < first - previous:
            corrections[first:following] += round(_exact(step) * NS_PER_S)
            remarks.append(f"the receiver's time from {when} was wrong by {step:.0f} s")
        elif step > 0 or step < -S_PER_DAY or (wall_step is not None and wall_step > step / 2):
            exact = _exact(step)
            corrections[:first] -= round(exact * NS_PER_S)
            remarks.append(f"the receiver corrected its time by {-exact:+.9g} s at {when}; earlier times are corrected")
        else:
            breaks.append(first)
            remarks.append(_stood_still(-step, int(utc_ns[first])))
    return corrections, breaks, remarks


def _exact(step: float) -> float:
    """What a receiver was wrong by [s], where arrivals show `step`: whole days, or whole seconds, where it is near."""
    days = round(step / S_PER_DAY) * S_PER_DAY
    if days and abs(step - days) < S_PER_MINUTE:
        return days
    return round(step) if abs(step - round(step)) < STEP_S else step


def _wall_step(anchors: Anchors, before_ns: int, after_ns: int) -> float | None:
    """How the host's monotonic clock stepped against its wall clock between two instants [s]; None if not known."""
    earlier = np.searchsorted(anchors.mono_ns, before_ns, side="right") - 1
    later = np.searchsorted(anchors.mono_ns, after_ns, side="left")
    if earlier < 0 or later >= len(anchors.mono_ns):
        return None
    ahead = anchors.mono_ns - anchors.utc_ns
    return float(ahead[later] - ahead[earlier]) / NS_PER_S


def _woke(anchors: Anchors, before_ns: int, after_ns: int, slept_ns: int) -> int:
    """When the host woke that slept between two instants: where its wall clock is first seen ahead, else the later."""
    ahead = anchors.utc_ns - anchors.mono_ns
    earlier = np.flatnonzero(anchors.mono_ns <= before_ns)
    between = np.flatnonzero((anchors.mono_ns > before_ns) & (anchors.mono_ns < after_ns))
    if len(earlier):
        between = between[ahead[between] - ahead[earlier[-1]] > slept_ns // 2]
        if len(between):
            return int(anchors.mono_ns[between[0]])
    return after_ns


def _is_leap(utc_ns: int, step: float) -> bool:
    """Whether a step of the epochs' UTC back by `step` [s] at `utc_ns` is a leap second.

    They come at the end of a UTC month, first of June and December (ITU-R TF.460-6).
    """
    near = instant(utc_ns) + timedelta(minutes=5)
    midnight = near.replace(hour=0, minute=0, second=0, microsecond=0)
    return abs(step - 1) < STEP_S and near - midnight < timedelta(minutes=10) and midnight.day == 1


def _even(y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Those that are not odd."""
    return y[np.isfinite(y)]


def _slope(x: NDArray[np.float64], y: NDArray[np.float64], part: slice) -> float:
    """The drift along one stretch, from the earliest arrival in each of up to sixty parts of it [s/s].

    Under half a minute or ten epochs the scatter says more than the drift: 0. So it is where no clock drifts so.
    """
    x, y = x[part][np.isfinite(y[part])], _even(y[part])
    if len(x) < 10 or x[-1] - x[0] < 30:
        return 0.0
    count = min(60, len(x) // 3)
    _, starts = np.unique(np.floor((x - x[0]) / (x[-1] - x[0]) * count * (1 - 1e-12)), return_index=True)
    slope = 0.0
    for _ in range(2):  # the second time on the level, so that the earliest in a part is not the one at its low end
        level = y - slope * x
        earliest = [a + int(np.argmin(level[a:b])) for a, b in zip(starts, [*starts[1:], len(x)], strict=True)]
        slope = median_slope(x[earliest], y[earliest])
    return slope if abs(slope) * PPM < MOST_PPM else 0.0


def median_slope(x: NDArray[np.float64], y: NDArray[np.float64]) -> float:
    """The median of the slopes between all pairs of points [2]; x rises.

    As scipy.stats.theilslopes gives it, whose import alone takes seconds of those in which a drive must be closed.
    """
    first, second = np.triu_indices(len(x), 1)
    return float(np.median((y[second] - y[first]) / (x[second] - x[first])))


def _height(level: NDArray[np.float64]) -> float:
    """The early edge of arrivals on the level [s]: the lowest hundredth of those not odd: no single one decides.

    There is at least one that is not odd.
    """
    return float(np.quantile(_even(level), 0.01))


def _bend(x: NDArray[np.float64], residual: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where the early edge leaves the straight line by more than 3 ms: (instants, by how much), else nothing.

    A quartz that warms up and a host clock that is being slewed by the network do that.
    """
    x, residual = x[np.isfinite(residual)], _even(residual)
    window_s = max(120.0, 100 * float(np.median(np.diff(x)))) if len(x) > 1 else np.inf
    if x[-1] < 8 * window_s:
        return np.zeros(0), np.zeros(0)
    _, starts = np.unique(np.floor(x / window_s), return_index=True)
    counts = np.diff(np.append(starts, len(x)))
    parts = [slice(a, a + n) for a, n in zip(starts, counts, strict=True) if n >= 50]
    if len(parts) < 8:
        return np.zeros(0), np.zeros(0)
    middle = np.array([x[part].mean() for part in parts])
    edge = np.array([_height(residual[part]) for part in parts])
    padded = np.pad(edge, 1, mode="edge")
    edge = np.median([padded[:-2], padded[1:-1], padded[2:]], axis=0)
    if np.ptp(edge) <= 0.003:
        return np.zeros(0), np.zeros(0)
    return middle, edge


def _mend_rollover(mono_ns: Nanoseconds, utc_ns: Nanoseconds, anchors: Anchors) -> tuple[Nanoseconds, tuple[str, ...]]:
    """Epochs whose date is a multiple of 1024 weeks early by the host's wall clock, to within a week, put right."""
    if not len(anchors.mono_ns) or not len(mono_ns):
        return utc_ns, ()
    nearest = np.clip(np.searchsorted(anchors.mono_ns, mono_ns), 0, len(anchors.mono_ns) - 1)
    behind = anchors.utc_ns[nearest] + (mono_ns - anchors.mono_ns[nearest]) - utc_ns
    times = np.rint(behind / ROLLOVER_NS).astype(np.int64)
    times[(times < 1) | (np.abs(behind - times * ROLLOVER_NS) > 7 * NS_PER_DAY)] = 0
    if not times.any():
        return utc_ns, ()
    first = int(np.flatnonzero(times)[0])
    mended = utc_ns + times * ROLLOVER_NS
    said = (
        f"the receiver's date was {times[first]} x 1024 weeks early ({_clock_text(int(utc_ns[first]))} "
        f"for {_clock_text(int(mended[first]))}); corrected"
    )
    return mended, (said,)


def _with_wall(found: ClockFit, anchors: Anchors) -> ClockFit:
    """The fit with what it says about the host's wall clock."""
    if not len(anchors.mono_ns):
        return found
    offsets = (anchors.utc_ns - found.utc_ns(anchors.mono_ns)) / NS_PER_S
    offset = float(np.median(offsets))
    wrong = (f"the computer's wall clock was {offset:+.1f} s off UTC; not used",) if abs(offset) > 2 else ()
    jumps = np.flatnonzero(np.abs(np.diff(offsets)) > 0.5) + 1
    said = tuple(
        f"the computer's wall clock was set by {offsets[k] - offsets[k - 1]:+.1f} s "
        f"at {_clock_text(int(found.utc_ns(anchors.mono_ns[k : k + 1])[0]))}; not used"
        for k in jumps
    )
    return replace(found, wall_offset_s=offset, remarks=(*found.remarks, *wrong, *said))


def _wall_jumps(anchors: Anchors, starts: Nanoseconds) -> tuple[str, ...]:
    ahead = (anchors.mono_ns - anchors.utc_ns) / NS_PER_S
    return tuple(
        f"the computer's wall clock was set by {ahead[k - 1] - ahead[k]:+.1f} s "
        f"at {_clock_text(int(anchors.utc_ns[k]))}; the setting that it kept longest is used"
        for k in starts
    )


def _stood_still(seconds: float, utc_ns: int) -> str:
    return f"the computer's clock stood still for {seconds:.1f} s before {_clock_text(utc_ns)} (asleep)"


def _clock_text(utc_ns: int) -> str:
    return f"{instant(utc_ns):%Y-%m-%d %H:%M:%SZ}"
