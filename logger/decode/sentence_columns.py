"""What many ordinary NMEA 0183 sentences say, as columns: to the bit what `sentences` gives one by one.

Ordinary is a sentence of a usual talker and sort, with a right checksum, every field of which that is read here is
either empty or exactly as the standard writes it and within what can be. All others are told as odd: they go the
careful way.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.decode.columnar import FLOAT_POWERS, PAD, POWERS, STEPS, Flags, Floats, Lines, Places, Text, first_of
from logger.decode.sentences import MAX_SPEED_MPS, MEASURED
from logger.units import MINUTES_PER_DEGREE, MPS_PER_KMH, MPS_PER_KNOT, NS_PER_DAY, NS_PER_S, S_PER_HOUR, S_PER_MINUTE

SORTS: Final = ("RMC", "GGA", "GLL", "VTG", "GSA", "GSV")
"""GSV is ordinary and of no use here."""
RMC, GGA, GLL, VTG, GSA, GSV = range(len(SORTS))
TIMED: Final = (RMC, GGA, GLL)
_TALKERS = ("GP", "GN", "GL", "GA", "GB", "GQ")
_MOST_FIELDS = 20
_SHORTEST = len("$GPGSV,*00")

Words = NDArray[np.uint64]


class Said(NamedTuple):
    """What some sentences say of one thing."""

    which: Places
    """The sentences that say it, by their places among the lines; sort after sort."""
    values: NDArray[Any]


class SentenceColumns(NamedTuple):
    """Many sentences."""

    odd: Flags
    sort: NDArray[np.int8]
    """Place in `SORTS`."""
    address: Words
    """Talker and sort, five letters in one number; see `address_of`."""
    time_ns: Places
    """UTC time of day of those that are `TIMED` [ns]."""
    length: Places
    """Bytes."""
    said: dict[str, Said]
    """By the names that `sentences` uses; of `position` the three parts (decimals of the minutes, latitude and
    longitude) and of the speeds the two (what the last digit is worth, and the speed) under names of their own."""


def address_of(word: int) -> str:
    """The address that a number of `SentenceColumns.address` stands for."""
    return word.to_bytes(8, "little").rstrip(b"\0").decode("ascii")


def bursts_of(which: Places, begins: Places) -> tuple[Places, Places]:
    """Which of the sentences `which` stand in the bursts that begin at `begins` but the last, by their places in
    `which`; and in which burst each."""
    burst = np.searchsorted(begins, which, side="right") - 1
    inside = np.flatnonzero((burst >= 0) & (burst < len(begins) - 1))
    return inside, burst[inside]


def read_sentences(lines: Lines) -> SentenceColumns:
    """What the sentences say, odd ones marked."""
    return _Reader(lines).read()


class _Reader:
    def __init__(self, lines: Lines) -> None:
        self._lines, self._text = lines, Text(lines.text)
        count = len(lines.starts)
        self._length = lines.ends - lines.starts
        self._odd = self._length < _SHORTEST
        self._time = np.full(count, -1, np.int64)
        self._said: dict[str, Said] = {}

    def read(self) -> SentenceColumns:
        starts, ends = self._lines.starts, self._lines.ends
        text, bytes_ = self._text, self._lines.text
        self._odd |= (bytes_[ends - 3] != ord("*")) | (bytes_[starts] != ord("$")) | (bytes_[starts + 6] != ord(","))
        self._odd |= self._checksums_wrong()
        address = text.word(starts + 1, np.full(len(starts), 5))
        sort = np.full(len(starts), -1, np.int8)
        for at, name in enumerate(SORTS):
            for talker in _TALKERS:
                sort[address == int.from_bytes((talker + name).encode(), "little")] = at
        self._odd |= sort < 0
        self._commas = np.flatnonzero(bytes_ == ord(","))
        self._first = np.searchsorted(self._commas, starts)
        self._commas = np.append(self._commas, np.full(_MOST_FIELDS + 1, len(bytes_) - PAD))
        for at, take in ((RMC, self._rmc), (GGA, self._gga), (GLL, self._gll), (VTG, self._vtg), (GSA, self._gsa)):
            which = np.flatnonzero((sort == at) & ~self._odd)
            if len(which):
                take(which)
        return SentenceColumns(self._odd, sort, address, self._time, self._length, self._said)

    def _checksums_wrong(self) -> Flags:
        """Also where any byte is none of the printed ones, or one that the grammar keeps for itself stands within."""
        starts, ends, bytes_ = self._lines.starts, self._lines.ends, self._lines.text
        wrong = np.ones(len(starts), np.bool_)
        able = np.flatnonzero(self._length >= _SHORTEST)
        if not len(able):
            return wrong
        begins, stars = starts[able] + 1, ends[able] - 3
        pairs = np.stack([begins, stars], 1).ravel()
        found = np.bitwise_xor.reduceat(bytes_, pairs)[::2]
        stated = _HEX[bytes_[stars + 1]] * 16 + _HEX[bytes_[stars + 2]]
        unusual = (bytes_ <= ord(" ")) | (bytes_ > ord("~")) | (bytes_ == ord("*"))
        places = np.flatnonzero(unusual)
        none_within = first_of(places, begins, stars) == stars
        wrong[able] = (stated != found) | ~none_within | (_HEX[bytes_[stars + 1]] < 0) | (_HEX[bytes_[stars + 2]] < 0)
        return wrong

    # --- the sorts ------------------------------------------------------------------------------------------------

    def _rmc(self, which: Places) -> None:
        time_ns = self._take_time(which, 0)
        self._take_position(which, 2)
        values, places, some = self._number(which, 6, 0, MAX_SPEED_MPS / MPS_PER_KNOT)
        self._put("rmc_step", which, STEPS[places] * MPS_PER_KNOT, some)
        self._put("rmc_speed", which, values * MPS_PER_KNOT, some)
        self._take_number(which, "course_deg", 7, 0, 360)
        self._take_date(which, time_ns, 8)
        self._take_status(which, 1, 11)

    def _gga(self, which: Places) -> None:
        self._take_time(which, 0)
        self._take_position(which, 1)
        quality = self._take_whole(which, "fix_quality", 5, 9)
        self._put("valid", which, ~np.isin(quality, (0, 6, 7, 8)), np.ones(len(which), np.bool_))
        self._take_whole(which, "satellites", 6, 200)
        self._take_number(which, "hdop", 7, 0, 1000)
        self._take_number(which, "alt_m", 8, -1000, 100_000)
        self._take_number(which, "geoid_m", 10, -200, 200)

    def _gll(self, which: Places) -> None:
        self._take_time(which, 4)
        self._take_position(which, 0)
        self._take_status(which, 5, 6)

    def _vtg(self, which: Places) -> None:
        values, _, some = self._number(which, 0, 0, 360)
        self._put("vtg_course_deg", which, values, some & (self._letter(which, 1) == ord("T")))
        step, speed = np.full(len(which), np.inf), np.zeros(len(which))
        for place, letter, unit in ((4, "N", MPS_PER_KNOT), (6, "K", MPS_PER_KMH)):
            values, places, some = self._number(which, place, 0, MAX_SPEED_MPS / unit)
            finer = some & (self._letter(which, place + 1) == ord(letter)) & (STEPS[places] * unit < step)
            step, speed = np.where(finer, STEPS[places] * unit, step), np.where(finer, values * unit, speed)
        self._put("vtg_step", which, step, step < np.inf)
        self._put("vtg_speed", which, speed, step < np.inf)
        mode = self._letter(which, 8)
        self._put("vtg_valid", which, np.isin(mode, _MEASURED), mode != 0)

    def _gsa(self, which: Places) -> None:
        self._take_whole(which, "mode", 1, 3)
        self._take_number(which, "pdop", 14, 0, 1000)
        self._take_number(which, "gsa_hdop", 15, 0, 1000)

    # --- the fields -----------------------------------------------------------------------------------------------

    def _field(self, which: Places, at: int) -> tuple[Places, Places]:
        """Where a field of sentences begins and ends; empty, where a sentence has fewer."""
        stars, first = self._lines.ends[which] - 3, self._first[which] + at
        return (
            np.minimum(np.minimum(self._commas[first], stars) + 1, stars),
            np.minimum(self._commas[first + 1], stars),
        )

    def _put(self, name: str, which: Places, values: NDArray[Any], some: Flags) -> None:
        if not some.all():
            which, values = which[some], values[some]
        if (before := self._said.get(name)) is not None:
            which, values = np.append(before.which, which), np.append(before.values, values)
        self._said[name] = Said(which, values)

    def _number(self, which: Places, at: int, low: float, high: float) -> tuple[Floats, Places, Flags]:
        """Numbers, their decimals, and where there are any; odd where there is something else, or one out of bounds."""
        starts, ends = self._field(which, at)
        values, places, read = self._text.decimals(starts, ends)
        some = ends > starts
        self._odd[which] |= some & ~(read & (values >= low) & (values <= high))
        return values, places, some

    def _take_number(self, which: Places, name: str, at: int, low: float, high: float) -> None:
        values, _, some = self._number(which, at, low, high)
        self._put(name, which, values, some)

    def _take_whole(self, which: Places, name: str, at: int, high: int) -> Places:
        starts, ends = self._field(which, at)
        values, read = self._text.digits(ends, ends - starts)
        some = ends > starts
        self._odd[which] |= ~(some & read & (ends - starts < 6) & (values <= high))
        self._put(name, which, values, some)
        return values

    def _letter(self, which: Places, at: int) -> NDArray[np.uint8]:
        """A field of one letter; 0 where it is empty, odd where it is longer."""
        starts, ends = self._field(which, at)
        self._odd[which] |= ends - starts > 1
        return np.where(ends > starts, self._lines.text[starts], 0).astype(np.uint8)

    def _take_time(self, which: Places, at: int) -> Places:
        """hhmmss.sss [ns]; odd where there is none."""
        starts, ends = self._field(which, at)
        dots = self._text.dots(starts, ends)
        places = np.maximum(ends - dots - 1, 0)
        clock, whole = self._text.digits(dots, dots - starts)
        behind, rest = self._text.digits(ends, places)
        hours, minutes, seconds = clock // 10_000, clock // 100 % 100, clock % 100
        good = whole & rest & (dots - starts == 6) & (hours <= 23) & (minutes <= 59) & (seconds <= 60)
        self._odd[which] |= ~good
        fraction = behind * POWERS[9 - np.minimum(places, 8)]
        time_ns = (hours * S_PER_HOUR + minutes * S_PER_MINUTE + seconds) * NS_PER_S + fraction
        self._time[which] = time_ns
        return np.asarray(time_ns, np.int64)

    def _take_date(self, which: Places, time_ns: Places, at: int) -> None:
        starts, ends = self._field(which, at)
        date, whole = self._text.digits(ends, ends - starts)
        some = ends > starts
        days = np.zeros(len(which), np.int64)
        for each in sorted(set(date[some & whole].tolist())):  # one or two; np.unique would load numpy.ma
            year = each % 100
            year += 1900 if year >= 80 else 2000
            try:
                day = np.datetime64(f"{year}-{each // 100 % 100:02d}-{each // 10_000:02d}", "D").astype(np.int64)
            except ValueError:
                whole = whole & (date != each)
            else:
                days[date == each] = day
        self._odd[which] |= some & ~(whole & (ends - starts == 6))
        self._put("instant", which, days * NS_PER_DAY + time_ns, some)

    def _take_status(self, which: Places, at: int, mode_at: int) -> None:
        status, mode = self._letter(which, at), self._letter(which, mode_at)
        self._put("valid", which, (status == ord("A")) & ((mode == 0) | np.isin(mode, _MEASURED)), status != 0)

    def _take_position(self, which: Places, at: int) -> None:
        """Latitude and longitude, both or none."""
        lat_places, lat, some_lat = self._angle(which, at, "NS", 90)
        lon_places, lon, some_lon = self._angle(which, at + 2, "EW", 180)
        self._odd[which] |= some_lat != some_lon
        self._put("position_places", which, np.minimum(lat_places, lon_places), some_lat)
        self._put("position_lat", which, lat, some_lat)
        self._put("position_lon", which, lon, some_lat)

    def _angle(self, which: Places, at: int, letters: str, limit: int) -> tuple[Places, Floats, Flags]:
        """dddmm.mmm and a letter: decimals of the minutes, degrees, and where there are any."""
        starts, ends = self._field(which, at)
        letter = self._letter(which, at + 1)
        dots = self._text.dots(starts, ends)
        places = np.maximum(ends - dots - 1, 0)
        whole, digits = self._text.digits(dots, dots - starts)
        behind, rest = self._text.digits(ends, places)
        places = np.minimum(places, 8)
        minutes = (whole % 100 * POWERS[places] + behind) / FLOAT_POWERS[places]
        value = (whole // 100).astype(np.float64) + minutes / MINUTES_PER_DEGREE
        some = ends > starts
        good = digits & rest & (dots - starts >= 3) & (dots - starts <= 5) & (minutes < MINUTES_PER_DEGREE)
        good &= (value <= limit) & ((letter == ord(letters[0])) | (letter == ord(letters[1])))
        self._odd[which] |= some & ~good
        return places, np.where(letter == ord(letters[0]), value, -value), some


_HEX = np.full(256, -1000, np.int64)
for _digit in "0123456789abcdefABCDEF":
    _HEX[ord(_digit)] = int(_digit, 16)
_MEASURED = np.frombuffer("".join(sorted(MEASURED)).encode(), np.uint8)
