"""Captures and raw rows through columns against the careful way: the same rows, tables, remarks and refusals."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_epochs import Receiver

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.framing import Chunk
from logger.errors import CaptureError
from logger.store import capture, tables
from logger.store.parquet import table_bytes

HEAD = '{"capture": 1, "started_utc": "2026-05-02T09:14:30Z"}\n'
CONFIG = parse(
    '[[source]]\nname = "gps"\nkind = "nmea"\n[[source]]\nname = "board"\nkind = "numbers"\n'
    '[[source.column]]\nchannel = "throttle"\n[[source.column]]\nchannel = "map"\nvalid_max = 900\n',
    RecorderConfig,
    "a test",
)


def carefully(path: Path, monkeypatch: pytest.MonkeyPatch) -> capture.Capture:
    """As `capture.read` with every line an odd one."""
    with monkeypatch.context() as patched:
        patched.setattr(capture, "_SHORTEST_LINE", 1 << 40)
        return capture.read(path)


def outcome(read: object, *given: object) -> tuple[object, ...]:
    """The raw rows and remarks, or the refusal."""
    try:
        found = read(*given)  # type: ignore[operator]
    except CaptureError as error:
        return (str(error),)
    return found.raw.to_pylist(), found.remarks, found.raw.schema


def assert_alike(path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[object, ...]:
    quick, careful = outcome(capture.read, path), outcome(carefully, path, monkeypatch)
    assert quick == careful
    return quick


LINES = [
    '{"t": 1.5, "source": "board", "text": "1,2"}',
    '{"t": 1, "source": "board", "text": "1,2"}',
    '{"t": 0.000000001, "source": "a_rather_long_name_of_a_source_1", "text": ""}',
    '{"t": 123456789.123456789, "source": "gps", "text": "$GPXXX*00"}',
    '{"t": 4999999999.999999999, "source": "gps", "text": "x"}',
    '{"t": 5000000000.000000001, "source": "gps", "text": "x"}',
    '{"t": 1.0000000005, "source": "gps", "text": "half a nanosecond"}',
    '{"t": 01.5, "source": "gps", "text": "no JSON"}',
    '{"t": 1., "source": "gps", "text": "no JSON"}',
    '{"t": .5, "source": "gps", "text": "no JSON"}',
    '{"t": -1.5, "source": "gps", "text": "before the beginning"}',
    '{"t": 1e3, "source": "gps", "text": "an exponent"}',
    '{"t": , "source": "gps", "text": "nothing"}',
    '{"t": 2.5, "source": "gps", "text": "a \\"quote\\" and a \\\\"}',
    '{"t": 2.5, "source": "gps", "text": "caf\u00e9"}',
    '{"t": 2.5, "source": "gps", "hex": "AA550F"}',
    '{"t": 2.5, "source": "Board", "text": "a capital"}',
    '{"t": 2.5, "source": "", "text": "no name"}',
    '{"t": 2.5, "source": "_recorder", "text": "{}"}',
    '{"t":2.5,"source":"gps","text":"tight"}',
    '{"source": "gps", "t": 2.5, "text": "another order"}',
    '{"t": 2.5, "source": "gps", "text": "more", "x": ""}',
    '{"t": 2.5, "source": "gps", "tent": "another key"}',
    ' {"t": 2.5, "source": "gps", "text": "blank before"}',
    '{"t": 2.5, "source": "gps", "text": "blank behind"} ',
    '{"t": 2.5, "source": "gps", "text": "carriage"}\r',
    '{"t": 2.5, "source": "gps", "text": "tab\there"}',
    '{"t": 2.5, "source": "gps", "text": "delete \x7f"}',
    "",
    "\r", '"""""""""', "{}", '{"t": 3, "source": "n1", "text": "n"}', '{"t": 3, "source": "n12345678", "text": "n"}',
]  # fmt: skip


@pytest.mark.parametrize("line", LINES)
def test_each_kind_of_line(line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.jsonl"
    plain = LINES[0] + "\n"
    for text in (plain * 30 + line + "\n" + plain * 3, plain * 9 + line, line + "\n" + plain * 9, plain + line[:-7]):
        path.write_bytes((HEAD + text).encode())
        assert_alike(path, monkeypatch)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    lines=st.lists(st.sampled_from(LINES[:5] * 12 + LINES), max_size=60),
    end=st.sampled_from(["\n", "\n", "\r\n", "\r"]),
    data=st.data(),
)
def test_any_lines_any_damage(
    lines: list[str], end: str, data: st.DataObject, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = bytearray((HEAD + LINES[0] + "\n" + "".join(line + end for line in lines)).encode())
    for _ in range(data.draw(st.sampled_from([0, 0, 1]))):
        at = data.draw(st.integers(len(HEAD), len(content) - 1))
        content[at : at + 1] = data.draw(st.sampled_from([b"", b"\n", b'"', b"\\", b"\0", b"7", b"\xc3", b", "]))
    path = tmp_path / "a.jsonl"
    path.write_bytes(content)
    assert_alike(path, monkeypatch)


def rig(rng: random.Random, epochs: int) -> list[tuple[float, str, str]]:
    """A receiver and a board, the board's line now and then damaged."""
    receiver = Receiver(["RMC", "GGA", "VTG", "GSA", "GLL"], 0.1)
    rows = [(mono_ns / 1e9, "gps", data.decode()) for mono_ns, _, data in receiver.arrivals(epochs, rng, 115200)]
    for n in range(10 * epochs):
        odd = rng.choice(["", "7", "x,1", "1.5V,2", "-3,1e2"]) if rng.random() < 0.02 else f"{n % 1024},{n * 7 % 1024}"
        rows.append((n / 100, "board", odd))
    return sorted(rows)


def test_a_drive_of_a_rig_is_the_same_to_the_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Capture to tables, each with a port that was opened anew in the middle, and a source that nobody configured."""
    rng = random.Random(3)
    rows = rig(rng, 400)
    lines = [json.dumps({"t": round(t, 9), "source": source, "text": text}) for t, source, text in rows]
    for at, what in ((len(lines) // 3, "lost"), (len(lines) // 2, "found"), (len(lines) // 4, "note")):
        event = json.dumps(
            {"event": what, "utc": "2026-05-02T09:14:40Z", "source": "board", "port": "/dev/x", "text": "n"}
        )
        lines.insert(at, json.dumps({"t": round(rows[at][0], 9), "source": "_recorder", "text": event}))
        lines.insert(at, json.dumps({"t": round(rows[at][0], 9), "source": "board", "text": "12,\u00e9"}))
        lines.insert(at, json.dumps({"t": round(rows[at][0], 9), "source": "stranger", "text": "hm"}))
    path = tmp_path / "a.jsonl"
    path.write_text(HEAD + "\n".join(lines) + "\n", encoding="utf-8")
    assert_alike(path, monkeypatch)
    raw = tables.raw_table(capture.read(path).raw)
    quick = tables.build(raw, CONFIG)
    decoding = tables.Decoding(CONFIG)
    decoding.feed(capture.rows(raw))
    careful = decoding.built()
    for name in careful.tables:
        assert quick.tables[name].schema.equals(careful.tables[name].schema, check_metadata=True)
        assert table_bytes(quick.tables[name]) == table_bytes(careful.tables[name])
    for name in ("sources", "clock", "counters", "notes", "gaps", "remarks", "started_utc_ns", "ended_utc_ns"):
        assert getattr(quick, name) == getattr(careful, name)
    assert quick.tables["gps"].num_rows == 400
    in_parts = tables.Decoding(CONFIG)
    monkeypatch.setattr(tables, "_ROWS", 700)
    in_parts.feed_table(raw)
    assert in_parts.covers(raw)
    again = in_parts.built()
    assert all(table_bytes(again.tables[name]) == table_bytes(careful.tables[name]) for name in careful.tables)
    chunks, in_chunks = [Chunk(*row) for row in capture.rows(raw)], tables.Decoding(CONFIG)
    for at in range(0, len(chunks), 61):
        in_chunks.feed_chunks(chunks[at : at + 61])
    assert in_chunks.covers(raw)
    again = in_chunks.built()
    assert again.sources == careful.sources and again.counters == careful.counters
    assert all(table_bytes(again.tables[name]) == table_bytes(careful.tables[name]) for name in careful.tables)


def test_a_log_without_host_times_is_the_same_to_the_byte(tmp_path: Path) -> None:
    arrivals = Receiver(["GSA", "RMC", "GGA", "VTG"], 0.1).arrivals(300, random.Random(1), 115200)
    path = tmp_path / "a.nmea"
    path.write_bytes(b"".join(data + b"\r\n" for _, _, data in arrivals))
    raw = tables.raw_table(capture.read(path).raw)
    quick = tables.build(raw, CONFIG)
    decoding = tables.Decoding(CONFIG, host_times=False)
    decoding.feed(capture.rows(raw))
    careful = decoding.built()
    assert quick.tables["gps"].num_rows == 300
    assert table_bytes(quick.tables["gps"]) == table_bytes(careful.tables["gps"])
    assert (quick.sources, quick.clock, quick.remarks) == (careful.sources, careful.clock, careful.remarks)
