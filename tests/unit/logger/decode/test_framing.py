"""Framers: the same frames from bytes cut anywhere, each with the time of its first byte; nothing lost uncounted."""

from __future__ import annotations

import itertools
import random
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config import reading
from logger.config.recorder import Checksum, RecorderConfig
from logger.decode.framing import (
    LINE_UNDER_WAY_NS,
    BinaryFramer,
    Chunk,
    Frame,
    Framer,
    LineFramer,
    SentenceFramer,
    checksum,
    framer_for,
)


def feed(framer: Framer, *datas: bytes, flush: bool = True) -> list[Frame]:
    """The frames of these chunks, the n-th arriving at n ns."""
    frames = [frame for n, data in enumerate(datas) for frame in framer.feed(Chunk(n, "x", data))]
    return frames + (framer.flush() if flush else [])


def datas(frames: list[Frame]) -> list[bytes]:
    return [frame.data for frame in frames]


def cut(data: bytes, places: list[int]) -> list[bytes]:
    edges = [0, *sorted(min(place, len(data)) for place in places), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


# --- lines --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n", b"\n\r", b"\r\n\r\n"])
def test_lines_of_every_line_end(end: bytes) -> None:
    assert datas(feed(LineFramer(), b"14.7" + end + b"14.8" + end)) == [b"14.7", b"14.8"]


def test_a_line_has_the_time_of_its_first_byte_not_of_the_line_end_before_it() -> None:
    assert feed(LineFramer(), b"1\r", b"\n", b"2", b"2", b"\r\n3\r\n") == [
        Frame(0, b"1"),
        Frame(2, b"22"),
        Frame(4, b"3"),
    ]


def test_zero_and_high_bytes_stay_in_their_line() -> None:
    assert datas(feed(LineFramer(), b"\0\xff14.7\0\r\n")) == [b"\0\xff14.7\0"]


def test_an_over_long_line_is_dropped_whole_and_the_next_one_is_whole() -> None:
    for pieces in ([b"1" * 30 + b"\n22\n"], [b"1" * 8, b"1" * 8, b"1" * 14, b"\n22\n"]):
        framer = LineFramer(limit=10)
        assert datas(feed(framer, *pieces)) == [b"22"]
        assert framer.rejected == {"line too long": 1}
        assert framer.stray_bytes == 30


def test_a_line_of_just_the_limit_is_kept() -> None:
    framer = LineFramer(limit=10)
    assert datas(feed(framer, b"1" * 10 + b"\n", b"2" * 4, b"2" * 6, b"\n")) == [b"1" * 10, b"2" * 10]
    assert not framer.rejected


def test_the_rest_without_a_line_end_is_no_line() -> None:
    framer = LineFramer()
    assert datas(feed(framer, b"14.7\r\n14.")) == [b"14.7"]
    assert framer.rejected == {"cut off": 1}


def test_what_was_under_way_when_the_port_opened_is_no_line() -> None:
    framer = LineFramer()
    framer.opened(1000)
    assert datas(framer.feed(Chunk(2000, "x", b"4.7\r\n14.8\r\n"))) == [b"14.8"]
    assert framer.rejected == {"cut off": 1}
    assert framer.stray_bytes == 3


def test_a_line_that_begins_after_a_rest_of_the_line_is_whole() -> None:
    framer = LineFramer()
    framer.opened(1000)
    assert datas(framer.feed(Chunk(1000 + LINE_UNDER_WAY_NS, "x", b"14.7\r\n"))) == [b"14.7"]
    framer.opened(10**9)
    assert datas(framer.feed(Chunk(10**9 + 1, "x", b"\r\n14.8\r\n"))) == [b"14.8"]
    assert not framer.rejected


def test_a_line_does_not_go_on_across_a_lost_port() -> None:
    framer = LineFramer()
    framer.feed(Chunk(0, "x", b"14"))
    framer.opened(10**9)
    assert datas(framer.feed(Chunk(3 * 10**9, "x", b"14.7\r\n"))) == [b"14.7"]
    assert framer.rejected == {"cut off": 1}


@given(
    st.lists(st.sampled_from([b"14.7", b"\0", b"x" * 30, b"\r", b"\n", b"\r\n", b"a,b"])), st.lists(st.integers(0, 200))
)
def test_lines_do_not_depend_on_the_cuts_and_every_byte_is_accounted_for(parts: list[bytes], places: list[int]) -> None:
    data = b"".join(parts)
    whole, pieces = LineFramer(limit=20), LineFramer(limit=20)
    frames = feed(whole, data)
    assert datas(feed(pieces, *cut(data, places))) == datas(frames)
    assert (pieces.rejected, pieces.stray_bytes) == (whole.rejected, whole.stray_bytes)
    ends = data.count(b"\r") + data.count(b"\n")
    assert sum(map(len, datas(frames))) + whole.stray_bytes + ends == len(data)


# --- sentences ----------------------------------------------------------------------------------------------------


def test_a_sentence_glued_to_garbage_is_found_at_its_beginning() -> None:
    framer = SentenceFramer()
    assert feed(framer, b"\xff\0zz$GPRMC,1*22\r\n", b"junk\r\n", b"4!AIVDM,1*00\n") == [
        Frame(0, b"$GPRMC,1*22"),
        Frame(2, b"!AIVDM,1*00"),
    ]
    assert framer.stray_bytes == 4 + 4 + 1
    assert not framer.rejected


def test_a_sentence_that_lost_its_end_does_not_take_the_next_with_it() -> None:
    assert feed(SentenceFramer(), b"$GPRMC,12", b"35$GP", b"GGA,1*33\r\n") == [
        Frame(0, b"$GPRMC,1235"),
        Frame(1, b"$GPGGA,1*33"),
    ]


def test_the_last_sentence_needs_no_line_end() -> None:
    assert datas(feed(SentenceFramer(), b"$GPRMC,1*22\r\n$GPGGA,1*33")) == [b"$GPRMC,1*22", b"$GPGGA,1*33"]


def test_a_sentence_does_not_go_on_across_a_lost_port() -> None:
    framer = SentenceFramer()
    framer.feed(Chunk(0, "x", b"$GPRMC,"))
    framer.opened(5)
    assert datas(framer.feed(Chunk(6, "x", b"1*22\r\n$GPGGA,1*33\r\n"))) == [b"$GPGGA,1*33"]


@given(
    st.lists(st.sampled_from([b"$GPRMC,1*22", b"\xfe", b"$", b"!", b"x" * 1100, b"\r", b"\r\n", b"abc"])),
    st.lists(st.integers(0, 3000)),
)
def test_sentences_do_not_depend_on_the_cuts_and_every_byte_is_accounted_for(
    parts: list[bytes], places: list[int]
) -> None:
    data = b"".join(parts)
    whole, pieces = SentenceFramer(), SentenceFramer()
    frames = feed(whole, data)
    assert datas(feed(pieces, *cut(data, places))) == datas(frames)
    assert (pieces.rejected, pieces.stray_bytes) == (whole.rejected, whole.stray_bytes)
    ends = data.count(b"\r") + data.count(b"\n")
    assert sum(map(len, datas(frames))) + whole.stray_bytes + ends == len(data)
    assert all(frame.data[0] in b"$!" and not set(frame.data[1:]) & set(b"$!\r\n") for frame in frames)


# --- binary frames ------------------------------------------------------------------------------------------------

SYNC = b"\xaa\x55"
XOR = Checksum(kind="xor", at=-1)


def framed(payload: bytes, check: Checksum | None = XOR) -> bytes:
    """A frame of the payload with its checksum behind it."""
    body = SYNC + payload
    if check is None:
        return body
    width = 2 if "16" in check.kind else 1
    return body + checksum(check.kind, body[check.start :]).to_bytes(width, check.byte_order)


@pytest.mark.parametrize(
    "check",
    [
        Checksum(kind=kind, at=at, byte_order=order)
        for kind, at in {
            "xor": -1,
            "sum8": -1,
            "neg_sum8": 6,
            "sum16": -2,
            "crc16_ccitt_false": -2,
            "crc16_xmodem": 6,
            "crc16_modbus": -2,
            "crc16_arc": -2,
        }.items()
        for order in ("big", "little")
    ],
    ids=lambda check: f"{check.kind} {check.byte_order}",
)
def test_frames_of_every_checksum(check: Checksum) -> None:
    stream = [framed(bytes([n, 2, 3, 4]), check) for n in range(5)]
    damaged = bytearray(stream[2])
    damaged[3] ^= 0x10
    framer = BinaryFramer(SYNC, len(stream[0]), check)
    frames = feed(framer, stream[0] + b"noise" + stream[1], bytes(damaged), stream[3][:2], stream[3][2:] + stream[4])
    assert frames == [Frame(0, stream[0]), Frame(0, stream[1]), Frame(2, stream[3]), Frame(3, stream[4])]
    assert framer.rejected == {"checksum wrong": 1}
    assert framer.stray_bytes == 5 + len(damaged)


def test_a_checksum_over_part_of_the_frame() -> None:
    check = Checksum(kind="sum8", at=2, start=3, stop=6)
    frame = SYNC + bytes([6 + 7 + 8, 6, 7, 8])
    assert datas(feed(BinaryFramer(SYNC, 6, check), frame)) == [frame]


def test_sync_bytes_among_the_data_cost_no_frame() -> None:
    check = Checksum(kind="crc16_arc", at=-2)
    frames = [framed(data, check) for data in (b"\xaa\x55\xaa\x55", b"\x01\xaa\x55\xaa", b"\xaa\xaa\xaa\xaa")]
    for start in range(len(frames[0])):
        got = datas(feed(BinaryFramer(SYNC, 8, check), b"".join(frames)[start:]))
        assert got == frames[start > 0 :]


def test_without_a_checksum_frames_must_follow_each_other() -> None:
    frames = [framed(bytes([n, 0, 0, 0]), None) for n in range(4)]
    framer = BinaryFramer(SYNC, 6)
    assert feed(framer, b"".join(frames[:2]), b"junk", frames[2], frames[3][:3], frames[3][3:]) == [
        Frame(0, frames[0]),
        Frame(0, frames[1]),
        Frame(2, frames[2]),
        Frame(3, frames[3]),
    ]
    framer = BinaryFramer(SYNC, 6)
    assert feed(framer, frames[0] + b"junkjunk") == []
    assert framer.rejected == {"no frame follows": 1}


def test_a_frame_does_not_go_on_across_a_lost_port() -> None:
    frame = framed(b"1234")
    framer = BinaryFramer(SYNC, 7, XOR)
    framer.feed(Chunk(0, "x", frame[:4]))
    framer.opened(1)
    assert framer.feed(Chunk(2, "x", frame[4:] + frame)) == [Frame(2, frame)]
    assert framer.rejected == {"cut off": 1}


@given(
    st.lists(
        st.one_of(
            st.binary(min_size=4, max_size=4).map(framed),
            st.binary(max_size=6),
            st.sampled_from([SYNC, b"\xaa", framed(b"\xaa\x55\xaa\x55")]),
        )
    ),
    st.lists(st.integers(0, 120)),
    st.booleans(),
)
def test_binary_frames_do_not_depend_on_the_cuts_and_every_byte_is_accounted_for(
    parts: list[bytes], places: list[int], checked: bool
) -> None:
    data = b"".join(parts)
    check = XOR if checked else None
    whole, pieces = BinaryFramer(SYNC, 7, check), BinaryFramer(SYNC, 7, check)
    frames = feed(whole, data)
    chunks = cut(data, places)
    got = feed(pieces, *chunks)
    assert datas(got) == datas(frames)
    assert (pieces.rejected, pieces.stray_bytes) == (whole.rejected, whole.stray_bytes)
    assert sum(map(len, datas(frames))) + whole.stray_bytes == len(data)
    assert not checked or all(checksum("xor", frame.data[:-1]) == frame.data[-1] for frame in frames)
    arrived = [n for n, chunk in enumerate(chunks) for _ in chunk]
    at = 0
    for frame in got:
        at = data.index(frame.data, at)
        assert arrived[at] <= frame.mono_ns  # an equal stretch of bytes may stand before the frame itself
        at += 1


# --- all of them --------------------------------------------------------------------------------------------------


def test_each_kind_of_source_gets_its_framer() -> None:
    text = """
[[source]]
name = "gps"
kind = "nmea"
[[source]]
name = "mixture"
kind = "numbers"
[[source.column]]
channel = "afr"
[[source]]
name = "board"
kind = "frame"
sync = "AA 55"
length = 7
[[source.field]]
channel = "map_kpa"
at = 2
code = "H"
[source.checksum]
kind = "xor"
at = -1
"""
    sources = reading.parse(text, RecorderConfig, "recorder.toml").source
    framers = [framer_for(source) for source in sources]
    assert [type(framer) for framer in framers] == [SentenceFramer, LineFramer, BinaryFramer]
    assert datas(feed(framers[2], b"zz" + framed(b"1234"))) == [framed(b"1234")]


def garbage(rng: random.Random, size: int) -> bytes:
    """Random bytes among which sync bytes, sentence starts and line ends come often."""
    alphabet = bytes(range(256)) + b"$!\r\n\xaa\x55" * 20
    return bytes(rng.choices(alphabet, k=size))


@pytest.mark.parametrize("size", [200_000, pytest.param(5_000_000, marks=pytest.mark.long)])
@pytest.mark.parametrize("end", [True, False], ids=["garbage", "garbage without line ends"])
def test_memory_stays_flat_whatever_comes_in(size: int, end: bool) -> None:
    rng = random.Random(1)
    framers: list[Framer] = [LineFramer(), SentenceFramer(), BinaryFramer(SYNC, 40, XOR), BinaryFramer(b"\xaa", 40)]
    tracemalloc.start()
    try:
        peak = 0
        for n in range(size // 1000):
            data = garbage(rng, 1000)
            if not end:
                data = data.translate(None, b"\r\n$!")
            for framer in framers:
                framer.feed(Chunk(n, "x", data))
            if n == 50:
                tracemalloc.reset_peak()
                base = tracemalloc.get_traced_memory()[0]
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak - base < 150_000
