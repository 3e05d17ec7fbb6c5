"""Capture files and plain NMEA logs: byte for byte, to the nanosecond, and one clear line for what is wrong."""

from __future__ import annotations

import gzip
import json
import tracemalloc
from pathlib import Path

import pyarrow as pa
import pytest
import simulate
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config.recorder import RECORDER_SOURCE
from logger.decode import events
from logger.errors import CaptureError
from logger.store import capture
from logger.store.journal import schema

HEADER = '{"capture": 1, "started_utc": "2026-05-02T09:14:30Z"}'
Row = tuple[int, str, bytes]


def table_of(told: list[Row]) -> pa.Table:
    columns = list(zip(*told, strict=True)) if told else [(), (), ()]
    return pa.table(
        [pa.array(column, field.type) for column, field in zip(columns, schema(), strict=True)], schema=schema()
    )


def rows_of(path: Path) -> list[Row]:
    return list(capture.rows(capture.read(path).raw))


def captured(tmp_path: Path, *lines: str, end: str = "\n") -> Path:
    path = tmp_path / "drive.jsonl"
    path.write_text("\n".join([HEADER, *lines]) + end, encoding="utf-8")
    return path


# --- captures -----------------------------------------------------------------------------------------------------


def test_a_capture_by_hand(tmp_path: Path) -> None:
    path = captured(
        tmp_path,
        '{"t": 12.5, "source": "mixture", "text": "14.7"}',
        "",
        '{"t": 13, "source": "board", "hex": "AA 55 01"}',
        '{"source": "gps", "text": "$GP\\n", "t": 13.000000001, "more": null}',
    )
    first, *rest = rows_of(path)
    assert (first[0], first[1]) == (12_500_000_000, RECORDER_SOURCE)
    assert capture.host_utc_ns(first[2]) == 1_777_713_270 * 10**9
    assert rest == [
        (12_500_000_000, "mixture", b"14.7\r\n"),
        (13_000_000_000, "board", b"\xaa\x55\x01"),
        (13_000_000_001, "gps", b"$GP\n"),
    ]


def test_times_are_exact_to_the_nanosecond(tmp_path: Path) -> None:
    """A float of this size is off by half a microsecond."""
    times = ["123456789.123456789", "123456789.1234567894", "1e3", "0", "4e9"]
    path = captured(tmp_path, *(f'{{"t": {t}, "source": "gps", "text": ""}}' for t in times))
    assert [row[0] for row in rows_of(path)[1:]] == [
        123456789_123456789, 123456789_123456789, 1000 * 10**9, 0, 4 * 10**18,
    ]  # fmt: skip


chunk_bytes = st.one_of(
    st.binary(max_size=40),
    st.text(max_size=30).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.lists(st.sampled_from([b"$GPRMC,1", b"14.7", b"\r\n", b"\n", b"\r", b"\xc3\xa9", b"\0"]), max_size=5).map(
        b"".join
    ),
)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 2**62), st.sampled_from(["gps", "board", RECORDER_SOURCE]), chunk_bytes),
        min_size=1,
        max_size=20,
    ),
    st.booleans(),
)
def test_written_and_read_again_is_the_same(
    tmp_path_factory: pytest.TempPathFactory, told: list[Row], zipped: bool
) -> None:
    path = tmp_path_factory.mktemp("c") / ("drive.jsonl.gz" if zipped else "drive.jsonl")
    capture.write(path, table_of(told))
    assert rows_of(path) == told


def test_lines_are_written_as_text_and_notes_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "drive.jsonl"
    note = events.at(5, "2026-05-02T09:14:31+00:00", "note", text="méthode")
    told = [(5, "gps", b"$GPGGA\r\n"), tuple(note), (6, "board", b"1\n"), (7, "board", b"1"), (8, "board", b"a\nb\r\n")]
    capture.write(path, table_of(told))
    lines = [json.loads(line) for line in path.read_text().splitlines()]
    assert lines[0] == {"capture": 1, "started_utc": "2026-05-02T09:14:31+00:00"}
    assert [line.get("text") for line in lines[1:]] == ["$GPGGA", note.data.decode()[:-2], "1\n", None, "a\nb"]
    assert "\\u00e9" in path.read_text() or "é" in path.read_text()


def test_the_same_rows_give_the_same_bytes(tmp_path: Path) -> None:
    told = [(k, "gps", b"%d\r\n" % k) for k in range(1000)]
    made = []
    for name in ("one.jsonl.gz", "two.jsonl.gz"):
        capture.write(tmp_path / name, table_of(told))
        made.append((tmp_path / name).read_bytes())
    assert made[0] == made[1]
    assert len(made[0]) < 10_000


def test_gzip_is_known_by_its_bytes(tmp_path: Path) -> None:
    plain = captured(tmp_path, '{"t": 1, "source": "gps", "text": "a"}')
    zipped = tmp_path / "no_suffix"
    data = plain.read_bytes()
    zipped.write_bytes(gzip.compress(data[:60]) + gzip.compress(data[60:]))  # two members, as `cat` makes them
    assert rows_of(zipped) == rows_of(plain)
    assert capture.kind_of(zipped) == "capture"


def test_a_wall_clock_in_the_rows_counts_before_the_header(tmp_path: Path) -> None:
    wall = json.dumps({"event": "wall", "utc": "2026-05-02T09:14:29.5+00:00"})
    path = captured(tmp_path, f'{{"t": 1, "source": "_recorder", "text": {json.dumps(wall)}}}')
    assert len(rows_of(path)) == 1


@pytest.mark.parametrize("started", ["null", '"2026-05-02 09:14:30"', '"2026-05-02T11:14:30+02:00"'])
def test_times_of_the_header(tmp_path: Path, started: str) -> None:
    path = tmp_path / "c"
    path.write_text(f'{{"capture": 1, "started_utc": {started}}}\n{{"t": 1, "source": "gps", "text": "a"}}\n')
    told = [capture.host_utc_ns(data) for _, name, data in rows_of(path) if name == RECORDER_SOURCE]
    assert told == ([] if started == "null" else [1_777_713_270 * 10**9])


# --- what is cut or wrong -----------------------------------------------------------------------------------------


def test_a_last_line_that_a_crash_cut_is_left_out_and_told(tmp_path: Path) -> None:
    whole = '{"t": 1, "source": "gps", "text": "a"}'
    for size in range(1, len(whole)):
        read = capture.read(captured(tmp_path, whole, whole[:size], end=""))
        assert read.raw.num_rows == 2
        assert read.remarks == ("line 3, the last one, is cut off and was left out",)
    read = capture.read(captured(tmp_path, whole, whole, end=""))
    assert read.raw.num_rows == 3
    assert not read.remarks


def test_a_gzip_file_that_was_cut_gives_what_there_is(tmp_path: Path) -> None:
    path = tmp_path / "c.gz"
    lines = [HEADER, *(f'{{"t": {k}, "source": "gps", "text": "{k * k}"}}' for k in range(5000))]
    data = gzip.compress("\n".join(lines).encode())
    path.write_bytes(data[: len(data) // 2])
    read = capture.read(path)
    assert 1000 < read.raw.num_rows < 5000
    assert "cut off" in read.remarks[0]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("nonsense", 'expected {"t": seconds'),
        ("[1, 2]", 'expected {"t": seconds'),
        ('{"source": "gps", "text": "a"}', "t is None; expected seconds"),
        ('{"t": "1", "source": "gps", "text": "a"}', "t is '1'"),
        ('{"t": true, "source": "gps", "text": "a"}', "t is True"),
        ('{"t": NaN, "source": "gps", "text": "a"}', 'expected {"t": seconds'),
        ('{"t": 1e400, "source": "gps", "text": "a"}', "t is 1E+400"),
        ('{"t": -1, "source": "gps", "text": "a"}', "from 0 up"),
        ('{"t": 1, "source": "GPS 1", "text": "a"}', "source is 'GPS 1'"),
        ('{"t": 1, "text": "a"}', "source is None"),
        ('{"t": 1, "source": "gps"}', 'expected either "text" or "hex"'),
        ('{"t": 1, "source": "gps", "text": "a", "hex": "00"}', 'expected either "text" or "hex"'),
        ('{"t": 1, "source": "gps", "text": 5}', "text is 5"),
        ('{"t": 1, "source": "gps", "hex": "0g"}', "hex is '0g'"),
        ('{"t": 1, "source": "gps", "hex": 12}', "hex is"),
        ('{"t": 1, "source": "gps", "text": "\\ud800"}', "text is"),
        ('{"t": 1, "source": "gps", "text": "' + "[" * 100_000 + '"', 'expected {"t": seconds'),
        ("[" * 100_000, 'expected {"t": seconds'),
    ],
)
def test_a_bad_line_is_named_with_its_number(tmp_path: Path, line: str, said: str) -> None:
    good = '{"t": 1, "source": "gps", "text": "a"}'
    path = captured(tmp_path, good, line, good)
    with pytest.raises(CaptureError) as error:
        capture.read(path)
    assert str(error.value).startswith(f"{path}: line 3: ")
    assert said in str(error.value)
    assert len(str(error.value).splitlines()) == 1
    assert len(str(error.value)) < 500


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b" \n\n", "the file is empty"),
        (b'{"t": 1}\n', "line 1: this is not the first line of a recording"),
        (b'{"capture": 2}\n', "line 1: this is not the first line of a recording"),
        (b'{"capture": 1, "started_utc": "yesterday"}\n', "started_utc is 'yesterday'"),
        (b'{"capture": 1, "started_utc": 5}\n', "started_utc is 5"),
        (HEADER.encode() + b"\n", "this recording is empty"),
        (HEADER.encode(), "this recording is empty"),
        (b"\x1f\x8b\x08\x00garbage that is no deflate stream", "damaged gzip data"),
        (b"just some text\nof two lines\n", "not a recording and not an NMEA log"),
        (b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*48\n", "not a recording and not an NMEA log"),
        (bytes(range(256)) * 100, "not a recording and not an NMEA log"),
    ],
)
def test_what_is_no_capture_and_no_log(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "file"
    path.write_bytes(content)
    with pytest.raises(CaptureError, match=said) as error:
        capture.read(path)
    assert str(path) in str(error.value)


def test_what_cannot_be_opened(tmp_path: Path) -> None:
    for path in (tmp_path / "none", tmp_path):
        with pytest.raises(CaptureError, match="cannot be read"):
            capture.read(path)
        with pytest.raises(CaptureError, match="cannot be read"):
            capture.kind_of(path)


# --- plain logs ---------------------------------------------------------------------------------------------------


def rmc(clock: str, day: str = "020526") -> str:
    return simulate.sentence(f"GPRMC,{clock},A,5212.3456,N,00012.3456,E,10.0,90.0,{day},,,A")


def gga(clock: str) -> str:
    return simulate.sentence(f"GPGGA,{clock},5212.3456,N,00012.3456,E,1,08,0.9,54.0,M,46.9,M,,")


def log_times(tmp_path: Path, *lines: str) -> list[float]:
    path = tmp_path / "log.nmea"
    path.write_text("\r\n".join(lines) + "\r\n")
    return [row[0] / 1e9 for row in rows_of(path)]


def test_every_byte_of_a_log_is_kept(tmp_path: Path) -> None:
    content = b"\xff\0 garbage\n" + rmc("091430.00").encode() + b"\r\n\n\r\r\n" + gga("091430.10").encode() + b"\n$GPGS"
    path = tmp_path / "log"
    for data in (content, gzip.compress(content), content.replace(b"\n", b"\r")):
        path.write_bytes(data)
        read = capture.read(path, "receiver")
        assert read.kind == "nmea"
        kept = b"".join(row[2] for row in capture.rows(read.raw))
        assert kept == (content if data[:2] == b"\x1f\x8b" else data)
        assert {row[1] for row in capture.rows(read.raw)} == {"receiver"}


def test_the_lines_of_a_log_have_the_times_of_its_sentences(tmp_path: Path) -> None:
    vtg = simulate.sentence("GPVTG,,T,,M,10,N,18.5,K")
    told = log_times(tmp_path, vtg, rmc("091430.00"), gga("091430.00"), vtg, rmc("091430.10"), rmc("091431.125"))
    assert told == [0, 0, 0, 0, 0.1, 1.125]


def test_a_wrong_checksum_tells_no_time(tmp_path: Path) -> None:
    wrong = rmc("101430.00")[:-2] + "00"
    assert log_times(tmp_path, rmc("091430"), wrong, rmc("091431")) == [0, 0, 1]


def test_a_log_goes_on_through_midnight(tmp_path: Path) -> None:
    told = log_times(
        tmp_path, rmc("235959.50"), gga("000000.00"), rmc("000000.00", "030526"), rmc("000000.50", "030526")
    )
    assert told == [0, 0.5, 0.5, 1.0]
    assert log_times(tmp_path, gga("235959.50"), gga("000000.00")) == [0, 0.5]


def test_a_log_goes_on_through_a_leap_second(tmp_path: Path) -> None:
    day, next_day = "311216", "010117"
    told = log_times(tmp_path, rmc("235959", day), rmc("235960", day), rmc("000000", next_day), rmc("000001", next_day))
    assert told == [0, 1, 2, 3]


def test_a_day_of_rest_is_kept_and_two_logs_in_one_follow_each_other(tmp_path: Path) -> None:
    assert log_times(tmp_path, rmc("091430"), rmc("101430")) == [0, 3600]
    told = log_times(tmp_path, rmc("091430"), rmc("091440"), rmc("080000"), rmc("080001"), rmc("080002", "050526"))
    assert told == [0, 10, 10, 11, 11]


def test_a_receiver_that_learns_the_date_late(tmp_path: Path) -> None:
    assert log_times(tmp_path, rmc("000003", "060180"), rmc("000004", "060180"), rmc("091430"), rmc("091431")) == [
        0,
        1,
        1,
        2,
    ]


def test_the_real_log(real_log: Path) -> None:
    read = capture.read(real_log)
    assert b"".join(row[2] for row in capture.rows(read.raw)) == real_log.read_bytes()
    assert read.raw["mono_ns"][-1].as_py() == (17 * 3600 + 24 * 60 - 16 * 3600 - 57 * 60 - 44) * 10**9


@pytest.mark.parametrize("first", [b"", HEADER.encode() + b"\n", b"$GPXXX*00\n"])
def test_what_unpacks_to_far_more_than_it_is_takes_little_memory(tmp_path: Path, first: bytes) -> None:
    """A gzip file of 100 MB of line ends, which are nothing at all."""
    path = tmp_path / "x.gz"
    with gzip.open(path, "wb", compresslevel=1) as file:
        file.write(first)
        for _ in range(100):
            file.write(b"\n" * 1_000_000)
    tracemalloc.start()
    try:
        with pytest.raises(CaptureError):
            capture.read(path)
        assert tracemalloc.get_traced_memory()[1] < 50_000_000
    finally:
        tracemalloc.stop()


def test_more_lines_than_a_drive_has_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture, "_MOST_CHUNKS", 3)
    lines = [f'{{"t": {n}, "source": "gps", "text": ""}}' for n in range(4)]
    assert len(rows_of(captured(tmp_path, *lines[:3]))) == 4  # and the wall clock's
    with pytest.raises(CaptureError, match=r"drive\.jsonl: more than 3 lines, too many for one drive"):
        capture.read(captured(tmp_path, *lines))
