"""The standing starts of a real drive, listed by hand from its sentences, and what the program finds of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.runs import finding
from analysis.runs.run import Options, Run

# Every place in town-and-country-2010.nmea where the car stands (RMC speed 000.0) and then passes 50 km/h (27.0 kn)
# before it stands again. UTC of the last fix at rest, of the last fix below 50 km/h and of the first one above; read
# from the RMC sentences by eye. It also stands at 16:57:52 (up to 37 km/h, then stands) and at the end. The "0.0" at
# 17:05:30 is the first fix after the receiver had lost the satellites at 50 km/h: no stand.
STARTS = [
    ("165854", "165914", "165916"),  # creeps to a corner (12, then 5 km/h), then away: 48 -> 50.2 km/h
    ("165948", "170010", "170012"),  # holds 28 km/h for six seconds
    ("170614", "170626", "170628"),  # 1, 11, 17, 31, 31, 45, 56 km/h
    ("170734", "170742", "170744"),  # 1, 16, 28, 38, 53 km/h: the one clean pull, on to 104 km/h
    ("171300", "171548", "171550"),  # nearly three minutes at 15 to 40 km/h behind something first
    ("172106", "172140", "172142"),  # 48 km/h, slows to 33, then away
]
BROKEN = [True, True, False, False, True, True]


def seconds(hhmmss: str) -> int:
    return int(hhmmss[:2]) * 3600 + int(hhmmss[2:4]) * 60 + int(hhmmss[4:6])


@pytest.fixture(scope="module")
def fixes(real_log: Path) -> Fixes:
    """RMC only, read without the program's decoder: seconds of the day, speed, whether valid."""
    t, v, valid = [], [], []
    for line in real_log.read_text("ascii", errors="replace").splitlines():
        fields = line.split(",")
        if fields[0] == "$GPRMC" and fields[1]:
            t.append(float(seconds(fields[1])))
            valid.append(fields[2] == "A")
            v.append(float(fields[7]) * 1852 / 3600 if fields[7] else np.nan)
    return clean(Fixes.of(t, v, valid=valid))[0]


@pytest.fixture(scope="module")
def found(fixes: Fixes) -> list[Run]:
    return finding.find(smoother.smooth(fixes), fixes, Options(speeds_mps=(50 / 3.6,), min_peak_mps=50 / 3.6))


def test_every_start_is_found_and_no_other(found: list[Run]) -> None:
    assert len(found) == len(STARTS)
    for run, (rest, _, _) in zip(found, STARTS, strict=True):
        # Between the last fix at rest and the one after it, give or take what two seconds hide.
        assert seconds(rest) - 2.5 <= run.start_s <= seconds(rest) + 3.0
        assert run.kind == "standing"


def test_the_time_to_fifty_is_between_what_the_fixes_allow(found: list[Run]) -> None:
    for run, (rest, below, above) in zip(found, STARTS, strict=True):
        (split,) = run.splits
        shortest = seconds(below) - (seconds(rest) + 2)
        longest = seconds(above) - seconds(rest)
        assert shortest - 2 * split.sigma_s <= split.time_s <= longest + 2 * split.sigma_s
        # The crossing itself lies between two fixes.
        assert seconds(below) - 0.3 <= run.start_s + split.time_s <= seconds(above) + 0.3


def test_sigma_says_what_two_seconds_between_fixes_cost(found: list[Run]) -> None:
    for run in found:
        assert 0.2 < run.splits[0].sigma_s < 2.5
        assert run.quality.rate_hz == pytest.approx(0.5, abs=0.1)


def test_starts_held_up_on_their_way_are_named(found: list[Run]) -> None:
    assert [run.ended == "broken by traffic" for run in found] == BROKEN
    # The pull to 104 km/h on the main road is the drive's quickest.
    assert found[3].peak_mps * 3.6 == pytest.approx(104, abs=1.5)
    assert min(found, key=lambda run: run.splits[0].from_one_foot_s) is found[3]
