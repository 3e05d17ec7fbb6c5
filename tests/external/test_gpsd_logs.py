"""Times and positions of plain NMEA logs against gpsd's own regression files.

Source: gpsd 3.22, test/daemon/*.log (BSD terms) with what gpsd makes of each beside it (*.log.chk): Debian's source
package, `apt-get source gpsd`. They are not in this repository; $PULLBOOK_GPSD_LOGS names their folder.
"""

from __future__ import annotations

import json
import os
import re
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from run_verb import run_verb

from logger.store.drive import list_drives

LOGS = Path(os.environ.get("PULLBOOK_GPSD_LOGS", "nowhere"))
pytestmark = pytest.mark.skipif(not LOGS.is_dir(), reason="gpsd's logs are not here: $PULLBOOK_GPSD_LOGS names them")

ROLLOVER_S = 1024 * 7 * 86_400
"""gpsd 3.22 puts dates of receivers of before 2015 one rollover of the satellites' week count later."""
OTHERWISE = {
    "hemi.log": "GGA says that there is a fix, and no GSA says of what kind: gpsd takes that for none",
    "bt451.log": "gpsd counts a day more where GLL comes before RMC; RMC and ZDA name the day themselves",
    "hp58534a.log": "no sentence has a checksum",
}
MOVED_DEG = {"bundg_zeus_9.log": 2e-4, "ch-4701.log": 2e-4}
"""Sentences of one epoch that tell different places: gpsd keeps the last one, we the first [deg]."""
ENDS = 2
"""An epoch that a log begins or ends within may be told by one and not by the other."""


def timed_logs() -> list[Path]:
    telling = re.compile(rb"\$(G[PNLABI]|BD)(RMC|GGA|GLL|GNS|ZDA),")
    return [path for path in sorted(LOGS.glob("*.log")) if telling.search(path.read_bytes())]


def told_by_gpsd(log: Path) -> dict[float, tuple[float, float]]:
    """Time of each fix [s] -> latitude and longitude [deg]."""
    found = {}
    for line in Path(f"{log}.chk").read_bytes().split(b"\n"):
        if line.startswith(b'{"class":"TPV"'):
            said = json.loads(line)
            if said.get("mode", 0) >= 2 and "time" in said:
                when = datetime.fromisoformat(said["time"].replace("Z", "+00:00")).timestamp()
                found[round(when, 2)] = (said.get("lat", np.nan), said.get("lon", np.nan))
    return found


def test_there_are_as_many_as_that_release_has() -> None:
    assert len(timed_logs()) >= 90


@pytest.mark.parametrize("log", timed_logs(), ids=lambda path: path.name)
def test_times_and_positions_are_gpsds(log: Path, tmp_path: Path) -> None:
    if log.name in OTHERWISE:
        pytest.skip(OTHERWISE[log.name])
    run_verb(tmp_path, "import", str(log))
    theirs, ours = told_by_gpsd(log), {}
    for drive in list_drives(tmp_path):
        table = drive.table("gps")
        for time, lat, lon, valid in zip(
            *(table[name].to_pylist() for name in ("time", "lat_deg", "lon_deg", "valid")), strict=True
        ):
            if valid:
                ours[round(time.timestamp(), 2)] = (lat, lon)
    if theirs and ours and min(theirs) - min(ours) > ROLLOVER_S / 2:
        theirs = {round(when - ROLLOVER_S, 2): place for when, place in theirs.items()}
    assert len(set(theirs) - set(ours)) <= 1
    assert len(set(ours) - set(theirs)) <= ENDS
    for when in set(ours) & set(theirs):
        if np.isfinite(theirs[when]).all() and ours[when][0] is not None:
            assert ours[when] == pytest.approx(theirs[when], abs=MOVED_DEG.get(log.name, 2e-6)), when
