"""How figures are written: in the owner's units and zone."""

from __future__ import annotations

import time
from datetime import UTC, datetime

import pytest

from analysis import wording


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a process cannot be set here")
@pytest.mark.parametrize(
    ("zone", "clock", "name"),
    [("UTC", "09:14:30", "UTC"), ("Europe/London", "10:14:30", "UTC+1"), ("Asia/Kolkata", "14:44:30", "UTC+5.5")],
)
def test_times_are_those_of_the_owners_zone(zone: str, clock: str, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """British summer time is an hour before UTC in May, Indian time five and a half (IANA time zone data)."""
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        when = datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC)
        assert (wording.local_clock(when), wording.zone_of(when)) == (clock, name)
    finally:
        monkeypatch.undo()
        time.tzset()


def test_ways_are_in_feet_for_who_drives_in_miles() -> None:
    assert (wording.way(100.0, "mph"), wording.way_unit("mph")) == ("328", "ft")  # 1 ft = 0.3048 m, exact
    assert (wording.way(100.0, "km/h"), wording.way_unit("km/h")) == ("100", "m")
