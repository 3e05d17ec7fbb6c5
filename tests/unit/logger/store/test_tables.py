"""Tables and clocks of drives whose truth is known: what receivers and computers do."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import simulate
from airfield_minute import (
    CONFIG,
    CONFIG_TEXT,
    SECOND,
    burst,
    clock_text,
    pullbook,
    table_of,
    times_of,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from rig import nmea

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode import events
from logger.decode.framing import Chunk
from logger.store import drive, tables


def wall(mono_s: float, utc: str, kind: str = "wall", **more: Any) -> Chunk:
    return events.at(round(mono_s * SECOND), utc, kind, **more)


def built_of(*chunks: Chunk, config: RecorderConfig = CONFIG) -> tables.Built:
    return tables.build(table_of(sorted(chunks, key=lambda chunk: chunk.mono_ns)), config)


def readings(start: float, stop: float, step: float = 0.5) -> list[Chunk]:
    return [Chunk(round(t * SECOND), "mixture", b"14.7\r\n") for t in np.arange(start, stop, step)]


def test_midnight() -> None:
    first = 86400 - 30
    days = ["020526"] * 30 + ["030526"] * 30
    built = built_of(*(burst(100.1 + k, clock_text(first + k), day) for k, day in enumerate(days)), *readings(100, 160))
    assert times_of(built.tables["gps"]) == [first + k for k in range(60)]
    assert times_of(built.tables["mixture"]) == pytest.approx([first + k / 2 for k in range(120)], abs=1e-6)


def test_rows_before_a_late_fix_get_utc_all_the_same() -> None:
    blank = [
        Chunk(round((10.1 + k) * SECOND), "gps", (simulate.sentence("GPRMC,,V,,,,,,,,,,N") + "\r\n").encode())
        for k in range(600)
    ]
    fixed = [burst(610.1 + k, clock_text(33270 + 600 + k)) for k in range(120)]
    built = built_of(*blank, *fixed, *readings(5, 730, 1.0))
    assert times_of(built.tables["mixture"]) == pytest.approx([33270 - 5 + k for k in range(725)], abs=0.01)
    gps = built.tables["gps"]
    assert gps.num_rows == 720
    assert times_of(gps) == pytest.approx([33270 + k for k in range(720)], abs=0.01)
    assert gps["valid"].to_pylist() == [False] * 600 + [True] * 120
    assert built.clock["basis"] == "gps"


def test_a_drive_without_gps_has_the_wall_clock() -> None:
    built = built_of(wall(10, "2026-05-02T09:14:30+00:00"), *readings(10, 60), wall(70, "2026-05-02T09:15:30+00:00"))
    assert built.clock["basis"] == "wall"
    assert times_of(built.tables["mixture"])[0] == pytest.approx(33270, abs=1e-6)
    assert any("no GPS time" in remark for remark in built.remarks)
    assert any("nothing came from source 'gps'" in remark for remark in built.remarks)


def test_a_drive_without_any_clock_counts_from_1970() -> None:
    built = built_of(*readings(10, 20))
    assert built.clock["basis"] == "none"
    assert built.started_utc_ns == 0
    assert any("1970" in remark for remark in built.remarks)


def test_a_receiver_that_tells_no_date_has_that_of_the_wall_clock() -> None:
    """GGA alone; the wall clock is hours off and on the other side of midnight."""
    fixes = []
    for k in range(60):
        body = f"GPGGA,{clock_text(86400 - 30 + k)},5212.3456,N,00012.3456,E,1,08,0.9,54.0,M,46.9,M,,"
        fixes.append(Chunk(round((100.1 + k) * SECOND), "gps", (simulate.sentence(body) + "\r\n").encode()))
    built = built_of(wall(100, "2026-05-03T02:00:00+00:00"), *fixes)
    assert times_of(built.tables["gps"]) == [86400 - 30 + k for k in range(60)]
    assert any("no sentence of 'gps' has a date" in remark for remark in built.remarks)
    undated = built_of(*fixes)
    assert undated.started_utc_ns == pytest.approx((86400 - 30) * SECOND, abs=SECOND)
    assert any("counted from 1970-01-01" in remark for remark in undated.remarks)


def test_a_computer_that_slept_leaves_a_gap_and_right_times() -> None:
    """Linux: the clock runs on. Elsewhere it stands still for the 300 s."""
    for stands_still in (False, True):
        later = 0 if stands_still else 300
        chunks = [
            *(burst(100.1 + k, clock_text(33270 + k)) for k in range(120)),
            *(burst(220.1 + later + k, clock_text(33270 + 420 + k)) for k in range(120)),
            wall(100, "2026-05-02T09:14:30+00:00"),
            wall(219.99 + later, "2026-05-02T09:21:30+00:00", "resumed", slept_s=300.0),
            *readings(100, 219.8),
            *readings(220.0 + later, 340 + later),
        ]
        built = built_of(*chunks)
        told = times_of(built.tables["mixture"])
        assert told == pytest.approx(
            [33270 + k / 2 for k in range(240)] + [33690 + k / 2 for k in range(240)], abs=0.005
        )
        (gap,) = built.gaps
        assert gap["why"] == "the computer slept"
        ends = datetime.fromisoformat(gap["end_utc"]) - datetime.fromisoformat(gap["start_utc"])
        assert ends.total_seconds() == pytest.approx(300.5, abs=0.6)


def test_a_source_that_was_lost_leaves_a_gap() -> None:
    chunks = [
        *(burst(100.1 + k, clock_text(33270 + k)) for k in range(120)),
        *readings(100, 130),
        wall(131, "2026-05-02T09:15:01+00:00", "lost", source="mixture", why="unplugged"),
        wall(150, "2026-05-02T09:15:20+00:00", "found", source="mixture", port="/dev/ttyUSB1"),
        *readings(150.5, 200),
        wall(201, "2026-05-02T09:16:11+00:00", "lost", source="mixture", why="unplugged again"),
    ]
    built = built_of(*chunks)
    gaps = [(gap["source"], gap["why"], gap["start_utc"][:19], gap["end_utc"][:19]) for gap in built.gaps]
    assert gaps == [
        ("mixture", "unplugged", "2026-05-02T09:15:01", "2026-05-02T09:15:20"),
        ("mixture", "unplugged again", "2026-05-02T09:16:11", "2026-05-02T09:16:29"),
    ]
    assert built.sources[1]["port"] == "/dev/ttyUSB1"


def test_a_line_cut_by_the_loss_of_its_port_is_no_reading() -> None:
    built = built_of(
        *(burst(100.1 + k, clock_text(33270 + k)) for k in range(20)),
        Chunk(100 * SECOND, "mixture", b"14.7\r\n1"),
        wall(101, "2026-05-02T09:14:31+00:00", "lost", source="mixture"),
        wall(103, "2026-05-02T09:14:33+00:00", "found", source="mixture"),
        Chunk(104 * SECOND, "mixture", b"4.7\r\n"),
    )
    assert built.tables["mixture"]["afr"].to_pylist() == [14.7, 4.7]
    assert built.sources[1]["rejected"] == {"cut off": 1}


def test_fields_that_a_receiver_left_unusable_are_counted() -> None:
    sound = [burst(100.1 + k, clock_text(33270 + k)) for k in range(3)]
    wild = Chunk(104 * SECOND, "gps", nmea("GPVTG,84.4,T,,M,9999.0,N,,K,A"))
    built = built_of(*sound, wild)
    assert built.sources[0]["void_fields"] == {"speed impossible": 1}
    assert built.sources[0]["rejected"] == {}


def test_two_receivers_have_one_clock() -> None:
    text = CONFIG_TEXT + '[[source]]\nname = "gps2"\nkind = "nmea"\nlatency_s = 0.3\n'
    config = parse(text, RecorderConfig, "two")
    chunks = [burst(100.1 + k, clock_text(33270 + k)) for k in range(60)]
    second = [Chunk(c.mono_ns + SECOND // 5, "gps2", c.data) for c in chunks[:40]]
    built = built_of(*chunks, *second, config=config)
    assert built.clock["source"] == "gps"
    assert times_of(built.tables["gps2"]) == times_of(built.tables["gps"])[:40]


def test_a_source_that_the_configuration_lacks_is_kept_and_told(tmp_path: Path) -> None:
    chunks = [*(burst(100.1 + k, clock_text(33270 + k)) for k in range(20)), Chunk(101 * SECOND, "board", b"1,2\n")]
    made = drive.write(tmp_path, table_of(chunks), CONFIG, CONFIG_TEXT)
    assert any("'board' is not in the configuration" in remark for remark in made.manifest.remarks)
    assert made.table_names == ["gps", "mixture"]
    assert "board" in made.table("raw")["source"].to_pylist()
    assert [source.kind for source in made.manifest.sources] == ["nmea", "numbers", None]


def test_damaged_events_are_passed_over() -> None:
    odd = [
        b"",
        b"{",
        b"[]",
        b'{"event": 5}',
        b'{"utc": "x", "event": "wall"}',
        b"[" * 10_000,
        b'{"event": "found", "source": []}',
    ]
    built = built_of(*(Chunk(SECOND * k, "_recorder", data) for k, data in enumerate(odd)), *readings(1, 5))
    assert built.tables["mixture"].num_rows == 8


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 2**53),
            st.sampled_from(["gps", "mixture", "_recorder", "other"]),
            st.one_of(
                st.binary(max_size=60),
                st.sampled_from([burst(1, "091430.00").data, burst(1, "235960.00", "311216").data, b"14.7\r\n"]),
                st.builds(
                    lambda kind, utc, source: events.at(0, utc, kind, source=source).data,
                    st.sampled_from(["wall", "lost", "found", "note", "resumed"]),
                    st.sampled_from(["2026-05-02T09:14:30", "0001-01-01", "9999-12-31T23:59:59", "x"]),
                    st.sampled_from(["gps", "other"]),
                ),
            ),
        ),
        max_size=30,
    )
)
def test_any_rows_are_built_into_tables(told: list[tuple[int, str, bytes]]) -> None:
    built = tables.build(table_of([Chunk(*row) for row in told]), CONFIG)
    assert list(built.tables) == ["gps", "mixture"]
    assert built.counters["chunks"] == sum(name != "_recorder" for _, name, _ in told)


def test_the_real_log_is_imported_with_all_its_epochs(tmp_path: Path, real_log: Path) -> None:
    answer = pullbook("import", real_log, "--store", tmp_path)
    made = drive.open_drive(tmp_path, "last")
    # Counted apart from the program: every RMC with status A has its own time, 2 s apart but for two gaps.
    rmc = [line.split(",") for line in real_log.read_text("latin-1").splitlines() if line.startswith("$GPRMC")]
    told = [f[1] for f in rmc if f[2] == "A"]
    gps = made.table("gps")
    valid = gps.filter(gps["valid"])
    assert [f"{t:%H%M%S}" for t in valid["time"].to_pylist()] == told
    assert gps.num_rows == len(rmc) == answer["rows"]["gps"]
    assert answer["rejected"] == {"gps": 0}
    assert answer["duration_s"] == 1576
    knots = [float(f[7]) for f in rmc if f[2] == "A"]
    assert np.allclose(valid["speed_mps"].to_numpy(), np.array(knots) * 1852 / 3600)
