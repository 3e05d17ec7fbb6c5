"""`export` from end to end: the files it writes, read by others and held against what was driven."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import gpxpy
import numpy as np
import pandas as pd
import pytest
from geographiclib.geodesic import Geodesic
from made_drives import CAR, RIG, START, make_drive
from simulate import Brake, Cruise, Phase, Pull, Stand, Truth
from typer.testing import CliRunner

from analysis.answers.export import export_answer
from analysis.cli import sharing
from analysis.store import DriveStore
from logger.config.car import CarConfig
from logger.errors import InputError, NoAnswer

MPH, KMH = 0.44704, 1 / 3.6  # exact (NIST SP 811, appendix B.8)
SCRIPT: list[Phase] = [Stand(10), Pull(20.0), Cruise(20.0, 40), Brake(0), Stand(10)]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, Truth]:
    store = tmp_path_factory.mktemp("store")
    drive, truth = make_drive(store, SCRIPT, notes=[(35.0, "warm now")])
    return store, drive.id, truth


def said(*arguments: str) -> str:
    done = CliRunner().invoke(sharing.app, ["export", *arguments])
    if done.exception is not None:
        raise done.exception
    return done.stdout


def exported(made: tuple[Path, str, Truth], out: Path, *arguments: str) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(said(made[1], "--store", str(made[0]), "--out", str(out), "--json", *arguments))
    return told


def metres(lat: float, lon: float, to_lat: float, to_lon: float) -> float:
    """WGS 84 geodesic by geographiclib (Karney 2013)."""
    return float(Geodesic.WGS84.Inverse(lat, lon, to_lat, to_lon)["s12"])


@pytest.mark.parametrize(("options", "heading", "per"), [([], "mph", MPH), (["--units", "km/h"], "km/h", KMH)])
def test_a_csv_has_the_speeds_that_were_driven(
    made: tuple[Path, str, Truth], tmp_path: Path, options: list[str], heading: str, per: float
) -> None:
    truth = made[2]
    told = exported(made, tmp_path / "x.csv", "--rate", "5", *options)
    frame = pd.read_csv(tmp_path / "x.csv", parse_dates=["time [UTC]"])
    assert told["rows"] == len(frame) and told["points"] is None and told["format"] == "csv"
    assert told["bytes"] == (tmp_path / "x.csv").stat().st_size
    t = np.array([(when - START).total_seconds() for when in frame["time [UTC]"]])
    assert np.diff(t) == pytest.approx(np.full(len(t) - 1, 0.2), abs=1.1e-3)
    known = frame[f"speed [{heading}]"].notna().to_numpy()
    assert frame[f"speed [{heading}]"][known].to_numpy() == pytest.approx(truth.at(t[known]) / per, abs=0.25 / per)
    numbered = frame["run"].notna().to_numpy()
    (run,) = truth.runs
    # A run ends at its peak; from then on the truth cruises.
    assert t[numbered][0] == pytest.approx(run.start_s, abs=0.5) and set(frame["run"].dropna()) == {1}
    foot = run.start_s + run.time_at(0.3048)
    assert frame["run time [s]"][numbered].to_numpy() == pytest.approx(t[numbered] - foot, abs=0.06)
    (note,) = np.flatnonzero(frame["note"].notna())
    assert frame["note"][note] == "warm now" and t[note] == pytest.approx(35.0, abs=0.11)
    afr = frame["afr"][(t > 40) & (t < 55)]
    assert afr.notna().all() and afr.between(12, 15).all()


def test_a_parquet_is_in_si_whatever_the_owner_speaks(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    told = exported(made, tmp_path / "x.parquet", "--rate", "2", "--units", "mph")
    frame = pd.read_parquet(tmp_path / "x.parquet")
    assert told["rows"] == len(frame) and told["format"] == "parquet"
    t = (frame["time"] - pd.Timestamp(START)).dt.total_seconds().to_numpy()
    known = frame["speed_mps"].notna().to_numpy()
    assert frame["speed_mps"][known].to_numpy() == pytest.approx(made[2].at(t[known]), abs=0.25)
    assert frame["distance_m"].iloc[-1] == pytest.approx(made[2].s_m[-1], rel=0.01)


def test_tracks_keep_to_the_road_and_to_the_rules(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    """Points a second; nothing within the asked 200 m of either end, by the geodesic."""
    truth = made[2]
    gpx = exported(made, tmp_path / "x.gpx", "--rate", "1", "--ends", "200m")
    points = [p for track in gpxpy.parse((tmp_path / "x.gpx").read_text()).tracks for s in track.segments
              for p in s.points]  # fmt: skip
    assert gpx["points"] == len(points) > 30 and gpx["rows"] is None
    t = np.array([(point.time - START).total_seconds() for point in points if point.time])
    assert np.diff(t) == pytest.approx(np.full(len(t) - 1, 1.0), abs=0.11)
    lat, lon = (np.interp(t, truth.t_s, values) for values in (truth.lat_deg, truth.lon_deg))
    for point, a, b in zip(points, lat, lon, strict=True):
        assert metres(point.latitude, point.longitude, a, b) < 12  # the simulated receiver wanders some metres
    speeds = np.array([float(point.extensions[0].text or "nan") for point in points])
    assert speeds == pytest.approx(truth.at(t), abs=0.3)
    for end in (0, -1):
        away = [metres(p.latitude, p.longitude, truth.lat_deg[end], truth.lon_deg[end]) for p in points]
        assert 190 < min(away) < 250
    told = exported(made, tmp_path / "x.geojson", "--rate", "1", "--ends", "200m")
    shape = json.loads((tmp_path / "x.geojson").read_text())
    (line,) = [f for f in shape["features"] if f["geometry"]["type"] == "LineString"]
    places = line["geometry"]["coordinates"]
    assert told["points"] == gpx["points"] == len(places)
    assert [place[:2] for place in places] == [[p.longitude, p.latitude] for p in points]
    assert line["properties"]["speed_mps"] == pytest.approx(speeds.tolist(), abs=1e-9)
    assert [f["properties"]["note"] for f in shape["features"] if f["geometry"]["type"] == "Point"] == ["warm now"]


def test_the_share_cut_is_what_is_missing(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    cut = exported(made, tmp_path / "cut.gpx", "--rate", "100", "--ends", "200m")
    whole = exported(made, tmp_path / "whole.gpx", "--rate", "100", "--ends", "0m")
    assert whole["private"] == {"ends_m": 0.0, "circles": 0, "share_cut": 0.0, "words": "no ends and 0 private circles"}
    assert cut["private"]["share_cut"] == pytest.approx(1 - cut["points"] / whole["points"], abs=1e-9)
    assert 0.3 < cut["private"]["share_cut"] < 0.8 and cut["private"]["ends_m"] == 200
    usual = exported(made, tmp_path / "usual.csv")
    assert usual["private"]["ends_m"] == 300  # README: the first and last 300 m
    with pytest.raises(NoAnswer, match="all its positions stay private"):
        exported(made, tmp_path / "none.gpx", "--ends", "50km")
    assert not (tmp_path / "none.gpx").exists()


def test_circles_of_the_whole_store_hold(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    """A circle drawn in another drive's file, or in the store's own, hides its place in this drive too."""
    store = tmp_path / "store"
    truth = made[2]
    drive, _ = make_drive(store, SCRIPT)
    lat, lon = (float(np.interp(40.0, truth.t_s, values)) for values in (truth.lat_deg, truth.lon_deg))
    circle = f"\n[privacy]\n[[privacy.circle]]\nlat_deg = {lat}\nlon_deg = {lon}\nradius_m = 150\n"
    make_drive(store, SCRIPT[:2], rig=RIG + circle, seed=5)
    opened = DriveStore(store)
    answer = export_answer(opened, opened.drive(drive.id), tmp_path / "x.gpx", "gpx", ends_m=0.0)
    assert answer.private.circles == 1 and answer.private.share_cut > 0.05
    for track in gpxpy.parse((tmp_path / "x.gpx").read_text()).tracks:
        assert len(track.segments) == 2
        for segment in track.segments:
            assert all(metres(p.latitude, p.longitude, lat, lon) > 149.9 for p in segment.points)


def test_text_json_and_answer_are_one(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    store = DriveStore(made[0])
    answer = export_answer(store, store.drive(made[1]), tmp_path / "x.csv", "csv", rate_hz=2.0, ends_m=150.0)
    told = exported(made, tmp_path / "x.csv", "--rate", "2", "--ends", "150m", "--force")
    assert told == answer.to_json()
    options = ["--store", str(made[0]), "--out", str(tmp_path / "x.csv"), "--rate", "2", "--ends", "150m", "--force"]
    text = " ".join(said(made[1], *options).split())
    assert f": {answer.rows} rows, {answer.bytes / 1e6:.2f} MB." in text
    share = f"{answer.private.share_cut:.0%} of the positions were cut."
    assert f"Private: the first and last 150 m (492 ft) and 0 private circles; {share}" in text


def test_the_format_is_asked_for_or_the_files_own(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    assert exported(made, tmp_path / "a.GPX", "--rate", "1")["format"] == "gpx"
    assert exported(made, tmp_path / "a.txt", "--rate", "1", "--format", "geojson")["format"] == "geojson"
    with pytest.raises(InputError, match="Write csv, parquet, gpx or geojson"):
        exported(made, tmp_path / "a.doc")
    for rate in ("0", "1e4", "nan"):
        with pytest.raises(InputError, match="--rate"):
            exported(made, tmp_path / "b.csv", "--rate", rate)
    store = DriveStore(made[0])
    with pytest.raises(InputError, match="--rate"):
        export_answer(store, store.drive("last"), tmp_path / "b.csv", rate_hz=math.inf)
    with pytest.raises(InputError, match="exists already"):
        exported(made, tmp_path / "a.GPX")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.GPX", "a.txt"]


def test_a_car_of_kilometres_and_no_car_at_all(tmp_path: Path) -> None:
    kmh = CarConfig.model_validate({**CAR.model_dump(), "units": {"speed": "km/h"}})
    for car, heading in ((kmh, "speed [km/h]"), (None, "speed [m/s]")):
        store = DriveStore(tmp_path / f"store {heading[7:9]}")
        drive, _ = make_drive(store.path, SCRIPT[:2], car=car)
        export_answer(store, store.drive(drive.id), tmp_path / "x.csv", rate_hz=1.0, force=True)
        assert heading in pd.read_csv(tmp_path / "x.csv").columns


def test_a_drive_without_a_receiver_has_channels_but_no_track(tmp_path: Path) -> None:
    store = tmp_path / "store"
    rig = RIG[RIG.rindex("[[source]]") :]
    drive, _ = make_drive(store, SCRIPT[:2], rig=rig)
    told = json.loads(said(drive.id, "--store", str(store), "--out", str(tmp_path / "x.csv"), "--json"))
    assert told["receiver"] is False and told["rows"] > 100 and told["private"]["share_cut"] == 0
    assert "speed [mph]" not in pd.read_csv(tmp_path / "x.csv").columns
    with pytest.raises(NoAnswer, match="no GPS receiver"):
        said(drive.id, "--store", str(store), "--out", str(tmp_path / "x.gpx"))
    assert "Private" not in said(drive.id, "--store", str(store), "--out", str(tmp_path / "x.csv"), "--force")
