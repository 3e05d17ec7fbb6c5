"""The recorder's smaller parts: clocks watched, rates counted, drives finished apart and tried again."""

from __future__ import annotations

import itertools
import json
import threading
import time
from pathlib import Path

import pytest
from rig import BOARD, GPS, bytes_of, pullbook

from logger import errors
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.clock import monotonic_ns
from logger.decode.framing import Chunk
from logger.record import closing, health, recorder
from logger.store import drive, journal, making
from logger.store.tables import Decoding

SECOND = 10**9
TEXT = GPS.format(port="a") + BOARD.format(port="b")


def journalled(store: Path, lines: int = 10) -> Path:
    folder = making.begin(store, TEXT)
    writer = journal.JournalWriter(folder)
    writer.extend(Chunk(n * SECOND, "board", b"%d,%d\r\n" % (n, n)) for n in range(lines))
    writer.close()
    return folder.parent


# --- clocks -------------------------------------------------------------------------------------------------------


def kinds(chunks: list[Chunk]) -> list[tuple[str, float | None]]:
    said = [json.loads(chunk.data) for chunk in chunks]
    return [(one["event"], one.get("jumped_s", one.get("slept_s"))) for one in said]


def test_the_wall_clock_is_told_at_first_and_every_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [10**15]
    monkeypatch.setattr(health, "monotonic_ns", lambda: now[0])
    monkeypatch.setattr(time, "time_ns", lambda: now[0] + 10**18)
    monkeypatch.setattr(health, "_slept_ns", lambda: 0)
    clocks = health.HostClocks()
    told = []
    for n in range(400):
        told += [(n, *kind) for kind in kinds(clocks.look())]
        now[0] += SECOND // 2
    assert told == [(0, "wall", None), (120, "wall", None), (240, "wall", None), (360, "wall", None)]


def test_a_jump_of_the_wall_clock_and_a_sleep_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    now, wall, slept = 10**15, [10**18], [0]
    monkeypatch.setattr(health, "monotonic_ns", lambda: now)
    monkeypatch.setattr(time, "time_ns", lambda: wall[0])
    monkeypatch.setattr(health, "_slept_ns", lambda: slept[0])
    clocks = health.HostClocks()
    clocks.look()
    wall[0] -= 3600 * SECOND
    assert kinds(clocks.look()) == [("wall", -3600.0)]
    wall[0] += SECOND // 10  # a clock that is steered does not jump
    assert kinds(clocks.look()) == []
    slept[0] += 90 * SECOND
    assert kinds(clocks.look()) == [("resumed", 90.0)]


def taken_of(inflow: health.Inflow, sizes: list[tuple[int, int]]) -> list[bool]:
    """Which of the reads (when [ns], bytes) a reader takes that asks only where the grant before is used up."""
    taken, left = [], 0
    for now, size in sizes:
        left -= size
        if left < 0:
            left = inflow.grant(size, now, left + size)
        taken.append(left >= 0)
        left = max(left, 0)
        if taken[-1]:
            inflow.dropped = 0
    return taken


@pytest.mark.parametrize("size", [1000, 4096, 65536])
def test_what_no_cable_carries_is_dropped_in_pieces_and_counted(size: int) -> None:
    inflow, left = health.Inflow(0), 0
    taken = dropped = resumed = 0
    reads = 60 * 26_000_000 // size
    for n in range(reads):  # a minute of 26 MB/s
        left -= size
        if left < 0:
            left = inflow.grant(size, n * 60 * SECOND // reads, left + size)
        if left >= 0:
            taken += size
            if inflow.dropped:
                dropped, resumed, inflow.dropped = dropped + inflow.dropped, resumed + 1, 0
        left = max(left, 0)
    assert taken + dropped + inflow.dropped == reads * size
    assert 30_000_000 < taken < 35_000_000
    assert 20 < resumed < 40  # each is an event in the drive
    # The fastest cable, 4 Mbaud: not a byte is missing, in few reads or many.
    assert all(taken_of(health.Inflow(0), [(n * SECOND, 400_000) for n in range(3000)]))
    assert all(taken_of(health.Inflow(0), [(n * SECOND // 100, 4000) for n in range(60_000)]))


def test_what_was_granted_counts_only_where_it_was_used() -> None:
    """A burst is taken to its last byte, whatever the sizes of its reads: what is left of a grant is not lost."""
    for size in (1, 3000, 50_001, 66_000):
        reads = 8_000_000 // size
        taken = sum(taken_of(health.Inflow(0), [(0, size)] * min(reads, 5_000_000))) * size
        assert health.BURST_BYTES - size < taken <= health.BURST_BYTES


def test_nothing_more_is_taken_while_the_disk_stands_still() -> None:
    inflow = health.Inflow(0)
    assert inflow.grant(100, 0) == health.GRANT_BYTES - 100
    assert inflow.grant(100, 1, full=True) == -1
    assert inflow.dropped == 100 and inflow.grant(50, SECOND) >= 0


def read_by_a_reader(store: Path, size: int, reads: int, step_ns: int) -> tuple[int, list[int]]:
    """Bytes that a reader's own loop took of so many reads, its clock going on by steps; and those told as dropped."""
    made = recorder.Recorder(store, parse(TEXT, RecorderConfig, "test"), closing.Finisher(store, TEXT))
    reader, clock = made._reader(made.config.source[1]), itertools.count(step=step_ns)

    class Endless:
        left = reads

        def read(self, timeout_s: float = 0.25) -> bytes:
            self.left -= 1
            if self.left < 0:
                made._stop_readers.set()
            return bytes(size) if self.left >= 0 else b""

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(recorder, "monotonic_ns", lambda: next(clock))
        patch.setattr(made._stop_readers, "wait", lambda seconds: False)
        reader._read(Endless())  # type: ignore[arg-type]
    taken = sum(len(chunk.data) for chunk in made._incoming if chunk.source == "board")
    floods = [json.loads(chunk.data) for chunk in made._incoming if chunk.source == "_recorder"]
    return taken, [flood["dropped"] for flood in floods if flood["event"] == "flood"]


def test_a_source_at_a_disk_that_stands_still_is_taken_up_to_a_limit(tmp_path: Path) -> None:
    """With nobody who empties the queue: about as much as may wait, and then no more."""
    taken, dropped = read_by_a_reader(tmp_path, 4096, 50_000, step_ns=SECOND)  # slow enough to be no flood
    assert 0.9 * recorder._MOST_WAITING_BYTES < taken <= recorder._MOST_WAITING_BYTES
    assert taken + sum(dropped) == 4096 * 50_000 and len(dropped) == 1


@pytest.mark.parametrize("size", [700, 3000, 4096])
def test_a_reader_takes_a_burst_to_its_last_byte_and_counts_the_rest(tmp_path: Path, size: int) -> None:
    taken, dropped = read_by_a_reader(tmp_path, size, 10_000_000 // size, step_ns=0)
    assert health.BURST_BYTES - size < taken <= health.BURST_BYTES
    assert taken + sum(dropped) == 10_000_000 // size * size and len(dropped) == 1


def test_what_a_flood_costs_is_told_each_time_and_once(tmp_path: Path) -> None:
    """A source at twice what a cable carries is taken in pieces: what lies between is counted, each byte once."""
    reads = 6000
    taken, dropped = read_by_a_reader(tmp_path, 4096, reads, step_ns=4096 * SECOND // (2 * health.MOST_BYTES_PER_S))
    assert len(dropped) > 1
    assert taken + sum(dropped) == 4096 * reads


def test_rates_over_the_last_seconds() -> None:
    sources = {"board": health.Health("board", "numbers")}
    rates = health.Rates(sources)
    start = monotonic_ns()
    for n in range(50):
        rates.count([Chunk(start + n, "board", b"1,2\r\n" * 2), Chunk(0, "_recorder", b"x")], start + n * SECOND // 10)
    assert sources["board"].lines == 100
    assert sources["board"].lines_per_s == pytest.approx(20, rel=0.1)
    assert sources["board"].bytes_per_s == pytest.approx(100, rel=0.1)


# --- finishing drives ---------------------------------------------------------------------------------------------


def say_rows(made: drive.Drive) -> None:
    print(f"{made.manifest.rows['board']} rows of the board")


def fail(made: drive.Drive) -> None:
    raise RuntimeError("no such thing")


@pytest.mark.parametrize("hurry", [True, False], ids=["here", "in a child"])
def test_a_journal_becomes_a_drive_and_what_follows_is_said(tmp_path: Path, hurry: bool) -> None:
    folder = journalled(tmp_path)
    finisher = closing.Finisher(tmp_path, TEXT, after_drive=say_rows)
    assert finisher.unfinished() == [folder]
    made, said = finisher.close(folder, recovering=False, hurry=hurry)
    assert made is not None
    assert "is closed: 9 s" in said and "10 rows of the board" in said
    assert finisher.unfinished() == []
    assert drive.open_drive(tmp_path, "last").path == made


def test_what_follows_may_fail_and_the_drive_is_whole(tmp_path: Path) -> None:
    made, said = closing.Finisher(tmp_path, TEXT, after_drive=fail).close(journalled(tmp_path), False, True)
    assert made is not None and "no such thing" in said


@pytest.mark.parametrize("hurry", [True, False], ids=["here", "in a child"])
def test_recovering_says_what_is_missing(tmp_path: Path, hurry: bool) -> None:
    folder = journalled(tmp_path)
    segment = next(folder.glob("journal/*.arrows"))
    segment.write_bytes(segment.read_bytes() + b"\xff" * 100)  # a torn flush
    made, said = closing.Finisher(tmp_path, TEXT).close(folder, recovering=True, hurry=hurry)
    assert made is not None
    assert "recovered" in said and "100 bytes" in said


def test_a_child_that_fails_says_why_in_a_line(tmp_path: Path) -> None:
    folder = journalled(tmp_path)
    (folder / "journal" / "about.json").unlink()
    (folder / "journal" / "recorder.toml").write_text("nonsense")
    with pytest.raises(errors.DriveError) as raised:
        closing.Finisher(tmp_path, TEXT).close(folder, recovering=False, hurry=False)
    assert "\n" not in str(raised.value) and "recorder.toml" in str(raised.value)
    assert bytes_of(journal.read(folder / "journal").raw, "board").count(b"\n") == 10


class Unwilling:
    """Drives that cannot be finished for a while, as on a disk without room."""

    def __init__(self, store: Path) -> None:
        self._finisher = closing.Finisher(store, TEXT)
        self.willing = False

    def begin(self, mono_ns: int) -> Path:
        return self._finisher.begin(mono_ns)

    def unfinished(self) -> list[Path]:
        return self._finisher.unfinished()

    def close(
        self, folder: Path, recovering: bool, hurry: bool, decoding: Decoding | None = None
    ) -> tuple[Path | None, str]:
        if not self.willing:
            raise errors.DriveError("no room")
        return self._finisher.close(folder, recovering, True)


def test_what_could_not_be_finished_is_tried_again(tmp_path: Path) -> None:
    drives, shown = Unwilling(tmp_path), list[Chunk]()
    closer = closing.Closer(drives, shown.append)
    closer.start()
    closer.put(journalled(tmp_path))
    _until(lambda: len(shown) == 1)
    assert json.loads(shown[0].data)["text"] == "no room"
    drives.willing = True
    closer.retry()
    _until(lambda: len(closer.finished) == 1)
    assert closer.finish() == ()


def test_what_fails_while_room_comes_back_is_tried_again(tmp_path: Path) -> None:
    """Room came back before the child that had none was done: nothing else would ever try that drive again."""
    shown = list[Chunk]()
    began, may_end = threading.Event(), threading.Event()

    class Slow(Unwilling):
        def close(
            self, folder: Path, recovering: bool, hurry: bool, decoding: Decoding | None = None
        ) -> tuple[Path | None, str]:
            began.set()
            assert may_end.wait(20)
            try:
                return super().close(folder, recovering, hurry, decoding)
            finally:
                self.willing = True

    drives = Slow(tmp_path)
    closer = closing.Closer(drives, shown.append)
    closer.start()
    closer.put(journalled(tmp_path))
    assert began.wait(20)
    closer.retry()
    may_end.set()
    _until(lambda: len(closer.finished) == 1)
    assert json.loads(shown[0].data)["text"] == "no room"
    assert closer.finish() == ()


def test_giving_up_leaves_the_journal_to_the_next_start(tmp_path: Path) -> None:
    drives = Unwilling(tmp_path)
    closer = closing.Closer(drives, lambda chunk: None)
    closer.start()
    folder = journalled(tmp_path)
    closer.put(folder)
    closer.give_up_at(time.monotonic() + 0.2)
    assert closer.finish() == (folder,)


def test_a_setup_put_in_force_while_recording_is_the_next_drives(tmp_path: Path) -> None:
    from logger.cli.files import Files
    from logger.store.in_force import put_in_force

    (tmp_path / "recorder.toml").write_text(TEXT)
    files = Files.read(None, tmp_path)
    finisher = closing.Finisher(tmp_path, TEXT, setup=files.setup_as_of_now(tmp_path, None))
    names = []
    for text in ("", 'name = "a"\n[parts]\n', 'name = "b"\n[parts]\n', "spoilt"):
        if text:
            put_in_force(tmp_path, text)
        about = json.loads(next(finisher.begin(0).glob("*.json")).read_text())
        names.append((about["setup"] or {}).get("name"))
    assert names == [None, "a", "b", "b"]  # and one that cannot be read keeps no drive from beginning


def _until(done) -> None:  # type: ignore[no-untyped-def]
    ends = time.monotonic() + 20
    while not done():
        assert time.monotonic() < ends
        time.sleep(0.01)


# --- the verbs that need no recorder ------------------------------------------------------------------------------


def test_check_says_what_it_understood() -> None:
    """By the whole program: the lean alert's limit is handed to the recorder by it."""
    configs = Path(__file__).parents[4] / "configs"
    said = pullbook("check", str(configs / "recorder.toml"), store=configs)
    assert "gps: NMEA sentences from whichever port" in said
    assert "mixture: lines of numbers" in said
    assert "car: Wren, 392 kg, air-cooled" in said
    assert "lean alert: afr above 12.5 for 2 s" in said
    assert "asleep until timed runs were driven, or `pullbook begin --only power`" in said
    assert max(map(len, said.splitlines())) < 110


def test_every_key_of_the_configuration_is_in_the_explained_file() -> None:
    from logger.config.recorder import (
        Calibration,
        Channel,
        Checksum,
        FrameField,
        FrameSource,
        NmeaSource,
        NumbersSource,
        PatternSource,
        Privacy,
        RecorderSettings,
    )

    text = (Path(__file__).parents[4] / "configs" / "recorder.toml").read_text(encoding="utf-8")
    assert parse(text, RecorderConfig, "configs/recorder.toml")
    models = [RecorderSettings, NmeaSource, NumbersSource, PatternSource, FrameSource,
              Channel, Calibration, FrameField, Checksum, Privacy]  # fmt: skip
    missing = {
        f"{model.__name__}.{key}"
        for model in models
        for key in model.model_fields
        if not any(line.lstrip("# ").startswith((f"{key} =", f"[[source.{key}]]", f"[source.{key}", f"[[privacy.{key}"))
                   or f".{key}]" in line for line in text.splitlines())
    }  # fmt: skip
    assert not missing


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[recorder]\ncar = 'nowhere.toml'\n" + TEXT, "nowhere.toml: no such file"),
        ("[recorder]\nflush = 1\n" + TEXT, "did you mean 'flush_s'?"),
        ("", "source: this key is needed and is missing"),
    ],
)
def test_check_names_file_and_key(tmp_path: Path, text: str, said: str) -> None:
    from logger.cli import record
    from logger.errors import InputError

    path = tmp_path / "recorder.toml"
    path.write_text(text)
    with pytest.raises(InputError, match="toml") as raised:
        record.check(path, tmp_path)
    assert said in str(raised.value)
