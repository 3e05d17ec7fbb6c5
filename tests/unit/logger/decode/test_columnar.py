"""The columnar paths against the careful ones: the same frames, fixes, readings, counts and states, byte for byte."""

from __future__ import annotations

import functools
import itertools
import random
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_epochs import Receiver

from logger.config.reading import parse
from logger.config.recorder import NumbersSource, RecorderConfig
from logger.decode import framing, readings
from logger.decode.columnar import PAD, Lines, Text, padded
from logger.decode.fix_columns import FixColumns, columns_of, dated_columns, fixes_of, joined_fixes
from logger.decode.framed import Chunks, framed
from logger.decode.framing import Chunk, Frame, LineFramer, SentenceFramer
from logger.decode.nmea import FixDecoder, dated
from logger.decode.sentence_columns import TIMED, read_sentences
from logger.decode.sentences import SentenceReader

ORDERS = [
    "RMC GGA VTG GSA GLL", "RMC GGA GSA VTG", "GGA GSA GSV RMC VTG", "VTG RMC GGA", "GSA GSA2 VTG GGA", "VTG GGA",
    "GGA VTG", "ZDA GSA GGA VTG", "VTG GSA GGA GSV GSV GLL", "GNS VTG GSA GSA2 GSV GSV", "GSV GSV GSA RMC VTG",
    "PUBX GSA GLL VTG GGA ZDA", "RMC", "GSA RMC GSV VTG", "RMC VTG GGA GSA GSA2 GSV GSV GLL",
]  # fmt: skip


def chunks_of(rows: Sequence[tuple[int, bytes]]) -> Chunks:
    data = b"".join(each for _, each in rows)
    ends = np.cumsum([len(each) for _, each in rows], dtype=np.int64)
    return Chunks(np.array([mono_ns for mono_ns, _ in rows], np.int64), ends, np.frombuffer(data, np.uint8))


def slowly(rows: Sequence[tuple[int, bytes]], host_times: bool) -> tuple[FixColumns, SentenceFramer, FixDecoder]:
    framer, decoder = SentenceFramer(), FixDecoder(host_times)
    frames = [frame for mono_ns, data in rows for frame in framer.feed(Chunk(mono_ns, "gps", data))] + framer.flush()
    fixes = [fix for frame in frames for fix in decoder.feed(frame)] + decoder.flush()
    return columns_of(fixes), framer, decoder


def quickly(
    rows: Sequence[tuple[int, bytes]], host_times: bool, cuts: Sequence[int] = ()
) -> tuple[FixColumns, SentenceFramer, FixDecoder, int]:
    """Also how many fixes came of columns."""
    framer, decoder, found, quick = SentenceFramer(), FixDecoder(host_times), [], 0
    for a, b in zip([0, *cuts], [*cuts, len(rows)], strict=True):
        for part in framed(framer, chunks_of(rows[a:b])):
            if isinstance(part, list):
                found.append(columns_of([fix for frame in part for fix in decoder.feed(frame)]))
            else:
                made = fixes_of(decoder, part)
                quick += sum(len(each) for each in made[1::2])
                found += made
    found.append(columns_of([fix for frame in framer.flush() for fix in decoder.feed(frame)] + decoder.flush()))
    return joined_fixes(found), framer, decoder, quick


def assert_alike(rows: Sequence[tuple[int, bytes]], host_times: bool = True, cuts: Sequence[int] = ()) -> int:
    careful, framer, decoder = slowly(rows, host_times)
    found, framer_too, decoder_too, quick = quickly(rows, host_times, cuts)
    for name in careful.values:
        assert found.values[name].tobytes() == careful.values[name].tobytes(), name
        assert found.null[name].tobytes() == careful.null[name].tobytes(), name
    assert (framer_too.rejected, framer_too.stray_bytes) == (framer.rejected, framer.stray_bytes)
    assert decoder_too.sentences == decoder.sentences
    assert decoder_too.rejected == decoder.rejected
    assert decoder_too.ignored == decoder.ignored
    assert decoder_too.void_fields == decoder.void_fields
    return quick


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize(
    ("baud", "period_s", "latency_s", "jitter_s"),
    [(4800, 1.0, 0.016, 0.2), (38400, 0.2, 0.001, 0.05), (115200, 0.1, 0.016, 0.05), (10_000_000, 0.1, 0.0, 0.0)],
)
def test_receivers_of_every_order(order: str, baud: int, period_s: float, latency_s: float, jitter_s: float) -> None:
    receiver = Receiver(order.split(), period_s, {"GSV": 10})
    rng = random.Random(f"{order} {baud}")
    arrivals = receiver.arrivals(150, rng, baud, latency_s, jitter_s, skip=rng.randrange(len(receiver.order)))
    rows = [(mono_ns, data + b"\r\n") for mono_ns, _, data in arrivals]
    cuts = sorted(rng.sample(range(len(rows)), 1))
    quick = assert_alike(rows, cuts=cuts)
    if {"GNS", "ZDA", "PUBX"}.isdisjoint(order.split()) and baud > 4800 and "GGA" in order and len(rows) > 500:
        assert quick > 60, "the columns took nothing: what is compared here?"
    assert_alike([(0, data) for _, data in rows], host_times=False, cuts=cuts)


def spoilt(rows: list[tuple[int, bytes]], rng: random.Random, faults: int) -> list[tuple[int, bytes]]:
    """With bytes changed, lost and added, sentences lost, sent twice, changed places, greetings and rests between."""
    rows = list(rows)
    for _ in range(faults):
        at = rng.randrange(2, len(rows) - 2)
        mono_ns, data = rows[at]
        where = rng.randrange(len(data))
        match rng.randrange(10):
            case 0:
                rows[at] = mono_ns, data[:where] + bytes([data[where] ^ (1 << rng.randrange(8))]) + data[where + 1 :]
            case 1:
                rows[at] = mono_ns, data[:where] + data[where + rng.randrange(1, 9) :]
            case 2:
                rows[at] = (
                    mono_ns,
                    data[:where] + rng.choice([b"$", b"*", b"\r", b"\0", b"\xff", b",", b" "]) + data[where:],
                )
            case 3:
                del rows[at]
            case 4:
                rows.insert(at + rng.randrange(3), rows[at])
            case 5:
                rows[at], rows[at + 1] = (mono_ns, rows[at + 1][1]), (rows[at + 1][0], data)
            case 6:
                rows.insert(at, (mono_ns, rng.choice(GREETINGS)))
            case 7:
                rows[at:] = [(later + 6 * 10**9, each) for later, each in rows[at:]]
            case 8:
                rows[at] = mono_ns, resealed(data, rng)
            case 9:  # a value of long ago, with a time or without
                alike = [each for _, each in rows[: max(at - 20, 1)] if each[:6] == data[:6]]
                rows[at] = mono_ns, rng.choice(alike or [data])
    return rows


GREETINGS = [
    b"$GPTXT,01,01,02,ANTSTATUS=OK*3B\r\n", b"hello\r\n", b"$\r\n", b"\r\n\r\n", b"x" * 1500 + b"\r\n",
    b"$GPGGA,,,,,,0,,,,,,,,*66\r\n", b"$GPRMC,,V,,,,,,,,,,N*53\r\n", b"$PMTK001,604,3*32\r\n",
]  # fmt: skip


def resealed(data: bytes, rng: random.Random) -> bytes:
    """A sentence with a field of its own making, and a right checksum."""
    fields = [*data[1:].split(b"*")[0].split(b","), b""]
    fields[rng.randrange(1, len(fields))] = rng.choice(STRANGE)
    body = b",".join(fields)
    return b"$%s*%02X\r\n" % (body, framing.checksum("xor", body))


STRANGE = [
    b"",
    b"-1",
    b"1e3",
    b"999999",
    b"12.",
    b".5",
    b"-.5",
    b"+3",
    b"A",
    b"N",
    b"000000.00",
    b"240000",
    b"nan",
    b".",
]
STRANGE += [
    b"310299",
    b"0.123456789",
    b"123456789.123456789",
    b"235960.00",
    b"120061.00",
    b"126000.00",
    b"9000.0000",
    b"6060.00",
    b"18000.00001",
]


def test_every_strange_value_in_every_field() -> None:
    """What is not told as odd is read as the careful way reads it, and has nothing void."""
    frames = []
    for text in Receiver(["RMC", "GGA", "GLL", "VTG", "GSA", "GSV"]).burst(77):
        fields = text[1:].split("*")[0].encode().split(b",")
        for at in range(1, len(fields) + 1):
            for value in STRANGE:
                body = b",".join([*fields[:at], value, *fields[at + 1 :]])
                frames.append(b"$%s*%02X" % (body, framing.checksum("xor", body)))
    data = b"\n".join(frames) + b"\n"
    ends = np.cumsum([len(frame) + 1 for frame in frames]) + PAD
    starts = np.append(PAD, ends[:-1])
    lines = Lines(padded(np.frombuffer(data, np.uint8)), starts, ends - 1, np.zeros(len(frames), np.int64))
    columns = read_sentences(lines)
    assert 0.2 < columns.odd.mean() < 0.9
    for at in np.flatnonzero(~columns.odd).tolist():
        reader = SentenceReader()
        read = reader.read(Frame(0, frames[at]))
        assert not reader.void_fields and not reader.rejected, frames[at]
        if columns.sort[at] in TIMED:
            assert read.time_ns == columns.time_ns[at], frames[at]
        said = {name for name, each in columns.said.items() if at in each.which.tolist()}
        merged = {
            name.removesuffix("_step").removesuffix("_places").removesuffix("_lat").removesuffix("_lon")
            for name in said
        }
        wanted = {name for name in read.said or {} if name != "listed"}
        assert {name.removesuffix("_speed") for name in merged} == {name.removesuffix("_speed") for name in wanted}, (
            frames[at]
        )


@pytest.mark.parametrize("faults", [1, 4, 30])
@pytest.mark.parametrize("order", ["RMC GGA VTG GSA GLL", "RMC GGA GSA VTG", "GSV GSA VTG RMC GGA", "GGA GSA RMC GSV"])
def test_spoilt_streams(order: str, faults: int) -> None:
    quick = 0
    for seed in range(2):
        rng = random.Random(f"{order} {faults} {seed}")
        receiver = Receiver(order.split(), 0.1, {"GSV": 5})
        arrivals = receiver.arrivals(160, rng, 115200, rng.choice([0.0, 0.016]), 0.05)
        rows = spoilt([(mono_ns, data + b"\r\n") for mono_ns, _, data in arrivals], rng, faults)
        quick += assert_alike(rows, cuts=sorted(rng.sample(range(len(rows)), 2)))
    assert faults > 4 or quick > 50


@pytest.mark.long
def test_many_spoilt_streams() -> None:
    for seed in range(3000):
        rng = random.Random(seed)
        order = rng.choice(ORDERS).split()
        receiver = Receiver(order, rng.choice([0.05, 0.1, 1.0]), {rng.choice(order): rng.randrange(1, 7)})
        arrivals = receiver.arrivals(
            rng.randrange(50, 400), rng, rng.choice([9600, 115200]), rng.choice([0.0, 0.02]), 0.1
        )
        rows = spoilt([(mono_ns, data + b"\r\n") for mono_ns, _, data in arrivals], rng, rng.choice([0, 1, 3, 20]))
        assert_alike(rows, rng.random() < 0.8, sorted(rng.sample(range(len(rows)), 3)))


def test_a_speed_of_another_epoch_is_not_taken() -> None:
    """VTG's finer speed counts only where it agrees with RMC's."""
    rows = []
    for n, (mono_ns, _, data) in enumerate(Receiver(["RMC", "VTG"], 0.1).arrivals(300, random.Random(2), 115200)):
        if data.startswith(b"$GPVTG"):
            body = b"GPVTG,,T,,M,%.3f,N,,K,A" % (float(data.split(b",")[5]) + (0.5 if n % 7 == 1 else 0.0))
            data = b"$%s*%02X" % (body, framing.checksum("xor", body))
        rows.append((mono_ns, data + b"\r\n"))
    assert assert_alike(rows) > 200


def test_chunks_cut_anywhere() -> None:
    rng = random.Random(5)
    receiver = Receiver(["RMC", "GGA", "GSA", "VTG"], 0.1)
    rows = []
    for mono_ns, _, data in receiver.arrivals(200, rng, 115200):
        at = rng.randrange(len(data))
        rows += [(mono_ns, data[:at]), (mono_ns + 1000, data[at:] + b"\r\n")]
    assert assert_alike(rows, cuts=[7, 300, 301]) > 60


PIECE = st.binary(max_size=12) | st.sampled_from([b"1,2\r\n", b"$GP", b"!A\n", b"ab\n"])


@settings(max_examples=100)
@given(
    st.lists(st.tuples(st.integers(0, 10**8), PIECE), max_size=25),
    st.lists(st.integers(0, 25), max_size=2),
    st.booleans(), st.integers(3, 9), st.integers(-1, 25),
)  # fmt: skip
def test_any_bytes_give_the_same_frames(
    rows: list[tuple[int, bytes]], cuts: list[int], sentences: bool, limit: int, opened: int
) -> None:
    make = SentenceFramer if sentences else LineFramer
    one, many = make(limit), make(limit)
    frames, found = [], []
    bounds = sorted({min(cut, len(rows)) for cut in cuts} | {0, len(rows)})
    for a, b in itertools.pairwise(bounds):
        if a <= opened < b:
            one.opened(rows[a][0])
            many.opened(rows[a][0])
        frames += [frame for mono_ns, data in rows[a:b] for frame in one.feed(Chunk(mono_ns, "x", data))]
        for part in framed(many, chunks_of(rows[a:b])):
            found += part if isinstance(part, list) else part.frames(0, len(part.starts))
    assert found + many.flush() == frames + one.flush()
    assert (many.rejected, many.stray_bytes) == (one.rejected, one.stray_bytes)


NUMBER = st.one_of(
    st.from_regex(r"[+-]?[0-9]{0,9}\.?[0-9]{0,9}", fullmatch=True),
    st.floats().map(str), st.integers(-(10**17), 10**17).map(str),
    st.sampled_from(["", "14.7V", " 3", "1e5", "--1", "1.2.3", "0x10", "１", "-0.0", "-", "."]),
)  # fmt: skip


@functools.cache
def numbers_source(count: int, head: str) -> NumbersSource:
    channels = ("afr", "map", "throttle")[:count]
    columns = "".join(f'[[source.column]]\nchannel = "{name}"\nvalid_max = 1e9\n' for name in channels)
    config = parse(f'[[source]]\nname = "x"\nkind = "numbers"\n{head}{columns}', RecorderConfig, "a test")
    (source,) = config.source
    assert isinstance(source, NumbersSource)
    return source


@settings(max_examples=100)
@given(
    st.lists(st.lists(NUMBER, min_size=1, max_size=4).flatmap(
        lambda texts: st.sampled_from([",", ";", " ", "\t", ", ", "|"]).map(lambda between: between.join(texts))
    ), max_size=20),
    st.sampled_from([1, 2, 3]), st.sampled_from(["", 'separator = ","\n', 'separator = ";"\n', 'prefix = "1"\n']),
)  # fmt: skip
def test_numbers_of_any_lines(lines: list[str], count: int, head: str) -> None:
    source = numbers_source(count, head)
    rows = [(n, line.encode() + b"\n") for n, line in enumerate(lines)]
    one, all_at_once = readings.decoder_for(source), readings.decoder_for(source)
    frames = [frame for mono_ns, data in rows for frame in LineFramer().feed(Chunk(mono_ns, "x", data))]
    careful = one.decode_all(frames)
    parts = [
        all_at_once.decode_all(part) if isinstance(part, list) else all_at_once.decode_lines(part)
        for part in framed(LineFramer(), chunks_of(rows))
    ]
    found = readings.joined(parts)
    assert found.mono_ns.tobytes() == careful.mono_ns.tobytes()
    assert found.void_code.tobytes() == careful.void_code.tobytes()
    for name, values in careful.values.items():
        assert found.values[name].tobytes() == values.tobytes()
    assert (all_at_once.rejected, all_at_once.ignored) == (one.rejected, one.ignored)


@settings(max_examples=100)
@given(st.from_regex(r"[+-]?[0-9]{0,9}(\.[0-9]{0,9})?", fullmatch=True))
def test_decimals_are_those_of_python(text: str) -> None:
    """To the bit, Python's `float` being right to the last one (David Gay's conversion)."""
    data = padded(np.frombuffer(text.encode(), np.uint8))
    found = Text(data).decimals(np.array([PAD]), np.array([PAD + len(text)]))
    if found.read[0]:
        assert found.values[0].tobytes() == np.float64(text).tobytes()
        assert found.places[0] == len(text.partition(".")[2])
    else:
        digits = text.strip("+-").split(".")
        assert not any(digits) or max(map(len, digits)) > 8 or sum(map(len, digits)) > 15


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.integers(0, 4), st.integers(0, 86399)), max_size=30),
    st.integers(0, 3),
)
def test_dates_that_come_later(drawn: list[tuple[int, int]], seed: int) -> None:
    rng = random.Random(seed)
    decoder, fixes, mono_ns = FixDecoder(), [], 0
    for what, second in drawn:
        mono_ns += rng.choice([10**8, 10**9, 40_000 * 10**9])
        time = f"{second // 3600:02d}{second // 60 % 60:02d}{second % 60:02d}.00"
        body = [
            f"GPGGA,{time},,,,,1,08,0.9,,M,,M,,",
            "GPVTG,1.0,T,,M,1.0,N,1.9,K,A",
            f"GPRMC,{time},A,,,,,1.0,,020526,,,A",
        ][what % 3]
        data = b"$%s*%02X" % (body.encode(), framing.checksum("xor", body.encode()))
        fixes += decoder.feed(Frame(mono_ns, data))
    found = dated_columns(columns_of(fixes))
    expected = columns_of(dated(fixes))
    for name in ("utc_ns", "mono_ns"):
        assert found.values[name].tobytes() == expected.values[name].tobytes()
        assert found.null[name].tobytes() == expected.null[name].tobytes()
