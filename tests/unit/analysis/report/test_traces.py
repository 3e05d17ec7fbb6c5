"""Speed along runs as pages draw it: the two ways are marked, curves that lie on each other are differences."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pytest
from made_drives import make_drive
from simulate import Brake, Pull, Stand, Turn

from analysis.drive import AnalysedDrive
from analysis.report.page import judgement_first
from analysis.report.runs_section import both_ways, traces
from analysis.report.traces import RunLine, over_way, trace

FOOT = 0.3048
START = [Stand(8), Pull(21.0, launch="slip"), Brake(0, 2.5)]


@pytest.fixture(scope="module")
def there_and_back(tmp_path_factory: pytest.TempPathFactory) -> AnalysedDrive:
    drive, _ = make_drive(tmp_path_factory.mktemp("store"), [*START, Turn(), *START, Turn(), *START, Stand(6)])
    return AnalysedDrive(drive)


def lines_in(svg: object) -> Iterator[tuple[str, str]]:
    """(label, path) of each line that can be read off."""
    yield from re.findall(r'data-label="([^"]+)" d="([^"]+)"', str(svg))


def test_an_arrow_tells_which_of_two_ways_a_run_went(there_and_back: AnalysedDrive) -> None:
    runs = there_and_back.counted
    called, words = both_ways(runs)
    assert list(called.values()) == ["run 1 \u2192", "run 2 \u2190", "run 3 \u2192"]
    first, second = (f"{run.direction_deg:.0f}\u00b0" for run in runs[:2])
    assert words == f" \u2192 means towards {first}, \u2190 towards {second}."
    assert both_ways(runs[:1]) == ({1: "run 1"}, "") and both_ways([]) == ({}, "")
    figure, *_ = traces(there_and_back, runs[0], "mph")
    assert [label for label, _ in lines_in(figure.plot.svg)] == ["run 2 \u2190", "run 3 \u2192", "run 1 \u2192, best"]


def test_curves_that_lie_on_each_other_are_differences_at_the_same_place(there_and_back: AnalysedDrive) -> None:
    """What is drawn of run 2, read back from the picture, is its speed less run 1's at the same way, to a hundredth of
    the plot's range."""
    lines = [RunLine(f"run {run.n}", there_and_back, run) for run in there_and_back.counted]
    figure = over_way(lines, "mph", lines[0], "run 1", "three runs")
    assert figure.title == "Speed over distance, against run 1"
    drawn = dict(lines_in(figure.plot.svg))
    assert list(drawn) == ["run 2", "run 3"]
    start, *steps = re.findall(r"-?\d+", drawn["run 2"])
    numbers = np.array([int(start), *map(int, steps)]).reshape(-1, 2)
    x, y = np.cumsum(numbers, axis=0).T / 10_000  # a first point, then steps
    (left, right), (low, high) = figure.plot.x_range, figure.plot.y_range
    way, speed = left + x * (right - left), high - y * (high - low)
    _, way_a, speed_a = trace(there_and_back, lines[0].run, "mph")
    _, way_b, speed_b = trace(there_and_back, lines[1].run, "mph")
    true = np.interp(way, way_b, speed_b) - np.interp(way, way_a, speed_a)
    inside = (way > 20) & (way < min(way_a[-1], way_b[-1]) - 5)
    assert inside.sum() > 5
    assert np.abs(speed - true)[inside].max() < 0.02 * (high - low)


def test_curves_apart_are_speeds(there_and_back: AnalysedDrive, tmp_path) -> None:
    drive, _ = make_drive(tmp_path, [*START, Stand(6)], force_scale=0.6)
    slow = AnalysedDrive(drive)
    (run,) = slow.counted
    lines = [RunLine("quick", there_and_back, there_and_back.counted[0]), RunLine("slow", slow, run)]
    assert over_way(lines, "km/h", lines[0], "quick", "two runs").title == "Speed over distance"
    alone = over_way(lines[:1], "km/h", lines[0], "quick", "one run")
    assert alone.title == "Speed over distance" and [label for label, _ in lines_in(alone.plot.svg)] == ["quick"]


def test_a_way_is_in_feet_for_who_drives_in_miles(there_and_back: AnalysedDrive) -> None:
    run = there_and_back.counted[0]
    _, feet, _ = trace(there_and_back, run, "mph")
    _, metres, _ = trace(there_and_back, run, "km/h")
    assert feet * FOOT == pytest.approx(metres)


def test_what_judges_stands_before_the_figures() -> None:
    table = judgement_first("t", ["To", "A", "B", "Verdict"], [["10 mph", "1", "2", "slower"]])
    assert table.columns == ["To", "Verdict", "A", "B"] and table.rows == [["10 mph", "slower", "1", "2"]]
    assert table.left == (1,)
