"""Captions with drawn bars: speed, the mixture against its target on a scale, a board of splits, as ASS.

    drawn = [*speed_panel(lines, place), *mixture_bar(steps, scale, place), *split_board(runs, quickest, "mph", place)]
    ass(on_video(drawn, fit, length_s=600), size)

The scale runs from rich on the left to lean on the right. A block on it is the target window of what the car was being
driven; an upright is the reading; where the reading lies outside, the way to the window is filled and a word says
which side. A reading that says nothing about the mixture (overrun, a step the sensor has yet to follow) has the
upright alone. The board has the run's clock and a row for each split, with what it gained on the quickest earlier run
of the drive.

All is drawn by ASS alone, so that players show it, ffmpeg draws it into a copy, or onto nothing
(`video.overlay_command`) to be laid over in an editor. Figures are in the same places on any video; the least letters
are 48 of 1080 lines high, eight lines of a wide video on a phone held upright (390 pixels across).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from analysis.runs.run import Run, Split, time_zero
from analysis.sharing.captions import HOLD_S, LINES, MS_PER_CS, CaptionLine, Drawing, in_ass, script, written
from logger.units import speed_label

STEP_S = 0.2
"""How often the bar moves [s]: a step is the mean of its readings."""
MOST_ROWS = 6
"""Rows of the board."""

_WHITE, _GREY, _DIM = (255, 255, 255), (150, 158, 166), (176, 184, 192)
_TARGET, _LEAN, _RICH = (150, 226, 190), (255, 128, 84), (126, 176, 255)
_SHADE = (14, 20, 26)
_PLATE_W, _PLATE_H, _BOARD_W, _ROW_H, _HEAD_H, _EDGE = 800, 316, 680, 72, 104, 48


class MixtureStep(NamedTuple):
    """A channel's mean over a step, and the target window that held then; NaN where it is not to be judged."""

    start_s: float
    end_s: float
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Canvas:
    """Where things stand on a video of `width` by `height` pixels; sizes are given for 1080 lines."""

    width: int
    height: int

    @property
    def scale(self) -> float:
        return min(self.width, self.height) / LINES

    @property
    def left(self) -> float:
        return _EDGE

    @property
    def right(self) -> float:
        return self.width / self.scale - _EDGE

    @property
    def bottom(self) -> float:
        return self.height / self.scale - _EDGE

    def box(self, x: float, y: float, w: float, h: float, ink: tuple[int, int, int], alpha: int = 0) -> str:
        """A filled box by its upper left corner; `alpha` 0 is solid, 255 nothing."""
        left, top, right, low = (round(part * self.scale) for part in (x, y, x + w, y + h))
        return (
            rf"{{\an7\pos(0,0)\bord0\shad0\1c{_bgr(ink)}\1a&H{alpha:02X}&\p1}}"
            f"m {left} {top} l {right} {top} {right} {low} {left} {low}"
        )

    def words(self, x: float, y: float, text: str, size: float, corner: int, ink: tuple[int, int, int]) -> str:
        """A line of text; `corner` as on a number pad is what lies at (x, y)."""
        return (
            rf"{{\an{corner}\pos({round(x * self.scale)},{round(y * self.scale)})"
            rf"\fs{round(size * self.scale)}\1c{_bgr(ink)}}}{in_ass(text)}"
        )


def mixture_steps(t_s: ArrayLike, values: ArrayLike, low: ArrayLike, high: ArrayLike) -> list[MixtureStep]:
    """Readings as steps of `STEP_S`.

    Parameters
    ----------
    t_s, values, low, high : array, shape (n,)
        When the engine burnt what each reading tells [s], the reading, and its target window; NaN where it has none.
    """
    t, y, windows = np.asarray(t_s, float), np.asarray(values, float), np.column_stack([low, high]).astype(float)
    use = np.flatnonzero(np.isfinite(t) & np.isfinite(y))
    use = use[np.argsort(t[use], kind="stable")]
    if not len(use):
        return []
    cell = np.floor(t[use] / STEP_S).astype(np.int64)
    edges = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1, append=cell[-1] + 1))
    out = []
    for first, last in pairwise(edges):
        k, here = int(cell[first]), use[first:last]
        low_, high_ = windows[here[len(here) // 2]]  # from one kind of driving to the next windows have no mean
        out.append(MixtureStep(k * STEP_S, (k + 1) * STEP_S, float(y[here].mean()), float(low_), float(high_)))
    return out


def speed_panel(lines: Iterable[CaptionLine], place: Canvas) -> list[Drawing]:
    """The speed in large figures on its plate, lower left; `lines` as `captions.speed_lines` makes them."""
    out, top = [], place.bottom - _PLATE_H
    plate = place.box(place.left, top, _PLATE_W, _PLATE_H, _SHADE, 0x50)
    for line in lines:
        number, _, unit = line.text.partition(" ")
        out.append(Drawing(line.start_s, line.end_s, 0, plate))
        large = place.words(place.left + 250, top + 164, number, 168, 3, _WHITE)
        out.append(Drawing(line.start_s, line.end_s, 2, large))
        out.append(Drawing(line.start_s, line.end_s, 2, place.words(place.left + 262, top + 148, unit, 56, 1, _DIM)))
    return _joined(out)


def mixture_bar(steps: Sequence[MixtureStep], channel: str, per_lambda: float, place: Canvas) -> list[Drawing]:
    """The mixture on its scale, under the speed. `channel` is "afr" or "lambda", `per_lambda` what it is at lambda 1;
    the scale goes from lambda 0.70 to 1.10."""
    ends = 0.70 * per_lambda, 1.10 * per_lambda
    left, wide, middle = place.left + 36, _PLATE_W - 72, place.bottom - 92
    top = place.bottom - _PLATE_H
    name, form = ("AFR", "{:.1f}") if channel == "afr" else ("lambda", "{:.2f}")

    def x(value: float) -> float:
        return left + wide * min(max((value - ends[0]) / (ends[1] - ends[0]), 0.0), 1.0)

    out = []
    for step in steps:
        here = x(step.value)
        drawn = [(1, place.box(left, middle - 5, wide, 10, _GREY))]
        drawn.append((2, place.words(left, place.bottom - 4, "rich", 48, 1, _DIM)))
        drawn.append((2, place.words(left + wide, place.bottom - 4, "lean", 48, 3, _DIM)))
        word, ink = "", _WHITE
        if math.isfinite(step.low):
            a, b = x(step.low), x(step.high)
            drawn.append((1, place.box(a, middle - 24, b - a, 48, _TARGET)))
            word, ink = "on target", _TARGET
            if step.value > step.high:
                word, ink = "lean", _LEAN
                drawn.append((1, place.box(b, middle - 15, max(here - b, 0), 30, _LEAN)))
            elif step.value < step.low:
                word, ink = "rich", _RICH
                drawn.append((1, place.box(here, middle - 15, max(a - here, 0), 30, _RICH)))
        drawn.append((3, place.box(here - 13, middle - 44, 26, 88, _SHADE)))
        drawn.append((3, place.box(here - 8, middle - 40, 16, 80, _WHITE)))
        drawn.append((2, place.words(left + wide, top + 86, f"{name} {form.format(step.value)}", 68, 3, _WHITE)))
        if word:
            drawn.append((2, place.words(left + wide, top + 152, word, 60, 3, ink)))
        out += [Drawing(step.start_s, step.end_s, layer, text) for layer, text in drawn]
    return _joined(out)


def split_board(runs: Sequence[Run], counts: Sequence[bool], unit: str, place: Canvas) -> list[Drawing]:
    """Each run's clock and splits, upper right, counted from one foot of movement as `captions.run_lines` counts.

    `counts` tells for each run whether later ones are held against it: a split says what it gained on the quickest
    earlier one, from one foot to that speed."""
    out: list[Drawing] = []
    quickest: dict[float, float] = {}
    for number, run in enumerate(runs):
        stop = run.end_s + HOLD_S
        if number + 1 < len(runs):
            stop = min(stop, runs[number + 1].start_s)
        rows = [split for split in run.splits if math.isfinite(split.time_s)]
        rows.sort(key=lambda split: split.speed_mps)
        out += _clock(run, stop, min(len(rows), MOST_ROWS), place)
        reached = sorted([run.start_s, *(run.start_s + split.time_s for split in rows), stop])
        for done, (a, b) in enumerate(pairwise(reached)):
            if b > a and a < stop:
                out += [Drawing(a, min(b, stop), 2, text) for text in _rows(rows, done, quickest, unit, place)]
        if counts[number]:
            for split in rows:
                taken = _time(split)
                quickest[split.speed_mps] = min(taken, quickest.get(split.speed_mps, math.inf))
    return _joined(out)


def _clock(run: Run, stop: float, rows: int, place: Canvas) -> list[Drawing]:
    left, zero, took = place.right - _BOARD_W, time_zero(run), run.end_s - time_zero(run)
    plate = place.box(left, _EDGE, _BOARD_W, _HEAD_H + rows * _ROW_H + 12, _SHADE, 0x50)
    out = [
        Drawing(run.start_s, stop, 0, plate),
        Drawing(run.start_s, stop, 2, place.words(left + 32, _EDGE + 94, f"run {run.n}", 64, 1, _DIM)),
    ]
    ticks = [(zero + a, zero + b, a) for a, b in pairwise([*np.arange(0.0, took, 0.1), took]) if b > a]
    for a, b, shown in [(run.start_s, zero, 0.0), *ticks, (run.end_s, stop, took)]:
        if b > a:
            text = place.words(place.right - 32, _EDGE + 100, f"{shown:.1f} s", 84, 3, _WHITE)
            out.append(Drawing(float(a), float(b), 2, text))
    return out


def _rows(
    rows: Sequence[Split], done: int, quickest: Mapping[float, float], unit: str, place: Canvas
) -> list[str]:  # fmt: skip
    """The rows of the board when `done` of the splits are reached."""
    first = min(max(done + 1 - MOST_ROWS, 0), max(len(rows) - MOST_ROWS, 0))
    out = []
    for at, split in enumerate(rows[first : first + MOST_ROWS]):
        there = first + at < done
        low = _EDGE + _HEAD_H + (at + 1) * _ROW_H - 4
        left = place.right - _BOARD_W
        out.append(
            place.words(left + 32, low, speed_label(split.speed_mps, unit), 56, 1, _WHITE if there else _GREY)
        )  # fmt: skip
        if there:
            taken = _time(split)
            out.append(place.words(left + 430, low, f"{taken:.2f}", 60, 3, _WHITE))
            if (before := quickest.get(split.speed_mps)) is not None:
                gained = taken - before
                sign = "\u2212" if gained < -0.005 else "+" if gained >= 0.005 else "\u00b1"
                out.append(place.words(place.right - 32, low, f"{sign}{abs(gained):.2f}", 60, 3, _DIM))
    return out


def _time(split: Split) -> float:
    return split.from_one_foot_s if math.isfinite(split.from_one_foot_s) else split.time_s


def note_words(lines: Iterable[CaptionLine], place: Canvas) -> list[Drawing]:
    """Notes, upper left; `lines` as `captions.note_lines` makes them."""
    return [
        Drawing(line.start_s, line.end_s, 2, place.words(place.left, _EDGE, line.text, 56, 7, _WHITE)) for line in lines
    ]


def ass(drawn: Iterable[Drawing], place: Canvas) -> str:
    """What is drawn as Advanced SubStation Alpha."""
    from pysubs2 import Alignment, Color, SSAEvent, SSAStyle

    shown = script((place.width, place.height))
    shown.styles = {
        "drawn": SSAStyle(
            fontname="DejaVu Sans", fontsize=round(56 * place.scale), bold=True, primarycolor=Color(*_WHITE),
            outlinecolor=Color(*_SHADE), outline=max(round(3 * place.scale), 1), shadow=0,
            alignment=Alignment.TOP_LEFT, marginl=0, marginr=0, marginv=0,
        )
    }  # fmt: skip
    timed = sorted((round(one.start_s * 100), round(one.end_s * 100), one.layer, one.text) for one in drawn)
    shown.events = [
        SSAEvent(start=start * MS_PER_CS, end=end * MS_PER_CS, layer=layer, style="drawn", text=text)
        for start, end, layer, text in timed
        if end > start
    ]
    return written(shown, "ass")


def _joined(drawn: Iterable[Drawing]) -> list[Drawing]:
    """Neighbours in time that are the same as one: a plate that stands for minutes is one event."""
    out: list[Drawing] = []
    last: dict[tuple[int, str], int] = {}
    for one in drawn:
        at = last.get((one.layer, one.text))
        if at is not None and abs(out[at].end_s - one.start_s) < 1e-9:
            out[at] = out[at]._replace(end_s=one.end_s)
        else:
            last[one.layer, one.text] = len(out)
            out.append(one)
    return out


def _bgr(ink: tuple[int, int, int]) -> str:
    red, green, blue = ink
    return f"&H{blue:02X}{green:02X}{red:02X}&"
