"""Makes the manual's pictures, docs/manual/pictures: each screen of the first Saturday, from the sample drives.

    PYTHONPATH=.:docs:tests:tests/system:sample_logs python docs/manual_pictures.py [--only NAME...]

Terminal screens are drawn as SVG, browser screens as WebP. Needs what the tests need, tmux and chromium; takes some
four minutes, since the recorder listens to a sample drive in real time. The car is the Wren; all figures are invented.
"""

from __future__ import annotations

import argparse
import gzip
import io
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from at_the_desk import served
from chromium import chromium
from desk_pictures import store_of_the_wren, tell
from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text
from rig import PULLBOOK, Cable
from test_first_hour import Screen

from logger.store import presence

HERE = Path(__file__).parent
PICTURES = HERE / "manual" / "pictures"
FIRST_DRIVE = HERE.parent / "sample_logs" / "first-drive.jsonl.gz"
PANEL_AT_S = 152.0
"""Of the sample drive: run 2 is over, and shown; run 4 is under way."""
WIDTH = 760
"""Of a browser's picture [pixels]."""

PAPER = TerminalTheme((250, 250, 247), (25, 25, 25), [(25, 25, 25)] * 8, [(25, 25, 25)] * 8)
FORMAT = """<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>.{unique_id}-matrix {{ font: {char_height}px ui-monospace, "DejaVu Sans Mono", Menlo, Consolas, monospace; }}
{styles}</style>
<defs>{lines}</defs>
<rect width="100%" height="100%" fill="#fafaf7"/>
<g transform="translate(8, 8)">{backgrounds}<g class="{unique_id}-matrix">{matrix}</g></g>
</svg>
"""


def drawn(name: str, lines: str, width: int = 80) -> None:
    """A terminal's lines, bold and turned letters among them, as a picture."""
    console = Console(record=True, width=width, file=io.StringIO(), force_terminal=True, legacy_windows=False)
    console.print(Text.from_ansi(lines.rstrip("\n")), soft_wrap=True)
    svg = console.export_svg(theme=PAPER, code_format=FORMAT, unique_id=name)
    (PICTURES / f"{name}.svg").write_text(svg, encoding="utf-8")


def printed(store: Path, *words: str) -> str:
    asked = [*PULLBOOK, *words, "--store", str(store)]
    done = subprocess.run(asked, check=True, capture_output=True, text=True)
    return f"$ pullbook {' '.join(words)}\n{done.stdout}"


def terminal_pages(store: Path) -> None:
    drawn("runs", printed(store, "runs", "2026-04-18_091430Z"))
    drawn("mixture", printed(store, "mixture", "2026-04-18_100500Z"))


def replay(gps: Cable, mixture: Cable, began: float, over: threading.Event) -> None:
    """The bytes of the first sample drive, each at its time."""
    with gzip.open(FIRST_DRIVE, "rt", encoding="utf-8") as file:
        next(file)
        first = None
        for line in file:
            chunk = json.loads(line)
            first = chunk["t"] if first is None else first
            wait = began + chunk["t"] - first - time.monotonic()
            if over.wait(max(wait, 0.0)):
                return
            data = bytes.fromhex(chunk["hex"]) if "hex" in chunk else chunk["text"].encode() + b"\r\n"
            try:
                {"gps": gps, "mixture": mixture}[chunk["source"]].send(data)
            except BlockingIOError:  # nobody reads between the two verbs
                continue


def begin_and_panel(folder: Path) -> None:
    """A terminal of 80 by 24, two cables with the sample drive on them, and the owner's answers."""
    over, env = (
        threading.Event(),
        {"PULLBOOK_STORE": str(folder / "store"), "TZ": "UTC", "PYTHONPATH": str(HERE.parent)},
    )
    with Cable(folder / "gps") as gps, Cable(folder / "mixture") as mixture, Screen(folder, **env) as owner:
        began = time.monotonic()
        car = threading.Thread(target=replay, args=(gps, mixture, began, over), daemon=True)
        car.start()
        owner.type(f'pullbook() {{ {sys.executable} -m analysis.cli.main "$@"; }}; clear; tmux clear-history')
        time.sleep(2)
        owner.type("pullbook begin gps mixture")
        for answer in ("", "Wren", "392kg", "", "", ""):
            owner.wait(r":\s*$")
            time.sleep(0.5)
            owner.type(answer)
        shown = owner.wait(r"(?:each login.*|pullbook record\n.*)$")
        if "each login" in shown.splitlines()[-1]:
            owner.type("")
        shown = owner.wait(r"pullbook record\n.*\$\s*$")
        said = shown[shown.index("pullbook begin") :].rsplit("\n", 1)[0]
        drawn("begin", "$ " + said.replace(str(folder), "~"))
        owner.type("pullbook record")
        owner.wait("RECORDING")
        time.sleep(max(began + PANEL_AT_S - time.monotonic(), 0.0))
        drawn("panel", owner._tmux("capture-pane", "-p", "-e"))
        owner.press("C-c")
        over.set()
        car.join(10)
        time.sleep(5)


def shot(browser: Any, name: str) -> None:
    from PIL import Image

    picture = Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB")
    small = picture.resize((WIDTH, WIDTH * picture.height // picture.width))
    small.save(PICTURES / f"{name}.webp", quality=70, method=6)


def desk_pages(folder: Path, store: Path) -> None:
    wren, over = folder / "wren", threading.Event()
    store_of_the_wren(wren)
    with presence.Lock(wren), served(wren) as (desk, _), chromium(folder / "first", (1100, 720)) as browser:
        teller = threading.Thread(target=tell, args=(wren, over))
        teller.start()
        try:
            browser.get(desk.address)
            for page, name in (("/now", "desk-now"), ("/car/file/car", "desk-car")):
                browser.get(f"http://127.0.0.1:{desk.port}{page}")
                time.sleep(2)
                shot(browser, name)
        finally:
            over.set()
            teller.join()
    with served(store) as (desk, _), chromium(folder / "second", (1100, 900)) as browser:
        browser.get(desk.address)
        browser.get(f"http://127.0.0.1:{desk.port}/drive/2026-05-30_091000Z")
        time.sleep(20)
        shot(browser, "desk-drive")


def report_page(folder: Path, store: Path) -> None:
    to = folder / "report.html"
    printed(store, "report", "2026-05-30_091000Z", "--out", str(to))
    with chromium(folder / "third", (1100, 900)) as browser:
        browser.get(to.as_uri())
        time.sleep(2)
        shot(browser, "report")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--only", nargs="*", choices=["terminal", "begin", "desk", "report"])
    asked.add_argument("--store", type=Path, help="a demo's store; without it the demo is run")
    said = asked.parse_args()
    only = said.only or ["terminal", "begin", "desk", "report"]
    os.environ["COLUMNS"] = "80"
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        store = said.store or folder / "demo-store"
        if said.store is None and set(only) - {"begin"}:
            subprocess.run([*PULLBOOK, "demo", str(store)], check=True, capture_output=True)
        if "terminal" in only:
            terminal_pages(store)
        if "begin" in only:
            begin_and_panel(folder)
        if "desk" in only:
            desk_pages(folder, store)
        if "report" in only:
            report_page(folder, store)


if __name__ == "__main__":
    main()
