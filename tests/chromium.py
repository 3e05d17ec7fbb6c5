"""Debian's Chromium, driven by selenium: a fresh browser a test, and what it asked for and complained of."""

from __future__ import annotations

import json
import shutil
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
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for flag in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        f"--user-data-dir={tmp_path / 'profile'}",
    ):  # fmt: skip
        options.add_argument(flag)
    if logs:
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        width, height = size
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
        )
        if dark:
            scheme = [{"name": "prefers-color-scheme", "value": "dark"}]
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme})
        yield browser
    finally:
        browser.quit()


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
