"""The terminal that the panel is drawn on: a screen of rows, and a keyboard without Enter."""

from __future__ import annotations

import contextlib
import os
import re
import sys
import time
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TextIO

if sys.platform == "win32":
    import ctypes
    import msvcrt
else:
    import select
    import termios


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
        self._keys = _Keys((keyboard or sys.stdin).fileno())
        self._rows: list[PanelRow] = []
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
            return _understands()
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
        if changed := [
            f"\x1b[{number + 1};1H{self._styled(row, size[0])}"
            for number, row in enumerate(lines)
            if number >= len(self._rows) or row != self._rows[number]
        ]:
            self._write("".join(changed))
        self._rows = list(lines)

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


def answered(letters: str, within_s: float) -> str:
    """The first of `letters` that is typed, in either case; "" where nobody types one in time."""
    keys, until = _Keys(sys.stdin.fileno()), time.monotonic() + within_s
    answer = ""
    try:
        while not answer and time.monotonic() < until:
            time.sleep(0.05)
            answer = next((letter for letter in keys.read().casefold() if letter in letters), "")
    finally:
        keys.close()
    return answer


def fitted(text: str, width: int) -> str:
    """`text` cut or filled to `width` columns; control characters from outside (notes, errors) are made harmless."""
    if text.isascii() and text.isprintable():
        return text[:width].ljust(width)
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


if sys.platform == "win32":

    class _Keys:
        """The keyboard of a Windows console."""

        def __init__(self, descriptor: int) -> None:
            pass

        def read(self) -> str:
            typed = ""
            while msvcrt.kbhit():
                letter = msvcrt.getwch()
                if letter in "\x00\xe0":  # an arrow or function key: its second half says which
                    msvcrt.getwch()
                else:
                    typed += letter
            return typed

        def close(self) -> None:
            pass

    def _understands() -> bool:
        """Ask the Windows console to follow control sequences; False where it cannot."""
        kernel = ctypes.windll.kernel32
        handle, mode = kernel.GetStdHandle(-11), ctypes.c_uint32()
        if not kernel.GetConsoleMode(handle, ctypes.byref(mode)):
            return False
        return bool(kernel.SetConsoleMode(handle, mode.value | 0x0004))

else:

    class _Keys:
        """The keyboard without Enter and echo; Ctrl-C stays a signal."""

        def __init__(self, descriptor: int) -> None:
            self._descriptor = descriptor
            self._before: Any = None
            with contextlib.suppress(termios.error):
                self._before = termios.tcgetattr(descriptor)
                changed = termios.tcgetattr(descriptor)
                changed[3] &= ~(termios.ICANON | termios.ECHO)
                termios.tcsetattr(descriptor, termios.TCSADRAIN, changed)

        def read(self) -> str:
            data = b""
            with contextlib.suppress(OSError, ValueError):
                while select.select([self._descriptor], [], [], 0)[0] and (more := os.read(self._descriptor, 1024)):
                    data += more
            text = data.decode("utf-8", "ignore")
            return text if text == "\x1b" else _without_sequences(text)

        def close(self) -> None:
            if self._before is not None:
                with contextlib.suppress(termios.error):
                    termios.tcsetattr(self._descriptor, termios.TCSANOW, self._before)

    def _understands() -> bool:
        """Whether this job is in the foreground: one in the background must not touch the terminal."""
        return os.tcgetpgrp(sys.stdout.fileno()) == os.getpgrp()


def _without_sequences(text: str) -> str:
    """Arrow and function keys send ESC [ ... letter: they are no keys of ours."""
    return re.sub(r"\x1b[\[O][0-9;]*[ -/]*[@-~]", "", text)
