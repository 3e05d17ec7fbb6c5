"""The page stands by itself, and whatever is written in it is text."""

from __future__ import annotations

import base64
import hashlib
import re
from datetime import UTC, datetime
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st
from page_reader import DAY, HOSTILE, Reader

from analysis.drive import AnalysedDrive
from analysis.report import plots
from analysis.report.drive_page import drive_page
from analysis.report.page import Figure, Page, Section, Table, Words, render
from analysis.report.plots import Axis, Series, draw
from logger.zone import local_minute

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
    later = datetime(2027, 1, 2, 3, 4, tzinfo=UTC)
    again = render(drive_page(AnalysedDrive(told.drive)), later)
    assert html != again
    assert html == again.replace(f"Made {local_minute(later)}.", f"Made {local_minute(DAY)}.")


def test_the_answer_stands_first_and_what_lies_behind_it_is_folded_last():
    page = Page("x", "", ["faster", "by 0.3 s"], ["no weather"], [("Runs", "6")], why=["run 2 not counted"])
    html = render(page, DAY)
    section = html[html.index('<section class="verdict"') : html.index("</main>")]
    order = ["faster", "by 0.3 s", "Runs", "no weather", '<details class="why"><summary>Why</summary>', "run 2 not"]
    assert [section.index(words) for words in order] == sorted(section.index(words) for words in order)
    assert section.index("run 2 not") < section.index("</details>")


# --- whatever is written in it is text ----------------------------------------------------------------------------


def test_commands_in_a_sentence_are_set_as_code_and_nothing_else_is():
    said = Page("x", "", ["`pullbook effects` says; `<b>` and `mine` do not: `--trace <i>`"])
    html = render(said, datetime(2026, 5, 2, tzinfo=UTC))
    words = "<code>pullbook effects</code> says; `&lt;b&gt;` and `mine` do not: <code>--trace &lt;i&gt;</code>"
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
