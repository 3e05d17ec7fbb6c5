"""Where drives begin and end, in simulated time; and what a failing disk may cost."""

from __future__ import annotations

import errno
import gc
import json
import random
import shutil
from pathlib import Path
from typing import BinaryIO

import pytest
from faulty_disk import FaultyDisk, PowerCut, each_fault
from rig import bytes_of, events_of, nmea, rmc

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.events import event
from logger.decode.framing import Chunk
from logger.record import keeper
from logger.record.keeper import HELD_BYTES, Keeper, RecorderState, SpeedWatch, speed_in
from logger.store import journal, told
from logger.store.blocks import OnDisk
from logger.store.disk import Disk
from logger.store.tables import Decoding, build, raw_table

# A power cut, which these tests play, closes no file.
pytestmark = pytest.mark.filterwarnings("ignore:unclosed file:ResourceWarning")

SECOND = 10**9
CONFIG = """
[recorder]
park_after_s = 60
silence_after_s = 10
min_free_mb = 50
[[source]]
name = "gps"
kind = "nmea"
[[source]]
name = "mixture"
kind = "numbers"
  [[source.column]]
  channel = "afr"
"""


class QuickDisk(Disk):
    """For what is not about the disk: a real one, but for the waiting."""

    def sync(self, file: BinaryIO) -> None:
        pass

    def sync_folder(self, path: Path) -> None:
        pass


class Store:
    """Folders for drives, and a disk with as much room as a test says."""

    def __init__(self, root: Path, config: str = CONFIG, disk: Disk | None = None) -> None:
        self.root, self.free = root, 10**9
        self.ended: list[tuple[Path, str]] = []
        self.decoded: list[Decoding | None] = []
        self.fails: OSError | None = None
        self.settings = parse(config, RecorderConfig, "test")
        self.keeper = Keeper(self.settings, self._begin, self._end, lambda: self.free, disk or QuickDisk())
        self.now = 1_000 * SECOND

    def _begin(self, mono_ns: int) -> Path:
        if self.fails is not None:
            raise self.fails
        folder = self.root / f"drive{len(self.ended)}" / "journal"
        folder.parent.mkdir(exist_ok=True)
        return folder

    def _end(self, folder: Path, why: str, decoding: Decoding | None) -> None:
        self.ended.append((folder, why))
        self.decoded.append(decoding)

    def turn(self, *chunks: tuple[str, bytes], after_s: float = 0.5) -> None:
        """One turn of the writer, `after_s` after the one before, with what came in between."""
        step = int(after_s * SECOND) // (len(chunks) + 1)
        stamped = [Chunk(self.now + (n + 1) * step, *chunk) for n, chunk in enumerate(chunks)]
        self.now += int(after_s * SECOND)
        self.keeper.take(stamped, self.now)

    def drive(self, seconds: float, speed_mps: float | None, mixture: bool = True) -> None:
        """`seconds` of both sources; no fix where the speed is None."""
        for n in range(int(seconds * 2)):
            sentence = rmc(n / 2, speed_mps) if speed_mps is not None else nmea("GNRMC,,V,,,,,,,,,,N")
            self.turn(("gps", sentence), *([("mixture", b"13.2\r\n")] if mixture else []))

    def raw(self, number: int):  # type: ignore[no-untyped-def]
        return journal.read(self.root / f"drive{number}" / "journal").raw


def test_first_bytes_begin_a_drive_and_silence_ends_it(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.turn()
    assert store.keeper.state == RecorderState.WAITING_FOR_BYTES
    store.drive(5, None)
    assert store.keeper.state == RecorderState.RECORDING
    for _ in range(19):
        store.turn()
    assert store.keeper.state == RecorderState.RECORDING
    store.turn()
    assert store.keeper.state == RecorderState.WAITING_FOR_BYTES
    assert [why for _, why in store.ended] == ["all sources fell silent"]
    assert bytes_of(store.raw(0), "mixture") == b"13.2\r\n" * 10
    assert [e["event"] for e in events_of(store.raw(0))] == ["joined", "joined", "wall", "ended"]
    store.drive(1, None)  # and the next one by itself
    assert store.keeper.state == RecorderState.RECORDING


def test_what_is_decoded_meanwhile_is_what_the_whole_journal_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(told, "BLOCK", 8)  # many blocks, in a minute as in hours
    monkeypatch.setattr(keeper, "DECODED_AT_ONCE", 700)
    store = Store(tmp_path)
    store.drive(20, None)
    store.drive(40, 11.0)
    store.turn(("mixture", b"13.2\r\n14."), ("stranger", b"?"), ("mixture", b"7\r\nnonsense\r\n"))
    store.keeper.end("enough", store.now)
    raw = raw_table(store.raw(0))
    (decoding,) = store.decoded
    assert decoding is not None and decoding.covers(raw)
    assert not decoding.covers(raw[:-1])
    assert decoding.built() == build(raw, store.settings)


def test_decoding_that_fails_is_left_to_the_end_and_costs_no_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(tmp_path)
    store.drive(5, 11.0)

    def full(self: OnDisk, block: object) -> None:
        raise OSError(errno.ENOSPC, "no space")

    monkeypatch.setattr(told, "BLOCK", 2)
    monkeypatch.setattr(OnDisk, "append", full)
    store.drive(5, 11.0)
    store.keeper.end("enough", store.now)
    assert store.decoded == [None]
    assert bytes_of(store.raw(0), "mixture") == b"13.2\r\n" * 20


def test_a_port_just_opened_is_not_joined_in_mid_stream(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.keeper.take([event(store.now, "opened", source="gps", port="x", baud=1)], store.now)
    store.drive(1, 0.0)
    kinds = [(e["event"], e.get("source")) for e in events_of(store.raw(0))]
    assert ("joined", "gps") not in kinds and ("joined", "mixture") in kinds


def test_parked_ends_moving_begins_and_the_half_minute_before_is_kept(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.drive(30, 10.0)
    store.drive(59, 0.2)
    assert store.keeper.state == RecorderState.RECORDING
    store.drive(2, 0.2)
    assert store.keeper.state == RecorderState.PARKED
    assert [why for _, why in store.ended] == ["the car was parked"]
    store.drive(600, 0.2)  # standing with the engine running: no drive, and no growing memory
    assert store.keeper.state == RecorderState.PARKED
    store.drive(0.5, 2.0)
    assert store.keeper.state == RecorderState.PARKED  # one fix is no movement: it may be noise
    store.drive(1, 2.0)
    assert store.keeper.state == RecorderState.RECORDING
    raw = store.raw(1)
    span = (store.now - raw["mono_ns"][0].as_py()) / SECOND
    assert 29 < span < 32
    assert bytes_of(raw, "mixture") == b"13.2\r\n" * (bytes_of(raw, "mixture").count(b"\n"))
    assert 58 <= bytes_of(raw, "mixture").count(b"\n") <= 63


def test_in_doubt_it_records(tmp_path: Path) -> None:
    """Parked, and the fix is lost: the car may be moving, so a drive begins."""
    store = Store(tmp_path)
    store.drive(10, 10.0)
    store.drive(61, 0.0)
    assert store.keeper.state == RecorderState.PARKED
    store.drive(9, None)
    assert store.keeper.state == RecorderState.PARKED
    store.drive(3, None)
    assert store.keeper.state == RecorderState.RECORDING
    store.drive(600, None)  # without a known speed it never counts as parked
    assert store.keeper.state == RecorderState.RECORDING


def test_parked_then_switched_off_then_on_again(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.drive(10, 10.0)
    store.drive(61, 0.0)
    for _ in range(21):
        store.turn()
    assert store.keeper.state == RecorderState.WAITING_FOR_BYTES
    store.drive(1, 0.0)
    assert store.keeper.state == RecorderState.RECORDING


def test_a_note_between_drives_goes_into_the_next_one_however_long_it_takes(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.drive(10, 10.0)
    store.drive(61, 0.0)
    store.keeper.take([event(store.now, "note", text="changed the needle")], store.now)
    store.drive(300, 0.0)
    store.drive(2, 5.0)
    assert [e["text"] for e in events_of(store.raw(1)) if e["event"] == "note"] == ["changed the needle"]


def test_sources_out_of_step_are_put_in_order(tmp_path: Path) -> None:
    store = Store(tmp_path)
    now = store.now
    store.keeper.take([Chunk(now + 2, "gps", b"b"), Chunk(now + 1, "mixture", b"a"), Chunk(now + 2, "gps", b"c")], now)
    stamps = [s.as_py() for s, name in zip(store.raw(0)["mono_ns"], store.raw(0)["source"].to_pylist(), strict=True)
              if name != "_recorder"]  # fmt: skip
    assert stamps == [now + 1, now + 2, now + 2]
    assert bytes_of(store.raw(0), "gps") == b"bc"


# --- disk ---------------------------------------------------------------------------------------------------------


def test_a_nearly_full_disk_ends_the_drive_and_room_begins_the_next_with_all_that_came(tmp_path: Path) -> None:
    store = Store(tmp_path)
    sent = b""

    def send(turns: int) -> None:
        nonlocal sent
        for _ in range(turns):
            line = b"%d\r\n" % len(sent)
            sent += line
            store.turn(("mixture", line))

    send(10)
    store.free = 49 * 10**6
    send(10)
    assert store.keeper.state == RecorderState.NO_ROOM
    assert store.keeper.trouble == "less than 50 MB free"
    assert [why for _, why in store.ended] == ["the disk is nearly full"]
    store.free = 59 * 10**6  # not enough: it would fill up again at once
    send(60)
    assert store.keeper.state == RecorderState.NO_ROOM
    store.free = 61 * 10**6
    send(10)
    assert store.keeper.state == RecorderState.RECORDING
    assert store.keeper.trouble == ""
    assert store.keeper.lost_bytes == 0
    assert bytes_of(store.raw(0), "mixture") + bytes_of(store.raw(1), "mixture") == sent


def test_stopped_while_there_is_no_room_what_is_held_gets_a_last_try(tmp_path: Path) -> None:
    store = Store(tmp_path)
    for n in range(20):
        store.turn(("mixture", b"%d\r\n" % n))
        store.free = 10**9 if n < 5 else 0
    assert store.keeper.state == RecorderState.NO_ROOM
    store.keeper.end("SIGTERM", store.now)
    assert b"".join(bytes_of(store.raw(n), "mixture") for n in (0, 1)) == b"".join(b"%d\r\n" % n for n in range(20))
    assert store.keeper.lost_bytes == 0
    assert store.keeper.trouble  # and the exit code says that recording had stopped

    store = Store(tmp_path)
    store.fails = OSError(28, "No space left on device")
    store.turn(("mixture", b"1\r\n"))
    store.turn(("mixture", b"2\r\n"))
    store.keeper.end("SIGTERM", store.now)
    assert store.keeper.lost_bytes == 6
    assert store.keeper.trouble == "No space left on device"


def test_memory_is_bounded_while_there_is_no_room_and_the_loss_is_counted(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.turn(("mixture", b"1\r\n"))
    store.free = 0
    for _ in range(6):
        store.turn(("mixture", b"2\r\n"))
    assert store.keeper.state == RecorderState.NO_ROOM
    block = b"x" * (1 << 20)
    for _ in range(40):
        store.turn(("mixture", block))
        assert store.keeper.held_bytes <= HELD_BYTES
    lost = store.keeper.lost_bytes
    assert lost % len(block) == 0 and 20 <= lost // len(block) <= 25
    store.free = 10**9
    store.turn(after_s=2.0)
    store.turn(("mixture", b"3\r\n"))
    assert store.keeper.state == RecorderState.RECORDING
    assert bytes_of(store.raw(1), "mixture").endswith(b"3\r\n")


def test_a_drive_that_grows_too_large_goes_on_in_the_next(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper, "MOST_MEMORY", 200_000)
    store = Store(tmp_path)
    sent = b""
    for n in range(60):
        block = b"%d\r\n" % n * 200
        store.turn(("mixture", block))
        sent += block
    store.keeper.end("enough", store.now)
    assert len(store.ended) > 5
    assert {why for _, why in store.ended[:-1]} == {"it has grown too large; a new drive starts"}
    assert b"".join(bytes_of(store.raw(n), "mixture") for n in range(len(store.ended))) == sent


def test_a_store_that_is_gone_is_waited_for(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.fails = FileNotFoundError(2, "No such file or directory")
    store.drive(5, 10.0)
    assert store.keeper.state == RecorderState.NO_ROOM
    assert store.keeper.trouble == "No such file or directory"
    store.fails = None
    store.drive(5, 10.0)
    assert store.keeper.state == RecorderState.RECORDING
    assert bytes_of(store.raw(0), "mixture") == b"13.2\r\n" * 20


def test_a_journal_that_is_removed_while_it_is_written_is_noticed_within_a_flush(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.turn(("mixture", b"1\r\n"))
    store.turn(("mixture", b"2\r\n"))
    shutil.rmtree(tmp_path / "drive0")
    store.turn(("mixture", b"3\r\n"))
    assert store.keeper.state == RecorderState.NO_ROOM
    assert "deleted while it was being written" in store.keeper.trouble
    assert store.keeper.lost_bytes == 6  # what had been on the disk
    store.turn(("mixture", b"4\r\n"), after_s=2.0)  # what had not goes on, in a drive of its own
    assert store.keeper.state == RecorderState.RECORDING and not store.keeper.trouble
    store.turn(("mixture", b"5\r\n"))
    assert bytes_of(store.raw(0), "mixture") == b"3\r\n4\r\n5\r\n"
    store.keeper.end("enough", store.now)
    assert [folder.is_dir() for folder, _ in store.ended] == [True]
    assert "deleted while it was being written" in store.keeper.lost_why


def test_a_journal_that_is_removed_before_the_end_is_told_and_no_drive_ends(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.turn(("mixture", b"1\r\n"))
    shutil.rmtree(tmp_path / "drive0")
    store.keeper.end("SIGTERM", store.now)
    assert store.keeper.lost_bytes == 3 and "removed" in store.keeper.lost_why
    assert store.ended == []


def test_a_store_that_vanishes_is_held_for_and_saved_at_the_end(tmp_path: Path) -> None:
    """An unmounted card: nothing is written beside it, and at the end what there is goes wherever it can."""
    store = Store(tmp_path)
    store.turn(("mixture", b"1\r\n"))
    shutil.rmtree(tmp_path / "drive0")
    store.free = 0
    for n in range(20):
        store.turn(("mixture", b"%d\r\n" % (n + 2)))
    assert store.keeper.state == RecorderState.NO_ROOM and not store.ended
    store.keeper.end("SIGTERM", store.now)
    assert bytes_of(store.raw(0), "mixture") == b"".join(b"%d\r\n" % n for n in range(2, 22))
    assert store.keeper.lost_bytes == 3


def _season(store: Store) -> dict[str, bytes]:
    """Two drives with a stop between them; all that was sent."""
    sent = {"gps": b"", "mixture": b""}
    rng = random.Random(1)
    for n in range(40):
        lines = {name: b"%s,%d,%d\r\n" % (name.encode(), n, rng.randrange(10**6)) for name in sent}
        if 8 <= n < 30:  # silence
            store.turn()
            continue
        for name, line in lines.items():
            sent[name] += line
        store.turn(*lines.items())
    store.keeper.end("stopped", store.now)
    return sent


def _faults_in_turn(root: Path, lasts: int, step: int) -> int:
    """Whatever fails, both drives hold every byte, in order, once, unless the recorder says that it lost some."""
    passes = 0
    for disk in each_fault(lasts, step, "full", "broken", "short"):
        passes += 1
        store = Store(root / str(passes), disk=disk)
        store.root.mkdir()
        sent = _season(store)
        raws = [journal.read(folder).raw for folder, _ in store.ended]
        for name, whole in sent.items():
            held = b"".join(bytes_of(raw, name) for raw in raws)
            if store.keeper.lost_bytes:  # the disk failed to the very end: what it took is the beginning
                assert store.keeper.trouble
                assert whole.startswith(held)
            else:
                assert held == whole, (passes, name)
        assert store.keeper.lost_bytes == 0 or lasts > 1
    return passes


def test_a_fault_at_many_operations_loses_nothing(tmp_path: Path) -> None:
    assert _faults_in_turn(tmp_path, lasts=1, step=7) > 10


@pytest.mark.long
@pytest.mark.parametrize("lasts", [1, 4, 12])
def test_a_fault_at_every_operation_in_turn_loses_nothing(tmp_path: Path, lasts: int) -> None:
    assert _faults_in_turn(tmp_path, lasts, step=1) > 100


def test_a_power_cut_at_every_operation_in_turn_keeps_what_was_flushed(tmp_path: Path) -> None:
    at = 0
    while True:
        at += 1
        disk = FaultyDisk(at, "cut")
        store = Store(tmp_path / str(at), disk=disk)
        store.root.mkdir()
        flushed = {"gps": b"", "mixture": b""}
        sent = dict(flushed)
        try:
            for n in range(20):
                lines = {name: b"%s,%d\r\n" % (name.encode(), n) for name in sent}
                for name, line in lines.items():
                    sent[name] += line
                store.turn(*lines.items())
                flushed = dict(sent)
        except PowerCut:
            pass
        folder = store.root / "drive0" / "journal"
        raw = journal.read(folder).raw
        for name, whole in sent.items():
            held = bytes_of(raw, name)
            assert held.startswith(flushed[name]) and whole.startswith(held), at
        if not disk.met:
            break
    assert at > 20
    del store
    gc.collect()  # while the warning is not heeded


# --- speed in passing ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sentence", "speed"),
    [
        # From memory: published examples of the two sentences as receiver manuals print them.
        (b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", 22.4 * 1852 / 3600),
        (b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48", 5.5 * 1852 / 3600),
        (b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6B", None),  # wrong checksum
        (nmea("GNRMC,123519,V,,,,,022.4,,230394,,,N").strip(), None),  # no fix
        (nmea("GNVTG,,T,,M,005.5,N,010.2,K,N").strip(), None),
        (nmea("GNVTG,,T,,M,,N,,K,A").strip(), None),
        (nmea("GNGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,").strip(), None),
        (b"$GNRMC", None),
        (b"", None),
    ],
)
def test_speed_in_a_sentence(sentence: bytes, speed: float | None) -> None:
    assert speed_in(sentence) == (pytest.approx(speed, rel=1e-12) if speed is not None else None)


def test_speed_is_found_across_chunks_and_only_when_something_came() -> None:
    watch = SpeedWatch("gps")
    whole = rmc(0, 12.0) + rmc(1, 13.0)
    assert watch.latest([Chunk(0, "gps", whole[:20]), Chunk(0, "mixture", rmc(0, 99.0))]) is None
    assert watch.latest([Chunk(1, "gps", whole[20:])]) == pytest.approx(13.0, abs=0.001)
    assert watch.latest([Chunk(2, "mixture", b"13.2\r\n")]) is None
    assert watch.latest([]) is None


def test_events_are_json_with_their_time() -> None:
    body = json.loads(event(0, "note", text="β").data)
    assert body["event"] == "note" and body["text"] == "β" and "utc" in body
