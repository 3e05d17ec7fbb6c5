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

Formats, written by pysubs2: W3C, WebVTT: The Web Video Text Tracks Format. SubRip and Advanced SubStation Alpha have no
standard; what is written is what ffmpeg's demuxers and libass read, and is held to that in the tests.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeVar

import numpy as np
from numpy.typing import ArrayLike

from analysis.runs.run import time_zero
from logger.errors import InputError
from logger.units import MS_PER_S, S_PER_HOUR, SPEED_UNITS, speed_label

if TYPE_CHECKING:
    from pysubs2 import SSAFile

    from analysis.motion.smoother import Motion
    from analysis.runs.run import Run

Slot = Literal["speed", "value", "clock", "splits", "note"]

SLOTS: tuple[Slot, ...] = ("speed", "value", "clock", "splits", "note")
"""What a caption can hold, in the order of its lines."""
LONGEST_S = 10 * S_PER_HOUR - 0.01
"""The last time that ASS can write [s]."""
HOLD_S = 6.0
"""A run's time and splits stay this long after its end."""
MOST_SPLITS = 5
LINES = 1080
"""Lines of the video that sizes are given for."""
MS_PER_CS = 10
"""A step of ASS [ms]."""


class CaptionLine(NamedTuple):
    """One thing shown from `start_s` to `end_s`; lines of one slot do not overlap."""

    start_s: float
    end_s: float
    slot: Slot
    text: str


class Drawing(NamedTuple):
    """One thing drawn from `start_s` to `end_s`: an event of ASS, overrides and all; a higher layer lies above."""

    start_s: float
    end_s: float
    layer: int
    text: str


# --- what is shown ------------------------------------------------------------------------------------------------


def speed_lines(motion: Motion, unit: str) -> list[CaptionLine]:
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
        CaptionLine(float(start), float(end), "speed", f"{value:.0f} {unit}")
        for (start, end), value in zip(pairwise(edges), values, strict=True)
        if value >= 0
    ]


def value_lines(t_s: ArrayLike, values: ArrayLike, form: str, step_s: float = 0.5) -> list[CaptionLine]:
    """A channel's mean over each step, as text; nothing where it has no reading.

    A mean of half a second stands still enough to be read (common practice, no source); a sensor's noise does not.

    Parameters
    ----------
    t_s : array, shape (n,)
        Times of the readings, in any order [s]; a NaN leaves its reading out.
    values : array, shape (n,)
        The readings, in the unit that `form` names; NaN where there is none.
    form : str
        How a mean is written, such as "AFR {:.1f}".
    step_s : float
        Length of a step [s]; steps begin at whole multiples of it.
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
        CaptionLine((first + k) * step_s, (first + k + 1) * step_s, "value", form.format(total[k] / count[k]))
        for k in np.flatnonzero(count)
    )


def run_lines(runs: Sequence[Run], unit: str) -> list[CaptionLine]:
    """Each run's clock in tenths, and its splits as their speeds are reached.

    Both count from one foot of movement (see `runs`), whose moment is known far better than that of the first
    movement, and stay for `HOLD_S` after the run, or until the next."""
    out: list[CaptionLine] = []
    for number, run in enumerate(runs):
        stop = run.end_s + HOLD_S
        if number + 1 < len(runs):
            stop = min(stop, runs[number + 1].start_s)
        zero, took = time_zero(run), run.end_s - time_zero(run)
        ticks = np.append(np.arange(0.0, took, 0.1), took)
        out += [
            CaptionLine(zero + float(a), zero + float(b), "clock", f"run {run.n}  {a:.1f} s")
            for a, b in pairwise(ticks)
            if b > a
        ]
        if stop > run.end_s:
            out.append(CaptionLine(run.end_s, stop, "clock", f"run {run.n}  {took:.1f} s"))
        reached = [(run.start_s + split.time_s, split) for split in run.splits if np.isfinite(split.time_s)]
        reached.sort(key=lambda pair: pair[0])
        for k, (at, _) in enumerate(reached):
            until = min(reached[k + 1][0], stop) if k + 1 < len(reached) else stop
            said = [
                f"{speed_label(s.speed_mps, unit)}  {s.time_s if run.kind == 'rolling' else s.from_one_foot_s:.2f} s"
                for _, s in reached[: k + 1]
            ]
            if until > at:
                out.append(CaptionLine(at, until, "splits", "\n".join(said[-MOST_SPLITS:])))
    return out


def note_lines(notes: Iterable[tuple[float, str]], hold_s: float = 4.0) -> list[CaptionLine]:
    """Notes (time [s], text), each shown for `hold_s` or until the next."""
    ordered = sorted(notes)
    nexts = [*ordered[1:], (np.inf, "")]
    return [
        CaptionLine(start, min(start + hold_s, end), "note", " ".join(text.split()))
        for (start, text), (end, _) in zip(ordered, nexts, strict=False)
        if end > start and text.split()
    ]


def _merged(lines: Iterable[CaptionLine]) -> list[CaptionLine]:
    """Neighbours with the same text as one."""
    out: list[CaptionLine] = []
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
        raise InputError("nothing says how video and drive line up. Give --video-start, or --sync with --at")
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
        raise InputError(f"the sync points differ by {apart:.2f} s over {span:.0f} s, so at least one of them is wrong")
    return Alignment(offset, rate, residual if len(points) > (2 if span >= FAR_S else 1) else 0.0)


T = TypeVar("T", CaptionLine, Drawing)


def on_video(lines: Iterable[T], where: Alignment, length_s: float | None = None, from_s: float = 0.0) -> list[T]:
    """Lines on the video's time, cut to what lies between `from_s` and `from_s + length_s`, which becomes zero to
    `length_s`: `from_s` is where a clip begins in a video that was cut into several. No video is longer than what ASS
    can write, ten hours."""
    end = min(LONGEST_S if length_s is None else length_s, LONGEST_S)
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


def cues(lines: Iterable[CaptionLine]) -> list[Cue]:
    """Lines of all slots put together: a cue for each stretch in which nothing changes, on whole milliseconds."""
    events: list[tuple[int, int, int, str]] = []
    for line in lines:
        start, end = round(line.start_s * MS_PER_S), round(line.end_s * MS_PER_S)
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


def webvtt(lines: Iterable[CaptionLine]) -> str:
    """The captions as WebVTT (W3C), at the left edge."""
    shown = _file_of(cues(lines), lambda text: text.translate(_REFERENCES))
    # pysubs2 writes no cue settings; an arrow stands in no text, whose > are written as references.
    return re.sub(r"(?m)^(\S+ --> \S+)$", r"\1 align:start position:4%", written(shown, "vtt"))


def subrip(lines: Iterable[CaptionLine]) -> str:
    """The captions as SubRip."""
    # SubRip has no way to write these: players read them as an arrow, as tags, and as ASS overrides.
    shown = _file_of(cues(lines), lambda text: text.replace("-->", "->").translate(_LOOK_ALIKES))
    return written(shown, "srt")


def ass(lines: Iterable[CaptionLine], size: tuple[int, int] = (1920, 1080)) -> str:
    """The captions as Advanced SubStation Alpha for a video of `size` (width, height), each slot in its own place."""
    from pysubs2 import Alignment, Color, SSAEvent, SSAStyle

    scale = min(size) / LINES
    edge = round(48 * scale)
    shown = script(size)
    shown.styles = {
        style.slot: SSAStyle(
            fontname="DejaVu Sans", fontsize=round(style.points * scale), bold=style.bold,
            primarycolor=Color(*style.ink), secondarycolor=Color(*style.ink), outlinecolor=Color(16, 16, 16),
            backcolor=Color(0, 0, 0, 144), outline=max(round(3 * scale), 1), shadow=0,
            alignment=Alignment(style.corner), marginl=edge, marginr=edge, marginv=round(style.margin * scale),
        )
        for style in _STYLES
    }  # fmt: skip
    timed = sorted((round(line.start_s * 100), round(line.end_s * 100), line.slot, line.text) for line in lines)
    shown.events = [
        SSAEvent(
            start=start * MS_PER_CS, end=end * MS_PER_CS, style=slot, text=in_ass(text),
        )
        for start, end, slot, text in timed if end > start
    ]  # fmt: skip
    return written(shown, "ass")


def script(size: tuple[int, int]) -> SSAFile:
    """An Advanced SubStation Alpha file without events, whose unit is a pixel of a video of `size`."""
    from pysubs2 import SSAFile

    empty = SSAFile()
    empty.info = {
        "ScriptType": "v4.00+", "PlayResX": str(size[0]), "PlayResY": str(size[1]), "WrapStyle": "2",
        "ScaledBorderAndShadow": "yes",
    }  # fmt: skip
    return empty


def in_ass(text: str) -> str:
    """`text` as an event of ASS shows it: nothing in it is read as an override."""
    return _plain(text).translate(_LOOK_ALIKES).replace("\n", r"\N")


def _file_of(made: Iterable[Cue], escape: Callable[[str], str]) -> SSAFile:
    from pysubs2 import SSAEvent, SSAFile

    shown = SSAFile()
    shown.events = [
        SSAEvent(start=cue.start_ms, end=cue.end_ms, text=escape(_plain("\n".join(cue.texts)))) for cue in made
    ]
    return shown


def written(shown: SSAFile, kind: Literal["vtt", "srt", "ass"]) -> str:
    """The file as text."""
    # Braces and tags in the texts are the owner's, not pysubs2's: it is to take out none.
    return shown.to_string(kind, header_notice="") if kind == "ass" else shown.to_string(kind, keep_ssa_tags=True)


class _Style(NamedTuple):
    """How a slot looks, on a video of 1080 lines."""

    slot: Slot
    points: int
    ink: tuple[int, int, int]
    """Red, green, blue."""
    bold: bool
    corner: int
    """As on a number pad."""
    margin: int
    """Distance from the edge."""


_STYLES = [
    _Style("speed", 104, (255, 255, 255), True, 1, 112),
    _Style("value", 56, (255, 230, 184), True, 1, 44),
    _Style("clock", 72, (255, 255, 255), True, 3, 44),
    _Style("splits", 48, (176, 226, 255), False, 9, 44),
    _Style("note", 48, (255, 255, 255), False, 8, 44),
]
_REFERENCES = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;"})
_LOOK_ALIKES = str.maketrans({"{": "\uff5b", "}": "\uff5d", "<": "\u2039", ">": "\u203a"})


def _plain(text: str) -> str:
    """`text` without control characters, direction overrides and empty lines, which would end a cue, and without
    backslashes, which ASS (and pysubs2 in all formats) reads as a command: no escape is read by all players."""
    kept = re.sub(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]", " ", text)
    return "\n".join(line.strip() for line in kept.replace("\\", "\u29f5").split("\n") if line.strip())
