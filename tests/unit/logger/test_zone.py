"""Times in the owner's zone, against the IANA time zone data."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

ASKED = """
from datetime import UTC, datetime
from logger.zone import local_clock, local_minute
SUMMER, WINTER = datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC), datetime(2026, 12, 2, 23, 50, tzinfo=UTC)
for when in (SUMMER, WINTER, datetime.max.replace(tzinfo=UTC)):
    print(local_clock(when), "|", local_minute(when))
"""


@pytest.mark.skipif(os.name == "nt", reason="a zone is not set by TZ there")
@pytest.mark.parametrize(
    ("zone", "said"),
    [
        ("UTC", ["09:14:30 | 2026-05-02 09:14 (UTC)", "23:50:00 | 2026-12-02 23:50 (UTC)"]),
        ("Europe/London", ["10:14:30 | 2026-05-02 10:14 (UTC+1)", "23:50:00 | 2026-12-02 23:50 (UTC)"]),
        ("Asia/Kolkata", ["14:44:30 | 2026-05-02 14:44 (UTC+5.5)", "05:20:00 | 2026-12-03 05:20 (UTC+5.5)"]),
    ],
)
def test_a_time_is_the_owners_and_names_its_zone(zone: str, said: list[str]) -> None:
    """Summer time is British from the last Sunday of March to that of October; Indian time is 5.5 h ahead all year."""
    done = subprocess.run(
        [sys.executable, "-c", ASKED], capture_output=True, text=True, check=True, env={**os.environ, "TZ": zone}
    )
    *lines, last = done.stdout.splitlines()
    assert lines == said
    assert "9999-12-31" in last  # the end of the calendar is told, in UTC
