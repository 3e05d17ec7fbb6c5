"""The desk beside a real recorder: how soon it shows what a cable says, and that it touches no recording.

Real pseudo-terminals, `pullbook record` and `pullbook desk` as processes of their own, real signals.
"""

from __future__ import annotations

import functools
import random
import re
import signal
import statistics
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from at_the_desk import Client, Stream, served, until
from busy_desk import EIGHT_HOURS, busy_desk, megabytes
from rig import BOARD, GPS, MIXTURE, PULLBOOK, Cable, Recording, Sender, bytes_of, journals, rmc

from logger.store import drive, front, presence

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="pseudo-terminals are needed")
BEHIND_S = 0.3
"""Live figures may be this late behind the cable."""


@contextmanager
def desk_process(store: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], Client]]:
    """`pullbook desk` as an owner starts it, and a browser's manners."""
    process = subprocess.Popen(
        [*PULLBOOK, "desk", "--no-browser", "--store", str(store), *options],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, bufsize=1,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:(\d+)/open/\S+", line)
        assert address is not None, line
        client = Client(int(address[1]))
        client.open(address[0])
        yield process, client
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait(10)
        assert process.stdout is not None
        process.stdout.close()


@pytest.mark.parametrize("changes", [20, pytest.param(100, marks=pytest.mark.long)])
def test_figures_are_soon_behind_the_cable(tmp_path: Path, changes: int) -> None:
    """From the last byte of a changed value at the port to the event at the page, 95 of 100."""
    store, rng = tmp_path / "store", random.Random(1)
    latest, seen, behind = [14.0], dict[str, float](), list[float]()
    over = threading.Event()

    def speak() -> None:
        while not over.wait(0.02):
            mixture.send(b"%.1f\r\n" % latest[0])

    def listen() -> None:
        for at, event in stream.events():
            seen.setdefault(str(event["mixture"]), at)

    with (
        Cable(tmp_path / "mixture") as mixture,
        Recording(store, MIXTURE.format(port=mixture.path), "--plain") as recording,
        desk_process(store) as (_, client),
    ):
        recording.wait_open()
        stream = Stream(client)
        threads = [threading.Thread(target=each) for each in (speak, listen)]
        for thread in threads:
            thread.start()
        try:
            until(lambda: "14.0" in seen)
            for said in (f"{15 + n / 10:.1f}" for n in range(changes)):
                time.sleep(0.25 + 0.2 * rng.random())
                latest[0], began = float(said), time.monotonic()
                mixture.send(f"{said}\r\n".encode())
                until(functools.partial(seen.get, said), 5)
                behind.append(seen[said] - began)
        finally:
            over.set()
            stream.close()
            for thread in threads:
                thread.join()
    behind.sort()
    late = behind[int(0.95 * len(behind)) - 1]
    told = f"median {statistics.median(behind):.3f} s, p95 {late:.3f} s, most {behind[-1]:.3f} s of {len(behind)}"
    print(f"behind the cable: {told}")
    assert late <= BEHIND_S, told


def opened(store: Path) -> bool:
    """Whether a recorder is at work and all its ports are open."""
    sources = (presence.read_state(store) or {}).get("sources") or [{}]
    return presence.is_recording(store) and all(source.get("state") == "open" for source in sources)


def test_started_watched_and_stopped_from_the_page(tmp_path: Path) -> None:
    """Without a terminal: start, figures, a note and a mark, stop; and the drive that it leaves."""
    store = tmp_path / "store"
    store.mkdir()
    with Cable(tmp_path / "gps") as gps, Cable(tmp_path / "mixture") as mixture:
        (store / "recorder.toml").write_text(GPS.format(port=gps.path) + MIXTURE.format(port=mixture.path))
        with served(store) as (_, client):
            assert client.post("/now/note", text="too soon").status == 404
            assert "is starting" in client.follow(client.post("/now/start")).text
            until(lambda: presence.is_recording(store))
            assert client.post("/now/start").status == 404  # one for each store
            until(lambda: opened(store))
            time.sleep(0.5)
            senders = [
                Sender(gps, (rmc(n / 10, 8.9408) for n in range(10**5)), per_s=10),  # 20 mph
                Sender(mixture, (b"13.4\r\n" for _ in range(10**5)), per_s=20),
            ]
            for sender in senders:
                sender.start()
            stream = Stream(client)
            try:
                shown = ((e["mixture"], e["speed"], "Recording" in str(e["state"]), e) for _, e in stream.events())
                *_, event = next(each for each in shown if each[:3] == ("13.4", "20", True))
            finally:
                stream.close()
            assert event["running"] and "lines a second" in str(event["sources"])
            page = client.get("/now").text  # and without script
            assert ">13.4</b>" in page and ">20</b>" in page
            assert "belt squeals" in client.follow(client.post("/now/note", text="belt squeals")).text
            assert client.post("/now/mark").status == 303
            time.sleep(1.2)
            assert client.post("/now/stop").status == 303
            until(lambda: not presence.is_recording(store), 30)
            for sender in senders:
                sender.stop()
            until(lambda: "Start recording" in client.get("/now").text)
            assert client.post("/now/stop").status == 404
    made = drive.open_drive(store, "last")
    notes = [note.text for note in made.manifest.notes]
    assert notes[0] == "belt squeals" and notes[1].startswith("mark ") and len(notes) == 2
    assert gps.all_sent().startswith(bytes_of(made.table("raw"), "gps"))


@pytest.mark.parametrize(
    "how", ["kill -9", *(pytest.param(each, marks=pytest.mark.long) for each in ("closed", "SIGTERM", "SIGHUP"))]
)
def test_the_desk_ends_and_the_recording_goes_on(tmp_path: Path, how: str) -> None:
    """Started from the desk, watched by it; then the browser is closed or the desk is ended: every byte is there."""
    store = tmp_path / "store"
    store.mkdir()
    with Cable(tmp_path / "board") as board:
        (store / "recorder.toml").write_text(BOARD.format(port=board.path))
        with desk_process(store) as (process, client):
            assert client.post("/now/start").status == 303
            until(lambda: opened(store))
            time.sleep(0.5)
            pid = (presence.read_state(store) or {})["pid"]
            sender = Sender(board, (b"%d,%d\r\n" % (n, n) for n in range(10**6)), per_s=100)
            sender.start()
            stream = Stream(client)
            next(stream.events())
            time.sleep(1)
            stream.close()
            if how == "kill -9":
                process.kill()
            elif how != "closed":
                process.send_signal(getattr(signal, how))
            if how != "closed":
                process.wait(10)
            time.sleep(1.5)
            assert presence.is_recording(store) and (presence.read_state(store) or {})["pid"] == pid
            sender.stop()
            time.sleep(1.0)
            front.ask_stop(store, {"pid": pid + 1, "since_utc": "another's"})
            time.sleep(1.2)
            assert presence.is_recording(store)  # another was meant
        state = presence.read_state(store)
        assert state is not None and presence.is_recording(store)  # the desk is gone now, however it ended
        front.ask_stop(store, state)
        until(lambda: not presence.is_recording(store), 30)
        sent = board.all_sent()
    assert not journals(store)
    assert bytes_of(drive.open_drive(store, "last").table("raw"), "board") == sent


def test_a_recorder_that_cannot_start_says_why_on_the_page(tmp_path: Path) -> None:
    (tmp_path / "recorder.toml").write_text("[recorder]\nflush_s = 0\n")
    with served(tmp_path) as (_, client):
        assert client.post("/now/start").status == 303
        until(lambda: "last message" in (page := client.get("/now").text) and "flush_s" in page and page)
        assert client.get("/car/file/recorder").status == 200


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read from /proc")
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("events", [2000, pytest.param(EIGHT_HOURS, marks=pytest.mark.long)])
def test_a_page_that_stays_open_leaves_memory_flat(tmp_path: Path, events: int) -> None:
    """Eight hours at seven events a second are 201,600; here they come as fast as the desk gives them."""
    with busy_desk(tmp_path / "store") as (process, address):
        client = Client(int(address.split(":")[2].partition("/")[0]))
        client.open(address)
        stream = Stream(client)
        held = []
        for n, (_, event) in enumerate(stream.events(), 1):
            assert event["running"]
            if n % (events // 10) == 0:
                held.append(megabytes(process.pid))
                client.get("/now")  # and is loaded again now and then
            if n >= events:
                break
        stream.close()
    print("megabytes held:", " ".join(f"{each:.1f}" for each in held))
    assert max(held[5:]) - held[2] < 2.0, held
