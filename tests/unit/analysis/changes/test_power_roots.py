"""One root for several fits, and sums in place of matrices: the same answers on power as the model gave that was first
written (tests/slow_power.py), to 1e-9, on made seasons and odd ones. Equality is asked, not truth."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, replace

import numpy as np
import pytest
import slow_power
from numpy.typing import NDArray
from tuning.pull_worlds import World, asked, season

from analysis.changes import compare_power, full_power
from analysis.changes.full_power import columns
from analysis.changes.power_model import HILLS_M, PowerFit, PullRows, slope_parts
from analysis.changes.season_pulls import SeasonPull, rows_of_pulls

Floats = NDArray[np.float64]


def made(world: World = World(starts=2, rolling=4), design: str = "A-B-A", seed: int = 1) -> list[SeasonPull]:
    return season(world, design, np.random.default_rng([18, seed]))


def rows_of(pulls: Sequence[SeasonPull]) -> PullRows:
    """Starts first."""
    ordered = sorted(pulls, key=lambda each: each.rolling)
    return rows_of_pulls(ordered, np.array(["AB".index(each.setup) for each in ordered]))[0]


def odd() -> dict[str, PullRows]:
    """Seasons of many sorts, and rows that no season should have."""
    usual = rows_of(made())
    rng = np.random.default_rng(2)
    unknown = (np.arange(len(usual)) % 2 == 0) & (usual.run % 2 == 0) | (usual.run == usual.run.max())
    nowhere = np.full(len(usual), np.nan)
    mixed = rng.permutation(len(usual))
    arrays = {name: values[mixed] for name, values in usual.__dict__.items() if name != "noise"}
    return {
        "one outing": usual,
        "three weeks": rows_of(made(design="weekly")),
        "one repeat": rows_of(made(design="one repeat", seed=3)),
        "one run": usual.only(usual.run == usual.run[0]),
        "one band": usual.only(usual.band == int(np.median(usual.band))),
        "two rows": usual.only(np.arange(len(usual)) < 2),
        "no places": replace(usual, east_m=nowhere, north_m=nowhere, heading_deg=nowhere, way_m=nowhere),
        "some places": replace(usual, heading_deg=np.where(unknown, np.nan, usual.heading_deg)),
        "all alike": replace(usual, y=np.full(len(usual), 0.01), time_s=np.full(len(usual), 5.0)),
        "tagged": replace(usual, tags=(usual.run % 3 == 0)[:, None] * np.array([[1.0, 0.5]])),
        "in no order": PullRows(noise=usual.noise[np.ix_(mixed, mixed)], **arrays),
    }


@pytest.mark.parametrize(("name", "rows"), odd().items(), ids=odd().keys())
def test_a_fit_is_that_of_whole_matrices(name: str, rows: PullRows) -> None:
    design = columns(rows)
    ours, plain = PowerFit(rows, design), slow_power.PowerFit(rows, design)
    np.testing.assert_allclose(ours.mode, plain.mode, rtol=1e-9, atol=1e-9)
    assert ours.hills_m == plain.hills_m
    size = np.abs(np.linalg.inv(ours.covariance.at(ours.mode))).max()
    np.testing.assert_allclose(ours.projection, plain.projection, rtol=1e-9, atol=1e-9 * size)
    some = np.array([c for c in np.eye(design.shape[1])[[0, -1]] if plain.determines(c)])
    if not len(some):
        return
    same(ours.contrasts(some), plain.contrasts(some))
    np.testing.assert_allclose(ours.at_mode(some[0]), plain.at_mode(some[0]), rtol=1e-9)


def same(ours: tuple[Sequence[object], Floats], plain: tuple[Sequence[object], Floats]) -> None:
    for one, other in zip(ours[0], plain[0], strict=True):
        found, wanted = (np.array(list(asdict(each).values())) for each in (one, other))  # type: ignore[call-overload]
        np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(ours[1], plain[1], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("name", ["one outing", "three weeks", "one repeat"])
def test_fits_solved_by_one_root_are_those_solved_alone(name: str) -> None:
    rows = odd()[name]
    design, count = columns(rows), int((~rows.rolling).sum())
    some = rows.only(~rows.rolling)
    split = np.column_stack([design, design[:, -1] * (rows.band > np.median(rows.band))])
    ours, plain = PowerFit(rows, design, 150.0), slow_power.PowerFit(rows, design, 150.0)
    apart, first = ours.with_design(split), ours.of_first(count, columns(some))
    alone = ours.of_first(count, columns(some)), ours.of_others(some, columns(some))
    ours.explore(apart, first)
    c = np.eye(split.shape[1])[-2:]
    same(apart.contrasts(c), plain.with_design(split).contrasts(c))
    last = np.eye(columns(some).shape[1])[[-1]]
    wanted = plain.of_others(some, columns(some))
    for each in (first, *alone):
        same(each.contrasts(last), wanted.contrasts(last))
        np.testing.assert_allclose(each.at_mode(last[0]), wanted.at_mode(last[0]), rtol=1e-9)


def test_hills_of_several_lengths_are_those_of_each() -> None:
    for rows in odd().values():
        for length, part in zip(HILLS_M, slope_parts(rows, HILLS_M), strict=True):
            np.testing.assert_allclose(part, slow_power.slope_part(rows, length), rtol=1e-9, atol=1e-12)


class Slow(slow_power.PowerFit):
    """The first model, asked as `compare_power` and `full_power` ask."""

    def explore(self, *beside: object) -> None: ...

    def of_first(self, count: int, design: Floats) -> slow_power.PowerFit:
        return self.of_others(self.rows.only(np.arange(len(self.rows)) < count), design)

    @property
    def residual(self) -> Floats:
        return self.projection @ self.rows.y


@pytest.mark.parametrize(
    "pulls",
    [
        made(), made(design="A-B-A-B", seed=2), made(design="weekly long", seed=4), made(World(starts=4, rolling=0)),
        made(World(starts=3, rolling=5, part=(0.2, 0.4)), seed=6), made(World(starts=0, rolling=6), seed=7),
        made(World(starts=1, rolling=1), "weekly"),
    ],
    ids=["A-B-A", "A-B-A-B", "five weeks", "starts", "part throttle", "no start", "few"],
)  # fmt: skip
def test_what_is_said_of_power_is_the_same(pulls: list[SeasonPull], monkeypatch: pytest.MonkeyPatch) -> None:
    ours = asked(pulls)
    for module in (compare_power, full_power):
        monkeypatch.setattr(module, "PowerFit", Slow)
    plain = asked(pulls)
    alike(asdict(ours), asdict(plain))


def alike(a: object, b: object) -> None:
    if isinstance(a, dict) and isinstance(b, dict):
        assert a.keys() == b.keys()
        alike(list(a.values()), list(b.values()))
    elif isinstance(a, list | tuple) and isinstance(b, list | tuple):
        assert len(a) == len(b)
        for one, other in zip(a, b, strict=True):
            alike(one, other)
    elif isinstance(a, float) and isinstance(b, float):
        assert math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-12) or (math.isnan(a) and math.isnan(b))
    else:
        assert a == b
