"""The decoder against published sentences, another library's typed values and a real drive.

Sources are named at each check. pynmea2 gives the program its sentence grammar and checksum; here its own typed
properties, which the program does not use, are the reference for the values.
"""

from __future__ import annotations

import datetime
import itertools
import random
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pynmea2
import pytest
from simulate import sentence

from logger.decode.framing import Chunk, Frame, SentenceFramer
from logger.decode.nmea import Fix, FixDecoder
from logger.units import MPS_PER_KMH, MPS_PER_KNOT


def fixes_of(*sentences: str, host_times: bool = False) -> list[Fix]:
    decoder = FixDecoder(host_times)
    fixes = [fix for n, text in enumerate(sentences) for fix in decoder.feed(Frame(n, text.encode("ascii")))]
    assert not decoder.rejected
    assert not decoder.void_fields
    return fixes + decoder.flush()


def utc(fix: Fix) -> datetime.datetime:
    assert fix.utc_ns is not None
    return datetime.datetime.fromtimestamp(fix.utc_ns // 10**9, datetime.UTC)


# --- published sentences ------------------------------------------------------------------------------------------


def test_the_sentence_of_many_introductions() -> None:
    """D. DePriest, "NMEA data": the example of RMC, with its checksum.

    Read there: fix taken at 12:35:19 UTC, active, 48 deg 07.038' N, 11 deg 31.000' E, 22.4 knots, track 84.4 deg,
    23rd of March 1994.
    """
    (fix,) = fixes_of("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A")
    assert utc(fix) == datetime.datetime(1994, 3, 23, 12, 35, 19, tzinfo=datetime.UTC)
    assert (fix.lat_deg, fix.lon_deg) == pytest.approx((48.1173, 11.516667), abs=1e-6)
    assert fix.speed_mps == pytest.approx(22.4 * 1852 / 3600)
    assert (fix.course_deg, fix.valid) == (84.4, True)


def test_gga_gsa_vtg_and_gll_of_the_same_source() -> None:
    """D. DePriest, "NMEA data" (from memory, but for the checksums, which must fit).

    GGA: quality 1, 8 satellites, HDOP 0.9, altitude 545.4 m, geoid 46.9 m. GSA: 3D, PDOP 2.5, HDOP 1.3.
    VTG: 5.5 knots, 10.2 km/h. GLL: 49 16.45 N, 123 11.12 W at 22:54:44.
    """
    fix, last = fixes_of(
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39",
        "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
        "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
    )
    assert (fix.fix_quality, fix.satellites, fix.hdop, fix.alt_m, fix.geoid_m) == (1, 8, 0.9, 545.4, 46.9)
    assert (fix.mode, fix.pdop, fix.course_deg) == (3, 2.5, 54.7)
    assert fix.speed_mps == pytest.approx(10.2 / 3.6)  # a step of 0.1 km/h is finer than one of 0.1 knots
    assert (last.lat_deg, last.lon_deg) == pytest.approx((49 + 16.45 / 60, -(123 + 11.12 / 60)))
    assert last.time_of_day_ns == (22 * 3600 + 54 * 60 + 44) * 10**9


def test_zda_and_gns() -> None:
    """Receiver makers' protocol specifications quote these (from memory, but for the checksums, which must fit)."""
    (fix,) = fixes_of("$GPZDA,201530.00,04,07,2002,00,00*60")
    (last,) = fixes_of("$GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,*70")
    assert utc(fix) == datetime.datetime(2002, 7, 4, 20, 15, 30, tzinfo=datetime.UTC)
    assert (last.lat_deg, last.lon_deg) == pytest.approx((-(43 + 32.69262 / 60), 172 + 35.48549 / 60))
    assert (last.satellites, last.hdop, last.alt_m, last.geoid_m, last.valid) == (13, 0.9, 25.63, 11.24, True)


# --- pynmea2's typed properties on a generated corpus -------------------------------------------------------------


def corpus(count: int, seed: int) -> Iterator[str]:
    """Sentences of every kind that is used, any talker, with values over the whole of what each field may hold."""
    rng = random.Random(seed)
    for n in range(count):
        talker = rng.choice(["GP", "GN", "GL", "GA", "GB", "II"])
        decimals = rng.choice([0, 1, 2, 3])
        clock = f"{rng.randrange(24):02d}{rng.randrange(60):02d}{rng.randrange(60):02d}"
        clock += f".{rng.randrange(10**decimals):0{decimals}d}" if decimals else ""
        digits = rng.choice([2, 3, 4, 5, 7])
        lat = f"{rng.randrange(90):02d}{rng.uniform(0, 59.99):0{3 + digits}.{digits}f},{rng.choice('NS')}"
        lon = f"{rng.randrange(180):03d}{rng.uniform(0, 59.99):0{3 + digits}.{digits}f},{rng.choice('EW')}"
        day = datetime.date(2000, 1, 1) + datetime.timedelta(days=rng.randrange(68 * 365))
        knots = f"{rng.uniform(0, 200):.{rng.choice([0, 1, 2, 3])}f}"
        course = rng.choice(["", f"{rng.uniform(0, 359.9):.{rng.choice([1, 2])}f}"])
        altitude, geoid = f"{rng.uniform(-400, 8000):.{rng.choice([1, 2])}f}", f"{rng.uniform(-100, 80):.1f}"
        used, hdop = f"{rng.randrange(33):02d}", f"{rng.uniform(0.5, 99):.2f}"
        ids = ",".join(f"{rng.randrange(1, 97):02d}" if rng.random() < 0.6 else "" for _ in range(12))
        mode = rng.choice("ADEFPRN")
        yield sentence(
            [
                f"{talker}RMC,{clock},{rng.choice('AV')},{lat},{lon},{knots},{course},{day:%d%m%y},,,{mode}",
                f"{talker}GGA,{clock},{lat},{lon},{rng.randrange(9)},{used},{hdop},{altitude},M,{geoid},M,,",
                f"{talker}GNS,{clock},{lat},{lon},{mode}{mode},{used},{hdop},{altitude},{geoid},,",
                f"{talker}GLL,{lat},{lon},{clock},{rng.choice('AV')},{mode}",
                f"{talker}ZDA,{clock},{day:%d,%m,%Y},00,00",
                f"{talker}VTG,{course},T,,M,{knots},N,{float(knots) * 1.852:.0f},K,{mode}",
                f"{talker}GSA,A,{rng.randrange(1, 4)},{ids},{hdop},{hdop},{hdop}",
            ][n % 7]
        )


def close(ours: float | None, theirs: Any) -> bool:
    """The same value, or nothing on both sides."""
    if theirs in (None, ""):
        return ours is None
    return ours is not None and ours == pytest.approx(float(theirs), rel=1e-12, abs=1e-12)


def agrees(fix: Fix, message: Any) -> list[str]:
    """The fields in which `fix` is not what pynmea2 reads from `message`."""
    wrong = []
    kind = message.sentence_type

    def check(name: str, right: bool) -> None:
        if not right:
            wrong.append(name)

    if kind in ("RMC", "GGA", "GNS", "GLL"):
        # pynmea2 makes 0 of an empty place.
        check("lat", close(fix.lat_deg, message.latitude if message.lat else None))
        check("lon", close(fix.lon_deg, message.longitude if message.lon else None))
    if kind not in ("VTG", "GSA"):
        time = message.timestamp
        of_day = ((time.hour * 60 + time.minute) * 60 + time.second) * 10**9 + time.microsecond * 1000
        # pynmea2 cuts a float to whole microseconds, so its last digit may be one short.
        check("time", fix.time_of_day_ns is not None and 0 <= fix.time_of_day_ns - of_day <= 1000)
    if kind == "RMC":
        knots = message.spd_over_grnd
        check("speed", close(fix.speed_mps, knots if knots is None else knots * MPS_PER_KNOT))
        check("course", close(fix.course_deg, message.true_course))
        check("date", message.datestamp is None or utc(fix).date() == message.datestamp)
    if kind == "ZDA":
        check("date", utc(fix).date() == datetime.date(message.year, message.month, message.day))
    if kind == "GGA":
        check("quality", fix.fix_quality == message.gps_qual)
        check("geoid", close(fix.geoid_m, message.geo_sep))
        # Quality 9 aside pynmea2 affirms 1 to 5 as well.
        check("valid", fix.valid == message.is_valid)
    if kind in ("GGA", "GNS"):
        check("satellites", fix.satellites == int(message.num_sats))
        check("hdop", close(fix.hdop, message.horizontal_dil if kind == "GGA" else message.hdop))
        check("alt", close(fix.alt_m, message.altitude))
    if kind == "VTG":
        check("course", close(fix.course_deg, message.true_track))
        by_knots, by_kmh = float(message.spd_over_grnd_kts), float(message.spd_over_grnd_kmph)
        check("speed", close(fix.speed_mps, by_knots * MPS_PER_KNOT) or close(fix.speed_mps, by_kmh * MPS_PER_KMH))
    if kind in ("RMC", "GLL") and message.data[-1] != "E":
        # pynmea2 affirms estimated fixes where the status does; here they count as not measured.
        affirmed = message.status == "A" and message.data[-1] != "N"
        check("valid", fix.valid == affirmed)
    return wrong


def test_field_by_field_on_a_generated_corpus() -> None:
    wrong = []
    sentences = list(corpus(7000, 11))
    assert len({text[3:6] for text in sentences}) == 7
    for text in sentences:
        message = pynmea2.parse(text, check=True)
        if message.sentence_type == "GSA":  # no fix by itself: it rides on an RMC without values
            (fix,) = fixes_of(sentence("GPRMC,120000,V,,,,,,,,,,N"), text)
            if (fix.mode, fix.satellites or 0) != (
                int(message.mode_fix_type),
                len(set(filter(None, message.data[2:14]))),
            ):
                wrong.append((text, "mode"))
            if not (close(fix.pdop, message.pdop) and close(fix.hdop, message.hdop)):
                wrong.append((text, "dop"))
            continue
        (fix,) = fixes_of(text)
        wrong += [(text, name) for name in agrees(fix, message)]
    assert wrong == []


def test_checksums_are_pynmea2s_and_no_other_passes() -> None:
    for text in corpus(70, 12):
        body = text[1:-3]
        assert int(text[-2:], 16) == pynmea2.NMEASentence.checksum(body)
        for value in range(256):
            decoder = FixDecoder()
            decoder.feed(Frame(0, f"${body}*{value:02X}".encode()))
            assert (sum(decoder.rejected.values()) == 0) == (value == int(text[-2:], 16))


# --- a real drive -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def drive(real_log: Path) -> tuple[bytes, list[Fix], FixDecoder]:
    data = real_log.read_bytes()
    framer, decoder = SentenceFramer(), FixDecoder(host_times=False)
    frames = [f for at in range(0, len(data), 97) for f in framer.feed(Chunk(at, "gps", data[at : at + 97]))]
    fixes = [fix for frame in frames + framer.flush() for fix in decoder.feed(frame)] + decoder.flush()
    assert framer.stray_bytes == 0
    return data, fixes, decoder


def test_a_real_drive_field_by_field(drive: tuple[bytes, list[Fix], FixDecoder]) -> None:
    """Every RMC, GGA, GSA and GLL of the drive, by pynmea2, in the fix of its epoch."""
    data, fixes, decoder = drive
    assert not decoder.rejected
    assert not decoder.void_fields
    order = iter(fixes)
    checked = 0
    current: Fix | None = None
    for line in data.decode("ascii").split():
        message = pynmea2.parse(line, check=True)
        kind = getattr(message, "sentence_type", "")
        if kind in ("RMC", "GGA", "GLL"):
            if kind == "RMC":  # each epoch of this receiver begins with one
                current = next(order)
            assert current is not None
            if message.timestamp is None:  # out of sight of the satellites it says neither time nor place
                assert (current.time_of_day_ns, current.lat_deg, current.speed_mps) == (None, None, None)
                assert not current.valid
            else:
                assert agrees(current, message) == []
            checked += 1
        elif kind == "GSA" and current is not None:
            assert current.mode == int(message.mode_fix_type)
            assert close(current.pdop, message.pdop)
            checked += 1
    assert next(order, None) is None
    assert checked == 790 + 788 + 788 + 788  # what grep counts in the file


def test_a_real_drive_by_hand(drive: tuple[bytes, list[Fix], FixDecoder]) -> None:
    """Counted in the file with grep and read from its first and last sentences."""
    _, fixes, decoder = drive
    assert len(fixes) == 790
    assert utc(fixes[0]) == datetime.datetime(2010, 4, 11, 16, 57, 44, tzinfo=datetime.UTC)
    assert utc(fixes[-1]) == datetime.datetime(2010, 4, 11, 17, 24, 0, tzinfo=datetime.UTC)
    first = fixes[0]
    assert (first.lat_deg, first.lon_deg) == pytest.approx((49 + 1.5940 / 60, 12 + 3.9163 / 60), abs=1e-12)
    assert (first.alt_m, first.geoid_m, first.satellites, first.hdop, first.pdop) == (336.7, 46.6, 7, 1.0, 2.0)
    assert decoder.ignored["GPGSV"] == 2042
    assert decoder.ignored["PGRME"] == 789
    assert [n for n, fix in enumerate(fixes) if fix.time_of_day_ns is None] == [*range(114, 122), *range(227, 234)]
    assert {fix.valid for fix in fixes if fix.time_of_day_ns is None} == {False}
    steps = [b.utc_ns - a.utc_ns for a, b in itertools.pairwise(fixes) if a.utc_ns and b.utc_ns]
    assert set(steps) == {2 * 10**9}


def test_a_real_drive_with_any_byte_changed_tells_nothing_else(drive: tuple[bytes, list[Fix], FixDecoder]) -> None:
    """One byte in each thousand changed: what is still told is what was told before."""
    data, fixes, _ = drive
    rng = random.Random(2)
    damaged = bytearray(data)
    for at in range(500, len(damaged), 1000):
        damaged[at + rng.randrange(-400, 400)] ^= 1 << rng.randrange(8)
    framer, decoder = SentenceFramer(), FixDecoder(host_times=False)
    frames = framer.feed(Chunk(0, "gps", bytes(damaged))) + framer.flush()
    told = [fix for frame in frames for fix in decoder.feed(frame)] + decoder.flush()
    before = {fix.time_of_day_ns: fix for fix in fixes}
    assert sum(decoder.rejected.values()) > 300
    assert len(told) > 700
    for fix in told:
        if fix.time_of_day_ns is None:
            assert (fix.lat_deg, fix.valid) == (None, False)
            continue
        for name in ("utc_ns", "lat_deg", "lon_deg", "alt_m", "speed_mps", "course_deg", "fix_quality", "satellites"):
            value = getattr(fix, name)
            assert value is None or value == getattr(before[fix.time_of_day_ns], name)


def test_the_simulators_receiver_is_read_back() -> None:
    """Bursts of the demonstration's receiver (sample_logs/simulate.py), as text: speed and place to the last digit."""
    import numpy as np
    from simulate import ReceivedFixes, sentences

    rng = np.random.default_rng(5)
    n = 300
    received = ReceivedFixes(
        np.arange(n) / 10, np.abs(rng.normal(15, 6, n)), rng.uniform(-89, 89, n), rng.uniform(-179, 179, n),
        rng.uniform(0, 900, n), rng.uniform(0, 359, n), rng.integers(6, 16, n), np.full(n, 0.8),
    )  # fmt: skip
    start = datetime.datetime(2026, 5, 2, 23, 59, 50, tzinfo=datetime.UTC)
    for kinds in ("RMC GGA VTG GSA", "VTG GSA RMC GGA", "GGA RMC ZDA"):
        texts = [
            text
            for i in range(n)
            for text in sentences(received, i, start + datetime.timedelta(milliseconds=100 * i), 3, kinds)
        ]
        fixes = fixes_of(*texts)
        assert len(fixes) == n
        for i, fix in enumerate(fixes):
            assert fix.speed_mps == pytest.approx(received.speed_mps[i], abs=0.0006 * MPS_PER_KNOT)
            assert (fix.lat_deg, fix.lon_deg) == pytest.approx((received.lat_deg[i], received.lon_deg[i]), abs=1e-7)
            assert fix.utc_ns == int(start.timestamp()) * 10**9 + i * 10**8
            assert fix.valid


def test_the_corpus_is_of_plain_sentences() -> None:
    assert all(re.fullmatch(r"\$[A-Z]{5},[^*]*\*[0-9A-F]{2}", text) for text in corpus(700, 1))
