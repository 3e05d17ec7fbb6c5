"""Processor time and memory of `pullbook record` at an ordinary rig, against a bare pyserial loop beside it.

    python tests/bench/bench_recorder.py [SECONDS] [LINES]

The rig: a GPS receiver at 10 Hz with five sentences, a mixture controller at 50 Hz, an ADC board at 100 Hz; or at LINES
lines a second, such as 5000, in hundredths. The same
bytes go to three sets of pseudo-terminals at the same moments: one is read by a bare loop (a thread a port that reads
what is waiting and writes it to a file), one by `pullbook record --plain`, one by `pullbook record` with its panel on
a terminal. What is counted is the processor time of a whole process, user and system, after it has started.
Linux only: it is read from /proc.
"""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from rig import BOARD, GPS, MIXTURE, PULLBOOK, Cable, nmea, rmc

BARE = """
import sys, threading
import serial
out = open(sys.argv[1], "wb")
def loop(path, baud):
    port = serial.Serial(path, baud, timeout=1)
    while True:
        if data := port.read(port.in_waiting or 1):
            out.write(data)
for path in sys.argv[2:]:
    threading.Thread(target=loop, args=(path, 38400), daemon=True).start()
threading.Event().wait()
"""


def burst(t_s: float) -> bytes:
    """An epoch of five sentences: RMC, GGA, VTG, GSA, GSV."""
    clock = f"09{int(t_s // 60 % 60):02d}{t_s % 60:05.2f}"
    return rmc(t_s, 13.0) + b"".join(
        map(
            nmea,
            (
                f"GNGGA,{clock},5324.0721,N,00023.9219,W,1,12,0.70,20.4,M,46.2,M,,",
                "GNVTG,84.4,T,,M,25.270,N,46.800,K,A",
                "GNGSA,A,3,05,07,13,14,15,17,19,24,30,,,,1.31,0.70,1.11,1",
                "GPGSV,3,1,12,05,38,291,41,07,12,332,33,13,53,220,44,14,27,067,39",
            ),
        )
    )


class Measured:
    """A process and its three cables."""

    def __init__(self, name: str, folder: Path) -> None:
        self.name = name
        folder.mkdir()
        self.cables = [Cable(folder / source) for source in ("gps", "mixture", "board")]
        self.folder = folder
        self.before = self.after = 0.0
        self.rss = 0

    def start(self, kind: str) -> None:
        paths = [str(cable.path) for cable in self.cables]
        if kind == "bare":
            self.pid = subprocess.Popen([sys.executable, "-c", BARE, str(self.folder / "bytes"), *paths]).pid
            return
        store = self.folder / "store"
        store.mkdir()
        blocks = (block.format(port=path) for block, path in zip((GPS, MIXTURE, BOARD), paths, strict=True))
        (store / "recorder.toml").write_text("".join(blocks), encoding="utf-8")
        command = [*PULLBOOK, "record", "--store", str(store)]
        if kind == "plain":
            self.pid = subprocess.Popen([*command, "--plain"], stdout=subprocess.DEVNULL).pid
            return
        self.pid, terminal = pty.fork()
        if self.pid == 0:
            os.environ.update(TERM="xterm-256color")
            os.execv(command[0], command)
        threading.Thread(target=_watch, args=(terminal,), daemon=True).start()

    def seconds(self) -> float:
        """Processor time so far, of all threads [s]."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def megabytes(self) -> float:
        return int(Path(f"/proc/{self.pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def _watch(terminal: int) -> None:
    """Somebody looks at the panel, until the process ends."""
    with contextlib.suppress(OSError):
        while os.read(terminal, 65536):
            pass


def feed(all_of: list[Measured], seconds: float, lines: int) -> None:
    began = time.monotonic()
    for n in range(int(seconds * 100)):
        if (pause := began + n / 100 - time.monotonic()) > 0:
            time.sleep(pause)
        for measured in all_of:
            gps, mixture, board = measured.cables
            if n % 10 == 0:
                gps.send(burst(n / 100))
            if n % 2 == 0:
                mixture.send(b"%.2f\r\n" % (13 + n % 100 / 100))
            board.send(b"%d,%d\r\n" % (n % 1024, n * 7 % 1024) * (lines // 100))
            for cable in measured.cables:
                cable.sent.clear()


def main(seconds: float, lines: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        all_of = [Measured(kind, Path(folder) / kind) for kind in ("bare", "plain", "panel")]
        for measured in all_of:
            measured.start(measured.name)
        time.sleep(4)
        feed(all_of, 4, lines)
        for measured in all_of:
            measured.before = measured.seconds()
        feed(all_of, seconds, lines)
        for measured in all_of:
            measured.after, measured.rss = measured.seconds(), round(measured.megabytes())
            os.kill(measured.pid, 15)
            os.waitpid(measured.pid, 0)
        base = all_of[0].after - all_of[0].before
        print(f"processor time over {seconds:g} s of a rig of {lines + 50} lines and 10 bursts of five a second")
        for measured, said in zip(
            all_of, ("baseline: a bare pyserial loop to a file", "record --plain", "record with its panel"), strict=True
        ):
            took = measured.after - measured.before
            print(f"{said:<45} {took:6.2f} s   {took / base:5.2f}   {measured.rss} MB")


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0, int(sys.argv[2]) if len(sys.argv) > 2 else 100)
