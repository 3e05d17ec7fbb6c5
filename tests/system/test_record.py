"""`pullbook record` as a whole: real pseudo-terminals, a real process, real signals."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
import simulate
from rig import BOARD, GPS, MIXTURE, Cable, Recording, Sender, bytes_of, events_of, journals, nmea, pullbook, rmc

from logger.store import drive

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="pseudo-terminals are needed")


@pytest.mark.parametrize("seconds", [13, pytest.param(30, marks=pytest.mark.long)])
def test_two_cables_byte_for_byte(tmp_path: Path, seconds: int) -> None:
    """A simulated drive in real time; then the drive, its capture and a rebuild hold the same tables."""
    rng = np.random.default_rng(5)
    script = [simulate.Stand(2), simulate.Pull(18.0), simulate.Brake(0.0), simulate.Stand(3), simulate.Cruise(9.0, 20)]
    truth = simulate.drive(simulate.WREN, script)
    fixes = simulate.receive(truth, rng=rng)
    readings = simulate.sense(truth, simulate.mixture_of(), rate_hz=50, rng=rng)
    chunks = list(simulate.host_chunks(truth, fixes, readings, rng=rng))
    chunks = [c for c in chunks if c.mono_ns - chunks[0].mono_ns < seconds * 1e9]
    store = tmp_path / "store"
    with Cable(tmp_path / "gps") as gps, Cable(tmp_path / "mixture") as mixture:
        config = GPS.format(port=gps.path) + MIXTURE.format(port=mixture.path)
        with Recording(store, config, "--json") as recording:
            recording.wait_open()
            time.sleep(0.2)
            began, noted = time.monotonic(), False
            for chunk in chunks:
                at = (chunk.mono_ns - chunks[0].mono_ns) / 1e9
                if (pause := began + at - time.monotonic()) > 0:
                    time.sleep(pause)
                {"gps": gps, "mixture": mixture}[chunk.source].send(chunk.data)
                if at > 4 and not noted:
                    noted = True
                    looks = threading.Thread(target=_look_from_outside, args=(store,))
                    looks.start()
            looks.join()
            if sys.platform == "linux":  # the bar of docs/performance.md; and what it must not have loaded for that
                process = Path(f"/proc/{recording.process.pid}")
                resident = int((process / "statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
                assert resident < 80e6
                assert "libarrow" not in (process / "maps").read_text()
            code, took = recording.stop()
            assert code == 0, recording.said()
            assert took < 5, recording.said()
    made = drive.open_drive(store, "last")
    raw = made.table("raw")
    for cable, name in ((gps, "gps"), (mixture, "mixture")):
        sent = cable.all_sent()
        assert bytes_of(raw, name) == sent
        assert sum(source.bytes for source in made.manifest.sources if source.name == name) == len(sent)
    assert made.table("mixture").num_rows == mixture.all_sent().count(b"\n")
    assert made.manifest.rows["gps"] == gps.all_sent().count(b"RMC")
    assert [note.text for note in made.manifest.notes] == ["belt is squealing"]
    assert np.all(np.diff(raw["mono_ns"].to_numpy()) >= 0)
    runs = pullbook("runs", "last", "--json", store=store)["runs"]
    assert any(run["kind"] == "standing" and run["peak_mps"] > 15 for run in runs)

    tables = {name: made.table(name) for name in made.table_names}
    pullbook("capture", "last", str(tmp_path / "drive.jsonl"), store=store)
    pullbook(
        "import", str(tmp_path / "drive.jsonl"), "--config", str(store / "recorder.toml"), store=tmp_path / "other"
    )
    imported = drive.open_drive(tmp_path / "other", "last")
    assert {name: imported.table(name) for name in imported.table_names} == tables
    pullbook("rebuild", made.id, store=store)
    rebuilt = drive.open_drive(store, made.id)
    assert {name: rebuilt.table(name) for name in rebuilt.table_names} == tables


def _look_from_outside(store: Path) -> None:
    """Mid-drive, from other processes: status, a note, and the tables so far."""
    status = pullbook("status", "--json", store=store)
    assert status["running"] and status["state"] == "recording"
    assert {source["name"]: source["state"] for source in status["sources"]} == {"gps": "open", "mixture": "open"}
    pullbook("note", "belt is squealing", store=store)
    current = drive.open_drive(store, "current")
    assert current.table("mixture").num_rows > 100
    assert isinstance(current.table("gps"), pa.Table)


@pytest.mark.long
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_signals_close_the_drive_within_five_seconds(tmp_path: Path, number: signal.Signals) -> None:
    with Cable(tmp_path / "board") as board, Recording(tmp_path / "store", BOARD.format(port=board.path)) as recording:
        recording.wait_open()
        sender = Sender(board, (b"%d,%d\r\n" % (n, n) for n in range(100_000)), per_s=100)
        sender.start()
        recording.wait(lambda state: state["state"] == "recording")
        time.sleep(1.0)
        code, took = recording.stop(number)
        sender.stop()
    assert code == 0, recording.said()
    assert took < 5, recording.said()
    made = drive.open_drive(tmp_path / "store", "last")
    assert not journals(tmp_path / "store")
    # Every byte that reached the port before the signal; a few more may have.
    assert board.all_sent().startswith(bytes_of(made.table("raw"), "board"))
    assert made.table("board").num_rows >= 90


def test_one_recorder_for_each_store(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with Cable(tmp_path / "board") as board, Recording(store, BOARD.format(port=board.path)) as recording:
        recording.wait_open()
        said = pullbook("record", store=store, code=1)
        assert "already" in said and str(recording.process.pid) in said
        recording.kill()  # a dead process holds no lock
        assert "no recorder" in pullbook("status", store=store, code=1)
        with Recording(store, BOARD.format(port=board.path), "--for", "1s", "--json") as again:
            assert again.process.wait(30) == 1  # not a byte came
            assert "nothing was recorded" in again.said()


@pytest.mark.long
def test_drives_end_when_parked_and_begin_when_moving(tmp_path: Path) -> None:
    """Stand, drive, stand: the first drive ends, the next begins by itself with what came just before."""
    config = "[recorder]\npark_after_s = 5\nsilence_after_s = 2\n"
    with (
        Cable(tmp_path / "gps") as gps,
        Recording(tmp_path / "store", config + GPS.format(port=gps.path), "--json") as recording,
    ):
        recording.wait_open()
        sender = Sender(gps, (rmc(n / 10, 12.0 if n < 20 or n > 90 else 0.1) for n in range(115)), per_s=10)
        sender.start()
        recording.wait(lambda state: state["state"] == "parked")
        recording.wait(lambda state: state["state"] == "recording")
        sender.join()
        recording.wait(lambda state: state["state"] == "waiting for bytes" and len(state["drives"]) == 2)
        code, _ = recording.stop()
    assert code == 0
    first, second = drive.list_drives(tmp_path / "store")
    both = [bytes_of(made.table("raw"), "gps") for made in (first, second)]
    sent = gps.all_sent()
    assert sent.startswith(both[0]) and sent.endswith(both[1])
    assert len(both[0]) + len(both[1]) == len(sent)  # the bytes while parked were still in memory when it moved again
    assert first.manifest.duration_s > 6
    assert any(event["event"] == "joined" for event in events_of(second.table("raw")))


def test_once_and_commands_on_opening(tmp_path: Path) -> None:
    config = (
        "[recorder]\nsilence_after_s = 2\n" + GPS.format(port=tmp_path / "gps") + "on_open = ['$PXYZ,1*00\\r\\n']\n"
    )
    with Cable(tmp_path / "gps") as gps, Recording(tmp_path / "store", config, "--once", "--json") as recording:
        recording.wait_open()
        assert gps.heard(0.5) == b"$PXYZ,1*00\r\n"
        gps.send(nmea("GPTXT,01,01,02,hello") + rmc(0) + rmc(1))
        assert recording.process.wait(60) == 0, recording.said()
    made = drive.open_drive(tmp_path / "store", "last")
    assert {event["event"] for event in events_of(made.table("raw"))} >= {"opened", "sent", "wall", "ended"}
    assert made.table("gps").num_rows == 2


def test_what_lies_in_the_box_for_notes_cannot_stop_the_recorder(tmp_path: Path) -> None:
    """No text, no number, no end, a pipe, half a character: recording goes on, and so does the next one."""
    store = tmp_path / "store"
    box = store / ".recorder" / "notes"
    config = BOARD.format(port=tmp_path / "board")
    with Cable(tmp_path / "board") as board:
        for _ in range(2):
            with Recording(store, config, "--json") as recording:
                recording.wait_open()
                box.mkdir(exist_ok=True)
                (box / "1.json").write_bytes(b'{"text": "\xff", "mono_ns": 1, "utc": "2026-05-02T09:00:00+00:00"}')
                (box / "2.json").write_bytes(b'{"text": "a", "mono_ns": 1e999, "utc": "2026-05-02T09:00:00+00:00"}')
                (box / "3.json").write_bytes(b"[" * 90_000)
                (box / "4.json").write_text('{"text": "\\ud83d", "mono_ns": 1, "utc": "2026-05-02T09:00:00+00:00"}')
                (box / "5.json").unlink(missing_ok=True)
                os.mkfifo(box / "5.json")
                board.send(b"1,2\r\n")
                recording.wait(lambda state: state["state"] == "recording")
                ends = time.monotonic() + 10
                while any(path.suffix == ".json" for path in box.iterdir()) and time.monotonic() < ends:
                    time.sleep(0.05)
                pullbook("note", "sound", store=store)
                code, _ = recording.stop()
                assert code == 0, recording.said()
            made = drive.open_drive(store, "last")
            assert sorted(note.text for note in made.manifest.notes) == ["?", "sound"]
            assert not [path for path in box.iterdir() if path.suffix == ".json"]


def test_a_lock_or_a_drive_that_is_deleted_while_recording_is_told(tmp_path: Path) -> None:
    store = tmp_path / "store"
    with Cable(tmp_path / "board") as board, Recording(store, BOARD.format(port=board.path), "--plain") as recording:
        recording.wait_open()
        board.send(b"1,2\r\n")
        first = recording.wait(lambda state: state["drive"])["drive"]
        (store / ".recorder" / "lock").unlink()
        ends = time.monotonic() + 10
        while "lock file was deleted" not in recording.said() and time.monotonic() < ends:
            time.sleep(0.05)
        assert "lock file was deleted; it was made again" in recording.said()
        assert "is running here" in pullbook("recover", store=store, code=1)
        shutil.rmtree(store / first)
        board.send(b"3,4\r\n")
        recording.wait(lambda state: state["drive"] not in (None, first) or state["lost_bytes"])
        board.send(b"5,6\r\n")
        recording.wait(lambda state: state["state"] == "recording")
        code, _ = recording.stop()
        assert code == 1 and "deleted while it was being written" in recording.said()
    raw = drive.open_drive(store, "last").table("raw")
    assert bytes_of(raw, "board") == b"3,4\r\n5,6\r\n"
