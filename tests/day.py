"""A day at an ordinary rig in simulated time, through everything that runs in the recorder.

    python tests/day.py HOURS           eight minutes on the road, four parked, and again
    python tests/day.py HOURS --drive   one drive without a stop

Prints one JSON object with the memory of the process [MB] after
each tenth.
"""

from __future__ import annotations

import io
import json
import shutil
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from rig import BOARD, GPS, MIXTURE, nmea, rmc

from analysis.mixture.lean_alert import LeanWatch, lean_limit
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.config.targets import TargetsConfig
from logger.decode.framing import Chunk
from logger.record.health import Health, Rates
from logger.record.keeper import Keeper
from logger.record.live import Live
from logger.record.panel import LogLines
from logger.store.disk import Disk

SECOND = 10**9


class QuickDisk(Disk):
    """Real files without waiting for the medium: this is about memory."""

    def sync(self, file: BinaryIO) -> None:
        pass

    def sync_folder(self, path: Path) -> None:
        pass


def second(n: int, start_ns: int, parks: bool) -> Iterator[Chunk]:
    """What comes in the n-th second: 10 bursts of five sentences, 50 readings of the mixture, 100 of the board."""
    speed = 0.1 if parks and n % 720 >= 480 else 13.0
    rest = nmea(f"GNVTG,84.4,T,,M,{speed * 3600 / 1852:.3f},N,{speed * 3.6:.3f},K,A") + nmea(
        "GNGSA,A,3,05,07,13,14,,,,,,,,,1.31,0.70,1.11,1"
    )
    rest += nmea("GPGSV,1,1,04,05,38,291,41,07,12,332,33,13,53,220,44,14,27,067,39")
    for at in range(100):
        mono_ns = start_ns + at * SECOND // 100
        if at % 10 == 0:
            t_s = (n + at / 100) % 50_000
            clock = f"{9 + int(t_s // 3600):02d}{int(t_s // 60 % 60):02d}{t_s % 60:05.2f}"
            gga = nmea(f"GNGGA,{clock},5324.0721,N,00023.9219,W,1,12,0.70,20.4,M,46.2,M,,")
            yield Chunk(mono_ns, "gps", rmc(t_s, speed) + gga + rest)
        if at % 2 == 0:
            yield Chunk(mono_ns, "mixture", b"13.%02d\r\n" % (n % 100))
        yield Chunk(mono_ns, "board", b"%d,%d\r\n" % (n % 1024, at))


def resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096 / 1e6


def main(hours: float, parks: bool) -> None:
    config = parse("".join(block.format(port=name) for block, name in ((GPS, "a"), (MIXTURE, "b"), (BOARD, "c"))),
                   RecorderConfig, "day")  # fmt: skip
    health = {source.name: Health(source.name, source.kind) for source in config.source}
    rates = Rates(health)
    place = Live(config).place("afr")
    assert place is not None
    lean = LeanWatch(config.recorder, lean_limit(TargetsConfig(), None, "afr", 14.7), place)
    live = Live(config, [lean, LogLines(io.StringIO(), lean)])
    ended = 0
    with tempfile.TemporaryDirectory() as folder:

        def begin(_: int) -> Path:
            return Path(folder) / f"journal{ended}"

        def end(path: Path, _: str, __: object) -> None:
            nonlocal ended
            ended += 1
            shutil.rmtree(path)  # another process turns it into a drive

        keeper = Keeper(config, begin, end, lambda: 10**9, QuickDisk())
        memory, seconds = [], int(hours * 3600)
        for n in range(seconds):
            chunks = list(second(n, 10**15 + n * SECOND, parks))
            for half in range(2):
                came = [chunk for chunk in chunks if (chunk.mono_ns % SECOND >= SECOND // 2) == half]
                for chunk in came:
                    live.put(chunk)
                now = 10**15 + n * SECOND + (half + 1) * SECOND // 2
                rates.count(came, now)
                keeper.take(came, now)
                live.tell(now)
            if (n + 1) % (seconds // 10) == 0:
                memory.append(round(resident_mb(), 1))
        keeper.end("the day is over", 10**15 + seconds * SECOND)
    print(json.dumps({"mb": memory, "drives": ended, "bytes": sum(one.bytes for one in health.values())}))


if __name__ == "__main__":
    main(float(sys.argv[1]), parks="--drive" not in sys.argv)
