"""How figures are written: in the owner's units and zone."""

from __future__ import annotations

from analysis import wording


def test_ways_are_in_feet_for_who_drives_in_miles() -> None:
    assert (wording.way(100.0, "mph"), wording.way_unit("mph")) == ("328", "ft")  # 1 ft = 0.3048 m, exact
    assert (wording.way(100.0, "km/h"), wording.way_unit("km/h")) == ("100", "m")


def test_winds_and_accelerations_are_in_miles_for_who_drives_in_them() -> None:
    """1 mph = 0.44704 m/s, exact (NIST SP 811, appendix B.8)."""
    assert (wording.wind_text(4.4704, "mph"), wording.wind_text(4.4704, "km/h")) == ("10.0 mph", "4.5 m/s")
    assert wording.wind(-0.44704, "mph", sign=True) == "-1.0"
    assert (wording.accel(0.89408, "mph"), wording.accel_unit("mph")) == ("2.0", "mph/s")
    assert (wording.accel(0.89408, "km/h"), wording.accel_unit("km/h")) == ("0.9", "m/s\u00b2")
    assert wording.wind_words(2.7) == "2.7 m/s (6 mph)"
