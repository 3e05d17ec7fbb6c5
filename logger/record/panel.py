"""What the driver's mate sees: the live panel on a terminal, plain log lines without one.

The panel is drawn for a passenger at arm's length in sunlight: the mixture and the speed in figures of solid blocks,
bold on plain ground, with a key that turns dark on light into light on dark. It fits 80 by 24 and grows with the
window; it uses no colour at all. Only rows that changed are sent, so that it serves over a slow ssh line too.
"""

from __future__ import annotations

import contextlib
import math
import os
import sys
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TextIO

from logger.decode.clock import monotonic_ns
from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record.alerts import Alert
from logger.record.live import Doubts, Listener, Place
from logger.units import MB_PER_GB, NS_PER_S, S_PER_HOUR, S_PER_MINUTE, SPEED_UNITS

STALE_NS = 2_000_000_000
CAUTIONS_S = 30.0

CAUTIONS = """\
On public roads the driver drives; a passenger looks after this laptop. Obey
the law of the place: where it is not allowed, record on private ground.
Secure laptop and cables so that nothing can slide, fly or catch a belt.
Exhaust gas kills: seal the sensor's bung, never run the engine indoors.
Petrol, hot pipes and belts burn and maim: engine off before hands go in.
Near its limits and while warming up a wideband's reading is no reading:
never lean a jet on it alone. If in doubt, ask someone qualified.
All this stands in README.md as well."""


@dataclass(frozen=True)
class Shown:
    """Which quantities the figures show."""

    mixture: Place | None
    speed: str | None
    """The GPS source whose speed is shown."""
    speed_unit: str = "mph"


class Panel(Listener):
    """Draws the panel on each tick. `status` gives what `Recorder.status` gives; `note` takes a note as typed."""

    def __init__(
        self,
        terminal: Terminal,
        shown: Shown,
        status: Callable[[], dict[str, Any]],
        note: Callable[[str, int], None],
        lean: Alert | None = None,
        doubts: Doubts | None = None,
        bell: bool = True,
        cautions: bool = False,
    ) -> None:
        self._doubts = doubts
        self._terminal, self._shown, self._status, self._note, self._lean = terminal, shown, status, note, lean
        self._bell = bell
        self._cautions_until_ns = monotonic_ns() + int(CAUTIONS_S * NS_PER_S) if cautions else 0
        self._mixture, self._mixture_ns, self._void = math.nan, 0, ""
        self._speed: float | None = None
        self._speed_ns = 0
        self._satellites: int | None = None
        self._last_run = ""
        self._said = ""
        self._typing: str | None = None
        self._typing_ns = 0
        self._marks = 0
        self._alerted = False

    def on_fix(self, source: str, fix: Fix) -> None:
        if source == self._shown.speed:
            self._speed = fix.speed_mps if fix.valid else None
            self._speed_ns, self._satellites = fix.mono_ns, fix.satellites

    def on_reading(self, source: str, reading: Reading) -> None:
        if self._shown.mixture is not None and source == self._shown.mixture.source:
            self._mixture, self._void = reading.values[self._shown.mixture.at], reading.void or ""
            self._mixture_ns = reading.mono_ns

    def on_event(self, mono_ns: int, said: dict[str, Any]) -> None:
        if said["event"] == "run":
            self._last_run = str(said["text"])
        elif line := event_line(said):
            self._said = f"{local_time(said)} {line.splitlines()[0]}"

    def on_tick(self, now_ns: int) -> None:
        for key in self._terminal.typed():
            self._press(key, now_ns)
        alert = self._lean.alert if self._lean is not None else ""
        if alert and not self._alerted and self._bell:
            self._terminal.bell()
        self._alerted = bool(alert)
        width, height = self._terminal.size()
        self._terminal.draw(self._lines(width, height, now_ns, alert))

    def stop(self) -> None:
        self._terminal.close()

    # --- keys -----------------------------------------------------------------------------------------------------

    def _press(self, key: str, now_ns: int) -> None:
        self._cautions_until_ns = 0
        if self._typing is not None:
            self._type(key)
        elif key in {"n", "N"}:
            self._typing, self._typing_ns = "", now_ns
        elif key in {"m", "M", " "}:
            self._marks += 1
            self._note(f"mark {self._marks}", now_ns)
        elif key in {"l", "L"}:
            self._terminal.turn()
        elif key in {"b", "B"}:
            self._bell = not self._bell

    def _type(self, key: str) -> None:
        text = self._typing or ""
        if key in "\r\n":
            if text.strip():
                # The note belongs to the moment it was begun, not to that of the last letter.
                self._note(text.strip(), self._typing_ns)
            self._typing = None
        elif key == "\x1b":
            self._typing = None
        elif key in "\x7f\b":
            self._typing = text[:-1]
        elif key.isprintable() and len(text) < 500:
            self._typing = text + key

    # --- drawing --------------------------------------------------------------------------------------------------

    def _lines(self, width: int, height: int, now_ns: int, alert: str) -> list[PanelRow]:
        status = self._status()
        lines = [self._head(status, width), PanelRow("")]
        cautions = now_ns < self._cautions_until_ns
        if cautions:
            lines += [PanelRow("  " + text) for text in ("BEFORE YOU DRIVE", *CAUTIONS.splitlines(), "(any key)")]
        else:
            lines += self._figures(width, height - 14, now_ns)
        lines.append(PanelRow(""))
        lines.append(PanelRow(f" {alert} ".center(width), reverse=True, bold=True) if alert else PanelRow(""))
        lines.append(PanelRow(f" last run: {self._last_run}" if self._last_run else "", bold=True))
        lines.append(PanelRow(""))
        room = max(1, height - len(lines) - 2)
        sources = status["sources"]
        doubts = self._doubts.sources if self._doubts is not None else set()
        lines += [_source_line(source, source["name"] in doubts) for source in sources[:room]]
        if len(sources) > room:
            lines[-1] = PanelRow(f" and {len(sources) - room + 1} more: pullbook status")
        lines += [PanelRow("")] * (height - len(lines) - 2)
        lines.append(PanelRow(f" {self._said}"))
        if self._typing is not None:
            tail = self._typing[-(width - 32) :] if width > 40 else self._typing[-8:]
            lines.append(PanelRow(f" note: {tail}_   (Enter keeps, Esc drops)", bold=True))
        else:
            bell = "on" if self._bell else "off"
            lines.append(PanelRow(f" n note   m mark   l light/dark   b bell ({bell})   Ctrl-C stop"))
        return lines[:height]

    def _head(self, status: dict[str, Any], width: int) -> PanelRow:
        state = str(status["state"]).upper()
        if status["trouble"]:
            state += f": {status['trouble']}"
        left = f" {state}"
        if status["recorded_s"] is not None:
            left += f"  {clock_time(status['recorded_s'])}"
        right = f"{status['free_mb'] / MB_PER_GB:.1f} GB free  {datetime.now():%H:%M} "
        space = width - len(left) - len(right)
        return PanelRow(left + " " * space + right if space > 0 else left, bold=True, reverse=bool(status["trouble"]))

    def _figures(self, width: int, room: int, now_ns: int) -> list[PanelRow]:
        half = width // 2
        scale = max(1, min((half - 2) // FIGURE_WIDTH, room // 9))
        mixture, about = self._mixture_said(now_ns)
        speed, about_speed = self._speed_said(now_ns)
        left, right = figure(mixture, scale), figure(speed, scale)
        rows = [
            PanelRow("  " + one.ljust(half - 2)[: half - 2] + "  " + two, bold=True)
            for one, two in zip(left, right, strict=True)
        ]
        return [PanelRow(f"  {about}".ljust(half)[:half] + f"  {about_speed}", bold=True), PanelRow(""), *rows]

    def _mixture_said(self, now_ns: int) -> tuple[str, str]:
        if self._shown.mixture is None:
            return "", "no mixture source"
        name = "AFR" if self._shown.mixture.channel == "afr" else "lambda"
        if now_ns - self._mixture_ns > STALE_NS:
            return "--.-", f"{name}: nothing comes"
        if math.isnan(self._mixture):
            return "--.-", f"{name}: void ({self._void})"
        return (f"{self._mixture:.1f}" if name == "AFR" else f"{self._mixture:.2f}"), name

    def _speed_said(self, now_ns: int) -> tuple[str, str]:
        unit = self._shown.speed_unit
        if self._shown.speed is None:
            return "", "no GPS source"
        if now_ns - self._speed_ns > STALE_NS:
            return "--", f"{unit}: nothing comes"
        if self._speed is None:
            return "--", f"{unit}: no fix"
        return f"{self._speed / SPEED_UNITS[unit]:.0f}", unit


def _source_line(source: dict[str, Any], in_doubt: bool = False) -> PanelRow:
    """One source in one row of 80: name, how it is, rate, age of its last bytes, port or what is wrong."""
    ago = source["last_bytes_s_ago"]
    if source["state"] != "open":
        return PanelRow(
            f" {source['name']:<12.12} {source['state'].upper():<8} {source['why']}", reverse=ago is not None
        )
    if ago is None or ago > 3:
        said = "SILENT" if ago is None else f"SILENT {ago:.0f} s"
        return PanelRow(f" {source['name']:<12.12} {said:<12} {source['port']} at {source['baud']}", reverse=True)
    if in_doubt:
        said = f"NO SENSE in it at {source['baud']} baud from {source['port']}"
        return PanelRow(f" {source['name']:<12.12} {said}", reverse=True)
    rate = f"{source['lines_per_s']:.0f}/s" if source["lines_per_s"] else f"{source['bytes_per_s']:.0f} B/s"
    return PanelRow(f" {source['name']:<12.12} ok {rate:>9}   {source['port']} at {source['baud']}")


def clock_time(seconds: float) -> str:
    """A length of time [s] as h:mm:ss."""
    minutes, rest = divmod(int(seconds), S_PER_MINUTE)
    return f"{minutes // (S_PER_HOUR // S_PER_MINUTE)}:{minutes % (S_PER_HOUR // S_PER_MINUTE):02d}:{rest:02d}"


# --- large figures ------------------------------------------------------------------------------------------------

FIGURE_WIDTH = 34
"""Columns of the widest figure shown, such as 13.2 or 0.88, at scale 1."""

# The seven strokes of a figure on a grid of 4 by 7: top, upper left and right, middle, lower left and right, bottom.
_STROKES = {
    "0": "1110111", "1": "0010010", "2": "1011101", "3": "1011011", "4": "0111010", "5": "1101011", "6": "1101111",
    "7": "1010010", "8": "1111111", "9": "1111011", "-": "0001000", " ": "0000000",
}  # fmt: skip


def figure(text: str, scale: int = 1) -> list[str]:
    """`text` (digits, - and .) as 7 x `scale` rows of blocks; each dot of the grid is 2 columns by 1 row, scaled."""
    rows = [""] * 7
    for letter in text:
        dots = ["", "", "", "", "", "", "#"] if letter == "." else _dots(_STROKES[letter])
        wide = max(map(len, dots))
        rows = [row + line.ljust(wide + 1) for row, line in zip(rows, dots, strict=True)]
    drawn = ["".join(("█" if dot == "#" else " ") * (2 * scale) for dot in row) for row in rows]
    return [row for row in drawn for _ in range(scale)]


def _dots(strokes: str) -> list[str]:
    top, upper_left, upper_right, middle, lower_left, lower_right, bottom = (stroke == "1" for stroke in strokes)

    def bar(on: bool, left: bool, right: bool) -> str:
        ends = ["#" if end else " " for end in (on or left, on or right)]
        return ends[0] + ("##" if on else "  ") + ends[1]

    def sides(left: bool, right: bool) -> str:
        return ("#" if left else " ") + "  " + ("#" if right else " ")

    return [
        bar(top, upper_left, upper_right), *[sides(upper_left, upper_right)] * 2,
        bar(middle, upper_left or lower_left, upper_right or lower_right), *[sides(lower_left, lower_right)] * 2,
        bar(bottom, lower_left, lower_right),
    ]  # fmt: skip


# --- the terminal -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PanelRow:
    """One row of the panel."""

    text: str
    bold: bool = False
    reverse: bool = False


class Terminal:
    """A screen of rows and a keyboard without Enter. What cannot be shown any more (a closed window) is let go."""

    def __init__(self, out: TextIO | None = None, keyboard: TextIO | None = None) -> None:
        self._out = (out or sys.stdout).fileno()
        self._encoding = (out or sys.stdout).encoding or "ascii"
        self._keys = _keyboard((keyboard or sys.stdin).fileno())
        self._rows: list[str] = []
        self._size = (0, 0)
        self._light = False
        self._open = True
        self._write("\x1b[?1049h\x1b[?25l")  # a screen of its own, no cursor (ECMA-48 private modes, as xterm has them)

    @staticmethod
    def usable() -> bool:
        """Whether there is a terminal, in the foreground, that understands control sequences."""
        try:
            if not (sys.stdin.isatty() and sys.stdout.isatty()) or os.environ.get("TERM") == "dumb":
                return False
            if os.name == "nt":
                return _windows_understands()
            # A job in the background must not touch the terminal: the shell would stop it.
            return os.tcgetpgrp(sys.stdout.fileno()) == os.getpgrp()
        except (OSError, ValueError, AttributeError):
            return False

    def size(self) -> tuple[int, int]:
        """Columns and rows, 80 by 24 where the terminal does not say; at least 40 by 12 are drawn for."""
        columns, rows = 0, 0
        with contextlib.suppress(OSError):
            columns, rows = os.get_terminal_size(self._out)
        return max(columns or 80, 40), max(rows or 24, 12)

    def draw(self, lines: Sequence[PanelRow]) -> None:
        """Show `lines`; only rows that changed are sent."""
        size = self.size()
        if size != self._size:
            self._size, self._rows = size, []
            self._write("\x1b[2J")
        rows = [self._styled(line, size[0]) for line in lines]
        if changed := [
            f"\x1b[{number + 1};1H{row}"
            for number, row in enumerate(rows)
            if number >= len(self._rows) or row != self._rows[number]
        ]:
            self._write("".join(changed))
        self._rows = rows

    def turn(self) -> None:
        """Light on dark becomes dark on light, and back."""
        self._light, self._rows = not self._light, []

    def typed(self) -> str:
        """What was typed since the last call, a letter for each key; unknown keys are left out."""
        return self._keys.read()

    def bell(self) -> None:
        self._write("\a")

    def close(self) -> None:
        """Give the screen and the keyboard back."""
        if self._open:
            self._write("\x1b[0m\x1b[?25h\x1b[?1049l")
            self._keys.close()
            self._open = False

    def _styled(self, line: PanelRow, width: int) -> str:
        text = line.text if self._encoding.lower().startswith("utf") else line.text.replace("█", "#")
        text = fitted(text, width)
        codes = ("1;" if line.bold else "") + ("7" if line.reverse != self._light else "27")
        return f"\x1b[0;{codes}m{text}\x1b[0m"

    def _write(self, text: str) -> None:
        data = text.encode(self._encoding, "replace")
        while data and self._open:
            try:
                data = data[os.write(self._out, data) :]
            except BlockingIOError:
                return  # a terminal that takes nothing: this picture is lost, the next may be seen
            except OSError:  # the window was closed
                self._open = False


def fitted(text: str, width: int) -> str:
    """`text` cut or filled to `width` columns; control characters from outside (notes, errors) are made harmless."""
    kept, used = [], 0
    for letter in text:
        if not letter.isprintable():
            letter = "?"
        wide = 0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        if used + wide > width:
            break
        kept.append(letter)
        used += wide
    return "".join(kept) + " " * (width - used)


class _PosixKeys:
    """The keyboard without Enter and echo; Ctrl-C stays a signal."""

    def __init__(self, descriptor: int) -> None:
        import termios

        self._descriptor = descriptor
        self._before: Any = None
        with contextlib.suppress(termios.error):
            self._before = termios.tcgetattr(descriptor)
            changed = termios.tcgetattr(descriptor)
            changed[3] &= ~(termios.ICANON | termios.ECHO)
            termios.tcsetattr(descriptor, termios.TCSADRAIN, changed)

    def read(self) -> str:
        import select

        data = b""
        with contextlib.suppress(OSError, ValueError):
            while select.select([self._descriptor], [], [], 0)[0] and (more := os.read(self._descriptor, 1024)):
                data += more
        text = data.decode("utf-8", "ignore")
        return text if text == "\x1b" else _without_sequences(text)

    def close(self) -> None:
        import termios

        if self._before is not None:
            with contextlib.suppress(termios.error):
                termios.tcsetattr(self._descriptor, termios.TCSANOW, self._before)


class _WindowsKeys:
    def read(self) -> str:
        import msvcrt

        typed = ""
        while msvcrt.kbhit():  # type: ignore[attr-defined]
            letter = msvcrt.getwch()  # type: ignore[attr-defined]
            if letter in "\x00\xe0":  # an arrow or function key: its second half says which
                msvcrt.getwch()  # type: ignore[attr-defined]
            else:
                typed += letter
        return typed

    def close(self) -> None:
        pass


def _keyboard(descriptor: int) -> _PosixKeys | _WindowsKeys:
    return _WindowsKeys() if os.name == "nt" else _PosixKeys(descriptor)


def _without_sequences(text: str) -> str:
    """Arrow and function keys send ESC [ ... letter: they are no keys of ours."""
    import re

    return re.sub(r"\x1b[\[O][0-9;]*[ -/]*[@-~]", "", text)


def _windows_understands() -> bool:
    """Ask the Windows console to follow control sequences; False where it cannot."""
    import ctypes

    kernel = ctypes.windll.kernel32  # type: ignore[attr-defined]
    handle, mode = kernel.GetStdHandle(-11), ctypes.c_uint32()
    if not kernel.GetConsoleMode(handle, ctypes.byref(mode)):
        return False
    return bool(kernel.SetConsoleMode(handle, mode.value | 0x0004))


# --- without a terminal -------------------------------------------------------------------------------------------


class LogLines(Listener):
    """Plain lines for a log or a pipe: one for each thing that happens, and the lean alert when it begins."""

    def __init__(self, out: TextIO | None = None, lean: Alert | None = None, cautions: bool = False) -> None:
        self._out, self._lean, self._alerted = out or sys.stdout, lean, False
        if cautions:
            self._say(CAUTIONS)

    def on_event(self, mono_ns: int, said: dict[str, Any]) -> None:
        if line := event_line(said):
            self._say(f"{local_time(said)} {line}")

    def on_tick(self, now_ns: int) -> None:
        alert = self._lean.alert if self._lean is not None else ""
        if alert and not self._alerted:
            self._say(f"{datetime.now():%H:%M:%S} {alert}")
        self._alerted = bool(alert)

    def _say(self, line: str) -> None:
        self._out.write(f"{line}\n")
        self._out.flush()


class Kept(Listener):
    """Keeps what was said of finished drives, to be printed when the panel has given the screen back."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    def on_event(self, mono_ns: int, said: dict[str, Any]) -> None:
        if said["event"] == "closed":
            self.texts.append(str(said["text"]))


def event_line(said: dict[str, Any]) -> str:
    """An event in words; "" for those that need none."""
    source, why = said.get("source", ""), said.get("why", "")
    match said["event"]:
        case "state":
            return f"{said['state']}" + (f": {why}" if why else "")
        case "opened":
            return f"{source}: open on {said['port']} at {said['baud']}"
        case "found":
            return f"{source}: back on {said['port']} after {said['away_s']:.1f} s"
        case "lost":
            return f"{source}: LOST: {why}"
        case "sent":
            return f"{source}: sent {said['text']!r}"
        case "note":
            return f"note: {said['text']}"
        case "wall" if "jumped_s" in said:
            return f"the computer's clock jumped by {said['jumped_s']:+.1f} s"
        case "resumed":
            return f"the computer slept for {said['slept_s']:.0f} s"
        case "room again":
            return f"the disk takes bytes again ({why}); lost meanwhile: {said['lost_bytes']} bytes"
        case "ended" if "drive" in said:
            return f"drive {said['drive']} ended: {why}"
        case "closed" | "run" | "doubt":
            return str(said["text"])
    return ""


def local_time(said: dict[str, Any]) -> str:
    """The event's time of day by the computer's wall clock."""
    return datetime.fromisoformat(said["utc"]).astimezone().strftime("%H:%M:%S")
