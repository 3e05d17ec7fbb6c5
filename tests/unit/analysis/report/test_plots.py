"""Plots: they lie where their values are, lose nothing that can be seen, and stand out for all eyes."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slow_thinned import slow_columns, slow_thinned

from analysis.changes.observations import Observation
from analysis.report import plots
from analysis.report.behind import Drawn, behind_plot, speeds_up_to
from analysis.report.intervals import Told, interval_plot
from analysis.report.plots import Axis, Series, Zone, columns, draw, label_lines, round_ticks, spread, thinned

# --- plots --------------------------------------------------------------------------------------------------------


def test_thinning_keeps_the_line_within_what_can_be_seen():
    t = np.linspace(0, 20, 4000)
    v = 24 * np.tanh(t / 9) + 0.3 * np.sin(t * 3)
    keep = thinned(t, v, 20, 24)
    assert keep.sum() < 250
    back = np.interp(t, t[keep], v[keep])
    assert np.abs(back - v).max() / 24 < 0.004  # 0.0015 square to a line that rises steeply
    v[1000:1100] = np.nan
    keep = thinned(t, v, 20, 24)
    assert keep[999] and keep[1100] and keep[1000:1100].all()


@pytest.mark.parametrize("seed", range(12))
def test_thinning_keeps_the_points_that_the_slow_way_keeps(seed: int):
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 20, 1 + 60 * seed))
    y = [np.cumsum(rng.normal(0, 0.3, len(x))), 20 * np.tanh(x / 9) + rng.normal(0, 0.02, len(x)), np.round(x)][
        seed % 3
    ]
    y[rng.uniform(size=len(x)) < 0.01 * (seed % 4)] = np.nan
    if seed > 8:  # back where it began, and a stretch that stands
        x, y = np.concatenate([x, x[::-1], np.full(30, 5.0)]), np.concatenate([y, y[::-1], np.full(30, 2.0)])
    for x_range, y_range in ((20.0, 25.0), (0.0, 1.0), (300.0, 0.1)):
        np.testing.assert_array_equal(thinned(x, y, x_range, y_range), slow_thinned(x, y, x_range, y_range))


def test_columns_lose_no_peak():
    rng = np.random.default_rng(1)
    t, v = np.arange(100_000.0), rng.normal(0, 1, 100_000)
    v[54_321], v[12_345] = 40.0, -40.0
    x, y = columns(t, v)
    assert len(x) <= 1400 and y.max() == 40 and y.min() == -40
    assert (np.diff(x) > 0).all()


@pytest.mark.parametrize("seed", range(4))
def test_columns_are_those_of_the_slow_way(seed: int):
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0, 100, 5000))
    v = np.round(rng.normal(0, 2, 5000), seed)
    v[(t > 20) & (t < 30)], v[rng.uniform(size=5000) < 0.1 * seed] = np.nan, np.nan
    for one, other in zip(columns(t, v, 200), slow_columns(t, v, 200), strict=True):
        np.testing.assert_array_equal(one, other)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(0, 300), min_size=1, max_size=18))
def test_labels_never_touch_and_stay_in_place_where_they_can(wanted):
    tops = spread(sorted(wanted), 15.0, 0.0, 300.0)
    assert all(b - a >= 15 - 1e-9 for a, b in pairwise(tops))
    assert tops[0] >= -1e-9 and tops[-1] <= 300 + 1e-9
    if all(b - a >= 15 for a, b in pairwise(sorted(wanted))):
        assert np.allclose(tops, sorted(wanted))


def test_a_long_name_beside_its_line_is_broken_where_there_is_room_and_cut_where_there_is_none():
    def words_of(lines: list[Series]) -> list[str]:
        return re.findall(r'<text class="label[^>]*>([^<]*)<', str(draw(lines, Axis("x"), Axis("y"), height=280).svg))

    few = [Series("snorkel and needle", [0, 1], [0, 1]), Series("baseline", [0, 1], [0, 2], style=1)]
    assert words_of(few) == ["baseline", "snorkel and", "needle"]
    many = words_of([Series(f"snorkel and needle {k}", [0, 1], [0, k], style=k % 6) for k in range(12)])
    assert len(many) == 12 and all(len(word) <= 15 and word.endswith("\u2026") for word in many)
    assert label_lines("a") == ["a"] and label_lines("x" * 20) == ["x" * 14 + "\u2026"]
    assert label_lines("one two three four five six") == ["one two three", "four five six"]


@settings(max_examples=200, deadline=None)
@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5), st.integers(3, 8))
def test_ticks_are_round_and_few(low, span, most):
    ticks = round_ticks(low, low + span, most)
    assert len(ticks) <= most + 1
    assert all(low - span * 1e-6 <= t <= low + span * (1 + 1e-6) for t in ticks)
    if len(ticks) > 1:
        mantissa = (ticks[1] - ticks[0]) / 10 ** np.floor(np.log10(ticks[1] - ticks[0]) + 1e-6)
        assert min(abs(mantissa - m) for m in (1, 2, 5, 10)) < 1e-3


def test_a_plot_lies_where_its_values_are():
    x, y = np.array([0.0, 5.0, 10.0]), np.array([0.0, 20.0, 10.0])
    plot = draw(
        [Series("a", x, y, y - 1, y + 1), Series("b", x, y, kind="points", style=1), Series("", x, [np.nan] * 3)],
        Axis("t", "s", 0, 10), Axis("v", "mph", 0, 20), zones=[Zone(5, 10, "target")], said="A plot.",
    )  # fmt: skip
    assert 'd="M0 10000l5000 -10000 5000 5000"' in plot.svg
    assert 'x="50%" y="0%"' in plot.svg  # the mark of (5, 20)
    assert 'y="50%" height="25.00%"' in plot.svg  # the zone
    assert plot.x_range == (0, 10) and plot.y_range == (0, 20)
    empty = draw([], Axis("x"), Axis("y"))
    assert "NaN" not in empty.svg and "nan" not in empty.svg
    constant = draw([Series("c", [1, 1], [2, 2])], Axis("x"), Axis("y"))
    assert "nan" not in constant.svg and "inf" not in constant.svg


def test_both_intervals_of_a_difference_lie_where_they_are():
    """The wide one on its row, the narrow one a little below; the axis spans -1 to 1, the rows 0 to 1."""
    plot = interval_plot(
        [Told(-0.2, -0.6, 0.2, -0.3, -0.1)], [0.5], Axis("s", low=-1, high=1), Axis("", low=0, high=1), 100, "A plot."
    )
    bars = re.findall(r'class="bar (c\d)" data-group="([a-z ]+)" d="M(\d+) (\d+)H(\d+)"', str(plot.svg))
    assert bars == [("c0", "with days", "2000", "5000", "6000"), ("c1", "runs only", "3500", "7200", "4500")]
    assert re.findall(r'class="at" x="([\d.]+)%"', str(plot.svg)) == ["40", "40"]


def observed(label: str, late_s: float) -> Observation:
    """A run that gains 2 m/s a second, and is late throughout."""
    speed = np.arange(1.0, 21.0)
    return Observation(label, "", None, label, 0, 0.0, 0.0, speed, speed / 2 + late_s, np.full(20, 0.01))


def test_what_is_slower_lies_above_the_reference():
    first = Drawn("mean of A", [observed("a:1", -0.1), observed("a:2", 0.1)], 0, 0, "runs of A")
    second = Drawn("mean of B", [observed("b:1", 0.5), observed("b:2", 1.5)], 1, 1, "runs of B")
    figure = behind_plot([first, second], speeds_up_to(20.0), "mph", "A", "t", "", False)
    assert figure is not None
    low, high = figure.plot.y_range
    assert low < -0.1 and high > 1.5
    for label, late in (("mean of A", 0.0), ("mean of B", 1.0), ("b:2", 1.5), ("a:1", -0.1)):
        (at,) = re.findall(rf'data-label="{label}" d="M\d+ (\d+)l', str(figure.plot.svg))
        assert float(at) == pytest.approx(10_000 * (high - late) / (high - low), abs=1)


# --- colours ------------------------------------------------------------------------------------------------------

# Machado, Oliveira, Fernandes, "A physiologically-based model for simulation of color vision deficiency", IEEE Trans.
# Vis. Comput. Graphics 15 (2009), severity 1.0: matrices on linear RGB.
BLINDNESS = {
    "none": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def linear(colour: str) -> np.ndarray:
    rgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def contrast(a: str, b: str) -> float:
    """WCAG 2.2: (L1 + 0.05) / (L2 + 0.05)."""
    light = sorted(float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (a, b))
    return (light[1] + 0.05) / (light[0] + 0.05)


def oklab(rgb: np.ndarray) -> np.ndarray:
    """B. Ottosson, "A perceptual color space for image processing" (2020)."""
    m1 = np.array([[0.4122214708, 0.5363325363, 0.0514459929], [0.2119034982, 0.6806995451, 0.1073969566],
                   [0.0883024619, 0.2817188376, 0.6299787005]])  # fmt: skip
    m2 = np.array([[0.2104542553, 0.7936177850, -0.0040720468], [1.9779984951, -2.4285922050, 0.4505937099],
                   [0.0259040371, 0.7827717662, -0.8086757660]])  # fmt: skip
    return m2 @ np.cbrt(np.clip(m1 @ rgb, 0, None))


def colours() -> list[dict[str, str]]:
    """The style sheet's colours: light, dark, print."""
    from analysis.report.page import _HERE

    css = (_HERE / "page.css").read_text(encoding="utf-8")
    return [
        dict(re.findall(r"--([a-z0-9]+): (#[0-9a-f]{3,6});", part))
        for part in re.findall(r":root \{(.*?)\}", css, re.S)
    ]


def test_lines_and_words_stand_out_from_the_paper():
    """WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for lines (1.4.11)."""
    sheets = colours()
    assert len(sheets) == 3
    full = lambda c: "#" + "".join(2 * x for x in c[1:]) if len(c) == 4 else c  # noqa: E731
    for sheet in sheets:
        paper = full(sheet["paper"])
        for name in ("ink", "soft"):
            assert contrast(full(sheet[name]), paper) >= 4.5
            assert contrast(full(sheet[name]), full(sheet["sheet"])) >= 4.5
        for k in range(plots.STYLES):
            assert contrast(sheet[f"c{k}"], paper) >= 4.5  # they are words too: the labels
        assert contrast(full(sheet["back"]), paper) >= 3
        for tint in ("lean", "in", "rich", "unknown"):
            assert contrast(full(sheet[tint]), full(sheet["ink"])) >= 4.5


@pytest.mark.parametrize("eyes", BLINDNESS)
def test_colours_can_be_told_apart_by_all_eyes(eyes):
    """As far as colour goes; each style has its dash and its mark besides. Distances in Oklab; 0.02 is about the least
    that is seen side by side (common practice, no source)."""
    for sheet in colours():
        for group, least in (([f"c{k}" for k in range(plots.STYLES)], 0.09), (["lean", "in", "rich"], 0.02)):
            labs = [oklab(np.clip(BLINDNESS[eyes] @ linear(sheet[name]), 0, 1)) for name in group]
            for i, a in enumerate(labs):
                for b in labs[:i]:
                    assert np.linalg.norm(a - b) > least, (eyes, group)


def test_what_cannot_be_seen_is_shown_wherever_it_stands_in_a_line():
    """Controls are Unicode's category Cc, those that turn writing are the explicit ones of UAX #9."""
    controls = {chr(code) for code in [*range(0x20), *range(0x7F, 0xA0)]} - {"\n", "\t"}
    for letter in [*controls, *"\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069", "\ud800"]:
        assert plots.shown(f"tan{letter}") == f"tan\u2039U+{ord(letter):04X}\u203a"
    assert plots.shown("tan \u00b0C \u00e9\n\t") == "tan \u00b0C \u00e9\n\t"
