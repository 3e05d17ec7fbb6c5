"""Debian's Chromium, driven by selenium: a fresh tab or browser a test, and what it asked for and complained of."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from simulate import (
    Brake,
    Lift,
    Phase,
    Pull,
    Stand,
    Turn,
)

PHONE, LAPTOP = (375, 740), (1280, 800)


@contextmanager
def chromium(tmp_path: Path, size: tuple[int, int] = LAPTOP, dark: bool = False, logs: bool = True) -> Iterator[object]:
    """A fresh browser that logs all it asks of the network and all it complains of; without, it holds no log."""
    browser = _started(tmp_path / "profile", logs)
    try:
        _seen_as(browser, size, dark)
        yield browser
    finally:
        browser.quit()


_running: dict[bool, object] = {}
"""The browsers whose tabs tests share, with and without logs."""


@contextmanager
def fresh_tab(size: tuple[int, int] = LAPTOP, dark: bool = False, logs: bool = True) -> Iterator[object]:
    """A fresh tab of a browser that serves all tests of this process, until `close_all`: no cookie, no file kept and no
    word of the log is of a test before."""
    if logs not in _running:
        _running[logs] = _started(Path(tempfile.mkdtemp(prefix="chromium-")), logs)
    browser = _running[logs]
    home = browser.current_window_handle
    browser.switch_to.new_window("tab")
    try:
        _seen_as(browser, size, dark)
        yield browser
    finally:
        for handle in [each for each in browser.window_handles if each != home]:
            browser.switch_to.window(handle)
            browser.close()
        browser.switch_to.window(home)
        for command, asked_for in (
            ("Network.clearBrowserCookies", {}),
            ("Network.clearBrowserCache", {}),
            ("Storage.clearDataForOrigin", {"origin": "*", "storageTypes": "all"}),
            ("Browser.setDownloadBehavior", {"behavior": "default"}),
        ):
            browser.execute_cdp_cmd(command, asked_for)
        for log in ("browser", "performance") if logs else ():
            browser.get_log(log)


def close_all() -> None:
    for browser in _running.values():
        browser.quit()
        shutil.rmtree(browser.capabilities["chrome"]["userDataDir"], ignore_errors=True)
    _running.clear()


def _started(profile: Path, logs: bool):
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for flag in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        f"--user-data-dir={profile}",
    ):  # fmt: skip
        options.add_argument(flag)
    if logs:
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))


def _seen_as(browser, size: tuple[int, int], dark: bool) -> None:
    width, height = size
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    if dark:
        scheme = [{"name": "prefers-color-scheme", "value": "dark"}]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme})


def asked(browser) -> list[str]:
    """Every address that the browser asked for, the page's own file apart."""
    urls = []
    for entry in browser.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            urls.append(message["params"]["request"]["url"])
    return [url for url in urls if not url.startswith(("file://", "data:", "chrome", "about:"))]


def complaints(browser) -> list[str]:
    return [entry["message"] for entry in browser.get_log("browser")]


def starts(count: int) -> list[Phase]:
    script: list[Phase] = [Stand(12)]
    for number in range(count):
        script += [Pull(22.0, launch="slip" if number % 3 else "bite"), Lift(16, 5), Brake(0, 2.2), Turn(), Stand(7)]
    return script
