"""Frames to readings: lines, patterns, frames, calibrations, void reasons; one by one and all at once alike."""

from __future__ import annotations

import math
import random
import re
import struct
import time
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logger.config import reading as config
from logger.config.recorder import Channel, FrameField, FrameSource, NmeaSource, NumbersSource, RecorderConfig
from logger.decode.framing import Frame
from logger.decode.readings import Decoder, FrameDecoder, NumbersDecoder, Reading, decoder_for


def decoder(text: str) -> Decoder:
    """The decoder of one [[source]] given as TOML without its head and name."""
    source = config.parse('[[source]]\nname = "x"\n' + text, RecorderConfig, "recorder.toml").source[0]
    assert not isinstance(source, NmeaSource)
    return decoder_for(source)


def numbers(*columns: str, head: str = "") -> Decoder:
    return decoder(f'kind = "numbers"\n{head}\n' + "".join(f"[[source.column]]\n{column}\n" for column in columns))


def read(decoder: Decoder, *lines: bytes | str) -> list[tuple[float, ...] | str | None]:
    """What each line gives: its values, its void reason, or None; NaN as None to compare by."""
    out: list[tuple[float, ...] | str | None] = []
    for n, line in enumerate(lines):
        reading = decoder.decode(Frame(n, line.encode() if isinstance(line, str) else line))
        out.append(None if reading is None else reading.void or reading.values)
    return out


def same(a: float, b: float) -> bool:
    """Bit for bit, any NaN being one."""
    return struct.pack("d", a) == struct.pack("d", b) or (math.isnan(a) and math.isnan(b))


def assert_both_ways_alike(make: Any, frames: list[Frame]) -> None:
    one, all_ = make(), make()
    live = [reading for frame in frames if (reading := one.decode(frame)) is not None]
    built = all_.decode_all(frames)
    assert built.mono_ns.tolist() == [reading.mono_ns for reading in live]
    assert built.void == [reading.void for reading in live]
    assert list(built.values) == [quantity.name for quantity in one.channels]
    for at, column in enumerate(built.values.values()):
        assert column.dtype == np.float64
        assert all(same(value, reading.values[at]) for value, reading in zip(column.tolist(), live, strict=True))
    assert (one.rejected, one.ignored) == (all_.rejected, all_.ignored)


TWO = ('channel = "tps"', 'channel = "map_kpa"')

# --- numbers ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    ["0.5,98", "0.5 98", "0.5;98", " 0.5 , 98 ", "0.5\t98", ".5,+98.", "5e-1,9.8E1", "0.5,98,7,x", "0.5, 98 kPa",
     "0.5V,98kPa", "0.5V 98kPa trailing words", "0.5%;98,"],
)  # fmt: skip
def test_lines_of_numbers(line: str) -> None:
    assert read(numbers(*TWO), line) == [(0.5, 98.0)]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        *((line, "too few numbers") for line in ("", "0.5", "x")),
        *((line, "not a number") for line in ("0.5,", ",98", "0.5,,98", "0.5,x", "0x5,98", "0.5,nan", "inf,98")),
        *((line, "not a number") for line in ("0.5,9t", "0.5,9.8.1", "0.5,1e999", "--5,98", "0.5,98k", "\0000.5,98")),
        *((line, "not a number") for line in ("1_0,98", "0.5,9\xb2", "\u0660.5,98", "0.5 V 98", "- 5,98")),
    ],
)  # fmt: skip
def test_lines_that_are_rejected(line: str, reason: str) -> None:
    decoder = numbers(*TWO)
    assert read(decoder, line) == [None]
    assert decoder.rejected == {reason: 1}


def test_an_unnamed_column_is_passed_over_whatever_it_holds() -> None:
    decoder = numbers('channel = "afr"', "", 'channel = "map_kpa"')
    assert read(decoder, "14.7,x y,98", "14.7,,98", "14.7 V 98", "14.7,V,98") == [None, *[(14.7, 98.0, 1.0)] * 3]


@pytest.mark.parametrize(
    ("separator", "lines"),
    [
        (";", ["0,5;98", "0.5 ; 98,0", "0.5 V;98 kPa", "\t0.5;98;"]),
        ("\\t", ["0.5\t98", "0.5 \t 98", "0,5\t98 kPa"]),
        (" ", ["0.5 98", "0,5   98", " 0.5 98 "]),
        ("|", ["0.5|98", "0.5 | 98"]),
        (" | ", ["0.5|98", "0.5 | 98"]),
        (",", ["0.5,98", "0.5 , 98"]),
        ("::", ["0.5::98"]),
    ],
)
def test_a_separator_of_its_own(separator: str, lines: list[str]) -> None:
    assert read(numbers(*TWO, head=f'separator = "{separator}"'), *lines) == [(0.5, 98.0)] * len(lines)


def test_a_separator_of_its_own_keeps_empty_fields_in_place() -> None:
    assert read(numbers(*TWO, head='separator = "\\t"'), "\t5\t98", "5\t\t98") == [None, None]
    assert read(numbers(*TWO, head='separator = ";"'), "0.5 98", "0.5,98", ";5;98") == [None, None, None]
    middle = numbers('channel = "tps"', "", 'channel = "map_kpa"', head='separator = ";"')
    assert read(middle, "1;;3", "1;a, b;3", "1; ;3") == [(1.0, 3.0)] * 3


def test_a_prefix_chooses_the_lines() -> None:
    decoder = numbers('channel = "afr"', head='prefix = "AFR:"')
    assert read(decoder, "AFR:14.7", " AFR: 14.7", "MAP:98", "14.7", "AFR:x") == [(14.7, 1.0)] * 2 + [None] * 3
    assert decoder.ignored == {"other prefix": 2}
    assert decoder.rejected == {"not a number": 1}


def test_status_columns_void_the_whole_reading() -> None:
    decoder = numbers('channel = "afr"\nvoid_when = ["---", 0]', 'ok_when = ["OK", 1]', 'channel = "egt_c"')
    lines = ["14.7,OK,600", "14.7,1,600", "14.7,1.0,600", "14.7,WARM,600", "14.7,0,600", "---,OK,600", "0.0,OK,600"]
    good = (14.7, 600.0, 1.0)
    assert read(decoder, *lines) == [good, good, good, "status", "status", "status", "status"]
    reading = decoder.decode(Frame(0, b"14.7,WARM,600"))
    assert reading is not None
    assert all(map(math.isnan, reading.values))
    assert read(decoder, "xx,OK,600", "14.7,OK,x") == [None, None]


def test_a_named_status_column_of_words_is_no_missing_value() -> None:
    decoder = numbers('channel = "afr"', 'channel = "state"\nok_when = ["OK"]')
    reading = decoder.decode(Frame(0, b"14.7,OK"))
    assert reading is not None
    assert reading.void is None
    assert (reading.values[0], math.isnan(reading.values[1]), reading.values[2]) == (14.7, True, 1.0)


# --- calibration --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channel", "recorded", "expected"),
    [
        ("scale = 0.1\noffset = 7", "77", 14.7),
        ("scale = 2", "3", 6.0),
        ("[source.column.calibration]\npolynomial = [1, 2, 3]", "2", 17.0),
        ("[source.column.calibration]\npolynomial = [9]", "2", 9.0),
        ("[source.column.calibration]\ntable = [[0, 10], [1, 20], [5, 22]]", "0", 10.0),
        ("[source.column.calibration]\ntable = [[0, 10], [1, 20], [5, 22]]", "0.25", 12.5),
        ("[source.column.calibration]\ntable = [[0, 10], [1, 20], [5, 22]]", "1", 20.0),
        ("[source.column.calibration]\ntable = [[0, 10], [1, 20], [5, 22]]", "3", 21.0),
        ("[source.column.calibration]\ntable = [[0, 10], [1, 20], [5, 22]]", "5", 22.0),
        ("[source.column.calibration]\ntable = [[0, 10], [1, 20], [5, 22]]", "5.001", "calibration"),
        ("[source.column.calibration]\ntable = [[0, 10], [1, 20], [5, 22]]", "-0.001", "calibration"),
        ("[source.column.calibration]\ncheck = [[0.1, 0.0], [4.9, 5.0]]", "0.1", 0.0),
        ("[source.column.calibration]\ncheck = [[0.1, 0.0], [4.9, 5.0]]", "2.5", 2.5),
        # counts to volts, volts put right, volts to AFR
        ("scale = 0.005\n[source.column.calibration]\ncheck = [[0.0, 0.5], [4.0, 4.5]]\ntable = [[0, 10], [5, 20]]",
         "400", 15.0),
        ("[source.column.calibration]\npolynomial = [0, 1e300, 1e300]", "1e9", "calibration"),
        ("valid_min = 10\nvalid_max = 20", "10", 10.0),
        ("valid_min = 10\nvalid_max = 20", "20", 20.0),
        ("valid_min = 10\nvalid_max = 20", "9.99", "range"),
        ("valid_min = 10\nvalid_max = 20", "20.01", "range"),
        ("scale = 10\nvalid_max = 20", "3", "range"),
    ],
)  # fmt: skip
def test_calibrations(channel: str, recorded: str, expected: float | str) -> None:
    (got,) = read(numbers(f'channel = "x"\n{channel}'), recorded)
    assert got == ((pytest.approx(expected, rel=1e-15),) if isinstance(expected, float) else expected)


def test_only_the_value_that_is_out_is_void_and_the_gravest_reason_is_told() -> None:
    decoder = numbers(
        'channel = "a"\nvalid_max = 1',
        'channel = "b"\n[source.column.calibration]\ntable = [[0, 0], [1, 1]]',
        'channel = "c"',
    )
    reading = decoder.decode(Frame(0, b"2,0.5,3"))
    assert reading is not None
    assert (reading.void, math.isnan(reading.values[0]), reading.values[1:]) == ("range", True, (0.5, 3.0))
    reading = decoder.decode(Frame(0, b"2,5,3"))
    assert reading is not None
    assert (reading.void, reading.values[2]) == ("calibration", 3.0)


def test_afr_and_lambda_give_each_other() -> None:
    decoder = numbers('channel = "afr"\nstoich_afr = 14.1\nvalid_max = 20')
    assert [quantity.name for quantity in decoder.channels] == ["afr", "lambda"]
    assert read(decoder, "14.1", "21") == [(14.1, 1.0), "range"]
    reading = decoder.decode(Frame(0, b"21"))
    assert reading is not None
    assert math.isnan(reading.values[1])
    decoder = numbers('channel = "tps"', 'channel = "lambda"\nstoich_afr = 15.0')
    assert [quantity.name for quantity in decoder.channels] == ["tps", "lambda", "afr"]
    assert read(decoder, "7,1.2") == [(7.0, 1.2, 18.0)]
    decoder = numbers('channel = "lambda"', 'channel = "afr"')
    assert [quantity.name for quantity in decoder.channels] == ["lambda", "afr"]


def test_units_and_descriptions_go_with_the_channels() -> None:
    (quantity,) = numbers('channel = "egt_c"\nunit = "degC"\ndescription = "port"').channels
    assert quantity == ("egt_c", "degC", "port")


# --- patterns -----------------------------------------------------------------------------------------------------


def pattern(expression: str, *channels: str) -> Decoder:
    named = "".join(f"[[source.channel]]\n{channel}\n" for channel in channels)
    return decoder(f"kind = \"pattern\"\npattern = '{expression}'\n{named}")


def test_a_pattern_is_found_anywhere_in_the_line() -> None:
    decoder = pattern(r"AFR[ :=]+(?P<afr>[-\d.]+)(?: EGT=(?P<egt>\w+))?", 'channel = "afr"', 'channel = "egt"')
    assert read(decoder, "t=5 AFR: 14.7 EGT=600C;", b"\xff AFR=14.7 EGT=600 ", "EGT=600", "AFR 1.2.3") == [
        (14.7, 600.0, 1.0), (14.7, 600.0, 1.0), None, None,
    ]  # fmt: skip
    assert decoder.rejected == {"no match": 1, "not a number": 1}
    reading = decoder.decode(Frame(0, b"AFR=14.7"))
    assert reading is not None
    assert (reading.void, reading.values[0], math.isnan(reading.values[1])) == ("missing", 14.7, True)


def test_a_pattern_may_take_words_of_a_status() -> None:
    decoder = pattern(
        r"(?P<afr>[\d.]+) (?P<state>\w+)", 'channel = "afr"', 'channel = "state"\nvoid_when = ["HEAT", "ERR"]'
    )
    assert read(decoder, "14.7 HEAT", "14.7 ERR", "14.7 7", "14.7 RUN") == ["status", "status", (14.7, 7.0, 1.0), None]


def test_a_pattern_with_signs_beyond_ascii() -> None:
    decoder = pattern("λ=(?P<lambda>[0-9.]+) .C", 'channel = "lambda"')
    assert read(decoder, "λ=1.0 °C".encode()) == [None]  # one byte is one character: the degree sign is two
    assert read(pattern("λ=(?P<lambda>[0-9.]+) ", 'channel = "lambda"'), "λ=1.0 °C") == [(1.0, 14.7)]


def test_no_pattern_can_stall_a_reader() -> None:
    """Patterns that cost a backtracking engine 2**n steps cost this one time linear in the line."""
    line = b"1" * 1000 + b"x"

    def seconds(decoder: Decoder, line: bytes) -> float:
        start = time.perf_counter()
        assert decoder.decode(Frame(0, line)) is None
        return time.perf_counter() - start

    for expression in (
        r"^(?P<a>(1+)+)$",
        r"^(?P<a>(1|1)*)$",
        r"^(?P<a>1*1*1*1*1*1*)$",
        r"(?P<a>(.*)(.*)(.*)(.*)[^1x])$",
    ):
        bad, plain = pattern(expression, 'channel = "a"'), pattern(r"^(?P<a>1+)$", 'channel = "a"')
        bad_s = min(seconds(bad, line) for _ in range(5))
        plain_s = min(seconds(plain, line) for _ in range(5))
        assert bad_s < 1000 * plain_s + 0.1  # a backtracking engine: 2**1000
    assert re.fullmatch(r"(1+)+", "1" * 10)  # the patterns are sound in themselves


@pytest.mark.parametrize(
    "head",
    ["", 'separator = ";"', 'separator = " "', 'separator = "\\t"', 'separator = " ; "', 'prefix = "  A"'],
)
def test_no_line_can_stall_the_numbers_either(head: str) -> None:
    """The time of lines made to send a search back over itself, against a plain line of the same length."""
    decoder = numbers("", "", 'channel = "a"', "", "", 'channel = "b"', "", 'ok_when = ["x"]', head=head)

    def seconds(line: bytes) -> float:
        start = time.perf_counter()
        decoder.decode(Frame(0, line))
        return time.perf_counter() - start

    plain_s = min(seconds(b"12345678" * 128) for _ in range(20))
    for bad in (b" ", b"1 ", b"1\t", b",", b" ,", b";", b"; ", b"1;", b" 1", b"1.", b"1e", b"A", b" A "):
        line = (bad * 1024)[:1024]
        assert min(seconds(line) for _ in range(5)) < 100 * plain_s + 0.005, bad


# --- binary frames ------------------------------------------------------------------------------------------------

FRAME = """
kind = "frame"
sync = "AA 55"
length = 31
byte_order = "{order}"
[[source.field]]
channel = "lambda"
at = 2
code = "H"
scale = 0.001
[[source.field]]
channel = "egt"
at = 4
code = "h"
offset = 0.5
[[source.field]]
at = 6
code = "b"
mask = 0x81
void_when = [0x80, 1]
[[source.field]]
channel = "low"
at = 6
code = "i"
mask = 0xF0F0
[[source.field]]
channel = "count"
at = 7
code = "Q"
[[source.field]]
channel = "signed"
at = 7
code = "q"
mask = 0xFFFFFFFFFFFFFFFF
[[source.field]]
channel = "volts"
at = 15
code = "f"
[[source.field]]
channel = "ohm"
at = 19
code = "d"
valid_max = 1e6
[[source.field]]
channel = "last"
at = 30
code = "B"
"""


@pytest.mark.parametrize("order", ["big", "little"])
def test_fields_of_a_frame(order: str) -> None:
    sign = ">" if order == "big" else "<"
    frame = b"\xaa\x55" + struct.pack(sign + "HhB", 1050, -40, 0) + struct.pack(sign + "Qfd", 2**64 - 1, 1.5, 2e5)
    frame += b"abc\xff"
    values = dict(zip([q.name for q in decoder(FRAME.format(order=order)).channels],
                      read(decoder(FRAME.format(order=order)), frame)[0] or (), strict=True))  # fmt: skip
    assert values == {
        "lambda": 1.05, "egt": -39.5, "low": struct.unpack(sign + "I", frame[6:10])[0] & 0xF0F0, "count": 2.0**64,
        "signed": 2.0**64, "volts": 1.5, "ohm": 2e5, "last": 255.0, "afr": 1.05 * 14.7,
    }  # fmt: skip
    for status, void in ((0x80, "status"), (0x01, "status"), (0x81, None), (0x7E, None)):
        reading = decoder(FRAME.format(order=order)).decode(Frame(0, frame[:6] + bytes([status]) + frame[7:]))
        assert reading is not None
        assert reading.void == void


def test_a_number_that_is_none_is_missing() -> None:
    text = 'kind = "frame"\nsync = "AA"\nlength = 5\n[[source.field]]\nchannel = "v"\nat = 1\ncode = "f"\n'
    frames = [b"\xaa" + struct.pack(">f", value) for value in (math.nan, math.inf, -math.inf, 1.0)]
    assert read(decoder(text), *frames) == ["missing"] * 3 + [(1.0,)]


def test_a_frame_of_another_length_is_rejected() -> None:
    one = decoder(FRAME.format(order="big"))
    assert read(one, b"\xaa\x55", b"") == [None, None]
    assert one.rejected == {"wrong length": 2}


# --- what the configuration refuses -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('kind = "pattern"\npattern = "(?P<afr>.)(?=x)"\n[[source.channel]]\nchannel = "afr"',
         "RE2 cannot read the pattern as a regular expression: invalid perl operator: (?="),
        ('kind = "pattern"\npattern = "(?P<afr>.)"\n[[source.channel]]\nchannel = "egt"',
         "the pattern has no group named 'egt'. Write (?P<egt>...)"),
        ('kind = "pattern"\npattern = "(?P<afr>.)"\n[[source.channel]]\nunit = "V"',
         "a channel of this pattern has no name. Write channel = ..."),
        ('kind = "numbers"\n[[source.column]]\nchannel = "afr"\n[[source.column]]\nchannel = "afr"',
         "two channels are named 'afr'. Give each its own name"),
        ('kind = "numbers"\n[[source.column]]\nunit = "V"',
         "no column has a name, so its table would be empty. Name one: channel = ..."),
        ('kind = "frame"\nsync = "AA"\nlength = 9\n[[source.field]]\nchannel = "v"\nat = 1\ncode = "f"\nmask = 1',
         "a mask needs a whole number, but code 'f' is for fractions"),
    ],
)  # fmt: skip
def test_what_could_not_be_decoded_is_refused_in_one_line(text: str, line: str) -> None:
    with pytest.raises(config.ConfigError) as refused:
        decoder(text)
    assert str(refused.value).startswith("recorder.toml: source[1]")
    assert str(refused.value).endswith(line)


# --- both ways alike ----------------------------------------------------------------------------------------------

finite = st.floats(allow_nan=False, allow_infinity=False, width=64)
modest = st.floats(-1e6, 1e6)
FIELD_TEXT = st.one_of(
    finite.map(repr), modest.map(lambda x: f"{x:.3f}"), st.integers(-5, 1100).map(str),
    st.sampled_from(["", "OK", "ERR", "---", "nan", "1e400", "14.7V", "98kPa", "0", "1", "0x1"]), st.text(max_size=4),
)  # fmt: skip
LINE = st.one_of(
    st.builds(
        lambda prefix, sep, parts: (prefix + sep.join(parts)).encode(),
        st.sampled_from(["", "A", " A ", "B"]), st.sampled_from([",", " ", ";", ", ", "\t"]),
        st.lists(FIELD_TEXT, max_size=6),
    ),
    st.binary(max_size=30),
)  # fmt: skip


@st.composite
def channels(draw: st.DrawFn) -> dict[str, Any]:
    """The keys of one channel, with any calibration."""
    keys: dict[str, Any] = {}
    if draw(st.booleans()):
        keys["scale"], keys["offset"] = draw(modest), draw(modest)
    calibration: dict[str, Any] = {}
    if draw(st.booleans()):
        shown = draw(st.lists(modest, min_size=2, max_size=2, unique=True))
        calibration["check"] = list(zip(shown, draw(st.lists(modest, min_size=2, max_size=2)), strict=True))
    match draw(st.integers(0, 2)):
        case 1:
            inputs = sorted(draw(st.lists(modest, min_size=2, max_size=8, unique=True)))
            calibration["table"] = [(x, draw(modest)) for x in inputs]
        case 2:
            calibration["polynomial"] = draw(st.lists(modest, min_size=1, max_size=5))
    if calibration:
        keys["calibration"] = calibration
    if draw(st.booleans()):
        keys["valid_min"], keys["valid_max"] = draw(modest), draw(modest)
    if draw(st.booleans()):
        keys["void_when"] = draw(st.lists(st.sampled_from([0.0, 1.0, "ERR", "---", 14.7]), max_size=2))
    if draw(st.booleans()):
        keys["ok_when"] = draw(st.lists(st.sampled_from([0.0, 1.0, "OK"]), max_size=2))
    return keys


NAMES = ["afr", None, "map_kpa", "tps"]


@settings(max_examples=100, deadline=None)
@given(
    st.lists(channels(), min_size=1, max_size=4), st.sampled_from([None, ";", " ", "\t"]), st.sampled_from(["", "A"]),
    st.lists(LINE, max_size=30),
)  # fmt: skip
def test_numbers_one_by_one_and_all_at_once_alike(
    drawn: list[dict[str, Any]], separator: str | None, prefix: str, lines: list[bytes]
) -> None:
    columns = [Channel(channel=name, **keys) for name, keys in zip(NAMES, drawn, strict=False)]
    source = NumbersSource(name="x", kind="numbers", separator=separator, prefix=prefix, column=columns)
    assert_both_ways_alike(lambda: NumbersDecoder(source), [Frame(n, line) for n, line in enumerate(lines)])


@settings(max_examples=100, deadline=None)
@given(channels(), st.lists(finite | modest, max_size=40))
def test_calibrations_one_by_one_and_all_at_once_alike(drawn: dict[str, Any], values: list[float]) -> None:
    drawn.pop("ok_when", None)
    source = NumbersSource(name="x", kind="numbers", column=[Channel(channel="lambda", **drawn)])
    nodes = [pair[0] for pair in (drawn.get("calibration", {}).get("table") or [])]
    frames = [Frame(n, repr(value).encode()) for n, value in enumerate([*values, *nodes])]
    assert_both_ways_alike(lambda: NumbersDecoder(source), frames)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.lists(FIELD_TEXT, min_size=1, max_size=3), max_size=20))
def test_patterns_one_by_one_and_all_at_once_alike(lines: list[list[str]]) -> None:
    frames = [Frame(n, " ".join(parts).encode()) for n, parts in enumerate(lines)]
    assert_both_ways_alike(
        lambda: pattern(
            r"(?P<afr>\S+)(?: (?P<tps>\S+))?", 'channel = "afr"\nvoid_when = ["ERR"]', 'channel = "tps"\nvalid_max = 50'
        ),
        frames,
    )


@example([bytes(15) + b"\x7f\x80\x00\x01" + bytes(12)], "big")  # a signalling NaN
@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.binary(min_size=31, max_size=31) | st.binary(max_size=40), max_size=20),
    st.sampled_from(["big", "little"]),
)
def test_frames_one_by_one_and_all_at_once_alike(datas: list[bytes], order: str) -> None:
    assert_both_ways_alike(lambda: decoder(FRAME.format(order=order)), [Frame(n, data) for n, data in enumerate(datas)])


@given(st.sampled_from("bBhHiIqQ"), st.integers(0, 2**64 - 1), st.binary(min_size=8, max_size=8))
def test_masks_one_by_one_and_all_at_once_alike(code: str, mask: int, data: bytes) -> None:
    field = FrameField(channel="x", at=1, code=code, mask=mask)  # type: ignore[arg-type]
    source = FrameSource(name="x", kind="frame", sync="AA", length=9, field=[field])
    assert_both_ways_alike(lambda: FrameDecoder(source), [Frame(0, b"\xaa" + data)])
    reading = FrameDecoder(source).decode(Frame(0, b"\xaa" + data))
    width = struct.calcsize("<" + code)
    assert reading == Reading(0, (float(int.from_bytes(data[:width], "big") & mask),), None)


@pytest.mark.parametrize("count", [20_000, pytest.param(400_000, marks=pytest.mark.long)])
def test_whatever_comes_in_is_a_reading_or_counted(count: int) -> None:
    """Lines garbled at random: each gives a reading within what is valid, or one count."""
    rng = random.Random(3)
    decoders = [
        numbers('channel = "afr"\nvalid_min = 5\nvalid_max = 25', 'channel = "tps"\nvalid_min = 0\nvalid_max = 100'),
        pattern(
            r"(?P<afr>\d+\.\d+)\D(?P<tps>\d+)", 'channel = "afr"\nvalid_max = 25', 'channel = "tps"\nvalid_max = 100'
        ),
    ]
    for n in range(count):
        line = bytearray(f"{rng.uniform(9, 20):.2f},{rng.randrange(101)}".encode())
        for _ in range(rng.randrange(4)):
            line[rng.randrange(len(line))] = rng.randrange(256)
        frame = Frame(n, bytes(line) if rng.random() < 0.9 else rng.randbytes(rng.randrange(30)))
        for one in decoders:
            counted = sum(one.rejected.values())
            reading = one.decode(frame)
            assert (reading is None) == (sum(one.rejected.values()) == counted + 1)
            if reading is not None:
                afr, tps, _ = reading.values
                assert math.isnan(afr) or 0 <= afr <= 25
                assert math.isnan(tps) or 0 <= tps <= 100
                assert (reading.void is None) == (not math.isnan(afr + tps))
    assert all(len(one.rejected) <= 4 for one in decoders)
