"""Plain NMEA logs: files of sentences without host times.

Each line gets the time that its sentence tells, or the last one told before it, counted from the first. Every byte of
the file is kept, garbage too; blank lines go with the line before them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from pathlib import Path

from logger.decode.framing import checksum
from logger.errors import CaptureError
from logger.store.unpacked import Unpacked
from logger.units import NS_PER_DAY, NS_PER_S, S_PER_HOUR, S_PER_MINUTE

_CHUNK_BYTES = 1 << 16
_UNTIMED_BYTES = 32 << 20
"""So much without a single time is no log."""


class PlainLog:
    """The log in the file at `path`."""

    def __init__(self, path: Path) -> None:
        self._path, self._file = path, Unpacked(path)

    @property
    def remarks(self) -> list[str]:
        """What was noticed, a sentence each, once all has been read."""
        return self._file.remarks

    def chunks(self) -> Iterator[tuple[int, bytes]]:
        """Its lines, each with its time [ns since the first told]; CaptureError where none tells one."""
        clock, passed = _LogClock(), 0
        chunks: list[tuple[int, bytes]] = []  # until the first time is told
        for line in self._file.lines(_CHUNK_BYTES):
            chunks.append((clock.at(line), line))
            passed += len(line)
            if clock.began:
                yield from chunks
                chunks.clear()
            elif passed > _UNTIMED_BYTES:
                break
        if not clock.began:
            said = "not a recording and not an NMEA log: it has no sentence with a time and a correct checksum"
            raise CaptureError(f"{self._path}: {said}")


_TIMED = re.compile(rb"\$[A-Z0-9]{2}((RMC|GGA|GNS|GLL|ZDA),([^*$\r\n]*))\*([0-9A-Fa-f]{2})")


class _LogClock:
    """A clock that never goes back, from the times that a log's sentences tell [ns since the first]."""

    def __init__(self) -> None:
        self.began = False
        self.remarks: list[str] = []
        self._now = 0
        self._shift = 0
        self._told = 0  # the last time told, in ns, days counted on from the first
        self._day = 0
        self._date: int | None = None
        self._leap = False

    def at(self, line: bytes) -> int:
        """The time of `line`: the one that it tells, or else the last one told."""
        for sentence in _TIMED.finditer(line):
            if checksum("xor", line[sentence.start() + 1 : sentence.end(1)]) == int(sentence[4], 16):
                self._tell(sentence[2].decode(), sentence[3].decode("ascii", "replace").split(","))
        return self._now

    def _tell(self, kind: str, fields: list[str]) -> None:
        try:
            clock = fields[4 if kind == "GLL" else 0]
            of_day = (int(clock[:2]) * S_PER_HOUR + int(clock[2:4]) * S_PER_MINUTE) * NS_PER_S + round(
                Decimal(clock[4:]) * NS_PER_S
            )
        except (ValueError, ArithmeticError, IndexError):
            return
        if not self.began:
            self.began, self._shift, self._told = True, -of_day, of_day
        if of_day < self._told % NS_PER_DAY - NS_PER_DAY // 2 or (self._leap and of_day < NS_PER_S):
            self._day += 1
            self._shift += NS_PER_S if self._leap else 0
            self._leap = False
        self._leap |= of_day >= NS_PER_DAY
        stated = self._stated(kind, fields)
        if stated is not None:
            if self._date is None:
                self._date = stated - self._day
            self._day = stated - self._date
        told = self._day * NS_PER_DAY + of_day
        if abs(told - self._told) > NS_PER_DAY or told < self._told - 10 * NS_PER_S:
            # Another log, or a receiver that learnt the date: the clock goes on from where it was.
            self._shift = self._now - told
        self._told = told
        self._now = max(self._now, told + self._shift)

    @staticmethod
    def _stated(kind: str, fields: list[str]) -> int | None:
        """The day that a sentence states, counted from 1970; None where it states none."""
        try:
            if kind == "RMC":
                day, month, year = int(fields[8][:2]), int(fields[8][2:4]), int(fields[8][4:6])
                year += 2000 if year < 80 else 1900
            elif kind == "ZDA":
                day, month, year = int(fields[1]), int(fields[2]), int(fields[3])
            else:
                return None
            return date(year, month, day).toordinal() - date(1970, 1, 1).toordinal()
        except (ValueError, IndexError):
            return None
