"""Sentences to fixes: one fix per epoch from any burst, nothing unproven used, every instant right."""

from __future__ import annotations

import datetime
import itertools
import math
import random
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_epochs import Receiver, decode
from simulate import sentence

from logger.decode.bursts import Bursts
from logger.decode.framing import Chunk, Frame, SentenceFramer
from logger.decode.nmea import Fix, FixDecoder, dated, instant_near
from logger.decode.sentences import SentenceReader
from logger.units import MPS_PER_KMH, MPS_PER_KNOT, NS_PER_DAY

RMC = "GPRMC,{time},A,4807.03800,N,01131.00000,E,{knots},{course},{date},,,A"
GGA = "GPGGA,{time},4807.03800,N,01131.00000,E,1,08,0.9,545.4,M,46.9,M,,"


def utc_ns(*when: int, ns: int = 0) -> int:
    return int(datetime.datetime(*when, tzinfo=datetime.UTC).timestamp()) * 10**9 + ns  # type: ignore[misc, arg-type]


# --- one sentence -------------------------------------------------------------------------------------------------


def test_every_value_of_a_full_epoch() -> None:
    (fix,) = decode(
        "GNRMC,123519.25,A,4807.03812,N,01131.00012,E,022.4,084.4,230394,003.1,W,A",
        "GNGGA,123519.25,4807.03812,N,01131.00012,E,4,08,0.9,545.4,M,46.9,M,,",
        "GNGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1",
        "GNVTG,084.4,T,,M,022.4,N,041.5,K,A",
    )
    assert fix == Fix(
        mono_ns=0,
        utc_ns=utc_ns(1994, 3, 23, 12, 35, 19, ns=250_000_000),
        time_of_day_ns=(12 * 3600 + 35 * 60 + 19) * 10**9 + 250_000_000,
        lat_deg=48 + 7.03812 / 60,
        lon_deg=11 + 31.00012 / 60,
        alt_m=545.4,
        geoid_m=46.9,
        speed_mps=pytest.approx(41.5 / 3.6),  # km/h to 0.1 is finer than knots to 0.1, and agrees with them
        course_deg=84.4,
        valid=True,
        fix_quality=4,
        mode=3,
        satellites=8,
        hdop=0.9,
        pdop=2.5,
    )


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("GPGLL,4916.45,N,12311.12,W,225444,A,", {"lat_deg": 49 + 16.45 / 60, "lon_deg": -(123 + 11.12 / 60)}),
        ("GPGLL,4916.45,S,12311.12,E,225444,A", {"lat_deg": -(49 + 16.45 / 60), "lon_deg": 123 + 11.12 / 60}),
        ("GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,",
         {"lat_deg": -(43 + 32.69262 / 60), "lon_deg": 172 + 35.48549 / 60, "satellites": 13, "hdop": 0.9,
          "alt_m": 25.63, "geoid_m": 11.24, "valid": True}),
        ("GPGGA,014035,,,,,0,00,99.99,,,,,,", {"lat_deg": None, "fix_quality": 0, "satellites": 0, "valid": False}),
        ("GPRMC,014035,V,,,,,,,050626,,,N", {"valid": False, "speed_mps": None, "lat_deg": None}),
        ("GPRMC,014035,A,4807.038,N,01131.000,E,1.5,10,050626,,,E", {"valid": False, "speed_mps": 1.5 * MPS_PER_KNOT}),
        ("GPRMC,014035,A,4807.038,N,01131.000,E,1.5,10,050626,,", {"valid": True}),
        ("GPGGA,014035,4807.038,N,01131.000,E,6,08,0.9,545.4,M,46.9,M,,", {"valid": False, "fix_quality": 6}),
        ("GLVTG,10.0,T,,M,1.500,N,2.778,K,D",
         {"speed_mps": pytest.approx(2.778 / 3.6), "course_deg": 10.0, "valid": True}),
        ("GPVTG,10.0,T,,M,1.500,N,2.8,K,N", {"speed_mps": 1.5 * MPS_PER_KNOT, "valid": False}),
        ("GPZDA,201530.00,04,07,2002,00,00", {"utc_ns": utc_ns(2002, 7, 4, 20, 15, 30), "valid": False}),
    ],
)  # fmt: skip
def test_what_one_sentence_says(body: str, expected: dict[str, object]) -> None:
    (fix,) = decode(body)
    assert {name: getattr(fix, name) for name in expected} == expected


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        ("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6B", "checksum wrong"),
        ("$GPRMC,123519,A,4807.038,N,01131.001,E,022.4,084.4,230394,003.1,W*6A", "checksum wrong"),
        ("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", "checksum missing"),
        ("$GPGSV,3,1,12,02,19,043,00", "checksum missing"),
        ("$GPRMC,123519,A,4807.038,N*6", "not a sentence"),
        ("$GPRMC,123519,A,4807.038,N*6Ax", "not a sentence"),
        ("$*00", "not a sentence"),
        ("$", "not a sentence"),
        ("$\xff\xfe", "not a sentence"),
    ],
)
def test_what_proves_nothing_is_rejected_and_counted(data: str, reason: str) -> None:
    decoder = FixDecoder()
    assert decode(data, decoder=decoder) == []
    assert decoder.rejected == {reason: 1}
    assert decoder.sentences == 0


ADDRESSES = [
    "GPRMC", "GNGGA", "GLGSV", "GPVTG", "GNGSA", "GNGNS", "GPGLL", "GPZDA", "PGRMC", "PGRME", "PUBX", "CCGPQ", "GPXXQ",
    "GPGST", "XXABC", "gprmc", "G1RMC", "GPRM", "GPRMCC", "\xc9PRMC", "",
]  # fmt: skip
FIELDS = st.lists(
    st.sampled_from(["", "092751.10", "A", "V", "N", "5324.0721", "00023.9219", "W", "13.2", "020526", "$", "\xff"])
    | st.text(st.characters(max_codepoint=255, exclude_characters="\r\n"), max_size=6),
    max_size=20,
)  # fmt: skip


@given(
    st.sampled_from(["$", "!", "", " $", "$$"]), st.sampled_from(ADDRESSES), FIELDS,
    st.sampled_from(["*", "", "* ", "*x"]), st.sampled_from(["right", "right", "right", "lower", "wrong", "none"]),
    st.sampled_from(["", " ", "*", "\t", "x"]),
)  # fmt: skip
@settings(max_examples=600, deadline=None)
def test_a_plain_sentence_is_read_as_by_pynmea2(
    begin: str, address: str, fields: list[str], star: str, kind: str, end: str
) -> None:
    covered = ",".join([address, *fields])
    told = 0
    for byte in covered.encode("latin-1"):
        told ^= byte
    told ^= kind == "wrong"
    text = {"none": "", "lower": f"{told:02x}"}.get(kind, f"{told:02X}")
    frame = Frame(7, f"{begin}{covered}{star}{text}{end}".encode("latin-1"))
    quick, careful = SentenceReader(), SentenceReader()
    assert quick.read(frame) == careful._read_carefully(frame, frame.data.decode("latin-1"))
    for counts in ("rejected", "ignored", "void_fields", "sound"):
        assert getattr(quick, counts) == getattr(careful, counts)


def test_ordinary_sentences_do_not_go_the_careful_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SentenceReader, "_read_carefully", None)
    reader = SentenceReader()
    for body in ("GNRMC,092751.10,A,5324.0721,N,00023.9219,W,0.08,31.66,020526,,,A", "GPGSV,3,1,12,05,38,291,41"):
        reader.read(Frame(0, sentence(body).encode()))
    assert reader.sound == 2


def test_other_sentences_are_ignored_and_counted() -> None:
    decoder = FixDecoder()
    bodies = ("GPGSV,1,1,00", "PGRME,5.5,M,7.0,M,8.9,M", "PUBX", "HCHDG,212.6,,,1.6,E", "XXABC,1", "CCGPQ,GGA")
    assert decode(*bodies, "!AIVDM,1,1,,A,14eG;o@034o8sd<L9i:a;WF>062D,0*7D", decoder=decoder) == []
    assert decoder.ignored == {
        "GPGSV": 1, "PGRME": 1, "PUBX": 1, "HCHDG": 1, "XXABC": 1, "CCGPQ": 1, "AIVDM": 1
    }  # fmt: skip
    assert not decoder.rejected
    assert decoder.sentences == 7


@pytest.mark.parametrize(
    ("body", "void", "lost"),
    [
        (RMC.format(time="123519", knots="-0.1", course="1", date="230394"), "speed impossible", "speed_mps"),
        (RMC.format(time="123519", knots="1e3", course="1", date="230394"), "speed unreadable", "speed_mps"),
        (RMC.format(time="123519", knots="nan", course="1", date="230394"), "speed unreadable", "speed_mps"),
        (RMC.format(time="123519", knots="9999.9", course="1", date="230394"), "speed impossible", "speed_mps"),
        (RMC.format(time="123519", knots="1_0", course="1", date="230394"), "speed unreadable", "speed_mps"),
        (RMC.format(time="123519", knots="1", course="361", date="230394"), "course_deg impossible", "course_deg"),
        (RMC.format(time="123519", knots="1", course="1", date="310294"), "date unreadable", "utc_ns"),
        (RMC.format(time="123519", knots="1", course="1", date="2303"), "date unreadable", "utc_ns"),
        (RMC.format(time="253519", knots="1", course="1", date="230394"), "time unreadable", "time_of_day_ns"),
        (RMC.format(time="12351", knots="1", course="1", date="230394"), "time unreadable", "time_of_day_ns"),
        ("GPGGA,123519,9007.038,N,01131.000,E,1,08,0.9,5.4,M,6.9,M,,", "latitude impossible", "lat_deg"),
        ("GPGGA,123519,4807.038,N,18131.000,E,1,08,0.9,5.4,M,6.9,M,,", "longitude impossible", "lon_deg"),
        ("GPGGA,123519,4860.000,N,01131.000,E,1,08,0.9,5.4,M,6.9,M,,", "latitude impossible", "lat_deg"),
        ("GPGGA,123519,4807.038,,01131.000,E,1,08,0.9,5.4,M,6.9,M,,", "latitude unreadable", "lat_deg"),
        ("GPGGA,123519,4807.038,N,0113x.000,E,1,08,0.9,5.4,M,6.9,M,,", "longitude unreadable", "lon_deg"),
        ("GPGGA,123519,4807.038,N,01131.000,E,x,08,0.9,5.4,M,6.9,M,,", "fix_quality unreadable", "fix_quality"),
        ("GPGGA,123519,4807.038,N,01131.000,E,1,-8,0.9,5.4,M,6.9,M,,", "satellites unreadable", "satellites"),
        ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,1e9,M,6.9,M,,", "alt_m unreadable", "alt_m"),
        ("GPGGA,123519,4807.038,N,01131.000,E,1,08,-.9,5.4,M,6.9,M,,", "hdop impossible", "hdop"),
        ("GPZDA,123519,30,02,2002,00,00", "date unreadable", "utc_ns"),
    ],
)
def test_a_field_that_cannot_be_used_is_void_alone_and_counted(body: str, void: str, lost: str) -> None:
    decoder = FixDecoder()
    (fix,) = decode(body, decoder=decoder)
    assert decoder.void_fields == {void: 1}
    assert getattr(fix, lost) is None
    assert fix.valid or body.startswith("GPZDA") or lost == "fix_quality"


def test_the_position_is_that_of_the_sentence_with_most_decimals() -> None:
    (fix,) = decode(
        "GPRMC,120000,A,4807.04,N,01131.00,E,0,0,230394,,,A",
        "GPGGA,120000,4807.03812,N,01131.00012,E,1,08,0.9,5.4,M,6.9,M,,",
    )
    assert (fix.lat_deg, fix.lon_deg) == (48 + 7.03812 / 60, 11 + 31.00012 / 60)


@pytest.mark.parametrize(
    ("rmc", "vtg_knots", "vtg_kmh", "expected"),
    [
        ("10.123", "10.1", "18.7", 10.123 * MPS_PER_KNOT),
        ("10.1", "10.123", "18.7", 10.123 * MPS_PER_KNOT),
        ("10.1", "10.12", "18.748", 18.748 * MPS_PER_KMH),
        ("10.1", "12.345", "22.9", 10.1 * MPS_PER_KNOT),  # of another epoch
        ("", "12.345", "22.9", 12.345 * MPS_PER_KNOT),
        ("10.1", "", "", 10.1 * MPS_PER_KNOT),
        ("10", "10.0", "18.5", 18.5 * MPS_PER_KMH),
    ],
)
def test_the_speed_with_the_finest_last_digit(rmc: str, vtg_knots: str, vtg_kmh: str, expected: float) -> None:
    (fix,) = decode(
        RMC.format(time="120000", knots=rmc, course="", date="230394"), f"GPVTG,,T,,M,{vtg_knots},N,{vtg_kmh},K,A"
    )
    assert fix.speed_mps == pytest.approx(expected, rel=1e-12)


# --- time ---------------------------------------------------------------------------------------------------------


def test_a_date_holds_through_midnight_until_the_next() -> None:
    times = ["235958", "235959", "000000", "000001"]
    fixes = decode(
        RMC.format(time="235957", knots="1", course="1", date="311226"), *(GGA.format(time=time) for time in times)
    , gap_ns=10**9)  # fmt: skip
    start = utc_ns(2026, 12, 31, 23, 59, 57)
    assert [fix.utc_ns for fix in fixes] == [start + n * 10**9 for n in range(5)]


def test_a_date_holds_over_days_by_the_host_clock() -> None:
    decoder = FixDecoder()
    date = sentence(RMC.format(time="120000", knots="1", course="1", date="020526")).encode()
    fixes = decoder.feed(Frame(0, date)) + decoder.feed(
        Frame(3 * NS_PER_DAY + 10**9, sentence(GGA.format(time="120001")).encode())
    )
    assert [fix.utc_ns for fix in fixes + decoder.flush()] == [utc_ns(2026, 5, 2, 12), utc_ns(2026, 5, 5, 12, 0, 1)]


def test_epochs_before_the_date_get_it_afterwards_back_through_midnight() -> None:
    times = ["235958", "235959", "000000"]
    fixes = decode(
        "GPGGA,,,,,,0,00,99.99,,,,,,",
        *(GGA.format(time=time) for time in times),
        RMC.format(time="000001", knots="1", course="1", date="010127"),
        gap_ns=10**9,
    )
    assert [fix.utc_ns for fix in fixes] == [None] * 4 + [utc_ns(2027, 1, 1, 0, 0, 1)]
    assert len(fixes) == 5
    start = utc_ns(2026, 12, 31, 23, 59, 58)
    assert [fix.utc_ns for fix in dated(fixes)] == [None] + [start + n * 10**9 for n in range(4)]


def test_without_any_date_there_are_rows_all_the_same() -> None:
    fixes = decode(*(GGA.format(time=f"12000{n}") for n in range(5)))
    assert [fix.utc_ns for fix in dated(fixes)] == [None] * 5
    assert [fix.time_of_day_ns for fix in fixes] == [(43200 + n) * 10**9 for n in range(5)]


def test_the_leap_second_is_the_following_midnight() -> None:
    """The one at the end of 2016 (IERS Bulletin C 52)."""
    fixes = decode(
        *(RMC.format(time=time, knots="1", course="1", date=date) for time, date in
          [("235959.00", "311216"), ("235960.00", "311216"), ("000000.00", "010117")])
    )  # fmt: skip
    midnight = utc_ns(2017, 1, 1)
    assert [fix.utc_ns for fix in fixes] == [midnight - 10**9, midnight, midnight]


@pytest.mark.parametrize(("year", "full"), [("80", 1980), ("94", 1994), ("99", 1999), ("00", 2000), ("79", 2079)])
def test_two_digit_years(year: str, full: int) -> None:
    (fix,) = decode(RMC.format(time="120000", knots="1", course="1", date="0105" + year))
    assert fix.utc_ns == utc_ns(full, 5, 1, 12)


def test_zda_gives_the_date_even_where_its_time_is_another() -> None:
    fixes = decode(
        "GPZDA,120000,02,05,2026,00,00", GGA.format(time="120000.4"), GGA.format(time="120000.6")
    )  # fmt: skip
    assert [fix.utc_ns for fix in fixes] == [
        utc_ns(2026, 5, 2, 12, ns=400_000_000), utc_ns(2026, 5, 2, 12, ns=600_000_000)
    ]  # fmt: skip


@given(st.integers(0, NS_PER_DAY - 1), st.integers(0, 4 * 10**18))
def test_the_instant_near_a_clock(time_of_day_ns: int, near_ns: int) -> None:
    instant = instant_near(time_of_day_ns, near_ns)
    assert instant % NS_PER_DAY == time_of_day_ns
    assert abs(instant - near_ns) <= NS_PER_DAY // 2


# --- whatever comes in --------------------------------------------------------------------------------------------

FIELD = st.sampled_from(
    ["", "A", "V", "N", "S", "E", "W", "T", "K", "0", "1", "3", "08", "4807.038", "01131.000", "123519", "123519.5",
     "235960", "020526", "-1", "1e9", "nan", "\xff", "99.99", "545.4", "M", "99999999999999999999", ".", "-.", "\u00b2"]
)  # fmt: skip
SENTENCE = st.builds(
    lambda talker, kind, fields: "$" + ",".join([talker + kind, *fields]),
    st.sampled_from(["GP", "GN", "P", "", "\xff\xff", "CC"]),
    st.sampled_from(["RMC", "GGA", "VTG", "GSA", "GNS", "ZDA", "GLL", "GSV", "UBX", "GRM", "GPQ", ""]),
    st.lists(FIELD, max_size=25),
)


def summed(body: str, wrong: int = 0) -> bytes:
    data = body.encode("latin-1")
    value = wrong
    for byte in data[1:]:
        value ^= byte
    return data + b"*%02X" % value


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(SENTENCE, st.sampled_from([0, 0, 0, 1, 0x80]), st.integers(0, 2 * 10**9)), max_size=40))
def test_no_sentence_stops_the_decoder_and_none_unproven_counts(drawn: list[tuple[str, int, int]]) -> None:
    decoder = FixDecoder()
    fixes, mono_ns = [], 0
    for body, wrong, gap_ns in drawn:
        mono_ns += gap_ns
        fixes += decoder.feed(Frame(mono_ns, summed(body, wrong)))
        decoder.latest()
    fixes += decoder.flush()
    assert decoder.rejected["checksum wrong"] + decoder.rejected["not a sentence"] >= sum(w != 0 for _, w, _ in drawn)
    assert decoder.sentences + sum(decoder.rejected.values()) - decoder.rejected["late for its epoch"] == len(drawn)
    for fix in dated(fixes):
        assert fix.lat_deg is None or abs(fix.lat_deg) <= 90
        assert fix.lon_deg is None or abs(fix.lon_deg) <= 180
        assert fix.speed_mps is None or 0 <= fix.speed_mps < 1000
        assert all(math.isfinite(value) for value in fix if isinstance(value, float))
    assert [fix.mono_ns for fix in fixes] == sorted(fix.mono_ns for fix in fixes)


@given(st.lists(st.binary(max_size=60), max_size=30))
def test_random_bytes_never_become_a_fix(chunks: list[bytes]) -> None:
    framer, decoder = SentenceFramer(), FixDecoder()
    frames = [frame for n, data in enumerate(chunks) for frame in framer.feed(Chunk(n, "gps", data))] + framer.flush()
    assert [fix for frame in frames for fix in decoder.feed(frame)] + decoder.flush() == []


@pytest.mark.parametrize("size", [150_000, pytest.param(3_000_000, marks=pytest.mark.long)])
def test_a_garbled_line_gives_nothing_false_and_memory_stays_flat(size: int) -> None:
    """Sentences of known values with bytes changed, dropped and put in: no fix holds a value that was not sent.

    The checksum is an exclusive or: two equal changes cancel in it, one change or one lost byte cannot. So one byte of
    a sentence is changed or lost at most.
    """
    rng = random.Random(7)
    receiver = Receiver(["RMC", "GGA", "GSA", "VTG"], 0.2)
    framer, decoder = SentenceFramer(), FixDecoder()
    sent = fixes = fed = touched = 0
    base = peak = 0
    tracemalloc.start()
    try:
        while fed < size:
            n = sent % 3000
            for text in receiver.burst(n):
                data = bytearray(text.encode() + b"\r\n")
                if rng.random() < 0.3:
                    touched += 1
                    at = rng.randrange(len(data))
                    match rng.randrange(3):
                        case 0:
                            data[at] ^= 1 << rng.randrange(8)
                        case 1:
                            data[at] = rng.randrange(256)
                        case _:
                            del data[at]
                fed += len(data)
                for frame in framer.feed(Chunk(sent * 200_000_000, "gps", bytes(data))):
                    for fix in decoder.feed(frame):
                        assert fix.time_of_day_ns is not None
                        epoch = round((fix.time_of_day_ns / 1e9 - 43200) / 0.2)
                        assert fix.alt_m in (None, epoch)
                        assert fix.lat_deg is None or abs(fix.lat_deg - 48 - (7 + epoch / 1e5) / 60) < 1e-9
                        fixes += 1
            sent += 1
            if sent == 200:
                tracemalloc.reset_peak()
                base = tracemalloc.get_traced_memory()[0]
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert fixes > 0.8 * sent
    assert sum(decoder.rejected.values()) > 0.8 * touched
    assert peak - base < 200_000


@pytest.mark.parametrize("order", ["VTG", "GSA GSA2", "GSV", "ZDA", "GSA VTG"])
def test_a_stream_without_places_is_parted_and_memory_stays_flat(order: str) -> None:
    receiver = Receiver(order.split())
    sentences, bursts = SentenceReader(), Bursts(host_times=True)
    longest = 0
    for mono_ns, _, data in receiver.arrivals(600, random.Random(1), 38400):
        bursts.feed(sentences.read(Frame(mono_ns, data)))
        longest = max(longest, len(bursts.burst))
    assert longest <= 256


def test_many_makers_sentences_are_counted_in_bounded_room() -> None:
    decoder = FixDecoder()
    for a, b, c in itertools.product("QRSTUVWXYZ", repeat=3):
        decoder.feed(Frame(0, sentence(f"XX{a}{b}{c},1").encode()))
    assert sum(decoder.ignored.values()) == 1000
    assert len(decoder.ignored) <= 101
