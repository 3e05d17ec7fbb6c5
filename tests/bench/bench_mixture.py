"""The mixture map of an hour at 100 Hz against the same binning in DuckDB SQL on the same Parquet file.

    python tests/bench/bench_mixture.py

The SQL counts and takes three quantiles by band and by cell, which is what a map is at its barest; ours also works out
an interval for each median from how the readings hang together. The whole map adds masks, lag and regimes.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import simulate
from ratio import compare

from analysis.conditions.roadload import RoadLoad, envelope
from analysis.mixture import delay
from analysis.mixture.delay import Delay, lagged
from analysis.mixture.engine_load import GRID_S, Driving
from analysis.mixture.map import mixture_map
from analysis.mixture.masks import Readings
from analysis.mixture.medians import statistics
from logger.config.targets import TargetsConfig

BAND_MPS = 4.4704
EDGES = [0.0, 0.15, 0.35, 0.6, 0.85, 1.0]
DELAY = Delay(0.4, 0.2, told_apart=True)

SQL = """
select floor(speed / {band})::int as band, {cell}, count(*), sum(seconds), quantile_cont(afr, [0.1, 0.5, 0.9])
from read_parquet('{file}') where speed >= 0.6 group by all
"""


def hour() -> tuple[Driving, Readings]:
    """An hour's state on the grid, as a perfect receiver would give it, and readings at 100 Hz."""
    rng = np.random.default_rng(1)
    script: list[simulate.Phase] = [simulate.Stand(10)]
    for mps in rng.uniform(8, 22, 110):
        script += [simulate.Pull(float(mps)), simulate.Cruise(float(mps), 30.0), simulate.Lift(6.0)]
    truth = simulate.drive(simulate.WREN, script, dt=0.05)
    grid = np.arange(0.0, 3600.0, GRID_S)
    speed, push = np.interp(grid, truth.t_s, truth.v_mps), np.interp(grid, truth.t_s, truth.wheel_n) / 392
    most = envelope(grid, speed, push)
    assert most is not None
    brake = np.interp(grid, truth.t_s, truth.throttle) <= 0
    load = np.where(brake, -0.4, push)
    road = RoadLoad(0.14, 0.0, 0.0009, 0.04, "truth")
    fixes = np.arange(0.0, 3600.0, 0.1)
    state = Driving(
        grid, speed, load, most.share(speed, load), np.full(len(grid), 0.03), most, road,
        fix_time_s=fixes, fix_mps=np.interp(fixes, grid, speed) + rng.normal(0, 0.05, len(fixes)), fix_sigma_mps=0.05,
    )  # fmt: skip
    t, afr = simulate.sense(truth, simulate.mixture_of(), rng, rate_hz=100.0, decimals=None)
    keep = t < 3600
    return state, Readings(t[keep], afr[keep])


def ours(file: Path) -> None:
    table = pq.read_table(file)
    speed, share, afr, seconds, time = (table[name].to_numpy() for name in ("speed", "share", "afr", "seconds", "time"))
    kept = np.flatnonzero(speed >= 0.6)
    band = (speed[kept] / BAND_MPS).astype(np.intp)
    column = np.clip(np.searchsorted(EDGES, share[kept], side="right") - 1, 0, len(EDGES) - 2)
    rows = int(band.max()) + 1
    statistics(band, rows, time[kept], afr[kept], seconds[kept])
    statistics(band * (len(EDGES) - 1) + column, rows * (len(EDGES) - 1), time[kept], afr[kept], seconds[kept])


def sql(file: Path) -> None:
    cases = " ".join(f"when share < {edge} then {k}" for k, edge in enumerate(EDGES[1:-1]))
    columns = f"case {cases} else {len(EDGES) - 2} end as load"
    for cell in ("0 as load", columns):
        duckdb.sql(SQL.format(band=BAND_MPS, cell=cell, file=file)).fetchall()


if __name__ == "__main__":
    state, readings = hour()
    t = readings.time_s
    seen = {
        "speed": np.interp(t - DELAY.delay_s, state.time_s, lagged(state.speed_mps, DELAY.lag_s)),
        "share": np.interp(t - DELAY.delay_s, state.time_s, lagged(state.share, DELAY.lag_s)),
    }
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "hour.parquet"
        pq.write_table(pa.table({"time": t, "afr": readings.value, "seconds": np.full(len(t), 0.01), **seen}), file)
        print(f"an hour: {len(t)} readings")
        baseline = "the same bands and cells in DuckDB SQL on the same Parquet file"
        compare("bands and cells, with intervals", lambda: ours(file), baseline, lambda: sql(file))
        compare(
            "the whole map", lambda: mixture_map(readings, state, DELAY, TargetsConfig(), "air"), baseline,
            lambda: sql(file),
        )  # fmt: skip
        compare(
            "estimating delay and lag",
            lambda: delay.estimate(t, readings.value, state),
            baseline,
            lambda: sql(file),
            3,
        )
