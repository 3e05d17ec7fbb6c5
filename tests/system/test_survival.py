"""What is promised durable is there: after kill -9 at any instant, on a full disk, under load, over a day."""

from __future__ import annotations

import itertools
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from rig import BOARD, GPS, MIXTURE, Cable, Recording, Sender, bytes_of, events_of, journals, pullbook, rmc

from logger.decode.clock import monotonic_ns
from logger.store import drive, folders, journal

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="pseudo-terminals are needed")

FLUSH_S = 0.5


def _kill_at_random_instants(tmp_path: Path, kills: int, slack_s: float, seed: int) -> None:
    """Each recorder recovers what the one before left behind, and is killed itself."""
    rng = random.Random(seed)
    store = tmp_path / "store"
    with Cable(tmp_path / "gps") as gps, Cable(tmp_path / "mixture") as mixture, Cable(tmp_path / "board") as board:
        config = f"[recorder]\nflush_s = {FLUSH_S}\n" + "".join(
            block.format(port=cable.path) for block, cable in ((GPS, gps), (MIXTURE, mixture), (BOARD, board))
        )
        cables = {"gps": gps, "mixture": mixture, "board": board}
        senders = [
            Sender(gps, (rmc(n / 50, 10) for n in range(10**7)), per_s=50, at_once=5),
            Sender(mixture, (b"%d.%04d\r\n" % (n // 10**4, n % 10**4) for n in range(10**7)), per_s=50),
            Sender(board, (b"%d,%d\r\n" % (n, n * n) for n in range(10**7)), per_s=300, at_once=3),
        ]
        for sender in senders:
            sender.start()
        left: dict[str, dict[str, bytes]] = {}
        recovered = 0
        for kill in range(kills):
            with Recording(store, config, "--json") as recording:
                # One in ten is killed while it starts; the others at some instant of the recording.
                if kill % 10 == 9:
                    time.sleep(rng.uniform(0.0, 2.0))
                    open_ns = None
                else:
                    recording.wait_open()
                    open_ns = monotonic_ns()
                    time.sleep(rng.uniform(0.0, 3.0))
                killed_ns = monotonic_ns()
                os.kill(recording.process.pid, signal.SIGKILL)
                recording.process.wait()
            before = _journals_now(store, left)
            recovered += len(left) - before
            new = [path for path in folders.unfinished(store) if path.name not in left]
            assert len(new) <= 1
            if open_ns is not None:
                _hold_to_promise(new, cables, open_ns, killed_ns - int((FLUSH_S + slack_s) * 1e9))
            for path in new:
                raw = journal.read(path / folders.JOURNAL).raw
                left[path.name] = {name: bytes_of(raw, name) for name in cables}
            for cable in cables.values():  # what is long past is in no later drive
                _forget(cable, killed_ns - int(8e9))
        for sender in senders:
            sender.stop()
    pullbook("recover", "--json", store=store)
    assert not journals(store)
    _check_recovered(store, left)


def _journals_now(store: Path, left: dict[str, dict[str, bytes]]) -> int:
    return sum((store / name / folders.JOURNAL).is_dir() for name in left)


def _hold_to_promise(new: list[Path], cables: dict[str, Cable], open_ns: int, due_ns: int) -> None:
    """All that reached a port from when it was open until `due_ns` is there, in order, once."""
    raw = journal.read(new[0] / folders.JOURNAL).raw if new else None
    for name, cable in cables.items():
        held = bytes_of(raw, name) if raw is not None else b""
        sent = list(cable.sent)
        # A stamp tells when all of a piece had reached the port; its first byte came after the stamp before it.
        due = b"".join(
            data for (before_ns, _), (sent_ns, data) in pairwise(sent) if open_ns < before_ns and sent_ns < due_ns
        )
        whole = b"".join(data for _, data in sent)
        start = whole.find(held)
        assert start >= 0, f"{name}: what is on the disk is not what was sent"
        if due:
            where = whole.rindex(due)
            assert start <= where and start + len(held) >= where + len(due), (
                f"{name}: {where + len(due) - start - len(held)} bytes of {len(due)} due are missing"
            )


def _forget(cable: Cable, before_ns: int) -> None:
    del cable.sent[: sum(sent_ns < before_ns for sent_ns, _ in list(cable.sent))]


def _check_recovered(store: Path, left: dict[str, dict[str, bytes]]) -> None:
    """Each journal became a drive with just its bytes; every table of every drive can be read."""
    made = drive.list_drives(store)
    assert not list(store.glob(".damaged-*"))
    contents = []
    for one in made:
        assert one.manifest.state == "recovered"
        tables = {name: one.table(name) for name in [*one.table_names, "raw"]}
        assert all(tables[name].num_rows == one.manifest.rows[name] for name in one.table_names)
        contents.append({name: bytes_of(tables["raw"], name) for name in ("gps", "mixture", "board")})
    expected = [content for content in left.values() if any(content.values())]
    assert sorted(contents, key=str) == sorted(expected, key=str)


def test_kill_9_costs_no_more_than_promised(tmp_path: Path) -> None:
    # On a machine that does other work as well, half a second more until a woken thread runs is no fault.
    _kill_at_random_instants(tmp_path, kills=2, slack_s=0.7, seed=1)


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_kill_9_at_three_hundred_instants(tmp_path: Path) -> None:
    _kill_at_random_instants(tmp_path, kills=300, slack_s=0.2, seed=2)


# --- a full disk --------------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 8 MB."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("only root may mount a small file system")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def _fill(disk: Path, leave: int) -> Path:
    """Fill the disk up to `leave` bytes."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while (room := shutil.disk_usage(disk).free - leave) > 0:
                file.write(bytes(min(room, 65536)))
        except OSError:
            pass
    return filler


def test_a_disk_that_fills_up_stops_recording_cleanly_and_goes_on(small_disk: Path, tmp_path: Path) -> None:
    store = small_disk / "store"
    config = "[recorder]\nmin_free_mb = 2\n"
    with Cable(tmp_path / "board") as board:
        with Recording(store, config + BOARD.format(port=board.path), "--plain") as recording:
            recording.wait_open()
            sender = Sender(board, (b"%d,%d\r\n" % (n, n) for n in range(10**7)), per_s=100)
            sender.start()
            recording.wait(lambda state: state["state"] == "recording")
            # Full to the last byte in one go: the journal takes no more, and what comes is held in memory. Either the
            # drive goes on from there or, where the look at the free space came first, the next one does.
            filler = _fill(small_disk, leave=0)
            recording.wait(lambda state: state["state"] == "no room on the disk")
            time.sleep(1.0)
            filler.unlink()
            recording.wait(lambda state: state["state"] == "recording")
            # Nearly full: the drive is closed while there is still room for it.
            filler = _fill(small_disk, leave=1_500_000)
            # Two drives are closed one after the other, and a busy machine takes a quarter of a minute for each.
            state = recording.wait(
                lambda state: state["state"] == "no room on the disk" and not state["unfinished"], seconds=60
            )
            assert drive.open_drive(store, state["drives"][-1]).manifest.rows["board"] > 0
            sender.stop()
            code, _ = recording.stop()
            assert code == 1
            assert "less than 2 MB free" in recording.said()
            assert "no room on the disk" in recording.said()
        whole = board.all_sent()
        parts = [bytes_of(made.table("raw"), "board") for made in drive.list_drives(store)]
    # What came while the disk took nothing was held in memory and is there; the rest came when there was no room.
    assert whole.startswith(b"".join(parts))
    assert sum(part.count(b"\n") for part in parts) > 100


# --- load ---------------------------------------------------------------------------------------------------------


def _five_thousand_lines_a_second(tmp_path: Path, seconds: float) -> None:
    store = tmp_path / "store"
    per_s = 5000 / 3
    with Cable(tmp_path / "gps") as gps, Cable(tmp_path / "mixture") as mixture, Cable(tmp_path / "board") as board:
        config = "".join(
            block.format(port=cable.path) for block, cable in ((GPS, gps), (MIXTURE, mixture), (BOARD, board))
        )
        count = int(per_s * seconds)
        lines = {
            "gps": [rmc(n / per_s, 10) for n in range(count)],
            "mixture": [b"13.%05d\r\n" % n for n in range(count)],
            "board": [b"%d,%d\r\n" % (n, n * n) for n in range(count)],
        }
        cables = {"gps": gps, "mixture": mixture, "board": board}
        with Recording(store, config, "--plain") as recording:
            recording.wait_open()
            senders = [Sender(cables[name], lines[name], per_s, at_once=5) for name in cables]
            began = time.monotonic()
            for sender in senders:
                sender.start()
            for sender in senders:
                sender.join()
            rate = 3 * count / (time.monotonic() - began)
            time.sleep(0.2)
            code, took = recording.stop()
            assert code == 0, recording.said()
            assert took < 5, recording.said()
    assert not journals(store)
    made = drive.open_drive(store, "last")
    raw = made.table("raw")
    for name in cables:
        assert bytes_of(raw, name) == b"".join(lines[name])
        assert name == "gps" or made.table(name).num_rows == count
    assert events_of(raw)[-1]["event"] == "ended"
    print(f"{rate:.0f} lines a second for {seconds:g} s, none lost; closed in {took:.1f} s")


def test_a_pouring_source_loses_nothing(tmp_path: Path) -> None:
    _five_thousand_lines_a_second(tmp_path, seconds=3)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_five_thousand_lines_a_second_for_a_minute(tmp_path: Path) -> None:
    _five_thousand_lines_a_second(tmp_path, seconds=60)


# --- memory -------------------------------------------------------------------------------------------------------


def _a_day(hours: float, *options: str) -> None:
    script = Path(__file__).parents[1] / "day.py"
    command = [sys.executable, str(script), str(hours), *options]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    said = json.loads(done.stdout)
    memory = said["mb"]
    if options:  # a drive ends before its tables would take too much memory to make (keeper.MOST_MEMORY)
        assert 1 <= said["drives"] <= 1 + hours / 8
    else:  # eight minutes on the road, four parked
        assert said["drives"] >= hours * 5
    assert max(memory) < 150, memory
    assert memory[-1] - memory[0] < 5, memory
    print(said)


def test_memory_is_flat() -> None:
    _a_day(0.2)


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("options", [(), ("--drive",)], ids=["many drives", "one drive"])
def test_memory_is_flat_over_a_day(options: tuple[str, ...]) -> None:
    _a_day(24.0, *options)


def resident_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE") / 1e6


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read from /proc")
@pytest.mark.parametrize("seconds", [6, pytest.param(60, marks=pytest.mark.long)])
def test_a_port_that_babbles_is_named_and_fills_neither_memory_nor_disk(tmp_path: Path, seconds: int) -> None:
    """As much as the port takes from one source; the other one's bytes are all there."""
    store = tmp_path / "store"
    with Cable(tmp_path / "board") as board, Cable(tmp_path / "gps") as gps:
        config = BOARD.format(port=board.path) + GPS.format(port=gps.path)
        with Recording(store, config, "--plain") as recording:
            recording.wait_open()
            base = resident_mb(recording.process.pid)
            quiet = Sender(gps, (rmc(n / 10, 12.0) for n in range(100_000)), per_s=10)
            flood = Sender(board, itertools.repeat(b"1.25,1023\r\n" * 400), per_s=20_000)
            quiet.start()
            flood.start()
            most = 0.0
            ends = time.monotonic() + seconds
            while time.monotonic() < ends:
                most = max(most, resident_mb(recording.process.pid))
                time.sleep(0.05)
            flood.stop()
            quiet.stop()
            code, _ = recording.stop(seconds=120)
            assert code == 0, recording.said()
            assert "board: a FLOOD of bytes" in recording.said()
    sent = len(board.all_sent())
    pullbook("recover", store=store)  # what was left to the next start for want of time
    raws = [made.table("raw") for made in drive.list_drives(store)]
    kept = sum(len(bytes_of(raw, "board")) for raw in raws)
    assert sent > 5_000_000, "the test itself did not babble"
    assert kept <= 4_000_000 + 500_000 * (seconds + 10)
    assert b"".join(bytes_of(raw, "gps") for raw in raws) == gps.all_sent()
    dropped = sum(event["dropped"] for raw in raws for event in events_of(raw) if event["event"] == "flood")
    assert kept + dropped == pytest.approx(sent, abs=1_500_000)  # the buffers of the port, and those after the end
    assert most - base < 120, f"{base} MB grew to {most} MB"
    for made in drive.list_drives(store):  # a cut makes no false reading
        table = made.table("board")
        assert set(table["volts"].drop_null().to_pylist()) <= {1.25}
        assert set(table["counts"].drop_null().to_pylist()) <= {1023.0}
