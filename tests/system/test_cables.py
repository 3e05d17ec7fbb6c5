"""Cables that come and go, ports found by listening, terminals that stall: nothing recorded may suffer."""

from __future__ import annotations

import os
import pty
import select
import signal
import socket
import time
from pathlib import Path

import pytest
from rig import BOARD, GPS, MIXTURE, PULLBOOK, Cable, Recording, Sender, bytes_of, events_of, journals, pullbook, rmc

from logger.store import drive

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="pseudo-terminals are needed")


def _unplug_and_replug(tmp_path: Path, cycles: int) -> None:
    """One cable is pulled and comes back, over and over, each time under another name; the other must not notice."""
    config = f'[recorder]\nalso_ports = ["{tmp_path}/tty*"]\n'
    config += GPS.format(port="auto") + MIXTURE.format(port=tmp_path / "mixture")
    store = tmp_path / "store"
    with (
        Cable(tmp_path / "mixture") as mixture,
        Cable(tmp_path / "tty0") as gps,
        Recording(store, config, "--json") as recording,
    ):
        recording.wait(lambda s: s["sources"][1]["state"] == "open")
        steady = Sender(mixture, (b"%d.%02d\r\n" % (n // 100 % 20, n % 100) for n in range(10**6)), per_s=50)
        steady.start()
        sent: list[bytes] = []
        for cycle in range(cycles + 1):
            if cycle:
                gps.plug_in(tmp_path / f"tty{cycle}")
            before = recording.state().get("sources", [{"bytes": 0}])[0]["bytes"]
            sender = Sender(gps, (rmc(cycle * 10 + n / 20, 12.0) for n in range(10**6)), per_s=20)
            sender.start()
            recording.wait(lambda s, had=before: s["sources"][0]["state"] == "open" and s["sources"][0]["bytes"] > had)
            sender.stop()
            # What is in the port's buffer goes with the cable, as on a real one: let it be read first.
            time.sleep(0.1)
            sent.append(b"".join(data for _, data in gps.sent))
            gps.sent.clear()
            gps.unplug()
            recording.wait(lambda s: s["sources"][0]["state"] != "open")
        steady.stop()
        code, _ = recording.stop()
        assert code == 0, recording.said()
    made = drive.open_drive(store, "last")
    raw = made.table("raw")
    assert bytes_of(raw, "mixture") == mixture.all_sent()
    # Opening a port empties its buffer, so a cycle's first sentences may be gone, but what came came whole.
    rest = bytes_of(raw, "gps")
    for cycle in sent:
        first = rest[: rest.index(b"\n") + 1]
        kept = cycle[cycle.index(first) :]
        assert rest.startswith(kept)
        rest = rest[len(kept) :]
    assert not rest
    events = events_of(raw)
    kinds = [event["event"] for event in events if event.get("source") == "gps"]
    assert kinds == ["opened", "lost"] + ["found", "lost"] * cycles
    assert all(event["away_s"] > 0 for event in events if event["event"] == "found")
    assert len({event["port"] for event in events if event["event"] == "found"}) == cycles
    assert sum(gap.source == "gps" for gap in made.manifest.gaps) >= cycles, made.manifest.gaps
    assert not made.manifest.sources[0].rejected


def test_unplugged_and_back_under_another_name(tmp_path: Path) -> None:
    _unplug_and_replug(tmp_path, cycles=2)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_two_hundred_times_unplugged(tmp_path: Path) -> None:
    _unplug_and_replug(tmp_path, cycles=200)


def test_ports_tells_what_each_speaks_and_its_blocks_work(tmp_path: Path) -> None:
    """Listening to a receiver, a board and a silent port; what is printed is a configuration that finds them again."""
    with Cable(tmp_path / "tty0") as gps, Cable(tmp_path / "tty1") as board, Cable(tmp_path / "tty2") as silent:
        senders = [
            Sender(gps, (rmc(n / 5) for n in range(10**5)), per_s=5),
            Sender(board, (b"13.%d, %d\r\n" % (n % 10, n) for n in range(10**5)), per_s=20),
        ]
        for sender in senders:
            sender.start()
        said = pullbook("ports", str(gps.path), str(board.path), "--listen", "--json")["ports"]
        heard = {port["port"]: port for port in said}
        assert heard[str(gps.path)]["speaks"] == "nmea"
        assert set(heard[str(gps.path)]["sentences"]) == {"GNRMC"}
        assert heard[str(board.path)]["speaks"] == "numbers"
        assert len(heard[str(board.path)]["columns"]) == 2
        blocks = "\n".join(port["block"] for port in said)
        with Recording(tmp_path / "store", blocks, "--json") as recording:
            recording.wait(lambda state: all(source["lines_per_s"] > 3 for source in state["sources"]))
            assert recording.stop()[0] == 0
        for sender in senders:
            sender.stop()
        assert silent.heard() == b""
    made = drive.open_drive(tmp_path / "store", "last")
    assert made.manifest.rows["gps"] > 3
    assert made.manifest.rows["mixture"] > 10


@pytest.mark.long
def test_over_a_network_socket(tmp_path: Path) -> None:
    """socket://, as a serial server gives it: lost when the server goes, found when it is back."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        config = BOARD.format(port=f"socket://127.0.0.1:{port}")
        with Recording(tmp_path / "store", config, "--json") as recording:
            for turn in range(2):
                line, _ = server.accept()
                with line:
                    recording.wait_open()
                    for n in range(20):
                        line.sendall(b"%d,%d\r\n" % (turn, n))
                        time.sleep(0.01)
                    time.sleep(0.3)
            code, _ = recording.stop()
            assert code == 0, recording.said()
    raw = drive.open_drive(tmp_path / "store", "last").table("raw")
    assert bytes_of(raw, "board") == b"".join(b"%d,%d\r\n" % (turn, n) for turn in range(2) for n in range(20))


def test_a_stalled_and_then_closed_terminal(tmp_path: Path) -> None:
    """Nobody reads the panel's terminal, as after Ctrl-S; then the window is closed. All is journalled and closed."""
    store = tmp_path / "store"
    store.mkdir()
    with Cable(tmp_path / "board") as board:
        (store / "recorder.toml").write_text(BOARD.format(port=board.path), encoding="utf-8")
        pid, terminal = pty.fork()
        if pid == 0:
            os.environ.update(TERM="xterm", COLUMNS="80", LINES="24")
            os.execv(PULLBOOK[0], [*PULLBOOK, "record", "--store", str(store)])
        drawn = b""
        ends = time.monotonic() + 30
        while b"Ctrl-C stop" not in drawn and time.monotonic() < ends:
            if select.select([terminal], [], [], 0.1)[0]:
                drawn += os.read(terminal, 65536)
        assert b"Ctrl-C stop" in drawn
        os.write(terminal, b"m")
        sender = Sender(board, (b"%d,%d\r\n" % (n, n) for n in range(10**6)), per_s=200)
        sender.start()
        ends = time.monotonic() + 20
        while not journals(store) and time.monotonic() < ends:
            time.sleep(0.05)
        os.write(terminal, b"\x13")  # Ctrl-S: the terminal takes no more
        time.sleep(2.5)
        cut = time.monotonic()
        on_disk = journals(store)[0]
        had = bytes_of(on_disk.raw, "board")
        due = b"".join(data for sent_ns, data in list(board.sent) if sent_ns < on_disk_due(0.5))
        assert had.startswith(due[: len(had)]) and len(had) >= len(due)
        os.close(terminal)  # the window is closed: SIGHUP, and every write fails
        _, status = os.waitpid(pid, 0)
        assert time.monotonic() - cut < 6
        assert os.waitstatus_to_exitcode(status) == 0
        sender.stop()
    made = drive.open_drive(store, "last")
    assert board.all_sent().startswith(bytes_of(made.table("raw"), "board"))
    assert [note.text for note in made.manifest.notes] == ["mark 1"]


def on_disk_due(flush_s: float) -> int:
    """Whatever reached the port before this must be on the disk: flush_s and 0.2 s ago [ns, monotonic]; and the time
    that a busy machine takes to get here."""
    from logger.decode.clock import monotonic_ns

    return monotonic_ns() - int((flush_s + 0.2) * 1e9) - int(0.5e9)
