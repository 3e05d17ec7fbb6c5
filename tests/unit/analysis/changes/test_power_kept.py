"""What fits of power told is told again, to the last bit, of the same rows asked the same, and of no others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from tuning.pull_worlds import ROAD, World
from tuning.pull_worlds import season as pulls_of_world

from analysis import kept
from analysis.changes import compare_power, power_kept, power_sides
from analysis.changes.observations import Side
from analysis.changes.power_kept import PowerKept
from analysis.changes.power_model import PowerFit, PullRows
from analysis.changes.power_sides import between, power_by_setup, power_effects
from analysis.changes.season_pulls import SeasonPull
from analysis.changes.season_record import SeasonRecord

PULLS = pulls_of_world(World(), "A-B-A", np.random.default_rng([98, 1]))


def season(store: Path | None, pulls: Sequence[SeasonPull] = PULLS) -> SeasonRecord:
    where: Any = SimpleNamespace(path=store, drives=[]) if store is not None else None
    return SeasonRecord([], [], [], [], "mph", "SAE J1349", "", pulls=list(pulls), store=where, standard_road=ROAD)


def asked(record: SeasonRecord) -> list[Any]:
    """All that is asked of the power of A and B."""
    a, b = ([each for each in record.full_pulls if each.setup == name] for name in "AB")
    sides = [Side(name, [], None, (), tuple({each.drive for each in some})) for name, some in (("A", a), ("B", b))]
    return [
        between("A", a, "B", b, record), between("A", a, "B", b, record, level=0.8), power_effects(record),
        power_by_setup(record, sides),
    ]  # fmt: skip


@pytest.fixture
def fitted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many rows each fit had, one after the other."""
    sizes: list[int] = []

    class Told(PowerFit):
        def __init__(self, rows: PullRows, design: np.ndarray) -> None:
            sizes.append(len(rows))
            super().__init__(rows, design)

    for module in (compare_power, power_sides):
        monkeypatch.setattr(module, "PowerFit", Told)
    return sizes


def test_what_was_told_is_told_again(tmp_path: Path, fitted: list[int]) -> None:
    anew = asked(season(None))
    assert len(fitted) == 4 and anew[2] and anew[3]
    first = asked(season(tmp_path))
    assert len(fitted) == 8
    again = asked(season(tmp_path))
    assert len(fitted) == 8
    assert repr(again) == repr(first) == repr(anew)


def test_one_other_number_is_fitted_anew(tmp_path: Path, fitted: list[int]) -> None:
    record = season(tmp_path)
    asked(record)
    last = record.pulls[-1]
    rate = last.pull.rate.copy()
    rate[0] = np.nextafter(rate[0], np.inf)
    other = season(tmp_path, [*record.pulls[:-1], replace(last, pull=replace(last.pull, rate=rate))])
    fitted.clear()
    asked(other)
    assert len(fitted) == 4


def test_another_program_fits_anew(tmp_path: Path, fitted: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    asked(season(tmp_path))
    monkeypatch.setattr(kept, "program", lambda: "another")
    fitted.clear()
    asked(season(tmp_path))
    assert len(fitted) == 4


def test_those_asked_for_last_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(power_kept, "_MOST", 2)
    done: list[str] = []

    def told(name: str) -> list[str]:
        return PowerKept(tmp_path).told((name,), lambda: done.append(name) or [name])  # type: ignore[func-returns-value]

    for name in ("a", "b", "a", "c", "a", "b"):
        assert told(name) == [name]
    assert done == ["a", "b", "c", "b"]


def test_a_file_that_is_not_as_it_was_written_counts_as_nothing(tmp_path: Path, fitted: list[int]) -> None:
    first = repr(asked(season(tmp_path)))
    [file] = tmp_path.rglob("power.json")
    file.write_bytes(file.read_bytes().replace(b"0.", b"1.", 1))
    fitted.clear()
    assert repr(asked(season(tmp_path))) == first
    assert fitted
