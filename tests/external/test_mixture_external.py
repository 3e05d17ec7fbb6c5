"""The map's order statistics against other programs, and the tractive load against closed forms of motion."""

from __future__ import annotations

import math
import statistics as python_statistics
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from scipy import stats

from analysis.conditions.roadload import RoadLoad, tractive_acceleration
from analysis.mixture.medians import statistics


@pytest.fixture(scope="module")
def readings() -> pd.DataFrame:
    """Readings in eight cells, with values that hardly ever tie."""
    rng = np.random.default_rng(1)
    n = 6000
    cell = np.repeat(rng.integers(0, 8, n // 20), 20)
    return pd.DataFrame({"cell": cell, "time": np.arange(n) * 0.1, "afr": 12 + 0.2 * cell + rng.normal(0, 0.3, n)})


def test_quantiles_by_cell_as_numpy_pandas_and_duckdb_have_them(readings: pd.DataFrame, tmp_path: Path) -> None:
    # numpy's default and pandas' are Hyndman and Fan's type 7, as is DuckDB's quantile_cont.
    found = statistics(readings["cell"], 8, readings["time"], readings["afr"], np.full(len(readings), 0.1))
    grouped = readings.groupby("cell")["afr"]
    for name, p in (("p10", 0.1), ("median", 0.5), ("p90", 0.9)):
        ours = getattr(found, name)
        assert ours == pytest.approx([np.quantile(readings["afr"][readings["cell"] == k], p) for k in range(8)])
        assert ours == pytest.approx(grouped.quantile(p).to_numpy())
    file = tmp_path / "readings.parquet"
    pq.write_table(pa.Table.from_pandas(readings), file)
    rows = duckdb.sql(
        f"select cell, count(*), quantile_cont(afr, [0.1, 0.5, 0.9]) from '{file}' group by cell order by cell"
    ).fetchall()
    assert [row[1] for row in rows] == list(found.readings)
    for k, row in enumerate(rows):
        assert row[2] == pytest.approx([found.p10[k], found.median[k], found.p90[k]])


@pytest.mark.parametrize("step", [0.1, 0.5])
def test_the_median_of_readings_in_steps_is_pythons_grouped_median(step: float) -> None:
    rng = np.random.default_rng(2)
    for n in (9, 50, 401):
        x = np.round(rng.normal(12.6, 0.3, n) / step) * step
        found = statistics(np.zeros(n, dtype=int), 1, np.arange(n) * 0.1, x, np.full(n, 0.1))
        # Where the middle falls between two steps the two differ in how they meet there, by a thirtieth of a step.
        assert found.median[0] == pytest.approx(python_statistics.median_grouped(x, interval=step), abs=step / 30)


def test_independent_readings_give_the_textbook_interval() -> None:
    """For independent readings the interval is that of the order statistics: binomial (scipy.stats.quantile_test)."""
    rng = np.random.default_rng(3)
    ratios = []
    for _ in range(40):
        x = rng.normal(0, 1, 3000)
        found = statistics(np.arange(3000) // 300, 10, np.arange(3000) * 1.0, x, np.ones(3000))
        exact = [stats.quantile_test(x[300 * k : 300 * k + 300], p=0.5).confidence_interval(0.95) for k in range(10)]
        ratios.append((found.high - found.low).mean() / np.mean([e.high - e.low for e in exact]))
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.12)


def test_serial_correlation_widens_as_the_textbook_says() -> None:
    """AR(1) readings of correlation r have a mean as well known as n (1 - r) / (1 + r) independent ones (any text on
    time series, such as Wilks, Statistical Methods in the Atmospheric Sciences, section 5.2.4); a median likewise, with
    the correlation of the signs (2 / pi) asin r in the place of r."""
    rng = np.random.default_rng(4)
    r, n, cells = 0.9, 4000, 12
    lags = np.arange(1, 400)
    inflation = 1 + 2 * np.sum(2 / math.pi * np.arcsin(r**lags))
    expected = math.sqrt(math.pi / 2 / n * inflation)
    from scipy.signal import lfilter

    found = []
    for _ in range(6):
        x = lfilter([math.sqrt(1 - r * r)], [1, -r], rng.normal(0, 1, n * cells))
        one = statistics(np.arange(n * cells) // n, cells, np.arange(n * cells) * 0.1, x, np.full(n * cells, 0.1))
        found.append(float(np.mean(one.sigma)))
    assert np.mean(found) == pytest.approx(expected, rel=0.15)


@pytest.mark.parametrize(("mass", "a", "c"), [(100, 0.0, 0.0224), (200, 8.69, 0.0252), (340, 20.92, 0.0290)])
def test_a_coasting_car_pushes_with_nothing(mass: float, a: float, c: float) -> None:
    """40 CFR 86.529-98, figure F98-9: A in N, C in N/(km/h)^2; coasting from 70 to 60 km/h under these forces the
    tractive load is zero throughout. v(t) by the closed form of G. D. Thompson (US EPA)."""
    per_mps = c * 3.6**2
    t = np.linspace(0, 3, 200)
    v0 = 70 / 3.6
    if a > 0:
        speed = math.sqrt(a / per_mps) * np.tan(
            math.atan(v0 * math.sqrt(per_mps / a)) - t * math.sqrt(a * per_mps) / mass
        )
    else:
        speed = v0 / (1 + per_mps * v0 * t / mass)
    rate = np.gradient(speed, t)
    road = RoadLoad(a / mass, 0.0, per_mps / mass, 0.0, "40 CFR 86.529-98")
    assert tractive_acceleration(speed, rate, road)[2:-2] == pytest.approx(0.0, abs=2e-4)


def test_constant_force_with_drag() -> None:
    # v = vt tanh(t F / (m vt)), vt = sqrt(F / C): the tractive load is F / m throughout.
    mass, force, drag = 690.0, 1050.0, 1.73
    t = np.linspace(0.5, 20, 2000)
    top = math.sqrt(force / drag)
    speed = top * np.tanh(t * force / (mass * top))
    rate = force / mass * (1 - (speed / top) ** 2)
    road = RoadLoad(0.0, 0.0, drag / mass, 0.0, "")
    assert tractive_acceleration(speed, rate, road) == pytest.approx(force / mass, rel=1e-9)
