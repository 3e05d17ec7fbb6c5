"""NMEA 0183 sentences folded into one fix per epoch.

    decoder = FixDecoder()
    decoder.feed(frame) -> list[Fix]     the fixes that this sentence completes: none or one, rarely two
    decoder.flush() -> list[Fix]         the last one, when the stream ends
    decoder.latest() -> Fix | None       the epoch under way as far as it has come, for a live view
    decoder.rejected: Counter[str]       sentences never used, by reason: "checksum wrong", "checksum missing", ...
    decoder.ignored: Counter[str]        sound sentences of no use here, by their address ("GPGSV", "PGRME", ...)
    decoder.void_fields: Counter[str]    fields that could not be used, by name and reason; their sentence else is

RMC, GGA, GNS, GLL, ZDA, VTG and GSA of any talker are used, in any order and number. A sentence without a right
checksum is never used; see `sentences`.

**What is one epoch.** A change of UTC time begins a new one; see `bursts`.

**Time.** `Fix.utc_ns` comes from the date of RMC or ZDA in the epoch, or else of an earlier epoch carried on through
midnight by the host clock; it is None before the first date. `dated(fixes)` gives those the date that came later.
A receiver that never gives a date (GGA alone) leaves `utc_ns` None throughout; `instant_near` then makes an instant of
`time_of_day_ns` from any clock that is right within half a day. Second 60, a leap second, is the instant of the
following 00:00:00. Two-digit years are 1980 to 2079, GPS time having begun in 1980.

**Which value.** Position: the sentence with the most decimals. Speed: the receiver's Doppler speed over ground from
RMC or VTG (knots or km/h), whichever has the finest last digit; VTG's only where it agrees with RMC's within what both
round off, so that a VTG of another epoch cannot shift a speed in time. Course: RMC, else VTG. Altitude, geoid,
satellites, HDOP: GGA or GNS, else GSA. Otherwise the first sentence that says so.

**Valid** is a fix where no sentence of the epoch denies it and at least one affirms it: RMC and GLL by their status,
GGA by its quality, GNS by its mode. Where none of these speaks VTG does by its mode, else GSA; no time proves of which
epoch they are. Estimated (dead reckoning), manual and simulated fixes are not valid: they are not measured. Values of
fixes that are not valid are kept as they were said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from logger.decode.bursts import Bursts, UsualGap
from logger.decode.framing import Frame
from logger.decode.sentences import Sentence, SentenceReader
from logger.units import NS_PER_DAY


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
    return time_of_day_ns + (near_ns - time_of_day_ns + NS_PER_DAY // 2) // NS_PER_DAY * NS_PER_DAY


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
        self._sentences = SentenceReader()
        self.rejected, self.ignored = self._sentences.rejected, self._sentences.ignored
        self.void_fields = self._sentences.void_fields
        self.bursts = Bursts(host_times)
        self._host_times = host_times
        self.dated: Dated = None
        """The last epoch with a date."""

    @property
    def sentences(self) -> int:
        """Sentences with a right checksum."""
        return self._sentences.sound

    def feed(self, frame: Frame) -> list[Fix]:
        """The fixes that the sentence in `frame` completes."""
        sentence = self._sentences.read(frame)
        bursts = self.bursts
        if sentence.time_ns not in (None, bursts.time_ns) and sentence.time_ns == bursts.closed_time_ns:
            self.rejected["late for its epoch"] += 1
            return []
        return self._fixes(self.bursts.feed(sentence))

    def flush(self) -> list[Fix]:
        """The epoch under way; for where the stream ends, or breaks off because its port was lost."""
        return self._fixes(self.bursts.flush())

    def resume(
        self, passed: int, ignored: Counter[str], frames: list[Frame], closed_time_ns: int,
        learnt: Mapping[tuple[str, str], UsualGap], dated: Dated,
    ) -> None:  # fmt: skip
        """Go on where others did the work: `passed` sound sentences, `ignored` among them, and the gaps `learnt`.

        The epochs up to that of `closed_time_ns` are over, the last with a date was `dated`; `frames` are of the epoch
        under way.
        """
        self._sentences.sound += passed
        self.ignored.update(ignored)
        self.bursts.resume([self._sentences.read(frame) for frame in frames], closed_time_ns, learnt)
        self.dated = dated

    def latest(self) -> Fix | None:
        """The epoch under way with what has been said of it so far."""
        return self._fix(self.bursts.burst, self.dated)[0]

    def _fixes(self, bursts: list[list[Sentence]]) -> list[Fix]:
        fixes = []
        for burst in bursts:
            fix, self.dated = self._fix(burst, self.dated)
            if fix is not None:
                fixes.append(fix)
        return fixes

    def _fix(self, burst: list[Sentence], dated: Dated) -> tuple[Fix | None, Dated]:
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
        valid = said.get("valid", said.get("vtg_valid", mode in (2, 3)))
        satellites = said.get("satellites", len(said.get("listed", ())) or None)
        fix = Fix(
            mono_ns, utc_ns, time_ns, lat_deg, lon_deg, said.get("alt_m"), said.get("geoid_m"), _speed(said),
            said.get("course_deg", said.get("vtg_course_deg")), valid, said.get("fix_quality"), mode, satellites,
            said.get("hdop", said.get("gsa_hdop")), said.get("pdop"),
        )  # fmt: skip
        return fix, dated


Dated = tuple[int, int] | None
"""UTC and host clock of an epoch [ns]."""


def _merged(sentences: list[Sentence]) -> dict[str, Any]:
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
