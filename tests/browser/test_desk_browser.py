"""The desk in Debian's Chromium: from nothing to a first run without a terminal, live figures, forms checked as typed.

Real pseudo-terminals, a real recorder. Run with `-m browser`. Needs chromium and chromium-driver.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import simulate
from at_the_desk import served
from chromium import asked, complaints, fresh_tab
from rig import Cable
from selenium.webdriver.common.keys import Keys

from logger.config.car import CarConfig
from logger.config.reading import load
from logger.store import drive, presence

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        not (shutil.which("chromium") and shutil.which("chromedriver")), reason="chromium is not installed"
    ),
]
LAPTOP, PHONE = (1366, 768), (390, 844)


def wait(true: Callable[[], Any], seconds: float = 30.0) -> Any:
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        try:
            if found := true():
                return found
        except Exception as error:  # the page is being left
            if "stale" not in str(error) and "no such element" not in str(error):
                raise
        time.sleep(0.1)
    raise AssertionError(f"not in {seconds} s")


def only_itself(browser, port: int) -> None:
    """No complaint, and nothing asked of anybody but this desk."""
    assert [each for each in complaints(browser) if "422" not in each] == []
    assert [url for url in asked(browser) if not url.startswith(f"http://127.0.0.1:{port}/")] == []


def at(browser, css: str):
    return browser.find_element("css selector", css)


def press(browser, css: str) -> None:
    """By the keyboard, as whoever has no mouse."""
    at(browser, css).send_keys(Keys.ENTER)


def typed(browser, css: str, text: str) -> None:
    field = at(browser, css)
    field.clear()
    field.send_keys(text)


def test_from_nothing_to_the_first_run(tmp_path: Path) -> None:
    """Car, its three steps, then Now: a start is driven, its run is shown as it happens, the drive is kept."""
    rng = np.random.default_rng(5)
    script = [simulate.Stand(6), simulate.Pull(18.0), simulate.Brake(0.0), simulate.Stand(6)]
    truth = simulate.drive(simulate.WREN, script)
    fixes = simulate.receive(truth, rng=rng)
    readings = simulate.sense(truth, simulate.mixture_of(), rate_hz=20, rng=rng)
    chunks = list(simulate.host_chunks(truth, fixes, readings, rng=rng))
    standing = [chunk for chunk in chunks if chunk.mono_ns - chunks[0].mono_ns < 3e9]
    store = tmp_path / "store"
    store.mkdir()
    with (
        Cable(tmp_path / "gps") as gps, Cable(tmp_path / "mixture") as mixture,
        served(store) as (desk, _), fresh_tab(LAPTOP) as browser,
    ):  # fmt: skip
        cables = {"gps": gps, "mixture": mixture}

        def play(what: list[Any], while_: Callable[[], bool] = lambda: True) -> None:
            began = time.monotonic()
            for chunk in what:
                if not while_():
                    return
                if (pause := began + (chunk.mono_ns - what[0].mono_ns) / 1e9 - time.monotonic()) > 0:
                    time.sleep(pause)
                cables[chunk.source].send(chunk.data)

        browser.get(desk.address)
        wait(lambda: "Not recording" in at(browser, ".state").text)
        press(browser, "a[href='/car']")
        typed(browser, "#listen-also", f"{gps.path} {mixture.path}")
        press(browser, "#form-listen button")
        for _ in range(20):
            play(standing)
            if browser.find_elements("css selector", "#form-keep"):
                break
        assert at(browser, "#keep-1\\.0").get_attribute("value") == "afr"
        press(browser, "#form-keep button")
        typed(browser, "#about-name", "Wren")
        typed(browser, "#about-mass", "392")  # no unit: told as it is typed
        at(browser, "#about-carburettor").send_keys("one slide carburettor")
        wait(lambda: "has no unit" in at(browser, "#about-mass-wrong").text)
        assert at(browser, "#about-mass").get_attribute("aria-invalid") == "true"
        typed(browser, "#about-mass", "392kg")
        at(browser, "#about-mass").send_keys(Keys.TAB)
        wait(lambda: not browser.find_elements("css selector", "#about-mass-wrong"))
        press(browser, "#form-about button")
        wait(lambda: "then drive off" in at(browser, ".said").text)
        assert load(store / "car.toml", CarConfig).car.mass_kg == 392
        press(browser, "a[href='/now']")
        press(browser, "#form-start button")
        wait(lambda: presence.is_recording(store))
        wait(
            lambda: all(
                s["state"] == "open" for s in (presence.read_state(store) or {}).get("sources", [{"state": ""}])
            )
        )
        time.sleep(0.5)
        play(chunks)
        for _ in range(8):  # it goes on standing
            play(standing)
            if "Last run:" in at(browser, ".lastrun").text:
                break
        assert "Last run:" in at(browser, ".lastrun").text
        wait(
            lambda: browser.find_elements("css selector", "#form-note")
        )  # the forms of a recorder at work came by themselves
        assert float(at(browser, "[data-is=mixture]").text) > 5
        typed(browser, "#note-text", "first run")
        press(browser, "#form-note button")
        wait(lambda: "first run" in at(browser, ".said").text)
        time.sleep(1.2)
        press(browser, "#form-stop button")
        wait(lambda: not presence.is_recording(store), 60)
        wait(lambda: "Not recording" in at(browser, ".state").text)
        only_itself(browser, desk.port)
    made = drive.open_drive(store, "last")
    assert [note.text for note in made.manifest.notes] == ["first run"]
    assert made.manifest.rows["gps"] > 100


@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_pages_fit_and_can_be_read(tmp_path: Path, size: tuple[int, int], dark: bool) -> None:
    """Nothing hangs over the side, each entry has its label, words stand out by 4.5 (WCAG 2.2, 1.4.3)."""
    from logger.config import examples

    store = tmp_path / "store"
    store.mkdir()
    (store / "recorder.toml").write_text(examples.text("recorder.toml").replace("wren.toml", "car.toml"))
    (store / "car.toml").write_text(examples.text("wren.toml"))
    with served(store) as (desk, _), fresh_tab(size, dark) as browser:
        browser.get(desk.address)
        for path in ("/now", "/car", "/car/about", "/car/file/recorder", "/car/file/setup", "/help",
                     "/help/first-saturday", "/help/words"):  # fmt: skip
            browser.get(f"http://127.0.0.1:{desk.port}{path}")
            assert browser.execute_script("return document.documentElement.scrollWidth") <= size[0], path
            assert browser.execute_script(_UNLABELLED) == [], path
            assert browser.execute_script(_FAINT) == [], path
        only_itself(browser, desk.port)


_UNLABELLED = """
return [...document.querySelectorAll("input:not([type=hidden]), select, textarea, button")]
  .filter((each) => !(each.labels && each.labels.length) && !each.textContent.trim()).map((each) => each.name);
"""
_FAINT = """
const part = (c) => (c /= 255) <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
const light = (rgb) => 0.2126 * part(rgb[0]) + 0.7152 * part(rgb[1]) + 0.0722 * part(rgb[2]);
const of = (text) => text.match(/[\\d.]+/g).map(Number);
const paper = (node) => {
  for (; node; node = node.parentElement) {
    const c = of(getComputedStyle(node).backgroundColor);
    if (c.length < 4 || c[3] > 0) return c;
  }
  return [255, 255, 255];
};
const faint = [];
for (const node of document.querySelectorAll("body *")) {
  if (![...node.childNodes].some((each) => each.nodeType === 3 && each.textContent.trim())) continue;
  if (!node.checkVisibility() || node.closest(".unseen, .skip, svg")) continue;
  const a = light(of(getComputedStyle(node).color)), b = light(paper(node));
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  if (ratio < 4.5) faint.push(node.tagName + " " + node.textContent.trim().slice(0, 30) + " " + ratio.toFixed(1));
}
return faint;
"""
