"""Recording that never ends, in simulated time: ports flap, clocks step, the disk fills and empties, the car parks.

Memory stays flat and every drive is finished, by what finishes drives in earnest. Hours here, a week under `long`.
"""

from __future__ import annotations

import errno
import io
import json
import os
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import BinaryIO

import pytest
from rig import BOARD, GPS, nmea

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode import events
from logger.decode.framing import Chunk
from logger.record.health import Health, Rates
from logger.record.keeper import Keeper, RecorderState
from logger.record.live import Live
from logger.record.panel import LogLines
from logger.store import drive, folders, making
from logger.store.disk import Disk
from logger.store.tables import Decoding

SECOND = 10**9
START = datetime(2026, 5, 2, tzinfo=UTC)
TEXT = "[recorder]\npark_after_s = 60\n" + GPS.format(port="a") + BOARD.format(port="b")
FLAP_S, AWAY_S = 97, 4
FULL_EVERY_S, FULL_S = 9000, 240
STEP_EVERY_S = 3600
PARKED_OF_S, DRIVEN_S = 900, 600


class FillingDisk(Disk):
    """A real disk that takes nothing while it is full, and does not wait for the medium."""

    full = False

    def _write_some(self, file: BinaryIO, data: memoryview) -> int:
        if self.full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return super()._write_some(file, data)

    def make_folder(self, path: Path) -> None:
        if self.full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().make_folder(path)

    def sync(self, file: BinaryIO) -> None:
        pass

    def sync_folder(self, path: Path) -> None:
        pass


def told_in(n: int) -> Iterator[Chunk]:
    """The n-th second: 1 Hz of GPS, 4 Hz of the board; a port that is away, a wall clock that steps."""
    start = 10**13 + n * SECOND
    at = START + timedelta(seconds=n)
    wall = (at + timedelta(hours=n // STEP_EVERY_S % 3)).isoformat()
    away = n % FLAP_S
    if away == 0:
        yield Chunk(start, "board", b"1.2")  # cut off in the middle
        yield events.at(start + 1, wall, "lost", source="board", why="pulled")
    elif away == AWAY_S:
        yield events.at(start + 1, wall, "found", source="board", port="b", baud=115200, away_s=float(AWAY_S))
    if n % STEP_EVERY_S == 0 and n:
        yield events.at(start + 2, wall, "wall", jumped_s=3600.0)
    elif n % 60 == 0:
        yield events.at(start + 2, wall, "wall")
    speed = 24.0 if n % PARKED_OF_S < DRIVEN_S else 0.05
    clock = at.strftime("%H%M%S.00")
    yield Chunk(start + SECOND // 5, "gps", nmea(f"GNRMC,{clock},A,5324.07,N,00023.92,W,{speed},84.4,{at:%d%m%y},,,A"))
    if away >= AWAY_S:
        for k in range(4):
            yield Chunk(start + k * SECOND // 4 + 5, "board", b"%d.5,%d\r\n" % (n % 10, k))


def resident_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGESIZE") / 1e6


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read from /proc")
@pytest.mark.parametrize(
    ("hours", "grown_mb"), [(3, 8), pytest.param(7 * 24, 25, marks=[pytest.mark.long, pytest.mark.timeout(7200)])]
)
def test_memory_stays_flat_and_every_drive_is_finished(tmp_path: Path, hours: int, grown_mb: float) -> None:
    config, disk, free = parse(TEXT, RecorderConfig, "endless"), FillingDisk(), 10**9
    finished: list[tuple[int, float]] = []
    live = Live(config, [LogLines(io.StringIO())])
    health = {source.name: Health(source.name, source.kind) for source in config.source}
    rates = Rates(health)

    def begin(mono_ns: int) -> Path:
        return making.begin(tmp_path, TEXT, started=START + timedelta(microseconds=mono_ns // 1000), disk=disk)

    def ended(journal: Path, why: str, decoding: Decoding | None) -> None:
        path = making.close(journal.parent, decoding=decoding)
        assert path is not None, why
        made = drive.open_folder(path)
        finished.append((made.table("gps").num_rows, made.manifest.duration_s))
        volts = made.table("board")["volts"].drop_null().to_pylist()
        assert {round(value % 1, 3) for value in volts} <= {0.5}, "a line that was cut off became a reading"
        shutil.rmtree(path)

    keeper = Keeper(config, begin, ended, lambda: free, disk)
    states, memory = set(), []
    for n in range(hours * 3600):
        disk.full = n % FULL_EVERY_S >= FULL_EVERY_S - FULL_S
        free = 0 if disk.full else 10**9
        came = list(told_in(n))
        now = 10**13 + (n + 1) * SECOND
        for chunk in came:
            live.put(chunk)
        rates.count(came, now)
        keeper.take(came, now)
        live.tell(now)
        states.add(keeper.state)
        if n % 1800 == 1799:
            memory.append(resident_mb())
    keeper.end("the week is over", 10**13 + hours * 3600 * SECOND)
    assert states == {RecorderState.RECORDING, RecorderState.PARKED, RecorderState.NO_ROOM}
    assert not folders.unfinished(tmp_path)
    # One for each time that it was driven; one that the full disk held up while the car was parked goes on in the next.
    assert len(finished) >= hours * 3600 // PARKED_OF_S - hours * 3600 // FULL_EVERY_S
    assert min(rows for rows, _ in finished) > 0 and max(seconds for _, seconds in finished) < 2 * PARKED_OF_S
    assert keeper.lost_bytes == 0  # four minutes fit into memory
    assert max(memory) - memory[2] < grown_mb, json.dumps(memory)
