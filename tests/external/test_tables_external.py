"""A drive's tables as others open them: DuckDB and pandas, without this program, with the units from the files.

Sources: the libraries themselves (duckdb, pandas with its own Parquet engine settings) and, for what the numbers should
be, the sentences as pynmea2 reads them.
"""

from __future__ import annotations

import json

import duckdb
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pynmea2
import pytest
import simulate

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.store import capture, drive
from logger.store.told import GPS_COLUMNS

CONFIG_TEXT = """\
[[source]]
name = "gps"
kind = "nmea"

[[source]]
name = "mixture"
kind = "numbers"
  [[source.column]]
  channel = "afr"
  valid_max = 17.0
  description = "air-fuel ratio by mass"
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> drive.Drive:
    rng = np.random.default_rng(3)
    script = [simulate.Stand(4), simulate.Pull(15.0), simulate.Lift(8.0), simulate.Brake(0), simulate.Stand(4)]
    truth = simulate.drive(simulate.WREN, script)
    fixes, sensed = simulate.receive(truth, rng), simulate.sense(truth, simulate.mixture_of(), rng)
    path = tmp_path_factory.mktemp("external") / "drive.jsonl"
    simulate.write_capture(path, simulate.host_chunks(truth, fixes, sensed, rng))
    config = parse(CONFIG_TEXT, RecorderConfig, "recorder.toml")
    return drive.write(path.parent / "store", capture.read(path).raw, config, CONFIG_TEXT)


def sentences(made: drive.Drive, kind: str) -> list[pynmea2.NMEASentence]:
    data = b"".join(data for _, source, data in capture.rows(made.table("raw")) if source == "gps")
    return [pynmea2.parse(line) for line in data.decode().splitlines() if line[3:6] == kind]


def test_duckdb_reads_every_table(made: drive.Drive) -> None:
    for name in ("raw", "gps", "mixture"):
        ((rows,),) = duckdb.sql(f"select count(*) from '{made.path / name}.parquet'").fetchall()
        assert rows == made.table(name).num_rows


def test_duckdb_gives_the_numbers_of_the_sentences(made: drive.Drive) -> None:
    wanted = "epoch_ns(time) as ns, speed_mps, lat_deg, alt_m, satellites"
    found = duckdb.sql(f"select {wanted} from '{made.path}/gps.parquet' order by time").fetchnumpy()
    rmc, gga = sentences(made, "RMC"), sentences(made, "GGA")
    assert len(rmc) == len(found["ns"]) > 100
    assert found["ns"].tolist() == [round(each.datetime.timestamp() * 100) * 10**7 for each in rmc]
    # The knot is 1852 m/h (SI Brochure); VTG says km/h with as many digits, so it may be the finer of the two.
    assert np.allclose(found["speed_mps"], [each.spd_over_grnd * 1852 / 3600 for each in rmc], atol=0.0003)
    assert np.allclose(found["lat_deg"], [each.latitude for each in gga], rtol=0, atol=1e-12)
    assert found["alt_m"].tolist() == [float(each.altitude) for each in gga]
    assert found["satellites"].tolist() == [int(each.num_sats) for each in gga]


def test_duckdb_joins_readings_to_fixes_and_sees_void_as_null(made: drive.Drive) -> None:
    both = f"'{made.path}/mixture.parquet' m asof join '{made.path}/gps.parquet' g on m.time >= g.time"
    ((joined,),) = duckdb.sql(f"select count(*) from {both}").fetchall()
    assert joined > 0.9 * made.table("mixture").num_rows
    voids = duckdb.sql(
        f"select void, count(*) as n, count(afr) as values from '{made.path}/mixture.parquet' group by void order by n"
    ).fetchall()
    assert [void for void, _, _ in voids] == ["range", None]
    assert voids[0][2] == 0 and voids[0][1] > 3
    assert voids[1][1] == voids[1][2]


def test_duckdb_reads_the_units(made: drive.Drive) -> None:
    for name in ("raw", "gps", "mixture"):
        told = duckdb.sql(f"select key, value from parquet_kv_metadata('{made.path}/{name}.parquet')").fetchall()
        metadata = {bytes(key).decode(): bytes(value).decode() for key, value in told if bytes(key) != b"ARROW:schema"}
        assert metadata["schema_version"] == "1"
        assert metadata["table"] == name
        units = json.loads(metadata["units"])
        schema = pq.read_schema(made.path / f"{name}.parquet")
        assert units == {field.name: field.metadata[b"unit"].decode() for field in schema}
    assert json.loads(metadata["units"])["mono_ns"] == "ns"


def test_pandas_reads_every_table(made: drive.Drive) -> None:
    gps = pd.read_parquet(made.path / "gps.parquet")
    assert list(gps.columns) == GPS_COLUMNS
    assert str(gps["time"].dtype) == "datetime64[ns, UTC]"
    assert gps["time"].is_monotonic_increasing
    assert gps["valid"].dtype == bool
    assert gps["speed_mps"].max() == pytest.approx(15, abs=0.5)
    mixture = pd.read_parquet(made.path / "mixture.parquet")
    assert mixture["afr"].isna().sum() == (mixture["void"] == "range").sum() > 3
    raw = pd.read_parquet(made.path / "raw.parquet")
    assert set(raw["source"].unique()) == {"_recorder", "gps", "mixture"}
    assert isinstance(raw["data"].iloc[0], bytes)


def test_pandas_finds_units_in_the_columns_metadata(made: drive.Drive) -> None:
    """Through the Arrow schema that pandas itself reads tables with."""
    fields = {field.name: field.metadata for field in pq.read_schema(made.path / "mixture.parquet")}
    assert fields["afr"][b"description"] == b"air-fuel ratio by mass"
    frame = pd.read_parquet(made.path / "gps.parquet", dtype_backend="pyarrow")
    assert str(frame["speed_mps"].dtype) == "double[pyarrow]"
    assert pq.read_schema(made.path / "gps.parquet").field("speed_mps").metadata[b"unit"] == b"m/s"
