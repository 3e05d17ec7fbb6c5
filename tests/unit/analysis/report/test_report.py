"""The report: its figures are the command line's, its page stands by itself, and whatever is written in it is text."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_drives import BASELINE, RIG, make_drive
from simulate import Brake, Cruise, Lift, Pull, Stand, Turn
from typer.testing import CliRunner

from analysis import wording
from analysis.changes.season import gather
from analysis.cli import main
from analysis.drive import AnalysedDrive
from analysis.report import plots
from analysis.report.drive_page import drive_page, reference_run
from analysis.report.page import Page, Section, Table, Words, render
from analysis.report.plots import Axis, Series, Zone, columns, draw, round_ticks, spread, thinned
from analysis.report.season_page import season_page
from analysis.report.setups_page import setups_page
from analysis.store import DriveStore
from logger.errors import InputError, NoAnswer

GPS_ONLY = RIG.partition('[[source]]\nname = "mixture"')[0]
DAY = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
STARTS = [
    Stand(12), Pull(21.0, launch="slip"), Lift(15, 5), Brake(0), Turn(), Stand(8),
    Pull(21.0), Brake(0), Turn(), Stand(8),
    Pull(21.0), Lift(12, 5), Cruise(12, 20), Brake(0), Stand(8), Pull(14.0), Brake(0), Stand(8),
]  # fmt: skip
HOSTILE = [
    "<script>document.title='hit'</script>",
    '"><img src=x onerror=alert(1)>',
    "</style></title></script><b>",
    "{{ 7*7 }}{% raw %}",
    "=cmd|' /C calc'!A0",
    "\u202egpj.exe",
    "&lt;&amp;",
    "javascript:alert(1)",
    "a\x00\x1b[31mb",
    "--!>",
]


class Reader(HTMLParser):
    """All tags with their attributes, and the text of each element by tag."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.rows: list[list[str]] = []
        self._open: list[str] = []
        self.problems: list[str] = []
        self.headings: list[str] = []
        self.feed(html)
        self.close()

    VOID = ("meta", "link", "input", "img", "br", "hr")

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self._open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if not self._open or self._open.pop() != tag:
            self.problems.append(tag)

    def handle_data(self, data):
        if "script" in self._open or "style" in self._open:
            return
        self.text += data
        if "h2" in self._open:
            self.headings.append(data)
        if self._open and self.rows and any(tag in self._open for tag in ("td", "th")):
            self.rows[-1][-1] += data

    def of(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    return tmp_path_factory.mktemp("store")


@pytest.fixture(scope="module")
def told(store):
    weather = {"temperature_c": 17.0, "pressure_hpa": 1015.0, "humidity_percent": 59.0, "wind_mps": 1.0,
               "wind_from_deg": 250.0, "source": "METAR EGXX at the village of Nowhere"}  # fmt: skip
    notes = [(20.0, "belt squeals"), *((30.0 + k, text) for k, text in enumerate(HOSTILE))]
    setup = BASELINE.model_copy(
        update={"name": HOSTILE[0], "notes": HOSTILE[1], "parts": {"jet": HOSTILE[2], "clip": 3}}
    )
    drive, _ = make_drive(store, STARTS, setup=setup, weather=weather, notes=notes)
    return AnalysedDrive(drive)


@pytest.fixture(scope="module")
def page(told):
    return drive_page(told)


@pytest.fixture(scope="module")
def html(page):
    return render(page, DAY)


# --- the figures are the command line's ---------------------------------------------------------------------------


def answer_of(*arguments: str) -> dict:
    done = CliRunner().invoke(main.app, [*arguments, "--json"])
    assert done.exit_code == 0, done.exception
    return json.loads(done.stdout)


def test_every_split_is_that_of_runs(told, html, store):
    answer = answer_of("runs", told.id, "--store", str(store))
    rows = Reader(html).rows
    assert len(answer["runs"]) == 4
    for run in answer["runs"]:
        mine = [row for row in rows if row[0].rstrip("*") == str(run["n"])]
        for split in run["splits"]:
            for value, sigma in (("time_s", "sigma_s"), ("from_one_foot_s", "from_one_foot_sigma_s")):
                assert any(wording.with_sigma(split[value], split[sigma]) in row for row in mine), (run["n"], split)
        assert any(f"{run['distance_m']:.0f} m" in row for row in mine)


def test_every_cell_of_the_mixture_map_is_that_of_mixture(told, html, store):
    answer = answer_of("mixture", told.id, "--store", str(store))
    text = Reader(html).text
    assert len(answer["cells"]) > 5
    for cell in answer["cells"]:
        if cell["judgement"] != "not enough data":
            said = f"AFR {wording.with_sigma(cell['median'], cell['sigma'])}, {cell['judgement']}"
            assert said in text
            assert f"{cell['seconds']:.0f} seconds" in text
    for summary in answer["summaries"]:
        if summary["judgement"] != "not enough data":
            assert f"{summary['median']:.2f}" in text


def test_the_verdict_names_the_best_run(told, page):
    counted = told.counted
    assert [run.n for run in counted] == [1, 2, 3]  # the fourth was given up
    best = min((s.from_one_foot_s, run.n) for run in counted for s in run.splits if abs(s.speed_mps - 17.8816) < 1e-3)
    assert page.verdict[0].startswith(f"One foot to 40 mph in {best[0]:.2f} ±")
    assert f"(run {best[1]}, the best of 3 runs)" in page.verdict[0]
    assert any("1 run not counted (run 4: " in line for line in page.caveats)


def test_the_reference_can_be_chosen(told):
    titles = {
        b.plot.y.label
        for s in drive_page(told, reference=reference_run(told, 2)).sections
        for b in s.blocks
        if b.kind == "figure"
    }
    assert "Seconds behind run 2" in titles
    with pytest.raises(InputError, match="no counted run 4: its counted runs are 1, 2, 3"):
        reference_run(told, 4)


def test_what_a_drive_lacks_is_said_and_not_drawn(tmp_path):
    drive, _ = make_drive(tmp_path, [Stand(5), Pull(6.0), Cruise(6.0, 20), Brake(0), Stand(5)], setup=None, car=None,
                          rig=GPS_ONLY)  # fmt: skip
    made = drive_page(AnalysedDrive(drive))
    assert [section.name for section in made.sections] == ["driven", "weather"]
    assert made.verdict[0].startswith("Nothing was asked of this drive")
    text = Reader(render(made, DAY)).text
    assert "No setup is recorded" in text and "Without temperature and pressure nothing can be corrected" in text


def test_one_run_is_enough(tmp_path):
    drive, _ = make_drive(tmp_path, [Stand(10), Pull(21.0), Brake(0), Stand(5)], rig=GPS_ONLY)
    made = drive_page(AnalysedDrive(drive))
    assert [section.name for section in made.sections] == ["driven", "runs", "traces", "weather"]
    assert "(run 1)" in made.verdict[0]
    assert not Reader(render(made, DAY)).problems


# --- two setups, a season -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def season_store(tmp_path_factory):
    """Two setups, each on two days, the second one quicker by 5 % of force; hostile names."""
    store = tmp_path_factory.mktemp("season")
    weather = {"temperature_c": 15.0, "pressure_hpa": 1013.0, "humidity_percent": 60.0, "wind_mps": 1.0,
               "wind_from_deg": 250.0}  # fmt: skip
    script = [Stand(10)]
    for _ in range(3):
        script += [Pull(21.0), Brake(0, 2.5), Turn(), Stand(7)]
    other = BASELINE.model_copy(update={"name": HOSTILE[0], "parts": {"main_jet_mm": 1.09, "snorkel": HOSTILE[1]}})
    for day in range(4):
        setup, force = (BASELINE, 1.0) if day % 2 == 0 else (other, 1.05)
        make_drive(
            store, script, seed=day, setup=setup, weather=weather, force_scale=force,
            start=datetime(2026, 5, 2 + 7 * day, 9, 0, tzinfo=UTC), notes=[(20.0, HOSTILE[2])],
        )  # fmt: skip
    return store


@pytest.fixture(scope="module")
def both(season_store):
    found = gather(DriveStore(season_store))
    return {"setups": setups_page("baseline", HOSTILE[0], found), "season": season_page(found)}


def test_every_figure_of_two_setups_is_that_of_compare(both, season_store):
    answer = answer_of("compare", "baseline", HOSTILE[0], "--store", str(season_store))
    page = both["setups"]
    read = Reader(render(page, DAY))
    assert answer["verdict"] == "faster"
    said = answer["sentence"]
    assert page.verdict[0].casefold() == f"{said}.".casefold()
    for split in answer["splits"]:
        row = next(row for row in read.rows if row[0] == split["speed"] and "/" in row[1])
        assert row[1] == f"{split['runs_a']}/{split['runs_b']}"
        assert row[2:5] == [f"{split['a_s']:.2f}", f"{split['b_s']:.2f}", f"{split['difference_s']:+.2f}"]
        assert row[5] == f"{split['low_s']:+.2f} to {split['high_s']:+.2f}"
        assert row[6] == f"{split['run_low_s']:+.2f} to {split['run_high_s']:+.2f}"
        assert row[8] == split["verdict"]
    for band in answer["trace"]:
        assert any(f"{band['difference_s']:+.2f}" in row for row in read.rows)
    assert any(f"{answer['mixture']['difference']:+.2f}" in row for row in read.rows)


def test_every_figure_of_a_season_is_that_of_season_effects_and_plan(both, season_store):
    read = Reader(render(both["season"], DAY))
    season = answer_of("season", "--store", str(season_store))
    for setup in season["setups"]:
        row = next(row for row in read.rows if row[0] == plots.shown(setup["setup"]) and len(row) == 8)
        assert row[1:5] == [
            str(setup["outings"]), str(setup["runs"]), f"{setup['best_s']:.2f}", f"{setup['typical_s']:.2f}",
        ]  # fmt: skip
    effects = answer_of("effects", "--store", str(season_store))
    for effect in effects["time"]:
        interval = effect["effects"][0]
        row = next(row for row in read.rows if row[0].startswith("snorkel short -> ") and len(row) == 5)
        assert row[2:4] == [f"{interval['difference']:+.2f}", f"{interval['low']:+.2f} to {interval['high']:+.2f}"]
    drives = answer_of("drives", "--store", str(season_store))
    for drive in drives["drives"]:
        row = next(row for row in read.rows if row[0] == drive["drive"] and len(row) == 7)
        assert row[3:6] == [str(drive["runs"]), f"{drive['best_s']:.2f}", f"{drive['typical_s']:.2f}"]
    plan = answer_of("plan", "--store", str(season_store))
    for step in plan["next"]:
        assert any(str(step["runs"]) in row and step["why"] in row for row in read.rows)


@pytest.mark.parametrize("name", ["setups", "season"])
def test_pages_that_compare_hold_what_the_others_hold(both, name):
    html = render(both[name], DAY)
    read = Reader(html)
    assert read.problems == [] and not read.of("img") and len(read.of("script")) == 1
    ids = [attrs["id"] for _, attrs in read.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for text in (HOSTILE[0], HOSTILE[2]):
        assert plots.shown(text) in read.text
    assert "nan" not in read.text.lower().split() and "inf" not in read.text.lower().split()
    assert {"Verdict", "Weather", "Cautions", "The next outing"} <= set(read.headings)


# --- the page stands by itself ------------------------------------------------------------------------------------


def test_the_page_is_well_formed_and_asks_nobody_for_anything(html):
    read = Reader(html)
    assert read.problems == []
    for _, attrs in read.tags:
        for name, value in attrs.items():
            if name in ("href", "src", "action", "data", "srcset", "poster", "formaction"):
                assert value is not None and (value.startswith("#") or value == "data:,")
            assert not name.startswith("on") and name != "style"
    assert "@import" not in html and not re.search(r"url\(", html)
    assert len(html.encode()) < 400_000  # of the 6 MB allowed


def test_the_policy_lets_only_the_pages_own_script_and_style_run(html):
    policy = next(m["content"] for m in Reader(html).of("meta") if m.get("http-equiv") == "Content-Security-Policy")
    script, style = re.search(r"<script>(.*?)</script>", html, re.S), re.search(r"<style>(.*?)</style>", html, re.S)
    assert script is not None and style is not None and html.count("<script") == 1 and html.count("<style") == 1
    for found in (script, style):
        digest = base64.b64encode(hashlib.sha256(found[1].encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert "default-src 'none'" in policy and "unsafe" not in policy


def test_a_screen_reader_finds_its_way(html):
    read = Reader(html)
    ids = [attrs["id"] for _, attrs in read.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    levels = [int(tag[1]) for tag, _ in read.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b <= a + 1 for a, b in pairwise(levels))
    names = {tag for tag, _ in read.tags}
    assert {"main", "nav", "header", "footer"} <= names and read.of("html")[0]["lang"] == "en"
    for svg in read.of("svg"):
        assert svg.get("aria-hidden") == "true" or svg.get("role") == "img" or svg.get("class") in ("data", "at")
    assert all(svg["aria-label"] for svg in read.of("svg") if svg.get("role") == "img")
    assert len(read.of("table")) == len(read.of("caption"))
    assert all(th.get("scope") for th in read.of("th"))
    for attrs in (a for _, a in read.tags):  # what is referred to is there
        for key in ("aria-labelledby", "href"):
            if (target := attrs.get(key)) and target != "data:,":
                assert target.lstrip("#") in ids
    plotted = [attrs for tag, attrs in read.tags if tag == "div" and attrs.get("class") == "plot"]
    assert plotted and all(attrs["tabindex"] == "0" and attrs["aria-label"] for attrs in plotted)


def test_the_same_report_twice_is_the_same_but_for_its_date(told, html, store):
    again = render(drive_page(AnalysedDrive(told.drive)), datetime(2027, 1, 2, 3, 4, tzinfo=UTC))
    assert html != again
    assert html == again.replace("Made 2027-01-02 03:04 UTC.", "Made 2026-11-25 12:00 UTC.")


# --- whatever is written in it is text ----------------------------------------------------------------------------


def test_commands_in_a_sentence_are_set_as_code_and_nothing_else_is():
    said = Page("x", "", ["`pullbook effects` tells; `<b>` and `mine` do not: `--trace <i>`"])
    html = render(said, datetime(2026, 5, 2, tzinfo=UTC))
    words = "<code>pullbook effects</code> tells; `&lt;b&gt;` and `mine` do not: <code>--trace &lt;i&gt;</code>"
    assert words in html


def test_hostile_words_are_text_everywhere(html):
    read = Reader(html)
    assert not read.of("img") and all(not attrs for attrs in read.of("b"))
    assert len(read.of("script")) == 1
    for text in HOSTILE:
        assert plots.shown(text) in read.text
    assert "49" not in [cell for row in read.rows for cell in row]  # {{ 7*7 }} stayed as typed
    assert "\u202e" not in html and "\x00" not in html and "\x1b" not in html
    assert "\u2039U+202E\u203a" in html


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=40))
def test_any_words_come_back_as_they_were(text):
    """In a heading, a paragraph, a table, a label of a plot and an attribute alike."""
    plot = draw([Series(text, [0, 1], [0, 1], group=text)], Axis(text, text), Axis(text), said=text)
    from analysis.report.page import Figure

    blocks = [Words(text), Table(text, ["a", text], [[text, text]]), Figure(text, plot, text, switches=True)]
    html = render(Page(text, text, [text], [text], [(text, text)], [Section("s", text, blocks)], [text], [text]), DAY)
    read = Reader(html)
    assert read.problems == []
    seen = plots.shown(text)
    normal = seen.replace("\r\n", "\n").replace("\r", "\n")
    assert normal in read.text
    assert read.of("path")[-1].get("data-label") in (seen, None if not text else seen)
    ours = (
        "html head meta link title style body a svg defs path header p h1 nav ul li main section h2 h3 dl div dt dd "
        "table caption thead tr th tbody td figure figcaption fieldset legend label input use line text g output "
        "footer script bdi rect circle"
    )
    assert {tag for tag, _ in read.tags} <= set(ours.split())


def test_no_place_and_no_user_leaves_with_a_report(told, html):
    where = told.fixes
    for value in (*where.lat_deg[:: len(where) // 50], *where.lon_deg[:: len(where) // 50]):
        assert f"{value:.4f}" not in html
    assert "EGXX" not in html and "Nowhere" not in html
    assert str(told.drive.path.parent) not in html


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


def test_columns_lose_no_peak():
    rng = np.random.default_rng(1)
    t, v = np.arange(100_000.0), rng.normal(0, 1, 100_000)
    v[54_321], v[12_345] = 40.0, -40.0
    x, y = columns(t, v)
    assert len(x) <= 1400 and y.max() == 40 and y.min() == -40
    assert (np.diff(x) > 0).all()


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(0, 300), min_size=1, max_size=18))
def test_labels_never_touch_and_stay_in_place_where_they_can(wanted):
    tops = spread(sorted(wanted), 15.0, 0.0, 300.0)
    assert all(b - a >= 15 - 1e-9 for a, b in pairwise(tops))
    assert tops[0] >= -1e-9 and tops[-1] <= 300 + 1e-9
    if all(b - a >= 15 for a, b in pairwise(sorted(wanted))):
        assert np.allclose(tops, sorted(wanted))


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


# --- the verb -----------------------------------------------------------------------------------------------------


def test_the_verb_writes_a_page(told, store, tmp_path):
    run = CliRunner()
    target = tmp_path / "x.html"
    done = run.invoke(
        main.app, ["report", told.id, "--store", str(store), "--out", str(target), "--json"]
    )  # fmt: skip
    assert done.exit_code == 0, done.exception
    answer = json.loads(done.stdout)
    assert answer["bytes"] == target.stat().st_size and answer["verdict"][0].startswith("One foot to 40 mph")
    assert target.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    for arguments, said in (
        (["a", "b", "c", "d"], "one drive or of two setups"),
        (["nowhere"], "no such drive"),
        ([told.id, "--reference", "9"], "no counted run 9"),
        ([told.id, "--units", "knots"], "--units"),
        ([told.id, "--season"], "--season"),
    ):
        done = run.invoke(main.app, ["report", *arguments, "--store", str(store), "--out", str(tmp_path / "y.html")])
        assert isinstance(done.exception, InputError | NoAnswer) or said in str(done.exception)
        assert said in str(done.exception)
    assert not (tmp_path / "y.html").exists()
