"""What is an outing's own is taken off outing by outing: the same answers as with a column of the design for each
(tests/slow_days.py), to 1e-9, on made seasons and odd ones."""

from __future__ import annotations

import math
from dataclasses import asdict

import numpy as np
import pytest
import slow_days

from analysis.arrays import Floats
from analysis.changes import day_effects, spaces, ways
from analysis.changes.day_prior import Prior, VariancePosterior
from analysis.changes.outing_blocks import Nested, OutingBlocks

Season = tuple[Floats, Floats, np.ndarray, np.ndarray, Floats | None, list[Prior] | None]


def season(seed: int) -> Season:
    """Responses, setups, headings, outings, errors and priors: balanced or not, tangled or not, with gaps and ties."""
    rng = np.random.default_rng([1808, seed])
    outings, setups = int(rng.integers(1, 9)), int(rng.integers(1, 5))
    n = int(rng.integers(1, 60))
    outing = np.sort(rng.integers(0, outings, n))
    setup = rng.integers(0, setups, outings)[outing] if rng.random() < 0.5 else rng.integers(0, setups, n)
    headings = rng.choice([[68.0, 248.0], [68.0, 248.0, 158.0], [68.0, math.nan], [68.0, 68.0]][seed % 4], n)
    day, run = 0.1 * rng.normal(size=(outings, 3)), 0.1 * rng.normal(size=(n, 3))
    y = 5 + 0.1 * setup[:, None] + day[outing] + run + 0.05 * (headings > 100)[:, None]
    y[rng.random((n, 3)) < 0.15 * (seed % 3)] = np.nan
    if seed % 10 == 7:  # a stopwatch that knows whole seconds alone, or always the same
        y = np.round(y) if seed % 20 == 7 else np.full_like(y, 5.25)
    sigma = 0.03 * np.exp(rng.normal(size=(n, 3))) if rng.random() < 0.6 else None
    prior = [Prior(0.08, 0.1)] * 3 if seed % 5 else None
    return y, (setup[:, None] == np.arange(setups)).astype(float), headings, 7 * outing, sigma, prior


@pytest.mark.parametrize("seed", range(120))
def test_answers_are_those_of_a_column_for_each_outing(seed: int) -> None:
    y, setups, headings, outing, sigma, prior = season(seed)
    common, own = ways.way_columns(headings, outing)
    dense = slow_days.way_columns(headings, outing)
    assert np.array_equal(dense[:, : common.shape[1]], common)
    design, wide = np.hstack([setups, common]), np.hstack([setups, dense])
    wanted = np.zeros((setups.shape[1], design.shape[1]))
    for k, row in enumerate(wanted):
        row[k] = 1.0
        row[0] -= k > 0
    padded = np.hstack([wanted, np.zeros((len(wanted), wide.shape[1] - design.shape[1]))])
    for one, other in zip(wanted, padded, strict=True):
        told = day_effects.estimable(design, one, outing, own)
        assert told == spaces.in_space(spaces.row_space(wide)[1], other)
    ours = day_effects.contrasts(y, design, outing, wanted, 0.95, sigma, prior, own)
    plain = slow_days.contrasts(y, wide, outing, padded, 0.95, sigma, prior)
    alike(asdict(ours), asdict(plain))


def alike(a: object, b: object) -> None:
    if isinstance(a, dict) and isinstance(b, dict):
        for name in a:
            alike(a[name], b[name])
    elif isinstance(a, list) and isinstance(b, list):
        assert len(a) == len(b)
        for one, other in zip(a, b, strict=True):
            alike(one, other)
    elif isinstance(a, float | np.ndarray):
        np.testing.assert_allclose(a, b, rtol=1e-9, atol=1e-8 if isinstance(a, np.ndarray) else 1e-11)
    else:
        assert a == b


def test_what_is_an_outings_own_is_a_projection() -> None:
    rng = np.random.default_rng(3)
    outing, weight = np.sort(rng.integers(0, 6, 50)), rng.uniform(0.2, 1, 50)
    z = OutingBlocks.by(outing, weight)
    own = rng.choice([-0.5, 0.5], (50, 2)) * (outing != 2)[:, None]
    own[outing == 3, 1] = 2 * own[outing == 3, 0]  # one of these says nothing new
    own[outing == 4] = 1.0  # nor is such a one apart from the day
    own *= z.root[:, None]
    nested = Nested.by(z, own)
    dense = np.hstack([own * (outing == each)[:, None] for each in range(6)])
    q = spaces.orthonormal(dense)
    assert nested.rank == q.shape[1] == 8
    v = rng.normal(size=(50, 3))
    np.testing.assert_allclose(nested.without(v), v - q @ (q.T @ v), atol=1e-12)
    np.testing.assert_allclose(nested.leverage, np.sum(q**2, axis=1), atol=1e-12)
    left = z.beside(nested)
    whole = np.hstack([dense, (outing[:, None] == np.arange(6)) * z.root[:, None]])
    p = spaces.orthonormal(whole)
    assert left.count == p.shape[1] - q.shape[1] and left.free == 42 and not left.root[outing == 4].any()
    np.testing.assert_allclose(left.within(nested.without(v)), v - p @ (p.T @ v), atol=1e-12)


@pytest.mark.parametrize(
    ("outings", "runs", "day", "sizes"),
    [
        (3, 4, 0.1, [4, 4, 4]), (1, 3, 0.1, [1, 2, 3]), (8, 6, 0.02, [6] * 9), (8, 6, 0.4, [6] * 8 + [12] * 2),
        (2, 1, 0.1, [1]),
    ],
)  # fmt: skip
def test_the_least_of_many_runs_is_what_draws_show(
    outings: int, runs: int, day: float, sizes: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was drawn, and is integrated: within four standard errors of 200,000 draws."""
    monkeypatch.setattr(slow_days, "_DRAWS", 200_000)
    rng = np.random.default_rng(4)
    outing = np.repeat(np.arange(outings), runs)
    y = 5 + day * rng.normal(size=outings)[outing] + 0.1 * rng.normal(size=len(outing))
    x, z, c = np.ones((len(y), 1)), OutingBlocks.by(outing), np.ones(1)
    found = VariancePosterior(x, y, z, Prior(0.1, 0.1)).least_of(c, sizes, 0.05)
    drawn = slow_days.VariancePosterior(x, y, z, Prior(0.1, 0.1))
    off = 4 * math.sqrt(0.05 * 0.95 / 200_000)
    assert drawn.least_of(c, sizes, 0.05 - off) < found < drawn.least_of(c, sizes, 0.05 + off)
