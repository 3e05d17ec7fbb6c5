"""The report in Debian's Chromium: it draws, answers to pointer and keys, asks nobody for anything, prints, is quick.

Run with `-m browser`. Needs chromium and chromium-driver.
"""

from __future__ import annotations

import base64
import shutil
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from chromium import LAPTOP, PHONE, asked, complaints, fresh_tab, starts
from made_drives import BASELINE, make_drive

from analysis.changes.season import gather
from analysis.drive import AnalysedDrive
from analysis.report.drive_page import drive_page
from analysis.report.page import render
from analysis.report.season_page import season_page
from analysis.report.setups_page import setups_page
from analysis.store import DriveStore

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        not (shutil.which("chromium") and shutil.which("chromedriver")), reason="chromium is not installed"
    ),
]

DAY = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
HOSTILE = "<img src=x onerror=\"document.title='hit'\"><script>document.title='hit'</script>"


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> dict[str, Path]:
    """One page of each kind: a drive with hostile words, two setups, and their season."""
    folder = tmp_path_factory.mktemp("pages")
    store = folder / "store"
    weather = {"temperature_c": 15.0, "pressure_hpa": 1013.0, "humidity_percent": 60.0, "wind_mps": 1.0,
               "wind_from_deg": 250.0}  # fmt: skip
    other = BASELINE.model_copy(update={"name": HOSTILE, "parts": {"main_jet_mm": 1.09, "snorkel": "long"}})
    last = None
    for day in range(4):
        setup, force = (BASELINE, 1.0) if day % 2 == 0 else (other, 1.05)
        last, _ = make_drive(
            store, starts(4), seed=day, setup=setup, weather=weather, force_scale=force,
            start=datetime(2026, 5, 2 + 7 * day, 9, 0, tzinfo=UTC), notes=[(20.0, HOSTILE), (40.0, "\u202eevil")],
        )  # fmt: skip
    assert last is not None
    season = gather(DriveStore(store))
    made = {
        "drive": drive_page(AnalysedDrive(last)),
        "setups": setups_page("baseline", last.id, season),
        "season": season_page(season),
    }
    paths = {}
    for name, page in made.items():
        paths[name] = folder / f"{name}.html"
        paths[name].write_text(render(page, DAY), encoding="utf-8")
    return paths


@pytest.mark.parametrize("name", ["drive", "setups", "season"])
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_page_draws_and_asks_nobody_for_anything(pages, name, size, dark):
    with fresh_tab(size, dark) as browser:
        browser.get(pages[name].as_uri())
        time.sleep(0.3)
        assert complaints(browser) == []
        assert asked(browser) == []
        assert browser.title != "hit" and not browser.find_elements("css selector", "img")
        # Nothing hangs over the side: the page itself never scrolls sideways.
        assert browser.execute_script("return document.documentElement.scrollWidth") <= size[0]
        paper = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
        assert paper == ("rgb(22, 23, 25)" if dark else "rgb(255, 255, 255)")
        for plot in browser.find_elements("css selector", ".plot"):
            drawn = browser.execute_script(
                """const a = arguments[0].querySelector('svg.area').getBoundingClientRect();
                const lines = [...arguments[0].querySelectorAll('path.line, .mark .at use')];
                const inside = lines.filter((l) => { const b = l.getBoundingClientRect();
                  return b.right >= a.left - 8 && b.left <= a.right + 8
                    && b.bottom >= a.top - 8 && b.top <= a.bottom + 8; });
                return [a.width, a.height, lines.length, inside.length];""",
                plot,
            )
            assert drawn[0] > 200 and drawn[1] > 100
            assert drawn[2] > 0 and drawn[2] == drawn[3]


def test_text_of_a_plot_stays_on_the_page_and_apart(pages):
    """On a phone: no word of a plot leaves the page, and no two ticks of an axis overlap."""
    with fresh_tab(PHONE) as browser:
        browser.get(pages["drive"].as_uri())
        boxes = browser.execute_script(
            """const shown = (t) => getComputedStyle(t).display !== 'none';
            const box = (t) => { const b = t.getBoundingClientRect();
              return [t.getAttribute('class'), b.left, b.right, b.top, b.bottom]; };
            return [...document.querySelectorAll('.plot')].map((p) =>
              [...p.querySelectorAll('text')].filter(shown).map(box));"""
        )
        for plot in boxes:
            assert all(left >= -1 and right <= PHONE[0] + 1 for _, left, right, _, _ in plot), plot
            for kind in ("tick x", "label"):
                words = [box for box in plot if box[0].startswith(kind)]
                for i, a in enumerate(words):
                    for b in words[:i]:
                        apart = a[1] >= b[2] - 1 or b[1] >= a[2] - 1 or a[3] >= b[4] - 3 or b[3] >= a[4] - 3
                        assert apart, (a, b)


def test_on_a_phone_judgements_are_seen_without_scrolling(pages):
    """The judging column of a table begins on the page, and the column of full throttle of a map ends there, all its
    words within their fields."""
    with fresh_tab(PHONE) as browser:
        browser.get(pages["setups"].as_uri())
        judges, maps, out = browser.execute_script(
            """const heads = [...document.querySelectorAll('thead th')];
            const judges = heads.filter((h) => ['Verdict', 'Judgement', 'Shown'].includes(h.textContent.trim()))
              .map((h) => h.getBoundingClientRect()).filter((b) => b.width).map((b) => Math.min(b.left + 60, b.right));
            const maps = [...document.querySelectorAll('table.map')].map((m) => m.getBoundingClientRect().right);
            const out = [...document.querySelectorAll('table.map td')].filter((c) => c.scrollWidth > c.clientWidth + 1)
              .map((c) => c.textContent);
            return [judges, maps, out];"""
        )
        assert len(judges) >= 3 and all(right <= PHONE[0] for right in judges)
        assert len(maps) >= 2 and all(right <= PHONE[0] for right in maps)
        assert out == []


def test_pointer_and_keys_read_values(pages):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    with fresh_tab() as browser:
        browser.get(pages["drive"].as_uri())
        figure = browser.find_element("css selector", "#traces-1")
        plot = figure.find_element("css selector", ".plot")
        browser.execute_script("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", plot)
        area = plot.find_element("css selector", "svg.area")
        ActionChains(browser).move_to_element(area).perform()
        said = plot.find_element("css selector", "output").text
        assert said.startswith("run ") and said.endswith(" mph")
        # What is read is what was drawn: hold it against the line of the run at that time.
        label, values = said.split(": ")
        t, v = (float(part.split()[0].replace("\u2212", "-")) for part in values.split(", "))
        d = {key: float(plot.get_attribute(f"data-{key}")) for key in ("x0", "x1", "y0", "y1")}
        assert d["x0"] < t < d["x1"] and d["y0"] < v < d["y1"]
        assert t == pytest.approx((d["x0"] + d["x1"]) / 2, abs=(d["x1"] - d["x0"]) / 50)
        path = figure.find_element("css selector", f"path[data-label^='{label}']").get_attribute("d")
        start, moves = path[1:].split("l")
        points = np.cumsum([np.array(start.split(), float), *np.array(moves.split(), float).reshape(-1, 2)], axis=0)
        x = d["x0"] + points[:, 0] / 1e4 * (d["x1"] - d["x0"])
        y = d["y1"] - points[:, 1] / 1e4 * (d["y1"] - d["y0"])
        assert v == pytest.approx(np.interp(t, x, y), abs=0.15)
        ActionChains(browser).move_to_element(browser.find_element("css selector", "h1")).perform()
        assert plot.find_element("css selector", "output").text == ""
        # Keys: along the line, to the next line, away.
        plot.send_keys(Keys.ARROW_RIGHT)
        first = plot.find_element("css selector", "output").text
        plot.send_keys(Keys.ARROW_RIGHT)
        second = plot.find_element("css selector", "output").text
        plot.send_keys(Keys.ARROW_DOWN)
        third = plot.find_element("css selector", "output").text
        assert first and second and first != second and second.split(":")[0] != third.split(":")[0]
        plot.send_keys(Keys.ESCAPE)
        assert plot.find_element("css selector", "output").text == ""
        # Points of a plot of points too.
        splits = browser.find_element("css selector", "#runs-1 .plot")
        splits.send_keys(Keys.ARROW_RIGHT)
        assert splits.find_element("css selector", "output").text.startswith("run ")
        assert complaints(browser) == []


def test_switches_turn_lines_off_and_on(pages):
    with fresh_tab() as browser:
        browser.get(pages["drive"].as_uri())
        figure = browser.find_element("css selector", "#traces-1")
        boxes = figure.find_elements("css selector", "input[data-switch]")
        assert len(boxes) >= 3
        name = boxes[0].get_attribute("data-switch")
        parts = figure.find_elements("css selector", f"[data-group='{name}']")
        assert parts and all(part.is_displayed() for part in parts)
        browser.execute_script("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", boxes[0])
        boxes[0].click()
        assert not any(part.is_displayed() for part in parts)
        others = figure.find_elements("css selector", f"path[data-group]:not([data-group='{name}'])")
        assert others and all(part.is_displayed() for part in others)
        boxes[0].send_keys(" ")  # by key
        assert all(part.is_displayed() for part in parts)
        summary = figure.find_element("css selector", "summary")
        summary.click()
        assert figure.find_element("css selector", "details table").is_displayed()


def test_the_page_is_whole_without_its_script(pages):
    with fresh_tab() as browser:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        browser.get(pages["drive"].as_uri())
        text = browser.find_element("css selector", "main").text
        assert "Best of " in text and "Cautions" in text
        assert len(browser.find_elements("css selector", "path.line")) > 5


def test_it_prints(pages, tmp_path):
    """To PDF: A4, every section, the plots as lines and not as pictures, nothing cut off at the side."""
    with fresh_tab() as browser:
        for name, path in pages.items():
            browser.get(path.as_uri())
            pdf = base64.b64decode(
                browser.execute_cdp_cmd(
                    "Page.printToPDF", {"printBackground": True, "paperWidth": 8.27, "paperHeight": 11.69}
                )["data"]
            )
            assert pdf.startswith(b"%PDF") and len(pdf) > 20_000
            (tmp_path / f"{name}.pdf").write_bytes(pdf)
            if shutil.which("pdftotext"):
                import subprocess

                text = subprocess.run(
                    ["pdftotext", "-layout", str(tmp_path / f"{name}.pdf"), "-"],
                    capture_output=True,
                    check=True,
                    text=True,
                ).stdout
                assert "Verdict" in text and "Cautions" in text and "Weather" in text
                assert "Show" not in text.split("Cautions")[0].split()  # switches are not printed
                images = subprocess.run(
                    ["pdfimages", "-list", str(tmp_path / f"{name}.pdf")], capture_output=True, text=True, check=True
                )
                assert len(images.stdout.strip().splitlines()) <= 2
