"""A test rig: real pseudo-terminals for cables, and a real `pullbook record` in a process of its own."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from logger.decode.framing import LINE_UNDER_WAY_NS
from logger.store import journal

PULLBOOK = [sys.executable, "-m", "analysis.cli.main"]


class Cable:
    """A pseudo-terminal that passes for a device on a cable: `path` is what the recorder opens, `send` what it says."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.sent: list[tuple[int, bytes]] = []
        """(when it had reached the port [ns, boot-time or monotonic clock], bytes), of all that was sent."""
        self._master = self._slave = -1
        self.plug_in()

    def plug_in(self, path: Path | None = None) -> None:
        """Appear, perhaps under another name, as a new device."""
        self.path = path or self.path
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        fresh = self.path.with_name(f".{self.path.name}.new")
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.path)

    def unplug(self) -> None:
        """Vanish: the name is gone and reads fail."""
        if self._master >= 0:
            self.path.unlink()
            os.close(self._slave)
            os.close(self._master)
            self._master = -1

    def send(self, data: bytes) -> None:
        """Say `data`; waits where the port's buffer is full, as no real device would, for ten seconds at most."""
        from logger.decode.clock import monotonic_ns

        rest = memoryview(data)
        ends = time.monotonic() + 10
        while rest:
            try:
                rest = rest[os.write(self._master, rest) :]
            except BlockingIOError:
                if time.monotonic() > ends:
                    raise
                time.sleep(0.001)
        self.sent.append((monotonic_ns(), data))

    def heard(self, wait_s: float = 0.0) -> bytes:
        """What was sent to the device."""
        data = b""
        while select.select([self._master], [], [], wait_s)[0]:
            data += os.read(self._master, 4096)
        return data

    def all_sent(self) -> bytes:
        return b"".join(data for _, data in self.sent)

    def __enter__(self) -> Cable:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()


def nmea(body: str) -> bytes:
    """A sentence with its checksum: the exclusive or of the characters between $ and * (NMEA 0183)."""
    checksum = 0
    for byte in body.encode():
        checksum ^= byte
    return f"${body}*{checksum:02X}\r\n".encode()


def rmc(t_s: float, speed_mps: float = 0.0) -> bytes:
    """An RMC sentence of a receiver with a fix, `t_s` after 2026-05-02 09:00:00 UTC."""
    seconds = 9 * 3600 + t_s
    clock = f"{int(seconds // 3600):02d}{int(seconds // 60 % 60):02d}{seconds % 60:05.2f}"
    return nmea(f"GNRMC,{clock},A,5324.0721,N,00023.9219,W,{speed_mps * 3600 / 1852:.3f},84.4,020526,,,A")


GPS = """
[[source]]
name = "gps"
kind = "nmea"
port = "{port}"
baud = 38400
"""
MIXTURE = """
[[source]]
name = "mixture"
kind = "numbers"
port = "{port}"
baud = 9600
  [[source.column]]
  channel = "afr"
"""
BOARD = """
[[source]]
name = "board"
kind = "numbers"
port = "{port}"
baud = 115200
  [[source.column]]
  channel = "volts"
  [[source.column]]
  channel = "counts"
"""


class Recording:
    """`pullbook record` at work on a store. Its output goes to files, so that no pipe can fill up."""

    def __init__(self, store: Path, config: str, *options: str, env: dict[str, str] | None = None) -> None:
        self.store = store
        store.mkdir(parents=True, exist_ok=True)
        path = store / "recorder.toml"
        path.write_text(config, encoding="utf-8")
        self.out, self.err = store / ".out.txt", store / ".err.txt"
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGHUP, signal.SIG_DFL)  # under nohup it would be ignored, here and in the child
        with self.out.open("wb") as out, self.err.open("wb") as err:
            self.process = subprocess.Popen(
                [*PULLBOOK, "record", "--store", str(store), *options],
                stdin=subprocess.DEVNULL, stdout=out, stderr=err, env={**os.environ, **(env or {})},
            )  # fmt: skip

    def state(self) -> dict[str, Any]:
        """What the running process last said of itself; {} before it said anything."""
        with contextlib.suppress(OSError, ValueError):
            state: dict[str, Any] = json.loads((self.store / ".recorder" / "state.json").read_text())
            if state["pid"] == self.process.pid:
                return state
        return {}

    def wait(self, done: Callable[[dict[str, Any]], Any], seconds: float = 30.0) -> dict[str, Any]:
        """The first state for which `done` holds; AssertionError if there is none in time or the process ended."""
        ends = time.monotonic() + seconds
        while time.monotonic() < ends:
            if (state := self.state()) and done(state):
                return state
            assert self.process.poll() is None, self.said()
            time.sleep(0.02)
        raise AssertionError(f"not in {seconds} s: {self.state()}\n{self.said()}")

    def wait_open(self, seconds: float = 30.0) -> None:
        """Until every source's port is open, and so long that what comes next cannot have been under way before."""
        self.wait(lambda state: all(source["state"] == "open" for source in state["sources"]), seconds)
        time.sleep(2 * LINE_UNDER_WAY_NS / 1e9)

    def stop(self, number: int = signal.SIGTERM, seconds: float = 30.0) -> tuple[int, float]:
        """Send a signal; the exit code, and how long it took [s]."""
        began = time.monotonic()
        self.process.send_signal(number)
        code = self.process.wait(seconds)
        return code, time.monotonic() - began

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()

    def said(self) -> str:
        return self.out.read_text(errors="replace") + self.err.read_text(errors="replace")

    def __enter__(self) -> Recording:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.kill()


def pullbook(*arguments: str, store: Path | None = None, code: int = 0) -> Any:
    """Run a verb to its end; its JSON where --json was asked for, else what it printed. It must exit with `code`."""
    options = ["--store", str(store)] if store is not None else []
    done = subprocess.run([*PULLBOOK, *arguments, *options], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == code, f"{arguments}: exit {done.returncode}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr
    return json.loads(done.stdout) if "--json" in arguments else done.stdout + done.stderr


def bytes_of(raw: pa.Table, source: str) -> bytes:
    """All bytes of one source in a raw table, in order."""
    return b"".join(
        data for name, data in zip(raw["source"].to_pylist(), raw["data"].to_pylist(), strict=True) if name == source
    )


def events_of(raw: pa.Table) -> list[dict[str, Any]]:
    """The recorder's own events in a raw table, in order."""
    return [
        json.loads(data)
        for name, data in zip(raw["source"].to_pylist(), raw["data"].to_pylist(), strict=True)
        if name == "_recorder"
    ]


def journals(store: Path) -> list[journal.Journal]:
    """The journals of the drives that are not finished."""
    return [journal.read(path) for path in sorted(store.glob("[!.]*/journal"))]


class Sender(threading.Thread):
    """Sends `lines` over a cable at an even rate, in real time, until done or stopped."""

    def __init__(self, cable: Cable, lines: Sequence[bytes] | Iterator[bytes], per_s: float, at_once: int = 1) -> None:
        super().__init__(daemon=True)
        self._cable, self._lines, self._per_s, self._at_once = cable, iter(lines), per_s, at_once
        self._over = threading.Event()

    def run(self) -> None:
        began, number = time.monotonic(), 0
        while not self._over.is_set():
            together = [line for _, line in zip(range(self._at_once), self._lines, strict=False)]
            if not together:
                return
            pause = began + number / self._per_s - time.monotonic()
            if pause > 0:
                time.sleep(pause)
            try:
                self._cable.send(b"".join(together))
            except OSError:  # unplugged
                return
            number += len(together)

    def stop(self) -> None:
        self._over.set()
        self.join()
