"""What the driver's mate sees: the live panel on a terminal, plain log lines without one.

The panel is drawn for a passenger at arm's length in sunlight: the mixture and the speed in figures of solid blocks,
bold on plain ground, with a key that turns dark on light into light on dark. It fits 80 by 24 and grows with the
window; it uses no colour at all. Only rows that changed are sent, so that it serves over a slow ssh line too.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, TextIO

from logger.decode.clock import monotonic_ns
from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record.alerts import Alert
from logger.record.live import STALE_NS, Doubts, Listener, Place
from logger.record.terminal import PanelRow, Terminal
from logger.record.watched import ChannelWatch
from logger.text import safe
from logger.units import MB_PER_GB, NS_PER_S, S_PER_HOUR, S_PER_MINUTE, SPEED_UNITS
from logger.zone import local_clock

CAUTIONS_S = 30.0

CAUTIONS = """\
On public roads the driver drives; a passenger looks after this laptop.
Obey the local law. Where timed runs are not allowed, use private ground.
Secure laptop and cables so that nothing can slide, fly or catch a belt.
Exhaust gas kills: seal the sensor's bung, never run the engine indoors.
Petrol, hot pipes and belts burn and maim: engine off before hands go in.
Near its limits and while warming up a wideband does not read true:
never lean a jet on it alone. If in doubt, ask someone qualified.
README.md says all of this too."""


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
        channels: ChannelWatch | None = None,
    ) -> None:
        self._doubts, self._channels = doubts, channels
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
        lines.append(PanelRow(f"  {self._channels.shown(now_ns)}" if self._channels is not None else "", bold=True))
        waiting = self._lean.waiting if self._lean is not None else ""
        lines.append(
            PanelRow(f" {alert} ".center(width), reverse=True, bold=True) if alert else PanelRow(f" {waiting}")
        )
        lines.append(PanelRow(f" last run: {self._last_run}" if self._last_run else "", bold=True))
        lines.append(PanelRow(""))
        room = max(1, height - len(lines) - 2)
        sources = status["sources"]
        doubts = self._doubts.sources if self._doubts is not None else set()
        lines += [_source_line(source, source["name"] in doubts) for source in sources[:room]]
        if len(sources) > room:
            lines[-1] = PanelRow(f" {len(sources) - room + 1} more: pullbook status")
        lines += [PanelRow("")] * (height - len(lines) - 2)
        lines.append(PanelRow(f" {self._said}"))
        if self._typing is not None:
            tail = self._typing[-(width - 32) :] if width > 40 else self._typing[-8:]
            lines.append(PanelRow(f" note: {tail}_   (Enter saves, Esc cancels)", bold=True))
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
            return "--.-", f"{name}: no data"
        if math.isnan(self._mixture):
            return "--.-", f"{name}: no reading ({self._void})"
        return (f"{self._mixture:.1f}" if name == "AFR" else f"{self._mixture:.2f}"), name

    def _speed_said(self, now_ns: int) -> tuple[str, str]:
        unit = self._shown.speed_unit
        if self._shown.speed is None:
            return "", "no GPS source"
        if now_ns - self._speed_ns > STALE_NS:
            return "--", f"{unit}: no data"
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
        said = f"UNREADABLE at {source['baud']} baud from {source['port']}"
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
        self._out.write("\n".join(map(safe, line.split("\n"))) + "\n")
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
        case "flood":
            return f"{source}: a FLOOD of bytes, more than a cable can carry; {said['dropped']} were not kept"
        case "sent":
            return f"{source}: sent {said['text']!r}"
        case "note":
            return f"note: {safe(str(said['text']))}"
        case "wall" if "jumped_s" in said:
            return f"the computer's clock jumped by {said['jumped_s']:+.1f} s"
        case "resumed":
            return f"the computer slept for {said['slept_s']:.0f} s"
        case "room again":
            return f"writing to the disk again ({why}); {said['lost_bytes']} bytes were lost"
        case "ended" if "drive" in said:
            return f"drive {said['drive']} ended: {why}"
        case "closed" | "run" | "doubt":
            return str(said["text"])
    return ""


def local_time(said: dict[str, Any]) -> str:
    """The event's time of day by the computer's wall clock."""
    return local_clock(datetime.fromisoformat(said["utc"]))
