"""What `pullbook record` writes for each byte that it receives, and how long a byte takes to be on the disk.

    python tests/bench/bench_disk.py [SECONDS] [BUSY]

The ordinary rig of bench_recorder on pseudo-terminals, its controller's lines each with the moment they are sent, while
BUSY other processes keep the machine busy. `record` runs as ever, but notes when each sync of its journal returned and
what had been written by then: from sending a byte to the return of the fsync behind it. Written bytes are
those of the recorder and of the process that makes its journal a drive, twice: what they gave to files, by file, and
what went to the medium in whole pages (`write_bytes` of /proc/PID/io). Linux only.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np
from bench_recorder import burst
from ratio import environment
from rig import BOARD, GPS, MIXTURE, Cable

RECORD = """
import atexit, json, os, re, sys
from logger.decode.clock import monotonic_ns
from logger.store import disk
from logger.store.journal import JournalWriter
write, flush, told = disk.Disk.write, JournalWriter.flush, sys.argv.pop(1)
written, late = {}, []
def noting_write(self, file, data):
    name = os.path.basename(file.name)
    kind = "journal" if name.endswith(".arrows") else name.lstrip(".").split("-")[0]
    written[kind] = written.get(kind, 0) + len(data)
    write(self, file, data)
def noting_flush(self):
    sent = [int(found) for chunk in self._pending for found in re.findall(rb",(\\d{12,})\\r", chunk.data)]
    rows = flush(self)
    late.extend((monotonic_ns() - each) / 1e9 for each in sent)
    return rows
def last():
    with open(told, "w") as out:
        json.dump([late, written], out)
disk.Disk.write, JournalWriter.flush = noting_write, noting_flush
after = os._exit
def leaving(code):
    last()
    after(code)
os._exit = leaving
atexit.register(last)
from analysis.cli.main import main
main()
"""
BUSY = "while True: pass"


def main(seconds: float, busy: int) -> None:
    from logger.decode.clock import monotonic_ns

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cables = [Cable(folder / source) for source in ("gps", "mixture", "board")]
        store = folder / "store"
        store.mkdir()
        mixture = MIXTURE.replace('channel = "afr"', 'channel = "afr"\n  [[source.column]]\n  channel = "sent"')
        blocks = (block.format(port=str(each.path)) for block, each in zip((GPS, mixture, BOARD), cables, strict=True))
        (store / "recorder.toml").write_text("".join(blocks), encoding="utf-8")
        told = folder / "told"
        child = subprocess.Popen(
            [sys.executable, "-c", RECORD, told, "record", "--plain", "--store", store],
            stdout=subprocess.DEVNULL, env=environment(),
        )  # fmt: skip
        others = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(busy)]
        try:
            time.sleep(4)
            began, received = time.monotonic(), 0
            for n in range(int(seconds * 100)):
                if (pause := began + n / 100 - time.monotonic()) > 0:
                    time.sleep(pause)
                gps, controller, board = cables
                if n % 10 == 0:
                    gps.send(burst(n / 100))
                if n % 2 == 0:
                    controller.send(b"%.2f,%d\r\n" % (13 + n % 100 / 100, monotonic_ns()))
                board.send(b"%d,%d\r\n" % (n % 1024, n * 7 % 1024))
                for cable in cables:
                    received += sum(len(data) for _, data in cable.sent)
                    cable.sent.clear()
            time.sleep(1)
            before = _written(child.pid)
            child.send_signal(signal.SIGINT)
            while os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
                time.sleep(0.02)
            whole = _written(child.pid)
            child.wait()
        finally:
            for other in others:
                other.kill()
                other.wait()
        late, kinds = json.loads(told.read_text())
        drive = Counter({path.name: path.stat().st_size for path in store.glob("20*/*") if path.is_file()})
    print(f"{received} bytes in {seconds:g} s, {len(late)} lines with their time, {busy} busy processes beside")
    print("sent to synced: " + ", ".join(f"p{p:g} {np.percentile(late, p):.3f} s" for p in (50, 99, 99.9, 100)))
    while_on = sum(kinds.get(kind, 0) for kind in ("journal", "state.new"))
    print(f"given to files a byte received: {while_on / received:.2f} while recording, ", end="")
    print(f"{(while_on + sum(drive.values())) / received:.2f} with the drive that is made of it")
    print(f"in whole pages: {before / received:.2f} while recording, {whole / received:.2f} with the drive")
    for what, told_of in (("while recording", Counter(kinds)), ("the drive", drive)):
        print(f"{what}: " + ", ".join(f"{name} {size / received:.2f}" for name, size in told_of.most_common(6)))


def _written(pid: int) -> int:
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("write_bytes")).split()[1])


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
