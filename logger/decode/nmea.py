"""NMEA 0183 sentences folded into one fix per epoch.

    decoder = FixDecoder()
    decoder.feed(frame) -> list[Fix]     the fixes that this sentence completes: none or one, rarely two
    decoder.flush() -> list[Fix]         the last one, when the stream ends
    decoder.latest() -> Fix | None       the epoch under way as far as it has come, for a live view
    decoder.rejected: Counter[str]       sentences never used, by reason: "checksum wrong", "checksum missing", ...
    decoder.ignored: Counter[str]        sound sentences of no use here, by their address ("GPGSV", "PGRME", ...)
    decoder.void_fields: Counter[str]    fields that could not be used, by name and reason; their sentence else is

RMC, GGA, GNS, GLL, ZDA, VTG and GSA of any talker are used, in any order and number. The grammar and the checksum are
pynmea2's; a sentence without a right checksum is never used.

**What is one epoch.** A change of UTC time in RMC, GGA, GNS or GLL begins a new one. VTG and GSA carry no time, so
between the last sentence of one time and the first of the next one the decoder has to find where the burst of the new
epoch begins: where the line usually rests longest, the time that the sentence before takes on the line taken off.
"Usually" is the median over the last few bursts for each pair of neighbouring sentences, so that one late read misleads
nobody.
Where arrival times say nothing (a log without them, `host_times=False`) the burst begins with the sentence that the
stream began with if that comes between, else with the sentence that brings the new time. Sentences that have no time
because the receiver has none yet are parted where their kind comes again.

**Time.** `Fix.utc_ns` comes from the date of RMC or ZDA in the epoch, or else of an earlier epoch carried on through
midnight by the host clock; it is None before the first date. `dated(fixes)` gives those the date that came later.
A receiver that never gives a date (GGA alone) leaves `utc_ns` None throughout; `instant_near` then makes an instant of
`time_of_day_ns` from any clock that is right within half a day. Second 60, a leap second, is the instant of the
following 00:00:00. Two-digit years are 1980 to 2079, GPS time having begun in 1980.

**Which value.** Position: the sentence with the most decimals. Speed: the receiver's Doppler speed over ground from
RMC or VTG (knots or km/h), whichever has the finest last digit; VTG's only where it agrees with RMC's within what both
round off, so that a VTG of another epoch cannot shift a speed in time. Altitude, geoid, satellites, HDOP: GGA or GNS,
else GSA. Otherwise the first sentence that says so.

**Valid** is a fix where no sentence of the epoch denies it and at least one affirms it: RMC and GLL by their status,
GGA by its quality, GNS and VTG by their mode, GSA where no other speaks. Estimated (dead reckoning), manual and
simulated fixes are not valid: they are not measured. Values of fixes that are not valid are kept as they were said.
"""

from __future__ import annotations

import datetime
import functools
import itertools
import re
from collections import Counter
from collections.abc import Callable, Iterable
from typing import Any, Final, NamedTuple

import pynmea2

from logger.decode.framing import Frame
from logger.units import MPS_PER_KMH, MPS_PER_KNOT

DAY_NS: Final = 86_400_000_000_000

MAX_SPEED_MPS: Final = 600.0
"""No car and no unrestricted receiver (1000 kn) goes faster."""


class Fix(NamedTuple):
    """What a receiver said of one epoch; None where no sentence said it."""

    mono_ns: int
    """Host monotonic clock at the first byte of the epoch's burst [ns]."""
    utc_ns: int | None
    """When the fix was true: UTC since 1970 [ns, without leap seconds]; None before a date is known."""
    time_of_day_ns: int | None
    """The same within its day, as the receiver said it [ns]."""
    lat_deg: float | None
    """WGS 84, north positive."""
    lon_deg: float | None
    """WGS 84, east positive."""
    alt_m: float | None
    """Above mean sea level."""
    geoid_m: float | None
    """Mean sea level above the WGS 84 ellipsoid."""
    speed_mps: float | None
    """Doppler speed over ground."""
    course_deg: float | None
    """Course over ground, from true north."""
    valid: bool
    fix_quality: int | None
    """GGA: 0 none, 1 GPS, 2 differential, 4 and 5 RTK, 6 estimated, 7 manual, 8 simulated."""
    mode: int | None
    """GSA: 1 no fix, 2 without altitude (2D), 3 with altitude (3D)."""
    satellites: int | None
    """Satellites used."""
    hdop: float | None
    pdop: float | None


def instant_near(time_of_day_ns: int, near_ns: int) -> int:
    """The UTC instant [ns] with this time of day that lies nearest to `near_ns`, which may be half a day off."""
    return time_of_day_ns + (near_ns - time_of_day_ns + DAY_NS // 2) // DAY_NS * DAY_NS


def dated(fixes: Iterable[Fix]) -> list[Fix]:
    """`fixes` with the date that came later given to those before it, back through midnight by the host clock."""
    fixes = list(fixes)
    after: Fix | None = None
    for at in range(len(fixes) - 1, -1, -1):
        fix = fixes[at]
        if fix.utc_ns is None and fix.time_of_day_ns is not None and after is not None and after.utc_ns is not None:
            near = after.utc_ns - (after.mono_ns - fix.mono_ns)
            fix = fixes[at] = fix._replace(utc_ns=instant_near(fix.time_of_day_ns, near))
        if fix.utc_ns is not None:
            after = fix
    return fixes


class FixDecoder:
    """Sentences in, fixes out; see the module's text. Time is linear and memory bounded whatever comes in."""

    def __init__(self, host_times: bool = True) -> None:
        """`host_times` says whether the frames' times are those of their arrival."""
        self.rejected: Counter[str] = Counter()
        self.ignored: Counter[str] = Counter()
        self.void_fields: Counter[str] = Counter()
        self.sentences = 0
        """Sentences with a right checksum."""
        self._fields = _Fields(self.void_fields)
        self._bursts = _Bursts(host_times)
        self._host_times = host_times
        self._dated: _Dated = None  # the last epoch with a date

    def feed(self, frame: Frame) -> list[Fix]:
        """The fixes that the sentence in `frame` completes."""
        sentence = self._sentence(frame)
        bursts = self._bursts
        if sentence.time_ns not in (None, bursts.time_ns) and sentence.time_ns == bursts.closed_time_ns:
            self.rejected["late for its epoch"] += 1
            return []
        return self._fixes(self._bursts.feed(sentence))

    def flush(self) -> list[Fix]:
        """The epoch under way; for where the stream ends, or breaks off because its port was lost."""
        return self._fixes(self._bursts.flush())

    def latest(self) -> Fix | None:
        """The epoch under way with what has been said of it so far."""
        return self._fix(self._bursts.burst, self._dated)[0]

    def _fixes(self, bursts: list[list[_Sentence]]) -> list[Fix]:
        fixes = []
        for burst in bursts:
            fix, self._dated = self._fix(burst, self._dated)
            if fix is not None:
                fixes.append(fix)
        return fixes

    def _sentence(self, frame: Frame) -> _Sentence:
        """The sentence in `frame`; one that is rejected or ignored says nothing, but has its place in the burst."""
        mono_ns, data = frame
        text = data.decode("latin-1")
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
        read = self._fields.readers.get(sort)
        if read is None or text[:1] == "!":
            return self._ignore(frame, text)
        self.sentences += 1
        fields = message.data
        if (lacking := _FIELDS[sort] - len(fields)) > 0:
            fields += [""] * lacking
        time_ns, said = read(fields)
        return _Sentence(mono_ns, len(data), message.talker + sort, sort, time_ns, said)

    def _reject(self, frame: Frame, reason: str) -> _Sentence:
        self.rejected[reason] += 1
        return _Sentence(frame.mono_ns, len(frame.data), "?", "", None, None)

    def _ignore(self, frame: Frame, text: str) -> _Sentence:
        self.sentences += 1
        address = text.strip()[1:].partition(",")[0].partition("*")[0][:8]
        if address not in self.ignored and len(self.ignored) >= _MOST_ADDRESSES:
            address = "other"
        self.ignored[address] += 1
        return _Sentence(frame.mono_ns, len(frame.data), address, "", None, None)

    def _fix(self, burst: list[_Sentence], dated: _Dated) -> tuple[Fix | None, _Dated]:
        """The fix of a burst, None where no sentence in it makes one; and the last epoch with a date."""
        sentences = [sentence for sentence in burst if sentence.said is not None]
        if not any(sentence.sort != "GSA" for sentence in sentences):
            return None, dated
        said = _merged(sentences)
        time_ns = next((s.time_ns for s in sentences if s.time_ns is not None and s.sort != "ZDA"), None)
        if time_ns is None:
            time_ns = next((s.time_ns for s in sentences if s.time_ns is not None), None)
        mono_ns = burst[0].mono_ns
        if not self._host_times:  # a log's lines without a time have that of the epoch before
            mono_ns = next((sentence.mono_ns for sentence in burst if sentence.time_ns is not None), mono_ns)
        utc_ns = None
        if time_ns is not None:
            if (instant := said.get("instant")) is not None:
                utc_ns = instant_near(time_ns, instant)
            elif dated is not None:
                utc_ns = instant_near(time_ns, dated[0] + mono_ns - dated[1])
            if utc_ns is not None:
                dated = utc_ns, mono_ns
        _, lat_deg, lon_deg = said.get("position", (0, None, None))
        mode = said.get("mode")
        valid = said.get("valid", mode in (2, 3))
        satellites = said.get("satellites", len(said.get("listed", ())) or None)
        fix = Fix(
            mono_ns, utc_ns, time_ns, lat_deg, lon_deg, said.get("alt_m"), said.get("geoid_m"), _speed(said),
            said.get("course_deg"), valid, said.get("fix_quality"), mode, satellites,
            said.get("hdop", said.get("gsa_hdop")), said.get("pdop"),
        )  # fmt: skip
        return fix, dated


_Dated = tuple[int, int] | None
"""UTC and host clock of an epoch [ns]."""


class _Sentence(NamedTuple):
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


def _merged(sentences: list[_Sentence]) -> dict[str, Any]:
    """What the sentences of an epoch say together: the first word on each thing, but of some the best."""
    said: dict[str, Any] = {}
    for sentence in sentences:
        for name, value in (sentence.said or {}).items():
            if name not in said:
                said[name] = value
            elif name == "position":
                said[name] = max(said[name], value, key=lambda position: position[0])
            elif name == "valid":
                said[name] = said[name] and value
            elif name in ("satellites", "mode"):  # of several talkers one speaks for all constellations
                said[name] = max(said[name], value)
            elif name == "listed":
                said[name] = said[name] | value
    return said


def _speed(said: dict[str, Any]) -> float | None:
    """The finer of RMC's and VTG's speeds [m/s]; RMC's where they differ by more than both round off."""
    rmc, vtg = said.get("rmc_speed"), said.get("vtg_speed")
    if rmc is None or vtg is None:
        chosen = rmc or vtg
    else:
        agree = abs(rmc[1] - vtg[1]) <= 1.001 * (rmc[0] + vtg[0])
        chosen = vtg if agree and vtg[0] < rmc[0] else rmc
    return None if chosen is None else float(chosen[1])


# --- which sentences are one epoch --------------------------------------------------------------------------------

_USUAL_OF = 9  # the usual gap between two sentences is the median of so many
_CLEARLY_NS = 2_000_000  # so much longer than another must a rest of the line be to be told from it
_BREAK_NS = 5_000_000_000  # no burst and no stall of a host lasts so long: the cable was out
_LONGEST_BURST = 256  # sentences
_MOST_ADDRESSES = 100
_MOST_PAIRS = 1024
_ONCE = {"RMC", "GGA", "GNS", "GLL", "ZDA"}
"""Sent once an epoch: where the receiver has no time yet, one that comes again is of a new epoch."""


class _Bursts:
    """Parts the stream of sentences into the bursts of its epochs."""

    def __init__(self, host_times: bool) -> None:
        self.burst: list[_Sentence] = []
        self.time_ns: int | None = None
        """Time of day of the burst under way; None where no sentence has said it."""
        self.closed_time_ns: int | None = None
        """Time of day of the burst before."""
        self._settled = 0  # sentences of the burst that are surely of its epoch: up to the last with its time
        self._places: dict[str, int] = {}  # address -> where in the burst the sentence stands
        self._host_times = host_times
        self._gaps: dict[tuple[str, str], _Gap] = {}  # by the addresses of neighbouring sentences
        self._last: _Sentence | None = None
        self._began_with: str | None = None
        self._within = True  # the burst may have been under way when the stream began or went on

    def feed(self, sentence: _Sentence) -> list[list[_Sentence]]:
        """The bursts that `sentence` closes."""
        if self._last is None:
            # No receiver is known to begin with the satellites in view: such a stream began within a burst.
            self._began_with = None if sentence.address.endswith("GSV") else sentence.address
        elif self._host_times:
            if sentence.mono_ns - self._last.mono_ns > _BREAK_NS:
                closed = self.flush()
                self._last, self._within = sentence, True
                self._add(sentence)
                return closed
            self._learn(self._last, sentence)
        self._last = sentence
        first = self._parted_from(sentence)
        closed = [] if first is None else [self._close(first, sentence)]
        self._add(sentence)
        return closed

    def flush(self) -> list[list[_Sentence]]:
        burst = self.burst
        self._begin([])
        return [burst] if burst else []

    def _parted_from(self, sentence: _Sentence) -> int | None:
        """Where `sentence` is of a new epoch: from which place in the burst on that one may have begun; else None."""
        sort, time_ns = sentence.sort, sentence.time_ns
        if time_ns is not None and self.time_ns is not None and sort != "ZDA":
            return None if time_ns == self.time_ns else self._settled
        if sort in _ONCE or (sort == "VTG" and self.time_ns is None and not any(s.sort in _ONCE for s in self.burst)):
            before = self._places.get(sentence.address)
            if before is not None and (time_ns is None or self.time_ns is None):
                return max(before + 1, self._settled)
        return len(self.burst) if len(self.burst) >= _LONGEST_BURST else None

    def _add(self, sentence: _Sentence) -> None:
        self.burst.append(sentence)
        if sentence.sort:
            self._places[sentence.address] = len(self.burst) - 1
            if sentence.time_ns is not None:
                if sentence.sort != "ZDA":
                    self.time_ns = sentence.time_ns
                if sentence.time_ns == self.time_ns:
                    self._settled = len(self.burst)

    def _begin(self, sentences: list[_Sentence]) -> None:
        if self.time_ns is not None:
            self.closed_time_ns = self.time_ns
        self.burst, self.time_ns, self._settled, self._places = [], None, 0, {}
        for sentence in sentences:
            self._add(sentence)

    def _close(self, first: int, following: _Sentence) -> list[_Sentence]:
        """The burst, parted at `first` or later from what belongs to the epoch of `following`, which stays."""
        sentences = [*self.burst, following]
        last = len(self.burst)
        if following.time_ns is not None:  # a ZDA may be the first with the new time
            last = next((at for at in range(first, last) if sentences[at].time_ns == following.time_ns), last)
        at = self._rest(sentences, first, last) if last > first else last
        closed = self.burst[:at]
        if self._within and at > 0:
            self._within = False
            closed = closed[_under_way(closed, sentences[at].address) :]
        self._begin(self.burst[at:])
        return closed

    def _rest(self, sentences: list[_Sentence], first: int, last: int) -> int:
        """Where from `first` to `last` the line usually rests before the sentence there."""
        if self._gaps:
            usual = [self._usual_gap(a.address, b.address) for a, b in itertools.pairwise(sentences)]
            # What the line needs for a byte shows where sentences follow each other without a rest.
            per_byte = min(gap / (s.length + 2) for gap, s in zip(usual, sentences, strict=False))
            sending = [per_byte * (s.length + 2) for s in sentences]
            rests = {at: usual[at - 1] - sending[at - 1] if at else 0.0 for at in range(first, last + 1)}
            longest = max(rests, key=lambda at: (rests[at], at))
            clearly = _CLEARLY_NS + max(sending) / 4
            if rests[longest] > rests[last] + clearly:
                return longest
            if rests[last] > min(rests.values()) + clearly:
                return last
        if self._began_with is not None:
            return next((at for at in range(first, last) if sentences[at].address == self._began_with), last)
        return last

    def _learn(self, before: _Sentence, sentence: _Sentence) -> None:
        pair = before.address, sentence.address
        gap = self._gaps.get(pair)
        if gap is None:
            if len(self._gaps) >= _MOST_PAIRS:
                self._gaps.clear()
            gap = self._gaps[pair] = _Gap()
        gap.learn(sentence.mono_ns - before.mono_ns)

    def _usual_gap(self, before: str, after: str) -> int:
        gap = self._gaps.get((before, after))
        return 0 if gap is None else gap.usual_ns


class _Gap:
    """The usual gap between the first bytes of two neighbouring sentences: a median, taken anew every few gaps."""

    __slots__ = ("_gathered", "_settled", "usual_ns")

    def __init__(self) -> None:
        self.usual_ns = 0
        self._gathered: list[int] = []
        self._settled = False

    def learn(self, gap_ns: int) -> None:
        gathered = self._gathered
        gathered.append(gap_ns)
        full = len(gathered) == _USUAL_OF
        if full or not self._settled:
            self.usual_ns = sorted(gathered)[len(gathered) // 2]
        if full:
            gathered.clear()
            self._settled = True


def _under_way(burst: list[_Sentence], next_address: str) -> int:
    """How many sentences at the beginning of a burst that may have been under way are of an epoch before it.

    Where the pair of sentences between which bursts part, here the burst's last and the next one's first, stands within
    what came before any time, the burst parts there too.
    """
    for at in range(1, len(burst)):
        if burst[at - 1].time_ns is not None:
            break
        if (burst[at - 1].address, burst[at].address) == (burst[-1].address, next_address):
            return at
    return 0


# --- what one sentence says ---------------------------------------------------------------------------------------

_FIELDS = {"RMC": 13, "GGA": 14, "GNS": 12, "GLL": 7, "ZDA": 6, "VTG": 9, "GSA": 18}
_MEASURED = set("ADFPR")  # mode indicators: autonomous, differential, float RTK, precise, RTK

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
                said["instant"] = day * DAY_NS + time_ns
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
            said["valid"] = not _MEASURED.isdisjoint(data[5])
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
                said["instant"] = day * DAY_NS + time_ns
        return time_ns, said

    def _vtg(self, data: list[str]) -> Said:
        said: dict[str, Any] = {}
        if data[1] == "T":
            self._put(said, "course_deg", data[0], 0, 360)
        for place, letter, unit in ((4, "N", MPS_PER_KNOT), (6, "K", MPS_PER_KMH)):
            if data[place + 1] == letter:
                speed = self._number("speed", data[place], 0, MAX_SPEED_MPS / unit)
                digit = _last_digit(data[place]) * unit
                if speed is not None and ("vtg_speed" not in said or digit < said["vtg_speed"][0]):
                    said["vtg_speed"] = digit, speed * unit
        if data[8]:
            said["valid"] = data[8] in _MEASURED
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
            said["valid"] = status == "A" and (not mode or mode in _MEASURED)

    def _put(self, said: dict[str, Any], name: str, text: str, low: float, high: float) -> None:
        if text and (value := self._number(name, text, low, high)) is not None:
            said[name] = value

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
    return ((hours * 60 + minutes) * 60 + seconds) * 1_000_000_000 + int((match[4] or "")[:9].ljust(9, "0"))


@functools.lru_cache(maxsize=16)
def _degrees(text: str, letter: str, letters: str, limit: int) -> tuple[int, float] | str:
    """dddmm.mmm and one of `letters` (positive, negative): decimals of the minutes, and degrees; or what is wrong."""
    match = _ANGLE.fullmatch(text)
    if match is None or len(letter) != 1 or letter not in letters:
        return "unreadable"
    minutes = float(match[2])
    value = float(match[1]) + minutes / 60
    if minutes >= 60 or value > limit:
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
