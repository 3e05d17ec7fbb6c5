"""Plots as SVG that the page lays out by itself: on a phone, a screen and paper, in light and dark, without a script.

    plot = draw([Series("run 3", x, y, low=low, high=high)], Axis("Time", "s"), Axis("Speed", "mph"), height=280)

A plot fills the width it is given. Its lines live in a nested SVG that is stretched (their strokes are not), and its
text and marks stand at percentages, so that letters keep their size however wide the plot is. Colours are classes that
the style sheet defines twice, for light and for dark; each of the six comes with a dash and a mark of its own.

What is drawn is thinned to what can be seen (`thinned`, `columns`); what is computed never is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import ArrayLike, NDArray

from analysis.arrays import Codes, Floats

GRID = 10_000
"""Units of the stretched SVG across and down."""
STYLES = 6
"""Colours, dashes and marks there are."""
LABEL_PX = 15.0
"""Room for a line of direct labels."""
LABEL_LETTERS = 15
"""Letters that such a line holds."""


@dataclass(frozen=True)
class Axis:
    """What an axis shows. Without `low` and `high` they come from the data; `decimals` are for values read off."""

    label: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    decimals: int = 2
    ticks: tuple[tuple[float, str], ...] | None = None
    """Ticks with words of their own, instead of round numbers."""
    inside: bool = False
    """The words of a y axis stand in the plot, above their line: for long ones."""

    @property
    def words(self) -> str:
        return f"{self.label}, {self.unit}" if self.unit else self.label


@dataclass(frozen=True)
class Series:
    """A line or points. `low` and `high` are drawn as a band behind a line and as bars through points.

    style: 0 to 5, or None for a line of the background. kind: "line" or "points". label: as it is read off; an empty
    one is not read. direct: the label stands beside the end of the line. group: what a switch of the page turns on and
    off.
    """

    label: str
    x: ArrayLike
    y: ArrayLike
    low: ArrayLike | None = None
    high: ArrayLike | None = None
    style: int | None = 0
    kind: str = "line"
    direct: bool = True
    group: str = ""
    strong: bool = False
    faint: bool = False
    """One of many."""
    across: bool = False
    """Bars lie along x: `low` and `high` are of x."""


@dataclass(frozen=True)
class Zone:
    """A range of y that is shaded across the plot, such as a target."""

    low: float
    high: float
    label: str = ""


@dataclass(frozen=True)
class Span:
    """A range of x that is shaded from top to bottom, such as a run within a drive."""

    low: float
    high: float
    label: str = ""


@dataclass(frozen=True)
class Plot:
    """The finished drawing, and what the page needs to read values off it."""

    svg: Markup
    x: Axis
    y: Axis
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    groups: list[tuple[str, int | None]] = field(default_factory=list)
    """What can be switched: (group, style), in order of appearance."""


def draw(
    series: Sequence[Series],
    x: Axis,
    y: Axis,
    *,
    height: int = 280,
    said: str = "",
    zones: Sequence[Zone] = (),
    spans: Sequence[Span] = (),
    zero: bool = False,
    zero_x: bool = False,
) -> Plot:
    """A plot of `series`; `said` describes it to who cannot see it, `zero` draws a line at y = 0, `zero_x` at x = 0.

    Values that are not finite are left out and break a line.
    """
    origin = [np.zeros(1)]
    xs = _range(
        x,
        (origin if zero_x else [])
        + [_flat(s.x) for s in series]
        + [_flat(b) for s in series if s.across for b in (s.low, s.high)],
    )
    lows_highs = [_flat(b) for s in series if not s.across for b in (s.low, s.high)]
    edges = np.array([edge for zone in zones for edge in (zone.low, zone.high)])
    ys = _range(y, [_flat(s.y) for s in series] + lows_highs + [edges] + (origin if zero else []))
    place = _Place(xs, ys)
    out = [_ticks(x, xs, place, across=True, height=height), _ticks(y, ys, place, across=False, height=height)]
    out += [_span(span, place) for span in spans]
    out += [_zone(zone, place) for zone in zones]
    if zero and ys[0] < 0 < ys[1]:
        out.append(f'<line class="zero" x1="0" x2="100%" y1="{place.top(0)}%" y2="{place.top(0)}%"/>')
    if zero_x and xs[0] < 0 < xs[1]:
        out.append(f'<line class="zero" x1="{place.left(0)}%" x2="{place.left(0)}%" y1="0" y2="100%"/>')
    ordered = sorted(series, key=lambda s: (s.style is not None, s.strong))
    lines = "".join(_stretched(s, place) for s in ordered)
    out.append(
        f'<svg class="data" viewBox="0 0 {GRID} {GRID}" preserveAspectRatio="none" width="100%" height="100%">'
        f"{lines}</svg>"
    )
    out += [_marks(s, place) for s in ordered if s.kind == "points"]
    if y.inside and y.ticks:
        out += [
            f'<text class="tick inside" x="0" dx="4" y="{place.top(value)}%" dy="-.7em">{escape(shown(words))}</text>'
            for value, words in y.ticks
        ]
    out.append(_direct_labels([s for s in series if s.direct and s.style is not None], place, height))
    groups: dict[str, int | None] = {}
    for s in series:
        if s.group:
            groups.setdefault(s.group, s.style)
    head = f'<svg class="area" role="img" aria-label="{_attribute(said)}" width="100%" height="{height}">'
    # Every word that went into it was escaped.
    return Plot(Markup(f"{head}{''.join(out)}</svg>"), x, y, xs, ys, list(groups.items()))


def shown(text: object) -> str:
    """`text` with what cannot be seen made visible: control characters and those that turn the direction of writing."""
    said = str(text)
    if said.isprintable():  # none of them is: Unicode's C and Z but for the space
        return said  # at once: a photograph's address has a million letters
    return "".join(f"\u2039U+{ord(c):04X}\u203a" if _unseen(c) else c for c in said)


def _unseen(c: str) -> bool:
    code = ord(c)
    return (code < 0x20 and c not in "\n\t") or 0x7F <= code <= 0x9F or code in _DIRECTIONS or 0xD800 <= code <= 0xDFFF


_DIRECTIONS = {0x061C, 0x200B, 0x200E, 0x200F, 0x2028, 0x2029, 0xFEFF, *range(0x202A, 0x202F), *range(0x2066, 0x206A)}


# --- thinning -----------------------------------------------------------------------------------------------------


def thinned(x: ArrayLike, y: ArrayLike, x_range: float, y_range: float, tolerance: float = 0.0015) -> NDArray[np.bool_]:
    """Which points of a line must stay so that it looks the same: those further than `tolerance` (of the plot's size)
    from the line through their kept neighbours (Douglas and Peucker, Cartographica 10 (1973) 112)."""
    u, v = np.asarray(x, float) / (x_range or 1), np.asarray(y, float) / (y_range or 1)
    keep = np.zeros(len(u), bool)
    broken = ~(np.isfinite(u) & np.isfinite(v))
    keep[broken] = True
    edges = np.flatnonzero(np.diff(np.concatenate([[True], broken, [True]]).astype(int)))
    first, last = edges[::2], edges[1::2] - 1
    while True:  # all stretches of one depth at once
        keep[first] = keep[last] = True
        inner = last - first > 1
        first, last = first[inner], last[inner]
        if len(first) == 0:
            return keep
        size = last - first - 1
        begin = np.cumsum(size) - size
        of = np.repeat(np.arange(len(first)), size)
        at = np.arange(len(of)) - begin[of] + first[of] + 1
        du, dv = u[last] - u[first], v[last] - v[first]
        length = np.hypot(du, dv)
        a, b = u[at] - u[first][of], v[at] - v[first][of]
        line = np.abs(du[of] * b - dv[of] * a) / np.where(length > 0, length, 1)[of]
        away = np.where(length[of] > 0, line, np.hypot(a, b))
        most = np.maximum.reduceat(away, begin)
        hit = np.flatnonzero(away == most[of])
        far = at[hit[np.searchsorted(hit, begin)]]  # of several that are as far, the first
        split = most > tolerance
        first, last = np.concatenate([first[split], far[split]]), np.concatenate([far[split], last[split]])


def columns(x: ArrayLike, y: ArrayLike, count: int = 700) -> tuple[Floats, Floats]:
    """A long line as its lowest and highest value in each of `count` columns: no peak is lost. A gap stays a gap."""
    u, v = np.asarray(x, float), np.asarray(y, float)
    if len(u) <= 2 * count:
        return u, v
    cell = np.minimum(((u - u[0]) / (u[-1] - u[0]) * count).astype(int), count - 1)
    first = np.flatnonzero(np.concatenate([[True], np.diff(cell) > 0]))
    of = np.repeat(np.arange(len(first)), np.diff(np.append(first, len(v))))

    def where(extreme: Floats) -> Codes:
        """The first place of each column's extreme; of one without values, where it begins."""
        hit, out = np.flatnonzero(v == extreme[of]), first.copy()
        out[of[hit[::-1]]] = hit[::-1]
        return out

    keep = np.union1d(where(np.fmin.reduceat(v, first)), where(np.fmax.reduceat(v, first)))
    return u[keep], v[keep]


# --- scales -------------------------------------------------------------------------------------------------------


class _Place:
    """Where values lie: in percent of the plot, or on the stretched grid."""

    def __init__(self, xs: tuple[float, float], ys: tuple[float, float]) -> None:
        self.xs, self.ys = xs, ys

    def left(self, x: float) -> str:
        return f"{100 * (x - self.xs[0]) / (self.xs[1] - self.xs[0]):.2f}".rstrip("0").rstrip(".")

    def top(self, y: float) -> str:
        return f"{100 * (self.ys[1] - y) / (self.ys[1] - self.ys[0]):.2f}".rstrip("0").rstrip(".")

    def grid(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        return (
            np.round(GRID * ((x - self.xs[0]) / (self.xs[1] - self.xs[0]))),
            np.round(GRID * ((self.ys[1] - y) / (self.ys[1] - self.ys[0]))),
        )


def _flat(values: ArrayLike | None) -> Floats:
    return np.empty(0) if values is None else np.asarray(values, float).ravel()


def _range(axis: Axis, parts: Iterable[Floats]) -> tuple[float, float]:
    """What the axis shows: what it says, else all data and a little more."""
    data = np.concatenate([np.empty(0), *parts])
    data = data[np.isfinite(data)]
    if axis.ticks:
        data = np.concatenate([data, [value for value, _ in axis.ticks]])
    low, high = (float(data.min()), float(data.max())) if len(data) else (0.0, 1.0)
    room = (high - low) * 0.04 or max(abs(low) * 0.1, 0.5)
    low = axis.low if axis.low is not None else low - room
    high = axis.high if axis.high is not None else high + room
    return (low, high) if high > low else (low - 0.5, low + 0.5)


def round_ticks(low: float, high: float, most: int = 7) -> list[float]:
    """At most `most` multiples of 1, 2 or 5 times a power of ten that lie in the range."""
    span = high - low
    step = 10.0 ** math.floor(math.log10(span / most))
    step *= next(m for m in (1, 2, 5, 10, 20) if span / (step * m) <= most)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]


def _ticks(axis: Axis, ends: tuple[float, float], place: _Place, across: bool, height: int) -> str:
    most = 7 if across else max(3, min(7, height // 45))
    listed = list(axis.ticks) if axis.ticks else [(v, "") for v in round_ticks(*ends, most)]
    decimals = 0
    if not axis.ticks and len(listed) > 1:
        step = listed[1][0] - listed[0][0]
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    out = []
    for number, (value, words) in enumerate(listed):
        odd = " odd" if number % 2 and len(listed) > 4 else ""
        label = escape(shown(words)) if axis.ticks else f"{value:.{decimals}f}".replace("-", "\u2212")
        if across:
            at = place.left(value)
            out.append(f'<line class="grid" x1="{at}%" x2="{at}%" y1="0" y2="100%"/>')
            out.append(f'<text class="tick x{odd}" x="{at}%" y="100%" dy="18">{label}</text>')
        else:
            at = place.top(value)
            out.append(f'<line class="grid" x1="0" x2="100%" y1="{at}%" y2="{at}%"/>')
            if not axis.inside:
                out.append(f'<text class="tick y" x="0" dx="-8" y="{at}%" dy=".35em">{label}</text>')
    if across:
        out.append(f'<text class="name x" x="100%" y="100%" dy="36">{escape(shown(axis.words))}</text>')
    elif axis.words:
        out.append(f'<text class="name y" x="0" y="0" dy="-10">{escape(shown(axis.words))}</text>')
    return "".join(out)


# --- drawing ------------------------------------------------------------------------------------------------------


def _stretched(s: Series, place: _Place) -> str:
    """What is stretched with the plot: lines, bands, bars."""
    x, y = _flat(s.x), _flat(s.y)
    style = "back" if s.style is None else f"c{s.style % STYLES}"
    group = f' data-group="{_attribute(s.group)}"' if s.group else ""
    out = []
    if s.low is not None and s.high is not None:
        low, high = _flat(s.low), _flat(s.high)
        if s.kind == "line":
            for part in _unbroken(x, low, high):
                gx, top = place.grid(x[part], high[part])
                _, bottom = place.grid(x[part], low[part])
                ring = np.concatenate([gx, gx[::-1]]), np.concatenate([top, bottom[::-1]])
                out.append(f'<path class="band {style}"{group} d="{_path(*ring)}z"/>')
        elif s.across:
            (a, gy), (b, _) = place.grid(low, y), place.grid(high, y)
            bars = "".join(
                f"M{p:.0f} {q:.0f}H{r:.0f}" for p, q, r in zip(a, gy, b, strict=True) if np.isfinite(p + q + r)
            )
            out.append(f'<path class="bar {style}"{group} d="{bars}"/>')
        else:
            (gx, a), (_, b) = place.grid(x, low), place.grid(x, high)
            bars = "".join(
                f"M{p:.0f} {q:.0f}V{r:.0f}" for p, q, r in zip(gx, a, b, strict=True) if np.isfinite(p + q + r)
            )
            out.append(f'<path class="bar {style}"{group} d="{bars}"/>')
    label = f' data-label="{_attribute(s.label)}"' if s.label else ""
    if s.kind == "line":
        lines = "".join(_path(*place.grid(x[part], y[part])) for part in _unbroken(x, y))
        strong = " strong" if s.strong else " faint" if s.faint else ""
        out.append(f'<path class="line {style}{strong}"{group}{label} d="{lines}"/>')
    elif s.label:  # not drawn: what the page reads values off
        good = np.isfinite(x) & np.isfinite(y)
        dots = "".join(f"M{a:.0f} {b:.0f}" for a, b in zip(*place.grid(x[good], y[good]), strict=True))
        out.append(f'<path class="read {style}"{group}{label} d="{dots}"/>')
    return "".join(out)


def _path(x: Floats, y: Floats) -> str:
    """A polyline in whole grid units; after its first point each is counted from the one before."""
    if len(x) == 0:
        return ""
    dx, dy = np.diff(x), np.diff(y)
    moved = [f"{a:.0f} {b:.0f}" for a, b in zip(dx, dy, strict=True)]
    return f"M{x[0]:.0f} {y[0]:.0f}" + (f"l{' '.join(moved)}" if moved else "")


def _unbroken(*columns: Floats) -> list[slice]:
    good = np.isfinite(np.sum(columns, axis=0))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _marks(s: Series, place: _Place) -> str:
    style = 0 if s.style is None else s.style % STYLES
    kind = "back" if s.style is None else f"c{style}"
    group = f' data-group="{_attribute(s.group)}"' if s.group else ""
    inside = "".join(
        f'<svg class="at" x="{place.left(a)}%" y="{place.top(b)}%"><use href="#mark{style}"/></svg>'
        for a, b in zip(_flat(s.x), _flat(s.y), strict=True)
        if math.isfinite(a) and math.isfinite(b)
    )
    return f'<g class="mark {kind}"{group}>{inside}</g>'


def _zone(zone: Zone, place: _Place) -> str:
    high, low = min(zone.high, place.ys[1]), max(zone.low, place.ys[0])
    if high <= low:
        return ""
    top, bottom = place.top(high), place.top(low)
    middle = f"{(float(top) + float(bottom)) / 2:.2f}"
    label = (
        f'<text class="zone" x="100%" dx="7" y="{middle}%" dy=".35em">{escape(shown(zone.label))}</text>'
        if zone.label
        else ""
    )
    share = f"{float(bottom) - float(top):.2f}"
    return f'<rect class="zone" x="0" width="100%" y="{top}%" height="{share}%"/>{label}'


def _span(span: Span, place: _Place) -> str:
    low, high = max(span.low, place.xs[0]), min(span.high, place.xs[1])
    if high < low:
        return ""
    left, right = place.left(low), place.left(high)
    share = f"{max(float(right) - float(left), 0.15):.2f}"
    middle = f"{(float(left) + float(right)) / 2:.2f}"
    label = (
        f'<text class="span" x="{middle}%" y="100%" dy="-5">{escape(shown(span.label))}</text>' if span.label else ""
    )
    return f'<rect class="span" x="{left}%" width="{share}%" y="0" height="100%"/>{label}'


def _direct_labels(series: Sequence[Series], place: _Place, height: int) -> str:
    """Labels in the margin beside the ends of their lines, moved apart where they would touch; long ones on two lines
    where there is room for that."""
    ends = []
    for s in series:
        x, y = _flat(s.x), _flat(s.y)
        good = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
        if len(good) and s.label:
            last = good[-1]
            top = float(place.top(float(y[last]))) / 100 * height
            ends.append((top, float(x[last]), float(y[last]), s))
    ends.sort(key=lambda end: end[0])
    lines = [label_lines(shown(s.label)) for *_, s in ends]
    two = any(len(each) > 1 for each in lines) and 2 * LABEL_PX * len(ends) <= height
    tops = spread([end[0] for end in ends], 2 * LABEL_PX if two else LABEL_PX, 0.0, float(height))
    out = []
    for (_, last_x, last_y, s), top, wanted in zip(ends, tops, lines, strict=True):
        style = f"c{(s.style or 0) % STYLES}"
        group = f' data-group="{_attribute(s.group)}"' if s.group else ""
        at = f"{100 * top / height:.2f}%"
        lead = f'x1="{place.left(last_x)}%" y1="{place.top(last_y)}%" x2="100%" y2="{at}"'
        rows = wanted if two else [cut(shown(s.label), LABEL_LETTERS)]
        down = [f"{0.35 + 1.15 * (k - (len(rows) - 1) / 2):.2f}em" for k in range(len(rows))]
        words = "".join(
            f'<text class="label {style}" x="100%" dx="7" y="{at}" dy="{dy}">{escape(row)}</text>'
            for dy, row in zip(down, rows, strict=True)
        )
        out.append(f'<g{group}><line class="lead {style}" {lead}/>{words}</g>')
    return "".join(out)


def label_lines(text: str) -> list[str]:
    """A label on one line, or broken at a space into two; each of at most `LABEL_LETTERS`."""
    if len(text) <= LABEL_LETTERS:
        return [text]
    at = text.rfind(" ", 0, LABEL_LETTERS + 1)
    if at <= 0:
        return [cut(text, LABEL_LETTERS)]
    return [text[:at], cut(text[at + 1 :], LABEL_LETTERS)]


def spread(wanted: Sequence[float], apart: float, low: float, high: float) -> list[float]:
    """Sorted positions moved as little as it takes to stand `apart` from each other, within `low` and `high` if there
    is room: neighbours that touch share the mean of their wishes (isotonic regression by pooling)."""
    pools: list[list[float]] = []  # [sum of (wish - index * apart), count]
    for k, value in enumerate(wanted):
        pools.append([value - k * apart, 1.0])
        while len(pools) > 1 and pools[-2][0] / pools[-2][1] > pools[-1][0] / pools[-1][1]:
            total, count = pools.pop()
            pools[-1][0] += total
            pools[-1][1] += count
    out: list[float] = []
    for total, count in pools:
        base = total / count
        base = max(low, min(base, high - (len(wanted) - 1) * apart))
        out += [base + (len(out) + k) * apart for k in range(int(count))]
    return out


def cut(text: str, most: int) -> str:
    """`text` of at most `most` letters."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "\u2026"


def _attribute(text: object) -> str:
    return str(escape(shown(text)))
