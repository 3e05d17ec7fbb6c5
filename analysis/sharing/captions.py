"""Captions for a video of a drive: speed, mixture, elapsed run time and splits, as WebVTT, SubRip and styled ASS.

    shown = [*speed_lines(motion, "mph"), *value_lines(t, afr, "AFR {:.1f}"), *run_lines(runs, "mph")]
    fit = align([(12.40, 131.02)])                        # video time, drive time: a clap, a note, a start [s]
    clip = on_video(shown, fit, length_s=600)
    webvtt(clip); subrip(clip); ass(clip)

What is shown changes at the moment at which the figure changes, not on a grid of its own: a speed where it passes the
half between two whole numbers, the run's clock at every tenth, a split when its speed is reached. So a caption is never
later than its format's own step (1 ms; 10 ms in ASS) and the frame that a player shows next.

A camera's clock drifts against the satellites' by some ten parts in a million: a frame in an hour. Two points far
apart take that out; `align` does so by itself.

Formats: W3C, WebVTT: The Web Video Text Tracks Format. SubRip and Advanced SubStation Alpha have no standard; what is
written is what ffmpeg's demuxers and libass read, and is held to that in the tests.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from analysis.runs.run import time_zero
from logger.errors import InputError
from logger.units import SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from analysis.motion.smoother import Motion
    from analysis.runs.run import Run

Slot = Literal["speed", "value", "clock", "splits", "note"]

SLOTS: tuple[Slot, ...] = ("speed", "value", "clock", "splits", "note")
"""What a caption can hold, in the order of its lines."""
HOLD_S = 6.0
"""A run's time and splits stay this long after its end."""
MOST_SPLITS = 5


class Line(NamedTuple):
    """One thing shown from `start_s` to `end_s`; lines of one slot do not overlap."""

    start_s: float
    end_s: float
    slot: Slot
    text: str


# --- what is shown ------------------------------------------------------------------------------------------------


def speed_lines(motion: Motion, unit: str) -> list[Line]:
    """The speed in whole `unit`, on the motion's time axis; nothing where fixes are missing."""
    if len(motion.t_s) < 2:
        return []
    step, per = 0.02, SPEED_UNITS[unit]
    t = np.arange(motion.t_s[0], motion.t_s[-1], step)
    speed = np.concatenate([motion.at(part).speed_mps for part in np.array_split(t, len(t) // 50_000 + 1)]) / per
    for gap in motion.gaps:
        speed[(t > gap.start_s) & (t < gap.end_s)] = np.nan
    whole = np.where(np.isfinite(speed), np.floor(np.maximum(np.nan_to_num(speed), 0) + 0.5), -1)
    change = np.flatnonzero(np.diff(whole) != 0)
    # Where a speed passes the half between two whole numbers, between two samples.
    a, b = speed[change], speed[change + 1]
    half = np.maximum(whole[change], whole[change + 1]) - 0.5
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip(np.nan_to_num((half - a) / (b - a), nan=0.5), 0, 1)
    edges = np.concatenate([[t[0]], t[change] + share * step, [motion.t_s[-1]]])
    values = whole[np.concatenate([[0], change + 1])]
    return [
        Line(float(start), float(end), "speed", f"{value:.0f} {unit}")
        for (start, end), value in zip(pairwise(edges), values, strict=True)
        if value >= 0
    ]


def value_lines(t_s: ArrayLike, values: ArrayLike, form: str, step_s: float = 0.5) -> list[Line]:
    """A channel's mean over each `step_s` [s], written by `form` (such as "AFR {:.1f}").

    Nothing where it has no reading. A mean of half a second stands still enough to be read; a sensor's noise does not.
    """
    t, y = np.asarray(t_s, float), np.asarray(values, float)
    good = np.isfinite(t) & np.isfinite(y)
    t, y = t[good], y[good]
    if len(t) == 0:
        return []
    cell = np.floor(t / step_s).astype(np.int64)
    first = int(cell[0])
    count = np.bincount(cell - first)
    total = np.bincount(cell - first, weights=y)
    return _merged(
        Line((first + k) * step_s, (first + k + 1) * step_s, "value", form.format(total[k] / count[k]))
        for k in np.flatnonzero(count)
    )


def run_lines(runs: Sequence[Run], unit: str) -> list[Line]:
    """Each run's clock in tenths, and its splits as their speeds are reached.

    Both count from one foot of movement (see `runs`), whose moment is known far better than that of the first
    movement, and stay for `HOLD_S` after the run, or until the next."""
    out: list[Line] = []
    for number, run in enumerate(runs):
        stop = run.end_s + HOLD_S
        if number + 1 < len(runs):
            stop = min(stop, runs[number + 1].start_s)
        zero, took = time_zero(run), run.end_s - time_zero(run)
        ticks = np.append(np.arange(0.0, took, 0.1), took)
        out += [
            Line(zero + float(a), zero + float(b), "clock", f"run {run.n}  {a:.1f} s")
            for a, b in pairwise(ticks)
            if b > a
        ]
        if stop > run.end_s:
            out.append(Line(run.end_s, stop, "clock", f"run {run.n}  {took:.1f} s"))
        reached = [(run.start_s + split.time_s, split) for split in run.splits if np.isfinite(split.time_s)]
        reached.sort(key=lambda pair: pair[0])
        for k, (at, _) in enumerate(reached):
            until = min(reached[k + 1][0], stop) if k + 1 < len(reached) else stop
            said = [
                f"{speed_label(s.speed_mps, unit)}  {s.time_s if run.kind == 'rolling' else s.from_one_foot_s:.2f} s"
                for _, s in reached[: k + 1]
            ]
            if until > at:
                out.append(Line(at, until, "splits", "\n".join(said[-MOST_SPLITS:])))
    return out


def note_lines(notes: Iterable[tuple[float, str]], hold_s: float = 4.0) -> list[Line]:
    """Notes (time [s], text), each shown for `hold_s` or until the next."""
    ordered = sorted(notes)
    ends = [start for start, _ in ordered[1:]] + [np.inf]
    return [
        Line(start, min(start + hold_s, end), "note", " ".join(text.split()))
        for (start, text), end in zip(ordered, ends, strict=True)
        if end > start and text.split()
    ]


def _merged(lines: Iterable[Line]) -> list[Line]:
    """Neighbours with the same text as one."""
    out: list[Line] = []
    for line in lines:
        if out and out[-1].text == line.text and abs(out[-1].end_s - line.start_s) < 1e-9:
            out[-1] = out[-1]._replace(end_s=line.end_s)
        else:
            out.append(line)
    return out


# --- where the video lies on the drive's time ---------------------------------------------------------------------


@dataclass(frozen=True)
class Alignment:
    """drive time [s] = `offset_s` + `rate` * video time [s]."""

    offset_s: float
    rate: float = 1.0
    residual_s: float = 0.0
    """How far the points lie from the line at most [s]; 0 where there is nothing left to compare."""

    def to_video(self, drive_s: float) -> float:
        return (drive_s - self.offset_s) / self.rate


FAR_S = 300.0
"""Points must span this [s] before a clock's rate is read from them: a frame's error would be 100 ppm of less."""
MOST_DRIFT = 5e-4


def align(points: Sequence[tuple[float, float]]) -> Alignment:
    """The line through points (video time, drive time) [s]: one gives an offset, several far apart also the rate.

    InputError where the points contradict each other: no camera's clock is off by more than `MOST_DRIFT`.
    """
    if not points:
        raise InputError("nothing says where the video lies on the drive: expected a video start or a sync point")
    video, drive = np.array(points, float).T
    rate = 1.0
    span = float(video.max() - video.min())
    if span >= FAR_S:
        x = video - video.mean()
        rate = float(x @ (drive - drive.mean()) / (x @ x))
    offset = float(np.mean(drive - rate * video))
    residual = float(np.abs(drive - rate * video - offset).max())
    if abs(rate - 1) > MOST_DRIFT or residual > 1.0:
        apart = float(np.ptp(drive - video))
        raise InputError(
            f"the sync points contradict each other by {apart:.2f} s over {span:.0f} s: one is not what it seems"
        )
    return Alignment(offset, rate, residual if len(points) > (2 if span >= FAR_S else 1) else 0.0)


def on_video(lines: Iterable[Line], where: Alignment, length_s: float | None = None, from_s: float = 0.0) -> list[Line]:
    """Lines on the video's time, cut to what lies between `from_s` and `from_s + length_s`, which becomes zero to
    `length_s`: `from_s` is where a clip begins in a video that was cut into several."""
    end = np.inf if length_s is None else length_s
    out = []
    for line in lines:
        start = max(where.to_video(line.start_s) - from_s, 0.0)
        stop = min(where.to_video(line.end_s) - from_s, end)
        if stop > start:
            out.append(line._replace(start_s=start, end_s=stop))
    return out


# --- the formats --------------------------------------------------------------------------------------------------


class Cue(NamedTuple):
    """All that is shown at once, from `start_ms` to `end_ms`."""

    start_ms: int
    end_ms: int
    texts: tuple[str, ...]


def cues(lines: Iterable[Line]) -> list[Cue]:
    """Lines of all slots put together: a cue for each stretch in which nothing changes, on whole milliseconds."""
    events: list[tuple[int, int, int, str]] = []
    for line in lines:
        start, end = round(line.start_s * 1000), round(line.end_s * 1000)
        if end > start:
            slot = SLOTS.index(line.slot)
            events += [(start, 1, slot, line.text), (end, 0, slot, "")]  # at one instant an end comes before a start
    events.sort()
    out: list[Cue] = []
    shown: dict[int, str] = {}
    since = 0
    for at, begins, slot, text in events:
        texts = tuple(shown[key] for key in sorted(shown))
        if at > since and texts:
            if out and out[-1].texts == texts and out[-1].end_ms == since:
                out[-1] = out[-1]._replace(end_ms=at)
            else:
                out.append(Cue(since, at, texts))
        since = at
        if begins:
            shown[slot] = text
        else:
            shown.pop(slot, None)
    return out


def webvtt(lines: Iterable[Line]) -> str:
    """The captions as WebVTT (W3C)."""
    out = ["WEBVTT", ""]
    for cue in cues(lines):
        body = _plain("\n".join(cue.texts)).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        out += [f"{_clock(cue.start_ms, '.')} --> {_clock(cue.end_ms, '.')} align:start position:4%", body, ""]
    return "\n".join(out)


def subrip(lines: Iterable[Line]) -> str:
    """The captions as SubRip."""
    out = []
    for number, cue in enumerate(cues(lines), 1):
        # SubRip has no way to write these: players read them as an arrow, as tags, and as ASS overrides.
        body = _plain("\n".join(cue.texts)).replace("-->", "->").translate(_LOOK_ALIKES)
        out += [str(number), f"{_clock(cue.start_ms, ',')} --> {_clock(cue.end_ms, ',')}", body, ""]
    return "\n".join(out)


def ass(lines: Iterable[Line], size: tuple[int, int] = (1920, 1080)) -> str:
    """The captions as Advanced SubStation Alpha for a video of `size` (width, height), each slot in its own place."""
    width, height = size
    scale = min(width, height) / 1080
    edge = round(48 * scale)
    styles = [
        f"Style: {slot},DejaVu Sans,{round(points * scale)},{ink},{ink},&H00101010,&H90000000,{bold},0,0,0,100,100,0,0,"
        f"1,{max(round(3 * scale), 1)},0,{corner},{edge},{edge},{round(margin * scale)},1"
        for slot, points, ink, bold, corner, margin in _STYLES
    ]
    out = [
        "[Script Info]", "ScriptType: v4.00+", f"PlayResX: {width}", f"PlayResY: {height}", "WrapStyle: 2",
        "ScaledBorderAndShadow: yes", "", "[V4+ Styles]",
        "Format: Name, Fontname, Fontsize, PrimaryColour, SecondaryColour, OutlineColour, BackColour, Bold, Italic, "
        "Underline, StrikeOut, ScaleX, ScaleY, Spacing, Angle, BorderStyle, Outline, Shadow, Alignment, MarginL, "
        "MarginR, MarginV, Encoding",
        *styles, "", "[Events]",
        "Format: Layer, Start, End, Style, Name, MarginL, MarginR, MarginV, Effect, Text",
    ]  # fmt: skip
    timed = sorted((round(line.start_s * 100), round(line.end_s * 100), line.slot, line.text) for line in lines)
    for start, end, slot, text in timed:
        if end > start:
            # libass has no escape that all versions read; look-alikes cannot be taken for an override.
            body = _plain(text).replace("\\", "\u29f5").translate(_LOOK_ALIKES).replace("\n", "\\N")
            out.append(f"Dialogue: 0,{_hundredths(start)},{_hundredths(end)},{slot},,0,0,0,,{body}")
    return "\n".join([*out, ""])


_STYLES = [  # slot, size, ink (&HAABBGGRR), bold, corner (as on a number pad), distance from the edge; of 1080 lines
    ("speed", 104, "&H00FFFFFF", -1, 1, 112),
    ("value", 56, "&H00B8E6FF", -1, 1, 44),
    ("clock", 72, "&H00FFFFFF", -1, 3, 44),
    ("splits", 48, "&H00FFE2B0", 0, 9, 44),
    ("note", 48, "&H00FFFFFF", 0, 8, 44),
]
_LOOK_ALIKES = str.maketrans({"{": "\uff5b", "}": "\uff5d", "<": "\u2039", ">": "\u203a"})


def _plain(text: str) -> str:
    """`text` without control characters, direction overrides and empty lines, which would end a cue."""
    kept = re.sub(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]", " ", text)
    return "\n".join(line.strip() for line in kept.split("\n") if line.strip())


def _clock(ms: int, point: str) -> str:
    return f"{ms // 3_600_000:02d}:{ms // 60_000 % 60:02d}:{ms // 1000 % 60:02d}{point}{ms % 1000:03d}"


def _hundredths(cs: int) -> str:
    return f"{cs // 360_000}:{cs // 6000 % 60:02d}:{cs // 100 % 60:02d}.{cs % 100:02d}"
