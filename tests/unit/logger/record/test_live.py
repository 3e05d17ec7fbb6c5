"""What is shown while recording: the same decoders, a queue that forgets, listeners that may fail."""

from __future__ import annotations

import time
import tracemalloc
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rig import BOARD, GPS, MIXTURE, nmea, rmc

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.clock import monotonic_ns
from logger.decode.events import event
from logger.decode.framing import Chunk
from logger.decode.nmea import Fix
from logger.decode.readings import Reading
from logger.record.live import QUEUE_CHUNKS, SENTENCES_A_TICK, Doubts, Listener, Live
from logger.record.ports import READ_BYTES

CONFIG = parse("".join(block.format(port=n) for n, block in enumerate((GPS, MIXTURE, BOARD))), RecorderConfig, "test")
SECOND = 10**9


class Heard(Listener):
    def __init__(self) -> None:
        self.fixes: list[Fix] = []
        self.readings: list[tuple[str, Reading]] = []
        self.events: list[dict[str, Any]] = []
        self.ticks = self.stops = 0

    def on_fix(self, source: str, fix: Fix) -> None:
        self.fixes.append(fix)

    def on_reading(self, source: str, reading: Reading) -> None:
        self.readings.append((source, reading))

    def on_event(self, mono_ns: int, said: dict[str, Any]) -> None:
        self.events.append(said)

    def on_tick(self, now_ns: int) -> None:
        self.ticks += 1

    def stop(self) -> None:
        self.stops += 1


def test_fixes_the_latest_reading_and_events() -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    for n in range(10):
        live.put(Chunk(n * SECOND, "gps", rmc(n, 10.0 + n)))
        live.put(Chunk(n * SECOND, "mixture", b"13.%d\r\n" % n))
    live.put(Chunk(9 * SECOND, "board", b"half a line"))
    live.put(event(0, "note", text="hill"))
    live.tell(monotonic_ns())
    assert len(heard.fixes) == 9  # the last epoch may go on
    assert [source for source, _ in heard.readings] == ["mixture"]
    assert heard.readings[0][1].values[0] == 13.9
    assert heard.events[0]["text"] == "hill"
    assert heard.ticks == 1


def test_places() -> None:
    live = Live(CONFIG)
    assert live.place("afr", "lambda") == ("mixture", 0, "afr")
    assert live.place("lambda") == ("mixture", 1, "lambda")
    assert live.place("counts") == ("board", 1, "counts")
    assert live.place("map_kpa") is None


def test_a_rejected_line_does_not_hide_the_good_one_before() -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    live.put(Chunk(0, "mixture", b"13.1\r\nE7\r\n"))
    live.tell(monotonic_ns())
    assert [reading.values[0] for _, reading in heard.readings] == [13.1]


def test_a_line_that_lacks_its_beginning_is_not_shown() -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    live.put(event(SECOND, "opened", source="mixture", port="x", baud=9600))
    live.put(Chunk(SECOND, "mixture", b"3.1\r\n"))
    live.tell(monotonic_ns())
    assert heard.readings == []


def test_a_listener_that_fails_is_dropped_and_the_others_go_on() -> None:
    class Broken(Heard):
        def on_tick(self, now_ns: int) -> None:
            super().on_tick(now_ns)
            raise RuntimeError

    broken, heard = Broken(), Heard()
    live = Live(CONFIG, [broken, heard])
    for _ in range(3):
        live.tell(monotonic_ns())
    assert (broken.ticks, broken.stops) == (1, 1)
    assert heard.ticks == 3


def test_the_queue_forgets_the_oldest_and_put_never_waits() -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    for n in range(QUEUE_CHUNKS + 1000):
        live.put(Chunk(n, "mixture", b"%d\r\n" % n))
    live.tell(monotonic_ns())
    assert heard.readings[-1][1].values[0] == QUEUE_CHUNKS + 999


def test_of_a_flood_nothing_false_is_shown_and_memory_stays_small() -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    tracemalloc.start()
    for n in range(9 * QUEUE_CHUNKS):  # 150 MB in all
        live.put(Chunk(n, "mixture", b"1"))
        live.put(Chunk(n, "mixture", bytes(1) * READ_BYTES))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 20_000_000
    live.put(Chunk(10**9, "mixture", b"3.1\r\n13.2\r\n"))
    live.tell(10**9)
    assert [reading.values[0] for _, reading in heard.readings] == [13.2]


def test_a_line_whose_middle_was_forgotten_for_another_source_is_not_shown() -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    live.put(Chunk(0, "mixture", b"\r\n12.9\r\n1"))
    live.tell(1)
    live.put(Chunk(2, "mixture", b"3.2\r\n1"))
    for n in range(QUEUE_CHUNKS - 1):
        live.put(Chunk(n, "board", b"1,2\r\n"))
    live.put(Chunk(3, "mixture", b"9.7\r\n"))
    live.tell(4)
    assert [reading.values[0] for source, reading in heard.readings if source == "mixture"] == [12.9]


def test_a_line_that_lacks_its_beginning_since_others_were_passed_over_is_not_shown() -> None:
    """However long before it came what was passed over: "14.7" is never "4.7"."""
    heard = Heard()
    live = Live(CONFIG, [heard])
    live.put(Chunk(0, "mixture", b"13.1\r\n1"))
    live.put(Chunk(SECOND // 10, "mixture", b"4.7\r\n" + b"bad\r\n" * 4 + b"\n" * 6))
    live.tell(SECOND // 5)
    assert [reading.values[0] for _, reading in heard.readings] in ([], [14.7])


@pytest.mark.parametrize("cut", [7, 50, 333])
def test_of_a_pouring_board_the_last_reading_is_told(cut: int) -> None:
    """As if all of it had been read, wherever its bytes are cut, and a spoilt line behind it."""
    poured = b"".join(b"%d.5\r\n" % (n % 90) for n in range(4000)) + b"nonsense\r\n"
    heard, seldom = Heard(), Heard()
    for listener, at_once in ((heard, 10**9), (seldom, 300)):
        live = Live(CONFIG, [listener])
        pieces = [poured[at : at + cut] for at in range(0, len(poured), cut)]
        for number, piece in enumerate(pieces):
            live.put(Chunk(number * 1000, "mixture", piece))
            if number * cut % at_once < cut:
                live.tell(monotonic_ns())
        live.tell(monotonic_ns())
    assert heard.readings[-1][1].values == seldom.readings[-1][1].values
    assert heard.readings[-1][1].values[0] == 3999 % 90 + 0.5


def test_a_pouring_receiver_is_decoded_in_part() -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    live.put(Chunk(0, "gps", b"".join(rmc(n / 10) for n in range(20 * SENTENCES_A_TICK))))
    live.tell(monotonic_ns())
    assert SENTENCES_A_TICK - 2 <= len(heard.fixes) <= SENTENCES_A_TICK


def test_a_listener_that_hangs_does_not_hold_up_the_end() -> None:
    class Hangs(Heard):
        def on_tick(self, now_ns: int) -> None:
            time.sleep(30)

    live = Live(CONFIG, [Hangs()])
    live.start()
    time.sleep(0.5)
    began = time.monotonic()
    assert live.finish(patience_s=0.2) is False
    assert time.monotonic() - began < 5


def test_finish_tells_what_is_left_and_stops() -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    live.start()
    live.put(event(0, "note", text="last words"))
    assert live.finish(patience_s=10)
    assert heard.events[-1]["text"] == "last words"
    assert heard.stops == 1


@given(
    st.lists(st.tuples(st.sampled_from(["gps", "mixture", "board", "unknown"]), st.binary(max_size=80)), max_size=30)
)
@settings(deadline=None)
def test_any_bytes_are_shown_without_harm(came: list[tuple[str, bytes]]) -> None:
    heard = Heard()
    live = Live(CONFIG, [heard])
    for n, (source, data) in enumerate(came):
        live.put(Chunk(n, source, data))
    live.tell(monotonic_ns())
    assert heard.ticks == 1
    live.put(Chunk(10**9, "gps", b"\r\n" + nmea("GPXXX,1") + rmc(1) + rmc(2)))
    live.tell(monotonic_ns())
    assert heard.ticks == 2


def test_bytes_that_make_no_sense_raise_doubts_once() -> None:
    source = {"name": "mixture", "state": "open", "bytes_per_s": 50.0, "opened_ns": 0}
    told: list[str] = []
    doubts = Doubts(lambda: {"sources": [source]}, told.append)
    live = Live(CONFIG, [doubts])

    def play(data: bytes, start: int, seconds: int) -> None:
        for n in range(start * 4, (start + seconds) * 4):
            live.put(Chunk(n * SECOND // 4, "mixture", data))
            live.tell(n * SECOND // 4)

    play(b"\x8e\xf2\x00", 0, 6)
    assert told == []
    play(b"\x8e\xf2\x00", 6, 10)
    assert len(told) == 1 and told[0].startswith("mixture: bytes arrive but cannot be read")
    assert doubts.sources == {"mixture"}
    play(b"\r\n13.2\r\n", 16, 4)
    assert doubts.sources == set()
    source["bytes_per_s"] = 0.0  # silence is another matter
    play(b"", 20, 20)
    assert len(told) == 1
