"""What is cut from whatever leaves the program."""

from __future__ import annotations

import json
import re

import numpy as np
import pytest
from airfield import Road
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from made_drives import RIG, make_drive
from simulate import (
    Brake,
    Cruise,
    Pull,
    Stand,
)

from analysis.motion.geodesy import distance_m
from analysis.sharing import privacy, tables
from analysis.sharing.privacy import Rules, hidden
from analysis.sharing.tracks import geojson_text, gpx_text, positions
from logger.config.reading import parse
from logger.config.recorder import PrivateCircle, RecorderConfig
from logger.errors import ConfigError, InputError

LOOP = Road(straight_m=1500.0, radius_m=200.0)
SCRIPT = [Stand(30), Pull(15.0), Cruise(15.0, 130), Brake(0), Stand(30)]


def geodesic_m(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """WGS 84 geodesic by geographiclib (Karney 2013)."""
    return float(Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2)["s12"])


@settings(max_examples=300, deadline=None)
@given(st.floats(-89.9, 89.9), st.floats(-180, 180), st.floats(1, 100_000), st.floats(0, 360))
def test_a_circle_cuts_all_that_lies_in_it_anywhere_on_earth(lat, lon, radius, azimuth):
    """The way to a circle's centre is never taken for longer than the geodesic, nor for more than 1.1 % shorter."""
    end = Geodesic.WGS84.Direct(lat, lon, azimuth, radius)
    way = float(distance_m(end["lat2"], end["lon2"], lat, lon))
    assert way <= radius * (1 + 1e-9) + 1e-3
    assert way >= radius * 0.989 - 1e-3
    circle = PrivateCircle(lat_deg=lat, lon_deg=lon, radius_m=radius)
    inner = Geodesic.WGS84.Direct(lat, lon, azimuth, radius * 0.9999)
    assert privacy.in_circles(np.array([inner["lat2"]]), np.array([inner["lon2"]]), [circle]).all()


def line_of(n: int, step_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A straight way north."""
    return 53.4 + np.arange(n) * step_m / 111_200, np.full(n, -0.4), np.arange(n) * step_m


def test_the_first_and_last_300_m_are_cut():
    lat, lon, way = line_of(200, 10.0)
    gone = hidden(lat, lon, way, Rules())
    start, end = np.flatnonzero(~gone)[[0, -1]]
    for i in np.flatnonzero(~gone):
        assert geodesic_m(lat[i], lon[i], lat[0], lon[0]) >= 300
        assert geodesic_m(lat[i], lon[i], lat[-1], lon[-1]) >= 300
    assert 300 <= way[start] <= 320 and 300 <= way[-1] - way[end] <= 320
    assert not hidden(lat, lon, way, Rules(ends_m=0)).any()


def test_a_lap_round_the_block_stays_hidden():
    """600 m of way within 100 m of the door: the ends are counted in a straight line."""
    turn = np.linspace(0, 2 * np.pi, 60)
    lat0, lon0 = 53.4 + 100 * np.sin(turn) / 111_200, -0.4 + 100 * (1 - np.cos(turn)) / 66_000
    lat, lon = np.concatenate([lat0, line_of(200, 10.0)[0]]), np.concatenate([lon0, np.full(200, -0.4)])
    way = np.concatenate([turn * 100, 628 + np.arange(200) * 10.0])
    gone = hidden(lat, lon, way, Rules())
    assert gone[:60].all() and not gone.all()


def test_a_receiver_that_wanders_at_rest_shows_nothing():
    """A cold start: positions jump about by half a kilometre while the car stands."""
    rng = np.random.default_rng(1)
    lat, lon, way = line_of(200, 10.0)
    lat = np.concatenate([lat[0] + rng.normal(0, 500 / 111_200, 50), lat])
    lon, way = np.concatenate([np.full(50, -0.4), lon]), np.concatenate([np.zeros(50), way])
    assert hidden(lat, lon, way, Rules())[:50].all()


def test_a_drive_that_never_left_is_hidden_as_a_whole():
    lat, lon, way = line_of(20, 10.0)
    assert hidden(lat, lon, way, Rules()).all()
    assert hidden([], [], [], Rules()).shape == (0,)
    assert not hidden([np.nan], [np.nan], [0.0], Rules()).any()


@pytest.fixture(scope="module")
def driven(tmp_path_factory):
    """A drive on a loop through a private circle, with a note made inside the circle and one outside."""
    store = tmp_path_factory.mktemp("store")
    lat, lon, _, _ = LOOP.place(np.array([1100.0]))
    circle = f'name = "the barn"\nlat_deg = {lat[0]}\nlon_deg = {lon[0]}\nradius_m = 150\n'
    rig = f"{RIG}\n[privacy]\n[[privacy.circle]]\n{circle}"
    drive, truth = make_drive(store, SCRIPT, road=LOOP, rig=rig, notes=[(65.0, "outside"), (106.0, "inside")])
    return store, drive, truth, (float(lat[0]), float(lon[0]))


def exported(store, drive) -> dict[str, str]:
    """All that `export` can write, as text, at two rates."""
    import duckdb
    import pyarrow.parquet as pq

    from analysis.drive import AnalysedDrive

    rules = privacy.in_force(store, [drive])
    found = AnalysedDrive(drive)
    where = privacy.cut(positions(drive), rules)
    out = {"gpx": gpx_text(drive, where), "geojson": geojson_text(drive, where)}
    for rate in (0.5, 50.0):
        table = tables.common_base(drive, rate, rules, found.motion, found.table_runs("mph"))
        out[f"csv {rate}"] = tables.csv_text(table)
        path = store / "x.parquet"
        path.write_bytes(tables.parquet_bytes(table))
        assert pq.read_schema(path) is not None
        rows = duckdb.sql(f"select lat_deg, lon_deg from '{path}' where lat_deg is not null").fetchall()
        path.unlink()
        out[f"parquet {rate}"] = json.dumps(rows)
    return out


def test_no_export_shows_a_private_place(driven):
    store, drive, truth, (lat, lon) = driven
    start, end = (truth.lat_deg[0], truth.lon_deg[0]), (truth.lat_deg[-1], truth.lon_deg[-1])
    rules = privacy.in_force(store, [drive])
    where = privacy.cut(positions(drive), rules)
    shown = np.flatnonzero(np.isfinite(where.lat_deg))
    assert 300 < len(shown) < len(where.lat_deg) - 300
    assert np.isnan(where.course_deg[where.hidden]).all() and np.isnan(where.alt_m[where.hidden]).all()
    assert np.isfinite(where.speed_mps[where.hidden]).all()  # times and speeds stay
    texts = exported(store, drive)

    def places(kind: str, text: str) -> list[tuple[float, float]]:
        if kind == "gpx":
            return [(float(a), float(b)) for a, b in re.findall(r'lat="([-0-9.]+)" lon="([-0-9.]+)"', text)]
        if kind == "geojson":
            out = []
            for feature in json.loads(text)["features"]:
                at = feature["geometry"]["coordinates"]
                out += [(p[1], p[0]) for p in (at if feature["geometry"]["type"] == "LineString" else [at])]
            return out
        if kind.startswith("parquet"):
            return [(a, b) for a, b in json.loads(text)]
        rows = [row.split(",") for row in text.splitlines()]
        i, j = rows[0].index("lat [deg]"), rows[0].index("lon [deg]")
        return [(float(row[i]), float(row[j])) for row in rows[1:] if row[i]]

    for kind, text in texts.items():
        found = places(kind, text)
        assert len(found) > 30, kind
        for a, b in found[:: max(len(found) // 400, 1)] + found[:5] + found[-5:]:
            assert geodesic_m(a, b, lat, lon) > 150, kind
        for a, b in found[:50]:
            assert geodesic_m(a, b, *start) >= 290, kind  # the first fix is a metre or two off the true start
        for a, b in found[-50:]:
            assert geodesic_m(a, b, *end) >= 290, kind
        assert "barn" not in text
    assert "outside" in texts["gpx"] and "inside" not in texts["gpx"]
    assert "outside" in texts["geojson"] and "inside" not in texts["geojson"]


def test_a_circle_holds_for_all_drives_of_the_store(driven, tmp_path):
    store, drive, _, (lat, lon) = driven
    older, _ = make_drive(tmp_path, SCRIPT, road=LOOP, seed=9)
    assert privacy.in_force(tmp_path, [older]).circles == ()
    assert len(privacy.in_force(store, [older]).circles) == 1  # drawn for another drive of that store
    (tmp_path / "recorder.toml").write_text(
        RIG + f"\n[privacy]\nends_m = 700\n[[privacy.circle]]\nlat_deg = {lat}\nlon_deg = {lon}\n", encoding="utf-8"
    )
    rules = privacy.in_force(tmp_path, [older])
    assert len(rules.circles) == 1 and rules.ends_m == 300  # the ends are the drive's own
    assert privacy.in_force(tmp_path, [older], 50.0).ends_m == 50
    with pytest.raises(InputError, match="Use 0 m to 100 km"):
        privacy.in_force(tmp_path, [older], -1.0)
    assert privacy.in_force(store, [drive]).said() == "the first and last 300 m (984 ft) and 1 private circle"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("ends_m = -1", "privacy.ends_m"),
        ("[[privacy.circle]]\nlat_deg = 95.0\nlon_deg = 0.0", "privacy.circle[1].lat_deg"),
        ("[[privacy.circle]]\nlat_deg = 5.0", "privacy.circle[1].lon_deg"),
        ("radius = 3", "unknown key 'privacy.radius'"),
    ],
)
def test_a_wrong_circle_is_one_line(text, said):
    with pytest.raises(ConfigError) as caught:
        parse(f"{RIG}\n[privacy]\n{text}\n", RecorderConfig, "recorder.toml")
    assert said in str(caught.value) and "\n" not in str(caught.value)
