"""Makes the README's pictures: desk-now.webp, the Wren as it records, invented figures; desk-next.webp, what to drive
next; report.webp, a report's top.

    PYTHONPATH=.:tests:sample_logs python docs/desk_pictures.py [folder] [--all] [report.html] [--next STORE]

Needs chromium, chromium-driver and Pillow (which the program does not). `--all` makes every page at each size, light
and dark, to look at. A file ending in .html is a report, such as `pullbook report baseline "snorkel and needle"` wrote:
then only its picture is made. `--next`: only the page Next of a store, such as `pullbook demo` makes.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

from at_the_desk import Visitor, desk_open, served
from chromium import chromium

from logger.config import examples
from logger.store import front, presence

SIZES = {"laptop": (1366, 768), "phone": (390, 844)}
PAGES = ("/now", "/car", "/car/about", "/car/file/recorder", "/car/file/car", "/car/file/setup", "/help")
WIDTH = 720
"""Of a picture in the README [pixels]."""
REPORT = (900, 600)
"""Of a report's top: what is seen of it, and the size of its picture [pixels]."""


def store_of_the_wren(store: Path) -> None:
    store.mkdir(parents=True, exist_ok=True)
    (store / "recorder.toml").write_text(examples.text("recorder.toml").replace("wren.toml", "car.toml"))
    (store / "car.toml").write_text(examples.text("wren.toml"))
    (store / "targets.toml").write_text(examples.text("targets.toml"))
    (store / "setup.toml").write_text(examples.text("setups/baseline.toml"))


def tell(store: Path, over: threading.Event) -> None:
    """As a recorder does, so that the page shows one at work."""
    began = time.time()
    while not over.wait(0.2):
        sources = [
            {"name": name, "state": "open", "why": "", "last_bytes_s_ago": 0.0, "lines_per_s": rate, "port": port}
            for name, rate, port in (("gps", 50.0, "/dev/ttyACM0"), ("mixture", 20.0, "/dev/ttyUSB0"))
        ]
        presence.write_state(store, {
            "pid": os.getpid(), "since_utc": "x", "updated_utc": datetime.now(UTC).isoformat(), "state": "recording",
            "drive": "2026-05-23_091430Z", "recorded_s": 754 + time.time() - began, "free_mb": 61_400.0, "trouble": "",
            "sources": sources, "seen": {
                "mixture": "AFR 12.4", "unit": "mph", "channels": "head 183 C   battery 13.9 V",
                "last_run": "run 3, 40 mph in 9.28 s, 0.31 s quicker than the best before",
            },
        })  # fmt: skip
        front.write_figures(store, {"pid": os.getpid(), "mixture": 12.4, "mixture_channel": "afr", "speed_mps": 16.54})


def report_picture(report: Path, folder: Path) -> None:
    """The top of a report, as a picture."""
    from PIL import Image

    with tempfile.TemporaryDirectory() as made, chromium(Path(made), REPORT) as browser:
        browser.get(report.resolve().as_uri())
        time.sleep(0.8)
        shot = Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB")
        shot.save(folder / "report.webp", quality=70, method=6)


def next_picture(store: Path, folder: Path) -> None:
    """What to drive next and the jet, of a store of drives."""
    from PIL import Image

    with tempfile.TemporaryDirectory() as made, desk_open(store) as desk:
        Visitor(desk).get("/next")
        with chromium(Path(made), SIZES["laptop"]) as browser:
            browser.get(desk.address)
            browser.get(f"http://127.0.0.1:{desk.port}/next")
            time.sleep(0.8)
            shot = Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB")
            shot.resize((WIDTH, WIDTH * shot.height // shot.width)).save(
                folder / "desk-next.webp", quality=70, method=6
            )


def main(folder: Path, everything: bool) -> None:
    from PIL import Image

    with tempfile.TemporaryDirectory() as made:
        store, over = Path(made) / "store", threading.Event()
        store_of_the_wren(store)
        with presence.Lock(store):
            teller = threading.Thread(target=tell, args=(store, over))
            teller.start()
            try:
                with served(store) as (desk, _):
                    for size, dark in ((size, dark) for size in SIZES for dark in (False, True)):
                        with chromium(Path(made) / f"{size}-{dark}", SIZES[size], dark) as browser:
                            browser.get(desk.address)
                            for page in PAGES if everything else ("/now",):
                                browser.get(f"http://127.0.0.1:{desk.port}{page}")
                                time.sleep(0.8)
                                shot = Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB")
                                name = page.strip("/").replace("/", "-")
                                if everything:
                                    shot.save(folder / f"{name}-{size}-{'dark' if dark else 'light'}.png")
                                if size == "laptop" and not dark and name == "now":
                                    small = shot.resize((WIDTH, WIDTH * shot.height // shot.width))
                                    small.save(folder / "desk-now.webp", quality=70, method=6)
            finally:
                over.set()
                teller.join()


if __name__ == "__main__":
    if "--next" in sys.argv:
        at = sys.argv.index("--next")
        store = Path(sys.argv.pop(at + 1))
    names = [Path(word) for word in sys.argv[1:] if not word.startswith("--")]
    reports = [name for name in names if name.suffix == ".html"]
    folder = next((name for name in names if name not in reports), Path(__file__).parent)
    for report in reports:
        report_picture(report, folder)
    if "--next" in sys.argv:
        next_picture(store, folder)
    elif not reports:
        main(folder, "--all" in sys.argv)
