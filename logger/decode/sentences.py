"""What one NMEA 0183 sentence says: grammar, checksum, and the fields that are of use here.

The grammar and the checksum are pynmea2's; a sentence just as the standard writes it is taken apart here, at
less cost. A field that is unreadable or outside what can be is void, and counted; the
rest of its sentence is used.
"""

from __future__ import annotations

import datetime
import functools
import re
from collections import Counter
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import pynmea2

from logger.decode.framing import Frame, checksum
from logger.units import MINUTES_PER_DEGREE, MPS_PER_KMH, MPS_PER_KNOT, NS_PER_DAY, NS_PER_S, S_PER_HOUR, S_PER_MINUTE

MAX_SPEED_MPS: Final = 600.0
"""No car and no unrestricted receiver (1000 kn) goes faster."""
_MOST_ADDRESSES = 100


class Sentence(NamedTuple):
    """A sentence as far as it matters for fixes."""

    mono_ns: int
    length: int
    address: str
    """Talker and sort, such as "GPRMC"; "?" where it was rejected."""
    sort: str
    """Such as "RMC"; empty where nothing is read from it."""
    time_ns: int | None
    """UTC time of day."""
    said: dict[str, Any] | None
    """What it says of the fix; None where nothing is read from it."""


class SentenceReader:
    """Lines in, sentences out; what cannot be used is counted."""

    def __init__(self) -> None:
        self.rejected: Counter[str] = Counter()
        self.ignored: Counter[str] = Counter()
        self.void_fields: Counter[str] = Counter()
        self.sound = 0
        """Sentences with a right checksum."""
        self._fields = _Fields(self.void_fields)

    def read(self, frame: Frame) -> Sentence:
        """The sentence in `frame`; one that is rejected or ignored says nothing, but has its place in the burst."""
        text = frame.data.decode("latin-1")
        if (plain := _PLAIN.fullmatch(text)) is not None:
            covered, talker, sort, rest, told = plain.groups()
            if checksum("xor", covered.encode("latin-1")) != int(told, 16):
                return self._reject(frame, "checksum wrong")
            return self._read(frame, talker, sort, rest.split(",")) if sort in _FIELDS else self._ignore(frame, text)
        return self._read_carefully(frame, text)

    def _read_carefully(self, frame: Frame, text: str) -> Sentence:
        """The same by pynmea2, for whatever else there is."""
        try:
            # "!" begins an encapsulated sentence, of which only the checksum matters here.
            message: Any = pynmea2.NMEASentence.parse("$" + text[1:] if text[:1] == "!" else text, check=True)
        except pynmea2.ChecksumError:
            return self._reject(frame, "checksum wrong" if "*" in text else "checksum missing")
        except pynmea2.SentenceTypeError:
            return self._ignore(frame, text)
        except pynmea2.ParseError:
            return self._reject(frame, "not a sentence")
        except Exception:  # a maker's own sentence that lacks fields: pynmea2 takes them unasked, after the checksum
            return self._ignore(frame, text)
        # A question for a sentence ("CCGPQ,GGA") bears its name too, and is none.
        sort = message.sentence_type if isinstance(message, pynmea2.TalkerSentence) else ""
        if sort not in _FIELDS or text[:1] == "!":
            return self._ignore(frame, text)
        return self._read(frame, message.talker, sort, message.data)

    def _read(self, frame: Frame, talker: str, sort: str, fields: list[str]) -> Sentence:
        self.sound += 1
        if (lacking := _FIELDS[sort] - len(fields)) > 0:
            fields += [""] * lacking
        time_ns, said = self._fields.readers[sort](fields)
        return Sentence(frame.mono_ns, len(frame.data), talker + sort, sort, time_ns, said)

    def _reject(self, frame: Frame, reason: str) -> Sentence:
        self.rejected[reason] += 1
        return Sentence(frame.mono_ns, len(frame.data), "?", "", None, None)

    def _ignore(self, frame: Frame, text: str) -> Sentence:
        self.sound += 1
        address = text.strip()[1:].partition(",")[0].partition("*")[0][:8]
        if address not in self.ignored and len(self.ignored) >= _MOST_ADDRESSES:
            address = "other"
        self.ignored[address] += 1
        return Sentence(frame.mono_ns, len(frame.data), address, "", None, None)


_FIELDS = {"RMC": 13, "GGA": 14, "GNS": 12, "GLL": 7, "ZDA": 6, "VTG": 9, "GSA": 18}
MEASURED = frozenset("ADFPR")  # mode indicators: autonomous, differential, float RTK, precise, RTK

# A maker's own sentence begins with P, a question ends with Q.
_PLAIN = re.compile(r"\$(([A-OQ-Z][A-Z0-9])([A-Z]{2}[A-PR-Z]),([^*]*))\*([0-9A-F]{2})")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)", re.ASCII)
_TIME = re.compile(r"(\d\d)(\d\d)(\d\d)(?:\.(\d*))?", re.ASCII)
_DATE = re.compile(r"(\d\d)(\d\d)(\d\d)", re.ASCII)
_ANGLE = re.compile(r"(\d{1,3})(\d\d(?:\.(\d*))?)", re.ASCII)

Said = tuple[int | None, dict[str, Any]]


class _Fields:
    """Reads the fields of sentences; one that is unreadable or outside what can be is void, and counted."""

    def __init__(self, void: Counter[str]) -> None:
        self._void = void
        self.readers: dict[str, Callable[[list[str]], Said]] = {
            "RMC": self._rmc,
            "GGA": self._gga,
            "GNS": self._gns,
            "GLL": self._gll,
            "ZDA": self._zda,
            "VTG": self._vtg,
            "GSA": self._gsa,
        }

    def _rmc(self, data: list[str]) -> Said:
        time_ns = self._time(data[0])
        said: dict[str, Any] = {}
        self._position(said, data, 2)
        if (knots := self._number("speed", data[6], 0, MAX_SPEED_MPS / MPS_PER_KNOT)) is not None:
            said["rmc_speed"] = _last_digit(data[6]) * MPS_PER_KNOT, knots * MPS_PER_KNOT
        self._put(said, "course_deg", data[7], 0, 360)
        if data[8]:
            match = _DATE.fullmatch(data[8])
            day = None
            if match is not None:
                year = int(match[3])
                day = _day(year + (1900 if year >= 80 else 2000), int(match[2]), int(match[1]))
            if day is None:
                self._void["date unreadable"] += 1
            elif time_ns is not None:
                said["instant"] = day * NS_PER_DAY + time_ns
        self._status(said, data[1], data[11])
        return time_ns, said

    def _gga(self, data: list[str]) -> Said:
        said: dict[str, Any] = {}
        self._position(said, data, 1)
        self._put_int(said, "fix_quality", data[5], 9)
        if "fix_quality" in said:
            said["valid"] = said["fix_quality"] not in (0, 6, 7, 8)
        self._put_int(said, "satellites", data[6], 200)
        self._put(said, "hdop", data[7], 0, 1000)
        self._put(said, "alt_m", data[8], -1000, 100_000)
        self._put(said, "geoid_m", data[10], -200, 200)
        return self._time(data[0]), said

    def _gns(self, data: list[str]) -> Said:
        said: dict[str, Any] = {}
        self._position(said, data, 1)
        if data[5]:
            said["valid"] = not MEASURED.isdisjoint(data[5])
        self._put_int(said, "satellites", data[6], 200)
        self._put(said, "hdop", data[7], 0, 1000)
        self._put(said, "alt_m", data[8], -1000, 100_000)
        self._put(said, "geoid_m", data[9], -200, 200)
        return self._time(data[0]), said

    def _gll(self, data: list[str]) -> Said:
        said: dict[str, Any] = {}
        self._position(said, data, 0)
        self._status(said, data[5], data[6])
        return self._time(data[4]), said

    def _zda(self, data: list[str]) -> Said:
        time_ns = self._time(data[0])
        said: dict[str, Any] = {}
        if any(data[1:4]):
            numbers = [int(text) if text.isascii() and text.isdigit() else 0 for text in data[1:4]]
            day = _day(numbers[2], numbers[1], numbers[0]) if 1980 <= numbers[2] < 2180 else None
            if day is None:
                self._void["date unreadable"] += 1
            elif time_ns is not None:
                said["instant"] = day * NS_PER_DAY + time_ns
        return time_ns, said

    def _vtg(self, data: list[str]) -> Said:
        said: dict[str, Any] = {}
        if data[1] == "T":
            self._put(said, "course_deg", data[0], 0, 360, "vtg_course_deg")
        for place, letter, unit in ((4, "N", MPS_PER_KNOT), (6, "K", MPS_PER_KMH)):
            if data[place + 1] == letter:
                speed = self._number("speed", data[place], 0, MAX_SPEED_MPS / unit)
                digit = _last_digit(data[place]) * unit
                if speed is not None and ("vtg_speed" not in said or digit < said["vtg_speed"][0]):
                    said["vtg_speed"] = digit, speed * unit
        if data[8]:
            said["vtg_valid"] = data[8] in MEASURED
        return None, said

    def _gsa(self, data: list[str]) -> Said:
        said: dict[str, Any] = {}
        self._put_int(said, "mode", data[1], 3)
        said["listed"] = {(data[17], number) for number in data[2:14] if number}
        self._put(said, "pdop", data[14], 0, 1000)
        self._put(said, "gsa_hdop", data[15], 0, 1000)
        return None, said

    def _position(self, said: dict[str, Any], data: list[str], at: int) -> None:
        lat = self._angle("latitude", data[at], data[at + 1], "NS", 90)
        lon = self._angle("longitude", data[at + 2], data[at + 3], "EW", 180)
        if lat is not None and lon is not None:
            said["position"] = min(lat[0], lon[0]), lat[1], lon[1]

    def _status(self, said: dict[str, Any], status: str, mode: str) -> None:
        if status:
            said["valid"] = status == "A" and (not mode or mode in MEASURED)

    def _put(
        self, said: dict[str, Any], name: str, text: str, low: float, high: float, under: str | None = None
    ) -> None:
        if text and (value := self._number(name, text, low, high)) is not None:
            said[under or name] = value

    def _put_int(self, said: dict[str, Any], name: str, text: str, high: int) -> None:
        if text:
            if text.isascii() and text.isdigit() and len(text) < 6 and (value := int(text)) <= high:
                said[name] = value
            else:
                self._void[f"{name} unreadable"] += 1

    def _number(self, name: str, text: str, low: float, high: float) -> float | None:
        if not text:
            return None
        if _NUMBER.fullmatch(text) is None:
            self._void[f"{name} unreadable"] += 1
            return None
        value = float(text)
        if not low <= value <= high:
            self._void[f"{name} impossible"] += 1
            return None
        return value

    def _angle(self, name: str, text: str, letter: str, letters: str, limit: int) -> tuple[int, float] | None:
        """Decimals of the minutes, and signed degrees."""
        if not text:
            return None
        angle = _degrees(text, letter, letters, limit)
        if isinstance(angle, str):
            self._void[f"{name} {angle}"] += 1
            return None
        return angle

    def _time(self, text: str) -> int | None:
        if not text:
            return None
        time_ns = _time_of_day(text)
        if time_ns is None:
            self._void["time unreadable"] += 1
        return time_ns


@functools.lru_cache(maxsize=8)  # the sentences of an epoch repeat it
def _time_of_day(text: str) -> int | None:
    """hhmmss.sss in ns; None where it is none. Second 60 counts on into the next minute."""
    match = _TIME.fullmatch(text)
    if match is None:
        return None
    hours, minutes, seconds = int(match[1]), int(match[2]), int(match[3])
    if hours > 23 or minutes > 59 or seconds > 60:
        return None
    return (hours * S_PER_HOUR + minutes * S_PER_MINUTE + seconds) * NS_PER_S + int((match[4] or "")[:9].ljust(9, "0"))


@functools.lru_cache(maxsize=16)
def _degrees(text: str, letter: str, letters: str, limit: int) -> tuple[int, float] | str:
    """dddmm.mmm and one of `letters` (positive, negative): decimals of the minutes, and degrees; or what is wrong."""
    match = _ANGLE.fullmatch(text)
    if match is None or len(letter) != 1 or letter not in letters:
        return "unreadable"
    minutes = float(match[2])
    value = float(match[1]) + minutes / MINUTES_PER_DEGREE
    if minutes >= MINUTES_PER_DEGREE or value > limit:
        return "impossible"
    return len(match[3] or ""), value if letter == letters[0] else -value


@functools.lru_cache(maxsize=8)
def _day(year: int, month: int, day: int) -> int | None:
    """Days since 1970-01-01; None where there is no such day."""
    try:
        return datetime.date(year, month, day).toordinal() - 719_163
    except ValueError:
        return None


def _last_digit(text: str) -> float:
    """What one step of the last digit is worth: 0.01 for "12.34"."""
    return 10.0 ** -len(text.partition(".")[2])


def sentence_name(line: bytes) -> str:
    """The talker and type of a checksummed NMEA 0183 sentence such as b"$GPRMC,...*6A"; "" where it is none."""
    match = _SENTENCE.fullmatch(line.strip())
    if match is None:
        return ""
    right = pynmea2.NMEASentence.checksum((match[1] + match[2]).decode("latin-1"))
    return match[1].decode("ascii") if right == int(match[3], 16) else ""


_SENTENCE = re.compile(rb"\$([A-Z][A-Z0-9]{3,5})(,[^$*]*)\*([0-9A-Fa-f]{2})")
