"""The table of docs/performance.md, made by running every row: what it costs beside a named baseline, in one run.

    PYTHONPATH=.:tests:tests/bench:sample_logs python tests/bench/table.py --stores DIR [--only WORD]... [--write]

Processor time, user and system, of whole processes as an owner starts them; the most memory of the process. `first` is
the first time that a drive is looked at (nothing is kept beside it), `after` any later time. With BENCH_CODE=FOLDER the
verbs run from another copy of the program: that is how a `before` is measured.
"""

from __future__ import annotations

import argparse
import itertools
import json
import shutil
import statistics
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import hour
import numpy as np
import stores
from ratio import ROOT, pullbook, run

from analysis import kept
from logger.store import capture

BARE_TYPER = """
import typer
app = typer.Typer()
@app.command()
def one() -> None:
    "One."
@app.command()
def two() -> None:
    "Two."
app()
"""
NUMPY_PANDAS = "import numpy, pandas"
SCRIPT = """
import json, sys
import pyarrow as pa, pyarrow.parquet as pq, pynmea2
fixes, numbers = [], {}
for line in open(sys.argv[1]):
    row = json.loads(line)
    if row.get("source") == "gps":
        said = pynmea2.parse(row["text"])
        if said.sentence_type == "RMC":
            fixes.append((row["t"], said.latitude, said.longitude, said.spd_over_grnd, said.true_course))
        elif said.sentence_type == "GGA":
            fixes.append((row["t"], said.latitude, said.longitude, said.altitude, said.horizontal_dil))
    elif "text" in row and row["source"] != "_recorder":
        numbers.setdefault(row["source"], []).append((row["t"], float(row["text"].split(",")[0])))
for name, rows in {"gps": fixes, **numbers}.items():
    columns = [pa.array(list(map(float, map(str, each)))) if name != "gps" else pa.array(list(map(str, each)))
               for each in zip(*rows)]
    pq.write_table(pa.table(columns, names=[f"c{k}" for k in range(len(columns))]), sys.argv[2] + "/" + name)
"""
DUCKDB = """
import sys, duckdb
for cell in ("0", "floor(afr)::int"):
    duckdb.sql("select floor(row / 4000)::int as band, " + cell + " as load, count(*), "
               "quantile_cont(afr, [0.1, 0.5, 0.9]) from (select afr, row_number() over () as row from "
               "read_parquet('" + sys.argv[1] + "')) group by all").fetchall()
"""


@dataclass(frozen=True)
class Row:
    """What was measured: ours and the baseline's processor time [s], and the memory of ours [MB]."""

    what: str
    baseline: str
    ours_s: float
    baseline_s: float
    memory_mb: float
    must: str

    def line(self) -> str:
        ratio = f"{self.ours_s / self.baseline_s:.2f}x" if self.baseline_s else "-"
        base = f"{self.baseline}, {self.baseline_s:.2f} s" if self.baseline_s else self.baseline
        return f"| {self.what} | {base} | {ratio}, {self.ours_s:.2f} s, {self.memory_mb:.0f} MB | {self.must} |"


Measure = Callable[[], tuple[float, float]]
MOST = [7]
"""Each row is measured so often at most: `--most`."""


def best(ours: Measure, baseline: Measure | None, times: int = 3) -> tuple[float, float, float]:
    """Medians of both, in turn, after one run of each that warms the disk; and the memory of ours."""
    mine, theirs, memory = [], [0.0], 0.0
    for _ in range(min(times, *MOST)):
        cost, memory = ours()
        mine.append(cost)
        if baseline is not None:
            theirs.append(baseline()[0])
    return statistics.median(mine), statistics.median(theirs[1:] or theirs), memory


def forgotten(store: Path) -> Path:
    shutil.rmtree(store / kept.FOLDER, ignore_errors=True)
    return store


# --- the rows -------------------------------------------------------------------------------------------------------


def starting(folder: Path) -> Iterator[Row]:
    bare = "a bare typer program"
    run(["-c", BARE_TYPER, "--help"]), pullbook("--help")
    yield Row("--help", bare, *best(lambda: pullbook("--help"), lambda: run(["-c", BARE_TYPER, "--help"]), 7), "1.25x")
    yield Row(
        "status", bare,
        *best(lambda: pullbook("status", "--store", folder), lambda: run(["-c", BARE_TYPER, "--help"]), 7), "1.4x",
    )  # fmt: skip


def importing(folder: Path) -> Iterator[Row]:
    file = folder / "hour.jsonl"
    if not file.exists():
        capture.write(file, hour.raw())
    config = folder / "hour.toml"
    config.write_text(hour.CONFIG_TEXT, encoding="utf-8")
    out = Path(tempfile.mkdtemp(dir=folder))

    def ours() -> tuple[float, float]:
        shutil.rmtree(out, ignore_errors=True)
        return pullbook("import", file, "--config", config, "--store", out)

    def script() -> tuple[float, float]:
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir()
        return run(["-c", SCRIPT, file, out])

    yield Row(
        "import, an hour of five sentences at 10 Hz, mixture at 50 Hz", "a script of json, pynmea2 and Parquet",
        *best(ours, script, 2), "0.35x, 250 MB",
    )  # fmt: skip
    shutil.rmtree(out, ignore_errors=True)


def mixture(folder: Path) -> Iterator[Row]:
    rng = np.random.default_rng(1)
    store = stores.long_drive(folder, "hour-mixture", stores.hour_of(rng, 40), mixture_hz=100.0)
    table = next(store.glob("*/mixture.parquet"))
    base: Measure = lambda: run(["-c", DUCKDB, table])  # noqa: E731
    name = "a DuckDB script, two groupings"
    yield Row("mixture, an hour at 100 Hz, first", name,
              *best(lambda: pullbook("mixture", "--store", forgotten(store)), base, 2), "6x")  # fmt: skip
    yield Row("mixture, the same, after", name, *best(lambda: pullbook("mixture", "--store", store), base), "2x")


def runs(folder: Path) -> Iterator[Row]:
    rng = np.random.default_rng(2)
    store = stores.long_drive(folder, "hour-runs", stores.hour_of(rng, 55), rate_hz=25.0)
    base: Measure = lambda: run(["-c", NUMPY_PANDAS])  # noqa: E731
    yield Row("runs, an hour at 25 Hz, 55 pulls, first", NUMPY_PANDAS,
              *best(lambda: pullbook("runs", "--store", forgotten(store)), base, 2), "3x")  # fmt: skip
    yield Row("runs, the same, after", NUMPY_PANDAS, *best(lambda: pullbook("runs", "--store", store), base, 5), "1.2x")
    short = stores.long_drive(folder, "short", stores.pulls(3))
    pullbook("runs", "--store", short)
    yield Row("runs last, a short drive, after", NUMPY_PANDAS,
              *best(lambda: pullbook("runs", "--store", short), base, 7), "1.2x")  # fmt: skip


def report(folder: Path) -> Iterator[Row]:
    rng = np.random.default_rng(3)
    store = stores.long_drive(folder, "three-hours", stores.hour_of(rng, 60, traffic_s=110.0))
    page = folder / "page.html"
    ask = ("report", "--force", "--out", page, "--store")
    yield Row("report, 3 h with 60 runs, first", "-",
              *best(lambda: pullbook(*ask, forgotten(store)), None, 1), "5 s")  # fmt: skip
    yield Row("report, the same, after", "-", *best(lambda: pullbook(*ask, store), None, 2), "1.5 s")


def seasons(folder: Path) -> Iterator[Row]:
    small = stores.season(folder, 100)
    base: Measure = lambda: pullbook("season", "--store", small)  # noqa: E731
    pullbook("season", "--store", small)
    for verb, ask in (("compare", ("baseline", "setup 1")), ("plan", ())):
        yield Row(f"{verb}, 100 drives (600 runs)", "season, the same store",
                  *best(lambda verb=verb, ask=ask: pullbook(verb, *ask, "--store", small), base), "1 s")  # fmt: skip


def thousand(folder: Path) -> Iterator[Row]:
    large = stores.season(folder, 1000)
    pullbook("season", "--store", large)
    yield Row(
        "season, 1,000 drives, after", "-", *best(lambda: pullbook("season", "--store", large), None), "1 s, 300 MB"
    )
    yield Row("compare, 1,000 drives, after", "-",
              *best(lambda: pullbook("compare", "baseline", "setup 1", "--store", large), None), "2 s")  # fmt: skip


ROWS: dict[str, Callable[[Path], Iterator[Row]]] = {
    "starting": starting, "importing": importing, "mixture": mixture, "runs": runs, "report": report,
    "seasons": seasons, "thousand": thousand,
}  # fmt: skip


HEAD = "| what | baseline | measured | must be |\n| --- | --- | --- | --- |\n"
BEGIN, END = "<!-- table: made by tests/bench/table.py -->\n", "<!-- end of the table -->\n"


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the rows of docs/performance.md.")
    parser.add_argument("--stores", type=Path, required=True, help="where the stores are made and kept")
    parser.add_argument("--only", action="append", choices=list(ROWS), help="these rows alone")
    parser.add_argument("--most", type=int, default=MOST[0], help="measure each row no more often")
    parser.add_argument("--held", action="store_true", help="measure nothing: take what was measured before")
    parser.add_argument("--write", action="store_true", help="write the table into docs/performance.md")
    asked = parser.parse_args()
    MOST[:] = [asked.most]
    asked.stores.mkdir(parents=True, exist_ok=True)
    page, held = ROOT / "docs" / "performance.md", asked.stores / "measured.json"
    found: dict[str, list[str]] = json.loads(held.read_text()) if held.exists() else {}
    for name in () if asked.held else asked.only or ROWS:
        found[name] = []
        for row in ROWS[name](asked.stores):
            print(row.line(), flush=True)
            found[name].append(row.line())
        held.write_text(json.dumps(found))
    if asked.write:
        text = page.read_text(encoding="utf-8")
        lines = "\n".join(itertools.chain.from_iterable(found.get(name, []) for name in ROWS))
        before, after = text.split(BEGIN)[0], text.split(END)[1]
        stamp = f"\nMeasured on {date.today().isoformat()}.\n"
        page.write_text(f"{before}{BEGIN}{HEAD}{lines}\n{stamp}{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
