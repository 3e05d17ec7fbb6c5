"""The desk by keyboard and for a screen reader, in Debian's Chromium: axe-core finds nothing, Tab reaches everything.

axe-core (Deque Systems, MPL 2.0) travels inside axe-core-python and is run in the page: it asks nobody. Run with
`-m browser`. Needs chromium and chromium-driver.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib import resources

import pytest
from at_the_desk import Visitor, desk_open
from chromium import complaints, fresh_tab
from desk_store import DeskStore, make_desk_store
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from logger.config import examples
from logger.store import front, presence

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        not (shutil.which("chromium") and shutil.which("chromedriver")), reason="chromium is not installed"
    ),
]
LAPTOP, PHONE = (1366, 768), (390, 844)
PAGES = (
    "/now", "/drives", "/drive/{b}", "/drive/{b}/captions?sync=run+1&at=0:05&overlay=mov", "/drive/{b}/export",
    "/compare", "/compare?by=drives", "/compare?by=runs", "/compare?a={a}&b={b}", "/season", "/season?to=fast", "/next",
    "/car", "/car/about", "/car/file/recorder", "/car/file/car", "/car/file/setup", "/commands", "/commands/compare",
    "/commands/runs", "/help", "/help/first-saturday", "/nothing",
)  # fmt: skip
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
_RUN = """
const done = arguments[arguments.length - 1];
axe.run(document, {runOnly: {type: "tag", values: arguments[0]}}).then((found) => done(found.violations.map((each) =>
  each.id + ": " + each.nodes.map((node) => node.html.slice(0, 160) + " | " + node.failureSummary).join(" || "))));
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> DeskStore:
    made = make_desk_store(tmp_path_factory.mktemp("everybody"))
    (made.store / "recorder.toml").write_text(examples.text("recorder.toml").replace("wren.toml", "car.toml"))
    (made.store / "car.toml").write_text(examples.text("wren.toml"))
    return made


@pytest.fixture(scope="module")
def served(made: DeskStore) -> Iterator[object]:
    with desk_open(made.store) as found:
        visitor = Visitor(found)
        for path in PAGES:
            visitor.get(path.format(a=made.a, b=made.b))  # worked out once, for all who look at it
        yield found


def unfolded(browser, served, path: str) -> None:
    browser.get(f"http://127.0.0.1:{served.port}{path}")
    browser.execute_script("document.querySelectorAll('details').forEach((each) => { each.open = true; })")


@pytest.mark.parametrize(
    ("size", "dark"),
    [(LAPTOP, False), pytest.param(PHONE, True, marks=pytest.mark.long)],
    ids=["laptop light", "phone dark"],
)
def test_axe_finds_nothing(made: DeskStore, served, size: tuple[int, int], dark: bool) -> None:
    pytest.importorskip("axe_core_python")
    axe = (resources.files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8")
    found = {}
    with fresh_tab(size, dark, logs=False) as browser:
        browser.set_script_timeout(120)
        browser.get(served.address)
        for path in PAGES:
            unfolded(browser, served, path.format(a=made.a, b=made.b))
            browser.execute_script(axe)
            if violations := browser.execute_async_script(_RUN, RULES):
                found[path] = violations
    assert found == {}, "\n".join(f"{path}: {line}" for path, lines in found.items() for line in lines)


def test_a_page_of_a_recorder_that_runs(made: DeskStore, served) -> None:
    """Its warnings and its last run are told to who listens; figures that change all the time are not."""
    pytest.importorskip("axe_core_python")
    axe = (resources.files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8")
    told = {
        "pid": os.getpid(), "since_utc": "x", "updated_utc": datetime.now(UTC).isoformat(), "state": "recording",
        "drive": "x", "recorded_s": 1.0, "free_mb": 1.0, "trouble": "", "sources": [],
        "seen": {"mixture": "AFR 12.4", "unit": "mph", "last_run": "run 3", "alert": "lean at high load"},
    }  # fmt: skip
    with presence.Lock(made.store), fresh_tab(LAPTOP, logs=False) as browser:
        presence.write_state(made.store, told)
        front.write_figures(made.store, {"pid": os.getpid(), "mixture": 12.4, "speed_mps": 10.0})
        browser.get(served.address)
        browser.execute_script(axe)
        assert browser.execute_async_script(_RUN, RULES) == []
        live = browser.find_elements("css selector", "[role=status], [role=alert], [aria-live]")
        assert [(each.get_attribute("data-is"), each.get_attribute("role")) for each in live] == [
            ("alert", "alert"), ("lost", "status"), ("last_run", "status"),
        ]  # fmt: skip


def test_hostile_words_of_a_recorder_are_text_as_they_come(made: DeskStore, served) -> None:
    """Live parts are put in by the page's script: whatever a name holds, nothing of it becomes an element."""
    hostile = "<img src=x onerror=alert(1)><b>"
    source = {"name": hostile, "state": "open", "why": "", "last_bytes_s_ago": 0.0, "lines_per_s": 1.0}
    told = {
        "pid": os.getpid(), "since_utc": "x", "updated_utc": datetime.now(UTC).isoformat(), "state": hostile,
        "drive": hostile, "recorded_s": 1.0, "free_mb": 1.0, "trouble": hostile, "sources": [source],
        "seen": {"mixture": f"{hostile} 1", "unit": "mph", "last_run": hostile, "alert": hostile, "channels": hostile},
    }  # fmt: skip
    with presence.Lock(made.store), fresh_tab(LAPTOP) as browser:
        presence.write_state(made.store, {**told, "seen": {"last_run": "before"}, "state": "recording"})
        browser.get(served.address)
        presence.write_state(made.store, told)
        shown: dict[str, str] = {}
        for _ in range(100):
            script = (
                "return [...document.querySelectorAll('[data-is]')].map((each) => [each.dataset.is, each.innerText])"
            )
            shown = dict(browser.execute_script(script))
            if hostile in shown["last_run"]:
                break
            time.sleep(0.1)
        for name in ("state", "mixture_name", "alert", "last_run", "channels", "sources"):
            assert hostile.casefold() in shown[name].casefold(), (name, shown)
        assert browser.find_elements("css selector", "[data-stream] img, [data-stream] b b, [data-stream] bdi b") == []
        assert complaints(browser) == []


_CONTROLS = """
return [...document.querySelectorAll(
    "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']")]
  .filter((each) => each.checkVisibility()).map((each, n) => { each.dataset.at = n; return n; }).length;
"""
_FOCUSED = """
const each = document.activeElement, look = getComputedStyle(each);
const seen = look.outlineStyle !== "none" && parseFloat(look.outlineWidth) >= 2;
return [Number(each.dataset.at ?? -1), seen, each.outerHTML.slice(0, 120)];
"""


@pytest.mark.parametrize(
    "path", ["/now", "/drive/{b}", "/compare", "/season", "/next", "/car/file/car", "/commands/runs"]
)
def test_tab_reaches_every_control_and_shows_where_it_is(made: DeskStore, served, path: str) -> None:
    with fresh_tab(LAPTOP, logs=False) as browser:
        browser.get(served.address)
        unfolded(browser, served, path.format(a=made.a, b=made.b))
        count, reached = browser.execute_script(_CONTROLS), []
        for _ in range(count + 5):
            ActionChains(browser).send_keys(Keys.TAB).perform()
            at, seen, what = browser.execute_script(_FOCUSED)
            if at == -1 or (reached and at == reached[0]):
                break
            assert seen, what
            reached.append(at)
        assert reached == sorted(reached)
        assert set(range(count)) - set(reached) == set()
