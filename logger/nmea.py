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
Where arrival times say nothing (a log without them, `host_times=False`) the burst begins as the stream did if that
was with VTG or GSA, else with the sentence that brings the new time. Sentences that have no time because the receiver
has none yet are parted where their kind comes again.

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
from collections import Counter, deque
from collections.abc import Callable, Iterable
from typing import Any, Final, NamedTuple

import pynmea2

from logger.framing import Frame
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
        self._dated: tuple[int, int] | None = None  # the last epoch with a date: UTC, host clock [ns]

    def feed(self, frame: Frame) -> list[Fix]:
        """The fixes that the sentence in `frame` completes."""
        sentence = self._sentence(frame)
        bursts = self._bursts
        if sentence.time_ns not in (None, bursts.time_ns) and sentence.time_ns == bursts.closed_time_ns:
            self.rejected["late for its epoch"] += 1
            return []
        return self._fixes(self._bursts.feed(sentence))

    def flush(self) -> list[Fix]:
        """The epoch that the end of the stream leaves under way."""
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
            self.rejected["checksum wrong" if "*" in text else "checksum missing"] += 1
            return _Sentence(mono_ns, "?", len(data), None, None)
        except pynmea2.SentenceTypeError:
            return self._pass_over(mono_ns, text)
        except pynmea2.ParseError:
            self.rejected["not a sentence"] += 1
            return _Sentence(mono_ns, "?", len(data), None, None)
        except Exception:  # makers' own sentences: pynmea2 takes fields of theirs that may not be there
            return self._pass_over(mono_ns, text)
        kind = getattr(message, "sentence_type", "")
        read = self._fields.readers.get(kind)
        if read is None or text[:1] == "!":
            return self._pass_over(mono_ns, text)
        self.sentences += 1
        time_ns, said = read(message.data + [""] * (_FIELDS[kind] - len(message.data)))
        return _Sentence(mono_ns, message.talker + kind, len(data), time_ns, said)

    def _pass_over(self, mono_ns: int, text: str) -> _Sentence:
        self.sentences += 1
        kind = text.lstrip()[1:].partition(",")[0].partition("*")[0][:8]
        if kind in self.ignored or len(self.ignored) < 100:
            self.ignored[kind] += 1
        else:
            self.ignored["other"] += 1
        return _Sentence(mono_ns, kind, len(text), None, None)

    def _fix(
        self, burst: list[_Sentence], last_dated: tuple[int, int] | None
    ) -> tuple[Fix | None, tuple[int, int] | None]:
        """The fix of a burst, None where no sentence in it makes one; and the last epoch with a date."""
        said: dict[str, Any] = {}
        affirmed: list[bool] = []
        listed: set[tuple[str, str]] = set()
        time_ns = zda_time_ns = None
        for sentence in burst:
            if sentence.said is None:
                continue
            is_zda = sentence.kind.endswith("ZDA")
            if sentence.time_ns is not None:
                if is_zda:
                    zda_time_ns = sentence.time_ns
                elif time_ns is None:
                    time_ns = sentence.time_ns
            for name, value in sentence.said.items():
                if name == "valid":
                    affirmed.append(value)
                elif name == "listed":
                    listed.update(value)
                elif (
                    name not in said
                    or name == "vtg_speed"
                    or (name in ("satellites", "mode") and value > said[name])
                    or (name == "position" and value[0] > said[name][0])
                ):
                    said[name] = value
        if not said and not affirmed:
            return None, last_dated
        if time_ns is None:
            time_ns = zda_time_ns
        mono_ns = burst[0].mono_ns
        utc_ns = None
        if time_ns is not None:
            if (instant := said.get("rmc_instant", said.get("zda_instant"))) is not None:
                utc_ns = instant_near(time_ns, instant)
            elif last_dated is not None:
                utc_ns = instant_near(time_ns, last_dated[0] + mono_ns - last_dated[1])
        if utc_ns is not None:
            last_dated = utc_ns, mono_ns
        if not (said.keys() - _SIDE):
            return None, last_dated
        _, lat_deg, lon_deg = said.get("position", (0, None, None))
        mode = said.get("mode")
        if not affirmed and mode is not None:
            affirmed = [mode > 1]
        return (
            Fix(
                mono_ns,
                utc_ns,
                time_ns,
                lat_deg,
                lon_deg,
                said.get("alt_m"),
                said.get("geoid_m"),
                self._speed(said.get("rmc_speed"), said.get("vtg_speed")),
                said.get("course_deg"),
                bool(affirmed) and all(affirmed),
                said.get("fix_quality"),
                mode,
                said.get("satellites", len(listed) if listed else None),
                said.get("hdop", said.get("gsa_hdop")),
                said.get("pdop"),
            ),
            last_dated,
        )

    def _speed(self, rmc: tuple[float, float] | None, vtg: tuple[float, float] | None) -> float | None:
        """The finer of RMC's and VTG's speeds, each (last digit, speed) [m/s]; RMC's where they differ by more."""
        if rmc is None or vtg is None:
            chosen = rmc or vtg
            return None if chosen is None else chosen[1]
        agree = abs(rmc[1] - vtg[1]) <= 1.001 * (rmc[0] + vtg[0])
        return vtg[1] if agree and vtg[0] < rmc[0] else rmc[1]


class _Sentence(NamedTuple):
    mono_ns: int
    kind: str
    """Talker and type, such as "GPRMC"; "?" where it was rejected."""
    length: int
    time_ns: int | None
    """UTC time of day."""
    said: dict[str, Any] | None
    """What it says of the fix; None where nothing is read from it."""


# --- which sentences are one epoch --------------------------------------------------------------------------------

_USUAL_OF = 9  # neighbouring sentences: the median of so many gaps is the usual one
_CLEARLY_NS = 2_000_000  # a rest of the line must be this much longer than another to be told from it
_LONGEST_BURST = 256
_MOST_PAIRS = 1024


class _Bursts:
    """Parts the stream of sentences into the bursts of its epochs."""

    def __init__(self, host_times: bool) -> None:
        self.burst: list[_Sentence] = []
        self.time_ns: int | None = None
        """Time of day of the burst under way; None where no sentence has said it."""
        self.closed_time_ns: int | None = None
        self._timed = 0  # behind the last sentence with the burst's time
        self._kinds: dict[str, int] = {}  # where in the burst a sentence stands that comes once in an epoch
        self._host_times = host_times
        self._gaps: dict[tuple[str, str], deque[int]] = {}
        self._usual: dict[tuple[str, str], int] = {}
        self._last: _Sentence | None = None
        self._began_with: str | None = None
        self._first = True  # the first burst may lack its beginning

    def feed(self, sentence: _Sentence) -> list[list[_Sentence]]:
        """The bursts that `sentence` closes."""
        if self._last is not None:
            if self._host_times:
                self._learn(self._last.kind, sentence)
        elif sentence.said is not None and sentence.time_ns is None:
            self._began_with = sentence.kind
        self._last = sentence
        closed = []
        kind, time_ns = sentence.kind[2:], sentence.time_ns
        times = time_ns is not None and kind != "ZDA"
        if times and self.time_ns not in (None, time_ns):
            closed.append(self._close(self._timed, sentence))
        elif (
            sentence.said is not None
            and sentence.kind in self._kinds
            and (time_ns is None or self.time_ns is None)
            and (kind in _FIX_KINDS or (self.time_ns is None and not self._kinds.keys() & _FIX_KINDS))
        ):
            closed.append(self._close(max(self._timed, self._kinds[sentence.kind] + 1), sentence))
        elif len(self.burst) >= _LONGEST_BURST:
            closed.append(self._close(self._timed, sentence))
        self._add(sentence, times)
        return closed

    def flush(self) -> list[list[_Sentence]]:
        burst, self.burst = self.burst, []
        self._begin([])
        return [burst] if burst else []

    def _add(self, sentence: _Sentence, times: bool) -> None:
        burst = self.burst
        if sentence.said is not None and not sentence.kind.endswith("GSA"):
            self._kinds[sentence.kind] = len(burst)
        burst.append(sentence)
        if times:
            self.time_ns = sentence.time_ns
        if times or (sentence.time_ns is not None and sentence.time_ns == self.time_ns):
            self._timed = len(burst)

    def _begin(self, sentences: list[_Sentence]) -> None:
        self.closed_time_ns = self.time_ns if self.time_ns is not None else self.closed_time_ns
        self.burst, self.time_ns, self._timed = [], None, 0
        self._kinds = {}
        for sentence in sentences:
            self._add(sentence, sentence.time_ns is not None and not sentence.kind.endswith("ZDA"))

    def _close(self, first: int, following: _Sentence) -> list[_Sentence]:
        """Part the burst from what belongs to the epoch of `following`; the parting is at `first` or later."""
        burst = self.burst
        at = len(burst)
        for place in range(first, len(burst)):  # a ZDA of the following epoch's time
            if burst[place].time_ns is not None and burst[place].time_ns == following.time_ns:
                at = place
                break
        if at > first:
            at = self._rest(first, at, following)
        closed = burst[:at]
        if self._first and at > 0:
            self._first = False
            pair = burst[at - 1].kind, (burst[at] if at < len(burst) else following).kind
            for place in range(1, len(closed)):
                if (closed[place - 1].kind, closed[place].kind) == pair and not any(
                    s.time_ns is not None for s in closed[:place]
                ):
                    closed = closed[place:]
                    break
        self._begin(burst[at:])
        return closed

    def _rest(self, first: int, last: int, following: _Sentence) -> int:
        """Where from `first` to `last` the line usually rests longest before the sentence there."""
        sentences = [*self.burst, following]
        if self._gaps:
            pairs = [(a.kind, b.kind) for a, b in itertools.pairwise(sentences)]
            usual = [self._usual_gap(pair) for pair in pairs]
            per_byte = min((gap / (s.length + 2) for gap, s in zip(usual, sentences, strict=False)), default=0.0)
            rests = {
                at: usual[at - 1] - per_byte * (sentences[at - 1].length + 2) if at else 0.0
                for at in range(first, last + 1)
            }
            best = max(rests, key=lambda at: (rests[at], at))
            if rests[best] > rests[last] + _CLEARLY_NS:
                return best
            if any(rests[last] > rest + _CLEARLY_NS for rest in rests.values()):
                return last
        if self._began_with is not None:
            for at in range(first, last + 1):
                if sentences[at].kind == self._began_with:
                    return at
        return last

    def _learn(self, before: str, sentence: _Sentence) -> None:
        pair = before, sentence.kind
        gaps = self._gaps.get(pair)
        if gaps is None:
            if len(self._gaps) >= _MOST_PAIRS:
                self._gaps.clear()
                self._usual.clear()
            gaps = self._gaps[pair] = deque(maxlen=_USUAL_OF)
        gaps.append(sentence.mono_ns - (self._last or sentence).mono_ns)
        self._usual.pop(pair, None)

    def _usual_gap(self, pair: tuple[str, str]) -> int:
        usual = self._usual.get(pair)
        if usual is None:
            gaps = sorted(self._gaps.get(pair, (0,)))
            usual = self._usual[pair] = gaps[len(gaps) // 2]
        return usual


# --- what one sentence says ---------------------------------------------------------------------------------------

_FIX_KINDS = {"RMC", "GGA", "GNS", "GLL", "ZDA"}
_FIELDS = {"RMC": 13, "GGA": 14, "GNS": 12, "GLL": 7, "ZDA": 6, "VTG": 9, "GSA": 18}
_SIDE = {"mode", "pdop", "gsa_hdop", "zda_instant"}  # what makes no fix by itself
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
        said: dict[str, Any] = {"rmc": True}
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
                said["rmc_instant"] = day * DAY_NS + time_ns
        self._status(said, data[1], data[11])
        return time_ns, said

    def _gga(self, data: list[str]) -> Said:
        said: dict[str, Any] = {"gga": True}
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
        said: dict[str, Any] = {"gns": True}
        self._position(said, data, 1)
        if data[5]:
            said["valid"] = not _MEASURED.isdisjoint(data[5])
        self._put_int(said, "satellites", data[6], 200)
        self._put(said, "hdop", data[7], 0, 1000)
        self._put(said, "alt_m", data[8], -1000, 100_000)
        self._put(said, "geoid_m", data[9], -200, 200)
        return self._time(data[0]), said

    def _gll(self, data: list[str]) -> Said:
        said: dict[str, Any] = {"gll": True}
        self._position(said, data, 0)
        self._status(said, data[5], data[6])
        return self._time(data[4]), said

    def _zda(self, data: list[str]) -> Said:
        time_ns = self._time(data[0])
        said: dict[str, Any] = {"zda": True}
        if any(data[1:4]):
            numbers = [int(text) if text.isascii() and text.isdigit() else 0 for text in data[1:4]]
            day = _day(numbers[2], numbers[1], numbers[0]) if 1980 <= numbers[2] < 2180 else None
            if day is None:
                self._void["date unreadable"] += 1
            elif time_ns is not None:
                said["zda_instant"] = day * DAY_NS + time_ns
        return time_ns, said

    def _vtg(self, data: list[str]) -> Said:
        said: dict[str, Any] = {"vtg": True}
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
        said["listed"] = [(data[17], number) for number in data[2:14] if number]
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
        """Degrees and minutes with a hemisphere: how many decimals the minutes have, and signed degrees."""
        if not text:
            return None
        match = _ANGLE.fullmatch(text)
        if match is None or letter not in letters or not letter:
            self._void[f"{name} unreadable"] += 1
            return None
        minutes = float(match[2])
        value = float(match[1]) + minutes / 60
        if minutes >= 60 or value > limit:
            self._void[f"{name} impossible"] += 1
            return None
        return len(match[3] or ""), value if letter == letters[0] else -value

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
