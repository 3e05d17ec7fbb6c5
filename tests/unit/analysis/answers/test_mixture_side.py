"""The mixture of a side's drives as one map: each drive on its own scale, all judged on one."""

from __future__ import annotations

from pathlib import Path
from typing import TypeVar

import pytest
import simulate
from made_drives import make_drive
from simulate import Cruise, Lift, Phase, Pull, Stand

from analysis.answers.mixture import CellAnswer, MixtureAnswer, RegimeAnswer, mixture_answer
from analysis.answers.mixture_side import side_change, side_mixture
from analysis.store import DriveStore
from logger.config.targets import Enough

SCRIPT: list[Phase] = [
    Stand(20),
    Pull(17),
    Cruise(17, 25),
    Lift(11, 8),
    Cruise(11, 15),
    Pull(20),
    Lift(12, 8),
    Cruise(12, 15),
]


@pytest.fixture(scope="module")
def petrol(tmp_path_factory: pytest.TempPathFactory) -> MixtureAnswer:
    folder: Path = tmp_path_factory.mktemp("store")
    make_drive(folder, SCRIPT, seed=1, law=simulate.mixture_of(1.09))
    return mixture_answer(DriveStore(folder).drive("last"))


Row = TypeVar("Row", CellAnswer, RegimeAnswer)


def on_scale(answer: MixtureAnswer, per_lambda: float, times_as_long: float = 3.0) -> MixtureAnswer:
    """The same engine on a fuel whose AFR at lambda 1 is `per_lambda`, driven longer, so that its rows lead."""
    by = per_lambda / answer.value_at_lambda_1
    measured = ("median", "low", "high", "sigma", "p10", "p90")

    def scaled(row: Row) -> Row:
        target = row.target.model_copy(update={"low": row.target.low * by, "high": row.target.high * by})
        figures = {name: getattr(row, name) * by for name in measured}
        return row.model_copy(update={**figures, "seconds": row.seconds * times_as_long, "target": target})

    return answer.model_copy(
        update={
            "drive": "other", "value_at_lambda_1": per_lambda,
            "cells": tuple(map(scaled, answer.cells)), "summaries": tuple(map(scaled, answer.summaries)),
        }
    )  # fmt: skip


def test_a_drive_on_another_fuel_is_judged_on_the_scale_of_the_map(petrol: MixtureAnswer) -> None:
    alone = side_mixture([petrol], Enough())
    both = side_mixture([petrol, on_scale(petrol, 13.0)], Enough())
    assert both.drives == (petrol.drive, "other")
    for rows, singles in ((both.cells, alone.cells), (both.summaries, alone.summaries)):
        known = [(row, one) for row, one in zip(rows, singles, strict=True) if one.judgement.name != "UNKNOWN"]
        assert known
        for row, one in known:
            assert (row.median, row.target.low, row.target.high) == pytest.approx(
                (one.median, one.target.low, one.target.high)
            )
            assert row.judgement is one.judgement


def test_sides_on_two_fuels_do_not_differ_where_the_engine_does_not(petrol: MixtureAnswer) -> None:
    one, two = side_mixture([petrol], Enough()), side_mixture([on_scale(petrol, 13.0)], Enough())
    change = side_change(one, two)
    assert change.cells
    assert all(cell.difference == pytest.approx(0.0, abs=1e-9) for cell in change.cells if cell.verdict != "unknown")
