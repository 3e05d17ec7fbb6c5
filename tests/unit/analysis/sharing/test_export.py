"""Exports: one time base, and files that read back as what was written."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyarrow as pa
import pytest
from airfield import Road
from made_drives import BASELINE, RIG, START, make_drive
from simulate import (
    Brake,
    Cruise,
    Pull,
    Stand,
)
from typer.testing import CliRunner

from analysis.cli import sharing
from analysis.drive import AnalysedDrive
from analysis.sharing import privacy, tables
from analysis.sharing.privacy import Positions, Rules
from analysis.sharing.tables import common_base, csv_text
from analysis.sharing.tracks import geojson_text, gpx_text, positions, stretches, thinned
from logger.errors import InputError
from logger.units import MPS_PER_MPH

SHOW_ALL = Rules((), 0.0)
SCRIPT = [Stand(10), Pull(20.0), Cruise(20.0, 40), Brake(0), Stand(10)]
HOSTILE = "=cmd|' /C calc'!A0, \"quoted\", <b>&amp;</b> \u202egnp"


@pytest.fixture(scope="module")
def driven(tmp_path_factory):
    store = tmp_path_factory.mktemp("store")
    setup = BASELINE.model_copy(update={"name": '<script>alert("x")</script>'})
    notes = [(30.0, HOSTILE), (30.02, "second"), (31.0, "-1+2"), (40.0, "Größe: 3 \u2265 2")]
    drive, truth = make_drive(store, SCRIPT, setup=setup, notes=notes)
    return store, drive, truth, AnalysedDrive(drive)


def base(driven, rate_hz: float, rules: Rules = SHOW_ALL) -> pa.Table:
    _, drive, _, found = driven
    return common_base(drive, rate_hz, rules, found.motion, found.table_runs("mph"))


@pytest.mark.parametrize("rate", [1.0, 10.0, 25.0, 60.0])
def test_every_column_lies_on_the_one_base_and_near_the_truth(driven, rate):
    _, drive, truth, _ = driven
    table = base(driven, rate)
    ns = table["time"].cast("int64").to_numpy()
    assert np.abs(np.diff(ns) - 1e9 / rate).max() <= 1
    assert np.abs(ns % round(1e9 / rate) * (rate <= 25)).max() <= 1  # whole steps of UTC
    assert table.num_rows == pytest.approx(drive.manifest.duration_s * rate, abs=2 + rate)
    t = ns / 1e9 - START.timestamp()
    speed = table["speed_mps"].to_numpy()
    good = np.isfinite(speed)
    assert good.mean() > 0.95
    assert np.sqrt(np.mean((speed[good] - truth.at(t[good])) ** 2)) < 0.06
    way = table["distance_m"].to_numpy()
    inside = good & (t > 5)
    assert np.abs(way[inside] - np.interp(t[inside], truth.t_s, truth.s_m)).max() < 2.0
    lat = table["lat_deg"].to_numpy()
    placed = np.isfinite(lat)
    assert np.abs(lat[placed] - np.interp(t[placed], truth.t_s, truth.lat_deg)).max() < 1e-4
    afr = table["afr"].to_numpy()
    cruise = (t > 35) & (t < 55) & np.isfinite(afr)
    assert 12 < np.median(afr[cruise]) < 15 and cruise.sum() > 15 * rate


def test_columns_say_their_unit(driven):
    table = base(driven, 5.0)
    units = {field.name: field.metadata[b"unit"].decode() for field in table.schema}
    assert units == {
        "time": "", "time_s": "s", "speed_mps": "m/s", "speed_sigma_mps": "m/s", "accel_mps2": "m/s^2",
        "distance_m": "m", "lat_deg": "deg", "lon_deg": "deg", "alt_m": "m", "course_deg": "deg", "run": "",
        "run_time_s": "s", "afr": "", "lambda": "", "note": "",
    }  # fmt: skip
    assert table.schema.metadata[b"positions"] == b"cut: no ends and 0 private circles"


def test_a_run_counts_from_one_foot(driven):
    _, _, truth, found = driven
    table = base(driven, 100.0)
    elapsed = table["run_time_s"].to_numpy()
    t = table["time"].cast("int64").to_numpy() / 1e9 - START.timestamp()
    foot = float(np.interp(0.3048, truth.s_m, truth.t_s))
    inside = np.isfinite(elapsed)
    assert set(table["run"].to_pylist()) == {None, 1} and len(found.table_runs("mph")) == 1
    assert np.abs(t[inside] - elapsed[inside] - foot).max() < 1 / 30
    assert elapsed[inside].min() < 0  # between first movement and one foot


def test_a_channel_faster_than_the_base_is_averaged_and_a_slower_one_is_read_between(driven):
    _, drive, _, _ = driven
    mixture = drive.table("mixture")
    ns = mixture["time"].cast("int64").to_numpy()
    slow, fast = base(driven, 1.0), base(driven, 40.0)
    at = slow["time"].cast("int64").to_numpy()
    raw = mixture["afr"].to_numpy()
    for row in range(10, 40, 7):
        near = np.abs(ns - at[row]) < 0.5e9
        assert slow["afr"][row].as_py() == pytest.approx(raw[near].mean(), abs=1e-9)
    at = fast["time"].cast("int64").to_numpy()
    values = fast["afr"].to_numpy()
    row = np.arange(400, 800)
    assert np.allclose(values[row], np.interp(at[row], ns, raw), atol=1e-6)


def test_nothing_bridges_a_pause():
    t = np.array([0.0, 0.1, 0.2, 5.0, 5.1, 5.2])
    y = np.arange(6.0)
    at = np.array([-0.1, 0.0, 0.15, 0.2, 0.3, 2.0, 4.9, 5.0, 5.15, 5.3])
    got = tables._between(t, y, at)
    assert np.array_equal(np.isfinite(got), [False, True, True, True, False, False, False, True, True, False])
    assert got[2] == pytest.approx(1.5) and got[8] == pytest.approx(4.5)
    y[1] = np.nan
    assert np.isnan(tables._between(t, y, np.array([0.05, 0.15]))).all()


def test_csv_reads_back(driven):
    table = base(driven, 10.0)
    rows = list(csv.DictReader(io.StringIO(csv_text(table, "mph"))))
    assert list(rows[0])[:3] == ["time [UTC]", "time [s]", "speed [mph]"]
    assert "accel [m/s^2]" in rows[0] and "afr" in rows[0]
    speed = table["speed_mps"].to_numpy()
    back = np.array([float(row["speed [mph]"] or "nan") * MPS_PER_MPH for row in rows])
    assert np.allclose(back, speed, atol=1e-4, equal_nan=True)
    for name, heading, slack in (("lat_deg", "lat [deg]", 1e-7), ("distance_m", "distance [m]", 1e-3)):
        values = table[name].to_numpy()
        assert np.allclose([float(row[heading] or "nan") for row in rows], values, atol=slack, equal_nan=True)
    stamps = [row["time [UTC]"] for row in rows]
    assert stamps == sorted(stamps) and stamps[0].startswith("2026-05-02T09:14:3") and stamps[0].endswith("Z")


def test_no_cell_is_a_formula(driven):
    """OWASP, "CSV Injection": no cell may begin with = + - @, a tab or a carriage return, numbers apart."""
    text = csv_text(base(driven, 10.0), "mph")
    cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
    notes = [row["note"] for row in csv.DictReader(io.StringIO(text)) if row["note"]]
    assert notes == [f"'{HOSTILE}; second", "'-1+2", "Größe: 3 \u2265 2"]
    for cell in cells:
        if cell[:1] in ("=", "+", "-", "@", "\t", "\r"):
            float(cell)
    for trick in ("=1", "+1", "-1", "@a", "\t=1", "\r=1", "  =1", "\u00a0=1", "\uff1d1", "\u200b=1", "\uff0b1"):
        assert tables._no_formula(trick) == f"'{trick}"
    for plain in ("a=1", "1.1 mm", "", "snorkel - long"):
        assert tables._no_formula(plain) == plain


GPX = {"g": "http://www.topografix.com/GPX/1/1", "pb": "urn:pullbook:track:1"}


def test_gpx_reads_back(driven):
    _, drive, _, _ = driven
    where = privacy.cut(positions(drive), SHOW_ALL)
    root = ElementTree.fromstring(gpx_text(drive, where))
    points = root.findall("g:trk/g:trkseg/g:trkpt", GPX)
    assert len(points) == len(where.t_s)
    assert np.allclose([float(p.get("lat")) for p in points], where.lat_deg, atol=1e-7)
    assert np.allclose([float(p.find("g:ele", GPX).text) for p in points], where.alt_m, atol=0.01)
    speeds = [float(p.find("g:extensions/pb:speed_mps", GPX).text) for p in points]
    assert np.allclose(speeds, where.speed_mps, atol=1e-3)
    assert root.find("g:trk/g:desc", GPX).text == 'setup: <script>alert("x")</script>'
    assert [p.find("g:name", GPX).text for p in root.findall("g:wpt", GPX)] == [
        HOSTILE, "second", "-1+2", "Größe: 3 \u2265 2",
    ]  # fmt: skip


def test_geojson_reads_back(driven):
    _, drive, _, _ = driven
    where = thinned(privacy.cut(positions(drive), SHOW_ALL), 2.0)
    answer = json.loads(geojson_text(drive, where))
    lines = [f for f in answer["features"] if f["geometry"]["type"] == "LineString"]
    assert len(lines) == 1
    line, about = lines[0]["geometry"]["coordinates"], lines[0]["properties"]
    assert len(line) == len(about["time_s"]) == len(about["speed_mps"]) == len(where.t_s)
    # RFC 7946, 4: longitude first, height above the ellipsoid; the simulated geoid lies 46.2 m above that.
    assert line[0][:2] == [round(where.lon_deg[0], 7), round(where.lat_deg[0], 7)]
    assert line[0][2] == pytest.approx(where.alt_m[0] + 46.2, abs=0.01)
    assert answer["features"][1]["properties"]["note"] == HOSTILE


def track(lon: list[float], lat: list[float] | None = None, t: list[float] | None = None) -> Positions:
    n = len(lon)
    x = np.full(n, np.nan)
    return Positions(
        np.arange(n, dtype=float) if t is None else np.array(t), np.zeros(n) if lat is None else np.array(lat),
        np.array(lon), x, x, x, np.arange(n) * 100.0, np.full(n, 20.0), np.zeros(n, bool), 0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("lon", "side"), [([179.998, 179.999, -179.999, -179.998], 180.0), ([-179.999, 179.999], -180.0)]
)
def test_a_line_is_cut_at_the_180th_meridian(driven, lon, side):
    """RFC 7946, 3.1.9."""
    lines = [f["geometry"]["coordinates"] for f in json.loads(geojson_text(driven[1], track(lon)))["features"]]
    lines = [line for line in lines if isinstance(line[0], list)]
    assert len(lines) == 2
    assert lines[0][-1] == [side, 0.0] and lines[1][0] == [-side, 0.0]
    assert all(abs(a[0] - b[0]) < 1 for line in lines for a, b in pairwise(line))


def test_a_pause_and_a_hidden_place_break_the_line():
    where = track([0.0] * 8, t=[0, 1, 2, 3, 30, 31, 32, 33])
    assert [list(s) for s in stretches(where)] == [[0, 1, 2, 3], [4, 5, 6, 7]]
    hidden = replace(where, lat_deg=np.where(np.arange(8) == 6, np.nan, 0.0), hidden=np.arange(8) == 6)
    assert [list(s) for s in stretches(hidden)] == [[0, 1, 2, 3], [4, 5], [7]]
    assert [list(s) for s in stretches(thinned(hidden, 0.5))] == [[0, 1], [2]]
    assert list(stretches(replace(where, lat_deg=np.full(8, np.nan)))) == []


def test_the_same_drive_gives_the_same_bytes(driven):
    _, drive, _, _ = driven
    where = privacy.cut(positions(drive), SHOW_ALL)
    for make in (
        lambda: csv_text(base(driven, 10.0)).encode(), lambda: tables.parquet_bytes(base(driven, 10.0)),
        lambda: gpx_text(drive, where).encode(), lambda: geojson_text(drive, where).encode(),
    ):  # fmt: skip
        assert make() == make()


def test_a_drive_without_gps_exports_its_channels(tmp_path):
    rig = RIG.replace('name = "gps"', 'name = "other"')
    drive, _ = make_drive(tmp_path, [Stand(5), Pull(10.0)], rig=rig)
    table = common_base(drive, 10.0, SHOW_ALL)
    assert "speed_mps" not in table.column_names and table["afr"].null_count < table.num_rows / 2
    with pytest.raises(InputError, match="no GPS receiver"):
        positions(replace_kinds(drive))


def replace_kinds(drive):
    drive.config = drive.config.model_copy(update={"source": [s for s in drive.config.source if s.kind != "nmea"]})
    return drive


@pytest.mark.parametrize("rate", [0.0, -1.0, 1e4, float("nan"), float("inf")])
def test_a_rate_that_is_none_is_refused(driven, rate):
    with pytest.raises(InputError, match="rate"):
        base(driven, rate)


def test_the_verb_writes_once_and_never_into_a_drive(driven, tmp_path):
    store, drive, _, _ = driven
    run = CliRunner()

    def pullbook(*arguments: str):
        return run.invoke(sharing.app, ["export", drive.id, "--store", str(store), *arguments])

    for name in ("a.csv", "a.parquet", "a.gpx", "a.geojson"):
        done = pullbook("--out", str(tmp_path / name), "--ends", "0m", "--json")
        assert done.exit_code == 0, done.output
        assert json.loads(done.stdout)["private"]["ends_m"] == 0
        assert (tmp_path / name).stat().st_size > 1000
    assert (tmp_path / "a.csv").read_bytes().startswith(b"\xef\xbb\xbftime [UTC],")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv", "a.geojson", "a.gpx", "a.parquet"]
    before = (tmp_path / "a.csv").read_bytes()
    for arguments, said in (
        (["--out", str(tmp_path / "a.csv")], "exists already"),
        (["--out", str(drive.path / "raw.parquet"), "--force"], "inside a drive"),
        (["--out", str(tmp_path / "a.xyz")], "csv, parquet, gpx or geojson"),
        (["--out", str(tmp_path / "b.csv"), "--rate", "0"], "--rate"),
        (["--out", str(tmp_path / "b.csv"), "--units", "knots"], "--units"),
        (["--out", str(tmp_path / "b.csv"), "--ends", "5"], "no unit"),
    ):
        done = pullbook(*arguments)
        assert done.exit_code != 0 and isinstance(done.exception, InputError) and said in str(done.exception)
    assert (tmp_path / "a.csv").read_bytes() == before
    assert pullbook("--out", str(tmp_path / "a.csv"), "--force").exit_code == 0


def test_a_long_road_keeps_its_shape(tmp_path):
    """Thinned to a point a second, the line is still within a few metres of the road."""
    drive, truth = make_drive(
        tmp_path, [Stand(3), Pull(20.0), Cruise(20.0, 60)], road=Road(radius_m=120, straight_m=300)
    )
    where = thinned(positions(drive), 1.0)
    assert len(where.t_s) == pytest.approx(drive.manifest.duration_s, abs=3)
    off = np.abs(where.lat_deg - np.interp(where.t_s + 0.05, truth.t_s, truth.lat_deg)) * 111_200
    assert off.max() < 15
    assert Path(drive.path).exists()
