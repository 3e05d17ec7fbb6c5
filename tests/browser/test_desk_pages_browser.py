"""The desk's pages in Debian's Chromium: each page's main job end to end, on paper and dark, with and without script.

Run with `-m browser`. Needs chromium and chromium-driver.
"""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from at_the_desk import Visitor, desk_open
from chromium import asked, complaints, fresh_tab
from desk_store import DeskStore, make_desk_store
from made_season import BASELINE, BOTH

from logger.config import examples

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        not (shutil.which("chromium") and shutil.which("chromedriver")), reason="chromium is not installed"
    ),
]

LAPTOP, PHONE = (1366, 768), (390, 844)
PAGES = ("/drives", "/drive/{b}", "/drive/{b}/captions", "/drive/{b}/export", "/compare", "/compare?by=drives",
         "/compare?a={a}&b={b}", "/season", "/next")  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> DeskStore:
    return make_desk_store(tmp_path_factory.mktemp("desk"))


@pytest.fixture(scope="module")
def served(made: DeskStore) -> Iterator[object]:
    with desk_open(made.store) as found:
        yield found


class Screen:
    """A browser at the desk."""

    def __init__(self, browser, served) -> None:
        self.browser, self.home = browser, f"http://127.0.0.1:{served.port}"
        browser.get(served.address)

    def go(self, path: str) -> None:
        self.browser.get(self.home + path)
        self.settle()

    def settle(self) -> None:
        """Wait until what is being worked out is there."""
        for _ in range(600):
            # Not by a script of the test: the page may have to do without any.
            if self.browser.find_elements("css selector", "html:not(:has(meta[http-equiv=refresh])) footer"):
                return
            time.sleep(0.2)
        raise AssertionError("it was never worked out")

    def one(self, css: str):
        return self.browser.find_element("css selector", css)

    def press(self, element) -> None:
        """Click, whatever stands at the edge of the window."""
        self.browser.execute_script("arguments[0].scrollIntoView({block: 'center', behavior: 'instant'})", element)
        element.click()

    def follow(self, element, press=lambda element: element.click()) -> None:
        """Press what leads elsewhere, and wait until the page has left and the next one is there."""
        before = self.one("html")
        press(element)
        for _ in range(300):
            try:
                before.is_enabled()
            except Exception:
                break
            time.sleep(0.1)
        self.settle()

    def unfold(self, form: str) -> None:
        self.press(self.browser.find_element("xpath", f"//form[@id='form-{form}']/ancestor::details/summary"))

    def type(self, form: str, **entries: str) -> None:
        for name, text in entries.items():
            entry = self.one(f"#{form}-{name}")
            entry.clear()
            entry.send_keys(text)

    def send(self, form: str) -> None:
        self.follow(self.one(f"#form-{form} .do button"), self.press)

    def in_sight(self, element: str) -> bool:
        """Whether it comes into the window by itself, below the tabs."""
        for _ in range(30):
            top, bottom, tabs, window = self.browser.execute_script(
                "const r = document.getElementById(arguments[0]).getBoundingClientRect(); return [r.top, r.bottom, "
                "document.querySelector('.tabs').getBoundingClientRect().bottom, innerHeight]",
                element,
            )
            if tabs <= top and bottom <= window:
                return True
            time.sleep(0.1)
        return False

    def text(self, css: str) -> str:
        return self.one(css).text


@pytest.mark.parametrize(("size", "dark"), [(LAPTOP, False), (LAPTOP, True), (PHONE, False)])
def test_every_page_draws_asks_nobody_and_fits(made: DeskStore, served, size, dark) -> None:
    visitor = Visitor(served)
    paths = [path.format(a=made.a, b=made.b) for path in PAGES]
    for path in paths:
        assert visitor.get(path).status == 200, path
    with fresh_tab(size, dark) as browser:
        screen = Screen(browser, served)
        for path in paths:
            screen.go(path)
            for summary in browser.find_elements("css selector", "details.fold > summary"):
                screen.press(summary)
            wide = browser.execute_script("return document.documentElement.scrollWidth")
            assert wide <= size[0], (path, wide)
            paper = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
            assert paper == ("rgb(22, 23, 25)" if dark else "rgb(255, 255, 255)"), path
            assert screen.text("nav.tabs [aria-current]") in {"Drives", "Compare", "Season", "Next"}
            for entry in browser.find_elements("css selector", "form input[type=text], form select, form textarea"):
                assert entry.accessible_name, (path, entry.get_attribute("id"))
        assert complaints(browser) == []
        assert {url.split("/")[2] for url in asked(browser)} == {f"127.0.0.1:{served.port}"}


@pytest.mark.parametrize("script", [True, False])
def test_a_run_is_struck_out_and_the_season_knows(made: DeskStore, served, script: bool) -> None:
    with fresh_tab(LAPTOP) as browser:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not script})
        screen = Screen(browser, served)
        screen.go("/drives")
        screen.follow(browser.find_element("css selector", f"a[href='/drive/{made.b}']"))
        summary = browser.find_element("xpath", "//form[@id='form-strike']/ancestor::details/summary")
        summary.click()
        browser.find_element("css selector", "#form-strike input[value='2']").click()
        browser.find_element("id", "strike-reason").send_keys("a gust")
        screen.follow(browser.find_element("css selector", "#form-strike .do button"))
        assert "1 run struck out: a gust" in browser.find_element("css selector", "#did").text
        [struck] = json.loads((made.store / made.b / "drive.json").read_bytes())["struck"]
        assert struck["reason"] == "a gust"
        screen.follow(browser.find_element("link text", "Season"))
        why = browser.find_element("css selector", ".verdict .why")
        assert f"{made.b}:2 is struck out: a gust" in why.get_attribute("textContent")
        screen.go(f"/drive/{made.b}")
        browser.find_element("xpath", "//form[@id='form-strike']/ancestor::details/summary").click()
        browser.find_element("css selector", "#form-strike input[value='2']").click()
        browser.find_element("id", "strike-reason").send_keys("it was none")
        browser.find_element("id", "strike-undo").click()
        screen.follow(browser.find_element("css selector", "#form-strike .do button"))
        assert json.loads((made.store / made.b / "drive.json").read_bytes())["struck"] == []


def test_what_was_typed_wrong_is_shown_where_it_was_typed(made: DeskStore, served) -> None:
    with fresh_tab(LAPTOP) as browser:
        screen = Screen(browser, served)
        screen.go(f"/drive/{made.a}")
        screen.unfold("weather")
        screen.type("weather", temperature="17", humidity="59%")
        screen.send("weather")
        assert "has no unit" in screen.text("#weather-temperature-wrong")
        assert screen.one("#weather-humidity").get_attribute("value") == "59%"
        # The browser goes there by itself: the entry has the focus and is in sight.
        assert browser.execute_script("return document.activeElement.id") == "weather-temperature"
        assert screen.in_sight("weather-temperature")
        screen.type("weather", temperature="17C")
        screen.send("weather")
        assert "17.0 \u00b0C" in screen.text("section[aria-labelledby=weather] table")
        assert screen.in_sight("did")


def test_two_setups_are_ticked_and_held_against_each_other(made: DeskStore, served) -> None:
    with fresh_tab(PHONE) as browser:
        screen = Screen(browser, served)
        screen.go("/compare")
        screen.press(screen.one(f"input[name=a][value='{made.a}']"))
        screen.press(screen.one(f"input[name=b][value='{made.b}']"))
        screen.send("pick")
        assert screen.text("h1") == f"{BOTH.name} against {BASELINE.name}"
        assert "power" in screen.text(".verdict").lower()
        assert screen.text("footer code") == f"pullbook report {BASELINE.name} '{BOTH.name}'"


def test_the_next_outing_is_ticked_off_and_parts_are_changed(made: DeskStore, served) -> None:
    with fresh_tab(LAPTOP) as browser:
        screen = Screen(browser, served)
        screen.go("/next")
        first = screen.one(".checks input")
        screen.press(first)
        assert first.is_selected()
        screen.unfold("set")
        screen.type("set", parts="snorkle=long")
        screen.send("set")
        assert "Did you mean snorkel?" in screen.text("#set-parts-wrong")
        screen.type("set", parts="main_jet_mm=1.00", name="small jet")
        screen.send("set")
        assert "New drives are recorded with small jet" in screen.text("#did")
        assert 'name = "small jet"' in (made.store / "setup.toml").read_text(encoding="utf-8")


def test_captions_and_data_are_downloaded(made: DeskStore, served, tmp_path: Path) -> None:
    files = tmp_path / "files"
    files.mkdir()
    with fresh_tab(LAPTOP) as browser:
        browser.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(files)})
        screen = Screen(browser, served)
        screen.go(f"/drive/{made.b}/captions")
        browser.execute_script("document.getElementById('captions-sync').value = 'run 1'")
        screen.type("captions", at="0:05")
        screen.send("captions")
        captions, data = f"{made.b}-captions.srt", f"{made.b}.csv"

        def arrived(name: str) -> bool:
            for _ in range(100):
                if name in {path.name for path in files.iterdir()}:
                    return True
                time.sleep(0.1)
            return False

        screen.press(browser.find_element("partial link text", ".srt"))
        assert arrived(captions)  # before the page is left
        screen.go(f"/drive/{made.b}/export")
        screen.press(screen.one("#form-export .do button"))
        assert arrived(data)
        assert "-->" in (files / captions).read_text(encoding="utf-8")


def test_two_tabs_do_not_lose_each_others_changes(made: DeskStore, served) -> None:
    """A drive and a file are opened twice; what the second tab sends is refused, stays typed, and can be sent again."""
    (made.store / "car.toml").write_text(examples.text("wren.toml"), encoding="utf-8")

    def notes() -> list[str]:
        return [note["text"] for note in json.loads((made.store / made.a / "drive.json").read_bytes())["notes"]]

    before = notes()
    with fresh_tab(LAPTOP) as browser:
        screen = Screen(browser, served)
        tabs = [browser.current_window_handle]
        browser.switch_to.new_window("tab")
        tabs.append(browser.current_window_handle)

        def both(path: str) -> None:
            for tab in tabs:
                browser.switch_to.window(tab)
                screen.go(path)

        both(f"/drive/{made.a}")
        for tab, text in zip(tabs, ("belt changed", "tyres at 1.8 bar"), strict=True):
            browser.switch_to.window(tab)
            screen.unfold("note")
            screen.type("note", text=text)
            screen.send("note")
        assert notes() == [*before, "belt changed"]
        assert "changed in the meantime" in screen.text("#form-note .failed")
        assert screen.one("#note-text").get_attribute("value") == "tyres at 1.8 bar"
        screen.send("note")
        assert notes() == [*before, "belt changed", "tyres at 1.8 bar"]

        both("/car/file/car")
        for tab, entry, text in zip(tabs, ("car\\.mass_kg", "car\\.name"), ("401", "Wren two"), strict=True):
            browser.switch_to.window(tab)
            field = screen.one(f"#g-car-{entry}")
            field.clear()
            field.send_keys(text)
            screen.send("g-car")
        assert "changed in the meantime" in screen.text("main .failed")
        text = (made.store / "car.toml").read_text(encoding="utf-8")
        assert "mass_kg = 401" in text and 'name = "Wren"' in text
        assert screen.one("#g-car-car\\.name").get_attribute("value") == "Wren two"
