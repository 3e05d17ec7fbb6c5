"""Eight hours of the live page in Debian's Chromium: neither the page's memory nor the desk's grows.

Run with `-m browser`, the whole with `-m "browser and long"`. Needs chromium and chromium-driver.
"""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pytest
from busy_desk import EIGHT_HOURS, busy_desk, megabytes, renderers
from chromium import chromium

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(
        not (shutil.which("chromium") and shutil.which("chromedriver")), reason="chromium is not installed"
    ),
    pytest.mark.timeout(5400),
]
PARTS = 10
SMALL = (390, 320)
"""A window that is soon painted: events, not painting, are to fill the time."""
_COUNT = """
window.told = 0;
new MutationObserver(() => window.told++).observe(
  document.querySelector("[data-stream]"), {childList: true, characterData: true, subtree: true});
"""


@pytest.mark.parametrize("events", [3000, pytest.param(EIGHT_HOURS, marks=pytest.mark.long)])
def test_a_page_that_stays_open_all_day_leaves_memory_flat(tmp_path: Path, events: int) -> None:
    """The page's heap after its rubbish is collected, its nodes and listeners, both processes' memory."""
    rows = []
    with busy_desk(tmp_path / "store") as (process, address), chromium(tmp_path, SMALL, logs=False) as browser:
        browser.get(address)
        browser.execute_script(_COUNT)
        for part in range(1, PARTS + 1):
            while (told := browser.execute_script("return window.told")) < part * events / PARTS:
                time.sleep(max(0.2, events / 100_000))  # each question leaves something of its own in the heap
            browser.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
            heap = browser.execute_cdp_cmd("Runtime.getHeapUsage", {})["usedSize"] / 1e6
            dom = browser.execute_cdp_cmd("Memory.getDOMCounters", {})
            drawn = sum(megabytes(each) for each in renderers(browser.service.process.pid))
            rows.append((told, heap, dom["nodes"], dom["jsEventListeners"], drawn, megabytes(process.pid)))
            print("events {}: heap {:.2f} MB, nodes {}, listeners {}, renderer {:.1f} MB, desk {:.1f} MB".format(
                *rows[-1]), flush=True)  # fmt: skip
        assert "lost" not in browser.find_element("css selector", "[data-stream]").get_attribute("class")
    early, late = rows[2], rows[-1]
    assert late[1] - early[1] < 0.5, rows
    assert late[2] <= early[2] + 100 and late[3] <= early[3], rows
    assert late[4] - early[4] < 10, rows
    assert late[5] - early[5] < 2, rows
