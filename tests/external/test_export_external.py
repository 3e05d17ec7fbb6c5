"""Exports read by others: the GPX 1.1 schema through lxml, gpxpy, geojson, pandas and duckdb."""

from __future__ import annotations

import io
from pathlib import Path

import duckdb
import geojson
import gpxpy
import numpy as np
import pandas as pd
import pytest
from lxml import etree
from made_drives import BASELINE, START, make_drive
from simulate import Brake, Cruise, Pull, Stand

from analysis.drive import AnalysedDrive
from analysis.sharing import privacy, tables
from analysis.sharing.privacy import Rules
from analysis.sharing.tracks import geojson_text, gpx_text, positions
from logger.units import MPS_PER_KMH

SCHEMA = Path(__file__).parent / "data" / "gpx-1.1.xsd"
"""GPX 1.1's own schema as TopoGrafix publishes it (topografix.com/GPX/1/1/gpx.xsd)."""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    setup = BASELINE.model_copy(update={"name": 'a "<b>" & \x0b \u202e name'})
    drive, _ = make_drive(
        folder / "store", [Stand(10), Pull(20.0), Cruise(20.0, 40), Brake(0), Stand(10)],
        setup=setup, notes=[(30.0, "<&>\x08]]>"), (40.0, "=1+1")],
    )  # fmt: skip
    found = AnalysedDrive(drive)
    where = privacy.cut(positions(drive), Rules((), 50.0))
    table = tables.common_base(drive, 10.0, Rules((), 50.0), found.motion, found.table_runs("mph"))
    (folder / "x.csv").write_bytes(tables.csv_text(table, "km/h").encode("utf-8-sig"))
    (folder / "x.parquet").write_bytes(tables.parquet_bytes(table))
    return folder, drive, where, table


def test_the_gpx_is_valid_against_its_schema(made):
    _, drive, where, _ = made
    schema = etree.XMLSchema(etree.parse(str(SCHEMA)))
    text = gpx_text(drive, where)
    schema.assertValid(etree.fromstring(text.encode()))
    # The schema is one that says no.
    assert not schema.validate(
        etree.fromstring(text.replace("<ele>", "<height>").replace("</ele>", "</height>").encode())
    )
    nothing = privacy.cut(positions(drive), Rules((), 1e5))
    schema.assertValid(etree.fromstring(gpx_text(drive, nothing).encode()))


def test_gpxpy_reads_the_gpx(made):
    _, drive, where, _ = made
    read = gpxpy.parse(gpx_text(drive, where))
    points = [point for track in read.tracks for segment in track.segments for point in segment.points]
    shown = np.flatnonzero(~where.hidden)
    assert len(points) == len(shown) > 300 and read.version == "1.1"
    assert np.allclose([p.latitude for p in points], where.lat_deg[shown], atol=1e-7)
    times = np.array([p.time.timestamp() for p in points]) - where.epoch_utc_ns / 1e9
    assert np.allclose(times, where.t_s[shown], atol=1e-3)
    assert abs(points[0].time.timestamp() - START.timestamp()) < 60
    # Its length by gpxpy's own spherical way is the way driven.
    assert read.length_2d() == pytest.approx(where.way_m[shown[-1]] - where.way_m[shown[0]], rel=0.02)
    assert read.waypoints[0].name == "<&>\ufffd]]>"


def test_geojson_is_valid(made):
    _, drive, where, _ = made
    read = geojson.loads(geojson_text(drive, where))
    assert read.is_valid and isinstance(read, geojson.FeatureCollection)
    assert all(feature.is_valid and feature.geometry.is_valid for feature in read.features)


def test_pandas_reads_the_csv(made):
    folder, _, _, table = made
    frame = pd.read_csv(folder / "x.csv", parse_dates=["time [UTC]"])
    assert frame.columns[0] == "time [UTC]" and str(frame["time [UTC]"].dt.tz) == "UTC"
    assert np.allclose(frame["speed [km/h]"] * MPS_PER_KMH, table["speed_mps"].to_numpy(), atol=1e-4, equal_nan=True)
    gone = (frame["time [UTC]"] - pd.to_datetime(table["time"].to_numpy(), utc=True)).abs()
    assert gone.max() <= pd.Timedelta("0.6ms")
    assert frame["note"].dropna().tolist()[1] == "'=1+1"
    assert frame["lat [deg]"].isna().sum() > 100


def test_duckdb_reads_both_alike(made):
    folder, _, _, table = made
    csv = duckdb.sql(f"select * from read_csv('{folder}/x.csv')")
    parquet = duckdb.sql(f"select * from '{folder}/x.parquet'")
    assert csv.columns[0] == "time [UTC]" and parquet.columns == table.column_names
    total = duckdb.sql(f"select sum(\"speed [km/h]\") / 3.6, count(*) from read_csv('{folder}/x.csv')").fetchall()[0]
    same = duckdb.sql(
        f"select sum(speed_mps), count(*) from '{folder}/x.parquet' where not isnan(speed_mps)"
    ).fetchall()[0]
    assert total[0] == pytest.approx(same[0], rel=1e-5)
    assert total[1] == table.num_rows


def test_pandas_reads_the_parquet(made):
    folder, _, _, table = made
    frame = pd.read_parquet(folder / "x.parquet")
    assert frame.shape == (table.num_rows, table.num_columns)
    assert frame["run"].dropna().unique().tolist() == [1]
    again = pd.read_csv(io.StringIO(tables.csv_text(table)))
    assert np.allclose(again["distance [m]"], frame["distance_m"], atol=1e-3, equal_nan=True)
