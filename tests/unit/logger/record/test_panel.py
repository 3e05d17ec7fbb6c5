"""The panel at 80 by 24 and other sizes: what it shows, what its keys do, what it sends to a real pseudo-terminal."""

from __future__ import annotations

import array
import contextlib
import io
import os
import re
import select
import time
from pathlib import Path
from typing import Any

import pytest

from analysis.mixture.lean_alert import LeanWatch
from logger.config.recorder import RecorderSettings
from logger.decode.clock import monotonic_ns
from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record import panel
from logger.record.live import Place
from logger.record.panel import LogLines, Panel, Shown, figure
from logger.record.terminal import PanelRow, Terminal, fitted

with contextlib.suppress(ImportError):  # Windows
    import fcntl
    import termios

posix = pytest.mark.skipif(os.name != "posix", reason="a pseudo-terminal is needed")
AFR = Place("mixture", 0, "afr")


class Screen:
    """Takes the place of a terminal and keeps what was drawn; the real one is held to its word below."""

    def __init__(self, size: tuple[int, int] = (80, 24)) -> None:
        self._size, self.waiting, self.rows, self.bells, self.turned, self.closed = size, "", [], 0, 0, False
        self.lines: list[PanelRow] = []

    def size(self) -> tuple[int, int]:
        return self._size

    def typed(self) -> str:
        typed, self.waiting = self.waiting, ""
        return typed

    def draw(self, lines: list[PanelRow]) -> None:
        self.lines = lines
        self.rows = [fitted(line.text, self._size[0]) for line in lines]

    def bell(self) -> None:
        self.bells += 1

    def turn(self) -> None:
        self.turned += 1

    def close(self) -> None:
        self.closed = True

    @property
    def text(self) -> str:
        return "\n".join(self.rows)


def status(**changes: Any) -> dict[str, Any]:
    source = {"name": "gps", "state": "open", "port": "/dev/ttyACM0", "baud": 38400, "why": "", "lines_per_s": 50.0,
              "bytes_per_s": 3500.0, "last_bytes_s_ago": 0.1}  # fmt: skip
    lost = {**source, "name": "mixture", "state": "lost", "why": "/dev/ttyUSB0 was lost"}
    silent = {**source, "name": "board", "last_bytes_s_ago": 12.0}
    return {"state": "recording", "recorded_s": 754.2, "free_mb": 84_000.0, "trouble": "",
            "sources": [source, lost, silent], **changes}  # fmt: skip


def at(screen: Screen, changes: dict[str, Any] | None = None, **options: Any) -> tuple[Panel, list[tuple[str, int]]]:
    notes: list[tuple[str, int]] = []
    shown = Shown(AFR, "gps", "mph")
    return Panel(
        screen,  # type: ignore[arg-type]
        shown,
        lambda: status(**(changes or {})),
        lambda text, mono_ns: notes.append((text, mono_ns)),
        **options,
    ), notes


def fix(mono_ns: int, speed_mps: float | None, valid: bool = True) -> Fix:
    return Fix(mono_ns, None, None, None, None, None, None, speed_mps, None, valid, *[None] * 5)


def test_what_a_passenger_sees() -> None:
    screen, now = Screen(), monotonic_ns()
    shown, _ = at(screen)
    shown.on_fix("gps", fix(now, 21.0))
    shown.on_reading("mixture", Reading(now, (13.17, 0.9), None))
    shown.on_event(now, {"event": "run", "utc": "2026-05-02T09:00:00+00:00", "text": "0 to 40 mph in 9.40 s"})
    shown.on_tick(now)
    assert len(screen.rows) == 24
    assert {len(row) for row in screen.rows} == {80}
    assert re.search(r"RECORDING +0:12:34 +84\.0 GB free +\d\d:\d\d", screen.rows[0])
    for row in figure("13.2"):
        assert any(row.rstrip() in drawn for drawn in screen.rows)
    for row in figure("47"):  # 21 m/s are 46.98 mph
        assert any(row.rstrip() in drawn for drawn in screen.rows)
    assert "last run: 0 to 40 mph in 9.40 s" in screen.text
    assert re.search(r"gps +ok +50/s", screen.text)
    assert re.search(r"mixture +LOST +/dev/ttyUSB0 was lost", screen.text)
    assert re.search(r"board +SILENT 12 s", screen.text)


@pytest.mark.parametrize("size", [(80, 24), (40, 12), (200, 60), (100, 30)])
def test_it_fits(size: tuple[int, int]) -> None:
    for trouble in ("", "No space left on device"):
        screen, now = Screen(size), monotonic_ns()
        shown, _ = at(screen, {"trouble": trouble, "sources": status()["sources"] * 5}, cautions=True)
        for tick in (now, now + 60 * 10**9):
            shown.on_tick(tick)
            assert len(screen.rows) <= size[1]
            assert trouble in screen.rows[0] if size[0] >= 80 else True


def test_the_figures_grow_with_the_window() -> None:
    screen, now = Screen((200, 60)), monotonic_ns()
    shown, _ = at(screen)
    shown.on_reading("mixture", Reading(now, (13.2,), None))
    shown.on_tick(now)
    assert any(row in screen.text for row in (figure("13.2", 2)[0].rstrip(),))


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        (None, "AFR: no data"),
        (Reading(0, (13.2,), None), "AFR: no data"),  # long ago
        (Reading(-1, (float("nan"),), "status"), "AFR: no reading (status)"),
    ],
)
def test_a_value_that_is_none_is_not_shown_as_one(reading: Reading | None, said: str) -> None:
    screen, now = Screen(), monotonic_ns()
    shown, _ = at(screen)
    if reading is not None:
        shown.on_reading("mixture", reading._replace(mono_ns=now if reading.mono_ns < 0 else now - 10**10))
    shown.on_fix("gps", fix(now, 20.0, valid=False))
    shown.on_tick(now)
    assert said in screen.text
    assert "mph: no fix" in screen.text
    assert figure("--.-")[3].rstrip() in screen.text


def test_cautions_stay_until_a_key_or_half_a_minute() -> None:
    for leave_by_key in (True, False):
        screen, now = Screen(), monotonic_ns()
        shown, _ = at(screen, cautions=True)
        shown.on_tick(now)
        for caution in panel.CAUTIONS.splitlines():
            assert caution in screen.text
        screen.waiting = "x" if leave_by_key else ""
        shown.on_tick(now if leave_by_key else now + 31 * 10**9)
        assert "Exhaust gas" not in screen.text


def test_notes_typed_marked_and_dropped() -> None:
    screen, now = Screen(), monotonic_ns()
    shown, notes = at(screen)
    screen.waiting = "m"
    shown.on_tick(now)
    screen.waiting = "nbelt slipss"
    shown.on_tick(now + 1)
    assert "note: belt slipss_" in screen.text
    screen.waiting = "\x7f at 30\r"
    shown.on_tick(now + 2)
    screen.waiting = "nnever mind\x1b"
    shown.on_tick(now + 3)
    screen.waiting = "n  \r"
    shown.on_tick(now + 4)
    # A note belongs to the moment it was begun.
    assert notes == [("mark 1", now), ("belt slips at 30", now + 1)]


def test_the_bell_rings_once_an_alert_and_can_be_turned_off() -> None:
    watch = LeanWatch(RecorderSettings(), 12.5, AFR)
    screen, now = Screen(), monotonic_ns()
    shown, _ = at(screen, lean=watch)
    for alert in ("", "LEAN AT HIGH LOAD: 14.1", "LEAN AT HIGH LOAD: 14.2", "", "LEAN AT HIGH LOAD: 14.0"):
        watch.alert = alert
        shown.on_tick(now)
        assert any(line.reverse and alert in line.text for line in screen.lines) is bool(alert) or not alert
    assert screen.bells == 2
    watch.alert, screen.waiting = "", "b"
    shown.on_tick(now)
    watch.alert = "LEAN AT HIGH LOAD: 14.0"
    shown.on_tick(now)
    assert screen.bells == 2
    screen.waiting = "l"
    shown.on_tick(now)
    assert screen.turned == 1


def test_figures_are_told_apart() -> None:
    drawn = {digit: "\n".join(figure(digit)) for digit in "0123456789-"}
    assert len(set(drawn.values())) == 11
    assert {len(figure(digit)) for digit in drawn} == {7}
    assert max(map(len, figure("88.8"))) <= panel.FIGURE_WIDTH


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("abc", "abc  "),
        ("abcdefgh", "abcde"),
        ("a\x1b[2Jb", "a?[2J"),  # a note cannot steer the terminal
        ("日本語", "日本 "),
        ("e\u0301e", "e\u0301e   "),
        ("\t\n", "??   "),
    ],
)
def test_fitted(text: str, shown: str) -> None:
    assert fitted(text, 5) == shown


# --- the real terminal --------------------------------------------------------------------------------------------


def sent(master: int) -> str:
    """All that was written to the other side: the kernel hands it over in pieces, a moment later."""
    data = b""
    while select.select([master], [], [], 5.0 if not data else 0.3)[0]:
        data += os.read(master, 65536)
    return data.decode()


def type_in(master: int, slave: int, keys: bytes) -> None:
    """Type `keys`, and wait until they have come through."""
    os.write(master, keys)
    waiting = array.array("i", [0])
    deadline = time.monotonic() + 5.0
    while waiting[0] < len(keys) and time.monotonic() < deadline:
        fcntl.ioctl(slave, termios.FIONREAD, waiting)
        time.sleep(0.01)


@posix
def test_a_real_terminal_gets_only_rows_that_changed_and_is_given_back(tmp_path: Path) -> None:
    master, slave = os.openpty()
    before = termios.tcgetattr(slave)
    with open(slave, "r+b", buffering=0, closefd=False) as raw:
        out = io.TextIOWrapper(raw, encoding="utf-8")
        terminal = Terminal(out, out)
        assert terminal.size() == (80, 24)  # a pseudo-terminal that was told no size
        terminal.draw([PanelRow("one", bold=True), PanelRow("two"), PanelRow("█")])
        first = sent(master)
        assert first.startswith("\x1b[?1049h\x1b[?25l") and "one" in first and "█" in first
        terminal.draw([PanelRow("one", bold=True), PanelRow("2"), PanelRow("█")])
        second = sent(master)
        assert "\x1b[2;1H" in second and "2 " in second and "one" not in second and "█" not in second
        assert not re.search(r"\x1b\[[0-9;]*(3[0-8]|4[0-8]|9[0-7]|10[0-7])[;m]", first + second)  # no colour at all
        type_in(master, slave, b"n\x1b[A\x1b[15~x")  # an arrow and a function key are no keys of ours
        assert terminal.typed() == "nx"
        type_in(master, slave, b"\x1b")
        assert terminal.typed() == "\x1b"
        terminal.turn()
        terminal.draw([PanelRow("one"), PanelRow("2"), PanelRow("█")])
        assert "\x1b[0;7m" in sent(master)
        terminal.close()
        assert sent(master).endswith("\x1b[?1049l")
        assert termios.tcgetattr(slave) == before
        out.detach()
    os.close(master)
    os.close(slave)


@posix
def test_a_closed_window_is_let_go() -> None:
    master, slave = os.openpty()
    with open(slave, "r+b", buffering=0, closefd=False) as raw:
        out = io.TextIOWrapper(raw, encoding="utf-8")
        terminal = Terminal(out, out)
        os.close(master)
        terminal.draw([PanelRow("one")])
        terminal.draw([PanelRow("two")])
        assert terminal.typed() == ""
        terminal.close()
        out.detach()
    os.close(slave)


@pytest.mark.parametrize(
    ("said", "line"),
    [
        ({"event": "state", "state": "no room on the disk", "why": "full"}, "no room on the disk: full"),
        ({"event": "opened", "source": "gps", "port": "/dev/x", "baud": 9600}, "gps: open on /dev/x at 9600"),
        ({"event": "found", "source": "gps", "port": "/dev/y", "away_s": 3.21}, "gps: back on /dev/y after 3.2 s"),
        ({"event": "lost", "source": "gps", "why": "gone"}, "gps: LOST: gone"),
        ({"event": "sent", "source": "gps", "text": "$X\\r\\n"}, r"gps: sent '$X\\r\\n'"),
        ({"event": "note", "text": "hill"}, "note: hill"),
        ({"event": "wall"}, ""),
        ({"event": "wall", "jumped_s": -3600.0}, "the computer's clock jumped by -3600.0 s"),
        ({"event": "resumed", "slept_s": 61.4}, "the computer slept for 61 s"),
        ({"event": "ended", "why": "x"}, ""),
        ({"event": "ended", "drive": "d", "why": "the car was parked"}, "drive d ended: the car was parked"),
        ({"event": "closed", "text": "drive d is closed"}, "drive d is closed"),
        ({"event": "unheard of"}, ""),
    ],
)
def test_events_in_words(said: dict[str, Any], line: str) -> None:
    assert panel.event_line(said) == line
    out = io.StringIO()
    LogLines(out).on_event(0, {"utc": "2026-05-02T09:00:00+00:00", **said})
    assert out.getvalue().endswith(f" {line}\n") if line else out.getvalue() == ""
